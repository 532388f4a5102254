"""Element strings and Digital Links, built and read; and whatever a scanner types. Held to GS1's
own examples and to what its engine said (`vectors/README.md`), and read back by biip."""

from __future__ import annotations

import re
import string
from typing import Any

import pytest
import segno
from biip.gs1_digital_link_uris import GS1DigitalLinkURI
from biip.gs1_messages import GS1Message
from hypothesis import given
from hypothesis import strategies as st

from grow.errors import Refusal
from sales import gs1
from sales.gs1 import GS
from sales.gs1.identifiers import IDENTIFIERS
from tests.gs1_vectors import CHECKED, groups, vectors

pytestmark = pytest.mark.once
GTIN = "09521234543213"
#: Character set 82: General Specifications 7.11, Table 7-20.
SET_82 = "!\"%&'()*+,-./:;<=>?_" + string.ascii_letters + string.digits
lots = st.text(SET_82, min_size=1, max_size=20)
#: What GS1's engine says is wrong → our code.
WRONG = {
    "Required AIs": "gs1_needs",
    "It is invalid to pair": "gs1_never",
    "value is too short": "gs1_too_short",
    "value is too long": "gs1_too_long",
    "Failed to parse AI data": "gs1_too_short",
    "non-CSET 82": "gs1_character",
    "check digit is incorrect": "gs1_check_digit",
    "illegal month": "gs1_month",
    "illegal day": "gs1_day",
    "is duplicated": "gs1_repeated",
    "should be in the path info": "gs1_link",
    "not a valid key-qualifier sequence": "gs1_link",
    "No GS1 DL keys found": "gs1_link",
}


def code_of(error: str) -> str:
    return next(code for says, code in WRONG.items() if says in error)


def test_every_group_of_check_values_is_used_or_has_its_reason() -> None:
    used = {"check_digit", "digital_link", "digital_link_invalid"}
    used |= {"element_strings_by_engine_1_4_1", "lgtin_to_digital_link"}
    # no label of ours holds a price or a weight in its bar code: tills know both by the product
    assert groups(CHECKED).keys() == used | {"price_weight_verifier"}


# --- GS1's examples ------------------------------------------------------------------------------


@pytest.mark.parametrize(("group", "row"), vectors(CHECKED, "digital_link"))
def test_a_digital_link_and_its_element_string_say_the_same(
    group: str, row: dict[str, Any]
) -> None:
    read = gs1.parse_link(row["uri"])
    assert gs1.bracketed(read) == row["bracketed"]
    again = gs1.parse_bracketed(row["bracketed"])
    assert again == read
    stem = "/".join(row["uri"].split("/")[:3])
    assert gs1.link(again, stem) == row["uri"]
    assert gs1.read(row["uri"]) == gs1.read(row["bracketed"]) == read


@pytest.mark.parametrize(("group", "row"), vectors(CHECKED, "digital_link_invalid"))
def test_what_is_no_digital_link_is_refused(group: str, row: dict[str, Any]) -> None:
    for reading in (gs1.parse_link, gs1.read):
        with pytest.raises(Refusal) as refused:
            reading(row["uri"])
        assert refused.value.code == code_of(row["error"])
        assert refused.value.sentence.endswith(".")


@pytest.mark.parametrize(("group", "row"), vectors(CHECKED, "element_strings_by_engine_1_4_1"))
def test_an_element_string_is_judged_as_gs1s_engine_does(group: str, row: dict[str, Any]) -> None:
    if row["ok"]:
        read = gs1.parse_bracketed(row["input"])
        assert gs1.bracketed(read) == row["input"]
        assert "^" + gs1.raw(read).replace(GS, "^") == row["fnc1"]
        assert gs1.parse_raw(row["fnc1"]) == read
        assert gs1.link(read) == row["dl"]
        assert gs1.parse_link(row["dl"]) == read
    else:
        with pytest.raises(Refusal) as refused:
            gs1.parse_bracketed(row["input"])
        assert refused.value.code == code_of(row["error"])


@pytest.mark.parametrize(("group", "row"), vectors(CHECKED, "lgtin_to_digital_link"))
def test_a_lots_link_is_that_of_its_urn(group: str, row: dict[str, Any]) -> None:
    """GS1's own pairs in its examples of EPCIS events: the link is ours, from what the URN says."""
    prefix, item, lot = row["urn"].split(":")[-1].split(".")
    body = item[0] + prefix + item[1:]
    told = {"01": body + gs1.check_digit(body)} | ({"10": lot} if lot != "*" else {})
    assert gs1.link(gs1.elements(told)) == row["dl"]


# --- there and back ------------------------------------------------------------------------------

ITEM = st.fixed_dictionaries(
    {"01": st.just(GTIN), "10": lots},
    optional={
        "17": st.sampled_from(["261201", "261200"]),
        "21": lots,
        "3103": st.from_regex("[0-9]{6}", fullmatch=True),
        "7003": st.just("2612011430"),
        "422": st.sampled_from(["276", "826"]),
    },
)


@given(ITEM, st.randoms())
def test_any_lot_survives_every_form(told: dict[str, str], random: Any) -> None:
    order = [*told.items()]
    random.shuffle(order)
    given = gs1.elements(order)
    for shortest in (False, True):
        assert gs1.parse_raw(gs1.raw(given, shortest=shortest)) == told
        for symbol in ("]C1", "]e0", "]d2", "]Q3"):
            assert gs1.read(symbol + gs1.raw(given, shortest=shortest) + "\r\n") == told
    assert gs1.parse_bracketed(gs1.bracketed(given)) == told
    assert gs1.read(gs1.bracketed(given)) == told
    for stem in ("https://id.gs1.org", "https://farm.example/own/01/path/"):
        assert gs1.parse_link(gs1.link(given, stem)) == told
        assert gs1.read(gs1.link(given, stem)) == told


@given(ITEM)
def test_biip_reads_the_same_in_what_we_build(told: dict[str, str]) -> None:
    given = gs1.elements(told)

    def theirs(found: Any) -> dict[str, str]:
        return {str(e.ai.ai): e.value for e in found.element_strings}

    for shortest in (False, True):
        assert theirs(GS1Message.parse(gs1.raw(given, shortest=shortest))) == told
    assert theirs(GS1DigitalLinkURI.parse(gs1.link(given, "https://farm.example"))) == told
    if "(" not in told["10"] + told.get("21", ""):  # it knows no sign for a bracket in a value
        assert theirs(GS1Message.parse_hri(gs1.bracketed(given))) == told


@given(ITEM, ITEM)
def test_the_canonical_link_is_one_for_all_that_say_the_same(
    told: dict[str, str], other: dict[str, str]
) -> None:
    given = gs1.elements(told)
    backward = gs1.elements([*told.items()][::-1])
    assert gs1.canonical(given) == gs1.canonical(backward)
    assert gs1.parse_link(gs1.canonical(given)) == told
    assert (gs1.canonical(gs1.elements(other)) == gs1.canonical(given)) == (told == other)


# --- element strings -----------------------------------------------------------------------------


def test_the_lot_goes_last_where_that_saves_a_separator() -> None:
    given = gs1.elements({"01": GTIN, "10": "L1", "17": "261201", "3103": "000125"})
    assert gs1.raw(given) == f"01{GTIN}10L1{GS}172612013103000125"
    assert gs1.raw(given, shortest=True) == f"01{GTIN}17261201310300012510L1"


@pytest.mark.parametrize("stand_in", ["^", "|", "~", "␝", "{GS}"])
def test_what_a_scanner_types_for_a_separator_is_one(stand_in: str) -> None:
    text = f"01{GTIN}10L1{GS}17261201"
    read = gs1.read(text)
    assert read == {"01": GTIN, "10": "L1", "17": "261201"}
    assert gs1.read(text.replace(GS, stand_in)) == read


def test_separators_too_many_do_no_harm() -> None:
    """At the start, at the end, and after what needs none."""
    told = {"01": GTIN, "10": "L1", "17": "261201"}
    assert gs1.read(f"{GS}01{GTIN}{GS}10L1{GS}17261201{GS}") == told
    assert gs1.read(f"  01{GTIN}10L1{GS}17261201\n") == told


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (f"]C101{GTIN}18261201", "“18261201” begins with no application identifier"),
        (f"]C101{GTIN}10{GS}17261201", r"(10) “” has 0 characters; it takes 1 to 20"),
        (f"]C101{GTIN}1726120", "(17) “26120” has 5 characters; it takes 6"),
        (f"]C101{GTIN}42282610L1", "(422) “82610L1” has 7 characters; it takes 3"),
        (
            "]C10109521234543214",
            "(01) 09521234543214 ends in 4, but the digits before it ask for 3",
        ),
        ("010952123454321410L1", "ask for 3"),  # no symbol said, and yet plain enough
        ("]C10109521234543", "(01) “09521234543” has 11 characters; it takes 14"),
        (f"]d201{GTIN}3724", "(01) and (37) cannot stand together"),
        (f"(01){GTIN}(10)A(10)B", "(10) stands there twice, as A and as B; only one can be right"),
        (f"(01){GTIN}(17)260230", "(17) 260230 is no date: that month has no day 30"),
        (f"(01){GTIN}(10)ABC DEF", "(10) “ABC DEF” holds a space, which GS1 does not allow there"),
        (f"(01){GTIN}(422)829", "(422) “829” is no number of a country in ISO 3166"),
        ("]E09521234543214", "9521234543214 ends in 4"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(text: str, says: str) -> None:
    with pytest.raises(Refusal, match=re.escape(says)) as refused:
        gs1.read(text)
    assert refused.value.sentence.endswith(".")
    assert refused.value.sentence.count(". ") == 0


def test_brackets_within_a_value_are_told_from_those_of_an_ai() -> None:
    given = gs1.elements({"01": GTIN, "10": "A(21)7"})
    assert gs1.bracketed(given) == rf"(01){GTIN}(10)A\(21)7"
    assert gs1.parse_bracketed(gs1.bracketed(given)).lot == "A(21)7"
    assert gs1.parse_bracketed(f"(01){GTIN}(10)A(21)7") == {"01": GTIN, "10": "A", "21": "7"}
    assert gs1.parse_bracketed(f"(01){GTIN}(10)A(B)(C").lot == "A(B)(C"  # none that an AI could be
    assert gs1.parse_bracketed(f" (01) {GTIN} (10) L1 ") == {"01": GTIN, "10": "L1"}
    for text in (f"x(01){GTIN}", GTIN, "", "()"):
        with pytest.raises(Refusal, match="begins with no application identifier"):
            gs1.parse_bracketed(text)


# --- Digital Links -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tail", "says"),
    [
        ("/01/09521234543213/10/L1?17=261201&17=261201", "(17) stands twice"),
        ("/01/09521234543213/10/L1?89=1", "(89) is no application identifier"),
        ("/01/09521234543213/10/L1?21=7", "(21) belongs in the path"),
        ("/01/09521234543213?8200=x", "(8200) may not stand after the question mark"),
        ("/01/09521234543213/235/T/10/L1", "after /01/ may follow 22/10/21 or 235"),
        ("/01/09521234543213/17/261201", "after /01/ may follow"),
        ("/00/095212340000000013/10/L1", "after /00/ may follow nothing"),
        ("/01/09521234543213/10/A%2", "“%2” in “A%2” is no character"),
        ("/01/09521234543213/10/%C3%A9", "holds “é”"),
        ("/01/09521234543213/10/L1?99=a+b", "holds a space"),
        ("/01/09521234543213//10/L1", "its path does not end in pairs"),
        ("/01/09521234543213?37=2", "cannot stand together"),
        ("/00/095212340000000013?10=L1", "(10) cannot stand without"),
        ("/01/02012345678903", "not a GTIN"),
        ("/page", "its path does not end in pairs"),
        ("", "its path does not end in pairs"),
    ],
)
def test_what_a_link_may_not_hold(tail: str, says: str) -> None:
    gs1.parse_link("https://farm.example/01/09521234543213/10/L1?17=261201&99=a")
    with pytest.raises(Refusal, match=re.escape(says)):
        gs1.parse_link("https://farm.example" + tail)


@pytest.mark.parametrize(
    "uri",
    [
        "HTTPS://FARM.EXAMPLE/01/09521234543213/10/L1",
        "http://farm.example:8000/l/01/09521234543213/10/L1",
        "https://farm.example/00/01/01/09521234543213/10/L1",
        "https://farm.example/01/09521234543213/10/L%31#top",
        "https://farm.example/01/09521234543213/10/L1?linkType=x&&context=%ZZ&=1&utm",
    ],
)
def test_the_stem_words_and_fragments_are_passed_over(uri: str) -> None:
    told = {"01": GTIN, "10": "L1"}
    assert gs1.parse_link(uri) == told
    for symbol in ("", "]Q1", "]d1"):
        assert gs1.read(symbol + uri) == told


@pytest.mark.parametrize(
    "text", ["ftp://farm.example/01/09521234543213", "farm.example", "https://"]
)
def test_what_is_no_web_address_is_no_link(text: str) -> None:
    with pytest.raises(Refusal, match="it is no web address"):
        gs1.parse_link(text)


def test_in_capitals_a_qr_takes_fewer_modules() -> None:
    """29 modules a side at level M instead of 33, as segno makes them; and all of it survives."""
    given = gs1.elements({"01": GTIN, "10": "SAL-261124-A1"})
    small = gs1.in_capitals(given, "https://farm.example")
    assert small == "HTTPS://FARM.EXAMPLE/01/09521234543213/10/SAL-261124-A1"
    assert gs1.parse_link(small) == given
    side = [
        segno.make(uri, error="m", micro=False, boost_error=False).symbol_size(border=0)[0]
        for uri in (small, gs1.link(given, "https://farm.example"))
    ]
    assert side == [29, 33]


@pytest.mark.parametrize(
    ("lot", "stem", "more"),
    [
        ("a1", "https://farm.example", {}),
        ("A_1", "https://farm.example", {}),
        ("A1", "https://farm.example/id", {}),
        ("A1", "https://farm.example", {"17": "261201"}),
    ],
)
def test_capitals_are_refused_where_they_would_say_something_else(
    lot: str, stem: str, more: dict[str, str]
) -> None:
    plain = gs1.elements({"01": GTIN, "10": "A1"})
    assert gs1.in_capitals(plain, "https://farm.example/ID").endswith(f"/ID/01/{GTIN}/10/A1")
    with pytest.raises(Refusal, match="cannot be written in capitals alone"):
        gs1.in_capitals(gs1.elements({"01": GTIN, "10": lot} | more), stem)


@given(lots)
def test_in_capitals_a_lot_is_itself_or_refused(lot: str) -> None:
    given = gs1.elements({"01": GTIN, "10": lot})
    try:
        uri = gs1.in_capitals(given, "https://farm.example")
    except Refusal:
        assert re.search("[a-z_~]", lot)
        return
    assert segno.make(uri, micro=False).mode == "alphanumeric"
    assert gs1.parse_link(uri) == given


def test_what_has_no_place_in_a_link_is_refused() -> None:
    with pytest.raises(Refusal, match="there is none"):
        gs1.link(gs1.elements({"10": "L1"}, whole=False))
    with pytest.raises(Refusal, match=r"\(254\) has no place"):
        gs1.link(gs1.elements({"01": GTIN, "254": "T3"}, whole=False))
    with pytest.raises(Refusal, match=r"\(235\) has no place"):
        gs1.link(gs1.elements({"01": GTIN, "10": "L1", "235": "T"}))
    for stem in ("farm.example", "https://", "https://farm.example?a=1", ""):
        with pytest.raises(Refusal, match="is no web address; write https://"):
            gs1.link(gs1.elements({"01": GTIN}), stem)


# --- whatever a scanner types --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "gtin"),
    [
        ("9521234543213", GTIN),
        ("]E09521234543213", GTIN),
        ("614141777778", "00614141777778"),
        ("]E495012346", "00000095012346"),
        ("]I119521234543210", "19521234543210"),
        ("19521234543210", "19521234543210"),
    ],
)
def test_a_bare_gtin_is_read(text: str, gtin: str) -> None:
    assert gs1.read(text) == {"01": gtin}


@pytest.mark.parametrize(
    "text",
    [
        *("", " ", "R26330-04-0", "green salad", "20261124", "95012346", "9521234543214"),
        *("2012345678903", "]E02012345678903", "]E402345673", "416000336108"),
        *("https://farm.example/l/R26330-04-0", "https://farm.example/2026/01/15/news"),
        *("https://farm.example", "HTTPS://FARM.EXAMPLE/01/", "]Q1hello", "]C0R26330-04-0"),
        *("(abc)", "(1) to pack", "01 Jan 2026", "[10]", "urn:epc:id:sgtin:0614141.107346.2017"),
    ],
)
def test_what_is_nothing_of_gs1s_is_none(text: str) -> None:
    assert gs1.read(text) is None


def test_one_of_two_symbols_on_a_crate_is_read_alone() -> None:
    """The General Specifications look at what stands on the thing, not in each symbol."""
    assert gs1.read("]C110L1") == {"10": "L1"}
    assert gs1.read(f"]C102{GTIN}3724{GS}10L1") == {"02": GTIN, "37": "24", "10": "L1"}
    assert gs1.read("00095212340000000013") == {"00": "095212340000000013"}
    with pytest.raises(Refusal, match=r"\(37\) cannot stand without"):
        gs1.parse_raw(f"02{GTIN}3724{GS}10L1")


STARTS = ["", "]C1", "]d2", "]Q1", "]E0", "(01)", f"01{GTIN}", "https://farm.example/01/", "(10)"]
MIDDLES = st.sampled_from([GTIN, f"{GTIN}10", "/10/", "?17=", "&10=", "(17)", GS, "%2F", "00", "é"])


@given(st.sampled_from(STARTS), st.lists(MIDDLES | st.text(max_size=8), max_size=5))
def test_whatever_is_typed_is_read_refused_or_nothing(start: str, rest: list[str]) -> None:
    try:
        read = gs1.read(start + "".join(rest))
    except Refusal:
        return
    for ai, value in (read or {}).items():
        IDENTIFIERS[ai].check(value)
