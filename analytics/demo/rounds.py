"""What keeps the place running: checks, water, inputs, cleans, sprays and beneficials."""

from __future__ import annotations

import datetime as dt
from typing import Any

from grow import signing
from grow.models import Lot

from .year import Year

_LITRES = {"north": 160, "south": 150, "bench": 60, "shelf": 40, "mist": 12}


def begin(year: Year) -> None:
    """The evening before the first day: tanks, feeds, and what stood open in the cupboards."""
    g = year.ground
    for key in g.tanks:
        if key != "wash":
            year.tell("fill", tank=g.tanks[key], litres=_LITRES[key], source="mains")
    half = len(g.towers) // 2
    for tank, places in (
        ("north", g.towers[:half]),
        ("south", g.towers[half:]),
        ("bench", g.benches),
        ("shelf", g.shelves),
        ("mist", [g.places["tent"]]),
    ):
        year.tell("feed", tank=g.tanks[tank], begins=places)
    for key, item in g.items.items():
        if item.kind != "young_plants":
            event = year.tell(
                "opening_entry", kind="input", quantity=1, place=year.place("cupboard"), item=item
            )
            _open(year, key, event.lot)


def _where(year: Year, key: str) -> str:
    for row in year.scenario.trade["item"]:
        if row["key"] == key:
            return str(row["where"])
    return "nursery"


def _open(year: Year, key: str, lot: Lot) -> None:
    year.tell("open_input", lot=lot, place=year.place(_where(year, key)))
    year.open_inputs[key] = lot


def receive(
    year: Year, key: str, *, supplier: str, pence: int, supplier_lot: str = "", story: str = ""
) -> Lot:
    return year.tell(
        "receive_input",
        story=story,
        item=year.ground.items[key],
        supplier=year.ground.suppliers[supplier],
        place=year.place("cupboard"),
        supplier_lot=supplier_lot,
        quantity=1,
        paid_pence=pence,
    ).lot


def keep_cupboards(year: Year) -> None:
    """What runs out is finished, and the next one received and opened."""
    number = (year.day - year.first).days
    for i, row in enumerate(year.scenario.trade["item"]):
        if "months" in row and year.day.month not in row["months"]:
            continue
        if number and (number + i * 7) % row["lasts"] == 0:
            _replace(year, row["key"], row["supplier"], row["pence"])
    for i, facts in enumerate(year.scenario.crops):
        if facts.bought or not facts.every or not facts.sown_in(year.day.month):
            continue
        if number and (number + i * 11) % 130 == 0:
            _replace(year, facts.key, "seeds", round(facts.seed_pence * 500))


def _replace(year: Year, key: str, supplier: str, pence: int) -> None:
    old = year.open_inputs.pop(key, None)
    if old is not None:
        year.tell("finish_input", lot=old, place=year.place(_where(year, key)))
    lot = f"{key[:2].upper()}{year.day:%y%j}" if year.chance(0.85) else ""
    _open(year, key, receive(year, key, supplier=supplier, pence=pence, supplier_lot=lot))


# --- checks and cleans ----------------------------------------------------------------------


def check_fridge(year: Year, hour: float) -> None:
    year.turn_to(hour)
    celsius = min(5.4, max(2.4, year.rng.gauss(3.9, 0.5)))
    told: dict[str, Any] = {
        "kind": "temperature",
        "reading": f"{celsius:.1f} °C",
        "passed": True,
        "place": year.place("store"),
        "things": [year.ground.things["fridge"]],
        "by": "packer" if hour > 12 else year.grower,
    }
    if year.chance(0.03):
        day = year.day
        year.later(0, lambda: year.tell("check", on=day, **told))
    elif year.chance(0.02):
        moment = year.moment()
        year.later(2, lambda: year.tell("check", at=moment, **told))
    else:
        year.tell("check", **told)


def check_scale(year: Year, grams: float = 200.0, story: str = "") -> None:
    passed = abs(grams - 200) <= 0.6
    year.tell(
        "check",
        by="packer",
        story=story,
        kind="test weight 200 g",
        reading=f"{grams:.1f} g",
        passed=passed,
        done="" if passed else "zeroed, level set, second reading 200.0 g; bags weighed again",
        place=year.place("line"),
        things=[year.ground.things["scale"]],
    )


def monthly_checks(year: Year) -> None:
    things = year.ground.things
    year.tell(
        "check",
        by="safety",
        kind="ice water",
        reading=f"{year.rng.choice([0.0, 0.1, 0.2, 0.3])} °C",
        passed=True,
        things=[things["probe"]],
        place=year.place("packhouse"),
    )
    year.tell(
        "check",
        by="safety",
        kind="glass list",
        reading="all whole",
        passed=True,
        things=[things["glass"]],
        place=year.place("greenhouse"),
    )
    year.tell(
        "check",
        by=year.grower,
        kind="knives counted",
        reading="6 of 6",
        passed=True,
        things=[things["knives"]],
        place=year.place("greenhouse"),
    )


def clean_line(year: Year) -> None:
    year.tell(
        "clean",
        by="packer",
        minutes=15,
        place=year.place("line"),
        how="line, crates and spinner washed and rinsed",
        cleaner=year.open_inputs.get("cleaner"),
        things=[year.ground.things["spinner"]],
    )


# --- water ----------------------------------------------------------------------------------


def water(year: Year) -> None:
    """Top-ups by season, a dose and a reading a week, a drain-and-clean every four weeks."""
    g, number = year.ground, (year.day - year.first).days
    summer = year.scenario.growth(year.day) > 0.5
    for i, key in enumerate(_LITRES):
        tank = g.tanks[key]
        if number and (number + i * 5) % 28 == 0:
            year.tell(
                "drain_and_clean",
                by=year.grower,
                tank=tank,
                cleaner=year.open_inputs.get("cleaner"),
                how="drained, brushed, rinsed",
            )
            year.tell("fill", by=year.grower, tank=tank, litres=_LITRES[key], source="mains")
        elif (number + i) % (3 if summer and key in ("north", "south") else 6) == 0:
            _top_up(year, key)
        if (number + i) % 7 == 3 and key != "mist":
            _dose(year, key)


def _top_up(year: Year, key: str) -> None:
    told: dict[str, Any] = {
        "by": year.grower,
        "tank": year.ground.tanks[key],
        "litres": max(2, round(year.about(_LITRES[key] * 0.5, 0.2))),
        "source": "rain tank" if year.chance(0.5) else "mains",
    }
    if year.chance(0.015):
        moment = year.moment()
        year.later(1, lambda: year.tell("top_up", at=moment, **told))
    else:
        year.tell("top_up", **told)


def _dose(year: Year, key: str) -> None:
    inputs = [year.open_inputs[k] for k in ("nutrient", "acid") if k in year.open_inputs]
    year.tell(
        "dose",
        by=year.grower,
        tank=year.ground.tanks[key],
        inputs=inputs,
        amount=f"{round(year.about(120, 0.2), -1):.0f} ml A and B",
        ec=f"{year.rng.uniform(1.4, 1.8):.1f}",
        ph=f"{year.rng.uniform(5.7, 6.2):.1f}",
    )


def test_water(year: Year) -> None:
    for key in ("north", "wash"):
        year.tell(
            "test_water",
            by="safety",
            tank=year.ground.tanks[key],
            kind="E. coli, laboratory",
            reading="< 1 cfu / 100 ml",
            passed=True,
        )


# --- learners -------------------------------------------------------------------------------


def countersign(year: Year, story: str = "") -> bool:
    """What learners had a hand in, looked over at the end of the week by somebody who had not."""
    waits = list(signing.waiting(year.ground.people["safety"])[:100])
    if waits:
        year.tell(
            "countersign", story=story, by="safety", entries=waits, remark="looked over together"
        )
    return bool(waits)


# --- sprays ---------------------------------------------------------------------------------


def beneficials(year: Year) -> None:
    lot = year.open_inputs.get("wasps")
    if lot is None:
        return
    year.tell(
        "treat",
        product=lot,
        places=year.ground.towers[:10],
        reason="aphid, as every month",
        dose="1 card a tower",
    )


def spray(year: Year, story: str = ""):
    """Soap on a tower where nothing is due before its interval is over."""
    interval = int(year.ground.items["soap"].harvest_interval_days or 0)
    until = year.day + dt.timedelta(days=interval)
    for tower in year.rng.sample(year.ground.towers, len(year.ground.towers)):
        here = [s for s in year.stands if s.plants.get(tower)]
        if not here or any(s.ripe > 0.7 for s in here):
            continue
        event = year.tell(
            "treat",
            story=story,
            product=year.open_inputs["soap"],
            places=[tower],
            reason="aphid",
            dose="10 ml/l",
            water_ml=2000,
            area_m2="2",
            reentry_hours=2,
        )
        for stand in here:
            stand.safe_from = until
        return event, here
    return None
