"""One played year, shared by every test that reads it.

Playing takes a minute, so it is done once a session, into a database of its own beside the
tests'. A test that asks for `demo_year` is turned to that one and finds every change of its own
taken back afterwards; so tests of the year and of small farms may follow each other in any order.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connections, transaction

from analytics.demo.play import play
from grow import clock

#: The year's last day: fixed, so that every run plays the same one.
UNTIL = dt.date(2026, 9, 30)
_SUFFIX = "demo"


@contextlib.contextmanager
def _turned_to(name: Any) -> Iterator[None]:
    """Another database under the usual alias, whatever is open in the usual one."""
    usual = connections["default"]
    other = type(usual)({**usual.settings_dict, "NAME": name}, "default")
    connections["default"] = other
    try:
        yield
    finally:
        other.close()
        connections["default"] = usual


@pytest.fixture(scope="session")
def _played_year(django_db_setup: None, django_db_blocker: Any) -> Iterator[Any]:
    with django_db_blocker.unblock():
        usual = connections["default"]
        if usual.vendor == "sqlite":
            with usual.cursor() as cursor:
                cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        usual.close()  # a database is copied only while nobody is in it
        usual.creation.clone_test_db(suffix=_SUFFIX, verbosity=0)
        name = usual.creation.get_test_db_clone_settings(_SUFFIX)["NAME"]
        with _turned_to(name):
            if usual.vendor == "sqlite":
                with connections["default"].cursor() as cursor:
                    cursor.execute("PRAGMA synchronous=OFF")
            play(UNTIL)
    yield name
    with django_db_blocker.unblock():
        usual.close()
        usual.creation.destroy_test_db(suffix=_SUFFIX, verbosity=0)


@pytest.fixture
def demo_year(_played_year: Any, django_db_blocker: Any) -> Iterator[dt.date]:
    """The last day of the year; now is the morning after."""
    morning = dt.datetime.combine(UNTIL, dt.time(9), dt.UTC) + dt.timedelta(days=1)
    with (
        django_db_blocker.unblock(),
        _turned_to(_played_year),
        clock.playing(morning),
        transaction.atomic(),
    ):
        yield UNTIL
        transaction.set_rollback(True)
