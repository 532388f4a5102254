"""Our pages in a real browser, as each person uses them: few taps, no scolding on the console, no
request to anywhere else, and nothing that a screen reader or weak eyes would stumble over."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow.models import Event, Person
from tests.farm import Farm

AXE = Path(__file__).parent / "vendor" / "axe-core" / "axe.min.js"
PHONE = {"width": 390, "height": 844}
MOST_TAPS = 8


class People:
    """A farm on a working morning, and a signed-in session of each role."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.batch = farm.sow(60)
        farm.tell("receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store)
        farm.pass_time(days=25)
        farm.plant(self.batch, farm.t1, 40)
        farm.pass_time(days=25)
        self.crate = farm.cut(3000, self.batch)
        self.run = farm.pack([farm.cut(3000, self.batch)], packs=24)
        farm.to_shop(self.run, 6)
        self.note = farm.send(self.run, 4).note
        farm.pass_time(hours=1)
        self.sessions = {
            role: self._session(role, *places)
            for role, places in {
                "grower": (),
                "packer": (),
                "chef": (farm.kitchen_place,),
                "shop": (farm.shop_place,),
                "manager": (),
            }.items()
        }

    def _session(self, role: str, *places: Any) -> str:
        person = Person.objects.create_user(role, is_staff=True, shown_as=role.title())
        person.groups.add(Group.objects.get(name=role))
        person.places.set(places)
        client = Client()
        client.force_login(person)
        return client.cookies["sessionid"].value


@pytest.fixture
def people(transactional_db: None, farm: Farm) -> People:
    return People(farm)


class Thumb:
    """Somebody's hand on a page: each tap, scan and typed field counts as one."""

    def __init__(self, page: Any, people: People, role: str, server: str) -> None:
        self.page, self.server = page, server
        self.taps = 0
        self.elsewhere: list[str] = []
        page.context.clear_cookies()
        page.context.add_cookies(
            [{"name": "sessionid", "value": people.sessions[role], "url": server}]
        )
        page.set_viewport_size(PHONE)
        page.on("request", self._seen)

    def _seen(self, request: Any) -> None:
        if not request.url.startswith((self.server, "data:", "blob:")):
            self.elsewhere.append(request.url)

    def start(self) -> Thumb:
        self.page.goto("/")
        self.taps = 0
        return self

    def tap(self, found: Any) -> None:
        self.taps += 1
        found.click()

    def choose(self, label: str) -> None:
        """A chip or a card: the box lies over the words, as under a real thumb."""
        self.taps += 1
        self.page.get_by_label(label).first.check()

    def type(self, found: Any, text: str) -> None:
        self.taps += 1
        found.fill(text)

    def recorded(self) -> str:
        """The words of the entry just made, on the start page."""
        return self.page.get_by_role("status").inner_text()


def cut(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.get_by_role("link", name="Cut", exact=True))
    thumb.choose("Loose-leaf lettuce")
    thumb.choose(people.batch.code)
    thumb.type(page.get_by_label("This crate"), "2.4")
    thumb.tap(page.get_by_role("button", name="Record the cut"))


def pack(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.get_by_role("link", name="Pack", exact=True))
    thumb.choose("Salad bag 120")
    crate = page.locator(f'.row[data-code="{people.crate.code}"]')
    thumb.tap(crate.get_by_label("Empty"))
    thumb.type(page.get_by_label("Packs closed"), "24")
    thumb.tap(page.get_by_role("button", name="Record the run"))


def receive(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.get_by_role("link", name="Receive", exact=True))
    thumb.type(page.get_by_label("Temperature"), "6.5")
    thumb.tap(page.get_by_role("button", name="Record what came"))


def closing_count(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.get_by_role("link", name="Closing count"))
    row = page.locator(f'.row[data-code="{people.run.code}"]')
    thumb.type(row.get_by_label("How much"), "5")
    thumb.tap(page.get_by_role("button", name="Record the count"))


COMMONEST: dict[str, tuple[Callable[[Thumb, People], None], str]] = {
    "grower": (cut, "harvest"),
    "packer": (pack, "pack"),
    "chef": (receive, "receive"),
    "shop": (closing_count, "count"),
}


def test_the_commonest_act_of_each_takes_few_taps(people, page, live_server, orm):
    for role, (act, kind) in COMMONEST.items():
        thumb = Thumb(page, people, role, live_server.url).start()
        act(thumb, people)
        assert "Recorded:" in thumb.recorded(), role
        assert thumb.taps <= MOST_TAPS, role
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], role
        told = orm(
            lambda kind=kind, role=role: Event.objects.filter(
                kind=kind, recorded_by__username=role
            ).count()
        )
        assert told == 1, role
        assert thumb.elsewhere == []
    assert page.said == []


def test_the_weigh_pad(people, page, live_server, orm):
    thumb = Thumb(page, people, "grower", live_server.url)
    page.goto("/do/harvest/")
    keys = page.get_by_role("group", name="Number keys")
    page.get_by_label("Empty crate").fill("0.9")
    for weight in ("4.2", "3.85"):
        for key in weight:
            keys.get_by_role("button", name=key, exact=True).click()
        page.get_by_role("button", name="Add this crate").click()
    net = page.locator(".net-figure")
    assert net.inner_text() == "6.25"
    page.get_by_role("button", name="Take crate 3.85 off again").click()
    assert net.inner_text() == "3.3"
    # a scanner types a sowing's code and presses Enter: it is chosen, nothing is sent
    code = page.get_by_label("Scan or type a code")
    code.fill(people.batch.code.lower())
    code.press("Enter")
    assert page.locator(".card", has_text=people.batch.code).get_by_role("checkbox").is_checked()
    # all but two sites of the tower on which it stands
    page.locator("summary", has_text="All but some sites").click()
    for site in ("T1 5/1", "T1 5/2"):
        page.get_by_role("button", name=site, exact=True).click()
    page.get_by_role("button", name="Record the cut").click()
    assert "3.3 kg Green loose-leaf to Cold store" in thumb.recorded()
    sites = orm(lambda: Event.objects.filter(kind="harvest").latest("id").lot.cut_sites.count())
    assert sites == 38
    # this device's crates weigh the same the next time
    page.goto("/do/harvest/")
    assert page.get_by_label("Empty crate").input_value() == "0.9"
    assert page.said == []


def test_a_refusal_keeps_what_was_typed_and_offers_the_way_out(people, page, live_server, orm):
    thumb = Thumb(page, people, "packer", live_server.url)
    page.goto("/do/put_on_shelf/")
    row = page.locator(f'.row[data-code="{people.run.code}"]')
    row.get_by_label("How much").fill("40")
    page.get_by_role("button", name="It is on the shelf").click()
    alert = page.get_by_role("alert")
    assert "14 each in Cold store; 40 was asked for" in alert.inner_text()
    assert row.get_by_label("How much").input_value() == "40"
    page.get_by_role("button", name="It has already happened: record it").click()
    assert "40 packs Salad bag 120 g to Farm shop" in thumb.recorded()
    page.get_by_role("button", name="Undo").first.click()
    assert "Done: undo" in thumb.recorded()
    on_shelf = orm(lambda: people.farm.stock(people.run, people.farm.shop_place))
    assert on_shelf == 6
    wrong = [said for said in page.said if "422" not in said]
    assert wrong == []


def test_without_scripts_a_cut_can_still_be_typed(people, page, live_server):
    plain = page.context.browser.new_context(
        base_url=live_server.url, java_script_enabled=False, viewport=PHONE
    )
    plain.add_cookies(
        [{"name": "sessionid", "value": people.sessions["grower"], "url": live_server.url}]
    )
    tab = plain.new_page()
    tab.goto("/do/harvest/")
    tab.get_by_label("Loose-leaf lettuce", exact=True).check()
    tab.get_by_label("Crates, in kg as the scale shows them").fill("4.2, 3.85")
    tab.get_by_role("button", name="Record the cut").click()
    assert "8.05 kg Loose-leaf lettuce to Cold store" in tab.get_by_role("status").inner_text()
    plain.close()


PAGES = [
    "/",
    "/do/harvest/",
    "/do/pack/",
    "/do/receive_input/",
    "/do/put_on_shelf/",
    "/grow/crop/",
    "/grow/crop/add/",
]
RUN = """async () => {
    const found = await axe.run(document, {
        runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    });
    return found.violations.flatMap((one) =>
        one.nodes.map((node) => `${one.id}: ${node.target.join(" ")} ${node.failureSummary}`));
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_fails_wcag_a_or_aa(people, page, live_server, scheme):
    """axe-core 4.14.1 against WCAG 2.0, 2.1 and 2.2, levels A and AA."""
    thumb = Thumb(page, people, "manager", live_server.url)
    page.emulate_media(color_scheme=scheme)
    axe = AXE.read_text()
    wrong = {}
    for address in PAGES:
        page.goto(address)
        for fold in page.locator("main details, form details").all():
            fold.evaluate("one => { one.open = true; }")
        assert page.said == [], address
        # the whole page at once: what lies under the bar of the press for a moment scrolls clear
        height = page.evaluate("document.documentElement.scrollHeight")
        page.set_viewport_size({"width": PHONE["width"], "height": height + 50})
        page.evaluate(axe)
        if found := page.evaluate(RUN):
            wrong[address] = found
        page.said.clear()  # axe itself tries styles that the policy refuses
        page.set_viewport_size(PHONE)
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], address
    assert wrong == {}
    assert thumb.elsewhere == []
