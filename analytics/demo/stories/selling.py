"""Stories of the pack-house, the door and the shop: packing, sending, the evening."""

from __future__ import annotations

import datetime as dt
from functools import partial

from grow.models import Event, Lot
from grow.operations import Crate
from grow.queries import stock
from sales import recall_words, recalls
from sales.operations import Arrived

from .. import greenhouse, outlets, packhouse, rounds
from ..year import Leaf, Packs, Year
from . import story

# --- packing --------------------------------------------------------------------------------


@story("12.0 typed for 1.20 kg, found after packing and corrected", "packing", 0.28)
def ten_times(year: Year, key: str) -> bool:
    mild = _product(year, "MILD-120")
    for stand in greenhouse.due(year, ("green",), 0.8):
        grams = stand.alive * stand.grams_each * stand.vigour
        if grams < 500:
            continue
        net = round(grams / 10) * 10
        leaf = greenhouse.cut(year, [stand], story=key, told_g=net * 10)
        right = leaf.grams - net * 9
        packhouse.run(year, mild, [(leaf, leaf.grams)], washed=True, real_g=right, story=key)
        year.later(1, partial(_weight, year, key, leaf.lot, right))
        return True
    return False


def _weight(year: Year, key: str, lot: Lot, right: int) -> None:
    year.tell("correct_weight", story=key, lot=lot, right=right, reason="decimal point misread")


@story("Red mustard bags, then plain bags on the same line without a clean", "packing", 0.45)
def no_clean_between(year: Year, key: str) -> bool:
    if not packhouse.plan(year) or not any(p.made == year.day for p in year.packs_of("SALAD-120")):
        return False
    if packhouse.bag_run(year, _product(year, "MILD-120"), 9, least=6, story=key) is None:
        return False
    year.told.add("line-left")
    return True


@story("Leaf bought in from a neighbour in January", "packing", 0.0, (1,))
def bought_in(year: Year, key: str) -> bool:
    if year.day.weekday() != 3:
        return False
    lot = year.tell(
        "receive_produce",
        story=key,
        crop=year.ground.crops["green"],
        supplier=year.ground.suppliers["neighbour"],
        place=year.place("store"),
        grams=2500,
        supplier_lot="LK 117",
        origin="United Kingdom",
        received_c="4.1",
        paid_pence=2100,
        use_by=year.day + dt.timedelta(days=6),
    ).lot
    packhouse.wash_water(year)
    leaf = Leaf("green", lot, 2500, year.day)
    year.leaf.append(leaf)
    packhouse.run(year, _product(year, "MILD-120"), [(leaf, 1250)], washed=True, story=key)
    rounds.clean_line(year)
    return True


def _product(year: Year, code: str):
    return next(p for p in year.scenario.products if p.code == code)


# --- sending --------------------------------------------------------------------------------


@story("A delivery that came in two parts", "sending", 0.33)
def split_delivery(year: Year, key: str) -> bool:
    leaf = [c for c in year.leaf if 100 <= c.grams <= 1200][:2]
    if len(leaf) < 2 or year.day.weekday() == 0:
        return False
    event = outlets.deliver(year, "kitchen", [(c.lot, c.grams) for c in leaf], story=key)
    for days, c in enumerate(leaf):
        year.leaf.remove(c)
        year.later(days, partial(_part, year, key, event, c))
    return True


def _part(year: Year, key: str, event: Event, leaf: Leaf) -> None:
    arrived = [Arrived(leaf.lot, leaf.grams)]
    year.tell("receive", by="chef", story=key, note=event.note, lines=arrived)
    year.kitchen.append((leaf.lot, year.day))


@story("Bags given to a food cupboard", "sending", 0.38)
def donation(year: Year, key: str) -> bool:
    for p in year.packs_of("SALAD-120"):
        if p.left >= 4:
            year.tell(
                "discard",
                by="manager",
                story=key,
                lot=p.lot,
                from_place=year.place("store"),
                to="donated",
                quantity=4,
                reason="more than the week will sell",
                recipient="Saltbarrow food cupboard",
            )
            p.left -= 4
            year.packs = [q for q in year.packs if q.left]
            return True
    return False


@story("A mock recall: the walk against the clock, a count, a telephone", "sending", 0.65)
def mock_recall(year: Year, key: str) -> bool:
    if year.day.weekday() not in (1, 2, 3, 4):
        return False
    there = [s for s in year.shelf if s.left >= 3 and s.facts.code == "SALAD-120"]
    if not there:
        return False
    lot, n = there[0].lot, there[0].left
    year.turn_to(15)
    tell = partial(year.tell, by="safety", story=key)
    recall = tell(
        "open_recall",
        kind="recall",
        hazard="may contain glass",
        reason="once a year",
        lots=[lot],
        mock=True,
    ).recall
    tell("tell_authority", minutes=4, recall=recall)
    state = recalls.state_of(recall)
    read = recall_words.digest(recall_words.drafts(state))
    tell("approve_notices", minutes=6, recall=recall, seen=read)
    tell("send_notice", minutes=5, recall=recall, to=[c.name for c in state.customers])
    booked = stock(lot, year.place("shop"))
    late = n != booked
    tell(
        "close_mock",
        minutes=10,
        recall=recall,
        lot=lot,
        place=year.place("shop"),
        counted=n,
        telephone="01632 960144",
        result="every customer named and one rung up; the balance was there at once",
        shortcomings=f"{n} on the shelf, {booked} booked: no till's day yet" if late else "",
        corrective="the till's day is sent at noon as well" if late else "",
    )
    return True


# --- evening --------------------------------------------------------------------------------


@story("The chef's own scissors: a bunch cut after hours", "evening", 0.12)
def own_scissors(year: Year, key: str) -> bool:
    year.turn_to(17.7)
    for stand in greenhouse.due(year, ("basil", "parsley", "kale"), 0.4):
        if stand.alive * stand.grams_each > 150:
            event = year.tell(
                "harvest",
                by="chef",
                story=key,
                crates=[Crate(gross_g=60)],
                store=year.place("kitchen"),
                batches=[stand.lot],
                area=year.place("greenhouse"),
                basis="estimated",
                sure=True,
            )
            stand.grams_each *= 1 - 60 / (stand.alive * stand.grams_each)
            year.kitchen.append((event.lot, year.day))
            return True
    return False


@story("A crate that the kitchen sent back", "evening", 0.48)
def returned_crate(year: Year, key: str) -> bool:
    kitchen = year.ground.outlets["kitchen"]
    for lot, came in year.kitchen:
        grams = stock(lot, kitchen.place)
        if lot.unit == "g" and grams >= 200 and came == year.day:
            event = year.tell(
                "return_goods",
                by="chef",
                story=key,
                lot=lot,
                outlet=kitchen,
                quantity=grams // 2,
                reason="aphid under the leaves",
                from_customer=False,
                to="quarantine",
            )
            place = event.movements.select_related("to_place").get().to_place
            year.later(2, partial(_compost, year, lot, grams // 2, place))
            return True
    return False


def _compost(year: Year, lot: Lot, grams: int, place) -> None:
    year.tell(
        "discard",
        by="safety",
        lot=lot,
        from_place=place,
        to="compost",
        quantity=grams,
        reason="sent back with aphid",
    )


@story("The till sold two bags more than the books held", "evening", 0.4)
def oversold(year: Year, key: str) -> bool:
    shelf: list[Packs] = [p for p in year.shelf if p.facts.code == "SALAD-120"]
    left = sum(p.left for p in shelf)
    if not shelf or left > 9 or year.day.weekday() == 0:
        return False
    for p in shelf:
        p.left = 0
    outlets.till(year, {"SALAD-120": left + 2}, story=key)
    year.told.add("till-told")
    return True


@story("Bags sold at half price on their last day", "evening", 0.1)
def reduced(year: Year, key: str) -> bool:
    last_day = [p for p in year.shelf if p.lot.use_by == year.day and p.facts.nominal_g == 120]
    if not last_day or "till-told" in year.told:
        return False
    outlets.till(year, story=key, reduce=True)
    year.told.add("till-told")
    return True


def _put_right(year: Year, key: str, told: Event) -> None:
    year.tell(
        "put_right",
        by="safety",
        story=key,
        complaint=told.complaint,
        done="Runs that stood on the shelf that Saturday looked up; nothing found in the rest.",
    )


@story("A complaint with only a product and a day", "evening", 0.6)
def complaint(year: Year, key: str) -> bool:
    if year.day.weekday() != 1:
        return False
    told = year.tell(
        "complain",
        by="shop",
        story=key,
        happened="a small stone in it; the bag was not kept",
        product=year.ground.products["SALAD-120"],
        date=year.day - dt.timedelta(days=3),
        outlet=year.place("shop").outlet,
    )
    year.later(1, partial(_put_right, year, key, told))
    return True
