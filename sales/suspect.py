"""Checks of the things, stores and tanks that some lots passed through: which failed, and which
nobody made. A failed check makes suspect everything since the last good one."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from django.db.models import Q, QuerySet

from grow import clock
from grow.models import Event, Place, PlaceKind, Thing, alive

from . import water_tests

Moment = dt.datetime
#: A thing used in more acts than this is looked at from the first of them to the last.
APART = 12


@dataclass(frozen=True, slots=True)
class Looked:
    """One thing or store over a span of time. must: that no check is recorded is said."""

    what: str
    where: Q
    start: Moment
    end: Moment
    must: bool = True


def checks(where: Q) -> QuerySet[Event]:
    """Checks that were not taken back."""
    return Event.objects.filter(where, alive(), kind="check")


def good(events: QuerySet[Event]) -> QuerySet[Event]:
    return events.filter(told__contains='"passed":true')


def bad(events: QuerySet[Event]) -> QuerySet[Event]:
    return events.filter(told__contains='"passed":false')


def checks_of(
    acts: Iterable[int], waters: Mapping[int, int], stays: dict[int, tuple[Moment, Moment]]
) -> list[tuple[str, bool]]:
    """(sentence, whether it failed), the failed first. acts are the ids of the events that made
    the lots; waters are those lots' waters, with the event that made each; stays is store id → from
    and until when."""
    found: dict[str, bool] = {}
    verdicts = [*map(_verdict, _things(set(acts))), *_tanks(waters), *map(_verdict, _stores(stays))]
    for verdict in verdicts:
        if verdict:
            found[verdict[0]] = verdict[1]
    return sorted(found.items(), key=lambda f: not f[1])


def _things(acts: set[int]) -> Iterator[Looked]:
    used: dict[int, set[int]] = defaultdict(set)
    rows = Event.things.through.objects.filter(event_id__in=acts)
    for event, thing in rows.values_list("event_id", "thing_id"):
        used[thing].add(event)
    moments = dict(
        Event.objects.filter(pk__in={e for events in used.values() for e in events}).values_list(
            "id", "placed_at"
        )
    )
    for one in Thing.objects.filter(pk__in=used).order_by("id"):
        times = sorted({moments[e] for e in used[one.pk]})
        spans = [(t, t) for t in times] if len(times) <= APART else [(times[0], times[-1])]
        for start, end in spans:
            yield Looked(one.name, Q(things=one), start, end)


def _tanks(waters: Mapping[int, int]) -> Iterator[tuple[str, bool]]:
    """What was found in the water of each tank: of each kind of test and each criterion the first
    that failed and makes one of these waters suspect."""
    filled = Event.objects.select_related("place").in_bulk(set(waters.values()))
    of: dict[Place, dict[int, Moment]] = defaultdict(dict)
    for lot, made in waters.items():
        if place := filled[made].place:
            of[place][lot] = filled[made].placed_at
    looked = water_tests.looked_at(tank.pk for tank in of)
    for tank, times in sorted(of.items(), key=lambda t: t[0].pk):
        one = looked[tank.pk]
        said: set[str] = set()
        for look in one.failed:
            if look.of not in said and times.keys() & one.suspect(look):
                said.add(look.of)
                yield f"The water of {tank} {look.says}; {one.span(look).since}.", True
        start = min(times.values())
        if not said and not (one.looks and one.looks[0].first <= start):
            yield _unseen(f"the water of {tank}", start, bool(one.looks)), False


def _stores(stays: dict[int, tuple[Moment, Moment]]) -> Iterator[Looked]:
    for place in Place.objects.filter(pk__in=stays).order_by("id"):
        fridges = list(Thing.objects.filter(place=place, kind=Thing.Kind.FRIDGE))
        start, end = stays[place.pk]
        # each by itself: a question with "or" in it cannot be answered from an index
        whole = Q(place=place, things=None) if fridges else Q(place=place)
        must = place.kind == PlaceKind.STORE
        yield Looked(place.name, whole, start, end, must and not fridges)
        must = must and not checks(whole).filter(placed_at__lte=start).exists()
        for fridge in fridges:
            yield Looked(place.name, Q(things=fridge), start, end, must)


def _verdict(one: Looked) -> tuple[str, bool] | None:
    every = checks(one.where)
    before = every.filter(placed_at__lte=one.start).order_by("-placed_at", "-id").first()
    after = every.filter(placed_at__gt=one.end).order_by("placed_at", "id").first()
    inside = every.filter(placed_at__gt=one.start, placed_at__lte=one.end)
    failed = [e for e in (before, after) if e and '"passed":false' in (e.told or "")]
    failed += bad(inside)[:50]
    if failed:
        first = min(failed, key=lambda e: e.placed_at)
        last_good = good(every).filter(placed_at__lt=first.placed_at).order_by("-placed_at").first()
        since = (
            f"everything since its last good one on {_when(last_good.placed_at)} is suspect"
            if last_good
            else "no good one is recorded before, so everything before it is suspect"
        )
        return f"{_capital(one.what)} failed its check on {_when(first.placed_at)}; {since}.", True
    if before or not one.must:
        return None
    return _unseen(one.what, one.start, bool(after or inside.exists())), False


def _unseen(what: str, start: Moment, later: bool) -> str:
    return f"No check of {what} is recorded{f' before {_when(start)}' if later else ''}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _when(moment: Moment) -> str:
    return f"{clock.local(moment):%d %b %Y %H:%M}"
