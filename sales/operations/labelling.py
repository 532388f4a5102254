"""Labels are counted: printed, spoiled, and old ones destroyed when a run gets an earlier date."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from grow import gate, holds
from grow.errors import Refusal
from grow.fitting import Number, Reason, of
from grow.ledger import BEFORE_CANCEL, Entry, operation
from grow.models import Event, Flag, Lot, LotKind, alive
from grow.operations.inputs import learn
from grow.shelf import date_of
from sales.label_words import Words, words_of
from sales.models import LabelCount, PackingRun

Run = Annotated[Lot, of(LotKind.PACK)]


def run_of(lot: Lot) -> PackingRun:
    """The run that a lot is. Raises Refusal for packs of before records began."""
    run = PackingRun.objects.filter(lot=lot).select_related("lot__made_by", "product").first()
    if run is None:
        raise Refusal("no_run", f"{lot.code} is no packing run; labels are for packs.")
    return run


@operation(says="labels printed", slot=11.4)
def print_labels(entry: Entry, *, run: Run, count: Number) -> None:
    """So many labels of a run came out of the printer. What the first one said is kept, and is
    what every later one says, whatever becomes of the product."""
    if count <= 0:
        raise Refusal("nought", f"{count} labels are none; say how many were printed.")
    row = run_of(run)
    said = words_of(row)
    if said.lacks:
        entry.refuse_or("label_lacks", said.missing, lacks=said.lacks)
        entry.flag(Flag.Kind.AGAINST_RULE, f"Labels of {run.code} were printed. {said.missing}")
    entry.later.append(lambda: _print(entry, row, count, said))


def _print(entry: Entry, run: PackingRun, count: int, said: Words) -> None:
    first = PackingRun.objects.filter(pk=run.pk, label={})
    first.update(label=said.kept(), label_text=said.text)
    LabelCount.objects.create(event=entry.event, run=run, printed=count)


def _never_printed(entry: Entry, event: Event) -> None:
    """What no label says any more is not kept: the next one is the first."""
    run = event.labels.run
    others = LabelCount.objects.filter(alive("event"), run=run, printed__gt=0)
    if not others.exclude(event=event).exists():
        entry.later.append(lambda: _forget(run))


def _forget(run: PackingRun) -> None:
    PackingRun.objects.filter(pk=run.pk).update(label={}, label_text="")


BEFORE_CANCEL["print_labels"] = _never_printed


@operation(says="labels spoiled", slot=11.6)
def spoil_labels(entry: Entry, *, run: Run, count: Number = 1) -> None:
    """Labels of a run that were printed and are on no pack: torn, crooked, one too many."""
    if count <= 0:
        raise Refusal("nought", f"{count} labels are none; say how many were spoiled.")
    row = run_of(run)
    entry.later.append(lambda: LabelCount.objects.create(event=entry.event, run=row, spoiled=count))


@operation(says="relabelled", slot=11.8, gate_=gate.ALONE)
def relabel(entry: Entry, *, run: Run, use_by: dt.date, reason: Reason, destroyed: Number) -> None:
    """Packs of a run get an earlier date, never a later one. destroyed: old labels taken off and
    torn up. New ones are printed afterwards, and say the new date."""
    row = run_of(run)
    if not reason.strip():
        raise Refusal("reason", "Say why it is relabelled.")
    stands = date_of(run, entry.event.placed_at)
    if stands is None or use_by >= stands:
        says = f"bears {stands:%d %b %Y}" if stands else "bears no date"
        entry.refuse_or(
            "date_lengthened",
            f"{run.code} {says}; a new label may only bring a date forward, and "
            f"{use_by:%d %b %Y} does not.",
            date=str(stands) if stands else None,
        )
        wrong = f"relabelled {use_by:%d %b %Y}, which brings its date no further forward"
        entry.flag(Flag.Kind.AGAINST_RULE, f"{run.code} was {wrong}.", run)
        entry.later.append(lambda: holds.place_holds({run.pk: wrong}, entry.event))
    learn(entry, run, best_before=use_by, note=reason)
    entry.walk_again([run], entry.event.placed_at)
    entry.later.append(
        lambda: LabelCount.objects.create(event=entry.event, run=row, destroyed=destroyed)
    )
