"""Posting: the acts of a morning through their operations, each against a bare driver that makes
the same writes, of the same rows with the same ids, in one transaction, on a copy of the same
database."""

from __future__ import annotations

import time
import uuid
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from django.core.management import CommandError
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Max, Model

from grow.models import Event, Holding, Lineage, Lot, Movement, Person, Place, Planting
from grow.operations import Crate, harvest
from sales.models import Outlet, Product
from sales.operations import (
    Arrived,
    Line,
    Taken,
    TillRow,
    deliver,
    pack,
    put_on_shelf,
    receive,
    sell,
)

from . import scratch
from .rows import Row

MORNINGS = 15
_WRITES = ("INSERT", "UPDATE", "DELETE")


@dataclass
class Writes:
    """What one act wrote, as Django said it."""

    said: list[tuple[str, tuple[Any, ...]]] = field(default_factory=list)

    def __call__(self, execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        if sql.lstrip()[:6].upper() in _WRITES:
            self.said += [(sql, tuple(p or ())) for p in (params if many else [params])]
        return execute(sql, params, many, context)

    def for_driver(self) -> list[tuple[str, tuple[Any, ...]]]:
        if connection.vendor == "postgresql":
            return self.said
        return [(sql % tuple("?" * len(params)), params) for sql, params in self.said]


def morning(person: Person) -> Iterator[tuple[str, Callable[[], Event], list[Event]]]:
    """The acts of one lot's way from the tower to the till: (name, act, where its event goes)."""
    greenhouse = Place.objects.filter(kind="area").order_by("id")[:1].get()
    store = Place.objects.filter(kind="store").order_by("id")[:1].get()
    line = Place.objects.filter(kind="packhouse").order_by("id")[:1].get()
    wash = Place.objects.filter(kind="tank", within=None).order_by("id")[:1].get()
    shop = Outlet.objects.filter(place__kind="shop").order_by("id")[:1].get()
    kitchen = Outlet.objects.filter(place__kind="kitchen").order_by("id")[:1].get()
    bag = Product.objects.get(code="SALAD-120")
    crops = list(bag.recipe.values_list("crop_id", flat=True))
    standing = Planting.objects.filter(ended_by=None, batch__crop__in=crops)
    batch = (
        Lot.objects.filter(
            pk__in=standing.filter(site__tower__within=greenhouse).values("batch_id")
        )
        .order_by("id")[:1]
        .get()
    )
    done: list[Event] = []

    def told(act: Callable[..., Event], **facts: Any) -> Callable[[], Event]:
        return lambda: act(recorded_by=person, client_id=uuid.uuid4().hex, **facts)

    yield (
        "cut",
        told(
            harvest,
            batches=[batch],
            crates=[Crate(5900, 900)],
            store=store,
            area=greenhouse,
            sure=True,
        ),
        done,
    )
    cut = done[-1].lot
    yield (
        "run",
        told(
            pack,
            product=bag,
            taken=[Taken(cut, store, left=0)],
            packs=40,
            store=store,
            line=line,
            tanks=[wash],
        ),
        done,
    )
    run = done[-1].lot
    yield "shelf", told(put_on_shelf, outlet=shop, lines=[Line(run, 24, store)]), done
    yield "note", told(deliver, outlet=kitchen, lines=[Line(run, 16, store)]), done
    note = done[-1].note
    yield "receipt", told(receive, note=note, lines=[Arrived(run, 15, rejected=1)]), done
    yield "till", told(sell, outlet=shop, rows=[TillRow(bag, 3)]), done


def _replay(raw: Any, sqlite: bool, writes: list[tuple[str, tuple[Any, ...]]]) -> None:
    """The bare driver's part: begin, the writes, commit."""
    cursor = raw.cursor()
    cursor.execute("BEGIN IMMEDIATE" if sqlite else "BEGIN")
    for sql, params in writes:
        cursor.execute(sql, params)
        if cursor.description:
            cursor.fetchall()
    cursor.execute("COMMIT")


_COMPARED: tuple[type[Model], ...] = (Event, Lot, Movement, Lineage, Holding)


def _ends() -> list[int]:
    return [m._base_manager.aggregate(n=Max("id"))["n"] for m in _COMPARED]


def posting(movements: int, db: BaseDatabaseWrapper) -> list[Row]:
    """An act of each kind through its operation ÷ its writes by the bare driver: medians, and
    all of a morning together. Said, not judged: what lies between are the refusals, the locks,
    the walk of the shelf, touch and holds. db is the scratch database in hand."""
    person = Person.objects.order_by("id")[:1].get()
    # places and caches that only the first act makes
    for _, act, done in morning(person):
        done.append(act())
    ours: dict[str, list[float]] = defaultdict(list)
    bare: dict[str, list[float]] = defaultdict(list)
    with scratch.database("copy", copy_of=db) as twin:
        twin.ensure_connection()
        raw, sqlite = twin.connection, twin.vendor == "sqlite"
        for _ in range(MORNINGS):
            for name, act, done in morning(person):
                writes = Writes()
                with connection.execute_wrapper(writes):
                    started = time.perf_counter()
                    done.append(act())
                    ours[name].append((time.perf_counter() - started) * 1000)
                said = writes.for_driver()
                started = time.perf_counter()
                _replay(raw, sqlite, said)
                bare[name].append((time.perf_counter() - started) * 1000)
        here = _ends()
        with scratch.turned_to(twin):
            if _ends() != here:
                raise CommandError("The bare driver did not write the rows that the acts wrote.")
    rows = [(name, median(ours[name]), median(bare[name])) for name in ours]
    rows.append(("morning, all six", sum(r[1] for r in rows), sum(r[2] for r in rows)))
    return [
        Row(f"posting: {name} ÷ its bare writes", movements, a, b, a / b, None)
        for name, a, b in rows
    ]
