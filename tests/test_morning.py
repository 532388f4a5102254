"""The morning's sums against a table worked by hand, where a crop can be cut, and the page that
says so, on a phone and on paper."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pypdfium2
import pytest
from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext

from grow.errors import Refusal
from grow.importing import sheets
from grow.importing.playing import play
from grow.models import Crop, CropCard, Lot, Variety
from sales.models import Outlet, Product, RecipeLine, Wanted
from sales.morning import Morning, ToCut, ToPack, morning
from sales.morning_words import kilograms, towers
from tests.farm import Crate, Farm
from tests.hands import DESK, PHONE, People, Thumb, violations
from tests.test_run_weights import signed_in

MONDAY = Wanted.Weekday.MONDAY


def want(outlet: Outlet, product: Product, quantity: int, **when: Any) -> Wanted:
    return Wanted.objects.create(
        outlet=outlet, product=product, quantity=quantity, **(when or {"weekday": MONDAY})
    )


class Week:
    """A Monday with orders, a shelf, bags and leaf in store; all of it weighed in whole numbers
    that a pencil can follow.

    Runs of the bag so far: one, 1512 g of leaf for 12 bags of 120 g, so 1.05 g for each gram. Of
    them 6 stand on the shelf, 2 went to the kitchen today, 4 are in store."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.run = farm.pack([farm.cut(1512)], packs=12)
        farm.to_shop(self.run, 6)
        farm.send(self.run, 2)
        self.crate = farm.cut(1200)
        farm.send(self.crate, 500)  # so 700 g of it are left
        self.held = farm.cut(400)
        farm.hold(self.held)
        RecipeLine.objects.create(
            product=farm.bag, crop=farm.lettuce, least_pct=60, greatest_pct=80
        )
        RecipeLine.objects.create(
            product=farm.bag, crop=farm.mustard, least_pct=10, greatest_pct=20
        )
        self.butterhead = Crop.objects.create(name="Butterhead", picked="once")
        self.head = Product.objects.create(
            code="HEAD", name="Butterhead, each", form="head", nominal_g=200
        )
        RecipeLine.objects.create(product=self.head, crop=self.butterhead)
        want(farm.shop, farm.bag, 20)
        want(farm.kitchen, farm.bag, 10)
        want(farm.kitchen, farm.loose, 1500)
        want(farm.kitchen, self.head, 5)

    @property
    def found(self) -> Morning:
        return morning(self.farm.today, self.farm.grower)

    def cut(self, crop: Crop) -> ToCut:
        return next(one for one in self.found.to_cut if one.crop == crop)

    def pack(self, product: Product) -> ToPack:
        return next(one for one in self.found.to_pack if one.product == product)


@pytest.fixture
def week(farm: Farm) -> Week:
    return Week(farm)


# --- the sums ------------------------------------------------------------------------------------


def test_the_mornings_sums_are_those_of_a_pencil(week: Week) -> None:
    """Worked by hand, the middles 70 and 15 % made up to the whole being 70/85 and 15/85:

    Bags: 20 − 6 on the shelf = 14, 10 − 2 sent = 8, so 22 − 4 in store = 18 to make.
    Leaf for them: 18 × 120 × 1.05 = 2268 g; lettuce 2268 × 70/85 = 1867.8, mustard 400.2.
    Lettuce: 1868 + 1000 still to go loose (1500 − 500) − 700 in store that is not held = 2168.
    Heads: 5 × 200 × 1 = 1000, no run of them yet.
    A crate of lettuce: (400 + 1200 + 1512) ÷ 3 = 1037.3; 2168 ÷ 1037 = 2.09, so three.
    """
    packed = [
        (p.product.code, p.wanted, p.there, p.in_store, p.to_make, p.leaf_g)
        for p in week.found.to_pack
    ]
    assert packed == [
        ("HEAD", 5, 0, 0, 5, 1000),
        ("LETTUCE-KG", 1500, 500, 0, 0, 1000),
        ("SALAD-120", 30, 8, 4, 18, 2268),
    ]
    cut = [
        (c.crop.name, c.need_g, c.in_store_g, c.cut_g, c.crate_g, c.crates)
        for c in week.found.to_cut
    ]
    assert cut == [
        ("Loose-leaf lettuce", 2868, 700, 2168, 1037, 3),
        ("Butterhead", 1000, 0, 1000, None, None),
        ("Red mustard", 400, 0, 400, None, None),
    ]
    (left_out,) = week.cut(week.farm.lettuce).left_out
    assert (left_out.lot, left_out.why_not) == (week.held, "Held: laboratory result")


def test_what_is_held_or_past_its_date_is_neither_on_the_shelf_nor_in_store(week: Week) -> None:
    assert week.pack(week.farm.bag).to_make == 18
    week.farm.hold(week.run)
    bag = week.pack(week.farm.bag)
    assert (bag.there, bag.in_store, bag.to_make) == (2, 0, 28)
    assert [s.why_not for s in bag.stopped] == ["Held: laboratory result"]


def test_bags_past_their_date_count_for_nothing_next_week(week: Week) -> None:
    next_monday = week.farm.today + dt.timedelta(days=7)
    bag = next(
        p for p in morning(next_monday, week.farm.grower).to_pack if p.product == week.farm.bag
    )
    assert week.run.use_by == dt.date(2026, 3, 9) == next_monday  # its last day: it still counts
    assert (bag.there, bag.in_store) == (6, 4)
    week.farm.tell("describe", lot=week.run, best_before=dt.date(2026, 3, 8))
    bag = next(
        p for p in morning(next_monday, week.farm.grower).to_pack if p.product == week.farm.bag
    )
    assert (bag.there, bag.in_store, bag.to_make) == (0, 0, 30)


def test_one_days_row_stands_in_for_the_weekdays_even_with_nought(week: Week) -> None:
    farm = week.farm
    want(farm.shop, farm.bag, 0, day=farm.today)
    want(farm.kitchen, farm.bag, 40, day=farm.today)
    assert [(o.outlet.place.name, o.quantity) for o in week.pack(farm.bag).orders] == [
        ("Farm shop", 0),
        ("Kitchen", 40),
    ]
    later = morning(farm.today + dt.timedelta(days=7), farm.grower)
    (bag,) = [p for p in later.to_pack if p.product == farm.bag]
    assert bag.wanted == 30


def test_a_cancelled_note_was_not_sent(week: Week) -> None:
    farm = week.farm
    assert week.pack(farm.bag).there == 8
    sent = farm.send(week.run, 3)
    assert week.pack(farm.bag).there == 11
    farm.tell("cancel", event=sent, reason="wrong van")
    assert week.pack(farm.bag).there == 8


def test_only_the_last_ten_runs_say_what_a_pack_takes_and_none_that_was_cancelled(
    farm: Farm,
) -> None:
    """The eleventh back took twice its weight; the ten since 1.25 g for each gram, as a ratio of
    sums; a run taken back says nothing."""
    farm.pack([farm.cut(2880)], packs=12)
    want(farm.shop, farm.bag, 500)
    took = morning(farm.today, farm.grower).to_pack[0].took
    assert (took.runs, took.for_each) == (1, 2)
    for _ in range(10):
        farm.pack([farm.cut(1800)], packs=12)
    wrong = farm.pack([farm.cut(2880)], packs=12)
    farm.tell("cancel", event=wrong.made_by, reason="another run")
    took = morning(farm.today, farm.grower).to_pack[0].took
    assert (took.runs, took.grams_in, took.nominal_g) == (10, 18000, 14400)


def test_a_crate_is_what_was_weighed_less_its_tare_and_no_handful(farm: Farm) -> None:
    want(farm.kitchen, farm.loose, 9000)
    assert morning(farm.today, farm.grower).to_cut[0].crate_g is None
    farm.tell(
        "harvest",
        crates=[Crate(3900, 900), Crate(5100, 900)],
        crop=farm.lettuce,
        store=farm.store,
    )
    farm.tell("harvest", crates=[Crate(90)], crop=farm.lettuce, store=farm.store, basis="estimated")
    cut = morning(farm.today, farm.grower).to_cut[0]
    assert (cut.crates_known, cut.crate_g, cut.cut_g, cut.crates) == (2, 3600, 1710, 1)


def test_leaf_too_old_for_a_pack_does_but_for_what_goes_loose(farm: Farm) -> None:
    """The bag takes leaf up to nine days from its cut; the bench packs it then, and no later."""
    RecipeLine.objects.create(product=farm.bag, crop=farm.lettuce)
    for n in (9, 10, 11):
        want(farm.shop, farm.bag, 10, day=farm.today + dt.timedelta(days=n))
    want(farm.kitchen, farm.loose, 1, day=farm.today + dt.timedelta(days=11))
    crate = farm.cut(500)
    counted = [
        morning(farm.today + dt.timedelta(days=n), farm.grower).to_cut[0].in_store_g
        for n in (9, 10, 11)
    ]
    assert counted == [500, 0, 500]
    farm.pass_time(days=9)
    farm.pack([crate], packs=1, left=380)
    farm.pass_time(days=1)
    with pytest.raises(Refusal, match="is good until"):
        farm.pack([crate], packs=1, left=260)


def test_a_product_without_a_recipe_is_named_and_not_guessed_at(farm: Farm) -> None:
    want(farm.shop, farm.bag, 5)
    found = morning(farm.today, farm.grower)
    assert ([p.product for p in found.unsaid], found.to_cut) == ([farm.bag], [])


# --- where it can be cut -------------------------------------------------------------------------


@pytest.fixture
def towers_of(farm: Farm) -> dict[str, Lot]:
    """Lettuce on three towers: cut five days ago, sprayed yesterday, held."""
    want(farm.kitchen, farm.loose, 5000, day=dt.date(2026, 4, 20))
    lots = {name: farm.sow(60) for name in ("cut", "sprayed", "held")}
    farm.pass_time(days=25)
    for (name, lot), tower in zip(lots.items(), (farm.t1, farm.t2, farm.t3), strict=True):
        farm.plant(lot, tower, 8)
        lots[name] = lot
    farm.pass_time(days=19)
    farm.cut(900, lots["cut"])
    farm.pass_time(days=4)
    farm.tell("treat", item=farm.soap, places=[farm.t2], reason="aphid")
    farm.hold(lots["held"], reason="seed lot recalled")
    farm.pass_time(days=1)
    assert farm.today == dt.date(2026, 4, 20)
    return lots


def test_towers_under_a_spray_or_held_are_shown_with_why_and_not_offered(
    farm: Farm, towers_of: dict[str, Lot]
) -> None:
    (cut,) = morning(farm.today, farm.grower).to_cut
    assert [(s.place.name, s.plants, s.days, s.cut) for s in cut.at] == [("T1", 8, 5, True)]
    why = {s.place.name: s.why_not for s in cut.not_at}
    assert why["T2"] == "in the harvest interval of Leaf soap, until 22 Apr 00:00"
    assert why["T3"] == "Green loose-leaf is held: seed lot recalled"
    # the books judge a cut alike: here it is done, there refused, with the very interval
    farm.cut(500, towers=[farm.t1])
    with pytest.raises(Refusal, match="harvest interval of Leaf soap"):
        farm.cut(500, towers=[farm.t2])
    farm.pass_time(days=2)
    want(farm.kitchen, farm.loose, 5000, day=farm.today)
    (cut,) = morning(farm.today, farm.grower).to_cut
    assert {s.place.name for s in cut.at} == {"T1", "T2"}


def test_plants_in_held_water_are_not_offered_for_their_crate_would_be_held(
    farm: Farm, towers_of: dict[str, Lot]
) -> None:
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    water = farm.tell("fill", tank=farm.tank, litres=100).lot
    farm.pass_time(minutes=5)
    (cut,) = morning(farm.today, farm.grower).to_cut
    assert [s.place.name for s in cut.at] == ["T1"]
    farm.hold(water, reason="failed water test")
    farm.pass_time(minutes=5)
    (cut,) = morning(farm.today, farm.grower).to_cut
    assert cut.at == []
    assert "is held: failed water test" in {s.place.name: s.why_not for s in cut.not_at}["T1"]
    crate = farm.cut(500, towers=[farm.t1])
    assert crate.holds.filter(ended_by=None).exists()


def test_a_spray_on_the_bench_goes_with_the_plants(farm: Farm) -> None:
    want(farm.kitchen, farm.loose, 5000, day=dt.date(2026, 3, 4))
    lot, other = farm.sow(20), farm.sow(20, place=farm.bench2)
    farm.pass_time(days=1)
    farm.tell("treat", item=farm.soap, places=[farm.bench], reason="fungus gnats")
    farm.pass_time(days=1)
    farm.plant(lot, farm.t1, 8)
    farm.plant(other, farm.t2, 8, from_place=farm.bench2)
    farm.pass_time(minutes=5)
    (cut,) = morning(farm.today, farm.grower).to_cut
    assert [s.place.name for s in cut.at] == ["T2"]
    assert [s.place.name for s in cut.not_at] == ["T1"]


def test_towers_enough_by_the_crop_card_are_named_the_longest_uncut_first(farm: Farm) -> None:
    want(farm.kitchen, farm.loose, 500, day=dt.date(2026, 4, 17))
    for tower, days in ((farm.t1, 3), (farm.t2, 5), (farm.t3, 0)):
        lot = farm.sow(30)
        farm.pass_time(hours=1)
        farm.plant(lot, tower, 8)
        farm.pass_time(days=days)
    farm.pass_time(days=37)
    farm.now = dt.datetime(2026, 4, 17, 8, tzinfo=dt.UTC)
    farm.pass_time()
    (cut,) = morning(farm.today, farm.grower).to_cut
    assert [s.place.name for s in cut.at] == ["T1", "T2", "T3"]
    assert cut.enough == cut.at  # no card says how much
    CropCard.objects.create(
        variety=farm.green, grams_per_site_and_cut=34, days_to_first_cut=40, source="our own"
    )
    (cut,) = morning(farm.today, farm.grower).to_cut
    assert [(s.place.name, s.grams, s.ripe) for s in cut.at] == [
        ("T1", 272, True),
        ("T2", 272, True),
        ("T3", 272, False),
    ]
    assert [s.place.name for s in cut.enough] == ["T1", "T2"]  # 272 are too few, 544 enough


def test_a_crop_that_is_cut_in_its_cells_is_named_where_it_stands(farm: Farm) -> None:
    """A tray is cut once the card's days are over; a seedling is none to be cut, and what is spare
    of a sowing that was planted out cannot be named apart."""
    CropCard.objects.create(
        variety=farm.green, nursery_days=10, days_to_first_cut=5, source="our own"
    )
    want(farm.kitchen, farm.loose, 500, day=(day := farm.today + dt.timedelta(days=15)))
    tray, spare = farm.sow(40), farm.sow(30, place=farm.bench2)
    farm.pass_time(days=1)
    farm.sow(60, place=farm.bench2)  # still too young
    farm.pass_time(days=14)

    def at() -> list[tuple[str, int, int, bool | None]]:
        (cut,) = morning(day, farm.grower).to_cut
        return [(s.place.name, s.plants, s.days, s.ripe) for s in cut.at]

    assert at() == [("Bench 1", 40, 15, True), ("Bench 2", 30, 15, True)]
    farm.plant(spare, farm.t1, 8, from_place=farm.bench2)
    farm.pass_time(minutes=5)
    assert at() == [("Bench 1", 40, 15, True), ("T1", 8, 0, False)]
    (cut,) = morning(day, farm.grower).to_cut
    assert [s.place.name for s in cut.enough] == ["T1"]  # one cut is of towers or of sowings
    farm.tell("clear", batch=spare, left="full", why="old")
    farm.pass_time(minutes=5)
    _, manager = signed_in("manager")
    page = manager.get("/morning/").content.decode()
    (line,) = re.findall(r'class="line-go" href="([^"]*harvest[^"]*)"', page)
    asked = parse_qs(urlsplit(line.replace("&amp;", "&")).query)
    assert (asked["batches"], "towers" in asked) == ([tray.code], False)
    farm.tell("treat", item=farm.soap, places=[farm.bench], reason="fungus gnats")
    (cut,) = morning(day, farm.grower).to_cut
    assert next(s.why_not for s in cut.not_at if s.sowings).startswith("in the harvest interval")
    farm.pass_time(days=3)
    farm.cut(300, tray)  # as the page's link names it


def test_it_asks_as_often_for_many_as_for_few(week: Week) -> None:
    farm = week.farm

    def asked() -> int:
        week.found  # noqa: B018  (statements are compiled once)
        with CaptureQueriesContext(connection) as seen:
            assert week.found.to_cut
        return len(seen)

    def grow(n: int) -> None:
        crop = Crop.objects.create(name=f"Crop {n}")
        variety = Variety.objects.create(name=f"Variety {n}", crop=crop)
        product = Product.objects.create(code=f"P-{n}", name=f"Bag {n}", nominal_g=100)
        RecipeLine.objects.create(product=product, crop=crop)
        want(farm.shop, product, 9)
        want(farm.kitchen, product, 3)
        batch = farm.sow(20, variety)
        farm.pass_time(minutes=1)
        farm.plant(batch, farm.t1, 2)
        farm.plant(batch, farm.t2, 2)
        run = farm.pack([farm.cut(400, batch)], packs=3, product=product)
        farm.send(run, 1)
        farm.hold(farm.cut(100, batch))

    farm.tell("treat", item=farm.soap, places=[farm.t3], reason="aphid")
    grow(1)
    few = asked()
    for n in (2, 3, 4):
        grow(n)
    assert len(week.found.to_cut) == 7
    assert asked() == few


# --- the table of it -----------------------------------------------------------------------------


def test_a_row_is_of_a_weekday_or_of_one_day_and_each_is_said_once(farm: Farm) -> None:
    want(farm.shop, farm.bag, 5)
    want(farm.shop, farm.bag, 5, day=farm.today)
    for wrong in (
        {"weekday": 2, "day": farm.today},
        {"weekday": None, "day": None},
        {"weekday": 8},
        {"weekday": 0},
        {"weekday": MONDAY},
        {"day": farm.today},
    ):
        row = Wanted(outlet=farm.shop, product=farm.bag, quantity=5, **wrong)
        with pytest.raises(ValidationError):
            row.full_clean()
        with pytest.raises(IntegrityError), transaction.atomic():
            row.save()


def test_what_follows_from_the_outlet_is_an_order_or_a_level(farm: Farm) -> None:
    assert want(farm.shop, farm.bag, 5).is_level
    assert not want(farm.kitchen, farm.bag, 5).is_level


def test_it_comes_in_as_a_file_by_the_names_of_its_days(farm: Farm) -> None:
    head = "outlet,product,weekday,day,quantity\n"

    def told(*rows: str) -> Any:
        text = head + "\n".join(rows)
        return play(sheets.read("wanted.csv", text.encode()), farm.grower, record=True)

    good = told("Farm shop,SALAD-120,Friday,,24", "kitchen,SALAD-120,,2026-03-06,6")
    assert (good.recorded, good.bads) == (True, [])
    assert set(Wanted.objects.values_list("weekday", "day", "quantity")) == {
        (5, None, 24),
        (None, dt.date(2026, 3, 6), 6),
    }
    (bad,) = told("Farm shop,SALAD-120,Someday,,24").bads
    assert "“Someday” is none of these: Monday, Tuesday" in bad.sentence
    (bad,) = told("Farm shop,SALAD-120,Friday,2026-03-06,24").bads
    assert "Say a weekday, or one day; one of the two." in bad.sentence


# --- the page ------------------------------------------------------------------------------------


@pytest.fixture
def grower(farm: Farm) -> Client:
    farm.packer.is_staff = True
    farm.packer.save()
    farm.packer.groups.set([Group.objects.get(name="grower")])
    client = Client()
    client.force_login(farm.packer)
    return client


def test_a_line_opens_the_weigh_pad_and_the_bench_filled_in(
    farm: Farm, grower: Client, towers_of: dict[str, Lot]
) -> None:
    page = grower.get("/morning/").content.decode()
    (link,) = re.findall(r'href="(/do/harvest/[^"]*)"', page)
    asked = parse_qs(urlsplit(link.replace("&amp;", "&")).query)
    assert asked == {"crop": ["Loose-leaf lettuce"], "store": ["Cold store"], "towers": ["T1"]}
    form = grower.get(link.replace("&amp;", "&")).content.decode()
    for name, value in (("crop", "Loose-leaf lettuce"), ("towers", "T1"), ("store", "Cold store")):
        assert re.search(rf'name="{name}"[^>]*value="{value}"[^>]* checked', form), name
    assert "T2: in the harvest interval of Leaf soap, until 22 Apr 00:00" in page


def test_the_page_says_figures_with_what_they_rest_on(week: Week, grower: Client) -> None:
    text = " ".join(re.sub(r"<[^>]*>", " ", grower.get("/morning/").content.decode()).split())
    assert "Loose-leaf lettuce 2.2 kg 3 crates · nothing stands that can be cut" in text
    assert (
        "For Lettuce, loose: 1 kg; Salad bag 120 g, 18 bags: 1.868 kg. Less 700 g in store. "
        f"Not counted: 400 g of {week.held.code}. Held: laboratory result. "
        "A crate is 1.037 kg, the mean of the last 3."
    ) in text
    assert "Butterhead 1.0 kg" in text
    assert "Red mustard 0.40 kg" in text
    assert "Salad bag 120 g 18 bags" in text
    assert (
        "Wanted: Farm shop 20, 6 on the shelf; Kitchen 10, 2 sent. In store: 4. "
        "1.05 g of leaf for 1 g packed, by its one run."
    ) in text
    assert "Butterhead, each 5 heads" in text


def test_the_same_as_csv(week: Week, grower: Client) -> None:
    text = grower.get("/morning/?as=csv").content.decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(r["list"], r["what"], r["unit"], r["to_do"], r["crates"]) for r in rows] == [
        ("cut", "Loose-leaf lettuce", "g", "2168", "3"),
        ("cut", "Butterhead", "g", "1000", ""),
        ("cut", "Red mustard", "g", "400", ""),
        ("pack", "Butterhead, each", "each", "5", ""),
        ("pack", "Lettuce, loose", "g", "1000", ""),
        ("pack", "Salad bag 120 g", "each", "18", ""),
    ]


def test_the_same_by_api(week: Week, grower: Client) -> None:
    day = {"day": week.farm.today.isoformat()}
    said = grower.get("/api/v1/morning/", day).json()
    (bag,) = [row for row in said if row["what"] == "Salad bag 120 g"]
    assert (bag["list"], bag["wanted"], bag["there"], bag["in_store"]) == ("pack", 30, 8, 4)
    assert (bag["to_do"], bag["grams_of_leaf"]) == (18, 2268)
    text = grower.get("/api/v1/morning/", day, headers={"Accept": "text/csv"}).content.decode()
    page = grower.get("/morning/?as=csv").content.decode("utf-8-sig")
    assert text == page


def test_the_start_page_leads_there_and_a_cook_has_no_such_page(farm: Farm, grower: Client) -> None:
    assert 'href="/morning/"' in grower.get("/").content.decode()
    farm.packer.groups.set([Group.objects.get(name="chef")])
    assert 'href="/morning/"' not in grower.get("/").content.decode()
    assert grower.get("/morning/").status_code == 403


def test_a_day_that_is_none_gets_one_sentence(week: Week, grower: Client) -> None:
    answer = grower.get("/morning/?day=soon")
    assert answer.status_code == 422
    assert "“soon” is not a day; write it as" in answer.content.decode()


@pytest.mark.parametrize(
    ("grams", "says"),
    [
        (2400, "2.4 kg"),
        (2401, "2.5 kg"),
        (999, "1.00 kg"),
        (351, "0.36 kg"),
        (1, "0.01 kg"),
        (1000, "1.0 kg"),
    ],
)
def test_kilograms_are_rounded_up(grams: int, says: str) -> None:
    assert kilograms(grams) == says


def test_towers_numbered_alike_are_said_once() -> None:
    assert towers(["Tower 3", "Tower 7"]) == "towers 3, 7"
    assert towers(["Tower 3"]) == "Tower 3"
    assert towers(["T1", "T2"]) == "T1, T2"


# --- in a real browser ---------------------------------------------------------------------------


@pytest.fixture
def people(people: People) -> People:
    made, farm = people, people.farm
    RecipeLine.objects.create(product=farm.bag, crop=farm.lettuce)
    weekday = farm.today.isoweekday()
    want(farm.shop, farm.bag, 30, weekday=weekday)
    want(farm.kitchen, farm.loose, 6000, weekday=weekday)
    return made


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_the_cut_list_in_a_browser(
    people: People, page: Any, live_server: Any, size: dict[str, int]
) -> None:
    thumb = Thumb(page, people, "grower", live_server.url, size).start()
    thumb.tap(page.get_by_role("link", name="Cut list: what to cut"))
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert violations(page) == []
    paper = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True))
    assert len(paper) == 1
    words = paper[0].get_textpage().get_text_range()
    assert "Loose-leaf lettuce" in words
    assert "Salad bag 120 g" in words
    thumb.tap(page.locator(".line-go").first)
    page.wait_for_url("**/do/harvest/**")
    assert page.locator('input[name="crop"]:checked').get_attribute("value") == "Loose-leaf lettuce"
    assert thumb.elsewhere == []
    assert page.said == []
