"""What others shipped, taken in: tried first, then recorded, by the import that every file goes
through. Each lot becomes a receipt of its own, named by the supplier's lot number."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

from grow.errors import Refusal
from grow.importing.playing import Outcome, Play
from grow.importing.sheets import Row, Sheet
from grow.models import Event, Person, alive

from .reading import Read, Shipped

#: What a product of theirs is here: a kind of entry, and the name of the input or of the crop.
Meant = tuple[str, str]
INPUT, LEAF = "receive_input", "receive_produce"


@dataclass
class Taken:
    """What came of it. outcome: of the import; already: lots that are in the books from before;
    unknown: products of theirs that are nothing here yet, and what they are called."""

    outcome: Outcome
    already: list[Shipped] = field(default_factory=list)
    unknown: dict[str, str] = field(default_factory=dict)


def take_in(
    found: Read,
    person: Person,
    *,
    supplier: str,
    place: str,
    on: dt.date,
    record: bool,
    file: str = "shipment",
    meant: Mapping[str, Meant] | None = None,
    device: str = "",
) -> Taken:
    """Try it, or record it: all of it, or nothing. supplier, place: by their names. A product that
    `meant` does not say is looked for among the inputs, by its GTIN or else by its name. The same
    event told again changes nothing, unless its receipt was cancelled since. Raises Refusal."""
    before, ids = _told(found.shipped)
    new = [one for one in found.shipped if one.key not in before]
    sheets = _sheets(new, file, {"supplier": supplier, "place": place, "on": str(on)}, meant or {})
    play = Play(sheets, person, record=record, device=device)
    for entry in play.entries:
        entry.client_id = ids[new[entry.line - 1].key]
    for _ in play.steps():
        pass
    unknown = {
        one.ident.product: one.name
        for bad in play.outcome.bads
        if any(slip.refusal.code in ("no_such_input", "no_such_crop") for slip in bad.slips)
        for one in [new[bad.entry.line - 1]]
    }
    return Taken(play.outcome, [one for one in found.shipped if one.key in before], unknown)


def _told(shipped: list[Shipped]) -> tuple[set[str], dict[str, str]]:
    """Keys of what stands in the books; and by key the client id to record it under, a fresh one
    where the receipts before were cancelled."""
    standing: set[str] = set()
    ids = asked = {one.key: one.key for one in shipped}
    for n in itertools.count(1):
        rows = Event.objects.filter(client_id__in=asked.values())
        told = set(rows.values_list("client_id", flat=True))
        alive_ = set(rows.filter(alive()).values_list("client_id", flat=True))
        standing |= {key for key, pk in asked.items() if pk in alive_}
        asked = {key: f"{key}-{n}" for key, pk in asked.items() if pk in told - alive_}
        if not asked:
            break
        ids = ids | asked
    return standing, ids


def _sheets(
    shipped: list[Shipped], file: str, common: Mapping[str, str], meant: Mapping[str, Meant]
) -> list[Sheet]:
    by_kind: dict[str, Sheet] = {}
    for line, one in enumerate(shipped, 1):
        kind, name = meant.get(one.ident.product) or (
            INPUT,
            one.ident.as_name or one.name or one.ident.product,
        )
        quantity = "" if one.quantity is None else str(one.quantity)
        dated = str(one.best_before or "")
        cells = {**common, "supplier_lot": one.ident.lot, "#event": one.event}
        if kind == LEAF:
            if one.unit != "g":
                raise Refusal(
                    "leaf_by_weight",
                    f"{one.ident.lot} was shipped by number, and leaf is received by weight: "
                    "receive it by hand, with its weight.",
                )
            cells |= {"crop": name, "grams": quantity, "origin": one.origin, "use_by": dated}
        else:
            cells |= {"item": name, "quantity": quantity, "unit": one.unit, "best_before": dated}
        said = {column: text for column, text in cells.items() if text}
        sheet = by_kind.setdefault(kind, Sheet(file, kind))
        sheet.columns = list(dict.fromkeys([*sheet.columns, *said]))
        sheet.rows.append(Row(file, line, said))
    return list(by_kind.values())
