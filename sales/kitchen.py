"""What a kitchen has, what of it to use first, what is on the way, and what stands ready to cut."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field

from django.db.models import F, Max, Min

from grow import clock, scope
from grow.models import CropCard, Hold, Holding, LotKind, Person, PlaceKind, Planting
from grow.offers import age_of
from grow.wording import amount

from .models import NoteLine, Outlet

#: Leaf without a date is asked about after so many days, and at its best up to so many after the
#: cut; common practice, no source.
OLD_DAYS, BEST_DAYS = 4, 1
#: What is cut within so many days is told beforehand.
AHEAD_DAYS = 7


@dataclass(frozen=True)
class Here:
    """A lot that stands in the kitchen. use_by: its date as it stands. state: held, use up, best
    or good. old: past its life, so that somebody asks whether it is finished."""

    lot: int
    code: str
    title: str
    amount: str
    age: str
    use_by: dt.date | None
    state: str
    why: str
    old: bool


@dataclass(frozen=True)
class Coming:
    """So much of something on the way, by its note."""

    title: str
    amount: str
    note: str


@dataclass(frozen=True)
class Ready:
    """Plants of a crop that can be cut: now, or from a day on, by the crop cards."""

    crop: str
    plants: int
    since: dt.date


@dataclass
class Kitchen:
    outlet: Outlet
    here: list[Here] = field(default_factory=list)
    coming: list[Coming] = field(default_factory=list)
    ready: list[Ready] = field(default_factory=list)

    @property
    def old(self) -> list[Here]:
        return [one for one in self.here if one.old]

    def of(self, state: str) -> list[Here]:
        return [one for one in self.here if one.state == state]


def kitchens(person: Person) -> list[Outlet]:
    """The kitchens that this person may see."""
    return list(scope.seen(Outlet.objects.filter(place__kind=PlaceKind.KITCHEN), person))


def kitchen(outlet: Outlet) -> Kitchen:
    """As it stands now. Five queries, however much there is."""
    return Kitchen(outlet, _here(outlet), _coming(outlet), _ready())


def _here(outlet: Outlet) -> list[Here]:
    today = clock.local(clock.now()).date()
    rows = list(
        Holding.objects.filter(place=outlet.place, quantity__gt=0)
        .exclude(lot__kind=LotKind.INPUT)
        .select_related("lot__made_by", "lot__crop")
        .annotate(dated=Min("lot__descriptions__best_before"))
    )
    held = dict(
        Hold.objects.filter(ended_by=None, lot__in=[h.lot_id for h in rows]).values_list(
            "lot_id", "reason"
        )
    )
    found = []
    for h in rows:
        lot = h.lot
        date = min(filter(None, (lot.use_by, h.dated)), default=None)
        days = (today - clock.number_day(lot.made_by.day)).days
        old = date < today if date else days > OLD_DAYS
        if lot.pk in held:
            state, why = "held", held[lot.pk]
        elif old or (date and (date - today).days <= 1):
            state, why = "use up", ""
        else:
            state, why = ("best", "") if days <= BEST_DAYS else ("good", "")
        one = Here(
            lot.pk,
            lot.code,
            str(lot.crop or lot.title or lot.get_kind_display()),
            amount(h.quantity, lot.unit, kind=lot.kind),
            age_of(lot),
            date,
            state,
            why,
            old and state != "held",
        )
        found.append(((date or dt.date.max, lot.made_by.placed_at, lot.pk), one))
    return [one for _, one in sorted(found, key=lambda pair: pair[0])]


def _coming(outlet: Outlet) -> list[Coming]:
    lines = NoteLine.objects.filter(note__outlet=outlet, to_follow__gt=0)
    return [
        Coming(
            str(line.lot.crop or line.lot.title),
            amount(line.to_follow, line.lot.unit, kind=line.lot.kind),
            line.note.number,
        )
        for line in lines.select_related("lot__crop", "note").order_by("note_id", "lot_id")
    ]


def _ready() -> list[Ready]:
    """By the cards' days from planting to the first cut and between cuts; a variety without a card
    promises nothing."""
    today = clock.local(clock.now()).date()
    cards = {card.variety_id: card for card in CropCard.objects.all()}
    rows = (
        Planting.objects.filter(ended_by=None, blocked_by=None, batch__variety__in=cards)
        .values("pk", "batch__variety", "began_at", crop=F("batch__crop__name"))
        .annotate(cut=Max("cuts__lot__made_by__happened_at"))
    )
    due: dict[str, list[dt.date]] = defaultdict(list)
    for row in rows:
        card = cards[row["batch__variety"]]
        days = card.days_between_cuts if row["cut"] else card.days_to_first_cut
        if days is not None:
            since = clock.local(row["cut"] or row["began_at"]).date() + dt.timedelta(days=days)
            if since <= today + dt.timedelta(days=AHEAD_DAYS):
                due[row["crop"]].append(max(since, today))
    return sorted(
        (Ready(crop, len(days), min(days)) for crop, days in due.items()),
        key=lambda one: (one.since, one.crop),
    )
