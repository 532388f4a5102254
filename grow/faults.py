"""The recount: every invariant of the ledger looked at again, from the rows alone.

Each check returns sentences; no sentence is no fault. An invariant is guarded by the operation,
again by the database, and counted a third time here."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from django.db import connection

from . import seal, signing, touch, triggers
from .holds import HARMLESS
from .kinds import ASIDE, CANCELLING, KINDS, OWN
from .models import SOURCES, STRICT, Lineage, Lot, alive
from .months import month_faults
from .rewalk import walked_again
from .sums import sums_faults

#: Every check; the apps above add theirs.
CHECKS: list[Callable[[], Iterable[str]]] = []


def faults() -> list[str]:
    """All faults of the ledger as sentences, in the order of the checks; empty when sound."""
    return [sentence for check in CHECKS for sentence in check()]


def _rows(sql: str) -> list[tuple]:
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return cursor.fetchall()


def _list(values: Iterable[str]) -> str:
    return ", ".join(f"'{v}'" for v in sorted(values))


_SIGNED = """
    SELECT m.lot_id AS lot, m.to_place_id AS place, m.quantity AS q, m.event_id AS event
    FROM grow_movement m
    UNION ALL
    SELECT m.lot_id, m.from_place_id, -m.quantity, m.event_id FROM grow_movement m
"""
#: Events that were taken back.
_DEAD = f"""
    SELECT corrects_id FROM grow_event
    WHERE kind IN ({_list(CANCELLING)}) AND corrects_id IS NOT NULL
"""


def _check(function: Callable[[], Iterable[str]]) -> Callable[[], Iterable[str]]:
    CHECKS.append(function)
    return function


@_check
def holdings() -> Iterable[str]:
    """A holding is the sum of its movements, and knows whether it is a source."""
    for code, place, off in _rows(
        f"""
        SELECT l.code, p.name, s.q FROM (
            SELECT lot, place, SUM(q) AS q FROM (
                SELECT lot, place, q FROM ({_SIGNED}) AS signed
                UNION ALL SELECT lot_id, place_id, -quantity FROM grow_holding
            ) AS both_sides GROUP BY lot, place HAVING SUM(q) <> 0
        ) AS s JOIN grow_lot l ON l.id = s.lot JOIN grow_place p ON p.id = s.place
        """
    ):
        yield f"Holding of {code} in {place} differs from its movements by {off}."
    for code, place in _rows(
        f"""
        SELECT l.code, p.name FROM grow_holding h
        JOIN grow_lot l ON l.id = h.lot_id JOIN grow_place p ON p.id = h.place_id
        WHERE h.source <> (p.kind IN ({_list(SOURCES)}))
        """
    ):
        yield f"Holding of {code} in {place} is wrong about being a source."


@_check
def below_zero() -> Iterable[str]:
    """Nothing strict was ever below nought in a standing place, at any past moment."""
    for code, place, least in _rows(
        f"""
        SELECT l.code, p.name, MIN(w.run) FROM (
            SELECT s.lot, s.place, SUM(s.q) OVER (
                PARTITION BY s.lot, s.place ORDER BY e.placed_at
            ) AS run
            FROM ({_SIGNED}) AS s JOIN grow_event e ON e.id = s.event
        ) AS w JOIN grow_lot l ON l.id = w.lot JOIN grow_place p ON p.id = w.place
        WHERE p.kind NOT IN ({_list(SOURCES)}) AND l.kind IN ({_list(STRICT)}) AND w.run < 0
        GROUP BY l.code, p.name
        """
    ):
        yield f"{code} in {place} stood at {least} at a past moment."


@_check
def went_in() -> Iterable[str]:
    """What went in is exactly what moved parent → used in the run and its corrections."""
    for parent, child, edge, used in _rows(
        f"""
        SELECT a.code, b.code, SUM(t.edge), SUM(t.used) FROM (
            SELECT parent_id AS parent, child_id AS child, quantity AS edge, 0 AS used
            FROM grow_lineage WHERE kind = 'went_in' AND struck_by_id IS NULL
            UNION ALL
            SELECT s.lot, c.id, 0, s.q FROM ({_SIGNED}) AS s
            JOIN grow_place p ON p.id = s.place AND p.kind = 'used'
            JOIN grow_event e ON e.id = s.event
            LEFT JOIN grow_event f ON f.id = e.corrects_id
            JOIN grow_lot c ON c.kind = 'pack'
                AND c.made_by_id = COALESCE(f.corrects_id, e.corrects_id, e.id)
        ) AS t JOIN grow_lot a ON a.id = t.parent JOIN grow_lot b ON b.id = t.child
        GROUP BY a.code, b.code HAVING SUM(t.edge) <> SUM(t.used)
        """
    ):
        yield f"{edge} of {parent} went into {child} by its edge, {used} by its movements."


@_check
def making() -> Iterable[str]:
    """Every lot has the event that made it, and what is moved by quantity came out of a source
    in that event, in the unit of its kind."""
    for (code,) in _rows(
        """
        SELECT l.code FROM grow_lot l LEFT JOIN grow_event e ON e.id = l.made_by_id
        WHERE e.id IS NULL
        """
    ):
        yield f"{code} has no event that made it."
    for (code,) in _rows(
        f"""
        SELECT l.code FROM grow_lot l WHERE l.kind IN ({_list(STRICT)}) AND NOT EXISTS (
            SELECT 1 FROM grow_movement m JOIN grow_place p ON p.id = m.from_place_id
            WHERE m.event_id = l.made_by_id AND m.lot_id = l.id AND p.kind IN ({_list(SOURCES)})
        ) AND EXISTS (SELECT 1 FROM grow_event e WHERE e.id = l.made_by_id)
        """
    ):
        yield f"{code} came from nowhere: its making moved nothing out of a source."
    for code, kind, unit in _rows(
        """
        SELECT code, kind, unit FROM grow_lot
        WHERE NOT ((kind IN ('harvest', 'produce') AND unit = 'g')
            OR (kind = 'batch' AND unit = 'each')
            OR (kind = 'pack' AND unit = 'each' AND grams_each > 0)
            OR kind IN ('input', 'water', 'treatment'))
        """
    ):
        yield f"{code} is a {kind} measured in {unit}."


@_check
def touched() -> Iterable[str]:
    """Touched edges are what the dated records say, no more and no fewer."""
    have: dict[int, set[int]] = {}
    for parent, child in Lineage.objects.filter(kind=Lineage.Kind.TOUCHED).values_list(
        "parent_id", "child_id"
    ):
        have.setdefault(child, set()).add(parent)
    lots = Lot.objects.filter(alive("made_by"), kind__in=touch.TOUCHABLE).select_related("made_by")
    codes: dict[int, str] = {}

    def code(pk: int) -> str:
        if pk not in codes:
            codes[pk] = Lot.objects.values_list("code", flat=True).get(pk=pk)
        return codes[pk]

    for some in touch.batched(lots.order_by("id").iterator(chunk_size=touch.MANY), touch.MANY):
        wanted = touch.exposures_of(some)
        for lot in some:
            want, found = wanted[lot.pk], have.pop(lot.pk, set())
            for parent in sorted(want - found):
                yield f"{code(parent)} touched {lot.code} and no edge says so."
            for parent in sorted(found - want):
                yield f"An edge says that {code(parent)} touched {lot.code}; the records do not."
    for child, parents in have.items():
        yield f"{code(child)} is cancelled or cannot be touched; {len(parents)} edges say it was."
    for (name,) in _rows(
        f"""
        SELECT c.code FROM grow_lineage e JOIN grow_lot c ON c.id = e.child_id
        WHERE e.kind <> 'touched' AND c.made_by_id IN ({_DEAD})
        """
    ):
        yield f"{name} was cancelled and still has an edge."
    # a packet recorded in error touches what somebody says, since, that it was open beside
    for parent, child in _rows(
        f"""
        SELECT p.code, c.code FROM grow_lineage e
        JOIN grow_lot p ON p.id = e.parent_id JOIN grow_lot c ON c.id = e.child_id
        JOIN grow_event x ON x.corrects_id = p.made_by_id AND x.kind IN ({_list(CANCELLING)})
        WHERE e.kind = 'touched'
          AND NOT EXISTS (SELECT 1 FROM grow_inuse u
                          WHERE u.lot_id = p.id AND u.began_by_id > x.id)
          AND NOT EXISTS (SELECT 1 FROM grow_event_inputs n
                          WHERE n.lot_id = p.id AND n.event_id > x.id)
        """
    ):
        yield f"{parent} was cancelled and is still said to touch {child}."


@_check
def plantings() -> Iterable[str]:
    """One planting at a time on a site; plants on a tower are its plantings."""
    for tower, tier, position in _rows(
        """
        SELECT p.name, s.tier, s.position FROM (
            SELECT site_id, began_at,
                   LAG(ended_at) OVER w AS before_end,
                   LAG(id) OVER w AS before_id
            FROM grow_planting WINDOW w AS (PARTITION BY site_id ORDER BY began_at, id)
        ) AS t JOIN grow_plantsite s ON s.id = t.site_id JOIN grow_place p ON p.id = s.tower_id
        WHERE t.before_id IS NOT NULL AND (t.before_end IS NULL OR t.before_end > t.began_at)
        """
    ):
        yield f"Two plantings stood on {tower} {tier}/{position} at once."
    for code, tower, plants, standing in _rows(
        """
        SELECT l.code, p.name, SUM(t.held), SUM(t.stand) FROM (
            SELECT h.lot_id AS lot, h.place_id AS place, h.quantity AS held, 0 AS stand
            FROM grow_holding h
            JOIN grow_place p ON p.id = h.place_id AND p.kind = 'tower'
            JOIN grow_lot l ON l.id = h.lot_id AND l.kind = 'batch'
            UNION ALL
            SELECT g.batch_id, s.tower_id, 0, 1 FROM grow_planting g
            JOIN grow_plantsite s ON s.id = g.site_id
            WHERE g.ended_by_id IS NULL AND g.blocked_by_id IS NULL
        ) AS t JOIN grow_lot l ON l.id = t.lot JOIN grow_place p ON p.id = t.place
        GROUP BY l.code, p.name HAVING SUM(t.held) <> SUM(t.stand)
        """
    ):
        yield f"{tower} holds {plants} plants of {code}, but {standing} of its sites bear it."


@_check
def told() -> Iterable[str]:
    """Every event that somebody recorded keeps what was told, and is of a known kind."""
    for pk, kind in _rows(
        "SELECT id, kind FROM grow_event WHERE told IS NULL AND because_of_id IS NULL"
    ):
        yield f"Event {pk} ({kind}) has lost what was told."
    known = [*KINDS, *OWN, *ASIDE]
    for pk, kind in _rows(f"SELECT id, kind FROM grow_event WHERE kind NOT IN ({_list(known)})"):
        yield f"Event {pk} is of a kind nobody knows: {kind}."


@_check
def missing_triggers() -> Iterable[str]:
    for name in sorted(triggers.wanted().keys() - triggers.present()):
        yield f"Trigger {name} is missing; run migrate to install it."


@_check
def breaches() -> Iterable[str]:
    """What moved while it was held is either harmless or listed as a breach."""
    for code, place, kind in _rows(
        f"""
        SELECT DISTINCT l.code, p.name, e.kind FROM grow_hold h
        JOIN grow_movement m ON m.lot_id = h.lot_id
        JOIN grow_event e ON e.id = m.event_id
        JOIN grow_lot l ON l.id = m.lot_id
        JOIN grow_place p ON p.id = m.to_place_id
        JOIN grow_place f ON f.id = m.from_place_id
        WHERE h.began_at <= e.placed_at AND (h.ended_at IS NULL OR h.ended_at > e.placed_at)
          AND h.began_by_id < e.id
          AND e.corrects_id IS NULL AND e.because_of_id IS NULL AND l.made_by_id <> e.id
          AND e.id NOT IN ({_DEAD})
          AND p.kind NOT IN ({_list(HARMLESS)}) AND f.kind <> 'transit'
          AND NOT EXISTS (
              SELECT 1 FROM grow_flag g
              WHERE g.event_id = e.id AND g.lot_id = l.id AND g.kind = 'breach'
          )
        """
    ):
        yield f"{code} was held and went to {place} ({kind}) without a breach entry."


CHECKS.append(seal.seals)
CHECKS.append(sums_faults)
CHECKS.append(month_faults)
CHECKS.append(walked_again)
CHECKS.append(signing.faults)

__all__ = ["CHECKS", "faults"]
