"""Our pages in a real browser, as each person uses them: few taps, no scolding on the console, no
request to anywhere else, and nothing that a screen reader or weak eyes would stumble over."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.contrib import admin
from django.urls import reverse

from config.site import offered_pages
from grow.kinds import KINDS
from grow.models import Event
from tests.hands import DESK, PHONE, People, Thumb, looked_at

MOST_TAPS = 8


def cut(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.get_by_role("link", name="Cut", exact=True))
    thumb.choose("Loose-leaf lettuce")
    thumb.choose(people.batch.code)
    thumb.type(page.get_by_label("This crate"), "2.4")
    thumb.tap(page.get_by_role("button", name="Record the cut"))


def pack(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.locator("#content").get_by_role("link", name="Pack", exact=True))
    thumb.tap(page.locator(".crate-take", has_text=people.crate.code))
    thumb.type(page.get_by_label("Bags closed"), "24")
    thumb.tap(page.get_by_role("button", name="Record and print labels"))


def receive(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.locator("#content").get_by_role("link", name="Goods in", exact=True))
    thumb.tap(page.get_by_role("button", name="All here, all good"))


def closing_count(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.get_by_role("link", name="Closing count"))
    thumb.type(page.locator(f'[name="left-{people.run.code}"]'), "5")
    thumb.tap(page.get_by_role("button", name="Record the count"))


def hold(thumb: Thumb, people: People) -> None:
    page = thumb.page
    thumb.tap(page.get_by_role("link", name="Hold", exact=True))
    thumb.choose(people.run.code)
    thumb.type(page.get_by_label("Why"), "Glass broke over it")
    thumb.tap(page.get_by_role("button", name="Hold it now"))


COMMONEST: dict[str, tuple[Callable[[Thumb, People], None], str]] = {
    "grower": (cut, "harvest"),
    "packer": (pack, "pack"),
    "chef": (receive, "receive"),
    "shop": (closing_count, "count"),
    "food_safety_lead": (hold, "hold"),
    "learner": (cut, "harvest"),
    "manager": (cut, "harvest"),
}


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_the_commonest_act_of_each_takes_few_taps(people, page, live_server, orm, size):
    for role, (act, kind) in COMMONEST.items():
        thumb = Thumb(page, people, role, live_server.url, size).start()
        act(thumb, people)
        if kind == "pack":  # one press records the run and opens its labels
            page.wait_for_url("**/labels/?lot=*")
        else:
            assert "Recorded:" in thumb.recorded(), role
        assert thumb.taps <= MOST_TAPS, role
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], role
        told = orm(
            lambda kind=kind, role=role: Event.objects.filter(
                kind=kind, recorded_by__username=role
            ).count()
        )
        assert told == 1, role
        assert thumb.elsewhere == []
    assert page.said == []


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_what_is_looked_up_most_is_a_tap_or_three_away(people, page, live_server, size):
    """The manager's question, which crops earn their space, and the food-safety lead's."""
    thumb = Thumb(page, people, "manager", live_server.url, size).start()
    thumb.tap(
        page.get_by_role("navigation", name="Tasks").get_by_role("link", name="Crops", exact=True)
    )
    assert "Loose-leaf lettuce" in page.get_by_role("table").first.inner_text()
    assert thumb.taps == 1
    thumb = Thumb(page, people, "food_safety_lead", live_server.url, size).start()
    thumb.tap(page.get_by_role("navigation", name="Tasks").get_by_role("link", name="Trace"))
    code = page.get_by_label("Code")
    thumb.type(code, people.run.code.lower())
    code.press("Enter")  # a scanner does it by itself
    page.wait_for_url("**code=**")
    assert "Farm shop" in page.get_by_role("region", name="Where it is now").inner_text()
    assert "Kitchen" in page.get_by_role("region", name="Who must be told").inner_text()
    assert thumb.taps <= 3
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
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


#: Papers, to be printed.
_PDF = ("pack_codes", "send_codes", "tonight", "month_pdf")


def addresses() -> list[str]:
    """Every page that opens by itself: the start page, the task pages, the form of each act, and
    of each table its list and the form of a new row."""
    pages = [page for page in offered_pages() if "<" not in page.path]
    found = ["/", *(f"/{page.path}" for page in pages if page.name not in _PDF)]
    found += [reverse("admin:act", args=[kind]) for kind in KINDS if kind != "undo"]
    for model in admin.site._registry:
        if model._meta.app_label not in ("grow", "sales", "analytics"):
            continue
        table = f"admin:{model._meta.app_label}_{model._meta.model_name}"
        found += [reverse(f"{table}_changelist"), reverse(f"{table}_add")]
    return found


def test_no_page_fails_wcag_a_or_aa(people, page, live_server):
    thumb = Thumb(page, people, "boss", live_server.url)
    wrong = {}
    code = people.run.code
    every = [
        *addresses(),
        f"/trace/?code={code}",
        f"/runs/{code}/weights/",
        f"/runs/{code}/record/",
    ]
    for address in every:
        response = page.goto(address)
        if response.status == 403 and address.endswith("/add/"):  # only the ledger writes them
            page.said.clear()
            continue
        assert response.status == 200, address
        if page.said:
            wrong[address] = page.said[:]
        wrong |= looked_at(page, (PHONE, "light"), (DESK, "dark"))
    assert wrong == {}
    assert thumb.elsewhere == []
