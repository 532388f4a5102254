"""The form page of every act: it opens, it records, it keeps what was typed, it says why not."""

from __future__ import annotations

import datetime as dt
import html
import itertools
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.db import transaction
from django.test import Client

from grow import clock
from grow.edge import tell
from grow.errors import Refusal
from grow.kinds import KINDS
from grow.models import Event, Item, Lot, Person, Place
from tests.acts import learner
from tests.farm import Farm

pytestmark = pytest.mark.django_db
_ids = itertools.count(1)
#: Of one page, whatever the farm holds: sign-in, who may, and a list a question.
MOST_QUERIES = 24


class Stand:
    """A farm with something of everything, and Tam signed in at its pages."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        tam = farm.grower
        tam.is_staff = tam.is_superuser = True
        tam.save()
        self.client = Client()
        self.client.force_login(tam)
        self.batch = farm.sow(100)
        self.nutrient = self.receive(Item.objects.create(name="Leaf feed", kind="nutrient"))
        self.packet = self.receive(farm.seed_item)
        self.soap = self.receive(farm.soap)
        farm.tell("fill", tank=farm.tank, litres=200)
        farm.tell("feed", tank=farm.tank, begins=[farm.t1])
        farm.pass_time(days=25)
        farm.plant(self.batch, farm.t1, 40)
        farm.pass_time(days=25)
        self.crate = farm.cut(3000, self.batch)
        self.second = farm.cut(2500, self.batch)
        self.run = farm.pack([farm.cut(3000, self.batch)], packs=24)
        farm.to_shop(self.run, 6)
        self.sent = farm.send(self.run, 4)
        farm.arrive(farm.send(self.run, 3), self.run, accepted=3)
        farm.tell("open_input", lot=self.nutrient, place=farm.greenhouse)
        self.wrong = farm.sow(10)
        farm.pass_time(hours=1)

    def receive(self, item: Item) -> Lot:
        farm = self.farm
        return farm.tell("receive_input", item=item, supplier=farm.supplier, place=farm.store).lot

    def get(self, kind: str, **asked: str):
        return self.client.get(f"/do/{kind}/", asked)

    def post(self, kind: str, data: dict[str, Any], client_id: str = ""):
        client_id = client_id or f"page-{next(_ids)}"
        return self.client.post(f"/do/{kind}/", {**data, "client_id": client_id})


@pytest.fixture
def stand(farm: Farm) -> Stand:
    return Stand(farm)


def signed_in(role: str, *places: Place) -> Client:
    """Somebody of a role, tied to these places."""
    person = Person.objects.create_user(role, is_staff=True)
    person.groups.add(Group.objects.get(name=role))
    person.places.set(places)
    client = Client()
    client.force_login(person)
    return client


def sentence(page: Any) -> str:
    found = re.search(r'role="alert".*?</strong>(.*?)</p>', page.content.decode(), re.S)
    return html.unescape(found[1].strip()) if found else ""


# --- every page opens ----------------------------------------------------------------------------


def test_every_form_opens_with_few_questions_to_the_books(stand, django_assert_max_num_queries):
    stand.farm.tell("clean", place=stand.farm.line, recorded_by=learner())  # waits
    for kind in sorted(KINDS):
        with django_assert_max_num_queries(MOST_QUERIES):
            page = stand.get(kind)
        assert page.status_code == 200, kind
        shown = page.content.decode()
        assert 'name="client_id"' in shown
        assert not re.search(r"<style|\sstyle=|\son\w+=", shown), kind


def test_every_act_and_all_it_asks_for_is_put_into_words():
    import sales.wording  # noqa: F401  (its acts are put into words as it is read)
    from grow.asks import asks
    from grow.wording import ACTS, WORDS, words

    assert ACTS.keys() == KINDS.keys()
    kinds = {kind for kind, _ in WORDS} - {""}
    assert kinds <= KINDS.keys()
    for kind in KINDS:
        for ask in asks(kind):
            assert {(kind, ask.name), ("", ask.name)} & WORDS.keys(), (kind, ask.name)
            assert words(kind, ask.name).label, (kind, ask.name)
    # what a table says of an argument that is none is never read
    for kind, argument in WORDS:
        if kind:
            names = {ask.name for ask in asks(kind)} | {"things"}
            assert argument.partition(".")[0] in names, (kind, argument)


def test_a_full_store_asks_no_more_questions(stand, django_assert_num_queries):
    def asked(kind: str) -> int:
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        stand.get(kind)  # sessions and content types are read once
        with CaptureQueriesContext(connection) as seen:
            stand.get(kind)
        return len(seen)

    kinds = ["harvest", "pack", "put_on_shelf", "discard", "hold", "transplant", "count", "cancel"]
    before = {kind: asked(kind) for kind in kinds}
    for _ in range(6):
        stand.farm.sow(5)
        stand.farm.cut(900)
    assert {kind: asked(kind) for kind in kinds} == before


def test_whoever_is_not_signed_in_sees_none(client):
    assert client.get("/do/harvest/").status_code == 302
    assert client.post("/do/harvest/", {}).status_code == 302


def test_an_act_that_is_none_is_not_found(stand):
    assert stand.get("teleport").status_code == 404


# --- every page records --------------------------------------------------------------------------


def entries(s: Stand) -> dict[str, dict[str, Any]]:
    """One valid entry of each kind, as a browser would send it."""
    last = str(s.sent.pk)
    cold = "Cold store"
    return {
        "harvest": {
            "crates": "4.2, 3.85",
            "crates-tare": "0.9",
            "batches": s.batch.code,
            "store": cold,
            "sure": "yes",
        },
        "print_tags": {"count": "12"},
        "sow": {
            "variety": "Green loose-leaf",
            "place": "Bench 1",
            "cells": "84",
            "seed": s.packet.code,
        },
        "check_germination": {"batch": s.batch.code, "place": "Bench 1", "not_up": "0"},
        "lose_plants": {
            "batch": s.batch.code,
            "place": "T1",
            "plants": "2",
            "reason-typed": "a cat",
        },
        "move_plants": {
            "batch": s.batch.code,
            "from_place": "Bench 1",
            "to_place": "Bench 2",
            "plants": "5",
        },
        "transplant": {
            "batch": s.batch.code,
            "from_place": "Bench 1",
            "towers": ["T2", "T3"],
            "plants": "30",
        },
        "clear": {
            "batch": s.batch.code,
            "places": "T1",
            "left": "some",
            "why": "bolted",
            "uncut_g": "0.4",
        },
        "opening_entry": {
            "kind": "harvest",
            "quantity": "2.5",
            "place": cold,
            "crop": "Red mustard",
        },
        "receive_input": {
            "item": "Leaf feed",
            "supplier": "Hollin Seeds",
            "place": cold,
            "supplier_lot": "none on pack",
        },
        "receive_produce": {
            "crop": "Red mustard",
            "supplier": "Hollin Seeds",
            "place": cold,
            "grams": "2.5",
        },
        "open_input": {"lot": s.packet.code, "place": "Greenhouse"},
        "finish_input": {"lot": s.nutrient.code, "place": "Greenhouse"},
        "describe": {"lot-typed": s.packet.code, "called": "HS-0007"},
        "move": {
            "lot": s.crate.code,
            "from_place": cold,
            "to_place": "Quarantine",
            "quantity": "1.2",
        },
        "discard": {
            "lot": s.crate.code,
            "from_place": cold,
            "to": "compost",
            "quantity": "0.3",
            "reason": "wilted",
        },
        "count": {
            "place": cold,
            "counted-0-lot": s.run.code,
            "counted-0-about": s.run.code,
            "counted-0-quantity": "11",
        },
        "hold": {"lots": s.crate.code, "reason": "laboratory result"},
        "fill": {"tank": "Bench tank", "litres": "80", "source": "rain"},
        "top_up": {"tank": "Reservoir", "litres": "20"},
        "dose": {"tank": "Reservoir", "inputs": s.nutrient.code, "ec": "1.6", "ph": "5.9"},
        "drain_and_clean": {"tank": "Reservoir", "how": "brushed and rinsed"},
        "feed": {"tank": "Reservoir", "begins": "T2", "ends": "T1"},
        "test_water": {"tank": "Reservoir", "kind": "pH", "reading": "5.9", "passed": "yes"},
        "treat": {
            "product": s.soap.code,
            "places": "T2",
            "reason": "aphid",
            "harvest_interval_days": "3",
        },
        "check": {
            "kind": "test weight",
            "passed": "yes",
            "things": "Scale B",
            "reading": "200.0 g",
        },
        "clean": {"place": "Packing bench", "how": "washed"},
        "lab_result": {"criterion": "e_coli_cut", "results": "10 20 30 40 50", "place": "T1"},
        "incident": {"kind": "glass broken", "places": ["T1", "T2"], "done": "swept"},
        "cancel": {"event": last, "reason": "entered twice"},
        "correct_weight": {"lot": s.crate.code, "right": "3.3", "reason": "read wrong"},
        "correct_origin": {
            "lot": s.crate.code,
            "wrong": s.batch.code,
            "right-typed": s.wrong.code,
            "reason": "wrong tray",
        },
        "pack": {
            "product": "SALAD-120",
            "taken-0-lot": s.crate.code,
            "taken-0-about": s.crate.code,
            "taken-0-place": cold,
            "taken-0-left-is": "some",
            "taken-0-left": "1.7",
            "packs": "10",
            "store": cold,
        },
        "look_over": {
            "line": "Packing bench",
            **dict.fromkeys(("clear", "clean", "knives", "scale", "labels"), "yes"),
        },
        "weigh_packs": {"run": s.run.code, "weights": "120.5, 121"},
        "print_labels": {"run": s.run.code, "count": "12"},
        "spoil_labels": {"run": s.run.code, "count": "1"},
        "relabel": {
            "run": s.run.code,
            "use_by": str(s.run.use_by - dt.timedelta(days=1)),
            "reason": "wilting",
            "destroyed": "5",
        },
        "rework": {
            "product": "SALAD-120",
            "taken-0-lot": s.run.code,
            "taken-0-about": s.run.code,
            "taken-0-place": cold,
            "taken-0-used": "2",
            "packs": "2",
            "store": cold,
        },
        "put_on_shelf": {
            "outlet": "Farm shop",
            "lines-0-lot": s.run.code,
            "lines-0-about": s.run.code,
            "lines-0-from_place": cold,
            "lines-0-quantity": "5",
        },
        "deliver": {
            "outlet": "Kitchen",
            "lines-9-lot": s.crate.code.lower(),
            "lines-9-quantity": "1.2",
        },
        "receive": {
            "note": s.sent.note.number,
            "lines-0-lot": s.run.code,
            "lines-0-about": s.run.code,
            "lines-0-accepted": "3",
            "lines-0-short": "1",
        },
        "come_without_note": {"outlet": "Kitchen", "code": s.crate.code, "grams": "0.5"},
        "use": {"lot": s.run.code, "place": "Kitchen"},
        "sell": {
            "outlet": "Farm shop",
            "rows-0-product": "SALAD-120",
            "rows-0-about": "SALAD-120",
            "rows-0-quantity": "2",
        },
        "sold_out": {"place": "Farm shop", "product": "SALAD-120"},
        "mark_down": {
            "place": "Farm shop",
            "lot": s.run.code,
            "quantity": "2",
            "pence": "120",
        },
        "issue_statement": {"outlet": "Farm shop", "month": "2026-02-01"},
        "open_recall": {
            "kind": "recall",
            "hazard": "may contain glass",
            "lots": s.run.code,
        },
        "complain": {"happened": "a piece of glass", "product": "SALAD-120"},
        "return_goods": {
            "lot": s.run.code,
            "outlet": "Farm shop",
            "quantity": "1",
            "reason": "wilted",
            "to": "compost",
            "from_customer": "",
        },
    }


#: These need another act before them; each has its own test below.
AFTER = {"undo", "release", "clear_origin", "countersign"}
#: What needs a recall or a complaint before it: tests/test_recall.py tells them all by their forms.
AFTER |= {"widen_recall", "narrow_recall", "tell_authority", "approve_notices", "send_notice"}
AFTER |= {"reply_recall", "close_recall", "close_mock", "put_right"}


def test_every_kind_of_entry_is_tried(stand):
    assert entries(stand).keys() | AFTER == KINDS.keys()


def test_each_form_records_its_act(stand):
    """Each from the same stand, put back after it."""
    wrong = {}
    for kind, data in entries(stand).items():
        with transaction.atomic():
            page = stand.post(kind, data)
            if page.status_code != 302:
                wrong[kind] = sentence(page)
                continue
            event = Event.objects.filter(kind=kind).latest("id")
            assert page.url == f"/?done={event.pk}"
            start = stand.client.get(page.url)
            assert start.status_code == 200
            for lot in event.lots[:6]:
                assert f">{lot.code}</a></p>" in start.content.decode()
            transaction.set_rollback(True)
    assert wrong == {}


def test_weights_are_read_in_kilograms_where_leaf_is_weighed(stand):
    stand.post("harvest", entries(stand)["harvest"])
    cut = Event.objects.filter(kind="harvest").latest("id").lot
    assert stand.farm.stock(cut, stand.farm.store) == 4200 + 3850 - 2 * 900
    stand.post("discard", entries(stand)["discard"])
    assert stand.farm.stock(stand.crate, stand.farm.store) == 2700
    stand.post("discard", entries(stand)["discard"] | {"quantity": "250 g"})
    assert stand.farm.stock(stand.crate, stand.farm.store) == 2450
    stand.post("pack", entries(stand)["pack"] | {"packs": "6"})
    assert stand.farm.stock(stand.crate, stand.farm.store) == 1700
    stand.farm.pass_time(minutes=5)
    page = stand.post("deliver", entries(stand)["deliver"])
    assert page.status_code == 302, sentence(page)
    assert stand.farm.stock(stand.crate, stand.farm.store) == 500


@pytest.mark.parametrize(
    ("typed", "grams"),
    [
        ("4.2, 3.85", [4200, 3850]),
        ("4,2; 3,85", [4200, 3850]),
        ("4.2 + 3.85 + 2.1", [4200, 3850, 2100]),
        ("4.2\n3850 g\n", [4200, 3850]),
        ("4.205", [4205]),
    ],
)
def test_crates_are_typed_as_the_scale_shows_them(stand, typed, grams):
    page = stand.post("harvest", {"crates": typed, "crop": "Red mustard", "store": "Cold store"})
    assert page.status_code == 302, sentence(page)
    cut = Event.objects.filter(kind="harvest").latest("id").lot
    assert stand.farm.stock(cut, stand.farm.store) == sum(grams)


def test_a_crate_with_its_tag_is_called_by_it(stand):
    tag = stand.farm.tell("print_tags", count=1).tags.get().code
    data = {"crates": f"4.2 {tag}", "crop": "Red mustard", "store": "Cold store"}
    assert stand.post("harvest", data).status_code == 302
    assert Lot.objects.filter(code=tag).exists()


def test_release_and_a_cleared_origin(stand):
    farm = stand.farm
    farm.hold(stand.crate)
    assert f'value="{stand.crate.code}"' in stand.get("release").content.decode()
    page = stand.post("release", {"lots": stand.crate.code, "reason": "result is good"})
    assert page.status_code == 302
    assert not stand.crate.holds.filter(ended_by=None).exists()
    stand.post("correct_origin", entries(stand)["correct_origin"])
    cleared = {"lot": stand.crate.code, "wrong": stand.batch.code, "reason": "seen by two"}
    assert stand.post("clear_origin", cleared).status_code == 302


# --- refused -------------------------------------------------------------------------------------

REFUSED: list[tuple[str, dict[str, Any], dict[str, Any], str]] = [
    (
        "sow",
        {"variety": "Green loose-leaf", "place": "Bench 1", "cells": "four", "trial": "20 h light"},
        {"variety": "Green loose-leaf", "place": "Bench 1", "cells": "four", "trial": "20 h light"},
        "20 h light",
    ),
    (
        "sow",
        {"cells": "-4", "variety": "Green loose-leaf", "place": "Bench 1", "trial": "keep me"},
        {"cells": "-4", "variety": "Green loose-leaf", "place": "Bench 1"},
        "keep me",
    ),
    (
        "harvest",
        {"crates": "1,500", "crop": "Red mustard", "store": "Cold store", "crates-tare": "0.7"},
        {
            "crates": [{"gross_g": "1,500 kg", "tare_g": "0.7 kg"}],
            "crop": "Red mustard",
            "store": "Cold store",
        },
        "1,500",
    ),
    (
        "put_on_shelf",
        {"outlet": "Farm shop", "lines-7-lot": "R99999-01-X", "lines-7-quantity": "5"},
        {"outlet": "Farm shop", "lines": [{"lot": "R99999-01-X", "quantity": "5"}]},
        "R99999-01-X",
    ),
    ("hold", {"lots-typed": "H00000"}, {"lots": ["H00000"]}, "H00000"),
]


@pytest.mark.parametrize(("kind", "posted", "told", "kept"), REFUSED)
def test_a_refusal_keeps_what_was_typed_and_says_what_the_edge_says(
    stand, kind, posted, told, kept
):
    events = Event.objects.count()
    page = stand.post(kind, posted)
    assert page.status_code in (400, 422)
    with pytest.raises(Refusal) as refused:
        tell(stand.farm.grower, kind, told, client_id="beside", listed=True)
    assert sentence(page) == refused.value.sentence
    shown = html.unescape(page.content.decode())
    assert kept in shown
    for one in refused.value.facts.get("fields", {}).values():
        assert f'-why">{one}</span>' in shown
    assert Event.objects.count() == events


def test_thrown_away_goes_four_ways_and_the_others_stand_under_one(stand):
    def ways(page: str) -> tuple[list[str], list[str], bool]:
        """What stands open, what stands under Other, and whether that is open. No script."""
        chosen = page.split('name="from_place"')[1].split("How much")[0]
        large, fold, other = re.split("<details([^>]*)><summary>Other</summary>", chosen)
        radios = [re.findall('type="radio" name="to" value="([^"]+)"', p) for p in (large, other)]
        return radios[0], radios[1], "open" in fold

    four = ["compost", "feed", "landfill", "staff"]
    three = ["donated", "sample", "destroyed"]
    assert ways(stand.client.get("/do/discard/").content.decode()) == (four, three, False)
    told = {"lot": stand.crate.code, "from_place": "Cold store", "to": "donated"}
    told |= {"quantity": "0.5", "reason": "too old", "client_id": "thrown"}
    refused = stand.client.post("/do/discard/", told)  # to whom?
    assert refused.status_code == 422
    page = refused.content.decode()
    assert ways(page) == (four, three, True)
    more = page.split('<span class="fold-name">More</span>')[0].rsplit("<details", 1)[1]
    assert more.startswith(' class="fold" open')  # where it is asked
    assert 'name="recipient" value="" aria-describedby="id_recipient-help id_recipient-why"' in page


def test_what_was_tapped_is_still_tapped(stand):
    page = stand.post(
        "lose_plants",
        {"batch": stand.batch.code, "place": "T1", "plants": "900", "reason": "slug"},
    )
    assert page.status_code == 422
    shown = page.content.decode()
    for name, value in (("batch", stand.batch.code), ("reason", "slug"), ("place", "T1")):
        assert re.search(rf'name="{name}" value="{value}" checked', shown), name
    assert 'value="900"' in shown


def test_a_double_press_makes_one_entry(stand):
    data = entries(stand)["sow"]
    first, again = (stand.post("sow", data, client_id="pressed") for _ in range(2))
    assert (first.status_code, again.status_code) == (302, 302)
    assert first.url == again.url
    assert Event.objects.filter(client_id="pressed").count() == 1


def test_a_fact_is_recorded_when_it_has_already_happened(stand):
    data = entries(stand)["discard"] | {"quantity": "9.5"}
    page = stand.post("discard", data)
    assert page.status_code == 422
    assert "3000 g in Cold store" in sentence(page)
    assert 'name="already_done" value="yes"' in page.content.decode()
    assert stand.farm.stock(stand.crate, stand.farm.store) == 3000  # it was only tried
    page = stand.post("discard", data | {"already_done": "yes"})
    assert page.status_code == 302
    event = Event.objects.filter(kind="discard").latest("id")
    assert event.already_done
    assert event.flags.exists()


def test_nothing_to_record_is_no_fact_either(stand):
    page = stand.post("discard", entries(stand)["discard"] | {"quantity": "0"})
    assert page.status_code == 422
    assert "already_done" not in sentence(page)
    assert 'name="already_done" value="yes"' not in page.content.decode()


def test_a_strange_weight_is_asked_back_and_stands_when_it_is_right(stand):
    data = entries(stand)["harvest"] | {"crates": "80", "sure": ""}
    page = stand.post("harvest", data)
    assert page.status_code == 422
    assert 'name="sure" value="yes"' in page.content.decode()
    assert stand.post("harvest", data | {"sure": "yes"}).status_code == 302


def test_an_entry_undone_comes_back_under_a_new_id(stand):
    data = entries(stand)["sow"]
    stand.post("sow", data, client_id="once")
    event = Event.objects.get(client_id="once")
    assert stand.post("undo", {"event": str(event.pk)}).status_code == 302
    page = stand.post("sow", data, client_id="once")
    assert page.status_code == 409
    assert "It was undone at" in sentence(page)
    new = re.search(r'name="client_id" value="([^"]+)"', page.content.decode())[1]
    assert new != "once"
    assert stand.post("sow", data, client_id=new).status_code == 302


def test_other_contents_under_one_id_are_another_entry_only_when_said(stand):
    data = entries(stand)["sow"]
    stand.post("sow", data, client_id="once")
    page = stand.post("sow", data | {"cells": "12"}, client_id="once")
    assert page.status_code == 409
    assert "Record it as another entry" in page.content.decode()


# --- what is offered and filled in ---------------------------------------------------------------


def test_what_is_usual_is_filled_in(stand):
    shown = stand.get("pack").content.decode()
    assert re.search(r'name="store" value="Cold store" checked', shown)
    assert re.search(r'name="line" value="Packing bench" checked', shown)
    stand.post("fill", entries(stand)["fill"])
    shown = stand.get("fill").content.decode()
    assert re.search(r'name="tank" value="Bench tank" checked', shown)
    assert re.search(r'name="source" value="rain" checked', shown)
    stand.post("harvest", entries(stand)["harvest"])
    assert 'name="crates-tare" value="0.9"' in stand.get("harvest").content.decode()


def test_crates_are_offered_first_expired_first(stand):
    farm = stand.farm
    farm.pass_time(days=1)
    fresh = farm.cut(2000)
    shown = stand.get("deliver").content.decode()
    codes = re.findall(r'name="lines-\d+-about" value="([^"]+)"', shown)
    assert codes.index(stand.run.code) < codes.index(stand.crate.code) < codes.index(fresh.code)
    assert "3 kg in Cold store · cut yesterday" in shown


def test_a_note_is_received_as_it_was_sent(stand):
    shown = stand.get("receive").content.decode()
    assert stand.sent.note.number in shown
    assert re.search(r'name="lines-0-accepted" value="4"', shown)


def test_a_count_is_of_what_stands_there(stand):
    shown = stand.get("count", place="Farm shop", closing="yes").content.decode()
    codes = re.findall(r'name="counted-\d+-about" value="([^"]+)"', shown)
    assert codes == [stand.run.code]
    assert re.search(r'name="closing" value="yes" checked', shown)


def test_a_chef_is_offered_the_kitchen_and_no_prices(stand):
    farm = stand.farm
    client = signed_in("chef", farm.kitchen_place)
    shown = client.get("/do/use/").content.decode()
    assert stand.run.code in shown
    assert stand.crate.code not in shown
    assert "Farm shop" not in client.get("/do/return_goods/").content.decode()
    start = client.get("/").content.decode()
    assert stand.crate.code not in start


def test_whoever_is_tied_to_a_shop_is_asked_no_prices(stand):
    assert "Pence each" in stand.get("sell").content.decode()
    shown = signed_in("shop", stand.farm.shop_place).get("/do/sell/").content.decode()
    assert "Salad bag 120\u00a0g" in shown
    assert "pence" not in shown.lower()


def test_an_act_that_is_not_ones_own_is_refused(stand):
    chef = signed_in("chef", stand.farm.kitchen_place)
    assert chef.get("/do/use/").status_code == 200
    assert chef.get("/do/sow/").status_code == 403
    assert chef.post("/do/sow/", entries(stand)["sow"] | {"client_id": "x"}).status_code == 403
    assert not Event.objects.filter(client_id="x").exists()
    assert "/do/sow/" not in chef.get("/").content.decode()


# --- the start page ------------------------------------------------------------------------------


def test_the_start_page_says_what_happened_and_takes_ones_last_entry_back(stand):
    farm = stand.farm
    stand.post("sow", entries(stand)["sow"])
    event = Event.objects.filter(kind="sow").latest("id")
    start = stand.client.get("/").content.decode()
    assert f">{event.lot.code}</a>" in start
    assert "84 plants Green loose-leaf to Bench 1" in start
    assert start.count(">Undo</button>") == 1
    page = stand.post("undo", {"event": str(event.pk)}, client_id=f"undo-{event.pk}")
    assert page.status_code == 302
    assert event.is_cancelled
    assert "Tam, undone" in stand.client.get("/").content.decode()
    farm.pass_time(minutes=11)
    assert ">Undo</button>" not in stand.client.get("/").content.decode()


def test_a_note_and_tags_are_named_by_their_numbers(stand):
    page = stand.post("deliver", entries(stand)["deliver"])
    note = Event.objects.filter(kind="deliver").latest("id").note.number
    assert f">{note}</p>" in stand.client.get(page.url).content.decode()
    page = stand.post("print_tags", {"count": "12"})
    tags = list(Event.objects.latest("id").tags.order_by("pk").values_list("code", flat=True))
    assert f">{tags[0]} to {tags[-1]}</p>" in stand.client.get(page.url).content.decode()


def test_nobody_undoes_what_somebody_else_recorded(stand):
    event = stand.farm.tell("clean", place=stand.farm.line, recorded_by=stand.farm.packer)
    assert ">Undo</button>" not in stand.client.get(f"/?done={event.pk}").content.decode()
    page = stand.post("undo", {"event": str(event.pk)})
    assert page.status_code == 422
    assert "Somebody else recorded that" in sentence(page)


@pytest.mark.parametrize("done", ["0", "x", "9" * 30, "²", ""])
def test_an_address_that_names_no_entry_is_only_the_start_page(stand, done):
    page = stand.client.get("/", {"done": done})
    assert page.status_code == 200
    assert 'role="status"' not in page.content.decode()


def test_each_role_finds_its_own_acts_first(stand):
    first = {"grower": "Cut", "packer": "Pack", "chef": "Goods in", "shop": "Closing count"}
    for role, title in first.items():
        client = signed_in(role)
        shown = client.get("/").content.decode()
        buttons = re.search(r'<ul class="does">(.*?)</ul>', shown, re.S)[1]
        titles = re.findall(r"<span>([^<>]+)</span></a>", buttons)
        assert titles[0] == title
        assert 3 <= len(titles) <= 6


def test_a_day_and_a_time_are_told_as_they_are_set(stand):
    day = clock.local(stand.farm.now).date()
    data = entries(stand)["clean"]
    stand.post("clean", data | {"when-day": f"{day:%Y-%m-%d}", "when-time": "07:15"})
    event = Event.objects.filter(kind="clean").latest("id")
    assert f"{clock.local(event.happened_at):%H:%M}" == "07:15"
    stand.post("clean", data | {"when-day": f"{day:%Y-%m-%d}"})
    event = Event.objects.filter(kind="clean").latest("id")
    assert (event.latest_at - event.earliest_at).total_seconds() > 86_000


def test_a_picture_of_the_packet_is_kept(stand):
    import io

    from django.core.files.uploadedfile import SimpleUploadedFile
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (8, 8), "green").save(out, "PNG")
    sent = SimpleUploadedFile("packet.png", out.getvalue(), content_type="image/png")
    page = stand.post("describe", {"lot": stand.packet.code, "photo": sent})
    assert page.status_code == 302, sentence(page)
    assert stand.packet.descriptions.latest("id").photo is not None
    page = stand.post(
        "describe", {"lot": stand.packet.code, "photo": SimpleUploadedFile("x.png", b"no picture")}
    )
    assert page.status_code == 422
    assert sentence(page) == "That file is not a picture that can be read."


def test_a_lot_is_held_once_wherever_it_stands(stand):
    places = stand.run.holdings.filter(quantity__gt=0, place__kind__in=["store", "shop", "transit"])
    assert places.count() > 1
    page = stand.get("hold").content.decode()
    assert page.count(f'name="lots" value="{stand.run.code}"') == 1
    assert "in Cold store, " in page
