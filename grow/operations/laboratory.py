"""What a laboratory found, judged by a published criterion. It holds nothing: whoever records it is
led to the hold."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Annotated

from .. import clock
from ..errors import Refusal
from ..fitting import Longest, Standing, among, as_in
from ..ledger import BEFORE_CANCEL, Entry, operation
from ..microbiology import CRITERIA, Criterion, Figure, Judged, Verdict, figures
from ..models import Event, Flag, LabResult, Lot, Place, PlaceKind, alive
from ..waters import there


@operation(says="laboratory result", slot=17)
def lab_result(
    entry: Entry,
    *,
    criterion: Annotated[str, among(CRITERIA)],
    results: Annotated[str, as_in(LabResult, "figures")],
    lots: Sequence[Lot] = (),
    place: Standing | None = None,
    laboratory: Annotated[str, Longest(80)] = "",
    method: Annotated[str, Longest(80)] = "",
    sample: Annotated[str, Longest(40)] = "",
    taken_on: dt.date | None = None,
) -> None:
    """The figures of one report, of lots (a run, a cut, a fill's water) or of a place, in the
    criterion's unit. Of a tank it is of the water that stood in it then, too. A series of water
    samples is judged with those told of the same place before it."""
    rule = CRITERIA[criterion]
    found = figures(results)
    if not found:
        raise Refusal("no_figure", "Write the laboratory's figures.")
    if not lots and place is None:
        raise Refusal("where", "Say which lots or which place the sample was of.")
    spelt = " ".join(map(str, found))
    rows = [_row(entry, rule, spelt, _judged(rule, found, lot=lot), lot=lot) for lot in lots]
    if place is not None:
        judged = _judged(rule, found, place=place)
        rows += [_row(entry, rule, spelt, judged, place=place)]
        rows += [
            _row(entry, rule, spelt, judged, lot=water)
            for water in _waters(entry, place, taken_on)
            if water not in lots
        ]
    for row in rows:
        if row.verdict == Verdict.UNSATISFACTORY:
            of = row.lot or row.place
            entry.flag(Flag.Kind.LAB_FAILED, f"{rule.organism}, {of}: {row.says}", row.lot)
    entry.later.append(lambda: LabResult.objects.bulk_create(rows))


def _row(
    entry: Entry,
    rule: Criterion,
    spelt: str,
    judged: Judged,
    lot: Lot | None = None,
    place: Place | None = None,
) -> LabResult:
    return LabResult(
        event=entry.event,
        lot=lot,
        place=place,
        criterion=rule.name,
        figures=spelt,
        verdict=judged.verdict,
        says=judged.says[:400],
    )


def _waters(entry: Entry, place: Place, taken_on: dt.date | None) -> list[Lot]:
    """What stood in a tank when the sample was taken, as near as was told."""
    if place.kind != PlaceKind.TANK:
        return []
    start, end = entry.event.earliest_at, entry.event.latest_at
    if taken_on:
        start, end = clock.start_of(taken_on), clock.end_of(taken_on)
    return list(Lot.objects.filter(pk__in=there(place.pk, start, end)))


def _judged(
    rule: Criterion, found: list[Figure], lot: Lot | None = None, place: Place | None = None
) -> Judged:
    """A series is judged on the latest samples of its lot or place, as many as it asks for."""
    if not rule.series:
        return rule.judge(found)
    rows = LabResult.objects.filter(alive("event"), criterion=rule.name, lot=lot, place=place)
    earlier = [
        figure
        for text in rows.order_by("-event__placed_at", "-id").values_list("figures", flat=True)[:50]
        for figure in reversed(figures(text))
    ]
    least = getattr(rule.rule, "least", 0)
    return rule.judge([*found, *earlier[: max(0, least - len(found))]])


def _cancelled(entry: Entry, event: Event) -> None:
    LabResult.objects.filter(event=event).delete()


BEFORE_CANCEL["lab_result"] = _cancelled
