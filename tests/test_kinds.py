"""What an operation asks for can be read off it, and a code of the wrong kind is refused."""

from __future__ import annotations

import inspect
import typing
from collections.abc import Callable

import pytest
from django.db import transaction

import grow.operations as grown
import sales.operations as sold
from grow.asks import asks
from grow.errors import Refusal
from grow.faults import faults
from grow.kinds import KINDS
from grow.models import Event, Lot, Person, Place, Variety
from grow.operations import Crate
from grow.setup import the
from sales.operations import Arrived, Line, Taken, TillRow
from tests.farm import Farm

COMMON = {
    "recorded_by",
    "client_id",
    "done_by",
    "at",
    "on",
    "began_at",
    "clock_reading",
    "already_done",
    "device",
    "things",
    "tanks",
}
OPERATIONS = {
    name: run for name in KINDS if (run := getattr(grown, name, None) or getattr(sold, name, None))
}


def test_each_operation_can_be_asked_what_it_takes() -> None:
    assert OPERATIONS.keys() == KINDS.keys()
    for name, run in OPERATIONS.items():
        taken = inspect.signature(run).parameters
        own = inspect.signature(inspect.unwrap(run)).parameters
        assert set(taken) == (set(own) - {"entry"}) | COMMON
        assert all(p.kind is p.KEYWORD_ONLY for p in taken.values()), name
        assert not any(isinstance(p.annotation, str) for p in taken.values()), name
        assert typing.get_type_hints(run).keys() == {*taken, "return"}
        assert KINDS[name].facts.keys() == set(own) - {"entry"}
        for fact, p in KINDS[name].facts.items():
            assert p.default == own[fact].default


def test_a_sowing_asks_for_a_variety_and_a_number_of_cells() -> None:
    hints = typing.get_type_hints(grown.sow)
    assert (hints["variety"], hints["cells"], hints["seed"]) == (Variety, int, Lot | None)
    assert (hints["recorded_by"], hints["return"]) == (Person, Event)
    sow = inspect.signature(grown.sow).parameters
    assert sow["cells"].default is inspect.Parameter.empty
    assert sow["seed"].default is None


class Stock:
    """One of everything: a sowing on a bench and on a tower, a cut, a run, an input."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.batch = farm.sow(60)
        self.seed = farm.tell(
            "receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store
        ).lot
        farm.pass_time(days=20)
        farm.plant(self.batch, farm.t1, 10)
        self.cut = farm.cut(3000)
        self.run = farm.pack([farm.cut(1300)], packs=10)
        self.water = farm.tell("fill", tank=farm.tank).lot
        farm.to_shop(self.run, 4)
        self.note = farm.send(self.run, 2).note
        farm.tell("feed", tank=farm.tank, begins=[farm.t2])
        farm.pass_time(hours=1)


WRONG: dict[str, tuple[str, Callable[[Stock], dict], Callable[[Stock], dict], str]] = {
    "a cut sown as if it were a packet": (
        "sow",
        lambda s: {"variety": s.farm.green, "place": s.farm.bench, "cells": 9, "seed": s.seed},
        lambda s: {"seed": s.cut},
        "{cut} is a cut, not an input.",
    ),
    "sown onto a tower": (
        "sow",
        lambda s: {"variety": s.farm.green, "place": s.farm.bench, "cells": 9},
        lambda s: {"place": s.farm.t1},
        "T1 is a tower, not a bench, a lit shelf or a climate tent.",
    ),
    "a cut planted": (
        "transplant",
        lambda s: {"batch": s.batch, "from_place": s.farm.bench, "towers": [s.farm.t2]},
        lambda s: {"batch": s.cut, "from_place": s.farm.bench},
        "{cut} is a cut, not a sowing.",
    ),
    "planted onto a bench": (
        "transplant",
        lambda s: {"batch": s.batch, "from_place": s.farm.bench, "towers": [s.farm.t2]},
        lambda s: {"towers": [s.farm.t3, s.farm.bench2]},
        "Bench 2 is a bench, not a tower.",
    ),
    "plugs moved into the store": (
        "move_plants",
        lambda s: {
            "batch": s.batch,
            "from_place": s.farm.bench,
            "to_place": s.farm.tent,
            "plants": 3,
        },
        lambda s: {"to_place": s.farm.store},
        "Cold store is a store, not a bench, a lit shelf or a climate tent.",
    ),
    "water moved as if it were goods": (
        "move",
        lambda s: {
            "lot": s.cut,
            "from_place": s.farm.store,
            "to_place": s.farm.line,
            "quantity": 5,
        },
        lambda s: {"lot": s.water, "from_place": s.farm.tank},
        "{water} is water, not an input, bought produce, a sowing, a cut or a packed run.",
    ),
    "moved into the shop without being put on its shelf": (
        "move",
        lambda s: {
            "lot": s.cut,
            "from_place": s.farm.store,
            "to_place": s.farm.line,
            "quantity": 5,
        },
        lambda s: {"to_place": s.farm.shop_place},
        "Farm shop is a shop, not a store, a pack-house or quarantine.",
    ),
    "cut into a tower": (
        "harvest",
        lambda s: {"crates": [Crate(500)], "store": s.farm.store, "crop": s.farm.lettuce},
        lambda s: {"store": s.farm.t3},
        "T3 is a tower, not a store, a pack-house, quarantine, a shop or a kitchen.",
    ),
    "cut off a cut": (
        "harvest",
        lambda s: {"crates": [Crate(500)], "store": s.farm.store, "batches": [s.batch]},
        lambda s: {"batches": [s.cut]},
        "{cut} is a cut, not a sowing.",
    ),
    "packed out of a sowing": (
        "pack",
        lambda s: {
            "product": s.farm.bag,
            "taken": [Taken(s.cut, s.farm.store, used=1200)],
            "packs": 10,
            "store": s.farm.store,
        },
        lambda s: {"taken": [Taken(s.batch, s.farm.bench, used=1200)]},
        "{batch} is a sowing, not bought produce, a cut or a packed run.",
    ),
    "bags closed onto a bench": (
        "pack",
        lambda s: {
            "product": s.farm.bag,
            "taken": [Taken(s.cut, s.farm.store, used=1200)],
            "packs": 10,
            "store": s.farm.store,
        },
        lambda s: {"store": s.farm.bench},
        "Bench 1 is a bench, not a store, a pack-house, quarantine, a shop or a kitchen.",
    ),
    "water sent to the kitchen": (
        "deliver",
        lambda s: {"outlet": s.farm.kitchen, "lines": [Line(s.cut, 9, s.farm.store)]},
        lambda s: {"lines": [Line(s.cut, 9, s.farm.store), Line(s.water, 9, s.farm.tank)]},
        "{water} is water, not bought produce, a sowing, a cut or a packed run.",
    ),
    "sent off a tank": (
        "deliver",
        lambda s: {"outlet": s.farm.kitchen, "lines": [Line(s.cut, 9, s.farm.store)]},
        lambda s: {"lines": [Line(s.cut, 9, s.farm.tank)]},
        "Reservoir is a tank, not a bench, a lit shelf, a climate tent, "
        "a store, a pack-house, quarantine, a shop or a kitchen.",
    ),
    "water arrives": (
        "receive",
        lambda s: {"note": s.note, "lines": [Arrived(s.run, accepted=1)]},
        lambda s: {"lines": [Arrived(s.water, accepted=1)]},
        "{water} is water, not bought produce, a sowing, a cut or a packed run.",
    ),
    "a crate sold as a bag": (
        "sell",
        lambda s: {"outlet": s.farm.shop, "rows": [TillRow(s.farm.bag, 1, s.run)]},
        lambda s: {"rows": [TillRow(s.farm.bag, 1, s.cut)]},
        "{cut} is a cut, not a packed run.",
    ),
    "a bench feeds a tower": (
        "feed",
        lambda s: {"tank": s.farm.tank, "begins": [s.farm.t1]},
        lambda s: {"tank": s.farm.bench},
        "Bench 1 is a bench, not a tank.",
    ),
    "a tank feeds a shop": (
        "feed",
        lambda s: {"tank": s.farm.tank, "begins": [s.farm.t1]},
        lambda s: {"begins": [s.farm.t3, s.farm.shop_place]},
        "Farm shop is a shop, "
        "not a bench, a lit shelf, a climate tent, a tower, a pack-house or an area.",
    ),
    "a bench is filled": (
        "fill",
        lambda s: {"tank": s.farm.tank},
        lambda s: {"tank": s.farm.bench},
        "Bench 1 is a bench, not a tank.",
    ),
    "a bench is drained": (
        "drain_and_clean",
        lambda s: {"tank": s.farm.tank},
        lambda s: {"tank": s.farm.bench},
        "Bench 1 is a bench, not a tank.",
    ),
    "water tested in the store": (
        "test_water",
        lambda s: {"tank": s.farm.tank, "kind": "EC", "reading": "1.6", "passed": True},
        lambda s: {"tank": s.farm.store},
        "Cold store is a store, not a tank.",
    ),
    "leaves washed in a bench": (
        "harvest",
        lambda s: {
            "crates": [Crate(500)],
            "store": s.farm.store,
            "crop": s.farm.lettuce,
            "tanks": [s.farm.wash_tank],
        },
        lambda s: {"tanks": [s.farm.bench]},
        "Bench 1 is a bench, not a tank.",
    ),
    "sprayed with a cut": (
        "treat",
        lambda s: {"product": s.seed, "places": [s.farm.t1], "reason": "aphid"},
        lambda s: {"product": s.cut},
        "{cut} is a cut, not an input.",
    ),
    "a cut opened like a packet": (
        "open_input",
        lambda s: {"lot": s.seed, "place": s.farm.line},
        lambda s: {"lot": s.cut},
        "{cut} is a cut, not an input.",
    ),
    "bought from a bench": (
        "receive_input",
        lambda s: {"item": s.farm.seed_item, "supplier": s.farm.supplier, "place": s.farm.store},
        lambda s: {"supplier": s.farm.bench},
        "Bench 1 is a bench, not a supplier.",
    ),
    "received into growth": (
        "receive_produce",
        lambda s: {
            "crop": s.farm.lettuce,
            "supplier": s.farm.supplier,
            "place": s.farm.store,
            "grams": 100,
        },
        lambda s: {"place": the("growth")},
        "Growth is only a name in the books, "
        "not a store, a pack-house, quarantine, a shop or a kitchen.",
    ),
    "eaten in the shop": (
        "use",
        lambda s: {"lot": s.cut, "place": s.farm.kitchen_place, "quantity": 1},
        lambda s: {"place": s.farm.shop_place},
        "Farm shop is a shop, not a kitchen or another business.",
    ),
    "seed thrown out of a till": (
        "discard",
        lambda s: {
            "lot": s.cut,
            "from_place": s.farm.store,
            "to": "compost",
            "quantity": 5,
            "reason": "slime",
        },
        lambda s: {"from_place": the("used")},
        "Became another lot is only a name in the books; say another place.",
    ),
    "water counted": (
        "count",
        lambda s: {"place": s.farm.store, "counted": {s.cut: 1000}},
        lambda s: {"counted": {s.cut: 1000, s.water: 3}},
        "{water} is water, not bought produce, a sowing, a cut or a packed run.",
    ),
    "the weight of a sowing": (
        "correct_weight",
        lambda s: {"lot": s.cut, "right": 2900, "reason": "misread"},
        lambda s: {"lot": s.batch},
        "{batch} is a sowing, not bought produce, a cut or a packed run.",
    ),
    "a sowing brought back": (
        "return_goods",
        lambda s: {
            "lot": s.run,
            "outlet": s.farm.shop,
            "quantity": 1,
            "reason": "dear",
            "from_customer": False,
        },
        lambda s: {"lot": s.batch},
        "{batch} is a sowing, not bought produce, a cut or a packed run.",
    ),
    "released out of the store": (
        "release",
        lambda s: {
            "lots": [s.cut],
            "reason": "clean result",
            "from_place": s.farm.quarantine,
            "to_place": s.farm.store,
            "quantity": 5,
        },
        lambda s: {"to_place": s.farm.t1},
        "T1 is a tower, not a store, a pack-house, quarantine, a shop or a kitchen.",
    ),
}


@pytest.mark.django_db
@pytest.mark.parametrize("already_done", [False, True], ids=["before the act", "told as a fact"])
@pytest.mark.parametrize("name", WRONG)
def test_a_code_of_the_wrong_kind_is_no_fact(farm: Farm, name: str, already_done: bool) -> None:
    verb, right, wrong, says = WRONG[name]
    stock = Stock(farm)
    if verb == "use":
        farm.arrive(farm.send(stock.cut, 50), stock.cut, accepted=50)
    if verb == "release":
        farm.tell(
            "move",
            lot=stock.cut,
            from_place=farm.store,
            to_place=farm.quarantine,
            quantity=50,
        )
    with transaction.atomic():  # with the right code it goes well
        farm.tell(verb, **right(stock), already_done=already_done)
        transaction.set_rollback(True)
    events = Event.objects.count()
    with pytest.raises(Refusal) as refused:
        farm.tell(verb, **right(stock) | wrong(stock), already_done=already_done)
    assert refused.value.code == "wrong_kind"
    lots = {n: getattr(stock, n) for n in ("batch", "cut", "run", "water", "seed")}
    assert refused.value.sentence == says.format(**lots)
    assert Event.objects.count() == events
    assert faults() == []


#: Acts of any lot, or of any place at all.
ANY = {
    ("describe", "lot"),
    ("hold", "lots"),
    ("release", "lots"),
    ("check", "place"),
    ("clean", "place"),
    ("incident", "place"),
    ("incident", "places"),
    ("lab_result", "lots"),
    *((kind, "lots") for kind in ("open_recall", "widen_recall", "narrow_recall")),
    *((kind, "place") for kind in ("open_recall", "widen_recall")),
}


def test_each_lot_and_place_that_is_asked_for_says_of_which_kinds_it_may_be() -> None:
    open_ = {
        (kind, ask.name)
        for kind in KINDS
        for whole in asks(kind)
        for ask in (whole, *whole.parts)
        if ask.model in (Lot, Place) and not ask.of
    }
    assert open_ == ANY
