"""What is measured, each against a baseline that runs in the same call, in turn and in random
order. Only ratios are judged: a machine's own speed is nobody's fault."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from functools import partial
from itertools import zip_longest
from random import Random
from statistics import median
from typing import Any

from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Sum

from grow import lineage
from grow.kinds import CANCELLING
from grow.models import Event, Lineage, Lot, LotKind, Movement, Place
from sales import trace
from sales.models import Outlet

from .scratch import turned_to

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
    """So many lots to trace from, of every kind in turn, none twice: (id, direction). Fewer
    where a small history has no more."""
    pools = []
    for kind, way in ROOTS:
        ids = list(Lot.objects.filter(kind=kind).order_by("id").values_list("pk", flat=True))
        pools.append([(pk, way) for pk in dice.sample(ids, min(number, len(ids)))])
    turns = [root for some in zip_longest(*pools) for root in some if root]
    return turns[:number]


#: who, of what, and the act
Job = tuple[str, Any, Callable[[], object]]


def in_turn(
    jobs: list[Job],
    dice: Random,
    rounds: int = 3,
    of_rounds: Callable[[list[float]], float] = min,
) -> dict[tuple[str, Any], float]:
    """The best of some rounds of each job (or what else is made of them), by (who, key), in
    milliseconds; jobs of a round run in random order, so that drift falls on all alike."""
    took: dict[tuple[str, Any], list[float]] = defaultdict(list)
    for _ in range(rounds):
        dice.shuffle(jobs)
        for who, key, job in jobs:
            started = time.perf_counter()
            job()
            took[who, key].append((time.perf_counter() - started) * 1000)
    return {which: of_rounds(found) for which, found in took.items()}


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


def traces(movements: int, number: int, dice: Random) -> list[Row]:
    """The trace rows of the database in hand."""
    bare = Bare()
    asked = roots(number, dice)
    ids: list[Job] = []
    answers: list[Job] = []
    for root, way in asked:
        key = (root, way)
        ids += [
            ("ids", key, partial(ours, root, way)),
            ("bare ids", key, partial(bare.ids, root, way)),
        ]
        answers += [
            ("whole", key, partial(whole, root, way)),
            ("bare whole", key, partial(bare.one_pass, root, way)),
            ("hops", key, partial(hops_report, root, way)),
        ]
    # ids in more rounds: they take tenths of a millisecond, and the limit is near
    took = in_turn(ids, dice, rounds=9) | in_turn(answers, dice)
    postgresql = connection.vendor == "postgresql"

    def middle(who: str) -> float:
        return median(took[who, key] for key in asked)

    def row(name: str, a: str, b: str, limit: float, *, allow: float = 0, least=False) -> Row:
        x, y = middle(a), middle(b)
        ratio = (y / x) if least else max(0.0, x - allow) / y
        return Row(name, movements, x, y, ratio, limit, least)

    return [
        row("trace ids ÷ bare prepared query", "ids", "bare ids", 1.2)
        if postgresql
        else row("trace ids less 0.1 ms ÷ bare query", "ids", "bare ids", 1.5, allow=0.1),
        row("whole answer ÷ bare one-pass query", "whole", "bare whole", 2.0),
        row(
            "whole answer: hops by ORM ÷ ours", "whole", "hops", 4 if postgresql else 10, least=True
        ),
    ]


#: id, direction, kind, lots in the answer
Sized = tuple[int, str, str, int]


def sized(number: int, dice: Random) -> list[Sized]:
    """Roots of the database in hand with the sizes of their answers, six times what is asked."""
    asked = roots(6 * number, dice)
    kinds = dict(Lot.objects.filter(pk__in=[pk for pk, _ in asked]).values_list("pk", "kind"))
    return [(pk, way, kinds[pk], len(ours(pk, way))) for pk, way in asked]


def pairs(small: list[Sized], large: list[Sized], number: int) -> list[tuple[Sized, Sized]]:
    """Roots of one kind whose answers are of equal size, to one lot in twenty; none twice."""
    left = list(large)
    out: list[tuple[Sized, Sized]] = []
    for one in small:
        alike = [two for two in left if two[2] == one[2]]
        two = min(alike, key=lambda t: abs(t[3] - one[3]), default=None)
        if two and abs(two[3] - one[3]) <= one[3] // 20:
            left.remove(two)
            out.append((one, two))
    return out[:number]


def growth(
    small: BaseDatabaseWrapper,
    large: BaseDatabaseWrapper,
    number: int,
    movements: int,
    dice: Random,
) -> Row:
    """Answers of equal size from the small history and from the large, in turn."""
    with turned_to(small):
        few = sized(number, dice)
    with turned_to(large):
        many = sized(number, dice)
    chosen = pairs(few, many, number)
    best: dict[tuple[int, int], float] = {}
    turns = [(n, which) for n in range(len(chosen)) for which in (0, 1)]
    for _ in range(3):
        dice.shuffle(turns)
        for n, which in turns:
            root, way, *_ = chosen[n][which]
            with turned_to((small, large)[which]):
                started = time.perf_counter()
                whole(root, way)
                took = (time.perf_counter() - started) * 1000
            best[n, which] = min(took, best.get((n, which), took))
    a, b = (
        median(best[n, which] for n in range(len(chosen))) if chosen else float("nan")
        for which in (0, 1)
    )
    name = f"large history ÷ small, {len(chosen)} pairs of answers of equal size"
    return Row(name, movements, b, a, b / a, 1.3)
