"""Labels and tags as PDF: where each lies on its stock, its QR in vectors, its letters never
smaller than can be read, and never cut off.

Lengths at the edge are millimetres; inside they are PDF points, 72 to the inch. The typeface is
DejaVu Sans Condensed with its Latin, Greek and Cyrillic letters (its licence lies beside it); what
it cannot write is refused, not printed as a box.
"""

from __future__ import annotations

import functools
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import segno
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from .errors import Refusal

A4 = (210 * mm, 297 * mm)  # ISO 216
PLAIN, BOLD = "label", "label bold"
_FONTS = Path(__file__).parent / "fonts"
#: Share of the size: of the letter x, of a figure, from one line to the next, and of the part of
#: a line above its foot. Read in the font: 1120, 1493 and 2048 units to the em.
X_HEIGHT, FIGURE_HEIGHT, LEADING, ASCENT = 1120 / 2048, 1493 / 2048, 1.16, 0.78
#: An x of 1.2 mm: the least of Regulation (EU) 1169/2011, Article 13(2), on packs of 80 cm² or
#: more. Smaller packs may go down to 0.9 mm; this does not.
LEAST = 1.2 * mm / X_HEIGHT
#: The side of a QR's module, in millimetres: whole dots of a thermal printer of 203 dots to the
#: inch. Below 3 dots a telephone no longer reads it surely (common practice, no source).
MODULES_MM = (1.0, 0.875, 0.75, 0.625, 0.5, 0.375)
_MODULE_MM = 0.625  # what goes with letters of the size that is wished
QUIET = 4  # modules of white all round, ISO/IEC 18004


@functools.cache
def _typeface() -> None:
    for name, file in (
        (PLAIN, "DejaVuSansCondensed.ttf"),
        (BOLD, "DejaVuSansCondensed-Bold.ttf"),
    ):
        pdfmetrics.registerFont(TTFont(name, str(_FONTS / file)))


def size_of_figures(height_mm: float) -> float:
    """The size of letters, in points, whose figures are so high."""
    return height_mm * mm / FIGURE_HEIGHT


# --- the stock -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stock:
    """One label's size, and where it lies on an A4 sheet; without columns it is a roll. mm."""

    width: float
    height: float
    columns: int = 0
    rows: int = 0
    left: float = 0
    top: float = 0
    across: float = 0
    down: float = 0

    @property
    def page(self) -> tuple[float, float]:
        return A4 if self.columns else (self.width * mm, self.height * mm)

    @property
    def per_page(self) -> int:
        return max(1, self.columns * self.rows)

    def corner(self, n: int) -> tuple[float, float]:
        """Lower left corner, in points, of the nth label of a page, counted from 0 along rows."""
        if not self.columns:
            return 0.0, 0.0
        row, column = divmod(n, self.columns)
        left = self.left + column * (self.width + self.across)
        top = self.top + row * (self.height + self.down)
        return left * mm, A4[1] - (top + self.height) * mm


#: A figure and its unit stay on one line.
_WORD = re.compile(r"\d[\d.,]*\s(?:g|kg|ml|l)\b|\S+")

# --- what is on one ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Text:
    """Words in a size, in points, that a large label makes larger and a small one smaller, down to
    `least`; whole: on one line, never broken."""

    words: str
    wished: float
    least: float = LEAST
    bold: bool = False
    whole: bool = False

    @property
    def face(self) -> str:
        return BOLD if self.bold else PLAIN

    def size(self, scale: float) -> float:
        return max(self.least, self.wished * scale)

    def lines(self, size: float, width: float, most: int) -> list[str] | None:
        """The words in lines of that width; nothing if a word or the whole is too long for it."""
        lines = [""]
        for word in [self.words] if self.whole else _WORD.findall(self.words):
            longer = f"{lines[-1]} {word}".strip()
            if _width(longer, self.face, size) <= width:
                lines[-1] = longer
            elif _width(word, self.face, size) <= width and lines[-1]:
                lines.append(word)
            else:
                return None
        return lines if len(lines) <= most else None


def _width(text: str, face: str, size: float) -> float:
    return pdfmetrics.stringWidth(text, face, size)


@dataclass(frozen=True)
class Label:
    """What is printed: a heading across the top, facts below it, and a QR of the code alone."""

    code: str
    facts: Sequence[Text]
    heading: Text | None = None

    @property
    def texts(self) -> list[Text]:
        return [*([self.heading] if self.heading else []), *self.facts]


#: The words of one line, their size and face.
Line = tuple[str, float, str]


@dataclass(frozen=True)
class _Plan:
    """How a label is laid out: its module in points, its lines, and whether the QR is beside."""

    module: float
    beside: bool
    heading: list[Line]
    facts: list[Line]


def _height(lines: Iterable[Line]) -> float:
    return sum(size * LEADING for _, size, _ in lines)


def _matrix(code: str) -> list[list[int]]:
    """The modules of a QR of ISO/IEC 18004 without its quiet zone, correction level M or better."""
    return [list(row) for row in segno.make(code, micro=False, error="m").matrix]


def _set(texts: Iterable[Text], scale: float, width: float) -> list[Line] | None:
    out = []
    for text in texts:
        size = text.size(scale)
        lines = text.lines(size, width, most=3)
        if lines is None:
            return None
        out += [(line, size, text.face) for line in lines]
    return out


def _gap(width: float, height: float) -> float:
    """What is kept free at a label's edge: printers do not hit it to the hair."""
    return min(2 * mm, 0.05 * min(width, height))


def _candidates() -> list[tuple[float, float]]:
    """(scale of the letters, module in mm), the best first: neither is large at the cost of the
    other."""
    scales = [n / 20 for n in range(32, 3, -1)]
    every = [(scale, module, module / _MODULE_MM) for scale in scales for module in MODULES_MM]
    every.sort(key=lambda c: (min(c[0], c[2]), c[0] + c[2]), reverse=True)
    return [(scale, module) for scale, module, _ in every]


def _plan(label: Label, count: int, width: float, height: float) -> _Plan | None:
    """The best layout that fits; count: modules of the QR's side with its quiet zone."""
    for scale, module_mm in _candidates():
        side = count * module_mm * mm
        if side > height or side > width:
            continue
        heading = _set([label.heading] if label.heading else [], scale, width)
        for beside in (True, False):
            facts = _set(label.facts, scale, width - side if beside else width)
            if heading is None or facts is None:
                continue
            below = max(_height(facts), side) if beside else _height(facts) + side
            if _height(heading) + below <= height:
                return _Plan(module_mm * mm, beside, heading, facts)
    return None


def _check_letters(label: Label) -> None:
    _typeface()
    known = pdfmetrics.getFont(PLAIN).face.charToGlyph
    strange = sorted({c for text in label.texts for c in text.words if ord(c) not in known})
    if strange:
        raise Refusal(
            "no_letter",
            f"The label's typeface has no “{strange[0]}”; write “{label.texts[0].words}” with "
            "Latin, Greek or Cyrillic letters.",
        )


def _laid_out(label: Label, stock: Stock) -> tuple[_Plan, list[list[int]]]:
    """Raises Refusal where it cannot be printed large enough to be read."""
    _check_letters(label)
    matrix = _matrix(label.code)
    width, height = stock.width * mm, stock.height * mm
    edge = 2 * _gap(width, height)
    plan = _plan(label, len(matrix) + 2 * QUIET, width - edge, height - edge)
    if plan is None:
        name = f"{label.heading.words}, lot {label.code}" if label.heading else label.code
        raise Refusal(
            "label_too_small",
            f"{name} does not fit on a label of {stock.width:g} × {stock.height:g} mm in letters "
            f"that can be read. Take a larger label{', or a shorter name' * bool(label.heading)}.",
        )
    return plan, matrix


def _write(canvas: Canvas, lines: Iterable[Line], x: float, top: float, between: float = 0) -> None:
    for line, size, face in lines:
        canvas.setFont(face, size)
        canvas.drawString(x, top - size * (ASCENT + (LEADING - 1) / 2), line)
        top -= size * LEADING + between


def _draw(canvas: Canvas, label: Label, stock: Stock) -> None:
    plan, matrix = _laid_out(label, stock)
    width, height = stock.width * mm, stock.height * mm
    gap = _gap(width, height)
    side = (len(matrix) + 2 * QUIET) * plan.module
    top = height - gap
    _write(canvas, plan.heading, gap, top)
    top -= _height(plan.heading)
    spare = max(0, top - gap - (0 if plan.beside else side) - _height(plan.facts))
    # with a heading the facts are spread under it; alone they stand in the middle
    between = min(spare / (len(plan.facts) + 1), 0.45 * plan.facts[0][1]) if plan.heading else 0
    top -= between if plan.heading else spare / 2
    _write(canvas, plan.facts, gap, top, between)
    x = width - gap - side if plan.beside else (width - side) / 2
    y = gap if plan.heading or not plan.beside else (height - side) / 2
    _draw_qr(canvas, matrix, x, y, plan.module)


def _draw_qr(canvas: Canvas, matrix: list[list[int]], x: float, y: float, module: float) -> None:
    """Dark runs as rectangles of one path: no bitmap, and no hair of white between them."""
    path = canvas.beginPath()
    for down, row in enumerate(matrix):
        start = None
        for across, dark in enumerate([*row, 0]):
            if dark and start is None:
                start = across
            elif not dark and start is not None:
                path.rect(
                    x + (QUIET + start) * module,
                    y + (QUIET + len(matrix) - 1 - down) * module,
                    (across - start) * module,
                    module,
                )
                start = None
    canvas.drawPath(path, stroke=0, fill=1)


# --- the document --------------------------------------------------------------------------------


def _places(stock: Stock, first: int) -> Iterator[int]:
    """The place of each label on its page, from the first that is free; at 0 a page begins."""
    place = first - 1
    while True:
        yield place
        place = (place + 1) % stock.per_page


def pdf(stock: Stock, labels: Iterable[tuple[Label, int]], *, title: str, first: int = 1) -> bytes:
    """Labels, each so many times, as one PDF; first: the first free label of a sheet, from 1.

    A label that is printed often is drawn once and referred to. Raises Refusal where a label is
    too small for its words, or the sheet has no such place."""
    if not 1 <= first <= stock.per_page:
        raise Refusal(
            "no_such_place",
            f"The sheet has {stock.per_page} labels; begin at one from 1 to {stock.per_page}.",
        )
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=stock.page, pageCompression=1)
    canvas.setTitle(title)
    canvas.setCreator("Harvest to sale")
    places = _places(stock, first)
    fresh = True
    for number, (label, count) in enumerate(labels):
        form = f"label-{number}"
        canvas.beginForm(form, 0, 0, stock.width * mm, stock.height * mm)
        _draw(canvas, label, stock)
        canvas.endForm()
        for _ in range(count):
            place = next(places)
            if place == 0 and not fresh:
                canvas.showPage()
            fresh = False
            canvas.saveState()
            canvas.translate(*stock.corner(place))
            canvas.doForm(form)
            canvas.restoreState()
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def crate_tag(code: str) -> Label:
    """A tag for a crate: its code as large as the tag allows, and the QR."""
    return Label(code, [Text(code, wished=30, least=9, bold=True, whole=True)])
