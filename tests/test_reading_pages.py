"""What is here, what was done, the trace and the three figures, read as pages and as CSV.

CSV is checked against RFC 4180 by Python's own csv module and by pandas."""

from __future__ import annotations

import csv
import datetime as dt
import html
import io
import re
from decimal import Decimal
from typing import Any

import pandas as pd
import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow import clock
from grow.flat import as_csv
from grow.models import Crop, Lot, Person, Variety
from tests.farm import Farm

READINGS = {
    "/stock/": "/api/v1/stock/",
    "/day/": "/api/v1/today/",
    "/trace/": "/api/v1/trace/",
    "/yields/": "/api/v1/figures/yields/",
    "/waste/": "/api/v1/figures/waste/",
    "/margin/": "/api/v1/figures/margin/",
    "/crops/": "/api/v1/figures/crops/",
}


def signed_in(role: str, *places: Any) -> Client:
    person = Person.objects.create_user(role, is_staff=True)
    person.groups.add(Group.objects.get(name=role))
    person.places.set(places)
    client = Client()
    client.force_login(person)
    return client


@pytest.fixture
def week(farm: Farm) -> Farm:
    """A crop from bench to bag, some of it in the shop, some with the kitchen."""
    batch = farm.sow(60)
    farm.pass_time(days=30)
    farm.plant(batch, farm.t1, 40)
    farm.pass_time(days=20)
    farm.crate = farm.cut(3000, batch)
    farm.run = farm.pack([farm.cut(3000, batch)], packs=24)
    farm.to_shop(farm.run, 6)
    farm.arrive(farm.send(farm.run, 4), farm.run, accepted=4)
    farm.pass_time(hours=1)
    return farm


@pytest.fixture
def manager(week: Farm) -> Client:
    return signed_in("manager")


def asked(path: str, farm: Farm) -> dict[str, str]:
    today = clock.local(clock.now()).date()
    if path == "/trace/":
        return {"code": farm.run.code}
    if path in ("/yields/", "/waste/", "/margin/", "/crops/"):
        return {"first": str(today - dt.timedelta(days=364)), "last": str(today)}
    return {}


def words(page: Any) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page.content.decode())).split())


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


# --- the pages -----------------------------------------------------------------------------------


def test_each_page_answers(week, manager):
    for path in READINGS:
        page = manager.get(path, asked(path, week))
        assert page.status_code == 200, path
        assert "<table>" in page.content.decode(), path
        assert "None" not in words(page), path


def test_what_is_here_now_and_then(week, manager):
    now = words(manager.get("/stock/"))
    assert f"Cold store Salad bag 120 g 14 packs {week.run.code}" in now
    assert f"Farm shop Salad bag 120 g 6 packs {week.run.code}" in now
    week.tell("hold", lots=[week.run], reason="Glass")
    assert "held" in words(manager.get("/stock/", {"lot": week.run.code}))
    before = clock.local(week.run.made_by.placed_at).date() - dt.timedelta(days=1)
    then = words(manager.get("/stock/", {"at": before.isoformat()}))
    assert week.run.code not in then
    shop = words(manager.get("/stock/", {"place": "Farm shop"}))
    assert "6 packs" in shop
    assert "14 packs" not in shop


def test_a_day_names_what_was_done_and_what_must_be_looked_at(week, manager):
    page = words(manager.get("/day/"))
    assert "packed" in page
    assert "6 Salad bag 120 g from Cold store to Farm shop" in page
    week.tell("discard", lot=week.run, from_place=week.store, to="compost", quantity=50,
              reason="spilt", already_done=True)  # fmt: skip
    assert "To be looked at" in words(manager.get("/day/"))
    assert "Nothing was recorded of that day" in words(manager.get("/day/", {"day": "2020-01-01"}))


def test_a_trace_says_where_it_is_whom_to_tell_and_what_is_not_known(week, manager):
    page = words(manager.get("/trace/", {"code": week.crate.code.lower()}))
    assert "No notice recorded here as of" in page
    page = words(manager.get("/trace/", {"code": week.run.code}))
    assert "Where it is now" in page
    assert "Farm shop" in page
    assert "Who must be told" in page
    assert "Kitchen" in page
    assert "It came from" in page
    assert "call your local authority at once" in page
    assert " is safe" not in page.replace("never that food is safe", "")
    batch = Lot.objects.filter(kind="batch").get()
    assert batch.code in page
    assert "Made 24 packs Unexplained 0 packs Accounted for 100 %" in page


def test_a_held_lot_heads_its_trace(week, manager):
    week.tell("hold", lots=[week.crate], reason="Glass broke over it")
    page = manager.get("/trace/", {"code": week.crate.code}).content.decode()
    assert "is-loud" in page
    assert "Glass broke over it" in page


def test_a_mistyped_code_is_offered_the_nearest(week, manager):
    code = week.run.code
    wrong = code[:-1] + ("A" if code[-1] != "A" else "B")
    page = manager.get("/trace/", {"code": wrong})
    assert page.status_code == 404
    assert f'href="/trace/?code={code}"' in page.content.decode()


def test_a_trace_by_product_and_date_and_by_place_and_window(week, manager):
    by_date = manager.get(
        "/trace/", {"product": week.bag.name, "date": week.run.use_by.isoformat()}
    )
    assert week.run.code in words(by_date)
    at = clock.local(week.run.made_by.placed_at)
    window = {
        "place": week.store.name,
        "since": f"{at - dt.timedelta(hours=3):%Y-%m-%dT%H:%M}",
        "until": f"{at + dt.timedelta(hours=3):%Y-%m-%dT%H:%M}",
    }
    assert week.run.code in words(manager.get("/trace/", window))


def test_figures_stand_with_what_they_rest_on(week, manager):
    for path in ("/yields/", "/waste/", "/margin/", "/crops/"):
        page = words(manager.get(path, asked(path, week)))
        assert "What it rests on Base:" in page, path
    cut = words(manager.get("/yields/", asked("/yields/", week)))
    assert "6.000" in cut  # two crates of 3 kg


def test_each_row_of_the_waste_page_balances_in_the_columns_that_it_shows(week, manager):
    """All that came, less all that went and what is left, is nought to the gram."""
    week.tell(
        "discard", lot=week.run, from_place=week.store, to="compost", quantity=2, reason="old"
    )
    page = manager.get("/waste/", asked("/waste/", week)).content.decode()
    heads = re.findall(r'<th scope="col"[^>]*>([^<]*), kg</th>', page)
    rows = re.findall(r"<tr[^>]*>(<td.*?)</tr>", page)
    assert len(rows) > 1
    came = {"In stock before", "Cut", "Bought in", "Stood here at first", "Water and scale"}
    for row in rows:
        kilos = re.findall(r'<td class="num">([-\d,.]+)</td>', row)
        grams = [round(float(kg.replace(",", "")) * 1000) for kg in kilos]
        named = dict(zip(heads, grams, strict=True))
        del named["Left uncut"]
        assert sum(g if head in came else -g for head, g in named.items()) == 0
        assert named["Cut"] > 0


def test_lots_and_entries_can_be_opened(week, manager):
    page = manager.get("/stock/").content.decode()
    assert f'href="/trace/?code={week.run.code}"' in page
    day = manager.get("/day/").content.decode()
    opened = re.findall(r'href="(/grow/event/\d+/change/)"', day)
    assert opened
    assert manager.get(opened[0]).status_code == 200


# --- who sees what -------------------------------------------------------------------------------


def test_a_chef_sees_the_kitchen_alone_and_no_figures(week):
    chef = signed_in("chef", week.kitchen_place)
    assert "14 packs" not in words(chef.get("/stock/"))
    assert "4 packs" in words(chef.get("/stock/"))
    page = words(chef.get("/trace/", {"code": week.run.code}))
    assert "Farm shop" not in page
    assert "Accounted for" not in page
    # a crate that went to the shop alone is to the chef as if it were not
    assert chef.get("/trace/", {"code": week.crate.code}).status_code in (200, 404)
    for path in ("/yields/", "/waste/", "/margin/", "/crops/", "/crops/rows/"):
        assert chef.get(path).status_code == 403, path
        assert path not in chef.get("/").content.decode(), path


def test_nobody_reads_without_signing_in(week):
    for path in READINGS:
        assert Client().get(path).status_code == 302, path


@pytest.mark.parametrize("path", READINGS)
@pytest.mark.parametrize(
    "junk", ["\0", "9" * 400, "-1", "2026-13-45", "'; --", "\ud7ff", "1e999", "0000-00-00"]
)
def test_junk_gets_a_sentence(week, manager, path, junk):
    names = re.findall(r'name="([a-z]+)"', manager.get(path).content.decode())
    for name in {n for n in names if n != "csrfmiddlewaretoken"}:
        page = manager.get(path, {name: junk})
        assert page.status_code in (200, 400, 404, 422), (path, name)
        if page.status_code != 200:
            assert 'role="alert"' in page.content.decode()


def test_what_cannot_be_read_is_named_as_the_page_names_it(week, manager):
    """By the field's label and not its name in an address, days as everywhere on the pages."""
    for path, asked, says in (
        ("/yields/", {"first": "2026-05-02", "last": "2026-05-01"},
         "01 May 2026 is before 02 May 2026; name the earlier day first."),
        ("/yields/", {"first": "abc"}, "From: “abc” is not a day; write it as 2026-03-02"),
        ("/books/", {"last": "abc"}, "To: “abc” is not a day; write it as 2026-03-02"),
        ("/month/", {"month": "abc"}, "Month: “abc” is not a month; write it as 2026-03."),
        ("/winter/", {"least": "few"}, "There for at least, days: “few” is not a whole number."),
        ("/winter/", {"cells": "x", "kwh_pence": "y"},
         "Cells: “x” is not a number. Days under cover is missing; enter all of them, or none."),
        ("/crops/ranking/", {"minutes": "x"}, "none of: After crop minutes, Before crop minutes."),
        ("/crops/ranking/", {"season": "x"}, "“x” is none of the seasons: Spring 2026, "),
    ):  # fmt: skip
        page = manager.get(path, asked)
        assert page.status_code in (400, 422), (path, asked)
        assert says in words(page), (path, asked)


# --- CSV -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", READINGS)
def test_the_file_and_the_api_hold_the_rows_of_the_json(week, manager, path):
    question = asked(path, week)
    file = manager.get(path, {**question, "as": "csv"})
    assert file["Content-Type"] == "text/csv; charset=utf-8"
    assert file["Content-Disposition"].endswith('.csv"')
    text = file.content.decode("utf-8-sig")
    assert file.content.startswith(b"\xef\xbb\xbf")
    told = manager.get(READINGS[path], question, headers={"Accept": "text/csv"})
    assert told["Content-Type"].startswith("text/csv")
    if path != "/stock/":  # its rows at one moment are the same; all else names ids and moments
        assert len(read(told.content.decode())) == len(read(text))
    assert read(told.content.decode())[0].keys() == read(text)[0].keys()
    rows = manager.get(READINGS[path], question).json()
    if "results" in rows or "rows" in rows:
        rows = rows.get("results", rows.get("rows"))
        for row, line in zip(rows, read(told.content.decode()), strict=False):
            for name, value in row.items():
                if isinstance(value, bool):
                    assert line[name] == ("yes" if value else "no")
                elif isinstance(value, int | str) and name in line:
                    assert line[name] == str(value), (path, name)
            if any(isinstance(v, list) and v and isinstance(v[0], dict) for v in row.values()):
                break  # it takes a line for each
    frame = pd.read_csv(io.BytesIO(file.content))
    assert list(frame.columns) == list(read(text)[0].keys())


def test_a_file_by_api_is_whole_unless_a_part_is_asked_for(week, manager):
    for n in range(120):
        week.sow(1, place=week.place(f"Bench of list {n}", "bench"))
    address, csv_ = READINGS["/stock/"], {"Accept": "text/csv"}
    count = manager.get(address).json()["count"]
    assert count > 120
    assert len(read(manager.get(address, headers=csv_).content.decode())) == count
    assert len(read(manager.get(address, {"limit": 7}, headers=csv_).content.decode())) == 7


def test_lines_of_a_file_end_and_quote_as_rfc_4180_says():
    text = as_csv(["a", "b"], [{"a": 'say "yes"', "b": "one, two"}, {"a": "two\nlines", "b": 3}])
    assert text == 'a,b\r\n"say ""yes""","one, two"\r\n"two\nlines",3\r\n'
    assert pd.read_csv(io.StringIO(text))["b"].tolist() == ["one, two", "3"]


def test_no_cell_becomes_a_formula_and_numbers_stay_numbers():
    text = as_csv(
        ["t", "n"],
        [
            {"t": "=1+1", "n": -5},
            {"t": "@x", "n": Decimal("-0.25")},
            {"t": "+44 1632", "n": "-12.50"},
            {"t": "-", "n": None},
        ],
    )
    lines = read(text)
    assert [line["t"] for line in lines] == ["'=1+1", "'@x", "'+44 1632", "'-"]
    assert [line["n"] for line in lines] == ["-5", "-0.25", "-12.50", ""]


def test_a_title_that_would_be_a_formula_is_disarmed_on_its_way_out(week, manager):
    crop = Crop.objects.create(name="=HYPERLINK(1)", picked="once")
    variety = Variety.objects.create(name="=cmd|x", crop=crop)
    week.sow(5, variety)
    for answer in (
        manager.get("/stock/", {"as": "csv"}),
        manager.get("/api/v1/stock/", headers={"Accept": "text/csv"}),
    ):
        assert "'=" in answer.content.decode()
        assert ",=" not in answer.content.decode()


def test_an_error_is_json_for_those_too_who_asked_for_csv(week, manager):
    answer = manager.get("/api/v1/stock/", {"place": "Nowhere"}, headers={"Accept": "text/csv"})
    assert answer.status_code == 404
    assert answer.json()["code"] == "no_such_place"


def test_a_list_of_rows_takes_a_line_for_each():
    row = {"id": 1, "lots": ["A", "B"], "moved": [{"lot": "A", "n": 1}, {"lot": "B", "n": 2}]}
    text = as_csv(["id", "lots", "moved_lot", "moved_n"], [row, {"id": 2, "lots": [], "moved": []}])
    assert read(text) == [
        {"id": "1", "lots": "A; B", "moved_lot": "A", "moved_n": "1"},
        {"id": "1", "lots": "A; B", "moved_lot": "B", "moved_n": "2"},
        {"id": "2", "lots": "", "moved_lot": "", "moved_n": ""},
    ]


def test_a_chef_is_not_told_that_nobody_else_had_any(week):
    """What is not shown to them is not said to be nothing."""
    page = words(signed_in("chef", week.kitchen_place).get("/trace/", {"code": week.run.code}))
    assert "Nobody outside" not in page
    assert "Who must be told" not in page
    assert f"only the part of {week.kitchen_place.name} is shown" in page
    whole = words(signed_in("manager").get("/trace/", {"code": week.run.code}))
    assert "only the part of" not in whole


def test_a_chef_is_offered_no_record_that_is_shut_to_them(week):
    chef = signed_in("chef", week.kitchen_place)
    for path in ("/day/", "/stock/"):
        page = chef.get(path).content.decode()
        assert "<table>" in page
        for url in re.findall(r'<td[^>]*><a href="([^"]+)"', page):
            assert chef.get(html.unescape(url)).status_code == 200, url


def test_both_balances_say_how_much_rests_on_evidence(week, manager):
    page = words(manager.get("/trace/", {"code": week.crate.code}))
    assert "by evidence" in page
    made_into = words(manager.get("/trace/", {"code": Lot.objects.get(kind="batch").code}))
    assert "With all made from it, in grams" in made_into
    assert "With all made from it, by evidence" in made_into
