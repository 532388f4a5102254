"""What keep or clear answers, row by row."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from decimal import Decimal

from .demand import AHEAD, SOLD_DAYS
from .own_record import DAYS, PRIOR
from .period import About, Period

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
    wait: days till they are ready; unsold: sites of it that demand still takes; on_empty: sites
    that stand empty and get it; now: sites to plant today, those cleared today among them, or to
    sow for; sow: cells for them, None of what is sown."""

    crop: str
    variety: str
    plugs: int | None
    wait: int
    unsold: int
    best_p: Decimal
    best_days: int
    cells: str = ""
    on_empty: int = 0
    now: int = 0
    sow: int | None = None


@dataclass
class Keeping:
    """sites: in use; empty: of them those on which nothing stands; spare: those that still do when
    what could be planted is."""

    about: About
    sites: int = 0
    empty: int = 0
    spare: int = 0
    rows: list[KeepRow] = field(default_factory=list)
    instead: list[InsteadRow] = field(default_factory=list)


def about_keeping(today: dt.date) -> About:
    return About(
        Period(today, today + dt.timedelta(days=HORIZON)),
        base="sites that each sowing holds today; what is spent already is spent",
        unit="pence a site and week, after crop minutes, net of tax",
        notes=[
            "To keep: what a site is expected to earn from today, on average to the day on which "
            "that average is greatest. Instead: the same of what could stand there, its raising, "
            "planting and clearing taken off and the days till its plugs are ready counted in. "
            "What it took to sow what stands in the nursery is spent.",
            "Best cleared by: the day of that greatest average. Keep till: what is kept may stand "
            "longer, till its cuts to come no longer make up for what could stand there.",
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
            "Sites that stand empty are planted first, with the best that has plugs and demand, or "
            "is sown today. Only what is left of that is weighed against what stands.",
            "The sowing that earns least is looked at first; the plugs and the demand that it "
            "would be cleared for are then not offered to the next.",
            "Plants that will die, interest, and what a change of price would do are not in it.",
        ],
    )


__all__ = ["CHANGEOVER", "CLEAR", "HORIZON", "KEEP", "NOT_SAID", "RIPE_DAYS", "InsteadRow",
           "KeepRow", "Keeping", "about_keeping"]  # fmt: skip
