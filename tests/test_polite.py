"""No slip of the pen reaches the database as one: each gets a code and a full sentence."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.apps import apps
from django.db import IntegrityError, models, transaction

from grow import triggers
from grow.errors import Refusal, polite, sentences
from grow.faults import faults
from grow.models import Event, Holding, Lineage, LotKind, PlaceKind
from grow.operations import Crate
from sales.models import PackingRun
from sales.operations import Line, Taken, TillRow
from tests.farm import Farm
from tests.test_kinds import Stock

pytestmark = pytest.mark.django_db

Facts = Callable[[Stock], dict[str, Any]]


def cut(s: Stock) -> dict[str, Any]:
    return {"crates": [Crate(500)], "store": s.farm.store, "batches": [s.batch]}


def moved(s: Stock) -> dict[str, Any]:
    return {
        "lot": s.cut,
        "from_place": s.farm.store,
        "to_place": s.farm.line,
        "quantity": 5,
    }


def received(s: Stock) -> dict[str, Any]:
    return {
        "item": s.farm.seed_item,
        "supplier": s.farm.supplier,
        "place": s.farm.store,
    }


def stood(s: Stock) -> dict[str, Any]:
    return {
        "kind": "pack",
        "quantity": 4,
        "place": s.farm.store,
        "grams_each": 120,
    }


def treated(s: Stock) -> dict[str, Any]:
    return {
        "item": s.farm.soap,
        "places": [s.farm.t1],
        "reason": "aphid",
    }


def packed(s: Stock) -> dict[str, Any]:
    return {
        "product": s.farm.bag,
        "taken": [Taken(s.cut, s.farm.store, left=600)],
        "packs": 10,
        "store": s.farm.store,
        "weighed_again": True,
    }


SLIPS: dict[str, tuple[str, Facts, Facts, str, str]] = {
    "a sowing twice in a cut": (
        "harvest",
        cut,
        lambda s: {"batches": [s.batch, s.batch]},
        "twice",
        "{batch} is named twice; once is enough.",
    ),
    "a site twice in a cut": (
        "harvest",
        cut,
        lambda s: {"sites": [s.planted, s.planted]},
        "twice",
        "T1 5/1 is named twice; once is enough.",
    ),
    "a place twice in a treatment": (
        "treat",
        treated,
        lambda s: {"places": [s.farm.t1, s.farm.t1]},
        "twice",
        "T1 is named twice; once is enough.",
    ),
    "a crate twice in a run": (
        "pack",
        packed,
        lambda s: {"taken": [Taken(s.cut, s.farm.store, left=600)] * 2},
        "twice",
        "{cut} out of Cold store is named twice; once is enough.",
    ),
    "moved to where it is": (
        "move",
        moved,
        lambda s: {"to_place": s.farm.store},
        "same_place",
        "{cut} is in Cold store already; say another place.",
    ),
    "put on the shelf that it stands on": (
        "put_on_shelf",
        lambda s: {"outlet": s.farm.shop, "lines": [Line(s.run, 1, s.farm.store)]},
        lambda s: {"lines": [Line(s.run, 1, s.farm.shop_place)]},
        "same_place",
        "{run} is in Farm shop already; say another place.",
    ),
    "fed by a tank that feeds it": (
        "feed",
        lambda s: {"tank": s.farm.tank, "begins": [s.farm.t1]},
        lambda s: {"begins": [s.farm.t2]},
        "a_tank_feeds_a_place_once",
        "Reservoir feeds T2 already.",
    ),
    "a basis that is none": (
        "move",
        moved,
        lambda s: {"basis": "guessed"},
        "no_such_choice",
        "Basis: “guessed” is none of weighed, counted, scanned, estimated, shared_out, "
        "remainder or worked_out.",
    ),
    "a unit that is none": (
        "receive_input",
        received,
        lambda s: {"unit": "kg"},
        "no_such_choice",
        "Unit: “kg” is none of g, ml or each.",
    ),
    "a kind that is none": (
        "opening_entry",
        stood,
        lambda s: {"kind": "leaf"},
        "no_such_choice",
        "Kind: “leaf” is none of batch, harvest, pack, produce or input.",
    ),
    "packs of no weight": (
        "opening_entry",
        stood,
        lambda s: {"grams_each": None},
        "grams_each",
        "Say of packs, and of packs alone, how many grams each holds.",
    ),
    "leaf with a weight each": (
        "opening_entry",
        stood,
        lambda s: {"kind": "harvest", "crop": s.farm.lettuce},
        "grams_each",
        "Say of packs, and of packs alone, how many grams each holds.",
    ),
    "plants that stood in a store": (
        "opening_entry",
        lambda s: {"kind": "batch", "quantity": 4, "place": s.farm.bench},
        lambda s: {"place": s.farm.store},
        "wrong_kind",
        "Cold store is a store, not a bench, a lit shelf or a climate tent.",
    ),
    "thrown to the wind": (
        "discard",
        lambda s: {
            "lot": s.cut,
            "from_place": s.farm.store,
            "to": "compost",
            "quantity": 5,
            "reason": "slime",
        },
        lambda s: {"to": "growth"},
        "no_such_choice",
        "To: “growth” is none of compost, feed, donated, staff, landfill, destroyed or sample.",
    ),
    "less than nothing received": (
        "receive_input",
        received,
        lambda s: {"quantity": -5},
        "nought",
        "Quantity: -5 cannot be.",
    ),
    "a crate that lightens what is in it": (
        "harvest",
        cut,
        lambda s: {"crates": [Crate(500), Crate(500, -100)]},
        "nought",
        "Tare g: -100 cannot be.",
    ),
    "a price below nothing": (
        "sell",
        lambda s: {"outlet": s.farm.shop, "rows": [TillRow(s.farm.bag, 1, unit_pence=5)]},
        lambda s: {"rows": [TillRow(s.farm.bag, 1, unit_pence=-5)]},
        "nought",
        "Unit pence: -5 cannot be.",
    ),
    "nobody in for a thousand centuries": (
        "treat",
        treated,
        lambda s: {"reentry_hours": 999_999_999},
        "too_many",
        "Reentry hours: 999999999 is more than can be; write 87600 at most.",
    ),
    "more bags than there are": (
        "pack",
        packed,
        lambda s: {"packs": 10**12},
        "too_many",
        "Packs: 1000000000000 is more than can be.",
    ),
    "a name too long": (
        "describe",
        lambda s: {"lot": s.cut, "called": "x" * 60},
        lambda s: {"called": "x" * 61},
        "too_long",
        "Called has 61 characters; there is room for 60.",
    ),
    "an origin too long": (
        "receive_produce",
        lambda s: {
            "crop": s.farm.lettuce,
            "supplier": s.farm.supplier,
            "place": s.farm.store,
            "grams": 9,
            "origin": "x" * 292,
        },
        lambda s: {"origin": "x" * 293},
        "too_long",
        "Origin has 293 characters; there is room for 292.",
    ),
    "a reason too long": (
        "hold",
        lambda s: {"lots": [s.cut], "reason": "x" * 300},
        lambda s: {"reason": "x" * 301},
        "too_long",
        "Reason has 301 characters; there is room for 300.",
    ),
    "a device's name too long": (
        "check",
        lambda s: {"kind": "probe", "passed": True, "place": s.farm.store, "device": "x" * 40},
        lambda s: {"device": "x" * 41},
        "too_long",
        "Device has 41 characters; there is room for 40.",
    ),
}


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_answered_with_a_sentence(farm: Farm, name: str) -> None:
    verb, right, wrong, code, says = SLIPS[name]
    stock = Stock(farm)
    stock.planted = stock.batch.plantings.order_by("id")[0].site
    with transaction.atomic():
        farm.tell(verb, **right(stock))
        transaction.set_rollback(True)
    events = Event.objects.count()
    with pytest.raises(Refusal) as refused:
        farm.tell(verb, **right(stock) | wrong(stock))
    lots = {n: getattr(stock, n) for n in ("batch", "cut", "run")}
    assert (refused.value.code, refused.value.sentence) == (code, says.format(**lots))
    assert Event.objects.count() == events


def test_every_rule_of_the_database_has_a_sentence() -> None:
    rules = {
        rule.name: rule
        for app in ("grow", "sales", "analytics")
        for model in apps.get_app_config(app).get_models()
        for rule in model._meta.constraints
    }
    said = sentences()
    assert len(rules) > 40
    assert rules.keys() <= said.keys()
    for name, rule in rules.items():
        assert rule.violation_error_message != models.BaseConstraint.default_violation_error_message
        assert said[name][0].isupper(), name
        assert said[name].endswith((".", "…")), name
    # what triggers say is said under the names that they use
    fixed = {rule for *_, rule in triggers.FIXED.values()} | {"lot_is_held"}
    assert said.keys() - {r.name for m in apps.get_models() for r in m._meta.constraints} == fixed


def test_the_second_guard_speaks_as_the_first(farm: Farm) -> None:
    """A CHECK and a unique rule, broken by hand."""
    crate = farm.cut(900)
    with pytest.raises(IntegrityError) as raw, transaction.atomic():
        Holding.objects.filter(lot=crate, source=False).update(quantity=-1)
    assert str(polite(raw.value)) == "That would leave less than nothing of a lot in a place."
    with pytest.raises(IntegrityError) as raw, transaction.atomic():
        Holding.objects.create(lot=crate, place=farm.store)
    assert polite(raw.value).code == "one_holding_of_a_lot_in_a_place"  # type: ignore[attr-defined]  # polite


def test_a_crate_out_of_two_places_goes_in_once(farm: Farm) -> None:
    """900 g in the store and 300 g at the line are one crate: one edge, and counts for each."""
    crate = farm.cut(1200)
    farm.tell("move", lot=crate, from_place=farm.store, to_place=farm.line, quantity=300)
    farm.pass_time(minutes=5)
    taken = [Taken(crate, farm.store, left=0), Taken(crate, farm.line, left=0)]
    run = farm.tell("pack", product=farm.bag, taken=taken, packs=9, store=farm.store).lot
    edges = Lineage.objects.filter(child=run, kind="went_in")
    assert list(edges.values_list("parent", "quantity")) == [(crate.pk, 1080)]
    assert faults() == []
    farm.pass_time(minutes=5)
    farm.tell("correct_weight", lot=run, right=10, reason="one more stood behind")
    assert sum(edges.values_list("quantity", flat=True)) == 1200
    assert PackingRun.objects.get().trim_g == 0
    farm.stands_at(
        """
        Cold store         | run   | 10 each
        Became another lot | crate | 1200 g
        """,
        run=run,
        crate=crate,
    )


def test_what_stood_there_may_be_told_of_each_kind(farm: Farm) -> None:
    for kind, more in (
        (LotKind.BATCH, {"place": farm.bench, "variety": farm.green}),
        (LotKind.HARVEST, {"place": farm.store, "crop": farm.lettuce}),
        (LotKind.PRODUCE, {"place": farm.kitchen_place, "crop": farm.lettuce}),
        (LotKind.PACK, {"place": farm.shop_place, "grams_each": 120}),
        (LotKind.INPUT, {"place": farm.place("Shed", PlaceKind.AREA), "item": farm.soap}),
    ):
        lot = farm.tell("opening_entry", kind=str(kind), quantity=3, **more).lot
        assert lot.kind == kind
    assert faults() == []
