"""What the ledger knows about each kind of event. Filled by `ledger.operation`."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from .models import CANCELLING, Event


@dataclass(frozen=True)
class Kind:
    """What the ledger knows about a kind of event.

    slot: the hour at which an entry that has only a day stands within it.
    gate: shared; or alone when the act holds lots or can renew an edge of a lot already made; or by
    lot, alone when it moves plants.
    touched_by: kinds of item that touch what this act makes, where they are in use.
    fact: always told after the act, so never refused for what the books hold.
    place: the argument that says where it happened.
    dated_as: a correction is dated as the event that it corrects.
    facts: the operation's own arguments, each with its type hint resolved and all its notes.
    """

    name: str
    says: str
    slot: float
    gate: str
    touched_by: tuple[str, ...]
    fact: bool
    place: str
    dated_as: Callable[[Mapping[str, Any]], Event] | None
    can_cancel: bool
    run: Callable[..., Event]
    facts: Mapping[str, inspect.Parameter] = field(compare=False)


KINDS: dict[str, Kind] = {}
#: The books' own: not told by anybody, but following from what was told on one shelf.
SHORTFALL, DIFFERENCE, WORKED_OUT = "shortfall", "count_difference", "worked_out_sale"
OWN = (SHORTFALL, DIFFERENCE, WORKED_OUT)
#: Posted because of a correction, a cancellation or a fact told late, dated as the event that they
#: reach.
ASIDE = ("run_corrected", "found_cleared", "cancel_because")
TAKING_BACK = (*CANCELLING, "cancel_because")

__all__ = [
    "ASIDE",
    "CANCELLING",
    "DIFFERENCE",
    "KINDS",
    "OWN",
    "SHORTFALL",
    "TAKING_BACK",
    "WORKED_OUT",
    "Kind",
]
