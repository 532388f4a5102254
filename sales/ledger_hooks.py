"""What the ledger asks of this app when a weight is put right: to keep a run's sums. What a
customer pays is in `pricing`."""

from __future__ import annotations

from django.db.models import Q

from grow.errors import Refusal
from grow.kinds import OWN
from grow.ledger import AFTER_POST, Entry
from grow.models import (
    Basis,
    Counted,
    Event,
    Lineage,
    Lot,
    LotKind,
    Movement,
    Place,
    alive,
)
from grow.operations.corrections import PACKS, REMAINDERS
from grow.queries import with_corrections
from grow.setup import the
from grow.shares import shared_out

from .models import PackingRun

# --- a run's sums ---------------------------------------------------------------------------

_LOSSES = {
    "compost": "trim_g",
    "giveaway": "giveaway_g",
    "sample": "samples_g",
    "moisture": "moisture_g",
}


def _net(rows: list[Movement], lot: int, place: int, kind: str) -> int:
    """What of a lot went net from a place to places of a kind (to it, when it is a source)."""
    out = sum(
        m.quantity
        for m in rows
        if m.lot_id == lot and m.from_place_id == place and m.to_place.kind == kind
    )
    back = sum(
        m.quantity
        for m in rows
        if m.lot_id == lot and m.to_place_id == place and m.from_place.kind == kind
    )
    return out - back


def moved_by(run: Lot) -> list[Movement]:
    """All that a run's event and its corrections moved."""
    return list(
        Movement.objects.filter(event__in=with_corrections(run.made_by_id)).select_related(
            "lot", "from_place", "to_place"
        )
    )


def keep_sums(moved: list[tuple[Movement, Event]]) -> None:
    """A run's sums are a reading of what moved, kept in the same transaction. Trim is what the
    others leave: of opened bags it is in no movement."""
    fixes = [e for _, e in moved if e.corrects_id and e.kind not in OWN]
    if not fixes:
        return  # a new run was written with its sums
    events = {pk for e in fixes for pk in (e.pk, e.corrects_id)}
    runs = PackingRun.objects.filter(
        Q(lot__made_by__in=events) | Q(lot__made_by__corrections__in=events)
    ).filter(alive("lot__made_by"))
    for run in runs.select_related("lot").distinct():
        rows = [m for m in moved_by(run.lot) if m.lot_id != run.lot_id]
        own = Movement.objects.filter(
            lot=run.lot_id, event__in=with_corrections(run.lot.made_by_id)
        ).select_related("from_place", "to_place")
        run.packs = sum(
            m.quantity if m.from_place.kind == "packing" else -m.quantity
            for m in own
            if "packing" in (m.from_place.kind, m.to_place.kind)
        )
        run.nominal_g = run.packs * run.nominal_each_g
        sums = dict.fromkeys(["used", "water_scale", *_LOSSES], 0)
        for m in rows:
            grams = m.quantity * (m.lot.grams_each or 1)
            for kind, sign in ((m.to_place.kind, 1), (m.from_place.kind, -1)):
                if kind in sums:
                    sums[kind] += sign * grams
        run.gain_g = -sums.pop("water_scale")
        run.grams_in = sum(sums.values()) - run.gain_g
        run.giveaway_g, run.samples_g = sums["giveaway"], sums["sample"]
        run.moisture_g = sums["moisture"]
        known = run.nominal_g + run.giveaway_g + run.samples_g + run.moisture_g
        run.trim_g = run.grams_in + run.gain_g - known
        run.save()


def follow_weight(entry: Entry, lot: Lot, place: Place, difference: int) -> None:
    """The first run that looked into the crate takes the difference in its remainder: less gain
    from water and scale, then more trim; or less trim, and no more than there was."""
    looked = (
        Counted.objects.filter(lot=lot, place=place, struck_by=None)
        .filter(alive("event"))
        .order_by("event__placed_at", "event_id")
        .select_related("event")
        .first()
    )
    if looked is None or looked.event.kind not in ("pack", "rework"):
        return
    rows = moved_by(looked.event.lot)
    gain = -_net(rows, lot.pk, place.pk, "water_scale")
    trim = _net(rows, lot.pk, place.pk, "compost")
    if difference > 0:
        less_gain = min(gain, difference)
        more_trim = difference - less_gain
    else:
        less_gain, more_trim = 0, -min(trim, -difference)
    if less_gain or more_trim:
        at = entry.aside(looked.event, "run_corrected")
        entry.move(lot, place, the("water_scale"), less_gain, Basis.REMAINDER, event=at)
        entry.move(lot, place, the("compost"), more_trim, Basis.REMAINDER, event=at)


def recount_packs(entry: Entry, lot: Lot, place: Place, difference: int) -> None:
    """More packs came out of trim, then out of water and scale; fewer give back in that order
    reversed. What went in follows, gram by gram. Opened bags stay as they were opened."""
    rows = moved_by(lot)
    grams = difference * (lot.grams_each or 0)
    parents = _crates(rows, lot)
    if not parents:
        run = PackingRun.objects.filter(lot=lot).first()  # none of what stood before records began
        if run and grams > run.trim_g:
            raise Refusal(
                "not_in_it",
                f"The opened bags held {run.trim_g} g more than was packed; {difference} packs "
                f"more would need {grams} g.",
            )
        return
    trims = [_net(rows, p.pk, pl.pk, "compost") for p, pl in parents]
    gains = [-_net(rows, p.pk, pl.pk, "water_scale") for p, pl in parents]
    used = [_net(rows, p.pk, pl.pk, "used") for p, pl in parents]
    if grams > 0:
        from_trim = min(grams, sum(trims))
        less_trim = shared_out(from_trim, trims)
        more_gain = shared_out(grams - from_trim, used)
    else:
        from_gain = min(-grams, sum(gains))
        more_gain = [-g for g in shared_out(from_gain, gains)]
        room = [u + g for u, g in zip(used, more_gain, strict=True)]
        less_trim = [-t for t in shared_out(min(-grams - from_gain, sum(room)), room)]
    for (p, pl), t, g in zip(parents, less_trim, more_gain, strict=True):
        entry.move(p, the("compost"), pl, t, Basis.REMAINDER)
        entry.move(p, the("water_scale"), pl, g, Basis.REMAINDER)
        entry.move(p, pl, the("used"), t + g, Basis.SHARED_OUT)
        if t + g:
            entry.join(p, lot, Lineage.Kind.WENT_IN, t + g)


def _crates(rows: list[Movement], run: Lot) -> list[tuple[Lot, Place]]:
    """Each crate that still has something in a run, and the place it was taken from."""
    found: dict[tuple[int, int], tuple[Lot, Place]] = {}
    for m in sorted(rows, key=lambda m: m.lot_id):
        into_it = m.lot_id != run.pk and m.lot.kind != LotKind.PACK and m.to_place.kind == "used"
        if into_it and _net(rows, m.lot_id, m.from_place_id, "used"):
            found[m.lot_id, m.from_place_id] = (m.lot, m.from_place)
    return list(found.values())


AFTER_POST.append(keep_sums)
REMAINDERS.append(follow_weight)
PACKS.append(recount_packs)
