"""What something bought in cost: paid ÷ quantity of the receipt then in use, × its standard use.

Which receipt was in use is the ledger's: a sowing is touched by the packet and the medium that lay
open where it was sown, a run by the bags and labels at its line, and nutrient is in use between two
acts. Where nobody told the standard use, the receipt lacks what was paid or how much came, or
several inputs lay open of which any may have been used, there is no such price, and the rate is
charged instead. Of two packets of one input it is the mean; of two inputs never.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from django.db.models import Exists, OuterRef, Q, Sum

from grow import clock
from grow.models import Event, InUse, Item, Lineage, Lot, LotKind, Movement, alive
from grow.models import PlaceKind as K

from .models import Rate, StandardUse

Kind = Item.Kind
_SOWN = (Kind.SEED, Kind.YOUNG_PLANTS)
_EVER = 99991231


class _Use(NamedTuple):
    since: int
    amount: Fraction
    unit: str
    mix: str


@dataclass(frozen=True)
class _Receipt:
    """price: exact pence of one unit; None where the receipt lacks what was paid or how much."""

    lot: int
    item: int
    kind: str
    variety: int | None
    unit: str
    price: Fraction | None


class Receipts:
    """Every receipt of what has a standard use, and of what is sown, read once; nothing is read
    where nothing has one. gaps: in words, why a rate was charged where something was in use."""

    def __init__(self) -> None:
        #: item and product → its uses, oldest first
        self._uses: dict[tuple[int, int | None], list[_Use]] = defaultdict(list)
        uses = StandardUse.objects.order_by("since").values_list(
            "item_id", "product_id", "since", "amount", "unit", "mix"
        )
        for item, product, since, amount, *told in uses:
            use = _Use(clock.day_number(since), Fraction(amount), *told)
            self._uses[item, product].append(use)
        self.gaps: set[str] = set()
        self._receipts: dict[int, _Receipt] = {}
        self._touching: dict[int, list[_Receipt]] = defaultdict(list)
        self._variety: dict[int, int | None] = {}
        self._named: set[tuple[int, int]] = set()
        self._fed: list[tuple[int, int, _Receipt]] = []
        self._names: dict[int, str] = {}
        self._packaging: set[int] = set()
        if self._uses:
            self._read()

    def __bool__(self) -> bool:
        return bool(self._receipts)

    def _read(self) -> None:
        # of a sowing's own packet one must know though nobody told how much of it a cell takes
        read = Q(pk__in={item for item, _ in self._uses}) | Q(kind__in=_SOWN)
        for pk, name, kind in Item.objects.filter(read).values_list("pk", "name", "kind"):
            self._names[pk] = name
            if kind == Kind.PACKAGING:
                self._packaging.add(pk)
        items = set(self._names)
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
        lots = lots.order_by("made_by__placed_at", "pk")
        for lot, item, kind, variety, unit, told in lots.values_list(
            "pk", "item_id", "item__kind", "item__variety_id", "unit", "made_by__told"
        ):
            paid = json.loads(told or "{}").get("paid_pence")
            came_in = quantity[lot]
            price = Fraction(paid, came_in) if paid is not None and came_in > 0 else None
            self._receipts[lot] = _Receipt(lot, item, kind, variety, unit, price)
        edges = Lineage.objects.filter(
            kind=Lineage.Kind.TOUCHED,
            struck_by=None,
            parent__kind=LotKind.INPUT,
            parent__item__in=items,
            child__kind__in=(LotKind.BATCH, LotKind.PACK),
        )
        said = Event.inputs.through.objects.filter(
            event=OuterRef("child__made_by"), lot=OuterRef("parent")
        )
        for child, variety, parent, named in edges.values_list(
            "child_id", "child__variety_id", "parent_id", Exists(said)
        ).order_by("child_id", "parent_id"):
            if parent in self._receipts:
                self._touching[child].append(self._receipts[parent])
                self._variety[child] = variety
                self._named |= {(child, parent)} if named else set()
        fed = InUse.objects.filter(lot__item__in=items, lot__item__kind=Kind.NUTRIENT)
        spans = fed.order_by("began_at", "pk")
        for lot, since, until in spans.values_list("lot_id", "began_by__day", "ended_by__day"):
            if lot in self._receipts:
                self._fed.append((since, until or _EVER, self._receipts[lot]))

    def _use(self, item: int, product: int | None, day: int) -> _Use | None:
        """How much of an input, in force on a day; a product's own before all's."""
        for key in dict.fromkeys(((item, product), (item, None))):
            known = self._uses.get(key, ())
            at = bisect_right(known, day, key=lambda use: use.since)
            if at:
                return known[at - 1]
        return None

    def _mix(self, item: int, day: int) -> str | int:
        """What an input is used as: the name of its mix, else itself alone."""
        use = self._use(item, None, day)
        return use.mix if use and use.mix else item

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
            known = [r.price for r in receipts if r.price is not None and r.unit == use.unit]
            out[item] = use.amount * sum(known, Fraction(0)) / len(known) if known else None
            if not known:
                lacks = "lacks what was paid or how much came"
                if units := {r.unit for r in receipts if r.price is not None}:
                    lacks = f"is in {min(units)}, its standard use in {use.unit}"
                self._gap(f"{self._names[item]}: a receipt that was in use {lacks}")
        return out

    def _gap(self, says: str) -> None:
        self.gaps.add(f"{says}, so the rate is charged for it.")

    def of_cell(self, what: str, batch: int, day: int) -> Fraction | None:
        """Pence a cell of a sowing: of the medium that lay open; of the packet that the sowing
        names, else its own variety's seed or bought plug, else what lay open."""
        used = self._touching.get(batch, ())
        if what == Rate.What.MEDIUM:
            media = [r for r in used if r.kind == Kind.MEDIUM and self._use(r.item, None, day)]
            return self._of_one(media, day)
        seed = [r for r in used if r.kind in _SOWN]
        named = [r for r in seed if (batch, r.lot) in self._named]
        own = [r for r in seed if r.variety and r.variety == self._variety[batch]]
        return self._of_one(named or own or seed, day)

    def _of_one(self, used: Collection[_Receipt], day: int) -> Fraction | None:
        """Pence of what is one input or one mix; None, and a gap, of several."""
        if len({self._mix(r.item, day) for r in used}) > 1:
            if any(self._use(r.item, None, day) for r in used):
                names = " and ".join(sorted({self._names[r.item] for r in used}))
                self._gap(f"{names} lay open, and a sowing may have had either")
            return None
        return _together(self._costs(used, day))

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
        """Pence of nutrient a litre of water: of what was opened last of all in use that day, and
        of what is of one mix with it. So a can that nobody told finished is fed no longer."""
        open_ = [(until, r) for since, until, r in self._fed if since <= day <= until]
        fed = self._last([r for _, r in open_], day)
        mixed = {self._mix(r.item, day) for r in fed}
        for until, r in open_:
            if until > day and self._use(r.item, None, day) and self._mix(r.item, day) not in mixed:
                self.gaps.add(
                    f"{self._names[r.item]} lay open beside {self._names[fed[-1].item]}, which was "
                    "opened later and is charged alone; tell it finished, or both as one mix."
                )
        return _together(self._costs(fed, day))

    def newest(self, what: str, variety: int, day: int) -> Fraction | None:
        """Pence a cell that is yet to be sown, by the receipt that came last and says its price:
        of the variety's seed or young plants, or of medium."""
        came = []
        for r in self._receipts.values():
            use = self._use(r.item, None, day)
            fits = r.kind == Kind.MEDIUM
            if what == Rate.What.SEED:
                fits = r.kind in _SOWN and r.variety == variety
            if fits and use and r.price is not None and r.unit == use.unit:
                came.append(r)
        return _together(self._costs(self._last(came, day), day))

    def _last(self, receipts: Iterable[_Receipt], day: int) -> list[_Receipt]:
        """Of each input the last one; of several inputs the last, with what is of one mix."""
        last: dict[int, _Receipt] = {}
        for receipt in receipts:
            if self._use(receipt.item, None, day):
                last.pop(receipt.item, None)
                last[receipt.item] = receipt
        found = list(last.values())
        mix = self._mix(found[-1].item, day) if found else None
        return [r for r in found if self._mix(r.item, day) == mix]


def _together(costs: dict[int, Fraction | None]) -> Fraction | None:
    known = [cost for cost in costs.values() if cost is not None]
    return sum(known, Fraction(0)) if known and len(known) == len(costs) else None


__all__ = ["Receipts"]
