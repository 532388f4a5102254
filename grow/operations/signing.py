"""A word added to what a learner told."""

from __future__ import annotations

from collections.abc import Sequence

from .. import clock
from ..errors import NotAllowed, Refusal
from ..fitting import Note
from ..ledger import BEFORE_CANCEL, Entry, operation
from ..models import Event, Person, ToCountersign
from ..signing import says, why_not


@operation(says="countersigned", slot=21)
def countersign(entry: Entry, *, entries: Sequence[Event], remark: Note = "") -> None:
    """Another person, who teaches, vouches for what learners told: as many entries as they like.
    It adds and edits nothing; cancelled, the entries wait again."""
    signers = entry.people
    for person in signers:
        if reason := why_not(person, clock.number_day(entry.event.day)):
            raise NotAllowed("not_signed_off", reason)
    if not entries:
        raise Refusal("nought", "Tick the entries that are countersigned.")
    ids = list(dict.fromkeys(event.pk for event in entries))
    rows = ToCountersign.objects.filter(event__in=ids).select_for_update(of=("self",))
    waits = {row.event_id: row for row in rows.select_related("signed_by").order_by("pk")}
    for event in entries:
        _refuse(event, signers, waits.get(event.pk))
    ToCountersign.objects.filter(event__in=ids).update(signed_by=entry.event)


def _refuse(event: Event, signers: Sequence[Person], row: ToCountersign | None) -> None:
    if row is None:
        raise Refusal(
            "not_waiting",
            f"{says(event)} was not told by a learner; there is nothing to countersign.",
            entry=event.pk,
        )
    if event.is_cancelled:
        raise Refusal(
            "cancelled_since", f"{says(event)} was cancelled since; leave it out.", entry=event.pk
        )
    if row.signed_by:
        signed = clock.local(row.signed_by.recorded_at)
        raise Refusal(
            "already_countersigned",
            f"{says(event)} was countersigned by {row.signed_by.recorded_by} on "
            f"{signed:%d %b %Y at %H:%M}.",
            entry=event.pk,
        )
    own = {event.recorded_by_id, *event.done_by.values_list("pk", flat=True)}
    for person in signers:
        if person.pk in own:
            raise NotAllowed(
                "own_entry",
                f"{person} had a hand in {says(event)}; another person countersigns it.",
                entry=event.pk,
            )


def _unsigned(entry: Entry, event: Event) -> None:
    ToCountersign.objects.filter(signed_by=event).update(signed_by=None)


BEFORE_CANCEL["countersign"] = _unsigned
