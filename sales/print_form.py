"""The short form by which all labels are printed: how many, on which stock and printer, from which
free label on; and the page on which one chooses what to print for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from django import forms
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, labels, short
from grow.errors import Refusal
from grow.models import Person
from grow.pages import new_id
from grow.short import Short

from . import cards
from .labels import stock_of
from .models import LabelStock, Printer
from .printing import stocks_known

#: Who prints: whoever keeps the rolls and sheets; who tests the printers: whoever sets them up.
PRINTS = "sales.change_labelstock"
TESTS = "sales.change_printer"
MOST = 2000
#: So many are offered to be chosen from.
SHOWN = 20


class PrintForm(Short):
    count = short.number("How many", 1, MOST)
    stock = forms.ModelChoiceField(
        label="On which labels",
        queryset=LabelStock.objects.all(),
        widget=forms.RadioSelect,
        empty_label=None,
        error_messages={"required": "Choose the labels that are in the printer."},
    )
    first = short.number(
        "First free label on the sheet",
        1,
        1000,
        required=False,
        help_text="Counted along the rows. 1 is a full sheet.",
    )

    printer = forms.ModelChoiceField(
        label="On which printer",
        queryset=Printer.objects.all(),
        widget=forms.RadioSelect,
        empty_label=None,
        required=False,
    )
    client_id = forms.CharField(required=False, max_length=64, widget=forms.HiddenInput)

    goes_with = frozenset({"first", "printer"})

    @classmethod
    def of(cls, request: HttpRequest, *args: Any, **initial: Any) -> PrintForm:
        """As it was sent, or with what is usual; args are a kind of form's own."""
        posted = request.POST if request.method == "POST" else None
        return cls(*args, posted, initial=usual() | initial)

    def stocks(self) -> list[tuple[LabelStock | None, Any]]:
        """Each stock beside its button; None beside what is no row of ours."""
        field = self.fields["stock"]
        assert isinstance(field, forms.ModelChoiceField)
        rows = {str(row.pk): row for row in field.queryset or ()}
        return [(rows.get(str(o.data["value"])), o) for o in self["stock"].subwidgets]

    def chosen(self) -> LabelStock:
        return self.cleaned_data["stock"]

    def dpi(self) -> int:
        printer = self.cleaned_data["printer"]
        return printer.dpi if printer else labels.USUAL_DPI

    def first_place(self) -> int:
        return (self.cleaned_data["first"] or 1) if self.chosen().columns else 1

    def pdf(
        self,
        wanted: Iterable[tuple[labels.Printable, int]],
        title: str,
        *,
        larger: Sequence[tuple[str, labels.Stock]] = (),
    ) -> bytes:
        """Labels, each so many times, as the form asks for them. larger: what a refusal may offer
        besides the stocks that are kept. Raises Refusal."""
        stock = self.chosen()
        content = labels.pdf(
            stock_of(stock),
            wanted,
            title=title,
            first=self.first_place(),
            dpi=self.dpi(),
            larger=[*stocks_known(), *larger],
        )
        LabelStock.objects.filter(pk=stock.pk).update(last_used=clock.now())
        return content


def usual() -> dict[str, Any]:
    """The stock that was printed on last, else the first; the printer that was tested last."""
    used = LabelStock.objects.order_by(F("last_used").desc(nulls_last=True), "name").first()
    tested = Printer.objects.order_by(F("measured_at").desc(nulls_last=True), "name").first()
    return {"count": 1, "stock": used, "first": 1, "printer": tested, "client_id": new_id()}


def person_of(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    return request.user


def pdf_answer(content: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'attachment; filename="{name}.pdf"'
    return answer


def show(
    request: HttpRequest,
    form: PrintForm,
    refusal: Refusal | None,
    *,
    template: str = "sales/labels.html",
    **more: Any,
) -> TemplateResponse:
    context = {
        "stocks": form.stocks(),
        "printers": Printer.objects.exists(),
        "no_stock": not LabelStock.objects.exists(),
        **more,
    }
    button = "Make the PDF"
    return short.page(request, form, button=button, refusal=refusal, template=template, **context)


def printed(
    request: HttpRequest,
    form: PrintForm,
    make: Callable[[], bytes],
    name: str,
    refusal: Refusal | None = None,
    **more: Any,
) -> HttpResponseBase:
    """The PDF that a press asks for, under this name; else the form, with what was refused."""
    if request.method == "POST" and form.is_valid():
        try:
            return pdf_answer(make(), name)
        except Refusal as found:
            refusal = found
    return show(request, form, refusal, **more)


def choose(
    request: HttpRequest,
    *,
    title: str,
    asks: str,
    picks: Iterable[tuple[str, str, str]],
    nothing: str,
    refusal: Refusal | None = None,
) -> TemplateResponse:
    """A lot to be scanned, or one of the picks (code, name, what is said of it) to be chosen."""
    context = {
        "title": title,
        "asks": asks,
        "picks": list(picks),
        "nothing": nothing,
        "refusal": refusal,
        "others": [way for way in _others(person_of(request)) if way[1] != request.path],
        "is_nav_sidebar_enabled": False,
    }
    status = 422 if refusal else 200
    return TemplateResponse(request, "sales/label_picks.html", context, status=status)


def _others(person: Person) -> list[tuple[str, str]]:
    """What else this person may print or test: (words, address)."""
    if not person.has_perm(PRINTS):
        return []
    return [
        ("Labels of a run", reverse("admin:labels")),
        ("Crate labels", reverse("admin:crate_labels")),
        ("Crate tags", reverse("admin:crate_tags", args=["all"])),
        ("HOLD labels", reverse("admin:hold_labels")),
        *([("Shelf cards", reverse("admin:shelf_cards"))] if cards.may_see(person) else []),
        *([("Printers", reverse("admin:printers"))] if person.has_perm(TESTS) else []),
    ]
