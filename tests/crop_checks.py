"""The crops' table against the other figures, and against plain pandas over exported CSV."""

from __future__ import annotations

from collections import Counter

from analytics.crop_table import BY, Only, tabled
from analytics.lost import lost
from analytics.outlet_table import outlet_table
from analytics.period import About, Period
from analytics.stands import stands
from analytics.waste import LOST, waste
from grow import clock
from grow.models import PlantSite
from tests import tally


def about(period: Period) -> About:
    return About(period, base="", unit="")


def the_table_is_the_books(period: Period) -> None:
    """By every grouping the totals are those of the margin, the yields and the waste."""
    found = stands(period, about(period))
    earned, stood = found.margin.total, found.margin.stood
    grown = waste(period).total
    bought = sum(row.sold_or_used_g for row in stood.rows if row.line == "bought in")
    for by in BY:
        table = tabled(found, by, Only())
        total = table.total
        for name in ("door_p", "door_alone_p", "takings_p", "shop_share_p", "packaging_p"):
            assert getattr(total, name) == getattr(earned, name), (by, name)
        assert total.nutrient_and_water_p == earned.nutrient_and_water_p
        assert total.bought_in_p == earned.bought_in_p
        assert total.cut_g == grown.cut_g - grown.grade_out_g == stood.total.cut_g
        assert total.sold_or_used_g + total.bought_in_g == grown.sold_or_used_g
        assert total.bought_in_g == bought
        assert total.uncut_g == grown.uncut_g
        assert (total.sites, total.surviving) == (stood.total.sites, stood.total.surviving)
        assert total.site_s == stood.total.site_seconds
        assert (total.cells_sown, total.planted) == (earned.cells_sown, earned.planted)
        # spread and unspread reconcile by the line that is printed
        told = total.told_raising_p + total.told_raising_labour_p
        charged = total.raising_p + total.raising_labour_p
        assert total.opening_p + told - charged == total.closing_p
        assert total.before_p == earned.before_labour_p + total.told_raising_p - total.raising_p
        assert total.after_p == earned.after_labour_p + told - charged
        # every site in use is somewhere on every day
        sites = PlantSite.objects.filter(out_of_use=False).count()
        span = int((period.elapsed - period.start).total_seconds())
        where = ("site_s", "dead_s", "changeover_s", "untouched_s")
        assert sum(getattr(total, name) for name in where) == sites * span
        assert sum(row.cut_g for row in table.rows) == total.cut_g
        assert sum(group.after_p for group in table.groups) == total.after_p
    by_crop = {g.crop_id: g for g in tabled(found, "crop", Only()).groups if g.crop}
    for row in found.margin.rows:
        for name in ("door_p", "door_alone_p", "packaging_p", "nutrient_and_water_p"):
            assert getattr(by_crop[row.crop_id], name) == getattr(row, name)
    for whole in stood.crops:
        assert by_crop[whole.crop_id].cut_g == whole.cut_g
        assert by_crop[whole.crop_id].site_s == whole.site_seconds
    outlets = outlet_table(period).total
    assert (outlets.door_p, outlets.door_alone_p) == (earned.door_p, earned.door_alone_p)
    assert outlets.takings_p == earned.takings_p


def each_stand_is_what_exported_rows_say(period: Period) -> None:
    """Plain pandas over exported CSV (tests/tally.py): the leaf and the money of each crop at each
    site's tower and tier, to the gram and the penny of exact shares; what is raised, by crop."""
    found = stands(period, about(period))
    for name, want, near in (
        ("cut_g", tally.cut_at_stands(period), 1),
        ("door_p", tally.door_at_stands(period), 2),  # each bag's pence are whole by crop before
    ):
        got: Counter = Counter()
        shares: dict = {}
        for (crop, variety, tower, tier, line, _), amounts in found.of.items():
            if getattr(amounts, name):
                got[crop, variety, tower, tier, line] += getattr(amounts, name)
        whole: Counter = Counter()
        for (crop, *_, line), amount in got.items():
            whole[crop, line if name == "cut_g" else ""] += amount
        exact: Counter = Counter()
        for (crop, *_, line), amount in want.items():
            exact[crop, line if name == "cut_g" else ""] += amount
        for key, amount in want.items():
            group = key[0], key[4] if name == "cut_g" else ""
            shares[key] = whole[group] * amount / exact[group] if exact[group] else 0
        assert want
        assert {k: (got[k], s) for k, s in shares.items() if abs(got[k] - s) > near} == {}
        assert {k: n for k, n in got.items() if k not in shares and abs(n) > near} == {}
    told, grown = lost(tabled(found, "tier", Only()), "tier", Only()), waste(period)
    for name, exact in tally.lost_at_stands(period, LOST).items():
        got = Counter({stand[:5]: of[name] for stand, of in told.of.items() if name in of})
        assert {
            k: (got[k], exact.get(k)) for k in {*got, *exact} if abs(got[k] - exact.get(k, 0)) > 2
        } == {}, name
        books: Counter = Counter()
        for (crop, *_), grams in got.items():
            books[crop] += grams
        assert {row.crop_id: getattr(row, name) for row in grown.rows} == {
            row.crop_id: books[row.crop_id] for row in grown.rows
        }
        assert getattr(told.total, name) == getattr(grown.total, name)
    assert told.total.cut_g == grown.total.cut_g
    assert sum(row.lost_g for row in told.rows) == told.total.lost_g
    charged, closing = tally.raising(period, clock.now())
    table = tabled(found, "crop", Only())
    for group in table.groups:
        got_p = group.raising_p + group.raising_labour_p
        assert abs(got_p - charged.get(group.crop_id, 0)) <= 2, group.crop
        assert abs(group.closing_p - closing.get(group.crop_id, 0)) <= 4, group.crop
    total = table.total
    assert abs(total.raising_p + total.raising_labour_p - sum(charged.values())) <= 3
