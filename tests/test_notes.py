"""Notes and receipts: what a note says is what of it arrived, whatever is taken back."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from grow.errors import Refusal
from grow.faults import faults
from grow.models import Event, Flag, Lot
from sales.operations import Arrived, Line
from tests.farm import Farm


def line_of(note: Event, lot: Lot) -> dict[str, int]:
    names = ("sent", "accepted", "short", "rejected", "to_follow", "over")
    values = note.note.lines.values(*names).filter(lot=lot).first() or {}
    return {name: n for name, n in values.items() if n}


def flags(event: Event) -> set[str]:
    return set(Flag.objects.filter(event=event).values_list("kind", flat=True))


def transit(farm: Farm, lot: Lot) -> int:
    return farm.stock(lot, farm.side(farm.kitchen, "transit"))


def test_a_receipt_taken_back_leaves_the_note_as_if_it_had_not_been_told(farm: Farm) -> None:
    """Twenty bags sent. The receipt of eighteen was of another note; then five are not too many."""
    run = farm.pack([farm.cut(4000)], packs=30)
    sent = farm.send(run, 20)
    first = farm.arrive(sent, run, 18)
    more = farm.arrive(sent, run, 5)
    assert line_of(sent, run) == {"sent": 20, "accepted": 23, "over": 3}
    assert Flag.Kind.OVER in flags(more)
    assert farm.stock(run, farm.difference) == -3
    farm.tell("cancel", event=first, reason="other note")
    assert line_of(sent, run) == {"sent": 20, "accepted": 5, "to_follow": 15}
    assert (transit(farm, run), farm.stock(run, farm.difference)) == (15, 0)
    assert faults() == []
    last = farm.arrive(sent, run, 12, short=1, rejected=2)
    assert line_of(sent, run) == {"sent": 20, "accepted": 17, "short": 1, "rejected": 2}
    farm.tell("cancel", event=more, reason="other note")
    farm.tell("cancel", event=last, reason="other note")
    assert line_of(sent, run) == {"sent": 20, "to_follow": 20}
    farm.tell("cancel", event=sent, reason="not sent")
    farm.stands_at("Cold store | run | 30 each", run=run)


def test_a_receipt_is_a_paper_on_its_note_until_it_is_taken_back(farm: Farm) -> None:
    run = farm.pack([farm.cut(4000)], packs=30)
    sent = farm.send(run, 20)
    parts = [farm.arrive(sent, run, 5), farm.arrive(sent, run, 5)]
    for part in parts:
        with pytest.raises(Refusal) as refused:
            farm.tell("cancel", event=sent, reason="not sent")
        assert refused.value.code == "paper_on_it"
        farm.tell("cancel", event=part, reason="other note")
    farm.tell("cancel", event=sent, reason="not sent")
    assert faults() == []


def test_goods_of_a_note_that_was_cancelled_arrive_all_the_same(farm: Farm) -> None:
    """A fact is written: what stands at the kitchen comes from count difference, and is flagged
    until somebody finds the other twenty in the store, or not."""
    run = farm.pack([farm.cut(4000)], packs=30)
    sent, other = farm.send(run, 20), farm.send(run, 5)
    assert flags(farm.arrive(other, run, 5)) == set()
    farm.tell("cancel", event=sent, reason="the van broke down")
    got = farm.arrive(sent, run, 19, short=1)
    assert {Flag.Kind.OVER, Flag.Kind.NOT_ON_BOOKS} <= flags(got)
    says = Flag.objects.get(event=got, kind=Flag.Kind.NOT_ON_BOOKS).says
    assert says.startswith(f"Note {sent.note.number} was cancelled")
    assert line_of(sent, run) == {"accepted": 19, "short": 1, "over": 20}
    farm.stands_at("Cold store | run | 25 each \n Kitchen | run | 24 each", run=run)
    # the receipt is a paper on a note that is cancelled already; taken back it leaves nothing
    farm.tell("cancel", event=got, reason="it was of the other note")
    assert line_of(sent, run) == {}
    farm.stands_at("Cold store | run | 25 each \n Kitchen | run | 5 each", run=run)


def test_one_lot_on_two_notes_may_come_with_the_wrong_one(farm: Farm) -> None:
    """Three of the second note's bags came with the first: nothing is lost, nothing is made."""
    run = farm.pack([farm.cut(4000)], packs=30)
    first, second = farm.send(run, 10), farm.send(run, 10)
    farm.arrive(first, run, 13)
    farm.arrive(second, run, 7, short=3)
    assert line_of(first, run) == {"sent": 10, "accepted": 13, "over": 3}
    assert farm.stock(run, farm.difference) == 0
    farm.stands_at("Cold store | run | 10 each \n Kitchen | run | 20 each", run=run)


def test_a_long_note_is_written_once(farm: Farm) -> None:
    runs = [farm.pack([farm.cut(400)], packs=3) for _ in range(6)]

    def written(some: list[Lot]) -> int:
        lines = [Line(run, 1, farm.store) for run in some]
        sent = farm.tell("deliver", outlet=farm.kitchen, lines=lines)
        arrived: dict[str, Any] = {"note": sent.note, "lines": [Arrived(run, 1) for run in some]}
        with CaptureQueriesContext(connection) as asked:
            farm.tell("receive", **arrived)
        return sum(q["sql"].startswith('UPDATE "sales_noteline"') for q in asked)

    assert written(runs[:1]) == written(runs) == 1
