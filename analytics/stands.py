"""Every figure of a period brought to where it grew: crop, variety, tower, tier, and whether the
planting is completed or stands.

A stand is the smallest thing that the crops' tables add up, so that whatever they are grouped or
filtered by, the same grams and pence are in them once. Nothing is counted anew: each crop's figure
is that of the yields, the margin and the waste, and is shared to its stands in whole grams and
pence by the largest remainder, by what was traced to each: leaf by the sites that it was cut from,
equally; money and packing by the leaf that is in the bag; raising by the days that sites were held.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from fractions import Fraction
from typing import Any

from grow import clock, sums
from grow.shares import shared_out

from .costs import MINUTES, RAISING_MINUTES, Costs, W, added_up
from .margin import Margin, margin
from .period import About, Period
from .raising import Sowing, raised, sown_on
from .rates import half_up, whole_pence
from .revenue import Revenue
from .traced import FINE, LINE, Stand, Traced, ask, stand_of
from .waste import uncut_of_sowings
from .yields import (
    BOUGHT_IN,
    COMPLETED,
    NO_SITE,
    SITES_STOOD,
    Yields,
    cut_lots,
    sold_lots,
)

CropId = int | None
#: The line of a site on which nothing was ever planted.
NEVER = "never planted"


@dataclass
class Amounts:
    """What adds up. _g are whole grams, _p whole pence, _s whole seconds; the rest are counts.

    site_s: plants' sites held, blocked_s of them blocked by a big plant. dead_s: sites empty since
    their plant was lost; changeover_s: since it was cleared or moved; untouched_s: before any.
    labour_p: minutes of clearing, cutting, washing, packing; raising_labour_p those of sowing and
    planting, spread.
    told_*: what was told in the period; opening_p and closing_p: still to be earned back before
    and after it. one_tier_g: of cuts weighed on one tier alone, from one_tier_cuts sites."""

    sites: int = 0
    surviving: int = 0
    began_before: int = 0
    site_s: int = 0
    blocked_s: int = 0
    dead_s: int = 0
    changeover_s: int = 0
    untouched_s: int = 0
    cleared: int = 0
    cut_g: int = 0
    sold_or_used_g: int = 0
    bought_in_g: int = 0
    uncut_g: int = 0
    several_sowings_g: int = 0
    several_towers_g: int = 0
    several_tiers_g: int = 0
    one_tier_g: int = 0
    one_tier_cuts: int = 0
    cells_sown: int = 0
    planted: int = 0
    checked_cells: int = 0
    not_up: int = 0
    first_cuts: int = 0
    first_cut_s: int = 0
    takings_p: int = 0
    shop_share_p: int = 0
    door_p: int = 0
    door_alone_p: int = 0
    raising_p: int = 0
    nutrient_and_water_p: int = 0
    packaging_p: int = 0
    bought_in_p: int = 0
    labour_p: int = 0
    raising_labour_p: int = 0
    labour_s: int = 0
    told_raising_p: int = 0
    told_raising_labour_p: int = 0
    opening_p: int = 0
    closing_p: int = 0

    def add(self, other: Amounts) -> None:
        for name in _ADDED:
            setattr(self, name, getattr(self, name) + getattr(other, name))


_ADDED = tuple(f.name for f in fields(Amounts))


@dataclass
class Stands:
    """of: the amounts of each stand. sites_in_use: their number by (tower, tier)."""

    about: About
    of: dict[Stand, Amounts]
    sites_in_use: dict[tuple[int, int], int]
    margin: Margin
    traced: Traced = field(compare=False, repr=False)
    sowings: Mapping[int, Sowing] = field(compare=False, repr=False)


def stands(period: Period, about: About, by_week: bool = False) -> Stands:
    """by_week: what was sown in different weeks stands apart. Shares are whole pence of each stand,
    so a tower's may then differ by a penny a week sown; a crop's are the same."""
    with sums.one_moment():
        return _Reader(period, about, by_week).read()


class _Reader:
    def __init__(self, period: Period, about: About, by_week: bool) -> None:
        self.period, self.about, self.by_week = period, about, by_week
        self.of: dict[Stand, Amounts] = defaultdict(Amounts)

    def read(self) -> Stands:
        period = self.period
        earned = margin(period)
        stood, spent, money = earned.stood, earned.spent, earned.money
        raised_ = raised(period, self.about, spent.told)
        self.sowings = {sowing.batch: sowing for sowing in raised_}
        if self.by_week:
            self._weeks()
        cut, sold = cut_lots(period), sold_lots(period)
        packed = spent.of_run["packs"]
        self.traced = Traced(period, self.sowings, cut, {*sold, *packed, *_lots(money)})
        self._held()
        if self.by_week and (no_week := [b for b in self.held if self.sowings[b].week is None]):
            self.about.gap(
                "Sowings that stood when records began and of which nobody told when they were "
                f"planted: {len(no_week)}; they are of no sowing week."
            )
        self._leaf(stood, cut, sold)
        self._money(earned, money)
        self._spent(earned, spent)
        self._raising(earned)
        self._of_sowings()
        in_use: dict[tuple[int, int], int] = {}
        for tower, tier, sites, seconds in ask(_UNTOUCHED, period):
            in_use[tower, tier] = int(sites)
            self.of[Stand(None, None, tower, tier, NEVER)].untouched_s += int(seconds)
        self.about.gaps += [gap for gap in earned.about.gaps if gap not in self.about.gaps]
        self.about.standard_pct = earned.about.standard_pct
        self.about.standard_says = earned.about.standard_says
        return Stands(self.about, dict(self.of), in_use, earned, self.traced, self.sowings)

    def _weeks(self) -> None:
        for batch, day in sown_on(self.sowings).items():
            monday = day - dt.timedelta(days=day.weekday())
            self.sowings[batch].week = clock.day_number(monday)

    def _stand(self, batch: int, tower: int | None, tier: int | None, line: str) -> Stand:
        return stand_of(self.sowings[batch], tower, tier, line)

    def _share(
        self,
        name: str,
        amounts: Mapping[Any, int],
        weights: Mapping[Stand, int],
        else_line: str = NO_SITE,
    ) -> None:
        """Whole amounts by crop, or by (crop, line), to the stands of it with these weights."""
        by_key: dict[Any, list[tuple[Stand, int]]] = defaultdict(list)
        for stand, weight in weights.items():
            if weight > 0:
                for key in (stand.crop, (stand.crop, stand.line)):
                    by_key[key].append((stand, weight))
        for key, amount in amounts.items():
            if not amount:
                continue
            crop, line = key if isinstance(key, tuple) else (key, else_line)
            found = sorted(by_key.get(key, []), key=in_order)
            found = found or [(Stand(crop, None, None, None, line), 1)]
            parts = shared_out(amount, [weight for _, weight in found])
            for (stand, _), part in zip(found, parts, strict=True):
                setattr(self.of[stand], name, getattr(self.of[stand], name) + part)

    # --- sites ------------------------------------------------------------------------------

    def _held(self) -> None:
        self.held: dict[int, dict[Stand, int]] = defaultdict(dict)
        for batch, tower, tier, line, *numbers in ask(_STOOD, self.period):
            stand = self._stand(batch, tower, tier, line)
            sites, surviving, seconds, before, blocked = map(int, numbers)
            self.of[stand].add(
                Amounts(
                    sites=sites,
                    surviving=surviving,
                    site_s=seconds,
                    began_before=before,
                    blocked_s=blocked,
                )
            )
            self.held[batch][stand] = self.held[batch].get(stand, 0) + seconds
        self.cleared: Counter[Stand] = Counter()
        for batch, tower, tier, lost, seconds, cleared in ask(_EMPTY, self.period):
            stand = self._stand(batch, tower, tier, COMPLETED)
            name = "dead_s" if lost else "changeover_s"
            self.of[stand].add(Amounts(cleared=int(cleared), **{name: int(seconds)}))
            self.cleared[stand] += int(cleared)
        for batch, tower, tier, line, seconds, number in ask(_FIRST_CUTS, self.period):
            stand = self._stand(batch, tower, tier, line)
            self.of[stand].add(Amounts(first_cuts=int(number), first_cut_s=int(seconds)))

    # --- leaf -------------------------------------------------------------------------------

    def _leaf(self, stood: Yields, cut: Mapping[int, tuple[int, int]], sold: Mapping[int, int]):
        traced = self.traced
        grams = traced.of_cuts({lot: net * FINE for lot, (net, _) in cut.items()})
        self.cut = traced.at_stands(grams)
        by_line = {(row.crop_id, row.line): row for row in stood.rows}
        own = {key: row for key, row in by_line.items() if key[1] != BOUGHT_IN}
        self._share("cut_g", {key: row.cut_g for key, row in own.items()}, self.cut)
        went = traced.at_stands(traced.sources({lot: g * FINE for lot, g in sold.items()}))
        self._share("sold_or_used_g", {k: row.sold_or_used_g for k, row in own.items()}, went)
        bought = {k: row.sold_or_used_g for k, row in by_line.items() if k[1] == BOUGHT_IN}
        self._share("bought_in_g", bought, went)
        # what was weighed together, in grams of its own: shares of it are printed, never added up
        for name, which in (
            ("several_sowings_g", traced.several_sowings),
            ("several_towers_g", traced.several_towers),
            ("several_tiers_g", traced.several_tiers),
        ):
            some = traced.at_stands({s: g for s, g in grams.items() if s[0] in which})
            self._whole(name, some)
        alone = {s: g for s, g in grams.items() if s[0] in traced.one_tier}
        self._whole("one_tier_g", traced.at_stands(alone))
        for lot, _ in alone:
            for stand, number in traced.one_tier[lot].items():
                self.of[stand].one_tier_cuts += number

    def _whole(self, name: str, weights: Mapping[Stand, int]) -> None:
        by_crop: Counter[CropId] = Counter()
        for stand, weight in weights.items():
            by_crop[stand.crop] += weight
        self._share(name, {c: half_up(Fraction(g, FINE)) for c, g in by_crop.items()}, weights)

    # --- money ------------------------------------------------------------------------------

    def _money(self, earned: Margin, money: Revenue) -> None:
        by_grams = self.traced.at_stands(self.traced.of_crops(money.door_of))
        alone = self.traced.at_stands(self.traced.of_crops(money.alone_of))
        for name, weights in (
            ("takings_p", by_grams),
            ("shop_share_p", by_grams),
            ("door_p", by_grams),
            ("door_alone_p", alone),
        ):
            self._share(name, {row.crop_id: getattr(row, name) for row in earned.rows}, weights)

    def _spent(self, earned: Margin, spent: Costs) -> None:
        def of_runs(what: str) -> dict[Stand, int]:
            amounts = {lot: half_up(n, FINE) for lot, n in spent.of_run[what].items()}
            return self.traced.at_stands(self.traced.sources(amounts))

        packs, washed = of_runs("packs"), of_runs("washed_g")
        for name, weights in (
            ("nutrient_and_water_p", self.cut),
            ("packaging_p", of_runs("packaging")),
        ):
            self._share(name, {row.crop_id: getattr(row, name) for row in earned.rows}, weights)
        bought = {row.crop_id: row.bought_in_p for row in earned.rows}
        self._share("bought_in_p", bought, {}, BOUGHT_IN)
        driver: dict[str, Mapping[Stand, int]] = {
            W.CLEAR_MINUTES: self.cleared,
            W.CUT_MINUTES: self.cut,
            W.WASH_MINUTES: washed,
            W.PACK_MINUTES: packs,
        }
        running = [what for what, _ in MINUTES if what not in RAISING_MINUTES]
        self._share(
            "labour_p",
            self._running(earned, spent),
            _mixed(spent.labour_of, running, driver),
        )
        minutes = added_up(spent.minutes_of, running)
        seconds = {crop: half_up(found, 60) for crop, found in minutes.items()}
        self._share("labour_s", seconds, _mixed(spent.minutes_of, running, driver))

    def _running(self, earned: Margin, spent: Costs) -> dict[CropId, int]:
        """Labour of each crop less that of sowing and planting, whole pence of both."""
        told = whole_pence(added_up(spent.labour_of, RAISING_MINUTES))
        self.told_labour = told
        return {row.crop_id: row.labour_p - told.get(row.crop_id, 0) for row in earned.rows}

    # --- raising and planting ---------------------------------------------------------------

    def _raising(self, earned: Margin) -> None:
        told = {
            "pence": {row.crop_id: row.seed_and_plugs_p + row.light_p for row in earned.rows},
            "labour": self.told_labour,
        }
        for part, name in (("pence", "raising_p"), ("labour", "raising_labour_p")):
            # whole pence of what is left, so that one period begins where another ended
            before = whole_pence(self._by_crop(lambda s, p=part: s.opening[p]))
            after = whole_pence(self._by_crop(lambda s, p=part: s.closing(p)))
            charged = Counter(before)
            charged.update(told[part])
            charged.subtract(after)
            for column, amounts, of in (
                ("opening_p", before, lambda s, p=part: s.opening[p]),
                (f"told_{name}", told[part], lambda s, p=part: s.told[p]),
                (name, charged, lambda s, p=part: s.charged[p]),
                ("closing_p", after, lambda s, p=part: s.closing(p)),
            ):
                self._share(column, amounts, self._where_they_stand(of))
        minutes = self._by_crop(lambda s: s.charged["minutes"])
        seconds = {crop: half_up(found, 60) for crop, found in minutes.items()}
        self._share("labour_s", seconds, self._where_they_stand(lambda s: s.charged["minutes"]))

    def _by_crop(self, of: Any) -> dict[CropId, Fraction]:
        out: dict[CropId, Fraction] = defaultdict(Fraction)
        for sowing in self.sowings.values():
            out[sowing.crop] += of(sowing)
        return {crop: amount for crop, amount in out.items() if amount}

    def _where_they_stand(self, of: Any) -> dict[Stand, int]:
        """An amount of each sowing, by the seconds that its sites were held; in the nursery, or
        of nothing that stood in the period, it has no site."""
        out: Counter[Stand] = Counter()
        for sowing in self.sowings.values():
            amount = half_up(of(sowing), FINE)
            held = self.held.get(sowing.batch, {})
            whole = sum(held.values())
            if not whole:
                out[stand_of(sowing)] += amount
            for stand, seconds in held.items() if whole else ():
                out[stand] += amount * seconds // whole
        return out

    def _of_sowings(self) -> None:
        """What belongs to a sowing and to none of its sites; and what was left on them."""
        uncut = uncut_of_sowings(self.period)
        for sowing in self.sowings.values():
            here = self.of[stand_of(sowing)]
            here.cells_sown += sowing.cells
            here.planted += sowing.planted
            if sowing.checked:
                here.checked_cells += sowing.cells_ever
                here.not_up += sowing.not_up
            if grams := uncut.get(sowing.batch):
                held = sorted(self.held.get(sowing.batch, {}).items(), key=in_order)
                held = held or [(stand_of(sowing), 1)]
                parts = shared_out(grams, [seconds for _, seconds in held])
                for (stand, _), part in zip(held, parts, strict=True):
                    self.of[stand].uncut_g += part


def in_order(found: tuple[Stand, int]) -> tuple[Any, ...]:
    crop, variety, tower, tier, line, week = found[0]
    return (crop or 0, variety or 0, tower or 0, tier or 0, line, week or 0)


def _lots(money: Revenue) -> set[int]:
    return {lot for lot, _ in {*money.door_of, *money.alone_of}}


def _mixed(
    of: Mapping[str, Mapping[CropId, Fraction]],
    whats: Iterable[str],
    driver: Mapping[str, Mapping[Stand, int]],
) -> dict[Stand, int]:
    """Each kind of minutes by what it was spent on, added up."""
    out: Counter[Stand] = Counter()
    for what in whats:
        whole: Counter[CropId] = Counter()
        for stand, weight in driver[what].items():
            whole[stand.crop] += max(weight, 0)
        for stand, weight in driver[what].items():
            amount = of.get(what, {}).get(stand.crop)
            if amount and weight > 0:
                out[stand] += half_up(amount * FINE * weight / whole[stand.crop])
    return out


# --- questions --------------------------------------------------------------------------------

_STOOD = f"""
SELECT x.batch_id, s.tower_id, s.tier, x.line, SUM(x.plants), SUM(x.surviving), SUM(x.seconds),
       SUM(x.before), SUM(CASE WHEN x.plants = 0 THEN x.seconds ELSE 0 END)
FROM ({SITES_STOOD}) x
JOIN grow_plantsite s ON s.id = x.site_id
GROUP BY x.batch_id, s.tower_id, s.tier, x.line
"""

# From the end of one planting to the site's next; whose plant was lost stands dead, whatever came.
_EMPTY = """
SELECT p.batch_id, s.tower_id, s.tier, CASE WHEN e.kind = 'lose_plants' THEN 1 ELSE 0 END,
       SUM(CASE WHEN s.out_of_use THEN 0 ELSE {empty} END),
       SUM(CASE WHEN e.kind = 'clear' AND p.blocked_by_id IS NULL AND p.ended_at >= {start}
           THEN 1 ELSE 0 END)
FROM (
    SELECT q.batch_id, q.site_id, q.ended_at, q.ended_by_id, q.blocked_by_id,
           LEAD(q.began_at) OVER (PARTITION BY q.site_id ORDER BY q.began_at, q.id) AS next_at
    FROM grow_planting q
) p
JOIN grow_plantsite s ON s.id = p.site_id
LEFT JOIN grow_event e ON e.id = p.ended_by_id
WHERE p.ended_at < {end} AND (p.next_at IS NULL OR p.next_at > {start})
GROUP BY p.batch_id, s.tower_id, s.tier, CASE WHEN e.kind = 'lose_plants' THEN 1 ELSE 0 END
"""

_UNTOUCHED = """
SELECT s.tower_id, s.tier, COUNT(*), SUM({untouched})
FROM grow_plantsite s
LEFT JOIN (
    SELECT q.site_id, MIN(q.began_at) AS first_at FROM grow_planting q GROUP BY q.site_id
) f ON f.site_id = s.id
WHERE NOT s.out_of_use
GROUP BY s.tower_id, s.tier
"""

_FIRST_CUTS = f"""
SELECT x.batch_id, s.tower_id, s.tier, x.line, SUM(x.seconds), COUNT(*)
FROM (
    SELECT p.id, p.batch_id, p.site_id, {LINE} AS line, MIN(e.placed_at) AS first_at,
           {{to_first_cut}} AS seconds
    FROM grow_planting p
    JOIN grow_cutsite c ON c.planting_id = p.id
    JOIN grow_lot l ON l.id = c.lot_id
    JOIN grow_event e ON e.id = l.made_by_id
    WHERE p.began_at < {{end}} AND (p.ended_at IS NULL OR p.ended_at > {{start}})
      AND NOT EXISTS (
        SELECT 1 FROM grow_event k WHERE k.corrects_id = e.id AND k.kind IN ('cancel', 'undo'))
    GROUP BY p.id, p.batch_id, p.site_id, p.began_at
) x
JOIN grow_plantsite s ON s.id = x.site_id
WHERE x.first_at >= {{start}} AND x.first_at < {{end}}
GROUP BY x.batch_id, s.tower_id, s.tier, x.line
"""


__all__ = ["NEVER", "Amounts", "Stand", "Stands", "in_order", "stands"]
