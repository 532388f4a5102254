"""Produce from a square metre of floor: towers, a flat bench, and what somebody claims."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from grow import clock
from grow.flat import columns_of
from grow.looking import Answer, Column, Section, Table
from grow.looking import page as looked
from grow.models import Person
from grow.page import Page
from grow.rest import shown

from .claims import ClaimRow, FloorRow, claims
from .crop_asked import dated, period_of, season_questions
from .roles import may_read_figures
from .said import rests_on

_FLOOR = (
    Column("crop", "Crop"),
    Column("towers_kg", "Towers, kg a m² and year", "tenth"),
    Column("bench_kg", "Flat bench, kg a m² and year", "tenth"),
    Column("times", "Towers against a bench, times", "tenth"),
    Column("towers_g", "Cut from towers, kg", "kg"),
    Column("towers_m2_days", "Towers' floor, m²-days", "whole"),
    Column("bench_g", "Cut from benches, kg", "kg"),
    Column("bench_m2_days", "Benches' floor, m²-days", "whole"),
)
_CLAIMS = (
    Column("said_by", "Who says so"),
    Column("what", "What is claimed"),
    Column("crop", "Crop"),
    Column("season", "Season"),
    Column("claimed", "Claimed, in that unit", "tenth"),
    Column("own", "Own records, in that unit", "tenth"),
    Column("own_pct", "Own, % of the claim", "tenth"),
    Column("says", "Why there is none", "long"),
    Column("floor", "Floor that the claim counts", "long"),
    Column("source", "Where it was said", "long"),
)


def claims_page(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    return looked(
        request,
        title="Floor and claims",
        lead="What a square metre of floor gives, aisles and nursery counted: on towers, on a flat "
        "bench, and as somebody claims, beside your own records of the same crop and season.",
        questions=season_questions(today, dated(request)),
        answer=lambda person, asked: _answer(person, asked, today),
    )


def _answer(person: Person, asked: Mapping[str, str], today: dt.date) -> Answer:
    period = period_of(asked, today)
    found = claims(period)
    floor, told = shown(FloorRow), shown(ClaimRow)
    rows = [dict(floor(row).data) for row in found.rows]
    said = [dict(told(row).data) for row in found.claims]
    ways = []
    if person.has_perm("analytics.add_claim"):
        ways = [("Enter a claim", reverse("admin:analytics_claim_add"))]
    return Answer(
        [
            Section(
                f"A square metre of floor, {period}",
                table=Table(_FLOOR, rows, sums=1, stacks=True) if rows else None,
                empty="Nothing was cut in that time.",
                says=[*rests_on(found.about), f"Period: {period}."],
                folded=True,
                name="floor",
            ),
            Section(
                f"What is claimed, {period}",
                table=Table(_CLAIMS, said, stacks=True) if said else None,
                empty="No claim was entered.",
                says=[
                    "Base: a claim as it was entered, beside own records of the same crop and "
                    f"season. Unit: as each claim says. Period: {period}.",
                    "The floor of your own figures is with aisles and nursery; a claim says which "
                    "floor it counts, and one that leaves out aisles is no smaller for it.",
                ],
                folded=True,
                name="claims",
                ways=ways,
            ),
        ],
        file=f"floor-{period.first}-{period.last}",
        columns=columns_of(floor),
        rows=rows,
    )


CLAIMS_PAGES = [
    Page("floor/", "floor", "Floor and claims", None, claims_page, may=may_read_figures)
]

__all__ = ["CLAIMS_PAGES"]
