"""What stands behind a figure: the act that told it, and the paper that the act goes by."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

from grow.models import Event
from grow.readings import says

from .models import DeliveryNote


@dataclass(frozen=True)
class Behind:
    """act: the entry that somebody told, and the day it is of. paper: the number of its note, its
    till, else what the act is called."""

    act: int
    day: int
    paper: str


def _till(name: str) -> str:
    """A till that is called 1 is Till 1 where nothing says that it is a till."""
    return name if not name or any(sign.isalpha() for sign in name) else f"Till {name}"


def behind(entries: Iterable[int]) -> dict[int, Behind]:
    """Of each entry, by its id. An entry of the books' own, or a correction, goes by the act that
    it follows from. A few queries, however many entries."""
    entries = set(entries)
    known: dict[int, Event] = {}
    wanted = entries
    while wanted:
        known |= Event.objects.in_bulk(wanted)
        wanted = {e.corrects_id for e in known.values() if e.corrects_id} - known.keys()
    told = {
        pk: json.loads(e.told or "{}") for pk, e in known.items() if e.kind in ("receive", "sell")
    }
    noted = {facts["note"] for facts in told.values() if "note" in facts}
    numbers = dict(DeliveryNote.objects.filter(pk__in=noted).values_list("pk", "number"))

    def of(event: Event) -> Behind:
        while event.corrects_id:
            event = known[event.corrects_id]
        facts = told.get(event.pk, {})
        paper = numbers.get(facts.get("note")) or _till(facts.get("till", "")) or says(event.kind)
        return Behind(event.pk, event.day, paper)

    return {pk: of(known[pk]) for pk in entries}
