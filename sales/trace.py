"""Where some lots came from, where they went, what stood alongside, how much is still out there,
who must be told, and what nobody wrote down.

Up, down and alongside are one recursive query each; one pass over what moved answers for every
lot found. It says what is recorded, and never that anything is safe.
"""

from __future__ import annotations

import datetime as dt
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from grow import clock, flows, lineage
from grow.flows import Balance, Edge, Flows, LotFlows
from grow.models import Lot, LotKind
from grow.sums import one_moment

from . import beside, consignees, gaps, roots, tills
from .consignees import Consignee, Told

HOW = {"went_in": "went in", "grew": "grew", "touched": "touched"}


@dataclass(slots=True)
class Report:
    """Every lot asked for, with where it is, who had it and whether it adds up."""

    flows: Flows
    consignees: dict[int, list[Consignee]]

    @property
    def lots(self) -> dict[int, LotFlows]:
        return self.flows.lots


@dataclass(frozen=True, slots=True)
class Join:
    """One way in which a lot found is joined to another of the trace."""

    how: str
    code: str
    quantity: int | None
    unit: str
    struck: bool

    def as_json(self) -> dict[str, Any]:
        return {
            "how": self.how,
            "with": self.code,
            "quantity": self.quantity,
            "unit": self.unit if self.quantity is not None else None,
            "struck": self.struck,
        }


@dataclass(slots=True)
class Trace:
    """The whole answer. Ids are of lots; `report` holds what is known of each."""

    asked: str
    roots: list[int]
    up: list[int]
    down: list[int]
    shared: list[beside.Shared]
    report: Report
    joins: dict[int, list[Join]]
    balance: Balance
    together: Balance
    sold: dict[int, tuple[int, int]]
    held: dict[int, str]
    gaps: list[gaps.Gap]
    told: list[Told]
    as_of: dt.datetime
    took_ms: float = 0.0
    notes: list[str] = field(default_factory=list)

    @property
    def alongside(self) -> list[int]:
        return sorted({lot for s in self.shared for lot in s.lots})

    @property
    def recorded_in_error(self) -> bool:
        return all(self.report.lots[i].cancelled for i in self.roots)

    @property
    def notice(self) -> str:
        """What may be said of notices: never that a lot is safe."""
        when = clock.local(self.as_of)
        if any(i in self.held for i in self.roots):
            return f"Held here as of {when:%H:%M on %d %b %Y}; see which below."
        if any(i in self.held for i in self.down):
            return f"Some of what became of it is held here as of {when:%H:%M on %d %b %Y}."
        return f"No notice recorded here as of {when:%H:%M on %d %b %Y}."

    def as_json(self) -> dict[str, Any]:
        lots = self.report.lots
        first = lots[self.roots[0]]
        affected = [*self.roots, *self.down]
        return {
            "asked": self.asked,
            "lot": first.code,
            "kind": first.kind,
            "title": first.title,
            "lots": [self._lot(i) for i in self.roots],
            "recorded_in_error": self.recorded_in_error,
            "notice": self.notice,
            "as_of": self.as_of.isoformat(),
            "ancestors": [self._lot(i) for i in self.up],
            "descendants": [self._lot(i) for i in self.down],
            "alongside": [
                {
                    "shared": s.what,
                    "lot": s.code,
                    "since": s.since and s.since.isoformat(),
                    "until": s.until and s.until.isoformat(),
                    "bounded": s.bounded,
                    "says": s.says,
                    "lots": [self._lot(i) for i in s.lots],
                }
                for s in self.shared
            ],
            "whereabouts": [row for i in affected for row in self._here(lots[i])],
            "balance": self.balance.as_json(),
            "balance_of_all": self.together.as_json(),
            "must_be_told": [t.as_json() for t in self.told],
            "gaps": [g.says for g in self.gaps],
            "notes": self.notes,
            "took_ms": round(self.took_ms, 2),
        }

    def _lot(self, lot_id: int) -> dict[str, Any]:
        lot = self.report.lots[lot_id]
        joins = self.joins.get(lot_id, [])
        return {
            "code": lot.code,
            "kind": lot.kind,
            "title": lot.title,
            "use_by": lot.use_by and lot.use_by.isoformat(),
            "grams_each": lot.grams_each,
            "how": ", ".join(
                dict.fromkeys(j.how + (" (struck)" if j.struck else "") for j in joins)
            ),
            "joins": [j.as_json() for j in joins],
            "recorded_in_error": bool(lot.cancelled),
            "held": self.held.get(lot_id),
            "possibly_sold": self.sold.get(lot_id),
            "whereabouts": self._here(lot),
            "consignees": [
                {"outlet": c.outlet, "quantity": c.quantity, "unit": lot.unit, **c.reach()}
                for c in self.report.consignees.get(lot_id, [])
            ],
            "balance": lot.balance.as_json(),
        }

    def _here(self, lot: LotFlows) -> list[dict[str, Any]]:
        return [
            {
                "lot": lot.code,
                "place": h.place.name,
                "place_kind": h.place.kind,
                "quantity": h.quantity,
                "unit": lot.unit,
                "basis": h.basis,
            }
            for h in lot.here
        ]


def how(joins: Iterable[Join]) -> str:
    """How a lot is joined, in words: "went in", "grew, touched", "went in (struck)"."""
    words = (j.how + (" (struck)" if j.struck else "") for j in joins)
    return ", ".join(dict.fromkeys(words))


def ids_below(ids: Iterable[int]) -> set[int]:
    """Ids of the lots and of everything made from them or touched by them."""
    return lineage.below(ids)


def ids_above(ids: Iterable[int]) -> set[int]:
    """Ids of the lots and of everything that they came from or that touched them."""
    return lineage.above(ids)


def report(ids: Iterable[int]) -> Report:
    """For every lot: its facts, whereabouts, consignees with their contacts, and balance."""
    read = flows.read(ids)
    return Report(read, consignees.of(read))


def trace(asked: str | Lot | Sequence[Lot] | roots.Roots, *, alongside: bool = True) -> Trace:
    """Trace a text (any code, name, tag or note number), one lot, several, or what
    `roots` found for a product and date or a place and window. Raises NotKnown."""
    started = time.perf_counter()
    with one_moment(), clock.one_zone():
        out = _trace(asked, alongside)
    out.took_ms = (time.perf_counter() - started) * 1000
    return out


def _trace(asked: str | Lot | Sequence[Lot] | roots.Roots, alongside: bool) -> Trace:
    found = roots.find(asked)
    as_of = clock.now()
    ids = [lot.pk for lot in found.lots]
    whole = set(ids)
    # of a sowing that only stood in a window, what was cut from its plants there is asked for
    walked = {lot.pk for lot in found.lots if lot.kind != LotKind.BATCH or lot in found.named}
    up, down = ids_above(ids) - whole, ids_below(walked) - whole
    shared = beside.shared(ids, up, down) if alongside else []
    side = {lot for s in shared for lot in s.lots}
    read = report(whole | up | down | side)
    affected = whole | down
    family = affected | up
    joins = _joins(read.flows, whole, up, down)
    together = read.flows.together(affected)
    single = read.lots[ids[0]].balance if len(ids) == 1 else together
    sold = tills.possibly_sold(read.flows, affected | side)
    held = gaps.held(family | side)
    return Trace(
        asked=found.says,
        roots=ids,
        up=sorted(up),
        down=sorted(down),
        shared=shared,
        report=read,
        joins=joins,
        balance=single,
        together=together,
        sold=sold,
        held=held,
        gaps=gaps.find(read.flows, whole, up, down, sold, shared),
        told=consignees.must_be_told(read.flows, read.consignees, affected),
        as_of=as_of,
        notes=found.notes,
    )


def _joins(read: Flows, whole: set[int], up: set[int], down: set[int]) -> dict[int, list[Join]]:
    """A lot below is joined to its parents in the trace, a lot above to its children."""
    above, below = whole | up, whole | down
    found: dict[int, list[Join]] = defaultdict(list)
    for e in sorted(read.edges, key=lambda e: (e.parent, e.child, e.kind)):
        if e.child in down and e.parent in below:
            found[e.child].append(_join(read, e, e.parent))
        if e.parent in up and e.child in above:
            found[e.parent].append(_join(read, e, e.child))
    return dict(found)


def _join(read: Flows, e: Edge, other: int) -> Join:
    # a grew edge carries grams of the cut; what went in, the parent's own unit
    unit = read.lots[e.parent if e.kind == "went_in" else e.child].unit
    return Join(HOW[e.kind], read.lots[other].code, e.quantity, unit, e.struck)


__all__ = [
    "Consignee",
    "Join",
    "Report",
    "Trace",
    "how",
    "ids_above",
    "ids_below",
    "report",
    "trace",
]
