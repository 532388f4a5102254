"""What happened to some lots, or on some days, entry by entry: each with its corrections, all that
it moved, net of them, and all that it made, held or joined to others. Whoever tells of the books to
others (EPCIS, the evidence pack) reads them here; read only.

An entry that was taken back is there as it was before. What the books worked out for themselves (a
till row's lots, a count's difference) comes by day, net of what was worked out anew.

Entries are read some hundreds at a time, each time with as many queries as for one.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from django.db.models import Max, Min, Sum

from grow import clock, flows
from grow.kinds import CANCELLING, OWN, TAKING_BACK
from grow.models import Description, Event, Hold, Lot, LotKind, Movement, Place
from grow.sums import FIXES

from .models import DeliveryNote, RecallLot

#: Lots that are made of others, or by growing.
MADE_LOTS = frozenset(
    {LotKind.BATCH, LotKind.HARVEST, LotKind.PACK, LotKind.WATER, LotKind.TREATMENT}
)
#: So many entries, and so many ids in one question.
MANY = 400
_NOT_ROOTS = frozenset({*FIXES, *OWN})


@dataclass
class Family:
    """An entry with its corrections. ids: all of them; against: those that take back; fixes: the
    corrections themselves, in the order in which they were told."""

    root: Event
    ids: set[int] = field(default_factory=set)
    against: set[int] = field(default_factory=set)
    fixes: list[Event] = field(default_factory=list)
    cancelled_at: dt.datetime | None = None


class Moved(NamedTuple):
    """So much of a lot (ids) from one place to another, in the lot's unit, and how that was
    known."""

    lot: int
    from_place: int
    to_place: int
    quantity: int
    bases: tuple[str, ...]


@dataclass
class Act:
    """One entry and all that it came to. edges: of what it made, child → how it is joined to its
    parents; note: the number of the note that it wrote; stopped: (set or unset, what) → lots."""

    family: Family
    moves: list[Moved]
    born: list[Lot]
    edges: Mapping[int, list[flows.Edge]]
    note: str
    stopped: Mapping[tuple[str, str], set[int]]


class Own(NamedTuple):
    """What the books worked out on a day, and from when to when: happened is the first moment of
    it, recorded the last. one, other: its two places in the order of their ids."""

    kind: str
    day: int
    moved: Moved
    happened: dt.datetime
    recorded: dt.datetime
    one: int
    other: int


class History:
    """The history of some lots (ids), or of all that happened on the days from first to last. What
    was met on the way is in `lots` and `supplier_lots`, the latter by the first name that each lot
    was given."""

    def __init__(
        self,
        lots: Collection[int] | None = None,
        first: dt.date | None = None,
        last: dt.date | None = None,
    ) -> None:
        self.scope = None if lots is None else frozenset(lots)
        self.days = (
            clock.day_number(first or dt.date.min),
            clock.day_number(last or dt.date(9999, 12, 31)),
        )
        self.places: dict[int, Place] = Place.objects.in_bulk()
        self.lots: dict[int, Lot] = {}
        self.supplier_lots: dict[int, str] = {}

    def acts(self) -> Iterator[Act]:
        """Every entry, in the order in which it happened."""
        for some in pieces(self._roots()):
            yield from self._some(some)

    def own(self) -> Iterator[Own]:
        """What the books worked out, by day."""
        net: dict[tuple, int] = defaultdict(int)
        bases: dict[tuple, set[str]] = defaultdict(set)
        when: dict[tuple, tuple[dt.datetime, dt.datetime]] = {}
        for part in self._own_rows():
            summed = part.values(
                "event__kind", "lot", "from_place", "to_place", "day", "basis"
            ).annotate(
                quantity=Sum("quantity"),
                happened=Min("event__happened_at"),
                recorded=Max("event__recorded_at"),
            )  # fmt: skip
            for row in summed:
                a, b = row["from_place"], row["to_place"]
                key = (row["event__kind"], row["day"], row["lot"], min(a, b), max(a, b))
                net[key] += row["quantity"] if a < b else -row["quantity"]
                bases[key].add(row["basis"])
                known = when.get(key, (row["happened"], row["recorded"]))
                when[key] = min(known[0], row["happened"]), max(known[1], row["recorded"])
        self.know({key[2] for key in net})
        for key in sorted(net, key=lambda key: (key[1], when[key][0], key)):
            kind, day, lot, a, b = key
            if net[key]:
                yield Own(kind, day, _moved(lot, a, b, net[key], bases[key]), *when[key], a, b)

    def _own_rows(self) -> Iterator[Any]:
        rows = Movement.objects.filter(event__kind__in=OWN)
        if self.scope is None:
            yield rows.filter(day__gte=self.days[0], day__lte=self.days[1])
        else:
            for some in pieces(sorted(self.scope)):
                yield rows.filter(lot__in=some)

    # which entries

    def _roots(self) -> list[int]:
        rows = Event.objects.exclude(kind__in=_NOT_ROOTS)
        if self.scope is None:
            rows = rows.filter(day__gte=self.days[0], day__lte=self.days[1])
            return list(rows.order_by("placed_at", "pk").values_list("pk", flat=True))
        found: set[int] = set()
        for some in pieces(sorted(self.scope)):
            found |= set(Lot.objects.filter(pk__in=some).values_list("made_by", flat=True))
            found |= set(Movement.objects.filter(lot__in=some).values_list("event", flat=True))
            held = Hold.objects.filter(lot__in=some).values_list("began_by", "ended_by")
            joined = RecallLot.objects.filter(lot__in=some).values_list("joined_by", "narrowed_by")
            found |= {pk for pair in (*held, *joined) for pk in pair if pk}
        placed: dict[int, dt.datetime] = {}
        fixed = Event.objects.filter(kind__in=FIXES, corrects__isnull=False)
        for _ in range(3):  # what a lot knows only by a correction stands with what was corrected
            roots: set[int] = set()
            for some in pieces(sorted(found)):
                placed |= dict(rows.filter(pk__in=some).values_list("pk", "placed_at"))
                roots |= {pk for (pk,) in fixed.filter(pk__in=some).values_list("corrects") if pk}
            found = roots - placed.keys()
        return sorted(placed, key=lambda pk: (placed[pk], pk))

    def _some(self, ids: list[int]) -> Iterator[Act]:
        families = self._families(ids)
        of = {pk: family for family in families for pk in family.ids | family.against}
        rows: dict[int, list[Movement]] = defaultdict(list)
        for some in pieces(sorted(of)):
            for m in self._in_scope(Movement.objects.filter(event__in=some)).order_by("pk"):
                rows[of[m.event_id].root.pk].append(m)
        made: dict[int, list[Lot]] = defaultdict(list)
        lots = Lot.objects.filter(made_by__in=ids)
        lots = lots if self.scope is None else lots.filter(pk__in=[*self._within(lots)])
        for lot in lots.order_by("pk"):
            made[lot.made_by_id].append(lot)
        born = [lot for lots in made.values() for lot in lots]
        edges = self._edges(born)
        self.know({m.lot_id for found in rows.values() for m in found} | {lot.pk for lot in born})
        self.know({e.parent for found in edges.values() for e in found})
        self._read_supplier_lots([lot.pk for lot in born])
        notes = dict(DeliveryNote.objects.filter(event__in=ids).values_list("event", "number"))
        stopped = self._stopped({pk: family.root.pk for pk, family in of.items()})
        for family in families:
            pk = family.root.pk
            moves = list(_net(family, rows[pk]))
            yield Act(family, moves, made[pk], edges, notes.get(pk, ""), stopped[pk])

    def _within(self, rows: Any) -> Iterator[int]:
        assert self.scope is not None
        return (pk for pk in rows.values_list("pk", flat=True) if pk in self.scope)

    def _in_scope(self, rows: Any) -> Any:
        """Movements of the lots asked for: what else stood on a note is another's business."""
        if self.scope is None:
            return rows
        return rows.filter(lot__in=self.scope) if len(self.scope) < MANY else rows.filter(
            pk__in=[pk for pk, lot in rows.values_list("pk", "lot") if lot in self.scope]
        )  # fmt: skip

    def _families(self, ids: list[int]) -> list[Family]:
        families = {
            e.pk: Family(e, {e.pk}) for e in Event.objects.filter(pk__in=ids).order_by("pk")
        }
        of = dict(families)
        fixes = Event.objects.filter(kind__in=FIXES)
        for _ in range(3):  # a correction of a correction, and that taken back
            found = fixes.filter(corrects__in=list(of)).exclude(pk__in=list(of)).order_by("pk")
            new = [(e, of[e.corrects_id]) for e in found if e.corrects_id is not None]
            for e, family in new:
                of[e.pk] = family
                family.fixes.append(e)
                if e.kind in TAKING_BACK:
                    family.against.add(e.pk)
                else:
                    family.ids.add(e.pk)
                if e.kind in CANCELLING and e.corrects_id == family.root.pk:
                    family.cancelled_at = e.recorded_at
        return [families[pk] for pk in ids]

    def _edges(self, born: list[Lot]) -> dict[int, list[flows.Edge]]:
        found: dict[int, list[flows.Edge]] = defaultdict(list)
        children = [lot.pk for lot in born if lot.kind in MADE_LOTS]
        if children:
            for edge in flows.read(children).edges:
                found[edge.child].append(edge)
        return found

    def _read_supplier_lots(self, lots: list[int]) -> None:
        for some in pieces(lots):
            rows = Description.objects.filter(lot__in=some).exclude(name="").order_by("pk")
            for lot, name in rows.values_list("lot", "name"):
                self.supplier_lots.setdefault(lot, name)

    def _stopped(self, of: Mapping[int, int]) -> dict[int, dict[tuple[str, str], set[int]]]:
        """of: the entry that each entry, correction and taking back belongs to. By that entry, what
        they changed of lots for good: (set or unset, what) → lots."""
        found: dict[int, dict[tuple[str, str], set[int]]] = defaultdict(lambda: defaultdict(set))
        marks = (
            ("non_sellable_other", Hold.objects.all(), "began_by", "ended_by"),
            (
                "recalled",
                RecallLot.objects.filter(recall__is_mock=False),
                "joined_by",
                "narrowed_by",
            ),
        )
        for some in pieces(sorted(of)):
            for what, rows, *ends in marks:
                for way, end in zip(("set", "unset"), ends, strict=True):
                    changed = rows.filter(**{f"{end}__in": some}).values_list(end, "lot")
                    for pk, lot in changed:
                        if self.scope is None or lot in self.scope:
                            found[of[pk]][way, what].add(lot)
        self.know({lot for by in found.values() for lots in by.values() for lot in lots})
        return found

    def know(self, lots: Iterable[int]) -> None:
        """Read these lots, where they are not known yet."""
        for some in pieces(sorted(set(lots) - self.lots.keys())):
            self.lots |= self.read(some)

    def read(self, lots: list[int]) -> dict[int, Lot]:
        """Lots by id, with what of them is needed here: a question for all of them."""
        return Lot.objects.in_bulk(lots)


def _net(family: Family, rows: Iterable[Movement]) -> Iterator[Moved]:
    """What an entry moved, net of its corrections, in the order of ids."""
    against = family.against if family.cancelled_at else set()
    net: dict[tuple[int, int, int], int] = defaultdict(int)
    bases: dict[tuple[int, int, int], set[str]] = defaultdict(set)
    for m in rows:
        if m.event_id in against:
            continue  # said as it was before it was taken back
        a, b = m.from_place_id, m.to_place_id
        key, sign = ((m.lot_id, a, b), 1) if a < b else ((m.lot_id, b, a), -1)
        net[key] += sign * m.quantity
        bases[key].add(m.basis)
    for key, quantity in sorted(net.items()):
        if quantity:
            yield _moved(*key, quantity, bases[key])


def _moved(lot: int, a: int, b: int, quantity: int, bases: Iterable[str]) -> Moved:
    """Less than nothing from a to b is so much from b to a."""
    ways = (a, b) if quantity > 0 else (b, a)
    return Moved(lot, *ways, abs(quantity), tuple(sorted(bases)))


def pieces(ids: list[int]) -> Iterator[list[int]]:
    """As many ids as one question takes."""
    return (ids[n : n + MANY] for n in range(0, len(ids), MANY))


__all__ = ["MADE_LOTS", "Act", "Family", "History", "Moved", "Own", "pieces"]
