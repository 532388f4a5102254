"""The database keeps the rules too: under the operations, the set-up pages and a shell."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction

from grow import triggers
from grow.errors import rule_of
from grow.models import Business, Lot, Movement, Place, PlaceKind, TreatedPlace
from grow.setup import side_place, the
from sales.models import Outlet, Product
from tests.farm import Farm

pytestmark = pytest.mark.django_db


def refused(rule: str, call: Any, /, **more: Any) -> None:
    """The database says no, and by which rule."""
    with pytest.raises(IntegrityError) as no, transaction.atomic():
        call(**more)
    assert rule_of(no.value) == rule


def changed(model: Any, **fields: Any) -> Any:
    """Another row like the last one."""
    row = model._default_manager.order_by("-pk")[0]
    row.pk = None
    row._state.adding = True
    for name, value in fields.items():
        setattr(row, name, value)
    return row


# --- values that a column may have --------------------------------------------------------------


def test_a_quantity_is_known_in_one_of_seven_ways(farm: Farm) -> None:
    farm.cut(900)
    changed(Movement, basis="scanned").save()
    refused("movement_basis_is_known", changed(Movement, basis="guessed").save)


def test_a_lot_is_of_a_known_kind_and_unit(farm: Farm) -> None:
    farm.tell("receive_input", item=farm.soap, supplier=farm.supplier, place=farm.store)
    changed(Lot, code="I1", unit="ml").save()
    refused("lot_unit_is_known", changed(Lot, code="I2", unit="kg").save)
    refused("lot_unit_fits_its_kind", changed(Lot, code="I3", kind="leaf", unit="g").save)


def test_a_pack_without_a_weight_is_no_pack(farm: Farm) -> None:
    """Nothing compared with a number is neither true nor false, and a CHECK lets that pass."""
    farm.pack([farm.cut(1000)], packs=8)
    changed(Lot, code="P1", grams_each=80).save()
    refused("only_packs_have_grams_each", changed(Lot, code="P2", grams_each=None).save)


def test_a_product_is_packed_or_loose(farm: Farm) -> None:
    facts: dict[str, Any] = {"code": "X", "name": "X"}
    refused("product_is_packed_or_loose", Product.objects.create, **facts)
    both = {"nominal_g": 80, "loose_crop": farm.mustard}
    refused("product_is_packed_or_loose", Product.objects.create, **facts, **both)
    Product.objects.create(**facts, nominal_g=80)


def test_a_place_is_of_a_known_kind(farm: Farm) -> None:
    refused("place_kind_is_known", Place.objects.create, name="Moon", kind="moon")


def test_a_place_is_treated_once_by_a_treatment(farm: Farm) -> None:
    farm.tell("treat", item=farm.soap, places=[farm.bench], reason="aphid")
    row = TreatedPlace.objects.get()
    TreatedPlace.objects.create(lot=row.lot, place=farm.t1)
    refused(
        "a_place_is_treated_once_by_a_treatment",
        TreatedPlace.objects.create,
        lot=row.lot,
        place=farm.t1,
    )
    site = farm.t2.sites.all()[0]
    TreatedPlace.objects.create(lot=row.lot, place=farm.t2, site=site)
    TreatedPlace.objects.create(lot=row.lot, place=farm.t2, site=farm.t2.sites.all()[1])
    again = {"lot": row.lot, "place": farm.t2, "site": site}
    refused("a_site_is_treated_once_by_a_treatment", TreatedPlace.objects.create, **again)


# --- what there is once -------------------------------------------------------------------------


def test_there_is_one_compost_whatever_it_is_called(farm: Farm) -> None:
    second = {"name": "Second heap", "kind": PlaceKind.COMPOST}
    refused("one_place_of_a_kind_that_all_have", Place.objects.create, **second)
    Place.objects.filter(kind=PlaceKind.COMPOST).update(name="The heap behind the tent")
    call_command("migrate", verbosity=0)  # makes what is missing, and nothing is
    assert Place.objects.get(kind=PlaceKind.COMPOST).name == "The heap behind the tent"


def test_a_database_has_one_business(db: None) -> None:
    Business.objects.create(name="Hollin Farm")
    with pytest.raises(IntegrityError), transaction.atomic():
        Business.objects.create(name="Another farm")
    refused("a_database_has_one_business", Business.objects.create, id=2, name="Another farm")
    Business.objects.update(name="Hollin Hill Farm")
    assert Business.the().name == "Hollin Hill Farm"


def test_an_outlet_has_one_lorry_whatever_other_places_are_called(farm: Farm) -> None:
    """A store that already has the name, and a name as long as a name can be."""
    farm.place("On the way to Kitchen", PlaceKind.STORE)
    lorry = farm.side(farm.kitchen, PlaceKind.TRANSIT)
    assert lorry.name == "On the way to Kitchen (2)"
    assert farm.side(farm.kitchen, PlaceKind.TRANSIT) == lorry
    refused(
        "one_place_of_a_kind_beside_an_outlet",
        Place.objects.create,
        name="Other lorry",
        kind=PlaceKind.TRANSIT,
        belongs_to=farm.kitchen_place,
    )
    names = ["The tea room in the old station at Hollin Halt, up the stairs"[:59] + x for x in "ab"]
    places = [
        side_place(Outlet.objects.create(place=farm.place(name, PlaceKind.BUYER)).place, "transit")
        for name in names
    ]
    assert len({p.name for p in places}) == 2
    assert all(len(p.name) <= 60 for p in places)


# --- what is fixed ------------------------------------------------------------------------------


def test_the_kind_of_a_place_is_fixed_once_something_was_there(farm: Farm) -> None:
    farm.cut(900)
    farm.tell("fill", tank=farm.tank)
    call = Place.objects.filter(name="Packing bench").update
    call(kind="store")  # nothing was ever there
    for name in ("Cold store", "Growth", "Reservoir"):
        refused("place_kind_is_fixed", Place.objects.filter(name=name).update, kind="tent")
        Place.objects.filter(name=name).update(name=f"{name}, north")


def test_the_zone_is_fixed_once_something_was_told(farm: Farm) -> None:
    """Days are copied onto movements and would shift; naming the business late shifts none."""
    farm.cut(900)
    refused("zone_is_fixed", Business.objects.create, zone="Pacific/Auckland")
    row = Business.objects.create(name="Hollin Farm")
    refused("zone_is_fixed", Business.objects.update, zone="Pacific/Auckland")
    refused("zone_is_fixed", row.delete)
    Business.objects.update(name="Hollin Hill Farm")
    with triggers.lifted():
        Business.objects.update(zone="Pacific/Auckland")


def test_before_anything_was_told_the_zone_is_open(db: None) -> None:
    row = Business.objects.create(zone="Pacific/Auckland")
    row.zone = "Europe/Berlin"
    row.save()
    row.delete()


def test_a_place_that_every_business_has_is_called_as_it_is_called_now(farm: Farm) -> None:
    """Another worker renamed it; this one has met it before."""
    assert str(the("compost")) == "Compost"
    with connection.cursor() as cursor:
        cursor.execute("UPDATE grow_place SET name = 'The heap' WHERE kind = 'compost'")
    assert str(the("compost")) == "The heap"
    assert (the("compost").is_end, the("compost").pk) == (True, the("compost").pk)
