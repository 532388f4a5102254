"""Out of the door and in at the other: notes, receipts, and the shop twelve paces away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from grow import codes
from grow.errors import Refusal
from grow.fitting import Moved, Sending
from grow.ledger import Entry, operation
from grow.models import Basis, Flag, Lot, PlaceKind
from grow.setup import side_place, the
from sales.models import DeliveryNote, NoteLine, Outlet


@dataclass(frozen=True)
class Line:
    """So much of a lot (in its own unit) out of a store."""

    lot: Moved
    quantity: int
    from_place: Sending


@dataclass(frozen=True)
class Arrived:
    """What became of one lot of a note at the door. What is not told is still to follow."""

    lot: Moved
    accepted: int = 0
    short: int = 0
    rejected: int = 0
    reason: str = ""


def _check(lines: Sequence[Line]) -> None:
    if not lines:
        raise Refusal("nought", "Name at least one lot.")
    for line in lines:
        if line.quantity <= 0:
            raise Refusal("nought", f"{line.quantity} of {line.lot.code} is nothing to send.")


@operation(says="sent", slot=14)
def deliver(
    entry: Entry, *, outlet: Outlet, lines: Sequence[Line], temperature_c: str = ""
) -> None:
    """A numbered note: the goods are on the way, still the sender's."""
    _check(lines)
    transit = side_place(outlet.place, PlaceKind.TRANSIT)
    sent: dict[Lot, int] = {}
    for line in lines:
        entry.move(line.lot, line.from_place, transit, line.quantity, Basis.COUNTED)
        sent[line.lot] = sent.get(line.lot, 0) + line.quantity

    def write() -> None:
        number = codes.take("N", None)[0]
        note = DeliveryNote.objects.create(number=number, outlet=outlet, event=entry.event)
        NoteLine.objects.bulk_create(
            [NoteLine(note=note, lot=lot, sent=n, to_follow=n) for lot, n in sent.items()]
        )

    entry.later.append(write)


@operation(says="received", slot=15, fact=True)
def receive(
    entry: Entry, *, note: DeliveryNote, lines: Sequence[Arrived], temperature_c: str = ""
) -> None:
    """What arrived of a note, all or part of it. Accepted is the outlet's; rejected goes to the
    sender's reject shelf; short goes to count difference; more than was sent comes from it, and so
    does a lot that was not on the note at all."""
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
    # read now that the goods are locked; a lot may stand in two rows of one receipt
    known = {line.lot_id: line for line in note.lines.all()}
    for a in lines:
        new = NoteLine(note=note, lot=a.lot, sent=0, to_follow=0)
        line = known.setdefault(a.lot.pk, new)
        over = max(0, a.accepted + a.short + a.rejected - line.to_follow)
        if over:
            entry.flag(
                Flag.Kind.OVER,
                f"{over} {a.lot.unit} of {a.lot.code} more came than note {note.number} said.",
                a.lot,
            )
            entry.move(a.lot, the("count_difference"), transit, over, Basis.COUNTED)
        entry.move(a.lot, transit, outlet, a.accepted, Basis.COUNTED)
        entry.move(a.lot, transit, the("count_difference"), a.short, Basis.COUNTED)
        entry.move(a.lot, transit, rejects, a.rejected, Basis.COUNTED)
        line.accepted += a.accepted
        line.short += a.short
        line.rejected += a.rejected
        line.over += over
        line.to_follow += over - a.accepted - a.short - a.rejected
        entry.later.append(line.save)


@operation(says="put on the shelf", slot=16)
def put_on_shelf(entry: Entry, *, outlet: Outlet, lines: Sequence[Line]) -> None:
    """The own shop: one tap, no receipt; a count corrects it."""
    _check(lines)
    for line in lines:
        entry.move(line.lot, line.from_place, outlet.place, line.quantity, Basis.COUNTED)
