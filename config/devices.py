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
from grow import devices, queued

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
        pressed = not queued.is_by_itself(request)
        if device is not None and request.user.is_authenticated and pressed:
            devices.press(request)
        return response

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponseBase | None:
        return _nobody_chosen(request) or _anothers(request)


def _nobody_chosen(request: HttpRequest) -> HttpResponseBase | None:
    """Whoever was chosen becomes the user; to the choice where nobody is."""
    if request.device is None or request.user.is_authenticated:  # type: ignore[attr-defined]  # set for every request
        return None
    match = request.resolver_match
    if match is None or not is_task(match.view_name):
        return None
    person = devices.chosen(request)
    if person is None:
        # what a queue sends it keeps by itself
        if request.method == "POST" and keeps(match.view_name) and not queued.is_queued(request):
            devices.keep(request)
        return HttpResponseRedirect(reverse("admin:who"))
    request.user = person
    request.is_chosen = True  # type: ignore[attr-defined]  # for the site and its pages
    return None


def _anothers(request: HttpRequest) -> HttpResponseBase | None:
    """What a queue sends for another than who is here by now waits for them: to the sign-in."""
    if not queued.is_anothers(request):
        return None
    device = request.device  # type: ignore[attr-defined]  # set for every request
    return HttpResponseRedirect(reverse("admin:who" if device else "admin:login"))
