"""What is checked, cleaned, or went wrong. Each records an event and nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from ..errors import Refusal
from ..fitting import Input
from ..ledger import Entry, operation
from ..models import Flag, Place


def ask_what_was_done(entry: Entry, passed: bool, done: str) -> None:
    if not passed and not done:
        entry.refuse_or("what_was_done", "It failed: say what was done about it.")
        entry.flag(Flag.Kind.UNSAID, "It failed, and nobody said what was done about it.")


def _things(entry: Entry, what: str) -> None:
    if not (entry.event.place_id or entry.event.things.exists()):
        raise Refusal("where", f"Say which thing or place was {what}.")


@operation(says="checked", slot=7)
def check(
    entry: Entry,
    *,
    kind: str,
    passed: bool,
    reading: str = "",
    place: Place | None = None,
    done: str = "",
) -> None:
    """One check of a fridge, scale, probe, tank, knives, glass. A failed one makes suspect
    everything since the last good one, so it asks what was done."""
    _things(entry, "checked")
    ask_what_was_done(entry, passed, done)


@operation(says="cleaned", slot=20)
def clean(
    entry: Entry, *, place: Place | None = None, how: str = "", cleaner: Input | None = None
) -> None:
    """A clean of a line, spinner, crates, tower. It bounds a recall; no record is no bound."""
    _things(entry, "cleaned")
    if cleaner:
        entry.event.inputs.add(cleaner)


@operation(says="incident")
def incident(
    entry: Entry, *, kind: str, places: Sequence[Place], place: Place | None = None, done: str = ""
) -> None:
    """Broken glass, a mouse, a stopped pump: where, from when until when, what was done."""
    if not places:
        raise Refusal("where", "Say where it happened.")
