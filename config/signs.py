"""NUL, the sign that no keyboard writes and that PostgreSQL keeps in no text, is refused for every
page in one place, before the page reads what was sent. The API's readers refuse it by themselves,
with the argument's name; pages for anybody look up nothing that holds it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import HttpRequest, QueryDict
from django.http.response import HttpResponseBase

from config.site import not_readable
from grow import queued
from grow.errors import Refusal

_SAYS = "There is a sign in it that no keyboard writes (NUL). Type it anew, and send it again."


class NoNul:
    """Middleware, before the one that keeps what was sent on a shared device."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponseBase | None:
        match = request.resolver_match
        if match is None or match.app_name != "admin":
            return None
        sent = "\0" in request.path or _has_nul(request.GET) or _has_nul(request.POST)
        if not sent:
            return None
        if queued.is_queued(request):
            refusal = Refusal("no_text", _SAYS)
            refusal.status = 400
            return queued.refused(refusal, [])
        return not_readable(request, _SAYS)


def _has_nul(sent: QueryDict) -> bool:
    return any("\0" in text for name, texts in sent.lists() for text in (name, *texts))
