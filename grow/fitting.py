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
from typing import Annotated, Any

from .errors import Refusal
from .models import ENDS, GROWING, NURSERY, SOURCES, STRICT, Lot, LotKind, Place, PlaceKind


@dataclasses.dataclass(frozen=True)
class Of:
    """A note on a Lot's or a Place's type: the kinds that it may be of."""

    kinds: frozenset[str]


def of(*kinds: str) -> Of:
    return Of(frozenset(kinds))


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


def refuse_unfit(hint: Any, value: Any) -> None:
    """Look at a value by what its type hint declares. Raises Refusal "wrong_kind"."""
    if value is None or not _declares(hint):
        return
    hint, notes = _bare(hint)
    for note in notes:
        refuse_unless(value, note.kinds)
    inner = typing.get_args(hint)
    if isinstance(value, Mapping):
        for key, one in value.items():
            refuse_unfit(inner[0], key)
            refuse_unfit(inner[1], one)
    elif inner:
        for one in value:
            refuse_unfit(inner[0], one)
    elif dataclasses.is_dataclass(hint):
        for name, part in _parts(typing.cast(type, hint)).items():
            refuse_unfit(part, getattr(value, name))


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


def _bare(hint: Any) -> tuple[Any, list[Of]]:
    """A type without its None and its notes, and those notes that name kinds."""
    notes: list[Of] = []
    while True:
        origin = typing.get_origin(hint)
        if origin is Annotated:
            notes += [note for note in hint.__metadata__ if isinstance(note, Of)]
            hint = hint.__origin__
        elif origin in (typing.Union, types.UnionType):
            (hint,) = (a for a in typing.get_args(hint) if a is not type(None))
        else:
            return hint, notes


@functools.cache
def _parts(group: Any) -> dict[str, Any]:
    return typing.get_type_hints(group, include_extras=True)


@functools.cache
def _declares(hint: Any) -> bool:
    """Whether there is anything to look at: most arguments are plain."""
    bare, notes = _bare(hint)
    inner = typing.get_args(bare)
    if dataclasses.is_dataclass(bare):
        inner = tuple(_parts(typing.cast(type, bare)).values())
    return bool(notes) or any(map(_declares, inner))
