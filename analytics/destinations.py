"""What was thrown away, by where it went and why: our own four buttons in the standard's ten words.

Food Loss and Waste Accounting and Reporting Standard (Food Loss + Waste Protocol): ten
destinations; scope is timeframe, material, destination and boundary; packaging and losses before
the harvest are not in it. The standard does not say which of the ten count as waste: here all are
shown, and what people ate (staff, donated, samples) stands apart. Which of our places is which of
the ten is ours to say, and said in `DESTINATIONS`.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal

from grow import sums
from grow.models import Movement, alive
from grow.models import PlaceKind as K

from .period import About, Period, percent
from .waste import left_uncut

#: The standard's ten, in its order, each with the places of ours that it takes in.
DESTINATIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Animal feed", (K.FEED,)),
    ("Bio-based materials, biochemical processing", ()),
    ("Anaerobic digestion, codigestion", ()),
    ("Compost, aerobic", (K.COMPOST,)),
    ("Controlled combustion", ()),
    ("Land application", ()),
    ("Landfill", (K.LANDFILL,)),
    ("Not harvested, ploughed in", ()),
    ("Refuse, discards", (K.DESTROYED,)),
    ("Sewer", ()),
)
_UNCUT = "Not harvested, ploughed in"
_THROWN = {place: name for name, places in DESTINATIONS for place in places}
#: What people ate or tried: beside the ten.
_EATEN = {K.DONATED: "Donated", K.STAFF: "Staff", K.SAMPLE: "Samples, tasting"}


@dataclass
class DestinationRow:
    """Grams of a period that went one way. from_cut_g: graded out at the plant or trimmed in
    packing; after_g: thrown away afterwards, out of store, shelf or kitchen."""

    destination: str
    eaten: bool
    from_cut_g: int = 0
    after_g: int = 0

    @property
    def grams(self) -> int:
        return self.from_cut_g + self.after_g


@dataclass(frozen=True)
class ReasonRow:
    """Grams of a period that somebody threw away or gave away for one reason."""

    place: str
    went_to: str
    recipient: str
    reason: str
    grams: int


@dataclass
class ThrownAway:
    about: About
    cut_g: int
    rows: list[DestinationRow]
    reasons: list[ReasonRow] = field(default_factory=list)

    def of_cut(self, row: DestinationRow) -> Decimal | None:
        return percent(row.grams, self.cut_g)


def thrown_away(period: Period) -> ThrownAway:
    """Where the food of a period went that nobody bought, in whole grams."""
    about = About(
        period,
        base="grams thrown away; per cents are of the cut",
        unit="g",
        notes=[
            "Scope: food cut or bought in, from the cut to the outlet's door and our own shop and "
            "kitchen; without packaging, without losses before the cut.",
            "Left uncut at clearing is the guide's guess, and stands under “not harvested”.",
            "Whether a destination counts as waste is not for this table to say.",
        ],
    )
    rows = {name: DestinationRow(name, False) for name, _ in DESTINATIONS}
    rows |= {name: DestinationRow(name, True) for name in _EATEN.values()}
    cut = 0
    with sums.one_moment():
        cells = sums.reading(period.first, period.last, lot_kinds=sums.EATEN, by_day=False)
        rows[_UNCUT].from_cut_g = sum(left_uncut(period).values())
        reasons = _reasons(period)
    for cell, grams in cells.items():
        for kind, other, sign in (
            (cell.to_kind, cell.from_kind, 1),
            (cell.from_kind, cell.to_kind, -1),
        ):
            name = _THROWN.get(K(kind)) or _EATEN.get(K(kind))
            if kind == K.GROWTH:
                cut -= sign * grams
            elif name:
                early = other == K.GROWTH or cell.event_kind in ("pack", "rework")
                row = rows[name]
                row.from_cut_g += sign * grams if early else 0
                row.after_g += 0 if early else sign * grams
    return ThrownAway(about, cut, list(rows.values()), reasons)


def _reasons(period: Period) -> list[ReasonRow]:
    first, last = period.numbers
    rows = Movement.objects.filter(
        alive("event"),
        event__kind="discard",
        day__gte=first,
        day__lte=last,
        lot__kind__in=sums.EATEN,
    ).select_related("event", "lot", "from_place", "to_place")
    grams: Counter[tuple[str, str, str, str]] = Counter()
    for m in rows:
        told = json.loads(m.event.told or "{}")
        key = (
            m.from_place.name,
            m.to_place.name,
            told.get("recipient", ""),
            told.get("reason", ""),
        )
        grams[key] += m.quantity * (m.lot.grams_each or 1)
    return [ReasonRow(*key, g) for key, g in sorted(grams.items(), key=lambda row: -row[1])]
