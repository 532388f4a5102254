"""What a task page tells the site about itself."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass

from django.http.response import HttpResponseBase

from .models import Person


@dataclass(frozen=True)
class Page:
    """A task page, as the site asks for it."""

    path: str
    name: str
    title: str
    permission: str | None
    view: Callable[..., HttpResponseBase]
    #: Asks for one's own password: a badge or PIN on a shared device does not open it.
    own_password: bool = False
    #: Offered in the menu, if its path takes no argument.
    in_menu: bool = True
    #: Who else than by the permission may open it: "whoever reads figures".
    may: Callable[[Person], bool] | None = None
    #: What was sent too late on a shared device waits for its person; the view asks for it by
    #: `devices.take_kept`.
    keeps: bool = False


@dataclass(frozen=True)
class Way:
    """A way out of a refusal: a button that sends the same form with one more word in it."""

    name: str
    value: str
    label: str


def new_id() -> str:
    """Of one form, so that a second press of it is no second act."""
    return str(uuid.uuid4())
