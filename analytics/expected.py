"""What a plant is expected to give from a day on, by its crop card alone: arithmetic, no models.

A plant gains its card's grams a day times the month's growth. Days to a cut stretch as growth
falls, to about double at a fifth of it, and in a month in which a plant gives nothing it rests
between its cuts (common practice, no source; the same model as the demo's leaf).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from grow.models import CropCard

#: Leaf left standing gains no more than this over a cut's own weight.
MOST = 1.5
_DAY = dt.timedelta(days=1)


def stretch(share: float) -> float:
    """Days for one day of a good month: 1 at its growth, 2 at a fifth of it."""
    return 1 + (1 - min(share, 1)) * 1.25


@dataclass(frozen=True)
class Habit:
    """A card that says enough. grams: of a plant at each cut; months: growth, January to December,
    1 in a good month; sites: that a plant takes; plugs: share of cells with a usable one."""

    first: int
    between: int
    grams: tuple[int, ...]
    months: tuple[float, ...]
    sites: int = 1
    nursery: int | None = None
    plugs: float = 1.0

    def share(self, day: dt.date) -> float:
        return self.months[day.month - 1]

    def _needs(self, made: int) -> int:
        return self.between if made else self.first

    def gained(self, made: int, since: dt.date, until: dt.date) -> float:
        """Grams of a plant's next cut that grow between two days, `made` cuts made already."""
        full, days = self.grams[made], (until - since).days
        share = sum(self.share(since + n * _DAY) for n in range(days))
        return min(full / self._needs(made) * share, MOST * full)

    def cuts(
        self, since: dt.date, made: int, today: dt.date, until: dt.date
    ) -> Iterator[tuple[dt.date, float]]:
        """(day, grams of a plant) of each cut to come, after today and up to a day. since: when it
        was planted or, with `made` cuts made, cut last; what is ripe already is cut tomorrow."""
        day, grown, grams = since, 0.0, 0.0
        while day < until and made < len(self.grams):
            share, needs, full = self.share(day), self._needs(made), self.grams[made]
            day += _DAY
            if share or not made:
                grown += 1 / stretch(share)
            grams = min(grams + full / needs * share, MOST * full)
            if day > today and grown >= needs - 1e-9 and share:
                yield day, grams
                made, grown, grams = made + 1, 0.0, 0.0


def lacks(card: CropCard | None) -> str:
    """What must be told of a variety before anything can be expected of it; "" if nothing."""
    if card is None:
        return "it has no crop card"
    said = [
        (card.days_to_first_cut, "days to the first cut"),
        (card.cut_grams, "cuts, and grams at each"),
        (card.days_between_cuts or len(card.cut_grams) == 1, "days between cuts"),
        (card.months, "growth by month"),
    ]
    missing = [words for known, words in said if not known]
    return f"its card does not say {', '.join(missing)}" if missing else ""


def habit(card: CropCard, sites_each: int) -> Habit:
    """Of a card that lacks nothing."""
    assert card.days_to_first_cut
    plugs = 100 if card.usable_plugs_pct is None else card.usable_plugs_pct
    return Habit(
        card.days_to_first_cut,
        card.days_between_cuts or card.days_to_first_cut,
        tuple(card.cut_grams),
        tuple(month / 100 for month in card.months),
        sites_each,
        card.nursery_days,
        plugs / 100,
    )


__all__ = ["MOST", "Habit", "habit", "lacks", "stretch"]
