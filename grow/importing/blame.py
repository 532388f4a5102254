"""Which bad rows are mistakes, and which fail only because another did.

A row fails because of another when

- it names what the other would have made (a lot by its `called`, a note, a place, a crop) and
  nothing else in it is wrong; or
- the books refuse it for the want of something (stock, plants, a free site, an open packet) that
  the other would have brought there before it. For a shortage the other must have brought
  enough: who asks for 500 bags where 40 stand is not excused by a row of 12 that failed.

All else is a mistake of its own. A row that is refused only when an earlier mistake is put right
shows then: what would be refused behind a name that is not known yet cannot be seen.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, field

from django.db import models

from .. import queries
from ..asks import READ, Ask
from ..codes import fold
from ..errors import Refusal
from ..models import OUTLETS, Holding, Lot, Place, PlantSite
from .entries import Entry, Name, pieces
from .sheets import Row
from .tables import own_text

#: Kinds that bring a lot to where a later entry takes it from. The apps above add theirs.
BRINGS = {
    *("opening_entry", "transplant", "move_plants", "move", "count", "correct_weight", "release"),
}
_PLANTS = frozenset({"opening_entry", "transplant", "move_plants"})
_CLEARS = frozenset({"clear", "lose_plants", "move_plants", "discard"})
#: What a refusal wants, as the kinds that would have brought it.
BECAUSE: dict[str, frozenset[str] | set[str]] = {
    "short": BRINGS,
    "short_then": BRINGS,
    "not_there": _PLANTS,
    "nothing_there": _PLANTS,
    "no_room": _CLEARS,
    "occupied": _CLEARS,
    "one_planting_at_a_time_on_a_site": _CLEARS,
    "not_fed": frozenset({"feed"}),
    "not_open": frozenset({"open_input"}),
    "not_held": frozenset({"hold"}),
    "held": frozenset({"release"}),
    "no_such_tag": frozenset({"print_tags"}),
}
_AMOUNTS = ("quantity", "plants", "accepted")


@dataclass(frozen=True)
class Slip:
    """One thing in a row that cannot be read. of: what the cell names, if it names rows; name:
    what it names that nobody knows."""

    row: Row
    column: str
    refusal: Refusal
    of: type[models.Model] | None = None
    name: Name | None = None


@dataclass(eq=False)
class Bad:
    """An entry that was refused. because: the mistakes that it waits for; none, and it is a
    mistake itself."""

    entry: Entry
    refusal: Refusal
    slips: Sequence[Slip] = ()
    because: list[Bad] = field(default_factory=list)

    @property
    def line(self) -> int:
        return (self.slips[0].row if self.slips else self.entry.rows[0]).line

    @property
    def sentence(self) -> str:
        return self.refusal.sentence

    @property
    def says_because(self) -> str:
        """“because of line 12 of harvest.csv”; empty for a mistake."""
        return ", ".join(f"because of line {b.line} of {b.entry.file}" for b in self.because)


def judge(bads: Sequence[Bad]) -> None:
    """Fill in `because` of each. Asks the books as they are after the play."""
    failed: dict[Name, Bad] = {}
    for bad in bads:
        for name in bad.entry.makes:
            failed.setdefault(name, bad)
    for bad in bads:  # what is its own stands first: that is the line to look at
        bad.slips = sorted(bad.slips, key=lambda slip: slip.name in failed)
    direct = {bad: _by_name(bad, failed) or _by_state(bad, bads, failed) for bad in bads}
    for bad in bads:
        bad.because = [root for root in _roots(bad, direct) if root is not bad]
        bad.because.sort(key=lambda b: b.entry.position)


def _roots(bad: Bad, direct: dict[Bad, list[Bad]]) -> list[Bad]:
    found: list[Bad] = []
    seen: set[Bad] = set()
    ask = [bad]
    while ask:
        one = ask.pop()
        if one in seen:
            continue
        seen.add(one)
        ask += direct[one]
        if not direct[one]:
            found.append(one)
    return found


def _by_name(bad: Bad, failed: dict[Name, Bad]) -> list[Bad]:
    causes = []
    for slip in bad.slips:
        maker = failed.get(slip.name) if slip.name else None
        if maker is None or maker is bad:
            return []
        causes.append(maker)
    return list(dict.fromkeys(causes))


# --- for want of something ------------------------------------------------------------------


def _by_state(bad: Bad, bads: Sequence[Bad], failed: Container[Name]) -> list[Bad]:
    kinds = BECAUSE.get(bad.refusal.code, ())
    if bad.slips or not kinds:
        return []
    wants = _Wants(bad, failed)
    found = [
        one
        for one in bads
        if one is not bad
        and one.entry.table.name in kinds
        and (one.entry.order < bad.entry.order or _doubtful(one))
        and wants.met_by(one)
    ]
    facts = bad.refusal.facts
    asked = facts.get("asked", 0)
    if wants.room:
        return found if asked <= wants.sites() else []
    brought = sum(wants.brought_by(one) for one in found)
    return found if facts.get("holds", 0) + brought >= asked else []


def _doubtful(bad: Bad) -> bool:
    """Its own date is what is wrong, so it may have been meant for any day."""
    dates = {"on", "at"}
    return bad.refusal.code == "moment" or any(slip.column in dates for slip in bad.slips)


class _Wants:
    """What a refused entry lacked: which lots, where."""

    def __init__(self, bad: Bad, failed: Container[Name]) -> None:
        self.failed = failed
        facts = bad.refusal.facts
        self.room = BECAUSE[bad.refusal.code] is _CLEARS
        self.lots = {fold(facts["lot"])} if "lot" in facts else _lots(bad.entry)
        self.places = {own_text(Place, facts["place"])} if "place" in facts else _places(bad.entry)
        #: on a shelf with a till, one lot stands in for another
        self.shelf = (
            "place" in facts
            and Place.objects.filter(name=facts["place"], kind__in=OUTLETS).exists()
        )

    def met_by(self, other: Bad) -> bool:
        # a name that nothing here has may have meant any; one that a bad row would have made, not
        unknown = [slip for slip in other.slips if slip.of and slip.name not in self.failed]
        lost = {Lot if slip.of is Lot else Place for slip in unknown}
        if self.room:  # only what still stands there takes the room
            return Lot in lost or bool(_standing(other.entry) & self.places)
        if not (_places(other.entry) & self.places or Place in lost):
            return False
        return self.shelf or not self.lots or Lot in lost or bool(_lots(other.entry) & self.lots)

    def sites(self) -> int:
        """How many sites the towers have that it names: no clearing makes more."""
        rows = PlantSite.objects.filter(out_of_use=False).values_list("tower__name", flat=True)
        return sum(own_text(Place, tower) in self.places for tower in rows)

    def brought_by(self, other: Bad) -> float:
        """How much at most, in the lot's unit; without end where it cannot be read."""
        total = 0.0
        for row in other.entry.rows:
            lot = row.cells.get("lot", row.cells.get("batch", ""))
            another = lot and queries.lots_called(lot) and not _codes([lot]) & self.lots
            if another and not self.shelf:
                continue
            told = next((row.cells[name] for name in _AMOUNTS if name in row.cells), None)
            try:
                total += READ["whole"](Ask("quantity", "whole"), told, False) if told else math.inf
            except Refusal:
                return math.inf
        return total


def _lots(entry: Entry) -> set[str]:
    return _codes(
        piece
        for _, _, column, text in entry.cells()
        if column and column.ask.model is Lot
        for piece in pieces(column.ask, text)
    )


def _codes(texts: Iterable[str]) -> set[str]:
    """Lots by their codes; what is not known stays as it is typed."""
    found: set[str] = set()
    for text in texts:
        lots = queries.lots_called(text)
        found |= {fold(lot.code) for lot in lots} or {fold(text)}
    return found


def _places(entry: Entry) -> set[str]:
    """Places (and whatever else is named that is no lot) that an entry names, but for those that
    it takes from."""
    found: set[str] = set()
    for _, name, column, text in entry.cells():
        model = column.ask.model if column else None
        if column is None or model in (None, Lot) or name == "from_place":
            continue
        for piece in pieces(column.ask, text):
            tower = piece.rpartition(" ")[0] if model is PlantSite else piece
            found.add(own_text(Place, tower))
    return found


def _standing(entry: Entry) -> set[str]:
    """Where the lots of an entry stand that names no place (“clear all of it”)."""
    lots = [lot for text in _lots(entry) for lot in queries.lots_called(text)]
    rows = Holding.objects.filter(lot__in=lots, quantity__gt=0, source=False)
    return {own_text(Place, name) for name in rows.values_list("place__name", flat=True)}
