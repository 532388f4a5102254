"""The month for the owner: its numbers are those of the other figures, its sheet is one sheet."""

from __future__ import annotations

import datetime as dt
import io

import pypdfium2
import pytest
from django.contrib.auth.models import Group
from django.test import Client

from analytics.margin import margin
from analytics.month import month
from analytics.paid import beside
from analytics.rates import set_rate
from analytics.waste import waste
from grow.models import Person
from tests.farm import Farm
from tests.week import FIRST, a_week, figures_farm, rated

pytestmark = pytest.mark.django_db
MARCH = dt.date(2026, 3, 9)


@pytest.fixture
def farm() -> Farm:
    farm = figures_farm()
    rated()
    a_week(farm)
    return farm


@pytest.fixture
def client(farm: Farm) -> Client:
    manager = Person.objects.create_user("manager", password="pole-bean", is_staff=True)
    manager.groups.add(Group.objects.get(name="manager"))
    client = Client()
    client.force_login(manager)
    return client


def test_its_numbers_are_those_of_the_margin_and_the_waste(farm: Farm) -> None:
    found = month(MARCH, "GBP")
    earned, gone = margin(found.period), waste(found.period).total
    said = {number.name: number.value for number in found.numbers}
    assert said["Sold"] == f"{earned.total.takings_p / 100:,.2f} GBP"
    left = beside(earned).left_p
    assert said["What is left"] == f"{'−' * (left < 0)}{abs(left) / 100:,.2f} GBP"
    assert said["Cut"] == f"{gone.cut_g / 1000:,.1f} kg"
    assert sum(row.cut_g for row in found.weeks) == gone.cut_g - gone.grade_out_g
    assert sum(row.sold_g for row in found.weeks) == gone.sold_or_used_g
    assert found.weeks[-1].week == dt.date(2026, 3, 9)
    assert sum(grams for _, grams in found.leaf) == gone.went_g
    rent = found.numbers
    set_rate("rent", "7000", FIRST, "a lease")
    assert month(MARCH, "GBP").numbers[2] != rent[2]


def test_one_sentence_of_advice_and_one_of_doubt(farm: Farm) -> None:
    """Nothing paid in a week of planting. With mustard dearer than lettuce its sites are given the
    others; both crops are of one sowing week, which is too few to conclude anything."""
    found = month(MARCH, "GBP")
    assert found.advice.startswith("No crop paid for its sites after crop minutes; Loose-leaf")
    for what in ("wage", "seed", "medium"):
        set_rate(what, "0", dt.date(2020, 1, 1), "nothing")
    found = month(MARCH, "GBP")
    best, worst = found.crops
    high, low = (f"{row.after_alone_per_site_week_p:.1f} p" for row in (best, worst))
    assert found.advice == (
        f"{worst.crop} earned {low} a site and week after crop minutes, {best.crop} {high}. Give "
        f"some of its {worst.sites} sites to {best.crop}, as far as more of it sells."
    )
    assert found.doubt == (
        f"Too few batches: what stood of {best.crop} is of 1 sowing week, and 5 are the least "
        "from which anything may be concluded."
    )
    february = month(dt.date(2026, 2, 1), "GBP")
    assert february.advice == "Nothing here earned or was lost that one sentence could be about."
    assert february.crops == []


def test_leaf_that_was_left_uncut_may_be_what_matters_most(farm: Farm) -> None:
    batch = farm.sow(84)
    farm.plant(batch, farm.t3, 8)
    farm.pass_time(days=3)
    farm.tell("clear", batch=batch, why="no order", left="full", uncut_g=399_550)
    found = month(MARCH, "GBP")
    assert found.advice == (
        "Sow less, or sell more: 400.0 kg were left uncut when their sites were cleared."
    )


def test_the_sheet_is_one_page_and_says_what_the_page_says(client: Client) -> None:
    page = client.get("/month/", {"month": "2026-03"}).content.decode()
    found = month(MARCH, "GBP")
    answer = client.get("/month/paper/", {"month": "2026-03"})
    assert answer["Content-Type"] == "application/pdf"
    paper = pypdfium2.PdfDocument(io.BytesIO(answer.content))
    assert len(paper) == 1
    text = " ".join(paper[0].get_textpage().get_text_bounded().split())
    for said in (found.advice, found.doubt, *(n.value for n in found.numbers), "March 2026"):
        assert said in text
        assert said.replace("'", "&#x27;") in page
    assert [row.called for row in found.crops if row.called not in text] == []
    empty = client.get("/month/paper/", {"month": "2026-01"}).content
    bare = pypdfium2.PdfDocument(io.BytesIO(empty))[0].get_textpage().get_text_bounded()
    assert "No leaf was here." in bare
    later = client.get("/month/paper/", {"month": "2026-05"})
    assert (later.status_code, later["Content-Type"]) == (400, "text/plain")
    assert b"May 2026 is still to come." in later.content
    data = client.get("/api/v1/figures/month/", {"month": "2026-03-05"}).json()
    assert (data["advice"], data["doubt"]) == (found.advice, found.doubt)
    assert [n["value"] for n in data["numbers"]] == [n.value for n in found.numbers]
