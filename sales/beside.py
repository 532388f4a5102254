"""What stood alongside: everything that shared the water, the sprays, the inputs, the crates, the
line, the knife or the hands of some lots, with the thing that they shared.

Water is bounded by a drain-and-clean, a line or a thing by a clean, hands and cutting by the
day. Where no clean is recorded there is no bound, and that is said.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Q, QuerySet

from grow import clock, lineage
from grow.models import Event, Lot, LotKind, Person, Place, Thing, alive
from grow.waters import DRAIN

Moment = dt.datetime
#: What hands, knives and lines make.
HANDLED = (LotKind.HARVEST, LotKind.PACK)


@dataclass(slots=True)
class Shared:
    """One thing that was shared, and the ids of the lots that shared it (those that are in the
    trace already left out). code is a lot's, where the shared thing is a lot. Moments are the
    cleans that bound it; None is no clean recorded, or one still to come."""

    what: str
    code: str = ""
    since: Moment | None = None
    until: Moment | None = None
    bounded: bool = True
    says: str = ""
    lots: list[int] = field(default_factory=list)


def shared(roots: Iterable[int], up: set[int], down: set[int]) -> list[Shared]:
    """What the roots, and what they came from, shared with other lots. One recursive query;
    what is shared without lineage is looked up first and goes into it."""
    roots = set(roots)
    known = roots | up | down
    matter = lineage.above(roots, composition=True) | lineage.below(roots, composition=True)
    windows = _windows(matter)
    pairs = [(-n, lot) for n, (_, lots) in enumerate(windows, 1) for lot in lots]
    found: dict[int, set[int]] = defaultdict(set)
    for via, lot in lineage.alongside(roots, pairs):
        if lot not in known and via not in roots:
            found[via].add(lot)
    for via, lot in pairs:
        if lot not in known:
            found[via].add(lot)
    out = [one for n, (one, _) in enumerate(windows, 1) if found.get(-n)]
    for n, (one, _) in enumerate(windows, 1):
        one.lots = sorted(found.get(-n, ()))
    lots = [via for via in found if via > 0]
    named = _named(lots)
    for via in sorted(named):
        one = named[via]
        one.lots = sorted(found[via])
    return [*(named[via] for via in sorted(named)), *out]


# --- a lot that was shared ------------------------------------------------------------------

_WORDS = {
    LotKind.INPUT: "input",
    LotKind.PRODUCE: "bought produce",
    LotKind.TREATMENT: "spray or treatment",
    LotKind.BATCH: "sowing",
    LotKind.HARVEST: "cut",
    LotKind.PACK: "run",
}


def _named(ids: list[int]) -> dict[int, Shared]:
    out = {}
    for lot in (
        Lot.objects.filter(pk__in=ids).select_related("made_by__place", "item").order_by("id")
    ):
        if lot.kind == LotKind.WATER:
            out[lot.pk] = _chain(lot)
            continue
        word = _WORDS[LotKind(lot.kind)]
        if lot.kind == LotKind.INPUT and lot.item:
            word = lot.item.get_kind_display().lower()
        what = f"{word} {lot.title}".strip()
        out[lot.pk] = Shared(what, lot.code, says=f"{what} ({lot.code})")
    return out


def _chain(first: Lot) -> Shared:
    """An unbroken chain of water, by its first."""
    tank = first.made_by.place
    at = first.made_by.placed_at
    here = Event.objects.filter(alive(), place=tank)
    drains = here.filter(kind=DRAIN).values_list("placed_at", flat=True)
    drained = drains.filter(placed_at__lte=at).order_by("-placed_at").first()
    next_ = drains.filter(placed_at__gt=at).order_by("placed_at").first()
    what = f"water of {tank}"
    until = f" until {_day(next_)}" if next_ else ""
    if drained:
        says = f"{what}, drained and cleaned on {_day(drained)}{until}"
    else:
        says = f"{what}{until}; no drain-and-clean of {tank} is recorded before, so it has no bound"
    return Shared(
        what,
        first.code,
        drained,
        next_,
        drained is not None,
        says,
    )


# --- a line, a thing, hands, a day ----------------------------------------------------------


def _day(moment: Moment) -> str:
    return f"{clock.local(moment):%d %b %Y %H:%M}"


def _windows(matter: set[int]) -> list[tuple[Shared, list[int]]]:
    """Each with every lot made in it, the trace's own included."""
    events = list(
        Event.objects.filter(
            pk__in=Lot.objects.filter(pk__in=matter, kind__in=HANDLED).values("made_by_id")
        )
        .select_related("place")
        .order_by("placed_at", "id")
    )
    if not events:
        return []
    out: list[tuple[Shared, list[int]]] = []
    lines: dict[int, list[Event]] = defaultdict(list)
    places: dict[int, Place] = {}
    for e in events:
        if e.place and e.kind in ("pack", "rework"):
            lines[e.place.pk].append(e)
            places[e.place.pk] = e.place
    for place, acts in sorted(lines.items()):
        out += _between_cleans(acts, f"line {places[place]}", Q(place=place))
    used: dict[int, list[Event]] = defaultdict(list)
    by_id = {e.pk: e for e in events}
    rows = Event.things.through.objects.filter(event_id__in=by_id).order_by("event_id")
    for event, thing in rows.values_list("event_id", "thing_id"):
        used[thing].append(by_id[event])
    things = Thing.objects.in_bulk(list(used))
    for thing, acts in sorted(used.items()):
        out += _between_cleans(acts, str(things[thing]), Q(things=thing))
    out += _hands(by_id)
    out += _cut_together(events)
    return out


def _between_cleans(acts: list[Event], what: str, where: Q) -> list[tuple[Shared, list[int]]]:
    """The windows between two cleans in which these acts lie, one after the other."""
    cleans = Event.objects.filter(alive(), where, kind="clean")
    out: list[tuple[Shared, list[int]]] = []
    until: Moment | None = None
    started = False
    for act in acts:
        if started and (until is None or act.placed_at < until):
            continue  # in the same window as the act before
        started = True
        before = (
            cleans.filter(placed_at__lte=act.placed_at)
            .order_by("-placed_at")
            .values_list("placed_at", flat=True)
            .first()
        )
        until = (
            cleans.filter(placed_at__gt=act.placed_at)
            .order_by("placed_at")
            .values_list("placed_at", flat=True)
            .first()
        )
        made = Event.objects.filter(alive(), where, kind__in=("harvest", "pack", "rework"))
        if before:
            made = made.filter(placed_at__gte=before)
        if until:
            made = made.filter(placed_at__lte=until)
        lots = Lot.objects.filter(made_by_id__in=list(made.values_list("pk", flat=True)))
        says = f"{what}, cleaned on {_day(before)}" if before else what
        if until:
            says += f" until the clean of {_day(until)}"
        if before is None:
            says += "; no clean is recorded before, so it has no bound"
        out.append(
            (
                Shared(what, "", before, until, before is not None, says),
                list(lots.values_list("pk", flat=True)),
            )
        )
    return out


def _hands(by_id: dict[int, Event]) -> list[tuple[Shared, list[int]]]:
    days: dict[tuple[int, int], Moment] = {}
    through: Any = Event.done_by.through
    for event, person in through.objects.filter(event_id__in=by_id).values_list(
        "event_id", "person_id"
    ):
        days[by_id[event].day, person] = by_id[event].placed_at
    people = Person.objects.in_bulk({person for _, person in days})
    out = []
    for day, person in sorted(days):
        lots = _made_on(day).filter(made_by__done_by=person)
        what = f"hands of {people[person]}"
        says = f"{what} on {clock.number_day(day):%d %b %Y}"
        out.append((Shared(what, says=says), list(lots.values_list("pk", flat=True))))
    return out


def _cut_together(events: list[Event]) -> list[tuple[Shared, list[int]]]:
    out = []
    for day in sorted({e.day for e in events if e.kind == "harvest"}):
        lots = _made_on(day).filter(kind=LotKind.HARVEST)
        says = f"crates cut on {clock.number_day(day):%d %b %Y}"
        out.append(
            (Shared("crates of one day", says=says), list(lots.values_list("pk", flat=True)))
        )
    return out


def _made_on(day: int) -> QuerySet[Lot]:
    acts = Event.objects.filter(alive(), day=day, kind__in=("harvest", "pack", "rework"))
    return Lot.objects.filter(made_by_id__in=list(acts.values_list("pk", flat=True)))


__all__ = ["HANDLED", "Shared", "shared"]
