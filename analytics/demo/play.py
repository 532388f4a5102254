"""One year: day after day, in the order in which a day goes."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Iterable, Iterator

from grow import clock
from grow.models import Event
from grow.ready import plan_anew

from . import flat, greenhouse, outlets, packhouse, rounds, stories
from .rates import time_a_day_a_month
from .scenario import scenario
from .tables import lay, lay_wanted
from .year import PLAYED, Year

Progress = Callable[[Iterable[dt.date]], Iterable[dt.date]]


def play(
    until: dt.date, days: int = 365, seed: int = 1, progress: Progress = lambda rows: rows
) -> Year:
    """Play `days` days up to and including `until` into an empty database."""
    first = until - dt.timedelta(days=days - 1)
    facts = scenario()
    with _played():
        clock.play(dt.datetime.combine(first, dt.time(3), dt.UTC))
        year = Year(facts, lay(facts, first), seed, first, until)
        lay_wanted(facts, year.ground, until)
        begin(year)
        for day in progress([first + dt.timedelta(days=n) for n in range(days)]):
            year.new_day(day)
            a_day(year)
            if day.weekday() == 0:
                plan_anew()
        end(year)
    return year


@contextlib.contextmanager
def _played() -> Iterator[None]:
    try:
        yield
    finally:
        clock.play(None)


def begin(year: Year) -> None:
    """Early on the first morning: tanks, cupboards, and what stood there already."""
    year.turn_to(3.5)
    year.pace = 0.1
    rounds.begin(year)
    greenhouse.stand_from_before(year)
    year.pace = 1.0


def end(year: Year) -> None:
    """The manager looks the books through; by this entry a played year is known."""
    time_a_day_a_month(year.ground.people["grower"], year.first, year.last)
    year.tell(
        "check",
        by="manager",
        story=PLAYED,
        kind="books looked through",
        passed=True,
        place=year.place("farm"),
    )


def a_day(year: Year) -> None:
    weekday = year.day.weekday()
    runs = packhouse.plan(year)
    greenhouse.grow_a_day(year)
    stories.tell(year, "dawn")
    _morning(year, weekday)
    stories.tell(year, "morning")
    _cut(year, weekday, runs)
    _pack(year, runs)
    _send(year, weekday)
    _evening(year, weekday)


def _morning(year: Year, weekday: int) -> None:
    if "fridge-read" not in year.told:
        rounds.check_fridge(year, 6.0)
    year.told.discard("fridge-read")
    outlets.throw_out_of_date(year)
    rounds.keep_cupboards(year)
    rounds.water(year)
    year.turn_to(7.0)
    if weekday != 6:
        greenhouse.bring_in_young_plants(year)
        greenhouse.sow_what_is_due(year)
        greenhouse.tend_trays(year)
    if weekday == 0 and year.day.toordinal() % 28 < 7:
        greenhouse.walk_the_towers(year)
    if year.day.day == 3:
        rounds.monthly_checks(year)
    if year.day.day == 11 and year.day.month % 3 == 0:
        rounds.test_water(year)
    if year.day.day == 9:
        rounds.beneficials(year)
    if year.day.day == 17 and 3 <= year.day.month <= 10:
        rounds.spray(year)


def _cut(year: Year, weekday: int, runs) -> None:
    year.turn_to(8.5)
    if runs:
        greenhouse.cut_salad(year, packhouse.leaf_wanted(runs))
    if weekday != 6:
        greenhouse.cut_for_the_kitchen(year)
    stories.tell(year, "cutting")
    flat.tend(year)


def _pack(year: Year, runs) -> None:
    year.turn_to(11.0)
    if runs:
        packhouse.wash_water(year)
        rounds.check_scale(year, 200 + round(year.rng.gauss(0, 0.15), 1))
        year.tell("look_over", by="packer", minutes=0, line=year.place("line"))
        for product, bags in runs:
            packhouse.bag_run(year, product, bags)
    stories.tell(year, "packing")
    if year.day.weekday() != 6:
        packhouse.small_runs(year)
    if runs and "line-left" not in year.told:
        rounds.clean_line(year)
    year.told.discard("line-left")


def _send(year: Year, weekday: int) -> None:
    year.turn_to(13.0)
    outlets.fill_shelf(year)
    if weekday != 0:
        stories.tell(year, "sending")
        outlets.note_to_kitchen(year)
    outlets.note_to_stores(year)
    if year.day.day == 28:
        packhouse.stock_check(year)
    packhouse.throw_old_leaf(year)
    if weekday in (0, 3):
        greenhouse.clear_what_is_done(year)
    if weekday == 4:
        rounds.countersign(year)


def _evening(year: Year, weekday: int) -> None:
    rounds.check_fridge(year, 17.5)
    year.turn_to(18.2)
    stories.tell(year, "evening")
    if "till-told" not in year.told:
        outlets.till(year)
    year.told.discard("till-told")
    if weekday in (3, 5) or year.chance(0.1):
        outlets.closing_count(year)
    if weekday != 0:
        year.turn_to(21.0)
        outlets.cook(year)
    year.turn_to(22.0)
    year.type_what_waited()


def is_played() -> bool:
    """Whether this database holds a played year."""
    return Event.objects.filter(client_id__startswith=f"story:{PLAYED}:").exists()
