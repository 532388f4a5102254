"""A recall's scope and its own list of lots: what is in it, what joins it whatever is told later,
what is narrowed out of it, and what is held for it.

A lot joins with everything below it, and all of that is held in the same transaction. So a bag
made since, a cut told late of plants that stood under broken glass, and a fill of the tank that
nobody had written down are held by the act that tells them.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.db.models import QuerySet

from grow import clock, holds, lineage, presence
from grow.errors import Refusal
from grow.kinds import CANCELLING, KINDS
from grow.ledger import AFTER_EDGES, ALONE_WHILE, Entry
from grow.models import Flag, Hold, Lineage, Lot, LotKind, alive
from grow.ready import ready

from . import roots
from .models import Recall, RecallLot, RecallWindow

#: How far ahead of our clock what is told now may be dated.
_AHEAD = dt.timedelta(days=1)

_open = ready(lambda: Recall.objects.filter(closed_by=None, is_mock=False).order_by("pk"))
_watching = ready(
    lambda: RecallWindow.objects.filter(
        ended_by=None, recall__closed_by=None, recall__is_mock=False
    ).order_by("pk")[:1]
)


@dataclass(frozen=True)
class Joins:
    """Why a lot joins."""

    how: RecallLot.How
    why: str
    window: RecallWindow | None = None


#: By the lead, by name: it stays until it is narrowed out by name.
NAMED = Joins(RecallLot.How.OPENED, "named")


def lots_of(window: RecallWindow) -> set[int]:
    """Ids of the lots in a window. A whole sowing is not suspect for one tower: what is cut from
    the plants that stood there is in it, cut before or after."""
    end = window.until or clock.now() + _AHEAD
    if window.place:
        ids = presence.touched(window.place, window.since, end)
    else:
        assert window.thing is not None
        ids = roots.touched_by(window.thing, window.since, end)
    rows = Lot.objects.filter(alive("made_by"), pk__in=ids).exclude(kind=LotKind.BATCH)
    return set(rows.values_list("pk", flat=True))


def says(window: RecallWindow) -> str:
    """“Cold store from 02 Mar 2026 08:00 still going on”"""
    since = "since records began" if window.since <= roots.FIRST else f"from {_when(window.since)}"
    until = f"to {_when(window.until)}" if window.until else "still going on"
    return f"{window} {since} {until}"


def _when(moment: dt.datetime) -> str:
    return f"{clock.local(moment):%d %b %Y %H:%M}"


def standing(recall: Recall) -> set[int]:
    """Ids of the lots that are on the recall's list."""
    rows = RecallLot.objects.filter(recall=recall, narrowed_by=None)
    return set(rows.values_list("lot_id", flat=True))


# --- joining -----------------------------------------------------------------------------------


def join(entry: Entry, recall: Recall, found: Mapping[int, Joins]) -> list[RecallLot]:
    """Put these lots, and everything below each, on the list, and hold them unless it is a mock
    one; those that are on it already stay as they joined, unless they are named. Returns the new
    rows."""
    have = standing(recall)
    new = {lot: joins for lot, joins in found.items() if lot not in have}
    codes = dict(Lot.objects.filter(pk__in=new).values_list("pk", "code"))
    rows: dict[int, Joins] = dict(new)
    for lot, root in lineage.first_above(sorted(new)).items():
        if lot not in have:
            late = new[root].how == RecallLot.How.LATE
            made = RecallLot.How.LATE if late else RecallLot.How.MADE
            rows.setdefault(lot, Joins(made, f"made from {codes[root]}"))
    named = [lot for lot, joins in found.items() if joins == NAMED]
    again = RecallLot.objects.filter(recall=recall, narrowed_by=None, lot__in=named)
    again.update(how=NAMED.how, why=NAMED.why, window=None)
    joined = RecallLot.objects.bulk_create(
        [
            RecallLot(
                recall=recall,
                lot_id=lot,
                how=joins.how,
                why=joins.why[:200],
                window=joins.window,
                joined_by=entry.event,
            )
            for lot, joins in sorted(rows.items())
        ]
    )
    hold(entry, recall)
    return joined


def reason_of(recall: Recall) -> str:
    """As a hold says it: the number is what a hold of this recall is known by."""
    return f"{recall.number}: {recall.hazard}"


def holds_of(recall: Recall) -> QuerySet[Hold]:
    """Its open holds, inherited ones too; not one by hand that mentions its number."""
    rows = Hold.objects.filter(ended_by=None, reason__contains=f"{recall.number}: ")
    return rows.exclude(began_by__kind="hold")


def unheld(recall: Recall) -> QuerySet[RecallLot]:
    """What stands on its list and is held for nothing: there is none. A lot that was recorded in
    error is none."""
    rows = RecallLot.objects.filter(alive("lot__made_by"), recall=recall, narrowed_by=None)
    return rows.exclude(lot__in=Hold.objects.filter(ended_by=None).values("lot"))


def hold(entry: Entry, recall: Recall) -> None:
    """Hold what stands on the list and is not held for this recall, or was and is no more: what
    brought it in may be taken back, and it stays until it is narrowed out."""
    if recall.is_mock:
        return
    rows = RecallLot.objects.filter(alive("lot__made_by"), recall=recall, narrowed_by=None)
    now = Hold.objects.filter(began_by=entry.event)  # once by an event
    free = rows.exclude(lot__in=holds_of(recall).values("lot")).exclude(lot__in=now.values("lot"))
    made = RecallLot.How.MADE
    Hold.objects.bulk_create(
        Hold(
            lot_id=row.lot_id,
            began_by=entry.event,
            began_at=entry.event.recorded_at,
            reason=f"{holds.INHERITED if row.how == made else ''}{reason_of(recall)}"[:300],
        )
        for row in free.order_by("lot")
    )


def bring_in(entry: Entry, edges: list[Lineage]) -> None:
    """What an act brings into the scope of a recall that is open joins it and is held."""
    open_ = _open()
    if not open_:
        return
    windows: dict[int, list[RecallWindow]] = defaultdict(list)
    rows = RecallWindow.objects.filter(recall__in=open_, ended_by=None)
    for window in rows.select_related("place", "thing__place").order_by("id"):
        windows[window.recall_id].append(window)
    born = {lot.pk for lot in entry.lots}
    for recall in open_:
        _refuse_let_go(entry, recall)
        if entry.kind.name in CANCELLING:
            edges = [*edges, *missing(recall)]  # an origin that was cleared counts again
        found = _by_edges(entry, recall, edges, born)
        barred = _barred(recall) if windows[recall.pk] else set()
        for window in windows[recall.pk]:
            for lot in lots_of(window) - barred:
                how = RecallLot.How.BORN if lot in born else RecallLot.How.LATE
                told = f"{says(window)}; {_told(entry)}"
                found.setdefault(lot, Joins(how, told, window))
        if found:
            for row in join(entry, recall, found):
                _flag(entry, recall, row, born)
        elif entry.kind.name in CANCELLING:
            hold(entry, recall)


def _barred(recall: Recall) -> set[int]:
    """What was itself named in a narrowing comes in by no window again. What went out with it, or
    with a window, does once something else says that it was there."""
    rows = RecallLot.objects.filter(recall=recall, narrowed_by__isnull=False)
    named: dict[int, set[int]] = {}
    barred: set[int] = set()
    for row in rows.select_related("narrowed_by"):
        event = row.narrowed_by
        assert event is not None
        if event.pk not in named:
            named[event.pk] = set(json.loads(event.told or "{}").get("lots", []))
        if row.lot_id in named[event.pk]:
            barred.add(row.lot_id)
    return barred


def missing(recall: Recall) -> QuerySet[Lineage]:
    """Edges out of the recall's list to lots that were never on it: there are none."""
    inside = RecallLot.objects.filter(recall=recall, narrowed_by=None)
    known = RecallLot.objects.filter(recall=recall)
    rows = Lineage.objects.filter(cleared_by=None, parent__in=inside.values("lot"))
    return rows.exclude(child__in=known.values("lot"))


def _refuse_let_go(entry: Entry, recall: Recall) -> None:
    """What is on a recall is let go by narrowing that, which says why."""
    if entry.kind.name != "release":
        return
    mine = RecallLot.objects.filter(recall=recall, narrowed_by=None).values("lot")
    gone = Hold.objects.filter(ended_by=entry.event, lot__in=mine).select_related("lot").first()
    if gone:
        raise Refusal(
            "on_a_recall",
            f"{gone.lot.code} is on {recall.noun} {recall}, which is open: narrow that with a "
            "reason, and it is let go.",
            recall=recall.number,
        )


def _by_edges(
    entry: Entry, recall: Recall, edges: Iterable[Lineage], born: set[int]
) -> dict[int, Joins]:
    parents = {e.parent_id for e in edges}
    inside = RecallLot.objects.filter(recall=recall, narrowed_by=None, lot__in=parents)
    codes = dict(inside.values_list("lot_id", "lot__code")) if parents else {}
    found: dict[int, Joins] = {}
    for e in edges:
        if e.parent_id in codes:
            made = f"made from {codes[e.parent_id]}"
            if e.kind == Lineage.Kind.TOUCHED:
                made = f"touched by {codes[e.parent_id]}"
            newborn = e.child_id in born
            how = RecallLot.How.BORN if newborn else RecallLot.How.LATE
            why = made if newborn else f"{made}; {_told(entry)}"
            found.setdefault(e.child_id, Joins(how, why))
    return found


def _told(entry: Entry) -> str:
    return f"told by “{KINDS[entry.event.kind].says}” on {_when(entry.event.recorded_at)}"


def _flag(entry: Entry, recall: Recall, row: RecallLot, born: set[int]) -> None:
    kind = Flag.Kind.BORN_HELD if row.lot_id in born else Flag.Kind.AFTER_FREEZE
    if not any(f.kind == kind and f.lot and f.lot.pk == row.lot_id for f in entry.flags):
        entry.flag(kind, f"{row.lot.code} joins {recall.noun} {recall}: {row.why}", row.lot)


# --- narrowing ---------------------------------------------------------------------------------


def narrow(entry: Entry, recall: Recall, lots: Iterable[Lot], reason: str) -> set[int]:
    """Take these lots off the list, and with them what is on it for nothing else: what none of
    the lots and windows that remain leads to. What only this recall held is let go. Returns the
    ids of what is out."""
    named = {lot.pk for lot in lots}
    rows = {
        row.lot_id: row
        for row in RecallLot.objects.filter(recall=recall, narrowed_by=None).order_by("id")
    }
    windows = recall.windows.filter(ended_by=None).select_related("place", "thing__place")
    seen = {lot for window in windows for lot in lots_of(window)}
    stay = {lot for lot, row in rows.items() if row.is_root and row.window_id is None}
    stay |= seen & rows.keys()
    out = rows.keys() - _reached(stay - named, set(rows), named)
    gone = RecallLot.objects.filter(recall=recall, narrowed_by=None, lot__in=out)
    gone.update(narrowed_by=entry.event, narrowed_why=reason[:300])
    if not recall.is_mock:
        _let_go(entry, recall, out)
    return set(out)


def _reached(stay: set[int], inside: set[int], barred: set[int]) -> set[int]:
    """What the roots that stay lead to within the list, not by way of what is barred."""
    below: dict[int, set[int]] = defaultdict(set)
    edges = Lineage.objects.filter(parent__in=inside, child__in=inside, cleared_by=None)
    for parent, child in edges.values_list("parent_id", "child_id"):
        below[parent].add(child)
    found, open_ = set(stay), list(stay)
    while open_:
        new = below[open_.pop()] - found - barred
        found |= new
        open_ += new
    return found


def _let_go(entry: Entry, recall: Recall, out: Iterable[int]) -> None:
    """End the holds of this recall on these lots; one that something held otherwise leads to
    stays held, and what stands on another recall is held for that."""
    own = holds_of(recall).filter(lot__in=out)
    mine = holds_of(recall).values("pk")
    free = []
    for lot in set(own.values_list("lot_id", flat=True)):
        above = Hold.objects.filter(lot__in=lineage.above([lot]) - {lot}, ended_by=None)
        if not above.exclude(pk__in=mine).exists():
            free.append(lot)
    own.filter(lot__in=free).update(ended_by=entry.event, ended_at=entry.event.recorded_at)
    for other in _open():
        if other.pk != recall.pk:
            hold(entry, other)


def watching() -> bool:
    """Whether a recall watches a place or a thing."""
    return bool(_watching())


AFTER_EDGES.append(bring_in)
ALONE_WHILE.append(watching)
__all__ = [
    "NAMED",
    "Joins",
    "bring_in",
    "hold",
    "holds_of",
    "join",
    "lots_of",
    "missing",
    "narrow",
    "reason_of",
    "says",
    "standing",
    "unheld",
    "watching",
]
