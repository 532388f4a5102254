"""The rows behind the figures of the crops' page: plantings, cuts, sales, each with its entry."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase

from grow import clock
from grow.looking import Answer, Column, Section, Table
from grow.looking import page as looked
from grow.models import Business
from grow.page import Page

from .crop_asked import Asked, only_of, period_of
from .crop_rows import cuts, gone, lost, plantings, sales
from .pages_crops import OUTLET, PRIVATE_MONEY, crop_questions
from .period import Period
from .roles import may_read_figures

_PLANTINGS = (
    Column("sowing", "Sowing", "code"),
    Column("crop", "Crop"),
    Column("tower", "Tower"),
    Column("tiers", "Tiers"),
    Column("sites", "Sites", "whole"),
    Column("lost", "Lost", "whole"),
    Column("planted", "Planted", "day"),
    Column("planting", "Entry", "entry"),
    Column("ended", "Ended", "day"),
    Column("ending", "Entry", "entry"),
    Column("site_days", "Site-days in the period", "tenth"),
)
_CUTS = (
    Column("code", "Cut", "code"),
    Column("crop", "Crop"),
    Column("day", "Day", "day"),
    Column("grams", "Cut, kg", "kg"),
    Column("sites", "Sites cut", "whole"),
    Column("here", "Of them asked for, sites", "whole"),
    Column("entry", "Entry", "entry"),
)


_LOST = (
    Column("code", "Lot", "code"),
    Column("what", "What"),
    Column("line", "Lost as"),
    Column("day", "Day", "day"),
    Column("grams", "In all, kg", "kg"),
    Column("crop_g", "Of the crop, kg", "kg"),
    Column("entry", "Entry", "entry"),
)
_GONE = (
    Column("code", "Lot", "code"),
    Column("what", "What"),
    Column("to", "To"),
    Column("day", "Day", "day"),
    Column("grams", "In all, kg", "kg"),
    Column("crop_g", "Of the crop, kg", "kg"),
    Column("entry", "Entry", "entry"),
)


def _sales(currency: str) -> tuple[Column, ...]:
    return (
        Column("code", "Lot", "code"),
        Column("what", "What"),
        Column("outlet", "Outlet"),
        Column("day", "Day", "day"),
        Column("grams", "In all, kg", "kg"),
        Column("crop_g", "Of the crop, kg", "kg"),
        Column("pence", f"Takings, {currency}", "money"),
        Column("entry", "Entry", "entry"),
    )


def crop_rows(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    questions = [q for q in crop_questions(request, today) if q.name != "by"]
    return looked(
        request,
        title="Crops, row by row",
        lead="The plantings, cuts and sales that the figures of Crops add up, each with its entry.",
        questions=questions,
        answer=lambda person, asked: _rows(asked, today),
    )


def _rows(asked: Asked, today: dt.date) -> Answer:
    period, only = period_of(asked, today), only_of(asked)
    currency, outlet = Business.the().currency, asked.get(OUTLET) or None
    of_sites = bool(only.variety or only.tower or only.tier)
    sections: list[Section] = []
    rows: list[dict[str, Any]] = []

    def part(
        name: str, title: str, columns: Sequence[Column], found: list[dict[str, Any]], base: str
    ) -> None:
        table = Table(columns, found) if found else None
        says = [f"Base: {base} Period: {period}."]
        sections.append(
            Section(
                f"{title}, {period}",
                table=table,
                empty="None in that time.",
                says=says,
                folded=True,
                name=name,
            )
        )
        rows.extend({"of": name, **row} for row in found)

    if not outlet:
        part(
            "plantings",
            "Plantings",
            _PLANTINGS,
            plantings(period, only),
            "plantings that stood in the period, by tower and act. Unit: sites, site-days.",
        )
        part(
            "cuts",
            "Cuts",
            _CUTS,
            cuts(period, only),
            "whole cuts, net of crate and grade-out; a cut of several towers is shared equally by "
            "site. Unit: kg.",
        )
    if not (outlet or of_sites):
        part(
            "lost",
            "Lost",
            _LOST,
            lost(period, only),
            "what moved to a loss, less what was put right, whole and its leaf of the crop. "
            "Unit: kg.",
        )
    if of_sites:
        says = "A bag holds leaf of several sites: the trace of each cut says which bags it is in."
        sections.append(Section("Sold or used", says=[says], name="gone"))
        return _of_rows(sections, rows, period)
    if not outlet:
        part(
            "gone",
            "Sold or used",
            _GONE,
            gone(period, only),
            "what was sold or used, less what came back, whole and its leaf of the crop. Unit: kg.",
        )
    if OUTLET not in asked:
        sections.append(Section("Paid for", says=[PRIVATE_MONEY], name="sales"))
        return _of_rows(sections, rows, period)
    part(
        "sales",
        "Paid for",
        _sales(currency),
        sales(period, only, outlet),
        "goods with a price that went out, less what came back, whole and its leaf of the crop. "
        f"Unit: kg, {currency}.",
    )
    return _of_rows(sections, rows, period)


def _of_rows(sections: list[Section], rows: list[dict[str, Any]], period: Period) -> Answer:
    columns = {name: None for row in rows for name in row}
    return Answer(sections, f"crop-rows-{period.first}-{period.last}", list(columns), rows)


ROW_PAGES = [
    Page("crops/rows/", "crop_rows", "Crops, row by row", None, crop_rows, may=may_read_figures,
         in_menu=False),
]  # fmt: skip

__all__ = ["ROW_PAGES"]
