"""Labels and crate tags as they come out of the printer, read back by libraries of others."""

from __future__ import annotations

import itertools
import math
from decimal import Decimal

import pytest
from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.test import Client

from grow.errors import Refusal
from grow.labels import Label, Qr, Stock, Words, crate_tag, food_label, pdf
from grow.models import Lot, Person, Tag
from grow.operations import Crate
from sales import starter
from sales.label_words import figures_mm
from sales.labels import run_label, stock_of
from sales.models import LabelStock
from tests.farm import Farm
from tests.reading_labels import codes_on, letters_on, sizes_of, words_on

pytestmark = pytest.mark.once  # what is drawn and reckoned hangs on no database

MM = 72 / 25.4
ROLL = Stock(60, 40)
SHEET = Stock(63.5, 38.1, 3, 7, 7.2, 15.1, 2.5)
CODE = "R26330-04-0"


def plain(name: str = "Salad bag 120 g", code: str = CODE) -> Label:
    return food_label(
        name=name,
        quantity="120 g",
        figures_mm=3,
        qr=Qr(code),
        facts=[
            ("the date", "Use by 12 Dec 2026"),
            ("the lot", [Words("Lot "), Words(code, bold=True)]),
        ],
    )


# --- what is read back ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "stock",
    [*(stock_of(row) for row in starter.label_stocks().values()), Stock(40, 60), Stock(30, 30)],
    ids=lambda s: f"{s.width:g}x{s.height:g}",
)
def test_the_qr_says_the_lot_and_nothing_else(stock):
    """QR of ISO/IEC 18004, read off the picture of a printer of 203 dots to the inch by ZXing."""
    printed = pdf(stock, [(crate_tag(CODE), 1)], title="tag")
    assert codes_on(printed) == [CODE]
    if stock.width > 30:
        printed = pdf(stock, [(plain(), 1)], title="label")
        assert codes_on(printed) == [CODE]
        words = " ".join(words_on(printed).split())
        for told in ("Salad bag 120 g", "120 g", "Use by 12 Dec 2026", f"Lot {CODE}"):
            assert told in words


def test_the_longest_lot_there_is_can_be_read():
    """GS1 AI 10 takes up to 20 characters; a QR of ISO/IEC 18004 carries them."""
    code = "R26330-04-ABCDEFGH-9"
    assert len(code) == 20
    assert codes_on(pdf(ROLL, [(plain(code=code), 1)], title="x")) == [code]


def test_a_roll_has_pages_of_the_labels_size():
    """Sizes in points, 72 to the inch (ISO 32000), within a tenth of a millimetre."""
    pages = sizes_of(pdf(ROLL, [(plain(), 3)], title="x"))
    assert len(pages) == 3
    for page in pages:
        assert page == pytest.approx((60 * MM, 40 * MM), abs=0.1 * MM)


def test_a_sheet_is_a4_and_each_label_lies_in_its_place():
    """A4 is 210 by 297 mm (ISO 216)."""
    printed = pdf(SHEET, [(plain(), 25)], title="x")
    pages = sizes_of(printed)
    assert len(pages) == 2
    for page in pages:
        assert page == pytest.approx((210 * MM, 297 * MM), abs=0.1 * MM)
    letters = letters_on(printed)
    places = set()
    for _, left, bottom, right, top in letters:
        across, down = left / MM - 7.2, 297 - top / MM - 15.1
        column, row = math.floor(across / 66), math.floor(down / 38.1)
        assert 0 <= column < 3
        assert 0 <= row < 7
        # no letter reaches over the label's edge, nor into the gap
        assert right / MM <= 7.2 + column * 66 + 63.5
        assert 297 - bottom / MM <= 15.1 + (row + 1) * 38.1
        places.add((row, column))
    assert len(places) == 21
    # the second label of the second row lies as the same label does on a roll of that size
    corner = (7.2 + 66, 297 - 15.1 - 2 * 38.1)
    alone = letters_on(pdf(Stock(63.5, 38.1), [(plain(), 1)], title="x"))
    on_sheet = letters[len(alone) * 4 : len(alone) * 5]
    for (letter, *at), (same, *there) in zip(alone, on_sheet, strict=True):
        assert letter == same
        moved = [at[n] + corner[n % 2] * MM for n in range(4)]
        assert there == pytest.approx(moved, abs=0.1 * MM)
    lefts = sorted({round(left, 1) for letter, left, *_ in letters if letter == "S"})
    for one, other in itertools.pairwise(lefts):
        assert other - one == pytest.approx(66 * MM, abs=0.1 * MM)


def test_a_sheet_that_was_begun_goes_on_at_its_first_free_label():
    printed = pdf(
        SHEET, [(crate_tag("T00001-U"), 1), (crate_tag("T00002-S"), 2)], title="x", first=20
    )
    assert len(sizes_of(printed)) == 2
    assert sorted(codes_on(printed, 0)) == ["T00001-U", "T00002-S"]
    assert codes_on(printed, 1) == ["T00002-S"]
    lefts = [left for letter, left, *_ in letters_on(printed, 0) if letter == "T"]
    assert [round(left / MM // 66) for left in sorted(lefts)] == [1, 2]
    with pytest.raises(Refusal, match="begin at one from 1 to 21"):
        pdf(SHEET, [(crate_tag("T00001-U"), 1)], title="x", first=22)


# --- letters -------------------------------------------------------------------------------------


def test_letters_of_other_languages_are_printed():
    name = "Žlutý salát, Μαρούλι, Зелень, Rúcula"
    assert name in " ".join(words_on(pdf(ROLL, [(plain(name), 1)], title="x")).split())


def test_what_the_typeface_cannot_write_is_refused_not_printed_as_a_box():
    pdf(ROLL, [(plain("Salát"), 1)], title="x")
    with pytest.raises(Refusal, match=r"has no “青”; write the name with Latin"):
        pdf(ROLL, [(plain("青菜 120 g"), 1)], title="x")


def test_a_long_name_is_wrapped_then_shrunk_and_at_last_refused_never_cut():
    short, long = "Salad", "Winter salad with red mustard, baby kale, mizuna and lamb's lettuce"
    for name in (short, long):
        assert name in " ".join(words_on(pdf(ROLL, [(plain(name), 1)], title="x")).split())
    with pytest.raises(Refusal, match=r"does not fit on a label of 60 × 40 mm"):
        pdf(ROLL, [(plain(" ".join([long] * 8)), 1)], title="x")
    with pytest.raises(Refusal, match="Shorten the name, or take a larger label"):
        pdf(ROLL, [(plain("W" * 60), 1)], title="x")


def test_a_figure_is_never_torn_from_its_unit():
    words = words_on(pdf(ROLL, [(plain("Strawberries, punnet 125 g"), 1)], title="x"))
    assert words.splitlines()[:2] == ["Strawberries,", "punnet 125 g"]


def heights(printed: bytes, letters: str) -> list[float]:
    return [
        (top - bottom) / MM
        for letter, _, bottom, _, top in letters_on(printed)
        if letter in letters
    ]


def test_no_x_is_lower_than_the_law_asks_however_small_the_label():
    """Regulation (EU) 1169/2011, Article 13(2): the x-height is 1.2 mm or more."""
    name, low, refused = "Mixed exotic leaf, extra fine, with six more", [], 0
    for half_mm in range(24, 70):
        try:
            printed = pdf(Stock(50, half_mm / 2), [(plain(name), 1)], title="x")
        except Refusal:
            refused += 1
        else:
            low.append(min(heights(printed, "x")))
    assert refused
    assert min(low) >= 1.2 - 0.02  # PDFium rounds its boxes
    assert min(low) < 1.35  # some were shrunk as far as they may be


@pytest.mark.parametrize(
    ("grams", "millimetres"), [(50, 2), (51, 3), (200, 3), (201, 4), (1000, 4), (1001, 6)]
)
def test_figures_of_the_weight_are_as_high_as_the_law_asks(farm: Farm, grams, millimetres):
    """Directive 76/211/EEC, Annex I: 2, 3, 4 or 6 mm by the net weight; which step the edge belongs
    to is from memory."""
    assert figures_mm(grams) == millimetres
    farm.bag.nominal_g, farm.bag.name = grams, "Salad"
    farm.bag.save()
    run = farm.pack([farm.cut(grams * 2)], packs=2).run
    printed = pdf(Stock(76, 51), [(run_label(run), 1)], title="x")
    weight = [
        (top - bottom) / MM
        for letter, _, bottom, _, top in letters_on(printed)[len("Salad") :][:2]
        if letter.isdigit()
    ]
    assert min(weight) >= millimetres


# --- a run's own label ---------------------------------------------------------------------------


def test_a_label_says_what_its_run_froze(farm: Farm):
    farm.bag.allergens = "mustard"
    farm.bag.save()
    run = farm.pack([farm.cut(3000, crop=farm.mustard)], packs=24)
    farm.bag.name = "Something else"
    farm.bag.save()
    printed = pdf(ROLL, [(run_label(run.run), 1)], title="x")
    words = words_on(printed)
    for told in ("Salad bag 120 g", "Use by 09 Mar 2026", "Contains: MUSTARD", f"Lot {run.code}"):
        assert told in words
    assert codes_on(printed) == [run.code]


def test_a_date_made_shorter_since_is_the_one_printed(farm: Farm):
    run = farm.pack([farm.cut(3000)], packs=24)
    farm.tell("describe", lot=run, best_before=farm.today)
    assert "Use by 02 Mar 2026" in words_on(pdf(ROLL, [(run_label(run.run), 1)], title="x"))


def test_a_run_without_a_date_prints_none(farm: Farm):
    farm.bag.shelf_life_days = farm.bag.days_from_cut = None
    farm.bag.save()
    run = farm.pack([farm.cut(3000)], packs=24)
    words = words_on(pdf(ROLL, [(run_label(run.run), 1)], title="x"))
    assert "120 g" in words
    assert "Use by" not in words


# --- the stock -----------------------------------------------------------------------------------


def test_a_sheet_that_reaches_over_a4_is_refused():
    """ISO 216: 210 by 297 mm."""
    sheet = LabelStock(name="S", width_mm=70, height_mm=37, columns=3, rows=8)
    sheet.clean()
    sheet.across_mm = Decimal("0.1")
    with pytest.raises(ValidationError, match="an A4 sheet has 210 mm"):
        sheet.clean()
    sheet.across_mm, sheet.top_mm = Decimal(0), Decimal("1.1")
    with pytest.raises(ValidationError, match="an A4 sheet has 297 mm"):
        sheet.clean()


@pytest.mark.django_db
def test_every_stock_of_the_starter_list_can_be_kept():
    for row in starter.label_stocks().values():
        LabelStock(**{f.name: getattr(row, f.name) for f in row._meta.concrete_fields}).full_clean()


# --- the pages -----------------------------------------------------------------------------------


@pytest.fixture
def packer(farm: Farm) -> Client:
    farm.packer.is_staff = True
    farm.packer.save()
    farm.packer.groups.add(Group.objects.get(name="packer"))
    client = Client()
    client.force_login(farm.packer)
    return client


@pytest.fixture
def roll(db: None) -> LabelStock:
    return LabelStock.objects.create(name="Roll", width_mm=60, height_mm=40)


def test_a_run_leads_to_its_labels_in_one_tap(farm: Farm, packer: Client, roll: LabelStock):
    crate = farm.cut(3000)
    told = {"client_id": "a", "product": "SALAD-120", "store": "Cold store", "packs": "24"}
    about = {"taken-0-lot": crate.code, "taken-0-place": "Cold store"}
    about |= {"taken-0-about": crate.code, "taken-0-left": "", "taken-0-left-is": "empty"}
    done = packer.post("/do/pack/", told | about, follow=True)
    code = Lot.objects.get(kind="pack").code
    assert done.content.decode().count(f'href="/labels/?lot={code}">Print labels</a>') == 2
    page = packer.get(f"/labels/?lot={code.lower()}")
    assert page.status_code == 200
    assert 'value="24"' in page.content.decode()
    answer = packer.post(f"/labels/?lot={code}", {"count": "24", "stock": roll.pk, "first": "1"})
    assert answer["Content-Type"] == "application/pdf"
    assert f'filename="labels-{code}.pdf"' in answer["Content-Disposition"]
    assert len(sizes_of(answer.content)) == 24
    assert codes_on(answer.content, 23) == [code]
    roll.refresh_from_db()
    assert roll.last_used is not None


def test_labels_are_not_made_of_what_is_no_run(farm: Farm, packer: Client, roll: LabelStock):
    crate, wrong = farm.cut(3000), farm.pack([farm.cut(3000)], packs=24)
    assert packer.get(f"/labels/?lot={wrong.code}").status_code == 200
    farm.tell("cancel", event=wrong.made_by, reason="entered twice")
    for code, says in (
        (crate.code, "is no packing run"),
        (wrong.code, "was recorded in error"),
        ("R99999-99-9", "R99999-99-9"),
    ):
        page = packer.get(f"/labels/?lot={code}")
        assert page.status_code == 422
        assert says in page.content.decode()
    assert wrong.code not in packer.get("/labels/").content.decode()


def test_a_label_too_small_is_said_in_a_sentence_on_the_page(farm: Farm, packer: Client):
    tiny = LabelStock.objects.create(name="Tiny", width_mm=20, height_mm=10)
    run = farm.pack([farm.cut(3000)], packs=24)
    page = packer.post(f"/labels/?lot={run.code}", {"count": "1", "stock": tiny.pk})
    assert page.status_code == 422
    assert "does not fit on a label of 20 × 10 mm" in page.content.decode()
    tiny.refresh_from_db()
    assert tiny.last_used is None


def test_a_held_run_says_so_beside_its_labels(farm: Farm, packer: Client, roll: LabelStock):
    run = farm.pack([farm.cut(3000)], packs=24)
    assert "is held" not in packer.get(f"/labels/?lot={run.code}").content.decode()
    farm.hold(run)
    said = packer.get(f"/labels/?lot={run.code}").content.decode()
    assert f"{run.code} is held: laboratory result." in said


def test_crate_tags_are_printed_once_each_and_no_used_one(
    farm: Farm, packer: Client, roll: LabelStock
):
    block = farm.tell("print_tags", count=3)
    other = farm.tell("print_tags", count=2)
    first, second, third = Tag.objects.filter(printed_by=block).values_list("code", flat=True)
    farm.tell("harvest", crates=[Crate(3000, tag=second)], crop=farm.lettuce, store=farm.store)
    address = f"/labels/crate-tags/{block.pk}/"
    assert "2 unused tags" in packer.get(address).content.decode()
    answer = packer.post(address, {"count": "9", "stock": roll.pk})
    assert [codes_on(answer.content, n) for n in range(2)] == [[first], [third]]
    assert len(sizes_of(answer.content)) == 2
    assert "4 unused tags" in packer.get("/labels/crate-tags/all/").content.decode()
    farm.tell("cancel", event=other, reason="entered twice")
    assert "2 unused tags" in packer.get("/labels/crate-tags/all/").content.decode()


def test_who_packs_prints_and_who_cooks_does_not(farm: Farm, packer: Client):
    chef = Person.objects.create_user("chef", is_staff=True)
    chef.groups.add(Group.objects.get(name="chef"))
    chef.places.add(farm.kitchen_place)
    cooks = Client()
    cooks.force_login(chef)
    farm.tell("print_tags", count=1)
    for address in ("/labels/", "/labels/crate-tags/all/"):
        assert packer.get(address).status_code == 200
        assert cooks.get(address).status_code == 403
    assert "/labels/" not in cooks.get("/").content.decode()
