"""Yields, waste and margins month by month, read from the sums of the months.

What the tables of a period say of a month, for many months at once: to the gram and the penny, but
for a mixed pack on the other basis, whose prices are those of a period's last day.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from functools import cache

from grow import clock, months, sums
from grow.models import LotKind
from sales.models import Outlet, Product
from sales.month_sums import TAKEN, TAKEN_AT

from .costs import Bought, Charged, Costs, Counted, Missing, Told, bought, counted
from .counted import GROWN, LIT, PACKS, WASHED, Counts, W, count
from .crops import names
from .margin import Earned, days, listed_with, say_standard, spent_lines
from .period import About, Period, ratio
from .rates import Rates
from .revenue import Revenue, kept_of, revenue, share_of
from .waste import ALL_CROPS
from .yields import STOOD, cut_and_sold

CropId = int | None
Month = int
Key = tuple[Month, CropId]
#: What the margin asks for beside what was cut and sold.
_MONEY = (TAKEN, TAKEN_AT)
_SPENT = (PACKS, WASHED, LIT, LotKind.BATCH)


@dataclass
class MonthRow(Earned):
    """One crop in one month (yyyymm), or of several together (nought). Grams are whole; cut is net
    of the crate and of grade-out. What was sold or used has bought-in leaf in it, so no yield is
    said of it."""

    month: Month = 0
    cut_g: int = 0
    sold_or_used_g: int = 0

    @property
    def cut_per_site_day_g(self) -> Decimal | None:
        return ratio(self.cut_g, self.site_days)


@dataclass
class Monthly:
    """rows: by month and crop. months: all crops of a month; crops: a crop in all months."""

    about: About
    rows: list[MonthRow] = field(default_factory=list)
    months: list[MonthRow] = field(default_factory=list)
    crops: list[MonthRow] = field(default_factory=list)
    total: MonthRow = field(default_factory=lambda: MonthRow(None, ALL_CROPS))


def monthly(period: Period, *, margin: bool = True) -> Monthly:
    """Grams, site-days and, if asked for, margin of each month of a period and crop. A month of
    which only some days lie in the period has those days."""
    about = About(
        period,
        base="site-days as elapsed; money of the month at the pack-house door, costs of what was "
        "done in it",
        unit="g and pence, net of tax",
        notes=[
            "Sold or used may have been cut before the month, and bought-in leaf is in it.",
            "Costs fall on the day of the act, so a spring of planting looks poor.",
            "Each month is rounded apart: a year may differ from its months by some pence.",
            "A mixed pack's money is shared by grams. Fixed round, rent and heat are not in it.",
            "What went out with no price, and outlets without a stated share or basis, are named "
            "by the margin of a period and not here.",
        ],
    )
    rows: dict[Key, MonthRow] = {}
    with sums.one_moment():
        told = Told()
        shops = sharing(period, told.rates) if margin else {}
        found = months.reading(
            period.first,
            period.last,
            [*sums.EATEN, STOOD, *((*_MONEY, *_SPENT) if margin else ())],
            keys={TAKEN_AT: {str(outlet) for of in shops.values() for outlet in of}},
        )
        grown(found, rows)
        known = earned(period, found, shops, rows, about, told) if margin else Fraction(0)
    return _tabled(about, rows, known)


def _row(rows: dict[Key, MonthRow], month: Month, crop: CropId) -> MonthRow:
    row = rows.get((month, crop))
    if row is None:
        row = rows[month, crop] = MonthRow(crop, "", month=month)
    return row


def _tabled(about: About, rows: Mapping[Key, MonthRow], known: Fraction) -> Monthly:
    out = Monthly(about)
    called = names()
    of_crop: dict[CropId, MonthRow] = {}
    by_month: dict[Month, dict[CropId, MonthRow]] = defaultdict(dict)
    for (month, crop), row in rows.items():
        by_month[month][crop] = row
        of_crop.setdefault(crop, MonthRow(crop, "")).add(row)
    for month in sorted(by_month):
        whole = MonthRow(None, ALL_CROPS, month=month)
        out.rows += listed_with(whole, by_month[month], called)
        out.months.append(whole)
    out.crops = listed_with(out.total, of_crop, called)
    say_standard(about, out.total, known)
    return out


def grown(found: Mapping[months.Row, int], rows: dict[Key, MonthRow]) -> None:
    """What was cut, what was sold or used, and for how long sites were held."""
    for (what, month, crop, key), quantity in found.items():
        if what == STOOD:
            _row(rows, month, crop).site_days = days(quantity)
        elif what in sums.EATEN:
            cut, sold = cut_and_sold(what, key)
            if cut or sold:
                row = _row(rows, month, crop)
                row.cut_g += cut * quantity
                row.sold_or_used_g += sold * quantity


def sharing(period: Period, rates: Rates) -> dict[Month, dict[int, Decimal]]:
    """Month → outlets that keep a share of their takings on its first day, in per cent."""
    outlets = Outlet.objects.all()
    out: dict[Month, dict[int, Decimal]] = {}
    for first, _ in months.pieces(period.first, period.last):
        day = clock.day_number(first)
        shares = {outlet.pk: share_of(outlet, rates, day) for outlet in outlets}
        out[months.of(first)] = {outlet: pct for outlet, pct in shares.items() if pct}
    return out


def earned(
    period: Period,
    read: Mapping[months.Row, int],
    shops: Mapping[Month, Mapping[int, Decimal]],
    rows: dict[Key, MonthRow],
    about: About,
    told: Told,
) -> Fraction:
    """Money and costs; gives the exact pence of costs that are not standard. A month whose days
    are not all charged alike, or by receipts, is counted by its days: all such months at once."""
    found: dict[Month, dict[months.Row, int]] = defaultdict(dict)
    for row, quantity in read.items():
        found[row.month][row] = quantity
    products = Product.objects.in_bulk()
    leaf: dict[Month, list[Bought]] = defaultdict(list)
    for one in bought(period):
        leaf[one[0] // 100].append(one)
    pieces = {
        months.of(first): (first, last)
        for first, last in months.pieces(period.first, period.last)
        if found[months.of(first)] or leaf[months.of(first)]
    }
    alike = {month for month, piece in pieces.items() if told.of_one_day(*piece)}
    by_days: dict[Month, Counted] = {}
    if apart := [piece for month, piece in pieces.items() if month not in alike]:
        by_days = counted(Period(apart[0][0], apart[-1][1]), told).by_month()
    known, missing = Fraction(0), Missing()
    for month, piece in pieces.items():
        charged = Charged(Period(*piece), about, told, missing)
        for one in leaf[month] if month in alike else ():
            charged.pay(*one)
        spent = (
            _together(charged, found[month], products)
            if month in alike
            else charged.read(by_days[month])
        )
        about.notes += [note for note in spent.says if note not in about.notes]
        known += spent.known_p
        money = _money(found[month], shops[month])
        if told.rates.change_within(*piece, W.SHOP_SHARE):
            money = revenue(Period(*piece), _nowhere(piece))
        lines = [
            ("takings_p", money.takings),
            ("shop_share_p", money.shop_share),
            ("door_p", money.door),
            *spent_lines(spent),
        ]
        for name, by_crop in lines:
            for crop, amount in by_crop.items():
                if amount:
                    setattr(_row(rows, month, crop), name, amount)
    missing.say(about, told)
    return known


def _nowhere(piece: tuple[dt.date, dt.date]) -> About:
    """For gaps that are said of some months and not of others, and so of none."""
    return About(Period(*piece), base="", unit="")


def _money(found: Mapping[months.Row, int], shops: Mapping[int, Decimal]) -> Revenue:
    """Of months of one share each."""
    out = Revenue()
    at: dict[int, dict[CropId, int]] = defaultdict(dict)
    for (what, _, crop, key), pence in found.items():
        if what == TAKEN:
            out.takings[crop] = pence
        elif what == TAKEN_AT:
            at[int(key)][crop] = pence
    out.door.update(out.takings)
    for outlet, by_crop in at.items():
        kept = kept_of(shops.get(outlet, Decimal(0)), by_crop)
        out.shop_share.update(kept)
        out.door.subtract(kept)
    return out


def _together(
    charged: Charged, found: Mapping[months.Row, int], products: Mapping[int, Product]
) -> Costs:
    day = charged.period.numbers[0]
    counts: dict[str, Counts] = {name: Counter() for name in (*GROWN, "washed_g")}
    packs: Counter[tuple[int, CropId]] = Counter()
    packaging: dict[tuple[CropId, Product], Fraction] = {}
    for (what, _, crop, key), quantity in found.items():
        at = day, crop
        if what == PACKS:
            packs[at] += quantity
            packaging[crop, products[int(key)]] = Fraction(quantity, months.FINE)
        elif what == WASHED:
            counts["washed_g"][at] += quantity
        elif what == LIT:
            counts["lit_cell_days"][at] += quantity
        elif what in (LotKind.BATCH, LotKind.HARVEST):
            for name, sign in _counted(what, key):
                counts[name][at] += sign * quantity
    return charged.together(
        counts, {at: Fraction(n, months.FINE) for at, n in packs.items()}, packaging
    )


@cache
def _counted(what: str, key: str) -> tuple[tuple[str, int], ...]:
    """The counts that one that moved so adds to, and how much."""
    counts: dict[str, Counts] = defaultdict(Counter)
    count(counts, months.cell(what, key), 1)
    return tuple((name, of.total()) for name, of in counts.items())


__all__ = ["MonthRow", "Monthly", "earned", "grown", "monthly"]
