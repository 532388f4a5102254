"""How leaf grows in the demo: a small model, so that the invented weights hang together.

A plant gains its July growth times the month's factor each day. Days to a cut stretch to about
double in the darkest weeks. It only decides what the hands do; the books know nothing of it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from grow.models import Lot, Place

from .scenario import CropFacts, Scenario

#: Leaf left standing gains no more than this over a cut's July weight.
MOST = 1.5


def stretch(factor: float) -> float:
    """Days for one July day: 1 at July's growth, about 2 at December's."""
    return 1 + (1 - factor) * 1.25


@dataclass
class Tray:
    """A sowing not yet planted: where its cells stand, and what comes next."""

    facts: CropFacts
    lot: Lot
    cells: int
    sown: dt.date
    place: Place
    check_on: dt.date
    move_on: dt.date | None
    plant_on: dt.date
    usable: float
    checked: bool = False


@dataclass
class Stand:
    """A sowing on towers: its living plants, and what they carry in grams each."""

    facts: CropFacts
    lot: Lot
    planted: dt.date
    plants: dict[Place, int]
    cuts: int = 0
    grams_each: float = 0.0
    july_days: float = 0.0
    safe_from: dt.date = dt.date.min
    vigour: float = 1.0
    keep: bool = field(default=False)

    @property
    def alive(self) -> int:
        return sum(self.plants.values())

    @property
    def sites(self) -> int:
        return self.alive * self.facts.sites_each

    @property
    def done(self) -> bool:
        return self.cuts >= len(self.facts.grams)

    @property
    def needs(self) -> int:
        """July days from the last cut (or planting) to the next."""
        return self.facts.between if self.cuts else self.facts.first

    def grow(self, scenario: Scenario, day: dt.date) -> None:
        factor = scenario.growth(day)
        self.july_days += 1 / stretch(factor)
        if not self.done:
            full = self.facts.grams[self.cuts]
            self.grams_each = min(self.grams_each + full / self.needs * factor, MOST * full)

    @property
    def ripe(self) -> float:
        """1 when the next cut is due."""
        return self.july_days / self.needs if not self.done else 0.0

    def cut(self) -> None:
        self.cuts += 1
        self.grams_each = 0.0
        self.july_days = 0.0
