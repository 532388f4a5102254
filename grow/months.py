"""Months that are over, added up once more, so that years are read by their months.

A source says what the rows of some days come to, by month, crop and a key of its own. A sweep
counts the months that are over and adds what they come to beyond what was added before. A reading
takes a month from these sums while nothing that was told since can have changed it, and counts
it from the rows otherwise, until the next sweep. So a source may count nothing but what follows
from acts of those days and of days before: no rate, no price, no name.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from typing import NamedTuple

from django.db import connection
from django.db.models import Max, Min, Sum

from . import clock, sums
from .models import Crop, Event, LotKind, MonthsSwept, MonthSum

#: A whole thing in parts, for what is shared to crops: a penny, a pack.
FINE = 10**9
_DAY = dt.timedelta(days=1)


class Row(NamedTuple):
    """What is added up together. month is yyyymm, or nought in a reading that was not asked by
    month; crop an id, or None where none is known or none was asked for."""

    what: str
    month: int
    crop: int | None
    key: str


#: (first day, last day, which of its whats) → quantities of them, by month.
Source = Callable[[dt.date, dt.date, Iterable[str]], Mapping[Row, int]]
#: What is counted → by whom. Filled by each app for its own rows.
SOURCES: dict[str, Source] = {}


def source(*whats: str) -> Callable[[Source], Source]:
    def register(count: Source) -> Source:
        SOURCES.update(dict.fromkeys(whats, count))
        return count

    return register


#: Lots whose movements are read by months. Of them, a key is the rest of the sums' cell.
MOVED = (LotKind.BATCH, LotKind.HARVEST, LotKind.PACK, LotKind.PRODUCE)


@source(*MOVED)
def _moved(first: dt.date, last: dt.date, kinds: Iterable[str]) -> Mapping[Row, int]:
    out: Counter[Row] = Counter()
    for cell, quantity in sums.reading(first, last, lot_kinds=kinds).items():
        out[Row(cell.lot_kind, cell.day // 100, cell.crop, "/".join(cell[3:]))] += quantity
    return out


def cell(what: str, key: str) -> sums.Cell:
    """What moved in a row, as the sums have it; of no day and no crop."""
    event, start, end, unit = key.split("/")
    return sums.Cell(0, None, what, event, start, end, unit)


# --- the reading ----------------------------------------------------------------------------


def reading(
    first: dt.date | None,
    last: dt.date,
    whats: Iterable[str],
    *,
    by_month: bool = True,
    by_crop: bool = True,
    keys: Mapping[str, Collection[str]] | None = None,
) -> Counter[Row]:
    """Quantities over local days, both inclusive; from the beginning of the books with None. keys:
    of these whats, which rows alone."""
    wanted, only = sorted(whats), keys or {}
    out: Counter[Row] = Counter()

    def add(row: Row, quantity: int) -> None:
        row = row._replace(month=row.month if by_month else 0, crop=row.crop if by_crop else None)
        out[row] += quantity

    with sums.one_moment():
        start, stop = _whole_months(first, last)
        if start <= stop:
            stop = min(stop, settled())
        if start <= stop:
            # by hand, and added up here: the ORM takes longer to hand over tens of thousands of
            # rows than to ask for them, and nearly every one is the only one of its key
            names = ("what", "month" if by_month else "0", "crop_id" if by_crop else "NULL", "key")
            narrowed = "".join(
                f"AND (what <> %s OR key IN ({_marks(its)})) " for its in only.values()
            )
            with connection.cursor() as cursor:
                cursor.execute(
                    f"SELECT {', '.join(names)}, quantity FROM grow_monthsum "
                    f"WHERE what IN ({_marks(wanted)}) AND month BETWEEN %s AND %s {narrowed}",
                    [*wanted, start, stop, *(p for w, its in only.items() for p in (w, *its))],
                )
                for what, month, crop, key, quantity in cursor:
                    out[Row(what, month, crop, key)] += quantity
        for since, until in _beside(first, last, start, stop):
            for row, quantity in count(since, until, wanted).items():
                if row.what not in only or row.key in only[row.what]:
                    add(row, quantity)
    return out


def _marks(of: Collection[object]) -> str:
    return ", ".join(["%s"] * len(of)) or "NULL"


def count(first: dt.date, last: dt.date, whats: Iterable[str]) -> Counter[Row]:
    """What the sources say of days, from the rows."""
    asked: dict[Source, list[str]] = {}
    for what in whats:
        asked.setdefault(SOURCES[what], []).append(what)
    out: Counter[Row] = Counter()
    for counting, its in asked.items():
        out.update(counting(first, last, its))
    return out


def _whole_months(first: dt.date | None, last: dt.date) -> tuple[int, int]:
    """The first and the last month that lie within days, the first after the last where none does;
    from the beginning of the books the first may be any."""
    start = 1
    if first is not None:
        start = of(first) if first.day == 1 else of(_next_month(of(first)))
    return start, of(last) if (last + _DAY).day == 1 else _before(of(last))


def _beside(
    first: dt.date | None, last: dt.date, start: int, stop: int
) -> Iterator[tuple[dt.date, dt.date]]:
    """The days that those months leave."""
    if start <= stop:
        if first and first < _first_day(start):
            yield first, _first_day(start) - _DAY
        first = _next_month(stop)
    elif first is None:
        begun = Event.objects.aggregate(n=Min("day"))["n"]
        first = clock.number_day(begun) if begun else last
    if first <= last:
        yield first, last


def settled() -> int:
    """The last month that is read from its sums, and every one before it; nought for none."""
    kept = MonthsSwept.objects.order_by("-pk").values_list("through", "upto").first()
    if kept is None:
        return 0
    through, upto = kept
    over = _before(of(clock.local(clock.now()).date()))
    told = _told_of_since(upto)
    return max(min(through, over, _before(told // 100) if told else through), 0)


#: The earliest day of which something was told after an event: the act's own, that of the act that
#: it corrects, two steps back. Plants taken back may let an older act have taken others instead,
#: so they count from the sowing on. CROSS JOIN, so that SQLite begins at the few events.
_TOLD_OF = """
SELECT MIN(day) FROM (
    SELECT e.day FROM grow_event e WHERE e.id > %(upto)s
    UNION ALL
    SELECT CASE WHEN cc.day < c.day THEN cc.day ELSE c.day END
    FROM grow_event e CROSS JOIN grow_event c
    LEFT JOIN grow_event cc ON cc.id = c.corrects_id
    WHERE e.id > %(upto)s AND c.id = e.corrects_id
    UNION ALL
    SELECT made.day
    FROM grow_event e CROSS JOIN grow_movement m CROSS JOIN grow_lot l CROSS JOIN grow_event made
    WHERE e.id > %(upto)s AND e.corrects_id IS NOT NULL
      AND m.event_id = e.id AND l.id = m.lot_id AND l.kind = 'batch' AND made.id = l.made_by_id
) told
"""


def _told_of_since(upto: int) -> int | None:
    with connection.cursor() as cursor:
        cursor.execute(_TOLD_OF, {"upto": upto})
        return cursor.fetchone()[0]


# --- the sweep ------------------------------------------------------------------------------


def close() -> None:
    """Add up the months that are over and not settled. Part of a sweep, which has the gate alone:
    no act is under way that it could pass over."""
    begun = Event.objects.aggregate(day=Min("day"), last=Max("pk"))
    if not begun["day"]:
        return
    through = _before(of(clock.local(clock.now()).date()))
    upto = begun["last"]
    known = settled()
    start = of(_next_month(known)) if known else begun["day"] // 100
    for first, last in _years(start, through):
        changes = count(_first_day(first), _next_month(last) - _DAY, SOURCES)
        changes.subtract(_kept(first, last))
        MonthSum.objects.bulk_create(
            [
                MonthSum(
                    what=row.what,
                    month=row.month,
                    crop_id=row.crop,
                    key=row.key,
                    quantity=quantity,
                    upto=upto,
                )
                for row, quantity in sorted(changes.items(), key=_in_order)
                if quantity
            ],
            batch_size=1000,
        )
    newest = MonthsSwept.objects.order_by("-pk").values_list("through", "upto").first()
    if through >= begun["day"] // 100 and newest != (through, upto):
        MonthsSwept.objects.create(through=through, upto=upto)


def _kept(first: int, last: int) -> Counter[Row]:
    rows = MonthSum.objects.filter(month__gte=first, month__lte=last)
    return Counter(
        {
            Row(*row[:4]): int(row[4])
            for row in rows.values_list("what", "month", "crop_id", "key").annotate(Sum("quantity"))
        }
    )


def _in_order(item: tuple[Row, int]) -> tuple[str, int, int, str]:
    row = item[0]
    return row.what, row.month, row.crop or 0, row.key


def month_faults(most: int = 20) -> list[str]:
    """Sentences where the sums of a settled month say otherwise than its rows."""
    out: list[str] = []
    with sums.one_moment():
        first = MonthSum.objects.aggregate(n=Min("month"))["n"]
        names: dict[int | None, str] = dict(Crop.objects.values_list("pk", "name"))
        for start, stop in _years(first, settled()) if first else ():
            true = count(_first_day(start), _next_month(stop) - _DAY, SOURCES)
            told = _kept(start, stop)
            for row, _ in sorted({**told, **true}.items(), key=_in_order):
                if told[row] != true[row]:
                    out.append(
                        f"The sums of {names.get(row.crop, 'no known crop')} in month {row.month} "
                        f"say {told[row]} of {row.what} {row.key}; the rows say {true[row]}."
                    )
    return out[:most]


# --- months ---------------------------------------------------------------------------------


def of(day: dt.date) -> int:
    return day.year * 100 + day.month


def within(first: dt.date, last: dt.date) -> Iterator[int]:
    """The months of which days lie within two days, both inclusive."""
    month = of(first)
    while month <= of(last):
        yield month
        month = of(_next_month(month))


def pieces(first: dt.date, last: dt.date) -> Iterator[tuple[dt.date, dt.date]]:
    """Days cut where a month ends."""
    for month in within(first, last):
        yield max(first, _first_day(month)), min(last, _next_month(month) - _DAY)


def _first_day(month: int) -> dt.date:
    return dt.date(month // 100, month % 100, 1)


def _next_month(month: int) -> dt.date:
    """Its first day."""
    year, number = divmod(month, 100)
    return dt.date(year + number // 12, number % 12 + 1, 1)


def _before(month: int) -> int:
    return of(_first_day(month) - _DAY)


def _years(first: int, last: int) -> Iterator[tuple[int, int]]:
    """(first month, last month) of each year, so that a long history is not held at once."""
    for year in range(first // 100, last // 100 + 1) if first <= last else ():
        yield max(first, year * 100 + 1), min(last, year * 100 + 12)


sums.AFTER_SWEEP.append(close)

__all__ = ["FINE", "MOVED", "SOURCES", "Row", "cell", "close", "count", "month_faults", "of",
           "pieces", "reading", "settled", "source", "within"]  # fmt: skip
