"""What the pages, the API and the CSV files all read: stock at a moment, and what a day's entries
came to. Each is a plain function that gives rows, narrowed to what the person may see."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from django.db.models import Exists, F, OuterRef, Prefetch, Q, QuerySet

from . import clock, scope, signing
from .asks import READ, Ask
from .kinds import ASIDE, DIFFERENCE, KINDS, OWN, SHORTFALL, WORKED_OUT
from .models import (
    ENDS,
    SOURCES,
    Description,
    Event,
    Flag,
    Hold,
    Holding,
    Lot,
    Movement,
    Person,
    Place,
    PlaceKind,
    alive,
)
from .offers import natural
from .queries import stocks

#: How the books' own entries, and those that follow from a correction, are called.
SAYS = {
    SHORTFALL: "beyond the books",
    DIFFERENCE: "count difference",
    WORKED_OUT: "sale worked out",
    "run_corrected": "run corrected with it",
    "cancel_because": "taken back with it",
}


def says(kind: str) -> str:
    """What an entry of this kind is called on screen."""
    return KINDS[kind].says if kind in KINDS else SAYS.get(kind, kind.replace("_", " "))


def moment(text: str, name: str = "at", *, start: bool = False) -> dt.datetime:
    """A day and time as somebody writes it; a day alone is its end, when its last count is in, or
    its start. Raises Refusal."""
    if ":" not in text:
        day = READ["day"](Ask(name, "day"), text, True)
        return clock.start_of(day) if start else clock.end_of(day)
    told: dt.datetime = READ["moment"](Ask(name, "moment"), text, True)
    return told


# --- stock ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StockRow:
    """So much of a lot in a place: quantity in whole units (g, ml, each). use_by is the shortest
    date that it was given; held, whether a hold was open on it then."""

    place: str
    place_kind: str
    lot: str
    kind: str
    title: str
    crop: str
    use_by: dt.date | None
    quantity: int
    unit: str
    held: bool


def stock(
    person: Person,
    *,
    at: dt.datetime | None = None,
    place: Place | None = None,
    lot: Lot | None = None,
) -> list[StockRow]:
    """What stands where, now or at a moment, by place and first-expired-first. An area answers
    for all that lies within it. Ends (compost, sold) are told only when asked for by name;
    sources never are. Four queries, and one more for each level of an area."""
    places = _places(person, place)
    if at is None:
        rows = Holding.objects.filter(place__in=places).exclude(quantity=0)
        if lot is not None:
            rows = rows.filter(lot=lot)
        here = {(a, b): n for a, b, n in rows.values_list("lot_id", "place_id", "quantity")}
    else:
        here = stocks(at, lots=None if lot is None else [lot.pk], places=places)
    here = {key: n for key, n in here.items() if key[1] in places}
    lots = {k.pk: k for k in _lots({a for a, _ in here}, at)}
    out = [
        StockRow(
            place=places[b].name,
            place_kind=places[b].kind,
            lot=lots[a].code,
            kind=lots[a].kind,
            title=lots[a].title,
            crop=lots[a].crop_name or "",
            use_by=min(filter(None, (lots[a].use_by, lots[a].shortened)), default=None),
            quantity=n,
            unit=lots[a].unit,
            held=lots[a].held,
        )
        for (a, b), n in sorted(here.items())
    ]
    return sorted(out, key=lambda r: (natural(r.place.casefold()), r.use_by or dt.date.max))


def _places(person: Person, place: Place | None) -> dict[int, Place]:
    rows = scope.seen(Place.objects.exclude(kind__in=SOURCES), person)
    tied = scope.tied_to(person)
    if tied:
        rows = rows.filter(pk__in=tied)
    if place is None:
        rows = rows.exclude(kind__in=ENDS)
    elif place.kind == PlaceKind.AREA:
        rows = rows.filter(pk__in=within(place))
    else:
        rows = rows.filter(pk=place.pk)
    return {p.pk: p for p in rows}


def within(area: Place) -> set[int]:
    """An area and all that lies in it, to any depth."""
    found: set[int] = {area.pk}
    next_ = found
    while next_:
        next_ = set(Place.objects.filter(within__in=next_).values_list("pk", flat=True)) - found
        found |= next_
    return found


def _lots(ids: set[int], at: dt.datetime | None) -> Iterable:
    open_ = Hold.objects.filter(lot=OuterRef("pk"))
    open_ = (
        open_.filter(ended_by=None)
        if at is None
        else open_.filter(Q(ended_at__isnull=True) | Q(ended_at__gt=at), began_at__lte=at)
    )
    shorter = Description.objects.filter(lot=OuterRef("pk"), best_before__isnull=False)
    many = 500  # SQLite takes so many parameters and no more
    listed = sorted(ids)
    for n in range(0, len(listed), many):
        yield from Lot.objects.filter(pk__in=listed[n : n + many]).annotate(
            crop_name=F("crop__name"),
            held=Exists(open_),
            shortened=shorter.order_by("best_before").values("best_before")[:1],
        )


# --- a day's entries ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MovedRow:
    """One lot from one place to another, quantity in the lot's unit, and how it was known."""

    lot: str
    title: str
    quantity: int
    unit: str
    basis: str
    from_place: str
    to_place: str


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One entry and what it came to. hour_known is false where only the day was told; device is
    the shared one that it was told on; cancelled, whether it was taken back since;
    to_countersign, whether it is a learner's and nobody has countersigned it yet; corrects and
    because_of are ids of entries."""

    id: int
    kind: str
    says: str
    day: dt.date
    happened_at: dt.datetime
    hour_known: bool
    recorded_at: dt.datetime
    recorded_by: str
    done_by: list[str]
    device: str
    place: str
    already_done: bool
    cancelled: bool
    to_countersign: bool
    corrects: int | None
    because_of: int | None
    lots: list[str] = field(default_factory=list)
    moved: list[MovedRow] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)


def entries(rows: QuerySet[Event], person: Person) -> list[EntryRow]:
    """These events as rows, in their order. Five queries, however many."""
    return [entry(event) for event in with_what_they_did(rows, person)]


def with_what_they_did(rows: QuerySet[Event], person: Person) -> QuerySet[Event]:
    """Events with all that `entry` reads of them."""
    moved = Movement.objects.select_related("lot", "from_place", "to_place").order_by("id")
    return (
        rows.select_related("recorded_by", "place")
        .annotate(cancelled=~alive(), waits=signing.waits())
        .prefetch_related(
            "done_by",
            Prefetch("movements", scope.seen(moved, person)),
            Prefetch("made", scope.seen(Lot.objects.order_by("id"), person)),
            Prefetch("flags", scope.seen(Flag.objects.order_by("id"), person)),
        )
    )


def hour_known(event: Event) -> bool:
    """False where only its day was told."""
    return event.latest_at - event.earliest_at < dt.timedelta(hours=22)


def entry(event: Event) -> EntryRow:
    """One of `with_what_they_did` as a row."""
    return EntryRow(
        id=event.pk,
        kind=event.kind,
        says=says(event.kind),
        day=clock.number_day(event.day),
        happened_at=event.happened_at,
        hour_known=hour_known(event),
        recorded_at=event.recorded_at,
        recorded_by=str(event.recorded_by),
        done_by=[str(p) for p in event.done_by.all()],
        device=event.device,
        place=event.place.name if event.place else "",
        already_done=event.already_done,
        cancelled=event.cancelled,  # type: ignore[attr-defined]  # annotated
        to_countersign=event.waits,  # type: ignore[attr-defined]  # annotated
        corrects=event.corrects_id,
        because_of=event.because_of_id,
        lots=[lot.code for lot in event.made.all()],
        moved=[
            MovedRow(
                lot=m.lot.code,
                title=m.lot.title,
                quantity=m.quantity,
                unit=m.lot.unit,
                basis=m.basis,
                from_place=m.from_place.name,
                to_place=m.to_place.name,
            )
            for m in event.movements.all()
        ],
        flags=[flag.says for flag in event.flags.all()],
    )


def of_day(
    person: Person, day: dt.date | None = None, *, kinds: Sequence[str] = (), own: bool = False
) -> QuerySet[Event]:
    """Events of a local day (today, if none is said), the latest first. own: with those that the
    books add by themselves, which else are left out."""
    number = clock.day_number(day or clock.local(clock.now()).date())
    rows = scope.seen(Event.objects.filter(day=number), person)
    if kinds:
        rows = rows.filter(kind__in=kinds)
    if not own:
        rows = rows.exclude(kind__in=[*OWN, *ASIDE])
    return rows.order_by("-placed_at", "-id")


def today(person: Person, day: dt.date | None = None, *, own: bool = False) -> list[EntryRow]:
    """What was done on a day, the latest first."""
    return entries(of_day(person, day, own=own), person)


__all__ = [
    "EntryRow",
    "MovedRow",
    "StockRow",
    "entries",
    "entry",
    "hour_known",
    "moment",
    "of_day",
    "says",
    "stock",
    "today",
    "with_what_they_did",
    "within",
]
