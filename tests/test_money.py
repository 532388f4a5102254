"""What customers paid, and what they got back: each at its own price, to the penny."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from grow.faults import faults
from grow.models import Crop, Lot
from sales.models import Money, Price, Product
from tests.farm import Crate, Farm, TillRow


def takings() -> int:
    return sum(Money.objects.values_list("pence", flat=True))


def priced(farm: Farm, pence: int, **where: Any) -> None:
    """From today on."""
    where = {"outlet": farm.shop, "line": farm.bag.line} | where
    Price.objects.create(since=farm.today, pence=pence, **where)


# What is taken back takes back its own money -------------------------------------------------


def test_a_receipt_that_is_cancelled_gives_back_what_it_cost(farm: Farm) -> None:
    """Of one crate 400 g came at £11 a kilogram and 600 g, after the price rose, at £13."""
    crate = farm.cut(1000)
    sent = farm.send(crate, 1000)
    first = farm.arrive(sent, crate, 400)
    farm.pass_time(days=1)
    priced(farm, 1300, outlet=farm.kitchen, line=farm.loose.line)
    second = farm.arrive(sent, crate, 600)
    assert takings() == 440 + 780
    farm.tell("cancel", event=first, reason="other note")
    assert takings() == 780
    farm.tell("cancel", event=second, reason="other note")
    assert takings() == 0
    assert faults() == []


def test_a_weight_put_right_at_the_kitchen_door_is_of_the_first_price(farm: Farm) -> None:
    """The chef's own scissors: 1,210 g typed for 210, then for 211; £10.99 a kilogram."""
    where = {"outlet": farm.kitchen, "line": farm.loose.line}
    priced(farm, 1099, **where)
    crate = farm.tell(
        "harvest", crates=[Crate(1210)], crop=farm.lettuce, store=farm.kitchen_place
    ).lot
    assert takings() == 1330  # 1329.79
    farm.pass_time(days=1)
    priced(farm, 2000, **where)
    wrong = farm.tell("correct_weight", lot=crate, right=210, reason="a one too many")
    assert takings() == 231  # 230.79
    right = farm.tell("correct_weight", lot=crate, right=211, reason="looked again")
    assert takings() == 232  # 231.889
    farm.tell("cancel", event=right, reason="no")
    farm.tell("cancel", event=wrong, reason="no")
    assert takings() == 1330
    farm.tell("correct_weight", lot=crate, right=211, reason="looked again")
    assert takings() == 232
    farm.tell("cancel", event=crate.made_by, reason="never cut")
    assert takings() == 0
    assert faults() == []


# A till row walked again ---------------------------------------------------------------------


def test_a_till_row_keeps_the_price_of_its_day_whenever_its_lot_is_known(farm: Farm) -> None:
    run = farm.pack([farm.cut(1250)], packs=10)
    farm.to_shop(run, 4)
    farm.pass_time(hours=6)
    farm.till(6)
    assert takings() == 4 * 240  # two are of nobody knows which lot
    farm.pass_time(days=1)
    priced(farm, 260)
    farm.to_shop(run, 5)
    assert takings() == 6 * 240
    farm.till(2)
    assert takings() == 6 * 240 + 2 * 260
    # one more was sold by name before all that: the second day's row must go without
    farm.till(2, run, at=farm.now - dt.timedelta(days=1, hours=1))
    assert takings() == 8 * 240 + 1 * 260
    # and whoever types over a price of the past changes nothing that was posted
    Price.objects.filter(outlet=farm.shop).update(pence=999)
    farm.tell("cancel", event=farm.to_shop(run, 1), reason="put back")
    farm.tell(
        "discard",
        lot=run,
        from_place=farm.shop_place,
        to="compost",
        quantity=1,
        reason="burst",
        at=farm.now - dt.timedelta(hours=1),
        already_done=True,
    )
    assert takings() == 8 * 240
    assert faults() == []


def test_no_penny_hangs_on_how_often_a_row_was_walked(farm: Farm) -> None:
    """Tomatoes loose at £5.55 a kilogram: 333 g are £1.85, in three parts of 111 g £1.86."""
    tomato = Crop.objects.create(name="Cherry tomato")
    loose = Product.objects.create(code="TOMATO-KG", name="Tomatoes, loose", loose_crop=tomato)
    priced(farm, 555, line=loose.line)
    boxes = [farm.cut(111, crop=tomato) for _ in range(3)]
    for box in boxes[:1]:
        farm.to_shop(box, 111)
    farm.pass_time(hours=6)
    event = farm.till(333, product=loose)
    assert takings() == 62
    dropped = [put(farm, box) for box in boxes[1:]]
    assert takings() == 3 * 62  # three lots, three lines: each rounded
    for sent in dropped:
        farm.tell("cancel", event=sent, reason="other shelf")
    spilt = [spill(farm, boxes[0], grams) for grams in (37, 37, 10)]
    assert takings() == 15  # 27 g are 14.985 p, not 62 − 21 − 20 − 6
    for event_ in spilt:
        farm.tell("cancel", event=event_, reason="swept up")
    assert takings() == 62
    farm.tell("cancel", event=event, reason="other day")
    assert takings() == 0
    assert faults() == []


def put(farm: Farm, lot: Lot) -> Any:
    return farm.to_shop(lot, 111, at=farm.now - dt.timedelta(hours=1))


def spill(farm: Farm, lot: Lot, grams: int) -> Any:
    return farm.tell(
        "discard",
        lot=lot,
        from_place=farm.shop_place,
        to="compost",
        quantity=grams,
        reason="spilt",
        at=farm.now - dt.timedelta(hours=1),
        already_done=True,
    )


# What comes back ----------------------------------------------------------------------------


@pytest.mark.parametrize("to", ["compost", "landfill", "quarantine"])
def test_what_an_outlet_sends_back_is_credited_at_what_it_paid(farm: Farm, to: str) -> None:
    crate = farm.cut(1000)
    sent = farm.send(crate, 1000)
    farm.arrive(sent, crate, 1000)
    farm.pass_time(days=1)
    priced(farm, 1300, outlet=farm.kitchen, line=farm.loose.line)
    back = farm.tell(
        "return_goods",
        lot=crate,
        outlet=farm.kitchen,
        quantity=300,
        reason="slimy",
        from_customer=False,
        to=to,
    )
    assert takings() == 770
    farm.tell("cancel", event=back, reason="it was another crate")
    assert takings() == 1100
    assert faults() == []


def test_a_shop_that_pays_when_it_sells_is_credited_nothing_for_its_shelf(farm: Farm) -> None:
    run = farm.pack([farm.cut(1250)], packs=10)
    farm.to_shop(run, 10)
    off = {"outlet": farm.shop, "reason": "torn", "from_customer": False}
    farm.tell("return_goods", lot=run, quantity=2, **off)
    assert takings() == 0
    # what guests leave is the kitchen's own affair
    bags = farm.pack([farm.cut(1250)], packs=10)
    farm.arrive(farm.send(bags, 4), bags, 4)
    farm.tell("use", lot=bags, place=farm.kitchen_place, quantity=3)
    farm.tell("return_goods", lot=bags, outlet=farm.kitchen, quantity=1, reason="a hair in it")
    assert takings() == 4 * 165
    assert faults() == []


def test_a_customer_gets_back_what_the_bag_cost(farm: Farm) -> None:
    """Reduced to £1.20 on its last day, and brought back after the list price rose."""
    run = farm.pack([farm.cut(1250)], packs=10)
    farm.to_shop(run, 10)
    farm.pass_time(hours=6)
    reduced = farm.tell("sell", outlet=farm.shop, rows=[TillRow(farm.bag, 2, run, 120)])
    farm.pass_time(days=1)
    priced(farm, 260)
    back = farm.tell("return_goods", lot=run, outlet=farm.shop, quantity=1, reason="wilted")
    assert takings() == 120
    farm.tell("cancel", event=back, reason="not ours")
    assert takings() == 240
    # more came back than the books think was sold: what they are short of costs nobody anything
    farm.tell(
        "return_goods", lot=run, outlet=farm.shop, quantity=3, reason="wilted", already_done=True
    )
    assert takings() == 0
    farm.tell("cancel", event=reduced, reason="never rung up")
    farm.till(3, run, at=farm.now - dt.timedelta(hours=30))
    assert takings() == 3 * 240 - 3 * 120
    assert faults() == []


# The recount --------------------------------------------------------------------------------


def test_a_penny_that_is_wrong_is_found(farm: Farm) -> None:
    crate, run = farm.cut(1000), farm.pack([farm.cut(1250)], packs=10)
    got = farm.arrive(farm.send(crate, 1000), crate, 1000)
    farm.to_shop(run, 10)
    farm.pass_time(hours=6)
    till = farm.till(6)
    farm.tell("cancel", event=got, reason="other crate")
    assert faults() == []
    Money.objects.filter(pence=6 * 240).update(pence=6 * 240 + 1)
    assert faults() == [f"Till entry {till.pk} has 1441 p for 6 of {run.code} at 240 to 240 p."]
    Money.objects.filter(pence=6 * 240 + 1).update(pence=6 * 240)
    Money.objects.filter(pence=-1100).update(pence=-1099)
    assert faults() == [f"Entry {got.pk} was taken back, and 1 p of it still stand."]
