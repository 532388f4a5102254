"""Empty tables to fill in, as CSV or as a workbook with a page that says what each column means."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import models

from .sheets import csv_text, workbook
from .tables import CALLED, KEY, Column, Table, offered

#: The page of a workbook that explains the others; it holds no rows to import.
HELP = "Columns"
_WHAT = {
    "text": "text",
    "whole": "a whole number",
    "decimal": "a number",
    "yes": "yes or no",
    "day": "a day, such as 2026-03-02",
    "moment": "a day and time, such as 2026-03-02 14:30",
}


def columns_of(table: Table) -> list[str]:
    hidden = {column.name for column in table.columns if not offered(column)}
    return [name for name in table.names if name not in hidden]


def as_csv(table: Table) -> str:
    return csv_text(columns_of(table), [])


def as_workbook(tables: Iterable[Table]) -> bytes:
    """One sheet a table, and a page of what their columns mean."""
    listed = list(tables)
    pages = [(table.name, columns_of(table), list[list[str]]()) for table in listed]
    told = [row for table in listed for row in explained(table)]
    return workbook([*pages, (HELP, ["table", "column", "needed", "what to write"], told)])


def explained(table: Table) -> list[list[str]]:
    """(table, column, needed, what to write) of each column of a table."""
    rows = []
    for name in columns_of(table):
        column = table.column(name)
        needed = "yes" if column and column.required else ""
        rows.append([table.name, name, needed, _says(table, name, column)])
    return rows


def _says(table: Table, name: str, column: Column | None) -> str:
    if name == KEY:
        return "lines with the same key are one entry; leave it empty where a line is one"
    if name == CALLED and column is None:
        return "your own name for it; later lines and files may use it, and a trace finds it"
    assert column is not None
    ask = column.ask
    if table.kind and name == "on":
        return "the day that it happened (or its moment in the column at)"
    if name == "already_done":
        return "yes: it is told as a fact, which the books do not refuse"
    if ask.model is not None:
        noun = _noun(ask.model)
        return f"{noun}s by name, with ; between" if ask.many else f"the name or code of a {noun}"
    if ask.what == "text" and table.set_up:
        values = _choices(table.set_up.model, name)
        return f"one of: {values}" if values else "text"
    return "grams, or a weight with its unit" if ask.unit else _WHAT[ask.what]


def _noun(model: type[models.Model]) -> str:
    from ..finding import NAMED

    return NAMED[model].noun


def _choices(model: type[models.Model], name: str) -> str:
    own = next((f for f in model._meta.get_fields() if f.name == name), None)
    found = getattr(own, "choices", None) or ()
    return ", ".join(str(value) for value, _ in found)
