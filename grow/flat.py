"""Readings as flat tables: CSV by RFC 4180, one line a row, headed by the names of the JSON.

A row that holds a list of rows (an entry's movements) takes a line for each; a list of words is
one cell. Nothing in it is worked out by a spreadsheet: a text that would begin a formula has an
apostrophe before it, numbers stay numbers.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.renderers import BaseRenderer

from .importing.sheets import XLSX, csv_text, workbook

CSV = "text/csv"


def columns_of(serializer: type[serializers.Serializer]) -> list[str]:
    """The columns of a row: its own names, and of a list of rows theirs behind its name."""
    found = []
    for name, field in serializer().fields.items():
        inner = getattr(field, "child", None)
        if isinstance(inner, serializers.Serializer):
            found += [f"{name}_{one}" for one in inner.fields]
        else:
            found.append(name)
    return found


def lines(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> Iterator[list[Any]]:
    """The cells of each line, in the order of the columns."""
    for row in rows:
        lists = {
            name: value
            for name, value in row.items()
            if isinstance(value, list | tuple) and any(isinstance(v, Mapping) for v in value)
        }
        longest = max((len(value) for value in lists.values()), default=1)
        for n in range(longest):
            cells = {name: _plain(value) for name, value in row.items() if name not in lists}
            for name, value in lists.items():
                if n < len(value):
                    cells |= {f"{name}_{key}": _plain(v) for key, v in value[n].items()}
            yield [cells.get(column, "") for column in columns]


def _plain(value: Any) -> Any:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case int() | float() | Decimal():
            return value
        case dt.datetime() | dt.date():
            return value.isoformat()
        case list() | tuple():
            return "; ".join(str(one) for one in value)
        case _:
            text = str(value)
            return number_in(text)


def number_in(text: str) -> Any:
    """A decimal that JSON carries as text is a number here."""
    digits = text.removeprefix("-")
    if digits.count(".") == 1 and digits.replace(".", "").isdecimal() and digits.isascii():
        return Decimal(text)
    return text


def as_csv(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    return csv_text(columns, lines(rows, columns))


def download(name: str, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> HttpResponse:
    """The file that a page's link gives. A byte order mark tells a spreadsheet that it is UTF-8;
    programs ask the API, which writes none."""
    answer = HttpResponse("\ufeff" + as_csv(columns, rows), content_type=f"{CSV}; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer


def as_workbook(
    name: str, pages: Iterable[tuple[str, Sequence[str], Iterable[Mapping[str, Any]]]]
) -> HttpResponse:
    """Tables (name, columns, rows) as one XLSX file, a sheet each; texts stay texts."""
    data = workbook([(sheet, columns, lines(rows, columns)) for sheet, columns, rows in pages])
    answer = HttpResponse(data, content_type=XLSX)
    answer["Content-Disposition"] = f'attachment; filename="{name}.xlsx"'
    return answer


class CsvRenderer(BaseRenderer):
    """A reading as CSV, for `Accept: text/csv`. Its view says which rows, as `flat(data)`."""

    media_type = CSV
    format = "csv"
    charset = "utf-8"

    def render(
        self,
        data: Any,
        accepted_media_type: str | None = None,
        renderer_context: Mapping[str, Any] | None = None,
    ) -> str:
        assert renderer_context is not None
        return as_csv(*renderer_context["view"].flat(data))


__all__ = [
    "CSV",
    "XLSX",
    "CsvRenderer",
    "as_csv",
    "as_workbook",
    "columns_of",
    "download",
    "lines",
    "number_in",
]
