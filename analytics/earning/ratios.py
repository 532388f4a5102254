"""Ratios of sums with their error: grams or pence over site-days, by sowing week.

The unit is the sowing week, not the batch or the plant: all that was sown in one hot week shared
it, so its batches are no separate evidence. A week that gave nothing is a nought, not a gap.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri, stdtrit

#: Fewer sowing weeks than this have no interval: "too few" (DESIGN's figure; common practice).
LEAST_WEEKS = 5
CONFIDENCE = 0.95
RESAMPLES = 2000
#: Any whole number does; a fixed one prints the same interval twice.
SEED = 20260101

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ratio:
    """A ratio of sums. se, low and high are in its own unit and None where weeks are too few."""

    value: float
    se: float | None
    low: float | None
    high: float | None
    weeks: int

    @property
    def too_few(self) -> bool:
        return self.low is None


def ratio(
    top: ArrayLike,
    below: ArrayLike,
    *,
    confidence: float = CONFIDENCE,
    least: int = LEAST_WEEKS,
) -> Ratio:
    """Σ top ÷ Σ below with its error by linearisation; top, below: (weeks,), one each a week.

    SE = √(Σ(top − R below)² ÷ (n − 1) ÷ n) ÷ mean below, and t on n − 1 degrees of freedom, n the
    number of weeks. ValueError for different lengths or where below adds up to nothing.

    Source: S. L. Lohr, Sampling: Design and Analysis, ratio estimation, without the finite
    population correction: next year's weeks are meant, not these again."""
    y, x = _same_length(top, below)
    value = float(y.sum() / x.sum())
    n = len(x)
    if n < max(least, 2):
        return Ratio(value, None, None, None, n)
    spread = np.sum((y - value * x) ** 2) / (n - 1)
    se = float(sqrt(spread / n) / x.mean())
    half = float(stdtrit(n - 1, (1 + confidence) / 2)) * se
    return Ratio(value, se, value - half, value + half, n)


def _same_length(top: ArrayLike, below: ArrayLike) -> tuple[Floats, Floats]:
    y, x = np.asarray(top, float), np.asarray(below, float)
    if y.shape != x.shape or y.ndim != 1:
        raise ValueError(f"{y.shape} amounts over {x.shape}; give one of each a week.")
    if not x.sum() > 0:
        raise ValueError("Nothing to divide by: the site-days add up to nothing.")
    return y, x


@dataclass(frozen=True)
class Weekly:
    """Sums by sowing week and crop: top, below (weeks, crops), nought where a crop was not sown."""

    weeks: tuple[Hashable, ...]
    crops: tuple[Hashable, ...]
    top: Floats
    below: Floats

    @property
    def weeks_of(self) -> NDArray[np.int64]:
        """(crops,): in how many weeks each was sown of which something stood, a week of nought
        grams included. What only failed, or was sold after it was cleared, counts in the sums but
        is no week more of evidence."""
        return np.count_nonzero(self.below > 0, axis=0)


def weekly(
    crop: Sequence[Hashable],
    week: Sequence[Hashable],
    top: ArrayLike,
    below: ArrayLike,
) -> Weekly:
    """Rows, one a batch (or a batch and tier), added up. All (rows,), such as columns of a frame.

    Crops and weeks stand in the order in which they first come. ValueError for different lengths
    or an amount that is not a number."""
    y, x = np.asarray(top, float), np.asarray(below, float)
    if not len(crop) == len(week) == len(y) == len(x):
        raise ValueError(
            f"{len(crop)} crops, {len(week)} weeks, {len(y)} amounts and {len(x)} site-days; "
            "give one of each a row."
        )
    if not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise ValueError("An amount is not a number; leave out the row or give it nought.")
    crops, c = coded(crop)
    weeks, w = coded(week)
    tops, belows = np.zeros((2, len(weeks), len(crops)))
    np.add.at(tops, (w, c), y)
    np.add.at(belows, (w, c), x)
    return Weekly(weeks, crops, tops, belows)


def coded(labels: Sequence[Hashable]) -> tuple[tuple[Hashable, ...], NDArray[np.intp]]:
    """Labels in the order in which they first come, and for each row the place of its own."""
    places: dict[Hashable, int] = {}
    rows = [places.setdefault(label, len(places)) for label in labels]
    return tuple(places), np.asarray(rows, dtype=np.intp)


def draws(weeks: int, resamples: int = RESAMPLES, seed: int = SEED) -> Floats:
    """(resamples, weeks): how often each week was drawn; each row adds up to the weeks.

    Whole weeks are drawn with replacement, all crops of a week together, so that what two crops
    shared of a season stays shared."""
    rng = np.random.default_rng(seed)
    return rng.multinomial(weeks, np.full(weeks, 1 / weeks), size=resamples).astype(float)


def resampled(of: Weekly, resamples: int = RESAMPLES, seed: int = SEED) -> Floats:
    """(resamples, crops): the ratio of sums in each resample; NaN where a crop was not drawn."""
    counts = draws(len(of.weeks), resamples, seed)
    below = counts @ of.below
    return np.divide(counts @ of.top, below, out=np.full_like(below, np.nan), where=below > 0)


def wider(z: ArrayLike, weeks: ArrayLike) -> Floats:
    """How many standard deviations of the resamples an interval must reach where a normal one
    would reach z: √(n ÷ (n − 1)) × t on n − 1. Resamples of few weeks spread too little, and few
    weeks say little of the spread.

    Source: T. Hesterberg, What teachers should know about the bootstrap, 2015 (from memory)."""
    n = np.asarray(weeks, float)
    return np.sqrt(n / (n - 1)) * stdtrit(n - 1, ndtr(np.asarray(z, float)))


def wider_together(reach: float, weeks: ArrayLike, groups: int, confidence: float) -> Floats:
    """As `wider`, of a reach that holds for all pairs of so many groups at once: by what the
    studentized range is wider at n − 1 degrees of freedom than at infinitely many. A tail of t by
    pairs would tell apart next to nothing: it forgets that pairs share their groups.

    The quantiles are simulated, 1 % about; tests compare them with a library's. Source: the idea of
    Games and Howell, Journal of Educational Statistics 1, 1976 (from memory)."""
    n = np.asarray(weeks, int)
    more = [_ranges_wider(int(k) - 1, groups, confidence) for k in n]
    return reach * np.sqrt(n / (n - 1)) * np.array(more)


@lru_cache(maxsize=1000)
def _ranges_wider(freedom: int, groups: int, confidence: float) -> float:
    rng = np.random.default_rng(SEED)
    ranges = np.ptp(rng.standard_normal((20_000, groups)), axis=1)
    spread = np.sqrt(rng.chisquare(freedom, len(ranges)) / freedom)
    return float(np.quantile(ranges / spread, confidence) / np.quantile(ranges, confidence))


def interval(
    value: float, drawn: ArrayLike, weeks: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """value ± so many standard deviations of its resamples, drawn (resamples,), NaN left out.

    By standard deviations and not by percentiles, which few weeks hardly have. On simulated
    seasons a 95 % interval holds the truth in 95 of 100 with fourteen weeks, in 92 or 93 with six.
    ValueError for fewer than two weeks."""
    if weeks < 2:
        raise ValueError(f"{weeks} weeks have no spread.")
    spread = np.nanstd(np.asarray(drawn, float), ddof=1)
    half = float(wider(ndtri((1 + confidence) / 2), weeks) * spread)
    return value - half, value + half


def wilson(successes: int, n: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Wilson's interval of a share, such as cells that came up in one tray; within 0 and 1.

    Cells of one tray share its heat and water: for several trays take `ratio`, a tray each.
    ValueError for n < 1 or successes outside 0 to n. Source: NIST handbook, section 7.2.4.1."""
    if n < 1 or not 0 <= successes <= n:
        raise ValueError(f"{successes} of {n} is no share.")
    z = float(ndtri((1 + confidence) / 2))
    p = successes / n
    middle = p + z * z / (2 * n)
    half = z * sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    low = 0.0 if successes == 0 else (middle - half) / (1 + z * z / n)
    high = 1.0 if successes == n else (middle + half) / (1 + z * z / n)
    return low, high


@dataclass(frozen=True)
class Stand:
    """What came of plants of which some were missing, in the unit of the total.

    full_stand: what would have come had each planted one yielded as a surviving one did;
    missing_cost: what of it did not. Neighbours of a gap grow larger, so both are upper bounds."""

    per_planted: float
    per_surviving: float
    full_stand: float
    missing_cost: float


def stand(total: float, planted: int, missing: int) -> Stand:
    """Both denominators, named. ValueError where no plant was left.

    Source of the case: Hartman and Stair 1942, 3072 tomato plants less 49."""
    if not 0 <= missing < planted:
        raise ValueError(f"{missing} of {planted} plants missing leaves none to divide by.")
    each = total / (planted - missing)
    return Stand(total / planted, each, each * planted, each * missing)
