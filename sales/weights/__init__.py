"""Net weights of packs: what the law asks of them, what they cost, and what they show.

Arithmetic alone, with no models. All weights are net grams as Decimal, made from text; whole
numbers pass too, a float is a TypeError. Only giveaway and what a sentence shows are rounded."""

from .charts import Chart, individuals, means
from .fill import Advice, Target, advise, giveaway_g, giveaway_pence, target_fill
from .plans import Plan, Sampling, Step, plan_for
from .reading import Bad, Read, weights_from
from .spreads import MeanTest, Spread, mean_factor, mean_test, spread
from .tolerances import Fit, fit, greatest_error, lines, tolerance
from .verdicts import Outcome, Rules, System, Verdict, three_rules, verdict

__all__ = [
    "Advice",
    "Bad",
    "Chart",
    "Fit",
    "MeanTest",
    "Outcome",
    "Plan",
    "Read",
    "Rules",
    "Sampling",
    "Spread",
    "Step",
    "System",
    "Target",
    "Verdict",
    "advise",
    "fit",
    "giveaway_g",
    "giveaway_pence",
    "greatest_error",
    "individuals",
    "lines",
    "mean_factor",
    "mean_test",
    "means",
    "plan_for",
    "spread",
    "target_fill",
    "three_rules",
    "tolerance",
    "verdict",
    "weights_from",
]
