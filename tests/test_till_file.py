"""The till's day by file and by API: bad rows listed and nothing written, then told once, then
replaced."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections import Counter
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from knox.models import AuthToken

from grow.faults import faults
from grow.importing.sheets import workbook
from grow.kinds import WORKED_OUT
from grow.models import Event, Flag, Lot, Movement, Person
from sales.models import Money, Product, TillDay, TillFormat, TillName
from tests.farm import Farm
from tests.hands import PHONE, People, Thumb, violations

pytestmark = pytest.mark.django_db
URL = "/till-file/"
HEAD = ["Day", "PLU", "Qty", "Total", "Lot"]


@pytest.fixture
def keeper(farm: Farm) -> Client:
    """Whoever keeps the shop, tied to it."""
    person = Person.objects.create_user("kit", is_staff=True)
    person.groups.add(Group.objects.get(name="shop"))
    person.places.add(farm.shop_place)
    client = Client()
    client.force_login(person)
    return client


@pytest.fixture
def runs(farm: Farm) -> list[Lot]:
    """Two runs on the shelf, and loose lettuce, a week ago."""
    runs = [farm.pack([farm.cut(300_000)], packs=2400) for _ in range(2)]
    for run in runs:
        farm.to_shop(run, 2000)
    farm.to_shop(farm.cut(900_000), 900_000)
    farm.pass_time(days=7)
    return runs


@pytest.fixture
def known(farm: Farm) -> TillFormat:
    TillName.objects.create(outlet=farm.shop, called="17", product=farm.bag)
    return TillFormat.objects.create(
        outlet=farm.shop,
        till="Front",
        product="plu",
        quantity="qty",
        day="day",
        takings="total",
        lot="lot",
    )


def table(rows: list[list[str]], head: list[str] = HEAD, comma: str = ",") -> bytes:
    out = io.StringIO()
    csv.writer(out, delimiter=comma).writerows([head, *rows])
    return out.getvalue().encode()


def send(client: Client, content: bytes = b"", press: str = "look", **more: Any) -> Any:
    sent = {"outlet": "Farm shop", "till": "Front", "press": press} | more
    if content:
        sent["file"] = SimpleUploadedFile("till.csv", content)
    return client.post(URL, sent)


def again(client: Client, page: Any, press: str, **more: Any) -> Any:
    """What the page sends on with its next press: the file that it carries."""
    fields = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', text(page)))
    del fields["csrfmiddlewaretoken"]
    return client.post(URL, fields | {"press": press} | more)


def text(page: Any) -> str:
    return page.content.decode().replace("&#x27;", "'")


def bad_rows(page: Any) -> dict[int, str]:
    return {
        int(n): says for n, says in re.findall(r"<tr><td>(\d+)</td><td>(.*?)</td></tr>", text(page))
    }


def sold() -> int:
    rows = Movement.objects.filter(to_place__kind="sold").values_list("quantity", flat=True)
    back = Movement.objects.filter(from_place__kind="sold").values_list("quantity", flat=True)
    return sum(rows) - sum(back)


# --- a file of ten thousand rows ------------------------------------------------------------------

#: (what is wrong, the cell of which column, what stands there, what is said of it)
KINDS: list[tuple[str, int, str, str]] = [
    ("a name nobody knows", 1, "Rkt 60", "Nothing here is called “Rkt 60”."),
    ("no product", 1, "", "It names no product."),
    ("no quantity", 2, "", "It does not say how many were sold."),
    ("no number", 2, "1,200", "“1,200” is no number as this till writes them"),
    ("brought back", 2, "-1", "-1: what came back is told as “Came back”"),
    ("half a bag", 2, "1.5", "1.5 of Salad bag 120 g: packs are sold whole."),
    ("no day", 0, "31/02/2026", "“31/02/2026” is not a day"),
    ("a day to come", 0, "2026-04-01", "01 Apr 2026 is still to come."),
    ("no such lot", 4, "R26061-99-X", "No lot is called “R26061-99-X”."),
    ("no price", 3, "free", "“free” is no number as this till writes them"),
]


def ten_thousand(farm: Farm, runs: list[Lot]) -> list[list[str]]:
    """Ten days of it? Seven: a bag a row, now and then scanned or at another price, and leaf by
    weight."""
    rows = []
    for n in range(10_000):
        day = (farm.today - dt.timedelta(days=n % 7)).isoformat()
        if n % 4 == 0:
            rows.append([day, "LETTUCE-KG", "0.12", "1.32", ""])
        elif n % 10 == 1:
            rows.append([day, "17", "1", "2.40", runs[0].code])
        else:
            rows.append([day, "17", "1", "1.20" if n % 50 == 3 else "2.40", ""])
    return rows


def test_a_long_file_lists_its_bad_rows_then_is_posted_once_and_replaced(
    farm: Farm, keeper: Client, runs: list[Lot], known: TillFormat
) -> None:
    good = ten_thousand(farm, runs)
    spoilt = [list(row) for row in good]
    wrong: dict[int, str] = {}
    for n in range(50):
        _, column, cell, says = KINDS[n % len(KINDS)]
        at = 5 + n * 200  # none of them by weight
        spoilt[at] = list(spoilt[at])
        spoilt[at][column] = cell
        wrong[at + 2] = says  # after the head, counted from one
    page = send(keeper, table(spoilt))
    listed = bad_rows(page)
    assert page.status_code == 422
    assert listed.keys() == wrong.keys()
    assert [n for n, says in wrong.items() if not listed[n].startswith(says)] == []
    assert "<strong>Nothing is recorded.</strong> 50 of 10000 rows" in text(page)
    # pressed all the same, it changes nothing
    assert again(keeper, page, "record").status_code == 422
    assert not Event.objects.filter(kind="sell").exists()

    page = send(keeper, table(good))
    assert page.status_code == 200
    assert "Record 7 days" in text(page)
    assert again(keeper, page, "record").status_code == 302
    assert TillDay.objects.count() == 7
    bags = Counter(row[1] for row in good)["17"]
    # seven and a half thousand bags over the till, four thousand on the shelf
    unknown = Flag.objects.filter(kind=Flag.Kind.LOT_UNKNOWN)
    assert bags == 7500
    assert unknown.exists()
    assert sum(farm.stock(run, farm.shop_place) for run in runs) == 0
    assert faults() == []

    before = Event.objects.count()
    page = again(keeper, send(keeper, table(list(reversed(good)))), "record")
    assert page.status_code == 302
    assert Event.objects.count() == before

    fewer = good[:-7]
    page = send(keeper, table(fewer))
    assert "Told before with other rows" in text(page)
    assert ">Replace<" in text(page)
    refused = again(keeper, page, "record")
    assert ">Replace<" in text(refused)
    assert Event.objects.count() == before
    assert again(keeper, page, "replace").status_code == 302
    assert TillDay.objects.count() == 7
    assert Event.objects.filter(kind="cancel").count() == 7
    assert faults() == []

    # what nobody knew the lot of is resolved by a receipt told late, and by a count
    farm.to_shop(runs[0], 400, on=farm.today - dt.timedelta(days=7), already_done=True)
    worked = Movement.objects.filter(event__kind=WORKED_OUT, lot=runs[0])
    assert sum(m.quantity if m.to_place.kind == "sold" else -m.quantity for m in worked) > 0
    farm.tell("count", place=farm.shop_place, counted={runs[0]: 30}, closing=True)
    assert farm.stock(runs[0], farm.shop_place) == 30
    assert faults() == []


def test_takings_add_up_to_the_penny(
    farm: Farm, keeper: Client, runs: list[Lot], known: TillFormat
) -> None:
    day = farm.today.isoformat()
    rows = [[day, "17", "3", "7.00", ""], [day, "17", "2", "4.80", ""], [day, "17", "1", "", ""]]
    page = send(keeper, table(rows))
    assert "£11.80 at the till’s prices" in text(page)
    again(keeper, page, "record")
    assert sum(Money.objects.values_list("pence", flat=True)) == 700 + 480 + 240


def test_a_price_that_is_not_the_lists_is_known_where_something_was_reduced(
    farm: Farm, keeper: Client, runs: list[Lot], known: TillFormat
) -> None:
    farm.tell("mark_down", place=farm.shop_place, lot=runs[1], quantity=9, pence=120)
    day = farm.today.isoformat()
    totals = ("2.40", "1.20", "1.20", "0.99")
    page = text(send(keeper, table([[day, "17", "1", total, ""] for total in totals])))
    said = re.findall('<p class="till-odd">(.*?)</p>', page)
    assert said == [
        "Salad bag 120 g: 1 pack at £0.99, neither the list’s price nor one that was reduced.",
        "Salad bag 120 g: 2 packs at £1.20, reduced.",
    ]


# --- how a till writes ----------------------------------------------------------------------------


def test_the_first_file_of_a_till_asks_what_its_columns_are_and_what_it_calls_things(
    farm: Farm, keeper: Client, runs: list[Lot]
) -> None:
    content = table(
        [["02.03.2026 14:05", "Salad small", "2", "4,80"]], ["When", "Item", "Sold", "Sum"], ";"
    )
    page = send(keeper, content)
    assert "What its columns are" in text(page)
    assert '<option value=";" selected>' in text(page)  # as the file has it
    chosen = {
        "column-product": "item",
        "column-quantity": "sold",
        "column-day": "when",
        "column-takings": "sum",
        "decimal_mark": ",",
        "separator": ";",
        "loose_unit": "kg",
    }
    twice = again(keeper, page, "columns", **chosen | {"column-quantity": "item"})
    assert "“item” cannot be two things" in text(twice)
    page = again(keeper, page, "columns", **chosen)
    assert "Nothing here is called “Salad small”." in bad_rows(page)[2]
    page = again(keeper, page, "names", **{"called-0": "Salad small", "means-0": "SALAD-120"})
    assert page.status_code == 200
    again(keeper, page, "record")
    told = TillDay.objects.get()
    assert (told.till, told.day, told.event.day) == ("Front", 20260302, 20260302)
    # the next one is read at once
    content = table(
        [["03.03.2026", "salad SMALL", "1", "2,40"]], ["When", "Item", "Sold", "Sum"], ";"
    )
    page = send(keeper, content)
    assert "Record 1 day" in text(page)


def test_of_several_sheets_the_one_that_is_named_is_read_and_known_next_time(
    farm: Farm, keeper: Client, runs: list[Lot], known: TillFormat
) -> None:
    day = farm.today.isoformat()

    def book(sold: str) -> bytes:
        rows = [[day, "17", sold, "", ""]]
        return workbook([("Sums", ["what", "much"], [["bags", "9"]]), ("Rows", HEAD, rows)])

    asks = send(keeper, book("3"))
    assert asks.status_code == 422
    assert "till.csv has 2 sheets: Sums, Rows. Choose the one with" in text(asks)
    page = again(keeper, asks, "look", sheet="Rows", outlet="Farm shop", till="Front")
    assert "3 packs" in text(page)
    assert again(keeper, page, "record").status_code == 302
    assert "5 packs" in text(send(keeper, book("5")))
    # a book of one sheet has nothing to ask
    TillFormat.objects.update(sheet="")
    one = workbook([("Any", HEAD, [[day, "17", "6", "", ""]]), ("Empty", ["a"], [])])
    assert "6 packs" in text(send(keeper, one))


def test_a_file_without_a_day_is_of_the_day_that_is_said(
    farm: Farm, keeper: Client, runs: list[Lot], known: TillFormat
) -> None:
    TillFormat.objects.update(day="", takings="", lot="")
    content = table([["17", "3"]], ["PLU", "Qty"])
    refused = send(keeper, content, day="2026-04-09")
    assert "09 Apr 2026 is still to come" in text(refused)
    page = send(keeper, content, day="2026-03-05")
    again(keeper, page, "record")
    assert TillDay.objects.get().day == 20260305


def test_products_are_known_by_code_gtin_name_and_the_tills_own_key(
    farm: Farm, keeper: Client, runs: list[Lot], known: TillFormat
) -> None:
    Product.objects.filter(pk=farm.bag.pk).update(gtin="09521234543213")
    day = farm.today.isoformat()
    names = ["salad-120", "9521234543213", "SALAD BAG 120 G", "17"]
    page = send(keeper, table([[day, name, "1", "", ""] for name in names]))
    assert "4 packs" in text(page)


def test_a_product_that_never_stood_there_is_a_bad_row(
    farm: Farm, keeper: Client, runs: list[Lot], known: TillFormat
) -> None:
    Product.objects.create(code="BASIL-30", name="Basil 30 g", nominal_g=30)
    page = send(keeper, table([[farm.today.isoformat(), "BASIL-30", "1", "", ""]]))
    assert "Basil 30 g was never on the shelf of Farm shop" in bad_rows(page)[2]


def test_a_lot_of_another_product_or_outlet_is_a_bad_row(
    farm: Farm, keeper: Client, runs: list[Lot], known: TillFormat
) -> None:
    elsewhere = farm.pack([farm.cut(2500)], packs=20)
    day = farm.today.isoformat()
    rows = [[day, "LETTUCE-KG", "1", "", runs[0].code], [day, "17", "1", "", elsewhere.code]]
    listed = bad_rows(send(keeper, table(rows)))
    assert listed[2] == f"{runs[0].code} is SALAD-120, not crop:{farm.lettuce.pk}."
    assert listed[3].startswith(f"No lot is called “{elsewhere.code}”.")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "Choose the till"),
        (b"plu,qty\n", "there is nothing in it"),
        (b"PK\x03\x04 no workbook", "it cannot be read as a workbook"),
        (b"plu,plu\n1,2\n", "stands there twice"),
    ],
)
def test_what_is_no_table_is_refused_in_words(
    farm: Farm, keeper: Client, known: TillFormat, content: bytes, says: str
) -> None:
    page = send(keeper, content)
    assert page.status_code == 422
    assert says in text(page)


def test_a_shop_sees_no_other_outlets_till(farm: Farm, keeper: Client, runs: list[Lot]) -> None:
    other = farm.other_shop()
    TillFormat.objects.create(outlet=other, till="Quince till", product="plu", quantity="qty")
    page = keeper.get(URL, {"outlet": "Corner shop"})
    assert "Corner shop" not in text(page)
    assert "Quince till" not in text(page)
    refused = send(keeper, table([["1"]]), outlet="Corner shop")
    assert "Choose the shop." in text(refused)


def test_a_file_is_read_and_recorded_in_a_real_browser(
    people: People, page: Any, live_server: Any, orm: Any
) -> None:
    day = orm(people.farm.now.date).isoformat()
    rows = [[day, "SALAD-120", "2", "4.80", ""], [day, "Rkt 60", "1", "2.00", ""]]

    def choose(content: bytes) -> None:
        page.goto(URL)
        page.get_by_label("Which till").fill("Front")
        file = {"name": "till.csv", "mimeType": "text/csv", "buffer": content}
        page.get_by_label("Its file").set_input_files(files=[file])
        page.get_by_role("button", name="Look at it").last.click()

    thumb = Thumb(page, people, "shop", live_server.url, PHONE).start()
    choose(table(rows))
    assert violations(page) == []
    page.get_by_role("button", name="Read it so").click()
    page.get_by_text("1 of 2 rows cannot be read").wait_for()
    assert violations(page) == []
    choose(table(rows[:1]))
    page.get_by_role("button", name="Record 1 day").wait_for()
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.get_by_role("button", name="Record 1 day").click()
    page.get_by_text("1 day is recorded.").wait_for()
    assert orm(lambda: TillDay.objects.get().till) == "Front"
    assert thumb.elsewhere == []
    assert page.said == []


# --- by the API -----------------------------------------------------------------------------------


@pytest.fixture
def program(farm: Farm) -> Client:
    token = AuthToken.objects.create(user=farm.grower)[1]
    return Client(headers={"Authorization": f"Token {token}"})


def test_the_api_tells_a_tills_day_once_and_replaces_it_where_that_is_said(
    farm: Farm, program: Client, runs: list[Lot]
) -> None:
    told: dict[str, Any] = {
        "outlet": "Farm shop",
        "till": "Front",
        "day": farm.today.isoformat(),
        "rows": [{"product": "SALAD-120", "quantity": 4}],
    }

    def post(**more: Any) -> Any:
        return program.post("/api/v1/till-days/", told | more, content_type="application/json")

    first = post()
    assert first.status_code == 201
    same = post(rows=[{"quantity": 4, "product": "salad-120"}])
    assert (same.status_code, same.json()["id"]) == (200, first.json()["id"])
    rows = [{"product": "SALAD-120", "quantity": 3, "lot": runs[1].code}]
    other = post(rows=rows)
    assert other.status_code == 409
    assert other.json().keys() == {"code", "sentence", "facts"}
    assert other.json()["code"] == "till_day_told"
    assert sold() == 4
    replaced = post(rows=rows, replace=True)
    assert replaced.status_code == 201
    assert sold() == 3
    assert post(rows=rows).status_code == 200
    assert post(day="2027-01-01").json()["code"] == "day_to_come"
    missing = post(till="")
    assert (missing.status_code, missing.json()["facts"]["fields"]) == (400, {"till": "Say till."})
    assert faults() == []
