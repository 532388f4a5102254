"""Short pages for setting up: a few questions, what is usual filled in, one press to save."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest
from django.template.response import TemplateResponse

from .errors import Refusal


class Short(forms.Form):
    """The questions of a short page. units: field → what stands behind it; goes_with: fields that
    are needed where another is ticked, so not "if you like"."""

    use_required_attribute = False
    units: dict[str, str] = {}
    goes_with: frozenset[str] = frozenset()

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        for name, unit in self.units.items():
            if name in self.fields:
                self.fields[name].unit = unit  # type: ignore[attr-defined]  # read by the page
        for name in self.goes_with:
            self.fields[name].goes_with = True  # type: ignore[attr-defined]  # read by the page


def number(
    label: str, least: int, most: int, *, help_text: str = "", **more: Any
) -> forms.IntegerField:
    """A whole number, typed with a thumb."""
    return forms.IntegerField(
        label=label,
        min_value=least,
        max_value=most,
        help_text=help_text,
        widget=forms.TextInput({"inputmode": "numeric", "autocomplete": "off", "class": "number"}),
        error_messages={"invalid": "Write a whole number.", "required": "Write a number."},
        **more,
    )


def text(label: str, longest: int, *, help_text: str = "", **more: Any) -> forms.CharField:
    """A name or a few words."""
    return forms.CharField(
        label=label,
        max_length=longest,
        help_text=help_text,
        widget=forms.TextInput({"autocomplete": "off"}),
        error_messages={"required": "Write a name."},
        **more,
    )


def page(
    request: HttpRequest,
    form: forms.Form | None,
    *,
    title: str,
    button: str,
    lead: str = "",
    refusal: Refusal | None = None,
    template: str = "grow/short.html",
    **more: Any,
) -> TemplateResponse:
    """The page of a form; a refusal, or a field that is wrong, makes its status 422."""
    wrong = refusal is not None or (form is not None and form.is_bound and bool(form.errors))
    context = {
        "title": title,
        "form": form,
        "lead": lead,
        "button": button,
        "refusal": refusal,
        "is_nav_sidebar_enabled": False,
        **more,
    }
    return TemplateResponse(request, template, context, status=422 if wrong else 200)
