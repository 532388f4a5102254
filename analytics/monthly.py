"""Yields, waste and margins month by month, read from the sums of the months.

What the tables of a period say of a month, for many months at once: to the gram and the penny, but
for a mixed pack on the other basis, whose prices are those of a period's last day.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

from grow import clock, months, sums
from grow.models import LotKind
from sales.models import Outlet, Product
from sales.month_sums import MONEY

from .costs import Charged, Costs, Told, bought
from .counted import GROWN, LIT, PACKS, WASHED, Counts, count
from .crops import names
from .margin import Earned, days, listed_with, say_standard, spent_lines
from .period import About, Period, ratio
from .rates import Rates
from .revenue import at_the_door, revenue, share_of
from .waste import ALL_CROPS
from .yields import STOOD, cut_and_sold

CropId = int | None
Month = int
Key = tuple[Month, CropId]
#: What the margin asks for beside what was cut and sold.
_SPENT = (MONEY, PACKS, WASHED, LIT, LotKind.BATCH)


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
        ],
    )
    rows: dict[Key, MonthRow] = {}
    with sums.one_moment():
        whats = [*sums.EATEN, STOOD, *(_SPENT if margin else ())]
        found = months.reading(period.first, period.last, whats)
        grown(found, rows)
        known = earned(period, found, rows, about) if margin else Fraction(0)
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
    for key, quantity in found.items():
        if key.what == STOOD:
            _row(rows, key.month, key.crop).site_days = days(quantity)
            continue
        cut, sold = cut_and_sold(key) if key.what in sums.EATEN else (0, 0)
        if cut or sold:
            row = _row(rows, key.month, key.crop)
            row.cut_g += cut * quantity
            row.sold_or_used_g += sold * quantity


def earned(
    period: Period, read: Mapping[months.Row, int], rows: dict[Key, MonthRow], about: About
) -> Fraction:
    """Money and costs; gives the exact pence of costs that are not standard. A month whose days
    are not all charged alike, or by receipts, is counted by its days."""
    found: dict[Month, list[tuple[months.Row, int]]] = defaultdict(list)
    for key, quantity in read.items():
        found[key.month].append((key, quantity))
    outlets = Outlet.objects.in_bulk()
    products = Product.objects.in_bulk()
    told = Told()
    leaf: dict[Month, list[tuple[int, CropId, int, Fraction | None]]] = defaultdict(list)
    for one in bought(period):
        leaf[one[0] // 100].append(one)
    known = Fraction(0)
    for first, last in months.pieces(period.first, period.last):
        month, piece = months.of(first), Period(first, last)
        if not (found[month] or leaf[month]):
            continue
        alike = told.of_one_day(first, last)
        charged = Charged(piece, about, told)
        for one in leaf[month] if alike else ():
            charged.pay(*one)
        spent = _together(charged, found[month], products) if alike else charged.read()
        about.notes += [note for note in spent.says if note not in about.notes]
        known += spent.known_p
        lines = [*spent_lines(spent)]
        if alike:
            _money(found[month], outlets, told.rates, clock.day_number(first), rows)
        else:
            money = revenue(piece, about)
            lines += [
                ("takings_p", money.takings),
                ("shop_share_p", money.shop_share),
                ("door_p", money.door),
            ]
        for name, by_crop in lines:
            for crop, amount in by_crop.items():
                if amount:
                    setattr(_row(rows, month, crop), name, amount)
    return known


def _money(
    found: Iterable[tuple[months.Row, int]],
    outlets: Mapping[int, Outlet],
    rates: Rates,
    day: int,
    rows: dict[Key, MonthRow],
) -> None:
    fine: dict[int, dict[CropId, int]] = defaultdict(dict)
    for key, parts in found:
        if key.what == MONEY:
            fine[int(key.key)][key.crop] = parts
    for outlet, by_crop in fine.items():
        takings, share = at_the_door(share_of(outlets[outlet], rates, day), by_crop)
        for crop, pence in takings.items():
            row = _row(rows, day // 100, crop)
            row.takings_p += pence
            row.shop_share_p += share.get(crop, 0)
            row.door_p += pence - share.get(crop, 0)


def _together(
    charged: Charged, found: Iterable[tuple[months.Row, int]], products: Mapping[int, Product]
) -> Costs:
    day = charged.period.numbers[0]
    counts: dict[str, Counts] = {name: Counter() for name in (*GROWN, "washed_g")}
    packs: Counter[tuple[int, CropId]] = Counter()
    packaging: dict[tuple[CropId, Product], Fraction] = {}
    for key, quantity in found:
        at = day, key.crop
        if key.what == PACKS:
            packs[at] += quantity
            packaging[key.crop, products[int(key.key)]] = Fraction(quantity, months.FINE)
        elif key.what == WASHED:
            counts["washed_g"][at] += quantity
        elif key.what == LIT:
            counts["lit_cell_days"][at] += quantity
        elif key.what in (LotKind.BATCH, LotKind.HARVEST):
            count(counts, months.cell(key), quantity, day)
    return charged.together(
        counts, {at: Fraction(n, months.FINE) for at, n in packs.items()}, packaging
    )


__all__ = ["MonthRow", "Monthly", "earned", "grown", "monthly"]
