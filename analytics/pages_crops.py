"""Which crops pay for the sites they hold: the page."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from grow import clock, sums
from grow.asks import Unread
from grow.errors import Refusal
from grow.flat import columns_of
from grow.looking import Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Business, Crop, Person, Place, PlantSite, Variety
from grow.page import Page
from grow.rest import shown
from grow.roles import MANAGER
from grow.start import OPENS
from sales.models import Outlet

from . import crop_pictures as pictures
from .crop_asked import Asked, dated, only_of, period_of, season_questions
from .crop_costs import fills_section, kinds_section
from .crop_table import BY, CropSum, CropTable, Only, crop_table
from .crops import names, natural
from .lost import LostRow, lost
from .outlet_table import OutletSum, outlet_table
from .period import About, Period, percent
from .roles import may_read_both, may_read_figures
from .said import LOST, WASTE, rests_on
from .stands import NEVER
from .successive import MOST, successive
from .waste import WasteRow, waste

OUTLET = "outlet"
PRIVATE_MONEY = "What each outlet paid is read by those who may read money: ask the manager."
_GROUPS = {
    "crop": "Crop",
    "variety": "Variety",
    "tower": "Tower",
    "tier": "Tier",
    OUTLET: "Outlet",
}
# --- the question -----------------------------------------------------------------------------


def crop_questions(request: HttpRequest, today: dt.date) -> list[Question]:
    """Outlets, and so what each of them paid, for whoever may read money."""
    assert isinstance(request.user, Person)
    money = may_read_both(request.user)
    crops = [(name, name) for name in Crop.objects.values_list("name", flat=True)]
    towers = Place.objects.filter(kind="tower", sites__isnull=False).distinct()
    tiers = PlantSite.objects.values_list("tier", flat=True).distinct().order_by("tier")
    varieties = Variety.objects.select_related("crop")
    outlets = Outlet.objects.select_related("place") if money else ()
    groups = [row for row in _GROUPS.items() if money or row[0] != OUTLET]
    questions = [
        *season_questions(today, dated(request)),
        Question("by", "By", value="crop", choices=groups),
        Question("crop", "Crop", choices=crops, help="Every crop"),
        Question(
            "variety",
            "Variety",
            choices=[(str(v.pk), f"{v.crop}, {v.name}") for v in varieties],
            help="Every variety",
            seldom=True,
        ),
        Question(
            "tower",
            "Tower",
            choices=[(t.name, t.name) for t in sorted(towers, key=lambda t: natural(t.name))],
            help="Every tower",
            seldom=True,
        ),
        Question(
            "tier",
            "Tier",
            choices=[(str(t), str(t)) for t in tiers],
            help="Every tier",
            seldom=True,
        ),
        Question(
            OUTLET,
            "Outlet",
            choices=[(str(o), str(o)) for o in outlets],
            help="Every outlet",
            seldom=True,
        ),
    ]
    return questions if money else questions[:-1]


# --- the columns ------------------------------------------------------------------------------


def _earned(currency: str) -> tuple[Column, ...]:
    return (
        Column("before_per_site_week_p", "Before crop minutes, pence a site and week", "tenth"),
        Column("after_per_site_week_p", "After crop minutes, pence a site and week", "tenth"),
        Column(
            "after_alone_per_site_week_p",
            "After, leaf at what it fetches alone, pence a site and week",
            "tenth",
        ),
        Column("after_per_m2_week_p", "After, pence a m² of floor and week", "tenth"),
        Column("before_per_hour_p", "Before, pence an hour of crop minutes", "whole"),
        Column("takings_p", f"Takings, {currency}", "money", leads="sales"),
        Column("door_p", f"At the pack-house door, {currency}", "money", leads="sales"),
        Column("raising_p", f"Raising and planting, {currency}", "money", leads="plantings"),
        Column("nutrient_and_water_p", f"Nutrient, water, {currency}", "money"),
        Column("packaging_p", f"Packaging, {currency}", "money"),
        Column("bought_in_p", f"Bought-in leaf, {currency}", "money"),
        Column("before_p", f"Before crop minutes, {currency}", "money"),
        Column("minutes_p", f"Crop minutes, {currency}", "money"),
        Column("after_p", f"After crop minutes, {currency}", "money"),
        Column("closing_p", f"Still to be earned back, {currency}", "money"),
    )


_OF_SOWINGS = (
    Column("cells_per_site", "Cells sown a site planted", "hundredth"),
    Column("germination_pct", "Came up, %", "tenth"),
)
_SITES = (
    Column("sites", "Sites planted", "whole", leads="plantings"),
    Column("site_days", "Site-days", "tenth", leads="plantings"),
    Column("lost_pct", "Plants lost, %", "tenth", leads="plantings"),
    Column("days_to_first_cut", "Days to the first cut", "tenth"),
)
_LEAF = (
    Column("cut_g", "Cut, less graded out, kg", "kg", leads="cuts"),
    Column("sold_or_used_g", "Sold or used, kg", "kg", leads="gone"),
    Column("cut_per_site_g", "Cut, g a site", "tenth"),
    Column("sold_per_site_g", "Sold or used, g a site", "tenth"),
    Column("cut_per_surviving_g", "Cut, g a surviving plant", "tenth"),
    Column("cut_per_site_day_g", "Cut, g a site-day", "hundredth"),
    Column("sold_per_site_day_g", "Sold or used, g a site-day", "hundredth"),
    Column("uncut_g", "Left uncut, kg", "kg"),
)
_TIERS = (
    Column("one_tier_g", "Weighed on one tier alone, kg", "kg"),
    Column("one_tier_cuts", "Of so many sites cut", "whole"),
    Column("one_tier_per_cut_g", "g a site and cut", "tenth"),
)
_LINES = (
    Column("line", "Plantings"),
    Column("sites", "Sites planted", "whole"),
    Column("site_days", "Site-days", "tenth"),
    Column("cut_g", "Cut, less graded out, kg", "kg"),
    Column("sold_or_used_g", "Sold or used, kg", "kg"),
    Column("bought_in_g", "Bought in and sold, kg", "kg"),
)
_SPACE = (
    Column("site_days", "Held, site-days", "tenth", leads="plantings"),
    Column("blocked_days", "Of them blocked by a big plant", "tenth"),
    Column("dead_days", "Dead, site-days", "tenth"),
    Column("changeover_days", "Changeover, site-days", "tenth"),
    Column("untouched_days", "Never planted, site-days", "tenth"),
)


def _spread(currency: str) -> tuple[Column, ...]:
    return (
        Column("opening_p", f"Still to be earned back before, {currency}", "money"),
        Column("told_p", f"Told in the period, {currency}", "money"),
        Column("charged_p", f"Charged to its site-days, {currency}", "money"),
        Column("closing_p", f"Still to be earned back after, {currency}", "money"),
    )


def _outlets(currency: str) -> tuple[Column, ...]:
    return (
        Column("outlet", "Outlet"),
        Column("crop", "Crop", leads="sales"),
        Column("grams", "Sold with a price, kg", "kg", leads="sales"),
        Column("came_g", "Came there, kg", "kg"),
        Column("unsold_g", "Unsold there, kg", "kg"),
        Column("unsold_pct", "Unsold there, %", "tenth"),
        Column("takings_p", f"Takings, {currency}", "money"),
        Column("shop_share_p", f"Shop's share, {currency}", "money"),
        Column("door_p", f"At the pack-house door, {currency}", "money"),
        Column("door_per_kg_p", "At the door, pence a kg", "whole"),
        Column("door_alone_per_kg_p", "Leaf at what it fetches alone, pence a kg", "whole"),
    )


# --- the page ---------------------------------------------------------------------------------


def crops(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    return looked(
        request,
        title="Crops",
        lead="Which crops pay for the sites they hold. Raising and planting are spread over the "
        "days that plants stand; on Margin they are charged when they are told. Press a heading to "
        "sort by it, a name or an underlined figure for the rows behind it.",
        questions=crop_questions(request, today),
        answer=lambda person, asked: _answer(asked, today),
    )


def _answer(asked: Asked, today: dt.date) -> Answer:
    period, only = period_of(asked, today), only_of(asked)
    if asked["by"] not in _GROUPS:
        says = f"“{asked['by']}” is none of: {', '.join(_GROUPS)}."
        raise Unread({"by": Refusal("no_choice", says)})
    if asked["by"] == OUTLET or asked.get(OUTLET):
        if OUTLET not in asked:
            raise Refusal("no_figure", PRIVATE_MONEY)
        return _by_outlet(period, only, asked)
    plain = shown(CropSum)
    with sums.one_moment():
        table = crop_table(period, asked["by"], only)
        sections = _sections(table, asked, only)
    file = f"crops-by-{asked['by']}-{period.first}-{period.last}"
    return Answer(
        sections,
        file=file,
        columns=columns_of(plain),
        rows=[dict(plain(row).data) for row in table.rows],
    )


def _sections(table: CropTable, asked: Asked, only: Only) -> list[Section]:
    by, about = asked["by"], table.about
    groups = [row for row in table.groups if row.line != NEVER]
    if not any(row.site_s or row.cut_g or row.door_p for row in groups):
        return [
            Section(
                str(about.period),
                empty="Nothing stood, was cut or was sold in that time.",
                says=rests_on(about),
                folded=True,
            )
        ]
    currency = Business.the().currency
    name = Column("called", _GROUPS[by], leads="rows")
    rows = [_row(row, by, asked, about.period) for row in groups]
    total = [_row(table.total, "", asked, about.period) | {"called": "All"}]
    of_sowings = _OF_SOWINGS if by in ("crop", "variety") else ()
    out = []
    if by != "tier":
        out.append(
            Section(
                f"What they earn, {about.period}",
                table=Table((name, *_earned(currency)), [*rows, *total], sums=1),
                picture=pictures.ranking(groups),
                says=rests_on(about),
                folded=True,
                name="earn",
            )
        )
    leaf = (*_SITES, *of_sowings, *_LEAF, *(_TIERS if by == "tier" else ()))
    out.append(
        Section(
            f"What they gave, {about.period}",
            table=Table((name, *leaf), [*rows, *total], sums=1),
            says=rests_on(about) if by == "tier" else _short(about, "g and kg, site-days"),
            folded=True,
            name="gave",
        )
    )
    out += [_apart(table, name, asked), *_ways(table, by, asked, only)]
    if by == "crop" and not (only.variety or only.tower or only.tier):
        out += kinds_section(table.stands.margin, currency, only.crop)
        out += _again(about.period, only)
        out += fills_section(about.period) if only.crop is None else []
    out.append(_held(table, name, asked))
    if by in ("tower", "tier") and (heat := _heat(table, only)):
        out.append(heat)
    if by != "tier":
        spread = [
            dict(row, told_p=row["told_raising_p"] + row["told_raising_labour_p"])
            | {"charged_p": row["raising_p"] + row["raising_labour_p"]}
            for row in (*rows, *total)
        ]
        out.append(
            Section(
                f"Raising and planting, spread, {about.period}",
                table=Table((name, *_spread(currency)), spread, sums=1),
                says=[
                    *_short(about, f"{currency}, minutes of sowing and planting with them"),
                    "Before + told − charged = after. The margin page has what was told, this page "
                    "what is charged.",
                ],
                folded=True,
                name="raising",
            )
        )
    told = urlencode({"first": str(about.period.first), "last": str(about.period.last)})
    ways = [
        ("Ranking, and how sure it is", f"{reverse('admin:crop_ranking')}?{told}"),
        ("Keep or clear", reverse("admin:keep")),
        ("Space plan", reverse("admin:space")),
    ]
    out.append(Section("What follows from it", ways=ways))
    return out


def _short(about: About, unit: str) -> list[str]:
    return [f"Base: {about.base}. Unit: {unit}. Period: {about.period}."]


def _row(row: CropSum | LostRow, by: str, asked: Asked, period: Period) -> dict[str, Any]:
    """A row as it is shown, with the addresses of the rows behind it."""
    out = dict(shown(type(row))(row).data)
    own = {
        "crop": row.crop if row.crop_id else "",
        "variety": row.variety_id or "",
        "tower": row.tower,
        "tier": row.tier or "",
    }
    asks = {name: asked.get(name, "") for name in BY} | {n: v for n, v in own.items() if v}
    known = not by or any(own.values())
    out |= leads(asks, period) if known else {}
    return out


def leads(asks: Mapping[str, Any], period: Period) -> dict[str, str]:
    told = {"first": str(period.first), "last": str(period.last)}
    told |= {name: str(value) for name, value in asks.items() if value}
    address = f"{reverse('admin:crop_rows')}?{urlencode(told)}"
    return {"rows": address} | {n: f"{address}#{n}" for n in _PARTS}


#: Parts of the page of the rows, each with an address of its own.
_PARTS = ("plantings", "cuts", "lost", "gone", "sales")


def _apart(table: CropTable, name: Column, asked: Asked) -> Section:
    numbers = [column.name for column in _LINES if column.name != "line"]
    kept = [row for row in table.rows if any(getattr(row, name) for name in numbers)]
    rows = [dict(shown(CropSum)(row).data) for row in kept if row.line != NEVER]
    total = dict(shown(CropSum)(table.total).data) | {"called": "All", "line": ""}
    return Section(
        f"Completed and standing apart, {table.about.period}",
        table=Table((Column("called", name.head), *_LINES), [*rows, total], sums=1),
        says=_short(table.about, "kg, site-days"),
        folded=True,
        name="apart",
    )


def _ways(table: CropTable, by: str, asked: Asked, only: Only) -> list[Section]:
    """Where the leaf went: of a crop to the last gram, of what it grew on what was lost."""
    if by != "crop" or only.variety or only.tower or only.tier:
        return _lost(table, by, asked, only)
    found = waste(table.about.period)
    plain = shown(WasteRow)
    kept = [row for row in found.rows if only.crop in (None, row.crop_id)]
    if not kept:
        return []
    total = found.total if only.crop is None else kept[0]
    period = table.about.period
    rows = [
        dict(plain(row).data) | leads({"crop": row.crop if row.crop_id else ""}, period)
        for row in kept
    ]
    sums = [dict(plain(found.total).data)] if only.crop is None else []
    return [
        Section(
            f"Where the leaf went, {table.about.period}",
            table=Table(
                (Column("crop", "Crop", leads="lost"), *WASTE[1:]), [*rows, *sums], sums=len(sums)
            ),
            picture=pictures.waste_balance(total),
            says=[*rests_on(found.about), f"Period: {table.about.period}."],
            folded=True,
            name="waste",
        )
    ]


def _lost(table: CropTable, by: str, asked: Asked, only: Only) -> list[Section]:
    found = lost(table, by, only)
    if not found.rows:
        return []
    rows = [_row(row, by, asked, table.about.period) for row in found.rows]
    rows.append(dict(shown(LostRow)(found.total).data) | {"called": "All"})
    total = table.total
    together = {"tower": total.several_towers_g, "tier": total.several_tiers_g}.get(by, 0)
    share = percent(together, total.cut_g)
    lines = [column for column in LOST if any(row[column.name] for row in rows)]
    return [
        Section(
            f"Where it was lost, {table.about.period}",
            first=f"{share} % of the cut was weighed over several {by}s at once and is shared to "
            f"them equally: what differs between {by}s here is what stood on them."
            if share
            else "",
            table=Table((Column("called", _GROUPS[by], leads="rows"), *lines), rows, sums=1),
            says=[
                *rests_on(found.about),
                "Of its lines, those on which anything was lost.",
                f"Period: {table.about.period}.",
            ],
            folded=True,
            name="lost",
        )
    ]


def _held(table: CropTable, name: Column, asked: Asked) -> Section:
    rows = [_row(row, asked["by"], asked, table.about.period) for row in table.groups]
    total = dict(shown(CropSum)(table.total).data) | {"called": "All"}
    return Section(
        f"What held the sites, {table.about.period}",
        table=Table((name, *_SPACE), [*rows, total], sums=1),
        says=[
            *_short(table.about, "site-days, elapsed"),
            "Held + dead + changeover + never planted are all days of all sites in use; a site "
            "that is out of use now counts only while a plant held it.",
        ],
        folded=True,
        name="held",
    )


def _heat(table: CropTable, only: Only) -> Section | None:
    towers = dict(Place.objects.filter(kind="tower").values_list("pk", "name"))
    rows = sorted(pictures.heat(table.stands, towers, only), key=lambda row: natural(row["tower"]))
    if not rows:
        return None
    tiers = sorted({int(n.removeprefix("tier_")) for row in rows for n in row if n != "tower"})
    columns = [
        Column("tower", "Tower"),
        *(Column(f"tier_{n}", f"Tier {n}, g a site-day", "hundredth") for n in tiers),
    ]
    return Section(
        f"Tower by tier, cut in g a site-day, {table.about.period}",
        table=Table(columns, rows),
        picture=pictures.heat_map(rows, "tower", "tier_", "Tier, 1 is the lowest", "g a site-day"),
        says=[
            *_short(table.about, "g a site-day"),
            *(note for note in table.about.notes if "weighed over several" in note),
        ],
        folded=True,
        name="map",
    )


def _again(period: Period, only: Only) -> list[Section]:
    """Cut by cut, by crop: a sowing's towers and tiers are not told apart."""
    called = names()
    found = {c: cut for c, cut in successive(period).items() if only.crop in (None, c)}
    rows: list[dict[str, Any]] = [
        {"crop": called[crop], **{f"cut_{n}": value for n, value in cut.items()}}
        for crop, cut in sorted(found.items(), key=lambda row: called[row[0]])
    ]
    if not rows:
        return []
    numbers = sorted({n for cut in found.values() for n in cut})
    columns = [Column(f"cut_{n}", f"Cut {n}, g a site", "tenth") for n in numbers]
    return [
        Section(
            f"Cut after cut, {period}",
            table=Table([Column("crop", "Crop"), *columns], rows),
            picture=pictures.heat_map(rows, "crop", "cut_", "Which cut of its site", "g a site"),
            says=[
                "Base: sites cut in the period, each by how often it had been cut with that; net "
                f"of crate and grade-out. Unit: g a site and cut. Period: {period}.",
                "A crate of several sites is shared to them equally. What was cut before records "
                f"began is not counted, and of more than {MOST} cuts the first {MOST} are shown.",
            ],
            folded=True,
            name="again",
        )
    ]


def _by_outlet(period: Period, only: Only, asked: Asked) -> Answer:
    if only.variety or only.tower or only.tier:
        raise Refusal(
            "no_figure",
            "What an outlet paid is known by crop: a bag is of several varieties, towers and "
            "tiers. Take those away, or look by them without an outlet.",
        )
    found = outlet_table(period, only.crop, asked.get(OUTLET) or None)
    plain = shown(OutletSum)
    rows = [dict(plain(row).data) for row in found.rows]
    for row in rows:
        crop = row["crop"] if row["crop_id"] else ""
        row |= leads({"crop": crop, OUTLET: row["outlet"]}, period)
    total = dict(plain(found.total).data)
    return Answer(
        [
            Section(
                f"What the outlets paid, {period}",
                table=Table(_outlets(Business.the().currency), [*rows, total], sums=1, stacks=True)
                if rows
                else None,
                empty="Nothing was sold in that time.",
                says=rests_on(found.about),
                folded=True,
                name="outlets",
            )
        ],
        file=f"crops-by-outlet-{period.first}-{period.last}",
        columns=columns_of(plain),
        rows=[dict(plain(row).data) for row in found.rows],
    )


OPENS[MANAGER].append("crops")
CROP_PAGES = [Page("crops/", "crops", "Crops", None, crops, may=may_read_figures)]

__all__ = ["CROP_PAGES", "OUTLET", "PRIVATE_MONEY", "crop_questions", "leads"]
