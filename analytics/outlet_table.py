"""What each outlet paid for each crop, at the pack-house door, and what of it went unsold there."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import F, Sum
from django.db.models.functions import Coalesce

from grow import sums
from grow.asks import Unread
from grow.errors import Refusal
from grow.models import ENDS, OUTLETS, SOURCES, Movement
from grow.models import PlaceKind as K
from sales.models import Money, Outlet
from sales.pricing import WENT_G

from .crops import UNKNOWN, names
from .period import About, Period, percent, ratio
from .revenue import by_outlet, unpriced
from .waste import THROWN

CropId = int | None
#: Where what was not sold goes.
_UNSOLD = (*THROWN, K.DONATED, K.STAFF)


@dataclass
class OutletSum:
    """What one outlet took of one crop: grams that have a price, and their money. came_g: to it,
    less what went back. unsold_g: thrown away, given away or eaten by staff there."""

    outlet: str
    crop_id: CropId
    crop: str
    grams: int = 0
    takings_p: int = 0
    shop_share_p: int = 0
    door_p: int = 0
    door_alone_p: int = 0
    came_g: int = 0
    unsold_g: int = 0

    @property
    def unsold_pct(self) -> Decimal | None:
        """Of what came. None where less came than went back, or nothing."""
        return percent(self.unsold_g, self.came_g) if self.came_g > 0 else None

    @property
    def door_per_kg_p(self) -> Decimal | None:
        return ratio(self.door_p * 1000, self.grams)

    @property
    def door_alone_per_kg_p(self) -> Decimal | None:
        return ratio(self.door_alone_p * 1000, self.grams)


_ADDED = ("grams", "takings_p", "shop_share_p", "door_p", "door_alone_p", "came_g", "unsold_g")


@dataclass
class OutletTable:
    about: About
    rows: list[OutletSum]
    total: OutletSum


def outlet_table(period: Period, crop: int | None = None, outlet: str | None = None) -> OutletTable:
    """Revenue at the pack-house door by outlet and crop; adds up to the margin's. Raises Unread for
    an outlet that is none."""
    if outlet is not None and not Outlet.objects.filter(place__name=outlet).exists():
        raise Unread({"outlet": Refusal("no_choice", f"No outlet is called “{outlet}”.")})
    about = About(
        period,
        base="goods with a price that went out in the period, less what came back",
        unit="g and pence, net of tax",
        notes=[
            "At the door: takings less the shop's stated share; a kitchen's at its transfer price.",
            "Unsold: thrown away, given away or eaten by staff there, of what came there, whenever "
            "that was. What was thrown away or rejected on the way is no outlet's.",
            "An outlet has no sites: what leaf cost to grow is the same wherever it is sold, so no "
            "margin is said of an outlet.",
        ],
    )
    called = names()
    rows: dict[tuple[str, CropId], OutletSum] = {}
    with sums.one_moment():
        money = by_outlet(period, about)
        sold, (came, unsold) = _sold(period), _there(period)
        unpriced(period, about)
    for outlet_, found in money.items():
        told: dict[str, Mapping[CropId, int]] = {
            "takings_p": found.takings,
            "shop_share_p": found.shop_share,
            "door_p": found.door,
            "door_alone_p": found.alone,
            "grams": sold.get(outlet_.pk, {}),
            "came_g": came.get(outlet_.place_id, {}),
            "unsold_g": unsold.get(outlet_.place_id, {}),
        }
        for name, by_crop in told.items():
            for crop_id, amount in by_crop.items():
                key = str(outlet_), crop_id
                row = rows.setdefault(key, OutletSum(*key, called[crop_id]))
                setattr(row, name, amount)
    listed = sorted(
        (
            row
            for row in rows.values()
            if crop in (None, row.crop_id) and outlet in (None, row.outlet)
        ),
        key=lambda row: (row.outlet, row.crop == UNKNOWN, row.crop),
    )
    total = OutletSum("All outlets", None, "")
    for row in listed:
        for name in _ADDED:
            setattr(total, name, getattr(total, name) + getattr(row, name))
    return OutletTable(about, listed, total)


def _sold(period: Period) -> Mapping[int, Mapping[CropId, int]]:
    """Outlet → crop → grams that its money was for."""
    first, last = period.numbers
    rows = Money.objects.filter(movement__day__gte=first, movement__day__lte=last)
    return _by_crop(rows.values_list("outlet_id", "movement__lot_id").annotate(grams=WENT_G))


def _there(period: Period) -> tuple[Mapping[int, Mapping[CropId, int]], ...]:
    """(came, unsold): place of an outlet → crop → grams that came to it, less what left it for
    another place where things stand; and that were thrown away, given away or eaten by staff."""
    first, last = period.numbers
    came: list[tuple[int, int, int]] = []
    unsold: list[tuple[int, int, int]] = []
    for here, there, way in (("to_place", "from_place", 1), ("from_place", "to_place", -1)):
        rows = (
            Movement.objects.filter(
                **{f"{here}__kind__in": OUTLETS},
                day__gte=first,
                day__lte=last,
                lot__kind__in=sums.EATEN,
            )
            .values_list(here, "lot_id", f"{there}__kind")
            .annotate(grams=Sum(F("quantity") * Coalesce("lot__grams_each", 1)))
        )
        for place, lot, kind, grams in rows:
            if kind in _UNSOLD:
                unsold.append((place, lot, -way * grams))
            elif kind not in SOURCES | ENDS:
                came.append((place, lot, way * grams))
    return _by_crop(came), _by_crop(unsold)


def _by_crop(rows: Iterable[tuple[int, int, int]]) -> Mapping[int, Mapping[CropId, int]]:
    """(of what, lot, grams) → of what → grams by the crops in each lot."""
    found = list(rows)
    shares = sums.shares_of({lot for _, lot, _ in found})
    out: dict[int, Counter[CropId]] = defaultdict(Counter)
    for of, lot, grams in found:
        for crop, part in sums.split(grams, shares[lot]):
            out[of][crop] += part
    return out


__all__ = ["OutletSum", "OutletTable", "outlet_table"]
