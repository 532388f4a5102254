"""Where a crop can be cut now: each tower on which it stands, and each bench, shelf or tent where
it stands in cells and is old enough, with how many plants, since when, and why not, where a cut
would be refused or held. Judged by the very rule that judges a cut: what would touch it, and what
of that is held or sprayed. Read only.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import Max

from . import clock, holds
from .models import (
    NURSERY,
    CropCard,
    CutSite,
    Event,
    Holding,
    Lineage,
    Lot,
    LotKind,
    Place,
    Treatment,
    alive,
)
from .offers import natural
from .queries import living
from .ready import Given, ready
from .stays import windows_of
from .touch import exposures_of


@dataclass(frozen=True)
class Standing:
    """Plants of one crop in one place that can be cut together, or cannot: why_not says why.

    days: since they were cut last, or if never, since they were planted (cut tells which); ripe:
    whether that is as many as their crop card says, None where it does not say; grams: what they
    are to give by the card, None likewise. sowings: of cells, the codes that a cut of them names;
    their days are those since they were sown, and no card says their grams."""

    crop: int
    place: Place
    plants: int
    days: int
    cut: bool
    ripe: bool | None = None
    grams: int | None = None
    why_not: str = ""
    sowings: tuple[str, ...] = ()


@dataclass
class _Group:
    """Plants of one sowing in one place: on a tower by their sites, else so many cells."""

    place: Place
    batch: Lot
    plantings: list[int] = field(default_factory=list)
    planted: int = 0
    cells: int = 0


_held_parents = ready(
    lambda: Lot.objects.filter(pk__in=Given.each("lots")).values_list("id", "code", "title")
)
_intervals = ready(
    lambda: Treatment.objects.filter(
        lot__in=Given.each("lots"), safe_from__gt=Given.moment("at")
    ).values_list("lot_id", "lot__title", "lot__code", "safe_from")
)


def standing(crops: Iterable[int], at: dt.datetime, *, cells: bool = False) -> list[Standing]:
    """By crop; of each what can be cut before what cannot, and what waits longest first. cells: not
    on towers alone. So many queries however many towers, sowings and plants."""
    wanted = set(crops)
    groups = _groups(wanted, at) + (_in_cells(wanted, at) if cells else [])
    if not groups:
        return []
    why = _why_not(groups, at)
    last = _last_cuts(groups)
    cards = {
        card.variety_id: card
        for card in CropCard.objects.filter(variety__in={g.batch.variety_id for g in groups})
    }
    today = clock.local(at).date()
    by: dict[tuple[int, int, str], list[Standing]] = defaultdict(list)
    for n, g in enumerate(groups):
        assert g.batch.crop_id is not None
        cut = last.get((g.batch.pk, g.place.pk))
        days = (today - clock.number_day(cut or g.planted)).days
        card = cards.get(g.batch.variety_id or 0)
        wait = card and (card.days_between_cuts if cut else card.days_to_first_cut)
        if card and wait and g.cells and not cut:
            wait += card.nursery_days or 0
        if g.cells and not cut and not (wait and days >= wait):
            continue  # a seedling, for all that is known
        each = card and card.grams_per_site_and_cut
        plants = len(g.plantings)
        by[g.batch.crop_id, g.place.pk, why[n]].append(
            Standing(
                g.batch.crop_id,
                g.place,
                plants or g.cells,
                days,
                bool(cut),
                days >= wait if wait else None,
                plants * each if each and plants else None,
                why[n],
                (g.batch.code,) if g.cells else (),
            )
        )
    found = [_together(rows) for rows in by.values()]
    return sorted(
        found,
        key=lambda s: (s.crop, bool(s.why_not), s.ripe is False, -s.days, natural(s.place.name)),
    )


def _together(rows: list[Standing]) -> Standing:
    """Two sowings of one crop in one place are cut in one walk: the younger says whether ripe."""
    youngest = min(rows, key=lambda s: s.days)
    known = [s.grams for s in rows if s.grams is not None]
    return Standing(
        youngest.crop,
        youngest.place,
        sum(s.plants for s in rows),
        youngest.days,
        youngest.cut,
        youngest.ripe,
        sum(known) if len(known) == len(rows) else None,
        youngest.why_not,
        tuple(code for s in rows for code in s.sowings),
    )


def _groups(crops: set[int], at: dt.datetime) -> list[_Group]:
    rows = living(at).filter(batch__crop__in=crops, blocked_by__isnull=True)
    rows = rows.select_related("site__tower", "batch", "began_by").order_by("pk")
    found: dict[tuple[int, int], _Group] = {}
    for p in rows:
        tower = p.site.tower
        group = found.setdefault((p.batch_id, tower.pk), _Group(tower, p.batch))
        group.plantings.append(p.pk)
        group.planted = max(group.planted, p.began_by.day)  # gapped up: the youngest plant
    return list(found.values())


def _in_cells(crops: set[int], at: dt.datetime) -> list[_Group]:
    """Sowings on benches, on shelves and in tents. Of one that stands on a tower too what is left
    there is spare, and no cut could name it apart."""
    there = Holding.objects.filter(
        quantity__gt=0, place__kind__in=NURSERY, lot__kind=LotKind.BATCH, lot__crop__in=crops
    ).exclude(lot__in=living(at).values("batch"))
    rows = there.select_related("lot__made_by", "place").order_by("lot_id", "place_id")
    return [_Group(h.place, h.lot, planted=h.lot.made_by.day, cells=h.quantity) for h in rows]


def _last_cuts(groups: list[_Group]) -> dict[tuple[int, int], int]:
    """(sowing, place) → the day of the last cut of plants that still stand there."""
    batches = {g.batch.pk for g in groups if g.plantings}
    rows = CutSite.objects.filter(
        alive("lot__made_by"), planting__batch__in=batches, planting__ended_by=None
    )
    days = rows.values_list("planting__batch", "planting__site__tower").order_by()
    found = {(batch, tower): day for batch, tower, day in days.annotate(Max("lot__made_by__day"))}
    cells = [g for g in groups if g.cells]
    grew = Lineage.objects.filter(
        alive("child__made_by"), parent__in={g.batch.pk for g in cells},
        kind=Lineage.Kind.GREW, struck_by=None,
    )  # fmt: skip
    cut = grew.values_list("parent").order_by().annotate(Max("child__made_by__day"))
    by_batch = dict(cut) if cells else {}
    return found | {
        (g.batch.pk, g.place.pk): by_batch[g.batch.pk] for g in cells if g.batch.pk in by_batch
    }


def _why_not(groups: list[_Group], at: dt.datetime) -> dict[int, str]:
    """Of each group, by its place in the list, why its cut would be refused or held; else ""."""
    act = Event(pk=0, kind="harvest", earliest_at=at, latest_at=at)
    cuts = [
        Lot(pk=-n, kind=LotKind.HARVEST, made_by=act, crop_id=g.batch.crop_id)
        for n, g in enumerate(groups, 1)
    ]
    stood = windows_of({-n: (act, [g.batch.pk], set(g.plantings)) for n, g in enumerate(groups, 1)})
    touched = exposures_of(cuts, stood)
    parents = {-n: touched[-n] | {g.batch.pk} for n, g in enumerate(groups, 1)}
    every = {lot for lots in parents.values() for lot in lots}
    held = holds.held_now(every)
    named = {pk: title or code for pk, code, title in _held_parents(lots=held)} if held else {}
    sprays = {row[0]: row[1:] for row in _intervals(lots=every, at=at)}
    out = {}
    for n in range(len(groups)):
        mine = sorted(parents[-n - 1])
        said = [f"{named[lot]} is held: {held[lot].reason}" for lot in mine if lot in held]
        for lot in mine:
            if lot in sprays:
                title, code, until = sprays[lot]
                said.append(
                    f"in the harvest interval of {title or code}, until "
                    f"{clock.local(until):%d %b %H:%M}"
                )
        out[n] = "; ".join(said)
    return out


__all__ = ["Standing", "standing"]
