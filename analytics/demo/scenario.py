"""What fixtures/demo says: the place, its crops, its trade. Read once, never changed."""

from __future__ import annotations

import datetime as dt
import tomllib
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

FIXTURES = Path(__file__).resolve().parent.parent.parent / "fixtures"


@dataclass(frozen=True)
class CropFacts:
    """One crop as fixtures/demo/crops.toml tells it: days and grams of July, pence, per cents."""

    key: str
    name: str
    variety: str
    picked: str
    sites: int
    seeds_per_cell: int
    seed_pence: float
    plugs_pct: int
    nursery: int
    first: int
    between: int
    grams: list[int]
    lost_pct: int
    grade_out_pct: int
    kitchen_pence: int
    minutes_per_kg: float
    every: int
    start: str
    sow: list[int] = field(default_factory=list)
    by_month: list[int] = field(default_factory=list)
    card_g: int | None = None
    small: str = ""
    shop_pence: int | None = None
    pack_minutes: float | None = None
    allergen: str = ""
    sites_each: int = 1
    bunch_g: int | None = None
    cold_c: int = 3
    bought: bool = False

    @property
    def life(self) -> int:
        """Days on the tower in July."""
        return self.first + self.between * (len(self.grams) - 1)

    def sown_in(self, month: int) -> bool:
        return not self.sow or month in self.sow


@dataclass(frozen=True)
class ProductFacts:
    """One pack: its weights in grams, pence by outlet, shares of its recipe in per cent."""

    code: str
    name: str
    nominal_g: int
    fill_g: float
    fill_sd: float
    tare_g: int
    shelf_life_days: int
    days_from_cut: int
    packaging_pence: float
    shop: int
    stores: int
    kitchen: int
    recipe: dict[str, list[int]]
    allergens: str = ""
    form: str = "bag"
    grade: str = ""
    shows_variety: bool = False
    storage: str = ""
    target_g: int | None = None
    largest_cm2: int | None = None
    per_crate: int | None = None
    a_day: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Scenario:
    place: dict[str, Any]
    crops: list[CropFacts]
    trade: dict[str, Any]
    products: list[ProductFacts]
    germination: tuple[list[int], list[int]]

    @property
    def name(self) -> str:
        return str(self.place["name"])

    def growth(self, day: dt.date) -> float:
        """Growth against July, straight between the middles of the months."""
        return _between(self.place["growth"], day)

    def by_month(self, facts: CropFacts) -> list[int]:
        """What a crop's card says of the months, in per cent of July."""
        return facts.by_month or [round(100 * share) for share in self.place["growth"]]

    def planted(self, day: dt.date) -> float:
        """Share of a crop's sites that should be planted."""
        return _between(self.place["planted_pct"], day) / 100

    def bags(self, day: dt.date) -> float:
        """Bags wanted in the week of a day."""
        return _between(self.trade["bags_a_week"], day)

    def share_of_july(self, code: str, day: dt.date) -> float:
        """How much of July's packs of a product, or grams of a crop sold loose, is wanted now."""
        facts = next((p for p in self.products if p.code == code), None)
        if facts is None:  # loose: as it grows, and in its season
            crop = code.removesuffix("-KG").lower()
            own = [p for p in self.products if list(p.recipe) == [crop] and p.a_day]
            off = any(not p.a_day[day.month - 1] for p in own)
            return 0 if off else self.growth(day)
        months = facts.a_day or self.trade["bags_a_week"]
        return float(months[day.month - 1] / months[6])

    def comes_up(self, celsius: float) -> float:
        """Share of lettuce that comes up at a temperature, straight between the published ones."""
        temperatures, per_cent = self.germination
        i = min(max(bisect_right(temperatures, celsius) - 1, 0), len(temperatures) - 2)
        share = (celsius - temperatures[i]) / (temperatures[i + 1] - temperatures[i])
        return (per_cent[i] + share * (per_cent[i + 1] - per_cent[i])) / 100


def _between(months: Sequence[float], day: dt.date) -> float:
    here, share = day.month - 1, (day.day - 15.5) / 30.4
    other = (here + 1) % 12 if share > 0 else (here - 1) % 12
    return months[here] + abs(share) * (months[other] - months[here])


def _toml(name: str) -> dict[str, Any]:
    with (FIXTURES / name).open("rb") as file:
        return tomllib.load(file)


@lru_cache(maxsize=1)
def scenario() -> Scenario:
    trade = _toml("demo/trade.toml")
    lettuce = _toml("reference/published.toml")["germination"]["lettuce"]
    return Scenario(
        place=_toml("demo/place.toml"),
        crops=[CropFacts(**row) for row in _toml("demo/crops.toml")["crop"]],
        trade=trade,
        products=[ProductFacts(**row) for row in trade["product"]],
        germination=(lettuce["celsius"], lettuce["percent"]),
    )
