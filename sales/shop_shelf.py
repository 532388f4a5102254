"""A shop's shelf as a reading: what stands there by product and date, what went on a day and how
that is known, what is sold of nobody knows which lot, what was reduced and what sold out."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

from django.db.models import QuerySet, Sum

from grow import clock
from grow.kinds import WORKED_OUT
from grow.models import (
    Event,
    Hold,
    Holding,
    Lot,
    LotKind,
    Movement,
    Place,
    PlaceKind,
    Unnamed,
    alive,
)
from grow.queries import stocks
from grow.shelf import first_expired_first, there_since, whole_counts
from grow.wording import amount

from .models import DecisionCard, Outlet, Price, Product

C = DecisionCard
#: Till rows older than this wait for nothing any more.
_LATELY = dt.timedelta(days=30)
#: A reduced price is known at the till for so long. Common practice, no source.
REDUCED_FOR = dt.timedelta(days=14)


@dataclass(frozen=True)
class Reduced:
    """So many of a lot at a lower price: pence for one, or for a kilogram."""

    event: Event
    lot: int
    quantity: int
    pence: int


@dataclass
class Standing:
    """One lot on the shelf."""

    lot: Lot
    quantity: int
    date: dt.date | None
    held: str = ""
    reduced: list[Reduced] = field(default_factory=list)

    @property
    def much(self) -> str:
        return amount(self.quantity, self.lot.unit, kind=self.lot.kind)


@dataclass
class OfDate:
    """What stands there of one product with one date; what has no date is by its lot. says: how
    its date reads; key: names its field on a page."""

    lots: list[Standing]
    says: str
    is_past: bool = False

    @property
    def key(self) -> str:
        return self.lots[-1].lot.code

    @property
    def quantity(self) -> int:
        return sum(one.quantity for one in self.lots)

    @property
    def much(self) -> str:
        lot = self.lots[0].lot
        return amount(self.quantity, lot.unit, kind=lot.kind)

    @property
    def by_weight(self) -> bool:
        return self.lots[0].lot.unit == "g"

    @property
    def is_held(self) -> bool:
        return all(one.held for one in self.lots)


@dataclass
class OnShelf:
    """One product on the shelf, oldest date first."""

    line: str
    name: str
    product: Product | None
    dates: list[OfDate] = field(default_factory=list)
    sold_out: dt.datetime | None = None

    def of(self, *, past: bool) -> list[OfDate]:
        return [one for one in self.dates if one.is_past == past]

    @property
    def on_sale(self) -> list[OfDate]:
        return self.of(past=False)

    @property
    def off_sale(self) -> list[OfDate]:
        return self.of(past=True)


def on_shelf(
    outlet: Outlet, day: dt.date, also: Collection[Lot] = (), said: Known | None = None
) -> list[OnShelf]:
    """What stands, or stood at the end of a day, on a shop's shelf, by name. also: lots that
    somebody sees there and the books do not."""
    place, today = outlet.place, clock.local(clock.now()).date()
    evening = clock.end_of(day) if day < today else None
    there = _then(place, evening) if evening else _now(place)
    for lot in also:
        there.setdefault(lot.pk, 0)
    held = dict(Hold.objects.filter(lot__in=there, ended_by=None).values_list("lot_id", "reason"))
    reduced: dict[int, list[Reduced]] = defaultdict(list)
    for one in marked_down(place, day - REDUCED_FOR, day):
        reduced[one.lot].append(one)
    said = said or known(outlet, day)
    gone = sold_outs(place, day)
    found: dict[str, OnShelf] = {}
    by_date: dict[tuple[str, object], OfDate] = {}
    for lot, date in first_expired_first(there, evening):
        line = lot.line or lot.title
        if line not in found:
            product = said.products.get(lot.line)
            found[line] = OnShelf(line, said.name(lot), product, sold_out=gone.get(lot.line))
        key = line, date or lot.pk
        if key not in by_date:
            cut = f"{LotKind(lot.kind).label.lower()} of {_on(clock.number_day(lot.made_by.day))}"
            reads = said.dated(lot, date) if date else cut
            by_date[key] = OfDate([], reads, bool(date and date < day))
            found[line].dates.append(by_date[key])
        by_date[key].lots.append(
            Standing(lot, there[lot.pk], date, held.get(lot.pk, ""), reduced[lot.pk])
        )
    return sorted(found.values(), key=lambda one: one.name.casefold())


def _now(place: Place) -> dict[int, int]:
    rows = Holding.objects.filter(place=place, quantity__gt=0, lot__kind__in=_EATEN)
    return dict(rows.values_list("lot_id", "quantity"))


def _then(place: Place, at: dt.datetime) -> dict[int, int]:
    lots = Lot.objects.filter(pk__in=there_since(place.pk, at), kind__in=_EATEN)
    there = stocks(at, lots=lots.values_list("pk", flat=True), places=[place.pk])
    return {lot: n for (lot, _), n in there.items() if n > 0}


_EATEN = (LotKind.HARVEST, LotKind.PRODUCE, LotKind.PACK)


def _on(day: dt.date) -> str:
    return f"{day.day} {day:%b}"


@dataclass(frozen=True)
class Known:
    """What a shelf's lines are called at an outlet. products: by line; dates: what the date of a
    product is called, by its id."""

    products: dict[str, Product]
    dates: dict[int, str]

    def name(self, lot: Lot) -> str:
        return self.line(lot.line) or lot.title

    def line(self, line: str) -> str:
        product = self.products.get(line)
        return product.name if product else line

    def dated(self, lot: Lot, date: dt.date) -> str:
        product = self.products.get(lot.line)
        return f"{self.dates.get(product.pk if product else 0, 'date')} {_on(date)}"


def known(outlet: Outlet, day: dt.date) -> Known:
    """Of a date the strictest that was decided for this outlet or for all by a day."""
    latest: dict[tuple[int, int | None], str] = {}
    cards = C.objects.filter(since__lte=day).order_by("since", "pk")
    for product, of, kind in cards.values_list("product_id", "outlet_id", "date_kind"):
        if of in (None, outlet.pk):
            latest[product, of] = kind
    dates: dict[int, str] = {}
    for (product, _), kind in latest.items():
        if kind == C.DateKind.USE_BY:
            dates[product] = "use by"
        elif kind == C.DateKind.BEST_BEFORE:
            dates.setdefault(product, "best before")
    return Known({p.line: p for p in Product.objects.select_related("loose_crop")}, dates)


# --- what went on a day ---------------------------------------------------------------------------


@dataclass
class Went:
    """What came and went of one product with one date on one day, in its unit. unseen: into count
    difference, less than nothing where more was counted than the books held."""

    name: str
    says: str
    unit: str
    kind: str
    left: int = 0
    came: int = 0
    known: int = 0
    worked_out: int = 0
    taken: int = 0
    unseen: int = 0

    @property
    def stood(self) -> int:
        """In the morning."""
        return self.left - self.came + self.known + self.worked_out + self.taken + self.unseen

    @property
    def figures(self) -> list[tuple[str, str]]:
        """What is nought is left out, but for what is left."""
        named = (
            ("stood", "In the morning"),
            ("came", "Came"),
            ("known", "Sold, known"),
            ("worked_out", "Sold, worked out"),
            ("taken", "Taken off"),
            ("unseen", "Count difference"),
            ("left", "Left"),
        )
        return [
            (says, self._much(n))
            for name, says in named
            if (n := getattr(self, name)) or name == "left"
        ]

    def _much(self, n: int) -> str:
        return f"{'−' if n < 0 else ''}{amount(abs(n), self.unit)}"


def went_on(outlet: Outlet, day: dt.date, said: Known | None = None) -> list[Went]:
    """Each product and date that stood on the shelf on a day, or of which something came or went:
    what it stood at in the morning, what became of it, and what is left. It adds up."""
    place = outlet.place
    number = clock.day_number(day)
    today = clock.local(clock.now()).date()
    evening = clock.end_of(day) if day < today else None
    left = _then(place, evening) if evening else _now(place)
    moved: dict[int, list[tuple[int, str, str]]] = defaultdict(list)
    for side, other, sign in (("to_place", "from_place", 1), ("from_place", "to_place", -1)):
        rows = Movement.objects.filter(day=number, lot__kind__in=_EATEN, **{side: place})
        sums = rows.values_list("lot_id", f"{other}__kind", "event__kind").annotate(Sum("quantity"))
        for lot, other_kind, kind, quantity in sums.order_by():
            moved[lot].append((sign * quantity, other_kind, kind))
    said = said or known(outlet, day)
    found: dict[tuple[str, object], Went] = {}
    for lot, date in first_expired_first({*left, *moved}, evening):
        reads = said.dated(lot, date) if date else lot.code
        one = found.setdefault(
            (lot.line or lot.title, date or lot.pk),
            Went(said.name(lot), reads, lot.unit, lot.kind),
        )
        one.left += left.get(lot.pk, 0)
        for signed, other_kind, kind in moved.get(lot.pk, ()):
            name = _part(other_kind, kind)
            setattr(one, name, getattr(one, name) + (signed if name == "came" else -signed))
    return sorted(found.values(), key=lambda one: one.name.casefold())


def _part(other: str, kind: str) -> str:
    """Which column of the day a movement stands in, by the place at its other end and its kind."""
    if other == PlaceKind.COUNT_DIFFERENCE:
        return "unseen"
    if kind == WORKED_OUT:
        return "worked_out"
    if other == PlaceKind.SOLD:
        return "known"
    return "came" if other in _COMES_FROM else "taken"


#: What is on these is ours, on its way to the shelf or back.
_COMES_FROM = (
    PlaceKind.STORE,
    PlaceKind.PACKHOUSE,
    PlaceKind.TRANSIT,
    PlaceKind.OPENING,
    PlaceKind.GROWTH,
    PlaceKind.PACKING,
)


def waiting(outlet: Outlet) -> dict[str, int]:
    """Line → how much of it a till sold, lot unknown, since the whole of it was last counted: the
    books had no more there. A receipt told late or a count resolves it."""
    place = outlet.place
    since = clock.now() - _LATELY
    wholes = whole_counts([place.pk], since)
    rows = Unnamed.objects.filter(alive("event"), place=place, event__placed_at__gte=since)
    moments = dict(rows.values_list("event_id", "event__placed_at"))
    found: dict[str, int] = defaultdict(int)
    for (event, _, line), n in not_laid(rows).items():
        if not any(end >= moments[event] for end in wholes.of(place.pk, line)):
            found[line] += n
    return dict(found)


def not_laid(rows: QuerySet[Unnamed]) -> dict[tuple[int, int, str], int]:
    """(till's entry, place, line) → how much of these rows the books could lay on no lot."""
    told: dict[tuple[int, int, str], int] = defaultdict(int)
    shop: dict[int, int] = {}
    for event, place, line, quantity in rows.values_list(
        "event_id", "place_id", "line", "quantity"
    ):
        told[event, place, line] += quantity
        shop[event] = place
    sums = (
        Movement.objects.filter(event__kind=WORKED_OUT, event__corrects__in=shop)
        .values_list("event__corrects_id", "lot__line", "to_place__kind")
        .annotate(Sum("quantity"))
    )
    for event, line, kind, quantity in sums.order_by():
        told[event, shop[event], line] += -quantity if kind == PlaceKind.SOLD else quantity
    return {key: n for key, n in told.items() if n > 0}


# --- told there, and moving nothing ---------------------------------------------------------------


def _told_of(place: Place, kind: str, first: dt.date, last: dt.date) -> Iterable[Event]:
    days = clock.day_number(first), clock.day_number(last)
    rows = Event.objects.filter(alive(), kind=kind, place=place, day__range=days)
    return rows.order_by("placed_at", "pk")


def sold_outs(place: Place, day: dt.date) -> dict[str, dt.datetime]:
    """Line → when it was first sold out on a day: what was wanted is "at least" what was sold."""
    products: dict[int, dt.datetime] = {}
    for event in _told_of(place, "sold_out", day, day):
        products.setdefault(json.loads(event.told or "{}")["product"], event.happened_at)
    rows = Product.objects.filter(pk__in=products) if products else []
    return {p.line: products[p.pk] for p in rows}


def marked_down(place: Place, first: dt.date, last: dt.date) -> list[Reduced]:
    """What was reduced on a shelf between two days, both included, in the order of time."""
    return [reduced_by(event) for event in _told_of(place, "mark_down", first, last)]


def reduced_by(event: Event) -> Reduced:
    """What one entry says."""
    told = json.loads(event.told or "{}")
    return Reduced(event, told["lot"], told["quantity"], told["pence"])


def reduced_pence(outlet: Outlet, first: dt.date, last: dt.date) -> dict[str, set[int]]:
    """Line → prices below the list's at which something of it was reduced, that a till may have
    rung up between two days."""
    marks = marked_down(outlet.place, first - REDUCED_FOR, last)
    lines = dict(Lot.objects.filter(pk__in={m.lot for m in marks}).values_list("pk", "line"))
    found: dict[str, set[int]] = defaultdict(set)
    for mark in marks:
        found[lines[mark.lot]].add(mark.pence)
    return dict(found)


def list_pence(outlet: Outlet, day: dt.date) -> dict[str, int]:
    """Line → the list's price at an outlet on a day."""
    rows = Price.objects.filter(outlet=outlet, since__lte=day).order_by("since")
    return dict(rows.values_list("line", "pence"))
