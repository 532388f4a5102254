"""The crops' tables as pictures, as plotly takes them; the page's script gives them its colours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from .crop_ranking import RankRow
from .crop_table import CropSum
from .month import WeekRow
from .stands import Stands
from .waste import WENT, WasteRow

#: What each line of the waste table is called, where it is drawn.
ENDS = {
    "grade_out_g": "Graded out",
    "trim_g": "Trim",
    "giveaway_g": "Giveaway",
    "samples_g": "Samples",
    "moisture_g": "Moisture",
    "lost_at_rework_g": "Lost at rework",
    "short_g": "Short",
    "unexplained_g": "Unexplained",
    "rejected_thrown_g": "Rejected, thrown away",
    "sold_g": "Sold",
    "to_businesses_g": "To other businesses",
    "used_g": "Used in the kitchen",
    "thrown_g": "Unsold, thrown away",
    "donated_g": "Given away",
    "staff_g": "Staff",
    "stock_after_g": "In stock after",
}
_CAME = {
    "stock_before_g": "In stock before",
    "cut_g": "Cut",
    "bought_in_g": "Bought in",
    "opening_g": "Stood here at first",
    "water_and_scale_g": "Water and scale",
}


def ranking(rows: Sequence[CropSum], alone: bool = False) -> Mapping[str, Any]:
    """Pence a site and week before and after crop minutes, best first. alone: with a mixed bag's
    money by what each leaf fetches alone."""
    before, after = (f"{when}{'_alone' * alone}_per_site_week_p" for when in ("before", "after"))
    shown = [row for row in rows if getattr(row, after) is not None]
    shown.sort(key=lambda row: getattr(row, after), reverse=True)
    names = [row.called for row in shown]

    def bars(called: str, values: list[Any], tone: int) -> dict[str, Any]:
        return {
            "type": "bar",
            "orientation": "h",
            "name": called,
            "y": names,
            "x": [round(float(value), 1) for value in values],
            "tone": tone,
            "hovertemplate": "%{y}: %{x} p<extra>" + called + "</extra>",
        }

    return {
        "data": [
            bars("Before crop minutes", [getattr(row, before) for row in shown], 1),
            bars("After crop minutes", [getattr(row, after) for row in shown], 4),
        ],
        "across": "Pence a site and week",
        "high": 90 + 34 * len(shown),
    }


def intervals(rows: Sequence[RankRow]) -> Mapping[str, Any]:
    """What a site earned a week, with its interval; what has too few weeks stands without one."""
    names = [row.crop for row in rows]
    values = [float(row.value_p or 0) for row in rows]
    over = [float(row.high_p) - v if row.high_p is not None else 0.0
            for row, v in zip(rows, values, strict=True)]  # fmt: skip
    under = [v - float(row.low_p) if row.low_p is not None else 0.0
             for row, v in zip(rows, values, strict=True)]  # fmt: skip
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [round(value, 1) for value in values],
                "y": names,
                "marker": {"size": 11},
                "tone": 4,
                "error_x": {
                    "type": "data",
                    "symmetric": False,
                    "array": [round(n, 2) for n in over],
                    "arrayminus": [round(n, 2) for n in under],
                    "thickness": 2,
                    "width": 6,
                },
                "hovertemplate": "%{y}: %{x} p<extra></extra>",
            }
        ],
        "across": "Pence a site and week, with the interval",
        "high": 90 + 34 * len(rows),
    }


def waste_balance(total: WasteRow) -> Mapping[str, Any]:
    """Where the grams of a period came from and where they went: one Sankey, in kilograms. What
    stands on the other side (a count that found too much) is drawn there, so that it balances."""
    came: list[tuple[str, float]] = []
    went: list[tuple[str, float]] = []
    for name, label in (*_CAME.items(), *((n, ENDS[n]) for n in WENT)):
        grams = getattr(total, name)
        side = came if (name in _CAME) == (grams > 0) else went
        if grams:
            side.append((label, abs(grams) / 1000))
    names = [label for label, _ in came] + ["All leaf"] + [label for label, _ in went]
    middle = len(came)
    flows = [(n, middle, kg) for n, (_, kg) in enumerate(came)]
    flows += [(middle, middle + 1 + n, kg) for n, (_, kg) in enumerate(went)]
    return {
        "data": [
            {
                "type": "sankey",
                "valueformat": ",.3f",
                "valuesuffix": " kg",
                "node": {
                    "label": names,
                    "customdata": [2] * middle + [3] + [4] * len(went),
                    "pad": 14,
                    "thickness": 14,
                    "hovertemplate": "%{label}: %{value}<extra></extra>",
                },
                "link": {
                    "source": [a for a, _, _ in flows],
                    "target": [b for _, b, _ in flows],
                    "value": [kg for *_, kg in flows],
                    "hovertemplate": "%{source.label} → %{target.label}: %{value}<extra></extra>",
                },
            }
        ],
        "high": max(36 * max(len(came), len(went)), 240),
    }


def heat(found: Stands, towers: Mapping[int, str], only: Any) -> list[dict[str, Any]]:
    """Rows of tower by tier: grams cut a site-day, leaf of several sites shared equally."""
    grams: dict[tuple[int, int], int] = {}
    seconds: dict[tuple[int, int], int] = {}
    for stand, amounts in found.of.items():
        if stand.tower and stand.tier and only.keeps(stand):
            at = stand.tower, stand.tier
            grams[at] = grams.get(at, 0) + amounts.cut_g
            seconds[at] = seconds.get(at, 0) + amounts.site_s
    rows: dict[int, dict[str, Any]] = {}
    for (tower, tier), held in sorted(seconds.items()):
        if held:
            row = rows.setdefault(tower, {"tower": towers.get(tower, "")})
            row[f"tier_{tier}"] = Decimal(grams[tower, tier]) * 86400 / held
    return list(rows.values())


def heat_map(
    rows: Sequence[Mapping[str, Any]], of: str, column: str, across: str, unit: str
) -> Mapping[str, Any]:
    """Squares, the fuller the more; the table beneath has the numbers. of: what a row is called,
    column: what the names of its numbers begin with."""
    cells = [
        (row[of], int(name.removeprefix(column)), float(value))
        for row in rows
        for name, value in row.items()
        if name.startswith(column)
    ]
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [number for _, number, _ in cells],
                "y": [called for called, *_ in cells],
                "marker": {
                    "symbol": "square",
                    "size": 18,
                    "color": [round(value, 2) for *_, value in cells],
                },
                "hovertemplate": f"%{{y}}, %{{x}}: %{{marker.color}} {unit}<extra></extra>",
            }
        ],
        "across": across,
        "high": 110 + 24 * len(rows),
    }


def weeks(rows: Sequence[WeekRow]) -> Mapping[str, Any]:
    """Kilograms cut and sold, week below week, the newest lowest."""

    def bars(called: str, grams: Sequence[int], tone: int) -> dict[str, Any]:
        return {
            "type": "bar",
            "orientation": "h",
            "name": called,
            "y": [f"{row.week:%d %b}" for row in rows],
            "x": [round(g / 1000, 3) for g in grams],
            "tone": tone,
            "hovertemplate": "%{y}: %{x} kg<extra>" + called + "</extra>",
        }

    return {
        "data": [
            bars("Cut", [row.cut_g for row in rows], 1),
            bars("Sold or used", [row.sold_g for row in rows], 4),
        ],
        "across": "kg a week",
        "high": 90 + 34 * len(rows),
    }


__all__ = ["ENDS", "heat", "heat_map", "ranking", "waste_balance", "weeks"]
