"""Who had some of a lot, and how to reach them, in and out of hours."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Sum

from grow.flows import Flows
from grow.kinds import CANCELLING
from grow.lineage import each
from grow.models import OUTLETS, Movement, PlaceKind, alive

from .models import Outlet

_TOWARDS = frozenset({PlaceKind.TRANSIT, PlaceKind.SOLD, PlaceKind.SERVED})
#: As long as a notice keeps whom it is to.
_LONGEST = 100
_REACH = ("contact", "telephone", "out_of_hours", "address")


@dataclass(frozen=True, slots=True)
class Consignee:
    """Somebody who had, or is on the way to having, some of a lot: as much as came to them, in
    the lot's unit; here is what still stands with them."""

    outlet: str
    place: int | None
    quantity: int
    here: int = 0
    contact: str = ""
    telephone: str = ""
    out_of_hours: str = ""
    address: str = ""

    def reach(self) -> dict[str, str]:
        return {name: getattr(self, name) for name in _REACH}


@dataclass(slots=True)
class Told:
    """Somebody who must be told, and of what: (code, quantity, unit, still there)."""

    who: Consignee
    lots: list[tuple[str, int, str, int]] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        return {
            "outlet": self.who.outlet,
            **self.who.reach(),
            "lots": [
                {"code": code, "quantity": quantity, "unit": unit, "still_there": here}
                for code, quantity, unit, here in self.lots
            ],
        }


def of(flows: Flows) -> dict[int, list[Consignee]]:
    """Lot id → who had it."""
    whose = {p: outlet for p in flows.places if (outlet := _outlet(flows, p)) is not None}
    came: dict[tuple[int, int], int] = {}
    back: dict[int, set[int]] = defaultdict(set)
    for lot in flows.lots.values():
        for place in lot.reached.keys() & whose.keys():
            came[lot.id, place] = lot.reached[place]
            if place in lot.back:
                back[lot.id].add(place)
    for key, quantity in _taken_back(back).items():
        if key in came:
            came[key] -= quantity
    # what was on the way, on the shelf and over the till is the same goods three times
    had: dict[tuple[int, int], int] = {}
    for (lot_id, place), quantity in came.items():
        key = (lot_id, whose[place])
        had[key] = max(had.get(key, 0), quantity)
    if not had:
        return {}
    rows = each(
        {place for _, place in had},
        f"t.id, p.name, {', '.join(f'o.{name}' for name in _REACH)}",
        "sales_outlet o CROSS JOIN grow_place p WHERE o.place_id = t.id AND p.id = t.id",
    )
    outlets = {place: (name, dict(zip(_REACH, reach, strict=True))) for place, name, *reach in rows}
    found: dict[int, list[Consignee]] = defaultdict(list)
    for (lot_id, place), quantity in sorted(had.items()):
        if quantity <= 0:
            continue
        spot = flows.places.get(place)
        name, reach = outlets.get(place) or (spot.name if spot else "", {})
        here = sum(h.quantity for h in flows.lots[lot_id].here if h.place.id == place)
        found[lot_id].append(Consignee(name, place, quantity, here, **reach))
    return dict(found)


def _outlet(flows: Flows, place: int) -> int | None:
    spot = flows.places[place]
    if spot.kind in OUTLETS:
        return spot.id
    return spot.belongs_to if spot.kind in _TOWARDS else None


def _taken_back(back: dict[int, set[int]]) -> dict[tuple[int, int], int]:
    """What cancels took back out of a place, and what they put back into it: it never came there.
    Asked only for lots of which something went back the way it came."""
    if not back:
        return {}
    places = {p for found in back.values() for p in found}
    rows = Movement.objects.filter(lot__in=back, event__kind__in=(*CANCELLING, "cancel_because"))
    taken: dict[tuple[int, int], int] = defaultdict(int)
    for side in ("from_place_id", "to_place_id"):
        sums = rows.filter(**{f"{side}__in": places}).values_list("lot_id", side)
        for lot, place, quantity in sums.annotate(q=Sum("quantity")):
            taken[lot, place] += quantity
    return taken


def by_name(names: Iterable[str]) -> list[Consignee]:
    """How to reach whoever has these names, with nothing of any lot."""
    names = sorted(names)
    rows = Outlet.objects.filter(place__name__in=names).select_related("place") if names else []
    known = {str(outlet): outlet for outlet in rows}
    return [
        Consignee(name, outlet.place_id, 0, **{part: getattr(outlet, part) for part in _REACH})
        if (outlet := known.get(name))
        else Consignee(name, None, 0)
        for name in names
    ]


def must_be_told(flows: Flows, consignees: dict[int, list[Consignee]], ids: set[int]) -> list[Told]:
    """Everybody who had some of these lots, donations included, by name."""
    told: dict[str, Told] = {}
    for i in sorted(ids):
        lot = flows.lots[i]
        for who in consignees.get(i, ()):
            row = (lot.code, who.quantity, lot.unit, who.here)
            told.setdefault(who.outlet, Told(who)).lots.append(row)
    for name, i, quantity in _given(flows, ids):
        lot = flows.lots[i]
        who = Consignee(name, None, quantity)
        told.setdefault(name, Told(who)).lots.append((lot.code, quantity, lot.unit, 0))
    return [told[name] for name in sorted(told)]


def _given(flows: Flows, ids: Iterable[int]) -> list[tuple[str, int, int]]:
    """Donations: (recipient, lot id, quantity)."""
    donated = {p.id for p in flows.places.values() if p.kind == PlaceKind.DONATED}
    lots = [i for i in ids if donated & flows.lots[i].reached.keys()]
    if not lots:
        return []
    rows = Movement.objects.filter(
        lot__in=lots, to_place__in=donated, event__kind="discard"
    ).filter(alive("event"))
    out = []
    for lot, quantity, text in rows.values_list("lot_id", "quantity", "event__told"):
        name = json.loads(text or "{}").get("recipient") or "somebody who was not named"
        out.append((f"Donated to {name}"[:_LONGEST], lot, quantity))
    return out
