"""A control chart of single weights as a drawing: places in per cent of its height and width, so
that it fits a phone and a desk without a script and its letters never shrink."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from .weights import Chart
from .weights.words import plainly

#: The points stand between these heights, in per cent from the top; below them are the numbers.
_TOP, _BOTTOM = Decimal(5), Decimal(87)
#: Words beside the lines are so far apart at least, in per cent of the height.
_APART = Decimal(7)
#: More points than this would lie on one another on a phone; the latest are drawn.
MOST = 120
_TICKS = 6


@dataclass(frozen=True)
class Point:
    """x, y in per cent. marks: "out" beyond the filling's limits, "short" under the law's line."""

    number: int
    text: str
    x: str
    y: str
    marks: str


@dataclass(frozen=True)
class Level:
    """A line across: what kind, where, and where its words stand so that none hides another."""

    kind: str
    text: str
    y: str
    text_y: str


@dataclass(frozen=True)
class Drawing:
    points: list[Point]
    steps: list[tuple[Point, Point]]
    levels: list[Level]
    ticks: list[tuple[str, str]]
    left_out: int


def drawing(chart: Chart, label_g: Decimal | int, t1_g: Decimal | None) -> Drawing:
    """The chart with its mean and limits, the label, and the law's first line where there is
    one."""
    wanted = [
        ("limit", "upper", chart.upper),
        ("mean", "mean", chart.centre),
        ("limit", "lower", chart.lower),
        ("label", "label", Decimal(label_g)),
    ]
    if t1_g is not None:
        wanted.append(("short", "T1", t1_g))
    left_out = max(0, len(chart.points) - MOST)
    shown = chart.points[left_out:]
    values = [*shown, *(g for *_, g in wanted)]
    low, high = min(values), max(values)
    room = (high - low) or Decimal(1)

    def y(grams: Decimal) -> Decimal:
        return _TOP + (high - grams) / room * (_BOTTOM - _TOP)

    points = []
    for n, grams in enumerate(shown, left_out + 1):
        marks = [
            mark
            for mark, so in (
                ("out", n in chart.outside),
                ("short", t1_g is not None and grams < t1_g),
            )
            if so
        ]
        x = (n - left_out - Decimal("0.5")) / len(shown) * 100
        points.append(Point(n, plainly(grams), _pct(x), _pct(y(grams)), " ".join(marks)))
    wanted.sort(key=lambda level: -level[2])
    places = _apart([y(g) for *_, g in wanted])
    levels = [
        Level(kind, f"{says} {_tenth(g)}", _pct(y(g)), _pct(place))
        for (kind, says, g), place in zip(wanted, places, strict=True)
    ]
    steps = list(itertools.pairwise(points))
    return Drawing(points, steps, levels, _ticks(points), left_out)


def _apart(heights: Sequence[Decimal]) -> list[Decimal]:
    """The same heights, from the top down, moved so that words at them do not touch."""
    out: list[Decimal] = []
    for height in heights:
        out.append(max(height, out[-1] + _APART) if out else height)
    lowest = _BOTTOM
    for n in range(len(out) - 1, -1, -1):
        out[n] = min(out[n], lowest)
        lowest = out[n] - _APART
    return out


def _ticks(points: Sequence[Point]) -> list[tuple[str, str]]:
    """(number, x) of the first, and of some after it."""
    step = max(1, -(-(len(points) - 1) // (_TICKS - 1)))
    return [(str(point.number), point.x) for point in points[::step]]


def _pct(place: Decimal) -> str:
    return f"{place.quantize(Decimal('0.01'))}%"


def _tenth(grams: Decimal) -> str:
    return str(grams.quantize(Decimal("0.1"), "ROUND_HALF_UP"))
