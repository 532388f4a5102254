"""What is asked for of each crop, by what went."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict

from grow.models import Event, alive
from sales.models import Product

from .period import Period
from .yields import from_the_books

#: Days of sales that say what is asked for now; days ahead for which last year's say it.
SOLD_DAYS, AHEAD = 28, 84


def asked_for(today: dt.date) -> dict[int, float]:
    """Crop → grams a week that are asked for: those of the last weeks, or of the coming weeks a
    year ago where they were more."""
    ago = today - dt.timedelta(days=364)
    out: dict[int, float] = {}
    for first, days in ((today - dt.timedelta(days=SOLD_DAYS), SOLD_DAYS), (ago, AHEAD)):
        for crop, grams in _went(Period(first, first + dt.timedelta(days=days - 1))).items():
            out[crop] = max(grams, out.get(crop, 0.0))
    return out


def _went(period: Period) -> dict[int, float]:
    """Crop → grams a week that were sold or used, and a day's more for each day on which the shop
    was told to be sold out of it."""
    first, until = period.numbers
    out_on: dict[int, set[int]] = defaultdict(set)
    told = Event.objects.filter(alive(), kind="sold_out", day__gte=first, day__lte=until)
    for day, facts in told.values_list("day", "told"):
        out_on[json.loads(facts or "{}").get("product")].add(day)
    days: dict[int, set[int]] = defaultdict(set)
    products = Product.objects.filter(pk__in=out_on).prefetch_related("recipe")
    for product in products if out_on else ():
        crops = {line.crop_id for line in product.recipe.all()} | {product.loose_crop_id}
        for crop in filter(None, crops):
            days[crop] |= out_on[product.pk]
    return {
        crop: sold * 7 / period.days * (1 + len(days[crop]) / period.days)
        for crop, (_, sold) in from_the_books(period).items()
        if crop
    }


__all__ = ["AHEAD", "SOLD_DAYS", "asked_for"]
