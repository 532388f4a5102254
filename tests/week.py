"""The weeks of a small farm that the figures' tests are about, told through the operations."""

from __future__ import annotations

import datetime as dt

from analytics.models import StandardUse, TimedDay
from analytics.period import Period
from analytics.rates import set_rate
from grow import clock, sums
from grow.models import Crop, Item, Lot, PlaceKind, Variety
from sales.models import Outlet
from tests.farm import Farm, Taken

FIRST = dt.date(2026, 3, 2)
WEEK = Period(FIRST, dt.date(2026, 3, 8))
RATES = {
    "seed": "2.5",
    "medium": "2.2",
    "pot": "0.3",
    "light": "0.22",
    "nutrient": "11",
    "water": "8",
    "sow_minutes": "8",
    "plant_minutes": "0.30",
    "clear_minutes": "0.35",
    "cut_minutes": "13",
    "wash_minutes": "4",
    "pack_minutes": "1.0",
    "wage": "1398.1",
}


def figures_farm() -> Farm:
    """A farm whose mixed bag may hold mustard, with a shop share and a basis for the kitchen."""
    farm = Farm()
    farm.bag.allergens = "mustard"
    farm.bag.save()
    Outlet.objects.filter(pk=farm.shop.pk).update(shop_share_pct=32)
    Outlet.objects.filter(pk=farm.kitchen.pk).update(price_basis="what an outsider pays")
    for outlet in (farm.shop, farm.kitchen):
        outlet.refresh_from_db()
    return farm


def rated(since: dt.date = dt.date(2020, 1, 1)) -> None:
    for what, amount in RATES.items():
        set_rate(what, amount, since, "the test's own")


def a_week(farm: Farm) -> dict[str, Lot]:
    """Monday to Sunday: 84 cells of lettuce and 20 of mustard sown on a lit shelf, planted,
    cut, packed into mixed bags, sold, sent, thrown; one tower cleared."""
    shelf = farm.place("Shelf 1", PlaceKind.SHELF, within=farm.greenhouse)
    green = farm.sow(84, place=shelf)
    red = farm.sow(20, farm.red, place=shelf)
    farm.pass_time(days=1)
    farm.tell("check_germination", batch=green, place=shelf, not_up=24)
    farm.plant(green, farm.t1, 40, from_place=shelf)
    farm.plant(red, farm.t2, 20, from_place=shelf)
    farm.pass_time(days=1)
    farm.tell("lose_plants", batch=green, place=farm.t1, plants=4, reason="slug")
    crate = farm.cut(3000, green, grade_out_g=200)
    frill = farm.cut(1000, red)
    farm.pass_time(hours=1)
    run = farm.pack([crate, frill], packs=25, left=300, washed=True, giveaway_g=40)
    farm.to_shop(run, 15)
    note = farm.send(run, 8)
    farm.pass_time(hours=1)
    farm.arrive(note, run, 6, short=1, rejected=1)
    farm.pass_time(hours=4)
    farm.till(10)
    farm.tell(
        "discard",
        lot=run,
        from_place=farm.shop_place,
        to="donated",
        quantity=2,
        reason="surplus",
        recipient="Larkfield pantry",
    )
    farm.pass_time(hours=1)
    farm.tell("use", lot=run, place=farm.kitchen_place, quantity=5)
    farm.tell("count", place=farm.shop_place, counted={run: 2}, closing=True)
    farm.pass_time(days=1)
    farm.tell("clear", batch=red, why="no order", left="full", uncut_g=450)
    farm.now = dt.datetime(2026, 3, 9, 8, tzinfo=dt.UTC)
    clock.play(farm.now)
    return {"green": green, "red": red, "crate": crate, "frill": frill, "run": run}


def bought(farm: Farm, item: Item, quantity: int, pence: int | None, unit: str = "each") -> Lot:
    """A receipt that is opened at once where it is used."""
    told = {"item": item, "supplier": farm.supplier, "place": farm.store, "unit": unit}
    lot = farm.tell("receive_input", quantity=quantity, paid_pence=pence, **told).lot
    place = farm.line if item.kind == "packaging" else farm.greenhouse
    farm.tell("open_input", lot=lot, place=place)
    return lot


def receipted(farm: Farm, since: dt.date = dt.date(2020, 1, 1)) -> dict[str, Lot]:
    """Receipts in use with their standard use: 2 seeds and a plug a cell, 2 ml of nutrient a litre
    at 30 litres a kg, a bag and a label a pack. A second packet lacks what was paid for it."""
    told = {"since": since, "source": "the test's own"}
    out = {}
    for name, kind, unit, quantity, pence, use in (
        ("Green loose-leaf seed", "seed", "each", 1000, 1100, "2"),
        ("Plugs", "medium", "each", 500, 900, "1"),
        ("Nutrient", "nutrient", "ml", 5000, 1600, "2"),
        ("Bags", "packaging", "each", 500, 2600, "1"),
        ("Labels", "packaging", "each", 400, 1100, "1"),
    ):
        item, _ = Item.objects.get_or_create(name=name, defaults={"kind": kind})
        StandardUse.objects.create(item=item, amount=use, unit=unit, **told)
        out[name] = bought(farm, item, quantity, pence, unit)
    frill = Item.objects.create(name="Red frills seed", kind="seed", variety=farm.red)
    StandardUse.objects.create(item=frill, amount="3", **told)
    out["Red frills seed"] = bought(farm, frill, 1000, None)
    set_rate("litres", "30", since, "the test's own")
    return out


def messy(farm: Farm) -> Period:
    """A week with everything that goes wrong: weights and origins corrected, runs cancelled, bags
    reworked and brought back, a till beyond the books, a crate of two sowings, a till replaced.
    Receipts in use, of which one lacks its price, a timed day, and a share that changes."""
    rated()
    receipted(farm)
    for what, amount in (("lamp_watts", "0.6"), ("lamp_hours", "15"), ("electricity", "26")):
        set_rate(what, amount, dt.date(2020, 1, 1), "the test's own")
    set_rate("shop_share", "33.5", FIRST + dt.timedelta(days=5), "the test's own", outlet=farm.shop)
    lots = a_week(farm)
    TimedDay.objects.create(day=dt.date(2026, 3, 4), minutes="152.5", timed_by=farm.grower)
    other = Crop.objects.create(name="Mizuna")
    mizuna = farm.sow(30, Variety.objects.create(crop=other, name="Fretted"))
    second = farm.sow(30)
    farm.plant(mizuna, farm.t3, 8)
    farm.plant(second, farm.t1, 10)
    farm.pass_time(days=3)
    shared = farm.cut(1777, batches=[lots["green"], second])
    leaf = farm.cut(12000, mizuna)
    red_crate = farm.cut(2640, crop=farm.mustard)
    farm.pass_time(hours=1)
    run = farm.pack([shared, leaf], packs=31, left=400)
    farm.tell("correct_weight", lot=leaf, right=2400, reason="12.0 for 1.20")
    farm.tell("correct_weight", lot=run, right=30, reason="one too many")
    farm.pass_time(hours=1)
    wrong = farm.pack([shared, leaf], packs=2, left=0)
    farm.tell("cancel", event=wrong.made_by, reason="told twice")
    farm.pass_time(hours=1)
    again = farm.tell(
        "rework",
        product=farm.bag,
        taken=[Taken(run, farm.store, used=5)],
        packs=4,
        store=farm.store,
        line=farm.line,
    ).lot
    box = farm.tell(
        "receive_produce",
        crop=farm.lettuce,
        supplier=farm.supplier,
        place=farm.store,
        grams=800,
        paid_pence=430,
    ).lot
    resale = farm.pack([box], packs=6, samples_g=30, moisture_g=8)
    sums.sweep()
    farm.pass_time(hours=2)
    farm.to_shop(run, 12)
    farm.to_shop(again, 4)
    farm.to_shop(resale, 6)
    farm.till(25)
    farm.tell(
        "return_goods", lot=run, outlet=farm.shop, quantity=1, reason="wilted", from_customer=True
    )
    farm.tell(
        "discard", lot=run, from_place=farm.store, to="sample", quantity=1, reason="laboratory"
    )
    note = farm.send(leaf, 300)
    farm.pass_time(hours=1)
    farm.arrive(note, leaf, 310)
    farm.tell("correct_origin", lot=run, wrong=shared, right=red_crate, reason="wrong crate")
    farm.tell("count", place=farm.store, counted={leaf: 15}, closing=False)
    farm.pass_time(days=1)
    return Period(FIRST, farm.today)
