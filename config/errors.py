"""Whatever goes wrong in the API has one shape: a code, one full sentence, the facts.

{"code": "short", "sentence": "H26330-04-0 holds 1200 g in …", "facts": {"holds": 1200, …}}
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from typing import Any

from django.core import signals
from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.db import DataError, IntegrityError, OperationalError
from django.http import Http404
from rest_framework import exceptions
from rest_framework.renderers import JSONRenderer
from rest_framework.response import Response

from grow.errors import Busy, Refusal, polite

log = logging.getLogger("config.api")

#: Seconds after which a busy ledger may be asked again.
AGAIN_S = 5
_SAYS = {
    401: ("not_signed_in", "Sign in, or send a token; this one is missing, wrong or has expired."),
    403: ("not_allowed", "That is not among your tasks."),
    404: ("not_found", "There is nothing here that you may see. Addresses end in a slash."),
    405: ("method", "This address does not do that; its schema says what it does."),
    406: ("format", "This address answers in JSON; a reading in CSV, too."),
    413: ("too_large", "That is more than can be taken in at once."),
    415: ("media_type", "Send JSON, with the content type application/json."),
    429: ("too_many", "Too many tries; wait a while."),
}
FAULT = (
    "Something went wrong here and stands in the server's log. Sending it again under the same id "
    "does no harm."
)


def shaped(error: Exception, context: Mapping[str, Any]) -> Response:
    """The answer to an error, for REST_FRAMEWORK's EXCEPTION_HANDLER: in JSON, to those too who
    asked for CSV."""
    request = context["request"]
    request.accepted_renderer, request.accepted_media_type = JSONRenderer(), "application/json"
    error = _known(error)
    if isinstance(error, Refusal):
        return _busy(error) if isinstance(error, Busy) else _answer(error.status, error.as_json())
    if isinstance(error, exceptions.ValidationError):
        return _answer(error.status_code, _unread(error.detail))
    if isinstance(error, exceptions.APIException):
        return _plain(error)
    log.error("Fault in %s %s", request.method, request.path, exc_info=error)
    signals.got_request_exception.send(sender=None, request=getattr(request, "_request", request))
    return _answer(500, {"code": "fault", "sentence": FAULT, "facts": {}})


def _known(error: Exception) -> Exception:
    """What Django and the database raise, as what we say."""
    if isinstance(error, Http404):
        return exceptions.NotFound()
    if isinstance(error, PermissionDenied):
        return exceptions.PermissionDenied()
    if isinstance(error, RequestDataTooBig):
        return _refusal(413, *_SAYS[413])
    if isinstance(error, SuspiciousOperation):
        return exceptions.ParseError()
    if isinstance(error, DataError):
        return _refusal(
            400, "too_long", "A text in it is longer, or a number larger, than can be kept."
        )
    if isinstance(error, IntegrityError):
        return polite(error)
    if isinstance(error, OperationalError) and "locked" in str(error):
        return Busy()
    return error


def _refusal(status: int, code: str, sentence: str) -> Refusal:
    refusal = Refusal(code, sentence)
    refusal.status = status
    return refusal


def _answer(status: int, data: dict[str, Any], **headers: str) -> Response:
    return Response(data, status=status, headers=headers)


def _busy(error: Busy) -> Response:
    return Response(error.as_json(), status=error.status, headers={"Retry-After": str(AGAIN_S)})


def _plain(error: exceptions.APIException) -> Response:
    status = error.status_code
    if isinstance(error, exceptions.ParseError):
        code, sentence = "not_json", f"That cannot be read: {str(error.detail).rstrip('.')}."
    else:
        code, sentence = _SAYS.get(status, ("refused", str(error.detail)))
    headers = {}
    if challenge := getattr(error, "auth_header", None):
        headers["WWW-Authenticate"] = challenge
    if wait := getattr(error, "wait", None):
        headers["Retry-After"] = str(int(wait))
    return Response({"code": code, "sentence": sentence, "facts": {}}, status, headers=headers)


def _unread(detail: Any) -> dict[str, Any]:
    """What a serializer or a filter could not read: each field with its sentence."""
    fields = dict(_fields(detail))
    sentence = " ".join(dict.fromkeys(fields.values()))
    return {"code": "unread", "sentence": sentence, "facts": {"fields": fields}}


def _fields(detail: Any, name: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(detail, Mapping):
        for key, inside in detail.items():
            whole = key in ("non_field_errors", "__all__")
            yield from _fields(inside, name if whole else f"{name}.{key}" if name else str(key))
    elif isinstance(detail, list) and any(isinstance(one, Mapping | list) for one in detail):
        for n, inside in enumerate(detail):
            yield from _fields(inside, f"{name}.{n}" if name else str(n))
    else:
        said = " ".join(map(str, detail)) if isinstance(detail, list) else str(detail)
        yield name, f"{name.replace('_', ' ')}: {said}" if name else said
