"""Shared devices: a browser that belongs to nobody, and on which one person after another records.

The browser proves by a signed cookie which device it is, for more than a year. Its session only
remembers who was chosen, by badge or PIN, and when something was last pressed. Whoever was chosen
is let go after one act, or after five minutes without a press. What such a person may open is
decided in one place, `config.devices`.
"""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Mapping
from typing import Any

from django.conf import settings
from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponseRedirect, QueryDict
from django.http.response import HttpResponseBase
from django.middleware.csrf import rotate_token
from django.urls import reverse

from . import clock
from .models import Device, Event, Person
from .offers import UNDO_WITHIN

COOKIE = "shared-device"
#: As long as browsers keep a cookie at all.
KEPT_FOR = dt.timedelta(days=400)
IDLE = dt.timedelta(minutes=5)
_CHOSEN, _PRESSED, _TOLD, _KEPT = "chosen", "pressed", "told", "kept"


# --- which device ----------------------------------------------------------------------------


def device_of(request: HttpRequest) -> Device | None:
    """The shared device that this browser is; None for anybody's own."""
    if COOKIE not in request.COOKIES:
        return None
    said = request.get_signed_cookie(COOKIE, "", salt=COOKIE)
    pk, _, key = (said or "").partition(":")
    if not key or not pk.isascii() or not pk.isdigit():
        return None
    found = Device.objects.filter(pk=int(pk), in_use=True).first()
    return found if found and secrets.compare_digest(found.key, key) else None


def share(name: str) -> Device:
    """A device of this name, with a new key: the browser that had it before has it no more.
    Raises ValidationError for a name that is none."""
    name = " ".join(name.split())
    found = Device.objects.filter(name__iexact=name).first() or Device(name=name)
    found.in_use, found.key = True, secrets.token_hex(16)
    found.full_clean()
    found.save()
    return found


def remember(response: HttpResponseBase, device: Device) -> None:
    """Give this browser the device's cookie, or keep it for another year."""
    response.set_signed_cookie(
        COOKIE,
        f"{device.pk}:{device.key}",
        salt=COOKIE,
        max_age=int(KEPT_FOR.total_seconds()),
        httponly=True,
        samesite="Lax",
        secure=bool(settings.SESSION_COOKIE_SECURE),
    )


def forget(response: HttpResponseBase, device: Device) -> None:
    """This browser is nobody's shared device any more."""
    Device.objects.filter(pk=device.pk).update(key=secrets.token_hex(16))
    response.delete_cookie(COOKIE)


def noted(request: HttpRequest) -> str:
    """The device's name as an entry notes it; empty on a browser of one's own."""
    device = getattr(request, "device", None)
    return device.name if device else ""


# --- who is chosen ---------------------------------------------------------------------------


def choose(request: HttpRequest, person: Person) -> Event | None:
    """This person records now. Returns what they themselves told last on this device, while it
    can still be undone."""
    told = last_told(request)
    _leave(request)
    request.session[_CHOSEN] = person.pk
    press(request)
    rotate_token(request)
    return told if told and told.recorded_by_id == person.pk else None


def chosen(request: HttpRequest) -> Person | None:
    pk = request.session.get(_CHOSEN)
    if pk is None or is_idle(request):
        return None
    return Person.objects.filter(pk=pk, is_active=True).first()


def is_somebody(request: HttpRequest) -> bool:
    """Whether somebody was chosen here, or is signed in."""
    return _CHOSEN in request.session or request.user.is_authenticated


def let_go(request: HttpRequest, told: Event | None = None) -> None:
    """Nobody is chosen, nobody signed in; told: what was recorded, shown to who comes next."""
    _leave(request)
    if told is not None:
        request.session[_TOLD] = told.pk


def _leave(request: HttpRequest) -> None:
    """A session of its own for everybody; what the device itself shows stays."""
    stays = {name: request.session[name] for name in (_TOLD, _KEPT) if name in request.session}
    logout(request)
    request.session.update(stays)


def last_told(request: HttpRequest) -> Event | None:
    """What was recorded last on this device, for ten minutes."""
    pk = request.session.get(_TOLD)
    since = clock.now() - UNDO_WITHIN
    rows = Event.objects.select_related("recorded_by").filter(recorded_at__gte=since)
    return rows.filter(pk=pk).first() if pk else None


def press(request: HttpRequest) -> None:
    request.session[_PRESSED] = clock.now().timestamp()


def is_idle(request: HttpRequest) -> bool:
    """Whether more than five minutes went by without a press."""
    pressed = request.session.get(_PRESSED)
    return pressed is not None and clock.now().timestamp() - pressed > IDLE.total_seconds()


def after(request: HttpRequest, event: Event) -> HttpResponseBase:
    """Where a told act leads: to one's start page, which says what was recorded; on a shared
    device to whoever is next."""
    if noted(request):
        let_go(request, event)
        return HttpResponseRedirect(reverse("admin:who"))
    return HttpResponseRedirect(f"{reverse('admin:index')}?done={event.pk}")


# --- what was typed too slowly ---------------------------------------------------------------


def keep(request: HttpRequest) -> None:
    """A form that was sent after its person had been let go waits for that person."""
    by = request.session.get(_CHOSEN)
    if by is not None:
        data = {name: values for name, values in request.POST.lists() if name != "client_id"}
        request.session[_KEPT] = {"by": by, "path": request.path, "data": data}


def kept_by(request: HttpRequest) -> Person | None:
    """Whose form waits on this device."""
    kept = request.session.get(_KEPT)
    return Person.objects.filter(pk=kept["by"]).first() if kept else None


def kept_at(request: HttpRequest, person: Person) -> str:
    """The page whose form waits for this person; empty when none does."""
    kept: Mapping[str, Any] = request.session.get(_KEPT) or {}
    return kept.get("path", "") if kept.get("by") == person.pk else ""


def take_kept(request: HttpRequest) -> QueryDict | None:
    """What waited, once: the form opens with it."""
    kept: Mapping[str, Any] = request.session.get(_KEPT) or {}
    if kept.get("path") != request.path or kept.get("by") != request.user.pk:
        return None
    del request.session[_KEPT]
    found = QueryDict(mutable=True)
    for name, values in kept["data"].items():
        found.setlist(name, values)
    return found
