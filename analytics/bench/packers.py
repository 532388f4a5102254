"""Eight packers, each in a process of its own, beside somebody who plants eighty sites a second
and has the gate alone for it. PostgreSQL only: on SQLite one writes at a time anyway."""

from __future__ import annotations

import multiprocessing
import time
import uuid
from typing import Any

from django.db import connection, connections

from grow.models import Crop, LotKind, Person, Place, PlantSite, Variety
from grow.operations import opening_entry, sow, transplant
from sales.models import Product
from sales.operations import Taken, pack

from .rows import Row

PACKERS = 8
CRATE_G, PACKS = 10_000_000, 8


def _id() -> str:
    return uuid.uuid4().hex


def _one(kind: str) -> Place:
    return Place.objects.filter(kind=kind).order_by("id")[:1].get()


def _open(settings: dict[str, Any]) -> Person:
    connections["default"].close()
    connections["default"].settings_dict.update(settings)
    return Person.objects.order_by("id")[:1].get()


def _crates(number: int) -> list[int]:
    """So many crates that never empty, told through the operation as what stood in the store."""
    bag = Product.objects.get(code="SALAD-120")
    crop = Crop.objects.filter(in_recipes__product=bag).order_by("id")[:1].get()
    person = Person.objects.order_by("id")[:1].get()
    return [
        opening_entry(
            recorded_by=person,
            client_id=_id(),
            kind=LotKind.HARVEST,
            crop=crop,
            quantity=CRATE_G,
            place=_one("store"),
        ).lot.pk
        for _ in range(number)
    ]


def _pack_for(settings: dict[str, Any], crate: int, seconds: float, out: Any) -> None:
    """One packer: runs from a crate of its own, as many as there is time for."""
    from grow.models import Lot

    person = _open(settings)
    lot, store, line = Lot.objects.get(pk=crate), _one("store"), _one("packhouse")
    bag = Product.objects.get(code="SALAD-120")
    done, until = 0, time.monotonic() + seconds
    while time.monotonic() < until:
        pack(
            recorded_by=person,
            client_id=_id(),
            product=bag,
            taken=[Taken(lot, store, used=1000)],
            packs=PACKS,
            store=store,
            line=line,
        )
        done += 1
    out.put(done)
    connections["default"].close()


def _plant_for(settings: dict[str, Any], seconds: float, ready: Any, out: Any) -> None:
    person = _open(settings)
    variety = Variety.objects.filter(sites_each=1).order_by("id")[:1].get()
    bench = _one("bench")
    towers = list(Place.objects.filter(name__startswith="Planter's tower").order_by("-id"))
    towers = [t for t in towers if not t.sites.filter(plantings__isnull=False).exists()]
    batch = sow(
        recorded_by=person,
        client_id=_id(),
        variety=variety,
        place=bench,
        cells=80 * len(towers),
    ).lot
    ready.set()
    done, until = 0, time.monotonic() + seconds
    for tower in towers:
        if time.monotonic() >= until:
            break
        started = time.monotonic()
        transplant(
            recorded_by=person,
            client_id=_id(),
            batch=batch,
            from_place=bench,
            towers=[tower],
            plants=80,
        )
        done += 80
        time.sleep(max(0.0, 1 - (time.monotonic() - started)))
    out.put(done)
    connections["default"].close()


def _round(crates: list[int], seconds: float, plant: bool) -> tuple[int, int]:
    """(runs packed, sites planted) in so many seconds."""
    settings = {"NAME": connection.settings_dict["NAME"]}
    context = multiprocessing.get_context("fork")
    out, planted, ready = context.Queue(), context.Queue(), context.Event()
    connection.close()
    people = [
        context.Process(target=_pack_for, args=(settings, crate, seconds, out)) for crate in crates
    ]
    planter = context.Process(target=_plant_for, args=(settings, seconds, ready, planted))
    if plant:
        planter.start()
        ready.wait(30)
    for person in people:
        person.start()
    done = sum(out.get(timeout=seconds + 60) for _ in people)
    for person in people:
        person.join()
    if not plant:
        return done, 0
    sites = planted.get(timeout=seconds + 60)
    planter.join()
    return done, sites


def beside_a_planter(movements: int, seconds: float = 5.0) -> list[Row]:
    """Runs of eight packers while eighty sites a second are planted ÷ without: rates, in two
    rounds each, turn about. ours and theirs are milliseconds a run and packer. Said, not judged."""
    if connection.vendor != "postgresql":
        return []
    number = int(seconds) + 2
    for n in range(2 * number):
        tower = Place.objects.create(name=f"Planter's tower {n}", kind="tower")
        PlantSite.objects.bulk_create(
            PlantSite(tower=tower, tier=1 + i // 8, position=1 + i % 8) for i in range(80)
        )
    crates = _crates(PACKERS)
    beside = without = planted = 0
    for _ in range(2):
        without += _round(crates, seconds, plant=False)[0]
        runs, sites = _round(crates, seconds, plant=True)
        beside, planted = beside + runs, planted + sites
    spent = 2 * seconds * 1000 * PACKERS
    return [
        Row(
            f"runs of 8 packers beside {planted / (2 * seconds):.0f} sites planted a second "
            "÷ without",
            movements,
            spent / max(beside, 1),
            spent / max(without, 1),
            beside / max(without, 1),
            None,
        )
    ]
