"""Goods in, for a chef with wet hands: an ordinary note is one press, and only what is odd is said.

Everything works without a script. With one each press is kept in the browser until it is recorded
(`grow.queued`), and a photograph is made smaller before it is sent."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import UploadedFile
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse

from grow import clock, devices, photos, queued, roles, scope
from grow.edge import tell
from grow.errors import Conflict, NotKnown, Refusal
from grow.models import Business, Event, Person
from grow.operations import keep_photo
from grow.page import Page
from grow.pages import Way, new_id

from . import door, temperatures, warmth
from .models import Receipt, ReceiptLine

#: What the one press of an ordinary note says, and that of one with something odd.
ALL, RECORD = "all", "record"
#: So many lines of a note that was taken in meanwhile are named.
MOST_SAID = 3


def _who(request: HttpRequest, kind: str, title: str) -> Person:
    person = request.user
    assert isinstance(person, Person)
    if not roles.may(person, kind):
        raise PermissionDenied(f"“{title}” is not among your tasks.")
    return person


def goods_in_page(request: HttpRequest) -> HttpResponseBase:
    person = _who(request, "receive", "Goods in")
    with clock.one_zone():
        if request.method == "POST":
            return _posted(request, person, queued.pressed(request.POST))
        if (waited := devices.take_kept(request)) is not None:
            waited["press"] = ""  # it is looked at again before it is recorded
            return _posted(request, person, waited)
        if text := request.GET.get("note") or request.GET.get("code") or request.GET.get("scan"):
            return _named(request, person, text.strip())
        return _list(request, person)


# --- which note ----------------------------------------------------------------------------------


def _named(request: HttpRequest, person: Person, text: str) -> HttpResponseBase:
    """A note by its number, or by a lot on it that was scanned."""
    try:
        found = door.by_code(person, text)
    except Refusal as refusal:
        # a note's own address is not there; a scan that means nothing is a slip
        status = 404 if request.GET.get("note") else 422
        return _list(request, person, refusal, text, status=status)
    if len(found) > 1:
        return _list(request, person, notes=found, text=text)
    return _one(request, person, _usual(person, found[0]))


def _usual(person: Person, note: door.Note) -> door.Note:
    note.client_id = new_id()
    if note.asks:
        note.measured, note.probe = door.last_way(person)
    return note


def _list(
    request: HttpRequest,
    person: Person,
    refusal: Refusal | None = None,
    text: str = "",
    notes: list[door.Note] | None = None,
    status: int = 200,
) -> HttpResponseBase:
    shown = door.open_notes(person) if notes is None else notes
    measured, probe = door.last_way(person) if any(n.asks for n in shown) else ("", "")
    for note in shown:
        note.client_id, note.measured, note.probe = new_id(), measured, probe
    context = {
        "title": "Goods in",
        "notes": shown,
        "several": len({n.outlet.pk for n in shown}) > 1,
        "refusal": refusal,
        "text": text,
        "came": door.came_today(person),
        "may_cut": roles.may(person, "harvest"),
        "without": bool(text and refusal),
        **_asked(person, shown),
    }
    return _page(request, "sales/goods_in.html", context, status)


def _asked(person: Person, notes: list[door.Note]) -> dict[str, Any]:
    """What is asked only where an outlet asks for a temperature."""
    asks = any(n.asks for n in notes)
    return {
        "ways_measured": Receipt.Measured.choices,
        "conditions": Receipt.Condition.choices,
        "probes": door.probes(person) if asks else [],
        "caution": temperatures.CAUTION if asks else "",
        "figures": temperatures.in_words(_rules()) if asks else [],
    }


def _rules() -> temperatures.Rules:
    return temperatures.rules_of(Business.the().rule_set)


# --- a press -------------------------------------------------------------------------------------


def _posted(request: HttpRequest, person: Person, sent: QueryDict) -> HttpResponseBase:
    try:
        note = door.one_note(person, sent.get("note", ""), lambda code: sent.get(f"on-{code}", ""))
    except NotKnown as refusal:
        if queued.is_queued(request):
            return queued.refused(refusal, [])
        named = sent.get("note", "")
        return _list(request, person, refusal, named, status=404 if named else 422)
    _read(note, sent)
    pressed = sent["press"]
    if pressed not in (ALL, RECORD):
        return _one(request, person, note)
    try:
        data = _told(request, person, note, sent, everything=pressed == ALL)
        _refuse_come(person, note, data, sent)
        event = tell(
            person, "receive", data, client_id=note.client_id, device=devices.noted(request)
        )
    except Refusal as refusal:
        return _refused(request, person, note, refusal)
    return queued.done(request, event)


def _read(note: door.Note, sent: QueryDict) -> None:
    """What the form says, as it was typed."""
    note.client_id = sent.get("client_id", "") or new_id()
    # a way out of a question stands for what was typed
    note.temperature = (sent.get("as-temperature") or sent.get("temperature", "")).strip()
    note.measured, note.probe = sent.get("measured", ""), sent.get("probe", "")
    note.condition = sent.get("condition", "")
    known = {name for name, _ in door.OFF}
    for line in note.lines:
        line.off = tuple(n for n in sent.getlist(f"off-{line.code}") if n in known)
        line.typed = {name: sent.get(f"{name}-{line.code}", "") for name in known}
        line.reason = sent.get(f"reason-{line.code}", "")


def _told(
    request: HttpRequest, person: Person, note: door.Note, sent: QueryDict, *, everything: bool
) -> dict[str, Any]:
    """What the act is told. Raises Refusal, with the line's own sentence beside the line."""
    lines = []
    for line in note.lines:
        if everything:
            line.off = ()
        try:
            parts = line.parts()
        except Refusal as refusal:
            line.wrong = refusal.sentence
            raise
        if not parts:
            continue
        told: dict[str, Any] = {"lot": line.code, **parts}
        if parts.keys() & {"short", "rejected"}:
            photo = _photo(request, person, f"photo-{line.code}")
            told |= {k: v for k, v in (("reason", line.reason), ("photo", photo)) if v}
        lines.append(told)
    if not lines:
        raise Refusal("nought", "Nothing of this note has come yet, as it is ticked.")
    data = {"note": note.number, "lines": lines, **_warmth(sent, note, everything)}
    return data | queued.moments(sent)


def _refuse_come(person: Person, note: door.Note, data: dict[str, Any], sent: QueryDict) -> None:
    """Before the act: what another device took in since this page was shown is asked about, for
    most likely it is the same delivery told twice."""
    told = {row["lot"] for row in data["lines"]}
    stale = [line for line in note.lines if line.is_stale and line.code in told]
    if not stale or sent.get("besides") or queued.is_told(person, note.client_id):
        return
    said = [
        f"{line.title}: {line.says(line.came)} came already, {line.says(line.left)} still to "
        f"come; this page said {line.how_much}."
        for line in stale
    ]
    more = f" So with {len(said) - MOST_SAID} more." if len(said) > MOST_SAID else ""
    raise Refusal(
        "came_already",
        f"Note {note.number} was taken in meanwhile. {' '.join(said[:MOST_SAID])}{more} If "
        "it is the same delivery, drop it.",
        note=note.number,
    )


def _photo(request: HttpRequest, person: Person, name: str) -> str:
    """The number of the photograph that was sent, kept. Raises Refusal."""
    sent = request.FILES.get(name)
    if not isinstance(sent, UploadedFile) or not sent.size:
        return ""
    if sent.size > photos.MOST:
        raise photos.too_large()
    return str(keep_photo(sent.read(), person).pk)


def _warmth(sent: QueryDict, note: door.Note, everything: bool) -> dict[str, str]:
    """The temperature, how it was taken, and the condition, where the outlet asks."""
    if not note.asks:
        return {}
    if not note.temperature:
        if note.measured != Receipt.Measured.NOT_TAKEN:
            raise Refusal("temperature", "Write the temperature, or tap “Not taken”.")
        told = {"measured": note.measured}
    else:
        reading = door.celsius(note.temperature)
        if not sent.get("sure") and door.forgotten_point(reading) is not None:
            raise Refusal(
                "seldom", f"{temperatures.plainly(reading)} °C is seldom true. Which is it?"
            )
        taken = note.measured if note.measured != Receipt.Measured.NOT_TAKEN else ""
        told = {"temperature_c": str(reading), "measured": taken, "probe": note.probe}
        if not taken or taken == Receipt.Measured.AIR:
            del told["probe"]
    told["condition"] = note.condition or (Receipt.Condition.GOOD if everything else "")
    return {name: value for name, value in told.items() if value}


def _refused(
    request: HttpRequest, person: Person, note: door.Note, refusal: Refusal
) -> HttpResponseBase:
    ways = []
    if refusal.code == "seldom":
        reading = door.celsius(note.temperature)
        meant = door.forgotten_point(reading) or reading
        ways += [
            Way("as-temperature", str(meant), f"{temperatures.plainly(meant)} °C"),
            Way("sure", "yes", f"It is {temperatures.plainly(reading)} °C"),
        ]
    if refusal.code == "came_already":
        ways.append(Way("besides", "yes", "It came besides: record it"))
    if isinstance(refusal, Conflict):
        note.client_id = new_id()
        ways.append(Way("client_id", note.client_id, "Record it as another arrival"))
    if queued.is_queued(request):
        return queued.refused(refusal, ways)
    return _one(request, person, note, refusal, ways)


def _one(
    request: HttpRequest,
    person: Person,
    note: door.Note,
    refusal: Refusal | None = None,
    ways: list[Way] | None = None,
) -> HttpResponseBase:
    context = {
        "title": f"Goods in: {note.number}",
        "note": note,
        "off": door.OFF,
        "reasons": ReceiptLine.Reason.choices,
        "refusal": refusal,
        "ways": ways or [],
        "pressed": queued.pressed(request.POST)["press"] if refusal else "",
        **_asked(person, [note]),
    }
    status = (422 if isinstance(refusal, NotKnown) else refusal.status) if refusal else 200
    return _page(request, "sales/goods_in_one.html", context, status)


def _page(
    request: HttpRequest, template: str, context: Mapping[str, Any], status: int = 200
) -> TemplateResponse:
    own = {"is_nav_sidebar_enabled": False, **context}
    return TemplateResponse(request, template, own, status=status)


# --- photographs ---------------------------------------------------------------------------------


def photo_page(request: HttpRequest, pk: int) -> HttpResponseBase:
    """A photograph, to whoever may see what it shows; to all others there is none."""
    assert isinstance(request.user, Person)
    found = scope.photo(pk, request.user)
    if found is None:
        raise Http404("There is no such photograph.")
    return HttpResponse(bytes(found.jpeg), content_type="image/jpeg")


# --- what is said once it is recorded ------------------------------------------------------------


def warmth_says(event: Event) -> list[tuple[str, bool]]:
    """What the temperature of a receipt just told says."""
    receipt = Receipt.objects.filter(event=event).first() if event.kind == "receive" else None
    if receipt is None or receipt.temperature_c is None:
        return []
    lots = [line.lot for line in receipt.note.lines.select_related("lot__crop", "lot__made_by")]
    moved = set(event.movements.values_list("lot_id", flat=True))
    came = [lot for lot in lots if lot.pk in moved]
    said = warmth.worst(receipt, came, event.placed_at)
    if said is None:
        return []
    fine = (temperatures.Says.FINE, temperatures.Says.NOT_JUDGED)
    return [(said.sentence, said.says not in fine), (f"Source: {said.source}.", False)]


def unknown_says(event: Event) -> list[tuple[str, bool]]:
    """Of what came without a note under a code that is not known here: who must look."""
    if event.kind != "come_without_note" or event.movements.exists():
        return []
    return [(flag.says, True) for flag in event.flags.all()]


DOOR_PAGES = [
    Page(
        "goods-in/",
        "goods_in",
        "Goods in",
        None,
        goods_in_page,
        may=lambda person: roles.may(person, "receive"),
        keeps=True,
    ),
    Page(
        "photographs/<int:pk>/",
        "photograph",
        "Photograph",
        "grow.view_lot",
        photo_page,
        in_menu=False,
    ),
]
