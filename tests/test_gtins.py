"""A product's GTIN and the company prefix of the business: the same rules in the admin site, in the
API and in an import.

GTINs and prefixes that belong together are those of GS1's own EPCIS examples, in
`vectors/check-values.json`; 9521234 is a prefix that GS1 keeps for examples."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from django.core.exceptions import ValidationError
from django.test import Client
from rest_framework.test import APIClient

from grow.errors import Refusal
from grow.importing import sheets
from grow.importing.playing import play
from grow.models import Business, Person
from sales import gs1, gtins
from sales.models import Product
from tests.farm import Farm

pytestmark = pytest.mark.django_db

PREFIX = "9521234"
GTIN = "09521234543213"
#: What each refusal says of a GTIN that is typed.
WRONG = {
    "9521234543214": "ends in 4, but the digits before it ask for 3",
    "952123454321": "ends in 1, but the digits before it ask for",
    "95212345": "ends in 5, but the digits before it ask for",
    "2112233789657": "is a number for use inside one shop, firm or region, not a GTIN",
    "9521234543": "has 10 digits; a GTIN has 8, 12, 13 or 14",
    "952123454321X": "holds “X” where only digits may stand",
    "4012345123456": "does not begin with 9521234, the company prefix under Business",
}
_VECTORS = json.loads((Path(__file__).parent / "vectors" / "check-values.json").read_text())


@pytest.fixture
def business(db: None) -> Business:
    return Business.objects.create(name="Ashwithy", company_prefix=PREFIX)


@pytest.fixture
def boss(db: None) -> Person:
    return Person.objects.create_superuser("boss", password="x")


@pytest.mark.parametrize(
    "pair", _VECTORS["lgtin_to_digital_link"], ids=lambda pair: pair["computed_gtin"]
)
def test_a_gtin_begins_with_its_prefix(pair: dict[str, str]) -> None:
    """GS1's URN of a class writes the company prefix, a stop, the first digit of 14 and the rest;
    its Digital Link has the same in one number."""
    prefix = pair["urn"].split(":")[4].split(".")[0]
    assert gs1.begins_with(pair["computed_gtin"], prefix)
    assert not gs1.begins_with(pair["computed_gtin"], f"{int(prefix) + 1:0{len(prefix)}}")
    assert gs1.company_prefix(prefix) == prefix


@pytest.mark.parametrize("typed", ["9521234543213", GTIN, " 9521234543213 "])
def test_a_gtin_is_kept_in_14_digits(business: Business, typed: str) -> None:
    assert gtins.own_gtin(typed) == GTIN


def test_a_gtin_of_8_digits_has_no_prefix(business: Business) -> None:
    """95200002: check digit by GS1's own rule, as tests/test_gs1.py holds it to GS1's values."""
    assert gtins.own_gtin("95200002") == "00000095200002"


@pytest.mark.parametrize("typed", WRONG)
def test_the_admin_site_says_what_is_wrong(
    farm: Farm, business: Business, boss: Person, typed: str
) -> None:
    client = Client()
    client.force_login(boss)
    url = f"/sales/product/{farm.bag.pk}/change/"
    told = {"name": "Salad bag", "code": "SALAD-120", "form": "bag", "nominal_g": 120}
    told |= {"fill": "every", "tare_g": "0", "packaging_pence": "8.5"}
    for lines in ("recipe", "cards"):
        told |= {f"{lines}-TOTAL_FORMS": 0, f"{lines}-INITIAL_FORMS": 0}
    assert client.post(url, told | {"gtin": "9521234543213"}).status_code == 302
    farm.bag.refresh_from_db()
    assert farm.bag.gtin == GTIN
    refused = client.post(url, told | {"gtin": typed})
    assert refused.status_code == 200
    assert WRONG[typed] in refused.content.decode()
    farm.bag.refresh_from_db()
    assert farm.bag.gtin == GTIN


@pytest.mark.parametrize("typed", WRONG)
def test_the_api_says_what_is_wrong(
    farm: Farm, business: Business, boss: Person, typed: str
) -> None:
    api = APIClient()
    api.force_authenticate(boss)
    url = f"/api/v1/products/{farm.bag.pk}/"
    told = api.patch(url, {"gtin": "9521234543213"})
    assert (told.status_code, told.json()["gtin"]) == (200, GTIN)
    assert Product.objects.get(pk=farm.bag.pk).gtin == GTIN
    refused = api.patch(url, {"gtin": typed})
    assert refused.status_code == 400
    assert WRONG[typed] in str(refused.json())
    new = {"code": "MIX-80", "name": "Mix", "nominal_g": 80}
    assert WRONG[typed] in str(api.post("/api/v1/products/", new | {"gtin": typed}).json())
    # the same number, typed with one digit fewer, is the same product's
    taken = api.post("/api/v1/products/", new | {"gtin": "9521234543213"})
    assert "Another product has that GTIN." in str(taken.json())
    assert api.patch(url, {"gtin": ""}).json()["gtin"] == ""
    made = api.post("/api/v1/products/", new | {"gtin": "9521234543213"})
    assert (made.status_code, made.json()["gtin"]) == (201, GTIN)


def _sheet(gtin: str) -> bytes:
    return f"code,name,nominal_g,gtin\nMIX-80,Mix,80,{gtin}\n".encode()


@pytest.mark.parametrize("typed", WRONG)
def test_an_import_says_what_is_wrong(business: Business, boss: Person, typed: str) -> None:
    def told(gtin: str):
        return play(list(sheets.read("products.csv", _sheet(gtin))), boss, record=True)

    (bad,) = told(typed).bads
    assert WRONG[typed] in bad.sentence
    assert told("9521234543213").recorded
    assert Product.objects.get().gtin == GTIN
    again = told("9521234543213")
    assert not again.bads
    assert Product.objects.count() == 1


@pytest.mark.parametrize(
    ("prefix", "says"),
    [
        ("2012345", "2012345 begins numbers for use inside one shop, firm or region"),
        ("0412", "0412 begins numbers for use inside one shop, firm or region"),
        ("952", "A company prefix is 4 to 12 figures."),
        ("9521234567890", "at most 12"),
        ("95212x4", "A company prefix is 4 to 12 figures."),
        ("9529999", "Salad bag 120 g has the GTIN 09521234543213, which does not begin with 9529"),
    ],
)
def test_a_company_prefix_is_one_and_fits_what_there_is(
    farm: Farm, business: Business, boss: Person, prefix: str, says: str
) -> None:
    farm.bag.gtin = GTIN
    farm.bag.full_clean()
    farm.bag.save()
    api = APIClient()
    api.force_authenticate(boss)
    told = {"name": "Ashwithy", "zone": "Europe/London", "currency": "GBP", "rule_set": "UK"}
    told |= {"water_scale_tolerance_pct": "5"}
    client = Client()
    client.force_login(boss)
    url = "/grow/business/1/change/"
    assert client.post(url, told | {"company_prefix": "95212345"}).status_code == 302
    assert api.patch("/api/v1/business/", {"company_prefix": PREFIX}).status_code == 200
    assert Business.the().company_prefix == PREFIX
    assert says in client.post(url, told | {"company_prefix": prefix}).content.decode()
    refused = api.patch("/api/v1/business/", {"company_prefix": prefix})
    assert refused.status_code == 400
    assert says in str(refused.json()) or "12 characters" in str(refused.json())
    assert Business.the().company_prefix == PREFIX


def test_without_a_prefix_any_true_gtin_is_taken(farm: Farm) -> None:
    """4012345123456 is of GS1's EPCIS examples."""
    assert gtins.own_gtin("4012345123456") == "04012345123456"
    Business.objects.create(name="Ashwithy", company_prefix=PREFIX)
    with pytest.raises(Refusal, match="does not begin with 9521234"):
        gtins.own_gtin("4012345123456")


def test_a_product_without_a_gtin_asks_nothing(farm: Farm, business: Business) -> None:
    farm.bag.full_clean()
    farm.loose.full_clean()
    assert (farm.bag.gtin, farm.loose.gtin) == ("", "")
    farm.bag.gtin = "1"
    with pytest.raises(ValidationError, match="has 1 digits"):
        farm.bag.full_clean()
