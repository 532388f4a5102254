"""Second sums for the figures' tests: plain SQL for the rows, plain Python for the sums.

Nothing here is imported from analytics or from grow.sums. Days are yyyymmdd, both inclusive."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from functools import cache
from math import floor
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd
from django.db import connection

from tests.told import Told

if TYPE_CHECKING:
    from analytics.period import Period

EATEN = ("harvest", "pack", "produce")
THROWN = ("compost", "feed", "landfill", "destroyed")


def rows(sql: str, *parameters: object) -> list[tuple]:
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        return cursor.fetchall()


class Row(NamedTuple):
    day: int
    event: int
    lot: int
    lot_kind: str
    crop: int | None
    start: str
    end: str
    quantity: int
    grams: int


def moved() -> list[Row]:
    return [
        Row(*r)
        for r in rows(
            "SELECT m.day, m.event_id, l.id, l.kind, l.crop_id, a.kind, b.kind, m.quantity, "
            "m.quantity * COALESCE(l.grams_each, 1) FROM grow_movement m "
            "JOIN grow_lot l ON l.id = m.lot_id JOIN grow_place a ON a.id = m.from_place_id "
            "JOIN grow_place b ON b.id = m.to_place_id"
        )
    ]


def acts() -> dict[int, str]:
    """Event → the kind of act that it is about, however often it was corrected."""
    known = {
        pk: (kind, fixes)
        for pk, kind, fixes in rows("SELECT id, kind, corrects_id FROM grow_event")
    }

    @cache
    def kind(event: int) -> str:
        own, fixes = known[event]
        return kind(fixes) if fixes and own != "worked_out_sale" else own

    return {event: kind(event) for event in known}


def grams(first: int, last: int) -> dict[str, int]:
    """Lines of the waste table, each a difference of two kinds of movement."""
    out: Counter[str] = Counter()
    for of in grams_of_lots(first, last).values():
        out.update(of)
    return dict(out)


def grams_of_lots(first: int, last: int) -> dict[int, Counter[str]]:
    about = acts()
    lots: dict[int, Counter[str]] = defaultdict(Counter)
    for r in moved():
        if r.lot_kind not in EATEN or not first <= r.day <= last:
            continue
        out = lots[r.lot]
        for end, start, sign in ((r.end, r.start, 1), (r.start, r.end, -1)):
            g = sign * r.grams
            if end == "growth":
                out["cut_g"] -= g
            elif end == "supplier":
                out["bought_in_g"] -= g
            elif end == "opening":
                out["opening_g"] -= g
            elif end == "water_scale":
                out["water_and_scale_g"] -= g
            elif end in THROWN and start == "growth":
                out["grade_out_g"] += g
            elif end in THROWN and about[r.event] in ("pack", "rework"):
                out["trim_g"] += g
            elif end in THROWN and start == "quarantine":
                out["rejected_thrown_g"] += g
            elif end in THROWN:
                out["thrown_g"] += g
            elif end == "count_difference" and about[r.event] == "receive":
                out["short_g"] += g
            elif end == "count_difference":
                out["unexplained_g"] += g
            elif end in ("sold", "sample", "giveaway", "moisture", "donated", "staff", "served"):
                out[{"sample": "samples_g", "served": "used_g"}.get(end, f"{end}_g")] += g
            elif end == "buyer":
                out["to_businesses_g"] += g
    return lots


def runs(first: int, last: int) -> dict[str, int]:
    """What the packing runs of these days say of themselves, cancelled ones apart; and the grams
    of bags that were opened into other runs."""
    names = ("gain_g", "nominal_g", "trim_g", "giveaway_g", "samples_g", "moisture_g")
    live = (
        "FROM sales_packingrun r JOIN grow_lot l ON l.id = r.lot_id "
        "JOIN grow_event e ON e.id = l.made_by_id WHERE e.day BETWEEN %s AND %s AND NOT EXISTS "
        "(SELECT 1 FROM grow_event c WHERE c.corrects_id = e.id AND c.kind IN ('cancel', 'undo'))"
    )
    ((*found,),) = rows(
        f"SELECT {', '.join(f'COALESCE(SUM(r.{name}), 0)' for name in names)} {live}", first, last
    )
    ((opened,),) = rows(
        "SELECT COALESCE(SUM(g.quantity * p.grams_each), 0) FROM grow_lineage g "
        "JOIN grow_lot p ON p.id = g.parent_id JOIN grow_event e ON e.id = g.event_id "
        "WHERE g.kind = 'went_in' AND p.kind = 'pack' AND g.struck_by_id IS NULL "
        "AND e.day BETWEEN %s AND %s",
        first,
        last,
    )
    return {name: int(n) for name, n in zip(names, found, strict=True)} | {"reworked_g": opened}


def short_on_notes() -> int:
    ((short,),) = rows(
        "SELECT SUM(n.short * COALESCE(l.grams_each, 1)) FROM sales_noteline n "
        "JOIN grow_lot l ON l.id = n.lot_id"
    )
    return int(short or 0)


def standing_now() -> int:
    ends = ("used", "sold", "served", "compost", "feed", "donated", "staff", "landfill")
    ends += ("destroyed", "sample", "giveaway", "moisture", "buyer")
    listed = ", ".join(f"'{kind}'" for kind in ends)
    ((stock,),) = rows(
        "SELECT SUM(h.quantity * COALESCE(l.grams_each, 1)) FROM grow_holding h "
        "JOIN grow_lot l ON l.id = h.lot_id JOIN grow_place p ON p.id = h.place_id "
        "WHERE l.kind IN ('harvest', 'pack', 'produce') AND h.source = %s "
        f"AND p.kind NOT IN ({listed})",
        False,
    )
    return int(stock or 0)


def cut_and_sold(first: int, last: int) -> tuple[int, int]:
    """(grams cut less grade-out, grams sold, used or gone to other businesses)."""
    found = Counter(grams(first, last))
    return found["cut_g"] - found["grade_out_g"], (
        found["sold_g"] + found["used_g"] + found["to_businesses_g"]
    )


def sold_in_fractions(
    first: int, last: int
) -> tuple[dict[int | None, Fraction], dict[int | None, int]]:
    """(exact grams sold or used by crop, how many rows each crop was in)."""
    crops = dict(rows("SELECT id, crop_id FROM grow_lot"))
    each = dict(rows("SELECT id, COALESCE(grams_each, 1) FROM grow_lot"))
    above: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for child, parent, quantity in rows(
        "SELECT child_id, parent_id, quantity FROM grow_lineage "
        "WHERE kind IN ('went_in', 'grew') AND struck_by_id IS NULL"
    ):
        above[child].append((parent, quantity * each[parent]))

    @cache
    def made_of(lot: int) -> tuple[tuple[int | None, Fraction], ...]:
        parents = above.get(lot)
        whole = sum(q for _, q in parents) if parents else 0
        if not parents or not whole:
            return ((crops[lot], Fraction(1)),)
        out: dict[int | None, Fraction] = defaultdict(Fraction)
        for parent, quantity in parents:
            for crop, part in made_of(parent):
                out[crop] += part * Fraction(quantity, whole)
        return tuple(out.items())

    exact: dict[int | None, Fraction] = defaultdict(Fraction)
    times: Counter[int | None] = Counter()
    hands = ("sold", "served", "buyer")
    for r in moved():
        sign = (r.end in hands) - (r.start in hands)
        if r.lot_kind in EATEN and sign and first <= r.day <= last:
            for crop, part in made_of(r.lot):
                exact[crop] += sign * part * r.grams
                times[crop] += 1
    return dict(exact), dict(times)


def _moment(value: object) -> dt.datetime:
    if isinstance(value, str):
        value = dt.datetime.fromisoformat(value)
    assert isinstance(value, dt.datetime)
    return value if value.tzinfo else value.replace(tzinfo=dt.UTC)


def sites_and_seconds(
    start: dt.datetime, end: dt.datetime
) -> tuple[dict[int | None, int], dict[int | None, int]]:
    """(plant sites once a batch, seconds that sites were held, blocked ones too) by crop."""
    sites: dict[int | None, set[tuple[int, int]]] = defaultdict(set)
    seconds: Counter[int | None] = Counter()
    for crop, batch, site, blocked_by, began, ended in rows(
        "SELECT l.crop_id, p.batch_id, p.site_id, p.blocked_by_id, p.began_at, p.ended_at "
        "FROM grow_planting p JOIN grow_lot l ON l.id = p.batch_id"
    ):
        since = max(_moment(began), start)
        until = min(_moment(ended), end) if ended else end
        if since >= until:
            continue
        if blocked_by is None:
            sites[crop].add((batch, site))
        seconds[crop] += floor(until.timestamp()) - floor(since.timestamp())
    counted = {crop: len(found) for crop, found in sites.items()}
    return counted, {crop: seconds[crop] for crop in counted}


def half_up(amount: Fraction) -> int:
    return floor(amount + Fraction(1, 2))


def money(first: int, last: int) -> tuple[int, int]:
    """(takings, shops' shares) in whole pence; each outlet's share, as long as it is the same, is
    rounded half up."""
    dated: dict[int, list[tuple[int, Decimal]]] = defaultdict(list)
    for outlet, since, pct in rows(
        "SELECT outlet_id, since, amount FROM analytics_rate WHERE what = 'shop_share' "
        "ORDER BY since"
    ):
        dated[outlet].append((int(str(since).replace("-", "")), Decimal(str(pct))))
    taken: Counter[tuple[int, int]] = Counter()
    share_of: dict[tuple[int, int], Decimal] = {}
    for outlet, stated, day, pence in rows(
        "SELECT y.outlet_id, o.shop_share_pct, m.day, y.pence FROM sales_money y "
        "JOIN grow_movement m ON m.id = y.movement_id JOIN sales_outlet o ON o.id = y.outlet_id "
        "WHERE m.day BETWEEN %s AND %s",
        first,
        last,
    ):
        held = [(0, Decimal(stated)), *(row for row in dated[outlet] if row[0] <= day)][-1]
        taken[outlet, held[0]] += pence
        share_of[outlet, held[0]] = held[1]
    shares = sum(half_up(Fraction(share_of[key]) * p / 100) for key, p in taken.items())
    return sum(taken.values()), shares


def costs(first: int, last: int) -> dict[str, int]:
    """Whole pence of each line of cost, from counted rows and what is told of each thing
    (tests/told.py)."""
    told = Told()
    pence: dict[str, Fraction] = defaultdict(Fraction)
    on_shelf: dict[tuple[int, int | None], int] = Counter()
    for r in moved():
        act = told.acts[r.event]
        if r.lot_kind == "batch":
            on_shelf[r.day, r.crop] += r.quantity * ((r.end == "shelf") - (r.start == "shelf"))
        if not first <= r.day <= last:
            continue
        if r.lot_kind == "batch" and act == "sow":
            n = r.quantity if r.start == "growth" else -r.quantity
            pence["seed_and_plugs_p"] += n * told.cell(r.lot, r.crop)
        elif r.lot_kind == "batch" and act == "transplant" and "compost" not in (r.start, r.end):
            n = r.quantity if r.end == "tower" else -r.quantity
            pence["seed_and_plugs_p"] += n * told.rate("pot", r.crop)
        elif r.lot_kind == "harvest" and "growth" in (r.start, r.end):
            kg = Fraction(r.quantity if r.start == "growth" else -r.quantity, 1000)
            fed = told.nutrient(r.day, r.crop) + told.rate("water", r.crop)
            pence["nutrient_and_water_p"] += kg * fed
    for day, lot, _, _, packs, product in told.runs:
        if first <= day <= last:
            pence["packaging_p"] += packs * told.pack(lot, product)
    day = dt.date(first // 10000, first // 100 % 100, first % 100)
    ((today,),) = rows("SELECT MAX(day) FROM grow_movement")
    while (number := day.year * 10000 + day.month * 100 + day.day) <= min(last, today):
        standing: Counter[int | None] = Counter()
        for (moved_on, crop), change in on_shelf.items():
            if moved_on <= number:
                standing[crop] += change
        for crop, cells in standing.items():
            pence["light_p"] += cells * told.light(crop)
        day += dt.timedelta(days=1)
    for (text,) in rows(
        "SELECT e.told FROM grow_event e WHERE e.kind = 'receive_produce' AND e.day BETWEEN %s "
        "AND %s AND NOT EXISTS (SELECT 1 FROM grow_event c WHERE c.corrects_id = e.id "
        "AND c.kind IN ('cancel', 'undo'))",
        first,
        last,
    ):
        pence["bought_in_p"] += json.loads(text).get("paid_pence", 0)
    minutes = sum(
        (m * told.factor(d) for d, m in told.minutes().items() if first <= d <= last), Fraction(0)
    )
    pence["labour_p"] = minutes * told.rate("wage", None) / 60
    return {line: half_up(amount) for line, amount in pence.items()}


# --- where leaf grew: plain pandas over the tables as CSV ----------------------------------------

#: (crop, variety, tower, tier, line)
Stand = tuple[int | None, int | None, int | None, int | None, str]


def exported(name: str, *columns: str) -> pd.DataFrame:
    """A table as anybody may export it: CSV, read again by pandas."""
    text = io.StringIO()
    write = csv.writer(text)
    write.writerow(columns)
    write.writerows(rows(f"SELECT {', '.join(columns)} FROM {name}"))
    text.seek(0)
    return pd.read_csv(text)


def _moments(column: pd.Series) -> pd.Series:
    return pd.to_datetime(column, utc=True, format="ISO8601")


def _plantings() -> pd.DataFrame:
    found = exported(
        "grow_planting", "id", "batch_id", "site_id", "blocked_by_id", "began_at", "ended_at"
    )
    for name in ("began_at", "ended_at"):
        found[name] = _moments(found[name])
    return found.merge(
        exported("grow_plantsite", "id", "tower_id", "tier"), left_on="site_id", right_on="id"
    )


def at_stands(amounts: dict[int, float], end: dt.datetime) -> dict[Stand, float]:
    """Amounts of cuts (or bought-in lots) to the sites that they were cut from, equally."""
    lots = exported("grow_lot", "id", "kind", "crop_id", "variety_id").set_index("id")
    edges = exported(
        "grow_lineage", "child_id", "parent_id", "kind", "quantity", "struck_by_id"
    ).query("kind == 'grew' and struck_by_id.isna()")
    plantings = _plantings()
    there = plantings[
        (plantings.ended_at.isna() | (plantings.ended_at >= end)) & (plantings.began_at < end)
    ]
    plantings["line"] = "completed"
    standing = pd.MultiIndex.from_frame(there[["batch_id", "site_id"]])
    own = pd.MultiIndex.from_frame(plantings[["batch_id", "site_id"]])
    plantings.loc[own.isin(standing), "line"] = "standing"
    cut = exported("grow_cutsite", "lot_id", "planting_id").merge(
        plantings, left_on="planting_id", right_on="id_x"
    )
    sites = cut.groupby(["lot_id", "batch_id", "tower_id", "tier", "line"]).size()
    by_cut: dict[tuple[int, int], list[tuple]] = defaultdict(list)
    for (lot, batch, tower, tier, line), number in sites.items():
        by_cut[lot, batch].append((tower, tier, line, number))
    grew: dict[int, dict[int, float]] = defaultdict(Counter)
    for lot, batch, _, quantity, _ in edges.itertuples(index=False):
        grew[lot][batch] += quantity
    grew = {lot: {b: g for b, g in of.items() if g > 0} for lot, of in grew.items()}
    grew = {lot: of for lot, of in grew.items() if of}

    def known(value: float) -> int | None:
        return None if pd.isna(value) else int(value)

    out: dict[Stand, float] = defaultdict(float)
    for lot, amount in amounts.items():
        if lot not in grew:
            line = "bought in" if lots.kind[lot] == "produce" else "no site named"
            out[known(lots.crop_id[lot]), None, None, None, line] += amount
        for batch, quantity in grew.get(lot, {}).items():
            part = amount * quantity / sum(grew[lot].values())
            crop, variety = known(lots.crop_id[batch]), known(lots.variety_id[batch])
            found = by_cut.get((lot, batch), [(None, None, "no site named", 1)])
            whole = sum(number for *_, number in found)
            for tower, tier, line, number in found:
                out[crop, variety, tower, tier, line] += part * number / whole
    return dict(out)


def cut_at_stands(period: Period) -> dict[Stand, float]:
    """Grams cut, net of grade-out."""
    kinds = exported("grow_place", "id", "kind").set_index("id").kind
    moves = exported("grow_movement", "lot_id", "day", "from_place_id", "to_place_id", "quantity")
    lots = exported("grow_lot", "id", "kind").rename(columns={"id": "lot_id", "kind": "lot_kind"})
    moves = moves.merge(lots).query("lot_kind == 'harvest'")
    first, last = period.numbers
    moves = moves[(moves.day >= first) & (moves.day <= last)]
    start, end = moves.from_place_id.map(kinds), moves.to_place_id.map(kinds)
    up = ((start == "growth") & (end != "compost")).astype(int)
    down = ((end == "growth") & (start != "compost")).astype(int)
    net = (moves.quantity * (up - down)).groupby(moves.lot_id).sum()
    return at_stands({int(lot): g for lot, g in net.items() if g}, period.end)


def door_at_stands(period: Period) -> dict[Stand, float]:
    """Pence at the pack-house door; a mixed bag's by grams."""
    money = exported("sales_money", "movement_id", "outlet_id", "pence")
    moves = exported("grow_movement", "id", "lot_id", "day")
    outlets = exported("sales_outlet", "id", "shop_share_pct").rename(columns={"id": "outlet_id"})
    outlets["shop_share_pct"] = outlets.shop_share_pct.astype(float)
    paid = money.merge(moves, left_on="movement_id", right_on="id")[
        ["outlet_id", "pence", "lot_id", "day"]
    ].merge(outlets)
    first, last = period.numbers
    paid = paid[(paid.day >= first) & (paid.day <= last)]
    dated = exported("analytics_rate", "what", "outlet_id", "since", "amount")
    dated = dated[dated.what == "shop_share"].sort_values("since")
    for outlet, since, amount in zip(dated.outlet_id, dated.since, dated.amount, strict=True):
        held = (paid.outlet_id == outlet) & (paid.day >= int(str(since).replace("-", "")))
        paid.loc[held, "shop_share_pct"] = amount
    door = (paid.pence * (100 - paid.shop_share_pct) / 100).groupby(paid.lot_id).sum()
    return at_stands(leaf_in({int(lot): float(pence) for lot, pence in door.items()}), period.end)


def lost_at_stands(period: Period, lines: Iterable[str]) -> dict[str, dict[Stand, float]]:
    """Line of the waste → grams lost, a bag's by the leaf that is in it."""
    of = grams_of_lots(*period.numbers)
    amounts = {line: {lot: float(g[line]) for lot, g in of.items() if g[line]} for line in lines}
    return {line: at_stands(leaf_in(found), period.end) for line, found in amounts.items()}


def leaf_in(amounts: dict[int, float]) -> dict[int, float]:
    """Amounts of any lots to what was cut or bought in that is in them."""
    each = exported("grow_lot", "id", "grams_each").set_index("id").grams_each.fillna(1)
    edges = exported(
        "grow_lineage", "child_id", "parent_id", "kind", "quantity", "struck_by_id"
    ).query("kind == 'went_in' and struck_by_id.isna()")
    above: dict[int, dict[int, float]] = defaultdict(Counter)
    for child, parent, _, quantity, _ in edges.itertuples(index=False):
        above[child][parent] += quantity * each[parent]
    leaf: dict[int, float] = defaultdict(float)
    left = amounts
    while left:
        further: dict[int, float] = defaultdict(float)
        for lot, pence in left.items():
            inside = {parent: grams for parent, grams in above[lot].items() if grams > 0}
            if not inside:
                leaf[lot] += pence
            for parent, weight in inside.items():
                further[parent] += pence * weight / sum(inside.values())
        left = further
    return dict(leaf)


def raising(
    period: Period, now: dt.datetime
) -> tuple[dict[int | None, float], dict[int | None, float]]:
    """(pence of raising and planting charged to the period, still to be earned back at its end),
    by crop: all that a sowing cost, over the site-seconds of its whole life."""
    told, spent = Told(), defaultdict(lambda: defaultdict(float))
    crops, nursery, shelf = {}, Counter(), defaultdict(Counter)
    for r in moved():
        if r.lot_kind != "batch":
            continue
        crop, act = r.crop, told.acts[r.event]
        minute = float(told.factor(r.day) * told.rate("wage", None) / 60)
        crops[r.lot] = crop
        nursery[r.lot] += r.quantity * (
            (r.end in ("bench", "shelf", "tent")) - (r.start in ("bench", "shelf", "tent"))
        )
        shelf[r.lot][r.day] += r.quantity * ((r.end == "shelf") - (r.start == "shelf"))
        if act == "sow":
            n = r.quantity if r.start == "growth" else -r.quantity
            each = float(told.cell(r.lot, crop))
            spent[r.lot][r.day] += n * (each + float(told.rate("sow_minutes", crop)) / 84 * minute)
        elif act == "transplant" and "tower" in (r.start, r.end) and r.end != "compost":
            n = r.quantity if r.end == "tower" else -r.quantity
            planting = float(told.rate("plant_minutes", crop)) * minute
            spent[r.lot][r.day] += n * (float(told.rate("pot", crop)) + planting)
    today = now.date()
    for lot, changes in shelf.items():
        days = sorted(day for day, n in changes.items() if n)
        if days and told.light(crops[lot]):
            index = pd.date_range(str(days[0]), today - dt.timedelta(days=1))
            cells = pd.Series({pd.Timestamp(str(d)): changes[d] for d in days})
            for day, n in cells.reindex(index, fill_value=0).cumsum().items():
                spent[lot][int(day.strftime("%Y%m%d"))] += n * float(told.light(crops[lot]))
    cards = exported(
        "grow_cropcard", "variety_id", "days_to_first_cut", "days_between_cuts", "cuts"
    ).set_index("variety_id")
    life_of = cards.days_to_first_cut + (cards.cuts - 1) * cards.days_between_cuts.fillna(0)
    variety = exported("grow_lot", "id", "variety_id").set_index("id").variety_id
    stood = _plantings()
    card = stood.batch_id.map(variety).map(life_of).fillna(0) * 86400
    ended = stood.ended_at.fillna(now)
    age = (ended.dt.floor("s") - stood.began_at.dt.floor("s")).dt.total_seconds()
    stood["life"] = age.where(stood.ended_at.notna(), age.combine(card, max))

    def held(since: dt.datetime, until: dt.datetime) -> pd.Series:
        start, stop = stood.began_at.clip(lower=since), ended.clip(upper=until)
        length = (stop.dt.floor("s") - start.dt.floor("s")).dt.total_seconds().clip(lower=0)
        return length.groupby(stood.batch_id).sum()

    long_ago = dt.datetime(1990, 1, 1, tzinfo=dt.UTC)
    before, during = held(long_ago, period.start), held(period.start, period.elapsed)
    life = stood.life.groupby(stood.batch_id).sum()
    first, last = period.numbers
    charged, closing = defaultdict(float), defaultdict(float)
    for lot, days in spent.items():
        paid = sum(days.values())
        upto = sum(pence for day, pence in days.items() if day <= last)
        within = sum(pence for day, pence in days.items() if first <= day <= last)
        if lot in life.index:
            charged[crops[lot]] += paid * during[lot] / life[lot]
            closing[crops[lot]] += upto - paid * (before[lot] + during[lot]) / life[lot]
        elif nursery[lot] > 0:
            closing[crops[lot]] += upto
        else:
            charged[crops[lot]] += within
    return dict(charged), dict(closing)


def taken_at_outlets(
    period: Period,
) -> tuple[dict[tuple, float], dict[tuple, float], dict[tuple, float], dict[tuple, int]]:
    """(pence, grams that they were for, grams unsold there, how many lots) by (outlet's name,
    crop): exact parts of each lot by what went into it."""
    first, last = period.numbers
    paid = exported("sales_money", "movement_id", "outlet_id", "pence").merge(
        exported("grow_movement", "id", "lot_id", "day", "quantity"),
        left_on="movement_id",
        right_on="id",
    )
    paid = paid[(paid.day >= first) & (paid.day <= last)]
    lots = exported("grow_lot", "id", "kind", "crop_id", "grams_each").set_index("id")
    each = lots.grams_each.fillna(1)
    way = paid.pence.map(lambda pence: -1 if pence < 0 else 1)
    paid = paid.assign(grams=paid.quantity * paid.lot_id.map(each) * way)
    places = exported("grow_place", "id", "name").set_index("id").name
    outlet_places = exported("sales_outlet", "id", "place_id").set_index("id").place_id
    outlets = outlet_places.map(places)
    edges = exported(
        "grow_lineage", "child_id", "parent_id", "kind", "quantity", "struck_by_id"
    ).query("kind != 'touched' and struck_by_id.isna()")
    above: dict[int, dict[int, float]] = defaultdict(Counter)
    for child, parent, _, quantity, _ in edges.itertuples(index=False):
        above[child][parent] += quantity * each[parent]

    @cache
    def inside(lot: int) -> dict[int, float]:
        parents = {parent: grams for parent, grams in above[lot].items() if grams > 0}
        if not parents:
            return {int(lots.crop_id[lot]): 1.0}
        out: dict[int, float] = Counter()
        for parent, grams in parents.items():
            for crop, part in inside(parent).items():
                out[crop] += part * grams / sum(parents.values())
        return out

    pence: dict[tuple, float] = Counter()
    grams: dict[tuple, float] = Counter()
    unsold: dict[tuple, float] = Counter()
    of: dict[tuple, set[int]] = defaultdict(set)
    beside = exported("grow_place", "id", "name", "kind", "belongs_to_id").set_index("id")
    at = {place: names for place, names in places.items() if place in set(outlet_places)}
    for place, owner in beside.belongs_to_id.dropna().items():
        at[place] = places[int(owner)]
    for move in exported(
        "grow_movement", "lot_id", "day", "from_place_id", "to_place_id", "quantity"
    ).itertuples():
        if not first <= move.day <= last or lots.kind[move.lot_id] not in EATEN:
            continue
        for end, start, sign in (
            (move.to_place_id, move.from_place_id, 1),
            (move.from_place_id, move.to_place_id, -1),
        ):
            if beside.kind[end] in (*THROWN, "donated", "staff") and start in at:
                for crop, part in inside(move.lot_id).items():
                    unsold[at[start], crop] += sign * move.quantity * each[move.lot_id] * part
                    of[at[start], crop].add(move.lot_id)
    for row in paid.itertuples():
        for crop, part in inside(row.lot_id).items():
            key = outlets[row.outlet_id], crop
            pence[key] += row.pence * part
            grams[key] += row.grams * part
            of[key].add(row.lot_id)
    return pence, grams, unsold, {key: len(found) for key, found in of.items()}
