"""A recall as it stands now: who must be told and who has been, what answered, where it all is,
whether it adds up, what moved although it was held. Read only.

It says what is recorded, and never that anything is safe.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from grow import clock
from grow.flows import Balance
from grow.models import Event, Flag, Lot, PlaceKind, alive
from grow.models.ledger import Unit
from grow.wording import amount

from . import consignees, trace
from .consignees import Told
from .models import Notice, Recall, RecallLot, RecallStep, RecallWindow, Reply

#: Where what came back or was got hold of may lie until it is destroyed, and where it ends.
STOPPED = frozenset({PlaceKind.QUARANTINE})
GONE = frozenset({PlaceKind.DESTROYED, PlaceKind.LANDFILL, PlaceKind.COMPOST, PlaceKind.SAMPLE})
EATEN_OR_SOLD = frozenset({PlaceKind.SOLD, PlaceKind.SERVED, PlaceKind.STAFF, PlaceKind.DONATED})
#: Neither standing anywhere nor come to an end of its own: what became of it is in its children.
_INSIDE = frozenset({PlaceKind.USED})


@dataclass
class Customer:
    """Somebody who must be told: what they had, when they were told of all of it, whether they
    answered since. before: they were told or answered, and more of what they had has joined."""

    told: Told
    notice: Notice | None = None
    first_told: RecallStep | None = None
    tries: int = 0
    replies: list[Reply] = field(default_factory=list)
    answered: bool = False
    before: bool = False

    @property
    def codes(self) -> set[str]:
        return {code for code, *_ in self.told.lots}

    @property
    def names_all(self) -> bool:
        """Whether the notice that was approved last names all that they had."""
        return self.notice is not None and self.codes <= named_in(self.notice)

    @property
    def name(self) -> str:
        return self.told.who.outlet

    @property
    def state(self) -> str:
        """answered, told, again (of what joined since), tried, or nothing yet."""
        if self.answered:
            return "answered"
        if self.first_told:
            return "told"
        if self.before:
            return "again"
        return "tried" if self.tries else ""


def named_in(notice: Notice) -> set[str]:
    return {lot["code"] for lot in notice.says["lots"]}


@dataclass
class State:
    """The whole of it, read at once."""

    recall: Recall
    lots: list[RecallLot]
    as_of: dt.datetime

    @cached_property
    def report(self) -> trace.Report:
        return trace.report({row.lot_id for row in self.standing})

    @property
    def standing(self) -> list[RecallLot]:
        return [row for row in self.lots if row.narrowed_by_id is None]

    @property
    def out(self) -> list[RecallLot]:
        return [row for row in self.lots if row.narrowed_by_id]

    @cached_property
    def windows(self) -> list[RecallWindow]:
        return list(self.recall.windows.filter(ended_by=None).select_related("place", "thing"))

    @cached_property
    def balance(self) -> Balance:
        """In grams, of all that is eaten; moves between its lots count once."""
        return self.report.flows.together({row.lot_id for row in self.standing})

    @cached_property
    def steps(self) -> list[RecallStep]:
        return list(self.recall.steps.select_related("event__recorded_by").order_by("id"))

    @cached_property
    def every_notice(self) -> list[Notice]:
        rows = self.recall.notices.select_related("approved_by__recorded_by")
        return list(rows.order_by("approved_by", "id"))

    @cached_property
    def notices(self) -> dict[str, Notice]:
        """By the customer's name, the one approved last; "" is for the point of sale."""
        return {notice.to: notice for notice in self.every_notice}

    def _of_all(self, customer: Customer, event: int) -> bool:
        """Whether an act with a customer was about all that they had: by the notice that stood
        then; where there was none, by what was on the list."""
        stood = [n for n in self.every_notice if n.to == customer.name and n.approved_by_id < event]
        if stood:
            return customer.codes <= named_in(stood[-1])
        joined = {row.lot.code: row.joined_by_id for row in self.standing}
        return all(joined[code] < event for code in customer.codes)

    @cached_property
    def replies(self) -> list[Reply]:
        rows = self.recall.replies.filter(alive("event")).select_related("event__recorded_by")
        return list(rows.order_by("event"))

    @cached_property
    def customers(self) -> list[Customer]:
        """Everybody who had any of it, by name; and whoever was told when more was on the list."""
        report = self.report
        told = consignees.must_be_told(
            report.flows, report.consignees, {row.lot_id for row in self.standing}
        )
        found = {one.who.outlet: Customer(one, self.notices.get(one.who.outlet)) for one in told}
        reached = {s.to for s in self.steps if s.what == RecallStep.What.NOTICE}
        reached |= {reply.to for reply in self.replies}
        for one in consignees.by_name(reached - found.keys()):
            found[one.outlet] = Customer(Told(one), self.notices.get(one.outlet))
        for step in self.steps:
            if step.what == RecallStep.What.NOTICE:
                customer = found[step.to]
                customer.tries += 1
                if step.answered and not self._of_all(customer, step.event_id):
                    customer.before = True
                elif step.answered and customer.first_told is None:
                    customer.first_told = step
        for reply in self.replies:
            customer = found[reply.to]
            customer.replies.append(reply)
            if self._of_all(customer, reply.event_id):
                customer.answered = True
            else:
                customer.before = True
        return [found[name] for name in sorted(found)]

    @property
    def unanswered(self) -> list[Customer]:
        """Who had some of what is on the list now and has not answered."""
        return [one for one in self.customers if one.told.lots and not one.answered]

    @cached_property
    def told_authority(self) -> RecallStep | None:
        return next((step for step in self.rung if step.answered), None)

    @cached_property
    def rung(self) -> list[RecallStep]:
        """Each time that the authority was told, or tried in vain."""
        return [step for step in self.steps if step.what == RecallStep.What.AUTHORITY]

    @cached_property
    def flags(self) -> list[Flag]:
        """What was told since it was opened of its lots and stands out, breaches first."""
        if self.recall.is_mock:
            return []
        rows = Flag.objects.filter(
            alive("event"),
            event__gt=self.recall.pk,
            kind__in=[Flag.Kind.BREACH, Flag.Kind.AFTER_FREEZE],
            lot__in=[row.lot_id for row in self.standing],
        ).select_related("event", "lot")
        return sorted(rows, key=lambda flag: (flag.kind != Flag.Kind.BREACH, flag.pk))

    @property
    def breaches(self) -> list[Flag]:
        return [flag for flag in self.flags if flag.kind == Flag.Kind.BREACH]

    @property
    def told_late(self) -> list[Flag]:
        return [flag for flag in self.flags if flag.kind == Flag.Kind.AFTER_FREEZE]

    def sums(self) -> list[tuple[str, str]]:
        """Where all of it is, in one line each: packs by number, the rest by weight."""
        return [(name, said) for name, kinds in _SUMS if (said := self._much(kinds))]

    def _much(self, kinds: Any) -> str:
        by_unit: dict[str, int] = {}
        flows = self.report.flows
        for row in self.standing:
            lot = flows.lots[row.lot_id]
            if lot.kind not in _COUNTS:
                continue
            for here in lot.here:
                if kinds(here.place.kind):
                    unit = lot.kind if lot.unit == Unit.EACH else lot.unit
                    by_unit[unit] = by_unit.get(unit, 0) + here.quantity
        return ", ".join(
            amount(n, Unit.EACH, kind=unit) if unit == "pack" else amount(n, unit)
            for unit, n in sorted(by_unit.items())
        )

    @property
    def unexplained(self) -> int:
        """Grams that nobody can account for."""
        return self.balance.unexplained

    def out_there(self) -> list[tuple[Lot, str, int]]:
        """What still stands with customers or on the way to them: (lot, place, quantity)."""
        rows = []
        for row in self.standing:
            for here in self.report.lots[row.lot_id].here:
                if here.place.kind in _WITH_THEM and here.quantity > 0:
                    rows.append((row.lot, here.place.name, here.quantity))
        return rows

    def as_json(self) -> dict[str, Any]:
        recall = self.recall
        return {
            "number": recall.number,
            "kind": recall.kind,
            "mock": recall.is_mock,
            "hazard": recall.hazard,
            "reason": recall.reason,
            "opened_at": recall.event.happened_at.isoformat(),
            "authority_told_at": _at(self.told_authority),
            "approved_at": min(
                (n.approved_by.recorded_at.isoformat() for n in self.notices.values()),
                default=None,
            ),
            "first_told_at": _at(
                min(
                    (c.first_told for c in self.customers if c.first_told),
                    key=lambda step: step.event.happened_at,
                    default=None,
                )
            ),
            "closed_at": recall.closed_by and recall.closed_by.recorded_at.isoformat(),
            "unexplained_says": recall.unexplained,
            "scope": [
                {
                    "place": window.place and str(window.place),
                    "thing": window.thing and str(window.thing),
                    "since": window.since.isoformat(),
                    "until": window.until and window.until.isoformat(),
                    "id": window.pk,
                }
                for window in self.windows
            ],
            "lots": [
                {
                    "code": row.lot.code,
                    "title": row.lot.title,
                    "how": row.how,
                    "why": row.why,
                    "narrowed_out": row.narrowed_why if row.narrowed_by_id else None,
                }
                for row in self.lots
            ],
            "customers": [
                {
                    **customer.told.as_json(),
                    "state": customer.state,
                    "told_at": _at(customer.first_told),
                    "answers": [reply.says for reply in customer.replies],
                }
                for customer in self.customers
            ],
            "breaches": [flag.says for flag in self.breaches],
            "told_after_the_freeze": [flag.says for flag in self.told_late],
            "balance": self.balance.as_json(),
            "as_of": self.as_of.isoformat(),
        }


_COUNTS = frozenset({"harvest", "produce", "pack"})
_WITH_THEM = frozenset({PlaceKind.TRANSIT, PlaceKind.SHOP, PlaceKind.KITCHEN, PlaceKind.BUYER})
_ENDED = GONE | EATEN_OR_SOLD | _INSIDE | {PlaceKind.COUNT_DIFFERENCE}
_SUMS = (
    ("Stopped: in quarantine or sent back", lambda kind: kind in STOPPED),
    ("With customers, or on the way", lambda kind: kind in _WITH_THEM),
    ("Here, held", lambda kind: kind not in _ENDED | STOPPED | _WITH_THEM),
    ("Sold, served or given away", lambda kind: kind in EATEN_OR_SOLD),
    ("Destroyed or thrown away", lambda kind: kind in GONE),
    ("Unexplained", lambda kind: kind == PlaceKind.COUNT_DIFFERENCE),
)


def _at(step: RecallStep | None) -> str | None:
    return step.event.happened_at.isoformat() if step else None


def state_of(recall: Recall) -> State:
    rows = RecallLot.objects.filter(recall=recall).select_related("lot", "joined_by")
    return State(recall, list(rows.order_by("id")), clock.now())


def the_recalls() -> Iterable[Recall]:
    """All of them, the open ones first, then the latest."""
    rows = Recall.objects.select_related("event__recorded_by", "closed_by")
    return sorted(rows, key=lambda recall: (recall.closed_by_id is not None, -recall.pk))


#: Trade schemes ask for a mock recall at least once a year; it is no law.
YEARLY = dt.timedelta(days=365)


def drill_due(now: dt.datetime) -> str:
    """Why a mock recall is due: it is a year since, or what fell short was to be looked at again by
    now. Empty when it is not, or when there is nothing yet to try it on."""
    last = Event.objects.filter(recall_closed__is_mock=True).order_by("-recorded_at").first()
    if last is None:
        if not Lot.objects.filter(kind__in=_COUNTS).exists():
            return ""
        return "No mock recall is recorded yet: try one, once a year at least."
    day = clock.local(last.recorded_at)
    again = last.recall_closed.drill.retest_on
    if again and again <= clock.local(now).date():
        return f"What fell short in the mock recall of {day:%d %b %Y} is to be looked at again."
    if now - last.recorded_at < YEARLY:
        return ""
    return f"The last mock recall was on {day:%d %b %Y}: one is due."


__all__ = ["Customer", "State", "drill_due", "state_of", "the_recalls"]
