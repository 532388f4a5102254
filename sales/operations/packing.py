"""The run: crates in, bags out, and every gram in between accounted for."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from grow import clock, lineage
from grow.errors import Refusal
from grow.fitting import Goods, Keeping
from grow.holds import WAITS
from grow.ledger import Entry, operation
from grow.models import (
    Basis,
    Business,
    Description,
    Flag,
    Item,
    Lineage,
    Lot,
    LotKind,
    Place,
    Thing,
    Unit,
)
from grow.operations.inputs import learn
from grow.queries import stocks
from grow.setup import the
from grow.shares import shared_out
from sales import contents
from sales import weights as weights_
from sales.label_words import Decision, decision
from sales.models import DecisionCard, PackingRun, Product

from . import weighing

_TOUCHED_BY = (Item.Kind.PACKAGING, Item.Kind.HAND_GEAR)


@dataclass(frozen=True)
class Taken:
    """A crate taken to the line. left: 0 is "crate empty", a number is what was weighed back
    (or bags left, for opened bags). used: so much and no look at the rest."""

    lot: Goods
    place: Keeping
    left: int | None = None
    used: int | None = None


@operation(says="packed", slot=11, touched_by=_TOUCHED_BY, place="line")
def pack(
    entry: Entry,
    *,
    product: Product,
    taken: Sequence[Taken],
    packs: int,
    store: Keeping,
    line: Keeping | None = None,
    washed: bool = False,
    trim_g: int | None = None,
    giveaway_g: int = 0,
    mean_fill_g: Decimal | None = None,
    samples_g: int = 0,
    moisture_g: int = 0,
    use_by: dt.date | None = None,
    weighed_again: bool = False,
    scale: Thing | None = None,
    target_g: Decimal | None = None,
    weights: Sequence[Decimal] = (),
) -> None:
    """One run of a product. Packs is every closed bag; quantities are grams.

    grams in + water and scale gain = packs × nominal + trim + giveaway + samples + moisture. What
    was not weighed is the remainder, called "trim, water and scale". A shortfall within the
    business's tolerance is a named gain; beyond it a second weighing is asked for.

    weights: what packs weighed, net, in grams. target_g: what the scale was to read."""
    _run(
        entry,
        product=product,
        taken=taken,
        packs=packs,
        store=store,
        washed=washed,
        trim_g=trim_g,
        giveaway_g=giveaway_g,
        mean_fill_g=mean_fill_g,
        samples_g=samples_g,
        moisture_g=moisture_g,
        use_by=use_by,
        weighed_again=weighed_again,
        scale=scale,
        target_g=target_g,
        weights=weights,
    )


@operation(says="reworked", slot=11.2, touched_by=_TOUCHED_BY, place="line")
def rework(
    entry: Entry,
    *,
    product: Product,
    taken: Sequence[Taken],
    packs: int,
    store: Keeping,
    line: Keeping | None = None,
    use_by: dt.date | None = None,
    weighed_again: bool = False,
) -> None:
    """Opened bags (and crates, if any) into a new run. A parent like any other; its date is
    never later than the oldest in it."""
    if not any(t.lot.kind == LotKind.PACK for t in taken):
        raise Refusal("rework", "Rework opens bags; name the run that they came from.")
    _run(
        entry,
        product=product,
        taken=taken,
        packs=packs,
        store=store,
        use_by=use_by,
        weighed_again=weighed_again,
    )


def _run(
    entry: Entry,
    *,
    product: Product,
    taken: Sequence[Taken],
    packs: int,
    store: Place,
    use_by: dt.date | None,
    weighed_again: bool,
    washed: bool = False,
    trim_g: int | None = None,
    giveaway_g: int = 0,
    mean_fill_g: Decimal | None = None,
    samples_g: int = 0,
    moisture_g: int = 0,
    scale: Thing | None = None,
    target_g: Decimal | None = None,
    weights: Sequence[Decimal] = (),
) -> None:
    each_g = product.nominal_g
    if each_g is None:
        raise Refusal("loose", f"{product} is sold loose; it is not packed.")
    if packs <= 0 or not taken:
        raise Refusal("nought", "Say which crates were taken and how many packs were closed.")
    for what, lost in (
        ("trim", trim_g or 0),
        ("giveaway", giveaway_g),
        ("samples", samples_g),
        ("moisture", moisture_g),
    ):
        if lost < 0:
            raise Refusal("nought", f"{lost} g of {what} cannot be.")
    nominal_g = packs * each_g
    weighing.refuse_odd(entry, weights, packs, each_g)
    weighing.refuse_odd_target(target_g, each_g)
    if weights:
        mean_fill_g = sum(weights, Decimal(0)) / len(weights)
    if mean_fill_g is not None:
        giveaway_g = max(0, weights_.giveaway_g(mean_fill_g, each_g, packs))
    taken = sorted(taken, key=lambda t: (t.lot.pk, t.place.pk))
    for one, other in itertools.pairwise(taken):
        if (one.lot, one.place) == (other.lot, other.place):
            raise Refusal(
                "twice", f"{one.lot.code} out of {one.place} is named twice; once is enough."
            )
    grams = _grams_taken(entry, taken)
    loose = [(t, g) for t, g in zip(taken, grams, strict=True) if t.lot.kind != LotKind.PACK]
    opened = [(t, n) for t, n in zip(taken, grams, strict=True) if t.lot.kind == LotKind.PACK]
    opened_g = sum(n * (t.lot.grams_each or 0) for t, n in opened)
    grams_in = opened_g + sum(g for _, g in loose)
    known = nominal_g + giveaway_g + samples_g + moisture_g
    weighed_trim = trim_g or 0
    gain_g = max(0, known + weighed_trim - grams_in)
    trim_total = max(weighed_trim, grams_in + gain_g - known)
    _outweighs(entry, grams_in, gain_g, packs, product, weighed_again)
    allergens, undeclared = _allergens(product, taken)
    if undeclared:
        entry.refuse_or(
            "undeclared_allergen",
            f"{', '.join(undeclared)} is in {_who(taken, undeclared)} and the label of {product} "
            "does not declare it. Take another crate, or change the label first.",
            allergens=undeclared,
        )
    _refuse_off_recipe(entry, product, taken, grams)
    date, allowed = _use_by(entry, product, taken, use_by)
    decided = decision(product, clock.number_day(entry.event.day))
    crops = {t.lot.crop_id for t in taken}
    run = entry.make(
        LotKind.PACK,
        Unit.EACH,
        grams_each=each_g,
        title=product.name,
        line=product.line,
        use_by=date,
        crop_id=crops.pop() if len(crops) == 1 else None,
    )
    if date and allowed and date > allowed:
        entry.hold_at_birth(run, f"labelled {date:%d %b %Y}; its leaf allows {allowed:%d %b %Y}")
        learn(entry, run, best_before=allowed)  # what is made of it is no younger for the label
    _hold_if_past(entry, run, product, date)
    _hold_if_unwashed(entry, run, product, decided, taken, washed)
    if product.test_and_hold:
        entry.hold_at_birth(run, f"{product} {WAITS}")
    if undeclared:
        entry.hold_at_birth(run, f"undeclared allergen: {', '.join(undeclared)}")
    _open_bags(entry, run, opened, 0 if loose else gain_g, 0 if loose else trim_total)
    for t in taken:
        if t.left is not None:
            entry.count(t.lot, t.place, t.left)
    losses = (
        ("compost", weighed_trim, Basis.WEIGHED),
        ("compost", trim_total - weighed_trim, Basis.REMAINDER),
        ("sample", samples_g, Basis.SHARED_OUT),
        ("giveaway", giveaway_g, Basis.SHARED_OUT),
        ("moisture", moisture_g, Basis.SHARED_OUT),
    )
    _share(entry, run, loose, gain_g, losses)
    entry.move(run, the("packing"), store, packs, Basis.COUNTED)
    entry.later.append(
        lambda: PackingRun.objects.create(
            lot=run,
            product=product,
            name=product.name,
            nominal_each_g=each_g,
            allergens=", ".join(allergens),
            origin=contents.origin([t.lot.pk for t in taken]),
            use_by=date,
            fill=product.fill,
            system=decided.system if decided else DecisionCard.System.AVERAGE,
            target_g=target_g,
            tare_g=product.tare_g,
            scale=scale,
            washed=washed,
            grams_in=grams_in,
            gain_g=gain_g,
            packs=packs,
            nominal_g=nominal_g,
            trim_g=trim_total,
            giveaway_g=giveaway_g,
            samples_g=samples_g,
            moisture_g=moisture_g,
        )
    )
    if weights:
        entry.later.append(lambda: weighing.keep(entry, run, weights))


def _refuse_off_recipe(
    entry: Entry, product: Product, taken: Sequence[Taken], grams: Sequence[int]
) -> None:
    """What goes in is what the recipe names, in its shares by weight, to the whole per cent; a
    product without one takes any leaf."""
    recipe = {line.crop: line for line in product.recipe.select_related("crop")}
    if not recipe:
        return
    parts = [(t.lot, g * (t.lot.grams_each or 1)) for t, g in zip(taken, grams, strict=True)]
    leaf = contents.leaf(parts)
    whole = sum(leaf.values())
    wrong = []
    for crop in [*leaf, *(c for c in recipe if c not in leaf)]:
        line, g = recipe.get(crop), leaf.get(crop, Fraction(0))
        if line is None:
            wrong.append(f"{crop}, which is not in it")
            continue
        share = round(100 * g / whole) if whole else line.least_pct
        if not line.least_pct <= share <= line.greatest_pct:
            asked = f"{line.least_pct} to {line.greatest_pct} %"
            wrong.append(f"{share} % {crop}, where it asks for {asked}")
    if wrong:
        says = f"By the recipe of {product} this run has {'; '.join(wrong)}."
        entry.refuse_or("off_recipe", f"{says} Take other crates, or tell it as already done.")
        entry.flag(Flag.Kind.AGAINST_RULE, says)


def _grams_taken(entry: Entry, taken: Sequence[Taken]) -> list[int]:
    """What each crate gave, in its own unit. "Empty" is all that the books held then."""
    entry.take(*((t.lot, t.place) for t in taken))
    booked = stocks(
        entry.event.placed_at, lots=[t.lot.pk for t in taken], places=[t.place.pk for t in taken]
    )
    out = []
    for t in taken:
        if t.used is not None and t.left is not None:
            raise Refusal(
                "used_or_left", f"Say of {t.lot.code} what was used or what is left, not both."
            )
        if t.used is not None:
            if t.used <= 0:
                raise Refusal(
                    "nought", f"{t.used} {t.lot.unit} of {t.lot.code} is nothing to take."
                )
            out.append(t.used)
            continue
        if t.left is None or t.left < 0:
            raise Refusal("left", f"Say of {t.lot.code}: crate empty, or how much is left.")
        there = booked.get((t.lot.pk, t.place.pk), 0)
        if there <= t.left:
            entry.refuse_or(
                "short",
                f"{t.lot.code} holds {there} {t.lot.unit} in {t.place}; with {t.left} left over "
                "nothing was used. Weigh the crate, or tell it as already done.",
                lot=t.lot.code,
                holds=there,
            )
        out.append(max(0, there - t.left))
    return out


def _outweighs(entry, grams_in, gain_g, packs, product, weighed_again) -> None:
    if not gain_g:
        return
    tolerance = Business.the().water_scale_tolerance_pct
    if gain_g * 100 <= grams_in * tolerance:
        return
    says = (
        f"{packs} × {product.nominal_g} g and the rest weigh {grams_in + gain_g} g, but the crates "
        f"held {grams_in} g: {gain_g} g too much, more than {tolerance} %."
    )
    if not weighed_again:
        entry.refuse_or(
            "outweighs",
            f"{says} Weigh a second time and say so; the run may then stand.",
            gain_g=gain_g,
            grams_in=grams_in,
        )
    entry.flag(Flag.Kind.OUTWEIGHS, says)


def _open_bags(entry, run, opened, gain_g, trim_g) -> None:
    """Opened bags go in by number. With no crate beside them to take it, what was lost of them
    leaves as whole bags, and what they outweighed came as whole bags; the rest of a bag is in the
    run's sums only."""
    for t, n in opened:
        each = t.lot.grams_each
        gained = -(-gain_g // each)
        lost = min(n + gained, trim_g // each)
        gain_g, trim_g = 0, trim_g - lost * each
        entry.move(t.lot, the("water_scale"), t.place, gained, Basis.REMAINDER)
        entry.move(t.lot, t.place, the("compost"), lost, Basis.REMAINDER)
        used = n + gained - lost
        if used:
            entry.move(t.lot, t.place, the("used"), used, Basis.COUNTED)
            entry.join(t.lot, run, Lineage.Kind.WENT_IN, used)


def _share(entry, run, loose, gain_g, losses) -> None:
    """Share the gain and each loss (kind of place, grams, basis) over the crates, in the order
    given: by the grams still left of each; largest remainder, ties to the older."""
    if not loose:
        return
    left = [g for _, g in loose]
    gains = shared_out(gain_g, left)
    for (t, _), gained in zip(loose, gains, strict=True):
        entry.move(t.lot, the("water_scale"), t.place, gained, Basis.REMAINDER)
    left = [g + gained for g, gained in zip(left, gains, strict=True)]
    for kind, grams, basis in losses:
        parts = shared_out(min(grams, sum(left)), left)
        for (t, _), part in zip(loose, parts, strict=True):
            entry.move(t.lot, t.place, the(kind), part, basis)
        left = [g - part for g, part in zip(left, parts, strict=True)]
    for (t, _), used in zip(loose, left, strict=True):
        if used:
            entry.move(t.lot, t.place, the("used"), used, Basis.SHARED_OUT)
            entry.join(t.lot, run, Lineage.Kind.WENT_IN, used)


def _in_it(lot: Lot) -> set[str]:
    return contents.allergens(lot) | contents.labelled(lot)


def _allergens(product: Product, taken: Sequence[Taken]) -> tuple[list[str], list[str]]:
    """(what is really in it, what is in it and not declared). Where nobody recorded of what crop
    some of it is, all that the product declares may be."""
    real = set().union(*(_in_it(t.lot) for t in taken))
    declared = contents.words(product.allergens)
    known = contents.crops_known([t.lot.pk for t in taken])
    return sorted(real if known else real | declared), sorted(real - declared)


def _who(taken: Sequence[Taken], undeclared: list[str]) -> str:
    return ", ".join(t.lot.code for t in taken if _in_it(t.lot) & set(undeclared))


def _use_by(entry, product, taken, told: dt.date | None) -> tuple[dt.date | None, dt.date | None]:
    """(the date on the label, what the oldest lot in it allows). A told date may be earlier,
    never later."""
    day = clock.number_day(entry.event.day)
    bounds = [t.lot.use_by for t in taken if t.lot.use_by]
    # a date shortened since stands, too
    bounds += Description.objects.filter(
        lot__in=[t.lot for t in taken], best_before__isnull=False
    ).values_list("best_before", flat=True)
    if product.shelf_life_days is not None:
        bounds.append(day + dt.timedelta(days=product.shelf_life_days))
    if product.days_from_cut is not None:
        bounds.append(_oldest(taken) + dt.timedelta(days=product.days_from_cut))
    bound = min(bounds, default=None)
    if told and bound and told > bound:
        entry.refuse_or(
            "date_lengthened",
            f"{told:%d %b %Y} is later than the oldest leaf in it allows, {bound:%d %b %Y}.",
        )
    return told or bound, bound


def _oldest(taken: Sequence[Taken]) -> dt.date:
    """The day on which the oldest leaf in it was cut, or came in; of bags of before records began
    that on which they did."""
    lots = {t.lot for t in taken}
    bags = {lot.pk for lot in lots if lot.kind == LotKind.PACK}
    days = [lot.made_by.day for lot in lots if lot.pk not in bags]
    if bags:
        above = lineage.above(bags, composition=True)
        leaf = Lot.objects.filter(pk__in=above, kind__in=[LotKind.HARVEST, LotKind.PRODUCE])
        days += leaf.values_list("made_by__day", flat=True)
    return clock.number_day(min(days or [lot.made_by.day for lot in lots]))


def _hold_if_past(entry: Entry, run: Lot, product: Product, date: dt.date | None) -> None:
    """The date of a run may not be past on the day on which it is packed."""
    day = clock.number_day(entry.event.day)
    if date is None or date >= day:
        return
    says = f"{product} of this leaf is good until {date:%d %b %Y}, and it is {day:%d %b %Y}"
    entry.refuse_or(
        "past_date", f"{says}. Take fresher leaf, or tell it as already done.", date=str(date)
    )
    entry.hold_at_birth(run, says)


def _hold_if_unwashed(
    entry: Entry,
    run: Lot,
    product: Product,
    decided: Decision | None,
    taken: Sequence[Taken],
    washed: bool,
) -> None:
    """What is labelled washed and ready to eat was washed: now, or, opened bags, when they were
    packed."""
    if washed or decided is None or decided.state != DecisionCard.State.READY:
        return
    lots = {t.lot.pk for t in taken}
    if PackingRun.objects.filter(lot__in=lots, washed=True).count() == len(lots):
        return
    says = f"{product} is labelled washed and ready to eat, and this run was not washed"
    entry.refuse_or("not_washed", f"{says}. Wash it and say so, or tell it as already done.")
    entry.hold_at_birth(run, says)
