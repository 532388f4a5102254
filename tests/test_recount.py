"""What touched what, worked out by hand from the rules of touch, told as stories.

Each story ends in a table, one row a lot with all that touched it. The ledger's edges and the
independent recount must both be that table: none missing, none too many.
"""

import datetime as dt

import pytest

from grow.models import Item, Lineage, Lot, PlantSite, Variety
from tests.farm import START, Crate, Farm
from tests.recount import touched_edges, went_in_and_grew

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return Farm()


def day(number: float) -> dt.datetime:
    """So many days after the first, at eight in the morning."""
    return START + dt.timedelta(days=number)


def go(farm: Farm, number: float) -> None:
    farm.pass_time(days=(day(number) - farm.now) / dt.timedelta(days=1))


def touched(table: str, **lots: Lot) -> None:
    """Rows: lot | all that touched it, with commas between. Lots in no row have no edge."""
    names = {lot.pk: name for name, lot in lots.items()}
    want = set()
    for row in table.strip().splitlines():
        child, parents = row.split("|")
        want |= {(parent.strip(), child.strip()) for parent in parents.split(",")}
    edges = Lineage.objects.filter(kind="touched").select_related("child")
    assert {(names[e.parent_id], names[e.child_id]) for e in edges} == want
    assert {(names[p], names[c]) for p, c in touched_edges()} == want
    assert all(e.event_id == e.child.made_by_id for e in edges)
    # the other two kinds, while the books are at hand
    went_in, grew = went_in_and_grew()
    assert went_in == _sums("went_in", lambda e: (e.parent_id, e.child_id))
    assert grew == _sums("grew", lambda e: e.child_id)


def _sums(kind: str, key) -> dict:
    sums: dict = {}
    for e in Lineage.objects.filter(kind=kind, struck_by=None):
        sums[key(e)] = sums.get(key(e), 0) + e.quantity
    return {k: n for k, n in sums.items() if n}


def fed(farm: Farm) -> None:
    """The bench tank floods Bench 1; the reservoir feeds T1."""
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.bench])
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])


def water(farm: Farm, verb: str = "fill", tank=None, **more) -> Lot:
    return farm.tell(verb, tank=tank or farm.tank, **more).lot


def spray(farm: Farm, *places, **more) -> Lot:
    """Without an interval, so that nothing is held."""
    return farm.tell("treat", places=list(places), reason="aphids", **more).lot


def bought(farm: Farm, name: str, kind: str) -> Lot:
    item = Item.objects.create(name=name, kind=kind)
    return farm.tell("receive_input", item=item, supplier=farm.supplier, place=farm.store).lot


# --- water ------------------------------------------------------------------------------------


def test_the_benchs_flood_water_before_the_tower(farm: Farm) -> None:
    fed(farm)
    bench_water, tower_water = water(farm, tank=farm.bench_tank), water(farm)
    batch = farm.sow(60)
    go(farm, 21)
    farm.plant(batch, farm.t1, 50)
    go(farm, 22)
    # ten plugs are left on the bench, but what was cut did not stand among them any more
    later_bench_water = water(farm, "top_up", farm.bench_tank)
    go(farm, 42)
    cut = farm.cut(2000, batch)
    touched(
        """
        later_bench_water | bench_water
        cut               | bench_water, tower_water
        """,
        bench_water=bench_water,
        tower_water=tower_water,
        later_bench_water=later_bench_water,
        cut=cut,
        batch=batch,
    )


def test_top_ups_carry_the_earlier_water_over(farm: Farm) -> None:
    fed(farm)
    w1 = water(farm)
    batch = farm.sow(60)
    go(farm, 5)
    w2 = water(farm, "top_up")
    go(farm, 7)
    farm.plant(batch, farm.t1, 50)
    go(farm, 10)
    w3 = water(farm, "dose")
    go(farm, 12)
    cut = farm.cut(1000, batch)
    go(farm, 13)
    w4 = water(farm)  # a fill without a clean is a top-up, whatever it is called
    touched(
        """
        w2  | w1
        w3  | w2
        w4  | w3
        cut | w3
        """,
        w1=w1,
        w2=w2,
        w3=w3,
        w4=w4,
        cut=cut,
        batch=batch,
    )


def test_only_a_drain_and_clean_breaks_the_chain(farm: Farm) -> None:
    fed(farm)
    w1 = water(farm)
    batch = farm.sow(60)
    go(farm, 7)
    farm.plant(batch, farm.t1, 50)
    go(farm, 10)
    farm.tell("drain_and_clean", tank=farm.tank)
    go(farm, 10.1)
    w2 = water(farm)
    go(farm, 12)
    first = farm.cut(1000, batch)
    go(farm, 14)
    w3 = water(farm, "top_up")
    go(farm, 20)
    second = farm.cut(1000, batch)
    touched(
        """
        w3     | w2
        first  | w1, w2
        second | w1, w3
        """,
        w1=w1,
        w2=w2,
        w3=w3,
        first=first,
        second=second,
        batch=batch,
    )


def test_between_a_drain_and_the_next_fill_the_tank_is_empty(farm: Farm) -> None:
    fed(farm)
    w1 = water(farm)
    go(farm, 3)
    farm.tell("drain_and_clean", tank=farm.tank)
    go(farm, 4)
    batch = farm.sow(20)
    farm.plant(batch, farm.t1, 20)
    go(farm, 5)
    dry = farm.cut(500, batch)
    go(farm, 6)
    w2 = water(farm)
    go(farm, 7)
    wet = farm.cut(500, batch)
    touched("wet | w2", w1=w1, w2=w2, dry=dry, wet=wet, batch=batch)


def test_a_fill_told_late_falls_between_two_others(farm: Farm) -> None:
    fed(farm)
    w1 = water(farm)
    batch = farm.sow(60)
    farm.plant(batch, farm.t1, 50)
    go(farm, 3)
    first = farm.cut(1000, batch)
    go(farm, 7)
    second = farm.cut(1000, batch)
    go(farm, 10)
    w3 = water(farm, "top_up")
    go(farm, 12)
    third = farm.cut(1000, batch)
    lots = {"w1": w1, "w3": w3, "first": first, "second": second, "third": third, "batch": batch}
    touched(
        """
        w3     | w1
        first  | w1
        second | w1
        third  | w3
        """,
        **lots,
    )
    w2 = water(farm, "top_up", at=day(5))
    touched(
        """
        w2     | w1
        w3     | w2
        first  | w1
        second | w2
        third  | w3
        """,
        w2=w2,
        **lots,
    )


def test_a_drain_told_late_cuts_the_chain_where_it_was(farm: Farm) -> None:
    fed(farm)
    w1 = water(farm)
    batch = farm.sow(60)
    farm.plant(batch, farm.t1, 50)
    go(farm, 5)
    w2 = water(farm, "top_up")
    go(farm, 7)
    cut = farm.cut(1000, batch)
    lots = {"w1": w1, "w2": w2, "cut": cut, "batch": batch}
    touched("w2 | w1\ncut | w2", **lots)
    farm.tell("drain_and_clean", tank=farm.tank, at=day(4))
    touched("cut | w1, w2", **lots)


def test_one_tank_for_bench_and_tower_touches_by_its_last_water_alone(farm: Farm) -> None:
    farm.tell("feed", tank=farm.tank, begins=[farm.bench, farm.t1])
    w1 = water(farm)
    batch = farm.sow(50)
    go(farm, 7)
    farm.plant(batch, farm.t1, 50)
    go(farm, 8)
    w2 = water(farm, "top_up")
    go(farm, 9)
    cut = farm.cut(1000, batch)
    touched("w2 | w1\ncut | w2", w1=w1, w2=w2, cut=cut, batch=batch)


def test_a_chain_that_came_and_went_while_they_stood_elsewhere(farm: Farm) -> None:
    farm.tell("feed", tank=farm.tank, begins=[farm.bench, farm.t1])
    lots = {"w1": water(farm)}
    batch = lots["batch"] = farm.sow(20)
    go(farm, 5)
    _to_bench2(farm, batch, 20)  # dry
    for number, name in ((8, "w2"), (15, "w3")):
        go(farm, number - 1)
        farm.tell("drain_and_clean", tank=farm.tank)
        go(farm, number)
        lots[name] = water(farm)
    go(farm, 20)
    farm.plant(batch, farm.t1, 20, from_place=farm.bench2)
    go(farm, 25)
    touched("cut | w1, w3", cut=farm.cut(500, batch), **lots)


def test_plumbed_anew_in_july_does_not_rewrite_june(farm: Farm) -> None:
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    old, new = water(farm), water(farm, tank=farm.bench_tank)
    batch = farm.sow(60)
    go(farm, 91)  # 1 June
    farm.plant(batch, farm.t1, 50)
    go(farm, 111)
    june = farm.cut(1000, batch)
    go(farm, 125)
    farm.tell("feed", tank=farm.tank, ends=[farm.t1])
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.t1])
    go(farm, 126)
    old_topped = water(farm, "top_up")
    go(farm, 131)
    july = farm.cut(1000, batch)
    lots = {"old": old, "new": new, "old_topped": old_topped}
    lots |= {"june": june, "july": july, "batch": batch}
    touched(
        """
        old_topped | old
        june       | old
        july       | old, new
        """,
        **lots,
    )


def test_a_feed_told_late_and_one_cancelled(farm: Farm) -> None:
    w = water(farm)
    batch = farm.sow(60)
    farm.plant(batch, farm.t1, 50)
    go(farm, 20)
    cut = farm.cut(1000, batch)
    lots = {"w": w, "batch": batch, "cut": cut}
    touched("", **lots)
    begun = farm.tell("feed", tank=farm.tank, begins=[farm.t1], at=day(5))
    touched("cut | w", **lots)
    ended = farm.tell("feed", tank=farm.tank, ends=[farm.t1], at=day(6))
    touched("cut | w", **lots)
    farm.tell("cancel", event=ended, reason="the hose is still there")
    touched("cut | w", **lots)
    farm.tell("cancel", event=begun, reason="the other tank")
    touched("", **lots)


def test_a_humidifier_in_a_tent_around_its_benches(farm: Farm) -> None:
    shelf = farm.place("Tent shelf", "bench", within=farm.tent)
    humidifier = farm.place("Humidifier", "tank")
    farm.tell("feed", tank=humidifier, begins=[farm.tent])
    h1 = water(farm, tank=humidifier)
    on_shelf = farm.sow(30, place=shelf)
    in_tent = farm.sow(30, place=farm.tent)
    outside = farm.sow(30)
    go(farm, 3)
    tent_spray, shelf_spray = spray(farm, farm.tent), spray(farm, shelf)
    go(farm, 5)
    farm.tell("move_plants", batch=on_shelf, from_place=shelf, to_place=farm.bench, plants=30)
    go(farm, 6)
    h2 = water(farm, "top_up", humidifier)
    go(farm, 9)
    lots = {"a": on_shelf, "b": in_tent, "c": outside, "h1": h1, "h2": h2}
    cuts = {
        "from_shelf": farm.cut(300, on_shelf),
        "from_tent": farm.cut(300, in_tent),
        "from_bench": farm.cut(300, outside),
    }
    touched(
        """
        h2         | h1
        from_shelf | h1, tent_spray, shelf_spray
        from_tent  | h2, tent_spray
        """,
        tent_spray=tent_spray,
        shelf_spray=shelf_spray,
        **lots,
        **cuts,
    )


def test_a_cancelled_fill_never_was(farm: Farm) -> None:
    fed(farm)
    w1 = water(farm)
    batch = farm.sow(60)
    farm.plant(batch, farm.t1, 50)
    go(farm, 2)
    wrong = farm.tell("fill", tank=farm.tank)
    go(farm, 4)
    cut = farm.cut(1000, batch)
    go(farm, 6)
    w3 = water(farm, "top_up")
    lots = {"w1": w1, "w2": wrong.lot, "w3": w3, "batch": batch, "cut": cut}
    touched(
        """
        w2  | w1
        w3  | w2
        cut | w2
        """,
        **lots,
    )
    farm.tell("cancel", event=wrong, reason="another tank")
    touched(
        """
        w3  | w1
        cut | w1
        """,
        **lots,
    )


def test_a_fill_of_an_unknown_hour_reaches_over_its_whole_day(farm: Farm) -> None:
    """Told for the sixth day with no hour: the cut of 17:00 may have had either water, as may
    the one of 07:00."""
    fed(farm)
    batch = farm.sow(60)
    w1 = water(farm)
    farm.plant(batch, farm.t1, 50)
    go(farm, 6 - 1 / 24)
    farm.tell("drain_and_clean", tank=farm.tank, on=day(6).date())
    early = farm.cut(500, batch)
    go(farm, 6 + 9 / 24)
    w2 = water(farm, "fill", on=day(6).date())
    late = farm.cut(500, batch)
    newcomer = farm.sow(10)
    farm.plant(newcomer, sites=_free(farm)[:10])
    go(farm, 8)
    new = farm.cut(500, newcomer)
    touched(
        """
        early | w1, w2
        late  | w1, w2
        new   | w1, w2
        """,
        w1=w1,
        w2=w2,
        early=early,
        late=late,
        new=new,
        batch=batch,
        newcomer=newcomer,
    )


def _free(farm: Farm) -> list[PlantSite]:
    farm.t4 = farm.tower("T4", tiers=2, round_=6)
    farm.tell("feed", tank=farm.tank, begins=[farm.t4])
    return list(PlantSite.objects.filter(tower=farm.t4))


# --- the line and its wash tank ---------------------------------------------------------------


def test_a_run_and_the_wash_tank_that_it_used(farm: Farm) -> None:
    crates = [farm.cut(700) for _ in range(5)]
    w1 = water(farm, tank=farm.wash_tank)
    go(farm, 0.1)
    run1 = farm.pack(crates[:1], 5, tanks=[farm.wash_tank])
    go(farm, 0.2)
    farm.tell("drain_and_clean", tank=farm.wash_tank)
    go(farm, 0.3)
    w2 = water(farm, tank=farm.wash_tank)
    go(farm, 0.4)
    run2 = farm.pack(crates[1:2], 5, tanks=[farm.wash_tank])
    go(farm, 0.5)
    w3 = water(farm, "top_up", farm.wash_tank)
    go(farm, 0.6)
    run3 = farm.pack(crates[2:3], 5, tanks=[farm.wash_tank], began_at=day(0.45))
    run4 = farm.pack(crates[3:4], 5, tanks=[farm.wash_tank], began_at=day(0.15))
    dry = farm.pack(crates[4:], 5)
    lots = {f"crate{i}": c for i, c in enumerate(crates)}
    touched(
        """
        w3   | w2
        run1 | w1
        run2 | w2
        run3 | w3
        run4 | w1, w3
        """,
        w1=w1,
        w2=w2,
        w3=w3,
        run1=run1,
        run2=run2,
        run3=run3,
        run4=run4,
        dry=dry,
        **lots,
    )


# --- inputs -----------------------------------------------------------------------------------


def test_open_packets_gloves_and_rolls_while_they_are_in_use(farm: Farm) -> None:
    seed = farm.tell(
        "receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store
    ).lot
    plugs = bought(farm, "Plugs of peat", "medium")
    gloves = bought(farm, "Box of gloves", "hand_gear")
    knife = bought(farm, "Knife blades", "hand_gear")
    roll = bought(farm, "Roll of labels", "packaging")
    feed_salt = bought(farm, "Feed A", "nutrient")
    farm.tell("open_input", lot=plugs, place=farm.greenhouse)
    farm.tell("open_input", lot=knife, place=farm.greenhouse)
    farm.tell("open_input", lot=feed_salt, place=farm.tank)
    farm.tell("open_input", lot=plugs, place=farm.line)  # medium touches no run
    go(farm, 0.25)
    sown = farm.sow(60, seed=seed)
    elsewhere = farm.sow(60, place=farm.tent)
    dosed = water(farm, "dose", inputs=[feed_salt])
    washed = water(farm, tank=farm.wash_tank)
    farm.plant(sown, farm.t1, 50)
    crates = [farm.cut(500, sown, area=farm.greenhouse), farm.cut(500, sown, area=farm.t1)]
    shop_crate = farm.cut(500)
    before = farm.pack(crates[:1], 4)
    go(farm, 1)
    farm.tell("open_input", lot=gloves, place=farm.line)
    farm.tell("open_input", lot=roll, place=farm.line)
    go(farm, 1.1)
    during = farm.pack(crates[1:], 4, line=farm.line)
    go(farm, 1.5)
    finished = farm.tell("finish_input", lot=roll, place=farm.line)
    go(farm, 2)
    after = farm.pack([shop_crate], 4)
    lots = {"seed": seed, "plugs": plugs, "gloves": gloves, "knife": knife, "roll": roll}
    lots |= {"salt": feed_salt, "sown": sown, "elsewhere": elsewhere, "dosed": dosed}
    lots |= {"washed": washed, "c0": crates[0], "c1": crates[1], "c2": shop_crate}
    lots |= {"before": before, "during": during, "after": after}
    touched(
        """
        sown   | seed, plugs
        dosed  | salt
        c0     | knife, plugs
        c1     | knife, plugs
        during | gloves, roll
        after  | gloves
        """,
        **lots,
    )
    farm.tell("cancel", event=finished, reason="half of the roll is left")
    touched(
        """
        sown   | seed, plugs
        dosed  | salt
        c0     | knife, plugs
        c1     | knife, plugs
        during | gloves, roll
        after  | gloves, roll
        """,
        **lots,
    )


def test_opened_late_told_each_input_touches_its_own_acts_alone(farm: Farm) -> None:
    gloves = bought(farm, "Box of gloves", "hand_gear")
    medium = bought(farm, "Plugs of peat", "medium")
    go(farm, 1)
    sown = farm.sow(60)
    go(farm, 2)
    cut = farm.cut(500, sown, area=farm.greenhouse)
    lots = {"gloves": gloves, "medium": medium, "sown": sown, "cut": cut}
    touched("", **lots)
    farm.tell("open_input", lot=gloves, place=farm.greenhouse, at=day(0.5))
    touched("cut | gloves", **lots)
    farm.tell("open_input", lot=medium, place=farm.greenhouse, at=day(0.6))
    touched("sown | medium\ncut | gloves", **lots)


def test_opened_and_finished_on_days_without_an_hour(farm: Farm) -> None:
    crates = [farm.cut(500) for _ in range(4)]
    roll = bought(farm, "Roll of labels", "packaging")
    go(farm, 1 + 1 / 24)
    runs = [farm.pack(crates[:1], 4, at=day(0.6))]  # the evening before
    runs.append(farm.pack(crates[1:2], 4, at=day(1 - 6 / 24)))  # 02:00 of the day it was opened
    go(farm, 5)
    farm.tell("open_input", lot=roll, place=farm.line, on=day(1).date())
    farm.tell("finish_input", lot=roll, place=farm.line, on=day(2).date())
    runs.append(farm.pack(crates[2:3], 4, at=day(2 + 15 / 24)))  # 23:00 of the day it ended
    runs.append(farm.pack(crates[3:], 4, at=day(3 - 7.5 / 24)))  # 00:30 of the next
    touched(
        """
        run1 | roll
        run2 | roll
        """,
        roll=roll,
        **{f"run{i}": r for i, r in enumerate(runs)},
        **{f"crate{i}": c for i, c in enumerate(crates)},
    )


# --- treatments -------------------------------------------------------------------------------


def test_a_spray_of_an_unknown_hour_touches_its_whole_day(farm: Farm) -> None:
    batch = farm.sow(60)
    farm.plant(batch, farm.t1, 50)
    cuts = {}
    for name, moment in {
        "evening_before": 10 - 15 / 24,
        "same_morning": 10 - 1 / 24,
        "same_evening": 10 + 9 / 24,
        "next_morning": 11 - 1 / 24,
        "next_evening": 11 + 9 / 24,
    }.items():
        go(farm, moment)
        cuts[name] = farm.cut(500, batch)
    by_day = spray(farm, farm.t1, on=day(10).date())
    by_hour = spray(farm, farm.t1, at=day(11 + 4 / 24))
    touched(
        """
        same_morning | by_day
        same_evening | by_day
        next_morning | by_day
        next_evening | by_day, by_hour
        """,
        by_day=by_day,
        by_hour=by_hour,
        batch=batch,
        **cuts,
    )


def test_a_spray_on_one_site_touches_what_was_cut_there(farm: Farm) -> None:
    batch = farm.sow(60)
    one, two, three = PlantSite.objects.filter(tower=farm.t1)[:3]
    farm.plant(batch, sites=[one, two, three])
    go(farm, 5)
    soap = bought(farm, "Soap without interval", "cleaner")
    spot = spray(farm, farm.t1, sites=[two], product=soap)
    whole = spray(farm, farm.t2)
    go(farm, 9)
    lots = {"both": farm.cut(100, sites=[one, two]), "other": farm.cut(100, sites=[one, three])}
    touched(
        """
        spot | soap
        both | spot
        """,
        soap=soap,
        spot=spot,
        whole=whole,
        batch=batch,
        **lots,
    )


def test_a_big_plant_is_touched_on_every_site_that_it_takes(farm: Farm) -> None:
    big = Variety.objects.create(crop=farm.lettuce, name="Giant cos", sites_each=2)
    batch = farm.sow(10, big)
    head, blocked, head2, blocked2 = PlantSite.objects.filter(tower=farm.t1)[:4]
    farm.plant(batch, sites=[head, blocked, head2, blocked2])
    go(farm, 3)
    spot = spray(farm, farm.t1, sites=[blocked])
    go(farm, 5)
    lots = {"sprayed": farm.cut(400, sites=[head]), "clean": farm.cut(400, sites=[head2])}
    touched("sprayed | spot", spot=spot, batch=batch, **lots)


def test_a_cancelled_spray_touched_nothing(farm: Farm) -> None:
    batch = farm.sow(60)
    farm.plant(batch, farm.t1, 50)
    go(farm, 2)
    told = farm.tell("treat", places=[farm.t1], reason="aphids")
    go(farm, 4)
    cut = farm.cut(1000, batch)
    touched("cut | spray", spray=told.lot, cut=cut, batch=batch)
    farm.tell("cancel", event=told, reason="that was T2")
    touched("")


# --- plants that move -------------------------------------------------------------------------


def test_two_sowings_in_one_crate(farm: Farm) -> None:
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.t2])
    w1, w2 = water(farm), water(farm, tank=farm.bench_tank)
    a, b = farm.sow(30), farm.sow(30, place=farm.bench2)
    go(farm, 7)
    bench_spray = spray(farm, farm.bench2)
    farm.plant(a, farm.t1, 30)
    farm.plant(b, farm.t2, 30, from_place=farm.bench2)
    go(farm, 20)
    lots = {
        "crate": farm.cut(2000, batches=[a, b]),
        "of_a": farm.cut(1000, a),
        "of_b": farm.cut(1000, b),
    }
    touched(
        """
        crate | w1, w2, bench_spray
        of_a  | w1
        of_b  | w2, bench_spray
        """,
        w1=w1,
        w2=w2,
        bench_spray=bench_spray,
        a=a,
        b=b,
        **lots,
    )


def test_from_tower_to_bench_to_tower(farm: Farm) -> None:
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.bench2])
    w1, w2 = water(farm), water(farm, tank=farm.bench_tank)
    batch = farm.sow(20)
    go(farm, 10)
    farm.plant(batch, farm.t1, 20)
    go(farm, 12)
    spray1 = spray(farm, farm.t1)
    go(farm, 15)
    farm.tell("move_plants", batch=batch, from_place=farm.t1, to_place=farm.bench2, plants=20)
    go(farm, 16)
    w3 = water(farm, "top_up")  # T1 is empty by now
    spray2 = spray(farm, farm.t1)
    go(farm, 20)
    farm.plant(batch, farm.t2, 20, from_place=farm.bench2)
    go(farm, 22)
    spray3, w4 = spray(farm, farm.bench2), water(farm, "top_up", farm.bench_tank)
    go(farm, 23)
    spray4 = spray(farm, farm.t2)
    go(farm, 30)
    cut = farm.cut(1000, batch)
    touched(
        """
        w3  | w1
        w4  | w2
        cut | w1, w2, spray1, spray4
        """,
        w1=w1,
        w2=w2,
        w3=w3,
        w4=w4,
        spray1=spray1,
        spray2=spray2,
        spray3=spray3,
        spray4=spray4,
        batch=batch,
        cut=cut,
    )


def test_planted_on_two_towers_at_once_and_cut_on_one(farm: Farm) -> None:
    """The plants cut on T1 never stood on T2: both were planted in one act."""
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.t2])
    w1, w2 = water(farm), water(farm, tank=farm.bench_tank)
    batch = farm.sow(100)
    go(farm, 7)
    farm.tell("transplant", batch=batch, from_place=farm.bench, towers=[farm.t1, farm.t2])
    go(farm, 20)
    lots = {"of_t1": farm.cut(500, towers=[farm.t1]), "of_t2": farm.cut(500, towers=[farm.t2])}
    touched("of_t1 | w1\nof_t2 | w2", w1=w1, w2=w2, batch=batch, **lots)


def test_cut_from_the_bench_and_cut_told_after_the_clear(farm: Farm) -> None:
    fed(farm)
    w1, t1 = water(farm, tank=farm.bench_tank), water(farm)
    batch = farm.sow(30)
    go(farm, 8)
    from_bench = farm.cut(300, batch)
    go(farm, 9)
    farm.plant(batch, farm.t1, 30)
    go(farm, 20)
    farm.tell("clear", batch=batch, left="full", why="bolted")
    go(farm, 21)
    late_spray = spray(farm, farm.t1)
    told_late = farm.cut(900, towers=[farm.t1], at=day(19))
    touched(
        """
        from_bench | w1
        told_late  | w1, t1
        """,
        w1=w1,
        t1=t1,
        late_spray=late_spray,
        batch=batch,
        from_bench=from_bench,
        told_late=told_late,
    )


def test_planted_on_a_day_without_an_hour(farm: Farm) -> None:
    """Nobody knows when they left the bench, nor when they came to the tower: that day they are
    taken to have stood in both."""
    batch = farm.sow(30)
    go(farm, 7)
    lots = {
        "tower_at_dawn": spray(farm, farm.t1, at=day(7) - dt.timedelta(hours=6)),
        "tower_before": spray(farm, farm.t1, at=day(6.5)),
    }
    go(farm, 7.5)
    lots["bench_at_dusk"] = spray(farm, farm.bench)
    go(farm, 8)
    farm.plant(batch, farm.t1, 30, on=day(7).date())
    lots["bench_after"] = spray(farm, farm.bench)
    go(farm, 20)
    cut = farm.cut(900, batch)
    touched("cut | tower_at_dawn, bench_at_dusk", cut=cut, batch=batch, **lots)


def test_on_a_bench_for_a_moment_only(farm: Farm) -> None:
    """Told in one go: off Bench 1, over Bench 2, onto T1. Windows hold their ends."""
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.bench2])
    w = water(farm, tank=farm.bench_tank)
    batch = farm.sow(20)
    go(farm, 5)
    _to_bench2(farm, batch, 20)
    farm.plant(batch, farm.t1, 20, from_place=farm.bench2)
    go(farm, 9)
    cut = farm.cut(100, batch)
    touched("cut | w", w=w, batch=batch, cut=cut)


def _to_bench2(farm: Farm, batch: Lot, plants: int, **more):
    return farm.tell(
        "move_plants",
        batch=batch,
        from_place=farm.bench,
        to_place=farm.bench2,
        plants=plants,
        **more,
    )


def test_half_of_it_left_the_bench_on_a_day_without_an_hour(farm: Farm) -> None:
    """The other half left at 09:12; the first may have stood there until midnight."""
    batch = farm.sow(20)
    go(farm, 5.3)
    that_day = spray(farm, farm.bench)
    go(farm, 6)
    next_day = spray(farm, farm.bench)
    _to_bench2(farm, batch, 10, on=day(5).date())
    farm.plant(batch, farm.t1, 10, at=day(5.05))
    go(farm, 9)
    farm.plant(batch, farm.t1, 10, from_place=farm.bench2)
    go(farm, 12)
    cut = farm.cut(100, batch)
    touched("cut | that_day", that_day=that_day, next_day=next_day, batch=batch, cut=cut)


def test_a_cancelled_move_was_no_stay(farm: Farm) -> None:
    batch = farm.sow(20)
    sprayed = spray(farm, farm.bench2, at=farm.now)
    moved = _to_bench2(farm, batch, 20)
    go(farm, 1)
    cut = farm.cut(100, batch)
    lots = {"sprayed": sprayed, "batch": batch, "cut": cut}
    touched("cut | sprayed", **lots)
    farm.tell("cancel", event=moved, reason="another sowing")
    touched("", **lots)


def test_more_were_lost_than_the_books_held_on_the_bench(farm: Farm) -> None:
    """Thirty died where the books had twenty: so they stood there, on that day and no longer."""
    batch = farm.sow(20)
    go(farm, 3)
    _to_bench2(farm, batch, 20)
    go(farm, 5)
    sprayed = spray(farm, farm.bench)
    lost = farm.tell(
        "lose_plants",
        batch=batch,
        place=farm.bench,
        plants=10,
        reason="slugs",
        already_done=True,
    )
    go(farm, 7)
    cut = farm.cut(100, batch)
    lots = {"sprayed": sprayed, "batch": batch, "cut": cut}
    touched("cut | sprayed", **lots)
    farm.tell("cancel", event=lost, reason="another bench")
    touched("", **lots)


def test_cleared_before_it_was_cut_and_told_after(farm: Farm) -> None:
    """The two cannot both be true; leaf that was weighed had stood there until then."""
    batch = farm.sow(20)
    farm.plant(batch, farm.t1, 20)
    go(farm, 5)
    sprayed = spray(farm, farm.t1)
    go(farm, 6)
    cut = farm.cut(100, batch)
    farm.tell("clear", batch=batch, at=day(4))
    touched("cut | sprayed", sprayed=sprayed, batch=batch, cut=cut)


def test_a_wrong_origin_touches_until_the_lead_clears_it(farm: Farm) -> None:
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.tell("feed", tank=farm.bench_tank, begins=[farm.t2])
    w1, w2 = water(farm), water(farm, tank=farm.bench_tank)
    a, b = farm.sow(30), farm.sow(30)
    farm.plant(a, farm.t1, 30)
    farm.plant(b, farm.t2, 30)
    go(farm, 20)
    cut = farm.cut(900, a)
    run = farm.pack([cut], 7)
    lots = {"w1": w1, "w2": w2, "a": a, "b": b, "cut": cut, "run": run}
    touched("cut | w1", **lots)
    farm.tell("correct_origin", lot=cut, wrong=a, right=b, reason="wrong tower")
    touched("cut | w1, w2", **lots)
    farm.tell("clear_origin", lot=cut, wrong=a, reason="saw it myself")
    touched("cut | w2", **lots)


def test_a_cancelled_cut_and_a_cancelled_sowing_have_no_edges(farm: Farm) -> None:
    fed(farm)
    w1 = water(farm, tank=farm.bench_tank)
    medium = bought(farm, "Plugs of peat", "medium")
    farm.tell("open_input", lot=medium, place=farm.bench)
    sown = farm.tell("sow", variety=farm.green, place=farm.bench, cells=30)
    go(farm, 8)
    cut = farm.tell("harvest", crates=[Crate(300)], store=farm.store, batches=[sown.lot])
    lots = {"w1": w1, "medium": medium, "batch": sown.lot, "cut": cut.lot}
    touched("batch | medium\ncut | w1", **lots)
    farm.tell("cancel", event=cut, reason="weighed twice")
    touched("batch | medium", **lots)
    farm.tell("cancel", event=sown, reason="never sown")
    touched("")
    assert not Lineage.objects.exists()


# --- what went in -----------------------------------------------------------------------------


def test_what_went_in_is_what_moved_whatever_was_corrected(farm: Farm) -> None:
    one, two, three = farm.cut(3000), farm.cut(2000), farm.cut(6000)
    run = farm.pack([one, two], 40)
    farm.tell("correct_weight", lot=one, right=2900, reason="tare")
    again = farm.pack([three], 10, left=4700)
    farm.tell("correct_weight", lot=again, right=9, reason="counted again")
    went_in, grew = went_in_and_grew()
    assert grew == {}
    assert went_in == _sums("went_in", lambda e: (e.parent_id, e.child_id))
    assert sum(n for (_, child), n in went_in.items() if child == run.pk) == 40 * 120
    assert sum(n for (_, child), n in went_in.items() if child == again.pk) == 9 * 120
