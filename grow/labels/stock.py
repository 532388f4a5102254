"""The stock that labels are printed on, and the printer's dots that all is laid out by.

Lengths at the edge are millimetres; inside they are PDF points, 72 to the inch.
"""

from __future__ import annotations

from dataclasses import dataclass

from reportlab.lib.units import mm

from grow.errors import Refusal

A4_MM = (210, 297)  # ISO 216
#: From one dot of a printer to the next, in millimetres, by what it is sold as: one of “203 dots to
#: the inch” has 8 to the millimetre.
DOTS_MM = {203: 0.125, 300: 25.4 / 300}
USUAL_DPI = 203


def dot_of(dpi: int) -> float:
    """From one dot to the next, in points. Raises Refusal for a printer that is not known."""
    if dpi not in DOTS_MM:
        known = " or ".join(map(str, DOTS_MM))
        raise Refusal(
            "no_such_printer",
            f"Labels are drawn for printers of {known} dots to the inch, not of {dpi}.",
        )
    return DOTS_MM[dpi] * mm


def snapped(length: float, dot: float) -> float:
    """The length in whole dots that is nearest."""
    return round(length / dot) * dot


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
    def size(self) -> tuple[float, float]:
        """Of one label, in points."""
        return self.width * mm, self.height * mm

    @property
    def per_page(self) -> int:
        return max(1, self.columns * self.rows)

    def page(self, dot: float) -> tuple[float, float]:
        """Of one page, in points: whole dots, so that the dots are the same counted from the top,
        as printers do, or from the foot, as PDF does."""
        width, height = A4_MM if self.columns else (self.width, self.height)
        return snapped(width * mm, dot), snapped(height * mm, dot)

    def corner(self, n: int, dot: float) -> tuple[float, float]:
        """Lower left corner of the nth label of a page, counted from 0 along rows, on a dot."""
        if not self.columns:
            return 0.0, 0.0
        row, column = divmod(n, self.columns)
        left = self.left + column * (self.width + self.across)
        foot = self.top + row * (self.height + self.down) + self.height
        return snapped(left * mm, dot), self.page(dot)[1] - snapped(foot * mm, dot)
