"""What nobody wrote down, what went wrong, and what is only guessed: the gaps of a trace, in
words. Breaches and what was told after the freeze come first."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from grow import clock
from grow.flows import EATEN, Flows, LotFlows
from grow.kinds import CANCELLING, KINDS
from grow.lineage import each, moment
from grow.models import (
    OUTLETS,
    Basis,
    Description,
    Event,
    Flag,
    Item,
    Lot,
    LotKind,
    PlaceKind,
)

from . import hands, suspect, tills
from .beside import Shared
from .models import Complaint, PackingRun

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
        _complaints,
        _flags,
        _failed_and_missing_checks,
        _lot_unknown,
        _worked_out,
        _differences_and_cancels,
        _corrected_origins,
        _hands,
        _seeds,
        _sowings,
        _waters,
        _openings,
        _suppliers,
        _unbounded,
    )
    found = [gap for look in looks for gap in look(family)]
    first = [gap for gap in found if gap.kind in _FLAGS_FIRST]
    complained = [gap for gap in found if gap.kind == "complaint"]
    first.sort(key=lambda gap: _FLAGS_FIRST.index(Flag.Kind(gap.kind)))
    return list(dict.fromkeys([*complained, *first, *found]))


def name(lots: Iterable[LotFlows]) -> str:
    codes = [lot.code for lot in lots]
    if len(codes) <= MOST:
        return ", ".join(codes)
    return f"{', '.join(codes[:MOST])} and {len(codes) - MOST} more"


def _when(at) -> str:
    return f"{clock.local(at):%d %b %Y %H:%M}"


def _day(number: int) -> str:
    return f"{clock.number_day(number):%d %b %Y}"


# --- what is held -----------------------------------------------------------------------------


def held(ids: set[int]) -> dict[int, str]:
    """Lot id → why it is held now, and since when."""
    rows = each(
        ids,
        "h.id, t.id, h.began_at, h.reason",
        "grow_hold h WHERE h.lot_id = t.id AND h.ended_by_id IS NULL",
    )
    return {
        lot: f"held since {_when(moment(began))}: {reason}"
        for _, lot, began, reason in sorted(rows, key=lambda row: -row[0])
    }


# --- complaints -----------------------------------------------------------------------------


def _complaints(family: _Family) -> Iterable[Gap]:
    rows = each(
        family.affected,
        "c.event_id, t.id",
        "sales_complaint c WHERE c.lot_id = t.id AND c.answered_by_id IS NULL",
    )
    found = Complaint.objects.select_related("event").in_bulk({event for event, _ in rows})
    for event, lot in sorted(rows):
        one = found[event]
        ill = "Somebody is ill. " if one.ill else ""
        says = f"{ill}Complaint {one.number} about {family.flows.lots[lot].code} on "
        yield Gap("complaint", f"{says}{_when(one.event.happened_at)}: {one.happened}")


# --- flags ----------------------------------------------------------------------------------


def _flags(family: _Family) -> Iterable[Gap]:
    made = {family.flows.lots[i].made_by for i in family.all}
    columns = "f.id, f.kind, f.says"
    alive = f"NOT EXISTS ({tills.TAKEN_BACK.format(event='f.event_id')})"
    rows = each(family.all, columns, f"grow_flag f WHERE f.lot_id = t.id AND {alive}")
    rows += each(
        made, columns, f"grow_flag f WHERE f.event_id = t.id AND f.lot_id IS NULL AND {alive}"
    )
    for _, kind, says in sorted(rows):
        if kind != Flag.Kind.WRONG_ORIGIN:  # said by the edge, until it is cleared
            yield Gap(kind, f"{Flag.Kind(kind).label}: {says}")


# --- checks ---------------------------------------------------------------------------------


def _failed_and_missing_checks(family: _Family) -> Iterable[Gap]:
    lots = [lot for i in family.all if not (lot := family.flows.lots[i]).cancelled]
    made = {lot.made_by for lot in lots if lot.kind in EATEN}
    waters = {lot.id: lot.made_by for lot in lots if lot.kind == LotKind.WATER}
    for says, failed in suspect.checks_of(made, waters, _stays(family)):
        yield Gap("failed_check" if failed else "no_check", says)


def _stays(family: _Family) -> dict[int, tuple[dt.datetime, dt.datetime]]:
    """Store, shop or kitchen → from when until when any of the lots lay there."""
    return stays(family.flows, family.all, (PlaceKind.STORE, *OUTLETS))


def stays(
    flows: Flows, ids: Iterable[int], kinds: Iterable[str]
) -> dict[int, tuple[dt.datetime, dt.datetime]]:
    """Place of these kinds → from when until when any of the lots lay there."""
    wanted = set(kinds)
    places = {p.id for p in flows.places.values() if p.kind in wanted}
    lots = [i for i in ids if places & flows.lots[i].reached.keys()]
    found: dict[int, tuple[dt.datetime, dt.datetime]] = {}
    for a, b, raw in each(
        lots,
        "m.from_place_id, m.to_place_id, e.placed_at",
        "grow_movement m CROSS JOIN grow_event e WHERE m.lot_id = t.id AND e.id = m.event_id",
    ):
        at = moment(raw)
        for place in {a, b} & places:
            start, end = found.get(place, (at, at))
            found[place] = min(start, at), max(end, at)
    now = clock.now()
    for i in lots:
        for h in flows.lots[i].here:
            if h.place.id in found and h.quantity > 0:
                found[h.place.id] = found[h.place.id][0], max(now, found[h.place.id][1])
    return found


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
            says = f"{lot.code}: {tills.many(guessed, lot.unit)} of its sales worked out"
            sold = tills.range_says(family.sold[i])
            yield Gap(
                "worked_out",
                f"{says}, first to expire first, since the till named no lot; possibly sold: "
                f"{sold}.",
            )


def _lot_unknown(family: _Family) -> Iterable[Gap]:
    for says in tills.lot_unknown(family.flows, family.affected):
        yield Gap("lot_unknown", says)


# --- counts, corrections, cancelled ---------------------------------------------------------


def _differences_and_cancels(family: _Family) -> Iterable[Gap]:
    difference = {p.id for p in family.flows.places.values() if p.kind == "count_difference"}
    telling = (*CANCELLING, "correct_weight")
    places = ", ".join(map(str, sorted(difference))) or "NULL"
    rows = each(
        family.all,
        "m.id, t.id, m.from_place_id, m.to_place_id, m.quantity, m.event_id",
        "grow_movement m CROSS JOIN grow_event e WHERE m.lot_id = t.id AND e.id = m.event_id "
        f"AND (e.kind IN (%s, %s, %s) OR m.from_place_id IN ({places}) "
        f"OR m.to_place_id IN ({places}))",
        telling,
    )
    seen = Event.objects.in_bulk({row[-1] for row in rows})
    net: dict[tuple, list] = {}
    acts: dict[int, set[str]] = defaultdict(set)
    events: dict[int, Event] = {}
    for _, i, a, b, quantity, event in sorted(rows):
        e, lot = seen[event], family.flows.lots[i]
        if e.kind in telling:
            acts[event].add(lot.code)
            events[event] = e
        elif e.kind != "cancel_because":
            lost = b in difference
            place = family.flows.places[a if lost else b].name
            one = net.setdefault((e.placed_at, lot.code, place), [0, lot.unit])
            one[0] += quantity if lost else -quantity
    # a lot with no movement left (a cancelled fill, say) is found by who made it
    made = {lot.made_by for i in family.all if (lot := family.flows.lots[i]).cancelled}
    for e in Event.objects.filter(corrects__in=made, kind__in=CANCELLING):
        events[e.pk] = e
    for (at, code, place), (quantity, unit) in sorted(net.items()):
        if quantity > 0:
            yield Gap(
                "difference",
                f"{code}: {tills.many(quantity, unit)} missing in {place} on {_when(at)}.",
            )
        elif quantity < 0:
            says = f"{code}: {tills.many(-quantity, unit)} more than the books held in {place} on "
            yield Gap("difference", f"{says}{_when(at)}.")
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


# --- whose hands ---------------------------------------------------------------------------


def _hands(family: _Family) -> Iterable[Gap]:
    lots = [lot for i in sorted(family.all) if not (lot := family.flows.lots[i]).cancelled]
    acts = {lot.made_by for lot in lots}
    for says in hands.not_countersigned([lot.id for lot in lots], acts):
        yield Gap("not_countersigned", says)
    for says in hands.not_signed_off({lot.made_by for lot in lots if lot.kind == LotKind.PACK}):
        yield Gap("not_signed_off", says)


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


__all__ = ["Gap", "find", "held", "name", "stays"]
