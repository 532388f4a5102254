"""A period of the business's own days, both inclusive, and what every figure says of itself."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from decimal import Decimal

from grow import clock

#: Seconds of a site-day. Site-days are elapsed time: a day of a clock change is 23 or 25 hours.
DAY_S = 86400


@dataclass(frozen=True)
class Period:
    """From the first local day to the last, both inclusive."""

    first: dt.date
    last: dt.date

    def __post_init__(self) -> None:
        if self.last < self.first:
            last, first = (f"{day:%d %b %Y}" for day in (self.last, self.first))
            raise ValueError(f"{last} is before {first}; name the earlier day first.")

    def __str__(self) -> str:
        return f"{self.first:%d %b %Y} to {self.last:%d %b %Y}"

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    @property
    def numbers(self) -> tuple[int, int]:
        """The days as the ledger's rows carry them, yyyymmdd."""
        return clock.day_number(self.first), clock.day_number(self.last)

    @property
    def start(self) -> dt.datetime:
        return clock.start_of(self.first)

    @property
    def end(self) -> dt.datetime:
        """The first moment after it."""
        return clock.start_of(self.last + dt.timedelta(days=1))

    @property
    def elapsed(self) -> dt.datetime:
        """Up to when time has been spent in it: its end, or now while it goes on."""
        return max(min(self.end, clock.now()), self.start)


@dataclass
class About:
    """What a figure prints beside itself.

    standard_pct is the share of it that rests on standard, estimated or shared-out amounts and
    not on what was weighed, counted or scanned; None where nothing was there to share. gaps say
    in words what is missing from it, notes how it is meant."""

    period: Period
    base: str
    unit: str
    standard_pct: Decimal | None = None
    standard_says: str = ""
    notes: list[str] = field(default_factory=list)
    gaps: list[str] = field(default_factory=list)

    def say_season(self) -> None:
        """What compares crops says so where its days are more than a season and no whole year."""
        days = self.period.days
        if days > 100 and days % 365 not in (0, 1):
            self.notes.append(
                f"{days} days are more than a season and no whole year: crops of the better "
                "weather look better. Compare within a season, or over whole years."
            )

    def gap(self, says: str) -> None:
        if says not in self.gaps:
            self.gaps.append(says)


def percent(part: Decimal | int, whole: Decimal | int) -> Decimal | None:
    """Per cent of a whole, to a tenth; None of nothing."""
    if not whole:
        return None
    return (Decimal(100) * part / whole).quantize(Decimal("0.1"))


def ratio(part: Decimal | int, whole: Decimal | int) -> Decimal | None:
    """Part per whole, exact to Decimal's 28 digits; None where there is nothing to divide by."""
    return Decimal(part) / Decimal(whole) if whole else None
