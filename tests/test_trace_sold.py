"""What a trace says of sales that name no lot, and of facts told after the act."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from grow import clock, possibly
from grow.faults import faults
from grow.models import Flag, Lot, Movement
from sales.models import PackingRun
from sales.trace import trace
from tests.farm import Farm
from tests.tracing import codes, here, says

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return Farm()


# --- sales that name no lot --------------------------------------------------------------------


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
@example(stock=(1, 1), late=1, rung=(3, 0), seen=(0, 0, 0), counted=True)
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


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    stock=st.tuples(st.integers(1, 3), st.integers(1, 3)),
    rung=st.tuples(st.integers(0, 4), st.integers(0, 4)),
    left=st.integers(0, 6),
    seen=st.tuples(st.integers(0, 2), st.integers(0, 2)),
    under=st.integers(0, 1),
)
@example(stock=(3, 3), rung=(3, 3), left=3, seen=(0, 0), under=0)
@example(stock=(3, 1), rung=(1, 4), left=3, seen=(0, 0), under=1)
def test_every_way_lies_in_the_range_where_a_count_was_by_date(
    farm, stock, rung, left, seen, under
):
    """Second opinion: two lots of one date, counted together in the evening and one by one the
    next. Every split of what was left, and on each of the days every way to lay its till row on
    what had gone, tried one by one."""
    left = min(left, sum(stock))
    seen = tuple(min(a, b) for a, b in zip(seen, stock, strict=True))
    splits = [
        (a, b)
        for a, b in itertools.product(range(4), repeat=2)
        if a + b == left and seen[0] <= a <= stock[0] and seen[1] <= b <= stock[1]
    ]
    assume(splits)
    with transaction.atomic():
        clock.play(farm.now)
        lots = [farm.pack([farm.cut(n * 120)], packs=n) for n in stock]
        for lot, n in zip(lots, stock, strict=True):
            farm.to_shop(lot, n)
        start, shop = farm.now, farm.shop_place
        farm.pass_time(hours=1)
        if rung[0]:
            farm.till(rung[0])
        # of one date it is all the same under which lot the figure is told
        farm.tell("count", place=shop, counted={lots[under]: left}, closing=True, by_date=True)
        farm.pass_time(days=1)
        if rung[1]:
            farm.till(rung[1])
        farm.tell("count", place=shop, counted=dict(zip(lots, seen, strict=True)), closing=True)
        ways = []
        for split in splits:
            gone = [n - s for n, s in zip(stock, split, strict=True)]
            then = [s - x for s, x in zip(split, seen, strict=True)]
            for a, b, c, d in itertools.product(range(4), repeat=4):
                first = a + b == min(rung[0], sum(gone)) and a <= gone[0] and b <= gone[1]
                second = c + d == min(rung[1], sum(then)) and c <= then[0] and d <= then[1]
                if first and second:
                    ways.append((a + c, b + d))
        found = possibly.possibly_sold(lots)
        for n, lot in enumerate(lots):
            least, top = found.get(lot.pk, (0, 0))
            assert least <= min(w[n] for w in ways), (found, ways)
            assert max(w[n] for w in ways) <= top <= stock[n], (found, ways)
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


# --- a fact is never refused -------------------------------------------------------------------


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
