""" "All of it" said late: an act without a number takes what stood then, not what stands now."""

import pytest

from grow.errors import Refusal
from grow.faults import faults
from grow.models import Planting
from grow.queries import stock
from tests.farm import Farm

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return Farm()


def test_cleared_late_takes_what_stood_there_then(farm: Farm) -> None:
    batch = farm.sow(60)
    farm.tell("move_plants", batch=batch, from_place=farm.bench, to_place=farm.tent, plants=20)
    then = farm.pass_time(days=3)
    farm.pass_time(days=1)
    farm.tell("move_plants", batch=batch, from_place=farm.tent, to_place=farm.bench2, plants=20)
    farm.tell("move_plants", batch=batch, from_place=farm.bench2, to_place=farm.bench, plants=20)
    farm.pass_time(days=1)
    with pytest.raises(Refusal) as refused:  # of the tent's twenty, told as gone, all moved since
        farm.tell("clear", batch=batch, at=then)
    assert refused.value.code in ("short", "short_then")
    assert stock(batch, farm.bench) == 60
    farm.tell("clear", batch=batch, places=[farm.bench], at=then)
    assert stock(batch, farm.bench, at=then) == 0
    assert stock(batch, farm.bench) == 20  # these came back from the tent since
    assert faults() == []


def test_cleared_everywhere_late_names_the_places_of_then(farm: Farm) -> None:
    batch = farm.sow(40)
    then = farm.pass_time(days=3)
    farm.pass_time(days=1)
    farm.tell("move_plants", batch=batch, from_place=farm.bench, to_place=farm.bench2, plants=40)
    farm.pass_time(days=1)
    farm.tell("clear", batch=batch, at=then, already_done=True)
    assert stock(batch, farm.bench, at=then) == 0
    assert farm.stock(batch, farm.difference) == -40  # what was moved since came from nowhere
    assert faults() == []


def test_planted_out_late_takes_what_stood_there_then(farm: Farm) -> None:
    batch = farm.sow(10)
    then = farm.pass_time(days=15)
    other = farm.sow(5)
    farm.pass_time(days=1)
    farm.tell("move_plants", batch=other, from_place=farm.bench, to_place=farm.tent, plants=5)
    farm.tell("lose_plants", batch=batch, place=farm.bench, plants=1, reason="slug", at=farm.now)
    farm.pass_time(days=1)
    with pytest.raises(Refusal):  # all ten on the tower: then the one lost since was not there
        farm.plant(batch, farm.t1, at=then)
    farm.plant(batch, farm.t1, at=then, already_done=True)
    assert stock(batch, farm.t1) == 10
    assert Planting.objects.filter(batch=batch).count() == 10
    assert faults() == []


def test_a_packet_finished_late_gives_what_it_held_then(farm: Farm) -> None:
    packet = farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        quantity=500,
    ).lot
    spare = farm.place("Seed cupboard", "store")
    farm.tell("open_input", lot=packet, place=farm.greenhouse)
    then = farm.pass_time(days=3)
    farm.pass_time(days=1)
    farm.tell("finish_input", lot=packet, place=farm.greenhouse, at=then)
    assert stock(packet, farm.store) == 0
    assert stock(packet, farm.store, at=then) == 0
    assert stock(packet, spare) == 0
    assert faults() == []


def test_a_packet_finished_twice_is_used_up_once(farm: Farm) -> None:
    packet = farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        quantity=500,
    ).lot
    farm.tell("open_input", lot=packet, place=farm.greenhouse)
    farm.pass_time(days=3)
    then = farm.now
    farm.tell("open_input", lot=packet, place=farm.tent)
    farm.pass_time(days=1)
    farm.tell("finish_input", lot=packet, place=farm.greenhouse)
    farm.tell("finish_input", lot=packet, place=farm.tent)
    assert stock(packet, farm.store) == 0
    farm.tell("open_input", lot=packet, place=farm.bench2, at=then)
    farm.tell("finish_input", lot=packet, place=farm.bench2, at=then)
    assert stock(packet, farm.store) == 0
    assert faults() == []
