"""Where everything is, and whom to call: what a recall at night would need, for the night on which
this service cannot be reached. One reading, put on one page; kept off the machine."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field

from grow import clock
from grow.flows import EATEN
from grow.models import ENDS, OUTLETS, SOURCES, Business, Hold, Holding, Movement, Place, PlaceKind
from grow.sums import one_moment
from grow.wording import amount

from .models import Outlet, Recall
from .trace import report

#: What an outlet had in so many days is listed: as long as the longest shelf life of most leaf.
#: Common practice, no source.
DAYS = 14
_STANDING = frozenset(PlaceKind) - SOURCES - ENDS


@dataclass(frozen=True)
class Standing:
    """A lot in a place: what it is, how much of it, its date; of an outlet also how much came."""

    code: str
    title: str
    here: str
    had: str = ""
    date: str = ""
    held: bool = False


@dataclass
class Spot:
    """A place of ours, or an outlet with whom to call; what is there, the latest made first."""

    name: str
    reach: list[str] = field(default_factory=list)
    lots: list[Standing] = field(default_factory=list)


@dataclass
class Tonight:
    as_of: dt.datetime
    business: str
    whom: list[str]
    ours: list[Spot]
    theirs: list[Spot]
    #: recalls that are open, and how many lots are held
    stopped: list[str]

    def texts(self) -> Iterable[str]:
        """Every text on it that people wrote."""
        yield self.business
        yield from self.whom
        yield from self.stopped
        for spot in (*self.ours, *self.theirs):
            yield from (spot.name, *spot.reach)
            for lot in spot.lots:
                yield lot.title


def tonight() -> Tonight:
    """As of now."""
    with one_moment(), clock.one_zone():
        return _tonight(clock.now())


def _tonight(now: dt.datetime) -> Tonight:
    business = Business.the()
    since = clock.day_number(clock.local(now).date()) - DAYS
    stands = Holding.objects.filter(
        quantity__gt=0, place__kind__in=_STANDING, lot__kind__in=EATEN
    ).values_list("lot_id", flat=True)
    lately = set(
        Movement.objects.filter(
            day__gte=since, to_place__kind__in=OUTLETS, lot__kind__in=EATEN
        ).values_list("lot_id", "to_place_id")
    )
    read = report({*stands, *(lot for lot, _ in lately)})
    held = set(
        Hold.objects.filter(ended_by=None, lot__in=read.lots).values_list("lot_id", flat=True)
    )
    places = Place.objects.in_bulk(read.flows.places.keys())
    outlets = {o.place_id: o for o in Outlet.objects.select_related("place")}
    ours: dict[int, Spot] = {}
    theirs: dict[int, Spot] = {}
    for pk, lot in sorted(read.lots.items(), reverse=True):
        date = f"{lot.use_by:%d %b}" if lot.use_by else ""
        for had in read.consignees.get(pk, ()):
            if had.place is None or not (had.here or (pk, had.place) in lately):
                continue
            spot = theirs.setdefault(had.place, Spot(had.outlet, _reach(outlets.get(had.place))))
            here, came = (amount(n, lot.unit, lot.kind) for n in (had.here, had.quantity))
            spot.lots.append(Standing(lot.code, lot.title, here, came, date, pk in held))
        for there in lot.here:
            place = places[there.place.id]
            if there.quantity > 0 and place.kind in _STANDING and place.kind not in OUTLETS:
                much = amount(there.quantity, lot.unit, lot.kind)
                spot = ours.setdefault(place.pk, Spot(place.name))
                spot.lots.append(Standing(lot.code, lot.title, much, "", date, pk in held))
    open_ = Recall.objects.filter(closed_by=None, is_mock=False)
    return Tonight(
        now,
        business.name,
        _whom(business),
        sorted(ours.values(), key=lambda spot: spot.name),
        sorted(theirs.values(), key=lambda spot: spot.name),
        [f"{recall}: {recall.hazard}" for recall in open_]
        + ([f"{len(held)} {'lot is' if len(held) == 1 else 'lots are'} held"] if held else []),
    )


def _whom(business: Business) -> list[str]:
    told = (
        ("Local authority", business.authority, business.authority_telephone),
        ("Ourselves", business.name, business.telephone),
        ("Ourselves, at night", business.name, business.out_of_hours),
    )
    return [
        f"{who}: {', '.join(filter(None, (name, number)))}"
        if number
        else f"{who}: no number is recorded"
        for who, name, number in told
    ]


def _reach(outlet: Outlet | None) -> list[str]:
    if outlet is None:
        return []
    night = f"at night {outlet.out_of_hours}" if outlet.out_of_hours else ""
    said = [outlet.contact, outlet.telephone, night]
    return [one for one in said if one] or ["no telephone told"]


__all__ = ["DAYS", "Spot", "Standing", "Tonight", "tonight"]
