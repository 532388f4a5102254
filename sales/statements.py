"""What an outlet owes for a month: every penny of the ledger stands on one statement.

A statement is not an invoice. An issued one keeps what was told by then; what is told later of a
stated month stands on the next, and says so.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import Q, QuerySet

from grow import clock
from grow.models import Event, Movement, PlaceKind, alive
from grow.readings import says

from .models import DeliveryNote, Money, Outlet, Price, Statement
from .naming import line_names
from .pricing import signed, worth


@dataclass(frozen=True)
class StatementLine:
    """What was delivered, sold or came back on one day at one price, net of tax. quantity: whole
    units, less than nought where more came back; unit: g or each. unit_pence: for one, or for a
    kilogram. late: told after its own month was stated."""

    day: dt.date
    paper: str
    line: str
    what: str
    quantity: int
    unit: str
    unit_pence: int
    tax_code: str
    pence: int
    late: bool


@dataclass(frozen=True)
class NotCharged:
    """What a note said and the outlet did not keep, at the price of that day; it is on no line
    above. pence is None where there was no price."""

    day: dt.date
    paper: str
    what: str
    quantity: int
    unit: str
    why: str
    pence: int | None


@dataclass(frozen=True)
class TaxSum:
    tax_code: str
    pence: int


@dataclass
class Account:
    """A month of an outlet. month: its first day. internal: our own kitchen, at a transfer price
    with its basis in words; never one sum with sales. number, issued: None until it is issued."""

    outlet: str
    month: dt.date
    currency: str
    internal: bool
    price_basis: str
    number: str | None = None
    issued: dt.datetime | None = None
    lines: list[StatementLine] = field(default_factory=list)
    not_charged: list[NotCharged] = field(default_factory=list)

    @property
    def total_p(self) -> int:
        return sum(line.pence for line in self.lines)

    @property
    def late_p(self) -> int:
        return sum(line.pence for line in self.lines if line.late)

    @property
    def by_tax_code(self) -> list[TaxSum]:
        sums: dict[str, int] = defaultdict(int)
        for line in self.lines:
            sums[line.tax_code] += line.pence
        return [TaxSum(code, pence) for code, pence in sorted(sums.items())]


def month_of(day: dt.date) -> dt.date:
    """The first day of its month."""
    return day.replace(day=1)


def month_after(month: dt.date) -> dt.date:
    return month_of(month + dt.timedelta(days=31))


def is_internal(outlet: Outlet) -> bool:
    """Our own kitchen takes what we grow: nobody outside pays for it."""
    return outlet.place.kind == PlaceKind.KITCHEN


def account(outlet: Outlet, month: dt.date, currency: str = "GBP") -> Account:
    """An outlet's month as it stands: as issued, or as it would be issued now. Few queries,
    however many rows."""
    first = month_of(month)
    own = Statement.objects.filter(outlet=outlet, month=_number(first)).select_related("event")
    issued = own.first()
    found = Account(outlet.place.name, first, currency, is_internal(outlet), outlet.price_basis)
    if issued:
        found.number, found.issued = issued.number, issued.event.recorded_at
    rows = _money(outlet, first, issued).select_related(
        "movement__lot", "movement__from_place", "movement__to_place"
    )
    found.lines = _lines(rows, clock.day_number(first))
    found.not_charged = _not_charged(outlet, first)
    return found


def _number(month: dt.date) -> int:
    return month.year * 100 + month.month


def _money(outlet: Outlet, first: dt.date, issued: Statement | None) -> QuerySet[Money]:
    """Rows of the month, and of the months stated before it what was told since the last of
    those. Months are stated without a gap, so each row stands on one statement."""
    before = Statement.objects.filter(outlet=outlet, month__lt=_number(first))
    last = before.order_by("-month").first()
    start, end = clock.day_number(first), clock.day_number(month_after(first))
    rows = Q(movement__day__gte=start, movement__day__lt=end)
    if last and last.after == first:  # it stands on the first month after, alone
        rows |= Q(movement__day__lt=start, movement_id__gt=last.up_to)
    told = Money.objects.filter(rows, outlet=outlet)
    return told.filter(movement_id__lte=issued.up_to) if issued else told


def _lines(rows: Iterable[Money], start: int) -> list[StatementLine]:
    rows = list(rows)
    papers = _papers({row.movement.event_id for row in rows})
    names = line_names({row.movement.lot.line for row in rows})
    sums: dict[tuple, list[int]] = defaultdict(lambda: [0, 0])
    for row in rows:
        m = row.movement
        paper = papers[m.event_id]
        key = (m.day, paper, m.lot.line, m.lot.unit, row.unit_pence, row.tax_code)
        sums[key][0] += signed(row)
        sums[key][1] += row.pence
    return [
        StatementLine(
            clock.number_day(day),
            paper,
            line,
            names.get(line, line),
            quantity,
            unit,
            unit_pence,
            code,
            pence,
            late=day < start,
        )
        for (day, paper, line, unit, unit_pence, code), (quantity, pence) in sorted(sums.items())
        if quantity or pence  # what was taken back within the month never was
    ]


def _papers(entries: set[int]) -> dict[int, str]:
    """What each entry goes by: the number of its note, its till, else what the act is called. An
    entry of the books' own, or a correction, goes by the act that it follows from."""
    known: dict[int, Event] = {}
    wanted = entries
    while wanted:
        known |= Event.objects.in_bulk(wanted)
        wanted = {e.corrects_id for e in known.values() if e.corrects_id} - known.keys()
    told = {
        pk: json.loads(e.told or "{}") for pk, e in known.items() if e.kind in ("receive", "sell")
    }
    noted = {facts["note"] for facts in told.values() if "note" in facts}
    numbers = dict(DeliveryNote.objects.filter(pk__in=noted).values_list("pk", "number"))

    def paper(event: Event) -> str:
        while event.corrects_id:
            event = known[event.corrects_id]
        facts = told.get(event.pk, {})
        return numbers.get(facts.get("note")) or facts.get("till") or says(event.kind)

    return {pk: paper(known[pk]) for pk in entries}


_NOT_KEPT = {PlaceKind.COUNT_DIFFERENCE: "short", PlaceKind.QUARANTINE: "rejected"}


def _not_charged(outlet: Outlet, first: dt.date) -> list[NotCharged]:
    """What did not come, or was sent back at the door, by its notes."""
    short = Movement.objects.filter(
        alive("event"),
        event__kind="receive",
        from_place__belongs_to=outlet.place,
        from_place__kind=PlaceKind.TRANSIT,
        to_place__kind__in=_NOT_KEPT,
        day__gte=clock.day_number(first),
        day__lt=clock.day_number(month_after(first)),
    )
    rows = list(short.select_related("lot", "to_place").order_by("day", "pk"))
    papers = _papers({m.event_id for m in rows})
    names = line_names({m.lot.line for m in rows})
    prices: dict[str, list[Price]] = defaultdict(list)
    for price in Price.objects.filter(outlet=outlet, line__in=names).order_by("since"):
        prices[price.line].append(price)

    def at(m: Movement) -> int | None:
        day = clock.number_day(m.day)
        stood = [p.pence for p in prices[m.lot.line] if p.since <= day]
        return worth(m.quantity, m.lot.unit, stood[-1]) if stood else None

    return [
        NotCharged(
            clock.number_day(m.day),
            papers[m.event_id],
            names.get(m.lot.line, m.lot.title),
            m.quantity,
            m.lot.unit,
            _NOT_KEPT[PlaceKind(m.to_place.kind)],
            at(m),
        )
        for m in rows
    ]
