"""A laboratory's result against a lot, a fill or a place: judged, flagged, and never holding
anything by itself; and products that wait for theirs."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow.errors import Refusal
from grow.faults import faults
from grow.models import Event, Flag, Hold, LabResult, Lot, Person
from sales.models import Product
from tests.farm import Farm
from tests.test_microbiology import TWENTY

pytestmark = pytest.mark.django_db
GOOD, BAD = "10 20 30 40 50", "10 10 10 10 1001"


@pytest.fixture
def run(farm: Farm) -> Lot:
    batch = farm.sow(60)
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.tell("fill", tank=farm.tank, litres=100)
    farm.pass_time(days=30)
    farm.plant(batch, farm.t1, 20)
    farm.pass_time(days=5)
    return farm.pack([farm.cut(2600, batch)], packs=20)


def told(farm: Farm, results: str, criterion: str = "e_coli_cut", **more):
    return farm.tell("lab_result", criterion=criterion, results=results, **more)


def signed_in(role: str) -> Client:
    person = Person.objects.create_user(role, is_staff=True)
    person.groups.add(Group.objects.get(name=role))
    client = Client()
    client.force_login(person)
    return client


def test_a_result_is_judged_and_flagged_and_holds_nothing(farm: Farm, run: Lot) -> None:
    told(farm, GOOD, lots=[run])
    assert not Flag.objects.filter(kind="lab_failed").exists()
    failed = told(farm, BAD, lots=[run], laboratory="Wold Labs", sample="S-7")
    row = LabResult.objects.get(event=failed)
    assert (row.lot, row.place, row.figures, row.verdict) == (run, None, BAD, "unsatisfactory")
    (flag,) = Flag.objects.filter(kind="lab_failed")
    assert flag.lot == run
    assert "1001 cfu/g is above 1000" in flag.says
    assert not Hold.objects.exists()
    farm.to_shop(run, 3)  # and nothing stands in its way
    assert faults() == []


def test_whoever_records_a_failure_is_led_to_the_hold_filled_in(farm: Farm, run: Lot) -> None:
    client = signed_in("packer")
    sent = {"criterion": "e_coli_cut", "results": BAD, "lots": run.code, "client_id": "lab-1"}
    page = client.post("/do/lab_result/", sent, follow=True).content.decode()
    assert "unsatisfactory" in page
    assert "By itself it is no recall" in page
    assert f'href="/trace/?entry={Event.objects.latest("pk").pk}">What it makes suspect</a>' in page
    link = page.split("Hold it</a>")[0].rpartition('href="')[2].split('"')[0].replace("&amp;", "&")
    form = client.get(link).content.decode()
    assert run.code in form
    assert "Laboratory: E. coli. 1001 cfu/g is above 1000" in form
    listed = client.get("/laboratory/", {"lot": run.code}).content.decode()
    assert "2073/2005, Annex I, 2.5.1" in listed
    sent |= {"results": GOOD, "client_id": "lab-2"}
    page = client.post("/do/lab_result/", sent, follow=True).content.decode()
    assert page.count("What it makes suspect</a>") == 1
    assert page.count("Hold it</a>") == 1  # of the first, which stands in the list of today


def test_water_of_a_tank_is_the_fill_that_stood_in_it(farm: Farm, run: Lot) -> None:
    first = Lot.objects.get(kind="water")
    taken_on = farm.today
    farm.pass_time(days=2)
    farm.tell("top_up", tank=farm.tank, litres=10)
    bad = told(farm, "101", "water_contact", place=farm.tank, taken_on=taken_on)
    assert set(LabResult.objects.filter(event=bad).values_list("lot", "place", "verdict")) == {
        (None, farm.tank.pk, "unsatisfactory"),
        (first.pk, None, "unsatisfactory"),
    }
    # a bench has no water of its own
    told(farm, "100", "water_contact", place=farm.bench)
    assert LabResult.objects.get(place=farm.bench).verdict == "satisfactory"
    farm.tell("cancel", event=bad, reason="another farm's report")
    assert not LabResult.objects.filter(event=bad).exists()
    assert faults() == []


def test_a_series_of_waters_is_judged_when_it_is_long_enough(farm: Farm) -> None:
    """Twenty samples of food-law notes, five a visit: mean 47.9, threshold 205.3."""
    samples = TWENTY.split()
    verdicts = []
    for n in range(0, 20, 5):
        farm.pass_time(days=30)
        event = told(farm, " ".join(samples[n : n + 5]), "water_mean", place=farm.tank)
        row = LabResult.objects.get(event=event, place=farm.tank)
        verdicts.append(row.verdict)
    assert verdicts == ["incomplete"] * 3 + ["satisfactory"]
    assert "geometric mean 47.9, threshold 205.3" in row.says


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({"lots": []}, "where"),
        ({"results": "1,500"}, "no_figure"),
        ({"results": " "}, "no_figure"),
        ({"criterion": "taste"}, "no_such_choice"),
    ],
)
def test_what_says_nothing_is_refused(farm: Farm, run: Lot, wrong: dict, code: str) -> None:
    right = {"criterion": "e_coli_cut", "results": GOOD, "lots": [run]}
    farm.tell("lab_result", **right)
    with pytest.raises(Refusal) as refused:
        farm.tell("lab_result", **right | wrong)
    assert refused.value.code == code


def test_a_product_that_waits_for_its_result_is_born_held(farm: Farm, run: Lot) -> None:
    assert not Hold.objects.filter(lot=run).exists()
    Product.objects.filter(pk=farm.bag.pk).update(test_and_hold=True)
    farm.bag.refresh_from_db()
    waits = farm.pack([farm.cut(1300, crop=farm.lettuce)], packs=10)
    assert "laboratory" in Hold.objects.get(lot=waits, ended_by=None).reason
    with pytest.raises(Refusal, match="laboratory"):
        farm.to_shop(waits, 3)
    client = signed_in("food_safety_lead")
    sent = {"criterion": "e_coli_cut", "results": GOOD, "lots": waits.code, "client_id": "lab-3"}
    page = client.post("/do/lab_result/", sent, follow=True).content.decode()
    assert "Release it</a>" in page
    assert Hold.objects.filter(lot=waits, ended_by=None).exists()  # a person lets go
    farm.tell("hold", lots=[waits], reason="glass found on the line")
    sent["client_id"] = "lab-4"
    page = client.post("/do/lab_result/", sent, follow=True).content.decode()
    assert "Release it</a>" not in page  # it would end that hold, too
    farm.tell("release", lots=[waits], reason="result is satisfactory")
    farm.pass_time(minutes=1)
    farm.to_shop(waits, 3)
    assert faults() == []
