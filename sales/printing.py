"""What is printed for a lot, and on which stock it may be, by the names that a command is given."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import QuerySet, Sum

from grow import clock, lineage
from grow.errors import NotKnown, Refusal
from grow.labels import Framed, Halves, Printable, Stock, crate_label, hold_label
from grow.models import (
    ENDS,
    SOURCES,
    STRICT,
    Event,
    Hold,
    Holding,
    Lot,
    LotKind,
    Place,
    alive,
)

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
    return label_of_crate(lot), 1


def label_of_crate(lot: Lot) -> Halves:
    """Raises Refusal for what was neither cut nor bought in, or was recorded in error."""
    if lot.kind not in _DAY_OF:
        raise Refusal(
            "no_crate", f"{lot.code} is no crate: crate labels are for what was cut or bought in."
        )
    if lot.made_by.is_cancelled:
        raise Refusal("no_crate", f"{lot.code} was recorded in error; it has no crate to label.")
    said, day = day_of_crate(lot)
    return crate_label(lot=lot.code, crop=lot.title, day=day, said=said)


def day_of_crate(lot: Lot) -> tuple[str, str]:
    """("Cut", "02 Mar 2026"), or the day on which it came in."""
    return _DAY_OF[LotKind(lot.kind)], f"{clock.number_day(lot.made_by.day):%d %b %Y}"


# --- of what is held -----------------------------------------------------------------------------


def held_says(lot: Lot) -> list[str]:
    """What stands beside the labels of a held lot."""
    held = Hold.objects.filter(lot=lot, ended_by=None)
    return [f"{lot.code} is held: {hold.reason}. It may not go out." for hold in held]


def held_with(events: Iterable[Event | int]) -> list[Hold]:
    """Every lot that these entries hold, and what was made from one and is held since: one open
    hold of each, by lot."""
    open_ = Hold.objects.filter(ended_by=None)
    own = {hold.lot_id: hold for hold in open_.filter(began_by__in=events).order_by("pk")}
    also = open_.filter(lot__in=lineage.below(own) - own.keys()).order_by("pk")
    found = {hold.lot_id: hold for hold in also} | own
    lots = Lot.objects.in_bulk(found)
    for pk, hold in found.items():
        hold.lot = lots[pk]
    return [found[pk] for pk in sorted(found)]


@dataclass(frozen=True)
class Stands:
    """Where some of a held lot stands. place: None where nobody records it, as of a packet."""

    hold: Hold
    place: Place | None = None
    quantity: int = 0

    @property
    def key(self) -> str:
        """The same as long as it stands there."""
        return f"{self.hold.lot_id}_{self.place.pk if self.place else 0}"


def where_held(holds: Iterable[Hold], holdings: QuerySet[Holding] | None = None) -> list[Stands]:
    """Each place where any of these lots stands, by place; of holdings, those that are told. A lot
    whose quantity is not kept (a packet, a spray) stands somewhere all the same."""
    of = {hold.lot_id: hold for hold in holds}
    rows = Holding.objects.all() if holdings is None else holdings
    rows = rows.filter(lot__in=of, quantity__gt=0).exclude(place__kind__in=[*SOURCES, *ENDS])
    rows = rows.select_related("place").order_by("lot_id")
    found = sorted(rows, key=lambda row: (row.place.name.casefold(), row.lot_id))
    out = [Stands(of[row.lot_id], row.place, row.quantity) for row in found]
    there = {row.lot_id for row in found}
    return out + [
        Stands(hold) for pk, hold in of.items() if pk not in there and hold.lot.kind not in STRICT
    ]


def label_of_hold(hold: Hold, reason: str = "") -> Framed:
    """For each thing that the hold stops; reason: shorter words than the books have."""
    lot = hold.lot
    return hold_label(
        lot=lot.code,
        name=lot.title or LotKind(lot.kind).label,
        reason=reason or hold.reason,
        since=f"{clock.local(hold.began_at):%d %b %Y, %H:%M}",
    )


def labels_of_held(lot: Lot) -> tuple[Printable, int]:
    """The label of a held lot, and in how many places it stands. Raises Refusal where nothing
    holds it."""
    hold = Hold.objects.filter(lot=lot, ended_by=None).select_related("lot").order_by("-pk").first()
    if hold is None:
        raise Refusal("not_held", f"{lot.code} is not held.")
    return label_of_hold(hold), max(1, len(where_held([hold])))


# --- the stock -----------------------------------------------------------------------------------


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
