"""The hands of the year: whoever does something tells it here, through the real operations."""

from __future__ import annotations

import datetime as dt
import itertools
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from grow import clock
from grow.ledger import KINDS
from grow.models import Event, Lot

from .plants import Stand, Tray
from .scenario import ProductFacts, Scenario
from .tables import Ground

#: The last entry of a played year; without it the play was cut short.
PLAYED = "played"


@dataclass
class Leaf:
    """A crate in the cold store: grams as the books hold them."""

    crop: str
    lot: Lot
    grams: int
    cut: dt.date


@dataclass
class Packs:
    """Closed packs of one run, in the store or on a shelf."""

    facts: ProductFacts
    lot: Lot
    left: int
    made: dt.date


@dataclass
class Year:
    """What the people of the place know at the moment: the day, the trays, the crates."""

    scenario: Scenario
    ground: Ground
    seed: int
    first: dt.date
    last: dt.date
    day: dt.date = field(init=False)
    rng: random.Random = field(init=False)
    trays: list[Tray] = field(default_factory=list)
    #: Trays on a flat bench, by their number in analytics/demo/flat.py.
    flat: dict[int, Lot] = field(default_factory=dict)
    stands: list[Stand] = field(default_factory=list)
    leaf: list[Leaf] = field(default_factory=list)
    packs: list[Packs] = field(default_factory=list)
    shelf: list[Packs] = field(default_factory=list)
    sold_out: list[Packs] = field(default_factory=list)
    kitchen: list[tuple[Lot, dt.date]] = field(default_factory=list)
    open_inputs: dict[str, Lot] = field(default_factory=dict)
    sow_on: dict[str, dt.date] = field(default_factory=dict)
    told: set[str] = field(default_factory=set)
    _later: list[tuple[dt.date, Callable[[], Any]]] = field(default_factory=list)
    _number: Any = field(default_factory=lambda: itertools.count(1))
    _minute: float = 0.0
    pace: float = 1.0

    def __post_init__(self) -> None:
        self.day = self.first
        self.rng = random.Random(self.seed)
        self.zone = clock.zone()

    # Time.

    def turn_to(self, hour: float) -> None:
        """The hands of the clock on the wall, never back within a day."""
        self._minute = max(self._minute, hour * 60)

    def moment(self) -> dt.datetime:
        hours, minutes = divmod(int(self._minute), 60)
        return clock.at_local(self.day, dt.time(min(hours, 23), minutes), self.zone)

    def new_day(self, day: dt.date) -> None:
        self.day, self._minute = day, 0.0

    @property
    def share(self) -> float:
        """How much of the year has gone, 0 to 1."""
        return (self.day - self.first).days / max((self.last - self.first).days, 1)

    # Telling.

    def tell(
        self,
        verb: str,
        *,
        by: str = "grower",
        done_by: tuple[str, ...] = (),
        minutes: float = 3,
        story: str = "",
        at: dt.datetime | None = None,
        on: dt.date | None = None,
        **facts: Any,
    ) -> Event:
        """One entry, some minutes after the one before. `at` or `on` dates it otherwise."""
        self._minute += minutes * self.pace
        now = self.moment()
        clock.play(now + dt.timedelta(minutes=1))
        if on is None and at is None:
            at = now
        number = next(self._number)
        return KINDS[verb].run(
            recorded_by=self.ground.people[by],
            done_by=[self.ground.people[name] for name in done_by],
            client_id=f"story:{story}:{number}" if story else f"demo:{number}",
            at=at if on is None else None,
            on=on,
            **facts,
        )

    def later(self, days: int, act: Callable[[], Any]) -> None:
        """Somebody will type it some days on."""
        self._later.append((self.day + dt.timedelta(days=days), act))

    def type_what_waited(self) -> None:
        due = [act for day, act in self._later if day <= self.day]
        self._later = [row for row in self._later if row[0] > self.day]
        for act in due:
            act()

    # Chance.

    def chance(self, share: float) -> bool:
        return self.rng.random() < share

    def about(self, number: float, share: float = 0.1) -> float:
        return max(0.0, self.rng.gauss(number, number * share))

    def binomial(self, n: int, p: float) -> int:
        return sum(self.rng.random() < p for _ in range(n))

    def whole(self, number: float) -> int:
        """A whole number whose mean is the given one."""
        return int(number) + (self.rng.random() < number % 1)

    # Looking.

    def place(self, key: str):
        return self.ground.places[key]

    @property
    def grower(self) -> str:
        """Who works in the greenhouse today."""
        return "weekend" if self.day.weekday() >= 5 else "grower"

    def leaf_of(self, crop: str) -> list[Leaf]:
        return sorted((c for c in self.leaf if c.crop == crop), key=lambda c: (c.cut, c.lot.pk))

    def packs_of(self, code: str) -> list[Packs]:
        return [p for p in self.packs if p.facts.code == code]
