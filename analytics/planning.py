"""The space plan: what to grow by month for the most money, what binds, what more towers earn.

One year that repeats itself, from the next month on: what stands over its end goes on at its
beginning. The programme is in earning/space_plan.py; here it gets the farm's own sites, cells,
cards, sales, orders and rates, or what was entered in their place, and says which it was.
"""

from __future__ import annotations

import datetime as dt
from calendar import monthrange
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from grow import clock, sums
from sales.models import Product

from .expected import Habit
from .fetches import Charges, net_of_leaf
from .keep_rows import CHANGEOVER
from .own_record import Record
from .plan_asked import Entered
from .plan_facts import (
    BENCH,
    SHELF,
    Went,
    last_year,
    nursery,
    ordered,
    packed_shares,
    tiers,
    towers_with_sites,
)
from .plan_prices import Brings
from .plan_rows import Assumed, PlantRow, SoldRow, Space, TowerRow, about_plan, limit_row, tenth
from .tower_cost import tower_cost

if TYPE_CHECKING:
    from .earning import space_plan as lp

MONTHS = 12
#: Days of a month on which a third each of its plants is planted.
_DAYS = (1, 11, 21)
RECORDS, ENTERED, CARDS, RATES = "from records", "entered here", "crop cards", "rates"


def space(today: dt.date, told: Entered) -> Space:
    with clock.one_zone(), sums.one_moment():
        return _Planner(today, told).read()


class _Planner:
    def __init__(self, today: dt.date, told: Entered) -> None:
        self.today, self.told = today, told
        year = self.year = last_year(today)
        first = (today.replace(day=1) + dt.timedelta(days=31)).replace(day=1)
        self.starts = [_months_on(first, n) for n in range(MONTHS)]
        self.days = [monthrange(day.year, day.month)[1] for day in self.starts]
        self.labels = [f"{day:%b}" for day in self.starts]
        self.about = about_plan(self.starts, self.days)
        self.charges = Charges(clock.day_number(today), self.about)
        self.record = Record(today)
        _, self.earned = net_of_leaf(year, self.charges)
        self.went = Went(year, self.charges)
        self.packed = packed_shares(year)
        self.tiers = tiers(self.record.cuts)
        self.raised = nursery(year)
        self.month_of: dict[str, int] = {}  # way → month of its planting
        self.out = Space(self.about, self.labels, was_p=self.earned.total.after_labour_p)

    def read(self) -> Space:
        from .earning.space_plan import Farm, plan

        out = self.out
        cells = self._cells()
        rooms = {t.name: [float(t.sites * days) for days in self.days] for t in self.tiers}
        rooms |= {name: [number * days for days in self.days] for name, number in cells.items()}
        farm = Farm(
            self.labels, rooms, list(self._ways(cells)), self._products(), list(self._rules())
        )
        self._assume(cells)
        if not farm.ways or not farm.products:
            return out
        found = plan(farm)
        if found.collision:
            out.collision = found.collision.sentence
            return out
        out.earns_p = round(found.pence)
        self._planted(farm, found)
        self._sold(farm, found)
        out.limits = [limit_row(x) for x in found.binding if x.shadow_p > 1e-6]
        self._towers(farm)
        return out

    # --- ways of growing ---------------------------------------------------------------------

    def _cells(self) -> dict[str, float]:
        told = {SHELF: self.told.shelf, BENCH: self.told.bench}
        return {
            name: float(self.raised.most[name] if number is None else number)
            for name, number in told.items()
        }

    def _ways(self, cells: Mapping[str, float]) -> Iterator[lp.Way]:
        from .earning.space_plan import Way

        alive = {row.crop_id: (row.surviving, row.sites) for row in self.earned.stood.crops}
        for pk, of in self.record.habits.items():
            variety = self.record.varieties[pk]
            crop = variety.crop
            living, sites = alive.get(crop.pk, (0, 0))
            lost = (1 - living / sites) / 2 if sites else 0.0  # dies halfway, on average
            times = self.record.of_variety(pk).times * (1 - lost) / of.sites
            raising = self.charges.of_site(variety, of)
            if raising is None:
                continue
            of_gram = float(self.charges.of_gram(crop.pk))
            packed = self.packed.get(crop.pk, 1.0)
            for month in range(MONTHS):
                raised = self._nursery(of, crop.pk, month, cells)
                for stop in self._stops(of, month):
                    held, grams = self._stands(of, month, stop)
                    cut = [g * times for g in grams]
                    if not any(cut):
                        continue
                    for tier in self.tiers:
                        name = f"{crop}, {variety}, {self.labels[month]}, {stop} cuts, {tier.name}"
                        self.month_of[name] = month
                        yield Way(
                            name,
                            crop.name,
                            {tier.name: held, **raised},
                            [g * tier.times * packed for g in cut],
                            -raising - of_gram * tier.times * sum(cut),
                        )

    def _plantings(self, month: int) -> list[dt.date]:
        return [self.starts[month].replace(day=day) for day in _DAYS]

    def _stops(self, of: Habit, month: int) -> list[int]:
        """Numbers of cuts after which it may be cleared: those of its greatest average of grams a
        day, and all that come within a year."""
        start = self._plantings(month)[1]
        cuts = list(of.cuts(start, 0, start, start + dt.timedelta(days=364)))
        best, most, total = 0, 0.0, 0.0
        for n, (day, grams) in enumerate(cuts, 1):
            total += grams
            if total / (day - start).days > most:
                best, most = n, total / (day - start).days
        return sorted({best, len(cuts)} - {0})

    def _stands(self, of: Habit, month: int, stop: int) -> tuple[list[float], list[float]]:
        """Site-days held, and grams of a plant, in each month of the year that repeats."""
        held, grams = [0.0] * MONTHS, [0.0] * MONTHS
        for start in self._plantings(month):
            cuts = list(of.cuts(start, 0, start, start + dt.timedelta(days=364)))[:stop]
            if not cuts:
                continue
            for day, gram in cuts:
                grams[self._at(day)] += gram / len(_DAYS)
            for n in range((cuts[-1][0] - start).days + CHANGEOVER):
                held[self._at(start + dt.timedelta(days=n))] += 1 / len(_DAYS)
        return held, grams

    def _at(self, day: dt.date) -> int:
        return (day.month - self.starts[0].month) % MONTHS

    def _nursery(
        self, of: Habit, crop: int, month: int, cells: Mapping[str, float]
    ) -> dict[str, list[float]]:
        """Cell-days of the cells that make one site's plant; none for young plants bought."""
        if not of.nursery:
            return {}
        days = [0.0] * MONTHS
        for start in self._plantings(month):
            for n in range(1, of.nursery + 1):
                days[self._at(start - dt.timedelta(days=n))] += 1 / len(_DAYS)
        each, lit = 1 / of.plugs / of.sites, self.raised.share.get(crop, 1.0)
        share = {SHELF: lit, BENCH: 1 - lit}
        return {name: [d * each * part for d in days] for name, part in share.items() if part}

    # --- what is sold ------------------------------------------------------------------------

    def _products(self) -> list[lp.Product]:
        from .earning.space_plan import Product as Sold

        orders = ordered() if self.told.orders else {}
        brings = Brings(self.year, self.went, self.charges)
        self.products: dict[str, Product] = {}
        self.demand: dict[str, list[float]] = {}
        found = []
        rows = Product.objects.prefetch_related("recipe__crop").select_related("loose_crop")
        for product in rows.order_by("name"):
            line = product.line
            recipe = {
                r.crop.name: (r.least_pct / 100, r.greatest_pct / 100) for r in product.recipe.all()
            }
            if product.loose_crop:
                recipe = {product.loose_crop.name: (1.0, 1.0)}
            each = brings.a_gram(product)
            demand = self._demand(line)
            promised = self._promised(line, demand, orders)
            demand = [max(pair) for pair in zip(demand, promised, strict=True)]
            if not recipe or each is None or not any(demand) or product.name in self.products:
                continue
            self.products[product.name], self.demand[product.name] = product, demand
            found.append(Sold(product.name, recipe, each, demand, promised))
        return found

    def _demand(self, line: str) -> list[float]:
        if line in self.told.demand:
            return [self.told.demand[line] * days / 7 for days in self.days]
        times = float(self.told.demand_pct) / 100
        months = zip(self.starts, self.days, strict=True)
        return [self.went.a_day(line, day.month) * days * times for day, days in months]

    def _promised(
        self, line: str, demand: Sequence[float], orders: Mapping[str, float]
    ) -> list[float]:
        """An order is kept in the months and as far as the product is sold; what is entered as
        promised, in every month."""
        kept = [
            min(orders.get(line, 0.0) * days / 7, cap)
            for days, cap in zip(self.days, demand, strict=True)
        ]
        more = self.told.promised.get(line, 0.0)
        return [k + more * days / 7 for k, days in zip(kept, self.days, strict=True)]

    def _rules(self) -> Iterator[lp.Rule]:
        from .earning.space_plan import Rule

        names = {v.crop_id: v.crop.name for v in self.record.varieties.values()}
        for crop, pct in self.told.most.items():
            if crop in names:
                own, share = names[crop], pct / 100
                weights = {name: (name == own) - share for name in names.values()}
                yield Rule(f"{own} at most {pct:g} % of the sites planted", weights, 0)

    # --- what comes of it ----------------------------------------------------------------------

    def _planted(self, farm: lp.Farm, found: lp.Plan) -> None:
        plant: dict[tuple[str, int], float] = defaultdict(float)
        held: dict[tuple[str, int], float] = defaultdict(float)
        tiers_ = {t.name for t in self.tiers}
        for way, sown in zip(farm.ways, found.sown, strict=True):
            if sown.sites < 1e-6:
                continue
            plant[way.crop, self.month_of[way.name]] += sown.sites
            for name, days in way.uses.items():
                for n, number in enumerate(days if name in tiers_ else ()):
                    held[way.crop, n] += sown.sites * number / self.days[n]
        crops = sorted({crop for crop, _ in held}, key=lambda c: -sum(_of(held, c)))
        self.out.rows = [
            PlantRow(crop, self.labels[n], tenth(plant[crop, n]), tenth(held[crop, n]))
            for crop in crops
            for n in range(MONTHS)
        ]

    def _sold(self, farm: lp.Farm, found: lp.Plan) -> None:
        grams: dict[str, float] = defaultdict(float)
        for one in found.sold:
            grams[one.product] += one.grams
        for product in farm.products:
            pence = grams[product.name] * product.pence_per_g
            self.out.sold.append(
                SoldRow(
                    product.name,
                    round(grams[product.name]),
                    round(sum(product.demand_g)) if len(product.demand_g) else None,
                    tenth(product.pence_per_g * 1000),
                    round(pence),
                )
            )
        self.out.sold.sort(key=lambda row: -row.pence)

    def _towers(self, farm: lp.Farm) -> None:
        from .earning.towers import Tower, more_towers

        number = towers_with_sites()
        price, life, running = self._tower()
        if not number:
            return
        adds = {t.name: [t.sites / number * days for days in self.days] for t in self.tiers}
        tower = Tower(adds, price or 0.0, life or 1.0, running or 0.0)
        found = more_towers(farm, tower, self.told.more)
        known = price is not None and life is not None
        self.out.one_more_p = round(found.steps[0].last_p)
        self.out.life_years = None if life is None else Decimal(str(life)).normalize()
        self.out.pay_up_to = found.pay_up_to if known else None
        self.out.towers = [
            TowerRow(
                step.towers,
                round(step.together_p),
                round(step.last_p),
                round(step.cost_p) if known else None,
                step.pays if known else None,
                tenth(step.pays_back_years) if known and step.pays_back_years else None,
            )
            for step in found.steps
        ]

    def _tower(self) -> tuple[float | None, float | None, float | None]:
        """Pence, years, pence a year: as entered, else by the rates."""
        rates, gaps = tower_cost(self.today)
        told = self.told
        if rates is None and (told.price is None or told.life is None):
            for gap in gaps:
                self.about.gap(f"{gap} Enter it on the page, or nothing is said of when it pays.")
        price, life, running = (
            (rates.price_p, rates.life_years, rates.running_p) if rates else (None, None, None)
        )
        price = price if told.price is None else told.price * 100
        life = life if told.life is None else told.life
        running = running if told.running is None else told.running * 100
        return _float(price), _float(life), _float(running)

    def _assume(self, cells: Mapping[str, float]) -> None:
        told, add = self.told, self.out.assumed.append
        for t in self.tiers:
            says = f"{t.sites} sites, a cut gives {t.times:.2f} of the mean"
            add(Assumed(t.name, says, f"{RECORDS}: {t.cuts} cuts of one tier alone"))
        for name, entered in ((SHELF, told.shelf), (BENCH, told.bench)):
            rest = ENTERED if entered is not None else f"{RECORDS}: the most that stood at once"
            add(Assumed(name, f"{cells[name]:.0f} cells", rest))
        for pk, of in self.record.habits.items():
            variety, level = self.record.varieties[pk], self.record.of_variety(pk)
            add(
                Assumed(
                    f"{variety.crop}, {variety.name}",
                    f"{_cuts(of)}, {100 * level.times:.0f} % of the card, "
                    f"{100 * self.packed.get(variety.crop_id, 1.0):.0f} % of a cut can be packed",
                    f"{CARDS}; {100 * (1 - level.card):.0f} % of that share {RECORDS}",
                )
            )
        for name, product in self.products.items():
            entered_here = product.line in told.demand
            rest = ENTERED if entered_here else f"{RECORDS} × {told.demand_pct.normalize():f} %"
            weekly = sum(self.demand[name]) * 7 / sum(self.days) / 1000
            add(Assumed(f"{name}: wanted", f"{weekly:.2f} kg a week on average", rest))
        if told.promised:
            add(Assumed("Promised besides orders", f"{len(told.promised)} products", ENTERED))
        add(Assumed("Standing orders", "kept" if told.orders else "left out", RECORDS))
        for pk, missing in self.record.lacking.items():
            variety = self.record.varieties[pk]
            self.about.gap(f"{variety.crop}, {variety.name}: {missing}, so it is not in the plan.")
        missing_months = [
            day.strftime("%B") for day in self.starts if not self.went.days[day.month]
        ]
        if missing_months:
            self.about.gap(
                f"Nothing is recorded of {', '.join(missing_months)}: demand there is taken as in "
                "the months that are."
            )


def _of(held: Mapping[tuple[str, int], float], crop: str) -> Iterator[float]:
    return (sites for (name, _), sites in held.items() if name == crop)


def _cuts(of: Habit) -> str:
    return f"{len(of.grams)} cut{'s' * (len(of.grams) > 1)}"


def _float(number: Decimal | None) -> float | None:
    return None if number is None else float(number)


def _months_on(first: dt.date, number: int) -> dt.date:
    month = first.month - 1 + number
    return dt.date(first.year + month // 12, month % 12 + 1, 1)


__all__ = ["space"]
