"""The page that makes towers, benches or lit shelves, many at once."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.urls import reverse

from . import bulk, short
from .bulk import IN_BULK, Bulk
from .errors import Refusal
from .models import Place, PlaceKind
from .page import Page

_TOWER = PlaceKind.TOWER


class BulkForm(short.Short):
    count = short.number("How many", 1, bulk.MOST)
    called = short.text("Called", 40, help_text="The number follows: T makes T1, T2 and so on.")
    first = short.number("First number", 0, 99_999)
    tiers = short.number("Tiers on each", 1, bulk.MOST_TIERS)
    round = short.number("Sites on a tier", 1, bulk.MOST_ROUND)

    def __init__(self, kind: PlaceKind, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.kind = kind
        if kind != _TOWER:
            del self.fields["tiers"], self.fields["round"]

    def bulk(self) -> Bulk:
        return Bulk(self.kind, **self.cleaned_data)


def _usual(kind: PlaceKind) -> dict[str, Any]:
    """As at the last time, from the next number on; thirty towers of ten tiers at the first."""
    called = bulk.last_called(kind) or IN_BULK[kind].called
    stand = Place.objects.filter(kind=kind).exists()
    tiers, round_ = bulk.last_shape() or (10, 4)
    many = 30 if kind == _TOWER else 2
    return {
        "count": min(10, many) if stand else many,
        "called": called,
        "first": bulk.next_number(called),
        "tiers": tiers,
        "round": round_,
    }


def towers_page(request: HttpRequest) -> HttpResponseBase:
    """Asked once, shown as it would be, made in one go."""
    if not request.user.has_perm("grow.add_plantsite"):
        raise PermissionDenied("Towers are not among your tasks.")
    asked = request.GET.get("kind", "")
    kind = PlaceKind(asked) if asked in IN_BULK else _TOWER
    if request.method != "POST":
        usual = _usual(kind)
        form = BulkForm(kind, initial=usual)
        shape = {"tiers": usual["tiers"], "round": usual["round"]} if kind == _TOWER else {}
        plain = {name: usual[name] for name in ("count", "called", "first")}
        return _show(request, form, str(Bulk(kind, **plain, **shape)))
    form = BulkForm(kind, request.POST)
    if not form.is_valid():
        return _show(request, form)
    wanted = form.bulk()
    try:
        bulk.build(wanted)
    except Refusal as refusal:
        return _show(request, form, str(wanted), refusal)
    messages.success(request, f"Made: {wanted}.")
    return HttpResponseRedirect(reverse("admin:index"))


def _show(
    request: HttpRequest, form: forms.Form, preview: str = "", refusal: Refusal | None = None
) -> HttpResponseBase:
    assert isinstance(form, BulkForm)
    said = IN_BULK[form.kind]
    stand = Place.objects.filter(kind=form.kind).count()
    return short.page(
        request,
        form,
        title=said.many.capitalize(),
        button="Make them",
        refusal=refusal,
        template="grow/bulk.html",
        preview=preview,
        said=said,
        stand=stand,
        kinds=[(kind, s.many.capitalize()) for kind, s in IN_BULK.items()],
        kind=form.kind,
    )


BULK_PAGES = [Page("towers/", "towers", "Towers", "grow.add_place", towers_page, own_password=True)]
