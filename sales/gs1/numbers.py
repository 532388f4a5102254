"""Numbers that end in a check digit: GTIN, GLN, SSCC; and those that only look like a GTIN."""

from __future__ import annotations

import re
from collections.abc import Callable

from grow.errors import Refusal

#: First two of 13 digits: 02 and 20 to 29 are for a region, 04 for one firm. General
#: Specifications, Table 1-4 and 2.1.11.3.
_RESTRICTED = re.compile(r"0[24]|2[0-9]")


def check_digit(body: str) -> str:
    """The last digit of a number, from those before it. General Specifications 7.9.1: from the
    right they count 3, 1, 3 …, and the check digit fills their sum up to a multiple of ten.

    Raises Refusal for what is no digit."""
    digits(body)
    total = sum(int(d) * (1 if n % 2 else 3) for n, d in enumerate(reversed(body)))
    return str(-total % 10)


def check_number(number: str) -> None:
    """Raises Refusal where the last digit is not the check digit of those before it."""
    digits(number)
    if not number:
        raise Refusal("gs1_too_short", "There is no number: its check digit is missing.")
    if (right := check_digit(number[:-1])) != number[-1]:
        raise Refusal(
            "gs1_check_digit",
            f"{number} ends in {number[-1]}, but the digits before it ask for {right}: one of them "
            "is wrong, or two changed places.",
            expected=right,
        )


def gtin14(text: str) -> str:
    """A GTIN of 8, 12, 13 or 14 digits in 14, as symbols other than those at the till hold it.

    Raises Refusal for another length, a wrong check digit, a number of restricted circulation."""
    number = text.strip()
    digits(number)
    if len(number) not in (8, 12, 13, 14):
        raise Refusal(
            "gs1_length", f"{number} has {len(number)} digits; a GTIN has 8, 12, 13 or 14."
        )
    check_number(number)
    refuse_restricted(number)
    return number.zfill(14)


def company_prefix(text: str) -> str:
    """What GS1 gave a firm, with which its GTINs begin: 4 to 12 digits.

    Raises Refusal for another length, and where numbers of restricted circulation begin so."""
    number = text.strip()
    digits(number)
    if not 4 <= len(number) <= 12:
        raise Refusal(
            "gs1_length", f"{number} has {len(number)} digits; a company prefix has 4 to 12."
        )
    if is_restricted(number.ljust(13, "0")):
        raise Refusal(
            "gs1_restricted",
            f"{number} begins numbers for use inside one shop, firm or region, not GTINs: give the "
            "company prefix that GS1 gave you, or leave it out.",
            number=number,
        )
    return number


def begins_with(gtin: str, prefix: str) -> bool:
    """Whether a GTIN of 14 digits was made with a company prefix: it stands behind the first digit,
    which tells a pack from a case of them. GS1 gives GTINs of 8 digits out one by one, without a
    prefix (from memory)."""
    return gtin[1:].startswith(prefix)


def refuse_unknown_prefix(number: str, known: Callable[[str], bool], *, after: int = 0) -> None:
    """Raises Refusal where a number does not go on, after so many digits, with a company prefix
    that is known. GS1's rules gcppos1 (after none) and gcppos2 (after one).

    known: whether a text begins with a prefix of its list; LookupError while it cannot be read."""
    try:
        if known(number[after:]):
            return
    except LookupError as error:
        raise Refusal(
            "gs1_prefixes_unread",
            f"Whether {number} begins with a company prefix cannot be said now: the list of them "
            "does not answer. Try again later.",
        ) from error
    raise Refusal(
        "gs1_prefix", f"{number} does not begin with a company prefix that is known here."
    )


def is_gtin8(gtin: str) -> bool:
    """Whether a GTIN of 14 digits is one of 8."""
    return gtin.startswith("000000")


def gln(text: str) -> str:
    """A place or a party. Raises Refusal for what is not 13 digits with their check digit."""
    return _of(text, 13, "the number of a place (GLN)")


def sscc(text: str) -> str:
    """A crate or pallet. Raises Refusal for what is not 18 digits with their check digit."""
    return _of(text, 18, "the number of a crate or pallet (SSCC)")


def is_restricted(number: str) -> bool:
    """Whether a number of 8 to 14 digits is for use inside one shop, firm or region, so that two
    may have the same. Its check digit is not looked at.

    General Specifications, Tables 1-4 and 1-5: of 13 digits those from 02, 04, 20 to 29 and
    0000000; of 8 those from 0 and 2. One digit in front, 1 to 9, makes no GTIN-14 of them."""
    number = number.zfill(14)
    if number.startswith("00000", 1):  # a GTIN-8, with an indicator or without
        return number[6] in "02"
    return bool(_RESTRICTED.match(number, 1))


def refuse_restricted(number: str) -> None:
    """Raises Refusal where a GTIN is wanted and this is a number of restricted circulation."""
    if is_restricted(number):
        raise Refusal(
            "gs1_restricted",
            f"{number} is a number for use inside one shop, firm or region, not a GTIN: give the "
            "product's GTIN, or leave it out.",
            number=number,
        )


def _of(text: str, length: int, noun: str) -> str:
    number = text.strip()
    digits(number)
    if len(number) != length:
        raise Refusal("gs1_length", f"{number} has {len(number)} digits; {noun} has {length}.")
    check_number(number)
    return number


def digits(text: str) -> None:
    """Raises Refusal for a text of which any character is no digit 0 to 9."""
    if wrong := re.search(r"[^0-9]", text):
        raise Refusal("gs1_not_digits", f"“{text}” holds “{wrong[0]}” where only digits may stand.")
