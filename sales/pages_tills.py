"""The till's day by file: choose the file, see what it comes to, press once.

The file is not kept here between two presses: the page carries it, packed, and sends it again. What
is kept is how the till writes: its columns, its marks, and what it calls each product."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponseRedirect, QueryDict
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, devices, roles, scope
from grow.asks import READ, Ask
from grow.errors import Conflict, Refusal
from grow.importing.sheets import MOST_BYTES, Sheet, read
from grow.models import Business, Person, PlaceKind
from grow.page import Page

from . import kept_files
from .cards import money
from .models import Outlet, Product, TillDay, TillFormat, TillName
from .operations import till_days
from .till_files import (
    PARTS,
    DayOfTill,
    TillFile,
    fold,
    guessed,
    lacks,
    odd_prices,
    read_rows,
    sheet_of,
)

#: So many bad rows are listed, and so many names that nobody here knows.
SHOWN, ASKED = 300, 40
_LONGEST = TillDay._meta.get_field("till").max_length or 40
#: What each column is called on the page, and what it is for.
_COLUMNS = {
    "product": ("Product", "Our code, a GTIN, or the till’s own name for it."),
    "quantity": ("How many", "Packs, or the weight of what is sold loose."),
    "day": ("Day", "None: one day for the whole file."),
    "lot": ("Lot", "Where the till scans it."),
    "price": ("Price of one", "Of one pack or kilogram, net of tax."),
    "takings": ("Takings", "Of the whole row, net of tax. They go before the price."),
}


@dataclass
class Told:
    """What the form says, and what was made of it so far."""

    person: Person
    outlets: list[Outlet]
    outlet: Outlet | None = None
    till: str = ""
    day: str = ""
    name: str = ""
    content: bytes = b""
    press: str = ""
    #: Which sheet of a workbook it is, as somebody said.
    chosen: str = ""
    sheet: Sheet | None = None
    how: TillFormat | None = None
    asks_columns: bool = False
    gone: list[str] = field(default_factory=list)
    found: TillFile | None = None

    @property
    def kept(self) -> str:
        """The file as the page carries it."""
        return kept_files.packed(self.content)

    @property
    def columns(self) -> list[dict[str, Any]]:
        """Each part of the mapping with its words and what it is now."""
        return [
            {"name": n, "label": label, "help": says, "value": getattr(self.how, n, "")}
            for n, (label, says) in _COLUMNS.items()
        ]

    @property
    def example(self) -> list[list[str]]:
        """The first rows of the file, to know its columns by."""
        sheet = self.sheet
        if sheet is None:
            return []
        return [[row.cells.get(c, "") for c in sheet.columns] for row in sheet.rows[:4]]


def till_file_page(request: HttpRequest) -> HttpResponseBase:
    person = request.user
    assert isinstance(person, Person)
    if not roles.may(person, "sell"):
        raise PermissionDenied("The till’s day is not among your tasks.")
    with clock.one_zone():
        rows = scope.seen(Outlet.objects.filter(place__kind=PlaceKind.SHOP), person)
        told = Told(person, list(rows))
        if request.method != "POST":
            _opened(told, request.GET)
            return _show(request, told)
        try:
            _read(told, request)
            return _through(request, told)
        except Refusal as refusal:
            return _show(request, told, refusal)


def _opened(told: Told, asked: QueryDict) -> None:
    wanted = asked.get("outlet", "").casefold()
    named = [o for o in told.outlets if o.place.name.casefold() == wanted]
    told.outlet = next(iter(named or told.outlets), None)
    told.till = asked.get("till", "")[:_LONGEST]
    if not told.till and told.outlet:
        last = TillDay.objects.filter(outlet=told.outlet).order_by("-event_id").first()
        told.till = last.till if last else ""
    told.day = clock.local(clock.now()).date().isoformat()


def _read(told: Told, request: HttpRequest) -> None:
    """Raises Refusal for what is missing of who, which till and which file."""
    posted = request.POST
    told.press, told.chosen = posted.get("press", ""), posted.get("sheet", "")
    told.till, told.day = posted.get("till", "").strip(), posted.get("day", "").strip()
    wanted = posted.get("outlet", "").casefold()
    told.outlet = next((o for o in told.outlets if o.place.name.casefold() == wanted), None)
    sent = request.FILES.get("file")
    if isinstance(sent, UploadedFile):
        if (sent.size or 0) > MOST_BYTES:
            raise Refusal("too_large", f"The file is larger than {MOST_BYTES >> 20} MB.")
        told.name, told.content = sent.name or "file", sent.read()
    elif posted.get("kept"):
        told.name, told.content = (
            posted.get("name", "file")[:200],
            kept_files.unpacked(posted["kept"], "the till’s file"),
        )
    if told.outlet is None:
        raise Refusal("missing", "Choose the shop.")
    if not told.till:
        raise Refusal("till_name", "Say which till's day it is.")
    if len(told.till) > _LONGEST:
        says = f"The till's name has {len(told.till)} characters; there is room for {_LONGEST}."
        raise Refusal("too_long", says)
    if not told.content:
        raise Refusal("no_file", "Choose the till's file first.")


# --- from the file to the books ------------------------------------------------------------------


def _through(request: HttpRequest, told: Told) -> HttpResponseBase:
    """As far as it goes: columns, names, rows, and with the last press into the books."""
    outlet = told.outlet
    assert outlet
    how = TillFormat.objects.filter(outlet=outlet, till=told.till).first()
    sheets = read(told.name, told.content, how.separator if how and told.press != "columns" else "")
    told.sheet = sheet = sheet_of(told.name, sheets, told.chosen or (how.sheet if how else ""))
    told.how = how = how or guessed(outlet, told.till, sheet)
    if len(sheets) > 1 and how.sheet != sheet.name:
        how.sheet = sheet.name
        if how.pk:
            how.save()
    if told.press == "columns":
        _keep_columns(told, request.POST)
    told.gone = lacks(told.how, sheet)
    if told.how.pk is None or told.gone or told.press == "other-columns":
        told.asks_columns = True
        return _show(request, told)
    if told.press == "names":
        _keep_names(outlet, request.POST)
    told.found = found = read_rows(sheet, told.how, told.person, _day(told))
    if found.bad or told.press not in ("record", "replace"):
        return _show(request, told)
    replace = told.press == "replace"
    device = devices.noted(request)
    try:
        events = till_days(
            recorded_by=told.person,
            outlet=outlet,
            till=told.till,
            days=found.told(),
            replace=replace,
            device=device,
        )
    except Conflict:
        return _show(request, told)  # the page asks for “replace” by the days themselves
    same = sum(event.told_before for event in events)
    new = len(events) - same
    says = f"{new} {'day is' if new == 1 else 'days are'} recorded." if new else "Nothing changed."
    if same:
        says += f" {same} {'was' if same == 1 else 'were'} told before, with the same rows."
    messages.success(request, says)
    if device:
        return devices.after(request, events[-1])
    return HttpResponseRedirect(reverse("admin:till_file"))


def _day(told: Told) -> dt.date | None:
    """The one day of a file that says none. Raises Refusal."""
    assert told.how
    if told.how.day:
        return None
    if not told.day:
        raise Refusal("missing", "Say which day it was; the file has no column for it.")
    day = READ["day"](Ask("day", "day"), told.day, False)
    if day > clock.local(clock.now()).date():
        raise Refusal("day_to_come", f"{day:%d %b %Y} is still to come; look at the day.")
    return day


def _keep_columns(told: Told, posted: QueryDict) -> None:
    """The mapping as it was chosen, for this and every later file of the till."""
    how, sheet = told.how, told.sheet
    assert how and sheet
    for part in PARTS:
        column = posted.get(f"column-{part}", "")
        setattr(how, part, column if column in sheet.columns else "")
    for name, choices in (
        ("decimal_mark", TillFormat.MARKS),
        ("separator", TillFormat.COMMAS),
        ("loose_unit", TillFormat.UNITS),
    ):
        value = posted.get(name, "")
        if value in dict(choices):
            setattr(how, name, value)
    named = [c for part in PARTS if (c := getattr(how, part))]
    twice = next((c for c in named if named.count(c) > 1), None)
    if twice:
        raise _columns(told, f"“{twice}” cannot be two things; choose another column for one.")
    if lacks(how, sheet):
        raise _columns(told, "Choose the columns of the product and of how many were sold.")
    how.save()


def _columns(told: Told, says: str) -> Refusal:
    told.asks_columns = True
    return Refusal("columns", says)


def _keep_names(outlet: Outlet, posted: QueryDict) -> None:
    """What the till's own names mean, for this and every later file of the shop."""
    products = {p.code: p for p in Product.objects.all()}
    for n in range(ASKED):
        called, means = fold(posted.get(f"called-{n}", "")), posted.get(f"means-{n}", "")
        if called and len(called) <= 80 and means in products:
            TillName.objects.update_or_create(
                outlet=outlet, called=called, defaults={"product": products[means]}
            )


# --- what is shown -------------------------------------------------------------------------------


def _show(request: HttpRequest, told: Told, refusal: Refusal | None = None) -> HttpResponseBase:
    found = told.found
    outlet = told.outlet
    tills = TillFormat.objects.filter(outlet=outlet) if outlet else TillFormat.objects.none()
    context: dict[str, Any] = {
        "title": "Till’s day from a file",
        "told": told,
        "tills": list(tills),
        "refusal": refusal,
        "which": refusal.facts.get("sheets", ()) if refusal else (),
        "found": found,
        "days": _days(outlet, found) if found and outlet else [],
        "bad": found.bad[:SHOWN] if found else [],
        "more_bad": max(0, len(found.bad) - SHOWN) if found else 0,
        "strangers": [name for name, _ in found.strangers.most_common(ASKED)] if found else [],
        "products": list(Product.objects.all()) if found and found.strangers else [],
        "marks": TillFormat.MARKS,
        "commas": TillFormat.COMMAS,
        "units": TillFormat.UNITS,
        "most_mb": MOST_BYTES >> 20,
        "is_nav_sidebar_enabled": False,
    }
    wrong = refusal is not None or bool(found and found.bad)
    status = 422 if wrong else 200
    return TemplateResponse(request, "sales/till_file.html", context, status=status)


def _days(outlet: Outlet, found: TillFile) -> list[tuple[DayOfTill, str, list[str]]]:
    """Each day with its takings and what stands out in its prices."""
    currency = Business.the().currency
    odd = {} if found.bad else odd_prices(outlet, found.days, currency)
    return [
        (day, "" if day.pence is None else money(day.pence, currency), odd.get(day.day, []))
        for day in found.days
    ]


TILL_PAGES = [
    Page(
        "till-file/",
        "till_file",
        "Till’s day from a file",
        None,
        till_file_page,
        in_menu=False,
        may=lambda person: roles.may(person, "sell"),
    ),
]
