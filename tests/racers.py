"""What the races stand on: threads and processes with connections of their own, and pauses at a
known point inside a transaction. Nothing here waits for a length of time: each side waits for the
other to have got somewhere, and the limits only turn a hang into a failure.

This module imports no model: a spawned process reads it before Django is set up.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import quote

LIMIT_S = 15  # below the 20 s after which whoever waits for a lock is sent away


def until(reached: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + LIMIT_S
    while not reached():
        assert time.monotonic() < deadline, f"never came: {what}"
        time.sleep(0.005)


def somebody_waits() -> bool:
    """PostgreSQL: whether a connection to this database stands before a lock."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity "
            "WHERE datname = current_database() AND wait_event_type = 'Lock'"
        )
        return bool(cursor.fetchone()[0])


# Threads ---------------------------------------------------------------------------------------


class Teller(threading.Thread):
    """Tells one thing from a connection of its own. `pausing`: stop once all is written and
    nothing committed, until let go."""

    def __init__(self, tell: Callable[[], Any], *, pausing: bool = False) -> None:
        super().__init__(daemon=True)
        self.tell, self.pausing = tell, pausing
        self.started, self.paused, self.go = (threading.Event() for _ in range(3))
        self.answer: Any = None
        self.error: BaseException | None = None

    def run(self) -> None:
        from django.db import connections

        self.started.set()
        try:
            self.answer = self.tell()
        except BaseException as error:
            self.error = error
        finally:
            connections.close_all()

    def begin(self) -> Teller:
        self.start()
        reached = self.paused if self.pausing else self.started
        until(lambda: reached.is_set() or not self.is_alive(), "the point in the transaction")
        if self.pausing and not self.paused.is_set():
            raise AssertionError("it ended without writing anything") from self.error
        return self

    def end(self) -> Any:
        self.go.set()
        self.join(LIMIT_S)
        assert not self.is_alive(), "it hangs"
        if self.error:
            raise self.error
        return self.answer


@contextlib.contextmanager
def pauses() -> Iterator[None]:
    """Lets Tellers pause at the very end of their transaction, when holds, edges and own rows
    are written too."""
    from grow import ledger

    post = ledger.Entry.post

    def post_and_pause(entry: Any) -> None:
        post(entry)
        me = threading.current_thread()
        if isinstance(me, Teller) and me.pausing:
            me.paused.set()
            assert me.go.wait(LIMIT_S), "nobody let it go"

    ledger.Entry.post = post_and_pause  # type: ignore[method-assign]  # the guard removed
    try:
        yield
    finally:
        ledger.Entry.post = post  # type: ignore[method-assign]  # the guard removed


# Processes -------------------------------------------------------------------------------------


def database_url() -> str:
    """The tests' database, for a process of its own."""
    from django.db import connection

    at = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{at['NAME']}"
    password = f":{quote(at['PASSWORD'], safe='')}" if at["PASSWORD"] else ""
    return f"postgres://{at['USER']}{password}@{at['HOST']}:{at['PORT']}/{at['NAME']}"


def take_all(
    url: str,
    moment: dt.datetime,
    told: dict[str, Any],
    without: tuple[str, ...],
    written: Any,
    go: Any,
    answers: Any,
) -> None:
    """One process that moves all of a lot out of a store. `written` is set when its transaction
    has come so far, `go` lets it commit; `answers` gets "done" or the refusal's code.

    without "lock": no row is locked for update. without "immediate": SQLite's transactions begin
    as plain BEGIN; `written` is then set before the first write, after the first reading."""
    os.environ["DATABASE_URL"] = url
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.db import connections
    from django.db.models import QuerySet

    if "immediate" in without:
        settings.DATABASES["default"]["OPTIONS"].pop("transaction_mode")
    if "lock" in without:
        QuerySet.select_for_update = lambda self, **_: self  # type: ignore[method-assign]  # the guard removed
    from grow import clock, ledger
    from grow.errors import Refusal
    from grow.models import Lot, Person, Place

    clock.play(moment)

    def stop(*_: Any) -> None:
        written.set()
        assert go.wait(LIMIT_S)

    if "immediate" in without:
        insert = ledger._insert

        def read_then_insert(event):
            stop()
            return insert(event)

        ledger._insert = read_then_insert
    else:
        post = ledger.Entry.post

        def post_and_stop(entry):
            post(entry)
            stop()

        ledger.Entry.post = post_and_stop
    try:
        ledger.KINDS["move"].run(
            recorded_by=Person.objects.get(pk=told["by"]),
            client_id=told["client_id"],
            lot=Lot.objects.get(pk=told["lot"]),
            from_place=Place.objects.get(pk=told["from"]),
            to_place=Place.objects.get(pk=told["to"]),
            quantity=told["quantity"],
        )
        answers.put("done")
    except Refusal as refusal:
        answers.put(refusal.code)
    except BaseException as error:
        answers.put(repr(error))
        raise
    finally:
        connections.close_all()
