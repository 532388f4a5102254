"""The set-up lists of growing: places, towers in bulk, crops, varieties, inputs, things, people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.contrib.auth.hashers import make_password

from ..asks import Ask
from ..errors import Refusal
from ..models import Crop, CropCard, Item, Person, Place, PlaceKind, PlantSite, Thing, Variety
from .tables import SetUp, added, ask_of, plain, register

_MOST_TOWERS, _MOST_RINGS = 500, 100


def _towers_add(facts: Mapping[str, Any]) -> bool:
    number, tiers, ring = facts.get("how_many", 1), facts["tiers"], facts["sites_on_a_tier"]
    if not (1 <= number <= _MOST_TOWERS and 1 <= tiers <= _MOST_RINGS and 1 <= ring <= _MOST_RINGS):
        raise Refusal(
            "how_many",
            f"{number} towers of {tiers} tiers with {ring} sites each: write 1 to {_MOST_TOWERS} "
            f"towers, 1 to {_MOST_RINGS} tiers and sites.",
        )
    fresh = False
    for name in _towers_called(facts["name"], number):
        place = {"name": name, "kind": PlaceKind.TOWER}
        if facts.get("within"):
            place["within"] = facts["within"]
        tower = added(Place, ["name"], place)
        if tower is not None:
            fresh = True
            PlantSite.objects.bulk_create(
                PlantSite(tower=tower, tier=tier, position=position)
                for tier in range(1, tiers + 1)
                for position in range(1, ring + 1)
            )
        elif (n := PlantSite.objects.filter(tower__name__iexact=name).count()) != tiers * ring:
            raise Refusal(
                "there_already",
                f"{name} is there already, with {n} sites; an import adds and never changes, so "
                "put it right on its own page.",
            )
    return fresh


def _towers_called(name: str, number: int) -> list[str]:
    return [name] if number == 1 else [f"{name} {n}" for n in range(1, number + 1)]


def _towers_named(cells: Mapping[str, str]) -> list[tuple[Any, str]]:
    told = cells.get("how_many", "1")
    # a number that cannot be read may have meant any
    number = min(int(told), _MOST_TOWERS) if told.isdecimal() else _MOST_TOWERS
    return [(Place, name) for name in _towers_called(cells.get("name", ""), number)]


_CARD = (
    *("nursery_days", "days_to_first_cut", "days_between_cuts", "cuts"),
    *("grams_per_site_and_cut", "usable_plugs_pct", "grams_by_cut", "growth_by_month"),
    *("growth_source", "source"),
)


def _variety_add(facts: Mapping[str, Any]) -> bool:
    own = {name: value for name, value in facts.items() if name not in _CARD}
    card = {name: value for name, value in facts.items() if name in _CARD}
    variety = added(Variety, ["crop", "name"], own)
    there = variety or Variety.objects.get(crop=own["crop"], name__iexact=own["name"])
    with_card = bool(card) and added(CropCard, ["variety"], {"variety": there, **card}) is not None
    return variety is not None or with_card


def _person_add(facts: Mapping[str, Any]) -> bool:
    """Somebody with a name and a badge; the way in and the roles are given on their own page. Which
    badge somebody has already is nobody's business here."""
    there = Person.objects.filter(username__iexact=facts["username"]).first()
    if there and "badge" in facts and there.badge != facts["badge"]:
        raise Refusal(
            "there_already",
            f"{there} is there already, with another badge or none; an import adds and never "
            "changes, so put it right on their own page.",
        )
    return added(Person, ["username"], facts, password=make_password(None)) is not None


def _variety_named(cells: Mapping[str, str]) -> list[tuple[Any, str]]:
    return [(Variety, cells["name"])] if cells.get("name") else []


def _person_named(cells: Mapping[str, str]) -> list[tuple[Any, str]]:
    return [(Person, cells[n]) for n in ("username", "shown_as") if cells.get(n)]


def _fields(model: Any, names: str) -> tuple[Ask, ...]:
    return tuple(ask_of(model, name) for name in names.split())


register(
    plain("places", "places", Place, "name kind within", "name"),
    SetUp(
        "towers",
        "towers",
        Place,
        (
            Ask("name", "text", required=True),
            Ask("how_many", "whole"),
            Ask("tiers", "whole", required=True),
            Ask("sites_on_a_tier", "whole", required=True),
            ask_of(Place, "within"),
        ),
        _towers_add,
        _towers_named,
    ),
    plain("crops", "crops", Crop, "name picked allergen sprout_rules usual_bunch_g cold_c", "name"),
    SetUp(
        "varieties",
        "varieties",
        Variety,
        (
            *_fields(Variety, "crop name species seeds_per_cell sites_each"),
            *(ask_of(CropCard, name) for name in _CARD[:-1]),
            Ask("source", "text"),
        ),
        _variety_add,
        _variety_named,
    ),
    plain(
        "inputs",
        "inputs",
        Item,
        "name kind variety authorisation harvest_interval_days gtin",
        "name",
    ),
    plain("things", "things", Thing, "name kind place", "name"),
    SetUp(
        "people",
        "people",
        Person,
        _fields(Person, "username shown_as badge"),
        _person_add,
        _person_named,
    ),
)
