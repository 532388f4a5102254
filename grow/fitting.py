"""What an argument may be, declared once on it: `batch: Batch`, `tank: Tank`, `lot: Goods`.

`ledger.operation` checks each operation's arguments by what is declared here, after the client
id and before the act; the API, the forms and the import can read the same from `Kind.facts`.
What is of the wrong kind is a wrong code, not a fact: it is refused however it is told.
"""

from __future__ import annotations

import dataclasses
import functools
import types
import typing
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Annotated, Any

from django.db import models

from .errors import Refusal
from .models import (
    ENDS,
    GROWING,
    NURSERY,
    SOURCES,
    STRICT,
    Basis,
    Description,
    Hold,
    Lot,
    LotKind,
    Place,
    PlaceKind,
    PlantSite,
    Unit,
)


@dataclasses.dataclass(frozen=True)
class Of:
    """A note on a Lot's or a Place's type: the kinds that it may be of."""

    kinds: frozenset[str]


def of(*kinds: str) -> Of:
    return Of(frozenset(kinds))


@dataclasses.dataclass(frozen=True)
class Within:
    """A note on a number's type: it is no less and no more."""

    least: int
    most: int


@dataclasses.dataclass(frozen=True)
class Longest:
    """A note on a text's type: it has no more characters, for there is no room for more."""

    longest: int


def as_in(model: type[models.Model], field: str, *, less: int = 0) -> Longest:
    """As many characters as a column holds, less those that are written before them."""
    return Longest((model._meta.get_field(field).max_length or 0) - less)  # type: ignore[union-attr]  # a text


@dataclasses.dataclass(frozen=True)
class Among:
    """A note on a text's type: it is one of these."""

    choices: tuple[str, ...]


def among(values: Iterable[str]) -> Among:
    return Among(tuple(str(v) for v in values))


K = PlaceKind
#: Where goods are kept: not on a lorry, not on a plant, and not another business's.
KEEPING = (K.STORE, K.PACKHOUSE, K.QUARANTINE, K.SHOP, K.KITCHEN)

Batch = Annotated[Lot, of(LotKind.BATCH)]
Input = Annotated[Lot, of(LotKind.INPUT)]
#: What is kept, sent, packed and eaten.
Goods = Annotated[Lot, of(LotKind.HARVEST, LotKind.PRODUCE, LotKind.PACK)]
#: What moves by quantity: goods, and plants, that may go out in their pots.
Moved = Annotated[Lot, of(*STRICT)]
#: That, and the inputs whose quantity was told.
Kept = Annotated[Lot, of(*STRICT, LotKind.INPUT)]
#: What has an origin on the books, and what that may be.
Made = Annotated[Lot, of(LotKind.HARVEST, LotKind.PACK)]
Origin = Annotated[Lot, of(LotKind.BATCH, LotKind.HARVEST, LotKind.PRODUCE, LotKind.PACK)]

Nursery = Annotated[Place, of(*NURSERY)]
Tower = Annotated[Place, of(K.TOWER)]
Growing = Annotated[Place, of(*GROWING)]
Tank = Annotated[Place, of(K.TANK)]
Fed = Annotated[Place, of(*GROWING, K.AREA, K.PACKHOUSE)]
Supplier = Annotated[Place, of(K.SUPPLIER)]
Keeping = Annotated[Place, of(*KEEPING)]
#: Where goods are sent from, and plants in pots.
Sending = Annotated[Place, of(*KEEPING, *NURSERY)]
Back = Annotated[Place, of(K.STORE, K.PACKHOUSE, K.QUARANTINE)]
Quarantine = Annotated[Place, of(K.QUARANTINE)]
Eating = Annotated[Place, of(K.KITCHEN, K.BUYER)]
Standing = Annotated[Place, of(*(set(PlaceKind) - SOURCES - ENDS))]

#: A number that a column of thousands of millions is sure to hold.
BIGGEST = 10**9
Number = Annotated[int, Within(0, BIGGEST)]
Days = Annotated[int, Within(0, 3650)]
Hours = Annotated[int, Within(0, 3650 * 24)]
Called = Annotated[str, as_in(Description, "name")]
Passport = Annotated[str, as_in(Description, "plant_passport")]
Note = Annotated[str, as_in(Description, "note")]
Reason = Annotated[str, as_in(Hold, "reason")]
Known = Annotated[str, among(Basis.values)]
Units = Annotated[str, among(Unit.values)]

_CALLED: dict[str, str] = {
    LotKind.INPUT: "an input",
    LotKind.PRODUCE: "bought produce",
    LotKind.WATER: "water",
    LotKind.TREATMENT: "a spray or treatment",
    LotKind.BATCH: "a sowing",
    LotKind.HARVEST: "a cut",
    LotKind.PACK: "a packed run",
    K.QUARANTINE: "quarantine",
    K.TRANSIT: "on the way",
    K.BUYER: "another business",
}
_FEW = 8


def refuse_unfit(name: str, hint: Any, value: Any) -> None:
    """Look at an argument by what its type hint declares.

    Raises Refusal: "wrong_kind", "twice", "no_such_choice", "nought", "too_many" or "too_long"."""
    if value is None:
        return
    hint, notes = bare(hint)
    for note in notes:
        _refuse_against(note, name, value)
    inner = typing.get_args(hint)
    if isinstance(value, int | Decimal):
        if not -BIGGEST <= value <= BIGGEST:
            raise Refusal("too_many", f"{_label(name)}: {value} is more than can be.", field=name)
    elif isinstance(value, Mapping):
        for key, one in value.items():
            refuse_unfit(name, inner[0], key)
            refuse_unfit(name, inner[1], one)
    elif inner:
        _refuse_twice(name, value)
        for one in value:
            refuse_unfit(name, inner[0], one)
    elif dataclasses.is_dataclass(hint):
        for part, part_hint in _parts(typing.cast(type, hint)).items():
            refuse_unfit(part, part_hint, getattr(value, part))


def _refuse_against(note: Any, name: str, value: Any) -> None:
    match note:
        case Of():
            refuse_unless(value, note.kinds)
        case Longest() if len(value) > note.longest:
            raise Refusal(
                "too_long",
                f"{_label(name)} has {len(value)} characters; there is room for {note.longest}.",
                field=name,
                longest=note.longest,
            )
        case Among() if value not in note.choices:
            raise Refusal(
                "no_such_choice",
                f"{_label(name)}: “{str(value)[:40]}” is none of {_either([*note.choices])}.",
                field=name,
                choices=list(note.choices),
            )
        case Within() if value < note.least:
            raise Refusal("nought", f"{_label(name)}: {value} cannot be.", field=name)
        case Within() if value > note.most:
            raise Refusal(
                "too_many",
                f"{_label(name)}: {value} is more than can be; write {note.most} at most.",
                field=name,
            )


def _refuse_twice(name: str, values: Iterable[Any]) -> None:
    seen: set[Any] = set()
    for row in values:
        if not isinstance(row, Lot | Place | PlantSite):
            continue
        if row in seen:
            raise Refusal("twice", f"{row} is named twice; once is enough.", field=name)
        seen.add(row)


def _label(name: str) -> str:
    return name.replace("_", " ").capitalize()


def refuse_unless(row: Lot | Place, kinds: Iterable[str]) -> None:
    """One lot or place. "H26330-04 is a cut, not a sowing"."""
    if row.kind in kinds:
        return
    order: list[str] = [k for all_ in (LotKind, PlaceKind) for k in all_ if k in kinds]
    what = "lot" if isinstance(row, Lot) else "place"
    instead = (
        f", not {_either([_called(k) for k in order])}"
        if len(order) <= _FEW
        else f"; say another {what}"
    )
    raise Refusal(
        "wrong_kind",
        f"{row} is {_called(row.kind)}{instead}.",
        **{what: str(row)},
        kind=row.kind,
        needed=order,
    )


def _called(kind: str) -> str:
    if kind in _CALLED:
        return _CALLED[kind]
    if kind in (SOURCES | ENDS) - {K.SUPPLIER}:
        return "only a name in the books"
    label = PlaceKind(kind).label
    label = label[0].lower() + label[1:]
    return f"{'an' if label[0] in 'aeio' else 'a'} {label}"


def _either(words: list[str]) -> str:
    return " or ".join(filter(None, (", ".join(words[:-1]), words[-1])))


@functools.cache
def bare(hint: Any) -> tuple[Any, list[Any]]:
    """A type without its None and its notes, and those notes."""
    notes: list[Any] = []
    while True:
        origin = typing.get_origin(hint)
        if origin is Annotated:
            notes += hint.__metadata__
            hint = hint.__origin__
        elif origin in (typing.Union, types.UnionType):
            (hint,) = (a for a in typing.get_args(hint) if a is not type(None))
        else:
            return hint, notes


@functools.cache
def _parts(group: Any) -> dict[str, Any]:
    return typing.get_type_hints(group, include_extras=True)
