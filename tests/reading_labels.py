"""Labels read back by others: pages and words by PDFium, codes off the picture by ZXing."""

from __future__ import annotations

import pypdfium2 as pdfium
import zxingcpp

_DOTS = 203 / 72  # as a thermal printer prints: 203 dots to the inch


def codes_on(pdf: bytes, page: int = 0, dots: float = _DOTS) -> list[str]:
    """What the QRs (ISO/IEC 18004) of a page say, from the picture of that page."""
    document = pdfium.PdfDocument(pdf)
    try:
        picture = document[page].render(scale=dots, grayscale=True).to_pil()
    finally:
        document.close()
    found = zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode)
    return [code.text for code in found]


def words_on(pdf: bytes, page: int = 0) -> str:
    document = pdfium.PdfDocument(pdf)
    try:
        return document[page].get_textpage().get_text_bounded()
    finally:
        document.close()


def letters_on(pdf: bytes, page: int = 0) -> list[tuple[str, float, float, float, float]]:
    """(letter, left, bottom, right, top) in points from the page's lower left corner."""
    document = pdfium.PdfDocument(pdf)
    try:
        text = document[page].get_textpage()
        count = text.count_chars()
        return [
            (text.get_text_range(n, 1), *text.get_charbox(n))
            for n in range(count)
            if text.get_text_range(n, 1).strip()
        ]
    finally:
        document.close()


def sizes_of(pdf: bytes) -> list[tuple[float, float]]:
    """(width, height) of each page in points."""
    document = pdfium.PdfDocument(pdf)
    try:
        return [document.get_page_size(n) for n in range(len(document))]
    finally:
        document.close()
