"""How far short of its label a pack may be, and how fine a scale must be to tell."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal

from grow.errors import Refusal

from .words import exactly, plainly

SOURCE = "Directive 76/211/EEC, annex I; gov.uk, packaged goods"
#: (labels up to so many grams, per cent of the label, grams). The bands meet without a step, so it
#: does not matter on which side of an edge a label lies.
_BANDS = tuple(
    (Decimal(upto), Decimal(percent), Decimal(grams))
    for upto, percent, grams in (
        (50, "9", "0"),
        (100, "0", "4.5"),
        (200, "4.5", "0"),
        (300, "0", "9"),
        (500, "3", "0"),
        (1000, "0", "15"),
        (10_000, "1.5", "0"),
        (15_000, "0", "150"),
        (25_000, "1", "0"),
    )
)
LEAST_G = Decimal(5)
GREATEST_G = _BANDS[-1][0]


def tolerance(nominal_g: Decimal | int) -> Decimal:
    """The tolerable negative error in grams; a percentage is rounded up to the next 0.1 g.

    tolerance(150) → 6.8. Raises Refusal outside 5 g to 25 kg. Source: Directive 76/211/EEC,
    annex I; gov.uk, packaged goods."""
    nominal_g = exactly(nominal_g)
    if not LEAST_G <= nominal_g <= GREATEST_G:
        raise Refusal(
            "no_tolerance",
            f"A label of {plainly(nominal_g)} g has no tolerance: the average system is for 5 g "
            "to 25 kg. Pack it so that none is under its label.",
            nominal_g=plainly(nominal_g),
        )
    percent, grams = next(band[1:] for band in _BANDS if nominal_g <= band[0])
    return (nominal_g * percent / 100 + grams).quantize(Decimal("0.1"), ROUND_CEILING)


def lines(nominal_g: Decimal | int) -> tuple[Decimal, Decimal]:
    """(T1, T2) in grams: a pack under T1 is defective, one under T2 inadequate; one that weighs
    just as much as the line is neither."""
    short = tolerance(nominal_g)
    return nominal_g - short, nominal_g - 2 * short


def greatest_error(nominal_g: Decimal | int) -> Decimal:
    """Grams by which weighing may be wrong at most: a fifth of the tolerance. Source: NI SR
    2011/331, schedule 2, the same schedule as SI 2006/659."""
    return tolerance(nominal_g) / 5


@dataclass(frozen=True)
class Fit:
    """Whether a scale is fine enough for a label: its division and the greatest, in grams."""

    fits: bool
    division_g: Decimal
    greatest_g: Decimal
    sentence: str
    source: str = "NI SR 2011/331, schedule 2, the same schedule as that of SI 2006/659"


def fit(division_g: Decimal | int, nominal_g: Decimal | int) -> Fit:
    """A scale that shows steps of division_g cannot judge a pack whose tolerance is less than
    five of them: it may be wrong by as much as it does not show.

    Raises Refusal on a division of nought or less, and outside 5 g to 25 kg."""
    division_g = exactly(division_g)
    if division_g <= 0:
        raise Refusal(
            "nought", f"A scale has no steps of {plainly(division_g)} g; read them off its plate."
        )
    greatest_g = greatest_error(nominal_g)
    of = f"{plainly(nominal_g)} g, whose tolerance is {plainly(tolerance(nominal_g))} g"
    if division_g <= greatest_g:
        says = (
            f"Steps of {plainly(division_g)} g are fine enough for {of}: they may be "
            f"{plainly(greatest_g)} g at most."
        )
    else:
        says = (
            f"No verdict: the scale shows steps of {plainly(division_g)} g, and for {of}, they may "
            f"be {plainly(greatest_g)} g at most, a fifth of it. Weigh on a finer scale."
        )
    return Fit(division_g <= greatest_g, division_g, greatest_g, says)
