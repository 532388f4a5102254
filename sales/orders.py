"""What outlets are to have, what of it they have, and what stands in store to give: read only.

`Order` is one product for one outlet on one day, be it an order to send or a shelf to fill;
`Stood` is a lot in a store of ours, first-expired-first, with why it may not go out if it may not.
Quantities are packs; grams of what is sold loose.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, Min, OuterRef, Q, QuerySet, Sum

from grow import clock, scope
from grow.models import Hold, Holding, Lot, LotKind, Person, Place, PlaceKind

from .models import NoteLine, Outlet, Product, Wanted

#: What is packed, cut or bought in, and from where it goes out.
GOODS = (LotKind.PACK, LotKind.HARVEST, LotKind.PRODUCE)
OURS = (PlaceKind.STORE, PlaceKind.PACKHOUSE)


@dataclass(frozen=True)
class Order:
    """quantity: so much is wanted; there: so much of it stands on the shelf, in date and not held,
    or was sent that day on notes that stand."""

    outlet: Outlet
    product: Product
    quantity: int
    there: int = 0

    @property
    def gap(self) -> int:
        """What is still to be sent, or put on the shelf."""
        return max(0, self.quantity - self.there)


def orders(day: dt.date, person: Person, outlets: Collection[Outlet] | None = None) -> list[Order]:
    """What is wanted on a day, of all outlets that the person sees or of those that are told; by
    outlet and product. Four queries at the most."""
    rows = scope.seen(Wanted.objects.all(), person)
    rows = rows.filter(Q(day=day) | Q(weekday=day.isoweekday()))
    if outlets is not None:
        rows = rows.filter(outlet__in=outlets)
    rows = rows.select_related("outlet__place", "product__loose_crop")
    # one day's row stands in for its weekday's, so it comes last and stays
    stands = {(w.outlet_id, w.product_id): w for w in sorted(rows, key=lambda w: w.day is not None)}
    if not stands:
        return []
    shelves = {w.outlet.place_id for w in stands.values() if w.is_level}
    notes = {w.outlet_id for w in stands.values() if not w.is_level}
    lines = {w.product.line for w in stands.values()}
    shelf = _on_shelves(shelves, lines, day) if shelves else {}
    sent = _sent(notes, lines, day) if notes else {}
    found = [
        Order(
            w.outlet,
            w.product,
            w.quantity,
            shelf.get((w.outlet.place_id, w.product.line), 0)
            if w.is_level
            else sent.get((w.outlet_id, w.product.line), 0),
        )
        for w in stands.values()
    ]
    return sorted(found, key=lambda o: (o.outlet.place.name, o.product.name, o.product.pk))


def _on_shelves(places: set[int], lines: set[str], day: dt.date) -> dict[tuple[int, str], int]:
    """(place, line) → how much there may be sold."""
    there: dict[tuple[int, str], int] = defaultdict(int)
    rows = Holding.objects.filter(place__in=places, quantity__gt=0, lot__line__in=lines)
    for stood in _stood(rows, day):
        if not stood.why_not:
            there[stood.place.pk, stood.lot.line] += stood.quantity
    return there


def _sent(outlets: set[int], lines: set[str], day: dt.date) -> dict[tuple[int, str], int]:
    """(outlet, line) → how much was sent that day. Of a cancelled note nothing counts as sent."""
    rows = NoteLine.objects.filter(
        note__outlet__in=outlets, note__event__day=clock.day_number(day), lot__line__in=lines
    )
    sums = rows.values_list("note__outlet", "lot__line").order_by().annotate(Sum("sent"))
    return {(outlet, line): n for outlet, line, n in sums}


@dataclass(frozen=True)
class Stood:
    """So much of a lot in one place; date: the shortest that it was given."""

    lot: Lot
    place: Place
    quantity: int
    date: dt.date | None = None
    why_not: str = ""

    @property
    def key(self) -> str:
        """The same as long as it stands there."""
        return f"{self.lot.pk}-{self.place.pk}"


def in_store(person: Person, day: dt.date) -> list[Stood]:
    """What stands in our stores and pack-houses to be packed or to go out, first-expired-first;
    what may not, with the reason. Two queries."""
    rows = scope.seen(Holding.objects.all(), person).filter(
        quantity__gt=0,
        source=False,
        lot__kind__in=GOODS,
        place__kind__in=OURS,
        place__belongs_to=None,
    )
    return _stood(rows, day)


def _stood(rows: QuerySet[Holding], day: dt.date) -> list[Stood]:
    held = Hold.objects.filter(lot=OuterRef("lot"), ended_by=None)
    rows = rows.select_related("lot__made_by", "lot__crop", "place").annotate(
        dated=Min("lot__descriptions__best_before"), is_held=Exists(held)
    )
    there: list[Any] = list(rows)
    reasons = _reasons([h.lot_id for h in there if h.is_held])
    found = []
    for h in there:
        date = min(filter(None, (h.lot.use_by, h.dated)), default=None)
        why = ""
        if h.is_held:
            why = f"Held: {reasons.get(h.lot_id, 'no reason given')}"
        elif date and date < day:
            why = f"Past its date, {date:%d %b %Y}"
        found.append(Stood(h.lot, h.place, h.quantity, date, why))
    return sorted(found, key=_first_expired)


def _first_expired(stood: Stood) -> tuple[Any, ...]:
    made = stood.lot.made_by.placed_at
    return (stood.date or dt.date.max, made, stood.lot.pk, stood.place.pk)


def _reasons(lots: Sequence[int]) -> dict[int, str]:
    if not lots:
        return {}
    holds = Hold.objects.filter(lot__in=lots, ended_by=None).order_by("-pk")
    return {hold.lot_id: hold.reason for hold in holds}
