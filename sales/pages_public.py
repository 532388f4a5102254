"""The page of a pack, for anybody who scans it, and the test of the address at which it stands.

What anybody may open asks the books two questions at most, is never kept by anything on its way,
sets and reads no cookie, and is counted by the address that asks.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

import segno
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.template.loader import render_to_string
from django.template.response import TemplateResponse
from django.urls import re_path
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_safe
from rest_framework.throttling import SimpleRateThrottle

from grow import clock
from grow.errors import Refusal
from grow.models import Business
from grow.page import Page

from . import gs1, public
from .first_steps import LEADS
from .gs1.links import CANONICAL
from .pack_facts import Pack, notice, pack_of


class Throttle(SimpleRateThrottle):
    """So many questions from one address: enough for a family at a table, too few to walk through
    all codes. Each process of the server counts by itself."""

    rate = "60/min"
    scope = "public"

    def get_cache_key(self, request: Any, view: Any) -> str:
        return self.cache_format % {"scope": self.scope, "ident": self.get_ident(request)}


def for_anybody(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponseBase]:
    """A view that needs no name: read only, counted, and never kept or listed anywhere."""
    asked = require_safe(view)

    @wraps(view)
    def shown(request: HttpRequest, **named: str) -> HttpResponseBase:
        count = Throttle()
        if count.allow_request(request, None):  # type: ignore[arg-type]  # reads the address alone
            answer = asked(request, **named)
        else:
            answer = _says(
                "Too many questions",
                ["So much was asked from here that this page rests. Try again in a minute."],
                status=429,
            )
            answer["Retry-After"] = str(int(count.wait() or 0) + 1)
        answer["Cache-Control"] = "no-store"
        answer["X-Robots-Tag"] = "noindex, nofollow"
        return answer

    return shown


# --- a pack --------------------------------------------------------------------------------------


@for_anybody
def lot_page(request: HttpRequest, code: str) -> HttpResponse:
    """/l/LOT: whatever stands after a question mark is not read."""
    return _pack_page(pack_of(code))


@for_anybody
def link_page(request: HttpRequest) -> HttpResponse:
    """/01/GTIN/10/LOT: a GS1 Digital Link, with further attributes if they are valid."""
    try:
        asked = gs1.parse_link(CANONICAL + request.get_full_path())
    except Refusal:
        return _pack_page(None)
    return _pack_page(pack_of(asked.lot or "", asked.gtin))


def _pack_page(pack: Pack | None) -> HttpResponse:
    if pack is None:
        # the same for a slip of the pen and for what never was: codes cannot be found out here
        return _says(
            Business.the().name,
            ["No pack is known here by that code. Is it typed as it stands on the label?"],
            status=404,
        )
    return _page("pack", pack.business.name, pack=pack, notice=notice(pack))


def _says(heading: str, says: list[str], status: int = 200) -> HttpResponse:
    return _page("says", heading, status, says=says)


def _page(template: str, heading: str, status: int = 200, **facts: Any) -> HttpResponse:
    # without the request: its context would look up who is signed in
    content = render_to_string(f"sales/public_{template}.html", {"heading": heading, **facts})
    return HttpResponse(content, status=status)


# --- the test of the public address --------------------------------------------------------------


@for_anybody
def trial_page(request: HttpRequest, token: str) -> HttpResponse:
    """/l/test/TOKEN: where the code on the desk's page sends a telephone."""
    try:
        business = public.tried(token, request.get_host())
    except Refusal as refusal:
        return _says("Public address", [refusal.sentence], refusal.status)
    return _says(business.name, ["Yes: this address answers.", "You can close this."])


def address_page(request: HttpRequest) -> HttpResponseBase:
    """At the desk: the public address, whether it has answered, and the code to test it with."""
    business = Business.the()
    address, answered = business.public_address, business.public_answered_at
    shut = public.not_allowed(address) if address else None
    url = public.trial_url(address) if address and not shut else ""
    context = {
        "is_nav_sidebar_enabled": False,
        "address": address,
        "answered": f"{clock.local(answered):%d %b %Y %H:%M}" if answered else "",
        "shut": shut,
        "url": url,
        "qr": mark_safe(_drawn(url)) if url else "",
    }
    return TemplateResponse(request, "sales/public_address.html", context)


def _drawn(text: str) -> str:
    made = segno.make(text, micro=False, error="m", boost_error=False)
    return made.svg_inline(border=4, dark="#000", light="#fff", omitsize=True, svgclass="qr")


ADDRESS_PAGES = [
    Page(
        "public-address/",
        "public_address",
        "Public address",
        LEADS,
        address_page,
        own_password=True,
        in_menu=False,
    )
]
#: A label's QR is in capitals; what stands in them is forgiven.
ANYBODYS = [
    re_path(r"^[lL]/test/(?P<token>[^/]+)/?$", trial_page, name="public_trial"),
    re_path(r"^[lL]/(?P<code>[^/]+)/?$", lot_page, name="public_lot"),
    re_path(r"^01/.+$", link_page, name="public_link"),
]
