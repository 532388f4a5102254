"""What was counted: cells sown, plants planted and cleared, grams cut and washed, packs made, cells
on a lit shelf at each midnight. Each count is the ledger's own, by local day (yyyymmdd) and crop.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from django.db.models import Case, F, Q, Sum, When

from grow import clock, months, sums
from grow.models import NURSERY, LotKind, Movement
from grow.models import PlaceKind as K
from grow.months import FINE
from sales.models import PackingRun

from .models import TRAY_CELLS, Rate
from .period import Period

W = Rate.What
CropId = int | None
#: Counted things: (day, crop) → how many.
Counts = Counter[tuple[int, CropId]]

#: rate of minutes → name of the count
MINUTES = (
    (W.SOW_MINUTES, "cells"),
    (W.PLANT_MINUTES, "planted"),
    (W.CLEAR_MINUTES, "cleared"),
    (W.CUT_MINUTES, "cut_g"),
    (W.WASH_MINUTES, "washed_g"),
    (W.PACK_MINUTES, "packs"),
)
#: How many counted things the rate's unit is: a kilogram is 1000 g, a tray 84 cells.
PER = {
    W.NUTRIENT: 1000,
    W.WATER: 1000,
    W.CUT_MINUTES: 1000,
    W.WASH_MINUTES: 1000,
    W.SOW_MINUTES: TRAY_CELLS,
}
GROWN = ("cells", "planted", "cleared", "cut_g", "kept_g", "lit_cell_days")


def grown(period: Period) -> dict[str, Counts]:
    """Cells sown, plants planted and cleared, grams cut, lit cell-days; by day and crop.

    Cut grams are all that came off the plant, grade-out included: it was cut and fed. Kept ones
    are without it."""
    counts: dict[str, Counts] = {name: Counter() for name in GROWN}
    plants = sums.reading(period.first, period.last, lot_kinds=[LotKind.BATCH])
    cut = sums.reading(period.first, period.last, lot_kinds=[LotKind.HARVEST])
    for cell, quantity in [*plants.items(), *cut.items()]:
        count(counts, cell, quantity)
    counts["lit_cell_days"] = lit_cell_days(period, plants)
    return counts


def lit_cell_days(period: Period, plants: Mapping[sums.Cell, int]) -> Counts:
    """plants: what moved of them in the period. What stood on a shelf before counts from its first
    day on."""
    before = sums.reading(
        None, period.first - dt.timedelta(days=1), lot_kinds=[LotKind.BATCH], by_day=False
    )
    changes: Counter[tuple[int, CropId]] = Counter()
    for cell, quantity in [*before.items(), *plants.items()]:
        changes[cell.day or period.numbers[0], cell.crop] += onto_shelf(cell, quantity)
    return midnights(changes, period)


def worked(days: Iterable[dt.date]) -> dict[str, Mapping[tuple[int, CropId], int | Fraction]]:
    """What minutes are spent on, of these days alone."""
    days = sorted(days)
    counts: dict[str, Counts] = {name: Counter() for name in GROWN}
    read = sums.reading(days=days, lot_kinds=[LotKind.BATCH, LotKind.HARVEST])
    for cell, quantity in read.items():
        count(counts, cell, quantity)
    packs, washed = by_crop(runs(day__in=[clock.day_number(day) for day in days]))
    return {**counts, "packs": packs, "washed_g": washed}


def count(
    counts: dict[str, Counts], cell: sums.Cell, quantity: int, day: int | None = None
) -> None:
    """Add what moved to the counts of its day, or of the one that is named."""
    at = day or cell.day, cell.crop
    if cell.lot_kind == LotKind.BATCH:
        for name, number in plants_counted(cell, quantity):
            counts[name][at] += number
    elif K.GROWTH in (cell.from_kind, cell.to_kind):
        grams = _signed(cell, quantity, (K.GROWTH,))
        counts["cut_g"][at] += grams
        if K.COMPOST not in (cell.from_kind, cell.to_kind):
            counts["kept_g"][at] += grams


def plants_counted(cell: sums.Cell, quantity: int) -> Iterator[tuple[str, int]]:
    """Which of the counts a movement of cells or plants adds to, and how much."""
    if cell.event_kind == "sow":
        yield "cells", _signed(cell, quantity, (K.GROWTH,))
    elif cell.event_kind == "transplant":
        if K.TOWER in (cell.to_kind, cell.from_kind) and K.COMPOST not in cell[4:6]:
            yield "planted", _signed(cell, quantity, NURSERY)
    elif cell.event_kind == "clear" and K.TOWER in (cell.to_kind, cell.from_kind):
        yield "cleared", _signed(cell, quantity, (K.TOWER,))


def onto_shelf(cell: sums.Cell, quantity: int) -> int:
    return quantity * ((cell.to_kind == K.SHELF) - (cell.from_kind == K.SHELF))


def _signed(cell: sums.Cell, quantity: int, from_kinds: Iterable[str]) -> int:
    """Out of these places, or back into them by a cancel or a correction."""
    return quantity if cell.from_kind in from_kinds else -quantity


def midnights(changes: Mapping[tuple[int, CropId], int], period: Period) -> Counts:
    """Cell-days: a cell counts a day for each local midnight that it spends on a shelf, charged
    to the day that ends then. Tomorrow's are not spent yet. What the second of the key is, crop or
    sowing, is the caller's."""
    of_each: dict[CropId, list[tuple[dt.date, int]]] = defaultdict(list)
    for (day, key), change in sorted(changes.items(), key=lambda c: c[0][0]):
        of_each[key].append((clock.number_day(day), change))
    end = min(period.last + dt.timedelta(days=1), clock.local(clock.now()).date())
    out: Counts = Counter()
    for key, rows in of_each.items():
        cells = 0
        for (since, change), (until, _) in pairwise([*rows, (end, 0)]):
            cells += change
            night = max(since, period.first)
            while cells and night < min(until, end):
                out[clock.day_number(night), key] += cells
                night += dt.timedelta(days=1)
    return out


# --- packing ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Run:
    """packs: closed on its day, less what was put right then. shares: what went in, by crop."""

    lot: int
    day: int
    packs: int
    row: PackingRun
    shares: sums.Shares


def runs(**when: object) -> list[Run]:
    """Runs made on the days that a lookup of `day` names (day__in, day__gte, day__lte)."""
    signed = Case(When(from_place__kind=K.PACKING, then=F("quantity")), default=-F("quantity"))
    made = (
        Movement.objects.filter(
            Q(from_place__kind=K.PACKING) | Q(to_place__kind=K.PACKING),
            lot__kind=LotKind.PACK,
            **when,
        )
        .values_list("lot_id", "day")
        .annotate(n=Sum(signed))
    )
    packs_of = {lot: (day, n) for lot, day, n in made if n}
    shares = sums.shares_of(packs_of)
    known = (
        PackingRun.objects.filter(
            **{f"lot__made_by__{name}": value for name, value in when.items()}
        )
        .select_related("product")
        .in_bulk()
    )
    return [
        Run(lot, day, n, known[lot], shares[lot])
        for lot, (day, n) in packs_of.items()
        if lot in known
    ]


def by_crop(made: Iterable[Run]) -> tuple[dict[tuple[int, CropId], Fraction], Counts]:
    """(packs, grams washed) by day and crop. A pack of several crops is shared to them by what
    went in, to a billionth."""
    packs: dict[tuple[int, CropId], Fraction] = defaultdict(Fraction)
    washed: Counts = Counter()
    for run in made:
        for crop, part in sums.split(run.packs * FINE, run.shares):
            packs[run.day, crop] += Fraction(part, FINE)
        if run.row.washed:
            for crop, part in sums.split(run.row.grams_in, run.shares):
                washed[run.day, crop] += part
    return packs, washed


# --- by month -----------------------------------------------------------------------------------

#: Cell-days on lit shelves; packs by product, in parts; grams washed.
LIT, PACKS, WASHED = "lit", "packs", "washed"


@months.source(LIT)
def _lit(first: dt.date, last: dt.date, _: Iterable[str]) -> Mapping[months.Row, int]:
    out: Counter[months.Row] = Counter()
    plants = sums.reading(first, last, lot_kinds=[LotKind.BATCH])
    for (day, crop), cells in lit_cell_days(Period(first, last), plants).items():
        out[months.Row(LIT, day // 100, crop, "")] += cells
    return out


@months.source(PACKS, WASHED)
def _packed(first: dt.date, last: dt.date, whats: Iterable[str]) -> Mapping[months.Row, int]:
    out: Counter[months.Row] = Counter()
    since, until = Period(first, last).numbers
    for run in runs(day__gte=since, day__lte=until):
        month = run.day // 100
        for crop, part in sums.split(run.packs * FINE, run.shares):
            out[months.Row(PACKS, month, crop, str(run.row.product_id))] += part
        if run.row.washed:
            for crop, part in sums.split(run.row.grams_in, run.shares):
                out[months.Row(WASHED, month, crop, "")] += part
    return Counter({row: n for row, n in out.items() if row.what in whats})
