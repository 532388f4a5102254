"""What is told of plants, water and open packets, early or late, and what it touches.

Each story ends in a table, one row a lot with all that touched it; the ledger's edges and the
independent recount must both be that table, and `faults()` must find nothing.
"""

import datetime as dt
from typing import Any

import pytest
from django.db.models import F

from grow import clock, gate, presence
from grow.errors import Refusal
from grow.faults import faults
from grow.models import (
    Event,
    Feed,
    Holding,
    InUse,
    Item,
    Lineage,
    Lot,
    Place,
    PlaceKind,
    Planting,
    PlantSite,
    Variety,
)
from grow.queries import living
from tests.farm import START, Farm, Line
from tests.recount import touched_edges
from tests.test_recount import day, go, spray, touched, water

pytestmark = pytest.mark.django_db


def refused(farm: Farm, verb: str, **facts: Any) -> Refusal:
    with pytest.raises(Refusal) as refusal:
        farm.tell(verb, **facts)
    return refusal.value


# --- plants counted, thrown away or sold off a bench ------------------------------------------


def _potted(farm: Farm, lot: Lot, plants: int) -> dict[str, Any]:
    return {"outlet": farm.kitchen, "lines": [Line(lot, plants, farm.bench)]}


GONE = [
    pytest.param("count", lambda farm, lot: {"place": farm.bench, "counted": {lot: 0}}, id="count"),
    pytest.param(
        "discard",
        lambda farm, lot: {
            "lot": lot,
            "from_place": farm.bench,
            "to": "compost",
            "quantity": 20,
            "reason": "slugs",
        },
        id="thrown away",
    ),
    pytest.param(
        "move",
        lambda farm, lot: {
            "lot": lot,
            "from_place": farm.bench,
            "to_place": farm.quarantine,
            "quantity": 20,
        },
        id="into quarantine",
    ),
    pytest.param("deliver", lambda farm, lot: _potted(farm, lot, 20), id="delivered in pots"),
]


@pytest.mark.parametrize(("verb", "facts"), GONE)
def test_gone_from_the_bench_told_late(farm: Farm, verb: str, facts: Any) -> None:
    """The cells had left the bench before it was sprayed; what was cut had not stood there."""
    batch = farm.sow(40)
    farm.tell("move_plants", batch=batch, from_place=farm.bench, to_place=farm.tent, plants=20)
    go(farm, 5)
    sprayed = spray(farm, farm.bench)
    go(farm, 8)
    lots = {"sprayed": sprayed, "batch": batch, "cut": farm.cut(300, batch)}
    touched("cut | sprayed", **lots)
    told = farm.tell(verb, at=day(3), **facts(farm, batch))
    touched("", **lots)
    assert faults() == []
    farm.tell("cancel", event=told, reason="another bench")
    touched("cut | sprayed", **lots)
    assert faults() == []


@pytest.mark.parametrize(("verb", "facts"), GONE)
def test_plants_have_the_gate_alone_and_produce_shares_it(
    farm: Farm, monkeypatch: pytest.MonkeyPatch, verb: str, facts: Any
) -> None:
    """A cut in flight stood among the plants that are thrown away; no crate ever did."""
    batch, crate = farm.sow(40), farm.cut(900)
    passed: list[str] = []
    monkeypatch.setattr(gate, "enter", passed.append)
    farm.tell(verb, **facts(farm, batch))
    assert passed == [gate.ALONE]
    passed.clear()
    given = facts(farm, crate)
    if "lines" in given:
        given["lines"] = [Line(crate, 20, farm.store)]
    for name in ("place", "from_place"):
        if name in given:
            given[name] = farm.store
    farm.tell(verb, **given)
    assert passed == [gate.SHARED]


# --- plants on a tower ------------------------------------------------------------------------

OFF = [
    pytest.param(
        "discard",
        lambda lot, place: {
            "lot": lot,
            "from_place": place,
            "to": "compost",
            "quantity": 5,
            "reason": "slugs",
        },
        id="thrown away",
    ),
    pytest.param("count", lambda lot, place: {"place": place, "counted": {lot: 5}}, id="counted"),
    pytest.param(
        "check_germination",
        lambda lot, place: {"batch": lot, "place": place, "not_up": 5},
        id="not up",
    ),
]


@pytest.mark.parametrize("already_done", [False, True])
@pytest.mark.parametrize(("verb", "facts"), OFF)
def test_plants_leave_a_tower_with_their_sites(
    farm: Farm, verb: str, facts: Any, already_done: bool
) -> None:
    """A number of plants says nothing of the sites that they stood on; lost and cleared do."""
    batch = farm.sow(40)
    farm.plant(batch, farm.t1, 20)
    how = {"already_done": already_done}
    farm.tell(verb, **facts(batch, farm.bench), **how)
    no = refused(farm, verb, **facts(batch, farm.t1), **how)
    assert no.code == ("wrong_kind" if verb == "check_germination" else "on_a_tower")
    assert verb == "check_germination" or all(
        word in no.sentence for word in ("lost", "cleared", "bench", batch.code)
    )
    farm.tell("lose_plants", batch=batch, place=farm.t1, plants=5, reason="slugs", **how)
    assert farm.stock(batch, farm.t1) == 15 == living(farm.now).count()
    assert faults() == []


def test_from_tower_to_tower_over_a_bench(farm: Farm) -> None:
    batch = farm.sow(40)
    farm.plant(batch, farm.t1, 20)
    go(farm, 1)
    no = refused(farm, "transplant", batch=batch, from_place=farm.t1, towers=[farm.t2], plants=5)
    assert no.code == "wrong_kind"
    no = refused(farm, "move", lot=batch, from_place=farm.t1, to_place=farm.quarantine, quantity=5)
    assert no.code == "on_a_tower"
    farm.tell("move_plants", batch=batch, from_place=farm.t1, to_place=farm.bench2, plants=5)
    farm.plant(batch, farm.t2, 5, from_place=farm.bench2)
    assert (farm.stock(batch, farm.t1), farm.stock(batch, farm.t2)) == (15, 5)
    assert faults() == []


def test_more_were_lost_than_the_tower_bore(farm: Farm) -> None:
    """Told as a fact it is written, though no site bears any of them any more."""
    batch = farm.sow(40)
    farm.plant(batch, farm.t1, 2)
    for _ in range(2):
        farm.tell(
            "lose_plants", batch=batch, place=farm.t1, plants=2, reason="slugs", already_done=True
        )
    assert farm.stock(batch, farm.t1) == 0
    assert Holding.objects.get(lot=batch, place=farm.difference).quantity == -2
    assert faults() == []


# --- waters of one tank and one moment --------------------------------------------------------


def _chain(farm: Farm, told: list[tuple[str, dict[str, Any]]]) -> list[str]:
    """The waters of the reservoir from the first to the last, by their litres or input; "|" where
    the chain is broken. Told in this order on the tenth day, of the second, without an hour."""
    go(farm, 10)
    names = {}
    for verb, facts in told:
        name = str(facts.get("litres") or [lot.title for lot in facts.get("inputs", ())] or verb)
        lots = farm.tell(verb, tank=farm.tank, on=day(1).date(), **facts).lots
        names |= {lot.pk: name for lot in lots}
    edges = dict(Lineage.objects.filter(child__in=names).values_list("child_id", "parent_id"))
    edges = {child: parent for child, parent in edges.items() if parent in names}
    assert {(p, c) for p, c in touched_edges() if p in names} == {(p, c) for c, p in edges.items()}
    after = {parent: child for child, parent in edges.items()}
    assert len(after) == len(edges)  # no water was poured onto twice
    chain: list[str] = []
    for first in sorted(names.keys() - edges.keys(), key=names.__getitem__):
        chain += ["|"] * bool(chain) + [names[first]]
        while first in after:
            first = after[first]
            chain.append(names[first])
    assert faults() == []
    return chain


SAME_DAY = [
    ("fill", {"litres": 300}),
    ("fill", {"litres": 200}),
    ("top_up", {"litres": 50}),
    ("top_up", {"litres": 40, "source": "mains"}),
    ("dose", {}),
]


@pytest.mark.parametrize("order", [[0, 1, 2, 3, 4], [4, 3, 2, 1, 0], [2, 4, 1, 0, 3]])
def test_waters_of_one_day_without_an_hour_are_in_the_order_of_what_was_told(
    farm: Farm, order: list[int]
) -> None:
    """Filled, topped up, dosed; two alike by what each said. Which was told first says nothing."""
    chain = _chain(farm, [SAME_DAY[i] for i in order])
    assert chain == ["200", "300", "40", "50", "dose"]


@pytest.mark.parametrize("turned", [False, True])
def test_doses_of_one_day_from_two_packets(farm: Farm, turned: bool) -> None:
    """Nor which of two packets alike was booked in first: their own receipts tell them apart."""
    salt = Item.objects.create(name="Feed A", kind="nutrient")
    lots = {}
    for number in reversed(["L-1", "L-2"]) if turned else ["L-1", "L-2"]:
        lots[number] = farm.tell(
            "receive_input",
            item=salt,
            supplier=farm.supplier,
            place=farm.store,
            supplier_lot=number,
            on=day(0).date(),
        ).lot
    names = {lot.pk: number for number, lot in lots.items()}
    doses = [
        farm.tell("dose", tank=farm.tank, inputs=[lot], on=day(0).date()).lot
        for lot in lots.values()
    ]
    poured = {d.pk: names[d.made_by.inputs.get().pk] for d in doses}
    edges = Lineage.objects.filter(parent__in=poured, child__in=poured)
    assert [(poured[e.parent_id], poured[e.child_id]) for e in edges] == [("L-1", "L-2")]
    assert {(e.parent_id, e.child_id) for e in edges} <= touched_edges()
    assert faults() == []


@pytest.mark.parametrize("turned", [False, True])
def test_drained_and_filled_in_one_minute(farm: Farm, turned: bool) -> None:
    """It was drained first: nobody fills a tank to clean it."""
    old = water(farm)
    go(farm, 2)
    told = ["drain_and_clean", "fill"]
    for verb in reversed(told) if turned else told:
        event = farm.tell(verb, tank=farm.tank, at=day(2))
        if verb == "fill":
            new = event.lot
    go(farm, 3)
    touched("", old=old, new=new)
    tank = farm.tank
    assert presence.touched(tank, day(2.5), day(3)) == {new.pk}
    assert faults() == []


def test_what_came_and_went_with_only_its_day_told_was_there(farm: Farm) -> None:
    """Both moves stand at one moment of the books; a move that was taken back never was."""
    fridge = farm.place("Second fridge", PlaceKind.STORE)
    stood, wrong, beside = (farm.cut(500) for _ in range(3))
    on = farm.today
    farm.pass_time(days=1)

    def move(lot: Lot, from_: Place, to: Place) -> Event:
        return farm.tell("move", lot=lot, from_place=from_, to_place=to, quantity=500, on=on)

    move(stood, farm.store, fridge)
    move(stood, fridge, farm.line)
    slip = move(wrong, farm.store, fridge)
    move(beside, farm.store, farm.line)
    window = clock.start_of(on), clock.end_of(on)
    assert presence.stood([fridge.pk], *window) == {stood.pk, wrong.pk}
    farm.tell("cancel", event=slip, reason="another crate")
    assert presence.stood([fridge.pk], *window) == {stood.pk}
    assert presence.stood([fridge.pk], farm.now, farm.now) == set()


# --- feeds ------------------------------------------------------------------------------------


def _feeds(farm: Farm) -> list[tuple[float, float | None]]:
    """When the reservoir fed T1, in days from the first."""

    def days(moment: dt.datetime | None) -> float | None:
        return moment and (moment - START) / dt.timedelta(days=1)

    rows = Feed.objects.filter(tank=farm.tank, place=farm.t1).order_by("began_at", "id")
    return [(days(f.began_at), days(f.ended_at)) for f in rows]


def _told_of_feeds(farm: Farm) -> dict[str, Any]:
    """Water in the reservoir; T1 fed, not fed, fed again; a cut in each time."""
    lots = {"w1": water(farm), "batch": farm.sow(20)}
    farm.plant(lots["batch"], farm.t1, 20)
    facts = {}
    for name, moment, what in (
        ("begun", 2, "begins"),
        ("ended", 4, "ends"),
        ("again", 6, "begins"),
    ):
        go(farm, moment - 1)
        lots[f"cut{moment - 1}"] = farm.cut(100, lots["batch"])
        go(farm, moment)
        facts[name] = farm.tell("feed", tank=farm.tank, **{what: [farm.t1]})
    return {"lots": lots, **facts}


def test_every_fact_about_feeding_can_be_cancelled(farm: Farm) -> None:
    """Begun, ended, begun again. Each is taken back as if it had not been told."""
    told = _told_of_feeds(farm)
    touched("cut3 | w1\ncut5 | w1", **told["lots"])
    assert _feeds(farm) == [(2, 4), (6, None)]
    for name, feeds, cuts in (
        ("ended", [(2, None)], "cut3 | w1\ncut5 | w1"),
        ("again", [(2, None)], "cut3 | w1\ncut5 | w1"),
        ("begun", [], ""),
    ):
        farm.tell("cancel", event=told[name], reason="another tower")
        assert _feeds(farm) == feeds
        touched(cuts, **told["lots"])
        assert faults() == []


def test_the_second_begin_stays_when_the_first_is_cancelled(farm: Farm) -> None:
    told = _told_of_feeds(farm)
    farm.tell("cancel", event=told["begun"], reason="another tower")
    # somebody saw it end on the fourth day: it fed then, at the least
    assert _feeds(farm) == [(4, 4), (6, None)]
    touched("cut5 | w1", **told["lots"])
    farm.tell("cancel", event=told["ended"], reason="another tower")
    assert _feeds(farm) == [(6, None)]
    assert faults() == []


def test_a_feed_told_late_runs_into_the_one_told_before(farm: Farm) -> None:
    go(farm, 9)
    feed = {"tank": farm.tank, "at": day(6)}
    farm.tell("feed", begins=[farm.t1], **feed)
    assert refused(farm, "feed", begins=[farm.t1], **feed).code == "a_tank_feeds_a_place_once"
    assert refused(farm, "feed", ends=[farm.t1], **feed | {"at": day(3)}).code == "not_fed"
    farm.tell("feed", begins=[farm.t1], **feed | {"at": day(2)})
    assert _feeds(farm) == [(2, None)]
    farm.tell("feed", ends=[farm.t1], **feed | {"at": day(4)})
    assert _feeds(farm) == [(2, 4), (6, None)]
    # a fact is written whatever it meets
    farm.tell("feed", ends=[farm.t1], already_done=True, **feed | {"at": day(5)})
    assert _feeds(farm) == [(2, 4), (5, 5), (6, None)]
    farm.tell("feed", begins=[farm.t1], already_done=True, **feed | {"at": day(4.5)})
    assert _feeds(farm) == [(2, 4), (4.5, 5), (6, None)]
    assert faults() == []


@pytest.mark.parametrize("turned", [False, True])
def test_off_and_on_again_on_one_day_without_an_hour(farm: Farm, turned: bool) -> None:
    """What stands after such a day is what stood before it; that day may have been either."""
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    go(farm, 9)
    told = ["ends", "begins"]
    for what in reversed(told) if turned else told:
        that_day = {"on": day(5).date(), "already_done": True}
        farm.tell("feed", tank=farm.tank, **{what: [farm.t1]}, **that_day)
    (began, ended), (again, still) = _feeds(farm)
    assert (began, still) == (0, None)
    assert ended == again


# --- a receipt taken back ---------------------------------------------------------------------


def _receipt(farm: Farm, name: str = "Plugs of peat", kind: str = "medium"):
    item = Item.objects.create(name=name, kind=kind)
    return farm.tell("receive_input", item=item, supplier=farm.supplier, place=farm.store)


@pytest.mark.parametrize("finished", [False, True])
def test_a_receipt_stays_while_its_packet_is_said_to_have_been_open(
    farm: Farm, finished: bool
) -> None:
    """Else a lot that never came would have touched what was sown beside it."""
    receipt = _receipt(farm)
    opened = farm.tell("open_input", lot=receipt.lot, place=farm.greenhouse)
    sown = farm.sow(20)
    go(farm, 1)
    facts = {"event": receipt, "reason": "another item"}
    later = [opened]
    if finished:
        later.append(farm.tell("finish_input", lot=receipt.lot, place=farm.greenhouse))
    no = refused(farm, "cancel", **facts)
    assert no.code == "used_since"
    assert no.facts["events"] == [e.pk for e in later]
    assert "opened" in no.sentence
    touched("sown | plugs", plugs=receipt.lot, sown=sown)
    for event in reversed(later):
        farm.tell("cancel", event=event, reason="another packet")
    touched("", plugs=receipt.lot, sown=sown)
    farm.tell("cancel", **facts)
    assert faults() == []


def test_a_packet_recorded_in_error_and_opened_all_the_same(farm: Farm) -> None:
    """Who says so as a fact is believed; an edge that only the cancelled receipt bears is none."""
    receipt = _receipt(farm)
    farm.tell("cancel", event=receipt, reason="booked twice")
    go(farm, 1)
    told = {"lot": receipt.lot, "place": farm.greenhouse}
    assert refused(farm, "open_input", **told).code == "recorded_in_error"
    opened = farm.tell("open_input", already_done=True, **told)
    sown = farm.sow(20)
    touched("sown | plugs", plugs=receipt.lot, sown=sown)
    assert faults() == []
    # planted: as if the packet had been open before its receipt was taken back
    InUse.objects.update(began_by=receipt)
    assert faults() == [f"{receipt.lot.code} was cancelled and is still said to touch {sown.code}."]
    InUse.objects.update(began_by=opened)
    assert faults() == []


# --- sites by name ----------------------------------------------------------------------------


def _sites(tower: Place, first: int, last: int) -> list[PlantSite]:
    return list(PlantSite.objects.filter(tower=tower).order_by("id")[first:last])


def _big(farm: Farm, cells: int = 20) -> Lot:
    return farm.sow(
        cells, Variety.objects.create(crop=farm.lettuce, name="Giant cos", sites_each=2)
    )


def test_a_site_out_of_use_is_not_planted_by_name_either(farm: Farm) -> None:
    batch = farm.sow(20)
    sound, broken = _sites(farm.t1, 0, 2)
    PlantSite.objects.filter(pk=broken.pk).update(out_of_use=True)
    farm.plant(batch, sites=[sound])
    facts = {"batch": batch, "from_place": farm.bench, "sites": [broken]}
    no = refused(farm, "transplant", **facts)
    assert no.code == "out_of_use"
    assert str(broken) in no.sentence
    # who has planted there all the same is believed, and it is looked at
    event = farm.tell("transplant", already_done=True, **facts)
    assert "against_rule" in event.flags.values_list("kind", flat=True)
    assert farm.stock(batch, farm.t1) == 2
    # what stands on a site that broke since is still cut, and cleared
    farm.cut(100, sites=[broken])
    farm.tell("clear", batch=batch)
    assert faults() == []


@pytest.mark.parametrize("verb", ["transplant", "opening_entry"])
def test_as_many_sites_are_named_as_the_plants_take(farm: Farm, verb: str) -> None:
    batch = _big(farm)
    facts: dict[str, Any] = {"batch": batch, "from_place": farm.bench}
    number = "plants"
    if verb == "opening_entry":
        facts, number = {"kind": "batch", "variety": batch.variety}, "quantity"
    for sites, plants in ((4, 3), (3, 2), (3, 1), (0, 2)):
        told = {**facts, number: plants, "sites": _sites(farm.t1, 0, sites)}
        if not sites:
            told["towers"] = [farm.t1]
            farm.tell(verb, **told)
            continue
        no = refused(farm, verb, **told)
        assert no.code == "sites_and_plants"
        assert str(sites) in no.sentence
    assert living(farm.now).count() == 4
    farm.tell(verb, **facts, **{number: 2}, sites=_sites(farm.t1, 6, 10))
    assert living(farm.now).count() == 8
    assert faults() == []


def test_an_odd_number_of_sites_for_plants_that_take_two(farm: Farm) -> None:
    batch = _big(farm)
    facts = {"batch": batch, "from_place": farm.bench}
    assert refused(farm, "transplant", sites=_sites(farm.t1, 0, 3), **facts).code == (
        "sites_and_plants"
    )
    apart = [_sites(farm.t1, 0, 1)[0], _sites(farm.t2, 0, 1)[0]]
    assert refused(farm, "transplant", sites=apart, **facts).code == "sites_and_plants"
    farm.tell("transplant", sites=_sites(farm.t1, 0, 4), **facts)
    assert farm.stock(batch, farm.t1) == 2
    assert faults() == []


def test_no_plant_stands_across_two_towers(farm: Farm) -> None:
    """T1 has an odd number of free sites: the one left over is not half of a plant on T2."""
    batch = _big(farm, 60)
    for tower in (farm.t1, farm.t2):
        farm.plant(farm.sow(1), tower, 1)
    farm.tell("transplant", batch=batch, from_place=farm.bench, towers=[farm.t1, farm.t2])
    assert (farm.stock(batch, farm.t1), farm.stock(batch, farm.t2)) == (24, 24)
    across = Planting.objects.filter(blocked_by__isnull=False).exclude(
        site__tower=F("blocked_by__site__tower")
    )
    assert not across.exists()
    no = refused(
        farm, "transplant", batch=batch, from_place=farm.bench, towers=[farm.t1, farm.t2], plants=1
    )
    assert no.code == "no_room"


def test_a_big_plant_is_named_by_any_site_that_it_takes(farm: Farm) -> None:
    batch = _big(farm)
    sites = _sites(farm.t1, 0, 8)
    farm.plant(batch, sites=sites)  # plants on 0 and 1, 2 and 3, 4 and 5, 6 and 7
    heads = [p.site for p in living(farm.now).filter(blocked_by=None).order_by("site_id")]
    assert heads == sites[::2]

    def cut(**where: Any) -> list[PlantSite]:
        lot = farm.cut(100, **where)
        return [c.planting.site for c in lot.cut_sites.order_by("planting__site_id")]

    assert cut(sites=[sites[1], sites[2]]) == [sites[0], sites[2]]
    assert cut(towers=[farm.t1], except_sites=[sites[1]]) == sites[2::2]
    lost = {"batch": batch, "place": farm.t1, "reason": "slugs"}
    assert refused(farm, "lose_plants", sites=[sites[3]], plants=2, **lost).code == (
        "sites_and_plants"
    )
    farm.tell("lose_plants", sites=[sites[3]], plants=1, **lost)
    assert farm.stock(batch, farm.t1) == 3
    farm.tell("clear", batch=batch, except_sites=[sites[7]])
    assert living(farm.now).filter(blocked_by=None).get().site == sites[6]
    assert faults() == []


# --- in use where the act was done ------------------------------------------------------------


def _open(farm: Farm, name: str, kind: str, place: Place, **item: Any) -> Lot:
    item_ = Item.objects.create(name=name, kind=kind, **item)
    told = {"item": item_, "supplier": farm.supplier, "place": farm.store}
    lot = farm.tell("receive_input", **told).lot
    farm.tell("open_input", lot=lot, place=place)
    return lot


def test_gloves_and_knives_touch_what_was_cut_where_they_were_in_use(farm: Farm) -> None:
    """Nobody says where a cut was made: it is where the plants stand."""
    everywhere = _open(farm, "Knife blades", "hand_gear", farm.greenhouse)
    on_t1 = _open(farm, "Gloves", "hand_gear", farm.t1)
    on_t2 = _open(farm, "Blue gloves", "hand_gear", farm.t2)
    in_tent = _open(farm, "Scissors", "hand_gear", farm.tent)
    on_line = _open(farm, "Line gloves", "hand_gear", farm.line)
    lots = {"everywhere": everywhere, "on_t1": on_t1, "on_t2": on_t2}
    lots |= {"in_tent": in_tent, "on_line": on_line}
    batch = farm.sow(40)
    cress = farm.sow(20, place=farm.tent)
    moved = farm.sow(20, place=farm.tent)
    go(farm, 1)
    farm.tell("move_plants", batch=moved, from_place=farm.tent, to_place=farm.bench, plants=20)
    farm.plant(batch, farm.t1, 10)
    farm.plant(batch, farm.t2, 10)
    go(farm, 2)
    cuts = {
        "of_t1": farm.cut(200, towers=[farm.t1]),
        "of_t2": farm.cut(200, towers=[farm.t2]),
        "of_both": farm.cut(200, batch),
        "of_tent": farm.cut(200, cress),
        "of_bench": farm.cut(200, moved),
        "carried": farm.cut(200, cress, area=farm.t2),
        "unknown": farm.cut(200),
    }
    go(farm, 3)
    farm.tell("finish_input", lot=on_t1, place=farm.t1)
    go(farm, 4)
    cuts["later"] = farm.cut(200, towers=[farm.t1])
    touched(
        """
        of_t1    | everywhere, on_t1
        of_t2    | everywhere, on_t2
        of_both  | everywhere, on_t1, on_t2
        of_tent  | in_tent
        of_bench | everywhere
        carried  | in_tent, everywhere, on_t2
        later    | everywhere
        """,
        batch=batch,
        cress=cress,
        moved=moved,
        **lots,
        **cuts,
    )
    assert faults() == []


def test_medium_and_young_plants_touch_what_was_planted_with_them(farm: Farm) -> None:
    """A planting makes no lot of its own: what is cut from it bears the edge."""
    lots = {"batch": farm.sow(60), "other": farm.sow(20, place=farm.bench2)}
    go(farm, 5)
    lots["wool"] = _open(farm, "Mineral wool", "medium", farm.bench)
    lots["plugs"] = _open(farm, "Bought plugs", "young_plants", farm.t1)
    lots["gloves"] = _open(farm, "Gloves", "hand_gear", farm.bench)
    go(farm, 6)
    farm.plant(lots["batch"], farm.t1, 10)
    go(farm, 7)
    finished = farm.tell("finish_input", lot=lots["wool"], place=farm.bench)
    lots["peat"] = _open(farm, "Peat", "medium", farm.greenhouse)
    go(farm, 8)
    farm.plant(lots["batch"], farm.t2, 10)
    farm.plant(lots["other"], farm.t2, 10, from_place=farm.bench2)
    go(farm, 20)
    lots |= {
        "of_t1": farm.cut(200, towers=[farm.t1]),
        "of_t2": farm.cut(200, lots["batch"], towers=[farm.t2]),
        "of_other": farm.cut(200, lots["other"]),
    }
    # what was planted last may have been on T1 before, as with the water there
    touched(
        """
        of_t1    | wool, plugs
        of_t2    | wool, plugs, peat
        of_other | peat
        """,
        **lots,
    )
    farm.tell("cancel", event=finished, reason="half of it is left")
    farm.tell("finish_input", lot=lots["wool"], place=farm.bench, at=day(5.5))
    touched(
        """
        of_t1    | plugs
        of_t2    | plugs, peat
        of_other | peat
        """,
        **lots,
    )
    assert faults() == []


def test_an_open_seed_packet_touches_a_sowing_that_names_none(farm: Farm) -> None:
    """The named packet wins. Else what lies open there: of that crop, or of no crop known."""
    green = _open(farm, "Loose-leaf seed", "seed", farm.greenhouse, variety=farm.green)
    red = _open(farm, "Mustard seed", "seed", farm.greenhouse, variety=farm.red)
    mixed = _open(farm, "Seed of all sorts", "seed", farm.bench)
    basil = _open(farm, "Mustard plugs", "young_plants", farm.bench, variety=farm.red)
    elsewhere = _open(farm, "Loose-leaf seed in the tent", "seed", farm.tent, variety=farm.green)
    touched(
        """
        named     | mixed
        bare      | green, mixed
        of_red    | red, mixed, plugs
        on_bench2 | green
        in_tent   | elsewhere
        """,
        green=green,
        red=red,
        mixed=mixed,
        plugs=basil,
        elsewhere=elsewhere,
        named=farm.sow(10, seed=mixed),
        bare=farm.sow(10),
        of_red=farm.sow(10, farm.red),
        on_bench2=farm.sow(10, place=farm.bench2),
        in_tent=farm.sow(10, place=farm.tent),
    )
    assert faults() == []
