"""The figures against sums made by others: plain SQL and plain Python over the ledger's own rows
(tests/tally.py), which share no code with them; to the gram and the penny."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db.models import Max, Min

from analytics.demo.play import play
from analytics.figures import figures, table
from analytics.margin import margin
from analytics.period import Period
from analytics.waste import waste
from analytics.yields import yields
from grow import clock, sums
from grow.faults import faults
from grow.models import Event, Movement
from tests import tally
from tests.week import figures_farm, messy

pytestmark = pytest.mark.django_db


@pytest.fixture
def books() -> Period:
    return messy(figures_farm())


def test_the_waste_table_is_what_the_rows_say_to_the_gram(books):
    the_waste_table_is_what_the_rows_say(books)


def test_trim_giveaway_shortfalls_and_stock_are_what_other_tables_say(books):
    runs_notes_and_stock_say_the_same(books)


def test_each_crop_is_within_a_gram_a_row_of_exact_fractions(books):
    crops_are_near_exact_fractions(books)


def test_yields_are_what_movements_and_plantings_say(books):
    yields_are_what_movements_and_plantings_say(books)


def test_the_margin_is_what_money_and_counts_say_to_the_penny(books):
    the_margin_is_what_money_and_counts_say(books)


def test_swept_or_not_the_figures_are_the_same_and_nothing_is_written(books):
    sweeping_changes_no_figure(books)


@pytest.mark.slow
def test_the_demo_to_the_gram_and_the_penny(demo_year):
    """Every figure of the shared year, and of three weeks of it."""
    the_books_are_what_their_rows_say()


@pytest.mark.postgres
def test_weeks_of_the_demo_to_the_gram_and_the_penny_on_postgresql():
    """The shared year is played on SQLite alone."""
    play(dt.date(2026, 7, 12), 42)
    assert faults() == []
    the_books_are_what_their_rows_say()


def the_books_are_what_their_rows_say() -> None:
    days = Movement.objects.aggregate(first=Min("day"), last=Max("day"))
    period = Period(clock.number_day(days["first"]), clock.number_day(days["last"]))
    with clock.playing(clock.start_of(period.last + dt.timedelta(days=1))):
        assert waste(period).total.cut_g > 0
        assert margin(period).total.takings_p > 0
        the_waste_table_is_what_the_rows_say(period)
        runs_notes_and_stock_say_the_same(period)
        crops_are_near_exact_fractions(period)
        yields_are_what_movements_and_plantings_say(period)
        the_margin_is_what_money_and_counts_say(period)
        month = Period(period.last - dt.timedelta(days=20), period.last - dt.timedelta(days=5))
        the_waste_table_is_what_the_rows_say(month)
        yields_are_what_movements_and_plantings_say(month)
        the_margin_is_what_money_and_counts_say(month)
        sweeping_changes_no_figure(period)


def the_waste_table_is_what_the_rows_say(period: Period) -> None:
    total = waste(period).total
    want = tally.grams(*period.numbers)
    assert {name: getattr(total, name) for name in want} == want
    assert total.came_g == total.went_g


def runs_notes_and_stock_say_the_same(period: Period) -> None:
    """Other tables' own sums: the runs' are kept by the packer's operations, the notes' by the
    receipts, the stock by Holding."""
    total = waste(period).total
    runs = tally.runs(*period.numbers)
    assert total.trim_g + total.lost_at_rework_g - total.water_and_scale_g == (
        runs["trim_g"] - runs["gain_g"]
    )
    assert total.giveaway_g == runs["giveaway_g"]
    assert total.packed_g == runs["nominal_g"] - runs["reworked_g"]
    assert total.short_g == tally.short_on_notes()
    assert total.stock_after_g == tally.standing_now()


def crops_are_near_exact_fractions(period: Period) -> None:
    """Mixed rows are whole grams by the largest remainder; a recount in fractions, row by row,
    may differ by less than a gram a row."""
    exact, times = tally.sold_in_fractions(*period.numbers)
    found = waste(period)
    for row in found.rows:
        if row.crop_id in exact:
            assert abs(row.sold_or_used_g - exact[row.crop_id]) < max(1, times[row.crop_id])
    assert sum(exact.values()) == found.total.sold_or_used_g


def yields_are_what_movements_and_plantings_say(period: Period) -> None:
    found = yields(period)
    cut, sold = tally.cut_and_sold(*period.numbers)
    bought = sum(row.sold_or_used_g for row in found.rows if row.line == "bought in")
    assert found.total.cut_g == cut
    assert found.total.sold_or_used_g + bought == sold
    assert sum(row.cut_g for row in found.rows) == cut
    sites, seconds = tally.sites_and_seconds(period.start, period.elapsed)
    assert {row.crop_id: row.sites for row in found.crops if row.sites} == sites
    assert {row.crop_id: row.site_seconds for row in found.crops if row.sites} == seconds
    by_crop = {row.crop_id: row for row in waste(period).rows}
    for row in found.crops:
        in_waste = by_crop.get(row.crop_id)
        assert row.cut_g == (in_waste.cut_g - in_waste.grade_out_g if in_waste else 0)


def the_margin_is_what_money_and_counts_say(period: Period) -> None:
    found = margin(period)
    total = found.total
    takings, shares = tally.money(*period.numbers)
    assert total.takings_p == takings
    assert total.shop_share_p == shares
    assert total.door_p == takings - shares == total.door_alone_p
    want = tally.costs(*period.numbers)
    assert {line: getattr(total, line) for line in want} == want
    assert want["labour_p"] > 0
    for name in ("door_p", "door_alone_p", "costs_p", "labour_p", "after_labour_p"):
        assert sum(getattr(row, name) for row in found.rows) == getattr(total, name)
    # exact, so the same whatever order a database hands its rows in
    for name in ("minutes", "site_days"):
        assert sum(getattr(row, name) for row in reversed(found.rows)) == getattr(total, name)


def sweeping_changes_no_figure(period: Period) -> None:
    before = figures(period.first, period.last)
    counts = Event.objects.count(), Movement.objects.count()
    sums.sweep()
    after = figures(period.first, period.last)
    assert (after.yields, after.waste, after.margin) == (
        before.yields,
        before.waste,
        before.margin,
    )
    assert (Event.objects.count(), Movement.objects.count()) == counts
    assert sums.sums_faults() == []
    frame = table(after.waste.rows)
    assert frame["cut_g"].sum() == after.waste.total.cut_g
    assert list(table(after.margin.rows)["crop"]) == [row.crop for row in after.margin.rows]
