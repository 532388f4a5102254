"""The page of the crops: what every figure says of itself, sorting, files, and the rows behind."""

from __future__ import annotations

import csv
import datetime as dt
import html
import io
import re
from collections import Counter
from typing import Any

import openpyxl
import pytest
from django.contrib.auth.models import Group
from django.test import Client

from analytics.crop_asked import usual_season
from analytics.crop_table import BY, Only, crop_table
from analytics.pages import PAGES
from analytics.period import Period
from analytics.rates import set_rate
from grow.models import Person
from tests.farm import Farm
from tests.hands import looked_at
from tests.test_wintering import ENTERED_ROW
from tests.week import FIRST, WEEK, a_week, figures_farm, rated

ASKED = {"first": str(WEEK.first), "last": str(WEEK.last)}
#: A month goes on up to the day that it is asked for.
MARCH = Period(dt.date(2026, 3, 1), dt.date(2026, 3, 9))
#: A crop whose name a spreadsheet would work out.
FORMULA = "=1+1 lettuce"


def week() -> Farm:
    farm = figures_farm()
    rated()
    set_rate("floor", "1.8", FIRST, "measured with a tape")
    a_week(farm)
    farm.lettuce.name = FORMULA
    farm.lettuce.save()
    manager = Person.objects.create_user("manager", password="pole-bean", is_staff=True)
    manager.groups.add(Group.objects.get(name="manager"))
    return farm


@pytest.fixture
def farm(db: None) -> Farm:
    return week()


@pytest.fixture
def client(farm: Farm) -> Client:
    client = Client()
    client.force_login(Person.objects.get(username="manager"))
    return client


def words(text: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def cells(page: str, name: str) -> list[list[str]]:
    """The rows of a part's table, as they are written."""
    part = page.split(f'id="{name}"')[1].split("</table>")[0]
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", part, re.DOTALL)
    return [[words(c) for c in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", r)] for r in rows]


def read(answer: Any) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"), newline="")))


#: Each page of figures, but for the month's paper, as it is asked for, and the period that its
#: tables name; "" where the page chooses its own.
WALK: dict[str, tuple[list[dict[str, str]], str]] = {
    "crops/": ([{**ASKED, "by": by} for by in (*BY, "outlet")], str(WEEK)),
    **dict.fromkeys(
        ("crops/rows/", "crops/ranking/", "yields/", "waste/", "margin/", "floor/", "thrown-away/"),
        ([ASKED], str(WEEK)),
    ),
    "own-use/": ([ASKED], str(WEEK)),
    "on-hand/": ([{"day": ASKED["last"]}], f"{WEEK.last:%d %b %Y}"),
    "month/": ([{"month": "2026-03"}], str(MARCH)),
    "winter/": ([{"winter": "2026", **ENTERED_ROW}], "01 Nov 2025 to 28 Feb 2026"),
    "crops/keep/": ([{}], ""),
    "space/": ([{}], ""),
}


def test_no_table_of_figures_is_printed_without_base_unit_and_period(client: Client) -> None:
    """Every table of every page of figures; on a page of crops each number says its unit too."""
    assert WALK.keys() == {page.path for page in PAGES} - {"month/paper/"}
    tables: Counter[str] = Counter()
    for path, (ways, period) in WALK.items():
        for asked in ways:
            page = client.get(f"/{path}", asked).content.decode()
            for part in re.findall(r"<section.*?</section>", page, re.DOTALL):
                if "<table>" not in part:
                    continue
                tables[path] += 1
                said = words(part)
                for word in ("Base:", "Unit:", period or "Period:"):
                    assert word in said, (word, path, asked, said[:80])
                heads = [
                    words(head)
                    for head in re.findall(r'<th scope="col" class="num"[^>]*>(.*?)</th>', part)
                ]
                assert heads or path in ("crops/keep/", "space/")
                if path in ("crops/", "crops/rows/", "crops/ranking/"):
                    unit = (
                        r"kg|\bg a\b|%|[Pp]ence|GBP|[Dd]ays|[Ss]ites|a big plant|Lost|Cells|weeks"
                        r"|Place|[Pp]acks|Runs"
                    )
                    assert [head for head in heads if not re.search(unit, head)] == []
    assert [path for path in WALK if not tables[path]] == []
    assert tables.total() >= 30


def test_a_heading_sorts_and_what_adds_up_stays_last(client: Client) -> None:
    page = client.get("/crops/", ASKED).content.decode()
    (url,) = re.findall(r'<a href="(\?[^"]*sort=earn\.-door_p#earn)">', page)
    most = client.get("/crops/" + html.unescape(url).split("#")[0]).content.decode()
    assert 'aria-sort="descending"' in most
    head, *rows, total = cells(most, "earn")
    at = next(i for i, h in enumerate(head) if h.startswith("At the pack-house door"))
    money = [float(row[at]) for row in rows]
    assert len(money) == 2
    assert money == sorted(money, reverse=True)
    assert total[0] == "All"
    assert float(total[at]) == pytest.approx(sum(money))
    least = client.get("/crops/", {**ASKED, "sort": "earn.door_p"}).content.decode()
    assert [row[0] for row in cells(least, "earn")[1:-1]] == [row[0] for row in reversed(rows)]
    # by words; and by nothing that is a column
    named = client.get("/crops/", {**ASKED, "sort": "earn.-called"}).content.decode()
    assert [row[0] for row in cells(named, "earn")[1:-1]] == ["Red mustard", FORMULA]
    assert client.get("/crops/", {**ASKED, "sort": "earn.no"}).status_code == 200


def test_each_table_is_a_file_and_no_text_in_it_is_a_formula(client: Client) -> None:
    page = client.get("/crops/", ASKED).content.decode()
    files = {html.unescape(u) for u in re.findall(r'href="(\?[^"]*as=(?:csv|xlsx)[^"]*)"', page)}
    parts = re.findall(r'<section id="([a-z]+)"', page)
    assert len(files) == 2 * len(parts) + 2
    for name in parts:
        rows = read(client.get("/crops/", {**ASKED, "as": "csv", "part": name}))
        if name != "fill":  # of products
            assert rows[0]["called" if "called" in rows[0] else "crop"].endswith(FORMULA)
        assert not any(v.startswith(("=", "+", "@")) for row in rows for v in row.values())
    book = openpyxl.load_workbook(
        io.BytesIO(client.get("/crops/", {**ASKED, "as": "xlsx"}).content)
    )
    assert book.sheetnames == parts
    of_lettuce = [c for sheet in book for row in sheet for c in row if "1+1" in str(c.value)]
    assert len(of_lettuce) >= len(parts)
    assert {cell.data_type for cell in of_lettuce} == {"s"}
    total = crop_table(WEEK).total
    (last,) = [row for row in book["earn"].iter_rows(values_only=True) if row[0] == "All"]
    names = [cell.value for cell in book["earn"][1]]
    assert dict(zip(names, last, strict=True))["after_p"] == total.after_p
    one = client.get("/crops/", {**ASKED, "as": "xlsx", "part": "gave"})
    assert openpyxl.load_workbook(io.BytesIO(one.content)).sheetnames == ["gave"]
    rows = read(client.get("/crops/", {**ASKED, "as": "csv"}))
    assert sum(int(row["cut_g"]) for row in rows) == total.cut_g


def test_the_rows_behind_a_figure_add_up_to_it(client: Client, farm: Farm) -> None:
    mustard = farm.mustard
    figure = crop_table(WEEK, "crop", Only(crop=mustard.pk)).total
    page = client.get("/crops/", ASKED).content.decode()
    (url,) = {
        html.unescape(u).split("#")[0]
        for u in re.findall(r'href="(/crops/rows/[^"]*)"', page)
        if "crop=Red+mustard" in u
    }
    behind = {
        name: read(client.get(f"{url}&as=csv&part={name}"))
        for name in ("plantings", "cuts", "gone", "sales")
    }
    assert sum(int(row["sites"]) for row in behind["plantings"]) == figure.sites == 20
    days = sum(float(row["site_days"]) for row in behind["plantings"])
    assert days == pytest.approx(float(figure.site_days), abs=0.1)
    assert sum(int(row["grams"]) for row in behind["cuts"]) == figure.cut_g == 1000
    assert sum(int(row["crop_g"]) for row in behind["gone"]) == figure.sold_or_used_g
    for row in behind["cuts"]:
        assert client.get(f"/grow/event/{row['entry']}/change/").status_code == 200
    every = read(client.get("/crops/rows/", {**ASKED, "as": "csv", "part": "sales"}))
    assert sum(int(row["pence"]) for row in every) == crop_table(WEEK).total.takings_p
    other = read(
        client.get("/crops/rows/", {**ASKED, "tower": farm.t1.name, "as": "csv", "part": "cuts"})
    )
    assert [int(row["grams"]) for row in other] == [2800]


def test_a_season_is_what_is_shown_first(client: Client) -> None:
    """A year ranks the crop that happened to stand in June: within a season, unless asked."""
    assert usual_season(dt.date(2026, 3, 9)) == "2025-12"
    assert usual_season(dt.date(2026, 3, 28)) == "2026-03"
    page = client.get("/crops/")
    assert "01 Dec 2025 to 28 Feb 2026" in words(page.content.decode())
    year = client.get("/crops/", {"first": "2025-06-01", "last": "2026-03-08"})
    assert "more than a season and no whole year" in words(year.content.decode())
    for asked in (
        {"season": "1066-09"},
        {"by": "colour"},
        {"crop": "Triffid"},
        {"tier": "two"},
        {"tower": "Babel"},
        {"by": "outlet", "tier": "1"},
    ):
        answer = client.get("/crops/", {**ASKED, **asked} if "season" not in asked else asked)
        assert answer.status_code in (400, 404, 422), asked
        assert 'role="alert"' in answer.content.decode()


def test_the_api_says_the_same(client: Client, farm: Farm) -> None:
    table = crop_table(WEEK, "tower", Only(crop=farm.mustard.pk))
    told = client.get("/api/v1/figures/crops/", {**ASKED, "by": "tower", "crop": "Red mustard"})
    assert told.status_code == 200, told.content
    said = told.json()
    assert said["total"]["after_p"] == table.total.after_p
    assert [g["tower"] for g in said["groups"]] == [g.tower for g in table.groups]
    assert client.get("/api/v1/figures/crops/", {**ASKED, "by": "colour"}).status_code == 400
    outlets = client.get("/api/v1/figures/outlets/", ASKED).json()
    assert outlets["total"]["door_p"] == crop_table(WEEK).total.door_p
    assert {row["outlet"] for row in outlets["rows"]} == {"Farm shop", "Kitchen"}
    shop = client.get("/api/v1/figures/outlets/", {**ASKED, "outlet": "Kitchen"}).json()
    assert {row["outlet"] for row in shop["rows"]} == {"Kitchen"}


def test_a_manager_sorts_opens_the_rows_and_takes_the_file(
    transactional_db: None, page: Any, orm: Any
) -> None:
    """Without reading a word of help; on a desk and on a phone, in light and in the dark."""
    orm(week)
    page.goto(f"/crops/?first={WEEK.first}&last={WEEK.last}")
    page.get_by_label("Username").fill("manager")
    page.get_by_label("Password").fill("pole-bean")
    page.get_by_role("button", name="Log in").click()
    page.locator("#earn .drawn .bars").first.wait_for()
    page.locator("#waste .drawn .sankey-node").first.wait_for()
    looks = ({"width": 390, "height": 844}, "light"), ({"width": 1280, "height": 900}, "dark")
    assert looked_at(page, *looks) == {}
    page.locator("#earn").get_by_role("link", name="Takings").click()
    assert page.locator("#earn th[aria-sort]").text_content().startswith("Takings")
    with page.expect_download() as waiting:
        page.locator("#earn .files").get_by_role("link", name="XLSX").click()
    assert waiting.value.suggested_filename.endswith("-earn.xlsx")
    page.locator("#gave").get_by_role("link", name="1.000").first.click()
    page.locator("#cuts").wait_for()
    assert looked_at(page, *looks) == {}
    page.goto(f"/crops/?first={WEEK.first}&last={WEEK.last}&by=tower")
    page.locator("#map .drawn .scatterlayer").first.wait_for()
    assert looked_at(page, looks[0]) == {}
    page.get_by_label("Crop", exact=True).select_option("Red mustard")
    page.get_by_role("button", name="Look").click()
    page.wait_for_url("**crop=Red**")
    assert "T2" in page.locator("#earn tbody").inner_text()
    assert "T1" not in page.locator("#earn tbody").inner_text()
    page.goto(f"/crops/ranking/?first={WEEK.first}&last={WEEK.last}")
    page.locator("#ranking .drawn .scatterlayer").first.wait_for()
    assert looked_at(page, *looks) == {}
    assert page.said == []
