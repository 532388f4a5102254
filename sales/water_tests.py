"""What was looked at in the water of a tank, and what a failure of it makes suspect.

Water tests, checks of the tank and a laboratory's results count alike. A failed one makes suspect
what was in the tank since the last good one, or since it was drained and cleaned after that, until
the next of either.

Only like bounds like: a good test of the same kind, or a satisfactory result by the same criterion.
A pH in order says nothing of what makes ill, and water that may go to the roots need not be fit to
wash leaf. A laboratory's result is of the day on which its sample was taken; where that was not
told its report, which comes days later, bounds nothing. Nor does a mean over a season, which says
nothing of one day; nor what is acceptable or not judged yet, which has not failed either.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from grow import clock, waters
from grow.lineage import each
from grow.microbiology import CRITERIA, Verdict
from grow.models import Event, LabResult, LotKind, alive

Moment = dt.datetime
#: Before all records. No day of any zone before it: the first of all years has none in the west.
FIRST = dt.datetime(1900, 1, 1, tzinfo=dt.UTC)
#: What was in a tank when it was drained was not there a moment later.
_BESIDE = dt.timedelta(microseconds=1)
_OF_WATERS = (
    "grow_event f CROSS JOIN grow_lot l CROSS JOIN grow_labresult r WHERE f.place_id = t.id "
    "AND f.kind IN (%s, %s, %s) AND l.made_by_id = f.id AND r.lot_id = l.id"
)


@dataclass(frozen=True, slots=True)
class Look:
    """One test, or one result of a laboratory. first, last: when its water was taken, as near as
    was told. of: its kind or criterion, by which like is known. good: None where it says neither.
    water: the id of the water that it is of, where that is named and its tank is not."""

    event: int
    first: Moment
    last: Moment
    of: str
    good: bool | None
    bounds: bool
    says: str
    water: int | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """What a failed look makes suspect: from when to when, None for no bound; and since what."""

    start: Moment | None
    end: Moment | None
    since: str


@dataclass(slots=True)
class Looked:
    """All that was looked at in one place, in order of time, and when that was drained."""

    place: int
    looks: list[Look] = field(default_factory=list)
    drained: list[Moment] = field(default_factory=list)

    @property
    def failed(self) -> list[Look]:
        return [look for look in self.looks if look.good is False]

    def span(self, failed: Look) -> Span:
        """From the last good look before one that failed to the next after it, drains between."""
        good = [x for x in self.looks if x.good and x.bounds and x.of == failed.of]
        starts = [(x.first, "its last good one on") for x in good if x.last < failed.first]
        starts += [
            (at + _BESIDE, "it was drained and cleaned on")
            for at in self.drained
            if at < failed.first
        ]
        ends = [x.last for x in good if x.first > failed.last]
        ends += [at - _BESIDE for at in self.drained if at > failed.last]
        start, since = max(starts, default=(None, ""))
        if start:
            since = f"everything since {since} {clock.local(start):%d %b %Y %H:%M} is suspect"
        else:
            since = "no good one is recorded before, so everything before it is suspect"
        return Span(start, min(ends, default=None), since)

    def suspect(self, failed: Look) -> set[int]:
        """Ids of the waters that were in the tank in that span, and of the one that it was of."""
        span = self.span(failed)
        there = waters.there(self.place, span.start or FIRST, span.end or clock.now())
        return there | ({failed.water} if failed.water else set())


def looked_at(places: Iterable[int]) -> dict[int, Looked]:
    """Place id → what was looked at in it. Of a place that is no tank: a laboratory's results."""
    found = {place: Looked(place) for place in sorted(set(places))}
    drains = Event.objects.filter(alive(), place__in=list(found), kind=waters.DRAIN)
    for place, at in drains.values_list("place_id", "placed_at"):
        found[place].drained.append(at)
    there = Event.objects.filter(alive(), place__in=list(found))
    # a test's thing is its probe; a check's thing is what was checked, and not the tank
    for event in (*there.filter(kind="test_water"), *there.filter(kind="check", things=None)):
        found[event.place_id or 0].looks.append(_test(event))
    for place, rows in _results(list(found)).items():
        found[place].looks += [_result(row) for row in rows]
    for one in found.values():
        one.looks.sort(key=lambda look: (look.first, look.event))
    return found


def _test(event: Event) -> Look:
    told = json.loads(event.told or "{}")
    says = f"failed its check of {told.get('kind')} on {_when(event.placed_at)}"
    return Look(
        event.pk,
        event.earliest_at,
        event.latest_at,
        like(told),
        bool(told.get("passed")),
        True,
        says,
    )


def like(told: Mapping[str, Any]) -> str:
    """By which a test or a check of one kind is known, however it was typed."""
    return str(told.get("kind", "")).strip().casefold()


def _results(places: Sequence[int]) -> dict[int, list[LabResult]]:
    """Of each place, and of its waters where a result names only those."""
    ids = each(places, "r.id", "grow_labresult r WHERE r.place_id = t.id")
    ids += each(places, "r.id", _OF_WATERS, waters.WATERING)
    rows = LabResult.objects.select_related("event", "lot__made_by")
    found: dict[int, dict[int, LabResult]] = defaultdict(dict)
    for _, row in sorted(rows.in_bulk([pk for (pk,) in ids]).items()):
        # the tank's own row was written before those of the waters in it
        place = row.place_id or (row.lot.made_by.place_id if row.lot else None)
        found[place or 0].setdefault(row.event_id, row)
    return {place: list(by.values()) for place, by in found.items()}


def _result(row: LabResult) -> Look:
    rule = CRITERIA.get(row.criterion)
    first, last = row.event.earliest_at, row.event.latest_at
    if row.lot:
        first = min(first, row.lot.made_by.earliest_at)  # it was taken while that water was there
    taken = json.loads(row.event.told or "{}").get("taken_on")
    if taken:
        day = dt.date.fromisoformat(taken)
        first, last = clock.start_of(day), clock.end_of(day)
    good = {Verdict.SATISFACTORY: True, Verdict.UNSATISFACTORY: False}.get(Verdict(row.verdict))
    when = f"by a sample of {first:%d %b %Y}"
    if not taken:
        when = f"by a sample whose day was not told, entered on {_when(row.event.placed_at)}"
    of = rule.organism if rule else row.criterion
    return Look(
        row.event_id,
        first,
        last,
        row.criterion,
        good,
        bool(taken) and rule is not None and not rule.series,
        f"failed in the laboratory {when} ({of}: {row.says.rstrip('.')})",
        row.lot_id if row.lot and row.lot.kind == LotKind.WATER else None,
    )


def _when(moment: Moment) -> str:
    return f"{clock.local(moment):%d %b %Y %H:%M}"


__all__ = ["FIRST", "Look", "Looked", "Span", "like", "looked_at"]
