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
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from functools import cache
from typing import TYPE_CHECKING, Any

from django.db.models import Case, Q, Sum, When

from . import clock
from .errors import Refusal
from .kinds import CANCELLING, DIFFERENCE, OWN, SHORTFALL, WORKED_OUT
from .models import (
    OUTLETS,
    STRICT,
    Basis,
    Counted,
    Event,
    Flag,
    Lot,
    Movement,
    Place,
    PlaceKind,
    Unnamed,
    alive,
)
from .ready import Given, ready
from .setup import the
from .shelf import (
    Dates,
    OneLot,
    Wholes,
    chunks,
    figures,
    held_times,
    last_whole,
    named_by_date,
    split_by_date,
    there_since,
    was_held,
    whole_counts,
)
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


_lines_told = ready(
    lambda: Unnamed.objects.filter(
        place__in=Given.each("places"), line__in=Given.texts("lines")
    ).values_list("place_id", "line")
)
_moved = ready(lambda: Movement.objects.filter(lot__in=Given.each("lots")).values_list(*_FIELDS))
_counted = ready(
    lambda: Counted.objects.filter(
        struck_by=None, lot__in=Given.each("lots"), place__in=Given.each("places")
    ).values_list(
        "lot_id", "place_id", "quantity", "event__placed_at", "event__happened_at", "event_id"
    )
)


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
    # a shop's shelf is walked by the line: a till names no lots there, and a count by date none
    lines |= {key: place for key, place in sold_by_line.items() if place.kind == PlaceKind.SHOP}
    rest = sold_by_line.keys() - lines.keys()
    if rest:
        told = _lines_told(places={p for p, _ in rest}, lines={line for _, line in rest})
        lines |= {key: sold_by_line[key] for key in set(told) if key in sold_by_line}
    alone = {key: pair for key, pair in pairs.items() if (pair[1].pk, pair[0].line) not in lines}
    walked = Walk(entry)
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
    walked = Walk(entry)
    walked.lots(pairs, own)
    return walked.own_rows()


def _counts_of(
    lots: Collection[int], places: set[int]
) -> dict[tuple[int, int], list[tuple[int, Moment, Moment, int]]]:
    """Counts that stand, by lot and place: quantity, placed, happened, event. Most lots have
    none, and then nothing more is asked."""
    rows = _counted(lots=lots, places=places)
    if not rows:
        return {}
    dead: set[int | None] = set()
    for some in chunks({row[5] for row in rows}):
        dead |= set(
            Event.objects.filter(corrects__in=some, kind__in=CANCELLING).values_list(
                "corrects_id", flat=True
            )
        )
    found: dict[tuple[int, int], list[tuple[int, Moment, Moment, int]]] = defaultdict(list)
    for lot, place, quantity, placed, happened, event in rows:
        if event not in dead:
            found[lot, place].append((quantity, placed, happened, event))
    return found


def lines_of(pairs: Iterable[tuple[Lot, Place]]) -> set[tuple[int, str]]:
    """The lines on shelves (place id, line) that lots in places belong to: what was sold of a
    line is worked out for all of it at once."""
    found = set()
    for lot, place in pairs:
        shelf = place.belongs_to_id if place.kind in TILLS else place.pk
        if lot.line and shelf and (place.kind in OUTLETS or place.kind in TILLS):
            found.add((shelf, lot.line))
    return found


def uncounted(entry: Entry, place: Place, count: Event) -> None:
    """Once a count is taken back, whatever it was that made it differ, and whatever another of
    its moment says, is walked again: also lots that it did not see."""
    there = Q(from_place=place) | Q(to_place=place)
    moved = Movement.objects.filter(
        there, event__kind=DIFFERENCE, event__placed_at=count.placed_at
    ).values("lot")
    seen = Counted.objects.filter(
        place=place, event__kind="count", event__placed_at=count.placed_at
    ).values("lot")
    lots = Lot.objects.filter(Q(pk__in=moved) | Q(pk__in=seen)).select_related("made_by")
    entry.shelves.update((lot, place) for lot in lots)
    fresh_start(entry, place)


def fresh_start(entry: Entry, place: Place) -> None:
    """A count of all that stands in a place answers every till row before it."""
    lines = Unnamed.objects.filter(place=place).values_list("line", flat=True).distinct()
    for line in lines:
        entry.walk_line(place, line, entry.event.placed_at)


class Walk:
    """Some shelves walked: what of the books' own rows is wanted there, and what stands there."""

    def __init__(self, entry: Entry | None = None) -> None:
        """Because of an entry; without one nothing is posted, only looked at."""
        self._entry = entry
        self.wanted: dict[Key, int] = defaultdict(int)
        self.there: dict[Key, int] = defaultdict(int)
        self.difference = the("count_difference").pk
        self.rows: dict[int, Lot] = {}
        self.places: dict[int, Place] = {self.difference: the("count_difference")}
        #: where and when a told fact took something away: there a shortfall is no surprise
        self.told_so: set[tuple[int, int, Moment]] = set()

    @property
    def entry(self) -> Entry:
        assert self._entry is not None
        return self._entry

    @property
    def changes(self) -> dict[Key, int]:
        """What would have to be posted, in order of time."""
        keys = {*self.wanted, *self.there}
        changes = {key: self.wanted.get(key, 0) - self.there.get(key, 0) for key in keys}
        in_order = sorted(changes, key=lambda k: (k[1], k[0], k[2] or (0, ""), *k[3:]))
        return {key: changes[key] for key in in_order}

    # -- a lot in a place

    def lots(
        self, pairs: dict[tuple[int, int], tuple[Lot, Place]], unsaved: Iterable[Movement] = ()
    ) -> None:
        """Walk lots in places. unsaved are own rows of another shelf that lead here."""
        shelves: dict[tuple[int, int], OneLot] = {key: OneLot() for key in pairs}
        for lot, place in pairs.values():
            self.rows[lot.pk] = lot
            self.places[place.pk] = place
        # of a lot that this entry makes there is nothing to read yet but what it says itself
        entry = self._entry
        newborn = {lot.pk for lot in entry.lots} if entry else set()
        counting = {c.lot.pk for c in entry.counts} if entry else set()
        older = {lot for lot, _ in pairs} - newborn
        rows = [_row(m) for m in (entry.moves if entry and newborn else ()) if m.lot_id in newborn]
        rows += [_row(m) for m in unsaved]
        if older:
            rows += _moved(lots=older)
        for row in rows:
            lot, from_, to, quantity = row[:4]
            for place, signed in ((from_, -quantity), (to, quantity)):
                if (lot, place) in shelves:
                    self._sort(shelves[lot, place], place, signed, row)
        places = {place for _, place in pairs}
        counted = _counts_of(older | counting, places) if older | counting else {}
        first = {
            key: min([*one.facts, *(row[1] for row in counted.get(key, ()))], default=None)
            for key, one in shelves.items()
        }
        since = min((moment for moment in first.values() if moment), default=None)
        standing = [place for place in places if self.places[place].is_standing]
        wholes = whole_counts(standing, since) if since and standing else Wholes()
        for key, one in shelves.items():
            ends, came = wholes.of(key[1], self.rows[key[0]].line), first[key]
            ends = {moment: which for moment, which in ends.items() if came and moment >= came}
            one.counts = figures(counted.get(key, ()), ends)
            self._shortfalls(*key, one.walk())
            for moment, figure in one.counts.items():
                self._difference(*key, moment, one.before_count[moment] - figure)

    def _sort(self, one: OneLot, place: int, signed: int, row: tuple) -> None:
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
            self.since(place, group, start)

    def _windows(self, place: Place, lines: list[str]) -> dict[str, Moment | None]:
        """The last whole count of each line before this entry."""
        entry = self.entry
        since = min([entry.event.placed_at, *(m.event.placed_at for m in entry.moves)])
        return {
            line: last_whole(place.pk, line, min(since, entry.lines.get((place, line), since)))
            for line in lines
        }

    def since(self, place: Place, lines: list[str], start: Moment | None) -> None:
        """Walk lines in a place from a whole count on, or from the beginning: one stretch after
        another, from each whole count to the next, for what was counted stands."""
        after = {"event__placed_at__gt": start} if start else {}
        opening: dict[int, int] = defaultdict(int)
        here: dict[str, Any] = {"lot__line__in": lines}
        if start:
            lots = there_since(place.pk, start, lines)
            lots |= {
                c.lot.pk
                for c in self.entry.counts
                if c.place.pk == place.pk and c.lot.line in lines
            }
            lots |= named_by_date(place.pk, start, lines)
            here = {"lot__in": lots}
        on_shelf = Movement.objects.filter(Q(to_place=place) | Q(from_place=place), **here)
        if start:
            sums = (
                on_shelf.filter(event__placed_at__lte=start)
                .values_list("lot_id", "to_place_id")
                .annotate(Sum("quantity"))
            )
            for lot, to, quantity in sums:
                opening[lot] += quantity if to == place.pk else -quantity
        moved = list(on_shelf.filter(**after).values_list(*_FIELDS))
        counted = list(
            Counted.objects.filter(
                alive("event"), struck_by=None, place=place, **here, **after
            ).values_list(
                "lot_id",
                "quantity",
                "event__placed_at",
                "event__happened_at",
                "event_id",
                "event__kind",
            )
        )
        told = Unnamed.objects.filter(alive("event"), place=place, line__in=lines, **after)
        tills = list(
            told.order_by("event__placed_at", "id").values_list(
                "line", "event_id", "unit_pence", "to_place_id", "quantity", "event__placed_at"
            )
        )
        wholes = whole_counts([place.pk], start)
        ids = {*opening, *(row[0] for row in moved), *(row[0] for row in counted)}
        dates = Dates(ids)
        held = held_times(ids) if tills else {}
        for line in lines:
            lots_ = {pk for pk, lot in dates.lots.items() if lot.line == line}
            ends = {m: e for m, e in wholes.of(place.pk, line).items() if not start or m > start}
            stretches = _Stretches(sorted(ends), wholes.blurred(ends), dates)
            for row in moved:
                if row[0] in lots_:
                    signed = row[3] if row[2] == place.pk else -row[3]
                    self._sort(stretches.lot(row[0], row[4]), place.pk, signed, row)
            seen = defaultdict(list)
            looked: set[Moment] = set()
            for lot, *row, kind in counted:
                if lot in lots_:
                    seen[lot].append(tuple(row))
                    if kind == "count":
                        looked.add(row[1])
            for lot, rows in seen.items():
                mine = {row[1] for row in rows}
                of_mine = {moment: which for moment, which in ends.items() if moment in mine}
                for moment, figure in figures(rows, of_mine).items():
                    stretches.lot(lot, moment).counts[moment] = figure
            for of, event, pence, to, quantity, moment in tills:
                if of == line:
                    said = "" if pence is None else canonical({"unit_pence": pence})
                    row = ((event, said), to, quantity, moment)
                    stretches.rows[stretches.at(moment)].append(row)
            stretches.opening = {lot: n for lot, n in opening.items() if n and lot in lots_}
            for shelf, rows in stretches:
                for lot, one in shelf.items():
                    self.rows[lot] = dates.lots[lot]
                    self._shortfalls(lot, place.pk, one.walk())
                self._tills(place, line, rows, held, shelf, dates, looked)

    def _tills(self, place, line, rows, held, shelf, dates, looked) -> None:
        counts = {m for one in shelf.values() for m in one.counts}
        acts = {*(row[3] for row in rows), *(m for one in shelf.values() for m in one.facts)}
        waiting: list[list] = []
        unresolved: list[list] = []
        tz = clock.zone()
        dated = cache(lambda since: dates.in_order(shelf, since))
        by_moment = defaultdict(list)
        for till, to, quantity, moment in rows:
            by_moment[moment].append([till, to, quantity])
        for moment in sorted(acts | counts):
            waiting += by_moment.get(moment, [])
            day = clock.local(moment, tz).date() if waiting else None
            lots = dated(dates.unchanged_since(moment)) if waiting else ()
            # a count brings nothing that was not there the moment before
            for row in waiting if moment in acts else ():
                till, to, _ = row
                for lot, use_by in lots:
                    if not row[2]:
                        break
                    if (use_by and use_by < day) or was_held(held, lot.pk, moment):
                        continue
                    take = min(row[2], shelf[lot.pk].free_at(moment))
                    if take > 0:
                        shelf[lot.pk].taken += take
                        row[2] -= take
                        self.wanted[WORKED_OUT, moment, till, lot.pk, place.pk, to] += take
            waiting = [row for row in waiting if row[2]]
            if moment not in counts:
                continue
            if moment in looked and all(
                moment in one.counts or one.stands_at(moment) <= 0 for one in shelf.values()
            ):
                # somebody looked at all that was there: it is not among it
                unresolved += waiting
                waiting = []
            for lot, one in shelf.items():
                if moment in one.counts:
                    gone = one.before_count[moment] - one.taken - one.counts[moment]
                    self._difference(lot, place.pk, moment, gone)
                    one.taken = 0
        for (event, _), _, left in [*unresolved, *waiting]:
            if self._entry and event == self._entry.event.pk:
                self._entry.flag(
                    Flag.Kind.LOT_UNKNOWN,
                    f"{left} of {line} sold at {place}, lot unknown: the books had no more there. "
                    "A receipt or a count resolves it.",
                )

    # -- what to post

    def own_rows(self) -> list[Movement]:
        entry = self.entry
        events: dict[tuple[str, Moment, Till | None], Event] = {}
        out: list[Movement] = []
        changes = self.changes
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
        if any(f.kind == Flag.Kind.OVER and f.lot == lot for f in entry.flags):
            return  # said already, and of which note
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


class _Stretches:
    """A line's shelf cut at its whole counts, each of which ends a stretch; what it found is what
    the next one begins with."""

    def __init__(self, ends: list[Moment], blurred: set[Moment], dates: Dates) -> None:
        """blurred: ends at which a count by date stands; it sees lots of one date as one."""
        self.ends, self.blurred, self.dates = ends, blurred, dates
        self.opening: dict[int, int] = {}
        self.shelves: dict[int, dict[int, OneLot]] = defaultdict(dict)
        self.rows: dict[int, list[tuple]] = defaultdict(list)

    def at(self, moment: Moment) -> int:
        return bisect_left(self.ends, moment)

    def lot(self, lot: int, moment: Moment) -> OneLot:
        return self.shelves[self.at(moment)].setdefault(lot, OneLot())

    def __iter__(self) -> Iterator[tuple[dict[int, OneLot], list[tuple]]]:
        stands = self.opening
        for i in range(len(self.ends) + 1):
            shelf = self.shelves.get(i, {})
            for lot, quantity in stands.items():
                shelf.setdefault(lot, OneLot()).opening = quantity
            shelf = {k: one for k, one in shelf.items() if one.opening or one.facts or one.counts}
            end = self.ends[i] if i < len(self.ends) else None
            if end:
                for one in shelf.values():
                    one.counts.setdefault(end, 0)  # not seen by it
            if end in self.blurred:
                split_by_date(shelf, end, self.dates.shared(shelf, end))
            if shelf or self.rows.get(i):
                yield shelf, self.rows.get(i, [])
            stands = (
                {k: one.counts[end] for k, one in shelf.items() if one.counts[end]} if end else {}
            )
