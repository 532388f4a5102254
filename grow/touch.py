"""Touch is presence: who stood in which water, under which spray, beside which open packet.

Water and treatments touch what stood in them: a cut by every treatment, and by the last water
of each unbroken chain, that its plants stood in, on the cut sites from planting to the cut and
before that wherever the sowing stood. Inputs touch the act made where they were in use. A run
is touched by its wash water too. Touched edges are a reading of dated records, kept in the same
transaction; an entry with only a day counts as the whole day.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

from django.db.models import Exists, OuterRef, Q

from . import clock, holds, waters
from .kinds import ASIDE, CANCELLING, KINDS, OWN
from .models import (
    NURSERY,
    CutSite,
    Event,
    Feed,
    InUse,
    Lineage,
    Lot,
    LotKind,
    Movement,
    Place,
    Planting,
    TreatedPlace,
)

if TYPE_CHECKING:
    from .ledger import Entry

Moment = dt.datetime
TOUCHABLE = (
    LotKind.BATCH,
    LotKind.HARVEST,
    LotKind.PACK,
    LotKind.WATER,
    LotKind.TREATMENT,
)


#: So many lots are read at once where there are many.
MANY = 5000


def batched(lots: Iterable[Lot], size: int) -> Iterator[list[Lot]]:
    lots = iter(lots)
    while some := list(islice(lots, size)):
        yield some


@dataclass(frozen=True)
class Window:
    """A place, inclusive from and to, and the one site of it, if it is one."""

    place: int
    start: Moment
    end: Moment
    site: int | None = None


def _alive(ref: str):
    return ~Exists(Event.objects.filter(corrects=OuterRef(ref), kind__in=CANCELLING))


def _areas() -> dict[int, int]:
    """The area that each place lies in."""
    return dict(Place.objects.filter(within__isnull=False).values_list("id", "within_id"))


def _around(places: Iterable[int], parents: dict[int, int]) -> dict[int, list[int]]:
    """Each place with the areas around it: a tent's mist reaches the benches in it."""
    out = {}
    for place in set(places):
        chain, here = [place], place
        while here in parents and parents[here] not in chain:
            here = parents[here]
            chain.append(here)
        out[place] = chain
    return out


# --- the reading: what touched these lots --------------------------------------------------


def exposures(lot: Lot) -> set[int]:
    """Ids of the inputs, water lots and treatments that touched a lot when it was made."""
    return exposures_of([lot])[lot.pk]


def exposures_of(lots: Sequence[Lot]) -> dict[int, set[int]]:
    """`exposures` of many lots, by id, in as many queries as for one. Give some thousand at a
    time, with their events selected, and made near each other: what is read is bounded by the
    first and the last moment that any of them needs."""
    found: dict[int, set[int]] = {lot.pk: set() for lot in lots}
    if not found:
        return found
    events = {lot.made_by_id for lot in lots}
    by_event = defaultdict(list)
    for lot in lots:
        by_event[lot.made_by_id].append(lot)
    named = Event.inputs.through.objects.filter(event__in=events)
    for event_id, named_input in named.values_list("event_id", "lot_id"):
        for lot in by_event[event_id]:
            found[lot.pk].add(named_input)
    areas = _areas()
    _in_use(lots, found, areas)
    cuts = [lot for lot in lots if lot.kind == LotKind.HARVEST]
    stood = presences(cuts) if cuts else {}
    stood = {pk: windows for pk, windows in stood.items() if windows}
    around = _around({w.place for windows in stood.values() for w in windows}, areas)
    spans = _fed(stood, around) if stood else defaultdict(lambda: defaultdict(set))
    used = Event.tanks.through.objects.filter(event__in=events)
    for event_id, tank in used.values_list("event_id", "place_id"):
        for lot in by_event[event_id]:
            event = lot.made_by
            spans[lot.pk][tank].add((event.earliest_at, event.latest_at))
    waters.last_of_chains(spans, found)
    waters.before([lot for lot in lots if lot.kind == LotKind.WATER], found)
    _treatments(stood, around, found)
    for pk, parents in found.items():
        parents.discard(pk)
    return found


def _in_use(lots: Sequence[Lot], found: dict[int, set[int]], areas: dict[int, int]) -> None:
    """Inputs of the kinds that touch such an act, in use where and when it was done."""
    acts = [
        (lot.pk, lot.made_by, lot.made_by.place_id, kind.touched_by)
        for lot in lots
        if (kind := KINDS.get(lot.made_by.kind)) and kind.touched_by and lot.made_by.place_id
    ]
    if not acts:
        return
    around = _around({place for _, _, place, _ in acts}, areas)
    rows = InUse.objects.filter(
        Q(ended_by__isnull=True)
        | Q(ended_by__latest_at__gte=min(event.earliest_at for _, event, *_ in acts)),
        place__in={p for chain in around.values() for p in chain},
        began_by__earliest_at__lte=max(event.latest_at for _, event, *_ in acts),
        lot__item__kind__in={k for *_, kinds in acts for k in kinds},
    ).values_list(
        "place_id", "lot_id", "lot__item__kind", "began_by__earliest_at", "ended_by__latest_at"
    )
    uses: dict[int, list[tuple]] = defaultdict(list)
    for row in rows:
        uses[row[0]].append(row[1:])
    for pk, event, here, kinds in acts:
        for place in around[here]:
            for used, item_kind, began, ended in uses.get(place, ()):
                if (
                    item_kind in kinds
                    and began <= event.latest_at
                    and (ended is None or ended >= event.earliest_at)
                ):
                    found[pk].add(used)


def presences(harvests: Sequence[Lot]) -> dict[int, list[Window]]:
    """Where the plants of each cut stood, and when, by the cut's id."""
    batches: dict[int, list[int]] = defaultdict(list)
    for child, parent in (
        Lineage.objects.filter(
            child__in=[lot.pk for lot in harvests],
            kind=Lineage.Kind.GREW,
            cleared_by__isnull=True,
        )
        .order_by("id")
        .values_list("child_id", "parent_id")
    ):
        if parent not in batches[child]:
            batches[child].append(parent)
    if not batches:
        return {}
    every = sorted({batch for mine in batches.values() for batch in mine})
    stays = _stays(every)
    cuts = defaultdict(set)
    for lot, planting in CutSite.objects.filter(lot__in=list(batches)).values_list(
        "lot_id", "planting_id"
    ):
        cuts[lot].add(planting)
    plantings = defaultdict(list)
    for p in Planting.objects.filter(batch__in=every).values_list(
        "id",
        "batch_id",
        "site__tower_id",
        "site_id",
        "began_by__earliest_at",
        "ended_by__latest_at",
        "began_by__latest_at",
        "began_at",
        "blocked_by_id",
    ):
        plantings[p[1]].append(p)
    return {
        lot.pk: _windows(lot.made_by, batches[lot.pk], cuts[lot.pk], plantings, stays)
        for lot in harvests
        if lot.pk in batches
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
            windows.append(Window(p[2], p[4], cut_until, p[3]))
        others = [
            (p[2], p[4], p[5], p[3])
            for p in plantings[batch]
            if not (p[0] in cut or p[8] in cut) and (newest is None or p[7] < newest[7])
        ]
        others += [(place, a, b, None) for place, a, b in stays[batch]]
        for place, start, end, site in others:
            end = min(end or until, until)
            if start <= end:
                windows.append(Window(place, start, end, site))
    return windows


def _stays(batches: list[int]) -> dict[int, list[tuple[int, Moment, Moment | None]]]:
    """When each sowing stood on a bench, a shelf or in a tent: from what moved there. A stay
    reaches from the earliest moment at which any of it may have come to the latest at which any
    may have gone, be it that it came and went at one moment."""
    rows = (
        Movement.objects.filter(_alive("event"), lot__in=batches)
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


#: lot → tank → the spans of time in which its water counts
Spans = dict[int, dict[int, set[tuple[Moment, Moment]]]]


def _fed(stood: dict[int, list[Window]], around: dict[int, list[int]]) -> Spans:
    """When the plants of each cut stood in the water of which tank."""
    feeds = defaultdict(list)
    for tank, place, began, ended in Feed.objects.filter(
        place__in={p for chain in around.values() for p in chain}
    ).values_list("tank_id", "place_id", "began_by__earliest_at", "ended_by__latest_at"):
        feeds[place].append((tank, began, ended))
    spans: Spans = defaultdict(lambda: defaultdict(set))
    for pk, windows in stood.items():
        for where, from_, until in {(w.place, w.start, w.end) for w in windows}:
            for place in around[where]:
                for tank, began, ended in feeds.get(place, ()):
                    start, end = max(from_, began), min(until, ended or until)
                    if start <= end:
                        spans[pk][tank].add((start, end))
    return spans


def _treatments(
    stood: dict[int, list[Window]], around: dict[int, list[int]], found: dict[int, set[int]]
) -> None:
    if not stood:
        return
    given = TreatedPlace.objects.filter(
        _alive("lot__made_by"),
        place__in={p for chain in around.values() for p in chain},
        lot__made_by__earliest_at__lte=max(w.end for ws in stood.values() for w in ws),
        lot__made_by__latest_at__gte=min(w.start for ws in stood.values() for w in ws),
    ).values_list(
        "lot_id", "place_id", "site_id", "lot__made_by__earliest_at", "lot__made_by__latest_at"
    )
    by_place = defaultdict(list)
    for lot, place, site, start, end in given:
        by_place[place].append((lot, site, start, end))
    if not by_place:
        return
    for pk, windows in stood.items():
        for w in windows:
            for place in around[w.place]:
                for lot, site, start, end in by_place.get(place, ()):
                    if (site is None or w.site is None or site == w.site) and (
                        start <= w.end and end >= w.start
                    ):
                        found[pk].add(lot)


# --- keeping it -----------------------------------------------------------------------------


def settle(entry: Entry) -> None:
    """Give a newborn its touched edges; renew those of lots that this entry concerns."""
    made = exposures_of([lot for lot in entry.lots if lot.kind in TOUCHABLE])
    new = [
        Lineage(parent_id=parent, child_id=pk, kind=Lineage.Kind.TOUCHED, event_id=entry.event.pk)
        for pk, parents in made.items()
        for parent in sorted(parents)
    ]
    if new:
        Lineage.objects.bulk_create(new)
        holds.inherit(new, entry.event, entry)
    if entry.renews:
        renew(entry)


def renew(entry: Entry) -> None:
    """Read again what touched every lot made since the entry's moment; add and drop edges.
    Only lots made later can be concerned: a window ends with the act that made the child."""
    event = entry.event
    mine = {lot.pk for lot in entry.lots}
    later = (
        Lot.objects.filter(
            _alive("made_by"),
            kind__in=TOUCHABLE,
            made_by__day__gte=_day_of(event),
            made_by__latest_at__gte=event.earliest_at,
        )
        .exclude(pk__in=mine)
        .select_related("made_by")
        .order_by("id")
    )
    new: list[Lineage] = []
    for lots in batched(later.iterator(chunk_size=MANY), MANY):
        have: dict[int, dict[int, int]] = defaultdict(dict)
        for child, parent, edge in Lineage.objects.filter(
            child__in=[lot.pk for lot in lots], kind=Lineage.Kind.TOUCHED
        ).values_list("child_id", "parent_id", "id"):
            have[child][parent] = edge
        gone: list[int] = []
        for lot, want in zip(lots, exposures_of(lots).values(), strict=True):
            old = have[lot.pk]
            gone += [old[p] for p in old.keys() - want]
            new += [
                Lineage(
                    parent_id=parent,
                    child_id=lot.pk,
                    kind=Lineage.Kind.TOUCHED,
                    event_id=lot.made_by_id,
                )
                for parent in sorted(want - old.keys())
            ]
        if gone:
            Lineage.objects.filter(pk__in=gone).delete()
    if new:
        Lineage.objects.bulk_create(new)
        holds.inherit(new, event, entry)


def _day_of(event: Event) -> int:
    """The local day on which the entry's window begins; day numbers are local throughout."""
    return clock.day_number(clock.local(event.earliest_at).date())
