"""What leaf cost by the gram, for whoever gives some away, eats it or has it in stock."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

from grow import clock
from grow.models import Crop
from sales.contents import leaf_of
from sales.models import PackingRun
from sales.run_weights import LEAF_COST

from .costs import GROWING, Told, costs
from .period import About, Period
from .rates import at_nine_places

CropId = int | None
#: A year, so that seed of the spring and leaf of the summer are of one sum.
_DAYS = 365
#: In words, what is in it.
IN_IT = "seed and plugs, feed, water, light and bought-in leaf of the year before, by your rates"


def pence_per_g(last: dt.date, told: Told | None = None) -> dict[CropId, Fraction]:
    """Exact pence of a gram by crop: what its leaf cost in the year up to a day, over what was kept
    of the cuts and bought in it; without labour. A crop with neither cost nor gram is not in it."""
    period = Period(last - dt.timedelta(days=_DAYS - 1), last)
    spent = costs(period, About(period, base="", unit=""), told)
    grams = spent.counted("kept_g", "bought_g")
    pence = spent.by_crop(GROWING)
    return {c: pence[c] / g for c, g in grams.items() if g > 0 and pence[c] > 0}


def of_mixed(inside: Mapping[Crop, Fraction], each: Mapping[CropId, Fraction]) -> Fraction | None:
    """Pence of a gram of several crops together, by their grams; None where one has no cost."""
    if not inside or any(crop.pk not in each for crop in inside):
        return None
    paid = sum((g * each[crop.pk] for crop, g in inside.items()), Fraction(0))
    return paid / sum(inside.values())


def leaf_cost(run: PackingRun) -> tuple[Decimal, str] | None:
    """(pence a gram of what is in a run, in words what is in that)."""
    each = of_mixed(leaf_of(run.lot), pence_per_g(clock.number_day(run.lot.made_by.day)))
    if each is None:
        return None
    says = f"At what the leaf cost, {at_nine_places(each * 1000):.0f} p a kg: {IN_IT}, "
    return at_nine_places(each), says + "without labour."


LEAF_COST.append(leaf_cost)
