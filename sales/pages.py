"""The pages of this app. Its acts' forms are those of every act; here is what they offer."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from grow.forms import OPENS_ANEW, ROWS
from grow.models import Event, Lot, Person
from grow.roles import CHEF, GROWER, LEAD, LEARNER, MANAGER, PACKER, SHOP, may
from grow.start import ANYBODY, DOES, DRAWN, LEADING, OPENS, OWN_PAGE, PAPERS, TELLS, WAYS
from sales import wording  # noqa: F401  (puts the acts into words)
from sales.first_steps import led
from sales.models import DeliveryNote, Recall
from sales.offers import arriving
from sales.pages_cards import CARD_PAGES
from sales.pages_common import COMMON_PAGES
from sales.pages_door import DOOR_PAGES, unknown_says, warmth_says
from sales.pages_epcis import EPCIS_PAGES
from sales.pages_evidence import EVIDENCE_PAGES
from sales.pages_first import FIRST_PAGES
from sales.pages_kitchen import KITCHEN_PAGES
from sales.pages_labels import LABEL_PAGES
from sales.pages_money import MONEY_PAGES
from sales.pages_morning import MORNING_PAGES
from sales.pages_notes import NOTE_PAGES
from sales.pages_own import OWN_PAGES
from sales.pages_pack import PACK_PAGES
from sales.pages_printers import PRINTER_PAGES
from sales.pages_prints import PRINT_PAGES
from sales.pages_public import ADDRESS_PAGES, ANYBODYS
from sales.pages_recall import RECALL_PAGES, leads, to_it
from sales.pages_reduced import REDUCED_PAGES
from sales.pages_send import SEND_PAGES
from sales.pages_shelf import SHELF_PAGES
from sales.pages_tills import TILL_PAGES
from sales.pages_tonight import TONIGHT_PAGES
from sales.pages_trace import TRACING, to_suspects
from sales.pages_weights import WEIGHT_PAGES
from sales.print_form import PRINTS

OWN_PAGE |= {"pack": "pack", "deliver": "send", "put_on_shelf": "send"}
OWN_PAGE |= {"receive": "goods_in", "come_without_note": "goods_without_note"}
OWN_PAGE["use"] = "kitchen"
ROWS[("receive", "lines")] = arriving
OPENS_ANEW.add(("receive", "note"))

_SEND = ("deliver", "", {"by": "note"})
_PUT = ("put_on_shelf", "", {"by": "shelf"})
_CLOSING = ("count", "Closing count", "closing_count")
_CUT_MYSELF = ("harvest", "I cut this myself", "goods_cut")
_SHELF = ("put_on_shelf", "Shelf", "shelf")
DOES |= {
    PACKER: ["pack", _PUT, _SEND, "discard", "check", "clean"],
    CHEF: ["receive", "use", _CUT_MYSELF, "return_goods"],
    MANAGER: ["harvest", "pack", _SEND, "receive_input", "count", "discard"],
    SHOP: [_CLOSING, _SHELF, "sell", "discard", "return_goods", "receive"],
}
# stock and what was done come after what a role has of its own
OPENS[GROWER][:0] = OPENS[LEARNER][:0] = ["morning"]
OPENS[PACKER][:0] = ["pack", "morning", "send", "labels"]
OPENS[CHEF][:0] = ["goods_in", "kitchen", "notes", "trace"]
OPENS[SHOP][:0] = ["shelf", "goods_in"]
OPENS[MANAGER][:0] = ["morning"]
OPENS[LEAD][:0] = ["trace", "recalls"]
for _opened in OPENS.values():
    _opened.append("trace")
OPENS[LEAD].append("notes")


def _notes(events: list[Event]) -> dict[int, list[str]]:
    """The number of the note that goes with the goods."""
    ids = [e.pk for e in events if e.kind in ("deliver", "come_without_note")]
    rows = DeliveryNote.objects.filter(event__in=ids) if ids else []
    return {note.event_id: [note.number] for note in rows}


_RECALLING = {
    *("open_recall", "tell_authority", "approve_notices", "send_notice", "reply_recall"),
    *("widen_recall", "narrow_recall", "close_recall", "close_mock"),
}


def _of_recalls(events: list[Event]) -> dict[int, list[str]]:
    """Of which recall an entry is, whether of an exercise, and that nobody answered."""
    told = {e.pk: json.loads(e.told or "{}") for e in events if e.kind in _RECALLING}
    of = {pk: facts.get("recall", pk) for pk, facts in told.items()}
    recalls = Recall.objects.in_bulk(set(of.values())) if of else {}
    return {
        pk: [
            recalls[number].number,
            *(["exercise"] if recalls[number].is_mock else []),
            *(["nobody answered"] if told[pk].get("answered") is False else []),
        ]
        for pk, number in of.items()
        if number in recalls
    }


PAPERS += [_notes, _of_recalls]
DRAWN |= {"pack", "put_on_shelf", "deliver", "receive", "use", "return_goods", "sell"}
ANYBODY[1:1] = ["pack", _PUT]


def _to_print(person: Person, event: Event, made: list[Lot]) -> list[tuple[str, str]]:
    """What goes to the printer after an act: a run's labels, those of crates, a block's crate
    tags, and of a hold what says so on the thing itself."""
    if event.kind == "mark_down" and may(person, "mark_down"):
        return [("Reduced labels", f"{reverse('admin:reduced_labels')}?event={event.pk}")]
    if not person.has_perm(PRINTS):
        return []
    if event.kind in ("pack", "rework"):
        return [("Print labels", f"{reverse('admin:labels')}?lot={lot.code}") for lot in made]
    if event.kind in ("harvest", "receive_produce") and made:
        crates = urlencode({"lot": [lot.code for lot in made]}, doseq=True)
        words = "Crate labels" if made[1:] else "Crate label"
        return [(words, f"{reverse('admin:crate_labels')}?{crates}")]
    if event.kind == "hold":
        return [("HOLD labels", f"{reverse('admin:hold_labels')}?event={event.pk}")]
    if event.kind == "print_tags":
        return [("Print the tags", reverse("admin:crate_tags", args=[event.pk]))]
    return []


WAYS += [_to_print, to_it, to_suspects]
LEADING += [led, leads]
TELLS += [warmth_says, unknown_says]
PAGES: list[Any] = [
    *MORNING_PAGES,
    *PACK_PAGES,
    *SEND_PAGES,
    *NOTE_PAGES,
    *DOOR_PAGES,
    *OWN_PAGES,
    *TRACING,
    *COMMON_PAGES,
    *RECALL_PAGES,
    *TONIGHT_PAGES,
    *EVIDENCE_PAGES,
    *EPCIS_PAGES,
    *LABEL_PAGES,
    *PRINT_PAGES,
    *CARD_PAGES,
    *PRINTER_PAGES,
    *WEIGHT_PAGES,
    *SHELF_PAGES,
    *TILL_PAGES,
    *REDUCED_PAGES,
    *FIRST_PAGES,
    *ADDRESS_PAGES,
    *MONEY_PAGES,
    *KITCHEN_PAGES,
]
PUBLIC = ANYBODYS
