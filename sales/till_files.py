"""A till's file: read by the mapping that is kept for that till, each row judged by itself, and its
days posted all together or not at all.

A file is a table with a head, CSV or XLSX, of one till and any number of days. Its rows are added
up by day, product, lot and price: what the till rang up one by one is one telling of each day.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, TypeVar

from grow import clock
from grow.asks import MOST, READ, Ask
from grow.errors import Refusal
from grow.finding import rows_called
from grow.fitting import BIGGEST
from grow.importing.sheets import Row, Sheet
from grow.models import Lot, LotKind, Person, Unit
from grow.wording import amount

from .cards import money
from .models import Outlet, Product, TillFormat, TillName
from .operations import TillRow, never_there, told_already
from .pricing import worth
from .shop_shelf import list_pence, reduced_pence

Value = TypeVar("Value")
#: product, lot, pence
Key = tuple[Product, Lot | None, int | None]
#: What a column that the file has, and the head of it has no name for, is called by the sheets.
_NAMELESS = "which has no name"
_CURRENCY = "£€$ \u00a0"


@dataclass(frozen=True)
class BadRow:
    line: int
    sentence: str


@dataclass
class DayOfTill:
    """What one day of a file comes to. told: None where that day was not told yet, else whether
    it was told with just these rows. pence: at the till's own prices, None where it gives none."""

    day: dt.date
    rows: list[TillRow]
    lines: int
    told: bool | None = None

    @property
    def amounts(self) -> list[tuple[Product, str]]:
        sums: dict[Product, int] = defaultdict(int)
        for row in self.rows:
            sums[row.product] += row.quantity
        rows = sorted(sums.items(), key=lambda s: s[0].name)
        return [(p, amount(n, _unit(p), kind=_kind(p))) for p, n in rows]

    @property
    def pence(self) -> int | None:
        own = [(r, r.unit_pence) for r in self.rows if r.unit_pence is not None]
        if not own:
            return None
        return sum(worth(r.quantity, _unit(r.product), pence) for r, pence in own)


def odd_prices(
    outlet: Outlet, days: Sequence[DayOfTill], currency: str
) -> dict[dt.date, list[str]]:
    """What the till rang up at another price than the list's, by day, in words: whether something
    was reduced to it. A product without a listed price is not judged."""
    if not days:
        return {}
    reduced = reduced_pence(outlet, days[0].day, days[-1].day)
    found: dict[dt.date, list[str]] = {}
    for one in days:
        listed = list_pence(outlet, one.day)
        sums: dict[tuple[Product, int], int] = defaultdict(int)
        for row in one.rows:
            if row.unit_pence is not None:
                sums[row.product, row.unit_pence] += row.quantity
        said = found[one.day] = []
        for (product, pence), n in sums.items():
            if pence == listed.get(product.line, pence):
                continue
            known = pence in reduced.get(product.line, ())
            why = "reduced" if known else "neither the list’s price nor one that was reduced"
            much = amount(n, _unit(product), kind=_kind(product))
            said.append(f"{product}: {much} at {money(pence, currency)}, {why}.")
    return found


def _unit(product: Product) -> str:
    return Unit.EACH if product.nominal_g else Unit.G


def _kind(product: Product) -> str:
    return LotKind.PACK if product.nominal_g else LotKind.HARVEST


@dataclass
class TillFile:
    """A file as it was read. bad: rows that stop it, by their line; strangers: what the till calls
    things that nothing here is called by, and in how many rows."""

    days: list[DayOfTill] = field(default_factory=list)
    bad: list[BadRow] = field(default_factory=list)
    strangers: Counter[str] = field(default_factory=Counter)
    rows: int = 0

    def told(self) -> dict[dt.date, Sequence[TillRow]]:
        """As `till_days` takes it."""
        return {one.day: one.rows for one in self.days}

    @property
    def changed(self) -> list[dt.date]:
        """Days that were told before with other rows."""
        return [one.day for one in self.days if one.told is False]


def fold(text: str) -> str:
    """How a till's name of a product is compared."""
    return "".join(text.split()).casefold()


# --- columns -------------------------------------------------------------------------------------

#: Which part of a format a column is, and heads by which it is guessed. Common practice, no source.
PARTS: dict[str, tuple[str, ...]] = {
    "product": ("product", "item", "sku", "plu", "code", "gtin", "barcode", "article", "name"),
    "quantity": ("quantity", "qty", "sold", "units", "number", "amount"),
    "day": ("day", "date", "business_day", "sold_on", "time"),
    "lot": ("lot", "batch", "lot_code"),
    "price": ("price", "unit_price", "price_each", "each"),
    "takings": ("takings", "total", "sum", "value", "line_total", "net"),
}


def guessed(outlet: Outlet, till: str, sheet: Sheet) -> TillFormat:
    """A format by the heads of a file, to be looked over by whoever knows the till."""
    found: dict[str, str] = {}
    for part, heads in PARTS.items():
        free = [c for c in sheet.columns if c and c not in found.values()]
        found[part] = next((c for head in heads for c in free if c == head), "")
    marks = [text for row in sheet.rows[:200] for text in row.cells.values()]
    comma = sum(bool(re.fullmatch(r"[0-9]+,[0-9]{1,2}", text)) for text in marks)
    point = sum(bool(re.fullmatch(r"[0-9]+\.[0-9]{1,2}", text)) for text in marks)
    return TillFormat(
        outlet=outlet,
        till=till,
        decimal_mark="," if comma > point else ".",
        separator=sheet.comma or ",",
        **found,
    )


def sheet_of(file: str, sheets: Sequence[Sheet], named: str) -> Sheet:
    """The sheet with the till's rows: the only one that has any, else the one that is named. Raises
    Refusal; of several that nobody chose from, with their names as the fact `sheets`."""
    full = [sheet for sheet in sheets if sheet.rows]
    if not full:
        raise Refusal("empty_file", f"{file}: there is nothing in it.")
    found = full if len(full) == 1 else [sheet for sheet in full if sheet.name == named]
    if not found:
        names = [sheet.name for sheet in full]
        raise Refusal(
            "which_sheet",
            f"{file} has {len(names)} sheets: {', '.join(names)}. Choose the one with the till’s "
            "rows.",
            sheets=names,
        )
    return found[0]


def lacks(how: TillFormat, sheet: Sheet) -> list[str]:
    """Columns that the mapping names and the file has not; without a product or a quantity it is
    no mapping yet."""
    named = [getattr(how, part) for part in PARTS]
    gone = [name for name in named if name and name not in sheet.columns]
    return gone + [part for part in ("product", "quantity") if not getattr(how, part)]


# --- rows ----------------------------------------------------------------------------------------


def read_rows(sheet: Sheet, how: TillFormat, person: Person, day: dt.date | None) -> TillFile:
    """All rows of a file, by its till's format. day: of those rows that say none."""
    return _Reading(sheet, how, person, day).file


class _Reading:
    def __init__(self, sheet: Sheet, how: TillFormat, person: Person, day: dt.date | None) -> None:
        self.how, self.one_day = how, day
        self.today = clock.local(clock.now()).date()
        self.file = TillFile(rows=len(sheet.rows))
        self.products = _products(how.outlet)
        self.lots = self._lots(sheet.rows, person)
        self.days: dict[str, dt.date | Refusal] = {}
        self.sums: dict[dt.date, dict[Key, int]] = defaultdict(lambda: defaultdict(int))
        self.lines: Counter[dt.date] = Counter()
        self.of: dict[Product, list[int]] = defaultdict(list)
        self.wrong: dict[int, list[str]] = defaultdict(list)
        for row in sheet.rows:
            self._row(row)
        for product, sentence in never_there(how.outlet, list(self.of)):
            for line in self.of[product]:
                self.wrong[line].append(sentence)
        self.file.bad = [BadRow(n, " ".join(said)) for n, said in sorted(self.wrong.items())]
        self._add_up()

    def _add_up(self) -> None:
        for day, sums in sorted(self.sums.items()):
            rows = [
                TillRow(product, n, lot, pence)
                for (product, lot, pence), n in sorted(sums.items(), key=_in_order)
            ]
            self.file.days.append(DayOfTill(day, rows, self.lines[day]))
        told = told_already(self.how.outlet, self.how.till, self.file.told())
        for one in self.file.days:
            one.told = told.get(one.day)

    def _lots(self, rows: Iterable[Row], person: Person) -> dict[str, Lot | Refusal]:
        if not self.how.lot:
            return {}
        codes = list(dict.fromkeys(c for r in rows if (c := r.cells.get(self.how.lot, ""))))
        return dict(zip(codes, rows_called(Lot, codes, person), strict=True))

    def _row(self, row: Row) -> None:
        said = self.wrong[row.line] = []

        def sure(read: Callable[[Row], Value]) -> Value | None:
            try:
                return read(row)
            except Refusal as refusal:
                said.append(refusal.sentence)
                return None

        if any(_NAMELESS in name for name in row.cells):
            said.append(
                "It has more cells than the head: a comma within a name or number needs quotes "
                "round it."
            )
        day, product = sure(self._day), sure(self._product)
        lot = sure(lambda row: self._lot(row, product))
        quantity = sure(lambda row: self._quantity(row, product)) if product else None
        prices = sure(lambda row: self._prices(row, product, quantity))
        if product:
            self.of[product].append(row.line)
        if said:
            return
        del self.wrong[row.line]
        assert day and product and prices
        self.lines[day] += 1
        for n, pence in prices:
            self.sums[day][product, lot, pence] += n

    def _day(self, row: Row) -> dt.date:
        if not self.how.day:
            assert self.one_day
            return self.one_day
        text = row.cells.get(self.how.day, "")
        if text not in self.days:
            try:
                self.days[text] = self._read_day(text)
            except Refusal as refusal:
                self.days[text] = refusal
        found = self.days[text]
        if isinstance(found, Refusal):
            raise found
        return found

    def _read_day(self, text: str) -> dt.date:
        if not text:
            raise _bad("It does not say on which day.")
        # a time behind the day, 2026-03-02 14:31 or 2026-03-02T14:31, is the day's
        alone = re.sub(r"[ T][0-9]{1,2}:[0-9]{2}.*$", "", text)
        try:
            day = READ["day"](Ask("day", "day"), alone, False)
        except Refusal as refusal:
            raise _bad(refusal.sentence.removeprefix("day: ")) from refusal
        if day > self.today:
            raise _bad(f"{day:%d %b %Y} is still to come.")
        return day

    def _product(self, row: Row) -> Product:
        text = row.cells.get(self.how.product, "")
        if not text:
            raise _bad("It names no product.")
        key = fold(text)
        found = self.products.get(key)
        if found is None and key.isascii() and key.isdigit():
            found = self.products.get(key.zfill(14))  # a GTIN of 8, 12 or 13 digits
        if found is None:
            self.file.strangers[text] += 1
            raise _bad(f"Nothing here is called “{text[:60]}”.")
        return found

    def _lot(self, row: Row, product: Product | None) -> Lot | None:
        text = row.cells.get(self.how.lot, "") if self.how.lot else ""
        if not text:
            return None
        found = self.lots[text]
        if isinstance(found, Refusal):
            raise found
        if product and found.line and found.line != product.line:
            raise _bad(f"{found.code} is {found.line}, not {product.line}.")
        return found

    def _quantity(self, row: Row, product: Product) -> int:
        text = row.cells.get(self.how.quantity, "")
        if not text:
            raise _bad("It does not say how many were sold.")
        number = self._number(text)
        if number < 0:
            raise _bad(f"{text}: what came back is told as “Came back”, never as a sale.")
        if not number:
            raise _bad(f"{text} is nothing sold.")
        if product.nominal_g:
            if number != number.to_integral_value():
                raise _bad(f"{text} of {product}: packs are sold whole.")
        else:
            number *= 1000 if self.how.loose_unit == "kg" else 1
            if number != number.to_integral_value():
                raise _bad(f"{text} is finer than a gram.")
        if number > BIGGEST:
            raise _bad(f"{text} is more than can be.")
        return int(number)

    def _prices(
        self, row: Row, product: Product | None, quantity: int | None
    ) -> list[tuple[int, int | None]]:
        """Of so many, how many at which pence; takings that do not divide are at two prices, so
        that they add up to the penny. What is sold by weight is at the nearest penny a kilogram."""
        takings = self._pence(row, self.how.takings)
        price = self._pence(row, self.how.price)
        if not quantity or product is None:
            return []
        if takings is None:
            return [(quantity, price)]
        if product.nominal_g:
            each, more = divmod(takings, quantity)
            return [pair for pair in ((quantity - more, each), (more, each + 1)) if pair[0]]
        per_kilogram = Decimal(takings * 1000) / quantity
        return [(quantity, int(per_kilogram.to_integral_value(ROUND_HALF_UP)))]

    def _pence(self, row: Row, column: str) -> int | None:
        text = row.cells.get(column, "") if column else ""
        if not text:
            return None
        pence = self._number(text.strip(_CURRENCY)) * 100
        if pence < 0 or pence != pence.to_integral_value() or pence > BIGGEST:
            raise _bad(f"{text} is no price: pounds and whole pence, nought or more.")
        return int(pence)

    def _number(self, text: str) -> Decimal:
        mark = self.how.decimal_mark
        if not re.fullmatch(rf"-?[0-9]{{1,12}}({re.escape(mark)}[0-9]{{1,6}})?", text):
            raise _bad(
                f"“{text[:40]}” is no number as this till writes them: one and a half is 1{mark}5, "
                "with no mark for thousands."
            )
        number = Decimal(text.replace(mark, "."))
        return number if abs(number) <= MOST else Decimal(MOST)


def _bad(sentence: str) -> Refusal:
    return Refusal("till_row", sentence)


def _in_order(sum_: tuple[Key, int]) -> tuple[Any, ...]:
    (product, lot, pence), _ = sum_
    return product.code, lot.pk if lot else 0, -1 if pence is None else pence


def _products(outlet: Outlet) -> dict[str, Product]:
    """Folded name → product. What the outlet's tills call it goes before its code, that before its
    GTIN, and that before its name."""
    found: dict[str, Product] = {}
    rows = list(Product.objects.select_related("loose_crop"))
    for names in (
        lambda p: p.name,
        lambda p: p.gtin,
        lambda p: p.code,
    ):
        found |= {fold(names(p)): p for p in rows if names(p)}
    by_pk = {p.pk: p for p in rows}
    named = TillName.objects.filter(outlet=outlet).values_list("called", "product_id")
    return found | {called: by_pk[pk] for called, pk in named}
