"""The rows that a bench history stands on: greenhouses, crops, products, people. All invented."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import NamedTuple

from grow.models import Business, Crop, Item, Person, Place, PlaceKind, PlantSite, Thing, Variety
from grow.setup import side_place
from sales.models import Outlet, Price, Product, RecipeLine

K = PlaceKind
TOWERS, TIERS, ROUND = 30, 10, 4
#: The first day of a bench history, a Monday; fixed, so that a seed gives the same rows always.
FIRST_DAY = dt.date(2016, 1, 4)


class Card(NamedTuple):
    """How a crop of the bench behaves: days and grams are round figures of our own."""

    name: str
    nursery_days: int
    first_cut_days: int
    between_days: int
    cuts: int
    grams_a_site: int
    share: int
    leaf: bool


CARDS = (
    Card("Loose-leaf lettuce", 21, 24, 12, 4, 32, 6, True),
    Card("Cos lettuce", 24, 35, 14, 2, 60, 2, True),
    Card("Rocket", 16, 20, 11, 5, 18, 4, True),
    Card("Mizuna", 16, 21, 11, 5, 22, 3, True),
    Card("Spinach", 20, 28, 12, 4, 24, 2, True),
    Card("Chard", 24, 35, 12, 6, 30, 2, True),
    Card("Basil", 28, 25, 13, 5, 20, 3, False),
    Card("Coriander", 26, 24, 14, 3, 15, 2, False),
    Card("Parsley", 35, 32, 14, 6, 14, 2, False),
    Card("Chives", 35, 30, 16, 6, 10, 1, False),
)


@dataclass
class Ids:
    """Ids of what every greenhouse shares."""

    people: list[int]
    varieties: list[int]
    crops: list[int]
    items: dict[str, int]
    seeds: list[int]
    single: dict[str, int]
    products: dict[str, int]
    supplier: int
    scale: int


@dataclass
class House:
    """Ids of one greenhouse, its stores and its outlets."""

    area: int
    nursery: list[int]
    shelves: list[int]
    towers: list[int]
    sites: dict[int, list[int]]
    reservoirs: list[int]
    bench_tank: int
    humidifier: int
    wash_tank: int
    store: int
    line: int
    quarantine: int
    outlets: dict[str, int]
    places: dict[str, int]
    side: dict[tuple[str, str], int]


#: Products of the bench: code, name, grams, and whether it is of leaf or of one herb.
PRODUCTS = (
    ("SALAD-120", "Salad bag 120 g", 120, True, 240),
    ("LEAF-60", "Leaf bag 60 g", 60, True, 150),
    ("HERB-25", "Herb pack 25 g", 25, False, 130),
)
_BOUGHT = (
    ("medium", "Bench medium", Item.Kind.MEDIUM),
    ("nutrient", "Bench nutrient", Item.Kind.NUTRIENT),
    ("gloves", "Bench gloves", Item.Kind.HAND_GEAR),
    ("labels", "Bench labels", Item.Kind.PACKAGING),
    ("spray", "Bench leaf soap", Item.Kind.PLANT_PROTECTION),
    ("mites", "Bench beneficials", Item.Kind.BENEFICIALS),
)


def common() -> Ids:
    """Write what all greenhouses share. The database is empty but for what migrate leaves."""
    Business.objects.create(name="Bench farm", zone="Europe/London")
    people = [Person.objects.create_user(f"bench-{n}", shown_as=f"B{n}").pk for n in range(1, 5)]
    crops = [
        Crop.objects.create(name=card.name, usual_bunch_g=None if card.leaf else 25)
        for card in CARDS
    ]
    varieties = [Variety.objects.create(crop=crop, name="Bench line") for crop in crops]
    products = {}
    for code, name, grams, leaf, _ in PRODUCTS:
        product = Product.objects.create(
            code=code, name=name, nominal_g=grams, shelf_life_days=7, days_from_cut=9
        )
        products[code] = product.pk
        for crop, card in zip(crops, CARDS, strict=True):
            if card.leaf == leaf:
                RecipeLine.objects.create(product=product, crop=crop)
    supplier = Place.objects.create(name="Bench supplier", kind=K.SUPPLIER)
    return Ids(
        people=people,
        crops=[c.pk for c in crops],
        varieties=[v.pk for v in varieties],
        items={key: Item.objects.create(name=name, kind=kind).pk for key, name, kind in _BOUGHT},
        seeds=[
            Item.objects.create(name=f"{card.name} seed", kind=Item.Kind.SEED, variety=variety).pk
            for card, variety in zip(CARDS, varieties, strict=True)
        ],
        single=dict(
            Place.objects.filter(belongs_to=None).exclude(pk=supplier.pk).values_list("kind", "pk")
        ),
        products=products,
        supplier=supplier.pk,
        scale=Thing.objects.create(name="Bench scale", kind="scale").pk,
    )


def house(number: int, ids: Ids) -> House:
    """Write one greenhouse: 30 towers of 40 sites, its nursery, tanks, stores and outlets."""
    made: dict[str, int] = {}

    def place(name: str, kind: str, within: Place | None = None) -> Place:
        row = Place.objects.create(name=f"{name} {number}", kind=kind, within=within)
        made[name] = row.pk
        return row

    area = place("Greenhouse", K.AREA)
    towers = [place(f"Tower {n:02d}/", K.TOWER, area).pk for n in range(1, TOWERS + 1)]
    PlantSite.objects.bulk_create(
        PlantSite(tower_id=tower, tier=tier, position=position)
        for tower in towers
        for tier in range(TIERS, 0, -1)
        for position in range(1, ROUND + 1)
    )
    sites: dict[int, list[int]] = {tower: [] for tower in towers}
    rows = PlantSite.objects.filter(tower__in=towers).order_by("id")
    for pk, tower in rows.values_list("pk", "tower_id"):
        sites[tower].append(pk)
    outlets, places = {}, {}
    side: dict[tuple[str, str], int] = {}
    for name, kind in (("Shop", K.SHOP), ("Kitchen", K.KITCHEN), ("Buyer", K.BUYER)):
        stands = place(name, kind)
        outlet = Outlet.objects.create(place=stands, wants_notes=kind != K.SHOP)
        outlets[name], places[name] = outlet.pk, stands.pk
        for other in (K.TRANSIT, K.QUARANTINE, K.SOLD, K.SERVED):
            side[name, other] = side_place(stands, other).pk
        less = 1 if kind == K.SHOP else 0.7
        since = FIRST_DAY - dt.timedelta(days=1)
        for code, _, _, _, pence in PRODUCTS:
            Price.objects.create(outlet=outlet, line=code, since=since, pence=int(pence * less))
        for crop in ids.crops:
            Price.objects.create(outlet=outlet, line=f"crop:{crop}", since=since, pence=1100)
    return House(
        area=area.pk,
        nursery=[
            place("Bench A", K.BENCH, area).pk,
            place("Bench B", K.BENCH, area).pk,
            place("Tent", K.TENT, area).pk,
        ],
        shelves=[place(f"Shelf {n}/", K.SHELF, area).pk for n in range(1, 5)],
        towers=towers,
        sites=sites,
        reservoirs=[place(f"Reservoir {n}/", K.TANK, area).pk for n in range(1, 4)],
        bench_tank=place("Bench tank", K.TANK, area).pk,
        humidifier=place("Humidifier", K.TANK, area).pk,
        wash_tank=place("Wash tank", K.TANK).pk,
        store=place("Cold store", K.STORE).pk,
        line=place("Packing bench", K.PACKHOUSE).pk,
        quarantine=place("Quarantine", K.QUARANTINE).pk,
        outlets=outlets,
        places=places,
        side=side,
    )
