"""Statements by outlet and month, and what a bookkeeper takes away."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from grow import clock, roles, scope
from grow.asks import READ, Ask
from grow.errors import NotKnown
from grow.flat import columns_of
from grow.looking import LEADS, WRITTEN, Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Business, Person
from grow.page import Page
from grow.rest import shown
from grow.start import address

from . import bookkeeping, statements
from .models import Outlet
from .statements import StatementLine
from .unstated import Missing, Unstated, unstated

NO_INVOICE = (
    "A statement is not an invoice, and this is no tax advice: prices are net of tax, with the tax "
    "code of your own price list."
)


def may_read_money(person: Person) -> bool:
    """Who sees what everything fetched: nobody who is tied to one outlet."""
    return person.has_perm("sales.view_money") and not scope.tied_to(person)


# --- statements ----------------------------------------------------------------------------------


def _lines(currency: str) -> tuple[Column, ...]:
    return (
        Column("day", "Day", "day"),
        Column("paper", "Note or till"),
        Column("what", "What"),
        Column("quantity", "How much", "amount"),
        Column("unit_pence", f"Each or a kg, {currency}", "money"),
        Column("tax_code", "Tax code"),
        Column("told", "", "mark"),
        Column("pence", currency, "money"),
    )


def _kept(currency: str) -> tuple[Column, ...]:
    return (
        Column("day", "Day", "day"),
        Column("paper", "Note"),
        Column("what", "What"),
        Column("quantity", "How much", "amount"),
        Column("why", "Why"),
        Column("pence", f"It would have been, {currency}", "money"),
    )


def _unstated() -> tuple[Column, ...]:
    return (
        Column("day", "Day", "day"),
        Column("paper", "Note or till"),
        Column("what", "What"),
        Column("quantity", "How much", "amount"),
        Column("missing", "Why", "missing"),
        Column("entry", "Entry", "entry"),
    )


_WHY = {
    Missing.PRICE: (
        "no price",
        "No price: the outlet's list had none on that day. One that is added now is of what is "
        "told from now on; the entry can be cancelled and told again.",
    ),
    Missing.LOT: (
        "lot unknown",
        "Lot unknown: the till sold more than the books held there. Goods put on the shelf and "
        "told late settle it; what nobody finds stays here.",
    ),
}
WRITTEN["missing"] = lambda value, row: _WHY[Missing(value)][0]


def flat(account: Mapping[str, Any]) -> tuple[list[str], list[Mapping[str, Any]]]:
    """A statement, as the API has it, as one table: its lines, then what is on none, with no
    pence and with what is missing of it."""
    columns = columns_of(shown(StatementLine))
    more = [name for name in columns_of(shown(Unstated)) if name not in columns]
    return [*columns, *more], [*account["lines"], *account["unstated"]]


def statement_page(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    outlets = [(str(outlet), str(outlet)) for outlet in Outlet.objects.all()]
    last = statements.month_of(statements.month_of(today) - dt.timedelta(days=1))
    return looked(
        request,
        title="Statements",
        lead="What an outlet owes for a month, or took of named and worked-out lots: every penny "
        "of the books stands on one statement. What has no penny in the books is listed below it.",
        caution=NO_INVOICE,
        questions=[
            Question("outlet", "Outlet", value=outlets[0][0] if outlets else "", choices=outlets),
            Question("month", "Any day of the month", "date", last.isoformat()),
        ],
        answer=_statement,
    )


def _statement(person: Person, asked: Mapping[str, str]) -> Answer | None:
    outlet = Outlet.objects.filter(place__name=asked["outlet"]).first()
    if outlet is None:
        if not asked["outlet"]:
            return None
        raise NotKnown("outlet", f"No outlet here is called {asked['outlet']}.")
    month = READ["day"](Ask("month", "day"), asked["month"], False)
    found = statements.account(outlet, month)
    plain = shown(statements.Account)(found).data
    columns, flat_rows = flat(plain)
    rows = [row | {"told": "told later" if row["late"] else ""} for row in plain["lines"]]
    total = {"what": "In all, net of tax", "pence": found.total_p, "quantity": None, "unit": "g"}
    kept, gone = plain["not_charged"], plain["unstated"]
    why = {row.missing for row in found.unstated}
    currency = found.currency
    ways = []
    over = found.month < statements.month_of(clock.local(clock.now()).date())
    if not found.issued and over and roles.may(person, "issue_statement"):
        ways.append(
            ("Issue it", address("issue_statement", outlet=str(outlet), month=month.isoformat()))
        )
    title = f"{outlet}, {found.month:%B %Y}"
    return Answer(
        [
            Section(
                f"Internal: {title}" if found.internal else title,
                says=_said(found, over),
                facts=[
                    (f"Tax code {of.tax_code or '–'}", f"{of.pence / 100:,.2f} {currency}")
                    for of in found.by_tax_code
                ],
                ways=ways,
            ),
            Section(
                "Its lines",
                table=Table(_lines(currency), [*rows, total], sums=1, stacks=True)
                if rows
                else None,
                empty="Nothing was sold there, or delivered, in that month.",
            ),
            Section(
                "Not charged",
                says=[
                    "What its notes said and it did not keep, as known "
                    f"{'when it was issued' if found.issued else 'today'}; on no line above."
                ],
                table=Table(_kept(currency), kept, stacks=True) if kept else None,
                empty="Everything on its notes came and was kept.",
            ),
            Section(
                "On no statement",
                says=[*(_WHY[of][1] for of in Missing if of in why), "As known today."]
                if gone
                else (),
                table=Table(_unstated(), gone, stacks=True) if gone else None,
                empty="Everything that went there has a price and a lot.",
                name="unstated",
            ),
        ],
        file=f"statement-{outlet}-{found.month:%Y-%m}".replace(" ", "-").lower(),
        columns=columns,
        rows=flat_rows,
    )


def _said(found: statements.Account, over: bool) -> list[str]:
    said = [f"From {found.seller}."] if found.seller else []
    if found.internal:
        basis = f"basis: {found.price_basis}" if found.price_basis else "nobody has said its basis"
        said.append(f"Internal, at a transfer price ({basis}). It is no sale.")
    if found.issued:
        said.append(
            f"Statement {found.number}, issued {clock.local(found.issued):%d %b %Y}. What was told "
            "since stands on the next."
        )
    else:
        said.append("Not issued yet." if over else "The month is not over; this is how it stands.")
    if found.late_p:
        said.append(
            f"{found.late_p / 100:,.2f} {found.currency} of it was told after its own month was "
            "stated."
        )
    if n := len(found.unstated):
        said.append(f"{n} {'entry is' if n == 1 else 'entries are'} on no statement, listed below.")
    return said


# --- for a bookkeeper ----------------------------------------------------------------------------


def books_page(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    first = statements.month_of(today)
    return looked(
        request,
        title="For the bookkeeper",
        lead="Sales and purchases by month, net of tax. The CSV has the same rows.",
        caution=NO_INVOICE,
        questions=[
            Question("first", "From", "date", first.isoformat()),
            Question("last", "to", "date", today.isoformat()),
        ],
        answer=_books,
    )


def _books(person: Person, asked: Mapping[str, str]) -> Answer:
    first, last = (READ["day"](Ask(n, "day"), asked[n], False) for n in ("first", "last"))
    found = bookkeeping.books(first, last)
    plain = shown(bookkeeping.BookRow)
    rows = [dict(plain(row).data) for row in found]
    currency = Business.the().currency
    parts = []
    for kind, title, empty in (
        ("sale", "Sales", "Nothing was sold in that time."),
        ("internal", "Internal: our own kitchen, no sale", "Nothing went to our own kitchen."),
        ("purchase", "Purchases", "Nobody told what was paid for anything in that time."),
    ):
        own = [row for row in rows if row["kind"] == kind]
        total = {"what": "In all", "pence": sum(row["pence"] for row in own)}
        columns = (
            Column("month", "Month"),
            Column("whom", "From" if kind == "purchase" else "To"),
            Column("what", "What"),
            Column("tax_code", "Tax code"),
            Column("pence", currency, "money"),
        )
        table = Table(columns, [*own, total], sums=1, stacks=True) if own else None
        parts.append(Section(title, table=table, empty=empty))
    parts.append(_in_no_sum(first, last))
    return Answer(
        parts, file=f"sales-and-purchases-{first}-{last}", columns=columns_of(plain), rows=rows
    )


def _in_no_sum(first: dt.date, last: dt.date) -> Section:
    """How much has no penny in the books, by outlet and month, each leading to its list."""
    many = Counter((row.outlet, statements.month_of(row.day)) for row in unstated(first, last))
    rows = [
        {"month": f"{month:%Y-%m}", "whom": outlet, "many": n, "list": (outlet, month)}
        for (outlet, month), n in sorted(many.items())
    ]
    columns = (
        Column("month", "Month"),
        Column("whom", "To"),
        Column("many", "How many", "whole"),
        Column("list", "Which", "statement"),
    )
    return Section(
        "In no sum above",
        says=["What went out without a price, or was sold of nobody knows which lot."]
        if rows
        else (),
        table=Table(columns, rows, stacks=True) if rows else None,
        empty="Nothing: everything that went out has a price and a lot.",
    )


def _list_of(value: Any) -> str:
    outlet, month = value
    return f"{reverse('admin:statements')}?{urlencode({'outlet': outlet, 'month': month})}#unstated"


LEADS["statement"] = _list_of
WRITTEN["statement"] = lambda value, row: "Look"

MONEY_PAGES = [
    Page("statements/", "statements", "Statements", None, statement_page, may=may_read_money),
    Page("books/", "books", "For the bookkeeper", None, books_page, may=may_read_money),
]
