"""The cut: crates from one sowing, several, or none that anybody knows."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

from django.db import connection
from django.db.models import Count, QuerySet, Sum

from .. import codes, gate
from ..errors import NotKnown, Refusal
from ..fitting import Batch, Keeping, Known, Number, Standing, Tower
from ..ledger import Entry, operation
from ..models import (
    NURSERY,
    Basis,
    Crop,
    CutSite,
    Description,
    Flag,
    Hold,
    Item,
    Lineage,
    Lot,
    LotKind,
    Planting,
    PlantSite,
    Tag,
    Unit,
)
from ..queries import living
from ..ready import Given, insert, ready
from ..setup import the
from ..shares import shared_out

UNUSUAL = 5


@dataclass(frozen=True)
class Crate:
    """One crate as the scale shows it: gross and tare in grams, and its tag if it has one."""

    gross_g: Number
    tare_g: Number = 0
    tag: str = ""

    @property
    def net_g(self) -> int:
        return self.gross_g - self.tare_g


@operation(says="cut", slot=9, gate_=gate.SHARED, touched_by=(Item.Kind.HAND_GEAR,), place="area")
def harvest(
    entry: Entry,
    *,
    crates: Sequence[Crate],
    store: Keeping,
    crop: Crop | None = None,
    batches: Sequence[Batch] = (),
    towers: Sequence[Tower] = (),
    sites: Sequence[PlantSite] = (),
    except_sites: Sequence[PlantSite] = (),
    grade_out_g: int = 0,
    area: Standing | None = None,
    basis: Known = Basis.WEIGHED,
    sure: bool = False,
) -> None:
    """Crates of one cut, on the weigh pad: net = gross − tare, in grams.

    From whole towers minus exceptions, from named sites, from all of a sowing, from several
    sowings at once (their grams are shared out by sites cut), from bench or shelf cells, or,
    where nothing of that is recorded, of a crop alone. One lot, or one a tag. grade_out_g is part
    of the net and goes to compost."""
    at = entry.event.placed_at
    net = sum(c.net_g for c in crates)
    for c in crates:
        if c.net_g <= 0:
            raise Refusal(
                "empty_crate",
                f"A crate of {c.gross_g} g with a tare of {c.tare_g} g holds nothing; "
                "weigh it again.",
            )
    if not crates:
        raise Refusal("nought", "Weigh at least one crate.")
    if not 0 <= grade_out_g <= net:
        raise Refusal(
            "nought", f"{grade_out_g} g cannot have been graded out of {net} g; weigh it again."
        )
    if grade_out_g == net:
        entry.refuse_or(
            "grade_out",
            f"{grade_out_g} g were graded out of {net} g; that leaves nothing to keep. Weigh it "
            "again, or tell it as already done.",
        )
    batches = list(batches)
    cut = _cut_sites(entry, batches, towers, sites, except_sites, at, crop)
    if not batches:
        batches = _sowings(lots={p.batch_id for p in cut})
    crop = crop or (batches[0].crop if batches else None)
    if crop is None:
        raise Refusal("what", "Say which crop, sowing or tower was cut.")
    wrong = [b for b in batches if b.crop_id != crop.pk]
    if wrong:
        entry.refuse_or("mixed", f"{wrong[0].code} is {wrong[0].crop}, not {crop}; weigh it apart.")
    barred = [] if batches else _barred(crop, at)
    if barred:
        entry.refuse_or(
            "not_from_where",
            f"Some {crop} that stands may not be cut: {barred[0]}. Say from which sowing, tower or "
            "site this is, or tell it as already cut.",
        )
    weights = _weights(batches, cut)
    if not sure and not entry.told_as_fact:
        _ask_back(batches, cut, net)
    elif batches:
        _flag_unusual(entry, batches, cut, net)
    variety = batches[0].variety if len({b.variety_id for b in batches}) == 1 else None
    by_tag: dict[str, int] = defaultdict(int)
    for c in crates:
        by_tag[codes.fold(codes.code_in(c.tag))] += c.net_g
    _lock_tags(by_tag)
    out = shared_out(grade_out_g, list(by_tag.values()))
    for (tag, grams), graded in zip(by_tag.items(), out, strict=True):
        code, taken = _tag(tag)
        lot = entry.make(
            LotKind.HARVEST,
            Unit.G,
            code=code,
            crop=crop,
            variety=variety,
            title=str(variety or crop),
            line=f"crop:{crop.pk}",
        )
        if wrong:
            entry.hold_at_birth(lot, f"cut together with {_and_allergens(wrong)}")
        if barred:
            entry.hold_at_birth(lot, f"nobody knows from where it was cut; {barred[0]}")
        entry.move(lot, the("growth"), store, grams - graded, basis)
        entry.move(lot, the("growth"), the("compost"), graded, basis)
        for batch, share in zip(batches, shared_out(grams, weights), strict=True):
            entry.join(batch, lot, Lineage.Kind.GREW, share)
        if taken:
            _tag_twice(entry, lot, taken)
        entry.later.append(partial(_cut, lot, cut))


def _barred(crop: Crop, at: dt.datetime) -> list[str]:
    """What is against cutting some of a crop that stands then: it may be of that."""
    from ..cuttable import standing  # which asks what would touch a cut

    found = [f"{s.place}: {s.why_not}" for s in standing([crop.pk], at) if s.why_not]
    held = Hold.objects.filter(
        ended_by=None,
        lot__kind=LotKind.BATCH,
        lot__crop=crop,
        lot__holdings__quantity__gt=0,
        lot__holdings__place__kind__in=NURSERY,
    )
    return found + [f"{hold.lot.code} is held" for hold in held.select_related("lot").distinct()]


_sowings = ready(
    lambda: (
        Lot.objects.filter(pk__in=Given.each("lots"))
        .select_related("crop", "variety")
        .order_by("pk")
    )
)


@cache
def _standing(by: str, on: str) -> ready:
    """The plantings of some sowings, a crop or any, on some sites, towers or anywhere; of sites
    those too that a big plant blocks."""

    def rows() -> QuerySet[Planting]:
        found = living(Given.moment("at")).order_by("site_id")
        if by == "batches":
            found = found.filter(batch__in=Given.each("batches"))
        elif by:
            found = found.filter(batch__crop=Given("crop"))
        if on == "sites":
            return found.filter(site__in=Given.each("sites"))
        if on:
            found = found.filter(site__tower__in=Given.each("towers"))
        return found.filter(blocked_by__isnull=True)

    return ready(rows)


_plants = ready(lambda: Planting.objects.filter(pk__in=Given.each("plants")))


def _on_sites(sites: Iterable[PlantSite], at: dt.datetime, by: str = "", **of: Any) -> dict:
    """The plants that stand on any of these sites, a big one by any site that it takes."""
    found = _standing(by, "sites")(sites=[site.pk for site in sites], at=at, **of)
    plants = {p.pk: p for p in found if not p.blocked_by_id}
    big = {p.blocked_by_id for p in found if p.blocked_by_id} - plants.keys()
    return plants | {p.pk: p for p in (_plants(plants=big) if big else ())}


def _cut_sites(entry, batches, towers, sites, except_sites, at, crop) -> list[Planting]:
    if not (batches or towers or sites):
        return []
    by = "batches" if batches else "crop" if crop else ""
    of = {"batches": [lot.pk for lot in batches], "crop": crop and crop.pk}
    if sites:
        stood = _on_sites(sites, at, by, **of)
    else:
        rows = _standing(by, "towers" if towers else "")
        stood = {p.pk: p for p in rows(at=at, towers=[t.pk for t in towers], **of)}
    left = _on_sites(except_sites, at) if except_sites else {}
    found = sorted((p for p in stood.values() if p.pk not in left), key=lambda p: p.site_id)
    if not found and (towers or sites):
        where = ", ".join(str(p) for p in (towers or sites)[:3])
        entry.refuse_or(
            "nothing_there",
            f"Nothing{' of ' + str(crop) if crop else ''} stood on {where} then. "
            "Name another tower, or tell it as already cut.",
        )
        entry.flag(Flag.Kind.NOT_ON_BOOKS, f"It was cut on {where}, where the books hold nothing.")
    return found


def _and_allergens(batches: Sequence[Lot]) -> str:
    """What else is in the crate, and what that does to whom: its label would not say so."""
    crops = dict.fromkeys(b.crop for b in batches if b.crop)
    return ", ".join(f"{c} (allergen: {c.allergen})" if c.allergen else str(c) for c in crops)


def _weights(batches: Sequence[Lot], cut: Sequence[Planting]) -> list[int]:
    sites: dict[int, int] = defaultdict(int)
    for p in cut:
        sites[p.batch_id] += 1
    return [sites[b.pk] or (0 if cut else 1) for b in batches]


#: So many cuts say what a sowing gives; a long summer has hundreds.
_CUTS = 10


def _before() -> QuerySet[Lineage]:
    return Lineage.objects.filter(
        parent__in=Given.each("batches"), kind=Lineage.Kind.GREW, struck_by__isnull=True
    )


_last_cuts = ready(
    lambda: (
        _before().values_list("child_id").annotate(Sum("quantity")).order_by("-child_id")[:_CUTS]
    )
)
_sites_cut = ready(
    lambda: (
        CutSite.objects.filter(
            lot__in=Given.each("cuts"), planting__batch__in=Given.each("batches")
        )
        .values_list("lot_id")
        .annotate(Count("id"))
    )
)


def _usual(batches: Sequence[Lot], cut: Sequence[Planting], net: int) -> tuple[float, float] | None:
    """(grams a site now, grams a site these sowings gave in their last cuts), where they gave
    any."""
    if not cut:
        return None
    ids = [b.pk for b in batches]
    before = dict(_last_cuts(batches=ids))
    grams = sum(before.values())
    cuts = sum(n for _, n in _sites_cut(batches=ids, cuts=before)) if grams else 0
    if not grams or not cuts:
        return None
    return net / len(cut), grams / cuts


def _strange(usual: tuple[float, float] | None) -> bool:
    return usual is not None and not (usual[1] / UNUSUAL <= usual[0] <= usual[1] * UNUSUAL)


def _ask_back(batches, cut, net) -> None:
    usual = _usual(batches, cut, net)
    if usual and _strange(usual):
        raise Refusal(
            "unusual",
            f"{net} g from {len(cut)} sites is {usual[0]:.0f} g a site; they gave {usual[1]:.0f} g "
            "a site before. Weigh again, or say that it is right.",
            net_g=net,
            sites=len(cut),
        )


def _flag_unusual(entry: Entry, batches, cut, net) -> None:
    usual = _usual(batches, cut, net)
    if usual and _strange(usual):
        entry.flag(
            Flag.Kind.UNUSUAL,
            f"{usual[0]:.0f} g a site was cut; these sites gave {usual[1]:.0f} g before.",
        )


def _cut(lot: Lot, cut: Sequence[Planting]) -> None:
    insert(CutSite(lot=lot, planting=p) for p in cut)


def _spellings(folded: str) -> set[str]:
    return {folded, f"{folded[:-1]}-{folded[-1]}"} if folded else set()


def _lock_tags(folded: Iterable[str]) -> None:
    """Two crates of one tag at once: the second must see the first's lot."""
    tags = [code for tag in folded for code in _spellings(tag)]
    if tags and connection.features.has_select_for_update:
        rows = Tag.objects.filter(code__in=tags).order_by("code")
        list(rows.select_for_update(no_key=True).values_list("pk"))


def _tag(folded: str) -> tuple[str, Lot | None]:
    """(code for the lot, the lot that already has it). A used tag gives no code."""
    if not folded:
        return "", None
    for tag in Tag.objects.filter(code__in=_spellings(folded)):
        used = Lot.objects.filter(code=tag.code).first()
        return ("", used) if used else (tag.code, None)
    raise NotKnown("no_such_tag", f"No crate tag {folded} was printed here; look at it again.")


def _tag_twice(entry: Entry, lot: Lot, first: Lot) -> None:
    says = f"Tag {first.code} was already on another cut; this one has a code of its own."
    entry.flag(Flag.Kind.TAG_TWICE, says, lot)
    entry.flag(Flag.Kind.TAG_TWICE, f"Tag {first.code} was told again for another cut.", first)
    entry.later.append(
        lambda: Description.objects.create(
            event=entry.event, lot=lot, name=first.code, name_key=codes.fold(first.code)
        )
    )


@operation(says="tags printed", slot=1)
def print_tags(entry: Entry, *, count: int) -> None:
    """A block of valid, unused harvest codes for crates that are weighed where no network is."""
    if not 1 <= count <= 1000:
        raise Refusal("how_many", f"{count} tags cannot be printed at once; ask for 1 to 1000.")
    entry.later.append(
        lambda: Tag.objects.bulk_create(
            [Tag(code=code, printed_by=entry.event) for code in codes.take(codes.TAG, None, count)]
        )
    )


__all__ = ["Crate", "harvest", "print_tags"]
