"""What an operation asks for can be read off it, and a code of the wrong kind is refused."""

from __future__ import annotations

import inspect
import typing

import grow.operations as grown
import sales.operations as sold
from grow.kinds import KINDS
from grow.models import Event, Lot, Person, Variety

COMMON = {
    "recorded_by",
    "client_id",
    "done_by",
    "at",
    "on",
    "began_at",
    "already_done",
    "device",
    "things",
    "tanks",
}
OPERATIONS = {
    name: run for name in KINDS if (run := getattr(grown, name, None) or getattr(sold, name, None))
}


def test_each_operation_can_be_asked_what_it_takes() -> None:
    assert OPERATIONS.keys() == KINDS.keys()
    for name, run in OPERATIONS.items():
        taken = inspect.signature(run).parameters
        own = inspect.signature(inspect.unwrap(run)).parameters
        assert set(taken) == (set(own) - {"entry"}) | COMMON
        assert all(p.kind is p.KEYWORD_ONLY for p in taken.values()), name
        assert not any(isinstance(p.annotation, str) for p in taken.values()), name
        assert typing.get_type_hints(run).keys() == {*taken, "return"}
        assert KINDS[name].facts.keys() == set(own) - {"entry"}
        for fact, p in KINDS[name].facts.items():
            assert p.default == own[fact].default


def test_a_sowing_asks_for_a_variety_and_a_number_of_cells() -> None:
    hints = typing.get_type_hints(grown.sow)
    assert (hints["variety"], hints["cells"], hints["seed"]) == (Variety, int, Lot | None)
    assert (hints["recorded_by"], hints["return"]) == (Person, Event)
    sow = inspect.signature(grown.sow).parameters
    assert sow["cells"].default is inspect.Parameter.empty
    assert sow["seed"].default is None
