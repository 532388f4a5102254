"""Labels read back by others: pages, words and lines by PDFium, codes off the picture by ZXing."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pypdfium2 as pdfium
import zxingcpp
from PIL import Image

#: What is sold as 203 dots to the inch has 8 to the millimetre.
DOTS_TO_THE_INCH = {203: 8 * 25.4, 300: 300.0}
MM = 72 / 25.4


@contextlib.contextmanager
def page_of(pdf: bytes, page: int = 0) -> Iterator[pdfium.PdfPage]:
    document = pdfium.PdfDocument(pdf)
    try:
        yield document[page]
    finally:
        document.close()


def picture_of(pdf: bytes, page: int = 0, dpi: float = 203) -> Image.Image:
    """A page as a printer of that kind prints it, a pixel a dot, in shades of grey."""
    scale = DOTS_TO_THE_INCH.get(round(dpi), dpi) / 72
    with page_of(pdf, page) as found:
        # PDFium rounds a page up to whole dots; sizes in a PDF are rounded to some decimals
        picture = found.render(scale=scale * (1 - 1e-6), grayscale=True).to_pil()
    return picture.point(lambda grey: 0 if grey < _TRACE else 255 if grey > 255 - _TRACE else grey)


#: A hundredth of a dot shows so in grey: a page's size in a PDF has four decimals.
_TRACE = 3


def black_and_white(picture: Image.Image) -> Image.Image:
    """As a thermal printer does it, which knows no grey."""
    return picture.point(lambda grey: 255 if grey >= 128 else 0)


def read_off(picture: Image.Image) -> list[zxingcpp.Barcode]:
    return zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode)


def codes_on(pdf: bytes, page: int = 0, dpi: float = 203) -> list[str]:
    """What the QRs (ISO/IEC 18004) of a page say, from the picture of that page."""
    return [code.text for code in read_off(picture_of(pdf, page, dpi))]


class Square(NamedTuple):
    """A QR in a picture, in dots: its dark part, without the quiet zone, and its modules."""

    left: int
    top: int
    side: int
    module: float
    dark: np.ndarray


def squares_on(picture: Image.Image) -> list[Square]:
    """The QRs of a picture as they are measured in it: a finder pattern is 7 modules wide."""
    dots = np.asarray(picture)
    out = []
    for code in read_off(picture):
        at = code.position
        corners = (at.top_left, at.top_right, at.bottom_left, at.bottom_right)
        left, right = min(c.x for c in corners) - 3, max(c.x for c in corners) + 4
        top, foot = min(c.y for c in corners) - 3, max(c.y for c in corners) + 4
        around = dots[max(0, top) : foot, max(0, left) : right] < 255
        rows, columns = np.flatnonzero(around.any(1)), np.flatnonzero(around.any(0))
        x, y = max(0, left) + int(columns[0]), max(0, top) + int(rows[0])
        side = int(columns[-1] - columns[0]) + 1
        assert side == rows[-1] - rows[0] + 1, "a QR is a square"
        dark = dots[y : y + side, x : x + side]
        finder = int(np.argmax(dark[0] == 255))
        out.append(Square(x, y, side, finder / 7, dark))
    return out


class Said(NamedTuple):
    """Words that stand on one line, in points from the page's lower left corner."""

    words: str
    size: float
    left: float
    bottom: float
    right: float
    top: float


def lines_on(pdf: bytes, page: int = 0) -> list[Said]:
    """Each text object of a page: its words, its size, and the box round its ink."""
    with page_of(pdf, page) as found:
        text = found.get_textpage()
        kind = pdfium.raw.FPDF_PAGEOBJ_TEXT
        objects = list(found.get_objects([kind], textpage=text))
        return [
            # PDFium marks a hyphen at a line's end so
            Said(o.extract().replace("\x02", "-"), o.get_font_size(), *o.get_bounds())
            for o in objects
        ]


def words_on(pdf: bytes, page: int = 0) -> str:
    with page_of(pdf, page) as found:
        return found.get_textpage().get_text_bounded()


def letters_on(pdf: bytes, page: int = 0) -> list[tuple[str, float, float, float, float]]:
    """(letter, left, bottom, right, top) in points from the page's lower left corner."""
    with page_of(pdf, page) as found:
        text = found.get_textpage()
        count = text.count_chars()
        return [
            (text.get_text_range(n, 1), *text.get_charbox(n))
            for n in range(count)
            if text.get_text_range(n, 1).strip()
        ]


def sizes_of(pdf: bytes) -> list[tuple[float, float]]:
    """(width, height) of each page in points."""
    document = pdfium.PdfDocument(pdf)
    try:
        return [document.get_page_size(n) for n in range(len(document))]
    finally:
        document.close()
