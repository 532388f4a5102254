"""May a run be sold as it is labelled? In one sentence, with its numbers and its source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from grow.errors import Refusal

from . import tolerances
from .plans import Plan, Sampling, plan_for
from .spreads import mean_test, spread
from .words import BAGS, beside, exactly, tenths

MINIMUM_SOURCE = "gov.uk, packaged goods: the minimum system of SI 2006/659"


class System(StrEnum):
    """What the label promises: the average of the run, or the least of any pack."""

    AVERAGE = "average"
    MINIMUM = "minimum"


class Outcome(StrEnum):
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    MORE = "more to weigh"
    NO_VERDICT = "no verdict"


@dataclass(frozen=True)
class Verdict:
    """What some weights say of a run. Grams; None where the question does not arise.

    n: weights told. judged: those that the plan counts. mean_n, mean_g, s_g, limit_g: of the mean
    and the least it may be; no limit until mean_n are weighed. t1_g, t2_g: the lines. under_t1:
    of those judged. under_t2, under_label: of all that were weighed. allowed: how many of those
    judged may be under T1, or with the minimum system under the label. more: still to weigh."""

    outcome: Outcome
    sentence: str
    source: str
    nominal_g: Decimal
    n: int
    judged: int = 0
    mean_n: int | None = None
    mean_g: Decimal | None = None
    s_g: Decimal | None = None
    limit_g: Decimal | None = None
    t1_g: Decimal | None = None
    t2_g: Decimal | None = None
    under_label: int = 0
    under_t1: int | None = None
    under_t2: int | None = None
    allowed: int | None = None
    more: int = 0


def verdict(
    weights: Sequence[Decimal],
    nominal_g: Decimal | int,
    batch: int,
    system: System | str,
    plan: Sampling | str = Sampling.DOUBLE,
    division_g: Decimal | int | None = None,
    destructive: bool = False,
    *,
    called: tuple[str, str] = BAGS,
) -> Verdict:
    """Judge the net weights of a run of `batch` packs, in the order in which they were weighed.

    system: average or minimum. plan: single or double, for the average system from 100 packs on.
    division_g: the scale's; too coarse a one gives no verdict. What can no longer be made good
    is rejected at once, however few were weighed. Packs weighed beyond the plan do not count,
    except one under T2, which may not be sold wherever it is found.

    Raises Refusal when there are more weights than packs, when no plan is printed for such a run,
    and with the average system outside 5 g to 25 kg."""
    nominal_g = exactly(nominal_g)
    system = System(system)
    if len(weights) > batch > 0:
        raise Refusal(
            "more_than_packed",
            f"{len(weights)} weights of a run of {_count(batch, called)}; one of the two is wrong.",
            weights=len(weights),
            batch=batch,
        )
    chosen = plan_for(batch, plan, destructive=destructive and system is System.AVERAGE)
    judged_by_tolerance = tolerances.LEAST_G <= nominal_g <= tolerances.GREATEST_G
    if division_g is not None and judged_by_tolerance:
        fit = tolerances.fit(division_g, nominal_g)
        if not fit.fits:
            return Verdict(Outcome.NO_VERDICT, fit.sentence, fit.source, nominal_g, len(weights))
    if system is System.MINIMUM:
        return _minimum(weights, nominal_g, batch, called)
    return _average(weights, nominal_g, batch, chosen, called)


def _average(
    weights: Sequence[Decimal],
    nominal_g: Decimal,
    batch: int,
    plan: Plan,
    called: tuple[str, str],
) -> Verdict:
    t1, t2 = tolerances.lines(nominal_g)
    n = len(weights)
    under_t2 = _under(weights, t2)
    for step in plan.steps:
        under = _under(weights[: step.n], t1)
        if under <= step.accept or under >= step.reject or n < step.n:
            break
    more = max(0, step.n - n)
    judged = min(n, step.n)
    mean = mean_test(weights[: plan.mean_n], nominal_g, plan.k) if n >= plan.mean_n else None
    short = mean is not None and not mean.passes
    if under_t2 or under >= step.reject or short:
        outcome, ends = Outcome.REJECTED, "Rejected."
    elif more:
        second = "the second sample, " if step is not plan.steps[0] else ""
        outcome, ends = Outcome.MORE, f"Weigh {second}{more} more."
    else:
        outcome, ends = Outcome.ACCEPTED, "Accepted."

    said = [_counted(under, t1, step.accept), _counted(under_t2, t2, 0 if under_t2 else None)]
    if mean:
        shown, limit = beside(mean.mean_g, mean.limit_g)
        of = "" if mean.n == judged else f" of the first {mean.n} is"
        said.insert(0, f"mean{of} {shown} g, at least {limit} g asked")
    found = mean or (spread(weights) if n else None)
    return Verdict(
        outcome,
        f"{_weighed(judged, step.n, batch, called)}: {'; '.join(said)}. "
        f"{_beyond(weights[judged:], t1)}{ends}",
        f"{plan.source}; {tolerances.SOURCE}" if under_t2 else plan.source,
        nominal_g,
        n,
        judged=judged,
        mean_n=found.n if found else None,
        mean_g=found.mean_g if found else None,
        s_g=found.s_g if found else None,
        limit_g=mean.limit_g if mean else None,
        t1_g=t1,
        t2_g=t2,
        under_label=_under(weights, nominal_g),
        under_t1=under,
        under_t2=under_t2,
        allowed=step.accept,
        more=more if outcome is Outcome.MORE else 0,
    )


def _minimum(
    weights: Sequence[Decimal], nominal_g: Decimal, batch: int, called: tuple[str, str]
) -> Verdict:
    """No pack under its label, and no tolerance. There is no plan for it, so none is accepted
    unseen."""
    n = len(weights)
    under = _under(weights, nominal_g)
    if under:
        outcome, ends = Outcome.REJECTED, "Rejected."
    elif n < batch:
        outcome, ends = Outcome.MORE, f"Weigh the other {batch - n}."
    else:
        outcome, ends = Outcome.ACCEPTED, "Accepted."
    found = spread(weights) if n else None
    counted = _counted(under, nominal_g, 0 if under else None)
    return Verdict(
        outcome,
        f"{_weighed(n, batch, batch, called)}: {counted}. {ends}",
        MINIMUM_SOURCE,
        nominal_g,
        n,
        judged=n,
        mean_n=found.n if found else None,
        mean_g=found.mean_g if found else None,
        s_g=found.s_g if found else None,
        under_label=under,
        allowed=0,
        more=batch - n if outcome is Outcome.MORE else 0,
    )


@dataclass(frozen=True)
class Rules:
    """The three packers' rules over some weights: 1, the mean reaches the label; 2, no more than
    1 in 40 is under T1; 3, none is under T2. Grams. allowed: how many may be under T1."""

    n: int
    mean_g: Decimal
    under_t1: int
    under_t2: int
    allowed: int
    mean_kept: bool
    share_kept: bool
    none_kept: bool
    sentence: str
    source: str = f"{tolerances.SOURCE}; 1 in 40 is the guidance's figure"

    @property
    def kept(self) -> bool:
        return self.mean_kept and self.share_kept and self.none_kept


def three_rules(
    weights: Sequence[Decimal], nominal_g: Decimal | int, *, called: tuple[str, str] = BAGS
) -> Rules:
    """The packer's own rules, judged on these weights as they are, with no allowance for how few
    they are. Raises Refusal with no weights, and outside 5 g to 25 kg."""
    nominal_g = exactly(nominal_g)
    t1, t2 = tolerances.lines(nominal_g)
    found = spread(weights)
    under_t1, under_t2 = _under(weights, t1), _under(weights, t2)
    allowed = found.n // 40
    kept = found.mean_g >= nominal_g, under_t1 <= allowed, not under_t2
    broken = [str(number) for number, holds in enumerate(kept, 1) if not holds]
    mean, label = beside(found.mean_g, nominal_g)
    ends = f"Not kept: rule {' and rule '.join(broken)}." if broken else "All three rules are kept."
    return Rules(
        found.n,
        found.mean_g,
        under_t1,
        under_t2,
        allowed,
        *kept,
        sentence=f"{_count(found.n, called)} weighed: mean {mean} g, at least {label} g asked; "
        f"{_counted(under_t1, t1, allowed)}; {_counted(under_t2, t2, 0 if under_t2 else None)}. "
        f"{ends}",
    )


def _under(weights: Sequence[Decimal], line: Decimal) -> int:
    return sum(w < line for w in weights)


def _count(n: int, called: tuple[str, str]) -> str:
    return f"{n} {called[n != 1]}"


def _weighed(n: int, asked: int, batch: int, called: tuple[str, str]) -> str:
    if n < asked:
        return f"{n} of {_count(asked, called)} weighed"
    every = "All " if n == batch > 1 else ""
    return f"{every}{_count(n, called)} weighed"


def _counted(under: int, line: Decimal, allowed: int | None) -> str:
    said = f"{under or 'none'} under {tenths(line)} g"
    return said if allowed is None else f"{said}, {allowed or 'none'} allowed"


def _beyond(weights: Sequence[Decimal], t1: Decimal) -> str:
    if not weights:
        return ""
    under = _under(weights, t1)
    short = f", {under} of them under {tenths(t1)} g" if under else ""
    return f"{len(weights)} weighed after that do not count{short}. "
