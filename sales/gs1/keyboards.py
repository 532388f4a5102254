"""A scanner is a keyboard: it presses keys where they lie in one country, and a computer set to
another reads other letters from them. This puts the letters back."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable
from dataclasses import dataclass

#: Where characters lie, from memory. Keys from the left, row by row: from the one before 1; from
#: Q's place; from A's to the one before Enter; from the one after the left Shift, which American
#: keyboards lack. First plain, then with Shift, then with AltGr; · where nothing is. An accent
#: that waits for its letter counts as itself.
_KEYS = {
    "British": (
        "`1234567890-=  qwertyuiop[]  asdfghjkl;'#  \\zxcvbnm,./",
        '¬!"£$%^&*()_+  QWERTYUIOP{}  ASDFGHJKL:@~  |ZXCVBNM<>?',
    ),
    "US": (
        "`1234567890-=  qwertyuiop[]  asdfghjkl;'\\  ·zxcvbnm,./",
        '~!@#$%^&*()_+  QWERTYUIOP{}  ASDFGHJKL:"|  ·ZXCVBNM<>?',
    ),
    "German": (
        "^1234567890ß´  qwertzuiopü+  asdfghjklöä#  <yxcvbnm,.-",
        "°!\"§$%&/()=?`  QWERTZUIOPÜ*  ASDFGHJKLÖÄ'  >YXCVBNM;:_",
        "··²³···{[]}\\·  @·€········~  ············  |······µ···",
    ),
    "French": (
        "²&é\"'(-è_çà)=  azertyuiop^$  qsdfghjklmù*  <wxcvbn,;:!",
        "·1234567890°+  AZERTYUIOP¨£  QSDFGHJKLM%µ  >WXCVBN?./§",
        "··~#{[|`\\^@]}  ··€·········  ············  ···········",
    ),
}
_NOTHING = "·"


@dataclass(frozen=True)
class Mended:
    """What was meant, and of which countries the keyboards are: as which the scanner types, and as
    which the computer reads it."""

    text: str
    scanner: str
    computer: str

    @property
    def says(self) -> str:
        return (
            f"Read as {self.text}: the scanner seems to type on a {self.scanner} keyboard and this "
            f"computer to read a {self.computer} one; set the scanner to {self.computer}."
        )


def mended(text: str, known: Callable[[str], bool]) -> Mended | None:
    """The one thing that a text may have been before two keyboards garbled it, where `known` says
    of it, and of the text itself does not, that it is something that a label holds.

    None where there is no such thing, or there are two. Where two pairs of countries tell the same,
    the first of `_KEYS` are named."""
    if known(text):
        return None
    found: dict[str, Mended] = {}
    for scanner, computer in itertools.permutations(_KEYS, 2):
        meant = _typed(text, scanner, computer)
        if meant is not None and meant not in found and known(meant):
            found[meant] = Mended(meant, scanner, computer)
    return found.popitem()[1] if len(found) == 1 else None


def _typed(text: str, scanner: str, computer: str) -> str | None:
    """What a scanner sent where the computer read this; None where it cannot have."""
    sent = _sent(scanner, computer)
    # blanks and separators are the same everywhere
    meant = [sent.get(character, "" if character > " " else character) for character in text]
    return "".join(meant) if all(meant) else None


@functools.cache
def _sent(scanner: str, computer: str) -> dict[str, str]:
    """What the computer reads → what the scanner sent, for keys that both have."""
    return {
        read: sent
        for row, others in zip(_KEYS[computer], _KEYS[scanner], strict=False)
        for read, sent in zip(row, others, strict=True)
        if _NOTHING not in (read, sent)
    }
