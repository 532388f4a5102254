"""Delivery notes to be read: the list of them, one of them, and one on paper."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Any

from django.db.models import Count, Exists, OuterRef, Prefetch, QuerySet
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, roles, scope
from grow.asks import READ, Ask
from grow.errors import NotKnown, Refusal
from grow.finding import rows_called
from grow.kinds import CANCELLING
from grow.looking import LEADS, WRITTEN, Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Event, Lot, Person
from grow.page import Page
from grow.start import WAYS, address

from .models import DeliveryNote, NoteLine, Outlet
from .note_paper import NotePaper, paper_of
from .note_pdf import pdf_of

READS = "sales.view_deliverynote"
_LATELY = dt.timedelta(days=30)
WRITTEN["note"] = lambda value, row: str(value)
LEADS["note"] = lambda value: reverse("admin:note", args=[value])
_LIST = (
    Column("number", "Note", "note"),
    Column("state", "What became of it"),
    Column("sent", "Sent"),
    Column("outlet", "To"),
    Column("lots", "Lots", "whole"),
)
_COLUMNS = (
    *("number", "outlet", "day", "lot", "title", "unit", "sent", "accepted", "short"),
    *("rejected", "to_follow", "over", "cancelled"),
)


# --- the list ------------------------------------------------------------------------------------


def notes_page(request: HttpRequest) -> HttpResponseBase:
    """Notes of some days, the latest first. `?entry=` is the note that an entry wrote."""
    person = _person(request)
    if found := _of_entry(person, request.GET.get("entry", "")):
        return HttpResponseRedirect(reverse("admin:note", args=[found.number]))
    outlets = scope.seen(Outlet.objects.filter(wants_notes=True), person)
    with clock.one_zone():
        today = clock.local(clock.now()).date()
        return looked(
            request,
            title="Delivery notes",
            questions=[
                Question("outlet", "To", choices=[(str(o), str(o)) for o in outlets]),
                Question("first", "from", "date", value=f"{today - _LATELY}"),
                Question("last", "to", "date", value=f"{today}"),
            ],
            answer=_listed,
        )


def _of_entry(person: Person, text: str) -> DeliveryNote | None:
    if not (text.isascii() and text.isdigit() and int(text) < 2**63):
        return None
    return scope.seen(DeliveryNote.objects.all(), person).filter(event=int(text)).first()


def _listed(person: Person, asked: Mapping[str, str]) -> Answer:
    first, last = (READ["day"](Ask(name, "day"), asked[name], False) for name in ("first", "last"))
    rows = scope.seen(DeliveryNote.objects.all(), person).filter(
        event__day__gte=clock.day_number(first), event__day__lte=clock.day_number(last)
    )
    if asked["outlet"]:
        (outlet,) = rows_called(Outlet, [asked["outlet"]], person)
        if isinstance(outlet, Refusal):
            raise outlet
        rows = rows.filter(outlet=outlet)
    lines = NoteLine.objects.filter(note=OuterRef("pk"))
    gone = Event.objects.filter(corrects=OuterRef("event"), kind__in=CANCELLING)
    rows = (
        rows.select_related("outlet__place", "event")
        .annotate(
            lots=Count("lines"),
            waits=Exists(lines.filter(to_follow__gt=0)),
            came=Exists(lines.exclude(accepted=0, short=0, rejected=0)),
            odd=Exists(lines.exclude(short=0, rejected=0, over=0)),
            gone=Exists(gone),
        )
        .order_by("-id")
    )
    table = Table(_LIST, [_row(note) for note in rows], most=300)
    section = Section(table=table, empty="No note was written in these days.")
    return Answer([section], file="delivery-notes", columns=_COLUMNS, rows=_flat(rows))


def _row(note: Any) -> dict[str, Any]:
    return {
        "number": note.number,
        # in one line, however narrow
        "sent": f"{clock.local(note.event.happened_at):%d %b %Y %H:%M}".replace(" ", "\N{NBSP}"),
        "outlet": str(note.outlet),
        "lots": note.lots,
        "state": _state(note),
    }


def _state(note: Any) -> str:
    if note.gone:
        return "cancelled"
    if not note.came:
        return "on its way"
    said = ["came in part" if note.waits else "came"]
    return ", ".join([*said, *(["not as sent"] if note.odd else [])])


def _flat(rows: QuerySet[DeliveryNote]) -> Iterator[dict[str, Any]]:
    whole = Prefetch("lines", NoteLine.objects.select_related("lot").order_by("id"))
    for note in rows.prefetch_related(whole):
        for line in note.lines.all():
            yield {
                "number": note.number,
                "outlet": str(note.outlet),
                "day": clock.number_day(note.event.day),
                "lot": line.lot.code,
                "title": line.lot.title,
                "unit": line.lot.unit,
                **{name: getattr(line, name) for name in _SUMS},
                "cancelled": note.gone,  # type: ignore[attr-defined]  # annotated
            }


_SUMS = ("sent", "accepted", "short", "rejected", "to_follow", "over")


# --- one note ------------------------------------------------------------------------------------


def note_page(request: HttpRequest, number: str) -> HttpResponseBase:
    person = _person(request)
    with clock.one_zone():
        return _shown(request, _note(number, person))


def _shown(
    request: HttpRequest, note: DeliveryNote, refusal: Refusal | None = None
) -> HttpResponseBase:
    paper, person = paper_of(note), _person(request)
    ways = _ways(person, note, paper)
    context = {
        "title": f"Delivery note {note.number}",
        "paper": paper,
        "facts": _facts(paper),
        "ways": ways,
        # whoever stands at the door scanned the paper, and has it in hand already
        "at_the_door": bool(ways and paper.is_open and scope.tied_to(person)),
        "refusal": refusal,
        "is_nav_sidebar_enabled": False,
    }
    status = refusal.status if refusal else 200
    return TemplateResponse(request, "sales/note.html", context, status=status)


def _facts(paper: NotePaper) -> list[tuple[str, str]]:
    facts = [
        ("Dispatched", clock.said(paper.sent_at, hour=paper.hour_known)),
        ("by", paper.sent_by),
    ]
    if paper.temperature_c or paper.asks_temperature:
        facts.append(
            (
                "Temperature at dispatch",
                f"{paper.temperature_c} °C" if paper.temperature_c else "not taken",
            )
        )
    if paper.is_open and not paper.came:
        facts.append(("Received", "on its way"))
    facts += [("Received", came.sentence) for came in paper.came]
    return facts


def _ways(person: Person, note: DeliveryNote, paper: NotePaper) -> list[tuple[str, str]]:
    ways = []
    if paper.is_open and roles.may(person, "receive"):
        ways.append(("Receive it", address("receive", note=note.number)))
    if paper.cancelled_at is None and not paper.came and roles.may(person, "cancel"):
        ways.append(("Cancel the note", address("cancel", event=str(note.event_id))))
    return ways


def pdf_page(request: HttpRequest, number: str) -> HttpResponseBase:
    with clock.one_zone():
        note = _note(number, _person(request))
        try:
            content = pdf_of(paper_of(note))
        except Refusal as refusal:  # a letter that the typeface has not
            return _shown(request, note, refusal)
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="note-{note.number}.pdf"'
    return answer


def _person(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    return request.user


def _note(number: str, person: Person) -> DeliveryNote:
    """Raises Http404 for a number that is none, or none of theirs."""
    (note,) = rows_called(DeliveryNote, [number[:200]], person)
    if isinstance(note, NotKnown):
        raise Http404(note.sentence)
    return note


def _its_note(person: Person, event: Event, made: list[Lot]) -> list[tuple[str, str]]:
    if event.kind != "deliver" or not person.has_perm(READS):
        return []
    return [("The note", f"{reverse('admin:notes')}?entry={event.pk}")]


WAYS.append(_its_note)
NOTE_PAGES = [
    Page("notes/<str:number>/pdf/", "note_pdf", "Delivery note", READS, pdf_page),
    Page("notes/<str:number>/", "note", "Delivery note", READS, note_page),
    Page("notes/", "notes", "Notes", READS, notes_page),
]
