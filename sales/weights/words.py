"""Numbers as they come in, and as a sentence shows them."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

#: (one, several) of what is weighed, as a sentence calls them where nothing else is told.
BAGS = ("bag", "bags")


def exactly(x: Decimal | int) -> Decimal:
    """The same number as a Decimal; a float is a TypeError."""
    return Decimal() + x


def plainly(x: Decimal | int) -> str:
    """All digits, and no nought that says nothing: 120.00 → 120."""
    text = f"{Decimal(x):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def tenths(x: Decimal) -> str:
    """All digits, and one place at least: 51 → 51.0."""
    text = plainly(x)
    return text if "." in text else f"{text}.0"


def beside(x: Decimal, line: Decimal) -> tuple[str, str]:
    """Two numbers to the tenth, or finer where rounding would hide which of them is greater. A
    line that is whole is shown whole."""
    places = 1
    while places < 12 and x != line and _to(x, places) == _to(line, places):
        places += 1
    whole = line == line.to_integral_value()
    return _to(x, places), plainly(line) if whole else _to(line, places)


def _to(x: Decimal, places: int) -> str:
    return str(x.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP))
