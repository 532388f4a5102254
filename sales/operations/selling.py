"""Eaten, sold, brought back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from django.db import transaction

from grow import clock, gate
from grow.errors import Conflict, Refusal
from grow.fitting import Eating, Goods, Number, among, refuse_unless
from grow.ledger import Entry, operation
from grow.models import Basis, Event, LotKind, Movement, Person, PlaceKind, Unnamed, alive
from grow.operations import cancel
from grow.queries import stocks
from grow.setup import side_place, the
from grow.telling import canonical
from sales.models import Outlet, Product

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
def sell(entry: Entry, *, outlet: Outlet, rows: Sequence[TillRow], till: str = "") -> None:
    """What the till rang up: always a fact. Rows that name their lot are known; the rest are
    worked out by the books, and what they cannot is "sold, lot unknown"."""
    shop = outlet.place
    sold = side_place(shop, PlaceKind.SOLD)
    by_line: dict[tuple[str, int | None], int] = {}
    if not rows:
        raise Refusal("nought", "The till's day has no rows.")
    for row in rows:
        if row.quantity <= 0:
            raise Refusal("nought", f"{row.quantity} of {row.product} is nothing to sell.")
        if row.lot is not None:
            loose = row.product.loose_crop_id is not None
            refuse_unless(row.lot, (LotKind.HARVEST, LotKind.PRODUCE) if loose else (LotKind.PACK,))
            entry.move(row.lot, shop, sold, row.quantity, Basis.SCANNED)
            continue
        key = row.product.line, row.unit_pence
        by_line[key] = by_line.get(key, 0) + row.quantity
        if not Movement.objects.filter(lot__line=row.product.line, to_place=shop).exists():
            raise Refusal(
                "never_there",
                f"{row.product} was never on the shelf of {outlet}; look at the till's code.",
                product=row.product.code,
            )
    lines = [line for line, _ in by_line]
    twice = next((line for line in lines if lines.count(line) > 1), None)
    if twice:
        raise Refusal("twice", f"{twice} stands twice, at two prices; tell the reduced ones apart.")
    entry.unnamed += [
        Unnamed(
            event=entry.event,
            place=shop,
            to_place=sold,
            line=line,
            quantity=n,
            unit_pence=pence,
        )
        for (line, pence), n in by_line.items()
    ]


def till_day(
    *,
    recorded_by: Person,
    outlet: Outlet,
    till: str,
    day: dt.date,
    rows: Sequence[TillRow],
    replace: bool = False,
) -> Event:
    """One till's business day: the same contents again change nothing, other contents need
    "replace". Returns the event that stands. Raises Conflict."""
    facts = canonical({"outlet": outlet, "rows": list(rows), "till": till, "on": day})
    stem = f"till:{outlet.pk}:{till}:{clock.day_number(day)}"
    with gate.through(gate.ALONE):
        told = Event.objects.filter(kind="sell", client_id__startswith=stem + ":")
        before = list(told.filter(alive()).order_by("id"))
        if before and before[-1].told == facts:
            return before[-1]
        with transaction.atomic():
            for e in before:
                if not replace:
                    raise Conflict(
                        "till_day_told",
                        f"The day {day:%d %b %Y} of till {till} was already told with other "
                        "contents; say “replace” to put these in its place.",
                        event=e.pk,
                    )
                cancel(
                    recorded_by=recorded_by,
                    client_id=f"{stem}:replaced:{told.count()}",
                    event=e,
                    reason="replaced by a later till day",
                )
            return sell(
                recorded_by=recorded_by,
                client_id=f"{stem}:{told.count()}",
                on=day,
                outlet=outlet,
                till=till,
                rows=list(rows),
            )


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
