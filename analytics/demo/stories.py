"""What goes wrong, or is out of the common, once in the year; each can be found by its code.

A story's entries carry the client id "story:KEY:number", so that the ledger itself remembers
them. Each waits for its time of the year and for the thing that it needs, and happens once.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from grow import clock
from grow.models import Event, Lot, LotKind
from grow.operations import Crate
from grow.queries import stock
from sales.operations import Arrived

from . import greenhouse, outlets, packhouse, rounds
from .plants import Stand
from .year import Leaf, Packs, Year

Act = Callable[[Year, str], bool]


@dataclass(frozen=True)
class Story:
    """`since` is the share of the year after which it may happen; `months` bind it to a season."""

    key: str
    title: str
    phase: str
    since: float
    act: Act
    months: tuple[int, ...] = ()


@dataclass(frozen=True)
class Told:
    """A story that was played: its day, the code or place to look at, its title."""

    key: str
    day: dt.date
    code: str
    title: str


STORIES: list[Story] = []


def story(title: str, phase: str, since: float = 0.0, months: tuple[int, ...] = ()):
    def register(act: Act) -> Act:
        STORIES.append(Story(act.__name__.replace("_", "-"), title, phase, since, act, months))
        return act

    return register


def tell(year: Year, phase: str) -> None:
    for row in STORIES:
        if (
            row.phase == phase
            and row.key not in year.told
            and year.share >= row.since
            and (not row.months or year.day.month in row.months)
            and row.act(year, row.key)
        ):
            year.told.add(row.key)


# --- dawn -----------------------------------------------------------------------------------


@story("The cold store stood at 9.5 °C overnight", "dawn", 0.42)
def warm_fridge(year: Year, key: str) -> bool:
    if year.day.weekday() == 6 or not year.packs:
        return False
    year.turn_to(6.0)
    told: dict[str, Any] = {
        "kind": "temperature",
        "place": year.place("store"),
        "things": [year.ground.things["fridge"]],
    }
    done = "door found ajar, shut; everything in it looked over; read again at ten"
    year.tell("check", story=key, reading="9.5 °C", passed=False, done=done, **told)
    year.later(0, lambda: year.tell("check", reading="4.2 °C", passed=True, **told))
    year.told.add("fridge-read")
    return True


@story("The bench scale failed its check, was levelled and passed", "dawn", 0.35)
def scale_out(year: Year, key: str) -> bool:
    if year.day.weekday() != 4:
        return False
    year.turn_to(6.5)
    rounds.check_scale(year, 201.4, story=key)
    return True


# --- morning --------------------------------------------------------------------------------


@story(
    "Lettuce sown in the July heatwave, near 30 °C: one cell in five came up", "morning", 0, (7,)
)
def heatwave(year: Year, key: str) -> bool:
    if year.day.weekday() not in (1, 2, 3):
        return False
    green = next(f for f in year.scenario.crops if f.key == "green")
    greenhouse.sow(year, green, 42, celsius=29.5, story=key)
    year.tell(
        "incident",
        kind="heatwave, near 30 °C on the shelves for three days",
        places=year.ground.shelves,
        done="vents and doors open, trays shaded",
    )
    return True


@story("The pump of reservoir north stopped for three hours", "morning", 0.3)
def pump_stopped(year: Year, key: str) -> bool:
    at = year.moment()
    year.tell(
        "incident",
        story=key,
        kind="pump stopped",
        places=year.ground.towers[:15],
        place=year.ground.tanks["north"],
        began_at=at - dt.timedelta(hours=3),
        things=[year.ground.things["pump"]],
        done="inlet cleared, running again, no plant lost",
    )
    return True


@story("The same seed lot was received twice", "morning", 0.08)
def seed_twice(year: Year, key: str) -> bool:
    told: dict[str, Any] = {
        "supplier": "seeds",
        "pence": 150,
        "supplier_lot": "MZ-4471",
        "story": key,
    }
    rounds.receive(year, "mizuna", **told)
    year.later(12, lambda: rounds.receive(year, "mizuna", **told))
    return True


@story("A pane of glass broke over towers 12 to 14", "morning", 0.55)
def broken_glass(year: Year, key: str) -> bool:
    year.tell(
        "incident",
        story=key,
        kind="glass broken",
        places=year.ground.towers[11:14],
        place=year.place("greenhouse"),
        began_at=year.moment() - dt.timedelta(hours=9),
        things=[year.ground.things["glass"]],
        done="nothing cut there for two days, leaf looked over and wiped, floor swept twice",
    )
    for stand in year.stands:
        if any(t in stand.plants for t in year.ground.towers[11:14]):
            stand.safe_from = max(stand.safe_from, year.day + dt.timedelta(days=2))
    return True


@story("A learner's sowings were countersigned", "morning", 0.05)
def countersigned(year: Year, key: str) -> bool:
    if year.day.weekday() != 4:
        return False
    mine = Lot.objects.filter(
        kind=LotKind.BATCH, made_by__done_by=year.ground.people["learner"]
    ).order_by("id")
    if not mine:
        return False
    year.tell(
        "check",
        story=key,
        kind="countersigned",
        reading=", ".join(lot.code for lot in mine[:6]),
        passed=True,
        place=year.place("nursery"),
    )
    return True


# --- cutting --------------------------------------------------------------------------------


def _ripe(year: Year, keys: tuple[str, ...], ripe: float = 1.0) -> list[Stand]:
    return greenhouse.due(year, keys, ripe)


@story("Friday's cut, typed on Sunday with only its day", "cutting", 0.15)
def typed_on_sunday(year: Year, key: str) -> bool:
    if year.day.weekday() != 6:
        return False
    friday = year.day - dt.timedelta(days=2)
    for stand in _ripe(year, ("kale", "chard", "rocket", "green"), 0.85):
        if stand.july_days > 4 and stand.planted < friday:
            leaf = greenhouse.cut(
                year, [stand], by="grower", done_by=("grower", "weekend"), story=key, on=friday
            )
            leaf.cut = friday
            return True
    return False


@story("The crate of two sowings, weighed once", "cutting", 0.2)
def shared_crate(year: Year, key: str) -> bool:
    for crop in ("green", "red", "mizuna", "kale"):
        stands = _ripe(year, (crop,), 0.85)
        if len(stands) > 1:
            greenhouse.cut(year, stands[:2], story=key)
            return True
    return False


@story("A cut put down to the wrong tower and corrected the next day", "cutting", 0.25)
def wrong_tower(year: Year, key: str) -> bool:
    for right in _ripe(year, ("kale", "chard", "red"), 0.9):
        for wrong in year.stands:
            if wrong.facts is right.facts and wrong is not right and wrong.cuts:
                leaf = greenhouse.cut(year, [right], story=key, batches=[wrong.lot])
                year.later(1, partial(_origin, year, key, leaf.lot, wrong, right))
                return True
    return False


def _origin(year: Year, key: str, lot: Lot, wrong: Stand, right: Stand) -> None:
    year.tell(
        "correct_origin",
        story=key,
        lot=lot,
        wrong=wrong.lot,
        right=right.lot,
        towers=list(right.plants),
        reason="the next tower along; seen on the paper sheet",
    )


@story("A tower cleared full of good lettuce for want of orders", "cutting", 0.0, (5, 6, 7, 8, 9))
def cleared_full(year: Year, key: str) -> bool:
    if year.share < 0.1 or year.day.weekday() != 2:
        return False
    for stand in _ripe(year, ("green", "red")):
        if stand.cuts >= 2:
            grams = round(stand.alive * stand.grams_each, -2)
            greenhouse.clear(
                year, stand, story=key, left="full", why="no order", uncut_g=int(grams)
            )
            return True
    return False


@story("Strawberries picked through the winter", "cutting", 0.0, (1, 2))
def winter_strawberries(year: Year, key: str) -> bool:
    stands = [s for s in _ripe(year, ("strawberry",), 0.9) if s.alive * s.grams_each > 40]
    if stands:
        greenhouse.cut(year, stands[:1], story=key)
    return bool(stands)


@story("A crate cut inside a spray's harvest interval: told, held, destroyed", "cutting", 0.5)
def inside_interval(year: Year, key: str) -> bool:
    if year.day.weekday() not in (1, 2, 3):
        return False
    sprayed = rounds.spray(year, story=key)
    if sprayed is None:
        return False
    stands = [s for s in sprayed[1] if s.ripe > 0.3 and s.alive * s.grams_each > 60]
    if not stands:
        return False
    year.turn_to(10)
    leaf = greenhouse.cut(year, stands[:1], by="weekend", story=key, already_done=True)
    year.leaf.remove(leaf)
    year.later(1, lambda: _destroy(year, leaf))
    return True


def _destroy(year: Year, leaf: Leaf) -> None:
    year.tell(
        "discard",
        by="safety",
        lot=leaf.lot,
        from_place=year.place("store"),
        to="destroyed",
        quantity=leaf.grams,
        reason="cut inside a harvest interval",
        basis="weighed",
    )


# --- packing --------------------------------------------------------------------------------


@story("12.0 typed for 1.20 kg, found after packing and corrected", "packing", 0.28)
def ten_times(year: Year, key: str) -> bool:
    mild = _product(year, "MILD-120")
    for stand in _ripe(year, ("green",), 0.8):
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


@story("A mock recall: held, counted on the shelf, released", "sending", 0.65)
def mock_recall(year: Year, key: str) -> bool:
    if year.day.weekday() not in (1, 2, 3, 4):
        return False
    there = [s for s in year.shelf if s.left >= 3 and s.facts.code == "SALAD-120"]
    if not there:
        return False
    lot, n = there[0].lot, there[0].left
    year.turn_to(15)
    year.tell("hold", by="safety", story=key, lots=[lot], reason="mock recall, nothing is wrong")
    year.tell(
        "check",
        by="safety",
        story=key,
        minutes=25,
        kind="mock recall",
        reading=f"{n} on the shelf; Brindlecote answered the telephone; 25 minutes",
        passed=True,
        place=year.place("shop"),
    )
    year.tell("release", by="safety", story=key, lots=[lot], reason="mock recall is over")
    return True


# --- evening --------------------------------------------------------------------------------


@story("The chef's own scissors: a bunch cut after hours", "evening", 0.12)
def own_scissors(year: Year, key: str) -> bool:
    year.turn_to(17.7)
    for stand in _ripe(year, ("basil", "parsley", "kale"), 0.4):
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


@story("A complaint with only a product and a day", "evening", 0.6)
def complaint(year: Year, key: str) -> bool:
    if year.day.weekday() != 1:
        return False
    year.tell(
        "incident",
        by="shop",
        story=key,
        kind="complaint",
        places=[year.place("shop")],
        place=year.place("shop"),
        done="Caller: salad bag 120 g bought on Saturday, a small stone; bag not kept. "
        "Runs that were on the shelf on Saturday looked up, nothing found in the rest.",
    )
    return True


# --- found again ----------------------------------------------------------------------------


def told() -> list[Told]:
    """The stories that the ledger holds, by day: each with the code or the place to look at."""
    titles = {row.key: row.title for row in STORIES}
    found: dict[str, Told] = {}
    events = Event.objects.filter(client_id__startswith="story:").order_by("id")
    for event in events.select_related("place").prefetch_related("made"):
        key = str(event.client_id).split(":")[1]
        if key in titles and key not in found:
            found[key] = Told(key, clock.number_day(event.day), _code(event), titles[key])
    return sorted(found.values(), key=lambda t: (t.day, t.key))


def _code(event: Event) -> str:
    made = list(event.made.all())
    if made:
        return made[-1].code
    moved = event.movements.select_related("lot").order_by("id").first()
    if moved:
        return moved.lot.code
    if event.kind == "hold":
        return Lot.objects.filter(holds__began_by=event).order_by("id")[0].code
    if event.kind == "sell":
        return event.unnamed.order_by("id")[0].line
    return event.place.name if event.place else "Greenhouse"


def code_to_trace() -> str:
    """A run of salad bags with everything before and behind it."""
    runs = Lot.objects.filter(kind=LotKind.PACK, movements__to_place__kind="sold")
    run = runs.filter(line="SALAD-120").order_by("-id").first() or Lot.objects.order_by("-id")[0]
    return run.code
