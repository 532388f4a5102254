"""What stands, moves, is counted or thrown away: of any lot, anywhere."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated

from .. import books, clock, gate
from ..errors import NotAllowed, Refusal
from ..fitting import (
    Back,
    Keeping,
    Kept,
    Known,
    Longest,
    Moved,
    Quarantine,
    Reason,
    Standing,
    among,
)
from ..ledger import Entry, operation
from ..models import OUTLETS, STRICT, Basis, Flag, Lot, Place, PlaceKind, SignOff
from ..queries import stocks
from ..setup import the
from ..shelf import there_since
from ..signing import unfit

THROWN = (
    PlaceKind.COMPOST,
    PlaceKind.FEED,
    PlaceKind.DONATED,
    PlaceKind.STAFF,
    PlaceKind.LANDFILL,
    PlaceKind.DESTROYED,
    PlaceKind.SAMPLE,
)


def _some(quantity: int, lot: Lot) -> None:
    if quantity <= 0:
        raise Refusal("nought", f"{quantity} {lot.unit} of {lot.code} is nothing to record.")


@operation(says="moved", slot=13, place="to_place")
def move(
    entry: Entry,
    *,
    lot: Kept,
    from_place: Standing,
    to_place: Back,
    quantity: int,
    basis: Known = Basis.COUNTED,
) -> None:
    """Between stores, or into quarantine: part of a lot is held by standing there."""
    _some(quantity, lot)
    entry.move(lot, from_place, to_place, quantity, basis)


@operation(says="thrown away", slot=18, place="from_place")
def discard(
    entry: Entry,
    *,
    lot: Kept,
    from_place: Standing,
    to: Annotated[str, among(THROWN)],
    quantity: int,
    reason: str,
    basis: Known = Basis.COUNTED,
    recipient: Annotated[str, Longest(80)] = "",
) -> None:
    """Compost, hens, bin, staff, tasting, a donation to somebody, a sample: where and why.
    Animal feed is not offered from a kitchen (the UK forbids feeding kitchen waste)."""
    _some(quantity, lot)
    if to == PlaceKind.FEED and from_place.kind == PlaceKind.KITCHEN:
        entry.refuse_or(
            "kitchen_to_feed",
            "Nothing from a kitchen may be fed to animals (UK rule; local rules come first).",
        )
        entry.flag(Flag.Kind.AGAINST_RULE, f"{lot.code} from {from_place} was fed to animals.", lot)
    if to == PlaceKind.DONATED and not recipient:
        entry.refuse_or("recipient", "A donation is a supply: say to whom it went.")
        entry.flag(Flag.Kind.UNSAID, f"Nobody said to whom {lot.code} was given.", lot)
    entry.move(lot, from_place, the(to), quantity, basis)


@operation(says="counted", slot=19, fact=True)
def count(
    entry: Entry,
    *,
    place: Standing,
    counted: Mapping[Moved, int],
    closing: bool = False,
    fresh: bool = False,
    by_date: bool = False,
) -> None:
    """What was there when somebody looked, by lot in its own unit. The figure stands; what the
    books had otherwise becomes count difference. A closing count is the last act of its day and
    is of the whole shelf: a lot of a line that was counted and is not named was not there. Of
    lots of one date a count by date saw only how many there were of them together, whichever they
    are put down to: the split between them is worked out (`shelf.split_by_date`). To
    start fresh is to count all that stands in a place: whatever is not named was not there, and
    since then its books may be trusted (`queries.trusted_since`)."""
    figures = {lot: int(n) for lot, n in counted.items()}
    for lot, n in figures.items():
        if n < 0:
            raise Refusal("nought", f"{n} of {lot.code} cannot have been there.")
    if by_date and not (closing and place.kind == PlaceKind.SHOP):
        raise Refusal("by_date", "Only the closing count of a shop's shelf is by date.")
    if closing or fresh:
        for lot in _not_seen(entry, place, None if fresh else {lot.line for lot in figures}):
            figures.setdefault(lot, 0)
    if fresh:
        books.fresh_start(entry, place)
    for lot, n in sorted(figures.items(), key=lambda f: f[0].pk):
        entry.count(lot, place, n)


def _not_seen(entry: Entry, place: Place, lines: set[str] | None) -> list[Lot]:
    """What the books hold to have stood in a place then, of some lines or of all."""
    at = entry.event.placed_at
    if lines is not None:
        lines = lines - {""}
        entry.lock_lines((place.pk, line) for line in lines if place.kind in OUTLETS)
    stood = stocks(at, lots=there_since(place.pk, at, lines), places=[place.pk])
    return list(
        Lot.objects.filter(pk__in=[lot for (lot, _), n in stood.items() if n > 0], kind__in=STRICT)
    )


@operation(says="held", slot=12, gate_=gate.ALONE)
def hold(entry: Entry, *, lots: list[Lot], reason: Reason) -> None:
    """Stop lots, and everything made from them, from moving on."""
    from .. import holds

    if not reason.strip():
        raise Refusal("reason", "Say why it is held; the next person reads it.")
    reasons = {lot.pk: reason for lot in lots}
    entry.later.append(lambda: holds.place_holds(reasons, entry.event))


@operation(says="released", slot=12, gate_=gate.ALONE, place="to_place")
def release(
    entry: Entry,
    *,
    lots: list[Lot],
    reason: str,
    from_place: Quarantine | None = None,
    to_place: Keeping | None = None,
    quantity: int | None = None,
) -> None:
    """A named, signed-off person lets lots move again, or takes part of a lot out of quarantine.
    Not what was made from them: each is released by name."""
    from ..models import Hold

    if not reason.strip():
        raise Refusal("reason", "Say why it may be released; the record stands on it.")
    refuse_unless_signed_off(entry, clock.number_day(entry.event.day))
    if (from_place or to_place or quantity) and not (from_place and to_place and quantity):
        raise Refusal(
            "half_told",
            "To take part of a lot out of quarantine say from where, to where, and how much.",
        )
    if from_place and to_place:
        if len(lots) != 1:
            raise Refusal("one_lot", "Say of each lot by itself how much of it leaves quarantine.")
        (lot,) = lots
        _some(quantity or 0, lot)
        entry.move(lot, from_place, to_place, quantity or 0, Basis.COUNTED)
        return
    open_ = Hold.objects.filter(lot__in=lots, ended_by=None)
    if not open_.exists():
        raise Refusal("not_held", f"{', '.join(lot.code for lot in lots)} is not held.")
    open_.update(ended_by=entry.event, ended_at=entry.event.recorded_at)


def refuse_unless_signed_off(entry: Entry, day: dt.date) -> None:
    """Who lets a held lot go is signed off for it, and who records that it is let go: it is an act
    of the books, now, so nobody does it in another's name, and there is no telling it as a fact."""
    for person in entry.people:
        if reason := unfit(person, SignOff.Task.RELEASING, day):
            raise NotAllowed("not_signed_off", reason)
