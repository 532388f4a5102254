"""What several complained-of lots have in common, and how much more often than the rest.

Each lot is put beside all of its kind that were made in the same weeks. For everything that went
into any of them, grew it or touched it, and for each site, line, thing, day and pair of hands, it
is counted how many of the complained-of share it, and how many of the rest. The rank is by the
chance that so many or more of the complained-of would share it if they had been drawn blindly
from all: Fisher's exact test, one-sided (R. A. Fisher, The Design of Experiments, 1935, chapter
II, from memory). It says where to look first. It proves nothing, and what only a few of the rest
escaped (the one tank of a farm) it cannot see.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import comb

from grow import clock, lineage
from grow.errors import Refusal
from grow.flows import EATEN
from grow.models import CutSite, Event, Lot, LotKind, Person, Place, Thing, alive
from grow.sums import one_moment

#: The rest is what was made from so many days before the first of the complained-of to so many
#: after the last. Four weeks hold several sowings of most leaf. Common practice, no source.
DAYS = 28
#: So many lots of the rest are looked at, those nearest in time.
MOST = 2000

Feature = tuple[str, str, str]  #: (what it is, its name, a lot's code or "")

_WORDS = {
    LotKind.INPUT: "input",
    LotKind.PRODUCE: "bought-in produce",
    LotKind.TREATMENT: "spray or treatment",
    LotKind.BATCH: "sowing",
    LotKind.HARVEST: "cut",
    LotKind.PACK: "run",
    LotKind.WATER: "water",
}


@dataclass(frozen=True, slots=True)
class Common:
    """What some lots share: so many of the complained-of, so many of the rest, and the chance of
    that by a blind draw. names: what always goes together with it, which no count can tell apart
    from it."""

    shared: tuple[Feature, ...]
    complained: int
    of: int
    rest: int
    of_rest: int

    @property
    def chance(self) -> Fraction:
        return by_chance(self.complained, self.of, self.rest, self.of_rest)

    @property
    def times(self) -> Fraction | None:
        """How many times as often as in the rest; None where none of the rest has it."""
        if not self.rest:
            return None
        return Fraction(self.complained, self.of) / Fraction(self.rest, self.of_rest)


@dataclass(slots=True)
class Causes:
    """The answer: the lots asked about, how many of the rest they were put beside and from when to
    when, and what is shared, the likeliest to tell them apart first."""

    complained: list[Lot]
    rest: int
    since: dt.datetime
    until: dt.datetime
    compared: int
    ranked: list[Common] = field(default_factory=list)


def by_chance(complained: int, of: int, rest: int, of_rest: int) -> Fraction:
    """Fisher's exact test, one-sided: with complained of `of` and rest of `of_rest` that have
    something, the chance that `of` drawn blindly from all have it as often or more often. Exact.
    Raises ValueError where more have it than there are."""
    if not (0 <= complained <= of and 0 <= rest <= of_rest):
        raise ValueError(f"{complained} of {of}, {rest} of {of_rest}")
    have, all_ = complained + rest, of + of_rest
    ways = sum(
        comb(have, n) * comb(all_ - have, of - n) for n in range(complained, min(of, have) + 1)
    )
    return Fraction(ways, comb(all_, of))


def rank(
    having: Mapping[Feature, Collection[int]], complained: Collection[int], rest: Collection[int]
) -> list[Common]:
    """What at least two of the complained-of share, the least likely by chance first. having:
    feature → ids of those that have it. What the same ids have stands as one."""
    together: dict[frozenset[int], list[Feature]] = defaultdict(list)
    for feature, ids in having.items():
        together[frozenset(ids)].append(feature)
    asked, others = set(complained), set(rest)
    found = [
        Common(tuple(sorted(features)), n, len(asked), len(ids & others), len(others))
        for ids, features in together.items()
        if (n := len(ids & asked)) > 1
    ]
    return sorted(found, key=lambda one: (one.chance, -one.complained, one.shared))


def causes(lots: Sequence[Lot], *, days: int = DAYS, hands: bool = False) -> Causes:
    """What these lots have in common. hands: whose, too, for whoever answers for food safety alone.
    Raises Refusal for fewer than two lots, or lots that nobody eats."""
    complained = {lot.pk: lot for lot in lots}
    for lot in complained.values():
        if lot.kind not in EATEN:
            raise Refusal(
                "not_eaten",
                f"{lot.code} is {_WORDS[LotKind(lot.kind)]}; name packs, or what was cut.",
            )
    if len(complained) < 2:
        raise Refusal(
            "too_few",
            "One lot shares everything with itself. Name two or more; trace a single one.",
        )
    with one_moment(), clock.one_zone():
        return _causes(list(complained.values()), days, hands)


def _causes(lots: list[Lot], days: int, hands: bool) -> Causes:
    made = sorted(Event.objects.filter(made__in=lots).values_list("placed_at", flat=True))
    around = dt.timedelta(days=days)
    since, until = made[0] - around, min(made[-1] + around, clock.now())
    middle = made[0] + (made[-1] - made[0]) / 2
    beside = Lot.objects.filter(
        kind__in={lot.kind for lot in lots},
        made_by__in=Event.objects.filter(alive(), placed_at__gte=since, placed_at__lte=until),
    ).exclude(pk__in=[lot.pk for lot in lots])
    nearest = sorted(
        beside.values_list("pk", "made_by__placed_at"),
        key=lambda row: (abs(row[1] - middle), row[0]),
    )
    rest = [pk for pk, _ in nearest[:MOST]]
    asked = [lot.pk for lot in lots]
    having = _having([*asked, *rest], hands)
    out = Causes(lots, len(rest), since, until, len(having))
    out.ranked = rank(having, asked, rest)
    return out


def _having(ids: list[int], hands: bool) -> dict[Feature, set[int]]:
    """Feature → ids of those lots that have it."""
    having: dict[Feature, set[int]] = defaultdict(set)
    beneath = set(ids)
    above: dict[int, set[int]] = defaultdict(set)  # ancestor → those of ids below it
    for lot, ancestor in lineage.ancestors(ids):
        above[ancestor].add(lot)
    for lot in ids:
        above[lot].add(lot)
    facts = Lot.objects.in_bulk(list(above))
    matter = {
        pk: below
        for pk, below in above.items()
        if facts[pk].kind in (LotKind.HARVEST, LotKind.PACK)
    }
    for pk, below in above.items():
        one = facts[pk]
        if pk not in beneath:
            having[_WORDS[LotKind(one.kind)], one.title or one.code, one.code] |= below
    for (what, name), events in _acts({facts[pk].made_by_id for pk in matter}, hands).items():
        for pk, below in matter.items():
            if facts[pk].made_by_id in events:
                having[what, name, ""] |= below
    for pk, tower, site in _sites(matter):
        having["tower", tower, ""] |= matter[pk]
        having["site", site, ""] |= matter[pk]
    return having


def _sites(cuts: Iterable[int]) -> Iterable[tuple[int, str, str]]:
    """(cut, its tower, its site) of each site that it was taken from."""
    rows = CutSite.objects.filter(lot__in=list(cuts)).select_related("planting__site__tower")
    for row in rows:
        site = row.planting.site
        if site:
            yield row.lot_id, str(site.tower), str(site)


def _acts(ids: set[int], hands: bool) -> dict[tuple[str, str], set[int]]:
    """(what, name) → ids of the acts of cutting and packing that share it."""
    out: dict[tuple[str, str], set[int]] = defaultdict(set)
    events = Event.objects.in_bulk(ids)
    places = Place.objects.in_bulk({e.place_id for e in events.values() if e.place_id})
    for pk, event in events.items():
        done = "cut on" if event.kind == "harvest" else "packed on"
        out[done, f"{clock.number_day(event.day):%a %d %b %Y}"].add(pk)
        if event.place_id and event.kind != "harvest":
            out["line", str(places[event.place_id])].add(pk)
    through = Event.things.through.objects.filter(event_id__in=ids)
    used = through.values_list("event_id", "thing_id")
    things = Thing.objects.in_bulk({thing for _, thing in used})
    for event_id, thing in used:
        out["thing", str(things[thing])].add(event_id)
    if hands:
        did = Event.done_by.through.objects.filter(event_id__in=ids)
        pairs = did.values_list("event_id", "person_id")
        people = Person.objects.in_bulk({person for _, person in pairs})
        for event_id, person in pairs:
            out["hands", str(people[person])].add(event_id)
    return out


__all__ = ["DAYS", "Causes", "Common", "by_chance", "causes", "rank"]
