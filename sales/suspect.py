"""Checks of the things, stores and tanks that some lots passed through: which failed, and which
nobody made. A failed check makes suspect everything since the last good one."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from django.db.models import Q, QuerySet

from grow import clock
from grow.models import Event, Place, PlaceKind, Thing, alive

Moment = dt.datetime
#: A thing used in more acts than this is looked at from the first of them to the last.
APART = 12


@dataclass(frozen=True, slots=True)
class Looked:
    """One thing, store or tank over a span of time. must: that no check is recorded is said."""

    what: str
    where: Q
    kind: str
    start: Moment
    end: Moment
    must: bool = True


def checks(where: Q, kind: str = "check") -> QuerySet[Event]:
    """Checks (or water tests) that were not taken back."""
    return Event.objects.filter(where, alive(), kind=kind)


def good(events: QuerySet[Event]) -> QuerySet[Event]:
    return events.filter(told__contains='"passed":true')


def bad(events: QuerySet[Event]) -> QuerySet[Event]:
    return events.filter(told__contains='"passed":false')


def checks_of(
    acts: Iterable[int], waters: Iterable[int], stays: dict[int, tuple[Moment, Moment]]
) -> list[tuple[str, bool]]:
    """(sentence, whether it failed), the failed first. acts are the ids of the events that made
    the lots, waters of those that made their waters; stays is store id → from and until when."""
    found: dict[str, bool] = {}
    for one in (*_things(set(acts)), *_tanks(set(waters)), *_stores(stays)):
        verdict = _verdict(one)
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
            yield Looked(one.name, Q(things=one), "check", start, end)


def _tanks(waters: set[int]) -> Iterator[Looked]:
    times: dict[Place, list[Moment]] = defaultdict(list)
    for event in Event.objects.filter(pk__in=waters, place__isnull=False).select_related("place"):
        if event.place:
            times[event.place].append(event.placed_at)
    for tank, moments in sorted(times.items(), key=lambda t: t[0].pk):
        yield Looked(
            f"the water of {tank}", Q(place=tank), "test_water", min(moments), max(moments)
        )


def _stores(stays: dict[int, tuple[Moment, Moment]]) -> Iterator[Looked]:
    for place in Place.objects.filter(pk__in=stays).order_by("id"):
        fridges = list(Thing.objects.filter(place=place, kind=Thing.Kind.FRIDGE))
        start, end = stays[place.pk]
        # each by itself: a question with "or" in it cannot be answered from an index
        wheres = [Q(things=f) for f in fridges] or [Q(place=place)]
        for where in wheres:
            yield Looked(place.name, where, "check", start, end, place.kind == PlaceKind.STORE)


def _verdict(one: Looked) -> tuple[str, bool] | None:
    every = checks(one.where, one.kind)
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
    if after or inside.exists():
        day = clock.local(one.start)
        return f"No check of {one.what} is recorded before {day:%d %b %Y %H:%M}.", False
    return f"No check of {one.what} is recorded.", False


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _when(moment: Moment) -> str:
    return f"{clock.local(moment):%d %b %Y %H:%M}"
