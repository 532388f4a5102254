"""What the invented place reckons its costs and minutes by."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping

from analytics.rates import set_rate
from grow.models import Crop

from .scenario import FIXTURES, Scenario

SOURCE = "The demo's own figure, from memory"


def lay_rates(scenario: Scenario, crops: Mapping[str, Crop], first_day: dt.date) -> None:
    """Rates of all crops from rates.toml; seed and minutes of the cut by crop."""
    amounts = tomllib.loads((FIXTURES / "demo" / "rates.toml").read_text(encoding="utf-8"))
    for what, amount in amounts.items():
        set_rate(what, str(amount), first_day, SOURCE)
    for facts in scenario.crops:
        crop = crops[facts.key]
        set_rate("seed", str(facts.seed_pence), first_day, SOURCE, crop)
        set_rate("cut_minutes", str(facts.minutes_per_kg), first_day, SOURCE, crop)
