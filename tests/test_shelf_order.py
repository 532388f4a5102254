"""A week at the shop's shelf, told in any order: tills, bags brought late, looks at one run, at a
line, at all that stands there, things thrown away, scanned, brought back and taken back again."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable
from typing import Any

import pytest
from django.db import transaction

from grow.faults import faults
from grow.kinds import WORKED_OUT
from grow.models import Lot, Movement, Place
from grow.queries import possibly_sold, stocks, trusted_since
from sales.models import Money
from tests.farm import Farm, TillRow
from tests.often import times

pytestmark = [pytest.mark.django_db, pytest.mark.slow]

STORIES, ORDERS = 12, 4


WHAT = (
    *("till", "till", "till", "shelf", "shelf", "shelf", "look", "closing", "closing"),
    *("fresh", "bin", "scanned", "back", "home", "by date", "by date", "by date"),
    *("forward", "forward"),
)


class _Back(Exception):
    pass


def a_week(farm: Farm, dice: random.Random) -> tuple[list[Lot], list[Callable[[], Any]]]:
    """Five runs in the store, and a dozen things that happened to them at the shop, each at a
    moment of its own; closing counts at the end of its day, at times two a day."""
    lots = []
    for n in range(5):
        lots.append(farm.pack([farm.cut(2500)], packs=20))
        farm.pass_time(days=n % 2)  # two of one date, two of the next, one of the last
    farm.to_shop(lots[0], 3)
    monday = farm.pass_time(hours=2)
    farm.pass_time(days=9)
    shop = farm.shop_place
    told: list[Callable[[], Any]] = []

    def tell(verb: str, minute: int, **facts: Any) -> None:
        at = monday + dt.timedelta(minutes=minute)
        told.append(lambda: farm.tell(verb, at=at, already_done=True, **facts))

    minutes = dice.sample(range(5 * 24 * 60), 14)
    for minute in minutes:
        lot, n = dice.choice(lots), dice.randint(1, 6)
        some = dice.sample(lots, dice.randint(1, 3))
        seen = {lot: dice.randint(0, 4) for lot in some}
        what = dice.choice(WHAT)
        match what:
            case "till":
                tell("sell", minute, outlet=farm.shop, rows=[TillRow(farm.bag, n)])
            case "shelf":
                told.append(
                    lambda lot=lot, n=n, at=monday + dt.timedelta(minutes=minute): farm.to_shop(
                        lot, n, at=at, already_done=True
                    )
                )
            case "look" | "closing" | "fresh" | "by date":
                kind = {} if what == "look" else {what: True}
                if what == "by date":
                    kind = {"closing": True, "by_date": True}
                tell("count", minute, place=shop, counted=seen, **kind)
            case "bin":
                tell(
                    "discard",
                    minute,
                    lot=lot,
                    from_place=shop,
                    to="compost",
                    quantity=n,
                    reason="torn",
                )
            case "scanned":
                tell("sell", minute, outlet=farm.shop, rows=[TillRow(farm.bag, 1, lot)])
            case "back":
                tell("return_goods", minute, lot=lot, outlet=farm.shop, quantity=1, reason="wilted")
            case "forward":
                sooner = lot.use_by - dt.timedelta(days=dice.randint(1, 3))
                tell("describe", minute, lot=lot, best_before=sooner)
            case "home":
                tell("move", minute, lot=lot, from_place=shop, to_place=farm.quarantine, quantity=n)
    return lots, told


def the_books(farm: Farm, lots: list[Lot]) -> dict[str, Any]:
    days = [farm.now - dt.timedelta(days=day) for day in range(10)]
    sold: dict[tuple[int, dt.datetime], int] = {}
    for m in Movement.objects.filter(event__kind=WORKED_OUT).select_related("event", "to_place"):
        key = m.lot_id, m.event.placed_at
        sold[key] = sold.get(key, 0) + m.quantity * (1 if m.to_place.kind == "sold" else -1)
    # by name: the shop's till is made anew after each rollback, under another id
    places = dict(Place.objects.values_list("pk", "name"))
    return {
        "stock": [
            sorted((lot, places[place], n) for (lot, place), n in stocks(day).items())
            for day in days
        ],
        "sold": {key: n for key, n in sold.items() if n},
        "money": sum(Money.objects.values_list("pence", flat=True)),
        "possibly": [possibly_sold(lot) for lot in lots],
        "trusted": trusted_since(farm.shop_place),
    }


@pytest.mark.parametrize("story", range(times(STORIES)))
def test_a_week_at_the_shelf_is_one_whatever_the_order_of_telling(story: int) -> None:
    dice = random.Random(story)
    farm = Farm()
    lots, told = a_week(farm, dice)
    # a till before all of it, so that the line is one that a till sells
    told.insert(0, lambda: farm.till(1, at=farm.now - dt.timedelta(days=9, hours=1)))
    first = None
    for _ in range(ORDERS):
        try:
            with transaction.atomic():
                for tell in told:
                    tell()
                assert faults() == []
                found = the_books(farm, lots)
                first = first or found
                for what, value in found.items():
                    assert value == first[what], what
                # an act too many, taken back, leaves no trace in the figures
                extra = dice.choice(told)()
                farm.tell("cancel", event=extra, reason="told twice")
                assert faults() == []
                again = the_books(farm, lots)
                assert {k: v for k, v in again.items() if v != first[k]} == {}
                raise _Back
        except _Back:
            pass
        dice.shuffle(told)
