"""Second sums for the figures' tests: plain SQL for the rows, plain Python for the sums.

Nothing here is imported from analytics or from grow.sums. Days are yyyymmdd, both inclusive."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from decimal import Decimal
from fractions import Fraction
from functools import cache
from math import floor
from typing import NamedTuple

from django.db import connection

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
    about = acts()
    out: Counter[str] = Counter()
    for r in moved():
        if r.lot_kind not in EATEN or not first <= r.day <= last:
            continue
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
    return dict(out)


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
    """(takings, shops' shares) in whole pence; each outlet's share is rounded half up."""
    takings = shares = 0
    for pence, pct in rows(
        "SELECT SUM(y.pence), o.shop_share_pct FROM sales_money y "
        "JOIN grow_movement m ON m.id = y.movement_id JOIN sales_outlet o ON o.id = y.outlet_id "
        "WHERE m.day BETWEEN %s AND %s GROUP BY o.id, o.shop_share_pct",
        first,
        last,
    ):
        takings += int(pence)
        shares += half_up(Fraction(int(pence) * pct, 100))
    return takings, shares


def costs(first: int, last: int) -> dict[str, int]:
    """Whole pence of each line of cost, from counted rows and the one rate of each thing."""
    rate: dict[tuple[str, int | None], Fraction] = {}
    for what, crop, amount in rows("SELECT what, crop_id, amount FROM analytics_rate"):
        rate[what, crop] = Fraction(Decimal(str(amount)))

    def of(what: str, crop: int | None) -> Fraction:
        return rate.get((what, crop)) or rate[what, None]

    about = acts()
    pence: dict[str, Fraction] = defaultdict(Fraction)
    minutes = Fraction(0)
    on_shelf: dict[tuple[int, int | None], int] = Counter()
    nursery = ("bench", "shelf", "tent")
    for r in moved():
        act = about[r.event]
        if r.lot_kind == "batch":
            on_shelf[r.day, r.crop] += r.quantity * ((r.end == "shelf") - (r.start == "shelf"))
        if not first <= r.day <= last:
            continue
        way = 1 if r.start in ("growth", "packing", "tower", *nursery) else -1
        if r.lot_kind == "batch" and act == "sow":
            n = way * r.quantity if r.start == "growth" else -r.quantity
            pence["seed_and_plugs_p"] += n * (of("seed", r.crop) + of("medium", r.crop))
            minutes += n * of("sow_minutes", r.crop) / 84
        elif r.lot_kind == "batch" and act == "transplant" and "compost" not in (r.start, r.end):
            n = r.quantity if r.end == "tower" else -r.quantity
            pence["seed_and_plugs_p"] += n * of("pot", r.crop)
            minutes += n * of("plant_minutes", r.crop)
        elif r.lot_kind == "batch" and act == "clear" and "tower" in (r.start, r.end):
            n = r.quantity if r.start == "tower" else -r.quantity
            minutes += n * of("clear_minutes", r.crop)
        elif r.lot_kind == "harvest" and "growth" in (r.start, r.end):
            kg = Fraction(r.quantity if r.start == "growth" else -r.quantity, 1000)
            pence["nutrient_and_water_p"] += kg * (of("nutrient", r.crop) + of("water", r.crop))
            minutes += kg * of("cut_minutes", r.crop)
    for washed, grams_in, packs, each in rows(
        "SELECT r.washed, r.grams_in, r.packs, p.packaging_pence FROM sales_packingrun r "
        "JOIN grow_lot l ON l.id = r.lot_id JOIN grow_event e ON e.id = l.made_by_id "
        "JOIN sales_product p ON p.id = r.product_id WHERE e.day BETWEEN %s AND %s AND NOT EXISTS "
        "(SELECT 1 FROM grow_event c WHERE c.corrects_id = e.id AND c.kind IN ('cancel', 'undo'))",
        first,
        last,
    ):
        pence["packaging_p"] += packs * Fraction(Decimal(str(each)))
        minutes += packs * of("pack_minutes", None)
        minutes += Fraction(grams_in, 1000) * of("wash_minutes", None) if washed else 0
    day = dt.date(first // 10000, first // 100 % 100, first % 100)
    ((today,),) = rows("SELECT MAX(day) FROM grow_movement")
    while (number := day.year * 10000 + day.month * 100 + day.day) <= min(last, today):
        standing: Counter[int | None] = Counter()
        for (moved_on, crop), change in on_shelf.items():
            if moved_on <= number:
                standing[crop] += change
        for crop, cells in standing.items():
            pence["light_p"] += cells * of("light", crop)
        day += dt.timedelta(days=1)
    for (told,) in rows(
        "SELECT e.told FROM grow_event e WHERE e.kind = 'receive_produce' AND e.day BETWEEN %s "
        "AND %s AND NOT EXISTS (SELECT 1 FROM grow_event c WHERE c.corrects_id = e.id "
        "AND c.kind IN ('cancel', 'undo'))",
        first,
        last,
    ):
        pence["bought_in_p"] += json.loads(told).get("paid_pence", 0)
    pence["labour_p"] = minutes * rate["wage", None] / 60
    return {line: half_up(amount) for line, amount in pence.items()}
