"""Plants that two entries say are gone: the second is short of them, and ends them once the
first is taken back. A tower's plantings and its plants by the books stay one number."""

import datetime as dt

from grow.faults import faults
from grow.models import Event, Lot, Place, Planting
from tests.farm import Farm

HOUR = dt.timedelta(hours=1)


def ten_on(farm: Farm, tower: Place) -> Lot:
    batch = farm.sow(30)
    farm.tell("transplant", batch=batch, from_place=farm.bench, towers=[tower], plants=10)
    return batch


def alive(tower: Place) -> int:
    return Planting.objects.filter(site__tower=tower, ended_by=None).count()


def lose(farm: Farm, batch: Lot, plants: int, **rest) -> Event:
    return farm.tell(
        "lose_plants", batch=batch, place=farm.t1, plants=plants, reason="slug", **rest
    )


def cancel(farm: Farm, event: Event) -> None:
    farm.tell("cancel", event=event, reason="told twice")


def sound(farm: Farm, batch: Lot, plants: int) -> None:
    assert faults() == []
    assert alive(farm.t1) == farm.stock(batch, farm.t1) == plants


def test_a_clearing_told_late_ends_what_was_told_as_lost_once_that_is_taken_back(
    farm: Farm,
) -> None:
    batch = ten_on(farm, farm.t1)
    farm.pass_time(hours=6)
    lost = lose(farm, batch, 5)
    cleared = farm.tell("clear", batch=batch, at=farm.now - HOUR, already_done=True)
    sound(farm, batch, 0)
    cancel(farm, lost)
    sound(farm, batch, 0)
    assert set(Planting.objects.values_list("ended_by", "ended_at")) == {
        (cleared.pk, cleared.placed_at)
    }
    cancel(farm, cleared)
    sound(farm, batch, 10)


def test_more_told_as_lost_than_stood_takes_those_that_are_freed(farm: Farm) -> None:
    batch = ten_on(farm, farm.t1)
    farm.pass_time(hours=1)
    first = lose(farm, batch, 5)
    farm.pass_time(hours=1)
    lose(farm, batch, 8, already_done=True)
    sound(farm, batch, 0)
    cancel(farm, first)
    sound(farm, batch, 2)


def test_plants_told_late_are_those_that_were_told_as_lost(farm: Farm) -> None:
    batch = ten_on(farm, farm.t1)
    planted = farm.now
    farm.pass_time(hours=2)
    lose(farm, batch, 8)
    lose(farm, batch, 5, already_done=True)
    sound(farm, batch, 0)
    late = farm.tell(
        "transplant",
        batch=batch,
        from_place=farm.bench,
        towers=[farm.t1],
        plants=4,
        at=planted + HOUR,
        already_done=True,
    )
    sound(farm, batch, 1)
    cancel(farm, late)
    sound(farm, batch, 0)
