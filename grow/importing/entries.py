"""Rows made into entries, and the order in which entries are played.

Rows with the same `key` are one entry; each other row is one. Entries are played by their moment,
then by their kind's hour, then by file and line; but whatever makes a thing that another names is
played before it, so that what is wrongly dated is refused in the operation's own words.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import heapq
import json
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from django.db import models

from .. import clock
from ..asks import READ, Ask
from ..errors import Refusal
from ..models import Lot, Place, PlantSite
from .sheets import Row, Sheet
from .tables import CALLED, ENTRY, KEY, Column, Table, own_text, table, table_in

Name = tuple[type[models.Model], str]
#: Columns whose name begins so are for the people who keep the file.
_ASIDE = "#"


@dataclass
class Fault:
    """What is wrong with a file itself: it cannot be corrected by correcting a row."""

    file: str
    line: int
    sentence: str


@dataclass(eq=False)
class Entry:
    """One entry, or one row of a set-up list. position: (sheet, first line) in the import."""

    table: Table
    rows: list[Row]
    position: tuple[int, int]
    client_id: str = ""
    moment: dt.datetime | None = None
    makes: set[Name] = field(default_factory=set)
    names: set[Name] = field(default_factory=set)

    @property
    def file(self) -> str:
        return self.rows[0].file

    @property
    def line(self) -> int:
        return self.rows[0].line

    def cell(self, column: str) -> str:
        """The first that is told in any of its rows."""
        return next((row.cells[column] for row in self.rows if column in row.cells), "")

    def cells(self) -> Iterator[tuple[Row, str, Column | None, str]]:
        """(row, column, what it is, text) of every cell that is told to the operation."""
        for row in self.rows:
            for name, text in row.cells.items():
                column = self.table.column(name)
                aside = name in (KEY, ENTRY) or name.startswith(_ASIDE)
                called = name == CALLED and column is None and not self.table.set_up
                if not aside and not called:
                    yield row, name, column, text

    def data(self, numbered: Callable[[Column, str], str] | None = None) -> dict[str, Any]:
        """What the operation is told; numbered puts codes in the place of names. Raises Refusal if
        the rows of one entry do not agree."""
        told: dict[str, Any] = {}
        of: dict[str, Row] = {}
        parts: dict[tuple[str, int], dict[str, str]] = defaultdict(dict)
        for row, name, column, cell in self.cells():
            text = numbered(column, cell) if column and numbered else cell
            if column is not None and column.within is not None:
                parts[column.within.name, id(row)][name] = text
            elif told.setdefault(name, text) != text:
                raise Refusal(
                    "rows_differ",
                    f"Lines {of[name].line} and {row.line} are one entry, but {name} is "
                    f"“{told[name]}” in one and “{text}” in the other.",
                )
            else:
                of.setdefault(name, row)
        for (within, _), record in parts.items():
            told.setdefault(within, []).append(record)
        return told

    @property
    def called(self) -> list[str]:
        """The names of one's own in its rows, each once, in their order."""
        if self.table.set_up or self.table.column(CALLED):
            return []
        return list(dict.fromkeys(row.cells[CALLED] for row in self.rows if CALLED in row.cells))

    @property
    def order(self) -> tuple[int, float, float, tuple[int, int]]:
        kind = self.table.kind
        if kind is None:
            return 0, 0, 0, self.position
        stage = 1 if self.moment else 2  # corrections without a day come after all
        return stage, self.moment.timestamp() if self.moment else 0, kind.slot, self.position


# --- out of sheets --------------------------------------------------------------------------


def entries_of(sheets: Sequence[Sheet], token: str = "") -> tuple[list[Entry], list[Fault]]:
    """The entries in the sheets' order, and what is wrong with the sheets. token: where each row
    is an act of its own whatever it says (a sheet typed up on the page); without it a row's id
    is made of what it says, so the same file told again is the same acts."""
    entries: list[Entry] = []
    faults: list[Fault] = []
    for number, sheet in enumerate(sheets):
        own = table_in(sheet.name)
        if own is None and ENTRY not in sheet.columns:
            if sheet.rows:
                faults.append(Fault(sheet.file, sheet.line, _no_table(sheet)))
            continue
        if own is not None and ENTRY not in sheet.columns:
            faults += _unknown_columns(sheet, own)
        entries += _of_sheet(sheet, number, own, faults)
    _identify(entries, token)
    for entry in entries:
        _read_names(entry)
        _date(entry)
    return entries, faults


def _no_table(sheet: Sheet) -> str:
    return (
        f"Nothing is called “{sheet.name}”: name the file or sheet after what is in it "
        f"(sow, harvest, pack, places …), or say it in a column “{ENTRY}”."
    )


def _unknown_columns(sheet: Sheet, own: Table) -> list[Fault]:
    known = {*own.names, KEY, CALLED, ENTRY}
    return [
        Fault(
            sheet.file,
            sheet.line,
            f"“{name}” is no column of {own.name}; it has {', '.join(own.names)}.",
        )
        for name in sheet.columns
        if name and name not in known and not name.startswith(_ASIDE)
    ]


def _of_sheet(sheet: Sheet, number: int, own: Table | None, faults: list[Fault]) -> list[Entry]:
    unknown = {fault.sentence.split("”")[0][1:] for fault in faults if fault.file == sheet.file}
    by_key: dict[tuple[str, str], Entry] = {}
    found: list[Entry] = []
    for row in sheet.rows:
        told = row.cells.get(ENTRY, "")
        of = table(told) if told else own
        if of is None:
            says = f"There is no kind of entry called “{told}”." if told else "Say entry."
            faults.append(Fault(row.file, row.line, says))
            continue
        if unknown:  # said once, at the head
            row = replace(row, cells={c: t for c, t in row.cells.items() if c not in unknown})
        key = row.cells.get(of.set_up.one if of.set_up and of.set_up.one else KEY, "")
        if key and (of.name, key) in by_key:
            by_key[of.name, key].rows.append(row)
            continue
        entry = Entry(of, [row], (number, row.line))
        if key:
            by_key[of.name, key] = entry
        found.append(entry)
    return found


def _identify(entries: Iterable[Entry], token: str) -> None:
    """Equal rows of one import are as many acts: each is the first, second … of its like."""
    like: Counter[str] = Counter()
    for entry in entries:
        if token:
            entry.client_id = f"{token}-{entry.line}"
            continue
        told = [
            {
                name: text
                for name, text in row.cells.items()
                if name != ENTRY and not name.startswith(_ASIDE)
            }
            for row in entry.rows
        ]
        text = json.dumps([entry.table.name, told], ensure_ascii=False, sort_keys=True)
        like[text] += 1
        digest = hashlib.sha256(f"{like[text]}:{text}".encode()).hexdigest()
        entry.client_id = f"row-{digest[:40]}"


def pieces(ask: Ask, text: str) -> list[str]:
    """The values in one cell: several where the argument is a list, as the reader splits them."""
    if not ask.many or ask.what == "group":
        return [text]
    for mark in ";\n":
        text = text.replace(mark, ",")
    return [part.strip() for part in text.split(",") if part.strip()]


def _read_names(entry: Entry) -> None:
    for _, _, column, text in entry.cells():
        if column is None or column.ask.model is None:
            continue
        model = column.ask.model
        for piece in pieces(column.ask, text):
            if model is PlantSite:
                entry.names.add((Place, own_text(Place, piece.rpartition(" ")[0])))
            else:
                entry.names.add((model, own_text(model, piece)))
    if entry.table.set_up:
        for row in entry.rows:
            made = entry.table.set_up.named(row.cells)
            entry.makes |= {(model, own_text(model, name)) for model, name in made}
    else:
        model = entry.table.makes or Lot
        entry.makes = {(model, own_text(model, name)) for name in entry.called}


def _date(entry: Entry) -> None:
    """When it will stand in the books; left open where that cannot be read."""
    kind = entry.table.kind
    if kind is None:
        return
    on, at, closing = (entry.cell(name) for name in ("on", "at", "closing"))
    try:
        if at:
            entry.moment = READ["moment"](Ask("at", "moment"), at, False)
        elif on:
            minutes = round(kind.slot * 60)
            time = dt.time(minutes // 60, minutes % 60)
            entry.moment = clock.at_local(READ["day"](Ask("on", "day"), on, False), time)
        if entry.moment and closing and READ["yes"](Ask("closing", "yes"), closing, False):
            entry.moment = clock.end_of(clock.local(entry.moment).date())
    except Refusal:
        pass


# --- in order -------------------------------------------------------------------------------


def in_order(entries: Sequence[Entry]) -> Iterator[Entry]:
    """By time, and each after whatever makes a thing that it names."""
    makers: dict[Name, Entry] = {}
    for entry in sorted(entries, key=lambda e: e.order):
        for name in entry.makes:
            makers.setdefault(name, entry)
    waits: dict[Entry, set[Entry]] = {}
    frees: dict[Entry, list[Entry]] = defaultdict(list)
    for entry in entries:
        before = {makers[name] for name in entry.names if name in makers} - {entry}
        waits[entry] = before
        for maker in before:
            frees[maker].append(entry)
    ready = [(entry.order, entry) for entry in entries if not waits[entry]]
    heapq.heapify(ready)
    played: set[Entry] = set()
    while ready:
        _, entry = heapq.heappop(ready)
        played.add(entry)
        yield entry
        for later in frees[entry]:
            waits[later].discard(entry)
            if not waits[later]:
                heapq.heappush(ready, (later.order, later))
    # what names itself in a ring cannot be put in order: it is played, and refused
    yield from sorted((e for e in entries if e not in played), key=lambda e: e.order)
