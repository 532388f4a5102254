"""What reached an outlet's customers without a penny in the books: of what had no price when it
was posted, and of what a till sold nobody knows which lot of. No statement and no sum has it."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass
from enum import StrEnum

from django.db.models import Q

from grow import clock
from grow.kinds import TAKING_BACK
from grow.models import Movement, PlaceKind, Unnamed, alive

from .models import Outlet
from .naming import line_names, unit_of
from .papers import behind
from .pricing import EATERS, hands
from .shop_shelf import not_laid


class Missing(StrEnum):
    PRICE = "price"
    LOT = "lot"


@dataclass(frozen=True)
class Unstated:
    """So much of one line on one day, in whole units, less than nought where more came back; unit:
    g or each. missing: its price, or its lot. entry: the act that told it."""

    day: dt.date
    outlet: str
    paper: str
    what: str
    quantity: int
    unit: str
    missing: Missing
    entry: int


def unstated(first: dt.date, last: dt.date, outlet: Outlet | None = None) -> list[Unstated]:
    """Between two days, both inclusive, at an outlet or at all, as known today: what a price list
    or a count told later has put right is not in it. Few queries, however many rows."""
    outlets = [outlet] if outlet else list(Outlet.objects.select_related("place"))
    named = {one.place_id: str(one) for one in outlets}
    days = clock.day_number(first), clock.day_number(last)
    sums = _without_a_price(days, named) | _without_a_lot(days, named)
    names = line_names({line for _, line, *_ in sums})
    acts = behind({entry for *_, entry in sums})
    net: dict[tuple, int] = defaultdict(int)
    for (place, line, unit, missing, entry), quantity in sums.items():
        act = acts[entry]
        what = names.get(line, line)
        net[act.day, named[place], act.paper, what, unit, missing, act.act] += quantity
    return [
        Unstated(clock.number_day(day), whose, paper, what, quantity, unit, missing, act)
        for (day, whose, paper, what, unit, missing, act), quantity in sorted(net.items())
        if quantity  # what was taken back never was
    ]


#: place of the outlet, line or title, unit, what is missing, entry
Key = tuple[int, str, str, Missing, int]


def _without_a_price(days: tuple[int, int], named: dict[int, str]) -> dict[Key, int]:
    sold, eaters = Q(), Q()
    for side in ("from_place", "to_place"):
        sold |= Q(**{f"{side}__kind": PlaceKind.SOLD, f"{side}__belongs_to__in": named})
        eaters |= Q(**{f"{side}__kind__in": EATERS, f"{side}__in": named})
    rows = Movement.objects.filter(sold | eaters, day__range=days, money=None).select_related(
        "lot", "event__corrects", *(f"{s}__belongs_to" for s in ("from_place", "to_place"))
    )
    sums: dict[Key, int] = defaultdict(int)
    for m in rows:
        kind, ends, sign = m.event.kind, (m.from_place, m.to_place), 1
        if kind in TAKING_BACK and m.event.corrects:  # the act over again, the other way round
            kind, ends, sign = m.event.corrects.kind, (m.to_place, m.from_place), -1
        into, place = hands(*ends, kind)
        if into and place and place.pk in named:
            line = m.lot.line or m.lot.title
            key = (place.pk, line, m.lot.unit, Missing.PRICE, m.event_id)
            sums[key] += sign * into * m.quantity
    return sums


def _without_a_lot(days: tuple[int, int], named: dict[int, str]) -> dict[Key, int]:
    rows = Unnamed.objects.filter(alive("event"), place__in=named, event__day__range=days)
    return {
        (place, line, unit_of(line), Missing.LOT, event): quantity
        for (event, place, line), quantity in not_laid(rows).items()
    }
