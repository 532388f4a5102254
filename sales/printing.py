"""What is printed for a lot, and on which stock it may be, by the names that a command is given."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Sum

from grow import clock
from grow.errors import NotKnown, Refusal
from grow.labels import Printable, Stock, crate_label
from grow.models import Lot, LotKind, alive

from . import starter
from .labels import run_label, run_of, stock_of
from .models import LabelCount, LabelStock, PackingRun

#: What the day of a crate is.
_DAY_OF = {LotKind.HARVEST: "Cut", LotKind.PRODUCE: "Came in"}
_MEASURES = re.compile(r"(?:roll-)?(\d{1,3}(?:\.\d{1,2})?)x(\d{1,3}(?:\.\d{1,2})?)")


def label_for(lot: Lot) -> tuple[Printable, int]:
    """A pack's label or a crate's, and how many are usual. Raises Refusal for any other lot, and
    for one that was recorded in error."""
    if lot.kind not in _DAY_OF:
        run = run_of(lot)
        return run_label(run), run.packs
    if lot.made_by.is_cancelled:
        raise Refusal("no_crate", f"{lot.code} was recorded in error; it has no crate to label.")
    day = clock.number_day(lot.made_by.day)
    said = _DAY_OF[LotKind(lot.kind)]
    return crate_label(lot=lot.code, crop=lot.title, day=f"{day:%d %b %Y}", said=said), 1


def stock_called(text: str) -> LabelStock:
    """A stock by its name, by what a command calls it, or a roll by its measures, as 80x50. One
    that is kept here is taken before one of the list. Raises NotKnown."""
    called, slugs = text.strip(), starter.stock_slugs()
    name = slugs.get(called.lower(), called)
    if kept := LabelStock.objects.filter(name__iexact=name).first():
        return kept
    if name in starter.label_stocks():
        return starter.label_stocks()[name]
    if found := _MEASURES.fullmatch(called.lower()):
        width, height = map(Decimal, found.groups())
        if width and height:
            return LabelStock(
                name=f"Roll, {width:f} × {height:f} mm", width_mm=width, height_mm=height
            )
    raise NotKnown(
        "no_such_stock",
        f"No label stock is called “{called}”. There are {', '.join(slugs)}, those kept here by "
        "their names, and any roll by its measures, such as roll-80x50.",
    )


def stocks_known() -> list[tuple[str, Stock]]:
    """All that a refusal may offer: those kept here, or if none is, those of the list."""
    rows = list(LabelStock.objects.all()) or list(starter.label_stocks().values())
    return [(row.name, stock_of(row)) for row in rows]


@dataclass(frozen=True)
class Counts:
    """Labels of a run. over: printed, and neither spoiled nor on a pack; below nought, packs
    without a label."""

    printed: int
    spoiled: int
    destroyed: int
    packs: int

    @property
    def over(self) -> int:
        return self.printed - self.spoiled - self.destroyed - self.packs

    @property
    def under(self) -> int:
        return max(0, -self.over)


def label_counts(*runs: PackingRun) -> list[Counts]:
    """What was printed and spoiled of each run's labels, by what stands."""
    rows = LabelCount.objects.filter(alive("event"), run__in=runs).values_list("run_id")
    sums: dict[int, tuple[int, int, int]] = {
        run: (printed, spoiled, destroyed)
        for run, printed, spoiled, destroyed in rows.annotate(
            Sum("printed"), Sum("spoiled"), Sum("destroyed")
        )
    }
    return [Counts(*sums.get(run.pk, (0, 0, 0)), run.packs) for run in runs]
