"""What a delivery note says, on its page and on paper alike; read only.

The eight items of Implementing Regulation (EU) No 931/2011, Article 3, which is law for food of
animal origin and a good default for any note (reference: food law, 1.2): (a) an accurate
description of the food; (b) its quantity; (c) name and address of the food business operator that
dispatches; (d) of the owner who consigns it, if another; (e) name and address of the operator to
whom it is dispatched; (f) of the owner to whom it is consigned, if another; (g) a reference that
identifies the lot; (h) the date of dispatch. Here: `PaperLine.what` and `much`, `NotePaper.sender`,
`consignor`, `receiver`, `consignee`, `PaperLine.lot`, `NotePaper.sent_at`. Beside them what the
trade asks: the temperature at dispatch, each line's date, allergens and storage. Never a price.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Any

from grow import clock
from grow.kinds import CANCELLING
from grow.models import Business, Event, Lot, LotKind, PlaceKind, alive
from grow.readings import hour_known
from grow.shelf import first_expired_first
from grow.wording import amount

from . import contents
from .label_words import date_called, decided, words_known
from .models import DecisionCard, DeliveryNote, NoteLine, PackingRun, Product, Receipt, ReceiptLine
from .operations.notes import parties
from .run_weights import CALLED
from .weights.words import plainly

#: What stands where the goods are their dispatcher's, or their receiver's, own.
THE_SAME = "the same"


@dataclass(frozen=True)
class Party:
    """A food business operator. Where no address is known that is a gap, and is said."""

    name: str
    address: str

    @property
    def lacks(self) -> str:
        return "" if self.address else "address not on record"


@dataclass(frozen=True)
class PaperLine:
    """One lot of a note. weight: of all of it, net, where it is counted; state: what became of it,
    in words, once that is known; photos: ids of the photographs of how it came."""

    lot: str
    what: str
    much: str
    weight: str
    date_kind: str
    date: dt.date | None
    allergens: str
    storage: str
    sent: int
    states: list[str] = field(default_factory=list)
    photos: list[int] = field(default_factory=list)

    @property
    def state(self) -> str:
        return ", ".join(self.states)


@dataclass(frozen=True)
class Came:
    """One arrival: when, who said so; says: how warm it was, how that was measured and in what
    condition it came, as far as that was told."""

    at: dt.datetime
    hour_known: bool
    by: str
    says: str = ""

    @property
    def sentence(self) -> str:
        said = f"{when(self.at, self.hour_known)}, by {self.by}"
        return f"{said}, {self.says}" if self.says else said


@dataclass(frozen=True)
class NotePaper:
    """cancelled_at: when it was cancelled; hour_known: False where only its day was told; is_open:
    whether something of it is still to come."""

    number: str
    sent_at: dt.datetime
    hour_known: bool
    sent_by: str
    sender: Party
    receiver: Party
    consignee: str
    temperature_c: str
    asks_temperature: bool
    lines: list[PaperLine]
    came: list[Came]
    is_open: bool
    cancelled_at: dt.datetime | None = None
    consignor: str = THE_SAME

    @property
    def gone(self) -> str:
        """That it was cancelled, in words; and if its goods came all the same, that."""
        if self.cancelled_at is None:
            return ""
        at = when(self.cancelled_at, True)
        return f"{at}, and its goods came." if self.came else f"{at}. Nothing was sent with it."


def paper_of(note: DeliveryNote) -> NotePaper:
    """All that a note says. So many queries however many lines, receipts and lots."""
    event, business = note.event, Business.the()
    told = json.loads(event.told or "{}")
    said = note.parties or parties(note.outlet)
    rows = list(note.lines.select_related("lot__made_by", "lot__crop", "lot__variety"))
    # as they stood when it was sent: a note printed again says what it said
    dated = first_expired_first([row.lot_id for row in rows], event.placed_at)
    dates = {lot.pk: date for lot, date in dated}
    runs = PackingRun.objects.filter(lot__in=[row.lot_id for row in rows])
    by_lot = {run.lot_id: run for run in runs.select_related("lot__made_by", "product")}
    kinds = _date_kinds(by_lot.values())
    receipts = _receipts(note, rows)
    reasons, photos = _reasons(receipts), _photos(receipts)
    # of a cancelled note nothing counts as sent, but it was written with so much on it
    written: Counter[int] = Counter()
    for line in told.get("lines", ()):
        written[line["lot"]] += line["quantity"]
    undone = event.corrections.filter(kind__in=CANCELLING).first()
    return NotePaper(
        number=note.number,
        sent_at=event.happened_at,
        hour_known=hour_known(event),
        sent_by=", ".join(str(p) for p in event.done_by.all()) or str(event.recorded_by),
        sender=Party(said["sender"], said["sender_address"]),
        receiver=Party(said["receiver"], said["receiver_address"]),
        consignee=said.get("consignee") or THE_SAME,
        temperature_c=_degrees(told.get("temperature_c", "")),
        asks_temperature=note.outlet.asks_temperature,
        lines=[
            _line(
                row,
                # of what was not on the note, how much came
                written[row.lot_id] or row.accepted + row.short + row.rejected,
                by_lot.get(row.lot_id),
                dates.get(row.lot_id),
                kinds.get(row.lot_id, ""),
                business,
                _states(row, reasons.get(row.lot_id, [])) if receipts else [],
                photos.get(row.lot_id, []),
            )
            for row in sorted(rows, key=lambda row: row.pk)
        ],
        came=[
            Came(e.happened_at, hour_known(e), str(e.recorded_by), _as_it_came(e)) for e in receipts
        ],
        is_open=any(row.to_follow for row in rows),
        cancelled_at=undone.recorded_at if undone else None,
    )


def _degrees(told: str) -> str:
    """As it is read; of an old note it may be any text."""
    try:
        return plainly(Decimal(told))
    except InvalidOperation:
        return told


def _as_it_came(event: Event) -> str:
    """“4.5 °C between packs with Probe 1, wilted”."""
    told: Receipt | None = getattr(event, "receipt", None)
    if told is None:
        return ""
    warm = ""
    if told.temperature_c is not None:
        how = Receipt.Measured(told.measured).label.lower() if told.measured else ""
        probe = f"with {told.probe}" if told.probe else ""
        warm = " ".join(filter(None, (f"{plainly(told.temperature_c)} °C", how, probe)))
    elif told.measured == Receipt.Measured.NOT_TAKEN:
        warm = "temperature not taken"
    condition = Receipt.Condition(told.condition).label.lower() if told.condition else ""
    return ", ".join(filter(None, (warm, condition)))


def _date_kinds(runs: Iterable[PackingRun]) -> dict[int, str]:
    """Lot → what stands before its date, as was decided by the day of its run."""
    runs = list(runs)
    cards: dict[int, list[DecisionCard]] = defaultdict(list)
    for card in DecisionCard.objects.filter(product__in={run.product_id for run in runs}):
        cards[card.product_id].append(card)
    return {
        run.lot_id: date_called(
            decided(cards[run.product_id], clock.number_day(run.lot.made_by.day))
        )
        for run in runs
    }


def _line(
    row: NoteLine,
    quantity: int,
    run: PackingRun | None,
    date: dt.date | None,
    date_kind: str,
    business: Business,
    states: list[str],
    photos: list[int],
) -> PaperLine:
    lot = row.lot
    storage, allergens, what, weight = "", set(), lot.title, ""
    much = amount(quantity, lot.unit, kind=lot.kind)
    if run:
        said = words_known(run, date, business)
        if run.label:  # as it was printed
            date_kind = said.date_kind
        storage = said.storage or run.product.storage
        allergens, what = contents.words(run.allergens), run.name
        much = packs_of(quantity, run.product)
        if not run.product.by_number:
            weight = f"{amount(quantity * run.nominal_each_g, 'g')} net"
    elif lot.crop:
        allergens = contents.words(lot.crop.allergen)
        what = _of_crop(lot)
        if lot.crop.cold_c is not None:
            storage = f"Keep at {lot.crop.cold_c.normalize():f} °C"
    return PaperLine(
        lot=lot.code,
        what=what or LotKind(lot.kind).label,
        much=much,
        weight=weight,
        date_kind=(date_kind or "Date") if date else "",
        date=date,
        allergens=", ".join(sorted(allergens)),
        storage=storage,
        sent=row.sent,
        states=states,
        photos=photos,
    )


def packs_of(n: int, product: Product) -> str:
    """“12 bags”, “1 bunch”."""
    one, several = CALLED[product.form]
    return f"{n} {one if n == 1 else several}"


def _of_crop(lot: Lot) -> str:
    """Crop and variety, said once where one holds the other; leaf by weight is loose."""
    crop, variety = str(lot.crop), str(lot.variety or "")
    if not variety or variety.casefold() in crop.casefold():
        return f"{crop}, loose"
    return f"{crop}, {variety}, loose"


def _states(row: NoteLine, reasons: list[str]) -> list[str]:
    """Accepted, short, rejected with its reason, still to follow, more than was sent."""
    said = []
    for n, word in (
        (row.accepted, "accepted"),
        (row.short, "short"),
        (row.rejected, "rejected"),
        (row.to_follow, "to follow"),
        (row.over, "more than sent"),
    ):
        if n:
            why = f" ({', '.join(reasons)})" if word == "rejected" and reasons else ""
            said.append(f"{amount(n, row.lot.unit)} {word}{why}")
    return said


def _receipts(note: DeliveryNote, rows: Iterable[NoteLine]) -> list[Event]:
    """What was told of this note's arrival, the first first."""
    found = Event.objects.filter(
        alive(),
        kind="receive",
        movements__lot__in=[row.lot_id for row in rows],
        movements__from_place__kind=PlaceKind.TRANSIT,
        movements__from_place__belongs_to=note.outlet.place_id,
    )
    found = (
        found.select_related("recorded_by", "receipt__probe").order_by("placed_at", "pk").distinct()
    )
    return [e for e in found if json.loads(e.told or "{}").get("note") == note.pk]


def _reasons(receipts: Iterable[Event]) -> dict[int, list[str]]:
    """Why something of each lot was rejected."""
    out: dict[int, list[str]] = defaultdict(list)
    for receipt in receipts:
        lines: list[dict[str, Any]] = json.loads(receipt.told or "{}").get("lines", [])
        for line in lines:
            if line.get("rejected") and line.get("reason") not in ("", None, *out[line["lot"]]):
                out[line["lot"]].append(line["reason"])
    return out


def _photos(receipts: Iterable[Event]) -> dict[int, list[int]]:
    """Lot → the photographs of how it came."""
    out: dict[int, list[int]] = defaultdict(list)
    rows = ReceiptLine.objects.filter(receipt__in=[e.pk for e in receipts], photo__isnull=False)
    for lot, photo in rows.order_by("pk").values_list("lot", "photo"):
        out[lot].append(photo)
    return out


def when(moment: dt.datetime, known: bool) -> str:
    """“12 Mar 2026, 10:42”; the day alone where only that was told."""
    return clock.said(moment, hour=known)
