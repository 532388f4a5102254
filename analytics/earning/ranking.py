"""Which crop earns most of a site, and whether the books can tell: intervals, shares of first
places, and one sentence of what may be concluded.

Weeks are drawn again and again, whole; each draw ranks the crops. Two crops are told apart only
where their difference stands clear of chance though every pair was looked at.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import tiers
from .ratios import (
    CONFIDENCE,
    LEAST_WEEKS,
    RESAMPLES,
    SEED,
    Floats,
    Weekly,
    draws,
    interval,
    resampled,
    weekly,
    wider_together,
)
from .shrinkage import pooled_variances, shrink
from .words import listed


@dataclass(frozen=True)
class Place:
    """One crop. value: pence a site-day, a ratio of sums (adjusted for tiers where they were told).
    low, high, first_share: None where its weeks are too few, or its tiers cannot be compared.
    shrunk: value drawn toward the mean of crops, shrunk_share how far (0 to 1). with_first: not
    told apart from the crop that stands first."""

    crop: Hashable
    value: float
    low: float | None
    high: float | None
    weeks: int
    site_days: float
    first_share: float | None
    shrunk: float
    shrunk_share: float
    with_first: bool

    @property
    def too_few(self) -> bool:
        return self.low is None


@dataclass(frozen=True)
class Pair:
    """value of one less value of other, with an interval that holds for all pairs at once.
    share: of the resamples in which one earns more than other."""

    one: Hashable
    other: Hashable
    difference: float
    low: float
    high: float
    share: float
    weeks: int

    @property
    def told_apart(self) -> bool:
        return self.low > 0 or self.high < 0

    @property
    def better(self) -> Hashable:
        return self.one if self.difference >= 0 else self.other

    @property
    def worse(self) -> Hashable:
        return self.other if self.difference >= 0 else self.one


@dataclass(frozen=True)
class Ranking:
    """places: those with enough weeks first, best first; then those with too few, by shrunk value.
    pairs: of those with enough weeks, in the order of places. incomparable: crops that shared no
    tier with the rest; their values are not adjusted, and they have no place."""

    places: tuple[Place, ...]
    pairs: tuple[Pair, ...]
    weeks: int
    resamples: int
    confidence: float
    adjusted: bool
    incomparable: tuple[Hashable, ...]

    @property
    def sentence(self) -> str:
        """What can and what cannot be concluded of them all."""
        return conclusion(self)

    def between(self, one: Hashable, other: Hashable) -> str:
        """In one sentence, what can be concluded of two crops."""
        for pair in self.pairs:
            if {pair.one, pair.other} == {one, other}:
                return _of_two(pair, self)
        return f"Too few sowing weeks to compare {one} with {other}."


def rank(
    crop: Sequence[Hashable],
    week: Sequence[Hashable],
    earned_p: ArrayLike,
    site_days: ArrayLike,
    tier: Sequence[Hashable] | None = None,
    *,
    resamples: int = RESAMPLES,
    seed: int = SEED,
    confidence: float = CONFIDENCE,
) -> Ranking:
    """Crops by pence a site-day. All (rows,), one row a batch, or a batch and tier where tier is
    told: crop's name, sowing week, pence earned, site-days held. Pass the rows of one season: over
    a year a crop is first because it stood in June.

    ValueError for different lengths or no site-days at all."""
    of = weekly(crop, week, earned_p, site_days)
    totals = of.below.sum(axis=0)
    if not totals.sum() > 0:
        raise ValueError("No site-days: there is nothing to rank.")
    plain = np.divide(
        of.top.sum(axis=0), totals, out=np.full(len(totals), np.nan), where=totals > 0
    )
    values = plain
    if tier is None:
        drawn = resampled(of, resamples, seed)
    else:
        laid = tiers.layout(crop, week, tier, earned_p, site_days)
        values = tiers.adjusted(laid, np.ones(len(of.weeks)))[0]
        drawn = tiers.adjusted(laid, draws(len(of.weeks), resamples, seed))
    weeks = of.weeks_of
    stood = np.isfinite(values)
    incomparable = tuple(c for c, i, d in zip(of.crops, stood, totals, strict=True) if d and not i)
    enough = np.flatnonzero(stood & (weeks >= LEAST_WEEKS))
    enough = enough[np.argsort(-values[enough], kind="stable")]
    pairs, firsts = _contest(of.crops, values, drawn, weeks, enough, confidence)
    shrunk, share = _shrunk(of, values)
    apart = {pair.other for pair in pairs if pair.told_apart and pair.one == of.crops[enough[0]]}
    few = [i for i in np.argsort(-shrunk, kind="stable") if stood[i] and i not in firsts]
    places = []
    for i in map(int, (*enough, *few)):
        n, low, high = int(weeks[i]), None, None
        if i in firsts:
            low, high = interval(float(values[i]), drawn[:, i], n, confidence)
        places.append(
            Place(
                of.crops[i],
                float(values[i]),
                low,
                high,
                n,
                float(totals[i]),
                firsts.get(i),
                float(shrunk[i]),
                float(share[i]),
                i in firsts and of.crops[i] not in apart,
            )
        )
    return Ranking(
        tuple(places),
        pairs,
        int(np.count_nonzero((of.below > 0).any(axis=1))),
        resamples,
        confidence,
        tier is not None,
        incomparable,
    )


def _contest(
    crops: Sequence[Hashable],
    values: Floats,
    drawn: Floats,
    weeks: NDArray[np.int64],
    enough: NDArray[np.intp],
    confidence: float,
) -> tuple[tuple[Pair, ...], dict[int, float]]:
    """(every pair, crop → its share of first places) of the crops with weeks enough, best first.

    The intervals are one family: the greatest of all pairs' distances from what was seen, each in
    its own standard deviations, sets the reach of all (a resampled form of Tukey's test)."""
    if not len(enough):
        return (), {}
    of = drawn[:, enough]
    of = of[np.isfinite(of).any(axis=1)]
    best = of == np.nanmax(of, axis=1)[:, None]
    shares = (best / best.sum(axis=1)[:, None]).mean(axis=0)
    firsts = {int(i): float(share) for i, share in zip(enough, shares, strict=True)}
    if len(enough) < 2:
        return (), firsts
    one, other = np.triu_indices(len(enough), 1)
    seen = values[enough[one]] - values[enough[other]]
    apart = of[:, one] - of[:, other]
    spread = np.nanstd(apart, axis=0, ddof=1)
    steps = np.divide(
        np.abs(apart - seen),
        spread,
        out=np.zeros_like(apart),
        where=np.isfinite(apart) & (spread > 0),
    )
    reach = np.quantile(steps.max(axis=1), confidence)
    least = np.minimum(weeks[enough[one]], weeks[enough[other]])
    half = wider_together(float(reach), least, len(enough), confidence) * spread
    there = np.isfinite(apart).sum(axis=0)
    ahead = ((apart > 0).sum(axis=0) + (apart == 0).sum(axis=0) / 2) / np.maximum(there, 1)
    return tuple(
        Pair(
            crops[enough[one[i]]],
            crops[enough[other[i]]],
            float(seen[i]),
            float(seen[i] - half[i]),
            float(seen[i] + half[i]),
            float(ahead[i]),
            int(least[i]),
        )
        for i in range(len(one))
    ), firsts


def _shrunk(of: Weekly, values: Floats) -> tuple[Floats, Floats]:
    """(values drawn toward the mean of crops, how far); as they are where no spread is known. The
    spread is that of the unadjusted weeks, so what tiers add to it draws a little further."""
    shrunk, share = values.copy(), np.zeros_like(values)
    variances = pooled_variances(of)
    there = np.isfinite(values)
    if variances is not None:
        found = shrink(values[there], variances[there])
        shrunk[there], share[there] = found.values, found.share
    return shrunk, share


# --- in words -------------------------------------------------------------------------------

#: So many lesser crops are named one by one, even where they are the last of the order.
_NAMED = 3


def conclusion(of: Ranking) -> str:
    """What can and what cannot be concluded, in a sentence or two."""
    enough = [place for place in of.places if not place.too_few]
    says = _of_all(enough, of)
    few = [str(place.crop) for place in of.places if place.too_few]
    if enough and few:
        says += f" Too few sowing weeks to judge {listed(few)}."
    if of.incomparable:
        names = listed([str(crop) for crop in of.incomparable])
        says += f" {names} shared no tier with the other crops and cannot be compared with them."
    return says


def _of_all(enough: Sequence[Place], of: Ranking) -> str:
    if len(enough) < 2:
        there = f"only {enough[0].crop} has" if enough else "no crop has"
        return f"Too few to rank: {there} {LEAST_WEEKS} sowing weeks or more."
    if len(enough) == 2:
        return _of_two(of.pairs[0], of)
    first = enough[0]
    share = first.first_share or 0.0
    evidence = f"{share_words(share, of.resamples)} of {of.weeks} sowing weeks"
    tied = [str(place.crop) for place in enough[1:] if place.with_first]
    if tied:
        says = f"{first.crop} ranks first in {evidence}; not told apart from it: {listed(tied)}."
        rest = _who_earns_more(of.pairs, enough)
        return f"{says} {rest or f'No two of the {len(enough)} are told apart'}."
    says = (
        f"{first.crop} earns more of a site than each of the {len(enough) - 1} others: "
        f"it ranks first in {evidence}."
    )
    rest = _who_earns_more([pair for pair in of.pairs if pair.one != first.crop], enough)
    return f"{says} {rest or 'No two of the others are told apart'}."


def _who_earns_more(pairs: Sequence[Pair], enough: Sequence[Place]) -> str:
    """ "A and B earn more than D; C earns more than each of the 4 from E down": the pairs told
    apart, crops with the same lesser ones together. Empty of none."""
    order = [str(place.crop) for place in enough]
    lesser: dict[str, list[str]] = defaultdict(list)
    for pair in pairs:
        if pair.told_apart:
            lesser[str(pair.better)].append(str(pair.worse))
    alike: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for crop, others in lesser.items():
        alike[tuple(others)].append(crop)
    return "; ".join(
        f"{listed(crops)} earn{'s' if len(crops) == 1 else ''} more than "
        + (
            f"each of the {len(others)} from {others[0]} down"
            if len(others) > _NAMED and [*others] == order[-len(others) :]
            else listed(others)
        )
        for others, crops in alike.items()
    )


def _of_two(pair: Pair, of: Ranking) -> str:
    one, other, share = pair.one, pair.other, pair.share
    if share < 0.5:
        one, other, share = other, one, 1 - share
    evidence = f"{share_words(share, of.resamples)} of {pair.weeks} sowing weeks"
    if pair.told_apart:
        return f"{one} earns more of a site than {other} in {evidence}."
    return f"{one} and {other} cannot be told apart: {one} is ahead in {evidence}."


def share_words(share: float, resamples: int) -> str:
    """ "97 % of resamples"; never 100 % unless it was all of them, nor 0 % unless none."""
    hits = round(share * resamples)
    if hits == resamples:
        return f"all {resamples} resamples"
    if not hits:
        return f"none of {resamples} resamples"
    per_cent = min(max(100 * share, 0.1), 99.9)
    return (
        f"{per_cent:.1f} % of resamples"
        if per_cent > 99 or per_cent < 1
        else (f"{per_cent:.0f} % of resamples")
    )
