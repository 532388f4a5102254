"""Bulk loading: rows as tuples, straight through the driver into an empty database."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from django.core.management.color import no_style
from django.db import connection, models, transaction

from grow import triggers

#: Rows that wait in memory before they are written.
BATCH = 20_000


class Rows:
    """Rows of one table: the fields that the history fills; the others take their default."""

    def __init__(self, model: type[models.Model], *fields: str) -> None:
        self.table = model._meta.db_table
        self.model = model
        known = {f.name: f for f in model._meta.concrete_fields}
        given = [known[name] for name in fields]
        rest = [f for f in model._meta.concrete_fields if f not in given and not f.primary_key]
        self.fixed = tuple(
            None if f.null else f.get_db_prep_save(f.get_default(), connection) for f in rest
        )
        self.columns = [str(f.column) for f in (*given, *rest)]
        self.last = model._base_manager.aggregate(n=models.Max(model._meta.pk.attname))["n"] or 0
        self.waiting: list[tuple[Any, ...]] = []
        self.written = 0

    def add(self, *values: Any) -> None:
        self.waiting.append(values + self.fixed)
        if len(self.waiting) >= BATCH:
            self.write()

    def next(self) -> int:
        self.last += 1
        return self.last

    def write(self) -> None:
        if not self.waiting:
            return
        rows, self.waiting = self.waiting, []
        names = ", ".join(map(connection.ops.quote_name, self.columns))
        # one transaction a batch, else every row of executemany would be one
        with transaction.atomic(), connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                with cursor.copy(f"COPY {self.table} ({names}) FROM STDIN") as copy:
                    for row in rows:
                        copy.write_row(row)
            else:
                marks = ", ".join("?" * len(self.columns))
                # the driver's own cursor: Django's would rewrite the text for every batch
                connection.connection.executemany(
                    f"INSERT INTO {self.table} ({names}) VALUES ({marks})", rows
                )
        self.written += len(rows)


@contextlib.contextmanager
def loading(*, whole: bool) -> Iterator[None]:
    """Triggers are lifted while rows are loaded. With `whole` the database is a scratch one of
    the bench and is loaded outside a transaction: durability is off, and secondary indexes and
    foreign keys are made afterwards, at once, so that every key is still looked at."""
    triggers.lift()
    if not whole:
        yield
        triggers.install()
        return
    remake = _strip()
    yield
    with connection.cursor() as cursor:
        for statement in remake:
            cursor.execute(statement)
    if connection.vendor == "sqlite":
        connection.check_constraints()
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA synchronous=FULL")
            cursor.execute("PRAGMA foreign_keys=ON")
    triggers.install()


def _strip() -> list[str]:
    """Drop what slows a load; returns the statements that make it again."""
    remake: list[str] = []
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA synchronous=OFF")
            cursor.execute("PRAGMA foreign_keys=OFF")
            cursor.execute(
                "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL "
                "AND (tbl_name LIKE 'grow%%' OR tbl_name LIKE 'sales%%')"
            )
            for name, statement in cursor.fetchall():
                cursor.execute(f'DROP INDEX "{name}"')
                remake.append(statement)
            return remake
        cursor.execute("SET synchronous_commit = off")
        cursor.execute(
            "SELECT c.conname, c.conrelid::regclass::text, pg_get_constraintdef(c.oid) "
            "FROM pg_constraint c JOIN pg_class t ON t.oid = c.conrelid "
            "WHERE c.contype = 'f' AND (t.relname LIKE 'grow%%' OR t.relname LIKE 'sales%%')"
        )
        keys = cursor.fetchall()
        cursor.execute(
            "SELECT i.indexname, i.indexdef FROM pg_indexes i "
            "WHERE i.schemaname = current_schema() "
            "AND (i.tablename LIKE 'grow%%' OR i.tablename LIKE 'sales%%') "
            "AND NOT EXISTS (SELECT 1 FROM pg_constraint c WHERE c.conname = i.indexname)"
        )
        indexes = cursor.fetchall()
        for name, table, _ in keys:
            cursor.execute(f'ALTER TABLE {table} DROP CONSTRAINT "{name}"')
        for name, definition in indexes:
            cursor.execute(f'DROP INDEX "{name}"')
            remake.append(definition)
        remake += [f'ALTER TABLE {t} ADD CONSTRAINT "{n}" {d}' for n, t, d in keys]
        remake.append("SET synchronous_commit = on")
    return remake


def finish(tables: list[Rows]) -> None:
    """After the last row: sequences go on where the ids ended, and the planner looks once."""
    for rows in tables:
        rows.write()
    models_ = [rows.model for rows in tables]
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), models_):
            cursor.execute(statement)


def analyse(*, vacuum: bool) -> None:
    """Statistics for the planner; on PostgreSQL VACUUM too, so that covering indexes suffice.
    Inside a transaction there is no vacuum."""
    with connection.cursor() as cursor:
        vacuum = vacuum and connection.vendor == "postgresql"
        cursor.execute("VACUUM ANALYZE" if vacuum else "ANALYZE")
