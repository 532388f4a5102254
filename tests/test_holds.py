"""Holds: what is stopped, what may still move, who else is held, and who may let go.

Each refusal first shows the same call going through with one fact changed.
"""

import datetime as dt
from typing import Any

import pytest

from grow.errors import NotAllowed, Refusal
from grow.faults import faults
from grow.models import Event, Flag, Hold, Holding, Lot, Movement, Place, PlaceKind
from grow.setup import side_place
from sales.operations import Arrived, Line, Taken
from tests.farm import Farm

K = PlaceKind


def held(lot: Lot) -> bool:
    return Hold.objects.filter(lot=lot, ended_by=None).exists()


def reason(lot: Lot) -> str:
    return Hold.objects.filter(lot=lot, ended_by=None).latest("id").reason


def flags(event: Event) -> list[str]:
    return sorted(event.flags.values_list("kind", flat=True))


def release(farm: Farm, *lots: Lot, **more: Any) -> Event:
    return farm.tell("release", lots=list(lots), reason="laboratory result clear", **more)


@pytest.fixture
def two(farm: Farm) -> tuple[Lot, Lot]:
    """Two crates alike. Whatever is refused to one goes through for the other."""
    crates = farm.cut(2000), farm.cut(2000)
    farm.pass_time(minutes=10)
    return crates


# Before the act --------------------------------------------------------------------------------


def _move_to(name: str) -> Any:
    return lambda farm, lot: farm.tell(
        "move",
        lot=lot,
        from_place=farm.store,
        to_place=getattr(farm, name),
        quantity=200,
    )


def _discard_to(kind: str) -> Any:
    return lambda farm, lot: farm.tell(
        "discard",
        lot=lot,
        from_place=farm.store,
        to=kind,
        quantity=200,
        reason="surplus",
        recipient="Food bank" if kind == K.DONATED else "",
    )


MAY_NOT = [
    pytest.param(lambda farm, lot: farm.send(lot, 200), id="sent to the kitchen"),
    pytest.param(lambda farm, lot: farm.to_shop(lot, 200), id="put on the shelf"),
    pytest.param(lambda farm, lot: farm.pack([lot], 8, left=1000), id="packed"),
    pytest.param(_move_to("line"), id="moved to the packing bench"),
    pytest.param(_discard_to(K.STAFF), id="eaten by staff"),
    pytest.param(_discard_to(K.DONATED), id="given away"),
    pytest.param(_discard_to(K.FEED), id="fed to hens"),
]
MAY = [
    pytest.param(_move_to("quarantine"), id="moved to quarantine"),
    pytest.param(_discard_to(K.COMPOST), id="composted"),
    pytest.param(_discard_to(K.LANDFILL), id="binned"),
    pytest.param(_discard_to(K.DESTROYED), id="destroyed"),
    pytest.param(_discard_to(K.SAMPLE), id="sampled"),
    pytest.param(
        lambda farm, lot: farm.tell("count", place=farm.store, counted={lot: 1800}), id="counted"
    ),
]


@pytest.mark.parametrize("act", MAY_NOT)
def test_before_the_act_a_held_lot_is_refused(farm: Farm, two: tuple[Lot, Lot], act: Any) -> None:
    free, stopped = two
    farm.hold(stopped)
    farm.pass_time(minutes=10)
    act(farm, free)
    before = Movement.objects.count()
    with pytest.raises(Refusal) as refused:
        act(farm, stopped)
    assert refused.value.code == "held"
    assert stopped.code in refused.value.sentence
    assert "laboratory result" in refused.value.sentence
    assert Movement.objects.count() == before
    release(farm, stopped)
    farm.pass_time(minutes=10)
    act(farm, stopped)
    assert faults() == []


@pytest.mark.parametrize("act", MAY)
def test_out_of_the_way_a_held_lot_may_always_go(
    farm: Farm, two: tuple[Lot, Lot], act: Any
) -> None:
    _, stopped = two
    farm.hold(stopped)
    farm.pass_time(minutes=10)
    event = act(farm, stopped)
    assert flags(event) == []
    assert farm.stock(stopped, farm.store) == 1800
    assert held(stopped)
    assert faults() == []


def test_nothing_is_cut_from_a_held_sowing(farm: Farm) -> None:
    free, stopped = farm.sow(), farm.sow()
    farm.hold(stopped)
    farm.pass_time(minutes=10)
    farm.cut(1000, free)
    with pytest.raises(Refusal) as refused:
        farm.cut(1000, stopped)
    assert refused.value.code == "held"
    told = farm.cut(1000, stopped, already_done=True)
    assert held(told)
    assert reason(told) == "made from a held lot: laboratory result"
    assert stopped.code in told.made_by.flags.get(kind="born_held").says
    assert faults() == []


# On the way ------------------------------------------------------------------------------------


def test_what_is_on_the_way_when_it_is_held_arrives_held(farm: Farm, two: tuple[Lot, Lot]) -> None:
    free, stopped = two
    sent = [farm.send(lot, 500) for lot in two]
    farm.pass_time(minutes=10)
    farm.hold(stopped)
    farm.pass_time(minutes=10)
    arrived = [
        farm.tell("receive", note=s.note, lines=[Arrived(lot, 400, rejected=100)])
        for s, lot in zip(sent, two, strict=True)
    ]
    assert [flags(e) for e in arrived] == [[], []]
    assert farm.stock(stopped, farm.kitchen_place) == 400
    assert held(stopped)
    farm.tell("use", lot=free, place=farm.kitchen_place, quantity=100)
    with pytest.raises(Refusal) as refused:
        farm.tell("use", lot=stopped, place=farm.kitchen_place, quantity=100)
    assert refused.value.code == "held"
    assert faults() == []


# The freeze ------------------------------------------------------------------------------------


def test_what_moved_before_the_hold_is_accepted_whenever_told(
    farm: Farm, two: tuple[Lot, Lot]
) -> None:
    _, stopped = two
    before = farm.now
    farm.pass_time(hours=1)
    farm.hold(stopped)
    farm.pass_time(hours=1)
    late = farm.send(stopped, 300, at=before)
    assert flags(late) == [Flag.Kind.AFTER_FREEZE]
    assert stopped.code in late.flags.get().says
    with pytest.raises(Refusal) as refused:
        farm.send(stopped, 300)
    assert refused.value.code == "held"
    assert farm.stock(stopped, farm.store) == 1700
    assert faults() == []


@pytest.mark.parametrize("act", ["delivered", "packed", "cut"])
def test_a_day_alone_is_no_way_round_a_hold_of_that_day(
    farm: Farm, two: tuple[Lot, Lot], act: str
) -> None:
    """With only its day told it stands in the books at its usual hour, which was before the hold;
    but the act may be of now. A fact, and what is told with its hour, is accepted as before."""
    _, stopped = two
    sown = [farm.sow(), farm.sow()]
    hour = farm.pass_time(hours=8)
    farm.pass_time(hours=1)
    farm.hold(stopped, sown[1])
    farm.pass_time(hours=2)

    def do(n: int, **more: Any) -> None:
        if act == "cut":
            farm.cut(1000, sown[n], **more)
        elif act == "packed":
            farm.pack([two[n]], 16, **more)
        else:
            farm.send(two[n], 300, **more)

    do(0, on=farm.today)
    with pytest.raises(Refusal) as refused:
        do(1, on=farm.today)
    assert refused.value.code == "held"
    assert refused.value.sentence.endswith("say at what hour.")
    if act == "delivered":
        do(1, on=farm.today, already_done=True)
    do(1, at=hour)
    assert not Flag.objects.filter(kind=Flag.Kind.BREACH).exists()
    assert faults() == []


def test_a_run_of_before_the_hold_is_accepted_and_its_bags_are_held(
    farm: Farm, two: tuple[Lot, Lot]
) -> None:
    free, stopped = two
    before = farm.now
    farm.pass_time(hours=1)
    farm.hold(stopped)
    farm.pass_time(hours=1)
    assert not held(farm.pack([free], 16, at=before))
    bags = farm.pack([stopped], 16, at=before)
    assert held(bags)
    assert Flag.Kind.AFTER_FREEZE in flags(bags.made_by)
    assert Flag.Kind.BREACH not in flags(bags.made_by)
    assert faults() == []


def test_a_cut_of_before_the_hold_is_accepted_and_held(farm: Farm) -> None:
    batch = farm.sow()
    farm.pass_time(hours=1)
    before = farm.now
    farm.pass_time(hours=1)
    farm.hold(batch)
    farm.pass_time(hours=1)
    cut = farm.cut(1000, batch, at=before)
    assert held(cut)
    assert Flag.Kind.BREACH not in flags(cut.made_by)
    with pytest.raises(Refusal):
        farm.cut(1000, batch)
    assert faults() == []


# Breaches --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "act",
    [
        pytest.param(lambda farm, lot: farm.send(lot, 200, already_done=True), id="sent"),
        pytest.param(
            lambda farm, lot: farm.tell(
                "discard",
                lot=lot,
                from_place=farm.store,
                to=K.STAFF,
                quantity=200,
                reason="lunch",
                already_done=True,
            ),
            id="eaten",
        ),
    ],
)
def test_what_truly_moved_is_written_as_a_breach(
    farm: Farm, two: tuple[Lot, Lot], act: Any
) -> None:
    free, stopped = two
    farm.hold(stopped)
    farm.pass_time(minutes=10)
    assert flags(act(farm, free)) == []
    event = act(farm, stopped)
    assert flags(event) == [Flag.Kind.BREACH]
    assert event.flags.get().lot == stopped
    assert "200 g" in event.flags.get().says
    assert farm.stock(stopped, farm.store) == 1800
    assert faults() == []


def test_a_held_bag_that_was_sold_is_a_breach(farm: Farm, two: tuple[Lot, Lot]) -> None:
    free, stopped = (farm.pack([crate], 16) for crate in two)
    farm.to_shop(free, 10)
    farm.to_shop(stopped, 10)
    farm.pass_time(minutes=10)
    farm.hold(stopped)
    farm.pass_time(minutes=10)
    assert flags(farm.till(2, free)) == []
    sale = farm.till(3, stopped)
    assert flags(sale) == [Flag.Kind.BREACH]
    assert farm.stock(stopped, farm.shop_place) == 7
    assert faults() == []


def test_a_till_that_names_no_lot_takes_from_what_is_not_held(
    farm: Farm, two: tuple[Lot, Lot]
) -> None:
    """Both dated alike, the first made goes first; held, it is passed over."""
    first, second = (farm.pack([crate], 16) for crate in two)
    farm.to_shop(first, 10)
    farm.to_shop(second, 10)
    farm.pass_time(minutes=10)
    farm.till(1)
    assert farm.stock(first, farm.shop_place) == 9
    farm.pass_time(minutes=10)
    farm.hold(first)
    farm.pass_time(minutes=10)
    sale = farm.till(2)
    assert flags(sale) == []
    assert farm.stock(first, farm.shop_place) == 9
    assert farm.stock(second, farm.shop_place) == 8
    assert faults() == []


def test_a_run_of_a_held_crate_told_as_done_is_a_breach_and_born_held(
    farm: Farm, two: tuple[Lot, Lot]
) -> None:
    free, stopped = two
    farm.hold(stopped)
    farm.pass_time(minutes=10)
    clean = farm.pack([free], 16, already_done=True)
    assert not held(clean)
    assert Flag.Kind.BREACH not in flags(clean.made_by)
    bags = farm.pack([stopped], 16, already_done=True)
    assert held(bags)
    assert reason(bags) == "made from a held lot: laboratory result"
    assert {Flag.Kind.BREACH, Flag.Kind.BORN_HELD} <= set(flags(bags.made_by))
    with pytest.raises(Refusal) as refused:
        farm.to_shop(bags, 1)
    assert refused.value.code == "held"
    farm.to_shop(clean, 1)
    assert faults() == []


# Downstream ------------------------------------------------------------------------------------


def test_everything_made_from_it_is_held_and_nothing_beside_it(farm: Farm) -> None:
    seed = farm.tell(
        "receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store
    ).lot
    ours, other = farm.sow(seed=seed), farm.sow()
    cut, another = farm.cut(3000, ours), farm.cut(3000, other)
    bags, others = farm.pack([cut], 20, left=100), farm.pack([another], 20, left=100)
    opened = [Taken(bags, farm.store, left=10)]
    again = farm.tell("rework", product=farm.bag, taken=opened, packs=10, store=farm.store).lot
    farm.pass_time(minutes=10)
    farm.hold(seed)
    assert [held(lot) for lot in (seed, ours, cut, bags, again)] == [True] * 5
    assert [held(lot) for lot in (other, another, others)] == [False] * 3
    assert reason(seed) == "laboratory result"
    assert "laboratory result" in reason(again)
    farm.pass_time(minutes=10)
    farm.to_shop(others, 2)
    with pytest.raises(Refusal):
        farm.to_shop(again, 2)
    assert faults() == []


def test_a_held_packet_s_next_sowing_is_born_held(farm: Farm) -> None:
    seed, other = (
        farm.tell(
            "receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store
        ).lot
        for _ in range(2)
    )
    farm.hold(seed)
    farm.pass_time(minutes=10)
    assert not held(farm.sow(seed=other))
    assert held(farm.sow(seed=seed))


def test_held_water_holds_what_stood_in_it(farm: Farm) -> None:
    waters = []
    batches = []
    for tank, tower in ((farm.tank, farm.t1), (farm.bench_tank, farm.t2)):
        waters.append(farm.tell("fill", tank=tank).lot)
        farm.tell("feed", tank=tank, begins=[tower])
        batches.append(farm.sow(10))
        farm.plant(batches[-1], tower)
    farm.pass_time(days=20)
    cuts = [farm.cut(900, batch) for batch in batches]
    farm.pass_time(minutes=10)
    farm.hold(waters[0])
    assert [held(cut) for cut in cuts] == [True, False]
    farm.pass_time(days=5)
    later = [farm.cut(900, batch) for batch in batches]
    assert [held(cut) for cut in later] == [True, False]
    assert faults() == []


def test_a_corrected_origin_below_a_held_crate_holds_the_bags(
    farm: Farm, two: tuple[Lot, Lot]
) -> None:
    free, stopped = two
    bags = farm.pack([free], 16)
    farm.pass_time(minutes=10)
    farm.hold(stopped)
    assert not held(bags)
    farm.pass_time(minutes=10)
    farm.tell("correct_origin", lot=bags, wrong=free, right=stopped, reason="crates mixed up")
    assert held(bags)
    assert reason(bags) == "made from a held lot: laboratory result"


# Born held -------------------------------------------------------------------------------------


def test_an_undeclared_allergen_is_refused_and_as_a_fact_born_held(farm: Farm) -> None:
    plain, hot = farm.cut(2000), farm.cut(2000, crop=farm.mustard)
    assert not held(farm.pack([plain], 16))
    with pytest.raises(Refusal) as refused:
        farm.pack([hot], 16)
    assert refused.value.code == "undeclared_allergen"
    bags = farm.pack([hot], 16, already_done=True)
    assert held(bags)
    assert Flag.Kind.BORN_HELD in flags(bags.made_by)
    assert "mustard" in reason(bags)
    farm.pass_time(minutes=10)
    with pytest.raises(Refusal):
        farm.to_shop(bags, 1)
    assert farm.stock(bags, farm.store) == 16
    assert faults() == []


def planted(farm: Farm, tower: Place) -> Lot:
    batch = farm.sow(20)
    farm.plant(batch, tower)
    return batch


def spray(farm: Farm, **more: Any) -> Event:
    return farm.tell("treat", item=farm.soap, places=[farm.t1], reason="aphids", **more)


def test_a_cut_inside_the_interval_is_refused_and_as_a_fact_born_held(farm: Farm) -> None:
    sprayed, other = planted(farm, farm.t1), planted(farm, farm.t2)
    farm.pass_time(days=20)
    spray(farm)
    farm.pass_time(days=2)
    assert not held(farm.cut(900, other))
    with pytest.raises(Refusal) as refused:
        farm.cut(900, sprayed)
    assert refused.value.code == "inside_interval"
    told = farm.cut(900, sprayed, already_done=True)
    assert held(told)
    assert "harvest interval" in reason(told)
    farm.pass_time(days=1)
    assert not held(farm.cut(900, sprayed))
    assert faults() == []


@pytest.mark.parametrize(("days_before", "stopped"), [(2, True), (4, False)])
def test_a_treatment_told_late_holds_the_cut_and_the_bags(
    farm: Farm, days_before: int, stopped: bool
) -> None:
    """Three days of interval: a spray two days before the cut stops it, one four days before
    does not; and what stood on the other tower is nobody's business."""
    sprayed, other = planted(farm, farm.t1), planted(farm, farm.t2)
    farm.pass_time(days=20)
    cuts = farm.cut(2000, sprayed), farm.cut(2000, other)
    bags = farm.pack([cuts[0]], 16), farm.pack([cuts[1]], 16)
    farm.to_shop(bags[0], 4)
    farm.pass_time(hours=5)
    late = spray(farm, at=farm.now - dt.timedelta(days=days_before, hours=5))
    assert [held(lot) for lot in (cuts[0], bags[0])] == [stopped, stopped]
    assert not held(cuts[1])
    assert not held(bags[1])
    assert (Flag.Kind.BORN_HELD in flags(late)) is stopped
    assert late.lot in [edge.parent for edge in cuts[0].above.all()]
    assert faults() == []


# Part of a lot ---------------------------------------------------------------------------------


def set_apart(farm: Farm, lot: Lot, quantity: int = 500) -> Event:
    event = farm.tell(
        "move", lot=lot, from_place=farm.store, to_place=farm.quarantine, quantity=quantity
    )
    farm.pass_time(minutes=10)
    return event


def test_part_of_a_lot_is_held_by_standing_in_quarantine(farm: Farm, two: tuple[Lot, Lot]) -> None:
    lot, _ = two
    set_apart(farm, lot)
    farm.send(lot, 100)
    with pytest.raises(Refusal) as refused:
        farm.tell("deliver", outlet=farm.kitchen, lines=[Line(lot, 100, farm.quarantine)])
    assert refused.value.code == "in_quarantine"
    with pytest.raises(Refusal) as refused:
        farm.tell("move", lot=lot, from_place=farm.quarantine, to_place=farm.store, quantity=100)
    assert refused.value.code == "in_quarantine"
    farm.tell(
        "discard",
        lot=lot,
        from_place=farm.quarantine,
        to=K.DESTROYED,
        quantity=100,
        reason="bruised",
    )
    assert farm.stock(lot, farm.quarantine) == 400
    assert faults() == []


def test_what_stands_in_quarantine_is_not_packed(farm: Farm, two: tuple[Lot, Lot]) -> None:
    """ "Became another lot" is an end of the crate, and no end for the leaf: it would be eaten."""
    lot, other = two
    set_apart(farm, lot, 1000)

    def run(place: Place, **more: Any) -> Lot:
        taken = [Taken(lot, place, left=0)]
        return farm.tell(
            "pack", product=farm.bag, taken=taken, packs=8, store=farm.store, **more
        ).lot

    assert not held(run(farm.store))
    with pytest.raises(Refusal) as refused:
        run(farm.quarantine)
    assert refused.value.code == "in_quarantine"
    bags = run(farm.quarantine, already_done=True)
    assert Flag.Kind.BREACH in flags(bags.made_by)
    assert held(bags)
    assert "Quarantine" in reason(bags)
    assert not held(other)
    assert faults() == []


def test_it_leaves_quarantine_by_a_signed_off_release(farm: Farm, two: tuple[Lot, Lot]) -> None:
    lot, _ = two
    set_apart(farm, lot)
    way = {"from_place": farm.quarantine, "to_place": farm.store, "quantity": 500}
    with pytest.raises(NotAllowed):
        release(farm, lot, recorded_by=farm.packer, **way)
    event = release(farm, lot, **way)
    assert flags(event) == []
    assert farm.stock(lot, farm.store) == 2000
    farm.send(lot, 2000)
    assert faults() == []


def test_a_held_lot_does_not_leave_quarantine_by_the_back_door(
    farm: Farm, two: tuple[Lot, Lot]
) -> None:
    """The part is let out, the lot is not: first the lot is released, by name."""
    lot, _ = two
    set_apart(farm, lot)
    farm.hold(lot)
    farm.pass_time(minutes=10)
    way = {"from_place": farm.quarantine, "to_place": farm.store, "quantity": 500}
    with pytest.raises(Refusal) as refused:
        release(farm, lot, **way)
    assert refused.value.code == "held"
    release(farm, lot)
    farm.pass_time(minutes=10)
    release(farm, lot, **way)
    assert farm.stock(lot, farm.store) == 2000


def test_what_left_quarantine_told_as_a_fact_is_a_breach(farm: Farm, two: tuple[Lot, Lot]) -> None:
    lot, _ = two
    set_apart(farm, lot)
    facts = {"lot": lot, "to_place": farm.line, "quantity": 100, "already_done": True}
    assert flags(farm.tell("move", from_place=farm.store, **facts)) == []
    event = farm.tell("move", from_place=farm.quarantine, **facts)
    assert flags(event) == [Flag.Kind.BREACH]


def test_what_came_back_stands_in_quarantine_and_not_on_the_shelf(farm: Farm) -> None:
    """A rejected delivery and a bag that a customer brings back, never straight onto sale."""
    bags = farm.pack([farm.cut(2400)], 20)
    sent = farm.send(bags, 5)
    farm.tell("receive", note=sent.note, lines=[Arrived(bags, 3, rejected=2)])
    rejects = side_place(farm.kitchen_place, K.QUARANTINE)
    assert farm.stock(bags, rejects) == 2
    farm.pass_time(minutes=10)
    farm.tell("deliver", outlet=farm.kitchen, lines=[Line(bags, 2, farm.store)])
    with pytest.raises(Refusal) as refused:
        farm.tell("deliver", outlet=farm.kitchen, lines=[Line(bags, 2, rejects)])
    assert refused.value.code == "in_quarantine"


# Letting go ------------------------------------------------------------------------------------


def test_only_who_is_signed_off_releases(farm: Farm, two: tuple[Lot, Lot]) -> None:
    lot, _ = two
    farm.hold(lot)
    farm.pass_time(minutes=10)
    with pytest.raises(NotAllowed) as refused:
        release(farm, lot, recorded_by=farm.packer)
    assert refused.value.code == "not_signed_off"
    assert "Ines" in refused.value.sentence
    assert held(lot)
    # nobody lets go in another's name
    with pytest.raises(NotAllowed):
        release(farm, lot, recorded_by=farm.packer, done_by=[farm.grower])
    assert held(lot)
    farm.packer.sign_offs.create(task="releasing", since="2026-01-01", by=farm.grower)
    event = release(farm, lot, recorded_by=farm.packer, done_by=[farm.grower])
    assert not held(lot)
    assert (event.recorded_by, list(event.done_by.all())) == (farm.packer, [farm.grower])


def test_all_who_decide_must_be_signed_off_by_that_day(farm: Farm, two: tuple[Lot, Lot]) -> None:
    lot, _ = two
    farm.hold(lot)
    with pytest.raises(NotAllowed):
        release(farm, lot, done_by=[farm.grower, farm.packer])
    tomorrow = farm.today + dt.timedelta(days=1)
    farm.packer.sign_offs.create(task="releasing", since=tomorrow, by=farm.grower)
    with pytest.raises(NotAllowed):
        release(farm, lot, done_by=[farm.grower, farm.packer])
    farm.pass_time(days=1)
    release(farm, lot, done_by=[farm.grower, farm.packer])
    assert not held(lot)


def test_a_hold_is_not_cancelled_round_the_sign_off(farm: Farm, two: tuple[Lot, Lot]) -> None:
    """Cancelling a hold lets go as a release does; an undo of one's own slip does not ask."""
    lot, _ = two
    hold = farm.hold(lot)
    farm.pass_time(minutes=20)
    facts = {"event": hold, "reason": "wrong crate"}
    with pytest.raises(NotAllowed):
        farm.tell("cancel", recorded_by=farm.packer, **facts)
    with pytest.raises(NotAllowed):
        farm.tell("cancel", recorded_by=farm.packer, done_by=[farm.grower], **facts)
    assert held(lot)
    farm.tell("cancel", **facts)
    assert not held(lot)
    slip = farm.tell("hold", lots=[lot], reason="wrong crate", recorded_by=farm.packer)
    assert held(lot)
    farm.tell("undo", event=slip, recorded_by=farm.packer)
    assert not held(lot)
    assert faults() == []


def test_what_was_set_apart_is_not_let_out_by_cancelling(farm: Farm, two: tuple[Lot, Lot]) -> None:
    """A cancelled move takes goods out of quarantine as a release does, and asks for the same; so
    does a cancelled receipt, whose rejects could be accepted after it. An undo does not ask."""
    lot, _ = two
    by_packer = {"reason": "wrong crate", "recorded_by": farm.packer}
    apart = set_apart(farm, lot)
    elsewhere = farm.tell("move", lot=lot, from_place=farm.store, to_place=farm.line, quantity=50)
    sent = farm.send(lot, 200)
    rejected = farm.tell("receive", note=sent.note, lines=[Arrived(lot, 150, rejected=50)])
    farm.pass_time(minutes=20)
    farm.tell("cancel", event=elsewhere, **by_packer)
    for event in (apart, rejected):
        with pytest.raises(NotAllowed) as refused:
            farm.tell("cancel", event=event, **by_packer)
        assert refused.value.code == "not_signed_off"
    assert farm.stock(lot, farm.quarantine) == 500
    farm.tell("cancel", event=apart, reason="wrong crate")
    assert farm.stock(lot, farm.store) == 1800
    way = {"from_place": farm.store, "to_place": farm.quarantine, "quantity": 500}
    slip = farm.tell("move", lot=lot, recorded_by=farm.packer, **way)
    farm.tell("undo", event=slip, recorded_by=farm.packer)
    assert farm.stock(lot, farm.store) == 1800
    assert faults() == []


def test_reasons_are_asked_for(farm: Farm, two: tuple[Lot, Lot]) -> None:
    lot, _ = two
    with pytest.raises(Refusal) as refused:
        farm.hold(lot, reason="  ")
    assert refused.value.code == "reason"
    farm.hold(lot, reason="smells")
    with pytest.raises(Refusal) as refused:
        farm.tell("release", lots=[lot], reason="")
    assert refused.value.code == "reason"
    release(farm, lot)
    with pytest.raises(Refusal) as refused:
        release(farm, lot)
    assert refused.value.code == "not_held"


def test_a_release_is_of_the_lots_named(farm: Farm, two: tuple[Lot, Lot]) -> None:
    """Not of what was made from them: each is released by name."""
    crate, _ = two
    bags = farm.pack([crate], 8, left=1000)
    farm.pass_time(minutes=10)
    farm.hold(crate)
    farm.pass_time(minutes=10)
    release(farm, crate)
    farm.pass_time(minutes=10)
    assert not held(crate)
    assert held(bags)
    farm.send(crate, 100)
    with pytest.raises(Refusal):
        farm.to_shop(bags, 1)
    release(farm, bags)
    farm.pass_time(minutes=10)
    farm.to_shop(bags, 1)


def test_a_lot_held_twice_is_released_of_both(farm: Farm, two: tuple[Lot, Lot]) -> None:
    lot, _ = two
    farm.hold(lot)
    farm.pass_time(minutes=10)
    farm.hold(lot, reason="a complaint")
    assert Hold.objects.filter(lot=lot, ended_by=None).count() == 2
    farm.pass_time(minutes=10)
    event = release(farm, lot)
    assert not held(lot)
    farm.pass_time(minutes=10)
    farm.tell("cancel", event=event, reason="not clear after all")
    assert Hold.objects.filter(lot=lot, ended_by=None).count() == 2


def test_a_breach_stays_listed_after_the_release(farm: Farm, two: tuple[Lot, Lot]) -> None:
    lot, _ = two
    farm.hold(lot)
    farm.pass_time(minutes=10)
    farm.send(lot, 100, already_done=True)
    farm.pass_time(minutes=10)
    release(farm, lot)
    assert Flag.objects.get(kind=Flag.Kind.BREACH).lot == lot
    assert faults() == []


def test_all_that_is_held_can_be_added_up(farm: Farm, two: tuple[Lot, Lot]) -> None:
    """What the lead asks first: how much of it is still here, and where."""
    crate, _ = two
    bags = farm.pack([crate], 8, left=1000)
    farm.to_shop(bags, 3)
    farm.pass_time(minutes=10)
    farm.hold(crate)
    rows = Holding.objects.filter(lot__holds__ended_by=None, lot__holds__isnull=False).exclude(
        quantity=0
    )
    here = {(h.lot, h.place.name): h.quantity for h in rows if h.place.is_standing}
    assert here == {
        (crate, "Cold store"): 1000,
        (bags, "Cold store"): 5,
        (bags, "Farm shop"): 3,
    }
