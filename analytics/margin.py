"""What each crop earned, to the penny: at the pack-house door, before and after crop minutes.

Revenue at the door − seed and plugs − bought-in leaf − nutrient and water − light − packaging is
the margin before labour; less the crop's minutes at one stated rate, whoever does them, it is the
margin after. Failed trays are charged with their crop. The fixed round, rent and heat stay apart.
Every line is whole pence whose crops add up to its total.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from decimal import Decimal
from fractions import Fraction
from typing import TypeVar

from grow import sums

from .costs import LINES, Costs, Told, costs
from .crops import names
from .period import DAY_S, About, Period, percent, ratio
from .rates import at_nine_places, half_up, whole_pence
from .revenue import Revenue, revenue
from .yields import Yields, yields

CropId = int | None
R = TypeVar("R", bound="Earned")


@dataclass
class Earned:
    """Whole pence; minutes and site-days at nine places."""

    crop_id: CropId
    crop: str
    takings_p: int = 0
    shop_share_p: int = 0
    door_p: int = 0
    seed_and_plugs_p: int = 0
    bought_in_p: int = 0
    nutrient_and_water_p: int = 0
    light_p: int = 0
    packaging_p: int = 0
    labour_p: int = 0
    minutes: Decimal = field(default_factory=Decimal)
    timed_minutes: Decimal = field(default_factory=Decimal)
    site_days: Decimal = field(default_factory=Decimal)
    cells_sown: int = 0
    planted: int = 0

    @property
    def costs_p(self) -> int:
        """Direct costs without labour."""
        return sum(getattr(self, f"{line}_p") for line in LINES)

    @property
    def before_labour_p(self) -> int:
        return self.door_p - self.costs_p

    @property
    def after_labour_p(self) -> int:
        return self.before_labour_p - self.labour_p

    @property
    def before_per_site_week_p(self) -> Decimal | None:
        return per_limit(self.before_labour_p, self.site_days / 7)

    @property
    def after_per_site_week_p(self) -> Decimal | None:
        return per_limit(self.after_labour_p, self.site_days / 7)

    @property
    def standard_minutes_pct(self) -> Decimal | None:
        """Of the minutes, those that no timed day rescales."""
        return percent(self.minutes - self.timed_minutes, self.minutes)

    @property
    def cells_per_plant(self) -> Decimal | None:
        """Cells sown for each plant planted: failed trays show here."""
        return ratio(self.cells_sown, self.planted)

    def add(self, other: Earned) -> None:
        for name in (f.name for f in fields(self) if f.name not in _OF):
            setattr(self, name, getattr(self, name) + getattr(other, name))


#: What a row is of: the columns that do not add up.
_OF = ("crop_id", "crop", "month")


@dataclass
class MarginRow(Earned):
    """One crop, or all. door_alone_p is the door's money with mixed packs shared by what each leaf
    fetches alone, in place of grams."""

    door_alone_p: int = 0

    @property
    def before_labour_alone_p(self) -> int:
        return self.door_alone_p - self.costs_p

    @property
    def after_labour_alone_p(self) -> int:
        return self.before_labour_alone_p - self.labour_p


def per_limit(pence: int, units: Decimal | int) -> Decimal | None:
    """Margin per unit of what limits it (a site and week, an hour); None of no units."""
    return ratio(pence, units)


@dataclass
class Margin:
    """money, spent, stood: the readings that it was worked out from."""

    about: About
    rows: list[MarginRow]
    total: MarginRow
    money: Revenue = field(compare=False, repr=False)
    spent: Costs = field(compare=False, repr=False)
    stood: Yields = field(compare=False, repr=False)


def margin(period: Period, told: Told | None = None) -> Margin:
    """Margin of each crop over a period, in whole pence. told: rates and receipts, if they were
    read already."""
    about = About(
        period,
        base="money of the period at the pack-house door, costs of what was done in it",
        unit="pence, net of tax",
        notes=[
            "Costs fall on the day of the act, so a spring of planting looks poor; on the page of "
            "the crops what it took to raise and plant is spread over the days that plants stand.",
            "Something bought in costs what was paid ÷ quantity of the receipt then in use × its "
            "standard use; where that is not known, and for all else, the rate is charged.",
            "The fixed round, rent and heat are not in it.",
            "Mixed packs are shared by grams; in the CSV also by what each leaf fetches alone. "
            "Neither answers whether to drop a crop.",
        ],
    )
    with sums.one_moment():
        money = revenue(period, about)
        spent = costs(period, about, told)
        stood = yields(period)
    rows: dict[CropId, MarginRow] = {}
    lines: list[tuple[str, Mapping[CropId, int | Decimal]]] = [
        ("takings_p", money.takings),
        ("shop_share_p", money.shop_share),
        ("door_p", money.door),
        ("door_alone_p", money.alone),
        ("site_days", {row.crop_id: days(row.site_seconds) for row in stood.crops}),
        *spent_lines(spent),
    ]
    for name, by_crop in lines:
        for crop, amount in by_crop.items():
            setattr(rows.setdefault(crop, MarginRow(crop, "")), name, amount)
    about.notes += spent.says
    total = MarginRow(None, "All crops")
    listed = listed_with(total, rows, names())
    if total.bought_in_p or spent.counted("bought_g").total():
        about.notes.append(
            "Leaf grown by others and sold on is in the pence a site and week too; on the page of "
            "the crops it is not."
        )
    say_standard(about, total, spent.known_p)
    return Margin(about, listed, total, money, spent, stood)


def spent_lines(spent: Costs) -> Iterator[tuple[str, Mapping[CropId, int | Decimal]]]:
    """Column → amounts by crop, each column adding up to its rounded total."""
    for line in (*LINES, "labour"):
        yield f"{line}_p", whole_pence(spent.pence[line])
    for name, minutes in (("minutes", spent.minutes), ("timed_minutes", spent.timed)):
        yield name, {crop: at_nine_places(exact) for crop, exact in minutes.items()}
    yield "cells_sown", spent.counted("cells")
    yield "planted", spent.counted("planted")


def days(seconds: int) -> Decimal:
    return at_nine_places(Fraction(seconds, DAY_S))


def listed_with(total: R, rows: Mapping[CropId, R], called: Mapping[CropId, str]) -> list[R]:
    """Rows with their names in order, added up in the total."""
    for crop, row in rows.items():
        row.crop = called[crop]
        total.add(row)
    return sorted(rows.values(), key=lambda row: (row.crop_id is None, row.crop))


def say_standard(about: About, total: Earned, known: Fraction) -> None:
    """known: exact pence of what is not standard, but for bought-in leaf."""
    whole = total.costs_p + total.labour_p
    about.standard_pct = percent(max(whole - total.bought_in_p - half_up(known), 0), whole)
    about.standard_says = "of the costs: standard rates and standard minutes"
