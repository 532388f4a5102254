"""Crates in, bags out: what a run wants, what it finds, and what the scale says."""

from __future__ import annotations

import random
from decimal import Decimal

from grow.errors import Refusal
from sales.operations import Taken

from .scenario import ProductFacts
from .year import Leaf, Packs, Year

LEAST, MOST_BAGS = 8, 25
#: Bags in the store that no run is made smaller for.
IN_HAND = 18
#: Crates lose about so much of their weight in a night.
NIGHT = 0.01


def plan(year: Year) -> list[tuple[ProductFacts, int]]:
    """The bag runs of the day: product and bags."""
    week = year.scenario.bags(year.day)
    weekday = year.day.weekday()
    if week >= 32:
        shares = {1: 0.29, 3: 0.31, 4: 0.40}
    elif week >= 19:
        shares = {1: 0.45, 4: 0.55}
    else:
        shares = {4: 1.0}
    share = shares.get(weekday)
    if share is None:
        return []
    bags = week * share
    products = {p.code: p for p in year.scenario.products}
    old = sum(p.left for p in year.packs if p.facts.nominal_g == 120)
    wanted = round(year.about(bags, 0.08) - max(0, old - IN_HAND))
    if week >= 32 and weekday == 3:
        mild = LEAST + year.rng.randrange(3)
        rest = max(wanted - mild, LEAST)
        return [(products["MILD-120"], mild), (products["SALAD-120"], rest)]
    return [(products["SALAD-120"], max(LEAST, min(MOST_BAGS, wanted)))]


def leaf_wanted(runs: list[tuple[ProductFacts, int]]) -> dict[str, float]:
    """Grams of each crop that the runs ask for, with a little over for trim."""
    wanted: dict[str, float] = {}
    for product, bags in runs:
        total = sum((low + high) / 2 for low, high in product.recipe.values())
        for crop, (low, high) in product.recipe.items():
            share = (low + high) / 2 / total
            wanted[crop] = wanted.get(crop, 0) + bags * product.fill_g * 1.06 * share
    return wanted


def blend(product: ProductFacts, want_g: float, have: dict[str, float]) -> dict[str, float]:
    """Grams of each crop for about want_g, inside the recipe's shares and what there is."""
    total = min(want_g, sum(have.get(c, 0) for c in product.recipe))
    for crop, (low, _) in product.recipe.items():
        if low:
            total = min(total, have.get(crop, 0) / low * 100)
    for _ in range(12):
        took = {
            c: min(have.get(c, 0), total * high / 100) for c, (_, high) in product.recipe.items()
        }
        if sum(took.values()) >= total * 0.999:
            break
        total = sum(took.values())
    least = {c: total * low / 100 for c, (low, _) in product.recipe.items()}
    room = {c: took[c] - least[c] for c in took}
    rest, space = total - sum(least.values()), sum(room.values())
    return {c: least[c] + (room[c] * rest / space if space > 0 else 0) for c in took}


def wash_water(year: Year) -> None:
    tank = year.ground.tanks["wash"]
    year.tell(
        "drain_and_clean",
        by="packer",
        tank=tank,
        cleaner=year.open_inputs.get("cleaner"),
        how="emptied after the last run, rinsed",
    )
    year.tell("fill", by="packer", tank=tank, litres=80, source="mains")


def run(
    year: Year,
    product: ProductFacts,
    crates: list[tuple[Leaf, int]],
    *,
    washed: bool,
    most: int | None = None,
    real_g: int | None = None,
    story: str = "",
) -> Packs | None:
    """One run from crates; (crate, grams taken), all of it when the grams are all that is left.

    The packs follow from what the crates really weigh, the water that stays on the leaf, the
    trim and the fill; the books get only what the packer sees."""
    real = sum(grams * (1 - NIGHT * min((year.day - leaf.cut).days, 5)) for leaf, grams in crates)
    if real_g is not None:
        real = real_g
    if washed:
        real *= 1 + year.rng.uniform(0.02, 0.05)
    trim = real * year.rng.uniform(0.03, 0.08)
    fill = year.rng.gauss(product.fill_g, product.fill_sd / 3)
    packs = int((real - trim) / fill)
    if most is not None:
        packs = min(packs, most)
    if packs < 1:
        return None
    if real_g is None:
        crates = _put_back(crates, int(real - trim - packs * fill))
    taken = []
    for leaf, grams in crates:
        left = leaf.grams - grams
        used = left > 0 and year.chance(0.3)
        taken.append(
            Taken(leaf.lot, year.place("store"), used=grams)
            if used
            else Taken(leaf.lot, year.place("store"), left=left)
        )
    told = {
        "product": year.ground.products[product.code],
        "taken": taken,
        "packs": packs,
        "store": year.place("store"),
        "line": year.place("line"),
        "washed": washed,
        "scale": year.ground.things["scale"],
        "target_g": product.target_g,
        "weights": _weighed(year, product, fill, packs) if washed else [],
        "things": [year.ground.things["scale"], year.ground.things["spinner"]][: 1 + washed],
        "tanks": [year.ground.tanks["wash"]] if washed else [],
    }
    by = "weekend" if year.day.weekday() >= 5 else "packer"
    try:
        event = year.tell("pack", by=by, minutes=packs * 0.8, story=story, **told)
    except Refusal as refusal:
        # too little of one leaf that day, and the bags went out all the same
        ways = {"off_recipe": "already_done", "outweighs": "weighed_again"}
        if refusal.code not in ways:
            raise
        told[ways[refusal.code]] = True
        event = year.tell("pack", by=by, minutes=5, story=story, **told)
    for leaf, grams in crates:
        leaf.grams -= grams
    year.leaf = [leaf for leaf in year.leaf if leaf.grams > 0]
    year.tell("print_labels", by=by, minutes=0, run=event.lot, count=packs + (packs > 12))
    if packs > 12:
        year.tell("spoil_labels", by=by, minutes=0, run=event.lot)
    made = Packs(product, event.lot, packs, year.day)
    year.packs.append(made)
    return made


def _weighed(year: Year, product: ProductFacts, fill: float, packs: int) -> list[Decimal]:
    """A handful of bags on the scale; dice of their own, so that the year stays the same."""
    dice = random.Random(f"{year.day} {product.code}")
    some = (dice.gauss(max(fill, product.nominal_g), product.fill_sd / 2) for _ in range(6))
    return [Decimal(f"{grams:.1f}") for grams in list(some)[:packs]]


def _put_back(crates: list[tuple[Leaf, int]], spare: int) -> list[tuple[Leaf, int]]:
    """What would not fill another pack stays in the fullest crate, if it is worth keeping."""
    fullest = max(range(len(crates)), key=lambda i: crates[i][1])
    leaf, grams = crates[fullest]
    if 40 <= spare < grams - 40:
        crates = [*crates]
        crates[fullest] = leaf, grams - spare
    return crates


def take(year: Year, crop: str, grams: float) -> list[tuple[Leaf, int]]:
    """Oldest crates first; a little that would be left in a crate goes in with it."""
    out: list[tuple[Leaf, int]] = []
    for leaf in year.leaf_of(crop):
        if grams < 15:
            break
        part = min(leaf.grams, round(grams))
        if leaf.grams - part < 60:
            part = leaf.grams
        out.append((leaf, part))
        grams -= part
    return out


def bag_run(
    year: Year, product: ProductFacts, bags: int, least: int = 7, story: str = ""
) -> Packs | None:
    have = {c: float(sum(leaf.grams for leaf in year.leaf_of(c))) for c in product.recipe}
    mix = blend(product, bags * product.fill_g * 1.06, have)
    if sum(mix.values()) < least * product.fill_g:
        return None
    crates = [pair for crop, grams in mix.items() for pair in take(year, crop, grams)]
    return run(year, product, crates, washed=True, most=MOST_BAGS, story=story)


def small_runs(year: Year) -> None:
    """Heads, bunches and punnets from what was cut today or yesterday, as the shelf needs."""
    for product in year.scenario.products:
        if not product.a_day:
            continue
        (crop,) = product.recipe
        a_day = product.a_day[year.day.month - 1]
        there = sum(p.left for p in [*year.packs, *year.shelf] if p.facts.code == product.code)
        days = min(product.shelf_life_days, 6)
        wanted = round(a_day * days * 1.1 - there)
        crates = [leaf for leaf in year.leaf_of(crop) if (year.day - leaf.cut).days <= 2]
        if wanted < max(2, a_day * days * 0.45) or not crates:
            continue
        grams = take(year, crop, min(wanted * product.fill_g * 1.06, sum(c.grams for c in crates)))
        if sum(g for _, g in grams) >= 1.5 * product.fill_g:
            run(year, product, grams, washed=False, most=wanted + 2)


def throw_old_leaf(year: Year) -> None:
    for leaf in list(year.leaf):
        keeps = 2 if leaf.crop == "strawberry" else 5
        if (year.day - leaf.cut).days > keeps:
            year.tell(
                "discard",
                by="packer",
                lot=leaf.lot,
                from_place=year.place("store"),
                to="compost",
                quantity=leaf.grams,
                reason="too old",
                basis="weighed",
                already_done=True,
            )
            year.leaf.remove(leaf)


def stock_check(year: Year) -> None:
    """Once a month somebody weighs what stands in the cold store; nights have cost a little."""
    figures = {
        leaf.lot: max(1, round(leaf.grams * (1 - NIGHT * (year.day - leaf.cut).days)))
        for leaf in year.leaf
    }
    figures |= {p.lot: p.left for p in year.packs}
    if not figures:
        return
    year.tell("count", by="packer", place=year.place("store"), counted=figures)
    for leaf in year.leaf:
        leaf.grams = figures[leaf.lot]
