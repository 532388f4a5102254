"""What a walk knows of a shelf before it begins: each lot's balance, dates and holds, and the
counts of the whole shelf."""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice

from django.db import connection
from django.db.models import Case, Exists, OuterRef, Q, QuerySet, When

from . import clock
from .models import Counted, Description, Event, Hold, Lot, alive
from .ready import Given, ready

Moment = dt.datetime
Dated = tuple[Lot, dt.date | None]


@dataclass
class OneLot:
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

    def before(self, moment: Moment) -> int:
        """What named acts and earlier counts leave of it just before a count at a moment."""
        balance = self.opening
        for m in sorted({*self.facts, *self.counts}):
            if m > moment:
                break
            balance = max(balance + self.facts.get(m, 0), 0)
            if m < moment:
                balance = self.counts.get(m, balance)
        return balance

    def stands_at(self, moment: Moment) -> int:
        """What is left of it by named acts and counts."""
        i = bisect_right(self.moments, moment) - 1
        return self.after[i] if i >= 0 else self.opening


# --- counts of the whole shelf --------------------------------------------------------------

#: "closing" is of every lot of the lines that it names, "fresh" of every lot in the place; of
#: lots of one date a count "by_date" saw only how many there were of them together.
BY_DATE = Q(told__contains='"by_date":true')
FRESH = Q(told__contains='"fresh":true')
WHOLE = Q(told__contains='"closing":true') | FRESH
#: moment → (happened_at, event id) of the last whole count that stands at it
Ends = dict[Moment, tuple[Moment, int]]


@dataclass
class Wholes:
    """The counts of whole shelves in some places: of every lot there, or of a line."""

    everything: dict[int, Ends] = field(default_factory=lambda: defaultdict(dict))
    lines: dict[tuple[int, str], Ends] = field(default_factory=lambda: defaultdict(dict))
    #: events that counted by date
    by_date: set[int] = field(default_factory=set)

    def blurred(self, ends: Ends) -> set[Moment]:
        """Of these ends, those at which a count by date stands."""
        return {moment for moment, (_, event) in ends.items() if event in self.by_date}

    def of(self, place: int, line: str) -> Ends:
        """Of two at one moment (two closing counts of one day) the later stands."""
        ends = dict(self.everything.get(place, {}))
        for moment, which in self.lines.get((place, line), {}).items():
            ends[moment] = max(which, ends.get(moment, which))
        return ends

    def __bool__(self) -> bool:
        return bool(self.everything or self.lines)


#: Before and after any moment that is told; SQLite compares the texts.
_EVER = dt.datetime(1900, 1, 1, tzinfo=dt.UTC)
_NEVER = dt.datetime(2999, 1, 1, tzinfo=dt.UTC)
_whole_counts = ready(
    lambda: (
        Event.objects.filter(
            WHOLE,
            alive(),
            kind="count",
            place__in=Given.each("places"),
            placed_at__gte=Given.moment("since"),
            placed_at__lte=Given.moment("until"),
        )
        .annotate(
            fresh=Case(When(FRESH, then=True), default=False),
            by_date=Case(When(BY_DATE, then=True), default=False),
        )
        .values_list("id", "place_id", "placed_at", "happened_at", "fresh", "by_date")
    )
)


def whole_counts(
    places: Collection[int], since: Moment | None = None, until: Moment | None = None
) -> Wholes:
    """Those that stand in these places, between two moments (both included) or all."""
    found = Wholes()
    events = {}
    for event in _whole_counts(places=places, since=since or _EVER, until=until or _NEVER):
        pk, place, placed, happened, fresh, by_date = event
        events[pk] = (place, placed, happened)
        if by_date:
            found.by_date.add(pk)
        if fresh:
            ends = found.everything[place]
            ends[placed] = max((happened, pk), ends.get(placed, (happened, pk)))
    for some in chunks(events):
        named = Counted.objects.filter(event__in=some).exclude(lot__line="")
        for pk, line in named.values_list("event_id", "lot__line").distinct():
            place, placed, happened = events[pk]
            ends = found.lines[place, line]
            ends[placed] = max((happened, pk), ends.get(placed, (happened, pk)))
    return found


def _whole(place: int, line: str) -> QuerySet[Event]:
    of_line = Counted.objects.filter(event=OuterRef("pk"), lot__line=line)
    counts = Event.objects.filter(alive(), kind="count", place=place)
    return counts.filter(FRESH | WHOLE & Exists(of_line))


def last_whole(place: int, line: str, before: Moment) -> Moment | None:
    """When the whole of a line was last counted in a place before a moment: what stood there
    then stands. From the last one backwards: what lies years behind is not looked at."""
    counts = _whole(place, line).filter(placed_at__lt=before).order_by("-placed_at")
    return counts.values_list("placed_at", flat=True).first()


def next_whole(place: int, line: str, at: Moment) -> Moment | None:
    """When the whole of a line was next counted in a place, at a moment or after it."""
    counts = _whole(place, line).filter(placed_at__gte=at).order_by("placed_at")
    return counts.values_list("placed_at", flat=True).first()


def figures(rows: Iterable[tuple[int, Moment, Moment, int]], ends: Ends) -> dict[Moment, int]:
    """Moment → what was counted of one lot, from (quantity, placed, happened, event): the later
    of two stands, and what a whole count did not see was not there."""
    found = {moment: (*which, 0) for moment, which in ends.items()}
    for quantity, placed, happened, event in rows:
        found[placed] = max((happened, event, quantity), found.get(placed, (happened, event, 0)))
    return {moment: quantity for moment, (_, _, quantity) in found.items()}


def split_by_date(shelf: Mapping[int, OneLot], moment: Moment, groups: list[list[int]]) -> None:
    """Work out the lots of a count by date. It saw how many were left of each date; where several
    lots share one, the first made are taken to have gone first, as far as named acts left any:
    the last made keep what they had, and so on back. What is more than all of them had is put
    down to the last made of those that had some or were named. groups: as `Dates.shared` gives."""
    for group in groups:
        had = {pk: shelf[pk].before(moment) for pk in group if pk in shelf}
        lots = [pk for pk, n in had.items() if n or shelf[pk].counts[moment]]
        if not lots[1:]:
            continue
        left = sum(shelf[pk].counts[moment] for pk in lots)
        for pk in reversed(lots):
            stays = min(left, had[pk])
            shelf[pk].counts[moment] = stays
            left -= stays
        shelf[lots[-1]].counts[moment] += left


def named_by_date(place: int, since: Moment, lines: Collection[str]) -> set[int]:
    """Lots under which counts by date since a moment told a figure: it may be another's of the same
    date, and the lot itself long gone."""
    counts = Event.objects.filter(BY_DATE, kind="count", place=place, placed_at__gt=since)
    rows = Counted.objects.filter(event__in=counts, lot__line__in=lines, quantity__gt=0)
    return set(rows.values_list("lot_id", flat=True))


def counted_by_date(lines: Collection[str] | None = None) -> set[tuple[int, str]]:
    """(place id, line) of each shelf that was ever counted by date, of these lines or of all."""
    counts = Event.objects.filter(BY_DATE, kind="count")
    rows = Counted.objects.filter(event__in=counts).exclude(lot__line="")
    if lines is not None:
        rows = rows.filter(lot__line__in=lines)
    return set(rows.values_list("place_id", "lot__line").distinct())


def there_since(place: int, since: Moment, lines: Collection[str] | None = None) -> set[int]:
    """The lots (of some lines) that are in a place, or have come or gone since a moment: all
    others were gone before it, and do not matter to what follows."""
    day = clock.day_number(clock.local(since).date())
    of_line, names = "", list(lines or ())
    if lines is not None:
        if not lines:
            return set()
        of_line = f"AND l.line IN ({', '.join(['%s'] * len(names))})"
    with connection.cursor() as cursor:
        # CROSS JOIN: SQLite would begin at every lot that the line ever had
        cursor.execute(
            "SELECT m.lot_id FROM grow_movement m CROSS JOIN grow_lot l WHERE m.day >= %s "
            f"AND (m.to_place_id = %s OR m.from_place_id = %s) AND l.id = m.lot_id {of_line} UNION "
            "SELECT h.lot_id FROM grow_holding h CROSS JOIN grow_lot l WHERE h.place_id = %s "
            f"AND h.quantity <> 0 AND l.id = h.lot_id {of_line}",
            [day, place, place, *names, place, *names],
        )
        return {row[0] for row in cursor.fetchall()}


# --- dates and holds ------------------------------------------------------------------------


def chunks(ids: Iterable[int], size: int = 5000) -> Iterator[list[int]]:
    """A database takes only so many values in one question."""
    ids = iter(ids)
    while some := list(islice(ids, size)):
        yield some


class Dates:
    """The dates of some lots, each as it stood at a moment: one that was shortened or labelled
    anew since stood on the pack only from then on, and a count by date went by the pack."""

    def __init__(self, lots: Iterable[int]) -> None:
        """lots: their ids."""
        self.lots: dict[int, Lot] = {}
        self._told: dict[int, list[tuple[Moment, dt.date]]] = defaultdict(list)
        for some in chunks(lots):
            told = Description.objects.filter(lot__in=some, best_before__isnull=False)
            for pk, moment, date in told.values_list("lot_id", "event__placed_at", "best_before"):
                if date:
                    self._told[pk].append((moment, date))
            for lot in Lot.objects.filter(pk__in=some).select_related("made_by"):
                self.lots[lot.pk] = lot
        #: from each of these on, some lot's date is another
        later = (
            moment
            for lot, told in self._told.items()
            for moment, _ in told
            if moment > self.lots[lot].made_by.placed_at
        )
        self._changes = sorted(set(later))

    def unchanged_since(self, moment: Moment) -> Moment:
        """Since when the dates are what they are at a moment."""
        i = bisect_right(self._changes, moment)
        return self._changes[i - 1] if i else _EVER

    def of(self, lot: int, at: Moment | None = None) -> dt.date | None:
        """A lot's date at a moment, or now: the earliest that was said of it by then."""
        made = self.lots[lot].made_by.placed_at
        at = max(at, made) if at else _NEVER
        told = (date for moment, date in self._told.get(lot, ()) if moment <= at)
        return min(filter(None, (self.lots[lot].use_by, *told)), default=None)

    def in_order(self, lots: Iterable[int], at: Moment | None = None) -> list[Dated]:
        """Lots with their dates at a moment, or now: first to expire, then first made."""
        dated = [(self.lots[lot], self.of(lot, at)) for lot in lots]
        return sorted(dated, key=lambda d: (d[1] or dt.date.max, d[0].made_by.placed_at, d[0].pk))

    def shared(self, lots: Iterable[int], at: Moment) -> list[list[int]]:
        """Lots that a count by date sees as one: those of one date at its moment, where there are
        several, first made first. What has no date is seen by its lot."""
        by_date: dict[dt.date, list[int]] = defaultdict(list)
        for lot, date in self.in_order(lots, at):
            if date:
                by_date[date].append(lot.pk)
        return [lots for lots in by_date.values() if lots[1:]]


def first_expired_first(shelf: Iterable[int], at: Moment | None = None) -> list[Dated]:
    """The lots of a shelf, by their ids, with their dates at a moment or now: `Dates`."""
    dates = Dates(shelf)
    return dates.in_order(dates.lots, at)


def date_of(lot: Lot, at: Moment | None = None) -> dt.date | None:
    """A lot's date at a moment or now: the one that it was made with, or a shorter one told by
    then."""
    return Dates([lot.pk]).of(lot.pk, at)


def held_times(lots: Iterable[int]) -> dict[int, list[tuple[Moment, Moment | None]]]:
    times = defaultdict(list)
    for some in chunks(lots):
        for lot, began, ended in Hold.objects.filter(lot__in=some).values_list(
            "lot_id", "began_at", "ended_at"
        ):
            times[lot].append((began, ended))
    return times


def was_held(held, lot: int, moment: Moment) -> bool:
    return any(a <= moment and (b is None or moment < b) for a, b in held.get(lot, ()))
