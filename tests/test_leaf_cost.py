"""What leaf cost, summed by hand from what was counted, and the giveaway priced by it."""

from __future__ import annotations

from decimal import Decimal

import pytest

from analytics.leaf import leaf_cost
from grow.models import Lot, PlaceKind
from sales.models import PackingRun
from tests.farm import Farm, Taken
from tests.test_run_weights import signed_in
from tests.week import figures_farm, rated

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return figures_farm()


def row(run: Lot) -> PackingRun:
    return PackingRun.objects.get(lot=run)


def kept(farm: Farm) -> Lot:
    """84 cells sown on a bench, 40 of them planted, 3,200 g cut, 200 g of it graded out."""
    batch = farm.sow(84)
    farm.plant(batch, farm.t1, 40)
    farm.pass_time(days=30)
    return farm.cut(3200, batch, grade_out_g=200)


#: seed and medium of 84 cells, 40 pots, feed and water of 3.2 kg, over the 3,000 g that were kept
LETTUCE_P_PER_G = (Decimal(84) * Decimal("4.7") + 40 * Decimal("0.3") + Decimal("3.2") * 19) / 3000


def test_leaf_costs_what_was_counted_over_what_was_kept(farm):
    rated()
    run = farm.pack([kept(farm)], packs=20, left=600)
    cost = leaf_cost(row(run))
    assert cost is not None
    assert cost[0] == pytest.approx(LETTUCE_P_PER_G, abs=Decimal("1e-8"))
    assert "156 p a kg" in cost[1]
    assert "without labour" in cost[1]


def test_a_mixed_bag_costs_by_its_grams_and_bought_leaf_what_was_paid(farm):
    rated()
    own = kept(farm)
    bought = farm.tell(
        "receive_produce",
        supplier=farm.place("Field grower", PlaceKind.SUPPLIER),
        crop=farm.mustard,
        place=farm.store,
        grams=1000,
        paid_pence=900,
    ).lot
    taken = [Taken(own, farm.store, left=0), Taken(bought, farm.store, left=800)]
    run = farm.tell(
        "pack", product=farm.bag, taken=taken, packs=25, store=farm.store, line=farm.line
    ).lot
    inside = {e.parent.code: e.quantity for e in run.above.filter(kind="went_in")}
    whole = sum(inside.values())
    want = (inside[own.code] * LETTUCE_P_PER_G + inside[bought.code] * Decimal("0.9")) / whole
    cost = leaf_cost(row(run))
    assert cost is not None
    assert cost[0] == pytest.approx(want, abs=Decimal("1e-8"))


def test_giveaway_is_in_money_at_what_the_leaf_cost_for_who_may_see_money(farm):
    run = farm.pack([kept(farm)], packs=20, left=600)
    farm.tell("weigh_packs", run=run, weights=[Decimal(126), Decimal(130)])
    _, client = signed_in("manager")
    url = f"/api/v1/runs/{run.code}/weights/"
    found = client.get(url).json()["giveaway"]
    # no rate is set, so nobody knows what leaf costs: at the lowest price it fetches
    assert (found["grams"], found["pence"]) == (160, 160 * 165 / 120)
    assert "lowest price" in found["basis"]
    rated()
    found = client.get(url).json()["giveaway"]
    assert (found["grams"], found["pence"]) == (160, round(160 * LETTUCE_P_PER_G)) == (160, 25)
    assert "156 p a kg" in found["basis"]
    _, shop = signed_in("shop", farm.shop_place)
    farm.to_shop(run, 4)
    assert shop.get(url).json()["giveaway"]["pence"] is None
