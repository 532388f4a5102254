"""What the crops' table is asked: a season or days, and what it is narrowed to."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest

from grow.asks import Unread
from grow.errors import Refusal
from grow.looking import Question
from grow.models import Crop, Place, Variety

from .crop_table import Only
from .period import Period
from .said import between

Asked = Mapping[str, str]
#: Days of a new season after which it is the one that is shown.
_ENOUGH = 28
_SEASONS = ("Winter", "Spring", "Summer", "Autumn")


def seasons(today: dt.date, number: int = 5) -> dict[str, tuple[str, Period]]:
    """The newest seasons by the month they begin in, three calendar months each: "2026-06" →
    ("Summer 2026", its period up to today)."""
    out: dict[str, tuple[str, Period]] = {}
    month = today.replace(day=1)
    while len(out) < number:
        if month.month % 3 == 0:
            after = (month + dt.timedelta(days=95)).replace(day=1)
            last = min(after - dt.timedelta(days=1), today)
            name = f"{_SEASONS[month.month // 3 % 4]} {month.year}"
            out[f"{month:%Y-%m}"] = name, Period(month, last)
        month = (month - dt.timedelta(days=1)).replace(day=1)
    return out


def usual_season(today: dt.date) -> str:
    """The season that goes on, or, in its first four weeks, the one before."""
    now, before = list(seasons(today, 2).items())
    return now[0] if now[1][1].days >= _ENOUGH else before[0]


def period_of(asked: Asked, today: dt.date) -> Period:
    """The days that are asked for, else the season. Raises Unread."""
    if asked.get("first") or asked.get("last"):
        return between(asked)
    known = seasons(today)
    if asked["season"] not in known:
        names = ", ".join(name for name, _ in known.values())
        says = f"“{asked['season']}” is none of the seasons: {names}."
        raise Unread({"season": Refusal("no_choice", says)})
    return known[asked["season"]][1]


def dated(request: HttpRequest) -> bool:
    """Whether days are asked for, in place of a season."""
    return bool(request.GET.get("first") or request.GET.get("last"))


def season_questions(today: dt.date, by_days: bool) -> list[Question]:
    return [
        Question(
            "season",
            "Season",
            value="" if by_days else usual_season(today),
            choices=[(code, name) for code, (name, _) in seasons(today).items()],
            help="By its days",
        ),
        Question("first", "From", "date", seldom=True),
        Question("last", "to", "date", seldom=True),
    ]


def only_of(asked: Asked) -> Only:
    """Raises Unread for a crop, variety, tower or tier that is none."""

    def one(name: str, rows: Any, /, **called: Any) -> int | None:
        if not asked.get(name):
            return None
        found = rows.filter(**called).values_list("pk", flat=True).first()
        if found is None:
            says = f"No {name} is called “{asked[name]}”."
            raise Unread({name: Refusal("no_choice", says)})
        return int(found)

    def number(name: str) -> int:
        text = asked.get(name, "")
        return int(text) if text.isascii() and text.isdecimal() and len(text) < 10 else 0

    tier = number("tier")
    if asked.get("tier") and not tier:
        raise Unread({"tier": Refusal("no_choice", f"“{asked['tier']}” is no tier's number.")})
    return Only(
        crop=one("crop", Crop.objects, name=asked.get("crop")),
        variety=one("variety", Variety.objects, pk=number("variety")),
        tower=one("tower", Place.objects, name=asked.get("tower"), kind="tower"),
        tier=tier or None,
    )


__all__ = ["Asked", "dated", "only_of", "period_of", "season_questions", "seasons",
           "usual_season"]  # fmt: skip
