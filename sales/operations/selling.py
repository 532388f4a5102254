"""Eaten, sold, brought back."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated

from django.db import transaction
from django.db.models import Exists

from grow import clock, gate
from grow.errors import Conflict, Refusal
from grow.fitting import Eating, Goods, Number, among, as_in, refuse_unless
from grow.ledger import BEFORE_CANCEL, Entry, operation
from grow.models import Basis, Event, Lot, LotKind, Movement, Person, PlaceKind, Unnamed
from grow.operations import cancel
from grow.queries import stocks
from grow.setup import side_place, the
from grow.telling import canonical
from sales.models import Outlet, Product, TillDay

#: Where returned food goes: never to sale.
BACK = (PlaceKind.COMPOST, PlaceKind.LANDFILL, PlaceKind.QUARANTINE)


@dataclass(frozen=True)
class TillRow:
    """So many of a product rung up (grams, when loose), at what each (a kilogram) if not at
    the list price; with its lot when the till scans it."""

    product: Product
    quantity: int
    lot: Goods | None = None
    unit_pence: Number | None = None


@operation(says="used in the kitchen", slot=17, place="place")
def use(entry: Entry, *, lot: Goods, place: Eating, quantity: int | None = None) -> None:
    """Served. With no quantity: that crate is finished, all the books held of it, and it is a
    count of nought."""
    if quantity is None:
        entry.take((lot, place))
        quantity = max(
            0,
            stocks(entry.event.placed_at, lots=[lot.pk], places=[place.pk]).get(
                (lot.pk, place.pk), 0
            ),
        )
        entry.count(lot, place, 0)
        basis: str = Basis.REMAINDER
    else:
        if quantity <= 0:
            raise Refusal("nought", f"{quantity} {lot.unit} of {lot.code} is nothing to use.")
        basis = Basis.COUNTED
    entry.move(lot, place, side_place(place, PlaceKind.SERVED), quantity, basis)


@operation(says="sold", slot=18, fact=True)
def sell(
    entry: Entry,
    *,
    outlet: Outlet,
    rows: Sequence[TillRow],
    till: Annotated[str, as_in(TillDay, "till")] = "",
) -> None:
    """What the till rang up: always a fact. Rows that name their lot are known; the rest are
    worked out by the books, and what they cannot is "sold, lot unknown". A till that is named
    tells its business day once; `till_day` puts another telling in its place."""
    shop = outlet.place
    sold = side_place(shop, PlaceKind.SOLD)
    if not rows:
        raise Refusal("nought", "The till's day has no rows.")
    entry.lock_lines({(shop.pk, row.product.line) for row in rows})
    if till.strip():
        _told_once(entry, outlet, till.strip())
    by_line: dict[tuple[str, int | None], int] = defaultdict(int)
    for row in rows:
        if row.quantity <= 0:
            raise Refusal("nought", f"{row.quantity} of {row.product} is nothing to sell.")
        if row.lot is None:
            by_line[row.product.line, row.unit_pence] += row.quantity
            continue
        _refuse_other(row.product, row.lot)
        entry.move(row.lot, shop, sold, row.quantity, Basis.SCANNED)
    _refuse_never_there(outlet, [row.product for row in rows if row.lot is None])
    entry.unnamed += [
        Unnamed(
            event=entry.event, place=shop, to_place=sold, line=line, quantity=n, unit_pence=pence
        )
        for (line, pence), n in by_line.items()
    ]


def _refuse_other(product: Product, lot: Lot) -> None:
    """What stood there before records began may have no line: nobody has said what it is."""
    loose = product.loose_crop_id is not None
    refuse_unless(lot, (LotKind.HARVEST, LotKind.PRODUCE) if loose else (LotKind.PACK,))
    if lot.line and lot.line != product.line:
        raise Refusal(
            "other_product",
            f"{lot.code} is {lot.line}, not {product.line}.",
            lot=lot.code,
            product=product.code,
        )


def never_there(outlet: Outlet, products: Sequence[Product]) -> list[tuple[Product, str]]:
    """Of these products, those that were never on an outlet's shelf, each with the sentence that
    says so; in one question."""
    if not products:
        return []
    ever = (
        Exists(Movement.objects.filter(lot__line=product.line, to_place=outlet.place))
        for product in products
    )
    there = Outlet.objects.filter(pk=outlet.pk).values_list(*ever).get()
    says = "{} was never on the shelf of {}; look at the till's code."
    return [
        (product, says.format(product, outlet))
        for product, was in zip(products, there, strict=True)
        if not was
    ]


def _refuse_never_there(outlet: Outlet, products: Sequence[Product]) -> None:
    for product, sentence in never_there(outlet, products):
        raise Refusal("never_there", sentence, product=product.code)


def _told_once(entry: Entry, outlet: Outlet, till: str) -> None:
    unit = {"outlet": outlet, "till": till, "day": entry.event.day}
    before = TillDay.objects.filter(**unit).first()
    if before:
        raise Conflict(
            "till_day_told",
            f"The day {clock.number_day(entry.event.day):%d %b %Y} of till {till} was already "
            "told; say “replace” to put these rows in the place of those.",
            event=before.event_id,
        )
    entry.later.append(lambda: TillDay.objects.create(event=entry.event, **unit))


def _taken_back(entry: Entry, event: Event) -> None:
    TillDay.objects.filter(event=event).delete()


BEFORE_CANCEL["sell"] = _taken_back


def till_day(
    *,
    recorded_by: Person,
    outlet: Outlet,
    till: str,
    day: dt.date,
    rows: Sequence[TillRow],
    replace: bool = False,
    device: str = "",
) -> Event:
    """One till's business day: the same contents again change nothing, other contents need
    "replace". Returns the event that stands; `event.told_before` where it stood already. Raises
    Conflict, and Refusal for a day that is still to come: no till has rung it up."""
    till = till.strip()
    if not till:
        raise Refusal("till_name", "Say which till's day it is.")
    if day > clock.local(clock.now()).date():
        raise Refusal("day_to_come", f"{day:%d %b %Y} is still to come; look at the day.")
    # of any length and spelling the name makes an id of one length, in letters of one case
    named = hashlib.sha256(till.encode()).hexdigest()[:16]
    stem = f"till:{outlet.pk}:{named}:{clock.day_number(day)}:"
    with gate.through(gate.ALONE), transaction.atomic():
        before = _told_of(outlet, till, [day]).get(day)
        n = Event.objects.filter(client_id__startswith=stem).count()
        if before:
            if _is_same(before, rows):
                before.told_before = True
                return before
            if replace:
                cancel(
                    recorded_by=recorded_by,
                    client_id=f"{stem}replaced:{n}",
                    event=before,
                    reason="replaced by a later till day",
                    device=device,
                )
        return sell(
            recorded_by=recorded_by,
            client_id=f"{stem}{n}",
            on=day,
            outlet=outlet,
            till=till,
            rows=list(rows),
            device=device,
        )


def till_days(
    *,
    recorded_by: Person,
    outlet: Outlet,
    till: str,
    days: Mapping[dt.date, Sequence[TillRow]],
    replace: bool = False,
    device: str = "",
) -> list[Event]:
    """Several days of one till, each as `till_day` tells it, all of them or none. Returns their
    events in the order of the days. Raises Conflict, and what `till_day` raises."""
    with gate.through(gate.ALONE), transaction.atomic():
        return [
            till_day(
                recorded_by=recorded_by,
                outlet=outlet,
                till=till,
                day=day,
                rows=days[day],
                replace=replace,
                device=device,
            )
            for day in sorted(days)
        ]


def told_already(
    outlet: Outlet, till: str, days: Mapping[dt.date, Sequence[TillRow]]
) -> dict[dt.date, bool]:
    """Of these days, those that the till has told: whether with just these rows."""
    told = _told_of(outlet, till.strip(), days)
    return {day: _is_same(event, days[day]) for day, event in told.items()}


def _told_of(outlet: Outlet, till: str, days: Iterable[dt.date]) -> dict[dt.date, Event]:
    numbers = [clock.day_number(day) for day in days]
    rows = TillDay.objects.filter(outlet=outlet, till=till, day__in=numbers)
    return {clock.number_day(row.day): row.event for row in rows.select_related("event")}


def _is_same(event: Event, rows: Sequence[TillRow]) -> bool:
    return _contents(event.told) == _contents(canonical({"rows": list(rows)}))


def _contents(told: str | None) -> list[str]:
    """A till's rows whatever their order, to be compared."""
    return sorted(json.dumps(row, sort_keys=True) for row in json.loads(told or "{}")["rows"])


@operation(says="came back", slot=18.5)
def return_goods(
    entry: Entry,
    *,
    lot: Goods,
    outlet: Outlet,
    quantity: int,
    reason: str,
    from_customer: bool = True,
    to: Annotated[str, among(BACK)] = PlaceKind.COMPOST,
) -> None:
    """Brought back by a customer (out of sold) or by an outlet (off its shelf): to compost, to
    the bin or to quarantine, never to sale."""
    if quantity <= 0:
        raise Refusal("nought", f"{quantity} {lot.unit} of {lot.code} is nothing to take back.")
    place = outlet.place
    if not from_customer:
        from_ = place
    else:
        kind = PlaceKind.SOLD if place.kind == PlaceKind.SHOP else PlaceKind.SERVED
        from_ = side_place(place, kind)
    target = side_place(place, PlaceKind.QUARANTINE) if to == PlaceKind.QUARANTINE else the(to)
    entry.move(lot, from_, target, quantity, Basis.COUNTED)
