"""What a thumb types into a weight field, and what the books make of it."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grow.errors import Refusal
from grow.measures import grams
from grow.shares import shared_out
from sales.pricing import worth


@pytest.mark.parametrize(
    ("typed", "field", "read"),
    [
        ("4.2", "kg", 4200),
        ("3,85", "kg", 3850),
        ("1.500", "kg", 1500),  # a point in a kilogram field is decimal
        ("1.500 kg", "g", 1500),
        (" 120 ", "g", 120),
        ("120g", "kg", 120),
        ("2 KG", "g", 2000),
        ("1500 g", "kg", 1500),
        ("0.5", "kg", 500),
    ],
)
def test_a_weight_is_read(typed: str, field: str, read: int) -> None:
    assert grams(typed, field) == read


@pytest.mark.parametrize(
    ("typed", "field", "code"),
    [
        ("1,500", "kg", "which_weight"),
        ("1,500", "g", "which_weight"),
        ("1.500", "g", "which_weight"),
        ("1,500 kg", "kg", "which_weight"),
        ("1.2345", "kg", "finer_than_a_gram"),
        ("12.5", "g", "finer_than_a_gram"),
        ("1 500", "g", "no_weight"),
        ("-2", "kg", "no_weight"),
        ("1e3", "g", "no_weight"),
        ("", "kg", "no_weight"),
        ("4.2 lb", "kg", "no_weight"),
        ("٣", "g", "no_weight"),
    ],
)
def test_a_doubtful_weight_is_asked_about(typed: str, field: str, code: str) -> None:
    with pytest.raises(Refusal) as refused:
        grams(typed, field)
    assert refused.value.code == code


def test_the_question_has_both_answers() -> None:
    with pytest.raises(Refusal) as refused:
        grams("1,500", "kg")
    assert refused.value.sentence.startswith("1,500: 1.5 kg or 1500 g?")


def test_a_scale_and_the_api_write_a_point() -> None:
    assert grams("1.500", "kg", exact=True) == 1500
    with pytest.raises(Refusal):
        grams("1,500", "kg", exact=True)


@given(st.integers(0, 10**7))
def test_every_gram_survives_being_written_in_kilograms(weight: int) -> None:
    assert grams(f"{Decimal(weight) / 1000:.3f}", "kg") == weight


@given(st.integers(-(10**6), 10**6), st.lists(st.integers(0, 10**5), min_size=1, max_size=8))
def test_shares_add_up_and_none_is_a_gram_off(total: int, weights: list[int]) -> None:
    parts = shared_out(total, weights)
    assert sum(parts) == total
    whole = sum(weights)
    if whole:
        for part, weight in zip(parts, weights, strict=True):
            assert abs(Decimal(part) - Decimal(total) * weight / whole) < 1


def test_largest_remainder_against_a_published_example() -> None:
    """Largest remainder (Hamilton): 47,000 / 16,000 / 15,800 / 12,000 / 6,100 / 3,100 votes for
    ten seats give 5, 2, 1, 1, 1, 0. Source: the worked example usual for this method, from
    memory."""
    votes = [47_000, 16_000, 15_800, 12_000, 6_100, 3_100]
    assert shared_out(10, votes) == [5, 2, 1, 1, 1, 0]


@pytest.mark.parametrize(
    ("quantity", "unit", "pence", "worth_"),
    [(12, "each", 240, 2880), (4550, "g", 1100, 5005), (5, "g", 100, 1), (4, "g", 100, 0)],
)
def test_pence_of_a_line_are_half_up(quantity: int, unit: str, pence: int, worth_: int) -> None:
    assert worth(quantity, unit, pence) == worth_
