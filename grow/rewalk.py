"""The recount of the books' own rows: every shelf walked again would post nothing.

A shelf that no count and no row of the books' own ever touched needs no walk here: that it was
never below nought, which another recount looks at, is all that a walk could find."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator

from django.db import connection

from . import clock
from .books import TILLS, Walk
from .kinds import DIFFERENCE, OWN, SHORTFALL
from .models import STRICT, Event, Lot, Place, Unnamed
from .shelf import WHOLE, chunks, counted_by_date

Pair = tuple[int, int]  # lot, place
MANY = 2000


def walked_again() -> Iterable[str]:
    """What a walk of every lot in a place, every line in a place and every till would post."""
    with clock.one_zone():
        return list(_everywhere())


def _everywhere() -> Iterator[str]:
    places = Place.objects.in_bulk()
    lines = set(Unnamed.objects.values_list("place_id", "line").distinct()) | counted_by_date()
    strict = {p for p, place in places.items() if place.is_standing}
    tills = {p for p, place in places.items() if place.kind in TILLS}
    pairs = [pair for pair in _with_own_rows() if pair[1] in strict]
    yield from _lots(pairs, places, without=lines)
    by_place: dict[int, set[str]] = defaultdict(set)
    for place, line in lines:
        by_place[place].add(line)
    for place in sorted(by_place):
        for line in sorted(by_place[place]):
            walk = Walk()
            walk.places[place] = places[place]
            walk.since(places[place], [line], None)
            yield from _says(walk, places)
    yield from _lots(_given_back(sorted(tills)), places)


def _lots(
    pairs: Iterable[Pair],
    places: dict[int, Place],
    without: Collection[tuple[int, str]] = (),
) -> Iterator[str]:
    by_lot: dict[int, list[int]] = defaultdict(list)
    for lot, place in pairs:
        by_lot[lot].append(place)
    for some in chunks(sorted(by_lot), MANY):
        lots = Lot.objects.filter(kind__in=STRICT).in_bulk(some)
        walk = Walk()
        walk.lots(
            {
                (pk, place): (lot, places[place])
                for pk, lot in lots.items()
                for place in by_lot[pk]
                if (place, lot.line) not in without
            }
        )
        yield from _says(walk, places)


def _says(walk: Walk, places: dict[int, Place]) -> Iterator[str]:
    for (kind, moment, _, lot, from_, to), change in walk.changes.items():
        if change:
            yield (
                f"{Lot.objects.get(pk=lot).code}: walked again, the books would post {change} more "
                f"from {places[from_]} to {places[to]} ({kind}) on "
                f"{clock.local(moment):%d %b %Y %H:%M}."
            )


def _rows(sql: str, params: list) -> set[Pair]:
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        return set(cursor.fetchall())


def _marks(values: Iterable) -> str:
    return ", ".join(["%s"] * len(list(values)))


def _with_own_rows() -> set[Pair]:
    """Lots in places where something was counted, or something is of the books' own, or the
    whole of the place was counted."""
    own = [SHORTFALL, DIFFERENCE]
    pairs = _rows("SELECT DISTINCT lot_id, place_id FROM grow_counted", [])
    for side in ("to_place_id", "from_place_id"):
        pairs |= _rows(
            f"SELECT DISTINCT m.lot_id, m.{side} FROM grow_event e "
            f"JOIN grow_movement m ON m.event_id = e.id WHERE e.kind IN ({_marks(own)})",
            own,
        )
    whole = Event.objects.filter(WHOLE, kind="count", place__isnull=False)
    counted = list(whole.values_list("place_id", flat=True).distinct())
    if counted:
        # of a line that a till sells it is walked as a line
        pairs |= _rows(
            "SELECT DISTINCT m.lot_id, m.to_place_id FROM grow_movement m "
            f"JOIN grow_lot l ON l.id = m.lot_id WHERE m.to_place_id IN ({_marks(counted)}) "
            "AND NOT EXISTS (SELECT 1 FROM grow_unnamed u "
            "WHERE u.place_id = m.to_place_id AND u.line = l.line)",
            counted,
        )
    return pairs


def _given_back(tills: list[int]) -> set[Pair]:
    """Lots that came back out of a till, and what the books drew for them there."""
    if not tills:
        return set()
    return _rows(
        "SELECT DISTINCT m.lot_id, m.from_place_id FROM grow_movement m "
        "JOIN grow_event e ON e.id = m.event_id "
        f"WHERE m.from_place_id IN ({_marks(tills)}) AND e.kind NOT IN ({_marks(OWN)})",
        [*tills, *OWN],
    ) | _rows(
        "SELECT DISTINCT m.lot_id, m.to_place_id FROM grow_movement m "
        "JOIN grow_event e ON e.id = m.event_id "
        f"WHERE m.to_place_id IN ({_marks(tills)}) AND e.kind = %s",
        [*tills, SHORTFALL],
    )
