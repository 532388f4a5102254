"""Direct costs of each crop by kind, and what was filled over the label: two parts of the crops'
page that are known by crop or product alone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from django.db.models import Count, Sum

from grow.looking import Column, Section, Table
from grow.models import alive
from grow.shares import shared_out
from sales.models import PackWeight
from sales.weights import giveaway_g

from .costs import LINES, PENCE
from .counted import MINUTES, W, runs
from .crops import UNKNOWN
from .margin import Margin
from .period import Period, percent
from .rates import half_up

CropId = int | None
_KINDS = {
    W.SEED: "Seed and plugs",
    W.MEDIUM: "Medium",
    W.POT: "Pots",
    W.LIGHT: "Light",
    W.NUTRIENT: "Nutrient",
    W.WATER: "Water",
    "packaging": "Packaging",
    "bought_in": "Bought-in leaf",
}
_MINUTES = {
    W.SOW_MINUTES: "Sowing",
    W.PLANT_MINUTES: "Planting",
    W.CLEAR_MINUTES: "Clearing",
    W.CUT_MINUTES: "Cutting",
    W.WASH_MINUTES: "Washing",
    W.PACK_MINUTES: "Packing",
}


def by_kind(found: Margin, only: CropId = None) -> list[dict[str, Any]]:
    """A row of each crop, the sums last: whole pence of each kind, which add up to the margin's
    lines; minutes too, by what they were spent on."""
    kinds: dict[str, list[str]] = {
        line: [what for what, _ in PENCE.get(line, ())] or [line] for line in LINES
    }
    kinds["labour"] = [what for what, _ in MINUTES]
    spent = found.spent
    out: list[dict[str, Any]] = []
    total: dict[str, Any] = defaultdict(int)
    for row in found.rows:
        told: dict[str, Any] = {}
        for line, whats in kinds.items():
            of = spent.labour_of if line == "labour" else spent.pence_of
            exact = [of[what].get(row.crop_id, Fraction(0)) for what in whats]
            parts = shared_out(getattr(row, f"{line}_p"), [half_up(e, 10**9) for e in exact])
            told |= dict(zip(whats, parts, strict=True))
        told["all_p"] = row.costs_p + row.labour_p
        if only in (None, row.crop_id) and told["all_p"]:
            out.append({"crop": row.crop, **told})
            for name, pence in told.items():
                total[name] += pence
    out.sort(key=lambda row: (row["crop"] == UNKNOWN, row["crop"]))
    return [*out, {"crop": "All", **total}] if out else []


def kinds_section(found: Margin, currency: str, only: CropId = None) -> list[Section]:
    rows = by_kind(found, only)
    if not rows:
        return []
    period = found.about.period
    columns = [
        *(Column(what, f"{head}, {currency}", "money") for what, head in _KINDS.items()),
        *(Column(what, f"{head}, {currency}", "money") for what, head in _MINUTES.items()),
        Column("all_p", f"All direct costs, {currency}", "money"),
    ]
    return [
        Section(
            f"Direct costs by kind, {period}",
            table=Table([Column("crop", "Crop"), *columns], rows, sums=1),
            says=[
                f"Base: what was done and used in the period, on its day. Unit: {currency}, net of "
                f"tax. Period: {period}.",
                "It adds up to the margin's page; above, raising and planting are spread over the "
                "days that plants stand. The last six are crop minutes at the one labour rate.",
                *found.spent.says,
            ],
            folded=True,
            name="costs",
        )
    ]


# --- filled over the label ----------------------------------------------------------------------


@dataclass
class Fill:
    """Of one product: its runs and packs of a period; of runs of which packs were weighed, how many
    packs they are, how many of those weighed, their mean over the label and what that comes to."""

    product: str
    runs: int = 0
    packs: int = 0
    packs_judged: int = 0
    weighed: int = 0
    nominal_g: int = 0
    over_g: int = 0

    @property
    def over_each_g(self) -> Decimal | None:
        return Decimal(self.over_g) / self.packs_judged if self.packs_judged else None

    @property
    def over_pct(self) -> Decimal | None:
        """Of the label's grams in the packs that are judged."""
        return percent(self.over_g, self.nominal_g)


def fills(period: Period) -> list[Fill]:
    """(mean net weight of the packs weighed − label) × packs, run by run, as the run's own page has
    it; runs of which none was weighed are not judged."""
    first, last = period.numbers
    made = runs(day__gte=first, day__lte=last)
    weighed: Mapping[int, tuple[Decimal, int]] = {
        run: (Decimal(grams), number)
        for run, grams, number in PackWeight.objects.filter(
            alive("event"), run__in=[run.lot for run in made]
        )
        .values_list("run_id")
        .annotate(Sum("net_g"), Count("pk"))
        .order_by()
    }
    out: dict[int, Fill] = {}
    for run in made:
        row = out.setdefault(run.row.product_id, Fill(str(run.row.product)))
        row.runs += 1
        row.packs += run.packs
        if run.lot in weighed:
            grams, number = weighed[run.lot]
            each = run.row.nominal_each_g
            row.packs_judged += run.packs
            row.weighed += number
            row.nominal_g += each * run.packs
            row.over_g += giveaway_g(grams / number, each, run.packs)
    return sorted(out.values(), key=lambda row: row.product)


_FILLS = (
    Column("product", "Product"),
    Column("runs", "Runs", "whole"),
    Column("packs", "Packs", "whole"),
    Column("packs_judged", "Packs of weighed runs", "whole"),
    Column("weighed", "Packs weighed", "whole"),
    Column("over_each_g", "Over the label, g a pack", "hundredth"),
    Column("over_pct", "Over the label, %", "tenth"),
    Column("over_g", "Over the label, kg", "kg"),
)


def fills_section(period: Period) -> list[Section]:
    found = fills(period)
    if not found:
        return []
    rows = [{column.name: getattr(row, column.name) for column in _FILLS} for row in found]
    judged = [row for row in found if row.over_each_g is not None]
    return [
        Section(
            f"Filled over the label, {period}",
            table=Table(_FILLS, rows, stacks=True),
            picture=_bars(judged) if judged else None,
            says=[
                "Base: runs packed in the period of which packs were weighed; their mean less the "
                f"label, times their packs. Unit: g a pack, %, kg. Period: {period}.",
                "Below nought the packs are lighter than their label on the mean. What a run gave "
                "away in the waste table is what was told with it.",
            ],
            folded=True,
            name="fill",
        )
    ]


def _bars(rows: list[Fill]) -> Mapping[str, Any]:
    shown = sorted(rows, key=lambda row: row.over_each_g or 0, reverse=True)
    return {
        "data": [
            {
                "type": "bar",
                "orientation": "h",
                "name": "Over the label",
                "y": [row.product for row in shown],
                "x": [round(float(row.over_each_g or 0), 2) for row in shown],
                "tone": 4,
                "hovertemplate": "%{y}: %{x} g a pack<extra></extra>",
            }
        ],
        "across": "g a pack over the label",
        "high": 90 + 34 * len(shown),
    }


__all__ = ["by_kind", "fills", "fills_section", "kinds_section"]
