"""The month for the owner: its numbers are those of the other figures, its sheet is one sheet."""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import replace
from decimal import Decimal

import pypdfium2
import pytest
from django.contrib.auth.models import Group
from django.test import Client

from analytics.crop_ranking import crop_ranking
from analytics.margin import margin
from analytics.month import Month, month
from analytics.month_advice import Advising
from analytics.paid import beside
from analytics.rates import set_rate
from analytics.waste import waste
from grow.models import Person
from tests.farm import Farm
from tests.test_crop_ranking import season
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
    assert sum(row.cut_g for row in found.weeks) == gone.cut_g
    assert gone.grade_out_g > 0  # what was cut has it in it, on the sheet as in the chart
    assert sum(row.sold_g for row in found.weeks) == gone.sold_or_used_g
    assert found.weeks[-1].week == dt.date(2026, 3, 9)
    assert sum(grams for _, grams in found.leaf) == gone.went_g
    way = found.steps
    assert found.way.startswith(f"Sold {earned.total.takings_p / 100:,.2f} − kept by shops ")
    assert found.way.endswith(f"= left {'−' * (left < 0)}{abs(left) / 100:,.2f} GBP.")
    so_far = 0
    for name, pence in way:
        so_far += 0 if name.startswith("=") else pence
        assert so_far == pence or not name.startswith("="), name
    assert sum(name.startswith("=") for name, _ in way) == 3
    rent = found.numbers
    set_rate("rent", "7000", FIRST, "a lease")
    found = month(MARCH, "GBP")
    assert found.numbers[2] != rent[2]
    assert dict(found.steps)["rent"] < 0
    assert found.steps[-1][1] == beside(margin(found.period)).left_p


def test_one_sentence_of_advice_and_one_of_doubt(farm: Farm) -> None:
    """Nothing paid in a week of planting. With nothing to pay mustard is ahead of lettuce; both are
    of one sowing week, which is too few to move a site on: what stood when records began, of which
    nobody told when it was planted, is of none."""
    found = month(MARCH, "GBP")
    assert found.advice.startswith("No crop paid for its sites after crop minutes; Loose-leaf")
    for what in ("wage", "seed", "medium"):
        set_rate(what, "0", dt.date(2020, 1, 1), "nothing")
    farm.pass_time(days=7)
    for variety in (farm.red, farm.green):
        farm.tell("opening_entry", kind="batch", quantity=2, variety=variety, towers=[farm.t3])
    farm.pass_time(days=1)
    found = month(MARCH, "GBP")
    best, worst = found.crops
    high, low = (f"{row.after_alone_per_site_week_p:.1f} p" for row in (best, worst))
    assert found.advice.endswith(
        "Move no sites on what March says: too few sowing weeks to tell its crops apart. The "
        f"widest gap, {best.crop} {high} to {worst.crop} {low} a site and week after crop minutes, "
        "says nothing yet."
    )
    assert found.doubt == (
        f"Too few batches: what stood of {best.crop} is of 1 sowing week, and 5 are the least "
        "from which anything may be concluded."
    )
    february = month(dt.date(2026, 2, 1), "GBP")
    assert february.advice == "Nothing here earned or was lost that one sentence could be about."
    assert february.crops == []


def test_sites_are_moved_only_between_crops_that_the_month_tells_apart() -> None:
    """The same weekly sowings of both, mustard cut heavier: in April the ranking tells them apart,
    and the advice is of them, with what it is worth a week: three sowings of five held sites at a
    time. No minute of it was timed, which is what speaks most against it."""
    season(figures_farm(), (600, 1000), weeks=9)
    april = month(dt.date(2026, 4, 1), "GBP")
    assert crop_ranking(april.period).rows[0].leads
    high, low, a_week = of_two(april)
    assert april.advice == (
        f"Loose-leaf lettuce earned {low} a site and week after crop minutes, Red mustard {high}, "
        f"and April tells them apart. Give some of its sites to Red mustard, as far as more of it "
        f"sells: the 15 that it held on average would be {a_week} a week."
    )
    assert april.doubt.startswith("100.0 % of the minutes are standard and not timed, and minutes")
    said = doubts(april)
    (chance,) = [share for says, share in said.items() if says.startswith("By 7 sowing weeks the")]
    assert 0 < chance < 100
    assert said[april.doubt] == max(said.values()) == 100

    # none of the better was planted then; and one that earned less is of too few sowing weeks
    best, worst = april.crops
    spinach = replace(worst, crop="Spinach", crop_id=0, door_alone_p=worst.minutes_p)
    of_april = advising(april)
    bare = replace(of_april, crops=[replace(best, planted=0), worst, spinach])
    assert (
        f"Move no sites now: Red mustard earned {high} a site and week after crop minutes and "
        f"Loose-leaf lettuce {low}, but no Red mustard was planted in April."
    ) in bare.said()[0]
    less = f"{spinach.after_alone_per_site_week_p:.1f} p".replace("-", "−")
    passed = f" Passed over, of fewer than 5 sowing weeks: Spinach {less} (0)."
    with_it = replace(of_april, crops=[best, worst, spinach])
    assert with_it.said()[0] == april.advice + passed


def test_of_crops_that_gave_alike_no_site_is_moved() -> None:
    season(figures_farm(), (800, 800), weeks=9)
    april = month(dt.date(2026, 4, 1), "GBP")
    assert not crop_ranking(april.period).rows[0].leads
    high, low, a_week = of_two(april)
    best, worst = april.crops
    assert april.advice == (
        "Move no sites on what April says: it tells no two crops apart. The widest gap, "
        f"{best.crop} {high} to {worst.crop} {low} a site and week after crop minutes, may be "
        "chance."
    )
    (says,) = [says for says in doubts(april) if says.startswith(f"{best.crop} is ahead of")]
    assert says.endswith(f"if that is no chance, to leave those sites alone costs {a_week} a week.")


def doubts(found: Month) -> dict[str, Decimal]:
    """What speaks against a month's advice, and how much of it is not firm."""
    return {says: share for share, says in advising(found).doubts()}


def advising(found: Month) -> Advising:
    ranking = crop_ranking(found.period)
    return Advising(found.period, "GBP", found.crops, ranking, found.waste_total, found.table)


def of_two(found: Month) -> tuple[str, str, str]:
    """What the better and the worse of two crops earned, and what its sites lack in a week."""
    high, low = (row.after_alone_per_site_week_p or Decimal(0) for row in found.crops)
    held = found.crops[-1].site_weeks / (Decimal(found.period.days) / 7)
    a_week = f"{(high - low) * held / 100:.2f} GBP"
    return f"{high:.1f} p", f"{low:.1f} p".replace("-", "−"), a_week


def test_leaf_that_was_left_uncut_may_be_what_matters_most(farm: Farm) -> None:
    batch = farm.sow(84)
    farm.plant(batch, farm.t3, 8)
    farm.pass_time(days=3)
    farm.tell("clear", batch=batch, why="no order", left="full", uncut_g=399_550)
    found = month(MARCH, "GBP")
    assert found.advice.startswith(
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
    for said in (
        found.advice,
        found.doubt,
        found.way,
        *(n.value for n in found.numbers),
        "March 2026",
    ):
        assert said in text
        assert said.replace("'", "&#x27;") in page
    assert [row.called for row in found.crops if row.called not in text] == []
    empty = client.get("/month/paper/", {"month": "2026-01"}).content
    bare = pypdfium2.PdfDocument(io.BytesIO(empty))[0].get_textpage().get_text_bounded()
    assert "No leaf was here." in bare
    assert "Nothing was cut or sold." in bare
    nothing = client.get("/month/", {"month": "2026-01"}).content.decode()
    assert "Nothing was cut or sold in those weeks." in nothing
    assert [text.count('class="drawn"') for text in (page, nothing)] == [3, 0]
    later = client.get("/month/paper/", {"month": "2026-05"})
    assert (later.status_code, later["Content-Type"]) == (400, "text/plain")
    assert b"May 2026 is still to come." in later.content
    data = client.get("/api/v1/figures/month/", {"month": "2026-03-05"}).json()
    assert (data["advice"], data["doubt"]) == (found.advice, found.doubt)
    assert data["way"] == found.way
    assert [n["value"] for n in data["numbers"]] == [n.value for n in found.numbers]
