"""The lot in what a scanner typed: a Digital Link, an element string, the address that a label of
our own holds, and any of them garbled by another country's keyboard."""

from __future__ import annotations

import re
from urllib.parse import unquote

from grow import codes
from grow.errors import Refusal

from . import gs1

#: A label's own address, on whatever host, under a path or none: https://HOST/l/LOT.
_OWN = re.compile(r"https?://[^?#\s]+/l/([^/?#\s]+)/?", re.IGNORECASE)
#: Whatever a person types. A y there for a z is a typing error, and refused as one.
_BY_HAND = re.compile(r"[\w .-]*", re.ASCII)
_CODE = re.compile(rf"[{''.join(codes.SERIES.values())}{codes.TAG}][0-9]{{5}}[0-9A-Z-]+", re.I)


def lot_in(text: str) -> str | None:
    """The lot's code, as its label holds it, in a scan that holds more than that; None where there
    is none. Whether we know such a lot is not asked."""
    text = text.strip(" \t\r\n")
    found = _lot(text)
    if found or _BY_HAND.fullmatch(text):
        return found
    meant = mended(text)
    return (_lot(meant.text) or meant.text) if meant else None


def mended(text: str) -> gs1.Mended | None:
    """What a scanner on another country's keyboard meant; None where it typed as it should."""
    text = text.strip(" \t\r\n")
    if _lot(text) or _BY_HAND.fullmatch(text):
        return None
    return gs1.mended(text, lambda text: gs1.known_form(text, _is_code))


def _is_code(text: str) -> bool:
    return bool(_CODE.fullmatch(text)) and codes.is_valid(text)


def _lot(text: str) -> str | None:
    if own := _OWN.fullmatch(text):
        return unquote(own[1])
    try:
        found = gs1.read(text)
    except Refusal:
        return None  # what is wrong with it says whoever wants its GTIN; here it is no code
    return found.lot if found else None


codes.SCANNED.append(lot_in)
