"""Whose hands were in it: what learners told that nobody has countersigned, and runs packed by
somebody who is not signed off for it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from grow import clock
from grow.lineage import each
from grow.models import Event, Person, SignOff, ToCountersign
from grow.signing import says

from . import tills

_WAITS = (
    "w.signed_by_id IS NULL AND NOT EXISTS (" + tills.TAKEN_BACK.format(event="w.event_id") + ")"
)

#: Later than any day as a number.
_NEVER = 10**8


def not_countersigned(lots: Iterable[int], acts: Iterable[int]) -> list[str]:
    """Of these lots' movements, of what was learnt of them later (a date may be shorter for it)
    and of these acts, those that still wait, as sentences."""
    if not ToCountersign.objects.filter(signed_by=None).exists():
        return []
    columns = "w.event_id, t.id"
    found = each(acts, columns, f"grow_tocountersign w WHERE w.event_id = t.id AND {_WAITS}")
    for table in ("grow_movement", "grow_description"):
        found += each(
            lots,
            columns,
            f"{table} m CROSS JOIN grow_tocountersign w WHERE m.lot_id = t.id "
            f"AND w.event_id = m.event_id AND {_WAITS}",
        )
    rows = Event.objects.filter(pk__in={event for event, _ in found})
    rows = rows.prefetch_related("made", "descriptions__lot").order_by("placed_at", "pk")
    return [f"{says(e)}{_made(e)} was recorded by a learner, not countersigned." for e in rows]


def _made(event: Event) -> str:
    learnt = (learnt.lot for learnt in event.descriptions.all())
    codes = [lot.code for lot in event.made.all() or dict.fromkeys(learnt)]
    return f" ({', '.join(codes[:3])})" if codes else ""


def not_signed_off(acts: Iterable[int]) -> list[str]:
    """Runs whose packers nobody had signed off by then, where a list of packers is kept."""
    kept = SignOff.objects.filter(task=SignOff.Task.PACKING)
    since: dict[int, int] = {}
    for person, day in kept.values_list("person_id", "since"):
        since[person] = min(clock.day_number(day), since.get(person, _NEVER))
    if not since:
        return []
    first = min(since.values())
    unfit: dict[int, set[int]] = defaultdict(set)
    for event, person, day in each(
        acts,
        "t.id, d.person_id, e.day",
        "grow_event_done_by d CROSS JOIN grow_event e WHERE d.event_id = t.id AND e.id = t.id",
    ):
        if first <= day < since.get(person, _NEVER):
            unfit[event].add(person)
    people = Person.objects.in_bulk({pk for found in unfit.values() for pk in found})
    rows = Event.objects.filter(pk__in=unfit).prefetch_related("made", "descriptions__lot")
    return [
        f"{says(e)}{_made(e)}: {' and '.join(str(people[pk]) for pk in sorted(unfit[e.pk]))}, "
        "not signed off for packing."
        for e in rows.order_by("placed_at", "pk")
    ]
