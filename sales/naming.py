"""How products, outlets and notes are named, and who sees which."""

from collections.abc import Iterable
from typing import Any

from django.db.models import Q, QuerySet

from grow.finding import NAMED, Named, NamedById
from grow.models import Crop, Unit
from grow.scope import SEEN, SHOWN, nothing, of_lots
from sales.models import (
    Complaint,
    DecisionCard,
    DeliveryNote,
    Money,
    Outlet,
    PackingRun,
    Price,
    Product,
    Recall,
    RecallWindow,
    Receipt,
    ReceiptLine,
    Statement,
    TillFormat,
    TillName,
    Wanted,
)

NAMED |= {
    Product: Named("product", ("code", "name"), ("loose_crop",)),
    Outlet: Named("outlet", ("place__name",), ("place",)),
    DeliveryNote: Named("note", ("number",), ("outlet__place", "event")),
    Recall: Named("recall", ("number",), ("event", "closed_by")),
    Complaint: Named("complaint", ("number",), ("event", "answered_by")),
    RecallWindow: NamedById("window", related=("place", "thing")),
}


def _outlets(rows: QuerySet[Any], places: frozenset[int]) -> QuerySet[Any]:
    return rows.filter(place__in=places)


def _of_outlets(rows: QuerySet[Any], places: frozenset[int]) -> QuerySet[Any]:
    return rows.filter(outlet__place__in=places)


def _receipts(rows: QuerySet[Any], places: frozenset[int]) -> QuerySet[Any]:
    return rows.filter(note__outlet__place__in=places)


def _receipt_lines(rows: QuerySet[Any], places: frozenset[int]) -> QuerySet[Any]:
    # by its note and not by its lot: a lot goes to several outlets
    return rows.filter(receipt__note__outlet__place__in=places)


def _cards(rows: QuerySet[Any], places: frozenset[int]) -> QuerySet[Any]:
    return rows.filter(Q(outlet=None) | Q(outlet__place__in=places))


SEEN |= {
    DecisionCard: _cards,
    Outlet: _outlets,
    DeliveryNote: _of_outlets,
    Wanted: _of_outlets,
    PackingRun: of_lots,
    Price: nothing,
    Receipt: _receipts,
    ReceiptLine: _receipt_lines,
    Money: nothing,
    TillFormat: _of_outlets,
    TillName: _of_outlets,
    Statement: nothing,
    Recall: nothing,
    RecallWindow: nothing,
    Complaint: _of_outlets,
}
SHOWN.append(lambda pk: ReceiptLine.objects.filter(photo=pk))


def unit_of(line: str) -> Unit:
    """Of a line of goods: what is loose goes by weight."""
    return Unit.G if line.startswith("crop:") else Unit.EACH


def line_names(lines: Iterable[str]) -> dict[str, str]:
    """What each line of goods is called: a product's code, or crop:N for what is sold loose."""
    lines = set(lines)
    named = dict(Product.objects.filter(code__in=lines).values_list("code", "name"))
    loose = {int(line[5:]) for line in lines if line.startswith("crop:")}
    for crop in Crop.objects.filter(pk__in=loose):
        named[f"crop:{crop.pk}"] = f"{crop.name}, loose"
    for product in Product.objects.filter(loose_crop__in=loose):
        named[product.line] = product.name
    return named
