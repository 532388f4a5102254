"""Touch is presence: who stood in which water, under which spray, beside which open packet.

Water and treatments touch what stood in them: a cut by every treatment, and by the last water
of each unbroken chain, that its plants stood in, on the cut sites from planting to the cut and
before that wherever the sowing stood. Inputs touch the act made where they were in use: a sowing,
a cut, a run; a planting makes no lot, so what is cut from it bears the edge. A run is touched by
its wash water too. Touched edges are a reading of dated records, kept in the same
transaction; an entry with only a day counts as the whole day.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import TYPE_CHECKING, Any

from django.db import models
from django.db.models import Q, QuerySet, Value

from . import clock, holds, waters
from .kinds import KINDS
from .models import Event, Feed, InUse, Item, Lineage, Lot, LotKind, Place, TreatedPlace, alive
from .ready import Given, insert, ready
from .stays import Window, presences

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


def _said(through: type[models.Model], what: str, row: str) -> QuerySet[Any]:
    rows = through._default_manager.filter(event__in=Given.each("events"))
    return rows.annotate(what=Value(what)).values_list("what", "event_id", row)


def _within() -> QuerySet[Any]:
    rows = Place.objects.filter(within__isnull=False).order_by().annotate(what=Value("area"))
    return rows.values_list("what", "id", "within_id")


#: The inputs and the tanks that acts named, by event; and beside them, in the same question, the
#: area that each place is in.
_named = ready(
    lambda: _said(Event.inputs.through, "input", "lot_id").union(
        _said(Event.tanks.through, "tank", "place_id"), _within(), all=True
    )
)


def exposures(lot: Lot) -> set[int]:
    """Ids of the inputs, water lots and treatments that touched a lot when it was made."""
    return exposures_of([lot])[lot.pk]


def exposures_of(
    lots: Sequence[Lot], stood: dict[int, list[Window]] | None = None
) -> dict[int, set[int]]:
    """`exposures` of many lots, by id, in as many queries as for one. Give some thousand at a
    time, with their events selected, and made near each other: what is read is bounded by the
    first and the last moment that any of them needs. stood: where the plants of each cut stood,
    told for cuts that are not made yet."""
    found: dict[int, set[int]] = {lot.pk: set() for lot in lots}
    if not found:
        return found
    events = {lot.made_by_id for lot in lots}
    by_event = defaultdict(list)
    for lot in lots:
        by_event[lot.made_by_id].append(lot)
    named = _named(events=events)
    areas = {place: area for what, place, area in named if what == "area"}
    for what, event_id, row in named:
        for lot in by_event[event_id] if what == "input" else ():
            found[lot.pk].add(row)
    cuts = [lot for lot in lots if lot.kind == LotKind.HARVEST]
    if stood is None:
        stood = presences(cuts) if cuts else {}
    stood = {pk: windows for pk, windows in stood.items() if windows}
    _in_use(lots, stood, found, areas)
    around = _around({w.place for windows in stood.values() for w in windows}, areas)
    spans = _fed(stood, around) if stood else defaultdict(lambda: defaultdict(set))
    for what, event_id, tank in named:
        for lot in by_event[event_id] if what == "tank" else ():
            event = lot.made_by
            spans[lot.pk][tank].add((event.earliest_at, event.latest_at))
    waters.last_of_chains(spans, found)
    waters.before([lot for lot in lots if lot.kind == LotKind.WATER], found)
    _treatments(stood, around, found)
    for pk, parents in found.items():
        parents.discard(pk)
    return found


_inputs_in_use = ready(
    lambda: InUse.objects.filter(
        Q(ended_by__isnull=True) | Q(ended_by__latest_at__gte=Given.moment("start")),
        place__in=Given.each("places"),
        began_by__earliest_at__lte=Given.moment("end"),
    ).values_list(
        "place_id",
        "lot_id",
        "lot__item__kind",
        "lot__item__variety__crop_id",
        "began_by__earliest_at",
        "ended_by__latest_at",
    )
)


def _in_use(
    lots: Sequence[Lot],
    stood: dict[int, list[Window]],
    found: dict[int, set[int]],
    areas: dict[int, int],
) -> None:
    """Inputs of the kinds that touch an act, in use where and when it was done: at the place
    told; a cut, where its plants stood then, and when they were planted, there and where they
    came from. What is of one crop (a seed, a young plant) touches that crop alone; and a sowing
    that names its packet has no seed from another."""
    acts: set[tuple[int, Moment, Moment, int, tuple[str, ...]]] = set()
    for lot in lots:
        act = lot.made_by
        then = (lot.pk, act.earliest_at, act.latest_at)
        kinds = _touching(act.kind)
        if kinds and act.place_id:
            acts.add((*then, act.place_id, kinds))
        for w in stood.get(lot.pk, ()):
            if kinds and w.start <= act.latest_at and w.end >= act.earliest_at:
                acts.add((*then, w.place, kinds))
            if w.planted and (kinds_ := _touching(w.planted.kind)):
                span = (lot.pk, w.planted.start, w.planted.end)
                acts |= {(*span, place, kinds_) for place in (w.place, w.planted.place) if place}
    if not acts:
        return
    around = _around({place for *_, place, _ in acts}, areas)
    rows = _inputs_in_use(
        places={p for chain in around.values() for p in chain},
        start=min(start for _, start, *_ in acts),
        end=max(end for _, _, end, *_ in acts),
    )
    uses: dict[int, list[tuple]] = defaultdict(list)
    for row in rows:
        uses[row[0]].append(row[1:])
    crops = {lot.pk: lot.crop_id for lot in lots}
    named = {pk for pk, parents in found.items() if parents}
    for pk, start, end, here, kinds in acts:
        for place in around[here]:
            for used, kind, crop, began, ended in uses.get(place, ()):
                if (
                    kind in kinds
                    and began <= end
                    and (ended is None or ended >= start)
                    and crop in (None, crops[pk])
                    and not (kind == Item.Kind.SEED and pk in named)
                ):
                    found[pk].add(used)


def _touching(kind: str) -> tuple[str, ...]:
    return KINDS[kind].touched_by if kind in KINDS else ()


#: lot → tank → the spans of time in which its water counts
Spans = dict[int, dict[int, set[tuple[Moment, Moment]]]]


_feeds = ready(
    lambda: Feed.objects.filter(place__in=Given.each("places")).values_list(
        "tank_id", "place_id", "began_by__earliest_at", "ended_by__latest_at"
    )
)


def _fed(stood: dict[int, list[Window]], around: dict[int, list[int]]) -> Spans:
    """When the plants of each cut stood in the water of which tank."""
    feeds = defaultdict(list)
    for tank, place, began, ended in _feeds(places={p for ps in around.values() for p in ps}):
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


_treated = ready(
    lambda: TreatedPlace.objects.filter(
        alive("lot__made_by"),
        place__in=Given.each("places"),
        lot__made_by__earliest_at__lte=Given.moment("end"),
        lot__made_by__latest_at__gte=Given.moment("start"),
    ).values_list(
        "lot_id", "place_id", "site_id", "lot__made_by__earliest_at", "lot__made_by__latest_at"
    )
)


def _treatments(
    stood: dict[int, list[Window]], around: dict[int, list[int]], found: dict[int, set[int]]
) -> None:
    if not stood:
        return
    given = _treated(
        places={p for chain in around.values() for p in chain},
        start=min(w.start for ws in stood.values() for w in ws),
        end=max(w.end for ws in stood.values() for w in ws),
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


def settle(entry: Entry) -> list[Lineage]:
    """Give newborns their touched edges; returns them."""
    made = exposures_of([lot for lot in entry.lots if lot.kind in TOUCHABLE])
    new = [
        Lineage(parent_id=parent, child_id=pk, kind=Lineage.Kind.TOUCHED, event_id=entry.event.pk)
        for pk, parents in made.items()
        for parent in sorted(parents)
    ]
    insert(new)
    return new


def renew(entry: Entry) -> list[Lineage]:
    """Read again what touched every lot made since the entry's moment; add and drop edges, and
    return the new ones.
    Only lots made later can be concerned: a window ends with the act that made the child."""
    event = entry.event
    mine = {lot.pk for lot in entry.lots}
    later = (
        Lot.objects.filter(
            alive("made_by"),
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
    return new


def _day_of(event: Event) -> int:
    """The local day on which the entry's window begins; day numbers are local throughout."""
    return clock.day_number(clock.local(event.earliest_at).date())
