"""Lot codes: a letter, the day, a number, an ISO/IEC 7064 MOD 37-2 check character.

H26330-04-0 is the fourth cut of day 330 of 2026. At most 20 characters of [A-Z0-9-], which
fits GS1 application identifier 10. A number whose check character would be "*" is passed over.
"""

import datetime as dt
from collections.abc import Callable, Iterator

from django.db import connection

from .models.ledger import LotKind

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"
SERIES = {
    LotKind.INPUT: "I",
    LotKind.PRODUCE: "F",
    LotKind.WATER: "W",
    LotKind.TREATMENT: "S",
    LotKind.BATCH: "B",
    LotKind.HARVEST: "H",
    LotKind.PACK: "R",
}
TAG = "T"

#: What stands between two elements of a scan that holds more than a code (ASCII 29).
SEPARATOR = "\x1d"
#: What a scanner typed → the lot's code in it, None where it holds none; apps above add theirs.
SCANNED: list[Callable[[str], str | None]] = []


def meant(text: str) -> Iterator[str]:
    """What a text may be the code of, the likeliest first: what a symbol on a label holds, the text
    itself."""
    for read in SCANNED:
        if code := read(text):
            yield code.strip()
    yield text.strip()


def code_in(text: str) -> str:
    """The likeliest of what a text may be the code of."""
    return next(meant(text))


def check_character(body: str) -> str:
    """The MOD 37-2 check character of a code without it; hyphens do not count.

    Source: ISO/IEC 7064, pure system MOD 37-2. Raises ValueError for other characters."""
    p = 0
    for character in body.replace("-", ""):
        p = (p + ALPHABET.index(character, 0, 36)) * 2 % 37
    return ALPHABET[(1 - p) % 37]


def fold(text: str) -> str:
    """What is compared: capitals without spaces, hyphens and stops."""
    return "".join(c for c in text.upper() if c.isalnum())


def is_valid(code: str) -> bool:
    """Whether the last character is the check character of the rest."""
    folded = fold(code)
    if len(folded) < 2 or not folded.isascii():
        return False
    return check_character(folded[:-1]) == folded[-1]


def _compose(series: str, day: dt.date | None, number: int) -> str | None:
    stem = f"{series}{day:%y%j}-{number:02d}" if day else f"{series}{number:05d}"
    check = check_character(stem)
    return None if check == "*" else f"{stem}-{check}"


_NEXT = """
    INSERT INTO grow_codecounter (series, day, last) VALUES (%s, %s, %s)
    ON CONFLICT (series, day) DO UPDATE SET last = grow_codecounter.last + %s
    RETURNING last
"""


def take(series: str, day: dt.date | None, count: int = 1) -> list[str]:
    """The next codes of a series, from its counter row under lock. Of an event's locks only the
    last holdings come after it; why no circle can come of that is said in `grow.ledger`."""
    from .clock import day_number

    number = day_number(day) if day else 0
    codes: list[str] = []
    while len(codes) < count:
        missing = count - len(codes)
        with connection.cursor() as cursor:
            cursor.execute(_NEXT, [series, number, missing, missing])
            (last,) = cursor.fetchone()
        numbers = range(last - missing + 1, last + 1)
        codes += [code for n in numbers if (code := _compose(series, day, n))]
    return codes
