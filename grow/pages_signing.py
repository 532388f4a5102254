"""What learners told, to be countersigned: many entries at once, against one PIN."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse

from . import clock, devices, roles, signing, start
from .edge import tell
from .errors import Conflict, Refusal
from .models import Event, Person
from .page import Page
from .pages_who import refuse_unsigned

#: So many are signed at once; the rest comes after them.
MOST = 100


@dataclass(frozen=True)
class Waits:
    """One entry that waits, as the page shows it."""

    happened: start.Happened
    day: str
    who: str
    ticked: bool


def countersign_page(request: HttpRequest) -> HttpResponseBase:
    """What waits, all of it ticked."""
    person = request.user
    assert isinstance(person, Person)
    with clock.one_zone():
        today = clock.local(clock.now()).date()
        if not roles.may(person, "countersign"):
            raise PermissionDenied("Countersigning is not among your tasks.")
        if why := signing.why_not(person, today):
            raise PermissionDenied(why)
        refusal = None
        if request.method == "POST":
            try:
                return _signed(request, person)
            except Refusal as refused:
                refusal = refused
        return _show(request, person, refusal)


def _signed(request: HttpRequest, person: Person) -> HttpResponseBase:
    refuse_unsigned(request, person)
    data = {"entries": request.POST.getlist("entries"), "remark": request.POST.get("remark", "")}
    event = tell(
        person,
        "countersign",
        data,
        client_id=request.POST.get("client_id", ""),
        device=devices.noted(request),
    )
    return devices.after(request, event)


def _show(request: HttpRequest, person: Person, refusal: Refusal | None) -> HttpResponseBase:
    rows = signing.waiting(person)
    events = list(
        rows.select_related("recorded_by", "place").prefetch_related("done_by")[: MOST + 1]
    )
    ticked = set(request.POST.getlist("entries")) if refusal else None
    listed = [
        Waits(
            happened=happened,
            day=f"{clock.local(event.happened_at):%a %d %b %Y}",
            who=_who(event),
            ticked=ticked is None or str(event.pk) in ticked,
        )
        for event, happened in zip(events, start.in_words(events[:MOST], person), strict=False)
    ]
    anew = isinstance(refusal, Conflict)
    client_id = "" if anew else request.POST.get("client_id", "")
    context: dict[str, Any] = {
        "title": "Countersign",
        "listed": listed,
        "more": len(events) > MOST,
        "refusal": refusal,
        "client_id": client_id or str(uuid.uuid4()),
        "remark": request.POST.get("remark", ""),
        "by_pin": bool(person.pin),
        "is_nav_sidebar_enabled": False,
    }
    status = refusal.status if refusal else 200
    return TemplateResponse(request, "grow/countersign.html", context, status=status)


def _who(event: Event) -> str:
    did = [str(p) for p in event.done_by.all()]
    by = str(event.recorded_by)
    return by if did == [by] else f"{', '.join(did)}; recorded by {by}"


#: Offered to the site by `grow.pages`.
SIGNING_PAGES = [
    Page("countersign/", "countersign", "Countersign", None, countersign_page, in_menu=False)
]
