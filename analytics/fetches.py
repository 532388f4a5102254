"""What a gram of leaf brings at the pack-house door, net of what it takes to feed, cut, wash and
pack it, crop minutes charged; and what it costs to raise and plant a site. By the last year's own
records where there are enough, else by price list and rates."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from grow.models import Lot, LotKind, Variety
from sales.models import Outlet, Price

from .costs import Told, nutrient
from .counted import PER, W
from .crops import names
from .expected import Habit
from .margin import Margin, margin
from .period import About, Period
from .raising import Sowing
from .rates import half_up
from .traced import FINE, Source, Traced

#: Grams sold from which on a crop's own takings are believed.
ENOUGH_G = 1000
#: Minutes after the planting → what their pence are shared by to own leaf and bought.
RUNNING = {W.CUT_MINUTES: "cut", W.WASH_MINUTES: "washed_g", W.PACK_MINUTES: "packs"}


_OF_RUNS = ("packs", "packaging", "washed_g")


@dataclass(frozen=True)
class Net:
    """Pence a gram cut, net of crate and grade-out. recorded: by own takings, else by the list."""

    pence: float
    recorded: bool


def net_of_leaf(period: Period, charges: Charges) -> tuple[dict[int, Net], Margin]:
    """Crop → what a gram of it brings; a crop without takings or price is not in it."""
    earned = margin(period, charges.told)
    cut = {row.crop_id: row.cut_g for row in earned.stood.crops}
    sold = {row.crop_id: row.sold_or_used_g for row in earned.stood.crops}
    out: dict[int, Net] = {}
    own = _own_shares(earned)

    def its(what: str, crop: int, pence: Fraction | int) -> Fraction:
        return pence * own.get((what, crop), Fraction(1))

    for row in earned.rows:
        crop = row.crop_id
        if crop and cut.get(crop, 0) > 0 and sold.get(crop, 0) >= ENOUGH_G:
            net = its("door", crop, row.door_alone_p) - row.nutrient_and_water_p
            net -= its("packaging", crop, row.packaging_p)
            for what, shared in RUNNING.items():
                net -= its(shared, crop, earned.spent.labour_of[what].get(crop, Fraction(0)))
            out[crop] = Net(float(net / cut[crop]), True)
    for crop, pence in _listed(period, charges).items():
        if crop not in out:
            out[crop] = Net(float(pence - charges.of_gram(crop)), False)
    return out, earned


def _own_shares(earned: Margin) -> dict[tuple[str, int | None], Fraction]:
    """(money or count, crop) → the part of it that is of leaf cut here, by what was traced to it as
    the stands do; empty where no leaf was ever bought in."""
    bought = set(Lot.objects.filter(kind=LotKind.PRODUCE).values_list("pk", flat=True))
    if not bought:
        return {}
    door, of_run = earned.money.alone_of, earned.spent.of_run
    lots = {lot for lot, _ in door}.union(*(of_run[what] for what in _OF_RUNS))
    batches = Lot.objects.filter(kind=LotKind.BATCH).values_list("pk", "crop_id", "variety_id")
    sowings = {pk: Sowing(pk, crop, variety) for pk, crop, variety in batches}
    traced = Traced(earned.about.period, sowings, (), lots)
    sources: dict[str, Mapping[Source, int]] = {
        what: traced.sources({lot: half_up(n, FINE) for lot, n in of_run[what].items()})
        for what in _OF_RUNS
    }
    whole: Counter[tuple[str, int | None]] = Counter()
    own: Counter[tuple[str, int | None]] = Counter()
    for what, amounts in {**sources, "door": traced.of_crops(door)}.items():
        for (root, crop), amount in amounts.items():
            whole[what, crop] += amount
            own[what, crop] += amount * (root not in bought)
    return {key: Fraction(own[key], amount) for key, amount in whole.items() if amount}


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
    """What is charged on a day, in pence: what is bought by the receipts that came last, else by
    the rates; what has neither is nought, and a gap in words. Minutes are rescaled as those of the
    day are."""

    def __init__(self, day: int, about: About) -> None:
        self.told = told = Told()
        factor = told.timed.factor(day)
        self.rates, self._factor = told.rates, Fraction(1) if factor is None else factor
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
        feed = nutrient(self.told.receipts, self.rates, crop, self.day)
        whats = (*((W.NUTRIENT,) if feed is None else ()), W.WATER, W.CUT_MINUTES)
        fed = Fraction(0) if feed is None else feed / PER[W.NUTRIENT]
        return fed + sum((self.pence(what, crop) for what in whats), Fraction(0))

    def of_site(self, variety: Variety, of: Habit, left: int | None = None) -> float | None:
        """Raising, planting and one day clearing one site, with the cells that fail; a big plant's
        are shared to its sites. All nursery days are charged as lit. left: days that plugs have yet
        to stand in the nursery; what it took to sow them is spent. None, and a gap, where no cell
        gives a plant, or nothing says what its seed costs: it would not come free."""
        crop = variety.crop_id
        sown = [] if left is not None else self._sowing(variety)
        if sown is None or not of.plugs:
            return None
        lit = self.pence(W.LIGHT, crop, (of.nursery or 0) if left is None else left)
        of_plant = [self.pence(what, crop) for what in (W.POT, W.PLANT_MINUTES, W.CLEAR_MINUTES)]
        return float((sum(sown) + lit) * Fraction(1 / of.plugs) + sum(of_plant)) / of.sites

    def _sowing(self, variety: Variety) -> list[Fraction] | None:
        """Seed, medium and minutes of one cell."""
        crop = variety.crop_id
        newest = {w: self.told.receipts.newest(w, variety.pk, self.day) for w in (W.SEED, W.MEDIUM)}
        if newest[W.SEED] is None and self.rates.of(W.SEED, crop, self.day) is None:
            self._about.gap(
                f"{variety.crop}, {variety.name}: neither a receipt nor a rate says what a cell of "
                "its seed or plugs costs, so it is not offered."
            )
            return None
        bought = [self.pence(what, crop) if each is None else each for what, each in newest.items()]
        return [*bought, self.pence(W.SOW_MINUTES, crop)]


__all__ = ["ENOUGH_G", "Charges", "Net", "net_of_leaf"]
