"""Append-only sums of the movements, and the reading that is always up to date.

A sweep adds up the movements since the last one by day, crop, kind of act and kinds of place.
A reading is those deltas and the live tail above them, so a year's figures read a year's days
and not its rows. Writers never touch the sums: rows that writers update deadlock.

A row belongs to its lot's crop. A mixed run's row is shared to crops by what went in, row by row,
in grams, by the largest remainder; a cut whose origin was corrected belongs to the crop of its
unstruck sowings. Where a correction changes the shares of rows already swept, the difference is
added by the next sweep, and until then by the reading itself.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.db import connection, transaction
from django.db.models import Max, Sum

from . import clock, gate, lineage
from .models import Crop, CropShare, Delta, Event, Lineage, Lot, LotKind, Movement
from .shares import shared_out

#: Acts that put another right: their rows count under the kind of the act that they correct.
FIXES = (
    "cancel",
    "cancel_because",
    "correct_origin",
    "correct_weight",
    "found_cleared",
    "run_corrected",
    "undo",
)
#: Of them, those after which a lot may be shared to crops otherwise than before.
_RESHARE = ("cancel", "correct_origin", "correct_weight", "undo")
_FIXES = ", ".join(f"'{kind}'" for kind in FIXES)
#: What is eaten: cut, bought in, packed. Its cells are all in grams.
EATEN = (LotKind.HARVEST, LotKind.PACK, LotKind.PRODUCE)
_MANY = 500  # SQLite takes so many parameters and no more

#: Called by a sweep that has added up what moved, within its transaction.
AFTER_SWEEP: list[Callable[[], None]] = []

#: Crop id → grams; None stands for a lot of which no crop is known.
Shares = dict[int | None, int]


class Cell(NamedTuple):
    """What is added up together. crop is an id, or None where no crop is known; day is nought
    in a reading that was not asked by day."""

    day: int
    crop: int | None
    lot_kind: str
    event_kind: str
    from_kind: str
    to_kind: str
    unit: str


#: Packs are read in grams: pieces × grams each. A correction of a correction goes two steps back.
_KEY = f"""
    m.day, l.crop_id, l.kind,
    CASE WHEN e.kind NOT IN ({_FIXES}) THEN e.kind
         WHEN c.kind NOT IN ({_FIXES}) THEN c.kind
         ELSE COALESCE(cc.kind, c.kind, e.kind) END,
    f.kind, t.kind,
    CASE WHEN l.kind = 'pack' THEN 'g' ELSE l.unit END
"""
_FROM = """
    FROM grow_movement m
    JOIN grow_lot l ON l.id = m.lot_id
    JOIN grow_event e ON e.id = m.event_id
    LEFT JOIN grow_event c ON c.id = e.corrects_id
    LEFT JOIN grow_event cc ON cc.id = c.corrects_id
    JOIN grow_place f ON f.id = m.from_place_id
    JOIN grow_place t ON t.id = m.to_place_id
    WHERE m.id > %s AND m.id <= %s AND m.day >= %s AND m.day <= %s
"""
_GRAMS = "m.quantity * COALESCE(l.grams_each, 1)"
_SUMS = f"SELECT {_KEY}, SUM({_GRAMS}) {_FROM} {{more}} GROUP BY 1, 2, 3, 4, 5, 6, 7"
_ROWS = (
    f"SELECT {_KEY}, l.id, {_GRAMS}, COUNT(*) {_FROM} {{more}} GROUP BY 1, 2, 3, 4, 5, 6, 7, 8, 9"
)
#: Of each lot on each day: the sums know crops alone.
_OF_LOTS = (
    f"SELECT {_KEY}, l.id, SUM({_GRAMS}) {_FROM} AND l.kind IN ({{kinds}}) "
    "GROUP BY 1, 2, 3, 4, 5, 6, 7, 8"
)
_MIXED = "AND l.kind = 'pack' AND l.crop_id IS NULL"
_EVER = (0, 99991231)


@contextlib.contextmanager
def one_moment() -> Iterator[None]:
    """Several readings of one state of the books, holding nobody up. Inside a transaction that
    runs already it adds nothing."""
    connection.ensure_connection()
    if connection.in_atomic_block or getattr(connection.connection, "in_transaction", False):
        yield
    elif connection.vendor == "postgresql":
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            yield
    else:
        # not atomic(): it begins IMMEDIATE here, and a reading must not keep writers waiting
        with connection.cursor() as cursor:
            cursor.execute("BEGIN")
            try:
                yield
            finally:
                cursor.execute("COMMIT")


# --- shares ---------------------------------------------------------------------------------


def shares_of(lots: Iterable[int]) -> dict[int, Shares]:
    """Lot id → grams by crop as the unstruck edges say now. A lot without edges (sold as it
    came, or cancelled) keeps what it was last swept by, else its own crop."""
    return _Sharing().of(lots)


class _Sharing:
    def __init__(self) -> None:
        self.known: dict[int, Shares] = {}

    def of(self, lots: Iterable[int]) -> dict[int, Shares]:
        wanted = set(lots)
        self._load(wanted - self.known.keys())
        return {lot: self.known[lot] for lot in wanted}

    def _load(self, lots: set[int]) -> None:
        if not lots:
            return
        own: dict[int, int | None] = {}
        grew: dict[int, Counter[int | None]] = defaultdict(Counter)
        went_in: dict[int, dict[int, int]] = defaultdict(dict)
        for part in parts(lots):
            own |= dict(Lot.objects.filter(pk__in=part).values_list("pk", "crop_id"))
            edges = (
                Lineage.objects.filter(child__in=part, struck_by=None)
                .exclude(kind=Lineage.Kind.TOUCHED)
                .values_list(
                    "child_id", "kind", "parent_id", "parent__crop_id", "parent__grams_each"
                )
                .annotate(Sum("quantity"))
            )
            for child, kind, parent, crop, each, edge in edges:
                if kind == Lineage.Kind.GREW:
                    grew[child][crop] += edge
                else:
                    went_in[child][parent] = edge * (each or 1)
        parents = self._of_parents(went_in)
        kept = _kept(lots)
        for lot in lots:
            grams: Counter[int | None] = Counter(grew.get(lot, {}))
            for parent, gone_in in sorted(went_in.get(lot, {}).items()):
                for name, share in split(max(gone_in, 0), parents[parent]):
                    grams[name] += share
            found = {name: g for name, g in grams.items() if g > 0}
            self.known[lot] = found or kept.get(lot) or {own.get(lot): 1}

    def _of_parents(self, went_in: Mapping[int, Mapping[int, int]]) -> dict[int, Shares]:
        # Bags opened into bags again: the chain is short, and no lot is its own ancestor.
        return self.of({parent for parents in went_in.values() for parent in parents})


def split(quantity: int, shares: Shares) -> list[tuple[int | None, int]]:
    """A quantity shared to crops: largest remainder, ties to the crop named first."""
    crops = sorted(shares, key=lambda crop: (crop is None, crop or 0))
    parts = shared_out(quantity, [shares[crop] for crop in crops])
    return [(crop, part) for crop, part in zip(crops, parts, strict=True) if part]


def _kept(lots: Iterable[int] | None = None) -> dict[int, Shares]:
    out: dict[int, Shares] = defaultdict(dict)
    rows = CropShare.objects.values_list("lot_id", "crop_id", "grams")
    for part in [None] if lots is None else parts(lots):
        for lot, crop, grams in rows if part is None else rows.filter(lot__in=part):
            out[lot][crop] = grams
    return dict(out)


def parts(lots: Iterable[int]) -> list[list[int]]:
    """Ids in order, so many at once as a question takes."""
    ids = sorted(set(lots))
    return [ids[i : i + _MANY] for i in range(0, len(ids), _MANY)]


def _same(a: Shares, b: Shares) -> bool:
    """Do two shares share alike? {7: 1} and {7: 2880} do."""
    return a.keys() == b.keys() and (
        len(a) == 1 or all(a[k] * sum(b.values()) == b[k] * sum(a.values()) for k in a)
    )


# --- adding up ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Window:
    """Movements above `after` and up to `upto`, on days from first to last."""

    after: int
    upto: int
    first: int = _EVER[0]
    last: int = _EVER[1]

    @property
    def parameters(self) -> list[int]:
        return [self.after, self.upto, self.first, self.last]


def _ask(sql: str, parameters: list[int]) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        return cursor.fetchall()


def _plain(window: _Window) -> Counter[Cell]:
    """Everything under its lot's own crop; mixed runs under none."""
    out: Counter[Cell] = Counter()
    for *key, quantity in _ask(_SUMS.format(more=""), window.parameters):
        out[Cell(*key)] += int(quantity)
    return out


def _rows(window: _Window, lots: Iterable[int] | None) -> list[tuple[Cell, int, int, int]]:
    """(cell under the lot's own crop, lot, quantity of one row, how many such rows), for these
    lots; for all mixed runs with None."""
    found: list[tuple[Any, ...]] = []
    if lots is None:
        found = _ask(_ROWS.format(more=_MIXED), window.parameters)
    else:
        for part in parts(lots):
            marks = ", ".join(["%s"] * len(part))
            found += _ask(_ROWS.format(more=f"AND l.id IN ({marks})"), window.parameters + part)
    return [(Cell(*row[:7]), row[7], int(row[8]), int(row[9])) for row in found]


def _reshare(
    out: Counter[Cell],
    rows: Iterable[tuple[Cell, int, int, int]],
    before: Mapping[int, Shares],
    now: Mapping[int, Shares],
) -> None:
    """Take each row out under its shares before and put it in under those of now."""
    for cell, lot, quantity, times in rows:
        for shares, sign in ((before.get(lot, {cell.crop: 1}), -1), (now[lot], 1)):
            for crop, part in split(quantity, shares):
                out[cell._replace(crop=crop)] += sign * times * part


def _added_up(window: _Window, shares: Mapping[int, Shares]) -> Counter[Cell]:
    """Movements by cell; lots that are named in `shares` by them, all others by their crop."""
    out = _plain(window)
    mixed = _rows(window, None)
    others = shares.keys() - {lot for _, lot, _, _ in mixed}
    rows = [row for row in mixed if row[1] in shares] + _rows(window, others)
    _reshare(out, rows, {}, shares)
    return out


def _special(window: _Window) -> dict[int, Shares]:
    """The lots of a window that are not simply of their own crop, with their shares now."""
    mixed = _ask(f"SELECT DISTINCT l.id {_FROM} {_MIXED}", window.parameters)
    return shares_of({row[0] for row in mixed} | _reorigined())


def _reorigined(since_event: int = 0, kinds: tuple[str, ...] = ("correct_origin",)) -> set[int]:
    """Cuts and runs put right by events after one, and all that was made from them."""
    fixes = Event.objects.filter(kind__in=kinds, pk__gt=since_event)
    corrected = {
        event
        for pair in fixes.values_list("corrects_id", "corrects__corrects_id")  # cancelled again
        for event in pair
        if event
    }
    roots = [
        lot
        for part in parts(corrected)
        for lot in Lot.objects.filter(made_by__in=part, kind__in=EATEN).values_list("pk", flat=True)
    ]
    return lineage.below(roots)


def _changed(mark: int) -> tuple[dict[int, Shares], dict[int, Shares]]:
    """(shares as swept, shares now) of the lots whose shares were changed since a sweep.

    Every event that the sweep could see has an id below all that came after it, for it had the
    gate alone; so those above its last movement's event are all that can have changed any."""
    if not mark:
        return {}, {}
    event = Movement.objects.values_list("event_id", flat=True).get(pk=mark)
    lots = _reorigined(event, _RESHARE)
    own = dict(Lot.objects.filter(pk__in=lots).values_list("pk", "crop_id")) if lots else {}
    kept, now = _kept(lots), shares_of(lots)
    before = {lot: kept.get(lot) or {own[lot]: 1} for lot in lots}
    differ = [lot for lot in lots if not _same(before[lot], now[lot])]
    return {lot: before[lot] for lot in differ}, {lot: now[lot] for lot in differ}


def _differences(mark: int, first: int, last: int) -> tuple[Counter[Cell], dict[int, Shares]]:
    """What corrections since a sweep change of what it swept, and the shares that hold now."""
    out: Counter[Cell] = Counter()
    before, now = _changed(mark)
    if now:
        _reshare(out, _rows(_Window(0, mark, first, last), now.keys()), before, now)
    return out, now


def swept_upto() -> int:
    """The id of the last movement that the sums know; nought before the first sweep."""
    return Delta.objects.aggregate(n=Max("upto"))["n"] or 0


# --- the sweep and the reading --------------------------------------------------------------


def sweep() -> int:
    """Add up what came since the last sweep; returns how many movements that was. It has the
    gate alone, so no writer is in flight whose lower id would be passed over."""
    with gate.through(gate.ALONE):
        mark = swept_upto()
        upto = Movement.objects.aggregate(n=Max("pk"))["n"] or 0
        # an origin may be corrected without a movement, so this is asked though nothing moved
        changes, shares = _differences(mark, *_EVER)
        if upto > mark:
            window = _Window(mark, upto)
            shares |= _special(window)
            changes.update(_added_up(window, shares))
        _keep(shares)
        Delta.objects.bulk_create(
            [
                Delta(
                    day=cell.day,
                    crop_id=cell.crop,
                    lot_kind=cell.lot_kind,
                    event_kind=cell.event_kind,
                    from_kind=cell.from_kind,
                    to_kind=cell.to_kind,
                    unit=cell.unit,
                    quantity=quantity,
                    upto=upto,
                )
                for cell, quantity in sorted(changes.items(), key=_in_order)
                if quantity
            ],
            batch_size=1000,
        )
        for then in AFTER_SWEEP:
            then()
        return Movement.objects.filter(pk__gt=mark, pk__lte=upto).count()


def _in_order(item: tuple[Cell, int]) -> tuple[Any, ...]:
    cell = item[0]
    return (cell.day, cell.crop or 0, *cell[2:])


def _keep(shares: Mapping[int, Shares]) -> None:
    for part in parts(shares):
        CropShare.objects.filter(lot__in=part).delete()
    CropShare.objects.bulk_create(
        [
            CropShare(lot_id=lot, crop_id=crop, grams=grams)
            for lot, found in sorted(shares.items())
            for crop, grams in found.items()
        ],
        batch_size=1000,
    )


def reading(
    from_day: dt.date | None = None,
    to_day: dt.date | None = None,
    *,
    lot_kinds: Iterable[str] = tuple(LotKind),
    by_day: bool = True,
    days: Collection[dt.date] = (),
) -> Counter[Cell]:
    """Quantities by cell over local days, both inclusive: the deltas and the live tail. Cells of
    both directions stand apart: a cancelled cut is growth → store and store → growth. days: of
    these alone, few among many."""
    only = {clock.day_number(day) for day in days}
    first = clock.day_number(from_day) if from_day else min(only, default=_EVER[0])
    last = clock.day_number(to_day) if to_day else max(only, default=_EVER[1])
    kinds = {str(kind) for kind in lot_kinds}
    columns = _COLUMNS if by_day else _COLUMNS[1:]
    out: Counter[Cell] = Counter()

    def add(cells: Mapping[Cell, int]) -> None:
        for cell, quantity in cells.items():
            if cell.lot_kind in kinds and (not only or cell.day in {0, *only}):
                out[cell if by_day else cell._replace(day=0)] += quantity

    within: dict[str, Any] = {"day__in": only} if only else {"day__gte": first, "day__lte": last}
    with one_moment():
        mark = swept_upto()
        swept = (
            Delta.objects.filter(lot_kind__in=kinds, **within)
            .values_list(*columns)
            .annotate(Sum("quantity"))
        )
        add({Cell(*(() if by_day else (0,)), *row[:-1]): int(row[-1]) for row in swept})
        window = _Window(mark, Movement.objects.aggregate(n=Max("pk"))["n"] or 0, first, last)
        if kinds.isdisjoint(EATEN):  # what is not eaten is of its own crop always
            add(_plain(window) if window.upto > mark else {})
        else:
            if window.upto > mark:
                add(_added_up(window, _special(window)))
            add(_differences(mark, first, last)[0])
    return Counter({cell: quantity for cell, quantity in out.items() if quantity})


def of_sowings(to_day: dt.date, from_day: dt.date | None = None) -> list[tuple[int, Cell, int]]:
    """(sowing, cell, cells or plants) of every movement of plants up to a local day."""
    return of_lots([LotKind.BATCH], to_day, from_day)


def of_lots(
    kinds: Iterable[str], to_day: dt.date, from_day: dt.date | None = None
) -> list[tuple[int, Cell, int]]:
    """(lot, cell, quantity) of what moved of such lots up to a local day, straight from the
    movements: those of plants are few, those of leaf many."""
    first = clock.day_number(from_day) if from_day else _EVER[0]
    window = _Window(0, 2**62, first, clock.day_number(to_day))
    sql = _OF_LOTS.format(kinds=", ".join(f"'{LotKind(kind)}'" for kind in kinds))
    return [
        (int(lot), Cell(*key), int(quantity))
        for *key, lot, quantity in _ask(sql, window.parameters)
    ]


_COLUMNS = ("day", "crop_id", "lot_kind", "event_kind", "from_kind", "to_kind", "unit")


def sums_faults(most: int = 20) -> list[str]:
    """Sentences where the deltas say otherwise than the movements up to the last sweep, or a
    mixed lot was shared otherwise than by what went into it."""
    with one_moment():
        mark = swept_upto()
        if not mark:
            return []
        kept = _kept()
        told = Counter(
            {
                Cell(*row[:7]): int(row[7])
                for row in Delta.objects.values_list(*_COLUMNS).annotate(Sum("quantity"))
            }
        )
        true = _added_up(_Window(0, mark), kept)
        names: dict[int | None, str] = dict(Crop.objects.values_list("pk", "name"))
        out = [
            f"The sums of {names.get(cell.crop, 'no known crop')} on day {cell.day}, "
            f"{cell.event_kind} of a {cell.lot_kind}, {cell.from_kind} → {cell.to_kind}, say "
            f"{told[cell]} {cell.unit}; the movements say {true[cell]}."
            for cell in sorted({*told, *true}, key=lambda cell: _in_order((cell, 0)))
            if told[cell] != true[cell]
        ]
        waiting = _changed(mark)[1]
        special = _special(_Window(0, mark))
        own: dict[int, int | None] = {}
        for part in parts(special):
            own |= dict(Lot.objects.filter(pk__in=part).values_list("pk", "crop_id"))
        for lot in sorted(special.keys() - waiting.keys()):
            # a corrected origin of one and the same crop is kept by the next sweep, and needs none
            if not _same(kept.get(lot) or {own[lot]: 1}, special[lot]):
                out.append(
                    f"{Lot.objects.get(pk=lot)} was shared to crops in the sums otherwise than by "
                    "what went into it."
                )
    return out[:most]
