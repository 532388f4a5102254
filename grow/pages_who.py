"""Who is recording? The pages of a shared device, and how a browser becomes one; one's own PIN."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import authenticate
from django.core.exceptions import ValidationError
from django.db.models import QuerySet, Value
from django.db.models.functions import Coalesce, Lower, NullIf
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404
from django.template.response import TemplateResponse
from django.urls import reverse

from . import clock, devices, pins, start
from .errors import NotAllowed, Refusal
from .models import Device, Person
from .page import Page


def _people() -> QuerySet[Person]:
    """Those that can be tapped: who has a PIN, by name."""
    rows = Person.objects.filter(is_active=True).exclude(pin="")
    called = Coalesce(NullIf("shown_as", Value("")), "username")
    return rows.order_by(Lower(called), "pk")


def who_page(request: HttpRequest) -> HttpResponseBase:
    """“Who?”: a badge is scanned, or a name is tapped. Shows what was just recorded."""
    device = request.device  # type: ignore[attr-defined]  # set for every request
    if device is None:
        return HttpResponseRedirect(reverse("admin:index"))
    if request.method != "POST" and devices.is_somebody(request):
        devices.let_go(request)  # who asks for the next person is done
    refusal = None
    if request.method == "POST":
        try:
            return _begin(request, pins.bearer(request.POST.get("badge", "")))
        except Refusal as refused:
            refusal = refused
    told = devices.last_told(request)
    with clock.one_zone():
        context: dict[str, Any] = {
            "is_nav_sidebar_enabled": False,
            "device": device,
            "people": _people(),
            "refusal": refusal,
            "told": start.one(told.recorded_by, str(told.pk)) if told else None,
            "kept_by": devices.kept_by(request),
        }
        response = TemplateResponse(
            request, "grow/who.html", context, status=refusal.status if refusal else 200
        )
    devices.remember(response, device)
    return response


def pin_page(request: HttpRequest, pk: int) -> HttpResponseBase:
    """The PIN of one who was tapped."""
    if request.device is None:  # type: ignore[attr-defined]  # set for every request
        return HttpResponseRedirect(reverse("admin:index"))
    person = get_object_or_404(_people(), pk=pk)
    refusal = None
    if request.method == "POST":
        try:
            pins.refuse_wrong(person, request.POST.get("pin", ""))
            return _begin(request, person)
        except Refusal as refused:
            refusal = refused
    return TemplateResponse(
        request,
        "grow/pin.html",
        {
            "is_nav_sidebar_enabled": False,
            "person": person,
            "refusal": refusal,
            "least": pins.LEAST,
            "most": pins.MOST,
        },
        status=refusal.status if refusal else 200,
    )


def _begin(request: HttpRequest, person: Person) -> HttpResponseBase:
    """The person's start page, with what they themselves told last, or the form that waits."""
    told = devices.choose(request, person)
    if path := devices.kept_at(request, person):
        return HttpResponseRedirect(path)
    done = f"?done={told.pk}" if told else ""
    return HttpResponseRedirect(f"{reverse('admin:index')}{done}")


def done_page(request: HttpRequest) -> HttpResponseBase:
    """Whoever is at the device goes, and the next one comes."""
    if request.device is None:  # type: ignore[attr-defined]  # set for every request
        return HttpResponseRedirect(reverse("admin:index"))
    if request.method == "POST":
        devices.let_go(request)
    return HttpResponseRedirect(reverse("admin:who"))


def still_page(request: HttpRequest) -> HttpResponseBase:
    """Somebody is typing: that is a press, too."""
    here = request.user.is_authenticated or devices.chosen(request) is not None
    if request.method != "POST" or not here:
        return HttpResponse(status=409)
    devices.press(request)
    return HttpResponse(status=204)


# --- a browser becomes a shared device ------------------------------------------------------------


def shared_device_page(request: HttpRequest) -> HttpResponseBase:
    """Make this browser a shared device, or nobody's any more."""
    device: Device | None = request.device  # type: ignore[attr-defined]  # set for every request
    error, name = "", request.POST.get("name", "")
    if request.method == "POST" and "end" in request.POST and device:
        response = HttpResponseRedirect(reverse("admin:index"))
        devices.forget(response, device)
        messages.success(request, f"This browser is no longer the shared device {device}.")
        return response
    if request.method == "POST":
        try:
            shared = devices.share(name)
        except ValidationError as wrong:
            error = " ".join(wrong.messages)
        else:
            devices.let_go(request)
            response = HttpResponseRedirect(reverse("admin:who"))
            devices.remember(response, shared)
            return response
    return TemplateResponse(
        request,
        "grow/shared_device.html",
        {
            "is_nav_sidebar_enabled": False,
            "device": device,
            "error": error,
            "name": name,
            "others": Device.objects.filter(in_use=True).exclude(pk=device.pk if device else 0),
            "without": Person.objects.filter(is_active=True, pin="", badge=None).count(),
        },
        status=422 if error else 200,
    )


# --- one's own PIN --------------------------------------------------------------------------------


def own_pin_page(request: HttpRequest) -> HttpResponseBase:
    """A new PIN, against one's own password."""
    person = request.user
    assert isinstance(person, Person)
    refusal = None
    if request.method == "POST" and person.has_usable_password():
        try:
            new = pins.fit(request.POST.get("new_pin", ""))
            if new != request.POST.get("again", "").strip():
                raise Refusal("pins_differ", "The two PINs are not the same; type them again.")
            refuse_wrong_password(request, person)
            pins.give(person, pins.hashed(new))
        except Refusal as refused:
            refusal = refused
        else:
            messages.success(request, "Your PIN is set. It is asked for on shared devices.")
            return HttpResponseRedirect(reverse("admin:index"))
    return TemplateResponse(
        request,
        "grow/own_pin.html",
        {
            "is_nav_sidebar_enabled": False,
            "refusal": refusal,
            "least": pins.LEAST,
            "most": pins.MOST,
            "has_one": bool(person.pin),
        },
        status=refusal.status if refusal else 200,
    )


def refuse_wrong_password(request: HttpRequest, person: Person) -> None:
    """Raises Refusal; wrong ones in a row are counted as at the sign-in."""
    password = request.POST.get("password", "")
    found = authenticate(request, username=person.username, password=password)
    if found is None or found.pk != person.pk:
        raise NotAllowed("wrong_password", f"That is not the password of {person}.")


def refuse_unsigned(request: HttpRequest, person: Person) -> None:
    """What is signed asks for the person's PIN, or password where there is none, besides. Slow
    hashes come before the operation and its transaction. Raises Refusal."""
    if person.pin:
        pins.refuse_wrong(person, request.POST.get("pin", ""))
    else:
        refuse_wrong_password(request, person)


WHO_PAGES = [
    Page("who/", "who", "Who?", None, who_page),
    Page("who/<int:pk>/", "pin", "PIN", None, pin_page),
    Page("who/next/", "who_next", "Who is next?", None, done_page),
    Page("who/still/", "who_still", "Still here", None, still_page),
]
#: Offered to the site by `grow.pages`.
PEOPLE_PAGES = [
    Page(
        "shared-device/",
        "shared_device",
        "Shared device",
        "grow.change_person",
        shared_device_page,
        own_password=True,
        in_menu=False,
    ),
    Page("own-pin/", "own_pin", "My PIN", None, own_pin_page, in_menu=False),
]
