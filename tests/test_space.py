"""The space plan from the farm's own books: small farms whose best plan is worked out by hand."""

from __future__ import annotations

import datetime as dt
import html
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from analytics.counted import W
from analytics.keeping import keeping
from analytics.margin import margin
from analytics.own_record import Record
from analytics.period import Period
from analytics.plan_asked import entered
from analytics.plan_facts import ENOUGH_CUTS, tiers
from analytics.plan_rows import Space
from analytics.planning import space
from analytics.rates import set_rate
from grow import clock
from grow.errors import Refusal
from grow.models import Crop, CropCard, Person, PlantSite
from grow.queries import living
from sales.models import DecisionCard, Price, Product
from tests.farm import Farm, decided
from tests.hands import DESK, PHONE, looked_at

EVEN = " ".join(["100"] * 12)


def small() -> Farm:
    """108 sites on three towers; a site gives 100 g once in 30 days, and each gram a penny; 20 p to
    plant. 300 g were sold, so that there is a price."""
    farm = Farm()
    Price.objects.filter(line=farm.loose.line).update(pence=1000)
    set_rate("pot", "20", dt.date(2020, 1, 1), "the test's own")
    set_rate("seed", "0", dt.date(2020, 1, 1), "saved")
    CropCard.objects.create(
        variety=farm.green,
        nursery_days=30,
        days_to_first_cut=29,  # and a day to change over
        cuts=1,
        grams_per_site_and_cut=100,
        growth_by_month=EVEN,
        source="constructed",
    )
    leaf = farm.cut(3000, crop=farm.lettuce)
    note = farm.send(leaf, 300)
    farm.pass_time(hours=1)
    farm.arrive(note, leaf, 300)
    farm.pass_time(days=1)
    manager = Person.objects.create_user("manager", password="pole-bean", is_staff=True)
    manager.groups.add(Group.objects.get(name="manager"))
    return farm


@pytest.fixture
def farm(db: None) -> Farm:
    return small()


def plan(farm: Farm, **asked: str) -> Space:
    asked = {"shelf": "10000", "bench": "10000"} | asked
    with clock.playing(farm.now):
        return space(farm.today, entered(asked))


def test_where_demand_binds_the_plan_sells_it_and_one_more_tower_earns_nothing(farm: Farm) -> None:
    """0.7 kg a week: 100 g a day, so one plant a day, 365 in a year: 365 × (100 − 20) p."""
    found = plan(farm, demand="LETTUCE-KG 0.7")
    assert found.collision == ""
    assert found.earns_p == 365 * 80
    (row,) = found.sold
    assert (row.grams, row.demand_g, row.pence_per_kg, row.pence) == (36500, 36500, 1000, 36500)
    assert float(sum(r.plant for r in found.rows)) == pytest.approx(365, abs=1)
    assert {limit.kind for limit in found.limits} == {"demand"}
    assert (found.one_more_p, {step.last_p for step in found.towers}) == (0, {0})
    assert [a.rests_on for a in found.assumed if a.what.endswith("wanted")] == ["entered here"]
    # as much again is wanted: as much again is earned
    assert plan(farm, demand="Lettuce, loose 1.4, SALAD-120 0").earns_p == 2 * 365 * 80


def test_where_sites_bind_another_tower_earns_what_its_sites_would(farm: Farm) -> None:
    """A site-day earns 80 p ÷ 30. Of monthly steps a little is lost at the seams. 36 sites a tower:
    35,040 p a year; at 575 and 8 years, with 5 a year to run, it costs 7,687 p."""
    told = {"demand": "LETTUCE-KG 70", "price": "575", "life": "8", "running": "5", "more": "3"}
    found = plan(farm, **told)
    assert found.earns_p == pytest.approx(108 * 365 * 80 / 30, rel=0.03)
    assert float(sum(r.held for r in found.rows)) / 12 == pytest.approx(108, rel=0.03)
    assert found.one_more_p == pytest.approx(36 * 365 * 80 / 30, rel=0.03)
    first = found.towers[0]
    assert (first.cost_p, first.pays, found.pay_up_to) == (7688, True, 3)
    assert float(first.pays_back_years or 0) == pytest.approx(57500 / (first.last_p - 500), abs=0.1)
    weeks = [limit.worth_p for limit in found.limits if limit.kind == "room"]
    assert {limit.unit for limit in found.limits if limit.kind == "room"} == {
        "pence a site and week"
    }
    assert max(map(float, weeks)) == pytest.approx(7 * 80 / 30, rel=0.3)
    # one fact changed: the price of a tower, then what is wanted
    assert plan(farm, **told | {"price": "5000"}).pay_up_to == 0
    some = plan(farm, **told | {"demand": "LETTUCE-KG 3.2"})  # of 137 sites: one tower, hardly two
    assert some.pay_up_to == 1
    assert some.towers[0].last_p > some.towers[1].last_p
    assert plan(farm, **told | {"price": ""}).pay_up_to is None  # nobody said what it costs


def test_a_promise_beyond_the_sites_is_said_in_a_sentence(farm: Farm) -> None:
    """108 sites give some 2.5 kg a week."""
    kept = plan(farm, demand="LETTUCE-KG 9", promised="LETTUCE-KG 2")
    assert (kept.collision, bool(kept.rows)) == ("", True)
    found = plan(farm, demand="LETTUCE-KG 9", promised="LETTUCE-KG 4")
    assert (found.rows, found.earns_p) == ([], 0)
    assert re.search(r"g of Lettuce, loose in [A-Z][a-z]{2} .*cannot be promised", found.collision)
    assert "the room of Tiers 1 to 5" in found.collision
    assert found.assumed


def test_cells_of_the_nursery_are_room_too(farm: Farm) -> None:
    """Ten cells, 30 days each: 121.7 plants a year, whatever the sites would hold."""
    found = plan(farm, demand="LETTUCE-KG 70", shelf="10")
    assert found.earns_p == pytest.approx(10 * 365 / 30 * 80, rel=0.03)
    assert {limit.name for limit in found.limits if limit.kind == "room"} == {
        "Lit shelf and tent cells"
    }


def test_what_does_not_grow_in_a_month_is_not_sold_in_it(farm: Farm) -> None:
    assert plan(farm, demand="LETTUCE-KG 0.7").earns_p == 365 * 80
    CropCard.objects.update(growth_by_month="0 0 100 100 100 100 100 100 100 100 0 0")
    found = plan(farm, demand="LETTUCE-KG 0.7")
    dark = {"Nov", "Dec", "Jan", "Feb"}
    summer = sum(
        days
        for month, days in zip(found.months, DAYS_OF.values(), strict=True)
        if month not in dark
    )
    assert 0.9 * summer * 80 < found.earns_p <= summer * 80
    assert {r.month for r in found.rows if r.plant} <= set(found.months) - {"Oct", "Nov", "Dec"}


#: From April on, the month after the farm's.
DAYS_OF = dict(
    zip(
        ["Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec", "Jan", "Feb", "Mar"],
        [30, 31, 30, 31, 31, 30, 31, 30, 31, 31, 28, 31],
        strict=True,
    )
)


def test_a_product_brings_what_the_books_say_of_its_own_days(farm: Farm) -> None:
    """A lettuce is bagged in a fifth of a minute and washed in half the time of other leaf; each
    product is packed and sold on days of its own, whose margin is then that product's. To the
    twentieth of a penny a kg to which the plan is written."""
    head = Product.objects.create(
        code="HEAD-200", name="Lettuce head 200 g", nominal_g=200, packaging_pence="3"
    )
    Price.objects.create(outlet=farm.shop, line=head.line, since=dt.date(2026, 1, 1), pence=150)
    head.recipe.create(crop=farm.lettuce, least_pct=100, greatest_pct=100)
    farm.bag.recipe.create(crop=farm.lettuce, least_pct=40, greatest_pct=60)
    farm.bag.recipe.create(crop=farm.mustard, least_pct=40, greatest_pct=60)
    Crop.objects.update(allergen="")  # that the label would have to declare
    for product, state in ((head, "UNWASHED"), (farm.bag, "READY")):
        decided(product, state=DecisionCard.State[state], since=dt.date(2027, 1, 1))
    for what, crop, amount in (
        ("wage", None, "600"),
        ("pack_minutes", None, "1"),
        ("pack_minutes", farm.lettuce, "0.2"),
        ("wash_minutes", None, "6"),
        ("wash_minutes", farm.lettuce, "3"),
    ):
        set_rate(what, amount, dt.date(2020, 1, 1), "the test's own", crop)

    def sold(product: Product, **grams: int) -> float:
        """Pence a kg of ten of them by the books."""
        first = farm.today
        crates = [farm.cut(g, crop=getattr(farm, name)) for name, g in grams.items()]
        run = farm.pack(crates, packs=10, product=product, washed=product == farm.bag)
        farm.pass_time(days=1)
        farm.to_shop(run, 10)
        farm.till(10, product=product)
        with clock.playing(farm.now):
            books = margin(Period(first, farm.today))
        farm.pass_time(days=1)
        spent = (books.spent.labour_of[what] for what in (W.PACK_MINUTES, W.WASH_MINUTES))
        minutes = sum(sum(of.values()) for of in spent)
        brought = books.total.door_p - books.total.packaging_p - float(minutes)
        return brought / sum(grams.values()) * 1000

    of_heads, of_bags = sold(head, lettuce=2000), sold(farm.bag, lettuce=720, mustard=480)

    def brings() -> dict[str, float]:
        return {row.product: float(row.pence_per_kg) for row in plan(farm).sold}

    # ten heads: 1500 − 30 p, 2 minutes at 10 p; a bag: 240 − 8.5 p, .52 of a minute, washed
    assert (of_heads, of_bags) == (725.0, pytest.approx((2315 - 52) / 1.2 - 42))
    assert brings()[head.name] == pytest.approx(of_heads, abs=0.05)
    assert brings()[farm.bag.name] == pytest.approx(of_bags, abs=0.05)
    # packed longer than a year ago, sold within it: half and half, as its recipe lets it be
    farm.pass_time(days=363)
    assert brings() == {farm.bag.name: pytest.approx((2315 - 60) / 1.2 - 45, abs=0.05)}


def test_a_bag_is_sold_only_as_far_as_its_recipe_lets_it(farm: Farm) -> None:
    """A fifth of it at least is mustard; without a card of that there is none, and it is said."""
    run = farm.pack([farm.cut(1200, crop=farm.lettuce)], packs=10)
    farm.to_shop(run, 10)
    farm.till(10)
    farm.pass_time(days=1)
    farm.bag.recipe.create(crop=farm.lettuce, least_pct=60, greatest_pct=80)
    farm.bag.recipe.create(crop=farm.mustard, least_pct=20, greatest_pct=40)
    found = plan(farm, demand="SALAD-120 7, LETTUCE-KG 0")
    assert not found.sold or found.sold[0].grams == 0
    assert any("it has no crop card" in gap for gap in found.about.gaps)
    card = CropCard.objects.get()
    card.pk, card.variety = None, farm.red
    card.save()
    found = plan(farm, demand="SALAD-120 7, LETTUCE-KG 0")
    sold = {row.product: row.grams for row in found.sold}
    assert sold["Salad bag 120 g"] == pytest.approx(365 * 120, abs=5)
    assert 0.2 <= mustards_share(found) <= 0.4
    limited = plan(farm, demand="SALAD-120 7, LETTUCE-KG 0", most="Red mustard 10")
    assert mustards_share(limited) <= 0.1 + 1e-3
    assert limited.earns_p < found.earns_p
    assert any(limit.kind == "rule" and limit.worth_p > 0 for limit in limited.limits)


def mustards_share(found: Space) -> float:
    planted = dict.fromkeys(("Red mustard", "Loose-leaf lettuce"), 0.0)
    for row in found.rows:
        planted[row.crop] += float(row.plant)
    return planted["Red mustard"] / sum(planted.values())


def test_a_tier_that_gave_more_in_enough_cuts_is_room_of_its_own(farm: Farm) -> None:
    """Ten sites of tier 1 gave 30 g each, ten of tier 2 10 g, time and again: half as much again as
    their mean, and half. Drawn to 1 as by three cuts: (20 × 1.5 + 3) ÷ 23, (20 × .5 + 3) ÷ 23."""
    batch = farm.sow(60)
    farm.plant(batch, farm.t1, 50)
    of = [list(PlantSite.objects.filter(tower=farm.t1, tier=tier)) for tier in (1, 2)]
    for _ in range(ENOUGH_CUTS):
        farm.pass_time(hours=1)
        for sites, grams in zip(of, (300, 100), strict=True):
            farm.cut(grams, sites=sites)
    with clock.playing(farm.now):
        found = {t.name: (t.sites, round(t.times, 2)) for t in tiers(Record(farm.today).cuts)}
    assert found == {
        "Tier 1": (24, round((20 * 1.5 + 3) / 23, 2)),
        "Tier 2": (24, round((20 * 0.5 + 3) / 23, 2)),
        "Tiers 3 to 5": (60, 1.0),
    }
    worth: dict[str, float] = {}
    for limit in plan(farm, demand="LETTUCE-KG 70").limits:
        if limit.kind == "room":
            worth[limit.name] = worth.get(limit.name, 0) + float(limit.worth_p)
    assert sorted(worth, key=lambda name: -worth[name]) == ["Tier 1", "Tiers 3 to 5", "Tier 2"]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("demand_pct", "much"),
        ("more", "31"),
        ("life", "0"),
        ("shelf", "-1"),
        ("orders", "perhaps"),
        ("demand", "SALAD-120"),
        ("promised", "Triffid 3"),
        ("most", "Basil 20"),
        ("most", "Red mustard 120"),
        ("most", "Red mustard 12, Red mustard 20"),
        ("demand", "SALAD-120 40, SALAD-120 20"),
    ],
)
def test_what_cannot_be_read_is_refused_at_its_own_field(
    farm: Farm, client: Client, name: str, text: str
) -> None:
    client.force_login(Person.objects.get(username="manager"))
    with pytest.raises(Refusal):
        entered({name: text})
    assert client.get("/space/", {name: text}).status_code == 400
    assert client.get("/api/v1/figures/space/", {name: text}).status_code == 400


def test_the_page_its_files_and_the_api_say_the_same(farm: Farm, client: Client) -> None:
    client.force_login(Person.objects.get(username="manager"))
    asked = {"demand": "LETTUCE-KG 0.7", "shelf": "900", "bench": "900"}
    page = html.unescape(client.get("/space/", asked).content.decode())
    parts = re.findall(r"<section.*?</section>", page, re.DOTALL)
    assert sum("<table>" in part for part in parts) >= 4
    for part in parts:
        if "<table>" in part:
            assert all(word in part for word in ("Base:", "Unit:", "Period:")), part[:90]
    told = client.get("/api/v1/figures/space/", asked).json()
    assert told["earns_p"] == 365 * 80
    assert f"{365 * 80 / 100:,.2f} GBP" in page
    rows = client.get("/space/", asked | {"as": "csv"}).content.decode("utf-8-sig").splitlines()
    assert len(rows) == 1 + len(told["rows"]) == 13
    assert client.get("/space/", asked | {"as": "xlsx"}).status_code == 200
    # nobody asks for what one more tower would grow: said in a line, not in ten rows of nought
    assert "one more tower, or 10 more, would earn nothing more" in page
    assert 'id="towers"' not in page
    short = asked | {"demand": "LETTUCE-KG 3.2", "price": "575", "life": "8", "running": "5"}
    first, *_ = client.get("/api/v1/figures/space/", short).json()["towers"]
    page = html.unescape(client.get("/space/", short).content.decode())
    assert f"<dd>{first['last_p'] / 100:,.2f} GBP</dd>" in page
    assert "Earns back its price in years, of the 8 that it lasts" in page
    assert re.search(r"Beyond these, \d more would add nothing\.", page)
    less = "It earns less than the last 365 days did"
    assert less not in page
    assert less in client.get("/space/", asked | {"demand": "LETTUCE-KG 0.001"}).content.decode()
    none = client.get("/space/", asked | {"promised": "LETTUCE-KG 99"}).content.decode()
    assert "cannot be promised" in none


@pytest.mark.slow
def test_of_the_demos_year(demo_year: dt.date) -> None:
    """What is sold is wanted, what stands has a site, the plan earns more than what was done."""
    today = demo_year + dt.timedelta(days=1)
    found = space(today, entered({}))
    assert found.collision == ""
    assert found.earns_p > found.was_p > 0
    assert all(row.grams <= (row.demand_g or 0) + 1 for row in found.sold)
    for month in found.months:
        held = sum(row.held for row in found.rows if row.month == month)
        assert 0 < held <= PlantSite.objects.filter(out_of_use=False).count()
    assert found.pay_up_to is not None  # by the demo's own rates
    kept = keeping(today)
    assert sum(row.sites for row in kept.rows) == living(clock.now()).count()
    assert {row.says for row in kept.rows} == {"keep", "clear"}


def test_a_manager_reads_both_pages_on_a_desk_and_on_a_phone(
    transactional_db: None, page: Any, orm: Any
) -> None:
    def stands() -> None:
        farm = small()
        farm.plant(farm.sow(30), farm.t1, 20)

    orm(stands)
    page.goto("/space/?demand=LETTUCE-KG+0.7&shelf=900&price=575&life=8")
    page.get_by_label("Username").fill("manager")
    page.get_by_label("Password").fill("pole-bean")
    page.get_by_role("button", name="Log in").click()
    page.locator("#held .drawn .scatterlayer").wait_for()
    looks = (PHONE, "light"), (DESK, "dark")
    assert looked_at(page, *looks) == {}
    page.get_by_label("Demand, % of what was sold").fill("none")
    page.get_by_role("button", name="Look").click()
    page.get_by_role("alert").wait_for()
    page.goto("/crops/keep/")
    page.locator("#keep").wait_for()
    assert looked_at(page, *looks) == {}
    assert page.said == []
