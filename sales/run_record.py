"""A run on one page, for whoever asks days later: what went in, what came of every gram and how
that is known, its labels, who packed it on what line, and on which scale."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from grow.models import Basis, Event, Hold, Lot, Movement, alive
from grow.readings import hour_known
from grow.shelf import date_of

from .label_words import words_of
from .ledger_hooks import moved_by
from .models import PackingRun
from .operations.line import LOOKED_AT
from .printing import Counts, label_counts


@dataclass(frozen=True)
class CrateTaken:
    """A lot that went in: grams taken from it, those that were lost on the way included, and how
    they are known."""

    code: str
    title: str
    grams: int
    known: str


@dataclass(frozen=True)
class Share:
    """Grams of the run's sum, and how that is known; empty where there are none."""

    name: str
    grams: int
    known: str


@dataclass(frozen=True)
class Looked:
    """The line as it was looked over last before the run. lacked: what was not as it should be."""

    at: dt.datetime
    hour_known: bool
    did: list[str]
    lacked: list[str]
    done: str


@dataclass(frozen=True)
class RunRecord:
    """use_by: as it stands; first_use_by: as the run was packed. label_printed: whether label_text
    was printed, or only would be."""

    packed_at: dt.datetime
    hour_known: bool
    packed_by: list[str]
    recorded_by: str
    line: str
    use_by: dt.date | None
    first_use_by: dt.date | None
    washed: bool
    crates: list[CrateTaken]
    shares: list[Share]
    looked: Looked | None
    labels: Counts
    label_text: str
    label_printed: bool
    held: list[str]


def record_of(run: PackingRun) -> RunRecord:
    """All of it but its weights, which `weights_of` gives. So many queries, however many lots went
    in and however many packs came out."""
    lot, event = run.lot, run.lot.made_by
    told = json.loads(event.told or "{}")
    rows = [m for m in moved_by(lot) if m.lot_id != lot.pk]
    words = words_of(run)
    held = Hold.objects.filter(lot=lot, ended_by=None).order_by("pk")
    return RunRecord(
        packed_at=event.happened_at,
        hour_known=hour_known(event),
        packed_by=[str(p) for p in event.done_by.all()] or [str(event.recorded_by)],
        recorded_by=str(event.recorded_by),
        line=event.place.name if event.place else "",
        use_by=date_of(lot),
        first_use_by=run.use_by,
        washed=run.washed,
        crates=_crates(rows, told),
        shares=_shares(run, rows, told),
        looked=_looked(event),
        labels=label_counts(run)[0],
        label_text=words.text,
        label_printed=bool(run.label),
        held=[hold.reason for hold in held],
    )


def _crates(rows: Sequence[Movement], told: dict[str, Any]) -> list[CrateTaken]:
    """By what left each, less what came to it from water and scale. They add up to grams_in."""
    how = {one["lot"]: one for one in told.get("taken", ())}
    grams: dict[Lot, int] = defaultdict(int)
    for m in rows:
        each = m.quantity * (m.lot.grams_each or 1)
        grams[m.lot] += each if m.from_place.is_standing else -each
    return [
        CrateTaken(lot.code, lot.title, g, _taken_known(how.get(lot.pk, {}), lot))
        for lot, g in sorted(grams.items(), key=lambda one: one[0].pk)
        if g
    ]


def _taken_known(told: dict[str, Any], lot: Lot) -> str:
    if told.get("used"):
        return "as told"
    if told.get("left"):
        return f"the books’, less {told['left']} {lot.unit} left in it"
    return "emptied: all that the books held" if "left" in told else "corrected since"


#: The run's own sum, what it is called, the kind of place where it went or came from.
_SUMS = (
    ("gain_g", "Water and scale", "water_scale"),
    ("trim_g", "Trim", "compost"),
    ("giveaway_g", "Giveaway", "giveaway"),
    ("samples_g", "Samples", "sample"),
    ("moisture_g", "Moisture lost", "moisture"),
)
_KNOWN: dict[str, str] = {
    Basis.REMAINDER: "remainder, not weighed",
    Basis.SHARED_OUT: "as told",  # how the crates share it, not how it was found
}


def _shares(run: PackingRun, rows: Sequence[Movement], told: dict[str, Any]) -> list[Share]:
    """The run's grams, every one of them."""
    shares = [
        Share("Taken", run.grams_in, "see above"),
        Share(f"In packs, {run.packs} × {run.nominal_each_g} g", run.nominal_g, "packs counted"),
    ]
    for name, says, kind in _SUMS:
        grams = getattr(run, name)
        known = _known(rows, kind) if grams else ""
        if kind == "giveaway":
            known = _giveaway_known(told) if grams else "none told with the run"
        shares.append(Share(says, grams, known))
    return shares


def _known(rows: Sequence[Movement], kind: str) -> str:
    net: Counter[str] = Counter()
    for m in rows:
        grams = m.quantity * (m.lot.grams_each or 1)
        net[m.basis] += grams * ((kind == m.to_place.kind) - (kind == m.from_place.kind))
    found = {basis: abs(grams) for basis, grams in sorted(net.items()) if grams}
    # opened bags alone lose less than a whole bag, which is in no movement
    if len(found) > 1:
        return ", ".join(f"{grams} g {Basis(basis).label}" for basis, grams in found.items())
    basis = next(iter(found), str(Basis.REMAINDER))
    return _KNOWN.get(basis, Basis(basis).label)


def _giveaway_known(told: dict[str, Any]) -> str:
    n = len(told.get("weights", ()))
    if n:
        return f"from {n} {'weight' if n == 1 else 'weights'} told with the run"
    if told.get("mean_fill_g"):
        return f"from a mean fill of {told['mean_fill_g']} g, as told"
    return "as told"


def _looked(event: Event) -> Looked | None:
    if event.place_id is None:
        return None
    rows = Event.objects.filter(alive(), kind="look_over", place=event.place_id)
    rows = rows.filter(placed_at__lte=event.placed_at).select_related("recorded_by")
    last = rows.prefetch_related("done_by").order_by("placed_at", "pk").last()
    if last is None:
        return None
    told = json.loads(last.told or "{}")
    return Looked(
        last.happened_at,
        hour_known(last),
        [str(p) for p in last.done_by.all()] or [str(last.recorded_by)],
        [says for name, says in LOOKED_AT.items() if not told.get(name, True)],
        told.get("done", ""),
    )
