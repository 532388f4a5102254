"""What was counted, and what it costs: exact pence, by crop and line.

Something bought in costs what was paid for the receipt then in use (analytics/receipts.py); where
that is not known, and for all else, the rate of its day is charged. Minutes are standard minutes,
rescaled by the days that were timed. A count that has neither is a gap in words.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from functools import cache, cached_property
from typing import TypeVar

from grow import clock, sums
from grow.models import Event, alive
from sales.models import Product

from .counted import MINUTES, PER, Counts, Run, W, by_crop, grown, plants_counted, runs
from .crops import names
from .models import UNITS
from .period import About, Period
from .rates import Rates
from .receipts import Receipts
from .timed import Timed

CropId = int | None
Bought = tuple[int, CropId, int, Fraction | None]
K = TypeVar("K")

#: cost line → (rate, divisor of the count, name of the count)
PENCE = {
    "seed_and_plugs": ((W.SEED, "cells"), (W.MEDIUM, "cells"), (W.POT, "planted")),
    "light": ((W.LIGHT, "lit_cell_days"),),
    "nutrient_and_water": ((W.NUTRIENT, "cut_g"), (W.WATER, "cut_g")),
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


class Told:
    """All that is told of costs and minutes, read once."""

    def __init__(self) -> None:
        self.rates, self.receipts = Rates(), Receipts()

    @cached_property
    def timed(self) -> Timed:
        return Timed(self.rates)

    def cell(self, what: str, batch: int, crop: CropId, day: int) -> Fraction | Decimal | None:
        """What a counted thing of one sowing is charged: its receipt, else the rate."""
        if what in (W.SEED, W.MEDIUM):
            each = self.receipts.of_cell(what, batch, day)
            if each is not None:
                return each
        return self.rates.charged(what, crop, day)

    def pack(self, product: Product, day: int) -> Fraction | None:
        """What bag and label of a pack are charged without a receipt: the product's own rate, else
        what stands at it, else the rate of all; None where nobody told."""
        each = self.rates.own(W.PACKAGING, product.pk, day)
        if each is None:
            each = product.packaging_pence or self.rates.own(W.PACKAGING, None, day)
        return None if each is None else Fraction(each)

    def of_one_day(self, first: dt.date, last: dt.date) -> bool:
        """Are all days charged as the first one: no receipts, no rate or factor that changes?"""
        since, until = clock.day_number(first), clock.day_number(last)
        return not (
            self.receipts
            or self.rates.change_within(first, last)
            or self.timed.change_within(since, until)
            or self.rates.of(W.WAGE, None, since) is None
        )


@dataclass
class Costs:
    """Exact pence and minutes by what was charged and crop, and what was counted. Fractions: a
    third of a pack is exact, and a sum is the same whatever order the rows came in."""

    counts: dict[str, Counts] = field(default_factory=dict)
    #: Pence of what was bought, lit, fed; minutes by what they were spent on, and their pence.
    pence_of: dict[str, dict[CropId, Fraction]] = field(default_factory=lambda: defaultdict(dict))
    minutes_of: dict[str, dict[CropId, Fraction]] = field(default_factory=lambda: defaultdict(dict))
    labour_of: dict[str, dict[CropId, Fraction]] = field(default_factory=lambda: defaultdict(dict))
    #: "packs", "packaging" (pence), "washed_g" by run: what a run's crops and cuts share.
    of_run: dict[str, dict[int, Fraction]] = field(default_factory=lambda: defaultdict(dict))
    #: Of the minutes, those of days on which a timed day rescales them; and their pence in all.
    timed: dict[CropId, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    timed_p: Fraction = Fraction(0)
    #: Of the pence in all, those by receipts.
    by_receipt: dict[str, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    #: What the timed days say.
    says: list[str] = field(default_factory=list)
    #: By what it was charged.
    told: Told | None = field(default=None, compare=False, repr=False)

    @cached_property
    def pence(self) -> dict[str, dict[CropId, Fraction]]:
        """By line and crop."""
        lines = {
            line: added_up(self.pence_of, (what for what, _ in PENCE.get(line, ((line, ""),))))
            for line in LINES
        }
        return lines | {"labour": added_up(self.labour_of, self.labour_of)}

    @cached_property
    def minutes(self) -> dict[CropId, Fraction]:
        return added_up(self.minutes_of, self.minutes_of)

    def by_rate(self, what: str) -> Fraction:
        """Of the pence in all, those by rates."""
        return sum(self.pence_of[what].values(), -self.by_receipt[what])

    def by_crop(self, lines: Iterable[str]) -> dict[CropId, Fraction]:
        """Exact pence of these lines together."""
        return added_up(self.pence, lines)

    @property
    def known_p(self) -> Fraction:
        """Exact pence of what is not standard: charged by a receipt, or by minutes timed."""
        return sum(self.by_receipt.values(), self.timed_p)

    def counted(self, *names: str) -> Counter[CropId]:
        """So many of these counts together, by crop."""
        out: Counter[CropId] = Counter()
        for name in names:
            for (_, crop), number in self.counts[name].items():
                out[crop] += number
        return out


def added_up(
    parts: Mapping[str, Mapping[CropId, Fraction]], names: Iterable[str]
) -> dict[CropId, Fraction]:
    out: dict[CropId, Fraction] = defaultdict(Fraction)
    for name in names:
        for crop, amount in parts.get(name, {}).items():
            add(out, crop, amount)
    return out


def add(to: dict[K, Fraction], key: K, amount: Fraction) -> None:
    """As `to[key] += amount`, without the sum where nothing is there yet: a sum of fractions looks
    for common divisors."""
    to[key] = to[key] + amount if key in to else amount


def costs(period: Period, about: About, told: Told | None = None) -> Costs:
    """Raises nothing: what has no rate is named in about.gaps and left out."""
    told, missing = told or Told(), Missing()
    with sums.one_moment():
        out = Charged(period, about, told, missing).read(counted(period, told))
    missing.say(about, told)
    return out


@dataclass(frozen=True)
class Counted:
    """What was counted on some days, before anything is charged for it. counts: all but packs and
    what was washed, which are the runs'; sown: what moved of each sowing, where receipts ask."""

    bought: list[Bought]
    runs: list[Run]
    counts: dict[str, Counts]
    sown: list[tuple[int, sums.Cell, int]]

    def by_month(self) -> dict[int, Counted]:
        """Month (yyyymm) → the same of its days."""
        out: dict[int, Counted] = defaultdict(
            lambda: Counted([], [], {name: Counter() for name in self.counts}, [])
        )
        for one in self.bought:
            out[one[0] // 100].bought.append(one)
        for run in self.runs:
            out[run.day // 100].runs.append(run)
        for name, counts in self.counts.items():
            for (day, crop), number in counts.items():
                out[day // 100].counts[name][day, crop] = number
        for batch, cell, quantity in self.sown:
            out[cell.day // 100].sown.append((batch, cell, quantity))
        return out


def counted(period: Period, told: Told) -> Counted:
    first, last = period.numbers
    return Counted(
        list(bought(period)),
        runs(day__gte=first, day__lte=last),
        grown(period),
        sums.of_sowings(period.last, period.first) if told.receipts else [],
    )


class Missing:
    """What was counted and has no rate, and days with minutes and no wage: said once, however many
    months they are of."""

    def __init__(self) -> None:
        self.counts: dict[tuple[W, CropId], Fraction] = defaultdict(Fraction)
        self.no_wage: set[int] = set()

    def say(self, about: About, told: Told) -> None:
        for gap in sorted(told.receipts.gaps):
            about.gap(gap)
        if self.no_wage:
            since = clock.number_day(min(self.no_wage))
            about.gap(
                f"No rate for labour on {len(self.no_wage)} days from {since:%d %b %Y}: "
                "their minutes are not in the margin after labour."
            )
        if not any(self.counts.values()):
            return  # nor are the names asked for
        called = names()
        count_of = dict(MINUTES)
        count_of |= {what: count for parts in PENCE.values() for what, count in parts}
        listed = sorted(self.counts.items(), key=lambda m: (m[0][0], called[m[0][1]]))
        for (what, crop), number in listed:
            if number:
                about.gap(
                    f"{called[crop]}: no rate for {what.label.lower()} ({UNITS[what]}), so "
                    f"{round(number)} {_SAYS[count_of[what]]} are left out."
                )


class Charged:
    """What was counted in a period, charged by what is told."""

    def __init__(self, period: Period, about: About, told: Told, missing: Missing) -> None:
        self.period, self.about, self.missing = period, about, missing
        self.told = told
        self.rates, self.receipts, self.timed = told.rates, told.receipts, told.timed
        self.out = Costs(told=told)
        self._bought: Counts = Counter()
        self._sown: list[tuple[int, sums.Cell, int]] = []

    def read(self, found: Counted) -> Costs:
        """Day by day."""
        for one in found.bought:
            self.pay(*one)
        self._sown = found.sown
        packs, washed = by_crop(found.runs)
        self._packaging(found.runs)
        return self._charge(found.counts | {"washed_g": washed}, packs)

    def together(
        self,
        counts: Mapping[str, Counts],
        packs: Mapping[tuple[int, CropId], Fraction],
        packaging: Mapping[tuple[CropId, Product], Fraction],
    ) -> Costs:
        """The same of days that are charged alike, with all counts on the first of them."""
        for (crop, product), number in packaging.items():
            pence = self._packaging_rate(product, self.period.numbers[0]) * number
            add(self.out.pence_of[W.PACKAGING], crop, pence)
        return self._charge(counts, packs)

    def pay(self, day: int, crop: CropId, grams: int, pence: Fraction | None) -> None:
        """What was paid for leaf grown by somebody else, where it was told."""
        self._bought[day, crop] += grams
        if pence is None:
            self.about.gap(
                f"{grams} g bought in on {clock.number_day(day):%d %b %Y}: "
                "nobody told what was paid."
            )
        else:
            add(self.out.pence_of["bought_in"], crop, pence)

    def _charge(
        self, counts: Mapping[str, Counts], packs: Mapping[tuple[int, CropId], Fraction]
    ) -> Costs:
        out = self.out
        out.counts = {**counts, "packs": Counter(), "bought_g": self._bought}
        for key, number in packs.items():
            out.counts["packs"][key] += int(number)
        for parts in PENCE.values():
            for what, count in parts:
                self._by_rate(what, self._by_receipt(what, out.counts[count]))
        self._minutes(packs)
        return out

    # --- what is bought ---------------------------------------------------------------------

    def _by_rate(self, what: W, counted: Counts) -> None:
        """Charge the rate for what no receipt was charged for."""
        of = self.out.pence_of[what]
        for (day, crop), number in counted.items():
            rate = self.rates.charged(what, crop, day)
            if rate is None:
                self.missing.counts[what, crop] += number
            elif number:
                add(of, crop, number * per(rate, PER.get(what, 1)))

    def _by_receipt(self, what: W, counted: Counts) -> Counts:
        """Charge receipts for what they are known of; gives the counts that are left."""
        if not self.receipts:
            return counted
        left = Counter(counted)
        for day, crop, number, pence in self._receipted(what, counted):
            left[day, crop] -= number
            add(self.out.pence_of[what], crop, pence)
            self.out.by_receipt[what] += pence
        return left

    def _receipted(self, what: W, counted: Counts) -> Iterator[tuple[int, CropId, int, Fraction]]:
        """(day, crop, so many of the count, their pence)."""
        if what in (W.SEED, W.MEDIUM):
            for batch, cell, quantity in self._sown:
                cells = dict(plants_counted(cell, quantity)).get("cells", 0)
                each = self.receipts.of_cell(what, batch, cell.day) if cells else None
                if each is not None:
                    yield cell.day, cell.crop, cells, each * cells
        elif what == W.NUTRIENT:
            for (day, crop), grams in counted.items():
                each = nutrient(self.receipts, self.rates, crop, day)
                if each is not None:
                    yield day, crop, grams, each * grams / 1000

    def _packaging(self, made: Iterable[Run]) -> None:
        for run in made:
            product = run.row.product
            each = self.receipts.packaging(run.lot, product.pk, run.day)
            told = each is not None
            if each is None:
                each = self._packaging_rate(product, run.day)
            pence, whole = each * run.packs, sum(run.shares.values())
            self.out.by_receipt[W.PACKAGING] += pence * told
            self.out.of_run["packs"][run.lot] = Fraction(run.packs)
            self.out.of_run["packaging"][run.lot] = pence
            self.out.of_run["washed_g"][run.lot] = Fraction(run.row.grams_in * run.row.washed)
            for crop, grams in run.shares.items():
                add(self.out.pence_of[W.PACKAGING], crop, pence * grams / whole)

    def _packaging_rate(self, product: Product, day: int) -> Fraction:
        each = self.told.pack(product, day)
        if each is None:
            self.about.gap(f"{product}: no packaging cost is set.")
        return each or Fraction(0)

    # --- minutes ----------------------------------------------------------------------------

    def _minutes(self, packs: Mapping[tuple[int, CropId], Fraction]) -> None:
        out = self.out
        held = cache(lambda day: (self.timed.factor(day), self.rates.of(W.WAGE, None, day)))
        for what, count in MINUTES:
            counted = packs if count == "packs" else out.counts[count]
            minutes_of, labour_of = out.minutes_of[what], out.labour_of[what]
            for (day, crop), number in counted.items():
                rate = self.rates.of(what, crop, day)
                if rate is None:
                    self.missing.counts[what, crop] += number
                    continue
                minutes = number * per(rate, PER.get(what, 1))
                factor, wage = held(day)
                if factor is not None:
                    minutes *= factor
                    out.timed[crop] += minutes
                add(minutes_of, crop, minutes)
                if wage is None:
                    self.missing.no_wage |= {day} if minutes else set()
                    continue
                pence = minutes * per(wage, 60)
                add(labour_of, crop, pence)
                if factor is not None:
                    out.timed_p += pence
        out.says = [timing.says for timing in self.timed.in_force(*self.period.numbers)]


def nutrient(receipts: Receipts, rates: Rates, crop: CropId, day: int) -> Fraction | None:
    """Pence of nutrient a kg cut by the receipts in use: pence a litre × litres a kg."""
    litre = receipts.nutrient(day)
    litres = rates.of(W.LITRES, crop, day)
    return None if litre is None or litres is None else litre * Fraction(litres)


def bought(period: Period) -> Iterator[Bought]:
    """(day, crop, grams, pence if they were told) of leaf grown by somebody else."""
    first, last = period.numbers
    rows = Event.objects.filter(
        alive(),
        kind="receive_produce",
        day__gte=first,
        day__lte=last,
    ).values_list("told", "day")
    for told, day in rows:
        facts = json.loads(told or "{}")
        pence = facts.get("paid_pence")
        yield day, facts["crop"], facts["grams"], None if pence is None else Fraction(pence)


@cache
def per(rate: Decimal, units: int) -> Fraction:
    """Of one unit, exactly."""
    return Fraction(rate) / units


__all__ = ["GROWING", "LINES", "MINUTES", "PENCE", "PER", "RAISING", "RAISING_MINUTES", "Bought",
           "Charged", "Costs", "Counted", "Missing", "Told", "W", "added_up", "bought", "costs",
           "counted", "nutrient"]  # fmt: skip
