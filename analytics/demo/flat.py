"""A few trays of lettuce that never see a tower: sown thick on a flat bench in summer, cut there
twice as small leaf, and gone to the kitchen within the hour.

They are what towers are compared with (analytics/claims.py). All is fixed: no dice are thrown, no
hand of the clock is moved, and no leaf is left that anybody else could pack, so that the rest of
the year is played as it would be without them.
"""

from __future__ import annotations

import datetime as dt

from grow.models import Lot
from grow.operations import Crate
from sales.operations import Arrived, Line

from .greenhouse import CRATE_G
from .year import Year

CROP = "green"
#: Days after the last Tuesday but one of June on which a tray is sown. What a tray costs is charged
#: to its crop on that day; none is sown in July, of which tests know what each crop earns.
SOWN = (0, 7, 42)
CELLS, NOT_UP = 84, 5
CHECKED = 7
#: Days from sowing to a cut, and its grams: 1.3 kg a m² of tray and then 0.9, from memory.
CUTS = {28: 190, 49: 140}


def tend(year: Year) -> None:
    """What is due today, on a Tuesday, when the kitchen is open."""
    if year.day.weekday() != 1:
        return
    june = dt.date(year.day.year, 6, 23)
    first = june - dt.timedelta(days=(june.weekday() - 1) % 7)
    for n, after in enumerate(SOWN):
        age = (year.day - first).days - after
        if age == 0:
            year.flat[n] = _sow(year)
        elif n in year.flat:
            _grow(year, n, age)


def _sow(year: Year) -> Lot:
    return year.tell(
        "sow",
        by=year.grower,
        minutes=0,
        variety=year.ground.varieties[CROP],
        place=year.ground.benches[-1],
        cells=CELLS,
        seed=year.open_inputs.get(CROP),
    ).lot


def _grow(year: Year, n: int, age: int) -> None:
    tray, bench = year.flat[n], year.ground.benches[-1]
    if age == CHECKED:
        year.tell(
            "check_germination",
            by=year.grower,
            minutes=0,
            batch=tray,
            place=bench,
            not_up=NOT_UP,
        )
    if grams := CUTS.get(age):
        _to_the_kitchen(year, _cut(year, tray, grams), grams)
    if age == max(CUTS):
        year.tell("clear", by=year.grower, minutes=0, batch=year.flat.pop(n), left="empty")


def _cut(year: Year, tray: Lot, grams: int) -> Lot:
    return year.tell(
        "harvest",
        by=year.grower,
        minutes=0,
        crates=[Crate(gross_g=grams + CRATE_G, tare_g=CRATE_G)],
        store=year.place("store"),
        batches=[tray],
        area=year.place("greenhouse"),
        things=[year.ground.things["hanging"], year.ground.things["knives"]],
    ).lot


def _to_the_kitchen(year: Year, leaf: Lot, grams: int) -> None:
    """On a note of its own, and on a plate at noon."""
    sent = year.tell(
        "deliver",
        by="packer",
        minutes=0,
        outlet=year.ground.outlets["kitchen"],
        lines=[Line(leaf, grams, year.place("store"))],
    )
    year.tell(
        "receive", by="chef", minutes=0, note=sent.note, lines=[Arrived(leaf, grams, 0, 0, "")]
    )
    year.tell("use", by="chef", minutes=0, lot=leaf, place=year.place("kitchen"))
