"""A phone's clock may be wrong: its queue sends what the clock reads as it sends, and by the
difference its moments are shifted."""

import datetime as dt
import json
from typing import Any

import pytest

from grow import edge
from grow.errors import Conflict, Refusal
from grow.models import Event, Flag, Lot
from tests.farm import Crate, Farm

HOUR = dt.timedelta(hours=1)


def cut(farm: Farm, **told: Any) -> Event:
    return farm.tell("harvest", crates=[Crate(900)], crop=farm.lettuce, store=farm.store, **told)


def flags(event: Event) -> list[str]:
    return list(event.flags.values_list("kind", flat=True))


@pytest.mark.parametrize("wrong_by", [2 * HOUR, -24 * HOUR])
def test_a_wrong_clock_shifts_what_it_told(farm: Farm, wrong_by: dt.timedelta) -> None:
    """Cut at eight, from half past seven, sent at nine: whatever the phone thinks the time is."""
    truly = farm.now
    farm.pass_time(hours=1)
    event = cut(
        farm,
        at=truly + wrong_by,
        began_at=truly - HOUR / 2 + wrong_by,
        clock_reading=farm.now + wrong_by,
    )
    event.refresh_from_db()
    assert (event.began_at, event.happened_at) == (truly - HOUR / 2, truly)
    assert flags(event) == [Flag.Kind.CLOCK]
    said = json.loads(event.told)
    assert said["at"] == (truly + wrong_by).isoformat()
    assert said["clock_reading"] == (farm.now + wrong_by).isoformat()


def test_a_clock_ahead_is_refused_without_its_reading_and_taken_with_it(farm: Farm) -> None:
    ahead = farm.now + 2 * HOUR
    with pytest.raises(Refusal) as refused:
        cut(farm, at=ahead)
    assert refused.value.code == "moment"
    assert cut(farm, at=ahead, clock_reading=ahead).happened_at == farm.now


@pytest.mark.parametrize(("seconds", "flagged"), [(120, False), (121, True)])
def test_a_small_difference_shifts_and_is_not_flagged(
    farm: Farm, seconds: int, flagged: bool
) -> None:
    late = dt.timedelta(seconds=seconds)
    event = cut(farm, at=farm.now - HOUR - late, clock_reading=farm.now - late)
    assert event.happened_at == farm.now - HOUR
    assert flags(event) == [Flag.Kind.CLOCK] * flagged


def test_a_clock_tells_nothing_of_an_entry_without_a_moment(farm: Farm) -> None:
    for told in ({}, {"on": farm.today}):
        assert flags(cut(farm, **told, clock_reading=farm.now - 5 * HOUR)) == []


def test_the_queue_sends_again_at_another_time_and_it_is_the_same(farm: Farm) -> None:
    """The answer was lost on the way; later its clock reads later."""
    told: dict[str, Any] = {"client_id": "queue-1", "at": farm.now}
    farm.pass_time(minutes=10)
    first = cut(farm, **told, clock_reading=farm.now)
    farm.pass_time(minutes=10)
    assert cut(farm, **told, clock_reading=farm.now) == first
    assert Lot.objects.count() == 1
    with pytest.raises(Conflict):
        cut(farm, **told | {"at": farm.now}, clock_reading=farm.now)


def test_the_reading_comes_in_at_the_edge(farm: Farm) -> None:
    fast = farm.now + HOUR
    data = {
        "crates": [{"gross_g": 900}],
        "crop": farm.lettuce.name,
        "store": farm.store.name,
        "at": fast.isoformat(),
        "clock_reading": fast.isoformat(),
    }
    farm.grower.is_superuser = True
    event = edge.tell(farm.grower, "harvest", data, client_id="queue-1", exact=True)
    assert event.happened_at == farm.now
