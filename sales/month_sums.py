"""What months came to in money, by outlet and crop, in parts of a penny.

A mixed pack's money belongs to its crops by what went in. It is shared in so small parts that
whole pence can be made of any months together, and no crop gains by being rounded."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Mapping

from django.db.models import F, Sum

from grow import clock
from grow.months import FINE, Row, source
from grow.sums import shares_of, split

from .models import Money

MONEY = "money"


def _taken(first: dt.date, last: dt.date) -> dict[tuple[int, int, int], int]:
    """(outlet, lot, month) → pence."""
    rows = (
        Money.objects.filter(
            movement__day__gte=clock.day_number(first), movement__day__lte=clock.day_number(last)
        )
        .annotate(month=F("movement__day") / 100)
        .values_list("outlet_id", "movement__lot_id", "month")
        .annotate(Sum("pence"))
    )
    return {(outlet, lot, int(month)): int(pence) for outlet, lot, month, pence in rows}


@source(MONEY)
def _money(first: dt.date, last: dt.date, _: Iterable[str]) -> Mapping[Row, int]:
    """Takings by outlet, in parts of a penny."""
    paid = _taken(first, last)
    shares = shares_of({lot for _, lot, _ in paid})
    out: Counter[Row] = Counter()
    for (outlet, lot, month), pence in paid.items():
        for crop, part in split(pence * FINE, shares[lot]):
            out[Row(MONEY, month, crop, str(outlet))] += part
    return out


__all__ = ["MONEY"]
