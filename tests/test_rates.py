"""Receipts in use, standard use, timed days, shares, towers: each charge worked out by hand.

The amounts are those of the place that the demo is of (pelleted lettuce 2.5 p a cell, mizuna 3
seeds at 0.3 p, a plug 2.2 p, bag 6 p and label 2.5 p, nutrient 11 p a kg, lamps of 4 × 4 × 18 W for
16 hours at 26 p, an hour at 1398.1 p, a tower of £575 for 8 years), from memory; the sums are by
hand. tests/test_figures_recount.py asks plain rows for the same.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from django.apps import apps
from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Model
from django.forms import modelform_factory

from analytics.costs import costs
from analytics.margin import margin
from analytics.models import Claim, Rate, StandardUse, TimedDay
from analytics.paid import beside
from analytics.period import About, Period
from analytics.raising import raised
from analytics.rates import Rates, set_rate
from analytics.tower_cost import tower_cost
from grow.errors import Refusal, sentences
from grow.importing.tables import SET_UP
from grow.models import Item, Person, PlaceKind
from tests.farm import Farm
from tests.week import FIRST, WEEK, a_week, bought, figures_farm, rated, receipted

pytestmark = pytest.mark.django_db
LONG_AGO = dt.date(2020, 1, 1)


@pytest.fixture
def farm() -> Farm:
    return figures_farm()


def spent(period: Period = WEEK):
    return costs(period, About(period, base="", unit=""))


def item(farm: Farm, name: str, kind: str, use: str, unit: str = "each", **more) -> Item:
    found = Item.objects.create(name=name, kind=kind, **more.pop("item", {}))
    told = {"since": LONG_AGO, "source": "measured"}
    StandardUse.objects.create(item=found, amount=use, unit=unit, **(told | more))
    return found


# --- paid ÷ quantity × standard use ----------------------------------------------------------


def test_what_was_paid_is_charged_and_the_rate_where_the_receipt_lacks_something(farm):
    """84 cells of lettuce: 500 pelleted seeds at £12.50 are 2.5 p a cell, a box of 500 plugs at
    £11.00 2.2 p; a packet or box that lacks its price or its number is charged at the rate."""
    for what in ("seed", "medium"):
        set_rate(what, "9", LONG_AGO, "a guess")
    seed = item(farm, "Green loose-leaf, pelleted", "seed", "1", item={"variety": farm.green})
    plugs = item(farm, "Peat-free plugs", "medium", "1")
    for lacks, quantity, paid, each in (
        ("nothing", 500, 1250, "2.5"),
        ("the price", 500, None, "9"),
        ("the number", None, 1250, "9"),
    ):
        packet = bought(farm, seed, quantity, paid)
        box = bought(farm, plugs, 500, 1100)
        farm.sow(84)
        today = Period(farm.today, farm.today)
        found = spent(today)
        assert found.pence["seed_and_plugs"] == {
            farm.lettuce.pk: 84 * (Fraction(each) + Fraction("2.2"))
        }, lacks
        assert found.by_receipt["medium"] == 84 * Fraction("2.2")
        assert found.by_rate("seed") == (0 if lacks == "nothing" else 84 * 9)
        gaps = margin(today).about.gaps
        assert any(gap.startswith(f"{seed}: a receipt") for gap in gaps) == (lacks != "nothing")
        for lot in (packet, box):
            farm.tell("finish_input", lot=lot, place=farm.greenhouse)
        farm.pass_time(days=1)


def test_a_cell_takes_several_seeds_and_its_own_varietys_packet(farm):
    """Mizuna: 3 seeds a cell of 1,000 at £1.00, 0.3 p; another variety's packet beside it is no
    price of it. From April on it is 4 seeds."""
    other = farm.green.crop.varieties.create(name="Oak-leaf")
    fine = item(farm, "Fine seed", "seed", "3", item={"variety": farm.green})
    dear = item(farm, "Oak-leaf seed", "seed", "1", item={"variety": other})
    april = dt.date(2026, 4, 1)
    StandardUse.objects.create(item=fine, amount=4, since=april, source="sown thicker")
    bought(farm, dear, 100, 900)
    bought(farm, fine, 1000, 100)
    farm.sow(50)
    assert spent().by_receipt["seed"] == 50 * Fraction("0.3")
    farm.pass_time(days=40)
    farm.sow(50)
    assert spent(Period(april, farm.today)).by_receipt["seed"] == 50 * Fraction("0.4")
    # a sowing taken back is charged no more, on the day that it is taken back
    farm.tell("cancel", event=farm.sow(10).made_by, reason="told twice")
    assert spent(Period(april, farm.today)).by_receipt["seed"] == 50 * Fraction("0.4")


def test_two_packets_of_one_input_that_may_both_have_been_open_are_their_mean(farm):
    seed = item(farm, "Pelleted", "seed", "1", item={"variety": farm.green})
    bought(farm, seed, 500, 1250)
    bought(farm, seed, 500, 1350)
    farm.sow(10)
    assert spent().by_receipt["seed"] == 10 * Fraction("2.6")


@pytest.mark.parametrize(
    ("own", "other", "named", "each"),
    [
        ("2", "4", False, "0.2"),  # 2 of 1,000 seeds at £1.00; the other variety's is no price
        (None, "4", False, "1"),  # nobody told the use of its own: the rate, not another's
        ("2", "4", "other", "20"),  # it says which packet: 4 of 100 at £5.00
        ("unpriced", "4", False, "1"),
    ],
)
def test_a_sowing_has_its_own_packet_or_the_rate(farm, own, other, named, each):
    set_rate("seed", "1", LONG_AGO, "a guess")
    oak = farm.green.crop.varieties.create(name="Oak-leaf")
    kinds = {"own": farm.green, "other": oak}
    lots = {}
    for name, use, paid in (("own", own, 100), ("other", other, 500)):
        kind = Item.objects.create(name=name, kind="seed", variety=kinds[name])
        if use:
            told = {"since": LONG_AGO, "source": "measured"}
            StandardUse.objects.create(item=kind, amount=2 if use == "unpriced" else use, **told)
        number = 1000 if name == "own" else 100
        lots[name] = bought(farm, kind, number, None if use == "unpriced" else paid)
    farm.tell("sow", variety=farm.green, place=farm.bench, cells=100, seed=lots.get(named))
    assert spent().pence["seed_and_plugs"] == {farm.lettuce.pk: 100 * Fraction(each)}


def test_of_two_inputs_of_which_either_may_have_been_used_none_is_charged(farm):
    """Seed at 0.3 p and plugs at 40 p of one variety lie open: the rate of 1 p, unless the packet
    is named. So with two media, until both are told to be one mix: 2 p and 3 p."""
    for what in ("seed", "medium"):
        set_rate(what, "1", LONG_AGO, "a guess")
    of = {"item": {"variety": farm.green}}
    packet = bought(farm, item(farm, "Seed", "seed", "1", **of), 1000, 300)
    bought(farm, item(farm, "Young plants", "young_plants", "1", **of), 100, 4000)
    bought(farm, item(farm, "Peat-free", "medium", "1"), 500, 1000)
    bought(farm, item(farm, "Grit", "medium", "1"), 500, 1500)
    farm.sow(100)
    told = margin(WEEK)
    assert told.total.seed_and_plugs_p == 100 * (1 + 1)
    assert [gap for gap in told.about.gaps if "lay open" in gap] == [
        "Grit and Peat-free lay open, and a sowing may have had either, so the rate is charged "
        "for it.",
        "Seed and Young plants lay open, and a sowing may have had either, so the rate is charged "
        "for it.",
    ]
    StandardUse.objects.filter(item__kind="medium").update(mix="peat-free with grit")
    farm.tell("sow", variety=farm.green, place=farm.bench, cells=10, seed=packet)
    assert margin(WEEK).total.seed_and_plugs_p == 100 * (1 + 5) + 10 * Fraction("0.3") + 10 * 5


def test_a_can_of_nutrient_that_nobody_told_finished_is_fed_no_longer(farm):
    """A kilogram at 40 litres, 1 ml a litre: three brands of 0.2, 0.3 and 0.4 p a ml, opened one
    after the other. A second can of the last at 0.5 p is the price from then on, and A and B that
    are one mix are fed together, 0.1 + 0.15 p."""
    set_rate("litres", "40", LONG_AGO, "water meter")
    cans = {n: item(farm, f"Brand {n}", "nutrient", "1", "ml") for n in "XYZAB"}
    StandardUse.objects.filter(item__in=(cans["A"], cans["B"])).update(mix="A and B")
    batch = farm.sow(84)
    farm.plant(batch, farm.t1, 40)
    fed = []
    for opened in ((("X", 200),), (("Y", 300),), (("Z", 400),), (("Z", 500),), ()):
        for name, paid in opened or (("A", 100), ("B", 150)):
            bought(farm, cans[name], 1000, paid, "ml")
        farm.pass_time(hours=1)
        farm.cut(1000, batch)
        fed.append(spent(Period(farm.today, farm.today)).by_receipt["nutrient"])
        farm.pass_time(days=1)
    assert fed == [8, 12, 16, 20, 10]
    gaps = margin(Period(FIRST, farm.today)).about.gaps
    assert (
        "Brand X lay open beside Brand Y, which was opened later and is charged alone; tell it "
        "finished, or both as one mix." in gaps
    )


def test_a_receipt_in_another_unit_than_its_use_says_so(farm):
    seed = item(farm, "Fine seed", "seed", "1", "g", item={"variety": farm.green})
    bought(farm, seed, 1000, 1000)
    farm.sow(10)
    assert (
        "Fine seed: a receipt that was in use is in each, its standard use in g, so the rate is "
        "charged for it." in margin(WEEK).about.gaps
    )


def test_a_pack_takes_its_bag_and_its_label_and_nutrient_goes_by_the_litre(farm):
    """A bag of 500 at £30.00 and a label of 500 at £12.50 are 8.5 p; punnets that lie open at the
    line are another product's. 10 l at £22.00 are 0.22 p a ml; × 1.25 ml a litre × 40 litres a kg
    they are 11 p a kg. The product's own 8.5 p is charged while its label has no price."""
    farm.bag.packaging_pence = "4.0"
    farm.bag.save()
    punnet = farm.loose
    bags = item(farm, "Bags", "packaging", "1", product=farm.bag)
    labels = item(farm, "Labels", "packaging", "1")
    punnets = item(farm, "Punnets", "packaging", "1", product=punnet)
    feed = item(farm, "A and B", "nutrient", "1.25", "ml")
    set_rate("litres", "40", LONG_AGO, "water meter")
    bought(farm, bags, 500, 3000)
    bought(farm, punnets, 200, 2200)
    dear = bought(farm, labels, 500, None)
    bought(farm, feed, 10000, 2200, "ml")
    batch = farm.sow(84)
    farm.plant(batch, farm.t1, 40)
    farm.pass_time(hours=1)
    one = farm.pack([farm.cut(3000, batch)], packs=10, left=1800)
    found = spent()
    assert found.by_receipt["nutrient"] == 3 * 11
    assert (found.of_run["packaging"][one.pk], found.by_rate("packaging")) == (40, 40)
    farm.pass_time(hours=1)
    farm.tell("finish_input", lot=dear, place=farm.line)
    bought(farm, labels, 500, 1250)
    farm.pass_time(hours=1)
    two = farm.pack([farm.cut(1500, batch)], packs=10, left=300)
    assert spent().of_run["packaging"][two.pk] == 85
    # a dated rate of the product stands before what stands at the product
    set_rate("packaging", "7.25", FIRST, "an offer", product=farm.bag)
    assert spent().of_run["packaging"] == {one.pk: Fraction("72.5"), two.pk: 85}


def test_lamps_by_their_watts_and_the_price_of_a_kilowatt_hour(farm):
    """4 shelves × 4 lamps × 18 W × 16 h × 365 days are 1,682 kWh, at 26 p £437; over 550 cells in
    use 0.2179 p a cell and day. Without one of the three the rate of a cell-day is charged."""
    set_rate("light", "9", LONG_AGO, "a guess")
    watts = Decimal(4 * 4 * 18) / 550
    for what, amount in (("lamp_watts", watts.quantize(Decimal("0.0001"))), ("lamp_hours", 16)):
        set_rate(what, amount, LONG_AGO, "on the lamp")
    shelf = farm.place("Shelf 1", PlaceKind.SHELF)
    farm.sow(550, place=shelf)
    farm.pass_time(days=1)
    assert spent().pence["light"][farm.lettuce.pk] == 550 * 9
    set_rate("electricity", "26", LONG_AGO, "the bill")
    year = spent().pence["light"][farm.lettuce.pk] * 365
    assert round(float(year) / 100) == 437
    assert round(4 * 4 * 18 * 16 * 365 / 1000) == 1682


# --- minutes ----------------------------------------------------------------------------------


def test_a_timed_day_rescales_the_standard_minutes_from_then_on(farm):
    """Wednesday: 4 kg cut at 13 minutes, 3.2 kg washed at 4 and 25 bags at 1 are 89.8 standard
    minutes; 112.25 were timed: × 1.25 on that day and after it, not before. Monday and Tuesday
    (104 cells sown at 8 a tray, 60 planted at 0.30) stay as they were; Thursday's clearing of 20
    at 0.35 is rescaled."""
    rated()
    a_week(farm)
    before = margin(WEEK).total
    assert (before.standard_minutes_pct, before.timed_minutes) == (100, 0)
    TimedDay.objects.create(day=dt.date(2026, 3, 4), minutes="112.3", timed_by=farm.grower)
    found = margin(WEEK)
    standard = Fraction(104 * 8, 84) + 60 * Fraction("0.3")
    factor = Fraction("1.2506")  # 112.3 ÷ 89.8, to four places
    timed = (Fraction("89.8") + 20 * Fraction("0.35")) * factor
    assert found.total.minutes == pytest.approx(Decimal(float(standard + timed)), abs=1e-6)
    assert found.total.timed_minutes == pytest.approx(Decimal(float(timed)), abs=1e-6)
    assert found.total.labour_p == round((standard + timed) * Fraction("1398.1") / 60)
    share = round(100 * float(standard / (standard + timed)), 1)
    assert float(found.total.standard_minutes_pct or 0) == share
    (says,) = [n for n in found.about.notes if n.startswith("Minutes from")]
    assert says == (
        "Minutes from 04 Mar 2026 on are standard minutes × 1.2506: 112.3 minutes were timed by "
        "Tam for work of 89.8 standard minutes."
    )
    # a week earlier is of no timed day, and the week after is of the last one
    assert not [n for n in margin(Period(FIRST, FIRST)).about.notes if n.startswith("Minutes")]
    after = Period(dt.date(2026, 3, 9), dt.date(2026, 3, 15))
    assert says in margin(after).about.notes


def test_a_timed_day_is_worked_out_anew_and_one_without_work_rescales_nothing(farm):
    rated()
    lots = a_week(farm)
    TimedDay.objects.create(day=dt.date(2026, 3, 4), minutes="112.3", timed_by=farm.grower)
    farm.tell("correct_weight", lot=lots["crate"], right=3500, reason="a crate forgotten")
    # 2.8 kg without what was graded out became 3.5: 0.7 kg more were cut, and washed
    corrected = Fraction("89.8") + Fraction("0.7") * (13 + 4)
    (says,) = [n for n in margin(WEEK).about.notes if n.startswith("Minutes from")]
    assert f"× {float(Fraction('112.3') / corrected):.4f}" in says
    TimedDay.objects.create(day=dt.date(2026, 3, 7), minutes=90, timed_by=farm.grower)
    notes = margin(WEEK).about.notes
    assert any("nothing of that day" in n and n.startswith("07 Mar 2026") for n in notes)
    assert says in notes
    # in a period that begins on it too, though the factor of the day before it holds
    later = margin(Period(dt.date(2026, 3, 7), dt.date(2026, 3, 8))).about.notes
    assert [note for note in notes if "timed" in note] == [n for n in later if "timed" in n]


def test_a_day_timed_at_next_to_nothing_takes_next_to_no_minutes(farm):
    """A tenth of a minute for 60 plants at 999: a factor of nought, to four places. It is one, and
    not none: what was sown and planted is charged as the margin charges it."""
    rated()
    a_week(farm)
    set_rate("plant_minutes", "999", LONG_AGO, "a slip")
    TimedDay.objects.create(day=dt.date(2026, 3, 3), minutes="0.1", timed_by=farm.grower)
    about = About(WEEK, base="", unit="")
    found = costs(WEEK, about)
    spread = raised(WEEK, about, found.told)
    sowing = Fraction(104 * 8, 84)  # the day before
    assert sum(found.minutes.values()) == sowing
    assert sum(one.told["minutes"] for one in spread) == sowing


# --- what no crop is charged with --------------------------------------------------------------


def test_paid_less_charged_is_a_line_of_its_own(farm):
    """£11.00 + £16.00 + £26.00 + £11.00 and plugs at £9.00 were paid; a week used little of it."""
    rated()
    receipted(farm)
    soap = farm.tell("receive_input", item=farm.soap, supplier=farm.supplier, place=farm.store,
                     quantity=1, paid_pence=1600)  # fmt: skip
    a_week(farm)
    found = margin(WEEK)
    other = beside(found)
    rows = {row.what: row for row in other.paid}
    assert rows["Seed and young plants"].paid_p == 1100
    assert rows["Growing medium"].charged_p == round(104 * 1.8)
    assert rows["Nutrient"].by_receipt_p == round(4 * 30 * 2 * 0.32)
    assert rows["Packaging and labels"].by_receipt_p == round(25 * (5.2 + 2.75))
    assert rows["Plant protection"].less_p == rows["Plant protection"].paid_p == 1600
    assert other.paid_total.paid_p == 1100 + 900 + 1600 + 2600 + 1100 + 1600
    assert other.paid_total.charged_p == found.total.costs_p
    assert other.fixed == []
    # seed 1100 − 235, plugs 900 − 187, nutrient 1600 − 77, bags and labels 3700 − 199, soap;
    # of pots, water and light no receipt tells, so they cost what was charged
    assert {row.less_p for row in other.paid} == {865, 713, 1523, 3501, 1600, None}
    assert {w for w, row in rows.items() if row.less_p is None} == {"Light", "Net pots", "Water"}
    assert (found.total.after_labour_p, other.left_p) == (-1081, -1081 - 8202)
    assert soap.lot.item == farm.soap


def test_what_no_receipt_tells_is_left_as_it_was_charged(farm):
    """£26.22 at the door less 25 bags at 8.5 p. 104 cells at 40 p, 4 kg of water at 500 p, 104
    cells for a night and 20 for six more at 50 p cost that, for nobody told a receipt of them.
    Seed bought at £15.00 cost that in its week, and in a week in which none is bought nothing."""
    a_week(farm)
    assert beside(margin(WEEK)).left_p == 2409
    for what, pence in (("seed", "40"), ("water", "500"), ("light", "50")):
        set_rate(what, pence, LONG_AGO, "a guess")
    assert beside(margin(WEEK)).left_p == 2409 - 4160 - 2000 - 11200
    farm.tell("receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store,
              quantity=500, paid_pence=1500, on=FIRST)  # fmt: skip
    assert beside(margin(WEEK)).left_p == 2409 - 1500 - 2000 - 11200
    farm.pass_time(days=1)
    farm.sow(10)
    assert beside(margin(Period(farm.today, farm.today))).left_p == 0


def test_what_was_paid_is_read_by_those_who_may_read_money(farm, client):
    """Wage, rent and what was paid are the manager's; a grower reads the margin without them."""
    a_week(farm)
    set_rate("rent", "2500", LONG_AGO, "the lease")
    asked = "?first=2026-03-02&last=2026-03-08"
    for role, sees in (("manager", True), ("grower", False)):
        person = Person.objects.create_user(role, is_staff=True)
        person.groups.add(Group.objects.get(name=role))
        client.force_login(person)
        told = client.get(f"/api/v1/figures/margin/{asked}").json()
        assert (told["beside"] and told["beside"]["fixed"][0]["pence"]) == (2500 if sees else None)
        assert told["total"]["after_labour_p"] == 2409
        page = client.get(f"/margin/{asked}").content.decode()
        assert [words in page for words in ("2500 pence a week", "Paid and charged")] == [sees] * 2


def test_the_round_rent_heat_and_power_are_in_no_crops_margin(farm):
    """62 minutes a day at 1398.1 p an hour, £25.00 and £6.00 a week, 61 kWh at 26 p: a week."""
    rated()
    a_week(farm)
    before = margin(WEEK).total
    for what, amount in (
        *(("round_minutes", "62"), ("rent", "2500"), ("heat", "600"), ("power", "61")),
        ("electricity", "26"),
    ):
        set_rate(what, amount, LONG_AGO, "told")
    set_rate("rent", "2800", FIRST + dt.timedelta(days=5), "a new lease")
    found = margin(WEEK)
    assert found.total == before
    fixed = {row.what: row.pence for row in beside(found).fixed}
    assert fixed == {
        "The fixed round": round(7 * 62 * 1398.1 / 60),
        "Rent": round(2500 * 5 / 7 + 2800 * 2 / 7),
        "Heat": 600,
        "Pumps, fans, cold store": 1586,
    }
    assert beside(found).about.gaps == []
    Rate.objects.filter(what="rent", amount=2500).delete()
    (rent,) = [row for row in beside(found).fixed if row.what == "Rent"]
    assert (rent.pence, rent.days) == (800, 2)
    assert beside(found).about.gaps == ["Rent: no rate on 5 of 7 days."]
    set_rate("rent", "2500", LONG_AGO, "told")
    assert (found.total.after_labour_p, beside(found).left_p) == (-1129, -1129 - 14885)


def test_what_a_tower_costs_a_year(farm):
    """£575.00 over 8 years, £5.12 of power, 3.5 minutes a week on the round at 1398.1 p."""
    day = dt.date(2026, 3, 2)
    assert tower_cost(day)[0] is None
    told = {"tower_price": "57500", "tower_life": "8", "tower_running": "512"}
    for what, amount in told.items():
        set_rate(what, amount, LONG_AGO, "an offer")
    cost, gaps = tower_cost(day)
    assert cost is not None
    assert cost.yearly_p == Decimal(57500) / 8 + 512
    assert gaps == ["No rate by 02 Mar 2026 for “A tower on the round”."]
    set_rate("tower_minutes", "3.5", LONG_AGO, "timed")
    set_rate("wage", "1398.1", LONG_AGO, "agreed")
    cost, gaps = tower_cost(day)
    assert cost is not None
    assert round(cost.running_p) == round(512 + 3.5 * 52 * 1398.1 / 60)
    assert gaps == []


def test_a_shops_share_holds_from_its_day(farm):
    """32 % stands at the shop; from Thursday on 35 %. Ten bags at £2.40 on Wednesday, two after."""
    a_week(farm)
    assert margin(WEEK).total.shop_share_p == 768
    set_rate("shop_share", "35", dt.date(2026, 3, 5), "accounts", outlet=farm.shop)
    assert margin(WEEK).total.shop_share_p == 768
    set_rate("shop_share", "35", FIRST, "accounts", outlet=farm.shop)
    assert margin(WEEK).total.shop_share_p == 840
    rates = Rates()
    assert rates.of("shop_share", farm.kitchen.pk, 20260305) is None


# --- what a rate may be -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "of", "says"),
    [
        ({"what": "packaging"}, "crop", "Packaging is of one product, or of all"),
        ({"what": "seed"}, "product", "Packaging is of one product"),
        ({"what": "shop_share"}, None, "A shop's share names its shop"),
        ({"what": "shop_share", "amount": 101}, "outlet", "100 per cent at most"),
        ({"what": "seed"}, "outlet", "no other rate names a shop"),
        ({"what": "rent"}, "crop", "the same whatever grows"),
        ({"what": "tower_life", "amount": 0}, None, "longer than nought years"),
    ],
)
def test_a_rate_is_of_what_it_can_be_of(farm, facts, of, says):
    named = {"crop": farm.lettuce, "product": farm.bag, "outlet": farm.shop}
    told = {"amount": 2, "since": FIRST, "source": "told"} | facts
    right = {"packaging": "product", "shop_share": "outlet", "seed": "crop"}.get(facts["what"])
    good = told | {"amount": 2} | ({right: named[right]} if right else {})
    Rate(**good).full_clean()
    bad = told | ({of: named[of]} if of else {})
    with pytest.raises(ValidationError, match=says):
        Rate(**bad).full_clean()
    with pytest.raises(IntegrityError), transaction.atomic():
        Rate.objects.create(**bad)


#: What breaks each rule of the figures' own tables; one told twice is a rule against its like.
BREAKS: dict[str, tuple[type[Model], dict[str, Any]]] = {
    "one_rate_of_a_crop_from_a_day": (Rate, {"what": "seed", "crop": "lettuce"}),
    "one_rate_of_all_crops_from_a_day": (Rate, {"what": "seed"}),
    "one_packaging_rate_of_a_product_from_a_day": (Rate, {"what": "packaging", "product": "bag"}),
    "one_share_of_a_shop_from_a_day": (Rate, {"what": "shop_share", "outlet": "shop"}),
    "rate_is_not_negative": (Rate, {"what": "seed", "amount": -1}),
    "one_wage_for_all_crops": (Rate, {"what": "wage", "crop": "lettuce"}),
    "one_floor_for_all_crops": (Rate, {"what": "floor", "crop": "lettuce"}),
    "packaging_is_of_a_product_or_of_all": (Rate, {"what": "seed", "product": "bag"}),
    "a_share_is_of_a_shop_and_a_percentage": (Rate, {"what": "shop_share"}),
    "what_belongs_to_no_crop_has_one_rate": (Rate, {"what": "rent", "crop": "lettuce"}),
    "a_tower_lasts_some_time": (Rate, {"what": "tower_life", "amount": 0}),
    "one_use_of_an_input_from_a_day": (StandardUse, {"item": "sleeve"}),
    "one_use_of_an_input_in_a_product_from_a_day": (
        StandardUse,
        {"item": "sleeve", "product": "bag"},
    ),
    "a_use_is_above_nought": (StandardUse, {"item": "sleeve", "amount": 0}),
    "a_timed_day_took_some_time": (TimedDay, {"minutes": 0}),
    "a_claim_is_above_nought": (Claim, {"amount": 0}),
    "one_claim_of_a_crop_and_season": (Claim, {"crop": "lettuce"}),
    "one_claim_of_all_crops_and_a_season": (Claim, {}),
}


@pytest.mark.parametrize("rule", BREAKS)
def test_a_form_says_in_words_which_rule_is_broken(farm: Farm, rule: str) -> None:
    """No name of a rule, or of anything else, is read by whoever filled in the form."""
    of_figures = apps.get_app_config("analytics").get_models()
    assert {r.name for model in of_figures for r in model._meta.constraints} == BREAKS.keys()
    model, facts = BREAKS[rule]
    farm.sleeve = Item.objects.create(name="Sleeve of 500", kind="packaging")
    rows = {n: getattr(farm, n).pk for n in ("lettuce", "bag", "shop", "sleeve")}
    told = {
        "amount": "2", "since": "2026-03-02", "source": "told", "unit": "each",
        "day": "2026-03-02", "timed_by": farm.grower.pk,
        "said_by": "A seller", "of": "towers", "season": "year", "floor": "with aisles",
    }  # fmt: skip
    told |= {name: rows.get(value, value) for name, value in facts.items()}
    entered = modelform_factory(model, fields="__all__")
    if (first := entered(told)).is_valid():
        first.save()
    said = [text for texts in entered(told).errors.values() for text in texts]
    assert sentences()[rule] in said or "Ensure this value is greater" in said[0]
    assert [text for text in said if "_" in text] == []


def test_a_standard_use_is_of_what_the_books_count_and_a_timed_day_is_past(farm):
    told = {"amount": 1, "since": FIRST, "source": "told"}
    StandardUse(item=farm.seed_item, **told).full_clean()
    for use, says in (
        (StandardUse(item=farm.soap, **told), "Leaf soap is used by no count"),
        (StandardUse(item=farm.seed_item, product=farm.bag, **told), "Only packaging"),
        (StandardUse(item=farm.seed_item, mix="A and B", **told), "Only media and nutrients"),
        (StandardUse(item=farm.seed_item, **(told | {"amount": 0})), "0.0001"),
    ):
        with pytest.raises(ValidationError, match=says):
            use.full_clean()
    TimedDay(day=farm.today, minutes=90, timed_by=farm.grower).full_clean()
    with pytest.raises(ValidationError, match="is still to come"):
        TimedDay(
            day=farm.today + dt.timedelta(days=1), minutes=90, timed_by=farm.grower
        ).full_clean()


def test_rates_uses_and_timed_days_come_in_by_file(farm):
    """A row that stands already is there already; one with another amount is refused."""
    told = {"since": FIRST, "source": "a list"}
    rate = {"what": "Packaging of a pack", "product": farm.bag, "amount": Decimal("8.25")}
    use = {"item": farm.seed_item, "amount": Decimal(2), "unit": "each"}
    timed = {"day": FIRST, "minutes": Decimal("95.5"), "timed_by": farm.grower}
    for name, facts in (("rates", rate | told), ("uses", use | told), ("timed", timed)):
        assert SET_UP[name].add(facts)
        assert not SET_UP[name].add(facts)
        amount = "minutes" if name == "timed" else "amount"
        with pytest.raises(Refusal):
            SET_UP[name].add(facts | {amount: Decimal(7)})
    assert Rates().of("packaging", farm.bag.pk, 20260302) == Decimal("8.25")
