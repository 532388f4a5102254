"""Small samples drawn toward the mean of crops: one splendid batch does not make a best crop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .ratios import Floats, Weekly

_ROUNDS = 500


@dataclass(frozen=True)
class Shrunk:
    """values: drawn toward mean; share: how far, 0 (not) to 1 (all the way); (crops,) each.
    between: variance of the crops' true values, in the square of their unit."""

    values: Floats
    share: Floats
    mean: float
    between: float


def shrink(values: ArrayLike, variances: ArrayLike) -> Shrunk:
    """Empirical Bayes: each of k values Yᵢ with sampling variance Vᵢ becomes (1 − Bᵢ)Yᵢ + Bᵢ mean,

    Bᵢ = (k − 3) ÷ (k − 1) × Vᵢ ÷ (Vᵢ + A), where A, the variance between crops, and the mean
    (weights Wᵢ = 1 ÷ (Vᵢ + A)) solve A = ΣWᵢ(k ÷ (k − 1) × (Yᵢ − mean)² − Vᵢ) ÷ ΣWᵢ, not below 0.
    Three crops or fewer are left as they are. values, variances: (crops,).

    ValueError for different lengths or a variance that is not above nought.
    Source: C. N. Morris, Parametric empirical Bayes inference, J. Am. Stat. Assoc. 78:47, 1983
    (from memory); with equal variances A is the ANOVA's variance between groups and the rule is
    that of Efron and Morris, 1975."""
    y, v = np.asarray(values, float), np.asarray(variances, float)
    if y.shape != v.shape or y.ndim != 1 or not (v > 0).all():
        raise ValueError("Give each value a variance above nought.")
    k = len(y)
    if k < 2:
        return Shrunk(y, np.zeros(k), float(y.sum()), 0.0)
    between = float(np.var(y, ddof=1))
    mean = float(y.mean())
    for _ in range(_ROUNDS):
        w = 1 / (v + between)
        mean = float(w @ y / w.sum())
        last = between
        between = max(0.0, float(w @ (k / (k - 1) * (y - mean) ** 2 - v) / w.sum()))
        if abs(between - last) <= 1e-12 * (between + float(v.mean())):
            break
    share = max(k - 3, 0) / (k - 1) * v / (v + between)
    return Shrunk((1 - share) * y + share * mean, share, mean, between)


def pooled_variances(of: Weekly) -> Floats | None:
    """(crops,): sampling variance of each crop's ratio, the spread between weeks pooled over crops.

    A crop of one week has none of its own. σ² = Σ below (rate − R)² ÷ Σ(weeks − 1) over crops and
    weeks, rate = top ÷ below; the variance is σ² ÷ Σbelow. Weeks weigh by their site-days: at the
    edge of a season a week may hold a fraction of one, and its rate says nothing. None where no
    crop has two weeks, or all of them agree. The common spread is an assumption: rough, but there
    is nothing better for two batches."""
    sown = of.below > 0
    totals = of.below.sum(axis=0)
    alive = totals > 0
    whole = np.divide(of.top.sum(axis=0), totals, out=np.zeros_like(totals), where=alive)
    rates = np.divide(of.top, of.below, out=np.zeros_like(of.below), where=sown)
    freedom = int((sown.sum(axis=0) - 1)[alive].sum())
    if freedom < 1:
        return None
    spread = float(np.sum(of.below * (rates - whole) ** 2) / freedom)
    if spread <= 0 or not alive.all():
        return None
    return np.asarray(spread / totals, float)
