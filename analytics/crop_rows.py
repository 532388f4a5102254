"""The rows behind the crops' figures: plantings, cuts and sales, each with its entry."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from django.db.models import Count, F, Q, Sum
from django.db.models.functions import Coalesce

from grow import clock, sums
from grow.models import CutSite, Lot, Movement, Planting
from grow.models import PlaceKind as K
from sales.models import Money
from sales.pricing import WENT_G

from .crop_pictures import ENDS
from .crop_table import Only
from .crops import names
from .period import DAY_S, Period
from .waste import LOST, THROWN, lines
from .yields import cut_lots

Row = dict[str, Any]
#: Where a loss goes. What was lost at rework is the difference of two moves, and has no row.
_LOSSES = (*THROWN, K.SAMPLE, K.GIVEAWAY, K.MOISTURE, K.DONATED, K.STAFF, K.COUNT_DIFFERENCE)


def _sites(only: Only, planting: str = "") -> Q:
    """Plantings that a table is narrowed to."""
    wanted = {
        "batch__crop": only.crop,
        "batch__variety": only.variety,
        "site__tower": only.tower,
        "site__tier": only.tier,
    }
    return Q(**{f"{planting}{name}": value for name, value in wanted.items() if value is not None})


def plantings(period: Period, only: Only) -> list[Row]:
    """Plantings that stood in the period, by sowing, tower and the acts that began and ended."""
    found = (
        Planting.objects.filter(_sites(only), began_at__lt=period.end)
        .filter(Q(ended_at=None) | Q(ended_at__gt=period.start))
        .order_by("-began_at", "batch_id", "site__tower_id", "site__tier")
        .values_list(
            "batch__code",
            "batch__crop_id",
            "site__tower__name",
            "site__tier",
            "began_at",
            "began_by_id",
            "ended_at",
            "ended_by_id",
            "ended_by__kind",
            "blocked_by_id",
        )
    )
    called, start, elapsed = names(), period.start, period.elapsed
    rows: dict[tuple[Any, ...], Row] = {}
    tiers: dict[tuple[Any, ...], set[int]] = defaultdict(set)
    for code, crop, tower, tier, began, by, ended, ended_by, kind, blocked in found:
        key = code, tower, by, ended_by
        row = rows.setdefault(
            key,
            {
                "sowing": code,
                "crop": called[crop],
                "tower": tower,
                "sites": 0,
                "lost": 0,
                "planted": clock.local(began).date(),
                "planting": by,
                "ended": clock.local(ended).date() if ended else None,
                "ending": ended_by,
                "seconds": 0,
            },
        )
        tiers[key].add(tier)
        row["sites"] += blocked is None
        row["lost"] += blocked is None and kind == "lose_plants" and ended < period.end
        until = min(ended or elapsed, elapsed)
        row["seconds"] += max(int(until.timestamp()) - int(max(began, start).timestamp()), 0)
    for key, row in rows.items():
        row["tiers"] = _runs(sorted(tiers[key]))
        row["site_days"] = f"{row.pop('seconds') / DAY_S:.1f}"
    return list(rows.values())


def _runs(tiers: list[int]) -> str:
    """1, 2, 3, 7 → "1–3, 7"."""
    out: list[list[int]] = []
    for tier in tiers:
        if out and tier == out[-1][1] + 1:
            out[-1][1] = tier
        else:
            out.append([tier, tier])
    return ", ".join(f"{a}–{b}" if a != b else str(a) for a, b in out)


def cuts(period: Period, only: Only) -> list[Row]:
    """Cuts with leaf of what is asked for, whole. sites: how many were cut, here: of them those."""
    grams = cut_lots(period)
    ends = (min(grams), max(grams)) if grams else (0, 0)
    of_all = _cut_sites(*ends, Only())
    of_these = _cut_sites(*ends, only)
    known = Lot.objects.filter(pk__gte=ends[0], pk__lte=ends[1], kind="harvest").values_list(
        "pk", "code", "crop_id", "made_by_id", "made_by__day"
    )
    called = names()
    whole = only == Only(crop=only.crop)
    return [
        {
            "code": code,
            "crop": called[crop],
            "day": clock.number_day(day),
            "grams": grams[lot][0],
            "sites": of_all.get(lot),
            "here": of_these.get(lot),
            "entry": entry,
        }
        for lot, code, crop, entry, day in known.order_by("-made_by__day", "-pk")
        if lot in grams
        and (lot in of_these or (whole and lot not in of_all and only.crop in (None, crop)))
    ]


def _cut_sites(low: int, high: int, only: Only) -> dict[int, int]:
    found = CutSite.objects.filter(_sites(only, "planting__"), lot__gte=low, lot__lte=high)
    return dict(found.values_list("lot_id").annotate(Count("pk")))


_EATEN_BY = ("sold", "served", "buyer")


def gone(period: Period, only: Only) -> list[Row]:
    """What was sold or used, an entry and lot a row, less what came back: a kitchen's goods on the
    day that they were used, not on the day that they were paid for."""
    first, last = period.numbers
    out_of, into = Q(from_place__kind__in=_EATEN_BY), Q(to_place__kind__in=_EATEN_BY)
    found = (
        Movement.objects.filter(
            into | out_of, lot__kind__in=sums.EATEN, day__gte=first, day__lte=last
        )
        .values_list(
            "lot_id",
            "lot__code",
            "lot__title",
            "lot__grams_each",
            "to_place__name",
            "day",
            "event_id",
        )
        .annotate(
            went=Sum("quantity", filter=into, default=0),
            back=Sum("quantity", filter=out_of, default=0),
        )
        .order_by("-day", "-event_id", "lot_id", "to_place__name")
    )
    rows = [
        ({"code": code, "what": title, "to": to, "day": clock.number_day(day), "entry": event},
         lot, (went - back) * (each or 1))
        for lot, code, title, each, to, day, event, went, back in found
    ]  # fmt: skip
    return _of_crop(rows, only)


def lost(period: Period, only: Only) -> list[Row]:
    """What moved to a loss, or back from one, an entry, lot and line of the waste a row, with how
    much of it is of the crop."""
    first, last = period.numbers
    ends = Q(to_place__kind__in=_LOSSES) | Q(from_place__kind__in=_LOSSES)
    moved = (
        Movement.objects.filter(ends, day__gte=first, day__lte=last, lot__kind__in=sums.EATEN)
        .values_list(
            *("lot_id", "lot__kind", "lot__code", "lot__title", "day", "event_id"),
            *("event__kind", "event__corrects__kind", "event__corrects__corrects__kind"),
            *("from_place__kind", "to_place__kind"),
        )
        .annotate(grams=Sum(F("quantity") * Coalesce("lot__grams_each", 1)))
        .order_by("-day", "-event_id", "lot_id")
    )
    rows = []
    for lot, kind, code, title, day, event, own, put_right, at_first, start, end, grams in moved:
        kinds = [act for act in (own, put_right) if act and act not in sums.FIXES]
        act = kinds[0] if kinds else at_first or put_right or own
        for name, sign in lines(kind, f"{act}/{start}/{end}/g").items():
            if name in LOST:
                row = {"code": code, "what": title, "line": ENDS[name], "entry": event}
                rows.append(({**row, "day": clock.number_day(day)}, lot, sign * grams))
    return _of_crop(rows, only)


def _of_crop(rows: Iterable[tuple[Row, int, int]], only: Only) -> list[Row]:
    """(row, lot, grams) with how much of it is leaf of the crop asked for, where any is."""
    listed = list(rows)
    shares = sums.shares_of({lot for _, lot, _ in listed})
    out = []
    for row, lot, grams in listed:
        if only.crop is None:
            out.append({**row, "grams": grams, "crop_g": grams})
        elif only.crop in shares[lot]:
            part = dict(sums.split(grams, shares[lot])).get(only.crop, 0)
            out.append({**row, "grams": grams, "crop_g": part})
    return out


def sales(period: Period, only: Only, outlet: str | None = None) -> list[Row]:
    """What was paid for, an entry and lot a row, with how much of it is of the crop."""
    first, last = period.numbers
    found = Money.objects.filter(movement__day__gte=first, movement__day__lte=last)
    if outlet:
        found = found.filter(outlet__place__name=outlet)
    rows = (
        found.values_list(
            "movement__lot_id",
            "movement__lot__code",
            "movement__lot__title",
            "outlet__place__name",
            "movement__day",
            "movement__event_id",
        )
        .annotate(pence_=Sum("pence"), grams=WENT_G)
        .order_by("-movement__day", "-movement__event_id", "movement__lot_id")
    )
    told = [
        ({"code": code, "what": title, "outlet": place, "day": clock.number_day(day),
          "pence": pence, "entry": event}, lot, grams)
        for lot, code, title, place, day, event, pence, grams in rows
    ]  # fmt: skip
    return _of_crop(told, only)


__all__ = ["cuts", "gone", "lost", "plantings", "sales"]
