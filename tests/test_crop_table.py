"""The crops' table: the same grams and pence as yields, waste and margin, however it is grouped;
raising spread over the days that plants stand; site-days that leave no site out."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from fractions import Fraction

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from analytics.crop_table import Only, crop_table
from analytics.period import DAY_S, Period
from analytics.raising import raised
from analytics.rates import set_rate
from analytics.successive import successive
from grow import clock
from grow.models import CropCard, PlantSite
from tests.crop_checks import (
    about,
    each_stand_is_what_exported_rows_say,
    the_table_is_the_books,
)
from tests.farm import Farm
from tests.week import FIRST, WEEK, a_week, figures_farm, messy, rated

pytestmark = pytest.mark.django_db


@pytest.fixture
def books() -> Period:
    return messy(figures_farm())


def test_by_whatever_it_is_grouped_the_table_is_the_books(books):
    the_table_is_the_books(books)
    each_stand_is_what_exported_rows_say(books)


@pytest.mark.slow
def test_the_demo_by_crop_variety_tower_and_tier(demo_year):
    """A month of the shared year; the number of questions is fixed."""
    month = Period(dt.date(demo_year.year, 7, 1), dt.date(demo_year.year, 7, 31))
    the_table_is_the_books(month)
    each_stand_is_what_exported_rows_say(month)
    with CaptureQueriesContext(connection) as asked:
        table = crop_table(month)
    assert len(asked) <= 170
    (spinach,) = [g for g in table.groups if g.crop == "Spinach"]
    assert spinach.cells_per_site > Decimal("1.2")  # 58 % of its plugs are usable
    # a year is the sum of two halves but for what was cut of leaf planted in the other
    first, last = demo_year - dt.timedelta(days=364), demo_year
    middle = first + dt.timedelta(days=180)
    halves = [
        sum(s.charged["pence"] + s.charged["labour"] for s in raised(p, about(p)))
        for p in (Period(first, middle), Period(middle + dt.timedelta(days=1), last))
    ]
    year = Period(first, last)
    assert sum(halves) == sum(
        s.charged["pence"] + s.charged["labour"] for s in raised(year, about(year))
    )


# --- raising, by hand -------------------------------------------------------------------------


def test_raising_is_spread_over_the_days_that_the_plants_stand(farm: Farm) -> None:
    """100 cells at 4.7 p and 50 pots at 0.3 p: 485 p. 50 plants stand for 20 days and are cleared:
    0.485 p a site-day, whichever period is asked for; half of the cells never came up."""
    farm.pass_time(minutes=(24 - farm.now.hour) * 60 - farm.now.minute)  # midnight, to be plain
    for what, amount in (("seed", "2.5"), ("medium", "2.2"), ("pot", "0.3")):
        set_rate(what, amount, dt.date(2020, 1, 1), "the test's own")
    sown = farm.today
    batch = farm.sow(100)
    farm.pass_time(days=10)
    farm.tell("check_germination", batch=batch, place=farm.bench, not_up=50)
    farm.plant(batch, farm.t1, 40)
    farm.plant(batch, farm.t2, 10)
    planted = farm.today
    CropCard.objects.create(
        variety=batch.variety, days_to_first_cut=20, days_between_cuts=10, cuts=3
    )
    farm.pass_time(days=10)

    def said(first: dt.date, days: int) -> tuple[int, int, int, int]:
        with clock.playing(farm.now):
            total = crop_table(Period(first, first + dt.timedelta(days=days - 1))).total
        told = total.told_raising_p
        return total.opening_p, told, total.raising_p, total.closing_p

    # while it stands: forty days by the card, so a quarter of 485 in ten
    assert said(sown, 10) == (0, 470, 0, 470)
    assert said(planted, 10) == (470, 15, 121, 364)
    farm.pass_time(days=10)
    farm.tell("clear", batch=batch, why="old")
    assert said(planted, 10) == (470, 15, 242, 243)
    assert said(planted + dt.timedelta(days=10), 11) == (243, 0, 243, 0)
    with clock.playing(farm.now):
        table = crop_table(Period(sown, farm.today))
    (row,) = [group for group in table.groups if group.crop]
    assert row.germination_pct == 50
    assert row.cells_per_site == 2
    assert row.site_days == 50 * 20
    towers = crop_table(Period(sown, farm.today), "tower").groups
    shares = {g.tower: g.raising_p for g in towers if g.raising_p}
    assert shares == {farm.t1.name: 388, farm.t2.name: 97}


def test_a_tray_that_failed_is_charged_to_its_crop_when_it_was_told(farm: Farm) -> None:
    for what in ("seed", "medium"):
        set_rate(what, "2", dt.date(2020, 1, 1), "the test's own")
    batch = farm.sow(84)
    week = Period(farm.today, farm.today + dt.timedelta(days=6))
    farm.pass_time(days=5)
    with clock.playing(farm.now):
        assert crop_table(week).total.closing_p == 336  # it may be planted yet
    farm.tell("check_germination", batch=batch, place=farm.bench, not_up=84)
    with clock.playing(farm.now):
        total = crop_table(week).total
    assert (total.raising_p, total.closing_p, total.sites) == (336, 0, 0)
    assert total.germination_pct == 0


def figures_farm_of(farm: Farm) -> Farm:
    farm.bag.allergens = "mustard"
    farm.bag.save()
    return farm


def test_a_week_by_hand(farm: Farm) -> None:
    """40 lettuces, four lost a day after planting; 20 mustards cleared on Thursday at 15:00."""
    rated()
    a_week(figures_farm_of(farm))
    found = crop_table(WEEK)
    lettuce, mustard = (g for g in found.groups if g.crop)
    assert (lettuce.sites, lettuce.lost, lettuce.lost_pct) == (40, 4, 10)
    # dead from Wednesday eight o'clock, changeover from Thursday 15:00, both to Sunday's midnight
    assert lettuce.dead_s == 4 * (4 * 24 + 16) * 3600
    assert mustard.changeover_s == 20 * (3 * 24 + 9) * 3600
    assert lettuce.germination_pct == Decimal("71.4")  # 60 of 84
    assert mustard.germination_pct is None  # nobody looked
    assert (lettuce.uncut_g, mustard.uncut_g) == (0, 450)
    hours = Fraction(lettuce.first_cut_s, 3600 * lettuce.first_cuts)
    assert lettuce.first_cuts == 36
    assert hours == 24
    tiers = crop_table(WEEK, "tier")
    whole = tiers.total
    assert whole.several_tiers_g == whole.cut_g == 3800  # both crates are of all tiers
    assert whole.one_tier_per_cut_g is None
    # sites that nothing was ever planted on are of their tier; by crop they are of none
    assert {g.called for g in tiers.groups} == {f"Tier {n}" for n in range(1, 6)} | {
        "No site named"
    }
    assert sum(g.untouched_s for g in tiers.groups) == whole.untouched_s > 0
    assert [g.called for g in found.groups if g.untouched_s] == ["Not planted yet"]
    assert any("100.0 % of the cut was weighed over several tiers" in n for n in tiers.about.notes)
    only = crop_table(WEEK, "tower", Only(crop=mustard.crop_id))
    assert [g.tower for g in only.groups if g.tower] == [farm.t2.name]
    assert only.total.door_p == mustard.door_p


def test_floor_is_said_with_its_source_or_not_at_all(farm: Farm) -> None:
    rated()
    a_week(figures_farm_of(farm))
    without = crop_table(WEEK)
    assert without.total.after_per_m2_week_p is None
    assert any("No rate says what floor" in gap for gap in without.about.gaps)
    set_rate("floor", "1.8", FIRST, "measured with a tape")
    table = crop_table(WEEK)
    assert any("measured with a tape" in note for note in table.about.notes)
    sites = PlantSite.objects.filter(tower=farm.t1).count()
    lettuce = next(g for g in table.groups if g.crop)
    m2 = Decimal(lettuce.site_s) / DAY_S * Decimal("1.8") / sites
    assert abs(lettuce.floor_m2_days - m2) < Decimal("1e-6")
    late = crop_table(Period(FIRST - dt.timedelta(days=7), FIRST - dt.timedelta(days=1)))
    assert late.total.after_per_m2_week_p is None


def test_a_site_by_its_first_cut_its_second_and_its_third(farm: Farm) -> None:
    """40 plants cut three times, the last time half of them: 75, 50 and 60 g a site."""
    batch = farm.sow(50)
    farm.pass_time(days=25)
    farm.plant(batch, farm.t1, 40)
    first = farm.today
    farm.pass_time(days=20)
    farm.cut(3000, batch)
    farm.pass_time(days=10)
    wrong = farm.cut(9000, batch)
    farm.tell("cancel", event=wrong.made_by, reason="told twice")
    farm.pass_time(days=1)
    farm.cut(2000, batch)
    farm.pass_time(days=10)
    farm.tell("lose_plants", batch=batch, place=farm.t1, plants=20, reason="slug")
    farm.cut(1200, batch)
    with clock.playing(farm.now):
        assert successive(Period(first, farm.today)) == {batch.crop_id: {1: 75, 2: 50, 3: 60}}
        late = Period(farm.today, farm.today)
        assert successive(late) == {batch.crop_id: {3: 60}}  # earlier ones are counted all the same
