"""What nobody wrote down, what went wrong, and what is only guessed: the gaps of a trace, in
words. Breaches and what was told after the freeze come first."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from django.db.models import Exists, OuterRef, Q, Sum

from grow import clock, possibly
from grow.flows import EATEN, Flows, LotFlows
from grow.kinds import CANCELLING, KINDS, WORKED_OUT
from grow.models import (
    OUTLETS,
    Basis,
    Description,
    Event,
    Flag,
    Hold,
    Item,
    Lot,
    LotKind,
    Movement,
    PlaceKind,
    Unit,
    Unnamed,
)

from . import suspect
from .beside import Shared
from .models import NoteLine, PackingRun

SEEDS = frozenset({Item.Kind.SEED, Item.Kind.YOUNG_PLANTS})
#: How many codes a sentence names before it only counts.
MOST = 6
_FLAGS_FIRST = (Flag.Kind.BREACH, Flag.Kind.AFTER_FREEZE, Flag.Kind.BORN_HELD)


@dataclass(frozen=True, slots=True)
class Gap:
    kind: str
    says: str


@dataclass(slots=True)
class _Family:
    """The lots of a trace, as the gaps look at them."""

    flows: Flows
    roots: set[int]
    up: set[int]
    down: set[int]
    sold: dict[int, tuple[int, int]]
    shared: list[Shared]

    @property
    def all(self) -> set[int]:
        return self.roots | self.up | self.down

    @property
    def affected(self) -> set[int]:
        return self.roots | self.down

    def lots(self, kind: str, ids: set[int] | None = None) -> list[LotFlows]:
        found = (self.flows.lots[i] for i in sorted(self.all if ids is None else ids))
        return [lot for lot in found if lot.kind == kind and not lot.cancelled]

    def parents(self, lots: Iterable[LotFlows], kind: str) -> dict[int, set[int]]:
        wanted = {lot.id for lot in lots}
        out: dict[int, set[int]] = {i: set() for i in wanted}
        for e in self.flows.edges:
            if e.kind == kind and e.child in wanted:
                out[e.child].add(e.parent)
        return out


def find(
    flows: Flows,
    roots: set[int],
    up: set[int],
    down: set[int],
    sold: dict[int, tuple[int, int]],
    shared: list[Shared],
) -> list[Gap]:
    """Every gap, the gravest first."""
    family = _Family(flows, roots, up, down, sold, shared)
    looks: tuple[Callable[[_Family], Iterable[Gap]], ...] = (
        _flags,
        _failed_and_missing_checks,
        _lot_unknown,
        _worked_out,
        _differences_and_cancels,
        _corrected_origins,
        _seeds,
        _sowings,
        _waters,
        _openings,
        _suppliers,
        _unbounded,
    )
    found = [gap for look in looks for gap in look(family)]
    first = [gap for gap in found if gap.kind in _FLAGS_FIRST]
    first.sort(key=lambda gap: _FLAGS_FIRST.index(Flag.Kind(gap.kind)))
    return list(dict.fromkeys([*first, *found]))


def name(lots: Iterable[LotFlows]) -> str:
    codes = [lot.code for lot in lots]
    if len(codes) <= MOST:
        return ", ".join(codes)
    return f"{', '.join(codes[:MOST])} and {len(codes) - MOST} more"


def _alive(ref: str = "event"):
    return ~Exists(Event.objects.filter(corrects=OuterRef(ref), kind__in=CANCELLING))


def _when(moment) -> str:
    return f"{clock.local(moment):%d %b %Y %H:%M}"


def _day(number: int) -> str:
    return f"{clock.number_day(number):%d %b %Y}"


# --- what is held, what was sold ------------------------------------------------------------


def held(ids: set[int]) -> dict[int, str]:
    """Lot id → why it is held now, and since when."""
    rows = Hold.objects.filter(lot__in=ids, ended_by__isnull=True).order_by("-id")
    return {h.lot_id: f"held since {_when(h.began_at)}: {h.reason}" for h in rows}


def possibly_sold(flows: Flows, ids: set[int]) -> dict[int, tuple[int, int]]:
    """Lot id → least and most sold, for lots that stood where a till sells."""
    wanted = [
        i
        for i in ids
        if flows.lots[i].kind in EATEN
        and any(
            flows.places[p].kind in OUTLETS or flows.places[p].kind == PlaceKind.SOLD
            for p in flows.lots[i].reached
        )
    ]
    return possibly.possibly_sold(list(Lot.objects.filter(pk__in=wanted))) if wanted else {}


def _many(quantity: int, unit: str) -> str:
    return str(quantity) if unit == Unit.EACH else f"{quantity} {unit}"


def range_says(sold: tuple[int, int]) -> str:
    return str(sold[0]) if sold[0] == sold[1] else f"{sold[0]} to {sold[1]}"


# --- flags ----------------------------------------------------------------------------------


def _flags(family: _Family) -> Iterable[Gap]:
    made = {family.flows.lots[i].made_by for i in family.all}
    rows = list(Flag.objects.filter(_alive(), lot__in=family.all))
    rows += Flag.objects.filter(_alive(), event__in=made, lot__isnull=True)
    for flag in sorted(rows, key=lambda f: f.pk):
        if flag.kind != Flag.Kind.WRONG_ORIGIN:  # said by the edge, until it is cleared
            yield Gap(flag.kind, f"{flag.get_kind_display()}: {flag.says}")


# --- checks ---------------------------------------------------------------------------------


def _failed_and_missing_checks(family: _Family) -> Iterable[Gap]:
    lots = [lot for i in family.all if not (lot := family.flows.lots[i]).cancelled]
    made = {lot.made_by for lot in lots if lot.kind in EATEN}
    waters = {lot.made_by for lot in lots if lot.kind == LotKind.WATER}
    for says, failed in suspect.checks_of(made, waters, _stays(family)):
        yield Gap("failed_check" if failed else "no_check", says)


def _stays(family: _Family) -> dict[int, tuple[dt.datetime, dt.datetime]]:
    """Store, shop or kitchen → from when until when any of the lots lay there."""
    cold = (PlaceKind.STORE, *OUTLETS)
    places = {p.id for p in family.flows.places.values() if p.kind in cold}
    lots = [i for i in family.all if places & family.flows.lots[i].reached.keys()]
    stays: dict[int, tuple[dt.datetime, dt.datetime]] = {}
    for a, b, moment in Movement.objects.filter(lot__in=lots).values_list(
        "from_place_id", "to_place_id", "event__placed_at"
    ):
        for place in {a, b} & places:
            start, end = stays.get(place, (moment, moment))
            stays[place] = min(start, moment), max(end, moment)
    now = clock.now()
    for i in lots:
        for h in family.flows.lots[i].here:
            if h.place.id in stays and h.quantity > 0:
                stays[h.place.id] = stays[h.place.id][0], max(now, stays[h.place.id][1])
    return stays


# --- sales that name no lot -----------------------------------------------------------------


def _worked_out(family: _Family) -> Iterable[Gap]:
    for i in sorted(family.affected):
        lot = family.flows.lots[i]
        guessed = sum(
            h.quantity
            for h in lot.here
            if h.basis == Basis.WORKED_OUT and h.place.kind == PlaceKind.SOLD
        )
        if i in family.sold and (guessed or family.sold[i][0] != family.sold[i][1]):
            yield Gap(
                "worked_out",
                f"{lot.code}: {_many(guessed, lot.unit)} of its sales worked out, first to expire "
                f"first, since the till named no lot; possibly sold: {range_says(family.sold[i])}.",
            )


def _lot_unknown(family: _Family) -> Iterable[Gap]:
    """Till rows of a line that the books could lay on no lot, while a lot of it stood there."""
    shelves: dict[tuple[int, str], set[int]] = defaultdict(set)
    for i in family.affected:
        lot = family.flows.lots[i]
        for place in lot.reached:
            if lot.line and family.flows.places[place].kind in OUTLETS:
                shelves[place, lot.line].add(i)
    if not shelves:
        return
    places = {place for place, _ in shelves}
    lines = {line for _, line in shelves}
    days: dict[tuple[int, str], list[int]] = defaultdict(list)
    ids = {i for lots in shelves.values() for i in lots}
    for lot, a, b, day in Movement.objects.filter(lot__in=ids).values_list(
        "lot_id", "from_place_id", "to_place_id", "day"
    ):
        for place in {a, b} & places:
            days[place, family.flows.lots[lot].line].append(day)
    rows = Unnamed.objects.filter(_alive(), place__in=places, line__in=lines).filter(
        event__day__gte=min(d for known in days.values() for d in known)
    )
    told = [
        row
        for row in rows.order_by("event__placed_at", "event_id").values_list(
            "event_id", "place_id", "line", "quantity", "event__day"
        )
        if _within(family, shelves, days, row)
    ]
    if not told:
        return
    worked: dict[tuple[int, str], int] = defaultdict(int)
    taken = Movement.objects.filter(
        event__corrects__in={row[0] for row in told}, event__kind=WORKED_OUT
    ).values_list("event__corrects_id", "lot__line", "to_place__kind")
    for event, line, kind, quantity in taken.annotate(q=Sum("quantity")):
        worked[event, line] += quantity if kind == PlaceKind.SOLD else -quantity
    waiting: dict[tuple[int, str], tuple[int, int, int]] = {}
    for event, place, line, quantity, day in told:
        rest = quantity - worked[event, line]
        if rest > 0:
            n, first, _ = waiting.get((place, line), (0, day, day))
            waiting[place, line] = n + rest, first, day
    for (place, line), (n, first, last) in sorted(waiting.items()):
        span = _day(first) if first == last else f"{_day(first)} to {_day(last)}"
        shop = family.flows.places[place].name
        yield Gap(
            "lot_unknown",
            f"{n} of {line} sold in {shop}, lot unknown, {span}.{_on_the_way(place, line)}",
        )


def _within(family: _Family, shelves, days, row) -> bool:
    """Whether a till row was rung up while one of our lots stood on that shelf."""
    _, place, line, _, day = row
    if (place, line) not in shelves:
        return False
    known = days[place, line]
    still = any(
        h.place.id == place and h.quantity > 0
        for i in shelves[place, line]
        for h in family.flows.lots[i].here
    )
    return min(known) <= day and (still or day <= max(known))


def _on_the_way(place: int, line: str) -> str:
    rows = NoteLine.objects.filter(
        lot__line=line, to_follow__gt=0, note__outlet__place=place
    ).values_list("note__number", "to_follow")
    return "".join(f" {n} are on the way on note {number}." for number, n in rows.order_by("id"))


# --- counts, corrections, cancelled ---------------------------------------------------------


def _differences_and_cancels(family: _Family) -> Iterable[Gap]:
    difference = {p.id for p in family.flows.places.values() if p.kind == "count_difference"}
    telling = (*CANCELLING, "correct_weight")
    rows = (
        Movement.objects.filter(lot__in=family.all)
        .filter(
            Q(event__kind__in=telling) | Q(from_place__in=difference) | Q(to_place__in=difference)
        )
        .select_related("event", "lot", "from_place", "to_place")
        .order_by("event__placed_at", "id")
    )
    net: dict[tuple, list] = {}
    acts: dict[int, set[str]] = defaultdict(set)
    events: dict[int, Event] = {}
    for m in rows:
        if m.event.kind in telling:
            acts[m.event_id].add(m.lot.code)
            events[m.event_id] = m.event
        elif m.event.kind != "cancel_because":
            lost = m.to_place_id in difference
            place = m.from_place if lost else m.to_place
            key = (m.event.placed_at, m.lot.code, place.name)
            one = net.setdefault(key, [0, m.lot.unit])
            one[0] += m.quantity if lost else -m.quantity
    # a lot with no movement left (a cancelled fill, say) is found by who made it
    made = {lot.made_by for i in family.all if (lot := family.flows.lots[i]).cancelled}
    for e in Event.objects.filter(corrects__in=made, kind__in=CANCELLING):
        events[e.pk] = e
    for (moment, code, place), (quantity, unit) in net.items():
        if quantity > 0:
            yield Gap(
                "difference",
                f"{code}: {_many(quantity, unit)} missing in {place} on {_when(moment)}.",
            )
        elif quantity < 0:
            says = f"{code}: {_many(-quantity, unit)} more than the books held in {place} on "
            yield Gap("difference", f"{says}{_when(moment)}.")
    first = Event.objects.in_bulk([e.corrects_id for e in events.values() if e.corrects_id])
    for pk, e in sorted(events.items()):
        reason = json.loads(e.told or "{}").get("reason")
        because = f": {reason}" if reason else ""
        codes = ", ".join(sorted(acts[pk]))
        if e.kind in CANCELLING:
            was = first[e.corrects_id]
            says = KINDS[was.kind].says if was.kind in KINDS else was.kind
            yield Gap(
                "cancelled",
                f"“{says}” of {_when(was.happened_at)} was cancelled on "
                f"{_when(e.recorded_at)}{f' ({codes})' if codes else ''}{because}.",
            )
        else:
            yield Gap("corrected", f"{codes}: weight corrected on {_when(e.recorded_at)}{because}.")


def _corrected_origins(family: _Family) -> Iterable[Gap]:
    struck = [e for e in family.flows.edges if e.struck and e.child in family.all]
    codes = dict(Lot.objects.filter(pk__in={e.parent for e in struck}).values_list("id", "code"))
    for e in struck:
        yield Gap(
            "wrong_origin",
            f"{family.flows.lots[e.child].code} was first put down to {codes[e.parent]}; the "
            "origin was corrected, and the food-safety lead has not cleared the first one yet.",
        )


# --- what is missing above ------------------------------------------------------------------


def _seeds(family: _Family) -> Iterable[Gap]:
    batches = family.lots(LotKind.BATCH)
    parents = family.parents(batches, "touched")
    seeds = set(
        Lot.objects.filter(
            pk__in={p for found in parents.values() for p in found}, item__kind__in=SEEDS
        ).values_list("pk", flat=True)
    )
    bare = [lot for lot in batches if not parents[lot.id] & seeds]
    before = [lot for lot in bare if lot.made_as == "opening_entry"]
    rest = [lot for lot in bare if lot.made_as != "opening_entry"]
    if before:
        yield Gap("no_seed", f"{name(before)}: seed before records began.")
    if rest:
        yield Gap("no_seed", f"{name(rest)}: no seed recorded.")


def _sowings(family: _Family) -> Iterable[Gap]:
    cuts = [lot for lot in family.lots(LotKind.HARVEST) if lot.made_as != "opening_entry"]
    parents = family.parents(cuts, "grew")
    bare = [lot for lot in cuts if not parents[lot.id]]
    if bare:
        yield Gap("no_sowing", f"{name(bare)}: cut without a sowing recorded.")


def _waters(family: _Family) -> Iterable[Gap]:
    cuts = [lot for lot in family.lots(LotKind.HARVEST) if lot.made_as != "opening_entry"]
    runs = family.lots(LotKind.PACK)
    washed = set(
        PackingRun.objects.filter(lot__in=[lot.id for lot in runs], washed=True).values_list(
            "lot_id", flat=True
        )
    )
    runs = [lot for lot in runs if lot.id in washed]
    parents = family.parents([*cuts, *runs], "touched")
    waters = set(
        Lot.objects.filter(
            pk__in={p for found in parents.values() for p in found}, kind=LotKind.WATER
        ).values_list("pk", flat=True)
    )
    dry = [lot for lot in cuts if not parents[lot.id] & waters]
    if dry:
        yield Gap("no_water", f"{name(dry)}: no water recorded.")
    unsaid = [lot for lot in runs if not parents[lot.id] & waters]
    if unsaid:
        yield Gap("no_water", f"{name(unsaid)}: washed, and no wash water recorded.")


def _openings(family: _Family) -> Iterable[Gap]:
    opened = [
        lot
        for i in sorted(family.all)
        if (lot := family.flows.lots[i]).made_as == "opening_entry" and not lot.cancelled
    ]
    if opened:
        yield Gap("opening", f"{name(opened)}: stood here on the day records began.")


def _suppliers(family: _Family) -> Iterable[Gap]:
    bought = [
        lot
        for lot in (*family.lots(LotKind.INPUT), *family.lots(LotKind.PRODUCE))
        if lot.made_as != "opening_entry"
    ]
    named = set(
        Description.objects.filter(lot__in=[lot.id for lot in bought])
        .exclude(name="")
        .values_list("lot_id", flat=True)
    )
    bare = [lot for lot in bought if lot.id not in named]
    if bare:
        yield Gap("no_supplier_lot", f"{name(bare)}: no supplier's lot number recorded.")


def _unbounded(family: _Family) -> Iterable[Gap]:
    for one in family.shared:
        if not one.bounded:
            yield Gap("unbounded", f"Alongside: {one.says}.")


__all__ = ["Gap", "find", "held", "name", "possibly_sold", "range_says"]
