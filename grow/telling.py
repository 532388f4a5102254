"""What was told, as one canonical text, and when it happened: what every operation's arguments
are read into before the books are looked at."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections import defaultdict
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.db import models

from . import clock
from .kinds import Kind
from .models import Lot

#: How far ahead of our clock another clock may run.
AHEAD = dt.timedelta(minutes=2)
#: What a correction takes from the event that it corrects.
DATED_AS = ("happened_at", "placed_at", "earliest_at", "latest_at", "day")


# --- what was told ------------------------------------------------------------------------


def canonical(value: Mapping[str, Any]) -> str:
    """The validated arguments as one JSON text: sorted keys, ids for rows, text for decimals,
    nothing that was left out. A repeat is compared with it, and it never holds a name."""
    return json.dumps(_plain(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _plain(value: Any) -> Any:
    if isinstance(value, models.Model):
        return value.pk
    if isinstance(value, Mapping):
        return {str(_plain(k)): _plain(v) for k, v in value.items() if v is not None}
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat()
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, bytes):
        return {"sha256": hashlib.sha256(value).hexdigest()}
    if isinstance(value, set | frozenset):
        # it has no order of its own, and a repeat must not differ by one
        return sorted((_plain(v) for v in value), key=lambda v: json.dumps(v, sort_keys=True))
    if isinstance(value, list | tuple | models.QuerySet):
        return [_plain(v) for v in value]
    if hasattr(value, "__dataclass_fields__"):
        return _plain({k: getattr(value, k) for k in value.__dataclass_fields__})
    return value


def same_told(before: str | None, now: str) -> bool:
    """Whether a repeat tells the same. It is sent later, so its clock reads otherwise."""
    if before == now:
        return True
    one, other = (json.loads(text or "{}") for text in (before, now))
    return {**one, "clock_reading": None} == {**other, "clock_reading": None}


def rows_in(value: Any, model: type[models.Model]) -> list[Any]:
    """Every instance of a model anywhere in the arguments."""
    if isinstance(value, model):
        return [value]
    if isinstance(value, Mapping):
        return [r for k, v in value.items() for r in (*rows_in(k, model), *rows_in(v, model))]
    if isinstance(value, (list, tuple, set, frozenset)):
        return [r for v in value for r in rows_in(v, model)]
    if hasattr(value, "__dataclass_fields__"):
        return [r for k in value.__dataclass_fields__ for r in rows_in(getattr(value, k), model)]
    return []


# --- when it happened ---------------------------------------------------------------------


def by_our_clock(
    at: dt.datetime | None, began_at: dt.datetime | None, clock_reading: dt.datetime | None
) -> tuple[dt.datetime | None, dt.datetime | None, dt.timedelta]:
    """The moments as our clock would have told them, and by how much they were shifted."""
    if clock_reading is None or (at is None and began_at is None):
        return at, began_at, dt.timedelta()
    shift = clock.now() - clock_reading
    return at and at + shift, began_at and began_at + shift, shift


def wrong_clock(shift: dt.timedelta) -> str:
    """Tells the lead that moments were shifted, and why."""
    minutes = round(abs(shift) / dt.timedelta(minutes=1))
    which = "behind" if shift > dt.timedelta() else "ahead"
    return (
        f"The clock that told it was {minutes} min {which} of the clock here; its moments were "
        "shifted by that."
    )


def moments_of(
    kind: Kind,
    facts: Mapping[str, Any],
    at: dt.datetime | None,
    on: dt.date | None,
    began_at: dt.datetime | None,
    already_done: bool,
) -> tuple[dict[str, Any], dict[str, list[str]]]:
    """The five moments and the day of an event, and what must be said about them."""
    notes: dict[str, list[str]] = defaultdict(list)
    if kind.dated_as:
        e = kind.dated_as(facts)
        return {name: getattr(e, name) for name in DATED_AS} | {"corrects": e}, notes
    tz, now = clock.zone(), clock.now()
    day_only = on if at is None else None
    if day_only:
        hours, minutes = divmod(round(kind.slot * 60), 60)
        moment = min(clock.at_local(day_only, dt.time(hours, minutes), tz), now)
        if clock.start_of(day_only, tz) > now + AHEAD:
            moment = clock.start_of(day_only, tz)
    else:
        moment = at or now
    bad = "flag" if already_done or kind.fact else "refuse"
    if moment > now + AHEAD:
        told = clock.local(moment, tz)
        notes[bad].append(
            f"It was told as {told:%d %b %Y %H:%M}, which is still to come; "
            f"the clock here says {clock.local(now, tz):%H:%M}."
        )
        moment = now
    born = max((lot.made_by.placed_at for lot in rows_in(facts, Lot)), default=None)
    if born and moment < born:
        if not (day_only and clock.local(born, tz).date() == on):
            notes[bad].append(
                f"It was told as {clock.local(moment, tz):%d %b %Y %H:%M}, "
                f"before the lot was made on {clock.local(born, tz):%d %b %Y %H:%M}."
            )
        moment = born
    if began_at and began_at > moment:
        notes[bad].append(f"It cannot begin at {clock.local(began_at, tz):%H:%M}, after its end.")
        began_at = moment
    # put where it was possible, it has the day of that moment; the told one is kept in `told`
    day = clock.local(moment, tz).date()
    placed = moment
    if facts.get("closing"):
        placed = max(clock.end_of(day, tz), moment)
    return {
        "began_at": began_at,
        "happened_at": moment,
        "placed_at": placed,
        "earliest_at": clock.start_of(day, tz) if day_only else (began_at or moment),
        "latest_at": clock.end_of(day, tz) if day_only else moment,
        "day": clock.day_number(day),
    }, notes
