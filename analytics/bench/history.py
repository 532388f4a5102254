"""A history of realistic shape: so many movements of so many greenhouses, from a seed.

Many greenhouses write into one set of books, so a lot's family does not lie side by side. A year
of one greenhouse is some 350 sowings, 1,400 cuts and 20,000 movements; the number of movements
asked for decides how many days are played.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from . import farm
from .books import Books
from .load import analyse, loading
from .selling import Greenhouse

SEED = 20_260_302


@dataclass(frozen=True, slots=True)
class Size:
    """How large a history is, in rows."""

    days: int
    greenhouses: int
    movements: int
    events: int
    lots: int
    edges: int
    plantings: int
    cut_sites: int


def load(
    movements: int,
    *,
    seed: int = SEED,
    whole: bool = False,
    progress: Callable[[int], None] = lambda _: None,
) -> Size:
    """Load a history of at least so many movements into the present, empty database.

    whole: the database is a scratch one, so it may be loaded without durability. progress is
    called with the number of movements after each day played."""
    ids = farm.common()
    number = max(1, min(20, movements // 50_000))
    houses = [farm.house(n, ids) for n in range(1, number + 1)]
    # the side places of the outlets came after the single ones were read
    with loading(whole=whole):
        books = Books(ids)
        first = books.movements.last
        greenhouses = [
            Greenhouse(books, house, Random(seed * 100 + n)) for n, house in enumerate(houses)
        ]
        day = 0
        while books.movements.last - first < movements:
            books.turn(farm.FIRST_DAY + dt.timedelta(days=day), day)
            for greenhouse in greenhouses:
                greenhouse.day()
            day += 1
            progress(books.movements.last - first)
        for greenhouse in greenhouses:
            greenhouse.close()
        books.close()
    analyse(vacuum=whole)
    return Size(
        days=day,
        greenhouses=number,
        movements=books.movements.written,
        events=books.events.written,
        lots=books.lots.written,
        edges=books.edges.written,
        plantings=books.plantings.written,
        cut_sites=books.cut_sites.written,
    )
