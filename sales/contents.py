"""What is in a bag, by where its leaf came from: allergens and origin.

Allergens follow every origin, a corrected one beside the right one, until the food-safety lead
clears it. Where leaf was grown is read from the origins that stand.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from fractions import Fraction

from django.db.models import Q

from grow import holds, lineage
from grow.ledger import BEFORE_CANCEL, Entry
from grow.models import STRICT, Crop, Description, Event, Flag, Lineage, Lot, LotKind
from grow.operations.corrections import ORIGINS
from grow.operations.inputs import NOT_TOLD, ORIGIN_NOTE

from .models import PackingRun

GROWN_HERE = "Grown here"
BOUGHT_IN = "Contains bought-in produce"
BEFORE_RECORDS = "From before records began"


def words(text: str) -> set[str]:
    return {w.strip().lower() for w in text.split(",") if w.strip()}


def allergens(lot: Lot) -> set[str]:
    """What is in a lot by the crops that it came from."""
    found = {lot.pk}
    if lot.kind == LotKind.PACK:
        found = lineage.above(found)
    origins = Lineage.objects.filter(child__in=found, kind=Lineage.Kind.GREW)
    found |= set(origins.filter(cleared_by=None).values_list("parent_id", flat=True))
    # a cut is called by the crop that it was put down to; no longer, once that is cleared
    renamed = {
        child
        for child, was, called in origins.exclude(cleared_by=None).values_list(
            "child_id", "parent__crop_id", "child__crop_id"
        )
        if was == called
    }
    # what touched it is not in it; and a bag of one crop is called by that of its crates
    made_of = set(
        Lineage.objects.filter(child__in=found, kind=Lineage.Kind.WENT_IN).values_list(
            "child_id", flat=True
        )
    )
    crops = Lot.objects.filter(pk__in=found - renamed - made_of, kind__in=STRICT)
    told = set(crops.filter(crop__isnull=False).values_list("crop__allergen", flat=True))
    return set().union(*map(words, told))


def crops_known(lots: Iterable[int]) -> bool:
    """Whether somebody recorded of what crop all leaf in these lots is."""
    found = set(lots)
    found |= lineage.above(found, composition=True)
    made_of = Lineage.objects.filter(
        child__in=found, kind__in=[Lineage.Kind.WENT_IN, Lineage.Kind.GREW]
    ).values_list("child_id", flat=True)
    rows = Lot.objects.filter(pk__in=found - set(made_of), kind__in=STRICT, crop=None)
    return not rows.exists()


def labelled(lot: Lot) -> set[str]:
    """What a bag's own label declares. Bags of before records began have no run of ours."""
    run = PackingRun.objects.filter(lot=lot).first()
    return words(run.allergens) if run else set()


def origin(lots: Iterable[int]) -> str:
    """What may be said of where the leaf of these lots grew. Plants that stood here on the day
    records began were grown here since; cut leaf and bags of before may be anybody's."""
    kinds = set(
        Lot.objects.filter(
            pk__in=lineage.above(lots, composition=True), kind__in=STRICT - {LotKind.BATCH}
        ).values_list("kind", "made_by__kind")
    )
    if any(kind == LotKind.PRODUCE for kind, _ in kinds):
        return BOUGHT_IN
    if any(made == "opening_entry" for _, made in kinds):
        return BEFORE_RECORDS
    return GROWN_HERE


def countries(lots: Iterable[int], ours: str) -> tuple[list[str], list[str]]:
    """(where the leaf of these lots grew, by the origins that stand; what of that nobody has said).
    ours: the country where we grow. Of leaf bought in, or of before records began, what was told at
    its receipt or added to it since."""
    found = set(lots)
    inside = Lot.objects.filter(
        pk__in=found | lineage.above(found, composition=True),
        kind__in=[LotKind.HARVEST, LotKind.PRODUCE, LotKind.PACK],
    )
    strange = Q(kind=LotKind.PRODUCE) | Q(made_by__kind="opening_entry")
    codes = dict(inside.filter(strange).order_by("pk").values_list("pk", "code"))
    notes = Description.objects.filter(lot__in=codes, note__startswith=ORIGIN_NOTE).order_by("pk")
    told = {
        pk: note.removeprefix(ORIGIN_NOTE).strip() for pk, note in notes.values_list("lot", "note")
    }
    grew, unknown = set(), []
    for pk, code in codes.items():
        if (where := told.get(pk, NOT_TOLD)) not in ("", NOT_TOLD):
            grew.add(where)
        else:
            unknown.append(f"where {code} grew (add “{ORIGIN_NOTE}…” to that lot)")
    if inside.filter(kind=LotKind.HARVEST).exclude(strange).exists():
        if ours:
            grew.add(ours)
        else:
            unknown.append("the country where you grow")
    return sorted(grew), unknown


def leaf(parts: Iterable[tuple[Lot, int]]) -> dict[Crop, Fraction]:
    """Grams of each crop in parts (lot, grams), the most first; by the origins that stand. A bag
    is what went into it, in the shares in which it did; a cut is what it grew from."""
    parts = list(parts)
    found = {lot.pk for lot, _ in parts}
    inside = found | lineage.above(found, composition=True)
    edges: dict[int, list[tuple[int, int]]] = defaultdict(list)
    rows = Lineage.objects.filter(child__in=inside, struck_by=None, quantity__gt=0)
    rows = rows.filter(kind__in=[Lineage.Kind.WENT_IN, Lineage.Kind.GREW])
    for child, parent, quantity, each in rows.values_list(
        "child_id", "parent_id", "quantity", "parent__grams_each"
    ):
        edges[child].append((parent, (quantity or 0) * (each or 1)))
    lots = inside | {parent for above in edges.values() for parent, _ in above}
    crop_of = dict(Lot.objects.filter(pk__in=lots).values_list("pk", "crop_id"))
    grams: dict[int, Fraction] = defaultdict(Fraction)

    def share(lot: int, g: Fraction) -> None:
        above = edges.get(lot)
        if above:
            whole = sum(quantity for _, quantity in above)
            for parent, quantity in above:
                share(parent, g * quantity / whole)
        elif crop := crop_of.get(lot):
            grams[crop] += g

    for lot, g in parts:
        share(lot.pk, Fraction(g))
    crops = Crop.objects.in_bulk(grams)
    return {crops[pk]: g for pk, g in sorted(grams.items(), key=lambda c: (-c[1], c[0])) if g}


def leaf_of(run: Lot) -> dict[Crop, Fraction]:
    """Grams of each crop in a run, the most first."""
    edges = run.above.filter(kind=Lineage.Kind.WENT_IN, struck_by=None).select_related("parent")
    return leaf((e.parent, (e.quantity or 0) * (e.parent.grams_each or 1)) for e in edges)


def look_at_labels(entry: Entry, lot: Lot) -> None:
    """Once the origin of a lot is another, the bags packed from it may be labelled wrongly. One
    that does not name an allergen is held, and all that was made from it."""
    entry.later.append(lambda: _look(entry, lot))


def _look(entry: Entry, lot: Lot) -> None:
    reasons: dict[int, str] = {}
    runs = PackingRun.objects.filter(lot__in=lineage.below([lot.pk])).select_related("lot")
    for run in runs.order_by("lot_id"):
        undeclared = sorted(allergens(run.lot) - words(run.allergens))
        if undeclared:
            says = f"undeclared allergen: {', '.join(undeclared)}, by the origin of {lot.code}"
            reasons[run.lot_id] = says
            entry.flag(Flag.Kind.BORN_HELD, f"{run.lot.code} is held: {says}", run.lot)
        true = origin([run.lot_id])
        if run.origin == GROWN_HERE and true != GROWN_HERE:
            entry.flag(
                Flag.Kind.AGAINST_RULE,
                f"{run.lot.code} is labelled “{GROWN_HERE}”; it {_in_words(true)}.",
                run.lot,
            )
    holds.place_holds(reasons, entry.event)


def _in_words(origin: str) -> str:
    return "contains bought-in produce" if origin == BOUGHT_IN else "is from before records began"


def _uncleared(entry: Entry, event: Event) -> None:
    """Taken back, the lead's word counts no longer."""
    look_at_labels(entry, Lot.objects.get(pk=json.loads(event.told or "{}")["lot"]))


ORIGINS.append(look_at_labels)
BEFORE_CANCEL["clear_origin"] = _uncleared
