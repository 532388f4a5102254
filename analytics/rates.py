"""Rates by day, and the whole pence that they come to. A missing rate is a gap in words."""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

from grow import clock
from grow.models import Crop
from grow.shares import shared_out
from sales.models import Outlet, Product

from .models import Rate

CropId = int | None
W = Rate.What


class Rates:
    """Every rate, read once. `of(what, crop, day)` is the one in force on a day (yyyymmdd)."""

    def __init__(self) -> None:
        self._since: dict[tuple[str, CropId], list[tuple[int, Decimal]]] = defaultdict(list)
        rows = Rate.objects.order_by("since").values_list(
            "what", "crop_id", "product_id", "outlet_id", "since", "amount"
        )
        for what, crop, product, outlet, since, amount in rows:
            # a rate is of a crop, a product or an outlet, by what it is of; never of two
            self._since[what, crop or product or outlet].append((clock.day_number(since), amount))

    def of(self, what: str, crop: CropId, day: int) -> Decimal | None:
        """The amount in the rate's unit; a crop's own (a product's, an outlet's) before that of
        all; None where none was set by then."""
        own = self.own(what, crop, day)
        return self.own(what, None, day) if own is None else own

    def own(self, what: str, of: int | None, day: int) -> Decimal | None:
        """As `of`, without the rate of all."""
        known = self._since.get((what, of))
        if known is None:
            return None
        at = bisect_right(known, day, key=lambda row: row[0])
        return known[at - 1][1] if at else None

    def charged(self, what: str, crop: CropId, day: int) -> Decimal | None:
        """As `of`; but light a cell and day is watts a cell × hours × pence a kWh ÷ 1000 where
        all three are told, and its own rate where one is not."""
        if what == W.LIGHT:
            watts, hours, pence = (
                self.of(part, None, day) for part in (W.LAMP_WATTS, W.LAMP_HOURS, W.ELECTRICITY)
            )
            if watts is not None and hours is not None and pence is not None:
                return watts * hours * pence / 1000
        return self.of(what, crop, day)

    def change_within(self, first: dt.date, last: dt.date, what: str = "") -> bool:
        """Does any rate, or any of one kind, begin on a day between, so that not all days have the
        first one's?"""
        start, stop = clock.day_number(first), clock.day_number(last)
        return any(
            start < day <= stop
            for (of, _), rows in self._since.items()
            for day, _ in rows
            if what in ("", of)
        )

    def days_of(self, what: str) -> list[int]:
        """Days from which a rate of this kind began to hold, of whichever crop or outlet."""
        return sorted(
            {day for key, rows in self._since.items() if key[0] == what for day, _ in rows}
        )


def set_rate(
    what: str,
    amount: Decimal | str,
    since: dt.date,
    source: str,
    crop: Crop | None = None,
    product: Product | None = None,
    outlet: Outlet | None = None,
) -> Rate:
    """A rate from a day on. The same day told again replaces the amount of that day."""
    rate, _ = Rate.objects.update_or_create(
        what=what,
        crop=crop,
        product=product,
        outlet=outlet,
        since=since,
        defaults={"amount": Decimal(amount), "source": source},
    )
    return rate


def whole_pence(exact: Mapping[CropId, Fraction]) -> dict[CropId, int]:
    """Whole pence by crop that add up to the exact total rounded half up: largest remainder."""
    crops = sorted(exact, key=lambda crop: (crop is None, crop or 0))
    weights = [half_up(exact[crop], 10**9) for crop in crops]
    total = half_up(sum(exact.values(), Fraction(0)))
    return dict(zip(crops, shared_out(total, weights), strict=True))


def half_up(exact: Fraction, parts: int = 1) -> int:
    """To whole ones, or to so many parts of one."""
    return (2 * exact.numerator * parts + exact.denominator) // (2 * exact.denominator)


def at_nine_places(exact: Fraction) -> Decimal:
    """Short enough for decimals to add up exactly, in whatever order they come."""
    return Decimal(half_up(exact, 10**9)).scaleb(-9)
