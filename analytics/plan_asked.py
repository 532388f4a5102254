"""What the space plan is asked: what was entered on its page, in place of the records."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from grow.asks import READ, Ask, Unread
from grow.errors import Refusal
from grow.models import Crop
from sales.models import Product

#: More towers than this are not tried: each is a plan of its own.
MOST_TOWERS = 30
_PAIR = re.compile(r"(.+?)[\s:=]+(\d{1,7}(?:\.\d{1,3})?)", re.ASCII)
NUMBERS = ("demand_pct", "shelf", "bench", "price", "life", "running", "more")


@dataclass(frozen=True)
class Entered:
    """demand, promised: line → grams a week, in every month; most: crop → per cent of all sites
    planted; price, running: in the currency's main unit. None: not entered."""

    demand_pct: Decimal = Decimal(100)
    demand: Mapping[str, float] = field(default_factory=dict)
    promised: Mapping[str, float] = field(default_factory=dict)
    orders: bool = True
    most: Mapping[int, float] = field(default_factory=dict)
    shelf: Decimal | None = None
    bench: Decimal | None = None
    price: Decimal | None = None
    life: Decimal | None = None
    running: Decimal | None = None
    more: int = 10


def entered(asked: Mapping[str, str]) -> Entered:
    """Raises Unread for what is no number, or names no product or crop."""
    read = {name: _number(name, asked.get(name, "")) for name in NUMBERS}
    more = read.pop("more")
    if asked.get("orders", "kept") not in ("kept", "left"):
        raise _unread("orders", "Standing orders are “kept” or “left”.")
    return Entered(
        **{name: value for name, value in read.items() if value is not None},
        demand=_goods("demand", asked.get("demand", "")),
        promised=_goods("promised", asked.get("promised", "")),
        orders=asked.get("orders", "kept") == "kept",
        most=_crops(asked.get("most", "")),
        more=10 if more is None else int(more),
    )


def _unread(name: str, says: str) -> Unread:
    return Unread({name: Refusal("no_choice", says)})


def _number(name: str, text: str) -> Decimal | None:
    if not text:
        return None
    ask = Ask(name, "decimal")
    try:
        number: Decimal = READ["decimal"](ask, text, False)
    except Refusal as refusal:
        raise Unread({name: refusal}) from refusal
    if number < 0 or (name == "life" and number == 0):
        raise _unread(name, f"{ask.label}: {text[:40]} is too little.")
    if name == "more" and not 1 <= number <= MOST_TOWERS:
        raise _unread(name, f"{number} more towers: one to {MOST_TOWERS} can be tried.")
    return number


def _pairs(name: str, text: str, example: str) -> list[tuple[str, float]]:
    """A comma parts two of them behind a number: “Lettuce, loose 2, SALAD-120 40”."""
    found = []
    for part in filter(None, (p.strip() for p in re.split(r"[;\n]|(?<=\d),", text))):
        pair = _PAIR.fullmatch(part)
        if pair is None:
            raise _unread(name, f"“{part[:60]}” is no name with a number behind it: {example}.")
        found.append((pair[1].strip(), float(pair[2])))
    return found


def _goods(name: str, text: str) -> dict[str, float]:
    """Packs a week of what is packed, kilograms of what is sold loose."""
    pairs = _pairs(name, text, "SALAD-120 40")
    if not pairs:
        return {}
    known: dict[str, Product] = {}
    for product in Product.objects.all():
        known |= {product.name.lower(): product, product.code.lower(): product}
    out: dict[str, float] = {}
    for called, number in pairs:
        if called.lower() not in known:
            raise _unread(name, f"No product is called “{called[:60]}”.")
        meant = known[called.lower()]
        if meant.line in out:
            raise _unread(name, f"{meant} is named twice; name it once, with all of it.")
        out[meant.line] = number * (meant.nominal_g or 1000)
    return out


def _crops(text: str) -> dict[int, float]:
    pairs = _pairs("most", text, "Basil 20")
    if not pairs:
        return {}
    known = {name.lower(): pk for pk, name in Crop.objects.values_list("pk", "name")}
    out: dict[int, float] = {}
    for called, pct in pairs:
        if called.lower() not in known:
            raise _unread("most", f"No crop is called “{called[:60]}”.")
        if pct > 100:
            raise _unread("most", f"{called}: {pct:g} % is more than all sites.")
        if known[called.lower()] in out:
            raise _unread("most", f"{called} is named twice; name it once.")
        out[known[called.lower()]] = pct
    return out


__all__ = ["MOST_TOWERS", "NUMBERS", "Entered", "entered"]
