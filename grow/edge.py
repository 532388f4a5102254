"""The edge: one door for whatever is told from outside, be it the API, a page or a file.

    tell(person, "harvest", {...}, client_id="…") → Event

It asks whether the person may, reads what was sent, and calls the operation, which does all the
rest. So the same slip is refused in the same words whichever way it came.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from . import roles
from .asks import Reader
from .errors import NotAllowed, NotKnown
from .kinds import KINDS
from .models import Event, Person


def may_tell(person: Person, kind: str) -> None:
    """Raises NotKnown for a kind that is none, NotAllowed where none of the person's roles tells
    such a thing."""
    if kind not in KINDS:
        raise NotKnown("no_such_kind", f"There is no kind of entry called “{kind}”.")
    if not roles.may(person, kind):
        raise NotAllowed(
            "not_your_task",
            f"“{KINDS[kind].says}” is not among the tasks of {person}; the manager says who may.",
        )


def tell(
    person: Person,
    kind: str,
    data: Mapping[str, Any],
    *,
    client_id: str,
    device: str = "",
    exact: bool = False,
    listed: bool = False,
) -> Event:
    """Record what a person tells. data holds names, codes and numbers as they were sent.

    Raises the Refusal family: NotAllowed, NotKnown, Unread, or what the operation says."""
    may_tell(person, kind)
    facts = Reader(person, exact=exact, listed=listed).read(kind, data)
    return KINDS[kind].run(recorded_by=person, client_id=client_id, device=device, **facts)
