"""Sales that name no lot: what of a lot was possibly sold, and what was sold of nobody knows
which lot."""

from __future__ import annotations

from collections import defaultdict

from grow import clock, possibly
from grow.flows import EATEN, Flows, Spot
from grow.kinds import WORKED_OUT
from grow.lineage import each
from grow.models import OUTLETS, Event, Holding, Lot, Place, PlaceKind, Unit
from grow.wording import amount

from .models import Outlet
from .naming import unit_of

TAKEN_BACK = (
    "SELECT 1 FROM grow_event x WHERE x.corrects_id = {event} AND x.kind IN ('cancel', 'undo')"
)


def possibly_sold(flows: Flows, ids: set[int]) -> dict[int, tuple[int, int]]:
    """Lot id → least and most sold, for lots that stood where a till sells."""
    wanted = [
        i
        for i in ids
        if flows.lots[i].kind in EATEN
        and any(
            flows.places[p].kind in OUTLETS or flows.places[p].kind == PlaceKind.SOLD
            for p in flows.lots[i].reached
        )
    ]
    return possibly.possibly_sold(list(Lot.objects.filter(pk__in=wanted))) if wanted else {}


def many(quantity: int, unit: str) -> str:
    return str(quantity) if unit == Unit.EACH else f"{quantity} {unit}"


def range_says(sold: tuple[int, int]) -> str:
    return str(sold[0]) if sold[0] == sold[1] else f"{sold[0]} to {sold[1]}"


def lot_unknown(flows: Flows, affected: set[int]) -> list[str]:
    """Till rows of a line that the books could lay on no lot, rung up while one of these lots
    of it stood there, as sentences."""
    shelf_of = {p.id: _shelf_of(p) for p in flows.places.values()}
    shelves: dict[tuple[int, str], set[int]] = defaultdict(set)
    for i in affected:
        lot = flows.lots[i]
        for place in lot.reached:
            if lot.line and shelf_of[place]:
                shelves[shelf_of[place], lot.line].add(i)
    if not shelves:
        return []
    days: dict[tuple[int, str], list[int]] = defaultdict(list)
    ids = {i for lots in shelves.values() for i in lots}
    for pk, a, b, day in each(
        ids,
        "m.lot_id, m.from_place_id, m.to_place_id, m.day",
        "grow_movement m WHERE m.lot_id = t.id",
    ):
        for place in {shelf_of[a], shelf_of[b]} - {0}:
            days[place, flows.lots[pk].line].append(day)
    for key, lots in shelves.items():
        if any(shelf_of[h.place.id] == key[0] for i in lots for h in flows.lots[i].here):
            days[key].append(clock.day_number(clock.local(clock.now()).date()))
    known = [day for every in days.values() for day in every]
    sells = Event.objects.filter(kind="sell", day__gte=min(known), day__lte=max(known))
    sells = sells.order_by("placed_at", "id")
    order = {pk: n for n, pk in enumerate(sells.values_list("pk", flat=True))}
    rows = each(
        order,
        "t.id, u.place_id, u.line, u.quantity, e.day",
        "grow_event e CROSS JOIN grow_unnamed u WHERE e.id = t.id AND u.event_id = t.id "
        f"AND NOT EXISTS ({TAKEN_BACK.format(event='t.id')})",
    )
    rows.sort(key=lambda row: order[row[0]])
    told: dict[tuple[int, int, str, int], int] = defaultdict(int)
    for event, place, line, quantity, day in rows:  # a line may stand there at two prices
        key = place, line
        if key in shelves and min(days[key]) <= day <= max(days[key]):
            told[event, place, line, day] += quantity
    if not told:
        return []
    worked: dict[tuple[int, str], int] = defaultdict(int)
    for event, line, kind, quantity in each(
        {row[0] for row in told},
        "t.id, l.line, p.kind, m.quantity",
        "grow_event w CROSS JOIN grow_movement m CROSS JOIN grow_lot l CROSS JOIN grow_place p "
        "WHERE w.corrects_id = t.id AND w.kind = %s AND m.event_id = w.id AND l.id = m.lot_id "
        "AND p.id = m.to_place_id",
        [WORKED_OUT],
    ):
        worked[event, line] += quantity if kind == PlaceKind.SOLD else -quantity
    waiting: dict[tuple[int, str], tuple[int, int, int]] = {}
    for (event, place, line, day), quantity in told.items():
        rest = quantity - worked[event, line]
        if rest > 0:
            n, first, _ = waiting.get((place, line), (0, day, day))
            waiting[place, line] = n + rest, first, day
    out = []
    for (place, line), (n, first, last) in sorted(waiting.items()):
        span = _day(first) if first == last else f"{_day(first)} to {_day(last)}"
        shop = Place.objects.get(pk=place)
        much = amount(n, unit_of(line))
        way = _on_the_way(place, line)
        out.append(f"{much} of {line} sold in {shop}, lot unknown, {span}.{way}")
    return out


def _shelf_of(place: Spot) -> int:
    """The outlet whose shelf a place is, or is on the way to; 0 for none. What is on the way may
    be what was sold: the receipt is told later than the till."""
    if place.kind in OUTLETS:
        return place.id
    return place.belongs_to or 0 if place.kind == PlaceKind.TRANSIT else 0


def _on_the_way(place: int, line: str) -> str:
    lots = Holding.objects.filter(
        place__in=list(Place.objects.filter(belongs_to=place, kind=PlaceKind.TRANSIT)),
        quantity__gt=0,
    )
    rows = each(
        lots.values_list("lot_id", flat=True),
        "n.id, d.number, n.to_follow, d.outlet_id",
        "grow_lot l CROSS JOIN sales_noteline n CROSS JOIN sales_deliverynote d "
        "WHERE l.id = t.id AND l.line = %s AND n.lot_id = t.id AND n.to_follow > 0 "
        "AND d.id = n.note_id",
        [line],
    )
    outlets = set(Outlet.objects.filter(place=place).values_list("pk", flat=True))
    ours = [(number, n) for _, number, n, outlet in sorted(rows) if outlet in outlets]
    return "".join(
        f" {amount(n, unit_of(line))} are on the way on note {number}." for number, n in ours
    )


def _day(number: int) -> str:
    return f"{clock.number_day(number):%d %b %Y}"
