"""Ratios of sums, shares and shrinkage against published answers; no books are asked."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from analytics.earning.ratios import (
    draws,
    interval,
    ratio,
    resampled,
    stand,
    weekly,
    wider,
    wilson,
)
from analytics.earning.shrinkage import pooled_variances, shrink
from tests.trials import DYESTUFF

pytestmark = pytest.mark.once

#: Seedlings and those that lived, ten trees. S. L. Lohr, Sampling: Design and Analysis, exercise
#: 3.5, as the R package SDaA has it.
SEEDLINGS = [1, 0, 8, 2, 76, 60, 25, 2, 1, 31]
ALIVE = [0, 0, 1, 2, 10, 15, 3, 2, 1, 27]


def test_a_ratio_of_sums_with_lohrs_error():
    """0.2961 and 0.115 (the book's, from memory). A tree without seedlings stays in."""
    found = ratio(ALIVE, SEEDLINGS)
    assert found.weeks == 10
    assert_allclose((found.value, found.se), (0.296117, 0.115262), atol=5e-7)
    # t(0.975, 9) = 2.262, printed tables
    assert_allclose(found.high - found.value, 2.262157 * 0.115262, rtol=1e-5)
    as_if_each_alone = (0.296117 * (1 - 0.296117) / 206) ** 0.5
    assert found.se / as_if_each_alone == pytest.approx(3.6, abs=0.05)


def test_four_weeks_are_too_few_and_five_are_not():
    few, enough = ratio(ALIVE[4:8], SEEDLINGS[4:8]), ratio(ALIVE[4:9], SEEDLINGS[4:9])
    assert (few.too_few, few.se, few.low, few.high) == (True, None, None, None)
    assert few.value == pytest.approx(30 / 163)
    assert not enough.too_few


def test_nothing_to_divide_by_is_said():
    for top, below in (([1, 2], [1]), ([1.0], [0.0])):
        with pytest.raises(ValueError, match=r"one of each a week|add up to nothing"):
            ratio(top, below)


def test_resamples_are_those_of_a_plain_loop():
    rng = np.random.default_rng(7)
    rows = [(c, w, *rng.uniform(1, 9, 2)) for w in range(6) for c in "ab" if (w, c) != (3, "b")]
    of = weekly(*map(list, zip(*rows, strict=True)))
    assert of.weeks_of.tolist() == [6, 5]
    found = resampled(of, resamples=50, seed=3)
    for counts, ratios in zip(draws(6, 50, 3), found, strict=True):
        assert counts.sum() == 6
        drawn = [row for row in rows for _ in range(int(counts[row[1]]))]
        for crop, value in zip("ab", ratios, strict=True):
            tops, belows = zip(*[(r[2], r[3]) for r in drawn if r[0] == crop], strict=True)
            assert value == pytest.approx(sum(tops) / sum(belows))


def test_resampling_and_linearisation_agree_where_weeks_are_many():
    rng = np.random.default_rng(11)
    days = rng.uniform(300, 1500, 200)
    grams = days * rng.normal(2, 0.5, 200)
    of = weekly(["a"] * 200, range(200), grams, days)
    plain = ratio(grams, days)
    low, high = interval(plain.value, resampled(of)[:, 0], 200)
    assert_allclose((low, high), (plain.low, plain.high), atol=0.05 * (plain.high - plain.low))


def test_few_weeks_reach_wider():
    """√(14 ÷ 13) × t(0.975, 13) = 2.1604, printed tables."""
    assert wider(1.959964, 14) == pytest.approx((14 / 13) ** 0.5 * 2.160369, rel=1e-5)


@pytest.mark.parametrize(
    ("successes", "n", "low", "high"),
    [
        # R. G. Newcombe, Two-sided confidence intervals for the single proportion, 1998: the pairs
        # as published, the limits from memory and computed again
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        # R, binom.confint, as statsmodels' tests have it
        (18, 20, 0.6989663547715128, 0.972133518786232),
        (4, 20, 0.0806576625797981, 0.4160174322518935),
        # scipy's tests, to the seven places printed
        (0, 10, 0, 0.2775328),
        (10, 10, 0.7224672, 1),
    ],
)
def test_wilsons_interval(successes, n, low, high):
    places = max(len(f"{low}"), len(f"{high}")) - 2
    assert_allclose(wilson(successes, n), (low, high), atol=0.51 * 10**-places)


def test_all_and_none_are_exactly_the_ends():
    """38 of 38 and 0 of 77: where floats passed the ends elsewhere (statsmodels, issue 7386)."""
    assert wilson(38, 38)[1] == 1.0
    assert wilson(0, 77)[0] == 0.0
    with pytest.raises(ValueError, match="3 of 2 is no share"):
        wilson(3, 2)


def test_missing_plants_change_the_denominator():
    """Hartman and Stair 1942, as the R package agridat has it: 26001 lb of 3072 tomato plants less
    49, each on 3 by 6 feet; they say 10.24 (short) tons an acre, which is by planted site."""
    field = stand(26001, 3072, 49)
    assert_allclose((field.per_planted, field.per_surviving), (8.4639, 8.6011), atol=5e-5)
    assert field.per_planted / 2000 * 43560 / (3 * 6) == pytest.approx(10.24, abs=0.005)
    assert field.full_stand == pytest.approx(26001 + field.missing_cost)
    with pytest.raises(ValueError, match="5 of 5 plants missing"):
        stand(1, 5, 5)


def test_shrinking_finds_the_variance_between_batches_of_dyestuff():
    """R's lme4: 1764.05 between batches, 2451.25 within; the mean 1527.5."""
    batches = np.array(list(DYESTUFF.values()), float)
    within = float(np.mean(np.var(batches, axis=1, ddof=1)))
    assert within == pytest.approx(2451.25)
    found = shrink(batches.mean(axis=1), np.full(6, within / 5))
    assert (found.between, found.mean) == pytest.approx((1764.05, 1527.5))
    assert_allclose(found.share, 3 / 5 * 490.25 / (490.25 + 1764.05))


def test_shrinking_batters_as_published():
    """Efron and Morris, Stein's paradox in statistics, 1977: eighteen batters, 45 times each; what
    is left of each distance is 0.212, Clemente's 0.400 becomes 0.294 (from memory)."""
    hits = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]
    shares = np.array(hits) / 45
    mean = shares.mean()
    found = shrink(shares, np.full(18, mean * (1 - mean) / 45))
    assert_allclose(1 - found.share, 0.212, atol=0.0005)
    assert found.values[0] == pytest.approx(0.294, abs=0.0005)


def test_shrunk_values_lie_nearer_the_truth():
    """200 farms of twelve crops, true values of spread 1, known each to ±1: seed 5."""
    rng = np.random.default_rng(5)
    raw = shrunk = 0.0
    for _ in range(200):
        truth = rng.normal(3, 1, 12)
        variances = rng.uniform(0.3, 1.7, 12)
        seen = truth + rng.normal(0, np.sqrt(variances))
        found = shrink(seen, variances)
        raw += float(np.sum((seen - truth) ** 2))
        shrunk += float(np.sum((found.values - truth) ** 2))
        assert (np.diff(found.share[np.argsort(variances)]) > -1e-12).all()
    # the least possible is Σ V ÷ (V + 1), about 0.48 of raw; nothing is lost where all is known
    assert 0.45 < shrunk / raw < 0.65


def test_three_crops_are_left_as_they_are():
    assert shrink([1, 2, 9], [1, 1, 1]).values.tolist() == [1, 2, 9]
    with pytest.raises(ValueError, match="variance above nought"):
        shrink([1, 2], [1, 0])


def test_a_crop_of_one_week_borrows_the_spread_of_the_others():
    """Rates 1, 3 and 2, 4: σ² = (1 + 1 + 1 + 1) ÷ 2 = 2. Two even weeks halve it; one does not."""
    of = weekly("aabbc", [1, 2, 1, 2, 1], [10, 30, 20, 40, 70], [10] * 5)
    assert pooled_variances(of).tolist() == [1, 1, 2]
    assert pooled_variances(weekly("ab", [1, 1], [1, 2], [1, 1])) is None
    # a week with a thousandth of a site-day at the edge of a season says next to nothing
    edge = weekly("aabba", [1, 2, 1, 2, 3], [1, 3, 2, 4, 0.05], [1, 1, 1, 1, 0.001])
    plain = weekly("aabb", [1, 2, 1, 2], [1, 3, 2, 4], [1, 1, 1, 1])
    assert pooled_variances(edge) == pytest.approx(pooled_variances(plain), rel=0.4)
