"""Kinds of labels, by what they say. Words come as they are printed, dates and money too."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from reportlab.lib.units import mm

from .label import Label
from .letters import BELOW, BOLD, PLAIN, Words, size_of_figures, text, width_of
from .pen import Pen
from .qr import QUIET, SIZES_MM, Qr, modules, symbol
from .sheet import Printable, TooSmall
from .stock import Stock, dot_of

#: What may be given as words: in one face, or in runs, some of them bold.
Said = str | Iterable[Words]

#: Modules of what is read from farther off than a hand's breadth, in millimetres.
_AT_ARMS_LENGTH = (SIZES_MM[0], 2.0)


def food_label(
    *,
    name: str,
    quantity: str,
    figures_mm: float,
    qr: Qr,
    paragraphs: Iterable[tuple[str, Said]] = (),
    facts: Iterable[tuple[str, Said]] = (),
    small: Iterable[tuple[str, Said]] = (),
    largest_cm2: Decimal | float | None = None,
) -> Label:
    """A label of a pack: its name and net quantity in one field of vision, then paragraphs, as
    the ingredients; facts, each a line that is never broken, as the lot and the date; and what may
    be in the smallest letters, as the business's address. Each of them is (what a refusal calls
    it, its words). figures_mm: the least height of the quantity's figures; largest_cm2: the
    largest surface of the pack."""
    least = size_of_figures(figures_mm)
    return Label(
        (
            *(text(said, 7.5, called) for called, said in paragraphs),
            *(text(said, 10, called, whole=True) for called, said in facts),
            *(text(said, 6.5, called) for called, said in small),
        ),
        qr,
        text(name, 14, "the name", bold=True),
        text(quantity, max(14, least), "the weight", bold=True, least=least, whole=True),
        largest_cm2,
    )


def crate_tag(code: str) -> Label:
    """A tag for a crate: its code as large as the tag allows, and the QR."""
    return Label(
        (text(code, 30, "the code", bold=True, least=9, whole=True),),
        Qr(code, sizes_mm=_AT_ARMS_LENGTH),
    )


def crate_label(*, lot: str, crop: str, day: str, said: str = "Cut") -> Halves:
    """Twice the lot of a crate, its crop and its day of cutting, or of whatever is said: one half
    stays on the crate, the other is peeled off and goes where its leaf is tipped."""
    facts = (
        text([Words(f"{said} "), Words(day, True)], 10, "the day", whole=True),
        text(lot, 12, "the lot", bold=True, least=8, whole=True),
    )
    heading = text(crop, 13, "the crop", bold=True)
    qr = Qr(lot, sizes_mm=_AT_ARMS_LENGTH)
    return Halves(Label(facts, qr, heading, on="on half a label,"))


def hold_label(*, lot: str, name: str, reason: str, since: str) -> Framed:
    """For what may not be used or sold until it is released."""
    texts = (
        text(lot, 20, "the lot", bold=True, least=10, whole=True),
        text(name, 12, "the name"),
        text([Words("Held since "), Words(since, True)], 10, "the date", whole=True),
        text(reason, 10, "the reason"),
    )
    heading = text("HOLD: do not use", 22, "the heading", bold=True, least=12, whole=True)
    qr = Qr(lot, sizes_mm=_AT_ARMS_LENGTH)
    return Framed(Label(texts, qr, heading, on="inside the border,"))


def shelf_card(
    *, name: str, price: str, per_kilogram: str = "", origin: str = "", allergens: str = ""
) -> Label:
    """A card at the shelf for whatever lot lies there: it names none."""
    said = (
        (price, 36, "the price", True),
        (per_kilogram, 13, "the price per kilogram", True),
        (origin and [Words("Origin: "), Words(origin, True)], 9, "the origin", False),
        (allergens and [Words("Contains: "), Words(allergens, True)], 9, "the allergens", False),
    )
    return Label(
        tuple(
            text(words, size, called, bold=called == "the price", whole=whole)
            for words, size, called, whole in said
            if words
        ),
        heading=text(name, 16, "the name", bold=True),
    )


def reduced_label(*, lot: str, name: str, price: str, qr: Qr) -> Label:
    """A small label beside a pack's own: that it is reduced, to how much, and the lot with its QR
    again. It says neither date nor allergens, and must cover neither."""
    return Label(
        (
            text(price, 24, "the price", bold=True, least=10, whole=True),
            text(name, 8, "the name"),
            text([Words("Lot "), Words(lot, True)], 8, "the lot", whole=True),
        ),
        qr,
        text("Reduced", 12, "the heading", bold=True, whole=True),
    )


def code_card(name: str, code: str) -> Label:
    """A card with something that a scanner may say, and its name for whoever holds it."""
    return Label((), Qr(code, sizes_mm=_AT_ARMS_LENGTH), text(name, 14, "the name", bold=True))


#: A card of ISO 216's A6, lying; and an A4 sheet of such cards, as many as hang by a bench.
A6 = Stock(148, 105)
CARDS = Stock(90, 54, 2, 5, 15, 13.5)


# --- one label made of others --------------------------------------------------------------------


@dataclass(frozen=True)
class Halves:
    """The same twice, beside or above each other, and a line of dashes between."""

    label: Printable

    def _half(self, width: float, height: float, dot: float) -> tuple[float, float]:
        if width >= height:
            return math.floor(width / 2 / dot) * dot, height
        return width, math.floor(height / 2 / dot) * dot

    def check(self, width: float, height: float, dot: float) -> None:
        self.label.check(*self._half(width, height, dot), dot)

    def draw(self, pen: Pen, width: float, height: float) -> None:
        half = self._half(width, height, pen.dot)
        self.label.draw(pen, *half)
        if width >= height:
            pen.dashes(width / 2, 0, width / 2, height)
            other = math.floor(width / pen.dot) * pen.dot - half[0], 0.0
        else:
            pen.dashes(0, height / 2, width, height / 2)
            other = 0.0, math.floor(height / pen.dot) * pen.dot - half[1]
        with pen.at(*other):
            self.label.draw(pen, *half)


@dataclass(frozen=True)
class Framed:
    """Within a black border."""

    label: Printable

    def _inset(self, dot: float) -> float:
        return math.ceil((_BORDER_AT + _BORDER) / dot) * dot

    def check(self, width: float, height: float, dot: float) -> None:
        inset = self._inset(dot)
        self.label.check(width - 2 * inset, height - 2 * inset, dot)

    def draw(self, pen: Pen, width: float, height: float) -> None:
        at, inset = _BORDER_AT, self._inset(pen.dot)
        with pen.at(inset, inset):
            self.label.draw(pen, width - 2 * inset, height - 2 * inset)
        pen.frame(at, at, width - 2 * at, height - 2 * at, _BORDER)


_BORDER_AT, _BORDER = 1 * mm, 1.5 * mm


# --- the test of a printer -----------------------------------------------------------------------

#: From the label's edge to each of the boxes, in millimetres; and where the rest begins.
_EDGES_MM = (0.5, 1.0, 1.5, 2.0)
_INSIDE = 3.5 * mm
_LONGEST_MM = 50
_SMALL = size_of_figures(1.8)
_UNDER = _SMALL + 0.25 * mm  # what words under a QR take, clear of its quiet zone


def ruler_mm(stock: Stock) -> int:
    """The line that a test on a stock has room for: 50 mm, or as many tens as there are; 0 where
    there are not two."""
    room = min(stock.width, 2 * stock.height) - 2 * _INSIDE / mm
    return min(_LONGEST_MM, int(stock.width - 2 * _INSIDE / mm) // 10 * 10) if room >= 20 else 0


def printer_test(stock: Stock, dpi: int) -> list[Printable]:
    """One label with boxes at its edge and a line to be measured, then labels with a QR of each
    size of module that is offered. Raises Refusal where a label has no room for a line."""
    ruler = _Ruler(dpi, ruler_mm(stock))
    ruler.check(*stock.size, dot_of(dpi))
    return [ruler, *_module_tests(stock, dpi)]


@dataclass(frozen=True)
class _Ruler:
    """Boxes half a millimetre apart, and a line of so many millimetres."""

    dpi: int
    long_mm: int

    def check(self, width: float, height: float, dot: float) -> None:
        if not self.long_mm:
            raise TooSmall(
                f"A label of {width / mm:.4g} × {height / mm:.4g} mm has no room for a line that "
                "can be measured.",
                "Test the printer with another",
            )

    def draw(self, pen: Pen, width: float, height: float) -> None:
        self.check(width, height, pen.dot)
        for at in _EDGES_MM:
            edge = at * mm
            pen.frame(edge, edge, width - 2 * edge, height - 2 * edge, pen.dot)
        long_mm = self.long_mm
        left, line = (width - long_mm * mm) / 2, height / 2
        words = f"measure this line: {long_mm} mm"
        size = min(14, long_mm * mm / width_of(words, BOLD))
        pen.words(((words, BOLD),), width / 2, line + 3.2 * mm, size, 0.5)
        pen.block(left, line, long_mm * mm, 0.25 * mm)
        for at in range(0, long_mm + 1, 5):
            high = 1.2 * mm if at % 10 else 2.4 * mm
            x = min(left + at * mm, left + long_mm * mm - 0.25 * mm)
            pen.block(x, line - high, 0.25 * mm, high)
            if at % 10 == 0:
                pen.words(((str(at), PLAIN),), left + at * mm, line - 5 * mm, _SMALL, 0.5)
        words = f"{self.dpi} dots to the inch; {len(_EDGES_MM)} boxes at the edge"
        size = min(_SMALL, (width - 2 * _INSIDE) / width_of(words, PLAIN))
        if line > 7.5 * mm + _INSIDE:
            pen.words(((words, PLAIN),), width / 2, _INSIDE + 0.5 * mm, size, 0.5)


@dataclass(frozen=True)
class _Cell:
    """A QR for a test: what it says, and its module in dots."""

    content: str
    module: int

    def side(self) -> int:
        """With its quiet zone, in dots."""
        return (symbol(self.content).side + 2 * QUIET) * self.module

    def words(self) -> str:
        return self.content.lower()

    def wide(self, dot: float) -> int:
        return max(self.side(), math.ceil(width_of(self.words(), PLAIN) * _SMALL / dot))

    def high(self, dot: float) -> int:
        return self.side() + math.ceil(_UNDER / dot)


@dataclass(frozen=True)
class _Modules:
    """QRs in a row, in the middle of a label, what each says under it."""

    cells: tuple[_Cell, ...]

    def fits(self, width: float, height: float, dot: float) -> bool:
        wide = sum(cell.wide(dot) for cell in self.cells) * dot
        high = max(cell.high(dot) for cell in self.cells) * dot
        return wide <= width - 2 * _SMALL_EDGE and high <= height - 2 * _SMALL_EDGE

    def check(self, width: float, height: float, dot: float) -> None:
        """Only such as fit are made."""

    def draw(self, pen: Pen, width: float, height: float) -> None:
        dot = pen.dot
        spare = width / dot - sum(cell.wide(dot) for cell in self.cells)
        high = max(cell.high(dot) for cell in self.cells)
        foot = round((height / dot - high) / 2) + math.ceil(_UNDER / dot)
        left = 0.0
        for cell in self.cells:
            left += spare / (len(self.cells) + 1)
            x, quiet = round(left + (cell.wide(dot) - cell.side()) / 2), QUIET * cell.module
            pen.qr(pen.symbol(cell.content), x + quiet, foot + quiet, cell.module)
            line, stands = ((cell.words(), PLAIN),), foot * dot - _UNDER + BELOW * _SMALL
            pen.words(line, (x + cell.side() / 2) * dot, stands, _SMALL, 0.5)
            left += cell.wide(dot)


def _module_tests(stock: Stock, dpi: int) -> list[Printable]:
    """As many to a label as fit; a module too large for the stock is not offered on it."""
    dot = dot_of(dpi)
    rows: list[_Modules] = []
    for module in modules(SIZES_MM, dot):
        cell = _Cell(f"{dpi} DPI {module} DOTS", module)
        if rows and (longer := _Modules((*rows[-1].cells, cell))).fits(*stock.size, dot):
            rows[-1] = longer
        elif (alone := _Modules((cell,))).fits(*stock.size, dot):
            rows.append(alone)
    return list(rows)


_SMALL_EDGE = 1.5 * mm
