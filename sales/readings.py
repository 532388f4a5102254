"""The trace as pages and the API ask for it: one question in words, narrowed to the person."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import Q, QuerySet

from grow import readings as grown
from grow import scope
from grow.asks import READ, Ask
from grow.errors import NotKnown, Refusal
from grow.finding import NAMED, rows_called
from grow.microbiology import Verdict
from grow.models import Event, LabResult, Lot, Person, Place, Thing, alive
from grow.queries import called

from . import roots
from .days_meant import within_years
from .models import DeliveryNote, Outlet, Product
from .trace import Trace, trace

#: Kinds of entry that make suspect what was there.
SUSPECTING = ("incident", "check", "test_water", "lab_result")


def asked(
    person: Person,
    *,
    code: str = "",
    product: str = "",
    date: dt.date | None = None,
    outlet: str = "",
    place: str = "",
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
    thing: str = "",
    entry: int | None = None,
) -> roots.Roots:
    """The lots that a question means: any code, name or note, or several; a product and a date,
    and the outlet where it was bought; a place from one moment to another; a thing since its last
    good check; what an entry (an incident, a check, a water test, a laboratory's result) makes
    suspect. A window may have none yet. Raises Refusal when it is none of them or two at once,
    NotKnown for what nobody here knows or this person may not see."""
    ways = [code, product or date or outlet, place or since or until, thing, entry]
    if sum(map(bool, ways)) != 1:
        raise _unclear(
            "Ask by a code, or by a product and a date, or by a place and two moments, or by a "
            "thing, or by an incident or check: one of them.",
        )
    for moment in (date, since, until):
        if moment:
            within_years(moment)
    if code:
        return _own_code(code, person) if scope.tied_to(person) else roots.find(code, empty=True)
    elif thing:
        found = roots.since_last_good_check(_the(Thing, thing, person))
    elif entry:
        found = roots.of_event(_suspecting(entry, person))
    elif product or date or outlet:
        if not product or date is None:
            raise _unclear(
                "Say both the product and the date: the one on it, or the day it was bought."
            )
        at = _the(Outlet, outlet, person).place if outlet else None
        with roots.on_day(date):
            of = _the(Product, product, person)
        found = roots.product_on(of, date, at)
    else:
        if not place or since is None or until is None:
            raise _unclear("Say the place, and from when until when.")
        if until < since:
            raise _unclear("The window ends before it begins.")
        found = roots.at_place(_the(Place, place, person), since, until)
    return _seen(found, person)


def question(told: Mapping[str, str]) -> dict[str, Any]:
    """What `asked` takes, from a question as a page's form sends it. Raises Refusal."""
    found: dict[str, Any] = {name: text for name, text in told.items() if text}
    for name, kind in (("date", "day"), ("entry", "whole")):
        if name in found:
            found[name] = READ[kind](Ask(name, kind), found[name], False)
    for name, start in (("since", True), ("until", False)):
        if name in found:
            found[name] = grown.moment(found[name].replace("T", " "), name, start=start)
    return found


def _own_code(code: str, person: Person) -> roots.Roots:
    """By a code or a name of a lot, or a note's number, as far as this person knows of any."""
    name, lots = called(code)
    if lots:
        seen = _codes(Lot.objects.filter(pk__in=[lot.pk for lot in lots]), person)
        if seen:
            return roots.Roots([lot for lot in lots if lot.code in seen], name)
    (note,) = rows_called(DeliveryNote, [code], person)
    if isinstance(note, Refusal):
        raise NAMED[Lot].refuse(scope.seen(Lot.objects.all(), person), code)
    sent = [line.lot for line in note.lines.select_related("lot").order_by("lot_id")]
    return roots.find(roots.Roots(sent, f"note {note.number} to {note.outlet}"))


def _unclear(sentence: str) -> Refusal:
    refusal = Refusal("which_question", sentence)
    refusal.status = 400  # nothing of the books forbids it; it cannot be read
    return refusal


def _the(model: type, text: str, person: Person) -> Any:
    (row,) = rows_called(model, [text], person)
    if isinstance(row, Refusal):
        raise row
    return row


def suspecting(person: Person) -> QuerySet[Event]:
    """The incidents, checks, water tests and laboratory results, the latest first: each makes
    suspect what was there. For somebody of the whole farm alone: they name places."""
    told = Event.objects.filter(alive(), kind__in=SUSPECTING)
    return told.none() if scope.tied_to(person) else told.order_by("-placed_at", "-pk")


def failed(person: Person) -> QuerySet[Event]:
    """Of these the incidents, and what failed."""
    bad = LabResult.objects.filter(verdict=Verdict.UNSATISFACTORY).values("event")
    told = suspecting(person).exclude(told__contains='"passed":true')
    return told.filter(~Q(kind="lab_result") | Q(pk__in=bad))


def _suspecting(entry: int, person: Person) -> Event:
    found = suspecting(person).select_related("place").filter(pk=entry).first()
    if not found:
        raise NotKnown(
            "no_such_entry", f"No incident, check or result is entry {entry}.", nearest=[]
        )
    return found


def _seen(found: roots.Roots, person: Person) -> roots.Roots:
    if not scope.tied_to(person):
        return roots.find(found, empty=True)
    seen = _codes(Lot.objects.filter(pk__in=[lot.pk for lot in found.lots]), person)
    lots = [lot for lot in found.lots if lot.code in seen]
    if not lots:
        raise NotKnown("no_such_code", f"No lot is called “{found.says}”.", nearest=[])
    # a note in words may name lots of other places
    return roots.Roots(lots, found.says)


def _codes(rows: QuerySet[Lot], person: Person) -> set[str]:
    return set(scope.seen(rows, person).values_list("code", flat=True))


def traced(person: Person, found: roots.Roots, *, alongside: bool = True) -> dict[str, Any]:
    """A trace as JSON. Somebody tied to places sees of it where it came from, and of what came of
    it and where it is only their own places' part: no other outlet's name."""
    tied = scope.tied_to(person)
    answer = trace(found, alongside=alongside and not tied)
    return narrowed(answer, person, tied) if tied else answer.as_json()


def narrowed(answer: Trace, person: Person, tied: frozenset[int]) -> dict[str, Any]:
    names = set(Place.objects.filter(pk__in=tied).values_list("name", flat=True))
    own = person.places.order_by("name").values_list("name", flat=True)
    whole = answer.as_json()
    down = {lot["code"] for lot in whole["descendants"]}
    hidden = down - _codes(Lot.objects.filter(code__in=down), person)
    return whole | {
        "lots": _own(whole["lots"], names, hidden),
        "ancestors": _own(whole["ancestors"], names, hidden),
        "descendants": _own(whole["descendants"], names, hidden),
        "alongside": [],
        "whereabouts": [row for row in whole["whereabouts"] if row["place"] in names],
        "must_be_told": [],
        "balance": None,
        "balance_of_all": None,
        "gaps": [],
        "notes": [
            f"Of where it is and what came of it, only the part of {_and(own)} is shown; "
            "others may have had some."
        ],
    }


def _and(names: Iterable[str]) -> str:
    return " and ".join(names) or "you"


def _own(lots: Iterable[dict[str, Any]], names: set[str], hidden: set[str]) -> list[dict[str, Any]]:
    return [
        lot
        | {
            "whereabouts": [row for row in lot["whereabouts"] if row["place"] in names],
            "consignees": [row for row in lot["consignees"] if row["outlet"] in names],
            "joins": [join for join in lot["joins"] if join["with"] not in hidden],
            "possibly_sold": None,
            "balance": None,
        }
        for lot in lots
        if lot["code"] not in hidden
    ]


#: One line of the CSV: a lot of the trace, once for each place where some of it is.
COLUMNS = [
    *("side", "code", "kind", "title", "use_by", "how", "held", "recorded_in_error"),
    *("whereabouts_place", "whereabouts_quantity", "whereabouts_unit", "whereabouts_basis"),
]


def flat(found: Mapping[str, Any]) -> Iterable[dict[str, Any]]:
    """Every lot of the trace and on which side it stands."""
    for side, name in (("asked", "lots"), ("up", "ancestors"), ("down", "descendants")):
        for lot in found[name]:
            yield {"side": side, **lot}
    for shared in found["alongside"]:
        for lot in shared["lots"]:
            yield {"side": "alongside", **lot, "how": shared["says"]}


__all__ = ["COLUMNS", "asked", "flat", "narrowed", "question", "suspecting", "traced"]
