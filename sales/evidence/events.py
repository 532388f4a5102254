"""What happened, as a table: one row for each thing that one entry did with one lot, with the key
data elements that food law names.

The columns answer Regulation (EU) 931/2011, Article 3 (its eight items: description, quantity, who
dispatched, who consigned, to whom dispatched, to whom consigned, lot, date) and 21 CFR part 1,
subpart S (what is kept of a harvest, an initial packing, a shipping, a receiving, a transformation)
alike; `COLUMNS` says which is which, as far as the rule's own words were read. Reference: food law,
1.2 and 2, where parts of the harvest and initial packing lists and all of the transformation's are
from memory.

A run of our own cuts alone is their initial packing; one in which something bore a lot code already
(bought leaf, bags opened again) is a transformation. An own shop's shelf is no shipping: nobody
else receives.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import Any

from grow import clock, stays
from grow.errors import Refusal
from grow.flows import Edge
from grow.models import (
    OUTLETS,
    Basis,
    Business,
    Event,
    Flag,
    Hold,
    Lot,
    LotKind,
    Person,
    Place,
    PlaceKind,
)
from grow.readings import hour_known, says
from grow.wording import amount
from sales.epcis.steps import HELD, LET_GO, MADE, MAKING, RECALLED, RECEIVED, Step, steps
from sales.history import MADE_LOTS, Act, History, Moved, Own, pieces
from sales.models import DeliveryNote, Outlet, RecallLot
from sales.note_paper import THE_SAME

K = PlaceKind
Row = dict[str, Any]
#: So many rows are given: a sheet that a person can still sort.
MOST_ROWS = 10_000
NO_ADDRESS = "address not on record"
HARVESTING, PACKING, TRANSFORMATION = "Harvesting", "Initial packing", "Transformation"
SHIPPING, RECEIVING = "Shipping", "Receiving"
_EU, _US = "931/2011", "subpart S"
#: What each rule is called in full; of food law, sections 1.2 and 2.
RULES = {
    _EU: "Implementing Regulation (EU) 931/2011, article 3; it is law for food of animal origin",
    _US: "United States, 21 CFR part 1 subpart S (FSMA section 204, food traceability)",
}
#: Name, what a cell of it says, and which rule asks for it.
COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("entry", "The number of the entry in the books; none where the books worked it out.", ""),
    ("critical_tracking_event", "What it is to the rule; empty where it is none of its kinds. "
     "“…, input” is a lot that went into it.", _US),
    ("what_happened", "In the farm's words.", ""),
    ("business_step", "In the words of CBV 2.0, GS1's vocabulary.", ""),
    ("event_time", "When it happened, with the offset of the zone: of a harvest, packing, "
     "shipping, receiving and transformation its date.", f"{_EU} (h), {_US}"),
    ("time_known", "hour, or day: only the day was told.", ""),
    ("time_zone", "Whose days and hours they are.", ""),
    ("recorded_at", "When it was told to the books.", ""),
    ("told_by", "Who recorded it.", ""),
    ("done_by", "Whose hands did it.", ""),
    ("lot_code", "The traceability lot code, the books' own.", f"{_EU} (g), {_US}"),
    ("supplier_lot", "The supplier's own lot number.", f"{_EU} (g), {_US}"),
    ("lot_kind", "", ""),
    ("product", "Description of the product.", f"{_EU} (a), {_US}"),
    ("commodity", "What crop.", _US),
    ("variety", "", _US),
    ("quantity", "", f"{_EU} (b), {_US}"),
    ("unit", "g, ml or each.", f"{_EU} (b), {_US}"),
    ("net_g_each", "Of packs: grams in each.", f"{_EU} (b)"),
    ("basis", "How the quantity was known.", ""),
    ("from_place", "Shipped from; cut or made in.", _US),
    ("to_place", "Received or put at.", _US),
    ("previous_source", "Who had it before: the dispatching operator.", f"{_EU} (c), {_US}"),
    ("previous_source_contact", "Address, telephone.", f"{_EU} (c), {_US}"),
    ("consignor", "The owner, if not who dispatched it.", f"{_EU} (d)"),
    ("subsequent_recipient", "Who has it after: the receiving operator.", f"{_EU} (e), {_US}"),
    ("subsequent_recipient_contact", "Address, whom, telephone.", f"{_EU} (e), {_US}"),
    ("consignee", "The owner, if not who received it.", f"{_EU} (f)"),
    ("reference_type", "Kind of the document behind it.", _US),
    ("reference_number", "Its number.", _US),
    ("lot_code_source", "Where the lot code was given, or who gave it.", _US),
    ("farm", "Farm where it grew, with its address.", _US),
    ("growing_area", "The grower's own name for where it grew.", _US),
    ("harvest_date", "Of cuts and of what was packed of them.", _US),
    ("harvester", "Business that cut it, and its telephone.", _US),
    ("inputs", "What went in or what it grew from, with quantities.", ""),
    ("touched_by", "Seed, water, treatments, packaging that touched it, by their codes.", ""),
    ("went_into", "The lot that it became part of.", ""),
    ("date_mark", "Use by, as it was first given.", ""),
    ("temperature_c", "Of the goods, as told.", ""),
    ("state", "stands, corrected (quantities are the corrected ones), or taken back.", ""),
    ("corrections", "Each with its entry, when, by whom and why.", ""),
    ("remarks", "Reasons, and what the books flagged.", ""),
)  # fmt: skip
NAMES = [name for name, _, _ in COLUMNS]
_GROWN_HERE = (LotKind.BATCH, LotKind.HARVEST)
_OWN_SOURCES = frozenset({K.GROWTH, K.PACKING, K.OPENING})


def too_many_rows(asked: str) -> Refusal:
    return Refusal(
        "too_many_rows",
        f"The history of {asked} comes to more than {MOST_ROWS} rows; so many are put into one "
        "pack. Ask for fewer lots, or have it written with manage.py export_epcis.",
    )


def table(asked: str, lots: Iterable[int]) -> list[Row]:
    """The rows of some lots' history (ids), in order of time. Raises Refusal beyond MOST_ROWS."""
    history = _WithCrops(frozenset(lots))
    acts, many = [], 0
    for act in history.acts():
        acts.append(act)
        many += len(act.moves) + len(act.born)
        if many > MOST_ROWS:
            raise too_many_rows(asked)
    own = list(history.own())
    if many + len(own) > MOST_ROWS:
        raise too_many_rows(asked)
    told = _Told(history, acts)
    rows = [*(row for act in acts for row in told.of(act)), *map(told.worked_out, own)]
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]


class _WithCrops(History):
    def read(self, lots: list[int]) -> dict[int, Lot]:
        return Lot.objects.select_related("crop", "variety", "item").in_bulk(lots)


class _Told:
    """What the rows need beside the history, read once for all of them."""

    def __init__(self, history: History, acts: list[Act]) -> None:
        self.history, self.places, self.acts = history, history.places, acts
        self.business = Business.the()
        self.us = self.business.name
        address = self.business.address or NO_ADDRESS
        self.our_contact = _joined(address, self.business.telephone)
        self.farm = _joined(self.us, address)
        self.zone = str(clock.zone())
        self.outlets = {o.place_id: o for o in Outlet.objects.all()}
        self.events = [e for act in acts for e in (act.family.root, *act.family.fixes)]
        self._read_people()
        self._read_notes()
        self._read_flags()
        self._read_reasons()
        self._read_areas()

    def _read_people(self) -> None:
        hands: dict[int, list[int]] = defaultdict(list)
        for some in pieces([e.pk for e in self.events]):
            rows = Event.done_by.through.objects.filter(event_id__in=some).order_by("pk")
            for event, person in rows.values_list("event_id", "person_id"):
                hands[event].append(person)
        ids = {e.recorded_by_id for e in self.events} | {p for ps in hands.values() for p in ps}
        names = {p.pk: str(p) for p in Person.objects.filter(pk__in=ids)}
        self.told_by = {e.pk: names[e.recorded_by_id] for e in self.events}
        self.done_by = {event: ", ".join(names[p] for p in ps) for event, ps in hands.items()}

    def _read_notes(self) -> None:
        """The note that an entry wrote, or that what came was sent with."""
        self.facts = {act.family.root.pk: _facts(act.family.root) for act in self.acts}
        said = {pk: told["note"] for pk, told in self.facts.items() if told.get("note")}
        notes: dict[int, DeliveryNote] = {}
        rows = DeliveryNote.objects.select_related("outlet__place")
        own: dict[int, int] = {}
        for some in pieces(sorted(set(said.values()))):
            notes |= rows.in_bulk(some)
        for some in pieces(sorted(self.facts)):
            for note in rows.filter(event__in=some):
                notes[note.pk], own[note.event_id] = note, note.pk
        self.notes = {event: notes[pk] for event, pk in (said | own).items() if pk in notes}

    def _read_flags(self) -> None:
        self.flags: dict[int, list[Flag]] = defaultdict(list)
        for some in pieces([e.pk for e in self.events]):
            for flag in Flag.objects.filter(event__in=some).order_by("pk"):
                self.flags[flag.event_id].append(flag)

    def _read_reasons(self) -> None:
        """(entry, lot) → why it was held or is on a recall, or why it is no longer."""
        self.reasons: dict[tuple[int, int], str] = {}
        for some in pieces(sorted({pk for act in self.acts for pk in _stopped(act)})):
            for began, lot, why in Hold.objects.filter(lot__in=some).values_list(
                "began_by", "lot", "reason"
            ):
                self.reasons[began, lot] = why
            rows = RecallLot.objects.filter(lot__in=some).select_related("recall")
            for row in rows:
                joined = f"{row.recall.noun} {row.recall.number}: {row.recall.hazard}"
                self.reasons.setdefault((row.joined_by_id, row.lot_id), joined)
                if row.narrowed_by_id:
                    self.reasons[row.narrowed_by_id, row.lot_id] = row.narrowed_why

    def _read_areas(self) -> None:
        """Cut → where its plants stood when it was cut, by the grower's own names."""
        cuts: dict[int, Lot] = {}
        known = self.history.lots
        for some in pieces(sorted(pk for pk, lot in known.items() if lot.kind == LotKind.HARVEST)):
            cuts |= Lot.objects.select_related("made_by").in_bulk(some)
        self.cut_on = {pk: clock.number_day(lot.made_by.day) for pk, lot in cuts.items()}
        self.areas: dict[int, list[str]] = {}
        stood = stays.presences(list(cuts.values())) if cuts else {}
        for pk, windows in stood.items():
            last = {w.place for w in windows if w.end >= cuts[pk].made_by.latest_at}
            places = last or {w.place for w in windows}
            self.areas[pk] = sorted(self.places[place].name for place in places)
        for pk, lot in cuts.items():
            if not self.areas.get(pk) and lot.made_by.place_id:
                self.areas[pk] = [self.places[lot.made_by.place_id].name]

    @cached_property
    def parents(self) -> dict[int, list[Edge]]:
        """Child → its edges, of everything that was made here."""
        return {child: found for act in self.acts for child, found in act.edges.items()}

    # the rows of an entry

    def of(self, act: Act) -> Iterator[tuple[tuple, Row]]:
        root = act.family.root
        births = self._births(act)
        for n, moved in enumerate(act.moves):
            row = self._base(act) | self._moved(act, moved, births.get(moved))
            yield (root.happened_at, root.pk, n), row
        seen = {moved.lot for moved in births}
        for lot in act.born:
            if lot.pk not in seen:  # water, treatments; what came in without a quantity
                row = self._base(act) | self._unmoved(act, lot)
                yield (root.happened_at, root.pk, len(act.moves)), row
        for (way, what), stopped in sorted(act.stopped.items()):
            step = LET_GO if way == "unset" else RECALLED if what == "recalled" else HELD
            for pk in sorted(stopped):
                row = self._base(act) | self._stopped_row(act, step, way, what, pk)
                yield (root.happened_at, root.pk, len(act.moves) + 1), row

    def _base(self, act: Act) -> Row:
        root, note = act.family.root, self.notes.get(act.family.root.pk)
        return {
            "entry": root.pk,
            "what_happened": says(root.kind),
            "event_time": _iso(root.happened_at),
            "time_known": "hour" if hour_known(root) else "day",
            "time_zone": self.zone,
            "recorded_at": _iso(root.recorded_at),
            "told_by": self.told_by[root.pk],
            "done_by": self.done_by.get(root.pk) or self.told_by[root.pk],
            "reference_type": "delivery note" if note else "entry of the books",
            "reference_number": note.number if note else str(root.pk),
            "temperature_c": self.facts[root.pk].get("temperature_c") or "",
            "state": _state(act),
            "corrections": "; ".join(self._fixed(fix) for fix in act.family.fixes),
        }

    def _fixed(self, fix: Event) -> str:
        why = _facts(fix).get("reason")
        said = f"entry {fix.pk}, {says(fix.kind)}, {clock.said(fix.recorded_at)}"
        return f"{said}, by {self.told_by[fix.pk]}" + (f": {why}" if why else "")

    def _births(self, act: Act) -> dict[Moved, Lot]:
        """Of each lot that the entry made or took in, the movement that brought it: into a standing
        place if it came to one."""
        found = {}
        for lot in act.born:
            came = [m for m in act.moves if m.lot == lot.pk and self.places[m.from_place].is_source]
            came.sort(key=lambda m: not self.places[m.to_place].is_standing)
            if came:
                found[came[0]] = lot
        return found

    def _lot(self, lot: Lot) -> Row:
        return {
            "lot_code": lot.code,
            "supplier_lot": self.history.supplier_lots.get(lot.pk, ""),
            "lot_kind": LotKind(lot.kind).label,
            "product": lot.title or _joined(str(lot.crop or ""), str(lot.variety or "")),
            "commodity": str(lot.crop or (lot.variety.crop if lot.variety else "") or ""),
            "variety": str(lot.variety or self._varieties(lot)),
            "net_g_each": lot.grams_each,
            "date_mark": lot.use_by.isoformat() if lot.use_by else "",
        }

    def _varieties(self, lot: Lot) -> str:
        """Of a cut or a run: those of the sowings that it grew from."""
        lots = self.history.lots
        above = [e.parent for e in self.parents.get(lot.pk, ()) if e.kind != "touched"]
        names = {str(lots[pk].variety) for pk in above if lots[pk].variety}
        return ", ".join(sorted(names))

    def _moved(self, act: Act, moved: Moved, born: Lot | None) -> Row:
        lot = self.history.lots[moved.lot]
        a, b = self.places[moved.from_place], self.places[moved.to_place]
        found = list(steps(a.kind, b.kind))
        made = born is not None and lot.kind in MADE_LOTS and a.kind in MAKING
        step = MADE if made else found[0] if found else None
        row = self._lot(lot) | {
            "business_step": step.step if step else "",
            "quantity": moved.quantity,
            "unit": lot.unit,
            "basis": ", ".join(Basis(basis).label for basis in moved.bases),
            "from_place": a.name,
            "to_place": b.name,
            "remarks": self._remarks(act, lot.pk),
        }
        row |= self._parties(act, a, b) | self._source(lot)
        if born is not None:
            row |= self._born(act, lot)
        if b.kind == K.USED:
            into = [one for one in act.born if one.kind in MADE_LOTS]
            row["went_into"] = ", ".join(one.code for one in into)
            if word := next((w for w in map(self._made_by, into) if w), ""):
                row["critical_tracking_event"] = f"{word}, input"
        elif event := _critical(step, born is not None):
            row["critical_tracking_event"] = event
        return row

    def _unmoved(self, act: Act, lot: Lot) -> Row:
        step = MADE if lot.kind in MADE_LOTS else RECEIVED
        place = self.places.get(act.family.root.place_id or 0)
        row = self._lot(lot) | {
            "business_step": step.step,
            "unit": lot.unit,
            "to_place": place.name if place else "",
            "remarks": self._remarks(act, lot.pk),
        }
        if step == RECEIVED:
            row["critical_tracking_event"] = RECEIVING
            row |= self._recipient(act, place) if place else {}
            supplier = self.places.get(self.facts[act.family.root.pk].get("supplier", 0))
            row |= self._previous(act, supplier) if supplier else {}
        return row | self._source(lot) | self._born(act, lot)

    def _stopped_row(self, act: Act, step: Step, way: str, what: str, pk: int) -> Row:
        lot = self.history.lots[pk]
        word = "held" if what != "recalled" else "put on a recall"
        if way == "unset":
            word = "let go" if what != "recalled" else "taken off a recall"
        why = next(
            (self.reasons[e, pk] for e in _ids(act) if (e, pk) in self.reasons and way == "set"),
            self.facts[act.family.root.pk].get("reason", ""),
        )
        return self._lot(lot) | {
            "what_happened": f"{says(act.family.root.kind)}: {word}",
            "business_step": step.step,
            "unit": lot.unit,
            "remarks": why,
        }

    # what a lot is made of

    def _born(self, act: Act, lot: Lot) -> Row:
        edges = sorted(act.edges.get(lot.pk, ()), key=lambda e: e.parent)
        lots = self.history.lots
        row: Row = {
            "inputs": "; ".join(self._input(e) for e in edges if e.kind != "touched"),
            "touched_by": ", ".join(
                dict.fromkeys(lots[e.parent].code for e in edges if e.kind == "touched")
            ),
        }
        if word := self._made_by(lot):
            row["critical_tracking_event"] = word
        row |= self._grown(lot, edges)
        return row

    def _input(self, edge: Edge) -> str:
        parent = self.history.lots[edge.parent]
        unit = "g" if edge.kind == "grew" else parent.unit
        much = f" {amount(edge.quantity, unit)}" if edge.quantity is not None else ""
        said = f"{parent.code}{f' ({parent.title})' if parent.title else ''}{much}"
        return f"{said}, struck by a correction" if edge.struck else said

    def _made_by(self, lot: Lot) -> str:
        if lot.kind == LotKind.HARVEST:
            return HARVESTING
        if lot.kind != LotKind.PACK:
            return ""
        went_in = [e for e in self.parents.get(lot.pk, ()) if e.kind == "went_in" and not e.struck]
        kinds = {self.history.lots[e.parent].kind for e in went_in}
        return PACKING if kinds <= {LotKind.HARVEST} else TRANSFORMATION

    def _grown(self, lot: Lot, edges: Iterable[Edge]) -> Row:
        """Where and when it was cut, of a cut and of what is packed of cuts."""
        cuts = [lot.pk] if lot.kind == LotKind.HARVEST else []
        if lot.kind == LotKind.PACK:
            cuts = [e.parent for e in edges if e.kind == "went_in" and e.parent in self.cut_on]
        if not cuts:
            return {}
        areas = dict.fromkeys(name for pk in cuts for name in self.areas.get(pk, ()))
        return {
            "farm": self.farm,
            "growing_area": ", ".join(areas) or "not recorded",
            "harvest_date": ", ".join(sorted({self.cut_on[pk].isoformat() for pk in cuts})),
            "harvester": _joined(self.us, self.business.telephone),
        }

    def _source(self, lot: Lot) -> Row:
        """Who gave the lot code."""
        theirs = self.history.supplier_lots.get(lot.pk)
        if lot.kind in (LotKind.INPUT, LotKind.PRODUCE) and theirs:
            return {"lot_code_source": f"supplier: {theirs}; {lot.code} is {self.us}'s own"}
        return {"lot_code_source": self.farm}

    def _remarks(self, act: Act, lot: int) -> str:
        flags = [f.says for e in _ids(act) for f in self.flags[e] if f.lot_id in (None, lot)]
        why = self.facts[act.family.root.pk].get("reason", "")
        return "; ".join(dict.fromkeys(filter(None, [why, *flags])))

    # whence and whither

    def _parties(self, act: Act, a: Place, b: Place) -> Row:
        row = self._previous(act, a) | self._recipient(act, b)
        note = self.notes.get(act.family.root.pk)
        if note and K.TRANSIT in (a.kind, b.kind):
            said = note.parties
            row["consignor"] = THE_SAME
            row["consignee"] = said.get("consignee") or note.outlet.owner or THE_SAME
        return row

    def _previous(self, act: Act, a: Place) -> Row:
        who = contact = ""
        if a.kind == K.SUPPLIER:
            who, contact = a.name, NO_ADDRESS
        elif a.kind in OUTLETS:
            who, contact = self._outlet(a.pk)
        elif a.kind in (K.SOLD, K.SERVED):
            who = f"final consumers, {self._name(a)}"
        elif a.is_standing or a.kind in _OWN_SOURCES:
            note = self.notes.get(act.family.root.pk)
            said = note.parties if note and note.parties and a.kind != K.QUARANTINE else {}
            who = said.get("sender") or self.us
            contact = _joined(said.get("sender_address", ""), self.business.telephone)
            contact = contact if said.get("sender_address") else self.our_contact
        return {"previous_source": who, "previous_source_contact": contact}

    def _recipient(self, act: Act, b: Place) -> Row:
        who = contact = ""
        if b.kind == K.TRANSIT or b.kind in OUTLETS:
            pk = b.belongs_to_id if b.kind == K.TRANSIT else b.pk
            note = self.notes.get(act.family.root.pk)
            who, contact = self._outlet(pk or 0, note.parties if note else {})
        elif b.kind in (K.SOLD, K.SERVED):
            who = f"final consumers, {self._name(b)}"
        elif b.kind == K.DONATED:
            who = self.facts[act.family.root.pk].get("recipient") or "not named"
        elif b.is_standing or b.kind == K.USED:
            who, contact = self.us, self.our_contact
        return {"subsequent_recipient": who, "subsequent_recipient_contact": contact}

    def _outlet(self, place: int, said: Mapping[str, str] | None = None) -> tuple[str, str]:
        """Name and contact of an outlet; said: as a note has them, of its time."""
        said = said or {}
        outlet = self.outlets.get(place)
        name = said.get("receiver") or (self.places[place].name if place in self.places else "")
        address = said.get("receiver_address") or (outlet.address if outlet else "")
        more = (outlet.contact, outlet.telephone) if outlet else ()
        return name, _joined(address or NO_ADDRESS, *more)

    def _name(self, place: Place) -> str:
        owner = self.places.get(place.belongs_to_id or 0)
        return owner.name if owner else place.name

    # the books' own

    def worked_out(self, own: Own) -> tuple[tuple, Row]:
        lot = self.history.lots[own.moved.lot]
        a, b = self.places[own.moved.from_place], self.places[own.moved.to_place]
        step = next(steps(a.kind, b.kind), None)
        row = self._lot(lot) | self._source(lot) | {
            "what_happened": says(own.kind),
            "business_step": step.step if step else "",
            "event_time": _iso(own.happened),
            "time_known": "day",
            "time_zone": self.zone,
            "recorded_at": _iso(own.recorded),
            "told_by": "worked out by the books",
            "quantity": own.moved.quantity,
            "unit": lot.unit,
            "basis": ", ".join(Basis(basis).label for basis in own.moved.bases),
            "from_place": a.name,
            "to_place": b.name,
            "subsequent_recipient": f"final consumers, {self._name(b)}" if b.kind == K.SOLD else "",
            "state": "stands",
        }  # fmt: skip
        return (own.happened, 2**63, lot.pk), row


def _critical(step: Step | None, born: bool) -> str:
    if step is None or step.disposition == "returned":
        return ""
    if step.step == "shipping":
        return SHIPPING
    if step.step == "receiving" and (born or step.disposition != "non_sellable_other"):
        return RECEIVING
    return ""


def _stopped(act: Act) -> set[int]:
    return {pk for lots in act.stopped.values() for pk in lots}


def _ids(act: Act) -> list[int]:
    return sorted(act.family.ids | act.family.against)


def _state(act: Act) -> str:
    if act.family.cancelled_at:
        return f"taken back {clock.said(act.family.cancelled_at)}"
    return "corrected" if act.family.fixes else "stands"


def _facts(event: Event) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(event.told or "{}")
    return told


def _joined(*parts: str) -> str:
    return ", ".join(filter(None, parts))


def _iso(moment: dt.datetime) -> str:
    """2026-03-02T08:00:00+00:00, in the business's zone."""
    return clock.local(moment).isoformat(timespec="seconds")
