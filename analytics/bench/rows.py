"""What is measured, each against a baseline that runs in the same call, in turn and in random
order. Only ratios are judged: a machine's own speed is nobody's fault."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from functools import partial
from random import Random
from statistics import median
from typing import Any

from django.db import connection
from django.db.models import Sum

from grow import lineage
from grow.kinds import CANCELLING
from grow.models import Event, Lineage, Lot, LotKind, Movement, Place
from sales import trace
from sales.models import Outlet

#: Kinds of lot that a trace begins at, and which way it goes.
ROOTS = (
    (LotKind.INPUT, "down"),
    (LotKind.WATER, "down"),
    (LotKind.BATCH, "down"),
    (LotKind.HARVEST, "up"),
    (LotKind.PACK, "up"),
)


@dataclass(frozen=True)
class Row:
    """One line of the table. ratio is ours ÷ theirs, of medians in milliseconds; limit is what
    it may be (None: said, not judged)."""

    name: str
    movements: int
    ours_ms: float
    theirs_ms: float
    ratio: float
    limit: float | None
    least: bool = False  # the limit is the least, not the most

    @property
    def kept(self) -> bool | None:
        if self.limit is None:
            return None
        return self.ratio >= self.limit if self.least else self.ratio <= self.limit

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"kept": self.kept}


def roots(number: int, dice: Random) -> list[tuple[int, str]]:
    """So many lots to trace from, of every kind in turn: (id, direction)."""
    pools = [
        (list(Lot.objects.filter(kind=kind).order_by("id").values_list("pk", flat=True)), way)
        for kind, way in ROOTS
    ]
    return [(dice.choice(ids), way) for i in range(number) for ids, way in [pools[i % len(pools)]]]


def in_turn(
    jobs: list[tuple[str, Any, Callable[[], object]]], dice: Random, rounds: int = 3
) -> dict[tuple[str, Any], float]:
    """The best of some rounds of each job, by (who, key), in milliseconds; jobs of a round run
    in random order, so that drift falls on all alike."""
    best: dict[tuple[str, Any], float] = {}
    for _ in range(rounds):
        dice.shuffle(jobs)
        for who, key, job in jobs:
            started = time.perf_counter()
            job()
            took = (time.perf_counter() - started) * 1000
            best[who, key] = min(took, best.get((who, key), took))
    return best


# --- the baselines ----------------------------------------------------------------------------

#: One pass over all that the whole answer knows: each lot's facts, what moved of it by way and by
#: how it was known, and the edges that join the lots, as plain rows.
_ONE_PASS = """
SELECT t.id, l.code, l.kind, l.title, l.unit, l.grams_each, l.line, l.use_by, b.kind, b.day,
       m.from_place_id, m.to_place_id, m.basis, SUM(m.quantity)
FROM t CROSS JOIN grow_lot l CROSS JOIN grow_event b LEFT JOIN grow_movement m ON m.lot_id = l.id
WHERE l.id = t.id AND b.id = l.made_by_id
GROUP BY t.id, l.code, l.kind, l.title, l.unit, l.grams_each, l.line, l.use_by, b.kind, b.day,
         m.from_place_id, m.to_place_id, m.basis
UNION ALL
SELECT e.child_id, NULL, e.kind, NULL, NULL, NULL, NULL, NULL, NULL, NULL,
       e.parent_id, e.struck_by_id, NULL, e.quantity
FROM t CROSS JOIN grow_lineage e
WHERE e.child_id = t.id AND (e.cleared_by_id IS NULL OR t.id IS NULL)
"""


class Bare:
    """The driver's own cursor, with nothing of Django's between; prepared on PostgreSQL."""

    def __init__(self) -> None:
        connection.ensure_connection()
        self.cursor = connection.connection.cursor()
        self.postgresql = connection.vendor == "postgresql"

    def run(self, sql: str, params: Iterable[Any]) -> list[tuple]:
        if self.postgresql:
            return self.cursor.execute(sql, list(params), prepare=True).fetchall()
        return self.cursor.execute(sql.replace("%s", "?"), list(params)).fetchall()

    def ids(self, root: int, way: str) -> set[int]:
        return {row[0] for row in self.run(lineage.sql(way, 1), [root])}

    def one_pass(self, root: int, way: str) -> list[tuple]:
        walk = lineage.sql(way, 1)
        at = walk.rindex("SELECT")
        return self.run(walk[:at] + _ONE_PASS, [root])


def hops(root: int, way: str) -> dict[int, Lot]:
    """The same lots as anybody would walk them with models: a generation a query."""
    here, there = ("parent", "child") if way == "down" else ("child", "parent")
    found = {root: Lot.objects.get(pk=root)}
    edge = list(found.values())
    while edge:
        rows = Lineage.objects.filter(**{f"{here}__in": edge}, cleared_by=None)
        met = [getattr(row, there) for row in rows.select_related(f"{there}__made_by")]
        edge = [lot for lot in dict.fromkeys(met) if lot.pk not in found]
        found |= {lot.pk: lot for lot in edge}
    return found


def hops_report(root: int, way: str) -> int:
    """The whole answer so: hops, then which were taken back, the edges, what moved, and the
    outlets that had it with their contacts."""
    lots = hops(root, way)
    dead = list(
        Event.objects.filter(
            corrects__in=[lot.made_by for lot in lots.values()], kind__in=CANCELLING
        )
    )
    edges = list(Lineage.objects.filter(child__in=lots).select_related("parent", "child"))
    moved = list(
        Movement.objects.filter(lot__in=lots)
        .values("lot", "from_place", "to_place", "basis")
        .annotate(Sum("quantity"))
    )
    reached = {row["to_place"] for row in moved} | {row["from_place"] for row in moved}
    places = list(Place.objects.filter(pk__in=reached).select_related("belongs_to"))
    outlets = list(Outlet.objects.filter(place__in=reached).select_related("place"))
    return sum(map(len, (lots, dead, edges, moved, places, outlets)))


def ours(root: int, way: str) -> set[int]:
    return lineage.below([root]) if way == "down" else lineage.above([root])


def whole(root: int, way: str) -> trace.Report:
    return trace.report(ours(root, way))


# --- the rows ---------------------------------------------------------------------------------


def traces(movements: int, number: int, dice: Random) -> tuple[list[Row], dict[int, list[float]]]:
    """Trace rows of the database in hand, and the whole answer's times by its size in lots."""
    bare = Bare()
    asked = list(dict.fromkeys(roots(number, dice)))
    jobs: list[tuple[str, Any, Callable[[], object]]] = []
    for root, way in asked:
        key = (root, way)
        jobs += [
            ("ids", key, partial(ours, root, way)),
            ("bare ids", key, partial(bare.ids, root, way)),
            ("whole", key, partial(whole, root, way)),
            ("bare whole", key, partial(bare.one_pass, root, way)),
            ("hops", key, partial(hops_report, root, way)),
        ]
    took = in_turn(jobs, dice)
    postgresql = connection.vendor == "postgresql"

    def middle(who: str) -> float:
        return median(took[who, key] for key in asked)

    def row(name: str, a: str, b: str, limit: float, *, allow: float = 0, least=False) -> Row:
        x, y = middle(a), middle(b)
        ratio = (y / x) if least else max(0.0, x - allow) / y
        return Row(name, movements, x, y, ratio, limit, least)

    out = [
        row("trace ids ÷ bare prepared query", "ids", "bare ids", 1.2)
        if postgresql
        else row("trace ids less 0.1 ms ÷ bare query", "ids", "bare ids", 1.5, allow=0.1),
        row("whole answer ÷ bare one-pass query", "whole", "bare whole", 2.0),
        row(
            "whole answer: hops by ORM ÷ ours", "whole", "hops", 4 if postgresql else 10, least=True
        ),
    ]
    sizes: dict[int, list[float]] = defaultdict(list)
    for root, way in asked:
        sizes[len(ours(root, way))].append(took["whole", (root, way)])
    return out, sizes


def growth(small: dict[int, list[float]], large: dict[int, list[float]], movements: int) -> Row:
    """Answers of about equal size (within a fifth), from the small history and from the large."""
    pairs = [
        (median(a), median(b))
        for n, a in small.items()
        for m, b in [min(large.items(), key=lambda kv: abs(kv[0] - n))]
        if abs(m - n) <= max(1, n // 5)
    ]
    ratio = median(b / a for a, b in pairs) if pairs else float("nan")
    return Row(
        f"large history ÷ small, answers of equal size ({len(pairs)} pairs)",
        movements,
        median(b for _, b in pairs) if pairs else float("nan"),
        median(a for a, _ in pairs) if pairs else float("nan"),
        ratio,
        1.3,
    )
