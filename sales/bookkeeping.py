"""Sales and purchases by month, for whoever keeps the accounts."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from django.db.models import Sum

from grow import clock
from grow.errors import Refusal
from grow.models import Crop, Event, Item, Place, alive

from .models import Money, Outlet
from .naming import line_names
from .statements import is_internal


@dataclass(frozen=True)
class BookRow:
    """Pence of a month, net of tax. kind: sale, internal (our own kitchen, never one sum with
    sales) or purchase (as paid at a receipt). month: yyyy-mm. code: a product's code, crop:N of
    what is loose, or the item bought."""

    kind: str
    month: str
    whom: str
    code: str
    what: str
    tax_code: str
    pence: int


def books(first: dt.date, last: dt.date) -> list[BookRow]:
    """All of it between two days, both inclusive, by month. Raises Refusal."""
    if last < first:
        raise Refusal(
            "period", f"{last:%d %b %Y} is before {first:%d %b %Y}; name the earlier day first."
        )
    days = {"day__gte": clock.day_number(first), "day__lte": clock.day_number(last)}
    return [*_sales(days), *_purchases(days)]


def _month(day: int) -> str:
    return f"{day // 10000}-{day // 100 % 100:02d}"


def _sales(days: dict[str, int]) -> list[BookRow]:
    outlets = {outlet.pk: outlet for outlet in Outlet.objects.all()}
    rows = (
        Money.objects.filter(**{f"movement__{name}": n for name, n in days.items()})
        .values_list("outlet_id", "movement__lot__line", "tax_code", "movement__day")
        .annotate(paid=Sum("pence"))
    )
    sums: dict[tuple[str, int, str, str], int] = defaultdict(int)
    for outlet, line, code, day, paid in rows:
        sums[_month(day), outlet, line, code] += paid
    names = line_names({line for _, _, line, _ in sums})
    return [
        BookRow(
            "internal" if is_internal(outlets[outlet]) else "sale",
            month,
            str(outlets[outlet]),
            line,
            names.get(line, line),
            code,
            pence,
        )
        for (month, outlet, line, code), pence in sorted(sums.items())
        if pence
    ]


def _purchases(days: dict[str, int]) -> list[BookRow]:
    """What was paid at receipts of seed, medium, packaging and of leaf grown by others."""
    events = Event.objects.filter(
        alive(), kind__in=("receive_input", "receive_produce"), **days
    ).values_list("told", "day")
    sums: dict[tuple[str, int, str, int], int] = defaultdict(int)
    for told, day in events:
        facts = json.loads(told or "{}")
        if paid := facts.get("paid_pence"):
            key = "item" if "item" in facts else "crop"
            sums[_month(day), facts["supplier"], key, facts[key]] += paid
    whom = Place.objects.in_bulk({supplier for _, supplier, _, _ in sums})
    what: dict[str, dict[int, Any]] = {
        "item": Item.objects.in_bulk({pk for *_, key, pk in sums if key == "item"}),
        "crop": Crop.objects.in_bulk({pk for *_, key, pk in sums if key == "crop"}),
    }
    return [
        BookRow(
            "purchase",
            month,
            str(whom[supplier]),
            f"{key}:{pk}",
            f"{what[key][pk]}{'' if key == 'item' else ', bought in'}",
            "",
            pence,
        )
        for (month, supplier, key, pk), pence in sorted(sums.items())
    ]
