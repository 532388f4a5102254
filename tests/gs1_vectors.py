"""GS1's vectors as parameters, each with its file and group in its name."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

_FILES = Path(__file__).parent / "vectors"
LINTERS, CHECKED = "gs1-linter-vectors.json", "check-values.json"
DICTIONARY = (_FILES / "gs1-syntax-dictionary.txt").read_text(encoding="utf-8")


def groups(file: str) -> dict[str, list[dict[str, Any]]]:
    whole = json.loads((_FILES / file).read_text(encoding="utf-8"))
    return {name: rows for name, rows in whole.items() if not name.startswith("_")}


def vectors(file: str, *names: str) -> list[Any]:
    """(group, vector) for each vector of these groups."""
    every = groups(file)
    return [
        pytest.param(name, row, id=f"{file}-{name}-{number}")
        for name in names
        for number, row in enumerate(every[name])
    ]
