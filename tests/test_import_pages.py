"""The import page, its templates, and the sheet to type up."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from grow import pages_import
from grow.importing import sheets
from grow.importing.grid import KINDS_ON_PAPER
from grow.importing.tables import table
from grow.models import Event, Lot, Movement, Person
from grow.roles import may
from tests.farm import Farm

pytestmark = [pytest.mark.django_db, pytest.mark.once]
CUT = "on,called,crop,store,gross_g,tare_g\n"
GOOD = f"{CUT}2026-03-02,C1,Loose-leaf lettuce,Cold store,900,0\n"
BAD = f"{CUT}2026-03-02,C2,Loose-leaf lettuce,Cold stove,900,0\n"
PACK = "on,product,packs,store,lot,place,left\n2026-03-02,SALAD-120,7,Cold store,C2,Cold store,0\n"


def who(role: str) -> Client:
    person = Person.objects.create_user(role, password="x", is_staff=True)
    person.groups.add(Group.objects.get(name=role))
    client = Client()
    client.force_login(person)
    return client


@pytest.fixture
def manager(farm: Farm) -> Client:
    return who("manager")


def send(client: Client, button: str, news: bool = False, **files: str) -> Any:
    uploads = [SimpleUploadedFile(f"{name}.csv", text.encode()) for name, text in files.items()]
    accept = "application/x-ndjson" if news else "text/html"
    return client.post("/import/", {"files": uploads, button: "yes"}, headers={"Accept": accept})


def test_several_files_are_tried_then_recorded(manager: Client) -> None:
    tried = send(manager, "try", harvest=BAD, pack=PACK)
    page = tried.content.decode()
    assert "1 mistake, and 1 row that only waits for it" in page
    assert "No place is called “Cold stove”." in page
    assert "because of line 2 of harvest.csv" in page
    assert "Record all of it" not in page
    assert "Record all of it" in send(manager, "try", harvest=GOOD).content.decode()
    assert not Event.objects.exists()
    assert "All of it is recorded" in send(manager, "record", harvest=GOOD).content.decode()
    assert Event.objects.get(kind="harvest").recorded_by.username == "manager"


def test_a_script_is_told_how_far_it_is(manager: Client) -> None:
    rows = "".join(f"2026-03-02,,Loose-leaf lettuce,Cold store,{n},0\n" for n in range(900, 925))
    response = send(manager, "record", news=True, harvest=CUT + rows)
    news = [json.loads(line) for line in b"".join(response.streaming_content).splitlines()]
    assert [(n["done"], n["of"]) for n in news[:-1]] == [(10, 25), (20, 25), (25, 25)]
    assert "All of it is recorded" in news[-1]["html"]
    assert Lot.objects.count() == 25


def test_who_leaves_before_the_end_leaves_nothing_behind(manager: Client) -> None:
    rows = "".join(f"2026-03-02,,Loose-leaf lettuce,Cold store,{n},0\n" for n in range(900, 925))
    response = send(manager, "record", news=True, harvest=CUT + rows)
    assert json.loads(next(iter(response.streaming_content)))["done"] == 10
    assert Lot.objects.count() == 10
    for close in response._resource_closers:  # what the server's close does, but for the database's
        close()
    assert Lot.objects.count() == 0


def test_what_is_no_table_or_too_much_is_said_in_a_sentence(
    manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing = manager.post("/import/", {"try": "yes"}).content.decode()
    assert "Choose the files first." in nothing
    twice = send(manager, "try", harvest="on,on\n").content.decode()
    assert "the column “on” stands there twice" in twice
    monkeypatch.setattr(pages_import, "MOST_ROWS", 0)
    (line,) = send(manager, "try", news=True, harvest=GOOD).streaming_content
    assert "this page takes 0 at once" in json.loads(line)["html"]


def test_what_a_file_says_is_shown_and_never_run(manager: Client) -> None:
    evil = GOOD.replace("Cold store", "<script>alert(1)</script>")
    page = send(manager, "try", harvest=evil).content.decode()
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "<script>alert" not in page


def test_templates_to_download(manager: Client) -> None:
    csv = manager.get("/import/harvest.csv")
    assert csv["Content-Disposition"] == 'attachment; filename="harvest.csv"'
    (sheet,) = sheets.read("harvest.csv", csv.content)
    assert {"on", "key", "called", "gross_g", "store"} <= set(sheet.columns)
    book = manager.get("/import/all.xlsx")
    assert {"places", "harvest", "pack"} <= {s.name for s in sheets.read("all.xlsx", book.content)}
    for wrong in ("none.csv", "all.csv", "harvest.exe", "cut.csv"):
        assert manager.get(f"/import/{wrong}").status_code == 404
    page = manager.get("/import/").content.decode()
    assert 'href="/import/outlets.xlsx"' in page


@pytest.mark.parametrize("role", ["grower", "packer", "chef", "shop", "learner"])
def test_only_who_sets_up_the_farm_may_import(farm: Farm, role: str) -> None:
    client = who(role)
    assert client.get("/import/").status_code == 403
    assert send(client, "record", harvest=GOOD).status_code == 403
    assert client.get("/import/harvest.csv").status_code == 403
    assert not Event.objects.exists()


# --- a paper sheet ---------------------------------------------------------------------------


def sheet(client: Client, kind: str, *lines: dict[str, str], **more: str) -> Any:
    typed = {f"{column}-{n}": t for n, line in enumerate(lines, 1) for column, t in line.items()}
    told = {"day": "2026-03-02", "token": "sheet-1", **more, **typed}
    return client.post(f"/sheets/{kind}/", told)


FIRST = {"crop": "Loose-leaf lettuce", "store": "Cold store", "gross_g": "4.2", "tare_g": "0,9"}
NEXT = {"crop": '"', "store": '"', "gross_g": "3850 g", "tare_g": "”"}


def test_a_sheet_is_typed_up_with_ditto_marks(farm: Farm) -> None:
    client = who("grower")
    # a ditto mark means the line above it, and an empty line says nothing
    page = sheet(client, "harvest", FIRST, {}, NEXT).content.decode()
    assert "Say store." in page
    assert not Event.objects.exists()
    answer = sheet(client, "harvest", FIRST, NEXT | {"time": "07:10"}, NEXT)
    assert answer.status_code == 302
    kept = Movement.objects.filter(to_place=farm.store).values_list("quantity", flat=True)
    assert sorted(kept) == [2950, 2950, 3300]


def test_bad_lines_come_back_marked_with_all_that_was_typed(farm: Farm) -> None:
    client = who("grower")
    wrong = sheet(client, "harvest", FIRST, NEXT, NEXT | {"gross_g": "1,500 g"})
    page = wrong.content.decode()
    assert "1 line cannot be read or cannot have been" in page
    assert "1,500: 1.5 kg or 1500 g?" in page
    assert 'name="gross_g-1" value="4.2"' in page
    assert 'name="crop-2" value="&quot;"' in page
    assert not Event.objects.exists()
    right = sheet(client, "harvest", FIRST, NEXT, NEXT | {"gross_g": "1500g"})
    assert right.status_code == 302
    kept = Movement.objects.filter(to_place=farm.store).values_list("quantity", flat=True)
    assert sorted(kept) == [600, 2950, 3300]
    # the same sheet sent twice is recorded once; typed up anew, it is another morning's
    assert sheet(client, "harvest", FIRST, NEXT).status_code == 302
    assert Lot.objects.count() == 3
    assert sheet(client, "harvest", FIRST, token="sheet-2").status_code == 302
    assert Lot.objects.count() == 4


def test_lines_of_one_entry_and_a_time(farm: Farm) -> None:
    crates = [farm.cut(700), farm.cut(800)]
    line = {"product": "SALAD-120", "place": "Cold store", "left": "0", "key": "1"}
    first = line | {"lot": crates[0].code, "packs": "12", "store": "Cold store", "time": "08:00"}
    answer = sheet(who("packer"), "pack", first, line | {"lot": crates[1].code})
    assert answer.status_code == 302, answer.content.decode()
    run = Lot.objects.get(kind="pack")
    assert run.above.filter(kind="went_in").count() == 2
    assert f"{run.made_by.happened_at:%H:%M}" == "08:00"


def test_an_empty_sheet_and_one_without_a_day(farm: Farm) -> None:
    client = who("grower")
    assert "There is nothing on the sheet yet." in sheet(client, "harvest").content.decode()
    page = sheet(client, "harvest", FIRST, day="").content.decode()
    assert "Say on, the day that it happened" in page
    assert not Event.objects.exists()


def test_each_sheet_has_columns_that_its_kind_has(farm: Farm) -> None:
    boss = Person.objects.create_superuser("boss", password="x")
    client = Client()
    client.force_login(boss)
    for kind, columns in KINDS_ON_PAPER.items():
        own = table(kind)
        assert own is not None
        assert set(columns) <= set(own.names), kind
        assert {c.name for c in own.columns if c.required} <= set(columns), kind
        page = client.get(f"/sheets/{kind}/")
        assert page.status_code == 200
        assert page.content.decode().count('<tr class="line">') == 12


@pytest.mark.parametrize("role", ["grower", "packer", "chef", "shop", "learner", "manager"])
def test_a_sheet_is_offered_to_who_may_tell_its_kind(farm: Farm, role: str) -> None:
    client = who(role)
    person = Person.objects.get(username=role)
    listed = client.get("/sheets/").content.decode()
    names = may(person, "describe")  # who may not is asked for no name of their own
    for kind, columns in KINDS_ON_PAPER.items():
        allowed = may(person, kind)
        assert (f'href="/sheets/{kind}/"' in listed) == allowed
        page = client.get(f"/sheets/{kind}/")
        assert page.status_code == (200 if allowed else 403)
        assert ("Own name" in page.content.decode()) == (allowed and names and "called" in columns)
    assert client.get("/sheets/cancel/").status_code == 404


def test_a_cook_types_up_what_was_cut(farm: Farm) -> None:
    """With a name of one's own on a line, which a cook may not give, nothing was recorded."""
    client = who("chef")
    Person.objects.get(username="chef").places.add(farm.kitchen_place)
    line = {"crop": "Red mustard", "store": "Kitchen", "gross_g": "0.3"}
    sent = sheet(client, "harvest", line | {"called": "K1"})
    assert sent.status_code == 302, sent.content.decode()
    assert farm.stock(Lot.objects.get(), farm.kitchen_place) == 300


# --- in a browser -----------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
def test_in_a_browser_the_files_stay_chosen(page: Any, orm: Any, tmp_path: Path) -> None:
    orm(lambda: (Farm(), Person.objects.create_superuser("boss", password="a-long-word")))
    good, bad = tmp_path / "harvest.csv", tmp_path / "harvest 2.csv"
    good.write_text(GOOD)
    bad.write_text(BAD)
    page.goto("/login/?next=/import/")
    page.fill("#id_username", "boss")
    page.fill("#id_password", "a-long-word")
    page.press("#id_password", "Enter")
    page.set_input_files("#id_files", [good, bad])
    page.click("text=Try it first")
    page.wait_for_selector("text=No place is called “Cold stove”.")
    page.set_input_files("#id_files", good)
    page.click("text=Try it first")
    page.click("text=Record all of it")
    page.wait_for_selector("text=All of it is recorded")
    assert orm(lambda: Lot.objects.count()) == 1
    page.goto("/sheets/harvest/")
    page.fill("[name=gross_g-1]", "4.2")
    page.press("[name=gross_g-1]", "Enter")
    assert page.evaluate("document.activeElement.name") == "gross_g-2"
    assert page.said == []
