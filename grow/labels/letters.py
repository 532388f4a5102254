"""Letters: how wide and high they are by the typeface's own outlines, the least that the law
allows, and words that are set in lines.

The typeface is DejaVu Sans Condensed with its Latin, Greek and Cyrillic letters (its licence lies
beside it); what it cannot write is refused, not printed as a box.
"""

from __future__ import annotations

import functools
import itertools
import math
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

from PIL import ImageFont
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from grow.errors import Refusal

PLAIN, BOLD = "label", "label bold"
_FONTS = Path(__file__).parent.parent / "fonts"
_FILES = {PLAIN: "DejaVuSansCondensed.ttf", BOLD: "DejaVuSansCondensed-Bold.ttf"}
_UNITS = 2048  # to the em, in this typeface


@functools.cache
def _outlines(face: str) -> ImageFont.FreeTypeFont:
    # a picture of so many dots to the em has the outlines' own units
    return ImageFont.truetype(_FONTS / _FILES[face], _UNITS, layout_engine=ImageFont.Layout.BASIC)


@functools.cache
def ink(face: str, letter: str) -> tuple[float, float]:
    """How far a letter reaches above the line it stands on, and below it; shares of its size."""
    _, top, _, foot = _outlines(face).getbbox(letter, anchor="ls")
    return -top / _UNITS, foot / _UNITS


#: Shares of the size: the letter x, a figure.
X_HEIGHT = min(ink(face, "x")[0] for face in _FILES)
FIGURE_HEIGHT = min(ink(face, figure)[0] for face in _FILES for figure in "0123456789")
#: What each line has above its foot and below it, at least, and between it and the next.
ABOVE, BELOW, BETWEEN = 0.76, 0.24, 0.16


def least_x_mm(largest_cm2: Decimal | float | None) -> float:
    """The least height of an x: Regulation (EU) 1169/2011, Article 13(2) and (3). largest_cm2: the
    pack's largest surface; not known is as if it were large."""
    return 0.9 if largest_cm2 is not None and largest_cm2 < 80 else 1.2


def size_of_x(height_mm: float) -> float:
    """The size of letters, in points, whose x is so high."""
    return height_mm * mm / X_HEIGHT


def size_of_figures(height_mm: float) -> float:
    """The size of letters, in points, whose figures are so high."""
    return height_mm * mm / FIGURE_HEIGHT


@functools.cache
def typeface() -> frozenset[int]:
    """The letters that there are; the faces are known to the PDF from here on."""
    for face, file in _FILES.items():
        pdfmetrics.registerFont(TTFont(face, str(_FONTS / file)))
    there = (pdfmetrics.getFont(face).face.charToGlyph for face in _FILES)
    return frozenset.intersection(*map(frozenset, there))


@functools.lru_cache(8192)
def width_of(words: str, face: str) -> float:
    """Of words in one face and a size of 1."""
    typeface()
    return pdfmetrics.stringWidth(words, face, 1)


# --- words ---------------------------------------------------------------------------------------


class Words(NamedTuple):
    """Words of a text that stand in one face."""

    words: str
    bold: bool = False


@dataclass(frozen=True)
class Text:
    """A paragraph, or with `whole` a line that is never broken. Sizes are points: `wished` on a
    label of some 60 × 40 mm, more on a large one and less on a small one, down to `least` or to
    what the law allows, whichever is more. called: what a refusal calls it, as “the ingredients”.
    """

    runs: tuple[Words, ...]
    wished: float
    called: str
    least: float = 0
    whole: bool = False

    def __str__(self) -> str:
        return "".join(run.words for run in self.runs)


def text(
    said: str | Iterable[Words],
    wished: float,
    called: str,
    *,
    bold: bool = False,
    least: float = 0,
    whole: bool = False,
) -> Text:
    """A text of words in one face, or of runs in several."""
    runs = (Words(said, bold),) if isinstance(said, str) else tuple(said)
    return Text(runs, wished, called, least, whole)


#: A figure and its unit stay on one line.
_BREAKS = " \t\r\n"
_UNIT = r"(?:g|kg|ml|l|mm|cm|°C|%)(?!\w)"
_WORD = re.compile(rf"\d[\d.,]*[{_BREAKS}]+{_UNIT}[^{_BREAKS}]*|[^{_BREAKS}]+")
_SOFT_HYPHEN = "\N{SOFT HYPHEN}"

#: What is drawn in one go: words and their face.
Piece = tuple[str, str]


def _written(words: str) -> str:
    """One letter for a letter and its accent, where there is one."""
    return unicodedata.normalize("NFC", words).replace(_SOFT_HYPHEN, "")


@functools.lru_cache(4096)
def _words(text: Text) -> tuple[tuple[Piece, ...], ...]:
    """The words of a text, each of pieces in one face; a whole text is one word."""
    runs = [(_written(run.words), BOLD if run.bold else PLAIN) for run in text.runs]
    line = "".join(words for words, _ in runs)
    faces = [face for words, face in runs for _ in words]
    spans = [match.span() for match in _WORD.finditer(line)]
    if text.whole and spans:
        spans = [(spans[0][0], spans[-1][1])]
    out = []
    for start, end in spans:
        turns = [start, *(n for n in range(start + 1, end) if faces[n] != faces[n - 1]), end]
        pairs = itertools.pairwise(turns)
        out.append(tuple((re.sub(f"[{_BREAKS}]+", " ", line[a:b]), faces[a]) for a, b in pairs))
    return tuple(out)


def _space(before: Piece, after: Piece) -> str:
    """The face of the space between two words."""
    return BOLD if before[1] == after[1] == BOLD else PLAIN


@functools.lru_cache(4096)
def pieces(text: Text, first: int, end: int) -> tuple[Piece, ...]:
    """Some words of a text as one line."""
    line: list[Piece] = []
    for word in _words(text)[first:end]:
        spaced = [(" ", _space(line[-1], word[0])), *word] if line else word
        for words, face in spaced:
            if line and line[-1][1] == face:
                line[-1] = line[-1][0] + words, face
            else:
                line.append((words, face))
    return tuple(line)


def width(line: Iterable[Piece]) -> float:
    """Of a line in a size of 1."""
    return sum(width_of(*piece) for piece in line)


@functools.lru_cache(4096)
def _strange(text: Text) -> str:
    """The first letter that cannot be written, or nothing."""
    known = typeface()
    for letter in _written(str(text)):
        if letter not in _BREAKS and (ord(letter) not in known or not letter.isprintable()):
            return letter if letter.isprintable() else f"U+{ord(letter):04X}"
    return ""


def check_letters(texts: Iterable[Text]) -> None:
    """Raises Refusal for a letter that the typeface has not."""
    for text in texts:
        if strange := _strange(text):
            raise Refusal(
                "no_letter",
                f"The label's typeface has no “{strange}”; write {text.called} with Latin, Greek "
                "or Cyrillic letters.",
                part=text.called,
            )


# --- what a layout must know ---------------------------------------------------------------------

#: Steps of a whole line's width, in shares of its size: lines of lots that differ by a letter are
#: as wide to a layout, so one layout is good for all of them.
_STEP = 0.25


class Metrics(NamedTuple):
    """A text as a layout knows it, in shares of its size: how wide each word is, the space before
    each, how far each reaches up and down. A whole line is no wider than it says here."""

    widths: tuple[float, ...]
    spaces: tuple[float, ...]
    above: tuple[float, ...]
    below: tuple[float, ...]
    wished: float
    least: float

    @property
    def reach(self) -> tuple[float, float]:
        """Of all of it on one line: above, below."""
        return max(self.above), max(self.below)


@functools.lru_cache(4096)
def metrics(text: Text) -> Metrics:
    words = _words(text)
    widths = tuple(width(word) for word in words)
    if text.whole:
        widths = tuple(math.ceil(wide / _STEP) * _STEP for wide in widths)
    spaces = [width_of(" ", _space(a[-1], b[0])) for a, b in itertools.pairwise(words)]
    reach = [[ink(face, letter) for said, face in word for letter in said] for word in words]
    return Metrics(
        widths,
        tuple([0.0, *spaces] if words else ()),
        tuple(max(ABOVE, *(up for up, _ in word)) for word in reach),
        tuple(max(BELOW, *(down for _, down in word)) for word in reach),
        text.wished,
        text.least,
    )
