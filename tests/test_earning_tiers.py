"""The additive model against published analyses of variance and a reference library."""

from __future__ import annotations

from math import log10

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.stats import binom

from analytics.earning.ranking import rank
from analytics.earning.tiers import adjusted, analyse, layout
from tests.trials import PLANT_GROWTH, nist, npk, oats

pytestmark = pytest.mark.once


def test_plant_growth():
    """R, PlantGrowth: 3.76634 between, 10.49209 within; F 4.846088, p 0.01591."""
    groups = [name for name, values in PLANT_GROWTH.items() for _ in values]
    found = analyse([v for values in PLANT_GROWTH.values() for v in values], {"group": groups})
    group = found.terms[0]
    assert (group.freedom, found.freedom) == (2, 27)
    assert_allclose((group.squares, found.squares), (3.76634, 10.49209), atol=5e-6)
    assert_allclose((group.f, group.p), (4.846088, 0.01591), rtol=1e-4)
    assert found.mean_square**0.5 == pytest.approx(0.623375, abs=5e-7)


def test_peas_in_blocks_with_three_feeds():
    """R, npk: the table that its page prints."""
    found = analyse(*npk())
    assert [(t.name, t.freedom, round(t.squares, 4)) for t in found.terms] == [
        ("block", 5, 343.2950),
        ("N", 1, 189.2817),
        ("P", 1, 8.4017),
        ("K", 1, 95.2017),
        ("N:P", 1, 21.2817),
        ("N:K", 1, 33.1350),
        ("P:K", 1, 0.4817),
    ]
    assert [round(t.f, 3) for t in found.terms] == [
        4.447,
        12.259,
        0.544,
        6.166,
        1.378,
        2.146,
        0.031,
    ]
    assert [round(t.p, 5) for t in found.terms] == [
        *(0.01594, 0.00437, 0.47490, 0.02880, 0.26317, 0.16865, 0.86275)
    ]
    assert (found.freedom, round(found.squares, 4)) == (12, 185.2867)


def test_oats_in_split_plots():
    """R, MASS oats, after Yates: each variety had one main plot a block, so it is judged by the
    main plots' 10 degrees of freedom, F 1.485, and not by the 45 of the small plots, F 5.04."""
    found = analyse(*oats())
    squares = {t.name: (t.freedom, round(t.squares)) for t in found.terms}
    assert squares == {
        "B": (5, 15875),
        "V": (2, 1786),
        "B:V": (10, 6013),
        "N": (3, 20020),
        "N:V": (6, 322),
    }
    assert (found.freedom, round(found.squares)) == (45, 7969)
    by = {t.name: t for t in found.terms}
    assert (by["N"].f, by["N:V"].f) == pytest.approx((37.686, 0.303), abs=5e-4)
    assert by["N"].p == pytest.approx(2.46e-12, rel=1e-2)
    main = by["B:V"].squares / by["B:V"].freedom
    assert by["V"].squares / 2 / main == pytest.approx(1.485, abs=5e-4)
    assert by["V"].f == pytest.approx(5.04, abs=5e-3)


def one_pass_f(of):
    """Σx² − (Σx)² ÷ n, the formula that must not be used."""
    groups = [
        [v for g, v in zip(of.groups, of.values, strict=True) if g == name]
        for name in dict.fromkeys(of.groups)
    ]
    n, total = len(of.values), sum(of.values)
    between = sum(sum(g) ** 2 / len(g) for g in groups) - total**2 / n
    within = sum(v * v for v in of.values) - sum(sum(g) ** 2 / len(g) for g in groups)
    return between / of.freedom[0] / (within / of.freedom[1])


@pytest.mark.parametrize(
    ("name", "digits"),
    # what a double can hold of them: numbers with 13 leading digits the same leave four
    [("SiRstv", 12), ("SmLs01", 13), ("SmLs04", 9.5), ("SmLs07", 4), ("AtmWtAg", 9)],
)
def test_certified_analyses_of_variance(name, digits):
    """NIST StRD, analysis of variance: certified F and sums of squares, to so many digits."""
    of = nist(name)
    found = analyse(of.values, {"treatment": of.groups})
    term = found.terms[0]
    assert (term.freedom, found.freedom) == of.freedom
    for seen, certified in (
        (term.f, of.f),
        (term.squares, of.between),
        (found.squares, of.within),
    ):
        assert -log10(max(abs(seen / certified - 1), 1e-16)) >= digits


def test_the_one_pass_formula_fails_where_ours_does_not():
    """The certified F of NIST's SmLs07 is 21; a variance cannot be below nought."""
    assert one_pass_f(nist("SmLs01")) == pytest.approx(21)
    assert abs(one_pass_f(nist("SmLs07")) - 21) > 1


def uneven():
    """Oats as if varieties were crops and doses tiers, some plots lost, site-days uneven."""
    y, factors = oats()
    rng = np.random.default_rng(2)
    days = rng.uniform(100, 900, len(y))
    kept = [i for i in range(len(y)) if i % 7 and not (factors["V"][i] == "G" and i % 5 == 0)]
    variety, block, nitrogen = ([factors[name][i] for i in kept] for name in ("V", "B", "N"))
    return variety, block, nitrogen, np.array(y)[kept] * days[kept], days[kept]


def test_adjusted_means_are_those_of_weighted_least_squares():
    """statsmodels' WLS of crop + tier, predicted on the mix of tiers."""
    crop, week, tier, earned, days = uneven()
    of = layout(crop, week, tier, earned, days)
    found = adjusted(of, np.ones(len(of.weeks)))[0]
    dummies = np.array(
        [
            [c == x for x in of.crops] + [t == x for x in of.tiers[1:]]
            for c, t in zip(crop, tier, strict=True)
        ],
        float,
    )
    fit = sm.WLS(earned / days, dummies, weights=days).fit()
    mix = np.array([days[[t == x for t in tier]].sum() for x in of.tiers]) / days.sum()
    assert_allclose(found, fit.params[:3] + mix[1:] @ fit.params[3:], rtol=1e-9)
    # a week drawn twice weighs twice
    twice = np.ones(len(of.weeks))
    twice[[0, 1]] = 2, 0
    weights = days * np.array([twice[of.weeks.index(w)] for w in week])
    fit = sm.WLS(earned / days, dummies, weights=weights).fit()
    assert_allclose(adjusted(of, twice)[0], fit.params[:3] + mix[1:] @ fit.params[3:], rtol=1e-9)


def test_with_even_plots_the_means_are_the_published_ones():
    """R, MASS oats: 104.5, 109.7917 and 97.625 for Golden rain, Marvellous and Victory."""
    y, factors = oats()
    of = layout(factors["V"], factors["B"], factors["N"], y, np.ones(72))
    means = dict(zip(of.crops, adjusted(of, np.ones(6))[0], strict=True))
    assert means == pytest.approx({"G": 104.5, "M": 109.7917, "V": 97.625}, abs=5e-5)


def test_one_tier_is_the_ratio_of_sums_and_failed_trays_are_charged():
    """A tray that never came up has costs and no sites: 7 p over a's 20 site-days."""
    of = layout("aaab", [1, 2, 2, 1], ["top"] * 4, [30, 50, -7, 9], [10, 10, 0, 3])
    assert_allclose(adjusted(of, [1, 1])[0], [73 / 20, 3])


def mixed_tiers(seed=4, weeks=12):
    """b earns 0.5 p more than a on each tier; but a stands mostly on top, worth 2 p more."""
    rng = np.random.default_rng(seed)
    rows = []
    for week in range(weeks):
        for crop, worth, top in (("a", 3.0, 0.8), ("b", 3.5, 0.2)):
            for tier, share, more in (("top", top, 2.0), ("low", 1 - top, 0.0)):
                days = 1000 * share
                rate = worth + more + rng.normal(0, 0.15)
                rows.append((crop, week, tier, rate * days, days))
    return list(map(list, zip(*rows, strict=True)))


def test_a_crop_at_the_top_looks_better_than_it_is():
    crop, week, tier, earned, days = mixed_tiers()
    assert rank(crop, week, earned, days, resamples=500).places[0].crop == "a"
    fair = rank(crop, week, earned, days, tier, resamples=500)
    assert fair.adjusted
    assert [place.crop for place in fair.places] == ["b", "a"]
    assert fair.pairs[0].low < 0.5 < fair.pairs[0].high
    assert fair.sentence == "b earns more of a site than a in all 500 resamples of 12 sowing weeks."


def test_adjusted_differences_hold_the_truth_at_their_rate():
    """200 seasons of 14 weeks, seed 1, a mostly on top, which is worth 1 p a tier: the interval of
    the difference holds the true 0.5 p in 95 of 100; unadjusted, a looks the better."""
    rng = np.random.default_rng(1)
    holds = wrong = 0
    for i in range(200):
        rows = []
        for week in range(14):
            shared = rng.normal(0, 0.5)
            for crop, truth, stands in (("a", 3.0, (0.1, 0.3, 0.6)), ("b", 3.5, (0.6, 0.3, 0.1))):
                own = rng.normal(0, 0.4)
                for tier in rng.choice(3, 2, replace=False, p=stands).tolist():
                    days = rng.uniform(200, 800)
                    rate = truth + shared + own + tier + rng.normal(0, 0.3)
                    rows.append((crop, week, tier, rate * days, days))
        crops, weeks, tier, earned, held = map(list, zip(*rows, strict=True))
        (pair,) = rank(crops, weeks, earned, held, tier, resamples=500, seed=i).pairs
        holds += pair.low <= (0.5 if pair.one == "b" else -0.5) <= pair.high
        wrong += rank(crops, weeks, earned, held, resamples=5).places[0].crop == "a"
    assert binom.ppf(0.001, 200, 0.95) <= holds <= binom.ppf(0.999, 200, 0.95)
    assert wrong > 100


def test_a_crop_that_shares_no_tier_is_not_compared():
    crop, week, tier, earned, days = mixed_tiers()
    crop += ["cress"] * 12
    week += range(12)
    tier += ["bench"] * 12
    found = rank(crop, week, [*earned, *[9000] * 12], [*days, *[1000] * 12], tier, resamples=200)
    assert [place.crop for place in found.places] == ["b", "a"]
    assert found.incomparable == ("cress",)
    assert found.sentence.endswith(
        "cress shared no tier with the other crops and cannot be compared with them."
    )
