"""A season kept on paper, told to the books: all of it, or nothing.

    for done, of in (played := Play(sheets, person, record=False)).steps(): …
    played.outcome

Everything is played within one transaction that has the gate alone, each entry in a savepoint,
through `edge.tell` like whatever else is told. A dry run, or a run in which any row is bad, is
taken back as a whole. Entries are told before the act, so that the books may refuse what cannot
have been; a row with already_done=yes is told as a fact.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, field, replace

from django.db import transaction

from .. import clock, edge, finding, gate, queries, scope
from ..asks import Reader, Unread
from ..errors import Busy, NotKnown, Refusal
from ..models import Event, Lot, Person, Place, PlantSite
from ..ready import plan_anew
from .blame import Bad, Slip, judge
from .entries import Entry, Fault, Name, entries_of, in_order, pieces
from .sheets import Sheet
from .tables import CALLED, NUMBERED, Column, own_text

Progress = Callable[[int, int], object]


@dataclass
class Outcome:
    """What came of a play. told, already: entries by table that are new, and that were in the
    books before. recorded: whether it stands."""

    faults: list[Fault] = field(default_factory=list)
    bads: list[Bad] = field(default_factory=list)
    told: Counter[str] = field(default_factory=Counter)
    already: Counter[str] = field(default_factory=Counter)
    rows: int = 0
    recorded: bool = False

    @property
    def mistakes(self) -> list[Bad]:
        return [bad for bad in self.bads if not bad.because]

    @property
    def dependants(self) -> list[Bad]:
        return [bad for bad in self.bads if bad.because]

    @property
    def good(self) -> bool:
        return not (self.faults or self.bads)


#: After so many entries the tables have outgrown what was planned for them.
_GROWN = 250


class _TakeBack(Exception):
    """Rolls the whole play back."""


class Play:
    """One play of several sheets by one person. Raises Busy if the books are in use."""

    def __init__(
        self,
        sheets: Sequence[Sheet],
        person: Person,
        *,
        record: bool,
        token: str = "",
        device: str = "",
    ) -> None:
        self.person = person
        self.device = device
        self.record = record
        self.entries, faults = entries_of(sheets, token)
        rows = sum(len(sheet.rows) for sheet in sheets)
        self.outcome = Outcome(faults, rows=rows)
        self.numbers: dict[Name, str] = {}
        self.before: dict[str, Event] = {}

    def steps(self) -> Generator[tuple[int, int], None, None]:
        """Plays; gives (entries played, of how many) after each. Left before its end, nothing of
        it stands."""
        outcome, of = self.outcome, len(self.entries)
        try:
            with gate.through(gate.ALONE), clock.one_zone(), finding.remembering():
                self._look_back()
                for done, entry in enumerate(in_order(self.entries), start=1):
                    self._play(entry)
                    if done % _GROWN == 0:
                        plan_anew()
                    yield done, of
                plan_anew()
                judge(outcome.bads)
                outcome.bads.sort(key=lambda bad: bad.entry.position)
                if not (self.record and outcome.good):
                    raise _TakeBack
        except _TakeBack:
            return
        outcome.recorded = True

    def _look_back(self) -> None:
        """What was imported before, by whomever: the same row is not told twice."""
        ids = [entry.client_id for entry in self.entries if entry.table.kind]
        for start in range(0, len(ids), 500):
            for event in Event.objects.filter(client_id__in=ids[start : start + 500]):
                self.before[str(event.client_id)] = event

    def _play(self, entry: Entry) -> None:
        try:
            with transaction.atomic():
                fresh = self._set_up(entry) if entry.table.set_up else self._tell(entry)
        except Busy:
            raise
        except Refusal as refusal:
            slips = self._slips(entry) if isinstance(refusal, Unread) else []
            self.outcome.bads.append(Bad(entry, refusal, slips))
        except Exception as error:
            error.add_note(f"{entry.file}, line {entry.line}")
            raise
        else:
            count = self.outcome.told if fresh else self.outcome.already
            count[entry.table.name] += 1

    # one entry

    def _set_up(self, entry: Entry) -> bool:
        set_up = entry.table.set_up
        assert set_up is not None
        set_up.refuse_to(self.person)
        return set_up.add(self._reader.arguments(set_up.asks, entry.data()))

    def _tell(self, entry: Entry) -> bool:
        kind = entry.table.kind
        assert kind is not None
        edge.may_tell(self.person, kind.name)
        before = self.before.get(entry.client_id)
        if before is not None and before.recorded_by_id != self.person.pk:
            self._number(entry, before)
            return False
        if not (kind.dated_as or entry.cell("on") or entry.cell("at")):
            missing = Refusal("missing", "Say on, the day that it happened, or at, its moment.")
            raise Unread({"on": missing})
        event = edge.tell(
            self.person,
            kind.name,
            entry.data(self._numbered),
            client_id=entry.client_id,
            device=self.device,
            listed=True,
        )
        if entry.called:
            self._name(entry, event)
        return before is None

    def _name(self, entry: Entry, event: Event) -> None:
        """Lots keep one's own name for them as another code; what has a number is known by the
        name within this import."""
        model = entry.table.makes
        if model is not Lot:
            if model is None:
                raise Refusal(
                    "nothing_made",
                    f"“{entry.called[0]}” cannot be kept: this entry makes nothing to be called.",
                )
            self._number(entry, event)
            return
        made = event.lots
        names = entry.called
        if len(names) not in (1, len(made)):
            raise Refusal(
                "names_and_lots",
                f"{len(names)} names were given to {len(made)} lots; write one each.",
            )
        names = names * len(made) if len(names) == 1 else names
        for number, (lot, name) in enumerate(zip(made, names, strict=True)):
            called = scope.seen(
                Lot.objects.filter(pk__in=[lot.pk for lot in queries.lots_called(name)]),
                self.person,
            )
            others = [other.code for other in called.order_by("pk") if other not in made]
            if others:
                raise Refusal(
                    "name_taken",
                    f"“{name}” is what {', '.join(others)} is called already; give this one a "
                    "name of its own.",
                    codes=others,
                )
            self.numbers[Lot, own_text(Lot, name)] = lot.code
            when = {key: entry.cell(key) for key in ("on", "at") if entry.cell(key)}
            edge.tell(
                self.person,
                "describe",
                {"lot": lot.code, CALLED: name, **when},
                client_id=f"{entry.client_id}-{number}",
                device=self.device,
                listed=True,
            )

    def _number(self, entry: Entry, event: Event) -> None:
        model = entry.table.makes
        if model in NUMBERED:
            for name in entry.called:
                self.numbers[model, own_text(model, name)] = NUMBERED[model](event)

    def _numbered(self, column: Column, text: str) -> str:
        """A cell with the code or number of what this import has made in place of its name."""
        model = column.ask.model
        if model is not Lot and model not in NUMBERED:
            return text
        texts = pieces(column.ask, text)
        return "; ".join(self.numbers.get((model, own_text(model, one)), one) for one in texts)

    @property
    def _reader(self) -> Reader:
        return Reader(self.person, listed=True)

    # what cannot be read

    def _slips(self, entry: Entry) -> list[Slip]:
        """Each thing in a refused entry's cells that cannot be read, in the order of the rows."""
        found: list[Slip] = []
        for row, name, column, text in entry.cells():
            if column is None:
                says = f"“{name}” is nothing that this entry asks for."
                found.append(Slip(row, name, Refusal("no_such_argument", says)))
                continue
            for piece in pieces(column.ask, text):
                slip = self._slip(column, piece)
                if slip is not None:
                    refusal, unknown = slip
                    found.append(Slip(row, name, refusal, column.ask.model, unknown))
        found += self._missing(entry)
        return found or [Slip(entry.rows[0], "", Refusal("unread", ""))]

    def _missing(self, entry: Entry) -> list[Slip]:
        """What must be told and is not: in the entry, and in each of its small records."""
        found: list[Slip] = []
        for column in entry.table.columns:
            within = column.within
            rows = entry.rows[:1]
            if within is not None:
                parts = {c.name for c in entry.table.columns if c.within == within}
                told = [row for row in entry.rows if parts & row.cells.keys()]
                rows = told or (rows if within.required else [])
                without = [row for row in rows if column.name not in row.cells]
            else:
                without = [] if entry.cell(column.name) else rows
            if column.ask.required:
                says = Refusal("missing", f"Say {column.ask.label}.")
                found += [Slip(row, column.name, says) for row in without]
        return found

    def _slip(self, column: Column, text: str) -> tuple[Refusal, Name | None] | None:
        model = column.ask.model
        try:
            one = replace(column.ask, many=False, required=False)
            self._reader.value(one, self._numbered(column, text))
        except NotKnown as refusal:
            if model is None or refusal.code == "several":
                return refusal, None
            if model is PlantSite:
                return refusal, (Place, own_text(Place, text.rpartition(" ")[0]))
            return refusal, (model, own_text(model, text))
        except Refusal as refusal:
            return refusal, None
        return None


def play(
    sheets: Sequence[Sheet],
    person: Person,
    *,
    record: bool,
    token: str = "",
    device: str = "",
    progress: Progress | None = None,
) -> Outcome:
    """Play to the end. progress is called with (entries played, of how many)."""
    played = Play(sheets, person, record=record, token=token, device=device)
    for done, of in played.steps():
        if progress:
            progress(done, of)
    return played.outcome
