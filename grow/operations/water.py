"""Tanks, what they feed, and what is sprayed. Every tank holds one water lot at a time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from .. import clock, gate
from ..errors import NotAllowed, Refusal
from ..fitting import Fed, Input, Standing, Tank
from ..ledger import Entry, operation
from ..models import (
    Feed,
    Item,
    Lot,
    LotKind,
    Place,
    PlantSite,
    TreatedPlace,
    Treatment,
    Unit,
)
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
    litres: int | None = None,
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
    litres: int | None = None,
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
    """From now on a tank feeds these places, and no longer those. Never edited: re-plumbing in
    July must not rewrite June."""
    entry.renews = True
    at = entry.event.placed_at
    for place in ends:
        row = Feed.objects.filter(tank=tank, place=place, ended_by=None, began_at__lte=at).first()
        if row is None:
            raise Refusal("not_fed", f"{tank} did not feed {place} then.")
        row.ended_by, row.ended_at = entry.event, at
        row.save(update_fields=["ended_by", "ended_at"])
    Feed.objects.bulk_create(
        [Feed(tank=tank, place=place, began_by=entry.event, began_at=at) for place in begins]
    )
    if not (begins or ends):
        raise Refusal("nought", f"Say what {tank} feeds from now on, or feeds no longer.")


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
    water_ml: int | None = None,
    area_m2: str = "",
    harvest_interval_days: int | None = None,
    reentry_hours: int | None = None,
) -> None:
    """A spray, a beneficial or a cleaner, as a lot of its own. The interval comes from the
    product's label; a cut told late inside it is accepted and held, with all made from it.

    Days of an interval are counted by the calendar: a spray on the 3rd with 7 days is safe from
    the start of the 10th (follow the label and local rules where they are stricter)."""
    item = item or (product.item if product else None)
    entry.renews = True
    if item and item.kind == K.PLANT_PROTECTION:
        day = clock.number_day(entry.event.day)
        for person in entry.event.done_by.all():
            if not person.may("spraying", day):
                raise NotAllowed(
                    "not_signed_off",
                    f"{person} is not signed off for spraying on {day:%d %b %Y}.",
                )
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
