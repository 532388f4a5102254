"""What the ledger asks of this app: to price what reached a customer, to look whether a paper
stands on an event, and to keep a run's sums when a weight is put right."""

from __future__ import annotations

import json
from collections import defaultdict

from django.db.models import Sum

from grow.errors import Refusal
from grow.kinds import CANCELLING, WORKED_OUT
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
)
from grow.operations.corrections import PACKS, REMAINDERS
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
    for m, event, sign, place in rows:
        outlet = outlets.get(place.pk) if place else None
        if outlet is None:
            continue
        pence = _unit_pence(m, event, sign, outlet)
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


def _unit_pence(m: Movement, event: Event, sign: int, outlet: Outlet) -> int | None:
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
        paid = first.order_by("-movement_id").values_list("unit_pence", flat=True)[:1] if sign < 0 else ()
        for pence in paid:
            return pence
    told = _told_pence(m, event)
    if told is not None:
        return told
    return list_price(outlet, m.lot.line, event.day)


def _told_pence(m: Movement, event: Event) -> int | None:
    """What the till told for the row that a movement follows from."""
    if event.kind == WORKED_OUT:
        row = Unnamed.objects.filter(event=event.corrects_id, line=m.lot.line).first()
        return row.unit_pence if row else None
    if event.kind == "sell" and event.told:
        for row in json.loads(event.told)["rows"]:
            if row.get("lot") == m.lot_id and row.get("unit_pence") is not None:
                return row["unit_pence"]
    return None


def list_price(outlet: Outlet, line: str, day: int) -> int | None:
    from grow.clock import number_day

    return (
        Price.objects.filter(outlet=outlet, line=line, since__lte=number_day(day))
        .order_by("-since")
        .values_list("pence", flat=True)
        .first()
    )


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
    entry.later.append(lambda: note.lines.update(sent=0, to_follow=0) and None)


def _unreceive(entry: Entry, event: Event) -> None:
    told = json.loads(event.told or "{}")
    for row in told["lines"]:
        line = NoteLine.objects.get(note=told["note"], lot=row["lot"])
        accepted, short, rejected = (row.get(k, 0) for k in ("accepted", "short", "rejected"))
        over = (
            Movement.objects.filter(
                event=event, lot=row["lot"], from_place=the("count_difference")
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


def _run_events(event: Event) -> list[int]:
    """A run's event and all that was posted to put its grams right."""
    fixes = Event.objects.filter(corrects=event, kind__in=["run_corrected", "correct_weight"])
    return [event.pk, *fixes.values_list("pk", flat=True)]


def _net(events: list[int], lot: Lot, from_kind: str | None, to_kind: str | None, place=None) -> int:
    rows = Movement.objects.filter(event__in=events, lot=lot)

    def total(a: str | None, b: str | None, start=None, end=None) -> int:
        found = rows
        found = found.filter(from_place=start) if start else found.filter(from_place__kind=a)
        found = found.filter(to_place=end) if end else found.filter(to_place__kind=b)
        return found.aggregate(n=Sum("quantity"))["n"] or 0

    if from_kind is None:
        return total(None, to_kind, start=place) - total(to_kind, None, end=place)
    return total(from_kind, None, end=place) - total(None, from_kind, start=place)


def follow_weight(entry: Entry, lot: Lot, place: Place, difference: int) -> None:
    """The first run that looked into the crate takes the difference in its remainder: less gain
    from water and scale, then more trim; or less trim, and no more than there was."""
    looked = (
        Counted.objects.filter(lot=lot, place=place)
        .exclude(event__corrections__kind__in=CANCELLING)
        .order_by("event__placed_at")
        .select_related("event")
        .first()
    )
    if looked is None or looked.event.kind not in ("pack", "rework"):
        return
    run = PackingRun.objects.get(lot__made_by=looked.event)
    events = _run_events(looked.event)
    gain = _net(events, lot, "water_scale", None, place)
    trim = _net(events, lot, None, "compost", place)
    if difference > 0:
        less_gain, trim_change = min(gain, difference), 0
        trim_change = difference - less_gain
    else:
        less_gain, trim_change = 0, -min(trim, -difference)
    if not (less_gain or trim_change):
        return
    at = entry.aside(looked.event, "run_corrected")
    entry.move(lot, place, the("water_scale"), less_gain, Basis.REMAINDER, event=at)
    entry.move(lot, place, the("compost"), trim_change, Basis.REMAINDER, event=at)
    run.grams_in += less_gain + trim_change
    run.gain_g -= less_gain
    run.trim_g += trim_change
    entry.later.append(run.save)


def recount_packs(entry: Entry, lot: Lot, place: Place, difference: int) -> None:
    """More packs came out of trim, then out of water and scale; fewer give back in that order
    reversed. What went in follows, gram by gram."""
    run = lot.run
    events = _run_events(lot.made_by)
    grams = difference * run.nominal_each_g
    parents = [
        (p, pl)
        for p, pl in _parents(events, lot)
        if p.kind != LotKind.PACK
    ]
    if not parents:
        run.packs += difference
        run.nominal_g += grams
        run.trim_g -= min(grams, run.trim_g)
        run.gain_g += max(0, grams - run.trim_g) if grams > 0 else 0
    trims = [_net(events, p, None, "compost", pl) for p, pl in parents]
    gains = [_net(events, p, "water_scale", None, pl) for p, pl in parents]
    used = [_net(events, p, None, "used", pl) for p, pl in parents]
    if grams > 0:
        from_trim = min(grams, sum(trims))
        less_trim, more_gain = shared_out(from_trim, trims), shared_out(grams - from_trim, used)
    else:
        from_gain = min(-grams, sum(gains))
        more_gain = [-g for g in shared_out(from_gain, gains)]
        less_trim = [-t for t in shared_out(-grams - from_gain, used)]
    for (p, pl), t, g in zip(parents, less_trim, more_gain, strict=True):
        entry.move(p, the("compost"), pl, t, Basis.REMAINDER)
        entry.move(p, the("water_scale"), pl, g, Basis.REMAINDER)
        entry.move(p, pl, the("used"), t + g, Basis.SHARED_OUT)
        if t + g:
            entry.join(p, lot, Lineage.Kind.WENT_IN, t + g)
    if parents:
        run.packs += difference
        run.nominal_g += grams
        run.trim_g -= sum(less_trim)
        run.gain_g += sum(more_gain)
    entry.later.append(run.save)


def _parents(events: list[int], run: Lot) -> list[tuple[Lot, Place]]:
    """Each lot that went in, with the place that it was taken from, oldest first."""
    rows: dict[int, tuple[Lot, Place]] = defaultdict()
    for m in (
        Movement.objects.filter(event__in=events, to_place__kind="used")
        .exclude(lot=run)
        .select_related("lot", "from_place")
        .order_by("lot_id")
    ):
        rows[m.lot_id] = (m.lot, m.from_place)
    return list(rows.values())


AFTER_POST.append(price_movements)
BEFORE_CANCEL["deliver"] = _note_received
BEFORE_CANCEL["receive"] = _unreceive
REMAINDERS.append(follow_weight)
PACKS.append(recount_packs)
