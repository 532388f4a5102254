"""One pass over what moved: where every gram, pack or cell of some lots is, how that is known,
and whether it adds up.

Lots are immutable, so their facts may be asked apart; what moved and how the lots are joined
must agree with each other, so both come from one statement.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from django.db import connection

from . import lineage
from .models import ENDS, SOURCES, Basis, LotKind, PlaceKind, Unit

#: What an end was reached by when nobody weighed, counted or scanned it.
SOFT = frozenset({Basis.ESTIMATED, Basis.SHARED_OUT, Basis.REMAINDER, Basis.WORKED_OUT})
#: From the weakest knowledge to the strongest.
WEAKEST_FIRST = (
    Basis.WORKED_OUT,
    Basis.ESTIMATED,
    Basis.REMAINDER,
    Basis.SHARED_OUT,
    Basis.WEIGHED,
    Basis.COUNTED,
    Basis.SCANNED,
)
#: What is eaten, and so can be added up in grams.
EATEN = frozenset({LotKind.HARVEST, LotKind.PRODUCE, LotKind.PACK})

# "OR t.id IS NULL": see grow.lineage.
FACTS = """
SELECT l.id, l.code, l.kind, l.title, l.unit, l.grams_each, l.line, l.use_by, l.made_by_id,
       b.kind, b.day,
       EXISTS (SELECT 1 FROM grow_event c
               WHERE c.corrects_id = l.made_by_id AND c.kind IN ('cancel', 'undo'))
FROM ({ids}) t CROSS JOIN grow_lot l CROSS JOIN grow_event b
WHERE l.id = t.id AND b.id = l.made_by_id
"""
FLOWS = """
WITH t AS ({ids})
SELECT t.id, m.from_place_id, m.to_place_id, m.basis, CAST(SUM(m.quantity) AS bigint),
       CAST(NULL AS bigint), CAST(NULL AS bigint)
FROM t CROSS JOIN grow_movement m
WHERE m.lot_id = t.id
GROUP BY t.id, m.from_place_id, m.to_place_id, m.basis
UNION ALL
SELECT e.child_id, e.parent_id, NULL, e.kind, e.quantity, e.struck_by_id, e.id
FROM t CROSS JOIN grow_lineage e
WHERE e.child_id = t.id AND (e.cleared_by_id IS NULL OR t.id IS NULL)
"""
LOOKED = """
SELECT c.lot_id, c.place_id, e.placed_at
FROM ({ids}) t CROSS JOIN grow_counted c CROSS JOIN grow_event e
WHERE c.lot_id = t.id AND e.id = c.event_id AND NOT EXISTS (
    SELECT 1 FROM grow_event x WHERE x.corrects_id = e.id AND x.kind IN ('cancel', 'undo'))
"""
MOVED = """
SELECT m.lot_id, m.from_place_id, m.to_place_id, m.basis, e.placed_at
FROM ({ids}) t CROSS JOIN grow_movement m CROSS JOIN grow_event e
WHERE m.lot_id = t.id AND e.id = m.event_id
"""
PLACES = """
SELECT p.id, p.name, p.kind, p.belongs_to_id
FROM ({ids}) t CROSS JOIN grow_place p WHERE p.id = t.id
"""


class Spot(NamedTuple):
    """A place, as a reading needs it."""

    id: int
    name: str
    kind: str
    belongs_to: int | None


class Here(NamedTuple):
    """So much of a lot is in a place; basis is how that was known."""

    place: Spot
    quantity: int
    basis: str


@dataclass(slots=True)
class Edge:
    """How two lots are joined, corrections added up. struck: a corrected origin that the
    food-safety lead has not cleared yet."""

    parent: int
    child: int
    kind: str
    quantity: int | None
    struck: bool


@dataclass(slots=True)
class Balance:
    """made and unexplained in one unit; soft is what reached an end, net, by a movement that
    was estimated, shared out, a remainder or worked out."""

    unit: str
    made: int = 0
    unexplained: int = 0
    soft: int = 0

    @property
    def percent(self) -> float | None:
        """Accounted for: (made − unexplained) ÷ made, in per cent; None when nothing was made."""
        return round(100 * (self.made - self.unexplained) / self.made, 2) if self.made else None

    @property
    def percent_by_evidence(self) -> float | None:
        """(made − |unexplained| − soft ends) ÷ made, in per cent."""
        if not self.made:
            return None
        return round(100 * (self.made - abs(self.unexplained) - self.soft) / self.made, 2)

    def as_json(self) -> dict[str, Any]:
        return {
            "made": self.made,
            "unexplained": self.unexplained,
            "soft": self.soft,
            "unit": self.unit,
            "percent": self.percent,
            "percent_by_evidence": self.percent_by_evidence,
        }


@dataclass(slots=True)
class LotFlows:
    """One lot: its facts, where it is, and its balance in its own unit."""

    id: int
    code: str
    kind: str
    title: str
    unit: str
    grams_each: int | None
    line: str
    use_by: Any
    made_by: int
    made_as: str
    day: int
    cancelled: bool
    balance: Balance
    here: list[Here] = field(default_factory=list)
    reached: dict[int, int] = field(default_factory=dict)  # place → all that ever came in
    back: set[int] = field(default_factory=set)  # places that some of it left as it had come
    packed: int = 0
    soft_used: int = 0

    @property
    def grams(self) -> int:
        """Grams in one unit of the lot."""
        return self.grams_each or 1


@dataclass(slots=True)
class Flows:
    lots: dict[int, LotFlows]
    edges: list[Edge]
    places: dict[int, Spot]

    def together(self, ids: Iterable[int]) -> Balance:
        """The balance of a set in grams, cuts, bought produce and packs alone: what entered it
        from outside counts once, whatever it became inside."""
        inside = {i for i in ids if i in self.lots and self.lots[i].kind in EATEN}
        total = Balance(Unit.G)
        into: dict[int, int] = defaultdict(int)
        out_of: dict[int, int] = defaultdict(int)
        for e in self.edges:
            if e.kind == "went_in" and not e.struck and e.child in inside and e.parent in inside:
                grams = (e.quantity or 0) * self.lots[e.parent].grams
                into[e.child] += grams
                out_of[e.parent] += grams
        for i in inside:
            lot = self.lots[i]
            b = lot.balance
            # what was packed from lots of the set did not enter it here
            total.made += (b.made - lot.packed) * lot.grams
            total.made += max(0, lot.packed * lot.grams - into[i])
            total.unexplained += b.unexplained * lot.grams
            # what became another lot of the set has reached no end
            soft_inside = min(lot.soft_used * lot.grams, out_of[i])
            total.soft += b.soft * lot.grams - max(0, soft_inside)
        return total


def read(ids: Iterable[int]) -> Flows:
    """Everything that is known of where these lots are. Three statements, each a search by key
    for each lot; one more where a shelf was looked at since a guess."""
    wanted = lineage.ids_value(sorted(set(ids)))
    one = lineage.ids_sql()
    with connection.cursor() as cursor:
        cursor.execute(FACTS.format(ids=one), [wanted])
        lots = {
            row[0]: LotFlows(*row[:12], Balance(row[4]))  # type: ignore[call-arg]  # in this order
            for row in cursor.fetchall()
        }
        cursor.execute(FLOWS.format(ids=one), [wanted])
        rows = cursor.fetchall()
        # an edge has an id in the last column, a sum of movements has none
        moved = [row for row in rows if row[6] is None]
        spots = {row[1] for row in moved} | {row[2] for row in moved}
        cursor.execute(PLACES.format(ids=one), [lineage.ids_value(sorted(spots))])
        places = {row[0]: Spot(*row) for row in cursor.fetchall()}
    _add_up(lots, moved, places)
    return Flows(lots, _joined(rows), places)


def _joined(rows: Iterable[tuple]) -> list[Edge]:
    joined: dict[tuple[int, int, str], Edge] = {}
    for child, parent, _, kind, quantity, struck, edge in rows:
        if edge is None:
            continue
        key = (parent, child, kind)
        same = joined.get(key)
        if same is None:
            joined[key] = Edge(parent, child, kind, quantity, struck is not None)
        elif same.struck and struck is None:
            # the edge that stands says how; the struck one said the same before
            same.struck, same.quantity = False, quantity
        elif (struck is None) == (not same.struck) and quantity is not None:
            same.quantity = (same.quantity or 0) + quantity
    return list(joined.values())


# What a place is to a balance.
_STANDING, _END, _USED, _SOURCE, _PACKING, _DIFFERENCE = range(6)
_ROLES: dict[str, int] = {
    **{str(kind.value): _END for kind in ENDS},
    **{str(kind.value): _SOURCE for kind in SOURCES},
    PlaceKind.USED.value: _USED,
    PlaceKind.PACKING.value: _PACKING,
    PlaceKind.COUNT_DIFFERENCE.value: _DIFFERENCE,
}
_RANK = {str(basis.value): n for n, basis in enumerate(WEAKEST_FIRST)}
_SOFT = frozenset(str(basis.value) for basis in SOFT)
_COUNTED = str(Basis.COUNTED.value)


def _add_up(lots: dict[int, LotFlows], moved: list[tuple], places: dict[int, Spot]) -> None:
    role = {p.id: _ROLES.get(p.kind, _STANDING) for p in places.values()}
    cells: dict[tuple[int, int], dict[str, int]] = {}
    ways: set[tuple[int, int, int]] = set()
    for lot_id, a, b, basis, quantity, _, _ in moved:
        lot = lots[lot_id]
        for place, signed in ((a, -quantity), (b, quantity)):
            what = role[place]
            if what in (_SOURCE, _PACKING):
                lot.balance.made -= signed
                if what == _PACKING:
                    lot.packed -= signed
                continue
            cell = cells.get((lot_id, place))
            if cell is None:
                cells[lot_id, place] = {basis: signed}
            else:
                cell[basis] = cell.get(basis, 0) + signed
            if what == _DIFFERENCE:
                lot.balance.unexplained += signed
            elif what and basis in _SOFT:
                lot.balance.soft += signed
                if what == _USED:
                    lot.soft_used += signed
        lot.reached[b] = lot.reached.get(b, 0) + quantity
        ways.add((lot_id, a, b))
        if (lot_id, b, a) in ways:
            lot.back |= {a, b}
    guessed: list[tuple[int, int]] = []
    for (lot_id, place), cell in cells.items():
        what, here = role[place], lots[lot_id].here
        if what in (_END, _USED):
            here += [Here(places[place], q, basis) for basis, q in _net(cell)]
        elif quantity := sum(cell.values()):
            basis = min(cell, key=_RANK.__getitem__) if what == _STANDING else _COUNTED
            if what == _STANDING and basis in _SOFT:
                guessed.append((lot_id, place))
            here.append(Here(places[place], quantity, basis))
    if guessed:
        _looked_since(lots, guessed)


def _net(cell: dict[str, int]) -> list[tuple[str, int]]:
    """What lies in an end, by how it was known. What came back out is taken from the weakest."""
    if len(cell) == 1:
        return [row for row in cell.items() if row[1] > 0]
    back = -sum(q for q in cell.values() if q < 0)
    out: list[tuple[str, int]] = []
    for basis in sorted(cell, key=_RANK.__getitem__):
        q = cell[basis]
        if q > 0:
            gone = min(q, back)
            back -= gone
            if q > gone:
                out.append((basis, q - gone))
    return out


def _looked_since(lots: dict[int, LotFlows], guessed: list[tuple[int, int]]) -> None:
    """A figure that rests on guesses is evidence again once somebody looked, until the next
    guess."""
    wanted = set(guessed)
    looked: dict[tuple[int, int], Any] = {}
    weakest: dict[tuple[int, int], str] = {}
    ids = lineage.ids_sql()
    with connection.cursor() as cursor:
        cursor.execute(LOOKED.format(ids=ids), [lineage.ids_value({lot for lot, _ in guessed})])
        for lot, place, moment in cursor.fetchall():
            if (lot, place) in wanted:
                looked[lot, place] = max(moment, looked.get((lot, place), moment))
        if not looked:
            return
        cursor.execute(MOVED.format(ids=ids), [lineage.ids_value({lot for lot, _ in looked})])
        for lot, a, b, basis, moment in cursor.fetchall():
            for key in ((lot, a), (lot, b)):
                if key in looked and moment > looked[key]:
                    now = weakest.get(key, basis)
                    weakest[key] = min(now, basis, key=_RANK.__getitem__)
    for lot, place in looked:
        seen = str((Basis.WEIGHED if lots[lot].unit == Unit.G else Basis.COUNTED).value)
        known = weakest.get((lot, place), seen)
        lots[lot].here = [
            Here(h.place, h.quantity, known) if h.place.id == place else h for h in lots[lot].here
        ]


__all__ = ["EATEN", "SOFT", "Balance", "Edge", "Flows", "Here", "LotFlows", "Spot", "read"]
