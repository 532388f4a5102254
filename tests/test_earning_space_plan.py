"""The space plan against published programmes; what one more would bring; promises that collide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.earning.space_plan import (
    DEMAND,
    PROMISE,
    ROOM,
    RULE,
    Farm,
    Product,
    Rule,
    Way,
    plan,
)
from analytics.earning.towers import Tower, more_towers

pytestmark = pytest.mark.once


def one_year(pence, uses, rooms, rules=()):
    """A farm of one period whose crops earn by the acre, as textbooks have it."""
    ways = [
        Way(crop, crop, {room: [used[i]] for room, used in uses.items()}, pence=p)
        for i, (crop, p) in enumerate(pence.items())
    ]
    return Farm(["year"], {room: [size] for room, size in rooms.items()}, ways, rules=rules)


HAZELL = one_year(
    {"carrot": 253, "celery": 443, "cucumber": 284, "pepper": 516},
    {"land": [1, 1, 1, 1], "labour": [25, 36, 27, 87]},
    {"land": 200, "labour": 10000},
    [Rule("rotation", {"carrot": -1, "celery": 1, "cucumber": -1, "pepper": 1}, 0)],
)


def test_hazells_vegetables():
    """P. B. R. Hazell 1971, as the R package agridat has it: 0, 27.45098, 100, 72.54902 acres earn
    77996.08; the duals and carrot's reduced cost were computed again."""
    found = plan(HAZELL)
    assert [s.sites for s in found.sown] == pytest.approx([0, 27.45098, 100, 72.54902], abs=5e-6)
    assert found.pence == pytest.approx(77996.08, abs=0.005)
    shadows = {limit.name: limit.shadow_p for limit in found.binding}
    assert shadows == pytest.approx(
        {"land": 318.4118, "labour": 1.43137, "rotation": 73.0588}, rel=1e-5
    )
    assert [s.forgone_p for s in found.sown] == pytest.approx([28.137, 0, 0, 0], abs=5e-4)
    # the order by land alone, pepper first, is not the plan: it would plant no cucumber
    assert {s.crop for s in found.sown if s.sites > 0} == {"celery", "cucumber", "pepper"}


def test_the_farmer_of_75_acres():
    """lpsolve's guide, "Formulation of an lp problem": 21.875 and 53.125 acres, 6315.625; the duals
    computed again. Money in hand does not bind."""
    farm = one_year(
        {"wheat": 143, "barley": 60},
        {"money": [120, 210], "storage": [110, 30], "land": [1, 1]},
        {"money": 15000, "storage": 4000, "land": 75},
    )
    found = plan(farm)
    assert [s.sites for s in found.sown] == pytest.approx([21.875, 53.125])
    assert found.pence == pytest.approx(6315.625)
    assert [limit.shadow_p for limit in found.limits] == pytest.approx([0, 1.0375, 28.875])
    assert [limit.binds for limit in found.limits] == [False, True, True]


# --- a small greenhouse ---------------------------------------------------------------------


def greenhouse(**told):
    """Two months, one tier, a bench. Lettuce stands a month and gives 100 g, rocket 40 g; both cost
    10 p. A bag is 40 to 70 % lettuce and fetches 2 p a gram; rocket alone 4 p in the kitchen."""
    sow = [
        Way(
            f"{crop}, {month}",
            crop,
            {
                "tier 1": [30.0 * (m == 0), 31.0 * (m == 1)],
                "bench": [20.0 * (m == 0), 20.0 * (m == 1)],
            },
            [grams * (m == 0), grams * (m == 1)],
            -10,
        )
        for m, month in enumerate(("April", "May"))
        for crop, grams in (("lettuce", 100.0), ("rocket", 40.0))
    ]
    farm = Farm(
        ["April", "May"],
        {"tier 1": [3000, 3100], "bench": [4000, 4000]},
        sow,
        [
            Product("bag", {"lettuce": (0.4, 0.7), "rocket": (0.3, 0.6)}, 2, [4000, 1e6]),
            Product("rocket, kitchen", {"rocket": (1, 1)}, 4, [400, 400], [200, 0]),
        ],
    )
    return replace(farm, **told)


@pytest.mark.parametrize(
    "recipe",
    [
        {"lettuce": (0.4, 0.7), "rocket": (0, 1)},
        {"lettuce": (0.4, 1), "rocket": (0.3, 1)},
    ],
    ids=["no more lettuce", "no less rocket"],
)
def test_a_recipe_a_cap_and_a_promise(recipe):
    """By hand. 100 sites. May: kitchen rocket first, 150 p a site and 10 sites; the other 90 fill
    bags of 70 % lettuce: 0.7 ÷ 100 to 0.3 ÷ 40 sites a gram, 6206.9 g of bags. April: bags end at
    4000 g, 58 sites, kitchen rocket at 400 g, 10 sites; 32 stand empty."""
    farm = greenhouse()
    bag, kitchen = farm.products
    found = plan(replace(farm, products=[replace(bag, recipe=recipe), kitchen]))
    sold = {(s.product, s.crop, s.period): round(s.grams, 1) for s in found.sold}
    bags = 90 / (0.007 + 0.0075)
    assert sold == {
        ("bag", "lettuce", "April"): 2800,
        ("bag", "rocket", "April"): 1200,
        ("bag", "lettuce", "May"): round(0.7 * bags, 1),
        ("bag", "rocket", "May"): round(0.3 * bags, 1),
        ("rocket, kitchen", "rocket", "April"): 400,
        ("rocket, kitchen", "rocket", "May"): 400,
    }
    assert {s.way: round(s.sites, 3) for s in found.sown} == {
        "lettuce, April": 28,
        "rocket, April": 40,
        "lettuce, May": round(0.007 * bags, 3),
        "rocket, May": round(10 + 0.0075 * bags, 3),
    }
    assert found.pence == pytest.approx(2 * (4000 + bags) + 4 * 800 - 10 * 168)
    assert {(x.kind, x.name, x.period) for x in found.binding} == {
        (DEMAND, "bag", "April"),
        (DEMAND, "rocket, kitchen", "April"),
        (DEMAND, "rocket, kitchen", "May"),
        (ROOM, "tier 1", "May"),
    }


def random_farm(rng):
    """Three months, two tiers, a bench; four crops, six products, some promised."""
    months = range(3)
    ways = [
        Way(
            f"{crop} {m} {tier}",
            crop,
            {
                tier: [float(rng.uniform(20, 31)) if k >= m else 0.0 for k in months],
                "bench": [float(rng.uniform(5, 20)) if k == m else 0.0 for k in months],
            },
            [float(rng.uniform(10, 90)) if k >= m else 0.0 for k in months],
            -float(rng.uniform(5, 30)),
        )
        for crop in "abcd"
        for m in months
        for tier in ("top", "low")
    ]
    products = [
        Product(
            f"{a}{b}",
            {a: (0.2, 0.8), b: (0.2, 0.8)} if a != b else {a: (1, 1)},
            float(rng.uniform(1, 3)),
            [float(x) for x in rng.uniform(500, 4000, 3)],
            [float(x) for x in rng.uniform(0, 300, 3)] if rng.random() < 0.4 else [],
        )
        for a, b in ("ab", "bc", "cd", "aa", "bb", "dd")
    ]
    rooms = {
        name: [float(x) for x in rng.uniform(800, 2500, 3)] for name in ("top", "low", "bench")
    }
    return Farm(["Mar", "Apr", "May"], rooms, ways, products, [Rule("a", {"a": 1}, 25)])


def test_a_shadow_price_is_what_one_more_would_bring():
    """On random farms: a little more room brings no more than its price, a little less costs no
    less, and where the two are the same that is the price. What a promise costs likewise."""
    rng = np.random.default_rng(12)
    priced = 0
    for _ in range(6):
        farm = random_farm(rng)
        found = plan(farm)
        assert found.collision is None
        for room in farm.rooms:
            limits = [x for x in found.limits if x.name == room]
            for m, limit in enumerate(limits):
                step = [float(m == k) for k in range(3)]
                more = plan(farm.with_more({room: step}, 5)).pence - found.pence
                less = found.pence - plan(farm.with_more({room: step}, -5)).pence
                assert more / 5 - 1e-6 <= limit.shadow_p <= less / 5 + 1e-6
                assert found.worth_of({room: step}, farm.periods) == limit.shadow_p
                priced += limit.shadow_p > 0.01
    assert priced > 20


def test_promises_that_collide_are_named():
    """By hand: 100 sites give 4000 g of rocket in April, or 10000 g of lettuce."""
    farm = greenhouse(
        products=[
            Product("rocket, kitchen", {"rocket": (1, 1)}, 3, (), [2000, 100]),
            Product("lettuce, kitchen", {"lettuce": (1, 1)}, 1, (), [6000, 0]),
            Product("bag", {"lettuce": (0.4, 0.7), "rocket": (0.3, 0.6)}, 2, [4000, 4000]),
        ]
    )
    found = plan(farm).collision
    assert [(p.name, p.period, p.at_most) for p in found.promises] == [
        ("rocket, kitchen", "April", 2000),
        ("lettuce, kitchen", "April", 6000),
    ]
    assert [(x.kind, x.name, x.period) for x in found.limits] == [(ROOM, "tier 1", "April")]
    # 50 + 60 sites where there are 100; rocket is dearest in sites: 10 sites are 400 g of it
    assert found.short_g == pytest.approx({("rocket, kitchen", "April"): 400})
    assert found.sentence == (
        "2000 g of rocket, kitchen in April and 6000 g of lettuce, kitchen in April cannot be "
        "promised together, for the room of tier 1 in April; promise 400 g less in all, and there "
        "is a plan."
    )


@pytest.mark.parametrize(
    ("changed", "against"),
    [
        ({"rules": [Rule("no more than 3 sites of rocket", {"rocket": 1}, 3)]}, (RULE, "")),
        ({"rooms": {"tier 1": [3000, 3100], "bench": [80, 4000]}}, (ROOM, "April")),
        (
            {"products": [Product("bag", {"rocket": (1, 1)}, 2, [100, 100], [200, 0])]},
            (DEMAND, "April"),
        ),
    ],
)
def test_one_promise_can_collide_with_a_limit_alone(changed, against):
    assert plan(greenhouse()).collision is None
    found = plan(greenhouse(**changed)).collision
    assert [p.at_most for p in found.promises] == [200]
    assert [(x.kind, x.period) for x in found.limits] == [against]
    assert " cannot be promised, for the " in found.sentence


def test_what_nobody_grows_cannot_be_promised():
    farm = greenhouse(products=[Product("cress", {"cress": (1, 1)}, 1, (), [9, 0])])
    assert plan(farm).collision.sentence == (
        "9 g of cress in April cannot be promised, for no crop gives it; promise 9 g less in all"
        ", and there is a plan."
    )


def test_a_collision_has_no_member_too_many_and_its_way_out_is_one():
    """On random farms that promise too much: without any one of the promises or limits named, the
    others could be kept; with the least withdrawn, all can."""
    rng = np.random.default_rng(13)
    seen = 0
    for _ in range(8):
        farm = random_farm(rng)
        too_much = [
            replace(p, promised_g=[d * float(rng.uniform(0.3, 1)) for d in p.demand_g])
            for p in farm.products
        ]
        farm = replace(farm, products=too_much)
        found = plan(farm).collision
        if found is None:
            continue
        seen += 1
        named = {(p.name, p.period) for p in found.promises}
        for gone in [None, *found.promises, *found.limits]:
            only = only_with(farm, named, gone, found.limits)
            assert (plan(only).collision is None) == (gone is not None)
        less = [
            replace(
                p,
                promised_g=[
                    max(0.0, g - found.short_g.get((p.name, period), 0) * (1 + 1e-9))
                    for g, period in zip(p.promised_g, farm.periods, strict=True)
                ],
            )
            for p in farm.products
        ]
        assert plan(replace(farm, products=less)).collision is None
    assert seen >= 4


def only_with(farm, named, gone, limits):
    """The farm with the promises named alone, without the promise or limit that is gone. Limits not
    named are lifted: they must not matter."""
    stands = {(x.kind, x.name, x.period) for x in limits if x is not gone}
    huge = 1e6

    def bound(kind, name, period, value):
        return value if (kind, name, period) in stands else huge

    def promised(product, period, grams):
        is_gone = gone and (gone.kind, gone.name, gone.period) == (PROMISE, product, period)
        return 0.0 if is_gone or (product, period) not in named else grams

    return replace(
        farm,
        rooms={
            name: [bound(ROOM, name, p, v) for p, v in zip(farm.periods, room, strict=True)]
            for name, room in farm.rooms.items()
        },
        products=[
            replace(
                x,
                demand_g=[
                    bound(DEMAND, x.name, p, v)
                    for p, v in zip(farm.periods, x.demand_g, strict=True)
                ],
                promised_g=[
                    promised(x.name, p, v) for p, v in zip(farm.periods, x.promised_g, strict=True)
                ],
            )
            for x in farm.products
        ],
        rules=[replace(r, at_most=bound(RULE, r.name, "", r.at_most)) for r in farm.rules],
    )


def test_more_towers_pay_until_demand_is_met():
    """By hand. One crop, 10 p a site and month, 20 sites a tower; 30 sites stand, demand ends at
    100: three more towers are filled (200 p a month each), the fourth by half, the fifth not."""
    way = Way("lettuce", "lettuce", {"tier 1": [30.0]}, [10.0], -5)
    sold = Product("lettuce", {"lettuce": (1, 1)}, 1.5, [1000.0])
    farm = Farm(["month"], {"tier 1": [900.0]}, [way], [sold])
    # £144 over 8 years is 150 p a month; 30 p a month to run
    tower = Tower({"tier 1": [600.0]}, 14400, 8, 360)
    found = more_towers(farm, tower, most=5, years=1 / 12)
    assert [step.last_p for step in found.steps] == pytest.approx([2400, 2400, 2400, 1200, 0])
    assert [step.together_p for step in found.steps] == pytest.approx(
        [2400, 4800, 7200, 8400, 8400]
    )
    assert found.one_more_p == pytest.approx(2400)
    assert {step.cost_p for step in found.steps} == {14400 / 8 + 360}
    assert [step.pays for step in found.steps] == [True, True, True, False, False]
    assert found.pay_up_to == 3
    assert found.steps[0].pays_back_years == pytest.approx(14400 / (2400 - 360))
    assert found.steps[4].pays_back_years is None


def test_each_further_tower_earns_no_more_than_the_one_before():
    rng = np.random.default_rng(14)
    farm = random_farm(rng)
    tower = Tower({"top": [300.0] * 3, "low": [300.0] * 3}, 50000, 8)
    found = more_towers(farm, tower, most=6, years=0.25)
    gains = [found.one_more_p, *[step.last_p for step in found.steps]]
    assert gains == sorted(gains, reverse=True)
    assert gains[0] > gains[-1]


def test_a_plan_that_is_none_is_said_in_a_sentence():
    free = Farm(["April"], {"tier 1": [30]}, [Way("weeds", "weeds", {}, pence=1)])
    with pytest.raises(ValueError, match="nothing limits what could be earned"):
        plan(free)
    with pytest.raises(ValueError, match="rocket uses tier 9, which the farm has not got"):
        replace(free, ways=[Way("rocket", "rocket", {"tier 9": [1]})])
    with pytest.raises(ValueError, match="tier 1 needs 1 figures, one a period"):
        replace(free, rooms={"tier 1": [1, 2]})
    with pytest.raises(ValueError, match="below nought"):
        replace(free, rules=[Rule("a", {}, -1)])
    tight = greenhouse(rooms={"tier 1": [0, 0], "bench": [0, 0]})
    with pytest.raises(ValueError, match="200 g of rocket, kitchen in April cannot be promised"):
        more_towers(tight, Tower({}, 1, 1))
    with pytest.raises(ValueError, match="above nought"):
        more_towers(tight, Tower({}, 1, 0))
