"""A square metre of floor, by hand; and a claim beside the same crop and season alone."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from analytics.claims import ALL, claims
from analytics.models import Claim
from analytics.period import Period
from analytics.rates import set_rate
from grow.models import Person
from tests.farm import Farm
from tests.week import figures_farm, rated

pytestmark = pytest.mark.django_db
SPRING = Period(dt.date(2026, 3, 2), dt.date(2026, 3, 21))


def grown(farm: Farm) -> None:
    """40 sites of tower T1 held for 10 days give 2 kg of lettuce; 84 cells of lettuce stand on a
    bench for 10 days and give 0.5 kg there."""
    farm.pass_time(minutes=(24 - farm.now.hour) * 60 - farm.now.minute)  # midnight, to be plain
    batch = farm.sow(40)
    flat = farm.sow(84)
    farm.plant(batch, farm.t1, 40)
    farm.pass_time(days=10)
    farm.cut(2000, batch)
    farm.cut(500, batches=[flat])
    farm.tell("clear", batch=batch, why="old", left="empty")
    farm.tell("clear", batch=flat, why="old", left="empty")
    farm.pass_time(days=9)


@pytest.fixture
def farm() -> Farm:
    farm = figures_farm()
    rated()
    return farm


def claim(**facts) -> Claim:
    told = {"said_by": "A seller", "floor": "without aisles", "source": "a leaflet"}
    return Claim.objects.create(
        **(told | {"of": "towers", "amount": 40, "season": "spring"} | facts)
    )


def test_what_a_square_metre_gives_on_towers_and_on_a_bench(farm: Farm) -> None:
    """A tower takes 1.8 m² and has so many sites; a bench's cell 0.01 m². 2 kg over 10 days of 40
    sites, 0.5 kg over 10 days of 0.84 m²; all towers, empty ones too, stood all 20 days."""
    set_rate("floor", "1.8", dt.date(2020, 1, 1), "a tape")
    grown(farm)
    assert any("flat bench takes" in gap for gap in claims(SPRING).about.gaps)
    set_rate("bench_floor", "0.01", dt.date(2020, 1, 1), "a tape")
    found = claims(SPRING)
    assert not [gap for gap in found.about.gaps if "floor" in gap]
    lettuce, whole = found.rows
    sites = farm.t1.sites.count()
    m2_days = Decimal("1.8") * 40 / sites * 10
    assert lettuce.towers_m2_days == pytest.approx(m2_days, abs=Decimal("1e-6"))
    assert (lettuce.towers_g, lettuce.bench_g) == (2000, 500)
    assert lettuce.bench_m2_days == Decimal("8.4")
    assert float(lettuce.towers_kg or 0) == pytest.approx(2 * 365 / float(m2_days))
    assert float(lettuce.bench_kg or 0) == pytest.approx(0.5 * 365 / 8.4)
    assert float(lettuce.times or 0) == pytest.approx(2 / float(m2_days) / (0.5 / 8.4))
    towers = 3
    assert whole.crop == ALL
    days = whole.towers_m2_days / (Decimal("1.8") * towers)
    assert days == pytest.approx(Decimal(20), abs=Decimal("0.1"))
    # ten days of twenty are enough of them, ten of thirty are too few to be set beside towers
    longer = claims(Period(dt.date(2026, 2, 20), SPRING.last)).rows[0]
    assert [(row.bench_days, row.days) for row in (lettuce, longer)] == [(10, 20), (10, 30)]
    assert (longer.bench_g, longer.times) == (500, None)


def test_a_claim_stands_beside_the_same_crop_and_season_alone(farm: Farm) -> None:
    set_rate("floor", "1.8", dt.date(2020, 1, 1), "a tape")
    set_rate("bench_floor", "0.01", dt.date(2020, 1, 1), "a tape")
    grown(farm)
    claim(crop=farm.lettuce)
    claim(crop=farm.lettuce, of="times", amount="10.5", said_by="B seller")
    claim(crop=farm.lettuce, season="year", said_by="C seller")
    claim(crop=farm.mustard, said_by="D seller")
    claim(said_by="E seller", of="bench", amount=12)
    found = claims(SPRING)
    lettuce, whole = found.rows
    by = {row.said_by[0]: row for row in found.claims}
    assert by["A"].own == lettuce.towers_kg
    assert by["A"].own_pct == round(100 * (lettuce.towers_kg or 0) / 40, 1)
    assert by["B"].own == lettuce.times
    assert (by["C"].own, by["C"].says) == (None, "Claimed for a whole year; ask for the same.")
    assert (by["D"].own, by["D"].says) == (None, "None of it was cut in that time.")
    assert by["E"].own == whole.bench_kg
    manager = Person.objects.create_user("manager", password="pole-bean", is_staff=True)
    manager.groups.add(Group.objects.get(name="manager"))
    client = Client()
    client.force_login(manager)
    asked = {"first": str(SPRING.first), "last": str(SPRING.last)}
    page = client.get("/floor/", asked).content.decode()
    assert "A seller" in page
    assert f"{lettuce.towers_kg:.1f}" in page
    assert "/analytics/claim/add/" in page
    data = client.get("/api/v1/figures/floor/", asked).json()
    assert [row["said_by"] for row in data["claims"]] == [row.said_by for row in found.claims]
    assert Decimal(data["rows"][0]["towers_kg"]) == lettuce.towers_kg
    claim(said_by="F seller", of="bench", amount=12, season="year")
    year = Period(dt.date(2025, 4, 1), dt.date(2026, 3, 31))
    (late,) = [row for row in claims(year).claims if row.said_by == "F seller"]
    assert late.own is None
    assert late.says.startswith("Cells stood on a bench on 10 of 355 days;")
