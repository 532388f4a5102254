"""Correct by adding. Nothing that was written is edited."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable

from django.db.models import F, Q, Sum

from .. import clock, ends, gate, holds, lineage
from ..errors import Refusal
from ..fitting import Goods, Keeping, Made, Origin, Tower
from ..kinds import ASIDE, CANCELLING, KINDS, OWN, WORKED_OUT
from ..ledger import BEFORE_CANCEL, Entry, cancel_rows, operation
from ..models import (
    ENDS,
    SOURCES,
    Basis,
    Counted,
    CutSite,
    Event,
    Flag,
    Hold,
    InUse,
    Lineage,
    Lot,
    LotKind,
    Movement,
    Place,
    PlaceKind,
    Planting,
    PlantSite,
    alive,
)
from ..queries import living, on_sites, taken_back, with_corrections
from .stock import refuse_unless_signed_off

UNDO_WITHIN_S = 600
#: Acts that take plants off a tower by how many they were, the newest planted first.
_BY_NUMBER = ("lose_plants", "move_plants")
_CORRECTING = ("correct_weight", "correct_origin", "run_corrected", "found_cleared")
#: Called with (entry, lot, place, difference), for the remainder of a run that said of that lot
#: "crate empty" to take what it can. Filled by the apps above.
REMAINDERS: list[Callable[[Entry, Lot, Place, int], object]] = []
#: Called with (entry, lot) where the origin of a lot is corrected. Filled by the apps above.
ORIGINS: list[Callable[[Entry, Lot], None]] = []
#: How a wrong count of packs is put right; filled by the app that packs.
PACKS: list[Callable[[Entry, Lot, Place, int], object]] = []


def _says(event: Event) -> str:
    when = clock.local(event.happened_at)
    kind = KINDS.get(event.kind)
    return f"“{kind.says if kind else event.kind}” of {when:%d %b %Y %H:%M}"


def _cancel(entry: Entry, event: Event) -> None:
    kind = KINDS.get(event.kind)
    if kind is None or not kind.can_cancel:
        raise Refusal(
            "cannot_cancel", f"{_says(event)} cannot be cancelled; do the act again instead."
        )
    if event.corrections.filter(kind__in=CANCELLING).exclude(pk=entry.event.pk).exists():
        raise Refusal("already_cancelled", f"{_says(event)} was cancelled before.")
    if event.kind in BEFORE_CANCEL:
        BEFORE_CANCEL[event.kind](entry, event)
    back = taken_back(but=entry.event)
    fixes = event.corrections.filter(kind__in=_CORRECTING).exclude(pk__in=back)
    family = [event, *fixes]
    seen = {e.pk for e in family}
    posted = Event.objects.filter(because_of__in=seen).exclude(kind__in=[*OWN, "cancel_because"])
    for e in posted.exclude(pk__in=back):
        if e.pk not in seen:
            family.append(e)
            seen.add(e.pk)
    # an undo takes back one's own slip, within minutes: the ledger asks nothing else of it
    if entry.kind.name == "cancel" and _lets_go(seen):
        # as a release does, and asks for the same
        refuse_unless_signed_off(entry, clock.local(entry.event.recorded_at).date())
    _refuse_used(entry, event, family)
    entry.may_short = event.kind in _CORRECTING  # it may be short with it, so it may without it
    again = Lineage.objects.filter(event__in=seen, struck_by__isnull=False)
    if again.exclude(struck_by__in=seen).exists():
        raise Refusal(
            "corrected_since", "That was corrected again since; cancel the later one first."
        )
    freed = Planting.objects.filter(ended_by__in=seen).select_related("site__tower")
    stood = {(p.batch_id, p.site.tower_id) for p in freed}
    for p in freed:
        later = Planting.objects.filter(site=p.site, began_at__gte=p.ended_at).exclude(pk=p.pk)
        if later.exclude(began_by__in=seen).exists():
            raise Refusal(
                "site_planted_again",
                f"{p.site} was planted again since; put that entry right first.",
            )
    gone = Planting.objects.filter(began_by__in=seen, ended_by__kind__in=_BY_NUMBER)
    gone = gone.filter(ended_by__gt=F("began_by"))  # told before them, it was short of them
    lost = gone.exclude(ended_by__in=seen).select_related("ended_by", "site").first()
    if lost and lost.ended_by:
        # a number says only how many went; without these, others would have to have gone
        raise Refusal(
            "used_since",
            f"Plants of it are gone since: {_says(lost.ended_by)} on {lost.site}. "
            "Cancel that first.",
            events=[lost.ended_by_id],
        )
    used = CutSite.objects.filter(planting__began_by__in=seen).exclude(lot__made_by__in=seen)
    cut = used.first()
    if cut:
        raise Refusal(
            "cut_since",
            f"{cut.lot.code} was cut from those plants since; put that entry right first.",
        )
    cancel_rows(entry, family)
    entry.later.append(lambda: ends.make_up(stood))


def _lets_go(family: set[int]) -> bool:
    """Whether taking these events back ends a hold, or takes goods out of quarantine for anywhere
    but an end or a source: on the way they can be received anew, as accepted."""
    if Hold.objects.filter(began_by__in=family, ended_by=None).exists():
        return True
    into = Movement.objects.filter(event__in=family, to_place__kind=PlaceKind.QUARANTINE)
    return into.exclude(from_place__kind__in=[PlaceKind.QUARANTINE, *SOURCES, *ENDS]).exists()


def _refuse_used(entry: Entry, event: Event, family: list[Event]) -> None:
    made = [lot for e in family for lot in e.lots]
    if not made:
        return
    packets = [lot for lot in made if lot.kind == LotKind.INPUT]
    open_ = InUse.objects.filter(lot__in=packets)
    others = (
        Event.objects.filter(
            Q(movements__lot__in=made)
            | Q(edges__parent__in=made, edges__kind__in=["went_in", "grew"])
            | Q(inputs__in=packets)
            | Q(pk__in=open_.values("began_by"))
            | Q(pk__in=open_.values("ended_by"))
        )
        .exclude(pk__in=[e.pk for e in family])
        .exclude(kind__in=[*OWN, *CANCELLING, *ASIDE])
        .filter(alive())
        .distinct()
        .order_by("placed_at")
    )
    first = list(others[:3])
    if first:
        raise Refusal(
            "used_since",
            f"{made[0].code} was used since: {', '.join(_says(e) for e in first)}. "
            "Cancel that first, or correct the weight or the origin instead.",
            events=[e.pk for e in first],
        )


def _refuse_moved_since(entry: Entry, event: Event) -> None:
    """What was let go and has moved on, or become something, was free when it did: it cannot have
    been held all along. Holding it anew also holds what it became."""
    let_go = Hold.objects.filter(ended_by=event).select_related("lot")
    lots = {hold.lot_id: hold.lot for hold in let_go}
    since = event.recorded_at
    rows = (
        Movement.objects.filter(lot__in=lots, event__gt=event.pk, event__placed_at__gte=since)
        .exclude(to_place__kind__in=holds.HARMLESS)
        .exclude(from_place__kind=PlaceKind.TRANSIT)
        .select_related("event", "to_place")
    )
    acts: set[int] = {m.event_id for m in rows if m.event.corrects_id is None}
    sold: dict[int, int] = defaultdict(int)
    for m in rows:
        if m.event.kind == WORKED_OUT and m.event.corrects_id:
            sold[m.event.corrects_id] += m.quantity * (1 if m.to_place.is_end else -1)
    acts |= {till for till, net in sold.items() if net > 0}
    made = Lineage.objects.filter(
        parent__in=lots, child__made_by__gt=event.pk, child__made_by__placed_at__gte=since
    )
    acts |= set(made.values_list("child__made_by_id", flat=True))
    stand = Event.objects.filter(alive(), pk__in=acts).exclude(kind__in=OWN)
    first = list(stand.order_by("placed_at", "pk"))
    if first:
        raise Refusal(
            "moved_since",
            f"{', '.join(lot.code for lot in lots.values())} moved on since it was let go: "
            f"{', '.join(_says(e) for e in first[:3])}. Hold it anew instead; that holds what was "
            "made of it, too.",
            events=[e.pk for e in first],
        )


BEFORE_CANCEL["release"] = _refuse_moved_since


def _corrected(facts) -> Event:
    return facts["event"]


@operation(says="cancelled", gate_=gate.ALONE, dated_as=_corrected, can_cancel=False)
def cancel(entry: Entry, *, event: Event, reason: str) -> None:
    """Take an event back as if it had not been told: dated as it, told now."""
    if not reason.strip():
        raise Refusal("reason", "Say why it is cancelled.")
    _cancel(entry, event)


@operation(says="undone", gate_=gate.ALONE, dated_as=_corrected, can_cancel=False)
def undo(entry: Entry, *, event: Event) -> None:
    """Cancel one's own last entry within ten minutes, with no reason asked."""
    if event.recorded_by_id != entry.event.recorded_by_id:
        raise Refusal("not_yours", "Somebody else recorded that; cancel it with a reason instead.")
    if (clock.now() - event.recorded_at).total_seconds() > UNDO_WITHIN_S:
        raise Refusal("too_late", "That is more than ten minutes old; cancel it with a reason.")
    _cancel(entry, event)


def _made_by(facts) -> Event:
    return facts["lot"].made_by


@operation(says="weight corrected", gate_=gate.ALONE, dated_as=_made_by)
def correct_weight(entry: Entry, *, lot: Goods, right: int, reason: str) -> None:
    """What a cut, a receipt or a run truly was, in the lot's unit: the difference comes from
    where the lot came from, also after it was used. A run that said "crate empty" gives or takes
    from its own remainder first; only the rest is a shortfall."""
    if right <= 0:
        raise Refusal("nought", f"{right} {lot.unit} is no lot; cancel the entry instead.")
    entry.may_short = True
    booked = _booked(lot)
    place, source = _born(lot)
    difference = right - booked
    if not difference:
        raise Refusal("same", f"{lot.code} is booked as {booked} {lot.unit} already.")
    if lot.kind == LotKind.PACK:
        for hook in PACKS:
            hook(entry, lot, place, difference)
    entry.move(lot, source, place, difference, Basis.WEIGHED)
    if lot.kind == LotKind.HARVEST:
        _share_the_difference(entry, lot, difference)
    if lot.kind != LotKind.PACK:
        for hook in REMAINDERS:
            hook(entry, lot, place, difference)


def _booked(lot: Lot) -> int:
    """What its making and its corrections say came to stand somewhere, without grade-out."""
    rows = Movement.objects.filter(lot=lot, event__in=with_corrections(lot.made_by_id))
    place, source = _born(lot)
    into = rows.filter(from_place=source, to_place=place).aggregate(n=Sum("quantity"))["n"] or 0
    back = rows.filter(from_place=place, to_place=source).aggregate(n=Sum("quantity"))["n"] or 0
    return into - back


def _born(lot: Lot) -> tuple[Place, Place]:
    """(where it first stood, the source it came from)."""
    first = (
        Movement.objects.filter(lot=lot, event=lot.made_by_id)
        .select_related("to_place", "from_place")
        .order_by("id")
    )
    for m in first:
        if m.to_place.is_standing and m.from_place.is_source:
            return m.to_place, m.from_place
    raise Refusal("not_weighed", f"{lot.code} never came to stand anywhere.")


def _share_the_difference(entry: Entry, lot: Lot, difference: int) -> None:
    from ..shares import shared_out

    grew = list(
        lot.above.filter(kind=Lineage.Kind.GREW, struck_by=None)
        .values("parent_id")
        .annotate(g=Sum("quantity"))
        .order_by("parent_id")
    )
    parts = shared_out(difference, [max(row["g"], 0) for row in grew])
    for row, part in zip(grew, parts, strict=True):
        if part:
            entry.join(Lot.objects.get(pk=row["parent_id"]), lot, Lineage.Kind.GREW, part)


@operation(says="origin corrected", gate_=gate.ALONE, dated_as=_made_by)
def correct_origin(
    entry: Entry,
    *,
    lot: Made,
    wrong: Origin,
    right: Origin,
    reason: str,
    towers: list[Tower] | None = None,
    sites: list[PlantSite] | None = None,
    place: Keeping | None = None,
) -> None:
    """The crate was put down to the wrong sowing, or the run to the wrong crate. The right edge
    is added and the wrong one struck; readings that look for danger follow both until the
    food-safety lead clears it. For a run the grams go back and come from the right crate, which
    stands in `place` (by default where the wrong one stood)."""
    entry.may_short = True
    entry.renews = True
    if right.kind != wrong.kind and {right.kind, wrong.kind} - {LotKind.HARVEST, LotKind.PRODUCE}:
        raise Refusal("origin", f"{right.code} cannot stand in the place of {wrong.code}.")
    if right.pk == wrong.pk:
        raise Refusal("same", f"{lot.code} came from {wrong.code} already.")
    edges = list(
        lot.above.filter(
            parent=wrong, kind__in=[Lineage.Kind.GREW, Lineage.Kind.WENT_IN], struck_by=None
        )
    )
    if not edges:
        raise Refusal("origin", f"{lot.code} is not booked as coming from {wrong.code}.")
    if right.made_by.placed_at > entry.event.placed_at:
        raise Refusal("origin", f"{right.code} was made after {lot.code}; it cannot be in it.")
    if right.pk in lineage.below([lot.pk]):
        raise Refusal("origin", f"{right.code} came from {lot.code}; it cannot be in it.")
    quantity = sum(e.quantity or 0 for e in edges)
    for e in edges:
        e.struck_by = entry.event
        e.save(update_fields=["struck_by"])
    entry.join(right, lot, edges[0].kind, quantity)
    entry.flag(
        Flag.Kind.WRONG_ORIGIN, f"{lot.code} came from {right.code}, not from {wrong.code}.", lot
    )
    for hook in ORIGINS:
        hook(entry, lot)
    if edges[0].kind == Lineage.Kind.WENT_IN:
        _give_back(entry, lot, wrong, right, place)
        return
    at = entry.event.placed_at
    cut = living(at).filter(batch=right, blocked_by=None)
    if sites:
        cut = cut.filter(on_sites(sites))
    elif towers:
        cut = cut.filter(site__tower__in=towers)
    plantings = list(cut)
    entry.later.append(
        lambda: CutSite.objects.bulk_create(
            [CutSite(lot=lot, planting=p) for p in plantings], ignore_conflicts=True
        )
    )


def _give_back(entry: Entry, run: Lot, wrong: Lot, right: Lot, place: Place | None) -> None:
    events = with_corrections(run.made_by_id)
    for m in Movement.objects.filter(event__in=events, lot=wrong).select_related(
        "from_place", "to_place"
    ):
        entry.move(wrong, m.to_place, m.from_place, m.quantity, m.basis)
        from_ = place if place and m.from_place.is_standing else m.from_place
        to = place if place and m.to_place.is_standing else m.to_place
        entry.move(right, from_, to, m.quantity, m.basis)
        entry.shelves.add((wrong, m.from_place))
    # it was not the wrong crate that was seen empty
    Counted.objects.filter(event__in=events, lot=wrong, struck_by=None).update(
        struck_by=entry.event
    )


def _uncut(entry: Entry, event: Event) -> None:
    """A corrected origin brought cut sites of the right sowing; they go with it, unless the
    sowing is a parent all the same."""
    told = json.loads(event.told or "{}")
    parents = Lineage.objects.filter(child=told["lot"], kind="grew").exclude(event=event)
    CutSite.objects.filter(lot=told["lot"], planting__batch=told["right"]).exclude(
        planting__batch__in=parents.values("parent_id")
    ).delete()


BEFORE_CANCEL["correct_origin"] = _uncut


@operation(says="wrong origin cleared", gate_=gate.ALONE, dated_as=_made_by)
def clear_origin(entry: Entry, *, lot: Made, wrong: Origin, reason: str) -> None:
    """The food-safety lead is sure that a struck origin was not in it: trace drops it."""
    entry.renews = True
    struck = lot.above.filter(parent=wrong, struck_by__isnull=False, cleared_by=None)
    if not struck.exists():
        raise Refusal("not_struck", f"{wrong.code} is not a corrected origin of {lot.code}.")
    struck.update(cleared_by=entry.event)
