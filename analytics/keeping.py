"""Keep what stands, or clear it? Each standing sowing against what could stand there instead.

What a site is expected to earn from today on is its crop card's grams in the months to come, times
how its cuts came against the card so far, times what a gram of the crop brings. The rule itself is
in earning/keep_or_clear.py.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from math import inf
from typing import TYPE_CHECKING

from grow import clock, sums
from grow.models import NURSERY, Event, Holding, LotKind, Variety, alive

from .demand import AHEAD, SOLD_DAYS, asked_for
from .expected import Habit
from .fetches import ENOUGH_G, Charges, net_of_leaf
from .own_record import DAYS, PRIOR, Batch, Record
from .period import About, Period
from .raising import sown_on

if TYPE_CHECKING:
    from .earning.keep_or_clear import Replacement, Verdict

#: Days from today that are looked at.
HORIZON = 400
#: What is ripe within so many days is cut whether the plants stay or go.
RIPE_DAYS = 7
#: Days to clear, wipe and plant.
CHANGEOVER = 1
KEEP, CLEAR, NOT_SAID = "keep", "clear", "not said"


@dataclass(frozen=True)
class KeepRow:
    """One sowing. keep_p and instead_p: pence a site and week, on average to the day on which that
    average is greatest (keep_until, which is the horizon), and of what would stand there instead
    (to instead_days from now). day: when to clear it as things are; if it is kept, when its cuts
    to come no longer make up for what could stand there. ripe: the day of a cut within the week,
    that is taken either way and is in neither figure. level_pct: what its cuts are reckoned to give
    of what its card says; records_pct: how much of that rests on own cuts. why: what is missing
    where nothing is said."""

    sowing: str
    crop: str
    variety: str
    towers: str
    sites: int
    planted: dt.date
    cuts_made: int
    cuts_to_come: int
    says: str
    keep_p: Decimal | None = None
    keep_until: dt.date | None = None
    instead_p: Decimal | None = None
    instead: str = ""
    instead_days: int | None = None
    day: dt.date | None = None
    ripe: dt.date | None = None
    next_four_weeks_p: Decimal | None = None
    level_pct: int | None = None
    records_pct: int | None = None
    why: str = ""


@dataclass(frozen=True)
class InsteadRow:
    """What could be planted. plugs: sites that its plugs fill, None where they are yet to be sown;
    wait: days till they are ready; unsold: sites of it that demand still takes."""

    crop: str
    variety: str
    plugs: int | None
    wait: int
    unsold: int
    best_p: Decimal
    best_days: int
    cells: str = ""


@dataclass(frozen=True)
class _Offer:
    """A replacement with its variety, and the plants that its cells make."""

    crop: int
    variety: int
    cells: str
    of: Replacement
    weekly_g: float  # a site's, to its best stop


@dataclass
class _Curve:
    """What a site of a sowing earns by each cut to come, pence altogether from today; without the
    one that is ripe. weekly_g: what the sowing is to give a week while demand is known."""

    ripe: dt.date | None
    weekly_g: float
    days: list[int] = field(default_factory=list)
    earned: list[float] = field(default_factory=list)


class _Left:
    """What could be planted, best first, with the plugs and the demand that nothing has taken.
    asked: crop → grams a week; below nought where more stands than is asked for."""

    def __init__(self, offers: Iterable[_Offer], asked: Mapping[int, float]) -> None:
        self._offers = {offer.of.name: offer for offer in offers}
        self.asked: dict[int, float] = defaultdict(float, asked)

    def offered(self) -> list[_Offer]:
        """Each with its sites; of two of one crop the second has what the first leaves."""
        asked, out = dict(self.asked), []
        for offer in self._offers.values():
            grams = max(asked.get(offer.crop, 0.0), 0.0)
            sites = float(int(grams / offer.weekly_g)) if offer.weekly_g > 0 else 0.0
            out.append(replace(offer, of=replace(offer.of, unsold=sites)))
            asked[offer.crop] = grams - min(sites, offer.of.plugs) * offer.weekly_g
        return out

    def take(self, verdict: Verdict) -> None:
        for fill in verdict.fills:
            if offer := self._offers.get(fill.name):
                of = replace(offer.of, plugs=offer.of.plugs - fill.sites)
                self._offers[fill.name] = replace(offer, of=of)
                self.asked[offer.crop] -= fill.sites * offer.weekly_g


@dataclass
class Keeping:
    about: About
    rows: list[KeepRow] = field(default_factory=list)
    instead: list[InsteadRow] = field(default_factory=list)


def keeping(today: dt.date) -> Keeping:
    with clock.one_zone(), sums.one_moment():
        return _Keeper(today).read()


class _Keeper:
    def __init__(self, today: dt.date) -> None:
        self.today = today
        self.until = today + dt.timedelta(days=HORIZON)
        self.about = _about(today)
        self.record = Record(today)
        charges = Charges(clock.day_number(today), self.about)
        year = Period(today - dt.timedelta(days=DAYS - 1), today)
        self.net, _ = net_of_leaf(year, charges)
        self.charges = charges

    def read(self) -> Keeping:
        """The sowing that earns least first: what it would get is no longer there for the next."""
        batches = self.record.batches
        curves = {one.lot.pk: self._curve(one) for one in batches if not self._lacks(one)}
        left = _Left(self._offers(), asked_for(self.today))
        for one in batches:
            if one.lot.pk in curves:
                left.asked[one.lot.crop_id or 0] -= curves[one.lot.pk].weekly_g
        out = Keeping(self.about, instead=[self._listed(offer) for offer in left.offered()])
        for one in sorted(batches, key=lambda b: self._least(curves.get(b.lot.pk))):
            if why := self._lacks(one):
                out.rows.append(replace(self._row(one, 0, NOT_SAID), why=why))
            else:
                out.rows.append(self._said(one, curves[one.lot.pk], left))
        order = {CLEAR: 0, KEEP: 1, NOT_SAID: 2}
        out.rows.sort(key=lambda r: (order[r.says], r.day or dt.date.max, r.crop, r.sowing))
        self._missing(out)
        return out

    # --- what stands -----------------------------------------------------------------------

    def _lacks(self, one: Batch) -> str:
        variety = one.lot.variety_id
        if variety is None:
            return "no variety was told of it"
        if missing := self.record.lacking.get(variety):
            return missing
        return "" if one.lot.crop_id in self.net else "nothing of its crop was sold or has a price"

    def _curve(self, one: Batch) -> _Curve:
        of, each = self.record.habits[one.lot.variety_id or 0], self.net[one.lot.crop_id or 0].pence
        times = self.record.of_batch(one.lot).times * one.plants / max(one.sites, 1)
        cuts = list(of.cuts(one.since, one.made, self.today, self.until))
        ahead = self.today + dt.timedelta(days=AHEAD)
        supply = sum(grams for day, grams in cuts if day <= ahead) * times * one.sites
        soon = self.today + dt.timedelta(days=RIPE_DAYS)
        ripe = cuts.pop(0)[0] if cuts and cuts[0][0] <= soon else None
        found = _Curve(ripe, weekly_g=supply * 7 / AHEAD)
        total = 0.0
        for day, grams in cuts:
            total += grams * times * each
            found.days.append((day - self.today).days)
            found.earned.append(total)
        return found

    def _least(self, curve: _Curve | None) -> float:
        earned = zip(curve.days, curve.earned, strict=True) if curve else ()
        return max((pence / days for days, pence in earned), default=0.0)

    def _said(self, one: Batch, curve: _Curve, left: _Left) -> KeepRow:
        from .earning.keep_or_clear import keep_or_clear

        days, earned, ripe = curve.days, curve.earned, curve.ripe
        own = one.lot.crop_id or 0
        left.asked[own] += curve.weekly_g  # if it goes, what it would have given is wanted too
        offers = left.offered()
        verdict = keep_or_clear(
            days or [1], earned or [0.0], [offer.of for offer in offers], sites=one.sites
        )
        done = not days
        keeps = verdict.keep and not done
        if keeps:
            left.asked[own] -= curve.weekly_g
        else:
            left.take(verdict)
        level = self.record.of_batch(one.lot)
        month = max((p for d, p in zip(days, earned, strict=True) if d <= 28), default=0.0)
        return replace(
            self._row(one, len(days), KEEP if keeps else CLEAR),
            keep_p=_weekly(verdict.keep_p),
            keep_until=None if done else self._on(verdict.keep_days),
            instead_p=_weekly(verdict.replace_p),
            instead=verdict.instead,
            instead_days=round(max((fill.days for fill in verdict.fills), default=0)) or None,
            day=max(ripe or self.today, self._on(0 if done else _stop(verdict, days, earned))),
            ripe=ripe,
            next_four_weeks_p=_weekly(month / 28),
            level_pct=round(100 * level.times),
            records_pct=round(100 * (1 - level.card)),
            why="its cuts are then made" if done and ripe else "its cuts are made" if done else "",
        )

    def _on(self, days: float) -> dt.date:
        return self.today + dt.timedelta(days=round(days))

    def _row(self, one: Batch, to_come: int, says: str) -> KeepRow:
        variety = self.record.varieties.get(one.lot.variety_id or 0)
        return KeepRow(
            one.lot.code,
            variety.crop.name if variety else one.lot.title,
            variety.name if variety else "",
            _shortly(one.towers),
            one.sites,
            one.planted,
            one.made,
            to_come,
            says,
        )

    # --- what could stand there ------------------------------------------------------------

    def _offers(self) -> list[_Offer]:
        """Every sowing in the nursery, and each variety sown today, best first."""
        out: list[_Offer] = []
        rows = Holding.objects.filter(
            quantity__gt=0, place__kind__in=NURSERY, lot__kind=LotKind.BATCH
        ).values_list("lot__pk", "lot__code", "lot__variety", "lot__made_by__day", "quantity")
        found: Counter[tuple[int, str, int, int]] = Counter()
        for lot, code, variety, day, quantity in rows:
            if variety in self.record.habits:
                found[lot, code, variety, day] += quantity
        checked, sown = _checked(), sown_on({lot for lot, *_ in found})
        for (lot, code, variety, day), number in sorted(found.items()):
            of = self.record.habits[variety]
            age = (self.today - sown.get(lot, clock.number_day(day))).days
            wait = max((of.nursery or 0) - age, 0)
            usable = 1.0 if lot in checked or not wait else of.plugs
            if offer := self._offer(variety, of, wait, int(number * usable) * of.sites, code):
                out.append(offer)
        for variety, of in self.record.habits.items():
            if of.nursery and (offer := self._offer(variety, of, of.nursery, inf, "")):
                out.append(offer)
        return sorted(out, key=lambda o: (-o.of.best.pence, o.cells))

    def _offer(self, variety: int, of: Habit, wait: int, plugs: float, code: str) -> _Offer | None:
        from .earning.keep_or_clear import Replacement

        named = self.record.varieties[variety]
        crop = named.crop
        if crop.pk not in self.net or not plugs:
            return None
        if (raising := self.charges.of_site(named, of)) is None:
            return None
        start = self.today + dt.timedelta(days=max(wait, CHANGEOVER))
        times = self.record.of_variety(variety).times / of.sites
        each, total = self.net[crop.pk].pence, -raising
        days, earned, grams = [], [], []
        for day, one in of.cuts(start, 0, start, start + dt.timedelta(days=HORIZON)):
            total += one * times * each
            days.append((day - start).days)
            earned.append(total)
            grams.append(one * times)
        if not days or (start - self.today).days + days[0] > AHEAD:
            return None
        name = f"{crop} {code}" if code else f"{crop} {named.name} to be sown"
        found = Replacement(name, days, earned, wait, CHANGEOVER, plugs)
        best = found.best.days - max(wait, CHANGEOVER)
        grown = sum(g for day, g in zip(days, grams, strict=True) if day <= best)
        if not grown:  # a card whose first cut is nought, of leaf that brings nothing
            return None
        return _Offer(crop.pk, variety, code, found, grown / found.best.days * 7)

    def _listed(self, offer: _Offer) -> InsteadRow:
        of, variety = offer.of, self.record.varieties[offer.variety]
        return InsteadRow(
            variety.crop.name,
            variety.name,
            None if of.plugs == inf else int(of.plugs),
            round(of.wait),
            int(of.unsold),
            _weekly(of.best.pence),
            round(of.best.days),
            offer.cells,
        )

    def _missing(self, out: Keeping) -> None:
        about = self.about
        for pk, missing in self.record.lacking.items():
            variety = self.record.varieties[pk]
            about.gap(
                f"{variety.crop}, {variety.name}: {missing}, so nothing is said of it, and it is "
                "not offered."
            )
        listed = sorted(str(v.crop) for v in self._by_list())
        if listed:
            about.notes.append(
                f"By the price list, for less than {ENOUGH_G} g of it was sold in the year: "
                f"{', '.join(dict.fromkeys(listed))}."
            )

    def _by_list(self) -> list[Variety]:
        known = [self.record.varieties[pk] for pk in self.record.habits]
        return [v for v in known if v.crop_id in self.net and not self.net[v.crop_id].recorded]


def _weekly(pence: float) -> Decimal:
    return Decimal(str(round(pence * 7, 2)))


def _shortly(names: Sequence[str]) -> str:
    """Tower 6, 7, 8."""
    out: list[str] = []
    before = ""
    for name in names:
        first, _, last = name.rpartition(" ")
        out.append(last if first and first == before else name)
        before = first
    return ", ".join(out)


def _stop(verdict: Verdict, days: Sequence[int], earned: Sequence[float]) -> float:
    """Days from now to clear: of what is kept, when most is earned over what else could be."""
    if not verdict.keep:
        return verdict.clear_in
    over = [p - verdict.replace_p * d for d, p in zip(days, earned, strict=True)]
    return days[over.index(max(over))]


def _checked() -> set[int]:
    """Sowings whose cells were looked over: those that did not come up are gone from the books."""
    told = Event.objects.filter(alive(), kind="check_germination").values_list("told", flat=True)
    return {json.loads(row or "{}").get("batch") for row in told}


def _about(today: dt.date) -> About:
    return About(
        Period(today, today + dt.timedelta(days=HORIZON)),
        base="sites that each sowing holds today; what is spent already is spent",
        unit="pence a site and week, after crop minutes, net of tax",
        notes=[
            "To keep: what a site is expected to earn from today, on average to the day on which "
            "that average is greatest. Instead: the same of what could stand there, its raising, "
            "planting and clearing taken off and the days till its plugs are ready counted in.",
            "Best by: the day of that greatest average. Clear on: what is kept may stand longer, "
            "till its cuts to come no longer make up for what could stand there.",
            "Grams are those of the crop card, in the months in which they would be cut, times how "
            f"cuts came against the card in the last {DAYS} days. A card's word weighs as much as "
            f"{PRIOR} cuts: a variety's cuts against the card, a sowing's own against those.",
            f"A gram brings what the crop earned in the last {DAYS} days at the pack-house door, "
            "each leaf at what it fetches alone, less feed, packaging and crop minutes, over all "
            "that was cut of it, unsold leaf too.",
            f"Demand is what was sold or used a week in the last {SOLD_DAYS} days, or in the "
            f"coming {AHEAD} days a year ago if that was more, and a day's more for each day told "
            "as sold out. "
            f"Unsold demand is that less what stands is expected to give in the next {AHEAD} days. "
            "What would give its first leaf only later is not offered.",
            f"What is ripe within {RIPE_DAYS} days is cut either way, so it is in neither figure.",
            "The sowing that earns least is looked at first; the plugs and the demand that it "
            "would be cleared for are then not offered to the next.",
            "Plants that will die, interest, and what a change of price would do are not in it.",
        ],
    )


__all__ = ["CLEAR", "KEEP", "NOT_SAID", "InsteadRow", "KeepRow", "Keeping", "keeping"]
