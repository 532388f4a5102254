"""Who came from whom: one recursive query up or down. UNION, never UNION ALL, and no column
for depth: rework makes diamonds, and either would visit every path instead of every lot."""

from collections.abc import Iterable

from django.db import connection

_DOWN = """
WITH RECURSIVE t(id) AS (
    SELECT id FROM grow_lot WHERE id IN ({roots})
    UNION
    SELECT e.child_id FROM t JOIN grow_lineage e ON e.parent_id = t.id
    WHERE e.cleared_by_id IS NULL
)
SELECT id FROM t
"""
_UP = _DOWN.replace("e.child_id", "e.PARENT").replace("e.parent_id", "e.child_id").replace(
    "e.PARENT", "e.parent_id"
)


def sql(direction: str, roots: int) -> str:
    """The text of the query, for the report that builds on it and for the plan test."""
    text = _DOWN if direction == "down" else _UP
    return text.format(roots=", ".join(["%s"] * roots))


def _walk(direction: str, roots: Iterable[int]) -> set[int]:
    ids = list(roots)
    found: set[int] = set()
    for start in range(0, len(ids), 500):  # SQLite takes so many parameters and no more
        part = ids[start : start + 500]
        with connection.cursor() as cursor:
            cursor.execute(sql(direction, len(part)), part)
            found.update(row[0] for row in cursor.fetchall())
    return found


def below(roots: Iterable[int]) -> set[int]:
    """Ids of the lots and of everything made from them or touched by them."""
    return _walk("down", roots)


def above(roots: Iterable[int]) -> set[int]:
    """Ids of the lots and of everything that they came from or that touched them."""
    return _walk("up", roots)
