"""Application identifiers with their values: one alone, and several that stand together."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal

from grow.errors import Refusal

from . import table
from .numbers import refuse_restricted
from .values import RULES, date_of, of_set

#: AIs whose first 14 digits are a GTIN.
_GTINS = {"01", "02", "03", "8006", "8026"}


@dataclass(frozen=True)
class Part:
    """A stretch of a value: letter of its characters, least and most of them, and its rule."""

    letter: str
    least: int
    most: int
    rule: str = ""
    optional: bool = False

    @classmethod
    def read(cls, text: str) -> Part:
        """From a format such as N6,yymmdd or [N..12]."""
        form, _, rule = text.partition(",")
        letter, up_to, length = form[form.startswith("[")], ".." in form, re.findall("[0-9]+", form)
        return cls(letter, 1 if up_to else int(length[0]), int(length[0]), rule, form[0] == "[")

    def check(self, text: str) -> None:
        of_set(self.letter, text)
        if self.rule:
            RULES[self.rule](text)


@dataclass(frozen=True)
class Identifier:
    """An AI. needs: sets of which one must stand with it; never: patterns of which none may."""

    ai: str
    parts: tuple[Part, ...]
    needs: tuple[tuple[str, ...], ...] = ()
    never: tuple[str, ...] = ()

    @property
    def predefined(self) -> int:
        """How long its value always is; 0 where a separator ends it."""
        length = table.PREDEFINED.get(self.ai[:2])
        return length - len(self.ai) if length else 0

    def check(self, value: str) -> None:
        """Raises Refusal for a value that it cannot have."""
        rest = value
        for part in self.parts:
            if part.optional and not rest:
                break
            piece, rest = rest[: part.most], rest[part.most :]
            if len(piece) < part.least:
                raise self._length("gs1_too_short", value)
            try:
                part.check(piece)
            except Refusal as refusal:
                raise Refusal(
                    refusal.code, f"({self.ai}) {refusal.sentence}", ai=self.ai
                ) from refusal
        if rest:
            raise self._length("gs1_too_long", value)

    def _length(self, code: str, value: str) -> Refusal:
        least = sum(part.least for part in self.parts if not part.optional)
        most = sum(part.most for part in self.parts)
        takes = f"{least}" if least == most else f"{least} to {most}"
        return Refusal(
            code,
            f"({self.ai}) “{value}” has {len(value)} characters; it takes {takes}.",
            ai=self.ai,
        )


def _rows() -> Iterator[Identifier]:
    for row in table.ROWS.strip().splitlines():
        numbers, form, needs, never = [*map(str.strip, row.split("|")), "", ""][:4]
        for ai in table.spans(numbers):
            yield Identifier(
                ai,
                tuple(Part.read(part) for part in form.split()),
                tuple(tuple(one.split("+")) for one in needs.split(",") if one),
                tuple(one for one in never.split(",") if one),
            )
    for needs, numbers in table.MEASURES.items():
        together = tuple((one,) for one in needs.split(","))
        for kind in table.spans(numbers):
            for decimals in range(6):
                six = (Part("N", 6, 6),)
                yield Identifier(f"{kind}{decimals}", six, together, (f"{kind}n",))


IDENTIFIERS: dict[str, Identifier] = {one.ai: one for one in _rows()}


def identifier(ai: str) -> Identifier:
    """Raises Refusal for an AI that GS1 has not given out."""
    if ai not in IDENTIFIERS:
        raise Refusal("gs1_no_such_ai", f"({ai}) is no application identifier of GS1.", ai=ai)
    return IDENTIFIERS[ai]


# --- several together ----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Elements(Mapping[str, str]):
    """AIs with their values, checked, in the order in which they were given; equal to a dict of
    the same."""

    values_by_ai: Mapping[str, str]

    def __getitem__(self, ai: str) -> str:
        return self.values_by_ai[ai]

    def __iter__(self) -> Iterator[str]:
        return iter(self.values_by_ai)

    def __len__(self) -> int:
        return len(self.values_by_ai)

    @property
    def gtin(self) -> str | None:
        """Of the thing itself, 14 digits; what a crate contains is ["02"]."""
        return self.get("01")

    @property
    def lot(self) -> str | None:
        return self.get("10")

    def date(self, ai: str, today: dt.date) -> dt.date | None:
        """The day in "11", "13", "15", "16" or "17"; day 00 is the last of its month."""
        return date_of(self[ai][:6], today) if ai in self else None

    @property
    def kilograms(self) -> Decimal | None:
        """The net weight of an item whose weight varies, AI 310n."""
        for ai, value in self.items():
            if ai.startswith("310"):
                return Decimal(value).scaleb(-int(ai[3]))
        return None


def elements(
    given: Mapping[str, str] | Iterable[tuple[str, str]], *, whole: bool = True
) -> Elements:
    """AIs and their values, each checked alone and all together. One that is repeated with the same
    value counts once.

    whole: all that stands on the thing, so that what an AI needs beside it must be there; a crate
    may bear (00) in one symbol and (02)(37) in another. Raises Refusal for whatever is wrong."""
    pairs = given.items() if isinstance(given, Mapping) else given
    found: dict[str, str] = {}
    for ai, value in pairs:
        identifier(ai).check(value)
        if ai in _GTINS:
            refuse_restricted(value[:14])
        if found.setdefault(ai, value) != value:
            raise Refusal(
                "gs1_repeated",
                f"({ai}) stands there twice, as {found[ai]} and as {value}; only one can be right.",
                ai=ai,
            )
    for ai in found:
        _refuse_beside(ai, found, whole)
    return Elements(found)


def _refuse_beside(ai: str, found: Mapping[str, str], whole: bool) -> None:
    """Raises Refusal where something stands beside an AI that cannot, or is missing."""
    one = IDENTIFIERS[ai]
    for pattern in one.never:
        if clash := next((o for o in found if o != ai and _like(o, pattern)), None):
            raise Refusal("gs1_never", f"({ai}) and ({clash}) cannot stand together.", ai=ai)
    if whole and one.needs and not any(_all_there(ways, found) for ways in one.needs):
        ways = [" with ".join(f"({n})" for n in way) for way in one.needs]
        raise Refusal("gs1_needs", f"({ai}) cannot stand without {' or '.join(ways)}.", ai=ai)


def _all_there(patterns: Iterable[str], found: Iterable[str]) -> bool:
    return all(any(_like(ai, pattern) for ai in found) for pattern in patterns)


def _like(ai: str, pattern: str) -> bool:
    return bool(re.fullmatch(pattern.replace("n", "[0-9]"), ai))
