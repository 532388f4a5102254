"""The rows of a reading's file are the rows of its JSON, all of them, cell by cell.

Lines are read back by Python's own csv module, strictly, as RFC 4180 has them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest

from tests.test_reading_pages import READINGS, asked, manager, signed_in, week  # noqa: F401  # shared fixtures

CSV = {"Accept": "text/csv"}


def lines_of(answer: Any) -> list[dict[str, str]]:
    text = answer.content.decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def written(value: Any) -> str:
    """How a value of the JSON is written in a cell."""
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case list():
            return "; ".join(map(str, value))
        case _:
            text = str(value)
            number = text.lstrip("-").replace(".", "", 1).isdecimal()
            return "'" + text if text[:1] in tuple("=+-@") and not number else text


def expected(row: dict[str, Any], head: list[str]) -> Iterator[dict[str, str]]:
    """The lines of one row: one, or one for each row of its list."""
    lists = {k: v for k, v in row.items() if v and isinstance(v, list) and isinstance(v[0], dict)}
    for n in range(max(map(len, lists.values()), default=1)):
        line = {k: written(v) for k, v in row.items() if k not in lists}
        for name, rows in lists.items():
            if n < len(rows):
                line |= {f"{name}_{k}": written(v) for k, v in rows[n].items()}
        yield {name: line.get(name, "") for name in head}


def rows_of(path: str, told: dict[str, Any]) -> list[dict[str, Any]]:
    if path != "/trace/":
        return told["results"] if "results" in told else told["rows"]
    sides = {"asked": "lots", "up": "ancestors", "down": "descendants"}
    rows = [{"side": side, **lot} for side, name in sides.items() for lot in told[name]]
    for shared in told["alongside"]:
        rows += [{"side": "alongside", **lot, "how": shared["says"]} for lot in shared["lots"]]
    return rows


@pytest.mark.parametrize("path", READINGS)
def test_every_cell_is_that_of_the_json(week, manager, path):  # noqa: F811  # fixtures
    question = asked(path, week)
    rows = rows_of(path, manager.get(READINGS[path], question).json())
    assert rows
    for answer in (
        manager.get(READINGS[path], question, headers=CSV),
        manager.get(path, {**question, "as": "csv"}),
    ):
        lines = lines_of(answer)
        head = list(lines[0])
        assert len(head) > 5
        assert lines == [line for row in rows for line in expected(row, head)]


@pytest.mark.parametrize("path", ["/stock/", "/day/"])
def test_a_file_is_never_cut_short(week, manager, path, monkeypatch):  # noqa: F811  # fixtures
    """JSON comes in pages and says how many there are; a file has no room for that."""
    monkeypatch.setattr("grow.rest.Pages.default_limit", 2)
    told = manager.get(READINGS[path]).json()
    assert told["count"] > len(told["results"]) == 2
    name = "id" if path == "/day/" else None
    lines = lines_of(manager.get(READINGS[path], headers=CSV))
    found = len({line[name] for line in lines}) if name else len(lines)
    assert found == told["count"]
    asked_for = lines_of(manager.get(READINGS[path], {"limit": 1}, headers=CSV))
    assert len({line[name] for line in asked_for} if name else asked_for) == 1
