"""What was paid for things bought in, beside what the crops were charged for them; and what belongs
to no crop at all: the fixed round, rent, heat, pumps and fans. None of it is in any crop's margin.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from grow import clock, sums
from grow.models import Event, Item, alive
from grow.shares import shared_out

from .costs import PENCE, Costs
from .margin import Margin
from .models import Rate
from .period import About, Period
from .rates import Rates, half_up

W = Rate.What
Kind = Item.Kind
BOUGHT_IN = "Leaf grown by others"
#: What each charge is for; pots, water and light are told by no receipt.
_CHARGED = {
    W.SEED: "Seed and young plants",
    W.MEDIUM: Kind.MEDIUM.label,
    W.NUTRIENT: Kind.NUTRIENT.label,
    W.PACKAGING: Kind.PACKAGING.label,
    W.POT: "Net pots",
    W.WATER: "Water",
    W.LIGHT: "Light",
}
_OF_KIND = {Kind.SEED: _CHARGED[W.SEED], Kind.YOUNG_PLANTS: _CHARGED[W.SEED]}


@dataclass
class PaidRow:
    """One kind of thing bought in. paid_p: of receipts in the period. by_receipt_p, by_rate_p: what
    the crops were charged for it. less_p: paid less charged, which is in the cupboard still, or
    was wasted; None of a kind that no receipt told by the period's end has a price of, whose charge
    is all that is known of what it cost. Whole pence, net of tax."""

    what: str
    paid_p: int = 0
    by_receipt_p: int = 0
    by_rate_p: int = 0
    less_p: int | None = None

    @property
    def charged_p(self) -> int:
        return self.by_receipt_p + self.by_rate_p


def paid(period: Period, spent: Costs) -> tuple[list[PaidRow], PaidRow]:
    """(by kind, in all). What was charged adds up to the margin's lines of cost, to the penny."""
    rows: dict[str, PaidRow] = {}

    def row(what: str) -> PaidRow:
        return rows.setdefault(what, PaidRow(what))

    priced = _receipts(period)
    for what, pence in priced.items():
        if pence:
            row(what).paid_p += pence
    for line, whats in (*((n, [w for w, _ in p]) for n, p in PENCE.items()), _PACKAGING):
        parts = [(what, by) for what in whats for by in ("by_receipt", "by_rate")]
        exact = [
            spent.by_rate(what) if by == "by_rate" else spent.by_receipt[what] for what, by in parts
        ]
        whole = half_up(sum(spent.pence[line].values(), Fraction(0)))
        shares = shared_out(whole, [half_up(pence, 10**9) for pence in exact])
        for (what, by), pence in zip(parts, shares, strict=True):
            if pence:
                found = row(_CHARGED[what])
                setattr(found, f"{by}_p", getattr(found, f"{by}_p") + pence)
    if bought := half_up(sum(spent.pence["bought_in"].values(), Fraction(0))):
        row(BOUGHT_IN).paid_p += bought
        row(BOUGHT_IN).by_receipt_p += bought
    for what in {*priced, BOUGHT_IN} & rows.keys():
        rows[what].less_p = rows[what].paid_p - rows[what].charged_p
    total = PaidRow("In all", less_p=sum(found.less_p or 0 for found in rows.values()))
    for found in rows.values():
        for name in ("paid_p", "by_receipt_p", "by_rate_p"):
            setattr(total, name, getattr(total, name) + getattr(found, name))
    return sorted(rows.values(), key=lambda found: found.what), total


_PACKAGING = ("packaging", [W.PACKAGING])


def _receipts(period: Period) -> Mapping[str, int]:
    """What was paid in a period, of each kind with a price on any receipt up to its end."""
    first, last = period.numbers
    kinds = dict(Item.objects.values_list("pk", "kind"))
    out: Counter[str] = Counter()
    told = Event.objects.filter(alive(), kind="receive_input", day__lte=last)
    for text, day in told.values_list("told", "day"):
        facts = json.loads(text or "{}")
        if (pence := facts.get("paid_pence")) is not None:
            kind = Kind(kinds[facts["item"]])
            out[_OF_KIND.get(kind, kind.label)] += pence if day >= first else 0
    return out


# --- what belongs to no crop --------------------------------------------------------------------


@dataclass(frozen=True)
class FixedRow:
    """says: how it comes about, in words; days: of the period with a rate. Whole pence."""

    what: str
    says: str
    days: int
    pence: int


def fixed(period: Period, about: About) -> list[FixedRow]:
    """The fixed round, rent, heat and power over the days of a period that are spent. A rate that
    is not told is a gap in words; a part of it is charged for the days on which it held."""
    rates, days = Rates(), list(_spent_days(period))
    out = []
    for what, of in _FIXED.items():
        exact: Fraction = Fraction(0)
        told: dict[str, None] = {}
        held = 0
        for day in days:
            found = of(rates, day)
            if found is not None:
                exact += found[0]
                told[found[1]] = None
                held += 1
        if held and held < len(days):
            about.gap(f"{what.label}: no rate on {len(days) - held} of {len(days)} days.")
        if held:
            out.append(FixedRow(what.label, "; ".join(told), held, half_up(exact)))
        elif days:
            about.gap(f"No rate for “{what.label}”, so what it costs is left out.")
    return out


def _spent_days(period: Period) -> Iterator[int]:
    day, last = period.first, min(period.last, clock.local(clock.now()).date())
    while day <= last:
        yield clock.day_number(day)
        day += dt.timedelta(days=1)


def _round(rates: Rates, day: int) -> tuple[Fraction, str] | None:
    minutes, wage = rates.of(W.ROUND_MINUTES, None, day), rates.of(W.WAGE, None, day)
    if minutes is None or wage is None:
        return None
    says = f"{minutes.normalize():f} minutes a day at {wage.normalize():f} pence an hour"
    return Fraction(minutes) * Fraction(wage) / 60, says


def _weekly(what: W) -> Callable[[Rates, int], tuple[Fraction, str] | None]:
    def of(rates: Rates, day: int) -> tuple[Fraction, str] | None:
        pence = rates.of(what, None, day)
        if pence is None:
            return None
        return Fraction(pence) / 7, f"{pence.normalize():f} pence a week"

    return of


def _power(rates: Rates, day: int) -> tuple[Fraction, str] | None:
    kwh, pence = rates.of(W.POWER, None, day), rates.of(W.ELECTRICITY, None, day)
    if kwh is None or pence is None:
        return None
    says = f"{kwh.normalize():f} kWh a week at {pence.normalize():f} pence"
    return Fraction(kwh) * Fraction(pence) / 7, says


_FIXED = {
    W.ROUND_MINUTES: _round,
    W.RENT: _weekly(W.RENT),
    W.HEAT: _weekly(W.HEAT),
    W.POWER: _power,
}

# --- both beside the crops ----------------------------------------------------------------------


@dataclass
class Beside:
    """What no crop's margin has in it. left_p: what all crops earned after crop minutes, less what
    was paid and not charged, less what belongs to no crop. What no receipt tells stays charged."""

    about: About
    paid: list[PaidRow]
    paid_total: PaidRow
    fixed: list[FixedRow]
    after_labour_p: int

    @property
    def left_p(self) -> int:
        fixed_p = sum(row.pence for row in self.fixed)
        return self.after_labour_p - (self.paid_total.less_p or 0) - fixed_p


def beside(found: Margin) -> Beside:
    about = About(
        found.about.period,
        base="receipts of the period beside what its crops were charged; rates of its days",
        unit="pence, net of tax",
        notes=[
            "Paid less charged is in the cupboard still, was wasted, or is of a kind that no crop "
            "is charged for; below nought, more was used than was bought in that time.",
            "Of net pots, water and light, and of what no receipt up to then has a price of, "
            "nothing is paid less charged: they cost what was charged.",
        ],
    )
    with sums.one_moment():
        rows, total = paid(found.about.period, found.spent)
        fixed_rows = fixed(found.about.period, about)
    return Beside(about, rows, total, fixed_rows, found.total.after_labour_p)


__all__ = ["Beside", "FixedRow", "PaidRow", "beside", "fixed", "paid"]
