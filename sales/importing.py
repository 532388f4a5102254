"""What of packing and selling is imported: its set-up lists, and what its entries make."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from grow.asks import Ask
from grow.errors import Refusal
from grow.importing import blame
from grow.importing.grid import KINDS_ON_PAPER
from grow.importing.tables import CALLED, KEY, MAKES, NUMBERED, SetUp, added, ask_of, register
from grow.models import Crop, Event, Lot, Place
from sales import gtins
from sales.models import DeliveryNote, Outlet, Price, Product, RecipeLine, Wanted

KINDS_ON_PAPER |= {
    "pack": ("product", "lot", "place", "left", "packs", "store", CALLED, KEY),
    "put_on_shelf": ("outlet", "lot", "quantity", "from_place"),
    "deliver": ("outlet", "lot", "quantity", "from_place", KEY),
    "sell": ("outlet", "product", "quantity", KEY),
    "use": ("lot", "place", "quantity"),
}
MAKES |= {"pack": Lot, "rework": Lot, "deliver": DeliveryNote}


def _number(event: Event) -> str:
    return DeliveryNote.objects.get(event=event).number


NUMBERED[DeliveryNote] = _number
blame.BRINGS |= {"put_on_shelf", "deliver", "receive", "return_goods"}
blame.BECAUSE["never_there"] = frozenset({"put_on_shelf", "receive"})


@dataclass(frozen=True)
class Share:
    """A crop in a product's recipe and its least and greatest share, per cent."""

    crop: Crop
    least_pct: int = 0
    greatest_pct: int = 100


_PRODUCT = (
    *("code", "name", "nominal_g", "loose_crop", "tare_g", "fill", "shelf_life_days"),
    *("days_from_cut", "allergens", "packaging_pence", "gtin"),
)
_OUTLET = (
    *("wants_notes", "asks_temperature", "contact", "address", "telephone", "out_of_hours"),
    *("shop_share_pct", "price_basis", "owner"),
)


def _product_add(facts: Mapping[str, Any]) -> bool:
    own = {name: value for name, value in facts.items() if name != "recipe"}
    if own.get("gtin"):
        own["gtin"] = gtins.own_gtin(own["gtin"])  # as it is kept, to be compared
    product = added(Product, ["code"], own)
    there = product or Product.objects.get(code__iexact=own["code"])
    fresh = [
        added(
            RecipeLine,
            ["product", "crop"],
            {
                "product": there,
                "crop": share.crop,
                "least_pct": share.least_pct,
                "greatest_pct": share.greatest_pct,
            },
        )
        for share in facts.get("recipe", ())
    ]
    return product is not None or any(fresh)


def _product_named(cells: Mapping[str, str]) -> list[tuple[Any, str]]:
    return [(Product, cells[n]) for n in ("code", "name") if cells.get(n)]


def _outlet_add(facts: Mapping[str, Any]) -> bool:
    """An outlet and, where it is not there yet, its place."""
    place = {"name": facts["name"]}
    if facts.get("kind"):
        place["kind"] = facts["kind"]
    there = Place.objects.filter(name__iexact=facts["name"]).first()
    if there is None or "kind" in place:
        if "kind" not in place:
            raise Refusal("missing", "Say kind: shop, kitchen or other business.")
        there = added(Place, ["name"], place) or there
    own = {name: facts[name] for name in _OUTLET if name in facts}
    return added(Outlet, ["place"], {"place": there, **own}) is not None


def _outlet_named(cells: Mapping[str, str]) -> list[tuple[Any, str]]:
    name = cells.get("name", "")
    return [(Outlet, name), (Place, name)] if name else []


def _price_add(facts: Mapping[str, Any]) -> bool:
    own = {name: value for name, value in facts.items() if name != "product"}
    own["line"] = facts["product"].line
    return added(Price, ["outlet", "line", "since"], own) is not None


def _wanted_add(facts: Mapping[str, Any]) -> bool:
    when = "day" if facts.get("day") else "weekday"
    return added(Wanted, ["outlet", "product", when], facts) is not None


def _nothing(cells: Mapping[str, str]) -> list[tuple[Any, str]]:
    return []


register(
    SetUp(
        "products",
        "products",
        Product,
        (
            *(ask_of(Product, name) for name in _PRODUCT),
            Ask(
                "recipe",
                "group",
                many=True,
                parts=(
                    Ask("crop", "row", required=True, model=Crop),
                    Ask("least_pct", "whole"),
                    Ask("greatest_pct", "whole"),
                ),
                makes=Share,
            ),
        ),
        _product_add,
        _product_named,
        one="code",
    ),
    SetUp(
        "outlets",
        "outlets",
        Outlet,
        (
            Ask("name", "text", required=True),
            Ask("kind", "text"),
            *(ask_of(Outlet, name) for name in _OUTLET),
        ),
        _outlet_add,
        _outlet_named,
    ),
    SetUp(
        "prices",
        "prices",
        Price,
        (
            ask_of(Price, "outlet"),
            Ask("product", "row", required=True, model=Product),
            *(ask_of(Price, name) for name in ("since", "pence", "tax_code")),
        ),
        _price_add,
        _nothing,
    ),
    SetUp(
        "wanted",
        "orders and shelf levels",
        Wanted,
        (
            *(ask_of(Wanted, name) for name in ("outlet", "product")),
            Ask("weekday", "text"),  # by its name, or as ISO 8601 numbers it
            *(ask_of(Wanted, name) for name in ("day", "quantity")),
        ),
        _wanted_add,
        _nothing,
    ),
)
