"""The trace as a page: where it is, who must be told, does it add up, what nobody wrote down; then
where it came from, what it went into, and what stood alongside."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from grow import clock, scope
from grow.looking import NONE, Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.microbiology import CRITERIA
from grow.models import GROWING, Event, Lot, LotKind, Person, Place, PlaceKind, Thing, Unit
from grow.page import Page
from grow.pages_laboratory import failed
from grow.roles import may
from grow.wording import amount

from . import readings
from .chain_picture import TOUCHED, picture
from .pages_epcis import may_give
from .pages_recall import guessed, outlets, products, way_to_open, way_to_recalls
from .print_form import PRINTS

CAUTION = (
    "Suspect food: stop it, hold it and call your local authority at once; do not wait for this "
    "page. It says what is recorded here, and never that food is safe."
)
_LOT = (
    Column("kind_says", "Kind"),
    Column("title", "What"),
    Column("code", "Lot", "code"),
    Column("use_by", "Use by", "day"),
    Column("state", "Held", "mark"),
)
_LOTS = (*_LOT[:3], Column("how", "How"), Column("much", "How much", "mark"), *_LOT[3:])
#: So many lots of a side are shown.
_MOST = 60
#: So many lots are held by one press: the address of the page that asks names each, and servers
#: commonly take no line of more than 4,094 characters. Once they are held the next are offered.
_ONE_PRESS = 100
#: So many incidents and failed checks are offered.
_LATEST = 40
_NONE_OF_YOURS = "Nothing that stood with you."
_WHERE = (
    Column("place", "Where", "place"),
    Column("lot", "Lot", "code"),
    Column("quantity", "How much", "amount"),
    Column("basis", "How known", "basis"),
)
_TOLD = (
    Column("outlet", "Customer"),
    Column("contact", "Whom"),
    Column("telephone", "Telephone", "phone"),
    Column("out_of_hours", "Out of hours", "phone"),
    Column("of", "What they had", "codes"),
)
_BANDS = (
    Column("source", "From", "codes"),
    Column("target", "To", "codes"),
    Column("how", "How", "mark"),
    Column("much", "How much", "mark"),
)


def trace_page(request: HttpRequest) -> HttpResponseBase:
    person = request.user
    assert isinstance(person, Person)
    places = scope.seen(
        Place.objects.filter(kind__in=[*GROWING, *_WATCHED]).order_by("name"), person
    )
    # a tied person traces what stood with them; the rest is for who answers a recall
    wide = not scope.tied_to(person)
    more = [
        Question("product", "A product", choices=products(), seldom=True),
        Question("date", "with the date on it, or the day it was bought", "date", seldom=True),
        Question("outlet", "bought at", choices=outlets(person), seldom=True),
    ]
    if wide:
        more += [
            Question("place", "A place", choices=_names(places), seldom=True),
            Question("since", "from", "datetime-local", seldom=True),
            Question("until", "until", "datetime-local", seldom=True),
            Question(
                "thing",
                "A thing, since its last good check",
                choices=_names(Thing.objects.all()),
                seldom=True,
            ),
            Question(
                "entry",
                "An incident, or a check or result that failed",
                choices=_suspecting(person),
                seldom=True,
            ),
        ]
    return looked(
        request,
        title="Trace",
        questions=[
            Question(
                "code",
                "Code",
                "search",
                help="On a bag, crate, packet, tag or note; several with commas between; or in "
                "words: “salad bag bought Saturday”, “cold store since Monday”.",
            ),
            *more,
        ],
        answer=_trace,
        lead=guessed(request.GET.get("complaint", "")),
        caution=CAUTION,
    )


#: Places where lots stand together, besides those where plants grow.
_WATCHED = (
    *(PlaceKind.TANK, PlaceKind.STORE, PlaceKind.PACKHOUSE, PlaceKind.QUARANTINE),
    *(PlaceKind.SHOP, PlaceKind.KITCHEN),
)


def _names(rows: Iterable[Any]) -> list[tuple[str, str]]:
    return [(row.name, row.name) for row in rows]


def to_suspects(person: Person, event: Event, made: list[Lot]) -> list[tuple[str, str]]:
    """From an incident, or a check or result that failed, to what it makes suspect."""
    if event.kind not in readings.SUSPECTING or '"passed":true' in (event.told or ""):
        return []
    if not person.has_perm("grow.view_lot") or scope.tied_to(person):
        return []
    if event.kind == "lab_result" and not failed(event):
        return []
    return [("What it makes suspect", f"{reverse('admin:trace')}?{urlencode({'entry': event.pk})}")]


def _suspecting(person: Person) -> list[tuple[str, str]]:
    """(its number, what it was) of the latest incidents, and of checks and results that failed."""
    told = readings.failed(person)
    told = told.select_related("place").prefetch_related("things", "lab_results__lot")
    found = []
    for event in told[:_LATEST]:
        facts = json.loads(event.told or "{}")
        of = [row.lot for row in event.lab_results.all() if row.lot]
        where = list(map(str, event.things.all())) or [str(event.place or (of and of[0]) or "")]
        rule = CRITERIA.get(facts.get("criterion", ""))
        kind = rule.organism if rule else facts.get("kind", "")
        read = facts.get("reading", "") or facts.get("results", "")
        what = " ".join(filter(None, (kind, *where, read)))
        found.append((str(event.pk), f"{clock.local(event.happened_at):%d %b %H:%M} {what}"))
    return found


def _trace(person: Person, asked: Mapping[str, str]) -> Answer | None:
    if not any(asked.values()):
        return None
    told = {name: text for name, text in asked.items() if text}
    meant = readings.asked(person, **readings.question(told))
    if not meant.lots:
        none = "No lot is recorded there and then. A recall watches it: what is told later joins."
        ways = way_to_open(person, told)
        return Answer([Section(meant.says, says=[none, *meant.notes], ways=ways)])
    found = readings.traced(person, meant)
    return Answer(
        _sections(
            found,
            tied=bool(scope.tied_to(person)),
            holds=may(person, "hold"),
            prints=person.has_perm(PRINTS),
            recalls=[
                *way_to_recalls(person, [lot["code"] for lot in found["lots"]]),
                *way_to_open(person, told),
            ],
            gives=told if may_give(person) else None,
        ),
        file=f"trace-{found['lot']}",
        columns=readings.COLUMNS,
        rows=readings.flat(found),
    )


def _sections(
    found: Mapping[str, Any],
    *,
    tied: bool = False,
    holds: bool = False,
    prints: bool = False,
    recalls: Sequence[tuple[str, str]] = (),
    gives: Mapping[str, str] | None = None,
) -> list[Section]:
    """tied: of what is kept from this person nothing is said, not even that there is none; holds,
    prints: they are led to stopping it, to the labels of what is held; recalls: to a recall; gives:
    by this question to its history as files for others."""
    lots = found["lots"]
    affected = [*lots, *found["descendants"]]
    stopped = [lot for lot in affected if lot["held"]]
    held = [f"{lot['code']} is {lot['held']}" for lot in stopped]
    parts = [
        Section(
            found["asked"] if len(lots) == 1 else f"{found['asked']}: {len(lots)} lots",
            says=[found["notice"], *held, *found["notes"]],
            loud=bool(held) or found["recorded_in_error"],
            ways=[*recalls, *_ways(lots, stopped, holds=holds, prints=prints, gives=gives)],
        ),
        Section(table=_lots(lots, _LOT)),
        Section(
            "Where it is now",
            table=Table(_WHERE, [row | {"kind": _kind(affected, row)} for row in _gathered(found)]),
            empty=_NONE_OF_YOURS if tied else "Nothing of it is anywhere that the books know.",
        ),
    ]
    if not tied:
        told = [told | {"of": _had(told)} for told in found["must_be_told"]]
        parts.append(
            Section(
                "Who must be told",
                table=Table(_TOLD, told),
                empty="Nobody outside is recorded as having had any of it.",
            )
        )
    if found["balance"]:
        parts.append(Section("Does it add up", facts=list(_adds_up(found))))
    if found["gaps"]:
        parts.append(Section("Gaps and warnings", says=found["gaps"]))
    parts += _drawn(found)
    parts += _came_from(found["ancestors"])
    parts.append(
        Section(
            "It went into",
            table=_lots(found["descendants"]),
            empty=_NONE_OF_YOURS if tied else "Nothing is recorded.",
        )
    )
    for shared in found["alongside"]:
        parts.append(
            Section(f"Alongside: {shared['says']}", table=_lots(shared["lots"], _LOT), closed=True)
        )
    return parts


def _drawn(found: Mapping[str, Any]) -> list[Section]:
    """The chain as a picture, and its numbers."""
    chain = picture(found)
    if not chain.bands:
        return []
    rows = [band.row() for band in chain.bands]
    return [
        Section("The chain", picture=chain.figure()),
        Section("The numbers of the picture", table=Table(_BANDS, rows), closed=True),
    ]


def _came_from(ancestors: Sequence[Mapping[str, Any]]) -> Iterable[Section]:
    """What it is made of, then what touched that, by kind and under a fold."""
    made_of = [lot for lot in ancestors if any(join["how"] != "touched" for join in lot["joins"])]
    yield Section("It came from", table=_lots(made_of), empty="Nothing is recorded.")
    of_kind: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for lot in ancestors:
        if lot not in made_of:
            of_kind[lot["kind"]].append(lot)
    for kind, lots in of_kind.items():
        words = TOUCHED.get(kind, LotKind(kind).label)
        yield Section(f"Touched by: {words}", table=_lots(lots), closed=True)


def _ways(
    lots: Sequence[Mapping[str, Any]],
    stopped: Sequence[Mapping[str, Any]],
    *,
    holds: bool,
    prints: bool,
    gives: Mapping[str, str] | None,
) -> Iterable[tuple[str, str]]:
    """To stopping what was asked about, and with it all that was made from it; to the labels of
    what is stopped; to its history for others' systems."""
    free = [lot["code"] for lot in lots if not lot["held"]]
    if free and holds:
        words = "Hold it" if len(free) == 1 else f"Hold these {len(free)} lots"
        if len(free) > _ONE_PRESS:
            words = f"Hold the first {_ONE_PRESS} of {len(free)} lots"
        told = urlencode({"lots": free[:_ONE_PRESS]}, doseq=True)
        yield words, f"{reverse('admin:act', args=['hold'])}?{told}"
    if stopped and prints:
        yield "HOLD labels", _hold_labels(stopped[0]["code"])
    if gives and lots:
        codes = ", ".join(lot["code"] for lot in lots[:8])  # as many as are asked for at once
        yield "Evidence pack", f"{reverse('admin:evidence')}?{urlencode(gives)}"
        yield "EPCIS", f"{reverse('admin:epcis')}?{urlencode({'code': codes})}"


def _hold_labels(code: str) -> str:
    return f"{reverse('admin:hold_labels')}?{urlencode({'lot': code})}"


def _lots(rows: Iterable[Mapping[str, Any]], columns: Sequence[Column] = _LOTS) -> Table:
    return Table(
        columns,
        [
            dict(row)
            | {
                "kind_says": LotKind(row["kind"]).label,
                "much": _joined(row),
                "state": ", ".join(
                    word
                    for word, so in (
                        ("held", row["held"]),
                        ("recorded in error", row["recorded_in_error"]),
                    )
                    if so
                ),
            }
            for row in rows
        ],
        most=_MOST,
    )


def _joined(row: Mapping[str, Any]) -> str:
    """How much went in or grew; nothing for what was only touched."""
    said = [
        amount(join["quantity"], join["unit"])
        for join in row["joins"]
        if join["quantity"] is not None
    ]
    return ", ".join(said[:3]) + (" …" if len(said) > 3 else "")


def _gathered(found: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Standing places first: what can still be stopped."""
    rows = [dict(row) for row in found["whereabouts"]]
    ends = {PlaceKind.USED, PlaceKind.SOLD, PlaceKind.SERVED, PlaceKind.COMPOST}
    return sorted(rows, key=lambda row: (row["place_kind"] in ends, row["place"], row["lot"]))


def _kind(lots: Iterable[Mapping[str, Any]], row: Mapping[str, Any]) -> str:
    return next((lot["kind"] for lot in lots if lot["code"] == row["lot"]), "")


def _had(told: Mapping[str, Any]) -> str:
    return "; ".join(
        f"{lot['code']}: {amount(lot['quantity'], lot['unit'])}"
        + (f", {amount(lot['still_there'], lot['unit'])} still there" if lot["still_there"] else "")
        for lot in told["lots"]
    )


def _adds_up(found: Mapping[str, Any]) -> Iterable[tuple[str, str]]:
    one, everything = found["balance"], found["balance_of_all"]
    yield "Made", amount(one["made"], one["unit"], kind=found["kind"])
    yield "Unexplained", amount(one["unexplained"], one["unit"], kind=found["kind"])
    yield "Accounted for", _percent(one["percent"])
    yield "by evidence", _percent(one["percent_by_evidence"])
    if everything and len(found["descendants"]) > 0 and everything["unit"] == Unit.G:
        yield "With all made from it, in grams", _percent(everything["percent"])
        yield "With all made from it, by evidence", _percent(everything["percent_by_evidence"])


def _percent(number: float | None) -> str:
    return NONE if number is None else f"{number:g} %"


TRACING = [Page("trace/", "trace", "Trace", "grow.view_lot", trace_page)]
