"""Sowing, planting, losing, cutting and clearing."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from typing import Any

from django.db.models import Count, Q

from grow.errors import Refusal
from grow.models import Lot, Movement, Place, PlantSite
from grow.operations import Crate

from .plants import Stand, Tray, stretch
from .scenario import CropFacts
from .year import Leaf, Year

SALAD = ("green", "red", "mizuna", "mustard", "rocket", "spinach")
REASONS = ("damping off", "slug", "aphid", "dried out", "broken in handling", "mildew", "thinned")
CRATE_G = 900  # of plastic


def towers_of(year: Year, facts: CropFacts) -> list[Place]:
    """The towers set aside for a crop: neighbours share the one between them."""
    start = 0
    for crop in year.scenario.crops:
        if crop.key == facts.key:
            break
        start += crop.sites
    each = len(year.ground.towers) and 1200 // len(year.ground.towers)
    return year.ground.towers[start // each : math.ceil((start + facts.sites) / each)]


def on_sites(year: Year, key: str) -> int:
    return sum(s.sites for s in year.stands if s.facts.key == key)


def cells_for(year: Year, facts: CropFacts) -> int:
    """Cells of a sowing that keep the crop's share of its sites planted when it stands there."""
    then = year.day + dt.timedelta(days=facts.nursery + facts.life // 2)
    life = facts.life * stretch(year.scenario.growth(then))
    plants = facts.sites / facts.sites_each * year.scenario.planted(then)
    each = plants * facts.every / life if facts.every else plants / 2
    kept = facts.plugs_pct / 100 * (1 - facts.lost_pct / 200) * 0.96
    return max(3, round(year.about(each / kept, 0.08)))


# --- raising --------------------------------------------------------------------------------


def sow_what_is_due(year: Year) -> None:
    for i, facts in enumerate(year.scenario.crops):
        if not facts.every or not facts.sown_in(year.day.month):
            continue
        due_on = year.sow_on.setdefault(facts.key, year.first + dt.timedelta(days=i % facts.every))
        if year.day >= due_on:
            sow(year, facts, cells_for(year, facts))
            # a Sunday only puts it off: the next one keeps its own day
            while due_on <= year.day:
                due_on += dt.timedelta(days=facts.every)
            year.sow_on[facts.key] = due_on


def sow(
    year: Year, facts: CropFacts, cells: int, celsius: float | None = None, story: str = ""
) -> Tray:
    shelf = year.rng.choice(year.ground.shelves)
    place = year.place("tent") if facts.start == "tent" else shelf
    done_by = ("learner", "grower") if year.day.weekday() == 2 and not story else ()
    day_only = not story and year.chance(0.04)
    event = year.tell(
        "sow",
        by=year.grower,
        done_by=done_by,
        minutes=4,
        story=story,
        on=year.day if day_only else None,
        variety=year.ground.varieties[facts.key],
        place=place,
        cells=cells,
        seed=year.open_inputs.get(facts.key),
    )
    factor = year.scenario.growth(year.day)
    nursery = round(facts.nursery * (1 + (1 - factor) * 0.25))
    usable = facts.plugs_pct / 100
    if celsius is not None:
        usable = year.scenario.comes_up(celsius)
    days = dt.timedelta
    tray = Tray(
        facts=facts,
        lot=event.lot,
        cells=cells,
        sown=year.day,
        place=place,
        check_on=year.day + days(min(nursery - 2, 14 if facts.start == "tent" else 8)),
        # quick leaf goes straight from the lit shelf to the tower
        move_on=year.day + days(round(nursery * 0.6)) if facts.nursery > 24 else None,
        plant_on=year.day + days(nursery),
        usable=usable,
    )
    year.trays.append(tray)
    return tray


def tend_trays(year: Year) -> None:
    for tray in list(year.trays):
        if not tray.checked and year.day >= tray.check_on:
            check(year, tray)
        elif tray.move_on and year.day >= tray.move_on and tray.checked:
            to_bench(year, tray)
        elif year.day >= tray.plant_on and tray.checked and year.day.weekday() < 5:
            plant(year, tray)


def check(year: Year, tray: Tray) -> None:
    up = year.binomial(tray.cells, tray.usable)
    year.tell(
        "check_germination",
        by=year.grower,
        batch=tray.lot,
        place=tray.place,
        not_up=tray.cells - up,
    )
    tray.cells, tray.checked = up, True
    if up < 3:
        if up:
            year.tell("clear", by=year.grower, batch=tray.lot, left="empty", why="did not come up")
        year.trays.remove(tray)


def to_bench(year: Year, tray: Tray) -> None:
    bench = year.rng.choice(year.ground.benches)
    year.tell(
        "move_plants",
        by=year.grower,
        batch=tray.lot,
        from_place=tray.place,
        to_place=bench,
        plants=tray.cells,
    )
    tray.place, tray.move_on = bench, None


def free_on(year: Year, facts: CropFacts) -> int:
    """Sites free on the crop's towers, by what stands there."""
    towers = towers_of(year, facts)
    rows = PlantSite.objects.filter(tower__in=towers, out_of_use=False).aggregate(
        all=Count("id", distinct=True),
        taken=Count("id", filter=Q(plantings__ended_by__isnull=True, plantings__isnull=False)),
    )
    return rows["all"] - rows["taken"]


def plant(year: Year, tray: Tray) -> Stand | None:
    facts = tray.facts
    wanted = facts.sites * year.scenario.planted(year.day) + facts.sites * 0.06
    room = min(free_on(year, facts), wanted - on_sites(year, facts.key))
    plants = min(tray.cells, int(room // facts.sites_each))
    if plants < 3:
        if (year.day - tray.plant_on).days > 14:
            year.tell("clear", by=year.grower, batch=tray.lot, left="some", why="no room")
            year.trays.remove(tray)
        return None
    event = year.tell(
        "transplant",
        by=year.grower,
        minutes=10,
        batch=tray.lot,
        from_place=tray.place,
        towers=towers_of(year, facts),
        plants=plants,
    )
    stand = Stand(facts, tray.lot, year.day, _where(event.pk), vigour=year.about(1, 0.08))
    year.stands.append(stand)
    year.trays.remove(tray)
    if tray.cells > plants:
        _left_over(year, tray, tray.cells - plants)
    return stand


def _left_over(year: Year, tray: Tray, plugs: int) -> None:
    year.tell(
        "lose_plants",
        by=year.grower,
        batch=tray.lot,
        place=tray.place,
        plants=plugs,
        reason="thinned",
    )


def _where(event: int) -> dict[Place, int]:
    rows = Movement.objects.filter(event=event).select_related("to_place")
    return {m.to_place: m.quantity for m in rows}


# --- on the towers --------------------------------------------------------------------------


def grow_a_day(year: Year) -> None:
    for stand in year.stands:
        stand.grow(year.scenario, year.day)


def walk_the_towers(year: Year) -> None:
    """Once a month somebody walks the towers for what has died."""
    for stand in year.stands:
        share = stand.facts.lost_pct / 100 / max(stand.facts.life / 28, 1)
        lost = year.binomial(stand.alive, min(share, 0.2))
        while lost and stand.alive > 2:
            tower = max(stand.plants, key=lambda t: stand.plants[t])
            gone = min(lost, stand.plants[tower], stand.alive - 2)
            year.tell(
                "lose_plants",
                by=year.grower,
                batch=stand.lot,
                place=tower,
                plants=gone,
                reason=year.rng.choice(REASONS),
            )
            stand.plants[tower] -= gone
            lost -= gone


def due(year: Year, keys: tuple[str, ...], ripe: float = 1.0) -> list[Stand]:
    return sorted(
        (
            s
            for s in year.stands
            if s.facts.key in keys and s.ripe >= ripe and s.safe_from <= year.day and s.alive
        ),
        key=lambda s: (-s.ripe, s.lot.pk),
    )


def cut(
    year: Year,
    stands: list[Stand],
    *,
    by: str = "",
    done_by: tuple[str, ...] = (),
    story: str = "",
    told_g: int | None = None,
    batches: list[Lot] | None = None,
    **more,
) -> Leaf:
    """One cut of one stand or several: crates on the weigh pad, grade-out thrown beside it."""
    facts = stands[0].facts
    grams = sum(s.alive * s.grams_each * s.vigour for s in stands)
    net = max(20, round(year.about(grams, 0.06)))
    step = 20 if net > 2000 else 5
    net = max(step, net // step * step)
    graded = round(net * year.about(facts.grade_out_pct / 100, 0.4)) if net > 80 else 0
    graded = min(graded, net // 3)
    crates = _crates(net if told_g is None else told_g)
    learners = year.day.weekday() == 2 and facts.key == "green"
    facts_told = {
        "crates": crates,
        "store": year.place("store"),
        "batches": [s.lot for s in stands] if batches is None else batches,
        "grade_out_g": graded,
        "area": year.place("greenhouse"),
        "things": [year.ground.things["hanging"], year.ground.things["knives"]],
        **more,
    }
    told: dict[str, Any] = {
        "by": by or year.grower,
        "done_by": done_by or (("learner", "grower") if learners and not by else ()),
        "story": story,
        "minutes": 4,
    }
    try:
        event = year.tell("harvest", **told, **facts_told)
    except Refusal as refusal:
        if refusal.code != "unusual":
            raise
        event = year.tell("harvest", **told, **{**facts_told, "sure": True})
    for s in stands:
        s.cut()
    kept = (net if told_g is None else told_g) - graded
    leaf = Leaf(facts.key, event.lot, kept, year.day)
    year.leaf.append(leaf)
    return leaf


def _crates(net: int) -> list[Crate]:
    count = max(1, math.ceil(net / 4500))
    parts = [net // count + (i < net % count) for i in range(count)]
    return [Crate(gross_g=part + CRATE_G, tare_g=CRATE_G) for part in parts]


def cut_salad(year: Year, wanted: dict[str, float]) -> None:
    """The leaf that the run of the day asks for, ripest first; what will not wait is cut too."""
    for key in SALAD:
        have = sum(leaf.grams for leaf in year.leaf_of(key))
        stands = due(year, (key,), ripe=0.8)
        for stand in stands:
            if have >= wanted.get(key, 0) and stand.ripe < 1.35:
                break
            have += cut(year, [stand]).grams


def cut_for_the_kitchen(year: Year) -> None:
    keys = tuple(f.key for f in year.scenario.crops if f.key not in SALAD)
    least = {"strawberry": 60, "tomato": 120}
    for stand in due(year, keys):
        grams = stand.alive * stand.grams_each
        if grams >= least.get(stand.facts.key, 30) or stand.ripe > 2.5:
            cut(year, [stand])
    for stand in due(year, ("spinach", "rocket"), ripe=1.3):
        cut(year, [stand])


def clear_what_is_done(year: Year) -> None:
    for stand in list(year.stands):
        frost = stand.facts.key in ("basil", "tomato") and year.day.month in (11, 12)
        old = stand.facts.key == "strawberry" and (year.day - stand.planted).days > 365
        if stand.done or frost or old or stand.alive < 2:
            reason = "" if stand.done else "cold" if frost else "old"
            clear(year, stand, left="empty" if stand.done else "some", why=reason)


def clear(year: Year, stand: Stand, **more) -> None:
    by = "grower"
    year.tell("clear", by=by, minutes=6, batch=stand.lot, **more)
    year.stands.remove(stand)


# --- the day that records began -------------------------------------------------------------


def stand_from_before(year: Year) -> None:
    """Opening entries: what stood on towers and benches on the first day."""
    for facts in year.scenario.crops:
        if facts.every:
            _stands_from_before(year, facts)
    _fruit_from_before(year)


def _stands_from_before(year: Year, facts: CropFacts) -> None:
    if facts.sow and year.day.month not in range(min(facts.sow) + 1, max(facts.sow) + 3):
        return
    factor = year.scenario.growth(year.day)
    life = round(facts.life * stretch(factor))
    groups = max(2, min(5, life // 12))
    plants = int(facts.sites * year.scenario.planted(year.day) / facts.sites_each * 0.94)
    for n in range(groups):
        age = round(life * (n + 0.5) / groups)
        count = plants // groups
        _open_stand(year, facts, count, age)
    if facts.start == "shelf":
        for n in range(max(1, round(facts.nursery / facts.every))):
            _open_tray(year, facts, age=round(facts.every * (n + 0.5)))


def _fruit_from_before(year: Year) -> None:
    for facts in year.scenario.crops:
        if facts.bought:
            for month in facts.sow:
                planted = dt.date(year.day.year - 1, month, 21)
                _open_stand(year, facts, 38, age=(year.day - planted).days % 365)
        elif facts.key == "tomato" and 4 <= year.day.month <= 10:
            _open_stand(year, facts, 11, age=(year.day - dt.date(year.day.year, 3, 5)).days)


def _open_stand(year: Year, facts: CropFacts, plants: int, age: int) -> None:
    if plants < 2:
        return
    planted = year.day - dt.timedelta(days=age)
    event = year.tell(
        "opening_entry",
        kind="batch",
        quantity=plants,
        towers=towers_of(year, facts),
        variety=year.ground.varieties[facts.key],
        about_planted=planted,
    )
    stand = Stand(facts, event.lot, planted, _where(event.pk), vigour=year.about(1, 0.08))
    day = planted
    while day < year.day:
        stand.grow(year.scenario, day)
        if stand.ripe >= 1.05 and stand.cuts < len(facts.grams) - 1:
            stand.cut()
        day += dt.timedelta(days=1)
    year.stands.append(stand)


def _open_tray(year: Year, facts: CropFacts, age: int) -> None:
    cells = cells_for(year, facts)
    bench = year.ground.benches[0]
    event = year.tell(
        "opening_entry",
        kind="batch",
        quantity=cells,
        place=bench,
        variety=year.ground.varieties[facts.key],
    )
    plant_on = max(year.day, year.day + dt.timedelta(days=facts.nursery - age))
    year.trays.append(
        Tray(facts, event.lot, cells, year.day, bench, year.day, None, plant_on, 1.0, checked=True)
    )


def bring_in_young_plants(year: Year) -> None:
    """Strawberry runners come in spring, with their plant passport."""
    for facts in year.scenario.crops:
        if not facts.bought or year.day.month not in facts.sow or year.day.day not in (6, 20):
            continue
        got = year.tell(
            "receive_input",
            item=year.ground.items[facts.key],
            supplier=year.ground.suppliers["plants"],
            place=year.place("nursery"),
            supplier_lot=f"EL{year.day:%y%m}",
            quantity=20,
            paid_pence=20 * int(facts.seed_pence),
            plant_passport="GB-00000 / A invented",
        )
        event = year.tell(
            "sow",
            variety=year.ground.varieties[facts.key],
            place=year.ground.benches[1],
            cells=20,
            seed=got.lot,
        )
        tomorrow = year.day + dt.timedelta(days=1)
        year.trays.append(
            Tray(
                facts,
                event.lot,
                20,
                year.day,
                year.ground.benches[1],
                year.day,
                None,
                tomorrow,
                0.97,
            )
        )


def by_crop(year: Year) -> dict[str, int]:
    out: dict[str, int] = defaultdict(int)
    for stand in year.stands:
        out[stand.facts.key] += stand.sites
    return dict(out)
