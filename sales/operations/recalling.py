"""A recall from the first stop to the last sentence; a mock one the same way, holding nothing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from inspect import unwrap
from typing import Annotated

from grow import clock, codes, gate
from grow.errors import NotAllowed, Refusal
from grow.fitting import Goods, Note, Number, Standing, among, as_in
from grow.ledger import BEFORE_CANCEL, Entry, operation
from grow.models import Basis, Event, Flag, Holding, Lot, Place, PlaceKind, SignOff, Thing
from grow.operations.stock import discard, refuse_unless_signed_off
from grow.signing import unfit
from sales import recall_scope, recall_words, recalls
from sales.models import (
    Complaint,
    Drill,
    Notice,
    Outlet,
    Product,
    Recall,
    RecallLot,
    RecallStep,
    RecallWindow,
    Reply,
)
from sales.recall_scope import Joins
from sales.roots import Window

from .selling import return_goods

#: How a customer was told.
BY = ("telephone", "e-mail", "by hand", "post")
Hazard = Annotated[str, as_in(Recall, "hazard")]
Sentence = Annotated[str, as_in(Recall, "unexplained")]
To = Annotated[str, as_in(RecallStep, "to")]


@dataclass(frozen=True)
class CameBack:
    """Of one lot, in its unit: what they sent back off their shelf, what customers brought back to
    them, what they destroyed."""

    lot: Goods
    returned: int = 0
    brought_back: int = 0
    destroyed: int = 0


# --- the scope -----------------------------------------------------------------------------------


@operation(says="recall opened", slot=12, gate_=gate.ALONE, can_cancel=False)
def open_recall(
    entry: Entry,
    *,
    kind: Annotated[str, among(Recall.Kind)],
    hazard: Hazard,
    lots: list[Lot] | None = None,
    place: Place | None = None,
    thing: Thing | None = None,
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
    windows: Sequence[Window] = (),
    mock: bool = False,
    reason: Annotated[str, as_in(Recall, "reason")] = "",
) -> None:
    """Stop these lots, what was in a place or touched by a thing in a window (or in several
    windows), and everything made from them, at once. hazard is what notices will say."""
    if not hazard.strip():
        raise Refusal("reason", "Say what is wrong with it: notices say the same.")
    every = _scope(lots, place, thing, since, until, windows)

    def write() -> None:
        recall = Recall.objects.create(
            event=entry.event,
            number=codes.take("Q", None)[0],
            kind=kind,
            is_mock=mock,
            hazard=hazard.strip(),
            reason=reason.strip(),
        )
        _widen(entry, recall, lots or [], every)

    entry.later.append(write)


@operation(says="recall widened", slot=12, gate_=gate.ALONE, can_cancel=False)
def widen_recall(
    entry: Entry,
    *,
    recall: Recall,
    reason: Annotated[str, as_in(Recall, "reason")],
    lots: list[Lot] | None = None,
    place: Place | None = None,
    thing: Thing | None = None,
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
    windows: Sequence[Window] = (),
) -> None:
    """More suspects: further lots, or another place or thing and window, or several. They are held
    at once."""
    _refuse_closed(recall)
    _refuse_no_reason(reason)
    every = _scope(lots, place, thing, since, until, windows)
    entry.later.append(lambda: _widen(entry, recall, lots or [], every))


@operation(says="recall narrowed", slot=12, gate_=gate.ALONE, can_cancel=False)
def narrow_recall(
    entry: Entry,
    *,
    recall: Recall,
    reason: Annotated[str, as_in(RecallLot, "narrowed_why")],
    lots: list[Lot] | None = None,
    window: RecallWindow | None = None,
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
) -> None:
    """Take lots out, or end a window, or bound it more closely; with what was in it for nothing
    else. What only this recall held is let go, so whoever says it is signed off for releasing. In
    doubt all of a lot stays in: a batch is presumed unsafe until somebody competent has found no
    evidence that the rest is."""
    _refuse_closed(recall)
    _refuse_no_reason(reason)
    refuse_unless_signed_off(entry, clock.number_day(entry.event.day))
    if not lots and window is None:
        raise Refusal("nought", "Name the lots that are taken out, or the window that is bounded.")
    inside = recall_scope.standing(recall)
    for lot in lots or []:
        if lot.pk not in inside:
            raise Refusal("not_in_recall", f"{lot.code} is not on the list of {recall}.")
    if window is not None:
        _refuse_wider(recall, window, since, until)

    def write() -> None:
        if window is not None:
            RecallWindow.objects.filter(pk=window.pk).update(ended_by=entry.event)
            if since or until:
                RecallWindow.objects.create(
                    recall=recall,
                    place=window.place,
                    thing=window.thing,
                    since=since or window.since,
                    until=until or window.until,
                    begun_by=entry.event,
                )
        recall_scope.narrow(entry, recall, lots or [], reason.strip())

    entry.later.append(write)


def _widen(entry: Entry, recall: Recall, lots: Sequence[Lot], windows: Iterable[Window]) -> None:
    found = dict.fromkeys((lot.pk for lot in lots), recall_scope.NAMED)
    for told in windows:
        window = RecallWindow.objects.create(
            recall=recall,
            place=told.place,
            thing=told.thing,
            since=told.since,
            until=told.until,
            begun_by=entry.event,
        )
        why = recall_scope.says(window)
        for lot in recall_scope.lots_of(window):
            found.setdefault(lot, Joins(RecallLot.How.OPENED, why, window))
    recall_scope.join(entry, recall, found)


def _scope(
    lots: Sequence[Lot] | None,
    place: Place | None,
    thing: Thing | None,
    since: dt.datetime | None,
    until: dt.datetime | None,
    windows: Sequence[Window],
) -> list[Window]:
    """Every window that was told, the single one first. Raises Refusal where there is no scope, or
    half of one."""
    if not (lots or place or thing or windows):
        raise Refusal("nought", "Name at least one lot, or a place or a thing and since when.")
    single = [Window(since, until, place, thing)] if since else []
    every = [*single, *windows]
    if (not since and (place or thing or until)) or any(
        bool(one.place) == bool(one.thing) for one in every
    ):
        raise Refusal(
            "half_told",
            "For a place or a thing say which one of the two, and since when; further ones are "
            "added by widening.",
        )
    if any(one.until and one.until < one.since for one in every):
        raise Refusal("a_window_ends_after_it_begins", "The window ends before it begins.")
    return every


def _refuse_wider(
    recall: Recall, window: RecallWindow, since: dt.datetime | None, until: dt.datetime | None
) -> None:
    window.refresh_from_db(fields=["ended_by"])  # it was found before the gate
    if window.recall_id != recall.pk or window.ended_by_id:
        raise Refusal("not_in_recall", f"That window is not one of {recall}.")
    first, last = since or window.since, until or window.until
    if first < window.since or (window.until and last and last > window.until):
        raise Refusal(
            "not_narrower",
            f"{recall_scope.says(window)} is the window; bound it within that, or widen the recall "
            "instead.",
        )
    if last and last < first:
        raise Refusal("a_window_ends_after_it_begins", "The window ends before it begins.")


def _refuse_closed(recall: Recall) -> None:
    recall.refresh_from_db(fields=["closed_by"])  # it was found before the gate
    if recall.closed_by:
        when = clock.local(recall.closed_by.recorded_at)
        raise Refusal(
            "recall_closed",
            f"{recall} was closed on {when:%d %b %Y %H:%M}; open another if there is more.",
        )


def _refuse_no_reason(reason: str) -> None:
    if not reason.strip():
        raise Refusal("reason", "Say why; the record stands on it.")


# --- telling -------------------------------------------------------------------------------------


@operation(says="authority told", slot=12, can_cancel=False)
def tell_authority(
    entry: Entry,
    *,
    recall: Recall,
    authority: To = "",
    answered: bool = True,
    reference: Note = "",
) -> None:
    """The local authority was told, or tried. In a mock recall nobody is rung up by it: the number
    is looked up, and one number is tried at the end."""
    _refuse_closed(recall)
    step = {"what": RecallStep.What.AUTHORITY, "to": authority.strip(), "answered": answered}
    entry.later.append(
        lambda: RecallStep.objects.create(recall=recall, event=entry.event, how="telephone", **step)
    )


@operation(says="notices approved", slot=12, gate_=gate.ALONE, can_cancel=False)
def approve_notices(entry: Entry, *, recall: Recall, seen: str, more: Note = "") -> None:
    """A named person, signed off for it, approves the notices as they were read: `seen` is the
    digest of those drafts. What is approved is frozen; what has changed since is approved anew."""
    _refuse_closed(recall)
    for person in entry.people:
        day = clock.number_day(entry.event.day)
        if reason := unfit(person, SignOff.Task.NOTICES, day):
            raise NotAllowed("not_signed_off", reason)
    state = recalls.state_of(recall)
    if not state.rung:
        raise Refusal(
            "authority_first",
            "Tell the local authority first, and record that you did, or that nobody answered; "
            "then approve the notices.",
        )
    found = recall_words.drafts(state)
    if seen != recall_words.digest(found):
        raise Refusal(
            "drafts_changed",
            "The records say more than when these notices were read. Read them again, then "
            "approve them.",
        )
    new = [
        draft
        for draft in found
        if (old := state.notices.get(draft["to"])) is None or not recall_words.same(draft, old.says)
    ]
    if not new:
        raise Refusal("nought", f"No notice of {recall} waits to be approved.")
    entry.later.append(
        lambda: Notice.objects.bulk_create(
            [
                Notice(
                    recall=recall,
                    approved_by=entry.event,
                    to=draft["to"],
                    says={**draft, "more": more.strip()},
                )
                for draft in new
            ]
        )
    )


@operation(says="customers told", slot=12, can_cancel=False)
def send_notice(
    entry: Entry,
    *,
    recall: Recall,
    to: list[str],
    how: Annotated[str, among(BY)] = "telephone",
    answered: bool = True,
) -> None:
    """These customers were told what their notice says, or tried in vain. Before it is approved
    that is refused; told as already done it is a fact, and flagged."""
    _refuse_closed(recall)
    state = recalls.state_of(recall)
    names = list(dict.fromkeys(name.strip() for name in to))
    if not names:
        raise Refusal("nought", "Say which customers were told.")
    customers = {customer.name: customer for customer in state.customers}
    for name in names:
        _refuse_stranger(state, name)
        if name in state.notices and name in customers and not customers[name].names_all:
            lots = sorted(customers[name].codes - recalls.named_in(state.notices[name]))
            entry.refuse_or(
                "not_approved",
                f"The notice to {name} does not name {', '.join(lots[:5])} yet, which they had "
                "too. A named person approves it anew first.",
            )
            entry.flag(
                Flag.Kind.AGAINST_RULE,
                f"{name} was told by a notice that does not name all that they had.",
            )
        elif name not in state.notices:
            entry.refuse_or(
                "not_approved",
                f"The notice to {name} is not approved yet. A named person approves it first.",
            )
            entry.flag(Flag.Kind.AGAINST_RULE, f"{name} was told before its notice was approved.")
    entry.later.append(
        lambda: RecallStep.objects.bulk_create(
            [
                RecallStep(
                    recall=recall,
                    event=entry.event,
                    what=RecallStep.What.NOTICE,
                    to=name,
                    how=how,
                    answered=answered,
                )
                for name in names
            ]
        )
    )


def _refuse_stranger(state: recalls.State, name: str) -> None:
    known = {customer.name for customer in state.customers} | set(state.notices) - {""}
    if name not in known:
        raise Refusal(
            "no_such_customer",
            f"“{name[:60]}” is not among those who must be told: {', '.join(sorted(known))}.",
        )


@operation(says="recall answered", slot=18.5)
def reply_recall(
    entry: Entry,
    *,
    recall: Recall,
    to: To,
    lines: Sequence[CameBack] = (),
    says: Annotated[str, as_in(Reply, "says")] = "",
) -> None:
    """What a customer answered. What they sent back goes to quarantine, what they destroyed is
    destroyed: the movements that a return and a throwing away write."""
    _refuse_closed(recall)
    state = recalls.state_of(recall)
    _refuse_stranger(state, to.strip())
    if not (lines or says.strip()):
        raise Refusal("nought", "Say what they answered: what came back, or that they have none.")
    if lines and recall.is_mock:
        raise Refusal("is_mock", f"{recall} is a mock recall: nothing comes back for it.")
    outlet = Outlet.objects.filter(place__name=to.strip()).select_related("place").first()
    inside = {row.lot_id for row in state.lots}
    for line in lines:
        if line.lot.pk not in inside:
            raise Refusal("not_in_recall", f"{line.lot.code} is not on the list of {recall}.")
        if outlet is None:
            raise Refusal(
                "not_ours", f"{to} is no outlet in the books: say in words what came back."
            )
        if min(line.returned, line.brought_back, line.destroyed) < 0 or not (
            line.returned + line.brought_back + line.destroyed
        ):
            raise Refusal("nought", f"Say how much of {line.lot.code} came back or was destroyed.")
        _back(entry, recall, outlet, line)
    entry.later.append(
        lambda: Reply.objects.create(
            recall=recall, event=entry.event, to=to.strip(), outlet=outlet, says=says.strip()
        )
    )


def _back(entry: Entry, recall: Recall, outlet: Outlet, line: CameBack) -> None:
    """By the same functions that a return and a throwing away are told by."""
    why = f"recall {recall.number}"
    for quantity, by_customers in ((line.returned, False), (line.brought_back, True)):
        if quantity:
            unwrap(return_goods)(
                entry,
                lot=line.lot,
                outlet=outlet,
                quantity=quantity,
                reason=why,
                from_customer=by_customers,
                to=PlaceKind.QUARANTINE,
            )
    if line.destroyed:
        unwrap(discard)(
            entry,
            lot=line.lot,
            from_place=outlet.place,
            to=PlaceKind.DESTROYED,
            quantity=line.destroyed,
            reason=why,
            basis=Basis.COUNTED,
        )


def _unanswered(entry: Entry, event: Event) -> None:
    Reply.objects.filter(event=event).delete()


BEFORE_CANCEL["reply_recall"] = _unanswered


# --- the end -------------------------------------------------------------------------------------


@operation(says="recall closed", slot=20, gate_=gate.ALONE, can_cancel=False)
def close_recall(
    entry: Entry, *, recall: Recall, done: Sentence, unexplained: Sentence = ""
) -> None:
    """Closed, with what was done about the cause; and where anything is unexplained, still out or
    unanswered, a sentence of what became of it. What is held stays held until it is released or
    destroyed."""
    _refuse_closed(recall)
    if recall.is_mock:
        raise Refusal("is_mock", f"{recall} is a mock recall: it ends with what it came to.")
    if not done.strip():
        raise Refusal("reason", "Say what was found and what was done about it.")
    if not unexplained.strip() and (open_ := still_open(recalls.state_of(recall))):
        raise Refusal(
            "unexplained", f"{open_} Say in a sentence what became of it, or wait with closing."
        )
    _close(entry, recall, done, unexplained)


def still_open(state: recalls.State) -> str:
    """What a closing must explain, in a sentence; empty when nothing is left to say."""
    said = []
    if not state.told_authority:
        said.append("the local authority is not told")
    if grams := state.unexplained:
        said.append(
            f"{abs(grams)} g {'are unexplained' if grams > 0 else 'more than was made are about'}"
        )
    if there := len({lot.pk for lot, *_ in state.out_there()}):
        said.append(f"{there} {'lot stands' if there == 1 else 'lots stand'} with customers still")
    if unanswered := state.unanswered:
        names = ", ".join(customer.name for customer in unanswered)
        said.append(f"{names} {'has' if len(unanswered) == 1 else 'have'} not answered")
    return f"{(all_ := '; '.join(said))[0].upper()}{all_[1:]}." if said else ""


@operation(says="mock recall closed", slot=20, gate_=gate.ALONE, can_cancel=False)
def close_mock(
    entry: Entry,
    *,
    recall: Recall,
    lot: Goods,
    place: Standing,
    counted: Number,
    telephone: Annotated[str, as_in(Drill, "telephone")],
    result: Annotated[str, as_in(Drill, "result")],
    shortcomings: Annotated[str, as_in(Drill, "shortcomings")] = "",
    corrective: Annotated[str, as_in(Drill, "corrective")] = "",
    retest_on: dt.date | None = None,
) -> None:
    """What a mock recall came to: one lot truly counted where it stands, one number that answered,
    the time it took, the balance, what fell short and what is done about it. The books are not
    touched: what was counted otherwise is told as a stock check."""
    _refuse_closed(recall)
    if not recall.is_mock:
        raise Refusal("is_mock", f"{recall} is no mock recall; it is closed by what became of it.")
    if lot.pk not in recall_scope.standing(recall):
        raise Refusal("not_in_recall", f"{lot.code} is not on the list of {recall}.")
    if not (telephone.strip() and result.strip()):
        raise Refusal("reason", "Say which number answered, and what came of it all.")
    held = Holding.objects.filter(lot=lot, place=place).first()
    booked = held.quantity if held else 0
    if counted != booked and not shortcomings.strip():
        raise Refusal(
            "unexplained",
            f"{counted} of {lot.code} were counted in {place}, and the books hold {booked}: say so "
            "among the shortcomings.",
        )
    if shortcomings.strip() and not corrective.strip():
        raise Refusal("what_is_done", "Say what is done about the shortcomings.")
    percent = recalls.state_of(recall).balance.percent
    took = entry.event.recorded_at - recall.event.recorded_at
    entry.later.append(
        lambda: Drill.objects.create(
            recall=recall,
            lot=lot,
            place=place,
            counted=counted,
            booked=booked,
            telephone=telephone.strip(),
            accounted_pct=None if percent is None else Decimal(str(percent)),
            seconds=max(0, int(took.total_seconds())),
            result=result.strip(),
            shortcomings=shortcomings.strip(),
            corrective=corrective.strip(),
            retest_on=retest_on,
        )
    )
    _close(entry, recall, result, "")


def _close(entry: Entry, recall: Recall, done: str, unexplained: str) -> None:
    entry.later.append(
        lambda: Recall.objects.filter(pk=recall.pk).update(
            closed_by=entry.event, done=done.strip(), unexplained=unexplained.strip()
        )
    )


# --- complaints ----------------------------------------------------------------------------------


@operation(says="complaint", slot=12, can_cancel=False)
def complain(
    entry: Entry,
    *,
    happened: Annotated[str, as_in(Complaint, "happened")],
    product: Product | None = None,
    date: dt.date | None = None,
    lot: Goods | None = None,
    outlet: Outlet | None = None,
    ill: bool = False,
) -> None:
    """Somebody complained: of what, with which date or lot on it, what happened. Nothing is held by
    it; the lead is shown which lots it may be. Who it was is kept elsewhere."""
    if not happened.strip():
        raise Refusal("reason", "Say what happened, in their words.")
    if product is None and lot is None:
        raise Refusal("a_complaint_is_of_something", "Say the product, or the lot on it.")
    entry.later.append(
        lambda: Complaint.objects.create(
            event=entry.event,
            number=codes.take("C", None)[0],
            product=product,
            lot=lot,
            date=date,
            outlet=outlet,
            happened=happened.strip(),
            ill=ill,
        )
    )


@operation(says="complaint answered", slot=12, can_cancel=False)
def put_right(
    entry: Entry,
    *,
    complaint: Complaint,
    done: Annotated[str, as_in(Complaint, "done")],
    retest_on: dt.date | None = None,
) -> None:
    """What was done about a complaint, and when it is looked at again."""
    if not done.strip():
        raise Refusal("reason", "Say what was done about it.")
    complaint.refresh_from_db(fields=["answered_by", "done"])  # it was found before the gate
    if complaint.answered_by:
        raise Refusal(
            "already_answered", f"{complaint} was answered before, by “{complaint.done}”."
        )
    entry.later.append(
        lambda: Complaint.objects.filter(pk=complaint.pk).update(
            answered_by=entry.event, done=done.strip(), retest_on=retest_on
        )
    )
