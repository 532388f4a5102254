"""A paper sheet typed up: lines of one kind of entry, its main columns, one day for all.

A cell that holds only a ditto mark (") means what stands above it, as it does on paper. A line
that is empty is none. Bad lines come back marked, with everything as it was typed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..errors import Refusal
from ..forms import kilograms
from ..models import Person
from ..offers import Asked, offers
from ..roles import may
from ..wording import Words, act, words
from .playing import Outcome, play
from .sheets import Row, Sheet
from .tables import CALLED, KEY, Column, Table

LINES = 12
TIME = "time"
_DITTO = {'"', "”", "″", "''", "〃"}
#: What is kept on paper sheets, and the columns that such a sheet has; the apps above add theirs.
#: A kind with small records has `key` as its last: lines with the same are one entry.
KINDS_ON_PAPER: dict[str, tuple[str, ...]] = {
    "harvest": ("crop", "batches", "towers", "store", "gross_g", "tare_g", CALLED, "done_by"),
    "sow": ("variety", "place", "cells", "seed", CALLED, "done_by"),
    "check_germination": ("batch", "place", "not_up"),
    "transplant": ("batch", "from_place", "towers", "plants", "done_by"),
    "lose_plants": ("batch", "place", "plants", "reason"),
    "clear": ("batch", "places", "left", "why"),
    "discard": ("lot", "from_place", "quantity", "to", "reason"),
    "count": ("place", "lot", "quantity", KEY),
    "check": ("kind", "things", "reading", "passed", "done"),
    "clean": ("place", "things", "how"),
    "receive_input": ("item", "supplier", "place", "supplier_lot", "quantity", CALLED),
    "opening_entry": ("kind", "crop", "place", "towers", "quantity", CALLED),
    "top_up": ("tank", "litres", "inputs"),
    "treat": ("item", "places", "reason", "dose", "done_by"),
}
_HEADS = {TIME: "Time", KEY: "Same entry", CALLED: "Own name"}


@dataclass(frozen=True)
class Cell:
    """name: of its field; column: as it is headed; way: how it is typed."""

    name: str
    column: str
    label: str
    value: str
    wrong: bool = False
    way: str = "text"
    list_id: str = ""
    choices: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Line:
    number: int
    cells: list[Cell]
    says: str = ""


class Grid:
    """One sheet as it was typed. typed: field → text; `token` makes its lines acts of their own,
    so that the same sheet sent twice is recorded once."""

    def __init__(self, table: Table, person: Person, typed: Mapping[str, str]) -> None:
        assert table.kind is not None
        self.table, self.kind, self.person, self.typed = table, table.kind, person, typed
        self.token = (typed.get("token") or "")[:40]
        self.day = typed.get("day", "").strip()
        names = may(person, "describe")  # else the sheet would be refused for what it asks
        self.columns = (TIME, *(c for c in KINDS_ON_PAPER[table.name] if names or c != CALLED))
        self.outcome: Outcome | None = None
        told = typed.get("lines", "")
        self.number = min(int(told), 60) if told.isdecimal() and int(told) else LINES

    @property
    def title(self) -> str:
        return f"{act(self.table.name).title}: a sheet to type up"

    @property
    def wrong(self) -> bool:
        return self.outcome is not None and not self.outcome.recorded

    @property
    def day_wrong(self) -> bool:
        bads = self.outcome.bads if self.outcome else []
        return any(slip.column == "on" for bad in bads for slip in bad.slips)

    @property
    def bad(self) -> int:
        return len(self.outcome.bads) + len(self.outcome.faults) if self.outcome else 0

    def record(self, device: str = "") -> Outcome:
        """Record all lines or none. Raises Refusal if there is nothing on it, or it is Busy."""
        sheet = Sheet("this sheet", self.table.name, list(self.table.names))
        sheet.rows = [row for n in range(1, self.number + 1) if (row := self._row(n))]
        if not sheet.rows:
            raise Refusal("empty_sheet", "There is nothing on the sheet yet.")
        if not self.token:
            raise Refusal("client_id", "This sheet came without an id of its own; open it again.")
        self.outcome = play([sheet], self.person, record=True, token=self.token, device=device)
        return self.outcome

    def _row(self, number: int) -> Row | None:
        cells = {column: self._value(column, number) for column in self.columns}
        cells = {column: text for column, text in cells.items() if text}
        if not cells.keys() - {TIME}:
            return None
        time = cells.pop(TIME, "")
        when = {"at": f"{self.day} {time}"} if time else {"on": self.day}
        return Row("this sheet", number, {**cells, **{k: v for k, v in when.items() if v.strip()}})

    def _value(self, column: str, number: int) -> str:
        """What a cell means: a ditto mark, the cell above."""
        while number:
            text = self.typed.get(f"{column}-{number}", "").strip()
            if text not in _DITTO:
                return kilograms(text) if self._weighed(column) else text
            number -= 1
        return ""

    # as it is shown

    @property
    def heads(self) -> list[str]:
        return [self._label(column) for column in self.columns]

    @property
    def lines(self) -> list[Line]:
        says: dict[int, str] = {}
        wrong: set[tuple[int, str]] = set()
        for bad in self.outcome.bads if self.outcome else ():
            lines = {slip.row.line for slip in bad.slips} or {bad.line}
            wrong |= {(slip.row.line, _shown_as(slip.column)) for slip in bad.slips}
            because = ", ".join(f"because of line {b.line}" for b in bad.because)
            for line in lines:
                says[line] = f"{bad.sentence} ({because})" if because else bad.sentence
        return [
            Line(n, [self._cell(c, n, (n, c) in wrong) for c in self.columns], says.get(n, ""))
            for n in range(1, self.number + 1)
        ]

    def _words(self, column: str) -> Words:
        found = self.table.column(column)
        within = f"{found.within.name}." if found and found.within else ""
        return words(self.table.name, f"{within}{column}")

    def _label(self, column: str) -> str:
        if column in _HEADS:
            return _HEADS[column]
        label = self._words(column).label
        return f"{label}, kg" if self._weighed(column) else label

    def _weighed(self, column: str) -> bool:
        found = self.table.column(column)
        return found is not None and found.ask.unit == "g"

    def _cell(self, column: str, number: int, wrong: bool) -> Cell:
        found = self.table.column(column)
        name = f"{column}-{number}"
        value = self.typed.get(name, "")
        way, list_id, choices = "text", "", self._choices(column, found)
        if choices:
            way = "choice"
        elif found and (found.ask.model or self._words(column).choices):
            list_id = f"list-{column}"
        elif column == TIME or (found and found.ask.what in ("whole", "decimal")):
            way = "number"
        return Cell(name, column, self._label(column), value, wrong, way, list_id, choices)

    def _choices(self, column: str, found: Column | None) -> tuple[tuple[str, str], ...]:
        if found is None or found.ask.model:
            return ()
        if found.ask.what == "yes":
            return (("yes", "Yes"), ("no", "No"))
        told = self._words(column)
        return () if told.free else told.choices

    @property
    def lists(self) -> list[tuple[str, list[tuple[str, str]]]]:
        """(id, [(what is typed, what it is)]) for each column that may be chosen from a list."""
        found = []
        for name in self.columns:
            column, told = self.table.column(name), self._words(name)
            if column and column.ask.model:
                rows = offers(Asked(self.table.name, column.ask, self.person, {}))
                listed = {o.value: f"{o.label} {o.note}".strip() for o in rows}
                found.append((f"list-{name}", list(listed.items())))
            elif column and told.free and told.choices:
                found.append((f"list-{name}", [(value, says) for value, says in told.choices]))
        return found


def _shown_as(column: str) -> str:
    return TIME if column == "at" else column
