"""The own shop's shelf and till, the kitchen's door, and the shop in the next village."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from decimal import Decimal
from functools import partial

from grow.models import Event, Lot
from sales.operations import Arrived, Line, TillRow

from .scenario import ProductFacts
from .year import Packs, Year

SHOP_SHARE, STORES_SHARE = 0.58, 0.22
#: From June to August visitors take more of the bags.
SUMMER, VISITORS = (6, 7, 8), 1.12
#: Of customers who see two dates, those who take the longer one.
TAKE_THE_LONGER = 0.5
#: Monday is short; Saturday sells double.
WEIGHT = {0: 0.4, 1: 1.0, 2: 1.0, 3: 1.0, 4: 1.15, 5: 2.0, 6: 0.85}
SHORT, REJECTED = 1 / 25, 1 / 40


def demand(year: Year, product: ProductFacts) -> float:
    """Packs that customers of the own shop would buy today, on the mean."""
    weight = WEIGHT[year.day.weekday()]
    if product.a_day:
        return product.a_day[year.day.month - 1] * weight * 6.4 / sum(WEIGHT.values())
    mild = 0.21 if year.scenario.bags(year.day) >= 32 else 0.0
    share = mild if product.code == "MILD-120" else 1 - mild
    bags = _bags(year) * SHOP_SHARE * share
    return bags * weight / sum(WEIGHT.values())


def _bags(year: Year) -> float:
    """Bags that the week's customers would take, were it all theirs."""
    return year.scenario.bags(year.day) * (VISITORS if year.day.month in SUMMER else 1)


def _tomorrow(year: Year, product: ProductFacts) -> float:
    today, year.day = year.day, year.day + dt.timedelta(days=1)
    wanted = demand(year, product)
    year.day = today
    return wanted


def _use_by(packs: Packs) -> dt.date:
    return packs.lot.use_by or dt.date.max


# --- the shop -------------------------------------------------------------------------------


def throw_out_of_date(year: Year) -> None:
    """In the morning, before opening: what is past its date, off the shelf and out of the store."""
    for rows, place in ((year.shelf, year.place("shop")), (year.packs, year.place("store"))):
        for p in list(rows):
            if _use_by(p) < year.day:
                year.tell(
                    "discard",
                    by="shop" if rows is year.shelf else "packer",
                    lot=p.lot,
                    from_place=place,
                    to="compost",
                    quantity=p.left,
                    reason="past its date",
                    already_done=True,
                )
                rows.remove(p)


def fill_shelf(year: Year) -> None:
    lines = []
    for product in year.scenario.products:
        par = round(1.15 * (demand(year, product) + _tomorrow(year, product)) + 1)
        there = sum(p.left for p in year.shelf if p.facts.code == product.code)
        for p in sorted(year.packs_of(product.code), key=_use_by):
            n = min(par - there, p.left)
            if n > 0:
                lines.append((p, n))
                there += n
    if lines:
        put(year, lines)


def put(year: Year, lines: list[tuple[Packs, int]], story: str = "") -> Event:
    event = year.tell(
        "put_on_shelf",
        by="packer",
        story=story,
        outlet=year.ground.outlets["shop"],
        lines=[Line(p.lot, n, year.place("store")) for p, n in lines],
    )
    for p, n in lines:
        p.left -= n
        there = next((s for s in year.shelf if s.lot == p.lot), None)
        if there:
            there.left += n
        else:
            year.shelf.append(Packs(p.facts, p.lot, n, p.made))
    year.packs = [p for p in year.packs if p.left]
    return event


def till(
    year: Year, over: dict[str, int] | None = None, story: str = "", reduce: bool = False
) -> Event | None:
    """The till's day: mostly the product alone; reduced bags scan their lot."""
    rows: list[TillRow] = []
    for product in year.scenario.products:
        sold, reduced = _sell(year, product, reduce)
        rows += reduced
        sold += (over or {}).get(product.code, 0)
        if sold:
            rows.append(TillRow(year.ground.products[product.code], sold))
    year.sold_out += [p for p in year.shelf if not p.left]
    year.shelf = [p for p in year.shelf if p.left]
    if not rows:
        return None
    return year.tell(
        "sell", by="shop", story=story, outlet=year.ground.outlets["shop"], till="1", rows=rows
    )


def _sell(year: Year, product: ProductFacts, reduce: bool) -> tuple[int, list[TillRow]]:
    shelf = sorted((p for p in year.shelf if p.facts.code == product.code), key=_use_by)
    reduced = []
    for p in shelf:
        if _use_by(p) == year.day and p.left and (reduce or year.chance(0.5)):
            n = min(p.left, 1 + year.rng.randrange(3))
            p.left -= n
            reduced.append(TillRow(year.ground.products[product.code], n, p.lot, product.shop // 2))
    wanted = year.whole(year.about(demand(year, product), 0.3))
    sold = 0
    while sold < wanted and any(p.left for p in shelf):
        there = [p for p in shelf if p.left]
        there[-1 if year.chance(TAKE_THE_LONGER) else 0].left -= 1
        sold += 1
    return sold, reduced


def closing_count(year: Year) -> None:
    """What is left on the shelf, by date. Now and then one is gone and nobody knows where."""
    for p in list(year.shelf):
        if p.left and year.chance(0.01):
            p.left -= 1
    figures = {p.lot: 0 for p in year.sold_out}
    figures |= {p.lot: p.left for p in year.shelf}
    year.sold_out.clear()
    year.shelf = [p for p in year.shelf if p.left]
    if figures:
        year.tell(
            "count", by="shop", place=year.place("shop"), counted=figures, closing=True, minutes=2
        )


# --- notes ----------------------------------------------------------------------------------


def note_to_kitchen(year: Year) -> None:
    """What was cut loose for the kitchen, in the crate as it was weighed; a second note before
    the busy evenings; bags on a day with nothing loose."""
    lines = _loose_for_kitchen(year) or _bags_for_kitchen(year)
    if not lines:
        return
    event = deliver(year, "kitchen", lines)
    year.turn_to(13.6)
    receive(year, "kitchen", event, lines)
    more = _loose_for_kitchen(year) if year.day.weekday() not in (0, 6) else []
    if more:
        year.turn_to(16.0)
        event = deliver(year, "kitchen", more)
        receive(year, "kitchen", event, more)


def _bags_for_kitchen(year: Year) -> list[tuple[Lot, int]]:
    there = [p for p in year.packs_of("SALAD-120") if p.left > 4]
    if not there:
        return []
    there[0].left -= 2
    return [(there[0].lot, 2)]


def _loose_for_kitchen(year: Year) -> list[tuple[Lot, int]]:
    from .greenhouse import SALAD

    lines: list[tuple[Lot, int]] = []
    most = 6 if year.scenario.growth(year.day) > 0.6 else 3
    for leaf in sorted(year.leaf, key=lambda c: (c.cut, c.lot.pk)):
        spare = leaf.crop not in SALAD or (year.day - leaf.cut).days >= 3
        spare = spare or (leaf.crop in ("rocket", "spinach") and year.chance(0.25))
        if spare and len(lines) < most and leaf.grams >= 30:
            grams = leaf.grams
            if grams > 150 and (year.day - leaf.cut).days < 2:
                grams = grams // 2  # the rest goes tomorrow
            lines.append((leaf.lot, grams))
            leaf.grams -= grams
    year.leaf = [leaf for leaf in year.leaf if leaf.grams > 0]
    return lines


def deliver(year: Year, outlet: str, lines: list[tuple[Lot, int]], story: str = "") -> Event:
    return year.tell(
        "deliver",
        by="packer",
        story=story,
        outlet=year.ground.outlets[outlet],
        lines=[Line(lot, n, year.place("store")) for lot, n in lines],
        temperature_c=Decimal(f"{year.rng.uniform(3.5, 6.5):.1f}") if outlet == "stores" else None,
    )


def receive(year: Year, outlet: str, event: Event, lines: list[tuple[Lot, int]], story="") -> None:
    arrived = []
    for lot, n in lines:
        accepted, short, rejected = n, 0, 0
        if year.chance(SHORT):
            short = max(1, round(n * 0.05)) if lot.unit == "g" else 1
        elif year.chance(REJECTED):
            rejected = max(1, n // 4)
        accepted = n - short - rejected
        arrived.append(Arrived(lot, accepted, short, rejected, "wilted" if rejected else ""))
        if rejected:
            place = year.ground.outlets[outlet].place
            year.later(1, partial(_bin_reject, year, lot, rejected, place))
        if outlet == "kitchen" and accepted:
            year.kitchen.append((lot, year.day))
    year.tell(
        "receive",
        by="chef" if outlet == "kitchen" else "weekend",
        story=story,
        note=event.note,
        lines=arrived,
        temperature_c=Decimal(f"{year.rng.uniform(4.0, 7.5):.1f}") if outlet == "stores" else None,
    )


def _bin_reject(year: Year, lot: Lot, n: int, place) -> None:
    from grow.setup import side_place

    year.tell(
        "discard",
        by="packer",
        lot=lot,
        from_place=side_place(place, "quarantine"),
        to="compost",
        quantity=n,
        reason="rejected at the door",
    )


def note_to_stores(year: Year) -> None:
    """Bags and a few heads for the shop in the next village."""
    week = _bags(year)
    if year.day.weekday() not in (1, 3, 5):
        return
    lines: dict[Lot, int] = defaultdict(int)
    wanted = year.whole(week * STORES_SHARE / 3)
    for code in ("SALAD-120", "MILD-120", "HEAD"):
        want = wanted if code != "HEAD" else year.rng.randrange(3)
        for p in sorted(year.packs_of(code), key=_use_by):
            n = min(want, p.left)
            if n > 0:
                lines[p.lot] += n
                p.left -= n
                want -= n
        if code == "SALAD-120":
            wanted = want
    year.packs = [p for p in year.packs if p.left]
    if lines:
        event = deliver(year, "stores", list(lines.items()))
        year.turn_to(14.5)
        receive(year, "stores", event, list(lines.items()))


def cook(year: Year) -> None:
    """The evening's service: crates finished, a little thrown away."""
    kitchen = year.place("kitchen")
    for lot, came in list(year.kitchen):
        days = (year.day - came).days
        if not year.chance((0.45, 0.8, 1.0)[min(days, 2)]):
            continue
        if year.chance(0.08) and lot.unit == "g":
            year.tell(
                "discard",
                by="chef",
                lot=lot,
                from_place=kitchen,
                to="compost",
                quantity=20,
                reason="wilted",
                basis="estimated",
                already_done=True,
            )
        year.tell("use", by="chef", lot=lot, place=kitchen, minutes=2)
        year.kitchen.remove((lot, came))
