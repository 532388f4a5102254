"""What the customers paid, brought back to the pack-house door and shared to crops.

The till's money is the ledger's: one row a movement. Own shop's takings are less its stated
share, own kitchen's are at its transfer price. A mixed pack's money is shared by grams, or by
what each leaf fetches alone; neither says what dropping a crop would do.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from itertools import pairwise

from django.db.models import Q, Sum

from grow import clock
from grow.models import Lot, Movement, Place
from grow.models import PlaceKind as K
from grow.months import FINE
from grow.shares import shared_out
from grow.sums import EATEN, Shares, shares_of, split
from sales.models import Money, Outlet, Price
from sales.month_sums import whole_pence_of

from .models import Rate
from .period import About, Period
from .rates import Rates

CropId = int | None
_EATERS = (K.KITCHEN, K.BUYER)
_OURS = (K.TRANSIT, K.STORE, K.PACKHOUSE, K.GROWTH, K.QUARANTINE)


@dataclass
class Revenue:
    """Whole pence by crop. takings − shop_share = door. alone is door shared on the other basis;
    both add up to the same total."""

    takings: Counter[CropId] = field(default_factory=Counter)
    shop_share: Counter[CropId] = field(default_factory=Counter)
    door: Counter[CropId] = field(default_factory=Counter)
    alone: Counter[CropId] = field(default_factory=Counter)
    #: The same by lot and crop before the shop's share was rounded: what a lot's cuts share.
    door_of: dict[tuple[int, CropId], Fraction] = field(
        default_factory=lambda: defaultdict(Fraction)
    )
    alone_of: dict[tuple[int, CropId], Fraction] = field(
        default_factory=lambda: defaultdict(Fraction)
    )
    #: Each outlet's own, where several are together.
    of_outlets: dict[Outlet, Revenue] = field(default_factory=dict)


def revenue(period: Period, about: About) -> Revenue:
    """Of all outlets together; each is worked out apart, so they add up to the penny."""
    out = Revenue()
    out.of_outlets = by_outlet(period, about)
    for one in out.of_outlets.values():
        for name in ("takings", "shop_share", "door", "alone"):
            getattr(out, name).update(getattr(one, name))
        for name in ("door_of", "alone_of"):
            for key, pence in getattr(one, name).items():
                getattr(out, name)[key] += pence
    unpriced(period, about)
    return out


def by_outlet(period: Period, about: About) -> dict[Outlet, Revenue]:
    """A shop's share is the rate of its day where one is told, else what stands at the outlet; its
    money of each share is rounded apart."""
    rates = Rates()
    spans = list(_spans(period, rates))
    paid: dict[tuple[int, int], dict[int, int]] = defaultdict(dict)
    for first, last in spans:
        rows = (
            Money.objects.filter(movement__day__gte=first, movement__day__lte=last)
            .values_list("outlet_id", "movement__lot_id")
            .annotate(Sum("pence"))
        )
        for outlet, lot, pence in rows:
            paid[outlet, first][lot] = pence
    shares = shares_of({lot for lots in paid.values() for lot in lots})
    titles = dict(Lot.objects.filter(pk__in=shares).values_list("pk", "title"))
    prices = _Prices(period.numbers[1])
    found: dict[Outlet, Revenue] = {}
    for outlet in Outlet.objects.select_related("place").order_by("pk"):
        one = found[outlet] = Revenue()
        for first, _ in spans:
            pct = share_of(outlet, rates, first)
            of_outlet(
                outlet, pct, paid.get((outlet.pk, first), {}), shares, prices, titles, one, about
            )
    return found


def _spans(period: Period, rates: Rates) -> Iterator[tuple[int, int]]:
    """First and last day of each part of a period in which no shop's share changes."""
    begins = [
        clock.number_day(day)
        for day in rates.days_of(Rate.What.SHOP_SHARE)
        if period.numbers[0] < day <= period.numbers[1]
    ]
    after = period.last + dt.timedelta(days=1)
    for first, until in pairwise([period.first, *begins, after]):
        yield clock.day_number(first), clock.day_number(until - dt.timedelta(days=1))


def of_outlet(
    outlet: Outlet,
    share_pct: Decimal,
    paid: Mapping[int, int],
    shares: Mapping[int, Shares],
    prices: _Prices,
    titles: Mapping[int, str],
    out: Revenue,
    about: About,
) -> None:
    fine: Counter[CropId] = Counter()
    fine_alone: Counter[CropId] = Counter()
    kept_pct = Fraction(100 - share_pct) / (100 * FINE)
    for lot, pence in paid.items():
        for crop, part in split(pence * FINE, shares[lot]):
            fine[crop] += part
            out.door_of[lot, crop] += part * kept_pct
        weights = prices.weighed(outlet, shares[lot])
        if weights is None:
            says = titles.get(lot) or "a mixed pack"
            about.gap(
                f"{says} at {outlet}: not every leaf in it has a loose price, so it is shared by "
                "grams on both bases."
            )
            weights = shares[lot]
        for crop, part in split(pence * FINE, weights):
            fine_alone[crop] += part
            out.alone_of[lot, crop] += part * kept_pct
    takings = sum(paid.values())
    if outlet.place.kind == K.SHOP and takings and not share_pct:
        about.gap(f"{outlet}: no shop share is stated, so its wages and card fees are left out.")
    if outlet.place.kind == K.KITCHEN and takings and not outlet.price_basis:
        about.gap(f"{outlet}: its transfer price has no stated basis.")
    by_grams, share = at_the_door(share_pct, fine)
    alone, alone_share = at_the_door(share_pct, fine_alone)
    for crop, pence in by_grams.items():
        out.takings[crop] += pence
        out.shop_share[crop] += share.get(crop, 0)
        out.door[crop] += pence - share.get(crop, 0)
    for crop, pence in alone.items():
        out.alone[crop] += pence - alone_share.get(crop, 0)


def at_the_door(
    share_pct: Decimal, fine: Mapping[CropId, int]
) -> tuple[dict[CropId, int], dict[CropId, int]]:
    """(takings, the shop's share of them) by crop in whole pence, from parts of a penny."""
    takings = whole_pence_of(fine)
    return takings, kept_of(share_pct, takings)


def kept_of(share_pct: Decimal, takings: Mapping[CropId, int]) -> dict[CropId, int]:
    """The shop's share of whole pence that one outlet took, in whole pence."""
    kept = _half_up(Decimal(sum(takings.values())) * share_pct / 100)
    return _shared(kept, takings) if kept else {}


def share_of(outlet: Outlet, rates: Rates, day: int) -> Decimal:
    """What a shop keeps of its takings on a day, in per cent."""
    told = rates.of(Rate.What.SHOP_SHARE, outlet.pk, day)
    return Decimal(outlet.shop_share_pct) if told is None else told


def _half_up(amount: Decimal) -> int:
    return int(amount.quantize(Decimal(1), ROUND_HALF_UP))


def _shared(total: int, by_crop: Mapping[CropId, int]) -> dict[CropId, int]:
    """A share of takings by crop, to the penny. A crop that took nothing, or whose money went
    back on balance, bears none of it."""
    crops = sorted(
        (crop for crop, pence in by_crop.items() if pence * total > 0),
        key=lambda crop: (crop is None, crop or 0),
    )
    if not crops:
        crops = list(by_crop)[:1]
    return dict(zip(crops, shared_out(total, [abs(by_crop[c]) for c in crops]), strict=True))


class _Prices:
    """What a kilogram of a crop fetches alone: at that outlet, else at the first that lists it."""

    def __init__(self, day: int) -> None:
        self._pence: dict[tuple[int | None, str], int] = {}
        rows = Price.objects.filter(line__startswith="crop:", since__lte=clock.number_day(day))
        for outlet, line, pence in rows.order_by("since").values_list("outlet_id", "line", "pence"):
            self._pence[outlet, line] = pence
        for (_, line), pence in sorted(self._pence.items(), key=lambda row: row[0][0] or 0):
            self._pence.setdefault((None, line), pence)

    def weighed(self, outlet: Outlet, shares: Shares) -> Shares | None:
        """Grams × what they fetch; None when a crop of a mixed lot has no price."""
        if len(shares) == 1:
            return shares
        out: Shares = {}
        for crop, grams in shares.items():
            line = f"crop:{crop}"
            pence = self._pence.get((outlet.pk, line), self._pence.get((None, line)))
            if pence is None:
                return None
            out[crop] = grams * pence
        return out if sum(out.values()) else None


def unpriced(period: Period, about: About) -> None:
    """Goods that reached a customer and have no money beside them."""
    first, last = period.numbers
    rows = (
        Movement.objects.filter(
            Q(to_place__kind=K.SOLD) | Q(to_place__kind__in=_EATERS, from_place__kind__in=_OURS),
            day__gte=first,
            day__lte=last,
            lot__kind__in=EATEN,
            money__isnull=True,
        )
        .values_list("lot__title", "lot__unit", "to_place_id", "to_place__belongs_to_id")
        .annotate(Sum("quantity"))
        .order_by("lot__title", "to_place_id")
    )
    places: dict[int, str] = dict(Place.objects.values_list("pk", "name"))
    for title, unit, to, belongs, quantity in rows:
        what = f"{quantity} g of" if unit == "g" else f"{quantity} ×"
        about.gap(f"{what} {title} went to {places[belongs or to]} with no price.")
