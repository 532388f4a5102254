"""What stands, and how its cuts came against the crop cards: the farm's own record of each variety
and sowing, drawn towards the card where it is short."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from dataclasses import dataclass, field

from django.db.models import Count, Max, Min

from grow import clock
from grow.models import CropCard, CutSite, Lot, Planting, Variety, alive
from grow.queries import living

from .crops import natural
from .expected import Habit, habit, lacks
from .period import Period
from .successive import cut_by_cut

#: As many cuts as a card's own word weighs, and in turn a variety's record against a sowing's.
PRIOR = 3
#: Days of records that are read.
DAYS = 365


@dataclass(frozen=True)
class Level:
    """times: what came over what the card lets expect, drawn towards it; card: the share of that
    which is the card's word alone, 1 where nothing was cut yet."""

    times: float = 1.0
    card: float = 1.0

    def with_cuts(self, number: int, came: float, expected: float) -> Level:
        """The same after so many cuts, of so many grams and so many expected."""
        if not number or not expected:
            return self
        whole = number + PRIOR
        times = (number * came / expected + PRIOR * self.times) / whole
        return Level(times, self.card * PRIOR / whole)


@dataclass
class Batch:
    """A sowing that stands on towers. since: when it was planted, or cut last; made: cuts made,
    with those that the card presumes before records began."""

    lot: Lot
    planted: dt.date
    since: dt.date
    sites: int = 0
    plants: int = 0
    towers: list[str] = field(default_factory=list)
    made: int = 0
    presumed: int = 0


class Record:
    """habits: of each variety whose card says enough; lacking: what that of another does not;
    cuts: those of the year, as `cut_by_cut` gives them."""

    def __init__(self, today: dt.date) -> None:
        self.today = today
        self.varieties = Variety.objects.select_related("crop", "card").in_bulk()
        self.habits: dict[int, Habit] = {}
        self.lacking: dict[int, str] = {}
        for pk, variety in self.varieties.items():
            card: CropCard | None = getattr(variety, "card", None)
            if missing := lacks(card):
                self.lacking[pk] = missing
            elif card:
                self.habits[pk] = habit(card, variety.sites_each)
        self._variety: dict[int, Level] = {}
        self._batch: dict[int, Level] = {}
        self._read()
        self.batches = self._standing()

    def of_variety(self, variety: int) -> Level:
        return self._variety.get(variety, Level())

    def of_batch(self, lot: Lot) -> Level:
        return self._batch.get(lot.pk, self.of_variety(lot.variety_id or 0))

    # --- how cuts came ---------------------------------------------------------------------

    def _read(self) -> None:
        year = Period(self.today - dt.timedelta(days=DAYS - 1), self.today)
        cuts = self.cuts = list(cut_by_cut(year))
        lots = {lot for lot, *_ in cuts}
        ends = (min(lots), max(lots)) if lots else (0, 0)
        days = {
            lot: clock.number_day(day)
            for lot, day in Lot.objects.filter(
                pk__gte=ends[0], pk__lte=ends[1], kind="harvest"
            ).values_list("pk", "made_by__day")
        }
        self._sown = self._sowings()
        on: dict[tuple[int, int], dt.date] = {}  # (sowing, n) → the day of its n-th cut
        for lot, batch, _, numbers in cuts:
            for n in numbers:
                on[batch, n] = min(days[lot], on.get((batch, n), days[lot]))
        tallies: dict[tuple[int, int], list[float]] = defaultdict(lambda: [0.0, 0.0])
        for lot, batch, each, numbers in cuts:
            for n, sites in numbers.items():
                if (grams := self._expected(batch, n, days[lot], on)) is not None:
                    tallies[batch, n][0] += float(each) * sites
                    tallies[batch, n][1] += grams * sites
        of_batch: dict[int, Counter[str]] = defaultdict(Counter)
        of_variety: dict[int, Counter[str]] = defaultdict(Counter)
        for (batch, _), (came, expected) in tallies.items():
            more = {"cuts": 1.0, "came": came, "expected": expected}
            for tally in (of_batch[batch], of_variety[self._sown[batch].lot.variety_id or 0]):
                tally.update(more)
        for pk, t in of_variety.items():
            self._variety[pk] = Level().with_cuts(int(t["cuts"]), t["came"], t["expected"])
        for pk, t in of_batch.items():
            start = self.of_variety(self._sown[pk].lot.variety_id or 0)
            self._batch[pk] = start.with_cuts(int(t["cuts"]), t["came"], t["expected"])

    def _expected(
        self, batch: int, n: int, day: dt.date, on: dict[tuple[int, int], dt.date]
    ) -> float | None:
        """Grams of a plant at its n-th cut on a day; None where the card does not say, or nobody
        knows since when that leaf had grown."""
        sown = self._sown.get(batch)
        known = sown and self.habits.get(sown.lot.variety_id or 0)
        if not sown or not known:
            return None
        made = sown.presumed + n - 1
        since = on.get((batch, n - 1)) if n > 1 else None if sown.presumed else sown.planted
        if made >= len(known.grams) or since is None or since >= day:
            return None
        return known.gained(made, since, day) or None

    def _sowings(self) -> dict[int, Batch]:
        """Every sowing that was planted, with when."""
        rows = Planting.objects.values_list("batch").order_by().annotate(Min("began_at"))
        began = {batch: clock.local(at).date() for batch, at in rows}
        lots = Lot.objects.filter(kind="batch").select_related("made_by").in_bulk()
        out = {}
        for pk, day in began.items():
            lot = lots[pk]
            planted, presumed = day, 0
            known = self.habits.get(lot.variety_id or 0)
            if lot.made_by.kind == "opening_entry":
                about = json.loads(lot.made_by.told or "{}").get("about_planted")
                planted = dt.date.fromisoformat(about) if about else day
                if known:
                    presumed = sum(1 for _ in known.cuts(planted, 0, planted, day))
            out[pk] = Batch(lot, planted, max(planted, day), presumed=presumed)
            if not presumed:
                out[pk].since = planted
        return out

    # --- what stands -----------------------------------------------------------------------

    def _standing(self) -> list[Batch]:
        found: dict[int, Batch] = {}
        towers: dict[int, set[str]] = defaultdict(set)
        rows = living(clock.now()).values_list("batch", "site__tower__name", "blocked_by")
        for batch, tower, blocked_by in rows.order_by():
            one = found.setdefault(batch, self._sown[batch])
            one.sites += 1
            one.plants += blocked_by is None
            towers[batch].add(tower)
        cut = (
            CutSite.objects.filter(
                alive("lot__made_by"), planting__batch__in=found, planting__ended_by=None
            )
            .values_list("planting__batch", "planting")
            .order_by()
            .annotate(Count("lot", distinct=True), Max("lot__made_by__day"))
        )
        for batch, _, number, day in cut:
            one = found[batch]
            one.made = max(one.made, number)
            one.since = max(one.since, clock.number_day(day))
        for batch, one in found.items():
            one.made += one.presumed
            one.towers = sorted(towers[batch], key=natural)
        return sorted(found.values(), key=lambda one: (str(one.lot.title), one.planted))


__all__ = ["DAYS", "PRIOR", "Batch", "Level", "Record"]
