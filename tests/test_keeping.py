"""Keep or clear, from the farm's own books and cards: published rules, and February."""

from __future__ import annotations

import datetime as dt
import html
import re

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from analytics import keeping as k
from analytics.demo.play import play
from analytics.demo.scenario import scenario
from analytics.demo.tables import card
from analytics.expected import Habit, habit, stretch
from analytics.fetches import Charges, net_of_leaf
from analytics.keep_rows import CLEAR, KEEP, NOT_SAID, KeepRow
from analytics.keeping import keeping
from analytics.models import Rate, StandardUse
from analytics.period import About, Period
from analytics.rates import set_rate
from grow import clock
from grow.looking import Column
from grow.models import Crop, CropCard, Item, Lot, Person, Planting, PlantSite, Variety
from sales.models import Price
from tests.farm import Farm
from tests.week import bought

#: Constructed, ours: set-up 20 p, cuts of so many pence on days 28, 38, 48, 58, 68.
GRAMS = (62, 46, 34, 22, 12)
EVEN = " ".join(["100"] * 12)


@pytest.fixture
def farm(db: None) -> Farm:
    """A pence a gram, and twenty to plant a site; nothing else costs anything."""
    farm = Farm()
    Price.objects.filter(line=farm.loose.line).update(pence=1000)
    set_rate("pot", "20", dt.date(2020, 1, 1), "the test's own")
    set_rate("seed", "0", dt.date(2020, 1, 1), "saved")
    CropCard.objects.create(
        variety=farm.green,
        nursery_days=20,
        days_to_first_cut=28,
        days_between_cuts=10,
        cuts=5,
        grams_by_cut=" ".join(map(str, GRAMS)),
        growth_by_month=EVEN,
        source="constructed",
    )
    return farm


def stands(farm: Farm, cuts: int) -> Lot:
    """Ten sites, cut so often to the gram of the card, and none that stands empty; another sowing
    waits on the bench."""
    farm.sow(50)
    batch = farm.sow(10)
    farm.plant(batch, farm.t1, 10)
    in_use(10)
    for n, grams in enumerate(GRAMS[:cuts]):
        farm.pass_time(days=10 if n else 28)
        farm.cut(10 * grams, batch)
    return batch


def in_use(number: int) -> None:
    """So many sites are, those that are planted first."""
    stood = set(Planting.objects.values_list("site", flat=True))
    sites = PlantSite.objects.values_list("pk", flat=True)
    used = sorted(sites, key=lambda pk: (pk not in stood, pk))[:number]
    PlantSite.objects.update(out_of_use=True)
    PlantSite.objects.filter(pk__in=used).update(out_of_use=False)


def asked(monkeypatch: pytest.MonkeyPatch, **grams: float) -> None:
    found = {
        Crop.objects.get(name__startswith=name.capitalize()).pk: g for name, g in grams.items()
    }
    monkeypatch.setattr(k, "asked_for", lambda today: found)


def the(farm: Farm, batch: Lot) -> KeepRow:
    with clock.playing(farm.now):
        (row,) = [row for row in keeping(farm.today).rows if row.sowing == batch.code]
    return row


@pytest.mark.parametrize(("cuts", "says"), [(1, KEEP), (2, KEEP), (3, CLEAR), (4, CLEAR)])
def test_where_returns_fall_it_is_the_rule_of_the_next_cut(
    farm: Farm, monkeypatch: pytest.MonkeyPatch, cuts: int, says: str
) -> None:
    """Perrin 1972: keep while the next cut brings more a day (4.6, 3.4, 2.2, 1.2 p) than a
    replacement on average: 122 p in 49 days, with a day to change over, 2.49."""
    batch = stands(farm, cuts)
    asked(monkeypatch, loose=100_000)
    row = the(farm, batch)
    assert row.says == says
    assert float(row.instead_p or 0) == pytest.approx(7 * 122 / 49, abs=0.01)
    assert (row.cuts_made, row.cuts_to_come, row.level_pct) == (cuts, 5 - cuts, 100)
    if says == KEEP:
        # the day by which the next cuts no longer make up for it is that after the third
        assert row.day == farm.today + dt.timedelta(days=10 * (3 - cuts))
    else:
        assert row.day == farm.today


def test_a_replacement_without_plugs_waits_and_one_that_nobody_asks_for_is_none(
    farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the third cut 2.2 p a day are to come. With plugs it goes; sown today its like would
    take 20 days more and is best a cut later, 144 p in 78 days, 1.85; and without demand the
    site would stand empty."""
    batch = stands(farm, 3)
    asked(monkeypatch, loose=100_000)
    assert the(farm, batch).says == CLEAR
    bench = Lot.objects.filter(kind="batch").exclude(pk=batch.pk).get()
    farm.tell("lose_plants", batch=bench, place=farm.bench, plants=50, reason="slug")
    row = the(farm, batch)
    assert (row.says, row.instead) == (KEEP, "Loose-leaf lettuce Green loose-leaf to be sown")
    assert float(row.instead_p or 0) == pytest.approx(7 * 144 / 78, abs=0.01)
    asked(monkeypatch)
    row = the(farm, batch)
    assert (row.says, row.instead, row.instead_p) == (KEEP, "empty site", 0)
    # against nothing it stays to its last cut, though its best average is the next
    assert row.keep_until == farm.today + dt.timedelta(days=10)
    assert row.day == farm.today + dt.timedelta(days=20)
    # what is ripe within the week is cut either way: 12 p are to come after it
    farm.pass_time(days=8)
    row = the(farm, batch)
    assert row.ripe == farm.today + dt.timedelta(days=2)
    assert float(row.keep_p or 0) == pytest.approx(7 * 12 / 12, abs=0.01)


@pytest.mark.parametrize(
    ("empty", "demand", "says", "instead", "planted", "now"),
    [
        (0, 280, CLEAR, "B", [0, 0], [10, 0]),
        # twelve more sites are asked for, and thirteen were if it went: they all stand empty
        (30, 280, KEEP, "empty site", [12, 0], [12, 0]),
        # of fifty plugs twenty are left, then none, when what stands empty is planted
        (30, 100_000, CLEAR, "B", [30, 0], [40, 0]),
        (90, 100_000, KEEP, "to be sown", [50, 40], [50, 40]),
    ],
)  # fmt: skip
def test_nothing_is_cleared_for_what_an_empty_site_would_take(
    farm: Farm, monkeypatch: pytest.MonkeyPatch, empty: int, demand: int, says: str, instead: str,
    planted: list[int], now: list[int],
) -> None:  # fmt: skip
    """After the third cut it goes for plugs that are asked for, 62 + 46 + 34 g a site in 49 days;
    not where they can be had without."""
    batch = stands(farm, 3)
    in_use(10 + empty)
    asked(monkeypatch, loose=demand)
    row = the(farm, batch)
    assert (row.says, instead in row.instead) == (says, True)
    with clock.playing(farm.now):
        found = keeping(farm.today)
    assert (found.sites, found.empty) == (10 + empty, empty)
    assert found.spare == empty - sum(planted)
    assert [offer.on_empty for offer in found.instead] == planted
    assert [offer.now for offer in found.instead] == now
    assert [offer.sow for offer in found.instead] == [None, now[1]]


def test_the_months_to_come_count(farm: Farm) -> None:
    """The same plants on the same day; one fact changed: what grows from April on. At a fifth of
    the growth a cut takes twice the days and weighs two fifths."""
    batch = stands(farm, 2)  # 9 April
    good = the(farm, batch)
    assert float(good.keep_p or 0) == pytest.approx(7 * 3.4, abs=0.01)
    CropCard.objects.update(growth_by_month="100 100 100 20 20 20 20 20 20 20 20 20")
    poor = the(farm, batch)
    assert stretch(0.2) == 2
    assert poor.keep_until == farm.today + dt.timedelta(days=20)
    # by the card its second cut should have weighed less too, and its record says it did not
    assert poor.level_pct
    assert poor.level_pct > 100
    assert float(poor.keep_p or 0) == pytest.approx(
        7 * 0.4 * 34 / 20 * poor.level_pct / 100, rel=0.01
    )


def test_its_own_cuts_speak_against_the_card(farm: Farm) -> None:
    """Half of what the card says in two cuts, where three count for the card: twice over, since its
    variety has no others. (2 × .5 + 3) ÷ 5 = .8, then (2 × .5 + 3 × .8) ÷ 5 = .68."""
    batch = farm.sow(10)
    farm.plant(batch, farm.t1, 10)
    for days, grams in ((28, 310), (10, 230)):
        farm.pass_time(days=days)
        farm.cut(grams, batch)
    row = the(farm, batch)
    assert row.level_pct == 68
    assert row.records_pct == 64  # the card's 3 of 5, twice
    assert float(row.keep_p or 0) == pytest.approx(7 * 3.4 * 0.68, abs=0.01)


def test_unsold_demand_is_what_went_less_what_stands_will_give(farm: Farm) -> None:
    """1200 g sold in four weeks, and a day on which the shop had none."""
    batch = stands(farm, 2)
    run = farm.pack([farm.cut(1200, crop=farm.lettuce)], packs=10)
    farm.to_shop(run, 10)
    farm.till(10)
    farm.tell("sold_out", place=farm.shop_place, product=farm.bag)
    farm.bag.recipe.create(crop=farm.lettuce, least_pct=100, greatest_pct=100)
    farm.pass_time(days=1)
    with clock.playing(farm.now):
        assert k.asked_for(farm.today) == {farm.lettuce.pk: pytest.approx(1200 / 4 * 29 / 28)}
        offers = keeping(farm.today).instead
    # 340, 220 and 120 g to come of ten sites within twelve weeks
    weekly = (62 + 46 + 34) / 49 * 7
    left = 1200 / 4 * 29 / 28 - (340 + 220 + 120) / 12
    assert offers[0].plugs == 50
    assert offers[0].unsold == pytest.approx(left / weekly, abs=1)
    assert the(farm, batch).sites == 10
    # a year on the coming weeks are those in which it was sold; the last four have none
    farm.pass_time(days=340)
    with clock.playing(farm.now):
        assert k.asked_for(farm.today)[farm.lettuce.pk] == pytest.approx(1200 / 12 * 85 / 84)
    again = farm.pack([farm.cut(2400, crop=farm.lettuce)], packs=20)
    farm.to_shop(again, 20)
    farm.till(20)
    farm.pass_time(days=1)
    with clock.playing(farm.now):  # this month more than then
        assert k.asked_for(farm.today)[farm.lettuce.pk] == pytest.approx(2400 / 4)


def test_what_no_card_says_is_said_to_be_missing(farm: Farm) -> None:
    batch = stands(farm, 1)
    assert the(farm, batch).says == KEEP
    CropCard.objects.update(growth_by_month="")
    other = farm.sow(10, farm.red)
    in_use(108)
    farm.plant(other, farm.t2, 10)
    assert the(farm, batch).why == "its card does not say growth by month"
    assert (the(farm, other).says, the(farm, other).keep_p) == (NOT_SAID, None)
    assert the(farm, other).why == "it has no crop card"
    CropCard.objects.update(growth_by_month=EVEN)
    Price.objects.all().delete()
    assert the(farm, batch).why == "nothing of its crop was sold or has a price"


LISTS = ("clear", "plant", "keep")


def test_the_page_its_files_and_the_api_say_the_same(
    farm: Farm, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = stands(farm, 3)
    in_use(108)
    farm.plant(farm.sow(10, farm.red), farm.t2, 10)
    in_use(20)
    asked(monkeypatch, loose=100_000)
    manager = Person.objects.create_user("manager", is_staff=True)
    manager.groups.add(Group.objects.get(name="manager"))
    client.force_login(manager)
    page = html.unescape(client.get("/crops/keep/").content.decode())
    for part in re.findall(r"<section.*?</section>", page, re.DOTALL):
        assert all(word in part for word in ("Base:", "Unit:", "Period:")) == ("<table>" in part)
    assert "Clear now" in page
    assert "sites stand empty" not in page
    part = {name: page.split(f'id="{name}"')[1].split("</section>")[0] for name in LISTS}
    assert batch.code in part["clear"]
    assert re.findall(r">(\d+)<", part["plant"]) == ["50", "10"]  # of the fifty plugs
    heads = re.findall(r'data-label="([^"]*)"', part["keep"])
    assert heads[:5] == ["What to do", "Crop", "Towers", "Sites", "Instead with"]
    assert "Best cleared by" in heads
    assert 'id="sow"' not in page
    in_use(30)
    page_ = html.unescape(client.get("/crops/keep/").content.decode())
    assert "10 of 30 sites stand empty: what could be planted goes there first, and only" in page_
    asked(monkeypatch)
    page_ = html.unescape(client.get("/crops/keep/").content.decode())
    assert "and nothing has to be cleared to make room for it." in page_
    assert [name for name in LISTS if f'id="{name}"' in page_] == ["keep"]
    in_use(20)
    asked(monkeypatch, loose=100_000)
    assert "it has no crop card" in page.split('id="missing"')[1]
    told = client.get("/api/v1/figures/keep/").json()
    row, none = told["rows"]
    assert (none["says"], none["keep_p"]) == ("not said", None)
    assert (row["sowing"], row["says"], row["day"]) == (batch.code, "clear", str(farm.today))
    assert client.get("/api/v1/figures/keep/?crop=Red mustard").json()["rows"] == [none]
    assert client.get("/api/v1/figures/keep/?crop=Triffid").status_code == 400
    refused = client.get("/crops/keep/?crop=Triffid")
    assert refused.status_code == client.get("/crops/?crop=Triffid").status_code
    assert "No crop is called “Triffid”." in html.unescape(refused.content.decode())
    rows = client.get("/crops/keep/?as=csv").content.decode().splitlines()
    assert rows[1].split(",")[0] == batch.code
    assert row["keep_p"] in rows[1]
    assert client.get("/crops/keep/?as=xlsx&part=keep").status_code == 200


@pytest.mark.parametrize(("told", "wait"), [(-15, 5), (None, 20)])
def test_plugs_that_stood_when_records_began_are_as_old_as_was_told(
    farm: Farm, told: int | None, wait: int
) -> None:
    """20 days in the nursery, of which 15 were over; else only those since the entry count."""
    about = {} if told is None else {"about_planted": farm.today + dt.timedelta(days=told)}
    farm.tell("opening_entry", kind="batch", quantity=40, variety=farm.green, place=farm.bench,
              **about)  # fmt: skip
    with clock.playing(farm.now):
        assert [row.wait for row in keeping(farm.today).instead if row.cells] == [wait]


def test_leaf_that_was_bought_in_is_no_leaf_of_the_sites(farm: Farm) -> None:
    """Ten bags of own leaf at £2.40 less 8.5 p each, a minute a bag, 4 a kg washed and 10 a kg cut
    at 10 p a minute: 2400 − 85 − 100 − 48 − 120 p of 1.2 kg cut; a hundred bags of bought leaf
    after it change nothing."""
    rates = {"wage": "600", "pack_minutes": "1", "wash_minutes": "4", "cut_minutes": "10"}
    for what, amount in rates.items():
        set_rate(what, amount, dt.date(2020, 1, 1), "the test's own")
    farm.bag.recipe.create(crop=farm.lettuce, least_pct=100, greatest_pct=100)
    batch = stands(farm, 0)
    farm.pass_time(days=28)
    told = {"crop": farm.lettuce, "supplier": farm.supplier, "place": farm.store}
    found = []
    for crate, packs in ((farm.cut(1200, batch), 10), (None, 100)):
        crate = crate or farm.tell("receive_produce", grams=12000, paid_pence=18000, **told).lot
        farm.pass_time(hours=1)
        run = farm.pack([crate], packs=packs, washed=True)
        farm.to_shop(run, packs)
        farm.till(packs)
        with clock.playing(farm.now):
            year = Period(farm.today - dt.timedelta(days=364), farm.today)
            charges = Charges(clock.day_number(farm.today), About(year, base="", unit=""))
            found.append(net_of_leaf(year, charges)[0][farm.lettuce.pk])
    assert found[0].recorded
    assert found[0].pence == pytest.approx((2400 - 85 - 100 - 48 - 120) / 1200)
    assert found[1].pence == pytest.approx(found[0].pence, abs=1 / 1200)


def test_what_is_raised_instead_costs_what_was_paid_last_or_is_not_offered(farm: Farm) -> None:
    """Plants ready in 20 days give 164 p in four cuts, in 78 days, less the pot of 20 p; a plug at
    30 p takes as much off. Without receipt or rate it would come free, so it is not offered. Of
    what was sown today all that is spent: plants of the same age are then the better ones."""
    stands(farm, 0)

    def best() -> list[float]:
        with clock.playing(farm.now):
            found = keeping(farm.today)
        gaps = [gap for gap in found.about.gaps if "its seed or plugs" in gap]
        stood, *sown = found.instead
        assert (stood.cells != "", float(stood.best_p)) == (True, spared)
        assert bool(gaps) == (not sown)
        return [float(row.best_p) for row in sown]

    spared = pytest.approx(7 * 144 / 78, abs=0.01)

    assert best() == [spared]
    Rate.objects.filter(what="seed").delete()
    assert best() == []
    plugs = Item.objects.create(name="Plugs", kind="young_plants", variety=farm.green)
    told = {"since": dt.date(2020, 1, 1), "source": "counted"}
    StandardUse.objects.create(item=plugs, amount=1, **told)
    bought(farm, plugs, 100, 9000)
    farm.pass_time(hours=1)
    bought(farm, plugs, 100, 3000)
    bought(farm, plugs, 100, None)
    assert best() == [pytest.approx(7 * 114 / 78, abs=0.01)]


@pytest.mark.parametrize(
    ("card", "offered"),
    [
        ({}, 2),
        ({"usable_plugs_pct": 0}, 0),
        ({"grams_by_cut": "0 34 30", "cuts": 3}, 0),  # of which more is lost the longer it stands
    ],
)
def test_what_gives_no_plant_or_no_leaf_is_not_offered(
    farm: Farm, card: dict[str, object], offered: int
) -> None:
    set_rate("nutrient", "99999", dt.date(2020, 1, 1), "leaf at a loss")
    CropCard.objects.update(**card)
    stands(farm, 0)
    with clock.playing(farm.now):
        assert len(keeping(farm.today).instead) == offered


@pytest.mark.parametrize(("value", "written"), [("-0.04", "0.0"), ("-0.06", "-0.1"), (0, "0.0")])
def test_nought_has_no_sign(value: object, written: str) -> None:
    assert Column("p", "Pence", "tenth").cell({"p": value}).text == written


# --- February -----------------------------------------------------------------------------------


def strawberry() -> Habit:
    facts = next(crop for crop in scenario().crops if crop.key == "strawberry")
    found: CropCard = card(scenario(), facts, Variety())
    found.full_clean(exclude=["variety"])
    return habit(found, 1)


def test_a_strawberrys_season_is_the_trades() -> None:
    """22 picks and 260 g a plant and season, as growers reckon it (from memory, no source)."""
    new_year = dt.date(2026, 1, 1)
    picks = list(strawberry().cuts(new_year, 1, new_year, dt.date(2026, 12, 31)))
    assert len(picks) == pytest.approx(22, abs=2)
    assert sum(grams for _, grams in picks) == pytest.approx(260, rel=0.05)
    assert {day.month for day, _ in picks} <= set(range(4, 12))


@pytest.mark.django_db
def test_strawberries_in_february_are_kept_into_the_summer(monkeypatch: pytest.MonkeyPatch) -> None:
    """On the demo's own cards, rates and prices. The next four weeks earn nothing, and mizuna has
    plugs and is asked for: the rule of the next weeks would clear them."""
    play(dt.date(2026, 2, 3), 2)
    today = dt.date(2026, 2, 4)

    def berries(**grams: float) -> list[KeepRow]:
        asked(monkeypatch, **grams)
        return [row for row in keeping(today).rows if row.crop == "Strawberry"]

    for wanted, instead in (({}, "empty site"), ({"mizuna": 100_000}, "Mizuna")):
        found = berries(**wanted)
        assert len(found) == 2
        for row in found:
            assert row.says == KEEP
            assert row.next_four_weeks_p == 0
            assert row.instead.startswith(instead)
            assert dt.date(2026, 6, 1) <= row.keep_until < dt.date(2026, 9, 1)  # type: ignore[operator]
            assert row.day >= row.keep_until  # type: ignore[operator]
            assert row.keep_p > row.instead_p  # type: ignore[operator]
    assert found[0].instead_p > 0  # type: ignore[operator]
    # one fact changed: cards that let them bear nothing this summer
    CropCard.objects.filter(variety__crop__name="Strawberry").update(
        growth_by_month="0 0 0 0 0 0 0 0 0 10 0 0"
    )
    assert {row.says for row in berries(mizuna=100_000)} == {CLEAR}
