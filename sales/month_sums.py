"""What months came to in money: of each crop at all outlets together, and at each of them.

A mixed pack's money belongs to its crops by what went in. It is shared in parts of a penny and
rounded once, for each outlet and month, so that no crop gains by being rounded."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping

from django.db.models import F, Sum

from grow import clock
from grow.months import FINE, Row, source
from grow.shares import whole
from grow.sums import shares_of, split

from .models import Money

CropId = int | None
#: Pence taken at all outlets; and at each one, which is the key.
TAKEN, TAKEN_AT = "taken", "taken at"


def _paid(first: dt.date, last: dt.date) -> dict[tuple[int, int, int], int]:
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


@source(TAKEN, TAKEN_AT)
def _taken(first: dt.date, last: dt.date, whats: Iterable[str]) -> Mapping[Row, int]:
    paid = _paid(first, last)
    shares = shares_of({lot for _, lot, _ in paid})
    fine: dict[tuple[int, int], Counter[CropId]] = defaultdict(Counter)
    for (outlet, lot, month), pence in paid.items():
        for crop, part in split(pence * FINE, shares[lot]):
            fine[outlet, month][crop] += part
    out: Counter[Row] = Counter()
    for (outlet, month), by_crop in fine.items():
        for crop, pence in whole_pence_of(by_crop).items():
            out[Row(TAKEN, month, crop, "")] += pence
            out[Row(TAKEN_AT, month, crop, str(outlet))] += pence
    return Counter({row: n for row, n in out.items() if row.what in whats})


def whole_pence_of(fine: Mapping[CropId, int]) -> dict[CropId, int]:
    """Parts of a penny by crop as whole pence that add up to their sum, rounded half up."""
    crops = sorted(fine, key=lambda crop: (crop is None, crop or 0))
    return dict(zip(crops, whole([fine[crop] for crop in crops], FINE), strict=True))


__all__ = ["TAKEN", "TAKEN_AT", "whole_pence_of"]
