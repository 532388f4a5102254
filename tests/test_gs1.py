"""GS1's numbers and values, held to GS1's own vectors (their source and licence are in
`vectors/README.md`) and to python-stdnum and biip, which share no code with us."""

from __future__ import annotations

import calendar
import datetime as dt
import os
import re
import subprocess
import sys
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import biip.gs1_element_strings
import pytest
from biip.gtin import Gtin
from biip.rcn import Rcn
from hypothesis import given
from hypothesis import strategies as st
from stdnum import ean

from grow.errors import Refusal
from sales import gs1
from sales.gs1.values import RULES
from tests.gs1_vectors import CHECKED, LINTERS, groups, vectors

pytestmark = pytest.mark.once
ROOT = Path(__file__).resolve().parent.parent
TODAY = dt.date(2026, 11, 25)

#: Groups that ask a list of company prefixes, and after how many digits the prefix begins.
PREFIXED = {"gcppos1": 0, "gcppos2": 1}
USED = [group for group in groups(LINTERS) if group not in PREFIXED]
#: GS1's name of what is wrong → our code.
WRONG = {
    "TOO_SHORT_FOR_CHECK_DIGIT": "gs1_too_short",
    "INCORRECT_CHECK_DIGIT": "gs1_check_digit",
    "NON_DIGIT_CHARACTER": "gs1_not_digits",
    "INVALID_CSET82_CHARACTER": "gs1_character",
    "DATE_TOO_SHORT": "gs1_too_short",
    "DATE_TOO_LONG": "gs1_too_long",
    "ILLEGAL_MONTH": "gs1_month",
    "ILLEGAL_DAY": "gs1_day",
    "HOUR_WITH_MINUTE_TOO_SHORT": "gs1_too_short",
    "HOUR_WITH_MINUTE_TOO_LONG": "gs1_too_long",
    "ILLEGAL_HOUR": "gs1_hour",
    "ILLEGAL_MINUTE": "gs1_minute",
    "INVALID_PERCENT_SEQUENCE": "gs1_percent",
    "NOT_ISO3166": "gs1_country",
}


# --- GS1's vectors -------------------------------------------------------------------------------


def test_every_group_of_the_vectors_is_used() -> None:
    assert {*USED, *PREFIXED} == groups(LINTERS).keys()
    assert set(USED) <= RULES.keys()
    assert len(vectors(LINTERS, *USED, *PREFIXED)) == 1547


@pytest.mark.parametrize(("group", "vector"), vectors(LINTERS, *PREFIXED))
def test_a_prefix_is_refused_as_gs1_says(group: str, vector: dict[str, Any]) -> None:
    """GS1 runs these against a list that knows no prefix, and against one that does not answer."""

    def none(text: str) -> bool:
        return False

    def offline(text: str) -> bool:
        raise LookupError

    after = PREFIXED[group]
    known, code = {
        "INVALID_GCP_PREFIX": (none, "gs1_prefix"),
        "GCP_DATASOURCE_OFFLINE": (offline, "gs1_prefixes_unread"),
    }[vector["error"]]
    with pytest.raises(Refusal) as refused:
        gs1.refuse_unknown_prefix(vector["input"], known, after=after)
    assert refused.value.code == code
    listed = vector["input"][after:]
    gs1.refuse_unknown_prefix(vector["input"], lambda text: text == listed, after=after)


@pytest.mark.parametrize(("group", "vector"), vectors(LINTERS, *USED))
def test_a_value_passes_or_fails_as_gs1_says(group: str, vector: dict[str, Any]) -> None:
    if vector["ok"]:
        gs1.check(group, vector["input"])
    else:
        with pytest.raises(Refusal) as refused:
            gs1.check(group, vector["input"])
        assert refused.value.code == WRONG[vector["error"]]


def test_it_needs_neither_settings_nor_models() -> None:
    alone = {name: text for name, text in os.environ.items() if not name.startswith("DJANGO")}
    code = "from sales import gs1; assert gs1.read('9521234543213')"
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=alone, check=True)


# --- check digits --------------------------------------------------------------------------------


@pytest.mark.parametrize(("group", "vector"), vectors(CHECKED, "check_digit"))
def test_a_published_number_has_its_check_digit(group: str, vector: dict[str, Any]) -> None:
    number = vector["value"]
    assert gs1.check_digit(number[:-1]) == number[-1]
    gs1.check("csum", number)
    for wrong in set("0123456789") - {number[-1]}:
        with pytest.raises(Refusal, match=f"ask for {number[-1]}"):
            gs1.check("csum", number[:-1] + wrong)


@given(st.text("0123456789", min_size=1, max_size=30))
def test_the_check_digit_is_that_of_python_stdnum(body: str) -> None:
    assert gs1.check_digit(body) == ean.calc_check_digit(body)


def test_a_gtin_of_any_length_is_told_in_fourteen_digits() -> None:
    """Each also by biip, which pads likewise."""
    for number in ("95012346", "614141777778", "9521234543213", "19521234543210"):
        assert ean.is_valid(number)
        assert gs1.gtin14(f" {number} ") == number.zfill(14) == Gtin.parse(number).as_gtin_14()


@pytest.mark.parametrize(
    ("number", "says"),
    [
        ("9521234543214", "ask for 3: one of them is wrong, or two changed places"),
        ("952123454321", "ask for"),  # the last digit forgotten: 12 digits with a wrong one
        ("95212345432", "has 11 digits; a GTIN has 8, 12, 13 or 14"),
        ("", "has 0 digits"),
        ("952123454321X", "holds “X” where only digits may stand"),
        ("٩521234543213", "holds “٩” where only digits may stand"),
        ("2012345678903", "is a number for use inside one shop, firm or region, not a GTIN"),
    ],
)
def test_what_is_no_gtin_is_refused_with_its_reason(number: str, says: str) -> None:
    gs1.gtin14("9521234543213")
    with pytest.raises(Refusal, match=re.escape(says)):
        gs1.gtin14(number)


def test_places_and_crates_have_their_lengths() -> None:
    assert gs1.gln("9521234000013") == "9521234000013"
    assert gs1.sscc("095212340000000013") == "095212340000000013"
    with pytest.raises(Refusal, match="has 12 digits; the number of a place"):
        gs1.gln("416000336108")
    with pytest.raises(Refusal, match="has 13 digits; the number of a crate or pallet"):
        gs1.sscc("9521234000013")
    with pytest.raises(Refusal, match="ask for 3"):
        gs1.sscc("095212340000000014")


# --- numbers of restricted circulation -----------------------------------------------------------


def numbered(body: str) -> str:
    return body + ean.calc_check_digit(body)


@pytest.mark.parametrize("length", [8, 12, 13])
def test_restricted_numbers_are_those_of_biip(length: int) -> None:
    """General Specifications, Tables 1-4 and 1-5, as biip keeps them: every prefix of three
    digits. What biip knows no prefix for it does not read."""
    restricted = 0
    for prefix in range(1000):
        number = numbered(f"{prefix:03d}" + "123456789"[: length - 4])
        try:
            theirs = isinstance(Gtin.parse(number), Rcn)
        except biip.ParseError:
            continue
        assert gs1.is_restricted(number) == theirs, number
        restricted += theirs
    assert restricted >= 120


@pytest.mark.parametrize(
    "body",
    [
        *("200000000001", "290000000001", "020000000001", "040000000001", "000000000001"),
        *("2123456", "2000001", "29000000000", "41600033610", "0212345"),
    ],
)
def test_a_restricted_number_is_never_dressed_as_a_gtin(body: str) -> None:
    number = numbered(body)
    assert ean.is_valid(number)
    for dressed in (number, number.zfill(14), numbered("9" + number.zfill(14)[1:-1])):
        with pytest.raises(Refusal, match="not a GTIN") as refused:
            gs1.gtin14(dressed)
        assert refused.value.code == "gs1_restricted"
    for ai, more in (("01", {}), ("02", {"00": "095212340000000013", "37": "24"})):
        with pytest.raises(Refusal, match="not a GTIN"):
            gs1.elements({ai: number.zfill(14), **more})
        gs1.elements({ai: "09521234543213", **more})


# --- dates ---------------------------------------------------------------------------------------


def test_a_year_of_two_digits_finds_its_century(monkeypatch: pytest.MonkeyPatch) -> None:
    """General Specifications 7.12, against biip in every year of a century."""
    for now in range(2000, 2100):
        clock = SimpleNamespace(now=lambda tz, now=now: dt.datetime(now, 6, 1, tzinfo=tz))
        theirs = SimpleNamespace(UTC=dt.UTC, datetime=clock)
        monkeypatch.setattr(biip.gs1_element_strings, "dt", theirs)
        for year in range(100):
            expected = year + biip.gs1_element_strings._get_century(year)
            read = gs1.date_of(f"{year:02d}0601", dt.date(now, 6, 1))
            assert read == dt.date(expected, 6, 1), (now, year)


def test_the_year_51_ahead_is_of_the_century_before() -> None:
    """General Specifications 7.12, written out."""
    for year, expected in {"26": 2026, "76": 2076, "77": 1977, "99": 1999, "00": 2000}.items():
        assert gs1.date_of(f"{year}0101", TODAY).year == expected
    late = dt.date(2060, 1, 1)
    for year, expected in {"60": 2060, "11": 2011, "10": 2110, "00": 2100}.items():
        assert gs1.date_of(f"{year}0101", late).year == expected


@pytest.mark.parametrize("month", range(1, 13))
@pytest.mark.parametrize("year", [2026, 2028])
def test_day_nought_is_the_last_of_its_month(year: int, month: int) -> None:
    text = f"{year % 100:02d}{month:02d}00"
    assert gs1.date_of(text, TODAY) == dt.date(year, month, calendar.monthrange(year, month)[1])


def test_a_leap_day_needs_a_leap_year() -> None:
    """2000 has one and 2100 has none; two digits of a year do not tell them apart."""
    assert gs1.date_of("000229", TODAY) == dt.date(2000, 2, 29)
    with pytest.raises(Refusal, match="that month has no day 29"):
        gs1.date_of("000229", dt.date(2060, 1, 1))
    assert gs1.date_of("000200", dt.date(2060, 1, 1)) == dt.date(2100, 2, 28)


def test_day_nought_is_only_where_a_date_may_lack_its_day() -> None:
    item = {"01": "09521234543213"}
    for ai in ("11", "13", "15", "16", "17"):
        assert gs1.elements(item | {ai: "261200"}).date(ai, TODAY) == dt.date(2026, 12, 31)
    for ai, time in (("7003", "1430"), ("7006", ""), ("7007", ""), ("7011", ""), ("8008", "14")):
        read = gs1.elements(item | {ai: f"261201{time}"})
        assert read.date(ai, TODAY) == dt.date(2026, 12, 1)
        with pytest.raises(Refusal, match=rf"\({ai}\) 261200 is no date: that month has no day 00"):
            gs1.elements(item | {ai: f"261200{time}"})


def test_a_net_weight_is_read_by_the_last_digit_of_its_ai() -> None:
    """General Specifications 3.6.2: 3103 000125 is 0.125 kg."""
    for ai, kilograms in (("3103", "0.125"), ("3100", "125"), ("3105", "0.00125")):
        read = gs1.elements({"01": "09521234543213", ai: "000125"})
        assert str(read.kilograms) == kilograms
    assert gs1.elements({"01": "09521234543213"}).kilograms is None
    assert isinstance(read.kilograms, Decimal)
