"""A recall is opened while eight processes pack, deliver and sell, with a harvest in flight.

What must be true afterwards is read off the tables by itself, not by what wrote them. The twin
takes the gate away and shows what it is for.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
import time
from collections import defaultdict
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection, connections

from grow import clock, gate
from grow.errors import Refusal
from grow.faults import faults
from grow.ledger import KINDS
from grow.models import Flag, Hold, Lineage, Lot, Movement
from sales.models import RecallLot
from tests.farm import Farm, Line, Taken, TillRow
from tests.racers import LIMIT_S, Teller, pauses, until

pytestmark = pytest.mark.django_db(transaction=True)

WORK = ("pack", "deliver", "sell", "pack", "deliver", "sell", "pack", "deliver")
#: Where a held lot may go, by the rules of the freeze: written out anew.
MAY_GO = {"quarantine", "compost", "landfill", "destroyed", "sample", "count_difference"}


class Shared:
    """What the processes know of each other: how many acts each has told that it began before the
    recall was opened, and since."""

    def __init__(self, context: Any) -> None:
        self.stop, self.opened = context.Event(), context.Event()
        self.before, self.since = (context.Array("i", len(WORK)) for _ in range(2))


def work(kind: str, n: int, ids: dict[str, int], shared: Shared, said: Any) -> None:
    """Tells one act after another until it is stopped; what was refused is a code in `said`."""
    from grow.models import Person, Place
    from sales.models import Outlet, Product

    place = {name: Place.objects.get(pk=ids[name]) for name in ("store", "line")}
    outlets = {name: Outlet.objects.get(pk=ids[name]) for name in ("shop", "kitchen")}
    bag, tam = Product.objects.get(pk=ids["bag"]), Person.objects.get(pk=ids["tam"])
    crate, run = Lot.objects.get(pk=ids["crate"]), Lot.objects.get(pk=ids["run"])
    acts: dict[str, Callable[[], dict[str, Any]]] = {
        "pack": lambda: {
            "product": bag,
            "taken": [Taken(crate, place["store"], used=120)],
            "packs": 1,
            "store": place["store"],
            "line": place["line"],
        },
        "deliver": lambda: {
            "outlet": outlets["kitchen"],
            "lines": [Line(run, 1, place["store"])],
        },
        "sell": lambda: {"outlet": outlets["shop"], "rows": [TillRow(bag, 1, run)]},
    }
    codes = []
    try:
        while not shared.stop.is_set():
            count = shared.since if shared.opened.is_set() else shared.before
            try:
                KINDS[kind].run(
                    recorded_by=tam, client_id=f"racer-{n}-{len(codes)}", **acts[kind]()
                )
                codes.append("done")
            except Refusal as refusal:
                codes.append(refusal.code)
            count[n] += 1
            time.sleep(0.02)  # others are to have their turn; nothing is measured by it
    except BaseException as error:
        codes.append(repr(error))
        raise
    finally:
        said.put((kind, codes))
        connections.close_all()


class Race:
    """A crate to pack from, a run in store and on the shelf, both of one sowing; the recall is of
    that sowing."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.batch = farm.sow(60)
        farm.plant(self.batch, farm.t1, 40)
        farm.pass_time(days=25)
        run = farm.pack([farm.cut(242_000, self.batch, sure=True)], packs=2000)
        farm.to_shop(run, 1000)
        crate = farm.cut(120_000, self.batch, sure=True)
        farm.pass_time(minutes=10)
        self._let_the_clock_run()
        ids = {
            "store": farm.store.pk,
            "line": farm.line.pk,
            "bag": farm.bag.pk,
            "shop": farm.shop.pk,
            "kitchen": farm.kitchen.pk,
            "tam": farm.grower.pk,
            "crate": crate.pk,
            "run": run.pk,
        }
        # a process of its own for each, with what this one has set up; no connection is shared
        fork = multiprocessing.get_context("fork")
        connections.close_all()
        self.shared, self.said = Shared(fork), fork.Queue()
        self.racers = [
            fork.Process(
                target=work,
                args=(kind, n, ids, self.shared, self.said),
                daemon=True,
            )
            for n, kind in enumerate(WORK)
        ]

    def _let_the_clock_run(self) -> None:
        """From the farm's own day on, alike in all processes: the freeze has a before and after."""
        began, base = time.monotonic(), self.farm.now
        self.now = clock.now

        def now():
            return base + dt.timedelta(seconds=time.monotonic() - began)

        clock.now = now  # type: ignore[assignment]  # only in this test

    def each_kind_told_since(self) -> bool:
        told = zip(WORK, self.shared.since, strict=True)
        return {kind for kind, n in told if n} == set(WORK)

    def run(self, *, guarded: bool) -> Lot:
        """The recall is opened while a harvest has written all and committed nothing; the cut that
        it made. Then the others go on for a while."""
        for racer in self.racers:
            racer.start()
        until(lambda: all(self.shared.before), "an act of each")
        farm = self.farm
        with pauses():
            cut = Teller(lambda: farm.cut(900, self.batch, sure=True), pausing=True).begin()
            opened = Teller(self.open).begin()
            if connection.vendor == "postgresql":
                if guarded:
                    until(_waits_for_the_gate, "the recall before the gate")
                else:
                    opened.join(LIMIT_S)
                    assert not opened.is_alive(), "without its gate nothing should hold it up"
            cut.go.set()
            made = cut.end()
            opened.end()
        self.shared.opened.set()
        until(self.each_kind_told_since, "an act of each kind that was begun since")
        return made

    def open(self) -> Any:
        return self.farm.tell(
            "open_recall", kind="recall", hazard="may contain glass", lots=[self.batch]
        )

    def end(self) -> dict[str, set[str]]:
        self.shared.stop.set()
        found: dict[str, set[str]] = defaultdict(set)
        for _ in self.racers:
            kind, codes = self.said.get(timeout=LIMIT_S)
            found[kind] |= set(codes)
        for racer in self.racers:
            racer.join(LIMIT_S)
            assert racer.exitcode == 0
        clock.now = self.now
        return found


def _waits_for_the_gate() -> bool:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND objid = %s "
            "AND mode = 'ExclusiveLock' AND NOT granted",
            [gate.LEDGER],
        )
        return bool(cursor.fetchone()[0])


def below(root: Lot) -> set[int]:
    """Everything made from a lot or touched by it, walked here edge by edge."""
    children: dict[int, set[int]] = defaultdict(set)
    for parent, child in Lineage.objects.values_list("parent_id", "child_id"):
        children[parent].add(child)
    found, open_ = {root.pk}, [root.pk]
    while open_:
        new = children[open_.pop()] - found
        found |= new
        open_ += new
    return found


def held() -> dict[int, Any]:
    rows = Hold.objects.filter(ended_by=None).order_by("-pk")
    return dict(rows.values_list("lot_id", "began_at"))


def forbidden(affected: set[int]) -> list[str]:
    """Movements of an affected lot after its freeze that are neither permitted nor listed."""
    since = held()
    breaches = set(Flag.objects.filter(kind=Flag.Kind.BREACH).values_list("event_id", "lot_id"))
    rows = Movement.objects.filter(lot__in=affected).select_related(
        "event", "lot", "from_place", "to_place"
    )
    return [
        f"{m.lot} {m.from_place} to {m.to_place}"
        for m in rows
        if m.lot_id in since
        and m.event.placed_at > since[m.lot_id]
        and m.to_place.kind not in MAY_GO
        and m.from_place.kind != "transit"
        and m.lot.made_by_id != m.event_id
        and (m.event_id, m.lot_id) not in breaches
    ]


@pytest.fixture
def race(farm: Farm):
    made = Race(farm)
    yield made
    made.shared.stop.set()
    clock.now = made.now
    for racer in made.racers:
        if racer.is_alive():
            racer.join(LIMIT_S)
            racer.kill()


def test_a_recall_stops_all_while_eight_pack_deliver_and_sell(race: Race) -> None:
    cut = race.run(guarded=True)
    said = race.end()
    affected = below(race.batch)
    assert cut.pk in affected
    assert affected - held().keys() == set()
    assert forbidden(affected) == []
    assert affected == set(RecallLot.objects.values_list("lot_id", flat=True))
    assert said == {"pack": {"done", "held"}, "deliver": {"done", "held"}, "sell": {"done"}}
    # a till tells what has happened: each bag sold since is listed as what it is
    assert Flag.objects.filter(kind=Flag.Kind.BREACH).exists()
    assert faults() == []


@pytest.mark.postgres
def test_without_the_gate_the_cut_in_flight_stays_free(
    race: Race, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin. Guard taken out: nobody takes the advisory lock, alone or shared. On SQLite the
    gate is the one writer that the database lets in, and cannot be taken out."""
    monkeypatch.setattr(gate, "enter", lambda how: None)
    cut = race.run(guarded=False)
    race.end()
    affected = below(race.batch)
    assert cut.pk in affected
    assert cut.pk not in held()
    assert affected - held().keys() != set()
