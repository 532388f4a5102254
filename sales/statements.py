"""What an outlet owes for a month: every penny of the ledger stands on one statement.

A statement is not an invoice. An issued one is kept as it read then, names and all; what is told
later of a stated month stands on the next, and says so. What no penny is known of stands beside it,
on no statement.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Q, QuerySet

from grow import clock
from grow.models import Business, Movement, PlaceKind, alive

from .models import Money, Outlet, Price, Statement
from .naming import line_names
from .papers import behind
from .pricing import signed, worth
from .unstated import Unstated, unstated


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
    with its basis in words; never one sum with sales. seller: whose statement it is. number and
    issued: None until it is issued; from then on all of it is kept but for unstated, which is as
    known today and on no statement."""

    seller: str
    outlet: str
    month: dt.date
    currency: str
    internal: bool
    price_basis: str
    number: str | None = None
    issued: dt.datetime | None = None
    lines: list[StatementLine] = field(default_factory=list)
    not_charged: list[NotCharged] = field(default_factory=list)
    unstated: list[Unstated] = field(default_factory=list)

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


def account(outlet: Outlet, month: dt.date) -> Account:
    """An outlet's month as it stands: as issued, or as it would be issued now. Few queries,
    however many rows."""
    first = month_of(month)
    issued, last = stated(outlet, first)
    found = (
        _kept(issued.stated) if issued and issued.stated else _stands(outlet, first, issued, last)
    )
    if issued:
        found.number, found.issued = issued.number, issued.event.recorded_at
    found.unstated = unstated(first, month_after(first) - dt.timedelta(days=1), outlet)
    return found


def as_it_stands(outlet: Outlet, first: dt.date) -> Account:
    """What would be issued now of a month, without what is on no statement."""
    return _stands(outlet, first, *stated(outlet, first))


def stated(outlet: Outlet, first: dt.date) -> tuple[Statement | None, Statement | None]:
    """The statement of a month, and the last of those before it."""
    own = Statement.objects.filter(outlet=outlet, month__lte=_number(first))
    rows = list(own.select_related("event").order_by("-month")[:2])
    issued = rows.pop(0) if rows and rows[0].month == _number(first) else None
    return issued, next(iter(rows), None)


def _stands(
    outlet: Outlet, first: dt.date, issued: Statement | None, last: Statement | None
) -> Account:
    """What a month comes to by the books; of an issued one, by what was told by then."""
    business = Business.the()
    rows = money(outlet, first, issued, last).select_related(
        "movement__lot", "movement__from_place", "movement__to_place"
    )
    return Account(
        ", ".join(filter(None, (business.name, business.address))),
        outlet.place.name,
        first,
        business.currency,
        is_internal(outlet),
        outlet.price_basis,
        lines=_lines(rows, clock.day_number(first)),
        not_charged=_not_charged(outlet, first),
    )


def to_keep(found: Account) -> dict[str, Any]:
    """What an issued statement keeps of itself, as `Statement.stated` has it."""
    told = dataclasses.asdict(found)
    return {name: value for name, value in told.items() if name not in _NOT_KEPT_OF_IT}


_NOT_KEPT_OF_IT = ("number", "issued", "unstated")


def _kept(told: dict[str, Any]) -> Account:
    return Account(
        **told
        | {
            "month": dt.date.fromisoformat(told["month"]),
            "lines": [StatementLine(**_dated(row)) for row in told["lines"]],
            "not_charged": [NotCharged(**_dated(row)) for row in told["not_charged"]],
        }
    )


def _dated(row: dict[str, Any]) -> dict[str, Any]:
    return row | {"day": dt.date.fromisoformat(row["day"])}


def _number(month: dt.date) -> int:
    return month.year * 100 + month.month


def money(
    outlet: Outlet, first: dt.date, issued: Statement | None, last: Statement | None
) -> QuerySet[Money]:
    """Rows of the month, and of the months stated before it what was told since the last of
    those. Months are stated without a gap, so each row stands on one statement."""
    start, end = clock.day_number(first), clock.day_number(month_after(first))
    rows = Q(movement__day__gte=start, movement__day__lt=end)
    if last and last.after == first:  # it stands on the first month after, alone
        rows |= Q(movement__day__lt=start, movement_id__gt=last.up_to)
    told = Money.objects.filter(rows, outlet=outlet)
    return told.filter(movement_id__lte=issued.up_to) if issued else told


def _lines(rows: Iterable[Money], start: int) -> list[StatementLine]:
    rows = list(rows)
    papers = behind(row.movement.event_id for row in rows)
    names = line_names({row.movement.lot.line for row in rows})
    sums: dict[tuple, list[int]] = defaultdict(lambda: [0, 0])
    for row in rows:
        m = row.movement
        paper = papers[m.event_id].paper
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
    papers = behind(m.event_id for m in rows)
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
            papers[m.event_id].paper,
            names.get(m.lot.line, m.lot.title),
            m.quantity,
            m.lot.unit,
            _NOT_KEPT[PlaceKind(m.to_place.kind)],
            at(m),
        )
        for m in rows
    ]
