"""Pages that anybody may open, without a name: those that an app offers as PUBLIC in its pages.py,
as URL patterns with names. They stand outside the site."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import import_module

from django.apps import apps
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import URLPattern
from django.utils.module_loading import module_has_submodule


@cache
def addresses() -> list[URLPattern]:
    """Every installed app's, in the order of INSTALLED_APPS."""
    found: list[URLPattern] = []
    for app in apps.get_app_configs():
        if app.module is not None and module_has_submodule(app.module, "pages"):
            found += getattr(import_module(f"{app.name}.pages"), "PUBLIC", [])
    return found


class WithoutCookies:
    """Middleware, before sessions: such a page is the same to everybody. Whatever cookies a browser
    brings are not read, so no session and no shared device is looked up for it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        path = request.path_info.removeprefix("/")
        if any(page.pattern.match(path) for page in addresses()):
            request.COOKIES = {}
        return self.get_response(request)
