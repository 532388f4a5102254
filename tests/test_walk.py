"""The walk of a season, row by row: three cuts, 10,000 g made, 40 packs, and all of it found
again at the end. Worked by hand on paper first."""

import datetime as dt

import pytest

from grow.errors import Refusal
from grow.faults import faults
from grow.models import Lineage, PlantSite
from grow.operations.growing import alive_on
from grow.setup import the
from sales.models import Money, NoteLine
from sales.operations import Arrived, Line
from tests.farm import Farm

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return Farm()


def test_three_cuts_forty_packs_and_where_every_gram_went(farm: Farm) -> None:
    batch = farm.sow(100)
    farm.pass_time(days=9)
    farm.tell("check_germination", batch=batch, place=farm.bench, not_up=9)
    farm.tell("lose_plants", batch=batch, place=farm.bench, plants=3, reason="damping off")
    farm.pass_time(days=14)
    farm.plant(batch, farm.t1, 50)
    farm.plant(batch, farm.t2, 30)
    farm.stands_at(
        """
        Bench 1 | batch |  8 each
        T1      | batch | 50 each
        T2      | batch | 30 each
        Compost | batch | 12 each
        """,
        batch=batch,
    )
    farm.pass_time(days=5)
    farm.tell("lose_plants", batch=batch, place=farm.t1, plants=4, reason="slug")
    farm.plant(batch, farm.t1, 4)  # gapped up
    farm.stands_at(
        """
        Bench 1 | batch |  4 each
        T1      | batch | 50 each
        T2      | batch | 30 each
        Compost | batch | 16 each
        """,
        batch=batch,
    )
    assert len(alive_on(farm.now, batch=batch, tower=farm.t1)) == 50

    farm.pass_time(days=17)
    first = farm.cut(5000, batch, grade_out_g=300)
    farm.pass_time(days=12)
    second = farm.cut(3000, batch)
    farm.pass_time(days=1)
    third = farm.cut(2000, batch)
    grew = Lineage.objects.filter(parent=batch, kind="grew").values_list("quantity", flat=True)
    assert sum(grew) == 10_000

    farm.pass_time(hours=1)
    run = farm.pack([second, third], packs=40)
    assert run.use_by == dt.date(2026, 5, 6)  # seven days; nine from the older cut is later
    farm.pass_time(days=3)
    farm.tell("clear", batch=batch, left="some", why="bolted", uncut_g=400)
    farm.stands_at(
        """
        Compost    | batch | 100 each
        Cold store | first | 4700 g
        Compost    | first |  300 g
        Compost    | second | 120 g
        Became another lot | second | 2880 g
        Compost    | third | 80 g
        Became another lot | third | 1920 g
        Cold store | run | 40 each
        """,
        batch=batch,
        first=first,
        second=second,
        third=third,
        run=run,
    )


def test_the_pack_house_shares_trim_and_giveaway_by_the_grams_still_left(farm: Farm) -> None:
    second, third = farm.cut(3000), farm.cut(2000)
    farm.pass_time(hours=1)
    run = farm.pack([second, third], packs=40, giveaway_g=80)
    assert farm.moved(second)[1:] == [
        ("Cold store", "Compost", 72, "remainder"),
        ("Cold store", "Giveaway", 48, "shared_out"),
        ("Cold store", "Became another lot", 2880, "shared_out"),
    ]
    assert farm.moved(third)[1:] == [
        ("Cold store", "Compost", 48, "remainder"),
        ("Cold store", "Giveaway", 32, "shared_out"),
        ("Cold store", "Became another lot", 1920, "shared_out"),
    ]
    went_in = dict(run.above.filter(kind="went_in").values_list("parent__code", "quantity"))
    assert went_in == {second.code: 2880, third.code: 1920}
    assert sum(went_in.values()) == 40 * 120

    # two bags are opened for weighing later: a sample is a movement
    farm.pass_time(hours=1)
    farm.tell("discard", lot=run, from_place=farm.store, to="sample", quantity=2, reason="weighed")
    note = farm.send(run, 20, farm.other_shop())
    farm.pass_time(hours=1)
    farm.arrive(note, run, accepted=18, rejected=2)
    line = NoteLine.objects.get(lot=run)
    assert (line.sent, line.accepted, line.rejected, line.to_follow) == (20, 18, 2, 0)

    shop = note.note.outlet
    farm.pass_time(hours=3)
    farm.tell("sell", outlet=shop, rows=[farm.row(12, run)])
    farm.tell("discard", lot=run, from_place=shop.place, to="compost", quantity=3, reason="date")
    farm.pass_time(hours=2)
    farm.tell("count", place=shop.place, counted={run: 2}, closing=True)
    farm.pass_time(days=1)
    farm.tell("return_goods", lot=run, outlet=shop, quantity=2, reason="wilted")
    farm.stands_at(
        """
        Cold store            | run | 18 each
        Corner shop           | run |  2 each
        Rejected at Corner shop | run | 2 each
        Sample                | run |  2 each
        Compost               | run |  5 each
        Sold at Corner shop   | run | 10 each
        """,
        run=run,
    )
    assert farm.stock(run, farm.difference) == 1
    assert sum(m.pence for m in Money.objects.all()) == 10 * 200


def test_a_crate_goes_loose_to_the_kitchen_and_is_short_at_the_door(farm: Farm) -> None:
    crate = farm.cut(5000, grade_out_g=300)
    farm.pass_time(hours=1)
    note = farm.send(crate, 4700)
    farm.stands_at(
        """
        On the way to Kitchen | crate | 4700 g
        Compost               | crate |  300 g
        """,
        crate=crate,
    )
    farm.pass_time(minutes=10)
    farm.arrive(note, crate, accepted=4550, short=150)
    farm.stands_at(
        """
        Kitchen | crate | 4550 g
        Compost | crate |  300 g
        """,
        crate=crate,
    )
    assert farm.stock(crate, farm.difference) == 150
    # 4,550 g at 1,100 p a kilogram
    assert Money.objects.get().pence == 5005


def test_a_note_arrives_in_parts(farm: Farm) -> None:
    crate = farm.cut(2000)
    note = farm.send(crate, 2000)
    farm.arrive(note, crate, accepted=800)
    line = NoteLine.objects.get()
    assert (line.accepted, line.to_follow) == (800, 1200)
    farm.arrive(note, crate, accepted=1300)  # more than was sent comes from count difference
    line.refresh_from_db()
    assert (line.accepted, line.to_follow, line.over) == (2100, 0, 100)
    assert farm.stock(crate, farm.kitchen_place) == 2100
    assert farm.stock(crate, farm.difference) == -100
    assert faults() == []


def test_a_lot_stands_in_two_rows_of_one_receipt(farm: Farm) -> None:
    run = farm.pack([farm.cut(1250)], packs=10)
    sent = farm.send(run, 10)
    rows = [Arrived(run, 6), Arrived(run, rejected=4, reason="wilted")]
    got = farm.tell("receive", note=sent.note, lines=rows)
    line = NoteLine.objects.get()
    assert (line.accepted, line.rejected, line.to_follow) == (6, 4, 0)
    assert farm.stock(run, farm.kitchen_place) == 6
    assert faults() == []
    farm.tell("cancel", event=got, reason="other note")
    line.refresh_from_db()
    assert (line.accepted, line.rejected, line.to_follow) == (0, 0, 10)
    assert faults() == []


def test_what_was_thrown_away_or_sold_does_not_come_back_on_sale(farm: Farm) -> None:
    run = farm.pack([farm.cut(1250)], packs=10)
    thrown = {"lot": run, "from_place": farm.store, "quantity": 2, "reason": "torn"}
    farm.tell("discard", to="compost", **thrown)
    for place in (the("compost"), the("packing"), the("count_difference")):
        with pytest.raises(Refusal) as refused:
            farm.tell("put_on_shelf", outlet=farm.shop, lines=[Line(run, 1, place)])
        assert refused.value.code == "wrong_kind"
    farm.tell("put_on_shelf", outlet=farm.shop, lines=[Line(run, 1, farm.store)])
    with pytest.raises(Refusal) as refused:
        farm.cut(500, store=the("compost"))
    assert refused.value.code == "wrong_kind"


def test_one_crate_of_three_sowings_is_shared_out_by_sites_cut(farm: Farm) -> None:
    one, two = farm.sow(60), farm.sow(60)
    farm.pass_time(days=21)
    farm.plant(one, farm.t1, 30)
    farm.plant(two, farm.t2, 20)
    farm.pass_time(days=21)
    crate = farm.cut(1001, batches=[one, two])
    assert dict(crate.above.filter(kind="grew").values_list("parent__code", "quantity")) == {
        one.code: 601,
        two.code: 400,
    }
    assert crate.cut_sites.count() == 50
    assert farm.moved(crate) == [("Growth", "Cold store", 1001, "weighed")]


def test_towers_minus_three_sites(farm: Farm) -> None:
    batch = farm.sow(50)
    farm.pass_time(days=21)
    farm.plant(batch, farm.t1)
    farm.pass_time(days=21)
    but = list(PlantSite.objects.filter(tower=farm.t1, tier=5)[:3])
    crate = farm.cut(900, towers=[farm.t1], except_sites=but)
    assert crate.cut_sites.count() == 47
    assert crate.variety == farm.green


def test_put_on_the_shelf_in_one_tap(farm: Farm) -> None:
    crate = farm.cut(2500)
    run = farm.pack([crate], packs=20)
    farm.tell("put_on_shelf", outlet=farm.shop, lines=[Line(run, 20, farm.store)])
    farm.stands_at("Farm shop | run | 20 each", run=run)
