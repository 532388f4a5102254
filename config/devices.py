"""What may be opened on a shared device, decided here and nowhere else.

On such a browser nobody is signed in. Whoever was chosen there by badge or PIN is the user of the
start page and of the task pages, and of nothing else: set-up tables, the ledger's tables, the API
and tokens see nobody, and so ask for one's own password. Who gives it is signed out again after
five minutes without a press.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.urls import reverse

from config.site import offered_pages
from grow import devices

START = "admin:index"


def is_task(name: str) -> bool:
    """Whether an address, by its name, is open to who was only chosen."""
    tasks = (page for page in offered_pages() if not getattr(page, "own_password", False))
    return name == START or any(name == f"admin:{page.name}" for page in tasks)


def keeps(name: str) -> bool:
    """Whether what was sent to an address too late waits for who was filling it in."""
    return any(name == f"admin:{p.name}" for p in offered_pages() if getattr(p, "keeps", False))


class SharedDevices:
    """Middleware, after the one that says who is signed in."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        device = devices.device_of(request)
        request.device = device  # type: ignore[attr-defined]  # for the pages
        if device is not None and request.user.is_authenticated and devices.is_idle(request):
            logout(request)
        response = self.get_response(request)
        if device is not None and request.user.is_authenticated:
            devices.press(request)
        return response

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponseBase | None:
        if request.device is None or request.user.is_authenticated:  # type: ignore[attr-defined]  # set above
            return None
        match = request.resolver_match
        if match is None or not is_task(match.view_name):
            return None
        person = devices.chosen(request)
        if person is None:
            if request.method == "POST" and keeps(match.view_name):
                devices.keep(request)
            return HttpResponseRedirect(reverse("admin:who"))
        request.user = person
        request.is_chosen = True  # type: ignore[attr-defined]  # for the site and its pages
        return None
