"""The API's tables: set up by whom Django's permissions let, looked at as far as a person sees, and
never slower for having more rows."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.contrib.auth.models import Permission
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import get_resolver
from rest_framework.test import APIClient

from grow import clock
from grow.models import Crop, Event, Lot, Movement, Person, Place, PlantSite, Seal, Variety
from grow.seal import seal
from sales.models import LabelStock, Outlet, Price, Printer, Product, Statement
from tests.farm import Farm, decided
from tests.test_api import refused, tell

pytestmark = pytest.mark.django_db

SET_UP = {
    "crops": {"name": "Basil"},
    "varieties": {"crop": "Red mustard", "name": "Purple"},
    "crop-cards": {"variety": "Red frill", "cuts": 4, "source": "own records"},
    "inputs": {"name": "Basil seed", "kind": "seed", "variety": "Red frill"},
    "places": {"name": "Bench 3", "kind": "bench", "within": "Greenhouse"},
    "plant-sites": {"tower": "T3", "tier": 9, "position": 1},
    "things": {"name": "Probe 1", "kind": "probe", "place": "Cold store"},
    "products": {
        "code": "MIX-80",
        "name": "Mixed leaf 80 g",
        "nominal_g": 80,
        "recipe": [{"crop": "Red mustard", "least_pct": 10, "greatest_pct": 40}],
    },
    "outlets": {"place": "Stall"},
    "prices": {"outlet": "Kitchen", "line": "SALAD-120", "since": "2026-03-01", "pence": 170},
    "wanted": {"outlet": "Kitchen", "product": "SALAD-120", "weekday": 5, "quantity": 24},
    "label-stock": {"name": "Roll 60 × 40", "width_mm": "60.00", "height_mm": "40.00"},
    "printers": {"name": "Bench printer", "dpi": 300},
    "decision-cards": {
        "product": "SALAD-120",
        "outlet": "Kitchen",
        "since": "2026-03-01",
        "state": "unwashed",
        "sold_as": "prepacked",
        "system": "average",
        "date_kind": "use_by",
        "decided_by": "R. Wren",
        "decided_on": "2026-02-27",
        "evidence": "Shelf-life trial 4, in the office.",
    },
    "rates": {"what": "wage", "amount": "1300", "since": "2026-01-01", "source": "agreed"},
    "standard-uses": {
        "item": "Green loose-leaf seed",
        "amount": "1",
        "since": "2026-01-01",
        "source": "one pelleted seed a cell",
    },
    "claims": {
        "said_by": "A seller",
        "of": "towers",
        "amount": "40",
        "floor": "without aisles",
        "source": "a leaflet",
    },
    "timed-days": {"day": "2026-03-02", "minutes": "95.5", "timed_by": "tam"},
}
LOOKED_AT = [
    *("people", "sign-offs", "lots", "events", "movements", "holdings", "lineage", "flags"),
    *("holds", "tags", "seals", "lab-results", "runs", "notes", "money", "statements"),
]
LISTS = [*SET_UP, *LOOKED_AT]


def sees_all(person: Person) -> None:
    rows = Permission.objects.filter(content_type__app_label__in=["grow", "sales", "analytics"])
    person.user_permissions.set(rows)


@pytest.fixture
def api(farm: Farm) -> APIClient:
    sees_all(farm.grower)
    client = APIClient()
    client.force_authenticate(farm.grower)
    return client


@pytest.fixture
def chef(farm: Farm) -> APIClient:
    person = Person.objects.create_user("odile", shown_as="Odile")
    person.places.add(farm.kitchen_place)
    sees_all(person)
    client = APIClient()
    client.force_authenticate(person)
    return client


def a_morning(farm: Farm, held: bool = True) -> Lot:
    """Something in every table of the ledger."""
    batch = farm.sow(12)
    farm.plant(batch, farm.t1, 6)
    farm.pass_time(days=1)
    cut = farm.cut(3000, batch)
    run = farm.pack([cut], packs=20)
    farm.to_shop(run, 6)
    farm.arrive(farm.send(run, 5), run, accepted=6)
    farm.till(2)
    farm.tell("print_tags", count=2)
    month = dt.date(2025, 1 + Statement.objects.count(), 1)
    farm.tell("issue_statement", outlet=farm.shop, month=month)
    farm.tell("lab_result", criterion="e_coli_guide", results="10", lots=[run])
    if held:
        farm.hold(run)
    with clock.playing(farm.now + dt.timedelta(days=Seal.objects.count() + 1)):
        seal()
    return run


def rows(client: APIClient, table: str, **asked: Any) -> list[dict[str, Any]]:
    answer = client.get(f"/api/v1/{table}/", asked)
    assert answer.status_code == 200, answer.content
    found: list[dict[str, Any]] = answer.json()["results"]
    return found


# --- lists ------------------------------------------------------------------------------------


def test_no_list_is_left_out_here() -> None:
    """Every list that the API has is in the tables above, so each rule below is of all of them."""
    names = {key for key in get_resolver().reverse_dict if isinstance(key, str)}
    assert {name.removesuffix("-list") for name in names if name.endswith("-list")} == set(LISTS)


@pytest.mark.parametrize("table", LISTS)
def test_a_list_asks_no_more_for_more_rows(farm: Farm, api: APIClient, table: str) -> None:
    a_morning(farm)
    farm.place("Stall", "shop")
    if table in SET_UP:
        assert api.post(f"/api/v1/{table}/", SET_UP[table], format="json").status_code == 201
    with CaptureQueriesContext(connection) as few:
        before = len(rows(api, table, limit=500))
    assert before
    a_morning(farm)
    for n in range(3):
        crop = Crop.objects.create(name=f"Crop {n}")
        variety = Variety.objects.create(crop=crop, name=f"Variety {n}")
        place = farm.place(f"Stall {n}", "shop")
        outlet = Outlet.objects.create(place=place)
        product = Product.objects.create(code=f"P-{n}", name=f"P {n}", nominal_g=50)
        product.recipe.create(crop=crop)
        Price.objects.create(outlet=outlet, line=product.line, since="2026-01-01", pence=1)
        PlantSite.objects.create(tower=farm.t3, tier=20 + n, position=1)
        person = Person.objects.create_user(f"person {n}")
        person.places.add(place)
        person.sign_offs.create(task="packing", since="2026-01-01", by=person)
        api.post("/api/v1/inputs/", {"name": f"I {n}", "kind": "seed", "variety": variety.name})
        api.post("/api/v1/crop-cards/", {"variety": variety.name, "source": "own"})
        api.post("/api/v1/things/", {"name": f"T {n}", "kind": "knife", "place": place.name})
        LabelStock.objects.create(name=f"Roll {n}", width_mm=60, height_mm=40)
        Printer.objects.create(name=f"Printer {n}")
        decided(product, since=f"2026-02-0{n + 1}")
        outlet.wanted.create(product=product, weekday=5, quantity=9)
        rate = {"what": "seed", "crop": crop.name, "amount": 1, "since": "2026-01-01"}
        api.post("/api/v1/rates/", rate | {"source": "own"})
        told = {"item": f"I {n}", "amount": 1, "since": "2026-01-01", "source": "own"}
        api.post("/api/v1/standard-uses/", told)
        timed = {"day": f"2026-02-0{n + 1}", "minutes": 90, "timed_by": "tam"}
        api.post("/api/v1/timed-days/", timed)
        api.post("/api/v1/claims/", SET_UP["claims"] | {"crop": crop.name})
    with CaptureQueriesContext(connection) as many:
        assert len(rows(api, table, limit=500)) > before
    # one query more in the first list: whether the person is tied to places is then known
    assert len(many) <= len(few) <= 9


def test_pages_of_a_list(farm: Farm, api: APIClient) -> None:
    a_morning(farm)
    whole = [row["id"] for row in rows(api, "movements")]
    first = api.get("/api/v1/movements/?limit=4").json()
    assert first["count"] == len(whole) == Movement.objects.count()
    assert first["previous"] is None
    second = api.get(first["next"]).json()
    assert [row["id"] for row in first["results"] + second["results"]] == whole[:8]
    assert rows(api, "movements", offset=10**6) == []
    for wrong in (
        {"offset": "null"},
        {"offset": "-1"},
        {"offset": "1e3"},
        {"offset": 10**30},
        {"limit": "0"},
        {"limit": 501},
        {"limit": "٣"},
        {"offset": ""},
    ):
        answer = refused(api.get("/api/v1/movements/", wrong), 400)
        assert answer["facts"]["fields"].keys() == wrong.keys()


def test_filters_of_the_ledger(farm: Farm, api: APIClient) -> None:
    run = a_morning(farm)
    assert [r["code"] for r in rows(api, "lots", kind="pack")] == [run.code]
    assert rows(api, "lots", crop="red mustard") == []
    assert len(rows(api, "lots", crop="loose-leaf  LETTUCE")) == 3
    assert [r["code"] for r in rows(api, "lots", held="true")] == [run.code]
    assert rows(api, "lots", called=run.code.replace("-", " ").lower())[0]["code"] == run.code
    assert rows(api, "lots", first="2026-03-03", ordering="id")[0]["kind"] == "harvest"
    assert {r["to_place"] for r in rows(api, "movements", lot=run.code, from_place="Packing")} == {
        "Cold store"
    }
    assert [r["kind"] for r in rows(api, "events", lot=run.code, kind=["pack", "deliver"])] == [
        "deliver",
        "pack",
    ]
    assert [r["kind"] for r in rows(api, "events", flagged="true")] == ["receive"]
    assert rows(api, "events", place="Bench 1", recorded_by="Tam", last="2026-03-02")
    assert {r["kind"] for r in rows(api, "lineage", child=run.code)} >= {"went_in"}
    assert [r["quantity"] for r in rows(api, "holdings", lot=run.code, place="Kitchen")] == [6]
    assert rows(api, "notes", to_follow="true") == []
    assert len(rows(api, "notes", outlet="Kitchen", first="2026-03-03")) == 1
    assert [r["used"] for r in rows(api, "tags")] == [False, False]
    for table, wrong, status in (
        ("lots", {"plcae": "Kitchen"}, 400),
        ("lots", {"kind": "leaf"}, 400),
        ("lots", {"ordering": "code"}, 400),
        ("lots", {"first": "yesterday"}, 400),
        ("lots", {"crop": "Kale"}, 404),
        ("movements", {"from_place": "x" * 201}, 400),
        ("movements", {"lot": "a\0"}, 400),
        ("events", {"corrects": "1e400"}, 400),
        ("events", {"recorded_since": "9999-12-31T23:59:59-14:00"}, 400),
    ):
        assert refused(api.get(f"/api/v1/{table}/", wrong), status)


def test_one_row_by_the_name_it_is_called(farm: Farm, api: APIClient) -> None:
    run = a_morning(farm)
    farm.tell("describe", lot=run, called="Saturday's bags")
    spelt = run.code.lower().replace("-", "")
    for name in (run.code, spelt, "Saturday's bags"):
        assert api.get(f"/api/v1/lots/{name}/").json()["code"] == run.code
    packed = api.get(f"/api/v1/runs/{spelt}/").json()
    assert packed["grams_in"] + packed["gain_g"] == packed["nominal_g"] + sum(
        packed[f"{what}_g"] for what in ("trim", "giveaway", "samples", "moisture")
    )
    (note,) = rows(api, "notes")
    assert api.get(f"/api/v1/notes/{note['number'].lower()}/").json() == note
    event = Event.objects.get(kind="deliver")
    told = api.get(f"/api/v1/events/{event.pk}/").json()
    assert told["told"]["outlet"] == farm.kitchen.pk
    assert refused(api.get("/api/v1/lots/H26001-01-7/"), 404)["code"] == "no_such_code"
    assert refused(api.get(f"/api/v1/events/{10**30}/"), 404)


# --- set-up --------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", SET_UP)
def test_a_row_is_set_up_changed_and_taken_away(farm: Farm, api: APIClient, table: str) -> None:
    farm.place("Stall", "shop")
    made = api.post(f"/api/v1/{table}/", SET_UP[table], format="json")
    assert made.status_code == 201, made.content
    row = made.json()
    told = {k: v for k, v in SET_UP[table].items() if k != "amount"}
    assert {k: row[k] for k in told} == told
    address = f"/api/v1/{table}/{row['id']}/"
    assert api.get(address).json() == row
    # the same again is refused by its unique name, never written twice
    assert refused(api.post(f"/api/v1/{table}/", SET_UP[table], format="json"), 400)
    same = api.patch(address, SET_UP[table], format="json")
    assert same.status_code == 200
    assert same.json() == row
    assert api.delete(address).status_code == 204
    assert refused(api.get(address), 404)


@pytest.mark.parametrize("table", LISTS)
def test_django_permissions_say_who_may(farm: Farm, table: str) -> None:
    nobody = APIClient()
    nobody.force_authenticate(Person.objects.create_user("nobody"))
    assert refused(nobody.get(f"/api/v1/{table}/"), 403)
    if table in SET_UP:
        assert refused(nobody.post(f"/api/v1/{table}/", SET_UP[table], format="json"), 403)
    else:
        manager = APIClient()
        sees_all(farm.packer)
        manager.force_authenticate(farm.packer)
        for method in ("post", "patch", "put", "delete"):
            assert refused(getattr(manager, method)(f"/api/v1/{table}/"), 405)


def test_models_own_rules_hold_here_too(farm: Farm, api: APIClient) -> None:
    for table, data, field in (
        ("places", {"name": "Sink", "kind": "compost"}, "kind"),
        ("plant-sites", {"tower": "Bench 1", "tier": 1, "position": 1}, "tower"),
        ("products", {"code": "X", "name": "X", "nominal_g": 0}, ""),
        ("products", {"code": "X", "name": "X"}, ""),
        ("outlets", {"place": "Cold store"}, "place"),
        ("rates", {"what": "wage", "crop": "Red mustard", "amount": 1, "since": "2026-01-01"}, ""),
        ("things", {"name": "S", "kind": "scale", "place": "Nowhere"}, "place"),
        ("label-stock", {"name": "S", "width_mm": "60", "height_mm": "40", "columns": 3}, ""),
        (
            "label-stock",
            {"name": "S", "width_mm": "60", "height_mm": "40", "columns": 4, "rows": 7},
            "columns",
        ),
    ):
        answer = refused(
            api.post(f"/api/v1/{table}/", data | {"source": "own"}, format="json"), 400
        )
        assert field in answer["facts"]["fields"] or field == ""
    twice = [{"crop": "Red mustard"}, {"crop": "red mustard"}]
    product = {"code": "X", "name": "X", "nominal_g": 10, "recipe": twice}
    assert refused(api.post("/api/v1/products/", product, format="json"), 400)
    assert not Product.objects.filter(code="X").exists()


def test_a_recipe_is_replaced_whole(farm: Farm, api: APIClient) -> None:
    address = f"/api/v1/products/{farm.bag.pk}/"
    was = ["Loose-leaf lettuce", "Red mustard"]
    for crop in (farm.lettuce, farm.mustard):
        farm.bag.recipe.create(crop=crop)
    assert [r["crop"] for r in api.get(address).json()["recipe"]] == was
    api.patch(address, {"shelf_life_days": 6}, format="json")
    assert farm.bag.recipe.count() == 2
    lines = [{"crop": "Red mustard", "greatest_pct": 30}, {"crop": "Loose-leaf lettuce"}]
    changed = api.patch(address, {"recipe": lines}, format="json").json()
    assert [(r["crop"], r["greatest_pct"]) for r in changed["recipe"]] == [
        ("Red mustard", 30),
        ("Loose-leaf lettuce", 100),
    ]


def test_what_is_used_stays(farm: Farm, api: APIClient) -> None:
    a_morning(farm)
    used = refused(api.delete(f"/api/v1/crops/{farm.lettuce.pk}/"), 409)
    assert used["code"] == "still_used"
    assert "variety" in used["sentence"]
    for name in ("Compost", "Sold at Farm shop", "On the way to Kitchen"):
        place = Place.objects.get(name=name)
        assert refused(api.delete(f"/api/v1/places/{place.pk}/"), 409)["code"] == "own_place"
        renamed = api.patch(f"/api/v1/places/{place.pk}/", {"name": "Elsewhere"}, format="json")
        assert refused(renamed, 409)["code"] == "own_place"
    kind = api.patch(f"/api/v1/places/{farm.store.pk}/", {"kind": "bench"}, format="json")
    assert "kind" in refused(kind, 400)["facts"]["fields"]


def test_the_business(farm: Farm, api: APIClient) -> None:
    nobody = APIClient()
    nobody.force_authenticate(farm.packer)
    assert nobody.get("/api/v1/business/").json()["zone"] == "Europe/London"
    assert refused(nobody.patch("/api/v1/business/", {"name": "X"}), 403)
    changed = api.patch("/api/v1/business/", {"name": "Low Moss Growers"})
    assert changed.json()["name"] == "Low Moss Growers"
    a_morning(farm)
    zone = api.patch("/api/v1/business/", {"zone": "Europe/Paris"})
    assert "zone" in refused(zone, 400)["facts"]["fields"]


# --- who sees what -----------------------------------------------------------------------


def test_a_chef_sees_the_kitchens_own_rows(farm: Farm, chef: APIClient) -> None:
    run = a_morning(farm, held=False)
    elsewhere = farm.cut(900)
    farm.send(run, 3, outlet=farm.other_shop())
    assert [r["code"] for r in rows(chef, "lots")] == [run.code]
    assert refused(chef.get(f"/api/v1/lots/{elsewhere.code}/"), 404)
    places = {r[side] for r in rows(chef, "movements") for side in ("from_place", "to_place")}
    assert "Farm shop" not in places
    assert "On the way to Corner shop" not in places
    assert {r["outlet"] for r in rows(chef, "notes")} == {"Kitchen"}
    assert {r["place"] for r in rows(chef, "outlets")} == {"Kitchen"}
    assert "Corner shop" not in {r["name"] for r in rows(chef, "places")}
    assert {r["username"] for r in rows(chef, "people")} == {"odile"}
    assert {r["place"] for r in rows(chef, "holdings")} <= {
        "Kitchen",
        "On the way to Kitchen",
    }
    other = Event.objects.get(kind="put_on_shelf")
    assert refused(chef.get(f"/api/v1/events/{other.pk}/"), 404)
    own = Event.objects.get(kind="receive")
    assert chef.get(f"/api/v1/events/{own.pk}/").json()["told"] is None
    assert rows(chef, "tags") == []


def test_a_chef_sees_no_prices_and_no_money(farm: Farm, api: APIClient, chef: APIClient) -> None:
    a_morning(farm)
    assert rows(api, "prices")
    assert rows(api, "money")
    for table in ("prices", "money", "rates"):
        assert refused(chef.get(f"/api/v1/{table}/"), 403)["code"] == "not_yours"
    (outlet,) = rows(chef, "outlets")
    assert (outlet["shop_share_pct"], outlet["price_basis"]) == (None, None)
    assert {r["packaging_pence"] for r in rows(chef, "products")} == {None}
    assert "8.50" in {r["packaging_pence"] for r in rows(api, "products")}


def test_acts_and_tables_agree(farm: Farm, api: APIClient) -> None:
    data = {"variety": "Green loose-leaf", "place": "Bench 1", "cells": 84}
    told = tell(api, "sow", data).json()
    (event,) = rows(api, "events")
    assert {k: event[k] for k in ("id", "kind", "says", "day", "happened_at")} == {
        k: told[k] for k in ("id", "kind", "says", "day", "happened_at")
    }
    assert event["lots"] == [told["lots"][0]["code"]]
    assert PlantSite.objects.count() == len(rows(api, "plant-sites", limit=500))
