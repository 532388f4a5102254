"""Databases of the bench's own: made, loaded, and thrown away. The user's is never opened.

A scratch database has the settings of the configured one and another name. On PostgreSQL it
carries a comment, and one without that comment is somebody's and is left alone."""

from __future__ import annotations

import contextlib
import copy
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.core.management import CommandError, call_command
from django.db import connection, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.utils import load_backend

OURS = "scratch database of the bench; may be dropped"


def wrapper(name: str) -> BaseDatabaseWrapper:
    """A connection to a database of this name, else as the configured one."""
    settings: dict[str, Any] = copy.deepcopy(connections["default"].settings_dict)
    settings["NAME"] = name
    settings["CONN_MAX_AGE"] = None
    return load_backend(settings["ENGINE"]).DatabaseWrapper(settings, "default")


@contextlib.contextmanager
def turned_to(other: BaseDatabaseWrapper) -> Iterator[BaseDatabaseWrapper]:
    """Within, the default connection of this thread is another one."""
    before = connections["default"]
    connections["default"] = other
    try:
        yield other
    finally:
        connections["default"] = before


@contextlib.contextmanager
def database(
    label: str, copy_of: BaseDatabaseWrapper | None = None
) -> Iterator[BaseDatabaseWrapper]:
    """A scratch database: empty and migrated, or a copy of another scratch one."""
    if connection.vendor == "sqlite":
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            file = str(Path(folder) / f"{label}.sqlite3")
            yield from _opened(file, copy_of)
        return
    name = f"{connection.settings_dict['NAME']}_bench_{label}"[:63]
    _drop(name)
    if copy_of is not None:
        copy_of.close()
    template = f' TEMPLATE "{copy_of.settings_dict["NAME"]}"' if copy_of else ""
    _outside(f'CREATE DATABASE "{name}"{template}', f"COMMENT ON DATABASE \"{name}\" IS '{OURS}'")
    try:
        yield from _opened(name, copy_of)
    finally:
        _drop(name)


def _opened(name: str, copy_of: BaseDatabaseWrapper | None) -> Iterator[BaseDatabaseWrapper]:
    other = wrapper(name)
    try:
        if copy_of is None:
            with turned_to(other):
                call_command("migrate", verbosity=0, interactive=False)
        elif connection.vendor == "sqlite":
            copy_of.ensure_connection()
            with contextlib.closing(sqlite3.connect(name)) as target:
                copy_of.connection.backup(target)
        yield other
    finally:
        other.close()


def _outside(*statements: str) -> None:
    """Statements that no transaction may hold, through the server's own database."""
    with connections["default"]._nodb_cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def _drop(name: str) -> None:
    with connections["default"]._nodb_cursor() as cursor:
        cursor.execute(
            "SELECT shobj_description(oid, 'pg_database') FROM pg_database WHERE datname = %s",
            [name],
        )
        row = cursor.fetchone()
        if row is None:
            return
        if row[0] != OURS:
            raise CommandError(
                f"There is a database {name} that the bench did not make. Rename it, or run the "
                "bench from another database."
            )
        cursor.execute(f'DROP DATABASE "{name}" WITH (FORCE)')
