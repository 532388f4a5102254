"""What was in a place between two moments: the root of a trace for a tower, a tank, a store, a
line, a bench or a whole area. An entry with only a day counts as the whole day; windows are
inclusive. The reading is the one that touched edges are made of."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Q

from . import clock, lineage, stays, waters
from .kinds import OWN, TAKING_BACK
from .models import (
    NURSERY,
    Event,
    Holding,
    Lineage,
    Lot,
    LotKind,
    Place,
    PlaceKind,
    Planting,
    alive,
)

Moment = dt.datetime


def touched(place: Place, start: Moment, end: Moment) -> set[int]:
    """Ids of the lots that were in a place at any time from start to end, and of the cuts made
    since from plants that stood there then.

    A tank: its waters. A bench, shelf, tent or tower: sowings and what was cut from them. A
    store, shop, kitchen, quarantine: what lay there. A line: what was also made on it. An area:
    all of that in every place within it."""
    places = [place, *_within(place)]
    found: set[int] = set()
    tanks = [p.pk for p in places if p.kind == PlaceKind.TANK]
    for tank in tanks:
        found |= waters.there(tank, start, end)
    plants = [p.pk for p in places if p.kind in NURSERY or p.kind == PlaceKind.TOWER]
    if plants:
        found |= _plants(set(plants), start, end)
    lying = [p.pk for p in places if p.pk not in {*tanks, *plants} and p.kind != PlaceKind.AREA]
    if lying:
        found |= stood(lying, start, end)
    made = Event.objects.filter(
        alive(),
        kind__in=("harvest", "pack", "rework"),
        day__gte=clock.day_number(clock.local(start).date()),
        day__lte=clock.day_number(clock.local(end).date()),
        place__in=[p.pk for p in places],
        earliest_at__lte=end,
        latest_at__gte=start,
    )
    acts = list(made.values_list("pk", flat=True))
    found |= set(Lot.objects.filter(made_by__in=acts).values_list("pk", flat=True))
    return found


def stood(places: Iterable[int], start: Moment, end: Moment) -> set[int]:
    """Ids of the lots of which something was in one of these places at some time."""
    places = set(places)
    rows = lineage.each(
        _since(places, start),
        "t.id, m.from_place_id, m.to_place_id, m.quantity, e.kind, "
        "e.placed_at, e.earliest_at, e.latest_at",
        "grow_movement m CROSS JOIN grow_event e WHERE m.lot_id = t.id AND e.id = m.event_id",
    )
    steps: dict[tuple[int, int], dict[Moment, _Step]] = defaultdict(dict)
    for lot, a, b, quantity, kind, *moments in rows:
        if not places & {a, b}:
            continue
        at, earliest, latest = map(lineage.moment, moments)
        if kind in TAKING_BACK:  # as if what it takes back, at the same moment, had not been
            a, b, quantity = b, a, -quantity
        for place, arrived, left in ((a, 0, quantity), (b, quantity, 0)):
            if place in places:
                step = steps[lot, place].setdefault(at, _Step(earliest, latest))
                step.add(arrived, left, own=kind in OWN)
                step.start, step.end = min(step.start, earliest), max(step.end, latest)
    return {lot for (lot, _), found in steps.items() if _was_there(found, start, end)}


@dataclass
class _Step:
    """What came to a place and left it at one moment of the books, from its earliest to its
    latest; and what the books themselves put there, less what they took."""

    start: Moment
    end: Moment
    arrived: int = 0
    left: int = 0
    own: int = 0

    def add(self, arrived: int, left: int, own: bool) -> None:
        if own:  # worked out and put right again and again: only what it comes to is meant
            self.own += arrived - left
        else:
            self.arrived += arrived
            self.left += left


def _since(places: set[int], start: Moment) -> set[int]:
    """Lots that are in these places, or left them no earlier than the day of a moment: no
    others can have been there then."""
    day = clock.day_number(clock.local(start).date())
    acts = Event.objects.filter(day__gte=day).values_list("pk", flat=True)
    gone = lineage.each(
        acts, "m.lot_id, m.from_place_id", "grow_movement m WHERE m.event_id = t.id"
    )
    here = Holding.objects.filter(place__in=places, quantity__gt=0)
    return {
        *(lot for lot, place in gone if place in places),
        *here.values_list("lot_id", flat=True),
    }


def _was_there(steps: dict[Moment, _Step], start: Moment, end: Moment) -> bool:
    balance, since = 0, None
    for _, step in sorted(steps.items()):
        # what came and went with only the day told does so at one moment: it was there between
        balance += step.arrived + max(step.own, 0)
        if balance > 0 and since is None:
            since = step.start
        balance -= step.left + max(-step.own, 0)
        if balance <= 0 and since is not None:
            if since <= end and step.end >= start:
                return True
            since = None
    return since is not None and since <= end


def _within(place: Place) -> list[Place]:
    """Every place inside this one, however deep."""
    found: dict[int, Place] = {}
    level = [place.pk]
    while level:
        inside = [p for p in Place.objects.filter(within__in=level) if p.pk not in found]
        found |= {p.pk: p for p in inside}
        level = [p.pk for p in inside]
    return list(found.values())


def _plants(places: set[int], start: Moment, end: Moment) -> set[int]:
    """Sowings that stood there, and cuts of theirs whose plants did."""
    overlaps = Q(ended_by__isnull=True) | Q(ended_by__latest_at__gte=start)
    plantings = Planting.objects.filter(
        overlaps, site__tower__in=places, began_by__earliest_at__lte=end
    )
    batches = set(plantings.values_list("batch_id", flat=True))
    nursed = Lot.objects.filter(pk__in=_since(places, start), kind=LotKind.BATCH)
    for batch, there in stays.stays_of(sorted(nursed.values_list("pk", flat=True))).items():
        if any(p in places and a <= end and (b is None or b >= start) for p, a, b in there):
            batches.add(batch)
    cuts = list(
        Lot.objects.filter(
            alive("made_by"),
            pk__in=Lineage.objects.filter(
                parent__in=batches, kind=Lineage.Kind.GREW, cleared_by__isnull=True
            ).values("child_id"),
            made_by__latest_at__gte=start,
        ).select_related("made_by")
    )
    stood_there = {
        lot
        for lot, windows in stays.presences(cuts).items()
        if any(w.place in places and w.start <= end and w.end >= start for w in windows)
    }
    return batches | stood_there
