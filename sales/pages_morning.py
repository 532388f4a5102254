"""The cut list: what to cut and where, then what to pack. Read with the kettle on, printed on one
page, taken away as CSV."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, roles
from grow.asks import READ, Ask
from grow.errors import Refusal
from grow.flat import columns_of, download
from grow.models import Business, Person
from grow.page import Page
from grow.rest import shown
from grow.start import LEADING, address
from grow.wording import amount

from .morning import ToCut, ToPack, morning
from .morning_words import (
    MorningRow,
    cut_rests_on,
    enough_says,
    kilograms,
    pack_rests_on,
    rows,
    stands_says,
    towers,
)
from .note_paper import packs_of


def may_look(person: Person) -> bool:
    """Whoever packs: growers, packers, learners, the manager and the lead."""
    return roles.may(person, "pack")


def morning_page(request: HttpRequest) -> HttpResponseBase:
    person = request.user
    assert isinstance(person, Person)
    with clock.one_zone():
        today = clock.local(clock.now()).date()
        context: dict[str, Any] = {"title": "Cut list", "is_nav_sidebar_enabled": False}
        day, status = today, 200
        try:
            if text := request.GET.get("day", "").strip()[:40]:
                day = READ["day"](Ask("day", "day"), text, False)
        except Refusal as refusal:
            context["refusal"], status = refusal, 422
        found = morning(day, person)
        if request.GET.get("as") == "csv" and status == 200:
            table = shown(MorningRow)
            return download(
                f"cut-list-{day}", columns_of(table), table(list(rows(found)), many=True).data
            )
        context |= {
            "day": day,
            "is_today": day == today,
            "today": today,
            "tomorrow": today + dt.timedelta(days=1),
            "business": Business.the(),
            "read_at": clock.said(clock.now()),
            "cuts": [_cut(one, person) for one in found.to_cut if one.cut_g],
            "enough": [enough_says(one) for one in found.to_cut if not one.cut_g],
            "packs": [_pack(one, person) for one in found.to_pack if one.to_make],
            "done": [_pack(one, person) for one in found.to_pack if not one.to_make],
            "unsaid": [one.product for one in found.unsaid],
            "nothing": not found.to_pack,
            "may_set_up": person.has_perm("sales.add_wanted"),
        }
        return TemplateResponse(request, "sales/morning.html", context, status=status)


# --- in words ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """One line of the list: what it says large, what that rests on, and where a tap leads."""

    what: str
    much: str
    more: str
    url: str
    says: Sequence[str]
    at: Sequence[str] = ()
    not_at: Sequence[str] = ()


def _cut(one: ToCut, person: Person) -> Line:
    crates = f"{one.crates} {'crate' if one.crates == 1 else 'crates'}" if one.crates else ""
    where = towers([s.place.name for s in one.enough]) or "nothing stands that can be cut"
    asked: list[tuple[str, str]] = [("crop", one.crop.name), ("store", one.store)]
    asked += [("towers", s.place.name) for s in one.enough if not s.sowings]
    asked += [("batches", code) for s in one.enough for code in s.sowings]
    return Line(
        one.crop.name,
        kilograms(one.cut_g),
        " · ".join(filter(None, (crates, where))),
        f"{address('harvest')}?{urlencode(asked)}" if roles.may(person, "harvest") else "",
        cut_rests_on(one),
        [stands_says(s) for s in one.at],
        [f"{s.place}: {s.why_not}" for s in one.not_at],
    )


def _pack(one: ToPack, person: Person) -> Line:
    product = one.product
    loose = bool(product.loose_crop_id)
    much = packs_of(one.to_make, product)
    if loose:
        much = f"{amount(one.gap, 'g')} to send" if one.gap else "all sent"
    elif not one.to_make:
        much = "none to make"
    url = ""
    if one.to_make and roles.may(person, "pack"):
        url = address("pack", product=product.code)
    return Line(product.name, much, "", url, pack_rests_on(one))


def _leads(person: Person) -> dict[str, Any]:
    return {"cut_list": reverse("admin:morning") if may_look(person) else ""}


LEADING.append(_leads)
MORNING_PAGES = [Page("morning/", "morning", "Cut list", None, morning_page, may=may_look)]
