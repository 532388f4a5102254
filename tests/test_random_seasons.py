"""Every table of random seasons against an independent recount of the exported rows: plain pandas
over CSV, plain SQL and plain Python (tests/tally.py), to the gram and the penny."""

from __future__ import annotations

from collections import Counter, defaultdict

import pytest

from analytics.crop_table import BY, Only, tabled
from analytics.outlet_table import outlet_table
from analytics.period import Period
from analytics.stands import stands
from grow import clock, months, sums
from grow.faults import faults
from tests import tally
from tests.crop_checks import about, each_stand_is_what_exported_rows_say, the_table_is_the_books
from tests.often import times
from tests.random_season import told
from tests.test_figures_recount import (
    crops_are_near_exact_fractions,
    runs_notes_and_stock_say_the_same,
    sweeping_changes_no_figure,
    the_margin_is_what_money_and_counts_say,
    the_waste_table_is_what_the_rows_say,
    yields_are_what_movements_and_plantings_say,
)

pytestmark = [pytest.mark.django_db, pytest.mark.slow]


@pytest.mark.parametrize("seed", range(times(2)))
def test_a_random_season_to_the_gram_and_the_penny(seed: int) -> None:
    season = told(seed, 6)
    if seed % 2:
        sums.sweep()
    season.weeks(5)
    season.close()
    period = Period(season.first, season.farm.today)
    with clock.playing(season.farm.now):
        the_waste_table_is_what_the_rows_say(period)
        runs_notes_and_stock_say_the_same(period)
        crops_are_near_exact_fractions(period)
        yields_are_what_movements_and_plantings_say(period)
        the_margin_is_what_money_and_counts_say(period)
        the_table_is_the_books(period)
        each_stand_is_what_exported_rows_say(period)
        each_group_is_what_exported_rows_say(period)
        each_outlet_is_what_exported_rows_say(period)
        sweeping_changes_no_figure(period)
        for piece in months.pieces(period.first, period.last):
            the_waste_table_is_what_the_rows_say(Period(*piece))
            the_margin_is_what_money_and_counts_say(Period(*piece))
    assert faults() == []


#: Which parts of a stand (crop, variety, tower, tier, line) name a group of a table.
_GROUP = {"crop": (0,), "variety": (0, 1), "tower": (2,), "tier": (3,)}


def each_group_is_what_exported_rows_say(period: Period) -> None:
    """By crop, variety, tower and tier: within a gram or penny of the exact share of each of the
    group's stands, of which every one is a whole number; by crop within one of each."""
    found = stands(period, about(period))
    for name, want in (
        ("cut_g", tally.cut_at_stands(period)),
        ("door_p", tally.door_at_stands(period)),
    ):
        assert want
        for by in BY:
            exact: Counter = Counter()
            parts: Counter = Counter()
            for stand, amount in want.items():
                key = tuple(stand[n] for n in _GROUP[by])
                exact[key] += amount
                parts[key] += 1
            got = {}
            for row in tabled(found, by, Only()).groups:
                key = tuple(
                    (row.crop_id, row.variety_id, row.tower_id, row.tier)[n] for n in _GROUP[by]
                )
                got[key] = got.get(key, 0) + getattr(row, name)
            for key, amount in exact.items():
                near = 2 if by == "crop" else parts[key]
                assert abs(got[key] - amount) <= near, (name, by, key)
            assert sum(got.values()) == round(sum(exact.values())), (name, by)


def each_outlet_is_what_exported_rows_say(period: Period) -> None:
    table = outlet_table(period)
    money, grams, unsold, lots = tally.taken_at_outlets(period)
    assert table.total.unsold_g == round(sum(unsold.values())) > 0
    got: dict = defaultdict(int)
    for row in table.rows:
        got[row.outlet, row.crop_id] = row.takings_p
        key = row.outlet, row.crop_id
        assert abs(row.takings_p - money[key]) < 1, key
        assert abs(row.grams - grams[key]) <= lots[key], key
        assert row.door_p == row.takings_p - row.shop_share_p
        assert abs(row.unsold_g - unsold[key]) <= lots[key], key
    assert {key for key, pence in money.items() if pence} <= got.keys()
    assert table.total.takings_p == round(sum(money.values()))
    assert len({outlet for outlet, _ in got}) == 3
