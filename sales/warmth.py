"""In what state goods come to a door, and what a receipt's temperature says of them. Read only; the
figures and the words are in `temperatures`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from grow import clock
from grow.models import Business, Lineage, Lot, LotKind

from . import temperatures
from .label_words import decision
from .models import DecisionCard, PackingRun, Receipt
from .temperatures import Verdict

_LEAF = (LotKind.HARVEST, LotKind.PACK)


def judged(receipt: Receipt, lots: Sequence[Lot], at: dt.datetime) -> list[tuple[Lot, Verdict]]:
    """What a receipt's temperature, taken at a moment, says of each of these lots, each once."""
    if receipt.temperature_c is None:
        return []
    outlet = receipt.note.outlet
    rules = temperatures.rules_of(Business.the().rule_set)
    cooling = dt.timedelta(minutes=outlet.cooling_minutes)
    own = list(dict.fromkeys(lots))
    runs = PackingRun.objects.select_related("product").in_bulk([lot.pk for lot in own])
    cut = _cut([lot for lot in own if lot.kind == LotKind.PACK])
    out = []
    for lot in own:
        kept_at = lot.crop.cold_c if lot.crop else None
        cut_at = cut.get(lot.pk) if lot.kind == LotKind.PACK else lot.made_by.placed_at
        state = temperatures.state_of(
            whole=_whole(lot, runs.get(lot.pk), at),
            since_cut=at - cut_at if cut_at and lot.kind in _LEAF else None,
            kept_at_c=kept_at,
            cooling=cooling,
        )
        said = temperatures.verdict(
            receipt.temperature_c, state, rules, asked=outlet.asks_temperature, kept_at_c=kept_at
        )
        out.append((lot, said))
    return out


def worst(receipt: Receipt, lots: Sequence[Lot], at: dt.datetime) -> Verdict | None:
    """The verdict that is shown first."""
    return temperatures.worst([said for _, said in judged(receipt, lots, at)])


def _whole(lot: Lot, run: PackingRun | None, at: dt.datetime) -> bool:
    """Whole and unwashed: a cut as it is; a run only where its card says so, and it was not
    washed. Bought leaf may be anything, and is taken for chilled food."""
    if lot.kind == LotKind.HARVEST:
        return True
    if run is None or run.washed:
        return False
    card = decision(run.product, clock.local(at).date())
    return card is not None and card.state == DecisionCard.State.UNWASHED


def _cut(packs: Sequence[Lot]) -> dict[int, dt.datetime]:
    """When the oldest leaf in each run was cut, by lot; of opened bags nobody says it here."""
    if not packs:
        return {}
    went_in = Lineage.objects.filter(
        child__in=[lot.pk for lot in packs], kind=Lineage.Kind.WENT_IN, struck_by=None
    )
    cut: dict[int, dt.datetime] = {}
    reworked = set()
    for child, kind, at in went_in.values_list(
        "child_id", "parent__kind", "parent__made_by__placed_at"
    ):
        if kind != LotKind.HARVEST:
            reworked.add(child)
        cut[child] = min(at, cut.get(child, at))
    return {child: at for child, at in cut.items() if child not in reworked}
