"""What the invented place reckons its costs and minutes by."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping

from analytics.models import Claim, StandardUse, TimedDay
from analytics.rates import Rates, set_rate
from analytics.timed import standard_minutes
from grow import clock
from grow.models import Crop, Item, Person
from sales.models import Product

from .scenario import FIXTURES, Scenario

SOURCE = "The demo's own figure, from memory"
#: What belongs to no crop, and what a tower costs: amount, and what it is made of.
OF_THE_PLACE = {
    "bench_floor": (
        "0.0027",
        "A tray of 84 cells is 0.15 m², two thirds of the floor; from memory",
    ),
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


#: Minutes of the whole session over standard minutes, on one day a month, January first.
_TIMED = (1.04, 0.98, 1.03, 1.01, 0.97, 1.0, 1.0, 1.02, 0.99, 1.03, 1.05, 0.98)


def lay_claims(crops: Mapping[str, Crop]) -> None:
    """What two invented sellers and an invented trial say: to be looked at beside own records."""
    seller = "Skyward Columns (invented)"
    Claim.objects.bulk_create(
        Claim(
            said_by=by, of=of, amount=amount, crop=crop, season=season, floor=floor,
            source="An invented leaflet",
        )
        for by, of, amount, crop, season, floor in (
            (seller, "towers", 48, crops["green"], "summer", "Footprint of the towers alone"),
            (seller, "times", "10.5", None, "year", "Footprint of the towers alone"),
            ("Bench trial (invented)", "bench", 12, crops["green"], "summer", "With aisles"),
        )
    )  # fmt: skip


def time_a_day_a_month(by: Person, first: dt.date, last: dt.date) -> None:
    """Each second Wednesday that is within: the session took about as long as the standard."""
    days = [
        day
        for day in (first + dt.timedelta(days=n) for n in range((last - first).days + 1))
        if day.weekday() == 2 and 8 <= day.day <= 14
    ]
    standard = standard_minutes(days, Rates())
    TimedDay.objects.bulk_create(
        TimedDay(
            day=day,
            timed_by=by,
            minutes=f"{float(minutes) * _TIMED[day.month - 1]:.1f}",
            note="From the first tray to the last bag",
        )
        for day in days
        if (minutes := standard.get(clock.day_number(day)))
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
