"""What to grow for the most money: a linear programme over weeks or months.

Each way of growing (a crop, planted in one period on one tier) uses site-days and nursery cells
period by period and gives grams; products sell grams up to a demand and at least what was promised.
Sites are whole in the greenhouse and fractions here: round the answer, the money hardly moves.

A plan begins with empty towers unless told otherwise: what stands already is a way that uses no
nursery, with at_most the sites it stands on. For a year that repeats, let a way that stands over
the end go on in the first periods. Twelve months solve in a tenth of a second; 52 weeks of eleven
crops on five tiers, some 3000 ways, take two.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

import numpy as np
from scipy import sparse
from scipy.optimize import OptimizeResult, linprog

from .ratios import Floats
from .words import listed

ROOM, DEMAND, PROMISE, RULE = "room", "demand", "promise", "rule"
#: Rows that say what things are, and limit nothing: no more is sold than cut, a recipe is kept.
MEANINGS = ("crop", "recipe")
_CROP, _RECIPE = MEANINGS
_NEAR = 1e-7


@dataclass(frozen=True)
class Way:
    """One way of growing a crop. Of one site planted: uses, by name of room, and cut_g, saleable
    grams, one figure each period; pence, what it earns or, below nought, costs apart from what its
    grams sell for. at_most: sites."""

    name: str
    crop: str
    uses: Mapping[str, Sequence[float]]
    cut_g: Sequence[float] = ()
    pence: float = 0
    at_most: float = inf


@dataclass(frozen=True)
class Product:
    """What is sold, and to whom. recipe: crop → (least, greatest) share of its grams. pence_per_g
    at the pack-house door, less packaging and crop minutes of packing. demand_g: at most,
    promised_g: at least, one figure each period; left out: no cap, no promise."""

    name: str
    recipe: Mapping[str, tuple[float, float]]
    pence_per_g: float
    demand_g: Sequence[float] = ()
    promised_g: Sequence[float] = ()


@dataclass(frozen=True)
class Rule:
    """Σ weight × sites planted of each crop is at_most, over the whole plan: a rotation, a crop's
    greatest share. at_most is not below nought, so that planting nothing keeps every rule."""

    name: str
    weights: Mapping[str, float]
    at_most: float


@dataclass(frozen=True)
class Farm:
    """rooms: name → what there is in each period: site-days of each tier, cell-days of bench and
    shelf, minutes if they are short."""

    periods: Sequence[str]
    rooms: Mapping[str, Sequence[float]]
    ways: Sequence[Way]
    products: Sequence[Product] = ()
    rules: Sequence[Rule] = ()

    def __post_init__(self) -> None:
        told: list[tuple[str, Sequence[float]]] = [*self.rooms.items()]
        for way in self.ways:
            told += way.uses.items()
            told += [(way.name, way.cut_g)] if len(way.cut_g) else []
            unknown = way.uses.keys() - self.rooms.keys()
            if unknown:
                raise ValueError(f"{way.name} uses {min(unknown)}, which the farm has not got.")
        for product in self.products:
            told += [(product.name, p) for p in (product.demand_g, product.promised_g) if len(p)]
        for name, figures in told:
            if len(figures) != len(self.periods) or not all(f >= 0 for f in figures):
                raise ValueError(
                    f"{name} needs {len(self.periods)} figures, one a period, none below nought."
                )
        for rule in self.rules:
            if rule.at_most < 0:
                raise ValueError(f"{rule.name}: at most {rule.at_most} is below nought.")

    def with_more(self, adds: Mapping[str, Sequence[float]], times: float = 1) -> Farm:
        """The same farm with so many times this room more."""
        rooms = {
            name: [
                r + times * a for r, a in zip(room, adds.get(name, [0] * len(room)), strict=True)
            ]
            for name, room in self.rooms.items()
        }
        return Farm(self.periods, rooms, self.ways, self.products, self.rules)


@dataclass(frozen=True)
class Sown:
    """sites of a way. forgone_p: what a site of it would take from the plan's pence; nought for
    what is planted."""

    way: str
    crop: str
    sites: float
    forgone_p: float


@dataclass(frozen=True)
class Sold:
    product: str
    crop: str
    period: str
    grams: float


@dataclass(frozen=True)
class Limit:
    """kind: room, demand, promise or rule; period is "" for a rule. shadow_p: pence that one unit
    more room or demand would add, or one gram less promised. used and at_most in the limit's unit;
    of a promise, what is sold and what was promised."""

    kind: str
    name: str
    period: str
    used: float
    at_most: float
    shadow_p: float

    @property
    def binds(self) -> bool:
        return abs(self.used - self.at_most) <= _NEAR * max(1.0, abs(self.at_most))


@dataclass(frozen=True)
class Collision:
    """The fewest promises that cannot all be kept, and the limits that they meet: with any one of
    these gone the rest could be kept. short_g: (product, period) → grams, the least that must be
    withdrawn, of all promises, for a plan to exist."""

    promises: tuple[Limit, ...]
    limits: tuple[Limit, ...]
    short_g: Mapping[tuple[str, str], float]

    @property
    def sentence(self) -> str:
        promised = listed(
            [f"{round(p.at_most)} g of {p.name} in {p.period}" for p in self.promises]
        )
        against = {ROOM: "the room of", DEMAND: "the demand for", RULE: "the rule"}
        met = [
            f"{against[x.kind]} {x.name}" + (f" in {x.period}" if x.period else "")
            for x in self.limits
        ]
        short = round(sum(self.short_g.values()))
        return (
            f"{promised} cannot be promised{' together' if len(self.promises) > 1 else ''}, for "
            f"{listed(met) if met else 'no crop gives it'}; promise {short} g less in all, and "
            "there is a plan."
        )


@dataclass(frozen=True)
class Plan:
    """pence: what it earns over all periods. limits: every one, slack ones too; see binding.
    Where collision is told there is no plan: the rest is empty."""

    pence: float
    sown: tuple[Sown, ...] = ()
    sold: tuple[Sold, ...] = ()
    limits: tuple[Limit, ...] = ()
    collision: Collision | None = None

    @property
    def binding(self) -> tuple[Limit, ...]:
        return tuple(limit for limit in self.limits if limit.binds)

    def worth_of(self, adds: Mapping[str, Sequence[float]], periods: Sequence[str]) -> float:
        """Pence that a little more room would earn at the shadow prices: room → one figure each
        period. Exact for little; for ten towers solve again (towers.more_towers)."""
        price = {(x.name, x.period): x.shadow_p for x in self.limits if x.kind == ROOM}
        return sum(
            price[name, period] * amount
            for name, amounts in adds.items()
            for period, amount in zip(periods, amounts, strict=True)
        )


# --- the programme --------------------------------------------------------------------------


@dataclass
class Rows:
    """Rows of a programme, each Σ coefficient × variable ≤ bound; entries are (row, column,
    coefficient). A promise is kept turned round: −sold ≤ −promised."""

    names: list[tuple[str, str, str]] = field(default_factory=list)
    bounds: list[float] = field(default_factory=list)
    entries: list[tuple[int, int, float]] = field(default_factory=list)

    def add(
        self, name: tuple[str, str, str], bound: float, entries: Iterable[tuple[int, float]]
    ) -> None:
        self.entries += [(len(self.names), column, c) for column, c in entries if c]
        self.names.append(name)
        self.bounds.append(bound)

    def matrix(self, columns: int) -> sparse.csr_array:
        row, column, value = zip(*self.entries, strict=True) if self.entries else ((), (), ())
        return sparse.csr_array((value, (row, column)), shape=(len(self.names), columns))


def plan(farm: Farm) -> Plan:
    """The plan that earns most, or which promises collide.

    ValueError where nothing limits what could be earned. Solved by HiGHS through scipy."""
    sales, rows = _rows(farm)
    gain = np.array(
        [way.pence for way in farm.ways]
        + [farm.products[product].pence_per_g for product, _, _ in sales]
    )
    if not len(gain):
        return Plan(0.0)
    upper = [way.at_most for way in farm.ways] + [inf] * len(sales)
    found = solve(-gain, rows, upper)
    if found.status == 2:
        from .collisions import collision  # which stands on this module

        return Plan(0.0, collision=collision(rows, upper))
    if found.status != 0:
        raise ValueError(
            f"There is no best plan: nothing limits what could be earned. {found.message}"
        )
    return Plan(
        float(gain @ found.x),
        tuple(
            Sown(way.name, way.crop, float(x), float(max(0.0, at_zero)))
            for way, x, at_zero in zip(farm.ways, found.x, found.lower.marginals, strict=False)
        ),
        tuple(
            Sold(farm.products[product].name, crop, farm.periods[period], float(grams))
            for (product, crop, period), grams in zip(sales, found.x[len(farm.ways) :], strict=True)
            if grams > _NEAR
        ),
        tuple(
            limit(name, bound, slack, float(-dual))
            for name, bound, slack, dual in zip(
                rows.names,
                rows.bounds,
                found.ineqlin.residual,
                found.ineqlin.marginals,
                strict=True,
            )
            if name[0] not in MEANINGS
        ),
    )


def limit(name: tuple[str, str, str], bound: float, slack: float, shadow_p: float) -> Limit:
    """A row as it is told: a promise the right way round again."""
    used = bound - float(slack)
    return (
        Limit(*name, -used, -bound, shadow_p)
        if name[0] == PROMISE
        else Limit(*name, used, bound, shadow_p)
    )


def solve(cost: Floats, rows: Rows, upper: Sequence[float]) -> OptimizeResult:
    """The least cost of variables from nought to upper."""
    return linprog(
        cost,
        A_ub=rows.matrix(len(cost)),
        b_ub=rows.bounds,
        bounds=[(0, top) for top in upper],
        method="highs",
    )


def _rows(farm: Farm) -> tuple[list[tuple[int, str, int]], Rows]:
    """(sales as product, crop, period; the rows). Columns: the ways, then the sales."""
    sales = [
        (product, crop, period)
        for product, told in enumerate(farm.products)
        for crop in told.recipe
        for period in range(len(farm.periods))
    ]
    column = {sale: i for i, sale in enumerate(sales, len(farm.ways))}
    rows = Rows()
    for name, room in farm.rooms.items():
        using = [(i, way.uses[name]) for i, way in enumerate(farm.ways) if name in way.uses]
        for p, period in enumerate(farm.periods):
            rows.add((ROOM, name, period), room[p], [(i, uses[p]) for i, uses in using])
    for crop in dict.fromkeys(crop for _, crop, _ in sales):
        growing = [(i, w.cut_g) for i, w in enumerate(farm.ways) if w.crop == crop and len(w.cut_g)]
        for p, period in enumerate(farm.periods):
            sold = [(column[sale], 1.0) for sale in sales if sale[1:] == (crop, p)]
            cut = [(i, -grams[p]) for i, grams in growing]
            rows.add((_CROP, crop, period), 0, [*sold, *cut])
    for number, product in enumerate(farm.products):
        for p, period in enumerate(farm.periods):
            whole = [(column[number, crop, p], 1.0) for crop in product.recipe]
            if len(whole) > 1:
                _recipe(rows, product, period, whole)
            if len(product.demand_g) and product.demand_g[p] < inf:
                rows.add((DEMAND, product.name, period), product.demand_g[p], whole)
            if len(product.promised_g) and product.promised_g[p] > 0:
                turned = [(i, -c) for i, c in whole]
                rows.add((PROMISE, product.name, period), -product.promised_g[p], turned)
    for rule in farm.rules:
        weights = [(i, rule.weights.get(way.crop, 0.0)) for i, way in enumerate(farm.ways)]
        rows.add((RULE, rule.name, ""), rule.at_most, weights)
    return sales, rows


def _recipe(rows: Rows, product: Product, period: str, whole: Sequence[tuple[int, float]]) -> None:
    for (of, _), (least, greatest) in zip(whole, product.recipe.values(), strict=True):
        name = (_RECIPE, product.name, period)
        rows.add(name, 0, [(i, least - (i == of)) for i, _ in whole])
        rows.add(name, 0, [(i, (i == of) - greatest) for i, _ in whole])
