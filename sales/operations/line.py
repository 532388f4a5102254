"""Before the first run, and between two that must not meet: the line is looked over."""

from __future__ import annotations

from typing import Annotated

from grow.fitting import Keeping, Longest
from grow.ledger import Entry, operation
from grow.operations.watch import ask_what_was_done

LOOKED_AT = {
    "clear": "the line is clear",
    "clean": "it is clean",
    "knives": "all knives are there",
    "scale": "the scale was checked",
    "labels": "the last labels are gone",
}


@operation(says="looked over", slot=10.5, place="line")
def look_over(
    entry: Entry,
    *,
    line: Keeping,
    clear: bool = True,
    clean: bool = True,
    knives: bool = True,
    scale: bool = True,
    labels: bool = True,
    done: Annotated[str, Longest(200)] = "",
) -> None:
    """A packing line before a run: clear of the last product, clean, knives counted, scale
    checked, the last labels removed. What is not so asks what was done about it. It is a look,
    not a clean: a recall is bounded by a clean alone."""
    ask_what_was_done(entry, all((clear, clean, knives, scale, labels)), done)
