"""Every kind of suspect, from what is known of it to the lots that are stopped.

Each story asks a trace what is suspect and opens a recall on the same question: the two name the
same lots, no more and no less, and a literal set of names says which. What a tank, a spray, a pane
or a fridge touches follows from “touch is presence”: the plants and lots that were there.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.test import Client

from grow import clock
from grow.faults import faults
from grow.models import Event, Flag, Hold, Lot, LotKind, Thing
from sales import recall_scope, roots
from sales.models import Recall
from sales.trace import trace
from tests.farm import START, Farm
from tests.tracing import says

pytestmark = pytest.mark.django_db


class Story:
    """A farm and its lots by the names that the story gives them."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.lots: dict[str, Lot] = {}

    def __setitem__(self, name: str, lot: Lot) -> None:
        self.lots[name] = lot

    def __getitem__(self, name: str) -> Lot:
        return self.lots[name]

    def names(self, ids: set[int]) -> set[str]:
        named = {lot.pk: name for name, lot in self.lots.items()}
        return {named.get(pk) or Lot.objects.get(pk=pk).code for pk in ids}

    def held(self) -> set[str]:
        return self.names(set(Hold.objects.filter(ended_by=None).values_list("lot", flat=True)))

    def traced(self, asked: Any) -> set[str]:
        """What is suspect, and all made of it. Sowings that only stood in a window are named by a
        trace and not stopped."""
        found = roots.find(asked)
        plants = {lot.pk for lot in found.lots if lot.kind == LotKind.BATCH}
        answer = trace(found)
        return self.names(
            {*answer.roots, *answer.down} - (plants - {lot.pk for lot in found.named})
        )

    def recall(self, asked: Any, **more: Any) -> Recall:
        found = roots.find(asked)
        scope = {"lots": found.named, "windows": found.windows}
        return self.farm.tell(
            "open_recall", kind="recall", hazard="suspect", **scope, **more
        ).recall

    def listed(self, recall: Recall) -> set[str]:
        return self.names(recall_scope.standing(recall))

    def suspects(self, asked: Any, recall: Recall | None = None) -> set[str]:
        """What a trace and a recall of one question both name, the recall's being held."""
        held = self.held()
        traced = self.traced(asked)
        listed = self.listed(recall or self.recall(asked))
        assert listed == traced
        assert self.held() == held | listed
        assert faults() == []
        return listed


@pytest.fixture
def story(farm: Farm) -> Story:
    return Story(farm)


def received(farm: Farm, number: str) -> Lot:
    return farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        supplier_lot=number,
    ).lot


# --- seed ----------------------------------------------------------------------------------------


def test_a_bad_seed_lot(story: Story) -> None:
    """Two sowings of it; a bag with one gram of them is affected whole, the rest of the other crate
    is not."""
    farm = story.farm
    story["bad seed"], story["good seed"] = received(farm, "HS 4471"), received(farm, "HS 4502")
    for n, seed in enumerate(("bad seed", "bad seed", "good seed"), 1):
        story[f"sowing {n}"] = farm.sow(60, seed=story[seed])
    farm.pass_time(days=20)
    for n, tower in enumerate((farm.t1, farm.t2, farm.t2), 1):
        farm.plant(story[f"sowing {n}"], tower, 20)
    farm.pass_time(days=20)
    for n in (1, 2, 3):
        story[f"cut {n}"] = farm.cut(1500, story[f"sowing {n}"])
    farm.pass_time(hours=1)
    story["bags of 1"] = farm.pack([story["cut 1"]], packs=12)
    story["bags of 2 and 3"] = farm.pack([story["cut 2"], story["cut 3"]], packs=16, left=500)
    story["bags of 3"] = farm.pack([story["cut 3"]], packs=4)
    assert story.suspects("HS 4471") == {
        "bad seed",
        *("sowing 1", "sowing 2", "cut 1", "cut 2"),
        *("bags of 1", "bags of 2 and 3"),
    }


def test_the_same_supplier_lot_received_twice(story: Story) -> None:
    """Two receipts three weeks apart with one number on the packet, spelt otherwise."""
    farm = story.farm
    for n, number in enumerate(("HS 4471/b", "HS 4502", "hs4471-B"), 1):
        story[f"receipt {n}"] = received(farm, number)
        story[f"sowing {n}"] = farm.sow(20, seed=story[f"receipt {n}"])
        farm.pass_time(days=10)
        story[f"cut {n}"] = farm.cut(300, story[f"sowing {n}"])
    assert story.suspects("HS-4471B") == {
        *("receipt 1", "sowing 1", "cut 1"),
        *("receipt 3", "sowing 3", "cut 3"),
    }


# --- water ---------------------------------------------------------------------------------------


class Watered(Story):
    """The reservoir feeds tower 1 and bench 2, another tank tower 2 and bench 1. A fill of the
    reservoir brings something in; it is topped up, and drained and cleaned nine days later.
    Seedlings that had stood in it on bench 2 are planted on tower 2."""

    def __init__(self, farm: Farm) -> None:
        super().__init__(farm)
        farm.tell("feed", tank=farm.tank, begins=[farm.t1, farm.bench2])
        farm.tell("feed", tank=farm.bench_tank, begins=[farm.t2, farm.bench])
        self["clean fill"] = farm.tell("fill", tank=farm.tank).lot
        self["other tank"] = farm.tell("fill", tank=farm.bench_tank).lot
        self["old"] = farm.sow(60)
        farm.pass_time(days=20)
        farm.plant(self["old"], farm.t1, 20)
        farm.plant(self["old"], farm.t2, 20)
        farm.pass_time(days=20)
        self.cut("before", "old", farm.t1)
        farm.pass_time(days=1)
        self["bad fill"] = farm.tell("fill", tank=farm.tank).lot
        self["young"] = farm.sow(60, place=farm.bench2)
        self["late"] = farm.sow(60)
        farm.pass_time(days=1)
        self.cut("after the fill", "old", farm.t1)
        self["bags after the fill"] = farm.pack([self["after the fill"]], packs=7)
        farm.pass_time(days=1)
        self["top-up"] = farm.tell("top_up", tank=farm.tank, litres=40).lot
        farm.pass_time(hours=6)
        self.cut("after the top-up", "old", farm.t1)
        farm.pass_time(days=6)
        farm.plant(self["young"], farm.t2, 20, from_place=farm.bench2)
        farm.pass_time(days=1)
        self.drained = farm.tell("drain_and_clean", tank=farm.tank)
        farm.pass_time(hours=1)
        self["fresh fill"] = farm.tell("fill", tank=farm.tank).lot
        farm.pass_time(days=1)
        farm.plant(self["late"], farm.t1, 20)
        farm.pass_time(days=20)
        self.cut("planted after the clean", "late", farm.t1)
        self["bags after the clean"] = farm.pack([self["planted after the clean"]], packs=7)
        self.cut("stood in it on the tower", "old", farm.t1)
        self.cut("stood in it on the bench", "young", farm.t2)
        self.cut("never in it", "old", farm.t2)

    def cut(self, name: str, batch: str, tower: Any) -> None:
        self[name] = self.farm.cut(900, self[batch], towers=[tower])


#: What came to stand in the bad fill and in what was poured onto it.
IN_IT = {
    *("bad fill", "top-up", "after the fill", "bags after the fill", "after the top-up"),
    *("stood in it on the tower", "stood in it on the bench"),
}


def test_contaminated_water_in_one_tank(farm: Farm) -> None:
    """A cut after the clean is out if its plants were set since; the plants that stood in it before
    stay in, wherever they are."""
    story = Watered(farm)
    assert story.suspects(story["bad fill"].code) == IN_IT


class Looked(Story):
    """A tank whose water is looked at: good on the 12th day, bad on the 16th, good on the 18th,
    with a pH in order on the 15th. It was drained and cleaned before and after all that."""

    def __init__(self, farm: Farm, way: str) -> None:
        super().__init__(farm)
        self.way = way
        farm.tell("feed", tank=farm.tank, begins=[farm.t1])
        self.water("before the clean", "fill")
        self["sowing"], self["next sowing"] = farm.sow(60), farm.sow(60)
        farm.plant(self["sowing"], farm.t1, 20)
        self.on(10, "cut before the clean", "sowing")
        self.on(11)
        farm.tell("drain_and_clean", tank=farm.tank)
        farm.pass_time(hours=1)
        self.water("fill", "fill")
        self.on(12)
        self.look("fill", good=True)
        self.on(13, "cut of the fill", "sowing")
        self.on(14)
        self.water("top-up", "top_up")
        self.on(15)
        farm.tell("test_water", tank=farm.tank, kind="pH", reading="6.1", passed=True)
        self.on(16)
        self.bad = self.look("top-up", good=False)
        self.on(17, "cut of the top-up", "sowing")
        self.on(18)
        self.look("top-up", good=True)
        self.on(19)
        self.water("next top-up", "top_up")
        self.on(20, "cut of the next top-up", "sowing")
        farm.pass_time(hours=1)
        farm.tell("drain_and_clean", tank=farm.tank)
        farm.pass_time(hours=1)
        self.water("after the clean", "fill")
        farm.plant(self["next sowing"], farm.t1, 20)
        self.on(30, "cut after the clean", "next sowing")

    def on(self, day: int, name: str = "", batch: str = "") -> None:
        ahead = START + dt.timedelta(days=day) - self.farm.now
        self.farm.pass_time(hours=ahead / dt.timedelta(hours=1))
        if name:
            self[name] = self.farm.cut(900, self[batch])

    def water(self, name: str, verb: str) -> None:
        self[name] = self.farm.tell(verb, tank=self.farm.tank).lot

    def look(self, name: str, *, good: bool) -> Event:
        """Water of `name`, which stands in the tank: as the farm tests it, or a laboratory."""
        farm = self.farm
        facts = {"kind": "E. coli", "reading": "0" if good else "101", "done": "shut"}
        if self.way == "test":
            return farm.tell("test_water", tank=farm.tank, passed=good, **facts)
        if self.way == "check":
            return farm.tell("check", place=farm.tank, passed=good, **facts)
        of = {"lots": [self[name]]} if self.way == "result of the fill" else {"place": farm.tank}
        if self.way != "result without its day":
            of["taken_on"] = farm.today
        results = "0" if good else "101"
        return farm.tell("lab_result", criterion="water_contact", results=results, **of)


@pytest.mark.parametrize(
    ("way", "since"),
    [
        ("test", "failed its check of E. coli on 18 Mar 2026 08:00; everything since its last good "
         "one on 14 Mar 2026"),
        ("check", "failed its check of E. coli on 18 Mar 2026 08:00"),
        ("result of the tank", "failed in the laboratory by a sample of 18 Mar 2026"),
        ("result of the fill", "everything since its last good one on 14 Mar 2026 00:00"),
        ("result without its day", "drained and cleaned on 13 Mar 2026"),
    ],
)  # fmt: skip
def test_what_a_failed_look_at_water_makes_suspect(farm: Farm, way: str, since: str) -> None:
    """A laboratory's result counts as a test does. What was poured onto the bad water later is in,
    since only a drain-and-clean ends it; what was cut before the clean or planted after it is out.
    A report without its sample's day bounds nothing: then the cleans do."""
    story = Looked(farm, way)
    assert says(trace(story["cut of the fill"]), "The water of Reservoir failed", since)
    for clean in ("cut before the clean", "cut after the clean"):
        assert not says(trace(story[clean]), "The water of Reservoir failed")
    found = roots.of_event(story.bad)
    (window,) = found.windows
    first, last = clock.local(window.since), clock.local(window.until)
    bounded = (11, 20) if way == "result without its day" else (12, 18)
    assert ((first.date() - START.date()).days, (last.date() - START.date()).days) == bounded
    assert story.suspects(found) == {
        *("fill", "top-up", "next top-up"),
        *("cut of the fill", "cut of the top-up", "cut of the next top-up"),
    }


def test_a_failed_result_of_a_run_is_of_the_run_and_of_a_line_of_what_was_made_on_it(
    story: Story,
) -> None:
    farm = story.farm
    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)

    def told(results: str, **of: Any) -> Event:
        farm.pass_time(days=1)
        facts = {"criterion": "e_coli_cut", "results": results, "taken_on": farm.today}
        return farm.tell("lab_result", **facts, **of)

    def offered() -> set[str]:
        page = client.get("/trace/").content.decode()
        return {str(e.pk) for e in events if f'value="{e.pk}"' in page}

    good, bad = "10 20 30 40 50", "10 10 10 10 1001"
    events = [told(good, place=farm.line)]
    farm.pass_time(days=1)
    for name in ("one", "other"):
        story[name] = farm.pack([farm.cut(900, crop=farm.lettuce)], packs=7)
    events += [told(bad, lots=[story["one"]]), told(bad, place=farm.line)]
    assert offered() == {str(e.pk) for e in events[1:]}
    events += [told(good, place=farm.line)]
    farm.pass_time(days=1)
    story["later"] = farm.pack([farm.cut(900, crop=farm.lettuce)], packs=7)
    _, of_run, of_line, _ = events
    assert story.suspects(roots.of_event(of_run)) == {"one"}
    assert story.traced(roots.of_event(of_line)) == {"one", "other"}


# --- a spray -------------------------------------------------------------------------------------


def test_a_treatment_inside_its_interval_found_too_late(story: Story) -> None:
    """Three days of interval, told when bags were packed. Held is what was cut within it with its
    bags, whose trace says so; what was cut from the same plants later was touched, and is named by
    a trace of the spray."""
    farm = story.farm
    sprayed, other = farm.sow(60), farm.sow(60)
    farm.plant(sprayed, farm.t1, 30)
    farm.plant(other, farm.t2, 30)
    farm.pass_time(days=30)
    story["cut before"] = farm.cut(900, sprayed)
    farm.pass_time(days=1)
    at = farm.now
    farm.pass_time(days=1)
    story["cut within"] = farm.cut(1500, sprayed)
    story["cut elsewhere"] = farm.cut(1500, other)
    farm.pass_time(hours=1)
    story["bags"] = farm.pack([story["cut within"]], packs=4, left=1000)
    story["mixed bags"] = farm.pack([story["cut within"], story["cut elsewhere"]], 12, left=500)
    story["bags elsewhere"] = farm.pack([story["cut elsewhere"]], packs=4)
    farm.pass_time(days=1, hours=23)
    story["cut after it"] = farm.cut(900, sprayed)
    farm.pass_time(days=1)
    told = farm.tell("treat", item=farm.soap, places=[farm.t1], reason="aphids", at=at)
    story["spray"] = told.lot
    within = {"cut within", "bags", "mixed bags"}
    assert story.held() == within
    flagged = Flag.objects.filter(event=told, kind=Flag.Kind.BORN_HELD)
    assert story.names(set(flagged.values_list("lot", flat=True))) == {"cut within"}
    assert all("harvest interval" in hold.reason for hold in Hold.objects.all())
    assert story.traced(told.lot) == {"spray", "cut after it", *within}
    for bags in ("bags", "mixed bags"):
        assert says(trace(story[bags]), story["cut within"].code, "harvest interval")
    assert story.suspects([story["cut within"]]) == within


# --- glass ---------------------------------------------------------------------------------------


def test_broken_glass_over_three_towers(story: Story) -> None:
    """It fell at seven and was found at ten. Of a sowing on four towers, what was cut from under it
    since it fell is in, tomorrow's cuts too; what was cut the day before, what is cut on the
    fourth tower, and what is planted there once it is cleared away are out."""
    farm = story.farm
    t4 = farm.tower("T4", tiers=5, round_=10)
    under = [farm.t1, farm.t2, farm.t3]
    story["sowing"], story["next sowing"] = farm.sow(100), farm.sow(40)
    farm.pass_time(days=20)
    for tower, plants in ((farm.t1, 20), (farm.t2, 20), (farm.t3, 6), (t4, 20)):
        farm.plant(story["sowing"], tower, plants)
    farm.pass_time(days=20)
    story["day before"] = farm.cut(900, story["sowing"], towers=[farm.t1])
    story["bags of the day before"] = farm.pack([story["day before"]], packs=7)
    farm.pass_time(days=1)
    story["within"] = farm.cut(900, story["sowing"], towers=[farm.t1])
    story["beside it"] = farm.cut(900, story["sowing"], towers=[t4])
    farm.pass_time(hours=1)
    story["bags within"] = farm.pack([story["within"]], packs=7)
    farm.pass_time(hours=1)
    fell = farm.now - dt.timedelta(hours=3)
    glass = farm.tell("incident", kind="broken glass", places=under, began_at=fell)
    recall = story.recall(roots.of_event(glass))
    assert story.suspects(roots.of_event(glass), recall) == {"within", "bags within"}
    farm.pass_time(days=1)
    farm.plant(story["next sowing"], farm.t2, 20)
    for tower in (*under, t4):
        cut = farm.cut(300, story["sowing"], towers=[tower])
        story[f"tomorrow on {tower}"] = cut
    farm.pass_time(days=20)
    story["planted since"] = farm.cut(900, story["next sowing"])
    assert story.suspects(roots.of_event(glass), recall) == {
        *("within", "bags within"),
        *("tomorrow on T1", "tomorrow on T2", "tomorrow on T3"),
    }


# --- a fridge ------------------------------------------------------------------------------------


@pytest.mark.parametrize("known_as", ["thing", "place"])
def test_a_fridge_at_nine_and_a_half_degrees_overnight(story: Story, known_as: str) -> None:
    """Good at six in the evening, 9.5 °C at seven, good again at eight. What had left by noon and
    what came at nine are out; what came or left in the night is in."""
    farm = story.farm
    fridge = Thing.objects.create(name="Fridge 1", kind="fridge", place=farm.store)
    of = {"things": [fridge]} if known_as == "thing" else {"place": farm.store}
    aside = farm.place("Second store", "store")

    def crate(name: str, **more: Any) -> None:
        story[name] = farm.cut(600, crop=farm.lettuce, **more)

    crate("left before")
    crate("stood all night")
    crate("left in the night")
    crate("stood elsewhere", store=aside)
    farm.pass_time(hours=4)  # noon
    farm.arrive(farm.send(story["left before"], 600), story["left before"], accepted=600)
    farm.pass_time(hours=6)
    farm.tell("check", kind="temperature", reading="3.9", passed=True, **of)
    farm.pass_time(hours=2)
    crate("came in the night")
    farm.pass_time(hours=9)
    farm.arrive(
        farm.send(story["left in the night"], 600), story["left in the night"], accepted=600
    )
    farm.pass_time(hours=2)
    warm = farm.tell("check", kind="temperature", reading="9.5", passed=False, done="reset", **of)
    farm.pass_time(hours=1)
    farm.tell("check", kind="temperature", reading="4.2", passed=True, **of)
    farm.pass_time(hours=1)
    crate("came after")
    farm.pass_time(hours=1)
    story["bags"] = farm.pack([story["stood all night"]], packs=5)
    story["bags of after"] = farm.pack([story["came after"]], packs=5)
    assert says(trace(story["stood all night"]), "failed its check on 03 Mar 2026 07:00")
    assert story.suspects(roots.of_event(warm)) == {
        *("stood all night", "came in the night", "left in the night"),
        "bags",
    }


def test_only_a_check_of_the_same_kind_bounds_one_that_failed(story: Story) -> None:
    """Temperature good at six in the evening, the door's seal at two, temperature bad at three:
    what left at midnight is in. However the kind was typed."""
    farm = story.farm
    fridge = Thing.objects.create(name="Fridge 1", kind="fridge", place=farm.store)

    def look(kind: str, *, passed: bool, hours: float) -> Event:
        farm.pass_time(hours=hours)
        done = {} if passed else {"done": "reset"}
        return farm.tell("check", kind=kind, passed=passed, things=[fridge], **done)

    for name in ("left before", "left at midnight"):
        story[name] = farm.cut(600, crop=farm.lettuce)
    farm.pass_time(hours=1)
    farm.arrive(farm.send(story["left before"], 600), story["left before"], accepted=600)
    look("Temperature ", passed=True, hours=9)
    farm.pass_time(hours=6)
    farm.arrive(farm.send(story["left at midnight"], 600), story["left at midnight"], accepted=600)
    look("door seal", passed=True, hours=2)
    warm = look("temperature", passed=False, hours=1)
    look("door seal", passed=True, hours=1)
    assert says(
        trace(story["left at midnight"]),
        "failed its check of temperature on 03 Mar 2026 03:00",
        "since its last good one on 02 Mar 2026 18:00",
    )
    assert not says(trace(story["left before"]), "failed its check")
    found = roots.since_last_good_check(fridge)  # without an event: the kind that failed last time
    assert story.traced(found) == {"left at midnight"}
    assert story.suspects(roots.of_event(warm)) == {"left at midnight"}


@pytest.mark.parametrize(("kind", "stands"), [("glass", True), ("pump", False)])
def test_a_failed_check_of_what_touches_nothing_is_of_what_was_around_it(
    story: Story, kind: str, stands: bool
) -> None:
    """The pane over tower 1 was whole on the first day and is not on the third."""
    farm = story.farm
    thing = Thing.objects.create(name="Panes", kind=kind, place=farm.t1 if stands else None)

    def round_(passed: bool) -> Event:
        more = {} if passed else {"done": "cleared away"}
        if not stands:
            more["place"] = farm.t1
        return farm.tell("check", kind="glass list", passed=passed, things=[thing], **more)

    sowing = farm.sow(60)
    for tower in (farm.t1, farm.t2):
        farm.plant(sowing, tower, 20)
    farm.pass_time(days=30)
    round_(True)
    farm.pass_time(days=1)
    story["under it"] = farm.cut(900, sowing, towers=[farm.t1])
    story["elsewhere"] = farm.cut(900, sowing, towers=[farm.t2])
    farm.pass_time(days=1)
    broken = round_(False)
    farm.pass_time(days=1)
    round_(True)
    assert story.suspects(roots.of_event(broken)) == {"under it"}
    by_name = {story["under it"].pk} if stands else set()
    assert by_name == by_name & roots.touched_by(thing, None, farm.now)


def test_a_failed_probe_makes_suspect_what_lay_in_the_stores_that_were_checked_with_it(
    story: Story,
) -> None:
    farm = story.farm
    probe = Thing.objects.create(name="Probe 1", kind="probe")
    fridge = Thing.objects.create(name="Fridge 1", kind="fridge", place=farm.store)
    second, third = farm.place("Second store", "store"), farm.place("Third store", "store")
    for name, store in (("fridge", farm.store), ("second", second), ("third", third)):
        story[name] = farm.cut(600, crop=farm.lettuce, store=store)

    def ice(passed: bool) -> Event:
        farm.pass_time(hours=1)
        more = {} if passed else {"done": "thrown away"}
        return farm.tell("check", kind="ice water", passed=passed, things=[probe], **more)

    farm.tell("check", kind="temperature", passed=True, place=third, things=[probe])
    ice(True)
    farm.pass_time(hours=1)
    farm.tell("check", kind="temperature", passed=True, place=second, things=[probe])
    farm.tell("check", kind="temperature", passed=True, things=[fridge, probe])
    wrong = ice(False)
    ice(True)
    assert story.suspects(roots.of_event(wrong)) == {"fridge", "second"}


def test_a_recall_is_opened_of_a_failed_check_before_there_is_a_lot(story: Story) -> None:
    """What is told late of the window joins."""
    farm = story.farm
    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)
    farm.tell("check", kind="knives counted", passed=True, things=[farm.scale])
    farm.pass_time(hours=2)
    missing = {"kind": "knives counted", "passed": False, "done": "searched"}
    failed = farm.tell("check", things=[farm.scale], **missing)
    page = client.get(f"/trace/?entry={failed.pk}")
    assert page.status_code == 200
    opening = f"/recalls/open/?entry={failed.pk}"
    assert opening in page.content.decode()
    assert "No lot yet" in client.get(opening).content.decode()
    told = {"entry": failed.pk, "kind": "recall", "hazard": "steel", "client_id": "a" * 20}
    assert client.post("/recalls/open/", told).status_code == 302
    recall = Recall.objects.get()
    assert story.listed(recall) == set()
    at = farm.now - dt.timedelta(hours=1)
    story["told late"] = farm.cut(600, crop=farm.lettuce, things=[farm.scale], at=at)
    assert story.listed(recall) == story.held() == {"told late"}


# --- origins -------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", ["run put down to the wrong crate", "cut to the wrong sowing"])
def test_a_wrong_origin_corrected_after_packing(story: Story, level: str) -> None:
    """Bags follow the true origin, and the old one too until the lead clears it."""
    farm = story.farm
    story["wrong sowing"], story["right sowing"] = farm.sow(40), farm.sow(40)
    farm.plant(story["wrong sowing"], farm.t1, 20)
    farm.plant(story["right sowing"], farm.t2, 20)
    farm.pass_time(days=30)
    story["cut"] = farm.cut(1200, story["wrong sowing"])
    story["right cut"] = farm.cut(1200, story["right sowing"])
    farm.pass_time(hours=1)
    story["bags"] = farm.pack([story["cut"]], packs=10)
    farm.pass_time(hours=1)
    if level.startswith("run"):
        lot, wrong, right, follow = "bags", "cut", "right cut", {"bags"}
    else:
        lot, wrong, right, follow = "cut", "wrong sowing", "right sowing", {"cut", "bags"}
    beside = {"right cut"} if right == "right sowing" else set()
    assert story.traced(story[wrong]) == {wrong, *follow}
    assert story.traced(story[right]) == {right, *beside}
    fixed = {"lot": story[lot], "wrong": story[wrong], "reason": "tags swapped"}
    farm.tell("correct_origin", right=story[right], **fixed)
    mock = story.recall(story[wrong], mock=True)
    assert story.listed(mock) == story.traced(story[wrong]) == {wrong, *follow}
    assert says(trace(story["bags"]), f"{story[lot].code} was first put down to")
    farm.tell("clear_origin", **fixed)
    assert story.suspects(story[wrong]) == {wrong}
    assert story.suspects(story[right]) == {right, *follow, *beside}


# --- a complaint ---------------------------------------------------------------------------------


def test_one_complaint_with_only_product_and_date(story: Story) -> None:
    """Bought on Saturday 7 March. By hand: six of each of two runs stood on the shelf, eight were
    rung up without a lot, so of each two to six were sold."""
    farm = story.farm
    farm.pass_time(days=2)  # Wednesday
    for name in ("sold out", "one", "other", "on the shelf since", "in the store"):
        story[name] = farm.pack([farm.cut(900, crop=farm.lettuce)], packs=6)
    farm.to_shop(story["sold out"], 6)
    farm.pass_time(days=1)
    farm.till(6, story["sold out"])
    farm.pass_time(days=1)
    farm.to_shop(story["one"], 6)
    farm.to_shop(story["other"], 6)
    farm.pass_time(days=1)  # Saturday
    assert farm.today == dt.date(2026, 3, 7)
    farm.till(8)
    farm.pass_time(days=1)
    farm.to_shop(story["on the shelf since"], 6)
    farm.pass_time(days=1)
    farm.tell("complain", happened="glass in it", product=farm.bag, date=dt.date(2026, 3, 7))

    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)
    href = "/trace/?product=SALAD-120&amp;date=2026-03-07"
    assert href in client.get("/recalls/").content.decode()
    page = re.sub("<[^>]*>", "", client.get(href.replace("&amp;", "&")).content.decode())
    assert f"{story['one'].code}, {story['other'].code} stood for sale that day." in page
    answer = trace("salad bag 120 g bought Saturday")
    for name in ("one", "other"):
        assert answer.sold[story[name].pk] == (2, 6)
        assert says(answer, story[name].code, "possibly sold: 2 to 6")
        assert "possibly sold: 2 to 6" in page
    assert story.suspects("salad bag 120 g bought Saturday") == {"one", "other"}
