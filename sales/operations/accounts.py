"""Months are closed: what was told by then is stated once."""

from __future__ import annotations

import datetime as dt

from django.db.models import Min

from grow import clock, codes, gate
from grow.errors import Conflict, Refusal
from grow.ledger import Entry, operation
from grow.models import Movement
from sales.models import Money, Outlet, Statement
from sales.statements import as_it_stands, to_keep


@operation(says="statement issued", slot=23, gate_=gate.ALONE, can_cancel=False)
def issue_statement(entry: Entry, *, outlet: Outlet, month: dt.date) -> None:
    """The statement of an outlet for a month, by any day of it, as it stands told now. Months are
    stated in their order, once, when they are over. Alone, so that nobody is in the midst of
    telling something that would belong on it."""
    name = f"{month:%B %Y}"
    number = month.year * 100 + month.month
    if number >= number_of_today():
        raise Refusal("month_not_over", f"{name} is not over; its statement can be issued then.")
    later = Statement.objects.filter(outlet=outlet, month__gte=number).order_by("month").first()
    if later and later.month == number:
        raise Conflict(
            "stated", f"{name} of {outlet} has its statement, {later.number}.", event=later.event_id
        )
    if later:
        raise Refusal(
            "stated_since",
            f"{outlet} has its statement {later.number} of a later month: what is told of {name} "
            "stands on the next one.",
        )
    missing = _first_open(outlet)
    if missing and (missing.year, missing.month) < (month.year, month.month):
        raise Refusal(
            "stated_in_order",
            f"{missing:%B %Y} of {outlet} has no statement yet: issue that first, so that nothing "
            "falls between two.",
        )
    entry.later.append(lambda: _state(entry, outlet, month.replace(day=1)))


def _first_open(outlet: Outlet) -> dt.date | None:
    """The first month that is not stated: after the last one that is, else that of the first money
    there."""
    last = Statement.objects.filter(outlet=outlet).order_by("-month").first()
    if last:
        return last.after
    day = Money.objects.filter(outlet=outlet).aggregate(day=Min("movement__day"))["day"]
    return clock.number_day(day) if day else None


def number_of_today() -> int:
    today = clock.local(clock.now()).date()
    return today.year * 100 + today.month


def _state(entry: Entry, outlet: Outlet, first: dt.date) -> None:
    last = Movement.objects.order_by("-pk").values_list("pk", flat=True).first()
    Statement.objects.create(
        event=entry.event,
        number=codes.take("A", None)[0],
        outlet=outlet,
        month=first.year * 100 + first.month,
        up_to=last or 0,
        stated=to_keep(as_it_stands(outlet, first)),
    )
