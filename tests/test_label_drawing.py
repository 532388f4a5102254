"""Every kind of label is drawn as it must be: read, measured and scanned in the PDF and in what a
printer of 203 or 300 dots to the inch makes of it."""

from __future__ import annotations

import itertools
import tomllib
import unicodedata
from decimal import Decimal
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest
import segno
from hypothesis import example, given, settings
from hypothesis import strategies as st

from grow.errors import Refusal
from grow.labels import (
    A6,
    TILL_MM,
    Label,
    Printable,
    Qr,
    Stock,
    Words,
    check,
    crate_label,
    crate_tag,
    food_label,
    hold_label,
    layout,
    least_x_mm,
    pdf,
    printer_test,
    qr,
    shelf_card,
)
from sales.label_words import figures_mm
from tests.reading_labels import (
    DOTS_TO_THE_INCH,
    MM,
    Said,
    black_and_white,
    codes_on,
    lines_on,
    picture_of,
    read_off,
    sizes_of,
    squares_on,
    words_on,
)

pytestmark = pytest.mark.once  # what is drawn and reckoned hangs on no database

ROLL = Stock(62, 40)
WIDE = Stock(100, 50)
SHEET_21 = Stock(63.5, 38.1, 3, 7, 7.2, 15.1, 2.5)
SHEET_24 = Stock(64, 34, 3, 8, 6.5, 12.5, 2.5)
STOCKS = {"roll-62x40": ROLL, "roll-100x50": WIDE, "a4-21": SHEET_21, "a4-24": SHEET_24}
DPI = (203, 300)
#: The letter x and a figure of the typeface, in units of 2048 to the em, as its outlines have them.
X, FIGURE = 1120 / 2048, 1493 / 2048
LOT, CRATE = "R26330-04-0", "H26330-04-0"
#: GS1's prefix 952 is for examples (GS1 General Specifications, Table 1-6).
LINK = f"HTTPS://FARM.EXAMPLE/01/09521234543213/10/{LOT}"
PLAIN_LINK = f"https://farm.example/l/{LOT}"


def salad(code: str = LOT, *, content: str = "", caption=(), sizes_mm=qr.SIZES_MM, **more) -> Label:
    """A full label of a salad bag."""
    told = {
        "name": "Salad bag",
        "quantity": "120 g",
        "figures_mm": 3,
        "qr": Qr(content or code, caption, sizes_mm),
        "paragraphs": [
            (
                "the ingredients",
                [
                    Words("Ingredients: green loose-leaf lettuce 48 %, red loose-leaf lettuce, "),
                    Words("mustard", bold=True),
                    Words(" leaf."),
                ],
            )
        ],
        "facts": [
            ("the date", [Words("Use by "), Words("12 Dec 2026", bold=True)]),
            ("the lot", [Words("Lot "), Words(code, bold=True)]),
        ],
        "small": [
            ("the storage words", "Keep cold, 1 to 5 °C. Wash before use."),
            ("the name and address", "Ashwithy Towers, 4 Example Lane, Brindlecote BR1 2EX"),
        ],
        "largest_cm2": 79,
    }
    return food_label(**{**told, **more})


# --- what holds for each of them -----------------------------------------------------------------


def overlap(one: Said, other: Said) -> bool:
    hair = 0.15  # of a point: where a bold word meets a plain one on a line
    return (
        min(one.right, other.right) - max(one.left, other.left) > hair
        and min(one.top, other.top) - max(one.bottom, other.bottom) > hair
    )


def nothing_wrong(printed: bytes, dpi: int, *, least_mm: float = 1.2, page: int = 0) -> None:
    """No letter too small, none outside the label or on another; each QR of whole dots that lie on
    the printer's own, with its quiet zone white."""
    said = lines_on(printed, page)
    width, height = sizes_of(printed)[page]
    assert all(line.size * X >= least_mm * MM - 0.001 for line in said)
    for line in said:
        assert line.left > 0.5 * MM
        assert line.right < width - 0.5 * MM
        assert line.bottom > 0.5 * MM
        assert line.top < height - 0.5 * MM
    assert not [(a, b) for a, b in itertools.combinations(said, 2) if overlap(a, b)]
    picture = picture_of(printed, page, dpi)
    dots = np.asarray(picture)
    for square in squares_on(picture):
        # pure black and white though the picture is grey: no module ends within a dot
        assert set(np.unique(square.dark)) == {0, 255}
        assert square.module == int(square.module) >= 3
        modules = square.side / square.module
        assert modules in {17 + 4 * version for version in range(1, 41)}  # ISO/IEC 18004
        by_module = square.dark.reshape(int(modules), int(square.module), int(modules), -1)
        assert (by_module == by_module[:, :1, :, :1]).all()
        quiet = int(4 * square.module)
        assert square.left >= quiet
        assert square.top >= quiet
        around = dots[
            square.top - quiet : square.top + square.side + quiet,
            square.left - quiet : square.left + square.side + quiet,
        ].copy()
        assert around.shape == (square.side + 2 * quiet,) * 2, "the quiet zone is on the label"
        around[quiet:-quiet, quiet:-quiet] = 255
        assert (around == 255).all(), "nothing is in the quiet zone"


def scanned(printed: bytes, dpi: int, page: int = 0) -> list[str]:
    """The same off the grey picture and off the black and white one."""
    picture = picture_of(printed, page, dpi)
    grey = sorted(code.text for code in read_off(picture))
    assert grey == sorted(code.text for code in read_off(black_and_white(picture)))
    return grey


def told(printed: bytes, page: int = 0) -> str:
    return " ".join(words_on(printed, page).split())


KINDS = {
    "full": (
        salad(),
        [LOT],
        [
            "Salad bag",
            "120 g",
            "Ingredients: green loose-leaf lettuce 48 %, red loose-leaf lettuce, mustard leaf.",
            "Use by 12 Dec 2026",
            f"Lot {LOT}",
            "Keep cold, 1 to 5 °C. Wash before use.",
            "Ashwithy Towers, 4 Example Lane, Brindlecote BR1 2EX",
        ],
    ),
    "link": (salad(content=LINK, sizes_mm=TILL_MM), [LINK], ["120 g", f"Lot {LOT}"]),
    "caption": (
        salad(content=LINK, caption=("(01)09521234543213", f"(10){LOT}"), small=[]),
        [LINK],
        ["(01)09521234543213", f"(10){LOT}", "Use by 12 Dec 2026"],
    ),
    "tag": (crate_tag(CRATE), [CRATE], [CRATE]),
    "crate": (
        crate_label(lot=CRATE, crop="Green loose-leaf", day="28 Nov 2026"),
        [CRATE, CRATE],
        ["Green loose-leaf", "Cut 28 Nov 2026", CRATE],
    ),
    "hold": (
        hold_label(
            lot=LOT, name="Salad bag 120 g", reason="Laboratory result", since="28 Nov 2026"
        ),
        [LOT],
        ["HOLD: do not use", LOT, "Salad bag 120 g", "Held since 28 Nov 2026", "Laboratory result"],
    ),
    "card": (
        shelf_card(
            name="Salad bag",
            price="£2.40",
            per_kilogram="£20.00 per kg",
            origin="United Kingdom",
            allergens="mustard",
        ),
        [],
        ["Salad bag", "£2.40", "£20.00 per kg", "Origin: United Kingdom", "Contains: mustard"],
    ),
}


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("size", ["roll-62x40", "roll-100x50", "63.5x38.1", "64x34"])
@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_read_back_field_by_field(kind: str, size: str, dpi: int):
    """Words by PDFium, codes (ISO/IEC 18004) by ZXing."""
    label, codes, fields = KINDS[kind]
    stock = STOCKS.get(size) or Stock(*map(float, size.split("x")))
    printed = pdf(stock, [(label, 1)], title=kind, dpi=dpi)
    assert scanned(printed, dpi) == codes
    words = told(printed)
    assert [field for field in fields if field not in words] == []
    nothing_wrong(printed, dpi, least_mm=0.9 if kind in ("full", "link", "caption") else 1.2)


def test_a_crate_label_says_all_of_it_on_each_half():
    label, *_ = KINDS["crate"]
    for stock, across in ((WIDE, True), (Stock(40, 80), False)):
        printed = pdf(stock, [(label, 1)], title="x")
        middle = (stock.width if across else stock.height) * MM / 2
        halves: dict[bool, list[str]] = {False: [], True: []}
        for line in lines_on(printed):
            low, high = (line.left, line.right) if across else (line.bottom, line.top)
            assert high < middle or low > middle, "nothing lies on the line to be torn along"
            halves[low > middle].append(line.words)
        assert sorted(halves[False]) == sorted(halves[True])
        assert scanned(printed, 203) == [CRATE, CRATE]
        squares = squares_on(picture_of(printed))
        assert sorted(
            (square.left if across else square.top) > middle / MM * 8 for square in squares
        )
        # the line is of dashes: black and white in turn
        dots = np.asarray(black_and_white(picture_of(printed)))
        line = dots if across else dots.T
        turns = np.flatnonzero(np.diff(line[:, line.shape[1] // 2]))
        assert len(turns) > 20


def test_a_shelf_card_names_no_lot_and_has_no_code():
    label, *_ = KINDS["card"]
    printed = pdf(A6, [(label, 1)], title="x")
    assert codes_on(printed) == []
    assert "Lot" not in told(printed)
    (price,) = (line for line in lines_on(printed) if line.words == "£2.40")
    assert price.size == max(line.size for line in lines_on(printed))
    nothing_wrong(printed, 203)


def test_a_hold_label_has_a_black_border():
    label, *_ = KINDS["hold"]
    dots = np.asarray(picture_of(pdf(ROLL, [(label, 1)], title="x")))
    height, width = dots.shape
    across, down = dots[height // 2], dots[:, width // 2]
    for line in (across, across[::-1], down, down[::-1]):
        assert (line[:8] == 255).all()  # 1 mm of white
        assert (line[8:20] == 0).all()  # 1.5 mm of black
        assert line[20] == 255


# --- the sheet -----------------------------------------------------------------------------------


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("stock", [SHEET_21, SHEET_24], ids=["a4-21", "a4-24"])
def test_on_a_sheet_every_qr_lies_on_the_printers_dots(stock: Stock, dpi: int):
    """Labels of 63.5 and 66.04 mm are no whole dots apart: each is moved to the nearest."""
    lots = [f"R26330-04-{n:02d}" for n in range(stock.per_page)]
    printed = pdf(stock, [(salad(lot), 1) for lot in lots], title="x", dpi=dpi)
    assert scanned(printed, dpi) == lots
    nothing_wrong(printed, dpi, least_mm=0.9)
    squares = squares_on(picture_of(printed, dpi=dpi))
    lefts, tops = {square.left for square in squares}, {square.top for square in squares}
    assert (len(lefts), len(tops)) == (stock.columns, stock.rows)
    step = DOTS_TO_THE_INCH[dpi] / 25.4
    for places, apart in ((lefts, stock.width + stock.across), (tops, stock.height + stock.down)):
        for one, other in itertools.pairwise(sorted(places)):
            assert other - one == pytest.approx(apart * step, abs=1)


@pytest.mark.parametrize("dpi", DPI)
def test_a_page_is_whole_dots_and_of_its_size_to_half_a_dot(dpi: int):
    for stock in (ROLL, WIDE, SHEET_21):
        (page,) = sizes_of(pdf(stock, [(crate_tag(CRATE), 1)], title="x", dpi=dpi))
        wanted = (210, 297) if stock.columns else (stock.width, stock.height)
        for length, millimetres in zip(page, wanted, strict=True):
            dots = length / 72 * DOTS_TO_THE_INCH[dpi]
            assert dots == pytest.approx(round(dots), abs=0.001)
            assert length / MM == pytest.approx(millimetres, abs=0.05)


def test_a_printer_of_other_dots_is_refused():
    check(crate_tag(CRATE), ROLL, dpi=300)
    with pytest.raises(Refusal, match="203 or 300 dots to the inch, not of 600"):
        check(crate_tag(CRATE), ROLL, dpi=600)


def test_a_label_that_is_printed_often_is_drawn_once():
    """A Form XObject (ISO 32000) that each page refers to."""
    once, often = (pdf(ROLL, [(salad(), count)], title="x") for count in (2, 200))
    assert (len(often) - len(once)) / 198 < 500
    document = pdfium.PdfDocument(often)
    try:
        for page in (document[0], document[199]):
            kinds = [found.type for found in page.get_objects(max_depth=1)]
            assert kinds == [pdfium.raw.FPDF_PAGEOBJ_FORM]
    finally:
        document.close()
    assert scanned(often, 203, 199) == [LOT]
    assert told(often, 199) == told(once, 0)
    # such as differ are each drawn on their own page
    differ = pdf(ROLL, [(salad(f"R26330-0{n}"), 1) for n in range(3)], title="x")
    assert [scanned(differ, 203, n) for n in range(3)] == [[f"R26330-0{n}"] for n in range(3)]


# --- the QR --------------------------------------------------------------------------------------


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("mask", range(8))
@pytest.mark.parametrize("content", [LOT, PLAIN_LINK, LINK], ids=["lot", "url", "link"])
def test_every_mask_is_scanned(content: str, mask: int, dpi: int):
    """ISO/IEC 18004 has eight masks; the QR's own bits say which, so a reader takes any."""
    label = salad(content=content)
    printed = pdf(WIDE, [(label, 1)], title="x", dpi=dpi, mask=mask)
    assert scanned(printed, dpi) == [content]
    (found,) = read_off(picture_of(printed, dpi=dpi))
    assert found.ec_level == "M"
    nothing_wrong(printed, dpi, least_mm=0.9)


ALPHANUMERIC = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"


@given(
    st.data(),
    st.integers(0, 7),
    st.one_of(
        st.text(ALPHANUMERIC, min_size=1, max_size=60),
        st.text(st.characters(max_codepoint=126, min_codepoint=32), min_size=1, max_size=60),
        st.text("0123456789", min_size=1, max_size=20),
        st.text("éßλЖ菜A", min_size=1, max_size=12),
    ),
)
@settings(max_examples=150, deadline=None)
def test_symbols_of_contents_alike_are_the_ones_that_segno_makes(data, mask, first):
    """Bit by bit as segno's whole path does them, whatever was made before."""
    alikes = qr.Alikes(mask)
    for content in [first, *data.draw(st.lists(st.permutations(first), max_size=3))]:
        content = "".join(content)
        made = segno.make(content, micro=False, error="m", boost_error=False, mask=mask)
        expected = "".join(str(module) for row in made.matrix for module in row)
        assert alikes.symbol(content) == (len(made.matrix), expected)


def test_many_different_lots_have_one_mask_and_few_the_one_the_scoring_likes():
    def masks(count: int) -> set[int]:
        lots = [f"R26330-04-{n:02d}" for n in range(count)]
        printed = pdf(WIDE, [(crate_tag(lot), 1) for lot in lots], title="x")
        found = set()
        for page in range(count):
            picture = picture_of(printed, page)
            (square,) = squares_on(picture)
            step = int(square.module)
            modules = square.dark[step // 2 :: step, step // 2 :: step] == 0
            # ISO/IEC 18004: the format bits' mask part, bits 12 to 10, in row 8, columns 2 to 4,
            # under the pattern 101010000010010
            bits = [int(dark) for dark in modules[8, 2:5]]
            found.add(int("".join(map(str, bits)), 2) ^ 0b101)
        return found

    assert len(masks(8)) > 1
    assert len(masks(30)) == 1


def test_what_no_qr_holds_is_refused():
    """Version 40 at level M holds 2331 bytes: ISO/IEC 18004, Table 7."""
    assert qr.symbol("a" * 2331).side == 177
    for content, says in (("a" * 2332, "A QR cannot hold “aaa"), ("", "must say something")):
        for make in (qr.symbol, qr.Alikes(3).symbol):
            with pytest.raises(Refusal, match=says):
                make(content)


def test_modules_for_a_till_are_as_large_as_gs1_asks():
    """GS1 General Specifications 26.0, Table 5-46: 0.396 to 0.990 mm."""
    for dpi, least in ((203, 4), (300, 5)):
        dot = 25.4 / DOTS_TO_THE_INCH[dpi]
        offered = qr.modules(TILL_MM, dot * MM)
        assert offered[0] == least
        assert [n for n in offered if not 0.396 <= n * dot <= 0.990] == []
        (square,) = squares_on(
            picture_of(
                pdf(ROLL, [(salad(content=LINK, sizes_mm=TILL_MM), 1)], title="x", dpi=dpi),
                dpi=dpi,
            )
        )
        assert 0.396 <= square.module * dot <= 0.990


# --- letters -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("largest", "least"), [(None, 1.2), (Decimal("79.9"), 0.9), (80, 1.2), (400, 1.2)]
)
def test_the_least_x_is_the_laws(largest, least: float):
    """Regulation (EU) 1169/2011, Article 13(2): 1.2 mm; 13(3): 0.9 mm under 80 cm²."""
    assert least_x_mm(largest) == least
    words = "exotic mixed extra fine leaf, six of them, "
    fitted = []
    for count in range(1, 40):
        label = salad(paragraphs=[("the ingredients", words * count)], largest_cm2=largest)
        try:
            printed = pdf(ROLL, [(label, 1)], title="x")
        except Refusal:
            break
        fitted.append(min(line.size for line in lines_on(printed)) * X / MM)
    assert 2 < len(fitted) < 39
    assert min(fitted) >= least - 0.0005  # a size in a PDF has some decimals
    assert min(fitted) < least + 0.02  # the last that fitted were as small as is lawful


@pytest.mark.parametrize("dpi", DPI)
def test_an_x_has_as_many_rows_of_ink_as_the_law_asks(dpi: int):
    """Counted in the picture: a row is 25.4 mm by the dots to the inch."""
    label = salad(small=[("the address", "x" * 24)], largest_cm2=80, figures_mm=2)
    printed = pdf(Stock(50, 34), [(label, 1)], title="x", dpi=dpi)
    (line,) = (line for line in lines_on(printed) if set(line.words) == {"x"})
    for dots_to_the_inch in (dpi, 2400):
        picture = np.asarray(picture_of(printed, dpi=dots_to_the_inch))
        step = DOTS_TO_THE_INCH.get(dots_to_the_inch, dots_to_the_inch) / 72
        top = picture.shape[0] - round((line.top + 0.5) * step)
        foot = picture.shape[0] - round((line.bottom - 0.5) * step)
        left, right = round(line.left * step), round(line.right * step)
        ink = (picture[top:foot, left:right] < 128).any(1)
        assert ink.sum() / step / MM == pytest.approx(1.2, abs=1.01 / step / MM)


@pytest.mark.parametrize("grams", [50, 51, 200, 201, 1000, 1001])
def test_figures_of_the_weight_are_as_high_as_they_must_be_on_every_stock(grams: int):
    """Directive 76/211/EEC, Annex I, by the figures' height in the typeface."""
    least = figures_mm(grams)
    for stock in (ROLL, WIDE, Stock(64, 34)):
        label = salad(quantity=f"{grams} g", figures_mm=least)
        printed = pdf(stock, [(label, 1)], title="x")
        (weight,) = (line for line in lines_on(printed) if line.words.strip() == f"{grams} g")
        assert weight.size * FIGURE >= least * MM - 0.001


def test_an_emphasised_word_is_bold_within_its_line():
    printed = pdf(ROLL, [(salad(), 1)], title="x")
    lines = [line for line in lines_on(printed) if "mustard" in line.words]
    assert [line.words.strip() for line in lines] == ["mustard"]
    sizes = {line.size for line in lines_on(printed) if line.words.strip() in ("leaf.", "mustard")}
    assert len(sizes) == 1
    # a bold letter is wider: 1319 of 2048 units for a bold d, 1300 for a plain one
    with_bold = pdf(ROLL, [(salad(paragraphs=[("x", [Words("mm", bold=True)])]), 1)], title="x")
    without = pdf(ROLL, [(salad(paragraphs=[("x", "mm")]), 1)], title="x")

    def wide(printed: bytes) -> float:
        (line,) = (line for line in lines_on(printed) if line.words.strip() == "mm")
        return (line.right - line.left) / line.size

    assert wide(with_bold) > wide(without) * 1.05


def test_a_comma_after_a_bold_word_stays_with_it():
    said = [Words("a " * 12), Words("mustard", bold=True), Words(", rocket and cress")]
    for width in range(44, 80):
        printed = pdf(Stock(width, 60), [(salad(paragraphs=[("x", said)]), 1)], title="x")
        assert all(
            not line.words.strip().startswith(",") or line.left > 10 for line in lines_on(printed)
        )


# --- what does not fit ---------------------------------------------------------------------------


def refused(label: Printable, stock: Stock = ROLL, **more) -> Refusal:
    with pytest.raises(Refusal) as found:
        pdf(stock, [(label, 1)], title="x", **more)
    assert found.value.code == "label_too_small"
    return found.value


def test_a_refusal_says_what_to_shorten_and_what_label_would_do():
    long = "green loose-leaf lettuce, " * 40
    assert pdf(ROLL, [(salad(), 1)], title="x")
    stocks = [("A6", A6), ("Roll, 64 × 41 mm", Stock(64, 41)), ("Roll, 100 × 50 mm", WIDE)]
    ingredients = refused(salad(paragraphs=[("the ingredients", long)]), larger=stocks)
    assert ingredients.facts["part"] == "the ingredients"
    assert "Salad bag does not fit on a label of 62 × 40 mm: it needs" in ingredients.sentence
    assert "x of 0.9 mm" in ingredients.sentence
    assert ingredients.sentence.endswith("Shorten the ingredients, or take Roll, 100 × 50 mm.")
    check(salad(paragraphs=[("the ingredients", long)]), WIDE)
    address = refused(salad(small=[("the name and address", long)]))
    assert address.sentence.endswith("Shorten the name and address, or take a larger label.")
    lot = refused(salad(facts=[("the lot", "Lot " + "W" * 50)]))
    assert "“Lot WWWW" in lot.sentence
    assert lot.sentence.endswith("Shorten the lot, or take a larger label.")
    half = refused(crate_label(lot=CRATE, crop="Green", day="28 Nov 2026"), Stock(40, 12))
    assert "does not fit on half a label, 20 × 12 mm" in half.sentence
    code = refused(crate_tag("H" * 200), Stock(60, 15))
    assert "its QR takes" in code.sentence
    # figures of 6 mm: their x is 6 × 1120 ÷ 1493 mm
    weight = refused(salad(quantity="12 packs of 1000 g", figures_mm=6))
    assert "“12 packs of 1000 g” is" in weight.sentence
    assert "an x of 4.5 mm" in weight.sentence
    tiny = refused(KINDS["hold"][0], Stock(12, 5))
    assert "does not fit inside the border" in tiny.sentence


def test_a_refused_length_is_the_length_that_is_wanting():
    """With so much more height it fits, and with three millimetres less it does not."""
    label = salad(paragraphs=[("the ingredients", "green loose-leaf lettuce, " * 40)])
    said = refused(label).sentence
    more = int(said.split("it needs ")[1].split(" mm")[0])
    check(label, Stock(62, 40 + more + 2))
    with pytest.raises(Refusal):
        check(label, Stock(62, 40 + more - 3))


def printed_or_refused(label: Label, stock: Stock, dpi: int) -> tuple[bytes | None, Refusal | None]:
    try:
        return pdf(stock, [(label, 1)], title="x", dpi=dpi), None
    except Refusal as refusal:
        return None, refusal


#: Any length up to 300: a few letters, many times over.
TEXT = st.builds(
    lambda letters, times: "".join(letters * times)[:300],
    st.lists(st.sampled_from([*"aaeeinorstxg     WMÅẤŚjy,.-(%9éЖλß–½\u00ad", "e\u0301"])),
    st.integers(1, 40),
)


@given(
    name=TEXT,
    ingredients=st.lists(st.tuples(TEXT, st.booleans()), max_size=3),
    stock=st.sampled_from([ROLL, WIDE, Stock(63.5, 38.1), Stock(40, 60), Stock(30, 30)]),
    dpi=st.sampled_from(DPI),
    largest=st.sampled_from([None, 79]),
)
@example("", [], ROLL, 203, None)
@example("W" * 60, [], ROLL, 203, None)
@example("Ấ g " * 20, [("Ấ g " * 20, True)], WIDE, 300, None)
@example("Salad", [("x" * 40 + " ", False), ("y", True), ("z, " * 70, False)], ROLL, 203, 79)
@settings(max_examples=120, deadline=None)
def test_any_words_are_printed_whole_and_lawfully_or_refused(
    name, ingredients, stock, dpi, largest
):
    runs = [Words(*run) for run in ingredients]
    label = salad(
        name=name,
        paragraphs=[("the ingredients", runs)],
        largest_cm2=largest,
        small=[("the wash words", "Wash before use.")],
    )
    printed, refusal = printed_or_refused(label, stock, dpi)
    if printed is None:
        assert refusal is not None
        assert refusal.code == "label_too_small"
        parts = ("name", "ingredients", "weight", "date", "lot", "wash words")
        assert refusal.facts["part"] in [f"the {part}" for part in parts]
        assert f"Shorten {refusal.facts['part']}" in refusal.sentence
        return
    nothing_wrong(printed, dpi, least_mm=least_x_mm(largest))
    assert scanned(printed, dpi) == [LOT]

    every = "".join("".join(line.words.split()) for line in lines_on(printed))
    for words in (name, "".join(words for words, _ in ingredients)):
        written = unicodedata.normalize("NFC", words).replace("\u00ad", "")
        assert "".join(written.split()) in every


# --- many different lots -------------------------------------------------------------------------


def test_the_layout_of_many_lots_is_looked_for_once_a_shape():
    layout.plan.cache_clear()
    lots = [f"R26330-{n:03d}-{'0123456789ABCDEFGH'[n % 18]}" for n in range(200)]
    printed = pdf(ROLL, [(salad(lot), 1) for lot in lots], title="x")
    assert layout.plan.cache_info().misses <= 4
    assert len(sizes_of(printed)) == 200


def test_a_layout_that_is_kept_fits_the_widest_lot_as_the_narrowest():
    """Letters differ in width; a plan made for one lot must not let another run over the label's
    margin, which is 6 in a hundred of its shorter side, nor into the QR."""
    printed = 0
    for width in range(30, 60, 6):
        margin = 0.06 * width * MM
        for letters in ("I1J.", "W0M%", "IWI-", "LAV8"):
            for n in range(1, 13, 2):
                lot = f"R26330-{letters * 3}"[: 7 + n]
                label = salad(lot, paragraphs=[], facts=[("the lot", lot)], small=[])
                made, _ = printed_or_refused(label, Stock(width, 60), 203)
                if made is not None:
                    printed += 1
                    assert max(line.right for line in lines_on(made)) < width * MM - margin + 0.1
                    nothing_wrong(made, 203, least_mm=0.9)
    assert printed > 80


# --- the demo's products -------------------------------------------------------------------------


def demo() -> list[dict]:
    file = Path(__file__).parent.parent / "fixtures" / "demo" / "trade.toml"
    return tomllib.loads(file.read_text(encoding="utf-8"))["product"]


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("product", demo(), ids=lambda product: product["code"])
def test_the_demos_products_have_room_on_a_roll_of_62_by_40(product: dict, dpi: int):
    label = salad(
        name=product["name"],
        quantity=f"{product['nominal_g']} g",
        figures_mm=figures_mm(product["nominal_g"]),
        largest_cm2=None,
    )
    printed = pdf(ROLL, [(label, 1)], title="x", dpi=dpi)
    nothing_wrong(printed, dpi)
    assert product["name"] in told(printed)
    sizes = {line.words.strip(): line.size for line in lines_on(printed)}
    rest = [size for words, size in sizes.items() if "Keep" in words or "Ingredients" in words]
    assert sizes[f"{product['nominal_g']} g"] > max(rest)


# --- the test of a printer -----------------------------------------------------------------------


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("stock", [ROLL, WIDE], ids=["62x40", "100x50"])
def test_a_printers_test_has_a_line_of_50_mm_boxes_and_every_module(stock: Stock, dpi: int):
    labels = printer_test(stock, dpi)
    printed = pdf(stock, [(label, 1) for label in labels], title="x", dpi=dpi)
    assert "measure this line: 50 mm" in told(printed, 0)
    step = DOTS_TO_THE_INCH[dpi] / 25.4
    dots = np.asarray(picture_of(printed, 0, dpi))
    height, width = dots.shape
    longest = 0
    for row in dots[height // 4 : height * 3 // 4, round(3 * step) : -round(3 * step)]:
        dark = np.flatnonzero(np.diff(np.concatenate([[0], row == 0, [0]]).astype(int)))
        longest = max([longest, *(dark[1::2] - dark[::2])])
    assert longest / step == pytest.approx(50, abs=1 / step)
    # boxes at half a millimetre, one, one and a half, two
    for line in (dots[height // 4], dots[height // 4, ::-1], dots[:, width // 10]):
        black = np.flatnonzero(line[: round(2.3 * step)] == 0) / step
        assert black == pytest.approx([0.5, 1, 1.5, 2], abs=1 / step)
    sizes = []
    for page in range(1, len(labels)):
        picture = picture_of(printed, page, dpi)
        squares = sorted(squares_on(picture))
        codes = sorted(read_off(picture), key=lambda code: code.position.top_left.x)
        for square, code in zip(squares, codes, strict=True):
            assert code.text == f"{dpi} DPI {square.module:g} DOTS"
            assert code.text.lower() in told(printed, page)
            sizes.append(square.module)
        nothing_wrong(printed, dpi, page=page)
    assert sizes == list(qr.modules(qr.SIZES_MM, 72 / DOTS_TO_THE_INCH[dpi]))


def test_on_a_small_label_the_line_is_shorter_and_says_so():
    labels = printer_test(Stock(40, 30), 203)
    printed = pdf(Stock(40, 30), [(labels[0], 1)], title="x")
    assert "measure this line: 30 mm" in told(printed)
    with pytest.raises(Refusal, match="no room for a line"):
        printer_test(Stock(20, 20), 203)
