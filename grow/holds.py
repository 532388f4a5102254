"""Holds and the freeze: what a held lot may still do, and who is held because of whom.

A hold is on a lot. Whatever makes an edge below a held lot (a birth, a touch told late, a
corrected origin) holds the child and everything made from it, in the same transaction.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from typing import TYPE_CHECKING

from django.db.models import Q

from . import clock, lineage
from .models import Event, Flag, Hold, Lineage, Lot, LotKind, Movement, PlaceKind, Treatment
from .ready import Given, ready

if TYPE_CHECKING:
    from .ledger import Entry

#: Where a held lot may always go.
HARMLESS = frozenset(
    {
        PlaceKind.QUARANTINE,
        PlaceKind.COMPOST,
        PlaceKind.LANDFILL,
        PlaceKind.DESTROYED,
        PlaceKind.SAMPLE,
        PlaceKind.COUNT_DIFFERENCE,
    }
)
#: What stands before the reason of a lot that is held because of one that it was made from.
INHERITED = "made from a held lot: "
#: The way out where only a day was told, and the hold began on it.
AT_WHAT_HOUR = "If it was done before that, say at what hour."
#: How the reason ends of a lot that is born held until its result is there.
WAITS = "waits for its laboratory result"


def only_waits(lots: Iterable[Lot]) -> bool:
    """Whether these lots are held, and by nothing but the wait for their own laboratory results."""
    rows = Hold.objects.filter(lot__in=list(lots), ended_by=None).select_related("lot")
    found = list(rows)
    return bool(found) and all(
        hold.began_by_id == hold.lot.made_by_id
        and hold.reason.endswith(WAITS)
        and ";" not in hold.reason  # which parts it from another reason to be born held
        and not hold.reason.startswith(INHERITED)
        for hold in found
    )


def holds_at(lots: Iterable[int], moment) -> dict[int, list[Hold]]:
    """The holds that are on these lots at a moment, by lot id."""
    found: dict[int, list[Hold]] = defaultdict(list)
    rows = Hold.objects.filter(
        Q(ended_at__isnull=True) | Q(ended_at__gt=moment), lot__in=list(lots), began_at__lte=moment
    )
    for hold in rows.select_related("began_by"):
        found[hold.lot_id].append(hold)
    return found


_ever_held = ready(lambda: Hold.objects.filter(lot__in=Given.each("lots")).order_by("id"))
_held_now = ready(
    lambda: Hold.objects.filter(lot__in=Given.each("lots"), ended_by=None).order_by("id")
)
_with_an_interval = ready(
    lambda: Treatment.objects.filter(
        lot__in=Given.each("lots"), safe_from__isnull=False
    ).select_related("lot")
)
_lots = ready(lambda: Lot.objects.filter(pk__in=Given.each("lots")).select_related("made_by"))


def held_now(lots: Iterable[int]) -> dict[int, Hold]:
    return {hold.lot_id: hold for hold in _held_now(lots=lots)}


def look(entry: Entry, moves: list[Movement]) -> None:
    """Refuse, or book as a breach, what a held lot may not do; mark what it may.

    Dated before the hold, a movement is accepted whenever it is told, and stands as "told
    after the freeze"."""
    lots = {m.lot.pk for m in moves}
    if not lots:
        return
    ever = defaultdict(list)
    for hold in _ever_held(lots=lots):
        ever[hold.lot_id].append(hold)
    for m in moves:
        _leaving_quarantine(entry, m)
        moment = m.event.placed_at
        standing = [h for h in ever.get(m.lot.pk, ()) if _stood(h, moment)]
        harmless = (
            entry.corrects
            or m.to_place.kind in HARMLESS
            or m.from_place.kind == PlaceKind.TRANSIT
            or m.lot.made_by_id == entry.event.pk
        )
        if not standing:
            perhaps = _begun(ever.get(m.lot.pk, ()), _by(entry, m.event))
            if perhaps and not harmless:
                says = f"{_stopped(m, perhaps)} {AT_WHAT_HOUR}"
                entry.refuse_or("held", says, lot=m.lot.code, to=m.to_place.name)
            if any(h.began_at > moment and h.ended_by_id is None for h in ever.get(m.lot.pk, ())):
                _once(
                    entry,
                    Flag.Kind.AFTER_FREEZE,
                    f"{m.lot.code}: {m.quantity} {m.lot.unit} to {m.to_place} was told after "
                    "the lot was held, of a time before it.",
                    m.lot,
                )
            continue
        m.despite_hold = True
        if harmless:
            continue
        says = _stopped(m, standing[0])
        entry.refuse_or("held", says, lot=m.lot.code, to=m.to_place.name)
        entry.flag(
            Flag.Kind.BREACH,
            f"{m.quantity} {m.lot.unit} of {m.lot.code} went to {m.to_place} although it was "
            f"held: {standing[0].reason}",
            m.lot,
        )


def _stopped(m: Movement, hold: Hold) -> str:
    since = clock.local(hold.began_at)
    return (
        f"{m.lot.code} is held since {since:%H:%M on %d %b %Y}: {hold.reason}. It may go to "
        f"quarantine or be destroyed, but not to {m.to_place}."
    )


def _stood(hold: Hold, at: dt.datetime) -> bool:
    return hold.began_at <= at and (hold.ended_at is None or hold.ended_at > at)


def _begun(ever: Iterable[Hold], by: dt.datetime) -> Hold | None:
    """The first hold that stands now and had begun by then."""
    return next((h for h in ever if h.ended_by_id is None and h.began_at <= by), None)


def _by(entry: Entry, event: Event) -> dt.datetime:
    """The latest moment at which this may be done. Of what is told with only its day, before the
    act, that is the end of the day or now; a fact stands where it was placed."""
    if entry.told_as_fact or entry.corrects:
        return event.placed_at
    return max(event.placed_at, min(event.latest_at, event.recorded_at))


def _leaving_quarantine(entry: Entry, m: Movement) -> None:
    if m.from_place.kind != PlaceKind.QUARANTINE or entry.corrects or entry.kind.name == "release":
        return
    # "became another lot" is an end of the crate, but its leaf would leave in the bag
    went_in = m.to_place.kind == PlaceKind.USED
    if went_in or (m.to_place.is_standing and m.to_place.kind != PlaceKind.QUARANTINE):
        entry.refuse_or(
            "in_quarantine",
            f"{m.lot.code} stands in {m.from_place}; it leaves only when a named person releases "
            "it with a reason.",
            lot=m.lot.code,
        )
        entry.flag(
            Flag.Kind.BREACH,
            f"{m.quantity} {m.lot.unit} of {m.lot.code} left {m.from_place} for {m.to_place} "
            "without a release.",
            m.lot,
        )
        for lot in entry.lots if went_in else ():
            entry.hold_at_birth(lot, f"made from {m.lot.code} out of {m.from_place}")


def _once(entry: Entry, kind: str, says: str, lot: Lot) -> None:
    if not any(f.kind == kind and f.lot == lot for f in entry.flags):
        entry.flag(kind, says, lot)


def _passed_on(reason: str) -> str:
    """The reason of what is made from a lot held for this one: the root's own, once, however many
    generations lie between."""
    return INHERITED + reason.rpartition(INHERITED)[2]


def place_holds(reasons: dict[int, str], event: Event) -> int:
    """Hold these lots (id → why) and everything below each, from when the books were told:
    only then could anything be stopped. A lot already held by this event stays so. Returns how
    many holds were added."""
    why = {
        lot: reasons[root] if lot == root else _passed_on(reasons[root])
        for lot, root in lineage.first_above(reasons).items()
    }
    have = set(Hold.objects.filter(began_by=event, lot__in=why).values_list("lot_id", flat=True))
    new = [
        Hold(lot_id=lot, began_by=event, began_at=event.recorded_at, reason=why[lot][:300])
        for lot in sorted(why)
        if lot not in have
    ]
    Hold.objects.bulk_create(new)
    return len(new)


def inherit(
    edges: Iterable[Lineage],
    event: Event,
    entry: Entry | None = None,
    held: dict[int, Hold] | None = None,
) -> None:
    """New edges bring danger down: a held parent, or a treatment whose interval covers the
    child's cut, holds the child. `event` is what told us; `held` are the parents' holds, where
    they are known already."""
    edges = list(edges)
    if not edges:
        return
    held = held_now({e.parent_id for e in edges}) if held is None else held
    touching = {e.parent_id for e in edges if e.kind == Lineage.Kind.TOUCHED}
    intervals = {t.lot_id: t for t in _with_an_interval(lots=touching)} if touching else {}
    if not (held or intervals):
        return
    reasons: dict[int, str] = {}
    says: dict[int, str] = {}  # naming the parent, which a reason that is passed on does not
    inside: set[int] = set()  # cut within the interval of a spray
    stood_in: dict[int, Hold] = {}  # what held water or film a lot was made in
    risky = {e.child_id for e in edges if e.parent_id in held or e.parent_id in intervals}
    born = {lot.pk: lot for lot in (entry.lots if entry else ()) if lot.pk in risky}
    if others := risky - born.keys():
        born |= {lot.pk: lot for lot in _lots(lots=others)}
    for e in edges:
        child = born.get(e.child_id)
        if child is None:
            continue
        if e.parent_id in held:
            hold = held[e.parent_id]
            parent = Lot.objects.only("code").get(pk=e.parent_id)
            reasons.setdefault(child.pk, _passed_on(hold.reason))
            says.setdefault(child.pk, f"{parent.code} is held: {hold.reason}")
            if e.kind == Lineage.Kind.TOUCHED:
                stood_in.setdefault(child.pk, hold)
        spray = intervals.get(e.parent_id)
        safe_from = spray.safe_from if spray and child.kind == LotKind.HARVEST else None
        if spray and safe_from and child.made_by.earliest_at < safe_from:
            inside.add(child.pk)
            until = clock.local(safe_from)
            reasons[child.pk] = says[child.pk] = (
                f"cut inside the harvest interval of {spray.lot.title or spray.lot.code} "
                f"({spray.lot.code}), which ends {until:%d %b %Y %H:%M}"
            )
    if not reasons:
        return
    if entry is not None:
        for lot, reason in sorted(says.items()):
            newborn = born[lot].made_by_id == event.pk
            if newborn and lot in inside:
                entry.refuse_or(
                    "inside_interval",
                    f"Not yet: {reason}. Wait, or tell it as already cut; it is then held.",
                )
            # leaf has stood in its water, but a run can still be made in other water or film
            if newborn and born[lot].kind == LotKind.PACK and lot in stood_in:
                _refuse_made_in(entry, stood_in[lot], reason)
            kind = Flag.Kind.BORN_HELD
            entry.flag(kind, f"{born[lot].code} is held: {reason}", born[lot])
    place_holds(reasons, event)


def _refuse_made_in(entry: Entry, hold: Hold, reason: str) -> None:
    """A run of a time before the hold is accepted, like a movement; it is then held."""
    by = _by(entry, entry.event)
    if Hold.objects.filter(lot=hold.lot_id, ended_by=None, began_at__lte=by).exists():
        entry.refuse_or(
            "held",
            f"{reason}. Take other water, film or gloves, or tell it as already done; the run is "
            "then held.",
        )


def at_birth(entry: Entry, touched: list[Lineage]) -> None:
    """What an entry itself says is born held, what went in although it was held, and what was
    touched by something held or sprayed."""
    own = {lot.pk: entry.born_held[id(lot)] for lot in entry.lots if id(lot) in entry.born_held}
    for lot in entry.lots:
        if lot.pk in own:
            says = f"{lot.code} is held from the start: {own[lot.pk]}"
            entry.flag(Flag.Kind.BORN_HELD, says, lot)
    if own:
        place_holds(own, entry.event)
    matter = [e for e in entry.edges if e.kind != Lineage.Kind.TOUCHED]
    if not (matter or touched):
        return
    ever = _ever_held(lots={e.parent_id for e in (*matter, *touched)})
    if ever and not (entry.told_as_fact or entry.corrects):
        # a cut or run of a time before the hold is accepted, like a movement; it is then held
        at, by = entry.event.placed_at, _by(entry, entry.event)
        standing = {h.lot_id: h for h in reversed(ever) if _stood(h, at) or _begun([h], by)}
        for e in matter:
            if e.parent_id in standing:
                hold = standing[e.parent_id]
                hour = "" if _stood(hold, at) else f" {AT_WHAT_HOUR}"
                entry.refuse_or(
                    "held",
                    f"{e.parent.code} is held: {hold.reason}. Nothing may be made from it until "
                    f"the food-safety lead releases it.{hour}",
                    lot=e.parent.code,
                )
    now = {h.lot_id: h for h in ever if h.ended_by_id is None}
    inherit(matter, entry.event, entry, now)
    inherit(touched, entry.event, entry, now)


__all__ = [
    "HARMLESS",
    "INHERITED",
    "at_birth",
    "held_now",
    "holds_at",
    "inherit",
    "look",
    "place_holds",
]
