"""The books as EPCIS 2.0 events.

An entry comes to one TransformationEvent for each lot that it made, with what went in, and to one
event for each thing that its movements did. Corrections are part of what they correct: the events
say what is known now. An entry that was taken back is said with an errorDeclaration, so that who
had it before learns of it; of a delivery note with void_shipping as well. What the books worked out
for themselves (a till row's lots, a count's difference) is said by day, net of what was worked out
anew.

Quantities are whole: grams, millilitres, or a number of things. Of an input that grew into a cut
the quantity is the grams that grew from it. No event names a person.

Checks and laboratory results are not told (CBV would have inspecting, with conformant or
non_conformant): they move nothing, and are read here.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Max, Min, Sum

from grow import clock, flows
from grow.kinds import CANCELLING, KINDS, OWN, TAKING_BACK
from grow.models import (
    Business,
    Description,
    Event,
    Hold,
    Lot,
    LotKind,
    Movement,
    Place,
    PlaceKind,
)
from grow.readings import says
from grow.sums import FIXES, one_moment
from sales.models import DeliveryNote, PackingRun, RecallLot

from .names import UOM, Names
from .steps import HELD, LET_GO, MADE, MAKING, RECALLED, RECEIVED, VOIDED, Step, steps

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
#: Lots that are made of others, or by growing: a transformation puts them out.
_MADE = frozenset({LotKind.BATCH, LotKind.HARVEST, LotKind.PACK, LotKind.WATER, LotKind.TREATMENT})
_MANY = 400
_NOT_ROOTS = frozenset({*FIXES, *OWN})
Json = dict[str, Any]


@dataclass
class Family:
    """An entry with its corrections. ids: all of them; against: those that take back."""

    root: Event
    ids: set[int] = field(default_factory=set)
    against: set[int] = field(default_factory=set)
    cancelled_at: dt.datetime | None = None


def document(
    *,
    lots: Collection[int] | None = None,
    first: dt.date | None = None,
    last: dt.date | None = None,
) -> Json:
    """The EPCISDocument of the history of some lots (ids), or of all that happened on the days
    from first to last."""
    with one_moment(), clock.one_zone():
        out = _Writer(lots, first, last)
        events = list(out.events())
        return out.around(events) | {"epcisHeader": out.header()}


def parts(
    *,
    lots: Collection[int] | None = None,
    first: dt.date | None = None,
    last: dt.date | None = None,
) -> Iterator[str]:
    """The same document as text, piece by piece, so that a year need not stand in memory."""
    with one_moment(), clock.one_zone():
        out = _Writer(lots, first, last)
        start = json.dumps(out.around([]), ensure_ascii=False)
        assert start.endswith("[]}}")
        yield start[:-3]
        comma = "\n"
        for event in out.events():
            yield comma + json.dumps(event, ensure_ascii=False)
            comma = ",\n"
        yield f'\n]}}, "epcisHeader": {json.dumps(out.header(), ensure_ascii=False)}}}\n'


class _Writer:
    """One document: what it is of, and what was met on the way."""

    def __init__(
        self, lots: Collection[int] | None, first: dt.date | None, last: dt.date | None
    ) -> None:
        self.scope = None if lots is None else frozenset(lots)
        self.days = (
            clock.day_number(first or dt.date.min),
            clock.day_number(last or dt.date(9999, 12, 31)),
        )
        self.names = Names(Business.the())
        self.zone = clock.zone()
        self.places: dict[int, Place] = Place.objects.in_bulk()
        self.said_places: set[int] = set()
        self.lots: dict[int, Lot] = {}
        self.gtins: dict[int, str] = {}
        self.supplier_lots: dict[int, str] = {}

    def around(self, events: list[Json]) -> Json:
        """The document around its events."""
        return {
            "@context": [CONTEXT, {"farm": self.names.terms}],
            "type": "EPCISDocument",
            "schemaVersion": "2.0",
            "creationDate": _moment(clock.now()),
            "epcisBody": {"eventList": events},
        }

    def header(self) -> Json:
        """Names of the places and lots that the events speak of, as master data."""

        def element(uri: str, **said: str) -> Json:
            attributes = [{"id": name, "attribute": text} for name, text in said.items() if text]
            return {"id": uri, "attributes": attributes}

        places = [
            element(self.names.place(pk), **{"cbvmda:name": self.places[pk].name})
            for pk in sorted(self.said_places)
        ]
        lots = [
            element(self._uri(lot), **{"cbvmda:descriptionShort": lot.title or lot.code})
            for lot in sorted(self.lots.values(), key=lambda lot: lot.pk)
        ]
        vocabularies = [
            {"type": f"urn:epcglobal:epcis:vtype:{name}", "vocabularyElementList": rows}
            for name, rows in (("BusinessLocation", places), ("EPCClass", lots))
            if rows
        ]
        return {"epcisMasterData": {"vocabularyList": vocabularies}}

    def events(self) -> Iterator[Json]:
        """Every event, in the order in which it happened, the books' own after the entries."""
        ids = self._roots()
        for start in range(0, len(ids), _MANY):
            yield from self._some(ids[start : start + _MANY])
        yield from self._own()

    # which entries

    def _roots(self) -> list[int]:
        rows = Event.objects.exclude(kind__in=_NOT_ROOTS)
        if self.scope is None:
            rows = rows.filter(day__gte=self.days[0], day__lte=self.days[1])
            return list(rows.order_by("placed_at", "pk").values_list("pk", flat=True))
        found: set[int] = set()
        for some in _pieces(sorted(self.scope)):
            found |= set(Lot.objects.filter(pk__in=some).values_list("made_by", flat=True))
            found |= set(Movement.objects.filter(lot__in=some).values_list("event", flat=True))
            held = Hold.objects.filter(lot__in=some).values_list("began_by", "ended_by")
            joined = RecallLot.objects.filter(lot__in=some).values_list("joined_by", "narrowed_by")
            found |= {pk for pair in (*held, *joined) for pk in pair if pk}
        placed: dict[int, dt.datetime] = {}
        fixed = Event.objects.filter(kind__in=FIXES, corrects__isnull=False)
        for _ in range(3):  # what a lot knows only by a correction stands with what was corrected
            roots: set[int] = set()
            for some in _pieces(sorted(found)):
                placed |= dict(rows.filter(pk__in=some).values_list("pk", "placed_at"))
                roots |= {pk for (pk,) in fixed.filter(pk__in=some).values_list("corrects") if pk}
            found = roots - placed.keys()
        return sorted(placed, key=lambda pk: (placed[pk], pk))

    def _some(self, ids: list[int]) -> Iterator[Json]:
        families = self._families(ids)
        of = {pk: family for family in families for pk in family.ids | family.against}
        moved: dict[int, list[Movement]] = defaultdict(list)
        for some in _pieces(sorted(of)):
            for m in self._in_scope(Movement.objects.filter(event__in=some)).order_by("pk"):
                moved[of[m.event_id].root.pk].append(m)
        made: dict[int, list[Lot]] = defaultdict(list)
        rows = Lot.objects.filter(made_by__in=ids)
        rows = rows if self.scope is None else rows.filter(pk__in=[*self._within(rows)])
        for lot in rows.order_by("pk"):
            made[lot.made_by_id].append(lot)
        born = [lot for lots in made.values() for lot in lots]
        edges = self._edges(born)
        self._know({m.lot_id for rows in moved.values() for m in rows} | {lot.pk for lot in born})
        self._know({e.parent for rows in edges.values() for e in rows})
        self._read_supplier_lots([lot.pk for lot in born])
        notes = dict(DeliveryNote.objects.filter(event__in=ids).values_list("event", "number"))
        stopped = self._stopped({pk: family.root.pk for pk, family in of.items()})
        for family in families:
            entry = _Entry(self, family, moved[family.root.pk], notes.get(family.root.pk, ""))
            yield from entry.made(made[family.root.pk], edges)
            yield from entry.moved(made[family.root.pk])
            yield from entry.stopped(stopped[family.root.pk])

    def _within(self, rows: Any) -> Iterator[int]:
        assert self.scope is not None
        return (pk for pk in rows.values_list("pk", flat=True) if pk in self.scope)

    def _in_scope(self, rows: Any) -> Any:
        """Movements of the lots asked for: what else stood on a note is another's business."""
        if self.scope is None:
            return rows
        return rows.filter(lot__in=self.scope) if len(self.scope) < _MANY else rows.filter(
            pk__in=[pk for pk, lot in rows.values_list("pk", "lot") if lot in self.scope]
        )  # fmt: skip

    def _families(self, ids: list[int]) -> list[Family]:
        families = {
            e.pk: Family(e, {e.pk}) for e in Event.objects.filter(pk__in=ids).order_by("pk")
        }
        of = dict(families)
        fixes = Event.objects.filter(kind__in=FIXES)
        for _ in range(3):  # a correction of a correction, and that taken back
            found = fixes.filter(corrects__in=list(of)).exclude(pk__in=list(of))
            new = [(e, of[e.corrects_id]) for e in found if e.corrects_id is not None]
            for e, family in new:
                of[e.pk] = family
                if e.kind in TAKING_BACK:
                    family.against.add(e.pk)
                else:
                    family.ids.add(e.pk)
                if e.kind in CANCELLING and e.corrects_id == family.root.pk:
                    family.cancelled_at = e.recorded_at
        return [families[pk] for pk in ids]

    def _edges(self, born: list[Lot]) -> dict[int, list[flows.Edge]]:
        found: dict[int, list[flows.Edge]] = defaultdict(list)
        children = [lot.pk for lot in born if lot.kind in _MADE]
        if children:
            for edge in flows.read(children).edges:
                found[edge.child].append(edge)
        return found

    def _read_supplier_lots(self, lots: list[int]) -> None:
        """The supplier's own lot number of each: the first name that it was given."""
        self.supplier_lots = {}
        for some in _pieces(lots):
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
        for some in _pieces(sorted(of)):
            for what, rows, *ends in marks:
                for way, end in zip(("set", "unset"), ends, strict=True):
                    changed = rows.filter(**{f"{end}__in": some}).values_list(end, "lot")
                    for pk, lot in changed:
                        if self.scope is None or lot in self.scope:
                            found[of[pk]][way, what].add(lot)
        self._know({lot for by in found.values() for lots in by.values() for lot in lots})
        return found

    def _know(self, lots: Iterable[int]) -> None:
        new = sorted(set(lots) - self.lots.keys())
        for some in _pieces(new):
            self.lots |= Lot.objects.in_bulk(some)
            packs = PackingRun.objects.filter(lot__in=some).exclude(product__gtin="")
            self.gtins |= dict(packs.values_list("lot", "product__gtin"))

    # the books' own

    def _own(self) -> Iterator[Json]:
        rows = Movement.objects.filter(event__kind__in=OWN)
        if self.scope is None:
            rows = rows.filter(day__gte=self.days[0], day__lte=self.days[1])
            pieces = [rows]
        else:
            pieces = [rows.filter(lot__in=some) for some in _pieces(sorted(self.scope))]
        net: dict[tuple, int] = defaultdict(int)
        when: dict[tuple, tuple[dt.datetime, dt.datetime]] = {}
        for part in pieces:
            summed = part.values(
                "event__kind", "lot", "from_place", "to_place", "day"
            ).annotate(
                quantity=Sum("quantity"),
                happened=Min("event__happened_at"),
                recorded=Max("event__recorded_at"),
            )  # fmt: skip
            for row in summed:
                a, b = row["from_place"], row["to_place"]
                key = (row["event__kind"], row["day"], row["lot"], min(a, b), max(a, b))
                net[key] += row["quantity"] if a < b else -row["quantity"]
                known = when.get(key, (row["happened"], row["recorded"]))
                when[key] = min(known[0], row["happened"]), max(known[1], row["recorded"])
        self._know({key[2] for key in net})
        for key in sorted(net, key=lambda key: (key[1], when[key][0], key)):
            kind, day, lot, a, b = key
            if not net[key]:
                continue
            if net[key] < 0:
                a, b = b, a
            for n, step in enumerate(steps(self.places[a].kind, self.places[b].kind)):
                yield self.event(
                    step,
                    self.names.event("own", kind, day, self.lots[lot].code, key[3], key[4], n),
                    *when[key],
                    activity=says(kind),
                    quantities=[self.quantity(lot, abs(net[key]))],
                    at=a if self.places[a].is_standing else None,
                    to=b if self.places[b].is_standing else None,
                )

    # one event

    def _uri(self, lot: Lot) -> str:
        return self.names.lot(lot.code, lot.kind, self.gtins.get(lot.pk, ""))

    def uri(self, lot: int) -> str:
        return self._uri(self.lots[lot])

    def quantity(self, lot: int, quantity: int | None, unit: str = "") -> Json:
        """A quantityElement; without a quantity where none was told."""
        said: Json = {"epcClass": self.uri(lot)}
        if quantity is not None:
            said["quantity"] = quantity
            if uom := UOM[unit or self.lots[lot].unit]:
                said["uom"] = uom
        return said

    def place(self, pk: int) -> Json:
        self.said_places.add(pk)
        return {"id": self.names.place(pk)}

    def event(
        self,
        step: Step,
        uri: str,
        happened: dt.datetime,
        recorded: dt.datetime,
        *,
        activity: str,
        quantities: list[Json],
        at: int | None = None,
        to: int | None = None,
        **more: Any,
    ) -> Json:
        """quantities: of an object, or what a transformation puts out. at: where it was done;
        to: where it is afterwards."""
        said: Json = {
            "type": step.type,
            "eventID": uri,
            "eventTime": _moment(happened),
            "eventTimeZoneOffset": _offset(happened.astimezone(self.zone)),
            "recordTime": _moment(recorded),
        }
        if step.action:
            said["action"] = step.action
        said["bizStep"] = step.step
        if step.disposition:
            said["disposition"] = step.disposition
        if step.type == "AssociationEvent":
            tower = to if step.action == "ADD" else at
            said["parentID"] = self.names.place(tower or 0)
            said["childQuantityList"] = quantities
        elif step.type == "TransformationEvent":
            said["outputQuantityList"] = quantities
        else:
            said["quantityList"] = quantities
        if at or to:
            said["readPoint"] = self.place(at or to or 0)
        if to and step.action != "DELETE":
            said["bizLocation"] = self.place(to)
        said["farm:activity"] = activity
        return said | {name: value for name, value in more.items() if value}


@dataclass
class _Entry:
    """The events of one entry and its corrections."""

    out: _Writer
    family: Family
    rows: list[Movement]
    note: str

    def __post_init__(self) -> None:
        against = self.family.against if self.family.cancelled_at else set()
        self.net: dict[tuple[int, int, int], int] = defaultdict(int)
        for m in self.rows:
            if m.event_id in against:
                continue  # said as it was before it was taken back
            a, b = m.from_place_id, m.to_place_id
            key, sign = ((m.lot_id, a, b), 1) if a < b else ((m.lot_id, b, a), -1)
            self.net[key] += sign * m.quantity

    def _moves(self) -> Iterator[tuple[int, int, int, int]]:
        """(lot, from, to, quantity), net of corrections, in the order of ids."""
        for (lot, a, b), quantity in sorted(self.net.items()):
            if quantity:
                yield (lot, a, b, quantity) if quantity > 0 else (lot, b, a, -quantity)

    def made(self, born: list[Lot], edges: Mapping[int, list[flows.Edge]]) -> Iterator[Json]:
        """A transformation for each lot that was made of others or grew; what came in without a
        quantity, as seen."""
        out, places = self.out, self.out.places
        moves = list(self._moves())
        for lot in born:
            came = [(a, b, q) for of, a, b, q in moves if of == lot.pk and places[a].is_source]
            if lot.kind not in _MADE:
                if not came and lot.kind == LotKind.INPUT:
                    yield self._event(
                        RECEIVED,
                        ("received", lot.code),
                        [out.quantity(lot.pk, None)],
                        to=self.family.root.place_id,
                        **self._supplier_lot([lot.pk]),
                    )
                continue
            total = sum(q for a, _, q in came if places[a].kind in MAKING)
            into = next((b for _, b, _ in came if places[b].is_standing), None)
            moved = lot.kind not in (LotKind.WATER, LotKind.TREATMENT)
            step = MADE._replace(disposition="active") if lot.kind == LotKind.PACK else MADE
            yield self._event(
                step,
                ("made", lot.code),
                [out.quantity(lot.pk, total if moved else None)],
                at=self.family.root.place_id if self._stands(self.family.root.place_id) else None,
                to=into,
                **self._parents(edges.get(lot.pk, [])),
                ilmd=_ilmd(lot),
            )

    def _stands(self, place: int | None) -> bool:
        return place is not None and self.out.places[place].is_standing

    def _parents(self, edges: list[flows.Edge]) -> Json:
        out = self.out
        plain = sorted((e for e in edges if not e.struck), key=lambda e: e.parent)
        struck = sorted((e for e in edges if e.struck), key=lambda e: e.parent)
        return {
            "inputQuantityList": [
                out.quantity(e.parent, e.quantity, "g" if e.kind == "grew" else "")
                for e in plain
                if e.kind != "touched"
            ],
            "farm:touchedBy": [out.uri(e.parent) for e in plain if e.kind == "touched"],
            "farm:origin": "grew" if any(e.kind == "grew" for e in plain) else "",
            "farm:struckOrigin": [out.uri(e.parent) for e in struck if e.kind != "touched"],
        }

    def moved(self, born: list[Lot]) -> Iterator[Json]:
        """What else the movements did, like with like in one event."""
        out, places = self.out, self.out.places
        made = {lot.pk for lot in born if lot.kind in _MADE}
        groups: dict[tuple[Step, int, int], dict[int, int]] = defaultdict(dict)
        for lot, a, b, quantity in self._moves():
            for step in steps(places[a].kind, places[b].kind):
                if step.action == "ADD" and places[a].kind in MAKING and lot in made:
                    continue  # it is in the transformation that made it
                if places[b].kind == PlaceKind.USED and out.lots[lot].kind != LotKind.INPUT:
                    continue  # what went in stands with what it went into
                groups[step, a, b][lot] = quantity
        for (step, a, b), lots in groups.items():
            yield self._event(
                step,
                ("moved", step.action, step.step, a, b),
                [out.quantity(lot, quantity) for lot, quantity in lots.items()],
                at=a if places[a].is_standing else None,
                to=b if places[b].is_standing else None,
                **self._parties(step, a, b),
                **(self._supplier_lot(lots) if step == RECEIVED else {}),
            )
            if self.family.cancelled_at and self.note and step.step == "shipping":
                yield self._event(
                    VOIDED,
                    ("voided", a, b),
                    [out.quantity(lot, quantity) for lot, quantity in lots.items()],
                    at=a,
                    since=self.family.cancelled_at,
                    **self._parties(step, a, b),
                )

    def _supplier_lot(self, lots: Iterable[int]) -> Json:
        known = [self.out.supplier_lots[lot] for lot in lots if lot in self.out.supplier_lots]
        return {"farm:supplierLot": known[0]} if known else {}

    def stopped(self, changes: Mapping[tuple[str, str], set[int]]) -> Iterator[Json]:
        """Lots held or recalled, and lots let go again. What a cancelled entry itself had held is
        gone; what its cancellation held stands."""
        for (way, what), lots in sorted(changes.items()):
            step = LET_GO if way == "unset" else RECALLED if what == "recalled" else HELD
            yield self._event(
                step,
                (way, what),
                [self.out.quantity(lot, None) for lot in sorted(lots)],
                persistentDisposition={way: [what]},
                since=self.family.cancelled_at,
            )

    def _parties(self, step: Step, a: int, b: int) -> Json:
        """Whom goods went from and to, and on which paper, where they changed hands."""
        out, places = self.out, self.out.places
        if step.step not in ("shipping", "receiving") or step.disposition == "returned":
            return {}
        outlet = places[b if step.step == "shipping" else a].belongs_to_id
        said: Json = {}
        if places[a].kind == PlaceKind.SUPPLIER:
            out.said_places.add(a)
            said["sourceList"] = [{"type": "possessing_party", "source": out.names.place(a)}]
        elif outlet:
            out.said_places.add(outlet)
            to = out.names.place(outlet)
            said["destinationList"] = [{"type": "possessing_party", "destination": to}]
        if self.note:
            said["bizTransactionList"] = [
                {"type": "desadv", "bizTransaction": out.names.note(self.note)}
            ]
        return said

    def _event(
        self,
        step: Step,
        parts: tuple[object, ...],
        quantities: list[Json],
        since: dt.datetime | None = None,
        **more: Any,
    ) -> Json:
        """since: it happened when the entry was taken back, and stands."""
        root = self.family.root
        said = self.out.event(
            step,
            self.out.names.event(root.pk, *parts),
            since or root.happened_at,
            since or root.recorded_at,
            activity=KINDS[root.kind].says if root.kind in KINDS else says(root.kind),
            quantities=quantities,
            **more,
        )
        if self.family.cancelled_at and not since:
            said["errorDeclaration"] = {
                "declarationTime": _moment(self.family.cancelled_at),
                "reason": "incorrect_data",
            }
        return said


def _ilmd(lot: Lot) -> Json:
    said = {"cbvmda:lotNumber": lot.code}
    if lot.use_by:
        said["cbvmda:itemExpirationDate"] = lot.use_by.isoformat()
    return said


def _moment(moment: dt.datetime) -> str:
    return moment.astimezone(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _offset(local: dt.datetime) -> str:
    """+01:00, as EPCIS asks for it: never Z."""
    return local.isoformat()[-6:]


def _pieces(ids: list[int]) -> Iterator[list[int]]:
    return (ids[n : n + _MANY] for n in range(0, len(ids), _MANY))
