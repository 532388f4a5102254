"""The sums of months: whatever was swept when and whatever was told since, a month reads as its
rows do; what the tables of a period say of a month, the table of months says of it too."""

from __future__ import annotations

import datetime as dt
from dataclasses import fields

import pytest
from django.db.models import Sum

from analytics import waste
from analytics.margin import Earned, margin
from analytics.monthly import monthly
from analytics.period import Period
from analytics.rates import set_rate
from analytics.yields import yields
from grow import clock, months, sums
from grow.faults import faults
from grow.models import MonthsSwept, MonthSum
from tests.random_season import Season, told

pytestmark = [pytest.mark.django_db, pytest.mark.slow]

WEEKS = 15
_COLUMNS = [f.name for f in fields(Earned)]


def whole(season: Season) -> Period:
    return Period(season.first, season.farm.today)


def counted(period: Period) -> dict:
    """From the rows alone."""
    found = months.count(period.first, period.last, months.SOURCES)
    return {row: quantity for row, quantity in found.items() if quantity}


def read(period: Period) -> dict:
    found = months.reading(period.first, period.last, months.SOURCES)
    return {row: quantity for row, quantity in found.items() if quantity}


def each_month_is_its_tables(period: Period) -> None:
    found = monthly(period)
    thrown = waste.by_month(period)
    for first, last in months.pieces(period.first, period.last):
        piece, month = Period(first, last), months.of(first)
        rows = {row.crop_id: row for row in found.rows if row.month == month}
        for row in margin(piece).rows:
            assert [getattr(rows[row.crop_id], name) for name in _COLUMNS] == [
                getattr(row, name) for name in _COLUMNS
            ]
        for row in rows.values():  # all lines, what was bought in too
            lines = [line for line in yields(piece).rows if line.crop_id == row.crop_id]
            assert row.cut_g == sum(line.cut_g for line in lines)
            assert row.sold_or_used_g == sum(line.sold_or_used_g for line in lines)
        want = waste.waste(piece).total
        assert thrown[month] == waste.MonthWaste(**vars(want), month=month)
        assert want.came_g == want.went_g
    assert sum(row.after_labour_p for row in found.crops) == found.total.after_labour_p != 0
    assert sum(row.door_p for row in found.months) == found.total.door_p


@pytest.mark.parametrize("seed", [11, 12])
def test_a_month_reads_as_its_rows_do_whatever_was_told_since(seed: int) -> None:
    season = told(seed, 5)
    for _ in range(5):
        sums.sweep()
        season.weeks((WEEKS - 5) // 5)
        assert read(whole(season)) == counted(whole(season))
        assert faults() == []
    with clock.playing(season.farm.now):
        before = monthly(whole(season)), waste.by_month(whole(season))
        each_month_is_its_tables(whole(season))
        sums.sweep()
        assert months.settled() == months.of(season.farm.today.replace(day=1) - dt.timedelta(1))
        assert (monthly(whole(season)), waste.by_month(whole(season))) == before
        each_month_is_its_tables(whole(season))
    assert faults() == []


def test_what_is_told_of_an_old_month_is_in_it_at_once_and_the_next_sweep_adds_it() -> None:
    season = told(13, 8)
    farm = season.farm
    sums.sweep()
    march = Period(dt.date(2026, 3, 1), dt.date(2026, 3, 31))
    known, rows = read(march), MonthSum.objects.count()
    assert months.settled() >= 202603
    late = farm.cut(777, crop=farm.lettuce, on=dt.date(2026, 3, 20))
    assert months.settled() == 202602
    cut = months.Row("harvest", 202603, farm.lettuce.pk, "harvest/growth/store/g")
    assert read(march)[cut] == known.get(cut, 0) + 777
    sums.sweep()
    assert months.settled() >= 202603
    assert MonthSum.objects.count() == rows + 1  # added to, and nothing rewritten
    farm.tell("cancel", event=late.made_by, reason="told twice")
    assert read(march).get(cut, 0) == known.get(cut, 0) + 777
    back = cut._replace(key="harvest/store/growth/g")
    assert read(march)[back] == known.get(back, 0) + 777
    sums.sweep()
    assert faults() == []


def test_plants_taken_back_count_from_their_sowing_on() -> None:
    """Lost by a number in March and in April; the loss of April is taken back."""
    season = told(14, 1)
    farm = season.farm
    batch = farm.sow(30)
    farm.plant(batch, farm.t1, 10)
    farm.pass_time(days=20)
    farm.tell("lose_plants", batch=batch, place=farm.t1, plants=2, reason="slug")
    farm.pass_time(days=20)
    second = farm.tell("lose_plants", batch=batch, place=farm.t1, plants=3, reason="frost")
    farm.pass_time(days=30)
    sums.sweep()
    assert months.settled() == 202604
    farm.tell("cancel", event=second, reason="another tower")
    assert months.settled() == 202602
    assert read(whole(season)) == counted(whole(season))
    sums.sweep()
    assert faults() == []


def test_months_said_to_be_settled_no_longer_are_added_up_anew_and_not_twice() -> None:
    """As a migration says where a source counts something else than before."""
    season = told(17, 10)
    sums.sweep()
    settled, rows = months.settled(), MonthSum.objects.count()
    old = MonthSum.objects.create(what="gone", month=202603, key="", quantity=7, upto=0)
    swept = MonthsSwept.objects.order_by("-pk")[0]
    MonthSum.objects.filter(what="taken", month=202603).update(what="lit")
    MonthsSwept.objects.create(through=0, upto=swept.upto)
    assert months.settled() == 0
    assert read(whole(season)) == counted(whole(season))
    sums.sweep()
    assert months.settled() == settled
    assert read(whole(season)) == counted(whole(season))
    assert MonthSum.objects.filter(what=old.what).aggregate(n=Sum("quantity"))["n"] == 0
    assert MonthSum.objects.count() > rows
    assert faults() == []


def test_faults_name_a_sum_of_a_month_that_was_tampered_with() -> None:
    told(15, 8)
    sums.sweep()
    assert months.month_faults() == []
    row = MonthSum.objects.filter(what="taken").first()
    MonthSum.objects.filter(pk=row.pk).update(quantity=row.quantity + 1)
    (fault,) = faults()
    assert fault.startswith(f"The sums of {row.crop.name} in month {row.month} say")
    assert "of taken" in fault
    MonthsSwept.objects.all().delete()  # then no month is read from its sums
    assert months.settled() == 0
    assert faults() == []


def test_rates_that_change_within_a_month_are_those_of_each_day() -> None:
    season = told(16, 10)
    set_rate("wage", "1600", dt.date(2026, 4, 13), "the test's own")
    set_rate("nutrient", "30", dt.date(2026, 4, 20), "the test's own")
    with clock.playing(season.farm.now):
        sums.sweep()
        each_month_is_its_tables(whole(season))
