"""What is in a bag follows where its leaf came from: allergens until the lead clears a wrong
origin, and whether it may be called grown here."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from grow.errors import Refusal
from grow.faults import faults
from grow.holds import held_now
from grow.models import Flag, Hold, Lot
from sales.models import Product
from tests.farm import Farm, Taken


def held(*lots: Lot) -> list[bool]:
    now = held_now([lot.pk for lot in lots])
    return [lot.pk in now for lot in lots]


def origin(run: Lot) -> str:
    return run.run.origin


def rework(farm: Farm, run: Lot, packs: int, **more: Any) -> Lot:
    return farm.tell(
        "rework",
        product=more.pop("product", farm.bag),
        taken=[Taken(run, farm.store, used=packs)],
        packs=packs,
        store=farm.store,
        line=farm.line,
        **more,
    ).lot


# Allergens ----------------------------------------------------------------------------------


def test_bags_of_a_crate_that_turns_out_to_be_mustard_are_held(farm: Farm) -> None:
    """Packed, reworked, part of it sold; then somebody sees which row was cut. Bags whose label
    declares it may go on."""
    lettuce, mustard = farm.sow(20), farm.sow(20, variety=farm.red)
    crate, plain = farm.cut(3000, lettuce), farm.cut(3000, lettuce)
    declared = Product.objects.create(
        code="HOT-120", name="Hot salad 120 g", nominal_g=120, allergens="Mustard"
    )
    bags, other = farm.pack([crate], 8, left=2000), farm.pack([plain], 24)
    leaf = [Taken(crate, farm.store, left=1000), Taken(farm.cut(1000, mustard), farm.store, left=0)]
    hot = farm.tell("pack", product=declared, taken=leaf, packs=16, store=farm.store).lot
    again = rework(farm, bags, 4)
    farm.to_shop(bags, 2)
    assert held(bags, again, other, hot) == [False] * 4
    farm.pass_time(hours=2)
    fixed = farm.tell("correct_origin", lot=crate, wrong=lettuce, right=mustard, reason="red row")
    assert held(bags, again, other, hot) == [True, True, False, False]
    assert Hold.objects.get(lot=bags).reason == (
        f"undeclared allergen: mustard, by the origin of {crate.code}"
    )
    assert set(
        Flag.objects.filter(event=fixed, kind="born_held").values_list("lot", flat=True)
    ) == {
        bags.pk,
        again.pk,
    }
    with pytest.raises(Refusal) as refused:
        farm.to_shop(bags, 1)
    assert refused.value.code == "held"
    farm.tell("cancel", event=fixed, reason="it was the green row after all")
    assert held(bags, again) == [False, False]
    assert faults() == []


def test_a_run_that_was_made_of_another_crate_is_held(farm: Farm) -> None:
    """The crate's own edges are right; the run was put down to the wrong crate."""
    mustard = farm.sow(20, variety=farm.red)
    wrong, right = farm.cut(1000, farm.sow(20)), farm.cut(1000, mustard)
    bags = farm.pack([wrong], 8)
    farm.tell("correct_origin", lot=bags, wrong=wrong, right=right, reason="next crate")
    assert held(bags) == [True]
    assert "undeclared allergen: mustard" in Hold.objects.get(lot=bags).reason
    assert faults() == []


def test_a_wrong_origin_counts_until_the_lead_clears_it(farm: Farm) -> None:
    """The crate was called mustard, and its own record says so for ever; its edges do not."""
    lettuce, mustard = farm.sow(20), farm.sow(20, variety=farm.red)
    crate = farm.cut(3000, mustard)
    farm.tell("correct_origin", lot=crate, wrong=mustard, right=lettuce, reason="green row")
    with pytest.raises(Refusal) as refused:
        farm.pack([crate], 8, left=2000)
    assert refused.value.code == "undeclared_allergen"
    cleared = farm.tell("clear_origin", lot=crate, wrong=mustard, reason="seen on the picture")
    bags = farm.pack([crate], 8, left=2000)
    assert bags.run.allergens == ""
    assert held(bags, rework(farm, bags, 4)) == [False, False]
    farm.tell("cancel", event=cleared, reason="it was another picture")
    assert held(bags) == [True]
    with pytest.raises(Refusal):
        farm.pack([crate], 8, left=1000)
    assert faults() == []


def test_an_open_packet_of_mustard_seed_is_not_in_the_lettuce(farm: Farm) -> None:
    seed = farm.tell(
        "opening_entry", kind="input", quantity=1, place=farm.store, variety=farm.red
    ).lot
    batch = farm.sow(20)
    bags = farm.pack([farm.cut(1000, batch)], 8)
    seed.below.create(child=batch, kind="touched", event=batch.made_by)
    assert held(rework(farm, bags, 2)) == [False]


# Grown here ---------------------------------------------------------------------------------


def test_only_leaf_that_was_grown_here_is_called_so(farm: Farm) -> None:
    grown = farm.cut(1000, farm.sow(20))
    bought = farm.tell(
        "receive_produce",
        crop=farm.lettuce,
        supplier=farm.supplier,
        place=farm.store,
        grams=1000,
    ).lot
    stood = farm.tell(
        "opening_entry", kind="harvest", quantity=1000, place=farm.store, crop=farm.lettuce
    ).lot
    old = farm.tell(
        "opening_entry", kind="pack", quantity=9, place=farm.store, grams_each=120, line="SALAD-120"
    ).lot
    # plants that stood here when records began were grown here since
    plants = farm.tell(
        "opening_entry", kind="batch", quantity=5, towers=[farm.t1], variety=farm.green
    ).lot
    farm.pass_time(hours=1)
    assert origin(farm.pack([farm.cut(1000, plants)], 8)) == "Grown here"
    for lots, words in (
        ([grown], "Grown here"),
        ([bought], "Contains bought-in produce"),
        ([stood], "From before records began"),
        ([grown, bought], "Contains bought-in produce"),
        ([grown, stood], "From before records began"),
    ):
        taken = [Taken(lot, farm.store, used=250) for lot in lots]
        run = farm.tell(
            "pack",
            product=farm.bag,
            taken=taken,
            packs=2 * len(lots),
            store=farm.store,
            line=farm.line,
        ).lot
        assert origin(run) == words
        assert origin(rework(farm, run, 1)) == words
    assert origin(rework(farm, old, 1)) == "From before records began"


def test_bags_that_say_grown_here_of_bought_leaf_are_flagged(farm: Farm) -> None:
    grown = farm.cut(1000, farm.sow(20))
    bought = farm.tell(
        "receive_produce",
        crop=farm.lettuce,
        supplier=farm.supplier,
        place=farm.store,
        grams=1000,
        on=farm.today - dt.timedelta(days=1),
    ).lot
    bags = farm.pack([grown], 8)
    fixed = farm.tell("correct_origin", lot=bags, wrong=grown, right=bought, reason="next crate")
    says = Flag.objects.get(event=fixed, kind=Flag.Kind.AGAINST_RULE).says
    assert says == f"{bags.code} is labelled “Grown here”; it contains bought-in produce."
    assert held(bags) == [False]
    assert origin(rework(farm, bags, 2)) == "Contains bought-in produce"
    assert faults() == []
