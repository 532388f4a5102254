"""Printers: which there are, their test labels, and what a ruler said of them."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.urls import reverse

from grow import clock, short
from grow.errors import Refusal
from grow.page import Page
from grow.short import Short

from . import printers
from .models import LabelStock, Printer
from .print_form import TESTS, PrintForm, pdf_answer, usual


class PrinterForm(Short):
    name = short.text("What people call it", 60, help_text="Such as Bench printer.")
    dpi = forms.TypedChoiceField(
        label="Dots",
        choices=Printer.DPI,
        coerce=int,
        initial=203,
        widget=forms.RadioSelect,
        help_text="It stands on the printer or in its booklet.",
        error_messages={"required": "Choose one."},
    )


def printers_page(request: HttpRequest) -> HttpResponseBase:
    """Those that there are, each with what its test said; and a form for another."""
    with clock.one_zone():
        form = PrinterForm(request.POST if request.method == "POST" else None)
        refusal = None
        if request.method == "POST" and form.is_valid():
            try:
                return _at(printers.added(**form.cleaned_data))
            except Refusal as found:
                refusal = found
        there = [(row, printers.verdict(row)) for row in Printer.objects.all()]
        return short.page(
            request,
            form,
            title="Printers",
            button="Add the printer",
            refusal=refusal,
            template="sales/printers.html",
            there=there,
        )


def _at(printer: Printer) -> HttpResponseBase:
    return HttpResponseRedirect(reverse("admin:printer", args=[printer.pk]))


class TryForm(PrintForm):
    """On which labels its test is printed."""

    def __init__(self, printer: Printer, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.tried = printer
        del self.fields["count"], self.fields["printer"]

    def dpi(self) -> int:
        return self.tried.dpi

    def test(self) -> bytes:
        """Raises Refusal."""
        wanted = [(label, 1) for label in printers.labels_of_test(self.tried, self.chosen())]
        return self.pdf(wanted, f"Test of {self.tried}")


class RulerForm(Short):
    """What a ruler said of the line."""

    measured = forms.CharField(
        label="Measure this line: 50 mm",
        max_length=20,
        help_text="Hold a ruler to the line of the test label, and write what it says.",
        widget=forms.TextInput({"class": "number", "inputmode": "decimal", "autocomplete": "off"}),
        error_messages={"required": "Write what the ruler says."},
    )
    units = {"measured": "mm"}

    def clean_measured(self) -> Any:
        try:
            return printers.read_mm(self.cleaned_data["measured"])
        except Refusal as refusal:
            raise forms.ValidationError(refusal.sentence) from refusal


def printer_page(request: HttpRequest, pk: int) -> HttpResponseBase:
    """One printer: its test is printed, then what the ruler says is told, once."""
    printer = Printer.objects.filter(pk=pk).first() if pk < 2**63 else None
    if printer is None:
        raise Http404("There is no such printer.")
    with clock.one_zone():
        prints = request.method == "POST" and "print" in request.POST
        tells = request.method == "POST" and not prints
        test = TryForm(printer, request.POST if prints else None, initial=usual())
        ruler = RulerForm(request.POST if tells else None)
        refusal = None
        if prints and test.is_valid():
            try:
                return pdf_answer(test.test(), f"test-{printer.pk}")
            except Refusal as found:
                refusal = found
        if tells and ruler.is_valid():
            printers.measured(printer, ruler.cleaned_data["measured"])
            said = messages.success if printer.is_true else messages.warning
            said(request, f"Kept: {printer.measured_mm} mm.")
            return _at(printer)
        return short.page(
            request,
            ruler if tells else test,
            title=printer.name,
            button="Keep it",
            refusal=refusal,
            template="sales/printer.html",
            printer=printer,
            verdict=printers.verdict(printer),
            test=test,
            ruler=ruler,
            stocks=test.stocks(),
            no_stock=not LabelStock.objects.exists(),
        )


PRINTER_PAGES = [
    Page("labels/printers/", "printers", "Printers", TESTS, printers_page, in_menu=False),
    Page("labels/printers/<int:pk>/", "printer", "Printer", TESTS, printer_page, in_menu=False),
]
