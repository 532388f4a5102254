"""Application identifiers: our table against GS1's own (`vectors/README.md`), row by row; what each
may hold; which stand together."""

from __future__ import annotations

import datetime as dt
import random
import re

import pytest

from grow.errors import Refusal
from sales import gs1
from sales.gs1.identifiers import IDENTIFIERS, Part
from sales.gs1.table import KEYS, NOT_IN_QUERY
from sales.gs1.values import RULES
from tests.gs1_vectors import DICTIONARY

pytestmark = pytest.mark.once

TODAY = dt.date(2026, 11, 25)


# --- the table -----------------------------------------------------------------------------------

#: What GS1's dictionary asks of a component beyond what we do, and why not.
NOT_ASKED = {
    "gcppos1": "needs a list of all company prefixes, and there is no public one",
    "gcppos2": "the same, after one digit",
    "csumalpha": "check characters of GMN and MUDI, for medical devices",
    "hasnondigit": "the same",
    "iso4217": "numbers of currencies; prices stand in no lot's label",
    "iso3166alpha2": "letters of countries in a delivery address",
    "latitude": "places of delivery",
    "longitude": "places of delivery",
    "importeridx": "tobacco",
    "packagetype": "shipping units",
    "mediatype": "patients",
    "yyyymmdd": "patients' birthdays",
    "iso5218": "patients",
    "posinseqslash": "patients",
    "nonzero": "rolls of fabric or film",
    "winding": "rolls of fabric or film",
    "pieceoftotal": "pieces of furniture",
    "nozeroprefix": "parts of aeroplanes and cars",
    "iban": "bank accounts",
    "couponcode": "coupons",
    "couponposoffer": "coupons",
}


def dictionary() -> dict[str, list[str]]:
    """AI → the words of its row in GS1's dictionary, flags first."""
    rows = {}
    for line in DICTIONARY.splitlines():
        if found := re.match(r"(\d{2,4})(?:-(\d{2,4}))?\s(.*?)(?:\s#.*)?$", line):
            first, last, rest = found.groups()
            words = rest.split()
            if set(words[0]) - {"*", "?"}:
                words.insert(0, "")
            for ai in range(int(first), int(last or first) + 1):
                rows[str(ai).zfill(len(first))] = words
    return rows


def attribute(words: list[str], name: str) -> str | None:
    return next((w.partition("=")[2] for w in words if w.partition("=")[0] == name), None)


def as_written(part: Part) -> str:
    length = str(part.most) if part.least == part.most else f"..{part.most}"
    text = f"[{part.letter}{length}]" if part.optional else f"{part.letter}{length}"
    return text + (f",{part.rule}" if part.rule else "")


def test_our_table_has_every_ai_of_gs1_and_no_other() -> None:
    assert IDENTIFIERS.keys() == dictionary().keys()
    assert len(IDENTIFIERS) > 500


@pytest.mark.parametrize("ai", dictionary())
def test_a_row_of_our_table_is_that_of_gs1(ai: str) -> None:
    ours, (flags, *words) = IDENTIFIERS[ai], dictionary()[ai]
    asked = [word for word in words if re.match(r"\[?[NXYZ][\d.]", word)]
    for left in NOT_ASKED:
        asked = [re.sub(rf",{left}\b", "", word) for word in asked]
    assert [as_written(part) for part in ours.parts] == asked
    assert bool(ours.predefined) == ("*" in flags)
    if ours.predefined:
        assert ours.predefined == sum(part.most for part in ours.parts)
    assert (ai not in NOT_IN_QUERY) == ("?" in flags)
    assert ",".join("+".join(way) for way in ours.needs) == (attribute(words, "req") or "")
    assert ",".join(ours.never) == (attribute(words, "ex") or "")
    key = attribute(words, "dlpkey")
    ways = (
        None if key is None else tuple(tuple(w for w in s.split(",") if w) for s in key.split("|"))
    )
    assert KEYS.get(ai) == ways


def test_what_gs1_asks_and_we_do_not_is_no_more_than_is_said() -> None:
    """What we can check is asked of each AI, and what is left out is something that GS1 asks."""
    words = {w for row in dictionary().values() for w in row}
    asked = {rule for word in words if re.match(r"\[?[NXYZ]", word) for rule in word.split(",")[1:]}
    assert asked == (RULES.keys() - {"cset82", "csetnumeric"}) | NOT_ASKED.keys()


@pytest.mark.parametrize(
    ("ai", "right", "wrong"),
    [
        ("8008", "26120114", "26120124"),
        ("8008", "2612011430", "2612011460"),
        ("8008", "261201143059", "261201143060"),
        ("8003", "09521234000013", "19521234000013"),
        ("4321", "1", "2"),
        ("4331", "000400-", "000400+"),
        ("7030", "999ABC", "998ABC"),
        ("7030", "826ABC", "827ABC"),
        ("423", "826276", "826277"),
        ("4300", "A%20B", "A%2GB"),
        ("8010", "ABC-#/9", "abc"),
        ("8030", "aZ09-_=", "a+b"),
        ("10", "A" * 20, "A" * 21),
        ("20", "07", "7"),
        ("7007", "261123261124", "261123261131"),
    ],
)
def test_a_value_is_looked_at_part_by_part(ai: str, right: str, wrong: str) -> None:
    IDENTIFIERS[ai].check(right)
    with pytest.raises(Refusal, match=rf"\({ai}\)"):
        IDENTIFIERS[ai].check(wrong)


# --- together ------------------------------------------------------------------------------------


def sample(ai: str) -> str:
    """Some value of an AI."""
    if ai in ("01", "02", "03"):
        return "09521234543213"
    if ai in ("255", "414", "415"):
        return "9521234000013"
    if ai.startswith("310"):
        return "000125"
    others = {"00": "095212340000000013", "37": "24", "422": "826", "426": "826", "427": "SCT"}
    return others.get(ai, "261201")


@pytest.mark.parametrize(
    ("given", "more", "says"),
    [
        ("10", "01", r"\(10\) cannot stand without \(01\) or \(02\) or \(03\)"),
        ("17", "01", r"\(17\) cannot stand without"),
        ("02 37", "00", r"\(37\) cannot stand without \(00\) with \(02\)"),
        ("00 37", "02", r"\(37\) cannot stand without"),
        ("02", "37 00", r"\(02\) cannot stand without \(37\)"),
        ("254", "414", r"\(254\) cannot stand without \(414\)"),
        ("415", "8020", r"\(415\) cannot stand without \(8020\)"),
        ("427 01", "422", r"\(427\) cannot stand without \(01\) with \(422\)"),
        ("7007", "01", r"\(7007\) cannot stand without \(01\) or \(02\)"),
    ],
)
def test_an_ai_stands_with_what_it_needs(given: str, more: str, says: str) -> None:
    alone = {ai: sample(ai) for ai in given.split()}
    gs1.elements(alone | {ai: sample(ai) for ai in more.split()})
    with pytest.raises(Refusal, match=says):
        gs1.elements(alone)
    assert gs1.elements(alone, whole=False) == alone  # the rest may be in another symbol


@pytest.mark.parametrize(
    ("given", "clash"),
    [
        ("00 01", "02 37"),
        ("01", "255"),
        ("01 3103", "3102"),
        ("01 21", "235"),
        ("01 422", "426"),
        ("01", "03"),
    ],
)
def test_what_cannot_stand_together_is_refused(given: str, clash: str) -> None:
    right = {ai: sample(ai) for ai in given.split()}
    gs1.elements(right)
    for whole in (True, False):
        with pytest.raises(Refusal, match="cannot stand together") as refused:
            gs1.elements(right | {ai: sample(ai) for ai in clash.split()}, whole=whole)
        assert refused.value.code == "gs1_never"


def test_the_same_ai_twice_must_say_the_same() -> None:
    """One rule of the General Specifications for several symbols on one thing (from memory)."""
    twice = [("01", "09521234543213"), ("10", "A"), ("10", "A")]
    assert gs1.elements(twice) == {"01": "09521234543213", "10": "A"}
    with pytest.raises(Refusal, match=r"\(10\) stands there twice, as A and as B"):
        gs1.elements([*twice, ("10", "B")])


def test_an_ai_that_gs1_has_not_given_out_is_refused() -> None:
    for ai in ("04", "18", "89", "3106", "7", "", "1O"):
        with pytest.raises(Refusal, match="is no application identifier"):
            gs1.elements({ai: "123456"})


def test_elements_are_as_a_dict() -> None:
    read = gs1.elements({"01": "09521234543213", "10": "A1", "17": "261201"})
    assert read == {"01": "09521234543213", "10": "A1", "17": "261201"}
    assert [*read] == ["01", "10", "17"]
    assert len(read) == 3
    assert (read.gtin, read.lot) == ("09521234543213", "A1")
    assert read.date("17", TODAY) == dt.date(2026, 12, 1)
    assert read.date("15", TODAY) is None
    assert gs1.elements({}) == {}


def test_a_lot_takes_the_82_characters_and_no_other() -> None:
    """General Specifications 7.11: 82 of them."""
    item = {"01": "09521234543213"}
    passed = []
    for character in map(chr, range(0x250)):
        try:
            gs1.elements(item | {"10": character})
        except Refusal:
            continue
        passed.append(character)
    assert len(passed) == 82
    random.shuffle(passed)
    assert gs1.elements(item | {"10": "".join(passed[:20])})
