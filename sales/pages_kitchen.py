"""The kitchen's page: that crate is finished, in one tap; what to use up; what is coming."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, devices, roles
from grow.edge import tell
from grow.errors import NotKnown, Refusal
from grow.models import Person
from grow.page import Page
from grow.pages import new_id

from .kitchen import Here, Kitchen, kitchen, kitchens

_ASKED = "kitchen_asked"
_GROUPS = (
    ("Use up first", "use up"),
    ("At its best", "best"),
    ("Good", "good"),
    ("Held: do not use", "held"),
)


def kitchen_page(request: HttpRequest) -> HttpResponseBase:
    person = request.user
    assert isinstance(person, Person)
    with clock.one_zone():
        outlets = kitchens(person)
        wanted = request.POST.get("outlet") or request.GET.get("outlet", "")
        outlet = next((o for o in outlets if str(o) == wanted), outlets[0] if outlets else None)
        now = kitchen(outlet) if outlet else None
        if wanted and str(outlet) != wanted:
            says = f"No kitchen of yours is called {wanted[:60]}."
            return _show(request, now, outlets, NotKnown("outlet", says))
        if request.method == "POST" and now:
            return _pressed(request, person, now)
        return _show(request, now, outlets)


def _pressed(request: HttpRequest, person: Person, now: Kitchen) -> HttpResponseBase:
    """Finished: one crate by its lot, or all that were asked about. A crate that is gone from the
    page by now was finished already: a second press is the first."""
    pressed = request.POST.get("press", "")
    if pressed == "still here":
        request.session[_ASKED] = _today()
        return _again(now)
    asked = set(request.POST.getlist("asked"))  # what the page showed, and nothing since
    lots = [
        one for one in now.here if (one.code in asked if pressed == "all" else one.code == pressed)
    ]
    stem = request.POST.get("client_id", "")[:40] or new_id()
    told = None
    for one in lots:
        try:
            told = tell(
                person,
                "use",
                {"lot": one.code, "place": now.outlet.place.name},
                client_id=f"{stem}-{one.lot}",
                device=devices.noted(request),
            )
        except Refusal as refusal:
            return _show(request, now, kitchens(person), refusal, one)
    if told and devices.noted(request):
        return devices.after(request, told)
    return _again(now, done=[one.code for one in lots], gone=[] if lots else [pressed])


def _again(now: Kitchen, **codes: list[str]) -> HttpResponseBase:
    asked = urlencode({"outlet": str(now.outlet), **codes}, doseq=True)
    return HttpResponseRedirect(f"{reverse('admin:kitchen')}?{asked}")


def _today() -> str:
    return clock.local(clock.now()).date().isoformat()


def _show(
    request: HttpRequest,
    now: Kitchen | None,
    outlets: list[Any],
    refusal: Refusal | None = None,
    of: Here | None = None,
) -> HttpResponseBase:
    person = request.user
    assert isinstance(person, Person)
    context = {
        "title": "Kitchen",
        "now": now,
        "outlets": outlets,
        "client_id": new_id(),
        "refusal": refusal,
        "of": of,
        **{
            name: ", ".join(code[:20] for code in request.GET.getlist(name)[:9])
            for name in ("done", "gone")
        },
        "asks": now and now.old and request.session.get(_ASKED) != _today(),
        "groups": [(words, now.of(state)) for words, state in _GROUPS] if now else [],
        "today": clock.local(clock.now()).date(),
        "receives": roles.may(person, "receive"),
        "is_nav_sidebar_enabled": False,
    }
    return TemplateResponse(request, "sales/kitchen.html", context, status=422 if refusal else 200)


def may_use(person: Person) -> bool:
    return roles.may(person, "use")


KITCHEN_PAGES = [Page("kitchen/", "kitchen", "Kitchen", None, kitchen_page, may=may_use)]
