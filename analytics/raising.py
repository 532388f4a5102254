"""What it costs to raise and plant a sowing, spread over the days that its plants hold their sites.

In any one period the seed of a planting falls in March and its leaf in May: charged on the day,
young plantings look bad and old ones brilliant. So what a sowing cost until its plants stood on
the towers (seed, medium, pots, light in the nursery, the minutes of sowing and planting; cells that
never came up too) is charged to each day that they stand. Over a cleared sowing's whole life that
is what was paid, to the penny; while it stands, the crop card says how long it may be expected to.

    still to be earned back before + told in the period − charged to it = still to be earned back
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from django.db.models import Count, Exists, OuterRef

from grow import clock, sums
from grow.models import NURSERY, CropCard, Event, Lineage, Lot, LotKind, Planting, Variety, alive

from .costs import PENCE, RAISING, RAISING_MINUTES, Told
from .counted import MINUTES, PER, W, midnights, onto_shelf
from .counted import plants_counted as counted
from .period import DAY_S, About, Period

BatchId = int
#: What is charged, in exact pence, and minutes.
PARTS = ("pence", "labour", "minutes")


@dataclass
class Sowing:
    """One sowing: exact amounts of each part before, in and at the end of a period.

    pence is what was bought, labour the pence of the minutes. Seconds are site-seconds, blocked
    sites too. cells, planted: in the period. checked: its cells were looked over in the period;
    then cells_ever of it were sown and not_up had no usable plug. week: of its sowing, where it is
    asked for (analytics/stands.py)."""

    batch: BatchId
    crop: int | None
    variety: int | None
    week: int | None = None
    opening: dict[str, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    told: dict[str, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    charged: dict[str, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    before_s: int = 0
    during_s: int = 0
    life_s: int = 0
    in_nursery: int = 0
    cells: int = 0
    planted: int = 0
    checked: bool = False
    cells_ever: int = 0
    not_up: int = 0

    def closing(self, part: str) -> Fraction:
        return self.opening[part] + self.told[part] - self.charged[part]


def raised(period: Period, about: About, by: Told | None = None) -> list[Sowing]:
    """Every sowing with what of its raising is charged to a period, by what is known now: a
    sowing cleared since has its true life, whichever period is asked for."""
    now = clock.local(clock.now()).date()
    spent = _Spent(max(now, period.last), by or Told())
    lives = _lives(period, spent.sowings, about)
    in_nursery, checked = set(cut_in_nursery()), set(_checked(period))
    for sowing in spent.sowings.values():
        sowing.before_s, sowing.during_s, sowing.life_s = lives.get(sowing.batch, (0, 0, 0))
        waits = sowing.in_nursery > 0 and sowing.batch not in in_nursery
        for part in PARTS:
            before, told, after = spent.by_time(sowing.batch, part, period)
            sowing.told[part] = told
            if sowing.life_s:
                of_a_second = (before + told + after) / sowing.life_s
                sowing.charged[part] = of_a_second * sowing.during_s
                sowing.opening[part] = before - of_a_second * sowing.before_s
            elif waits:
                sowing.opening[part] = before
            else:  # never planted and gone, or cut where it was raised: charged on the day
                sowing.charged[part] = told
        _count(sowing, spent, period)
        sowing.checked = sowing.batch in checked and sowing.cells_ever > 0
    return list(spent.sowings.values())


def _count(sowing: Sowing, spent: _Spent, period: Period) -> None:
    first, last = period.numbers
    for name in ("cells", "planted"):
        days = spent.counts[name][sowing.batch]
        setattr(sowing, name, sum(n for day, n in days.items() if first <= day <= last))
    sowing.cells_ever = sum(spent.counts["cells"][sowing.batch].values())
    sowing.not_up = sum(spent.counts["not_up"][sowing.batch].values())


def _checked(period: Period) -> Iterator[BatchId]:
    """Sowings whose cells were looked over in the period; all of them up is a check too."""
    first, last = period.numbers
    looked = Event.objects.filter(
        alive(), kind="check_germination", day__gte=first, day__lte=last
    ).values_list("told", flat=True)
    for told in looked:
        yield json.loads(told or "{}").get("batch")


def sown_on(batches: Iterable[BatchId]) -> dict[BatchId, dt.date]:
    """Sowing → its day; of what stood when records began the day told of its planting. One of which
    nobody told any is not in it: the day it was entered says nothing of it."""
    out: dict[BatchId, dt.date] = {}
    rows = Lot.objects.filter(pk__in=batches).values_list(
        "pk", "made_by__kind", "made_by__day", "made_by__told"
    )
    for batch, kind, number, told in rows:
        if kind != "opening_entry":
            out[batch] = clock.number_day(number)
        elif about := json.loads(told or "{}").get("about_planted"):
            out[batch] = dt.date.fromisoformat(about)
    return out


# --- what was spent -------------------------------------------------------------------------


class _Spent:
    """Amounts by sowing, part and day, up to a day."""

    def __init__(self, upto: dt.date, told: Told) -> None:
        self.told = told
        known = Lot.objects.filter(kind=LotKind.BATCH).values_list("pk", "crop_id", "variety_id")
        self.sowings = {pk: Sowing(pk, crop, variety) for pk, crop, variety in known}
        self.counts: dict[str, dict[BatchId, Counter[int]]] = {
            name: defaultdict(Counter) for name in ("cells", "planted", "lit_cell_days", "not_up")
        }
        self._amounts: dict[tuple[BatchId, str], dict[int, Fraction]] = defaultdict(
            lambda: defaultdict(Fraction)
        )
        self._count(upto)
        self._charge()

    def _count(self, upto: dt.date) -> None:
        on_shelf: Counter[tuple[int, int | None]] = Counter()
        for batch, cell, quantity in sums.of_sowings(upto):
            for name, number in counted(cell, quantity):
                if name in self.counts:
                    self.counts[name][batch][cell.day] += number
            if cell.event_kind == "check_germination":
                way = 1 if cell.from_kind in NURSERY else -1
                self.counts["not_up"][batch][cell.day] += way * quantity
            on_shelf[cell.day, batch] += onto_shelf(cell, quantity)
            into, out_of = cell.to_kind in NURSERY, cell.from_kind in NURSERY
            self.sowings[batch].in_nursery += quantity * (into - out_of)
        if on_shelf:
            first = clock.number_day(min(day for day, _ in on_shelf))
            lit = midnights(on_shelf, Period(first, max(first, upto)))
            for (day, key), cells in lit.items():
                assert key is not None
                self.counts["lit_cell_days"][key][day] += cells

    def _charge(self) -> None:
        self._known: dict[tuple[object, ...], Fraction | None] = {}
        rates, timed = self.told.rates, self.told.timed
        charged = [(part, "pence") for line in RAISING for part in PENCE[line]]
        charged += [(row, "minutes") for row in MINUTES if row[0] in RAISING_MINUTES]
        for (what, count), part in charged:
            for batch, days in self.counts[count].items():
                crop = self.sowings[batch].crop
                for day, number in days.items():
                    each = self._each(what, batch, crop, day)
                    if each is None or not number:  # costs() says in words what has no rate
                        continue
                    amount = each * number
                    if part == "minutes":
                        factor = timed.factor(day)
                        amount *= 1 if factor is None else factor
                        wage = rates.of(W.WAGE, None, day)
                        pence = amount * Fraction(wage) / 60 if wage is not None else Fraction(0)
                        self._amounts[batch, "labour"][day] += pence
                    self._amounts[batch, part][day] += amount

    def _each(self, what: W, batch: BatchId, crop: int | None, day: int) -> Fraction | None:
        """What is charged for one counted thing. Each night of each sowing is lit, at a rate that
        is that of its crop and day."""
        key = what, crop, day, batch if what in (W.SEED, W.MEDIUM) else None
        if key not in self._known:
            rate = self.told.cell(what, batch, crop, day)
            self._known[key] = None if rate is None else Fraction(rate) / PER.get(what, 1)
        return self._known[key]

    def by_time(
        self, batch: BatchId, part: str, period: Period
    ) -> tuple[Fraction, Fraction, Fraction]:
        """Spent before, within and after a period."""
        first, last = period.numbers
        out = [Fraction(0)] * 3
        for day, amount in self._amounts.get((batch, part), {}).items():
            out[(day >= first) + (day > last)] += amount
        return out[0], out[1], out[2]


# --- how long it stands -----------------------------------------------------------------------


def _lives(
    period: Period, sowings: Mapping[BatchId, Sowing], about: About
) -> dict[BatchId, tuple[int, int, int]]:
    """Sowing → site-seconds before the period, within it, and of its whole life: true where it has
    ended, else by the crop card and never less than it stands already."""
    expected: dict[int | None, int] = dict(_card_seconds())
    said: dict[int | None, str] = {}
    now, start, elapsed = clock.now(), period.start, period.elapsed
    out: dict[BatchId, list[int]] = defaultdict(lambda: [0, 0, 0])
    stood = Planting.objects.values_list("batch_id", "began_at", "ended_at").annotate(n=Count("pk"))
    for batch, began, ended, sites in stood.order_by():
        row = out[batch]
        until = ended or now
        row[0] += sites * _seconds(began, min(until, start))
        row[1] += sites * _seconds(max(began, start), min(until, elapsed))
        life = _seconds(began, until)
        if ended is None:
            variety: int | None = sowings[batch].variety
            if variety not in expected:
                said[variety] = ""
            else:
                life = max(life, expected[variety])
        row[2] += sites * life
    named: dict[int | None, str] = dict(
        Variety.objects.filter(pk__in=[v for v in said if v]).values_list("pk", "name")
    )
    for variety in said:
        about.gap(
            f"{named.get(variety, 'A sowing of no known variety')}: no crop card says how long it "
            "stands, so what raising it cost is spread over the days so far."
        )
    return {batch: (row[0], row[1], row[2]) for batch, row in out.items()}


def _seconds(since: dt.datetime, until: dt.datetime) -> int:
    """Whole seconds, each moment cut down to its second as in the yields; nought if none."""
    return max(int(until.timestamp()) - int(since.timestamp()), 0)


def _card_seconds() -> Iterator[tuple[int | None, int]]:
    """Variety → how long its card lets a plant stand: to its first cut and on to its last."""
    for card in CropCard.objects.all():
        if card.days_to_first_cut and (card.cuts == 1 or (card.cuts and card.days_between_cuts)):
            days = card.days_to_first_cut + (card.cuts - 1) * (card.days_between_cuts or 0)
            yield card.variety_id, days * DAY_S


def cut_in_nursery() -> Iterator[BatchId]:
    """Sowings that never stood on a tower and were cut where they were raised."""
    planted = Planting.objects.filter(batch=OuterRef("parent"))
    yield from (
        Lineage.objects.filter(~Exists(planted), kind=Lineage.Kind.GREW, struck_by=None)
        .values_list("parent_id", flat=True)
        .distinct()
    )


__all__ = ["PARTS", "Sowing", "cut_in_nursery", "raised", "sown_on"]
