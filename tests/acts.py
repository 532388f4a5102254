"""One random act of each registered kind, drawn from what stands in the books.

Each function takes `pick`, which draws from Hypothesis, and the farm, and returns the arguments
of the operation, or None where there is nothing to do it to. Now and then an act is spoilt (too
much, of nothing, in the wrong place), so that refusals are drawn too.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import Group
from hypothesis import strategies as st

from grow import clock
from grow.models import (
    Event,
    Feed,
    Hold,
    Holding,
    InUse,
    Lineage,
    Lot,
    LotKind,
    Person,
    Place,
    PlantSite,
    SignOff,
    Tag,
    ToCountersign,
    alive,
)
from grow.queries import living
from sales import recall_words, recalls
from sales.models import Complaint, DeliveryNote, Notice, Recall, RecallWindow
from sales.operations import Arrived, CameBack
from tests.farm import Crate, Farm, Line, Taken, TillRow

ACTS: dict[str, Callable[[Pick, Farm], dict[str, Any] | None]] = {}


class Pick:
    """Draws that read like the sentence they make."""

    def __init__(self, draw: Callable[[Any], Any]) -> None:
        self.draw = draw

    def one(self, values: Any) -> Any:
        values = list(values)
        return self.draw(st.sampled_from(values)) if values else None

    def number(self, least: int, most: int) -> int:
        return self.draw(st.integers(least, max(least, most)))

    def chance(self, percent: int) -> bool:
        return self.draw(st.integers(0, 99)) < percent

    def some(self, values: Any, most: int = 3) -> list[Any]:
        values = list(values)
        if not values:
            return []
        return self.draw(
            st.lists(st.sampled_from(values), min_size=1, max_size=most, unique_by=lambda v: v.pk)
        )

    def held(self, *kinds: str, places: tuple[str, ...]) -> tuple[Lot, Place, int] | None:
        """A lot of these kinds that stands in a place of those kinds, and how much."""
        rows = Holding.objects.filter(
            lot__kind__in=kinds, place__kind__in=places, quantity__gt=0
        ).select_related("lot__made_by", "lot__variety", "lot__crop", "place")
        row = self.one(rows.order_by("lot_id", "place_id"))
        return (row.lot, row.place, row.quantity) if row else None

    def of(self, there: int) -> int:
        """A quantity out of what is there: now and then too much, or nothing."""
        if self.chance(12):
            return there + self.number(1, 500)
        if self.chance(5):
            return 0
        return self.number(1, there)


class Dice(Pick):
    """The same by plain dice, which do not fall alike many times running as Hypothesis draws."""

    def __init__(self, seed: int) -> None:
        self.dice = random.Random(seed)

    def one(self, values: Any) -> Any:
        values = list(values)
        return self.dice.choice(values) if values else None

    def number(self, least: int, most: int) -> int:
        return self.dice.randint(least, max(least, most))

    def chance(self, percent: int) -> bool:
        return self.dice.randrange(100) < percent

    def some(self, values: Any, most: int = 3) -> list[Any]:
        values = list(values)
        return self.dice.sample(values, min(len(values), self.dice.randint(1, most)))


def act(function: Callable[[Pick, Farm], dict[str, Any] | None]):
    ACTS[function.__name__] = function
    return function


NURSERY = ("bench", "shelf", "tent")
LEAF = (LotKind.HARVEST, LotKind.PRODUCE)


@act
def sow(pick: Pick, farm: Farm):
    place = farm.t1 if pick.chance(5) else pick.one([farm.bench, farm.bench2, farm.tent])
    seeds = Lot.objects.filter(kind=LotKind.INPUT, item__kind="seed").order_by("id")
    return {
        "variety": pick.one([farm.green, farm.red]),
        "place": place,
        "cells": pick.number(1, 60),
        "seed": pick.one(seeds) if pick.chance(60) else None,
    }


@act
def check_germination(pick: Pick, farm: Farm):
    found = pick.held(LotKind.BATCH, places=NURSERY)
    if found is None:
        return None
    batch, place, there = found
    return {"batch": batch, "place": place, "not_up": -1 if pick.chance(10) else pick.of(there)}


@act
def lose_plants(pick: Pick, farm: Farm):
    found = pick.held(LotKind.BATCH, places=(*NURSERY, "tower"))
    if found is None:
        return None
    batch, place, there = found
    return {"batch": batch, "place": place, "plants": pick.of(there), "reason": "slug"}


@act
def move_plants(pick: Pick, farm: Farm):
    found = pick.held(LotKind.BATCH, places=(*NURSERY, "tower"))
    if found is None:
        return None
    batch, place, there = found
    to = (
        farm.store
        if pick.chance(5)
        else pick.one(p for p in (farm.bench, farm.bench2, farm.tent) if p != place)
    )
    return {"batch": batch, "from_place": place, "to_place": to, "plants": pick.of(there)}


@act
def transplant(pick: Pick, farm: Farm):
    found = pick.held(LotKind.BATCH, places=NURSERY)
    if found is None:
        return None
    batch, place, there = found
    facts = {"batch": batch, "from_place": place}
    if pick.chance(20):
        sites = pick.some(PlantSite.objects.order_by("id")[:30], 5)
        return facts | {"sites": sites}
    return facts | {"towers": [pick.one([farm.t1, farm.t2, farm.t3])], "plants": pick.of(there)}


@act
def clear(pick: Pick, farm: Farm):
    batch = pick.one(Lot.objects.filter(kind=LotKind.BATCH).order_by("id"))
    return batch and {"batch": batch, "left": pick.one(["empty", "some", "full"])}


@act
def opening_entry(pick: Pick, farm: Farm):
    if pick.chance(30):
        return {
            "kind": LotKind.BATCH,
            "variety": farm.green,
            "quantity": pick.number(0, 6),
            "towers": [farm.t3],
        }
    if pick.chance(50):
        return {
            "kind": LotKind.HARVEST,
            "crop": farm.lettuce,
            "quantity": pick.number(0, 900),
            "place": farm.store,
        }
    return {
        "kind": LotKind.PACK,
        "title": farm.bag.name,
        "line": farm.bag.line,
        "grams_each": 120,
        "quantity": pick.number(0, 9),
        "place": pick.one([farm.store, farm.shop_place]),
        "use_by": farm.today + dt.timedelta(days=pick.number(0, 6)),
    }


@act
def receive_input(pick: Pick, farm: Farm):
    return {
        "item": pick.one(farm.items),
        "supplier": farm.supplier,
        "place": farm.store,
        "supplier_lot": pick.one(["001", "002", ""]),
        "quantity": pick.one([None, 500]),
    }


@act
def open_input(pick: Pick, farm: Farm):
    lot = pick.one(Lot.objects.filter(kind=LotKind.INPUT).order_by("id"))
    where = [farm.greenhouse, farm.line, farm.tank]
    return lot and {"lot": lot, "place": pick.one(where)}


@act
def finish_input(pick: Pick, farm: Farm):
    use = pick.one(InUse.objects.select_related("lot__made_by", "place").order_by("id"))
    return use and {"lot": use.lot, "place": use.place}


@act
def receive_produce(pick: Pick, farm: Farm):
    return {
        "crop": pick.one([farm.lettuce, farm.mustard]),
        "supplier": farm.supplier,
        "place": farm.store,
        "grams": 0 if pick.chance(15) else pick.number(1, 3000),
        "supplier_lot": "77",
    }


@act
def describe(pick: Pick, farm: Farm):
    lot = pick.one(Lot.objects.order_by("id"))
    return lot and {
        "lot": lot,
        "called": pick.one(["", "old label 7"]),
        "best_before": pick.one([None, farm.today, farm.today + dt.timedelta(days=9)]),
    }


def _tank(pick: Pick, farm: Farm) -> Place:
    return farm.bench if pick.chance(15) else pick.one([farm.tank, farm.bench_tank, farm.wash_tank])


def _water(pick: Pick, farm: Farm):
    inputs = Lot.objects.filter(kind=LotKind.INPUT, item__kind="nutrient").order_by("id")
    return {"tank": _tank(pick, farm), "inputs": pick.some(inputs, 1) if pick.chance(40) else []}


for _name in ("fill", "top_up", "dose"):
    ACTS[_name] = _water


@act
def drain_and_clean(pick: Pick, farm: Farm):
    return {"tank": _tank(pick, farm)}


@act
def feed(pick: Pick, farm: Farm):
    row = pick.one(
        Feed.objects.filter(ended_by=None).select_related("tank", "place").order_by("id")
    )
    if row and pick.chance(40):
        return {"tank": row.tank, "ends": [row.place]}
    places = [farm.t1, farm.t2, farm.t3, farm.bench, farm.bench2, farm.tent, farm.greenhouse]
    return {"tank": pick.one([farm.tank, farm.bench_tank]), "begins": pick.some(places, 2)}


@act
def test_water(pick: Pick, farm: Farm):
    return {"tank": farm.tank, "kind": "EC", "reading": "1.6", "passed": pick.chance(80)}


@act
def lab_result(pick: Pick, farm: Farm):
    lots = pick.some(Lot.objects.filter(alive("made_by")).order_by("id"), 2)
    return {
        "criterion": pick.one(["e_coli_cut", "water_contact", "water_mean"]),
        "results": pick.one(["10 20 30 40 50", "10 10 10 10 1001", "<10", "1,500"]),
        "lots": lots,
        "place": pick.one([None, farm.tank, farm.t1]),
    }


@act
def treat(pick: Pick, farm: Farm):
    places = pick.some([farm.t1, farm.t2, farm.bench, farm.tent], 2)
    return {
        "item": farm.soap,
        "places": [] if pick.chance(5) else places,
        "reason": "aphid",
        "harvest_interval_days": pick.one([None, 0, 2]),
    }


@act
def harvest(pick: Pick, farm: Farm):
    crates = [Crate(pick.number(300, 3000), pick.one([0, 0, 900]), "")]
    tag = pick.one(Tag.objects.order_by("id"))
    if tag and pick.chance(25):
        crates.append(Crate(pick.number(300, 900), 0, tag.code))
    facts = {"crates": crates, "store": farm.store, "sure": pick.chance(80)}
    live = list(living(farm.now).select_related("batch", "site__tower").order_by("id")[:40])
    if not live or pick.chance(15):
        return facts | {"crop": farm.lettuce}
    planting = pick.one(live)
    if pick.chance(30):
        return facts | {"sites": [p.site for p in pick.some(live, 4)], "crop": planting.batch.crop}
    if pick.chance(30):
        return facts | {"towers": [planting.site.tower], "crop": planting.batch.crop}
    batches = {p.batch for p in live if p.batch.crop_id == planting.batch.crop_id}
    facts["batches"] = pick.some(sorted(batches, key=lambda b: b.pk), 2)
    return facts


@act
def print_tags(pick: Pick, farm: Farm):
    return {"count": pick.number(0, 3)}


@act
def pack(pick: Pick, farm: Farm):
    crates = {}
    for _ in range(pick.number(1, 2)):
        found = pick.held(*LEAF, places=("store",))
        if found:
            crates[found[0].pk] = found
    if not crates:
        return None
    taken, grams = [], 0
    for lot, place, there in crates.values():
        left = pick.number(0, there) if pick.chance(30) else 0
        taken.append(Taken(lot, place, left=left))
        grams += there - left
    return {
        "product": farm.bag,
        "taken": taken,
        "packs": max(0, grams // 120 + pick.number(-2, 1)),
        "store": farm.store,
        "line": farm.line,
        "giveaway_g": pick.one([0, 0, 15]),
        "samples_g": pick.one([0, 0, 20]),
        "trim_g": pick.one([None, None, 40]),
        "weighed_again": pick.chance(60),
    }


@act
def rework(pick: Pick, farm: Farm):
    found = pick.held(LotKind.PACK, places=("store",))
    if found is None:
        return None
    lot, place, there = found
    opened = pick.of(there)
    taken = [Taken(lot, place, used=opened)]
    leaf = pick.held(*LEAF, places=("store",))
    grams = opened * 120
    if leaf and pick.chance(50):
        taken.append(Taken(leaf[0], leaf[1], left=0))
        grams += leaf[2]
    return {
        "product": farm.bag,
        "taken": taken,
        "packs": grams // 120,
        "store": farm.store,
        "line": farm.line,
    }


def _run(pick: Pick) -> Lot | None:
    return pick.one(Lot.objects.filter(run__isnull=False).order_by("id"))


@act
def look_over(pick: Pick, farm: Farm):
    well = pick.chance(70)
    return {"line": farm.line, "clean": well, "done": pick.one(["", "wiped down"])}


@act
def weigh_packs(pick: Pick, farm: Farm):
    run = _run(pick)
    if run is None:
        return None
    tenths = [pick.number(1150, 1250) for _ in range(pick.number(0, 4))]
    odd = [Decimal(1200)] if pick.chance(10) else []
    return {"run": run, "weights": [*(Decimal(n) / 10 for n in tenths), *odd], "scale": farm.scale}


@act
def print_labels(pick: Pick, farm: Farm):
    run = _run(pick)
    return run and {"run": run, "count": pick.number(0, 30)}


@act
def spoil_labels(pick: Pick, farm: Farm):
    run = _run(pick)
    return run and {"run": run, "count": pick.number(0, 3)}


@act
def issue_statement(pick: Pick, farm: Farm):
    """Of this month or the one before; now and then of one that was stated."""
    month = (farm.today.replace(day=1) - dt.timedelta(days=pick.number(-1, 40))).replace(day=1)
    return {"outlet": pick.one([farm.shop, farm.kitchen]), "month": month}


@act
def relabel(pick: Pick, farm: Farm):
    run = _run(pick)
    if run is None:
        return None
    date = (run.use_by or farm.today) + dt.timedelta(days=pick.number(-3, 1))
    return {"run": run, "use_by": date, "reason": "wilting", "destroyed": pick.number(0, 9)}


def _line(pick: Pick):
    found = pick.held(*LEAF, LotKind.PACK, places=("store",))
    return found and [Line(found[0], pick.of(found[2]), found[1])]


@act
def deliver(pick: Pick, farm: Farm):
    lines = _line(pick)
    return lines and {"outlet": pick.one([farm.kitchen, farm.corner]), "lines": lines}


@act
def put_on_shelf(pick: Pick, farm: Farm):
    lines = _line(pick)
    return lines and {"outlet": farm.shop, "lines": lines}


@act
def receive(pick: Pick, farm: Farm):
    note = pick.one(DeliveryNote.objects.select_related("outlet__place").order_by("id"))
    if note is None:
        return None
    line = note.lines.select_related("lot__made_by").get()
    least = 0 if line.to_follow else -1
    accepted = pick.number(max(least, 0), line.to_follow + 2)
    return {
        "note": note,
        "lines": [Arrived(line.lot, accepted, pick.one([0, 0, 1]), pick.one([0, 0, 2]), "wilted")],
        "temperature_c": pick.one([None, Decimal("5.1"), Decimal("8.1")]),
    }


@act
def come_without_note(pick: Pick, farm: Farm):
    found = pick.held(*LEAF, LotKind.PACK, places=("store", "kitchen"))
    if found is None:
        return None
    lot, _, there = found
    by_weight = lot.unit == "g"
    if pick.chance(8):
        by_weight = not by_weight
    code = "X9999" if pick.chance(10) else lot.code
    much = {"grams" if by_weight else "packs": pick.of(there)}
    return {"outlet": pick.one([farm.kitchen, farm.corner]), "code": code, **much}


@act
def use(pick: Pick, farm: Farm):
    found = pick.held(*LEAF, LotKind.PACK, places=("kitchen", "shop"))
    if found is None:
        return None
    lot, place, there = found
    return {"lot": lot, "place": place, "quantity": None if pick.chance(40) else pick.of(there)}


@act
def sell(pick: Pick, farm: Farm):
    outlet = pick.one([farm.shop, farm.corner])
    named = pick.held(LotKind.PACK, places=("shop",))
    rows = [TillRow(farm.bag, pick.number(0, 7))]
    if named and named[1] == outlet.place and pick.chance(50):
        rows.append(TillRow(farm.bag, pick.number(1, named[2]), named[0]))
    return {"outlet": outlet, "rows": rows}


@act
def discard(pick: Pick, farm: Farm):
    found = (
        pick.held(LotKind.BATCH, places=(*NURSERY, "tower"))
        if pick.chance(20)
        else pick.held(*LEAF, LotKind.PACK, places=("store", "shop", "kitchen", "quarantine"))
    )
    if found is None:
        return None
    lot, place, there = found
    to = pick.one(["compost", "feed", "donated", "sample", "staff", "landfill", "destroyed"])
    return {
        "lot": lot,
        "from_place": place,
        "to": to,
        "quantity": pick.of(there),
        "reason": "slime",
        "recipient": pick.one(["", "Larder at the chapel"]),
    }


@act
def count(pick: Pick, farm: Farm):
    place = pick.one([farm.store, farm.shop_place, farm.kitchen_place, farm.bench, farm.t1])
    kinds = [*LEAF, LotKind.PACK, LotKind.BATCH]
    rows = (
        Holding.objects.filter(place=place, quantity__gt=0, lot__kind__in=kinds)
        .select_related("lot__made_by")
        .order_by("lot_id")
    )
    counted = {h.lot: max(-1, h.quantity + pick.number(-3, 2)) for h in rows}
    if pick.chance(15):
        counted |= dict.fromkeys(Lot.objects.filter(kind=LotKind.INPUT)[:1], 1)
    closing = place.kind == "shop" and pick.chance(70)
    if not counted:
        return None
    facts = {"place": place, "counted": counted, "closing": closing}
    return facts | {"by_date": True} if pick.chance(50 if closing else 5) else facts


@act
def sold_out(pick: Pick, farm: Farm):
    return {"place": farm.shop_place, "product": farm.loose if pick.chance(20) else farm.bag}


@act
def mark_down(pick: Pick, farm: Farm):
    found = pick.held(*LEAF, LotKind.PACK, places=("shop",))
    if found is None:
        return None
    lot, place, there = found
    return {"place": place, "lot": lot, "quantity": pick.of(there), "pence": pick.number(0, 150)}


@act
def return_goods(pick: Pick, farm: Farm):
    found = pick.held(*LEAF, LotKind.PACK, places=("sold", "served"))
    if found is None:
        return None
    lot, place, there = found
    return {
        "lot": lot,
        "outlet": place.belongs_to.outlet,
        "quantity": pick.of(there),
        "reason": "wilted",
        "to": pick.one(["compost", "quarantine", "store"]),
    }


@act
def move(pick: Pick, farm: Farm):
    found = pick.held(*LEAF, LotKind.PACK, places=("store", "packhouse", "quarantine"))
    if found is None:
        return None
    lot, place, there = found
    to = pick.one(
        p for p in (farm.store, farm.line, farm.quarantine, farm.shop_place) if p != place
    )
    return {"lot": lot, "from_place": place, "to_place": to, "quantity": pick.of(there)}


@act
def hold(pick: Pick, farm: Farm):
    lots = Lot.objects.order_by("id")
    return (
        {"lots": pick.some(lots, 2), "reason": pick.one(["result awaited", ""])} if lots else None
    )


@act
def release(pick: Pick, farm: Farm):
    quarantined = pick.held(*LEAF, LotKind.PACK, places=("quarantine",))
    if quarantined and pick.chance(40):
        lot, place, there = quarantined
        return {
            "lots": [lot],
            "reason": pick.one(["result is good", "result is good", ""]),
            "quantity": pick.of(there),
            "from_place": place,
            "to_place": farm.store,
        }
    row = pick.one(Hold.objects.select_related("lot").order_by("id"))
    return row and {"lots": [row.lot], "reason": pick.one(["result is good", "result is good", ""])}


@act
def correct_weight(pick: Pick, farm: Farm):
    lots = Lot.objects.filter(kind__in=[*LEAF, LotKind.PACK, LotKind.BATCH]).select_related(
        "made_by"
    )
    lot = pick.one(lots.order_by("id"))
    most = 40 if lot and lot.kind == LotKind.PACK else 4000
    return lot and {"lot": lot, "right": pick.number(0, most), "reason": "read wrongly"}


@act
def correct_origin(pick: Pick, farm: Farm):
    edge = pick.one(
        Lineage.objects.filter(kind__in=["grew", "went_in"], struck_by=None)
        .select_related("parent__made_by", "child__made_by")
        .order_by("id")
    )
    if edge is None:
        return None
    right = pick.one(
        Lot.objects.filter(kind=edge.parent.kind, crop=edge.parent.crop)
        .select_related("made_by")
        .order_by("id")
    )
    return {"lot": edge.child, "wrong": edge.parent, "right": right, "reason": "crates swapped"}


@act
def clear_origin(pick: Pick, farm: Farm):
    edge = pick.one(
        Lineage.objects.filter(kind__in=["grew", "went_in"], struck_by__isnull=not pick.chance(75))
        .select_related("parent", "child")
        .order_by("id")
    )
    return edge and {"lot": edge.child, "wrong": edge.parent, "reason": "seen by two"}


def _recorded():
    """What somebody told, cancellations now and then included."""
    return Event.objects.filter(because_of=None).select_related("recorded_by")


@act
def cancel(pick: Pick, farm: Farm):
    told = _recorded() if pick.chance(8) else _recorded().exclude(kind__in=["cancel", "undo"])
    event = pick.one(told.order_by("-id")[:12])
    return event and {"event": event, "reason": "told twice"}


@act
def undo(pick: Pick, farm: Farm):
    told = _recorded().exclude(kind__in=["cancel", "undo"])
    lately = told.filter(recorded_at__gte=farm.now - dt.timedelta(minutes=9))
    event = pick.one((lately if pick.chance(85) else told).order_by("-id")[:3])
    return event and {"event": event}


def learner() -> Person:
    """Somebody who learns, in whatever they had a hand in."""
    lou, new = Person.objects.get_or_create(username="lou")
    if new:
        lou.groups.add(Group.objects.get(name="learner"))
    return lou


def teacher() -> Person:
    """Somebody signed off for teaching, who has had no hand in anything."""
    tia, new = Person.objects.get_or_create(username="tia")
    if new:
        SignOff.objects.create(person=tia, task="teaching", since="2026-01-01", by=tia)
    return tia


@act
def countersign(pick: Pick, farm: Farm):
    rows = ToCountersign.objects.order_by("id")
    if pick.chance(80):
        rows = rows.filter(signed_by=None)
    told = _recorded().order_by("id")
    events = [] if pick.chance(5) else pick.some([row.event for row in rows[:20]])
    events += pick.some(told, 1) if pick.chance(10) else []
    return {"entries": events, "recorded_by": farm.grower if pick.chance(15) else teacher()}


@act
def check(pick: Pick, farm: Farm):
    passed = pick.chance(70)
    return {
        "kind": "test weight",
        "passed": passed,
        "done": "" if pick.chance(30) else "set anew",
        "place": farm.line if pick.chance(80) else None,
    }


@act
def clean(pick: Pick, farm: Farm):
    return {"place": farm.line if pick.chance(80) else None, "how": "hot wash"}


@act
def incident(pick: Pick, farm: Farm):
    return {"kind": "broken glass", "places": [] if pick.chance(20) else [farm.t1]}


def _recall(pick: Pick, mock: bool | None = None) -> Recall | None:
    rows = Recall.objects.select_related("event", "closed_by").order_by("pk")
    if mock is not None and pick.chance(85):
        rows = rows.filter(is_mock=mock)
    return pick.one(rows)


def _scope(pick: Pick, farm: Farm) -> dict[str, Any]:
    """A cut or a run, or a window of a place or a thing; now and then none, or half of one."""
    lots = Lot.objects.filter(kind__in=[*LEAF, LotKind.PACK]).order_by("id")
    lot = pick.one(lots)
    if lot and pick.chance(70):
        return {"lots": [lot]}
    if pick.chance(15):
        return {}
    since = farm.now - dt.timedelta(hours=pick.number(1, 30))
    until = pick.one([None, farm.now, since - dt.timedelta(hours=1)])
    what = pick.one([{"place": farm.store}, {"place": farm.t1}, {"thing": farm.scale}])
    return what | {"since": None if pick.chance(10) else since, "until": until}


@act
def open_recall(pick: Pick, farm: Farm):
    if not pick.chance(50):
        return None  # each holds much of what others would move
    mock = pick.chance(60)
    hazard = "may contain glass" if pick.chance(92) else ""
    return {"kind": "recall", "hazard": hazard, "mock": mock, **_scope(pick, farm)}


@act
def widen_recall(pick: Pick, farm: Farm):
    recall = _recall(pick)
    reason = "the same crate" if pick.chance(85) else ""
    return recall and {"recall": recall, "reason": reason, **_scope(pick, farm)}


@act
def narrow_recall(pick: Pick, farm: Farm):
    recall = _recall(pick)
    if recall is None:
        return None
    facts = {"recall": recall, "reason": "cleaned before" if pick.chance(85) else ""}
    window = pick.one(RecallWindow.objects.select_related("place", "thing").order_by("pk"))
    if window and pick.chance(50):
        moved = dt.timedelta(hours=pick.number(-1, 3))
        return facts | {"window": window, "since": window.since + moved}
    return facts | {"lots": pick.some(Lot.objects.filter(recalls__isnull=False).distinct(), 2)}


@act
def tell_authority(pick: Pick, farm: Farm):
    recall = _recall(pick)
    return recall and {"recall": recall, "authority": "The council", "answered": pick.chance(80)}


@act
def approve_notices(pick: Pick, farm: Farm):
    recall = _recall(pick)
    if recall is None:
        return None
    read = recall_words.digest(recall_words.drafts(recalls.state_of(recall)))
    return {"recall": recall, "seen": "0" * 64 if pick.chance(10) else read}


def _customer(pick: Pick, recall: Recall) -> str:
    names = [customer.name for customer in recalls.state_of(recall).customers]
    return (pick.one(names) or "Kitchen") if pick.chance(85) else "Nobody at all"


@act
def send_notice(pick: Pick, farm: Farm):
    told = Notice.objects.exclude(to="").select_related("recall__event", "recall__closed_by")
    if (notice := pick.one(told.order_by("pk"))) and pick.chance(75):
        return {"recall": notice.recall, "to": [notice.to]}
    recall = _recall(pick)
    return recall and {"recall": recall, "to": [_customer(pick, recall)]}


@act
def reply_recall(pick: Pick, farm: Farm):
    recall = _recall(pick, mock=False)
    if recall is None:
        return None
    says = "" if not pick.chance(85) else "none is left"
    facts = {"recall": recall, "to": _customer(pick, recall), "says": says}
    found = pick.held(*LEAF, LotKind.PACK, places=("kitchen", "shop"))
    if found and pick.chance(40):
        back = pick.of(found[2])
        facts["lines"] = [CameBack(found[0], back, destroyed=pick.one([0, 0, 1]))]
    return facts


@act
def close_recall(pick: Pick, farm: Farm):
    recall = _recall(pick, mock=False)
    done = "a pane was broken" if pick.chance(80) else ""
    unexplained = "eaten" if pick.chance(80) else ""
    return recall and {"recall": recall, "done": done, "unexplained": unexplained}


@act
def close_mock(pick: Pick, farm: Farm):
    recall = _recall(pick, mock=True)
    if recall is None:
        return None
    row = pick.one(recall.lots.select_related("lot__made_by").order_by("pk"))
    if row is None or row.lot.kind not in (*LEAF, LotKind.PACK):
        return None
    short = not pick.chance(70)
    return {
        "recall": recall,
        "lot": row.lot,
        "place": farm.store,
        "counted": max(0, farm.stock(row.lot, farm.store) - short),
        "telephone": "01632 960001" if pick.chance(90) else "",
        "result": "found in time",
        "shortcomings": "one missing" if short and pick.chance(70) else "",
        "corrective": "counted weekly" if pick.chance(80) else "",
    }


@act
def complain(pick: Pick, farm: Farm):
    run = _run(pick)
    return {
        "happened": "a piece of glass" if pick.chance(85) else "",
        "product": pick.one([farm.bag, None]),
        "lot": run if pick.chance(50) else None,
        "date": farm.today,
    }


@act
def put_right(pick: Pick, farm: Farm):
    complaint = pick.one(Complaint.objects.select_related("answered_by").order_by("pk"))
    done = "money back" if pick.chance(80) else ""
    return complaint and {"complaint": complaint, "done": done}


#: How an act may be told: now, of an hour ago, of yesterday with only its day, as a fact.
def telling(pick: Pick, farm: Farm, verb: str) -> dict[str, Any]:
    if verb in ("cancel", "undo", "correct_weight", "correct_origin", "clear_origin"):
        return {}
    if pick.chance(15):  # of tomorrow: refused, unless such an act is always a fact
        return {"at": farm.now + dt.timedelta(days=1)}
    told: dict[str, Any] = {"already_done": pick.chance(35)}
    if pick.chance(12):
        told["done_by"] = [learner()]
    how = pick.number(0, 9)
    if how >= 8:
        told["on"] = clock.local(farm.now).date() - dt.timedelta(days=pick.number(0, 3))
    elif how >= 6:
        told["at"] = farm.now - dt.timedelta(hours=pick.number(1, 60))
    elif how == 5:
        told["at"] = farm.now + dt.timedelta(minutes=pick.one([1, 30]))
    return told
