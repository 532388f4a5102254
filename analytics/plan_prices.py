"""What a gram of each product brings in the space plan: its money at the door, less packaging and
the minutes of packing and washing, charged as the books charge a run: each crop's part at its own
rate."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from fractions import Fraction

from sales.models import DecisionCard, Product

from .counted import Run, W, by_crop, runs
from .fetches import Charges
from .period import Period
from .plan_facts import Went

Parts = Mapping[int | None, Fraction]


class Brings:
    """A product packed in the year is charged for what went into it then; another for its recipe,
    each crop midway between its least and its greatest share, and washed where it is sold ready to
    eat. At the rates of the charges' day, and for bags at the price of the last run."""

    def __init__(self, year: Period, went: Went, charges: Charges) -> None:
        self._went, self._charges = went, charges
        self._runs: dict[int, list[Run]] = defaultdict(list)
        first, last = year.numbers
        for run in sorted(runs(day__gte=first, day__lte=last), key=lambda run: run.day):
            self._runs[run.row.product_id].append(run)
        cards = DecisionCard.objects.filter(since__lte=year.last).order_by("since")
        self._state = dict(cards.values_list("product", "state"))

    def a_gram(self, product: Product) -> float | None:
        """Pence; None of what was not sold in the year."""
        line = self._went.lines.get(product.line)
        if line is None or line.sold_g <= 0:
            return None
        packs, washed_g, grams = self._counted(product)
        spent = self._minutes(W.PACK_MINUTES, packs) + self._minutes(W.WASH_MINUTES, washed_g)
        pence = line.door_p / line.sold_g - spent / grams
        if product.nominal_g:
            pence -= self._packaging(product) / product.nominal_g
        return float(pence)

    def _counted(self, product: Product) -> tuple[Parts, Parts, Fraction]:
        """Packs and grams washed by crop, and all the grams that they make."""
        packs, washed = by_crop(self._runs[product.pk])
        each = Fraction(product.nominal_g or 1)
        if made := sum(packs.values(), Fraction(0)):
            return _by_crop(packs), _by_crop(washed), made * each
        parts = shares(product)
        ready = self._state.get(product.pk) == DecisionCard.State.READY
        wet = {crop: part * each * ready for crop, part in parts.items()}
        return parts if product.nominal_g else {}, wet, each

    def _minutes(self, what: W, parts: Parts) -> Fraction:
        """Their pence."""
        of = ((crop, part) for crop, part in parts.items() if part)
        return sum((part * self._charges.pence(what, crop) for crop, part in of), Fraction(0))

    def _packaging(self, product: Product) -> Fraction:
        """Pence a pack."""
        told, each = self._charges.told, None
        if made := self._runs[product.pk]:
            each = told.receipts.packaging(made[-1].lot, product.pk, made[-1].day)
        if each is None:
            each = told.pack(product, self._charges.day)
        return each or Fraction(0)


def _by_crop(counted: Mapping[tuple[int, int | None], Fraction | int]) -> Parts:
    out: dict[int | None, Fraction] = defaultdict(Fraction)
    for (_, crop), number in counted.items():
        out[crop] += number
    return out


def shares(product: Product) -> Parts:
    """Crop → its part of what a product is made of, by its recipe; they add up to one."""
    if product.loose_crop_id:
        return {product.loose_crop_id: Fraction(1)}
    middle = {
        row.crop_id: Fraction(row.least_pct + row.greatest_pct) for row in product.recipe.all()
    }
    whole = sum(middle.values())
    return {crop: part / whole for crop, part in middle.items()} if whole else {}


__all__ = ["Brings"]
