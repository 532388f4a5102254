"""What one element may hold: its characters, dates, times, countries. Each rule has the name that
GS1's syntax dictionary gives it."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Callable

from grow.errors import Refusal

from . import table
from .numbers import check_number, digits

#: What a letter of a format admits, besides N for digits. X: character set 82 and Y: character set
#: 39, both General Specifications 7.11; Z: base64 of RFC 4648 section 5.
CHARACTERS = {
    "X": r"!\"%&'()*+,\-./0-9:;<=>?A-Z_a-z",
    "Y": r"#\-/0-9A-Z",
    "Z": r"A-Za-z0-9\-_=",
}
_COUNTRIES = frozenset(table.COUNTRIES.split())


def check(rule: str, text: str) -> None:
    """Hold a text to a rule of `RULES`. Raises Refusal with what is wrong."""
    RULES[rule](text)


def of_set(letter: str, text: str) -> None:
    """Raises Refusal for a character that a format's letter, N, X, Y or Z, does not admit."""
    if letter == "N":
        digits(text)
    elif wrong := re.search(f"[^{CHARACTERS[letter]}]", text):
        name = "a space" if wrong[0] == " " else f"“{wrong[0]}”"
        raise Refusal(
            "gs1_character",
            f"“{text}” holds {name}, which GS1 does not allow there; capitals, digits and hyphens "
            "always pass.",
        )


def date_of(text: str, today: dt.date) -> dt.date:
    """The day of six digits YYMMDD; day 00 is the last of its month.

    General Specifications 7.12: a year 51 to 99 ahead of this one is of the century before, one 50
    to 99 behind it of the next. Raises Refusal for what is no date."""
    _date(text, nought=True)
    year, month, day = int(text[:2]), int(text[2:4]), int(text[4:])
    ahead = year - today.year % 100
    century = today.year // 100 - (ahead >= 51) + (ahead <= -50)
    year += 100 * century
    last = calendar.monthrange(year, month)[1]
    if day > last:  # 29 February of 1900 or 2100, which two digits of a year cannot tell
        raise _no_day(text, day)
    return dt.date(year, month, day or last)


def _date(text: str, *, nought: bool) -> None:
    """nought: day 00 may stand for the whole month."""
    digits(text)
    _long(text, 6, "a date has six digits, year, month and day")
    year, month, day = int(text[:2]), int(text[2:4]), int(text[4:])
    if not 1 <= month <= 12:
        raise Refusal("gs1_month", f"{text} is no date: there is no month {text[2:4]}.")
    last = calendar.monthrange(2000 + year, month)[1]
    if day > last or not (day or nought):
        raise _no_day(text, day)


def _no_day(text: str, day: int) -> Refusal:
    return Refusal("gs1_day", f"{text} is no date: that month has no day {day:02d}.")


def _time(text: str) -> None:
    digits(text)
    _long(text, 4, "a time has four digits, hours and minutes")
    if text[:2] > "23":
        raise Refusal("gs1_hour", f"{text} is no time: there is no hour {text[:2]}.")
    if text[2:] > "59":
        raise Refusal("gs1_minute", f"{text} is no time: there is no minute {text[2:]}.")


def _long(text: str, length: int, says: str) -> None:
    if len(text) != length:
        code = "gs1_too_short" if len(text) < length else "gs1_too_long"
        raise Refusal(code, f"“{text}” has {len(text)} digits; {says}.")


def _percent(text: str) -> None:
    if wrong := re.search(r"%(?![0-9A-Fa-f]{2}).{0,2}", text):
        raise Refusal(
            "gs1_percent", f"“{wrong[0]}” in “{text}” is no character: % takes two digits 0 to F."
        )


def _country(text: str) -> None:
    if text not in _COUNTRIES:
        raise Refusal(
            "gs1_country", f"“{text}” is no number of a country in ISO 3166; Britain's is 826."
        )


def _country_or_none(text: str) -> None:
    if text != "999":
        _country(text)


def _like(pattern: str, says: str) -> Callable[[str], None]:
    def rule(text: str) -> None:
        if not re.fullmatch(pattern, text):
            raise Refusal("gs1_value", f"“{text}” does not fit: {says}.")

    return rule


#: Rules by their names. Those from `hh` on have no published vectors; what they mean is from
#: memory.
RULES: dict[str, Callable[[str], None]] = {
    "csum": check_number,
    "csetnumeric": digits,
    "cset82": lambda text: of_set("X", text),
    "yymmdd": lambda text: _date(text, nought=False),
    "yymmd0": lambda text: _date(text, nought=True),
    "hhmi": _time,
    "pcenc": _percent,
    "iso3166": _country,
    "hh": _like("[01][0-9]|2[0-3]", "hours go from 00 to 23"),
    "mi": _like("[0-5][0-9]", "minutes go from 00 to 59"),
    "ss": _like("[0-5][0-9]", "seconds go from 00 to 59"),
    "iso3166999": _country_or_none,
    "zero": _like("0+", "only noughts may stand there"),
    "yesno": _like("[01]", "1 is yes and 0 is no"),
    "hyphen": _like("-+", "a hyphen, for below nought, is all that may follow"),
}
