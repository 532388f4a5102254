"""What a question means: a code, a name, a note, a product and a date, a place and a window, a
thing since its last good check. Each gives the lots from which a trace starts."""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from django.db.models import Q

from grow import clock, codes, presence
from grow.errors import NotKnown
from grow.flows import EATEN
from grow.microbiology import Verdict
from grow.models import (
    OUTLETS,
    Description,
    Event,
    Lot,
    LotKind,
    Movement,
    Place,
    PlaceKind,
    Tag,
    Thing,
    alive,
)
from grow.queries import called, the_lot

from . import suspect, water_tests
from .days_meant import day_in, days_in, the_day
from .models import Complaint, DeliveryNote, Product
from .water_tests import FIRST

_SINCE = re.compile(r"^(?P<named>.+?)\s+since\s*(?P<day>[^,;\n]*)$", re.IGNORECASE)
#: Since its last good check, and no day.
_CHECKED = re.compile(r"^((its|the)?\s*(last)?\s*(good)?\s*check)?$", re.IGNORECASE)
#: Several codes in one text stand between these.
_SEVERAL = re.compile(r"[,;\n]+")


@dataclass(frozen=True)
class Window:
    """What was in a place, or was touched by a thing, from one moment to another, both included;
    no end is still going on."""

    since: dt.datetime
    until: dt.datetime | None = None
    place: Place | None = None
    thing: Thing | None = None


@dataclass(slots=True)
class Roots:
    """The lots that a question means, what it was in words, and what was learnt on the way.
    windows are the places, things and times it is about; named are the lots that none of those
    brings."""

    lots: list[Lot]
    says: str
    notes: list[str] = field(default_factory=list)
    windows: list[Window] = field(default_factory=list)
    named: list[Lot] = field(default_factory=list)


def find(asked: str | Lot | Sequence[Lot] | Roots, *, empty: bool = False) -> Roots:
    """The lots that are meant. Raises NotKnown, with the nearest real codes. empty: a window in
    which nothing is recorded yet is an answer too, for it can be watched."""
    if isinstance(asked, Roots):
        found = asked
    elif isinstance(asked, Lot):
        found = Roots([asked], asked.code)
    elif isinstance(asked, str):
        found = _text(asked)
    else:
        found = Roots(list(asked), ", ".join(lot.code for lot in asked))
    if not found.lots and not (empty and found.windows):
        raise NotKnown("nothing_there", f"Nothing is recorded for {found.says}.")
    unique = {lot.pk: lot for lot in found.lots}
    lots = list(unique.values())
    named = found.named if found.windows else lots
    return Roots(lots, found.says, found.notes, found.windows, named)


def _text(text: str) -> Roots:
    text, lots = called(text)
    key = codes.fold(text)
    if lots:
        exact = [lot for lot in lots if codes.fold(lot.code) == key]
        notes = []
        if len(lots) > len(exact):
            others = ", ".join(lot.code for lot in lots if lot not in exact)
            notes.append(f"“{text}” is a name of {others}.")
        return Roots(lots, text, notes)
    note = _note(key)
    if note:
        sent = [line.lot for line in note.lines.select_related("lot").order_by("lot_id")]
        return Roots(sent, f"note {note.number} to {note.outlet}")
    for tag in Tag.objects.filter(code__in=_spelt(key)):
        raise NotKnown(
            "tag_unused",
            f"{tag.code} is a crate tag that was printed and not used yet.",
            tag=tag.code,
        )
    return _in_words(text) or _several(text) or Roots([the_lot(text)], text)


def _several(text: str) -> Roots | None:
    """Several suspects at once, each by whatever is known of it."""
    parts = [part.strip() for part in _SEVERAL.split(text) if part.strip()]
    if not parts[1:]:
        return None
    found = [find(part) for part in parts]
    return _together(found, ", ".join(one.says for one in found))


def _together(found: Sequence[Roots], says: str) -> Roots:
    return Roots(
        [lot for one in found for lot in one.lots],
        says,
        [note for one in found for note in one.notes],
        [window for one in found for window in one.windows],
        [lot for one in found for lot in one.named],
    )


def _in_words(text: str) -> Roots | None:
    """ "Scale B since Monday's check", "cold store since Friday", "salad bag bought Saturday"."""
    if since := _SINCE.match(text):
        name = since["named"].strip()
        thing = Thing.objects.filter(name__iexact=name).first()
        if thing and _CHECKED.match(since["day"]):
            return since_last_good_check(thing)
        place = Place.objects.filter(name__iexact=name).first()
        if thing:
            return since_last_good_check(thing, since=clock.start_of(the_day(since["day"])))
        if place:
            return at_place(place, clock.start_of(the_day(since["day"])))
    # the longest text that is a day: "salad bag 28 Nov", not "salad bag 28" and "Nov"
    words = text.replace(",", " ").split()
    for n in range(min(3, len(words) - 1), 0, -1):
        if not (day := day_in(" ".join(words[-n:]))):
            continue
        named, about = words[:-n], set()
        while named[1:] and named[-1].lower() in _ABOUT:
            about.add(named.pop().lower())
        days = [day] if about & _BEEN else days_in(" ".join(words[-n:]), ahead=bool(about & _TO))
        found = (product_on(" ".join(named), one) for one in days)
        first = next(found)
        return first if first.lots else next((one for one in found if one.lots), first)
    return None


#: What may stand between a product and its date.
_ABOUT = frozenset({"bought", "packed", "dated", "sold", "use", "best", "before", "by", "on"})
#: These say that it has been; these that it may be still to come.
_BEEN, _TO = frozenset({"bought", "packed", "sold"}), frozenset({"by", "before"})


def _spelt(key: str) -> set[str]:
    return {key, f"{key[:-1]}-{key[-1:]}"}


def _note(key: str) -> DeliveryNote | None:
    found = DeliveryNote.objects.filter(number__in=_spelt(key)).select_related("outlet__place")
    return found.first()


# --- a product and a date -------------------------------------------------------------------


def the_product(text: str) -> Product:
    """A product by its code or its name, or the one whose name holds the text."""
    text = text.strip()
    every = list(Product.objects.order_by("name"))
    key = codes.fold(text)
    one = _one_of(text)
    for p in every:
        if key and (key == codes.fold(p.code) or codes.fold(one) == codes.fold(_one_of(p.name))):
            return p
    inside = [p for p in every if one and one in _one_of(p.name)]
    if len(inside) == 1:
        return inside[0]
    names = {codes.fold(n): p.name for p in every for n in (p.code, p.name)}
    near = [p.name for p in inside] or list(
        dict.fromkeys(names[k] for k in difflib.get_close_matches(key, names, n=3, cutoff=0.5))
    )
    hint = f" Did you mean {' or '.join(near)}?" if near else ""
    raise NotKnown("no_such_product", f"No product is called {text}.{hint}", nearest=near)


#: More than one, as English says it: bags, bunches; not cress.
_MANY = re.compile(r"(?<=ch|sh|ss)es\b|(?<=x)es\b|(?<=[a-rt-z])s\b")


def _one_of(text: str) -> str:
    return _MANY.sub("", text.lower())


@contextmanager
def on_day(day: dt.date | None) -> Iterator[None]:
    """A product that nobody knows is refused with the same questions of those it may be: asks has
    one for each of nearest, with the day that was read."""
    try:
        yield
    except NotKnown as refused:
        near = refused.facts.get("nearest", [])
        of = {name: p.code for p in Product.objects.all() for name in (p.name, p.code)}
        date = {"date": str(day)} if day else {}
        refused.facts["asks"] = [{"product": of.get(name, name)} | date for name in near]
        raise


def product_on(product: Product | str, day: dt.date, at: Place | None = None) -> Roots:
    """Candidate lots of a product for a date that a customer read or remembers: the use-by on
    the bag, the day it was packed (or cut, when loose), or a day on which it stood for sale.

    at: the outlet where it was bought. What only stood for sale somewhere else is left out then,
    and said; unless nothing there fits, for then the books of that outlet are in doubt."""
    if isinstance(product, str):
        with on_day(day):
            product = the_product(product)
    lots = {lot.pk: lot for lot in Lot.objects.filter(line=product.line).select_related("made_by")}
    number = clock.day_number(day)
    # every date that was ever on the bag: it may have been sold before it was relabelled
    dated = {pk for pk, lot in lots.items() if lot.use_by == day}
    relabelled = Description.objects.filter(lot__in=lots, best_before=day)
    dated |= set(relabelled.values_list("lot_id", flat=True))
    made = {pk for pk, lot in lots.items() if lot.made_by.day == number}
    been = _outlets_of(lots)
    start, end = clock.start_of(day), clock.end_of(day)
    # a date that is still to come is one on the bag: nobody bought it then
    shops = set().union(*been.values()) if start <= clock.now() else set()
    stood = presence.stood(shops, start, end) & lots.keys()
    rung = Movement.objects.filter(lot__in=lots, day=number, to_place__kind=PlaceKind.SOLD)
    sold = set(rung.values_list("lot_id", flat=True))
    sale = stood | sold
    # in the books still, long past its date: most likely nobody has counted it away
    old = {pk for pk in stood - sold - dated - made if (by := lots[pk].use_by) and by < day}
    elsewhere: set[int] = set()
    doubt = ""
    if at:
        there = presence.stood(shops & {at.pk}, start, end) & lots.keys()
        there |= set(rung.filter(from_place=at).values_list("lot_id", flat=True))
        fit = there - old | {pk for pk in dated | made if at.pk in been.get(pk, ())}
        if fit:
            elsewhere = sale - there - dated - made
        else:
            doubt = f"By the books nothing that fits was at {at}, so what was elsewhere is in, too."
    notes = [
        f"{', '.join(lots[pk].code for pk in sorted(ids))} {what}."
        for what, ids in (
            ("has that date on it", dated),
            ("was made that day", made),
            ("stood for sale that day", sale - old - elsewhere),
            (_UNCOUNTED, old - elsewhere),
            (f"stood for sale that day, but not at {at}, and is left out", elsewhere - old),
            (f"{_UNCOUNTED}; it was not at {at} and is left out", elsewhere & old),
        )
        if ids
    ]
    if elsewhere:
        notes.append("Ask without the outlet, and what is left out is in.")
    says = f"{product} and {day:%d %b %Y}" + (f", bought at {at}" if at else "")
    found = dated | made | sale - elsewhere
    return Roots([lots[pk] for pk in sorted(found)], says, [*filter(None, [doubt]), *notes])


_UNCOUNTED = "was past its date by then, and nobody has said what became of it"


def day_of(complaint: Complaint) -> dt.date:
    """The date that was told with a complaint; else the day of the complaint, as that on which it
    was bought."""
    return complaint.date or clock.local(complaint.event.happened_at).date()


def of_complaint(complaint: Complaint) -> Roots:
    """The lot that it is of, or those that it may be of. Its event is at hand."""
    if complaint.lot or not complaint.product:
        return Roots([complaint.lot] if complaint.lot else [], str(complaint))
    at = complaint.outlet.place if complaint.outlet else None
    return product_on(complaint.product, day_of(complaint), at)


def _outlets_of(lots: dict[int, Lot]) -> dict[int, set[int]]:
    """Lot → the outlets that it ever came to."""
    found: dict[int, set[int]] = defaultdict(set)
    rows = Movement.objects.filter(lot__in=lots, to_place__kind__in=OUTLETS)
    for lot, place in rows.values_list("lot_id", "to_place_id").distinct():
        found[lot].add(place)
    return found


# --- a place and a window -------------------------------------------------------------------


def the_place(text: str) -> Place:
    found = Place.objects.filter(name__iexact=text.strip()).first()
    if found:
        return found
    key = codes.fold(text)
    names = {codes.fold(name): name for name in Place.objects.values_list("name", flat=True)}
    if key in names:
        return Place.objects.get(name=names[key])
    near = [names[k] for k in difflib.get_close_matches(key, names, n=3, cutoff=0.5)]
    hint = f" Did you mean {' or '.join(near)}?" if near else ""
    raise NotKnown("no_such_place", f"No place is called {text.strip()}.{hint}", nearest=near)


def at_place(place: Place | str, start: dt.datetime, end: dt.datetime | None = None) -> Roots:
    """What was in a place in a window, ends included; without an end until now. Sowings that
    stood there are named beside: a whole sowing is not suspect for one tower, but what was cut
    there is."""
    if isinstance(place, str):
        place = the_place(place)
    windows = [Window(start, end, place=place)]
    end = end or clock.now()
    lots = list(Lot.objects.filter(pk__in=presence.touched(place, start, end)).order_by("id"))
    says = f"{place} from {_when(start)} to {_when(end)}"
    sowings = [lot for lot in lots if lot.kind == LotKind.BATCH]
    rest = [lot for lot in lots if lot.kind != LotKind.BATCH]
    if not sowings:
        return Roots(rest, says, windows=windows)
    note = f"Plants of {', '.join(lot.code for lot in sowings)} stood there."
    if not rest:
        return Roots(sowings, says, [f"{note} Nothing had been cut from them since."], windows)
    note += " What may yet be cut from them is not in this trace."
    return Roots(rest, says, [note], windows)


def _when(moment: dt.datetime) -> str:
    return f"{clock.local(moment):%d %b %Y %H:%M}"


# --- an incident, a failed check or result -------------------------------------------------------


def of_event(event: Event) -> Roots:
    """What an incident or a check makes suspect: all that was in its places meanwhile, or, of a
    check, everything between the last good one and the next. Of a failed water test or result of a
    laboratory likewise, in the tank or the place; of a lot that failed, the lot."""
    things, at = list(event.things.all()), event.placed_at
    tank = event.place and event.place.kind == PlaceKind.TANK and not things
    if event.kind == "check" and not tank:
        like = water_tests.like(json.loads(event.told or "{}"))
        found = [since_last_good_check(thing, at, like, place=event.place) for thing in things]
        if event.place and not things:
            start, end = _good_checks(Q(place=event.place, things=None), at, like)
            found = [at_place(event.place, start or FIRST, end)]
    elif event.kind in ("check", "test_water", "lab_result"):
        found = list(_failed(event))
    else:
        told = json.loads(event.told or "{}").get("places", [])
        places = Place.objects.filter(pk__in=told).order_by("name")
        began = min(event.began_at or event.earliest_at, event.earliest_at)
        found = [at_place(place, began, event.latest_at) for place in places]
    return _together(found, ", ".join(one.says for one in found) or str(event))


def _failed(event: Event) -> Iterator[Roots]:
    results = list(event.lab_results.select_related("lot__made_by__place", "place"))
    places = {row.place for row in results} if event.kind == "lab_result" else {event.place}
    bad = [row.lot for row in results if row.lot and row.verdict == Verdict.UNSATISFACTORY]
    lots = [lot for lot in bad if lot.kind != LotKind.WATER]
    places |= {lot.made_by.place for lot in bad if lot.kind == LotKind.WATER}
    if lots:
        yield Roots(lots, ", ".join(lot.code for lot in lots), named=lots)
    tested = sorted((place for place in places if place), key=lambda place: place.pk)
    looked = water_tests.looked_at(place.pk for place in tested)
    for place in tested:
        for look in looked[place.pk].failed:
            if look.event == event.pk:
                span = looked[place.pk].span(look)
                found = at_place(place, span.start or FIRST, span.end)
                found.notes.append(f"{place} {look.says}; {span.since}.")
                yield found


# --- a thing since its last good check ------------------------------------------------------


Bounds = tuple[dt.datetime | None, dt.datetime | None]


def _good_checks(
    where: Q, at: dt.datetime, like: str | None = None, *, later: bool = False
) -> Bounds:
    """The last good check up to a moment and the first after it, where there are any: of the kind
    that failed, for only like bounds like. Where that is not said, of every kind that failed last
    time, and of any where none did. later: what failed after the moment counts, too."""
    last: dict[str, dt.datetime] = {}
    after: dict[str, dt.datetime] = {}
    failed: set[str] = set()
    for check in suspect.checks(where):
        if check.at == at and check.good and like is not None:
            continue  # told of the same moment: nobody knows which of the two came first
        if not check.good:
            failed |= {check.of} if later or check.at <= at else set()
        elif check.at > at:
            after.setdefault(check.of, check.at)
        else:
            last[check.of] = check.at
            failed.discard(check.of)
    kinds = failed if like is None else {like}
    if not kinds:
        return max(last.values(), default=None), min(after.values(), default=None)
    return (
        min(last[kind] for kind in kinds) if kinds <= last.keys() else None,
        max(after[kind] for kind in kinds) if kinds <= after.keys() else None,
    )


#: What cuts and packs nothing: it bears on what is around it.
_STANDS = frozenset({Thing.Kind.GLASS, Thing.Kind.PUMP})


def since_last_good_check(
    thing: Thing,
    at: dt.datetime | None = None,
    like: str | None = None,
    *,
    since: dt.datetime | None = None,
    place: Place | None = None,
) -> Roots:
    """Everything that a thing touched, or that lay in the fridge it is, from its last good check
    to the next one. A failed check makes suspect all of that, not only what came after it. Of a
    pane or a pump: what was where it stands, or in place, where that is not recorded.

    like: the kind of check that failed. since: from the last good check before that until now,
    whatever was found good meanwhile."""
    at = since or at or clock.now()
    start, end = _good_checks(Q(things=thing), at, like, later=bool(since))
    end = None if since else end
    bound = f"its last good check on {_when(start)}" if start else "records began"
    says = f"{thing} since {bound}" + (f" until {_when(end)}" if end else "")
    notes = [] if start else [f"No good check of {thing} is recorded before; there is no bound."]
    around = thing.place or place
    if thing.kind in _STANDS and around:
        found = at_place(around, start or FIRST, end)
        return Roots(found.lots, f"{says}, in {around}", notes + found.notes, found.windows)
    ids = touched_by(thing, start, end or (clock.now() if since else at))
    windows = [Window(start or FIRST, end, thing=thing)]
    return Roots(list(Lot.objects.filter(pk__in=ids).order_by("id")), says, notes, windows)


def touched_by(thing: Thing, start: dt.datetime | None, end: dt.datetime) -> set[int]:
    """Ids of the lots that a thing touched between two moments, from when records began where there
    is no first; or that lay in the fridge it is, or were around the pane or the pump, or in the
    stores and fridges that were checked with the probe."""
    acts = Event.objects.filter(alive(), things=thing, earliest_at__lte=end)
    if start:
        acts = acts.filter(latest_at__gte=start)
    ids = set(
        Movement.objects.filter(event__in=acts, lot__kind__in=EATEN).values_list(
            "lot_id", flat=True
        )
    )
    if thing.kind == Thing.Kind.FRIDGE and thing.place:
        ids |= presence.stood([thing.place.pk], start or FIRST, end)
    elif thing.kind in _STANDS and thing.place:
        ids |= presence.touched(thing.place, start or FIRST, end)
    elif thing.kind == Thing.Kind.PROBE:
        looks = acts.filter(kind="check")
        fridges = Thing.objects.filter(kind=Thing.Kind.FRIDGE, events__in=looks)
        stores = Place.objects.filter(kind__in=(PlaceKind.STORE, *OUTLETS)).filter(
            Q(events__in=looks) | Q(things__in=fridges)
        )
        ids |= presence.stood(set(stores.values_list("pk", flat=True)), start or FIRST, end)
    return ids


__all__ = [
    "FIRST",
    "Roots",
    "Window",
    "at_place",
    "day_in",
    "day_of",
    "find",
    "of_complaint",
    "of_event",
    "on_day",
    "product_on",
    "since_last_good_check",
    "the_place",
    "the_product",
    "touched_by",
]
