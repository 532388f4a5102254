"""Where every gram went: from the cut to what was sold, and what became of the rest.

One reading of the ledger's cells. Each movement leaves one line of the table and enters another,
so the table balances to the gram whatever the movements are:

    in stock before + cut + bought in + stood there + water and scale
        = grade-out + trim + giveaway + samples + moisture + lost at rework + short + unexplained
        + rejected + sold + to other businesses + used + thrown + donated + staff + in stock after
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from decimal import Decimal
from functools import cache

from django.db.models import Sum

from grow import months, sums
from grow.models import Basis, Event, Lot, Movement, alive
from grow.models import PlaceKind as K

from .crops import names
from .period import About, Period, percent

ALL_CROPS = "All crops"
#: What is added up by month: grams told as left uncut.
UNCUT = "uncut"
_PACKING = ("pack", "rework")
_INS = {
    K.GROWTH: "cut_g",
    K.SUPPLIER: "bought_in_g",
    K.OPENING: "opening_g",
    K.WATER_SCALE: "water_and_scale_g",
}
_ENDS = {
    K.SOLD: "sold_g",
    K.SERVED: "used_g",
    K.BUYER: "to_businesses_g",  # another business's own: what it does with it is its affair
    K.SAMPLE: "samples_g",
    K.GIVEAWAY: "giveaway_g",
    K.MOISTURE: "moisture_g",
    K.DONATED: "donated_g",
    K.STAFF: "staff_g",
}
THROWN = (K.COMPOST, K.FEED, K.LANDFILL, K.DESTROYED)
#: Known at all only by what someone weighed, counted or scanned; the rest is standard.
_EVIDENCE = (Basis.WEIGHED, Basis.COUNTED, Basis.SCANNED)


@dataclass
class WasteRow:
    """Grams of one crop, or of all. The lines above stock_before_g + cut_g … balance; `packed_g`
    and below are passed through on the way and stand beside the balance."""

    crop_id: int | None
    crop: str
    stock_before_g: int = 0
    cut_g: int = 0
    bought_in_g: int = 0
    opening_g: int = 0
    water_and_scale_g: int = 0
    grade_out_g: int = 0
    trim_g: int = 0
    giveaway_g: int = 0
    samples_g: int = 0
    moisture_g: int = 0
    lost_at_rework_g: int = 0
    short_g: int = 0
    unexplained_g: int = 0
    rejected_thrown_g: int = 0
    sold_g: int = 0
    to_businesses_g: int = 0
    used_g: int = 0
    thrown_g: int = 0
    donated_g: int = 0
    staff_g: int = 0
    stock_after_g: int = 0
    # beside the balance
    packed_g: int = 0
    rejected_g: int = 0
    uncut_g: int = 0

    def count(self, moved: months.Row, grams: int, *, before: bool = False) -> None:
        """Grams that moved in the period, or before it, when they only add to the stock."""
        for name, sign in lines(moved.what, moved.key).items():
            if name == "stock_after_g":
                self.stock_after_g += sign * grams
                self.stock_before_g += sign * grams if before else 0
            elif not before:
                setattr(self, name, getattr(self, name) + sign * grams)

    @property
    def came_g(self) -> int:
        return (
            self.stock_before_g
            + self.cut_g
            + self.bought_in_g
            + self.opening_g
            + self.water_and_scale_g
        )

    @property
    def went_g(self) -> int:
        return sum(getattr(self, name) for name in WENT)

    @property
    def sold_or_used_g(self) -> int:
        return self.sold_g + self.to_businesses_g + self.used_g

    @property
    def unsold_g(self) -> int:
        return self.thrown_g + self.donated_g + self.staff_g

    def of_cut(self, line: str) -> Decimal | None:
        """A line as per cent of the cut."""
        return percent(getattr(self, line), self.cut_g)


#: What became of it, in the order of the way.
WENT = (
    "grade_out_g",
    "trim_g",
    "giveaway_g",
    "samples_g",
    "moisture_g",
    "lost_at_rework_g",
    "short_g",
    "unexplained_g",
    "rejected_thrown_g",
    "sold_g",
    "to_businesses_g",
    "used_g",
    "thrown_g",
    "donated_g",
    "staff_g",
    "stock_after_g",
)


#: Of that, what nobody paid for or ate.
LOST = tuple(
    name for name in WENT if name not in ("sold_g", "to_businesses_g", "used_g", "stock_after_g")
)


@dataclass
class MonthWaste(WasteRow):
    """Of all crops in one month (yyyymm)."""

    month: int = 0


@dataclass
class Waste:
    about: About
    rows: list[WasteRow]
    total: WasteRow


def waste(period: Period) -> Waste:
    """What became of the grams of a period, by crop, in whole grams."""
    about = About(
        period,
        base="grams cut, net of the crate; per cents are of the cut",
        unit="g",
        notes=[
            "A mixed pack's rows are shared to crops by what went in, row by row, so a crop's "
            "stock may be out by a gram a row; over all crops it is exact.",
            "Unexplained is what counts found missing less what was found too much, and what was "
            "told beyond the books; short at the door stands apart. A lot's own trace counts both.",
            "Left uncut at clearing is the guide's guess and no part of the balance.",
        ],
    )
    with sums.one_moment():
        rows = _by_crop(period)
        uncut = left_uncut(period)
        _standard(period, about)
    for crop, grams in uncut.items():
        rows.setdefault(crop, WasteRow(crop, "")).uncut_g += grams
    called = names()
    for crop, row in rows.items():
        row.crop = called[crop]
    listed = sorted(rows.values(), key=lambda row: (row.crop_id is None, row.crop))
    total = WasteRow(None, ALL_CROPS)
    for row in listed:
        for name in _NUMBERS:
            setattr(total, name, getattr(total, name) + getattr(row, name))
    return Waste(about, listed, total)


_NUMBERS = [f.name for f in fields(WasteRow) if f.name.endswith("_g")]


def _by_crop(period: Period) -> dict[int | None, WasteRow]:
    rows: dict[int | None, WasteRow] = {}
    before = months.reading(None, period.first - dt.timedelta(days=1), sums.EATEN, by_month=False)
    during = months.reading(period.first, period.last, sums.EATEN, by_month=False)
    for moved, then in ((before, True), (during, False)):
        for row, grams in moved.items():
            rows.setdefault(row.crop, WasteRow(row.crop, "")).count(row, grams, before=then)
    return rows


def by_month(period: Period) -> dict[int, MonthWaste]:
    """Month (yyyymm) → what became of the grams of all crops in it."""
    first, last = period.first, period.last
    rows: dict[int, MonthWaste] = {}
    with sums.one_moment():
        before = months.reading(
            None, first - dt.timedelta(days=1), sums.EATEN, by_month=False, by_crop=False
        )
        during = months.reading(first, last, sums.EATEN, by_crop=False)
        uncut = months.reading(first, last, [UNCUT], by_crop=False)
    opening = WasteRow(None, ALL_CROPS)
    for moved, grams in before.items():
        opening.count(moved, grams, before=True)
    found: dict[int, list[tuple[months.Row, int]]] = defaultdict(list)
    for moved, grams in during.items():
        found[moved.month].append((moved, grams))
    stock = opening.stock_after_g
    for month in months.within(first, last):
        row = rows[month] = MonthWaste(
            None, ALL_CROPS, stock_before_g=stock, stock_after_g=stock, month=month
        )
        for moved, grams in found[month]:
            row.count(moved, grams)
        row.uncut_g = uncut[months.Row(UNCUT, month, None, "")]
        stock = row.stock_after_g
    return rows


@cache
def lines(what: str, key: str) -> Mapping[str, int]:
    """What a gram of a row of the months' sums adds to the lines of the table. Every line but the
    ones beside the balance is entered as often as another is left."""
    cell = months.cell(what, key)
    out: Counter[str] = Counter()
    for kind, other, sign in (
        (cell.to_kind, cell.from_kind, 1),
        (cell.from_kind, cell.to_kind, -1),
    ):
        if kind in _INS:
            out[_INS[K(kind)]] -= sign
        else:
            out[_line(cell, kind, other)] += sign
        if kind == K.PACKING or (kind == K.USED and cell.lot_kind == "pack"):
            out["packed_g"] -= sign
        if kind == K.QUARANTINE and other == K.TRANSIT:
            out["rejected_g"] += sign
    return out


def _line(cell: sums.Cell, kind: str, other: str) -> str:
    """The line on which a place's grams stand, given what is on the other side."""
    if kind in (K.USED, K.PACKING):
        # what went into packs less what came out as packs: nought but where bags were reworked
        return "lost_at_rework_g"
    if kind == K.COUNT_DIFFERENCE:
        return "short_g" if cell.event_kind == "receive" else "unexplained_g"
    if kind in THROWN:
        if other == K.GROWTH:
            return "grade_out_g"
        if cell.event_kind in _PACKING:
            return "trim_g"
        return "rejected_thrown_g" if other == K.QUARANTINE else "thrown_g"
    return _ENDS.get(K(kind), "stock_after_g")


def lost_lots(period: Period) -> dict[str, Counter[int]]:
    """Line of what was lost → lot → grams of it."""
    out: dict[str, Counter[int]] = {name: Counter() for name in LOST}
    for lot, cell, grams in sums.of_lots(sums.EATEN, period.last, period.first):
        for name, sign in lines(cell.lot_kind, "/".join(cell[3:])).items():
            if name in out:
                out[name][lot] += sign * grams
    return out


def left_uncut(period: Period) -> dict[int | None, int]:
    """Grams that clearings of the period told as left uncut, by crop: the guide's guess."""
    rows = months.reading(period.first, period.last, [UNCUT], by_month=False)
    return {row.crop: grams for row, grams in rows.items() if grams}


def uncut_of_sowings(period: Period) -> Counter[int]:
    """The same by sowing."""
    guesses: Counter[int] = Counter()
    for _, batch, grams in _uncut(period):
        guesses[batch] += grams
    return guesses


def _uncut(period: Period) -> Iterable[tuple[int, int, int]]:
    """(day, sowing, grams)"""
    first, last = period.numbers
    cleared = Event.objects.filter(alive(), kind="clear", day__gte=first, day__lte=last)
    for day, told in cleared.values_list("day", "told"):
        facts = json.loads(told or "{}")
        yield day, facts["batch"], facts.get("uncut_g") or 0


@months.source(UNCUT)
def _by_months(first: dt.date, last: dt.date, _: Iterable[str]) -> Mapping[months.Row, int]:
    guesses = [guess for guess in _uncut(Period(first, last)) if guess[2]]
    crops: dict[int, int | None] = {}
    for part in sums.parts(batch for _, batch, _ in guesses):
        crops |= dict(Lot.objects.filter(pk__in=part).values_list("pk", "crop_id"))
    out: Counter[months.Row] = Counter()
    for day, batch, grams in guesses:
        out[months.Row(UNCUT, day // 100, crops[batch], "")] += grams
    return out


def _standard(period: Period, about: About) -> None:
    """How much of what reached an end was estimated, shared out, remainder or worked out."""
    first, last = period.numbers
    ended = (K.SOLD, K.SERVED, K.BUYER, K.SAMPLE, K.GIVEAWAY, K.MOISTURE, K.DONATED, K.STAFF)
    grams: Counter[str] = Counter()
    moved = Movement.objects.filter(
        day__gte=first,
        day__lte=last,
        lot__kind__in=sums.EATEN,
        to_place__kind__in=[*ended, *THROWN, K.COUNT_DIFFERENCE],
    )
    for basis, each, quantity in moved.values_list("basis", "lot__grams_each").annotate(
        Sum("quantity")
    ):
        grams[basis] += quantity * (each or 1)
    whole = sum(grams.values())
    known = sum(grams[basis] for basis in _EVIDENCE)
    about.standard_pct = percent(whole - known, whole)
    about.standard_says = "of the grams that reached an end: shared out, remainder or worked out"
