"""What waits at an outlet's door: its open notes, and what a person says of each of their lines.

Read only; the acts are `operations.receive` and `operations.come_without_note`. Everything is by
exception: what nobody says a word about came, and is good."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import Exists, OuterRef, Prefetch, QuerySet

from grow import clock, codes, measures, scope
from grow.asks import READ, Ask
from grow.errors import NotKnown, Refusal
from grow.finding import rows_called
from grow.models import Hold, Lot, LotKind, Person, PlaceKind, Thing, Unit
from grow.wording import amount

from . import temperatures
from .models import DeliveryNote, NoteLine, Outlet, Receipt, ReceiptLine

MOST_NOTES = 30
#: A note's own page, as a phone's camera reads it off the paper.
_ADDRESS = re.compile(r"/notes/([^/?#\s]+)")
#: What may be odd about a line, as it is tapped.
SHORT, REJECTED, FOLLOWS, MORE = "short", "rejected", "follows", "more"
OFF = ((SHORT, "Short"), (REJECTED, "Reject"), (FOLLOWS, "Rest follows"), (MORE, "More came"))


@dataclass
class Line:
    """One lot of a note, and what is said of it. on: what the note still says is to come, as the
    page showed it; left: what is to come by now; came: what was taken in, one way or another; off:
    what was ticked; the rest as it was typed, of leaf in the unit in which it is shown."""

    lot: int
    code: str
    title: str
    unit: str
    kind: str
    on: int
    left: int
    came: int
    held: str = ""
    off: tuple[str, ...] = ()
    typed: dict[str, str] = field(default_factory=dict)
    reason: str = ""
    photo: str = ""
    wrong: str = ""

    @property
    def how_much(self) -> str:
        return self.says(self.on)

    def says(self, quantity: int) -> str:
        return amount(quantity, self.unit, kind=self.kind)

    @property
    def is_stale(self) -> bool:
        """Whether more was shown as to come than is to come by now, for some came meanwhile."""
        return self.on > self.left and self.came > 0

    @property
    def unit_word(self) -> str:
        if self.unit == Unit.G:
            return "kg" if self.on >= 1000 else "g"
        return "packs" if self.kind == LotKind.PACK else ""

    def parts(self) -> dict[str, int]:
        """accepted, short, rejected of this line, in the lot's unit; empty where all of it is to
        follow. Raises Refusal with one sentence."""
        said = {name: self._read(name) for name, _ in OFF if name in self.off}
        open_ = [name for name, n in said.items() if n is None]
        if MORE in open_ or len(open_) > 1:
            raise Refusal("how_many", f"{self.title}: write how much of it.")
        less = sum(n or 0 for name, n in said.items() if name != MORE)
        if open_:
            said[open_[0]], less = self.on - less, max(less, self.on)
        if less > self.on:
            raise Refusal(
                "too_many",
                f"{self.title}: {self.says(less)} is more than the {self.how_much} on the note.",
            )
        told = {
            "accepted": self.on - less + (said.get(MORE) or 0),
            "short": said.get(SHORT) or 0,
            "rejected": said.get(REJECTED) or 0,
        }
        if told["rejected"] and not self.reason:
            raise Refusal("reason", f"{self.title}: tap why it was rejected.")
        return {name: n for name, n in told.items() if n} if any(told.values()) else {}

    def _read(self, name: str) -> int | None:
        text = self.typed.get(name, "").strip()
        if not text:
            return None
        if self.unit == Unit.G:
            number = measures.grams(text, self.unit_word)
        else:
            number = READ["whole"](Ask(self.title, "whole"), text, False)
        if number <= 0:
            raise Refusal("nought", f"{self.title}: {text} is nothing to say.")
        return number


@dataclass
class Note:
    """An open note as the page shows it."""

    number: str
    outlet: Outlet
    sent_at: str
    lines: list[Line]
    client_id: str = ""
    temperature: str = ""
    measured: str = ""
    probe: str = ""
    condition: str = ""

    @property
    def asks(self) -> bool:
        return self.outlet.asks_temperature

    @property
    def key(self) -> str:
        return f"note {self.number}"

    @property
    def says(self) -> str:
        """Its contents in a line."""
        return ", ".join(f"{line.how_much} {line.title}" for line in self.lines)


def _notes(person: Person) -> QuerySet[DeliveryNote]:
    return scope.seen(DeliveryNote.objects.all(), person).select_related("outlet__place", "event")


def open_notes(person: Person, numbers: Sequence[str] | None = None) -> list[Note]:
    """Notes with something still to come, the latest first; of some numbers, if they are given."""
    to_come = NoteLine.objects.filter(note=OuterRef("pk"), to_follow__gt=0)
    rows = _notes(person).filter(Exists(to_come))
    if numbers is not None:
        rows = rows.filter(number__in=numbers)
    lines = NoteLine.objects.filter(to_follow__gt=0).select_related("lot").order_by("id")
    found = rows.prefetch_related(Prefetch("lines", lines)).order_by("-id")[:MOST_NOTES]
    held = _held([line.lot for note in found for line in note.lines.all()])
    return [_shown(note, held) for note in found]


def one_note(person: Person, number: str, on: Callable[[str], str]) -> Note:
    """A note as a form was sent for it: of each line what the page showed, though some of it may
    have come since. on: a lot's code → what was shown. Raises NotKnown."""
    (note,) = rows_called(DeliveryNote, [number], person)
    if isinstance(note, NotKnown):
        raise note
    lines = list(note.lines.select_related("lot").order_by("id"))
    shown = _shown(note, _held([line.lot for line in lines]), lines)
    for line in shown.lines:
        sent = on(line.code)
        line.on = int(sent) if sent.isascii() and sent.isdigit() and len(sent) < 13 else 0
    shown.lines = [line for line in shown.lines if line.on]
    return shown


def _shown(note: DeliveryNote, held: dict[int, str], lines: Any = None) -> Note:
    sent = clock.local(note.event.happened_at)
    return Note(
        note.number,
        note.outlet,
        f"{sent:%d %b %H:%M}".lstrip("0"),
        [
            Line(
                line.lot_id,
                line.lot.code,
                line.lot.title or line.lot.code,
                line.lot.unit,
                line.lot.kind,
                line.to_follow,
                line.to_follow,
                line.accepted + line.short + line.rejected,
                held.get(line.lot_id, ""),
            )
            for line in (note.lines.all() if lines is None else lines)
        ],
    )


def _held(lots: Sequence[Lot]) -> dict[int, str]:
    rows = Hold.objects.filter(lot__in=lots, ended_by=None) if lots else []
    return {hold.lot_id: hold.reason for hold in rows}


def by_code(person: Person, text: str) -> list[Note]:
    """The open notes that a scanned or typed code means: its own number, or a lot on it. Raises
    NotKnown, in the same words whether it is another outlet's or nobody's."""
    address = _ADDRESS.search(text)
    told = address[1] if address else codes.code_in(text)
    folded = codes.fold(told)
    numbers = [n for n in _open_numbers(person) if codes.fold(n) == folded]
    if not numbers:
        (lot,) = rows_called(Lot, [text], person)
        if not isinstance(lot, NotKnown):
            rows = _notes(person).filter(lines__lot=lot, lines__to_follow__gt=0)
            numbers = list(rows.values_list("number", flat=True).distinct())
    if not numbers:
        raise NotKnown("no_such_note", f"No note that is still to come says “{told}”.")
    return open_notes(person, numbers)


def _open_numbers(person: Person) -> list[str]:
    rows = _notes(person).filter(lines__to_follow__gt=0).distinct()
    return list(rows.order_by("-id").values_list("number", flat=True)[:500])


# --- how warm ------------------------------------------------------------------------------------


def celsius(text: str) -> Decimal:
    """Degrees as they are read off a probe: 5.1, 5,1, −1, with °C behind or not. Raises Refusal."""
    plain = re.sub(r"\s*°?\s*[cC]\s*$", "", text.replace("\u2212", "-"))
    number: Decimal = READ["decimal"](Ask("Temperature", "decimal"), plain.strip(), False)
    return number


def forgotten_point(reading: Decimal) -> Decimal | None:
    """Of a reading that is seldom true, what was likelier meant: 51 for 5.1."""
    meant = reading / 10
    odd = temperatures.is_seldom(reading) and not temperatures.is_seldom(meant)
    return meant if odd else None


def probes(person: Person) -> list[str]:
    rows = scope.seen(Thing.objects.filter(kind=Thing.Kind.PROBE), person)
    return list(rows.order_by("name").values_list("name", flat=True))


def last_way(person: Person) -> tuple[str, str]:
    """How it was measured last, and with which probe: filled in the next time."""
    last = (
        scope.seen(Receipt.objects.exclude(temperature_c=None), person)
        .select_related("probe")
        .order_by("-event")
        .first()
    )
    return (last.measured, last.probe.name if last.probe else "") if last else ("", "")


# --- what came today -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Came:
    """A receipt of today: when, and how warm, as it is read."""

    receipt: Receipt
    at: str
    reading: str


def came_today(person: Person) -> list[Came]:
    """Receipts of today of which more was said than how much, the latest first."""
    day = clock.day_number(clock.local(clock.now()).date())
    lines = ReceiptLine.objects.select_related("lot").order_by("id")
    rows = (
        scope.seen(Receipt.objects.filter(event__day=day), person)
        .select_related("event", "note__outlet__place", "probe")
        .prefetch_related(Prefetch("lines", lines))
        .order_by("-event")[:MOST_NOTES]
    )
    return [
        Came(
            row,
            f"{clock.local(row.event.happened_at):%H:%M}",
            "" if row.temperature_c is None else f"{temperatures.plainly(row.temperature_c)} °C",
        )
        for row in rows
    ]


# --- outlets -------------------------------------------------------------------------------------


def outlets(person: Person, *kinds: str) -> list[Outlet]:
    """The outlets whose goods a person may take in, of some kinds of place or any."""
    rows = scope.seen(Outlet.objects.all(), person)
    return list(rows.filter(place__kind__in=kinds) if kinds else rows)


#: Where an outlet may cut for itself: what stands there is still ours.
OWN = (PlaceKind.KITCHEN, PlaceKind.SHOP)
