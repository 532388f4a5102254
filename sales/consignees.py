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
from grow.models import OUTLETS, Movement, PlaceKind

from .models import Outlet

_TOWARDS = frozenset({PlaceKind.TRANSIT, PlaceKind.SOLD, PlaceKind.SERVED})
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
    had: dict[tuple[int, int], int] = defaultdict(int)
    back: dict[int, set[int]] = defaultdict(set)
    for lot in flows.lots.values():
        for place, quantity in lot.reached.items():
            outlet = _outlet(flows, place)
            if outlet is not None:
                had[lot.id, outlet] = max(had[lot.id, outlet], quantity)
                if place in lot.left:
                    back[lot.id].add(place)
    if not had:
        return {}
    for (lot_id, place), quantity in _taken_back(back).items():
        outlet = _outlet(flows, place)
        if outlet is not None:
            came = flows.lots[lot_id].reached[place] - quantity
            others = [
                q
                for p, q in flows.lots[lot_id].reached.items()
                if p != place and _outlet(flows, p) == outlet and p not in back[lot_id]
            ]
            had[lot_id, outlet] = max([came, *others])
    rows = Outlet.objects.filter(place__in={place for _, place in had}).select_related("place")
    outlets = {o.place_id: o for o in rows}
    found: dict[int, list[Consignee]] = defaultdict(list)
    for (lot_id, place), quantity in sorted(had.items()):
        if quantity <= 0:
            continue
        o = outlets.get(place)
        name = flows.places[place].name if place in flows.places else ""
        here = sum(h.quantity for h in flows.lots[lot_id].here if h.place.id == place)
        reach = {key: getattr(o, key) for key in _REACH} if o else {}
        found[lot_id].append(Consignee(o.place.name if o else name, place, quantity, here, **reach))
    return dict(found)


def _outlet(flows: Flows, place: int) -> int | None:
    spot = flows.places[place]
    if spot.kind in OUTLETS:
        return spot.id
    return spot.belongs_to if spot.kind in _TOWARDS else None


def _taken_back(back: dict[int, set[int]]) -> dict[tuple[int, int], int]:
    """What cancels took back out of a place: it never came there. Asked only for lots of which
    something went back the way it came."""
    if not back:
        return {}
    rows = (
        Movement.objects.filter(
            lot__in=back,
            from_place__in={p for places in back.values() for p in places},
            event__kind__in=(*CANCELLING, "cancel_because"),
        )
        .values_list("lot_id", "from_place_id")
        .annotate(q=Sum("quantity"))
    )
    return {(lot, place): quantity for lot, place, quantity in rows}


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
    ).exclude(event__corrections__kind__in=CANCELLING)
    out = []
    for lot, quantity, text in rows.values_list("lot_id", "quantity", "event__told"):
        name = json.loads(text or "{}").get("recipient") or "somebody who was not named"
        out.append((f"Donated to {name}", lot, quantity))
    return out
