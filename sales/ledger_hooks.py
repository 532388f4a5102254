"""What the ledger asks of this app: to price what reached a customer, to look whether a paper
stands on an event, and to keep a run's sums when a weight is put right."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict

from django.db.models import Q, Sum

from grow.clock import number_day
from grow.errors import Refusal
from grow.kinds import CANCELLING, OWN, WORKED_OUT
from grow.ledger import AFTER_POST, BEFORE_CANCEL, Entry
from grow.models import (
    Basis,
    Counted,
    Event,
    Lineage,
    Lot,
    LotKind,
    Movement,
    Place,
    PlaceKind,
    Unit,
    Unnamed,
    alive,
)
from grow.operations.corrections import PACKS, REMAINDERS
from grow.queries import with_corrections
from grow.setup import the
from grow.shares import shared_out

from .models import Money, NoteLine, Outlet, PackingRun, Price

_EATERS = (PlaceKind.KITCHEN, PlaceKind.BUYER)
_OURS = (
    PlaceKind.TRANSIT,
    PlaceKind.STORE,
    PlaceKind.PACKHOUSE,
    PlaceKind.GROWTH,
    PlaceKind.QUARANTINE,
)

# --- money ----------------------------------------------------------------------------------


def worth(quantity: int, unit: str, unit_pence: int) -> int:
    """Pence for a quantity: packs × pence, or pence a kilogram × grams ÷ 1000, half up."""
    if unit == Unit.EACH:
        return quantity * unit_pence
    return (quantity * unit_pence + 500) // 1000


def _sign(m: Movement) -> tuple[int, Place | None]:
    """+1 into a customer's hands, −1 back out of them, 0 for all else; and whose till it is."""
    from_, to = m.from_place, m.to_place
    if to.kind == PlaceKind.SOLD:
        return 1, to.belongs_to
    if from_.kind == PlaceKind.SOLD:
        return -1, from_.belongs_to
    if to.kind in _EATERS and from_.kind in _OURS:
        return 1, to
    if from_.kind in _EATERS and to.kind in _OURS:
        return -1, from_
    return 0, None


def price_movements(moved: list[tuple[Movement, Event]]) -> None:
    rows = [(m, e, *_sign(m)) for m, e in moved]
    rows = [row for row in rows if row[2]]
    if not rows:
        return
    outlets = {
        o.place_id: o for o in Outlet.objects.filter(place__in={place for *_, place in rows})
    }
    money = []
    known = _Known(rows, list(outlets.values()))
    for m, event, sign, place in rows:
        outlet = outlets.get(place.pk) if place else None
        if outlet is None:
            continue
        pence = _unit_pence(m, event, sign, outlet, known)
        if pence is not None:
            money.append(
                Money(
                    movement=m,
                    outlet=outlet,
                    unit_pence=pence,
                    pence=sign * worth(m.quantity, m.lot.unit, pence),
                )
            )
    Money.objects.bulk_create(money)


class _Known:
    """The list prices and the till's own prices that some movements may need, read at once."""

    def __init__(self, rows: list[tuple], outlets: list[Outlet]) -> None:
        self._listed: dict[tuple[int, str], list[tuple[dt.date, int]]] = defaultdict(list)
        listed = Price.objects.filter(
            outlet__in=outlets, line__in={m.lot.line for m, *_ in rows}
        ).order_by("since")
        for outlet, line, since, pence in listed.values_list("outlet_id", "line", "since", "pence"):
            self._listed[outlet, line].append((since, pence))
        tills = {e.corrects_id for _, e, *_ in rows if e.kind == WORKED_OUT}
        self._told = {
            (event, line): pence
            for event, line, pence in Unnamed.objects.filter(event__in=tills).values_list(
                "event_id", "line", "unit_pence"
            )
        }

    def listed(self, outlet: Outlet, line: str, day: int) -> int | None:
        on = number_day(day)
        stood = [p for since, p in self._listed.get((outlet.pk, line), ()) if since <= on]
        return stood[-1] if stood else None

    def told(self, m: Movement, event: Event) -> int | None:
        """What the till told for the row that a movement follows from."""
        if event.kind == WORKED_OUT:
            return self._told.get((event.corrects_id or 0, m.lot.line))
        if event.kind == "sell" and event.told:
            for row in json.loads(event.told)["rows"]:
                if row.get("lot") == m.lot_id and row.get("unit_pence") is not None:
                    return row["unit_pence"]
        return None


def _unit_pence(m: Movement, event: Event, sign: int, outlet: Outlet, known: _Known) -> int | None:
    if sign < 0 or event.corrects_id:
        # what goes back goes back at what it came for
        first = Money.objects.filter(
            movement__lot=m.lot_id,
            outlet=outlet,
            movement__from_place__in=[m.from_place_id, m.to_place_id],
            movement__to_place__in=[m.from_place_id, m.to_place_id],
        )
        if sign < 0 and event.corrects_id and event.kind in CANCELLING:
            first = first.filter(movement__event=event.corrects_id) or first
        paid = (
            first.order_by("-movement_id").values_list("unit_pence", flat=True)[:1]
            if sign < 0
            else ()
        )
        for pence in paid:
            return pence
    told = known.told(m, event)
    return told if told is not None else known.listed(outlet, m.lot.line, event.day)


# --- papers ---------------------------------------------------------------------------------


def _note_received(entry: Entry, event: Event) -> None:
    note = event.note
    lines = note.lines.exclude(accepted=0, short=0, rejected=0)
    if lines.exists():
        raise Refusal(
            "paper_on_it",
            f"Note {note.number} was received in part or whole; cancel the receipt first.",
            note=note.number,
        )
    entry.later.append(lambda: note.lines.update(sent=0, to_follow=0))


def _unreceive(entry: Entry, event: Event) -> None:
    told = json.loads(event.told or "{}")
    lines = {line.lot_id: line for line in NoteLine.objects.filter(note=told["note"])}
    for lot in {row["lot"] for row in told["lines"]}:
        line = lines[lot]
        rows = [row for row in told["lines"] if row["lot"] == lot]
        accepted, short, rejected = (
            sum(row.get(k, 0) for row in rows) for k in ("accepted", "short", "rejected")
        )
        over = (
            Movement.objects.filter(
                event=event, lot=lot, from_place=the("count_difference")
            ).aggregate(n=Sum("quantity"))["n"]
            or 0
        )
        line.accepted -= accepted
        line.short -= short
        line.rejected -= rejected
        line.over -= over
        line.to_follow += accepted + short + rejected - over
        entry.later.append(line.save)


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


def _moved_by(run: Lot) -> list[Movement]:
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
        rows = [m for m in _moved_by(run.lot) if m.lot_id != run.lot_id]
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
    rows = _moved_by(looked.event.lot)
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
    rows = _moved_by(lot)
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


AFTER_POST.append(price_movements)
AFTER_POST.append(keep_sums)
BEFORE_CANCEL["deliver"] = _note_received
BEFORE_CANCEL["receive"] = _unreceive
REMAINDERS.append(follow_weight)
PACKS.append(recount_packs)
