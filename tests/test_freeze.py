"""What a hold stops before the act, and who may take back what held or freed a lot.

Each refusal first shows the same call going through with one fact changed."""

import datetime as dt
from typing import Any

import pytest

from grow.errors import NotAllowed, Refusal
from grow.faults import faults
from grow.models import Event, Flag, Hold, Item, Lot, Person, PlaceKind
from tests.farm import Farm


def held(lot: Lot) -> bool:
    return Hold.objects.filter(lot=lot, ended_by=None).exists()


# Held water and film, before the run ---------------------------------------------------------


def _wash(farm: Farm) -> tuple[Lot, dict[str, Any]]:
    return farm.tell("fill", tank=farm.wash_tank).lot, {"tanks": [farm.wash_tank], "washed": True}


def _film(farm: Farm) -> tuple[Lot, dict[str, Any]]:
    film = Item.objects.create(name="Film", kind="packaging")
    lot = farm.tell("receive_input", item=film, supplier=farm.supplier, place=farm.store).lot
    farm.tell("open_input", lot=lot, place=farm.line)
    return lot, {}


@pytest.mark.parametrize("beside", [_wash, _film])
def test_a_run_in_held_water_or_film_is_refused_before_it_is_made(farm: Farm, beside: Any) -> None:
    lot, facts = beside(farm)
    crates = [farm.cut(1000) for _ in range(4)]
    before = farm.now
    farm.pass_time(hours=1)
    assert not held(farm.pack([crates[0]], 8, **facts))
    farm.hold(lot)
    farm.pass_time(hours=1)
    with pytest.raises(Refusal) as refused:
        farm.pack([crates[1]], 8, **facts)
    assert refused.value.code == "held"
    assert lot.code in refused.value.sentence
    assert not Event.objects.filter(kind="pack", placed_at=farm.now).exists()
    late = farm.pack([crates[2]], 8, **facts, at=before)  # of before the hold: accepted, and held
    fact = farm.pack([crates[3]], 8, **facts, already_done=True)
    for run in (late, fact):
        assert held(run)
        assert run.made_by.flags.filter(kind=Flag.Kind.BORN_HELD).exists()
    farm.tell("release", lots=[lot], reason="retested, clear")
    farm.pass_time(hours=1)
    assert not held(farm.pack([crates[1]], 8, **facts))
    assert faults() == []


def test_a_held_lot_called_an_interval_does_not_stop_a_cut(farm: Farm) -> None:
    """Only a harvest interval does, whatever words stand in the reason of a hold."""
    water = farm.tell("fill", tank=farm.tank).lot
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    batch = farm.sow(10)
    farm.plant(batch, farm.t1)
    farm.pass_time(days=20)
    farm.hold(water, reason="tested at too long an interval")
    farm.pass_time(hours=1)
    assert held(farm.cut(900, batch))


# A release taken back ----------------------------------------------------------------------


def _released(farm: Farm) -> tuple[Lot, Event]:
    crate = farm.cut(2000)
    farm.hold(crate)
    farm.pass_time(hours=1)
    let_go = farm.tell("release", lots=[crate], reason="clear")
    farm.pass_time(minutes=5)
    return crate, let_go


def test_a_release_is_taken_back_while_nothing_has_moved_since(farm: Farm) -> None:
    crate, let_go = _released(farm)
    farm.tell("cancel", event=let_go, reason="it was the other crate")
    assert held(crate)
    with pytest.raises(Refusal):
        farm.send(crate, 200)


@pytest.mark.parametrize("verb", ["cancel", "undo"])
def test_a_release_stands_once_the_lot_was_sent_on(farm: Farm, verb: str) -> None:
    crate, let_go = _released(farm)
    thrown = {"lot": crate, "from_place": farm.store, "quantity": 50, "reason": "slime"}
    farm.tell("discard", to=PlaceKind.COMPOST, **thrown)  # that a held lot may do, too
    sent = farm.send(crate, 200)
    more = {"reason": "it was the other crate"} if verb == "cancel" else {}
    with pytest.raises(Refusal) as refused:
        farm.tell(verb, event=let_go, **more)
    assert refused.value.code == "moved_since"
    assert refused.value.facts["events"] == [sent.pk]
    assert "sent" in refused.value.sentence
    assert faults() == []
    farm.tell("cancel", event=sent, reason="not sent after all")
    farm.tell(verb, event=let_go, **more)
    assert held(crate)
    assert faults() == []


def test_a_release_stands_once_something_was_made_of_the_lot(farm: Farm) -> None:
    """What was sown of a released packet is no movement of it, and would go free."""
    seed = farm.tell(
        "receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store
    ).lot
    farm.hold(seed)
    farm.pass_time(hours=1)
    let_go = farm.tell("release", lots=[seed], reason="clear")
    farm.pass_time(hours=1)
    batch = farm.sow(10, seed=seed)
    assert not held(batch)
    with pytest.raises(Refusal) as refused:
        farm.tell("cancel", event=let_go, reason="wrong packet")
    assert refused.value.code == "moved_since"
    assert refused.value.facts["events"] == [batch.made_by_id]
    farm.hold(seed)  # the way out, which holds the sowing too
    assert held(batch)


# Who may take back what held a lot -----------------------------------------------------------


def _spray(farm: Farm, **more: Any) -> Event:
    return farm.tell("treat", item=farm.soap, places=[farm.t1], reason="aphids", **more)


def _sprayed_late(farm: Farm, recorded_by: Person) -> tuple[Lot, Event]:
    batch = farm.sow(10)
    farm.plant(batch, farm.t1)
    farm.pass_time(days=20)
    crate = farm.cut(900, batch)
    farm.pass_time(hours=5)
    yesterday = farm.now - dt.timedelta(days=1)
    told = _spray(farm, at=yesterday, recorded_by=recorded_by, done_by=[farm.grower])
    return crate, told


def test_who_takes_back_a_spray_that_held_a_cut_is_signed_off_for_releasing(farm: Farm) -> None:
    crate, told = _sprayed_late(farm, farm.packer)
    harmless = _spray(farm, recorded_by=farm.packer, done_by=[farm.grower])
    farm.pass_time(hours=1)
    by_packer = {"reason": "other tower", "recorded_by": farm.packer}
    farm.tell("cancel", event=harmless, **by_packer)
    with pytest.raises(NotAllowed) as refused:
        farm.tell("cancel", event=told, **by_packer)
    assert refused.value.code == "not_signed_off"
    assert held(crate)
    farm.tell("cancel", event=told, **by_packer | {"recorded_by": farm.grower})
    assert not held(crate)
    assert faults() == []


def test_one_takes_back_one_s_own_slip_within_ten_minutes(farm: Farm) -> None:
    crate, told = _sprayed_late(farm, farm.packer)
    assert held(crate)
    farm.pass_time(minutes=9)
    farm.tell("undo", event=told, recorded_by=farm.packer)
    assert not held(crate)
    assert faults() == []
