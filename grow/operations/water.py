"""Tanks, what they feed, and what is sprayed. Every tank holds one water lot at a time."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence

from django.db.models import Q

from .. import clock, dated, gate
from ..errors import Refusal
from ..fitting import Days, Fed, Hours, Input, Number, Standing, Tank
from ..ledger import BEFORE_CANCEL, Entry, operation
from ..models import (
    Event,
    Feed,
    Flag,
    Item,
    Lot,
    LotKind,
    Place,
    PlantSite,
    SignOff,
    TreatedPlace,
    Treatment,
    Unit,
)
from ..roles import is_learner
from ..signing import unfit
from .watch import ask_what_was_done

K = Item.Kind
_INTO_WATER = (K.NUTRIENT, K.WATER_TREATMENT, K.CLEANER)


def _water(entry: Entry, tank: Place, inputs: Sequence[Lot]) -> None:
    entry.renews = True
    entry.make(LotKind.WATER, Unit.ML, title=f"Water in {tank}"[:80])
    if inputs:
        entry.event.inputs.set(inputs)


@operation(says="filled", slot=5, gate_=gate.ALONE, touched_by=_INTO_WATER, place="tank")
def fill(
    entry: Entry,
    *,
    tank: Tank,
    litres: Number | None = None,
    source: str = "",
    inputs: Sequence[Input] = (),
) -> None:
    """A tank is filled. The new water lot has the old one as parent unless a drain-and-clean
    stands between: contamination ends at a clean, never at a fill."""
    _water(entry, tank, inputs)


@operation(says="topped up", slot=5, gate_=gate.ALONE, touched_by=_INTO_WATER, place="tank")
def top_up(
    entry: Entry,
    *,
    tank: Tank,
    litres: Number | None = None,
    source: str = "",
    inputs: Sequence[Input] = (),
) -> None:
    """More water into a tank: a new water lot whose parent is the one before."""
    _water(entry, tank, inputs)


@operation(says="dosed", slot=5.2, gate_=gate.ALONE, touched_by=_INTO_WATER, place="tank")
def dose(
    entry: Entry,
    *,
    tank: Tank,
    inputs: Sequence[Input] = (),
    amount: str = "",
    ec: str = "",
    ph: str = "",
) -> None:
    """Nutrient, acid or sanitiser into a tank: a new water lot whose parent is the one before."""
    _water(entry, tank, inputs)


@operation(says="drained and cleaned", slot=4.8, gate_=gate.ALONE, place="tank")
def drain_and_clean(
    entry: Entry, *, tank: Tank, cleaner: Input | None = None, how: str = ""
) -> None:
    """The only thing that breaks a chain of water."""
    if cleaner:
        entry.event.inputs.add(cleaner)
    entry.renews = True


@operation(says="feeds changed", slot=4.5, gate_=gate.ALONE, place="tank")
def feed(entry: Entry, *, tank: Tank, begins: Sequence[Fed] = (), ends: Sequence[Fed] = ()) -> None:
    """From now on a tank feeds these places, and no longer those; re-plumbing in July must not
    rewrite June."""
    if not (begins or ends):
        raise Refusal("nought", f"Say what {tank} feeds from now on, or feeds no longer.")
    entry.renews = True
    at = entry.event.placed_at
    then = Q(ended_at__isnull=True) | Q(ended_at__gt=at)
    fed = set(
        Feed.objects.filter(then, tank=tank, began_at__lte=at).values_list("place_id", flat=True)
    )
    for place in ends:
        if place.pk not in fed:
            entry.refuse_or("not_fed", f"{tank} did not feed {place} then.")
            says = f"{tank} feeds {place} no longer, and the books did not have it that it did."
            entry.flag(Flag.Kind.NOT_ON_BOOKS, says)
    for place in begins:
        if place.pk in fed and place not in ends:
            entry.refuse_or("a_tank_feeds_a_place_once", f"{tank} feeds {place} already.")
    for place_id in {place.pk for place in (*begins, *ends)}:
        _fed_anew(tank, place_id)


def _fed_anew(tank: Place, place_id: int) -> None:
    """When a tank fed a place, read anew from all that stands told of the two."""
    acts = []
    for act in dated.standing(tank, ("feed",)):
        said = json.loads(act.told or "{}")
        acts += [
            (act, name == "begins") for name in ("ends", "begins") if place_id in said.get(name, ())
        ]
    dated.read_anew(Feed, acts, tank=tank, place_id=place_id)


def _feed_cancelled(entry: Entry, event: Event) -> None:
    """The cancel stands in the books already, so what is read anew is without the event."""
    said = json.loads(event.told or "{}")
    for place_id in {*said.get("begins", ()), *said.get("ends", ())}:
        _fed_anew(Place.objects.get(pk=said["tank"]), place_id)


BEFORE_CANCEL["feed"] = _feed_cancelled


@operation(says="water tested", slot=5.5, place="tank")
def test_water(
    entry: Entry, *, tank: Tank, kind: str, reading: str, passed: bool, done: str = ""
) -> None:
    """A reading or a laboratory's result. A failed one makes suspect all since the last good
    one, so it asks what was done."""
    ask_what_was_done(entry, passed, done)


@operation(says="treated", slot=7.5, gate_=gate.ALONE, touched_by=())
def treat(
    entry: Entry,
    *,
    product: Input | None = None,
    item: Item | None = None,
    places: Sequence[Standing],
    sites: Sequence[PlantSite] = (),
    reason: str,
    authorisation: str = "",
    dose: str = "",
    water_ml: Number | None = None,
    area_m2: str = "",
    harvest_interval_days: Days | None = None,
    reentry_hours: Hours | None = None,
) -> None:
    """A spray, a beneficial or a cleaner, as a lot of its own. The interval comes from the
    product's label; a cut told late inside it is accepted and held, with all made from it.

    Days of an interval are counted by the calendar: a spray on the 3rd with 7 days is safe from
    the start of the 10th (follow the label and local rules where they are stricter)."""
    item = item or (product.item if product else None)
    entry.renews = True
    day = clock.number_day(entry.event.day)
    for person in entry.event.done_by.all():
        asked = is_learner(person) or (item and item.kind == K.PLANT_PROTECTION)
        if asked and (reason := unfit(person, SignOff.Task.SPRAYING, day)):
            entry.refuse_or("not_for_spraying", reason)
            entry.flag(Flag.Kind.AGAINST_RULE, reason)
    if not places:
        raise Refusal("where", "Say which benches, shelves or towers were treated.")
    days = harvest_interval_days
    if days is None and item:
        days = item.harvest_interval_days
    lot = entry.make(LotKind.TREATMENT, Unit.ML, item=item, title=str(item or reason)[:80])
    if product:
        entry.event.inputs.add(product)
    finished = entry.event.latest_at
    safe_from = None
    if days:
        safe_day = clock.local(finished).date() + dt.timedelta(days=days)
        safe_from = clock.start_of(safe_day)
    reentry = finished + dt.timedelta(hours=reentry_hours) if reentry_hours else None

    def record() -> None:
        Treatment.objects.create(lot=lot, safe_from=safe_from, reentry_at=reentry)
        by_tower = {site.tower_id for site in sites}
        TreatedPlace.objects.bulk_create(
            [
                *(TreatedPlace(lot=lot, place=p) for p in places if p.pk not in by_tower),
                *(TreatedPlace(lot=lot, place_id=s.tower_id, site=s) for s in sites),
            ]
        )

    entry.later.append(record)
