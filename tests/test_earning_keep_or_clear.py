"""Keep or clear: published rules, cases with known answers, and strawberries in February."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from analytics.earning.keep_or_clear import (
    EMPTY,
    Best,
    Fill,
    Replacement,
    best_average,
    keep_or_clear,
)

pytestmark = pytest.mark.once

#: Constructed, ours: set-up 0.20, cuts on these days.
DAYS = [28, 38, 48, 58, 68]
EARNED = np.cumsum([0.62, 0.46, 0.34, 0.22, 0.12]) - 0.20


def test_the_best_age_of_a_crop_cut_again():
    """Averages 0.01500, 0.02316, 0.02542, 0.02483, 0.02294 a day."""
    assert best_average(DAYS, EARNED) == Best(48, pytest.approx(0.02542, abs=5e-6))


@pytest.mark.parametrize(("stands", "keeps"), [(0, True), (1, True), (2, False), (3, False)])
def test_where_returns_fall_it_is_the_rule_of_the_next_cut(stands, keeps):
    """Perrin 1972, as Bradford and Reid put it in 1982: keep another period while what it brings
    is above the average of a replacement. Next cuts bring 0.046, 0.034, 0.022, 0.012 a day."""
    after = DAYS[stands]
    rest = np.cumsum([0.62, 0.46, 0.34, 0.22, 0.12][stands + 1 :])
    again = Replacement("the same again", DAYS, EARNED)
    found = keep_or_clear([d - after for d in DAYS[stands + 1 :]], rest, [again])
    assert found.keep == keeps
    assert found.replace_p == pytest.approx(0.02542, abs=5e-6)
    if not keeps:
        assert found.clear_in == 0


def test_schumachers_stand_is_best_at_its_own_parameter():
    """Yield k·exp(−b ÷ age): the mean annual increment is greatest at age b."""
    ages = np.arange(1, 200, 0.01)
    assert best_average(ages, 7 * np.exp(-40 / ages)).days == pytest.approx(40, abs=0.01)


def test_faustmanns_stand_without_interest():
    """100 (1 − exp(−0.05 t))³ less 10: greatest average at 42.85 (computed for us by other means);
    interest of 0.0001 a year moves it by 0.06, so over months none is taken."""
    t = np.arange(1, 200, 0.01)
    assert best_average(t, 100 * (1 - np.exp(-0.05 * t)) ** 3 - 10).days == pytest.approx(
        42.85, abs=0.01
    )


def test_a_crop_whose_cuts_grow_is_kept_to_its_last():
    """Watercress, Benko 2016: three cuts in 60 days of 0.76, 0.94 and 1.37 kg a square metre. After
    the first, the second alone brings less a day than starting again would; with the third to come
    it is kept. The cuts' days are ours: 16, 38, 60."""
    again = Replacement("again", [16, 38, 60], [0.76, 1.70, 3.07])
    assert again.best.days == 60
    found = keep_or_clear([22, 44], [0.94, 2.31], [again])
    assert 0.94 / 22 < again.best.pence < found.keep_p == pytest.approx(2.31 / 44)
    assert (found.keep, found.keep_days, found.clear_in) == (True, 44, 44)


FEBRUARY = dt.date(2026, 2, 2)
#: Pence of a site and week of picking, after crop minutes, from the middle of May: ours.
FLUSH = [4, 12, 22, 30, 28, 20, 12, 7, 3, 1]
PICKS = [dt.date(2026, 5, 18) + dt.timedelta(weeks=n) for n in range(len(FLUSH))]
BERRIES = [(day - FEBRUARY).days for day in PICKS], np.cumsum(FLUSH)


def mizuna(**told):
    """Winter: a cut each three weeks, 6 p a site and cut, 4 p to raise and plant."""
    return Replacement("mizuna", [28, 49, 70, 91], [2, 8, 14, 20], **{"changeover": 1} | told)


def test_strawberries_in_february_are_kept_for_the_summer():
    """The next four weeks earn nothing; mizuna has plugs, but nobody asks for more of it."""
    found = keep_or_clear(*BERRIES, [mizuna(unsold=0)], sites=80)
    day = FEBRUARY + dt.timedelta(days=found.clear_in)
    assert found.keep
    assert (found.replace_p, found.instead) == (0, EMPTY)
    assert dt.date(2026, 6, 1) <= day < dt.date(2026, 9, 1)
    assert found.keep_p == pytest.approx(sum(FLUSH[:8]) / found.keep_days)
    # the rule of the next weeks would clear them for a crop that earns a third as much
    poor = Replacement("cress", [28, 56], [3, 8])
    assert keep_or_clear([28], [0], [poor]).keep is False
    assert keep_or_clear(*BERRIES, [poor]).keep is True


def test_the_same_strawberries_go_when_something_better_is_ready_and_wanted():
    """One fact changed: demand. The wait for its plugs is not free."""
    better = mizuna(unsold=500, plugs=500)
    better = Replacement("basil", better.days, [8 * p for p in better.earned_p], plugs=500)
    found = keep_or_clear(*BERRIES, [better], sites=80)
    assert (found.keep, found.clear_in, found.instead) == (False, 0, "basil")
    late = Replacement("basil", better.days, better.earned_p, wait=120)
    assert late.best.days == 91 + 120
    assert keep_or_clear(*BERRIES, [late], sites=80).keep is True


def test_plugs_and_demand_are_spread_over_the_sites():
    """30 plugs, then demand for 20 sites of the next, and 10 of 60 sites stand empty."""
    found = keep_or_clear(
        [10],
        [1],
        [
            Replacement("rocket", [10], [5], plugs=30),
            Replacement("mizuna", [20], [6], unsold=20),
            Replacement("sorrel", [20], [-1]),
        ],
        sites=60,
    )
    assert found.fills == (
        Fill("rocket", 30, 0.5, 10),
        Fill("mizuna", 20, 0.3, 20),
        Fill(EMPTY, 10, 0, 0),
    )
    assert found.replace_p == pytest.approx((30 * 0.5 + 20 * 0.3) / 60)
    assert found.instead == "rocket on 30 sites, mizuna on 20 sites, empty site on 10 sites"


def test_what_goes_may_stand_until_the_plugs_are_ready():
    later = Replacement("basil", [30], [60], wait=14, changeover=2)
    found = keep_or_clear([6, 12, 18], [2, 3, 4], [later])
    assert (found.keep, found.clear_in) == (False, 12)
    assert keep_or_clear([6, 12], [-1, -2], [later]).clear_in == 0
    # a cut on the day after the plugs are ready is worth the day that they wait, and one a month
    # after it is not
    at = later.wait - later.changeover
    a_day = later.best.pence
    for late, gain, until in ((1, 2 * a_day, at + 1), (30, 2 * a_day, 0)):
        found = keep_or_clear([at + late], [gain], [later])
        assert (found.keep, found.clear_in) == (False, until)


@pytest.mark.parametrize(
    ("days", "earned", "sites", "says"),
    [
        ([], [], 1, "one at least"),
        ([1, 2], [1], 1, "one at least"),
        ([-1], [1], 1, "lies in the past"),
        ([1], [1], 0, "holds no site"),
    ],
)
def test_a_question_that_is_none(days, earned, sites, says):
    with pytest.raises(ValueError, match=says):
        keep_or_clear(days, earned, [], sites=sites)
