"""Own use and what is on hand, each summed by hand; and what was thrown away, by destination."""

from __future__ import annotations

import datetime as dt

import pytest

from analytics.destinations import DESTINATIONS, thrown_away
from analytics.models import StandardUse
from analytics.period import Period
from analytics.rates import set_rate
from analytics.worth import on_hand, own_use
from tests.farm import Farm
from tests.test_leaf_cost import kept
from tests.test_run_weights import signed_in, words
from tests.week import figures_farm, rated, receipted

pytestmark = pytest.mark.django_db
DAY = dt.date(2026, 4, 1)  # thirty days after the sowing
SPRING = Period(dt.date(2026, 3, 1), dt.date(2026, 4, 30))
#: pence a gram of `kept`: (84 × 4.7 + 40 × 0.3 + 3.2 × 19) ÷ 3000
LETTUCE = 467.6 / 3000


@pytest.fixture
def farm() -> Farm:
    farm = figures_farm()
    rated()
    return farm


def gone(farm: Farm, lot, n: int, to: str, **more):
    return farm.tell(
        "discard", lot=lot, from_place=farm.store, to=to, quantity=n, reason="too old", **more
    )


def test_own_use_is_at_cost_and_at_the_price_it_would_have_fetched(farm):
    crate = kept(farm)
    run = farm.pack([crate], packs=10, left=1760)
    gone(farm, run, 3, "staff")
    gone(farm, crate, 500, "donated", recipient="Village hall")
    taken_back = gone(farm, run, 2, "sample")
    farm.tell("cancel", event=taken_back, reason="still there")
    gone(farm, run, 1, "compost")
    rows = {(r.month, r.use, r.what): (r.grams, r.cost_p, r.price_p) for r in own_use(SPRING).rows}
    assert rows == {
        # 360 g of leaf and three bags at 8.5 p; £2.40 is the highest price of a bag
        ("2026-04", "staff", "Salad bag 120 g"): (360, round(360 * LETTUCE + 25.5), 720),
        ("2026-04", "donated", "Lettuce, loose"): (500, round(500 * LETTUCE), 550),
    }


def test_on_hand_is_the_lower_of_cost_and_what_it_will_fetch(farm):
    crate = kept(farm)
    run = farm.pack([crate], packs=10, left=1760)
    seed = farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        quantity=10,
        paid_pence=1250,
    ).lot
    gone(farm, run, 2, "compost")
    held = farm.pack([farm.cut(300, crop=farm.lettuce)], packs=2)
    farm.hold(held)
    found = on_hand(DAY)
    rows = {(r.kind, r.what, r.place): (r.quantity, r.cost_p, r.fetches_p) for r in found.rows}
    # 44 cells on the bench at 4.7 p, 40 plants at 5.0 p
    assert rows["plants", "Loose-leaf lettuce", "nursery"] == (44, 207, None)
    assert rows["plants", "Loose-leaf lettuce", "towers"] == (40, 200, None)
    leaf = next(row for row in found.rows if row.kind == "leaf")
    assert (leaf.quantity, leaf.fetches_p) == (1760, 1936)  # at £11.00
    # the price of a bag at the kitchen is the lowest; the two that are held fetch nothing
    packs = next(row for row in found.rows if row.kind == "packs")
    assert (packs.quantity, packs.fetches_p) == (10, 8 * 165)
    assert rows["inputs", seed.title, "Cold store"] == (10, 1250, None)
    assert found.value_p == sum(r.value_p or 0 for r in found.rows)
    assert all(
        r.value_p == min(p for p in (r.cost_p, r.fetches_p) if p is not None) for r in found.rows
    )


def test_plants_and_packs_on_hand_are_at_what_was_paid(farm):
    """2 seeds at 1.1 p and a plug at 1.8 p are 4 p a cell, with its pot 4.3. Ten bags of 5.2 p and
    labels of 2.75 p hold 1,200 g of 3,000 that cost 84 × 4 + 40 × 0.3 + 3.2 × (19.2 + 8) p."""
    set_rate("packaging", "99", dt.date(2020, 1, 1), "of all: the bag's own 8.5 p stands before it")
    receipted(farm)
    farm.pack([kept(farm)], packs=10, left=1760)
    rows = {(r.kind, r.place): r for r in on_hand(DAY).rows}
    assert rows["plants", "nursery"].cost_p == 44 * 4
    assert rows["plants", "towers"].cost_p == 40 * 4.3
    assert rows["packs", "Cold store"].cost_p == 254  # 174.016 + 79.5
    StandardUse.objects.filter(item__kind="packaging").delete()
    rows = {r.kind: r for r in on_hand(DAY).rows}
    assert rows["packs"].cost_p == 259  # 174.016 + 85


def test_before_anything_was_here_nothing_is_on_hand(farm):
    kept(farm)
    assert on_hand(dt.date(2026, 2, 1)).rows == []


def test_what_was_thrown_away_goes_to_the_standards_ten(farm):
    """Food Loss and Waste Accounting and Reporting Standard: ten destinations, packaging apart."""
    crate = kept(farm)  # 200 g graded out
    run = farm.pack([crate], packs=10, left=1760, trim_g=40)
    gone(farm, run, 2, "feed")
    gone(farm, crate, 300, "landfill")
    gone(farm, run, 1, "donated", recipient="Village hall")
    farm.tell("cancel", event=gone(farm, run, 1, "compost"), reason="still there")
    found = thrown_away(SPRING)
    assert len(DESTINATIONS) == 10
    grams = {row.destination: (row.from_cut_g, row.after_g) for row in found.rows if row.grams}
    assert grams == {
        "Compost, aerobic": (240, 0),
        "Animal feed": (0, 240),
        "Landfill": (0, 300),
        "Donated": (0, 120),
    }
    assert found.cut_g == 3200
    reasons = {(r.went_to, r.recipient): r.grams for r in found.reasons}
    assert reasons["Donated", "Village hall"] == 120
    assert len(reasons) == 3


def test_the_pages_and_who_may_open_them(farm):
    crate = kept(farm)
    gone(farm, crate, 500, "staff")
    _, manager = signed_in("manager")
    between = "first=2026-03-01&last=2026-04-30"
    assert "Compost, aerobic" in words(manager.get(f"/thrown-away/?{between}"))
    page = words(manager.get(f"/own-use/?{between}"))
    assert "Lettuce, loose" in page
    assert "without labour" in page
    assert "Loose-leaf lettuce" in words(manager.get("/on-hand/?day=2026-04-01"))
    file = manager.get(f"/own-use/?{between}&as=csv").content.decode()
    assert "2026-04,staff" in file
    assert manager.get("/on-hand/?day=yesterday").status_code == 422
    _, shop = signed_in("shop", farm.shop_place)
    for url in ("/thrown-away/", "/own-use/", "/on-hand/"):
        assert shop.get(url).status_code == 403
