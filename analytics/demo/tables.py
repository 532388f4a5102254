"""The set-up tables of the invented place: what a manager would type on the first evening."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import dataclass, field

from django.contrib.auth.models import Group
from django.utils.crypto import salted_hmac

from grow import pins
from grow.errors import Refusal
from grow.models import (
    Business,
    Crop,
    CropCard,
    Item,
    Person,
    Place,
    PlaceKind,
    PlantSite,
    SignOff,
    Thing,
    Variety,
)
from sales import first_steps, starter
from sales.models import (
    DecisionCard,
    LabelStock,
    Outlet,
    Price,
    Printer,
    Product,
    RecipeLine,
    Wanted,
)

from .rates import lay_claims, lay_rates, lay_uses
from .scenario import CropFacts, ProductFacts, Scenario

K = PlaceKind


@dataclass
class Ground:
    """The rows that the year stands on, by the scenario's own keys."""

    people: dict[str, Person] = field(default_factory=dict)
    places: dict[str, Place] = field(default_factory=dict)
    towers: list[Place] = field(default_factory=list)
    shelves: list[Place] = field(default_factory=list)
    benches: list[Place] = field(default_factory=list)
    tanks: dict[str, Place] = field(default_factory=dict)
    suppliers: dict[str, Place] = field(default_factory=dict)
    crops: dict[str, Crop] = field(default_factory=dict)
    varieties: dict[str, Variety] = field(default_factory=dict)
    items: dict[str, Item] = field(default_factory=dict)
    products: dict[str, Product] = field(default_factory=dict)
    outlets: dict[str, Outlet] = field(default_factory=dict)
    things: dict[str, Thing] = field(default_factory=dict)


def lay(scenario: Scenario, first_day: dt.date) -> Ground:
    """Fill the set-up tables of an empty database."""
    Business.objects.create(
        name=scenario.name,
        **{name: scenario.place[name] for name in ("zone", "address", "telephone", "country")},
    )
    ground = Ground()
    _places(scenario, ground)
    _crops(scenario, ground, first_day)
    _items(scenario, ground)
    _trade(scenario, ground, first_day)
    lay_rates(scenario, ground.crops, first_day)
    lay_uses(ground.items, ground.products, first_day)
    lay_claims(ground.crops)
    _people(scenario, ground, first_day)
    return ground


def _place(ground: Ground, key: str, name: str, kind: str, within: str = "") -> Place:
    place = Place.objects.create(
        name=name, kind=kind, within=ground.places[within] if within else None
    )
    ground.places[key] = place
    return place


def _places(scenario: Scenario, ground: Ground) -> None:
    _place(ground, "farm", scenario.name, K.AREA)
    _place(ground, "greenhouse", "Greenhouse", K.AREA, "farm")
    _place(ground, "nursery", "Nursery corner", K.AREA, "greenhouse")
    _place(ground, "packhouse", "Pack-house", K.AREA, "farm")
    facts = scenario.place
    for n in range(1, facts["towers"] + 1):
        tower = _place(ground, f"t{n}", f"Tower {n}", K.TOWER, "greenhouse")
        ground.towers.append(tower)
        PlantSite.objects.bulk_create(
            PlantSite(tower=tower, tier=tier, position=position)
            for tier in range(1, facts["tiers"] + 1)
            for position in range(1, facts["round"] + 1)
        )
    for n in range(1, facts["shelves"] + 1):
        ground.shelves.append(_place(ground, f"s{n}", f"Lit shelf {n}", K.SHELF, "nursery"))
    for n in range(1, facts["benches"] + 1):
        ground.benches.append(_place(ground, f"b{n}", f"Bench {n}", K.BENCH, "nursery"))
    _place(ground, "tent", "Climate tent", K.TENT, "nursery")
    for key, name, within in (
        ("north", "Reservoir north", "greenhouse"),
        ("south", "Reservoir south", "greenhouse"),
        ("bench", "Bench tank", "nursery"),
        ("shelf", "Shelf tank", "nursery"),
        ("mist", "Humidifier", "nursery"),
        ("wash", "Wash tank", "packhouse"),
    ):
        ground.tanks[key] = _place(ground, f"tank-{key}", name, K.TANK, within)
    _place(ground, "store", "Cold store", K.STORE, "packhouse")
    _place(ground, "cupboard", "Dry cupboard", K.STORE, "packhouse")
    _place(ground, "line", "Packing bench", K.PACKHOUSE, "packhouse")
    _place(ground, "quarantine", "Quarantine shelf", K.QUARANTINE, "packhouse")
    for key, name in facts["suppliers"].items():
        ground.suppliers[key] = _place(ground, f"from-{key}", name, K.SUPPLIER)
    for key, name, kind, place in (
        ("fridge", "Cold store door", "fridge", "store"),
        ("scale", "Bench scale", "scale", "line"),
        ("hanging", "Greenhouse hanging scale", "scale", "greenhouse"),
        ("probe", "Probe", "probe", "packhouse"),
        ("spinner", "Salad spinner", "spinner", "line"),
        ("knives", "Cutting knives", "knife", "greenhouse"),
        ("glass", "Panes and lamp covers", "glass", "greenhouse"),
        ("pump", "Pump of reservoir north", "pump", "greenhouse"),
    ):
        ground.things[key] = Thing.objects.create(name=name, kind=kind, place=ground.places[place])
    Thing.objects.filter(name="Bench scale").update(division_g=1, for_trade=True)
    Thing.objects.filter(name="Greenhouse hanging scale").update(division_g=50)


def card(scenario: Scenario, facts: CropFacts, variety: Variety) -> CropCard:
    grams = [facts.card_g] * len(facts.grams) if facts.card_g else facts.grams
    return CropCard(
        variety=variety,
        nursery_days=facts.nursery or None,
        days_to_first_cut=facts.first,
        days_between_cuts=facts.between or None,
        cuts=len(grams),
        grams_per_site_and_cut=round(sum(grams) / len(grams)),
        usable_plugs_pct=facts.plugs_pct,
        grams_by_cut=" ".join(map(str, grams)),
        growth_by_month=" ".join(map(str, scenario.by_month(facts))),
        growth_source="From memory: a frost-free greenhouse without lamps on the towers",
        source="The demo's own July figures, invented inside published ranges",
    )


def _crops(scenario: Scenario, ground: Ground, first_day: dt.date) -> None:
    for facts in scenario.crops:
        crop = Crop.objects.create(
            name=facts.name,
            picked=facts.picked,
            allergen=facts.allergen,
            usual_bunch_g=facts.bunch_g,
            cold_c=facts.cold_c,
        )
        variety = Variety.objects.create(
            crop=crop,
            name=facts.variety,
            seeds_per_cell=facts.seeds_per_cell,
            sites_each=facts.sites_each,
        )
        ground.crops[facts.key], ground.varieties[facts.key] = crop, variety
        CropCard.objects.bulk_create([card(scenario, facts, variety)])
        ground.items[facts.key] = Item.objects.create(
            name=f"{facts.variety} {'young plants' if facts.bought else 'seed'}",
            kind=Item.Kind.YOUNG_PLANTS if facts.bought else Item.Kind.SEED,
            variety=variety,
        )


def _items(scenario: Scenario, ground: Ground) -> None:
    for row in scenario.trade["item"]:
        ground.items[row["key"]] = Item.objects.create(
            name=row["name"],
            kind=row["kind"],
            authorisation=row.get("authorisation", ""),
            harvest_interval_days=row.get("harvest_interval_days"),
        )


def _trade(scenario: Scenario, ground: Ground, first_day: dt.date) -> None:
    for row in scenario.trade["outlet"]:
        facts = dict(row)
        key, name, kind = facts.pop("key"), facts.pop("name"), facts.pop("kind")
        ground.outlets[key] = Outlet.objects.create(place=_place(ground, key, name, kind), **facts)
    for product in scenario.products:
        _product(ground, product, first_day)
    _decisions(scenario, ground, first_day)
    for crop in scenario.crops:
        row = ground.crops[crop.key]
        loose = Product.objects.create(
            code=f"{crop.key.upper()}-KG", name=f"{crop.name}, loose", loose_crop=row
        )
        ground.products[loose.code] = loose
        Price.objects.bulk_create(
            Price(outlet=ground.outlets[outlet], line=loose.line, since=first_day, pence=pence)
            for outlet, pence in (("kitchen", crop.kitchen_pence), ("shop", crop.shop_pence))
            if pence
        )
    LabelStock.objects.bulk_create(
        LabelStock(name=s.name, width_mm=s.width_mm, height_mm=s.height_mm)
        for s in list(starter.label_stocks().values())[:1]
    )
    Printer.objects.create(name="Bench printer", dpi=203)
    first_steps.put_away()


def _product(ground: Ground, facts: ProductFacts, first_day: dt.date) -> None:
    product = Product.objects.create(
        code=facts.code,
        name=facts.name,
        nominal_g=facts.nominal_g,
        tare_g=facts.tare_g,
        shelf_life_days=facts.shelf_life_days,
        days_from_cut=facts.days_from_cut,
        allergens=facts.allergens,
        packaging_pence=str(facts.packaging_pence),
        **{
            name: getattr(facts, name)
            for name in (
                *("form", "grade", "shows_variety", "storage", "target_g", "largest_cm2"),
                "per_crate",
            )
        },
    )
    ground.products[facts.code] = product
    RecipeLine.objects.bulk_create(
        RecipeLine(product=product, crop=ground.crops[crop], least_pct=least, greatest_pct=greatest)
        for crop, (least, greatest) in facts.recipe.items()
    )
    for outlet in ("shop", "stores", "kitchen"):
        Price.objects.create(
            outlet=ground.outlets[outlet],
            line=product.line,
            since=first_day,
            pence=getattr(facts, outlet),
        )


def lay_wanted(scenario: Scenario, ground: Ground, last_day: dt.date) -> None:
    """Orders and shelf levels as they stand on the last day that is played."""
    rows = []
    for row in scenario.trade["wanted"]:
        product = ground.products[row["product"]]
        step = 50 if product.loose_crop else 1  # nobody orders 799 g
        for weekday, july in enumerate(row["july"], 1):
            wanted = july * scenario.share_of_july(product.code, last_day)
            if quantity := step * round(wanted / step):
                rows.append(
                    Wanted(
                        outlet=ground.outlets[row["outlet"]],
                        product=product,
                        weekday=weekday,
                        quantity=quantity,
                    )
                )
    Wanted.objects.bulk_create(rows)


def _decisions(scenario: Scenario, ground: Ground, first_day: dt.date) -> None:
    """What each product is in law, as the invented grower decided a month before."""
    facts, C = scenario.trade["decision"], DecisionCard
    for code, product in ground.products.items():
        washed = code in facts["washed"]
        C.objects.create(
            product=product,
            since=first_day,
            state=C.State.READY if washed else C.State.UNWASHED,
            sold_as=C.SoldAs.PREPACKED,
            system=C.System.AVERAGE,
            date_kind=C.DateKind.USE_BY if washed else C.DateKind.BEST_BEFORE,
            decided_by=facts["decided_by"],
            decided_on=first_day - dt.timedelta(days=30),
            evidence=facts["evidence"],
        )


def password(role: str) -> str:
    """The same at every start of this installation, and another one elsewhere."""
    return f"{role}-{salted_hmac('demo account', role).hexdigest()[:8]}"


def pin(role: str) -> str:
    """Four digits, as the password is made."""
    for n in itertools.count():
        try:
            return pins.fit(str(int(salted_hmac("demo pin", f"{role}{n}").hexdigest(), 16))[-4:])
        except Refusal:
            continue
    raise AssertionError


def _people(scenario: Scenario, ground: Ground, first_day: dt.date) -> None:
    for row in scenario.place["person"]:
        person = Person(
            username=row["role"], shown_as=row["shown_as"], badge=row["role"].upper()[:3] + "-1"
        )
        if row.get("by_badge_alone"):
            person.set_unusable_password()
        else:
            person.is_staff = True
            person.set_password(password(row["role"]))
        person.pin = pins.hashed(pin(row["role"]))
        person.save()
        person.groups.add(Group.objects.get(name=row["group"]))
        person.places.set(ground.places[key] for key in row.get("places", ()))
        ground.people[row["role"]] = person
    for row in scenario.place["person"]:
        for task in row.get("signed_off", ()):
            SignOff.objects.create(
                person=ground.people[row["role"]],
                task=task,
                since=first_day - dt.timedelta(days=30),
                by=ground.people["manager"],
            )


def accounts(scenario: Scenario) -> list[tuple[str, str, str]]:
    """(user name, who, password) of each account that can sign in; no password where the badge or
    PIN is all there is."""
    return [
        (
            row["role"],
            row["shown_as"],
            "" if row.get("by_badge_alone") else password(row["role"]),
        )
        for row in scenario.place["person"]
    ]


__all__ = ["Ground", "accounts", "lay", "lay_wanted", "password", "pin"]
