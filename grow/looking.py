"""Pages that are read: a question on top, its answer in tables, and the same rows as CSV.

A page is a function of what was asked that returns `Answer`s; `page` does the rest.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import NoReverseMatch, reverse
from django.utils.dateparse import parse_datetime
from django.utils.html import escape, format_html
from django.utils.safestring import SafeString

from . import clock, codes
from .asks import Ask
from .errors import Refusal
from .flat import as_workbook, download, number_in
from .models import Basis, Person
from .wording import amount

#: A question is no longer: room for two dozen codes.
LONGEST = 400
#: Shown where there is nothing that a figure could be worked out from.
NONE = "–"


@dataclass(frozen=True)
class Question:
    """One field of the question. choices: what may be picked; else it is typed."""

    name: str
    label: str
    type: str = "text"
    value: str = ""
    choices: Sequence[tuple[str, str]] = ()
    help: str = ""
    #: Asked seldom: under a fold, with others of its kind.
    seldom: bool = False


@dataclass(frozen=True)
class Column:
    """One column: which value of a row, its heading, and how it is written. A heading names the
    unit of what is below it."""

    name: str
    head: str
    how: str = "text"
    #: Of a row, the name of the address that its value leads to: the rows behind a figure.
    leads: str = ""

    @property
    def look(self) -> str:
        """How its cells stand: figures under each other, sentences with room for a few words."""
        if self.how in NUMBERS:
            return "num"
        return "name" if self.leads else self.how if self.how in ("long", "day") else ""

    def cell(self, row: Mapping[str, Any]) -> Cell:
        value = row.get(self.name)
        url = str(row.get(self.leads) or "") if self.leads else self._address(value)
        return Cell(WRITTEN[self.how](value, row), self.look, url, self.head)

    def _address(self, value: Any) -> str:
        return LEADS[self.how](value) if value and self.how in LEADS else ""


@dataclass(frozen=True)
class Cell:
    text: str
    look: str
    url: str = ""
    head: str = ""

    @property
    def is_blank(self) -> bool:
        return self.text in ("", NONE)


@dataclass
class Table:
    """Rows under columns; the last `sums` of them are sums of those before. stacks: on a phone each
    row is a card with its own headings, and nothing scrolls sideways."""

    columns: Sequence[Column]
    rows: Sequence[Mapping[str, Any]]
    sums: int = 0
    stacks: bool = False
    #: Rows that are shown; the CSV has them all.
    most: int = 1000
    #: By which column it is sorted, the name of that with "-" before it from the most downwards.
    sort: str = ""
    #: each column, where its heading leads, and which way it is sorted
    heads: list[tuple[Column, str, str]] = field(default_factory=list)
    #: whether it is a sum, and its cells, of each row
    body: list[tuple[bool, list[Cell]]] = field(default_factory=list)

    def write(self) -> None:
        """Put every cell into words, while the business's zone is at hand."""
        first_sum = len(self.rows) - self.sums
        self.body = [
            (n >= first_sum, [column.cell(row) for column in self.columns])
            for n, row in enumerate(self.rows[: self.most])
        ]

    def sorted_by(self, sort: str, address: Callable[[str], str]) -> None:
        """Its rows by a column, sums last; each heading leads to the same by that column: figures
        from the most downwards first. address: of the page by such a sort."""
        name = sort.removeprefix("-")
        names = {column.name for column in self.columns}
        self.sort = sort if name in names else ""
        if self.sort:
            end = len(self.rows) - self.sums
            told = [row for row in self.rows[:end] if row.get(name) not in (None, "")]
            blank = [row for row in self.rows[:end] if row.get(name) in (None, "")]
            told.sort(key=lambda row: _order(row[name]), reverse=sort.startswith("-"))
            self.rows = [*told, *blank, *self.rows[end:]]
        for column in self.columns:
            most_first = column.how in NUMBERS
            if self.sort.removeprefix("-") == column.name:
                most_first = not self.sort.startswith("-")
                way = "ascending" if most_first else "descending"
            else:
                way = ""
            self.heads.append((column, address(f"{'-' * most_first}{column.name}"), way))

    @property
    def more(self) -> str:
        if len(self.rows) <= self.most:
            return ""
        return f"The first {self.most:,} of {len(self.rows):,}; the CSV has them all."


@dataclass
class Section:
    """A part of an answer: a heading, what is said of it, a table. empty: what stands for none."""

    title: str = ""
    #: A sentence without which the table is misread: above it, never under a fold.
    first: str = ""
    says: Sequence[str] = ()
    table: Table | None = None
    empty: str = ""
    loud: bool = False
    #: Where it leads: (words, address) of each way.
    ways: Sequence[tuple[str, str]] = ()
    #: (what it is called, text) pairs that are read at a glance
    facts: Sequence[tuple[str, str]] = ()
    #: What it rests on is under a fold; all of it is.
    folded: bool = False
    closed: bool = False
    #: A figure as plotly takes it, drawn by the page's script from the numbers of the table.
    picture: Mapping[str, Any] | None = None
    #: By which an address leads to it, and its table is sorted and has files of its own.
    name: str = ""
    files: list[tuple[str, str]] = field(default_factory=list)

    @property
    def sentences(self) -> list[SafeString]:
        return [linked(text) for text in self.says]


@dataclass
class Answer:
    """What a page shows, and as CSV: the file's name, its columns and rows."""

    sections: list[Section]
    file: str = ""
    columns: Sequence[str] = ()
    rows: Iterable[Mapping[str, Any]] = field(default_factory=list)


def _order(value: Any) -> tuple[Any, ...]:
    """Numbers as numbers, also where JSON carries them as text; words by their own numbers."""
    number = number_in(value) if isinstance(value, str) else value
    if isinstance(number, str):
        parts = re.split(r"(\d+)", number.lower())
        return (1, [(0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts])
    return (0, number)


def traced(code: str) -> str:
    """Where a lot's code is traced; empty where the site has no such page."""
    try:
        return f"{reverse('admin:trace')}?{urlencode({'code': code})}"
    except NoReverseMatch:
        return ""


#: What looks like a lot's code or a crate's tag in a sentence; A is a statement's.
_CODE = re.compile(r"\b[B-Z]\d{5}-(?:\d{2,4}-)?[0-9A-Z]\b")


def linked(text: str) -> SafeString:
    """A sentence in which each code leads to its trace: the record behind what is said."""
    parts, end = [], 0
    for found in _CODE.finditer(text):
        if codes.is_valid(found[0]) and (address := traced(found[0])):
            parts += [escape(text[end : found.start()])]
            parts += [format_html('<a href="{}">{}</a>', address, found[0])]
            end = found.end()
    return SafeString("".join([*parts, escape(text[end:])]))


def stock_of(place: str) -> str:
    """Where it is shown what stands in a place."""
    return f"{reverse('admin:stock')}?{urlencode({'place': place})}"


def rung(telephone: str) -> str:
    """A telephone's address, where it is a number that a telephone takes."""
    digits = re.sub(r"[\s()./-]", "", telephone)
    return f"tel:{digits}" if re.fullmatch(r"\+?\d{3,}", digits) else ""


#: Where a value leads, by the way it is written; apps above add theirs.
LEADS: dict[str, Callable[[Any], str]] = {
    "code": lambda value: traced(str(value)),
    "phone": lambda value: rung(str(value)),
    "place": lambda value: stock_of(str(value)),
    "entry": lambda value: reverse("admin:grow_event_change", args=[value]),
}


def _moment(value: Any, row: Mapping[str, Any]) -> str:
    moment = parse_datetime(value) if isinstance(value, str) else value
    return f"{clock.local(moment):%H:%M}" if moment else NONE


def _day(value: Any, row: Mapping[str, Any]) -> str:
    day = dt.date.fromisoformat(value) if isinstance(value, str) and value else value
    return f"{day:%d %b %Y}" if day else NONE


def _kilograms(value: Any, row: Mapping[str, Any]) -> str:
    return f"{int(value) / 1000:,.3f}" if value is not None else NONE


def _pounds(value: Any, row: Mapping[str, Any]) -> str:
    return f"{int(value) / 100:,.2f}" if value is not None else NONE


def _rounded(places: int) -> Callable[[Any, Mapping[str, Any]], str]:
    def written(value: Any, row: Mapping[str, Any]) -> str:
        return f"{Decimal(value):z,.{places}f}" if value is not None else NONE

    return written


#: How a value is written, by the name of the way.
WRITTEN: dict[str, Callable[[Any, Mapping[str, Any]], str]] = {
    "text": lambda value, row: str(value) if value not in (None, "") else NONE,
    "long": lambda value, row: str(value or NONE),
    "code": lambda value, row: str(value or NONE),
    "entry": lambda value, row: str(value or NONE),
    "basis": lambda value, row: Basis(value).label,
    "mark": lambda value, row: str(value or ""),
    "codes": lambda value, row: linked(str(value or NONE)),
    "phone": lambda value, row: str(value or NONE),
    "place": lambda value, row: str(value or NONE),
    "day": _day,
    "time": _moment,
    "amount": lambda value, row: (
        NONE if value is None else amount(value, row["unit"], kind=row.get("kind", ""))
    ),
    "whole": _rounded(0),
    "kg": _kilograms,
    "money": _pounds,
    "tenth": _rounded(1),
    "hundredth": _rounded(2),
}
NUMBERS = frozenset({"amount", "whole", "kg", "money", "tenth", "hundredth"})


def page(
    request: HttpRequest,
    *,
    questions: Sequence[Question],
    answer: Callable[[Person, Mapping[str, str]], Answer | None],
    title: str,
    lead: str = "",
    caution: str = "",
) -> HttpResponseBase:
    """Ask, answer, and say in a sentence why there is no answer. `?as=csv` gives the rows alone."""
    person = request.user
    assert isinstance(person, Person)
    with clock.one_zone():
        asked = {q.name: request.GET.get(q.name, "").strip() or q.value for q in questions}
        context: dict[str, Any] = {
            "title": title,
            "lead": lead,
            "caution": caution,
            "is_nav_sidebar_enabled": False,  # a table needs the room
        }
        status = 200
        try:
            refuse_unreadable(asked)
            found = answer(person, asked)
            if found is not None and (file := _file(found, request)) is not None:
                return file
            told = {name: text for name, text in asked.items() if text}
            for part in found.sections if found else ():
                if part.table:
                    _set_out(part, part.table, told, request.GET.get("sort", ""))
            context["answer"] = found
            context["has_picture"] = found and any(part.picture for part in found.sections)
        except Refusal as refusal:
            says = by_labels(refusal, questions)
            context |= {"refusal": refusal, "says": says, "nearest": nearest(refusal)}
            status = refusal.status
        context["questions"] = [(q, asked[q.name]) for q in questions if not q.seldom]
        context["seldom"] = [(q, asked[q.name]) for q in questions if q.seldom]
        context["seldom_asked"] = any(text for _, text in context["seldom"])
        told = {name: text for name, text in asked.items() if text}
        context["as_csv"] = f"?{urlencode({**told, 'as': 'csv'})}"
        context["as_xlsx"] = f"?{urlencode({**told, 'as': 'xlsx'})}"
    return TemplateResponse(request, "grow/looking.html", context, status=status)


def _set_out(part: Section, table: Table, told: Mapping[str, str], sort: str) -> None:
    """A part with a name can be sorted by its headings and has files of its own."""
    if part.name:
        own, _, column = sort.rpartition(".")

        def address(by: str) -> str:
            return f"?{urlencode({**told, 'sort': f'{part.name}.{by}'})}#{part.name}"

        table.sorted_by(column if own == part.name else "", address)
        for kind in ("csv", "xlsx"):
            query = urlencode({**told, "as": kind, "part": part.name})
            part.files.append((kind.upper(), f"?{query}"))
    else:
        table.heads = [(column, "", "") for column in table.columns]
    table.write()


def _file(found: Answer, request: HttpRequest) -> HttpResponseBase | None:
    """The rows as a file, if one is asked for: as=csv or as=xlsx, of all or of one part. A
    workbook of all has a sheet for each of its tables."""
    kind, name = request.GET.get("as"), request.GET.get("part", "")
    parts = [
        (part.name or f"table {n}", [column.name for column in part.table.columns], part.table.rows)
        for n, part in enumerate(found.sections, 1)
        if part.table and name in ("", part.name)
    ]
    if kind == "xlsx" and parts:
        return as_workbook(f"{found.file}{name and '-'}{name}", parts)
    if kind == "csv" and name and parts:
        return download(f"{found.file}-{name}", *parts[0][1:])
    return download(found.file, found.columns, found.rows) if kind == "csv" else None


def refuse_unreadable(asked: Mapping[str, str]) -> None:
    """Of a question's texts. Raises Refusal."""
    for text in asked.values():
        if "\0" in text or len(text) > LONGEST:
            refusal = Refusal(
                "no_text",
                "There are signs in it that no keyboard writes."
                if "\0" in text
                else f"That is {len(text):,} signs long; {LONGEST} are read.",
            )
            refusal.status = 400
            raise refusal


def by_labels(refusal: Refusal, questions: Sequence[Question]) -> str:
    """Its sentence, in which what begins with the name that an address has for a field begins with
    the label that the page has for it."""
    labels = {Ask(q.name, q.type).label: q.label for q in questions}

    def named(sentence: str) -> str:
        name, colon, rest = sentence.partition(": ")
        label = labels.get(name, "") if colon else ""
        return f"{label[0].upper()}{label[1:]}: {rest}" if label else sentence

    fields = refusal.facts.get("fields") or {"": refusal.sentence}
    return " ".join(dict.fromkeys(named(says) for says in fields.values()))


def nearest(refusal: Refusal) -> list[tuple[str, str]]:
    """What it may have been, each with its address: by its own question where the refusal has one,
    else by its code."""
    near = refusal.facts.get("nearest") or ()
    asks = refusal.facts.get("asks")
    if asks is None:
        return [(code, traced(code)) for code in near]
    return [(name, f"?{urlencode(ask)}") for name, ask in zip(near, asks, strict=True)]


__all__ = [
    "LEADS",
    "NONE",
    "WRITTEN",
    "Answer",
    "Column",
    "Question",
    "Section",
    "Table",
    "nearest",
    "page",
    "refuse_unreadable",
    "traced",
]
