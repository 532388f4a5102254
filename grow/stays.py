"""Where the plants of a cut stood, and when: the sites that it was cut from, and before that every
bench, shelf, tent and site where the sowing stood. A reading of plantings and of what moved."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from django.db.models import Q, Value

from .kinds import ASIDE, CANCELLING, OWN
from .models import NURSERY, CutSite, Event, Lineage, Lot, Movement, Planting, alive
from .ready import Given, ready

Moment = dt.datetime


class Planted(NamedTuple):
    """The act that planted: its kind, inclusive from and to, and where the plants came from."""

    kind: str
    start: Moment
    end: Moment
    place: int | None


@dataclass(frozen=True)
class Window:
    """A place, inclusive from and to, and the one site of it, if it is one, with its planting."""

    place: int
    start: Moment
    end: Moment
    site: int | None = None
    planted: Planted | None = None


#: Of each cut its sowings, in the order told, and the plantings that it was taken from.
_taken_from = ready(
    lambda: (
        Lineage.objects.filter(
            child__in=Given.each("cuts"), kind=Lineage.Kind.GREW, cleared_by__isnull=True
        )
        .annotate(what=Value("grew"))
        .values_list("what", "id", "child_id", "parent_id")
        .union(
            CutSite.objects.filter(lot__in=Given.each("cuts"))
            .annotate(what=Value("cut"))
            .values_list("what", "id", "lot_id", "planting_id"),
            all=True,
        )
    )
)
_plantings = ready(
    lambda: Planting.objects.filter(batch__in=Given.each("batches")).values_list(
        "id",
        "batch_id",
        "site__tower_id",
        "site_id",
        "began_by__earliest_at",
        "ended_by__latest_at",
        "began_by__latest_at",
        "began_at",
        "blocked_by_id",
        "began_by__kind",
        "began_by__place_id",
    )
)
_moved_in_the_nursery = ready(
    lambda: (
        Movement.objects.filter(alive("event"), lot__in=Given.each("batches"))
        .filter(Q(from_place__kind__in=NURSERY) | Q(to_place__kind__in=NURSERY))
        .exclude(event__kind__in=(*CANCELLING, *ASIDE))
        .values_list(
            "lot_id",
            "from_place_id",
            "to_place_id",
            "quantity",
            "event__kind",
            "event__placed_at",
            "event__earliest_at",
            "event__latest_at",
            "from_place__kind",
            "to_place__kind",
        )
    )
)


def presences(harvests: Sequence[Lot]) -> dict[int, list[Window]]:
    """Where the plants of each cut stood, and when, by the cut's id."""
    batches: dict[int, list[int]] = defaultdict(list)
    cuts = defaultdict(set)
    for what, _, cut, row in sorted(_taken_from(cuts=[lot.pk for lot in harvests])):
        if what == "cut":
            cuts[cut].add(row)
        elif row not in batches[cut]:
            batches[cut].append(row)
    return windows_of(
        {
            lot.pk: (lot.made_by, batches[lot.pk], cuts[lot.pk])
            for lot in harvests
            if lot.pk in batches
        }
    )


def windows_of(cuts: Mapping[int, tuple[Event, list[int], set[int]]]) -> dict[int, list[Window]]:
    """Where the plants of each cut stood, and when, by whatever names the cut: its act, its
    sowings and the plantings that it was taken from, or would be."""
    if not cuts:
        return {}
    every = sorted({batch for _, mine, _ in cuts.values() for batch in mine})
    stays = stays_of(every)
    plantings = defaultdict(list)
    for p in _plantings(batches=every):
        plantings[p[1]].append(p)
    return {
        name: _windows(event, batches, cut, plantings, stays)
        for name, (event, batches, cut) in cuts.items()
    }


def _windows(event: Event, batches, cut: set[int], plantings, stays) -> list[Window]:
    cut_until = event.latest_at
    windows: list[Window] = []
    for batch in batches:
        # a big plant stands on the sites that it blocks, too
        mine = [p for p in plantings[batch] if p[0] in cut or p[8] in cut]
        newest = max(mine, key=lambda p: p[7], default=None)
        until = newest[6] if newest else cut_until
        for p in mine:
            # to the cut, though a clearing told later may stand before it: cut, so it stood
            windows.append(Window(p[2], p[4], cut_until, p[3], _planted(p)))
        others: list[tuple] = [
            (p[2], p[4], p[5], p[3], _planted(p))
            for p in plantings[batch]
            if not (p[0] in cut or p[8] in cut) and (newest is None or p[7] < newest[7])
        ]
        others += [(place, a, b, None, None) for place, a, b in stays[batch]]
        for place, start, end, site, planted in others:
            end = min(end or until, until)
            if start <= end:
                windows.append(Window(place, start, end, site, planted))
    return windows


def _planted(p: tuple) -> Planted:
    return Planted(p[9], p[4], p[6], p[10])


def stays_of(batches: Sequence[int]) -> dict[int, list[tuple[int, Moment, Moment | None]]]:
    """When each sowing stood on a bench, a shelf or in a tent: from what moved there. A stay
    reaches from the earliest moment at which any of it may have come to the latest at which any
    may have gone, be it that it came and went at one moment."""
    rows = _moved_in_the_nursery(batches=batches)
    steps: dict[tuple[int, int], dict[Moment, list]] = defaultdict(dict)
    own: dict[tuple[int, int, Moment], int] = defaultdict(int)

    def step(lot: int, place: int, at: Moment, signed: int, span: tuple[Moment, Moment]) -> None:
        there = steps[lot, place].setdefault(at, [0, [], []])
        there[0] += signed
        there[1 if signed > 0 else 2].append(span[0 if signed > 0 else 1])

    for lot, from_, to, quantity, kind, at, earliest, latest, from_kind, to_kind in rows:
        for place, place_kind, signed in ((from_, from_kind, -quantity), (to, to_kind, quantity)):
            if place_kind not in NURSERY:
                continue
            if kind in OWN:  # a shelf walked again takes its own rows back by adding
                own[lot, place, at] += signed
            else:
                step(lot, place, at, signed, (earliest, latest))
    for (lot, place, at), drawn in own.items():
        if drawn:
            step(lot, place, at, drawn, (at, at))
    stays: dict[int, list[tuple[int, Moment, Moment | None]]] = defaultdict(list)
    for (lot, place), moments in steps.items():
        standing = 0
        came: list[Moment] = []
        went: list[Moment] = []
        for at in sorted(moments):
            change, comes, goes = moments[at]
            standing += change
            came, went = came + comes, went + goes
            if standing <= 0 and came and went:
                stays[lot].append((place, min(came), max(went)))
            if standing <= 0:
                came, went = [], []
        if came:
            stays[lot].append((place, min(came), None))
    return stays
