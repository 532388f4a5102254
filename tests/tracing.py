"""What the stories of a trace share: a season, and how they read the answer."""

from __future__ import annotations

from collections.abc import Iterable

from grow.models import Lot
from sales.trace import Trace
from tests.farm import Farm


def codes(found: Trace, ids: Iterable[int]) -> set[str]:
    return {found.report.lots[i].code for i in ids}


def here(found: Trace, lot: Lot) -> set[tuple[str, int, str]]:
    return {(h.place.name, h.quantity, h.basis) for h in found.report.lots[lot.pk].here}


def says(found: Trace, *words: str) -> bool:
    """Whether one gap holds all these words."""
    return any(all(w in g.says for w in words) for g in found.gaps)


def shares(found: Trace, words: str) -> set[str]:
    return {c for s in found.shared if words in s.says for c in codes(found, s.lots)}


def season(farm: Farm) -> dict[str, Lot]:
    """Seed, water, a sowing on two towers, two cuts, a run of both."""
    seed = farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        supplier_lot="HS 4471/b",
    ).lot
    farm.tell("feed", tank=farm.tank, begins=[farm.t1, farm.t2])
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.bench])
    water = farm.tell("fill", tank=farm.tank).lot
    young = farm.tell("fill", tank=farm.bench_tank).lot
    batch = farm.sow(100, seed=seed)
    farm.pass_time(days=20)
    farm.plant(batch, farm.t1, 40)
    farm.plant(batch, farm.t2, 40)
    farm.pass_time(days=20)
    first = farm.cut(3000, batch, towers=[farm.t1], things=[farm.scale])
    second = farm.cut(2000, batch, towers=[farm.t2], things=[farm.scale])
    farm.pass_time(hours=1)
    run = farm.pack([first, second], packs=40, giveaway_g=80)
    return {
        "seed": seed,
        "water": water,
        "young": young,
        "batch": batch,
        "first": first,
        "second": second,
        "run": run,
    }
