"""What the invented place reckons its costs and minutes by."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping

from analytics.models import StandardUse
from analytics.rates import set_rate
from grow.models import Crop, Item
from sales.models import Product

from .scenario import FIXTURES, Scenario

SOURCE = "The demo's own figure, from memory"
#: What belongs to no crop, and what a tower costs: amount, and what it is made of.
OF_THE_PLACE = {
    "electricity": ("26", "The demo's own tariff, from memory"),
    "tower_price": ("57500", "Bought at £450 to £700, from memory"),
    "tower_life": ("8", "From memory"),
    "tower_running": ("512", "591 kWh of pumps a year over 30 towers, at 26 p"),
    "tower_minutes": ("3.5", "A round of 15 minutes a day over 30 towers"),
    "round_minutes": ("62", "Round, tanks, pack area, records, notes; from memory"),
    "rent": ("2500", "Invented"),
    "heat": ("600", "1,200 kWh of frost protection a year at 26 p, spread evenly"),
    "power": ("61.1", "Pumps, fans, tent, cold store, pack-house: 3,178 kWh a year"),
    "tent_power": ("4.5", "234 kWh a year"),
}

#: What one cell, or one pack of these products, takes of a box, sleeve or roll.
USES = (
    ("medium", "0.002", "A plug of a box of 500", ()),
    ("bags", "0.002", "A bag of a sleeve of 500", ("SALAD-120", "MILD-120")),
    ("punnets", "0.005", "A punnet of a box of 200", ("STRAW-125", "TOMATO-200")),
    ("labels", "0.002", "A label of a roll of 500",
     ("SALAD-120", "MILD-120", "STRAW-125", "TOMATO-200", "KALE-150", "CHARD-150")),
)  # fmt: skip


def lay_uses(
    items: Mapping[str, Item], products: Mapping[str, Product], first_day: dt.date
) -> None:
    """So that medium, bags, punnets and labels are charged at what was paid for them."""
    StandardUse.objects.bulk_create(
        StandardUse(
            item=items[item],
            product=products[code] if code else None,
            amount=amount,
            since=first_day,
            source=source,
        )
        for item, amount, source, codes in USES
        for code in codes or ("",)
    )


def lay_rates(scenario: Scenario, crops: Mapping[str, Crop], first_day: dt.date) -> None:
    """Rates of all crops from rates.toml; seed and minutes of the cut by crop, and of packing
    where a pack of it is no bag."""
    amounts = tomllib.loads((FIXTURES / "demo" / "rates.toml").read_text(encoding="utf-8"))
    for what, amount in amounts.items():
        set_rate(what, str(amount), first_day, SOURCE)
    for what, (amount, source) in OF_THE_PLACE.items():
        set_rate(what, amount, first_day, source)
    for facts in scenario.crops:
        crop = crops[facts.key]
        set_rate("seed", str(facts.seed_pence), first_day, SOURCE, crop)
        set_rate("cut_minutes", str(facts.minutes_per_kg), first_day, SOURCE, crop)
        if facts.pack_minutes is not None:
            set_rate("pack_minutes", str(facts.pack_minutes), first_day, SOURCE, crop)
