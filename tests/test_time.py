"""Moments, days and windows: where an act stands in the books, and what time it is given.

The business is in Europe/London: winter time is UTC, summer time UTC + 1 h; clocks change at
01:00 UTC on the last Sunday of March and of October (IANA time zone database, through zoneinfo).
"""

import datetime as dt
import itertools
import zoneinfo
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grow import clock, queries
from grow.errors import Refusal
from grow.faults import faults
from grow.kinds import KINDS
from grow.models import Business, Event, Flag, Item, Lineage, Lot
from tests.farm import START, Farm

LONDON = zoneinfo.ZoneInfo("Europe/London")
UTC = dt.UTC
SPRING, AUTUMN = dt.date(2026, 3, 29), dt.date(2026, 10, 25)


def utc(*parts: int) -> dt.datetime:
    return dt.datetime(*parts, tzinfo=UTC)


def flags(event: Event) -> list[str]:
    return list(event.flags.values_list("kind", flat=True))


# A day alone -----------------------------------------------------------------------------------


def test_an_entry_with_only_a_day_stands_within_it_by_its_kind() -> None:
    """The order of a day: opening, receipts, water and treatments, sow, move, transplant,
    cut, pack, deliver, receive, put on shelf, sell, throw away, count, clear."""
    order = [
        ["opening_entry"],
        ["receive_input", "receive_produce"],
        ["feed", "drain_and_clean", "fill", "top_up", "dose"],
        ["sow"],
        ["move_plants"],
        ["treat"],
        ["transplant"],
        ["harvest"],
        ["pack", "rework"],
        ["deliver"],
        ["receive"],
        ["put_on_shelf"],
        ["sell"],
        ["count"],
        ["clear"],
    ]
    for before, after in itertools.pairwise(order):
        assert max(KINDS[k].slot for k in before) < min(KINDS[k].slot for k in after), after
    assert KINDS["discard"].slot < KINDS["count"].slot
    assert all(0 <= kind.slot < 24 for kind in KINDS.values())


def test_a_day_told_upside_down_reads_the_right_way_up(farm: Farm) -> None:
    """The evening's paper, typed from the bottom to the top, without one time of day."""
    stock = farm.cut(4000)
    farm.pass_time(days=2)
    day = farm.today - dt.timedelta(days=1)
    on = {"on": day, "already_done": True}
    counted = farm.tell("count", place=farm.shop_place, counted={}, **on)
    bags = farm.pack([stock], 30, **on)
    sold = farm.till(3, bags, **on)
    shelf = farm.to_shop(bags, 10, **on)
    cut = farm.cut(1000, **on).made_by
    events = [cut, bags.made_by, shelf, sold, counted]
    for event in events:
        event.refresh_from_db()
    assert sorted(events, key=lambda e: e.placed_at) == events
    assert {e.day for e in events} == {20260303}
    assert {(e.earliest_at, e.latest_at) for e in events} == {
        (clock.start_of(day), clock.end_of(day))
    }
    assert farm.stock(bags, farm.shop_place) == 7
    assert Flag.Kind.SHORT not in flags(shelf)
    # the till was typed before the shelf was filled; once all is told nothing is short
    differences = bags.movements.filter(event__kind="shortfall").order_by("id")
    net = sum(m.quantity if m.from_place.is_source else -m.quantity for m in differences)
    assert net == 0
    assert faults() == []


def test_today_alone_is_never_later_than_now(farm: Farm) -> None:
    """The hour that a kind is given may lie ahead: at eight in the morning a cut told for today
    stands at eight, not at nine."""
    assert clock.local(farm.now).hour == 8
    early = farm.cut(1000, on=farm.today).made_by
    assert early.happened_at == farm.now
    farm.pass_time(hours=6)
    late = farm.cut(1000, on=farm.today).made_by
    assert clock.local(late.happened_at).time() == dt.time(9)
    assert flags(early) == flags(late) == []


def test_what_was_made_and_used_on_one_day_needs_no_order(farm: Farm) -> None:
    """A cut weighed at noon and packed "today", whose hour would be eleven."""
    farm.pass_time(hours=4)
    crate = farm.cut(1000)
    bags = farm.pack([crate], 8, on=farm.today)
    assert bags.made_by.placed_at >= crate.made_by.placed_at
    assert flags(bags.made_by) == []
    assert faults() == []


# The closing count -----------------------------------------------------------------------------


@pytest.fixture
def shelf(farm: Farm) -> Lot:
    bags = farm.pack([farm.cut(4800)], 40)
    farm.to_shop(bags, 20)
    return bags


def close(farm: Farm, lot: Lot, n: int, **more: Any) -> Event:
    return farm.tell("count", place=farm.shop_place, counted={lot: n}, closing=True, **more)


def test_a_closing_count_is_the_last_act_of_its_day_whatever_its_hour(
    farm: Farm, shelf: Lot
) -> None:
    farm.pass_time(hours=9)
    count = close(farm, shelf, 12)
    assert count.happened_at == farm.now
    assert count.placed_at == clock.end_of(farm.today)
    farm.pass_time(hours=3)
    till = farm.till(8)
    assert till.placed_at < count.placed_at
    assert farm.stock(shelf, farm.shop_place) == 12
    sold = shelf.movements.filter(to_place__kind="sold").values_list("quantity", flat=True)
    assert sum(sold) == 8
    assert faults() == []


def test_a_count_that_is_not_closing_stands_at_its_own_hour(farm: Farm, shelf: Lot) -> None:
    farm.pass_time(hours=1)
    count = farm.tell("count", place=farm.shop_place, counted={shelf: 20})
    assert count.placed_at == count.happened_at == farm.now
    farm.pass_time(hours=3)
    farm.till(8)
    assert farm.stock(shelf, farm.shop_place) == 12


def test_the_till_s_day_stands_before_the_closing_count(farm: Farm, shelf: Lot) -> None:
    count = close(farm, shelf, 12, on=farm.today)
    till = farm.till(8, on=farm.today)
    assert till.placed_at < count.placed_at
    assert count.day == till.day
    assert farm.stock(shelf, farm.shop_place) == 12
    assert not shelf.movements.filter(event__kind="count_difference", to_place__kind="sold")
    assert faults() == []


def test_what_is_put_out_next_morning_is_not_in_last_night_s_count(farm: Farm, shelf: Lot) -> None:
    farm.pass_time(hours=10)
    close(farm, shelf, 20)
    farm.pass_time(hours=14)
    farm.to_shop(shelf, 5)
    assert farm.stock(shelf, farm.shop_place) == 25
    night = clock.end_of(dt.date(2026, 3, 2))
    assert queries.stock(shelf, farm.shop_place, at=night) == 20
    assert faults() == []


# The future, and before the lot ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("ahead", "accepted"),
    [
        (dt.timedelta(0), True),
        (dt.timedelta(minutes=2), True),
        (dt.timedelta(minutes=2, seconds=1), False),
        (dt.timedelta(days=1), False),
    ],
)
def test_two_minutes_ahead_and_no_more(farm: Farm, ahead: dt.timedelta, accepted: bool) -> None:
    moment = farm.now + ahead
    if accepted:
        assert farm.sow(at=moment).made_by.happened_at == moment
        return
    with pytest.raises(Refusal) as refused:
        farm.sow(at=moment)
    assert refused.value.code == "moment"
    assert "still to come" in refused.value.sentence
    assert not Event.objects.exists()


def test_told_as_a_fact_a_future_moment_becomes_now_and_is_flagged(farm: Farm) -> None:
    told = farm.now + dt.timedelta(hours=3)
    event = farm.sow(at=told, already_done=True).made_by
    assert event.happened_at == farm.now
    assert flags(event) == [Flag.Kind.MOMENT]
    assert "02 Mar 2026 11:00" in event.flags.get().says
    assert told.isoformat() in (event.told or "")
    plain = farm.sow(at=farm.now, already_done=True).made_by
    assert flags(plain) == []


def test_a_day_to_come_is_refused_or_becomes_now(farm: Farm) -> None:
    tomorrow = farm.today + dt.timedelta(days=1)
    assert farm.sow(on=farm.today).made_by.day == 20260302
    with pytest.raises(Refusal) as refused:
        farm.sow(on=tomorrow)
    assert refused.value.code == "moment"
    event = farm.sow(on=tomorrow, already_done=True).made_by
    assert flags(event) == [Flag.Kind.MOMENT]
    assert event.happened_at <= farm.now
    assert event.day == 20260302
    assert event.earliest_at <= event.happened_at <= event.latest_at
    assert "2026-03-03" in (event.told or "")


def test_a_till_is_always_a_fact(farm: Farm, shelf: Lot) -> None:
    sale = farm.till(2, shelf, at=farm.now + dt.timedelta(days=2))
    assert sale.happened_at == farm.now
    assert flags(sale) == [Flag.Kind.MOMENT]


def test_nothing_happens_to_a_lot_before_it_was_made(farm: Farm) -> None:
    farm.pass_time(days=3)
    crate = farm.cut(1000)
    farm.pass_time(hours=5)
    facts = {"lot": crate, "from_place": farm.store, "to_place": farm.line, "quantity": 100}
    born = crate.made_by.placed_at
    assert farm.tell("move", at=born, **facts).happened_at == born
    with pytest.raises(Refusal) as refused:
        farm.tell("move", at=born - dt.timedelta(minutes=1), **facts)
    assert refused.value.code == "moment"
    assert "before the lot was made" in refused.value.sentence
    with pytest.raises(Refusal):
        farm.tell("move", on=START.date(), **facts)
    fact = farm.tell("move", at=born - dt.timedelta(hours=1), already_done=True, **facts)
    assert fact.happened_at == born
    assert flags(fact) == [Flag.Kind.MOMENT]
    assert faults() == []


def test_a_day_before_the_lot_told_as_a_fact_stands_on_the_lot_s_day(farm: Farm) -> None:
    """The day kept in the books is the one on which it is placed; the told one stays in told."""
    farm.pass_time(days=3)
    crate = farm.cut(1000)
    farm.pass_time(hours=5)
    facts = {"lot": crate, "from_place": farm.store, "to_place": farm.line, "quantity": 100}
    fact = farm.tell("move", on=START.date(), already_done=True, **facts)
    assert fact.happened_at == crate.made_by.placed_at
    assert fact.day == crate.made_by.day == 20260305
    assert fact.earliest_at <= fact.happened_at <= fact.latest_at
    assert "2026-03-02" in (fact.told or "")
    assert flags(fact) == [Flag.Kind.MOMENT]


def test_the_latest_of_several_lots_counts(farm: Farm) -> None:
    old = farm.cut(1000)
    farm.pass_time(days=1)
    new = farm.cut(1000)
    farm.pass_time(hours=2)
    before = farm.now - dt.timedelta(hours=3)
    farm.pack([old], 4, left=500, at=before)
    with pytest.raises(Refusal) as refused:
        farm.pack([old, new], 8, at=before)
    assert refused.value.code == "moment"


def test_an_act_does_not_end_before_it_began(farm: Farm) -> None:
    hour = dt.timedelta(hours=1)
    event = farm.sow(began_at=farm.now - hour, at=farm.now).made_by
    assert (event.earliest_at, event.latest_at) == (farm.now - hour, farm.now)
    with pytest.raises(Refusal, match="after its end"):
        farm.sow(began_at=farm.now, at=farm.now - hour)
    fact = farm.sow(began_at=farm.now, at=farm.now - hour, already_done=True).made_by
    assert flags(fact) == [Flag.Kind.MOMENT]
    assert fact.began_at == fact.happened_at


def test_state_is_asked_at_the_moment_told(farm: Farm) -> None:
    """A cut told after the clear is fine: the plants stood there then."""
    batch = farm.sow(20)
    farm.plant(batch)
    farm.pass_time(days=20)
    then = farm.now
    farm.pass_time(hours=4)
    farm.tell("clear", batch=batch, left="empty", why="over")
    farm.pass_time(hours=1)
    cut = farm.cut(900, towers=[farm.t1], at=then)
    assert cut.cut_sites.count() == 20
    with pytest.raises(Refusal) as refused:
        farm.cut(900, towers=[farm.t1])
    assert refused.value.code == "nothing_there"
    assert faults() == []


# Clock changes ---------------------------------------------------------------------------------


def last_sunday(year: int, month: int) -> dt.date:
    first_after = dt.date(year + month // 12, month % 12 + 1, 1)
    return first_after - dt.timedelta(days=first_after.weekday() + 1)


@pytest.mark.parametrize("year", range(2024, 2036))
@pytest.mark.django_db
def test_the_day_of_a_clock_change_has_23_or_25_hours(year: int) -> None:
    """zoneinfo's tables against the rule as the EU's and UK's law has it: the last Sundays."""
    for month, hours in ((3, 23), (10, 25)):
        day = last_sunday(year, month)
        length = clock.end_of(day) - clock.start_of(day) + dt.timedelta(microseconds=1)
        assert length == dt.timedelta(hours=hours)
        for other in (day - dt.timedelta(days=1), day + dt.timedelta(days=1)):
            whole = clock.end_of(other) - clock.start_of(other) + dt.timedelta(microseconds=1)
            assert whole == dt.timedelta(hours=24)


@pytest.mark.django_db
def test_the_examples_of_2026() -> None:
    assert (last_sunday(2026, 3), last_sunday(2026, 10)) == (SPRING, AUTUMN)
    assert clock.start_of(SPRING) == utc(2026, 3, 29, 0)
    assert clock.end_of(SPRING) == utc(2026, 3, 29, 22, 59, 59, 999999)
    assert clock.start_of(AUTUMN) == utc(2026, 10, 24, 23)
    assert clock.end_of(AUTUMN) == utc(2026, 10, 25, 23, 59, 59, 999999)


@given(st.dates(dt.date(2020, 1, 1), dt.date(2040, 12, 30)))
@pytest.mark.django_db
def test_days_follow_each_other_without_a_gap(day: dt.date) -> None:
    tick = dt.timedelta(microseconds=1)
    assert clock.end_of(day, LONDON) + tick == clock.start_of(day + dt.timedelta(days=1), LONDON)
    assert clock.number_day(clock.day_number(day)) == day
    for moment in (clock.start_of(day, LONDON), clock.end_of(day, LONDON)):
        assert moment.tzinfo is UTC
        assert clock.local(moment, LONDON).date() == day


@given(st.datetimes(dt.datetime(2020, 1, 1), dt.datetime(2040, 12, 30)))  # noqa: DTZ001  (wall clocks)
def test_every_moment_lies_in_its_own_local_day(moment: dt.datetime) -> None:
    moment = moment.replace(tzinfo=UTC)
    day = clock.local(moment, LONDON).date()
    assert clock.start_of(day, LONDON) <= moment <= clock.end_of(day, LONDON)


@pytest.mark.parametrize("day", [SPRING, AUTUMN])
def test_day_only_entries_keep_the_wall_clock_on_a_day_of_change(farm: Farm, day: dt.date) -> None:
    farm.pass_time(days=(day - farm.today).days + 2)
    events = {
        kind: farm.tell(kind, on=day, **facts)
        for kind, facts in {
            "sow": {"variety": farm.green, "place": farm.bench, "cells": 10},
            "fill": {"tank": farm.tank},
            "count": {"place": farm.shop_place, "counted": {}},
        }.items()
    }
    for kind, event in events.items():
        local = clock.local(event.happened_at)
        assert local.date() == day
        assert local.hour + local.minute / 60 == KINDS[kind].slot
        assert event.day == clock.day_number(day)
        assert (event.earliest_at, event.latest_at) == (clock.start_of(day), clock.end_of(day))


def test_the_hour_that_comes_twice_is_two_moments(farm: Farm) -> None:
    """01:30 British summer time, and an hour later 01:30 Greenwich time, on 25 October."""
    first, second = utc(2026, 10, 25, 0, 30), utc(2026, 10, 25, 1, 30)
    farm.pass_time(days=(AUTUMN - farm.today).days + 1)
    crate = farm.cut(1000, at=first)
    facts = {"lot": crate, "from_place": farm.store, "to_place": farm.line, "quantity": 400}
    moved = farm.tell("move", at=second, **facts)
    assert clock.local(first).time() == clock.local(second).time() == dt.time(1, 30)
    assert moved.placed_at - crate.made_by.placed_at == dt.timedelta(hours=1)
    assert queries.stock(crate, farm.store, at=second - dt.timedelta(minutes=1)) == 1000
    assert queries.stock(crate, farm.store, at=second) == 600
    with pytest.raises(Refusal):
        farm.tell("move", at=first - dt.timedelta(minutes=30), **facts)


def test_the_small_hours_of_a_summer_night_are_the_next_local_day(farm: Farm) -> None:
    farm.pass_time(days=150)
    summer = farm.cut(1000, at=utc(2026, 7, 1, 23, 30)).made_by
    winter = farm.cut(1000, at=utc(2026, 3, 5, 23, 30)).made_by
    assert (summer.day, winter.day) == (20260702, 20260305)
    assert summer.lot.code.startswith("H26183-")
    assert {m.day for m in summer.movements.all()} == {20260702}


@pytest.mark.parametrize("change", [SPRING, AUTUMN])
def test_a_harvest_interval_counts_days_by_the_calendar_over_a_change(
    farm: Farm, change: dt.date
) -> None:
    """Three days on the label, sprayed on the Saturday: safe from the start of Tuesday, as the
    wall clock has it."""
    batch = farm.sow(20)
    farm.plant(batch)
    saturday = change - dt.timedelta(days=1)
    farm.pass_time(days=(saturday - farm.today).days, hours=2)
    spray = farm.tell("treat", item=farm.soap, places=[farm.t1], reason="aphids").lot
    tuesday = change + dt.timedelta(days=2)
    assert spray.treatment.safe_from == clock.start_of(tuesday)
    farm.pass_time(days=7)
    at = clock.start_of(tuesday)
    assert farm.cut(900, batch, at=at).code
    with pytest.raises(Refusal) as refused:
        farm.cut(900, batch, at=at - dt.timedelta(seconds=1))
    assert refused.value.code == "inside_interval"


def test_a_use_by_date_lasts_to_the_end_of_its_local_day(farm: Farm) -> None:
    """Seven days from 24 October are 31 October, though an hour more has passed."""
    farm.pass_time(days=(dt.date(2026, 10, 24) - farm.today).days)
    bags = farm.pack([farm.cut(2400)], 20)
    farm.to_shop(bags, 20)
    assert bags.use_by == dt.date(2026, 10, 31)
    farm.pass_time(days=30)
    last = clock.end_of(dt.date(2026, 10, 31))
    farm.till(2, at=last)
    assert farm.stock(bags, farm.shop_place) == 18
    late = farm.till(2, at=last + dt.timedelta(seconds=1))
    assert farm.stock(bags, farm.shop_place) == 18
    assert Flag.Kind.LOT_UNKNOWN in flags(late)


def test_the_zone_is_the_business_s_own(farm: Farm) -> None:
    """Another zone, set before anything was told: days are its days."""
    Business.objects.create(zone="Pacific/Auckland")
    farm.pass_time(hours=4)
    event = farm.cut(1000, at=utc(2026, 3, 2, 11, 30)).made_by
    assert clock.local(event.happened_at).date() == dt.date(2026, 3, 3)
    assert event.day == 20260303
    assert event.lot.code.startswith("H26062-")


# The whole day ---------------------------------------------------------------------------------


def touched_by(lot: Lot) -> set[int]:
    rows = lot.above.filter(kind=Lineage.Kind.TOUCHED)
    return set(rows.values_list("parent_id", flat=True))


def watered(farm: Farm) -> Lot:
    """Twenty plants on T1 in the reservoir's water since 2 March; it is now 22 March, 08:00."""
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    batch = farm.sow(20)
    farm.plant(batch)
    farm.pass_time(days=20)
    return batch


def test_a_cut_of_only_a_day_is_touched_by_all_water_of_that_day(farm: Farm) -> None:
    """Told with its hour the cut has the water before it; with only the day it may have had
    either, so it has both: the chain was broken between them."""
    batch = watered(farm)
    day = farm.today
    first = farm.tell("fill", tank=farm.tank).lot
    farm.pass_time(hours=4)
    noon = farm.now
    farm.tell("drain_and_clean", tank=farm.tank)
    farm.pass_time(hours=1)
    second = farm.tell("fill", tank=farm.tank).lot
    farm.pass_time(days=1)
    early = farm.cut(900, batch, at=noon - dt.timedelta(hours=2))
    whole = farm.cut(900, batch, on=day)
    assert touched_by(early) == {first.pk}
    assert touched_by(whole) == {first.pk, second.pk}
    assert faults() == []


def test_a_fill_of_only_a_day_touches_every_cut_of_that_day(farm: Farm) -> None:
    """The other way about: the hour of the fill is not known."""
    batch = watered(farm)
    cut = farm.cut(900, batch)
    farm.pass_time(hours=8)
    later = farm.now
    before = farm.tell("fill", tank=farm.tank, at=later)
    assert touched_by(cut) == set()
    farm.tell("cancel", event=before, reason="wrong tank")
    farm.pass_time(days=1)
    water = farm.tell("fill", tank=farm.tank, on=clock.local(later).date()).lot
    assert touched_by(cut) == {water.pk}
    assert faults() == []


def test_windows_are_inclusive(farm: Farm) -> None:
    """A fill in the very moment of the cut touches it; a microsecond later it does not."""
    batch = watered(farm)
    cut = farm.cut(900, batch)
    moment = farm.now
    farm.pass_time(hours=1)
    after = farm.tell("fill", tank=farm.tank, at=moment + dt.timedelta(microseconds=1))
    assert touched_by(cut) == set()
    farm.tell("cancel", event=after, reason="wrong hour")
    water = farm.tell("fill", tank=farm.tank, at=moment).lot
    assert touched_by(cut) == {water.pk}
    assert faults() == []


def test_an_input_touches_from_its_opening_to_its_finishing_both_inclusive(farm: Farm) -> None:
    roll = farm.tell(
        "receive_input",
        item=Item.objects.create(name="Bags 120 g", kind=Item.Kind.PACKAGING),
        supplier=farm.supplier,
        place=farm.store,
    ).lot
    tick = dt.timedelta(microseconds=1)
    hour = dt.timedelta(hours=1)
    crates = [farm.cut(1000) for _ in range(5)]
    opened, finished = farm.now + hour, farm.now + 2 * hour
    farm.pass_time(hours=5)
    farm.tell("open_input", lot=roll, place=farm.line, at=opened)
    farm.tell("finish_input", lot=roll, place=farm.line, at=finished)
    moments = [opened - tick, opened, opened + hour / 2, finished, finished + tick]
    runs = [farm.pack([c], 8, at=at) for c, at in zip(crates, moments, strict=True)]
    assert [roll.pk in touched_by(run) for run in runs] == [False, True, True, True, False]
    assert faults() == []


def test_a_spray_of_only_a_day_touches_what_was_cut_that_day(farm: Farm) -> None:
    batch = watered(farm)
    cut = farm.cut(900, batch)
    farm.pass_time(days=1)
    facts: dict[str, Any] = {"places": [farm.t1], "reason": "mildew", "harvest_interval_days": 1}
    late = farm.tell("treat", at=cut.made_by.placed_at + dt.timedelta(hours=3), **facts).lot
    assert late.pk not in touched_by(cut)
    whole = farm.tell("treat", on=clock.number_day(cut.made_by.day), **facts).lot
    assert whole.pk in touched_by(cut)
    assert cut.holds.filter(ended_by=None).exists()
    assert faults() == []


# As it was, and as it was known ----------------------------------------------------------------


def test_stock_as_it_was_and_as_the_books_said_then(farm: Farm) -> None:
    crate = farm.cut(2000)
    told_of = farm.now + dt.timedelta(hours=1)
    farm.pass_time(hours=2)
    known = farm.now
    farm.pass_time(hours=2)
    sent = farm.send(crate, 500, at=told_of)
    farm.arrive(sent, crate, 500)
    asked = farm.now - dt.timedelta(hours=1)
    assert queries.stock(crate, farm.store) == 1500
    assert queries.stock(crate, farm.store, at=told_of) == 1500
    assert queries.stock(crate, farm.store, at=told_of - dt.timedelta(minutes=1)) == 2000
    assert queries.stock(crate, farm.store, at=asked) == 1500
    assert queries.stock(crate, farm.store, at=asked, known_at=known) == 2000
