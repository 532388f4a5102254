"""Laboratory results to be read, and where one leads: to the hold, to the release, to the trace."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django.db.models import Prefetch, prefetch_related_objects
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from . import clock, holds, roles, scope
from .looking import Answer, Column, Question, Section, Table
from .looking import page as looked
from .microbiology import CRITERIA, MEANS, Verdict
from .models import Event, LabResult, Lot, Person
from .page import Page
from .queries import lots_called
from .start import TELLS, WAYS, address

CAUTION = (
    "A verdict is about the samples, and never says that food is safe. Suspect food: stop it, hold "
    "it and call your local authority at once; do not wait for a laboratory."
)
_TABLE = (
    Column("day", "Day", "day"),
    Column("verdict", "Verdict", "mark"),
    Column("of", "Of"),
    Column("lot", "Lot", "code"),
    Column("looked_for", "Looked for"),
    Column("figures", "Found"),
    Column("says", "Why", "long"),
    Column("source", "By", "long"),
)
_COLUMNS = (*(column.name for column in _TABLE), "entry")
_MOST = 500


def lab_page(request: HttpRequest) -> HttpResponseBase:
    return looked(
        request,
        title="Laboratory",
        caution=CAUTION,
        questions=[
            Question("lot", "Lot", "search", help="Left out: the latest of all."),
            Question(
                "verdict", "Verdict", choices=[(v.value, v.value) for v in Verdict], seldom=True
            ),
        ],
        answer=_answer,
    )


def _answer(person: Person, asked: Mapping[str, str]) -> Answer:
    rows = scope.seen(LabResult.objects.all(), person)
    if asked["lot"]:
        rows = rows.filter(lot__in=[lot.pk for lot in lots_called(asked["lot"])])
    if asked["verdict"]:
        rows = rows.filter(verdict=asked["verdict"])
    found = [_shown(one) for one in rows.select_related("event", "lot", "place")[:_MOST]]
    ways = []
    if roles.may(person, "lab_result"):
        ways.append(("Record a result", address("lab_result")))
    return Answer(
        [Section(table=Table(_TABLE, found), empty="No result is recorded.", ways=ways)],
        file="laboratory",
        columns=_COLUMNS,
        rows=found,
    )


def _shown(one: LabResult) -> dict[str, Any]:
    rule = CRITERIA.get(one.criterion)
    return {
        "day": clock.number_day(one.event.day),
        "of": one.lot.title if one.lot else str(one.place),
        "lot": one.lot.code if one.lot else "",
        "looked_for": rule.organism if rule else one.criterion,
        "figures": f"{one.figures} {rule.unit if rule else ''}",
        "verdict": one.verdict,
        "says": one.says,
        "source": rule.source if rule else "",
        "entry": one.event_id,
    }


# --- where it leads ------------------------------------------------------------------------------


def results_of(event: Event) -> list[LabResult]:
    """The results of an entry, asked for once however many lead on from it."""
    results = Prefetch("lab_results", LabResult.objects.select_related("lot", "place"))
    prefetch_related_objects([event], results)
    return list(event.lab_results.all())


def failed(event: Event) -> bool:
    return any(one.verdict == Verdict.UNSATISFACTORY for one in results_of(event))


def _leads(person: Person, event: Event, made: list[Lot]) -> list[tuple[str, str]]:
    """To the hold, filled in, where it failed; to the release where all is good and nothing else
    holds the lots, as a release ends every hold of theirs. It is a person who holds, and one who is
    signed off for it who lets go."""
    if event.kind != "lab_result":
        return []
    rows = results_of(event)
    lots = [one.lot for one in rows if one.lot]
    codes = [lot.code for lot in lots]
    ways: list[tuple[str, str]] = []
    if failed(event) and lots and roles.may(person, "hold"):
        says = next(one.says for one in rows if one.verdict == Verdict.UNSATISFACTORY)
        reason = f"Laboratory: {_looked_for(rows)}. {says}"[:300]
        ways.append(("Hold it", _form("hold", lots=codes, reason=reason)))
    good = rows and all(one.verdict in (Verdict.SATISFACTORY, Verdict.ACCEPTABLE) for one in rows)
    if good and roles.may(person, "release") and holds.only_waits(lots):
        ways.append(("Release it", _form("release", lots=codes)))
    if failed(event):
        ways.append(("All results", reverse("admin:laboratory")))
    return ways


def _says(event: Event) -> list[tuple[str, bool]]:
    """The verdict, and what a failure means."""
    if event.kind != "lab_result":
        return []
    said: list[tuple[str, bool]] = []
    for one in sorted(results_of(event), key=lambda one: one.pk):
        bad = one.verdict == Verdict.UNSATISFACTORY
        said.append((f"{one.lot or one.place}: {one.verdict}. {one.says}", bad))
        rule = CRITERIA.get(one.criterion)
        if bad and rule and (MEANS[rule.fails], True) not in said:
            said.append((MEANS[rule.fails], True))
    return said


def _form(kind: str, **filled: str | list[str]) -> str:
    return f"{reverse('admin:act', args=[kind])}?{urlencode(filled, doseq=True)}"


def _looked_for(rows: list[LabResult]) -> str:
    rule = CRITERIA.get(rows[0].criterion)
    return rule.organism if rule else rows[0].criterion


WAYS.append(_leads)
TELLS.append(_says)
LAB_PAGES = [Page("laboratory/", "laboratory", "Laboratory", "grow.view_labresult", lab_page)]
