"""The recount of a run: its sums against what moved."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import connection

from grow.faults import CHECKS

def packing_balance() -> Iterable[str]:
    """packs, grams in, gain, trim, samples, giveaway and moisture of each live run are what its
    event and its corrections moved. Opened bags count at their nominal weight."""
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT code, packs, made, grams_in, took, gain_g, gained, opened,
                   trim_g, trim, giveaway_g, giveaway, samples_g, sample, moisture_g, moisture
            FROM (
                SELECT own.code, r.packs, r.grams_in, r.gain_g, r.trim_g, r.giveaway_g,
                       r.samples_g, r.moisture_g,
                       COALESCE(SUM(CASE WHEN m.lot_id <> r.lot_id THEN 0
                            WHEN f.kind = 'packing' THEN m.quantity
                            WHEN t.kind = 'packing' THEN -m.quantity ELSE 0 END), 0) AS made,
                       COALESCE(SUM(CASE WHEN m.lot_id = r.lot_id THEN 0
                            WHEN f.kind = 'water_scale' THEN m.quantity
                            WHEN t.kind = 'water_scale' THEN -m.quantity ELSE 0 END), 0) AS gained,
                       COALESCE(SUM(CASE WHEN m.lot_id = r.lot_id THEN 0
                            WHEN t.kind IN ('used', 'compost', 'sample', 'giveaway', 'moisture')
                            THEN m.quantity * COALESCE(l.grams_each, 1)
                            WHEN f.kind IN ('used', 'compost', 'sample', 'giveaway', 'moisture')
                            THEN -m.quantity * COALESCE(l.grams_each, 1) ELSE 0 END), 0) AS took,
                       COALESCE(SUM(CASE WHEN l.kind = 'pack' AND m.lot_id <> r.lot_id
                            THEN 1 ELSE 0 END), 0) AS opened,
                       COALESCE(SUM(CASE WHEN m.lot_id = r.lot_id THEN 0
                            WHEN t.kind = 'compost' THEN m.quantity
                            WHEN f.kind = 'compost' THEN -m.quantity ELSE 0 END), 0) AS trim,
                       COALESCE(SUM(CASE WHEN m.lot_id = r.lot_id THEN 0
                            WHEN t.kind = 'giveaway' THEN m.quantity
                            WHEN f.kind = 'giveaway' THEN -m.quantity ELSE 0 END), 0) AS giveaway,
                       COALESCE(SUM(CASE WHEN m.lot_id = r.lot_id THEN 0
                            WHEN t.kind = 'sample' THEN m.quantity
                            WHEN f.kind = 'sample' THEN -m.quantity ELSE 0 END), 0) AS sample,
                       COALESCE(SUM(CASE WHEN m.lot_id = r.lot_id THEN 0
                            WHEN t.kind = 'moisture' THEN m.quantity
                            WHEN f.kind = 'moisture' THEN -m.quantity ELSE 0 END), 0) AS moisture
                FROM sales_packingrun r
                JOIN grow_lot own ON own.id = r.lot_id
                JOIN grow_event e ON e.id = own.made_by_id OR e.corrects_id = own.made_by_id
                JOIN grow_movement m ON m.event_id = e.id
                JOIN grow_lot l ON l.id = m.lot_id
                JOIN grow_place f ON f.id = m.from_place_id
                JOIN grow_place t ON t.id = m.to_place_id
                WHERE own.made_by_id NOT IN (
                    SELECT corrects_id FROM grow_event
                    WHERE kind IN ('cancel', 'undo') AND corrects_id IS NOT NULL
                )
                GROUP BY own.code, r.packs, r.grams_in, r.gain_g, r.trim_g, r.giveaway_g,
                         r.samples_g, r.moisture_g
            ) AS s
            """
        )
        for row in cursor.fetchall():
            code, packs, made, grams_in, took, gain, gained, opened, *losses = row
            if packs != made:
                yield f"Run {code} says {packs} packs; {made} moved out of packing."
            if opened:
                continue  # what is lost of opened bags is in the run's sums only
            if grams_in != took - gained or gain != gained:
                yield (
                    f"Run {code} says {grams_in} g in and {gain} g gained; its crates gave "
                    f"{took - gained} g and water and scale {gained} g."
                )
            names = ("trim", "giveaway", "samples", "moisture")
            for name, said, moved in zip(names, losses[::2], losses[1::2], strict=True):
                if said != moved:
                    yield f"Run {code} says {said} g of {name}; {moved} g moved."


CHECKS.append(packing_balance)
