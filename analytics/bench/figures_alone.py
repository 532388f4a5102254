"""Our figures in a process of their own, with what a process of ours loads, to see its memory."""

from __future__ import annotations

import datetime as dt
from typing import Any


def alone(given: dict[str, Any]) -> None:
    import django  # its settings are those of the command that asks

    django.setup()

    from analytics.period import Period

    from . import figures, scratch

    first, last = given["months"][0][3], given["months"][-1][4]
    period = Period(dt.date.fromisoformat(first), dt.date.fromisoformat(last))
    with scratch.turned_to(scratch.wrapper(given["name"])):
        for job in figures.ours(period).values():
            job()
