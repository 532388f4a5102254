"""From what was sold or packed to the cuts in it, and from a cut to the sites of its plants."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any, NamedTuple

from django.db import connection

from grow.models import Lineage, Lot, LotKind

from .period import Period
from .raising import Sowing
from .rates import half_up
from .yields import BOUGHT_IN, COMPLETED, NO_SITE, STANDING, in_seconds

CropId = int | None
#: Parts of a thing that is shared out, to so many places.
FINE = 10**9
#: Leaf cut from one lot, of one of its crops.
Source = tuple[int, CropId]


class Stand(NamedTuple):
    """tower and tier are None for what has no plant site; variety for what names none. week: the
    Monday of the sowing's week as a day's number, None unless stands are asked for by week."""

    crop: CropId
    variety: int | None
    tower: int | None
    tier: int | None
    line: str
    week: int | None = None


def stand_of(
    sowing: Sowing, tower: int | None = None, tier: int | None = None, line: str = NO_SITE
) -> Stand:
    """Without a tower: what belongs to a sowing and to none of its sites."""
    return Stand(sowing.crop, sowing.variety, tower, tier, line, sowing.week)


class Traced:
    """From a lot that was sold or packed to the cuts in it, and from a cut to its stands."""

    def __init__(
        self,
        period: Period,
        sowings: Mapping[int, Sowing],
        cut: Iterable[int],
        others: set[int],
    ) -> None:
        self._sowings = sowings
        self._parents = _went_in(others)
        roots = {*cut, *(root for lot in others for root in self._roots(lot))}
        #: (cut, crop) → its stands with the share of each in the cut's leaf of that crop
        self._shares: dict[Source, list[tuple[Stand, int]]] = {}
        self._crops: dict[int, dict[CropId, int]] = {}
        self.several_sowings: set[int] = set()
        self.several_towers: set[int] = set()
        self.several_tiers: set[int] = set()
        #: Cuts of one tier → stand → sites that were cut.
        self.one_tier: dict[int, Counter[Stand]] = {}
        self._read(period, roots)

    def _roots(self, lot: int) -> dict[int, Fraction]:
        """The lots without parents that a lot was made of, and how much of it each is."""
        out: dict[int, Fraction] = defaultdict(Fraction)
        left = {lot: Fraction(1)}
        while left:
            further: dict[int, Fraction] = defaultdict(Fraction)
            for one, share in left.items():
                parents = self._parents.get(one)
                if not parents:
                    out[one] += share
                    continue
                whole = sum(parents.values())
                for parent, grams in parents.items():
                    further[parent] += share * grams / whole
            left = further
        return out

    def _read(self, period: Period, roots: set[int]) -> None:
        if not roots:
            return
        ends = min(roots), max(roots)
        sites: dict[tuple[int, int], list[tuple[int, int, str, int]]] = defaultdict(list)
        for lot, batch, tower, tier, line, number in ask(_CUT_SITES, period, ends=ends):
            sites[lot, batch].append((tower, tier, line, int(number)))
        grew: dict[int, Counter[int]] = defaultdict(Counter)
        edges = Lineage.objects.filter(
            child__gte=ends[0], child__lte=ends[1], kind=Lineage.Kind.GREW, struck_by=None
        ).values_list("child_id", "parent_id", "quantity")
        for lot, batch, quantity in edges:
            grew[lot][batch] += quantity or 0
        own = {
            lot: (crop, BOUGHT_IN if kind == LotKind.PRODUCE else NO_SITE)
            for lot, crop, kind in Lot.objects.filter(pk__gte=ends[0], pk__lte=ends[1]).values_list(
                "pk", "crop_id", "kind"
            )
        }
        for lot in roots:
            batches = {b: g for b, g in grew.get(lot, {}).items() if g > 0}
            if not batches:
                crop, line = own[lot]
                self._crops[lot] = {crop: 1}
                self._shares[lot, crop] = [(Stand(crop, None, None, None, line), 1)]
                continue
            self._of_batches(lot, batches, sites)

    def _of_batches(self, lot: int, batches: Mapping[int, int], sites: Mapping[Any, Any]) -> None:
        weights: dict[CropId, Counter[Stand]] = defaultdict(Counter)
        crops: Counter[CropId] = Counter()
        towers, tiers, from_sites = set(), set(), Counter[Stand]()
        for batch, grams in batches.items():
            sowing = self._sowings[batch]
            crops[sowing.crop] += grams
            there = sites.get((lot, batch)) or [(None, None, NO_SITE, 1)]
            whole = sum(number for *_, number in there)
            for tower, tier, line, number in there:
                stand = stand_of(sowing, tower, tier, line)
                weights[sowing.crop][stand] += grams * FINE * number // whole
                from_sites[stand] += number
                towers.add(tower)
                tiers.add(tier)
        self._crops[lot] = dict(crops)
        for crop, found in weights.items():
            self._shares[lot, crop] = list(found.items())
        if len(batches) > 1:
            self.several_sowings.add(lot)
        if len(towers) > 1:
            self.several_towers.add(lot)
        if len(tiers) > 1:
            self.several_tiers.add(lot)
        elif tiers != {None}:
            self.one_tier[lot] = from_sites

    def of_cuts(self, amounts: Mapping[int, int]) -> dict[Source, int]:
        """Amounts of cuts by the crops that are in them."""
        out: Counter[Source] = Counter()
        for lot, amount in amounts.items():
            whole = sum(self._crops[lot].values())
            for crop, grams in self._crops[lot].items():
                out[lot, crop] += amount * grams // whole
        return out

    def sources(self, amounts: Mapping[int, int]) -> dict[Source, int]:
        """Amounts of any lots by the leaf that is in them."""
        by_root: Counter[int] = Counter()
        for lot, amount in amounts.items():
            for root, share in self._roots(lot).items():
                by_root[root] += half_up(amount * share)
        return self.of_cuts(by_root)

    def of_crops(self, amounts: Mapping[tuple[int, CropId], Fraction]) -> dict[Source, int]:
        """Pence of each crop in a lot, by that crop's leaf in it."""
        out: Counter[Source] = Counter()
        for (lot, crop), pence in amounts.items():
            inside = {}
            for root, share in self._roots(lot).items():
                crops = self._crops[root]
                if grams := crops.get(crop):
                    inside[root] = share * grams / sum(crops.values())
            whole = sum(inside.values())
            for root, share in inside.items():
                out[root, crop] += half_up(pence * FINE * share / whole)
        return out

    def at_stands(self, amounts: Mapping[Source, int]) -> dict[Stand, int]:
        out: Counter[Stand] = Counter()
        for source, amount in amounts.items():
            found = self._shares.get(source, ())
            whole = sum(weight for _, weight in found)
            for stand, weight in found:
                out[stand] += amount * weight // whole
        return out


def _went_in(lots: set[int]) -> dict[int, dict[int, int]]:
    """Lot → what went into it in grams, down to what was cut or bought. One question, and another
    for each time that bags were opened into bags older than all that was asked about."""
    out: dict[int, dict[int, int]] = defaultdict(dict)
    low: int | None = None
    while lots:
        ends = {"child__gte": min(lots)} | (
            {"child__lt": low} if low else {"child__lte": max(lots)}
        )
        edges = Lineage.objects.filter(
            **ends, kind=Lineage.Kind.WENT_IN, struck_by=None
        ).values_list("child_id", "parent_id", "quantity", "parent__grams_each")
        for child, parent, quantity, each in edges:
            out[child][parent] = out[child].get(parent, 0) + (quantity or 0) * (each or 1)
        low = min(lots)
        lots = {parent for parents in out.values() for parent in parents if parent < low}
        # a cut has nothing that went in: only packs and crates made before are asked for again
        lots = set(Lot.objects.filter(pk__in=lots, kind=LotKind.PACK).values_list("pk", flat=True))
    kept = {c: {p: grams for p, grams in of.items() if grams > 0} for c, of in out.items()}
    return {child: parents for child, parents in kept.items() if parents}


# --- questions ------------------------------------------------------------------------------

LINE = f"""CASE WHEN EXISTS (
    SELECT 1 FROM grow_planting q WHERE q.site_id = p.site_id AND q.batch_id = p.batch_id
    AND (q.ended_at IS NULL OR q.ended_at >= {{end}}) AND q.began_at < {{end}}
) THEN '{STANDING}' ELSE '{COMPLETED}' END"""

_CUT_SITES = f"""
SELECT x.lot_id, x.batch_id, s.tower_id, s.tier, x.line, COUNT(*)
FROM (
    SELECT c.lot_id, p.batch_id, p.site_id, {LINE} AS line
    FROM grow_cutsite c
    JOIN grow_planting p ON p.id = c.planting_id
    WHERE c.lot_id BETWEEN %(low)s AND %(high)s
) x
JOIN grow_plantsite s ON s.id = x.site_id
GROUP BY x.lot_id, x.batch_id, s.tower_id, s.tier, x.line
"""


def ask(sql: str, period: Period, ends: tuple[int, int] | None = None) -> list[tuple[Any, ...]]:
    sql, moments = in_seconds(sql, period)
    with connection.cursor() as cursor:
        cursor.execute(
            sql, moments | (dict(zip(("low", "high"), ends, strict=True)) if ends else {})
        )
        return cursor.fetchall()


__all__ = ["FINE", "LINE", "Source", "Stand", "Traced", "ask", "stand_of"]
