"""The sums agree with the movements whatever is swept when, and whatever is corrected since."""

from __future__ import annotations

from collections import Counter

import pytest
from django.db import connection

from grow import sums
from grow.models import Crop, CropShare, Delta, Lineage, Lot, Movement, Variety
from grow.operations import Crate
from tests.farm import Farm

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    farm = Farm()
    farm.bag.allergens = "mustard"
    farm.bag.save()
    return farm


def grown(farm: Farm, grams: int, variety: Variety) -> Lot:
    return farm.cut(grams, farm.sow(20, variety))


def salad(farm: Farm) -> tuple[Lot, Lot, Lot]:
    """A green crate, a red crate, and 20 mixed bags from them."""
    green = grown(farm, 3000, farm.green)
    red = grown(farm, 1000, farm.red)
    farm.pass_time(hours=1)
    run = farm.pack([green, red], packs=20, left=500)
    return green, red, run


def flows(reading: Counter) -> dict[str, int]:
    """Grams by "crop name: from → to", days and acts apart added up."""
    names = dict(Crop.objects.values_list("pk", "name"))
    out: Counter[str] = Counter()
    for cell, quantity in reading.items():
        out[f"{names.get(cell.crop)}: {cell.from_kind} → {cell.to_kind}"] += quantity
    return {key: quantity for key, quantity in out.items() if quantity}


def standing(flows: dict[str, int]) -> dict[tuple[str, str], int]:
    """(crop name, kind of place) → what is there by these flows."""
    net: Counter[tuple[str, str]] = Counter()
    for key, quantity in flows.items():
        crop, way = key.split(": ")
        start, end = way.split(" → ")
        net[crop, start] -= quantity
        net[crop, end] += quantity
    return {key: quantity for key, quantity in net.items() if quantity}


def by_plain_sql() -> dict[tuple, int]:
    """What the movements say of all crops together: (day, lot kind, from, to) → grams or cells."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT m.day, l.kind, a.kind, b.kind, SUM(m.quantity * COALESCE(l.grams_each, 1)) "
            "FROM grow_movement m JOIN grow_lot l ON l.id = m.lot_id "
            "JOIN grow_place a ON a.id = m.from_place_id JOIN grow_place b ON b.id = m.to_place_id "
            "GROUP BY m.day, l.kind, a.kind, b.kind"
        )
        return {tuple(row[:4]): int(row[4]) for row in cursor.fetchall()}


def of_all_crops(reading: Counter) -> dict[tuple, int]:
    out: Counter[tuple] = Counter()
    for cell, quantity in reading.items():
        out[cell.day, cell.lot_kind, cell.from_kind, cell.to_kind] += quantity
    return {key: quantity for key, quantity in out.items() if quantity}


def test_a_mixed_run_is_shared_to_crops_by_what_went_in(farm):
    """2500 g of lettuce and 500 g of mustard at the line; 20 × 120 g, 500 g trim on 3000 in:
    a sixth of every gram is mustard."""
    _, _, run = salad(farm)
    farm.to_shop(run, 6)
    farm.till(4)
    want = {
        "Loose-leaf lettuce: packing → store": 2000,
        "Red mustard: packing → store": 400,
        "Loose-leaf lettuce: store → shop": 600,
        "Red mustard: store → shop": 120,
        "Loose-leaf lettuce: shop → sold": 400,
        "Red mustard: shop → sold": 80,
        "Loose-leaf lettuce: store → used": 2000,
        "Red mustard: store → used": 400,
    }
    live = flows(sums.reading())
    assert {key: live[key] for key in want} == want
    sums.sweep()
    assert flows(sums.reading()) == live
    assert of_all_crops(sums.reading()) == by_plain_sql()
    assert sums.sums_faults() == []


def test_swept_at_once_in_steps_or_never_the_reading_is_the_same(farm):
    _, _, run = salad(farm)
    never = sums.reading()
    assert sums.sweep() == Movement.objects.count()
    assert sums.reading() == never
    assert sums.sweep() == 0
    farm.pass_time(days=1)
    farm.to_shop(run, 10)
    farm.till(7)
    farm.tell("count", place=farm.shop_place, counted={run: 2}, closing=True)
    in_steps = sums.reading()
    Delta.objects.all().delete()
    CropShare.objects.all().delete()
    assert sums.reading() == in_steps
    assert of_all_crops(in_steps) == by_plain_sql()
    today = sums.reading(farm.today, farm.today)
    assert {cell.day for cell in today} == {20260303}
    assert sum(today.values()) == sum(q for c, q in in_steps.items() if c.day == 20260303)


@pytest.mark.parametrize("swept", [False, True])
def test_a_corrected_origin_moves_swept_grams_to_the_right_crop(farm, swept):
    """The red crate was a second green one: every row of the run, swept long ago, is lettuce."""
    _, red, run = salad(farm)
    other = grown(farm, 1000, farm.green)
    farm.pass_time(hours=1)
    farm.to_shop(run, 6)
    if swept:
        sums.sweep()
    farm.tell("correct_origin", lot=run, wrong=red, right=other, reason="wrong crate")
    reading = flows(sums.reading())
    assert reading["Loose-leaf lettuce: packing → store"] == 2400
    assert reading["Loose-leaf lettuce: store → shop"] == 720
    assert "Red mustard: packing → store" not in reading
    assert sums.sums_faults() == []
    sums.sweep()
    assert flows(sums.reading()) == reading
    assert sums.sums_faults() == []


@pytest.mark.parametrize("swept", [False, True])
def test_a_cut_put_down_to_the_wrong_tower_changes_its_crop_and_its_bags(farm, swept):
    _, red, _ = salad(farm)
    red_batch = red.above.get(kind=Lineage.Kind.GREW).parent
    green_batch = Lot.objects.filter(kind="batch").exclude(pk=red_batch.pk).get()
    if swept:
        sums.sweep()
    farm.tell("correct_origin", lot=red, wrong=red_batch, right=green_batch, reason="wrong tower")
    reading = flows(sums.reading())
    assert reading["Loose-leaf lettuce: growth → store"] == 4000
    assert reading["Loose-leaf lettuce: packing → store"] == 2400
    assert "Red mustard: growth → store" not in reading
    sums.sweep()
    assert flows(sums.reading()) == reading
    assert sums.sums_faults() == []


def test_a_corrected_origin_of_the_same_crop_is_no_fault_until_the_next_sweep(farm):
    crate, other = grown(farm, 3000, farm.green), grown(farm, 900, farm.green)
    farm.pass_time(hours=1)
    run = farm.pack([crate], packs=20, left=500)
    sums.sweep()
    farm.tell("correct_origin", lot=run, wrong=crate, right=other, reason="wrong crate")
    assert sums.sums_faults() == []
    sums.sweep()
    assert sums.sums_faults() == []


def test_a_corrected_origin_that_is_cancelled_gives_the_grams_back(farm):
    _, red, _ = salad(farm)
    red_batch = red.above.get(kind=Lineage.Kind.GREW).parent
    green_batch = Lot.objects.filter(kind="batch").exclude(pk=red_batch.pk).get()
    as_cut = flows(sums.reading())
    fix = farm.tell(
        "correct_origin", lot=red, wrong=red_batch, right=green_batch, reason="wrong tower"
    )
    sums.sweep()
    assert flows(sums.reading()) != as_cut
    farm.tell("cancel", event=fix, reason="it was the right tower")
    assert flows(sums.reading()) == as_cut
    sums.sweep()
    assert flows(sums.reading()) == as_cut
    assert sums.sums_faults() == []


@pytest.mark.parametrize("swept", [False, True])
def test_a_cancelled_run_leaves_nothing_of_any_crop(farm, swept):
    green = grown(farm, 3000, farm.green)
    red = grown(farm, 1000, farm.red)
    farm.pass_time(hours=1)
    before = flows(sums.reading())
    run = farm.pack([green, red], packs=20, left=500)
    if swept:
        sums.sweep()
    farm.tell("cancel", event=run.made_by, reason="told twice")
    sums.sweep()
    reading = flows(sums.reading())
    assert standing(reading) == standing(before)
    assert sums.sums_faults() == []


def test_corrections_count_under_the_act_that_they_correct(farm):
    crate = farm.cut(12000)
    farm.pass_time(minutes=5)
    farm.tell("correct_weight", lot=crate, right=1200, reason="12.0 for 1.20")
    kinds = {(c.event_kind, c.from_kind, c.to_kind): q for c, q in sums.reading().items()}
    assert kinds == {
        ("harvest", "growth", "store"): 12000,
        ("harvest", "store", "growth"): 10800,
    }


def test_faults_name_a_delta_that_was_tampered_with_and_a_share_that_is_wrong(farm):
    salad(farm)
    sums.sweep()
    assert sums.sums_faults() == []
    delta = Delta.objects.filter(from_kind="growth", to_kind="store", quantity=3000)
    delta.update(quantity=2999)
    (fault,) = sums.sums_faults()
    assert "Loose-leaf lettuce" in fault
    assert "say 2999 g; the movements say 3000" in fault
    Delta.objects.filter(quantity=2999).update(quantity=3000)
    share = CropShare.objects.get(crop=farm.mustard)
    CropShare.objects.filter(pk=share.pk).update(grams=share.grams + 100)
    assert any("otherwise than by what went into it" in fault for fault in sums.sums_faults())


def test_a_movement_beneath_the_mark_is_never_passed_over(farm):
    """Crates of one cut, tagged or not, are each in the sums once."""
    farm.tell(
        "harvest", crates=[Crate(2000), Crate(1500, 500)], crop=farm.lettuce, store=farm.store
    )
    sums.sweep()
    farm.cut(700)
    sums.sweep()
    assert sorted(Delta.objects.values_list("quantity", flat=True)) == [700, 3000]
    assert flows(sums.reading()) == {"Loose-leaf lettuce: growth → store": 3700}
