"""Keep what stands, or clear it for something else?

The best average over any remaining horizon, to the best day to stop, against the best average of
what could stand there instead. Looking only at the next few weeks would clear strawberries in
February; the rule "keep while the next week beats the average" holds only where returns fall.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import ArrayLike

EMPTY = "empty site"


@dataclass(frozen=True)
class Best:
    """The best stop: after so many days from now, and pence a site-day till then."""

    days: float
    pence: float


def best_average(days: ArrayLike, earned_p: ArrayLike, *, idle: float = 0) -> Best:
    """The stop with the highest average. days: (stops,), from now, above nought; earned_p: what a
    site has earned altogether by then, in pence, from now on (what is spent is spent); idle: days
    that the site stands empty first, counted in the average and in the answer. Of equals the
    earliest.

    ValueError for different lengths, no stops, or a stop not in the future.
    Source: the replacement rule of R. K. Perrin, Asset replacement principles, 1972, without
    interest, which over months changes no day; age of least unit cost, O. R. Burt, 1999."""
    t, total = np.asarray(days, float), np.asarray(earned_p, float)
    if t.shape != total.shape or t.ndim != 1 or not len(t):
        raise ValueError("Give each day to stop what was earned by then, one at least.")
    if not (t + idle > 0).all() or (t < 0).any():
        raise ValueError("A day to stop lies in the past; count days from now.")
    average = total / (t + idle)
    at = int(np.argmax(average))
    return Best(float(t[at] + idle), float(average[at]))


@dataclass(frozen=True)
class Replacement:
    """What could stand there next. days, earned_p: as in best_average, from its planting, with its
    establishment taken off. wait: days till its plugs are ready, 0 where they are; changeover: days
    to clear and plant. plugs: how many there are, or will be then; unsold: how many sites of it the
    demand still takes."""

    name: str
    days: Sequence[float]
    earned_p: Sequence[float]
    wait: float = 0
    changeover: float = 0
    plugs: float = inf
    unsold: float = inf

    @property
    def best(self) -> Best:
        return best_average(self.days, self.earned_p, idle=max(self.wait, self.changeover))

    @property
    def sites(self) -> float:
        return min(self.plugs, self.unsold)


@dataclass(frozen=True)
class Fill:
    """So many of the sites would get this: its best average and the days to its best stop."""

    name: str
    sites: float
    pence: float
    days: float


@dataclass(frozen=True)
class Verdict:
    """keep_p, replace_p: pence a site-day; keep_days: from now to the best day to stop, which is
    the horizon of keep_p; fills: what the sites would get instead, best first. clear_in: days till
    the batch should go: the best stop of what is kept; else now, or as late as the plugs of the
    best replacement let it stand, by when most is earned."""

    keep: bool
    keep_p: float
    keep_days: float
    replace_p: float
    fills: tuple[Fill, ...]
    clear_in: float

    @property
    def instead(self) -> str:
        """In words: what the sites would get."""
        return ", ".join(
            fill.name
            if len(self.fills) == 1
            else f"{fill.name} on {fill.sites:g} {'site' if fill.sites == 1 else 'sites'}"
            for fill in self.fills
        )


def planted(sites: float, offers: Iterable[Replacement]) -> Iterator[tuple[Replacement, float]]:
    """So many sites of each, best average first, as far as its plugs and its unsold demand reach.
    One that would earn less than an empty site is not planted."""
    for each in sorted(offers, key=lambda r: -r.best.pence):
        take = min(sites, each.sites)
        if take > 0 and each.best.pence > 0:
            yield each, take
            sites -= take


def keep_or_clear(
    days: ArrayLike,
    earned_p: ArrayLike,
    replacements: Iterable[Replacement],
    *,
    sites: float = 1,
) -> Verdict:
    """Whether a standing batch on so many sites is kept: days, earned_p (stops,) of one of its
    sites from now on, expected and not yet earned.

    Its sites go to the replacements as `planted` has it, and what is left stands empty, at nought.
    Even is kept: clearing is work.

    ValueError for no sites, or as best_average."""
    if not sites > 0:
        raise ValueError("The batch holds no site; there is nothing to keep or clear.")
    kept = best_average(days, earned_p)
    left = sites
    fills = []
    spare = inf
    for each, take in planted(sites, replacements):
        fills.append(Fill(each.name, take, each.best.pence, each.best.days))
        left -= take
        spare = min(spare, max(0, each.wait - each.changeover))
    if left > 0:
        fills.append(Fill(EMPTY, left, 0.0, 0.0))
    replace = sum(fill.sites * fill.pence for fill in fills) / sites
    keep = kept.pence >= replace
    clear_in = kept.days if keep else _until(days, earned_p, spare, replace)
    return Verdict(keep, kept.pence, kept.days, replace, tuple(fills), clear_in)


def _until(days: ArrayLike, earned_p: ArrayLike, spare: float, replace_p: float) -> float:
    """The stop by which most is earned, less what the replacement would have earned since it was
    ready; now where that is nothing."""
    t, total = np.asarray(days, float), np.asarray(earned_p, float)
    late = np.where(t > spare, t - min(spare, t.max()), 0.0)
    more = total - late * replace_p
    return float(t[np.argmax(more)]) if more.max() > 0 else 0.0
