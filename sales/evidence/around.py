"""What stands around a trace: its lots, the checks, cleans, water tests and laboratory results of
all that they passed through, and who was signed off on the day for what they did.

Of each thing and place the window is that in which lots of the trace were made with it or lay
there; with it stand the last look of each kind before, and the first after: a check is good until
the next.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import Max, Min, Q

from grow import clock
from grow.lineage import each, moment
from grow.microbiology import CRITERIA
from grow.models import (
    GROWING,
    OUTLETS,
    Basis,
    Business,
    Event,
    LabResult,
    Lot,
    LotKind,
    PlaceKind,
    SignOff,
    Thing,
    alive,
)
from grow.readings import says
from grow.shelf import Dates
from grow.wording import amount
from sales import label_words
from sales.gaps import stays
from sales.history import pieces
from sales.models import DecisionCard, PackingRun
from sales.operations.line import LOOKED_AT
from sales.trace import Trace

Row = dict[str, Any]
Span = tuple[dt.datetime, dt.datetime]
LOTS: tuple[tuple[str, str], ...] = (
    ("side", "asked; came from (up); went into (down)."),
    ("lot_code", ""),
    ("lot_kind", ""),
    ("product", ""),
    ("commodity", ""),
    ("variety", ""),
    ("made_on", "The local day on which it was made or came in."),
    ("joined_by", "How it is joined to the rest of the trace."),
    ("made", "How much there was of it in all."),
    ("unit", ""),
    ("here", "Where it is now, and how that is known."),
    ("use_by", "Its date as it stands."),
    ("held", "Why it is held now."),
    ("label_text", "What its label said; of a run whose label was never printed, what it froze."),
    ("label_printed", "yes, or no: none was printed."),
    ("decision", "What was decided of its product by that day, by whom, on what evidence."),
)
CHECKS: tuple[tuple[str, str], ...] = (
    ("entry", "The number of the entry in the books."),
    ("event_time", "When, with the offset of the zone."),
    ("what", "checked, cleaned, water tested, looked over …"),
    ("of", "Which thing, place or lot."),
    ("passed", "yes, no, or nothing where that is not asked."),
    ("reading", ""),
    ("done_about_it", ""),
    ("done_by", ""),
    ("told_by", ""),
    ("recorded_at", ""),
)
SIGNED: tuple[tuple[str, str], ...] = (
    ("entry", "The number of the entry in the books."),
    ("day", ""),
    ("what", ""),
    ("lots", ""),
    ("who", ""),
    ("task", "What a person must be signed off for to do it."),
    ("signed_off", "Since when, or “not signed off”."),
    ("by", "Who said that they can."),
)
_LOOKS = ("check", "clean", "test_water", "look_over", "drain_and_clean")
_STAND = (*GROWING, *OUTLETS, PlaceKind.TANK, PlaceKind.STORE, PlaceKind.PACKHOUSE)
#: What nobody should do who is not signed off for it.
_TASKS = {
    "pack": SignOff.Task.PACKING,
    "rework": SignOff.Task.PACKING,
    "treat": SignOff.Task.SPRAYING,
    "release": SignOff.Task.RELEASING,
    "countersign": SignOff.Task.TEACHING,
    "approve_notices": SignOff.Task.NOTICES,
}


def lots(found: Trace) -> list[Row]:
    """The lots of a trace, those that were asked for first."""
    rows = []
    known: dict[int, Lot] = {}
    sides = (("asked", found.roots), ("came from", found.up), ("went into", found.down))
    every = [pk for _, ids in sides for pk in ids]
    for some in pieces(every):
        known |= Lot.objects.select_related("crop", "variety").in_bulk(some)
    dates = Dates(every)
    labels = _labels([pk for pk in every if known[pk].kind == LotKind.PACK], dates)
    for side, ids in sides:
        for pk in ids:
            lot, flow = known[pk], found.report.lots[pk]
            here = (
                f"{amount(h.quantity, lot.unit, kind=lot.kind)} {h.place.name}, "
                f"{Basis(h.basis).label}"
                for h in flow.here
            )
            date = dates.of(pk)
            rows.append(
                {
                    "side": side,
                    "lot_code": lot.code,
                    "lot_kind": LotKind(lot.kind).label,
                    "product": lot.title,
                    "commodity": str(lot.crop or ""),
                    "variety": str(lot.variety or ""),
                    "made_on": clock.number_day(flow.day).isoformat(),
                    "joined_by": _how(found, pk),
                    "made": flow.balance.made or "",
                    "unit": lot.unit,
                    "here": "recorded in error" if flow.cancelled else "; ".join(here),
                    "use_by": date.isoformat() if date else "",
                    "held": found.held.get(pk, ""),
                    **labels.get(pk, {}),
                }
            )
    return rows


def _how(found: Trace, pk: int) -> str:
    joins = found.joins.get(pk, ())
    return "; ".join(
        dict.fromkeys(f"{j.how}{' (struck)' if j.struck else ''} {j.code}" for j in joins)
    )


def _labels(runs: list[int], dates: Dates) -> dict[int, Row]:
    """What each run's label said, and the decision that it rested on."""
    business, out = Business.the(), {}
    cards: dict[int, list[DecisionCard]] = defaultdict(list)
    for card in DecisionCard.objects.select_related("outlet__place"):
        cards[card.product_id].append(card)
    for some in pieces(runs):
        rows = PackingRun.objects.filter(lot__in=some).select_related("lot__made_by", "product")
        for run in rows:
            words = label_words.words_known(run, dates.of(run.lot_id), business)
            day = clock.number_day(run.lot.made_by.day)
            decided = label_words.decided(cards[run.product_id], day)
            out[run.lot_id] = {
                "label_text": words.text,
                "label_printed": "yes" if run.label else "no",
                "decision": "; ".join(map(_card, decided.cards)) if decided else "none recorded",
            }
    return out


def _card(card: DecisionCard) -> str:
    where = str(card.outlet) if card.outlet else "everywhere"
    said = f"{card.get_state_display()}, {card.get_sold_as_display().lower()} ({where})"
    return f"{said}: {card.decided_by}, {card.decided_on:%d %b %Y}: {card.evidence}"


# --- checks --------------------------------------------------------------------------------------


def checks(found: Trace) -> list[Row]:
    """Checks, cleans, looks, water tests, incidents and laboratory results, in order of time."""
    things, places = _windows(found)
    events = _looks(things, places)
    rows = [_look(event) for event in events.values()]
    rows += _laboratory(found, places)
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]


def _windows(found: Trace) -> tuple[dict[int, Span], dict[int, Span]]:
    """(thing → span, place → span) in which lots of the trace were made with it, or lay there."""
    flows = found.report.flows
    family = {*found.roots, *found.up, *found.down}
    made = {pk: flows.lots[pk].made_by for pk in family if not flows.lots[pk].cancelled}
    when: dict[int, dt.datetime] = {}
    places = stays(flows, sorted(family), _STAND)
    where: dict[int, int] = {}
    acts = set(made.values())
    for event, raw, place in each(
        acts, "t.id, e.placed_at, e.place_id", "grow_event e WHERE e.id = t.id"
    ):
        when[event] = moment(raw)
        if place:
            where[event] = place
            _widen(places, place, when[event])
    # water is in its tank until the last act that it touched
    for edge in flows.edges:
        water = flows.lots.get(edge.parent)
        if water and water.kind == LotKind.WATER and edge.child in made and edge.parent in made:
            tank = where.get(made[edge.parent])
            if tank:
                _widen(places, tank, when[made[edge.child]])
    things: dict[int, Span] = {}
    rows = each(acts, "t.id, x.thing_id", "grow_event_things x WHERE x.event_id = t.id")
    for event, thing in rows:
        _widen(things, thing, when[event])
    # a fridge is the store that it stands in
    for fridge, place in Thing.objects.filter(kind=Thing.Kind.FRIDGE, place__in=places).values_list(
        "pk", "place_id"
    ):
        for at in places[place or 0]:
            _widen(things, fridge, at)
    return things, places


def _widen(spans: dict[int, Span], pk: int, at: dt.datetime) -> None:
    start, end = spans.get(pk, (at, at))
    spans[pk] = min(start, at), max(end, at)


def _looks(things: Mapping[int, Span], places: Mapping[int, Span]) -> dict[int, Event]:
    ids = _inside(things, "things") | _inside(places, "place") | _incidents(things, places)
    found: dict[int, Event] = {}
    for some in pieces(sorted(ids)):
        rows = Event.objects.filter(pk__in=some).select_related("place", "recorded_by")
        found |= {e.pk: e for e in rows.prefetch_related("things", "done_by")}
    return found


def _inside(spans: Mapping[int, Span], of: str) -> set[int]:
    """Looks at these things or places, each within its own span or next to it."""
    if not spans:
        return set()
    first = min(start for start, _ in spans.values())
    last = max(end for _, end in spans.values())
    rows = Event.objects.filter(alive(), kind__in=_LOOKS, **{f"{of}__in": list(spans)})
    edges = {
        at
        for rows_, which in (
            (rows.filter(placed_at__lt=first), Max("placed_at")),
            (rows.filter(placed_at__gt=last), Min("placed_at")),
        )
        for at in rows_.order_by()
        .values(of, "kind")
        .annotate(at=which)
        .values_list("at", flat=True)
    }
    near = rows.filter(Q(placed_at__gte=first, placed_at__lte=last) | Q(placed_at__in=edges))
    by: dict[tuple[int, str], list[tuple[dt.datetime, int]]] = defaultdict(list)
    for pk, at, kind, which in near.values_list("pk", "placed_at", "kind", of):
        by[which, kind].append((at, pk))
    found = set()
    for (which, _), moments in by.items():
        start, end = spans[which]
        before = [one for one in moments if one[0] < start]
        after = [one for one in moments if one[0] > end]
        found |= {pk for at, pk in moments if start <= at <= end}
        found |= {max(before)[1]} if before else set()
        found |= {min(after)[1]} if after else set()
    return found


def _incidents(things: Mapping[int, Span], places: Mapping[int, Span]) -> set[int]:
    """What went wrong at one of them in its span."""
    spans = [*things.values(), *places.values()]
    if not spans:
        return set()
    rows = Event.objects.filter(
        alive(),
        kind="incident",
        placed_at__gte=min(start for start, _ in spans),
        earliest_at__lte=max(end for _, end in spans),
    ).prefetch_related("things")
    found = set()
    for e in rows:
        said = {*json.loads(e.told or "{}").get("places", ()), e.place_id}
        mine = [places[pk] for pk in said if pk in places]
        mine += [things[thing.pk] for thing in e.things.all() if thing.pk in things]
        first, last = e.began_at or e.earliest_at, e.latest_at
        if any(start <= last and first <= end for start, end in mine):
            found.add(e.pk)
    return found


def _look(event: Event) -> tuple[tuple, Row]:
    told = json.loads(event.told or "{}")
    of = [str(thing) for thing in event.things.all()] or [str(event.place or "")]
    if event.kind == "look_over":
        lacked = [words for name, words in LOOKED_AT.items() if not told.get(name, True)]
        told |= {"passed": not lacked, "reading": f"not so: {', '.join(lacked)}" if lacked else ""}
    what = says(event.kind)
    if kind := told.get("kind"):
        what = f"{what}: {kind}"
    passed = told.get("passed")
    people = ", ".join(str(p) for p in event.done_by.all())
    row = {
        "entry": event.pk,
        "event_time": clock.local(event.happened_at).isoformat(timespec="seconds"),
        "what": what,
        "of": ", ".join(of),
        "passed": "" if passed is None else "yes" if passed else "no",
        "reading": told.get("reading") or told.get("how") or "",
        "done_about_it": told.get("done", ""),
        "done_by": people or str(event.recorded_by),
        "told_by": str(event.recorded_by),
        "recorded_at": clock.local(event.recorded_at).isoformat(timespec="seconds"),
    }
    return (event.happened_at, event.pk), row


def _laboratory(found: Trace, places: Mapping[int, Span]) -> list[tuple[tuple, Row]]:
    out = []
    family = sorted({*found.roots, *found.up, *found.down})
    results: dict[int, LabResult] = {}
    wheres = [Q(lot__in=some) for some in pieces(family)]
    if places:
        first = min(start for start, _ in places.values())
        wheres.append(Q(place__in=list(places), event__placed_at__gte=first))
    for where in wheres:
        rows = LabResult.objects.filter(where, alive("event")).select_related(
            "event__recorded_by", "event__place", "lot", "place"
        )
        rows = rows.prefetch_related("event__done_by", "event__things")
        results |= {r.pk: r for r in rows}
    for pk, result in results.items():
        event = result.event
        told = json.loads(event.told or "{}")
        rule = CRITERIA.get(result.criterion)
        detail = [result.verdict, result.says, told.get("laboratory"), told.get("method")]
        at, row = _look(event)
        row |= {
            "what": f"{says(event.kind)}: {rule.organism if rule else result.criterion}",
            "of": str(result.lot or result.place),
            "reading": f"{result.figures}: {', '.join(filter(None, detail))}",
        }
        out.append(((*at, pk), row))
    return out


# --- who was signed off --------------------------------------------------------------------------


def signed(found: Trace, acts: Iterable[int]) -> list[Row]:
    """Who did what only somebody signed off should do, of these entries (ids), and whether they
    were by that day."""
    rows: list[Row] = []
    events: list[Event] = []
    for some in pieces(sorted(set(acts))):
        kinds = Event.objects.filter(pk__in=some, kind__in=_TASKS).select_related("recorded_by")
        events += kinds.prefetch_related("done_by", "made").order_by("placed_at", "pk")
    hands = {e.pk: list(e.done_by.all()) or [e.recorded_by] for e in events}
    people = {p.pk for ps in hands.values() for p in ps}
    since: dict[tuple[int, str], list[SignOff]] = defaultdict(list)
    for one in SignOff.objects.filter(person__in=people).select_related("by").order_by("since"):
        since[one.person_id, one.task].append(one)
    for e in events:
        day, task = clock.number_day(e.day), _TASKS[e.kind]
        for person in hands[e.pk]:
            known = [one for one in since[person.pk, task] if one.since <= day]
            rows.append(
                {
                    "entry": e.pk,
                    "day": day.isoformat(),
                    "what": says(e.kind),
                    "lots": ", ".join(lot.code for lot in e.made.all()),
                    "who": str(person),
                    "task": task.label,
                    "signed_off": f"since {known[0].since:%d %b %Y}" if known else "not signed off",
                    "by": str(known[0].by) if known else "",
                }
            )
    return rows
