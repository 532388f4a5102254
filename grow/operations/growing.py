"""From the packet to the tower, and off it again."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Annotated

from .. import clock, gate
from ..ends import end, make_up, newest, trim
from ..errors import Refusal
from ..fitting import (
    KEEPING,
    Batch,
    Growing,
    Input,
    Number,
    Nursery,
    Standing,
    Tower,
    among,
    as_in,
    refuse_unless,
)
from ..ledger import BEFORE_CANCEL, Entry, operation
from ..models import (
    NURSERY,
    STRICT,
    Basis,
    Crop,
    Event,
    Flag,
    Item,
    Lot,
    LotKind,
    Place,
    PlaceKind,
    Planting,
    PlantSite,
    Unit,
    Variety,
)
from ..queries import alive_on, free_sites, living, on_sites, stock, stocks
from ..setup import the

K = Item.Kind


def _whole(number: int, what: str) -> None:
    if number <= 0:
        raise Refusal("nought", f"{number} {what} is nothing to record; write one or more.")


@operation(
    says="sown",
    slot=6,
    touched_by=(K.SEED, K.MEDIUM, K.YOUNG_PLANTS, K.WATER_TREATMENT),
    place="place",
)
def sow(
    entry: Entry,
    *,
    variety: Variety,
    place: Nursery,
    cells: int,
    seed: Input | None = None,
    seeds_per_cell: Number | None = None,
    trial: str = "",
) -> None:
    """A sowing: cells of a variety on a bench, a shelf or in a tent. One cell is one plant.

    seed is the packet, an input lot. Left out, it is what seed of the crop lies open there, and
    if none does the trace says so in words. Makes one batch."""
    _whole(cells, "cells")
    batch = entry.make(
        LotKind.BATCH, Unit.EACH, crop=variety.crop, variety=variety, title=str(variety)
    )
    if seed:
        entry.event.inputs.add(seed)
    entry.move(batch, the("growth"), place, cells, Basis.COUNTED)


@operation(says="germination checked", slot=6.5, gate_=gate.ALONE)
def check_germination(entry: Entry, *, batch: Batch, place: Nursery, not_up: int) -> None:
    """So many cells have no usable plug: they leave the bench for compost. Nought is a check."""
    if not_up < 0:
        raise Refusal("nought", f"{not_up} cells cannot have stayed empty.")
    entry.move(batch, place, the("compost"), not_up, Basis.COUNTED)


@operation(says="plants lost", slot=7, gate_=gate.ALONE)
def lose_plants(
    entry: Entry,
    *,
    batch: Batch,
    place: Growing,
    plants: int = 0,
    reason: str,
    sites: Sequence[PlantSite] = (),
) -> None:
    """Plants or plugs that died, with a reason from the list. On a tower name the sites, or
    only how many: then the newest planted go first, and the number is what is sure."""
    if place.kind == PlaceKind.TOWER:
        standing = alive_on(entry.event.placed_at, batch=batch, tower=place)
        if sites:
            there = living(entry.event.placed_at).filter(batch=batch, site__in=sites)
            taken = {p.blocked_by_id or p.pk for p in there}
            lost = [p for p in standing if p.pk in taken]
            missing = len({site.pk for site in sites} - {p.site_id for p in there})
            if missing:
                entry.refuse_or(
                    "not_there", f"On {missing} of those sites {batch.code} was not standing."
                )
                says = f"On {missing} of the sites told, the books hold nothing of {batch.code}."
                entry.flag(Flag.Kind.NOT_ON_BOOKS, says, batch)
            if plants and plants != len(lost):
                entry.refuse_or(
                    "sites_and_plants",
                    f"{plants} plants were told as lost, and {len(lost)} stood on those sites. "
                    "Name the sites of all of them, or only how many they were.",
                    plants=plants,
                    standing=len(lost),
                )
                says = f"{plants} plants were told as lost on sites that bore {len(lost)}."
                entry.flag(Flag.Kind.NOT_ON_BOOKS, says, batch)
        else:
            _whole(plants, "plants")
            if plants > len(standing):
                entry.refuse_or(
                    "not_there",
                    f"{place} holds {len(standing)} plants of {batch.code}; {plants} were "
                    "told as lost. Walk the tower, or tell it as already done.",
                )
            lost = newest(standing, plants)
        plants = len(lost) if sites else plants
        end(entry, lost)
        entry.off.add((batch.pk, place.pk))
    else:
        _whole(plants, "plants")
    entry.move(batch, place, the("compost"), plants, Basis.COUNTED)


@operation(says="moved plants", slot=6.8, gate_=gate.ALONE, place="to_place")
def move_plants(
    entry: Entry, *, batch: Batch, from_place: Growing, to_place: Nursery, plants: int
) -> None:
    """Cells from one bench, shelf or tent to another; back off a tower the newest go first."""
    _whole(plants, "plants")
    if from_place.kind == PlaceKind.TOWER:
        standing = alive_on(entry.event.placed_at, batch=batch, tower=from_place)
        end(entry, newest(standing, plants))
        entry.off.add((batch.pk, from_place.pk))
    entry.move(batch, from_place, to_place, plants, Basis.COUNTED)


@operation(
    says="planted",
    slot=8,
    gate_=gate.ALONE,
    touched_by=(K.MEDIUM, K.YOUNG_PLANTS),
    place="from_place",
)
def transplant(
    entry: Entry,
    *,
    batch: Batch,
    from_place: Nursery,
    towers: Sequence[Tower] = (),
    sites: Sequence[PlantSite] = (),
    plants: int | None = None,
) -> None:
    """Plugs walked over to towers: "all of this sowing on these towers", "30 of it", or named
    sites. Free sites fill from the top. Gapping up is the same act.

    A site that the books hold occupied is refused; told as already done, the planting there
    ends then, "found cleared", or this one ends where a later one began. Plants that no site was
    free for stay where they were."""
    each = _sites_each(batch)
    entry.take((batch, from_place))
    if sites:
        _refuse_unfit(entry, sites, each, plants)
    else:
        here = stock(batch, from_place, entry.event.placed_at)
        sites, left = _free(entry, towers, each, plants, here)
        if left:
            entry.flag(
                Flag.Kind.NOT_ON_BOOKS,
                f"{left} plants of {batch.code} had no free site on {_named(towers)}; by the books "
                f"they are still at {from_place}.",
                batch,
            )
    _put_on(entry, batch, from_place, sites)


def _sites_each(batch: Lot) -> int:
    return batch.variety.sites_each if batch.variety else 1


def _named(towers: Sequence[Place]) -> str:
    return ", ".join(map(str, towers)) or "no tower"


def _put_on(entry: Entry, batch: Lot, from_place: Place, sites: Sequence[PlantSite]) -> None:
    each = _sites_each(batch)
    entry.lock_sites(sites)
    _free_up(entry, sites)
    later = _next_on(entry, sites)
    entry.later.append(lambda: _plant(entry, batch, sites, each, later))
    for tower, count in _by_tower(sites[::each]):
        entry.move(batch, from_place, tower, count, Basis.COUNTED)
    if later:
        _until_planted_again(entry, batch, {site.pk for site in sites[::each]}, later)


def _refuse_unfit(entry: Entry, sites: Sequence[PlantSite], each: int, plants: int | None) -> None:
    """Sites that were named are as many as the plants take, those of one plant on one tower."""
    over = len(sites) % each or any(
        len({site.tower_id for site in sites[i : i + each]}) > 1 for i in range(0, len(sites), each)
    )
    if over or (plants is not None and plants * each != len(sites)):
        raise Refusal(
            "sites_and_plants",
            f"{len(sites)} sites were named"
            + (f" for {plants} plants" if plants is not None else "")
            + f"; each plant takes {each}, all on one tower. Name as many as they take.",
            sites=len(sites),
            plants=plants,
            each=each,
        )
    broken = PlantSite.objects.filter(pk__in=[site.pk for site in sites], out_of_use=True)
    for site in broken.select_related("tower"):
        entry.refuse_or(
            "out_of_use",
            f"{site} is out of use; name another, or tell it as already done.",
            site=str(site),
        )
        entry.flag(Flag.Kind.AGAINST_RULE, f"{site} is out of use and was planted.")


def _free(
    entry: Entry, towers: Sequence[Place], each: int, plants: int | None, here: int
) -> tuple[list[PlantSite], int]:
    """(free sites for so many plants, by default all that are here and fit, no plant across two
    towers; how many have none). As a fact they may also stand where the books have cleared since:
    then it was cleared by then."""
    then = free_sites(towers, entry.event.placed_at)
    if entry.told_as_fact:
        then += [site for site in free_sites(towers, clock.now()) if site not in then]
    by_tower: dict[Place, list[PlantSite]] = defaultdict(list)
    for site in then:
        by_tower[site.tower].append(site)
    free = [site for on_it in by_tower.values() for site in on_it[: len(on_it) // each * each]]
    room = len(free) // each
    want = plants if plants is not None else min(here, room) or here
    _whole(want, "plants")
    if want > room:
        entry.refuse_or(
            "no_room",
            f"{_named(towers)}: {len(free)} sites are free and {want * each} are needed. Clear "
            "some, or name more towers.",
            free=len(free),
            asked=want * each,
        )
    return free[: min(want, room) * each], max(0, want - room)


def _by_tower(sites: Iterable[PlantSite]) -> list[tuple[Place, int]]:
    towers: dict[Place, int] = defaultdict(int)
    for site in sites:
        towers[site.tower] += 1
    return sorted(towers.items(), key=lambda t: t[0].pk)


def _free_up(entry: Entry, sites: Sequence[PlantSite]) -> None:
    at = entry.event.placed_at
    there = list(living(at).filter(site__in=sites).select_related("batch", "site__tower"))
    if not there:
        return
    entry.refuse_or(
        "occupied",
        f"{len(there)} of those sites are taken, {there[0].site} by {there[0].batch.code}. "
        "Clear them first, or tell it as already done.",
        sites=[str(p.site) for p in there],
    )
    for p in there:
        entry.flag(Flag.Kind.FOUND_CLEARED, f"{p.site}: {p.batch.code} was found cleared.", p.batch)
    end(entry, there)
    gone: dict[tuple[Lot, Place], int] = defaultdict(int)
    for p in there:
        # what another act took off later has left by that act
        if p.blocked_by_id is None and p.ended_by_id is None:
            gone[p.batch, p.site.tower] += 1
    for (batch, tower), count in gone.items():
        entry.off.add((batch.pk, tower.pk))
        entry.move(batch, tower, the("compost"), count, Basis.ESTIMATED)


def _next_on(entry: Entry, sites: Sequence[PlantSite]) -> dict[int, Planting]:
    """What was planted next on these sites, by site id, where something was."""
    later = Planting.objects.filter(site__in=sites, began_at__gt=entry.event.placed_at)
    rows = later.select_related("batch", "site__tower", "began_by").order_by("-began_at", "-id")
    return {p.site_id: p for p in rows}


def _until_planted_again(
    entry: Entry, batch: Lot, heads: set[int], later: dict[int, Planting]
) -> None:
    """Plants told late of sites that were planted again since were found cleared by then. A big
    plant stands until the site that it grows in is planted again."""
    since = sorted(later.values(), key=_in_order)
    entry.refuse_or(
        "planted_later",
        f"{since[0].site} was planted with {since[0].batch.code} after that moment; put that "
        "entry right first, or tell this as already done.",
    )
    asides: dict[int, Event] = {}
    for p in since:
        says = f"{p.site}: {batch.code} was found cleared when {p.batch.code} was planted there."
        entry.flag(Flag.Kind.FOUND_CLEARED, says, batch)
        if p.site_id not in heads:
            continue
        at = asides.get(p.began_by_id) or entry.aside(p.began_by, "found_cleared")
        asides[p.began_by_id] = at
        entry.off.add((batch.pk, p.site.tower_id))
        entry.move(batch, p.site.tower, the("compost"), 1, Basis.ESTIMATED, event=at)


def _in_order(p: Planting) -> tuple[dt.datetime, int]:
    return p.began_at, p.pk


def _plant(
    entry: Entry,
    batch: Lot,
    sites: Sequence[PlantSite],
    each: int,
    later: dict[int, Planting],
) -> None:
    def planting(site: PlantSite, head: PlantSite, blocked_by: Planting | None = None) -> Planting:
        after = min(
            (later[s.pk] for s in (site, head) if s.pk in later), key=_in_order, default=None
        )
        return Planting(
            batch=batch,
            site=site,
            blocked_by=blocked_by,
            began_by=entry.event,
            began_at=entry.event.placed_at,
            ended_by=after.began_by if after else None,
            ended_at=after.began_at if after else None,
        )

    heads = [planting(site, site) for site in sites[::each]]
    Planting.objects.bulk_create(heads)
    Planting.objects.bulk_create(
        [
            planting(site, sites[i - i % each], heads[i // each])
            for i, site in enumerate(sites)
            if i % each
        ]
    )
    trim(sites, entry.event.placed_at)
    make_up((batch.pk, site.tower_id) for site in sites)


@operation(says="cleared", slot=21, gate_=gate.ALONE)
def clear(
    entry: Entry,
    *,
    batch: Batch,
    places: Sequence[Growing] = (),
    except_sites: Sequence[PlantSite] = (),
    left: Annotated[str, among(("empty", "some", "full"))] = "empty",
    why: str = "",
    uncut_g: Number | None = None,
) -> None:
    """Off with it: "empty", "some" or "full" of good leaf, and why. Whatever of the sowing
    stood in these places (all of them, if none is named) goes to compost. uncut_g is the guide's
    guess at what nobody cut; it stands apart from waste."""
    at = entry.event.placed_at
    stood = {place: n for (_, place), n in stocks(at, lots=[batch.pk]).items() if n > 0}
    if not places:
        places = list(Place.objects.filter(pk__in=stood, kind__in=[*NURSERY, PlaceKind.TOWER]))
    kept = set(living(at).filter(on_sites(except_sites)).values_list("pk", flat=True))
    entry.take(*((batch, place) for place in places))
    total = 0
    for place in sorted(places, key=lambda p: p.pk):
        if place.kind == PlaceKind.TOWER:
            gone = [p for p in alive_on(at, batch=batch, tower=place) if p.pk not in kept]
            end(entry, gone)
            entry.off.add((batch.pk, place.pk))
            number = len(gone)
        else:
            number = stood.get(place.pk, 0)
        total += number
        entry.move(batch, place, the("compost"), number, Basis.COUNTED)
    if not total:
        says = f"Nothing of {batch.code} stands there any more"
        entry.refuse_or("not_there", f"{says}; tell it as already done if it did.")
        entry.flag(Flag.Kind.NOT_ON_BOOKS, f"{says} by the books; it was cleared all the same.")


#: Water and treatments are told anew: they have no stock to open with.
_STOOD = (*sorted(STRICT), LotKind.INPUT)


@operation(says="stood on the day records began", slot=0.1, gate_=gate.ALONE)
def opening_entry(
    entry: Entry,
    *,
    kind: Annotated[str, among(_STOOD)],
    quantity: int,
    place: Standing | None = None,
    towers: Sequence[Tower] = (),
    sites: Sequence[PlantSite] = (),
    crop: Crop | None = None,
    variety: Variety | None = None,
    item: Item | None = None,
    title: Annotated[str, as_in(Lot, "title")] = "",
    line: Annotated[str, as_in(Lot, "line")] = "",
    grams_each: Number | None = None,
    use_by: dt.date | None = None,
    about_planted: dt.date | None = None,
) -> None:
    """What stood on the day records began: plants on towers or benches, produce in a store,
    packs on a shelf, inputs in a cupboard. Where it came from is a gap in words on the trace."""
    _whole(quantity, "of it")
    if (kind == LotKind.PACK) != bool(grams_each):
        raise Refusal("grams_each", "Say of packs, and of packs alone, how many grams each holds.")
    if place and kind == LotKind.BATCH:
        refuse_unless(place, NURSERY)
    elif place and kind != LotKind.INPUT:
        refuse_unless(place, KEEPING)
    crop = crop or (variety.crop if variety else None)
    unit = {LotKind.HARVEST: Unit.G, LotKind.PRODUCE: Unit.G}.get(LotKind(kind), Unit.EACH)
    lot = entry.make(
        kind,
        unit,
        crop=crop,
        variety=variety,
        item=item,
        title=title or str(variety or crop or item or ""),
        line=line or (f"crop:{crop.pk}" if crop and unit == Unit.G else ""),
        grams_each=grams_each,
        use_by=use_by,
    )
    opening = the("opening")
    if kind != LotKind.BATCH or not (towers or sites):
        if place is None:
            raise Refusal("where", "Say where it stood: a bench, a store, a shelf or towers.")
        entry.move(lot, opening, place, quantity, Basis.COUNTED)
        return
    if sites:
        _refuse_unfit(entry, sites, _sites_each(lot), quantity)
    else:
        sites, left = _free(entry, towers, _sites_each(lot), quantity, quantity)
        entry.move(lot, opening, the("count_difference"), left, Basis.COUNTED)
        if left:
            says = f"{left} plants had no free site on {_named(towers)}; they stand nowhere."
            entry.flag(Flag.Kind.NOT_ON_BOOKS, says, lot)
    _put_on(entry, lot, opening, sites)


def _unplanted(entry: Entry, event: Event) -> None:
    """What ended where these plants began ends when it was told to, once they are taken back."""
    sites = list(PlantSite.objects.filter(plantings__began_by=event))
    entry.later.append(lambda: trim(sites, event.placed_at))


BEFORE_CANCEL["transplant"] = BEFORE_CANCEL["opening_entry"] = _unplanted

__all__ = [
    "check_germination",
    "clear",
    "lose_plants",
    "move_plants",
    "opening_entry",
    "sow",
    "transplant",
]
