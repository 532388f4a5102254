"""The shop's shelf: what stands there by date, and the closing count, which tells the day's sales.

Both work without a script; with one, plus and minus count for a thumb."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponseRedirect, QueryDict
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse
from django.utils.http import urlencode

from grow import clock, devices, roles, scope
from grow.asks import READ, Ask
from grow.edge import tell
from grow.errors import NotKnown, Refusal
from grow.finding import rows_called
from grow.forms import kilograms
from grow.models import Business, Event, Lot, Person, PlaceKind, alive
from grow.offers import UNDO_WITHIN
from grow.page import Page
from grow.pages import Way, new_id
from grow.pages_count import press
from grow.queries import trusted_since
from grow.start import address
from grow.wording import amount

from .cards import money
from .models import Outlet, Product
from .naming import unit_of
from .shop_shelf import OfDate, OnShelf, known, on_shelf, waiting, went_on

#: Who looks at the shelf: whoever may put something on it.
LOOKS = "put_on_shelf"
COUNTS, RECORD, NONE_LEFT = "count", "record", "none"


def _person(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    return request.user


def shops(person: Person) -> list[Outlet]:
    """Outlets with a shelf that somebody sees; the own shop before one that wants notes."""
    rows = scope.seen(Outlet.objects.filter(place__kind=PlaceKind.SHOP), person)
    return list(rows.order_by("wants_notes", "place__name"))


def _chosen(outlets: list[Outlet], name: str) -> Outlet | None:
    """The one of that name; where none is named, the first."""
    wanted = name.strip().casefold()
    named = [one for one in outlets if one.place.name.casefold() == wanted]
    return next(iter(named if wanted else outlets), None)


def _no_such_shop() -> Refusal:
    return Refusal("no_such_shop", "Choose a shop that you see; nothing was recorded.")


# --- what stands there ----------------------------------------------------------------------------


def shelf_page(request: HttpRequest) -> HttpResponseBase:
    person = _person(request)
    with clock.one_zone():
        outlets = shops(person)
        asked = request.POST if request.method == "POST" else request.GET
        outlet = _chosen(outlets, asked.get("outlet", ""))
        if outlet is None and asked.get("outlet"):
            return _shelf(request, next(iter(outlets), None), outlets, _no_such_shop())
        if outlet is None or request.method != "POST":
            return _shelf(request, outlet, outlets)
        product = Product.objects.filter(code=request.POST.get("sold_out", "")).first()
        if product is None:
            return _shelf(request, outlet, outlets)
        data = {"place": outlet.place.name, "product": product.code}
        sent, device = request.POST.get("client_id", ""), devices.noted(request)
        try:
            event = tell(person, "sold_out", data, client_id=sent, device=device)
        except Refusal as refusal:
            return _shelf(request, outlet, outlets, refusal)
        if device:
            return devices.after(request, event)
        at = clock.local(event.happened_at)
        messages.success(request, f"{product}: sold out at {at:%H:%M}.")
        return HttpResponseRedirect(_at("shelf", outlet))


def _at(page: str, outlet: Outlet, **more: str) -> str:
    return f"{reverse(f'admin:{page}')}?{urlencode({'outlet': outlet.place.name, **more})}"


def _shelf(
    request: HttpRequest,
    outlet: Outlet | None,
    outlets: list[Outlet],
    refusal: Refusal | None = None,
) -> HttpResponseBase:
    person = _person(request)
    context: dict[str, Any] = {
        "title": "Shelf",
        "outlet": outlet,
        "outlets": outlets,
        "refusal": refusal,
        "is_nav_sidebar_enabled": False,
    }
    if outlet:
        today = clock.local(clock.now()).date()
        said = known(outlet, today)
        found = on_shelf(outlet, today, said=said)
        currency = Business.the().currency
        since = trusted_since(outlet.place)
        gone = sorted(waiting(outlet).items())
        context |= {
            "shelf": [_with_ways(person, outlet, one, currency) for one in found],
            "off_sale": any(one.off_sale for one in found),
            "waiting": [(said.line(line), amount(n, unit_of(line))) for line, n in gone],
            "went": went_on(outlet, today, said),
            "today": today,
            "counted": _counted(person, outlet, today),
            "trusted": clock.said(since) if since else "",
            "may": {kind: roles.may(person, kind) for kind in ("count", "sell", "put_on_shelf")},
            "count_url": _at("closing_count", outlet),
            "put_url": address("put_on_shelf", by="shelf", outlet=outlet.place.name),
            "till_url": _at("till_file", outlet),
            "new_id": new_id,
        }
    status = 422 if refusal else 200
    return TemplateResponse(request, "sales/shelf.html", context, status=status)


def _with_ways(person: Person, outlet: Outlet, one: OnShelf, currency: str) -> dict[str, Any]:
    """A product's rows, each with what may be done about it."""

    def row(of: OfDate) -> dict[str, Any]:
        place = outlet.place.name
        lots = []
        for standing in of.lots:
            code = standing.lot.code
            kinds = [("discard", "Thrown away", {"lot": code, "from_place": place})]
            if not (of.is_past or standing.held):
                kinds.insert(0, ("mark_down", "Reduce", {"lot": code, "place": place}))
            ways = [(w, address(k, **fills)) for k, w, fills in kinds if roles.may(person, k)]
            cheap = [
                f"{amount(r.quantity, standing.lot.unit)} at {money(r.pence, currency)}"
                for r in standing.reduced
            ]
            lots.append({"one": standing, "ways": ways, "reduced": ", ".join(cheap)})
        return {"of": of, "lots": lots}

    return {
        "one": one,
        "sold_out": f"{clock.local(one.sold_out):%H:%M}" if one.sold_out else "",
        "on_sale": [row(of) for of in one.on_sale],
        "off_sale": [row(of) for of in one.off_sale],
    }


def _counted(person: Person, outlet: Outlet, day: dt.date) -> dict[str, Any] | None:
    """The last closing count of a day that stands."""
    rows = Event.objects.filter(
        alive(),
        kind="count",
        place=outlet.place,
        day=clock.day_number(day),
        told__contains='"closing":true',
    )
    event = rows.select_related("recorded_by").order_by("-happened_at", "-pk").first()
    if event is None:
        return None
    fresh = clock.now() - event.recorded_at <= UNDO_WITHIN
    at = f"{clock.local(event.happened_at):%H:%M}"
    return {"event": event, "at": at, "can_undo": fresh and event.recorded_by_id == person.pk}


# --- the closing count ----------------------------------------------------------------------------


@dataclass
class Closing:
    """The form of a closing count, as it was typed: left by key of a date."""

    person: Person
    outlet: Outlet
    day: dt.date
    today: dt.date
    client_id: str
    left: dict[str, str] = field(default_factory=dict)
    also: list[Lot] = field(default_factory=list)
    shelf: list[OnShelf] = field(default_factory=list)
    wrong: set[str] = field(default_factory=set)

    def look(self) -> None:
        """What the books have there, and what was scanned besides. A figure is of its date, under
        whichever of its lots it was typed."""
        self.shelf = on_shelf(self.outlet, self.day, self.also)
        for of in self.dates:
            codes = [one.lot.code for one in of.lots]
            typed = [self.left.pop(code) for code in codes if code in self.left]
            self.left[of.key] = next((text for text in typed if text), "")

    @property
    def dates(self) -> list[OfDate]:
        return [of for one in self.shelf for of in one.dates]

    @property
    def rows(self) -> list[tuple[OnShelf, list[tuple[OfDate, str, bool]]]]:
        return [
            (one, [(of, self.left.get(of.key, ""), of.key in self.wrong) for of in one.dates])
            for one in self.shelf
        ]

    def data(self) -> dict[str, Any]:
        """As the act takes it."""
        counted = {
            of.key: kilograms(self.left[of.key]) if of.by_weight else self.left[of.key]
            for of in self.dates
        }
        told: dict[str, Any] = {"place": self.outlet.place.name, "counted": counted}
        told |= {"closing": "yes", "by_date": "yes"}
        return told if self.day == self.today else told | {"on": self.day.isoformat()}


def closing_page(request: HttpRequest) -> HttpResponseBase:
    person = _person(request)
    if not roles.may(person, COUNTS):
        raise PermissionDenied("The closing count is not among your tasks.")
    with clock.one_zone():
        posted = request.POST if request.method == "POST" else None
        waited = devices.take_kept(request) if posted is None and devices.noted(request) else None
        asked = posted or waited or request.GET
        outlet = _chosen(shops(person), asked.get("outlet", ""))
        if outlet is None:
            outlets = shops(person)
            return _shelf(request, next(iter(outlets), None), outlets, _no_such_shop())
        try:
            made = _closing(person, outlet, asked)
        except Refusal as refusal:
            made = _closing(person, outlet, QueryDict())
            return _show(request, made, refusal)
        if posted is None:
            return _show(request, made)
        scanned = posted.get("scan", "").strip()
        if scanned:
            return _scanned(request, made, scanned)
        if posted.get("press") not in (RECORD, NONE_LEFT):
            return _show(request, made)
        return _record(request, made, none_left=posted["press"] == NONE_LEFT)


def _closing(person: Person, outlet: Outlet, asked: QueryDict) -> Closing:
    """Raises Refusal for a day that cannot be."""
    today = clock.local(clock.now()).date()
    text = asked.get("day", "").strip()
    day = READ["day"](Ask("day", "day"), text, False) if text else today
    if day > today:
        raise Refusal("day_to_come", f"{day:%d %b %Y} is still to come; look at the day.")
    made = Closing(person, outlet, day, today, asked.get("client_id", "") or new_id())
    for name, typed in asked.items():
        if name.startswith("left-"):
            made.left[name.removeprefix("left-")] = str(typed).strip()
    codes = [*dict.fromkeys(code for code in [*asked.getlist("also"), *made.left] if code)]
    found = rows_called(Lot, codes, person) if codes else []
    made.also = [lot for lot in found if isinstance(lot, Lot)]
    made.look()
    return made


def _scanned(request: HttpRequest, made: Closing, text: str) -> HttpResponseBase:
    """A bag that stands there and is not on the list, or one more of one that is."""
    (lot,) = rows_called(Lot, [text], made.person)
    if isinstance(lot, NotKnown):
        return _show(request, made, lot)
    if lot.line == "" or lot.kind not in ("pack", "harvest", "produce"):
        return _show(
            request, made, Refusal("not_sold", f"{lot.code} is nothing that a shop sells.")
        )
    if lot not in made.also:
        made.also.append(lot)
    made.look()
    (of,) = [of for of in made.dates if lot in [one.lot for one in of.lots]]
    if not of.by_weight:
        before = made.left[of.key]
        made.left[of.key] = str(int(before) + 1 if re.fullmatch("[0-9]{1,9}", before) else 1)
    return _show(request, made, heard=f"{lot.title}, {of.says}: {made.left[of.key] or 'weigh it'}.")


def _record(request: HttpRequest, made: Closing, *, none_left: bool) -> HttpResponseBase:
    open_ = [of.key for of in made.dates if not made.left[of.key]]
    if none_left:
        made.left |= dict.fromkeys(open_, "0")
    elif open_:
        made.wrong = set(open_)
        n = len(open_)
        says = f"{n} {'is' if n == 1 else 'are'} still open: write how many are left, 0 for none."
        way = Way("press", NONE_LEFT, "Of those none is left: record it")
        return _show(request, made, Refusal("open", says), ways=[way])
    if not made.dates:
        return _show(request, made, Refusal("open", "The books hold nothing there to be counted."))
    return press(request, made, RECORD, _show)


def _show(
    request: HttpRequest,
    made: Closing,
    refusal: Refusal | None = None,
    *,
    ways: list[Way] | None = None,
    heard: str = "",
) -> HttpResponseBase:
    yesterday = made.today - dt.timedelta(days=1)
    context: dict[str, Any] = {
        "title": "Closing count",
        "made": made,
        "outlets": shops(made.person),
        "shared": any(of.lots[1:] and of.lots[0].date for of in made.dates),
        "yesterday": yesterday,
        "refusal": refusal,
        "ways": ways or [],
        "heard": heard,
        "say": {"record": RECORD},
        "is_nav_sidebar_enabled": False,
    }
    status = 422 if refusal else 200
    return TemplateResponse(request, "sales/closing_count.html", context, status=status)


def _may(kind: str) -> Callable[[Person], bool]:
    return lambda person: roles.may(person, kind)


SHELF_PAGES = [
    Page(
        "shelf/count/",
        "closing_count",
        "Closing count",
        None,
        closing_page,
        in_menu=False,
        may=_may(LOOKS),
        keeps=True,
    ),
    Page("shelf/", "shelf", "Shelf", None, shelf_page, may=_may(LOOKS)),
]
