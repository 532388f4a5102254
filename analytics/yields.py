"""Two yields, named: what was cut, and what of it was sold or used, for the sites that stood.

Cut grams are net of the crate and of grade-out. They belong to the plantings that were cut,
equally by site within a sowing; completed plantings (ended by the period's end) and standing ones
are two lines, and what was cut with no site named is a third: together they are the ledger's cut.
Sold leaf that was bought in has a line of its own, which no yield counts.
A ratio is a ratio of these sums, never a mean of ratios.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any

from django.db import connection

from grow import months, sums
from grow.models import Lineage, Lot, LotKind
from grow.shares import shared_out

from .crops import names
from .period import DAY_S, About, Period, percent, ratio
from .waste import lines

COMPLETED, STANDING, NO_SITE = "completed", "standing", "no site named"
BOUGHT_IN = "bought in"
LINES = (COMPLETED, STANDING, NO_SITE, BOUGHT_IN)
CropId = int | None
Key = tuple[CropId, str]

_MANY = 500


class PerSite:
    """The two yields, cut and sold or used, of any row with these sums: grams a site planted, a
    surviving plant, a site-day. None where there is nothing to divide by."""

    cut_g: int
    sold_or_used_g: int
    sites: int
    surviving: int

    @property
    def site_days(self) -> Decimal:
        raise NotImplementedError

    @property
    def cut_per_site_g(self) -> Decimal | None:
        return ratio(self.cut_g, self.sites)

    @property
    def sold_per_site_g(self) -> Decimal | None:
        return ratio(self.sold_or_used_g, self.sites)

    @property
    def cut_per_surviving_g(self) -> Decimal | None:
        return ratio(self.cut_g, self.surviving)

    @property
    def sold_per_surviving_g(self) -> Decimal | None:
        return ratio(self.sold_or_used_g, self.surviving)

    @property
    def cut_per_site_day_g(self) -> Decimal | None:
        return ratio(self.cut_g, self.site_days)

    @property
    def sold_per_site_day_g(self) -> Decimal | None:
        return ratio(self.sold_or_used_g, self.site_days)


@dataclass
class YieldRow(PerSite):
    """One crop's plantings of one line, or all of a crop (line "all").

    sites: plant sites that stood in the period, one a batch and site. surviving: those plants
    that were not told as lost. site_days: elapsed days that plantings held sites in the period,
    blocked sites included. began_before: sites planted before the period, whose earlier cuts are
    not in it. Grams are whole; ratios are grams."""

    crop_id: CropId
    crop: str
    line: str
    cut_g: int = 0
    sold_or_used_g: int = 0
    shared_out_g: int = 0
    sites: int = 0
    surviving: int = 0
    site_seconds: int = 0
    began_before: int = 0

    @property
    def site_days(self) -> Decimal:
        return Decimal(self.site_seconds) / DAY_S

    @property
    def shared_out_pct(self) -> Decimal | None:
        return percent(self.shared_out_g, self.cut_g)

    def add(self, other: YieldRow) -> None:
        for name in _SUMMED:
            setattr(self, name, getattr(self, name) + getattr(other, name))


_SUMMED = (
    "cut_g",
    "sold_or_used_g",
    "shared_out_g",
    "sites",
    "surviving",
    "site_seconds",
    "began_before",
)


@dataclass
class Yields:
    """rows: by crop and line. crops, total: their sums without what was bought in."""

    about: About
    rows: list[YieldRow]
    crops: list[YieldRow]
    total: YieldRow


def yields(period: Period) -> Yields:
    """Cut and sold-or-used grams per planted site, surviving plant and site-day, by crop."""
    about = About(
        period,
        base="plant sites that stood in the period, one a sowing and site; site-days as elapsed",
        unit="g",
        notes=[
            "Cut is net of the crate and of grade-out; the rest of the way is the waste table.",
            "Completed: ended by the last day. Standing: not yet, so more may come of them.",
            "No site named: cut from bench or shelf cells, or with no tower told; it has grams "
            "and no sites, and the crop's rates leave it in.",
            "Sites planted before the period bring only what was cut of them within it.",
            "Sold or used may have been cut before the period, and what is in stock is not in it.",
        ],
    )
    with sums.one_moment():
        books = from_the_books(period)
        lots = cut_lots(period)
        sold = _by_source(sold_lots(period))
        sharing = _Lines(period, {*lots, *sold})
        rows = _plantings(period)
    cut: Counter[Key] = Counter()
    shared: Counter[Key] = Counter()
    for lot, (grams, _) in lots.items():
        for key, part in sharing.of(lot, grams):
            cut[key] += part
            if lot in sharing.several:
                shared[key] += part
    went: Counter[Key] = Counter()
    for lot, grams in sold.items():
        for key, part in sharing.of(lot, grams):
            went[key] += part
    for name, by_key, which in (("cut_g", cut, 0), ("sold_or_used_g", went, 1)):
        for key, grams in _to_the_gram(by_key, {crop: b[which] for crop, b in books.items()}):
            setattr(_row(rows, key), name, grams)
    for key, grams in shared.items():
        _row(rows, key).shared_out_g = grams
    _standard(about, lots, sharing)
    return _table(about, rows)


def _row(rows: dict[Key, YieldRow], key: Key) -> YieldRow:
    return rows.setdefault(key, YieldRow(key[0], "", key[1]))


def _table(about: About, rows: dict[Key, YieldRow]) -> Yields:
    called = names()
    by_crop: dict[CropId, YieldRow] = {}
    total = YieldRow(None, "All crops", "all")
    listed = []
    for (crop, line), row in sorted(
        rows.items(), key=lambda r: (r[0][0] is None, called[r[0][0]], LINES.index(r[0][1]))
    ):
        if not any(getattr(row, name) for name in _SUMMED):
            continue
        row.crop = called[crop]
        listed.append(row)
        if line == BOUGHT_IN:
            continue
        by_crop.setdefault(crop, YieldRow(crop, row.crop, "all")).add(row)
        total.add(row)
        if line == NO_SITE and row.cut_g:
            about.gap(f"{row.cut_g} g of {row.crop} were cut with no plant site named.")
    return Yields(about, listed, list(by_crop.values()), total)


# --- grams ----------------------------------------------------------------------------------


def from_the_books(period: Period) -> dict[CropId, tuple[int, int]]:
    """Crop → (grams cut net of grade-out, grams sold or used) by the ledger's sums."""
    moved = months.reading(period.first, period.last, sums.EATEN, by_month=False)
    cut: Counter[CropId] = Counter()
    sold: Counter[CropId] = Counter()
    for row, grams in moved.items():
        of_a_gram = cut_and_sold(row.what, row.key)
        cut[row.crop] += of_a_gram[0] * grams
        sold[row.crop] += of_a_gram[1] * grams
    return {crop: (cut[crop], sold[crop]) for crop in {*cut, *sold}}


@cache
def cut_and_sold(what: str, key: str) -> tuple[int, int]:
    """What a gram of a row of the months' sums adds to what was cut, net of grade-out, and to what
    was sold or used: one, nought or less one."""
    found = lines(what, key)
    sold = sum(found.get(name, 0) for name in ("sold_g", "to_businesses_g", "used_g"))
    return found.get("cut_g", 0) - found.get("grade_out_g", 0), sold


def _to_the_gram(
    by_key: Mapping[Key, int], books: Mapping[CropId, int]
) -> Iterable[tuple[Key, int]]:
    """The books' figure of each crop shared to its lines by what was traced to them."""
    of_crop: dict[CropId, dict[str, int]] = defaultdict(dict)
    for (crop, line), grams in by_key.items():
        of_crop[crop][line] = grams
    for crop, grams in books.items():
        traced = of_crop.get(crop) or {NO_SITE: 1}
        found = [line for line in LINES if traced.get(line, 0) > 0] or [NO_SITE]
        parts = shared_out(grams, [traced.get(line, 1) for line in found])
        for line, part in zip(found, parts, strict=True):
            yield (crop, line), part


def _ask(sql: str, parameters: Iterable[Any]) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(sql, list(parameters))
        return cursor.fetchall()


_CUT_LOTS = """
SELECT m.lot_id,
       SUM(CASE WHEN f.kind = 'growth' THEN m.quantity ELSE -m.quantity END),
       SUM(CASE WHEN m.basis = 'weighed' THEN 0
                WHEN f.kind = 'growth' THEN m.quantity ELSE -m.quantity END)
FROM grow_movement m
JOIN grow_lot l ON l.id = m.lot_id
JOIN grow_place f ON f.id = m.from_place_id
JOIN grow_place t ON t.id = m.to_place_id
WHERE l.kind = 'harvest' AND m.day BETWEEN %s AND %s
  AND ((f.kind = 'growth' AND t.kind <> 'compost') OR (t.kind = 'growth' AND f.kind <> 'compost'))
GROUP BY m.lot_id
"""


def cut_lots(period: Period) -> dict[int, tuple[int, int]]:
    """Cut → (net grams, of them not weighed)."""
    rows = _ask(_CUT_LOTS, period.numbers)
    return {lot: (int(grams), int(soft)) for lot, grams, soft in rows if grams}


_SOLD = """
SELECT m.lot_id,
       SUM(CASE WHEN t.kind IN ('sold', 'served', 'buyer') THEN m.quantity ELSE 0 END
         - CASE WHEN f.kind IN ('sold', 'served', 'buyer') THEN m.quantity ELSE 0 END)
       * COALESCE(MAX(l.grams_each), 1)
FROM grow_movement m
JOIN grow_lot l ON l.id = m.lot_id
JOIN grow_place f ON f.id = m.from_place_id
JOIN grow_place t ON t.id = m.to_place_id
WHERE l.kind IN ('harvest', 'pack', 'produce') AND m.day BETWEEN %s AND %s
  AND (t.kind IN ('sold', 'served', 'buyer') OR f.kind IN ('sold', 'served', 'buyer'))
GROUP BY m.lot_id
"""


def sold_lots(period: Period) -> dict[int, int]:
    """Lot → grams of it sold or used, less what came back."""
    return {lot: int(grams) for lot, grams in _ask(_SOLD, period.numbers) if grams}


def _by_source(sold: Mapping[int, int]) -> dict[int, int]:
    """Grams by the cut (or bought-in or opening lot) that they came from: a pack's are shared by
    what went in, back through bags that were opened into bags."""
    left = Counter(sold)
    out: Counter[int] = Counter()
    while left:
        sources = _went_in(left)
        further: Counter[int] = Counter()
        for lot, grams in left.items():
            parents = sources.get(lot)
            if not parents:
                out[lot] += grams
                continue
            for parent, part in zip(parents, shared_out(grams, [*parents.values()]), strict=True):
                further[parent] += part
        left = further
    return {lot: grams for lot, grams in out.items() if grams}


def _chunks(ids: Iterable[int]) -> list[list[int]]:
    listed = sorted(ids)
    return [listed[i : i + _MANY] for i in range(0, len(listed), _MANY)]


def _went_in(lots: Iterable[int]) -> dict[int, dict[int, int]]:
    out: dict[int, dict[int, int]] = defaultdict(dict)
    for part in _chunks(lots):
        edges = Lineage.objects.filter(
            child__in=part, kind=Lineage.Kind.WENT_IN, struck_by=None
        ).values_list("child_id", "parent_id", "quantity", "parent__grams_each")
        for child, parent, quantity, each in edges:
            grams = (quantity or 0) * (each or 1)
            out[child][parent] = out[child].get(parent, 0) + grams
    return {
        child: {parent: grams for parent, grams in sorted(parents.items()) if grams > 0}
        for child, parents in out.items()
    }


_SITES_CUT = """
SELECT x.lot_id, x.batch_id, COUNT(*) - SUM(x.stands), SUM(x.stands)
FROM (
    SELECT c.lot_id, p.batch_id,
           CASE WHEN EXISTS (
               SELECT 1 FROM grow_planting q
               WHERE q.site_id = p.site_id AND q.batch_id = p.batch_id
                 AND (q.ended_at IS NULL OR q.ended_at >= %s) AND q.began_at < %s
           ) THEN 1 ELSE 0 END AS stands
    FROM grow_cutsite c
    JOIN grow_planting p ON p.id = c.planting_id
    WHERE c.lot_id IN ({marks})
) x
GROUP BY x.lot_id, x.batch_id
"""


class _Lines:
    """To which crop and line a cut's grams belong."""

    def __init__(self, period: Period, lots: Iterable[int]) -> None:
        self._weights: dict[int, dict[Key, int]] = {}
        self._own: dict[int, Key] = {}
        #: cuts weighed over several sowings at once: their grams are shared out
        self.several: set[int] = set()
        end = connection.ops.adapt_datetimefield_value(period.end)
        for part in _chunks(lots):
            for lot, crop, kind in Lot.objects.filter(pk__in=part).values_list(
                "pk", "crop_id", "kind"
            ):
                self._own[lot] = crop, BOUGHT_IN if kind == LotKind.PRODUCE else NO_SITE
            marks = ", ".join(["%s"] * len(part))
            sites = {
                (lot, batch): (int(completed), int(standing))
                for lot, batch, completed, standing in _ask(
                    _SITES_CUT.format(marks=marks), [end, end, *part]
                )
            }
            self._read(part, sites)

    def _read(self, lots: list[int], sites: Mapping[tuple[int, int], tuple[int, int]]) -> None:
        edges: dict[int, dict[tuple[int, CropId], int]] = defaultdict(dict)
        grew = Lineage.objects.filter(
            child__in=lots, kind=Lineage.Kind.GREW, struck_by=None
        ).values_list("child_id", "parent_id", "parent__crop_id", "quantity")
        for lot, batch, crop, edge in grew:
            edges[lot][batch, crop] = edges[lot].get((batch, crop), 0) + (edge or 0)
        for lot, batches in edges.items():
            weights: Counter[Key] = Counter()
            for (batch, of_crop), grams in sorted(batches.items()):
                completed, standing = sites.get((lot, batch), (0, 0))
                if not (completed or standing):
                    weights[of_crop, NO_SITE] += max(grams, 0)
                    continue
                parts = shared_out(max(grams, 0), [completed, standing])
                weights[of_crop, COMPLETED] += parts[0]
                weights[of_crop, STANDING] += parts[1]
            self._weights[lot] = {key: grams for key, grams in weights.items() if grams}
            if len([grams for grams in batches.values() if grams > 0]) > 1:
                self.several.add(lot)

    def of(self, lot: int, grams: int) -> list[tuple[Key, int]]:
        weights = self._weights.get(lot) or {self._own[lot]: 1}
        parts = shared_out(grams, [*weights.values()])
        return list(zip(weights, parts, strict=True))


def _standard(about: About, lots: Mapping[int, tuple[int, int]], sharing: _Lines) -> None:
    whole = sum(grams for grams, _ in lots.values())
    soft = sum(
        grams if lot in sharing.several else not_weighed
        for lot, (grams, not_weighed) in lots.items()
    )
    about.standard_pct = percent(soft, whole)
    about.standard_says = (
        "of the grams cut: estimated, or weighed over several sowings and shared out"
    )


# --- sites ----------------------------------------------------------------------------------

# Straight from the plantings: a year that holds 100 thousand of them (twenty farms like the demo's)
# took 0.5 s on SQLite, the demo's own 0.02 s. Sums beside them would be one more thing to keep
# true, and "completed" depends on the period asked for, so they could not answer it anyway.
SITES_STOOD = """
    SELECT p.batch_id, p.site_id,
           CASE WHEN SUM(CASE WHEN p.ended_at < {end} THEN 0 ELSE 1 END) > 0
                THEN 'standing' ELSE 'completed' END AS line,
           MAX(CASE WHEN p.blocked_by_id IS NULL THEN 1 ELSE 0 END) AS plants,
           MAX(CASE WHEN p.blocked_by_id IS NULL
                     AND (p.ended_at IS NULL OR p.ended_at >= {end} OR e.kind <> 'lose_plants')
                    THEN 1 ELSE 0 END) AS surviving,
           SUM({held}) AS seconds,
           CASE WHEN MIN(p.began_at) < {start}
                THEN MAX(CASE WHEN p.blocked_by_id IS NULL THEN 1 ELSE 0 END)
                ELSE 0 END AS before
    FROM grow_planting p
    LEFT JOIN grow_event e ON e.id = p.ended_by_id
    WHERE p.began_at < {end} AND (p.ended_at IS NULL OR p.ended_at > {start})
    GROUP BY p.batch_id, p.site_id
"""
_PLANTINGS = f"""
SELECT l.crop_id, x.line, SUM(x.plants), SUM(x.surviving), SUM(x.seconds), SUM(x.before)
FROM ({SITES_STOOD}) x
JOIN grow_lot l ON l.id = x.batch_id
GROUP BY l.crop_id, x.line
"""


def in_seconds(sql: str, period: Period) -> tuple[str, dict[str, Any]]:
    """A question about plantings with its lengths of time written out in whole seconds, and its
    parameters. Within the period: {held}, of a planting p on its site; {empty}, from its end to
    the site's next; {untouched}, before a site's first at f.first_at. {to_first_cut} is from a
    planting to its first cut, whenever that was."""
    if connection.vendor == "postgresql":
        seconds, least, most = "FLOOR(EXTRACT(EPOCH FROM {}))::bigint", "LEAST", "GREATEST"
    else:
        seconds, least, most = "CAST(strftime('%%s', {}) AS INTEGER)", "MIN", "MAX"

    def within(since: str, until: str) -> str:
        until = f"{least}(COALESCE({until}, %(elapsed)s), %(elapsed)s)"
        until = f"{most}({until}, %(start)s)"
        since = f"{least}({most}({since}, %(start)s), %(elapsed)s)"
        return f"({seconds.format(until)} - {seconds.format(since)})"

    whole = f"({seconds.format('{until}')} - {seconds.format('{since}')})"
    moments = {
        name: connection.ops.adapt_datetimefield_value(moment)
        for name, moment in (
            ("start", period.start),
            ("end", period.end),
            ("elapsed", period.elapsed),
        )
    }
    return sql.format(
        start="%(start)s",
        end="%(end)s",
        held=within("p.began_at", "p.ended_at"),
        empty=within("p.ended_at", "p.next_at"),
        untouched=within("%(start)s", "f.first_at"),
        to_first_cut=whole.format(since="p.began_at", until="MIN(e.placed_at)"),
    ), moments


#: What is added up by month: seconds for which plantings held sites.
STOOD = "stood"
_SECONDS = """
SELECT l.crop_id, SUM({held})
FROM grow_planting p
JOIN grow_lot l ON l.id = p.batch_id
WHERE p.began_at < {end} AND (p.ended_at IS NULL OR p.ended_at > {start})
GROUP BY l.crop_id
"""


@months.source(STOOD)
def _stood(first: dt.date, last: dt.date, _: Iterable[str]) -> Mapping[months.Row, int]:
    out: Counter[months.Row] = Counter()
    for since, until in months.pieces(first, last):
        sql, moments = in_seconds(_SECONDS, Period(since, until))
        with connection.cursor() as cursor:
            cursor.execute(sql, moments)
            for crop, seconds in cursor.fetchall():
                if seconds:
                    out[months.Row(STOOD, months.of(since), crop, "")] += int(seconds)
    return out


def _plantings(period: Period) -> dict[Key, YieldRow]:
    """Sites, surviving plants and seconds by crop and line. Seconds are whole: each planting's
    moments are cut down to the second."""
    sql, moments = in_seconds(_PLANTINGS, period)
    with connection.cursor() as cursor:
        cursor.execute(sql, moments)
        return {
            (crop, line): YieldRow(
                crop,
                "",
                line,
                sites=int(sites),
                surviving=int(surviving),
                site_seconds=int(elapsed),
                began_before=int(before),
            )
            for crop, line, sites, surviving, elapsed, before in cursor.fetchall()
        }
