"""What something bought in cost: paid ÷ quantity of the receipt then in use, × its standard use.

Which receipt was in use is the ledger's: a sowing is touched by the packet and the medium that lay
open where it was sown, a run by the bags and labels at its line, and nutrient is in use between two
acts. Where nobody told the standard use, or the receipt lacks what was paid or how much came, there
is no such price, and the rate is charged instead.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from django.db.models import Q, Sum

from grow import clock
from grow.models import InUse, Item, Lineage, Lot, LotKind, Movement, alive
from grow.models import PlaceKind as K

from .models import Rate, StandardUse

Kind = Item.Kind


@dataclass(frozen=True)
class _Receipt:
    """price: exact pence of one unit; None where the receipt lacks what was paid or how much."""

    item: int
    kind: str
    variety: int | None
    unit: str
    price: Fraction | None


class Receipts:
    """Every receipt of what has a standard use, read once; nothing is read where nothing has."""

    def __init__(self) -> None:
        #: item and product → (since, amount, unit), oldest first
        self._uses: dict[tuple[int, int | None], list[tuple[int, Fraction, str]]] = defaultdict(
            list
        )
        uses = StandardUse.objects.order_by("since").values_list(
            "item_id", "product_id", "since", "amount", "unit"
        )
        for item, product, since, amount, unit in uses:
            told = clock.day_number(since), Fraction(amount), unit
            self._uses[item, product].append(told)
        #: What was in use and lacks its price: name of the input → sowings, runs or days.
        self.lacking: Counter[str] = Counter()
        self._receipts: dict[int, _Receipt] = {}
        self._touching: dict[int, list[_Receipt]] = defaultdict(list)
        self._variety: dict[int, int | None] = {}
        self._fed: list[tuple[int, int, _Receipt]] = []
        self._names: dict[int, str] = {}
        self._packaging: set[int] = set()
        if self._uses:
            self._read()

    def __bool__(self) -> bool:
        return bool(self._receipts)

    def _read(self) -> None:
        items = {item for item, _ in self._uses}
        for pk, name, kind in Item.objects.filter(pk__in=items).values_list("pk", "name", "kind"):
            self._names[pk] = name
            if kind == Kind.PACKAGING:
                self._packaging.add(pk)
        came = Q(from_place__kind=K.SUPPLIER) | Q(to_place__kind=K.SUPPLIER)
        moved = (
            Movement.objects.filter(came, lot__kind=LotKind.INPUT, lot__item__in=items)
            .values_list("lot_id", "from_place__kind")
            .annotate(n=Sum("quantity"))
        )
        quantity: Counter[int] = Counter()
        for lot, start, n in moved:
            quantity[lot] += n if start == K.SUPPLIER else -n
        lots = Lot.objects.filter(alive("made_by"), kind=LotKind.INPUT, item__in=items)
        for lot, item, kind, variety, unit, told in lots.values_list(
            "pk", "item_id", "item__kind", "item__variety_id", "unit", "made_by__told"
        ):
            paid = json.loads(told or "{}").get("paid_pence")
            came_in = quantity[lot]
            price = Fraction(paid, came_in) if paid is not None and came_in > 0 else None
            self._receipts[lot] = _Receipt(item, kind, variety, unit, price)
        edges = Lineage.objects.filter(
            kind=Lineage.Kind.TOUCHED,
            struck_by=None,
            parent__kind=LotKind.INPUT,
            parent__item__in=items,
            child__kind__in=(LotKind.BATCH, LotKind.PACK),
        )
        for child, variety, parent in edges.values_list(
            "child_id", "child__variety_id", "parent_id"
        ).order_by("child_id", "parent_id"):
            if parent in self._receipts:
                self._touching[child].append(self._receipts[parent])
                self._variety[child] = variety
        fed = InUse.objects.filter(lot__item__in=items, lot__item__kind=Kind.NUTRIENT)
        spans = fed.values_list("lot_id", "began_by__day", "ended_by__day").order_by("pk")
        for lot, since, until in spans:
            if lot in self._receipts:
                self._fed.append((since, until or 99991231, self._receipts[lot]))

    def _use(self, item: int, product: int | None, day: int) -> tuple[Fraction, str] | None:
        """(so much, in which unit) of an input in force on a day; a product's own before all's."""
        for key in dict.fromkeys(((item, product), (item, None))):
            known = self._uses.get(key, ())
            at = bisect_right(known, day, key=lambda row: row[0])
            if at:
                return known[at - 1][1:]
        return None

    def _costs(
        self, used: Iterable[_Receipt], day: int, product: int | None = None
    ) -> dict[int, Fraction | None]:
        """Input → exact pence of its standard use; None where its receipt lacks its price. Of two
        packets of one input, of which either may have been open, the mean."""
        by_item: dict[int, list[_Receipt]] = defaultdict(list)
        for receipt in used:
            by_item[receipt.item].append(receipt)
        out: dict[int, Fraction | None] = {}
        for item, receipts in by_item.items():
            use = self._use(item, product, day)
            if use is None:
                continue
            amount, unit = use
            known = [r.price for r in receipts if r.price is not None and r.unit == unit]
            out[item] = amount * sum(known, Fraction(0)) / len(known) if known else None
            self.lacking[self._names[item]] += not known
        return out

    def of_cell(self, what: str, batch: int, day: int) -> Fraction | None:
        """Pence a cell of a sowing: of medium all that lay open; of seed, or the bought plug, its
        own variety's where that did, else the mean of what did."""
        used = self._touching.get(batch, ())
        if what == Rate.What.MEDIUM:
            return _together(self._costs([r for r in used if r.kind == Kind.MEDIUM], day))
        seed = [r for r in used if r.kind in (Kind.SEED, Kind.YOUNG_PLANTS)]
        own = [r for r in seed if r.variety and r.variety == self._variety[batch]]
        known = [cost for cost in self._costs(own or seed, day).values() if cost is not None]
        return sum(known, Fraction(0)) / len(known) if known else None

    def packaging(self, run: int, product: int, day: int) -> Fraction | None:
        """Pence of bags and labels a pack: all that the product is told to take, or the rate."""
        takes = {
            item
            for item, of in self._uses
            if item in self._packaging and of in (None, product) and self._use(item, of, day)
        }
        found = self._costs(
            [r for r in self._touching.get(run, ()) if r.item in takes], day, product
        )
        return _together(found) if takes == found.keys() else None

    def nutrient(self, day: int) -> Fraction | None:
        """Pence of nutrient a litre of water, of all that was in use that day."""
        return _together(self._costs([r for a, b, r in self._fed if a <= day <= b], day))


def _together(costs: dict[int, Fraction | None]) -> Fraction | None:
    known = [cost for cost in costs.values() if cost is not None]
    return sum(known, Fraction(0)) if known and len(known) == len(costs) else None


__all__ = ["Receipts"]
