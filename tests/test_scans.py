"""A lot is found by whatever its label holds: its code, an address of our own, a GS1 Digital Link,
an element string; and by what another country's keyboard makes of them."""

from __future__ import annotations

import re
from typing import Any

import pytest
from rest_framework.test import APIClient

from grow import codes, queries
from grow.errors import NotKnown
from grow.finding import rows_called
from grow.models import Lot
from sales import gs1, scans
from sales.trace import trace
from tests.farm import Crate, Farm
from tests.hands import People, Thumb
from tests.test_reading_pages import signed_in

pytestmark = pytest.mark.django_db

GTIN = "09521234543213"
#: What of a label's code stands in its symbol, LOT for the code.
FORMS = {
    "code": "LOT",
    "own address": "https://farm.example/l/LOT",
    "own address, capitals": "HTTPS://FARM.EXAMPLE/L/LOT",
    "own address under a path": "https://farm.example/our/l/LOT",
    "own address, port": "http://192.0.2.7:8000/l/LOT/",
    "Digital Link": f"https://farm.example/01/{GTIN}/10/LOT?17=261201",
    "Digital Link, capitals": f"HTTPS://FARM.EXAMPLE/01/{GTIN}/10/LOT",
    "Digital Link, QR": f"]Q1https://id.gs1.org/01/{GTIN}/10/LOT",
    "brackets": f"(01){GTIN}(17)261201(10)LOT",
    "GS1-128": f"]C101{GTIN}10LOT{gs1.GS}17261201",
    "GS1 DataMatrix": f"]d201{GTIN}1726120110LOT",
    "element string": f"01{GTIN}10LOT|17261201",
    "lot alone": "(10)LOT",
    "British scanner, German computer": "httpsÖ--farm.example-l-LOT",
    "German scanner, British computer": "https>&&farm.example&l&LOT",
}


def as_scanned(form: str, code: str) -> str:
    """A label's code in one of the forms; a garbled one has its hyphens garbled too."""
    hyphen = {"British scanner, German computer": "ß", "German scanner, British computer": "/"}
    return FORMS[form].replace("LOT", code.replace("-", hyphen.get(form, "-")))


@pytest.mark.parametrize("form", FORMS)
def test_a_lot_is_found_by_its_label(farm: Farm, form: str) -> None:
    run, other = (farm.pack([farm.cut(600)], packs=5) for _ in range(2))
    for lot in (run, other):
        scan = as_scanned(form, lot.code)
        assert queries.lots_called(scan) == [lot]
        assert queries.the_lot(scan) == lot
        assert rows_called(Lot, [scan, other.code], farm.grower) == [lot, other]
        found = trace(scan)
        assert found.roots == [lot.pk]
        assert found.asked == lot.code  # in its own words, not in the scanner's
        assert not found.notes


@pytest.mark.parametrize("form", FORMS)
def test_the_trace_page_takes_what_a_scanner_types(farm: Farm, form: str) -> None:
    run = farm.pack([farm.cut(600)], packs=5)
    client = signed_in("food_safety_lead")
    page = client.get("/trace/", {"code": as_scanned(form, run.code)})
    assert page.status_code == 200
    assert re.search(rf"<h2[^>]*>\s*{run.code}\s*</h2>", page.content.decode())
    as_json = client.get("/api/v1/trace/", {"code": as_scanned(form, run.code)})
    assert as_json.json()["lot"] == run.code


@pytest.mark.parametrize("form", FORMS)
def test_an_act_takes_a_scan_for_a_lot(farm: Farm, form: str) -> None:
    run = farm.pack([farm.cut(600)], packs=5)
    client = APIClient()
    client.force_authenticate(farm.grower)
    line = {"lot": as_scanned(form, run.code), "quantity": 2, "from_place": "Cold store"}
    told = {"outlet": "Farm shop", "lines": [line]}
    answer = client.post("/api/v1/acts/put_on_shelf/", told, headers={"Idempotency-Key": "k-1"})
    assert answer.status_code == 201, answer.content
    assert queries.stock(run, farm.store) == 3


@pytest.mark.parametrize("form", FORMS)
def test_a_form_finds_where_what_was_scanned_stands(farm: Farm, form: str) -> None:
    """Its place is not typed: it stands in one alone."""
    run = farm.pack([farm.cut(600)], packs=5)
    told = {"lines-9-lot": as_scanned(form, run.code), "lines-9-quantity": "2"}
    more = {"outlet": "Farm shop", "client_id": "p-1"}
    answer = signed_in("packer").post("/do/put_on_shelf/", told | more)
    assert answer.status_code == 302
    assert queries.stock(run, farm.store) == 3


def test_a_crate_takes_the_tag_that_was_scanned(farm: Farm) -> None:
    (tag,) = farm.tell("print_tags", count=1).tags.values_list("code", flat=True)
    crate = Crate(800, 0, f"https://farm.example/l/{tag}")
    lot = farm.tell("harvest", crates=[crate], store=farm.store, crop=farm.lettuce).lot
    assert lot.code == tag


def test_a_scanned_address_chooses_its_card(people: People, page: Any, live_server: Any) -> None:
    for scan in ("https://farm.example/l/LOT", f"(01){GTIN}(10)LOT"):
        Thumb(page, people, "grower", live_server.url)
        page.goto("/do/harvest/")
        code = page.get_by_label("Scan or type a code")
        code.fill(scan.replace("LOT", people.batch.code))
        code.press("Enter")
        card = page.locator(".card", has_text=people.batch.code)
        assert card.get_by_role("checkbox").is_checked()
        assert code.input_value() == ""


def test_somebody_tied_to_an_outlet_learns_nothing_by_scanning(farm: Farm) -> None:
    """A lot of another outlet is answered as one that never was, in every form."""
    farm.other_shop()
    own, other = (farm.pack([farm.cut(600)], packs=5) for _ in range(2))
    farm.arrive(farm.send(own, 4), own, accepted=4)
    chef = signed_in("chef", farm.kitchen_place)
    never = other.code[:-1] + ("A" if other.code[-1] != "A" else "B")
    for form in FORMS:
        if "computer" in form:  # a wrong check character is not mended
            continue
        seen = chef.get("/api/v1/trace/", {"code": as_scanned(form, own.code)})
        assert (seen.status_code, seen.json()["asked"]) == (200, own.code)
        answers = [
            chef.get("/api/v1/trace/", {"code": as_scanned(form, code)})
            for code in (other.code, never)
        ]
        assert [answer.status_code for answer in answers] == [404, 404]
        told = [answer.json()["sentence"] for answer in answers]
        assert told[0].replace(other.code, never) == told[1]


def test_a_suppliers_label_finds_what_came_under_its_lot_number(farm: Farm) -> None:
    receipt = farm.tell("receive_input", item=farm.seed_item, supplier=farm.supplier,
                        place=farm.store, supplier_lot="AB/12.3").lot  # fmt: skip
    for scan in (f"https://seeds.example/01/{GTIN}/10/AB%2F12.3", f"]C101{GTIN}10AB/12.3"):
        assert trace(scan).roots == [receipt.pk]


def test_a_scan_of_a_lot_that_is_not_ours_is_said_to_be_unknown(farm: Farm) -> None:
    run = farm.pack([farm.cut(600)], packs=5)
    wrong = run.code[:-1] + ("A" if run.code[-1] != "A" else "B")
    for form in ("own address", "Digital Link", "brackets"):
        scan = as_scanned(form, wrong)
        for ask in (trace, queries.the_lot):
            with pytest.raises(NotKnown, match=f"No lot is called {wrong}.") as refused:
                ask(scan)
            assert run.code in refused.value.facts["nearest"]
        (refusal,) = rows_called(Lot, [scan], farm.grower)
        assert isinstance(refusal, NotKnown)
        assert refusal.sentence.startswith(f"No lot is called “{wrong}”. Did you mean {run.code}")


def test_a_number_or_a_page_without_a_lot_is_no_lot(farm: Farm) -> None:
    farm.pack([farm.cut(600)], packs=5)
    wrong = f"https://farm.example/01/{GTIN[:-1]}9/10/L1"
    for scan in (GTIN, "2012345678903", f"(01){GTIN}", "https://farm.example/", "(10)", wrong):
        assert queries.lots_called(scan) == []


def test_a_lot_whose_name_looks_like_a_scan_is_still_found(farm: Farm) -> None:
    """What holds another lot comes first; the text itself is asked for all the same."""
    odd = farm.tell("receive_input", item=farm.seed_item, supplier=farm.supplier,
                    place=farm.store, supplier_lot="(10)77").lot  # fmt: skip
    assert trace("(10)77").roots == [odd.pk]


def test_a_mistyped_letter_is_not_taken_for_a_keyboard() -> None:
    """H26330-05-Z is a code. With a Y it is none, typed by hand or by a scanner, until a hyphen
    tells that another keyboard was at work."""
    assert codes.is_valid("H26330-05-Z")
    assert not codes.is_valid("H26330-05-Y")
    for typed in ("H26330-05-Y", "h2633005y", "H26330 05 Y"):
        assert scans.lot_in(typed) is None
    assert scans.lot_in("H26330ß05ßY") == "H26330-05-Z"


def test_what_a_person_types_costs_nothing_more(farm: Farm, django_assert_num_queries: Any) -> None:
    with django_assert_num_queries(2):
        assert queries.lots_called("green salad") == []
