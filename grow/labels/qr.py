"""QR symbols of ISO/IEC 18004, level M: what they say, how large a module may be, and their dark
modules as operators of a PDF."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import segno
from reportlab.lib.units import mm
from segno.encoder import DataOverflowError

from grow.errors import Refusal

QUIET = 4  # modules of white all round, ISO/IEC 18004
#: Sizes of a module in millimetres. Below 0.375, which is 3 dots of a printer of 203 to the inch, a
#: telephone no longer reads it surely (common practice, no source).
SIZES_MM = (0.375, 1.0)
#: For a GS1 Digital Link at a till: GS1 General Specifications 26.0, Table 5-46, read in a copy.
TILL_MM = (0.396, 0.990)


@dataclass(frozen=True)
class Qr:
    """What a QR says; the lines printed under it; the least and greatest size of its modules."""

    content: str
    caption: tuple[str, ...] = ()
    sizes_mm: tuple[float, float] = SIZES_MM


@functools.cache
def modules(sizes_mm: tuple[float, float], dot: float) -> tuple[int, ...]:
    """The sizes of a module between the two, in whole dots of the printer, the smallest first."""
    least, most = (size * mm / dot for size in sizes_mm)
    return tuple(range(math.ceil(least - 1e-6), math.floor(most + 1e-6) + 1))


class Symbol(NamedTuple):
    """side: modules; bits: row by row from the top, "1" is dark. Without the quiet zone."""

    side: int
    bits: str


def _make(content: str, mask: int | None, mode: str | None = None) -> Symbol:
    if not content:
        raise Refusal("no_qr", "A QR must say something.")
    try:
        made = segno.make(content, micro=False, error="m", boost_error=False, mask=mask, mode=mode)
    except (DataOverflowError, ValueError) as error:
        raise Refusal(
            "no_qr", f"A QR cannot hold “{content[:40]}”, of {len(content)} letters."
        ) from error
    return Symbol(len(made.matrix), "".join("".join(map(str, row)) for row in made.matrix))


@functools.lru_cache(64)
def symbol(content: str, mask: int | None = None) -> Symbol:
    """Without a mask the one that the standard's scoring likes best. Raises Refusal for content
    that no QR holds."""
    return _make(content, mask)


_DARK = re.compile("1+")


def drawn(symbol: Symbol) -> str:
    """One path of a rectangle for each run of dark modules, as operators of a PDF (ISO 32000): a
    module is 1, and the origin the lower left corner. No bitmap, and no hair of white between."""
    side, bits = symbol
    out = []
    for row in range(side):
        y = side - 1 - row
        for run in _DARK.finditer(bits, row * side, (row + 1) * side):
            start, end = run.span()
            out.append(f"{start - row * side} {y} {end - start} 1 re")
    out.append("f")
    return " ".join(out)


# --- many alike ----------------------------------------------------------------------------------

_LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"  # of a value each, ISO/IEC 18004


def _pair_value(pair: str) -> int:
    return functools.reduce(lambda value, letter: 45 * value + _LETTERS.index(letter), pair, 0)


def _pair(value: int, letters: int) -> str:
    return "".join(_LETTERS[value // 45**n % 45] for n in reversed(range(letters)))


class _Mode(NamedTuple):
    """How content becomes bits: so many letters at a time, as the value they have."""

    name: str
    letters: int
    value: Callable[[str], int]
    said: Callable[[int, int], str]


_PAIRS = _Mode("alphanumeric", 2, _pair_value, _pair)
_BYTES = _Mode("byte", 1, ord, lambda value, _: chr(value))


def _mode(content: str) -> _Mode | None:
    """As segno chooses; nothing for figures alone and for what is not ASCII."""
    if not content.isascii() or content.isdigit():
        return None
    return _PAIRS if set(content) <= set(_LETTERS) else _BYTES


class _Alike:
    """Symbols of contents of one length and mode under one mask.

    All that makes a symbol of such contents, the correction words, the places and the mask, only
    adds bits without carry. So a bit of the content that differs always turns over the same
    modules: they are seen once, and from then on a symbol is the first one with those turned."""

    def __init__(self, first: str, mode: _Mode, mask: int) -> None:
        self._mode, self._mask = mode, mask
        step = mode.letters
        self._said = [first[n : n + step] for n in range(0, len(first), step)]
        self._values = [mode.value(said) for said in self._said]
        self._turns: dict[tuple[int, int], int] = {}
        self.side = _make(first, mask, mode.name).side
        self._first = self._number(first)

    def _number(self, content: str) -> int:
        return int(_make(content, self._mask, self._mode.name).bits, 2)

    def _with(self, place: int, value: int) -> int:
        said = list(self._said)
        said[place] = self._mode.said(value, len(said[place]))
        return self._number("".join(said))

    def _turned(self, place: int, bit: int) -> int:
        turned = self._turns.get((place, bit))
        if turned is None:
            turned = self._turns[place, bit] = self._with(place, bit) ^ self._with(place, 0)
        return turned

    def symbol(self, content: str) -> Symbol:
        number, step = self._first, self._mode.letters
        for place, was in enumerate(self._values):
            differs = was ^ self._mode.value(content[place * step : (place + 1) * step])
            while differs:
                bit = differs & -differs
                number ^= self._turned(place, bit)
                differs ^= bit
        return Symbol(self.side, f"{number:0{self.side * self.side}b}")


class Alikes:
    """Symbols under one mask: fast where many contents are of one length."""

    def __init__(self, mask: int) -> None:
        self._mask = mask
        self._known: dict[tuple[int, str], _Alike] = {}

    def symbol(self, content: str) -> Symbol:
        """As `symbol` with the mask. Raises Refusal for content that no QR holds."""
        mode = _mode(content)
        if mode is None:
            return symbol(content, self._mask)
        alike = self._known.get((len(content), mode.name))
        if alike is None:
            alike = self._known[len(content), mode.name] = _Alike(content, mode, self._mask)
        return alike.symbol(content)
