"""The page by which goods go out: one outlet, its order or its shelf's gap filled in from stock,
one press. Everything works without a script; a scanner alone can do all of it."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, QueryDict
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, devices, labels, roles
from grow.edge import tell
from grow.errors import Conflict, NotKnown, Refusal
from grow.finding import rows_called
from grow.models import Lot, Person
from grow.page import Page
from grow.pages import Way, new_id, would_be_written

from . import sending_desk as desk
from .door import celsius
from .models import DeliveryNote, Outlet
from .orders import orders
from .pages_notes import READS
from .sending_desk import Sending

#: What a scanned command says; the sheet of codes beside the door has both.
SEND, CLEAR = "SEND-IT", "START-ANEW"
_ROW = "n-"
#: `?by=`: only outlets of the one kind are offered.
_BY = {"note": ("deliver",), "shelf": ("put_on_shelf",)}
_ACTS = ("deliver", "put_on_shelf")


def may_send(person: Person) -> bool:
    return any(roles.may(person, kind) for kind in _ACTS)


def send_page(request: HttpRequest) -> HttpResponseBase:
    person = _person(request)
    with clock.one_zone():
        waited = devices.take_kept(request) if devices.noted(request) else None
        sent = request.POST if request.method == "POST" else waited
        if sent is None:
            return _open(request, person)
        outlet = _chosen(person, sent.get("outlet", ""), _kinds(person))
        if outlet is None:
            return _choose(request, person, Refusal("outlet", "Choose where it goes."))
        sending = _read(person, outlet, sent)
        pressed, _, answer = sent.get("press", "").partition(" ")
        if waited is not None:
            return _show(request, sending)
        scanned = sent.get("scan", "").strip()
        if scanned and pressed != SEND:
            return _scanned(request, sending, scanned)
        if pressed != SEND:
            return _show(request, sending)
        return _record(request, sending, answer)


def _person(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    if not may_send(request.user):
        raise PermissionDenied("“Send out” is not among your tasks.")
    return request.user


def _kinds(person: Person, by: str = "") -> list[str]:
    return [kind for kind in _BY.get(by, _ACTS) if roles.may(person, kind)]


def _chosen(person: Person, name: str, kinds: list[str]) -> Outlet | None:
    folded = "".join(name.split()).casefold()
    found = desk.outlets_for(person, kinds)
    return next((o for o in found if "".join(o.place.name.split()).casefold() == folded), None)


def _open(request: HttpRequest, person: Person) -> HttpResponseBase:
    """The outlet's order filled in; the only outlet is chosen."""
    kinds = _kinds(person, request.GET.get("by", ""))
    name = request.GET.get("outlet", "").strip()
    outlet = _chosen(person, name, kinds) if name else None
    if name and outlet is None:
        words = f"Nothing is sent to “{name[:60]}” from here. Choose where it goes."
        return _choose(request, person, Refusal("outlet", words))
    if outlet is None:
        found = desk.outlets_for(person, kinds)
        if len(found) != 1:
            return _choose(request, person)
        outlet = found[0]
    sending = desk.opened(person, outlet, _today())
    sending.client_id = new_id()
    return _show(request, sending)


def _today() -> Any:
    return clock.local(clock.now()).date()


def _read(person: Person, outlet: Outlet, sent: QueryDict) -> Sending:
    typed = {name.removeprefix(_ROW): sent.get(name, "") for name in sent if name.startswith(_ROW)}
    sending = desk.posted(person, outlet, _today(), typed)
    sending.temperature = sent.get("temperature", "").strip()
    sending.client_id = sent.get("client_id", "") or new_id()
    return sending


# --- a scan --------------------------------------------------------------------------------------


def _scanned(request: HttpRequest, sending: Sending, text: str) -> HttpResponseBase:
    """A code adds a crate; a command acts."""
    command = text.upper()
    if command == SEND:
        return _record(request, sending)
    if command == CLEAR:
        return HttpResponseRedirect(request.path)
    try:
        (lot,) = rows_called(Lot, [text], sending.person)
        if isinstance(lot, NotKnown):
            raise lot
        row = desk.scanned(sending, lot)
    except Refusal as refusal:
        return _show(request, sending, refusal)
    said = f"{row.typed} kg" if row.by_weight else row.typed
    return _show(request, sending, heard=f"{lot.title}, {lot.code}: {said}.")


# --- the press -----------------------------------------------------------------------------------


def _record(request: HttpRequest, sending: Sending, answer: str = "") -> HttpResponseBase:
    data = sending.data()
    if not data["lines"]:
        words = "Nothing is filled in. Scan a crate, or type how many go."
        return _show(request, sending, Refusal("nought", words))
    if answer == "already_done":
        data["already_done"] = "yes"
    try:
        if "temperature_c" in data:
            data["temperature_c"] = f"{celsius(data['temperature_c']):f}"
        event = tell(
            sending.person,
            sending.kind,
            data,
            client_id=sending.client_id,
            device=devices.noted(request),
        )
    except Refusal as refusal:
        return _refused(request, sending, data, refusal)
    note = DeliveryNote.objects.filter(event=event).first()
    if note is None or devices.noted(request) or not sending.person.has_perm(READS):
        return devices.after(request, event)
    return HttpResponseRedirect(reverse("admin:note", args=[note.number]))


def _refused(
    request: HttpRequest, sending: Sending, data: dict[str, Any], refusal: Refusal
) -> HttpResponseBase:
    ways = []
    if isinstance(refusal, Conflict):
        sending.client_id = new_id()
        ways.append(Way("another", "", "Record it as another"))
    elif would_be_written(sending.person, sending.kind, {**data, "already_done": "yes"}, refusal):
        ways.append(Way("already_done", "yes", "It has already happened: record it"))
    return _show(request, sending, refusal, ways=ways)


# --- what is shown -------------------------------------------------------------------------------


def _choose(
    request: HttpRequest, person: Person, refusal: Refusal | None = None
) -> HttpResponseBase:
    found = desk.outlets_for(person, _kinds(person, request.GET.get("by", "")))
    asked = orders(_today(), person, found)
    context = {
        "title": "Send out",
        "outlets": [(o, _says(o, [one for one in asked if one.outlet == o])) for o in found],
        "refusal": refusal,
        "is_nav_sidebar_enabled": False,
    }
    return TemplateResponse(request, "sales/send.html", context, status=422 if refusal else 200)


def _says(outlet: Outlet, asked: list[Any]) -> str:
    """What is still to be done there today."""
    what = "Order" if outlet.wants_notes else "Shelf"
    if not asked:
        return f"{what}: none for today"
    open_ = [one for one in asked if one.gap]
    if not open_:
        return f"{what}: all {'sent' if outlet.wants_notes else 'there'}"
    word = "product" if len(open_) == 1 else "products"
    return f"{what}: {len(open_)} {word} to {'send' if outlet.wants_notes else 'fill'}"


def _show(
    request: HttpRequest,
    sending: Sending,
    refusal: Refusal | None = None,
    *,
    ways: list[Way] | None = None,
    heard: str = "",
) -> HttpResponseBase:
    assert sending.outlet is not None
    is_note = sending.outlet.wants_notes
    context = {
        "title": "Send out" if is_note else "Put on shelf",
        "sending": sending,
        "is_note": is_note,
        "others": sending.others[: desk.MOST_OTHERS],
        "several": len(desk.outlets_for(sending.person, _kinds(sending.person))) > 1,
        "refusal": refusal,
        "ways": ways or [],
        "heard": heard,
        "send": SEND,
        "press": _press(sending),
        "is_nav_sidebar_enabled": False,
    }
    return TemplateResponse(request, "sales/send.html", context, status=422 if refusal else 200)


def _press(sending: Sending) -> str:
    if sending.kind == "deliver":
        return "Write the note"
    fits = any(g.order for g in sending.groups) and not any(g.lacks for g in sending.groups)
    return "Put all on the shelf" if fits else "It is on the shelf"


def codes_page(request: HttpRequest) -> HttpResponseBase:
    """A sheet to hang beside the door: a scanner alone then runs the page."""
    person = _person(request)
    says = [(o.place.name, o.place.name) for o in desk.outlets_for(person, _kinds(person))]
    says += [("Send it", SEND), ("Start anew", CLEAR)]
    cards = [(labels.code_card(name, code), 1) for name, code in says]
    content = labels.pdf(labels.CARDS, cards, title="Codes for sending out")
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = 'attachment; filename="sending-codes.pdf"'
    return answer


SEND_PAGES = [
    Page(
        "send/codes/",
        "send_codes",
        "Codes for sending out",
        None,
        codes_page,
        in_menu=False,
        may=may_send,
    ),
    Page("send/", "send", "Send out", None, send_page, may=may_send, keeps=True),
]
