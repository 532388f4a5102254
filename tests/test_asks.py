"""What is asked for is read off each operation; what is typed is read once, at the edge."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from grow.asks import Ask, Reader, Unread, asks
from grow.edge import tell
from grow.errors import NotKnown, Refusal
from grow.finding import NAMED
from grow.kinds import KINDS
from grow.models import Crop, Lot, Person, Place, Variety
from tests.farm import Farm

pytestmark = pytest.mark.django_db
TYPES = {"row", "group", "tally", "text", "whole", "decimal", "yes", "day", "moment"}


def every(own: tuple[Ask, ...]):
    for ask in own:
        yield ask
        yield from every(ask.parts)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_each_operation_says_what_it_asks_for(kind: str) -> None:
    for ask in every(asks(kind)):
        assert ask.what in TYPES
        assert ask.what not in ("row", "tally") or ask.model in NAMED, ask.name
        assert ask.what != "group" or (ask.parts and ask.makes)


def test_a_cut_told_in_names_and_typed_weights(farm: Farm) -> None:
    batch = farm.sow(20)
    farm.pass_time(days=20)
    farm.plant(batch, farm.t1, 10)
    farm.pass_time(days=20)
    event = tell(
        farm.grower,
        "harvest",
        {
            "crates": [{"gross_g": "4.2 kg", "tare_g": 900}, {"gross_g": 3850, "tare_g": "900"}],
            "store": " cold  STORE ",
            "batches": [batch.code.lower().replace("-", " ")],
            "except_sites": ["T1 5/1"],
            "basis": "",
        },
        client_id="morning",
    )
    assert event.lot.crop == farm.lettuce
    assert event.lot.cut_sites.count() == 9
    farm.stands_at("Cold store | H | 6250 g", H=event.lot)


WRONG = [
    ("sow", {"variety": "Green loose-leaf", "place": "Bench 1"}, "Say cells."),
    (
        "sow",
        {"variety": "Green loose-leaf", "place": "Bench 11", "cells": 4},
        "No place is called “Bench 11”. Did you mean Bench 1 or Bench 2?",
    ),
    (
        "sow",
        {"variety": "Green loose-leaf", "place": "Bench 1", "cells": "4 or 5"},
        "cells: “4 or 5” is not a whole number.",
    ),
    (
        "discard",
        {"lot": "H26001-01-7", "from_place": "Cold store", "to": "compost", "quantity": 1},
        "No lot is called “H26001-01-7”. Say reason.",
    ),
    ("check", {"kind": "probe", "passed": "perhaps"}, "passed: answer yes or no."),
    (
        "sow",
        {"variety": "Green loose-leaf", "place": "Bench 1", "cells": 4, "on": "2.3"},
        "on: “2.3” is not a day; write it as 2026-03-02 or 02/03/2026.",
    ),
    (
        "harvest",
        {"crates": [{"gross_g": "1,500"}], "store": "Cold store", "crop": "Loose-leaf lettuce"},
        "1,500: 1.5 kg or 1500 g? Write it with its unit and without a mark for thousands.",
    ),
    ("sow", {"cell": 4}, "“cell” is nothing that this entry asks for."),
]


@pytest.mark.parametrize(("kind", "data", "says"), WRONG)
def test_what_cannot_be_read_is_asked_back(farm: Farm, kind: str, data: dict, says: str) -> None:
    with pytest.raises(Refusal) as refused:
        tell(farm.grower, kind, data, client_id="x")
    assert says in refused.value.sentence


def test_several_slips_are_told_at_once(farm: Farm) -> None:
    with pytest.raises(Unread) as refused:
        tell(farm.grower, "sow", {"cells": "many", "place": "Bench 1"}, client_id="x")
    assert refused.value.facts["fields"] == {
        "variety": "Say variety.",
        "cells": "cells: “many” is not a whole number.",
    }


def test_plain_values(farm: Farm) -> None:
    def read(type_: str, value: object, name: str = "it", exact: bool = False):
        return Reader(farm.grower, exact=exact).value(Ask(name, type_), value)

    assert read("whole", "12") == read("whole", 12.0) == read("whole", "12.0") == 12
    assert read("whole", "1.2 kg", "trim_g") == 1200
    assert read("decimal", "121,5") == Decimal("121.5")
    assert read("yes", "No") is False
    assert read("yes", True) is True
    assert read("day", "02/03/2026") == dt.date(2026, 3, 2)
    # a July hour is told by the wall clock of the business, an hour ahead of UTC
    told = read("moment", "2026-07-02 14:30")
    assert told.astimezone(dt.UTC) == dt.datetime(2026, 7, 2, 13, 30, tzinfo=dt.UTC)
    for type_, value in (
        ("whole", "1e400"),
        ("whole", 10**30),
        ("whole", float("nan")),
        ("whole", True),
        ("decimal", "Infinity"),
        ("text", "a\0b"),
        ("day", "31/02/2026"),
        ("moment", "soon"),
        ("yes", "perhaps"),
    ):
        with pytest.raises(Refusal):
            read(type_, value)


def test_a_name_that_two_rows_bear_is_asked_back(farm: Farm) -> None:
    """A wrong origin is the worst slip a trace can stand on; so no name is guessed."""
    other = Variety.objects.create(crop=farm.mustard, name="Green loose-leaf")
    reader = Reader(farm.grower)
    with pytest.raises(NotKnown) as refused:
        reader.value(Ask("variety", "row", model=Variety), "green loose-leaf")
    assert refused.value.sentence == (
        "“Green loose-leaf” may be any of Loose-leaf lettuce Green loose-leaf, "
        "Red mustard Green loose-leaf; write which."
    )
    told = reader.value(Ask("variety", "row", model=Variety), "red mustard green loose-leaf")
    assert told == other
    for username in ("kt1", "kt2"):
        Person.objects.create_user(username, shown_as="K. T.")
    with pytest.raises(NotKnown, match="may be any of kt1, kt2"):
        reader.value(Ask("done_by", "row", model=Person), "K. T.")


def test_a_chef_knows_no_other_kitchen(farm: Farm) -> None:
    """What stands only elsewhere is unknown to who is tied to one place, in the same words."""
    chef = Person.objects.create_user("chef")
    chef.places.add(farm.kitchen_place)
    run = farm.pack([farm.cut(1300)], packs=10)
    reader = Reader(chef)
    lot, place = (Ask("lot", "row", model=Lot), Ask("place", "row", model=Place))
    with pytest.raises(NotKnown, match=f"No lot is called “{run.code}”."):
        reader.value(lot, run.code)
    with pytest.raises(NotKnown):
        reader.value(place, "Cold store")
    farm.arrive(farm.send(run, 4), run, accepted=4)
    assert Reader(chef).value(lot, run.code) == run
    assert reader.value(place, "Kitchen") == farm.kitchen_place
    assert reader.value(Ask("crop", "row", model=Crop), "red mustard") == farm.mustard
