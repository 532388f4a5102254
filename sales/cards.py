"""Cards at a shelf: what is sold there, for how much, and what that is by the kilogram.

A card names no lot. Its price is the one that is typed for it; the price list is asked for what is
filled in.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Max

from grow import scope
from grow.errors import Refusal
from grow.labels import Label, shelf_card
from grow.models import Business, Lot, Person, alive
from grow.wording import amount

from . import contents
from .models import Outlet, Price, Product

_SIGNS = {"GBP": "£", "EUR": "€", "USD": "$"}
_TYPED = re.compile(r"\s*[£€$]?\s*([0-9]{1,6})(?:[.,]([0-9]{1,2}))?\s*")


def may_see(person: Person) -> bool:
    """Whether somebody sees prices: by role, and not tied to an outlet."""
    return person.has_perm("sales.view_price") and not scope.tied_to(person)


def read_pence(text: str) -> int:
    """A price as it is typed: "2.40", "2,4", "£2". Raises Refusal for what is none, and for
    nought; no mark for thousands is read."""
    found = _TYPED.fullmatch(text)
    pence = int(found[1]) * 100 + int((found[2] or "").ljust(2, "0")) if found else 0
    if not pence:
        raise Refusal("no_price", f"“{text.strip()}” is no price; write it like 2.40.")
    return pence


def plain(pence: int) -> str:
    """As it is typed: 240 → "2.40"."""
    return f"{pence // 100}.{pence % 100:02d}"


def money(pence: int, currency: str) -> str:
    """As it is printed: "£2.40", "CHF 2.40"."""
    return f"{_SIGNS.get(currency, f'{currency} ')}{plain(pence)}"


def per_kilogram(pence: int, grams: int) -> int:
    """Pence for a kilogram of what costs so many in a pack of so many grams, half up."""
    return (2 * pence * 1000 + grams) // (2 * grams)


@dataclass(frozen=True)
class OnSale:
    """A product with its price in force at an outlet, in pence a pack, or a kilogram when loose;
    origin as a card says it, empty where nothing is recorded or nobody has named the country."""

    product: Product
    pence: int
    origin: str
    allergens: str

    @property
    def name(self) -> str:
        """With its net weight, unless its name says that, or it is sold by number."""
        grams = self.product.nominal_g
        if not grams or self.product.by_number or (net := amount(grams, "g")) in self.product.name:
            return self.product.name
        return f"{self.product.name}, {net}"

    def prices(self, pence: int, currency: str) -> tuple[str, str]:
        """(the price, the price per kilogram or nothing): of what is sold by the kilogram they
        are one, and what is sold by number has none."""
        product = self.product
        if not product.nominal_g:
            return f"{money(pence, currency)} per kg", ""
        if product.by_number:
            return money(pence, currency), ""
        each = per_kilogram(pence, product.nominal_g)
        return money(pence, currency), f"{money(each, currency)} per kg"

    def card(self, pence: int, currency: str) -> Label:
        """Its card, at a price that may be another than the list's."""
        price, kilogram = self.prices(pence, currency)
        return shelf_card(
            name=self.name,
            price=price,
            per_kilogram=kilogram,
            origin=self.origin,
            allergens=self.allergens,
        )


def on_sale(outlet: Outlet, day: dt.date) -> list[OnSale]:
    """What has a price at an outlet on a day, by name. The latest price that has begun stands."""
    begun = Price.objects.filter(outlet=outlet, since__lte=day).order_by("since")
    prices = dict(begun.values_list("line", "pence"))
    rows = Product.objects.select_related("loose_crop").order_by("name", "pk")
    products = [product for product in rows if product.line in prices]
    origins = _origins({product.line for product in products})
    return [
        OnSale(p, prices[p.line], origins.get(p.line, ""), ", ".join(sorted(_declared(p))))
        for p in products
    ]


def _declared(product: Product) -> set[str]:
    crop = product.loose_crop
    return contents.words(product.allergens) | contents.words(crop.allergen if crop else "")


def _origins(lines: Iterable[str]) -> dict[str, str]:
    """Line → where the last of it grew, by the origins that stand."""
    rows = Lot.objects.filter(alive("made_by"), line__in=lines).order_by()
    last = rows.values_list("line").annotate(Max("id"))
    country = Business.the().country
    found = {line: contents.countries([pk], country) for line, pk in last}
    return {line: "" if unknown else ", ".join(grew) for line, (grew, unknown) in found.items()}
