"""Mean and spread of some weights, and whether the mean is near enough to the label."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext

from grow.errors import Refusal

#: What the law prints for its own samples; there the printed figure holds, not what it stands for.
PRINTED = {20: Decimal("0.640"), 30: Decimal("0.503"), 50: Decimal("0.379")}
_CONFIDENCE = 0.995


@dataclass(frozen=True)
class Spread:
    """n weights: their mean and standard deviation (divisor n − 1; none of a single one), in
    grams."""

    n: int
    mean_g: Decimal
    s_g: Decimal | None


def spread(weights: Sequence[Decimal]) -> Spread:
    """Mean and spread. Raises Refusal when there is no weight."""
    n = len(weights)
    if not n:
        raise Refusal("no_weights", "No weights yet; weigh a bag first.")
    nought = Decimal()
    # Wide enough that the sums are exact: n·Σx² and (Σx)² are nearly the same number.
    with localcontext(prec=60):
        total = sum(weights, nought)
        mean = total / n
        if n == 1:
            s = None
        else:
            squares = sum((w * w for w in weights), nought)
            s = ((n * squares - total * total) / (n * (n - 1))).sqrt()
    return Spread(n, +mean, None if s is None else +s)


def mean_factor(n: int) -> Decimal:
    """k of a sample of n: how many standard deviations its mean may be short of the label.

    t(0.995, n − 1) ÷ √n, or the figure that the law prints for 20, 30 and 50. ValueError for
    n < 2. Source: SI 2006/659, schedule 2, paragraph 4."""
    return PRINTED.get(n) or quantile_factor(n)


def quantile_factor(n: int) -> Decimal:
    """t(0.995, n − 1) ÷ √n. The quantile is the one float here, taken by its shortest text."""
    if n < 2:
        raise ValueError(f"{n} weights have no spread")
    from scipy.special import stdtrit  # some 0.3 s to load, which no page should wait for

    return Decimal(repr(float(stdtrit(n - 1, _CONFIDENCE)))) / Decimal(n).sqrt()


@dataclass(frozen=True)
class MeanTest:
    """The mean against the least it may be, label − k·s, in grams."""

    n: int
    mean_g: Decimal
    s_g: Decimal | None
    k: Decimal
    limit_g: Decimal
    passes: bool


def mean_test(
    weights: Sequence[Decimal], nominal_g: Decimal | int, k: Decimal | None = None
) -> MeanTest:
    """Passes when mean ≥ label − k·s. With no k told, that of the number of weights; 0 asks that
    the mean itself reach the label, as of all packs of a small run.

    Source: SI 2006/659, schedule 2, paragraph 4, whose text says "greater than" and whose table
    says "≥"; the table is followed."""
    found = spread(weights)
    k = mean_factor(found.n) if k is None else k
    limit = nominal_g - k * (found.s_g or Decimal())
    return MeanTest(found.n, found.mean_g, found.s_g, k, limit, found.mean_g >= limit)
