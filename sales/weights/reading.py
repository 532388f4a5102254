"""Net weights as somebody types them, or as a scale's output line sends them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from grow.errors import Refusal
from grow.measures import fine_grams

from .words import plainly

#: Twice the heaviest pack of the law; more is a slip, such as "123 kg" for 123 g.
GREATEST_G = Decimal(50_000)

#: What is typed, one by one: a number with its sign and the word behind it, or what else is there.
_TYPED = re.compile(r"(?:[+−-]\s*)?\d[\d.,]*\s*[^\W\d_]+\S*|[+−-]\s\d\S*|\S+")
_STARTS_WITH_A_NUMBER = re.compile(r"[+−-]?\s*[.,]?\d")
#: In a scale's line: a number of its own, with its unit.
_WEIGHT = re.compile(r"([+−-]?)\s*(?<![\w.])(\d+(?:[.,]\d+)?\s*(?:kg|g))(?!\w)", re.IGNORECASE)
_ENDS_WITH_A_NUMBER = re.compile(r"\d\s*(?:kg|g)?[\s,]*$", re.IGNORECASE)
_NOT_SETTLED = re.compile(r"\b(unstable|overload)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Bad:
    """What could not be read: which weight it is, counted from 1, as typed, and why."""

    number: int
    text: str
    code: str
    sentence: str


@dataclass(frozen=True)
class Read:
    """The weights that could be read, in grams and in their order, and what could not."""

    weights: tuple[Decimal, ...]
    bad: tuple[Bad, ...]

    def all_good(self) -> tuple[Decimal, ...]:
        """The weights; raises Refusal with the sentence of each bad one."""
        if self.bad:
            raise Refusal(
                self.bad[0].code,
                " ".join(bad.sentence for bad in self.bad),
                bad=[{"number": bad.number, "text": bad.text} for bad in self.bad],
            )
        return self.weights


def weights_from(text: str, *, exact: bool = False) -> Read:
    """The net weights in `text`, in grams: one a line, or several with spaces or semicolons.

    "123.4 g", "0.1234 kg" and "123,4" are read as `grow.measures` reads them; a bare number is
    grams. A line that does not begin with a number is a scale's: its last number with its unit
    is the weight, and a point in it is decimal, as it is everywhere with `exact` (a scale or the
    API). Nothing is refused as a whole: what cannot be read is kept in `bad`, by its number."""
    good: list[Decimal] = []
    bad: list[Bad] = []
    for number, (item, scales) in enumerate(_items(text), 1):
        try:
            good.append(_scales_weight(item) if scales else _weight(item, exact))
        except Refusal as why:
            bad.append(Bad(number, item, why.code, f"Weight {number}: {why.sentence}"))
    return Read(tuple(good), tuple(bad))


def _items(text: str) -> Iterator[tuple[str, bool]]:
    """Each weight's own text, and whether it is a scale's line."""
    for part in re.split(r"[;\n\r]", text):
        if _STARTS_WITH_A_NUMBER.match(part.strip()):
            typed = re.sub(r",(?=\s|$)", " ", part)  # "120, 121": a comma that parts two weights
            yield from ((item, False) for item in _TYPED.findall(_close(typed)))
        elif part.strip():
            yield part.strip(), True


def _weight(text: str, exact: bool) -> Decimal:
    sign = text[0] if text[0] in "+−-" else ""
    # A plus is a scale's: nobody types it.
    grams = fine_grams(text[len(sign) :], "g", exact=exact or sign == "+")
    if sign and sign != "+" and grams:
        raise Refusal("negative", f"“{text}” is less than nothing; set the scale to nought.")
    if not grams:
        raise Refusal("nought", f"“{text}” is nothing; leave it out, or weigh the bag again.")
    if grams > GREATEST_G:
        raise Refusal(
            "too_heavy",
            f"“{text}” is {plainly(grams)} g, and no pack weighs more than "
            f"{plainly(GREATEST_G)} g. Is its unit right?",
        )
    return grams


def _scales_weight(line: str) -> Decimal:
    # Whoever made the scale, it says itself that this is not what lies on it.
    if said := _NOT_SETTLED.search(line):
        raise Refusal("not_settled", f"“{line}” says {said[1].lower()}; weigh it again.")
    close = _close(line)
    found = list(_WEIGHT.finditer(close))
    if not found:
        raise Refusal("no_weight", f"“{line}” is not a weight: it has no number with g or kg.")
    last = found[-1]
    if _ENDS_WITH_A_NUMBER.search(close[: last.start()]):
        raise Refusal("several", f"“{line}” may be more than one weight; write one a line.")
    return _weight(last[1] + last[2], exact=True)


def _close(text: str) -> str:
    """With single spaces, so that no pattern has to try out how to share a thousand of them."""
    return " ".join(text.split())
