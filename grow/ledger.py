"""The only writer of Event, Movement and Holding.

An operation is one keyword-only function under `@operation`. The decorator gives it what all
share: who recorded it, who did it, when, under which client id, and whether it has already
happened. It passes the gate, writes the event, lets the function say what moved, was made, was
counted or begun, and posts all of that at once in one order of locks:

    gate; event; lines on shelves; sites by id; holdings of standing places and tills by
    (lot, place); refusal; code counters; lots; movements, counts and edges; the books' own rows;
    all holdings by net quantity, by (lot, place).

The code counters come before the last holdings, because own rows need the new lots' ids. No
circle can come of it. What is locked after a counter are holdings of sources and ends, which
nobody locks but in this last step, in one order, when he waits for no counter any more; and
holdings on the shelf of a line and in its till, whose lock this act has had since the start, as
all who touch them must. (A circle among early locks, such as two acts that each insert what the
other looks for, would be thrown out by the database and told as Busy: nothing was written.)

Two kinds of speech. Before the act the books may refuse. An act told with already_done=True, or
of a kind that is always a fact (a till, a count), is written around what it meets, and flagged.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import functools
import inspect
import typing
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Annotated, Any

from django.db import DataError, IntegrityError, connection, models

from . import books, clock, codes, gate, holds, signing, touch
from .errors import Conflict, Refusal, polite
from .fitting import Tank, as_in, refuse_unfit
from .kinds import ASIDE, CANCELLING, KINDS, Kind
from .models import (
    DATED,
    GROWING,
    STRICT,
    Counted,
    CutSite,
    Description,
    Event,
    Flag,
    Hold,
    Holding,
    Lineage,
    Lot,
    LotKind,
    Movement,
    Person,
    Place,
    PlaceKind,
    PlantSite,
    Told,
    Unnamed,
)
from .ready import insert
from .setup import the
from .shelf import counted_by_date
from .telling import (
    AHEAD,
    DATED_AS,
    by_our_clock,
    canonical,
    moments_of,
    rows_in,
    same_told,
    wrong_clock,
)

#: Called by cancel with (entry, event): refuse if a paper stands on it, or put own tables right.
BEFORE_CANCEL: dict[str, Callable[[Entry, Event], None]] = {}
#: Called after movements are written, with the list of (movement, its event).
AFTER_POST: list[Callable[[list[tuple[Movement, Event]]], None]] = []
#: Called when all of an entry is written, with every edge that is new, renewed ones included: what
#: it brings into a recall's scope is held in the same transaction.
AFTER_EDGES: list[Callable[[Entry, list[Lineage]], None]] = []
#: Whether an act that would share the gate must have it alone just now: while a recall watches a
#: place or a thing, what is told late may hold lots that were made long ago.
ALONE_WHILE: list[Callable[[], bool]] = []


def operation(
    *,
    says: str,
    slot: float = 12,
    gate_: str = gate.BY_LOT,
    touched_by: Iterable[str] = (),
    fact: bool = False,
    place: str = "place",
    dated_as: Callable[[Mapping[str, Any]], Event] | None = None,
    can_cancel: bool = True,
) -> Callable[[Callable[..., None]], Callable[..., Event]]:
    """Make of `def verb(entry, *, …)` the operation `verb(*, recorded_by, client_id, …)`.

    Besides the function's own arguments each operation takes: recorded_by (Person), client_id
    (unique per person; a repeat answers again), done_by (persons; default recorded_by), at (a
    moment) or on (only a day), began_at, already_done, device, things, tanks; and clock_reading,
    what the clock that gave those moments reads as they are sent: by its difference from ours they
    are shifted. It returns the Event; `event.lots` are what it made. Raises Refusal and its family.
    """

    def decorate(function: Callable[..., None]) -> Callable[..., Event]:
        own = _asked(function)
        own.pop("entry")
        signature = inspect.Signature(list(own.values()))

        def run(
            *,
            recorded_by: Person,
            client_id: str,
            done_by: Iterable[Person] = (),
            at: dt.datetime | None = None,
            on: dt.date | None = None,
            began_at: dt.datetime | None = None,
            clock_reading: dt.datetime | None = None,
            already_done: bool = False,
            device: Annotated[str, as_in(Event, "device")] = "",
            things: Iterable[Any] = (),
            tanks: Iterable[Tank] = (),
            **facts: Any,
        ) -> Event:
            signature.bind(**facts)  # an unknown argument is a programming error: TypeError
            common: dict[str, Any] = {
                "already_done": already_done or None,
                "at": at,
                "began_at": began_at,
                "clock_reading": clock_reading,
                "done_by": list(done_by) or None,
                "on": on,
                "tanks": list(dict.fromkeys(tanks)) or None,
                "things": list(things) or None,
            }
            kind = KINDS[function.__name__]
            _refuse_no_id(client_id)
            refuse_unfit("device", taken["device"].annotation, device)
            told = canonical({**facts, **{k: v for k, v in common.items() if v is not None}})
            at, began_at, shift = by_our_clock(at, began_at, clock_reading)
            with _through(_gate(kind, facts)), clock.one_zone():
                moments, notes = moments_of(kind, facts, at, on, began_at, already_done)
                event, fresh = _insert(
                    Event(
                        kind=kind.name,
                        **moments,
                        recorded_at=clock.now(),
                        recorded_by=recorded_by,
                        device=device,
                        place=facts.get(kind.place),
                        client_id=client_id,
                        told=told,
                        # taking back and correcting are acts of now: the books may refuse them
                        already_done=(already_done and not kind.dated_as) or kind.fact,
                    )
                )
                if not fresh:
                    event.told_before = True
                    return _again(event, kind, told)
                did = common["done_by"] or [recorded_by]
                _name(event, "done_by", did)
                _name(event, "things", common["things"])
                _name(event, "tanks", common["tanks"])
                entry = Entry(event, kind, list(dict.fromkeys([recorded_by, *did])))
                for name, p in taken.items():
                    refuse_unfit(name, p.annotation, common.get(name, facts.get(name)))
                _refuse_dead(entry, facts)
                for says_ in notes.get("refuse", ()):
                    raise Refusal("moment", says_)
                for says_ in notes.get("flag", ()):
                    entry.flag(Flag.Kind.MOMENT, says_)
                if abs(shift) > AHEAD:
                    entry.flag(Flag.Kind.CLOCK, wrong_clock(shift))
                try:
                    function(entry, **facts)
                    entry.post()
                    event.told_now = Told(entry.lots, entry.moves, entry.flags)
                except (IntegrityError, DataError) as error:
                    raise polite(error) from error
            return event

        common_ = _asked(run)
        common_.pop("facts")
        functools.update_wrapper(run, function)
        taken = own | common_
        run.__signature__ = inspect.Signature(  # type: ignore[attr-defined]  # inspect reads it
            list(taken.values()), return_annotation=Event
        )
        run.__annotations__ = {n: p.annotation for n, p in taken.items()} | {"return": Event}
        KINDS[function.__name__] = Kind(
            function.__name__,
            says,
            slot,
            gate_,
            tuple(touched_by),
            fact,
            place,
            dated_as,
            can_cancel,
            run,
            MappingProxyType(own),
        )
        return run

    return decorate


def _asked(function: Callable[..., Any]) -> dict[str, inspect.Parameter]:
    """A function's parameters with their type hints resolved, notes included."""
    hints = typing.get_type_hints(function, include_extras=True)
    return {
        name: p.replace(annotation=hints.get(name, Any))
        for name, p in inspect.signature(function).parameters.items()
    }


def _gate(kind: Kind, facts: Mapping[str, Any]) -> str:
    if kind.gate != gate.BY_LOT:
        return kind.gate
    if facts.get("fresh"):
        return gate.ALONE  # a count of all that stands in a place
    plants = any(lot.kind == LotKind.BATCH for lot in rows_in(facts, Lot))
    return gate.ALONE if plants else gate.SHARED


@contextlib.contextmanager
def _through(how: str) -> Iterator[None]:
    """The gate, and alone where something is watched. That is asked behind it: whoever begins to
    watch stands there alone, so nobody who shares it can have missed that."""
    if how == gate.SHARED:
        with gate.through(how):
            if not any(watched() for watched in ALONE_WHILE):
                yield
                return
    with gate.through(gate.ALONE):
        yield


# --- one client id, one event -------------------------------------------------------------


def _refuse_no_id(client_id: str | None) -> None:
    """Without an id of its own a retry would be a second act; with an empty one, two forms that
    have nothing to do with each other would be taken for the same."""
    longest, told = 64, client_id or ""
    if not told.strip() or len(told) > longest or "\0" in told:
        raise Refusal(
            "client_id",
            f"This entry came without an id of its own (1 to {longest} characters), so a second "
            "sending could not be told from a second act. Open the form again.",
        )


def _insert(event: Event) -> tuple[Event, bool]:
    """Insert the event before any other check, or find the one with the same client id. A
    retry must get its first answer, not the refusal that its first try has caused."""
    fields = [f for f in Event._meta.concrete_fields if not f.primary_key]
    values = [f.get_db_prep_save(getattr(event, f.attname), connection) for f in fields]
    columns = ", ".join(connection.ops.quote_name(str(f.column)) for f in fields)
    marks = ", ".join(["%s"] * len(fields))
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO grow_event ({columns}) VALUES ({marks}) "
            "ON CONFLICT DO NOTHING RETURNING id",
            values,
        )
        row = cursor.fetchone()
    if row:
        event.pk = row[0]
        event._state.adding = False
        return event, True
    return Event.objects.get(recorded_by=event.recorded_by, client_id=event.client_id), False


def _name(event: Event, field_: str, rows: Iterable[models.Model] | None) -> None:
    """Who or what a new event names: one insert, since nothing can be there yet."""
    if rows:
        through = getattr(Event, field_).through
        column = Event._meta.get_field(field_).m2m_reverse_name()  # type: ignore[union-attr]  # many
        named = list(dict.fromkeys(row.pk for row in rows))
        marks = ", ".join(["(%s, %s)"] * len(named))
        with connection.cursor() as cursor:
            cursor.execute(
                f"INSERT INTO {through._meta.db_table} (event_id, {column}) VALUES {marks}",
                [n for pk in named for n in (event.pk, pk)],
            )


def _again(event: Event, kind: Kind, told: str) -> Event:
    if event.kind != kind.name or not same_told(event.told, told):
        raise Conflict(
            "client_id_reused",
            f"Entry {event.client_id} was already recorded as “{KINDS[event.kind].says}” with "
            "other contents. Send this under a new id.",
            event=event.pk,
        )
    undone = event.corrections.filter(kind__in=CANCELLING).first()
    if undone:
        raise Conflict(
            "undone",
            f"It was undone at {clock.local(undone.recorded_at):%H:%M on %d %b %Y}; "
            "send it under a new id to record it anew.",
            event=event.pk,
        )
    return event


def _refuse_dead(entry: Entry, facts: Mapping[str, Any]) -> None:
    """A lot that was recorded in error moves only if somebody says that it truly did."""
    lots = rows_in(facts, Lot)
    if not lots or entry.kind.name in ("describe", "hold", "release"):
        return
    if entry.told_as_fact and not entry.corrects:
        return
    dead_acts = set(
        Event.objects.filter(
            corrects__in={lot.made_by_id for lot in lots}, kind__in=CANCELLING
        ).values_list("corrects_id", flat=True)
    )
    dead = next((lot for lot in lots if lot.made_by_id in dead_acts), None)
    if dead:
        raise Refusal(
            "recorded_in_error",
            f"{dead.code} was recorded in error and cancelled; record it anew first.",
            lot=dead.code,
        )


# --- what an operation says ---------------------------------------------------------------


@dataclass
class Entry:
    """What one event says, gathered in memory and posted at once."""

    event: Event
    kind: Kind
    #: who recorded it, and who did it
    people: list[Person] = field(default_factory=list)
    lots: list[Lot] = field(default_factory=list)
    codes: dict[int, str] = field(default_factory=dict)
    moves: list[Movement] = field(default_factory=list)
    edges: list[Lineage] = field(default_factory=list)
    counts: list[Counted] = field(default_factory=list)
    unnamed: list[Unnamed] = field(default_factory=list)
    flags: list[Flag] = field(default_factory=list)
    born_held: dict[int, str] = field(default_factory=dict)
    later: list[Callable[[], object]] = field(default_factory=list)
    shelves: set[tuple[Lot, Place]] = field(default_factory=set)
    #: lines in places to be walked though nothing of them moved, and since when
    lines: dict[tuple[Place, str], dt.datetime] = field(default_factory=dict)
    renews: bool = False
    may_short: bool = False
    off: set[tuple[int, int]] = field(default_factory=set)
    held: dict[tuple[int, int], int] = field(default_factory=dict)
    locked: set[tuple[int, str]] = field(default_factory=set)

    @property
    def told_as_fact(self) -> bool:
        return self.event.already_done

    @property
    def corrects(self) -> bool:
        return self.event.corrects_id is not None

    # Locks, in the order in which they must be taken.

    def lock_lines(self, shelves: Iterable[tuple[int, str]]) -> None:
        """Stand alone at shelves, lines in places by (place id, line), until the end."""
        new = set(shelves) - self.locked
        gate.lines(new)
        self.locked |= new

    def lock_sites(self, sites: Iterable[PlantSite]) -> None:
        if connection.features.has_select_for_update:
            ids = sorted(site.pk for site in sites)
            list(
                PlantSite.objects.filter(pk__in=ids)
                .order_by("pk")
                .select_for_update(no_key=True)
                .values_list("pk")
            )

    def take(self, *pairs: tuple[Lot, Place]) -> dict[tuple[int, int], int]:
        """Lock the holdings of these lots in these places, in order, and say what they are.
        Keys are (lot id, place id); quantities are in the lot's unit."""
        self.lock_lines(books.lines_of(pairs))
        wanted = {
            (lot.pk, place.pk): Holding(lot=lot, place=place, source=place.is_source)
            for lot, place in pairs
            if (lot.pk, place.pk) not in self.held
        }
        if wanted:
            there = _holdings(wanted)
            if len(there) < len(wanted):
                Holding.objects.bulk_create(
                    [wanted[key] for key in sorted(wanted) if key not in there],
                    ignore_conflicts=True,
                )
                there = _holdings(wanted)
            self.held |= there
        return self.held

    def stock(self, lot: Lot, place: Place) -> int:
        return self.take((lot, place))[lot.pk, place.pk]

    # What is said.

    def make(self, kind: str, unit: str, code: str = "", **fields: Any) -> Lot:
        """A new lot, unsaved until the entry is posted; its code comes from its counter unless
        a crate tag gives it."""
        lot = Lot(kind=kind, unit=unit, code=code, made_by=self.event, **fields)
        self.lots.append(lot)
        return lot

    def aside(self, dated_as: Event, kind: str) -> Event:
        """A further event, posted because of this one and dated as another: a correction that
        reaches a run moves the run's grams at the run's own moment."""
        event = Event(
            kind=kind,
            recorded_at=self.event.recorded_at,
            recorded_by=self.event.recorded_by,
            because_of=self.event,
            corrects=dated_as,
            **{name: getattr(dated_as, name) for name in DATED_AS},
        )
        event.save(force_insert=True)
        return event

    def move(
        self,
        lot: Lot,
        from_: Place,
        to: Place,
        quantity: int,
        basis: str,
        event: Event | None = None,
    ) -> None:
        """Say that a quantity moved; nought is not written, less than nought goes back."""
        event = event or self.event
        if quantity and from_.pk == to.pk:
            raise Refusal(
                "same_place",
                f"{lot.code} is in {to} already; say another place.",
                lot=lot.code,
                place=to.name,
            )
        if quantity < 0:
            from_, to, quantity = to, from_, -quantity
        if quantity:
            self.moves.append(
                Movement(
                    event=event,
                    lot=lot,
                    from_place=from_,
                    to_place=to,
                    quantity=quantity,
                    basis=basis,
                    day=event.day,
                )
            )

    def join(
        self,
        parent: Lot,
        child: Lot,
        kind: str,
        quantity: int | None = None,
        event: Event | None = None,
    ) -> None:
        """Say that a child came from a parent; a crate that was in two places goes in once."""
        new = Lineage(
            parent=parent, child=child, kind=kind, event=event or self.event, quantity=quantity
        )
        for edge in self.edges:
            if all(getattr(edge, n) is getattr(new, n) for n in ("child", "event")) and (
                edge.parent_id == parent.pk and edge.kind == kind and quantity is not None
            ):
                edge.quantity = (edge.quantity or 0) + quantity
                return
        self.edges.append(new)

    def count(self, lot: Lot, place: Place, quantity: int) -> None:
        """A count stands: whatever is told of the time before it, this was here then."""
        self.counts.append(Counted(event=self.event, lot=lot, place=place, quantity=quantity))

    def walk_again(self, lots: Iterable[Lot], since: dt.datetime) -> None:
        """What was sold of the lines of these lots since a moment hangs on what this says."""
        lines = {lot.line for lot in lots if lot.line}
        shelves = set(Unnamed.objects.filter(line__in=lines).values_list("place_id", "line"))
        shelves |= counted_by_date(lines)
        places = Place.objects.in_bulk({place for place, _ in shelves})
        for place, line in sorted(shelves):
            self.walk_line(places[place], line, since)

    def walk_line(self, place: Place, line: str, since: dt.datetime) -> None:
        self.lines[place, line] = min(since, self.lines.get((place, line), since))

    def flag(self, kind: str, says: str, lot: Lot | None = None) -> None:
        self.flags.append(Flag(event=self.event, kind=kind, says=says[:400], lot=lot))

    def refuse_or(self, code: str, sentence: str, **facts: Any) -> bool:
        """Refuse before the act. True when it is told as a fact and must be written."""
        if not self.told_as_fact:
            raise Refusal(code, sentence, **facts)
        return True

    def hold_at_birth(self, lot: Lot, reason: str) -> None:
        before = self.born_held.get(id(lot))
        self.born_held[id(lot)] = f"{before}; {reason}" if before else reason

    # Posting.

    def post(self) -> None:
        known = [m for m in self.moves if m.lot.pk]
        self._lock_shelves()
        self._refuse_off_tower(known)
        holds.look(self, known)
        net: dict[tuple[int, int], int] = defaultdict(int)
        pairs: dict[tuple[int, int], tuple[Lot, Place]] = {}
        for m in known:
            for place, sign in ((m.from_place, -1), (m.to_place, 1)):
                net[m.lot.pk, place.pk] += sign * m.quantity
                pairs[m.lot.pk, place.pk] = (m.lot, place)
        for c in self.counts:
            pairs.setdefault((c.lot.pk, c.place.pk), (c.lot, c.place))
        # sources and ends last of all, unless a correction looks what is left there; it is alone
        self.take(
            *(
                pairs[key]
                for key in sorted(k for k in pairs if k[0])
                if self.corrects or pairs[key][1].is_standing or pairs[key][1].kind in books.TILLS
            )
        )
        self._take_inputs_as_they_are(known)
        self._refuse_short(net, pairs)
        self._save_lots()
        insert(self.unnamed)
        insert(self.counts)
        insert(self.moves)
        insert(self.edges)
        for call in self.later:
            call()
        own = books.settle(self)
        insert(own)
        moved = [*self.moves, *own]
        _apply(moved, self)
        touched = touch.settle(self)
        holds.at_birth(self, touched)
        # where a sowing stood is read from what moved, told early or late
        self.renews |= any(
            m.lot.kind == LotKind.BATCH
            and m.lot.made_by_id != self.event.pk
            and GROWING & {m.from_place.kind, m.to_place.kind}
            for m in moved
        )
        if self.renews:
            touched += touch.renew(self)
        for look in AFTER_EDGES:
            look(self, [*self.edges, *touched])
        insert(self.flags)
        signing.settle(self)
        if moved:
            for hook in AFTER_POST:
                hook([(m, m.event) for m in moved])

    def _lock_shelves(self) -> None:
        """Before anything is read of them, every line in a place that the books may walk."""
        pairs = [(m.lot, place) for m in self.moves for place in (m.from_place, m.to_place)]
        pairs += [*((c.lot, c.place) for c in self.counts), *self.shelves]
        told = {(u.place.pk, u.line) for u in self.unnamed}
        told |= {(place.pk, line) for place, line in self.lines}
        self.lock_lines(books.lines_of(pairs) | told)

    def _refuse_off_tower(self, known: Iterable[Movement]) -> None:
        """Plants leave a tower with the sites that they stand on; a number alone says nothing of
        those. Acts that end plantings say so in `off`, as (sowing, tower)."""
        if self.corrects:
            return
        told = [(m.lot, m.from_place) for m in known]
        told += [(c.lot, c.place) for c in self.counts]
        for lot, place in told:
            if (
                lot.kind == LotKind.BATCH
                and place.kind == PlaceKind.TOWER
                and (lot.pk, place.pk) not in self.off
            ):
                raise Refusal(
                    "on_a_tower",
                    f"{lot.code} stands on sites of {place}: tell its plants as lost, as cleared, "
                    "or as moved back to a bench, so that their sites are free again.",
                    lot=lot.code,
                    place=place.name,
                )

    def _take_inputs_as_they_are(self, known: Iterable[Movement]) -> None:
        """Inputs are not strict: their quantity is told now and then. Of what leaves a place, what
        the books do not hold there comes from count difference."""
        if self.corrects:
            return
        left = dict(self.held)
        for m in known:
            if m.lot.kind in STRICT or not m.from_place.is_standing:
                continue
            key = m.lot.pk, m.from_place.pk
            short = m.quantity - max(0, left[key])
            left[key] -= m.quantity
            if short <= 0:
                continue
            self.move(m.lot, the("count_difference"), m.to_place, short, m.basis)
            self.moves[-1].despite_hold = m.despite_hold
            m.quantity -= short
        self.moves = [m for m in self.moves if m.quantity]

    def _refuse_short(
        self,
        net: Mapping[tuple[int, int], int],
        pairs: Mapping[tuple[int, int], tuple[Lot, Place]],
    ) -> None:
        if self.told_as_fact or self.may_short:
            return
        for key in sorted(net):
            lot, place = pairs[key]
            if lot.kind not in STRICT or place.is_source or key not in self.held:
                continue
            if self.held[key] + net[key] >= 0:
                continue
            if self.corrects:
                if place.is_standing or place.kind in books.TILLS:
                    continue  # the walk decides: what a fact took may be short again
                raise Refusal(
                    "already_used",
                    f"{lot.code} was moved on since: {place} holds {self.held[key]} {lot.unit} "
                    f"of it and {-net[key]} would go back.",
                    lot=lot.code,
                    place=place.name,
                    holds=self.held[key],
                    asked=-net[key],
                )
            raise Refusal(
                "short",
                f"{lot.code} holds {self.held[key]} {lot.unit} in {place}; "
                f"{-net[key]} was asked for. Weigh or count it, or tell it as already done.",
                lot=lot.code,
                place=place.name,
                holds=self.held[key],
                asked=-net[key],
            )

    def _save_lots(self) -> None:
        free = defaultdict(list)
        for lot in self.lots:
            if not lot.code:
                free[codes.SERIES[LotKind(lot.kind)]].append(lot)
        day = clock.number_day(self.event.day)
        for series in sorted(free):
            numbers = codes.take(series, day, len(free[series]))
            for lot, code in zip(free[series], numbers, strict=True):
                lot.code = code
        insert(self.lots)
        for row in (*self.moves, *self.edges, *self.counts, *self.flags):
            # they were built while the lot had no id yet
            for name in ("lot", "parent", "child"):
                if name in row._state.fields_cache:
                    setattr(row, name, row._state.fields_cache[name])


def _holdings(keys: Iterable[tuple[int, int]]) -> dict[tuple[int, int], int]:
    keys = set(keys)
    rows = Holding.objects.filter(
        lot_id__in={k[0] for k in keys}, place_id__in={k[1] for k in keys}
    ).order_by("lot_id", "place_id")
    if connection.features.has_select_for_update:
        rows = rows.select_for_update(no_key=True)
    return {
        (r[0], r[1]): r[2]
        for r in rows.values_list("lot_id", "place_id", "quantity")
        if (r[0], r[1]) in keys
    }


def _apply(moves: list[Movement], entry: Entry) -> None:
    """Bring holdings to the sum of what was written, by net quantity and in order."""
    net: dict[tuple[int, int], int] = defaultdict(int)
    sources: dict[int, bool] = {}
    for m in moves:
        for place, sign in ((m.from_place, -1), (m.to_place, 1)):
            net[m.lot_id, place.pk] += sign * m.quantity
            sources[place.pk] = place.is_source
    new = {lot.pk for lot in entry.lots}
    fresh = [
        Holding(lot_id=lot, place_id=place, quantity=quantity, source=sources[place])
        for (lot, place), quantity in sorted(net.items())
        if lot in new
    ]
    insert(fresh)
    old = {key: n for key, n in sorted(net.items()) if n and key[0] not in new}
    missing = [k for k, n in old.items() if n < 0 and not sources[k[1]] and k not in entry.held]
    if missing:
        Holding.objects.bulk_create(
            [Holding(lot_id=a, place_id=b, source=False) for a, b in missing],
            ignore_conflicts=True,
        )
    with connection.cursor() as cursor:
        for (lot, at), quantity in old.items():
            if quantity < 0 and not sources[at]:
                # not the other way: the CHECK would refuse the row before the conflict is seen
                cursor.execute(_TAKE, [quantity, lot, at])
            else:
                cursor.execute(_GIVE, [lot, at, quantity, sources[at]])


_TAKE = "UPDATE grow_holding SET quantity = quantity + %s WHERE lot_id = %s AND place_id = %s"
_GIVE = """
    INSERT INTO grow_holding (lot_id, place_id, quantity, source) VALUES (%s, %s, %s, %s)
    ON CONFLICT (lot_id, place_id)
    DO UPDATE SET quantity = grow_holding.quantity + excluded.quantity
"""


def cancel_rows(entry: Entry, family: list[Event]) -> None:
    """Take back what a family of events (one and its corrections) moved, made, began and ended.

    Movements are taken back by movements the other way, each at its own moment; dated records
    and edges are readings and go. The events stay, for trace to list."""
    ids = [e.pk for e in family]
    asides: dict[int, Event] = {}
    moved = Movement.objects.filter(event__in=ids).select_related(
        "lot", "from_place", "to_place", "event"
    )
    for m in moved:
        at = entry.event
        # what reached another act is taken back beside that act, also where both are of one moment
        if m.event.placed_at != at.placed_at or m.event.kind in ASIDE:
            if m.event_id not in asides:
                asides[m.event_id] = entry.aside(m.event, "cancel_because")
            at = asides[m.event_id]
        entry.move(m.lot, m.to_place, m.from_place, m.quantity, m.basis, event=at)
        entry.moves[-1].takes_back = m
    made = Lot.objects.filter(made_by__in=ids)
    for c in Counted.objects.filter(event__in=ids).select_related("lot", "place"):
        entry.shelves.add((c.lot, c.place))
    for event in family:
        if event.kind == "count" and event.place:
            books.uncounted(entry, event.place, event)
    for u in Unnamed.objects.filter(event__in=ids).select_related("place"):
        entry.walk_line(u.place, u.line, entry.event.placed_at)
    # dates and holds say what a till could take
    learnt = Description.objects.filter(event__in=ids).exclude(lot__in=made)
    for d in learnt.filter(best_before__isnull=False).select_related("lot", "event"):
        entry.walk_again([d.lot], d.event.placed_at)
    learnt.delete()
    stopped = Hold.objects.filter(models.Q(began_by__in=ids) | models.Q(ended_by__in=ids))
    for h in stopped.select_related("lot"):
        entry.walk_again([h.lot], h.began_at)
    CutSite.objects.filter(lot__in=made).delete()
    Lineage.objects.filter(models.Q(event__in=ids) | models.Q(child__in=made)).delete()
    Lineage.objects.filter(struck_by__in=ids).update(struck_by=None)
    Lineage.objects.filter(cleared_by__in=ids).update(cleared_by=None)
    struck = Counted.objects.filter(struck_by__in=ids)
    entry.shelves.update((c.lot, c.place) for c in struck.select_related("lot", "place"))
    struck.update(struck_by=None)
    for model in DATED:
        model._default_manager.filter(began_by__in=ids).delete()
        model._default_manager.filter(ended_by__in=ids).update(ended_by=None, ended_at=None)
    entry.renews = True


__all__ = [
    "AFTER_EDGES",
    "AFTER_POST",
    "ALONE_WHILE",
    "BEFORE_CANCEL",
    "CANCELLING",
    "KINDS",
    "Entry",
    "Kind",
    "cancel_rows",
    "canonical",
    "operation",
]
