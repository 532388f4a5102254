"""The seal: each local day's entries, closed under a chain of SHA-256 sums.

A day's text is its canonical bytes: lines of UTF-8, each ended by one line feed. The first names
the day, the sum of the day before and the number of the last entry in it; then comes one line an
entry, by number, which is the order in which they were recorded: what was told, the lots that it
made, the movements that it wrote. Each line is JSON with sorted keys and no spaces; ids stand for
rows, moments are UTC to the microsecond, and what was told is the text that was kept, letter by
letter. No line holds a person's name. So any tool can check a day: `manage.py seal --day
2026-03-12 --bytes | sha256sum`. SHA-256 is that of FIPS 180-4.

A fact told late stands in the seal of the day on which it was recorded. Lines hold what is never
rewritten; names, dates learnt, edges, plantings and sums are readings, and the recount has them.

Which entries a day has is settled while nobody writes: all with a number up to the highest that
was recorded by the day's end. So what is put in later under an old number, or under an old moment
by a clock set back, is not taken for sealed; numbers that were never given are no entries missed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import struct
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import Max

from . import clock, gate
from .errors import Refusal
from .kinds import KINDS
from .models import Event, Lot, Movement, Seal

#: What the first day follows.
NOTHING = "0" * 64
#: So many numbers are read at a time.
_MANY = 2000
#: An entry's number and the first eight bytes of the sum of its line.
_MARK = struct.Struct(">Q8s")
_NAMED = 3
_EVENT = (
    *("id", "kind", "began_at", "happened_at", "placed_at", "earliest_at", "latest_at", "day"),
    *("recorded_at", "recorded_by_id", "device", "place_id", "client_id", "told", "already_done"),
    *("corrects_id", "because_of_id"),
)
#: As they are called in a line: a row by what it is.
_SAID = [name if name == "client_id" else name.removesuffix("_id") for name in _EVENT]
_LOT = (
    *("made_by_id", "id", "code", "kind", "unit", "grams_each", "crop_id", "variety_id"),
    *("item_id", "title", "line", "use_by"),
)
_MOVED = (
    *("event_id", "id", "lot_id", "from_place_id", "to_place_id", "quantity", "basis", "day"),
    "despite_hold",
)


@dataclass(frozen=True)
class Line:
    """One entry as it is sealed: its number, its line without the line feed, how much it moved."""

    entry: int
    text: bytes
    movements: int

    @property
    def mark(self) -> bytes:
        return _MARK.pack(self.entry, hashlib.sha256(self.text).digest()[:8])


@dataclass(frozen=True)
class Sum:
    """What a day's entries come to."""

    digest: str
    marks: bytes
    movements: int

    @property
    def events(self) -> int:
        return len(self.marks) // _MARK.size


def head(day: int, previous: str, through: int) -> bytes:
    """The first line of a day's text."""
    return _json({"day": day, "previous": previous, "seal": 1, "through": through})


def lines(after: int, through: int) -> Iterator[Line]:
    """Every entry with a number above `after` and up to `through`, by number."""
    for start in range(after, through, _MANY):
        end = min(start + _MANY, through)
        made = _by_event(Lot, _LOT, "made_by", start, end)
        moved = _by_event(Movement, _MOVED, "event", start, end)
        rows = Event.objects.filter(pk__gt=start, pk__lte=end).order_by("pk")
        for row in rows.values_list(*_EVENT):
            said = dict(zip(_SAID, row, strict=True))
            said["event"] = said.pop("id")
            said["lots"], said["moved"] = made.get(row[0], []), moved.get(row[0], [])
            yield Line(row[0], _json(said), len(said["moved"]))


def _by_event(
    model: Any, names: tuple[str, ...], event: str, after: int, through: int
) -> dict[int, list[tuple]]:
    found: dict[int, list[tuple]] = defaultdict(list)
    window = {f"{event}__gt": after, f"{event}__lte": through}
    rows = model.objects.filter(**window).order_by(event, "pk")
    for of, *row in rows.values_list(*names):
        found[of].append(tuple(row))
    return found


def _json(value: Any) -> bytes:
    text = json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_moment
    )
    return text.encode()


def _moment(value: Any) -> str:
    if isinstance(value, dt.datetime):
        return f"{value.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%S.%fZ}"
    return str(value.isoformat())


def add_up(
    day: int, previous: str, after: int, through: int, read: Iterable[Line] | None = None
) -> Sum:
    """Read a day's entries and add them up, whatever their number: a line at a time. read: those
    lines, where somebody reads several days at one go."""
    digest = hashlib.sha256(head(day, previous, through) + b"\n")
    marks, movements = bytearray(), 0
    for line in lines(after, through) if read is None else read:
        digest.update(line.text + b"\n")
        marks += line.mark
        movements += line.movements
    return Sum(digest.hexdigest(), bytes(marks), movements)


# --- sealing --------------------------------------------------------------------------------------


def seal(progress: Callable[[Seal], object] = lambda made: None) -> list[Seal]:
    """Seal every day that is over and is not sealed yet, the oldest first: the seals made. Only
    the question of which entries there are, and each new row, hold anybody up."""
    with gate.through(gate.ALONE):
        # whoever writes after this has a later number and a later moment
        horizon = Event.objects.aggregate(last=Max("pk"))["last"] or 0
        last = Seal.objects.order_by("-day").defer("marks").first()
        today = clock.local(clock.now()).date()
    made = []
    for day, through in _days(last, horizon, today):
        after, previous = (last.through, last.digest) if last else (0, NOTHING)
        found = add_up(clock.day_number(day), previous, after, through)
        with gate.through(gate.ALONE):
            if Seal.objects.order_by("-day").defer("marks").first() != last:
                break  # somebody else is sealing the same days
            last = Seal.objects.create(
                day=clock.day_number(day),
                through=through,
                events=found.events,
                movements=found.movements,
                digest=found.digest,
                marks=found.marks,
                sealed_at=clock.now(),
            )
        made.append(last)
        progress(last)
    return made


def _days(last: Seal | None, horizon: int, today: dt.date) -> Iterator[tuple[dt.date, int]]:
    """Each day to be sealed, and the number of its last entry."""
    tops: dict[dt.date, int] = {}
    tz = clock.zone()
    through = last.through if last else 0
    rows = Event.objects.filter(pk__gt=through, pk__lte=horizon).order_by("pk")
    for pk, moment in rows.values_list("pk", "recorded_at").iterator(chunk_size=_MANY):
        tops[clock.local(moment, tz).date()] = pk
    if last:
        day = clock.number_day(last.day) + dt.timedelta(days=1)
    elif tops:
        day = min(tops)
    else:
        return
    waiting = sorted(tops.items(), reverse=True)
    while day < today:
        while waiting and waiting[-1][0] <= day:
            through = max(through, waiting.pop()[1])
        yield day, through
        day += dt.timedelta(days=1)


# --- looking again --------------------------------------------------------------------------------


def seals() -> Iterator[str]:
    """What is no longer as it was sealed, the first day first; before it what no seal can hold."""
    for pk in Event.objects.filter(pk__lte=0).order_by("pk").values_list("pk", flat=True):
        yield f"Entry {pk} ({_kind(pk)}) is in no seal: no entry is ever given that number."
    before = None
    last = Seal.objects.order_by("-day").defer("marks").first()
    read = _Reader(lines(0, last.through if last else 0))
    for made in Seal.objects.order_by("day").iterator(chunk_size=50):
        if before and clock.number_day(made.day) - clock.number_day(before.day) != _DAY:
            yield f"The seal of the day after {_said(before)} is gone."
        yield from unlike(made, before, read.until(made.through))
        before = made


class _Reader:
    """Lines of many days read at one go, given day by day."""

    def __init__(self, every: Iterator[Line]) -> None:
        self.every = every
        self.next = next(every, None)

    def until(self, through: int) -> Iterator[Line]:
        while self.next is not None and self.next.entry <= through:
            yield self.next
            self.next = next(self.every, None)


_DAY = dt.timedelta(days=1)


def before(made: Seal) -> Seal | None:
    """The seal that this one follows."""
    return Seal.objects.filter(day__lt=made.day).order_by("-day").defer("marks").first()


def unlike(made: Seal, before: Seal | None, read: Iterable[Line] | None = None) -> Iterator[str]:
    """How the books of one day differ from its seal; nothing where they do not."""
    after, previous = (before.through, before.digest) if before else (0, NOTHING)
    found = add_up(made.day, previous, after, made.through, read)
    marks = bytes(made.marks)
    if found == Sum(made.digest, marks, made.movements) and found.events == made.events:
        return
    day = _said(made)
    wrong = list(_entries(marks, found.marks)) if found.digest != made.digest else []
    for says in wrong[:_NAMED]:
        yield f"{day} is not as it was sealed: {says}."
    if len(wrong) > _NAMED:
        yield f"{day} is not as it was sealed: {len(wrong)} entries differ; {_NAMED} are named."
    if not wrong:
        yield (
            f"The seal of {day} does not follow from its entries and from the seal before it: one "
            "of the two seals was changed."
        )


def _entries(sealed: bytes, found: bytes) -> Iterator[str]:
    was, now = dict(_MARK.iter_unpack(sealed)), dict(_MARK.iter_unpack(found))
    for pk in sorted(was.keys() | now.keys()):
        if pk not in now:
            yield f"entry {pk} is gone"
        elif pk not in was:
            yield f"entry {pk} ({_kind(pk)}) was put in since"
        elif was[pk] != now[pk]:
            yield f"entry {pk} ({_kind(pk)}) was changed, or what it made or moved"


def _kind(pk: int) -> str:
    kind = Event.objects.values_list("kind", flat=True).get(pk=pk)
    return KINDS[kind].says if kind in KINDS else kind


def _said(made: Seal) -> str:
    return f"{clock.number_day(made.day):%a %d %b %Y}"


def waiting() -> int:
    """How many days that are over are not sealed yet."""
    last = Seal.objects.order_by("-day").defer("marks").first()
    today = clock.local(clock.now()).date()
    if last:
        return max(0, (today - clock.number_day(last.day)).days - 1)
    first = Event.objects.order_by("pk").values_list("recorded_at", flat=True).first()
    return max(0, (today - clock.local(first).date()).days) if first else 0


def sealed(day: dt.date) -> Seal:
    """The seal of a day. Raises Refusal where it has none."""
    found = Seal.objects.filter(day=clock.day_number(day)).first()
    if found is None:
        last = Seal.objects.order_by("-day").defer("marks").first()
        until = f"Days are sealed up to {_said(last)}" if last else "No day is sealed"
        raise Refusal(
            "not_sealed",
            f"{day:%a %d %b %Y} has no seal. {until}; manage.py seal, run each night, seals all "
            "that are over.",
        )
    return found


def same_as_printed(made: Seal, printed: str) -> bool:
    """Whether a printed seal, however it is spaced, or its first eight signs or more, is this one.
    Raises Refusal for a text that can be no seal."""
    text = "".join(printed.split()).lower()
    if not (8 <= len(text) <= 64 and set(text) <= set("0123456789abcdef")):
        raise Refusal(
            "no_seal",
            f"“{printed.strip()[:70]}” is no seal: 64 figures and letters from a to f, or the "
            "first eight of them or more.",
        )
    return made.digest.startswith(text)


__all__ = [
    "NOTHING",
    "Line",
    "Sum",
    "add_up",
    "before",
    "head",
    "lines",
    "same_as_printed",
    "seal",
    "sealed",
    "seals",
    "unlike",
    "waiting",
]
