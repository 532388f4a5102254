"""The first figures: what was cut, where it went, what it earned; to the gram and the penny.

Stories told by hand, and published examples; tests/test_figures_recount.py adds up the same rows
by other means.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from fractions import Fraction
from io import StringIO

import pytest
from django.core.management import call_command
from django.urls import reverse

from analytics.margin import MarginRow, margin, per_limit
from analytics.models import Rate
from analytics.period import Period, ratio
from analytics.rates import Rates, set_rate, whole_pence
from analytics.waste import WENT, waste
from analytics.yields import yields
from grow.models import Crop, Variety
from grow.operations import Crate
from sales.models import Price
from tests.farm import START, Farm
from tests.week import FIRST, WEEK, a_week, figures_farm, rated

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return figures_farm()


def test_a_week_from_cut_to_sold(farm):
    """25 bags are 3000 g, from 2500 g of lettuce and 700 g of mustard at the line."""
    a_week(farm)
    found = waste(WEEK)
    lettuce, mustard = found.rows
    assert (lettuce.crop, mustard.crop) == ("Loose-leaf lettuce", "Red mustard")
    said = {
        name: (getattr(lettuce, name), getattr(mustard, name), getattr(found.total, name))
        for name in ("cut_g", "packed_g", "rejected_g", "uncut_g", *WENT)
    }
    # the run: 3200 in = 3000 + 160 trim + 40 giveaway, shared by grams: 25 to 7
    assert said == {
        "cut_g": (3000, 1000, 4000),
        "packed_g": (2344, 656, 3000),
        "rejected_g": (94, 26, 120),
        "uncut_g": (0, 450, 450),
        "grade_out_g": (200, 0, 200),
        "trim_g": (125, 35, 160),
        "giveaway_g": (31, 9, 40),
        "samples_g": (0, 0, 0),
        "moisture_g": (0, 0, 0),
        "lost_at_rework_g": (0, 0, 0),
        "short_g": (94, 26, 120),
        "unexplained_g": (94, 26, 120),
        "rejected_thrown_g": (0, 0, 0),
        "sold_g": (938, 262, 1200),
        "to_businesses_g": (0, 0, 0),
        "used_g": (469, 131, 600),
        "thrown_g": (0, 0, 0),
        "donated_g": (188, 52, 240),
        "staff_g": (0, 0, 0),
        "stock_after_g": (861, 459, 1320),
    }
    assert [row.came_g - row.went_g for row in (*found.rows, found.total)] == [0, 0, 0]
    assert lettuce.of_cut("grade_out_g") == Decimal("6.7")


def test_a_week_by_site_and_site_day(farm):
    """40 lettuces planted on Tuesday at eight, four lost a day later; 20 mustards, cleared on
    Thursday at 15:00 (Tuesday's eight o'clock and two days and seven hours)."""
    a_week(farm)
    found = yields(WEEK)
    rows = {(row.crop, row.line): row for row in found.rows}
    assert set(rows) == {
        ("Loose-leaf lettuce", "standing"),
        ("Loose-leaf lettuce", "completed"),
        ("Red mustard", "completed"),
    }
    mustard = rows["Red mustard", "completed"]
    assert (mustard.sites, mustard.surviving, mustard.cut_g) == (20, 20, 1000)
    assert mustard.site_days == Decimal(20) * (2 * 24 + 7) / 24
    assert mustard.cut_per_site_g == 50
    assert mustard.cut_per_site_day_g == Decimal(1000) / mustard.site_days
    lost = rows["Loose-leaf lettuce", "completed"]
    assert (lost.sites, lost.surviving, lost.cut_g, lost.site_days) == (4, 0, 0, 4)
    (lettuce,) = [row for row in found.crops if row.crop == "Loose-leaf lettuce"]
    assert (lettuce.sites, lettuce.surviving, lettuce.cut_g) == (40, 36, 2800)
    # 36 sites from Tuesday 08:00 to Sunday's midnight
    assert lettuce.site_days == 4 + Decimal(36) * (5 * 24 + 16) / 24
    assert lettuce.cut_per_site_g == 70
    assert lettuce.cut_per_surviving_g == Decimal(2800) / 36
    assert lettuce.sold_or_used_g == 938 + 469
    assert found.about.standard_pct == 0


def test_a_week_to_the_penny(farm):
    """Ten bags over the own counter at £2.40 less 32 %, six to the kitchen at £1.65."""
    rated()
    a_week(farm)
    found = margin(WEEK)
    lettuce, mustard = found.rows
    total = found.total
    assert total.takings_p == 10 * 240 + 6 * 165
    assert total.shop_share_p == 768
    assert total.door_p == 3390 - 768
    assert (total.cells_sown, total.planted) == (104, 60)
    # seed, medium and pots of the failed 24 cells too
    assert lettuce.seed_and_plugs_p + mustard.seed_and_plugs_p == total.seed_and_plugs_p
    assert total.seed_and_plugs_p == round(104 * (2.5 + 2.2) + 60 * 0.3)
    # one midnight for all 104 cells; then 20 lettuces stood on for six more days (and are there)
    assert total.light_p == round((104 + 6 * 20) * 0.22)
    assert total.nutrient_and_water_p == 4 * 19
    assert total.packaging_p == 213  # 25 × 8.5 p, half up
    minutes = 104 * 8 / 84 + 60 * 0.30 + 20 * 0.35 + 4 * 13 + 3.2 * 4 + 25
    assert total.minutes == pytest.approx(Decimal(minutes), abs=Decimal("1e-9"))
    assert total.labour_p == round(minutes * 1398.1 / 60)
    assert total.before_labour_p == total.door_p - total.costs_p
    assert total.after_labour_p == total.before_labour_p - total.labour_p
    assert lettuce.after_labour_p + mustard.after_labour_p == total.after_labour_p
    assert found.about.gaps == [
        "Salad bag 120 g at Farm shop: not every leaf in it has a loose price, so it is shared by "
        "grams on both bases.",
        "Salad bag 120 g at Kitchen: not every leaf in it has a loose price, so it is shared by "
        "grams on both bases.",
    ]


def test_a_mixed_bag_by_grams_and_by_what_each_leaf_fetches_alone(farm):
    """Lettuce at £11 and mustard at £22 a kilogram, 2344 to 656 g: mustard's 22 % of the grams
    fetch 36 % of the money. Both columns add up to the same pounds."""
    a_week(farm)
    Price.objects.create(
        outlet=farm.kitchen, line=f"crop:{farm.mustard.pk}", since=FIRST, pence=2200
    )
    found = margin(WEEK)
    _, mustard = found.rows
    by_grams = Fraction(656, 3000)
    alone = Fraction(656 * 22, 656 * 22 + 2344 * 11)
    assert abs(mustard.door_p - by_grams * found.total.door_p) <= 2
    assert abs(mustard.door_alone_p - alone * found.total.door_p) <= 2
    assert found.total.door_alone_p == found.total.door_p


def test_what_has_no_rate_or_price_is_a_gap_in_words(farm):
    a_week(farm)
    Price.objects.filter(outlet=farm.kitchen).delete()
    loose = farm.cut(500)
    note = farm.send(loose, 500)
    farm.arrive(note, loose, 500)
    found = margin(Period(FIRST, dt.date(2026, 3, 9)))
    gaps = "\n".join(found.about.gaps)
    assert "500 g of Loose-leaf lettuce went to Kitchen with no price." in gaps
    assert "Loose-leaf lettuce: no rate for nutrient (pence a kg cut), so 3500 g cut are" in gaps
    assert "Red mustard: no rate for light on a shelf" in gaps
    assert "No rate for labour" not in gaps  # there are no minutes to pay either
    assert "no rate for making, weighing and labelling a pack (minutes a pack), so 20 packs" in gaps
    rated()
    again = margin(Period(FIRST, dt.date(2026, 3, 9)))
    assert not [gap for gap in again.about.gaps if "no rate" in gap]
    Rate.objects.filter(what="wage").delete()
    (gap,) = [g for g in margin(WEEK).about.gaps if "labour" in g]
    assert gap.startswith("No rate for labour on 4 days from 02 Mar 2026")


def test_a_rate_holds_from_its_day_and_a_crops_own_stands_before_all_crops(farm):
    set_rate("seed", "1", dt.date(2026, 3, 1), "invoice")
    set_rate("seed", "2", dt.date(2026, 4, 1), "invoice")
    set_rate("seed", "75", dt.date(2026, 3, 15), "runners", farm.mustard)
    rates = Rates()
    mustard = farm.mustard.pk
    assert rates.of("seed", mustard, 20260228) is None
    assert rates.of("seed", mustard, 20260301) == 1
    assert rates.of("seed", mustard, 20260315) == 75
    assert rates.of("seed", mustard, 20260401) == 75
    assert rates.of("seed", farm.lettuce.pk, 20260331) == 1
    assert rates.of("seed", farm.lettuce.pk, 20260401) == 2
    set_rate("seed", "3", dt.date(2026, 4, 1), "a better invoice")
    assert Rates().of("seed", farm.lettuce.pk, 20260401) == 3


def test_pence_of_crops_add_up_to_the_rounded_total():
    exact = {1: Fraction("0.5"), 2: Fraction("0.5"), 3: Fraction("0.5"), None: Fraction("1.1")}
    assert sum(whole_pence(exact).values()) == 3
    third = Fraction(1, 3)
    assert sum(whole_pence({1: third, 2: third, 3: third + Fraction("0.5")}).values()) == 2
    assert whole_pence({}) == {}


def test_a_day_of_a_clock_change_is_as_long_as_it_was(farm):
    """29 March 2026 has 23 hours in London (EU and UK summer time law)."""
    batch = farm.sow(10)
    farm.plant(batch, farm.t1, 10)
    farm.pass_time(days=60)
    sunday = dt.date(2026, 3, 29)
    (row,) = yields(Period(sunday, sunday)).rows
    assert row.site_days == Decimal(10) * 23 / 24
    assert row.began_before == 10


def test_blocked_sites_carry_site_days_and_are_no_plants(farm):
    """A tomato on four sites: one plant, four sites' days."""
    tomato = Crop.objects.create(name="Cherry tomato", picked="over")
    variety = Variety.objects.create(crop=tomato, name="Bead", sites_each=4)
    batch = farm.sow(3, variety)
    farm.plant(batch, farm.t1, 3)
    farm.pass_time(days=2)
    farm.cut(1200, batch)
    (row,) = yields(Period(FIRST, farm.today)).rows
    assert (row.sites, row.site_days, row.cut_per_site_g) == (3, 3 * 4 * 2, 400)


def test_a_site_counts_once_a_batch_though_it_was_gapped_up(farm):
    batch = farm.sow(10)
    farm.plant(batch, farm.t3, 8)
    farm.pass_time(days=1)
    farm.tell("lose_plants", batch=batch, place=farm.t3, plants=2, reason="slug")
    farm.pass_time(days=1)
    farm.plant(batch, farm.t3, 2)
    farm.pass_time(days=1)
    farm.cut(800, batch)
    (row,) = yields(Period(FIRST, farm.today)).rows
    assert (row.line, row.sites, row.surviving, row.cut_g) == ("standing", 8, 8, 800)
    assert row.site_days == 8 * 3 - 2


def test_a_crate_of_two_sowings_is_shared_by_sites_and_says_so(farm):
    older, newer = farm.sow(30), farm.sow(10)
    farm.plant(older, farm.t1, 30)
    farm.plant(newer, farm.t2, 10)
    farm.pass_time(hours=1)
    farm.cut(2000, batches=[older, newer])
    farm.pass_time(hours=1)
    farm.tell("clear", batch=newer, why="pest")
    found = yields(Period(FIRST, FIRST))
    assert {row.line: (row.cut_g, row.shared_out_pct) for row in found.rows} == {
        "standing": (1500, 100),
        "completed": (500, 100),
    }
    assert found.about.standard_pct == 100


def test_a_struck_origin_counts_for_nothing(farm):
    """The crate was put down to lettuce; it was mustard, from a sowing cleared since."""
    batch, right = farm.sow(20), farm.sow(20, farm.red)
    farm.plant(batch, farm.t1, 20)
    farm.plant(right, farm.t2, 20)
    farm.pass_time(hours=1)
    crate = farm.cut(900, batch)
    farm.pass_time(hours=1)
    farm.tell("clear", batch=right, why="bolted")
    farm.tell("correct_origin", lot=crate, wrong=batch, right=right, reason="wrong tower")
    grams = {(row.crop, row.line): row.cut_g for row in yields(Period(FIRST, FIRST)).rows}
    assert grams == {("Red mustard", "completed"): 900, ("Loose-leaf lettuce", "standing"): 0}
    assert [(row.crop, row.cut_g) for row in waste(Period(FIRST, FIRST)).rows] == [
        ("Red mustard", 900)
    ]


def test_a_cut_with_nothing_else_recorded_is_in_the_books_and_named_as_a_gap(farm):
    farm.cut(750)
    found = yields(Period(FIRST, FIRST))
    (row,) = found.rows
    assert (row.line, row.cut_g, row.sites, row.cut_per_site_g) == ("no site named", 750, 0, None)
    assert found.about.gaps == ["750 g of Loose-leaf lettuce were cut with no plant site named."]


def test_bought_in_leaf_is_sold_but_is_no_yield(farm):
    rated()
    facts = {"crop": farm.lettuce, "supplier": farm.supplier, "place": farm.store}
    farm.tell("receive_produce", grams=1000, paid_pence=600, **facts)
    box = farm.tell("receive_produce", grams=400, **facts).lot
    note = farm.send(box, 400)
    farm.arrive(note, box, 400)
    farm.tell("use", lot=box, place=farm.kitchen_place)
    period = Period(FIRST, FIRST)
    (row,) = yields(period).rows
    assert (row.line, row.sold_or_used_g) == ("bought in", 400)
    assert yields(period).total.sold_or_used_g == 0
    found = margin(period)
    assert found.total.bought_in_p == 600
    assert "400 g bought in on 02 Mar 2026: nobody told what was paid." in found.about.gaps


def test_days_add_up_to_the_week_and_stock_is_handed_on(farm):
    rated()
    a_week(farm)
    days = [Period(FIRST + dt.timedelta(days=n), FIRST + dt.timedelta(days=n)) for n in range(7)]
    whole, each = waste(WEEK).total, [waste(day).total for day in days]
    for name in WENT[:-1]:
        assert sum(getattr(day, name) for day in each) == getattr(whole, name)
    assert [d.stock_before_g for d in each[1:]] == [d.stock_after_g for d in each[:-1]]
    seconds = [yields(day).total.site_seconds for day in days]
    assert sum(seconds) == yields(WEEK).total.site_seconds
    assert sum(margin(day).total.door_p for day in days) == margin(WEEK).total.door_p


# --- against published examples -------------------------------------------------------------


def test_yield_per_planted_site_and_per_surviving_plant_of_a_published_trial(farm):
    """Tomato uniformity trial of Hartman and Stair: 26001 lb from 3072 plants less 49 (read in the
    agridat package's documentation): 8.4639 lb a planted site, 8.6011 a surviving plant. Pounds
    stand as grams here."""
    tower = farm.tower("Field", tiers=32, round_=96)
    batch = farm.sow(3072)
    farm.plant(batch, tower, 3072)
    farm.pass_time(hours=1)
    farm.tell("lose_plants", batch=batch, place=tower, plants=49, reason="wilt")
    farm.pass_time(hours=1)
    farm.tell("harvest", crates=[Crate(26001)], batches=[batch], store=farm.store)
    (crop,) = yields(Period(FIRST, FIRST)).crops
    assert crop.cut_per_site_g is not None
    assert crop.cut_per_surviving_g is not None
    assert round(crop.cut_per_site_g, 4) == Decimal("8.4639")
    assert round(crop.cut_per_surviving_g, 4) == Decimal("8.6011")


def test_margin_per_unit_of_what_limits_it():
    """A textbook exercise's margins 140, 110 and 60 at 14, 13 and 11 machine minutes: 10.00, 8.46
    and 5.45 a minute. Hazell's four vegetables (1971; agridat): by the acre peppers lead, by the
    labour hour they are last."""
    per_minute = [per_limit(p, m) for p, m in ((140, 14), (110, 13), (60, 11))]
    assert [round(p, 2) for p in per_minute if p is not None] == [
        Decimal("10.00"),
        Decimal("8.46"),
        Decimal("5.45"),
    ]
    acre = {"carrot": (253, 25), "celery": (443, 36), "cucumber": (284, 27), "pepper": (516, 87)}
    by_acre = sorted(acre, key=lambda crop: -acre[crop][0])
    hourly = {crop: per_limit(*margin_hours) for crop, margin_hours in acre.items()}
    by_hour = sorted(acre, key=lambda crop: -(hourly[crop] or 0))
    assert by_acre == ["pepper", "celery", "cucumber", "carrot"]
    assert by_hour == ["celery", "cucumber", "carrot", "pepper"]
    assert [round(hourly[crop] or 0, 2) for crop in by_hour] == [
        Decimal("12.31"),
        Decimal("10.52"),
        Decimal("10.12"),
        Decimal("5.93"),
    ]


def test_a_ratio_of_sums_and_never_a_mean_of_ratios():
    """Lohr's seedlings (Sampling, example 3.5; data read in the SDaA package): 61 of 206, 0.2961.
    The second plot has no seedling to divide by, so a mean of ratios would not even exist."""
    before = [1, 0, 8, 2, 76, 60, 25, 2, 1, 31]
    after = [0, 0, 1, 2, 10, 15, 3, 2, 1, 27]
    found = ratio(sum(after), sum(before))
    assert found is not None
    assert round(found, 6) == Decimal("0.296117")
    assert ratio(0, before[1]) is None


def test_pence_per_site_and_week():
    """Ours, worked by hand: £7.00 from 100 sites in 28 days is 400 site-weeks, 1.75 p each."""
    row = MarginRow(1, "basil", door_p=700, site_days=Decimal(2800))
    assert row.before_per_site_week_p == Decimal("1.75")
    assert MarginRow(1, "basil", door_p=700).before_per_site_week_p is None


def test_a_period_that_ends_before_it_begins_is_refused():
    with pytest.raises(ValueError, match="name the earlier day first"):
        Period(FIRST, FIRST - dt.timedelta(days=1))
    assert Period(FIRST, FIRST).days == 1
    assert START.date() == FIRST


def test_the_sweep_command_says_how_much_it_added(farm):
    farm.cut(500)
    said = StringIO()
    call_command("sweep", stdout=said)
    assert said.getvalue() == "1 movements added to the sums.\n"
    call_command("sweep", stdout=said)
    assert said.getvalue().endswith("0 movements added to the sums.\n")


def test_a_manager_sets_a_rate_on_its_page_and_labour_has_no_crop(admin_client, farm):
    facts = {"what": "nutrient", "crop": "", "amount": "11.5", "since": "02/03/2026"}
    url = reverse("admin:analytics_rate_add")
    answer = admin_client.post(url, {**facts, "source": "invoice 12"})
    assert answer.status_code == 302
    assert str(Rate.objects.get()) == "Nutrient: 11.5 pence a kg cut"
    facts |= {"what": "wage", "crop": str(farm.lettuce.pk), "source": "the law"}
    answer = admin_client.post(url, facts)
    assert "Labour has one rate whoever does it" in answer.text
    answer = admin_client.post(url, {**facts, "crop": ""})
    assert answer.status_code == 302
    page = admin_client.get(reverse("admin:analytics_rate_changelist")).text
    assert "pence a kg cut" in page
    assert "pence an hour" in page
