"""Out of the door and in at the other: notes, receipts, and the shop twelve paces away."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated

from grow import clock, codes
from grow.errors import Refusal
from grow.fitting import Moved, Sending, Within, among, as_in
from grow.kinds import CANCELLING
from grow.ledger import BEFORE_CANCEL, Entry, operation
from grow.models import Basis, Business, Event, Flag, Lot, Photo, PlaceKind, Thing
from grow.setup import side_place, the
from sales import temperatures, warmth
from sales.models import DeliveryNote, NoteLine, Outlet, Receipt, ReceiptLine

#: What a thermometer shows, °C.
Celsius = Annotated[Decimal, Within(-60, 150)]


@dataclass(frozen=True)
class Line:
    """So much of a lot (in its own unit) out of a store."""

    lot: Moved
    quantity: int
    from_place: Sending


@dataclass(frozen=True)
class Arrived:
    """What became of one lot of a note at the door. What is not told is still to follow. reason:
    why some was short or rejected; photo: how it looked."""

    lot: Moved
    accepted: int = 0
    short: int = 0
    rejected: int = 0
    reason: Annotated[str, as_in(ReceiptLine, "reason")] = ""
    photo: Photo | None = None


def _check(lines: Sequence[Line]) -> None:
    if not lines:
        raise Refusal("nought", "Name at least one lot.")
    for line in lines:
        if line.quantity <= 0:
            raise Refusal("nought", f"{line.quantity} of {line.lot.code} is nothing to send.")


def parties(outlet: Outlet) -> dict[str, str]:
    """Who sends and who is to receive, as they are at dispatch: kept with the note."""
    business = Business.the()
    return {
        "sender": business.name,
        "sender_address": business.address,
        "receiver": outlet.place.name,
        "receiver_address": outlet.address,
        "consignee": outlet.owner,
    }


@operation(says="sent", slot=14)
def deliver(
    entry: Entry, *, outlet: Outlet, lines: Sequence[Line], temperature_c: Celsius | None = None
) -> None:
    """A numbered note: the goods are on the way, still the sender's. temperature_c: at dispatch."""
    _check(lines)
    transit = side_place(outlet.place, PlaceKind.TRANSIT)
    sent: dict[Lot, int] = {}
    for line in lines:
        entry.move(line.lot, line.from_place, transit, line.quantity, Basis.COUNTED)
        sent[line.lot] = sent.get(line.lot, 0) + line.quantity

    def write() -> None:
        number = codes.take("N", None)[0]
        note = DeliveryNote.objects.create(
            number=number, outlet=outlet, event=entry.event, parties=parties(outlet)
        )
        NoteLine.objects.bulk_create(
            [NoteLine(note=note, lot=lot, sent=n, to_follow=n) for lot, n in sent.items()]
        )

    entry.later.append(write)


@operation(says="received", slot=15, fact=True)
def receive(
    entry: Entry,
    *,
    note: DeliveryNote,
    lines: Sequence[Arrived],
    temperature_c: Celsius | None = None,
    measured: Annotated[str, among(Receipt.Measured)] = "",
    probe: Thing | None = None,
    condition: Annotated[str, among(Receipt.Condition)] = "",
) -> None:
    """What arrived of a note, all or part of it. Accepted is the outlet's; rejected goes to the
    sender's reject shelf; short goes to count difference. More than was sent, a lot that was not
    on the note, and all of a note that was cancelled are beyond the books on the way there: they
    come from count difference, flagged. A warm reading is a fact like any other: it is written,
    and flagged where it is above the figure of the rules."""
    outlet = note.outlet.place
    transit = side_place(outlet, PlaceKind.TRANSIT)
    rejects = side_place(outlet, PlaceKind.QUARANTINE)
    pairs = []
    for a in lines:
        if min(a.accepted, a.short, a.rejected) < 0 or not (a.accepted + a.short + a.rejected):
            raise Refusal(
                "nought", f"Say how much of {a.lot.code} was accepted, short or rejected."
            )
        pairs += [(a.lot, transit), (a.lot, outlet), (a.lot, rejects)]
    entry.take(*sorted(pairs, key=lambda p: (p[0].pk, p[1].pk)))
    undone = note.event.corrections.filter(kind__in=CANCELLING).first()
    if undone:
        when = clock.local(undone.recorded_at)
        entry.flag(
            Flag.Kind.NOT_ON_BOOKS,
            f"Note {note.number} was cancelled at {when:%H:%M on %d %b %Y}, and came.",
        )
    # read only now that the goods are locked; a lot may stand in two rows of one receipt
    known = {line.lot_id: line for line in note.lines.all()}
    for a in lines:
        entry.move(a.lot, transit, outlet, a.accepted, Basis.COUNTED)
        entry.move(a.lot, transit, the("count_difference"), a.short, Basis.COUNTED)
        entry.move(a.lot, transit, rejects, a.rejected, Basis.COUNTED)
        new = NoteLine(note=note, lot=a.lot, sent=0, to_follow=0)
        line = known.setdefault(a.lot.pk, new)
        over = line.over
        _arrived(line, a.accepted, a.short, a.rejected)
        if line.over > over:
            entry.flag(
                Flag.Kind.OVER,
                f"{line.over - over} {a.lot.unit} of {a.lot.code} more came than note "
                f"{note.number} said.",
                a.lot,
            )
    _keep(entry, [known[lot] for lot in {a.lot.pk for a in lines}])
    if probe and probe.kind != Thing.Kind.PROBE:
        raise Refusal(
            "wrong_kind",
            f"{probe} is no probe thermometer; say with which probe it was measured.",
            thing=probe.name,
        )
    told = Receipt(
        event=entry.event,
        note=note,
        temperature_c=temperature_c,
        measured=measured,
        probe=probe,
        condition=condition,
    )
    for lot, said in warmth.judged(told, [a.lot for a in lines], entry.event.placed_at):
        if said.says == temperatures.Says.NOT_MET:
            entry.flag(Flag.Kind.AGAINST_RULE, f"{lot.code} came warm: {said.sentence}", lot)
    entry.later.append(lambda: _write_receipt(told, lines))


def _write_receipt(told: Receipt, lines: Sequence[Arrived]) -> None:
    """Only what more was told than how much."""
    odd = [a for a in lines if a.reason or a.photo]
    if not (odd or told.measured or told.probe or told.condition or told.temperature_c is not None):
        return
    told.save(force_insert=True)
    ReceiptLine.objects.bulk_create(
        ReceiptLine(
            receipt=told,
            lot=a.lot,
            short=a.short,
            rejected=a.rejected,
            reason=a.reason,
            photo=a.photo,
        )
        for a in odd
    )


_SUMS = ("accepted", "short", "rejected", "over", "to_follow")


def _arrived(line: NoteLine, accepted: int, short: int, rejected: int) -> None:
    """So much more of a line arrived, or less when it is taken back. What is over and what is to
    follow hang on all that arrived of it, so it matters not in which parts."""
    line.accepted += accepted
    line.short += short
    line.rejected += rejected
    came = line.accepted + line.short + line.rejected
    line.over, line.to_follow = max(0, came - line.sent), max(0, line.sent - came)


def _keep(entry: Entry, lines: list[NoteLine]) -> None:
    def write() -> None:
        NoteLine.objects.bulk_create([line for line in lines if line.pk is None])
        kept = [line for line in lines if line.sent or line.over or line.to_follow]
        gone = [line.pk for line in lines if line not in kept]  # nor sent, and did not come
        NoteLine.objects.filter(pk__in=gone).delete()
        NoteLine.objects.bulk_update(kept, _SUMS)

    entry.later.append(write)


def _unsend(entry: Entry, event: Event) -> None:
    note = event.note
    if note.lines.exclude(accepted=0, short=0, rejected=0).exists():
        raise Refusal(
            "paper_on_it",
            f"Note {note.number} was received in part or whole; cancel the receipt first.",
            note=note.number,
        )
    entry.later.append(lambda: note.lines.update(sent=0, to_follow=0))


def _unreceive(entry: Entry, event: Event) -> None:
    Receipt.objects.filter(event=event).delete()
    told = json.loads(event.told or "{}")
    lines = {line.lot_id: line for line in NoteLine.objects.filter(note=told["note"])}
    for row in told["lines"]:
        accepted, short, rejected = (-row.get(k, 0) for k in ("accepted", "short", "rejected"))
        _arrived(lines[row["lot"]], accepted, short, rejected)
    _keep(entry, [lines[lot] for lot in {row["lot"] for row in told["lines"]}])


BEFORE_CANCEL["deliver"] = _unsend
BEFORE_CANCEL["receive"] = _unreceive


@operation(says="put on the shelf", slot=16)
def put_on_shelf(entry: Entry, *, outlet: Outlet, lines: Sequence[Line]) -> None:
    """The own shop: one tap, no receipt; a count corrects it."""
    _check(lines)
    for line in lines:
        entry.move(line.lot, line.from_place, outlet.place, line.quantity, Basis.COUNTED)
