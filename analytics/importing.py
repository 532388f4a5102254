"""What of the figures is imported: rates, standard uses and timed days, each a set-up list."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from grow.importing.tables import SetUp, added, ask_of, register

from .models import Rate, StandardUse, TimedDay


def _adds(model: Any, by: tuple[str, ...]) -> Callable[[Mapping[str, Any]], bool]:
    def add(facts: Mapping[str, Any]) -> bool:
        return added(model, by, dict.fromkeys(by) | dict(facts)) is not None

    return add


def _named(cells: Mapping[str, str]) -> list[tuple[Any, str]]:
    return []


for _name, _says, _model, _fields, _by in (
    (
        "rates",
        "rates",
        Rate,
        ("what", "crop", "product", "outlet", "amount", "since", "source"),
        ("what", "crop", "product", "outlet", "since"),
    ),
    (
        "uses",
        "standard uses",
        StandardUse,
        ("item", "product", "amount", "unit", "mix", "since", "source"),
        ("item", "product", "since"),
    ),
    ("timed", "timed days", TimedDay, ("day", "minutes", "timed_by", "note"), ("day",)),
):
    _asks = tuple(ask_of(_model, field) for field in _fields)
    register(SetUp(_name, _says, _model, _asks, _adds(_model, _by), _named))
