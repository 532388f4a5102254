"""What is usual: the store used last, the only tank there is, the tare of the last crate."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from django.db.models import Model

from .asks import Ask
from .finding import NAMED
from .models import Event, Person
from .wording import words

_LOOK_BACK = 20


def last_told(kind: str, person: Person) -> dict[str, Any]:
    """What was told of the last act of this kind: the person's own, else anybody's."""
    told = Event.objects.filter(kind=kind, told__isnull=False, because_of=None)
    rows = list(told.order_by("-placed_at").values_list("recorded_by_id", "told")[:_LOOK_BACK])
    own = next((text for by, text in rows if by == person.pk), None)
    text = own or (rows[0][1] if rows else None)
    return json.loads(text) if text else {}


def usual(kind: str, asked: Iterable[Ask], told: dict[str, Any]) -> dict[str, Any]:
    """Argument → what to fill in: names of rows, and texts as they stand, of those arguments
    that are kept from one act to the next."""
    kept = [ask for ask in asked if words(kind, ask.name).keep and ask.name in told]
    ids: dict[type[Model], set[int]] = defaultdict(set)
    for ask in kept:
        if ask.what == "row" and ask.model:
            value = told[ask.name]
            ids[ask.model].update(value if isinstance(value, list) else [value])
    rows: dict[type[Model], dict[Any, str]] = {}
    for model, wanted in ids.items():
        how = NAMED[model]
        found = model._default_manager.select_related(*how.related).in_bulk(wanted)
        rows[model] = {pk: how.exactly(row) for pk, row in found.items()}
    out: dict[str, Any] = {}
    for ask in kept:
        value = told[ask.name]
        if ask.what == "row" and ask.model:
            known = rows[ask.model]
            if isinstance(value, list):
                out[ask.name] = [known[pk] for pk in value if pk in known]
            elif value in known:
                out[ask.name] = known[value]
        elif ask.what == "yes":
            out[ask.name] = "yes" if value else ""
        else:
            out[ask.name] = str(value)
    return out
