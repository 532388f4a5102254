"""Posting: an act through its operation against a bare driver that writes the same rows; and,
on PostgreSQL, eight packers beside somebody who plants."""

from __future__ import annotations

import datetime as dt
import json
import multiprocessing
import time
import uuid
from statistics import median
from typing import Any

from django.db import connection, connections, transaction

from grow import clock
from grow.models import Crop, Holding, LotKind, Person, Place, PlantSite, Variety
from grow.operations import discard, opening_entry, sow, transplant

from .rows import Row

ACTS = 60


def _crates(person: Person, number: int) -> list[Holding]:
    """So many full crates in the store, told through the operation as what stood there."""
    store = Place.objects.filter(kind="store").order_by("id").first()
    crop = Crop.objects.order_by("id").first()
    made = [
        opening_entry(
            recorded_by=person,
            client_id=uuid.uuid4().hex,
            kind=LotKind.HARVEST,
            crop=crop,
            quantity=10_000_000,
            place=store,
        ).lot
        for _ in range(number)
    ]
    return list(
        Holding.objects.filter(lot__in=made, place=store)
        .select_related("lot__made_by", "place")
        .order_by("id")
    )


def _throw(person: Person, crate: Holding) -> None:
    discard(
        recorded_by=person,
        client_id=uuid.uuid4().hex,
        lot=crate.lot,
        from_place=crate.place,
        to="compost",
        quantity=1,
        reason="bench",
    )


def _bare(person: int, crate: Holding, compost: int) -> None:
    """The rows that a discard writes, and nothing else: event, doer, movement, two holdings."""
    now = dt.datetime.now(dt.UTC)
    day = clock.day_number(now.date())
    mark = "%s" if connection.vendor == "postgresql" else "?"
    moment: Any = now if connection.vendor == "postgresql" else now.isoformat(" ")
    with transaction.atomic():
        cursor = connection.connection.cursor()

        def run(sql: str, *params: Any) -> Any:
            return cursor.execute(sql.replace("?", mark), list(params))

        event = run(
            "INSERT INTO grow_event (kind, happened_at, placed_at, earliest_at, latest_at, day, "
            "recorded_at, recorded_by_id, device, place_id, client_id, told, already_done) "
            "VALUES ('discard', ?, ?, ?, ?, ?, ?, ?, '', ?, ?, ?, ?) RETURNING id",
            *[moment] * 4,
            day,
            moment,
            person,
            crate.place_id,
            uuid.uuid4().hex,
            json.dumps({"lot": crate.lot_id}),
            False,
        ).fetchone()[0]
        run("INSERT INTO grow_event_done_by (event_id, person_id) VALUES (?, ?)", event, person)
        run(
            "INSERT INTO grow_movement (event_id, lot_id, from_place_id, to_place_id, quantity, "
            "basis, day, despite_hold) VALUES (?, ?, ?, ?, 1, 'counted', ?, ?)",
            event,
            crate.lot_id,
            crate.place_id,
            compost,
            day,
            False,
        )
        change = "UPDATE grow_holding SET quantity = quantity + ? WHERE lot_id = ? AND place_id = ?"
        run(change, -1, crate.lot_id, crate.place_id)
        run(change, 1, crate.lot_id, compost)


def posting(movements: int) -> list[Row]:
    """One act through its operation ÷ the same rows by the bare driver. Said, not judged: what
    lies between are the refusals, the locks, the walk of the shelf and the holds."""
    person = Person.objects.order_by("id").first()
    assert person is not None  # a history has people
    crates = _crates(person, 20)
    compost = Place.objects.get(kind="compost").pk
    for crate in crates:
        _throw(person, crate)
    times: dict[str, list[float]] = {"ours": [], "bare": []}
    for n in range(ACTS):
        crate = crates[n % len(crates)]
        for who in ("ours", "bare") if n % 2 else ("bare", "ours"):
            started = time.perf_counter()
            if who == "ours":
                _throw(person, crate)
            else:
                _bare(person.pk, crate, compost)
            times[who].append((time.perf_counter() - started) * 1000)
    ours, bare = median(times["ours"]), median(times["bare"])
    return [
        Row(
            "an act through its operation ÷ its bare rows", movements, ours, bare, ours / bare, None
        )
    ]


# --- eight packers and a planter ------------------------------------------------------------


def _pack_for(settings: dict[str, Any], crate: int, seconds: float, out: Any) -> None:
    """One packer, in a process of its own: acts on its own crate, as many as there is time for."""
    connections["default"].close()
    connections["default"].settings_dict.update(settings)
    held = Holding.objects.select_related("lot__made_by", "place").get(pk=crate)
    person = Person.objects.order_by("id").first()
    assert person is not None
    done, until = 0, time.monotonic() + seconds
    while time.monotonic() < until:
        _throw(person, held)
        done += 1
    out.put(done)
    connections["default"].close()


def _plant_for(settings: dict[str, Any], seconds: float, ready: Any, out: Any) -> None:
    """Somebody plants eighty sites a second, behind the same gate and alone at it."""
    connections["default"].close()
    connections["default"].settings_dict.update(settings)
    person = Person.objects.order_by("id").first()
    variety = Variety.objects.filter(sites_each=1).order_by("id").first()
    bench = Place.objects.filter(kind__in=["bench", "shelf"]).order_by("id").first()
    assert person and variety and bench
    towers = list(Place.objects.filter(name__startswith="Bench tower").order_by("id"))
    batch = sow(
        recorded_by=person,
        client_id=uuid.uuid4().hex,
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
            client_id=uuid.uuid4().hex,
            batch=batch,
            from_place=bench,
            towers=[tower],
            plants=80,
        )
        done += 80
        time.sleep(max(0.0, 1 - (time.monotonic() - started)))
    out.put(done)
    connections["default"].close()


def _round(crates: list[Holding], seconds: float, plant: bool) -> int:
    settings = {"NAME": connection.settings_dict["NAME"]}
    context = multiprocessing.get_context("fork")
    out, planted, ready = context.Queue(), context.Queue(), context.Event()
    connection.close()
    people = [
        context.Process(target=_pack_for, args=(settings, crate.pk, seconds, out))
        for crate in crates
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
    if plant:
        planted.get(timeout=seconds + 60)
        planter.join()
    return done


def beside_a_planter(movements: int, seconds: float = 5.0) -> list[Row]:
    """Acts that eight packers post while eighty sites a second are planted, against the same
    without. PostgreSQL only: on SQLite one writes at a time anyway. Said, not judged."""
    if connection.vendor != "postgresql":
        return []
    for n in range(4 + int(seconds) * 4):
        tower, new = Place.objects.get_or_create(
            name=f"Bench tower {n}", defaults={"kind": "tower"}
        )
        if new:
            PlantSite.objects.bulk_create(
                PlantSite(tower=tower, tier=1 + i // 8, position=1 + i % 8) for i in range(80)
            )
    person = Person.objects.order_by("id").first()
    assert person is not None  # a history has people
    crates = _crates(person, 8)
    without = _round(crates, seconds, plant=False)
    beside = _round(crates, seconds, plant=True)
    return [
        Row(
            "acts of 8 packers beside 80 sites planted a second ÷ without",
            movements,
            seconds * 1000 * 8 / max(beside, 1),
            seconds * 1000 * 8 / max(without, 1),
            beside / max(without, 1),
            None,
        )
    ]
