"""What came to an outlet without a note: it is there, so the note is written from it."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from django.db.models import Exists, F, OuterRef, QuerySet

from grow import codes, queries, scope
from grow.asks import LONGEST_NAME
from grow.errors import Refusal
from grow.fitting import Longest, Number
from grow.ledger import BEFORE_CANCEL, Entry, operation
from grow.models import (
    OUTLETS,
    Basis,
    Event,
    Flag,
    Lot,
    LotKind,
    Movement,
    Person,
    Place,
    PlaceKind,
    Unit,
)
from grow.setup import the
from grow.wording import amount
from sales.models import DeliveryNote, NoteLine, Outlet

from .notes import parties

_GOODS = (LotKind.HARVEST, LotKind.PRODUCE, LotKind.PACK)
#: From where goods are brought over without a word.
_OURS = (PlaceKind.STORE, PlaceKind.PACKHOUSE)


@operation(says="came without a note", slot=15, fact=True)
def come_without_note(
    entry: Entry,
    *,
    outlet: Outlet,
    code: Annotated[str, Longest(LONGEST_NAME)],
    grams: Number | None = None,
    packs: Number | None = None,
) -> None:
    """A crate or packs that stand at an outlet and are on no note: their code as it was scanned,
    and how much, in grams or by number. They come from our store, where the books hold them, else
    from count difference; a numbered note is written from it, received at once, and is flagged
    for whoever sends goods out.

    What the teller cannot know (a code of nobody, or of another outlet's goods alone) moves
    nothing: that it came is kept and flagged, in the same words for both."""
    if not (grams or packs) or (grams and packs):
        raise Refusal("nought", "Write how much came: its weight, or how many packs.")
    quantity = grams or packs or 0
    at = entry.event.placed_at
    lot = _meant(code, entry.event.recorded_by, at)
    if lot is not None and lot.made_by.placed_at > at:
        lot = None  # it was made later than it is said to have come: then it is not this
    much = amount(quantity, Unit.G) if grams else str(quantity)
    if lot is None:
        entry.flag(
            Flag.Kind.NOT_ON_BOOKS,
            f"{much} of “{codes.code_in(code)}” came to {outlet} without a note, and the books "
            "there know no such lot. Look which it is, and send it out on a note.",
        )
        return
    if bool(grams) != (lot.unit == Unit.G):
        asked = "its weight" if lot.unit == Unit.G else "how many packs"
        raise Refusal("unit", f"Of {lot.code} say {asked}.", lot=lot.code)
    place = _stood(lot, quantity, at) or the("count_difference")
    entry.move(lot, place, outlet.place, quantity, Basis.WEIGHED if grams else Basis.COUNTED)
    entry.flag(
        Flag.Kind.NOT_ON_BOOKS,
        f"{amount(quantity, lot.unit, kind=lot.kind)} of {lot.code} came to {outlet} without a "
        "note; it was written from what came.",
        lot,
    )

    def write() -> None:
        number = codes.take("N", None)[0]
        note = DeliveryNote.objects.create(
            number=number, outlet=outlet, event=entry.event, parties=parties(outlet)
        )
        NoteLine.objects.create(note=note, lot=lot, sent=quantity, accepted=quantity, to_follow=0)

    entry.later.append(write)


def _meant(code: str, person: Person, at: dt.datetime) -> Lot | None:
    """The goods that a code means to this person: what they may see, and of the rest what stood
    with us then and has gone to no outlet, for then it can only have come from here."""
    told, found = queries.called(code)
    goods = [lot.pk for lot in found if lot.kind in _GOODS]
    rows = Lot.objects.filter(pk__in=goods).select_related("made_by", "crop")
    own = list(scope.seen(rows, person))
    if not own:
        own = [lot for lot in _gone_nowhere(rows) if _with_us(lot, at)]
    return queries.the_one(own, told) if own else None


def _gone_nowhere(rows: QuerySet[Lot]) -> QuerySet[Lot]:
    kinds = [*OUTLETS, PlaceKind.TRANSIT]
    gone = Movement.objects.filter(lot=OuterRef("pk"), to_place__kind__in=kinds)
    return rows.exclude(Exists(gone))


def _with_us(lot: Lot, at: dt.datetime) -> dict[int, int]:
    """How much of it stood in each of our places at a moment, by place id: not now, so that it is
    the same whenever it is told."""
    ours = list(Place.objects.filter(kind__in=_OURS).values_list("pk", flat=True))
    stood = queries.stocks(at, lots=[lot.pk], places=ours)
    return {place: n for (_, place), n in stood.items() if n > 0}


def _stood(lot: Lot, quantity: int, at: dt.datetime) -> Place | None:
    """Where the books held it with us then: enough of it first, else the most."""
    stood = _with_us(lot, at)
    best = min(stood, key=lambda pk: (stood[pk] < quantity, -stood[pk], pk), default=None)
    return Place.objects.get(pk=best) if best else None


def _unwritten(entry: Entry, event: Event) -> None:
    note = DeliveryNote.objects.filter(event=event).first()
    if note is None:
        return
    if note.lines.exclude(accepted=F("sent"), short=0, rejected=0).exists():
        raise Refusal(
            "paper_on_it",
            f"More of note {note.number} was received since; cancel that receipt first.",
            note=note.number,
        )
    entry.later.append(lambda: note.lines.all().delete())


BEFORE_CANCEL["come_without_note"] = _unwritten
