"""The evidence pack: its rows are what the books say, counted again from the tables alone; its sums
are those of another reader; no cell of it runs; it says no prices."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import zipfile
from collections import Counter, defaultdict

import openpyxl
import pypdfium2
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from grow.models import Business, Lineage, Lot, Movement, SignOff
from sales import evidence, roots
from sales.evidence import events
from sales.evidence.packed import packed, unlike
from sales.models import Outlet, Product
from tests.farm import Farm, TillRow, decided
from tests.test_epcis import season  # noqa: F401  # a fixture: seed to till, with all that goes wrong

pytestmark = [pytest.mark.django_db, pytest.mark.once]
#: Suppliers’ names that a spreadsheet would work out.
FORMULAS = ('=HYPERLINK("https://x.example","x")', "+1", "-1", "@SUM(1)", "\t=1+1", "\r=1+1")
#: So odd that nothing else says them, in pence.
PAID, SOLD_AT = 7919, 7907


@pytest.fixture
def story(season: Farm) -> Farm:  # noqa: F811  # the fixture
    """After the season: names that are formulas, checks, a printed label, bought leaf, a packer who
    is not signed off, a note with addresses."""
    farm = season
    Business.objects.update(
        address="1 Example Lane", telephone="01632 960 200", country="United Kingdom"
    )
    Outlet.objects.filter(pk=farm.kitchen.pk).update(
        address="2 Example Lane", contact="Osk Bram", telephone="01632 960 007", owner="Q. Hale"
    )
    farm.kitchen.refresh_from_db()
    Product.objects.filter(pk=farm.bag.pk).update(storage="Keep at 5 °C or colder")
    decided(farm.bag)
    farm.tell("print_labels", run=farm.run, count=40)
    odd = []
    for name in FORMULAS:
        supplier = farm.place(name, "supplier")
        odd.append(
            farm.tell(
                "receive_input",
                item=farm.soap,
                supplier=supplier,
                place=farm.store,
                supplier_lot=name.strip(),
                quantity=1,
                paid_pence=PAID,
            ).lot
        )
    box = farm.tell(
        "receive_produce",
        crop=farm.lettuce,
        supplier=farm.supplier,
        place=farm.store,
        grams=900,
        supplier_lot="BX-9",
        paid_pence=PAID,
    ).lot
    farm.pass_time(hours=1)
    # who was signed off afterwards was not on the day
    SignOff.objects.create(
        person=farm.packer, task="packing", since=farm.today + dt.timedelta(days=9), by=farm.grower
    )
    farm.bought = farm.pack([box], packs=7, recorded_by=farm.packer)
    farm.note = farm.send(farm.run, 3)
    at_its_own = TillRow(farm.bag, 1, farm.run, unit_pence=SOLD_AT)
    farm.to_shop(farm.run, 2)
    farm.tell("sell", outlet=farm.shop, rows=[at_its_own], till="second")
    farm.pass_time(minutes=5)
    farm.tell("check", place=farm.store, kind="fridge", reading="4.2 °C", passed=True)
    farm.tell("check", place=farm.tent, kind="fridge", reading="31 °C", passed=True)
    farm.tell("test_water", tank=farm.tank, kind="E. coli", reading="3 cfu", passed=True)
    farm.tell("incident", kind="glass broken", places=[farm.store, farm.t1], done="swept twice")
    farm.tell("clean", place=farm.line, how="hot water, brushed")
    farm.pass_time(minutes=5)
    farm.tell("clean", place=farm.line, how="a second time")
    # the last cut went into the run that was cancelled
    wrong = Lot.objects.filter(kind="harvest").order_by("pk").last()
    assert wrong
    codes = [farm.run, farm.bought, wrong, *odd]
    farm.codes = ", ".join(lot.code for lot in codes)
    return farm


def pack_of(farm: Farm) -> bytes:
    return packed(evidence.gather(farm.grower, roots.find(farm.codes)))


#: One pack is read by several tests: the books that it is of are made once.
_MADE: list[tuple[bytes, Lot]] = []


@pytest.fixture
def made(request: pytest.FixtureRequest) -> tuple[dict[str, bytes], Lot]:
    """The files of a pack of the story, and its run."""
    if not _MADE:
        farm = request.getfixturevalue("story")
        data = pack_of(farm)
        assert data == pack_of(farm)  # the same books at the same moment
        _MADE.append((data, farm.run))
    data, run = _MADE[0]
    return files_of(data), run


def files_of(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        assert parts.testzip() is None
        return {name.rpartition("/")[2]: parts.read(name) for name in parts.namelist()}


def table(files: dict[str, bytes], name: str) -> list[dict[str, str]]:
    text = files[f"{name}.csv"].decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def above_and_below(codes: str) -> set[int]:
    """A walk of its own over the edges."""
    up: dict[int, set[int]] = defaultdict(set)
    down: dict[int, set[int]] = defaultdict(set)
    for parent, child in Lineage.objects.filter(cleared_by=None).values_list("parent", "child"):
        up[child].add(parent)
        down[parent].add(child)
    start = set(Lot.objects.filter(code__in=codes.split(", ")).values_list("pk", flat=True))
    found = set(start)
    for way in (up, down):
        open_, seen = list(start), set(start)
        while open_:
            new = way[open_.pop()] - seen
            seen |= new
            open_ += new
        found |= seen
    return found


def test_the_rows_are_what_the_books_moved_and_nothing_is_left_out(story: Farm) -> None:
    files = files_of(pack_of(story))
    rows = table(files, "events")
    family = above_and_below(story.codes)
    assert len(family) > 15
    # net of all that was corrected and worked out anew, what stands in the rows is what moved
    net: Counter[tuple[str, str, str]] = Counter()
    for m in Movement.objects.filter(lot__in=family).select_related(
        "lot", "from_place", "to_place"
    ):
        a, b = m.from_place.name, m.to_place.name
        net[m.lot.code, min(a, b), max(a, b)] += m.quantity if a < b else -m.quantity
    said: Counter[tuple[str, str, str]] = Counter()
    for row in rows:
        if row["quantity"] and not row["state"].startswith("taken back"):
            a, b = (row[way].removeprefix("'") for way in ("from_place", "to_place"))
            sign = 1 if a < b else -1
            said[row["lot_code"], min(a, b), max(a, b)] += sign * int(row["quantity"])
    assert {k: n for k, n in said.items() if n} == {k: n for k, n in net.items() if n}
    # and each entry that moved, made or held one of them is there, its corrections beside it
    with connection.cursor() as cursor:
        ids = ", ".join(map(str, family))
        cursor.execute(
            f"""
            SELECT e.id, COALESCE(c.id, e.id), e.corrects_id IS NOT NULL FROM grow_event e
            LEFT JOIN grow_event c ON c.id = e.corrects_id
            WHERE e.told IS NOT NULL AND (
                e.id IN (SELECT event_id FROM grow_movement WHERE lot_id IN ({ids}))
                OR e.id IN (SELECT made_by_id FROM grow_lot WHERE id IN ({ids}))
                OR e.id IN (SELECT began_by_id FROM grow_hold WHERE lot_id IN ({ids}))
                OR e.id IN (SELECT ended_by_id FROM grow_hold WHERE lot_id IN ({ids})))
            """
        )
        entries = cursor.fetchall()
    shown = {int(row["entry"]): row for row in rows if row["entry"]}
    assert shown.keys() ^ {root for _, root, _ in entries} == set()
    for pk, root, corrects in entries:
        assert not corrects or f"entry {pk}, " in shown[root]["corrections"]
    lost = {row["lot_code"] for row in rows if row["state"].startswith("taken back")}
    assert lost
    assert {row["lot_code"] for row in table(files, "lots")} == set(
        Lot.objects.filter(pk__in=family).values_list("code", flat=True)
    )


_REFERENCE = ("reference_type", "reference_number")
_OF_A_LOT = ("lot_code", "product", "quantity", "unit", "event_time", "lot_code_source")
#: Rule (all of them in reference: food law, sections 1.2 and 2; the harvest’s, the second half of
#: initial packing’s and the transformation’s lists are from memory there), event, what it asks for.
ELEMENTS = [
    ("Regulation (EU) 931/2011, Article 3, a to h", "Shipping",
     ("product", "quantity", "unit", "previous_source", "previous_source_contact", "consignor",
      "subsequent_recipient", "subsequent_recipient_contact", "consignee", "lot_code",
      "event_time")),
    ("21 CFR 1.1325(a)", "Harvesting",
     ("subsequent_recipient", "subsequent_recipient_contact", "commodity", "variety", "quantity",
      "unit", "farm", "growing_area", "harvest_date", *_REFERENCE)),
    ("21 CFR 1.1330(a)", "Initial packing",
     (*_OF_A_LOT, "inputs", "variety", "farm", "growing_area", "harvester", "harvest_date",
      "to_place", *_REFERENCE)),
    ("21 CFR 1.1330(a)", "Initial packing, input",
     (*_OF_A_LOT, "commodity", "variety", "went_into", *_REFERENCE)),
    ("21 CFR 1.1340", "Shipping",
     (*_OF_A_LOT, "subsequent_recipient", "subsequent_recipient_contact", "from_place",
      *_REFERENCE)),
    ("21 CFR 1.1345", "Receiving",
     (*_OF_A_LOT, "previous_source", "previous_source_contact", "to_place", *_REFERENCE)),
    ("21 CFR 1.1350", "Transformation, input", (*_OF_A_LOT, "went_into", *_REFERENCE)),
    ("21 CFR 1.1350", "Transformation", (*_OF_A_LOT, "inputs", "to_place", *_REFERENCE)),
]  # fmt: skip


def test_each_key_data_element_is_there(story: Farm) -> None:
    rows = table(files_of(pack_of(story)), "events")
    by_kind: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in rows:
        by_kind[row["critical_tracking_event"]].append(row)
    lacks = [
        (rule, kind, row["lot_code"], name)
        for rule, kind, names in ELEMENTS
        for row in by_kind[kind]
        for name in names
        if not row[name]
    ]
    assert lacks == []
    assert {kind for _, kind, _ in ELEMENTS} <= by_kind.keys()
    (sent,) = [
        row for row in by_kind["Shipping"] if row["reference_number"] == story.note.note.number
    ]
    wanted = {
        "what_happened": "sent",
        "event_time": "2026-04-11T14:00:00+01:00",
        "time_zone": "Europe/London",
        "lot_code": story.run.code,
        "product": "Salad bag 120 g",
        "quantity": "3",
        "net_g_each": "120",
        "basis": "counted",
        "from_place": "Cold store",
        "previous_source": "Hollow Field",
        "previous_source_contact": "1 Example Lane, 01632 960 200",
        "consignor": "the same",
        "subsequent_recipient": "Kitchen",
        "subsequent_recipient_contact": "2 Example Lane, Osk Bram, 01632 960 007",
        "consignee": "Q. Hale",
        "reference_type": "delivery note",
        "lot_code_source": "Hollow Field, 1 Example Lane",
        "told_by": "Tam",
        "state": "stands",
    }
    assert {name: sent[name] for name in wanted} == wanted
    (run,) = [row for row in by_kind["Initial packing"] if row["lot_code"] == story.run.code]
    assert run["growing_area"] == "T1, T2"
    grams = sum(
        Lineage.objects.filter(child=story.run, kind="went_in", struck_by=None).values_list(
            "quantity", flat=True
        )
    )
    assert grams == 4800
    assert run["inputs"].count(" kg") == 2
    (box,) = [r for r in by_kind["Receiving"] if r["supplier_lot"] == "BX-9"]
    assert box["lot_code_source"].startswith("supplier: BX-9")
    assert (box["lot_kind"], box["commodity"]) == ("Bought produce", "Loose-leaf lettuce")


def test_no_cell_runs_and_the_workbook_has_the_same_rows(
    made: tuple[dict[str, bytes], Lot],
) -> None:
    """The signs are those that OWASP's page on CSV injection lists: = + - @, tab, carriage
    return. XML knows a carriage return for a line feed (XML 1.0, 2.11)."""
    files, _ = made
    raw = list(csv.reader(io.StringIO(files["events.csv"].decode("utf-8-sig"), newline="")))
    texts = {cell for row in raw for cell in row}
    for name in FORMULAS:
        assert name not in texts
        assert f"'{name}" in texts
    book = openpyxl.load_workbook(io.BytesIO(files["trace.xlsx"]))
    cells = [cell for page in book for row in page.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "inlineStr", "n"}  # and no "f"
    odd = [cell for cell in cells if str(cell.value)[:1] in tuple("=+-@\t\r")]
    assert len(odd) >= len(FORMULAS)
    assert all(cell.quotePrefix for cell in odd)  # nor when somebody edits it
    for name in ("events", "lots", "checks", "signoffs"):
        lines = list(csv.reader(io.StringIO(files[f"{name}.csv"].decode("utf-8-sig"), newline="")))
        sheet = [
            ["" if cell.value is None else str(cell.value) for cell in row]
            for row in book[name].iter_rows()
        ]
        marks = tuple("=+-@\t\r")
        plain = [
            [c[c[:1] == "'" and c[1:2] in marks :].replace("\r", "\n") for c in row]
            for row in lines
        ]
        assert sheet == plain
    ((cut,),) = evidence.Table("t", "", [("a", "", "")], [{"a": "x" * 40_000}]).cells()
    assert (len(cut), cut[-4:]) == (32_767, "olds")


def test_the_sums_are_right_and_a_changed_byte_is_noticed(
    made: tuple[dict[str, bytes], Lot],
) -> None:
    files, _ = made
    sums = dict(line.split("  ")[::-1] for line in files["SHA256SUMS"].decode().splitlines())
    assert sums == {
        name: hashlib.sha256(content).hexdigest()
        for name, content in files.items()
        if name != "SHA256SUMS"
    }
    manifest = json.loads(files["manifest.json"])
    assert {one["name"]: one["sha256"] for one in manifest["files"]}.items() <= sums.items()
    rows = {one["name"]: one["rows"] for one in manifest["files"] if "rows" in one}
    assert rows["events.csv"] == len(table(files, "events"))
    assert manifest["ledger"]["faults"] == []
    assert unlike(_MADE[0][0]) == []
    spoilt = io.BytesIO()
    with zipfile.ZipFile(spoilt, "w") as out:
        for name, content in files.items():
            if name == "checks.csv":
                content = content.replace(b"4.2", b"4.1")
            if name != "ledger.txt":
                out.writestr(f"x/{name}", content)
    assert unlike(spoilt.getvalue()) == ["checks.csv", "ledger.txt"]


def paper(files: dict[str, bytes]) -> str:
    document = pypdfium2.PdfDocument(files["records.pdf"])
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    return " ".join(text.split())


def test_the_paper_holds_checks_cleans_sign_offs_and_labels(
    made: tuple[dict[str, bytes], Lot],
) -> None:
    files, run = made
    text = paper(files)
    assert "21 CFR part 1 subpart S" in files["README.txt"].decode()
    assert "Implementing Regulation (EU) 931/2011" in files["README.txt"].decode()
    for words in (
        "State now No notice recorded here as of",
        "checked: fridge Cold store passed 4.2 °C",
        "cleaned Packing bench hot water, brushed",
        "water tested: E. coli Reservoir passed 3 cfu",
        "incident: glass broken",
        "Ines Packing not signed off",
        "Tam Packing since 01 Jan 2026, by Tam",
        f"Lot {run.code}",
        "Wash before use",
        "Keep at 5 °C or colder",
        "Whole, unwashed, prepacked (everywhere): R. Wren, 30 Dec 2025",
        "No label was printed; the run froze:",
        "No fault found by",
        "was cancelled on",
        "Kitchen 2 Example Lane Osk Bram, 01632 960 007",
    ):
        assert words in text, words
    # of cleans of the bench the first after the last run bounds it; the tent had none of it
    for words in ("a second time", "31 °C"):
        assert words not in text
        assert words not in files["checks.csv"].decode()
    for name, content in files.items():
        inside = zipfile.ZipFile(io.BytesIO(content)) if name.endswith(".xlsx") else None
        parts = [inside.read(one) for one in inside.namelist()] if inside else [content]
        parts = [text.encode()] if name.endswith(".pdf") else parts
        for pence in (PAID, SOLD_AT):
            said = (f"{pence}".encode(), f"{pence / 100:.2f}".encode())
            assert not any(one in part for one in said for part in parts), name


def test_a_fault_of_the_books_and_a_broken_seal_are_said(story: Farm) -> None:
    from django.db.models import F

    from grow import triggers
    from grow.models import Holding, Seal
    from grow.seal import seal

    story.pass_time(days=2)
    seal()
    sound = files_of(pack_of(story))
    last = Seal.objects.order_by("-day").first()
    assert last
    assert f"{last.digest}" in sound["ledger.txt"].decode()
    assert "No fault found" in sound["ledger.txt"].decode()
    triggers.lift()
    try:
        Movement.objects.filter(lot=story.run).update(quantity=F("quantity") + 1)
        Holding.objects.filter(lot=story.run, place=story.store).update(quantity=F("quantity") + 1)
    finally:
        triggers.install()
    broken = files_of(pack_of(story))
    assert "is not as it was sealed" in broken["ledger.txt"].decode()
    assert "is not as it was sealed" in paper(broken)
    assert json.loads(broken["manifest.json"])["ledger"]["faults"]


def _asked(farm: Farm, runs: list[Lot]) -> int:
    with CaptureQueriesContext(connection) as seen:
        evidence.gather(farm.grower, roots.find(runs))
    return len(seen)


def test_many_lots_are_asked_for_as_often_as_few(
    farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing = evidence.Ledger([], 0, None, "", None, 0)
    monkeypatch.setattr(evidence, "look_at_the_books", lambda: nothing)
    Business.objects.create(name="Hollow Field")
    batch = farm.sow(60)
    farm.tell("fill", tank=farm.tank, litres=20)
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.pass_time(days=20)
    farm.plant(batch, farm.t1, 40)
    farm.pass_time(days=20)
    runs = []
    for _ in range(6):
        runs.append(farm.pack([farm.cut(1300, batch)], packs=10))
        farm.arrive(farm.send(runs[-1], 4), runs[-1], accepted=4)
        farm.tell("print_labels", run=runs[-1], count=10)
        farm.tell("clean", place=farm.line)
        farm.tell("lab_result", criterion="e_coli_guide", results="10", lots=[runs[-1]])
        farm.hold(runs[-1])
        farm.pass_time(hours=1)
    _asked(farm, runs[:2])  # what is read once
    assert _asked(farm, runs) == _asked(farm, runs[:2])


def test_what_is_too_much_for_one_pack_is_refused_in_a_sentence(
    story: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = Client()
    story.grower.is_staff = True
    story.grower.save()
    client.force_login(story.grower)
    page = client.get("/evidence/")
    assert "Save the pack" in page.content.decode()
    given = client.get("/evidence/", {"code": story.codes})
    assert given["Content-Disposition"] == f'attachment; filename="{_name(story)}.zip"'
    assert unlike(given.content) == []
    assert "evidence/?code=" in client.get("/trace/", {"code": story.run.code}).content.decode()
    for asked, status, says in (
        ({"code": "R99999-99-9"}, 404, "No lot is called"),
        ({"recall": "X1"}, 404, "No recall is called “X1”"),
        ({"product": story.bag.code}, 400, "Say both the product and the date"),
    ):
        answer = client.get("/evidence/", asked)
        assert (answer.status_code, says in answer.content.decode()) == (status, True), says
    story.tell("open_recall", kind="recall", hazard="Salmonella", lots=[story.bought])
    recall = story.tell(
        "open_recall", kind="recall", hazard="Glass", lots=[story.bought], mock=True
    ).recall
    shown = client.get(f"/recalls/{recall.number}/").content.decode()
    assert f"evidence/?recall={recall.number}" in shown
    of_recall = client.get("/evidence/", {"recall": recall.number})
    assert recall.number in paper(files_of(of_recall.content))
    assert "Nobody has recorded that the authority was told" in paper(files_of(of_recall.content))
    assert "What its notices said No notice is approved." in paper(files_of(of_recall.content))
    monkeypatch.setattr(events, "MOST_ROWS", 5)
    for name in ("code", "recall"):
        answer = client.get(
            "/evidence/", {name: {"code": story.codes, "recall": recall.number}[name]}
        )
        assert answer.status_code == 422
        assert "comes to more than 5 rows" in answer.content.decode()
    monkeypatch.setattr(evidence, "MOST_LOTS", 3)
    answer = client.get("/evidence/", {"code": story.codes})
    assert "3 are put into one pack" in answer.content.decode()


def _name(farm: Farm) -> str:
    return f"evidence-{farm.codes.replace(', ', '-')[:40].strip('-')}"
