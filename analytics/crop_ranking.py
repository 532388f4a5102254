"""Which crops earn their space, as far as the books can tell: analytics/earning/ranking.py over the
stands of a period (analytics/stands.py), by the week in which each was sown.

Beside the order stand the orders it would be with the crop minutes left out, with the kitchen
paying another price and with the shop keeping another share: whether a crop is first should not
hang on a figure that somebody chose.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from grow.models import PlaceKind as K

from .crop_table import CropSum, CropTable, Only, tabled
from .crops import names
from .earning import orders
from .period import DAY_S, About, Period, percent
from .rates import at_nine_places
from .stands import Stands, stands
from .traced import FINE

if TYPE_CHECKING:
    from .earning.ranking import Pair, Place  # scipy is slow to load

CropId = int | None
#: Below this share of the cut weighed tier by tier, tiers say nothing of money: a crate of several
#: tiers is shared to them equally. Our own figure.
LEAST_BY_TIER_PCT = 50
#: A fall or rise of so many places is said in words.
FAR = 3
_SAID = 5


@dataclass(frozen=True)
class Chosen:
    """alone: a mixed bag's money by what each leaf fetches alone, else by grams. minutes: the
    interval is of the margin after crop minutes. kitchen_pct: another transfer price, as a share
    of today's; shop_pct: another share that the shop keeps."""

    alone: bool = True
    minutes: bool = True
    kitchen_pct: int = 75
    shop_pct: int = 33


@dataclass
class RankRow:
    """One crop. Pence a site and week: before and after crop minutes, and after them at the other
    prices. low, high: of value, the one that is ranked; None with too few sowing weeks. drawn:
    value drawn toward the mean of all crops, by drawn_pct. with_first: not told apart from the
    first; leads: told apart from all others; says: both in words. places are counted from 1."""

    crop: str
    crop_id: CropId
    weeks: int
    site_days: Decimal
    before_p: Decimal
    after_p: Decimal
    at_kitchen_p: Decimal
    at_shop_p: Decimal
    value_p: Decimal | None
    low_p: Decimal | None
    high_p: Decimal | None
    first_pct: Decimal | None
    drawn_p: Decimal | None
    drawn_pct: Decimal | None
    with_first: bool
    leads: bool
    says: str
    place_before: int = 0
    place_after: int = 0
    place_kitchen: int = 0
    place_shop: int = 0


@dataclass
class RankTable:
    """rows: best first, those with too few weeks last. sentence: what can and cannot be concluded;
    turns: where an order turns over, a sentence each. pairs: of the crops with weeks enough, told
    apart or not, in pence a site-day."""

    about: About
    rows: list[RankRow]
    sentence: str
    turns: list[str] = field(default_factory=list)
    pairs: Sequence[Pair] = ()


def crop_ranking(period: Period, chosen: Chosen | None = None) -> RankTable:
    """Crops that held sites in the period, in the order of what a site earned in it."""
    return ranked(weekly_stands(period), chosen)


def weekly_stands(period: Period) -> Stands:
    """What a ranking is of; crop_table.tabled makes the crops' table of the same reading."""
    return stands(period, _about(period), by_week=True)


def ranked(found: Stands, chosen: Chosen | None = None) -> RankTable:
    """The same of stands that were read by sowing week."""
    from .earning.ranking import rank
    from .earning.ratios import LEAST_WEEKS

    about, chosen = found.about, chosen or Chosen()
    sown = {stand: amounts for stand, amounts in found.of.items() if stand.week is not None}
    found = replace(found, of=sown)
    table = tabled(found, "crop", Only())
    groups = {row.crop: row for row in table.groups if row.crop_id and row.site_s}
    if not groups:
        return RankTable(about, [], "Nothing stood on a site in that time.")
    _say_what_is_left_out(about, table)
    by_tier = _by_tier(about, table)
    value = ("after" if chosen.minutes else "before") + ("_alone_p" if chosen.alone else "_p")
    rows = [
        (crop, week, tier, getattr(row, value), row.site_s / DAY_S)
        for (crop, week, tier), row in _weekly(found, by_tier).items()
        if crop in groups
    ]
    crops, weeks, tiers, earned, days = zip(*rows, strict=True)
    ranking = rank(crops, weeks, earned, days, tiers if by_tier else None)
    other = _elsewhere(about, chosen, found)
    tied = [str(place.crop) for place in ranking.places[1:] if place.with_first]
    out = []
    for place in ranking.places:
        group = groups[str(place.crop)]
        before, after = (
            (group.before_alone_p, group.after_alone_p)
            if chosen.alone
            else (group.before_p, group.after_p)
        )
        out.append(
            RankRow(
                crop=group.crop,
                crop_id=group.crop_id,
                weeks=place.weeks,
                site_days=group.site_days,
                before_p=_per_week(before, group),
                after_p=_per_week(after, group),
                at_kitchen_p=_per_week(after + other.kitchen[group.crop_id], group),
                at_shop_p=_per_week(after + other.shop[group.crop_id], group),
                value_p=_of_a_day(place.value),
                low_p=_of_a_day(place.low),
                high_p=_of_a_day(place.high),
                first_pct=_pct(place.first_share),
                drawn_p=_of_a_day(place.shrunk),
                drawn_pct=_pct(place.shrunk_share),
                with_first=place.with_first,
                leads=place.with_first and not tied,
                says=_said_of(place, ranking.places[0], tied),
            )
        )
    _places(out)
    about.notes += [
        f"Intervals of {round(100 * ranking.confidence)} % and shares of first places: "
        f"{ranking.resamples} times, as many sowing weeks as there are are drawn anew, each whole "
        "with all its crops, for what was sown in one hot week is no separate evidence.",
        f"Fewer than {LEAST_WEEKS} sowing weeks have no interval. “Drawn in” is the figure moved "
        "toward the mean of all crops, the more the less its weeks agree: the safer guess of the "
        "two for what comes.",
        "A crop is told apart from the first only where their difference stands clear of chance "
        "though every pair is looked at, and the clearer the fewer its weeks: two intervals that "
        "do not touch may still not be told apart.",
    ]
    judged = [row for row in out if row.low_p is not None]
    turns = _turns(judged, chosen, other.shop_now)
    return RankTable(about, out, ranking.sentence, turns, ranking.pairs)


def _said_of(place: Place, first: Place, tied: Sequence[str]) -> str:
    """Of one crop, beside the first: a few words for its row."""
    if place.too_few:
        return "Too few weeks"
    if place != first:
        return f"{'Not told apart from' if place.with_first else 'Earns less than'} {first.crop}"
    if not tied:
        return "Earns most"
    return f"First, not told apart from {tied[0] if len(tied) == 1 else f'{len(tied)} others'}"


def _about(period: Period) -> About:
    about = About(
        period,
        base="plant sites that stood in the period, and money of the period at the pack-house door "
        "less direct costs",
        unit="pence a site and week, net of tax",
        notes=[
            "Raising and planting is spread over the days that a sowing's sites are held; trays "
            "that failed are charged to their crop. The fixed round, rent and heat are not in it."
        ],
    )
    about.say_season()
    return about


def _say_what_is_left_out(about: About, table: CropTable) -> None:
    earned = table.stands.margin.total
    rest = earned.door_p - table.total.door_p
    if rest:
        about.gap(
            f"{percent(rest, earned.door_p)} % of the money is of bought-in leaf, or of leaf with "
            "no sowing told: it earned no site anything, and is in no crop's figure here."
        )


def _by_tier(about: About, table: CropTable) -> bool:
    """Whether enough was weighed tier by tier for tiers to say anything of money."""
    told = percent(table.total.one_tier_g, table.total.cut_g) or Decimal(0)
    enough = told >= LEAST_BY_TIER_PCT
    about.notes.append(
        f"{told} % of the cut was weighed on one tier alone"
        + (
            ": crops are compared as if each had stood on the farm's own mix of tiers."
            if enough
            else f", less than {LEAST_BY_TIER_PCT} %: tiers are not allowed for."
        )
    )
    return enough


def _weekly(found: Stands, by_tier: bool) -> dict[tuple[str, int, int], CropSum]:
    """Sums by crop, sowing week and tier; tier nought: none, or all together."""
    called = names()
    out: dict[tuple[str, int, int], CropSum] = defaultdict(CropSum)
    for stand, amounts in found.of.items():
        tier = (stand.tier or 0) if by_tier else 0
        out[called[stand.crop], stand.week or 0, tier].add(amounts)
    return out


@dataclass
class _Elsewhere:
    """Pence that each crop would have earned more, or less, with the kitchen's price or the shop's
    share at the other figure; of leaf that sites gave, not of what was bought in. shop_now: what
    the shop kept, in per cent; None where there are several or none."""

    kitchen: dict[CropId, Fraction]
    shop: dict[CropId, Fraction]
    shop_now: float | None


def _elsewhere(about: About, chosen: Chosen, found: Stands) -> _Elsewhere:
    out = _Elsewhere(defaultdict(Fraction), defaultdict(Fraction), None)
    kept_now = []
    for outlet, money in found.margin.money.of_outlets.items():
        takings, share = (sum(of.values()) for of in (money.takings, money.shop_share))
        if outlet.place.kind == K.KITCHEN:
            to, more = out.kitchen, Fraction(chosen.kitchen_pct - 100, 100)
        elif outlet.place.kind == K.SHOP and takings > share:
            kept_now.append(1 - Fraction(share, takings))
            to, more = out.shop, Fraction(100 - chosen.shop_pct, 100) / kept_now[-1] - 1
        elif outlet.place.kind == K.SHOP and takings:
            about.gap(f"{outlet} keeps all it takes, so what it would leave is not known.")
            continue
        else:
            continue
        door = found.traced.of_crops(money.alone_of if chosen.alone else money.door_of)
        for stand, pence in found.traced.at_stands(door).items():
            if stand.week is not None:
                to[stand.crop] += Fraction(pence, FINE) * more
    out.shop_now = 100 - 100 * float(kept_now[0]) if len(kept_now) == 1 else None
    return out


def _per_week(pence: int | Fraction, row: CropSum) -> Decimal:
    return at_nine_places(Fraction(pence) * DAY_S * 7 / row.site_s)


def _of_a_day(pence: float | None) -> Decimal | None:
    """Pence a site-day → a site and week."""
    return None if pence is None else Decimal(f"{7 * pence:.6f}")


def _pct(share: float | None) -> Decimal | None:
    return None if share is None else Decimal(f"{100 * share:.2f}")


def _places(rows: list[RankRow]) -> None:
    for place, value in (
        ("place_before", "before_p"),
        ("place_after", "after_p"),
        ("place_kitchen", "at_kitchen_p"),
        ("place_shop", "at_shop_p"),
    ):
        values = [getattr(row, value) for row in rows]
        for row in rows:
            setattr(row, place, 1 + sum(other > getattr(row, value) for other in values))


def _turns(rows: list[RankRow], chosen: Chosen, shop_now: float | None) -> list[str]:
    """Which crops crop minutes move far, and which two change places between two prices."""
    out = []
    for row in sorted(rows, key=lambda row: row.place_after):
        rises = row.place_before - row.place_after
        if abs(rises) >= FAR or (rises and row.place_after == 1):
            out.append(
                f"Crop minutes move {row.crop} {'up' if rises > 0 else 'down'} from place "
                f"{row.place_before} to place {row.place_after}."
            )
    out += _crossed(
        rows,
        "at_kitchen_p",
        100,
        chosen.kitchen_pct,
        "where the kitchen pays {:.0f} % of its price",
        "at the kitchen's price of today",
    )
    if shop_now is not None:
        out += _crossed(
            rows,
            "at_shop_p",
            shop_now,
            chosen.shop_pct,
            "where the shop keeps {:.0f} %",
            "at what the shop keeps today",
        )
    return out


def _crossed(
    rows: Sequence[RankRow], value: str, now: float, then: int, where: str, today: str
) -> list[str]:
    """today: where two crops are level that change places within half a per cent of now."""
    if now == then:
        return []
    at = {now: {r.crop: float(r.after_p) for r in rows},
          then: {r.crop: float(getattr(r, value)) for r in rows}}  # fmt: skip
    low, high = sorted(at)
    found = orders.flips(at[low], at[high], low, high)
    said = []
    for flip in sorted(found, key=lambda flip: abs(flip.price - now))[:_SAID]:
        up, down = (flip.rises, flip.falls) if then > now else (flip.falls, flip.rises)
        at_once = f"{flip.price:.0f}" == f"{now:.0f}"
        said.append(
            f"{up} and {down} are level {today}."
            if at_once
            else f"{up} passes {down} {where.format(flip.price)}."
        )
    if (more := len(found) - _SAID) > 0:
        pairs = "pair changes" if more == 1 else "pairs change"
        said.append(f"{more} more {pairs} places on the way to {then} %.")
    return said


__all__ = ["Chosen", "RankRow", "RankTable", "crop_ranking", "ranked", "weekly_stands"]
