"""From a code on the trace's page to approved notices, in a real browser: six actions at most, by
the lead alone. An action is a press, a scan (with the Enter that a scanner presses), or a filled
field; the PIN and its Enter are one."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path

import pytest
from django.contrib.auth.hashers import make_password

from grow.models import Business, Event, Person, SignOff
from sales.models import Notice, Outlet
from tests.farm import Farm
from tests.hands import DESK, PHONE, People, Thumb, violations

MOST_ACTIONS = 6
PIN = "5093"


@pytest.fixture
def people(transactional_db: None, farm: Farm) -> People:
    made = People(farm)
    Business.objects.update_or_create(
        defaults={
            "name": "Hollow Field",
            "telephone": "01632 960010",
            "out_of_hours": "01632 960011",
            "authority": "Ashwithy council, food safety",
            "authority_telephone": "01632 960020",
        }
    )
    Outlet.objects.filter(pk=farm.kitchen.pk).update(
        contact="Orla", telephone="01632 960030", out_of_hours="01632 960031"
    )
    farm.arrive(farm.send(made.run, 3), made.run, accepted=3)
    lead = Person.objects.get(username="food_safety_lead")
    lead.pin = make_password(PIN)
    lead.save()
    SignOff.objects.create(person=lead, task="notices", since=dt.date(2026, 1, 1), by=lead)
    return made


def test_from_a_code_to_approved_notices(people, page, live_server, orm) -> None:
    thumb = Thumb(page, people, "food_safety_lead", live_server.url, DESK).start()
    actions = 0

    def shown(name: str) -> None:
        """A picture to be looked at, and what would stop whoever does not see it."""
        if folder := os.environ.get("SCREENSHOTS"):
            for size in (DESK, PHONE):
                page.set_viewport_size(size)
                path = Path(folder) / f"recall-{name}-{size['width']}.png"
                page.screenshot(path=path, full_page=True)
        assert violations(page) == []
        page.set_viewport_size(DESK)

    page.goto("/trace/")
    page.get_by_label("Code").fill(people.run.code)
    with page.expect_navigation():
        page.keyboard.press("Enter")
    actions += 1
    with page.expect_navigation():
        page.get_by_role("link", name="Recall all of this").click()
    actions += 1
    shown("open")
    page.get_by_label("What is wrong").fill("may contain glass")
    actions += 1
    with page.expect_navigation():
        page.get_by_role("button", name="Stop it now").click()
    actions += 1
    shown("stopped")
    with page.expect_navigation():
        page.get_by_role("button", name="I have told them").click()
    actions += 1
    page.get_by_label("Your PIN").fill(PIN)
    with page.expect_navigation():
        page.keyboard.press("Enter")
    actions += 1
    shown("approved")
    assert actions <= MOST_ACTIONS
    told = orm(lambda: list(Event.objects.filter(kind__contains="recall").values_list("kind")))
    assert told == [("open_recall",)]
    assert orm(lambda: set(Notice.objects.values_list("to", flat=True))) >= {"Kitchen", ""}
    page.goto("/recalls/")
    shown("all")
    assert thumb.elsewhere == []
    assert page.said == []
