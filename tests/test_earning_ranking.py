"""An honest ranking: planted truths are found at the rate that is promised, and no more is said.

Seasons are simulated with a fixed seed; what a true method does in fewer than one run of a thousand
(binomial limits) fails.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy.stats import binom, studentized_range

from analytics.earning.orders import Flip, flips, moved, order, per_limit
from analytics.earning.ranking import Pair, Place, Ranking, rank, share_words
from analytics.earning.ratios import wider_together

pytestmark = pytest.mark.once

SEASONS, WEEKS, BATCHES = 400, 14, 2
#: Standard deviations of pence a site-day: what a week gave all its crops, a crop's own luck in a
#: week, a batch's own.
SHARED, OWN, BATCH = 0.5, 0.4, 0.3
#: Of the difference of two crops over a season; site-days 300 to 1500 spread it by 1 + cv².
DAYS = (300.0, 1500.0)
CV2 = (1200**2 / 12) / 900**2
ERROR = (2 * (OWN**2 * (1 + CV2 / BATCHES) + BATCH**2 * (1 + CV2) / BATCHES) / WEEKS) ** 0.5


def season(rng, truth, batches=BATCHES):
    """Rows of one season: (crop, week, pence, site-days); truth: pence a site-day of each crop."""
    shape = (WEEKS, len(truth), batches)
    days = rng.uniform(*DAYS, shape)
    rate = (
        np.array(truth)[:, None]
        + rng.normal(0, SHARED, (WEEKS, 1, 1))
        + rng.normal(0, OWN, (*shape[:2], 1))
        + rng.normal(0, BATCH, shape)
    )
    week, crop, _ = np.indices(shape)
    names = ["ABCDEF"[c] for c in crop.ravel()]
    return names, week.ravel().tolist(), (rate * days).ravel(), days.ravel()


def seasons(truth, number=SEASONS, seed=1, **more):
    rng = np.random.default_rng(seed)
    for i in range(number):
        yield rank(*season(rng, truth, **more), resamples=500, seed=i)


def least(share, number=SEASONS):
    return binom.ppf(0.001, number, share)


def most(share, number=SEASONS):
    return binom.ppf(0.999, number, share)


def test_a_crop_that_earns_more_by_the_intervals_reach_ranks_first():
    """A earns more than B by the reach of a 95 % interval of 14 weeks, t(0.975, 13) errors: in 95
    of 100 seasons at least it is first; intervals hold the truth; B is never said to earn more."""
    margin = 2.16 * ERROR
    first = a_holds = pair_holds = wrong = 0
    for found in seasons((3 + margin, 3)):
        by = {place.crop: place for place in found.places}
        first += found.places[0].crop == "A"
        a_holds += by["A"].low <= 3 + margin <= by["A"].high
        (pair,) = found.pairs
        truth = margin if pair.one == "A" else -margin
        pair_holds += pair.low <= truth <= pair.high
        wrong += found.sentence.startswith("B earns more")
    assert first >= least(0.95)
    assert least(0.95) <= a_holds <= most(0.95)
    assert least(0.95) <= pair_holds <= most(0.95)
    assert wrong <= most(0.025 * 1e-3)


def test_crops_that_earn_the_same_are_not_declared_different():
    """Two, and six of which all fifteen pairs are looked at: at most 5 seasons of 100."""
    for crops in (2, 6):
        told = sum(any(p.told_apart for p in found.pairs) for found in seasons([3.0] * crops))
        assert told <= most(0.05)


@pytest.mark.parametrize("groups", [2, 5, 13])
def test_a_reach_for_all_pairs_is_widened_as_the_studentized_range_is(groups: int) -> None:
    """Against scipy.stats.studentized_range, whose values are those of the published tables."""
    weeks = [5, 7, 11, 21]
    found = wider_together(1.0, weeks, groups, 0.95)
    wide = studentized_range.ppf(0.95, groups, [n - 1 for n in weeks])
    want = wide / studentized_range.ppf(0.95, groups, 1e5) * [(n / (n - 1)) ** 0.5 for n in weeks]
    assert found == pytest.approx(want, rel=0.03)


def test_batches_counted_as_weeks_hold_the_truth_too_seldom():
    """Why whole weeks are drawn: four batches of a week shared its weather; they are one proof."""
    number, holds = 150, 0
    rng = np.random.default_rng(3)
    for i in range(number):
        names, week, earned, days = season(rng, [3.0], batches=4)
        batches = range(len(week))
        place = rank(names, batches, earned, days, resamples=300, seed=i).places[0]
        holds += place.low <= 3 <= place.high
    assert holds < least(0.95, number)


def test_a_crop_with_too_few_weeks_has_a_point_and_no_interval():
    rng = np.random.default_rng(8)
    crop, week, earned, days = season(rng, [5.0, 3.0])
    crop += ["sorrel"] * 4
    week += [0, 1, 2, 3]
    found = rank(crop, week, [*earned, *[9000.0] * 4], [*days, *[1000.0] * 4])
    assert [place.crop for place in found.places] == ["A", "B", "sorrel"]
    last = found.places[-1]
    assert (last.too_few, last.value, last.low, last.first_share) == (True, 9.0, None, None)
    assert (last.weeks, last.with_first) == (4, False)
    assert found.sentence == (
        "A earns more of a site than B in all 2000 resamples of 14 sowing weeks. "
        "Too few sowing weeks to judge sorrel."
    )
    assert found.between("A", "sorrel") == "Too few sowing weeks to compare A with sorrel."


def test_a_splendid_single_batch_is_drawn_toward_the_mean():
    rng = np.random.default_rng(9)
    crop, week, earned, days = season(rng, [4.0, 3.5, 3.0, 2.5, 2.0])
    found = rank([*crop, "sorrel"], [*week, 0], [*earned, 5000.0], [*days, 1000.0], resamples=200)
    by = {place.crop: place for place in found.places}
    assert by["sorrel"].value == 5.0
    assert 3 < by["sorrel"].shrunk < 4.9
    assert by["sorrel"].shrunk_share > 5 * by["A"].shrunk_share > 0


def test_what_cannot_be_told_is_said_so():
    rng = np.random.default_rng(10)
    found = rank(*season(rng, [5.0, 5.0, 1.0, 1.0]))
    one, other = [p.crop for p in found.places if p.with_first]
    assert {one, other} == {"A", "B"}
    rest = [place.crop for place in found.places if not place.with_first]
    assert found.sentence.startswith(f"{one} ranks first in ")
    assert found.sentence.endswith(
        f" of 14 sowing weeks; not told apart from it: {other}. "
        f"{one} and {other} earn more than {rest[0]} and {rest[1]}."
    )
    assert sum(place.first_share for place in found.places) == pytest.approx(1)
    assert "cannot be told apart: " in found.between("A", "B")
    assert found.between("C", "A").startswith("A earns more of a site than C in all 2000 resamples")


def pair(one, other, low, high):
    return Pair(one, other, (low + high) / 2, low, high, 0.9, 9)


def test_each_pair_that_differs_is_said_and_no_pair_is_said_not_to_that_does():
    """A is level with each alone, for its own weeks are wild; B stands clear of D and E, C of E."""
    places = [Place(c, 9.0 - n, 1.0, 9.0, 9, 90.0, 0.6 * (c == "A"), 4.0, 0.1, True)
              for n, c in enumerate("ABCDE")]  # fmt: skip
    apart = {("B", "D"), ("B", "E"), ("C", "D"), ("C", "E")}
    pairs = [pair(*two, 0.5 if two in apart else -0.5, 4.0) for two in combinations("ABCDE", 2)]
    found = Ranking(tuple(places), tuple(pairs), 20, 2000, 0.95, False, ())
    first = "A ranks first in 60 % of resamples of 20 sowing weeks; not told apart from it: "
    assert found.sentence == f"{first}B, C, D and E. B and C earn more than D and E."
    level = [pair(*two, -0.5, 4.0) for two in combinations("ABCDE", 2)]
    assert replace(found, pairs=tuple(level)).sentence == (
        f"{first}B, C, D and E. No two of the 5 are told apart."
    )
    lesser = {"A": "BCDE", "B": "E"}
    ahead = [pair(*two, 0.5 if two[1] in lesser.get(two[0], "") else -0.5, 4.0)
             for two in combinations("ABCDE", 2)]  # fmt: skip
    assert replace(found, pairs=tuple(ahead)).sentence.endswith(
        "A earns more than each of the 4 from B down; B earns more than E."
    )
    alone = [replace(place, with_first=place.crop == "A") for place in places]
    assert replace(found, pairs=tuple(ahead), places=tuple(alone)).sentence == (
        "A earns more of a site than each of the 4 others: it ranks first in 60 % of resamples "
        "of 20 sowing weeks. B earns more than E."
    )


def test_one_crop_or_none_is_no_ranking():
    alone = rank(["A"] * 6, range(6), [1] * 6, [1] * 6)
    assert alone.sentence == "Too few to rank: only A has 5 sowing weeks or more."
    few = rank(["A", "B"], [1, 1], [1, 2], [1, 1])
    assert few.sentence == "Too few to rank: no crop has 5 sowing weeks or more."
    with pytest.raises(ValueError, match="nothing to rank"):
        rank(["A"], [1], [1], [0])


@pytest.mark.parametrize(
    ("share", "says"),
    [
        (0.97, "97 % of resamples"),
        (0.9965, "99.7 % of resamples"),
        (0.9996, "99.9 % of resamples"),
        (1, "all 2000 resamples"),
        (0, "none of 2000 resamples"),
    ],
)
def test_a_share_is_never_rounded_to_certainty(share, says):
    assert share_words(share, 2000) == says


# --- orders ---------------------------------------------------------------------------------

#: Pence a site and week in July, before and after crop minutes: a demo's figures, computed for it.
JULY = {
    "mizuna": (24, 13),
    "green lettuce": (22, 12),
    "basil": (21, 15),
    "red mustard": (18, 9),
    "red lettuce": (16, 8),
    "butterhead": (14, 8),
    "rocket": (12, 4),
    "chard": (12, 7),
    "kale": (9, 5),
    "parsley": (8, 4),
    "tomato": (7, 5),
    "strawberry": (5, 3),
    "spinach": (5, -2),
}


def test_crop_minutes_change_the_order():
    before, after = ({crop: both[i] for crop, both in JULY.items()} for i in (0, 1))
    by = {row.crop: row for row in moved(before, after)}
    assert (by["basil"].before, by["basil"].after, by["basil"].rises) == (3, 1, 2)
    assert by["rocket"].rises <= -3
    with pytest.raises(ValueError, match="one lacks basil"):
        moved({"basil": 1.0}, {})


def test_the_order_by_what_is_short():
    """P. B. R. Hazell's vegetables, 1971: by the acre, and by the hour of labour."""
    margins = {"carrot": 253, "celery": 443, "cucumber": 284, "pepper": 516}
    hours = {"carrot": 25, "celery": 36, "cucumber": 27, "pepper": 87}
    assert order(margins) == ["pepper", "celery", "cucumber", "carrot"]
    by_hour = per_limit(margins, hours)
    assert order(by_hour) == ["celery", "cucumber", "carrot", "pepper"]
    assert [round(by_hour[crop], 2) for crop in order(by_hour)] == [12.31, 10.52, 10.12, 5.93]
    # a textbook's exercise: 140, 110 and 60 of margin for 14, 13 and 11 minutes of the machine
    by_minute = per_limit({"a": 140, "b": 110, "c": 60}, {"a": 14, "b": 13, "c": 11})
    assert {k: round(v, 2) for k, v in by_minute.items()} == {"a": 10.0, "b": 8.46, "c": 5.45}


def test_the_price_at_which_two_crops_change_places():
    """Kitchen basil: 2 p a site-day and 0.1 for each £ of a kilo; bag lettuce 3 p, whatever the
    kitchen pays: even at £10. Kale is never between them."""
    found = flips(
        {"lettuce": 3, "basil": 2.6, "kale": 1}, {"lettuce": 3, "basil": 3.4, "kale": 1}, 6, 14
    )
    assert found == [Flip("basil", "lettuce", pytest.approx(10))]
    with pytest.raises(ValueError, match="lower price first"):
        flips({}, {}, 2, 2)
