"""Sealing a history, looking at it again, and sealing one day more, against reading the same rows
plainly."""

from __future__ import annotations

import datetime as dt
import hashlib
from functools import partial
from random import Random

from grow import clock, seal
from grow.models import Event, Seal

from .rows import Bare, Job, Row, in_turn

#: Every row that a seal is made of, once, in order.
_ROWS = (
    "SELECT * FROM grow_event ORDER BY id",
    "SELECT * FROM grow_movement ORDER BY event_id, id",
    "SELECT * FROM grow_lot ORDER BY made_by_id, id",
)


def _plainly(bare: Bare) -> str:
    """Read the rows by the bare driver and add up their texts: a sum, and no more."""
    digest = hashlib.sha256()
    for sql in _ROWS:
        for row in bare.run(sql, ()):
            digest.update(repr(row).encode())
    return digest.hexdigest()


def _recount() -> int:
    return sum(1 for _ in seal.seals())


def _one_day() -> str:
    """What one night's sealing reads: the last day again, and where the days end."""
    made = Seal.objects.order_by("-day").first()
    assert made is not None
    before = seal.before(made)
    after, previous = (before.through, before.digest) if before else (0, seal.NOTHING)
    seal.waiting()
    return seal.add_up(made.day, previous, after, made.through).digest


def seals(movements: int, dice: Random) -> list[Row]:
    """The rows of the database in hand; its days are sealed, and stay so."""
    last = Event.objects.order_by("-recorded_at").values_list("recorded_at", flat=True)[0]
    with clock.playing(last + dt.timedelta(days=1)):
        seal.seal()
        bare = Bare()
        jobs: list[Job] = [
            ("all", 0, _recount),
            ("day", 0, _one_day),
            ("rows", 0, partial(_plainly, bare)),
        ]
        took = in_turn(jobs, dice)
    days = Seal.objects.count()
    whole, day, rows = (took[who, 0] for who in ("all", "day", "rows"))
    return [
        Row(
            f"{days} seals looked at ÷ their rows read plainly",
            movements,
            whole,
            rows,
            whole / rows,
            8,
        ),
        Row("one day sealed ÷ all days looked at", movements, day, whole, day / whole, 10 / days),
    ]
