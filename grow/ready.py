"""Statements that are built once and run many times.

To build and compile a query takes the ORM some ten times as long as the database takes to answer
it, and every cut asks the same two dozen. So the ones on the way of an act are written with the
ORM as ever, checked against the models as ever, and kept compiled:

    _crops = ready(
        lambda: Lot.objects.filter(pk__in=Given.each("lots")).values_list("id", "crop_id")
    )
    for lot, crop in _crops(lots=[3, 5]): ...

A list is one parameter whatever its length, so the text stays the same and no database runs out
of parameters.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from itertools import chain
from typing import Any

from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import (
    BigIntegerField,
    DateTimeField,
    Expression,
    Field,
    IntegerField,
    Model,
    QuerySet,
)
from django.db.models import TextField as Text
from django.db.models.query import ModelIterable, get_related_populators

#: PostgreSQL looks an array up by index; of what a sub-query gives it only guesses how much.
_IN_A_LIST = re.compile(r"IN \(SELECT unnest\(%s::(bigint|text)\[\]\)\)")


class Given(Expression):
    """A value that is told when the query runs: by default a whole number or an id."""

    def __init__(self, name: str, field: Field | None = None, many: bool = False) -> None:
        super().__init__(output_field=field or BigIntegerField())
        self.name = name
        self.many = many

    @classmethod
    def moment(cls, name: str) -> Given:
        return cls(name, DateTimeField())

    @classmethod
    def text(cls, name: str) -> Given:
        return cls(name, Text())

    @classmethod
    def each(cls, name: str) -> Given:
        """A list of ids."""
        return cls(name, many=True)

    @classmethod
    def texts(cls, name: str) -> Given:
        return cls(name, Text(), many=True)

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, Any]:
        if not self.many:
            return "%s", [self]
        if connection.vendor == "postgresql":
            of = "text" if isinstance(self.output_field, Text) else "bigint"
            return f"(SELECT unnest(%s::{of}[]))", [self]
        return "(SELECT value FROM json_each(%s))", [self]

    def prepared(self, value: Any) -> Any:
        """The value as the database takes it."""
        if not self.many:
            return self.output_field.get_db_prep_value(value, connection)
        values = list(value)
        if connection.vendor != "postgresql":
            return json.dumps(values)
        return values if isinstance(self.output_field, Text) else _array(values)


def _array(values: Iterable[Any]) -> str:
    """Whole numbers as PostgreSQL writes an array. As a list each would be looked at for the
    smallest type that holds them all, and each type has a plan of its own."""
    return "{" + ",".join("NULL" if n is None else str(n) for n in values) + "}"


def _spelt_out(sql: str, params: Sequence[Any]) -> tuple[str, list[Any]]:
    """PostgreSQL keeps one plan for such a statement: what is the same each time stands in it as
    it is, else the plan would have to do for any kind of entry, however rare."""
    if connection.vendor != "postgresql":
        return sql, list(params)
    from psycopg.sql import Literal

    sql = _IN_A_LIST.sub(r"= ANY(%s::\1[])", sql)
    parts = sql.split("%s")
    said = [
        "%s" if isinstance(one, Given) else Literal(one).as_string().replace("%", "%%")
        for one in params
    ]
    whole = "".join(chain.from_iterable(zip(parts, [*said, ""], strict=True)))
    return whole, [one for one in params if isinstance(one, Given)]


class _Compiled:
    """One query for one kind of database."""

    def __init__(self, rows: QuerySet[Any]) -> None:
        compiler = rows.query.get_compiler(connection=connection)
        self.sql, self.params = _spelt_out(*compiler.as_sql())
        shown = [one for one, *_ in compiler.select[: compiler.col_count]]
        self.converters = [
            (at, convert, column)
            for at, (all_, column) in compiler.get_converters(shown).items()
            for convert in all_
        ]
        self.make: Callable[[Sequence[Any]], Any] = tuple
        if rows._iterable_class is ModelIterable:
            self.make = _maker(compiler)

    def rows(self, given: dict[str, Any]) -> list[Any]:
        params = [
            one.prepared(given[one.name]) if isinstance(one, Given) else one for one in self.params
        ]
        with connection.cursor() as cursor:
            cursor.execute(self.sql, params)
            found = cursor.fetchall()
        if self.converters:
            found = [list(row) for row in found]
            for at, convert, column in self.converters:
                for row in found:
                    row[at] = convert(row[at], column, connection)
        return [self.make(row) for row in found]


def _maker(compiler: Any) -> Callable[[Sequence[Any]], Any]:
    """Rows into objects, with what was selected with them, as ModelIterable does."""
    info = compiler.klass_info
    model: type[Model] = info["model"]
    start, end = info["select_fields"][0], info["select_fields"][-1] + 1
    names = [column.target.attname for column, *_ in compiler.select[start:end]]
    populators = get_related_populators(info, compiler.select, connection.alias)  # type: ignore[call-arg]  # the stubs are of a later Django
    more = list(compiler.annotation_col_map.items())

    def make(row: Sequence[Any]) -> Model:
        made = model.from_db(connection.alias, names, row[start:end])
        for populator in populators:
            populator.populate(row, made)
        for name, at in more:
            setattr(made, name, row[at])
        return made

    return make


class ready:
    """A query with its `Given` values left open. Called with them, it answers its rows in a list:
    tuples of a values_list, else objects."""

    def __init__(self, build: Callable[[], QuerySet[Any]]) -> None:
        self.build = build
        self.compiled: dict[str, _Compiled] = {}

    def __call__(self, **given: Any) -> list[Any]:
        kept = self.compiled.get(connection.vendor)
        if kept is None:
            kept = self.compiled[connection.vendor] = _Compiled(self.build())
        return kept.rows(given)


#: The tables that many acts in one go make grow.
_GROWING = (
    *("grow_event", "grow_event_done_by", "grow_lot", "grow_movement", "grow_holding"),
    *("grow_lineage", "grow_planting", "grow_cutsite", "grow_counted", "grow_flag"),
)


@lru_cache(maxsize=4096)
def _moment(text: bytes, zone: dt.tzinfo | None) -> dt.datetime:
    return dt.datetime.fromisoformat(text.decode()).replace(tzinfo=zone)


def read_moments(connection: BaseDatabaseWrapper, **kwargs: Any) -> None:
    """What is called on each new connection: PostgreSQL's moments, in UTC as Django keeps them,
    are read by Python's own reader of ISO 8601, and each once. A cut reads hundreds of them, the
    same ones as the cut before; the library's reader, which knows every style and year, takes
    several times as long."""
    if connection.vendor != "postgresql":
        return
    from django.db.backends.postgresql.psycopg_any import BaseTzLoader

    class Moment(BaseTzLoader):
        timezone = connection.timezone

        def load(self, data: Any) -> dt.datetime:
            try:
                return _moment(bytes(data), self.timezone)
            except ValueError:  # "infinity", or a year that Python has not
                return super().load(data)

    connection.connection.adapters.register_loader("timestamptz", Moment)


def plan_anew() -> None:
    """Let PostgreSQL look how much the tables have grown. It does so by itself, a minute later;
    within one transaction it never does, and what it planned for a handful of rows would read
    thousands of them from end to end."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(f"ANALYZE {', '.join(_GROWING)}")


#: Fewer parameters in a statement than any SQLite allows.
_PARAMETERS = 900


def insert(rows: Iterable[Model]) -> None:
    """Write new rows of one model, all in one go; each gets its id. Raises IntegrityError."""
    rows = list(rows)
    if not rows:
        return
    fields, start, one, end = _inserting(type(rows[0]), connection.vendor)
    at_once = _PARAMETERS // len(fields)
    for n in range(0, len(rows), at_once):
        some = rows[n : n + at_once]
        values = [
            [f.get_db_prep_save(f.pre_save(row, True), connection) for f in fields] for row in some
        ]
        with connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                # a list for each column: the same statement however many rows
                columns = zip(fields, zip(*values, strict=True), strict=True)
                cursor.execute(
                    start + one + end,
                    [_array(told) if _is_whole(f) else list(told) for f, told in columns],
                )
            else:
                cursor.execute(
                    start + ", ".join([one] * len(some)) + end, list(chain.from_iterable(values))
                )
            ids = cursor.fetchall()
        for row, (pk,) in zip(some, ids, strict=True):
            row.pk = pk
            row._state.adding, row._state.db = False, connection.alias


def _is_whole(field: Field) -> bool:
    return isinstance(getattr(field, "target_field", field), IntegerField)


@lru_cache(maxsize=64)
def _inserting(model: type[Model], vendor: str) -> tuple[list[Field], str, str, str]:
    meta = model._meta
    quote = connection.ops.quote_name
    fields = [f for f in meta.concrete_fields if f is not meta.auto_field]
    start = (
        f"INSERT INTO {quote(meta.db_table)} ({', '.join(quote(str(f.column)) for f in fields)}) "
    )
    end = f" RETURNING {quote(str(meta.pk.column))}"
    if vendor != "postgresql":
        return fields, start + "VALUES ", f"({', '.join(['%s'] * len(fields))})", end
    # without its length: a cast to it would cut a text off where the column refuses it
    kinds = [str(f.db_type(connection)).partition("(")[0] for f in fields]
    lists = ", ".join(f"%s::{kind}[]" for kind in kinds)
    return fields, start, f"SELECT * FROM unnest({lists})", end


__all__ = ["Given", "insert", "plan_anew", "read_moments", "ready"]
