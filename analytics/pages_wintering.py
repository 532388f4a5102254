"""Through the winter: what it cost to carry plants, against what they gave in spring."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import fields
from decimal import Decimal

from django.http import HttpRequest
from django.http.response import HttpResponseBase

from grow import clock
from grow.asks import READ, Ask, Unread
from grow.errors import Refusal
from grow.flat import columns_of
from grow.looking import Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Business, Person
from grow.page import Page
from grow.rest import shown

from .models import Rate
from .rates import Rates
from .roles import may_read_figures
from .said import rests_on
from .wintering import LEAST_DAYS, TOWER, Assumed, WinterRow, wintering, winters

_LABELS = {
    "cells": "Cells",
    "days": "Days under cover",
    "watts": "Watts a cell",
    "hours": "Hours a day",
    "kwh_pence": "Pence a kWh",
    "pct": "Live, %",
    "grams": "Cut in spring, g a plant",
    "pence_kg": "Left at the door, pence a kg",
}


def _columns(currency: str) -> tuple[Column, ...]:
    return (
        Column("crop", "Crop"),
        Column("left_p", f"Left, {currency}", "money"),
        Column("where", "Where"),
        Column("plants", "Plants", "whole"),
        Column("cut_in_winter_g", "Cut in the winter, kg", "kg"),
        Column("cut_g", "Cut in spring, kg", "kg"),
        Column("return_p", f"Came back, {currency}", "money"),
        Column("carry_p", f"To carry, {currency}", "money"),
        Column("return_each_p", "Came back, pence a plant", "tenth"),
        Column("carry_each_p", "To carry, pence a plant", "tenth"),
        Column("plant_days", "Plant-days in the winter", "whole"),
        Column("basis", "From"),
    )


def assumed_of(asked: Mapping[str, str]) -> Assumed | None:
    """What was entered, whole or not at all; electricity is at the rate, and all of them live,
    where it is not said otherwise. Raises Unread."""
    given = {name: asked[name] for name in _LABELS if asked.get(name)}
    if not given:
        return None
    wrong: dict[str, Refusal] = {}
    read: dict[str, Decimal] = {"pct": Decimal(100)}
    today = clock.day_number(clock.local(clock.now()).date())
    if rate := Rates().of(Rate.What.ELECTRICITY, None, today):
        read["kwh_pence"] = rate
    for name, label in _LABELS.items():
        if name in given:
            try:
                read[name] = Decimal(READ["decimal"](Ask(name, "decimal"), given[name], False))
            except Refusal as refusal:
                wrong[name] = refusal
                continue
            if read[name] < 0 or read[name] > 10**6:
                wrong[name] = Refusal("nought", f"{label}: a number from 0 to a million.")
        elif name not in read:
            wrong[name] = Refusal("missing", f"{label} is missing; enter all of them, or none.")
    if wrong:
        raise Unread(wrong)
    return Assumed(**{field.name: read[field.name] for field in fields(Assumed)})


def _questions() -> list[Question]:
    today = clock.local(clock.now()).date()
    known = winters(today)
    begun = next(year for year in known if dt.date(year, 3, 1) <= today)
    return [
        Question(
            "winter",
            "Winter",
            value=str(begun),
            choices=[(str(year), f"{year - 1} to {year}") for year in known],
        ),
        Question("least", "There for at least, days", "number", str(LEAST_DAYS)),
        *(Question(name, label, "text", seldom=True) for name, label in _LABELS.items()),
    ]


def wintering_page(request: HttpRequest) -> HttpResponseBase:
    return looked(
        request,
        title="Through the winter",
        lead="What it cost to carry plants from November to February, against what they gave in "
        "spring: by your own records, or by assumptions that you enter under “Ask in another way”.",
        questions=_questions(),
        answer=_answer,
    )


def _answer(person: Person, asked: Mapping[str, str]) -> Answer:
    year = READ["whole"](Ask("winter", "whole"), asked["winter"], False)
    least = READ["whole"](Ask("least", "whole"), asked["least"], False)
    if year not in winters(clock.local(clock.now()).date(), 20):
        raise Unread({"winter": Refusal("period", f"There is no winter of {year} to look at.")})
    found = wintering(year, assumed_of(asked), least)
    plain = shown(WinterRow)
    rows = [dict(plain(row).data) for row in found.rows]
    in_place = [row for row in rows if row["where"] == TOWER]
    for row in in_place:  # a nought would read as if it had been worked out
        row["carry_p"] = row["carry_each_p"] = None
    said = [Section(says=[f"{TOWER}: no energy of its own."])] if in_place else []
    return Answer(
        [
            *said,
            Section(
                f"Carried through the winter, {found.winter}",
                table=Table(_columns(Business.the().currency), rows, stacks=True) if rows else None,
                empty="No sowing stood that long in that winter. Enter assumptions under “Ask in "
                "another way”, or ask for fewer days.",
                says=[*rests_on(found.about), f"Period: {found.winter}."],
                folded=True,
                name="winter",
            ),
        ],
        file=f"winter-{found.winter.first:%Y}-{found.winter.last:%Y}",
        columns=columns_of(plain),
        rows=rows,
    )


WINTERING_PAGES = [
    Page("winter/", "winter", "Through the winter", None, wintering_page, may=may_read_figures)
]

__all__ = ["WINTERING_PAGES", "assumed_of"]
