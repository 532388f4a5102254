"""What is told of costs and minutes, read for the second sums (tests/tally.py) with plain SQL and
plain Python; nothing of analytics is imported. One rate of each thing is enough for the tests that
use it: where several were told of one, the newest stands for every day."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from decimal import Decimal
from fractions import Fraction
from functools import cached_property


class Told:
    def __init__(self) -> None:
        from tests import tally

        self.rows, self.acts, self.moved = tally.rows, tally.acts(), tally.moved
        self._rate: dict[tuple[str, int | None], Fraction] = {}
        for what, crop, product, amount in self.rows(
            "SELECT what, crop_id, product_id, amount FROM analytics_rate "
            "WHERE outlet_id IS NULL ORDER BY since"
        ):
            self._rate[what, crop or product] = Fraction(Decimal(str(amount)))
        #: (day, lot, washed, grams in, packs, product) of the runs that were not cancelled
        self.runs = self.rows(
            "SELECT e.day, l.id, r.washed, r.grams_in, r.packs, r.product_id "
            "FROM sales_packingrun r JOIN grow_lot l ON l.id = r.lot_id "
            "JOIN grow_event e ON e.id = l.made_by_id WHERE NOT EXISTS (SELECT 1 FROM grow_event c "
            "WHERE c.corrects_id = e.id AND c.kind IN ('cancel', 'undo'))"
        )
        self._uses = {
            (item, product): (Fraction(Decimal(str(amount))), unit)
            for item, product, amount, unit in self.rows(
                "SELECT item_id, product_id, amount, unit FROM analytics_standarduse ORDER BY since"
            )
        }
        self._mix = {
            item: mix or item
            for item, mix in self.rows("SELECT item_id, mix FROM analytics_standarduse")
        }

    def rate(self, what: str, of: int | None) -> Fraction:
        return self._rate.get((what, of)) or self._rate.get((what, None), Fraction(0))

    def light(self, crop: int | None) -> Fraction:
        three = [self.rate(what, None) for what in ("lamp_watts", "lamp_hours", "electricity")]
        if all(three):
            return three[0] * three[1] * three[2] / 1000
        return self.rate("light", crop)

    # --- receipts ---------------------------------------------------------------------------

    @cached_property
    def _receipts(self) -> dict[int, tuple[int, str, int | None, str, Fraction | None]]:
        """Lot → (item, kind, variety, unit, pence of one unit)."""
        came: Counter[int] = Counter()
        for lot, start, n in self.rows(
            "SELECT m.lot_id, a.kind, m.quantity FROM grow_movement m "
            "JOIN grow_place a ON a.id = m.from_place_id JOIN grow_place b ON b.id = m.to_place_id "
            "WHERE 'supplier' IN (a.kind, b.kind)"
        ):
            came[lot] += n if start == "supplier" else -n
        out = {}
        for lot, item, kind, variety, unit, text in self.rows(
            "SELECT l.id, i.id, i.kind, i.variety_id, l.unit, e.told FROM grow_lot l "
            "JOIN grow_item i ON i.id = l.item_id JOIN grow_event e ON e.id = l.made_by_id "
            "WHERE l.kind = 'input' AND NOT EXISTS (SELECT 1 FROM grow_event c "
            "WHERE c.corrects_id = e.id AND c.kind IN ('cancel', 'undo'))"
        ):
            paid = json.loads(text).get("paid_pence")
            known = paid is not None and came[lot] > 0
            out[lot] = (item, kind, variety, unit, Fraction(paid, came[lot]) if known else None)
        return out

    @cached_property
    def _touched(self) -> dict[int, list[int]]:
        out: dict[int, list[int]] = defaultdict(list)
        for child, parent in self.rows(
            "SELECT child_id, parent_id FROM grow_lineage WHERE kind = 'touched'"
        ):
            out[child].append(parent)
        return out

    def _of_items(self, lots: list[int], product: int | None) -> dict[int, Fraction | None]:
        """Item → pence of its use: the mean of its packets that say what they cost."""
        found: dict[int, list[Fraction]] = defaultdict(list)
        for lot in lots:
            item, _, _, unit, price = self._receipts[lot]
            use = self._uses.get((item, product)) or self._uses.get((item, None))
            if use is not None:
                found[item] += [price * use[0]] if price is not None and unit == use[1] else []
        return {item: sum(p) / len(p) if p else None for item, p in found.items()}

    def _touching(self, lot: int, *kinds: str) -> list[int]:
        known = [i for i in self._touched[lot] if i in self._receipts]
        return [i for i in known if self._receipts[i][1] in kinds]

    def cell(self, batch: int, crop: int | None) -> Fraction:
        """Seed and medium of one cell."""
        ((variety,),) = self.rows("SELECT variety_id FROM grow_lot WHERE id = %s", batch)
        named = {
            lot
            for (lot,) in self.rows(
                "SELECT i.lot_id FROM grow_event_inputs i "
                "JOIN grow_lot l ON l.made_by_id = i.event_id WHERE l.id = %s",
                batch,
            )
        }
        seed = self._touching(batch, "seed", "young_plants")
        own = [lot for lot in seed if variety and self._receipts[lot][2] == variety]
        seed = [lot for lot in seed if lot in named] or own or seed
        media = [lot for lot in self._touching(batch, "medium") if self._receipts[lot][0] in
                 self._mix]  # fmt: skip
        each = self._one(seed) if self._uses else None
        together = self._one(media)
        return (self.rate("seed", crop) if each is None else each) + (
            self.rate("medium", crop) if together is None else together
        )

    def _one(self, lots: list[int]) -> Fraction | None:
        """Pence of lots of one item, or of one mix; never of several."""
        if (
            len({self._mix.get(item, item) for lot in lots for item in [self._receipts[lot][0]]})
            > 1
        ):
            return None
        prices = list(self._of_items(lots, None).values())
        return None if not prices or None in prices else sum(map(Fraction, filter(None, prices)))

    def pack(self, run: int, product: int) -> Fraction:
        kinds = dict(self.rows("SELECT id, kind FROM grow_item"))
        takes = {i for i, of in self._uses if of in (None, product) and kinds[i] == "packaging"}
        open_ = [lot for lot in self._touching(run, "packaging") if self._receipts[lot][0] in takes]
        found = self._of_items(open_, product)
        if takes and takes == found.keys() and None not in found.values():
            return sum(found.values(), Fraction(0))
        ((each,),) = self.rows("SELECT packaging_pence FROM sales_product WHERE id = %s", product)
        all_ = self._rate.get(("packaging", None), Fraction(0))
        return self._rate.get(("packaging", product)) or Fraction(Decimal(str(each))) or all_

    def nutrient(self, day: int, crop: int | None) -> Fraction:
        """Pence a kilogram cut."""
        newest: dict[int, int] = {}  # item → the lot of it that was opened last
        for lot, since, until in self._fed:
            item = self._receipts[lot][0]
            if since <= day <= until and item in self._mix:
                newest.pop(item, None)
                newest[item] = lot
        fed = [lot for item, lot in newest.items() if self._mix[item] == self._mix[[*newest][-1]]]
        litre = list(self._of_items(fed, None).values())
        if litre and None not in litre and self.rate("litres", crop):
            return sum(litre, Fraction(0)) * self.rate("litres", crop)
        return self.rate("nutrient", crop)

    @cached_property
    def _fed(self) -> list[tuple[int, int, int]]:
        return [
            (lot, since, until or 99999999)
            for lot, since, until in self.rows(
                "SELECT u.lot_id, b.day, f.day FROM grow_inuse u "
                "JOIN grow_event b ON b.id = u.began_by_id "
                "LEFT JOIN grow_event f ON f.id = u.ended_by_id ORDER BY u.began_at, u.id"
            )
            if lot in self._receipts and self._receipts[lot][1] == "nutrient"
        ]

    # --- minutes ----------------------------------------------------------------------------

    @cached_property
    def _standard(self) -> dict[int, Fraction]:
        """Day → standard minutes of what was done."""
        out: dict[int, Fraction] = defaultdict(Fraction)
        for r in self.moved():
            act = self.acts[r.event]
            if r.lot_kind == "batch" and act == "sow":
                n = r.quantity if r.start == "growth" else -r.quantity
                out[r.day] += n * self.rate("sow_minutes", r.crop) / 84
            elif (
                r.lot_kind == "batch" and act == "transplant" and "compost" not in (r.start, r.end)
            ):
                n = r.quantity if r.end == "tower" else -r.quantity
                out[r.day] += n * self.rate("plant_minutes", r.crop)
            elif r.lot_kind == "batch" and act == "clear" and "tower" in (r.start, r.end):
                n = r.quantity if r.start == "tower" else -r.quantity
                out[r.day] += n * self.rate("clear_minutes", r.crop)
            elif r.lot_kind == "harvest" and "growth" in (r.start, r.end):
                n = r.quantity if r.start == "growth" else -r.quantity
                out[r.day] += Fraction(n, 1000) * self.rate("cut_minutes", r.crop)
        # of one leaf alone, its own minutes a pack; a mixed bag has those of all crops
        leaf = {
            lot: least if least == most else None
            for lot, least, most in self.rows(
                "SELECT n.child_id, MIN(l.crop_id), MAX(l.crop_id) FROM grow_lineage n "
                "JOIN grow_lot l ON l.id = n.parent_id WHERE n.kind = 'went_in' "
                "AND n.struck_by_id IS NULL GROUP BY n.child_id"
            )
        }
        for day, lot, washed, grams_in, packs, _ in self.runs:
            out[day] += packs * self.rate("pack_minutes", leaf.get(lot))
            if washed:
                out[day] += Fraction(grams_in, 1000) * self.rate("wash_minutes", None)
        return out

    def minutes(self) -> dict[int, Fraction]:
        return self._standard

    @cached_property
    def _timed(self) -> list[tuple[int, Fraction]]:
        out = []
        for day, told in self.rows("SELECT day, minutes FROM analytics_timedday ORDER BY day"):
            number = int(str(day).replace("-", ""))
            if standard := self._standard.get(number):
                four = round(Fraction(Decimal(str(told))) / standard * 10**4)
                out.append((number, Fraction(four, 10**4)))
        return out

    def factor(self, day: int) -> Fraction:
        return ([Fraction(1)] + [factor for since, factor in self._timed if since <= day])[-1]
