"""Labels on their stock as one PDF."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator
from typing import Protocol

from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from grow.errors import Refusal

from .pen import Pen
from .stock import USUAL_DPI, Stock, dot_of

# plain streams, not ones written in letters: a fifth smaller, and sooner done
rl_config.useA85 = 0

#: From so many different labels on, all QRs have one mask: the scoring takes most of the time, and
#: a reader knows the mask by the QR's own format bits.
BULK = 20
_MASK = 3


class TooSmall(Refusal):
    """It does not fit. `says` is without the way out; `shorten` what to make shorter."""

    def __init__(self, says: str, shorten: str, larger: str = "", **facts: object) -> None:
        self._said = says, shorten, facts
        take = f"take {larger}" if larger else "take a larger label"
        super().__init__("label_too_small", f"{says} {shorten}, or {take}.", **facts)
        if larger:
            self.facts["larger"] = larger

    def with_larger(self, larger: str) -> TooSmall:
        says, shorten, facts = self._said
        return TooSmall(says, shorten, larger, **facts)


class Printable(Protocol):
    """What can be printed on one label; sizes are points."""

    def check(self, width: float, height: float, dot: float) -> None:
        """Raises Refusal where it does not fit; the sentence says what to shorten."""

    def draw(self, pen: Pen, width: float, height: float) -> None:
        """Raises Refusal as `check` does, before anything is drawn."""


def check(
    label: Printable,
    stock: Stock,
    *,
    dpi: int = USUAL_DPI,
    larger: Iterable[tuple[str, Stock]] = (),
) -> None:
    """Raises Refusal where a label does not fit on a stock; of the larger stocks, by name, it
    names the smallest on which it does."""
    dot = dot_of(dpi)
    try:
        label.check(*stock.size, dot)
    except TooSmall as small:
        for name, other in sorted(larger, key=lambda row: row[1].width * row[1].height):
            try:
                label.check(*other.size, dot)
            except Refusal:
                continue
            raise small.with_larger(name) from None
        raise


def _places(stock: Stock, first: int) -> Iterator[int]:
    """The place of each label on its page, from the first that is free; at 0 a page begins."""
    place = first - 1
    while True:
        yield place
        place = (place + 1) % stock.per_page


def pdf(
    stock: Stock,
    labels: Iterable[tuple[Printable, int]],
    *,
    title: str,
    first: int = 1,
    dpi: int = USUAL_DPI,
    mask: int | None = None,
    larger: Iterable[tuple[str, Stock]] = (),
    progress: Callable[[int], object] = lambda placed: None,
    pen: type[Pen] = Pen,
) -> bytes:
    """Labels, each so many times, as one PDF for a printer of 203 or 300 dots to the inch.

    first: the first free label of a sheet, from 1; mask: of all QRs, 0 to 7, else as `BULK` says;
    larger: stocks, by name, that a refusal may offer instead; progress is told how many labels
    were placed since it was last told. A label that is printed often is drawn once and referred
    to. Raises Refusal where something does not fit, or the sheet has no such place."""
    dot = dot_of(dpi)
    if not 1 <= first <= stock.per_page:
        raise Refusal(
            "no_such_place",
            f"The sheet has {stock.per_page} labels; begin at one from 1 to {stock.per_page}.",
        )
    wanted = list(labels)
    if mask is None and len(wanted) > BULK:
        mask = _MASK
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=stock.page(dot), pageCompression=1)
    canvas.setTitle(title)
    canvas.setCreator("Harvest to sale")
    canvas.setViewerPreference("PrintScaling", "None")  # what is shrunk to fit has no whole dots
    hand = pen(canvas, dot, mask)
    places = _places(stock, first)
    fresh = True
    for number, (label, count) in enumerate(wanted):
        form = f"label-{number}"
        try:
            if count > 1:
                canvas.beginForm(form, 0, 0, *stock.size)
                label.draw(hand, *stock.size)
                canvas.endForm()
            for _ in range(count):
                place = next(places)
                if place == 0 and not fresh:
                    canvas.showPage()
                fresh = False
                with hand.at(*stock.corner(place, dot)):
                    if count > 1:
                        canvas.doForm(form)
                    else:
                        label.draw(hand, *stock.size)
                progress(1)
        except TooSmall:
            check(label, stock, dpi=dpi, larger=larger)
            raise
    canvas.showPage()
    canvas.save()
    return out.getvalue()
