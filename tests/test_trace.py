"""The trace as stories: up, down, alongside, how much is still out there, does it add up, and
what nobody wrote down. Balances were worked out by hand, beside each."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re
from collections.abc import Iterable

import networkx as nx
import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from grow import clock, lineage, possibly
from grow.errors import NotKnown
from grow.faults import faults
from grow.models import Event, Flag, Holding, Lineage, Lot, Movement, Thing
from sales import roots
from sales.models import Outlet, PackingRun
from sales.operations import Arrived, Line, Taken
from sales.trace import Trace, ids_above, ids_below, report, trace
from tests.farm import Farm

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return Farm()


def codes(found: Trace, ids: Iterable[int]) -> set[str]:
    return {found.report.lots[i].code for i in ids}


def here(found: Trace, lot: Lot) -> set[tuple[str, int, str]]:
    return {(h.place.name, h.quantity, h.basis) for h in found.report.lots[lot.pk].here}


def says(found: Trace, *words: str) -> bool:
    """Whether one gap holds all these words."""
    return any(all(w in g.says for w in words) for g in found.gaps)


def shares(found: Trace, words: str) -> set[str]:
    return {c for s in found.shared if words in s.says for c in codes(found, s.lots)}


def season(farm: Farm) -> dict[str, Lot]:
    """Seed, water, a sowing on two towers, two cuts, a run of both."""
    seed = farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        supplier_lot="HS 4471/b",
    ).lot
    farm.tell("feed", tank=farm.tank, begins=[farm.t1, farm.t2])
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.bench])
    water = farm.tell("fill", tank=farm.tank).lot
    young = farm.tell("fill", tank=farm.bench_tank).lot
    batch = farm.sow(100, seed=seed)
    farm.pass_time(days=20)
    farm.plant(batch, farm.t1, 40)
    farm.plant(batch, farm.t2, 40)
    farm.pass_time(days=20)
    first = farm.cut(3000, batch, towers=[farm.t1], things=[farm.scale])
    second = farm.cut(2000, batch, towers=[farm.t2], things=[farm.scale])
    farm.pass_time(hours=1)
    run = farm.pack([first, second], packs=40, giveaway_g=80)
    return {
        "seed": seed,
        "water": water,
        "young": young,
        "batch": batch,
        "first": first,
        "second": second,
        "run": run,
    }


# --- up and down ----------------------------------------------------------------------------


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


# --- does it add up -------------------------------------------------------------------------


def test_the_walk_adds_up_by_hand(farm: Farm):
    """LEDGER's walk from the cut on. By hand:

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


# --- alongside ------------------------------------------------------------------------------


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
    bag = trace(run.code)
    assert codes(bag, bag.up) >= {wash.code, one.code}
    assert washed_too.code in shares(bag, "water of Wash tank")
    assert washed_too.code in shares(bag, "hands of Tam on 03 Mar 2026")
    # what was made from a crate that stood alongside stood alongside too
    assert washed_too.code in shares(found, "crates cut on 02 Mar 2026")


# --- sales that name no lot -----------------------------------------------------------------


def shelf_of_two(farm: Farm, first: int = 20, second: int = 10) -> tuple[Lot, Lot]:
    old = farm.pack([farm.cut(first * 120)], packs=first)
    farm.pass_time(days=1)
    new = farm.pack([farm.cut(second * 120)], packs=second)
    farm.to_shop(old, first)
    farm.to_shop(new, second)
    farm.pass_time(hours=1)
    return old, new


def test_possibly_sold_is_a_range(farm: Farm):
    """20 old and 10 new on the shelf, 17 rung up without a lot. By hand: of the new at most 10
    can be among them, so of the old at least 7 and at most 17."""
    old, new = shelf_of_two(farm)
    farm.till(17)
    found = trace([old, new])
    assert found.sold == {old.pk: (7, 17), new.pk: (0, 10)}
    assert says(found, old.code, "possibly sold: 7 to 17")
    assert found.as_json()["lots"][0]["possibly_sold"] == (7, 17)


def test_a_closing_count_narrows_the_range_and_a_scan_ends_it(farm: Farm):
    """17 rung up; at closing 8 old and 5 new are there: 12 and 5 are gone, 17 together. So it is
    12 and 5, and no range. A named sale and a return after that are sure."""
    old, new = shelf_of_two(farm)
    farm.till(17)
    farm.pass_time(hours=8)
    farm.tell("count", place=farm.shop_place, counted={old: 8, new: 5}, closing=True)
    assert trace([old, new]).sold == {old.pk: (12, 12), new.pk: (5, 5)}
    farm.pass_time(days=1)
    farm.till(3, old)
    assert trace([old, new]).sold == {old.pk: (15, 15), new.pk: (5, 5)}
    farm.tell("return_goods", lot=old, outlet=farm.shop, quantity=1, reason="wilted")
    assert trace([old, new]).sold == {old.pk: (14, 14), new.pk: (5, 5)}
    # one more unnamed, of 5 old or 5 new that stand there
    farm.pass_time(hours=1)
    farm.till(1)
    assert trace([old, new]).sold == {old.pk: (14, 15), new.pk: (5, 6)}


def test_missing_bags_leave_a_range_after_the_count(farm: Farm):
    """17 rung up, but 14 old and 5 new are gone, 19: two were lost, of either. So 12 to 14 and
    3 to 5."""
    old, new = shelf_of_two(farm)
    farm.till(17)
    farm.pass_time(hours=8)
    farm.tell("count", place=farm.shop_place, counted={old: 6, new: 5}, closing=True)
    assert trace([old, new]).sold == {old.pk: (12, 14), new.pk: (3, 5)}


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    stock=st.tuples(st.integers(1, 3), st.integers(1, 3)),
    late=st.integers(1, 3),
    rung=st.tuples(st.integers(0, 4), st.integers(0, 4)),
    seen=st.tuples(st.integers(0, 2), st.integers(0, 2), st.integers(0, 2)),
    counted=st.booleans(),
)
def test_every_way_it_can_have_been_lies_in_the_range(farm, stock, late, rung, seen, counted):
    """Second opinion: all ways to lay two till rows on three lots, the third of which came
    between them, tried one by one."""
    with transaction.atomic():
        clock.play(farm.now)
        lots = [farm.pack([farm.cut(n * 120)], packs=n) for n in (*stock, late)]
        for lot, n in zip(lots[:2], stock, strict=True):
            farm.to_shop(lot, n)
        start = farm.now
        farm.pass_time(hours=1)
        if rung[0]:
            farm.till(rung[0])
        farm.pass_time(hours=1)
        farm.to_shop(lots[2], late)
        farm.pass_time(hours=1)
        if rung[1]:
            farm.till(rung[1])
        farm.pass_time(hours=1)
        stood = (*stock, late)
        left = tuple(min(a, b) for a, b in zip(seen, stood, strict=True))
        if counted:
            farm.tell(
                "count",
                place=farm.shop_place,
                counted=dict(zip(lots, left, strict=True)),
                closing=True,
            )
        most = [a - b if counted else a for a, b in zip(stood, left, strict=True)]
        ways = [
            (a0 + b0, a1 + b1, b2)
            for a0, a1, b0, b1, b2 in itertools.product(range(4), repeat=5)
            if a0 + a1 == min(rung[0], most[0] + most[1])
            and a0 + b0 <= most[0]
            and a1 + b1 <= most[1]
            and b2 <= most[2]
            and b0 + b1 + b2 == min(rung[1], sum(most) - a0 - a1)
        ]
        assert ways
        found = possibly.possibly_sold(lots)
        if not any(rung):
            assert found == {}
        for n, lot in enumerate(lots):
            least, top = found.get(lot.pk, (0, 0))
            assert least <= min(w[n] for w in ways), (stock, late, rung, left)
            assert max(w[n] for w in ways) <= top <= most[n]
            guessed = Movement.objects.filter(
                lot=lot, event__kind="worked_out_sale", to_place__kind="sold"
            ).aggregate(n=Sum("quantity"))["n"]
            back = Movement.objects.filter(
                lot=lot, event__kind="worked_out_sale", from_place__kind="sold"
            ).aggregate(n=Sum("quantity"))["n"]
            assert least <= (guessed or 0) - (back or 0) <= top
        farm.now = start
        transaction.set_rollback(True)


def test_sold_beyond_the_books_waits_as_lot_unknown_with_what_is_on_the_way(farm: Farm):
    shop = farm.other_shop()
    run = farm.pack([farm.cut(3600)], packs=30)
    first = farm.send(run, 10, shop)
    farm.pass_time(hours=1)
    farm.arrive(first, run, accepted=10)
    second = farm.send(run, 20, shop)
    farm.pass_time(hours=1)
    farm.tell("sell", outlet=shop, rows=[farm.row(14)])
    found = trace(run.code)
    number = second.note.number
    assert says(found, "4 of SALAD-120 sold in Corner shop, lot unknown", f"20 are on the way on "
                f"note {number}")  # fmt: skip
    # a lot that never went there has nothing to do with it
    assert not says(trace(farm.pack([farm.cut(600)], packs=5).code), "lot unknown")
    farm.pass_time(hours=1)
    farm.arrive(second, run, accepted=20)
    assert not says(trace(run.code), "lot unknown")


# --- a fact is never refused ----------------------------------------------------------------


def test_a_crate_cut_inside_a_spray_interval_is_held_and_says_so(farm: Farm):
    product = farm.tell(
        "receive_input", item=farm.soap, supplier=farm.supplier, place=farm.store
    ).lot
    batch = farm.sow(40)
    farm.pass_time(days=10)
    farm.plant(batch, farm.t1, 40)
    spray = farm.tell("treat", product=product, places=[farm.t1], reason="aphids").lot
    farm.pass_time(days=1)
    cut = farm.cut(1000, batch, already_done=True)
    run = farm.pack([cut], packs=8, already_done=True)
    found = trace(cut.code)
    assert codes(found, found.up) >= {spray.code, product.code}
    assert found.held.keys() >= {cut.pk, run.pk}
    assert "harvest interval" in found.held[cut.pk]
    assert found.gaps[0].kind in (Flag.Kind.BREACH, Flag.Kind.BORN_HELD)
    assert says(found, "Held from the start", cut.code, "inside the harvest interval")
    assert found.notice.startswith("Held here as of")
    assert faults() == []


def test_a_held_bag_that_was_sold_is_a_breach_and_heads_the_trace(farm: Farm):
    run = farm.pack([farm.cut(1200)], packs=10)
    farm.to_shop(run, 10)
    farm.pass_time(hours=1)
    farm.till(2, run)
    farm.tell("incident", kind="glass", places=[farm.line], place=farm.line)
    farm.hold(run)
    farm.pass_time(hours=1)
    farm.till(3, run)
    farm.tell(
        "sell", outlet=farm.shop, rows=[farm.row(1, run)], at=farm.now - dt.timedelta(hours=2)
    )
    found = trace(run.code)
    assert [g.kind for g in found.gaps[:2]] == [Flag.Kind.BREACH, Flag.Kind.AFTER_FREEZE]
    assert "3 each" in found.gaps[0].says
    assert (found.sold[run.pk], found.held[run.pk].split(": ")[1]) == ((6, 6), "laboratory result")
    assert [t.who.outlet for t in found.told] == ["Farm shop"]
    assert faults() == []


def test_a_bag_sold_beyond_the_books_is_flagged_and_counted(farm: Farm):
    run = farm.pack([farm.cut(600)], packs=5)
    farm.to_shop(run, 5)
    farm.pass_time(hours=1)
    farm.till(7, run)
    found = trace(run.code)
    assert says(found, "Beyond the books", "2 each", run.code)
    assert says(found, run.code, "2 more than the books held in Farm shop")
    assert (found.balance.unexplained, found.balance.percent) == (-2, 140.0)
    assert here(found, run) == {("Sold at Farm shop", 7, "scanned"), ("Count difference", -2,
                                "counted")}  # fmt: skip
    assert faults() == []


def test_a_run_that_outweighs_its_crate_is_flagged(farm: Farm):
    crate = farm.cut(1000)
    farm.pass_time(hours=1)
    run = farm.pack([crate], packs=10, already_done=True)
    found = trace(run.code)
    assert says(found, "Run outweighs its crates", "200 g too much")
    # the crate made 1000 and took up 200 of water and scale
    assert found.report.lots[crate.pk].balance.made == 1200
    assert PackingRun.objects.get(lot=run).gain_g == 200
    assert trace(crate.code).together.made == 1200
    assert faults() == []


# --- gaps in words --------------------------------------------------------------------------


def test_what_nobody_wrote_down_is_said(farm: Farm):
    bare = farm.cut(500)  # a crop alone
    unsown = farm.sow(20)
    farm.pass_time(days=20)
    dry = farm.cut(500, unsown)
    opened = farm.tell(
        "opening_entry", kind="batch", quantity=8, towers=[farm.t3], variety=farm.green
    ).lot
    bought = farm.tell(
        "receive_produce",
        crop=farm.lettuce,
        supplier=farm.supplier,
        place=farm.store,
        grams=900,
        on=farm.today,
    ).lot
    run = farm.pack([bare, dry, bought], packs=15, washed=True, on=farm.today)
    found = trace([run, opened])
    assert says(found, f"{bare.code}: cut without a sowing recorded")
    assert says(found, f"{unsown.code}: no seed recorded")
    assert says(found, f"{opened.code}: seed before records began")
    assert says(found, opened.code, "stood here on the day records began")
    assert says(found, bare.code, dry.code, "no water recorded")
    assert says(found, f"{run.code}: washed, and no wash water recorded")
    assert says(found, f"{bought.code}: no supplier's lot number recorded")
    # and what is written down is no gap
    lots = season(farm)
    whole = trace(lots["run"].code)
    for words in ("no seed", "without a sowing", "no water", "records began", "supplier's lot"):
        assert not says(whole, words), words


def test_a_failed_check_and_a_missing_one_are_said(farm: Farm):
    fridge = Thing.objects.create(name="Cold store 1", kind="fridge", place=farm.store)
    crate = farm.cut(1000, things=[farm.scale])
    assert says(trace(crate.code), "No check of Scale B is recorded.")
    farm.pass_time(hours=2)
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    assert says(trace(crate.code), "No check of Scale B is recorded before")
    farm.pass_time(days=1)
    other = farm.cut(1000, things=[farm.scale])
    farm.tell("check", kind="temperature", passed=True, reading="3.1", things=[fridge])
    assert not says(trace(other.code), "check of Scale B")
    farm.pass_time(hours=1)
    # the next check fails: the crate weighed since the good one is suspect
    farm.tell("check", kind="weight", passed=False, done="sent away", things=[farm.scale])
    farm.tell("check", kind="temperature", passed=False, reading="9.5", done="moved all",
              things=[fridge])  # fmt: skip
    found = trace(other.code)
    assert says(found, "Scale B failed its check", "everything since its last good one")
    assert says(found, "Cold store failed its check")
    assert found.gaps[0].kind == "failed_check"


def test_a_failed_water_test_is_said(farm: Farm):
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.tell("fill", tank=farm.tank)
    farm.tell("test_water", tank=farm.tank, kind="e_coli", reading="0", passed=True)
    batch = farm.sow(20)
    farm.pass_time(days=9)
    farm.plant(batch, farm.t1, 20)
    farm.pass_time(days=9)
    cut = farm.cut(800, batch)
    assert not says(trace(cut.code), "water of Reservoir", "check")
    farm.pass_time(days=1)
    farm.tell(
        "test_water", tank=farm.tank, kind="e_coli", reading="40", passed=False, done="drained"
    )
    assert says(trace(cut.code), "The water of Reservoir failed its check")


def test_differences_corrections_and_cancels_are_listed(farm: Farm):
    crate = farm.cut(12000)
    farm.pass_time(hours=1)
    farm.tell("count", place=farm.store, counted={crate: 11700})
    gone = farm.tell("discard", lot=crate, from_place=farm.store, to="compost", quantity=500,
                     reason="slime")  # fmt: skip
    farm.tell("cancel", event=gone, reason="wrong crate")
    farm.tell("correct_weight", lot=crate, right=11800, reason="tare forgotten")
    found = trace(crate.code)
    assert says(found, crate.code, "100 g missing in Cold store")
    assert says(found, "“thrown away”", "was cancelled", "wrong crate")
    assert says(found, crate.code, "weight corrected", "tare forgotten")
    assert found.balance.made == 11800
    assert here(found, crate) == {("Cold store", 11700, "weighed"),
                                  ("Count difference", 100, "counted")}  # fmt: skip


# --- who must be told -----------------------------------------------------------------------


def test_everybody_who_had_some_is_named_with_a_number_to_ring(farm: Farm):
    Outlet.objects.filter(pk=farm.kitchen.pk).update(
        contact="Head cook", telephone="01 555 0100", out_of_hours="07 555 0199"
    )
    run = farm.pack([farm.cut(3600)], packs=30)
    farm.to_shop(run, 12)
    note = farm.send(run, 8)
    cancelled = farm.send(run, 5, farm.other_shop())
    farm.tell("cancel", event=cancelled, reason="van full")
    farm.tell("discard", lot=run, from_place=farm.store, to="donated", quantity=2, reason="surplus",
              recipient="Larder on the Green")  # fmt: skip
    told = {t.who.outlet: t for t in trace(run.code).told}
    assert set(told) == {"Farm shop", "Kitchen", "Donated to Larder on the Green"}
    assert told["Kitchen"].who.out_of_hours == "07 555 0199"
    assert told["Kitchen"].lots == [(run.code, 8, "each", 0)]  # on the way counts
    assert told["Farm shop"].lots == [(run.code, 12, "each", 12)]
    farm.tell("receive", note=note.note, lines=[Arrived(run, accepted=8)])
    found = trace(run.code)
    assert {t.who.outlet: t.lots for t in found.told}["Kitchen"] == [(run.code, 8, "each", 8)]
    (kitchen,) = (c for c in found.report.consignees[run.pk] if c.outlet == "Kitchen")
    assert (kitchen.contact, kitchen.telephone) == ("Head cook", "01 555 0100")


def test_it_never_says_that_food_is_safe(farm: Farm, capsys):
    lots = season(farm)
    found = trace(lots["run"].code)
    assert found.notice == "No notice recorded here as of 10:00 on 11 Apr 2026."
    call_command("trace", lots["run"].code)
    call_command("trace", lots["run"].code, "--json")
    assert not re.search(r"\bsafe\b", capsys.readouterr().out, re.IGNORECASE)


# --- what a question means ------------------------------------------------------------------


def test_a_code_is_found_however_it_is_typed(farm: Farm):
    cut = farm.cut(1000)
    for text in (cut.code, cut.code.lower(), cut.code.replace("-", ""), f"  {cut.code} ",
                 cut.code.replace("-", " ")):  # fmt: skip
        assert trace(text).roots == [cut.pk]
    wrong = cut.code[:-1] + ("A" if cut.code[-1] != "A" else "B")
    with pytest.raises(NotKnown, match=re.escape(cut.code)):
        trace(wrong)


def test_a_suppliers_number_may_mean_several_lots(farm: Farm):
    receipts = [
        farm.tell("receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store,
                  supplier_lot="AB 12-3").lot
        for _ in range(2)
    ]  # fmt: skip
    batch = farm.sow(10, seed=receipts[1])
    found = trace("ab123")
    assert found.roots == [lot.pk for lot in receipts]
    assert found.down == [batch.pk]
    assert all(lot.code in found.notes[0] for lot in receipts)


def test_a_crate_tag_used_and_unused(farm: Farm):
    tags = list(farm.tell("print_tags", count=2).tags.values_list("code", flat=True))
    cut = farm.tell(
        "harvest", crates=[farm_crate(800, tags[0])], store=farm.store, crop=farm.lettuce
    ).lot
    assert trace(tags[0].lower().replace("-", "")).roots == [cut.pk]
    with pytest.raises(NotKnown, match="printed and not used yet"):
        trace(tags[1])


def farm_crate(grams: int, tag: str):
    from grow.operations import Crate

    return Crate(grams, 0, tag)


def test_a_note_number_means_what_was_on_it(farm: Farm):
    one, two = (farm.pack([farm.cut(600)], packs=5) for _ in range(2))
    sent = farm.tell(
        "deliver",
        outlet=farm.kitchen,
        lines=[Line(one, 2, farm.store), Line(two, 3, farm.store)],
    )
    found = trace(sent.note.number.lower().replace("-", " "))
    assert found.roots == [one.pk, two.pk]
    assert "note" in found.asked


def test_a_product_and_a_date_by_use_by_packing_or_purchase(farm: Farm):
    run = farm.pack([farm.cut(1200)], packs=10)  # 2 March, use by the 9th
    other = farm.pack([farm.cut(1200)], packs=10)
    farm.pass_time(days=2)
    farm.to_shop(run, 10)
    farm.pass_time(days=2)
    farm.till(10, run)
    farm.pass_time(days=3)
    by = {day: {lot.pk for lot in roots.product_on("salad bag 120 g", day).lots}
          for day in (dt.date(2026, 3, d) for d in range(1, 10))}  # fmt: skip
    both, mine, none = {run.pk, other.pk}, {run.pk}, set()
    assert by == {
        dt.date(2026, 3, 1): none,
        dt.date(2026, 3, 2): both,  # packed
        dt.date(2026, 3, 3): none,
        dt.date(2026, 3, 4): mine,  # stood in the shop
        dt.date(2026, 3, 5): mine,
        dt.date(2026, 3, 6): mine,  # bought
        dt.date(2026, 3, 7): none,
        dt.date(2026, 3, 8): none,
        dt.date(2026, 3, 9): both,  # use by
    }
    with pytest.raises(NotKnown, match="Salad bag 120 g"):
        roots.product_on("salad bog 120", dt.date(2026, 3, 2))
    with pytest.raises(NotKnown, match="Nothing is recorded"):
        trace(roots.product_on("SALAD-120", dt.date(2026, 3, 1)))


def test_a_place_and_a_window(farm: Farm):
    """Glass over T1 from the 25th to the 26th day: the crate cut from T1 after it, not the one
    of T2, nor the one that had been cut before."""
    lots = season(farm)  # planted on day 20, cut on day 40
    planted = lots["batch"].made_by.placed_at
    day = dt.timedelta(days=1)

    def there(place, a: float, b: float) -> set[str]:
        found = roots.at_place(place, planted + a * day, planted + b * day)
        return {lot.code for lot in found.lots}

    first, second, run = (lots[n].code for n in ("first", "second", "run"))
    assert there("t1", 25, 26) == {first}
    assert there("T2", 25, 26) == {second}
    assert there(farm.bench, 1, 2) == {first, second}  # all of the sowing stood there
    assert there(farm.greenhouse, 25, 26) == {first, second}
    assert there(farm.tank, 25, 26) == {lots["water"].code}
    assert there(farm.line, 40, 41) == {run}
    assert there(farm.line, 41, 42) == set()
    assert there(farm.store, 40, 40.02) == {first, second}
    assert there(farm.store, 41, 42) == {run}  # the crates are empty
    note = roots.at_place(farm.t1, planted + 25 * day, planted + 26 * day).notes[0]
    assert lots["batch"].code in note
    found = trace(roots.at_place(farm.t1, planted + 25 * day, planted + 26 * day))
    assert codes(found, found.down) == {run}
    # before anything was cut the plants themselves are what stood there
    assert there(farm.t3, 25, 26) == set()
    with pytest.raises(NotKnown, match="Cold store"):
        roots.at_place("cold stroe", planted, planted)


def test_a_thing_since_its_last_good_check(farm: Farm):
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    farm.pass_time(hours=1)
    before = farm.cut(500, things=[farm.scale])
    farm.pass_time(hours=1)
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    farm.pass_time(hours=1)
    suspect = farm.cut(600, things=[farm.scale])
    unweighed = farm.cut(700)
    farm.pass_time(hours=1)
    failed = farm.tell("check", kind="weight", passed=False, done="away", things=[farm.scale])
    found = trace("scale b since its last good check")
    assert found.roots == [suspect.pk]
    assert {before.pk, unweighed.pk} & set(found.roots) == set()
    farm.pass_time(hours=1)
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    then = roots.since_last_good_check(farm.scale, failed.placed_at)
    assert [lot.pk for lot in then.lots] == [suspect.pk]


# --- the command ----------------------------------------------------------------------------


def test_the_command_answers_in_json(farm: Farm, capsys):
    lots = season(farm)
    farm.to_shop(lots["run"], 20)
    call_command("trace", lots["second"].code.lower(), "--json")
    answer = json.loads(capsys.readouterr().out)
    assert (answer["lot"], answer["kind"]) == (lots["second"].code, "harvest")
    assert {(a["code"], a["kind"], a["how"]) for a in answer["ancestors"]} == {
        (lots["seed"].code, "input", "touched"),
        (lots["water"].code, "water", "touched"),
        (lots["young"].code, "water", "touched"),
        (lots["batch"].code, "batch", "grew"),
    }
    assert [(d["code"], d["kind"], d["how"]) for d in answer["descendants"]] == [
        (lots["run"].code, "pack", "went in")
    ]
    rows = {(w["lot"], w["place"], w["quantity"], w["unit"], w["basis"])
            for w in answer["whereabouts"]}  # fmt: skip
    assert (lots["run"].code, "Farm shop", 20, "each", "counted") in rows
    assert (lots["second"].code, "Became another lot", 1920, "g", "shared_out") in rows
    balance = answer["balance"]
    assert (balance["made"], balance["unexplained"], balance["percent"]) == (2000, 0, 100.0)
    assert balance["percent_by_evidence"] == 0.0
    assert isinstance(answer["gaps"], list)
    assert answer["took_ms"] > 0


def test_the_command_speaks_plainly(farm: Farm, capsys):
    lots = season(farm)
    call_command("trace", lots["run"].code)
    out = capsys.readouterr().out
    for words in (
        f"{lots['run'].code}  Run  Salad bag 120 g",
        "No notice recorded here as of",
        "Who must be told",
        "Cold store: 40, counted",
        "made 40, unexplained 0; 100.0 % accounted for",
        f"went in: {lots['run'].code} 2880 g",
        "call the local authority",
    ):
        assert words in out, words
    call_command("trace", product="SALAD-120", date="2026-04-11")
    assert lots["run"].code in capsys.readouterr().out
    call_command("trace", place="T1", start="2026-04-01", end="2026-04-02")
    assert lots["first"].code in capsys.readouterr().out
    call_command("trace", thing="Scale B")
    assert lots["first"].code in capsys.readouterr().out


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"code": "H99999-01-1"}, "No lot is called H99999-01-1."),
        ({"place": "Moon", "start": "2026-03-01"}, "No place is called Moon."),
        ({"place": "T1"}, "Say since when, too"),
        ({"product": "SALAD-120"}, "Say which date, too"),
        ({"product": "SALAD-120", "date": "2 March"}, "2 March is no date"),
        ({}, "Name one thing to trace"),
    ],
)
def test_an_unknown_question_ends_in_one_sentence(farm: Farm, asked, sentence):
    with pytest.raises(CommandError) as error:
        call_command("trace", **asked)
    assert str(error.value).startswith(sentence)
    assert "\n" not in str(error.value)
    assert error.value.returncode != 0
