"""The figures by pandas: the columns that each needs, loaded from the database and grouped. No
Django in it: its memory is measured in a process of its own."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy
import pandas
from pandas import DataFrame as Frame

#: (names, rows) of a question
Ask = Callable[[str], tuple[list[str], list[tuple[Any, ...]]]]

EATEN = ["harvest", "pack", "produce"]
GONE = ["sold", "served", "buyer"]


def seconds(vendor: str, moment: str) -> str:
    """Whole seconds since 1970, in a database's SQL."""
    if vendor == "postgresql":
        return f"FLOOR(EXTRACT(EPOCH FROM {moment}))::bigint"
    return f"CAST(strftime('%s', {moment}) AS INTEGER)"


class ByPandas:
    """months and tariff as `by_duckdb.ByDuckdb` has them."""

    def __init__(self, ask: Ask, vendor: str, months: list, tariff: list) -> None:
        self._ask, self._seconds = ask, partial(seconds, vendor)
        self.months = Frame(months, columns=["month", "since", "until", "first", "last"])
        self.tariff = Frame(tariff, columns=["line", "counted", "month", "pence"])

    def load(self, table: str, columns: str) -> Frame:
        names, rows = self._ask(f"SELECT {columns} FROM {table}")
        return Frame(rows, columns=names)

    # --- what several of them need

    def moved(self, kinds: list[str], *, acts: bool = False) -> Frame:
        """Movements of kinds of lot: month, day, lot, kind, crop, a → b, quantity, grams."""
        own = "id, event_id, lot_id, from_place_id, to_place_id, quantity, day"
        rows = self.load("grow_movement", own)
        lots = self.load("grow_lot", "id AS lot_id, kind, crop_id, grams_each")
        places = self.load("grow_place", "id, kind").set_index("id").kind
        rows = rows.merge(lots[lots.kind.isin(kinds)], on="lot_id")
        rows["a"], rows["b"] = rows.from_place_id.map(places), rows.to_place_id.map(places)
        rows["grams"] = rows.quantity * rows.grams_each.fillna(1).astype(int)
        rows["month"] = rows.day // 100
        if acts:
            events = self.load("grow_event", "id, kind").set_index("id").kind
            rows["act"] = rows.event_id.map(events)
        return rows

    def shares(self) -> Frame:
        """What went into each run: lot, crop, its grams, the whole."""
        edges = self.load(
            "grow_lineage", "parent_id, child_id AS lot_id, kind, quantity, struck_by_id"
        )
        edges = edges[(edges.kind == "went_in") & edges.struck_by_id.isna()]
        lots = self.load("grow_lot", "id AS parent_id, crop_id, grams_each")
        edges = edges.merge(lots, on="parent_id")
        edges["share"] = edges.quantity.astype(int) * edges.grams_each.fillna(1).astype(int)
        out = edges.groupby(["lot_id", "crop_id"], as_index=False).share.sum()
        out["whole"] = out.groupby("lot_id").share.transform("sum")
        return out

    def stood(self) -> Frame:
        """Month, crop, site-seconds."""
        began, ended = self._seconds("began_at"), self._seconds("ended_at")
        rows = self.load("grow_planting", f"batch_id, {began} AS began_s, {ended} AS ended_s")
        crops = self.load("grow_lot", "id, crop_id").set_index("id").crop_id
        rows["crop_id"] = rows.batch_id.map(crops)
        rows["ended_s"] = rows.ended_s.astype(float).fillna(numpy.inf)
        out = []
        for month in self.months.itertuples():
            held = rows.ended_s.clip(upper=month.until) - rows.began_s.clip(lower=month.since)
            of = held.clip(lower=0).groupby(rows.crop_id).sum()
            out.append(Frame({"month": month.month, "crop_id": of.index, "seconds": of.values}))
        return pandas.concat(out)

    # --- the four

    def yields(self) -> Frame:
        """month, crop_id, cut, sold, seconds"""
        rows = self.moved(EATEN)
        harvest = rows.kind == "harvest"
        rows["cut"] = (harvest & (rows.a == "growth") & (rows.b != "compost")) * 1 - (
            harvest & (rows.b == "growth") & (rows.a != "compost")
        ) * 1
        rows["sold"] = rows.b.isin(GONE) * 1 - rows.a.isin(GONE) * 1
        rows = rows[(rows.cut != 0) | (rows.sold != 0)]
        mixed = rows[rows.crop_id.isna()].drop(columns="crop_id").merge(self.shares(), on="lot_id")
        exact = mixed.grams * mixed.share
        mixed["rest"], mixed["of_row"] = exact % mixed.whole, mixed.grams
        mixed["grams"] = exact // mixed.whole
        mixed = mixed.sort_values(["id", "rest", "crop_id"], ascending=[True, False, True])
        by_row = mixed.groupby("id")
        mixed["left"] = mixed.of_row - by_row.grams.transform("sum")
        mixed["grams"] += (by_row.cumcount() < mixed.left) * 1
        rows = pandas.concat([rows[rows.crop_id.notna()], mixed])
        for name in ("cut", "sold"):
            rows[name] *= rows.grams
        out = rows.groupby(["month", "crop_id"], as_index=False)[["cut", "sold"]].sum()
        return out.merge(self.stood(), on=["month", "crop_id"], how="outer").fillna(0)

    def waste(self) -> Frame:
        """month, kind, act, a, b, grams"""
        by = ["month", "kind", "act", "a", "b"]
        return self.moved(EATEN, acts=True).groupby(by, as_index=False).grams.sum()

    def margin(self) -> Frame:
        """month, crop_id, line (or outlet), pence, before any rounding"""
        rows = self.moved(["batch", "harvest", "pack", "produce"], acts=True)
        shares = self.shares()
        money = self.load("sales_money", "movement_id AS id, outlet_id, pence")
        paid = money.merge(rows, on="id")
        paid = paid.groupby(["month", "outlet_id", "lot_id"], as_index=False).agg(
            {"pence": "sum", "crop_id": "first"}
        )
        mixed = paid[paid.crop_id.isna()].drop(columns="crop_id").merge(shares, on="lot_id")
        mixed["pence"] = mixed.pence * mixed.share / mixed.whole
        paid = pandas.concat([paid[paid.crop_id.notna()], mixed])
        paid["line"] = paid.outlet_id.astype(str)
        columns = ["month", "crop_id", "line", "pence"]
        runs = rows[(rows.kind == "pack") & ((rows.a == "packing") | (rows.b == "packing"))]
        packs = runs.quantity.where(runs.a == "packing", -runs.quantity)
        runs = runs.assign(packs=packs)[["month", "lot_id", "packs"]].merge(shares, on="lot_id")
        runs = runs.merge(
            self.load("sales_packingrun", "lot_id, product_id, washed, grams_in"), on="lot_id"
        )
        runs["n"] = runs.packs * runs.share / runs.whole
        washed = runs[runs.washed.astype(bool)]
        counts = [
            *self._grown(rows),
            runs.assign(counted="packs"),
            runs.assign(counted="packs of " + runs.product_id.astype(str)),
            washed.assign(counted="washed_g", n=washed.grams_in * washed.share / washed.whole),
        ]
        spent = pandas.concat([c[["month", "crop_id", "counted", "n"]] for c in counts])
        spent = spent.merge(self.tariff, on=["counted", "month"])
        spent["pence"] *= spent.n
        found = pandas.concat([paid[columns], spent[columns]])
        return found.groupby(["month", "crop_id", "line"], as_index=False).pence.sum()

    def _grown(self, rows: Frame) -> list[Frame]:
        batch, cut = rows[rows.kind == "batch"], rows[rows.kind == "harvest"]
        cut = cut[(cut.a == "growth") | (cut.b == "growth")]
        tower = (batch.a == "tower") | (batch.b == "tower")
        sown = batch[batch.act == "sow"]
        planted = batch[(batch.act == "transplant") & tower]
        planted = planted[(planted.a != "compost") & (planted.b != "compost")]
        cleared = batch[(batch.act == "clear") & tower]
        out = [
            rows.assign(counted=name, n=rows.quantity.where(forth, -rows.quantity))
            for name, rows, forth in (
                ("cut_g", cut, cut.a == "growth"),
                ("cells", sown, sown.a == "growth"),
                ("planted", planted, planted.a != "tower"),
                ("cleared", cleared, cleared.a == "tower"),
            )
        ]
        shelf = batch[(batch.a == "shelf") != (batch.b == "shelf")]
        change = shelf.quantity.where(shelf.b == "shelf", -shelf.quantity)
        on = pandas.to_datetime(shelf.day.astype(str))
        for month in self.months.itertuples():
            last, first = pandas.Timestamp(month.last), pandas.Timestamp(month.first)
            nights = (last - on.clip(lower=first)).dt.days.clip(lower=-1) + 1
            lit = (change * nights).groupby(shelf.crop_id).sum()
            out.append(
                Frame(
                    {
                        "month": month.month,
                        "crop_id": lit.index,
                        "counted": "lit_cell_days",
                        "n": lit.values,
                    }
                )
            )
        return out

    def per_site_day(self) -> tuple[Frame, Frame]:
        """The margin, and month, crop_id, seconds."""
        return self.margin(), self.stood()


def alone(given: dict[str, Any]) -> None:
    """All four, with what is given as JSON."""
    driver: Any = importlib.import_module(
        "psycopg" if given["vendor"] == "postgresql" else "sqlite3"
    )
    with driver.connect(**given["reach"]) as database:

        def ask(sql: str) -> tuple[list[str], list[tuple]]:
            cursor = database.cursor()
            cursor.execute(sql)
            return [column[0] for column in cursor.description], cursor.fetchall()

        way = ByPandas(ask, given["vendor"], given["months"], given["tariff"])
        for answer in (way.yields, way.waste, way.margin, way.per_site_day):
            answer()
