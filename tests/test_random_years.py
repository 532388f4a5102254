"""Years told at random by a test that knows the truth: who took what off the shelf unseen, what was
rung up, what came and was kept. The waste table has to close and to call unexplained what
was taken, no more and no less; statements have to come to what was rung up and kept."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import dataclass, field

import pytest
from django.db import connection

from analytics.period import Period
from analytics.waste import waste
from grow import clock, sums
from grow.faults import faults
from grow.models import Lot
from sales.models import Outlet
from sales.operations import TillRow
from sales.statements import account, month_after, month_of
from tests.farm import Farm
from tests.often import times

WEEKS = 52
BAG_G, BAG_P, KILO_P = 120, 240, 1100


@dataclass
class Year:
    """What truly happened; the books are told of it in any order."""

    farm: Farm
    dice: random.Random
    shelf: dict[Lot, int] = field(default_factory=dict)
    rung_up: int = 0
    taken_g: int = 0
    short_g: int = 0
    kitchen_p: int = 0
    first: dt.date = field(init=False)

    def __post_init__(self) -> None:
        self.first = self.farm.today

    def week(self) -> None:
        farm, dice = self.farm, self.dice
        grams = dice.randint(1500, 4000)
        crate = farm.cut(grams)
        farm.pass_time(hours=1)
        run = farm.pack([crate], packs=grams // dice.randint(124, 140))
        packs = farm.stock(run, farm.store)
        self.shelf[run] = dice.randint(0, packs)
        if self.shelf[run]:
            farm.to_shop(run, self.shelf[run])
        self.kitchen()
        self.store_loses(run, packs - self.shelf[run])
        for _ in range(3):
            self.next_morning()
            self.day()
        self.next_morning()  # the closing count is the last act of its day
        for lot, left in self.shelf.items():  # what is old goes before the next week's
            if left:
                self.thrown(lot, left)
        self.shelf.clear()
        for _ in range(dice.choice((2, 3, 3))):
            self.next_morning()

    def next_morning(self) -> None:
        eight = self.farm.now.replace(hour=8, minute=0) + dt.timedelta(days=1)
        self.farm.pass_time(minutes=(eight - self.farm.now).total_seconds() / 60)

    def kitchen(self) -> None:
        """A crate on a note: kept, short and sent back, in one or two parts; then finished."""
        farm, dice = self.farm, self.dice
        crate = farm.cut(dice.randint(500, 3000))
        sent = farm.stock(crate, farm.store)
        note = farm.send(crate, sent)
        farm.pass_time(minutes=30)
        short, rejected = (dice.choice((0, 0, dice.randint(1, sent // 4))) for _ in range(2))
        kept = sent - short - rejected
        first = dice.choice((kept, dice.randint(1, kept - 1)))
        farm.arrive(note, crate, first, short=short)
        if kept - first or rejected:
            farm.arrive(note, crate, kept - first, rejected=rejected)
        self.short_g += short
        for grams in filter(None, (first, kept - first)):
            self.kitchen_p += (grams * KILO_P + 500) // 1000
        farm.tell("use", lot=crate, place=farm.kitchen_place)

    def store_loses(self, run: Lot, left: int) -> None:
        """Some bags in the store are gone when somebody counts, or one is there too many."""
        farm, dice = self.farm, self.dice
        gone = dice.choice((0, 1, 2, -1))
        if left > 2:
            farm.tell("count", place=farm.store, counted={run: left - gone})
            self.taken_g += gone * BAG_G
            farm.pass_time(minutes=5)
            farm.tell(
                "discard",
                lot=run,
                from_place=farm.store,
                to=dice.choice(("compost", "staff", "feed")),
                quantity=left - gone,
                reason="not sold",
            )

    def day(self) -> None:
        """Customers reach where they like, some bags are dropped, some vanish; in the evening the
        shelf is counted. The books hear of it in any order."""
        farm, dice = self.farm, self.dice
        named, unnamed, tell = [], 0, []
        for lot, there in self.shelf.items():
            sold = dice.randint(0, there)
            scanned = dice.choice((0, sold, dice.randint(0, sold)))
            dropped = dice.choice((0, 0, min(1, there - sold)))
            vanished = dice.choice((0, 0, 0, min(2, there - sold - dropped)))
            unnamed += sold - scanned
            if scanned:
                named.append(TillRow(farm.bag, scanned, lot))
            if dropped:
                tell.append(lambda lot=lot, n=dropped: self.thrown(lot, n, hours=3))
            self.shelf[lot] = there - sold - dropped - vanished
            self.rung_up += sold
            self.taken_g += vanished * BAG_G
        rows = [*named, *([TillRow(farm.bag, unnamed)] if unnamed else [])]
        at = farm.now
        if rows:
            tell.append(
                lambda: farm.tell(
                    "sell", outlet=farm.shop, rows=rows, at=at + dt.timedelta(hours=6)
                )
            )
        counted = dict(self.shelf)
        tell.append(
            lambda: farm.tell(
                "count",
                place=farm.shop_place,
                counted=counted,
                closing=True,
                at=at + dt.timedelta(hours=7),
            )
        )
        farm.pass_time(hours=8)
        dice.shuffle(tell)
        for one in tell:
            one()

    def thrown(self, lot: Lot, packs: int, hours: float = 0) -> None:
        farm = self.farm
        farm.tell(
            "discard",
            lot=lot,
            from_place=farm.shop_place,
            to="compost",
            quantity=packs,
            reason="dropped",
            at=farm.now - dt.timedelta(hours=8 - hours) if hours else None,
            already_done=True,
        )

    def told_late(self, day: dt.date) -> None:
        """A bunch that the chef cut, found on a scrap of paper after the month was stated."""
        grams = self.dice.randint(50, 400)
        farm = self.farm
        crate = farm.cut(grams, store=farm.kitchen_place, on=day)
        farm.tell("use", lot=crate, place=farm.kitchen_place)
        self.kitchen_p += (grams * KILO_P + 500) // 1000


def in_the_books(outlet: Outlet) -> int:
    with connection.cursor() as cursor:
        cursor.execute("SELECT SUM(pence) FROM sales_money WHERE outlet_id = %s", [outlet.pk])
        return int(cursor.fetchone()[0] or 0)


@pytest.mark.slow
@pytest.mark.django_db
@pytest.mark.parametrize("seed", range(times(2)))
def test_a_year_whose_truth_is_known(seed):
    farm = Farm()
    year = Year(farm, random.Random(seed))
    month, stated = month_of(farm.today), []
    for week in range(WEEKS):
        year.week()
        if week == 20:
            sums.sweep()
        while month_of(farm.today) > month:
            for outlet in (farm.shop, farm.kitchen):
                farm.tell("issue_statement", outlet=outlet, month=month)
                stated.append((outlet, account(outlet, month).total_p))
            if year.dice.random() < 0.5:
                year.told_late(month + dt.timedelta(days=year.dice.randint(0, 27)))
            month = month_after(month)
    with clock.playing(farm.now):
        total = waste(Period(year.first, farm.today)).total
    assert total.unexplained_g == year.taken_g
    assert total.came_g == total.went_g
    assert total.short_g == year.short_g
    assert total.sold_g == year.rung_up * BAG_G
    # what was issued says what it said when it was issued, though months of it were told since
    every = [(outlet, account(outlet, m)) for outlet, m in _months(farm, year.first, month)]
    assert [(outlet, found.total_p) for outlet, found in every if found.number] == stated
    assert any(line.late for _, found in every for line in found.lines)
    for outlet, true_p in ((farm.shop, year.rung_up * BAG_P), (farm.kitchen, year.kitchen_p)):
        own = sum(found.total_p for of, found in every if of == outlet)
        assert own == in_the_books(outlet) == true_p
    assert faults() == []


def _months(farm: Farm, first: dt.date, last: dt.date) -> list[tuple[Outlet, dt.date]]:
    out, month = [], month_of(first)
    while month <= last:
        out += [(farm.shop, month), (farm.kitchen, month)]
        month = month_after(month)
    return out
