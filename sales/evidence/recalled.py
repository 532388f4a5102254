"""What a recall's part of the paper says: how it ran, the complaints that it may have begun with,
what its notices said and who approved them, when each customer was told and what they answered.

Who complained is kept nowhere, and so not here.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator

from grow import clock
from grow.models import Movement
from grow.wording import amount
from sales import roots
from sales.models import Complaint, Notice, RecallStep
from sales.recall_words import POINT_OF_SALE
from sales.recalls import State

#: A heading, its sentences, and what is said where there is none.
Part = tuple[str, list[str], str]


def parts(state: State) -> Iterator[Part]:
    yield "The recall", list(_ran(state)), ""
    yield "Complaints of its lots", list(_complaints(state)), "None is recorded."
    yield "What its notices said", list(_notices(state)), "No notice is approved."
    told = list(_told(state))
    yield "When customers were told, and what they answered", told, "Nobody is recorded as told."


def _ran(state: State) -> Iterator[str]:
    recall = state.recall
    told = [c for c in state.customers if c.first_told]
    yield f"{recall.noun} {recall.number}: {_ended(recall.hazard)}" + (
        f" Reason: {_ended(recall.reason)}" if recall.reason else ""
    )
    yield f"Opened {clock.said(recall.event.recorded_at)} by {recall.event.recorded_by}."
    if step := state.told_authority:
        yield f"Authority told {clock.said(step.event.happened_at)}: {step.to}."
    else:
        yield "Nobody has recorded that the authority was told."
    yield (
        f"{len(told)} of {len(state.customers)} customers told, "
        f"{len(state.customers) - len(state.unanswered)} answered."
    )
    for flag in state.breaches:
        yield f"Moved although it was held: {flag.says}"
    for flag in state.told_late:
        yield f"Told after the freeze: {flag.says}"
    if recall.closed_by:
        yield f"Closed {clock.said(recall.closed_by.recorded_at)}. {recall.done}"
    if recall.unexplained:
        yield f"What became of the rest: {_ended(recall.unexplained)}"
    elif state.unexplained > 0:
        yield f"Unexplained: {amount(state.unexplained, 'g')}; what became of it is not said yet."


def _ended(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _complaints(state: State) -> Iterator[str]:
    """Of a lot on the list; or of a product and a date that may be one of them."""
    on_list = {row.lot_id: row.lot for row in state.standing}
    rows = Complaint.objects.select_related(
        "event", "product", "lot", "outlet__place", "answered_by"
    )
    lines = {lot.line for lot in on_list.values() if lot.line}
    first = min(state.report.lots[pk].day for pk in on_list) if on_list else 0
    maybe = rows.filter(lot=None, event__day__gte=first)
    of_product = [one for one in maybe if one.product and one.product.line in lines]
    for complaint in sorted([*rows.filter(lot__in=on_list), *of_product], key=lambda one: one.pk):
        found = [lot.code for lot in roots.of_complaint(complaint).lots if lot.pk in on_list]
        if not found:
            continue
        of = complaint.lot.code if complaint.lot else _what(complaint)
        when = "after it was opened" if complaint.pk > state.recall.pk else "before it was opened"
        ill = " Somebody was ill." if complaint.ill else ""
        meant = "" if complaint.lot else f" It may be {', '.join(found)}."
        done = f" Done: {_ended(complaint.done)}" if complaint.answered_by else ""
        told = clock.said(complaint.event.happened_at)
        yield (
            f"Complaint {complaint}, told {told}, {when}, of {of}: "
            f"{_ended(complaint.happened)}{ill}{meant}{done}"
        )


def _what(complaint: Complaint) -> str:
    date = f"dated or bought {complaint.date:%d %b %Y}" if complaint.date else "no date told"
    at = f", bought at {complaint.outlet}" if complaint.outlet else ""
    return f"{complaint.product}, {date}{at}"


def _notices(state: State) -> Iterator[str]:
    """Each as it was approved; one that a later one replaced says so."""
    by_act: dict[int, list[Notice]] = defaultdict(list)
    last = {notice.pk for notice in state.notices.values()}
    rows = state.recall.notices.select_related("approved_by__recorded_by").order_by("id")
    for notice in rows:
        by_act[notice.approved_by_id].append(notice)
    for notices in by_act.values():
        act = notices[0].approved_by
        yield f"Approved {clock.said(act.recorded_at)} by {act.recorded_by}: {len(notices)}."
        for notice in notices:
            yield _notice(notice, replaced=notice.pk not in last)


def _notice(notice: Notice, *, replaced: bool) -> str:
    says = notice.says
    to = "At the point of sale" if notice.to == POINT_OF_SALE else f"To {notice.to}"
    lots = "; ".join(
        " ".join(filter(None, (lot["code"], lot["title"], _by(lot["use_by"]), lot["had"])))
        for lot in says["lots"]
    )
    more = [says["more"]] if says.get("more") else []
    return (
        f"{to}{' (replaced by a later one)' if replaced else ''}. What is wrong: "
        f"{_ended(says['hazard'])} Lots: {lots}. What to do: {' '.join([*says['do'], *more])}"
    )


def _by(use_by: str | None) -> str:
    return f"use by {dt.date.fromisoformat(use_by):%d %b %Y}" if use_by else ""


def _told(state: State) -> Iterator[str]:
    """In order of time: each call or letter, and each answer with what came back."""
    said = [
        (step.event.happened_at, f"{step.to} told by {step.how}" + ("" if step.answered else
         ": nobody answered"), step.event.recorded_by)
        for step in state.steps
        if step.what == RecallStep.What.NOTICE
    ]  # fmt: skip
    back: dict[int, list[str]] = defaultdict(list)
    moved = Movement.objects.filter(event__in=[reply.pk for reply in state.replies])
    for m in moved.select_related("lot", "to_place").order_by("id"):
        much = amount(m.quantity, m.lot.unit, kind=m.lot.kind)
        back[m.event_id].append(f"{m.lot.code} {much} to {m.to_place}")
    for reply in state.replies:
        answer = "; ".join(filter(None, (reply.says, *back[reply.pk])))
        said.append((reply.event.happened_at, f"{reply.to} answered: {answer}",
                     reply.event.recorded_by))  # fmt: skip
    for at, what, who in sorted(said, key=lambda row: row[0]):
        yield f"{clock.said(at)}: {what} (told by {who})."


__all__ = ["parts"]
