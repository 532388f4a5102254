"""What to do after a month, and what speaks against it: from the month's own ranking, its leaf and
how its money is known.

Sites are moved only between two crops that the ranking of that month tells apart; leaf is looked
at where more money was lost in it. What speaks against it is whatever it rests on least firmly.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING

from grow.models import PlaceKind as K
from sales.statements import month_after

from .crop_ranking import RankTable
from .crop_table import CropSum, CropTable
from .earning.words import listed
from .period import Period, percent
from .waste import WasteRow

if TYPE_CHECKING:
    from .earning.ranking import Pair  # scipy is slow to load

#: Where leaf went that nobody bought, in the words of a sentence.
_LOST = {
    "grade_out_g": "graded out at the cut",
    "trim_g": "trimmed at the bench",
    "giveaway_g": "filled over the label",
    "samples_g": "taken as samples",
    "thrown_g": "thrown away unsold",
    "rejected_thrown_g": "rejected",
    "short_g": "short at the door",
    "unexplained_g": "missing at counts",
    "lost_at_rework_g": "lost at rework",
}
_WEEK = "a site and week after crop minutes"
_NOTHING = "Nothing here earned or was lost that one sentence could be about."


def money(pence: int | Decimal, currency: str = "") -> str:
    return f"{'−' if pence < 0 else ''}{abs(Decimal(pence)) / 100:,.2f} {currency}".rstrip()


def pence_in_words(pence: Decimal | float) -> str:
    return f"{pence:.1f} p".replace("-", "−")


@dataclass(frozen=True)
class _Two:
    """Two crops of one month, by what a site of them earned; pair: as the ranking has them."""

    better: CropSum
    worse: CropSum
    pair: Pair | None = None

    @property
    def gap_p(self) -> Decimal:
        """Pence a site and week."""
        return _value(self.better) - _value(self.worse)


def _value(row: CropSum) -> Decimal:
    return row.after_alone_per_site_week_p or Decimal(0)


@dataclass(frozen=True)
class Advising:
    """crops: those that held sites in the period, best first."""

    period: Period
    currency: str
    crops: Sequence[CropSum]
    ranking: RankTable
    lost: WasteRow
    table: CropTable

    def said(self) -> tuple[str, str]:
        """(what to do, what speaks against it)."""
        return self._advice, max(self.doubts(), key=lambda doubt: doubt[0])[1]

    # --- what may be compared ---------------------------------------------------------------

    @cached_property
    def weeks(self) -> dict[int | None, int]:
        """Crop → different weeks in which what held a site in the period was sown."""
        return {row.crop_id: row.weeks for row in self.ranking.rows}

    @cached_property
    def _judged(self) -> list[CropSum]:
        return [row for row in self.crops if self._weeks_of(row) >= self._least]

    @property
    def _least(self) -> int:
        from .earning.ratios import LEAST_WEEKS

        return LEAST_WEEKS

    def _weeks_of(self, row: CropSum) -> int:
        return self.weeks.get(row.crop_id, 0)

    @cached_property
    def _told(self) -> list[_Two]:
        """The pairs that the month tells apart, the one of most money first."""
        called = {row.crop: row for row in self.crops}
        found = [
            _Two(called[str(pair.better)], called[str(pair.worse)], pair)
            for pair in self.ranking.pairs
            if pair.told_apart
        ]
        found = [two for two in found if two.gap_p > 0]
        return sorted(found, key=lambda two: two.gap_p * two.worse.site_weeks, reverse=True)

    @cached_property
    def _move(self) -> _Two | None:
        """To a crop that was planted in the month, for basil cannot be in October."""
        return next((two for two in self._told if two.better.planted), None)

    @cached_property
    def _widest(self) -> _Two | None:
        """Of crops with weeks enough to be judged, where there are two of them."""
        of = self._judged if len(self._judged) > 1 else self.crops
        if len(of) < 2:
            return None
        names = {of[0].crop, of[-1].crop}
        pairs = (p for p in self.ranking.pairs if {str(p.one), str(p.other)} == names)
        return _Two(of[0], of[-1], next(pairs, None))

    # --- what to do -------------------------------------------------------------------------

    @cached_property
    def _advice(self) -> str:
        leaf, of_leaf = self._leaf
        if self._best_lost:
            lost = -sum(row.after_alone_p for row in self.crops)
            best = self._of_most[0]
            return of_leaf if leaf > lost else (
                f"No crop paid for its sites after crop minutes; {best.crop} lost least, "
                f"{pence_in_words(_value(best))} a site and week: look at prices and minutes "
                "before you sow more."
            )  # fmt: skip
        if self._move is not None:
            more = leaf > self._move.gap_p * self._move.worse.site_weeks
            return of_leaf if more else self._to_move(self._move)
        return " ".join(filter(None, (of_leaf, self._not_to_move))) or _NOTHING

    @property
    def _of_most(self) -> Sequence[CropSum]:
        return self._judged if len(self._judged) > 1 else self.crops

    @property
    def _best_lost(self) -> bool:
        return len(self.crops) > 0 and _value(self._of_most[0]) <= 0

    @cached_property
    def _leaf(self) -> tuple[Decimal, str]:
        """(pence of direct costs in the leaf that went unsold in one way, what to do about it)."""
        costs, lost = sum(row.costs_p for row in self.crops), self.lost
        each = Decimal(costs) / lost.cut_g if lost.cut_g else Decimal(0)
        grams, name = max((getattr(lost, name), name) for name in _LOST)
        pence = each * max(grams, lost.uncut_g)
        if pence <= 0:
            return Decimal(0), ""
        if lost.uncut_g > grams:
            return pence, (
                f"Sow less, or sell more: {lost.uncut_g / 1000:,.1f} kg were left uncut when their "
                "sites were cleared."
            )
        return pence, (
            f"Look at what was {_LOST[name]}: {grams / 1000:,.1f} kg, some "
            f"{money(round(pence), self.currency)} of direct costs."
        )

    def _to_move(self, two: _Two) -> str:
        worse, better = two.worse, two.better
        verb = "Give some of its" if _value(worse) >= 0 else "Sow no more of it, and give its"
        sites = self._held(worse)
        return (
            f"{worse.crop} earned {pence_in_words(_value(worse))} {_WEEK}, {better.crop} "
            f"{pence_in_words(_value(better))}, and {self._name} tells them apart. {verb} sites to "
            f"{better.crop}, as far as more of it sells: the {sites:,.0f} that it held on average "
            f"would be {money(two.gap_p * sites, self.currency)} a week.{self._passed_over(two)}"
        )

    @property
    def _not_to_move(self) -> str:
        two = self._widest
        if two is None:
            return ""
        if self._told:
            two = self._told[0]
            return (
                f"Move no sites now: {two.better.crop} earned {pence_in_words(_value(two.better))} "
                f"{_WEEK} and {two.worse.crop} {pence_in_words(_value(two.worse))}, but no "
                f"{two.better.crop} was planted in {self._name}.{self._passed_over(two)}"
            )
        gap = (
            f"{two.better.crop} {pence_in_words(_value(two.better))} to {two.worse.crop} "
            f"{pence_in_words(_value(two.worse))} {_WEEK}"
        )
        if len(self._judged) < 2:
            return (
                f"Move no sites on what {self._name} says: too few sowing weeks to tell its crops "
                f"apart. The widest gap, {gap}, says nothing yet."
            )
        return (
            f"Move no sites on what {self._name} says: it tells no two crops apart. The widest "
            f"gap, {gap}, may be chance.{self._passed_over(two)}"
        )

    def _passed_over(self, two: _Two) -> str:
        """Why a crop that earned less than the one that is named is not the one."""
        less = [row for row in self.crops if _value(row) < _value(two.worse)]
        few = [
            f"{row.crop} {pence_in_words(_value(row))} ({self._weeks_of(row)})"
            for row in less
            if row not in self._judged
        ]
        level = [f"{row.crop} {pence_in_words(_value(row))}" for row in less if row in self._judged]
        said = f" Passed over, of fewer than {self._least} sowing weeks: {listed(few)}."
        also = f" Passed over, not told apart from {two.better.crop}: {listed(level)}."
        return said * bool(few) + also * bool(level)

    @property
    def _name(self) -> str:
        return f"{self.period.first:%B}"

    def _held(self, row: CropSum) -> Decimal:
        """Sites that it held on average: site-weeks in a week."""
        spent = Decimal((self.period.elapsed - self.period.start).total_seconds())
        return row.site_s / spent if spent else Decimal(0)

    # --- what speaks against it -------------------------------------------------------------

    def doubts(self) -> Iterator[tuple[Decimal, str]]:
        """(how much of it is not firm, in per cent, a sentence)."""
        yield Decimal(1), "One month is little: look whether the month before says the same."
        yield from self._of_batches()
        margin, about = self.table.stands.margin, self.table.about
        if (standard := margin.total.standard_minutes_pct) and self.crops:
            says = "of the minutes are standard and not timed, and minutes decide the order of"
            yield standard, f"{standard} % {says} crops: time one day before you act on it."
        if standard := about.standard_pct:
            says = "of the costs are standard or estimated, so the money in it is no more exact"
            yield standard, f"{standard} % {says} than your rates."
        takings = {
            outlet: sum(of.takings.values()) for outlet, of in margin.money.of_outlets.items()
        }
        kitchen = sum(pence for outlet, pence in takings.items() if outlet.place.kind == K.KITCHEN)
        if share := percent(kitchen, sum(takings.values())):
            says = "of the takings are the own kitchen's, at a price agreed with oneself: at"
            yield share, f"{share} % {says} another price another crop may be first."
        days = (month_after(self.period.first) - self.period.first).days
        if to_come := percent(days - self.period.days, days):
            says = f"Only {self.period.days} of the {days} days of {self._name} are in it."
            yield to_come, says

    def _of_batches(self) -> Iterator[tuple[Decimal, str]]:
        """Of the crops that are named: too few to say anything, or how wide chance is."""
        two = self._move or self._widest
        if two is None:
            return
        named = (two.better,) if self._best_lost else (two.better, two.worse)
        row = min(named, key=self._weeks_of)
        if (number := self._weeks_of(row)) < self._least:
            says = f"Too few batches: what stood of {row.crop} is of {_weeks(number)}, and"
            least = "are the least from which anything may be concluded."
            yield Decimal(100), f"{says} {self._least} {least}"
        elif two.pair is not None and not self._best_lost:
            yield self._by_chance(two, two.pair)
        few = [row for row in self.crops if self._weeks_of(row) < self._least]
        if share := percent(sum(r.site_s for r in few), sum(r.site_s for r in self.crops)):
            says = (
                f"{share} % of the site-days are of crops too new or too seldom sown to be judged"
            )
            yield share, f"{says} by {self._name}: {listed([row.crop for row in few])}."

    def _by_chance(self, two: _Two, pair: Pair) -> tuple[Decimal, str]:
        """Of two told apart, by how much they may differ; of two that are not, how near they came
        and what it costs to wait."""
        from .earning.ranking import share_words
        from .earning.ratios import RESAMPLES

        gap, reach = abs(pair.difference), (pair.high - pair.low) / 2
        if pair.told_apart:
            low, high = (pence_in_words(7 * (gap + way * reach)) for way in (-1, 1))
            return Decimal(round(100 * reach / gap)), (
                f"By {_weeks(pair.weeks)} the gap may be as small as {low} or as wide as {high} a "
                "site and week."
            )
        ahead = share_words(max(pair.share, 1 - pair.share), RESAMPLES)
        a_week = money(two.gap_p * self._held(two.worse), self.currency)
        return Decimal(round(100 * gap / reach) if reach else 0), (
            f"{two.better.crop} is ahead of {two.worse.crop} in {ahead} of {_weeks(pair.weeks)}: "
            f"if that is no chance, to leave those sites alone costs {a_week} a week."
        )


def _weeks(number: int) -> str:
    return f"{number} sowing week{'s' if number != 1 else ''}"


__all__ = ["Advising", "money", "pence_in_words"]
