"""What stands where, and what was done on a day, as pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict

from django.http import HttpRequest
from django.http.response import HttpResponseBase

from . import clock, readings, scope
from .flat import columns_of
from .looking import Answer, Column, Question, Section, Table
from .looking import page as looked
from .models import ENDS, SOURCES, Lot, LotKind, Person, Place
from .page import Page
from .readings import EntryRow, StockRow
from .rest import called, shown

_STOCK = (
    Column("place", "Where"),
    Column("title", "What"),
    Column("quantity", "How much", "amount"),
    Column("lot", "Lot", "code"),
    Column("use_by", "Use by", "day"),
    Column("state", "Held", "mark"),
)
_ENTRIES = (
    Column("happened_at", "Time", "time"),
    Column("says", "What"),
    Column("did", "Who"),
    Column("amounts", "What moved", "long"),
    Column("id", "Entry", "entry"),
)
#: An entry's own record is shut to whoever is tied to places, so they are offered none.
_ENTRIES_OF_TIED = _ENTRIES[:-1]


# --- stock ------------------------------------------------------------------------------------


def stock_page(request: HttpRequest) -> HttpResponseBase:
    person = request.user
    assert isinstance(person, Person)
    places = scope.seen(Place.objects.exclude(kind__in=[*SOURCES, *ENDS]), person)
    tied = scope.tied_to(person)
    names = (places.filter(pk__in=tied) if tied else places).values_list("name", flat=True)
    return looked(
        request,
        title="What is here",
        questions=[
            Question("place", "Where", choices=[(n, n) for n in names], help="Everywhere"),
            Question("at", "On", "date", help="Left out: now. A day means its end."),
            Question("lot", "Lot", "search"),
        ],
        answer=_stock,
    )


def _stock(person: Person, asked: Mapping[str, str]) -> Answer:
    at = readings.moment(asked["at"]) if asked["at"] else None
    rows = readings.stock(
        person,
        at=at,
        place=called(Place, asked["place"], person) if asked["place"] else None,
        lot=called(Lot, asked["lot"], person) if asked["lot"] else None,
    )
    when = clock.local(at or clock.now())
    table = [
        asdict(row)
        | {
            "title": row.title or LotKind(row.kind).label,
            "state": "held" if row.held else "",
        }
        for row in rows
    ]
    return Answer(
        [
            Section(
                f"{when:%H:%M on %d %b %Y}",
                table=Table(_STOCK, table),
                empty="Nothing stands there.",
            )
        ],
        file=f"stock-{when:%Y-%m-%d}",
        columns=columns_of(shown(StockRow)),
        rows=map(asdict, rows),
    )


# --- a day's entries ---------------------------------------------------------------------------


def day_page(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    return looked(
        request,
        title="What was done",
        questions=[Question("day", "On", "date", today.isoformat())],
        answer=_day,
    )


def _day(person: Person, asked: Mapping[str, str]) -> Answer:
    day = readings.moment(asked["day"], "day", start=True)
    rows = readings.today(person, clock.local(day).date())
    table = [
        asdict(row)
        | {
            "did": ", ".join(row.done_by) or row.recorded_by,
            "says": row.says + (", taken back" if row.cancelled else ""),
            "amounts": _moved(row),
        }
        for row in rows
    ]
    flags = [flag for row in rows for flag in row.flags]
    return Answer(
        [
            *([Section("To be looked at", says=flags, loud=True)] if flags else []),
            Section(
                f"{clock.local(day):%A %d %b %Y}",
                table=Table(_ENTRIES_OF_TIED if scope.tied_to(person) else _ENTRIES, table),
                empty="Nothing was recorded of that day.",
            ),
        ],
        file=f"entries-{clock.local(day):%Y-%m-%d}",
        columns=columns_of(shown(EntryRow)),
        # as the API writes them: one moment has one spelling
        rows=shown(EntryRow)(rows, many=True).data,
    )


def _moved(row: EntryRow) -> str:
    from .wording import amount

    said = [
        f"{amount(m.quantity, m.unit)} {m.title or m.lot} from {m.from_place} to {m.to_place}"
        for m in row.moved[:3]
    ]
    more = len(row.moved) - len(said)
    return "; ".join([*said, *([f"and {more} more"] if more else [])]) or ", ".join(row.lots)


LOOKING = [
    Page("stock/", "stock", "What is here", "grow.view_holding", stock_page),
    Page("day/", "day", "What was done", "grow.view_event", day_page),
]
