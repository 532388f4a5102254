"""The till's day: told once, by product or by lot, at the list price or another."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from grow.errors import Conflict, Refusal
from grow.faults import faults
from grow.models import Event, Lot, Movement, Unnamed
from sales.models import Money, Price, Product
from sales.operations import till_day
from tests.farm import Farm, TillRow


def takings() -> int:
    return sum(Money.objects.values_list("pence", flat=True))


def on_the_shelf(farm: Farm, packs: int = 10) -> Lot:
    run = farm.pack([farm.cut(packs * 125)], packs=packs)
    farm.to_shop(run, packs)
    farm.pass_time(hours=6)
    return run


def day_of(farm: Farm, till: str, *rows: TillRow, **more: Any) -> Event:
    told = {"recorded_by": farm.grower, "outlet": farm.shop, "day": farm.today}
    return till_day(**told | {"till": till, "rows": rows} | more)


# Which lot ----------------------------------------------------------------------------------


def test_a_scanned_bag_is_of_the_product_that_was_rung_up(farm: Farm) -> None:
    run = on_the_shelf(farm)
    basil = Product.objects.create(code="BASIL-30", name="Basil 30 g", nominal_g=30)
    farm.till(2, run)
    with pytest.raises(Refusal) as refused:
        farm.till(2, run, product=basil)
    assert refused.value.code == "other_product"
    assert refused.value.sentence == f"{run.code} is SALAD-120, not BASIL-30."
    assert farm.stock(run, farm.shop_place) == 8


def test_a_pack_from_before_records_began_may_have_no_line(farm: Farm) -> None:
    facts: dict[str, Any] = {"kind": "pack", "quantity": 5, "place": farm.shop_place}
    with pytest.raises(Refusal) as refused:
        farm.tell("opening_entry", **facts)
    assert refused.value.code == "grams_each"
    old = farm.tell("opening_entry", **facts, grams_each=120).lot
    farm.till(2, old)
    assert farm.stock(old, farm.shop_place) == 3
    assert takings() == 2 * 240


# At which price -----------------------------------------------------------------------------


def test_a_product_at_two_prices_on_one_day(farm: Farm) -> None:
    """Six at the list price, three reduced; the first to expire go at the first row's price."""
    old, new = on_the_shelf(farm, 4), on_the_shelf(farm, 8)
    farm.tell("sell", outlet=farm.shop, rows=[TillRow(farm.bag, 6)])
    assert takings() == 6 * 240
    farm.pass_time(days=1)
    Price.objects.filter(outlet=farm.shop).update(pence=250)  # noticed late: for the next day
    rows = [TillRow(farm.bag, 2), TillRow(farm.bag, 1, None, 120), TillRow(farm.bag, 2, None, 120)]
    event = farm.tell("sell", outlet=farm.shop, rows=rows)
    assert set(Unnamed.objects.filter(event=event).values_list("quantity", "unit_pence")) == {
        (2, None),
        (3, 120),
    }
    assert takings() == 6 * 240 + 2 * 250 + 3 * 120
    assert farm.stock(old, farm.shop_place) == 0
    # evidence: two of the new ones were binned that morning, so two sales are of nobody knows
    farm.pass_time(hours=1)
    farm.tell(
        "discard",
        lot=new,
        from_place=farm.shop_place,
        to="compost",
        quantity=2,
        reason="burst",
        at=farm.now - dt.timedelta(hours=2),
        already_done=True,
    )
    assert takings() == 6 * 240 + 2 * 250 + 2 * 120
    farm.tell("cancel", event=event, reason="other day")
    assert takings() == 6 * 240
    assert faults() == []


def test_one_bag_scanned_at_two_prices(farm: Farm) -> None:
    run = on_the_shelf(farm)
    rows = [TillRow(farm.bag, 2, run), TillRow(farm.bag, 3, run, 120), TillRow(farm.bag, 1, run)]
    sold = farm.tell("sell", outlet=farm.shop, rows=rows)
    assert sorted(Money.objects.values_list("unit_pence", "pence")) == [
        (120, 360),
        (240, 240),
        (240, 480),
    ]
    farm.tell("cancel", event=sold, reason="other day")
    assert takings() == 0
    assert sorted(Money.objects.filter(pence__lt=0).values_list("pence", flat=True)) == [
        -480,
        -360,
        -240,
    ]


# The till and its day -----------------------------------------------------------------------


def test_a_till_tells_its_day_once(farm: Farm) -> None:
    on_the_shelf(farm)
    till: dict[str, Any] = {"outlet": farm.shop, "till": "front"}
    first = farm.tell("sell", **till, rows=[farm.row(4)])
    with pytest.raises(Conflict) as refused:
        farm.tell("sell", **till, rows=[farm.row(1)])
    assert refused.value.code == "till_day_told"
    # another till, another day, no till named at all: each is a telling of its own
    farm.tell("sell", **till | {"till": "back"}, rows=[farm.row(1)])
    farm.till(1)
    farm.till(1)
    farm.pass_time(days=1)
    farm.tell("sell", **till, rows=[farm.row(1)])
    farm.tell("cancel", event=first, reason="other day")
    farm.tell("sell", **till, rows=[farm.row(3)], on=farm.today - dt.timedelta(days=1))
    assert faults() == []


def test_the_wrapper_knows_a_day_that_was_told_without_it(farm: Farm) -> None:
    on_the_shelf(farm)
    rows = [farm.row(4)]
    told = farm.tell("sell", outlet=farm.shop, till="front", rows=rows, on=farm.today)
    assert day_of(farm, "front", *rows) == told
    with pytest.raises(Conflict):
        day_of(farm, "front", farm.row(5))
    assert day_of(farm, "front", farm.row(5), replace=True) != told
    assert takings() == 5 * 240


def test_tills_are_told_apart_by_every_letter_of_their_names(farm: Farm) -> None:
    """An underscore and a percent sign stand for others in a search, and SQLite's forgives case."""
    on_the_shelf(farm)
    names = ["front", "Front", "fr_nt", "fr%", "front:1", "f" * 40, "f" * 39 + "g"]
    events = [day_of(farm, name, farm.row(1)) for name in names]
    assert len(set(events)) == len(names)
    assert [day_of(farm, name, farm.row(1)) for name in names] == events
    assert takings() == len(names) * 240


def test_a_till_of_too_long_a_name_is_refused_in_words(farm: Farm) -> None:
    on_the_shelf(farm)
    for tell in (
        lambda till: day_of(farm, till, farm.row(1)),
        lambda till: farm.tell("sell", outlet=farm.shop, till=till, rows=[farm.row(1)]),
    ):
        with pytest.raises(Refusal) as refused:
            tell("f" * 41)
        assert refused.value.code == "too_long"
    assert not Movement.objects.filter(to_place__kind="sold").exists()


def test_all_products_of_a_till_are_looked_for_on_the_shelf_at_once(farm: Farm) -> None:
    on_the_shelf(farm)
    for n in range(3):
        product = Product.objects.create(code=f"P{n}", name=f"Product {n}", nominal_g=100)
        farm.to_shop(farm.pack([farm.cut(1000)], packs=5, product=product), 5)

    def looked(rows: list[TillRow]) -> int:
        with CaptureQueriesContext(connection) as asked:
            farm.tell("sell", outlet=farm.shop, rows=rows)
        return sum("EXISTS" in q["sql"] and 'FROM "sales_outlet"' in q["sql"] for q in asked)

    rows = [TillRow(product, 1) for product in Product.objects.filter(nominal_g__isnull=False)]
    assert len(rows) == 4
    assert looked(rows[:1]) == looked(rows) == 1
    # one that was never there is named, whatever stands around it
    never = Product.objects.create(code="BASIL-30", name="Basil 30 g", nominal_g=30)
    with pytest.raises(Refusal) as refused:
        farm.tell("sell", outlet=farm.shop, rows=[*rows, TillRow(never, 1)])
    assert refused.value.code == "never_there"
    assert "Basil 30 g" in refused.value.sentence
