"""Control charts as numbers: is the filling steady, whatever the label asks?"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from grow.errors import Refusal

#: Mean range of two over standard deviation, d2 of n = 2.
_D2 = Decimal("1.128")
#: n → (A2, D3, D4): limits of the mean, of the range below and above, in mean ranges. The usual
#: published table, which follows from the range of n normal numbers; printed to three places.
CONSTANTS = {
    n: (Decimal(a2), Decimal(d3), Decimal(d4))
    for n, a2, d3, d4 in (
        (2, "1.880", "0", "3.267"),
        (3, "1.023", "0", "2.575"),
        (4, "0.729", "0", "2.282"),
        (5, "0.577", "0", "2.114"),
        (6, "0.483", "0", "2.004"),
        (7, "0.419", "0.076", "1.924"),
        (8, "0.373", "0.136", "1.864"),
        (9, "0.337", "0.184", "1.816"),
        (10, "0.308", "0.223", "1.777"),
    )
}
#: So many points in a row on one side of the centre: common practice, no source.
RUN = 8


@dataclass(frozen=True)
class Chart:
    """Points and ranges with their centres and limits, in grams; numbers of points count from 1.

    outside: points beyond their limits. range_outside: points whose range is beyond its own; a
    moving range has the number of the later of its two points. one_side: (first, last) of each
    stretch of eight points or more on one side of the centre (common practice, no source); a
    point on the centre ends it."""

    points: tuple[Decimal, ...]
    centre: Decimal
    lower: Decimal
    upper: Decimal
    ranges: tuple[Decimal, ...]
    mean_range: Decimal
    range_lower: Decimal
    range_upper: Decimal
    outside: tuple[int, ...]
    range_outside: tuple[int, ...]
    one_side: tuple[tuple[int, int], ...]


def individuals(weights: Sequence[Decimal]) -> Chart:
    """Single weights in the order in which they were packed: mean ± 3 × mean moving range ÷ 1.128,
    moving ranges up to 3.267 × their mean. Raises Refusal for fewer than two."""
    if len(weights) < 2:
        raise Refusal(
            "too_few",
            f"A control chart needs two weights at least; there are {len(weights)}. Weigh more.",
        )
    ranges = [abs(b - a) for a, b in itertools.pairwise(weights)]
    return _chart(weights, ranges, 3 / _D2, n=2, first_range=2)


def means(samples: Sequence[Sequence[Decimal]]) -> Chart:
    """Means of samples of one size, 2 to 10, as weighed every so often: mean ± A2 × mean range.

    Raises Refusal for samples of another size or of different ones."""
    sizes = sorted({len(sample) for sample in samples})
    if len(sizes) != 1 or sizes[0] not in CONSTANTS:
        there = " and ".join(map(str, sizes)) or "none"
        raise Refusal(
            "sample_size",
            f"A chart of means takes samples of one size, 2 to 10 weights each; here: {there}.",
        )
    n = sizes[0]
    points = [sum(sample, Decimal()) / n for sample in samples]
    ranges = [max(sample) - min(sample) for sample in samples]
    return _chart(points, ranges, CONSTANTS[n][0], n=n, first_range=1)


def _chart(
    points: Sequence[Decimal],
    ranges: Sequence[Decimal],
    width: Decimal,
    *,
    n: int,
    first_range: int,
) -> Chart:
    """width: the limits' distance from the centre, in mean ranges; n: weights in a range."""
    centre = sum(points, Decimal()) / len(points)
    mean_range = sum(ranges, Decimal()) / len(ranges)
    lower, upper = centre - width * mean_range, centre + width * mean_range
    _, d3, d4 = CONSTANTS[n]
    low, high = d3 * mean_range, d4 * mean_range
    return Chart(
        tuple(points),
        centre,
        lower,
        upper,
        tuple(ranges),
        mean_range,
        low,
        high,
        outside=_beyond(points, lower, upper, 1),
        range_outside=_beyond(ranges, low, high, first_range),
        one_side=tuple(_one_side(points, centre)),
    )


def _beyond(
    values: Sequence[Decimal], lower: Decimal, upper: Decimal, first: int
) -> tuple[int, ...]:
    return tuple(i for i, x in enumerate(values, first) if not lower <= x <= upper)


def _one_side(points: Sequence[Decimal], centre: Decimal) -> Iterable[tuple[int, int]]:
    first = 1
    for side, stretch in itertools.groupby(points, lambda x: (x > centre) - (x < centre)):
        long = len(list(stretch))
        if side and long >= RUN:
            yield first, first + long - 1
        first += long
