"""Now, days and the business's zone. The only place that reads the machine's clock."""

import contextlib
import contextvars
import datetime as dt
import zoneinfo
from collections.abc import Iterator
from functools import lru_cache

_played: dt.datetime | None = None


def now() -> dt.datetime:
    """This moment in UTC. Only the demo and the tests play another."""
    return _played or dt.datetime.now(dt.UTC)


def play(moment: dt.datetime | None) -> None:
    """Set what now() answers; None gives the machine's clock back."""
    global _played
    _played = moment and moment.astimezone(dt.UTC)


@contextlib.contextmanager
def playing(moment: dt.datetime) -> Iterator[None]:
    before = _played
    play(moment)
    try:
        yield
    finally:
        play(before)


@lru_cache(maxsize=8)
def _zone(name: str) -> zoneinfo.ZoneInfo:
    return zoneinfo.ZoneInfo(name)


_read: contextvars.ContextVar[zoneinfo.ZoneInfo | None] = contextvars.ContextVar(
    "zone of the operation under way", default=None
)


def zone() -> zoneinfo.ZoneInfo:
    from .models import Business

    return _read.get() or _zone(Business.the().zone)


@contextlib.contextmanager
def one_zone() -> Iterator[None]:
    """Read the zone once for all that an operation does: inside its transaction it is one."""
    token = _read.set(zone())
    try:
        yield
    finally:
        _read.reset(token)


def local(moment: dt.datetime, tz: zoneinfo.ZoneInfo | None = None) -> dt.datetime:
    return moment.astimezone(tz or zone())


def said(moment: dt.datetime, *, hour: bool = True) -> str:
    """As people say it here: "12 Mar 2026, 10:42", or the day alone."""
    return f"{local(moment):{'%d %b %Y, %H:%M' if hour else '%d %b %Y'}}"


def day_number(day: dt.date) -> int:
    """25 November 2026 → 20261125: sorts, compares and reads as it stands."""
    return day.year * 10000 + day.month * 100 + day.day


def number_day(number: int) -> dt.date:
    return dt.date(number // 10000, number // 100 % 100, number % 100)


def at_local(day: dt.date, clock: dt.time, tz: zoneinfo.ZoneInfo | None = None) -> dt.datetime:
    """The moment (UTC) at which the wall clock of the business shows a time on a day."""
    return dt.datetime.combine(day, clock, tz or zone()).astimezone(dt.UTC)


def start_of(day: dt.date, tz: zoneinfo.ZoneInfo | None = None) -> dt.datetime:
    return at_local(day, dt.time(0), tz)


def end_of(day: dt.date, tz: zoneinfo.ZoneInfo | None = None) -> dt.datetime:
    """The last moment of a local day; a use-by date lasts to here."""
    return start_of(day + dt.timedelta(days=1), tz) - dt.timedelta(microseconds=1)
