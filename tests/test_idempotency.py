"""One client id, one event. A queue that lost its answer sends again, and gets it."""

import dataclasses
import datetime as dt
import json
import re
from decimal import Decimal
from typing import Any

import pytest

from grow import ledger
from grow.errors import Conflict, Refusal
from grow.faults import faults
from grow.models import Event, Lot, Movement, Person, Planting
from sales.operations import Line
from tests.farm import Crate, Farm


def weighed(farm: Farm, **more: Any) -> Event:
    facts: dict[str, Any] = {
        "crates": [Crate(2500, 300)],
        "crop": farm.lettuce,
        "store": farm.store,
        "client_id": "queue-1",
    }
    return farm.tell("harvest", **(facts | more))


# Again -----------------------------------------------------------------------------------------


def test_the_same_again_gives_the_same_answer_and_moves_nothing(farm: Farm) -> None:
    first = weighed(farm)
    farm.pass_time(hours=2)
    again = weighed(farm)
    assert again == first
    assert [lot.code for lot in again.lots] == [lot.code for lot in first.lots]
    assert Event.objects.filter(kind="harvest").count() == 1
    assert farm.stock(first.lot, farm.store) == 2200
    assert faults() == []


def test_the_same_in_other_clothes_is_the_same(farm: Farm) -> None:
    """Equal facts compare equal however they are wrapped: a tuple for a list, another zone for
    the same moment, an argument left out or told as None."""
    moment = farm.now - dt.timedelta(minutes=30)
    first = weighed(farm, at=moment)
    other = moment.astimezone(dt.timezone(dt.timedelta(hours=5)))
    assert weighed(farm, at=other, crates=(Crate(2500, 300),), area=None) == first


CHANGED = [
    pytest.param(lambda farm: {"crates": [Crate(2500, 301)]}, id="a gram of tare"),
    pytest.param(lambda farm: {"crates": [Crate(2500, 300), Crate(900)]}, id="another crate"),
    pytest.param(lambda farm: {"store": farm.line}, id="another place"),
    pytest.param(lambda farm: {"at": farm.now - dt.timedelta(minutes=1)}, id="another moment"),
    pytest.param(lambda farm: {"on": farm.today}, id="only a day"),
    pytest.param(lambda farm: {"already_done": True}, id="told as done"),
    pytest.param(lambda farm: {"done_by": [farm.packer]}, id="done by another"),
    pytest.param(lambda farm: {"things": [farm.scale]}, id="with a scale"),
    pytest.param(lambda farm: {"grade_out_g": 1}, id="a gram graded out"),
]


@pytest.mark.parametrize("changed", CHANGED)
def test_the_same_id_with_other_contents_is_a_conflict(farm: Farm, changed: Any) -> None:
    first = weighed(farm)
    assert weighed(farm) == first
    with pytest.raises(Conflict) as refused:
        weighed(farm, **changed(farm))
    assert refused.value.status == 409
    assert refused.value.code == "client_id_reused"
    assert refused.value.facts["event"] == first.pk
    assert "queue-1" in refused.value.sentence
    assert "other contents" in refused.value.sentence
    assert Event.objects.filter(kind="harvest").count() == 1
    # and under an id of its own it is taken
    assert weighed(farm, client_id="queue-2", **changed(farm)) != first


def test_the_same_id_for_another_act_is_a_conflict(farm: Farm) -> None:
    batch = farm.sow()
    weighed(farm)
    facts = {"batch": batch, "place": farm.bench, "not_up": 3}
    with pytest.raises(Conflict) as refused:
        farm.tell("check_germination", client_id="queue-1", **facts)
    assert refused.value.code == "client_id_reused"
    assert farm.tell("check_germination", client_id="queue-2", **facts).kind == "check_germination"


def test_an_id_is_one_person_s_own(farm: Farm) -> None:
    """Two phones may count alike; their people do not."""
    first = weighed(farm)
    other = weighed(farm, recorded_by=farm.packer)
    assert first != other
    assert weighed(farm, recorded_by=farm.packer) == other


def test_the_device_is_noted_and_not_compared(farm: Farm) -> None:
    """The queue may be sent from another tablet: what was done is the same."""
    first = weighed(farm, device="tablet 1")
    assert weighed(farm, device="tablet 2") == first
    first.refresh_from_db()
    assert first.device == "tablet 1"


# A refusal frees the id ------------------------------------------------------------------------


def test_a_refusal_frees_the_id(farm: Farm) -> None:
    crate = farm.cut(1000)
    facts = {"lot": crate, "from_place": farm.store, "to_place": farm.line, "client_id": "q"}
    events = Event.objects.count()
    with pytest.raises(Refusal) as refused:
        farm.tell("move", quantity=1500, **facts)
    assert refused.value.code == "short"
    assert Event.objects.count() == events
    moved = farm.tell("move", quantity=1000, **facts)
    assert moved.client_id == "q"
    assert farm.stock(crate, farm.line) == 1000


def test_a_refusal_by_the_database_frees_the_id_too(farm: Farm, monkeypatch: Any) -> None:
    crate = farm.cut(1000)
    facts = {"lot": crate, "from_place": farm.store, "to_place": farm.line, "client_id": "q"}
    with monkeypatch.context() as patched:
        # the first guard, and the walk of the books, taken out: the CHECK is left
        patched.setattr(ledger.Entry, "_refuse_short", lambda self, net, pairs: None)
        patched.setattr(ledger.books, "settle", lambda entry: [])
        with pytest.raises(Refusal) as refused:
            farm.tell("move", quantity=1500, **facts)
    assert refused.value.code == "holding_never_below_zero"
    assert farm.tell("move", quantity=1000, **facts).client_id == "q"
    assert faults() == []


# Before any other check ------------------------------------------------------------------------


def test_a_retry_does_not_meet_its_own_first_try(farm: Farm) -> None:
    """The sites that the first try filled are occupied now; the retry gets its answer, and the
    same told anew does not."""
    batch = farm.sow(30)
    sites = list(farm.t1.sites.order_by("id")[:10])
    facts = {"batch": batch, "from_place": farm.bench, "sites": sites}
    first = farm.tell("transplant", client_id="walk-1", **facts)
    assert farm.tell("transplant", client_id="walk-1", **facts) == first
    assert Planting.objects.count() == 10
    with pytest.raises(Refusal) as refused:
        farm.tell("transplant", client_id="walk-2", **facts)
    assert refused.value.code == "occupied"


@pytest.mark.parametrize("which", ["emptied", "held", "cut too late", "signed off no more"])
def test_a_retry_is_answered_whatever_has_changed_since(farm: Farm, which: str) -> None:
    crate = farm.cut(1000)
    if which == "emptied":
        verb, facts = "move", {"lot": crate, "from_place": farm.store, "to_place": farm.line}
        facts["quantity"] = 1000
    elif which == "held":
        verb, facts = "deliver", {"outlet": farm.kitchen, "lines": [Line(crate, 400, farm.store)]}
    elif which == "cut too late":
        verb, facts = "sow", {"variety": farm.green, "place": farm.bench, "cells": 20}
        facts["at"] = farm.now + dt.timedelta(minutes=1)
    else:
        verb = "treat"
        facts = {"item": farm.soap, "places": [farm.t2], "reason": "aphids"}
    first = farm.tell(verb, client_id="once", **facts)
    farm.pass_time(minutes=30)
    if which == "held":
        farm.hold(crate)
    if which == "cut too late":
        farm.pass_time(days=-1)  # the clock was put right: what was told now lies ahead
    if which == "signed off no more":
        farm.grower.sign_offs.all().delete()
    assert farm.tell(verb, client_id="once", **facts) == first
    with pytest.raises(Refusal):
        farm.tell(verb, client_id="anew", **facts)


# Undone since ----------------------------------------------------------------------------------


@pytest.mark.parametrize("verb", ["undo", "cancel"])
def test_a_repeat_of_what_was_undone_makes_nothing_and_says_so(farm: Farm, verb: str) -> None:
    first = weighed(farm)
    assert weighed(farm) == first
    farm.pass_time(minutes=5)
    why = {"reason": "weighed twice"} if verb == "cancel" else {}
    farm.tell(verb, event=first, **why)
    farm.pass_time(hours=1)
    with pytest.raises(Conflict) as refused:
        weighed(farm)
    assert refused.value.code == "undone"
    assert "08:05" in refused.value.sentence
    assert "02 Mar 2026" in refused.value.sentence
    assert "new id" in refused.value.sentence
    assert farm.stock(first.lot, farm.store) == 0
    anew = weighed(farm, client_id="queue-2")
    assert farm.stock(anew.lot, farm.store) == 2200
    assert faults() == []


def test_the_undoing_is_idempotent_itself(farm: Farm) -> None:
    first = weighed(farm)
    undone = farm.tell("undo", event=first, client_id="u")
    assert farm.tell("undo", event=first, client_id="u") == undone
    assert Movement.objects.filter(lot=first.lot).count() == 2
    with pytest.raises(Refusal, match="cancelled before"):
        farm.tell("undo", event=first, client_id="v")


# What is kept ----------------------------------------------------------------------------------


def told(event: Event) -> dict[str, Any]:
    return json.loads(event.told or "")


def test_what_was_left_out_stays_left_out(farm: Farm) -> None:
    short = weighed(farm)
    assert told(short).keys() == {"crates", "crop", "store"}
    full = weighed(farm, client_id="q-2", sure=True, done_by=[farm.packer], on=farm.today)
    assert told(full).keys() == {"crates", "crop", "store", "sure", "done_by", "on"}
    assert told(full)["done_by"] == [farm.packer.pk]
    assert told(full)["on"] == "2026-03-02"


def test_no_person_s_name_is_kept(farm: Farm) -> None:
    """A name can be blanked, a seal cannot: ids, codes and hashes only."""
    lead = Person.objects.create_user(
        "zora.quill", shown_as="Zora Quill", first_name="Zora", last_name="Quill", badge="B-77"
    )
    batch = farm.sow(recorded_by=lead, done_by=[lead, farm.packer])
    cut = farm.cut(4000, batch, done_by=[lead], recorded_by=lead)
    farm.tell("treat", item=farm.soap, places=[farm.t2], reason="aphids", done_by=[farm.grower])
    run = farm.pack([cut], 20, recorded_by=lead, done_by=[lead])
    farm.to_shop(run, 5, recorded_by=lead)
    farm.hold(run)
    texts = " ".join(Event.objects.filter(told__isnull=False).values_list("told", flat=True))
    for name in ("Zora", "Quill", "zora.quill", "B-77", "Tam", "Ines"):
        assert not re.search(rf"\b{re.escape(name)}\b", texts, re.IGNORECASE)
    assert f'"done_by":[{lead.pk}' in texts


def test_photographs_are_kept_as_a_hash() -> None:
    """SHA-256 of the bytes as sent (FIPS 180-4's "abc" example)."""
    kept = json.loads(ledger.canonical({"photo": b"abc"}))
    assert kept["photo"]["sha256"] == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


@dataclasses.dataclass(frozen=True)
class _Row:
    lot: int
    note: str | None = None


def test_the_text_is_canonical() -> None:
    """Order of keys, zone of a moment and kind of sequence do not show; order of rows does."""
    paris = dt.timezone(dt.timedelta(hours=1))
    one = ledger.canonical(
        {"b": [1, 2], "a": dt.datetime(2026, 3, 2, 9, tzinfo=paris), "c": Decimal("1.20")}
    )
    two = ledger.canonical(
        {"c": Decimal("1.20"), "a": dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC), "b": (1, 2)}
    )
    assert one == two
    assert one == '{"a":"2026-03-02T08:00:00+00:00","b":[1,2],"c":"1.20"}'
    assert ledger.canonical({"b": [2, 1]}) != ledger.canonical({"b": [1, 2]})
    assert ledger.canonical({"rows": [_Row(1)]}) == '{"rows":[{"lot":1}]}'


def test_a_set_of_rows_is_told_in_one_order() -> None:
    """A set has none of its own, and a repeat must not differ by it."""
    assert ledger.canonical({"lots": {3, 1, 2}}) == ledger.canonical({"lots": [1, 2, 3]})
    assert ledger.canonical({"lots": frozenset({"b", "a"})}) == '{"lots":["a","b"]}'


def test_a_count_keyed_by_lots_is_told_by_their_ids(farm: Farm) -> None:
    one, two = farm.cut(1000), farm.cut(2000)
    event = farm.tell("count", place=farm.store, counted={two: 1900, one: 1000}, client_id="c")
    assert told(event)["counted"] == {str(one.pk): 1000, str(two.pk): 1900}
    again = farm.tell("count", place=farm.store, counted={one: 1000, two: 1900}, client_id="c")
    assert again == event


def test_an_operation_without_a_client_id_is_not_taken(farm: Farm) -> None:
    from grow.operations import sow

    facts = {"variety": farm.green, "place": farm.bench, "cells": 5}
    with pytest.raises(TypeError, match="client_id"):
        sow(recorded_by=farm.grower, **facts)
    assert sow(recorded_by=farm.grower, client_id="x", **facts).lot
    assert Lot.objects.count() == 1


def test_an_empty_client_id_is_no_client_id(farm: Farm) -> None:
    """Two forms that lost their hidden id are two acts, never the same one."""
    facts = {"variety": farm.green, "place": farm.bench, "cells": 5}
    for empty in ("", "   ", None):
        with pytest.raises(Refusal) as refused:
            farm.tell("sow", client_id=empty, **facts)
        assert refused.value.code == "client_id"
    with pytest.raises(Refusal) as refused:
        farm.tell("sow", client_id="x" * 65, **facts)
    assert refused.value.code == "client_id"
    assert farm.tell("sow", client_id="x" * 64, **facts).lot
