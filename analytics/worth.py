"""What was eaten and given away without being sold, and what is on hand at a date: each at what it
cost and at what it fetches. For the accounts; how stock is valued is for whoever keeps them to say.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from django.db.models import Count, Sum

from grow import clock
from grow.models import ENDS, NURSERY, SOURCES, Event, Hold, Lot, LotKind, Movement, Place, alive
from grow.models import PlaceKind as K
from grow.queries import living, stocks
from grow.shelf import first_expired_first
from grow.sums import EATEN, Shares, shares_of
from sales.models import PackingRun, Price
from sales.naming import line_names
from sales.pricing import worth

from .costs import Told
from .crops import names
from .leaf import IN_IT, pence_per_g
from .models import Rate
from .period import About, Period
from .rates import half_up

W = Rate.What
#: Given or eaten, not sold: trade's own use.
OWN_USE = {K.STAFF: "staff", K.DONATED: "donated", K.SAMPLE: "samples, tasting"}


@dataclass(frozen=True)
class UseRow:
    """Of one month. cost_p: leaf and packaging, without labour; price_p: at the highest price of
    the last day of the period. Either is None where it is not known."""

    month: str
    use: str
    what: str
    grams: int
    cost_p: int | None
    price_p: int | None


@dataclass(frozen=True)
class HandRow:
    """kind: plants, leaf, packs or inputs. quantity: plants and cells, grams, packs, or in the
    unit of the input. value_p: the lower of cost and what it will fetch; None where neither is
    known."""

    kind: str
    what: str
    place: str
    quantity: int
    unit: str
    cost_p: int | None
    fetches_p: int | None

    @property
    def value_p(self) -> int | None:
        known = [p for p in (self.cost_p, self.fetches_p) if p is not None]
        return min(known, default=None)


@dataclass
class OwnUse:
    about: About
    rows: list[UseRow]


@dataclass
class OnHand:
    about: About
    rows: list[HandRow] = field(default_factory=list)

    @property
    def value_p(self) -> int:
        return sum(row.value_p or 0 for row in self.rows)


class _Worth:
    """What a quantity of a lot cost and fetches, by the prices of one day; packaging by the receipt
    or rate of the day it was packed."""

    def __init__(self, day: dt.date, lots: Iterable[int], told: Told) -> None:
        lots = list(lots)
        self.each = pence_per_g(day, told)
        self.shares: Mapping[int, Shares] = shares_of(lots)
        self.packaging: dict[int, Fraction] = {}
        for run in PackingRun.objects.filter(lot__in=lots).select_related(
            "product", "lot__made_by"
        ):
            packed = run.lot.made_by.day
            each = told.receipts.packaging(run.lot_id, run.product_id, packed)
            each = told.pack(run.product, packed) if each is None else each
            self.packaging[run.lot_id] = each or Fraction(0)
        stands: dict[tuple[int, str], int] = {}
        rows = Price.objects.filter(since__lte=day).order_by("since")
        for outlet, line, pence in rows.values_list("outlet_id", "line", "pence"):
            stands[outlet, line] = pence
        self.most: dict[str, int] = {}
        self.least: dict[str, int] = {}
        for (_, line), pence in stands.items():
            self.most[line] = max(pence, self.most.get(line, 0))
            self.least[line] = min(pence, self.least.get(line, pence))

    def cost(self, lot: Lot, quantity: int) -> Fraction | None:
        shares = self.shares[lot.pk]
        if any(crop not in self.each for crop in shares):
            return None
        grams = quantity * (lot.grams_each or 1)
        leaf = sum((g * self.each[crop] for crop, g in shares.items()), Fraction(0))
        packaging = self.packaging.get(lot.pk, Fraction(0)) * quantity if lot.grams_each else 0
        return grams * leaf / sum(shares.values()) + packaging


def own_use(period: Period) -> OwnUse:
    """What staff ate, what was given away and tried, by month."""
    about = About(
        period,
        base=f"cost: {IN_IT}, and packaging, without labour; price: the highest on the list",
        unit="pence, net of tax",
        notes=["What our own kitchen took is on its statements."],
    )
    first, last = period.numbers
    moved: Counter[tuple[int, int, str]] = Counter()
    for side, sign in (("to_place", 1), ("from_place", -1)):
        rows = Movement.objects.filter(
            day__gte=first,
            day__lte=last,
            lot__kind__in=EATEN,
            **{f"{side}__kind__in": list(OWN_USE)},
        )
        for day, lot, kind, n in rows.values_list("day", "lot_id", f"{side}__kind").annotate(
            Sum("quantity")
        ):
            moved[day // 100, lot, kind] += sign * n
    lots = Lot.objects.in_bulk({lot for _, lot, _ in moved})
    known = _Worth(period.last, lots, Told())
    called = line_names({lot.line for lot in lots.values()})
    grams: Counter[tuple[int, str, str]] = Counter()
    cost: dict[tuple[int, str, str], Fraction | None] = defaultdict(Fraction)
    price: dict[tuple[int, str, str], int | None] = defaultdict(int)
    for (month, pk, kind), n in moved.items():
        if not n:
            continue
        lot = lots[pk]
        key = (month, OWN_USE[K(kind)], called.get(lot.line, lot.title))
        grams[key] += n * (lot.grams_each or 1)
        one, most = known.cost(lot, n), known.most.get(lot.line)
        had, fetched = cost[key], price[key]
        cost[key] = None if one is None or had is None else had + one
        price[key] = None if most is None or fetched is None else fetched + worth(n, lot.unit, most)
    rows_ = [
        UseRow(f"{m // 100}-{m % 100:02d}", use, what, grams[m, use, what], _whole(c), price[key])
        for key, c in sorted(cost.items())
        for m, use, what in [key]
    ]
    for row in rows_:
        if row.cost_p is None:
            about.gap(f"{row.what}: what its leaf cost is not known.")
        if row.price_p is None:
            about.gap(f"{row.what}: no price is on the list.")
    return OwnUse(about, rows_)


def _whole(exact: Fraction | None) -> int | None:
    return None if exact is None else half_up(exact)


# --- on hand -------------------------------------------------------------------------------------


def on_hand(day: dt.date) -> OnHand:
    """What stands at the end of a day: plants, leaf, packs, and inputs that were counted in."""
    about = About(
        Period(day, day),
        base="the lower of cost and what it will fetch; plants and inputs at cost",
        unit="pence, net of tax",
        notes=[
            f"Leaf and packs cost {IN_IT}, and packaging, without labour. They fetch the lowest "
            "price on the list; held, in quarantine, or past its date: nothing.",
            "Plants cost seed, medium and pot of each cell and plant that stands, by the receipts "
            "that were in use, else by the rates of that day; light and labour are not in it.",
        ],
    )
    found = OnHand(about)
    at = min(clock.end_of(day), clock.now())
    told = Told()
    found.rows += _plants(day, at, told, about)
    standing = Place.objects.exclude(kind__in=[*ENDS, *SOURCES, K.BUYER])
    places = {place.pk: place for place in standing}
    here = {key: n for key, n in stocks(at, places=places).items() if n > 0}
    lots = {lot.pk: lot for lot in Lot.objects.filter(pk__in={lot for lot, _ in here})}
    found.rows += _goods(day, at, here, lots, places, told, about)
    found.rows += _inputs(here, lots, places, about)
    return found


def _plants(day: dt.date, at: dt.datetime, told: Told, about: About) -> list[HandRow]:
    called = names()
    number = clock.day_number(day)
    stands: Counter[tuple[int, str]] = Counter()
    rows = living(at).filter(blocked_by=None).values_list("batch").annotate(n=Count("pk"))
    for batch, n in rows:
        stands[batch, "towers"] += n
    nursery = Place.objects.filter(kind__in=NURSERY).values_list("pk", flat=True)
    cells = stocks(at, places=list(nursery))
    for (batch, _), n in cells.items():
        stands[batch, "nursery"] += n
    crop_of = dict(Lot.objects.filter(pk__in={b for b, _ in stands}).values_list("pk", "crop_id"))
    sums: dict[tuple[int | None, str], list] = defaultdict(lambda: [0, Fraction(0)])
    for (batch, where), n in stands.items():
        crop = crop_of[batch]
        row = sums[crop, where]
        row[0] += n
        for what in (W.SEED, W.MEDIUM, *([W.POT] if where == "towers" else [])):
            each = told.cell(what, batch, crop, number)
            if each is None:
                about.gap(f"{called[crop]}: no rate for seed, medium or pot.")
            row[1] = None if each is None or row[1] is None else row[1] + Fraction(each) * n
    return [
        HandRow("plants", called[crop], where, n, "each", _whole(cost), None)
        for (crop, where), (n, cost) in sorted(
            sums.items(), key=lambda row: (called[row[0][0]], row[0][1])
        )
    ]


def _goods(
    day: dt.date,
    at: dt.datetime,
    here: Mapping[tuple[int, int], int],
    lots: Mapping[int, Lot],
    places: Mapping[int, Place],
    told: Told,
    about: About,
) -> list[HandRow]:
    goods = {pk: lot for pk, lot in lots.items() if lot.kind in EATEN}
    known, called = _Worth(day, goods, told), line_names({lot.line for lot in goods.values()})
    dates = {lot.pk: date for lot, date in first_expired_first(goods)}
    held = set(
        Hold.objects.filter(lot__in=goods, began_at__lte=at)
        .exclude(ended_at__lte=at)
        .values_list("lot_id", flat=True)
    )
    sums: dict[tuple[str, str, str, str], list] = defaultdict(lambda: [0, Fraction(0), 0])
    for (pk, place), n in here.items():
        if pk not in goods:
            continue
        lot = goods[pk]
        what = called.get(lot.line, lot.title)
        row = sums["packs" if lot.grams_each else "leaf", what, places[place].name, lot.unit]
        cost, least = known.cost(lot, n), known.least.get(lot.line)
        date = dates.get(pk)
        stopped = pk in held or places[place].kind == K.QUARANTINE
        if stopped or (date and date < day):
            fetches: int | None = 0
        else:
            fetches = None if least is None else worth(n, lot.unit, least)
        row[0] += n
        row[1] = None if cost is None or row[1] is None else row[1] + cost
        row[2] = None if fetches is None or row[2] is None else row[2] + fetches
        if cost is None:
            about.gap(f"{what}: what it cost is not known, so it stands at what it will fetch.")
    return [
        HandRow(kind, what, place, n, unit, _whole(cost), fetches)
        for (kind, what, place, unit), (n, cost, fetches) in sorted(sums.items())
    ]


def _inputs(
    here: Mapping[tuple[int, int], int],
    lots: Mapping[int, Lot],
    places: Mapping[int, Place],
    about: About,
) -> list[HandRow]:
    """At what was paid, by the share that is left. What came without a quantity is not counted."""
    inputs = {pk: lot for pk, lot in lots.items() if lot.kind == LotKind.INPUT}
    told = dict(Event.objects.filter(alive(), made__in=inputs).values_list("pk", "told"))
    out = []
    for (pk, place), n in sorted(here.items()):
        if pk in inputs:
            lot = inputs[pk]
            facts = json.loads(told.get(lot.made_by_id) or "{}")
            paid, quantity = facts.get("paid_pence"), facts.get("quantity")
            cost = half_up(Fraction(paid * n, quantity)) if paid is not None and quantity else None
            if cost is None:
                about.gap(f"{lot.title}, {lot.code}: nobody told what was paid.")
            out.append(HandRow("inputs", lot.title, places[place].name, n, lot.unit, cost, None))
    return out
