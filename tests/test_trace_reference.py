"""The trace against a second opinion: networkx (general-purpose graphs) on the rows of lineage as
they stand in the table, and sums of movements by SQL of this file's own. Asked is what the pages
ask: `ids_above`, `ids_below` and `report`."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterable

import networkx as nx
import pytest
from django.db import connection

from grow import clock
from grow.models import Event, Lineage, Lot, Movement
from grow.setup import the
from sales.trace import ids_above, ids_below, report
from tests.farm import Farm

#: Who came from whom by event and its corrections: parent → used, less what went back.
_USED = """
WITH RECURSIVE of(event, root) AS (
    SELECT id, id FROM grow_event WHERE corrects_id IS NULL
    UNION
    SELECT e.id, of.root FROM grow_event e JOIN of ON e.corrects_id = of.event
)
SELECT m.lot_id, c.id,
    SUM(CASE WHEN b.kind = 'used' THEN m.quantity ELSE 0 END)
    - SUM(CASE WHEN a.kind = 'used' THEN m.quantity ELSE 0 END)
FROM grow_movement m JOIN of ON of.event = m.event_id
JOIN grow_lot c ON c.made_by_id = of.root AND c.kind = 'pack'
JOIN grow_place a ON a.id = m.from_place_id JOIN grow_place b ON b.id = m.to_place_id
WHERE 'used' IN (a.kind, b.kind)
GROUP BY m.lot_id, c.id
"""
#: What grew for a cut, by event and its corrections.
_GREW = """
WITH RECURSIVE of(event, root) AS (
    SELECT id, id FROM grow_event WHERE corrects_id IS NULL
    UNION
    SELECT e.id, of.root FROM grow_event e JOIN of ON e.corrects_id = of.event
)
SELECT c.id,
    SUM(CASE WHEN a.kind = 'growth' THEN m.quantity ELSE 0 END)
    - SUM(CASE WHEN b.kind = 'growth' THEN m.quantity ELSE 0 END)
FROM grow_movement m JOIN of ON of.event = m.event_id
JOIN grow_lot c ON c.made_by_id = of.root AND c.kind = 'harvest' AND c.id = m.lot_id
JOIN grow_place a ON a.id = m.from_place_id JOIN grow_place b ON b.id = m.to_place_id
GROUP BY c.id
"""


def exported() -> nx.DiGraph:
    """Parent → child by the rows that danger follows: all but what the lead has cleared."""
    graph = nx.DiGraph()
    graph.add_nodes_from(Lot.objects.values_list("pk", flat=True))
    graph.add_edges_from(Lineage.objects.filter(cleared_by=None).values_list("parent", "child"))
    return graph


def assert_same_family(lots: Iterable[int], graph: nx.DiGraph) -> None:
    for lot in lots:
        assert ids_above([lot]) - {lot} == nx.ancestors(graph, lot), lot
        assert ids_below([lot]) - {lot} == nx.descendants(graph, lot), lot


def asked(sql: str) -> list[tuple[int, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return [tuple(map(int, row)) for row in cursor.fetchall()]


def assert_same_quantities(lots: Iterable[int]) -> int:
    """Every edge of these lots; how many have a quantity. A cut of several sowings has the grams
    that grew, shared out over its edges."""
    used = {(parent, child): n for parent, child, n in asked(_USED) if n}
    grown = dict(asked(_GREW))
    went: dict[tuple[int, int], int] = {}
    grew: dict[int, int] = defaultdict(int)
    touched = 0
    wanted = set(lots)
    for edge in report(wanted).flows.edges:
        if edge.kind == "touched":
            assert edge.quantity is None
            touched += 1
        elif edge.struck:
            assert (edge.parent, edge.child) not in used
        elif edge.kind == "went_in":
            went[edge.parent, edge.child] = edge.quantity or 0
        else:
            grew[edge.child] += edge.quantity or 0
    assert went == {pair: n for pair, n in used.items() if pair[1] in wanted}
    assert dict(grew) == {child: grown[child] for child in grew}
    assert touched
    return len(went) + len(grew)


@pytest.mark.slow
def test_every_lot_of_the_demo_s_year(demo_year) -> None:
    graph = exported()
    assert_same_family(graph, graph)
    assert assert_same_quantities(graph) > 1000


# --- random graphs -------------------------------------------------------------------------------

GRAPHS, LOTS, EDGES, DRAWN = 100, 200, 1000, 2000


def fill(farm: Farm, rng: random.Random) -> None:
    """GRAPHS families of LOTS lots and EDGES edges each, straight into the tables: parents come
    before children, so rework makes diamonds and never a ring. What went in moved parent → used in
    the child's event, in one or two rows, and some of it back."""
    day = clock.day_number(farm.today)
    moments = ("happened_at", "placed_at", "earliest_at", "latest_at", "recorded_at")
    same = {"recorded_by": farm.grower, "day": day, "told": "{}"} | dict.fromkeys(moments, farm.now)
    events = Event.objects.bulk_create(
        Event(kind="rework", **same) for _ in range(GRAPHS * LOTS)
    )  # fmt: skip
    struck, cleared = (Event.objects.create(kind=k, **same) for k in ("correct_origin", "clear"))
    lots = Lot.objects.bulk_create(
        Lot(code=f"X{n}", kind="pack", unit="each", grams_each=100, made_by=event)
        for n, event in enumerate(events)
    )
    edges, moved = [], []
    store, used = farm.store, the("used")
    for start in range(0, GRAPHS * LOTS, LOTS):
        seen: set[tuple[int, int]] = set()
        while len(seen) < EDGES:
            a, b = sorted(rng.sample(range(LOTS), 2))
            if (a, b) in seen:
                continue
            seen.add((a, b))
            parent, child = lots[start + a], lots[start + b]
            kind = rng.choice(["went_in", "went_in", "touched"])
            state = rng.choice(["stands"] * 8 + ["struck", "cleared"])
            quantity = rng.randint(2, 50) if kind == "went_in" else None
            edges.append(
                Lineage(
                    parent=parent,
                    child=child,
                    kind=kind,
                    event=child.made_by,
                    quantity=quantity,
                    struck_by=None if state == "stands" else struck,
                    cleared_by=cleared if state == "cleared" else None,
                )
            )
            if quantity is None or state != "stands":
                continue
            back = rng.choice([0, 0, 3])
            rows = [(store, used, quantity - 1), (store, used, 1 + back)]
            rows += [(used, store, back)] if back else []
            moved += [
                Movement(
                    event=child.made_by, lot=parent, from_place=x, to_place=y, quantity=n,
                    basis="counted", day=day,
                )
                for x, y, n in rows
            ]  # fmt: skip
    Lineage.objects.bulk_create(edges)
    Movement.objects.bulk_create(moved)


@pytest.mark.slow
@pytest.mark.django_db
def test_two_thousand_lots_of_random_graphs(farm: Farm) -> None:
    """100,000 edges in all; drawn are as many from each family."""
    rng = random.Random(20260302)
    fill(farm, rng)
    assert Lineage.objects.count() == GRAPHS * EDGES == 100_000
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    graph = exported()
    drawn = rng.sample(sorted(graph), DRAWN)
    assert_same_family(drawn, graph)
    assert max(len(nx.descendants(graph, lot)) for lot in drawn) > 50
    assert assert_same_quantities(drawn) > DRAWN
