"""Where everything is and whom to call, as one A4 page to be kept elsewhere."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase

from grow import clock
from grow.errors import Refusal
from grow.page import Page

from .pages_recall import may_look
from .tonight import tonight
from .tonight_pdf import pdf_of


def tonight_page(request: HttpRequest) -> HttpResponseBase:
    """The page as of now. A letter that the typeface has not is said in a sentence."""
    found = tonight()
    try:
        with clock.one_zone():
            answer = HttpResponse(pdf_of(found), content_type="application/pdf")
    except Refusal as refusal:
        return HttpResponse(refusal.sentence, status=422, content_type="text/plain")
    name = f"where-everything-is-{clock.local(found.as_of):%Y-%m-%d}.pdf"
    answer["Content-Disposition"] = f'inline; filename="{name}"'
    return answer


TONIGHT_PAGES = [
    Page("tonight/", "tonight", "Where everything is, on paper", None, tonight_page, may=may_look)
]
