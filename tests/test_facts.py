"""A fact is never refused: what has happened is written around what the books
hold, and flagged. Each story first asks before the act and is refused, then tells it as done.
"""

import datetime as dt
from typing import Any

import pytest

from grow.errors import Refusal
from grow.faults import faults
from grow.models import (
    Event,
    Feed,
    Flag,
    Hold,
    InUse,
    Item,
    Lineage,
    Lot,
    PlantSite,
    Variety,
)
from sales.operations import Arrived, Taken
from tests.farm import Crate, Farm

K = Flag.Kind


def flags(event: Event) -> list[str]:
    return sorted(event.flags.values_list("kind", flat=True))


def held(lot: Lot) -> bool:
    return Hold.objects.filter(lot=lot, ended_by=None).exists()


def asked_then_told(farm: Farm, verb: str, code: str, **facts: Any) -> Event:
    """Refused before the act with this code, and written when told as done."""
    with pytest.raises(Refusal) as refused:
        farm.tell(verb, **facts)
    assert refused.value.code == code
    return farm.tell(verb, **facts, already_done=True)


# What goes against a rule, and what was left unsaid -----------------------------------------


def test_peelings_that_hens_were_fed_from_the_kitchen(farm: Farm) -> None:
    crate = farm.cut(1000)
    farm.arrive(farm.send(crate, 1000), crate, accepted=1000)
    facts: dict[str, Any] = {"lot": crate, "from_place": farm.kitchen_place, "quantity": 100}
    farm.tell("discard", to="compost", reason="stalks", **facts)
    fed = asked_then_told(farm, "discard", "kitchen_to_feed", to="feed", reason="stalks", **facts)
    assert flags(fed) == [K.AGAINST_RULE]
    farm.stands_at(
        """
        Kitchen     | crate | 800 g
        Compost     | crate | 100 g
        Animal feed | crate | 100 g
        """,
        crate=crate,
    )


def test_a_donation_to_nobody_knows_whom(farm: Farm) -> None:
    crate = farm.cut(1000)
    facts: dict[str, Any] = {"lot": crate, "from_place": farm.store, "quantity": 100}
    facts |= {"to": "donated", "reason": "surplus"}
    assert flags(farm.tell("discard", recipient="Food bank", **facts)) == []
    given = asked_then_told(farm, "discard", "recipient", **facts)
    assert flags(given) == [K.UNSAID]
    assert farm.stock(crate, farm.store) == 800


@pytest.mark.parametrize(
    ("verb", "facts"),
    [
        ("check", {"kind": "probe in ice"}),
        ("test_water", {"kind": "E. coli", "reading": "1400 in 100 ml"}),
    ],
)
def test_what_failed_asks_what_was_done_about_it(farm: Farm, verb: str, facts: dict) -> None:
    facts |= {"tank": farm.tank} if verb == "test_water" else {"place": farm.store}
    farm.tell(verb, passed=True, **facts)
    farm.tell(verb, passed=False, done="emptied", **facts)
    failed = asked_then_told(farm, verb, "what_was_done", passed=False, **facts)
    assert flags(failed) == [K.UNSAID]


# The cut ------------------------------------------------------------------------------------


def test_a_cut_of_a_crop_that_is_held_somewhere_says_from_where(farm: Farm) -> None:
    batch, other = farm.sow(40), farm.sow(40)
    farm.plant(batch, farm.t1, 20)
    farm.plant(other, farm.t2, 20)
    farm.pass_time(days=30)
    cut = {"crates": [Crate(300)], "store": farm.store}
    farm.tell("harvest", **cut, crop=farm.lettuce)
    farm.hold(batch)
    with pytest.raises(Refusal, match="Some Loose-leaf lettuce that stands may not be cut") as no:
        farm.tell("harvest", **cut, crop=farm.lettuce)
    assert no.value.code == "not_from_where"
    farm.tell("harvest", **cut, towers=[farm.t2])
    fact = farm.tell("harvest", **cut, crop=farm.lettuce, already_done=True).lot
    assert Hold.objects.filter(lot=fact, ended_by=None).exists()
    assert faults() == []


def test_a_cut_of_which_nothing_was_kept(farm: Farm) -> None:
    """All of it was slug-eaten: the cut was made, and nothing of it stands in the store."""
    batch = farm.sow(20)
    facts: dict[str, Any] = {"crates": [Crate(900)], "batches": [batch], "store": farm.store}
    farm.tell("harvest", **facts, grade_out_g=899)
    cut = asked_then_told(farm, "harvest", "grade_out", **facts, grade_out_g=900).lot
    assert [(e.parent, e.quantity) for e in cut.above.filter(kind="grew")] == [(batch, 900)]
    farm.stands_at("Compost | cut | 900 g", cut=cut)
    with pytest.raises(Refusal):  # more than was weighed is no weight
        farm.tell("harvest", **facts, grade_out_g=901, already_done=True)


def test_two_crops_in_one_crate_are_held_until_somebody_looks(farm: Farm) -> None:
    """A mustard leaf in a crate of lettuce is an allergen that no label would name."""
    lettuce, mustard = farm.sow(20), farm.sow(20, variety=farm.red)
    facts: dict[str, Any] = {"crates": [Crate(900)], "store": farm.store}
    assert not held(farm.tell("harvest", **facts, batches=[lettuce]).lot)
    cut = asked_then_told(farm, "harvest", "mixed", **facts, batches=[lettuce, mustard]).lot
    assert held(cut)
    assert "mustard" in Hold.objects.get(lot=cut).reason
    assert {e.parent for e in cut.above.filter(kind="grew")} == {lettuce, mustard}
    assert cut.crop == farm.lettuce
    farm.tell("release", lots=[cut], reason="for the mustard salad")
    with pytest.raises(Refusal) as refused:
        farm.pack([cut], 7)
    assert refused.value.code == "undeclared_allergen"
    assert faults() == []


def test_an_allergen_of_the_right_sowing_counts_though_the_wrong_one_was_told(farm: Farm) -> None:
    lettuce, mustard = farm.sow(20), farm.sow(20, variety=farm.red)
    cut, other = farm.cut(900, lettuce), farm.cut(900, lettuce)
    farm.pack([other], 7)
    farm.tell("correct_origin", lot=cut, wrong=lettuce, right=mustard, reason="other row")
    with pytest.raises(Refusal) as refused:
        farm.pack([cut], 7)
    assert refused.value.code == "undeclared_allergen"
    # nor is the wrong one forgotten before the lead has cleared it
    red = farm.cut(900, mustard)
    farm.tell("correct_origin", lot=red, wrong=mustard, right=lettuce, reason="other row")
    with pytest.raises(Refusal):
        farm.pack([red], 7)


def test_a_cut_from_a_tower_that_the_books_hold_empty(farm: Farm) -> None:
    facts: dict[str, Any] = {"crates": [Crate(900)], "store": farm.store, "crop": farm.lettuce}
    cut = asked_then_told(farm, "harvest", "nothing_there", **facts, towers=[farm.t1])
    assert flags(cut) == [K.NOT_ON_BOOKS]
    assert farm.stock(cut.lot, farm.store) == 900


# Plants -------------------------------------------------------------------------------------


def test_clearing_what_the_books_hold_cleared(farm: Farm) -> None:
    batch = farm.sow(20)
    farm.tell("clear", batch=batch)
    farm.pass_time(hours=1)
    again = asked_then_told(farm, "clear", "not_there", batch=batch)
    assert flags(again) == [K.NOT_ON_BOOKS]
    farm.stands_at("Compost | batch | 20 each", batch=batch)


def test_plants_lost_from_sites_that_the_books_hold_empty(farm: Farm) -> None:
    batch = farm.sow(20)
    farm.plant(batch, farm.t1, 2)
    sites = list(farm.t1.sites.order_by("-tier", "position")[:3])
    lost: dict[str, Any] = {"batch": batch, "place": farm.t1, "reason": "slug"}
    told = asked_then_told(farm, "lose_plants", "not_there", **lost, sites=sites)
    assert flags(told) == [K.NOT_ON_BOOKS]
    farm.stands_at("Bench 1 | batch | 18 each \n Compost | batch | 2 each", batch=batch)


# Inputs are not strict: no quantity of theirs is ever refused --------------------------------


def test_an_input_is_thrown_away_whatever_the_books_hold_of_it(farm: Farm) -> None:
    bags = Item.objects.create(name="Bags", kind="packaging")
    received: dict[str, Any] = {"item": bags, "supplier": farm.supplier, "place": farm.store}
    told, untold = (farm.tell("receive_input", **received, quantity=n).lot for n in (10, None))
    spoilt: dict[str, Any] = {"from_place": farm.store, "to": "landfill", "reason": "wet"}
    farm.tell("discard", lot=told, quantity=4, **spoilt)
    more = farm.tell("discard", lot=told, quantity=9, **spoilt)
    farm.tell("discard", lot=untold, quantity=5, **spoilt)
    table = """
        Bin | told   | {} each
        Bin | untold | 5 each
        """
    farm.stands_at(table.format(13), told=told, untold=untold)
    farm.tell("cancel", event=more, reason="other roll")
    farm.stands_at(table.format(4) + "Cold store | told | 6 each", told=told, untold=untold)


def test_a_held_input_without_stock_is_binned(farm: Farm) -> None:
    bags = Item.objects.create(name="Bags", kind="packaging")
    lot = farm.tell("receive_input", item=bags, supplier=farm.supplier, place=farm.store).lot
    farm.hold(lot)
    farm.pass_time(hours=1)
    farm.tell(
        "discard", lot=lot, from_place=farm.store, to="landfill", quantity=5, reason="not for food"
    )
    farm.stands_at("Bin | lot | 5 each", lot=lot)


# The run ------------------------------------------------------------------------------------


def test_so_much_used_or_so_much_left_but_not_both(farm: Farm) -> None:
    crate = farm.cut(1300)
    run: dict[str, Any] = {"product": farm.bag, "store": farm.store, "line": farm.line, "packs": 4}
    farm.tell("pack", **run, taken=[Taken(crate, farm.store, used=500)])
    for told in ({}, {"already_done": True}):
        with pytest.raises(Refusal) as refused:
            farm.tell("pack", **run, taken=[Taken(crate, farm.store, used=500, left=300)], **told)
        assert refused.value.code == "used_or_left"
    farm.tell("pack", **run, taken=[Taken(crate, farm.store, left=300)])
    assert farm.stock(crate, farm.store) == 300


def test_a_run_of_a_crate_that_the_books_hold_empty(farm: Farm) -> None:
    crate = farm.cut(1000)
    farm.pack([crate], 8)
    run: dict[str, Any] = {"product": farm.bag, "store": farm.store, "line": farm.line, "packs": 4}
    bags = asked_then_told(
        farm, "pack", "short", **run, taken=[Taken(crate, farm.store, left=0)]
    ).lot
    assert K.OUTWEIGHS in flags(bags.made_by)
    assert [(e.parent, e.quantity) for e in bags.above.filter(kind="went_in")] == [(crate, 480)]
    assert farm.stock(bags, farm.store) == 4
    assert faults() == []


# A date later than the leaf allows ----------------------------------------------------------


def test_a_label_with_too_late_a_date_holds_the_run(farm: Farm) -> None:
    crates = farm.cut(1000), farm.cut(1000)
    run: dict[str, Any] = {"product": farm.bag, "store": farm.store, "line": farm.line, "packs": 8}
    allowed = farm.today + dt.timedelta(days=7)
    farm.tell("pack", **run, taken=[Taken(crates[0], farm.store, left=0)], use_by=allowed)
    late = {"taken": [Taken(crates[1], farm.store, left=0)], "use_by": allowed + dt.timedelta(1)}
    bags = asked_then_told(farm, "pack", "date_lengthened", **run, **late).lot
    assert held(bags)
    assert bags.use_by == allowed + dt.timedelta(1)  # so says the label
    opened: dict[str, Any] = {"taken": [Taken(bags, farm.store, used=2)], "packs": 2}
    again = farm.tell("rework", **run | opened, already_done=True).lot
    assert again.use_by == allowed  # but the leaf is no younger for it
    assert held(again)
    assert faults() == []


def test_bags_relabelled_with_a_later_date_are_held(farm: Farm) -> None:
    bags, other = farm.pack([farm.cut(1000)], 8), farm.pack([farm.cut(1000)], 8)
    farm.to_shop(bags, 4)
    farm.to_shop(other, 4)
    sooner, later = (bags.use_by + dt.timedelta(days=n) for n in (-3, 2))
    farm.tell("describe", lot=bags, best_before=sooner)
    farm.tell("describe", lot=other, best_before=sooner)
    told = asked_then_told(farm, "describe", "date_lengthened", lot=bags, best_before=later)
    assert flags(told) == [K.AGAINST_RULE]
    assert held(bags)
    assert bags.descriptions.filter(best_before=later).exists()  # found by what the label says
    farm.tell("release", lots=[bags], reason="relabelled with the right date")
    farm.pass_time(days=6)  # past the sooner date, not past the first
    farm.till(1)
    assert farm.stock(bags, farm.shop_place) == 4
    assert faults() == []


# What begins and ends -----------------------------------------------------------------------


def rows(model: Any) -> list[tuple[str, dt.datetime, dt.datetime | None]]:
    return [
        (row.place.name, row.began_at, row.ended_at)
        for row in model.objects.select_related("place").order_by("began_at", "id")
    ]


def test_a_feed_told_after_a_later_one_is_as_if_told_in_order(farm: Farm) -> None:
    """The plumber's two slips of paper, read in either order, give the same days and water."""
    batch = farm.sow(20)
    farm.plant(batch, farm.t1, 10)
    first = farm.pass_time(days=1)
    second = farm.pass_time(days=5)
    water = farm.tell("fill", tank=farm.tank, at=first + dt.timedelta(days=1)).lot
    farm.pass_time(days=5)
    feed: dict[str, Any] = {"tank": farm.tank, "begins": [farm.t1]}
    late = farm.tell("feed", **feed, at=second)
    farm.tell("drain_and_clean", tank=farm.tank, at=second - dt.timedelta(days=1))
    early = farm.tell("feed", **feed, at=first)
    assert rows(Feed) == [("T1", first, None)]
    assert Lineage.objects.filter(parent=water, child=farm.cut(900, batch)).exists()
    farm.tell("cancel", event=early, reason="to tell it in order")
    assert rows(Feed) == [("T1", second, None)]
    farm.tell("cancel", event=late, reason="to tell it in order")
    farm.tell("feed", **feed, at=first)
    code = "a_tank_feeds_a_place_once"
    again = asked_then_told(farm, "feed", code, **feed, at=second)
    assert rows(Feed) == [("T1", first, None)]
    assert flags(again) == []
    assert faults() == []


def test_a_feed_ends_that_the_books_do_not_know(farm: Farm) -> None:
    """It fed that tower until now, since nobody knows when: at the least it did so today."""
    batch = farm.sow(20)
    farm.plant(batch, farm.t1, 10)
    water = farm.tell("fill", tank=farm.tank).lot
    farm.tell("feed", tank=farm.tank, begins=[farm.t2])
    farm.pass_time(days=1)
    farm.tell("feed", tank=farm.tank, ends=[farm.t2])
    told = asked_then_told(farm, "feed", "not_fed", tank=farm.tank, ends=[farm.t1])
    assert flags(told) == [K.NOT_ON_BOOKS]
    assert (farm.t1.name, farm.now, farm.now) in rows(Feed)
    farm.pass_time(days=1)
    assert Lineage.objects.filter(parent=water, child=farm.cut(900, batch)).exists()
    farm.tell("cancel", event=told, reason="other tower")
    assert [place for place, *_ in rows(Feed)] == ["T2"]
    assert faults() == []


def test_gloves_finished_that_nobody_opened(farm: Farm) -> None:
    gloves = Item.objects.create(name="Gloves", kind="hand_gear")
    received: dict[str, Any] = {"item": gloves, "supplier": farm.supplier, "place": farm.store}
    opened, other = (farm.tell("receive_input", **received, quantity=100).lot for _ in range(2))
    cut: dict[str, Any] = {"area": farm.greenhouse}
    farm.tell("open_input", lot=opened, place=farm.greenhouse)
    farm.pass_time(hours=1)
    farm.tell("finish_input", lot=opened, place=farm.greenhouse)
    today = farm.today
    crate = farm.cut(900, on=today, **cut)
    farm.pass_time(days=1)
    facts: dict[str, Any] = {"lot": other, "place": farm.greenhouse, "on": today}
    told = asked_then_told(farm, "finish_input", "not_open", **facts)
    assert flags(told) == [K.NOT_ON_BOOKS]
    assert {e.parent for e in crate.above.filter(kind="touched")} == {opened, other}
    farm.stands_at(
        """
        Became another lot | opened | 100 each
        Became another lot | other  | 100 each
        """,
        opened=opened,
        other=other,
    )


def test_a_roll_of_film_opened_twice_in_either_order(farm: Farm) -> None:
    film = Item.objects.create(name="Film", kind="packaging")
    lot = farm.tell("receive_input", item=film, supplier=farm.supplier, place=farm.store).lot
    first = farm.now
    second = farm.pass_time(days=1)
    farm.pass_time(days=1)
    farm.tell("open_input", lot=lot, place=farm.line, at=second)
    farm.tell("open_input", lot=lot, place=farm.line, at=first)
    assert rows(InUse) == [("Packing bench", first, None)]
    end = farm.now
    finished = farm.tell("finish_input", lot=lot, place=farm.line)
    assert rows(InUse) == [("Packing bench", first, end)]
    asked_then_told(
        farm, "open_input", "an_input_is_open_once_at_a_place", lot=lot, place=farm.line, at=second
    )
    farm.tell("cancel", event=finished, reason="some is left")
    assert rows(InUse) == [("Packing bench", first, None)]
    assert faults() == []


# Sites --------------------------------------------------------------------------------------


def on_site(site: PlantSite) -> list[tuple[Lot, dt.datetime, dt.datetime | None]]:
    found = site.plantings.select_related("batch").order_by("began_at", "id")
    return [(p.batch, p.began_at, p.ended_at) for p in found]


def test_a_site_that_was_planted_again_since(farm: Farm) -> None:
    """Tuesday's plants are told on Friday, after Thursday's that stand there now."""
    early, late = farm.sow(20), farm.sow(20)
    site = farm.t3.sites.order_by("-tier", "position").first()
    tuesday = farm.pass_time(days=1)
    thursday = farm.pass_time(days=2)
    again = farm.tell("transplant", batch=late, from_place=farm.bench, sites=[site])
    farm.pass_time(days=1)
    facts: dict[str, Any] = {"batch": early, "from_place": farm.bench, "at": tuesday}
    told = asked_then_told(farm, "transplant", "planted_later", **facts, sites=[site])
    assert flags(told) == [K.FOUND_CLEARED]
    both = [(early, tuesday, thursday), (late, thursday, None)]
    assert on_site(site) == both
    stands = """
        Bench 1 | early | {} each
        Bench 1 | late  | 19 each
        T3      | late  | 1 each
        """
    gone = "Compost | early | 1 each"
    farm.stands_at(stands.format(19) + gone, early=early, late=late)
    farm.tell("cancel", event=told, reason="other tower")
    assert on_site(site) == both[1:]
    farm.stands_at(stands.format(20), early=early, late=late)
    told = farm.tell("transplant", **facts, sites=[site], already_done=True)
    farm.tell("cancel", event=again, reason="other tower")
    assert on_site(site) == [(early, tuesday, None)]
    farm.stands_at(
        """
        Bench 1 | early | 19 each
        T3      | early | 1 each
        Bench 1 | late  | 20 each
        """,
        early=early,
        late=late,
    )


def test_a_big_plant_of_which_one_site_was_planted_again(farm: Farm) -> None:
    """A tomato takes two sites; since then a lettuce was put on the second."""
    big = Variety.objects.create(crop=farm.lettuce, name="Great head", sites_each=2)
    early, late = farm.sow(20, variety=big), farm.sow(20)
    first, second = farm.t3.sites.order_by("-tier", "position")[:2]
    tuesday = farm.pass_time(days=1)
    thursday = farm.pass_time(days=2)
    farm.tell("transplant", batch=late, from_place=farm.bench, sites=[second])
    facts: dict[str, Any] = {"batch": early, "from_place": farm.bench, "sites": [first, second]}
    told = asked_then_told(farm, "transplant", "planted_later", **facts, at=tuesday)
    assert flags(told) == [K.FOUND_CLEARED]
    assert on_site(first) == [(early, tuesday, None)]
    assert on_site(second) == [(early, tuesday, thursday), (late, thursday, None)]
    assert farm.stock(early, farm.t3) == 1
    assert faults() == []


def test_planted_and_cleared_on_one_day_told_from_the_paper(farm: Farm) -> None:
    """By its kind a clearing stands last in its day, so the plants that replace what was cleared
    meet it on the books: the old ones then ended when the new ones came."""
    old, new = farm.sow(20), farm.sow(20)
    sites = list(farm.t3.sites.order_by("-tier", "position")[:4])
    facts: dict[str, Any] = {"from_place": farm.bench, "sites": sites}
    farm.tell("transplant", batch=old, **facts)
    began = farm.now
    farm.pass_time(days=20)
    day = farm.today
    farm.pass_time(days=1)
    cleared = farm.tell("clear", batch=old, places=[farm.t3], on=day)
    told = asked_then_told(farm, "transplant", "occupied", batch=new, **facts, on=day)
    assert flags(told) == [K.FOUND_CLEARED] * 4
    at = told.placed_at
    assert on_site(sites[0]) == [(old, began, at), (new, at, None)]
    farm.stands_at(
        """
        Bench 1 | old | 16 each
        Compost | old | 4 each
        Bench 1 | new | 16 each
        T3      | new | 4 each
        """,
        old=old,
        new=new,
    )
    farm.tell("cancel", event=told, reason="next day")
    assert on_site(sites[0]) == [(old, began, cleared.placed_at)]
    assert faults() == []


def test_more_plants_than_free_sites(farm: Farm) -> None:
    """T3 has eight sites. What fits has its sites; the rest stay where the books had them."""
    batch = farm.sow(30)
    farm.plant(batch, farm.t3, 3)
    facts: dict[str, Any] = {"batch": batch, "from_place": farm.bench, "towers": [farm.t3]}
    told = asked_then_told(farm, "transplant", "no_room", **facts, plants=7)
    assert flags(told) == [K.NOT_ON_BOOKS]
    assert "2 plants" in told.flags.get().says
    farm.stands_at("Bench 1 | batch | 22 each \n T3 | batch | 8 each", batch=batch)
    full = asked_then_told(farm, "transplant", "no_room", **facts, plants=2)
    assert flags(full) == [K.NOT_ON_BOOKS]
    farm.stands_at("Bench 1 | batch | 22 each \n T3 | batch | 8 each", batch=batch)


def test_more_plants_stood_there_than_sites_when_records_began(farm: Farm) -> None:
    facts: dict[str, Any] = {"kind": "batch", "variety": farm.green, "towers": [farm.t3]}
    told = asked_then_told(farm, "opening_entry", "no_room", **facts, quantity=10)
    assert flags(told) == [K.NOT_ON_BOOKS]
    farm.stands_at(
        """
        T3               | batch | 8 each
        """,
        batch=told.lot,
    )
    assert ("Opening stock", "Count difference", 2, "counted") in farm.moved(told.lot)


# The door -----------------------------------------------------------------------------------


def test_a_crate_arrives_that_is_not_on_the_note(farm: Farm) -> None:
    """Two crates stood side by side and the wrong one went: what came, came."""
    told, came = farm.cut(900), farm.cut(900)
    sent = farm.send(told, 900)
    got = farm.tell(
        "receive", note=sent.note, lines=[Arrived(told, short=900), Arrived(came, 850, rejected=50)]
    )
    assert flags(got) == [K.OVER]
    assert came.code in got.flags.get().says
    line = sent.note.lines.get(lot=came)
    assert (line.sent, line.accepted, line.rejected, line.over) == (0, 850, 50, 900)
    farm.stands_at(
        """
        Cold store          | came | 900 g
        Kitchen             | came | 850 g
        Rejected at Kitchen | came |  50 g
        """,
        came=came,
    )
    farm.tell("cancel", event=got, reason="another note")
    assert [line.lot for line in sent.note.lines.all()] == [told]
    farm.stands_at("Cold store | came | 900 g", came=came)
