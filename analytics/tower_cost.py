"""What one more tower costs a year, by the rates: its price over its life, and what runs it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from grow import clock

from .models import Rate
from .rates import Rates

W = Rate.What
_WEEKS = 52


@dataclass(frozen=True)
class TowerCost:
    """price_p: bought, once; life_years; power_p: running it for a year; round_p: its minutes on
    the round for a year (52 weeks) at the one labour rate. Exact pence."""

    price_p: Decimal
    life_years: Decimal
    power_p: Decimal
    round_p: Decimal

    @property
    def running_p(self) -> Decimal:
        """A year: what `earning.towers.Tower.running_p` takes."""
        return self.power_p + self.round_p

    @property
    def yearly_p(self) -> Decimal:
        """Price spread evenly over its life, without interest, and a year's running."""
        return self.price_p / self.life_years + self.running_p


def tower_cost(day: dt.date) -> tuple[TowerCost | None, list[str]]:
    """(what a tower costs by the rates in force on a day, which rates are missing, in words).
    Without a price or a life there is no figure; running that nobody told counts as nought, and is
    said."""
    rates, number = Rates(), clock.day_number(day)

    def told(what: W) -> Decimal | None:
        return rates.of(what, None, number)

    gaps = [
        f"No rate by {day:%d %b %Y} for “{what.label}”."
        for what in (W.TOWER_PRICE, W.TOWER_LIFE, W.TOWER_RUNNING, W.TOWER_MINUTES)
        if told(what) is None
    ]
    price, life = told(W.TOWER_PRICE), told(W.TOWER_LIFE)
    if price is None or not life:
        return None, gaps
    minutes, wage = told(W.TOWER_MINUTES) or Decimal(0), told(W.WAGE)
    if minutes and wage is None:
        gaps.append(f"No rate by {day:%d %b %Y} for “{W.WAGE.label}”, so its round is left out.")
    round_p = minutes * _WEEKS * (wage or Decimal(0)) / 60
    return TowerCost(price, life, told(W.TOWER_RUNNING) or Decimal(0), round_p), gaps


__all__ = ["TowerCost", "tower_cost"]
