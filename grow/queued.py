"""What a page's script sends for it, and sends again when the network or the session was away.

`static/grow/queue.js` keeps each press in the browser under its own client id and sends it to the
page's own address, as the form itself would have gone, with the headers `X-Queue` and `X-Queue-By`.
A page answers it here instead of by a page: {"next": address} once it is recorded, or why it is
not, in the words that the form shows, and the ways out of it. An entry has the moment of its press
("at") and what the clock that gave it reads as it is sent ("clock_reading"), by which the ledger
shifts it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from django.http import HttpRequest, JsonResponse, QueryDict
from django.http.response import HttpResponseBase
from django.urls import reverse

from . import devices
from .errors import Conflict, Refusal
from .models import Event, Person
from .pages import Way

HEADER = "X-Queue"
#: Its value where the person stays: more of theirs follows, or nobody pressed anything just now.
MORE = "more"
#: Whose entry it is, by number: not always who is signed in once it is sent.
BY = "X-Queue-By"


def is_queued(request: HttpRequest) -> bool:
    """Whether a script sends it, that asks for JSON."""
    return HEADER in request.headers


def is_by_itself(request: HttpRequest) -> bool:
    """Whether the person stays as they were: that their page sends it is no press of theirs."""
    return request.headers.get(HEADER) == MORE


def is_anothers(request: HttpRequest) -> bool:
    """Whether it was entered by another than who is here by now, who may not send it then."""
    by = request.headers.get(BY)
    return by is not None and by != str(request.user.pk)


def is_told(person: Person, client_id: str) -> bool:
    """Whether the person recorded this already: then it is no act any more, and gets its first
    answer instead of a question."""
    return Event.objects.filter(recorded_by=person, client_id=client_id).exists()


def moments(sent: Mapping[str, Any]) -> dict[str, str]:
    """When it was pressed, where a script says so, as an operation takes it."""
    told = {name: str(sent.get(name) or "") for name in ("at", "clock_reading")}
    return told if all(told.values()) else {}


def pressed(sent: QueryDict) -> QueryDict:
    """What was sent, with the way out that a press took besides: `press` is "what", or
    "what|name|value" on the button of a way."""
    what, *way = sent.get("press", "").split("|", 2)
    out = sent.copy()
    out["press"] = what
    if len(way) == 2:
        out[way[0]] = way[1]
    return out


def done(request: HttpRequest, event: Event) -> HttpResponseBase:
    """An act was recorded: to the next page, as `devices.after` says. On a shared device the person
    stays chosen while more of theirs is sent, and while it is the page that sends and not they."""
    if not is_queued(request):
        return devices.after(request, event)
    if is_by_itself(request):
        return JsonResponse({"event": event.pk, "next": reverse("admin:index")})
    answer = devices.after(request, event)
    return JsonResponse({"event": event.pk, "next": answer["Location"]})


def refused(refusal: Refusal, ways: Iterable[Way]) -> JsonResponse:
    """Why it was not recorded; the entry stays in the queue until somebody takes a way out."""
    if isinstance(refusal, Conflict):
        do = "Look whether it was recorded before you send it anew."
    else:
        do = "Change it and send it again, or drop it if it is wrong."
    told = {"code": refusal.code, "sentence": refusal.sentence, "do": do}
    return JsonResponse(
        {**told, "ways": [asdict(way) for way in ways]}, status=max(refusal.status, 400)
    )
