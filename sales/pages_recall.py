"""The pages of a recall, for the food-safety lead under stress: what is open, opening one, and one
from the first stop to the last sentence. No script is needed.

Each press tells one act and comes back to the page. Nothing on it says that anything is safe.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import urlencode

from django.core.exceptions import PermissionDenied
from django.db.models import Exists, OuterRef
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect, QueryDict
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, devices, roles, scope
from grow.edge import tell
from grow.errors import Conflict, Refusal
from grow.flows import EATEN
from grow.models import (
    Business,
    Event,
    Hold,
    Holding,
    Lot,
    LotKind,
    Person,
    PlaceKind,
    SignOff,
)
from grow.models.ledger import Unit
from grow.page import Page, new_id
from grow.pages import SIGNED
from grow.pages_who import refuse_unsigned
from grow.signing import unfit
from grow.wording import amount

from . import readings, recall_scope, recall_words, recalls, roots, trace
from .models import Complaint, Notice, Outlet, Product, Recall, RecallLot, RecallStep, Reply
from .operations.recalling import BY, still_open
from .pages_epcis import may_give
from .print_form import PRINTS
from .recall_pdf import pdf_of
from .recalls import Customer, State

CAUTION = (
    "Suspect food: stop it, hold it, and call your local authority at once; do not wait for this "
    "page. Local rules and competent people decide. It says what is recorded here, and never that "
    "food is safe."
)
#: What a scope may be asked by, as the trace asks it.
_ASKED = ("code", "product", "date", "outlet", "place", "since", "until", "thing", "entry")
_MOST = 200


SIGNED.add("approve_notices")


def may_look(person: Person) -> bool:
    """Of a recall everything is shown: for somebody of the whole farm alone."""
    return roles.may(person, "tell_authority") and not scope.tied_to(person)


def _person(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    if not may_look(request.user):
        raise PermissionDenied("Recalls are not among your tasks.")
    return request.user


# --- all of them ---------------------------------------------------------------------------------


def recalls_page(request: HttpRequest) -> HttpResponseBase:
    person = _person(request)
    with clock.one_zone():
        rows = list(recalls.the_recalls())
        complaints = Complaint.objects.filter(answered_by=None)
        context = {
            "title": "Recalls",
            "open": [_row(recall) for recall in rows if not recall.closed_by_id],
            "closed": [_row(recall) for recall in rows if recall.closed_by_id][:_MOST],
            "complaints": [
                {
                    "number": c.number,
                    "what": str(c.product or c.lot),
                    "date": c.date,
                    "happened": c.happened,
                    "ill": c.ill,
                    "trace": _trace_of(c),
                    "open": _open_of(c),
                }
                for c in complaints.select_related("event", "product", "lot", "outlet__place")[
                    :_MOST
                ]
            ],
            "due": recalls.drill_due(clock.now()),
            "may_open": roles.may(person, "open_recall"),
            "caution": CAUTION,
            "is_nav_sidebar_enabled": False,
        }
        return TemplateResponse(request, "sales/recalls.html", context)


def _row(recall: Recall) -> dict[str, Any]:
    return {
        "number": recall.number,
        "noun": recall.noun,
        "hazard": recall.hazard,
        "mock": recall.is_mock,
        "opened": clock.said(recall.event.happened_at),
        "closed": clock.said(recall.closed_by.recorded_at) if recall.closed_by else "",
    }


def _question(complaint: Complaint) -> dict[str, str]:
    if complaint.lot:
        return {"code": complaint.lot.code}
    asked = {
        "product": str(complaint.product and complaint.product.code),
        "date": str(roots.day_of(complaint)),
    }
    if complaint.outlet:
        asked["outlet"] = str(complaint.outlet)
    # of the day that is only supposed, the page says so
    return asked if complaint.date else asked | {"complaint": complaint.number}


def guessed(number: str) -> str:
    """What a page says that was asked for a complaint of which no date was told; else nothing."""
    rows = Complaint.objects.filter(number=number[:20], date=None, lot=None)
    complaint = rows.select_related("event").first() if number else None
    if complaint is None:
        return ""
    return (
        f"No date was told with complaint {complaint}: its own day, "
        f"{roots.day_of(complaint):%d %b %Y}, stands for the day it was bought. Say another where "
        "it is known."
    )


def _trace_of(complaint: Complaint) -> str:
    return f"{reverse('admin:trace')}?{urlencode(_question(complaint))}"


def _open_of(complaint: Complaint) -> str:
    return f"{reverse('admin:recall_open')}?{urlencode(_question(complaint))}"


def products() -> list[tuple[str, str]]:
    """What may be picked: (its code, its name)."""
    return [(p.code, p.name) for p in Product.objects.order_by("name")]


def outlets(person: Person) -> list[tuple[str, str]]:
    rows = scope.seen(Outlet.objects.order_by("place__name"), person)
    return [(str(outlet), str(outlet)) for outlet in rows]


def opening(asked: Mapping[str, str]) -> str:
    """Where a recall is opened of what a trace was asked by."""
    told = {name: text for name, text in asked.items() if name in _ASKED and text}
    return f"{reverse('admin:recall_open')}?{urlencode(told)}"


def way_to_open(person: Person, asked: Mapping[str, str]) -> list[tuple[str, str]]:
    """For the trace's page: the press that stops what it found, for whoever may."""
    return [("Recall all of this", opening(asked))] if roles.may(person, "open_recall") else []


def _standing_on(codes: Iterable[str]) -> dict[str, list[str]]:
    """Open recall → the lots among these that stand on it."""
    rows = RecallLot.objects.filter(
        lot__code__in=codes,
        narrowed_by=None,
        recall__closed_by=None,
        recall__is_mock=False,
    ).order_by("recall", "lot")
    found: dict[str, list[str]] = {}
    for number, code in rows.values_list("recall__number", "lot__code"):
        found.setdefault(number, []).append(code)
    return found


def way_to_recalls(person: Person, codes: Iterable[str]) -> list[tuple[str, str]]:
    """For the trace's page: to the open recalls on which what it found stands already."""
    if not may_look(person):
        return []
    return [
        (f"To recall {number}", reverse("admin:recall", args=[number]))
        for number in _standing_on(codes)
    ]


# --- opening one ---------------------------------------------------------------------------------


def open_page(request: HttpRequest) -> HttpResponseBase:
    """What a code or a question means, how much of it there is and who had some; one press stops
    all of it."""
    person = _person(request)
    if not roles.may(person, "open_recall"):
        says = "Opening a recall is for whoever answers for food safety; hold the lot meanwhile."
        raise PermissionDenied(says)
    with clock.one_zone():
        sent = request.POST if request.method == "POST" else request.GET
        asked = {name: sent.get(name, "").strip() for name in _ASKED}
        found, refusal = None, None
        try:
            if any(asked.values()):
                found = _meant(person, asked)
            if request.method == "POST":
                return _opened(request, person, asked, found)
        except Refusal as refused:
            refusal = refused
        context: dict[str, Any] = {
            "title": "Recall",
            "asked": asked,
            "found": found,
            "sent": sent,
            "mock": sent.get("mock") == "yes",
            "kinds": Recall.Kind.choices,
            "kind": sent.get("kind") or Recall.Kind.RECALL,
            "refusal": refusal,
            "nearest": _nearest(refusal) if refusal else [],
            "products": products(),
            "outlets": outlets(person),
            "guessed": guessed(sent.get("complaint", "")),
            "client_id": _id(request, refusal),
            "caution": CAUTION,
            "is_nav_sidebar_enabled": False,
        }
        status = 200 if refusal is None else 422 if refusal.status == 404 else refusal.status
        return TemplateResponse(request, "sales/recall_open.html", context, status=status)


def _nearest(refusal: Refusal) -> list[tuple[str, str]]:
    near = refusal.facts.get("nearest") or []
    asks = refusal.facts.get("asks") or [{"code": code} for code in near]
    return [(name, urlencode(ask)) for name, ask in zip(near, asks, strict=True)]


def _id(request: HttpRequest, refusal: Refusal | None) -> str:
    anew = isinstance(refusal, Conflict)
    return "" if anew else request.POST.get("client_id", "") or new_id()


def _meant(person: Person, asked: Mapping[str, str]) -> dict[str, Any]:
    """The lots of a question, and what stopping them would stop."""
    meant = readings.asked(person, **readings.question(asked))
    # of a sowing in a window only what is cut from its plants there is stopped
    stopped = [lot for lot in meant.lots if lot in meant.named or lot.kind != LotKind.BATCH]
    ids = trace.ids_below(lot.pk for lot in stopped)
    report = trace.report(ids)
    told = trace.consignees.must_be_told(report.flows, report.consignees, ids)
    day = readings.question(asked).get("date") or clock.local(clock.now()).date()
    # the likeliest first: in date, the newest
    lots = [report.lots[i] for i in sorted(ids, reverse=True)]
    lots.sort(key=lambda lot: bool(lot.use_by and lot.use_by < day))
    return {
        "says": meant.says,
        "notes": meant.notes,
        "named": meant.named,
        "windows": meant.windows,
        "many": len(ids),
        "names": [(lot.code, lot.title, lot.use_by) for lot in lots[:12]],
        "standing": [
            (
                number,
                ", ".join(codes[:3]) + (f" and {len(codes) - 3} more" if codes[3:] else ""),
                len(codes),
            )
            for number, codes in _standing_on(lot.code for lot in lots).items()
        ],
        "more": max(0, len(lots) - 12),
        "sums": _made(lots),
        "told": [one.who.outlet for one in told],
    }


def _made(lots: Iterable[Any]) -> str:
    packs = sum(lot.balance.made for lot in lots if lot.kind == "pack")
    grams = sum(lot.balance.made for lot in lots if lot.kind in EATEN and lot.kind != "pack")
    said = [f"{amount(packs, Unit.EACH, kind=LotKind.PACK)} made"] if packs else []
    return ", ".join([*said, *([f"{amount(grams, 'g')} cut or bought in"] if grams else [])])


def _opened(
    request: HttpRequest, person: Person, asked: Mapping[str, str], found: dict[str, Any] | None
) -> HttpResponseBase:
    data: dict[str, Any] = {
        name: request.POST.get(name, "") for name in ("kind", "hazard", "reason", "mock")
    }
    if found:
        data["lots"] = [lot.code for lot in found["named"]]
        data["windows"] = [
            {
                "place": window.place and window.place.name,
                "thing": window.thing and window.thing.name,
                "since": window.since,
                "until": window.until,
            }
            for window in found["windows"]
        ]
    event = tell(
        person,
        "open_recall",
        data,
        client_id=request.POST.get("client_id", ""),
        device=devices.noted(request),
    )
    if devices.noted(request):
        return devices.after(request, event)
    return HttpResponseRedirect(reverse("admin:recall", args=[event.recall.number]))


# --- one of them ---------------------------------------------------------------------------------


def recall_page(request: HttpRequest, number: str) -> HttpResponseBase:
    person = _person(request)
    recall = _the(number)
    with clock.one_zone():
        refusal = None
        if request.method == "POST":
            try:
                event = _pressed(request, person, recall)
                if devices.noted(request):
                    return devices.after(request, event)
                return HttpResponseRedirect(reverse("admin:recall", args=[number]))
            except Refusal as refused:
                refusal = refused
        return _show(request, person, recall, refusal)


def _the(number: str) -> Recall:
    rows = Recall.objects.select_related("event__recorded_by", "closed_by__recorded_by")
    found = rows.filter(number=number.upper()).first()
    if found is None:
        raise Http404(f"There is no recall “{number[:20]}”.")
    return found


def _pressed(request: HttpRequest, person: Person, recall: Recall) -> Event:
    sent = request.POST
    press, _, what = sent.get("press", "").partition(" ")
    if press not in _PRESSES:
        raise Refusal("press", "Press one of the buttons of the page.")
    kind, data = _PRESSES[press](sent, what, recall)
    if kind in SIGNED:
        refuse_unsigned(request, person)
    return tell(
        person,
        kind,
        {"recall": recall.number, **data},
        client_id=sent.get("client_id", ""),
        device=devices.noted(request),
    )


Told = tuple[str, dict[str, Any]]


def _authority(sent: QueryDict, what: str, recall: Recall) -> Told:
    answered = "no" if what == "in-vain" else "yes"
    return "tell_authority", {"authority": sent.get("authority", ""), "answered": answered}


def _approve(sent: QueryDict, what: str, recall: Recall) -> Told:
    return "approve_notices", {"seen": sent.get("seen", ""), "more": sent.get("more", "")}


def _told(sent: QueryDict, what: str, recall: Recall) -> Told:
    answered = "no" if what == "in-vain" else "yes"
    how = sent.get("how", BY[0])
    return "send_notice", {"to": sent.getlist("to"), "how": how, "answered": answered}


#: A number alone is kilograms where a lot is kept by weight.
_BARE = re.compile(r"\s*[0-9]+(?:[.,][0-9]+)?\s*")
_BACK = ("returned", "brought_back", "destroyed")


def _reply(sent: QueryDict, what: str, recall: Recall) -> Told:
    codes = dict.fromkeys(name.split(" ")[1] for name in sent if name.startswith("back "))
    weighed = set(Lot.objects.filter(code__in=codes, unit="g").values_list("code", flat=True))
    lines = []
    for code in codes:
        line = {part: sent.get(f"back {code} {part}", "").strip() for part in _BACK}
        if any(line.values()):
            if code in weighed:
                line = {k: f"{v} kg" if _BARE.fullmatch(v) else v for k, v in line.items()}
            lines.append({"lot": code, **line})
    return "reply_recall", {"to": sent.get("to", ""), "says": sent.get("says", ""), "lines": lines}


def _widen(sent: QueryDict, what: str, recall: Recall) -> Told:
    window = {name: sent.get(name, "").replace("T", " ") for name in ("place", "since", "until")}
    codes = [code for code in re.split(r"[,;\s]+", sent.get("lots", "")) if code]
    return "widen_recall", {"lots": codes, "reason": sent.get("reason", ""), **window}


def _narrow(sent: QueryDict, what: str, recall: Recall) -> Told:
    bounds = {name: sent.get(name, "").replace("T", " ") for name in ("since", "until")}
    data = {"lots": sent.getlist("lots"), "reason": sent.get("reason", "")}
    return "narrow_recall", {**data, "window": sent.get("window", ""), **bounds}


def _close(sent: QueryDict, what: str, recall: Recall) -> Told:
    if not recall.is_mock:
        return "close_recall", {name: sent.get(name, "") for name in ("done", "unexplained")}
    asked = ("lot", "place", "counted", "telephone", "result", "shortcomings", "corrective")
    data = {name: sent.get(name, "") for name in (*asked, "retest_on")}
    if _BARE.fullmatch(data["counted"]) and Lot.objects.filter(code=data["lot"], unit="g").exists():
        data["counted"] += " kg"
    return "close_mock", data


_PRESSES = {
    "authority": _authority,
    "approve": _approve,
    "told": _told,
    "reply": _reply,
    "widen": _widen,
    "narrow": _narrow,
    "close": _close,
}


# --- what is shown -------------------------------------------------------------------------------


def _approved(state: State) -> str:
    """By whom and when notices were approved last."""
    last = max((n.approved_by for n in state.notices.values()), key=lambda e: e.pk, default=None)
    return f"Approved by {last.recorded_by}, {clock.said(last.recorded_at)}." if last else ""


def _show(
    request: HttpRequest, person: Person, recall: Recall, refusal: Refusal | None
) -> HttpResponseBase:
    state = recalls.state_of(recall)
    drafts = recall_words.drafts(state)
    new = [d for d in drafts if not recall_words.same(d, _frozen(state, d["to"]))]
    business = Business.the()
    context: dict[str, Any] = {
        "title": f"{recall.noun[0].upper()}{recall.noun[1:]} {recall.number}",
        "recall": recall,
        "state": state,
        "steps": _steps(state),
        "authority": state.told_authority,
        "authority_at": _at(state.told_authority),
        "in_vain": [_at(step) for step in state.rung if not step.answered],
        "business": business,
        "new": new,
        "seen": recall_words.digest(drafts),
        "approved": _approved(state),
        "unfit": unfit(person, SignOff.Task.NOTICES, clock.local(clock.now()).date()),
        "point_of_sale": recall_words.POINT_OF_SALE in state.notices,
        "by_pin": bool(person.pin),
        "by": BY,
        "customers": [
            _customer(state, customer, request.POST if refusal else None)
            for customer in state.customers
        ],
        "untold": [c.name for c in state.customers if c.notice and not c.first_told],
        "sums": state.sums(),
        "percent": state.balance.percent,
        "evidence": state.balance.percent_by_evidence,
        "lots": _lots(state),
        "out": [(row.lot.code, row.narrowed_why) for row in state.out],
        "windows": [(w.pk, recall_scope.says(w)) for w in state.windows],
        "still_open": "" if recall.is_mock else still_open(state),
        "places": _places(state),
        "hold_labels": _hold_labels(person, state),
        "evidence_pack": _evidence(person, state),
        "may": {kind: roles.may(person, kind) for kind in _MAY},
        "drill": getattr(recall, "drill", None),
        "refusal": refusal,
        "sent": request.POST if refusal else {},
        "client_id": _id(request, refusal),
        "caution": CAUTION,
        "is_nav_sidebar_enabled": False,
    }
    status = refusal.status if refusal and refusal.status != 404 else 422 if refusal else 200
    return TemplateResponse(request, "sales/recall.html", context, status=status)


_MAY = ("approve_notices", "widen_recall", "narrow_recall", "close_recall", "close_mock")


def _frozen(state: State, to: str) -> dict[str, Any] | None:
    notice = state.notices.get(to)
    return notice.says if notice else None


def _at(step: RecallStep | None) -> str:
    return clock.said(step.event.happened_at) if step else ""


def _steps(state: State) -> list[tuple[str, str, bool]]:
    """The recall's clock: each step, when it was taken, whether it is done."""
    recall = state.recall
    told = [c.first_told for c in state.customers if c.first_told]
    first = min(told, key=lambda step: step.event.happened_at, default=None)
    approved = min((n.approved_by.recorded_at for n in state.notices.values()), default=None)
    answered = len(state.customers) - len(state.unanswered)
    replies = f"{answered} of {len(state.customers)}" if state.customers else ""
    times = [
        ("Began" if recall.is_mock else "Stopped", clock.said(recall.event.recorded_at)),
        ("Authority told", _at(state.told_authority)),
        ("Notices approved", clock.said(approved) if approved else ""),
        ("First customer told", _at(first)),
        ("Answers", replies),
        ("Closed", clock.said(recall.closed_by.recorded_at) if recall.closed_by else ""),
    ]
    return [
        (name, at, bool(at) and (name != "Answers" or answered == len(state.customers)))
        for name, at in times
    ]


def _customer(state: State, customer: Customer, typed: QueryDict | None) -> dict[str, Any]:
    """typed: an answer that was refused, for whom it was."""
    who = customer.told.who
    sent = typed if typed and typed.get("to") == customer.name and "says" in typed else None
    lots = {lot.code: lot for lot in state.report.lots.values()}
    return {
        "name": customer.name,
        "contact": who.contact,
        "telephone": who.telephone,
        "out_of_hours": who.out_of_hours,
        "lots": [
            {
                "code": code,
                "title": lots[code].title,
                "had": amount(quantity, unit, kind=lots[code].kind),
                "there": amount(here, unit, kind=lots[code].kind) if here else "",
                "unit": "kg" if unit == "g" else "",
                "sent": {part: sent.get(f"back {code} {part}", "") for part in _BACK}
                if sent
                else {},
            }
            for code, quantity, unit, here in customer.told.lots
        ],
        "sent": {"says": sent.get("says", "")} if sent else None,
        "is_outlet": who.place is not None,
        "notice": customer.notice,
        "state": customer.state,
        "told_at": _at(customer.first_told),
        "told_how": customer.first_told.how if customer.first_told else "",
        "tries": customer.tries,
        "replies": [
            (clock.said(reply.event.happened_at), " ".join(filter(None, (reply.says, back))))
            for reply, back in zip(customer.replies, _came_back(customer.replies), strict=True)
        ],
    }


_WORDS = {"returned": "sent back", "brought_back": "brought back", "destroyed": "destroyed"}


def _came_back(replies: list[Reply]) -> list[str]:
    """What each answer says came back or was destroyed: “2 sent back, 1 brought back.”"""
    told = [json.loads(reply.event.told or "{}").get("lines") or [] for reply in replies]
    units = dict(
        Lot.objects.filter(pk__in={line["lot"] for lines in told for line in lines}).values_list(
            "pk", "unit"
        )
    )
    out = []
    for lines in told:
        said = [
            f"{amount(line[part], units.get(line['lot'], ''))} {words}"
            for line in lines
            for part, words in _WORDS.items()
            if line.get(part)
        ]
        out.append(f"{', '.join(said)}." if said else "")
    return out


def _lots(state: State) -> list[dict[str, Any]]:
    rows = []
    for row in state.standing:
        lot = state.report.lots[row.lot_id]
        rows.append(
            {
                "code": row.lot.code,
                "title": row.lot.title,
                "how": RecallLot.How(row.how).label,
                "why": "" if row.why == "named" else row.why,
                "late": row.how == RecallLot.How.LATE,
                "here": ", ".join(
                    f"{amount(h.quantity, lot.unit, kind=lot.kind)} {h.place.name}"
                    for h in lot.here
                    if h.quantity > 0
                ),
            }
        )
    return rows


def _hold_labels(person: Person, state: State) -> str:
    """Where labels of all that it stopped are printed; empty where there is nothing to print."""
    if state.recall.is_mock or not state.standing or not person.has_perm(PRINTS):
        return ""
    return f"{reverse('admin:hold_labels')}?event={state.recall.event_id}"


def _evidence(person: Person, state: State) -> str:
    """Where all that the books say of its lots is put into one file; empty where none is."""
    if not state.standing or not may_give(person):
        return ""
    return f"{reverse('admin:evidence')}?{urlencode({'recall': state.recall.number})}"


def _places(state: State) -> list[tuple[str, str]]:
    """Where lots of it stand, for the one that is counted in a mock recall: (lot, place)."""
    return [
        (row.lot.code, here.place.name)
        for row in state.standing
        for here in state.report.lots[row.lot_id].here
        if here.quantity > 0 and here.place.kind in ("store", "shop", "kitchen", "packhouse")
    ]


# --- on paper ------------------------------------------------------------------------------------


def notices_pdf(request: HttpRequest, number: str) -> HttpResponseBase:
    """The approved notices; `?to=` is one customer's, `?sale` the one for the point of sale. Before
    a named person has approved them there is nothing to print."""
    _person(request)
    recall = _the(number)
    with clock.one_zone():
        standing = recalls.state_of(recall).notices
        found: list[Notice] = list(standing.values())
        if "sale" in request.GET:
            found = [n for n in found if n.to == recall_words.POINT_OF_SALE]
        elif "to" in request.GET:
            found = [n for n in found if n.to and n.to == request.GET["to"]]
        if not found:
            refusal = Refusal(
                "not_approved",
                f"No such notice of {recall} is approved yet. A named person approves it first.",
            )
            return _show(request, _person(request), recall, refusal)
        content = pdf_of(found)
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="notices-{recall.number}.pdf"'
    return answer


def to_it(person: Person, event: Event, made: list[Lot]) -> list[tuple[str, str]]:
    """From the entry that opened a recall to its page; from a complaint to where it came from, and
    to what stops it."""
    if event.kind == "complain":
        told = Complaint.objects.select_related("product", "lot").get(event=event)
        return [("Trace it", _trace_of(told)), *way_to_stop(person, told)]
    if event.kind != "open_recall" or not may_look(person):
        return []
    return [("To the recall", reverse("admin:recall", args=[event.recall.number]))]


def way_to_stop(person: Person, complaint: Complaint) -> list[tuple[str, str]]:
    return [("Stop it", _open_of(complaint))] if roles.may(person, "open_recall") else []


def stopped_here(person: Person) -> dict[str, Any]:
    """What somebody may touch who reads no recall: what is stopped where they work, as its label
    says it. Quarantine is where it belongs."""
    rows = scope.seen(Holding.objects.filter(quantity__gt=0, place__kind__in=_TOUCHED), person)
    held = rows.filter(Exists(Hold.objects.filter(lot=OuterRef("lot"), ended_by=None)))
    found = list(held.select_related("lot", "place").order_by("place", "lot")[: _STOPPED_SHOWN + 1])
    return {
        "stopped_here": [
            {
                "code": h.lot.code,
                "says": f"{amount(h.quantity, h.lot.unit, kind=h.lot.kind)} {h.lot.title}",
                "place": h.place.name,
            }
            for h in found[:_STOPPED_SHOWN]
        ],
        "stopped_more": len(found) > _STOPPED_SHOWN,
    }


_STOPPED_SHOWN = 8
_TOUCHED = (PlaceKind.STORE, PlaceKind.PACKHOUSE, PlaceKind.SHOP, PlaceKind.KITCHEN)


def leads(person: Person) -> dict[str, Any]:
    """What the start page says: to the lead and the manager what is open, and what is due; to all
    others what is stopped where they work."""
    if not may_look(person):
        return stopped_here(person)
    open_ = Recall.objects.filter(closed_by=None).order_by("-event")
    return {
        "recalls_open": [(r.number, r.noun, r.hazard) for r in open_[:5]],
        "complaints_open": Complaint.objects.filter(answered_by=None).count(),
        "drill_due": recalls.drill_due(clock.now()) if roles.may(person, "close_mock") else "",
    }


RECALL_PAGES = [
    Page("recalls/", "recalls", "Recalls", None, recalls_page, may=may_look),
    Page(
        "recalls/open/",
        "recall_open",
        "Open a recall",
        None,
        open_page,
        in_menu=False,
        may=lambda person: roles.may(person, "open_recall"),
    ),
    Page(
        "recalls/<str:number>/", "recall", "Recall", None, recall_page, in_menu=False, may=may_look
    ),
    Page(
        "recalls/<str:number>/notices.pdf",
        "recall_notices",
        "Notices of a recall",
        None,
        notices_pdf,
        in_menu=False,
        may=may_look,
    ),
]
