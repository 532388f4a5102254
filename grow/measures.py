"""Weights as people type them, read once, at the edge. Inside there are whole grams only;
the net weights of single packs, which the law judges by tenths of a gram, are the one exception.

No thousands separators are read. A point or comma before one or two digits is a decimal mark;
before exactly three digits it is asked about ("1,500: 1.5 kg or 1500 g?"), except a point in a
kilogram field, in a scale's line and in the API, which is decimal. Never a float on the way.
"""

from __future__ import annotations

import re
from decimal import Decimal

from .errors import Refusal

_TYPED = re.compile(
    r"""\s*(?P<whole>[0-9]{1,9})(?:(?P<mark>[.,])(?P<part>[0-9]{1,9}))?\s*(?P<unit>kg|g)?\s*""",
    re.VERBOSE | re.IGNORECASE,
)
PER_UNIT = {"kg": 1000, "g": 1}


def grams(text: str, unit: str, *, exact: bool = False) -> int:
    """Whole grams in what was typed into a field of `unit` ("kg" or "g"); a typed unit wins.

    exact: the text comes from a scale or through the API, where a point is always decimal.
    grams("4.2", "kg") → 4200; grams("3,85 kg", "g") → 3850. Raises Refusal with the question, or
    when it is no weight or finer than a gram."""
    exactly, in_ = _read(text, unit, exact)
    if exactly != exactly.to_integral_value():
        raise Refusal(
            "finer_than_a_gram",
            f"{text.strip()} in {in_} is finer than a gram; weights are kept in whole grams.",
        )
    return int(exactly)


def fine_grams(text: str, unit: str, *, exact: bool = False) -> Decimal:
    """As `grams`, to the last digit typed. fine_grams("0.1234 kg", "g") → Decimal("123.4000")."""
    return _read(text, unit, exact)[0]


def _read(text: str, unit: str, exact: bool) -> tuple[Decimal, str]:
    """(grams, the unit they were told in)."""
    found = _TYPED.fullmatch(text)
    if not found:
        raise Refusal(
            "no_weight", f"“{text.strip()}” is not a weight; write it like 4.2 kg or 4200 g."
        )
    whole, mark, part = found["whole"], found["mark"], found["part"] or ""
    typed = (found["unit"] or "").lower()
    in_ = typed or unit
    plain_point = mark == "." and (exact or unit == "kg" or typed == "kg")
    if mark and len(part) == 3 and not plain_point:
        raise Refusal(
            "which_weight",
            f"{whole}{mark}{part}: {_kilograms(whole, part)} kg or {int(whole + part)} g? "
            "Write it with its unit and without a mark for thousands.",
            text=text.strip(),
        )
    return Decimal(f"{whole}.{part}" if part else whole) * PER_UNIT[in_], in_


def _kilograms(whole: str, part: str) -> Decimal:
    return Decimal(f"{whole}.{part}").normalize()
