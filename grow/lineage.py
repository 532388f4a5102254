"""Who came from whom: one recursive query up, down or alongside.

UNION, never UNION ALL, and no column for depth: rework makes diamonds, and either would visit
every path instead of every lot.

Danger follows a corrected (struck) edge until the food-safety lead clears it; composition reads
matter alone, by the edges that stand.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import chain
from typing import Any

from django.db import connection

_WALK = """
WITH RECURSIVE t(id) AS (
    SELECT id FROM grow_lot WHERE id IN ({roots})
    UNION
    SELECT e.{to} FROM t JOIN grow_lineage e ON e.{from_} = t.id
    WHERE {follow}
)
SELECT id FROM t
"""
_WAYS = {
    "down": {"to": "child_id", "from_": "parent_id"},
    "up": {"to": "parent_id", "from_": "child_id"},
}
# "OR t.id IS NULL" is never true. Without it SQLite takes the condition for one that culls the
# table by itself and builds a Bloom filter over all of lineage for each question.
_DANGER = "(e.cleared_by_id IS NULL OR t.id IS NULL)"
_MATTER = "((e.kind <> 'touched' AND e.struck_by_id IS NULL) OR t.id IS NULL)"

_EACH_UP = """
WITH RECURSIVE up(root, id) AS (
    SELECT id, id FROM ({ids}) r
    UNION
    SELECT up.root, e.parent_id FROM up JOIN grow_lineage e ON e.child_id = up.id
    WHERE (e.cleared_by_id IS NULL OR up.id IS NULL)
)
SELECT root, id FROM up WHERE root <> id
"""

# A chain of water is one thing that is shared, so it is named by its first water: that one's
# descendants are the chain's, and a drain-and-clean ends both.
_ALONGSIDE = """
WITH RECURSIVE up(id) AS (
    {ids}
    UNION
    SELECT e.parent_id FROM up JOIN grow_lineage e ON e.child_id = up.id
    WHERE (e.cleared_by_id IS NULL OR up.id IS NULL)
),
side(via, id) AS (
    {pairs}
    UNION
    SELECT up.id, up.id FROM up CROSS JOIN grow_lot l
    WHERE l.id = up.id AND (l.kind <> 'water' OR NOT EXISTS (
        SELECT 1 FROM grow_lineage w CROSS JOIN grow_lot p
        WHERE w.child_id = up.id AND p.id = w.parent_id AND p.kind = 'water'
        AND (w.cleared_by_id IS NULL OR up.id IS NULL)))
    UNION
    SELECT side.via, e.child_id FROM side JOIN grow_lineage e ON e.parent_id = side.id
    WHERE (e.cleared_by_id IS NULL OR side.id IS NULL)
)
SELECT via, id FROM side WHERE via <> id
"""


@lru_cache(maxsize=64)
def sql(direction: str, roots: int, composition: bool = False) -> str:
    """The text of the query, for the bench's baseline and for the plan test."""
    return _WALK.format(
        roots=", ".join(["%s"] * roots),
        follow=_MATTER if composition else _DANGER,
        **_WAYS[direction],
    )


def ids_sql() -> str:
    """A sub-query of one column that one parameter, `ids_value(ids)`, fills with ids."""
    if connection.vendor == "postgresql":
        return "SELECT unnest(%s::bigint[]) AS id"
    return "SELECT value AS id FROM json_each(%s)"


def ids_value(ids: Iterable[int]) -> Any:
    ids = list(ids)
    return ids if connection.vendor == "postgresql" else json.dumps(ids)


def each(ids: Iterable[int], columns: str, joined: str, params: Sequence[Any] = ()) -> list[Any]:
    """Rows found by key for each of some ids: SELECT columns FROM t CROSS JOIN joined, where t.id
    is the id. A search for each, whatever the database thinks of the tables' sizes; an IN list
    of some length may become a scan."""
    sql = f"SELECT {columns} FROM ({ids_sql()}) t CROSS JOIN {joined}"
    with connection.cursor() as cursor:
        cursor.execute(sql, [ids_value(ids), *params])
        return cursor.fetchall()


def moment(value: Any) -> dt.datetime:
    """A moment as a raw query gives it: SQLite's has lost its zone, which is UTC."""
    if isinstance(value, str):
        value = dt.datetime.fromisoformat(value)
    return value if value.tzinfo else value.replace(tzinfo=dt.UTC)


def _walk(direction: str, roots: Iterable[int], composition: bool) -> set[int]:
    ids = list(roots)
    found: set[int] = set()
    for start in range(0, len(ids), 500):  # SQLite takes so many parameters and no more
        part = ids[start : start + 500]
        with connection.cursor() as cursor:
            cursor.execute(sql(direction, len(part), composition), part)
            found.update(chain.from_iterable(cursor.fetchall()))
    return found


def below(roots: Iterable[int], *, composition: bool = False) -> set[int]:
    """Ids of the lots and of everything made from them or touched by them."""
    return _walk("down", roots, composition)


def above(roots: Iterable[int], *, composition: bool = False) -> set[int]:
    """Ids of the lots and of everything that they came from or that touched them."""
    return _walk("up", roots, composition)


def first_above(roots: Iterable[int]) -> dict[int, int]:
    """Lot → the first of these roots, in their order, that it is or came from, of all that is
    below them: one walk for however many."""
    roots = list(roots)
    children: dict[int, list[int]] = defaultdict(list)
    edges = "grow_lineage e WHERE e.parent_id = t.id AND e.cleared_by_id IS NULL"
    for parent, child in each(sorted(below(roots)), "t.id, e.child_id", edges):
        children[parent].append(child)
    first: dict[int, int] = {}
    for root in roots:
        open_ = [root]
        while open_:
            lot = open_.pop()
            if lot not in first:
                first[lot] = root
                open_ += children[lot]
    return first


def ancestors(ids: Iterable[int]) -> list[tuple[int, int]]:
    """(lot id, id of something that it came from or that touched it), for each of some lots."""
    with connection.cursor() as cursor:
        cursor.execute(_EACH_UP.format(ids=ids_sql()), [ids_value(ids)])
        return cursor.fetchall()


def alongside_sql() -> str:
    if connection.vendor == "postgresql":
        pairs = "SELECT * FROM unnest(%s::bigint[], %s::bigint[])"
    else:
        pairs = "SELECT json_extract(value, '$[0]'), json_extract(value, '$[1]') FROM json_each(%s)"
    return _ALONGSIDE.format(ids=ids_sql(), pairs=pairs)


def alongside(roots: Iterable[int], pairs: Sequence[tuple[int, int]] = ()) -> list[tuple[int, int]]:
    """(via, id) of everything below something that the roots came from or were touched by; via
    is that ancestor's id. `pairs` are further seeds (via < 0, lot id), for what is shared
    without lineage: a line, a knife, a pair of hands. Roots are among the ids."""
    params: list[Any] = [ids_value(roots)]
    if connection.vendor == "postgresql":
        params += [[via for via, _ in pairs], [lot for _, lot in pairs]]
    else:
        params.append(json.dumps(list(pairs)))
    with connection.cursor() as cursor:
        cursor.execute(alongside_sql(), params)
        return cursor.fetchall()
