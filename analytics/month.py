"""One month for the owner: five numbers, three tables that are drawn, a sentence of advice and one
of doubt. Nothing is counted anew: it is the crops' table, the waste and the margin of the month.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from grow import clock, sums
from grow.asks import Unread
from grow.errors import Refusal
from grow.models import LotKind, Planting
from grow.models import PlaceKind as K
from sales.statements import month_of

from .crop_table import CropSum, CropTable, crop_table
from .paid import Beside, beside
from .period import Period, percent
from .stands import NEVER
from .waste import WENT, WasteRow, waste

CropId = int | None
#: So many weeks are drawn, the month's last one the last.
WEEKS = 13
#: Where leaf went that nobody bought, in the words of a sentence.
_LOST = {
    "grade_out_g": "graded out at the cut",
    "trim_g": "trimmed at the bench",
    "giveaway_g": "filled over the label",
    "samples_g": "taken as samples",
    "thrown_g": "thrown away unsold",
    "rejected_thrown_g": "rejected",
    "short_g": "short at the door",
    "unexplained_g": "missing at counts",
    "lost_at_rework_g": "lost at rework",
}


@dataclass(frozen=True)
class Number:
    """One of the five. value is as it is read; base says of what it is."""

    name: str
    value: str
    base: str


@dataclass(frozen=True)
class WeekRow:
    """Grams cut net of grade-out, and sold or used, Monday to Sunday."""

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
        table, lost = crop_table(period), waste(period).total
        other = beside(table.stands.margin)
        weeks = _weeks(period.last)
        sown = _sowing_weeks(period)
    crops = [row for row in table.groups if row.line != NEVER and row.crop_id and row.site_s]
    crops.sort(key=lambda row: row.after_alone_per_site_week_p or Decimal(0), reverse=True)
    advice, of = _advice(crops, lost, sown, currency)
    return Month(
        first,
        period,
        currency,
        list(_numbers(table.total, lost, other, currency)),
        crops,
        [(name, getattr(lost, name)) for name in WENT if getattr(lost, name)],
        weeks,
        advice,
        _doubt(of, sown, table, period),
        table,
        lost,
        other,
    )


def _numbers(total: CropSum, lost: WasteRow, other: Beside, currency: str) -> Iterator[Number]:
    sold = lost.sold_or_used_g
    held = total.site_s
    every = held + total.dead_s + total.changeover_s + total.untouched_s
    per_week = total.after_per_site_week_p
    yield Number("Sold", _money(total.takings_p, currency), "takings, the kitchen at its price")
    yield Number(
        "A site and week",
        "–" if per_week is None else _pence(per_week),
        f"at the pack-house door, after crop minutes, over {total.site_weeks:,.0f} site-weeks",
    )
    yield Number(
        "What is left",
        _money(other.left_p, currency),
        "after crop minutes, the fixed round, rent, heat and power, and what was paid and not "
        "charged",
    )
    yield Number(
        "Cut",
        f"{lost.cut_g / 1000:,.1f} kg",
        f"of all leaf that was there {percent(sold, lost.came_g) or 0} % was sold or used, "
        f"{sold / 1000:,.1f} kg",
    )
    yield Number(
        "Sites in use",
        f"{percent(held, every) or 0} %",
        "of the days of all sites; the rest were dead, between two crops, or never planted",
    )


def _money(pence: int, currency: str) -> str:
    return f"{'−' if pence < 0 else ''}{abs(pence) / 100:,.2f} {currency}"


def _pence(pence: Decimal) -> str:
    return f"{pence:.1f} p".replace("-", "−")


# --- advice and doubt -----------------------------------------------------------------------------


def _advice(
    crops: Sequence[CropSum], lost: WasteRow, sown: Mapping[CropId, int], currency: str
) -> tuple[str, tuple[CropSum, ...]]:
    """(one sentence, the crops that it speaks of): of sites that earned less and of leaf that was
    lost, whichever was more money in the month. The better crop is one that was planted in the
    month, for basil cannot be in October; and where two crops have weeks enough to be judged, it is
    of such, for a few sowings of strawberries bear nothing then."""
    from .earning.ratios import LEAST_WEEKS  # loads scipy

    shown = [row for row in crops if row.after_alone_per_site_week_p is not None]
    judged = [row for row in shown if sown.get(row.crop_id, 0) >= LEAST_WEEKS]
    shown = judged if len(judged) > 1 else shown
    sites: Decimal = Decimal(0)
    of: tuple[CropSum, ...] = ()
    better = next((row for row in shown[:-1] if row.planted), None)
    if better is not None:
        last = shown[-1]
        gap = (better.after_alone_per_site_week_p or 0) - (last.after_alone_per_site_week_p or 0)
        sites, of = gap * last.site_weeks, (better, last)
    costs = sum(row.costs_p for row in crops)
    each = Decimal(costs) / lost.cut_g if lost.cut_g else Decimal(0)
    grams, name = max((getattr(lost, name), name) for name in _LOST)
    left = lost.uncut_g
    leaf = each * max(grams, left)
    if leaf > sites and left > grams:
        says = (
            f"Sow less, or sell more: {left / 1000:,.1f} kg were left uncut when their sites were "
            "cleared."
        )
        return says, ()
    if leaf > sites and grams > 0:
        says = (
            f"Look at what was {_LOST[name]}: {grams / 1000:,.1f} kg, some "
            f"{_money(round(each * grams), currency)} of direct costs."
        )
        return says, ()
    if not of:
        return "Nothing here earned or was lost that one sentence could be about.", ()
    best, worst = of
    low = worst.after_alone_per_site_week_p or Decimal(0)
    high = best.after_alone_per_site_week_p or Decimal(0)
    if high <= 0:
        return (
            f"No crop paid for its sites after crop minutes; {best.crop} lost least, "
            f"{_pence(high)} a site and week: look at prices and minutes before you sow more.",
            (best,),
        )
    verb = "Give some of its" if low >= 0 else "Sow no more of it for now, and give its"
    return (
        f"{worst.crop} earned {_pence(low)} a site and week after crop minutes, {best.crop} "
        f"{_pence(high)}. {verb} {worst.sites} sites to "
        f"{best.crop}, as far as more of it sells.",
        of,
    )


def _doubt(
    of: Sequence[CropSum], sown: Mapping[CropId, int], table: CropTable, period: Period
) -> str:
    """One sentence against it."""
    from .earning.ratios import LEAST_WEEKS  # loads scipy

    few = [row for row in of if sown.get(row.crop_id, 0) < LEAST_WEEKS]
    if few:
        row = min(few, key=lambda row: sown.get(row.crop_id, 0))
        number = sown.get(row.crop_id, 0)
        weeks = f"{number} sowing week{'s' if number != 1 else ''}"
        return (
            f"Too few batches: what stood of {row.crop} is of {weeks}, and {LEAST_WEEKS} are the "
            "least from which anything may be concluded."
        )
    standard = table.stands.margin.total.standard_minutes_pct
    if of and standard is not None and standard > 50:
        return (
            f"{standard} % of the minutes are standard and not timed, and minutes decide the order "
            "of crops: time one day before you act on it."
        )
    if of:
        return (
            f"{period.days} days are part of one season: a crop of the better weather looks "
            "better, and one that stands long is only partly in it."
        )
    if table.about.standard_pct and table.about.standard_pct > 50:
        return (
            f"{table.about.standard_pct} % of the costs are standard or estimated, so the money in "
            "it is no more exact than your rates."
        )
    return "One month is little: look whether the month before says the same."


def _sowing_weeks(period: Period) -> dict[CropId, int]:
    """Crop → different weeks in which what stood in the period was sown."""
    stood = (
        Planting.objects.filter(began_at__lt=period.end)
        .exclude(ended_at__lte=period.start)
        .values_list("batch__crop_id", "batch__made_by__day")
        .distinct()
    )
    weeks: dict[CropId, set[tuple[int, int]]] = defaultdict(set)
    for crop, day in stood.order_by():
        weeks[crop].add(clock.number_day(day).isocalendar()[:2])
    return {crop: len(found) for crop, found in weeks.items()}


def _weeks(last: dt.date) -> list[WeekRow]:
    monday = last - dt.timedelta(days=last.weekday())
    first = monday - dt.timedelta(weeks=WEEKS - 1)
    cut: Counter[dt.date] = Counter()
    sold: Counter[dt.date] = Counter()
    read = sums.reading(first, last, lot_kinds=sums.EATEN)
    for cell, grams in read.items():
        day = clock.number_day(cell.day)
        week = day - dt.timedelta(days=day.weekday())
        ends = cell.from_kind, cell.to_kind
        if cell.lot_kind == LotKind.HARVEST and K.GROWTH in ends and K.COMPOST not in ends:
            cut[week] += grams if cell.from_kind == K.GROWTH else -grams
        for kind, sign in ((cell.to_kind, 1), (cell.from_kind, -1)):
            if kind in (K.SOLD, K.SERVED, K.BUYER):
                sold[week] += sign * grams
    weeks = [first + dt.timedelta(weeks=n) for n in range(WEEKS)]
    return [WeekRow(week, cut[week], sold[week]) for week in weeks]


__all__ = ["WEEKS", "Month", "Number", "WeekRow", "month", "not_to_come"]
