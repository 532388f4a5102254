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
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db.models import Exists, OuterRef, Q

from . import holds
from .kinds import CANCELLING, KINDS
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
WATERING = ("fill", "top_up", "dose")
DRAIN = "drain_and_clean"
TOUCHABLE = (
    LotKind.BATCH,
    LotKind.HARVEST,
    LotKind.PACK,
    LotKind.WATER,
    LotKind.TREATMENT,
)


@dataclass(frozen=True)
class Window:
    """A place, inclusive from and to, and the one site of it, if it is one."""

    place: int
    start: Moment
    end: Moment
    site: int | None = None


def _alive(ref: str):
    return ~Exists(Event.objects.filter(corrects=OuterRef(ref), kind__in=CANCELLING))


def _around(places: Iterable[int]) -> dict[int, list[int]]:
    """Each place with the areas around it: a tent's mist reaches the benches in it."""
    parents = dict(Place.objects.filter(within__isnull=False).values_list("id", "within_id"))
    out = {}
    for place in set(places):
        chain, here = [place], place
        while here in parents and parents[here] not in chain:
            here = parents[here]
            chain.append(here)
        out[place] = chain
    return out


# --- one reading: what touched a lot ------------------------------------------------------


def exposures(lot: Lot) -> set[int]:
    """Ids of the inputs, water lots and treatments that touched a lot when it was made."""
    event = lot.made_by
    kind = KINDS.get(event.kind)
    found = set(event.inputs.values_list("id", flat=True))
    if kind and kind.touched_by and event.place_id:
        found |= _in_use(event, kind.touched_by)
    for tank in event.tanks.values_list("id", flat=True):
        found |= _last_of_each_chain(tank, [(event.earliest_at, event.latest_at)])
    if lot.kind == LotKind.WATER:
        found |= _water_before(event)
    if lot.kind == LotKind.HARVEST:
        windows = presence(lot)
        found |= _waters(windows)
        found |= _treatments(windows)
    found.discard(lot.pk)
    return found


def _in_use(event: Event, item_kinds: tuple[str, ...]) -> set[int]:
    places = _around([event.place_id])[event.place_id]
    rows = InUse.objects.filter(
        Q(ended_by__isnull=True) | Q(ended_by__latest_at__gte=event.earliest_at),
        place__in=places,
        began_by__earliest_at__lte=event.latest_at,
        lot__item__kind__in=item_kinds,
    )
    return set(rows.values_list("lot_id", flat=True))


def presence(harvest: Lot) -> list[Window]:
    """Where the plants of a cut stood, and when."""
    batches = list(
        harvest.above.filter(kind=Lineage.Kind.GREW, cleared_by__isnull=True).values_list(
            "parent_id", flat=True
        )
    )
    if not batches:
        return []
    cut_until = harvest.made_by.latest_at
    stays = _stays(batches)
    cut = set(CutSite.objects.filter(lot=harvest).values_list("planting_id", flat=True))
    plantings = defaultdict(list)
    for p in Planting.objects.filter(batch__in=batches).values_list(
        "id",
        "batch_id",
        "site__tower_id",
        "site_id",
        "began_by__earliest_at",
        "ended_by__latest_at",
        "began_by__latest_at",
    ):
        plantings[p[1]].append(p)
    windows: list[Window] = []
    for batch in batches:
        mine = [p for p in plantings[batch] if p[0] in cut]
        until = max((p[6] for p in mine), default=cut_until)
        for p in mine:
            windows.append(Window(p[2], p[4], min(p[5] or cut_until, cut_until), p[3]))
        others = [(p[2], p[4], p[5], p[3]) for p in plantings[batch] if p[0] not in cut]
        others += [(place, a, b, None) for place, a, b in stays[batch]]
        for place, start, end, site in others:
            end = min(end or until, until)
            if start <= end:
                windows.append(Window(place, start, end, site))
    return windows


def _stays(batches: list[int]) -> dict[int, list[tuple[int, Moment, Moment | None]]]:
    """When each sowing stood on a bench, a shelf or in a tent: from what moved there."""
    rows = (
        Movement.objects.filter(lot__in=batches)
        .filter(Q(from_place__kind__in=NURSERY) | Q(to_place__kind__in=NURSERY))
        .values_list(
            "lot_id",
            "from_place_id",
            "to_place_id",
            "quantity",
            "event__placed_at",
            "event__earliest_at",
            "event__latest_at",
            "from_place__kind",
            "to_place__kind",
        )
    )
    steps: dict[tuple[int, int], dict[Moment, list]] = defaultdict(dict)
    for lot, from_, to, quantity, at, earliest, latest, from_kind, to_kind in rows:
        for place, kind, signed in ((from_, from_kind, -quantity), (to, to_kind, quantity)):
            if kind in NURSERY:
                step = steps[lot, place].setdefault(at, [0, earliest, latest])
                step[0] += signed
                step[1], step[2] = min(step[1], earliest), max(step[2], latest)
    stays = defaultdict(list)
    for (lot, place), moments in steps.items():
        standing, since = 0, None
        for at in sorted(moments):
            change, earliest, latest = moments[at]
            standing += change
            if standing > 0 and since is None:
                since = earliest
            elif standing <= 0 and since is not None:
                stays[lot].append((place, since, latest))
                since = None
        if since is not None:
            stays[lot].append((place, since, None))
    return stays


def _waters(windows: list[Window]) -> set[int]:
    if not windows:
        return set()
    around = _around(w.place for w in windows)
    feeds = defaultdict(list)
    for tank, place, began, ended in Feed.objects.filter(
        place__in={p for chain in around.values() for p in chain}
    ).values_list("tank_id", "place_id", "began_by__earliest_at", "ended_by__latest_at"):
        feeds[place].append((tank, began, ended))
    spans: dict[int, set[tuple[Moment, Moment]]] = defaultdict(set)
    for w in windows:
        for place in around[w.place]:
            for tank, began, ended in feeds.get(place, ()):
                start, end = max(w.start, began), min(w.end, ended or w.end)
                if start <= end:
                    spans[tank].add((start, end))
    found: set[int] = set()
    for tank, times in spans.items():
        found |= _last_of_each_chain(tank, times)
    return found


def _last_of_each_chain(tank: int, spans: Iterable[tuple[Moment, Moment]]) -> set[int]:
    """The last water lot of each unbroken chain that was in a tank during any of the spans.
    A water is there from its fill to the next; only a drain-and-clean breaks the chain."""
    spans = list(spans)
    until = max(end for _, end in spans)
    rows = list(
        Event.objects.filter(
            _alive("pk"), place=tank, kind__in=(*WATERING, DRAIN), earliest_at__lte=until
        )
        .order_by("placed_at", "id")
        .values_list("made__id", "kind", "earliest_at", "latest_at")
    )
    after = (
        Event.objects.filter(
            _alive("pk"), place=tank, kind__in=(*WATERING, DRAIN), earliest_at__gt=until
        )
        .order_by("placed_at", "id")
        .values_list("latest_at", flat=True)
        .first()
    )
    last: dict[int, int] = {}
    chain = 0
    for i, (water, kind, since, _) in enumerate(rows):
        if kind == DRAIN:
            chain += 1
            continue
        gone = rows[i + 1][3] if i + 1 < len(rows) else after
        if any(since <= end and (gone is None or gone >= start) for start, end in spans):
            last[chain] = water
    return set(last.values())


def _water_before(event: Event) -> set[int]:
    before = (
        Event.objects.filter(
            _alive("pk"), place=event.place_id, kind__in=(*WATERING, DRAIN)
        )
        .filter(Q(placed_at__lt=event.placed_at) | Q(placed_at=event.placed_at, id__lt=event.pk))
        .order_by("-placed_at", "-id")
        .values_list("kind", "made__id")
        .first()
    )
    return {before[1]} if before and before[0] != DRAIN else set()


def _treatments(windows: list[Window]) -> set[int]:
    if not windows:
        return set()
    around = _around(w.place for w in windows)
    places = {p for chain in around.values() for p in chain}
    end = max(w.end for w in windows)
    given = TreatedPlace.objects.filter(
        _alive("lot__made_by"), place__in=places, lot__made_by__earliest_at__lte=end
    ).values_list(
        "lot_id", "place_id", "site_id", "lot__made_by__earliest_at", "lot__made_by__latest_at"
    )
    by_place = defaultdict(list)
    for lot, place, site, start, end in given:
        by_place[place].append((lot, site, start, end))
    found = set()
    for w in windows:
        for place in around[w.place]:
            for lot, site, start, end in by_place.get(place, ()):
                if (site is None or w.site is None or site == w.site) and (
                    start <= w.end and end >= w.start
                ):
                    found.add(lot)
    return found


# --- keeping it -----------------------------------------------------------------------------


def settle(entry: Entry) -> None:
    """Give a newborn its touched edges; renew those of lots that this entry concerns."""
    new: list[Lineage] = []
    for lot in entry.lots:
        if lot.kind in TOUCHABLE:
            new += [
                Lineage(
                    parent_id=parent,
                    child_id=lot.pk,
                    kind=Lineage.Kind.TOUCHED,
                    event_id=entry.event.pk,
                )
                for parent in sorted(exposures(lot))
            ]
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
    for lot in later:
        want = exposures(lot)
        have = dict(
            Lineage.objects.filter(child=lot, kind=Lineage.Kind.TOUCHED).values_list(
                "parent_id", "id"
            )
        )
        gone = [have[p] for p in have.keys() - want]
        if gone:
            Lineage.objects.filter(pk__in=gone).delete()
        new += [
            Lineage(
                parent_id=parent,
                child_id=lot.pk,
                kind=Lineage.Kind.TOUCHED,
                event_id=lot.made_by_id,
            )
            for parent in sorted(want - have.keys())
        ]
    Lineage.objects.bulk_create(new)
    holds.inherit(new, event, entry)


def _day_of(event: Event) -> int:
    """The local day on which the entry's window begins; day numbers are local throughout."""
    from . import clock

    return clock.day_number(clock.local(event.earliest_at).date())
