"""EPCIS 2.0 on a page: the history of a lot or of some days as a file for others, and a supplier's
file as goods in."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, devices, roles, scope
from grow.asks import READ, Ask
from grow.errors import Refusal
from grow.importing.sheets import MOST_BYTES
from grow.models import Crop, Item, Person, Place, PlaceKind
from grow.page import Page
from sales import kept_files

from . import epcis, trace
from .epcis.reading import Read, read
from .epcis.taking import INPUT, LEAF, Meant, Taken, take_in
from .roots import find

#: So many days are given on a page; a longer time is `manage.py export_epcis`.
MOST_DAYS = 92
#: And of so many lots, all that a lot came from and went into.
MOST_LOTS = 2000
LD_JSON = "application/ld+json"
_STORES = (PlaceKind.STORE, PlaceKind.PACKHOUSE)


def may_give(person: Person) -> bool:
    """Whoever answers for the records of the whole farm."""
    return not scope.tied_to(person) and person.has_perm("grow.view_seal")


# --- given away -----------------------------------------------------------------------------------


def asked_for(code: str, first: dt.date | None, last: dt.date | None) -> tuple[str, dict[str, Any]]:
    """The document of a lot's history, or of some days; and what it is called. Raises Refusal."""
    if code:
        lots = {lot.pk for lot in find(code).lots}
        family = lots | trace.ids_above(lots) | trace.ids_below(lots)
        if len(family) > MOST_LOTS:
            raise Refusal(
                "too_many_lots",
                f"{code} has {len(family)} lots above and below it; {MOST_LOTS} are given here at "
                "once. Ask by days, or have it written with manage.py export_epcis.",
            )
        name = "".join(c if c.isalnum() else "-" for c in code)[:40]
        return name, epcis.document(lots=family)
    if first is None or last is None:
        raise Refusal("which_days", "Say a lot, or from which day to which.")
    if last < first:
        raise Refusal("period", f"{last:%d %b %Y} is before {first:%d %b %Y}.")
    if (last - first).days >= MOST_DAYS:
        raise Refusal(
            "too_long_a_period",
            f"That is {(last - first).days + 1} days; {MOST_DAYS} are given here at once. Ask for "
            "them in parts, or have them written with manage.py export_epcis.",
        )
    return f"{first}-{last}", epcis.document(first=first, last=last)


def epcis_page(request: HttpRequest) -> HttpResponseBase:
    """`?code=` or `?first=&last=` is the file itself; without them the page asks."""
    person = _person(request)
    asked = {name: request.GET.get(name, "").strip()[:200] for name in ("code", "first", "last")}
    with clock.one_zone():
        refusal = None
        if any(asked.values()):
            try:
                first, last = (_day(asked, name) for name in ("first", "last"))
                code = asked["code"].replace("\0", "")
                name, found = asked_for(code, first, last)
            except Refusal as met:
                refusal = met
            else:
                answer = HttpResponse(
                    json.dumps(found, ensure_ascii=False, indent=1), content_type=LD_JSON
                )
                answer["Content-Disposition"] = f'attachment; filename="epcis-{name}.jsonld"'
                return answer
        today = clock.local(clock.now()).date()
        context = {
            "title": "For others’ systems",
            "asked": asked,
            "today": f"{today}",
            "refusal": refusal,
            "receives": roles.may(person, INPUT),
            "is_nav_sidebar_enabled": False,
        }
        return TemplateResponse(
            request, "sales/epcis.html", context, status=422 if refusal else 200
        )


def _day(asked: dict[str, str], name: str) -> dt.date | None:
    return READ["day"](Ask(name, "day"), asked[name], False) if asked[name] else None


def _person(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    return request.user


# --- taken in -------------------------------------------------------------------------------------


def epcis_in_page(request: HttpRequest) -> HttpResponseBase:
    """A supplier's file: tried first, then recorded. What its products are here is asked once."""
    with clock.one_zone():
        if request.method != "POST":
            return _show(request, {})
        try:
            content = _content(request)
            return _through(request, content)
        except Refusal as refusal:
            return _show(request, {"refusal": refusal})


def _content(request: HttpRequest) -> bytes:
    sent = request.FILES.get("file")
    if isinstance(sent, UploadedFile):
        if (sent.size or 0) > MOST_BYTES:
            raise Refusal("too_large", f"The file is larger than {MOST_BYTES >> 20} MB.")
        return sent.read()
    if kept := request.POST.get("kept"):
        return kept_files.unpacked(kept, "the supplier’s file")
    raise Refusal("no_file", "Choose the supplier's file first.")


def _through(request: HttpRequest, content: bytes) -> HttpResponseBase:
    posted, person = request.POST, _person(request)
    found = read(content)
    meant = _meant(request)
    for name, what in (("supplier", "who sent it"), ("place", "where it was put")):
        if not posted.get(name):
            raise Refusal("missing", f"Say {what}.")
    on = READ["day"](Ask("on", "day"), posted.get("on", ""), False)
    record = posted.get("press") == "record"
    taken = take_in(
        found,
        person,
        supplier=posted["supplier"][:200],
        place=posted["place"][:200],
        on=on,
        record=record,
        meant=meant,
        device=devices.noted(request),
    )
    if taken.outcome.recorded and record:
        number = taken.outcome.told.total()
        messages.success(
            request,
            f"{number} {'lot is' if number == 1 else 'lots are'} received."
            if number
            else "Nothing changed: all of it was received before.",
        )
        return HttpResponseRedirect(reverse("admin:epcis_in"))
    return _show(request, _came_of(content, found, taken, meant))


def _meant(request: HttpRequest) -> dict[str, Meant]:
    """What was chosen for each product of theirs: "input:Rocket seed", "leaf:Rocket"."""
    out: dict[str, Meant] = {}
    for name, product in request.POST.items():
        if not name.startswith("product-"):
            continue
        kind, _, here = request.POST.get(f"means-{name[8:]}", "").partition(":")
        if here:
            out[str(product)] = (LEAF if kind == "leaf" else INPUT, here)
    return out


def _came_of(content: bytes, found: Read, taken: Taken, meant: dict[str, Meant]) -> dict[str, Any]:
    ask = dict(taken.unknown) | {p: found.products.get(p, "") for p in meant}
    return {
        "kept": kept_files.packed(content),
        "found": found,
        "taken": taken,
        "products": [
            {"product": p, "name": name, "chosen": _chosen(meant.get(p))} for p, name in ask.items()
        ],
        "rows": [
            {
                "name": one.name or one.ident.product,
                "lot": one.ident.lot,
                "much": one.much,
                "date": one.best_before,
                "shipped": clock.said(one.shipped_at),
                "before": one in taken.already,
            }
            for one in found.shipped
        ],
        "bad": [
            bad.sentence for bad in taken.outcome.bads if not _unknown(bad)
        ] + [fault.sentence for fault in taken.outcome.faults],
    }  # fmt: skip


def _unknown(bad: Any) -> bool:
    return any(slip.refusal.code in ("no_such_input", "no_such_crop") for slip in bad.slips)


def _chosen(meant: Meant | None) -> str:
    if meant is None:
        return ""
    kind, name = meant
    return f"{'leaf' if kind == LEAF else 'input'}:{name}"


def _show(request: HttpRequest, more: dict[str, Any]) -> HttpResponseBase:
    person = _person(request)
    names = Place.objects.order_by("name").values_list("name", flat=True)
    refusal = more.get("refusal")
    context = {
        "title": "Goods in from a file",
        "suppliers": names.filter(kind=PlaceKind.SUPPLIER),
        "stores": names.filter(kind__in=_STORES),
        "inputs": Item.objects.order_by("name").values_list("name", flat=True),
        "crops": Crop.objects.order_by("name").values_list("name", flat=True)
        if roles.may(person, LEAF)
        else [],
        "told": {name: request.POST.get(name, "") for name in ("supplier", "place", "on")},
        "today": f"{clock.local(clock.now()).date()}",
        "most_mb": MOST_BYTES >> 20,
        "is_nav_sidebar_enabled": False,
        **more,
    }
    return TemplateResponse(
        request, "sales/epcis_in.html", context, status=refusal.status if refusal else 200
    )


EPCIS_PAGES = [
    Page("epcis/", "epcis", "For others’ systems", None, epcis_page, may=may_give),
    Page(
        "goods-in/file/",
        "epcis_in",
        "Goods in from a file",
        None,
        epcis_in_page,
        may=lambda person: roles.may(person, INPUT),
    ),
]
