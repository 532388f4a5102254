"""What was counted, and what it costs by the rates of its day: exact pence, by crop and line.

Each count is the ledger's own: cells sown, plants planted and cleared, kilograms cut and washed,
packs made, cells on a lit shelf at each midnight. A count that has no rate is a gap in words.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from django.db.models import Case, F, Q, Sum, When

from grow import clock, sums
from grow.models import NURSERY, Event, LotKind, Movement, alive
from grow.models import PlaceKind as K
from sales.models import PackingRun

from .crops import names
from .models import TRAY_CELLS, UNITS, Rate
from .period import About, Period
from .rates import Rates

W = Rate.What
CropId = int | None
#: Counted things: (day, crop) → how many.
Counts = Counter[tuple[int, CropId]]

#: cost line → (rate, divisor of the count, name of the count)
PENCE = {
    "seed_and_plugs": ((W.SEED, "cells"), (W.MEDIUM, "cells"), (W.POT, "planted")),
    "light": ((W.LIGHT, "lit_cell_days"),),
    "nutrient_and_water": ((W.NUTRIENT, "cut_g"), (W.WATER, "cut_g")),
}
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
_SAYS = {
    "cells": "cells sown",
    "planted": "plants planted",
    "cleared": "plants cleared",
    "cut_g": "g cut",
    "washed_g": "g washed",
    "packs": "packs made",
    "lit_cell_days": "cell-days on lit shelves",
}
#: What it takes to have leaf, before anybody cuts or packs it.
GROWING = ("seed_and_plugs", "bought_in", "nutrient_and_water", "light")
#: Of them, what it takes to raise and plant, before the first leaf; and the minutes of that.
RAISING = ("seed_and_plugs", "light")
RAISING_MINUTES = (W.SOW_MINUTES, W.PLANT_MINUTES)
LINES = ("seed_and_plugs", "bought_in", "nutrient_and_water", "light", "packaging")


@dataclass
class Costs:
    """Exact pence by line and crop, exact minutes by crop, and what was counted. Fractions: a third
    of a pack is exact, and a sum is the same whatever order the rows came in."""

    pence: dict[str, dict[CropId, Fraction]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(Fraction))
    )
    minutes: dict[CropId, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    counts: dict[str, Counts] = field(default_factory=dict)
    #: The same minutes, and their pence, by what they were spent on.
    minutes_of: dict[str, dict[CropId, Fraction]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(Fraction))
    )
    labour_of: dict[str, dict[CropId, Fraction]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(Fraction))
    )
    #: "packs", "packaging" (pence), "washed_g" by run: what a run's crops and cuts share.
    of_run: dict[str, dict[int, Fraction]] = field(default_factory=lambda: defaultdict(dict))

    def by_crop(self, lines: Iterable[str]) -> dict[CropId, Fraction]:
        """Exact pence of these lines together."""
        out: dict[CropId, Fraction] = defaultdict(Fraction)
        for line in lines:
            for crop, pence in self.pence[line].items():
                out[crop] += pence
        return out

    def counted(self, *names: str) -> Counter[CropId]:
        """So many of these counts together, by crop."""
        out: Counter[CropId] = Counter()
        for name in names:
            for (_, crop), number in self.counts[name].items():
                out[crop] += number
        return out


def costs(period: Period, about: About) -> Costs:
    """Raises nothing: what has no rate is named in about.gaps and left out."""
    out = Costs()
    out.counts = _grown(period)
    packs, washed, packaging = _packed(period, out, about)
    out.counts |= {"packs": Counter(), "washed_g": washed}
    for key, number in packs.items():
        out.counts["packs"][key] += int(number)
    rates = Rates()
    missing: dict[tuple[str, CropId], Fraction] = defaultdict(Fraction)

    def charge(what: str, counted: Mapping[tuple[int, CropId], int | Fraction], count: str):
        for (day, crop), number in counted.items():
            rate = rates.of(what, crop, day)
            if rate is None:
                missing[what, crop] += number
            elif number:
                yield day, crop, Fraction(rate) * number / PER.get(W(what), 1)

    for line, parts in PENCE.items():
        for what, count in parts:
            for _, crop, pence in charge(what, out.counts[count], count):
                out.pence[line][crop] += pence
    for crop, pence in packaging.items():
        out.pence["packaging"][crop] += pence
    no_wage: set[int] = set()
    for what, count in MINUTES:
        counted = packs if count == "packs" else out.counts[count]
        for day, crop, minutes in charge(what, counted, count):
            out.minutes[crop] += minutes
            out.minutes_of[what][crop] += minutes
            wage = rates.of(W.WAGE, None, day)
            if wage is None:
                no_wage.add(day)
            else:
                pence = minutes * Fraction(wage) / 60
                out.pence["labour"][crop] += pence
                out.labour_of[what][crop] += pence
    _bought_in(period, out, about)
    _say_what_is_missing(missing, no_wage, about)
    return out


# --- counts ---------------------------------------------------------------------------------


def _grown(period: Period) -> dict[str, Counts]:
    """Cells sown, plants planted and cleared, grams cut, lit cell-days; by day and crop.

    Cut grams are all that came off the plant, grade-out included: it was cut and fed. Kept ones
    are without it."""
    first, _ = period.numbers
    counts: dict[str, Counts] = {
        name: Counter()
        for name in ("cells", "planted", "cleared", "cut_g", "kept_g", "lit_cell_days")
    }
    on_shelf: Counter[tuple[int, CropId]] = Counter()
    read = sums.reading(None, period.last, lot_kinds=[LotKind.BATCH])
    for cell, quantity in read.items():
        key = cell.day, cell.crop
        on_shelf[key] += onto_shelf(cell, quantity)
        if cell.day < first:
            continue
        for name, number in plants_counted(cell, quantity):
            counts[name][key] += number
    counts["lit_cell_days"] = midnights(on_shelf, period)
    cut = sums.reading(period.first, period.last, lot_kinds=[LotKind.HARVEST])
    for cell, grams in cut.items():
        if K.GROWTH in (cell.from_kind, cell.to_kind):
            counts["cut_g"][cell.day, cell.crop] += _signed(cell, grams, (K.GROWTH,))
            if K.COMPOST not in (cell.from_kind, cell.to_kind):
                counts["kept_g"][cell.day, cell.crop] += _signed(cell, grams, (K.GROWTH,))
    return counts


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


def _packed(
    period: Period, out: Costs, about: About
) -> tuple[dict[tuple[int, CropId], Fraction], Counts, dict[CropId, Fraction]]:
    """(packs by day and crop, grams washed, exact pence of packaging by crop). A pack of several
    crops is shared to them by what went in."""
    first, last = period.numbers
    signed = Case(When(from_place__kind=K.PACKING, then=F("quantity")), default=-F("quantity"))
    made = (
        Movement.objects.filter(
            Q(from_place__kind=K.PACKING) | Q(to_place__kind=K.PACKING),
            day__gte=first,
            day__lte=last,
            lot__kind=LotKind.PACK,
        )
        .values_list("lot_id", "day")
        .annotate(n=Sum(signed))
    )
    packs_of = {lot: (day, n) for lot, day, n in made if n}
    shares = sums.shares_of(packs_of)
    runs = (
        PackingRun.objects.filter(lot__made_by__day__gte=first, lot__made_by__day__lte=last)
        .select_related("product")
        .in_bulk()
    )
    packs: dict[tuple[int, CropId], Fraction] = defaultdict(Fraction)
    washed: Counts = Counter()
    packaging: dict[CropId, Fraction] = defaultdict(Fraction)
    for lot, (day, n) in packs_of.items():
        whole = sum(shares[lot].values())
        run = runs.get(lot)
        if run is None:
            continue
        if not run.product.packaging_pence:
            about.gap(f"{run.product}: no packaging cost is set.")
        out.of_run["packs"][lot] = Fraction(n)
        out.of_run["packaging"][lot] = Fraction(run.product.packaging_pence) * n
        out.of_run["washed_g"][lot] = Fraction(run.grams_in if run.washed else 0)
        for crop, grams in shares[lot].items():
            packs[day, crop] += Fraction(n * grams, whole)
            packaging[crop] += Fraction(run.product.packaging_pence) * n * grams / whole
        if run.washed:
            for crop, part in sums.split(run.grams_in, shares[lot]):
                washed[day, crop] += part
    return packs, washed, packaging


def _bought_in(period: Period, out: Costs, about: About) -> None:
    """What was paid for leaf grown by somebody else, told at its receipt, and how much it was."""
    out.counts["bought_g"] = Counter()
    first, last = period.numbers
    rows = Event.objects.filter(
        alive(),
        kind="receive_produce",
        day__gte=first,
        day__lte=last,
    ).values_list("told", "day")
    for told, day in rows:
        facts = json.loads(told or "{}")
        out.counts["bought_g"][day, facts["crop"]] += facts["grams"]
        if facts.get("paid_pence") is None:
            about.gap(
                f"{facts['grams']} g bought in on {clock.number_day(day):%d %b %Y}: "
                "nobody told what was paid."
            )
            continue
        out.pence["bought_in"][facts["crop"]] += Fraction(facts["paid_pence"])


def _say_what_is_missing(
    missing: Mapping[tuple[str, CropId], Fraction], no_wage: Iterable[int], about: About
) -> None:
    called = names()
    count_of = dict(MINUTES)
    count_of |= {what: count for parts in PENCE.values() for what, count in parts}
    for (what, crop), number in sorted(missing.items(), key=lambda m: (m[0][0], called[m[0][1]])):
        if number:
            about.gap(
                f"{called[crop]}: no rate for {W(what).label.lower()} ({UNITS[W(what)]}), so "
                f"{round(number)} {_SAYS[count_of[W(what)]]} are left out."
            )
    days = sorted(no_wage)
    if days:
        about.gap(
            f"No rate for labour on {len(days)} days from {clock.number_day(days[0]):%d %b %Y}: "
            "their minutes are not in the margin after labour."
        )
