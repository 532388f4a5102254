"""The evidence pack as a file: of whatever a trace is asked by, or of a recall's list."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse

from grow import clock
from grow.errors import NotKnown, Refusal
from grow.looking import refuse_unreadable
from grow.models import Person
from grow.page import Page

from . import evidence, readings
from .evidence.packed import ABOUT, name_of, packed
from .models import Recall
from .pages_epcis import may_give

ZIP = "application/zip"
#: What a trace may be asked by.
ASKED = ("code", "product", "date", "place", "since", "until", "thing", "entry")
#: So many recalls are offered.
_LATEST = 40


def packed_for(person: Person, question: Mapping[str, Any], recall: str = "") -> HttpResponse:
    """The pack of what a question means (`readings.asked`), or of a recall by its number. Raises
    Refusal, NotKnown."""
    of = None
    if recall:
        of = Recall.objects.select_related("event", "closed_by").filter(number=recall).first()
        if of is None:
            raise NotKnown("no_such_recall", f"No recall is called “{recall[:40]}”.")
        meant = evidence.of_recall(of)
    else:
        meant = readings.asked(person, **question)
    found = evidence.gather(person, meant, of)
    answer = HttpResponse(packed(found), content_type=ZIP)
    answer["Content-Disposition"] = f'attachment; filename="{name_of(found)}.zip"'
    return answer


def evidence_page(request: HttpRequest) -> HttpResponseBase:
    """With a question it is the file itself; without one the page asks."""
    person = request.user
    assert isinstance(person, Person)
    with clock.one_zone():
        refusal = None
        asked = {name: request.GET.get(name, "").strip() for name in (*ASKED, "recall")}
        if any(asked.values()):
            try:
                refuse_unreadable(asked)
                recall = asked["recall"].upper()
                told = {name: asked[name] for name in ASKED}
                return packed_for(person, readings.question(told), recall)
            except Refusal as met:
                refusal = met
        context = {
            "title": "Evidence pack",
            "asked": asked,
            "refusal": refusal,
            "recalls": Recall.objects.order_by("-event")[:_LATEST],
            "about": ABOUT.items(),
            "is_nav_sidebar_enabled": False,
        }
        return TemplateResponse(
            request, "sales/evidence.html", context, status=refusal.status if refusal else 200
        )


EVIDENCE_PAGES = [
    Page("evidence/", "evidence", "Evidence pack", None, evidence_page, may=may_give),
]
