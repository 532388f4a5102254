"""Standard minutes, rescaled by the days that were timed.

Nobody writes minutes down day by day. So they are standard minutes a tray, a plant, a kilogram, a
pack, and one day a month the whole session is timed: its minutes over the standard minutes of what
the ledger shows was done on that day are the factor, from that day on until the next timed day.
The factor is worked out anew at each reading, so a correction of that day's entries corrects it.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from grow import clock

from .counted import MINUTES, PER, W, worked
from .models import TimedDay
from .rates import Rates

_PLACES = Decimal("0.0001")


@dataclass(frozen=True)
class Timing:
    """told: minutes of the whole session; standard: of what was done, None of nothing. factor, to
    four places, is the one of the two by the other; None rescales nothing."""

    day: int
    by: str
    told: Decimal
    standard: Fraction

    @property
    def factor(self) -> Decimal | None:
        if self.standard <= 0:
            return None
        exact = Fraction(self.told) / self.standard
        return (Decimal(exact.numerator) / exact.denominator).quantize(_PLACES)

    @property
    def says(self) -> str:
        day = f"{clock.number_day(self.day):%d %b %Y}"
        if self.factor is None:
            return (
                f"{day} was timed at {self.told.normalize():f} minutes, but the books show nothing "
                "of that day that has standard minutes, so it rescales nothing."
            )
        return (
            f"Minutes from {day} on are standard minutes × {self.factor.normalize():f}: "
            f"{self.told.normalize():f} minutes were timed by {self.by} for work of "
            f"{float(self.standard):.1f} standard minutes."
        )


class Timed:
    """Every timed day, read once; a question and the counts of those days, none where none was."""

    def __init__(self, rates: Rates) -> None:
        rows = list(TimedDay.objects.select_related("timed_by").order_by("day"))
        standard = standard_minutes([row.day for row in rows], rates) if rows else {}
        self.timings = [
            Timing(number, str(row.timed_by), row.minutes, standard.get(number, Fraction(0)))
            for row in rows
            for number in [clock.day_number(row.day)]
        ]
        self._holding = [(t.day, Fraction(t.factor)) for t in self.timings if t.factor is not None]

    def factor(self, day: int) -> Fraction | None:
        """What standard minutes of a day are multiplied by; None before the first timed day."""
        at = bisect_right(self._holding, day, key=lambda row: row[0])
        return self._holding[at - 1][1] if at else None

    def change_within(self, first: int, last: int) -> bool:
        """Does a factor begin on a day between, so that not all days have the first one's?"""
        return any(first < day <= last for day, _ in self._holding)

    def in_force(self, first: int, last: int) -> list[Timing]:
        """The timed days that bear on these days: those within, and the last before them where the
        first day has no factor of its own."""
        within = [t for t in self.timings if first <= t.day <= last]
        before = [t for t in self.timings if t.day < first and t.factor is not None][-1:]
        if within and within[0].day == first and within[0].factor is not None:
            before = []
        return [*before, *within]


def standard_minutes(days: Iterable[dt.date], rates: Rates) -> Mapping[int, Fraction]:
    """Day (yyyymmdd) → standard minutes of what the ledger shows was done on it."""
    counts = worked(days)
    out: dict[int, Fraction] = defaultdict(Fraction)
    for what, count in MINUTES:
        for (day, crop), number in counts[count].items():
            if rate := rates.of(what, crop, day):
                out[day] += Fraction(rate) * number / PER.get(W(what), 1)
    return out


__all__ = ["Timed", "Timing", "standard_minutes"]
