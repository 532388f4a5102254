"""Temperatures in words. The figures: England SI 2013/2996 schedule 4 paragraph 2 (Wales SI
2006/31, NI SR 2006/3): food that must be cold above 8 °C is an offence; NI SR 2006/3 schedule 4
paragraph 5: on display less than four hours, once; chilledfood.org: a working target of 5 °C, and
that Scotland names no figure; FDA, cut leafy greens manual (2010): 41 °F, 5 °C. The storage table
of vegetables (nevegetable.org, table 16): basil 8 to 10 °C and tomato 10 to 13 °C are hurt by cold.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from sales.temperatures import (
    Says,
    State,
    display,
    is_seldom,
    plainly,
    rules_of,
    state_of,
    verdict,
    worst,
)

UK = rules_of("UK")
MINUTE = dt.timedelta(minutes=1)


@pytest.mark.parametrize(
    ("reading", "uk", "scotland", "us"),
    [
        ("-1", "fine", "fine", "fine"),
        ("5.0", "fine", "fine", "fine"),
        ("5.1", "warm", "warm", "not_met"),
        ("8.0", "warm", "warm", "not_met"),
        ("8.1", "not_met", "warm", "not_met"),
        ("8.01", "not_met", "warm", "not_met"),
        ("17", "not_met", "warm", "not_met"),
    ],
)
def test_chilled_goods_at_the_door(reading: str, uk: str, scotland: str, us: str) -> None:
    said = [
        verdict(Decimal(reading), State.CHILLED, rules_of(name)).says
        for name in ("UK", "Scotland", "US")
    ]
    assert said == [uk, scotland, us]


def test_each_verdict_says_its_numbers_and_its_source() -> None:
    warm = verdict(Decimal("5.1"), State.CHILLED, UK)
    assert warm.sentence.startswith("5.1 °C is above the target of 5 °C, not above 8 °C")
    assert "chilledfood.org" in warm.source
    broken = verdict(Decimal("8.1"), State.CHILLED, UK)
    assert broken.sentence.startswith("8.1 °C is above 8 °C: the figure is not met.")
    assert "SI 2013/2996" in broken.source


def test_who_names_rules_that_nobody_knows_is_told_so() -> None:
    rules = rules_of("Ruritania")
    assert rules.limit_c is None
    assert "Ruritania" in rules.text
    assert "look it up" in verdict(Decimal(9), State.CHILLED, rules).sentence
    assert rules_of(" united  KINGDOM ") is UK


@pytest.mark.parametrize(
    ("whole", "minutes", "kept_at", "state"),
    [
        (True, 40, None, State.COOLING),
        (True, 119, None, State.COOLING),
        (True, 120, None, State.CHILLED),
        (True, None, None, State.CHILLED),
        (True, -1, None, State.CHILLED),
        (False, 40, None, State.CHILLED),
        (True, 40, "10", State.COOLING),
        (True, 300, "10", State.KEPT_WARMER),  # basil
        (True, 300, "12", State.KEPT_WARMER),  # tomato
        (True, 300, "5", State.CHILLED),
        (True, 300, "0", State.CHILLED),  # lettuce
        (False, 300, "10", State.CHILLED),  # cut basil is chilled like all that is cut
    ],
)
def test_the_state_of_goods(
    whole: bool, minutes: int | None, kept_at: str | None, state: State
) -> None:
    since = None if minutes is None else minutes * MINUTE
    kept = None if kept_at is None else Decimal(kept_at)
    assert state_of(whole=whole, since_cut=since, kept_at_c=kept, cooling=120 * MINUTE) == state


def test_just_cut_is_recorded_and_not_judged() -> None:
    said = verdict(Decimal(17), State.COOLING, UK)
    assert (said.says, "not judged" in said.sentence) == (Says.NOT_JUDGED, True)


@pytest.mark.parametrize(("reading", "says"), [("5", "cold"), ("9.9", "cold"), ("10", "fine")])
def test_basil_is_not_forced_to_five(reading: str, says: str) -> None:
    said = verdict(Decimal(reading), State.KEPT_WARMER, UK, kept_at_c=Decimal(10))
    assert said.says == says
    assert "10 °C" in said.sentence
    assert verdict(Decimal(12), State.KEPT_WARMER, UK, kept_at_c=Decimal(10)).says == Says.FINE


def test_without_a_reading_nothing_is_judged() -> None:
    assert verdict(None, State.CHILLED, UK).sentence == "No temperature was taken."
    unasked = verdict(None, State.CHILLED, UK, asked=False)
    assert unasked.sentence == "No temperature is asked for here."


def test_of_several_goods_the_worst_is_shown_first() -> None:
    said = [verdict(Decimal(t), State.CHILLED, UK) for t in ("4", "8.1", "6")]
    assert worst(said) == said[1]
    assert worst([]) is None


@pytest.mark.parametrize(
    ("minutes", "before", "says"),
    [
        (1, 0, "fine"),
        (239, 0, "fine"),
        (240, 0, "not_met"),
        (241, 0, "not_met"),
        (10, 1, "not_met"),
    ],
)
def test_four_hours_of_display_once(minutes: int, before: int, says: str) -> None:
    assert display(minutes * MINUTE, UK, periods_before=before).says == says


def test_a_second_short_of_four_hours_is_inside_them() -> None:
    said = display(dt.timedelta(hours=4, seconds=-1), UK)
    assert (said.says, said.sentence[:10]) == (Says.FINE, "3 h 59 min")
    assert "4 h 00 min" in display(dt.timedelta(hours=4), UK).sentence
    assert display(dt.timedelta(hours=1), rules_of("Scotland")).says == Says.NOT_JUDGED


@pytest.mark.parametrize(
    ("reading", "odd"),
    [("-5", False), ("-5.1", True), ("25", False), ("40", False), ("51", True)],
)
def test_a_forgotten_point_is_asked_about(reading: str, odd: bool) -> None:
    assert is_seldom(Decimal(reading)) is odd


def test_a_number_is_shown_plainly() -> None:
    assert [plainly(Decimal(t)) for t in ("5.10", "-1", "8", "10")] == ["5.1", "−1", "8", "10"]
