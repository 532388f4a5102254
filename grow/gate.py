"""The gate: who may write beside whom.

Trace-then-hold would leave a run in flight free, and a late-told fill would miss a cut in
flight; so every operation passes the gate first. Ordinary ones share it; those that hold, or
that can renew an edge of a lot already made, have it alone. Plants that are thrown away or counted
may have stood beside what was cut since, so an act that moves them has it alone too, while the
same act of produce shares it. On SQLite BEGIN IMMEDIATE is the
gate; on PostgreSQL an advisory lock of the transaction, as a statement of its own before any
read: a snapshot taken in the same statement would be stale.
"""

import contextlib
import zlib
from collections.abc import Collection, Iterator

from django.db import OperationalError, connection, transaction

from .errors import Busy

LEDGER = 7_064_372  # one number, ours, that names the ledger's lock
LINES = 7_064_373  # and one for the shelves: locks by two numbers are apart from those by one
SHARED, ALONE = "shared", "alone"
#: Alone where a sowing is among the lots named, else shared.
BY_LOT = "by lot"


def enter(how: str) -> None:
    if connection.vendor == "postgresql":
        lock = "pg_advisory_xact_lock" if how == ALONE else "pg_advisory_xact_lock_shared"
        with connection.cursor() as cursor:
            # An act asks short questions by key, the same ones each time. A plan made for any
            # list of keys serves; to plan for each list anew takes longer than to answer.
            cursor.execute(
                f"SELECT {lock}(%s), set_config('plan_cache_mode', 'force_generic_plan', true)",
                [LEDGER],
            )


def lines(shelves: Collection[tuple[int, str]]) -> None:
    """One at a time at each shelf, a line in a place by (place id, line): what was sold of it is
    worked out for all its lots at once, so two at once would each work out the same bags. To be
    taken before anything of the shelf is read, as a statement of its own, like the gate. Two
    shelves that fall on one number only wait for each other."""
    if connection.vendor == "postgresql" and shelves:
        names = (f"{place} {line}".encode() for place, line in shelves)
        keys = sorted({zlib.crc32(name) - 2**31 for name in names})  # signed, in one order
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT pg_advisory_xact_lock(%s, key) FROM unnest(%s::int[]) AS key",
                [LINES, keys],
            )


@contextlib.contextmanager
def through(how: str) -> Iterator[None]:
    """A transaction that has passed the gate. Locks not had in time become Busy."""
    try:
        with transaction.atomic():
            enter(how)
            yield
    except OperationalError as error:
        # LockNotAvailable, deadlock or "database is locked": nothing was written.
        state = getattr(error.__cause__, "sqlstate", None)
        if state in {"55P03", "40P01", "40001"} or "locked" in str(error):
            raise Busy from error
        raise
