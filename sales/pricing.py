"""What reached a customer, and what came back, is priced once, when it is posted.

A movement that is taken back takes back its own money. Rows that grow or shrink one sale (a till
row walked again, a weight put right) share its price, and their money is always what the whole
of it is worth less what stands there, so no penny hangs on the order of telling.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from typing import Any

from django.db.models import BigIntegerField, Case, F, Sum, When
from django.db.models.functions import Coalesce

from grow.clock import number_day
from grow.kinds import CANCELLING, DIFFERENCE, OWN, SHORTFALL, WORKED_OUT
from grow.ledger import AFTER_POST
from grow.models import SOURCES, Event, Movement, Place, PlaceKind, Unit

from .models import Money, Outlet, Price, Product

EATERS = (PlaceKind.KITCHEN, PlaceKind.BUYER)
_OURS = (
    PlaceKind.TRANSIT,
    PlaceKind.STORE,
    PlaceKind.PACKHOUSE,
    PlaceKind.GROWTH,
    PlaceKind.QUARANTINE,
)
_TAKES_BACK = (*CANCELLING, "cancel_because")


def worth(quantity: int, unit: str, unit_pence: int) -> int:
    """Pence for a quantity: packs × pence, or pence a kilogram × grams ÷ 1000, half up. What
    goes back is worth as much less than nothing."""
    if unit == Unit.EACH:
        return quantity * unit_pence
    pence = (abs(quantity) * unit_pence + 500) // 1000
    return pence if quantity >= 0 else -pence


def hands(from_: Place, to: Place, kind: str) -> tuple[int, Place | None]:
    """What moves so by an act of a kind: +1 into a customer's hands, −1 back out of them, 0 for all
    else; and whose till it is."""
    if to.kind == PlaceKind.SOLD:
        return 1, to.belongs_to
    if from_.kind == PlaceKind.SOLD:
        return -1, from_.belongs_to
    if to.kind in EATERS and (
        from_.kind in _OURS or (kind == "come_without_note" and from_.kind in SOURCES)
    ):
        return 1, to  # what came without a note came, whatever our own store held
    if from_.kind in EATERS and (to.kind in _OURS or kind == "return_goods"):
        return -1, from_  # the outlet was charged when it came
    return 0, None


def price_movements(moved: list[tuple[Movement, Event]]) -> None:
    back = [m for m, _ in moved if m.takes_back]
    money = _taken_back(back) if back else []
    rows = [(m, e, *hands(m.from_place, m.to_place, e.kind)) for m, e in moved if not m.takes_back]
    places = {place for *_, place in rows if place}
    outlets = {o.place_id: o for o in Outlet.objects.filter(place__in=places)} if places else {}
    sold = [
        (m, e, sign, outlets[place.pk])
        for m, e, sign, place in rows
        if place and place.pk in outlets
    ]
    if sold:
        money += _Prices(sold).money()
    if money:
        Money.objects.bulk_create(money)


def _taken_back(back: list[Movement]) -> list[Money]:
    paid = Money.objects.in_bulk([m.takes_back.pk for m in back if m.takes_back])
    return [
        Money(
            movement=m,
            outlet_id=was.outlet_id,
            unit_pence=was.unit_pence,
            pence=-was.pence,
            tax_code=was.tax_code,
        )
        for m in back
        if m.takes_back and (was := paid.get(m.takes_back.pk))
    ]


class _Prices:
    """Prices for some movements, with all that they may need read at once."""

    def __init__(self, rows: list[tuple[Movement, Event, int, Outlet]]) -> None:
        self.rows = rows
        lots = {m.lot_id for m, e, sign, _ in rows if sign < 0 or e.corrects_id or e.kind in OWN}
        #: the money that stands of lots of which some comes back or is put right
        self.paid = defaultdict(list)
        if lots:
            for was in Money.objects.filter(movement__lot__in=lots).select_related(
                "movement__event__corrects",
                "movement__lot",
                "movement__from_place",
                "movement__to_place",
            ):
                self.paid[was.movement.lot_id, was.outlet_id].append(was)
        tills = {e.corrects_id for _, e, *_ in rows if e.corrects_id and e.kind == WORKED_OUT}
        self.days = dict(Event.objects.filter(pk__in=tills).values_list("pk", "day"))
        self.told = {e.pk: _told_rows(e) for e in {e.pk: e for _, e, *_ in rows}.values()}
        told = [row for by_lot in self.told.values() for rows_ in by_lot.values() for row in rows_]
        lines = {row["line"] for row in told} | {m.lot.line for m, *_ in rows}
        self.list: dict[tuple[int, str], list[tuple[dt.date, int, str]]] = defaultdict(list)
        listed = Price.objects.filter(outlet__in={o.pk for *_, o in rows}, line__in=lines)
        for outlet, line, since, pence, code in listed.order_by("since").values_list(
            "outlet_id", "line", "since", "pence", "tax_code"
        ):
            self.list[outlet, line].append((since, pence, code))

    def money(self) -> list[Money]:
        out = []
        net: dict[tuple, int] = {}
        for m, event, sign, outlet in self.rows:
            sale = _sale(m, event)
            stands = [p for p in self.paid[m.lot_id, outlet.pk] if sale and _sale_of(p) == sale]
            pence, code = (
                (stands[0].unit_pence, stands[0].tax_code)
                if stands
                else self._priced(m, event, sign, outlet)
            )
            if pence is None:
                continue
            key = (*sale, m.lot_id, outlet.pk) if sale else (m.pk,)
            if key not in net:
                net[key] = sum(signed(p) for p in stands)
            before, net[key] = net[key], net[key] + sign * m.quantity
            change = worth(net[key], m.lot.unit, pence) - worth(before, m.lot.unit, pence)
            out.append(
                Money(movement=m, outlet=outlet, unit_pence=pence, pence=change, tax_code=code)
            )
        return out

    def _priced(
        self, m: Movement, event: Event, sign: int, outlet: Outlet
    ) -> tuple[int | None, str]:
        """(pence, tax code): of the day; of what comes back, those at which it was sold."""
        code = self._tax_code(m, event, outlet)
        if event.kind == WORKED_OUT:
            told = json.loads(event.told or "{}").get("unit_pence")
            day = self.days.get(event.corrects_id or 0, event.day)
            return (told if told is not None else self._listed(outlet, m.lot.line, day)), code
        rows = self.told[event.pk].get(m.lot_id)
        if rows:
            row = rows.pop(0)  # the till's rows of a lot stand in the order of its movements
            if row["unit_pence"] is not None:
                return row["unit_pence"], code
            return self._listed(outlet, row["line"], event.day), code
        if sign < 0 or event.kind in OWN:
            fetched = self._fetched(m, event, outlet)
            if fetched is not None:
                return fetched
        return self._listed(outlet, m.lot.line, event.day), code

    def _listed(self, outlet: Outlet, line: str, day: int) -> int | None:
        row = self._row(outlet, line, day)
        return row[1] if row else None

    def _tax_code(self, m: Movement, event: Event, outlet: Outlet) -> str:
        row = self._row(outlet, m.lot.line, self.days.get(event.corrects_id or 0, event.day))
        return row[2] if row else ""

    def _row(self, outlet: Outlet, line: str, day: int) -> tuple[dt.date, int, str] | None:
        on = number_day(day)
        stood = [row for row in self.list.get((outlet.pk, line), ()) if row[0] <= on]
        return stood[-1] if stood else None

    def _fetched(self, m: Movement, event: Event, outlet: Outlet) -> tuple[int, str] | None:
        """What one of a lot fetched there last before it came back, and under which tax code."""
        net: dict[tuple[int, int, str], int] = defaultdict(int)
        when: dict[tuple[int, int, str], Any] = {}
        for p in self.paid[m.lot_id, outlet.pk]:
            e = p.movement.event
            act = e.corrects_id if e.corrects_id and e.kind in (*_TAKES_BACK, WORKED_OUT) else e.pk
            if e.placed_at <= event.placed_at and e.kind not in (SHORTFALL, DIFFERENCE):
                key = act, p.unit_pence, p.tax_code
                net[key] += signed(p)
                when[key] = e.placed_at
        sold = [(when[key], *key[1:]) for key, n in net.items() if n > 0]
        return max(sold)[1:] if sold else None


def _told_rows(event: Event) -> dict[int, list[dict[str, Any]]]:
    """What a till told of lots by name, by lot and in its order: line and unit_pence of each."""
    if event.kind != "sell":
        return {}
    rows = [row for row in json.loads(event.told or "{}")["rows"] if row.get("lot")]
    products = Product.objects.in_bulk([row["product"] for row in rows])
    out: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        line = products[row["product"]].line
        out[row["lot"]].append({"line": line, "unit_pence": row.get("unit_pence")})
    return out


def _sale(m: Movement, event: Event) -> tuple | None:
    """What a row belongs to that is one sale with others: the row of a till that the books walk
    again, what they are short of at a moment, a lot whose weight is put right."""
    if event.kind == WORKED_OUT:
        return event.kind, event.corrects_id, event.told
    if event.kind in OWN:
        return event.kind, event.placed_at
    if event.pk == m.lot.made_by_id or event.corrects_id == m.lot.made_by_id:
        return "made", m.lot.made_by_id
    return None


def _sale_of(was: Money) -> tuple | None:
    event = was.movement.event
    if event.kind in _TAKES_BACK and event.corrects:
        event = event.corrects
    return _sale(was.movement, event)


def signed(was: Money) -> int:
    """Quantity into the customer's hands; less than nothing is out of them."""
    m = was.movement
    into = m.to_place.kind == PlaceKind.SOLD or (
        m.to_place.kind in EATERS and m.from_place.kind != PlaceKind.SOLD
    )
    return m.quantity if into else -m.quantity


AFTER_POST.append(price_movements)
#: Grams of rows of money: what has money leaves a customer's hands where it starts there, whatever
#: its price; a return at nought is one too.
WENT_G = Sum(
    F("movement__quantity")
    * Coalesce("movement__lot__grams_each", 1)
    * Case(
        When(movement__to_place__kind=PlaceKind.SOLD, then=1),
        When(movement__from_place__kind__in=(PlaceKind.SOLD, *EATERS), then=-1),
        default=1,
    ),
    output_field=BigIntegerField(),
)

__all__ = ["EATERS", "WENT_G", "hands", "price_movements", "signed", "worth"]
