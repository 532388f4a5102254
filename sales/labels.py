"""The plain label of a run: product, weight, date, lot, what it contains, a QR of the lot alone.

It is no full food label: business name and address, ingredients, origin and storage words are a
later one's. What the run froze is printed, whatever became of the product since.
"""

from __future__ import annotations

import datetime as dt

from grow.errors import Refusal
from grow.labels import Label, Qr, Stock, Words, food_label
from grow.models import Lot
from grow.shelf import first_expired_first
from grow.wording import amount

from .models import LabelStock, PackingRun

#: Grams up to which the figures of the weight are so many millimetres high: Directive 76/211/EEC,
#: Annex I. That the edge belongs to the lower step is from memory.
_FIGURES_MM = ((50, 2), (200, 3), (1000, 4))
_FIGURES_ABOVE_MM = 6


def figures_mm(grams: int) -> int:
    """The least height of the figures of a net weight, in millimetres."""
    return next((high for most, high in _FIGURES_MM if grams <= most), _FIGURES_ABOVE_MM)


def stock_of(row: LabelStock) -> Stock:
    """A row of label stock as the drawing takes it, in millimetres."""
    sizes = (row.left_mm, row.top_mm, row.across_mm, row.down_mm)
    return Stock(
        float(row.width_mm),
        float(row.height_mm),
        row.columns or 0,
        row.rows or 0,
        *map(float, sizes),
    )


def run_of(lot: Lot) -> PackingRun:
    """The run that a lot is. Raises Refusal for a crate, a sowing, or a run recorded in error."""
    run = PackingRun.objects.filter(lot=lot).select_related("lot__made_by").first()
    if run is None:
        raise Refusal("no_run", f"{lot.code} is no packing run; labels are for packs.")
    if lot.made_by.is_cancelled:
        raise Refusal("no_run", f"{lot.code} was recorded in error; it has no packs to label.")
    return run


def date_of(lot: Lot) -> dt.date | None:
    """The date on its packs as it stands: that of its run, or a shorter one given since."""
    ((_, date),) = first_expired_first([lot.pk])
    return date


def run_label(run: PackingRun) -> Label:
    """What is printed of a run."""
    code, date = run.lot.code, date_of(run.lot)
    facts = [("the lot", [Words("Lot "), Words(code, True)])]
    if date:
        facts.insert(0, ("the date", [Words("Use by "), Words(f"{date:%d %b %Y}", True)]))
    contains = [Words("Contains: "), Words(run.allergens.upper(), True)]
    return food_label(
        name=run.name,
        quantity=amount(run.nominal_each_g, "g"),
        figures_mm=figures_mm(run.nominal_each_g),
        qr=Qr(code),
        paragraphs=[("the allergens", contains)] if run.allergens else [],
        facts=facts,
    )
