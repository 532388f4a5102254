"""A recall from the first stop to the last sentence, in the trade's own stories.

What a recall holds, who joins it, what a notice needs before it goes out and what its closing asks
for: the project's own rules, after Regulation (EC) 178/2002, articles 14(6) and 19, and the UK
guidance on traceability, withdrawals and recalls (FSA and FSS, March 2019).
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from grow import clock, gate
from grow.credentials import may_set
from grow.errors import Refusal
from grow.faults import faults
from grow.models import Business, Event, Hold, Lot, Person, Place, SignOff
from sales import recall_words, recalls
from sales.evidence.recalled import parts
from sales.models import Complaint, Drill, Notice, Recall, RecallLot, RecallStep
from sales.operations import CameBack, recalling
from sales.pages import _of_recalls
from sales.pages_recall import to_it
from tests.farm import Crate, Farm, Line, Taken

pytestmark = pytest.mark.django_db


class Story:
    """One crate under suspicion and one that is not; a run of each. Of the first run eight bags are
    in the kitchen, six on the shop's shelf, six in the cold store."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        Business.objects.create(
            name="Hollow Field", telephone="01632 960010", out_of_hours="01632 960011"
        )
        self.batch = farm.sow(60)
        farm.plant(self.batch, farm.t1, 40)
        farm.pass_time(days=25)
        self.crate = farm.cut(2500, self.batch)
        self.other = farm.cut(1300, crop=farm.lettuce)
        self.run = farm.pack([self.crate], packs=20)
        self.clean = farm.pack([self.other], packs=10)
        farm.to_shop(self.run, 6)
        farm.arrive(farm.send(self.run, 8), self.run, accepted=8)
        farm.pass_time(hours=1)

    def open(self, **facts: Any) -> Recall:
        facts.setdefault("kind", "recall")
        facts.setdefault("hazard", "may contain glass")
        if "place" not in facts and "thing" not in facts:
            facts.setdefault("lots", [self.crate])
        return self.farm.tell("open_recall", **facts).recall

    def approve(self, recall: Recall, **more: Any) -> None:
        self.farm.tell("tell_authority", recall=recall, authority="Ashwithy council")
        self.farm.tell("approve_notices", recall=recall, seen=self.read(recall), **more)

    def read(self, recall: Recall) -> str:
        return recall_words.digest(recall_words.drafts(recalls.state_of(recall)))

    def listed(self, recall: Recall) -> dict[str, str]:
        """Code → how it joined, of what stands on the list."""
        rows = RecallLot.objects.filter(recall=recall, narrowed_by=None).select_related("lot")
        return {row.lot.code: row.how for row in rows}

    def refused(self, verb: str, **facts: Any) -> str:
        with pytest.raises(Refusal) as refusal:
            self.farm.tell(verb, **facts)
        return refusal.value.code


@pytest.fixture
def story(farm: Farm) -> Story:
    return Story(farm)


def held(*lots: Lot) -> bool:
    found = set(Hold.objects.filter(lot__in=lots, ended_by=None).values_list("lot_id", flat=True))
    return found == {lot.pk for lot in lots}


def free(lot: Lot) -> bool:
    return not Hold.objects.filter(lot=lot, ended_by=None).exists()


def page_of(run: Lot) -> str:
    """What whoever has a bag of it reads."""
    return Client().get(f"/l/{run.code}").content.decode()


# --- the walk ------------------------------------------------------------------------------------


def test_the_whole_walk(story: Story) -> None:
    farm = story.farm
    recall = story.open(reason="a pane broke over tower 1")
    assert story.listed(recall) == {story.crate.code: "opened", story.run.code: "made"}
    assert held(story.crate, story.run)
    assert free(story.clean)
    assert "The grower stopped lot" in page_of(story.run)
    assert story.refused("put_on_shelf", outlet=farm.shop, lines=[_line(story, 1)]) == "held"

    assert story.refused("approve_notices", recall=recall, seen=story.read(recall)) == (
        "authority_first"
    )
    assert story.refused("send_notice", recall=recall, to=["Kitchen"]) == "not_approved"
    farm.pass_time(minutes=4)
    story.approve(recall)
    assert set(Notice.objects.values_list("to", flat=True)) == {"Farm shop", "Kitchen", ""}
    assert "Hollow Field recalls lot" in page_of(story.run)
    assert "may contain glass" in page_of(story.run)
    assert "No notice recorded here" in page_of(story.clean)

    state = recalls.state_of(recall)
    assert [customer.name for customer in state.unanswered] == ["Farm shop", "Kitchen"]
    farm.pass_time(minutes=6)
    farm.tell("send_notice", recall=recall, to=["Kitchen"], how="telephone", answered=False)
    farm.tell("send_notice", recall=recall, to=["Kitchen", "Farm shop"], how="telephone")
    state = recalls.state_of(recall)
    assert [(c.name, c.state, c.tries) for c in state.customers] == [
        ("Farm shop", "told", 1),
        ("Kitchen", "told", 2),
    ]
    assert story.refused("close_recall", recall=recall, done="glazed anew") == "unexplained"

    farm.pass_time(hours=2)
    farm.tell(
        "reply_recall",
        recall=recall,
        to="Kitchen",
        lines=[CameBack(story.run, returned=5, destroyed=3)],
        says="all that was left",
    )
    farm.tell("sell", outlet=farm.shop, rows=[farm.row(2, story.run)], at=farm.now - hours(4))
    farm.tell(
        "reply_recall",
        recall=recall,
        to="Farm shop",
        lines=[CameBack(story.run, returned=4, brought_back=2)],
    )
    farm.stands_at(
        """
        Cold store          | run | 6 each
        Rejected at Kitchen | run | 5 each
        Rejected at Farm shop | run | 6 each
        Destroyed           | run | 3 each
        """,
        run=story.run,
    )
    state = recalls.state_of(recall)
    assert state.unanswered == []
    assert state.breaches == []
    assert [flag.kind for flag in state.told_late] == ["after_freeze"]
    assert state.sums() == [
        ("Stopped: in quarantine or sent back", "11 packs"),
        ("Here, held", "6 packs"),
        ("Destroyed or thrown away", "100 g, 3 packs"),
    ]
    assert story.refused("close_recall", recall=recall, done=" ") == "reason"
    farm.tell("close_recall", recall=recall, done="glazed anew, tower cleared")
    recall.refresh_from_db()
    assert recall.closed_by
    assert held(story.crate, story.run)
    assert story.refused("tell_authority", recall=recall) == "recall_closed"
    assert faults() == []


def test_the_evidence_pack_says_how_a_recall_ran(story: Story) -> None:
    """Complaints of it, of its lots or of a product and date, and of nothing else; each notice as
    it was approved; each call and answer."""
    farm, run = story.farm, story.run
    by_lot = farm.tell("complain", happened="glass in a bag", lot=run, ill=True).complaint
    other = farm.tell("complain", happened="slimy", lot=story.clean).complaint
    late = farm.today + dt.timedelta(days=400)
    beside = farm.tell("complain", happened="soft", product=farm.bag, date=late).complaint
    recall = story.open(reason="a pane broke")
    by_date = farm.tell("complain", happened="a splinter", product=farm.bag).complaint
    farm.pass_time(minutes=4)
    story.approve(recall, more="Ring before noon.")
    farm.tell("send_notice", recall=recall, to=["Kitchen"], how="telephone", answered=False)
    farm.pass_time(minutes=6)
    farm.tell("send_notice", recall=recall, to=["Kitchen"], how="e-mail")
    rung = clock.said(farm.now)
    farm.pass_time(minutes=6)
    came = [CameBack(run, returned=5, destroyed=3)]
    farm.tell("reply_recall", recall=recall, to="Kitchen", lines=came, says="all that was left")
    said = {title: lines for title, lines, _ in parts(recalls.state_of(recall))}
    ran, complaints, notices, told = said.values()
    assert ran[:2] == [
        f"recall {recall}: may contain glass. Reason: a pane broke.",
        f"Opened {clock.said(recall.event.recorded_at)} by Tam.",
    ]
    of_lot, of_date = complaints
    assert of_lot.startswith(f"Complaint {by_lot}, told")
    assert f"before it was opened, of {run.code}: glass in a bag. Somebody was ill." in of_lot
    assert of_date.startswith(f"Complaint {by_date}, told")
    assert "after it was opened, of Salad bag 120 g, no date told: a splinter." in of_date
    assert f"It may be {run.code}." in of_date
    assert not any(str(one) in line for one in (other, beside) for line in complaints)
    approved = f"Approved {clock.said(farm.now - dt.timedelta(minutes=12))} by Tam: 3."
    assert notices[0] == approved
    (kitchen,) = (line for line in notices if line.startswith("To Kitchen. "))
    use_by = f"{run.use_by:%d %b %Y}"
    for words in (
        "What is wrong: may contain glass.",
        f"Lots: {run.code} Salad bag 120 g use by {use_by} 8 packs.",
        "What to do: Take these lots off sale and out of use now.",
        "Ring before noon.",
    ):
        assert words in kitchen
    assert any(line.startswith("At the point of sale. ") for line in notices)
    assert [line.partition(": ")[2] for line in told] == [
        "Kitchen told by telephone: nobody answered (told by Tam).",
        "Kitchen told by e-mail (told by Tam).",
        f"Kitchen answered: all that was left; {run.code} 5 packs to Rejected at Kitchen; "
        f"{run.code} 3 packs to Destroyed (told by Tam).",
    ]
    assert told[1].startswith(rung)
    farm.tell("close_recall", recall=recall, done="glazed anew", unexplained="the rest was eaten")
    recall.refresh_from_db()
    assert (
        "What became of the rest: the rest was eaten."
        in {title: lines for title, lines, _ in parts(recalls.state_of(recall))}["The recall"]
    )


def hours(n: float) -> dt.timedelta:
    return dt.timedelta(hours=n)


def _line(story: Story, n: int) -> Any:
    return Line(story.run, n, story.farm.store)


def test_a_sentence_for_what_is_unexplained(story: Story) -> None:
    farm = story.farm
    recall = story.open(lots=[story.run], kind="withdrawal")
    farm.tell("count", place=farm.store, counted={story.run: 4})
    assert recalls.state_of(recall).unexplained == 2 * 120
    with pytest.raises(Refusal) as refusal:
        farm.tell("close_recall", recall=recall, done="found")
    assert refusal.value.sentence == (
        "The local authority is not told; 240 g are unexplained; 1 lot stands with customers "
        "still; Farm shop, Kitchen have not answered. Say in a sentence "
        "what became of it, or wait with closing."
    )
    farm.tell("close_recall", recall=recall, done="found", unexplained="two bags eaten by mice")
    assert Recall.objects.get().unexplained == "two bags eaten by mice"


def test_what_moved_although_it_was_held_heads_the_recall(story: Story) -> None:
    farm = story.farm
    recall = story.open()
    farm.pass_time(minutes=30)
    farm.till(1, story.run)
    (breach,) = recalls.state_of(recall).breaches
    assert breach.lot == story.run
    assert "went to" in breach.says


# --- who joins -----------------------------------------------------------------------------------


def test_what_is_made_of_it_since_is_born_held_and_joins(story: Story) -> None:
    farm = story.farm
    recall = story.open(lots=[story.batch])
    farm.pass_time(minutes=5)
    facts = {"crates": [Crate(800)], "batches": [story.batch], "store": farm.store}
    assert story.refused("harvest", **facts) == "held"
    cut = farm.tell("harvest", **facts, already_done=True).lot
    assert held(cut)
    assert story.listed(recall)[cut.code] == "born"
    row = RecallLot.objects.get(lot=cut)
    assert row.why == f"made from {story.batch.code}"
    assert faults() == []


def test_a_cut_from_under_broken_glass_joins_though_its_sowing_is_not_stopped(
    story: Story,
) -> None:
    """The window is of a tower; the same sowing elsewhere goes on."""
    farm = story.farm
    farm.plant(story.batch, farm.t2, 10)
    farm.pass_time(days=1)
    recall = story.open(place=farm.t1, since=farm.now - hours(2), until=farm.now)
    assert story.listed(recall) == {}
    farm.pass_time(hours=3)
    under = farm.cut(700, towers=[farm.t1])
    beside = farm.cut(300, towers=[farm.t2])
    assert held(under)
    assert free(beside)
    assert story.listed(recall) == {under.code: "born"}
    (flag,) = under.flags.all()
    assert flag.kind == "born_held"


@pytest.mark.parametrize("by", ["entry", "code"])
def test_an_incident_stops_what_is_cut_tomorrow_from_under_it(story: Story, by: str) -> None:
    """Opened on the page of an incident in two towers, or of a place in words and a crate."""
    farm = story.farm
    farm.plant(story.batch, farm.t2, 10)
    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)
    broke = farm.tell("incident", kind="broken glass", places=[farm.t2, farm.t1])
    asked = str(broke.pk) if by == "entry" else f"{farm.t2} since today, {story.other.code}"
    farm.pass_time(minutes=5)
    data = {by: asked, "kind": "recall", "hazard": "may contain glass", "client_id": "c"}
    assert client.get("/recalls/open/", {by: asked}).status_code == 200
    assert client.post("/recalls/open/", data).status_code == 302
    recall = Recall.objects.get()
    assert free(story.batch)
    assert free(story.other) == (by == "entry")
    farm.pass_time(days=1)
    under = farm.cut(300, towers=[farm.t2])
    assert held(under)
    assert story.listed(recall)[under.code] == "born"
    assert faults() == []


def test_what_is_told_late_of_a_tank_brings_what_stood_in_it(story: Story) -> None:
    """The tank fed tower 2 as well, and was topped up: nobody had said so."""
    farm = story.farm
    farm.tell("fill", tank=farm.tank, litres=100)
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    second = farm.sow(20)
    farm.plant(second, farm.t2, 10)
    farm.pass_time(hours=6)
    leaf = farm.cut(900, story.batch)
    beside = farm.cut(900, second)
    bag = farm.pack([beside], packs=7)
    farm.pass_time(hours=1)
    recall = story.open(place=farm.tank, since=farm.now - hours(12), until=farm.now)
    before = story.listed(recall)
    assert held(leaf)
    assert free(beside)
    assert free(bag)
    assert free(story.run)

    topped = farm.tell("top_up", tank=farm.tank, litres=50, at=farm.now - hours(3)).lot
    farm.tell("feed", tank=farm.tank, begins=[farm.t2], at=farm.now - hours(4))
    assert held(topped, beside, bag)
    listed = story.listed(recall)
    assert {code: listed[code] for code in listed.keys() - before.keys()} == {
        topped.code: "born",
        beside.code: "late",
        bag.code: "late",
    }
    assert faults() == []


def test_what_is_told_late_of_the_cold_store_joins_with_all_made_of_it(story: Story) -> None:
    farm = story.farm
    aside = farm.place("Second store", "store")
    crate = farm.cut(1000, crop=farm.lettuce, store=aside)
    farm.pass_time(hours=5)
    bag = farm.tell(
        "pack", product=farm.bag, taken=[Taken(crate, aside, left=0)], packs=8, store=aside
    ).lot
    farm.pass_time(hours=1)
    recall = story.open(place=farm.store, since=farm.now - hours(8), until=farm.now)
    assert free(crate)
    farm.tell(
        "move",
        lot=crate,
        from_place=aside,
        to_place=farm.store,
        quantity=200,
        at=farm.now - hours(7),
        already_done=True,
    )
    assert held(crate, bag)
    listed = story.listed(recall)
    assert listed[crate.code] == listed[bag.code] == "late"
    state = recalls.state_of(recall)
    assert {flag.lot.code for flag in state.told_late if flag.lot} >= {crate.code, bag.code}


def test_a_scale_that_was_wrong_since_its_last_check(story: Story) -> None:
    farm = story.farm
    since = farm.now
    weighed = farm.cut(800, crop=farm.lettuce, things=[farm.scale])
    farm.pass_time(hours=1)
    recall = story.open(thing=farm.scale, since=since)
    assert story.listed(recall) == {weighed.code: "opened"}
    farm.pass_time(hours=1)
    again = farm.cut(500, crop=farm.lettuce, things=[farm.scale])
    assert held(weighed, again)
    assert story.listed(recall)[again.code] == "born"


def test_while_a_place_is_watched_every_act_has_the_gate_alone(
    story: Story, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is told late may hold lots made long ago, beside which nobody may be packing."""
    farm = story.farm
    passed: list[str] = []
    enter = gate.enter
    monkeypatch.setattr(gate, "enter", lambda how: (passed.append(how), enter(how)))

    def how() -> str:
        passed.clear()
        farm.tell("check", kind="glass", passed=True, place=farm.line)
        return passed[-1]

    story.open(mock=True, place=farm.store, since=farm.now - hours(1))
    assert how() == gate.SHARED
    recall = story.open()
    assert how() == gate.SHARED
    farm.tell("widen_recall", recall=recall, reason="more", place=farm.t2, since=farm.now)
    assert how() == gate.ALONE
    farm.tell("close_recall", recall=recall, done="glazed anew", unexplained="eaten")
    assert how() == gate.SHARED


def test_what_is_on_a_recall_is_not_released_past_it(story: Story) -> None:
    recall = story.open()
    released = {"lots": [story.run], "reason": "the result is good"}
    assert story.refused("release", **released) == "on_a_recall"
    story.farm.tell("close_recall", recall=recall, done="glazed anew", unexplained="eaten")
    story.farm.tell("release", **released)
    assert free(story.run)


def test_an_origin_that_counts_again_brings_its_lot_back(story: Story) -> None:
    farm = story.farm
    wrong = {"lot": story.run, "wrong": story.crate, "reason": "crates swapped"}
    farm.tell("correct_origin", **wrong, right=farm.cut(3000, crop=farm.lettuce, at=_early(story)))
    cleared = farm.tell("clear_origin", **wrong)
    recall = story.open()
    assert story.listed(recall).keys() == {story.crate.code}
    farm.tell("cancel", event=cleared, reason="it was in it after all")
    assert story.listed(recall)[story.run.code] == "late"
    assert held(story.run)
    assert faults() == []


def _early(story: Story) -> dt.datetime:
    return story.crate.made_by.happened_at


def test_what_is_on_the_list_stays_held_when_what_brought_it_in_is_taken_back(
    story: Story,
) -> None:
    farm = story.farm
    aside = farm.place("Second store", "store")
    crate = farm.cut(1000, crop=farm.lettuce, store=aside)
    recall = story.open(place=farm.store, since=farm.now)
    move = {"lot": crate, "from_place": aside, "to_place": farm.store, "quantity": 200}
    moved = farm.tell("move", **move)
    assert held(crate)
    farm.tell("undo", event=moved)
    assert crate.code in story.listed(recall)
    assert held(crate)
    assert faults() == []
    Hold.objects.filter(lot=crate).delete()
    assert faults() == [f"{crate.code} is on recall {recall} and not held."]
    farm.tell("move", **move)
    assert faults() == []


# --- narrowing -----------------------------------------------------------------------------------


def test_what_is_named_stays_though_what_it_was_made_from_goes(story: Story) -> None:
    farm = story.farm
    recall = story.open()
    farm.tell("widen_recall", recall=recall, reason="a splinter was in it", lots=[story.run])
    farm.tell("narrow_recall", recall=recall, lots=[story.crate], reason="it was elsewhere")
    assert story.listed(recall) == {story.run.code: "opened"}
    assert held(story.run)


def test_only_what_was_named_in_a_narrowing_is_barred_from_the_windows(story: Story) -> None:
    farm = story.farm
    aside = farm.place("Second store", "store")
    recall = story.open(place=aside, since=farm.now)
    farm.tell("widen_recall", recall=recall, reason="the same tower", lots=[story.crate])
    farm.tell("narrow_recall", recall=recall, lots=[story.crate], reason="it was elsewhere")
    assert free(story.run)
    into = {"from_place": farm.store, "to_place": aside, "quantity": 2}
    farm.tell("move", lot=story.run, **into)
    assert held(story.run)
    farm.tell("narrow_recall", recall=recall, lots=[story.run], reason="looked through")
    farm.tell("move", lot=story.run, **into)
    assert free(story.run)


def test_narrowing_one_recall_frees_nothing_of_another_nor_what_is_held_by_hand(
    story: Story,
) -> None:
    farm = story.farm
    second = farm.cut(700, crop=farm.lettuce)
    recall = story.open(lots=[second, story.other])
    other = story.open(place=farm.line, since=farm.now)
    both = farm.pack([second], packs=5, already_done=True)
    farm.hold(story.other, reason=f"asked for beside {recall}: result awaited")
    narrowed = {"recall": recall, "lots": [second, story.other], "reason": "cut before"}
    farm.tell("narrow_recall", **narrowed)
    assert story.listed(other).keys() == {both.code}
    assert held(both, story.other)
    assert free(second)
    assert faults() == []


def test_the_lead_narrows_with_a_reason(story: Story) -> None:
    farm = story.farm
    recall = story.open(lots=[story.crate, story.other])
    assert held(story.crate, story.run, story.other, story.clean)
    assert story.refused("narrow_recall", recall=recall, lots=[story.other], reason=" ") == "reason"
    unfit = Person.objects.create_user("lea")
    narrowed = {"recall": recall, "lots": [story.other], "reason": "cut before the pane broke"}
    assert story.refused("narrow_recall", **narrowed, recorded_by=unfit) == "not_signed_off"
    farm.tell("narrow_recall", **narrowed)
    assert story.listed(recall).keys() == {story.crate.code, story.run.code}
    assert free(story.other)
    assert free(story.clean)
    assert held(story.crate, story.run)
    out = RecallLot.objects.filter(narrowed_by__isnull=False)
    assert {row.narrowed_why for row in out} == {"cut before the pane broke"}
    assert story.refused("narrow_recall", **narrowed) == "not_in_recall"
    assert faults() == []


def test_of_a_tank_topped_up_for_weeks_nothing_stays_held_once_it_is_narrowed_out(
    farm: Farm,
) -> None:
    """However many generations: each is held for the recall, and says so once."""
    water = farm.tell("fill", tank=farm.tank, litres=100).lot
    recall = farm.tell("open_recall", kind="recall", hazard="may hold a spray", lots=[water]).recall
    for _ in range(16):
        farm.pass_time(minutes=1)
        last = farm.tell("top_up", tank=farm.tank, litres=5).lot
    (hold,) = Hold.objects.filter(lot=last)
    assert hold.reason == f"made from a held lot: {recall.number}: may hold a spray"
    farm.tell("narrow_recall", recall=recall, lots=[water], reason="another tank")
    assert not Hold.objects.filter(ended_by=None).exists()
    assert faults() == []


def test_a_bag_of_both_stays_in_while_one_of_its_crates_does(story: Story) -> None:
    farm = story.farm
    second = farm.cut(700, crop=farm.lettuce)
    more = farm.cut(700, story.batch)
    both = farm.pack([second, more], packs=11)
    recall = story.open(lots=[second, more])
    farm.tell("narrow_recall", recall=recall, lots=[second], reason="it stood in another room")
    assert free(second)
    assert held(more, both)
    farm.tell("narrow_recall", recall=recall, lots=[both], reason="opened and looked through")
    assert free(both)
    assert story.listed(recall).keys() == {more.code}


def test_what_something_else_holds_stays_held(story: Story) -> None:
    farm = story.farm
    recall = story.open(lots=[story.other, story.crate])
    farm.hold(story.other, reason="result awaited")
    farm.tell("narrow_recall", recall=recall, lots=[story.other], reason="not concerned")
    reasons = Hold.objects.filter(lot=story.other, ended_by=None).values_list("reason", flat=True)
    assert list(reasons) == ["result awaited"]
    assert held(story.clean)


def test_a_clean_bounds_a_window(story: Story) -> None:
    farm = story.farm
    early = farm.cut(400, crop=farm.lettuce)
    run = farm.pack([early], packs=3)
    farm.pass_time(hours=6)
    cleaned = farm.now
    late = farm.cut(400, crop=farm.lettuce)
    second = farm.pack([late], packs=3)
    farm.pass_time(hours=1)
    recall = story.open(place=farm.line, since=cleaned - hours(8))
    assert held(run, second)
    (window,) = recall.windows.all()
    wider = {"recall": recall, "window": window, "reason": "cleaned", "since": window.since}
    assert story.refused("narrow_recall", **wider | {"since": window.since - hours(1)}) == (
        "not_narrower"
    )
    farm.tell("narrow_recall", **wider | {"since": cleaned})
    assert free(run)
    assert held(second)
    bounded = recall.windows.get(ended_by=None)
    assert bounded.since == cleaned
    farm.tell("narrow_recall", recall=recall, window=bounded, reason="another line after all")
    assert story.listed(recall) == {}
    assert free(second)


# --- notices -------------------------------------------------------------------------------------


def test_an_approved_notice_does_not_change(story: Story) -> None:
    farm = story.farm
    recall = story.open()
    story.approve(recall, more="The council was told at nine.")
    frozen = {notice.to: notice.says for notice in Notice.objects.all()}
    assert frozen["Kitchen"]["lots"][0]["had"] == "8 packs"
    assert frozen["Kitchen"]["more"] == "The council was told at nine."
    assert story.refused("approve_notices", recall=recall, seen=story.read(recall)) == "nought"

    read = story.read(recall)
    farm.arrive(farm.send(story.run, 2, at=farm.now - hours(0.5), already_done=True), story.run, 2)
    assert {n.to: n.says for n in Notice.objects.all()} == frozen
    assert story.refused("approve_notices", recall=recall, seen=read) == "drafts_changed"
    farm.tell("approve_notices", recall=recall, seen=story.read(recall))
    assert {n.to: n.says for n in Notice.objects.filter(pk__in=_first(frozen))} == frozen
    assert recalls.state_of(recall).notices["Kitchen"].says["lots"][0]["had"] == "10 packs"


def _first(frozen: dict[str, Any]) -> list[int]:
    return list(Notice.objects.order_by("pk").values_list("pk", flat=True)[: len(frozen)])


def test_who_approves_is_signed_off_for_it(story: Story) -> None:
    recall = story.open()
    story.farm.tell("tell_authority", recall=recall)
    lea = Person.objects.create_user("lea", shown_as="Lea")
    read = story.read(recall)
    approve = {"recall": recall, "seen": read, "recorded_by": lea}
    assert story.refused("approve_notices", **approve) == "not_signed_off"
    in_her_name = {"done_by": [story.farm.grower]}
    assert story.refused("approve_notices", **approve, **in_her_name) == "not_signed_off"
    SignOff.objects.create(person=lea, task="notices", since=dt.date(2026, 1, 1), by=lea)
    assert not may_set(Person.objects.create_user("ruaridh"), lea)
    story.farm.tell("approve_notices", **approve)


def test_a_customer_told_before_the_approval_is_a_fact_and_flagged(story: Story) -> None:
    recall = story.open()
    told = story.farm.tell("send_notice", recall=recall, to=["Kitchen"], already_done=True)
    assert [flag.kind for flag in told.flags.all()] == ["against_rule"]
    assert RecallStep.objects.get().to == "Kitchen"
    assert story.refused("send_notice", recall=recall, to=["The moon"]) == "no_such_customer"


def test_a_notice_names_no_place_where_it_never_was(story: Story) -> None:
    farm = story.farm
    sent = farm.send(story.run, 2, farm.other_shop())
    came = farm.arrive(sent, story.run, accepted=2)
    for event in (came, sent):
        farm.tell("cancel", event=event, reason="another bag")
    *to, sale = recall_words.drafts(recalls.state_of(story.open()))
    assert sale["where"] == ["Farm shop", "Kitchen"]
    assert [draft["to"] for draft in to] == sale["where"]


def test_a_donation_to_a_long_name_has_its_notice(story: Story) -> None:
    farm = story.farm
    gift = {"lot": story.run, "from_place": farm.store, "to": "donated", "quantity": 1}
    gift |= {"reason": "too many"}
    assert story.refused("discard", **gift, recipient="x" * 81) == "too_long"
    farm.tell("discard", **gift, recipient="x" * 80)
    story.approve(story.open())
    assert {len(notice.to) for notice in Notice.objects.all()} == {0, 7, 9, 91}


def test_who_was_told_stays_when_what_they_had_is_narrowed_out(story: Story) -> None:
    farm = story.farm
    recall = story.open(lots=[story.crate, story.other])
    farm.arrive(farm.send(story.clean, 2, farm.other_shop(), already_done=True), story.clean, 2)
    story.approve(recall)
    name = recalls.state_of(recall).customers[0].name
    farm.tell("send_notice", recall=recall, to=[name])
    farm.tell("narrow_recall", recall=recall, lots=[story.other], reason="another day")
    state = recalls.state_of(recall)
    assert [(c.name, c.state) for c in state.customers if not c.told.lots] == [(name, "told")]
    assert name not in {c.name for c in state.unanswered}
    assert name not in {draft["to"] for draft in recall_words.drafts(state)}
    farm.tell("reply_recall", recall=recall, to=name, says="all set apart")
    assert recalls.state_of(recall).customers[0].state == "answered"


def test_an_answer_taken_back_takes_its_bags_back(story: Story) -> None:
    farm = story.farm
    recall = story.open()
    told = farm.tell(
        "reply_recall", recall=recall, to="Kitchen", lines=[CameBack(story.run, returned=5)]
    )
    assert farm.stock(story.run, farm.kitchen_place) == 3
    farm.tell("cancel", event=told, reason="it was three")
    assert farm.stock(story.run, farm.kitchen_place) == 8
    assert recalls.state_of(recall).replies == []
    assert faults() == []


# --- mock ----------------------------------------------------------------------------------------


def test_a_mock_recall_holds_nothing_and_keeps_what_it_came_to(story: Story) -> None:
    farm = story.farm
    farm.pass_time(days=1)
    assert recalls.drill_due(farm.now).startswith("No mock recall is recorded yet")
    recall = story.open(mock=True)
    assert not Hold.objects.exists()
    farm.pass_time(minutes=9)
    story.approve(recall)
    assert all(notice.says["exercise"] for notice in Notice.objects.all())
    closing = {
        "recall": recall,
        "lot": story.run,
        "place": farm.store,
        "counted": 5,
        "telephone": "01632 960002",
        "result": "every bag found",
    }
    assert story.refused("close_recall", recall=recall, done="well") == "is_mock"
    assert story.refused("close_mock", **closing) == "unexplained"
    closing |= {"shortcomings": "one bag not on its shelf"}
    assert story.refused("close_mock", **closing) == "what_is_done"
    again = farm.today + dt.timedelta(days=30)
    farm.tell("close_mock", **closing, corrective="counted weekly", retest_on=again)
    drill = Drill.objects.get()
    assert (drill.counted, drill.booked, drill.seconds) == (5, 6, 540)
    assert drill.accounted_pct == 100
    assert farm.stock(story.run, farm.store) == 6
    assert recalls.drill_due(farm.now) == ""
    farm.pass_time(days=30)
    assert "is to be looked at again" in recalls.drill_due(farm.now)
    Drill.objects.update(retest_on=None)
    assert recalls.drill_due(farm.now) == ""
    farm.pass_time(days=336)
    lead = Person.objects.create_user("ruaridh", is_staff=True)
    lead.groups.add(Group.objects.get(name="food_safety_lead"))
    client = Client()
    client.force_login(lead)
    assert "one is due" in client.get("/").content.decode()


@pytest.mark.parametrize(
    ("counted", "code"), [("9" * 400, "no_weight"), ("0,0005", "finer_than_a_gram"), ("1.3", None)]
)
def test_what_a_mock_recall_counted_is_typed_in_kilograms(
    story: Story, counted: str, code: str | None
) -> None:
    farm = story.farm
    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)
    crate = farm.cut(1300, crop=farm.lettuce)
    recall = story.open(mock=True, lots=[crate])
    data = {"press": "close", "client_id": "c", "lot": crate.code, "place": "Cold store"}
    data |= {"counted": counted, "telephone": "01632 960002", "result": "found"}
    page = client.post(f"/recalls/{recall}/", data)
    if code is None:
        assert Drill.objects.get().counted == 1300
    else:
        assert page.context_data["refusal"].code == code


# --- complaints ----------------------------------------------------------------------------------


def test_a_complaint_is_kept_until_it_is_answered(story: Story) -> None:
    farm = story.farm
    assert story.refused("complain", happened="glass in it") == "a_complaint_is_of_something"
    farm.tell("complain", happened="glass in it", product=farm.bag, date=farm.today)
    complaint = Complaint.objects.get()
    farm.tell("put_right", complaint=complaint, done="money back, tower cleared")
    complaint.refresh_from_db()
    assert complaint.answered_by
    assert story.refused("put_right", complaint=complaint, done="again") == "already_answered"


def test_who_was_told_is_told_again_of_what_joins(story: Story) -> None:
    """Customers that had answered for one run are asked anew once another joins that they had."""
    farm = story.farm
    farm.arrive(farm.send(story.clean, 3), story.clean, accepted=3)
    recall = story.open()
    story.approve(recall)
    farm.tell("send_notice", recall=recall, to=["Kitchen", "Farm shop"])
    farm.tell("reply_recall", recall=recall, to="Kitchen", says="none left")
    farm.tell("reply_recall", recall=recall, to="Farm shop", says="none left")
    assert recalls.state_of(recall).unanswered == []
    farm.tell("widen_recall", recall=recall, reason="the same pane", lots=[story.other])
    states = {c.name: c.state for c in recalls.state_of(recall).customers}
    assert states == {"Kitchen": "again", "Farm shop": "answered"}
    assert "Kitchen has not answered" in recalling.still_open(recalls.state_of(recall))
    assert story.refused("send_notice", recall=recall, to=["Kitchen"]) == "not_approved"
    farm.tell("approve_notices", recall=recall, seen=story.read(recall))
    farm.tell("send_notice", recall=recall, to=["Kitchen"])
    assert {c.name: c.state for c in recalls.state_of(recall).customers}["Kitchen"] == "told"
    farm.tell("reply_recall", recall=recall, to="Kitchen", says="thrown away")
    assert recalls.state_of(recall).unanswered == []


def test_an_answer_leaves_an_approved_notice_as_it_was(story: Story) -> None:
    recall = story.open()
    story.approve(recall)
    read = story.read(recall)
    lines = [CameBack(story.run, returned=5)]
    story.farm.tell("reply_recall", recall=recall, to="Kitchen", lines=lines)
    state = recalls.state_of(recall)
    assert story.read(recall) == read
    drafts = recall_words.drafts(state)
    assert all(recall_words.same(one, state.notices[one["to"]].says) for one in drafts)


def test_where_the_authority_does_not_answer_notices_need_not_wait(story: Story) -> None:
    recall = story.open()
    story.farm.tell("tell_authority", recall=recall, authority="Ashwithy council", answered=False)
    story.farm.tell("approve_notices", recall=recall, seen=story.read(recall))
    assert "local authority is not told" in recalling.still_open(recalls.state_of(recall))
    told = Event.objects.filter(kind__in=("tell_authority", "open_recall")).order_by("id")
    assert _of_recalls(list(told)) == {
        told[0].pk: [recall.number],
        told[1].pk: [recall.number, "nobody answered"],
    }


def test_a_withdrawal_of_what_somebody_bought_tells_them_too(story: Story) -> None:
    recall = story.open(kind="withdrawal")
    assert [one["to"] for one in recall_words.drafts(recalls.state_of(recall))] == [
        "Farm shop",
        "Kitchen",
    ]
    story.farm.tell(
        "sell", outlet=story.farm.shop, rows=[story.farm.row(1, story.run)], already_done=True
    )
    found = recall_words.drafts(recalls.state_of(recall))
    assert (found[-1]["to"], found[-1]["kind"]) == ("", "recall")


def test_a_refused_answer_stands_as_it_was_typed(story: Story) -> None:
    farm = story.farm
    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)
    recall = story.open()
    story.approve(recall)
    typed = {
        "press": "reply",
        "client_id": "a",
        "to": "Kitchen",
        "says": "five in the bin",
        f"back {story.run.code} destroyed": "99",
    }
    page = client.post(f"/recalls/{recall}/", typed).content.decode()
    assert 'value="five in the bin"' in page
    assert f'name="back {story.run.code} destroyed" value="99"' in page
    typed[f"back {story.run.code} destroyed"] = "5"
    client.post(f"/recalls/{recall}/", typed)
    assert "five in the bin 5 destroyed." in client.get(f"/recalls/{recall}/").content.decode()


def test_whoever_handles_what_is_stopped_reads_so_where_they_start(story: Story) -> None:
    """Neither a packer nor a cook reads recalls; both have the bags in their hands."""
    code = story.run.code

    def start(role: str, *places: Place) -> str:
        person = Person.objects.create_user(f"{role}{Person.objects.count()}", is_staff=True)
        person.groups.add(Group.objects.get(name=role))
        person.places.set(places)
        client = Client()
        client.force_login(person)
        page = client.get("/").content.decode()
        return page.partition('class="stopped-here"')[2].partition("</div>")[0]

    assert start("packer") == ""
    story.open()
    kitchen = start("chef", story.farm.kitchen_place)
    assert "Stopped: do not sell, use or send." in kitchen
    assert f'8 packs Salad bag 120 g <span class="code">{code}</span>, Kitchen' in kitchen
    assert kitchen.count("<li>") == 1
    assert start("packer").count(code) == 3
    story.farm.tell(
        "move",
        lot=story.run,
        quantity=8,
        from_place=story.farm.kitchen_place,
        to_place=story.farm.quarantine,
    )
    assert start("chef", story.farm.kitchen_place, story.farm.shop_place).count("<li>") == 1


def test_a_complaint_leads_to_its_trace_and_to_the_press_that_stops_it(story: Story) -> None:
    farm = story.farm
    told = farm.tell("complain", happened="glass in it", product=farm.bag, date=farm.today)
    asked = f"product={farm.bag.code}&date={farm.today}"
    assert to_it(farm.grower, told, []) == [
        ("Trace it", f"/trace/?{asked}"),
        ("Stop it", f"/recalls/open/?{asked}"),
    ]
    told = farm.tell("complain", happened="a stone", lot=story.run)
    packer = Person.objects.create_user("bram", is_staff=True)
    packer.groups.add(Group.objects.get(name="packer"))
    assert to_it(packer, told, []) == [("Trace it", f"/trace/?code={story.run.code}")]


def _reading(story: Story) -> Client:
    story.farm.grower.is_staff = True
    story.farm.grower.save()
    client = Client()
    client.force_login(story.farm.grower)
    return client


def test_a_complaint_without_a_date_is_of_the_day_on_which_it_was_told(story: Story) -> None:
    farm, client = story.farm, _reading(story)
    old = story.run.code
    farm.pass_time(days=8)  # what is left of the first run is past its date in all the books
    new = farm.pack([farm.cut(900, crop=farm.lettuce)], packs=6)
    farm.arrive(farm.send(new, 6), new, accepted=6)
    told = farm.tell("complain", happened="glass", product=farm.bag, outlet=farm.kitchen)
    (_, trace_it), (_, stop_it) = to_it(farm.grower, told, [])
    asked = f"product=SALAD-120&date={farm.today}&outlet=Kitchen&complaint={told.complaint}"
    assert (trace_it, stop_it) == (f"/trace/?{asked}", f"/recalls/open/?{asked}")
    says = f"No date was told with complaint {told.complaint}: its own day, {farm.today:%d %b %Y},"
    traced, opening = client.get(trace_it), client.get(stop_it)
    for page in (traced, opening):
        assert says in page.content.decode()
    selected = '<option value="SALAD-120" selected>Salad bag 120 g</option>'
    for filled in (selected, f'value="{farm.today}"', '<option value="Kitchen" selected>'):
        assert filled in traced.content.decode()
        assert filled in opening.content.decode()
    found = opening.context_data["found"]
    # the likeliest first: the one of today, then the one that is past its date at the kitchen
    assert [(code, use_by) for code, _, use_by in found["names"]] == [
        (new.code, farm.today + dt.timedelta(days=7)),
        (old, farm.today - dt.timedelta(days=1)),
    ]
    assert f", use by {farm.today + dt.timedelta(days=7):%-d %b}" in opening.content.decode()
    named = client.get("/trace/?product=Salad bag 120 g&date=2026-03-01")  # as it was linked before
    assert selected in named.content.decode()


@pytest.mark.parametrize("page", ["/trace/", "/recalls/open/"])
def test_a_product_that_nobody_knows_leads_to_the_same_question_of_the_right_one(
    story: Story, page: str
) -> None:
    asked = {"code": "salat bags 120 g bought Saturday"}
    text = _reading(story).get(page, asked).content.decode()
    day = story.farm.today - dt.timedelta(days=(story.farm.today.weekday() - 5) % 7)
    assert f'href="?product=SALAD-120&amp;date={day}"' in text


def test_what_is_on_a_recall_already_says_so_before_it_is_stopped_again(story: Story) -> None:
    client, run = _reading(story), story.run.code
    story.open(mock=True)
    assert "already on" not in client.get(f"/recalls/open/?code={run}").content.decode()
    recall = story.open()
    text = client.get(f"/recalls/open/?code={run}").content.decode()
    link = f'<a href="/recalls/{recall}/">Recall {recall}: open it, or widen it</a>'
    assert f"{run} is already on {link}" in text
    traced = client.get(f"/trace/?code={run}")
    assert [words for words, _ in traced.context_data["answer"].sections[0].ways][:2] == [
        f"To recall {recall}",
        "Recall all of this",
    ]
    assert f"{run} is held since" in re.sub("<[^>]*>", "", traced.content.decode())


def test_a_page_of_more_lots_and_customers_asks_no_more_questions(story: Story) -> None:
    farm = story.farm
    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)
    recall = story.open(lots=[story.crate])

    def asked() -> int:
        client.get(f"/recalls/{recall}/")  # sessions and content types are read once
        with CaptureQueriesContext(connection) as seen:
            assert client.get(f"/recalls/{recall}/").status_code == 200
        return len(seen)

    before = asked()
    corner = farm.other_shop()
    more = farm.cut(2500, story.batch, already_done=True)
    run = farm.pack([more], packs=20)
    farm.arrive(farm.send(run, 5, corner), run, accepted=5)
    farm.to_shop(run, 4)
    farm.tell("widen_recall", recall=recall, reason="the same tower", lots=[more, run])
    assert len(recalls.state_of(recall).customers) == 3
    assert asked() == before


@pytest.mark.parametrize("path", ["/recalls/", "/api/v1/recalls/"])
def test_who_is_tied_to_an_outlet_sees_no_recall(story: Story, path: str) -> None:
    lead = Person.objects.create_user("ruaridh", is_staff=True)
    lead.groups.add(Group.objects.get(name="food_safety_lead"))
    client = Client()
    client.force_login(lead)
    assert client.get(path).status_code == 200
    lead.places.add(story.farm.shop_place)
    assert client.get(path).status_code == 403


# --- by the forms of every act -------------------------------------------------------------------


@pytest.mark.parametrize("verb", ["open_recall", "hold"])
def test_many_suspects_are_stopped_by_as_many_questions_as_few(story: Story, verb: str) -> None:
    farm = story.farm
    crates = [farm.cut(500, crop=farm.lettuce) for _ in range(9)]
    runs = [farm.pack([crate], packs=2) for crate in crates]
    told = {"reason": "glass"} if verb == "hold" else {"kind": "recall", "hazard": "glass"}

    def asked(lots: list[Lot]) -> int:
        with CaptureQueriesContext(connection) as seen:
            farm.tell(verb, lots=lots, **told)
        return len(seen)

    few = asked(crates[:1])
    assert asked(crates[1:]) == few
    assert held(*crates, *runs)


def test_each_step_by_its_form(story: Story) -> None:
    """What needs a recall before it, in order, as a browser would send it."""
    farm = story.farm
    farm.grower.is_staff = True
    farm.grower.set_password("a long one of Tam's")
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)

    def post(kind: str, **data: Any) -> None:
        page = client.post(f"/do/{kind}/", {**data, "client_id": f"{kind}-{len(seen)}"})
        seen.append(kind)
        assert page.status_code == 302, page.context_data["refusal"]

    seen: list[str] = []
    mock, recall = story.open(mock=True), story.open()
    number = recall.number
    post("widen_recall", recall=number, reason="the same day", lots=story.other.code)
    post("narrow_recall", recall=number, reason="another day", lots=story.other.code)
    post("tell_authority", recall=number, authority="Ashwithy council", answered="yes")
    read = {"recall": number, "seen": story.read(recall)}
    page = client.post("/do/approve_notices/", {**read, "client_id": "unsigned"})
    assert page.context_data["refusal"].code == "wrong_password"
    post("approve_notices", **read, password="a long one of Tam's")
    post("send_notice", recall=number, to="Kitchen", how="telephone", answered="yes")
    line = {"lines-9-lot": story.run.code, "lines-9-returned": "2"}
    post("reply_recall", recall=number, to="Kitchen", says="the rest is eaten", **line)
    post("close_recall", recall=number, done="glazed anew", unexplained="eaten")
    post(
        "close_mock",
        recall=mock.number,
        lot=story.run.code,
        place="Cold store",
        counted="6",
        telephone="01632 960002",
        result="found",
    )
    post("complain", happened="glass", product="SALAD-120")
    post("put_right", complaint=Complaint.objects.get().number, done="money back")
    assert faults() == []
