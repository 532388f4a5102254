"""People at work in a real browser: a farm on a working morning, a session of each role, a hand
that counts its taps, and an eye for what stands in the way of weak eyes and screen readers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.contrib.auth.models import Group
from django.test import Client

from grow.models import Person
from tests.farm import Farm

AXE = Path(__file__).parent / "vendor" / "axe-core" / "axe.min.js"
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}


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
                "food_safety_lead": (),
                "learner": (),
            }.items()
        }

        self.sessions["boss"] = self._signed_in(Person.objects.create_superuser("boss"))

    def _session(self, role: str, *places: Any) -> str:
        person = Person.objects.create_user(role, is_staff=True, shown_as=role.title())
        person.groups.add(Group.objects.get(name=role))
        person.places.set(places)
        return self._signed_in(person)

    def _signed_in(self, person: Person) -> str:
        client = Client()
        client.force_login(person)
        return client.cookies["sessionid"].value


class Thumb:
    """Somebody's hand on a page: each tap, scan and typed field counts as one."""

    def __init__(
        self,
        page: Any,
        people: People,
        role: str,
        server: str,
        size: dict[str, int] = PHONE,
    ) -> None:
        self.page, self.server = page, server
        self.taps = 0
        self.elsewhere: list[str] = []
        page.context.clear_cookies()
        page.context.add_cookies(
            [{"name": "sessionid", "value": people.sessions[role], "url": server}]
        )
        page.set_viewport_size(size)
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


RUN = """async () => {
    const found = await axe.run(document, {
        runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    });
    return found.violations.flatMap((one) =>
        one.nodes.map((node) => `${one.id}: ${node.target.join(" ")} ${node.failureSummary}`));
}"""


STILL = """() => {
    const still = new CSSStyleSheet();
    still.replaceSync("* { transition: none !important; animation: none !important; }");
    document.adoptedStyleSheets = [still];
}"""


def looked_at(page: Any, *looks: tuple[dict[str, int], str]) -> dict[str, Any]:
    """What is wrong with the page that is open in each look, a size and "light" or "dark": what
    axe-core holds against it, and that it is wider than the window. Colours change at once."""
    page.evaluate(STILL)
    wrong: dict[str, Any] = {}
    for size, scheme in looks:
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size(size)
        if found := violations(page):
            wrong[f"{page.url} {scheme}"] = found
        if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
            wrong[f"{page.url} is wider than {size['width']}"] = True
    return wrong


def violations(page: Any) -> list[str]:
    """What axe-core 4.14.1 holds against the page that is open, by WCAG 2.0, 2.1 and 2.2, levels A
    and AA: with its folds open, and all of it in the window, clear of the bar of the press."""
    for fold in page.locator("main details, form details").all():
        fold.evaluate("one => { one.open = true; }")
    size = page.viewport_size
    height = page.evaluate("document.documentElement.scrollHeight")
    page.set_viewport_size({"width": size["width"], "height": height + 50})
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE.read_text())
    found: list[str] = page.evaluate(RUN)
    page.said.clear()  # axe itself tries styles that the policy refuses
    page.set_viewport_size(size)
    return found
