"""A delivery note on its page and on paper: the eight items of Implementing Regulation (EU) No
931/2011, Article 3 (food law reference, 1.2), each read back off the PDF and compared; what became
of each line; and whose note it is."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import Any

import pypdfium2
import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow.models import Business, Person, Photo, PlaceKind, Thing
from sales.models import DeliveryNote, Outlet, ReceiptLine
from sales.note_paper import paper_of
from sales.note_pdf import pdf_of
from sales.operations import Arrived
from tests.farm import Farm, Line, decided
from tests.hands import DESK, PHONE, People, Thumb, violations


@pytest.fixture
def stores(farm: Farm) -> Outlet:
    Business.objects.create(
        name="Hollow Field", address="2 Example Lane, Ashwithy", country="United Kingdom"
    )
    farm.bag.storage = "Keep in the fridge, below 5 °C"
    farm.bag.allergens = "mustard"
    farm.bag.save()
    decided(farm.bag)
    place = farm.place("Brindlecote Stores", PlaceKind.BUYER)
    return Outlet.objects.create(
        place=place,
        address="1 Example Row, Brindlecote",
        owner="Brindlecote Holdings, 9 Example Square",
        asks_temperature=True,
    )


@pytest.fixture
def note(farm: Farm, stores: Outlet) -> DeliveryNote:
    """Ten bags and 1.35 kg of lettuce, on a Tuesday at 09:15, at 4.5 °C."""
    farm.pass_time(days=1, hours=1, minutes=15)
    run = farm.pack([farm.cut(1500, crop=farm.mustard)], packs=12)
    leaf = farm.cut(2000)
    lines = [Line(run, 10, farm.store), Line(leaf, 1350, farm.store)]
    return farm.tell("deliver", outlet=stores, lines=lines, temperature_c=Decimal("4.5")).note


def read(content: bytes) -> list[str]:
    """The words of each page, in one line each."""
    pages = pypdfium2.PdfDocument(content)
    return [" ".join(page.get_textpage().get_text_range().split()) for page in pages]


def client_of(farm: Farm, role: str, *places: Any) -> Client:
    person = Person.objects.create_user(f"{role}-{len(places)}", is_staff=True)
    person.groups.add(Group.objects.get(name=role))
    person.places.set(places)
    client = Client()
    client.force_login(person)
    return client


# --- the eight items -----------------------------------------------------------------------------


def test_the_eight_items_stand_on_the_paper_and_what_the_trade_asks_beside(
    farm: Farm, note: DeliveryNote
) -> None:
    bags, leaf = (line.lot for line in note.lines.order_by("pk"))
    (text,) = read(pdf_of(paper_of(note)))
    items = {
        "a description": ["Salad bag 120 g", "Loose-leaf lettuce, loose"],
        "b quantity": ["10 bags", "1.2 kg net", "1.35 kg"],
        "c dispatching operator": ["Dispatched by Hollow Field 2 Example Lane, Ashwithy"],
        "d consignor, if another": ["Ashwithy Owner of the goods: the same"],
        "e receiving operator": ["To be received by Brindlecote Stores 1 Example Row, Brindlecote"],
        "f consignee, if another": ["Owner of the goods: Brindlecote Holdings, 9 Example Square"],
        "g lot": [bags.code, leaf.code],
        "h dispatch date": ["03 Mar 2026, 09:15"],
    }
    beside = {
        "temperature": ["Temperature at dispatch 4.5 °C"],
        "date": ["Use by 10 Mar 2026"],
        "allergens": ["Contains MUSTARD"],
        "storage": ["Keep in the fridge, below 5 °C"],
        "signature": ["name and signature"],
        "number": [f"Delivery note {note.number}"],
    }
    lacks = {
        item: words
        for item, said in (items | beside).items()
        for words in said
        if words not in text
    }
    assert lacks == {}, text
    assert "£" not in text
    assert "pence" not in text


def test_it_is_vectors_and_black(note: DeliveryNote) -> None:
    page = pypdfium2.PdfDocument(pdf_of(paper_of(note)))[0]
    assert [round(side) for side in page.get_size()] == [595, 842]  # ISO 216 A4, in points
    kinds = {obj.type for obj in page.get_objects()}
    assert pypdfium2.raw.FPDF_PAGEOBJ_IMAGE not in kinds
    picture = page.render(scale=1).to_numpy()
    assert picture.min() < 40
    coloured = picture.max(axis=2).astype(int) - picture.min(axis=2)
    assert coloured.max() == 0


def test_what_was_sent_stays_as_it_was_when_the_business_moves(
    farm: Farm, note: DeliveryNote
) -> None:
    Business.objects.update(address="7 New Road")
    Outlet.objects.update(address="8 New Road", owner="")
    (text,) = read(pdf_of(paper_of(DeliveryNote.objects.get())))
    assert "2 Example Lane, Ashwithy" in text
    assert "1 Example Row, Brindlecote" in text
    assert "New Road" not in text


def test_an_address_that_nobody_knows_is_a_gap_in_words(farm: Farm) -> None:
    run = farm.pack([farm.cut(1500)], packs=12)
    paper = paper_of(farm.send(run, 4).note)
    assert (paper.receiver.name, paper.receiver.lacks) == ("Kitchen", "address not on record")
    assert "Kitchen address not on record" in read(pdf_of(paper))[0]


def test_many_lines_take_more_pages_each_with_its_number(farm: Farm, stores: Outlet) -> None:
    lines = [Line(farm.cut(500 + n), 400, farm.store) for n in range(40)]
    note = farm.tell("deliver", outlet=stores, lines=lines).note
    pages = read(pdf_of(paper_of(note)))
    assert len(pages) > 1
    for n, text in enumerate(pages, 1):
        assert f"Delivery note {note.number}" in text
        assert f"Page {n} of {len(pages)}" in text
    whole = " ".join(pages)
    assert all(line.lot.code in whole for line in lines)
    assert "Temperature at dispatch not taken" in pages[0]


# --- what became of it ---------------------------------------------------------------------------


def test_each_lines_state_once_it_is_known(farm: Farm, note: DeliveryNote) -> None:
    bags, leaf = (line.lot for line in note.lines.order_by("pk"))
    states = {line.lot: line.state for line in paper_of(note).lines}
    assert states == {bags.code: "", leaf.code: ""}  # all of it is on its way
    assert "What became of it" not in read(pdf_of(paper_of(note)))[0]
    farm.pass_time(hours=1)
    sent = note.event
    farm.arrive(sent, bags, accepted=7, short=1, rejected=2)
    paper = paper_of(note)
    states = {line.lot: line.state for line in paper.lines}
    assert states == {
        bags.code: "7 accepted, 1 short, 2 rejected",
        leaf.code: "1.35 kg to follow",
    }
    assert [(f"{c.at:%H:%M}", c.by) for c in paper.came] == [("10:15", "Tam")]
    (text,) = read(pdf_of(paper))
    assert "7 accepted 1 short 2 rejected" in text
    assert "Received 03 Mar 2026, 10:15, by Tam" in text
    farm.arrive(sent, leaf, accepted=1400)
    states = {line.lot: line.state for line in paper_of(note).lines}
    assert states[leaf.code] == "1.4 kg accepted, 50 g more than sent"


def test_why_something_was_rejected_is_said(farm: Farm, note: DeliveryNote) -> None:
    bags, _ = (line.lot for line in note.lines.order_by("pk"))
    farm.pass_time(hours=1)
    probe = Thing.objects.create(name="Probe 1", kind="probe")
    farm.tell(
        "receive",
        note=note,
        lines=[Arrived(bags, 9, 0, 1, "wilted")],
        temperature_c=Decimal("6.50"),
        measured="between",
        probe=probe,
        condition="damaged",
    )
    paper = paper_of(note)
    assert paper.lines[0].state == "9 accepted, 1 rejected (wilted)"
    photo = Photo.objects.create(sha256="0" * 64, jpeg=b"a picture")
    ReceiptLine.objects.update(photo=photo)
    page = client_of(farm, "manager").get(f"/notes/{note.number}/").content.decode()
    assert f'href="/photographs/{photo.pk}/"' in page
    said = "Received 03 Mar 2026, 10:15, by Tam, 6.5 °C between packs with Probe 1, packs damaged"
    assert said in read(pdf_of(paper))[0]


def test_another_notes_receipt_of_the_same_lot_is_not_this_ones(
    farm: Farm, note: DeliveryNote
) -> None:
    bags, _ = (line.lot for line in note.lines.order_by("pk"))
    other = farm.send(bags, 1, note.outlet)
    farm.pass_time(hours=1)
    farm.arrive(other, bags, accepted=1)
    assert paper_of(note).came == []
    assert len(paper_of(other.note).came) == 1


def test_a_cancelled_note_says_so_and_what_was_on_it(farm: Farm, note: DeliveryNote) -> None:
    bags, _ = (line.lot for line in note.lines.order_by("pk"))
    assert "CANCELLED" not in read(pdf_of(paper_of(note)))[0]
    farm.tell("cancel", event=note.event, reason="wrong van")
    (text,) = read(pdf_of(paper_of(DeliveryNote.objects.get())))
    assert "CANCELLED 03 Mar 2026, 09:15. Nothing was sent with it." in text
    assert "10 bags" in text
    page = client_of(farm, "manager").get(f"/notes/{note.number}/").content.decode()
    assert "Cancelled" in page
    assert "on its way" not in page
    # and when its goods stand at the door all the same
    farm.pass_time(hours=1)
    farm.tell("receive", note=note, lines=[Arrived(bags, 10)], already_done=True)
    paper = paper_of(DeliveryNote.objects.get())
    assert "CANCELLED 03 Mar 2026, 09:15, and its goods came." in read(pdf_of(paper))[0]
    assert paper.lines[0].state == "10 accepted, 10 more than sent"


# --- the pages -----------------------------------------------------------------------------------


def test_the_page_leads_to_the_paper_and_says_the_same(farm: Farm, note: DeliveryNote) -> None:
    manager = client_of(farm, "manager")
    page = manager.get(f"/notes/{note.number.lower()}/").content.decode()
    for words in ("Brindlecote Holdings", "10 bags", "4.5 °C", "1 Example Row", "mustard"):
        assert words in page
    paper = manager.get(f"/notes/{note.number}/pdf/")
    assert (paper.status_code, paper["Content-Type"]) == (200, "application/pdf")
    assert paper.content.startswith(b"%PDF")


def test_the_list_finds_by_outlet_and_day_and_gives_csv(farm: Farm, note: DeliveryNote) -> None:
    run = farm.pack([farm.cut(1500)], packs=12)
    other = farm.send(run, 4).note
    manager = client_of(farm, "manager")
    listed = manager.get("/notes/").content.decode()
    assert f'href="/notes/{note.number}/"' in listed
    assert f'href="/notes/{other.number}/"' in listed
    narrowed = manager.get("/notes/?outlet=Kitchen").content.decode()
    assert note.number not in narrowed
    assert other.number in narrowed
    earlier = manager.get("/notes/?last=2026-03-02").content.decode()
    assert "No note was written in these days." in earlier
    text = manager.get("/notes/?as=csv").content.decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert sorted((r["number"], r["sent"]) for r in rows) == sorted(
        [(note.number, "10"), (note.number, "1350"), (other.number, "4")]
    )
    assert manager.get(f"/notes/?entry={note.event_id}")["Location"] == f"/notes/{note.number}/"


def test_another_outlets_note_is_not_there_page_paper_or_list(
    farm: Farm, note: DeliveryNote
) -> None:
    run = farm.pack([farm.cut(1500)], packs=12)
    own = farm.send(run, 4).note
    chef = client_of(farm, "chef", farm.kitchen_place)
    for path in ("", "pdf/"):
        assert chef.get(f"/notes/{own.number}/{path}").status_code == 200
        assert chef.get(f"/notes/{note.number}/{path}").status_code == 404
        assert chef.get(f"/notes/N99999-9/{path}").status_code == 404
    assert note.number not in chef.get("/notes/").content.decode()
    assert chef.get(f"/notes/?entry={note.event_id}").status_code == 200  # the list, without it
    assert chef.get(f"/api/v1/notes/{note.number}/").status_code == 404
    parties = chef.get(f"/api/v1/notes/{own.number}/").json()["parties"]
    assert (parties["sender"], parties["receiver"]) == ("Hollow Field", "Kitchen")


def test_a_letter_that_the_typeface_has_not_is_said_and_not_printed_as_a_box(
    farm: Farm, stores: Outlet
) -> None:
    Outlet.objects.filter(pk=stores.pk).update(owner="商店")
    run = farm.pack([farm.cut(1500)], packs=12)
    stores.refresh_from_db()
    note = farm.send(run, 4, stores).note
    answer = client_of(farm, "manager").get(f"/notes/{note.number}/pdf/")
    assert answer.status_code == 422
    assert "typeface has no “商”" in answer.content.decode()


# --- in a real browser ---------------------------------------------------------------------------


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_note_in_a_browser(
    people: People, page: Any, live_server: Any, size: dict[str, int]
) -> None:
    thumb = Thumb(page, people, "chef", live_server.url, size)
    page.goto("/notes/")
    assert violations(page) == []
    thumb.tap(page.get_by_role("link", name=people.note.number))
    page.wait_for_url(f"**/notes/{people.note.number}/")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert violations(page) == []
    assert page.get_by_role("link", name="Print it").is_visible()
    assert thumb.elsewhere == []
    assert page.said == []
