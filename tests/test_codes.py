"""Lot codes and crate tags: what a wet hand mistypes is noticed, what a scanner reads is found.

The check character is held against python-stdnum's own ISO/IEC 7064 MOD 37-2, a general library
that shares no code with ours.
"""

import datetime as dt
import itertools
import re
import string

import pytest
from django.db import IntegrityError, transaction
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from stdnum.exceptions import InvalidChecksum
from stdnum.iso7064 import mod_37_2

from grow import codes, queries
from grow.errors import NotKnown, Refusal
from grow.models import Description, Flag, Lot, Tag
from grow.operations import Crate
from tests.farm import Farm

LETTERS = string.digits + string.ascii_uppercase
# What a lot code may hold. GS1 General Specifications 3.4.1, AI (10): X..20 of character set 82;
# capitals, digits and the hyphen are in it, and never need percent-encoding.
GS1_AI_10 = re.compile(r"[A-Z0-9-]{1,20}")
bodies = st.text(LETTERS, min_size=1, max_size=19)


# The check character ---------------------------------------------------------------------------


@pytest.mark.once
@given(bodies)
@hypothesis_settings(max_examples=3000)
def test_the_check_character_is_the_one_of_iso_7064(body: str) -> None:
    """python-stdnum, iso7064.mod_37_2: the same character, "*" included."""
    check = codes.check_character(body)
    assert check == mod_37_2.calc_check_digit(body)
    assert mod_37_2.is_valid(body + check)


@pytest.mark.once
@given(st.text(LETTERS, min_size=2, max_size=20))
@hypothesis_settings(max_examples=3000)
def test_we_accept_and_refuse_what_iso_7064_does(text: str) -> None:
    assert codes.is_valid(text) == mod_37_2.is_valid(text)


def test_a_published_example() -> None:
    """The example in python-stdnum's documentation of iso7064.mod_37_2."""
    assert mod_37_2.validate("G123489654321Y") == "G123489654321Y"
    assert codes.is_valid("G123489654321Y")
    assert not codes.is_valid("G123489654321Z")


def every_kind_of_code() -> list[str]:
    """Codes as they are printed: each series, several days, short and long numbers."""
    days = [dt.date(2026, 1, 1), dt.date(2026, 11, 26), dt.date(2028, 12, 31)]
    dated = [
        codes._compose(series, day, number)
        for series, day, number in itertools.product(
            codes.SERIES.values(), days, (1, 7, 42, 99, 100, 1234)
        )
    ]
    undated = [
        codes._compose(s, None, n) for s, n in itertools.product("TN", (1, 86, 99999, 123456))
    ]
    return [code for code in [*dated, *undated] if code]


def test_every_single_wrong_character_is_noticed() -> None:
    """Exhaustive: every place of every sample code, every other character of the alphabet."""
    tried = 0
    for code in every_kind_of_code():
        key = codes.fold(code)
        assert codes.is_valid(key)
        for place, wrong in itertools.product(range(len(key)), LETTERS):
            if wrong != key[place]:
                tried += 1
                assert not codes.is_valid(key[:place] + wrong + key[place + 1 :]), (
                    code,
                    place,
                    wrong,
                )
    assert tried > 30_000


def test_every_swap_of_two_characters_is_noticed_near_or_far() -> None:
    """Exhaustive over pairs of places, and over all pairs of different characters in them."""
    tried = 0
    for code in every_kind_of_code():
        key = codes.fold(code)
        for a, b in itertools.combinations(range(len(key)), 2):
            if key[a] != key[b]:
                tried += 1
                swapped = list(key)
                swapped[a], swapped[b] = swapped[b], swapped[a]
                assert not codes.is_valid("".join(swapped)), (code, a, b)
    for length in (2, 5, 11, 19):
        for a, b in itertools.combinations(range(length), 2):
            for one, other in itertools.combinations(LETTERS, 2):
                body = ["0"] * length
                body[a], body[b] = one, other
                check = codes.check_character("".join(body))
                body[a], body[b] = other, one
                tried += 1
                assert check != codes.check_character("".join(body)), (length, a, b, one, other)
    assert tried > 100_000


def test_the_neighbouring_standard_would_let_swaps_through() -> None:
    """Why MOD 37-2 and not MOD 37,36 (python-stdnum): that one misses neighbours swapped."""
    from stdnum.iso7064 import mod_37_36

    missed = sum(
        mod_37_36.is_valid(swapped + mod_37_36.calc_check_digit(pair))
        for pair in map("".join, itertools.permutations(LETTERS, 2))
        for swapped in [pair[::-1]]
    )
    assert missed > 0


@pytest.mark.parametrize("bad", ["", "H", "Ü2", "*", "H26330-04-*", "é"])
def test_what_is_no_code_is_not_valid(bad: str) -> None:
    assert codes.is_valid("H26330-04-0")
    assert not codes.is_valid(bad)


def test_other_characters_have_no_check_character() -> None:
    assert codes.check_character("H26330-04") == "0"
    for bad in ("H26330_04", "h26330-04", "H*"):
        with pytest.raises(ValueError, match="substring not found"):
            codes.check_character(bad)


# The counter -----------------------------------------------------------------------------------


def starred(series: str, day: dt.date | None, upto: int) -> list[int]:
    """Numbers whose check character would be "*", told by python-stdnum alone."""
    stem = f"{series}{day:%y%j}" if day else series
    width = 2 if day else 5
    return [
        n for n in range(1, upto + 1) if mod_37_2.calc_check_digit(f"{stem}{n:0{width}d}") == "*"
    ]


@pytest.mark.django_db
def test_numbers_that_would_end_in_a_star_are_passed_over() -> None:
    day = dt.date(2026, 11, 26)
    passed = starred("H", day, 400)
    assert passed  # about one in 37, or this says nothing
    given_ = codes.take("H", day, 400 - len(passed))
    numbers = [int(code.split("-")[1]) for code in given_]
    assert numbers == [n for n in range(1, 401) if n not in passed]
    for code in given_:
        assert mod_37_2.is_valid(codes.fold(code))
        assert GS1_AI_10.fullmatch(code)


@pytest.mark.django_db
def test_the_counter_goes_on_where_it_stopped_by_series_and_day() -> None:
    monday, tuesday = dt.date(2026, 3, 2), dt.date(2026, 3, 3)
    first, second = codes.take("H", monday), codes.take("H", monday, 2)
    assert len({*first, *second}) == 3
    assert [c.split("-")[1] for c in codes.take("H", tuesday)] == ["01"]
    assert codes.take("R", monday)[0].startswith("R26061-01-")


def test_the_longest_code_still_fits_a_gs1_label() -> None:
    """GS1 AI (10) takes 20 characters: a million of one kind on one day would still fit."""
    longest = [codes._compose(s, dt.date(2026, 12, 31), 999_999) for s in codes.SERIES.values()]
    longest += [codes._compose(s, None, 99_999_999) for s in "TN"]
    assert all(GS1_AI_10.fullmatch(code) for code in longest if code)
    assert Lot._meta.get_field("code").max_length == 20


def test_every_code_of_a_farm_fits_the_standard_and_the_library(farm: Farm) -> None:
    batch = farm.sow()
    farm.plant(batch)
    farm.tell("fill", tank=farm.tank)
    farm.tell("treat", item=farm.soap, places=[farm.t2], reason="aphids")
    farm.tell("receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store)
    farm.tell(
        "receive_produce", crop=farm.mustard, supplier=farm.supplier, place=farm.store, grams=900
    )
    farm.pack([farm.cut(4000, batch)], 20)
    made = list(Lot.objects.all())
    assert {lot.code[0] for lot in made} == set("IFWSBHR")
    for lot in made:
        assert GS1_AI_10.fullmatch(lot.code)
        assert mod_37_2.is_valid(codes.fold(lot.code))


# Found again -----------------------------------------------------------------------------------


def test_case_spaces_and_hyphens_are_forgiven(farm: Farm) -> None:
    cut = farm.cut(4000)
    tag = farm.tell("print_tags", count=1).tags.get()
    tagged = farm.tell(
        "harvest", crates=[Crate(2000, tag=tag.code)], crop=farm.lettuce, store=farm.store
    ).lot
    for lot in (cut, tagged):
        key = codes.fold(lot.code)
        for typed in (
            lot.code,
            lot.code.lower(),
            key,
            key.lower(),
            f"  {lot.code} ",
            " ".join(key),
            "-".join(key),
            lot.code.replace("-", " "),
        ):
            assert queries.the_lot(typed) == lot, typed


def test_a_mistyped_code_gets_the_nearest_real_ones(farm: Farm) -> None:
    cuts = [farm.cut(1000) for _ in range(5)]
    right = cuts[2].code
    key = codes.fold(right)
    assert queries.the_lot(key) == cuts[2]
    wrong = f"{key[:-1]}{'0' if key[-1] != '0' else '1'}"
    with pytest.raises(NotKnown) as refused:
        queries.the_lot(wrong)
    assert refused.value.code == "no_such_code"
    assert right in refused.value.facts["nearest"]
    assert "Did you mean" in refused.value.sentence
    assert right in refused.value.sentence
    swapped = key[:4] + key[5] + key[4] + key[6:]
    assert right in queries.nearest(swapped)


def test_nothing_near_is_not_guessed(farm: Farm) -> None:
    farm.cut(1000)
    with pytest.raises(NotKnown) as refused:
        queries.the_lot("ZZZZZZ")
    assert refused.value.facts["nearest"] == []
    assert "Did you mean" not in refused.value.sentence


def test_a_supplier_s_number_may_mean_several_lots(farm: Farm) -> None:
    receipt = {"item": farm.seed_item, "supplier": farm.supplier, "place": farm.store}
    one = farm.tell("receive_input", supplier_lot="AB 12/7", **receipt).lot
    assert queries.the_lot("ab127") == one
    two = farm.tell("receive_input", supplier_lot="AB-12-7", **receipt).lot
    assert queries.lots_called("ab127") == [one, two]
    with pytest.raises(NotKnown) as refused:
        queries.the_lot("AB127")
    assert refused.value.facts["codes"] == [one.code, two.code]


def test_one_code_is_one_lot_whoever_writes_it(farm: Farm) -> None:
    """The second guard, under the operations: the database."""
    lot = farm.cut(1000)
    copy = Lot(code=lot.code, kind="harvest", unit="g", crop=farm.lettuce, made_by=lot.made_by)
    with pytest.raises(IntegrityError), transaction.atomic():
        copy.save(force_insert=True)
    copy.code = "H26061-99-X"
    copy.save(force_insert=True)


# Tags ------------------------------------------------------------------------------------------


def tagged(farm: Farm, *tags: str, **more):
    more.setdefault("crop", farm.lettuce)
    crates = [Crate(2000 + i, tag=tag) for i, tag in enumerate(tags)]
    return farm.tell("harvest", crates=crates, store=farm.store, **more)


def printed(farm: Farm, count: int) -> list[str]:
    return list(
        farm.tell("print_tags", count=count).tags.order_by("id").values_list("code", flat=True)
    )


def test_tags_are_valid_codes_that_nothing_bears_yet(farm: Farm) -> None:
    first, second = printed(farm, 250), printed(farm, 150)
    assert len({*first, *second}) == 400
    passed = starred("T", None, 400)
    assert passed  # else this says nothing
    for code in (*first, *second):
        assert mod_37_2.is_valid(codes.fold(code))
        assert GS1_AI_10.fullmatch(code)
        assert int(code[1:6]) not in passed
        assert not Lot.objects.filter(code=code).exists()


def test_so_many_tags_and_no_more(farm: Farm) -> None:
    assert len(printed(farm, 1)) == 1
    for count in (0, -1, 1001):
        with pytest.raises(Refusal, match="cannot be printed"):
            farm.tell("print_tags", count=count)


def test_a_free_tag_becomes_the_code_of_the_cut(farm: Farm) -> None:
    one, two = printed(farm, 2)
    event = tagged(farm, one, two.lower().replace("-", " "), one)
    assert {lot.code: farm.stock(lot, farm.store) for lot in event.lots} == {one: 4002, two: 2001}
    assert not event.flags.exists()


def test_crates_without_a_tag_take_the_counter_s_code(farm: Farm) -> None:
    (one,) = printed(farm, 1)
    event = tagged(farm, one, "")
    assert sorted(lot.code[0] for lot in event.lots) == ["H", "T"]


def test_a_tag_that_nobody_printed_is_not_known(farm: Farm) -> None:
    (one,) = printed(farm, 1)
    with pytest.raises(NotKnown) as refused:
        tagged(farm, one[:-1] + ("0" if one[-1] != "0" else "1"))
    assert refused.value.code == "no_such_tag"
    assert tagged(farm, one).lot.code == one


def test_a_tag_told_twice_gives_a_code_of_its_own_and_both_are_listed(farm: Farm) -> None:
    (tag,) = printed(farm, 1)
    first = tagged(farm, tag).lot
    event = tagged(farm, tag)
    second = event.lot
    assert (first.code, second.code[0]) == (tag, "H")
    assert mod_37_2.is_valid(codes.fold(second.code))
    assert second.descriptions.get().name == tag
    flags = Flag.objects.filter(kind=Flag.Kind.TAG_TWICE)
    assert {flag.lot for flag in flags} == {first, second}
    assert queries.lots_called(tag) == [first, second]


def test_a_tag_told_anew_after_an_undo_likewise(farm: Farm) -> None:
    (tag,) = printed(farm, 1)
    event = tagged(farm, tag)
    first = event.lot
    farm.tell("undo", event=event)
    assert farm.stock(first, farm.store) == 0
    second = tagged(farm, tag).lot
    assert (first.code, second.code[0]) == (tag, "H")
    assert Description.objects.get(lot=second).name == tag
    assert {f.lot for f in Flag.objects.filter(kind=Flag.Kind.TAG_TWICE)} == {first, second}
    assert queries.lots_called(tag) == [first, second]


def test_a_tag_is_printed_once(farm: Farm) -> None:
    (tag,) = printed(farm, 1)
    by = Tag.objects.get(code=tag).printed_by
    with pytest.raises(IntegrityError), transaction.atomic():
        Tag.objects.create(code=tag, printed_by=by)
    Tag.objects.create(code="T99999-X", printed_by=by)


def test_the_library_says_why_a_wrong_code_is_wrong() -> None:
    """So that the checks above compare like with like: a refusal is about the checksum."""
    with pytest.raises(InvalidChecksum):
        mod_37_2.validate("H26330041")
    assert mod_37_2.validate("H26330040") == "H26330040"
