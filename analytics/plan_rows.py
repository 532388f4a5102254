"""What the space plan answers, row by row."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING

from .period import About, Period
from .plan_facts import BENCH, SHELF

if TYPE_CHECKING:
    from .earning import space_plan as lp


@dataclass(frozen=True)
class PlantRow:
    """A crop in one month of the plan: sites to plant in it, and sites that it holds on average."""

    crop: str
    month: str
    plant: Decimal
    held: Decimal


@dataclass(frozen=True)
class SoldRow:
    """A product over the year. demand_g: None where nothing caps it."""

    product: str
    grams: int
    demand_g: int | None
    pence_per_kg: Decimal
    pence: int


@dataclass(frozen=True)
class LimitRow:
    """What binds in a month ("" for the whole year): what one unit more of it would earn, or one
    unit less promised. unit: what worth_p is of."""

    kind: str
    name: str
    month: str
    unit: str
    worth_p: Decimal


@dataclass(frozen=True)
class TowerRow:
    """So many towers more: what they all add to a year, and the last of them; pays: whether that is
    more than a year of it costs, None where nobody said what it costs."""

    towers: int
    together_p: int
    last_p: int
    cost_p: int | None
    pays: bool | None
    pays_back_years: Decimal | None


@dataclass(frozen=True)
class Assumed:
    """What the plan takes for given, and where from."""

    what: str
    value: str
    rests_on: str


@dataclass
class Space:
    """earns_p: a year, before rent, heat and the fixed round. collision: why there is no plan.
    was_p: what the last year brought on the same basis. one_more_p: what the first tower more adds,
    worked out anew. pay_up_to, life_years: None without a tower's cost, or its life."""

    about: About
    months: list[str]
    assumed: list[Assumed] = field(default_factory=list)
    earns_p: int = 0
    was_p: int = 0
    collision: str = ""
    rows: list[PlantRow] = field(default_factory=list)
    sold: list[SoldRow] = field(default_factory=list)
    limits: list[LimitRow] = field(default_factory=list)
    one_more_p: int = 0
    towers: list[TowerRow] = field(default_factory=list)
    pay_up_to: int | None = None
    life_years: Decimal | None = None


def tenth(number: float) -> Decimal:
    return Decimal(str(round(number, 1)))


def limit_row(found: lp.Limit) -> LimitRow:
    """In what a grower counts in: a site and week, a cell and week, a kilogram."""
    if found.kind == "room":
        unit, times = (
            ("pence a cell and week", 7)
            if found.name in (SHELF, BENCH)
            else ("pence a site and week", 7)
        )
    elif found.kind == "rule":
        unit, times = "pence a site planted", 1
    else:
        unit, times = "pence a kg", 1000
    worth = Decimal(str(round(found.shadow_p * times, 2)))
    return LimitRow(found.kind, found.name, found.period, unit, worth)


def about_plan(starts: Sequence[dt.date], days: Sequence[int]) -> About:
    last = starts[-1] + dt.timedelta(days=days[-1] - 1)
    return About(
        Period(starts[0], last),
        base="all sites in use, the cells of the nursery, the crop cards, and what was sold in the "
        "last 365 days",
        unit="sites, kg and pence a year, after crop minutes, net of tax",
        notes=[
            "A year that repeats itself: what stands over its end goes on at its beginning. What "
            "stands today is not in it; Keep or clear says what to do with that.",
            "A month's plants are planted a third each on its 1st, 11th and 21st; sites are whole "
            "in the greenhouse and fractions here.",
            "Money is at the pack-house door, less packaging, feed, crop minutes, raising and "
            "planting. Rent, heat and the fixed round are not in it.",
            "No more of a product is sold in a month than was sold in it in the last year, a day's "
            "more for each day told as sold out. Prices stay as they were: more may sell for less.",
            "A plant is taken to live through months in which it gives nothing: do not follow the "
            "plan with one that frost would kill.",
            "An order is kept in the months and as far as the product was sold in them.",
        ],
    )


__all__ = ["Assumed", "LimitRow", "PlantRow", "SoldRow", "Space", "TowerRow", "about_plan",
           "limit_row", "tenth"]  # fmt: skip
