"""What a gram of leaf brings at the pack-house door, net of what it takes to feed, cut, wash and
pack it, crop minutes charged; and what it costs to raise and plant a site. By the last year's own
records where there are enough, else by price list and rates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from sales.models import Outlet, Price

from .costs import Told
from .counted import PER, W
from .crops import names
from .expected import Habit
from .margin import Margin, margin
from .period import About, Period

#: Grams sold from which on a crop's own takings are believed.
ENOUGH_G = 1000
RUNNING = (W.CUT_MINUTES, W.WASH_MINUTES, W.PACK_MINUTES)


@dataclass(frozen=True)
class Net:
    """Pence a gram cut, net of crate and grade-out. recorded: by own takings, else by the list."""

    pence: float
    recorded: bool


def net_of_leaf(period: Period, charges: Charges) -> tuple[dict[int, Net], Margin]:
    """Crop → what a gram of it brings; a crop without takings or price is not in it."""
    earned = margin(period)
    cut = {row.crop_id: row.cut_g for row in earned.stood.crops}
    sold = {row.crop_id: row.sold_or_used_g for row in earned.stood.crops}
    out: dict[int, Net] = {}
    for row in earned.rows:
        crop = row.crop_id
        if crop and cut.get(crop, 0) > 0 and sold.get(crop, 0) >= ENOUGH_G:
            labour = sum(earned.spent.labour_of[what].get(crop, Fraction(0)) for what in RUNNING)
            net = row.door_alone_p - row.nutrient_and_water_p - row.packaging_p - labour
            out[crop] = Net(float(net / cut[crop]), True)
    for crop, pence in _listed(period, charges).items():
        if crop not in out:
            out[crop] = Net(float(pence - charges.of_gram(crop)), False)
    return out, earned


def _listed(period: Period, charges: Charges) -> Mapping[int, Fraction]:
    """Crop → pence a gram by the lowest loose price in force, less the outlet's share."""
    share = charges.shares()
    now: dict[tuple[int, str], int] = {}
    rows = Price.objects.filter(line__startswith="crop:", since__lte=period.last)
    for outlet, line, pence in rows.order_by("since").values_list("outlet_id", "line", "pence"):
        now[outlet, line] = pence
    out: dict[int, Fraction] = {}
    for (outlet, line), pence in now.items():
        crop, each = int(line[5:]), Fraction(pence, 1000) * (1 - share[outlet])
        out[crop] = min(each, out.get(crop, each))
    return out


class Charges:
    """The rates of a day, in pence; what has none is nought, and a gap in words. Minutes are
    rescaled as those of the day are."""

    def __init__(self, day: int, about: About) -> None:
        told = Told()
        self.rates, self._factor = told.rates, Fraction(told.timed.factor(day) or 1)
        self._called, self.day, self._about = names(), day, about

    def pence(self, what: W, crop: int | None, times: float = 1) -> Fraction:
        """Of so many counted things, minutes at the wage."""
        rate = self.rates.charged(what, crop, self.day)
        minutes = what.endswith("_minutes")
        wage = self.rates.of(W.WAGE, None, self.day) if minutes else None
        if rate is None or (minutes and wage is None):
            missing, whose = (W.WAGE, "") if rate is not None else (what, self._whose(crop))
            self._about.gap(f"{whose}no rate for {missing.label.lower()}; it is taken as nought.")
            return Fraction(0)
        pence = Fraction(rate) * Fraction(times) / PER.get(what, 1)
        return pence if wage is None else pence * self._factor * Fraction(wage) / 60

    def _whose(self, crop: int | None) -> str:
        return f"{self._called[crop]}: " if crop else ""

    def shares(self) -> dict[int, Fraction]:
        """Outlet → what it keeps of its price, by the rate of the day, else as stated of it."""
        out = {}
        for pk, stated in Outlet.objects.values_list("pk", "shop_share_pct"):
            told = self.rates.of(W.SHOP_SHARE, pk, self.day)
            out[pk] = Fraction(stated if told is None else told) / 100
        return out

    def of_gram(self, crop: int) -> Fraction:
        """Feeding and cutting it."""
        whats = (W.NUTRIENT, W.WATER, W.CUT_MINUTES)
        return sum((self.pence(what, crop) for what in whats), Fraction(0))

    def of_site(self, crop: int, of: Habit) -> float:
        """Raising, planting and one day clearing one site, with the cells that fail; a big plant's
        are shared to its sites. All nursery days are charged as lit."""
        cells, days = 1 / of.plugs, of.nursery or 0
        of_cells = ((W.SEED, 1), (W.MEDIUM, 1), (W.SOW_MINUTES, 1), (W.LIGHT, days))
        of_plant = ((W.POT, 1), (W.PLANT_MINUTES, 1), (W.CLEAR_MINUTES, 1))
        told = [self.pence(what, crop, times * cells) for what, times in of_cells]
        told += [self.pence(what, crop, times) for what, times in of_plant]
        return float(sum(told)) / of.sites


__all__ = ["ENOUGH_G", "Charges", "Net", "net_of_leaf"]
