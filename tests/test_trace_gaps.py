"""What nobody wrote down, said in words; and who must be told."""

from __future__ import annotations

import re

import pytest
from django.core.management import call_command

from grow.models import Thing
from sales.models import Outlet, Product
from sales.operations import Arrived
from sales.trace import trace
from tests.farm import Farm
from tests.tracing import here, says, season

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return Farm()


# --- gaps in words -----------------------------------------------------------------------------


def test_what_nobody_wrote_down_is_said(farm: Farm):
    Product.objects.update(days_from_cut=None)  # however old its leaf is
    farm.bag.refresh_from_db()
    bare = farm.cut(500)  # a crop alone
    unsown = farm.sow(20)
    farm.pass_time(days=20)
    dry = farm.cut(500, unsown)
    opened = farm.tell(
        "opening_entry", kind="batch", quantity=8, towers=[farm.t3], variety=farm.green
    ).lot
    bought = farm.tell(
        "receive_produce",
        crop=farm.lettuce,
        supplier=farm.supplier,
        place=farm.store,
        grams=900,
        on=farm.today,
    ).lot
    run = farm.pack([bare, dry, bought], packs=15, washed=True, on=farm.today)
    found = trace([run, opened])
    assert says(found, f"{bare.code}: cut without a sowing recorded")
    assert says(found, f"{unsown.code}: no seed recorded")
    assert says(found, f"{opened.code}: seed before records began")
    assert says(found, opened.code, "stood here on the day records began")
    assert says(found, bare.code, dry.code, "no water recorded")
    assert says(found, f"{run.code}: washed, and no wash water recorded")
    assert says(found, f"{bought.code}: no supplier's lot number recorded")
    # and what is written down is no gap
    lots = season(farm)
    whole = trace(lots["run"].code)
    for words in ("no seed", "without a sowing", "no water", "records began", "supplier's lot"):
        assert not says(whole, words), words


def test_a_failed_check_and_a_missing_one_are_said(farm: Farm):
    fridge = Thing.objects.create(name="Cold store 1", kind="fridge", place=farm.store)
    crate = farm.cut(1000, things=[farm.scale])
    assert says(trace(crate.code), "No check of Scale B is recorded.")
    farm.pass_time(hours=2)
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    assert says(trace(crate.code), "No check of Scale B is recorded before")
    farm.pass_time(days=1)
    other = farm.cut(1000, things=[farm.scale])
    farm.tell("check", kind="temperature", passed=True, reading="3.1", things=[fridge])
    assert not says(trace(other.code), "check of Scale B")
    farm.pass_time(hours=1)
    # the next check fails: the crate weighed since the good one is suspect
    farm.tell("check", kind="weight", passed=False, done="sent away", things=[farm.scale])
    farm.tell("check", kind="temperature", passed=False, reading="9.5", done="moved all",
              things=[fridge])  # fmt: skip
    found = trace(other.code)
    assert says(found, "Scale B failed its check", "everything since its last good one")
    assert says(found, "Cold store failed its check")
    assert found.gaps[0].kind == "failed_check"


def test_a_failed_water_test_is_said(farm: Farm):
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.tell("fill", tank=farm.tank)
    farm.tell("test_water", tank=farm.tank, kind="e_coli", reading="0", passed=True)
    batch = farm.sow(20)
    farm.pass_time(days=9)
    farm.plant(batch, farm.t1, 20)
    farm.pass_time(days=9)
    cut = farm.cut(800, batch)
    assert not says(trace(cut.code), "water of Reservoir", "check")
    farm.pass_time(days=1)
    farm.tell(
        "test_water", tank=farm.tank, kind="e_coli", reading="40", passed=False, done="drained"
    )
    assert says(trace(cut.code), "The water of Reservoir failed its check")


def test_differences_corrections_and_cancels_are_listed(farm: Farm):
    crate = farm.cut(12000)
    farm.pass_time(hours=1)
    farm.tell("count", place=farm.store, counted={crate: 11700})
    gone = farm.tell("discard", lot=crate, from_place=farm.store, to="compost", quantity=500,
                     reason="slime")  # fmt: skip
    farm.tell("cancel", event=gone, reason="wrong crate")
    farm.tell("correct_weight", lot=crate, right=11800, reason="tare forgotten")
    found = trace(crate.code)
    assert says(found, crate.code, "100 g missing in Cold store")
    assert says(found, "“thrown away”", "was cancelled", "wrong crate")
    assert says(found, crate.code, "weight corrected", "tare forgotten")
    assert found.balance.made == 11800
    assert here(found, crate) == {("Cold store", 11700, "weighed"),
                                  ("Count difference", 100, "counted")}  # fmt: skip


# --- who must be told --------------------------------------------------------------------------


def test_everybody_who_had_some_is_named_with_a_number_to_ring(farm: Farm):
    Outlet.objects.filter(pk=farm.kitchen.pk).update(
        contact="Head cook", telephone="01 555 0100", out_of_hours="07 555 0199"
    )
    run = farm.pack([farm.cut(3600)], packs=30)
    farm.to_shop(run, 12)
    note = farm.send(run, 8)
    cancelled = farm.send(run, 5, farm.other_shop())
    farm.tell("cancel", event=cancelled, reason="van full")
    farm.tell("discard", lot=run, from_place=farm.store, to="donated", quantity=2, reason="surplus",
              recipient="Larder on the Green")  # fmt: skip
    told = {t.who.outlet: t for t in trace(run.code).told}
    assert set(told) == {"Farm shop", "Kitchen", "Donated to Larder on the Green"}
    assert told["Kitchen"].who.out_of_hours == "07 555 0199"
    assert told["Kitchen"].lots == [(run.code, 8, "each", 0)]  # on the way counts
    assert told["Farm shop"].lots == [(run.code, 12, "each", 12)]
    farm.tell("receive", note=note.note, lines=[Arrived(run, accepted=8)])
    found = trace(run.code)
    assert {t.who.outlet: t.lots for t in found.told}["Kitchen"] == [(run.code, 8, "each", 8)]
    (kitchen,) = (c for c in found.report.consignees[run.pk] if c.outlet == "Kitchen")
    assert (kitchen.contact, kitchen.telephone) == ("Head cook", "01 555 0100")


def test_it_never_says_that_food_is_safe(farm: Farm, capsys):
    lots = season(farm)
    found = trace(lots["run"].code)
    assert found.notice == "No notice recorded here as of 10:00 on 11 Apr 2026."
    call_command("trace", lots["run"].code)
    call_command("trace", lots["run"].code, "--json")
    assert not re.search(r"\bsafe\b", capsys.readouterr().out, re.IGNORECASE)


def test_a_complaint_that_nobody_answered_heads_what_is_said(farm: Farm):
    lots = season(farm)
    told = farm.tell("complain", happened="Felt sick after supper", lot=lots["run"], ill=True)
    first = trace(lots["seed"].code).gaps[0].says
    assert first.startswith("Somebody is ill. Complaint")
    assert lots["run"].code in first
    farm.tell("put_right", complaint=told.complaint, done="Rang; it was the mushrooms")
    assert not says(trace(lots["seed"].code), "Complaint")
