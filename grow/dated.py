"""What goes on from one act to another: a tank feeds a place, an input is in use.

Such records are readings of what was told, made anew whenever something of them is told or taken
back, so that they are the same in whatever order that happens.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable
from typing import Any

from django.db.models import QuerySet

from .models import Dated, Event, Place, alive


def standing(place: Place, kinds: Collection[str]) -> QuerySet[Event]:
    """Acts of these kinds at a place that were not taken back, in the order of the books."""
    acts = Event.objects.filter(alive(), kind__in=kinds, place=place)
    return acts.order_by("placed_at", "earliest_at", "latest_at", "id")


def read_anew(model: type[Dated], acts: Iterable[tuple[Event, bool]], **key: Any) -> None:
    """Write the records of one key by its acts, in order: (act, True) begins, (act, False) ends.

    Beginning what has begun changes nothing. Ending what has not begun, or has ended, says that it
    went on at that moment at the least. Of one moment, that act comes first which changes
    something."""
    at_once: dict[dt.datetime, list[tuple[Event, bool]]] = defaultdict(list)
    for act, begins in acts:
        at_once[act.placed_at].append((act, begins))
    rows: list[Dated] = []
    going_on = False
    for at, told in at_once.items():
        while told:
            act, begins = step = next((s for s in told if s[1] != going_on), told[0])
            told.remove(step)
            if begins and going_on:
                continue
            if begins or not going_on:
                rows.append(model(**key, began_by=act, began_at=at))
            if not begins:
                rows[-1].ended_by, rows[-1].ended_at = act, at
            going_on = begins
    model._default_manager.filter(**key).delete()
    model._default_manager.bulk_create(rows)


__all__ = ["read_anew", "standing"]
