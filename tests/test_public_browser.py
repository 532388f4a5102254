"""The pages that anybody may open, on a telephone and at a desk, in light and in dark; and the test
of the public address, its code read off the screen by ZXing as a telephone's camera would."""

from __future__ import annotations

import io
from typing import Any

import pytest
import zxingcpp
from PIL import Image

from grow import clock
from grow.models import Business, Lot
from tests.farm import Farm, decided
from tests.hands import DESK, PHONE, People, Thumb, violations
from tests.snapshots import made_once

LOOKS = [(size, scheme) for size in (PHONE, DESK) for scheme in ("light", "dark")]
NAMES = [f"{size['width']}-{scheme}" for size, scheme in LOOKS]


class Public(People):
    """A farm that has packed what is known of from the sowing on: one run that goes on, one that
    was stopped, one that was a mistake."""

    def __init__(self, farm: Farm) -> None:
        Business.objects.create(
            name="Ashwithy Growers",
            address="Mill Lane, Ashwithy AW1 9ZZ",
            country="United Kingdom",
        )
        farm.bag.allergens, farm.bag.storage = "mustard", "Keep below 5 °C"
        farm.bag.save()
        decided(farm.bag)
        self.red = farm.sow(60, variety=farm.red)
        super().__init__(farm)
        self.mixed, self.stopped, self.mistaken = (self._pack(farm) for _ in range(3))
        farm.hold(self.stopped)
        farm.tell("cancel", event=self.mistaken.made_by, reason="typed twice")

    def _pack(self, farm: Farm) -> Lot:
        leaf = [farm.cut(1000, self.batch), farm.cut(500, self.red)]
        run = farm.pack(leaf, packs=12)
        farm.tell("print_labels", run=run, count=12)
        return run


@pytest.fixture
def people(transactional_db: None) -> Public:
    return made_once("public", lambda: Public(Farm()), lambda made: made.farm.now)


@pytest.mark.parametrize(("size", "scheme"), LOOKS, ids=NAMES)
def test_no_public_page_fails_wcag_a_or_aa(
    people: Public, page: Any, live_server: Any, orm: Any, size: dict[str, int], scheme: str
) -> None:
    thumb = Thumb(page, people, "manager", live_server.url, size)
    page.emulate_media(color_scheme=scheme)
    orm(lambda: Business.objects.update(public_address=live_server.url))
    wrong: dict[Any, Any] = {}
    for address, status, says in (
        (f"/L/{people.mixed.code}", 200, "No notice recorded here as of"),
        (f"/l/{people.stopped.code}", 200, "Do not eat this."),
        (f"/l/{people.mistaken.code}", 200, "Recorded in error"),
        ("/l/R99999-99-9", 404, "No pack is known here"),
        ("/l/test/x", 404, "This is no code"),
        ("/public-address/", 200, "Has not answered yet"),
    ):
        answer = page.goto(address)
        assert answer.status == status, address
        assert says in page.locator("main").inner_text()
        said = [line for line in page.said if str(status) not in line or status == 200]
        if said:
            wrong[address, "console"] = said
        if found := violations(page):
            wrong[address] = found
        if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
            wrong[address, "wide"] = True
    assert wrong == {}
    assert thumb.elsewhere == []


def test_the_page_of_a_pack_without_scripts(people: Public, page: Any, live_server: Any) -> None:
    plain = page.context.browser.new_context(
        base_url=live_server.url, java_script_enabled=False, viewport=PHONE
    )
    tab = plain.new_page()
    tab.goto(f"/l/{people.stopped.code}")
    assert tab.get_by_role("heading", level=1).inner_text() == "Ashwithy Growers"
    alarm = tab.get_by_role("alert")
    assert "Do not eat this." in alarm.inner_text()
    # it is seen without scrolling, and nothing was left in the browser
    assert alarm.bounding_box()["y"] + alarm.bounding_box()["height"] < PHONE["height"]
    assert plain.cookies() == []
    plain.close()


def test_a_telephone_reads_the_code_off_the_screen_and_the_address_has_answered(
    people: Public, page: Any, live_server: Any, orm: Any
) -> None:
    orm(lambda: Business.objects.update(public_address=live_server.url))
    Thumb(page, people, "manager", live_server.url, DESK)
    page.goto("/public-address/")
    picture = Image.open(io.BytesIO(page.locator("svg.qr").screenshot()))
    (code,) = zxingcpp.read_barcodes(picture)
    assert code.text.startswith(f"{live_server.url}/l/test/")
    telephone = page.context.browser.new_context(viewport=PHONE).new_page()
    telephone.goto(code.text)
    assert "Yes: this address answers.\n\nYou can close this." in telephone.inner_text("main")
    assert orm(lambda: Business.the().public_answered_at) == clock.now()
    page.get_by_role("link", name="Look again").click()
    assert "Answered on" in page.get_by_role("status").inner_text()
    assert page.said == []
