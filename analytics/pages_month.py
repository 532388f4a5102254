"""A month for the owner: the page, and the same on paper."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse

from grow import clock
from grow.asks import READ, Ask, Unread
from grow.errors import Refusal
from grow.looking import Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Business, Person
from grow.page import Page

from . import crop_pictures as pictures
from .month import Month, month, not_to_come
from .month_pdf import pdf_of
from .roles import may_read_both

_CROPS = (
    Column("called", "Crop"),
    Column("sites", "Sites planted", "whole"),
    Column("before_alone_per_site_week_p", "Before crop minutes, pence a site and week", "tenth"),
    Column("after_alone_per_site_week_p", "After crop minutes, pence a site and week", "tenth"),
)
_LEAF = (Column("what", "Where the leaf went"), Column("grams", "kg", "kg"))
_WEEKS = (
    Column("week", "Week from", "day"),
    Column("cut_g", "Cut, graded out too, kg", "kg"),
    Column("sold_g", "Sold or used, kg", "kg"),
)


def _asked(text: str) -> dt.date:
    """The month that is asked for, by any day in it or as yyyy-mm. Raises Unread."""
    told = text if len(text) != len("2026-07") else f"{text}-01"
    try:
        return not_to_come(READ["day"](Ask("month", "day"), told, False))
    except Unread:
        raise
    except Refusal as refusal:
        says = f"Month: “{text[:40]}” is not a month; write it as 2026-03."
        raise Unread({"month": Refusal(refusal.code, says)}) from refusal


def _usual() -> str:
    """The last month that is over."""
    today = clock.local(clock.now()).date()
    return f"{today.replace(day=1) - dt.timedelta(days=1):%Y-%m}"


def month_page(request: HttpRequest) -> HttpResponseBase:
    return looked(
        request,
        title="The month",
        lead="Five numbers, three pictures, and what to do: a month for whoever owns the place.",
        questions=[Question("month", "Month", "month", _usual())],
        answer=_answer,
    )


def _answer(person: Person, asked: Mapping[str, str]) -> Answer:
    found = month(_asked(asked["month"]), Business.the().currency)
    name = f"{found.first:%B %Y}"
    paper = f"{reverse('admin:month_pdf')}?{urlencode({'month': f'{found.first:%Y-%m}'})}"
    crops: list[dict[str, Any]] = [
        {column.name: getattr(row, column.name) for column in _CROPS} for row in found.crops
    ]
    weeks = [vars(row) for row in found.weeks if any(w.cut_g or w.sold_g for w in found.weeks)]
    sections = [
        Section(
            name,
            facts=[(number.name, number.value) for number in found.numbers],
            says=[*(f"{n.name}: {n.base}." for n in found.numbers), *found.says],
            folded=True,
            ways=[("On paper, to print", paper)],
        ),
        Section("From what was sold to what is left", says=[found.way]),
        Section(f"What to do after {name}", says=[found.advice]),
        Section("What speaks against it", says=[found.doubt]),
        Section(
            f"What a site earned a week, {found.period}",
            table=Table(_CROPS, crops, stacks=True) if crops else None,
            empty="Nothing stood in that month.",
            picture=pictures.ranking(found.crops, alone=True) if crops else None,
            says=[
                *found.says,
                "A mixed bag's money is shared by what each leaf fetches alone.",
            ],
            folded=True,
            name="crops",
        ),
        Section(
            f"Where the leaf went, {found.period}",
            table=Table(_LEAF, [{"what": pictures.ENDS[n], "grams": g} for n, g in found.leaf])
            if found.leaf
            else None,
            empty="No leaf was here in that month.",
            picture=pictures.waste_balance(found.waste_total) if found.leaf else None,
            says=["Base: leaf that was here, was cut or came in. Unit: kg. "
                  f"Period: {found.period}."],
            folded=True,
            name="leaf",
        ),
        Section(
            f"Cut and sold by week, up to {found.period.last:%d %b %Y}",
            table=Table(_WEEKS, weeks) if weeks else None,
            empty="Nothing was cut or sold in those weeks.",
            picture=pictures.weeks(found.weeks) if weeks else None,
            says=[
                "Base: cut net of crate, graded out too; sold, used in the kitchen, or gone to "
                f"other businesses. Unit: kg a week from Monday. Period: {len(found.weeks)} weeks, "
                f"of which the last is that of {found.period.last:%d %b %Y}; {found.period}."
            ],
            folded=True,
            name="weeks",
        ),
    ]  # fmt: skip
    return Answer(
        sections,
        file=f"month-{found.first:%Y-%m}",
        columns=[column.name for column in _CROPS],
        rows=crops,
    )


def month_pdf_page(request: HttpRequest) -> HttpResponseBase:
    """The same on one sheet. What cannot be asked, or a letter that the typeface has not, is said
    in a sentence."""
    try:
        with clock.one_zone():
            business = Business.the()
            found = month(_asked(request.GET.get("month") or _usual()), business.currency)
            answer = HttpResponse(pdf_of(found, business.name), content_type="application/pdf")
    except Refusal as refusal:
        return HttpResponse(refusal.sentence, status=refusal.status, content_type="text/plain")
    answer["Content-Disposition"] = f'inline; filename="month-{found.first:%Y-%m}.pdf"'
    return answer


MONTH_PAGES = [
    Page("month/", "month", "The month", None, month_page, may=may_read_both),
    Page("month/paper/", "month_pdf", "The month, on paper", None, month_pdf_page,
         may=may_read_both, in_menu=False),
]  # fmt: skip

__all__ = ["MONTH_PAGES", "Month"]
