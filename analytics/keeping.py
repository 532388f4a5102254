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
from math import ceil, inf
from typing import TYPE_CHECKING

from grow import clock, sums
from grow.models import NURSERY, Event, Holding, LotKind, PlantSite, Variety, alive
from grow.queries import living

from .demand import AHEAD, asked_for
from .expected import Habit
from .fetches import ENOUGH_G, Charges, net_of_leaf
from .keep_rows import (
    CHANGEOVER,
    CLEAR,
    HORIZON,
    KEEP,
    NOT_SAID,
    RIPE_DAYS,
    InsteadRow,
    Keeping,
    KeepRow,
    about_keeping,
)
from .own_record import DAYS, Batch, Record
from .period import Period
from .raising import sown_on

if TYPE_CHECKING:
    from .earning.keep_or_clear import Fill, Replacement, Verdict


@dataclass(frozen=True)
class _Offer:
    """A replacement with its variety, and the plants that its cells make."""

    crop: int
    variety: int
    cells: str
    of: Replacement
    weekly_g: float  # a site's, to its best stop

    @property
    def sown_today(self) -> bool:
        return not self.cells


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
    asked: crop → grams a week, below nought where more stands than is asked for; empty: sites that
    stand empty and that nothing has taken; on_empty: name of an offer → sites of them that it got;
    now: the same of what is planted, or sown for, today, those of what is cleared among them."""

    def __init__(
        self, offers: Iterable[_Offer], asked: Mapping[int, float], empty: float = 0
    ) -> None:
        self._offers = {offer.of.name: offer for offer in offers}
        self.asked: dict[int, float] = defaultdict(float, asked)
        self.empty = empty
        self.on_empty: Counter[str] = Counter()
        self.now: Counter[str] = Counter()

    def copy(self) -> _Left:
        found = _Left(self._offers.values(), self.asked, self.empty)
        found.on_empty, found.now = self.on_empty.copy(), self.now.copy()
        return found

    def offered(self) -> list[_Offer]:
        """Each with its sites; of two of one crop the second has what the first leaves."""
        asked, out = dict(self.asked), []
        for offer in self._offers.values():
            grams = max(asked.get(offer.crop, 0.0), 0.0)
            sites = float(int(grams / offer.weekly_g)) if offer.weekly_g > 0 else 0.0
            out.append(replace(offer, of=replace(offer.of, unsold=sites)))
            asked[offer.crop] = grams - min(sites, offer.of.plugs) * offer.weekly_g
        return out

    def fill_empty(self) -> None:
        """Plant the sites that stand empty, best first: nothing has to be cleared for that."""
        from .earning.keep_or_clear import planted

        for of, sites in planted(self.empty, [offer.of for offer in self.offered()]):
            self.empty -= sites
            self.on_empty[of.name] += round(sites)
            self._plant(of.name, sites, today=True)

    def take(self, fills: Iterable[Fill], today: bool) -> None:
        """Of a sowing that is cleared today or later; what is left of its sites stands empty."""
        for fill in fills:
            if fill.name in self._offers:
                self._plant(fill.name, fill.sites, today)
            else:
                self.empty += fill.sites

    def _plant(self, name: str, sites: float, today: bool) -> None:
        offer = self._offers[name]
        of = replace(offer.of, plugs=offer.of.plugs - sites)
        self._offers[name] = replace(offer, of=of)
        self.asked[offer.crop] -= sites * offer.weekly_g
        if offer.sown_today or (today and not of.wait):
            self.now[name] += round(sites)


def keeping(today: dt.date) -> Keeping:
    with clock.one_zone(), sums.one_moment():
        return _Keeper(today).read()


class _Keeper:
    def __init__(self, today: dt.date) -> None:
        self.today = today
        self.until = today + dt.timedelta(days=HORIZON)
        self.about = about_keeping(today)
        self.record = Record(today)
        charges = Charges(clock.day_number(today), self.about)
        year = Period(today - dt.timedelta(days=DAYS - 1), today)
        self.net, _ = net_of_leaf(year, charges)
        self.charges = charges

    def read(self) -> Keeping:
        """The sowing that earns least first: what it would get is no longer there for the next."""
        batches = self.record.batches
        curves = {one.lot.pk: self._curve(one) for one in batches if not self._lacks(one)}
        sites, empty = _sites()
        left = _Left(self._offers(), asked_for(self.today), empty)
        for one in batches:
            if one.lot.pk in curves:
                left.asked[one.lot.crop_id or 0] -= curves[one.lot.pk].weekly_g
        offers = left.offered()
        left.fill_empty()
        out = Keeping(self.about, sites, empty, round(left.empty))
        for one in sorted(batches, key=lambda b: self._least(curves.get(b.lot.pk))):
            if why := self._lacks(one):
                out.rows.append(replace(self._row(one, 0, NOT_SAID), why=why))
            else:
                row, left = self._said(one, curves[one.lot.pk], left)
                out.rows.append(row)
        out.instead = [self._listed(offer, left) for offer in offers]
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

    def _said(self, one: Batch, curve: _Curve, before: _Left) -> tuple[KeepRow, _Left]:
        """Its row, and what is left to plant after it."""
        from .earning.keep_or_clear import keep_or_clear

        days, earned, ripe = curve.days, curve.earned, curve.ripe
        left = before.copy()
        left.asked[one.lot.crop_id or 0] += curve.weekly_g  # if it goes, what it would have given
        left.fill_empty()  # is wanted too, and that goes onto empty sites before its own
        verdict = keep_or_clear(
            days or [1], earned or [0.0], [offer.of for offer in left.offered()], sites=one.sites
        )
        done = not days
        keeps = verdict.keep and not done
        until = self._on(0 if done else _stop(verdict, days, earned))
        day = max(ripe or self.today, until)
        if keeps:
            left = before
        else:
            left.take(verdict.fills, today=day == self.today)
        level = self.record.of_batch(one.lot)
        month = max((p for d, p in zip(days, earned, strict=True) if d <= 28), default=0.0)
        row = replace(
            self._row(one, len(days), KEEP if keeps else CLEAR),
            keep_p=_weekly(verdict.keep_p),
            keep_until=None if done else self._on(verdict.keep_days),
            instead_p=_weekly(verdict.replace_p),
            instead=verdict.instead,
            instead_days=round(max((fill.days for fill in verdict.fills), default=0)) or None,
            day=day,
            ripe=ripe,
            next_four_weeks_p=_weekly(month / 28),
            level_pct=round(100 * level.times),
            records_pct=round(100 * (1 - level.card)),
            why="its cuts are then made" if done and ripe else "its cuts are made" if done else "",
        )
        return row, left

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
        return sorted(out, key=lambda o: (-o.of.best.pence, o.sown_today, o.cells))

    def _offer(self, variety: int, of: Habit, wait: int, plugs: float, code: str) -> _Offer | None:
        from .earning.keep_or_clear import Replacement

        named = self.record.varieties[variety]
        crop = named.crop
        if crop.pk not in self.net or not plugs:
            return None
        if (raising := self.charges.of_site(named, of, wait if code else None)) is None:
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

    def _listed(self, offer: _Offer, left: _Left) -> InsteadRow:
        of, variety = offer.of, self.record.varieties[offer.variety]
        habit, now = self.record.habits[offer.variety], left.now[of.name]
        return InsteadRow(
            variety.crop.name,
            variety.name,
            None if offer.sown_today else int(of.plugs),
            round(of.wait),
            int(of.unsold),
            _weekly(of.best.pence),
            round(of.best.days),
            offer.cells,
            left.on_empty[of.name],
            now,
            ceil(now / habit.sites / habit.plugs - 1e-9) if offer.sown_today else None,
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


def _sites() -> tuple[int, int]:
    """In use, and of them those on which nothing stands."""
    used = PlantSite.objects.filter(out_of_use=False)
    standing = living(clock.now()).values("site")
    return used.count(), used.exclude(pk__in=standing).count()


def _checked() -> set[int]:
    """Sowings whose cells were looked over: those that did not come up are gone from the books."""
    told = Event.objects.filter(alive(), kind="check_germination").values_list("told", flat=True)
    return {json.loads(row or "{}").get("batch") for row in told}


__all__ = ["keeping"]
