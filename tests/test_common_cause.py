"""What complained-of packs share more often than the rest: the arithmetic against published tables
and a reference library, the ranking of a planted cause, and who is told whose hands."""

from __future__ import annotations

from fractions import Fraction

import pytest
from django.contrib.auth.models import Group
from django.test import Client
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import fisher_exact

from grow.errors import Refusal
from grow.models import Lot, Person
from sales.common_cause import by_chance, causes, rank
from tests.farm import Farm

#: A church supper at Oswego, 1940: what 46 who fell ill and 29 who did not had eaten, of which the
#: vanilla ice cream was to blame. The case is taught by the public health service of the USA,
#: "Oswego - an outbreak of gastrointestinal illness following a church supper"; from memory.
ILL, WELL = 46, 29
EATEN = {
    "baked ham": (29, 17),
    "spinach": (26, 17),
    "mashed potato": (23, 14),
    "cabbage salad": (18, 10),
    "jello": (16, 7),
    "rolls": (21, 16),
    "brown bread": (18, 9),
    "milk": (2, 2),
    "coffee": (19, 12),
    "water": (13, 11),
    "cakes": (27, 13),
    "vanilla ice cream": (43, 11),
    "chocolate ice cream": (25, 22),
    "fruit salad": (4, 2),
}


def test_the_lady_who_tasted_tea() -> None:
    """R. A. Fisher, The Design of Experiments, 1935, chapter II (from memory): four of four cups
    told right by luck is 1 in 70, three or more 17 in 70."""
    assert by_chance(4, 4, 0, 4) == Fraction(1, 70)
    assert by_chance(3, 4, 1, 4) == Fraction(17, 70)
    assert by_chance(0, 4, 4, 4) == 1
    for wrong in ((5, 4, 0, 4), (1, 4, 5, 4), (-1, 4, 0, 4)):
        with pytest.raises(ValueError, match=" of "):
            by_chance(*wrong)


@given(st.data())
def test_it_is_the_exact_test_of_a_reference_library(data: st.DataObject) -> None:
    of, of_rest = data.draw(st.integers(1, 40)), data.draw(st.integers(1, 400))
    have, rest = data.draw(st.integers(0, of)), data.draw(st.integers(0, of_rest))
    table = [[have, of - have], [rest, of_rest - rest]]
    assert float(by_chance(have, of, rest, of_rest)) == pytest.approx(
        fisher_exact(table, alternative="greater").pvalue, rel=1e-9
    )


def test_the_ice_cream_of_oswego_stands_first() -> None:
    ill, well = range(ILL), range(ILL, ILL + WELL)
    having = {
        ("dish", dish, ""): {*ill[:sick], *well[:sound]} for dish, (sick, sound) in EATEN.items()
    }
    first, second, *_ = rank(having, ill, well)
    assert first.shared == (("dish", "vanilla ice cream", ""),)
    assert (first.complained, first.of, first.rest, first.of_rest) == (43, 46, 11, 29)
    assert first.times == Fraction(43, 46) / Fraction(11, 29)
    assert first.chance < Fraction(1, 10**6) < Fraction(1, 20) < second.chance


def test_what_always_goes_together_stands_as_one_and_what_one_alone_has_not_at_all() -> None:
    having = {
        ("seed", "A", ""): {1, 2, 9},
        ("sowing", "B", ""): {1, 2, 9},
        ("site", "T1 1/1", ""): {1},
        ("tank", "Reservoir", ""): {1, 2, 3, 8, 9},
    }
    seed, tank = rank(having, {1, 2, 3}, {8, 9})
    assert [name for _, name, _ in seed.shared] == ["A", "B"]
    assert (seed.complained, seed.rest) == (2, 1)
    assert (tank.complained, tank.chance) == (3, 1)
    (alone,) = rank({("seed", "A", ""): {1, 2}}, {1, 2}, set())
    assert (alone.times, alone.chance) == (None, 1)


# --- a farm ------------------------------------------------------------------------------------


@pytest.fixture
def season(farm: Farm) -> dict[str, Lot]:
    """Two packets of seed, sown by turns and cut and packed by one person at one bench: of six
    runs three come from each."""
    facts = {"item": farm.seed_item, "supplier": farm.supplier, "place": farm.store}
    seeds = [farm.tell("receive_input", **facts, supplier_lot=n).lot for n in ("001", "002")]
    lots: dict[str, Lot] = {"bad seed": seeds[0]}
    towers = [farm.t1, farm.t2, farm.t3]
    for n, tower in enumerate(towers):
        for m, seed in enumerate(seeds):
            batch = farm.sow(10, seed=seed)
            farm.pass_time(hours=1)
            farm.plant(batch, tower, 4)
            farm.pass_time(hours=1)
            cut = farm.cut(400, batch, towers=[tower])
            lots[f"{'bad' if m == 0 else 'good'} {n}"] = farm.pack([cut], packs=3)
            farm.pass_time(hours=1)
    return lots


def test_the_seed_that_only_the_bad_ones_share_stands_first(farm: Farm, season) -> None:
    bad = [lot for name, lot in season.items() if name.startswith("bad ") and name != "bad seed"]
    found = causes(bad)
    assert (len(found.complained), found.rest) == (3, 3)
    first = found.ranked[0]
    assert season["bad seed"].code in {code for _, _, code in first.shared}
    assert (first.complained, first.of, first.rest, first.of_rest) == (3, 3, 0, 3)
    assert first.chance == Fraction(1, 20)  # one way of choosing three of six
    by_name = {name: one for one in found.ranked for what, name, _ in one.shared if what == "line"}
    assert (by_name["Packing bench"].complained, by_name["Packing bench"].rest) == (3, 3)
    assert not any(what == "hands" for one in found.ranked for what, _, _ in one.shared)
    told = {what for one in causes(bad, hands=True).ranked for what, _, _ in one.shared}
    assert "hands" in told
    # a cut taken back, and what was made too long ago, is none of the rest
    farm.pass_time(days=40)
    late = farm.pack([farm.cut(400)], packs=3)
    assert causes(bad).rest == 3
    assert causes([bad[0], late], days=0).rest == 5
    for wrong, code in (([bad[0]], "too_few"), ([bad[0], season["bad seed"]], "not_eaten")):
        with pytest.raises(Refusal) as refused:
            causes(wrong)
        assert refused.value.code == code


def test_the_page_and_the_api_say_the_same_and_hands_to_the_lead_alone(
    farm: Farm, season, client: Client
) -> None:
    codes = ", ".join(season[f"bad {n}"].code for n in range(3))
    manager, lead = (Person.objects.create_user(name, is_staff=True) for name in ("ada", "lena"))
    manager.groups.add(Group.objects.get(name="manager"))
    lead.groups.add(Group.objects.get(name="food_safety_lead"))
    for person, hands in ((manager, False), (lead, True)):
        client.force_login(person)
        page = client.get(reverse("admin:common_cause"), {"codes": codes})
        text = page.content.decode()
        assert "3 complained-of beside 3 others" in text
        assert season["bad seed"].code in text
        assert "1 in 20" in text
        assert ("hands Tam" in text) is hands
        rows = client.get(reverse("common-cause"), {"codes": codes}).json()["rows"]
        assert (rows[0]["code"], rows[0]["by_chance"]) == (season["bad seed"].code, 0.05)
        assert any("hands" in row["shared"] for row in rows) is hands
        lines = client.get(reverse("admin:common_cause"), {"codes": codes, "as": "csv"})
        assert len(lines.getvalue().decode().splitlines()) == len(rows) + 1
    wrong = client.get(reverse("admin:common_cause"), {"codes": codes.split(",")[0]})
    assert "One lot shares everything with itself" in wrong.content.decode()
    wrong = client.get(reverse("admin:common_cause"), {"codes": codes, "days": "9" * 40})
    assert "from 0 to 366" in wrong.content.decode()
