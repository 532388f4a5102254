"""Who sees what. A person tied to places (a chef to the kitchen) sees what has stood there, and of
it only those places' rows; whoever is tied to none sees the whole farm."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from django.db.models import Model, Q, QuerySet

from .models import (
    ENDS,
    GROWING,
    OUTLETS,
    Description,
    Event,
    Flag,
    Hold,
    Holding,
    LabResult,
    Lineage,
    Lot,
    Movement,
    Person,
    Photo,
    Place,
    Seal,
    Tag,
    Thing,
)
from .ready import Given, ready
from .roles import CHEF, LEARNER, ROLES

Rows = TypeVar("Rows", bound=QuerySet[Any])
#: No place's id: that of a cook of whom nobody has said yet in which kitchen. They see nothing.
NOWHERE = 0
#: By model: what of these rows a person tied to these places sees. Apps above add their own.
SEEN: dict[type[Model], Callable[[QuerySet[Any], frozenset[int]], QuerySet[Any]]] = {}
#: What shows a photograph: its number → the rows that show it. Apps above add theirs.
SHOWN: list[Callable[[int], QuerySet[Any]]] = [lambda pk: Description.objects.filter(photo=pk)]


_places_and_roles = ready(
    lambda: (
        Person.objects.filter(pk=Given("person")).order_by().values_list("places", "groups__name")
    )
)
_side_places = ready(
    lambda: Place.objects.filter(belongs_to__in=Given.each("places")).values_list("pk")
)


def _only_cooks(roles: set[str]) -> bool:
    return CHEF in roles and not roles & (set(ROLES) - {CHEF, LEARNER})


def tied_to(person: Person) -> frozenset[int]:
    """Ids of a person's places and of the lorries, reject shelves and tills that belong to them;
    none for somebody of the whole farm. Read once for each request's person."""
    known: frozenset[int] | None = person.__dict__.get("_tied_to")
    if known is None:
        rows = _places_and_roles(person=person.pk) if person.pk else []
        own = {place for place, _ in rows if place is not None}
        names = {role for _, role in rows if role}
        person.__dict__.setdefault("_roles", frozenset(names) & frozenset(ROLES))
        if not own and not person.is_superuser and _only_cooks(names):
            own = {NOWHERE}
        sides = [pk for (pk,) in _side_places(places=own)] if own else []
        known = person.__dict__["_tied_to"] = frozenset([*own, *sides])
    return known


def seen(rows: Rows, person: Person) -> Rows:
    """Of these rows, those that the person sees."""
    places = tied_to(person)
    narrow = SEEN.get(rows.model)
    return narrow(rows, places) if places and narrow else rows  # type: ignore[return-value]  # same model


def photo(pk: int, person: Person) -> Photo | None:
    """A photograph, if the person may see something that it shows."""
    if pk >= 2**63 or not any(seen(rows(pk), person).exists() for rows in SHOWN):
        return None
    return Photo.objects.filter(pk=pk).first()


def _places(rows: QuerySet[Place], places: frozenset[int]) -> QuerySet[Place]:
    # a chef with scissors may say where something was cut
    return rows.filter(Q(pk__in=places) | Q(kind__in=[*ENDS, *GROWING], belongs_to=None))


def _lots(rows: QuerySet[Lot], places: frozenset[int]) -> QuerySet[Lot]:
    return rows.filter(pk__in=Holding.objects.filter(place__in=places).values("lot_id"))


def _holdings(rows: QuerySet[Holding], places: frozenset[int]) -> QuerySet[Holding]:
    return rows.filter(place__in=places)


def _movements(rows: QuerySet[Movement], places: frozenset[int]) -> QuerySet[Movement]:
    return rows.filter(Q(from_place__in=places) | Q(to_place__in=places))


def _events(rows: QuerySet[Event], places: frozenset[int]) -> QuerySet[Event]:
    moved = _movements(Movement.objects.all(), places)
    return rows.filter(Q(place__in=places) | Q(pk__in=moved.values("event_id")))


def of_lots(rows: QuerySet[Any], places: frozenset[int]) -> QuerySet[Any]:
    """For what hangs on a lot."""
    return rows.filter(lot__in=_lots(Lot.objects.all(), places))


def _flags(rows: QuerySet[Flag], places: frozenset[int]) -> QuerySet[Flag]:
    # a lot may have gone to others, too: what was odd with theirs is in its words
    return of_lots(rows, places).filter(event__in=_events(Event.objects.all(), places))


def _edges(rows: QuerySet[Lineage], places: frozenset[int]) -> QuerySet[Lineage]:
    # what came of a lot elsewhere is nobody's business there; where it came from is
    return rows.filter(child__in=_lots(Lot.objects.all(), places))


def _people(rows: QuerySet[Person], places: frozenset[int]) -> QuerySet[Person]:
    # those of the farm come and go everywhere; those of another outlet are nobody's business
    return rows.filter(Q(places=None) | Q(places__in=places)).distinct()


def _things(rows: QuerySet[Thing], places: frozenset[int]) -> QuerySet[Thing]:
    elsewhere = Place.objects.filter(kind__in=OUTLETS).exclude(pk__in=places)
    return rows.filter(Q(place=None) | ~Q(place__in=elsewhere))


def _photos(rows: QuerySet[Photo], places: frozenset[int]) -> QuerySet[Photo]:
    """Those that they sent themselves, and those of lots that they see. Who may look at one is
    more than that, and is said in `photo`."""
    sent = Photo.sent_from.through._default_manager.filter(place__in=places)
    learnt = of_lots(Description.objects.all(), places)
    return rows.filter(Q(pk__in=sent.values("photo_id")) | Q(pk__in=learnt.values("photo_id")))


def nothing(rows: QuerySet[Any], places: frozenset[int]) -> QuerySet[Any]:
    """For what is the whole farm's alone."""
    return rows.none()


SEEN |= {Person: _people, Photo: _photos, Thing: _things}
SEEN |= {Description: of_lots, Flag: _flags, Hold: of_lots, Lineage: _edges, Tag: nothing}
SEEN |= {Seal: nothing, LabResult: of_lots}
SEEN |= {Place: _places, Lot: _lots, Holding: _holdings, Movement: _movements, Event: _events}
