"""The page on which the crops stand in order, with what the books can and cannot tell."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase

from grow import clock
from grow.asks import Unread
from grow.errors import Refusal
from grow.flat import columns_of
from grow.looking import Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.page import Page
from grow.rest import shown

from . import crop_pictures as pictures
from .crop_asked import Asked, dated, period_of, season_questions
from .crop_ranking import Chosen, RankRow, crop_ranking
from .pages_crops import leads
from .roles import may_read_figures
from .said import rests_on

_MINUTES = {"after": "After crop minutes", "before": "Before crop minutes"}
_BAGS = {"alone": "By what each leaf fetches alone", "grams": "By grams"}


def _questions(request: HttpRequest, today: dt.date) -> list[Question]:
    usual = Chosen()
    return [
        *season_questions(today, dated(request)),
        Question("minutes", "Rank", value="after", choices=list(_MINUTES.items())),
        Question("bags", "A mixed bag's money", value="alone", choices=list(_BAGS.items())),
        Question(
            "kitchen",
            "Also with the kitchen paying",
            value=str(usual.kitchen_pct),
            help="% of its price",
            seldom=True,
        ),
        Question(
            "shop",
            "and with the shop keeping",
            value=str(usual.shop_pct),
            help="% of its takings",
            seldom=True,
        ),
    ]


def _chosen(asked: Asked) -> Chosen:
    """Raises Unread."""
    for name, known in (("minutes", _MINUTES), ("bags", _BAGS)):
        if asked[name] not in known:
            says = f"“{asked[name]}” is none of: {', '.join(known.values())}."
            raise Unread({name: Refusal("no_choice", says)})
    return Chosen(
        alone=asked["bags"] == "alone",
        minutes=asked["minutes"] == "after",
        kitchen_pct=_per_cent(asked, "kitchen", 300),
        shop_pct=_per_cent(asked, "shop", 99),
    )


def _per_cent(asked: Asked, name: str, most: int) -> int:
    text = asked[name].strip().removesuffix("%").strip()
    number = int(text) if text.isascii() and text.isdecimal() and len(text) < 5 else -1
    if not 0 <= number <= most:
        says = f"“{asked[name]}” is no whole per cent from 0 to {most}."
        raise Unread({name: Refusal("no_number", says)})
    return number


def _columns(chosen: Chosen) -> tuple[Column, ...]:
    week = "pence a site and week"
    return (
        Column("crop", "Crop", leads="rows"),
        Column(
            "value_p", f"{'After' if chosen.minutes else 'Before'} crop minutes, {week}", "tenth"
        ),
        Column("low_p", f"From, {week}", "tenth"),
        Column("high_p", f"To, {week}", "tenth"),
        Column("first_pct", "First in so many resamples, %", "tenth"),
        Column("says", "What can be said", "long"),
        Column("weeks", "Sowing weeks", "whole"),
        Column("site_days", "Site-days", "tenth", leads="plantings"),
        Column("drawn_p", f"Drawn in, {week}", "tenth"),
        Column("drawn_pct", "Drawn in by, %", "tenth"),
    )


def _orders(chosen: Chosen) -> tuple[Column, ...]:
    week = "pence a site and week"
    kitchen = f"kitchen at {chosen.kitchen_pct} % of its price"
    shop = f"shop keeping {chosen.shop_pct} %"
    return (
        Column("crop", "Crop"),
        Column("before_p", f"Before crop minutes, {week}", "tenth"),
        Column("place_before", "Place before", "whole"),
        Column("after_p", f"After crop minutes, {week}", "tenth"),
        Column("place_after", "Place after", "whole"),
        Column("at_kitchen_p", f"After, {kitchen}, {week}", "tenth"),
        Column("place_kitchen", f"Place, {kitchen}", "whole"),
        Column("at_shop_p", f"After, {shop}, {week}", "tenth"),
        Column("place_shop", f"Place, {shop}", "whole"),
    )


def ranking(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    return looked(
        request,
        title="Ranking",
        lead="Which crops earn their space, and how sure the books are of it.",
        questions=_questions(request, today),
        answer=lambda person, asked: _answer(asked, today),
    )


def _answer(asked: Asked, today: dt.date) -> Answer:
    period, chosen = period_of(asked, today), _chosen(asked)
    found = crop_ranking(period, chosen)
    about = found.about
    if not found.rows:
        empty = Section(str(period), empty=found.sentence, says=rests_on(about), folded=True)
        return Answer([empty])
    plain = shown(RankRow)
    rows: list[dict[str, Any]] = [
        dict(plain(row).data) | leads({"crop": row.crop}, period) for row in found.rows
    ]
    base = f"Base: {about.base}. Unit: {about.unit}. Period: {period}."
    sections = [
        Section("What can be said", says=[found.sentence, *found.turns]),
        Section(
            f"What a site earned, {period}",
            table=Table(_columns(chosen), rows),
            picture=pictures.intervals(found.rows),
            says=rests_on(about),
            folded=True,
            name="ranking",
        ),
        Section(
            f"The order at other prices, {period}",
            table=Table(_orders(chosen), rows),
            says=[
                base,
                "Places are of the figures as they stand, all crops counted, few weeks or many.",
                "An own kitchen's price is an agreement with oneself, and a shop's share an "
                "estimate. Where the order hangs on them, it is no ground to drop a crop.",
            ],
            folded=True,
            name="orders",
        ),
    ]
    file = f"ranking-{period.first}-{period.last}"
    told = [dict(plain(row).data) for row in found.rows]
    return Answer(sections, file=file, columns=columns_of(plain), rows=told)


RANKING_PAGES = [
    Page("crops/ranking/", "crop_ranking", "Ranking", None, ranking, may=may_read_figures),
]

__all__ = ["RANKING_PAGES"]
