"""Element strings: AIs and values in a row, as GS1-128, DataBar, GS1 DataMatrix and GS1 QR hold
them, and with AIs in brackets, as people read them below the symbol."""

from __future__ import annotations

import re
from collections.abc import Iterator

from grow.errors import Refusal

from .identifiers import IDENTIFIERS, Elements, elements, identifier

#: What ends an element of no predefined length: FNC1 in the symbol, this when it is read.
GS = "\x1d"
#: What scanners are set to type instead, as a keyboard has no such key and many a browser drops it
#: (common practice, no source). None of it is of character set 82, so none can be data.
_STAND_INS = re.compile(r"\{GS\}|[\^|~␝]")


def raw(given: Elements, *, shortest: bool = False) -> str:
    """As a symbol holds it, without what stands before the first AI; separators are GS.

    shortest: those of predefined length first, which saves a separator."""
    order = sorted(given, key=lambda ai: not IDENTIFIERS[ai].predefined) if shortest else [*given]
    ended = [ai + given[ai] + GS * (not IDENTIFIERS[ai].predefined) for ai in order]
    return "".join(ended).removesuffix(GS)


def parse_raw(text: str, *, whole: bool = True) -> Elements:
    """What `raw` gives, or a scanner. Raises Refusal where it is none, or says what cannot be.

    whole: see `elements`."""
    return elements(_cut(_STAND_INS.sub(GS, text).removeprefix(GS)), whole=whole)


def _cut(rest: str) -> Iterator[tuple[str, str]]:
    while rest:
        ai = next((rest[:n] for n in (2, 3, 4) if rest[:n] in IDENTIFIERS), None)
        if ai is None:
            raise Refusal("gs1_no_such_ai", f"“{rest}” begins with no application identifier.")
        rest = rest.removeprefix(ai)
        if length := identifier(ai).predefined:
            value, rest = rest[:length], rest[length:].removeprefix(GS)
        else:
            value, _, rest = rest.partition(GS)
        yield ai, value


_BRACKET = re.compile(r"(?<!\\)\(([0-9]{2,4})\)")


def bracketed(given: Elements) -> str:
    """(01)09521234543213(10)A1. A bracket within a value is written as \\(, to tell it from an
    AI's; a backslash can be no data."""
    return "".join(f"({ai})" + value.replace("(", r"\(") for ai, value in given.items())


def parse_bracketed(text: str, *, whole: bool = True) -> Elements:
    """What `bracketed` gives, or a person types; spaces round an AI do not count. Raises Refusal
    where it is none, or says what cannot be.

    whole: see `elements`."""
    before, *parts = _BRACKET.split(text)
    if before.strip(" ") or not parts:
        raise Refusal(
            "gs1_no_such_ai", f"“{text}” begins with no application identifier in brackets."
        )
    values = [value.strip(" ").replace(r"\(", "(") for value in parts[1::2]]
    return elements(zip(parts[::2], values, strict=True), whole=whole)
