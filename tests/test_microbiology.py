"""What laboratories' figures mean, held to published criteria: the rows of the three-class plan of
Regulation (EC) 2073/2005 as they are laid out in food-law notes, and a mean and threshold that were
worked out apart; the geometric mean again by Python's statistics, which has its own arithmetic."""

from __future__ import annotations

import math
import statistics
from decimal import Decimal

import pytest

from grow.errors import Refusal
from grow.microbiology import (
    CRITERIA,
    MEANS,
    Figure,
    Plan,
    Verdict,
    figures,
    geometric_mean,
    threshold,
)

S, A, U, N = Verdict.SATISFACTORY, Verdict.ACCEPTABLE, Verdict.UNSATISFACTORY, Verdict.INCOMPLETE


@pytest.mark.parametrize(
    ("results", "verdict"),
    [
        # 2.5.1, pre-cut fruit and vegetables, E. coli: n 5, c 2, m 100, M 1000 cfu/g
        ("10 20 30 40 50", S),
        ("100 100 100 100 100", S),
        ("150 900 10 10 10", A),
        ("1000 1000 100 10 10", A),
        ("150 150 150 10 10", U),
        ("10 10 10 10 1001", U),
        ("10 20 30 40", N),
        # below what could be found is no more than that
        ("<10 <10 <10 <10 <10", S),
        ("<200 10 10 10 10", N),
        ("<200 10 10 10 1001", U),
        # what fails already fails, whatever is still missing
        ("5000 10 10 10", U),
        ("150 150 150", U),
        ("150 150", N),
    ],
)
def test_a_plan_of_three_classes(results: str, verdict: Verdict) -> None:
    assert CRITERIA["e_coli_cut"].judge(figures(results)).verdict == verdict


@pytest.mark.parametrize(
    ("criterion", "results", "verdict"),
    [
        # m = M: a safety criterion has two classes
        ("listeria_100", "100 100 <10 <10 0", S),
        ("listeria_100", "101 <10 <10 <10 <10", U),
        ("listeria_absent", "absent absent nd - not detected", S),
        ("listeria_absent", "absent absent absent absent detected", U),
        ("listeria_absent", "detected", U),
        # detected says no number, where some may be
        ("listeria_100", "detected detected detected detected detected", N),
        ("listeria_100", "detected 101", U),
        ("e_coli_guide", "detected", N),
        ("water_mean", "detected " + "1 " * 19, N),
        # a count of less than 1 is none (a laboratory's usual word for it); in 25 g it is not
        ("water_none", "<1", S),
        ("water_potable", "<1", S),
        ("water_none", "<1.8", N),
        ("pathogen_guide", "<1", N),
        ("salmonella_cut", "absent absent absent absent", N),
        # HPA 2009: < 20 satisfactory, 20 to 100 borderline, > 100 unsatisfactory
        ("e_coli_guide", "19", S),
        ("e_coli_guide", "20", A),
        ("e_coli_guide", "100", A),
        ("e_coli_guide", "101", U),
        ("e_coli_guide", "<20", S),
        ("e_coli_guide", "<100", N),
        ("e_coli_guide", "<200", N),
        ("pathogen_guide", "detected", U),
        # water: none in 100 ml at harvest and after; 100 where it touches what is eaten raw
        ("water_none", "0", S),
        ("water_none", "1", U),
        ("water_contact", "100", S),
        ("water_contact", "101", U),
        ("water_roots", "1000", S),
    ],
)
def test_other_criteria(criterion: str, results: str, verdict: Verdict) -> None:
    judged = CRITERIA[criterion].judge(figures(results))
    assert judged.verdict == verdict
    assert any(c.isdigit() for c in judged.says)


TWENTY = "10 35 126 4 60 210 18 90 45 150 22 75 300 8 55 110 30 140 65 25"


def test_the_mean_and_the_threshold_of_twenty_waters() -> None:
    """GM 47.86 and STV 205.3 pass 126 and 410; three times as much, 143.6 and 616.0, fails both."""
    found = figures(TWENTY)
    assert round(geometric_mean(found), 2) == Decimal("47.86")
    assert round(threshold(found), 1) == Decimal("205.3")
    assert float(geometric_mean(found)) == pytest.approx(
        statistics.geometric_mean(float(f.value) for f in found), rel=1e-6
    )
    logs = [math.log10(float(f.value)) for f in found]
    assert statistics.stdev(logs) == pytest.approx(0.493375, abs=1e-6)
    thrice = [Figure(f.value * 3) for f in found]
    assert round(geometric_mean(thrice), 1) == Decimal("143.6")
    assert round(threshold(thrice), 1) == Decimal("616.0")
    rule = CRITERIA["water_mean"]
    assert rule.judge(found).verdict == S
    assert rule.judge(found[:19]).verdict == N
    failed = rule.judge(thrice)
    assert failed.verdict == U
    assert "the mean may be 126, the threshold may be 410" in failed.says


def test_none_found_counts_as_the_least_that_could_have_been() -> None:
    assert geometric_mean(figures("0 <1 1 100")) == geometric_mean(figures("1 1 1 100"))


@pytest.mark.parametrize("text", ["1,500", "ten", "-5", "1e3", "10 | 20", "1.2.3", "1 000", "010"])
def test_what_is_no_figure_is_refused(text: str) -> None:
    assert figures(" 10; < 10\n3.5 not detected found") == [
        Figure(Decimal(10)),
        Figure(Decimal(10), below=True),
        Figure(Decimal("3.5")),
        Figure(Decimal(0)),
        Figure(Decimal(1), uncounted=True),
    ]
    assert " ".join(map(str, figures("<10 found 3"))) == "<10 detected 3"
    with pytest.raises(Refusal, match="is no result"):
        figures(text)


@pytest.mark.parametrize(
    ("criterion", "whole", "cut_in_two"),
    [
        ("e_coli_guide", "10120", "10 120"),
        ("listeria_guide", "1200", "1 200"),
        ("water_roots", "10001", "10 001"),
        ("listeria_100", "10120 10 10 10 10", "10 120 10 10 10 10"),
    ],
)
def test_a_thousand_is_not_judged_by_its_halves(
    criterion: str, whole: str, cut_in_two: str
) -> None:
    """ISO 80000-1, 7.3.1, parts the digits of a number in threes by a space (from memory)."""
    rule = CRITERIA[criterion]
    assert rule.judge(figures(whole)).verdict == U
    with pytest.raises(Refusal, match="1000"):
        rule.judge(figures(cut_in_two))


def test_each_criterion_says_where_it_comes_from_and_what_a_failure_means() -> None:
    for name, one in CRITERIA.items():
        assert name == one.name
        assert len(name) <= 24
        assert one.source
        assert MEANS[one.fails]
        if isinstance(one.rule, Plan):
            assert one.rule.c <= one.rule.n
            assert one.rule.m <= one.rule.M
