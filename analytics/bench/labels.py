"""Sheets of labels against the same sheets drawn otherwise: each QR by reportlab's own widget, and
no QR at all. All three have the same layout and words, and begin with nothing looked for before."""

from __future__ import annotations

from functools import partial
from random import Random
from typing import Any

from reportlab.graphics import renderPDF
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.graphics.shapes import Drawing
from reportlab.pdfgen.canvas import Canvas

from grow.labels import Label, Qr, Stock, Words, food_label, layout, pdf, qr
from grow.labels.pen import Pen
from sales import starter
from sales.labels import stock_of

from .rows import Job, Row, in_turn

LINK = "https://farm.example/l/"


class ByWidget(Pen):
    """Each QR by reportlab's widget, which chooses a mask for each by scoring."""

    def __init__(self, canvas: Canvas, dot: float, mask: int | None = None) -> None:
        super().__init__(canvas, dot, mask)
        self._sides: dict[int, int] = {}
        self.symbol = self._unmade

    def _unmade(self, content: str) -> qr.Symbol:
        """Only how large it will be, which is one for contents of a length, and what it says."""
        side = self._sides.get(len(content))
        if side is None:
            side = self._sides[len(content)] = qr.symbol(content, 0).side
        return qr.Symbol(side, content)

    def qr(self, symbol: qr.Symbol, x: int, y: int, module: int) -> None:
        side = symbol.side * module * self.dot
        widget = QrCodeWidget(symbol.bits, barLevel="M", barWidth=side, barHeight=side, barBorder=0)
        drawing = Drawing(side, side)
        drawing.add(widget)
        renderPDF.draw(drawing, self.canvas, x * self.dot, y * self.dot)


class TextAlone(ByWidget):
    def qr(self, symbol: qr.Symbol, x: int, y: int, module: int) -> None:
        pass


def label(code: str, link: str = "") -> Label:
    return food_label(
        name="Salad bag 120 g",
        quantity="120 g",
        figures_mm=3,
        qr=Qr(link + code),
        facts=[
            ("the date", [Words("Use by "), Words("12 Dec 2026", bold=True)]),
            ("the lot", [Words("Lot "), Words(code, bold=True)]),
        ],
    )


def sheets(wanted: list[tuple[Label, int]], pen: type[Pen] = Pen) -> bytes:
    """As in a new process: nothing is known of the labels' layout."""
    layout.plan.cache_clear()
    return pdf(stock(), wanted, title="bench", pen=pen)


def stock() -> Stock:
    return stock_of(starter.label_stocks()[starter.stock_slugs()["a4-21"]])


def labels(number: int, dice: Random) -> list[Row]:
    """Rows of sheets of so many labels."""
    letters = "0123456789ABCDEFGHJKLMNPQRSTUVWXYZ"
    lots = [f"R26330-{n:03d}-{dice.choice(letters)}" for n in range(number)]
    jobs: list[Job] = []
    for key, link in (("lot", ""), ("link", LINK)):
        wanted = [(label(lot, link), 1) for lot in lots]
        jobs.append(("ours", key, partial(sheets, wanted)))
        jobs.append(("theirs", key, partial(sheets, wanted, ByWidget)))
    took = in_turn(jobs, dice)
    # a label that is drawn once takes a hundredth of the time: more of them, and more rounds
    many = 10 * number
    same = [(label(lots[0], LINK), many)]
    took |= in_turn(
        [
            ("ours", "same", partial(sheets, same)),
            ("theirs", "same", partial(sheets, same, TextAlone)),
        ],
        dice,
        rounds=7,
    )

    def row(name: str, key: Any, limit: float) -> Row:
        ours, theirs = took["ours", key], took["theirs", key]
        return Row(name, 0, ours, theirs, theirs / ours, limit, least=True)

    return [
        row(f"{number} labels, each another lot, in the QR: by widget ÷ ours", "lot", 15),
        row(f"{number} labels, each another link in the QR: by widget ÷ ours", "link", 15),
        row(f"{many} labels of one lot: text alone ÷ ours", "same", 0.5),
    ]
