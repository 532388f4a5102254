"""What a scanner typed, whatever the symbol and however it is set."""

from __future__ import annotations

import re
from collections.abc import Callable

from grow.errors import Refusal

from .elements import GS, parse_bracketed, parse_raw
from .identifiers import Elements, elements
from .links import parse_link
from .numbers import check_number, gtin14, is_restricted
from .table import KEYS

#: Three characters that a scanner may put in front, saying what symbol it read: ISO/IEC 15424.
_SYMBOL = re.compile(r"\][A-Za-z][0-9A-Za-z]")
#: GS1-128, DataBar, GS1 DataMatrix, GS1 QR, and (from memory) GS1 DotCode: element strings.
_OF_ELEMENTS = {"]C1", "]e0", "]d2", "]Q3", "]J1"}
#: EAN-13 and UPC-A; and (from memory) EAN-8 and ITF-14: a bare number.
_OF_NUMBERS = {"]E0", "]E4", "]I1"}
_BRACKETED = re.compile(r"\([0-9]{2,4}\)")
#: A crate's SSCC or a GTIN at the start: enough to tell an element string from some number.
_RAW = re.compile(r"00[0-9]{18}|0[12][0-9]{14}")
_NUMBER = re.compile(r"[0-9]{12,14}")
#: A key with a number after it; a page of 2026/01/15 is none.
_LINK = re.compile(
    rf"https?://[^/?#\s]+(?:/[^?#\s]*)?/(?:{'|'.join(KEYS)})/[0-9]{{8}}", re.IGNORECASE
)
#: A machine's name, with stops and a port or without, and a plain path and query: as on a label.
_ADDRESS = re.compile(
    r"https?://[a-z0-9-]+([.:][a-z0-9-]+)*(/([\w./~-]|%[0-9a-f]{2})*(\?[\w.=&%-]*)?)?",
    re.IGNORECASE | re.ASCII,
)


def read(text: str) -> Elements | None:
    """The AIs in a scan: of an element string in either form, a Digital Link, or a bare GTIN at the
    till, with what tells the symbol before it or without. None for what is nothing of GS1's; a
    number of restricted circulation is its shop's own, and so none either.

    One symbol need not hold all that belongs together, so (10) may come alone. Raises Refusal for
    what is GS1's and wrong."""
    text = text.strip(" \t\r\n")  # a separator is white space to strip()
    symbol = text[:3] if _SYMBOL.match(text) else ""
    text = text.removeprefix(symbol)
    if symbol in _OF_ELEMENTS:
        return parse_raw(text, whole=False)
    elif symbol in _OF_NUMBERS:
        return _bare(text)
    elif _BRACKETED.match(text):
        return parse_bracketed(text, whole=False)
    elif _LINK.match(text):
        return parse_link(text)
    elif GS in text or _RAW.match(text):
        return parse_raw(text, whole=False)
    elif _NUMBER.fullmatch(text):
        try:
            check_number(text)
        except Refusal:
            return None  # digits that are somebody's number, but none with a check digit
        return _bare(text)
    return None


def known_form(text: str, is_code: Callable[[str], bool]) -> bool:
    """Whether a text is something that a label holds: a web address, something of GS1's, or a code
    of one's own by `is_code`, which must know it by its check character and pass over no sign that
    it cannot hold. What `mended` asks."""
    if _ADDRESS.fullmatch(text) or is_code(text):
        return True
    try:
        return read(text) is not None
    except Refusal:
        return False


def _bare(number: str) -> Elements | None:
    return None if is_restricted(number) else elements({"01": gtin14(number)})
