"""A day as somebody writes or remembers it, and the years that a question may name."""

from __future__ import annotations

import calendar
import datetime as dt
from contextlib import suppress

from grow import clock
from grow.errors import NotKnown, Refusal

_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_FORMS = ("%Y-%m-%d", "%d %b %Y", "%d %B %Y", "%d/%m/%Y", "%d/%m/%y", "%d.%m.%Y")
_OF_THE_YEAR = ("%d %b", "%d %B", "%d/%m")
#: Years that a question may name.
YEARS = range(1900, 3000)


def day_in(text: str) -> dt.date | None:
    """The day that somebody means: a date, day first; one without its year, a weekday, today or
    yesterday are the latest that has been. None for what is no day."""
    text = text.strip().removesuffix("'s check").removesuffix("’s check").strip(" .")
    today = clock.local(clock.now()).date()
    word = text.lower()
    if word in ("today", "yesterday"):
        return today - dt.timedelta(days=word == "yesterday")
    if word[:3] in _DAYS and calendar.day_name[_DAYS.index(word[:3])].lower().startswith(word):
        return today - dt.timedelta(days=(today.weekday() - _DAYS.index(word[:3])) % 7)
    for form in _FORMS:
        with suppress(ValueError):
            day = dt.datetime.strptime(text, form).date()  # noqa: DTZ007  (a day has no zone)
            return within_years(day)
    read = _of_the_year(text)
    return read and _last(read, today)


def within_years(day: dt.date) -> dt.date:
    """The same day. Raises Refusal for one whose year no record can be of."""
    if day.year in YEARS:
        return day
    raise Refusal(
        "no_such_year",
        f"No record is of the year {day.year:04}; name a year from {YEARS[0]} to {YEARS[-1]}.",
    )


def _of_the_year(text: str) -> dt.date | None:
    """A day without its year, in a leap year, or 29 February would never be read."""
    for form in _OF_THE_YEAR:
        with suppress(ValueError):
            return dt.datetime.strptime(f"{text} 2000", f"{form} %Y").date()  # noqa: DTZ007  (the same)
    return None


def days_in(text: str, *, ahead: bool) -> list[dt.date]:
    """The days that may be meant, the likeliest first: without its year a date may be of this year,
    the next or the last. ahead: one still to come is likelier than one that has been."""
    read, today = _of_the_year(text.strip(" .")), clock.local(clock.now()).date()
    found = []
    for year in range(today.year - 1, today.year + 2):
        with suppress(ValueError):
            found += [read.replace(year=year)] if read else []
    found.sort(key=lambda day: (ahead and day < today, abs(day - today)))
    day = day_in(text)
    return found or ([day] if day else [])


def _last(read: dt.date, today: dt.date) -> dt.date | None:
    """The last day of this name that has been."""
    for year in range(today.year, today.year - 5, -1):
        with suppress(ValueError):
            if (day := read.replace(year=year)) <= today:
                return day
    return None


def the_day(text: str) -> dt.date:
    """The day that somebody means. Raises NotKnown for what is none."""
    if day := day_in(text):
        return day
    raise NotKnown(
        "no_day", f"“{text[:40]}” is not a day; write it as 2026-03-02, 2 Mar, Monday or yesterday."
    )


__all__ = ["day_in", "days_in", "the_day", "within_years"]
