"""What a laboratory's figures mean by published criteria: arithmetic alone, no models.

Three ways of judging. A sampling plan has n units, of which c may lie above m and none above M
(Regulation (EC) 2073/2005, Annex I; a plan of two classes is one whose m is M). A guide has bands
for one figure. A water rule has a geometric mean and a statistical threshold, the value that nine
samples in ten stay under: GM = 10^mean(log10), STV = 10^(mean(log10) + 1.282 × sd(log10)), sd of a
sample. What no figure can stand for in a logarithm, "none found", counts as the least that the
laboratory could have found.

A plan takes its n results and no more, a guide one: "1 000" is not 1 and nought. Figures are
Decimals out of text. A figure such as <10 is below what could be found; it is taken for no more
than that. "Detected" is no number: it fails where none may be, and elsewhere a count is asked for.
One result that fails is enough, whatever else is still missing or too coarse.

Each criterion says where its figures come from; those that were not read in their source say "from
memory" wherever they are shown. A verdict is about the samples and never says that food is safe.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Context, Decimal
from enum import StrEnum

from .errors import Refusal

#: Of the standard normal distribution, the ninetieth percentile: 1.2816, as the rule rounds it
#: (from memory).
Z_90 = Decimal("1.282")
_EXACT = Context(prec=28)
MEMORY = "from memory; look it up before you rely on it"


class Verdict(StrEnum):
    SATISFACTORY = "satisfactory"
    ACCEPTABLE = "acceptable"
    UNSATISFACTORY = "unsatisfactory"
    INCOMPLETE = "incomplete"


@dataclass(frozen=True)
class Figure:
    """One result. below: it is less than value, the least that could be found. uncounted: it was
    detected, and nobody said how much; value is then 1, the least that it can be."""

    value: Decimal
    below: bool = False
    uncounted: bool = False

    def __str__(self) -> str:
        return "detected" if self.uncounted else f"{'<' if self.below else ''}{self.value}"

    @property
    def plain(self) -> bool:
        return not (self.below or self.uncounted)


@dataclass(frozen=True)
class Judged:
    """A verdict and why, in a sentence with its numbers."""

    verdict: Verdict
    says: str


# --- figures -------------------------------------------------------------------------------------

_ABSENT = {"absent", "nd", "none", "notdetected", "notfound", "-"}
_PRESENT = {"present", "detected", "found", "+"}
# not 000: it is the end of a 1 000 that was written with a space
_NUMBER = re.compile(r"(<?)\s*((?:0|[1-9]\d{0,11})(?:\.\d{1,6})?)")


def figures(text: str) -> list[Figure]:
    """Results as they are typed, with spaces, semicolons or lines between: 10, <10, 3.5,
    "absent", "detected". Absent is 0, detected is 1 or more. Raises Refusal for what is none."""
    plain = re.sub(r"not[ _](detected|found)", r"not\1", text.strip().lower())
    parts = re.split(r"[;\s]+", re.sub(r"<\s+", "<", plain.replace(", ", " ")))
    return [_figure(part) for part in parts if part]


def _figure(text: str) -> Figure:
    if text in _ABSENT:
        return Figure(Decimal(0))
    if text in _PRESENT:
        return Figure(Decimal(1), uncounted=True)
    found = _NUMBER.fullmatch(text)
    if not found:
        raise Refusal(
            "no_figure",
            f"“{text[:20]}” is no result: write figures such as 150 or <10, or absent and "
            "detected, with spaces between, no commas and no spaces in them: 1000, not 1 000.",
        )
    return Figure(Decimal(found[2]), bool(found[1]))


# --- plans ----------------------------------------------------------------------------------------


def _refuse_more(results: Sequence[Figure], n: int) -> None:
    """More results than there are samples: a thousand may be among them that a space has cut in
    two, and would be judged by its halves."""
    if len(results) > n:
        raise Refusal(
            "no_figure",
            f"{_listed(results)} are {len(results)} results and this is judged on {n}: write 1000 "
            "without a space, and further samples as a result of their own.",
        )


@dataclass(frozen=True)
class Plan:
    """n samples, of which c may lie above m, and none above M; figures in unit."""

    n: int
    c: int
    m: Decimal
    M: Decimal

    def judge(self, results: Sequence[Figure], unit: str) -> Judged:
        _refuse_more(results, self.n)
        above = [r for r in results if not r.below and r.value > self.M]
        between = [r for r in results if r.plain and self.m < r.value <= self.M]
        if above:
            return Judged(
                Verdict.UNSATISFACTORY,
                f"{_listed(above)} {unit} is above {self.M}, which no sample may be.",
            )
        if len(between) > self.c:
            limit = "none" if self.c == 0 else f"{self.c} of {self.n}"
            return Judged(
                Verdict.UNSATISFACTORY,
                f"{len(between)} samples lie between {self.m} and {self.M} {unit}; {limit} may.",
            )
        if len(results) < self.n:
            return Judged(
                Verdict.INCOMPLETE,
                f"{len(results)} of {self.n} samples: no verdict before all {self.n} are in.",
            )
        if unsure := _unsure(results, self.m, unit):
            return unsure
        if between:
            return Judged(
                Verdict.ACCEPTABLE,
                f"{len(between)} of {self.n} samples lie between {self.m} and {self.M} {unit}; "
                f"{self.c} may.",
            )
        return Judged(Verdict.SATISFACTORY, f"All {len(results)} are {self.m} {unit} at most.")


@dataclass(frozen=True)
class Bands:
    """One figure is satisfactory below `good`, unsatisfactory above `bad`, else borderline."""

    good: Decimal
    bad: Decimal

    def judge(self, results: Sequence[Figure], unit: str) -> Judged:
        _refuse_more(results, 1)
        if not results:
            return Judged(Verdict.INCOMPLETE, "There is no result yet.")
        most = max((r.value for r in results if r.plain), default=Decimal(0))
        if most > self.bad:
            return Judged(Verdict.UNSATISFACTORY, f"{most} {unit} is above {self.bad}.")
        if unsure := _unsure(results, self.good, unit):
            return unsure
        if most < self.good:
            worst = max(results, key=lambda r: (r.value, r.plain))
            return Judged(Verdict.SATISFACTORY, f"{worst} {unit} is below {self.good}.")
        return Judged(Verdict.ACCEPTABLE, f"{most} {unit} lies from {self.good} to {self.bad}.")


@dataclass(frozen=True)
class Series:
    """So many samples of one water, over time, by geometric mean and statistical threshold."""

    least: int
    gm: Decimal
    stv: Decimal

    def judge(self, results: Sequence[Figure], unit: str) -> Judged:
        if len(results) < self.least:
            return Judged(
                Verdict.INCOMPLETE,
                f"{len(results)} of {self.least} samples: too few for a geometric mean.",
            )
        if any(r.uncounted for r in results):
            return _count_asked(self.gm, unit)
        gm, stv = geometric_mean(results), threshold(results)
        said = f"geometric mean {gm:.1f}, threshold {stv:.1f} {unit}"
        over = [
            f"the {name} may be {limit}"
            for name, value, limit in (
                ("mean", gm, self.gm),
                ("threshold", stv, self.stv),
            )
            if value > limit
        ]
        if over:
            return Judged(Verdict.UNSATISFACTORY, f"Of {len(results)}: {said}; {', '.join(over)}.")
        return Judged(
            Verdict.SATISFACTORY,
            f"Of {len(results)}: {said}; {self.gm} and {self.stv} may be.",
        )


def _unsure(results: Sequence[Figure], limit: Decimal, unit: str) -> Judged | None:
    """What cannot be held against a limit: detected without a count, or less than a figure that is
    itself above it. In a count less than 1 is none; of 25 g less than 1 in each is not."""
    if any(r.uncounted for r in results):
        return _count_asked(limit, unit)
    none = Decimal(1) if unit.startswith("cfu") else Decimal(0)
    coarse = [r for r in results if r.below and r.value > max(limit, none)]
    if not coarse:
        return None
    return Judged(
        Verdict.INCOMPLETE,
        f"{_listed(coarse)} {unit} cannot be held against {limit}: ask the laboratory for a finer "
        "method.",
    )


def _count_asked(limit: Decimal, unit: str) -> Judged:
    return Judged(
        Verdict.INCOMPLETE,
        f"“Detected” is no number to hold against {limit} {unit}: ask the laboratory for a count.",
    )


def _listed(results: Iterable[Figure]) -> str:
    return ", ".join(map(str, results))


def _logs(results: Sequence[Figure]) -> list[Decimal]:
    # of a result of nought the laboratory found none in what it looked at: 1 is the least it could
    return [(r.value if r.value > 0 else Decimal(1)).log10(_EXACT) for r in results]


def _mean(values: Sequence[Decimal]) -> Decimal:
    return sum(values, Decimal(0)) / len(values)


def _sd(values: Sequence[Decimal]) -> Decimal:
    mean = _mean(values)
    return (sum(((v - mean) ** 2 for v in values), Decimal(0)) / (len(values) - 1)).sqrt(_EXACT)


def geometric_mean(results: Sequence[Figure]) -> Decimal:
    return _power_of_ten(_mean(_logs(results)))


def threshold(results: Sequence[Figure]) -> Decimal:
    """The statistical threshold value, of two results or more."""
    logs = _logs(results)
    return _power_of_ten(_mean(logs) + Z_90 * _sd(logs))


def _power_of_ten(exponent: Decimal) -> Decimal:
    return (Decimal(10) ** exponent).quantize(Decimal("0.0001"), ROUND_HALF_UP)


# --- criteria -------------------------------------------------------------------------------------


class Fails(StrEnum):
    """What a failure means."""

    SAFETY = "safety"
    PROCESS = "process"
    WATER = "water"
    GUIDE = "guide"


MEANS: Mapping[Fails, str] = {
    Fails.SAFETY: "A safety criterion: hold it, and ask whether it has left you. What is on the "
    "market is withdrawn or recalled, and your authority is told.",
    Fails.PROCESS: "A process criterion: improve hygiene and what comes in. By itself it is no "
    "recall.",
    Fails.WATER: "Stop using this water for what touches food until it is put right, and look at "
    "what it touched since the last good result.",
    Fails.GUIDE: "A guide for food on sale: find out why, and hold what is unsatisfactory.",
}


@dataclass(frozen=True)
class Criterion:
    """One published criterion. rule: how it is judged; source: where its figures were read."""

    name: str
    organism: str
    of: str
    rule: Plan | Bands | Series
    unit: str
    fails: Fails
    source: str
    rule_sets: tuple[str, ...] = ("UK", "EU")

    @property
    def series(self) -> bool:
        return isinstance(self.rule, Series)

    def judge(self, results: Sequence[Figure]) -> Judged:
        return self.rule.judge(results, self.unit)


def _plan(n: int, c: int, m: int, most: int) -> Plan:
    return Plan(n, c, Decimal(m), Decimal(most))


_2073 = "Reg (EC) 2073/2005, Annex I"
_G, _25, _100 = "cfu/g", "in 25 g (0 absent, 1 detected)", "cfu/100 ml"
_ABSENCE = _plan(5, 0, 0, 0)
_GUIDE = "HPA guidelines for ready-to-eat food placed on the market, 2009"
_CRITERIA = (
    Criterion("listeria_100", "Listeria monocytogenes", "Ready to eat, on the market",
              _plan(5, 0, 100, 100), _G, Fails.SAFETY, f"{_2073}, 1.2 and 1.3"),
    Criterion("listeria_absent", "Listeria monocytogenes",
              "Ready to eat, can support growth, before it leaves you",
              _ABSENCE, _25, Fails.SAFETY, f"{_2073}, 1.2"),
    Criterion("salmonella_sprouts", "Salmonella", "Sprouted seeds, ready to eat",
              _ABSENCE, _25, Fails.SAFETY, f"{_2073}, 1.18, {MEMORY}"),
    Criterion("salmonella_cut", "Salmonella", "Pre-cut fruit and vegetables, ready to eat",
              _ABSENCE, _25, Fails.SAFETY, f"{_2073}, 1.19, {MEMORY}"),
    Criterion("stec_sprouts", "Shiga toxin-producing E. coli", "Sprouts",
              _ABSENCE, _25, Fails.SAFETY, f"{_2073}, 1.29, {MEMORY}"),
    Criterion("e_coli_cut", "E. coli", "Pre-cut fruit and vegetables, while they are made",
              _plan(5, 2, 100, 1000), _G, Fails.PROCESS, f"{_2073}, 2.5.1, {MEMORY}"),
    Criterion("e_coli_guide", "E. coli", "Ready to eat, on sale",
              Bands(Decimal(20), Decimal(100)), _G, Fails.GUIDE, _GUIDE, ("UK",)),
    Criterion("listeria_guide", "Listeria monocytogenes", "Ready to eat, on sale",
              _plan(1, 0, 100, 100), _G, Fails.GUIDE, _GUIDE, ("UK",)),
    Criterion("pathogen_guide", "Salmonella, E. coli O157 or other STEC, Shigella",
              "Ready to eat, on sale", _plan(1, 0, 0, 0), _25, Fails.GUIDE, _GUIDE, ("UK",)),
    Criterion("water_potable", "E. coli", "Water that must be potable: final rinse, ice",
              _plan(1, 0, 0, 0), _100, Fails.WATER, f"Potable water, EU and UK, {MEMORY}"),
    Criterion("water_contact", "E. coli", "Water that touches what is eaten raw; wash water",
              _plan(1, 0, 100, 100), _100, Fails.WATER,
              f"Commission Notice 2017/C 163/01, Annex II, {MEMORY}"),
    Criterion("water_roots", "E. coli", "Water that does not touch what is eaten raw",
              _plan(1, 0, 1000, 1000), _100, Fails.WATER,
              f"Commission Notice 2017/C 163/01, Annex II, {MEMORY}"),
    Criterion("water_none", "Generic E. coli", "Harvest and post-harvest water, hands, ice",
              _plan(1, 0, 0, 0), _100, Fails.WATER, "21 CFR 112.44, read in a guide", ("US",)),
    Criterion("water_mean", "Generic E. coli", "Pre-harvest water, by the rule of 2015, replaced "
              "in 2024", Series(20, Decimal(126), Decimal(410)), _100, Fails.WATER,
              "FDA Produce Safety Rule of 2015: mean 126, threshold 410; twenty samples and the "
              "form of the threshold " + MEMORY, ("US", "UK", "EU")),
)  # fmt: skip
#: By name; the name is what an entry keeps.
CRITERIA: Mapping[str, Criterion] = {one.name: one for one in _CRITERIA}

__all__ = [
    "CRITERIA",
    "MEANS",
    "Bands",
    "Criterion",
    "Fails",
    "Figure",
    "Judged",
    "Plan",
    "Series",
    "Verdict",
    "figures",
    "geometric_mean",
    "threshold",
]
