"""Which crops pay for the sites they hold: one table of a period by crop, variety, tower or tier.
Each row adds up stands (analytics/stands.py), so however it is grouped the
table has the same grams and pence in it as the yields, the waste and the margin.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import TypeVar

from grow.models import Place, Variety

from .crops import names, natural
from .margin import per_limit
from .models import Rate
from .period import DAY_S, About, Period, percent, ratio
from .rates import at_nine_places
from .stands import NEVER, Amounts, Stand, Stands, stands
from .yields import BOUGHT_IN, PerSite

CropId = int | None
N = TypeVar("N", bound="Group")
BY = ("crop", "variety", "tower", "tier")
ALL = "all"


@dataclass
class Group:
    """What a row is of. An empty name, or no tier: of all, or of none that is known."""

    crop_id: CropId = None
    crop: str = ""
    variety_id: int | None = None
    variety: str = ""
    tower_id: int | None = None
    tower: str = ""
    tier: int | None = None

    @property
    def called(self) -> str:
        names = (self.variety, self.tower, f"Tier {self.tier}" if self.tier else "", self.crop)
        return next(filter(None, names), "No site named")


@dataclass
class CropSum(PerSite, Amounts, Group):
    """Money, weight and time of one group. floor_m2_days is nought where no rate says what floor a
    tower takes; then its margin has no figure. resold_p: what leaf grown by others left before crop
    minutes, by grams and by what each leaf fetches alone, and its minutes; it held no site, and is
    in no figure a site or square metre."""

    line: str = ALL
    floor_m2_days: Decimal = field(default_factory=Decimal)
    resold_p: int = 0
    resold_alone_p: int = 0
    resold_minutes_p: int = 0

    def add(self, other: Amounts) -> None:
        super().add(other)
        if isinstance(other, CropSum):
            for name in ("floor_m2_days", "resold_p", "resold_alone_p", "resold_minutes_p"):
                setattr(self, name, getattr(self, name) + getattr(other, name))

    @property
    def called(self) -> str:
        if self.line == NEVER and not (self.tower or self.tier):
            return "Not planted yet"
        return super().called

    @property
    def site_days(self) -> Decimal:
        return _days(self.site_s)

    @property
    def site_weeks(self) -> Decimal:
        return self.site_days / 7

    @property
    def blocked_days(self) -> Decimal:
        return _days(self.blocked_s)

    @property
    def dead_days(self) -> Decimal:
        return _days(self.dead_s)

    @property
    def changeover_days(self) -> Decimal:
        return _days(self.changeover_s)

    @property
    def untouched_days(self) -> Decimal:
        return _days(self.untouched_s)

    @property
    def lost(self) -> int:
        return self.sites - self.surviving

    @property
    def lost_pct(self) -> Decimal | None:
        return percent(self.lost, self.sites)

    @property
    def cells_per_site(self) -> Decimal | None:
        """Cells sown for each site planted: trays that failed show here."""
        return ratio(self.cells_sown, self.planted)

    @property
    def germination_pct(self) -> Decimal | None:
        return percent(self.checked_cells - self.not_up, self.checked_cells)

    @property
    def days_to_first_cut(self) -> Decimal | None:
        return ratio(_days(self.first_cut_s), self.first_cuts)

    @property
    def one_tier_per_cut_g(self) -> Decimal | None:
        """Grams a site gave at a cut that was weighed on its tier alone."""
        return ratio(self.one_tier_g, self.one_tier_cuts)

    @property
    def costs_p(self) -> int:
        """Direct costs without crop minutes; raising spread over site-days."""
        return self.raising_p + self.nutrient_and_water_p + self.packaging_p + self.bought_in_p

    @property
    def minutes_p(self) -> int:
        """Crop minutes at the one rate; those of sowing and planting spread over site-days."""
        return self.labour_p + self.raising_labour_p

    @property
    def hours(self) -> Decimal:
        return Decimal(self.labour_s) / 3600

    @property
    def before_p(self) -> int:
        return self.door_p - self.costs_p

    @property
    def after_p(self) -> int:
        return self.before_p - self.minutes_p

    @property
    def before_alone_p(self) -> int:
        return self.door_alone_p - self.costs_p

    @property
    def after_alone_p(self) -> int:
        return self.before_alone_p - self.minutes_p

    @property
    def site_before_p(self) -> int:
        """What sites earned."""
        return self.before_p - self.resold_p

    @property
    def site_after_p(self) -> int:
        return self.site_before_p - self.minutes_p + self.resold_minutes_p

    @property
    def before_per_site_week_p(self) -> Decimal | None:
        return per_limit(self.site_before_p, self.site_weeks)

    @property
    def after_per_site_week_p(self) -> Decimal | None:
        return per_limit(self.site_after_p, self.site_weeks)

    @property
    def before_alone_per_site_week_p(self) -> Decimal | None:
        return per_limit(self.before_alone_p - self.resold_alone_p, self.site_weeks)

    @property
    def after_alone_per_site_week_p(self) -> Decimal | None:
        after = self.after_alone_p - self.resold_alone_p + self.resold_minutes_p
        return per_limit(after, self.site_weeks)

    @property
    def after_per_m2_week_p(self) -> Decimal | None:
        return per_limit(self.site_after_p, self.floor_m2_days / 7)

    @property
    def before_per_hour_p(self) -> Decimal | None:
        """What an hour of crop minutes earned, before it is paid."""
        return per_limit(self.before_p, self.hours)


def _days(seconds: int) -> Decimal:
    return at_nine_places(Fraction(seconds, DAY_S))


@dataclass(frozen=True)
class Only:
    """What a table is narrowed to; None is no narrowing."""

    crop: int | None = None
    variety: int | None = None
    tower: int | None = None
    tier: int | None = None

    def keeps(self, stand: Stand) -> bool:
        return all(
            wanted is None or wanted == getattr(stand, name) for name, wanted in vars(self).items()
        )


@dataclass
class CropTable:
    """rows: by group and line. groups: each with all its lines together. total: of all groups."""

    about: About
    rows: list[CropSum]
    groups: list[CropSum]
    total: CropSum
    stands: Stands = field(compare=False, repr=False)


def crop_table(period: Period, by: str = "crop", only: Only | None = None) -> CropTable:
    """Raises ValueError for a grouping that is none of BY."""
    if by not in BY:
        raise ValueError(f"A table is by {', '.join(BY)}; “{by}” is none of them.")
    about = _about(period, by)
    found = stands(period, about)
    return tabled(found, by, only or Only())


def tabled(found: Stands, by: str, only: Only) -> CropTable:
    """The same stands by another grouping, or fewer of them: nothing is read again."""
    about = _about(found.about.period, by)
    about.gaps += found.about.gaps
    about.notes += found.margin.spent.says
    about.standard_pct, about.standard_says = found.about.standard_pct, found.about.standard_says
    called = Names()
    floor = _floor(found, about)
    rows: dict[tuple[object, ...], CropSum] = {}
    for stand, amounts in found.of.items():
        if not only.keeps(stand):
            continue
        row = called.row(stand, by, CropSum)
        row.line = stand.line
        row = rows.setdefault((row.called, row.crop_id, row.variety_id, row.line), row)
        part = CropSum()
        part.add(amounts)
        if stand.tower:
            m2 = floor.get(stand.tower, Fraction(0))
            part.floor_m2_days = at_nine_places(Fraction(amounts.site_s, DAY_S) * m2)
        if stand.line == BOUGHT_IN:
            part.resold_p, part.resold_alone_p = part.before_p, part.before_alone_p
            part.resold_minutes_p = part.minutes_p
        row.add(part)
    listed = sorted(rows.values(), key=in_order)
    groups: dict[tuple[object, ...], CropSum] = {}
    total = CropSum(line=ALL)
    for row in listed:
        key = (row.called, row.crop_id, row.variety_id)
        named = {name: getattr(row, name) for name in Group.__dataclass_fields__}
        whole = groups.setdefault(key, CropSum(**{**named, "line": _whole(row)}))
        whole.add(row)
        total.add(row)
    _shared(about, by, total)
    if total.resold_p or total.resold_minutes_p:
        about.notes.append(
            f"Leaf grown by others left {total.resold_p} pence before crop minutes: it is in the "
            "money, and in no figure a site or square metre, for it held none."
        )
    return CropTable(about, listed, list(groups.values()), total, found)


def _whole(row: CropSum) -> str:
    return NEVER if row.line == NEVER and not (row.tower or row.tier) else ALL


def in_order(row: Group) -> tuple[object, ...]:
    line = getattr(row, "line", ALL)
    none = not (row.crop or row.variety or row.tower or row.tier)
    return (line == NEVER, none, row.crop, row.variety, natural(row.tower), row.tier or 0, line)


class Names:
    def __init__(self) -> None:
        self.crops = names()
        self.varieties = dict(Variety.objects.values_list("pk", "name"))
        self.towers = dict(Place.objects.filter(kind="tower").values_list("pk", "name"))

    def row(self, stand: Stand, by: str, kind: type[N]) -> N:
        row = kind()
        if by == "tower":
            row.tower_id, row.tower = stand.tower, self.towers.get(stand.tower or 0, "")
        elif by == "tier":
            row.tier = stand.tier
        elif stand.line != NEVER:
            row.crop_id, row.crop = stand.crop, self.crops[stand.crop]
            if by == "variety":
                row.variety_id = stand.variety
                name = self.varieties.get(stand.variety or 0)
                row.variety = f"{row.crop}, {name or 'no variety told'}"
        return row


def _floor(found: Stands, about: About) -> dict[int, Fraction]:
    """m² of floor that a site of a tower takes, by the rate in force on the period's last day."""
    rate = (
        Rate.objects.filter(what=Rate.What.FLOOR, since__lte=about.period.last)
        .order_by("-since")
        .first()
    )
    if rate is None:
        about.gap(
            "No rate says what floor a tower takes by then, so nothing is said of a square metre. "
            "Set “Floor that a tower takes”, with its share of aisles and nursery."
        )
        return {}
    about.notes.append(
        f"A square metre is of floor: {rate.amount.normalize():f} {rate.unit}, from "
        f"{rate.since:%d %b %Y} ({rate.source}). A site has its part of its tower's."
    )
    sites: Counter[int] = Counter()
    for (tower, _), number in found.sites_in_use.items():
        sites[tower] += number
    return {tower: Fraction(rate.amount) / number for tower, number in sites.items()}


def _about(period: Period, by: str) -> About:
    about = About(
        period,
        base="plant sites that stood in the period, one a sowing and site; money of the period at "
        "the pack-house door",
        unit="as each column says; pence net of tax",
        notes=[
            "Site-days are elapsed days that sites were held, blocked ones too. Dead: empty since "
            "a plant was told as lost. Changeover: empty since one was cleared or moved.",
            "Completed: ended by the last day. Standing: not yet. No site named: cut from bench or "
            "shelf cells, or with no tower told, and sowings of which nothing stood yet or at all.",
            "Raising and planting (seed, medium, pots, light, minutes; cells that failed too) is "
            "spread over the days that a sowing's sites are held: its true life once cleared, the "
            "crop card's while it stands. A sowing never planted is charged when it was told.",
            "Money is of what was sold in the period, and goes to the sites by the leaf in each "
            "pack; a bag's is shared by grams or, beside it, by what each leaf fetches alone.",
            "Germination: of the sowings checked in the period, all their cells. Days to the first "
            "cut: of plants first cut in the period, each plant once.",
            "The fixed round, rent and heat are not in it.",
        ],
    )
    if by in ("tower", "tier"):
        about.notes.append(
            "Cells sown and germination belong to a sowing, trim and giveaway to a bag: no tower "
            "or tier has any of its own."
        )
    if by == "tier":
        about.notes.append(
            "Tiers are compared by the cuts weighed on one tier alone, a site and cut; money is of "
            "whole crates, so no tier has a margin of its own."
        )
    about.say_season()
    return about


def _shared(about: About, by: str, total: CropSum) -> None:
    """What share of the cut rests on equal sharing, and what tiers are compared without."""
    for name, says in (
        ("several_sowings_g", "was weighed over several sowings and shared by sites cut."),
        ("several_towers_g", "was weighed over several towers at once, and is shared to them "
         "equally by site."),
    ):  # fmt: skip
        share = percent(getattr(total, name), total.cut_g)
        if share:
            about.notes.append(f"{share} % of the cut {says}")
    share = percent(total.several_tiers_g, total.cut_g)
    if share and by == "tier":
        about.notes.append(
            f"{share} % of the cut was weighed over several tiers at once: shared equally by site "
            "in “cut”, and left out of “a site and cut”."
        )


__all__ = ["ALL", "BY", "CropSum", "CropTable", "Group", "Names", "Only", "crop_table", "in_order",
           "tabled"]  # fmt: skip
