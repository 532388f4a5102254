"""What over-filling costs, and how full a pack must be on average to keep the three rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal

from . import tolerances
from .spreads import spread
from .words import BAGS, exactly, plainly, tenths

#: Standard deviations beyond which 1 in 40 and 1 in ten thousand of a normal spread lie, on one
#: side; the guidance's convention, from memory.
_ONE_IN_40 = Decimal("1.96")
_ONE_IN_10_000 = Decimal("3.72")
#: Fewer weights than this do not tell a spread well enough; common practice, no source.
ENOUGH = 30
SOURCE = (
    f"{tolerances.SOURCE}; 1.96 and 3.72 are the guidance's convention, from memory; "
    f"{ENOUGH} weights at least is common practice, no source"
)


def giveaway_g(mean_g: Decimal, nominal_g: Decimal | int, packs: int) -> int:
    """Whole grams in all packs over their labels, half up; less than nought when they are short.

    giveaway_g(Decimal("121.35"), 120, 25) → 34."""
    return _whole((mean_g - nominal_g) * packs)


def giveaway_pence(grams: int, pence_per_g: Decimal) -> int:
    """What so much giveaway cost, in whole pence, half up."""
    return _whole(grams * exactly(pence_per_g))


def _whole(x: Decimal) -> int:
    return int(x.quantize(Decimal(1), ROUND_HALF_UP))


@dataclass(frozen=True)
class Target:
    """The mean fill in grams that keeps all three rules, and which of them (1, 2, 3) asks most:
    the mean, T1, T2. A tie goes to the first."""

    target_g: Decimal
    rule: int


def target_fill(nominal_g: Decimal | int, s_g: Decimal) -> Target:
    """max(label; T1 + 1.96 s; T2 + 3.72 s) for a spread of s_g, with no allowance for sampling.

    target_fill(200, Decimal(6)) → 204.32 by rule 3. Raises Refusal outside 5 g to 25 kg."""
    t1, t2 = tolerances.lines(nominal_g)
    asked = (exactly(nominal_g), t1 + _ONE_IN_40 * s_g, t2 + _ONE_IN_10_000 * s_g)
    target = max(asked)
    return Target(target, asked.index(target) + 1)


@dataclass(frozen=True)
class Advice:
    """A target fill in grams, the rule that binds it, the n weights and the spread it rests on;
    no target and no rule where they are too few."""

    sentence: str
    n: int
    s_g: Decimal | None = None
    target_g: Decimal | None = None
    rule: int | None = None
    source: str = SOURCE


def advise(
    weights: Sequence[Decimal],
    nominal_g: Decimal | int,
    now_g: Decimal | int | None = None,
    *,
    called: tuple[str, str] = BAGS,
) -> Advice:
    """A target from a product's own weights, beside the one in use now. The sentence rounds it up
    to 0.1 g, so that it may be followed as it stands. Raises Refusal outside 5 g to 25 kg."""
    t1, t2 = tolerances.lines(nominal_g)
    n = len(weights)
    s = spread(weights).s_g if n else None
    one, several = called
    if n < ENOUGH or s is None:
        return Advice(
            f"{n} {one if n == 1 else several} weighed are too few to advise on a target; "
            f"{ENOUGH} are needed (common practice, no source). Weigh {ENOUGH - n} more.",
            n,
            s,
        )
    target = target_fill(nominal_g, s)
    fill = target.target_g.quantize(Decimal("0.1"), ROUND_CEILING)
    why = {
        1: f"the mean may not be under {plainly(nominal_g)} g, and that is enough here (rule 1)",
        2: f"no more than 1 in 40 may be under {tenths(t1)} g (rule 2)",
        3: f"no more than 1 in ten thousand may be under {tenths(t2)} g (rule 3)",
    }[target.rule]
    says = (
        f"Fill to {plainly(fill)} g on average: {why}. This rests on {n} {several} with a "
        f"spread of {s.quantize(Decimal('0.01'), ROUND_HALF_UP)} g."
    )
    if now_g is not None:
        over = exactly(now_g) - fill
        than = "more" if over > 0 else "less"
        beside = f"{plainly(abs(over))} g a {one} {than} than that" if over else "just that"
        says += f" The target now is {plainly(now_g)} g, {beside}."
    return Advice(says, n, s, target.target_g, target.rule)
