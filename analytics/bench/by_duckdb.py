"""The figures by DuckDB, of a Parquet copy of the tables made beforehand. No Django in it: its
memory is measured in a process of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import duckdb

#: (month, crop, …) rows
Answer = list[tuple[Any, ...]]

#: Table → its columns that the figures need.
TABLES = {
    "grow_movement": "id, event_id, lot_id, from_place_id, to_place_id, quantity, day",
    "grow_event": "id, kind",
    "grow_lot": "id, kind, crop_id, grams_each",
    "grow_place": "id, kind",
    "grow_lineage": "parent_id, child_id, kind, quantity, struck_by_id",
    "grow_planting": "batch_id, {began_at} AS began_s, {ended_at} AS ended_s",
    "sales_money": "movement_id, outlet_id, pence",
    "sales_packingrun": "lot_id, product_id, washed, grams_in",
}


def copied(
    ask: Callable[[str], tuple[list[str], list[tuple]]], seconds: Callable[[str], str], folder: Path
) -> None:
    """Write the copy. ask gives the names and the rows of a question; seconds turns a moment into
    whole seconds since 1970 in the database's SQL."""
    import pandas  # the copy is no part of what is measured

    moments = {name: seconds(name) for name in ("began_at", "ended_at")}
    with duckdb.connect() as to:
        for table, columns in TABLES.items():
            names, rows = ask(f"SELECT {columns.format(**moments)} FROM {table}")
            frame = pandas.DataFrame(rows, columns=names).convert_dtypes()
            to.register("frame", frame)
            to.execute(f"COPY frame TO '{folder / table}.parquet' (FORMAT parquet)")
            to.unregister("frame")


class ByDuckdb:
    """months: (yyyymm, first moment, first moment after it, first day, last day) with moments in
    seconds; tariff: (line, what is counted, yyyymm, pence a unit)."""

    def __init__(self, folder: Path, months: Iterable[tuple], tariff: Iterable[tuple]) -> None:
        self.duck = duckdb.connect()
        for table in TABLES:
            self.duck.execute(f"CREATE VIEW {table} AS SELECT * FROM '{folder / table}.parquet'")
        self.duck.execute(
            "CREATE TABLE months (month INT, since BIGINT, until BIGINT, first DATE, last DATE)"
        )
        self.duck.executemany("INSERT INTO months VALUES (?, ?, ?, ?, ?)", list(months))
        self.duck.execute("CREATE TABLE tariff (line TEXT, counted TEXT, month INT, pence DOUBLE)")
        self.duck.executemany("INSERT INTO tariff VALUES (?, ?, ?, ?)", list(tariff))

    def run(self, sql: str) -> Answer:
        return self.duck.execute(sql).fetchall()

    def yields(self) -> Answer:
        """(month, crop, grams cut, grams sold or used, site-seconds)"""
        return self.run(_YIELDS)

    def waste(self) -> Answer:
        """(month, lot kind, act, from, to, grams)"""
        return self.run(_WASTE)

    def margin(self) -> Answer:
        """(month, crop, outlet or line, pence)"""
        return self.run(_MARGIN)

    def per_site_day(self) -> tuple[Answer, Answer]:
        """The margin, and (month, crop, site-seconds)."""
        return self.run(_MARGIN), self.run(f"SELECT month, crop_id, seconds FROM ({_STOOD})")


#: What went into each run: grams by crop, and all of it.
_SHARES = """
    SELECT e.child_id AS lot_id, p.crop_id AS crop_id,
           SUM(e.quantity * COALESCE(p.grams_each, 1)) AS grams,
           SUM(SUM(e.quantity * COALESCE(p.grams_each, 1))) OVER (PARTITION BY e.child_id) AS whole
    FROM grow_lineage e JOIN grow_lot p ON p.id = e.parent_id
    WHERE e.kind = 'went_in' AND e.struck_by_id IS NULL
    GROUP BY e.child_id, p.crop_id
"""
_STOOD = """
    SELECT m.month, l.crop_id, SUM(LEAST(COALESCE(p.ended_s, m.until), m.until)
                                   - GREATEST(p.began_s, m.since)) AS seconds
    FROM grow_planting p JOIN grow_lot l ON l.id = p.batch_id
    JOIN months m ON p.began_s < m.until AND (p.ended_s IS NULL OR p.ended_s > m.since)
    GROUP BY ALL
"""
#: Whole grams of each row to crops by the largest remainder, ties to the crop named first.
_YIELDS = f"""
WITH shares AS ({_SHARES}),
went AS (
    SELECT m.day // 100 AS month, m.lot_id, l.crop_id,
           CASE WHEN l.kind = 'harvest' AND f.kind = 'growth' AND t.kind <> 'compost' THEN 1
                WHEN l.kind = 'harvest' AND t.kind = 'growth' AND f.kind <> 'compost' THEN -1
                ELSE 0 END AS cut,
           CASE WHEN t.kind IN ('sold', 'served', 'buyer') THEN 1
                WHEN f.kind IN ('sold', 'served', 'buyer') THEN -1 ELSE 0 END AS sold,
           m.quantity * COALESCE(l.grams_each, 1) AS grams, COUNT(*) AS times
    FROM grow_movement m JOIN grow_lot l ON l.id = m.lot_id
    JOIN grow_place f ON f.id = m.from_place_id JOIN grow_place t ON t.id = m.to_place_id
    WHERE l.kind IN ('harvest', 'pack', 'produce') AND
          (f.kind IN ('growth', 'sold', 'served', 'buyer')
           OR t.kind IN ('growth', 'sold', 'served', 'buyer'))
    GROUP BY ALL
),
split AS (
    SELECT w.month, s.crop_id, w.cut, w.sold, w.times, w.grams AS of_row,
           w.grams * s.grams // s.whole AS part,
           ROW_NUMBER() OVER (PARTITION BY w.month, w.lot_id, w.cut, w.sold, w.grams
               ORDER BY w.grams * s.grams % s.whole DESC, s.crop_id) AS nth,
           SUM(w.grams * s.grams // s.whole)
               OVER (PARTITION BY w.month, w.lot_id, w.cut, w.sold, w.grams) AS given
    FROM went w JOIN shares s ON s.lot_id = w.lot_id WHERE w.crop_id IS NULL
),
moved AS (
    SELECT month, crop_id, cut, sold, times, grams FROM went WHERE crop_id IS NOT NULL
    UNION ALL
    SELECT month, crop_id, cut, sold, times,
           part + CASE WHEN nth <= of_row - given THEN 1 ELSE 0 END
    FROM split
)
SELECT month, crop_id, SUM(cut_g), SUM(sold_g), SUM(seconds) FROM (
    SELECT month, crop_id, cut * times * grams AS cut_g, sold * times * grams AS sold_g,
           0 AS seconds
    FROM moved
    UNION ALL SELECT month, crop_id, 0, 0, seconds FROM ({_STOOD})
) GROUP BY month, crop_id
"""
_WASTE = """
SELECT m.day // 100, l.kind, e.kind, f.kind, t.kind, SUM(m.quantity * COALESCE(l.grams_each, 1))
FROM grow_movement m JOIN grow_lot l ON l.id = m.lot_id JOIN grow_event e ON e.id = m.event_id
JOIN grow_place f ON f.id = m.from_place_id JOIN grow_place t ON t.id = m.to_place_id
WHERE l.kind IN ('harvest', 'pack', 'produce')
GROUP BY ALL
"""
#: Pence of each outlet, and of each line of costs, before any rounding.
_MARGIN = f"""
WITH shares AS ({_SHARES}),
paid AS (
    SELECT m.day // 100 AS month, n.outlet_id, m.lot_id, l.crop_id, SUM(n.pence) AS pence
    FROM sales_money n JOIN grow_movement m ON m.id = n.movement_id
    JOIN grow_lot l ON l.id = m.lot_id
    GROUP BY ALL
),
made AS (
    SELECT m.day // 100 AS month, m.lot_id,
           SUM(CASE WHEN f.kind = 'packing' THEN m.quantity ELSE -m.quantity END) AS packs
    FROM grow_movement m JOIN grow_lot l ON l.id = m.lot_id
    JOIN grow_place f ON f.id = m.from_place_id JOIN grow_place t ON t.id = m.to_place_id
    WHERE l.kind = 'pack' AND 'packing' IN (f.kind, t.kind)
    GROUP BY ALL
),
grown AS (
    SELECT m.day, l.crop_id, l.kind, e.kind AS act, f.kind AS a, t.kind AS b,
           SUM(m.quantity) AS n
    FROM grow_movement m JOIN grow_lot l ON l.id = m.lot_id JOIN grow_event e ON e.id = m.event_id
    JOIN grow_place f ON f.id = m.from_place_id JOIN grow_place t ON t.id = m.to_place_id
    WHERE l.kind IN ('batch', 'harvest') GROUP BY ALL
),
counts AS (
    SELECT day // 100 AS month, crop_id,
           CASE WHEN kind = 'harvest' THEN 'cut_g' WHEN act = 'sow' THEN 'cells'
                WHEN act = 'transplant' THEN 'planted' ELSE 'cleared' END AS counted,
           SUM(CASE WHEN b = 'growth' OR (act = 'transplant' AND a = 'tower')
                      OR (act = 'clear' AND b = 'tower') THEN -n ELSE n END) AS n
    FROM grown
    WHERE (kind = 'harvest' AND 'growth' IN (a, b)) OR (kind = 'batch' AND (act = 'sow'
          OR (act = 'transplant' AND 'tower' IN (a, b) AND 'compost' NOT IN (a, b))
          OR (act = 'clear' AND 'tower' IN (a, b))))
    GROUP BY ALL
    UNION ALL
    SELECT m.month, g.crop_id, 'lit_cell_days',
           SUM(CASE WHEN g.b = 'shelf' THEN g.n ELSE -g.n END
               * (m.last - GREATEST(m.first, strptime(g.day::TEXT, '%Y%m%d')::DATE) + 1))
    FROM grown g JOIN months m ON strptime(g.day::TEXT, '%Y%m%d')::DATE <= m.last
    WHERE g.kind = 'batch' AND (g.a = 'shelf') <> (g.b = 'shelf') GROUP BY ALL
    UNION ALL
    SELECT d.month, s.crop_id, 'packs', SUM(d.packs * s.grams / s.whole)
    FROM made d JOIN shares s ON s.lot_id = d.lot_id GROUP BY ALL
    UNION ALL
    SELECT d.month, s.crop_id, 'packs of ' || r.product_id, SUM(d.packs * s.grams / s.whole)
    FROM made d JOIN shares s ON s.lot_id = d.lot_id JOIN sales_packingrun r ON r.lot_id = d.lot_id
    GROUP BY ALL
    UNION ALL
    SELECT d.month, s.crop_id, 'washed_g', SUM(r.grams_in * s.grams / s.whole)
    FROM made d JOIN shares s ON s.lot_id = d.lot_id JOIN sales_packingrun r ON r.lot_id = d.lot_id
    WHERE r.washed GROUP BY ALL
)
SELECT month, s.crop_id, outlet_id::TEXT, SUM(pence * s.grams / s.whole)
FROM paid p JOIN shares s ON s.lot_id = p.lot_id WHERE p.crop_id IS NULL GROUP BY ALL
UNION ALL
SELECT month, crop_id, outlet_id::TEXT, SUM(pence) FROM paid WHERE crop_id IS NOT NULL GROUP BY ALL
UNION ALL
SELECT c.month, c.crop_id, t.line, SUM(c.n * t.pence)
FROM counts c JOIN tariff t ON t.counted = c.counted AND t.month = c.month GROUP BY ALL
"""
