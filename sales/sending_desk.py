"""What lies before whoever sends goods out or fills a shelf: what is wanted, what stands in store
to give, and what is typed of it so far. Read only; the acts are `deliver` and `put_on_shelf`.

Quantities inside are packs, or grams of what is sold by weight; typed, they are packs or kilograms.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from grow import measures, scope
from grow.errors import Refusal
from grow.forms import kilograms
from grow.models import Lot, LotKind, Person, Place
from grow.offers import age_of
from grow.wording import amount

from .models import Outlet, Product
from .orders import Order, Stood, in_store, orders

#: So many lots without an order are shown; any other is taken by its code.
MOST_OTHERS = 60


@dataclass
class Row:
    """A lot in one place, and how much of it goes, as it was typed."""

    stood: Stood
    typed: str = ""

    @property
    def key(self) -> str:
        return self.stood.key

    @property
    def code(self) -> str:
        return self.stood.lot.code

    @property
    def by_weight(self) -> bool:
        return self.stood.lot.kind != LotKind.PACK

    @property
    def why_not(self) -> str:
        return self.stood.why_not

    @property
    def quantity(self) -> int:
        """What can be read of it; nought where nothing can."""
        text = self.typed.strip()
        if not self.by_weight:
            return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0
        try:
            return measures.grams(text, "kg") if text else 0
        except Refusal:
            return 0

    @property
    def left(self) -> int:
        return max(0, self.stood.quantity - self.quantity)

    @property
    def note(self) -> str:
        """How much stands there, how old, and by when it is to be used."""
        lot, there = self.stood.lot, self.stood.quantity
        said = [f"{amount(there, lot.unit, kind=lot.kind)} in {self.stood.place}", age_of(lot)]
        if self.stood.date:
            said.append(f"use by {self.stood.date:%d %b}")
        return " · ".join(filter(None, said))

    def take(self, quantity: int) -> None:
        self.typed = kilos(quantity) if self.by_weight else str(quantity)


@dataclass
class Group:
    """A product, or a crop that is no product, with the lots of it; order: where it is wanted."""

    title: str
    product: Product | None = None
    order: Order | None = None
    rows: list[Row] = field(default_factory=list)

    @property
    def by_weight(self) -> bool:
        return self.product is None or bool(self.product.loose_crop_id)

    @property
    def filled(self) -> int:
        return sum(row.quantity for row in self.rows)

    @property
    def short(self) -> int:
        """So much less goes than is still wanted."""
        return max(0, self.order.gap - self.filled) if self.order else 0

    def said(self, quantity: int) -> str:
        return amount(quantity, "g") if self.by_weight else str(quantity)

    @property
    def asks(self) -> str:
        """“24 wanted, 6 on the shelf”."""
        if self.order is None:
            return ""
        there = "on the shelf" if not self.order.outlet.wants_notes else "sent already"
        said = f"{self.said(self.order.quantity)} wanted"
        if self.order.there:
            said += f", {self.said(self.order.there)} {there}"
        return said

    @property
    def lacks(self) -> str:
        """What cannot be filled, in words."""
        if not self.short or self.order is None:
            return ""
        said = self.said(self.short)
        there = sum(row.left for row in self.rows if not row.why_not)
        if self.order.outlet.wants_notes:
            return f"{said} to follow"
        if there >= self.short:
            return f"{said} under the level"
        return f"Not enough in store: {said} short"


@dataclass
class Sending:
    """The form as it stands. outlet: None until it is chosen."""

    person: Person
    outlet: Outlet | None = None
    groups: list[Group] = field(default_factory=list)
    temperature: str = ""
    client_id: str = ""

    @property
    def kind(self) -> str:
        assert self.outlet is not None
        return "deliver" if self.outlet.wants_notes else "put_on_shelf"

    @property
    def wanted(self) -> list[Group]:
        """What is ordered, and whatever else is taken."""
        return [g for g in self.groups if g.order or any(row.typed for row in g.rows)]

    @property
    def others(self) -> list[Group]:
        return [g for g in self.groups if g not in self.wanted]

    @property
    def rows(self) -> list[Row]:
        return [row for group in self.groups for row in group.rows]

    @property
    def taken(self) -> list[Row]:
        """In an order that does not hang on the stock: a second press tells the same."""
        typed = [row for row in self.rows if row.typed.strip() not in ("", "0")]
        return sorted(typed, key=lambda row: (row.stood.lot.pk, row.stood.place.pk))

    def data(self) -> dict[str, Any]:
        """As the act takes it."""
        assert self.outlet is not None
        told: dict[str, Any] = {
            "outlet": self.outlet.place.name,
            "lines": [
                {
                    "lot": row.code,
                    "quantity": kilograms(row.typed) if row.by_weight else row.typed.strip(),
                    "from_place": row.stood.place.name,
                }
                for row in self.taken
            ],
        }
        if self.kind == "deliver" and self.temperature:
            told["temperature_c"] = self.temperature
        return told


def kilos(grams: int) -> str:
    """As it is typed into a field of kilograms."""
    return f"{grams / 1000:.3f}".rstrip("0").rstrip(".")


def opened(person: Person, outlet: Outlet, day: dt.date) -> Sending:
    """What is wanted there that day, filled in from the stock, first-expired-first."""
    sending = _laid(person, outlet, day)
    for group in sending.groups:
        gap = group.order.gap if group.order else 0
        for row in group.rows:
            take = min(gap, row.stood.quantity) if not row.why_not else 0
            if take:
                row.take(take)
                gap -= take
    return sending


def posted(person: Person, outlet: Outlet, day: dt.date, typed: Mapping[str, str]) -> Sending:
    """What was typed, by each row's key; of a lot that is in store no more as well."""
    gone = _gone(person, typed)
    sending = _laid(person, outlet, day, gone)
    for row in sending.rows:
        row.typed = typed.get(row.key, "").strip()
    return sending


def _gone(person: Person, typed: Mapping[str, str]) -> list[Stood]:
    """Every lot and place that was typed something of, as if nothing were left there."""
    pairs = []
    for key, text in typed.items():
        lot, _, place = key.partition("-")
        if text.strip() and _is_id(lot) and _is_id(place):
            pairs.append((int(lot), int(place)))
    if not pairs:
        return []
    lots = scope.seen(Lot.objects.select_related("made_by", "crop"), person)
    lots_ = lots.in_bulk([lot for lot, _ in pairs])
    places = scope.seen(Place.objects.all(), person).in_bulk([place for _, place in pairs])
    return [
        Stood(lots_[lot], places[place], 0)
        for lot, place in pairs
        if lot in lots_ and place in places
    ]


def _is_id(text: str) -> bool:
    return bool(re.fullmatch("[0-9]{1,18}", text))


def _laid(person: Person, outlet: Outlet, day: dt.date, more: Iterable[Stood] = ()) -> Sending:
    asked = {o.product.line: o for o in orders(day, person, [outlet])}
    there = in_store(person, day)
    keys = {stood.key for stood in there}
    there += [stood for stood in more if stood.key not in keys]
    if not outlet.wants_notes:  # a shelf takes packs, and leaf only where it is asked for
        there = [s for s in there if s.lot.kind == LotKind.PACK or s.lot.line in asked]
    products = _products({s.lot.line for s in there})
    groups = {
        line: Group(order.product.name, order.product, order) for line, order in asked.items()
    }
    by_line: dict[str, list[Stood]] = defaultdict(list)
    for stood in there:
        by_line[stood.lot.line].append(stood)
    for line, found in by_line.items():
        product = products.get(line)
        title = product.name if product else str(found[0].lot.crop or found[0].lot.title)
        group = groups.setdefault(line, Group(title, product))
        # what may go first, then what may not, with why
        group.rows = [Row(s) for s in sorted(found, key=lambda s: bool(s.why_not))]
    return Sending(person, outlet, sorted(groups.values(), key=_order))


def _order(group: Group) -> tuple[bool, bool, str]:
    """What is wanted first, and of that what there is any of."""
    return group.order is None, not group.rows, group.title.casefold()


def _products(lines: Iterable[str]) -> dict[str, Product]:
    return {product.line: product for product in Product.objects.all() if product.line in lines}


def scanned(sending: Sending, lot: Lot) -> Row:
    """One more crate of a lot: so many packs as go into one, or all that is left; of leaf all.
    Raises Refusal where none is left, or it may not go."""
    rows = [row for row in sending.rows if row.stood.lot.pk == lot.pk]
    if not rows:
        if sending.outlet and not sending.outlet.wants_notes and lot.kind != LotKind.PACK:
            raise Refusal("not_on_shelf", f"{lot.code} is leaf; this shelf is filled with packs.")
        raise Refusal("not_in_store", f"Nothing of {lot.code} is in store.")
    if why := next((row.why_not for row in rows if row.why_not), ""):
        raise Refusal("not_to_be_sent", f"{lot.code} stays here. {why}.")
    row = next((row for row in rows if row.left), None)
    if row is None:
        taken = sum(one.quantity for one in rows)
        said = amount(taken, lot.unit, kind=lot.kind)
        raise Refusal("all_taken", f"All of {lot.code} is taken already, {said}.")
    group = next(g for g in sending.groups if row in g.rows)
    crate = group.product.per_crate if group.product and not row.by_weight else None
    row.take(row.quantity + min(row.left, crate or row.left))
    return row


def outlets_for(person: Person, kinds: Sequence[str]) -> list[Outlet]:
    """Where the person may send to, by these acts: outlets with notes, shelves, or both."""
    rows = scope.seen(Outlet.objects.all(), person)
    return [o for o in rows if ("deliver" if o.wants_notes else "put_on_shelf") in kinds]
