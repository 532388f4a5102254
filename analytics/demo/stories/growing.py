"""Stories of the greenhouse: at dawn, in the morning, at the cut."""

from __future__ import annotations

import datetime as dt
from functools import partial
from typing import Any

from grow.models import Lot

from .. import greenhouse, rounds
from ..plants import Stand
from ..year import Leaf, Year
from . import story

# --- dawn -----------------------------------------------------------------------------------


@story("The cold store stood at 9.5 °C overnight", "dawn", 0.42)
def warm_fridge(year: Year, key: str) -> bool:
    if year.day.weekday() == 6 or not year.packs:
        return False
    year.turn_to(6.0)
    told: dict[str, Any] = {
        "kind": "temperature",
        "place": year.place("store"),
        "things": [year.ground.things["fridge"]],
    }
    done = "door found ajar, shut; everything in it looked over; read again at ten"
    year.tell("check", story=key, reading="9.5 °C", passed=False, done=done, **told)
    year.later(0, lambda: year.tell("check", reading="4.2 °C", passed=True, **told))
    year.told.add("fridge-read")
    return True


@story("The bench scale failed its check, was levelled and passed", "dawn", 0.35)
def scale_out(year: Year, key: str) -> bool:
    if year.day.weekday() != 4:
        return False
    year.turn_to(6.5)
    rounds.check_scale(year, 201.4, story=key)
    return True


# --- morning --------------------------------------------------------------------------------


@story(
    "Lettuce sown in the July heatwave, near 30 °C: one cell in five came up", "morning", 0, (7,)
)
def heatwave(year: Year, key: str) -> bool:
    if year.day.weekday() not in (1, 2, 3):
        return False
    green = next(f for f in year.scenario.crops if f.key == "green")
    greenhouse.sow(year, green, 42, celsius=29.5, story=key)
    year.tell(
        "incident",
        kind="heatwave, near 30 °C on the shelves for three days",
        places=year.ground.shelves,
        done="vents and doors open, trays shaded",
    )
    return True


@story("The pump of reservoir north stopped for three hours", "morning", 0.3)
def pump_stopped(year: Year, key: str) -> bool:
    at = year.moment()
    year.tell(
        "incident",
        story=key,
        kind="pump stopped",
        places=year.ground.towers[:15],
        place=year.ground.tanks["north"],
        began_at=at - dt.timedelta(hours=3),
        things=[year.ground.things["pump"]],
        done="inlet cleared, running again, no plant lost",
    )
    return True


@story("The same seed lot was received twice", "morning", 0.08)
def seed_twice(year: Year, key: str) -> bool:
    told: dict[str, Any] = {
        "supplier": "seeds",
        "pence": 150,
        "supplier_lot": "MZ-4471",
        "story": key,
    }
    rounds.receive(year, "mizuna", **told)
    year.later(12, lambda: rounds.receive(year, "mizuna", **told))
    return True


@story("A pane of glass broke over towers 12 to 14", "morning", 0.55)
def broken_glass(year: Year, key: str) -> bool:
    year.tell(
        "incident",
        story=key,
        kind="glass broken",
        places=year.ground.towers[11:14],
        place=year.place("greenhouse"),
        began_at=year.moment() - dt.timedelta(hours=9),
        things=[year.ground.things["glass"]],
        done="nothing cut there for two days, leaf looked over and wiped, floor swept twice",
    )
    for stand in year.stands:
        if any(t in stand.plants for t in year.ground.towers[11:14]):
            stand.safe_from = max(stand.safe_from, year.day + dt.timedelta(days=2))
    return True


@story("A learner's sowings were countersigned", "morning", 0.05)
def countersigned(year: Year, key: str) -> bool:
    return year.day.weekday() == 4 and rounds.countersign(year, key)


# --- cutting --------------------------------------------------------------------------------


@story("Friday's cut, typed on Sunday with only its day", "cutting", 0.15)
def typed_on_sunday(year: Year, key: str) -> bool:
    if year.day.weekday() != 6:
        return False
    friday = year.day - dt.timedelta(days=2)
    for stand in greenhouse.due(year, ("kale", "chard", "rocket", "green"), 0.85):
        if stand.july_days > 4 and stand.planted < friday:
            leaf = greenhouse.cut(
                year, [stand], by="grower", done_by=("grower", "weekend"), story=key, on=friday
            )
            leaf.cut = friday
            return True
    return False


@story("The crate of two sowings, weighed once", "cutting", 0.2)
def shared_crate(year: Year, key: str) -> bool:
    for crop in ("green", "red", "mizuna", "kale"):
        stands = greenhouse.due(year, (crop,), 0.85)
        if len(stands) > 1:
            greenhouse.cut(year, stands[:2], story=key)
            return True
    return False


@story("A cut put down to the wrong tower and corrected the next day", "cutting", 0.25)
def wrong_tower(year: Year, key: str) -> bool:
    for right in greenhouse.due(year, ("kale", "chard", "red"), 0.9):
        for wrong in year.stands:
            if wrong.facts is right.facts and wrong is not right and wrong.cuts:
                leaf = greenhouse.cut(year, [right], story=key, batches=[wrong.lot])
                year.later(1, partial(_origin, year, key, leaf.lot, wrong, right))
                return True
    return False


def _origin(year: Year, key: str, lot: Lot, wrong: Stand, right: Stand) -> None:
    year.tell(
        "correct_origin",
        story=key,
        lot=lot,
        wrong=wrong.lot,
        right=right.lot,
        towers=list(right.plants),
        reason="the next tower along; seen on the paper sheet",
    )


@story("A tower cleared full of good lettuce for want of orders", "cutting", 0.0, (5, 6, 7, 8, 9))
def cleared_full(year: Year, key: str) -> bool:
    if year.share < 0.1 or year.day.weekday() != 2:
        return False
    for stand in greenhouse.due(year, ("green", "red")):
        if stand.cuts >= 2:
            grams = round(stand.alive * stand.grams_each, -2)
            greenhouse.clear(
                year, stand, story=key, left="full", why="no order", uncut_g=int(grams)
            )
            return True
    return False


@story("Strawberries picked through the winter", "cutting", 0.0, (1, 2))
def winter_strawberries(year: Year, key: str) -> bool:
    stands = [s for s in greenhouse.due(year, ("strawberry",), 0.9) if s.alive * s.grams_each > 40]
    if stands:
        greenhouse.cut(year, stands[:1], story=key)
    return bool(stands)


@story("A crate cut inside a spray's harvest interval: told, held, destroyed", "cutting", 0.5)
def inside_interval(year: Year, key: str) -> bool:
    if year.day.weekday() not in (1, 2, 3):
        return False
    sprayed = rounds.spray(year, story=key)
    if sprayed is None:
        return False
    stands = [s for s in sprayed[1] if s.ripe > 0.3 and s.alive * s.grams_each > 60]
    if not stands:
        return False
    year.turn_to(10)
    leaf = greenhouse.cut(year, stands[:1], by="weekend", story=key, already_done=True)
    year.leaf.remove(leaf)
    year.later(1, lambda: _destroy(year, leaf))
    return True


def _destroy(year: Year, leaf: Leaf) -> None:
    year.tell(
        "discard",
        by="safety",
        lot=leaf.lot,
        from_place=year.place("store"),
        to="destroyed",
        quantity=leaf.grams,
        reason="cut inside a harvest interval",
        basis="weighed",
    )
