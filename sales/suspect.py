"""Checks of the things, stores and tanks that some lots passed through: which failed, and which
nobody made. A failed check makes suspect everything since the last good one."""

from __future__ import annotations

import datetime as dt
import json
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Q

from grow import clock
from grow.models import Event, Place, PlaceKind, Thing, alive

from . import water_tests

Moment = dt.datetime
#: A thing used in more acts than this is looked at from the first of them to the last.
APART = 12


@dataclass(frozen=True, slots=True)
class Check:
    """One check: when, of what kind (as like is known by), and whether it was good."""

    at: Moment
    of: str
    good: bool


@dataclass(frozen=True, slots=True)
class Looked:
    """One thing or store over a span of time, with all its checks in order. must: that no check is
    recorded is said."""

    what: str
    checks: Sequence[Check]
    start: Moment
    end: Moment
    must: bool = True


def checks(where: Q) -> list[Check]:
    """Checks that were not taken back, in order of time."""
    rows = Event.objects.filter(where, alive(), kind="check").order_by("placed_at", "id")
    found = []
    for at, told in rows.values_list("placed_at", "told"):
        facts = json.loads(told or "{}")
        found.append(Check(at, water_tests.like(facts), bool(facts.get("passed"))))
    return found


def checks_of(
    acts: Iterable[int], waters: Mapping[int, int], stays: dict[int, tuple[Moment, Moment]]
) -> list[tuple[str, bool]]:
    """(sentence, whether it failed), the failed first. acts are the ids of the events that made
    the lots; waters are those lots' waters, with the event that made each; stays is store id → from
    and until when."""
    found: dict[str, bool] = {}
    of_things = (said for one in _things(set(acts)) for said in _verdicts(one))
    of_stores = (said for one in _stores(stays) for said in _verdicts(one))
    for says, failed in (*of_things, *_tanks(waters), *of_stores):
        found[says] = failed
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
        looks = checks(Q(things=one))
        for start, end in spans:
            yield Looked(one.name, looks, start, end)


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
        whole = checks(Q(place=place, things=None) if fridges else Q(place=place))
        must = place.kind == PlaceKind.STORE
        yield Looked(place.name, whole, start, end, must and not fridges)
        must = must and not any(check.at <= start for check in whole)
        for fridge in fridges:
            yield Looked(place.name, checks(Q(things=fridge)), start, end, must)


def _verdicts(one: Looked) -> Iterator[tuple[str, bool]]:
    """Of each kind of check the first that failed: only like bounds like."""
    of: dict[str, list[Check]] = defaultdict(list)
    for check in one.checks:
        of[check.of].append(check)
    failed = sorted(
        (first.at, kind) for kind, alike in of.items() if (first := _failed(alike, one))
    )
    for at, kind in failed:
        last_good = max((c.at for c in of[kind] if c.good and c.at < at), default=None)
        since = (
            f"everything since its last good one on {_when(last_good)} is suspect"
            if last_good
            else "no good one is recorded before, so everything before it is suspect"
        )
        named = f" of {kind}" if len(of) > 1 else ""
        yield f"{_capital(one.what)} failed its check{named} on {_when(at)}; {since}.", True
    before = any(check.at <= one.start for check in one.checks)
    if not failed and one.must and not before:
        yield _unseen(one.what, one.start, bool(one.checks)), False


def _failed(alike: Sequence[Check], one: Looked) -> Check | None:
    """The first failed one of a kind that bears on this span: within it, the last before it or the
    next after it."""
    first = bisect_right(alike, one.start, key=lambda check: check.at)
    last = bisect_right(alike, one.end, key=lambda check: check.at)
    return next((c for c in alike[max(0, first - 1) : last + 1] if not c.good), None)


def _unseen(what: str, start: Moment, later: bool) -> str:
    return f"No check of {what} is recorded{f' before {_when(start)}' if later else ''}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _when(moment: Moment) -> str:
    return f"{clock.local(moment):%d %b %Y %H:%M}"
