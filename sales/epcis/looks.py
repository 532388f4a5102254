"""What was looked at, as CBV 2.0 has it: inspecting, with conformant or non_conformant. Checks of
things and places, water tests, a laboratory's results of lots and places.

A water test is of the waters that stood in the tank then. What is acceptable conforms; what cannot
be judged yet, or is judged otherwise of one lot than of another, has no disposition.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

from grow import waters
from grow.microbiology import CRITERIA, Verdict
from grow.models import Event, LabResult, Lot, LotKind, Thing
from sales.history import pieces

KINDS = ("check", "test_water", "lab_result")
_SAYS = {
    Verdict.SATISFACTORY: "conformant",
    Verdict.ACCEPTABLE: "conformant",
    Verdict.UNSATISFACTORY: "non_conformant",
    Verdict.INCOMPLETE: "",
}


@dataclass
class Look:
    """One look. lots and places: ids; disposition: empty where none is said; looked_for and reading
    in the words of whoever told it."""

    lots: set[int] = field(default_factory=set)
    things: list[Thing] = field(default_factory=list)
    places: set[int] = field(default_factory=set)
    disposition: str = ""
    looked_for: str = ""
    reading: str = ""


def entries_of(lots: Collection[int]) -> set[int]:
    """Ids of the entries that looked at one of these lots, or at a tank while it stood there."""
    found: set[int] = set()
    filled = Lot.objects.filter(kind=LotKind.WATER, made_by__place__isnull=False)
    for some in pieces(sorted(lots)):
        found |= set(LabResult.objects.filter(lot__in=some).values_list("event", flat=True))
        tanks = filled.filter(pk__in=some).values_list("made_by__place", flat=True)
        tests = Event.objects.filter(kind="test_water", place__in=set(tanks))
        found |= {pk for pk, there in _tested(tests).items() if there & set(some)}
    return found


def read(ids: Iterable[int]) -> dict[int, Look]:
    """What each of these entries looked at, if it looked at anything."""
    events = Event.objects.filter(pk__in=list(ids), kind__in=KINDS).prefetch_related("things")
    tested = _tested([event for event in events if event.kind == "test_water"])
    results: dict[int, list[LabResult]] = defaultdict(list)
    for row in LabResult.objects.filter(event__in=[event.pk for event in events]):
        results[row.event_id].append(row)
    found = {}
    for event in events:
        told = json.loads(event.told or "{}")
        look = Look(tested.get(event.pk, set()), list(event.things.all()))
        if event.place_id:
            look.places.add(event.place_id)
        look.looked_for, look.reading = told.get("kind", ""), told.get("reading", "")
        if event.kind == "lab_result":
            _result(look, told, results[event.pk])
        else:
            look.disposition = "conformant" if told.get("passed") else "non_conformant"
        found[event.pk] = look
    return found


def _result(look: Look, told: dict, rows: list[LabResult]) -> None:
    """What was taken back has no rows left: then of what it was told to be."""
    rule = CRITERIA.get(told.get("criterion", ""))
    look.looked_for = rule.organism if rule else told.get("criterion", "")
    look.reading = told.get("results", "")
    look.lots |= {row.lot_id for row in rows if row.lot_id} or set(told.get("lots", ()))
    said = {_SAYS[Verdict(row.verdict)] for row in rows}
    look.disposition = said.pop() if len(said) == 1 else ""


def _tested(tests: Iterable[Event]) -> dict[int, set[int]]:
    """The waters that stood in its tank at each of these tests."""
    tests = [event for event in tests if event.place_id]
    if not tests:
        return {}
    lines = waters.timelines(
        {event.place_id for event in tests if event.place_id},
        min(event.earliest_at for event in tests),
        max(event.latest_at for event in tests),
    )
    return {
        event.pk: waters.of_line(lines[event.place_id or 0], event.earliest_at, event.latest_at)
        for event in tests
    }


__all__ = ["KINDS", "Look", "entries_of", "read"]
