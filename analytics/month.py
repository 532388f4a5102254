"""One month for the owner: five numbers, three tables that are drawn, a sentence of advice and one
of doubt. Nothing is counted anew: it is the crops' table, the waste and the margin of the month.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from grow import clock, sums
from grow.asks import Unread
from grow.errors import Refusal
from grow.models import LotKind
from grow.models import PlaceKind as K
from sales.statements import month_of

from .crop_ranking import ranked, weekly_stands
from .crop_table import CropSum, CropTable, Only, tabled
from .month_advice import Advising, money, pence_in_words
from .paid import Beside, beside
from .period import Period, percent
from .stands import NEVER
from .waste import WENT, WasteRow, waste

CropId = int | None
#: So many weeks are drawn, the month's last one the last.
WEEKS = 13


@dataclass(frozen=True)
class Number:
    """One of the five. value is as it is read; base says of what it is."""

    name: str
    value: str
    base: str


@dataclass(frozen=True)
class WeekRow:
    """Grams cut, graded out too, and sold or used, Monday to Sunday."""

    week: dt.date
    cut_g: int
    sold_g: int


@dataclass
class Month:
    first: dt.date
    period: Period
    currency: str
    numbers: list[Number]
    crops: list[CropSum]
    leaf: list[tuple[str, int]]
    weeks: list[WeekRow]
    advice: str
    doubt: str
    table: CropTable
    waste_total: WasteRow
    beside: Beside

    @property
    def steps(self) -> list[tuple[str, int]]:
        """From what was sold to what is left: (what it is, pence that it takes away or brings),
        each "=" before a name the sum so far."""
        total, less = self.table.stands.margin.total, self.beside.paid_total.less_p or 0
        found = [
            ("Sold", total.takings_p),
            ("kept by shops", -total.shop_share_p),
            ("= at the door", total.door_p),
            ("direct costs", -total.costs_p),
            ("crop minutes", -total.labour_p),
            ("= after crop minutes", total.after_labour_p),
            *((row.what[:1].lower() + row.what[1:], -row.pence) for row in self.beside.fixed),
            ("paid and not charged" if less > 0 else "charged and not paid", -less),
        ]
        kept = [(name, pence) for name, pence in found if pence or name[0] in "S="]
        return [*kept, ("= left", self.beside.left_p)]

    @property
    def way(self) -> str:
        """The same in one line."""
        (first, sold), *rest = self.steps
        said = [f"{first} {money(sold)}"]
        for name, pence in rest:
            if name.startswith("="):
                said.append(f"{name} {money(pence)}")
            else:
                said.append(f"{'−' if pence < 0 else '+'} {name} {money(abs(pence))}")
        return f"{' '.join(said)} {self.currency}."

    @property
    def says(self) -> list[str]:
        """What it rests on, in words."""
        about = self.table.about
        rests = f"Base: {about.base}. Unit: as each says; money net of tax. Period: {self.period}."
        standard = (
            [f"Standard or estimated: {about.standard_pct} % {about.standard_says}."]
            if about.standard_pct is not None
            else []
        )
        return [rests, *standard, *self.table.stands.margin.spent.says, *self.beside.about.gaps]


def not_to_come(day: dt.date) -> dt.date:
    """Raises Unread for a day of a month that has not begun."""
    if month_of(day) > clock.local(clock.now()).date():
        raise Unread({"month": Refusal("period", f"{day:%B %Y} is still to come.")})
    return day


def month(day: dt.date, currency: str) -> Month:
    """The month of a day, up to today where it goes on."""
    first = month_of(day)
    today = clock.local(clock.now()).date()
    after = month_of(first + dt.timedelta(days=32))
    period = Period(first, max(min(after - dt.timedelta(days=1), today), first))
    with sums.one_moment():
        found, lost = weekly_stands(period), waste(period).total
        table, ranking = tabled(found, "crop", Only()), ranked(found)
        other = beside(table.stands.margin)
        weeks = _weeks(period.last)
    crops = [row for row in table.groups if row.line != NEVER and row.crop_id and row.site_s]
    crops.sort(key=lambda row: row.after_alone_per_site_week_p or Decimal(0), reverse=True)
    advice, doubt = Advising(period, currency, crops, ranking, lost, table).said()
    return Month(
        first,
        period,
        currency,
        list(_numbers(table.total, lost, other, currency)),
        crops,
        [(name, getattr(lost, name)) for name in WENT if getattr(lost, name)],
        weeks,
        advice,
        doubt,
        table,
        lost,
        other,
    )


def _numbers(total: CropSum, lost: WasteRow, other: Beside, currency: str) -> Iterator[Number]:
    sold = lost.sold_or_used_g
    held = total.site_s
    every = held + total.dead_s + total.changeover_s + total.untouched_s
    per_week = total.after_per_site_week_p
    yield Number("Sold", money(total.takings_p, currency), "takings, the kitchen at its price")
    yield Number(
        "A site and week",
        "–" if per_week is None else pence_in_words(per_week),
        f"at the pack-house door, after crop minutes, over {total.site_weeks:,.0f} site-weeks",
    )
    yield Number(
        "What is left",
        money(other.left_p, currency),
        "after crop minutes, the fixed round, rent, heat and power, and what was paid and not "
        "charged",
    )
    yield Number(
        "Cut",
        f"{lost.cut_g / 1000:,.1f} kg",
        f"graded out too; of all leaf that was there {percent(sold, lost.came_g) or 0} % was sold "
        f"or used, {sold / 1000:,.1f} kg",
    )
    yield Number(
        "Sites in use",
        f"{percent(held, every) or 0} %",
        "of the days of all sites; the rest were dead, between two crops, or never planted",
    )


def _weeks(last: dt.date) -> list[WeekRow]:
    monday = last - dt.timedelta(days=last.weekday())
    first = monday - dt.timedelta(weeks=WEEKS - 1)
    cut: Counter[dt.date] = Counter()
    sold: Counter[dt.date] = Counter()
    read = sums.reading(first, last, lot_kinds=sums.EATEN)
    for cell, grams in read.items():
        day = clock.number_day(cell.day)
        week = day - dt.timedelta(days=day.weekday())
        if cell.lot_kind == LotKind.HARVEST:
            cut[week] += grams * ((cell.from_kind == K.GROWTH) - (cell.to_kind == K.GROWTH))
        for kind, sign in ((cell.to_kind, 1), (cell.from_kind, -1)):
            if kind in (K.SOLD, K.SERVED, K.BUYER):
                sold[week] += sign * grams
    weeks = [first + dt.timedelta(weeks=n) for n in range(WEEKS)]
    return [WeekRow(week, cut[week], sold[week]) for week in weeks]


__all__ = ["WEEKS", "Month", "Number", "WeekRow", "month", "not_to_come"]
