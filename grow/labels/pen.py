"""What draws on one label of a page: letters, a QR, lines; all of it vectors."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from . import qr
from .letters import Piece, typeface, width


class Pen:
    """Draws in points from the lower left corner of a label, which lies on a dot of the printer.

    dot: from one dot to the next, in points; mask: of every QR, if the standard's scoring is not
    asked for each."""

    def __init__(self, canvas: Canvas, dot: float, mask: int | None = None) -> None:
        typeface()
        self.canvas, self.dot = canvas, dot
        self.symbol = qr.symbol if mask is None else qr.Alikes(mask).symbol
        self._lines: dict[tuple[tuple[Piece, ...], float, float, float], str] = {}

    @contextlib.contextmanager
    def at(self, x: float, y: float) -> Iterator[None]:
        """Within, the origin is here."""
        self.canvas.addLiteral(f"q 1 0 0 1 {x:.6f} {y:.6f} cm")
        yield
        self.canvas.addLiteral("Q")

    def words(
        self, line: tuple[Piece, ...], x: float, y: float, size: float, share: float = 0
    ) -> None:
        """A line that stands on y; x is its left, its middle (share 0.5) or its right (1)."""
        if share:
            x -= share * width(line) * size
        # most of a label's lines are the same on the next label of a run
        key = line, x, y, size
        drawn = self._lines.get(key)
        if drawn is None:
            text = self.canvas.beginText(x, y)
            for words, face in line:
                text.setFont(face, size)
                text.textOut(words)
            drawn = self._lines[key] = text.getCode()
        self.canvas.addLiteral(drawn)

    def qr(self, symbol: qr.Symbol, x: int, y: int, module: int) -> None:
        """The dark modules from a lower left corner, in dots, with modules of so many dots."""
        step, left, foot = module * self.dot, x * self.dot, y * self.dot
        self.canvas.addLiteral(
            f"q {step:.6f} 0 0 {step:.6f} {left:.6f} {foot:.6f} cm {qr.drawn(symbol)} Q"
        )

    def block(self, x: float, y: float, wide: float, high: float) -> None:
        """Filled black; as near as whole dots come to it, and one dot at the least."""
        left, foot = round(x / self.dot), round(y / self.dot)
        right, top = round((x + wide) / self.dot), round((y + high) / self.dot)
        block = self._rectangle(left, foot, max(1, right - left), max(1, top - foot))
        self.canvas.addLiteral(f"{block} f")

    def frame(self, x: float, y: float, wide: float, high: float, thick: float) -> None:
        """The outline of a rectangle, drawn inside it."""
        left, foot, line = (round(length / self.dot) for length in (x, y, thick))
        wide, high = round((x + wide) / self.dot) - left, round((y + high) / self.dot) - foot
        outer = self._rectangle(left, foot, wide, high)
        inner = self._rectangle(left + line, foot + line, wide - 2 * line, high - 2 * line)
        self.canvas.addLiteral(f"{outer} {inner} f*")

    def _rectangle(self, *dots: int) -> str:
        return " ".join(f"{length * self.dot:.6f}" for length in dots) + " re"

    def dashes(self, x: float, y: float, to_x: float, to_y: float) -> None:
        """A line to tear or cut along."""
        self.canvas.addLiteral(
            f"q {0.25 * mm:.4f} w [{1.6 * mm:.4f} {1.2 * mm:.4f}] 0 d "
            f"{x:.4f} {y:.4f} m {to_x:.4f} {to_y:.4f} l S Q"
        )
