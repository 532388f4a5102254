"""Weights of a run as a packer types them and an officer reads them: told through the pages and the
API, judged by `sales.weights`, which is held to the published tables in its own tests."""

from __future__ import annotations

import csv
import html
import io
import itertools
import json
import random
import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from grow import clock, pins
from grow.models import Event, Flag, Lot, Person, Thing
from sales import weights
from sales.models import DecisionCard, PackingRun, PackWeight, Product
from sales.run_record import record_of
from sales.run_weights import LAST_RUNS, run_called, weights_of
from sales.weight_drawing import drawing
from tests.farm import Farm, Taken, decided
from tests.test_weights import W3

D = Decimal
_ids = itertools.count(1)
pytestmark = [pytest.mark.django_db, pytest.mark.once]


def grams(text: str) -> list[Decimal]:
    return [D(one) for one in text.split()]


def signed_in(role: str, *places: Any) -> tuple[Person, Client]:
    person = Person.objects.create_user(role, is_staff=True)
    person.groups.add(Group.objects.get(name=role))
    person.places.set(places)
    client = Client()
    client.force_login(person)
    return person, client


def words(page: Any) -> str:
    text = re.sub(r"<(title|desc)\b.*?</\1>", " ", page.content.decode(), flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


class Bench:
    """A packer at a bench with a scale, and a run of 32 bags of 120 g."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        Thing.objects.filter(pk=farm.scale.pk).update(division_g=D("0.1"), for_trade=True)
        Product.objects.filter(pk=farm.bag.pk).update(tare_g=D("6.5"), fill=Product.Fill.SAMPLED)
        farm.scale.refresh_from_db()
        farm.bag.refresh_from_db()
        self.crates = [farm.cut(2400), farm.cut(1700)]
        farm.pass_time(hours=1)
        self.run = self.pack(self.crates, 32)
        self.packer, self.client = signed_in("packer")

    def pack(self, crates: list[Lot], packs: int, **more: Any) -> Lot:
        return self.farm.pack(crates, packs=packs, scale=self.farm.scale, **more)

    def page(self, run: Lot | None = None, what: str = "weights", **asked: Any) -> Any:
        return self.client.get(f"/runs/{(run or self.run).code}/{what}/", asked)

    def type(self, text: str, **more: Any) -> Any:
        told = {"weights": text, "scale": str(self.farm.scale.pk), "client_id": f"w-{next(_ids)}"}
        return self.client.post(f"/runs/{self.run.code}/weights/", told | more)

    def read(self, run: Lot | None = None) -> Any:
        return self.client.get(f"/api/v1/runs/{(run or self.run).code}/weights/").json()

    def weighed(self) -> list[Decimal]:
        rows = PackWeight.objects.filter(run=self.run.pk).order_by("event_id", "number")
        return list(rows.values_list("net_g", flat=True))


@pytest.fixture
def bench(farm: Farm) -> Bench:
    return Bench(farm)


# --- typing weights ------------------------------------------------------------------------------


def test_before_the_first_weight_the_page_says_what_is_asked(bench):
    page = words(bench.page())
    assert "Scale should read 120 g after the tare, 6.5 g for the empty bag" in page
    assert "120 g on the label." in page
    # SI 2006/659: the tolerance of 120 g is 5.4 g
    assert "Under 114.6 g is short: no more than 1 bag in 40." in page
    assert "Under 109.2 g may not be sold: not one." in page
    assert "Weigh all 32: none so far, 32 more." in page
    assert "No bag of this run has been weighed." in page
    assert "<svg class=" not in bench.page().content.decode().split("weigh-cols")[1]
    Product.objects.update(target_g=D("122.5"))
    assert "Scale should read 122.5 g" in words(bench.page())


def test_a_packer_types_weights_and_reads_what_they_say(bench):
    answer = bench.type("121.4\n119,5 g\r\n0.1226 kg\nST,GS,+  120.0g\n")
    assert (answer.status_code, answer.url) == (302, f"/runs/{bench.run.code}/weights/")
    assert bench.weighed() == grams("121.4 119.5 122.6 120.0")
    event = Event.objects.get(kind="weigh_packs")
    assert (event.recorded_by, list(event.things.all())) == (bench.packer, [bench.farm.scale])
    page = words(bench.page())
    assert f"Recorded: 4 bags of {bench.run.code} weighed." in page
    assert "More to weigh 4 of 32 bags weighed: none under 114.6 g, 1 allowed" in page
    assert "Weigh all 32: 4 so far, 28 more." in page
    assert "Mean of those weighed 120.9 g Over the label in all 32 28 g" in page  # 0.875 × 32
    # 165 p for 120 g at the kitchen, 240 p in the shop: 28 × 165 ÷ 120 = 38.5
    assert "In money 0.39 GBP" in page
    assert "At the lowest price it sells for, 165 p a bag (Kitchen); what the leaf cost" in page


def test_the_worked_example_on_the_page(bench):
    """Thirty of 300 packs of 60 g, worked by the steps of SI 2006/659, schedule 2: mean 60.2 g,
    limit 59.3 g, one under 55.5 g and one allowed."""
    product = Product.objects.create(code="S60", name="Salad 60 g", nominal_g=60, fill="sampled")
    run = bench.pack([bench.farm.cut(19_000)], 300, product=product)
    bench.run = run
    assert "Weigh 30 of 300, at random: none so far, 30 more." in words(bench.page())
    bench.type("\n".join(map(str, W3)))
    page = words(bench.page())
    assert (
        "Accepted 30 bags weighed: mean 60.2 g, at least 59.3 g asked; 1 under 55.5 g, 1 allowed; "
        "none under 51.0 g. Accepted. Source: SI 2006/659, schedule 2; Directive 76/211/EEC"
    ) in page
    assert "1 under 55.5 g, none allowed; none under 51.0 g. Not kept: rule 2." in page
    assert "Bag 30 weighs 55.2 g, outside the limits of the filling itself" in page


def test_with_the_bag_on_its_tare_is_taken_off(bench):
    assert bench.type("127.9\n126", with_bag="on").status_code == 302
    assert bench.weighed() == grams("121.4 119.5")
    answer = bench.type("127.9\n6.5", with_bag="on")
    assert answer.status_code == 422
    assert "Weight 2: 6.5 g is no more than the empty bag, 6.5 g." in words(answer)
    assert len(bench.weighed()) == 2
    Product.objects.update(tare_g=0)  # another bag from now on; these were packed in the old one
    assert bench.type("127.9", with_bag="on").status_code == 302
    assert bench.weighed()[-1] == D("121.4")
    record = words(bench.page(what="record"))
    assert "Tare 6.5 g" in record
    assert "as set now" not in record
    PackingRun.objects.update(tare_g=None)  # a run of before it was kept
    Product.objects.update(tare_g=D("4"))
    assert "Tare 4 g, as set now" in words(bench.page(what="record"))
    PackingRun.objects.update(tare_g=0)
    assert "With the bag on" not in words(bench.page())
    bench.type("127.9", with_bag="on")  # of a page that stood open: nothing to take off
    assert bench.weighed()[-1] == D("127.9")


BAD = {
    "1,500": "Weight 2: 1,500: 1.5 kg or 1500 g? Write it with its unit and without a mark for "
    "thousands.",
    "twelve": "Weight 2: “twelve” is not a weight: it has no number with g or kg.",
    "0": "Weight 2: “0” is nothing; leave it out, or weigh the bag again.",
    "-5": "Weight 2: “-5” is less than nothing; set the scale to nought.",
    "10000000": "Weight 2: “10000000” is 10000000 g, and no pack weighs more than 50000 g. Is its "
    "unit right?",
    "121.4 g?": "Weight 2: “121.4 g?” is not a weight; write it like 4.2 kg or 4200 g.",
}


@pytest.mark.parametrize("typed", BAD)
def test_a_bad_line_is_named_and_everything_typed_stands(bench, typed):
    text = f"121.4\n{typed}\n119.5"
    answer = bench.type(text, with_bag="on")
    page = words(answer)
    assert answer.status_code == 422
    assert f"1 of what you typed cannot be read; all of it still stands below. {BAD[typed]}" in page
    area = re.search(r"<textarea.*?>\n?(.*?)</textarea>", answer.content.decode(), re.S)
    assert html.unescape(area[1]).replace("\r\n", "\n") == text
    form = answer.context["form"]
    assert form["with_bag"].value()
    assert str(form["scale"].value()) == str(bench.farm.scale.pk)
    assert not bench.weighed()
    assert bench.type("121.4\n119.5").status_code == 302


def test_every_bad_line_has_its_own_sentence(bench):
    page = words(bench.type("\n".join(["121.4", *BAD])))
    assert f"{len(BAD)} of what you typed cannot be read" in page
    for number, said in enumerate(BAD.values(), 2):
        assert said.replace("Weight 2:", f"Weight {number}:") in page


def test_an_unlikely_weight_is_asked_about_and_may_be_a_fact(bench):
    answer = bench.type("121.4\n1214", client_id="odd")
    assert answer.status_code == 422
    assert "Weight 2 is 1214 g, of packs of 120 g." in words(answer)
    assert "It has already happened: record it" in words(answer)
    assert not bench.weighed()
    assert bench.type("121.4\n1214", client_id="odd", already_done="yes").status_code == 302
    assert bench.weighed() == grams("121.4 1214")
    assert Flag.objects.get(kind=Flag.Kind.UNUSUAL).says == "A pack of 120 g was told as 1214 g."


def test_no_weights_and_more_than_there_are_packs(bench):
    assert "Not recorded yet." in words(bench.type("  "))
    answer = bench.type("120\n" * 33)
    assert answer.status_code == 422
    assert "33 weights were told of 32 packs." in words(answer)
    assert bench.type("120\n" * 32).status_code == 302


def test_a_second_press_weighs_nothing_more(bench):
    for _ in range(2):
        assert bench.type("121.4", client_id="once").status_code == 302
    assert len(bench.weighed()) == 1
    answer = bench.type("119", client_id="once")
    assert answer.status_code == 409
    assert "Record it as another entry" in words(answer)


def test_a_weighing_taken_back_counts_no_more(bench):
    bench.type("121.4\n108")
    assert "Rejected" in words(bench.page())
    wrong = Event.objects.get(kind="weigh_packs")
    bench.client.post("/do/undo/", {"event": wrong.pk, "client_id": "u-1"})
    assert "No bag of this run has been weighed." in words(bench.page())
    bench.type("121.4")
    found = bench.read()
    assert [(w["number"], w["net_g"]) for w in found["weights"]] == [(1, "121.40")]
    assert "108" not in words(bench.page(what="record"))
    assert found["advice"]["n"] == 1  # nor does it count for the target


def test_a_run_recorded_in_error_is_not_weighed(bench):
    bench.type("121.4")
    bench.farm.tell("undo", event=Event.objects.get(kind="weigh_packs"), recorded_by=bench.packer)
    bench.farm.tell("cancel", event=bench.run.made_by, reason="another product")
    page = words(bench.page())
    assert f"{bench.run.code} was recorded in error; nothing of it counts." in page
    assert "Record the weights" not in page


def test_what_is_no_run_is_not_there(bench):
    for code in (bench.crates[0].code, "R99999-99-9"):
        for what in ("weights", "record"):
            assert bench.client.get(f"/runs/{code}/{what}/").status_code == 404
        assert bench.client.get(f"/api/v1/runs/{code}/weights/").status_code == 404
    page = words(bench.client.get(f"/runs/{bench.crates[0].code}/weights/"))
    assert "is no packing run; it has no weights of packs." in page


# --- the verdict, as it is worked out ------------------------------------------------------------


def test_weights_told_with_the_run_come_first(bench):
    told = grams("121.4 119.5 122.6")
    bench.run = bench.pack([bench.farm.cut(3000)], 20, weights=told)
    bench.farm.pass_time(minutes=20)
    bench.type("118\n120.2")
    found = bench.read()
    assert [D(w["net_g"]) for w in found["weights"]] == [*told, *grams("118 120.2")]
    assert [w["number"] for w in found["weights"]] == [1, 2, 3, 4, 5]
    assert found["weights"][0]["entry"] == bench.run.made_by_id
    assert [w["scale"] for w in found["weighings"]] == ["Scale B", "Scale B"]
    assert [w["weights"] for w in found["weighings"]] == [3, 2]
    assert "from 3 weights told with the run" in words(bench.page(what="record"))


def test_too_coarse_a_scale_gives_no_verdict(bench):
    """A fifth of the tolerance of 120 g is 1.08 g: NI SR 2011/331, schedule 2."""
    coarse = Thing.objects.create(name="Kitchen scale", kind="scale", division_g=5)
    bench.type("120\n" * 32, scale=str(coarse.pk))
    says = (
        "No verdict: the scale shows steps of 5 g, and for 120 g, whose tolerance is 5.4 g, they "
        "may be 1.08 g at most, a fifth of it. Weigh on a finer scale."
    )
    assert f"No verdict {says}" in words(bench.page())
    assert bench.read()["verdict"]["sentence"] == says
    assert "Accepted" not in words(bench.page(what="record"))
    wrong = Event.objects.get(kind="weigh_packs")
    bench.client.post("/do/undo/", {"event": wrong.pk, "client_id": "u-2"})
    bench.type("120\n" * 32)
    assert bench.read()["verdict"]["outcome"] == "accepted"


def test_one_coarse_scale_among_fine_ones_is_one_too_many(bench):
    coarse = Thing.objects.create(name="Kitchen scale", kind="scale", division_g=5)
    bench.type("120\n" * 20)
    assert bench.read()["verdict"]["outcome"] == "more to weigh"
    bench.type("120\n" * 12, scale=str(coarse.pk))
    assert bench.read()["verdict"]["outcome"] == "no verdict"


def test_a_scale_of_which_nothing_is_known_is_a_gap_in_words(bench):
    Thing.objects.update(division_g=None)
    bench.type("120\n" * 32)
    assert bench.read()["verdict"]["outcome"] == "accepted"
    assert "The division of Scale B is not recorded" in words(bench.page())
    PackingRun.objects.update(scale=None)
    other = bench.farm.tell("weigh_packs", run=bench.run, weights=[D(120)])
    assert "On which scale some of these were weighed is not recorded." in words(bench.page())
    # 33 weights of 32 packs: nobody can say which of them are the same pack
    assert other
    assert "No verdict: 33 weights of a run of 32 bags; one of the two is wrong." in words(
        bench.page()
    )


def test_the_least_of_any_pack_has_no_tolerance(bench):
    decided(bench.farm.bag, system=DecisionCard.System.MINIMUM)
    bench.run = bench.pack([bench.farm.cut(3000)], 20)
    page = words(bench.page())
    assert "No bag under 120 g: the label is the least of any." in page
    assert "114.6" not in page
    bench.type("121\n" * 19 + "119.9")
    page = words(bench.page())
    assert "Rejected All 20 bags weighed: 1 under 120.0 g, none allowed. Rejected." in page
    assert "20 119.9 1.1 under the label, outside the limits" in page
    assert bench.read()["rules"] is None


def test_what_is_sold_by_number_is_not_judged(bench):
    product = Product.objects.create(code="BUNCH", name="Basil bunch", nominal_g=30, form="bunch")
    bench.run = bench.pack([bench.farm.cut(600)], 20, product=product)
    bench.type("31\n29")
    page = words(bench.page())
    assert "About 30 g each; bunches are sold by number, not by weight." in page
    assert "Bunches are sold by number; their weight is not judged." in page
    found = bench.read()
    assert [found[what] for what in ("verdict", "rules", "giveaway", "advice", "plan")] == [
        None
    ] * 5
    assert len(found["chart"]["points"]) == 2


def test_each_filled_on_the_scale_is_asked_for_no_sample(bench):
    Product.objects.update(fill=Product.Fill.EVERY)
    bench.farm.bag.refresh_from_db()
    bench.run = bench.pack([bench.farm.cut(3000)], 20)
    page = words(bench.page())
    assert "Each bag is made up on the scale, so no sample is asked for" in page
    assert "none under 114.6 g" not in page  # nothing is judged of nothing
    bench.type("121.4")
    page = words(bench.page())
    assert "Some weighed, as a check 1 of 20 bags weighed: none under 114.6 g" in page
    assert "More to weigh" not in page
    bench.type("108")
    assert "Rejected 2 of 20 bags weighed" in words(bench.page())


def test_bags_weighed_days_later_are_said_to_be(bench):
    bench.type("121.4")
    assert "more than one day" not in words(bench.page())
    bench.farm.pass_time(days=3)
    bench.type("118.2")
    assert "Weighed on more than one day. Leaf loses water" in words(bench.page())


def test_the_advice_is_of_the_products_last_runs(bench):
    runs = [bench.pack([bench.farm.cut(1300)], 10) for _ in range(LAST_RUNS + 2)]
    pooled = []
    for n, run in enumerate(runs):
        net = [D(1200 + (n * 7 + k * 13) % 40) / 10 for k in range(5)]
        bench.farm.tell("weigh_packs", run=run, weights=net)
        pooled.append(net)
    want = weights.advise([g for net in pooled[2:] for g in net], 120, 120)
    page = words(bench.page(runs[0]))
    assert f"{want.sentence} From its last 10 weighed runs." in page
    taken_back = Event.objects.filter(kind="weigh_packs").latest("id")
    bench.farm.tell("cancel", event=taken_back, reason="another run's")
    want = weights.advise([g for net in pooled[1:-1] for g in net], 120, 120)
    assert bench.read(runs[0])["advice"]["sentence"] == want.sentence
    bench.farm.tell("cancel", event=runs[-2].made_by, reason="another product")
    want = weights.advise([g for net in pooled[:-2] for g in net], 120, 120)
    assert bench.read(runs[0])["advice"]["sentence"] == want.sentence


def test_the_page_says_what_sales_weights_says(bench):
    """Whatever was weighed, with the run or after it."""
    dice = random.Random(4)
    outcomes = set()
    for n, middle in enumerate((109, 115, 118, 119, 120, 121, 122, 124)):
        net = [D(round(dice.gauss(middle * 10, 22))) / 10 for _ in range(dice.randint(18, 25))]
        net += [D(middle)] * (25 - len(net)) if n % 2 else []
        cut = dice.randint(0, len(net) - 1)
        run = bench.pack([bench.farm.cut(3100)], 25, weights=net[:cut])
        bench.farm.pass_time(minutes=5)
        bench.farm.tell("weigh_packs", run=run, weights=net[cut:], scale=bench.farm.scale)
        found = weights_of(run_called(run.code, bench.packer), bench.packer)
        assert [w.net_g for w in found.weights] == net
        assert found.verdict == weights.verdict(net, 120, 25, "average", division_g=D("0.1"))
        assert found.rules == weights.three_rules(net, 120)
        outcomes.add(str(found.verdict.outcome))
        for what in ("weights", "record"):
            page = words(bench.page(run, what))
            assert found.verdict.sentence in page
            assert found.rules.sentence in page
    assert outcomes == {"accepted", "rejected", "more to weigh"}


# --- the scale's checks --------------------------------------------------------------------------


def check(bench: Bench, passed: bool = True, **more: Any) -> Event:
    return bench.farm.tell(
        "check", kind="scale", passed=passed, things=[bench.farm.scale], **more
    )  # fmt: skip


def test_the_scale_is_checked_before_and_after(bench):
    farm = bench.farm
    assert bench.read()["scales"][0]["before"] is None
    assert "Check before none recorded" in words(bench.page(what="record"))
    check(bench, reading="999.9 g of 1000 g")
    farm.pass_time(days=1)
    bench.run = bench.pack([farm.cut(3000)], 20)
    page = words(bench.page(what="record"))
    assert "Scale B, 03 Mar: steps of 0.1 g, for trade" in page
    assert "02 Mar 2026, 09:00, good; 999.9 g of 1000 g (none on that day)" in page
    assert "Check after none recorded" in page
    farm.pass_time(minutes=5)
    taken_back = check(bench)
    farm.tell("undo", event=taken_back)
    farm.pass_time(minutes=5)
    check(bench, passed=False, reading="1004 g", done="sent for repair")
    page = words(bench.page(what="record"))
    assert "Check after 03 Mar 2026, 09:10, FAILED; 1004 g; sent for repair" in page
    farm.pass_time(minutes=5)
    late = bench.pack([farm.cut(3000)], 20)
    (scale,) = bench.read(late)["scales"]
    assert (scale["that_day"], scale["before"]["passed"]) == (True, False)
    assert 'class="doubtful"' in bench.page(late).content.decode()


# --- the record ----------------------------------------------------------------------------------


def test_the_record_of_a_run_for_an_officer_three_days_on(bench):
    farm = bench.farm
    decided(farm.bag)
    farm.tell("look_over", line=farm.line, knives=False, done="found the knife")
    farm.pass_time(minutes=5)
    crates = [farm.cut(2400), farm.cut(1500)]
    taken = [Taken(crates[0], farm.store, left=300), Taken(crates[1], farm.store, used=1450)]
    bench.run = run = farm.tell(
        "pack",
        product=farm.bag,
        taken=taken,
        packs=28,
        store=farm.store,
        line=farm.line,
        scale=farm.scale,
        target_g=D(121),
        mean_fill_g=D("121.5"),
        trim_g=50,
        samples_g=20,
        done_by=[farm.packer],
    ).lot
    farm.tell("print_labels", run=run, count=33, already_done=True)
    farm.tell("spoil_labels", run=run, count=2)
    stray = farm.tell("spoil_labels", run=run, count=9)
    farm.tell("undo", event=stray)
    bench.type("121.4\n119.5")
    farm.pass_time(days=3)
    page = words(bench.page(what="record"))
    for said in (
        f"Salad bag 120 g {run.code}",
        "Packed 02 Mar 2026, 09:05 Date on it 09 Mar 2026 Packs 28 × 120 g Packed by Ines",
        f"{crates[0].code} Loose-leaf lettuce 2100 the books’, less 300 g left in it",
        f"{crates[1].code} Loose-leaf lettuce 1450 as told",
        "Taken 3550 see above In packs, 28 × 120 g 3360 packs counted Water and scale 0",
        # 3550 − 3360 − 42 − 20; of it 50 were weighed
        "Trim 128 78 g remainder, 50 g weighed",
        "Giveaway 42 from a mean fill of 121.5 g, as told",
        "Samples 20 as told Moisture lost 0",
        "Labels printed 33 Spoiled 2 Destroyed 0 On packs 28 Difference 3 left over or lost",
        "Method Sampled System Average of the batch Scale to read 121 g Tare 6.5 g",
        "T1, T2 114.6 g, 109.2 g",
        "Packing bench, 02 Mar 2026, 09:00, Tam: not so: all knives are there. Done: found the",
        "02 Mar 2026, 09:05, packer, Scale B: 2 of 28 121.4 119.5",
        "Verdict. 2 of 28 bags weighed: none under 114.6 g, 1 allowed",
        "Decision support and record keeping. A sample’s verdict is about the sample; local rules "
        "come first.",
        "Label, as printed",
        "Lot " + run.code,
    ):
        assert said in page
    row = PackingRun.objects.get(pk=run.pk)
    record = record_of(row)
    assert sum(crate.grams for crate in record.crates) == row.grams_in
    api = bench.client.get(f"/api/v1/runs/{run.code}/record/").json()
    assert (api["packed_by"], api["recorded_by"], api["line"]) == (["Ines"], "Tam", "Packing bench")
    assert (api["use_by"], api["label_printed"], api["held"]) == ("2026-03-09", True, [])
    first, second = (
        {"code": crates[0].code, "grams": 2100, "known": "the books’, less 300 g left in it"},
        {"code": crates[1].code, "grams": 1450, "known": "as told"},
    )
    assert api["crates"] == [c | {"title": "Loose-leaf lettuce"} for c in (first, second)]
    assert {"name": "Trim", "grams": 128, "known": "78 g remainder, 50 g weighed"} in api["shares"]
    counts = {"printed": 33, "spoiled": 2, "destroyed": 0, "packs": 28, "over": 3, "under": 0}
    assert api["labels"] == counts
    assert api["looked"]["lacked"] == ["all knives are there"]
    sheet = bench.client.get(f"/api/v1/runs/{run.code}/record/", HTTP_ACCEPT="text/csv")
    rows = csv.DictReader(io.StringIO(sheet.content.decode()))
    assert [(row["code"], row["grams"]) for row in rows] == [
        (crates[0].code, "2100"),
        (crates[1].code, "1450"),
    ]
    # what an officer holds is what was printed, whatever the product is called now
    Product.objects.update(name="Leaf 120 g", tare_g=7)
    assert f"Salad bag 120 g {run.code}" in words(bench.page(what="record"))
    farm.tell("hold", lots=[run], reason="glass")
    assert "Held: glass." in words(bench.page(what="record"))


def test_a_crates_weight_put_right_since_is_in_the_record(bench):
    farm = bench.farm
    crate = bench.crates[0]
    farm.tell("correct_weight", lot=crate, right=2350, reason="the lid was on")
    row = PackingRun.objects.get(pk=bench.run.pk)
    record = record_of(row)
    assert [c.grams for c in record.crates] == [2350, 1700]
    assert sum(c.grams for c in record.crates) == row.grams_in


def test_a_run_of_opened_bags_adds_up_too(bench):
    farm = bench.farm
    run = farm.tell(
        "rework", product=farm.bag, taken=[Taken(bench.run, farm.store, used=5)], packs=4,
        store=farm.store,
    ).lot  # fmt: skip
    row = PackingRun.objects.get(pk=run.pk)
    assert [(c.code, c.grams) for c in record_of(row).crates] == [(bench.run.code, 600)]
    assert row.grams_in == 600
    page = words(bench.page(run, "record"))
    assert "Trim 120 remainder, not weighed" in page
    assert "On which line it was packed is not recorded." in page
    assert "On which scale it was filled is not recorded." in page


def test_the_weights_as_csv(bench):
    bench.type("121.4\n119.55")
    page = bench.page(what="record", **{"as": "csv"})
    assert page["Content-Disposition"] == f'attachment; filename="weights-{bench.run.code}.csv"'
    rows = list(csv.DictReader(io.StringIO(page.content.decode("utf-8-sig")), strict=True))
    assert [(row["number"], row["net_g"]) for row in rows] == [("1", "121.40"), ("2", "119.55")]
    api = bench.client.get(f"/api/v1/runs/{bench.run.code}/weights/", HTTP_ACCEPT="text/csv")
    assert list(csv.DictReader(io.StringIO(api.content.decode()))) == rows


# --- the drawing ---------------------------------------------------------------------------------


def test_the_chart_is_drawn_to_scale_and_stands_as_a_table(bench):
    net = grams("121.4 119.5 122.6 120.0 114.2 121.1")
    bench.type("\n".join(map(str, net)))
    page = bench.page().content.decode()
    assert 'role="img" aria-labelledby="chart-title chart-desc"' in page
    assert "6 weights in the order of weighing, from 114.2 to 122.6 g" in html.unescape(page)
    points = re.findall(
        r'<circle class="point ([a-z ]*)" cx="([\d.]+)%" cy="([\d.]+)%"[^>]*><title>(\d+): ', page
    )
    assert [int(n) for *_, n in points] == [1, 2, 3, 4, 5, 6]
    assert [marks for marks, *_ in points] == ["", "", "", "", "short", ""]
    xs, ys = ([float(p[k]) for p in points] for k in (1, 2))
    assert xs == sorted(xs)
    # one gram is as high anywhere: each pair of points gives the same scale
    (a, b), *more = itertools.pairwise(zip(net, ys, strict=True))
    one = (b[1] - a[1]) / float(a[0] - b[0])
    assert one > 0
    for (g, y), (h, z) in more:
        assert (z - y) == pytest.approx(one * float(g - h), abs=0.03)
    lines = re.findall(r'<line class="level level-(\w+)"[^>]*y1="([\d.]+)%"', page)
    heights = [float(y) for _, y in lines]
    assert sorted(kind for kind, _ in lines) == ["label", "limit", "limit", "mean", "short"]
    assert heights == sorted(heights)
    label = next(float(y) for kind, y in lines if kind == "label")
    assert label == pytest.approx(ys[3], abs=0.02)  # 120.0 g lies on its line
    texts = [float(y) for y in re.findall(r'<text class="level-\w+" x="0" y="([\d.]+)%"', page)]
    assert all(b - a >= 6.99 for a, b in itertools.pairwise(texts))
    assert "5 114.2 5.8 short" in words(bench.page())
    assert "style=" not in page.split("weigh-cols")[1].split("</main>")[0]


@given(
    st.lists(st.integers(1, 50_000).map(lambda n: D(n) / 10), min_size=2, max_size=300),
    st.integers(5, 5000),
)
def test_a_drawing_stays_within_its_frame(net, label):
    drawn = drawing(weights.individuals(net), label, weights.lines(label)[0])
    assert len(drawn.points) + drawn.left_out == len(net)
    assert drawn.points[-1].number == len(net)
    places = [p.y for p in drawn.points] + [p.x for p in drawn.points]
    places += [level.y for level in drawn.levels] + [level.text_y for level in drawn.levels]
    assert all(0 <= float(place.rstrip("%")) <= 100 for place in places)


def test_weights_that_are_all_the_same_are_drawn(bench):
    bench.type("120\n120\n120")
    page = words(bench.page())
    assert "Steady: every weight lies within the filling’s own limits, 120.0 to 120.0 g." in page


# --- ways there, and whose they are --------------------------------------------------------------


def test_the_days_runs_lead_to_their_weights_and_record(bench):
    page = bench.client.get("/").content.decode()
    assert f'href="/runs/{bench.run.code}/weights/">Weigh some<' in page
    assert f'href="/runs/{bench.run.code}/record/">Record of the run<' in page
    _, shop = signed_in("shop")
    page = shop.get("/").content.decode()
    assert "Weigh some" not in page
    assert "Record of the run" in page


def test_the_last_scale_used_is_chosen(bench):
    other = Thing.objects.create(name="Scale C", kind="scale", division_g=D("0.5"))
    Thing.objects.create(name="Probe", kind="probe")
    page = bench.page()
    assert page.context["form"]["scale"].value() == bench.farm.scale.pk  # the run's own
    assert "Probe" not in words(page)
    bench.farm.pass_time(minutes=2)
    bench.type("121", scale=str(other.pk))
    assert bench.page().context["form"]["scale"].value() == other.pk
    answer = bench.type("121", scale="987654")
    assert answer.status_code == 422
    assert "Choose a scale from the list." in words(answer)


def test_on_a_shared_device_the_verdict_goes_by_and_what_was_late_is_kept(bench):
    ann, _ = signed_in("food_safety_lead")
    ann.badge, ann.pin = "PK-7Q3", pins.hashed("4829")
    ann.save()
    boss = Person.objects.create_superuser("boss", password="a long one")
    tablet = Client()
    tablet.force_login(boss)
    tablet.post("/shared-device/", {"name": "Packing bench"})
    tablet.post("/who/", {"badge": "PK-7Q3"})
    url = f"/runs/{bench.run.code}/weights/"
    assert tablet.get(url).status_code == 200
    told = {"weights": "121.4\n126", "with_bag": "on", "client_id": "t-1"}
    bench.farm.pass_time(minutes=6)
    assert tablet.post(url, told).url == "/who/"
    assert not bench.weighed()
    back = tablet.post("/who/", {"badge": "PK-7Q3"})
    assert back.url == url
    page = tablet.get(url)
    assert page.context["form"]["weights"].value() == "121.4\n126"
    assert page.context["form"]["with_bag"].value()
    done = tablet.post(url, told | {"client_id": "t-2"})
    assert done.url == "/who/"
    assert bench.weighed() == grams("114.9 119.5")
    assert Event.objects.get(kind="weigh_packs").device == "Packing bench"
    page = words(tablet.get("/who/"))
    assert "2 bags of" in page
    assert "2 of 32 bags weighed: none under 114.6 g" in page


# --- the API -------------------------------------------------------------------------------------


class Program:
    """A scale's own program."""

    def __init__(self, person: Person) -> None:
        from knox.models import AuthToken

        token = AuthToken.objects.create(user=person)[1]
        self.client = Client(headers={"Authorization": f"Token {token}"})

    def send(self, run: str, body: Any, key: str = "") -> Any:
        more = {"HTTP_IDEMPOTENCY_KEY": key or f"s-{next(_ids)}", "HTTP_DEVICE": "Scale-B-box"}
        return self.client.post(
            f"/api/v1/runs/{run}/scale-lines/", body, content_type="application/json", **more
        )

    def act(self, body: Any) -> Any:
        return self.client.post(
            "/api/v1/acts/weigh_packs/",
            body,
            content_type="application/json",
            HTTP_IDEMPOTENCY_KEY=f"s-{next(_ids)}",
        )


@pytest.fixture
def program(bench: Bench) -> Iterator[Program]:
    return Program(bench.packer)


def test_a_scales_lines_are_weights(bench, program):
    lines = "\x02ST,GS,+  121.4g\r\n\x03\x02ST,GS,+  119.50 g\r\n0.123 kg\n120"
    answer = program.send(bench.run.code.lower(), {"lines": lines, "scale": "Scale B"}, "k-1")
    assert answer.status_code == 201
    assert bench.weighed() == grams("121.4 119.5 123 120")
    again = program.send(bench.run.code, {"lines": lines, "scale": "Scale B"}, "k-1")
    assert (again.status_code, again.json()) == (200, answer.json())
    assert len(bench.weighed()) == 4
    as_act = program.act({"run": bench.run.code, "weights": ["121.4"], "scale": "Scale B"})
    assert as_act.json().keys() == answer.json().keys()
    assert answer.json()["kind"] == "weigh_packs"
    assert Event.objects.get(pk=answer.json()["id"]).device == "Scale-B-box"
    other = program.send(bench.run.code, {"lines": "118"}, "k-1")
    assert other.status_code == 409


@pytest.mark.parametrize(
    ("body", "status", "says"),
    [
        ({"lines": "1,500"}, 400, "Weight 1: 1,500: 1.5 kg or 1500 g?"),
        ({"lines": "121.4\nabc\n0"}, 400, "Weight 3: “0” is nothing"),
        ({"lines": "10000000 g"}, 400, "no pack weighs more than 50000 g"),
        ({"lines": ["121.4"]}, 400, "lines: a text is needed, one weight a line."),
        ({}, 400, "lines: a text is needed"),
        ({"lines": "1" * 50_001}, 400, "50001 signs; 50000 at most"),
        ({"lines": "\ud800"}, 400, "half a sign"),
        ({"lines": "121.4", "run": "R1"}, 400, "run: it is said by the address"),
        ({"lines": "121.4", "dance": 1}, 400, "dance"),
        ({"lines": "121.4", "scale": "Nobody's"}, 404, "Nobody's"),
        ({"lines": "1200"}, 422, "Weight 1 is 1200 g, of packs of 120 g."),
        ({"lines": ""}, 400, "weights"),
    ],
)
def test_lines_that_are_no_weights_are_refused_in_a_sentence(bench, program, body, status, says):
    answer = program.send(bench.run.code, body)
    assert answer.status_code == status, answer.content
    assert says in answer.json()["sentence"]
    assert not bench.weighed()
    assert program.send(bench.run.code, {"lines": "121.4"}).status_code == 201


def test_a_point_is_decimal_in_a_scales_line(bench, program):
    """DESIGN: "a point in a scale's line and in the API is decimal"; typed, it is asked about."""
    assert bench.type("121.455 g").status_code == 422
    Thing.objects.update(division_g=D("0.01"))
    assert program.send(bench.run.code, {"lines": "121.450 g"}).status_code == 201
    assert bench.weighed() == [D("121.45")]


def test_the_reading_says_what_sales_weights_says(bench):
    bench.type("\n".join(map(str, grams("121.4 119.5 122.6 120.0 118.8"))))
    found = bench.read()
    net = bench.weighed()
    verdict = weights.verdict(net, 120, 32, "average", division_g=D("0.1"))
    assert found["verdict"]["sentence"] == verdict.sentence
    assert D(found["verdict"]["mean_g"]) == verdict.mean_g
    assert (found["verdict"]["outcome"], found["verdict"]["more"]) == ("more to weigh", 27)
    chart = weights.individuals(net)
    assert [D(p) for p in found["chart"]["points"]] == net
    assert D(found["chart"]["upper"]) == chart.upper
    assert found["chart"]["one_side"] == []
    assert found["plan"]["steps"] == [{"n": 32, "accept": 1, "reject": 2}]
    assert found["giveaway"]["grams"] == weights.giveaway_g(sum(net) / 5, 120, 32)
    assert (found["run"], found["packs"], found["nominal_g"]) == (bench.run.code, 32, 120)
    assert bench.client.get(f"/api/v1/runs/{bench.run.code}/weights/?x=1").status_code == 400


def test_a_price_that_is_hidden_or_not_set_is_no_money(bench):
    from sales.models import Price

    bench.type("121.4\n122")
    giveaway = bench.read()["giveaway"]
    # the mean is 1.7 g over: 54 g in all; × 165 ÷ 120 pence
    assert (giveaway["grams"], giveaway["pence"]) == (54, 74)
    bench.farm.to_shop(bench.run, 4)
    _, shop = signed_in("shop", bench.farm.shop_place)  # who sees prices, but is of one outlet
    at_shop = shop.get(f"/api/v1/runs/{bench.run.code}/weights/").json()
    assert (at_shop["giveaway"]["grams"], at_shop["giveaway"]["pence"]) == (54, None)
    Price.objects.filter(line=bench.farm.bag.line).update(since=clock.now().date().replace(day=3))
    assert bench.read()["giveaway"]["pence"] is None
    assert "No price is set, so it is not in money." in words(bench.page())
    bench.type("100\n100")
    giveaway = bench.read()["giveaway"]
    assert giveaway["grams"] < 0
    assert "Short of the label" in words(bench.page())


# --- how often the database is asked -------------------------------------------------------------


def asked(client: Client, url: str) -> int:
    client.get(url)
    with CaptureQueriesContext(connection) as seen:
        assert client.get(url).status_code == 200
    return len(seen)


def test_many_weights_ask_no_more_often_than_few(bench):
    few = bench.pack([bench.farm.cut(3000)], 20)
    many = bench.pack([bench.farm.cut(40_000)], 300)
    bench.farm.tell("weigh_packs", run=few, weights=[D(121)] * 2, scale=bench.farm.scale)
    for n in range(12):
        net = [D(1200 + (n * 5 + k) % 30) / 10 for k in range(20)]
        bench.farm.tell("weigh_packs", run=many, weights=net, scale=bench.farm.scale)
    check(bench)
    pages = [f"/runs/{{}}/{what}/" for what in ("weights", "record")]
    for address in (*pages, *(f"/api/v1{page}" for page in pages)):
        once = asked(bench.client, address.format(few.code))
        assert asked(bench.client, address.format(many.code)) == once <= 70, address


def test_told_is_what_was_weighed(bench):
    """The seal covers the weights themselves."""
    bench.type("121.4\n119,5")
    told = json.loads(Event.objects.get(kind="weigh_packs").told)
    assert told["weights"] == ["121.4", "119.5"]
