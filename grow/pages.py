"""The pages of this app: one form page for every act, at do/<kind>/."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.http import Http404, HttpRequest
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse

from . import clock, devices, roles
from .edge import tell
from .errors import Conflict, NotKnown, Refusal
from .forms import Form
from .kinds import KINDS
from .models import Event, Person
from .operations import keep_photo
from .page import Page, Way, new_id
from .pages_bulk import BULK_PAGES
from .pages_count import COUNT_PAGES
from .pages_import import IMPORT_PAGES
from .pages_laboratory import LAB_PAGES
from .pages_looking import LOOKING
from .pages_seal import SEAL_PAGES
from .pages_signing import SIGNING_PAGES, countersign_page
from .pages_who import PEOPLE_PAGES, refuse_unsigned
from .wording import Act, act

#: What a refusal asks back, and the argument that answers it.
ANSWERS = {
    "unusual": ("sure", "The weight is right: record it"),
    "outweighs": ("weighed_again", "Weighed a second time: record it"),
}


#: Kinds of entry whose form asks for the person's PIN or password besides; apps above add theirs.
SIGNED: set[str] = set()


def form_page(request: HttpRequest, kind: str) -> HttpResponseBase:
    """The form of one act; what was typed comes back with the refusal that it met."""
    if kind not in KINDS:
        raise Http404(f"There is no kind of entry called “{kind}”.")
    if kind == "countersign":
        return countersign_page(request)  # it asks for a PIN as well
    person = request.user
    assert isinstance(person, Person)
    if not roles.may(person, kind):
        raise PermissionDenied(f"“{act(kind).title}” is not among your tasks.")
    with clock.one_zone():
        return _page(request, kind, person)


def _page(request: HttpRequest, kind: str, person: Person) -> HttpResponseBase:
    if request.method != "POST":
        waited = devices.take_kept(request) if devices.noted(request) else None
        return _show(request, kind, Form(kind, person, posted=waited, asked=request.GET))
    form = Form(kind, person, posted=request.POST)
    try:
        event = told(request, kind, form)
    except Refusal as refusal:
        return _refused(request, kind, form, refusal)
    return devices.after(request, event)


def told(request: HttpRequest, kind: str, form: Form) -> Event:
    """Tell what the form says. Raises Refusal."""
    assert isinstance(request.user, Person)
    if kind in SIGNED:
        refuse_unsigned(request, request.user)
    data = form.data()
    for name, sent in request.FILES.items():
        if isinstance(sent, UploadedFile):
            data[name] = str(keep_photo(sent.read(), request.user).pk)
    sent_id = request.POST.get("client_id", "")
    device = devices.noted(request)
    return tell(request.user, kind, data, client_id=sent_id, device=device, listed=True)


def _refused(request: HttpRequest, kind: str, form: Form, refusal: Refusal) -> HttpResponseBase:
    # a refusal that is called as a field is of that field: it stands open, with the sentence
    form.wrong(refusal.facts.get("fields", {refusal.code: refusal.sentence}))
    anew = isinstance(refusal, Conflict) and refusal.code == "undone"
    client_id = "" if anew else request.POST.get("client_id", "")
    ways = []
    if refusal.code in ANSWERS:
        ways.append(Way(ANSWERS[refusal.code][0], "yes", ANSWERS[refusal.code][1]))
    if refusal.code == "client_id_reused":
        ways.append(Way("client_id", new_id(), "Record it as another entry"))
    if may_be_a_fact(request, kind, form, refusal):
        ways.append(Way("already_done", "yes", "It has already happened: record it"))
    # an unknown name is a slip in the form, not a page that is not there
    status = 422 if isinstance(refusal, NotKnown) else refusal.status
    return _show(request, kind, form, refusal, ways, status, client_id)


class _NotForGood(Exception):
    """Takes back a telling that was only tried."""


def may_be_a_fact(request: HttpRequest, kind: str, form: Form, refusal: Refusal) -> bool:
    """Whether the same would be written if it had already happened: tried, and taken back."""
    if KINDS[kind].dated_as:
        return False
    assert isinstance(request.user, Person)
    return would_be_written(
        request.user, kind, form.data() | {"already_done": "yes"}, refusal, listed=True
    )


def would_be_written(
    person: Person, kind: str, data: Mapping[str, Any], refusal: Refusal, *, listed: bool = False
) -> bool:
    """Whether what met this refusal is written as `data` says it: tried, and taken back."""
    if type(refusal) is not Refusal or KINDS[kind].fact:
        return False
    try:
        with transaction.atomic():
            tell(person, kind, data, client_id=new_id(), listed=listed)
            raise _NotForGood
    except _NotForGood:
        return True
    except Refusal:
        return False


def _show(
    request: HttpRequest,
    kind: str,
    form: Form,
    refusal: Refusal | None = None,
    ways: list[Way] | None = None,
    status: int = 200,
    client_id: str = "",
) -> TemplateResponse:
    said: Act = act(kind)
    context: dict[str, Any] = {
        "signed": kind in SIGNED,
        "title": said.title,
        "act": said,
        "kind": kind,
        "form": form,
        "refusal": refusal,
        "ways": ways or [],
        "answered": [name for name, _ in ANSWERS.values() if request.POST.get(name) and refusal],
        "client_id": client_id or new_id(),
        "is_nav_sidebar_enabled": False,  # the tables are a way off, and a phone has no room
    }
    return TemplateResponse(request, "grow/act.html", context, status=status)


PAGES = [
    Page("do/<slug:kind>/", "act", "Record", None, form_page, keeps=True),
    *SIGNING_PAGES,
    *PEOPLE_PAGES,
    *IMPORT_PAGES,
    *BULK_PAGES,
    *COUNT_PAGES,
    *LOOKING,
    *SEAL_PAGES,
    *LAB_PAGES,
]
