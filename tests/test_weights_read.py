"""Net weights as they are typed at the bench, or as a scale's line sends them."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grow.errors import Refusal
from grow.measures import fine_grams, grams
from sales.weights import weights_from

pytestmark = pytest.mark.once  # what is drawn and reckoned hangs on no database

D = Decimal


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("123.4", ["123.4"]),
        ("123.4 g", ["123.4"]),
        ("123.4G", ["123.4"]),
        ("123,4", ["123.4"]),
        ("123,45 g", ["123.45"]),
        ("120", ["120"]),
        ("0.1234 kg", ["123.4"]),
        ("0.123 kg", ["123"]),  # a point in kilograms is decimal
        ("120.5\n121\r\n\n119.8 g\n", ["120.5", "121", "119.8"]),
        ("120.5 121 119,8", ["120.5", "121", "119.8"]),
        ("120.5; 121 g;119.8g;", ["120.5", "121", "119.8"]),
        ("120, 121, 122 g", ["120", "121", "122"]),
        ("120 g 0.121 kg 122", ["120", "121", "122"]),
        ("", []),
        (" \n ; ", []),
        # a scale's lines, of no maker in particular
        ("ST,GS,+  123.4g", ["123.4"]),
        ("ST,GS,+  123.456 g", ["123.456"]),
        ("ST GS 123.456 g", ["123.456"]),
        ("N  +0.12345 kg", ["123.45"]),
        ("Net: 123.4 g", ["123.4"]),
        ("+  123.400 g", ["123.4"]),
        ("G 130.4 g T 7.0 g N 123.4 g", ["123.4"]),
        ("GS  123,4 g", ["123.4"]),
        ("ST,NT,+ 123.4 g\nST,NT,+ 121.0 g", ["123.4", "121.0"]),
    ],
)
def test_weights_are_read(text, read):
    found = weights_from(text)
    assert [str(bad.sentence) for bad in found.bad] == []
    assert list(found.weights) == [D(weight) for weight in read]
    assert found.all_good() == found.weights


@pytest.mark.parametrize(
    ("text", "code", "says"),
    [
        ("0", "nought", "“0” is nothing; leave it out, or weigh the bag again."),
        ("0.0 g", "nought", "“0.0 g” is nothing"),
        ("-5", "negative", "“-5” is less than nothing; set the scale to nought."),
        ("- 5 g", "negative", "less than nothing"),
        ("- 5", "negative", "“- 5” is less than nothing"),
        ("−5", "negative", "less than nothing"),
        ("ST,NT,-  12.4g", "negative", "less than nothing"),
        ("abc", "no_weight", "“abc” is not a weight"),
        ("12O.4", "no_weight", "“12O.4” is not a weight"),
        ("12 oz", "no_weight", "“12 oz” is not a weight"),
        ("1e3", "no_weight", "“1e3” is not a weight"),
        ("٣ g", "no_weight", "is not a weight"),
        ("120,121,122", "no_weight", "is not a weight"),
        ("1,500", "which_weight", "1,500: 1.5 kg or 1500 g?"),
        ("1.500", "which_weight", "1.500: 1.5 kg or 1500 g?"),
        ("1.500 g", "which_weight", "1.500: 1.5 kg or 1500 g?"),
        ("1,500 kg", "which_weight", "1,500: 1.5 kg or 1500 g?"),
        ("ST,GS, 1,500 kg", "which_weight", "1,500: 1.5 kg or 1500 g?"),
        (
            "10000000",
            "too_heavy",
            "“10000000” is 10000000 g, and no pack weighs more than 50000 g.",
        ),
        ("123 kg", "too_heavy", "“123 kg” is 123000 g"),
        ("ST,GS 123.4", "no_weight", "it has no number with g or kg"),
        ("ST1O4 g", "no_weight", "it has no number with g or kg"),
        ("ST 1,234.5 g", "several", "“ST 1,234.5 g” may be more than one weight"),
        ("about 120 g 121 g", "several", "write one a line"),
        ("unstable 123.4 g", "not_settled", "says unstable; weigh it again."),
        ("OVERLOAD 999.9 g", "not_settled", "says overload; weigh it again."),
    ],
)
def test_a_doubtful_weight_is_asked_about_and_kept(text, code, says):
    found = weights_from(f"120.5\n{text}\n121")
    assert found.weights == (D("120.5"), D(121))
    (bad,) = found.bad
    assert (bad.number, bad.text, bad.code) == (2, text, code)
    assert bad.sentence.startswith("Weight 2: ")
    assert says in bad.sentence
    with pytest.raises(Refusal) as refused:
        found.all_good()
    assert (refused.value.code, refused.value.sentence) == (code, bad.sentence)


def test_every_bad_one_is_named_by_its_number():
    found = weights_from("120 12O 121; 0\nfoo\n122 g")
    assert found.weights == (120, 121, 122)
    assert [(bad.number, bad.text) for bad in found.bad] == [(2, "12O"), (4, "0"), (5, "foo")]
    with pytest.raises(Refusal, match=r"Weight 2: .* Weight 4: .* Weight 5: "):
        found.all_good()


def test_from_a_scale_and_through_the_api_a_point_is_decimal():
    assert weights_from("123.456", exact=True).weights == (D("123.456"),)
    assert weights_from("123.456").weights == ()
    assert weights_from("123,456", exact=True).bad[0].code == "which_weight"


def test_fine_grams_keep_what_whole_grams_refuse():
    assert fine_grams("12.5", "g") == D("12.5")
    assert fine_grams("12", "g") == grams("12", "g")
    with pytest.raises(Refusal, match=r"12\.5 in g is finer than a gram"):
        grams("12.5", "g")


@given(st.lists(st.integers(1, 500_000), max_size=12), st.sampled_from(["\n", " ", "; ", ", "]))
def test_every_tenth_of_a_gram_survives_being_typed(tenths, between):
    typed = [D(t) / 10 for t in tenths]
    assert weights_from(between.join(f"{w:.1f}" for w in typed)).weights == tuple(typed)
    assert weights_from("\n".join(f"N {w / 1000:.4f} kg" for w in typed)).weights == tuple(typed)


@given(st.text(max_size=60))
def test_anything_typed_is_read_or_kept(text):
    found = weights_from(text)
    assert all(0 < weight <= 50_000 for weight in found.weights)
    numbers = [bad.number for bad in found.bad]
    assert numbers == sorted(set(numbers))
    assert max(numbers, default=0) <= len(found.weights) + len(found.bad)
    for bad in found.bad:
        assert bad.text
        assert bad.sentence.startswith(f"Weight {bad.number}: ")
