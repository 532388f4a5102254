"""What is told at a shop's shelf and moves nothing: sold out, and sold cheaper."""

from __future__ import annotations

from typing import Annotated

from grow import clock
from grow.errors import Refusal
from grow.fitting import Goods, Number, of
from grow.ledger import Entry, operation
from grow.models import Flag, Hold, Movement, Place, PlaceKind
from grow.shelf import date_of
from sales.models import Product

Shop = Annotated[Place, of(PlaceKind.SHOP)]


@operation(says="sold out", slot=18, fact=True)
def sold_out(entry: Entry, *, place: Shop, product: Product) -> None:
    """From this moment on nobody who came for it found any: what was sold on that day is "at
    least" what was wanted. Moves nothing: what the books still hold there, a count settles."""
    if not Movement.objects.filter(lot__line=product.line, to_place=place).exists():
        raise Refusal(
            "never_there",
            f"{product} was never on the shelf of {place}; look at the till's code.",
            product=product.code,
        )


@operation(says="reduced", slot=17.5)
def mark_down(entry: Entry, *, place: Shop, lot: Goods, quantity: int, pence: Number) -> None:
    """So many of a lot (in its own unit) bear a lower price from now on. pence: for one pack or for
    a kilogram. Moves nothing; a till's row at these pence is known for what it is. What is held or
    past its date is off sale, at whatever price."""
    if quantity <= 0 or pence <= 0:
        raise Refusal("nought", f"{quantity} of {lot.code} at {pence} p: nothing is reduced.")
    day = clock.number_day(entry.event.day)
    date = date_of(lot, entry.event.placed_at)
    held = Hold.objects.filter(lot=lot, ended_by=None).first()
    why = f"held: {held.reason}" if held else ""
    if date and date < day:
        why = f"past its date, {date:%d %b %Y}"
    if why:
        entry.refuse_or(
            "off_sale", f"{lot.code} is {why}. It is off sale; take it off the shelf.", lot=lot.code
        )
        entry.flag(Flag.Kind.AGAINST_RULE, f"{lot.code} was reduced, and is {why}.", lot)
