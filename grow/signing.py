"""Countersigning: what a learner told counts at once, and waits for another person's word, which is
added to it and changes nothing of it."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from typing import TYPE_CHECKING

from django.db.models import Exists, OuterRef, Q, QuerySet

from . import clock, roles, scope
from .kinds import KINDS
from .models import Event, Person, SignOff, ToCountersign, alive

if TYPE_CHECKING:
    from .ledger import Entry

#: One's own slip, and what is somebody's word itself.
_NEEDS_NONE = frozenset({"undo", "countersign"})


def settle(entry: Entry) -> None:
    """What a learner tells, or has a hand in, waits from the moment it is written."""
    if entry.event.kind not in _NEEDS_NONE and _learners(entry.people):
        ToCountersign.objects.create(event=entry.event)


def _learners(people: Iterable[Person]) -> bool:
    unknown = []
    for person in people:
        if "_roles" not in person.__dict__:
            unknown.append(person.pk)
        elif roles.is_learner(person):
            return True
    found = Person.objects.filter(pk__in=unknown, groups__name=roles.LEARNER)
    return bool(unknown) and found.exists()


def why_not(person: Person, day: dt.date) -> str:
    """Why a person may not countersign on a day; empty when they may."""
    if roles.is_learner(person):
        return f"{person} is a learner; somebody who teaches countersigns."
    answers = person.is_superuser or roles.roles_of(person) & {roles.MANAGER, roles.LEAD}
    if not answers and not person.may(SignOff.Task.TEACHING, day):
        return f"{person} is not signed off for teaching."
    return ""


def unfit(person: Person, task: SignOff.Task, day: dt.date) -> str:
    """Why a person should not have done a task on a day; empty when they may."""
    if roles.is_learner(person):
        return f"{person} is a learner: {task.label.lower()} is for others."
    if not person.may(task, day):
        return f"{person} is not signed off for {task.label.lower()} on {day:%d %b %Y}."
    return ""


def may_countersign(person: Person) -> bool:
    """Whether a person may countersign today."""
    today = clock.local(clock.now()).date()
    return roles.may(person, "countersign") and not why_not(person, today)


def waits() -> Q:
    """Of events: a learner's, that stands and that nobody has countersigned."""
    rows = ToCountersign.objects.filter(event=OuterRef("pk"), signed_by=None)
    return Q(Exists(rows)) & alive()


def waiting(person: Person) -> QuerySet[Event]:
    """What a person could countersign, as far as they see it, in order of time."""
    told = ToCountersign.objects.filter(signed_by=None).values("event_id")
    own = Event.done_by.through.objects.filter(person=person).values("event_id")
    rows = Event.objects.filter(alive(), pk__in=told)
    rows = rows.exclude(recorded_by=person).exclude(pk__in=own)
    return scope.seen(rows, person).order_by("placed_at", "pk")


def says(event: Event) -> str:
    """“cut” of 02 Mar 2026 08:00"""
    kind = KINDS.get(event.kind)
    return (
        f"“{kind.says if kind else event.kind}” of {clock.local(event.happened_at):%d %b %Y %H:%M}"
    )


def faults() -> Iterable[str]:
    """An entry is countersigned by the act that says so, that stands, and by nobody else."""
    acts = Event.objects.filter(alive(), kind="countersign").values_list("pk", "told")
    said = {entry: pk for pk, told in acts for entry in json.loads(told or "{}").get("entries", ())}
    kept = dict(
        ToCountersign.objects.filter(signed_by__isnull=False).values_list(
            "event_id", "signed_by_id"
        )
    )
    for entry in sorted(said.keys() | kept.keys()):
        if said.get(entry) != kept.get(entry):
            yield (
                f"Entry {entry} is countersigned by {kept.get(entry) or 'none'} in its row, by "
                f"{said.get(entry) or 'none'} in what was told."
            )
