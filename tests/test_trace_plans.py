"""The trace asks by key. On a filled database, after ANALYZE, every one of its questions is a
search: no scan of a table that grows with the years, no index or filter built for one query.

Which plans are traps was measured beforehand; the words of the plans are those of SQLite's
EXPLAIN QUERY PLAN and of PostgreSQL's EXPLAIN."""

from __future__ import annotations

import datetime as dt
import random
import re
from collections.abc import Iterator

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from grow import clock, flows, lineage
from grow.models import (
    Counted,
    CutSite,
    Event,
    Flag,
    Holding,
    Item,
    Lineage,
    Lot,
    Movement,
    Place,
    Planting,
    PlantSite,
    Unnamed,
)
from grow.setup import the
from sales import roots
from sales.models import DeliveryNote, NoteLine, PackingRun
from sales.trace import trace
from tests.farm import Farm

pytestmark = pytest.mark.django_db

WEEKS = 120
#: Set-up tables stay as small as the farm; scanning one is right.
SMALL = {"business", "place", "thing", "item", "person", "signoff", "outlet", "product", "variety"}
SMALL |= {"crop"}
#: What our own texts call a list of ids, a recursion or a sub-query.
OURS = r"t|up|side|json_each|CONSTANT|\(subquery-\d+\)|\d+"


class Filled:
    """Some years of a farm in the ledger's shape, written straight into the tables: a weekly
    sowing, four cuts from it, a run of each, half of it delivered, counted and rung up."""

    def __init__(self) -> None:
        self.farm = Farm()
        self.rng = random.Random(20260302)
        self.events: list[Event] = []
        self.rows: dict[type, list] = {}
        self.held: dict[tuple[int, int, bool], int] = {}
        self.at = self.farm.now - dt.timedelta(weeks=WEEKS)
        self.transit = Place.objects.create(
            name="On the way to Kitchen", kind="transit", belongs_to=self.farm.kitchen_place
        )
        self.sold = Place.objects.create(
            name="Sold at Farm shop", kind="sold", belongs_to=self.farm.shop_place
        )
        sites = list(PlantSite.objects.all())
        self.packs: list[Lot] = []
        self.cuts: list[Lot] = []
        self.waters: list[Lot] = []
        water = None
        for week in range(WEEKS):
            if week % 10 == 0:
                self.seed = self.lot("receive_input", "input", "each", item=self.farm.seed_item)
            water = self._water(week, water)
            batch = self.lot("sow", "batch", "each", crop=self.farm.lettuce)
            self.move(batch, the("growth"), self.farm.bench, 40)
            self.edge(self.seed, batch, "touched")
            planting = Planting(
                batch=batch,
                site=sites[week % len(sites)],
                began_by=batch.made_by,
                began_at=batch.made_by.placed_at,
                ended_by=batch.made_by,
                ended_at=batch.made_by.placed_at + dt.timedelta(days=6),
            )
            planting.save()
            for _ in range(4):
                self._cut(batch, planting, water)
            self.event("clean")  # of the scale
        for (lot, place, source), quantity in self.held.items():
            self.add(Holding(lot_id=lot, place_id=place, quantity=quantity, source=source))
        for model, rows in self.rows.items():
            model._default_manager.bulk_create(rows, batch_size=2000)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")

    def event(self, kind: str, place: Place | None = None) -> Event:
        self.at += dt.timedelta(minutes=37)
        event = Event.objects.create(
            kind=kind,
            happened_at=self.at,
            placed_at=self.at,
            earliest_at=self.at,
            latest_at=self.at,
            day=clock.day_number(self.at.date()),
            recorded_at=self.at,
            recorded_by=self.farm.grower,
            place=place,
            told='{"closing":true,"passed":true}',
        )
        self.add(Event.done_by.through(event=event, person=self.farm.grower))
        self.add(Event.things.through(event=event, thing=self.farm.scale))
        return event

    def lot(self, act: str, kind: str, unit: str, place: Place | None = None, **more) -> Lot:
        event = self.event(act, place)
        return Lot.objects.create(
            code=f"{kind[0].upper()}{event.pk:06d}", kind=kind, unit=unit, made_by=event, **more
        )

    def add(self, row) -> None:
        self.rows.setdefault(type(row), []).append(row)

    def move(self, lot: Lot, a: Place, b: Place, quantity: int, event: Event | None = None):
        event = event or lot.made_by
        self.add(
            Movement(
                event=event,
                lot=lot,
                from_place=a,
                to_place=b,
                quantity=quantity,
                basis=self.rng.choice(["weighed", "counted", "worked_out"]),
                day=event.day,
            )
        )
        for place, signed in ((a, -quantity), (b, quantity)):
            key = (lot.pk, place.pk, place.is_source)
            self.held[key] = self.held.get(key, 0) + signed

    def edge(self, parent: Lot, child: Lot, kind: str, quantity: int | None = None) -> None:
        self.add(
            Lineage(parent=parent, child=child, kind=kind, event=child.made_by, quantity=quantity)
        )

    def _water(self, week: int, before: Lot | None) -> Lot:
        if week % 6 == 0:
            self.event("drain_and_clean", self.farm.tank)
            before = None
        water = self.lot("fill", "water", "ml", self.farm.tank)
        self.event("test_water", self.farm.tank)
        self.event("check")
        if before:
            self.edge(before, water, "touched")
        self.waters.append(water)
        return water

    def _cut(self, batch: Lot, planting: Planting, water: Lot) -> None:
        farm = self.farm
        cut = self.lot("harvest", "harvest", "g", crop=farm.lettuce)
        self.cuts.append(cut)
        self.move(cut, the("growth"), farm.store, 2400)
        self.edge(batch, cut, "grew", 2400)
        self.edge(water, cut, "touched")
        self.add(CutSite(lot=cut, planting=planting))
        run = self.lot("pack", "pack", "each", farm.line, grams_each=120, line=farm.bag.line)
        self.packs.append(run)
        self.move(cut, farm.store, the("used"), 2400, run.made_by)
        self.edge(cut, run, "went_in", 2400)
        self.move(run, the("packing"), farm.store, 20)
        self.add(
            PackingRun(
                lot=run, product=farm.bag, name="bag", nominal_each_g=120, fill="every",
                grams_in=2400, packs=20, nominal_g=2400,
            )
        )  # fmt: skip
        if self.rng.random() < 0.3:
            self.event("clean", farm.line)
        note = self.event("deliver")
        self.move(run, farm.store, self.transit, 8, note)
        paper = DeliveryNote(number=f"N{note.pk}", outlet=farm.kitchen, event=note)
        paper.save()
        self.add(NoteLine(note=paper, lot=run, sent=8, to_follow=8))
        self.move(run, farm.store, farm.shop_place, 12, self.event("put_on_shelf"))
        till = self.event("sell", farm.shop_place)
        self.add(
            Unnamed(
                event=till, place=farm.shop_place, to_place=self.sold, line=run.line, quantity=5
            )
        )
        self.move(run, farm.shop_place, self.sold, 5, till)
        self.move(run, farm.shop_place, the("compost"), 7, self.event("discard"))
        count = self.event("count", farm.shop_place)
        self.add(Counted(event=count, lot=run, place=farm.shop_place, quantity=7))
        self.add(Flag(event=count, kind="short", lot=run, says="seven"))


@pytest.fixture
def filled() -> Iterator[Filled]:
    yield Filled()
    clock.play(None)


def plan_of(sql: str, params: list | None = None) -> list[str]:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL enable_seqscan = off")
            cursor.execute(f"EXPLAIN {sql}", params)
            return [row[0] for row in cursor.fetchall()]
        cursor.execute(f"EXPLAIN QUERY PLAN {sql}", params)
        return [row[3] for row in cursor.fetchall()]


def bad_steps(plan: list[str]) -> list[str]:
    """Steps that read a growing table whole, or build an index or a filter over it."""
    bad = []
    for step in plan:
        if connection.vendor == "postgresql":
            # with sequential scans discouraged, one is left only where no index can help
            found = re.search(r"Seq Scan on \"?(?:grow|sales)_(\w+)", step)
            if found and found[1] not in SMALL:
                bad.append(step)
            continue
        if "BLOOM" in step or "AUTOMATIC" in step:
            bad.append(step)
        found = re.match(r"SCAN (?:TABLE )?(\S+)", step)
        if found and not re.fullmatch(OURS, found[1]):
            table = re.sub(r"^(grow|sales)_", "", found[1])
            if table not in SMALL:
                bad.append(step)
    return bad


def test_the_recursions_and_the_one_pass_search_by_key(filled: Filled) -> None:
    ids = lineage.ids_value([lot.pk for lot in filled.cuts[::9]])
    one = [filled.cuts[40].pk]
    pairs: list = [ids]
    if connection.vendor == "postgresql":
        pairs += [[-1], one]
    else:
        pairs.append(f"[[-1, {one[0]}]]")
    for sql, params in (
        (lineage.sql("up", 1), one),
        (lineage.sql("down", 1), one),
        (lineage.sql("down", 1, composition=True), one),
        (lineage.alongside_sql(), pairs),
        (flows.FACTS.format(ids=lineage.ids_sql()), [ids]),
        (flows.FLOWS.format(ids=lineage.ids_sql()), [ids]),
    ):
        plan = plan_of(sql, params)
        assert bad_steps(plan) == [], sql
        assert any(re.search("SEARCH|Index", step) for step in plan), plan


def test_a_plan_that_reads_a_table_whole_is_seen(filled: Filled) -> None:
    """The judge itself: a question without a key is called bad."""
    assert bad_steps(plan_of("SELECT COUNT(*) FROM grow_movement WHERE despite_hold"))
    naive = (
        "SELECT t.id, s.q FROM (SELECT 5 AS id) t JOIN (SELECT lot_id, SUM(quantity) AS q "
        "FROM grow_movement GROUP BY lot_id) s ON s.lot_id = t.id"
    )
    if connection.vendor == "sqlite":
        assert bad_steps(plan_of(naive))


@pytest.mark.parametrize("what", ["seed", "water", "cut", "run", "run of the last week"])
def test_every_question_of_a_trace_searches_by_key(filled: Filled, what: str) -> None:
    lot = {
        "seed": filled.seed,
        "water": filled.waters[30],
        "cut": filled.cuts[200],
        "run": filled.packs[200],
        "run of the last week": filled.packs[-2],
    }[what]
    assert Item.objects.count() < 10
    with CaptureQueriesContext(connection) as asked:
        found = trace(lot.code)
    assert found.down or found.up
    looked = 0
    for query in asked.captured_queries:
        sql = query["sql"]
        if not sql.lstrip().startswith(("SELECT", "WITH")):
            continue
        looked += 1
        assert bad_steps(plan_of(sql)) == [], sql
    assert looked > 10


def test_a_place_and_a_window_search_by_key(filled: Filled) -> None:
    at = filled.cuts[-20].made_by.placed_at
    day = dt.timedelta(days=1)
    for place in (filled.farm.tank, filled.farm.store, filled.farm.shop_place):
        with CaptureQueriesContext(connection) as asked:
            roots.at_place(place, at - day, at + day)
        for query in asked.captured_queries:
            assert bad_steps(plan_of(query["sql"])) == [], query["sql"]


def test_an_answer_costs_as_many_questions_for_many_lots_as_for_one(filled: Filled) -> None:
    """No question is asked once for each lot found."""
    with CaptureQueriesContext(connection) as one:
        trace(filled.packs[200].code, alongside=False)
    with CaptureQueriesContext(connection) as many:
        found = trace(filled.seed.code, alongside=False)
    assert len(found.down) > 80
    assert len(many.captured_queries) <= len(one.captured_queries) + 15
