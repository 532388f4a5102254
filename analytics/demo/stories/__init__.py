"""What goes wrong, or is out of the common, once in the year; each can be found by its code.

A story's entries carry the client id "story:KEY:number", so that the ledger itself remembers
them. Each waits for its time of the year and for the thing that it needs, and happens once.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

from grow import clock
from grow.models import Event, Lot, LotKind

from ..year import Year

Act = Callable[[Year, str], bool]


@dataclass(frozen=True)
class Story:
    """`since` is the share of the year after which it may happen; `months` bind it to a season."""

    key: str
    title: str
    phase: str
    since: float
    act: Act
    months: tuple[int, ...] = ()


@dataclass(frozen=True)
class Told:
    """A story that was played: its day, the code or place to look at, its title."""

    key: str
    day: dt.date
    code: str
    title: str


STORIES: list[Story] = []


def story(title: str, phase: str, since: float = 0.0, months: tuple[int, ...] = ()):
    def register(act: Act) -> Act:
        STORIES.append(Story(act.__name__.replace("_", "-"), title, phase, since, act, months))
        return act

    return register


def tell(year: Year, phase: str) -> None:
    for row in STORIES:
        if (
            row.phase == phase
            and row.key not in year.told
            and year.share >= row.since
            and (not row.months or year.day.month in row.months)
            and row.act(year, row.key)
        ):
            year.told.add(row.key)


# --- found again ----------------------------------------------------------------------------


def told() -> list[Told]:
    """The stories that the ledger holds, by day: each with the code or the place to look at."""
    titles = {row.key: row.title for row in STORIES}
    found: dict[str, Told] = {}
    events = Event.objects.filter(client_id__startswith="story:").order_by("id")
    for event in events.select_related("place").prefetch_related("made"):
        key = str(event.client_id).split(":")[1]
        if key in titles and key not in found:
            found[key] = Told(key, clock.number_day(event.day), _code(event), titles[key])
    return sorted(found.values(), key=lambda t: (t.day, t.key))


def _code(event: Event) -> str:
    made = list(event.made.all())
    if made:
        return made[-1].code
    moved = event.movements.select_related("lot").order_by("id").first()
    if moved:
        return moved.lot.code
    if event.kind == "countersign":
        return Lot.objects.filter(made_by__to_countersign__signed_by=event).order_by("id")[0].code
    if event.kind == "hold":
        return Lot.objects.filter(holds__began_by=event).order_by("id")[0].code
    if event.kind == "open_recall":
        return Lot.objects.filter(recalls__recall__event=event).order_by("id")[0].code
    if event.kind == "complain":
        product = event.complaint.product
        return product.code if product else event.complaint.number
    if event.kind == "sell":
        return event.unnamed.order_by("id")[0].line
    return event.place.name if event.place else "Greenhouse"


def code_to_trace() -> str:
    """A run of salad bags with everything before and behind it."""
    runs = Lot.objects.filter(kind=LotKind.PACK, movements__to_place__kind="sold")
    run = runs.filter(line="SALAD-120").order_by("-id").first() or Lot.objects.order_by("-id")[0]
    return run.code


from . import growing, selling  # noqa: E402, F401  (they register themselves, in this order)
