"""The recounts of this app: a run's sums against what moved, money against what it was for."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from django.db import connection
from django.db.models import Sum

from grow.faults import CHECKS
from grow.models import alive

from . import recall_scope
from .models import PackingRun, Recall, Statement
from .pricing import worth
from .statements import money, stated

#: Net grams (packs, for the run's own lot) by run and by the kind of place at the other end. A
#: movement belongs to a run when its event made it, corrects it, or takes such a correction back.
_MOVED = """
    SELECT run, part, SUM(q), SUM(opened) FROM (
        SELECT own.id AS run,
               CASE WHEN m.lot_id = own.id THEN 'own ' || s.kind ELSE s.kind END AS part,
               s.sign * m.quantity
                   * CASE WHEN m.lot_id = own.id THEN 1 ELSE COALESCE(l.grams_each, 1) END AS q,
               CASE WHEN l.kind = 'pack' AND m.lot_id <> own.id THEN 1 ELSE 0 END AS opened
        FROM grow_movement m
        JOIN grow_event e ON e.id = m.event_id
        LEFT JOIN grow_event c ON c.id = e.corrects_id
        JOIN grow_lot own ON own.kind = 'pack'
            AND own.made_by_id = COALESCE(c.corrects_id, e.corrects_id, e.id)
        JOIN grow_lot l ON l.id = m.lot_id
        JOIN (SELECT id, kind, 1 AS sign FROM grow_place
              UNION ALL SELECT id, kind, -1 FROM grow_place) AS s
            ON s.id = CASE WHEN s.sign = 1 THEN m.to_place_id ELSE m.from_place_id END
        WHERE s.kind IN ('used', 'compost', 'sample', 'giveaway', 'moisture', 'water_scale',
                         'packing')
    ) AS parts GROUP BY run, part
"""
_LOSSES = {
    "compost": "trim_g",
    "giveaway": "giveaway_g",
    "sample": "samples_g",
    "moisture": "moisture_g",
}


def packing_balance() -> Iterable[str]:
    """packs, grams in, gain, trim, samples, giveaway and moisture of each live run are what its
    event and its corrections moved. Opened bags count at their nominal weight, and what was lost
    of them is in the run's sums only."""
    moved: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    opened: set[int] = set()
    with connection.cursor() as cursor:
        cursor.execute(_MOVED)
        for run, part, quantity, bags in cursor.fetchall():
            moved[run][part] = int(quantity)
            if bags:
                opened.add(run)
    live = PackingRun.objects.filter(alive("lot__made_by"))
    for run in live.select_related("lot").iterator(chunk_size=2000):
        parts = moved[run.pk]
        made = -parts["own packing"]
        if run.packs != made:
            yield f"Run {run.lot.code} says {run.packs} packs; {made} moved out of packing."
        gained = -parts["water_scale"]
        took = parts["used"] + sum(parts[kind] for kind in _LOSSES) - gained
        if (run.grams_in, run.gain_g) != (took, gained):
            yield (
                f"Run {run.lot.code} says {run.grams_in} g in and {run.gain_g} g gained; its "
                f"crates gave {took} g and water and scale {gained} g."
            )
        for kind, name in _LOSSES.items():
            said = getattr(run, name)
            if said != parts[kind] and not (run.pk in opened and name == "trim_g"):
                yield f"Run {run.lot.code} says {said} g of {name}; {parts[kind]} g moved."


#: What the books worked out for a row of a till, of one lot: packs or grams, and pence.
_ROWS = """
    SELECT e.corrects_id, l.code, l.unit, MIN(y.unit_pence), MAX(y.unit_pence), SUM(y.pence),
           SUM(CASE WHEN p.kind = 'sold' THEN m.quantity ELSE -m.quantity END)
    FROM grow_event e
    JOIN grow_movement m ON m.event_id = e.id
    JOIN sales_money y ON y.movement_id = m.id
    JOIN grow_lot l ON l.id = m.lot_id
    JOIN grow_place p ON p.id = m.to_place_id
    WHERE e.kind = 'worked_out_sale'
    GROUP BY e.corrects_id, e.told, l.id, l.code, l.unit
"""
#: The money of an act that was taken back, with its corrections' and that of what took it back.
_TAKEN_BACK = """
    WITH gone AS (SELECT id, corrects_id FROM grow_event WHERE kind IN ('cancel', 'undo')),
    act(gone, corrected, event) AS (
        SELECT id, corrects_id, corrects_id FROM gone
        UNION SELECT g.id, g.corrects_id, e.id FROM gone g
            JOIN grow_event e ON e.corrects_id = g.corrects_id
        UNION SELECT g.id, g.corrects_id, e.id FROM gone g
            JOIN grow_event f ON f.corrects_id = g.corrects_id
            JOIN grow_event e ON e.corrects_id = f.id
    )
    SELECT a.corrected, SUM(y.pence)
    FROM act a
    JOIN grow_movement m ON m.event_id = a.event
    JOIN sales_money y ON y.movement_id = m.id
    GROUP BY a.gone, a.corrected HAVING SUM(y.pence) <> 0
"""


def money_balance() -> Iterable[str]:
    """A row of a till costs what its lots are worth at its one price, however often the books
    walked it; what was taken back costs nothing."""
    with connection.cursor() as cursor:
        cursor.execute(_ROWS)
        for event, code, unit, least, most, pence, quantity in cursor.fetchall():
            if least != most or int(pence) != worth(int(quantity), unit, least):
                yield (
                    f"Till entry {event} has {pence} p for {quantity} of {code} at {least} to "
                    f"{most} p."
                )
        cursor.execute(_TAKEN_BACK)
        for event, pence in cursor.fetchall():
            yield f"Entry {event} was taken back, and {pence} p of it still stand."


def statements_as_issued() -> Iterable[str]:
    """The lines that an issued statement keeps come to the money that was told by then."""
    for issued in Statement.objects.select_related("outlet__place"):
        if issued.stated:
            says = sum(line["pence"] for line in issued.stated["lines"])
            rows = money(issued.outlet, issued.first, *stated(issued.outlet, issued.first))
            told = rows.aggregate(told=Sum("pence"))["told"] or 0
            if says != told:
                yield f"Statement {issued.number} says {says} p; the books had {told} p then."


def recall_lists() -> Iterable[str]:
    """What came of a lot on an open recall is on its list, or was narrowed out of it; what stands
    on it is held."""
    for recall in Recall.objects.filter(closed_by=None, is_mock=False):
        for edge in recall_scope.missing(recall).select_related("parent", "child"):
            yield f"{edge.child} came from {edge.parent} and is not on recall {recall}."
        for row in recall_scope.unheld(recall).select_related("lot"):
            yield f"{row.lot} is on recall {recall} and not held."


CHECKS += [recall_lists, packing_balance, money_balance, statements_as_issued]
