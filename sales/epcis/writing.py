"""The books as EPCIS 2.0 events.

An entry comes to one TransformationEvent for each lot that it made, with what went in, and to one
event for each thing that its movements did. Corrections are part of what they correct: the events
say what is known now. An entry that was taken back is said with an errorDeclaration, so that who
had it before learns of it; of a delivery note with void_shipping as well. What the books worked out
for themselves (a till row's lots, a count's difference) is said by day, net of what was worked out
anew.

Quantities are whole: grams, millilitres, or a number of things. Of an input that grew into a cut
the quantity is the grams that grew from it. No event names a person.

Checks, water tests and laboratory results are said as inspecting, with conformant or
non_conformant: of lots those that name them or their water, of days all.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from typing import Any

from grow import clock, flows
from grow.kinds import KINDS
from grow.models import Business, Event, Lot, LotKind, PlaceKind
from grow.readings import says
from grow.sums import one_moment
from sales.history import MADE_LOTS, Act, History
from sales.models import PackingRun

from . import looks
from .names import UOM, Names
from .steps import HELD, INSPECTED, LET_GO, MADE, MAKING, RECALLED, RECEIVED, VOIDED, Step, steps

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
Json = dict[str, Any]


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


class _Writer(History):
    """One document: what it is of, and what was met on the way."""

    def __init__(
        self, lots: Collection[int] | None, first: dt.date | None, last: dt.date | None
    ) -> None:
        super().__init__(lots, first, last)
        self.names = Names(Business.the())
        self.zone = clock.zone()
        self.said_places: set[int] = set()
        self.gtins: dict[int, str] = {}
        self.looks: dict[int, looks.Look] = {}

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
        for act in self.acts():
            entry = _Entry(self, act)
            yield from entry.made()
            yield from entry.moved()
            yield from entry.stopped()
            yield from entry.looked()
        yield from self._own_events()

    def _roots(self) -> list[int]:
        roots = super()._roots()
        more = looks.entries_of(self.scope).difference(roots) if self.scope is not None else None
        if not more:
            return roots
        placed = Event.objects.filter(pk__in=[*roots, *more]).order_by("placed_at", "pk")
        return list(placed.values_list("pk", flat=True))

    def _some(self, ids: list[int]) -> Iterator[Act]:
        self.looks = looks.read(ids)
        for look in self.looks.values():
            look.lots = look.lots if self.scope is None else look.lots & self.scope
        self.know({lot for look in self.looks.values() for lot in look.lots})
        return super()._some(ids)

    def read(self, lots: list[int]) -> dict[int, Lot]:
        packs = PackingRun.objects.filter(lot__in=lots).exclude(product__gtin="")
        self.gtins |= dict(packs.values_list("lot", "product__gtin"))
        return super().read(lots)

    def _own_events(self) -> Iterator[Json]:
        for own in self.own():
            lot, a, b, quantity, _ = own.moved
            code = self.lots[lot].code
            for n, step in enumerate(steps(self.places[a].kind, self.places[b].kind)):
                yield self.event(
                    step,
                    self.names.event("own", own.kind, own.day, code, own.one, own.other, n),
                    own.happened,
                    own.recorded,
                    activity=says(own.kind),
                    quantities=[self.quantity(lot, quantity)],
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
        elif quantities:
            said["quantityList"] = quantities
        if at or to:
            said["readPoint"] = self.place(at or to or 0)
        if to and step.action != "DELETE":
            said["bizLocation"] = self.place(to)
        said["farm:activity"] = activity
        return said | {name: value for name, value in more.items() if value}


class _Entry:
    """The events of one entry and its corrections."""

    def __init__(self, out: _Writer, act: Act) -> None:
        self.out, self.act, self.family, self.note = out, act, act.family, act.note

    def made(self) -> Iterator[Json]:
        """A transformation for each lot that was made of others or grew; what came in without a
        quantity, as seen."""
        out, places = self.out, self.out.places
        for lot in self.act.born:
            came = [
                (a, b, q)
                for of, a, b, q, _ in self.act.moves
                if of == lot.pk and places[a].is_source
            ]
            if lot.kind not in MADE_LOTS:
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
            parents = self._parents(self.act.edges.get(lot.pk, []))
            if not parents["inputQuantityList"]:
                # the standard asks for what went in, or for a name of the transformation
                named = out.names.event(self.family.root.pk, "transformation", lot.code)
                parents["transformationID"] = named
            yield self._event(
                step,
                ("made", lot.code),
                [out.quantity(lot.pk, total if moved else None)],
                at=self.family.root.place_id if self._stands(self.family.root.place_id) else None,
                to=into,
                **parents,
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

    def moved(self) -> Iterator[Json]:
        """What else the movements did, like with like in one event."""
        out, places = self.out, self.out.places
        made = {lot.pk for lot in self.act.born if lot.kind in MADE_LOTS}
        groups: dict[tuple[Step, int, int], dict[int, int]] = defaultdict(dict)
        for lot, a, b, quantity, _ in self.act.moves:
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

    def stopped(self) -> Iterator[Json]:
        """Lots held or recalled, and lots let go again. What a cancelled entry itself had held is
        gone; what its cancellation held stands."""
        for (way, what), lots in sorted(self.act.stopped.items()):
            step = LET_GO if way == "unset" else RECALLED if what == "recalled" else HELD
            yield self._event(
                step,
                (way, what),
                [self.out.quantity(lot, None) for lot in sorted(lots)],
                persistentDisposition={way: [what]},
                since=self.family.cancelled_at,
            )

    def looked(self) -> Iterator[Json]:
        """What was looked at: lots, or single things, or else the place itself."""
        out, place = self.out, self.family.root.place_id
        look = out.looks.get(self.family.root.pk)
        if look is None:
            return
        single = [out.names.thing(thing.pk) for thing in look.things]
        if not (look.lots or single):
            single = [out.place(pk)["id"] for pk in sorted(look.places)]
        if not (look.lots or single):
            return
        said: Json = {
            "epcList": single,
            "farm:things": [thing.name for thing in look.things],
            "farm:lookedFor": look.looked_for,
            "farm:reading": look.reading,
        }
        yield self._event(
            INSPECTED._replace(disposition=look.disposition),
            ("inspected",),
            [out.quantity(lot, None) for lot in sorted(look.lots)],
            at=place if self._stands(place) else None,
            **said,
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
