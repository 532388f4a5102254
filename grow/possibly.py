"""Possibly sold: between how many and how many of a lot went over a till that named no lot.

The books' worked-out sale is one guess, first-expired-first. What is sure is less: between two
whole counts of a shelf, so many of a line were rung up, and each lot of it went down by no
more than it did. So a lot sold at least what the others cannot have been, and at most what went
of it, or what was rung up while it stood there.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from django.db import connection
from django.db.models import Q

from . import clock, lineage
from .kinds import CANCELLING, DIFFERENCE, OWN, WORKED_OUT
from .models import Counted, Event, Holding, Lot, Movement, PlaceKind, Unnamed, alive
from .queries import stocks
from .shelf import (
    Dates,
    figures,
    first_expired_first,
    last_whole,
    next_whole,
    there_since,
    whole_counts,
)

Moment = dt.datetime
#: placed and happened
Moments = tuple[Moment, Moment]
Acts = dict[int, Moments]
_Row = tuple[int, int, Moments, int]


@dataclass(slots=True)
class _OnShelf:
    """One lot on a shelf between two whole counts: named acts alone."""

    balance: int = 0
    since: Moment | None = None  # when it came, if it was not there from the start
    gone: int = 0  # what counts say went unnamed
    seen: bool = False  # what is left was counted at the end of the stretch
    opening: int = 0
    #: before its last count, and by it
    uncounted: int = 0
    counted: int = 0
    #: all that came there, less what named acts took: never more than this went unnamed
    came: int = 0
    named: list[tuple[Moment, int]] = field(default_factory=list)  # by named acts, since then

    @property
    def most(self) -> int:
        """More than this cannot have been sold without a name."""
        return self.gone + (0 if self.seen else max(self.balance, 0))

    def by(self, moment: Moment) -> int:
        """More than this cannot have gone unnamed by then."""
        there = self.opening
        for when, balance in self.named:
            if when > moment:
                break
            there = balance
        return min(self.most, max(there, 0))


@dataclass(slots=True)
class _Shelf:
    moved: dict[int, list[tuple[Moment, int]]] = field(default_factory=lambda: defaultdict(list))
    counts: dict[int, dict[Moment, int]] = field(default_factory=lambda: defaultdict(dict))
    tills: list[tuple[Moment, int]] = field(default_factory=list)
    closings: list[Moment] = field(default_factory=list)
    #: closings by date, which saw lots of one date as one; whether the first stretch begins so
    blurred: set[Moment] = field(default_factory=set)
    dates: Dates = field(default_factory=lambda: Dates(()))
    begins_blurred: bool = False


def possibly_sold(lots: Sequence[Lot]) -> dict[int, tuple[int, int]]:
    """Lot id → (least, most) sold and not brought back, in the lot's unit. Only lots that
    stood on a shelf from which a till sells, or were sold by name, are in it."""
    by_id = {lot.pk: lot for lot in lots}
    named, back, shelves = _sure(by_id)
    low: dict[int, int] = defaultdict(int)
    high: dict[int, int] = defaultdict(int)
    unsure: set[int] = set()
    named_none = Unnamed.objects.filter(
        place__in={place for place, _ in shelves}, line__in={line for _, line in shelves}
    )
    tills = set(named_none.values_list("place_id", "line").distinct()) if shelves else set()
    for (place, line), targets in sorted(shelves.items()):
        if (place, line) not in tills:
            continue
        shelf = _read(place, line, targets)
        if not shelf.tills:
            continue
        unsure |= targets
        for lot, (least, most) in _on_one_shelf(shelf, targets).items():
            low[lot] += least
            high[lot] += most
    out = {}
    for lot in sorted({*named, *unsure}):
        returned = back.get(lot, 0)
        least = max(named.get(lot, 0) + low[lot], returned)
        most = max(named.get(lot, 0) + high[lot], least)
        out[lot] = least - returned, most - returned
    return out


def _sure(by_id: dict[int, Lot]):
    """(sold by name, brought back, (place, line) → lots that stood there)."""
    named: dict[int, int] = defaultdict(int)
    back: dict[int, int] = defaultdict(int)
    shelves: dict[tuple[int, str], set[int]] = defaultdict(set)
    rows = Movement.objects.filter(lot__in=by_id).values_list(
        "lot_id",
        "quantity",
        "from_place__kind",
        "to_place_id",
        "to_place__kind",
        "event__kind",
    )
    for lot, quantity, from_kind, to, to_kind, kind in rows:
        if to_kind in (PlaceKind.SHOP, PlaceKind.KITCHEN, PlaceKind.BUYER) and by_id[lot].line:
            shelves[to, by_id[lot].line].add(lot)
        if kind == WORKED_OUT or PlaceKind.SOLD not in (from_kind, to_kind):
            continue
        signed = quantity if to_kind == PlaceKind.SOLD else -quantity
        other = from_kind if to_kind == PlaceKind.SOLD else to_kind
        if other in (PlaceKind.SHOP, PlaceKind.KITCHEN, PlaceKind.BUYER):
            named[lot] += signed
        elif kind not in OWN:
            back[lot] -= signed
    return named, back, shelves


def _on_one_shelf(shelf: _Shelf, targets: set[int]) -> dict[int, tuple[int, int]]:
    out: dict[int, tuple[int, int]] = dict.fromkeys(targets, (0, 0))
    now = {lot: _OnShelf() for lot in {*shelf.moved, *shelf.counts}}
    start: Moment | None = None
    unsure = shelf.begins_blurred
    for end in [*shelf.closings, None]:
        rung = [
            (m, q)
            for m, q in shelf.tills
            if (start is None or m > start) and (end is None or m <= end)
        ]
        for lot, one in now.items():
            _walk(one, shelf.moved.get(lot, ()), shelf.counts.get(lot, {}), start, end)
        began_unsure = unsure
        unsure = end is not None and end in shelf.blurred and _blur(now, shelf, end)
        # what was rung up beyond all that stood there then is nobody's for sure: a wrong key, or
        # goods whose coming was told too late, so it may be of any lot that came later
        total = 0
        sure_of: dict[int, int] = dict.fromkeys(targets & now.keys(), 0)
        for m, q in rung:
            gone = {lot: one.by(m) for lot, one in now.items()}
            everybody = sum(gone.values())
            total = min(total + q, everybody)
            # what came later was not what was rung up by then
            for lot, least in sure_of.items():
                sure_of[lot] = max(least, total - (everybody - gone[lot]))
        beyond = sum(q for _, q in rung) - total
        most = {lot: one.most for lot, one in now.items()}
        for lot, least in sure_of.items():
            one = now[lot]
            then = beyond + sum(q for m, q in rung if one.since is None or m >= one.since)
            if beyond:  # or was, and was told too late
                least = max(0, total - sum(most.values()) + most[lot])
            # how many the others had is not known where a count saw them together with it
            sure = not (began_unsure or unsure)
            least = min(least, most[lot]) if sure else 0
            a, b = out[lot]
            out[lot] = a + least, b + max(min(most[lot], then), least)
        start = end
    if shelf.blurred:  # the most of each day is more than of all of them
        out = {
            lot: (least, max(min(most, now[lot].came), least)) if lot in now else (least, most)
            for lot, (least, most) in out.items()
        }
    return out


def _blur(now: dict[int, _OnShelf], shelf: _Shelf, end: Moment) -> bool:
    """Where the count at this end saw several lots as one, any of them may have been what was left
    and any what had gone: of each the most of both. Whether more than one of them may."""
    found = False
    for group in shelf.dates.shared(now, end):
        lots = [now[pk] for pk in group if pk in now and now[pk].uncounted + now[pk].counted]
        had, left = sum(one.uncounted for one in lots), sum(one.counted for one in lots)
        gone, more = max(had - left, 0), max(left - had, 0)
        found |= len(lots) > 1 and (more > 0 or sum(one.uncounted > 0 for one in lots) > 1)
        for one in lots:
            one.gone += min(one.uncounted, gone) - max(one.uncounted - one.counted, 0)
            one.came += more - max(one.counted - one.uncounted, 0)
            one.balance = min(one.uncounted + more, left)
    return found


def _walk(one, moved, counts: dict[Moment, int], start, end) -> None:
    """From one whole count to the next: what stood, what came, what named acts took, and
    what a count says had gone besides."""
    within = [
        m
        for m in sorted({*(m for m, _ in moved), *counts})
        if (start is None or m > start) and (end is None or m <= end)
    ]
    one.gone = one.uncounted = one.counted = 0
    one.since = None
    one.opening = named = one.balance
    one.named = []
    empty = one.balance <= 0
    for m in within:
        change = sum(q for when, q in moved if when == m)
        one.came += max(change, -max(one.balance, 0))
        one.balance += change
        named += change
        one.named.append((m, named))
        if empty and one.since is None and one.balance > 0:
            one.since = m
        if m in counts:
            one.uncounted, one.counted = max(one.balance, 0), counts[m]
            one.came += max(one.counted - one.uncounted, 0)
            one.gone += max(one.balance - counts[m], 0)
            one.balance = counts[m]
    one.seen = end in counts


def _read(place: int, line: str, targets: set[int]) -> _Shelf:
    here = Q(from_place=place) | Q(to_place=place)
    # by what was told: what the books posted and took back again says nothing
    named = Movement.objects.filter(here, lot__in=targets).exclude(event__kind__in=OWN)
    some = Counted.objects.filter(place=place, lot__in=targets, quantity__gt=0)
    told = [
        moment
        for rows in (named, some)
        for moment in rows.values_list("event__placed_at", flat=True).distinct()
    ]
    before = last_whole(place, line, min(told)) if told else None
    standing = Holding.objects.filter(lot__in=targets, place=place, quantity__gt=0).exists()
    after = _gone_by(place, line, targets, max(told)) if told and not standing else None
    wholes = whole_counts([place], before, after)
    ends = wholes.of(place, line)
    shelf = _Shelf(blurred=wholes.blurred(ends))
    acts: Acts | None = None
    if before:
        # by the days of the window; where there was no whole count, by the lots of the line
        days = Event.objects.filter(day__gte=_day(before), placed_at__gt=before)
        if after:
            days = days.filter(day__lte=_day(after), placed_at__lte=after)
        days = days.exclude(kind__in=(WORKED_OUT, DIFFERENCE))
        moments = days.values_list("pk", "placed_at", "happened_at")
        acts = {pk: (placed, happened) for pk, placed, happened in moments}
        _, count = ends.pop(before)
        opening: dict[int, int] = dict(
            Counted.objects.filter(event=count, place=place, lot__line=line).values_list(
                "lot_id", "quantity"
            )
        )
        if before in shelf.blurred:
            opening = _opening_by_date(shelf, place, line, before)
        for lot, quantity in opening.items():
            # the opening: what that count saw
            shelf.moved[lot].append((before, quantity))
    moved, counted, tills = _rows(place, line, acts)
    for lot, quantity, (moment, _), _ in moved:
        shelf.moved[lot].append((moment, quantity))
    seen: dict[int, list[tuple[int, Moment, Moment, int]]] = defaultdict(list)
    for lot, quantity, (moment, happened), event in counted:
        seen[lot].append((quantity, moment, happened, event))
    for lot in {*shelf.moved, *seen}:
        shelf.counts[lot] = figures(seen[lot], ends)
    if shelf.blurred & ends.keys():
        shelf.dates = Dates(shelf.counts)
    shelf.tills = sorted((moment, quantity) for _, quantity, (moment, _), _ in tills)
    shelf.closings = sorted(ends)
    return shelf


def _gone_by(place: int, line: str, targets: set[int], since: Moment) -> Moment | None:
    """The first count of the whole shelf from a moment on that saw none of these lots; by date, of
    their dates."""
    dates = Dates(targets)
    moment = next_whole(place, line, since)
    while moment:
        wholes = whole_counts([place], moment, moment)
        _, event = wholes.of(place, line)[moment]
        seen = Counted.objects.filter(event=event, place=place, lot__line=line, quantity__gt=0)
        lots = set(seen.values_list("lot_id", flat=True))
        if event in wholes.by_date:
            seen_as = {dates.of(lot, moment) for lot in targets}
            lots = {lot.pk for lot, date in first_expired_first(lots, moment) if date in seen_as}
        else:
            lots &= targets
        if not lots:
            return moment
        moment = next_whole(place, line, moment + dt.timedelta(microseconds=1))
    return None


def _opening_by_date(shelf: _Shelf, place: int, line: str, moment: Moment) -> dict[int, int]:
    """What may have stood of each lot after a count by date: of several of one date, all that was
    left of it."""
    there = stocks(moment, lots=there_since(place, moment, [line]), places=[place])
    stood = {lot: n for (lot, _), n in there.items() if n > 0}
    for group in Dates(stood).shared(stood, moment):
        shelf.begins_blurred = True
        together = sum(stood[lot] for lot in group)
        stood |= dict.fromkeys(group, together)
    return stood


def _day(moment: Moment) -> int:
    return clock.day_number(clock.local(moment).date())


_OF_EVENTS = {
    "moved": """
        SELECT m.lot_id, CASE WHEN m.to_place_id = %s THEN m.quantity ELSE -m.quantity END, t.id
        FROM ({ids}) t CROSS JOIN grow_movement m CROSS JOIN grow_lot l
        WHERE m.event_id = t.id AND l.id = m.lot_id AND l.line = %s
        AND %s IN (m.from_place_id, m.to_place_id)""",
    "counted": """
        SELECT c.lot_id, c.quantity, t.id
        FROM ({ids}) t CROSS JOIN grow_counted c CROSS JOIN grow_lot l
        WHERE c.event_id = t.id AND c.place_id = %s AND l.id = c.lot_id AND l.line = %s""",
    "tills": """
        SELECT 0, u.quantity, t.id FROM ({ids}) t CROSS JOIN grow_unnamed u
        WHERE u.event_id = t.id AND u.place_id = %s AND u.line = %s""",
}


def _rows(place: int, line: str, acts: Acts | None) -> tuple[list[_Row], list[_Row], list[_Row]]:
    """(lot, quantity, its moments, event) of what moved onto and off a shelf, was counted and
    rung up there: of these events, or of all. What was taken back is left out of counts and
    tills."""
    if acts is None:
        here = Q(from_place=place) | Q(to_place=place)
        rows = Movement.objects.filter(here, lot__line=line).exclude(
            event__kind__in=(WORKED_OUT, DIFFERENCE)
        )
        names = ("quantity", "event__placed_at", "event__happened_at", "event_id")
        moved = [
            (lot, quantity if to == place else -quantity, (placed, happened), event)
            for lot, to, quantity, placed, happened, event in rows.values_list(
                "lot_id", "to_place_id", *names
            )
        ]
        counted = Counted.objects.filter(
            alive("event"), struck_by=None, place=place, lot__line=line
        ).values_list("lot_id", *names)
        tills = Unnamed.objects.filter(alive("event"), place=place, line=line).values_list(*names)
        return (
            moved,
            [(lot, n, (placed, happened), event) for lot, n, placed, happened, event in counted],
            [(0, n, (placed, happened), event) for n, placed, happened, event in tills],
        )
    found: list[list[tuple[int, int, int]]] = []
    with connection.cursor() as cursor:
        for name, sql in _OF_EVENTS.items():
            ids = lineage.ids_value(acts)
            params = [place, ids, line, place] if name == "moved" else [ids, place, line]
            cursor.execute(sql.format(ids=lineage.ids_sql()), params)
            found.append(cursor.fetchall())
    told = {event for _, _, event in (*found[1], *found[2])}
    dead = set(
        Event.objects.filter(corrects__in=told, kind__in=CANCELLING).values_list(
            "corrects_id", flat=True
        )
    )
    living = ([row for row in rows if row[2] not in dead] for rows in found[1:])
    moved_rows, counts, rung = (
        [(lot, quantity, acts[event], event) for lot, quantity, event in rows]
        for rows in (found[0], *living)
    )
    return moved_rows, counts, rung
