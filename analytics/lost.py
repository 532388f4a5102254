"""Where leaf was lost, stage by stage, brought to the variety, tower and tier that it grew on.

Each crop's grams are those of the waste (analytics/waste.py), shared to its stands in whole grams
by what was traced of each line: a bag that was thrown away by the leaf in it, what was graded out
by the sites that it was cut from. It is read apart from the stands: only who asks for it waits.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from grow import sums
from grow.shares import shared_out, whole

from .crop_table import CropTable, Group, Names, Only, in_order
from .period import About, percent
from .stands import Stand, Stands
from .stands import in_order as stands_in_order
from .traced import FINE, Traced
from .waste import LOST, lost_lots, waste
from .yields import BOUGHT_IN, NO_SITE


@dataclass
class LostRow(Group):
    """Whole grams of one group, or of all. cut_g: all that came off the plant, graded out too.
    bought_in_g: of what was lost, leaf grown by others."""

    cut_g: int = 0
    grade_out_g: int = 0
    trim_g: int = 0
    giveaway_g: int = 0
    samples_g: int = 0
    moisture_g: int = 0
    lost_at_rework_g: int = 0
    short_g: int = 0
    unexplained_g: int = 0
    rejected_thrown_g: int = 0
    thrown_g: int = 0
    donated_g: int = 0
    staff_g: int = 0
    bought_in_g: int = 0

    @property
    def unsold_g(self) -> int:
        return self.thrown_g + self.donated_g + self.staff_g

    @property
    def lost_g(self) -> int:
        return sum(getattr(self, name) for name in LOST)

    @property
    def lost_pct(self) -> Decimal | None:
        """Of the cut, without what was bought in. None where a count found more than was lost."""
        own = self.lost_g - self.bought_in_g
        return percent(own, self.cut_g) if own >= 0 else None


@dataclass
class Lost:
    about: About
    rows: list[LostRow]
    total: LostRow
    of: Mapping[Stand, Mapping[str, int]] = field(compare=False, repr=False)


def lost(table: CropTable, by: str, only: Only) -> Lost:
    """Of the stands of a crops' table, grouped and narrowed as it is."""
    period = table.about.period
    about = About(
        period,
        base="grams cut in the period, graded out too; grams lost in it",
        unit="g; per cents are of the cut",
        notes=[
            "A crop's grams are those of its waste; to varieties, towers and tiers they go by the "
            "leaf in each bag and the sites that it was cut from, equally.",
            "Leaf may be lost after the period in which it was cut. What was bought in has no "
            "site, and is in no per cent.",
        ],
    )
    of = _at_stands(table.stands)
    rows: dict[tuple[object, ...], LostRow] = {}
    total, called = LostRow(), Names()
    for stand in {**table.stands.of, **of}:
        told = of.get(stand, {})
        amounts = table.stands.of.get(stand)
        cut = (amounts.cut_g if amounts else 0) + told.get("grade_out_g", 0)
        if not only.keeps(stand) or not (cut or any(told.values())):
            continue
        row = called.row(stand, by, LostRow)
        row = rows.setdefault((row.called, row.crop_id, row.variety_id), row)
        for to in (row, total):
            to.cut_g += cut
            to.bought_in_g += sum(told.values()) if stand.line == BOUGHT_IN else 0
            for name, grams in told.items():
                setattr(to, name, getattr(to, name) + grams)
    return Lost(about, sorted(rows.values(), key=in_order), total, of)


def _at_stands(found: Stands) -> dict[Stand, dict[str, int]]:
    period = found.about.period
    with sums.one_moment():
        by_line = lost_lots(period)
        books = waste(period).rows
        lots = {lot for of in by_line.values() for lot, grams in of.items() if grams}
        traced = Traced(period, found.sowings, (), lots)
    out: dict[Stand, dict[str, int]] = defaultdict(dict)
    for name, of in by_line.items():
        weights = traced.at_stands(traced.sources({lot: g * FINE for lot, g in of.items() if g}))
        for row in books:
            stood = sorted(
                (w for w in weights.items() if w[0].crop == row.crop_id), key=stands_in_order
            )
            stood = stood or [(Stand(row.crop_id, None, None, None, NO_SITE), FINE)]
            parts = _whole(getattr(row, name), [weight for _, weight in stood])
            for (stand, _), grams in zip(stood, parts, strict=True):
                out[stand][name] = out[stand].get(name, 0) + grams
    return out


def _whole(grams: int, fine: Sequence[int]) -> list[int]:
    """What was traced, in whole grams that add up to the books'. What a count found too much is
    below nought. The books share a mixed bag row by row, so a gram may be left for the largest."""
    parts = whole(fine, FINE)
    rests = shared_out(grams - sum(parts), [abs(part) for part in fine])
    return [part + rest for part, rest in zip(parts, rests, strict=True)]


__all__ = ["Lost", "LostRow", "lost"]
