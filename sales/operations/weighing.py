"""Packs on the scale: their net weights, kept with the run."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from grow.errors import Refusal
from grow.ledger import Entry, operation
from grow.models import Flag, Lot, Thing
from sales.models import PackWeight
from sales.weights.reading import GREATEST_G

from .labelling import Run, run_of

#: A weight so many times over or under the label is a slip of the finger, or another pack.
ODD = 3
#: No scale of a packing bench shows finer steps.
STEP_G = Decimal("0.01")


def refuse_odd(entry: Entry, weights: Sequence[Decimal], packs: int, each_g: int) -> None:
    """Raises Refusal for nought, for finer steps than are kept, for what cannot be one such pack
    unless it is a fact, and for more weights than packs."""
    for n, grams in enumerate(weights, 1):
        if grams <= 0:
            raise Refusal("nought", f"Weight {n} is {grams} g; a pack weighs something.", number=n)
        if grams != grams.quantize(STEP_G):
            raise Refusal("too_fine", f"Weight {n}, {grams} g, is finer than {STEP_G} g.", number=n)
        if grams > GREATEST_G:  # no fact either: no pack, and no such number can be kept
            raise Refusal(
                "too_heavy",
                f"Weight {n} is {grams} g; no pack weighs over {GREATEST_G} g.",
                number=n,
            )
        if not each_g <= grams * ODD <= each_g * ODD * ODD:
            entry.refuse_or(
                "odd_weight",
                f"Weight {n} is {grams} g, of packs of {each_g} g. Weigh it again, without the "
                "crate; or tell it as already done.",
                number=n,
            )
            entry.flag(Flag.Kind.UNUSUAL, f"A pack of {each_g} g was told as {grams} g.")
    if len(weights) > packs:
        raise Refusal(
            "more_than_packs", f"{len(weights)} weights were told of {packs} packs.", packs=packs
        )


def refuse_odd_target(target_g: Decimal | None, each_g: int) -> None:
    """Raises Refusal for what no scale was set to for such packs. It is a figure to aim at, and no
    fact that a record has to take."""
    if target_g is None or each_g <= target_g * ODD <= each_g * ODD * ODD:
        return
    raise Refusal(
        "odd_target",
        f"The scale is to read {target_g} g, for packs of {each_g} g. Write what it should read "
        "after the tare, or leave it out.",
    )


def keep(entry: Entry, run: Lot, weights: Sequence[Decimal]) -> None:
    PackWeight.objects.bulk_create(
        PackWeight(event=entry.event, run_id=run.pk, number=n, net_g=grams)
        for n, grams in enumerate(weights, 1)
    )


@operation(says="weighed packs", slot=11.5)
def weigh_packs(
    entry: Entry, *, run: Run, weights: Sequence[Decimal], scale: Thing | None = None
) -> None:
    """Some or all packs of a run on the scale, in the order in which they were weighed: net
    weights in grams."""
    if not weights:
        raise Refusal("nought", "Write what each pack weighed.")
    row = run_of(run)
    refuse_odd(entry, weights, row.packs, row.nominal_each_g)
    if scale:
        entry.event.things.add(scale)
    entry.later.append(lambda: keep(entry, run, weights))
