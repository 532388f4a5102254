"""The kitchen's page: finished in one tap, what to use up first, what is coming."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client

from grow.faults import faults
from grow.models import CropCard, Event, Lot
from sales.kitchen import kitchen
from sales.models import Outlet
from tests.farm import Farm
from tests.hands import PHONE, People, Thumb, violations
from tests.test_run_weights import signed_in, words

pytestmark = pytest.mark.django_db


@pytest.fixture
def chef(farm: Farm) -> Client:
    return signed_in("chef", farm.kitchen_place)[1]


def here(farm: Farm) -> dict[str, str]:
    return {one.code: one.state for one in kitchen(farm.kitchen).here}


def came(farm: Farm, grams: int, **more) -> Lot:
    crate = farm.cut(grams, **more)
    farm.arrive(farm.send(crate, grams), crate, grams)
    return crate


def test_what_stands_there_is_sorted_by_what_to_use_first(farm: Farm) -> None:
    dated = came(farm, 400)
    old = came(farm, 500)
    farm.pass_time(days=5)
    good = came(farm, 600)
    farm.pass_time(days=2)
    best, held = came(farm, 700), came(farm, 800)
    farm.tell("describe", lot=dated, best_before=farm.today)
    farm.hold(held)
    states = {dated: "use up", old: "use up", good: "good", best: "best", held: "held"}
    assert here(farm) == {lot.code: state for lot, state in states.items()}
    # with a date it is old once that is past; without, after four days (common practice)
    assert [one.code for one in kitchen(farm.kitchen).old] == [old.code]
    farm.pass_time(days=1)
    assert [one.code for one in kitchen(farm.kitchen).old] == [dated.code, old.code]


def test_finished_in_one_press_however_often_it_is_pressed(farm: Farm, chef: Client) -> None:
    crate, other = came(farm, 400), came(farm, 500)
    told = {"press": crate.code, "client_id": "wet-hands", "outlet": "Kitchen"}
    assert f"✓ {crate.code} finished." in words(chef.post("/kitchen/", told, follow=True))
    again = words(chef.post("/kitchen/", told, follow=True))
    assert f"{crate.code} is not here any more." in again
    assert farm.stock(crate, farm.kitchen_place) == 0
    assert farm.stock(other, farm.kitchen_place) == 500
    assert Event.objects.filter(kind="use").count() == 1
    assert faults() == []


def test_old_crates_are_asked_about_once_a_day(farm: Farm, chef: Client) -> None:
    old = [came(farm, 400), came(farm, 500)]
    young = came(farm, 300)
    assert "Finished?" not in words(chef.get("/kitchen/"))
    farm.pass_time(days=5)
    fresh = came(farm, 200)
    assert "3 older than their life" in words(chef.get("/kitchen/"))
    assert "Finished?" not in words(chef.post("/kitchen/", {"press": "still here"}, follow=True))
    farm.pass_time(days=1)
    assert "3 older than their life" in words(chef.get("/kitchen/"))
    asked = [*(lot.code for lot in old), young.code]
    chef.post("/kitchen/", {"press": "all", "client_id": "evening", "asked": asked})
    left = [farm.stock(lot, farm.kitchen_place) for lot in (*old, young, fresh)]
    assert left == [0, 0, 0, 200]
    assert "Finished?" not in words(chef.get("/kitchen/"))


def test_what_is_coming_is_on_a_note_or_stands_ready_by_its_card(farm: Farm, chef: Client) -> None:
    CropCard.objects.create(
        variety=farm.green, days_to_first_cut=22, days_between_cuts=12, source="the packet"
    )
    batch = farm.sow(40)
    farm.plant(batch, farm.t1, 20)
    assert kitchen(farm.kitchen).ready == []
    farm.pass_time(days=16)
    (one,) = kitchen(farm.kitchen).ready
    assert (one.crop, one.plants) == ("Loose-leaf lettuce", 20)
    assert one.since == farm.today + dt.timedelta(days=6)
    farm.pass_time(days=6)
    assert kitchen(farm.kitchen).ready[0].since == farm.today
    crate = farm.cut(900, batch)
    assert kitchen(farm.kitchen).ready == []
    note = farm.send(crate, 900).note
    page = words(chef.get("/kitchen/"))
    assert f"Loose-leaf lettuce 900 g {note.number}" in page
    assert "Nothing of ours is in the kitchen" in page


def test_only_its_own_kitchen_is_a_chefs(farm: Farm, chef: Client) -> None:
    crate = came(farm, 400)
    _, shop = signed_in("shop", farm.shop_place)
    assert shop.get("/kitchen/").status_code == 403
    other = farm.place("Pop-up kitchen", "kitchen")
    _, elsewhere = signed_in("learner")
    assert elsewhere.get("/kitchen/").status_code == 403
    Outlet.objects.create(place=other)
    told = {"press": crate.code, "outlet": "Pop-up kitchen", "client_id": "x"}
    assert "No kitchen of yours" in words(chef.post("/kitchen/", told))
    assert farm.stock(crate, farm.kitchen_place) == 400
    assert chef.get("/kitchen/?outlet=Pop-up kitchen").status_code == 422


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_thumb_finishes_a_crate(people: People, page, live_server, orm, scheme) -> None:
    crate = orm(lambda: came(people.farm, 900))
    Thumb(page, people, "chef", live_server.url, PHONE)
    page.emulate_media(color_scheme=scheme)
    page.goto("/kitchen/")
    assert violations(page) == []
    page.get_by_role("button", name="Finished", exact=True).first.click()
    assert crate.code in page.get_by_role("status").inner_text()
    assert orm(lambda: people.farm.stock(crate, people.farm.kitchen_place)) == 0
