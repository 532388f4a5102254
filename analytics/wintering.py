"""What it costs to carry plants through the winter under cover, against what they give in spring.

From the business's own records: every sowing that stood long enough on a lit shelf or in the
climate tent from November to February, or on towers all through, and what was cut of it from March
on. Or from assumptions that somebody entered. A row says which of the two it is.

A cell-day on a shelf costs what light does; a night in the tent costs the tent's electricity, which
the cells that stand in it share. A tower's site costs no energy of its own. What came back is what
a gram of the crop left at the pack-house door in that spring, after nutrient, water, packaging and
the minutes of cutting, washing and packing.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from grow import clock, sums
from grow.models import Lineage, Planting
from grow.models import PlaceKind as K

from .costs import W
from .counted import midnights
from .crops import names
from .period import DAY_S, About, Period, ratio
from .rates import Rates, at_nine_places, half_up
from .stands import Amounts, stands
from .yields import BOUGHT_IN, cut_lots

CropId = int | None
OWN, ENTERED = "own records", "entered assumptions"
SHELF, TENT, TOWER = "Lit shelf", "Climate tent", "Tower, in place"
_WHERE = {K.SHELF: SHELF, K.TENT: TENT}
#: A sowing of which the cells stood shorter than this is raised, not carried through.
LEAST_DAYS = 42


@dataclass
class WinterRow:
    """One crop in one place. plants: cells or sites; plant_days in the winter; carry_p: what the
    energy cost; cut_g: in spring; return_p: what that left at the door. None where that is not
    known. cut_in_winter_g: of the same plants before, which is in no money here."""

    basis: str
    crop: str
    crop_id: CropId
    where: str
    sowings: int = 0
    plants: int = 0
    plant_days: Decimal = Decimal(0)
    carry_p: int | None = 0
    cut_g: int = 0
    return_p: int | None = 0
    cut_in_winter_g: int | None = None

    @property
    def carry_each_p(self) -> Decimal | None:
        return None if self.carry_p is None else ratio(self.carry_p, self.plants)

    @property
    def return_each_p(self) -> Decimal | None:
        return None if self.return_p is None else ratio(self.return_p, self.plants)

    @property
    def left_p(self) -> int | None:
        """What came back, less what it cost to carry."""
        if self.carry_p is None or self.return_p is None:
            return None
        return self.return_p - self.carry_p


@dataclass(frozen=True)
class Assumed:
    """What somebody entered: so many cells, under watts a cell for hours a day and so many days;
    of which pct live and give grams each, that leave pence_kg at the door; electricity in pence a
    kWh."""

    cells: Decimal
    days: Decimal
    watts: Decimal
    hours: Decimal
    kwh_pence: Decimal
    pct: Decimal
    grams: Decimal
    pence_kg: Decimal

    def row(self) -> WinterRow:
        days = self.cells * self.days
        kwh = days * self.watts * self.hours / 1000
        grams = self.cells * self.pct / 100 * self.grams
        return WinterRow(
            ENTERED,
            "As entered",
            None,
            "Under cover",
            plants=int(self.cells),
            plant_days=days,
            carry_p=half_up(Fraction(kwh * self.kwh_pence)),
            cut_g=half_up(Fraction(grams)),
            return_p=half_up(Fraction(grams * self.pence_kg / 1000)),
        )


@dataclass
class Wintering:
    """winter: 1 November to the end of February; spring: from then to the end of May, or today."""

    about: About
    winter: Period
    spring: Period | None
    rows: list[WinterRow]


def winters(today: dt.date, number: int = 4) -> list[int]:
    """The years in which the newest winters ended, or will."""
    newest = today.year + (today.month >= 11)
    return [newest - n for n in range(number)]


def wintering(year: int, assumed: Assumed | None = None, least: int = LEAST_DAYS) -> Wintering:
    """The winter that ends in a year."""
    march, today = dt.date(year, 3, 1), clock.local(clock.now()).date()
    last = march - dt.timedelta(days=1)
    winter = Period(dt.date(year - 1, 11, 1), last)
    spring = Period(march, min(dt.date(year, 5, 31), today)) if today >= march else None
    about = About(
        winter,
        base=f"sowings that stood under cover for {least} days or more of the winter, or on towers "
        "from 1 December to 1 March",
        unit="plants, days, pence net of tax, g",
        notes=[
            f"Spring: {spring}." if spring else "Its spring has not begun.",
            "What came back is at what a gram of the crop left at the pack-house door in that "
            "spring, a mixed bag's by what each leaf fetches alone, after all direct costs but "
            "raising.",
            "A site of a tower takes no energy of its own; what else could have stood on it is in "
            "Keep or clear.",
            "What was cut of the same plants in the winter itself is in no money here.",
        ],
    )
    with sums.one_moment():
        rows = _Read(winter, spring, about, least).rows() if today >= winter.first else []
    rows += [assumed.row()] if assumed else []
    return Wintering(about, winter, spring, rows)


class _Read:
    def __init__(self, winter: Period, spring: Period | None, about: About, least: int) -> None:
        self.winter, self.spring, self.about, self.least = winter, spring, about, least
        self.rates, self.crop_of = Rates(), dict[int, CropId]()

    def rows(self) -> list[WinterRow]:
        carried = dict(self._under_cover())
        carried |= {b: row for b, row in self._on_towers() if b not in carried}
        cut, left = self._spring(carried)
        before = self._cut(self.winter, carried)
        called = names()
        out: dict[tuple[CropId, str], WinterRow] = {}
        exact: dict[tuple[CropId, str], Fraction | None] = defaultdict(Fraction)
        for batch, (where, plants, days, pence) in sorted(carried.items()):
            crop = self.crop_of[batch]
            key = crop, where
            row = out.setdefault(key, WinterRow(OWN, called[crop], crop, where, cut_in_winter_g=0))
            row.sowings += 1
            row.plants += plants
            row.plant_days += days
            row.cut_g += cut[batch]
            row.cut_in_winter_g = (row.cut_in_winter_g or 0) + before[batch]
            so_far = exact[key]
            exact[key] = None if pence is None or so_far is None else so_far + pence
        for key, row in out.items():
            carry = exact[key]
            row.carry_p = None if carry is None else half_up(carry)
            each = left.get(row.crop_id)
            row.return_p = 0 if not row.cut_g else None if each is None else half_up(
                each * row.cut_g
            )  # fmt: skip
        return sorted(out.values(), key=lambda row: (row.crop, row.where))

    # --- what stood where -------------------------------------------------------------------

    def _under_cover(self) -> Iterator[tuple[int, tuple[str, int, Decimal, Fraction | None]]]:
        """Sowing → (where it stood longest, most cells at once, cell-days, pence of energy)."""
        moved: dict[str, Counter[tuple[int, int | None]]] = defaultdict(Counter)
        for batch, cell, quantity in sums.of_sowings(self.winter.last):
            self.crop_of[batch] = cell.crop
            for kind in (K.SHELF, K.TENT):
                moved[kind][cell.day, batch] += quantity * (
                    (cell.to_kind == kind) - (cell.from_kind == kind)
                )
        nights = {kind: midnights(changes, self.winter) for kind, changes in moved.items()}
        in_tent: Counter[int] = Counter()
        of: dict[int, dict[str, list[tuple[int, int]]]] = defaultdict(lambda: defaultdict(list))
        for place, found in nights.items():
            for (day, sowing), cells in found.items():
                if cells > 0 and sowing is not None:
                    of[sowing][place].append((day, cells))
                    in_tent[day] += cells if place == K.TENT else 0
        for batch, by_kind in of.items():
            where, stood = max(by_kind.items(), key=lambda row: sum(n for _, n in row[1]))
            days, most = sum(n for _, n in stood), max(n for _, n in stood)
            if days >= self.least * most:
                parts = [self._night(where, batch, day, n, in_tent[day]) for day, n in stood]
                known = [part for part in parts if part is not None]
                pence = sum(known, Fraction(0)) if len(known) == len(parts) else None
                yield batch, (_WHERE[K(where)], most, Decimal(days), pence)

    def _night(
        self, kind: str, batch: int, day: int, cells: int, all_cells: int
    ) -> Fraction | None:
        if kind == K.SHELF:
            rate = self.rates.charged(W.LIGHT, self.crop_of[batch], day)
            if rate is None:
                self.about.gap("No rate says what light costs, so a shelf's cost is left out.")
                return None
            return Fraction(rate) * cells
        kwh = self.rates.of(W.TENT_POWER, None, day)
        pence = self.rates.of(W.ELECTRICITY, None, day)
        if kwh is None or pence is None:
            self.about.gap(
                "No rate says what the tent's electricity is a week, or costs a kWh, so its cost "
                "is left out."
            )
            return None
        return Fraction(kwh) * Fraction(pence) / 7 * cells / all_cells

    def _on_towers(self) -> Iterator[tuple[int, tuple[str, int, Decimal, Fraction | None]]]:
        """Sowings on towers from 1 December to 1 March: sites, and their days of the winter."""
        began = clock.start_of(self.winter.first.replace(month=12))
        after = clock.start_of(self.winter.last + dt.timedelta(days=1))
        stood = (
            Planting.objects.filter(began_at__lte=began, blocked_by=None)
            .exclude(ended_at__lt=after)
            .values_list("batch_id", "batch__crop_id", "began_at")
        )
        sites: Counter[int] = Counter()
        seconds: Counter[int] = Counter()
        elapsed = self.winter.elapsed
        if elapsed < after:  # the winter goes on
            return
        for batch, crop, since in stood:
            self.crop_of[batch] = crop
            sites[batch] += 1
            seconds[batch] += int((elapsed - max(since, self.winter.start)).total_seconds())
        for batch, number in sites.items():
            days = at_nine_places(Fraction(seconds[batch], DAY_S))
            yield batch, (TOWER, number, days, Fraction(0))

    # --- what came of it --------------------------------------------------------------------

    def _spring(
        self, carried: Mapping[int, object]
    ) -> tuple[Mapping[int, int], Mapping[CropId, Fraction]]:
        """(sowing → grams cut in spring, crop → exact pence that a gram left at the door)."""
        if self.spring is None or not carried:
            return Counter(), {}
        cut = self._cut(self.spring, carried)
        own: dict[CropId, Amounts] = defaultdict(Amounts)
        for stand, amounts in stands(self.spring, About(self.spring, base="", unit="")).of.items():
            if stand.line != BOUGHT_IN:
                own[stand.crop].add(amounts)
        left = {}
        for crop, its in own.items():
            if its.cut_g:
                pence = its.door_alone_p - its.nutrient_and_water_p
                left[crop] = Fraction(pence - its.packaging_p - its.labour_p, its.cut_g)
        return cut, left

    def _cut(self, period: Period, carried: Mapping[int, object]) -> Counter[int]:
        """Sowing → grams cut of it in a period, of those that were carried."""
        net = {lot: grams for lot, (grams, _) in cut_lots(period).items()}
        grew: dict[int, dict[int, int]] = defaultdict(Counter)
        edges = Lineage.objects.filter(
            kind=Lineage.Kind.GREW, struck_by=None, child__gte=min(net, default=0)
        )
        for lot, batch, edge in edges.values_list("child_id", "parent_id", "quantity"):
            grew[lot][batch] += edge or 0
        cut: Counter[int] = Counter()
        for lot, grams in net.items():
            of = {batch: n for batch, n in grew.get(lot, {}).items() if n > 0}
            at, whole = 0, sum(of.values())
            marks = [0]
            for _, n in sorted(of.items()):  # whole grams that add up: by the running sum
                at += n
                marks.append(half_up(Fraction(grams * at, whole)))
            for (batch, _), (low, high) in zip(sorted(of.items()), pairwise(marks), strict=True):
                cut[batch] += (high - low) if batch in carried else 0
        return cut


__all__ = [
    "ENTERED",
    "LEAST_DAYS",
    "OWN",
    "TOWER",
    "Assumed",
    "WinterRow",
    "Wintering",
    "wintering",
    "winters",
]  # fmt: skip
