"""What a site gave at its first cut, its second, and so on: which crop is worth cutting again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from decimal import Decimal
from fractions import Fraction

from grow.models import Lineage, Lot

from .period import Period
from .rates import at_nine_places
from .traced import ask
from .yields import cut_lots

#: Later cuts are left out of the table: a strawberry is picked twenty times.
MOST = 12

# A planting's cuts in the order in which they were made, cancelled ones apart, however early.
_NUMBERED = """
SELECT x.lot_id, x.batch_id, x.n, COUNT(*)
FROM (
    SELECT c.lot_id, p.batch_id,
           ROW_NUMBER() OVER (PARTITION BY c.planting_id ORDER BY e.placed_at, l.id) AS n
    FROM grow_cutsite c
    JOIN grow_planting p ON p.id = c.planting_id
    JOIN grow_lot l ON l.id = c.lot_id
    JOIN grow_event e ON e.id = l.made_by_id
    WHERE p.began_at < {end} AND (p.ended_at IS NULL OR p.ended_at > {start})
      AND NOT EXISTS (
        SELECT 1 FROM grow_event k WHERE k.corrects_id = e.id AND k.kind IN ('cancel', 'undo'))
) x
WHERE x.lot_id BETWEEN %(low)s AND %(high)s
GROUP BY x.lot_id, x.batch_id, x.n
"""


#: (cut, sowing, grams a site, {how many cuts its site had with it: sites})
Cut = tuple[int, int, Fraction, dict[int, int]]


def cut_by_cut(period: Period) -> Iterator[Cut]:
    """Each sowing in each cut of the period: the cut's net grams over its sites, shared equally by
    site."""
    grams = {lot: net for lot, (net, _) in cut_lots(period).items()}
    if not grams:
        return
    ends = min(grams), max(grams)
    edges: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    grew = Lineage.objects.filter(
        child__gte=ends[0], child__lte=ends[1], kind=Lineage.Kind.GREW, struck_by=None
    ).values_list("child_id", "parent_id", "quantity")
    for lot, batch, quantity in grew:
        edges[lot][batch] += quantity or 0
    sites: dict[tuple[int, int], dict[int, int]] = defaultdict(dict)
    for lot, batch, n, number in ask(_NUMBERED, period, ends=ends):
        sites[lot, batch][int(n)] = int(number)
    for (lot, batch), numbers in sites.items():
        whole = sum(g for g in edges[lot].values() if g > 0)
        if lot not in grams or edges[lot].get(batch, 0) <= 0:
            continue
        each = Fraction(grams[lot] * edges[lot][batch], whole * sum(numbers.values()))
        yield lot, batch, each, numbers


def successive(period: Period) -> Mapping[int | None, Mapping[int, Decimal]]:
    """Crop → number of the cut → grams a site and cut, of the cuts of the period."""
    found = list(cut_by_cut(period))
    crops = dict(
        Lot.objects.filter(pk__in={batch for _, batch, *_ in found}).values_list("pk", "crop_id")
    )
    cut: dict[tuple[int | None, int], list[Fraction]] = defaultdict(lambda: [Fraction(0)] * 2)
    for _, batch, each, numbers in found:
        for n, number in numbers.items():
            cut[crops[batch], n][0] += each * number
            cut[crops[batch], n][1] += number
    out: dict[int | None, dict[int, Decimal]] = defaultdict(dict)
    for (crop, n), (mass, whole) in sorted(cut.items(), key=lambda row: row[0][1]):
        if n <= MOST:
            out[crop][n] = at_nine_places(mass / whole)
    return out


__all__ = ["MOST", "Cut", "cut_by_cut", "successive"]
