"""How many packs the law's own test weighs, and how many of them may be short."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from grow.errors import Refusal

from .spreads import PRINTED


class Sampling(StrEnum):
    """One sample, or a small one that mostly settles it and a second when it does not."""

    SINGLE = "single"
    DOUBLE = "double"


@dataclass(frozen=True)
class Step:
    """After n packs in all: so many under T1 are accepted, so many rejected; between them the
    next step is weighed."""

    n: int
    accept: int
    reject: int


@dataclass(frozen=True)
class Plan:
    """For runs from `first` to `last` packs (None: no end). The mean is that of the first mean_n
    weighed, against label − k·s."""

    first: int
    last: int | None
    steps: tuple[Step, ...]
    mean_n: int
    k: Decimal
    source: str


_DOUBLE = "SI 2006/659, schedule 2; Directive 76/211/EEC, annex II, 2.2.1"
_SINGLE = "SI 2006/659, schedule 2 (single sampling, in the UK only)"
_OPENED = "SI 2006/659, schedule 2; Directive 76/211/EEC, annex II, 2.2.2"
_ALL = "SI 2006/659, schedule 2 (all packs of a run under 100, in the UK only)"


def _plan(first: int, last: int | None, mean_n: int, source: str, *steps: Step) -> Plan:
    return Plan(first, last, steps, mean_n, PRINTED[mean_n], source)


SINGLE = (
    _plan(100, 500, 30, _SINGLE, Step(50, 3, 4)),
    _plan(501, 3200, 50, _SINGLE, Step(80, 5, 6)),
    _plan(3201, None, 50, _SINGLE, Step(125, 7, 8)),
)
DOUBLE = (
    _plan(100, 500, 30, _DOUBLE, Step(30, 1, 3), Step(60, 4, 5)),
    _plan(501, 3200, 50, _DOUBLE, Step(50, 2, 5), Step(100, 6, 7)),
    _plan(3201, None, 50, _DOUBLE, Step(80, 3, 7), Step(160, 8, 9)),
)
OPENED = _plan(100, None, 20, _OPENED, Step(20, 1, 2))
SMALLEST_SAMPLED = 100
#: Of a smaller run all are weighed and one in twenty may be defective.
_ALLOWED_PCT = 5


def plan_for(
    batch: int, sampling: Sampling | str = Sampling.DOUBLE, *, destructive: bool = False
) -> Plan:
    """The plan for a run of `batch` packs. destructive: weighing opens the pack.

    A run is what is packed in one go with one label, up to an hour's at the end of a line and
    10 000 otherwise. Under 100 all are weighed: 5 % may be defective, the mean reaches the label.
    Raises Refusal for no packs, and for a small run that would be opened whole."""
    if batch <= 0:
        raise Refusal("nought", f"A run of {batch} has nothing to weigh; say how many were packed.")
    if batch < SMALLEST_SAMPLED:
        if destructive:
            raise Refusal(
                "no_plan",
                f"No plan opens the packs of a run of {batch}; it begins at {SMALLEST_SAMPLED}. "
                f"Weigh all {batch} closed, less the empty pack.",
                batch=batch,
            )
        allowed = batch * _ALLOWED_PCT // 100
        everyone = Step(batch, allowed, allowed + 1)
        return Plan(1, SMALLEST_SAMPLED - 1, (everyone,), batch, Decimal(), _ALL)
    if destructive:
        return OPENED
    plans = SINGLE if Sampling(sampling) is Sampling.SINGLE else DOUBLE
    return next(plan for plan in plans if plan.last is None or batch <= plan.last)
