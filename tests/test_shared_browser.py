"""A shared device in a real browser: scanner, thumb, no scripts, and what a screen reader meets."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow import clock, devices, pins
from grow.models import Event, Person, SignOff, ToCountersign
from tests.farm import Farm
from tests.hands import PHONE, violations


class Tablet:
    """A shared device, a packer with badge and PIN, a learner by badge, and a teacher."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.ann = self.person("ann", "packer", badge="PK-7Q3", pin="4829")
        self.lou = self.person("lou", "learner", badge="LN-2X9")
        self.gil = self.person("gil", "manager", pin="5903", is_staff=True)
        SignOff.objects.create(person=self.gil, task="teaching", since="2026-01-01", by=self.gil)
        self.crate = farm.cut(3000)
        for n in range(3):
            farm.tell("clean", place=farm.line, how=f"wash {n}", recorded_by=self.lou)
        farm.pass_time(hours=1)
        shared = Client()
        shared.force_login(self.gil)
        shared.post("/shared-device/", {"name": "Packing bench"})
        self.cookie = shared.cookies[devices.COOKIE].value
        desk = Client()
        desk.force_login(self.gil)
        self.session = desk.cookies["sessionid"].value

    @staticmethod
    def person(name: str, role: str, pin: str = "", **more: Any) -> Person:
        made = Person.objects.create_user(name, shown_as=name.title(), **more)
        made.groups.add(Group.objects.get(name=role))
        if pin:
            pins.give(made, pins.hashed(pin))
        return made


@pytest.fixture
def tablet(transactional_db: None, farm: Farm) -> Tablet:
    return Tablet(farm)


def at_the_bench(page: Any, tablet: Tablet, server: str) -> Any:
    page.context.clear_cookies()
    page.context.add_cookies([{"name": devices.COOKIE, "value": tablet.cookie, "url": server}])
    page.set_viewport_size(PHONE)
    page.goto("/")
    return page


def at_the_desk(page: Any, tablet: Tablet, server: str) -> Any:
    page.context.clear_cookies()
    page.context.add_cookies([{"name": "sessionid", "value": tablet.session, "url": server}])
    page.set_viewport_size(PHONE)
    return page


def clean(page: Any) -> None:
    page.get_by_role("link", name="Clean", exact=True).first.click()
    page.get_by_label("Where").first.select_option("Packing bench")
    page.get_by_role("button", name="Record the clean").click()


def test_a_scan_an_act_and_the_next_one(tablet, page, live_server, orm):
    at_the_bench(page, tablet, live_server.url)
    assert page.get_by_role("heading", name="Who?").is_visible()
    # a scanner types into whatever has the cursor, or into nothing, and presses Enter
    page.get_by_role("heading", name="Who?").click()
    page.keyboard.type("PK-7Q3")
    page.keyboard.press("Enter")
    clean(page)
    assert page.get_by_role("heading", name="Who is next?").is_visible()
    told = page.locator(".told")
    assert "Recorded: clean" in told.inner_text()
    assert "Packing bench" in told.inner_text()
    event = orm(lambda: Event.objects.select_related("recorded_by").latest("id"))
    assert (event.recorded_by.username, event.device) == ("ann", "Packing bench")
    # the same person takes it back: one tap, four keys, two presses
    page.get_by_role("link", name="Ann: undo it").click()
    keys = page.get_by_role("group", name="Number keys")
    for key in ("4", "8", "2", "2"):
        keys.get_by_role("button", name=key, exact=True).click()
    keys.get_by_role("button", name="Take the last digit off").click()
    keys.get_by_role("button", name="9", exact=True).click()
    page.get_by_role("button", name="It is me").click()
    page.get_by_role("button", name="Undo").first.click()
    assert "Done: undo" in page.locator(".told").inner_text()
    assert orm(lambda: event.is_cancelled)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert page.said == []


def test_a_pin_without_scripts(tablet, page, live_server):
    plain = page.context.browser.new_context(
        base_url=live_server.url, java_script_enabled=False, viewport=PHONE
    )
    plain.add_cookies([{"name": devices.COOKIE, "value": tablet.cookie, "url": live_server.url}])
    tab = plain.new_page()
    tab.goto("/")
    tab.get_by_role("link", name="Ann", exact=True).click()
    field = tab.get_by_label("PIN")
    assert field.get_attribute("inputmode") == "numeric"  # a phone shows its number keys
    assert tab.locator(".pin-keys").is_hidden()
    field.fill("1111")
    tab.get_by_role("button", name="It is me").click()
    assert (
        "That is not the PIN of Ann: wrong 1 of 5 times." in tab.get_by_role("alert").inner_text()
    )
    tab.get_by_label("PIN").fill("4829")
    tab.get_by_role("button", name="It is me").click()
    clean(tab)
    assert "Who is next?" in tab.inner_text("h1")
    plain.close()


def test_typing_is_a_press_and_five_idle_minutes_are_not(tablet, page, live_server, orm):
    """The page's own clock is set on, the server's with it."""
    page.clock.install()
    at_the_bench(page, tablet, live_server.url)
    page.get_by_label("Scan your badge").fill("PK-7Q3")
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Clean", exact=True).first.click()
    for _ in range(3):
        clock.play(tablet.farm.pass_time(minutes=3))
        page.clock.fast_forward("03:00")
        with page.expect_response("**/who/still/") as still:
            page.get_by_label("How", exact=True).press_sequentially("h")
        assert still.value.status == 204
    page.get_by_label("Where").first.select_option("Packing bench")
    page.get_by_role("button", name="Record the clean").click()
    assert page.get_by_role("heading", name="Who is next?").is_visible()
    page.get_by_label("Scan your badge").fill("PK-7Q3")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Today", exact=True).wait_for()
    clock.play(tablet.farm.pass_time(minutes=6))
    page.clock.run_for(6 * 60 * 1000)
    page.get_by_role("heading", name="Who is next?").wait_for()
    assert page.said == []


def test_what_waits_is_countersigned_on_a_phone(tablet, page, live_server, orm):
    at_the_desk(page, tablet, live_server.url).goto("/")
    page.get_by_role("link", name="3 entries of learners to countersign").click()
    boxes = page.get_by_role("checkbox")
    assert [box.is_checked() for box in boxes.all()] == [True] * 3
    boxes.nth(1).uncheck()
    page.get_by_label("Your PIN").fill("5903")
    page.get_by_role("button", name="Countersign what is ticked").click()
    assert "Recorded: countersign" in page.get_by_role("status").inner_text()
    assert page.get_by_role("link", name="1 entry of learners to countersign").is_visible()
    signed = orm(lambda: ToCountersign.objects.filter(signed_by__recorded_by=tablet.gil).count())
    assert signed == 2
    assert page.said == []


BENCH = ["/who/", "/who/{ann}/"]
DESK = [
    *("/shared-device/", "/own-pin/", "/countersign/", "/grow/person/", "/grow/person/add/"),
    *("/grow/person/{ann}/change/", "/grow/signoff/", "/grow/signoff/add/", "/grow/device/"),
    "/",
]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_fails_wcag_a_or_aa(tablet, page, live_server, scheme):
    """axe-core 4.14.1 against WCAG 2.0, 2.1 and 2.2, levels A and AA."""
    page.emulate_media(color_scheme=scheme)
    wrong = {}
    for sit, addresses in ((at_the_bench, BENCH), (at_the_desk, DESK)):
        sit(page, tablet, live_server.url)
        for address in addresses:
            page.goto(address.format(ann=tablet.ann.pk))
            assert page.said == [], address
            assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], address
            if found := violations(page):
                wrong[address] = found
    assert wrong == {}
