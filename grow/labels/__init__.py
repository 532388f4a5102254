"""Labels and tags as PDF: where each lies on its stock, its QR in vectors, its letters never
smaller than can be read, and never cut off.

Lengths at the edge are millimetres; inside they are PDF points, 72 to the inch.
"""

from .kinds import (
    A6,
    CARDS,
    Framed,
    Halves,
    code_card,
    crate_label,
    crate_tag,
    food_label,
    hold_label,
    printer_test,
    reduced_label,
    ruler_mm,
    shelf_card,
)
from .label import Label
from .letters import Text, Words, least_x_mm, size_of_figures, size_of_x, text
from .qr import TILL_MM, Qr
from .sheet import Printable, TooSmall, check, pdf
from .stock import DOTS_MM, USUAL_DPI, Stock

__all__ = [
    "A6",
    "CARDS",
    "DOTS_MM",
    "TILL_MM",
    "USUAL_DPI",
    "Framed",
    "Halves",
    "Label",
    "Printable",
    "Qr",
    "Stock",
    "Text",
    "TooSmall",
    "Words",
    "check",
    "code_card",
    "crate_label",
    "crate_tag",
    "food_label",
    "hold_label",
    "least_x_mm",
    "pdf",
    "printer_test",
    "reduced_label",
    "ruler_mm",
    "shelf_card",
    "size_of_figures",
    "size_of_x",
    "text",
]
