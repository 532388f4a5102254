"""The trace as stories: up, down, alongside, how much is still out there, and does it add up.
Balances were worked out by hand, beside each."""

from __future__ import annotations

import itertools

import networkx as nx
import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from grow import lineage
from grow.faults import faults
from grow.models import Event, Holding, Lineage, Lot, Thing
from sales.operations import Taken
from sales.trace import ids_above, ids_below, report, trace
from tests.farm import Farm
from tests.tracing import codes, here, says, season, shares

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return Farm()


# --- up and down -------------------------------------------------------------------------------


def test_a_bag_leads_back_to_its_seed_and_its_water_and_the_seed_leads_to_the_bag(farm: Farm):
    lots = season(farm)
    bag = trace(lots["run"].code)
    assert codes(bag, bag.up) == {lot.code for name, lot in lots.items() if name != "run"}
    assert bag.down == []
    seed = trace(lots["seed"].code)
    assert codes(seed, seed.down) == {lots[n].code for n in ("batch", "first", "second", "run")}
    joins = {
        (bag.report.lots[i].code, j.how, j.code, j.quantity) for i in bag.up for j in bag.joins[i]
    }
    # 5000 g and no trim weighed: trim 120, giveaway 80, so 4800 went in, shared 3 : 2
    assert (lots["first"].code, "went in", lots["run"].code, 2880) in joins
    assert (lots["second"].code, "went in", lots["run"].code, 1920) in joins
    assert (lots["batch"].code, "grew", lots["first"].code, 3000) in joins
    assert (lots["seed"].code, "touched", lots["batch"].code, None) in joins
    assert (lots["water"].code, "touched", lots["first"].code, None) in joins


def test_a_corrected_origin_is_followed_until_it_is_cleared(farm: Farm):
    wrong, right = farm.cut(3000), farm.cut(3000)
    farm.pass_time(hours=1)
    run = farm.pack([wrong], packs=25)
    farm.tell("correct_origin", lot=run, wrong=wrong, right=right, reason="crates stood swapped")
    down = trace(wrong.code)
    assert codes(down, down.down) == {run.code}
    assert down.joins[run.pk][0].struck
    assert down.as_json()["descendants"][0]["how"] == "went in (struck)"
    assert says(down, run.code, "first put down to", wrong.code)
    # the grams went back: nothing of the wrong crate is in the bag, and it counts once
    assert (down.together.made, down.together.unexplained) == (3000 + 3000, 0)
    matter = lineage.below([wrong.pk], composition=True)
    assert matter == {wrong.pk}
    farm.tell("clear_origin", lot=run, wrong=wrong, reason="tags read on the film")
    assert trace(wrong.code).down == []
    assert not says(trace(right.code), "first put down to")


def test_a_cancelled_cut_is_recorded_in_error_and_has_no_edges(farm: Farm):
    batch = farm.sow(50)
    farm.pass_time(days=30)
    cut = farm.cut(900, batch)
    assert trace(cut.code).up == [batch.pk]
    farm.tell("cancel", event=cut.made_by, reason="typed twice")
    found = trace(cut.code)
    assert found.recorded_in_error
    assert (found.up, found.down, found.shared) == ([], [], [])
    assert says(found, "“cut”", "was cancelled", "typed twice")
    assert found.balance.percent is None
    assert not says(found, "no water recorded")
    assert cut.pk not in ids_below([batch.pk])


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_trace_is_what_networkx_says_on_any_edges(farm: Farm, data: st.DataObject):
    """Second opinion: networkx (general-purpose graphs), descendants and ancestors. Parents come
    before children, so rework makes diamonds and never a ring."""
    with transaction.atomic():
        event = Event.objects.create(
            kind="harvest",
            told="{}",
            day=20260302,
            recorded_by=farm.grower,
            **dict.fromkeys(
                ("happened_at", "placed_at", "earliest_at", "latest_at", "recorded_at"), farm.now
            ),
        )
        number = data.draw(st.integers(2, 14))
        kinds = data.draw(
            st.lists(st.sampled_from(["water", "input", "treatment"]), min_size=number,
                     max_size=number)
        )  # fmt: skip
        lots = [
            Lot.objects.create(code=f"X{n}", kind=kind, unit="ml", made_by=event)
            for n, kind in enumerate(kinds)
        ]
        pairs = list(itertools.combinations(range(number), 2))
        drawn = data.draw(
            st.lists(
                st.tuples(
                    st.sampled_from(pairs),
                    st.sampled_from(["went_in", "grew", "touched"]),
                    st.sampled_from(["stands", "struck", "cleared"]),
                ),
                unique_by=lambda e: e[:2],
                max_size=40,
            )
        )
        danger, matter = nx.DiGraph(), nx.DiGraph()
        for graph in (danger, matter):
            graph.add_nodes_from(lot.pk for lot in lots)
        for (a, b), kind, state in drawn:
            Lineage.objects.create(
                parent=lots[a],
                child=lots[b],
                kind=kind,
                event=event,
                quantity=None if kind == "touched" else 5,
                struck_by=None if state == "stands" else event,
                cleared_by=event if state == "cleared" else None,
            )
            if state != "cleared":
                danger.add_edge(lots[a].pk, lots[b].pk)
            if state == "stands" and kind != "touched":
                matter.add_edge(lots[a].pk, lots[b].pk)
        chosen = data.draw(st.sets(st.sampled_from(range(number)), min_size=1, max_size=3))
        start = {lots[n].pk for n in chosen}

        def reach(graph, step) -> set[int]:
            return start.union(*(step(graph, root) for root in start))

        assert ids_below(start) == reach(danger, nx.descendants)
        assert ids_above(start) == reach(danger, nx.ancestors)
        assert lineage.below(start, composition=True) == reach(matter, nx.descendants)
        assert lineage.above(start, composition=True) == reach(matter, nx.ancestors)
        # alongside: below everything above, a chain of water by its first water alone
        water = {lot.pk for lot in lots if lot.kind == "water"}
        heads = {
            via
            for via in reach(danger, nx.ancestors)
            if via not in water or not water & set(danger.predecessors(via))
        }
        want = {(via, lot) for via in heads for lot in nx.descendants(danger, via)}
        assert set(lineage.alongside(start)) == want
        transaction.set_rollback(True)


# --- does it add up ----------------------------------------------------------------------------


def test_the_walk_adds_up_by_hand(farm: Farm):
    """The walk from the cut on. By hand:

    first: made 5000 (4700 kept, 300 graded out, weighed). 150 short at the kitchen's door.
    second: made 3000; 2880 used (shared out), 72 trim (remainder), 48 giveaway (shared out).
    third: made 2000; 1920 used, 48 trim, 32 giveaway.
    run: 40 packs; 2 sample, 5 compost, 10 sold by name, 1 missing; the rest stands.
    """
    first = farm.cut(5000, grade_out_g=300)
    second, third = farm.cut(3000), farm.cut(2000)
    farm.pass_time(hours=1)
    run = farm.pack([second, third], packs=40, giveaway_g=80)
    note = farm.send(first, 4700)
    farm.pass_time(hours=1)
    farm.arrive(note, first, accepted=4550, short=150)
    farm.tell("discard", lot=run, from_place=farm.store, to="sample", quantity=2, reason="weighed")
    shop = farm.other_shop()
    sent = farm.send(run, 20, shop)
    farm.pass_time(hours=1)
    farm.arrive(sent, run, accepted=18, rejected=2)
    farm.pass_time(hours=3)
    farm.tell("sell", outlet=shop, rows=[farm.row(12, run)])
    farm.tell("discard", lot=run, from_place=shop.place, to="compost", quantity=3, reason="date")
    farm.pass_time(hours=2)
    farm.tell("count", place=shop.place, counted={run: 2}, closing=True)
    farm.pass_time(days=1)
    farm.tell("return_goods", lot=run, outlet=shop, quantity=2, reason="wilted")

    crate = trace(first.code)
    assert crate.balance.as_json() == {
        "made": 5000,
        "unexplained": 150,
        "soft": 0,
        "unit": "g",
        "percent": 97.0,  # 4850 / 5000
        "percent_by_evidence": 97.0,
    }
    assert here(crate, first) == {
        ("Kitchen", 4550, "counted"),
        ("Compost", 300, "weighed"),
        ("Count difference", 150, "counted"),
    }

    bags = trace(run.code)
    b = bags.balance
    assert (b.made, b.unexplained, b.unit, b.percent) == (40, 1, "each", 97.5)  # 39 / 40
    assert b.percent_by_evidence == 97.5  # no end was reached by a guess
    assert here(bags, run) == {
        ("Cold store", 18, "counted"),
        ("Corner shop", 2, "counted"),
        ("Rejected at Corner shop", 2, "counted"),
        ("Sample", 2, "counted"),
        ("Compost", 5, "counted"),
        ("Sold at Corner shop", 10, "scanned"),
        ("Count difference", 1, "counted"),
    }
    assert sum(q for _, q, _ in here(bags, run)) == 40

    one = trace(second.code)
    # by itself: 2880 used, 72 and 48 reached ends by guesses: 3000 of 3000
    assert (one.balance.percent, one.balance.percent_by_evidence) == (100.0, 0.0)
    # with its bags, in grams: 3000 and the 4800 - 2880 that came from the other crate = 4920;
    # one bag missing 120; trim 72 and giveaway 48 are guesses
    t = one.together
    assert (t.made, t.unexplained, t.soft) == (4920, 120, 120)
    assert t.percent == 97.56  # 4800 / 4920
    assert t.percent_by_evidence == 95.12  # 4680 / 4920

    both = trace([second, third])
    # 3000 + 2000, and 4800 grams of bags were inside already; trim 120 and giveaway 80 are guesses
    t = both.together
    assert (t.made, t.unexplained, t.soft, t.unit) == (5000, 120, 200, "g")
    assert t.percent == 97.6  # 4880 / 5000
    assert t.percent_by_evidence == 93.6  # 4680 / 5000
    assert both.balance is both.together
    assert faults() == []


def test_more_found_than_the_books_held_is_not_evidence_either(farm: Farm):
    crate = farm.cut(2000)
    farm.pass_time(hours=1)
    farm.tell("count", place=farm.store, counted={crate: 2100})
    b = trace(crate.code).balance
    assert (b.made, b.unexplained) == (2000, -100)
    assert (b.percent, b.percent_by_evidence) == (105.0, 95.0)


def test_rework_counts_once(farm: Farm):
    """A diamond: both runs share a crate, and bags of both go into a third."""
    crate = farm.cut(6000)
    farm.pass_time(hours=1)
    one = farm.pack([crate], packs=20, left=3600)
    two = farm.pack([crate], packs=30)
    farm.pass_time(hours=1)
    third = farm.tell(
        "rework",
        product=farm.bag,
        taken=[Taken(one, farm.store, used=10), Taken(two, farm.store, used=10)],
        packs=20,
        store=farm.store,
        line=farm.line,
    ).lot
    found = trace(crate.code)
    assert codes(found, found.down) == {one.code, two.code, third.code}
    # 6000 entered; 2400, 3600 and again 2400 were packed, all from inside
    assert (found.together.made, found.together.unexplained) == (6000, 0)
    # what went into bags has reached no end: used 6000 shared out inside, nothing left over
    assert found.together.soft == 0
    assert found.together.percent_by_evidence == 100.0
    apart = trace(two.code)
    # two: 30 packs, 3600 g; third: 2400 g, of which 1200 from two; 1200 from outside
    assert apart.together.made == 3600 + 1200


def test_how_it_is_known_is_said_and_a_weighing_makes_evidence_again(farm: Farm):
    crate = farm.cut(5000)
    farm.pass_time(hours=1)
    farm.tell(
        "pack",
        product=farm.bag,
        taken=[Taken(crate, farm.store, used=1300)],
        packs=10,
        store=farm.store,
        line=farm.line,
    )
    # nobody looked: what is left rests on what was shared out and on the remainder
    assert here(trace(crate.code), crate) >= {("Cold store", 3700, "remainder")}
    farm.pass_time(hours=1)
    farm.tell("count", place=farm.store, counted={crate: 3700})
    assert here(trace(crate.code), crate) >= {("Cold store", 3700, "weighed")}
    farm.pass_time(hours=1)
    farm.pack([crate], packs=10, left=2480)
    assert here(trace(crate.code), crate) >= {("Cold store", 2480, "weighed")}


def test_every_lot_is_somewhere_in_full(farm: Farm):
    """What is listed adds up to what was made, count difference included, whatever happened."""
    lots = season(farm)
    farm.to_shop(lots["run"], 20)
    farm.till(12)
    farm.till(3, lots["run"])
    farm.pass_time(hours=8)
    farm.tell("count", place=farm.shop_place, counted={lots["run"]: 4}, closing=True)
    farm.tell("return_goods", lot=lots["run"], outlet=farm.shop, quantity=1, reason="wilted")
    seen = report([lot.pk for lot in lots.values()])
    for lot in seen.lots.values():
        assert sum(h.quantity for h in lot.here) == lot.balance.made, lot.code
    run = seen.lots[lots["run"].pk]
    standing = {(h.place.id, h.quantity) for h in run.here if h.place.kind in ("store", "shop")}
    books = Holding.objects.filter(lot=run.id, place__kind__in=["store", "shop"])
    assert standing == set(books.values_list("place_id", "quantity"))


# --- alongside ---------------------------------------------------------------------------------


def test_water_is_shared_until_the_tank_is_drained_and_cleaned(farm: Farm):
    farm.tell("feed", tank=farm.tank, begins=[farm.t1, farm.t2])
    farm.tell("drain_and_clean", tank=farm.tank)
    farm.pass_time(hours=1)
    farm.tell("fill", tank=farm.tank)
    farm.pass_time(hours=1)
    a = farm.sow(20, variety=farm.green)
    b = farm.sow(20, variety=farm.red)
    farm.pass_time(days=2)
    farm.plant(a, farm.t1, 20)
    farm.plant(b, farm.t2, 20)
    farm.pass_time(days=2)
    cut_a = farm.cut(1000, a)
    farm.pass_time(days=2)
    farm.tell("top_up", tank=farm.tank)  # the chain goes on
    farm.pass_time(days=2)
    cut_b = farm.cut(1000, b)
    farm.pass_time(days=2)
    farm.tell("drain_and_clean", tank=farm.tank)
    farm.pass_time(hours=1)
    farm.tell("fill", tank=farm.tank)
    c = farm.sow(20, variety=farm.red)
    farm.pass_time(days=2)
    farm.plant(c, farm.t2, 20)
    farm.pass_time(days=2)
    cut_c = farm.cut(1000, c)
    found = trace(cut_a.code)
    assert cut_b.code in shares(found, "water of Reservoir, drained and cleaned on 02 Mar 2026")
    assert cut_c.code not in codes(found, found.alongside)
    assert not says(found, "no bound")


def test_no_clean_recorded_is_no_bound_and_is_said(farm: Farm):
    one, two = farm.cut(1000), farm.cut(1000)
    farm.pass_time(hours=1)
    mine = farm.pack([one], packs=8)
    farm.pass_time(days=3)
    other = farm.pack([two], packs=8)
    found = trace(mine.code)
    assert other.code in shares(found, "line Packing bench")
    assert says(found, "line Packing bench", "no clean is recorded", "no bound")

    farm.pass_time(days=1)
    farm.tell("clean", place=farm.line, how="foam and rinse")
    farm.pass_time(days=1)
    after = farm.pack([farm.cut(1000)], packs=8)
    found = trace(mine.code)
    assert other.code in shares(found, "until the clean of")
    assert after.code not in shares(found, "line Packing bench")
    # seen from after the clean, there is a bound
    assert mine.code not in codes(trace(after.code), trace(after.code).alongside)
    assert not says(trace(after.code), "line", "no bound")


def test_knife_wash_tank_hands_and_the_days_crates_are_named(farm: Farm):
    knife = Thing.objects.create(name="Knife set 2", kind="knife")
    farm.tell("drain_and_clean", tank=farm.wash_tank)
    farm.pass_time(hours=1)
    wash = farm.tell("fill", tank=farm.wash_tank).lot
    farm.pass_time(hours=1)
    one = farm.cut(1000, things=[knife])
    same_day = farm.cut(1000, done_by=[farm.packer])
    farm.pass_time(days=1)
    later = farm.cut(1000, things=[knife], done_by=[farm.packer])
    farm.pass_time(hours=1)
    run = farm.pack([one], packs=8, tanks=[farm.wash_tank], washed=True)
    washed_too = farm.pack([same_day], packs=8, tanks=[farm.wash_tank], washed=True)
    found = trace(one.code)
    assert codes(found, found.down) == {run.code}
    assert later.code in shares(found, "Knife set 2")
    assert same_day.code in shares(found, "crates cut on 02 Mar 2026")
    assert same_day.code not in shares(found, "hands of Tam on 02 Mar 2026")
    # what is in the trace anyway does not also stand alongside
    assert not set(found.alongside) & {*found.roots, *found.up, *found.down}
    bag = trace(run.code)
    assert codes(bag, bag.up) >= {wash.code, one.code}
    assert washed_too.code in shares(bag, "water of Wash tank")
    assert washed_too.code in shares(bag, "hands of Tam on 03 Mar 2026")
    # what was made from a crate that stood alongside stood alongside too
    assert washed_too.code in shares(found, "crates cut on 02 Mar 2026")
