"""Carried through the winter: worked out by hand, from own records and from what is entered."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.contrib.auth.models import Group
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from analytics.rates import set_rate
from analytics.wintering import ENTERED, OWN, wintering
from grow import clock
from grow.models import Person, PlaceKind
from tests.farm import Farm
from tests.week import figures_farm, rated

pytestmark = pytest.mark.django_db
LONG_AGO = dt.date(2020, 1, 1)
ENTERED_ROW = {
    "cells": "100",
    "days": "90",
    "watts": "0.5",
    "hours": "16",
    "kwh_pence": "26",
    "pct": "90",
    "grams": "50",
    "pence_kg": "1000",
}


@pytest.fixture
def farm() -> Farm:
    """From 1 November 2025: 40 cells on a shelf and 20 in the tent for 100 and 60 nights, 10 more
    in the tent beside them for 20; 8 plants on a tower all winter. In March the first are planted,
    and 2 kg of them and 1 kg of the tower's are cut and sold loose to the kitchen. Of the tower's
    300 g were cut in December."""
    farm = figures_farm()
    rated()
    farm.now = dt.datetime(2025, 10, 25, 8, tzinfo=dt.UTC)
    clock.play(farm.now)
    farm.place("Shelf 1", PlaceKind.SHELF)
    stays = farm.sow(8)
    farm.plant(stays, farm.t3, 8)
    farm.now = dt.datetime(2025, 11, 1, 8, tzinfo=dt.UTC)
    clock.play(farm.now)
    shelf = farm.sow(40, place=_place("Shelf 1"))
    tent = farm.sow(20, farm.red, place=farm.tent)
    farm.sow(10, farm.red, place=farm.tent)
    short = farm.sow(10, farm.red, place=farm.tent)
    farm.pass_time(days=20)
    farm.tell("lose_plants", batch=short, place=farm.tent, plants=10, reason="damping off")
    farm.pass_time(days=40)
    farm.cut(300, stays)
    farm.tell("move_plants", batch=tent, from_place=farm.tent, to_place=farm.bench, plants=20)
    farm.pass_time(days=40)
    farm.plant(shelf, farm.t1, 40, from_place=_place("Shelf 1"))
    farm.now = dt.datetime(2026, 3, 10, 8, tzinfo=dt.UTC)
    clock.play(farm.now)
    for batch, grams in ((shelf, 2000), (stays, 1000)):
        leaf = farm.cut(grams, batch)
        note = farm.send(leaf, grams)
        farm.pass_time(hours=1)
        farm.arrive(note, leaf, grams)
        farm.pass_time(hours=1)
    return farm


def _place(name: str):
    from grow.models import Place

    return Place.objects.get(name=name)


def test_what_it_costs_to_carry_and_what_came_back(farm: Farm) -> None:
    """The shelf: 40 cells for 100 nights at 0.22 p are 880 p. The tent: 4.2 kWh a week at 25 p are
    15 p a night, shared by what stands in it: for 20 nights 20 of 40 cells, then 20 of 30. A kilo
    left 1,100 p at the door, less 19 p of nutrient and water and 13 minutes at 1398.1 p an hour."""
    set_rate("tent_power", "4.2", LONG_AGO, "a meter")
    set_rate("electricity", "25", LONG_AGO, "the bill")
    found = wintering(2026, least=42)
    rows = {(row.crop, row.where): row for row in found.rows}
    shelf = rows["Loose-leaf lettuce", "Lit shelf"]
    assert (shelf.basis, shelf.sowings, shelf.plants, shelf.plant_days) == (OWN, 1, 40, 4000)
    assert shelf.carry_p == 880
    assert (shelf.cut_g, shelf.carry_each_p) == (2000, 22)
    a_kilo = 1100 - 19 - 13 * 1398.1 / 60
    assert shelf.return_p == pytest.approx(2 * a_kilo, abs=1)
    tower = rows["Loose-leaf lettuce", "Tower, in place"]
    assert (tower.plants, tower.carry_p, tower.cut_g) == (8, 0, 1000)
    assert tower.plant_days == pytest.approx(Decimal(8 * 120), abs=1)
    assert tower.return_p == pytest.approx(a_kilo, abs=1)
    assert (shelf.cut_in_winter_g, tower.cut_in_winter_g) == (0, 300)
    tent = rows["Red mustard", "Climate tent"]
    # 20 for 60 nights and 10 for 120; what stood for 20 nights is raised, not carried
    assert (tent.sowings, tent.plants, tent.plant_days) == (2, 30, 20 * 60 + 10 * 120)
    whole = 20 * 15 * 30 / 40 + 40 * 15 + 60 * 15
    assert tent.carry_p == round(whole)
    assert (tent.cut_g, tent.return_p, tent.left_p) == (0, 0, -round(whole))
    assert set(rows) == {(r.crop, r.where) for r in (shelf, tower, tent)}
    with CaptureQueriesContext(connection) as few:
        fewer = {(r.crop, r.where) for r in wintering(2026, least=121).rows}
    with CaptureQueriesContext(connection) as many:
        assert len(wintering(2026, least=1).rows) > len(fewer)
    assert ("Red mustard", "Climate tent") not in fewer
    assert len(many) <= len(few)


def test_a_site_of_a_tower_has_no_cost_to_carry_and_what_is_left_stands_by_the_crop(
    farm: Farm,
) -> None:
    from tests.test_crops_page import cells  # which imports this

    manager = Person.objects.create_user("manager", password="pole-bean", is_staff=True)
    manager.groups.add(Group.objects.get(name="manager"))
    client = Client()
    client.force_login(manager)
    page = client.get("/winter/", {"winter": "2026"}).content.decode()
    head, *rows = cells(page, "winter")
    assert head[:3] == ["Crop", "Left, GBP", "Where"]
    by_where = {row[2]: dict(zip(head, row, strict=True)) for row in rows}
    tower, shelf = by_where["Tower, in place"], by_where["Lit shelf"]
    costs = ("To carry, GBP", "To carry, pence a plant")
    assert [tower[name] for name in costs] == ["–", "–"]
    assert [shelf[name] for name in costs] == ["8.80", "22.0"]
    assert tower["Left, GBP"] == tower["Came back, GBP"] != "–"
    assert tower["Cut in the winter, kg"] == "0.300"
    assert "Tower, in place: no energy of its own." in page


def test_without_a_rate_there_is_no_figure_and_a_gap_in_words(farm: Farm) -> None:
    found = wintering(2026)
    tent = next(row for row in found.rows if row.where == "Climate tent")
    assert (tent.carry_p, tent.left_p) == (None, None)
    assert any("the tent's electricity" in gap for gap in found.about.gaps)


def test_entered_assumptions_are_marked_as_such(farm: Farm) -> None:
    """100 cells × 90 days × 0.5 W × 16 h are 72 kWh, at 26 p £18.72; 90 of 100 live and give 50 g
    each at £10.00 a kg: £45.00. One of them missing is a refusal that names it."""
    manager = Person.objects.create_user("manager", password="pole-bean", is_staff=True)
    manager.groups.add(Group.objects.get(name="manager"))
    client = Client()
    client.force_login(manager)
    asked = {"winter": "2026", **ENTERED_ROW}
    rows = client.get("/api/v1/figures/winter/", asked).json()["rows"]
    entered = [row for row in rows if row["basis"] == ENTERED]
    assert [(r["carry_p"], r["return_p"], r["left_p"]) for r in entered] == [(1872, 4500, 2628)]
    assert {row["basis"] for row in rows} == {OWN, ENTERED}
    page = client.get("/winter/", asked).content.decode()
    assert ENTERED in page
    assert "26.28" in page
    for name, wrong, says in (
        ("grams", "", "Cut in spring, g a plant is missing; enter all of them, or none."),
        ("days", "-3", "Days under cover: a number from 0 to a million."),
    ):
        answer = client.get("/winter/", asked | {name: wrong})
        assert answer.status_code == 400
        assert says in answer.content.decode()
    assert client.get("/winter/", {"winter": "1066"}).status_code == 400
