"""The pages of this app. Its acts' forms are those of every act; here is what they offer."""

from __future__ import annotations

from typing import Any

from grow.forms import OPENS_ANEW, ROWS
from grow.models import Event
from grow.roles import CHEF, MANAGER, PACKER, SHOP
from grow.start import ANYBODY, DOES, DRAWN, PAPERS
from sales import wording  # noqa: F401  (puts the acts into words)
from sales.models import DeliveryNote
from sales.offers import arriving

ROWS[("receive", "lines")] = arriving
OPENS_ANEW.add(("receive", "note"))

_CLOSING = ("count", "Closing count", {"closing": "yes"})
DOES |= {
    PACKER: ["pack", "put_on_shelf", "deliver", "discard", "check", "clean"],
    CHEF: ["receive", "use", "harvest", "return_goods"],
    SHOP: [_CLOSING, "sell", "discard", "return_goods", "receive"],
    MANAGER: ["harvest", "pack", "deliver", "receive_input", "count", "discard"],
}


def _notes(events: list[Event]) -> dict[int, list[str]]:
    """The number of the note that goes with the goods."""
    ids = [e.pk for e in events if e.kind == "deliver"]
    rows = DeliveryNote.objects.filter(event__in=ids) if ids else []
    return {note.event_id: [note.number] for note in rows}


PAPERS.append(_notes)
DRAWN |= {"pack", "put_on_shelf", "deliver", "receive", "use", "return_goods", "sell"}
ANYBODY[1:1] = ["pack", "put_on_shelf"]
PAGES: list[Any] = []
