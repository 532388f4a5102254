"""GS1's numbers, element strings and Digital Link URIs: built, read and checked; no models.

Stands on the GS1 General Specifications 26.0 and GS1 Digital Link URI Syntax 1.7.0 as they are
quoted by others; `tests/vectors/` has what it is held to. Application identifiers (AIs) are text
without brackets: "01" is the GTIN, "10" the lot, "17" the use-by date. Whatever is wrong is a
`grow.errors.Refusal` of one sentence.

    read(text)              what a scanner typed → Elements, or None if it is nothing of GS1's
    elements({"01": …})     AIs checked, alone and together
    raw(e), bracketed(e)    element strings; parse_raw, parse_bracketed back again
    link(e), parse_link(u)  Digital Link; canonical(e), and in_capitals(e) for small QRs
    gtin14(text)            a GTIN in 14 digits; never a number of restricted circulation
    company_prefix(text)    what GTINs of one firm begin with; begins_with(gtin, prefix)
    mended(text, known)     what a scanner set to another country's keyboard meant
"""

from .elements import GS, bracketed, parse_bracketed, parse_raw, raw
from .identifiers import Elements, elements
from .keyboards import Mended, mended
from .links import canonical, in_capitals, link, parse_link
from .numbers import (
    begins_with,
    check_digit,
    company_prefix,
    gln,
    gtin14,
    is_gtin8,
    is_restricted,
    refuse_unknown_prefix,
    sscc,
)
from .scanning import known_form, read
from .values import check, date_of

__all__ = [
    "GS",
    "Elements",
    "Mended",
    "begins_with",
    "bracketed",
    "canonical",
    "check",
    "check_digit",
    "company_prefix",
    "date_of",
    "elements",
    "gln",
    "gtin14",
    "in_capitals",
    "is_gtin8",
    "is_restricted",
    "known_form",
    "link",
    "mended",
    "parse_bracketed",
    "parse_link",
    "parse_raw",
    "raw",
    "read",
    "refuse_unknown_prefix",
    "sscc",
]
