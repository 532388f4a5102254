"""From an empty database to a farm that can be packed for: the first account, the steps that lead,
towers in bulk. Each refusal is shown beside the same with one fact changed."""

from __future__ import annotations

import contextlib
import html
import re
import threading
import tomllib
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.db import connections
from django.test import Client
from rest_framework.test import APIClient

from config import first_account
from grow import bulk
from grow.bulk import Bulk
from grow.errors import Refusal
from grow.models import Business, Crop, Person, Place, PlaceKind, PlantSite
from sales import first_steps, starter
from sales.models import FirstSteps, LabelStock, Outlet, Product
from tests.farm import Farm

pytestmark = [pytest.mark.django_db, pytest.mark.once]
PASSWORD = "four quiet words here"
TOLD = {"username": "bryony", "password1": PASSWORD, "password2": PASSWORD}


# --- the first account ---------------------------------------------------------------------------


def test_the_sign_in_page_leads_to_the_first_account_while_there_is_none(client: Client):
    assert 'href="/first-account/"' in client.get("/login/").content.decode()
    made = client.post("/first-account/", TOLD)
    assert (made.status_code, made["Location"]) == (302, "/")
    person = Person.objects.get()
    assert (person.username, person.is_superuser, person.is_staff) == ("bryony", True, True)
    assert person.check_password(PASSWORD)
    assert client.get("/").status_code == 200  # signed in already
    assert 'href="/first-account/"' not in Client().get("/login/").content.decode()


def test_there_is_no_second_first_account(client: Client):
    Person.objects.create_user("anybody")
    assert client.get("/first-account/").status_code == 404
    assert client.post("/first-account/", TOLD).status_code == 404
    assert Person.objects.count() == 1


@pytest.mark.parametrize(
    ("address", "status"),
    [("127.0.0.1", 302), ("127.8.8.8", 302), ("::1", 302), ("192.168.1.20", 403), ("", 403)],
)
def test_it_is_made_on_the_machine_itself(client: Client, address: str, status: int):
    assert client.post("/first-account/", TOLD, REMOTE_ADDR=address).status_code == status
    assert Person.objects.count() == (status == 302)
    if status == 403:
        shown = client.get("/first-account/", REMOTE_ADDR=address)
        assert shown.status_code == 403
        assert "manage.py createsuperuser" in shown.content.decode()
        assert "<input" not in shown.content.decode().split("<h1")[1]


@pytest.mark.parametrize(
    "header", ["HTTP_X_FORWARDED_FOR", "HTTP_FORWARDED", "HTTP_X_REAL_IP", "HTTP_VIA"]
)
def test_what_a_proxy_hands_on_is_not_from_this_machine(client: Client, header: str):
    told: Any = {header: "203.0.113.9"}  # an address for documentation, RFC 5737
    assert client.post("/first-account/", TOLD, **told).status_code == 403
    assert not Person.objects.exists()
    assert client.post("/first-account/", TOLD).status_code == 302


def test_behind_a_proxy_by_the_settings_it_is_closed(client: Client, settings):
    settings.SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    assert client.post("/first-account/", TOLD).status_code == 403


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"password2": "four other words here"}, "The two passwords are not the same."),
        ({"password1": "short", "password2": "short"}, "This password is too short."),
        ({"password1": "12345678", "password2": "12345678"}, "entirely numeric"),
        ({"password1": "bryony12", "password2": "bryony12"}, "too similar to the"),
        ({"username": "two words"}, "Enter a valid username."),
        ({"username": ""}, "This field is required."),
    ],
)
def test_a_weak_password_is_refused_as_everywhere(client: Client, wrong, says):
    page = client.post("/first-account/", TOLD | wrong)
    assert page.status_code == 422
    assert says in page.content.decode()
    assert not Person.objects.exists()
    assert client.post("/first-account/", TOLD).status_code == 302


@pytest.mark.django_db(transaction=True)
def test_of_two_who_press_at_once_one_is_first(monkeypatch):
    """Both have passed the first look. The second look is under a lock: whoever waits there for
    the other waits in vain; without the lock both would find nobody."""
    both = threading.Barrier(2)
    looked = first_account.nobody_yet

    def look_and_wait() -> bool:
        nobody = looked()
        with contextlib.suppress(threading.BrokenBarrierError):
            both.wait(timeout=2)
        return nobody

    monkeypatch.setattr(first_account, "nobody_yet", look_and_wait)
    made: list[Person | None] = []

    def press(name: str) -> None:
        made.append(first_account.make(name, PASSWORD))
        connections.close_all()

    pressing = [threading.Thread(target=press, args=[name]) for name in ("ada", "ben")]
    for one in pressing:
        one.start()
    for one in pressing:
        one.join()
    assert len([person for person in made if person]) == 1
    assert Person.objects.count() == 1


# --- the steps -----------------------------------------------------------------------------------


@pytest.fixture
def owner(client: Client) -> Client:
    client.force_login(Person.objects.create_superuser("bryony", password=PASSWORD))
    return client


def listed(client: Client, at: str = "/") -> dict[str, str]:
    """Each step's title and how it stands: done, next or later."""
    found = re.findall(
        r'<li class="is-(\w+)">.*?step-title">([^<]+)<', client.get(at).content.decode(), re.S
    )
    return {title: stands for stands, title in found}


def says(page: Any) -> str:
    return html.unescape(re.sub(r"<[^>]+>", " ", page.content.decode()))


BUSINESS = {"name": "Withy Lane", "zone": "Europe/Paris", "currency": "eur", "rule_set": "EU"}
OUTLETS = {"own_shop": "on", "own_shop_name": "Farm shop", "own_kitchen_name": "Kitchen"}
PRODUCT = {"name": "Salad bag 120 g", "nominal_g": "120", "shelf_life_days": "5"}


def walk_the_set_up(owner: Client) -> None:
    for step, told in (
        ("business", BUSINESS),
        ("outlets", OUTLETS),
        ("crops", {"group_0": ["Green loose-leaf lettuce", "Mustard leaf"], "others": "Shiso"}),
    ):
        assert owner.post(f"/first-steps/{step}/", told).status_code == 302, step
    crops = Crop.objects.exclude(name="Shiso").values_list("pk", flat=True)
    told = PRODUCT | {"crops": list(crops)}
    assert owner.post("/first-steps/product/", told).status_code == 302
    told = {"stock": "Roll, 60 × 40 mm"}
    assert owner.post("/first-steps/label_stock/", told).status_code == 302


def test_each_step_sets_up_what_it_says_and_leads_to_the_next(owner: Client):
    steps = list(listed(owner))
    assert len(steps) == 11
    assert listed(owner)["Name the business"] == "next"
    walk_the_set_up(owner)
    stands = listed(owner)
    assert [stands[title] for title in steps[:6]] == ["done"] * 5 + ["next"]
    business = Business.objects.get()
    assert (business.name, business.zone, business.currency) == (
        "Withy Lane",
        "Europe/Paris",
        "EUR",
    )
    assert {str(o): (o.place.kind, o.wants_notes) for o in Outlet.objects.all()} == {
        "Farm shop": ("shop", False)
    }
    kinds = Place.objects.filter(kind__in=["store", "packhouse", "quarantine"])
    assert sorted(kinds.values_list("name", flat=True)) == [
        "Cold store",
        "Packing bench",
        "Quarantine",
    ]
    mustard = Crop.objects.get(name="Mustard leaf")
    assert (mustard.allergen, mustard.cold_c, mustard.picked) == ("mustard", 2, "again")
    product = Product.objects.get()
    assert (product.code, product.allergens, product.shelf_life_days) == (
        "SALAD-BAG-120-G",
        "mustard",
        5,
    )
    assert product.recipe.count() == 2
    stock = LabelStock.objects.get()
    assert (stock.width_mm, stock.height_mm, stock.columns) == (60, 40, None)


def test_shelf_life_is_never_filled_in(owner: Client):
    walk_the_set_up(owner)
    shown = owner.get("/first-steps/product/").content.decode()
    assert re.search(r'name="shelf_life_days"(?![^>]*value)', shown)
    told = PRODUCT | {"name": "Undated", "shelf_life_days": "", "crops": [Crop.objects.first().pk]}
    assert owner.post("/first-steps/product/", told).status_code == 302
    assert Product.objects.get(name="Undated").shelf_life_days is None


@pytest.mark.parametrize(
    ("step", "told", "sentence"),
    [
        ("outlets", OUTLETS, "There is a place called Farm shop already"),
        ("outlets", {"own_shop_name": "Stall"}, "Choose at least one, or write one."),
        ("outlets", {"own_shop": "on", "own_shop_name": ""}, "Write a name."),
        ("crops", {"others": ""}, "Tick at least one crop, or write one."),
        ("crops", {"others": "x" * 61}, "A name has 60 letters at most."),
        ("product", PRODUCT, "Tick what may go into it."),
        ("product", PRODUCT | {"crops": ["1"], "nominal_g": "1,5"}, "Write a whole number."),
        ("business", BUSINESS | {"currency": "pounds"}, "Write three letters, such as GBP."),
        ("label_stock", {"stock": "Roll, 60 × 40 mm"}, "Select a valid choice."),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_made(owner: Client, step, told, sentence):
    walk_the_set_up(owner)
    before = [m.objects.count() for m in (Outlet, Place, Crop, Product, LabelStock)]
    page = owner.post(f"/first-steps/{step}/", told)
    assert page.status_code == 422
    assert sentence in says(page)
    assert [m.objects.count() for m in (Outlet, Place, Crop, Product, LabelStock)] == before


def test_a_product_of_a_name_that_is_there_is_refused(owner: Client):
    walk_the_set_up(owner)
    told = PRODUCT | {"crops": [Crop.objects.first().pk]}
    page = owner.post("/first-steps/product/", told | {"name": "salad BAG 120 g"})
    assert page.status_code == 422
    assert "There is a product called salad BAG 120 g already." in says(page)
    # another name whose code would be the same gets one of its own
    assert (
        owner.post("/first-steps/product/", told | {"name": "Salad bag, 120 g"}).status_code == 302
    )
    assert set(Product.objects.values_list("code", flat=True)) == {
        "SALAD-BAG-120-G",
        "SALAD-BAG-120-G-2",
    }


def test_the_zone_is_asked_no_longer_once_something_is_recorded(owner: Client, farm: Farm):
    owner.post("/first-steps/business/", BUSINESS)
    assert Business.objects.get().zone == "Europe/Paris"
    farm.cut(3000)
    owner.post("/first-steps/business/", BUSINESS | {"zone": "Asia/Tokyo", "name": "Other"})
    assert (Business.objects.get().zone, Business.objects.get().name) == ("Europe/Paris", "Other")


def test_the_list_leads_to_the_trace_and_is_then_put_away(owner: Client, farm: Farm):
    walk = listed(owner)
    assert walk["Name the business"] == "next"
    crate = farm.cut(3000)
    run = farm.pack([crate], packs=24)
    assert listed(owner)[f"Trace {run.code}"] == "later"
    farm.to_shop(run, 6)
    assert listed(owner)[f"Trace {run.code}"] == "next"
    assert owner.get("/first-steps/trace/").status_code == 405
    traced = owner.post("/first-steps/trace/", follow=True)
    assert run.code in traced.content.decode()
    assert crate.code in traced.content.decode()
    assert listed(owner) == {}
    assert FirstSteps.objects.count() == 1
    assert owner.post("/first-steps/away/").status_code == 302  # twice changes nothing
    # it is only out of the way
    assert 'href="/first-steps/"' in owner.get("/").content.decode()
    assert listed(owner, "/first-steps/")[f"Trace {run.code}"] == "next"


def test_only_kitchens_are_sent_to(owner: Client, farm: Farm):
    assert listed(owner)["Put it on the shelf"] == "later"
    farm.shop.wants_notes = True
    farm.shop.save()
    assert listed(owner)["Send it out"] == "later"


def test_only_those_who_set_up_are_led(farm: Farm):
    shown = {}
    for role in ("grower", "packer", "chef", "shop", "manager", "food_safety_lead", "learner"):
        person = Person.objects.create_user(role, is_staff=True)
        person.groups.add(Group.objects.get(name=role))
        client = Client()
        client.force_login(person)
        shown[role] = bool(listed(client))
        assert client.get("/first-steps/crops/").status_code == (200 if shown[role] else 403)
        assert client.get("/towers/").status_code == (200 if shown[role] else 403)
    assert [role for role, led in shown.items() if led] == ["manager"]


def test_the_list_asks_the_books_little(owner: Client, farm: Farm, django_assert_max_num_queries):
    farm.pack([farm.cut(3000)], packs=24)
    person = Person.objects.get(username="bryony")
    with django_assert_max_num_queries(5):
        assert first_steps.led(person)
    first_steps.put_away()
    with django_assert_max_num_queries(1):
        assert first_steps.led(person) == {"first_steps_again": "/first-steps/"}


def test_a_crate_can_be_booked_where_nothing_was_ever_sown(owner: Client, farm: Farm):
    """At level 1 nothing is asked of sowings and towers that are not kept."""
    shown = owner.get("/do/harvest/").content.decode()
    assert 'name="towers"' in shown
    assert 'name="batches' not in shown
    farm.sow(20)
    assert 'name="batches' in owner.get("/do/harvest/").content.decode()
    PlantSite.objects.all().delete()
    Place.objects.filter(kind=PlaceKind.TOWER).delete()
    assert 'name="towers"' not in owner.get("/do/harvest/").content.decode()


# --- the starter list ----------------------------------------------------------------------------


def test_every_figure_of_the_starter_list_says_where_it_is_from():
    told = tomllib.loads((starter.REFERENCE / "crops.toml").read_text(encoding="utf-8"))
    for row in told["crop"]:
        figures = {
            key for key in row if key in ("picked", "cold_c", "bunch_g", "allergen", "sprout")
        }
        sources = {key for key in row if key.endswith("_from")}
        assert {f"{key.split('_')[0]}_from" for key in figures} == sources, row["name"]
        assert all(row[key] in told["sources"] for key in sources), row["name"]
    used = {row[key] for row in told["crop"] for key in row if key.endswith("_from")}
    assert used == told["sources"].keys()


def test_the_starter_list_names_the_allergens_that_law_names():
    """Regulation (EU) 1169/2011, Annex II, points 1, 9 and 10; that the leaf counts is from
    memory. Sprouts by Implementing Regulation (EU) 208/2013, Article 2(a)."""
    crops = {name: one.crop for name, one in starter.crops().items()}
    assert {name: crop.allergen for name, crop in crops.items() if crop.allergen} == {
        "Mustard leaf": "mustard",
        "Celery leaf": "celery",
        "Mustard cress": "mustard",
        "Wheatgrass": "cereals containing gluten",
    }
    assert [name for name, crop in crops.items() if crop.sprout_rules] == ["Sprouted seeds"]
    for crop in crops.values():
        crop.full_clean(validate_unique=False)
    # leaf near freezing, basil and tomato never: one cold store cannot suit both
    assert min(crops[name].cold_c for name in ("Basil", "Cherry tomato")) > 10
    assert crops["Green loose-leaf lettuce"].cold_c == 2


def test_a_crop_written_by_hand_is_the_one_of_the_list_where_it_is_on_it(owner: Client):
    owner.post("/first-steps/crops/", {"others": "celery LEAF, Nasturtium, nasturtium"})
    assert set(Crop.objects.values_list("name", "allergen")) == {
        ("Celery leaf", "celery"),
        ("Nasturtium", ""),
    }
    assert "Celery leaf" not in re.findall(
        r'value="([^"]+)"', owner.get("/first-steps/crops/").content.decode()
    )


# --- towers in bulk ------------------------------------------------------------------------------


def towers(
    count: int = 30, first: int = 1, tiers: int = 10, each: int = 4, called: str = "T"
) -> Bulk:
    return Bulk(PlaceKind.TOWER, count, called, first, tiers, each)


def test_thirty_towers_of_ten_tiers_of_four_are_made_at_one_press(owner: Client):
    shown = owner.get("/towers/")
    assert "30 towers, 1200 sites: T1 to T30" in shown.content.decode()
    told = {"count": "30", "called": "T", "first": "1", "tiers": "10", "round": "4"}
    assert owner.post("/towers/", told).status_code == 302
    assert Place.objects.filter(kind=PlaceKind.TOWER).count() == 30
    sites = PlantSite.objects.order_by("tower_id", "tier", "position")
    assert sites.count() == 1200
    assert (str(sites.first()), str(sites.last())) == ("T1 1/1", "T30 10/4")
    # the next ten
    shown = says(owner.get("/towers/"))
    assert "10 towers, 400 sites: T31 to T40" in shown
    assert "30 towers stand already" in shown


def test_a_name_that_is_taken_is_refused_in_a_sentence_and_nothing_is_made(owner: Client):
    Place.objects.create(name="t4", kind=PlaceKind.BENCH)
    page = owner.post(
        "/towers/", {"count": "5", "called": "T", "first": "1", "tiers": "2", "round": "2"}
    )
    assert page.status_code == 422
    assert "T4 is there already: begin at 5, or give these another name." in says(page)
    assert not PlantSite.objects.exists()
    with pytest.raises(Refusal, match="T4 is there already: begin at 5"):
        bulk.build(towers(5))
    bulk.build(towers(5, first=5))
    with pytest.raises(Refusal, match="T4 and 5 more are there already: begin at 10"):
        bulk.build(towers(20, first=1))
    assert PlantSite.objects.count() == 200


@pytest.mark.parametrize(
    ("made", "names"),
    [
        (towers(2, called="Tower"), ["Tower 1", "Tower 2"]),
        (towers(1, first=7), ["T7"]),
        (Bulk(PlaceKind.BENCH, 2, " Bench ", 3), ["Bench 3", "Bench 4"]),
        (Bulk(PlaceKind.SHELF, 1, "N-", 1), ["N-1"]),
    ],
)
def test_how_they_are_called(made: Bulk, names: list[str]):
    assert [place.name for place in bulk.build(made)] == names
    assert PlantSite.objects.count() == made.sites


def test_benches_have_no_sites(owner: Client):
    assert "tiers" not in owner.get("/towers/?kind=bench").content.decode().split("<h1")[1]
    told = {"count": "2", "called": "Bench", "first": "1"}
    assert owner.post("/towers/?kind=bench", told).status_code == 302
    assert Place.objects.filter(kind=PlaceKind.BENCH).count() == 2
    assert not PlantSite.objects.exists()


def test_the_api_makes_as_many_in_the_same_words(farm: Farm):
    stood = Place.objects.count()
    api = APIClient()
    api.force_authenticate(farm.grower)
    told = {"count": 30, "called": "R", "tiers": 10, "sites_on_a_tier": 4}

    def make(**more: Any) -> tuple[int, dict[str, Any]]:
        answer = api.post("/api/v1/towers/", {k: v for k, v in (told | more).items() if v})
        return answer.status_code, answer.json()

    assert make() == (201, {"places": [f"R{n}" for n in range(1, 31)], "sites": 1200})
    sites = PlantSite.objects.filter(tower__name__startswith="R").order_by("pk")
    assert (sites.count(), str(sites.first()), str(sites.last())) == (1200, "R1 1/1", "R30 10/4")
    status, refused = make()  # sent twice, it is made once
    assert (status, refused["code"]) == (422, "taken")
    with pytest.raises(Refusal) as page_says:
        bulk.build(towers(30, called="R"))
    assert refused["sentence"] == page_says.value.sentence
    no_tiers = {"tiers": None, "sites_on_a_tier": None}
    assert make(kind="bench", called="Raft", count=2, **no_tiers) == (
        201,
        {"places": ["Raft 1", "Raft 2"], "sites": 0},
    )
    for field, wrong in (
        ("tiers", {"tiers": None}),
        ("tiers", {"kind": "bench", "called": "Table"}),
        ("tiers", {"tiers": 61}),
        ("count", {"count": 501}),
        ("kind", {"kind": "store"}),
    ):
        status, refused = make(first=200, **wrong)
        assert status == 400
        assert field in refused["facts"]["fields"], wrong
    assert Place.objects.count() == stood + 32


def test_too_many_at_once_are_refused():
    bulk.build(towers(1, tiers=60, each=60))
    with pytest.raises(Refusal, match="50000 sites at most"):
        bulk.build(towers(14, first=2, tiers=60, each=60))
    with pytest.raises(Refusal, match="too long for a name"):
        bulk.build(towers(1, called="x" * 60))
    assert PlantSite.objects.count() == 3600


def test_thirty_towers_take_few_questions(django_assert_max_num_queries):
    with django_assert_max_num_queries(12):
        bulk.build(towers())


def test_a_plant_can_stand_on_a_tower_made_in_bulk(farm: Farm):
    (tower,) = bulk.build(towers(1, first=9, tiers=2, each=4))
    batch = farm.sow(8)
    farm.pass_time(days=20)
    farm.plant(batch, tower, 8)
    assert farm.stock(batch, tower) == 8


def test_the_next_ten_are_called_as_the_last_were(db, admin_client):
    for n in (1, 2, 30):
        Place.objects.create(name=f"Tower {n}", kind="tower")
    page = admin_client.get("/towers/").content.decode()
    assert 'value="Tower"' in page
    assert 'value="31"' in page
