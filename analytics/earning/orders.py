"""Orders of the same crops on several bases: before and after crop minutes, by the site and by the
hour, at one transfer price and at another; and where an order turns over."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Generic, TypeVar

Crop = TypeVar("Crop", bound=Hashable)


def order(values: Mapping[Crop, float]) -> list[Crop]:
    """Best first; equals stand in the order told."""
    return sorted(values, key=lambda crop: -values[crop])


def per_limit(margins: Mapping[Crop, float], used: Mapping[Crop, float]) -> dict[Crop, float]:
    """Margin per unit of what is short: a site-day, a labour hour, a minute of a machine. A crop
    that uses none of it is left out: it is not what that limit decides.

    Source: contribution margin per unit of constraint, any textbook of management accounts."""
    return {crop: margin / used[crop] for crop, margin in margins.items() if used[crop] > 0}


@dataclass(frozen=True)
class Moved(Generic[Crop]):
    """A crop's place, counted from 1, on two bases; rises above nought for up."""

    crop: Crop
    before: int
    after: int

    @property
    def rises(self) -> int:
        return self.before - self.after


def moved(before: Mapping[Crop, float], after: Mapping[Crop, float]) -> list[Moved[Crop]]:
    """Every crop's two places, in the order of the second. Crops with the same value share the
    best of their places. ValueError when the two are not of the same crops."""
    _same(before, after)
    return [Moved(crop, _place(crop, before), _place(crop, after)) for crop in order(after)]


def _place(crop: Crop, values: Mapping[Crop, float]) -> int:
    return 1 + sum(value > values[crop] for value in values.values())


def _same(one: Iterable[Crop], other: Iterable[Crop]) -> None:
    differ = {*one} ^ {*other}
    if differ:
        names = ", ".join(sorted(map(str, differ)))
        raise ValueError(f"Both orders must be of the same crops; one lacks {names}.")


@dataclass(frozen=True)
class Flip(Generic[Crop]):
    """As the price goes up, one crop rises past the other; price: where they are even."""

    rises: Crop
    falls: Crop
    price: float


def flips(
    at_low: Mapping[Crop, float], at_high: Mapping[Crop, float], low: float, high: float
) -> list[Flip[Crop]]:
    """Pairs whose order turns over between two transfer prices, by the price at which it does.

    A margin is a straight line in a price, so two margins meet where their difference is nought.
    Pairs that are even at either end do not turn over. ValueError for different crops or when low
    is not below high."""
    _same(at_low, at_high)
    if not low < high:
        raise ValueError(f"Give the lower price first: {low} is not below {high}.")
    found = []
    for one, other in combinations(at_low, 2):
        start, end = at_low[one] - at_low[other], at_high[one] - at_high[other]
        if start * end < 0:
            price = low + (high - low) * start / (start - end)
            rises, falls = (one, other) if end > 0 else (other, one)
            found.append(Flip(rises, falls, price))
    return sorted(found, key=lambda flip: flip.price)
