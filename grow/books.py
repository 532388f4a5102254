"""The books' own rows: count differences, shortfalls and worked-out sales.

They are not facts but what follows from the facts on one shelf. A shelf is a lot in a place,
or a line (a product) in a place where a till sells it without naming lots. It is walked in
order of time:

- a fact that would go below nought draws its shortfall from count difference;
- a till row takes, first-expired-first among the lots there then, not past their date and not
  held then, what no named act takes and no count proves to be still there;
- a count sets the figure, and the rest is count difference.

Whatever is told or cancelled walks its shelves again and posts the difference to the rows that
stand there, each dated where it belongs. So evidence beats inference by itself, and the order
of telling does not matter.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from django.db import connection
from django.db.models import Case, Exists, OuterRef, Q, Sum, When

from . import clock
from .errors import Refusal
from .kinds import CANCELLING, DIFFERENCE, OWN, SHORTFALL, WORKED_OUT
from .models import (
    OUTLETS,
    STRICT,
    Basis,
    Counted,
    Description,
    Event,
    Flag,
    Hold,
    Lot,
    Movement,
    Place,
    PlaceKind,
    Unnamed,
    alive,
)
from .setup import the
from .telling import canonical

if TYPE_CHECKING:
    from .ledger import Entry

Moment = dt.datetime
#: Corrections take what they must, also from a crate that was used since.
MAY_SHORT = ("correct_weight", "correct_origin", "run_corrected")
#: Ends that something may come back out of.
TILLS = frozenset({PlaceKind.SOLD, PlaceKind.SERVED})
_FIELDS = (
    "lot_id",
    "from_place_id",
    "to_place_id",
    "quantity",
    "event__placed_at",
    "event__kind",
    "event__corrects_id",
    "event__already_done",
    Case(When(event__kind=WORKED_OUT, then="event__told")),
)
#: The row of a till that a sale is worked out for: its event, and at what price if it told one. A
#: worked-out sale's event corrects the one and says the other.
Till = tuple[int, str]
#: kind, moment, the till row (worked-out sales only), lot, from, to
Key = tuple[str, Moment, Till | None, int, int, int]


@dataclass
class _OneLot:
    """What is known of one lot on a shelf, from the window's start on."""

    opening: int = 0
    facts: dict[Moment, int] = field(default_factory=lambda: defaultdict(int))
    counts: dict[Moment, int] = field(default_factory=dict)
    # filled by the walk
    moments: list[Moment] = field(default_factory=list)
    after: list[int] = field(default_factory=list)  # named balance after each moment
    free: list[int] = field(default_factory=list)  # least that a till may take from then on
    taken: int = 0

    def walk(self) -> dict[Moment, int]:
        """The balance by named acts alone. Returns the shortfalls: moment → quantity > 0."""
        short: dict[Moment, int] = {}
        self.moments = sorted({*self.facts, *self.counts})
        balance, before_count = self.opening, {}
        for m in self.moments:
            balance += self.facts.get(m, 0)
            if balance < 0:
                short[m], balance = -balance, 0
            if m in self.counts:
                before_count[m] = balance
                balance = self.counts[m]
            self.after.append(balance)
        least: int | None = None
        for m, balance in zip(reversed(self.moments), reversed(self.after), strict=True):
            least = balance if least is None else min(least, balance)
            self.free.append(least)
            if m in self.counts:
                # up to here a till may take no more than the count proves to be gone
                least = max(before_count[m] - self.counts[m], 0)
        self.free.reverse()
        self.before_count = before_count
        self.free_at_start = self.opening if least is None else min(self.opening, least)
        return short

    def free_at(self, moment: Moment) -> int:
        i = bisect_right(self.moments, moment) - 1
        if i >= 0 and self.moments[i] == moment and moment in self.counts:
            # a till row stands before the count of its own moment
            return max(self.before_count[moment] - self.counts[moment], 0) - self.taken
        return (self.free[i] if i >= 0 else self.free_at_start) - self.taken


def settle(entry: Entry) -> list[Movement]:
    """Walk every shelf that an entry touches; returns the own rows to write (unsaved, their
    events saved). Raises Refusal when an act that was not told as a fact would leave less than
    nothing at some moment."""
    pairs = {
        (m.lot_id, place.pk): (m.lot, place)
        for m in entry.moves
        for place in (m.from_place, m.to_place)
        if m.lot.kind in STRICT and place.is_standing
    }
    pairs |= {(c.lot.pk, c.place.pk): (c.lot, c.place) for c in entry.counts}
    pairs |= {(lot.pk, place.pk): (lot, place) for lot, place in entry.shelves}
    lines = {(u.place.pk, u.line): u.place for u in entry.unnamed}
    lines |= {(place.pk, line): place for place, line in entry.lines}
    sold_by_line = {
        (place.pk, lot.line): place
        for lot, place in pairs.values()
        if lot.line and place.kind in OUTLETS
    }
    if sold_by_line:
        told = Unnamed.objects.filter(
            place__in={p for p, _ in sold_by_line}, line__in={line for _, line in sold_by_line}
        ).values_list("place_id", "line")
        lines |= {key: sold_by_line[key] for key in set(told) if key in sold_by_line}
    alone = {key: pair for key, pair in pairs.items() if (pair[1].pk, pair[0].line) not in lines}
    walked = _Walk(entry)
    if alone:
        walked.lots(alone)
    by_place: dict[Place, set[str]] = defaultdict(set)
    for (_, line), place in lines.items():
        by_place[place].add(line)
    for place in sorted(by_place, key=lambda p: p.pk):
        walked.shelf(place, by_place[place])
    own = walked.own_rows()
    return [*own, *_settle_tills(entry, own)]


def _settle_tills(entry: Entry, own: list[Movement]) -> list[Movement]:
    """What customers brought back came out of what was sold or served. Where the books now think
    that less of a lot was sold than came back, the rest comes from count difference."""
    pairs = {
        (m.lot_id, place.pk): (m.lot, place)
        for m in [*entry.moves, *own]
        for place in (m.from_place, m.to_place)
        if place.kind in TILLS
    }
    if not pairs:
        return []
    left = set(
        Movement.objects.filter(
            lot__in={lot for lot, _ in pairs}, from_place__in={place for _, place in pairs}
        )
        .exclude(event__kind__in=OWN)
        .values_list("lot_id", "from_place_id")
    )
    pairs = {key: pair for key, pair in pairs.items() if key in left}
    if not pairs:
        return []
    walked = _Walk(entry)
    walked.lots(pairs, own)
    return walked.own_rows()


def _counts_of(lots: set[int], places: set[int]) -> list[tuple[int, int, int, Moment]]:
    """Counts that stand: lot, place, quantity, moment. Most lots have none, and then nothing
    more is asked."""
    rows = list(
        Counted.objects.filter(struck_by=None, lot__in=lots, place__in=places).values_list(
            "lot_id", "place_id", "quantity", "event__placed_at", "event_id"
        )
    )
    if not rows:
        return []
    dead = set(
        Event.objects.filter(
            corrects__in={row[4] for row in rows}, kind__in=CANCELLING
        ).values_list("corrects_id", flat=True)
    )
    return [row[:4] for row in rows if row[4] not in dead]


class _Walk:
    def __init__(self, entry: Entry) -> None:
        self.entry = entry
        self.wanted: dict[Key, int] = defaultdict(int)
        self.there: dict[Key, int] = defaultdict(int)
        self.difference = the("count_difference").pk
        self.rows: dict[int, Lot] = {}
        self.places: dict[int, Place] = {self.difference: the("count_difference")}
        #: where and when a told fact took something away: there a shortfall is no surprise
        self.told_so: set[tuple[int, int, Moment]] = set()

    # -- a lot in a place

    def lots(
        self, pairs: dict[tuple[int, int], tuple[Lot, Place]], unsaved: Iterable[Movement] = ()
    ) -> None:
        """Walk lots in places. unsaved are own rows of another shelf that lead here."""
        shelves: dict[tuple[int, int], _OneLot] = {key: _OneLot() for key in pairs}
        for lot, place in pairs.values():
            self.rows[lot.pk] = lot
            self.places[place.pk] = place
        # of a lot that this entry makes there is nothing to read yet but what it says itself
        newborn = {lot.pk for lot in self.entry.lots}
        older = {lot for lot, _ in pairs} - newborn
        rows = [_row(m) for m in self.entry.moves if m.lot_id in newborn]
        rows += [_row(m) for m in unsaved]
        if older:
            rows += Movement.objects.filter(lot__in=older).values_list(*_FIELDS)
        for row in rows:
            lot, from_, to, quantity = row[:4]
            for place, signed in ((from_, -quantity), (to, quantity)):
                if (lot, place) in shelves:
                    self._sort(shelves[lot, place], place, signed, row)
        counting = older | {c.lot.pk for c in self.entry.counts}
        counted = _counts_of(counting, {place for _, place in pairs}) if counting else []
        for lot_id, place_id, quantity, moment in counted:
            if (lot_id, place_id) in shelves:
                shelves[lot_id, place_id].counts[moment] = quantity
        for key, one in shelves.items():
            self._shortfalls(*key, one.walk())
            for moment, figure in one.counts.items():
                self._difference(*key, moment, one.before_count[moment] - figure)

    def _sort(self, one: _OneLot, place: int, signed: int, row: tuple) -> None:
        """An own row is compared with what is wanted; all else is a fact. A worked-out sale is
        own to the shelf that it left, and a fact to the till that it reached."""
        lot, from_, to, quantity, moment, kind, corrects, fact, said = row
        at_the_till = kind == WORKED_OUT and self.places[place].kind in TILLS
        if kind in OWN and not at_the_till:
            # it has its shelf on one side and a source or end on the other
            forward = self._forward(kind, place, from_, to)
            till = (corrects, said or "") if kind == WORKED_OUT else None
            key = (kind, moment, till, lot, *((from_, to) if forward else (to, from_)))
            self.there[key] += quantity if forward else -quantity
        else:
            one.facts[moment] += signed
            if signed < 0 and (fact or kind in MAY_SHORT):
                self.told_so.add((lot, place, moment))

    def _forward(self, kind: str, place: int, from_: int, to: int) -> bool:
        if kind == SHORTFALL:
            return from_ == self.difference
        if kind == DIFFERENCE:
            return to == self.difference
        return from_ == place

    def _shortfalls(self, lot: int, place: int, short: dict[Moment, int]) -> None:
        for moment, quantity in short.items():
            self.wanted[SHORTFALL, moment, None, lot, self.difference, place] += quantity

    def _difference(self, lot: int, place: int, moment: Moment, gone: int) -> None:
        if gone:
            self.wanted[DIFFERENCE, moment, None, lot, place, self.difference] += gone

    # -- a line in a place

    def shelf(self, place: Place, lines: Iterable[str]) -> None:
        """Walk lines in a place, those with one window together."""
        self.places[place.pk] = place
        together: dict[Moment | None, list[str]] = defaultdict(list)
        for line, start in self._windows(place, sorted(lines)).items():
            together[start].append(line)
        for start, group in together.items():
            self._since(place, group, start)

    def _windows(self, place: Place, lines: list[str]) -> dict[str, Moment | None]:
        """The last closing count of each line before this entry: what stands there stands."""
        since = min([self.entry.event.placed_at, *(m.event.placed_at for m in self.entry.moves)])
        counted = Event.objects.filter(alive(), kind="count", place=place, placed_at__lt=since)
        out: dict[str, Moment | None] = {}
        for line in lines:
            # from the last one backwards: what lies years behind is not looked at
            of_line = Counted.objects.filter(event=OuterRef("pk"), place=place, lot__line=line)
            last = counted.filter(Exists(of_line)).order_by("-placed_at")
            out[line] = last.values_list("placed_at", flat=True).first()
        return out

    def _lots_since(self, place: Place, lines: list[str], start: Moment) -> set[int]:
        """The lots of some lines that are on a shelf, or have come, gone or been counted there
        since a moment: all others were gone before it, and do not matter to what follows."""
        day = clock.day_number(clock.local(start).date())
        marks = ", ".join(["%s"] * len(lines))
        with connection.cursor() as cursor:
            # CROSS JOIN: SQLite would begin at every lot that the line ever had
            cursor.execute(
                "SELECT m.lot_id FROM grow_movement m CROSS JOIN grow_lot l WHERE m.day >= %s "
                "AND (m.to_place_id = %s OR m.from_place_id = %s) "
                f"AND l.id = m.lot_id AND l.line IN ({marks}) UNION "
                "SELECT h.lot_id FROM grow_holding h CROSS JOIN grow_lot l WHERE h.place_id = %s "
                f"AND h.quantity <> 0 AND l.id = h.lot_id AND l.line IN ({marks})",
                [day, place.pk, place.pk, *lines, place.pk, *lines],
            )
            found = {row[0] for row in cursor.fetchall()}
        counted = (c.lot for c in self.entry.counts if c.place.pk == place.pk)
        return found | {lot.pk for lot in counted if lot.line in lines}

    def _since(self, place: Place, lines: list[str], start: Moment | None) -> None:
        after = {"event__placed_at__gt": start} if start else {}
        shelf: dict[int, _OneLot] = defaultdict(_OneLot)
        here: dict[str, Any] = {"lot__line__in": lines}
        if start:
            here = {"lot__in": self._lots_since(place, lines, start)}
        on_shelf = Movement.objects.filter(Q(to_place=place) | Q(from_place=place), **here)
        if start:
            opening: dict[int, int] = defaultdict(int)
            sums = (
                on_shelf.filter(event__placed_at__lte=start)
                .values_list("lot_id", "to_place_id")
                .annotate(Sum("quantity"))
            )
            for lot, to, quantity in sums:
                opening[lot] += quantity if to == place.pk else -quantity
            for lot, quantity in opening.items():
                if quantity:
                    shelf[lot].opening = quantity
        for row in on_shelf.filter(**after).values_list(*_FIELDS):
            self._sort(shelf[row[0]], place.pk, row[3] if row[2] == place.pk else -row[3], row)
        counted = Counted.objects.filter(
            alive("event"), struck_by=None, place=place, **here, **after
        ).values_list("lot_id", "quantity", "event__placed_at", "event__kind", "lot__line")
        closing: dict[str, set[Moment]] = defaultdict(set)
        for lot, quantity, moment, kind, line in counted:
            shelf[lot].counts[moment] = quantity
            if kind == "count":
                closing[line].add(moment)
        for lot in [k for k, one in shelf.items() if not (one.opening or one.facts or one.counts)]:
            del shelf[lot]
        dated = _first_expired_first(shelf)
        rows: dict[str, list[tuple]] = defaultdict(list)
        told = Unnamed.objects.filter(alive("event"), place=place, line__in=lines, **after)
        for line, event, pence, *row in told.order_by("event__placed_at", "id").values_list(
            "line", "event_id", "unit_pence", "to_place_id", "quantity", "event__placed_at"
        ):
            said = "" if pence is None else canonical({"unit_pence": pence})
            rows[line].append(((event, said), *row))
        held = _held_times(list(shelf)) if rows else {}
        for line in lines:
            lots = [(lot, use_by) for lot, use_by in dated if lot.line == line]
            for lot, _ in lots:
                self.rows[lot.pk] = lot
                self._shortfalls(lot.pk, place.pk, shelf[lot.pk].walk())
            mine = {lot.pk: shelf[lot.pk] for lot, _ in lots}
            self._tills(place, line, rows[line], held, mine, lots, closing[line])

    def _tills(self, place, line, rows, held, shelf, lots, closing) -> None:
        counts = sorted({m for one in shelf.values() for m in one.counts})
        stops = sorted(
            {*(row[3] for row in rows), *counts, *(m for one in shelf.values() for m in one.facts)}
        )
        waiting: list[list] = []
        unresolved: list[list] = []
        tz = clock.zone()
        by_moment = defaultdict(list)
        for till, to, quantity, moment in rows:
            by_moment[moment].append([till, to, quantity])
        for moment in stops:
            waiting += by_moment.get(moment, [])
            day = clock.local(moment, tz).date()
            for row in waiting:
                till, to, _ = row
                for lot, use_by in lots:
                    if not row[2]:
                        break
                    if (use_by and use_by < day) or _was_held(held, lot.pk, moment):
                        continue
                    take = min(row[2], shelf[lot.pk].free_at(moment))
                    if take > 0:
                        shelf[lot.pk].taken += take
                        row[2] -= take
                        self.wanted[WORKED_OUT, moment, till, lot.pk, place.pk, to] += take
            waiting = [row for row in waiting if row[2]]
            for lot, _ in lots:
                one = shelf[lot.pk]
                if moment in one.counts:
                    gone = one.before_count[moment] - one.taken - one.counts[moment]
                    self._difference(lot.pk, place.pk, moment, gone)
                    one.taken = 0
            if moment in closing:
                unresolved += waiting
                waiting = []
        for (event, _), _, left in [*unresolved, *waiting]:
            if event == self.entry.event.pk:
                self.entry.flag(
                    Flag.Kind.LOT_UNKNOWN,
                    f"{left} of {line} sold at {place}, lot unknown: the books had no more there. "
                    "A receipt or a count resolves it.",
                )

    # -- what to post

    def own_rows(self) -> list[Movement]:
        entry = self.entry
        events: dict[tuple[str, Moment, Till | None], Event] = {}
        out: list[Movement] = []
        changes = {
            key: self.wanted.get(key, 0) - self.there.get(key, 0)
            for key in sorted(
                {*self.wanted, *self.there}, key=lambda k: (k[1], k[0], k[2] or (0, ""), *k[3:])
            )
        }
        for (kind, moment, _, lot, _, place), change in changes.items():
            if kind == SHORTFALL and change > 0:
                if entry.kind.name in CANCELLING and (lot, place, moment) in self.told_so:
                    continue  # a fact is short again, as it was before what is now taken back
                self._refuse_or_flag(self.rows[lot], self.places[place], moment, change)
        for key, change in changes.items():
            if not change:
                continue
            kind, moment, till, lot, from_, to = key
            if change < 0:
                from_, to, change = to, from_, -change
            group = (kind, moment, till)
            if group not in events:
                events[group] = Event(
                    kind=kind,
                    happened_at=moment,
                    placed_at=moment,
                    earliest_at=moment,
                    latest_at=moment,
                    day=clock.day_number(clock.local(moment).date()),
                    recorded_at=entry.event.recorded_at,
                    recorded_by=entry.event.recorded_by,
                    because_of=entry.event,
                    corrects_id=till[0] if till else None,
                    told=(till[1] or None) if till else None,
                )
                events[group].save(force_insert=True)
            out.append(
                Movement(
                    event=events[group],
                    lot=self._lot(lot),
                    from_place=self._place(from_),
                    to_place=self._place(to),
                    quantity=change,
                    basis=Basis.COUNTED if kind == DIFFERENCE else Basis.WORKED_OUT,
                    day=events[group].day,
                    despite_hold=True,
                )
            )
        return out

    def _refuse_or_flag(self, lot: Lot, place: Place, moment: Moment, change: int) -> None:
        entry = self.entry
        when = clock.local(moment)
        if not (entry.told_as_fact or entry.may_short):
            raise Refusal(
                "short_then",
                f"The books would hold {change} {lot.unit} less than nothing of {lot.code} in "
                f"{place} at {when:%H:%M on %d %b %Y}. Put that entry right first, or tell this "
                "as already done.",
                lot=lot.code,
                place=place.name,
                moment=moment.isoformat(),
                below=change,
            )
        entry.flag(
            Flag.Kind.SHORT,
            f"{change} {lot.unit} of {lot.code} beyond the books in {place} on "
            f"{when:%d %b %Y %H:%M}; taken from count difference.",
            lot,
        )

    def _lot(self, pk: int) -> Lot:
        if pk not in self.rows:
            self.rows[pk] = Lot.objects.get(pk=pk)
        return self.rows[pk]

    def _place(self, pk: int) -> Place:
        if pk not in self.places:
            self.places[pk] = Place.objects.get(pk=pk)
        return self.places[pk]


def _row(m: Movement) -> tuple:
    e = m.event
    return (
        m.lot_id,
        m.from_place_id,
        m.to_place_id,
        m.quantity,
        e.placed_at,
        e.kind,
        e.corrects_id,
        e.already_done,
        e.told if e.kind == WORKED_OUT else None,
    )


def _first_expired_first(shelf: dict[int, _OneLot]) -> list[tuple[Lot, dt.date | None]]:
    """The lots of a shelf with their dates as they stand: first to expire, then first made."""
    lots = list(Lot.objects.filter(pk__in=shelf).select_related("made_by"))
    shorter = dict(
        Description.objects.filter(lot__in=shelf, best_before__isnull=False)
        .order_by("-best_before")  # so that the earliest stands
        .values_list("lot_id", "best_before")
    )
    dated = [
        (lot, min(filter(None, (lot.use_by, shorter.get(lot.pk))), default=None)) for lot in lots
    ]
    return sorted(dated, key=lambda d: (d[1] or dt.date.max, d[0].made_by.placed_at, d[0].pk))


def _held_times(lots: list[int]) -> dict[int, list[tuple[Moment, Moment | None]]]:
    times = defaultdict(list)
    for lot, began, ended in Hold.objects.filter(lot__in=lots).values_list(
        "lot_id", "began_at", "ended_at"
    ):
        times[lot].append((began, ended))
    return times


def _was_held(held, lot: int, moment: Moment) -> bool:
    return any(a <= moment and (b is None or moment < b) for a, b in held.get(lot, ()))
