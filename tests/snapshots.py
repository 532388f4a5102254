"""The tests' SQLite file as it once was, put back in a moment: what a transactional test leaves is
overwritten by pages, not by a delete from each table and a migrate after it."""

from __future__ import annotations

import copy
import sqlite3
from collections.abc import Callable
from typing import TypeVar

from django.db import connection

from grow import clock

Made = TypeVar("Made")
_kept: dict[str, sqlite3.Connection] = {}
_made: dict[str, object] = {}


def on_sqlite() -> bool:
    return connection.vendor == "sqlite"


def keep(name: str) -> None:
    """Keep what stands in the database now."""
    connection.ensure_connection()
    _kept[name] = sqlite3.connect(":memory:", check_same_thread=False)
    connection.connection.backup(_kept[name])


def put_back(name: str) -> bool:
    """The database as it was then; whether there was anything to put back."""
    if name not in _kept:
        return False
    connection.ensure_connection()
    _kept[name].backup(connection.connection)
    return True


def made_once(name: str, make: Callable[[], Made], now: Callable[[Made], object]) -> Made:
    """What make() makes in an empty database, made once and put back afterwards with its rows. Each
    caller has a copy of its own; now: of what was made, what its clock shows."""
    if not on_sqlite():
        return make()
    if put_back(name):
        made: Made = copy.deepcopy(_made[name])  # type: ignore[assignment]  # what make() gave
        clock.play(now(made))
        return made
    made = make()
    keep(name)
    _made[name] = copy.deepcopy(made)
    return made
