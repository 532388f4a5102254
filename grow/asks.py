"""What each operation asks for, read off its own signature; and what was typed, read into it.

The API, a page's form and a row of an import all carry text or plain JSON: names, codes, numbers
as somebody types them. They translate it here, and only here, so that the same slip gets the same
sentence whichever way it came. An `Ask` is one argument; `asks(kind)` are those of an operation.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import inspect
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from django.db import models

from . import clock, codes, finding, fitting, measures
from .errors import NotKnown, Refusal
from .kinds import KINDS
from .models import Lot, LotKind, Person, Place, Thing, Unit


class Unread(Refusal):
    """What was sent cannot be read: `facts["fields"]` says of each argument why."""

    status = 400

    def __init__(self, wrong: Mapping[str, Refusal]) -> None:
        first = next(iter(wrong.values()))
        alone = len(wrong) == 1  # a single slip keeps its own code and facts
        facts = first.facts if alone else {}
        super().__init__(
            first.code if alone else "unread",
            " ".join(dict.fromkeys(one.sentence for one in wrong.values())),
            **facts | {"fields": {name: one.sentence for name, one in wrong.items()}},
        )
        self.status = first.status if alone and isinstance(first, NotKnown) else 400


@dataclass(frozen=True)
class Ask:
    """One argument of an operation.

    what: "row" (a row of `model`, by its name or code), "group" (a small record of `parts`),
    "tally" (rows with a quantity each), or a plain "text", "whole", "decimal", "yes", "day",
    "moment". of: the kinds of lot or place that may be named, as the operation declares them.
    unit: "g" where the argument's name ends in it: then a weight may be typed with its unit."""

    name: str
    what: str
    many: bool = False
    required: bool = False
    default: Any = None
    model: type[models.Model] | None = None
    of: frozenset[str] = frozenset()
    parts: tuple[Ask, ...] = ()
    makes: type | None = None
    #: a quantity of a lot that is kept by weight
    weighed: bool = False

    @property
    def unit(self) -> str:
        named = self.name.endswith("_g") or self.name == "grams"
        return "g" if self.what == "whole" and (named or self.weighed) else ""

    @property
    def fine(self) -> bool:
        """Grams to a part of one, as a single pack weighs."""
        return self.what == "decimal" and (self.name.endswith("_g") or self.name == "weights")

    @property
    def label(self) -> str:
        return self.name.replace("_", " ")


#: What every operation takes besides its own, in the order in which it is asked.
COMMON = (
    Ask("on", "day"),
    Ask("at", "moment"),
    Ask("began_at", "moment"),
    Ask("done_by", "row", many=True, model=Person),
    Ask("things", "row", many=True, model=Thing),
    Ask("tanks", "row", many=True, model=Place, of=frozenset({"tank"})),
    Ask("already_done", "yes", default=False),
)
#: What a queue adds that sends what was told before; nobody is asked for it.
CLOCK = Ask("clock_reading", "moment")
_PLAIN: dict[Any, str] = {
    bool: "yes",
    int: "whole",
    str: "text",
    Decimal: "decimal",
    dt.datetime: "moment",
    dt.date: "day",
}


@functools.cache
def asks(kind: str) -> tuple[Ask, ...]:
    """The operation's own arguments, in the order in which it names them."""
    return tuple(_ask(p.name, p.annotation, p.default) for p in KINDS[kind].facts.values())


def _ask(name: str, hint: Any, default: Any) -> Ask:
    required = default in (inspect.Parameter.empty, dataclasses.MISSING)
    shared: dict[str, Any] = {"required": required, "default": None if required else default}
    hint, of = _bare(hint)
    origin = typing.get_origin(hint)
    if origin is not None and issubclass(origin, Mapping):
        key, inner = _bare(typing.get_args(hint)[0])
        return Ask(name, "tally", model=key, of=of | inner, **shared)
    if origin is not None and issubclass(origin, Sequence):
        one = _ask(name, typing.get_args(hint)[0], default)
        return dataclasses.replace(one, many=True, of=one.of | of)
    if isinstance(hint, type) and issubclass(hint, models.Model):
        return Ask(name, "row", model=hint, of=of, **shared)
    if dataclasses.is_dataclass(hint):
        inside = typing.get_type_hints(hint, include_extras=True)
        parts = tuple(
            _ask(f.name, inside[f.name], f.default) for f in dataclasses.fields(hint) if f.init
        )
        return Ask(name, "group", parts=parts, makes=typing.cast(type, hint), **shared)
    return Ask(name, _PLAIN[hint], **shared)


def _bare(hint: Any) -> tuple[Any, frozenset[str]]:
    """A type without its None and its notes, and the kinds that the notes name."""
    hint, notes = fitting.bare(hint)
    return hint, frozenset(str(k) for n in notes if isinstance(n, fitting.Of) for k in n.kinds)


# --- what was typed, read --------------------------------------------------------------------


@dataclass(frozen=True)
class Reader:
    """Reads what one person sent. exact: a point is always decimal (the API, a scale's line)."""

    person: Person
    exact: bool = False
    #: texts with commas or line ends between stand for several rows (forms, imports)
    listed: bool = False

    def read(self, kind: str, data: Mapping[str, Any]) -> dict[str, Any]:
        """An operation's arguments out of what was sent; what is empty is left out. Raises
        Unread, with a sentence for each argument that is wrong."""
        return self.arguments((*asks(kind), *COMMON, CLOCK), data)

    def arguments(self, own: Sequence[Ask], data: Mapping[str, Any]) -> dict[str, Any]:
        """Any list of arguments, as `read` those of an operation."""
        known = {ask.name for ask in own}
        wrong: dict[str, Refusal] = {
            name: Refusal("no_such_argument", f"“{name}” is nothing that this entry asks for.")
            for name in data
            if name not in known
        }
        read = self._each(own, data, wrong)
        if wrong:
            raise Unread(wrong)
        return read

    def _each(
        self, own: Iterable[Ask], data: Mapping[str, Any], wrong: dict[str, Refusal]
    ) -> dict[str, Any]:
        read: dict[str, Any] = {}
        for ask in own:
            value = data.get(ask.name)
            if is_empty(value):
                if ask.required:
                    wrong[ask.name] = Refusal("missing", f"Say {ask.label}.")
                continue
            try:
                read[ask.name] = self.value(_weighed(ask, read), value)
            except Refusal as refusal:
                wrong[ask.name] = refusal
        return read

    def value(self, ask: Ask, value: Any) -> Any:
        """One argument. Raises Refusal with one sentence."""
        if ask.what == "tally":
            return self._tally(ask, value)
        if ask.what == "row":
            rows = self._rows(ask, self._list(ask, value) if ask.many else [value])
            return rows if ask.many else rows[0]
        one: Callable[[Ask, Any], Any] = (
            self._group if ask.what == "group" else lambda a, v: READ[a.what](a, v, self.exact)
        )
        return [one(ask, v) for v in self._list(ask, value)] if ask.many else one(ask, value)

    def _list(self, ask: Ask, value: Any) -> list[Any]:
        if isinstance(value, str) and self.listed:
            for mark in ";\n":
                value = value.replace(mark, ",")
            value = [part for part in value.split(",") if part.strip()]
        if not isinstance(value, list | tuple):
            raise Refusal("not_a_list", f"{ask.label}: a list is needed.")
        return list(value)

    def _rows(self, ask: Ask, values: Sequence[Any]) -> list[Any]:
        assert ask.model is not None
        for value in values:
            if not isinstance(value, str | int) or isinstance(value, bool):
                raise Refusal("no_name", f"{ask.label}: write a name or a code.")
            # between two elements of a symbol a scanner types what no keyboard writes
            typed = str(value).replace(codes.SEPARATOR, "") if ask.model is Lot else value
            if len(READ["text"](ask, typed, self.exact)) > LONGEST_NAME:
                raise Refusal("no_name", f"{ask.label}: no name is as long as that.")
        found = finding.rows_called(ask.model, [str(v) for v in values], self.person)
        for row in found:
            if isinstance(row, Refusal):
                raise row
        return found

    def _group(self, ask: Ask, value: Any) -> Any:
        if not isinstance(value, Mapping):
            names = ", ".join(part.name for part in ask.parts)
            raise Refusal("not_a_group", f"{ask.label}: {names} are needed together.")
        wrong: dict[str, Refusal] = {}
        own = {part.name for part in ask.parts}
        for name in value:
            if name not in own:
                wrong[name] = Refusal("no_such_argument", f"{ask.label} has no “{name}”.")
        read = self._each(ask.parts, value, wrong)
        if wrong:
            raise Unread(wrong)
        assert ask.makes is not None
        return ask.makes(**read)

    def _tally(self, ask: Ask, value: Any) -> dict[Any, int]:
        """{code: quantity}, or a list of {"lot": code, "quantity": n}."""
        assert ask.model is not None
        key = ask.model._meta.model_name or ""
        if isinstance(value, list | tuple):
            for one in value:
                if not isinstance(one, Mapping) or one.keys() != {key, "quantity"}:
                    raise Refusal("not_a_group", f"{ask.label}: {key} and quantity are needed.")
            pairs = [(one[key], one["quantity"]) for one in value]
        elif isinstance(value, Mapping):
            pairs = list(value.items())
        else:
            raise Refusal("not_a_list", f"{ask.label}: a list is needed.")
        rows = self._rows(ask, [name for name, _ in pairs])
        if len(set(rows)) < len(rows):
            raise Refusal("twice", f"{ask.label}: the same {key} stands there twice.")
        quantity = Ask("quantity", "whole")
        return {
            row: READ["whole"](_weighed(quantity, {"lot": row}), n, self.exact)
            for row, (_, n) in zip(rows, pairs, strict=True)
        }


def _weighed(ask: Ask, read: Mapping[str, Any]) -> Ask:
    """A quantity of a lot that is kept in grams may be typed with its unit, as any weight may."""
    if ask.name not in OF_A_LOT:
        return ask
    lot = read.get("lot")
    by_weight = lot.unit == Unit.G if isinstance(lot, Lot) else read.get("kind") in _BY_WEIGHT
    return dataclasses.replace(ask, weighed=True) if by_weight else ask


#: Arguments that say how much of the lot named beside them, in its own unit.
OF_A_LOT = frozenset({"quantity", "right", "left", "used", "accepted", "short", "rejected"})
OF_A_LOT |= {"returned", "brought_back", "destroyed", "counted"}
_BY_WEIGHT = (LotKind.HARVEST, LotKind.PRODUCE)


def is_empty(value: Any) -> bool:
    return (
        value is None
        or (isinstance(value, str | list | tuple | dict) and not value)
        or (isinstance(value, str) and not value.strip())
    )


#: Longer than any name, code or "tower tier/position".
LONGEST_NAME = 200
#: No quantity that anybody weighs, counts or pays is greater, and the database would not hold it.
MOST = 10**12


def _whole(ask: Ask, value: Any, exact: bool) -> int:
    if isinstance(value, bool) or not isinstance(value, int | float | str | Decimal):
        raise Refusal("no_number", f"{ask.label}: a whole number is needed.")
    text = str(value).strip()
    try:
        number = int(text) if text.isascii() and "_" not in text else None
    except ValueError:
        number = None
    if number is None and ask.unit:
        number = measures.grams(text, ask.unit, exact=exact)
    if number is None:
        try:
            exactly = Decimal(text) if text.isascii() and "_" not in text else None
        except InvalidOperation:
            exactly = None
        if exactly is None or not exactly.is_finite() or exactly != exactly.to_integral_value():
            raise Refusal("no_number", f"{ask.label}: “{text[:40]}” is not a whole number.")
        number = int(exactly) if -MOST <= exactly <= MOST else MOST + 1
    if abs(number) > MOST:
        raise Refusal("too_many", f"{ask.label}: {text[:20]} is more than can be.")
    return number


def _decimal(ask: Ask, value: Any, exact: bool) -> Decimal:
    text = str(value).strip()
    if ask.fine and isinstance(value, str):
        return measures.fine_grams(text, "g", exact=exact)
    if not exact:
        text = text.replace(",", ".")
    try:
        number = Decimal(text) if text.isascii() and "_" not in text else None
    except InvalidOperation:
        number = None
    if (
        isinstance(value, bool)
        or number is None
        or not (number.is_finite() and -MOST <= number <= MOST)
    ):
        raise Refusal("no_number", f"{ask.label}: “{text[:40]}” is not a number.")
    return number


def _text(ask: Ask, value: Any, exact: bool) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float | Decimal):
        raise Refusal("no_text", f"{ask.label}: a text is needed.")
    text = str(value).strip()
    if any((ord(c) < 32 and c not in "\n\t") or 0xD800 <= ord(c) < 0xE000 for c in text):
        raise Refusal("no_text", f"{ask.label}: there are signs in it that no keyboard writes.")
    return text


_YES = {"yes", "y", "true", "1", "on", "x"}
_NO = {"no", "n", "false", "0", "off"}


def _yes(ask: Ask, value: Any, exact: bool) -> bool:
    if isinstance(value, bool):
        return value
    said = str(value).strip().casefold()
    if said not in _YES | _NO:
        raise Refusal("yes_or_no", f"{ask.label}: answer yes or no.")
    return said in _YES


def _day(ask: Ask, value: Any, exact: bool) -> dt.date:
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    text = str(value).strip()
    for style in ("%Y-%m-%d", "%d/%m/%Y", "%d.%m.%Y", "%d %b %Y", "%d %B %Y"):
        try:
            day = dt.datetime.strptime(text, style).date()  # noqa: DTZ007  (a day has no zone)
        except ValueError:
            continue
        if 1990 <= day.year <= 2199:
            return day
    raise Refusal(
        "no_day", f"{ask.label}: “{text[:40]}” is not a day; write it as 2026-03-02 or 02/03/2026."
    )


def _moment(ask: Ask, value: Any, exact: bool) -> dt.datetime:
    """Without a zone it is the business's own wall clock."""
    moment = value
    if not isinstance(value, dt.datetime):
        text = str(value).strip()
        moment = None
        try:
            moment = dt.datetime.fromisoformat(text)
        except ValueError:
            for style in ("%d/%m/%Y %H:%M", "%d.%m.%Y %H:%M"):
                try:
                    moment = dt.datetime.strptime(text, style)  # noqa: DTZ007  (the wall clock)
                except ValueError:
                    continue
        if moment is None or not 1990 <= moment.year <= 2199:
            raise Refusal(
                "no_moment",
                f"{ask.label}: “{text[:40]}” is not a day and time; write it as 2026-03-02 14:30.",
            )
    return moment if moment.tzinfo else moment.replace(tzinfo=clock.zone())


READ: dict[str, Callable[[Ask, Any, bool], Any]] = {
    "whole": _whole,
    "decimal": _decimal,
    "text": _text,
    "yes": _yes,
    "day": _day,
    "moment": _moment,
}
