"""The water in a tank: one lot at a time, from its fill to the next.

A fill, a top-up or a dose makes a new water whose parent is the one before; only a recorded
drain-and-clean breaks the chain. What was done to a tank is read back in the order of the books,
which must not hang on the order of telling: acts of one moment (those of one day without an hour
share one) stand as a tank is worked, drained, filled, topped up, dosed, and two of one kind by
what was told of them.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import pairwise, zip_longest
from operator import itemgetter

from django.db.models import OuterRef, QuerySet, Subquery

from . import clock
from .models import Event, Lot, alive
from .ready import Given, ready

Moment = dt.datetime
#: (tank, water made, kind, earliest, latest, placed, event)
Act = tuple[int, int | None, str, Moment, Moment, Moment, int]
#: lot → tank → the spans of time in which its water counts
Spans = Mapping[int, Mapping[int, Iterable[tuple[Moment, Moment]]]]

WATERING = ("fill", "top_up", "dose")
DRAIN = "drain_and_clean"
_RANK = {kind: n for n, kind in enumerate((DRAIN, *WATERING))}
_FIELDS = ("place_id", "water", "kind", "earliest_at", "latest_at", "placed_at", "id")
#: An act stands within a day of its earliest and latest moments; two, over a clock change.
_SLACK = dt.timedelta(days=2)
#: Most tanks are topped up or dosed in so many days; the act before is then read with the rest.
_A_WHILE = dt.timedelta(days=9)


def _acts() -> QuerySet[Event]:
    # looked up for each act; a join may read every lot there is
    water = Lot.objects.filter(made_by=OuterRef("pk")).order_by().values("pk")[:1]
    return Event.objects.filter(alive(), kind__in=_RANK).annotate(water=Subquery(water))


def _here() -> QuerySet[Event]:
    return _acts().filter(place=Given("tank"))


def _since() -> QuerySet[Event]:
    return _acts().filter(place__in=Given.each("tanks"), placed_at__gte=Given.moment("start"))


_acts_since = ready(lambda: _since().values_list(*_FIELDS))
_acts_between = ready(
    lambda: _since().filter(earliest_at__lte=Given.moment("end")).values_list(*_FIELDS)
)

_last_before = ready(
    lambda: (
        _here()
        .filter(placed_at__lt=Given.moment("at"))
        .order_by("-placed_at")
        .values_list("placed_at")[:1]
    )
)
_first_after = ready(
    lambda: (
        _here()
        .filter(earliest_at__gt=Given.moment("at"))
        .order_by("placed_at")
        .values_list("placed_at")[:1]
    )
)
_acts_at = ready(lambda: _here().filter(placed_at=Given.moment("at")).values_list(*_FIELDS))


def in_order(acts: Iterable[Act]) -> list[Act]:
    """Acts in the order of the books."""
    acts = sorted(acts, key=itemgetter(5, 6))
    tied = [pk for a, b in pairwise(acts) if a[5] == b[5] for pk in (a[6], b[6])]
    if not tied:
        return acts
    said = _said(tied)
    return sorted(
        acts, key=lambda a: (a[5], _RANK[a[2]], a[3], a[4], said.get(a[6], ([], [])), a[6])
    )


def _said(events: Collection[int]) -> dict[int, tuple[list, list]]:
    """What each act said, argument by argument, and the receipts of its inputs in place of their
    ids and codes, which are given in the order of telling."""
    receipts = defaultdict(list)
    named = Event.inputs.through.objects.filter(event__in=events)
    for event, placed, told in named.values_list(
        "event_id", "lot__made_by__placed_at", "lot__made_by__told"
    ):
        receipts[event].append((placed, told or ""))
    said = {}
    for pk, told in Event.objects.filter(pk__in=events).values_list("pk", "told"):
        facts = json.loads(told or "{}")
        # how it was told is no part of it either
        for name in ("inputs", "cleaner", "already_done"):
            facts.pop(name, None)
        pairs = [(name, json.dumps(value, sort_keys=True)) for name, value in facts.items()]
        said[pk] = (sorted(pairs), sorted(receipts[pk]))
    return said


def timelines(tanks: Iterable[int], first: Moment, last: Moment) -> dict[int, list[Act]]:
    """What was done to the water of each tank, in order, about a span of time: the act before
    it, for its water was still there then, and the one after, for the last went with it."""
    lines: dict[int, list[Act]] = {tank: [] for tank in sorted(tanks)}
    start, end = first - _SLACK, last + _SLACK + _A_WHILE
    long_ago = end < clock.now()
    if long_ago:
        # else the recount of an old month would read every year since
        acts = _acts_between(tanks=lines, start=start - _A_WHILE, end=end)
    else:
        acts = _acts_since(tanks=lines, start=start - _A_WHILE)
    for act in in_order(acts):
        line = lines[act[0]]
        if act[5] < start:
            line[:] = [act]
        elif not line or line[-1][3] <= last + _SLACK:
            line.append(act)
    for tank, line in lines.items():
        if not line or line[0][5] >= start:
            # a tank that nobody had touched for longer
            line[:0] = _at_once(tank, _last_before(tank=tank, at=start))[-1:]
        if long_ago and line and line[-1][3] <= last:
            line += _at_once(tank, _first_after(tank=tank, at=end))[:1]
    return lines


def _at_once(tank: int, found: Sequence[tuple[Moment]]) -> list[Act]:
    """The acts upon a tank at the moment found, in order."""
    return in_order(_acts_at(tank=tank, at=found[0][0])) if found else []


def last_of_chains(spans: Spans, found: dict[int, set[int]]) -> None:
    """Add to each lot the last water of each unbroken chain that was in a tank during any of its
    spans."""
    every = [span for by in spans.values() for times in by.values() for span in times]
    if not every:
        return
    lines = timelines(
        {tank for by in spans.values() for tank in by},
        min(start for start, _ in every),
        max(end for _, end in every),
    )
    for pk, by_tank in spans.items():
        for tank, times in by_tank.items():
            found[pk] |= _last_of_each_chain(lines[tank], times)


def _last_of_each_chain(line: Sequence[Act], spans: Iterable[tuple[Moment, Moment]]) -> set[int]:
    spans = list(spans)
    start_, end_ = min(a for a, _ in spans), max(b for _, b in spans)
    found: set[int] = set()
    water = None
    for i, (_, made, kind, since, *_) in enumerate(line):
        if kind == DRAIN:
            if water:
                found.add(water)
            water = None
            continue
        gone = line[i + 1][4] if i + 1 < len(line) else None
        if since > end_ or (gone is not None and gone < start_):
            continue
        if any(since <= end and (gone is None or gone >= start) for start, end in spans):
            water = made
    return found | {water} if water else found


def before(waters: Sequence[Lot], found: dict[int, set[int]]) -> None:
    """Add to each water the one that it was poured onto, unless the tank was drained before."""
    poured = [lot for lot in waters if lot.made_by.place_id]
    if not poured:
        return
    moments = [lot.made_by.placed_at for lot in poured]
    lines = timelines(
        {lot.made_by.place_id for lot in poured if lot.made_by.place_id}, min(moments), max(moments)
    )
    onto = {after[6]: earlier for line in lines.values() for earlier, after in pairwise(line)}
    for lot in poured:
        earlier = onto.get(lot.made_by_id)
        if earlier and earlier[1] and earlier[2] != DRAIN:
            found[lot.pk].add(earlier[1])


def there(tank: int, start: Moment, end: Moment) -> set[int]:
    """The waters that were in a tank at some time from start to end."""
    return of_line(timelines([tank], start, end)[tank], start, end)


def of_line(line: Sequence[Act], start: Moment, end: Moment) -> set[int]:
    """The same of what was done to the tank, where that is read already."""
    return {
        made
        for (_, made, kind, since, *_), after in zip_longest(line, line[1:])
        if made and kind != DRAIN and since <= end and (after is None or after[4] >= start)
    }
