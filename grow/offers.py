"""What somebody may mean: the rows that a page offers for an argument, likeliest first.

Never all that there is. Of sowings those that stand, of crates those in a store with what is
left of them, first-expired-first, of inputs those not finished. What is not offered can still be
named by its code. A person tied to places is offered what is there.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Exists, Min, Model, OuterRef, Q, QuerySet

from . import clock, scope
from .asks import Ask
from .finding import NAMED
from .kinds import KINDS, OWN
from .models import (
    ENDS,
    GROWING,
    SOURCES,
    STRICT,
    Crop,
    Event,
    Hold,
    Holding,
    InUse,
    Item,
    Lot,
    LotKind,
    Person,
    Photo,
    Place,
    PlaceKind,
    PlantSite,
    Thing,
    Variety,
)
from .wording import amount

#: Lists that a page carries are never longer; the rest is named by code.
MOST = 200
UNDO_WITHIN = dt.timedelta(minutes=10)


@dataclass(frozen=True)
class Offer:
    """value is sent; label and note are read. A lot that stands somewhere has its place, what is
    left of it and its unit; a sowing its crop and all the places that it is on. fills: what a row
    that is about it says of other arguments."""

    value: str
    label: str
    note: str = ""
    unit: str = ""
    place: str = ""
    quantity: int = 0
    held: bool = False
    crop: str = ""
    on: tuple[str, ...] = ()
    fills: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Asked:
    """For which act, argument and person; chosen: what the form says of other arguments."""

    kind: str
    ask: Ask
    person: Person
    chosen: dict[str, Any]
    group: str = ""


OFFERS: dict[type[Model], Callable[[Asked], list[Offer]]] = {}


def offers(asked: Asked) -> list[Offer]:
    model = asked.ask.model
    if model is None or model not in OFFERS:
        return []
    return OFFERS[model](asked)


def _rows(asked: Asked) -> QuerySet[Any]:
    assert asked.ask.model is not None
    return scope.seen(asked.ask.model._default_manager.all(), asked.person)


def named(asked: Asked) -> list[Offer]:
    """Every row by its name: for tables that people fill in themselves."""
    assert asked.ask.model is not None
    how = NAMED[asked.ask.model]
    rows = _rows(asked).select_related(*how.related) if how.related else _rows(asked)
    return [Offer(how.exactly(row), str(row)) for row in rows[:MOST]]


# --- places --------------------------------------------------------------------------------------

_LAST_KINDS = [*(k for k in PlaceKind if k not in GROWING), *GROWING]
#: Nobody puts anything there by choice.
_SELDOM = {PlaceKind.TRANSIT, PlaceKind.AREA}


def _places(asked: Asked) -> list[Offer]:
    if asked.group:  # a row about a lot says where the lot stands
        return []
    of = asked.ask.of or frozenset(set(PlaceKind) - SOURCES - ENDS)
    wide = len(of) > len(GROWING) + 2
    if asked.kind == "count":
        of -= {*GROWING, PlaceKind.TANK, PlaceKind.BUYER}  # plants are walked, not counted by lot
    if asked.kind == "treat":
        of &= GROWING
    if wide and asked.kind not in ("open_input", "incident", "clean"):
        of -= _SELDOM
    if wide and asked.kind in ("open_input", "receive_input"):
        of -= {PlaceKind.TOWER}
    if asked.ask.name == "store":
        of &= {PlaceKind.STORE, PlaceKind.PACKHOUSE}
    if asked.ask.name == "line":
        of &= {PlaceKind.PACKHOUSE}
    found = _rows(asked).filter(kind__in=of)
    if asked.ask.name not in ("from_place", "place") or asked.kind in ("receive_produce", "fill"):
        found = found.filter(belongs_to=None)  # a reject shelf is filled by a receipt alone
    rows = sorted(
        found,
        key=lambda p: (_LAST_KINDS.index(PlaceKind(p.kind)), natural(p.name)),
    )
    return [Offer(p.name, p.name, note=p.get_kind_display()) for p in rows[:MOST]]


def natural(name: str) -> tuple[Any, ...]:
    """Tower 9 before Tower 10, and T9 before T10."""
    stem = name.rstrip("0123456789")
    return stem, int(name[len(stem) :] or 0)


# --- lots ----------------------------------------------------------------------------------------


def _lots(asked: Asked) -> list[Offer]:
    kinds = asked.ask.of
    if asked.kind == "release":
        return _held(asked)
    if asked.ask.name in ("wrong", "right") or asked.kind in (
        *("correct_weight", "correct_origin", "clear_origin", "describe"),
    ):
        return _lately_made(asked)
    if kinds == {LotKind.INPUT}:
        return _inputs(asked)
    return standing(asked)


#: Which kinds of input an argument may mean.
_INPUTS: dict[str, tuple[str, ...]] = {
    "seed": (Item.Kind.SEED, Item.Kind.YOUNG_PLANTS),
    "cleaner": (Item.Kind.CLEANER,),
    "inputs": (Item.Kind.NUTRIENT, Item.Kind.WATER_TREATMENT, Item.Kind.CLEANER),
    "product": (Item.Kind.PLANT_PROTECTION, Item.Kind.BENEFICIALS, Item.Kind.CLEANER),
}


def _inputs(asked: Asked) -> list[Offer]:
    """Those not finished; in use first, then the latest received."""
    open_ = InUse.objects.filter(lot=OuterRef("pk"), ended_by=None)
    done = InUse.objects.filter(lot=OuterRef("pk"), ended_by__isnull=False)
    rows = _rows(asked).filter(kind=LotKind.INPUT).select_related("item", "made_by")
    rows = rows.annotate(in_use=Exists(open_)).filter(Q(in_use=True) | ~Exists(done))
    if asked.ask.name in _INPUTS:
        rows = rows.filter(item__kind__in=_INPUTS[asked.ask.name])
    if asked.kind == "finish_input":
        rows = rows.filter(in_use=True)
    elif asked.kind == "open_input":
        rows = rows.filter(in_use=False)
    return [
        Offer(
            lot.code,
            lot.title,
            note=("in use · " if lot.in_use else "") + f"came in {_day(lot.made_by.day)}",
        )
        for lot in rows.order_by("-in_use", "-id")[:MOST]
    ]


def _held(asked: Asked) -> list[Offer]:
    lots = _rows(asked)
    rows = Hold.objects.filter(ended_by=None, lot__in=lots).select_related("lot").order_by("-lot")
    reasons = {hold.lot: hold.reason for hold in rows[:MOST]}
    return [Offer(lot.code, lot.title, note=reason) for lot, reason in reasons.items()]


def _lately_made(asked: Asked) -> list[Offer]:
    kinds = asked.ask.of or frozenset(LotKind)
    rows = _rows(asked).filter(kind__in=kinds).select_related("made_by").order_by("-id")
    return [Offer(lot.code, lot.title, note=_day(lot.made_by.day)) for lot in rows[:60]]


#: Acts that may name plants, by their code, but seldom do.
_OF_GOODS = frozenset({"pack", "put_on_shelf", "deliver", "receive", "move", "discard"})
#: From where goods go out; what stands with others is not ours to send.
_OURS = frozenset({PlaceKind.STORE, PlaceKind.PACKHOUSE})


def _where(asked: Asked) -> frozenset[str]:
    """The kinds of place in which a lot would stand that this act may mean."""
    if asked.kind in ("pack", "rework", "put_on_shelf", "deliver"):
        return _OURS
    if asked.kind == "use":
        return frozenset({PlaceKind.KITCHEN})
    if asked.kind == "return_goods":
        return frozenset({PlaceKind.SHOP, PlaceKind.KITCHEN, PlaceKind.BUYER})
    elsewhere = set() if asked.kind == "hold" else {PlaceKind.BUYER, PlaceKind.TRANSIT}
    return frozenset(set(PlaceKind) - SOURCES - ENDS - elsewhere)


def standing(asked: Asked) -> list[Offer]:
    """Lots with what is left of them: one offer a lot and place, plants one a sowing."""
    kinds = (asked.ask.of or STRICT) & STRICT
    if asked.kind in _OF_GOODS:
        kinds = kinds - {LotKind.BATCH}
    if asked.kind == "pack":
        kinds = kinds - {LotKind.PACK}  # opened bags are reworked
    rows = (
        scope.seen(Holding.objects.all(), asked.person)
        .filter(
            quantity__gt=0,
            source=False,
            lot__kind__in=kinds,
            place__kind__in=_where(asked),
        )
        .select_related("lot__made_by", "lot__crop", "place")
    )
    if asked.kind == "put_on_shelf":
        rows = rows.filter(lot__kind=LotKind.PACK)
    if asked.ask.what == "tally":
        rows = rows.filter(place__name=asked.chosen.get("place") or "")
    rows = rows.annotate(
        dated=Min("lot__descriptions__best_before"),
        is_held=Exists(Hold.objects.filter(lot=OuterRef("lot"), ended_by=None)),
    )
    if kinds == {LotKind.BATCH}:
        return _sowings(rows, asked.kind)[:MOST]
    by: dict[tuple[int, int], list[Any]] = defaultdict(list)
    for h in _first_expired(list(rows)):
        # a hold is on the lot, wherever it stands
        by[h.lot_id, 0 if asked.kind == "hold" else h.place_id].append(h)
    return [_standing(there, asked.ask.what == "tally") for there in by.values()][:MOST]


def _first_expired(rows: Sequence[Any]) -> list[Any]:
    """What stands with us, first-expired-first, then the oldest; then what stands elsewhere, the
    latest first."""
    ours = [h for h in rows if h.place.kind in _OURS]
    elsewhere = [h for h in rows if h.place.kind not in _OURS]
    ours.sort(key=lambda h: (_date(h) or dt.date.max, h.lot.made_by.placed_at, h.lot_id))
    return [*ours, *sorted(elsewhere, key=lambda h: -h.lot_id)]


def _date(h: Any) -> dt.date | None:
    """The date on it: that of its birth, or a shorter one that was given since."""
    return min(filter(None, (h.lot.use_by, h.dated)), default=None)


def _standing(there: Sequence[Any], here: bool) -> Offer:
    h, *elsewhere = there
    lot = h.lot
    left = amount(h.quantity, lot.unit, kind=lot.kind)
    where = [f"{left} in {h.place}"]
    where += [f"{amount(e.quantity, lot.unit, kind=lot.kind)} in {e.place}" for e in elsewhere[:3]]
    if len(elsewhere) > 3:
        where.append(f"and in {len(elsewhere) - 3} more places")
    told = [left if here else ", ".join(where), age_of(lot)]
    if date := _date(h):
        told.append(f"use by {date:%d %b}")
    return Offer(
        lot.code,
        lot.title or str(lot.crop or lot.get_kind_display()),
        note=" · ".join(filter(None, told)),
        unit=lot.unit,
        place=h.place.name,
        quantity=h.quantity,
        held=h.is_held,
    )


def _sowings(rows: Iterable[Any], kind: str) -> list[Offer]:
    """One offer a sowing with where its plants stand: the youngest first, but for a cut those on
    towers before those on benches."""
    by_lot: dict[Lot, list[Any]] = defaultdict(list)
    for h in rows:
        by_lot[h.lot].append(h)

    def order(lot: Lot) -> tuple[bool, int]:
        on_tower = any(h.place.kind == PlaceKind.TOWER for h in by_lot[lot])
        return (kind == "harvest" and not on_tower, -lot.pk)

    out = []
    for lot in sorted(by_lot, key=order):
        there = sorted(by_lot[lot], key=lambda h: -h.quantity)
        where = ", ".join(f"{h.quantity} on {h.place}" for h in there[:3])
        more = f" and {len(there) - 3} more" if len(there) > 3 else ""
        out.append(
            Offer(
                lot.code,
                lot.title,
                note=" · ".join(
                    filter(
                        None,
                        (str(lot.crop or ""), f"sown {_day(lot.made_by.day)}", f"{where}{more}"),
                    )
                ),
                unit=lot.unit,
                place=there[0].place.name,
                quantity=sum(h.quantity for h in there),
                held=any(h.is_held for h in there),
                crop=str(lot.crop or ""),
                on=tuple(sorted((h.place.name for h in there), key=natural)),
            )
        )
    return out


def age_of(lot: Lot) -> str:
    days = (clock.local(clock.now()).date() - clock.number_day(lot.made_by.day)).days
    word = {LotKind.HARVEST: "cut", LotKind.PACK: "packed", LotKind.PRODUCE: "bought"}.get(
        LotKind(lot.kind), ""
    )
    if not word:
        return ""
    return (
        f"{word} today"
        if days <= 0
        else f"{word} {'yesterday' if days == 1 else f'{days} days ago'}"
    )


def _day(number: int) -> str:
    return f"{clock.number_day(number):%d %b}".lstrip("0")


# --- entries -------------------------------------------------------------------------------------


def _events(asked: Asked) -> list[Offer]:
    rows = _rows(asked).exclude(kind__in=OWN).filter(told__isnull=False)
    rows = rows.filter(kind__in=[k.name for k in KINDS.values() if k.can_cancel])
    rows = rows.exclude(corrections__kind__in=("cancel", "undo"))
    if asked.kind == "undo":
        since = clock.now() - UNDO_WITHIN
        rows = rows.filter(recorded_by=asked.person, recorded_at__gte=since)
    rows = rows.select_related("recorded_by").prefetch_related("made").order_by("-id")[:40]
    return [
        Offer(
            str(e.pk),
            " ".join([KINDS[e.kind].says.capitalize(), *(lot.code for lot in e.made.all())]),
            note=f"{clock.local(e.happened_at):%d %b %H:%M} · {e.recorded_by}",
        )
        for e in rows
    ]


def _things(asked: Asked) -> list[Offer]:
    """All that has a name; where a probe is asked for, probes."""
    rows = named(asked)
    if asked.ask.name != "probe":
        return rows
    probes = _rows(asked).filter(kind=Thing.Kind.PROBE).values_list("name", flat=True)
    return [offer for offer in rows if offer.value in set(probes)]


def _none(asked: Asked) -> list[Offer]:
    return []


OFFERS |= {
    Place: _places,
    Lot: _lots,
    Event: _events,
    Crop: named,
    Variety: named,
    Item: named,
    Thing: _things,
    Person: lambda asked: [
        Offer(p.username, str(p)) for p in _rows(asked).filter(is_active=True)[:MOST]
    ],
    Photo: _none,
    PlantSite: _none,
}
