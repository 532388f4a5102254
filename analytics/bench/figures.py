"""Yields, waste and margin by crop and month, and margin a site-day, as the pages and the API read
them, against DuckDB on a Parquet copy made beforehand and against pandas that loads what it needs.

All three have to say the same, to the gram and the penny, before anything is timed. What DuckDB and
pandas say is not rounded by them: the rounding to whole pence, which is in our time, is not in
theirs. The books are those of the history, with rates of every kind, a wage that changes each April
and no receipts: what is charged by receipts, or by a timed day within a month, is counted by days.
"""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from random import Random
from statistics import median
from typing import Any

from django.core.management import CommandError
from django.db import connection
from django.db.models import Max, Min

from analytics import waste
from analytics.costs import LINES, MINUTES, PENCE, PER, W
from analytics.monthly import Monthly, monthly
from analytics.period import DAY_S, Period
from analytics.rates import Rates, set_rate, whole_pence
from analytics.revenue import at_the_door, share_of
from grow import clock, months, sums
from grow.models import Movement
from sales.models import Outlet, Product

from .rows import Job, Row, in_turn

QUESTIONS = ("yields", "waste", "margin", "per_site_day")
CALLED = ("yield by crop and month", "waste by stage and month", "margin by crop and month",
          "margin a site-day by crop")  # fmt: skip
SHOP_SHARE = 25
#: How many movements a history has for which the limits are meant; of fewer they are only said.
AT = 1_000_000
#: Of no round thousandths, so that no sum ends on half a penny and a double may say it.
RATES = {
    W.SEED: "2.5003",
    W.MEDIUM: "2.2007",
    W.POT: "0.3011",
    W.LIGHT: "0.2203",
    W.NUTRIENT: "11.0017",
    W.WATER: "8.0023",
    W.SOW_MINUTES: "8.0029",
    W.PLANT_MINUTES: "0.3019",
    W.CLEAR_MINUTES: "0.3511",
    W.CUT_MINUTES: "13.0021",
    W.WASH_MINUTES: "4.0013",
    W.PACK_MINUTES: "1.0009",
}
WAGE_P, RISE_P, PACKAGING_P = 1321, 37, "8.3337"


def rated(period: Period) -> None:
    """Rates of the whole period; the wage rises each April."""
    for what, amount in RATES.items():
        set_rate(what, amount, period.first, "the bench's own")
    for year in range(period.first.year, period.last.year + 1):
        since = max(period.first, dt.date(year, 4, 1)) if year > period.first.year else period.first
        wage = WAGE_P + RISE_P * (year - period.first.year)
        set_rate(W.WAGE, str(wage), since, "the bench's own")
    for product in Product.objects.all():
        set_rate(W.PACKAGING, PACKAGING_P, period.first, "the bench's own", product=product)
    Outlet.objects.filter(place__kind="shop").update(shop_share_pct=SHOP_SHARE)


def whole_months() -> Period:
    """All of the history, from the first day of its first month to the last of its last."""
    days = Movement.objects.aggregate(first=Min("day"), last=Max("day"))
    first, last = (clock.number_day(days[name]) for name in ("first", "last"))
    pieces = list(months.pieces(first.replace(day=1), last.replace(day=28) + dt.timedelta(days=4)))
    return Period(pieces[0][0], pieces[-1][0] - dt.timedelta(days=1))


def ours(period: Period) -> dict[str, Callable[[], Any]]:
    by_month = partial(monthly, period)
    return {
        "yields": partial(monthly, period, margin=False),
        "waste": partial(waste.by_month, period),
        "margin": by_month,
        "per_site_day": by_month,
    }


# --- what the others are given ----------------------------------------------------------------


def facts(period: Period, folder: Path) -> dict[str, Any]:
    """Months with their moments, pence a unit by month, where the copy and the database are; all
    of it may be written as JSON."""
    spans, tariff, rates = [], [], Rates()
    for first, last in months.pieces(period.first, period.last):
        month, piece = months.of(first), Period(first, last)
        moments = (int(piece.start.timestamp()), int(piece.end.timestamp()))
        spans.append((month, *moments, str(first), str(last)))
        day = clock.day_number(first)
        wage = Fraction(rates.of(W.WAGE, None, day) or 0) / 60
        charged = [(line, row, Fraction(1)) for line, rows in PENCE.items() for row in rows]
        charged += [("labour", row, wage) for row in MINUTES]
        for line, (what, count), each in charged:
            pence = Fraction(rates.charged(what, None, day) or 0) * each / PER.get(what, 1)
            tariff.append((line, count, month, float(pence)))
        for product in Product.objects.all():
            pack = rates.of(W.PACKAGING, product.pk, day) or 0
            tariff.append(("packaging", f"packs of {product.pk}", month, float(pack)))
    return {
        "months": spans,
        "tariff": tariff,
        "folder": str(folder),
        "vendor": connection.vendor,
        "name": str(connection.settings_dict["NAME"]),
        "reach": _reach(),
    }


def _reach() -> dict[str, Any]:
    """How another process connects to the database in hand."""
    if connection.vendor == "sqlite":
        return {"database": str(connection.settings_dict["NAME"])}
    known = connection.get_connection_params()
    return {k: known[k] for k in ("dbname", "user", "password", "host", "port") if known.get(k)}


def ask(sql: str) -> tuple[list[str], list[tuple]]:
    """By the driver's own cursor: the names of the columns, and the rows."""
    cursor = connection.connection.cursor()
    cursor.execute(sql)
    return [column[0] for column in cursor.description], cursor.fetchall()


# --- do they say the same? ----------------------------------------------------------------------


def same(ours: dict[str, Any], theirs: Mapping[str, Iterable[tuple]], who: str) -> None:
    """Raises CommandError where a gram or a penny differs."""
    found: Monthly = ours["margin"]
    grown = {
        (row.month, row.crop_id): (row.cut_g, row.sold_or_used_g, round(row.site_days * DAY_S))
        for row in ours["yields"].rows
    }
    told = {(int(m), int(c)): tuple(map(int, rest)) for m, c, *rest in theirs["yields"]}
    _equal(who, "yields", grown, told)
    _equal(who, "waste", _lines(ours["waste"]), _balanced(theirs["waste"], ours["waste"]))
    columns = [f"{line}_p" for line in (*LINES, "labour")] + ["takings_p", "shop_share_p"]
    earned = {
        (row.month, row.crop_id, name): getattr(row, name) for row in found.rows for name in columns
    }
    _equal(who, "margin", earned, _rounded(theirs["margin"]))
    stood = {(row.month, row.crop_id): round(row.site_days * DAY_S) for row in found.rows}
    told_s = {(int(m), int(c)): int(seconds) for m, c, seconds in theirs["stood"]}
    _equal(who, "site-seconds", stood, told_s)


def _equal(who: str, what: str, ours: dict[Any, Any], theirs: dict[Any, Any]) -> None:
    ours, theirs = (
        {
            key: value
            for key, value in of.items()
            if any(value if isinstance(value, tuple) else (value,))
        }
        for of in (ours, theirs)
    )
    for key in sorted({*ours, *theirs}):
        if ours.get(key) != theirs.get(key):
            raise CommandError(
                f"{what} of {key}: we say {ours.get(key)}, {who} says {theirs.get(key)}."
            )


def _lines(rows: dict[int, waste.WasteRow]) -> dict[Any, int]:
    names = [f.name for f in fields(waste.WasteRow) if f.name.endswith("_g")]
    return {(month, name): getattr(row, name) for month, row in rows.items() for name in names}


def _balanced(cells: Iterable[tuple], months_: Iterable[int]) -> dict[Any, int]:
    """The lines of the table from their sums by kinds of lot, act and place."""
    rows = {month: waste.WasteRow(None, waste.ALL_CROPS) for month in months_}
    for month, kind, act, start, end, grams in cells:
        moved = months.Row(kind, int(month), None, f"{act}/{start}/{end}/g")
        rows[int(month)].count(moved, int(grams))
    stock = 0
    for month, row in sorted(rows.items()):
        rows[month] = replace(row, stock_before_g=stock, stock_after_g=stock + row.stock_after_g)
        stock = rows[month].stock_after_g
    return _lines(rows)


def _rounded(rows: Iterable[tuple]) -> dict[Any, int]:
    """(month, crop, column) → whole pence, rounded as ours are."""
    exact: dict[tuple[int, str], dict[int | None, Fraction]] = defaultdict(
        lambda: defaultdict(Fraction)
    )
    for month, crop, line, pence in rows:
        exact[int(month), line][int(crop)] += Fraction(pence)
    outlets = {str(outlet.pk): outlet for outlet in Outlet.objects.all()}
    rates = Rates()
    out: dict[Any, int] = defaultdict(int)
    for (month, line), by_crop in exact.items():
        if line not in outlets:
            for crop, pence in whole_pence(by_crop).items():
                out[month, crop, f"{line}_p"] += pence
            continue
        fine = {crop: round(pence * months.FINE) for crop, pence in by_crop.items()}
        pct = share_of(outlets[line], rates, month * 100 + 1)
        for name, shared in zip(("takings_p", "shop_share_p"), at_the_door(pct, fine), strict=True):
            for crop, pence in shared.items():
                out[month, crop, name] += pence
    return out


# --- memory -------------------------------------------------------------------------------------

#: The kernel's own count where it has one: ru_maxrss keeps what a process was before it began
#: another program.
_ALONE = """
import json, resource, sys
from pathlib import Path
given = json.load(sys.stdin)
from analytics.bench import {module}
{module}.alone(given)
status = Path("/proc/self/status")
if status.exists():
    (line,) = (line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
    print(int(line.split()[1]) * 1024)
else:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def peak_mb(module: str, given: dict[str, Any]) -> float:
    """The most memory that a process of its own had in which all four were answered."""
    done = subprocess.run(
        [sys.executable, "-c", _ALONE.format(module=module)],
        input=json.dumps(given),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise CommandError(f"{module} ended badly: {done.stderr[-600:]}")
    return int(done.stdout.split()[-1]) / 1e6


# --- the rows -------------------------------------------------------------------------------------


def figures(movements: int, dice: Random, rounds: int = 3) -> list[Row]:
    """The rows of the database in hand; its movements are swept, and it is given rates."""
    try:
        from .by_duckdb import ByDuckdb, copied
    except ImportError as error:
        raise CommandError(
            "DuckDB is not installed: pip install '.[bench]', or leave figures out of --rows."
        ) from error
    from .by_pandas import ByPandas, seconds

    period = whole_months()
    rated(period)
    sums.sweep()
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        folder = Path(name)
        copied(ask, partial(seconds, connection.vendor), folder)
        given = facts(period, folder)
        duck = ByDuckdb(folder, given["months"], given["tariff"])
        frames = ByPandas(ask, connection.vendor, given["months"], given["tariff"])
        own = ours(period)
        answers = {key: job() for key, job in own.items()}
        for who, way in (("DuckDB", duck), ("pandas", frames)):
            same(answers, told(way), who)
        jobs: list[Job] = []
        for key in QUESTIONS:
            jobs += [("ours", key, own[key]), ("DuckDB", key, getattr(duck, key))]
            jobs += [("pandas", key, getattr(frames, key))]
        took = in_turn(jobs, dice, rounds, median)
        memory = {
            who: peak_mb(module, given)
            for who, module in (("ours", "figures_alone"), ("pandas", "by_pandas"))
        }
    out = []

    def row(name: str, us: float, them: float, limit: float, *, least: bool = False) -> None:
        ratio = them / us if least else us / them
        kept = limit if movements >= AT else None
        out.append(Row(name, movements, us, them, ratio, kept, least))

    for key, called in zip(QUESTIONS, CALLED, strict=True):
        us, duckdb, pandas = (took[who, key] for who in ("ours", "DuckDB", "pandas"))
        row(f"{called}: ours ÷ DuckDB on Parquet", us, duckdb, 1.0)
        row(f"{called}: pandas ÷ ours", us, pandas, 10, least=True)
    row("most memory, in MB: ours ÷ pandas", memory["ours"], memory["pandas"], 0.25)
    return out


def told(way: Any) -> dict[str, list[tuple]]:
    """What DuckDB or pandas says, as plain rows."""

    def plain(answer: Any) -> list[tuple]:
        return (
            answer if isinstance(answer, list) else list(answer.itertuples(index=False, name=None))
        )

    _, stood = way.per_site_day()
    return {
        "yields": plain(way.yields()),
        "waste": plain(way.waste()),
        "margin": plain(way.margin()),
        "stood": plain(stood),
    }
