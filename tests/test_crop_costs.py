"""Direct costs by kind, and what was filled over the label: by hand, and against the margin."""

from __future__ import annotations

from decimal import Decimal

import pytest

from analytics.crop_costs import by_kind, fills
from analytics.margin import margin
from tests.week import WEEK, a_week, figures_farm, messy, rated

pytestmark = pytest.mark.django_db


def test_the_kinds_of_cost_are_the_margins_lines_to_the_penny():
    """A week by hand (tests/week.py): 104 cells at 2.5 and 2.2 p, 60 pots at 0.3 p, 4 kg at 11 and
    8 p, 25 bags at 8.5 p; 13 minutes a kg cut at 1398.1 p an hour."""
    farm = figures_farm()
    rated()
    a_week(farm)
    *rows, total = by_kind(margin(WEEK))
    assert [row["crop"] for row in rows] == ["Loose-leaf lettuce", "Red mustard"]
    assert {kind: total[kind] for kind in ("seed", "medium", "pot", "packaging")} == {
        "seed": 260,
        "medium": 229,
        "pot": 18,
        "packaging": 213,
    }
    assert (total["nutrient"], total["water"]) == (44, 32)
    assert abs(total["cut_minutes"] - 4 * 13 * 1398.1 / 60) < 2


def test_each_crop_adds_up_whatever_it_was_charged_by():
    period = messy(figures_farm())
    found = margin(period)
    *rows, total = by_kind(found)
    spent = {row.crop: row.costs_p + row.labour_p for row in found.rows}
    assert {row["crop"]: row["all_p"] for row in rows} == {c: p for c, p in spent.items() if p}
    for row in (*rows, total):
        kinds = {name: pence for name, pence in row.items() if name not in ("crop", "all_p")}
        assert sum(kinds.values()) == row["all_p"]
    only = found.rows[0]
    assert by_kind(found, only.crop_id)[-1]["all_p"] == spent[only.crop]


def test_what_is_over_the_label_is_the_mean_of_the_packs_weighed_times_all_packs():
    """Of 10 bags two at 126 and 130 g: 8 g over 120 on the mean, 80 g in all; the run of 5 that
    nobody weighed is not judged, and an entry of weights that was taken back counts no more."""
    farm = figures_farm()
    batch = farm.sow(84)
    farm.plant(batch, farm.t1, 40)
    farm.pass_time(days=2)
    run = farm.pack([farm.cut(1300, batch)], packs=10)
    farm.pass_time(hours=1)
    farm.pack([farm.cut(700, batch)], packs=5)
    farm.tell("weigh_packs", run=run, weights=[Decimal(126), Decimal(130)])
    wrong = farm.tell("weigh_packs", run=run, weights=[Decimal(150)])
    farm.tell("cancel", event=wrong, reason="of another run")
    (row,) = fills(WEEK)
    assert (row.runs, row.packs, row.packs_judged, row.weighed) == (2, 15, 10, 2)
    assert (row.over_g, row.over_each_g, row.over_pct) == (80, 8, Decimal("6.7"))
