"""What comes to an outlet by itself: a crate without a note, and what its cook cut."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpRequest, QueryDict
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse

from grow import clock, codes, cuttable, devices, holds, measures, queued, roles
from grow.asks import READ, Ask
from grow.edge import tell
from grow.errors import Conflict, NotKnown, Refusal
from grow.models import NURSERY, Crop, Flag, Holding, LotKind, Person
from grow.offers import natural
from grow.page import Page
from grow.pages import Way, new_id

from . import door
from .models import Outlet

RECORD = "record"
#: Of a crop's usual bunch; common practice, no source.
HANDFUL = 2
#: How the code of packs begins: then their number is asked for, else a weight.
_RUN = codes.SERIES[LotKind.PACK]
BUNCH, HANDFULS, GRAMS = "bunch", "handful", "grams"


def _who(request: HttpRequest, kind: str, title: str) -> Person:
    person = request.user
    assert isinstance(person, Person)
    if not roles.may(person, kind):
        raise PermissionDenied(f"“{title}” is not among your tasks.")
    return person


def _outlet(found: list[Outlet], name: str) -> Outlet:
    """The outlet that is named, or the only one. Raises Refusal."""
    chosen = [o for o in found if o.place.name == name]
    if not name and len(found) == 1:
        chosen = found
    if not chosen:
        raise Refusal("outlet", "Say where it came to.")
    return chosen[0]


def _answer(
    request: HttpRequest, template: str, context: dict[str, Any], refusal: Refusal | None
) -> HttpResponseBase:
    status = (422 if isinstance(refusal, NotKnown) else refusal.status) if refusal else 200
    own = {"is_nav_sidebar_enabled": False, "refusal": refusal, **context}
    return TemplateResponse(request, template, own, status=status)


def _ways(refusal: Refusal, more: list[Way]) -> list[Way]:
    if isinstance(refusal, Conflict):
        more.append(Way("client_id", new_id(), "Record it as another"))
    return more


# --- without a note ------------------------------------------------------------------------------


def without_note_page(request: HttpRequest) -> HttpResponseBase:
    person = _who(request, "come_without_note", "Came without a note")
    with clock.one_zone():
        found = door.outlets(person)
        if request.method != "POST":
            return _without(request, found, devices.take_kept(request) or request.GET)
        sent = queued.pressed(request.POST)
        if sent["press"] != RECORD:
            return _without(request, found, sent)
        try:
            outlet = _outlet(found, sent.get("outlet", ""))
            _refuse_noted(person, outlet, sent)
            data = {
                "outlet": outlet.place.name,
                "code": codes.code_in(sent.get("code", "")),
                **_how_much(sent),
                **queued.moments(sent),
            }
            event = tell(
                person,
                "come_without_note",
                data,
                client_id=sent.get("client_id", ""),
                device=devices.noted(request),
            )
        except Refusal as refusal:
            noted = [Way("besides", "yes", "It came besides: record it")]
            ways = _ways(refusal, noted if refusal.code == "on_a_note" else [])
            if queued.is_queued(request):
                return queued.refused(refusal, ways)
            return _without(request, found, sent, refusal, ways)
        return queued.done(request, event)


def _refuse_noted(person: Person, outlet: Outlet, sent: QueryDict) -> None:
    """Before the act: what is on a note to there that is still open is taken in there."""
    if sent.get("besides") or queued.is_told(person, sent.get("client_id", "")):
        return
    try:
        noted = door.by_code(person, sent.get("code", ""))
    except Refusal:
        return
    note = next((note for note in noted if str(note.outlet) == str(outlet)), None)
    if note is None:
        return
    raise Refusal(
        "on_a_note", f"That is on note {note.number}. Take it in there.", note=note.number
    )


def _how_much(sent: QueryDict) -> dict[str, str]:
    kg, packs = sent.get("kg", "").strip(), sent.get("packs", "").strip()
    out = {"grams": str(measures.grams(kg, "kg"))} if kg else {}
    return out | ({"packs": packs} if packs else {})


def _without(
    request: HttpRequest,
    outlets: list[Outlet],
    sent: QueryDict,
    refusal: Refusal | None = None,
    ways: list[Way] | None = None,
) -> HttpResponseBase:
    anew = isinstance(refusal, Conflict) or not sent.get("client_id")
    context = {
        "title": "Came without a note",
        "outlets": outlets,
        "sent": {name: sent.get(name, "") for name in ("code", "kg", "packs", "outlet")},
        "client_id": new_id() if anew else sent["client_id"],
        "note": refusal.facts.get("note") if refusal else None,
        "by_number": codes.code_in(sent.get("code", "")).upper().startswith(_RUN),
        "ways": ways or [],
    }
    return _answer(request, "sales/goods_without_note.html", context, refusal)


# --- cut by oneself ------------------------------------------------------------------------------


@dataclass
class Standing:
    """A crop that stands somewhere: on which towers, and what is against cutting it there, by
    tower; "" is wherever else it stands."""

    crop: Crop
    towers: list[str] = field(default_factory=list)
    danger: dict[str, str] = field(default_factory=dict)

    @property
    def places(self) -> list[tuple[str, str, str]]:
        """(what is sent, the tower, what is against it) of each."""
        return [(f"{self.crop.pk}|{t}", t, self.danger.get(t, "")) for t in self.towers]

    @property
    def against_some(self) -> str:
        """What is against cutting it somewhere, where nobody says from where it was cut."""
        return next(iter(self.danger.values()), "")

    @property
    def anywhere(self) -> str:
        return f"{self.crop.pk}|"


def standing() -> list[Standing]:
    """What stands and can be cut, by crop, and what is against it by the rule that judges a cut."""
    crops = Crop.objects.in_bulk()
    found = {pk: Standing(crop) for pk, crop in crops.items()}
    for one in cuttable.standing(crops, clock.now()):
        of, tower = found[one.crop], one.place.name
        if tower not in of.towers:
            of.towers.append(tower)
        if one.why_not:
            of.danger.setdefault(tower, one.why_not)
    rows = Holding.objects.filter(
        quantity__gt=0, lot__kind=LotKind.BATCH, lot__crop__isnull=False, place__kind__in=NURSERY
    )
    benches = set(rows.values_list("lot__crop_id", "lot_id"))
    held = holds.held_now({batch for _, batch in benches})
    for crop, batch in benches:
        if batch in held:
            found[crop].danger.setdefault("", f"held: {held[batch].reason}")
    on_benches = {crop for crop, _ in benches}
    for of in found.values():
        of.towers.sort(key=natural)
    there = [of for pk, of in found.items() if of.towers or pk in on_benches]
    return sorted(there, key=lambda of: of.crop.name)


def cut_page(request: HttpRequest) -> HttpResponseBase:
    person = _who(request, "harvest", "I cut this myself")
    with clock.one_zone():
        found = door.outlets(person, *door.OWN)
        if request.method != "POST":
            return _cut(request, found, _scanned(devices.take_kept(request) or request.GET))
        sent = queued.pressed(request.POST)
        if sent["press"] != RECORD:
            return _cut(request, found, _scanned(sent))
        try:
            data = _harvest(found, sent) | queued.moments(sent)
            _refuse_unseen(person, data, sent)
            event = tell(
                person,
                "harvest",
                data,
                client_id=sent.get("client_id", ""),
                device=devices.noted(request),
            )
        except Refusal as refusal:
            seen = [Way("seen", "yes", "It is cut: record it")]
            ways = _ways(refusal, seen if refusal.code == "danger" else [])
            if queued.is_queued(request):
                return queued.refused(refusal, ways)
            return _cut(request, found, sent, refusal, ways)
        return queued.done(request, event)


def _scanned(sent: QueryDict) -> QueryDict:
    """A tower's name that was scanned or typed chooses what stands on it."""
    told = " ".join(sent.get("scan", "").split()).casefold()
    if not told:
        return sent
    out = sent.copy()
    for one in standing():
        for value, tower, _ in one.places:
            if tower.casefold() == told:
                out["what"] = value
                return out
    return out


def _harvest(outlets: list[Outlet], sent: QueryDict) -> dict[str, Any]:
    """The cut as the act is told it: a fact, into the outlet's own kitchen. Raises Refusal."""
    outlet = _outlet(outlets, sent.get("outlet", ""))
    pk, _, tower = sent.get("what", "").partition("|")
    crop = Crop.objects.filter(pk=int(pk)).first() if re.fullmatch("[0-9]{1,18}", pk) else None
    if crop is None:
        raise Refusal("what", "Say what was cut.")
    grams, basis = _weight(crop, sent)
    data: dict[str, Any] = {
        "crates": [{"gross_g": str(grams)}],
        "crop": crop.name,
        "store": outlet.place.name,
        "basis": basis,
        "already_done": "yes",
    }
    return data | ({"towers": [tower]} if tower else {})


def _weight(crop: Crop, sent: QueryDict) -> tuple[int, str]:
    """Grams, and how they are known: a bunch or a handful is estimated from the crop's usual
    bunch. Raises Refusal."""
    typed = sent.get("grams", "").strip()
    by = sent.get("by", "") or (GRAMS if typed else "")
    if by == GRAMS:
        return measures.grams(typed, "g") if typed else _say("Write how many grams."), "weighed"
    if by not in (BUNCH, HANDFULS):
        raise Refusal("how_much", "Say how much: a bunch, a handful, or grams.")
    if not crop.usual_bunch_g:
        _say(f"No usual bunch of {crop} is set. Write about how many grams it was.")
    count = READ["whole"](Ask("How many", "whole"), sent.get("count", "") or "1", False)
    if not 0 < count <= 100:
        raise Refusal("how_much", f"{count} is no number of bunches.")
    bunch = crop.usual_bunch_g or 0
    each = bunch if by == BUNCH else max(1, (bunch + HANDFUL - 1) // HANDFUL)
    return each * count, "estimated"


def _say(sentence: str) -> int:
    raise Refusal("how_much", sentence)


class _NotForGood(Exception):
    """Takes back a cut that was only tried."""


def _refuse_unseen(person: Person, data: dict[str, Any], sent: QueryDict) -> None:
    """What the books would hold the cut for is shown first, once: it is tried, and taken back."""
    if sent.get("seen") or queued.is_told(person, sent.get("client_id", "")):
        return
    said: list[str] = []
    try:
        with transaction.atomic():
            tried = tell(person, "harvest", data, client_id=new_id())
            flags = tried.told_now.flags if tried.told_now else []
            said = [f.says.partition(": ")[2] for f in flags if f.kind == Flag.Kind.BORN_HELD]
            raise _NotForGood
    except _NotForGood:
        pass
    if said:
        raise Refusal(
            "danger",
            f"Do not use it: {'; '.join(said)}. If it is cut already, record it; it is then held.",
        )


def _cut(
    request: HttpRequest,
    outlets: list[Outlet],
    sent: QueryDict,
    refusal: Refusal | None = None,
    ways: list[Way] | None = None,
) -> HttpResponseBase:
    anew = isinstance(refusal, Conflict) or not sent.get("client_id")
    names = ("what", "by", "count", "grams", "outlet")
    context = {
        "title": "I cut this myself",
        "outlets": outlets,
        "standing": standing(),
        "sent": {name: sent.get(name, "") for name in names},
        "client_id": new_id() if anew else sent["client_id"],
        "ways": ways or [],
    }
    return _answer(request, "sales/goods_cut.html", context, refusal)


OWN_PAGES = [
    Page(
        "goods-in/without-note/",
        "goods_without_note",
        "Came without a note",
        None,
        without_note_page,
        in_menu=False,
        may=lambda person: roles.may(person, "come_without_note"),
        keeps=True,
    ),
    Page(
        "goods-in/cut/",
        "goods_cut",
        "I cut this myself",
        None,
        cut_page,
        in_menu=False,
        may=lambda person: roles.may(person, "harvest"),
        keeps=True,
    ),
]
