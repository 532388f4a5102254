"""A run's label: what `label_words` says of it, as the drawing takes it."""

from __future__ import annotations

from grow.errors import Refusal
from grow.labels import TILL_MM, Label, Qr, Stock, Words, food_label
from grow.models import Lot

from .label_words import Part, words_of
from .label_words import Words as Said
from .models import LabelStock, PackingRun
from .operations import labelling


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
    run = labelling.run_of(lot)
    if lot.made_by.is_cancelled:
        raise Refusal("no_run", f"{lot.code} was recorded in error; it has no packs to label.")
    return run


def run_label(run: PackingRun) -> Label:
    """What is printed of a run. Raises Refusal where it lacks what the law asks for."""
    said = words_of(run)
    if said.lacks:
        raise Refusal("label_lacks", said.missing, lacks=said.lacks)
    return drawn(said)


def drawn(said: Said) -> Label:
    """A label that says these words."""
    paragraphs = (("the ingredients", said.ingredients), ("the allergens", said.contains))
    small = (
        ("the storage", said.storage),
        ("the washing", said.wash),
        ("the class", said.grade),
        ("the origin", said.origin),
        ("the business", said.business),
    )
    facts = [("the lot", [Words("Lot "), Words(said.lot, True)])]
    if said.date:
        facts.insert(0, ("the date", [Words(f"{said.date_kind} "), Words(said.date, True)]))
    return food_label(
        name=said.name,
        quantity=said.amount,
        figures_mm=said.figure_mm,
        # what a till is to read has modules of a size that tills read
        qr=Qr(said.qr, sizes_mm=TILL_MM) if "/01/" in said.qr else Qr(said.qr),
        paragraphs=[(called, _runs(parts)) for called, parts in paragraphs if parts],
        facts=facts,
        small=[(called, words) for called, words in small if words],
        largest_cm2=said.largest_cm2,
    )


def _runs(parts: list[Part]) -> list[Words]:
    """Emphasised is bold, and in capitals: it is told apart on the palest print."""
    return [Words(words.upper() if strong else words, strong) for words, strong in parts]


__all__ = ["drawn", "run_label", "run_of", "stock_of"]
