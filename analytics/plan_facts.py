"""What the space plan takes from the records of the last year: what went of each product by month,
for how much; what of a cut is lost on its way into packs; what each tier gave; nursery cells."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from django.db.models import Count, F, Max, Min, Sum

from grow import clock, sums
from grow.models import NURSERY, CutSite, Event, Lot, LotKind, Place, PlantSite, alive
from grow.models import PlaceKind as K
from sales.models import Money, Product, Wanted
from sales.pricing import WENT_G

from .counted import midnights
from .fetches import Charges
from .own_record import DAYS, PRIOR
from .period import Period
from .successive import Cut
from .waste import waste

SHELF, BENCH = "Lit shelf and tent cells", "Bench cells"
#: Cuts weighed on one tier alone, from which on a tier has a figure of its own.
ENOUGH_CUTS = 20


@dataclass
class Line:
    """What went of a product: grams by calendar month (1 to 12), with a day's more for each day
    told as sold out, and pence at the door for all grams."""

    grams: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    door_p: Fraction = Fraction(0)
    sold_g: int = 0


class Went:
    """By line of the price list, over the last year. days: how many of each month are recorded."""

    def __init__(self, period: Period, charges: Charges) -> None:
        self.lines: dict[str, Line] = defaultdict(Line)
        begun = Event.objects.aggregate(n=Min("day"))["n"]
        since = max(period.first, clock.number_day(begun)) if begun else period.last
        self.days = Counter(
            (since + dt.timedelta(days=n)).month for n in range((period.last - since).days + 1)
        )
        first, last = period.numbers
        rows = (
            Money.objects.filter(movement__day__gte=first, movement__day__lte=last)
            .annotate(month=F("movement__day") / 100 % 100)
            .values_list("movement__lot__line", "outlet_id", "month")
            .order_by()
            .annotate(Sum("pence"), grams=WENT_G)
        )
        kept = charges.shares()
        for name, outlet, month, pence, grams in rows:
            line = self.lines[name]
            line.grams[month] += grams
            line.sold_g += grams
            line.door_p += pence * (1 - kept[outlet])
        self._sold_out(first, last)

    def _sold_out(self, first: int, last: int) -> None:
        told = Event.objects.filter(alive(), kind="sold_out", day__gte=first, day__lte=last)
        out = {
            (json.loads(t or "{}").get("product"), day)
            for day, t in told.values_list("day", "told")
        }
        named = {p.pk: p.line for p in Product.objects.filter(pk__in={p for p, _ in out})}
        for product, day in out:
            if product in named:
                line, month = self.lines[named[product]], day // 100 % 100
                line.grams[month] *= 1 + 1 / max(self.days[month], 1)

    def a_day(self, line: str, month: int) -> float:
        """Grams a day; of a month that is not recorded, those of all that are."""
        of = self.lines.get(line)
        if of is None:
            return 0.0
        if self.days[month]:
            return max(of.grams[month], 0.0) / self.days[month]
        return max(sum(of.grams.values()), 0.0) / max(self.days.total(), 1)


def ordered() -> dict[str, float]:
    """Line → grams a week that are on order, every week, at outlets that want notes."""
    out: dict[str, float] = defaultdict(float)
    rows = Wanted.objects.filter(day=None, outlet__wants_notes=True).select_related("product")
    for row in rows:
        out[row.product.line] += row.quantity * (row.product.nominal_g or 1)
    return dict(out)


def packed_shares(period: Period) -> dict[int, float]:
    """Crop → what of a gram cut, net of grade-out, can be sold: less trim, giveaway, samples and
    moisture, with the water that washing puts on."""
    out = {}
    for row in waste(period).rows:
        kept = row.cut_g - row.grade_out_g
        lost = row.trim_g + row.giveaway_g + row.samples_g + row.moisture_g + row.lost_at_rework_g
        if row.crop_id and kept > 0:
            out[row.crop_id] = min(max(1 - (lost - row.water_and_scale_g) / kept, 0.3), 1.0)
    return out


# --- sites and cells ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Tiers:
    """Tiers that give alike. sites: in use; times: what a cut gives there over what it gives on
    all; cuts: weighed on one of them alone."""

    name: str
    sites: int
    times: float
    cuts: int


def tiers(cuts: Sequence[Cut]) -> list[Tiers]:
    """By own cuts that were weighed on one tier alone, each against the mean of its crop's cuts of
    that number, drawn to 1 as by PRIOR cuts of it; tiers without enough give what all give."""
    sites = dict(
        PlantSite.objects.filter(out_of_use=False)
        .values_list("tier")
        .order_by("tier")
        .annotate(Count("pk"))
    )
    crops = dict(Lot.objects.filter(pk__in={b for _, b, *_ in cuts}).values_list("pk", "crop_id"))
    mean: dict[tuple[int | None, int], list[float]] = defaultdict(lambda: [0.0, 0.0])
    for _, batch, each, numbers in cuts:
        for n, number in numbers.items():
            mean[crops[batch], n][0] += float(each) * number
            mean[crops[batch], n][1] += number
    of_cut = (
        CutSite.objects.values("lot")
        .order_by()
        .annotate(least=Min("planting__site__tier"), most=Max("planting__site__tier"))
        .filter(least=F("most"))
        .values_list("lot", "least")
    )
    alone = dict(of_cut)
    seen: dict[int, list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0])  # cuts, came, expected
    for lot, batch, each, numbers in cuts:
        if lot in alone:
            tally = seen[alone[lot]]
            tally[0] += 1
            for n, number in numbers.items():
                grams, whole = mean[crops[batch], n]
                tally[1] += float(each) * number
                tally[2] += grams / whole * number
    groups: dict[float, list[int]] = defaultdict(list)
    for tier in sites:
        weighed, came, expected = seen[tier]
        own = (weighed * came / expected + PRIOR) / (weighed + PRIOR) if expected else 1.0
        groups[round(own, 2) if weighed >= ENOUGH_CUTS else 1.0].append(tier)
    out = []
    for times, of in groups.items():
        cut = sum(int(seen[tier][0]) for tier in of)
        out.append(Tiers(_tiers(of), sum(sites[tier] for tier in of), times, cut))
    return out


def _tiers(of: list[int]) -> str:
    if len(of) == 1:
        return f"Tier {of[0]}"
    if of == list(range(of[0], of[-1] + 1)):
        return f"Tiers {of[0]} to {of[-1]}"
    return f"Tiers {', '.join(map(str, of))}"


@dataclass(frozen=True)
class Nursery:
    """most: cells that ever stood at once, by SHELF and BENCH; share: crop → what of its cell-days
    was on a shelf or in a tent."""

    most: dict[str, int]
    share: dict[int | None, float]


def nursery(period: Period) -> Nursery:
    changes: Counter[tuple[int, int | None]] = Counter()
    keys: list[tuple[int | None, str]] = []
    at: dict[tuple[int | None, str], int] = {}

    def key(crop: int | None, kind: str) -> int:
        room = BENCH if kind == K.BENCH else SHELF
        if (crop, room) not in at:
            at[crop, room] = len(keys)
            keys.append((crop, room))
        return at[crop, room]

    read = sums.reading(None, period.last, lot_kinds=[LotKind.BATCH])
    for cell, quantity in read.items():
        for kind, sign in ((cell.to_kind, 1), (cell.from_kind, -1)):
            if kind in NURSERY:
                changes[cell.day, key(cell.crop, kind)] += sign * quantity
    on: dict[str, Counter[int]] = {SHELF: Counter(), BENCH: Counter()}
    days: dict[int | None, Counter[str]] = defaultdict(Counter)
    for (day, number), cells in midnights(changes, period).items():
        crop, room = keys[number or 0]
        on[room][day] += cells
        days[crop][room] += cells
    share = {crop: of[SHELF] / of.total() for crop, of in days.items() if of.total() > 0}
    return Nursery({room: max(of.values(), default=0) for room, of in on.items()}, share)


def towers_with_sites() -> int:
    return Place.objects.filter(kind=K.TOWER, sites__out_of_use=False).distinct().count()


def last_year(today: dt.date) -> Period:
    return Period(today - dt.timedelta(days=DAYS - 1), today)


__all__ = ["BENCH", "SHELF", "Line", "Nursery", "Tiers", "Went", "last_year", "nursery", "ordered",
           "packed_shares", "tiers", "towers_with_sites"]  # fmt: skip
