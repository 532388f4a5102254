"""Shelf cards of an outlet, ticked and printed together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from grow import clock, short
from grow.errors import NotKnown, Refusal
from grow.finding import rows_called
from grow.labels import A6, Label
from grow.models import Business, PlaceKind
from grow.page import Page

from . import cards
from .cards import OnSale, on_sale
from .models import LabelStock, Outlet
from .print_form import PRINTS, PrintForm, person_of, printed
from .printers import untrue

_A6 = "A6 cards, 148 × 105 mm"


class CardsForm(PrintForm):
    """Which cards, each at what price. No stock is A6."""

    count = short.number("How many of each", 1, 50)
    stock = forms.ModelChoiceField(
        label="On what",
        queryset=LabelStock.objects.all(),
        widget=forms.RadioSelect,
        empty_label=_A6,
        required=False,
        blank=True,
    )

    def __init__(self, rows: Sequence[OnSale], *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.rows = rows
        self.pence: dict[int, int] = {}  # by product, of those that are ticked
        for row in rows:
            pk = row.product.pk
            self.fields[f"card_{pk}"] = forms.BooleanField(label=row.name, required=False)
            self.fields[f"price_{pk}"] = forms.CharField(
                label="Price",
                max_length=20,
                required=False,
                initial=cards.plain(row.pence),
                widget=forms.TextInput(
                    {"class": "number", "inputmode": "decimal", "autocomplete": "off"}
                ),
            )
            self.fields[f"price_{pk}"].unit = "a kg" if not row.product.nominal_g else ""  # type: ignore[attr-defined]  # read by the page

    def products(self) -> list[tuple[OnSale, forms.BoundField, forms.BoundField]]:
        return [
            (row, self[f"card_{row.product.pk}"], self[f"price_{row.product.pk}"])
            for row in self.rows
        ]

    def chosen(self) -> LabelStock:
        a6 = LabelStock(name=_A6, width_mm=A6.width, height_mm=A6.height)
        return self.cleaned_data["stock"] or a6

    def clean(self) -> dict[str, Any]:
        told = self.cleaned_data
        for pk in (row.product.pk for row in self.rows):
            if told.get(f"card_{pk}"):
                try:
                    self.pence[pk] = cards.read_pence(told.get(f"price_{pk}", ""))
                except Refusal as refusal:
                    self.add_error(f"price_{pk}", refusal.sentence)
        if not self.errors and not self.pence:
            raise forms.ValidationError("Tick what you want a card for.")
        return told

    def wanted(self, currency: str) -> list[tuple[Label, int]]:
        return [
            (row.card(self.pence[row.product.pk], currency), self.cleaned_data["count"])
            for row in self.rows
            if row.product.pk in self.pence
        ]


def cards_page(request: HttpRequest) -> HttpResponseBase:
    """The products of one outlet, with the prices that stand today."""
    with clock.one_zone():
        outlets = list(Outlet.objects.filter(prices__isnull=False).distinct())
        outlet, refusal = _asked(request, outlets)
        rows = on_sale(outlet, clock.local(clock.now()).date()) if outlet else []
        form = CardsForm.of(request, rows, stock=None)
        assert isinstance(form, CardsForm)
        business = Business.the()
        said = [
            (row, tick, price, _says(row, business.currency))
            for row, tick, price in form.products()
        ]
        return printed(
            request,
            form,
            lambda: form.pdf(
                form.wanted(business.currency), f"Shelf cards, {outlet}", larger=[(_A6, A6)]
            ),
            "shelf-cards",
            refusal,
            template="sales/label_cards.html",
            title="Shelf cards",
            outlets=outlets,
            outlet=outlet,
            cards=said,
            no_country=not business.country,
            no_stock=False,
            cautions=untrue(),
        )


def _asked(request: HttpRequest, outlets: list[Outlet]) -> tuple[Outlet | None, Refusal | None]:
    """The outlet that is named, else a shop, else the first; and what was wrong with its name."""
    usual = next((o for o in outlets if o.place.kind == PlaceKind.SHOP), None)
    usual = usual or next(iter(outlets), None)
    if not (name := request.GET.get("outlet", "").strip()):
        return usual, None
    (found,) = rows_called(Outlet, [name], person_of(request))
    return (usual, found) if isinstance(found, NotKnown) else (found, None)


def _says(row: OnSale, currency: str) -> str:
    """What the price list has, and what else the card says."""
    price, kilogram = row.prices(row.pence, currency)
    said = [f"On the list {price}", kilogram, row.origin and f"Origin: {row.origin}"]
    said.append(row.allergens and f"Contains: {row.allergens}")
    return " · ".join(filter(None, said))


CARD_PAGES = [
    Page(
        "labels/cards/",
        "shelf_cards",
        "Shelf cards",
        PRINTS,
        cards_page,
        in_menu=False,
        may=cards.may_see,
    )
]
