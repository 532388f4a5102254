"""A new farm's first morning, as somebody new would live it: from an empty database, following only
what the pages say, to a bag on the shelf that is traced back to its crate."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pypdfium2 as pdfium
from playwright.sync_api import expect

from grow.models import Lot, LotKind, Person, PlantSite
from sales.models import LabelStock
from tests.hands import PHONE, looked_at
from tests.reading_labels import codes_on, words_on

MOST_TAPS = 60
PASSWORD = "four quiet words here"


class Hand:
    """Somebody new at the pages: each tap, choice and typed field counts as one."""

    def __init__(self, page: Any, server: str) -> None:
        self.page = page
        self.taps = 0
        self.elsewhere: list[str] = []
        page.set_viewport_size(PHONE)
        page.on(
            "request",
            lambda r: None if r.url.startswith((server, "data:", "blob:")) else self.note(r.url),
        )

    def note(self, url: str) -> None:
        self.elsewhere.append(url)

    def tap(self, role: str, name: str) -> None:
        self.taps += 1
        self.page.get_by_role(role, name=name).first.click()

    def type(self, label: str, text: str) -> None:
        self.taps += 1
        self.page.get_by_label(label).first.fill(text)

    def check(self, found: Any) -> None:
        self.taps += 1
        found.click()

    def choose(self, label: str) -> None:
        self.taps += 1
        self.page.get_by_label(label).first.check()

    def download(self, name: str, to: Path) -> bytes:
        with self.page.expect_download() as coming:
            self.tap("button", name)
        coming.value.save_as(to)
        return to.read_bytes()

    def next_step(self) -> str:
        """What the list says comes next."""
        return self.page.locator(".first-steps .is-next .step-title").inner_text()

    def reads(self) -> str:
        return self.page.locator("main").inner_text()


def set_up(hand: Hand) -> None:
    hand.page.goto("/")
    hand.tap("link", "Make the first account")
    hand.type("Name", "bryony")
    hand.type("Password", PASSWORD)
    hand.type("The same again", PASSWORD)
    hand.tap("button", "Make the account")
    assert hand.next_step() == "Name the business"
    hand.tap("link", "Name the business")
    hand.type("Name of the business", "Withy Lane Glass")
    hand.tap("button", "Save")
    hand.tap("link", "Who it is for")
    hand.tap("button", "Save")
    hand.tap("link", "What you grow")
    hand.choose("Green loose-leaf lettuce")
    hand.choose("Mustard leaf")
    hand.tap("button", "Add these crops")
    hand.tap("link", "One product")
    hand.type("Name, as the label says it", "Salad bag 120 g")
    hand.choose("Green loose-leaf lettuce")
    hand.choose("Mustard leaf")
    hand.type("Net weight of one pack", "120")
    hand.type("Days from packing to its use-by date", "5")
    hand.tap("button", "Save the product")
    hand.tap("link", "The labels you have")
    hand.tap("button", "Keep this one")


def to_the_shelf(hand: Hand, folder: Path) -> tuple[str, str, bytes, bytes]:
    """(the crate's tag, the run's lot, tags as PDF, labels as PDF)."""
    page = hand.page
    assert hand.next_step() == "Make crate tags"
    hand.tap("link", "Make crate tags")
    hand.tap("button", "Make the tags")
    tag = page.get_by_role("status").locator(".done-code").inner_text().split()[0]
    hand.tap("link", "Print the tags")
    tags = hand.download("Make the PDF", folder / "tags.pdf")
    hand.tap("link", "Back")
    hand.tap("link", "Book a crate")
    hand.choose("Mustard leaf")
    hand.type("This crate", "3.2")
    hand.type("Crate tag", tag)
    hand.tap("button", "Record the cut")
    hand.tap("link", "Pack it")
    hand.check(page.locator(".crate-take", has_text=tag))
    hand.type("Bags closed", "25")
    hand.tap("button", "Record and print labels")
    run = page.locator(".subject-code").inner_text()
    labels = hand.download("Make the PDF", folder / "labels.pdf")
    hand.tap("link", "Put on shelf")
    hand.type(f"How many of {run}", "12")
    hand.tap("button", "It is on the shelf")
    return tag, run, tags, labels


def test_from_nothing_to_a_traced_bag_in_sixty_taps(
    transactional_db, page, live_server, orm, tmp_path
):
    hand = Hand(page, live_server.url)
    set_up(hand)
    tag, run, tags, labels = to_the_shelf(hand, tmp_path)
    assert hand.next_step() == f"Trace {run}"
    hand.tap("button", f"Trace {run}")

    assert hand.taps <= MOST_TAPS
    for told in (run, tag, "Farm shop"):
        assert told in hand.reads()
    assert orm(PlantSite.objects.count) == 0
    assert orm(lambda: Lot.objects.exclude(kind__in=[LotKind.HARVEST, LotKind.PACK]).count()) == 0
    assert len(pdfium.PdfDocument(labels)) == 25
    assert codes_on(labels, 24) == [run]
    assert "Use by" in words_on(labels)
    assert "Contains: MUSTARD" in words_on(labels)
    assert codes_on(tags) == [tag]
    page.goto("/")
    assert page.locator(".first-steps").count() == 0
    page.get_by_role("link", name="The first steps, once more").click()
    assert page.locator(".first-steps").count() == 1
    assert hand.elsewhere == []
    assert [said for said in page.said if not said.startswith("verbose")] == []


NEW_PAGES = [
    "/",
    "/first-steps/",
    "/first-steps/business/",
    "/first-steps/outlets/",
    "/first-steps/crops/",
    "/first-steps/product/",
    "/first-steps/label_stock/",
    "/towers/",
    "/towers/?kind=bench",
    "/labels/",
    "/labels/?lot={run}",
    "/labels/crate-tags/all/",
    "/sales/labelstock/add/",
]


def opened(page: Any, address: str) -> dict[str, Any]:
    page.goto(address)
    return looked_at(page, (PHONE, "light"), (PHONE, "dark"))


def test_no_new_page_fails_wcag_a_or_aa(transactional_db, page, live_server, tmp_path):
    page.set_viewport_size(PHONE)
    hand = Hand(page, live_server.url)
    wrong = {}
    for address in ("/login/", "/first-account/"):
        wrong |= opened(page, address)
    set_up(hand)
    wrong |= opened(page, "/")  # the list itself, half done
    page.goto("/")
    _, run, _, _ = to_the_shelf(hand, tmp_path)
    for address in NEW_PAGES:
        wrong |= opened(page, address.format(run=run))
    assert wrong == {}


def sign_in(page: Any, orm: Any, address: str) -> None:
    orm(lambda: Person.objects.create_superuser("bryony", password=PASSWORD))
    page.goto(address)
    page.get_by_label("Username").fill("bryony")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()


def test_where_to_begin_is_asked_of_sheets_alone(transactional_db, page, live_server, orm):
    def stocks() -> None:
        LabelStock.objects.create(name="A roll", width_mm=60, height_mm=40)
        LabelStock.objects.create(name="Sheets", width_mm=70, height_mm=37, columns=3, rows=8)

    orm(stocks)
    sign_in(page, orm, "/do/print_tags/?count=2")
    page.get_by_role("button", name="Make the tags").click()
    page.get_by_role("link", name="Print the tags").first.click()
    first = page.get_by_label("First free label on the sheet")
    assert page.get_by_label("A roll").is_checked()
    expect(first).to_be_hidden()  # by the page's script, which may still be on its way
    page.get_by_label("Sheets").check()
    first.fill("24")
    with page.expect_download() as coming:
        page.get_by_role("button", name="Make the PDF").click()
    assert len(pdfium.PdfDocument(coming.value.path().read_bytes())) == 2


def test_the_towers_to_come_are_said_as_they_are_typed(transactional_db, page, live_server, orm):
    sign_in(page, orm, "/towers/")
    said = page.locator("output.preview")
    expect(said).to_have_text("30 towers, 1200 sites: T1 to T30")
    page.get_by_label("Called").fill("Tower")
    page.get_by_label("How many").fill("1")
    page.get_by_label("Tiers on each").fill("2")
    expect(said).to_have_text("1 tower, 8 sites: Tower 1")
    page.get_by_role("button", name="Make them").click()
    assert "Made: 1 tower, 8 sites: Tower 1." in page.locator(".messagelist").inner_text()
    assert orm(lambda: {str(site) for site in PlantSite.objects.all()}) == {
        f"Tower 1 {tier}/{position}" for tier in (1, 2) for position in (1, 2, 3, 4)
    }
