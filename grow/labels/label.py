"""One label: what it says, drawn as its layout is, or refused with what to shorten."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from reportlab.lib.units import mm

from .layout import Lack, Plan, Room, plan
from .letters import (
    X_HEIGHT,
    Text,
    check_letters,
    least_x_mm,
    metrics,
    pieces,
    size_of_x,
    text,
)
from .pen import Pen
from .qr import Qr, modules, symbol
from .sheet import TooSmall


@dataclass(frozen=True)
class Label:
    """What is printed. largest_cm2: the largest surface of the pack, by which the law sets the
    least height of letters; not known is as if it were large. on: what it is printed on, before
    the measures in a refusal."""

    texts: tuple[Text, ...]
    qr: Qr | None = None
    heading: Text | None = None
    quantity: Text | None = None
    largest_cm2: Decimal | float | None = None
    on: str = "on a label of"

    def _captions(self) -> list[Text]:
        lines = self.qr.caption if self.qr else ()
        return _saying(text(line, 7, "the line under the QR", whole=True) for line in lines)

    def _parts(self) -> tuple[Text, ...]:
        """All that is said, in the order of a layout."""
        said = _saying((self.heading, self.quantity, *self.texts))
        return (*said, *self._captions())

    def _laid_out(
        self, parts: tuple[Text, ...], side: int, width: float, height: float, dot: float
    ) -> Plan:
        """Raises TooSmall."""
        qr = self.qr
        room = Room(
            width,
            height,
            dot,
            size_of_x(least_x_mm(self.largest_cm2)),
            side,
            modules(qr.sizes_mm, dot) if qr else (0,),
            self.heading in parts,
            self.quantity in parts,
            len(self._captions()),
        )
        made = plan(room, tuple(map(metrics, parts)))
        if isinstance(made, Lack):
            raise self._too_small(made, parts, width, height)
        return made

    def _too_small(
        self, lack: Lack, parts: tuple[Text, ...], width: float, height: float
    ) -> TooSmall:
        name = str(self.heading or (self.qr and self.qr.content) or parts[0])
        says = f"{_cut(name)} does not fit {self.on} {width / mm:.4g} × {height / mm:.4g} mm"
        needs, has = lack.needs / mm, max(0.0, lack.has / mm)
        if lack.part is None:
            says += f": its QR takes {needs:.1f} mm with its quiet zone, and has {has:.1f} mm."
            return TooSmall(says, "Shorten what the QR says", part="the QR")
        text = parts[lack.part]
        x = least_x_mm(self.largest_cm2)
        if lack.words is not None:
            x = max(x, text.least * X_HEIGHT / mm)
            words = "".join(said for said, _ in pieces(text, *lack.words))
            says += f": “{_cut(words)}” is {needs:.1f} mm wide and has {has:.1f} mm"
        else:
            says += f": it needs {math.ceil(needs - has)} mm more of height. Its longest part, "
            says += f"{text.called}, is {lack.takes / mm:.0f} mm high"
        says += f", in letters with an x of {x:.2g} mm, the least allowed."
        return TooSmall(says, f"Shorten {text.called}", part=text.called)

    def check(self, width: float, height: float, dot: float) -> None:
        """Raises Refusal where it does not fit in letters that may be printed."""
        parts = self._parts()
        check_letters(parts)
        side = symbol(self.qr.content).side if self.qr else 0
        self._laid_out(parts, side, width, height, dot)

    def draw(self, pen: Pen, width: float, height: float) -> None:
        parts = self._parts()
        check_letters(parts)
        made = pen.symbol(self.qr.content) if self.qr else None
        plan = self._laid_out(parts, made.side if made else 0, width, height, pen.dot)
        for line in plan.lines:
            words = pieces(parts[line.part], line.first, line.end)
            pen.words(words, line.x, line.y, line.size, line.share)
        if plan.rule:
            pen.block(*plan.rule)
        if made:
            pen.qr(made, *plan.qr)


def _saying(texts: Iterable[Text | None]) -> list[Text]:
    """Those that have words."""
    return [one for one in texts if one and metrics(one).widths]


def _cut(words: str) -> str:
    return words if len(words) <= 40 else words[:39] + "…"
