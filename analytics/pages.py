"""The three figures of a period as pages: yields, waste, margin."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase

import sales.pages  # noqa: F401  whose pages stand before these on top of every page
from grow import clock
from grow.asks import READ, Ask
from grow.flat import columns_of
from grow.looking import Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Business, Person
from grow.page import Page
from grow.rest import shown
from grow.roles import GROWER, MANAGER
from grow.start import OPENS
from sales.pages_money import may_read_money

from .destinations import DestinationRow, ReasonRow, thrown_away
from .margin import Margin, MarginRow, margin
from .pages_claims import CLAIMS_PAGES
from .pages_crop_rows import ROW_PAGES
from .pages_crops import CROP_PAGES
from .pages_keep import KEEP_PAGES
from .pages_month import MONTH_PAGES
from .pages_ranking import RANKING_PAGES
from .pages_space import SPACE_PAGES
from .pages_wintering import WINTERING_PAGES
from .paid import PaidRow, beside
from .period import Period
from .roles import may_read_figures
from .said import WASTE, between, rests_on
from .waste import WasteRow, waste
from .worth import HandRow, UseRow, on_hand, own_use
from .yields import YieldRow, yields

_YIELDS = (
    Column("crop", "Crop"),
    Column("line", "Plantings"),
    Column("cut_g", "Cut, kg", "kg"),
    Column("sold_or_used_g", "Sold or used, kg", "kg"),
    Column("sites", "Sites planted", "whole"),
    Column("site_days", "Site-days", "tenth"),
    Column("cut_per_site_g", "Cut, g a site", "tenth"),
    Column("sold_per_site_g", "Sold or used, g a site", "tenth"),
    Column("cut_per_surviving_g", "Cut, g a surviving plant", "tenth"),
    Column("cut_per_site_day_g", "Cut, g a site-day", "hundredth"),
    Column("sold_per_site_day_g", "Sold or used, g a site-day", "hundredth"),
    Column("shared_out_pct", "Shared out, %", "tenth"),
)


def _margins(currency: str) -> tuple[Column, ...]:
    return (
        Column("crop", "Crop"),
        Column("before_per_site_week_p", "Pence a site and week, before", "tenth"),
        Column("after_per_site_week_p", "Pence a site and week, after", "tenth"),
        Column("takings_p", f"Takings, {currency}", "money"),
        Column("door_p", "At the pack-house door", "money"),
        Column("seed_and_plugs_p", "Seed, plugs, medium, pots", "money"),
        Column("bought_in_p", "Bought-in leaf", "money"),
        Column("nutrient_and_water_p", "Nutrient, water", "money"),
        Column("light_p", "Light", "money"),
        Column("packaging_p", "Packaging", "money"),
        Column("before_labour_p", "Before crop minutes", "money"),
        Column("labour_p", "Crop minutes", "money"),
        Column("standard_minutes_pct", "Of them standard, %", "tenth"),
        Column("after_labour_p", "After crop minutes", "money"),
    )


def _beside(person: Person, found: Margin) -> list[Section]:
    """What was paid beside what was charged, and what belongs to no crop: for whoever may read
    what was paid, and the wage and rent in it."""
    if not may_read_money(person):
        return []
    currency, other = Business.the().currency, beside(found)
    period, plain = found.about.period, shown(PaidRow)
    paid = [dict(plain(row).data) for row in (*other.paid, other.paid_total)]
    left = [
        {"what": "All crops, after crop minutes", "pence": other.after_labour_p},
        {"what": "Less what was paid and not charged", "pence": -(other.paid_total.less_p or 0)},
        *(
            {"what": f"Less {row.what.lower()}", "says": row.says, "pence": -row.pence}
            for row in other.fixed
        ),
        {"what": "What is left", "pence": other.left_p},
    ]
    says = [f"Base: {other.about.base}. Unit: {currency}, net of tax. Period: {period}."]
    return [
        Section(
            f"Paid and charged, {period}",
            table=Table(
                (
                    Column("what", "What"),
                    Column("paid_p", f"Paid, {currency}", "money"),
                    Column("by_receipt_p", f"Charged by receipts, {currency}", "money"),
                    Column("by_rate_p", f"Charged by rates, {currency}", "money"),
                    Column("less_p", f"Paid less charged, {currency}", "money"),
                ),
                paid,
                sums=1,
                stacks=True,
            ),
            says=[*says, *other.about.notes],
            folded=True,
            name="paid",
        ),
        Section(
            f"What belongs to no crop, {period}",
            table=Table(
                (
                    Column("what", "What"),
                    Column("says", "How it comes about"),
                    Column("pence", currency, "money"),
                ),
                left,
                sums=1,
                stacks=True,
            ),
            says=[*says, *other.about.gaps],
            folded=True,
            name="fixed",
        ),
    ]


@dataclass(frozen=True)
class Figure:
    """One of the figures as a page: a row of it, its columns, and what reads it."""

    name: str
    title: str
    lead: str
    row: type
    columns: Callable[[], Sequence[Column]]
    read: Callable[[Period], Any]
    beneath: Callable[[Person, Any], list[Section]] = lambda person, found: []

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        today = clock.local(clock.now()).date()
        return looked(
            request,
            title=self.title,
            lead=self.lead,
            questions=[
                Question("first", "From", "date", (today - dt.timedelta(days=364)).isoformat()),
                Question("last", "to", "date", today.isoformat()),
            ],
            answer=self.answer,
        )

    def answer(self, person: Person, asked: Mapping[str, str]) -> Answer:
        """Raises Unread for a day that is none, or a period that ends before it begins."""
        period = between(asked)
        found = self.read(period)
        plain = shown(self.row)
        total = dict(plain(found.total).data) | {"line": ""}
        crops = [dict(plain(one).data) | {"line": "all"} for one in getattr(found, "crops", [])]
        rows = [dict(plain(one).data) for one in found.rows]
        every = [*_by_crop(rows, crops), total]
        return Answer(
            [
                Section(
                    str(period),
                    table=Table(self.columns(), every, sums=1) if rows else None,
                    empty="Nothing was cut, sold or spent in that time.",
                    says=rests_on(found.about),
                    folded=True,
                ),
                *self.beneath(person, found),
            ],
            file=f"{self.name}-{period.first}-{period.last}",
            columns=columns_of(plain),
            rows=rows,
        )


def _by_crop(
    rows: Sequence[dict[str, Any]], crops: Sequence[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Of a crop with several lines first all of it, then each line."""
    lines = {crop["crop_id"]: crop for crop in crops}
    out: list[dict[str, Any]] = []
    for row in rows:
        whole = lines.pop(row["crop_id"], None)
        if whole and sum(one["crop_id"] == row["crop_id"] for one in rows) > 1:
            out.append(whole)
        out.append(row)
    return out


# --- what was not sold, and what is on hand ------------------------------------------------------

_DESTINATIONS = (
    Column("destination", "Where it went"),
    Column("from_cut_g", "At the cut and in packing, kg", "kg"),
    Column("after_g", "Afterwards, kg", "kg"),
    Column("grams", "In all, kg", "kg"),
    Column("of_cut", "Of the cut, %", "tenth"),
)
_REASONS = (
    Column("place", "Out of"),
    Column("went_to", "To"),
    Column("recipient", "Given to"),
    Column("reason", "Why"),
    Column("grams", "kg", "kg"),
)


def _of_a_period(
    request: HttpRequest,
    title: str,
    lead: str,
    answer: Callable[[Person, Mapping[str, str]], Answer],
    days: int = 27,
) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    return looked(
        request,
        title=title,
        lead=lead,
        questions=[
            Question("first", "From", "date", (today - dt.timedelta(days=days)).isoformat()),
            Question("last", "to", "date", today.isoformat()),
        ],
        answer=answer,
    )


def thrown_page(request: HttpRequest) -> HttpResponseBase:
    return _of_a_period(
        request,
        "Thrown away",
        "Where the food went that nobody bought, in the ten destinations of the Food Loss and "
        "Waste Standard; and why, as it was told.",
        _thrown,
    )


def _thrown(person: Person, asked: Mapping[str, str]) -> Answer:
    period = between(asked)
    found = thrown_away(period)
    plain = shown(DestinationRow)
    rows = [{**plain(row).data, "of_cut": found.of_cut(row)} for row in found.rows]
    reasons = [dict(shown(ReasonRow)(row).data) for row in found.reasons]
    wasted, eaten = ([row for row in rows if row["eaten"] is of] for of in (False, True))
    says, *notes = rests_on(found.about)
    return Answer(
        [
            Section(
                str(period),
                table=Table(_DESTINATIONS, wasted),
                says=[says, *notes],
                folded=True,
            ),
            Section(
                f"Eaten or given, not sold, {period}",
                table=Table(_DESTINATIONS, eaten),
                says=[says],
                folded=True,
            ),
            Section(
                f"Why, {period}",
                table=Table(_REASONS, reasons) if reasons else None,
                empty="Nobody threw anything away in that time.",
                says=["Base: grams thrown or given away, by what was told of it. Unit: kg."]
                if reasons
                else [],
                folded=True,
            ),
        ],
        file=f"thrown-away-{period.first}-{period.last}",
        columns=[*columns_of(plain), "of_cut"],
        rows=rows,
    )


def _use_columns(currency: str) -> tuple[Column, ...]:
    return (
        Column("month", "Month"),
        Column("use", "For"),
        Column("what", "What"),
        Column("grams", "kg", "kg"),
        Column("cost_p", f"At cost, {currency}", "money"),
        Column("price_p", f"At selling price, {currency}", "money"),
    )


def own_use_page(request: HttpRequest) -> HttpResponseBase:
    return _of_a_period(
        request,
        "Own use",
        "What staff ate, what was given away and tried, at cost and at selling price.",
        _own_use,
        days=364,
    )


def _own_use(person: Person, asked: Mapping[str, str]) -> Answer:
    period = between(asked)
    found = own_use(period)
    plain = shown(UseRow)
    rows = [dict(plain(row).data) for row in found.rows]
    columns = _use_columns(Business.the().currency)
    return Answer(
        [
            Section(
                str(period),
                table=Table(columns, rows, stacks=True) if rows else None,
                empty="Nothing was eaten by staff, given away or tried in that time.",
                says=rests_on(found.about),
                folded=True,
            )
        ],
        file=f"own-use-{period.first}-{period.last}",
        columns=columns_of(plain),
        rows=rows,
    )


def _hand_columns(currency: str) -> tuple[Column, ...]:
    return (
        Column("kind", "Kind"),
        Column("what", "What"),
        Column("place", "Where"),
        Column("quantity", "How much", "amount"),
        Column("cost_p", f"Cost, {currency}", "money"),
        Column("fetches_p", "Will fetch", "money"),
        Column("value_p", "The lower", "money"),
    )


def on_hand_page(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    return looked(
        request,
        title="On hand",
        lead="Stock and growing crops at the end of a day, for the year-end. How they are valued "
        "is for whoever keeps your accounts to say.",
        questions=[Question("day", "At the end of", "date", today.isoformat())],
        answer=_on_hand,
    )


def _on_hand(person: Person, asked: Mapping[str, str]) -> Answer:
    day = READ["day"](Ask("day", "day"), asked["day"], False)
    found = on_hand(day)
    plain = shown(HandRow)
    rows: list[dict[str, Any]] = [dict(plain(row).data) for row in found.rows]
    total = {"kind": "In all", "quantity": None, "unit": "g", "value_p": found.value_p}
    columns = _hand_columns(Business.the().currency)
    return Answer(
        [
            Section(
                f"{day:%d %b %Y}",
                table=Table(columns, [*rows, total], sums=1, stacks=True) if rows else None,
                empty="Nothing stood here then.",
                says=rests_on(found.about),
                folded=True,
            )
        ],
        file=f"on-hand-{day}",
        columns=columns_of(plain),
        rows=rows,
    )


FIGURES = (
    Figure(
        "yields",
        "Yields",
        "What each crop gave for the sites it stood on. What is cut and not sold is in Waste.",
        YieldRow,
        lambda: _YIELDS,
        yields,
    ),
    Figure(
        "waste",
        "Waste",
        "Where every gram went, from the cut to the customer; each row balances, "
        "up to what is left in stock; what was left uncut stands beside it.",
        WasteRow,
        lambda: WASTE,
        waste,
    ),
    Figure(
        "margin",
        "Margin",
        "What each crop earned at the pack-house door, before and after crop minutes. Raising and "
        "planting are charged when they are told; on Crops they are spread over the days that "
        "plants stand.",
        MarginRow,
        lambda: _margins(Business.the().currency),
        margin,
        _beside,
    ),
)
OPENS[GROWER].append("yields")
OPENS[MANAGER].append("margin")
PAGES = [
    *CROP_PAGES,
    *ROW_PAGES,
    *KEEP_PAGES,
    *SPACE_PAGES,
    *RANKING_PAGES,
    *CLAIMS_PAGES,
    *MONTH_PAGES,
    *WINTERING_PAGES,
    *(Page(f"{f.name}/", f.name, f.title, None, f, may=may_read_figures) for f in FIGURES),
    Page("thrown-away/", "thrown_away", "Thrown away", None, thrown_page, may=may_read_figures),
    Page("own-use/", "own_use", "Own use", None, own_use_page, may=may_read_money),
    Page("on-hand/", "on_hand", "On hand", None, on_hand_page, may=may_read_money),
]
