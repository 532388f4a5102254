"""The evidence pack: all that the books say of some lots, as one ZIP that an inspector can read
without the tool, with the SHA-256 sum of each of its files.

In it: what happened as CSV and XLSX, a row for each thing done with a lot (`events`); its lots, the
checks and cleans around them, who was signed off (`around`); the same as a paper (`paper`),
with how a recall ran (`recalled`); the books' own recount and the state of their seal; a manifest
and its sums (`packed`). The same books
asked at the same moment by the same person give the same bytes.

It holds no money. It names who recorded and did things, and customers with their contacts: it is
for whoever answers for the records of the whole farm.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from grow import clock
from grow.errors import Refusal
from grow.faults import CHECKS, faults
from grow.models import Business, Person, Seal
from grow.seal import waiting
from grow.sums import one_moment
from sales import recalls, roots
from sales.models import Recall
from sales.trace import Trace, ids_above, ids_below, trace

from . import around, events
from .events import Row

#: So many lots, with all above and below, are put into one pack.
MOST_LOTS = 2000
#: So many signs stand in a cell of a workbook; openpyxl leaves out the rest without a word.
LONGEST_CELL = 32_767
_CUT = " … and more than a cell holds"


@dataclass(frozen=True)
class Ledger:
    """The books looked at anew: what `manage.py verify` says, and how far they are sealed."""

    faults: list[str]
    checks: int
    sealed: dt.date | None
    digest: str
    sealed_at: dt.datetime | None
    waiting: int

    def says(self) -> list[str]:
        found = [f"No fault found by {self.checks} checks of the books."]
        if self.faults:
            found = [f"Faults found by {self.checks} checks of the books: {len(self.faults)}."]
            found += self.faults
        if self.sealed and self.sealed_at:
            found.append(
                f"Each day up to {self.sealed:%d %b %Y} is sealed, and each was compared with its "
                f"seal just now. The last seal was made {clock.said(self.sealed_at)}: {self.digest}"
            )
        else:
            found.append("No day is sealed yet.")
        if self.waiting:
            found.append(f"Days that are over and wait to be sealed: {self.waiting}.")
        return found


@dataclass
class Table:
    """One table of the pack: its name, its columns with what they say, its rows."""

    name: str
    title: str
    columns: list[tuple[str, str, str]]
    rows: list[Row]

    @property
    def names(self) -> list[str]:
        return [name for name, _, _ in self.columns]

    def cells(self) -> list[list[Any]]:
        """Each row as its cells, in the order of the columns; what is not said is empty."""
        return [[_cell(row.get(name)) for name in self.names] for row in self.rows]


@dataclass
class Evidence:
    """All of it, before it is written down."""

    asked: str
    made_at: dt.datetime
    made_by: str
    business: Business
    found: Trace
    ledger: Ledger
    tables: list[Table] = field(default_factory=list)
    recall: recalls.State | None = None

    def table(self, name: str) -> Table:
        return next(table for table in self.tables if table.name == name)


def _cell(value: Any) -> Any:
    """Numbers stay numbers. A sign that no file can hold is shown as one that cannot be read, and
    what is longer than a cell is cut where all can see it."""
    if value is None or isinstance(value, int):
        return value
    text = "".join(c if c >= " " or c in "\t\n\r" else "\N{REPLACEMENT CHARACTER}" for c in value)
    return text if len(text) <= LONGEST_CELL else text[: LONGEST_CELL - len(_CUT)] + _CUT


def look_at_the_books() -> Ledger:
    """Every invariant recounted, and the seal's state."""
    last = Seal.objects.order_by("-day").defer("marks").first()
    return Ledger(
        faults(),
        len(CHECKS),
        clock.number_day(last.day) if last else None,
        last.digest if last else "",
        last.sealed_at if last else None,
        waiting(),
    )


def of_recall(recall: Recall) -> roots.Roots:
    """The lots on a recall's list. Raises Refusal where there are none."""
    state = recalls.state_of(recall)
    lots = [row.lot for row in state.standing]
    if not lots:
        raise Refusal("nothing_on_list", f"Nothing is on the list of {recall} yet.")
    return roots.Roots(lots, f"{recall.noun} {recall.number}")


def gather(person: Person, asked: roots.Roots, recall: Recall | None = None) -> Evidence:
    """All that is known of some lots, of what they came from and of what came of them. Raises
    Refusal where that is more than one pack holds. So many questions, whatever the lots; some more
    for each further 400 entries."""
    asked = roots.find(asked)
    refuse_many(asked)
    ledger = look_at_the_books()
    with one_moment(), clock.one_zone():
        found = trace(asked, alongside=False)
        family = {*found.roots, *found.up, *found.down}
        happened = events.table(found.asked, family)
        acts = {row["entry"] for row in happened if row.get("entry")}
        tables = [
            Table("events", "What happened", list(events.COLUMNS), happened),
            Table("lots", "Lots", _columns(around.LOTS), around.lots(found)),
            Table("checks", "Checks and cleans", _columns(around.CHECKS), around.checks(found)),
            Table("signoffs", "Who was signed off", _columns(around.SIGNED),
                  around.signed(found, acts)),
        ]  # fmt: skip
        return Evidence(
            found.asked,
            found.as_of,
            str(person),
            Business.the(),
            found,
            ledger,
            tables,
            recalls.state_of(recall) if recall else None,
        )


def refuse_many(asked: roots.Roots) -> None:
    """Before anything is worked out of them."""
    ids = {lot.pk for lot in asked.lots}
    family = len(ids | ids_above(ids) | ids_below(ids))
    if family > MOST_LOTS:
        raise Refusal(
            "too_many_lots",
            f"{asked.says} has {family} lots above and below it; {MOST_LOTS} are put into one "
            "pack. Ask for fewer, or by a place and a shorter time.",
        )


def _columns(named: tuple[tuple[str, str], ...]) -> list[tuple[str, str, str]]:
    return [(name, says, "") for name, says in named]


__all__ = ["MOST_LOTS", "Evidence", "Ledger", "Table", "gather", "look_at_the_books", "of_recall"]
