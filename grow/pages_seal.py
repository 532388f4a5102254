"""The seals: which days are closed, whether a day still says what it said then, and its seal to be
printed or mailed away."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse

from . import clock, seal
from .asks import READ, Ask
from .errors import Refusal
from .looking import LEADS, WRITTEN, Answer, Column, Question, Section, Table
from .looking import page as looked
from .models import Person, Seal
from .page import Page
from .scope import tied_to
from .seal_paper import as_pdf, as_text, facts, mail_link, spaced

LEAD = (
    "Each day that is over is sealed: one sum of all that was recorded that day and of the seal "
    "before it. Keep it somewhere else, and nobody can change those days without its showing."
)
WRITTEN["seal"] = WRITTEN["day"]
LEADS["seal"] = lambda day: f"{reverse('admin:seals')}?day={day}"
_LIST = (
    Column("day", "Day", "seal"),
    Column("events", "Entries", "whole"),
    Column("movements", "Movements", "whole"),
    Column("begins", "The seal begins"),
)
_COLUMNS = ("day", "events", "movements", "through", "digest", "sealed_at")
#: So many days are listed; the file has them all.
_MOST = 400


def may_read(person: Person) -> bool:
    """The manager and the food-safety lead, of the whole farm."""
    return not tied_to(person) and person.has_perm("grow.view_seal")


def seals_page(request: HttpRequest) -> HttpResponseBase:
    return looked(
        request,
        title="Seals",
        lead=LEAD,
        questions=[
            Question("day", "Day", "date", help="Left out: all of them."),
            Question("printed", "What your printout says", help="All of it, or how it begins."),
        ],
        answer=_answer,
    )


def _answer(person: Person, asked: Mapping[str, str]) -> Answer:
    if asked["day"]:
        return _one(asked["day"], asked["printed"])
    if asked["printed"]:
        raise Refusal("which_day", "Say of which day your printout is.")
    rows = [_row(made) for made in Seal.objects.order_by("-day").defer("marks")]
    waits = seal.waiting()
    says = [f"{waits} day{'s' if waits > 1 else ''} wait to be sealed: manage.py seal."]
    return Answer(
        [
            *([Section(says=says, loud=waits > 1)] if waits else []),
            Section(
                table=Table(_LIST, rows, most=_MOST),
                empty="No day is sealed yet: manage.py seal seals all that are over.",
            ),
        ],
        file="seals",
        columns=_COLUMNS,
        rows=rows,
    )


def _row(made: Seal) -> dict[str, Any]:
    return {
        "day": clock.number_day(made.day),
        **{name: getattr(made, name) for name in _COLUMNS[1:]},
        "begins": made.digest[:8],
    }


def _one(day: str, printed: str) -> Answer:
    made = seal.sealed(READ["day"](Ask("day", "day"), day, False))
    wrong = list(seal.unlike(made, seal.before(made)))
    says = wrong or ["The books still say what they said when this day was sealed."]
    if printed:
        same = seal.same_as_printed(made, printed)
        says = [
            "Your printout and this seal are the same."
            if same
            else "Your printout is not this seal: one of them was changed, or it is of another "
            "day. Keep the printout, and ask for verify.",
            *says,
        ]
        wrong = wrong or ([] if same else says)
    papers = [reverse(f"admin:seal_{kind}", args=[made.day]) for kind in ("pdf", "text")]
    return Answer(
        [
            Section(
                f"{clock.number_day(made.day):%A %d %b %Y}",
                says=says,
                loud=bool(wrong),
                facts=[*facts(made), ("Seal", "  ".join(spaced(made.digest)))],
                ways=[("Print", papers[0]), ("Mail", mail_link(made)), ("Text", papers[1])],
            )
        ]
    )


def _made(day: int) -> Seal:
    found = Seal.objects.filter(day=day).first()
    if found is None:
        raise Http404("That day has no seal.")
    return found


def pdf_page(request: HttpRequest, day: int) -> HttpResponseBase:
    with clock.one_zone():
        try:
            content = as_pdf(_made(day))
        except Refusal as refusal:  # a letter that the typeface has not
            return HttpResponse(refusal.sentence, status=422, content_type="text/plain")
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="seal-{day}.pdf"'
    return answer


def text_page(request: HttpRequest, day: int) -> HttpResponseBase:
    with clock.one_zone():
        content = as_text(_made(day))
    answer = HttpResponse(content, content_type="text/plain; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="seal-{day}.txt"'
    return answer


SEAL_PAGES = [
    Page("seals/", "seals", "Seals", None, seals_page, may=may_read),
    Page("seals/<int:day>/pdf/", "seal_pdf", "Seal", None, pdf_page, may=may_read),
    Page("seals/<int:day>/text/", "seal_text", "Seal", None, text_page, may=may_read),
]
