"""What towers give a square metre of floor against a flat bench, by one's own records; and what
somebody claims, beside the same crop, season and floor.

Floor is what the rates say: of a tower with its share of aisles and nursery, of a bench's cell with
its share of aisles. A crop on towers has the floor of the sites that it held; all crops together
have the floor of every tower in use, empty sites too. A crop cut from cells that never stood on a
tower has the floor of its cells. Both are brought to a year at that pace, so that they compare; but
a bench that stood for a summer only says nothing of a year on towers.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

from grow import clock, sums
from grow.models import NURSERY, Lineage
from grow.shares import shared_out

from .costs import W
from .counted import midnights
from .crop_table import crop_table
from .models import Claim
from .period import DAY_S, About, Period, percent, ratio
from .raising import cut_in_nursery
from .rates import Rates, at_nine_places
from .stands import NEVER
from .yields import cut_lots

CropId = int | None
ALL = "All crops, empty sites too"
_YEAR = 365
_SEASONS = {12: "winter", 3: "spring", 6: "summer", 9: "autumn"}


@dataclass
class FloorRow:
    """One crop, or all. _g: cut in the period, net; _m2_days: the floor held, for as long;
    bench_days: on which cells of it stood on a bench, of so many days of the period so far."""

    crop: str
    crop_id: CropId
    towers_g: int = 0
    towers_m2_days: Decimal = field(default_factory=Decimal)
    bench_g: int = 0
    bench_m2_days: Decimal = field(default_factory=Decimal)
    bench_days: int = 0
    days: int = 0

    @property
    def towers_kg(self) -> Decimal | None:
        """A m² and year, at the pace of the period."""
        return ratio(Decimal(self.towers_g) * _YEAR / 1000, self.towers_m2_days)

    @property
    def bench_kg(self) -> Decimal | None:
        return ratio(Decimal(self.bench_g) * _YEAR / 1000, self.bench_m2_days)

    @property
    def times(self) -> Decimal | None:
        """Towers against a flat bench; None where one stood for less than half of the days."""
        if self.towers_kg is None or not self.bench_kg or self.too_short():
            return None
        return self.towers_kg / self.bench_kg

    def too_short(self) -> bool:
        return 2 * self.bench_days < self.days


@dataclass
class ClaimRow:
    """A claim with one's own figure of the same crop and season; own is None where there is none,
    and says why."""

    said_by: str
    what: str
    crop: str
    season: str
    floor: str
    source: str
    claimed: Decimal
    own: Decimal | None
    says: str

    @property
    def own_pct(self) -> Decimal | None:
        """Own records, per cent of what is claimed."""
        return None if self.own is None else percent(self.own, self.claimed)


@dataclass
class Claims:
    about: About
    rows: list[FloorRow]
    claims: list[ClaimRow]


def claims(period: Period) -> Claims:
    about = About(
        period,
        base="cut in the period, net of crate and grade-out, over the floor that it was cut from",
        unit="kg a m² of floor and year, at the pace of the period",
        notes=[
            "A crop on towers has the floor of the sites that it held, with its part of aisles and "
            "nursery; all crops together have that of every tower, empty sites too.",
            "A flat bench is what was cut from cells that never stood on a tower.",
            f"A pace is not a year: {period.days} days say what {_YEAR} such days would give. A "
            "bench on which nothing stood for more than half of them is not compared.",
            "All crops together are whatever stood on either; a crop's own row compares like with "
            "like.",
        ],
    )
    with sums.one_moment():
        table = crop_table(period)
        bench = _bench(period, about)
    about.gaps += [gap for gap in table.about.gaps if "floor a tower takes" in gap]
    rows: list[FloorRow] = []
    tower_g: Counter[CropId] = Counter()
    tomorrow = min(period.last + dt.timedelta(days=1), clock.local(clock.now()).date())
    days = max((tomorrow - period.first).days, 0)
    for stand, amounts in table.stands.of.items():
        if stand.tower:
            tower_g[stand.crop] += amounts.cut_g
    for group in table.groups:
        if group.line == NEVER or not (tower_g[group.crop_id] or group.crop_id in bench):
            continue
        row = FloorRow(group.crop, group.crop_id, tower_g[group.crop_id], group.floor_m2_days)
        flat = bench.get(group.crop_id, _Bench())
        row.bench_g, row.bench_m2_days = flat.grams, at_nine_places(flat.m2_days)
        row.bench_days, row.days = len(flat.nights), days
        rows.append(row)
    if rows:
        whole = FloorRow(ALL, None, sum(tower_g.values()))
        rate = Rates().of(W.FLOOR, None, period.numbers[1])
        towers = {tower for tower, _ in table.stands.sites_in_use}
        span = int((period.elapsed - period.start).total_seconds())
        whole.towers_m2_days = at_nine_places(
            Fraction(rate or 0) * len(towers) * Fraction(span, DAY_S)
        )
        whole.bench_g = sum(row.bench_g for row in rows)
        whole.bench_m2_days = sum((row.bench_m2_days for row in rows), Decimal(0))
        whole.bench_days = len({night for flat in bench.values() for night in flat.nights})
        whole.days = days
        rows.append(whole)
    return Claims(about, rows, [_beside(claim, rows, period) for claim in _told()])


def _told() -> list[Claim]:
    return list(Claim.objects.select_related("crop"))


@dataclass
class _Bench:
    """Of one crop: grams cut from cells that never stood on a tower, their m²-days, and the days
    (yyyymmdd) on which some stood."""

    grams: int = 0
    m2_days: Fraction = field(default_factory=Fraction)
    nights: set[int] = field(default_factory=set)


def _bench(period: Period, about: About) -> Mapping[CropId, _Bench]:
    batches = set(cut_in_nursery())
    net = {lot: grams for lot, (grams, _) in cut_lots(period).items()}
    out: dict[CropId, _Bench] = defaultdict(_Bench)
    grew: dict[int, Counter[tuple[int, CropId]]] = defaultdict(Counter)
    edges = Lineage.objects.filter(
        kind=Lineage.Kind.GREW, struck_by=None, child__gte=min(net, default=0)
    ).values_list("child_id", "parent_id", "parent__crop_id", "quantity")
    for lot, grown, crop, quantity in edges if batches else ():
        if lot in net:
            grew[lot][grown, crop] += quantity or 0
    for lot, of in grew.items():  # a crate may hold leaf of towers too
        kept = sorted((key, n) for key, n in of.items() if n > 0)
        parts = shared_out(net[lot], [n for _, n in kept])
        for ((grown, of_crop), _), part in zip(kept, parts, strict=True):
            if grown in batches:
                out[of_crop].grams += part
    if not out:
        return out
    moved: Counter[tuple[int, int | None]] = Counter()
    crop_of: dict[int, CropId] = {}
    for batch, cell, quantity in sums.of_sowings(period.last):
        if batch in batches:
            crop_of[batch] = cell.crop
            into, out_of = cell.to_kind in NURSERY, cell.from_kind in NURSERY
            moved[cell.day, batch] += quantity * (into - out_of)
    rates = Rates()
    for (day, sowing), cells in midnights(moved, period).items():
        if sowing is None or crop_of[sowing] not in out:
            continue
        each = rates.of(W.BENCH_FLOOR, crop_of[sowing], day)
        if each is None:
            about.gap(
                "No rate says what floor a cell on a flat bench takes, so nothing is said of a "
                "bench. Set “Floor that a cell on a flat bench takes”."
            )
        out[crop_of[sowing]].m2_days += Fraction(each or 0) * cells
        out[crop_of[sowing]].nights.add(day)
    return out


def _beside(claim: Claim, rows: list[FloorRow], period: Period) -> ClaimRow:
    crop = claim.crop
    found = next((row for row in rows if row.crop_id == (crop.pk if crop else None)), None)
    own: Decimal | None = None
    says = ""
    if claim.season != _season(period):
        says = f"Claimed for {claim.get_season_display().lower()}; ask for the same."
    elif found is None:
        says = "None of it was cut in that time."
    elif claim.of != Claim.Of.TOWERS and found.bench_g and found.too_short():
        says = (
            f"Cells stood on a bench on {found.bench_days} of {found.days} days; that says too "
            "little of so long."
        )
    else:
        own = {"towers": found.towers_kg, "bench": found.bench_kg, "times": found.times}[claim.of]
        says = "" if own is not None else "No own record of it: its floor or its cut is not known."
    return ClaimRow(
        claim.said_by,
        claim.get_of_display(),
        str(crop) if crop else "Whatever grows",
        claim.get_season_display(),
        claim.floor,
        claim.source,
        claim.amount,
        own,
        says,
    )


def _season(period: Period) -> str:
    """Which season a period lies in whole; "year" of a whole year, "" of neither."""
    if period.days in (365, 366):
        return "year"
    month = period.first.month // 3 * 3 or 12
    last = period.last.month // 3 * 3 or 12
    return _SEASONS[month] if month == last and period.days <= 92 else ""


__all__ = ["ALL", "ClaimRow", "Claims", "FloorRow", "claims"]
