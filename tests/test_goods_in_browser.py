"""Goods in, in a real browser on a phone: few taps, and nothing lost or doubled whatever becomes of
the network and of the session."""

from __future__ import annotations

import io
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from PIL import Image
from playwright.sync_api import Error

from grow.faults import faults
from grow.models import Event, Photo, Thing
from sales.models import NoteLine, Receipt, ReceiptLine
from tests.hands import PHONE, People, Thumb, looked_at, violations

#: From the start page: Goods in, and one press.
ORDINARY_TAPS = 2
#: With a temperature that is asked for: its figure, and how it was measured.
WITH_TEMPERATURE_TAPS = 4
#: How many entries this browser keeps.
KEPT = "Object.keys(localStorage).filter((key) => key.startsWith('unsent:')).length"
#: Leaves room for a few thousand characters.
FILL = """() => {
    let size = 1 << 20;
    for (let n = 0; size > 4000; n += 1) {
        try { localStorage.setItem(`filled ${n}`, "x".repeat(size)); } catch { size /= 2; }
    }
}"""
PASSWORD = "a long one of theirs"
#: A browser that does not know FormData's second argument.
OLD = """const Own = FormData;
window.FormData = class extends Own { constructor(form) { super(form); } };"""


@pytest.fixture
def thumb(people: People, page: Any, live_server: Any) -> Thumb:
    return Thumb(page, people, "chef", live_server.url, PHONE).start()


def line(orm: Callable[..., Any], people: People) -> tuple[int, ...]:
    names = ("accepted", "short", "rejected", "to_follow", "over")
    row: tuple[int, ...] = orm(
        lambda: NoteLine.objects.values_list(*names).get(note=people.note, lot=people.run)
    )
    return row


def told(orm: Callable[..., Any], kind: str = "receive") -> int:
    count: int = orm(lambda: Event.objects.filter(kind=kind).count())
    return count


def sound(orm: Callable[..., Any]) -> None:
    assert orm(faults) == []


def open_note(thumb: Thumb, people: People) -> Any:
    thumb.tap(thumb.page.get_by_role("link", name="Goods in", exact=True).first)
    thumb.tap(thumb.page.get_by_role("link", name=f"Something is different on {people.note}"))
    return thumb.page.locator(".door-line", has_text=people.run.code)


def unsent(page: Any) -> Any:
    return page.get_by_role("region", name="Not sent yet")


def all_sent(page: Any) -> None:
    """Wait until nothing is kept any more."""
    for _ in range(100):
        with suppress(Error):  # the page is loaded anew in between
            if not page.evaluate(KEPT):
                return
        page.wait_for_timeout(100)
    raise AssertionError("something is not sent yet")


# --- few taps ------------------------------------------------------------------------------------


def test_an_ordinary_note_is_two_taps(thumb, people, page, orm) -> None:
    thumb.tap(page.locator("#content").get_by_role("link", name="Goods in", exact=True))
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    thumb.tap(page.get_by_role("button", name=f"All here, all good on {people.note}"))
    assert "Recorded: goods in" in thumb.recorded()
    assert thumb.taps <= ORDINARY_TAPS
    assert line(orm, people) == (4, 0, 0, 0, 0)
    assert (told(orm), thumb.elsewhere, page.said) == (1, [], [])
    sound(orm)


def test_with_a_temperature_it_is_four(people, page, live_server, orm) -> None:
    def asks() -> None:
        people.farm.kitchen.asks_temperature = True
        people.farm.kitchen.save()
        Thing.objects.create(name="Kitchen probe", kind="probe", place=people.farm.kitchen_place)

    orm(asks)
    thumb = Thumb(page, people, "chef", live_server.url, PHONE).start()
    thumb.tap(page.locator("#content").get_by_role("link", name="Goods in", exact=True))
    thumb.type(page.get_by_label("Temperature"), "6,5")
    thumb.choose("Between packs")
    thumb.tap(page.get_by_role("button", name="All here, all good"))
    assert "6.5 °C is above the target of 5 °C, not above 8 °C" in thumb.recorded()
    assert thumb.taps <= WITH_TEMPERATURE_TAPS
    assert looked_at(page, (PHONE, "light"), (PHONE, "dark")) == {}
    receipt = orm(lambda: Receipt.objects.select_related("probe").get())
    assert (str(receipt.temperature_c), receipt.probe.name) == ("6.50", "Kitchen probe")
    sound(orm)


def test_short_and_rejected_with_a_photograph(thumb, people, page, orm) -> None:
    box = open_note(thumb, people)
    thumb.choose("Short")
    thumb.type(box.get_by_label("How much is short"), "1")
    thumb.choose("Reject")
    thumb.type(box.get_by_label("How much is rejected"), "2")
    thumb.choose("Wilted")
    out = io.BytesIO()
    Image.effect_noise((2400, 1800), 60).convert("RGB").save(out, "JPEG")
    box.get_by_label("Photograph").set_input_files(
        {"name": "p.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}
    )
    thumb.tap(page.get_by_role("button", name="Record what came"))
    assert "Recorded: goods in" in thumb.recorded()
    assert line(orm, people) == (1, 1, 2, 0, 0)
    odd = orm(lambda: ReceiptLine.objects.select_related("photo").get())
    assert odd.reason == "wilted"
    with Image.open(io.BytesIO(bytes(odd.photo.jpeg))) as image:
        assert max(image.size) == 1600
    page.goto("/goods-in/")
    assert page.said == []  # the browser's own page of a picture scolds itself
    page.get_by_role("link", name="photograph").click()
    assert page.locator("img").evaluate("one => one.naturalWidth") == 1600
    sound(orm)


def test_in_two_parts_and_in_an_old_browser(thumb, people, page, orm) -> None:
    page.add_init_script(OLD)
    page.goto("/")
    box = open_note(thumb, people)
    thumb.choose("Rest follows")
    thumb.type(box.get_by_label("How much follows"), "3")
    thumb.tap(page.get_by_role("button", name="Record what came"))
    assert "Recorded" in thumb.recorded()
    assert line(orm, people) == (1, 0, 0, 3, 0)
    page.goto("/goods-in/")
    assert "3 packs" in page.locator(".door-note").inner_text()
    page.get_by_role("button", name="All here, all good").click()
    assert "Recorded" in thumb.recorded()
    assert line(orm, people) == (4, 0, 0, 0, 0)
    assert told(orm) == 2
    sound(orm)


def test_a_double_tap_is_one_receipt(thumb, people, page, orm) -> None:
    page.goto("/goods-in/")
    page.get_by_role("button", name="All here, all good").dblclick()
    assert "Recorded" in thumb.recorded()
    page.go_back()
    page.get_by_role("button", name="All here, all good").or_(page.locator(".nothing")).wait_for()
    assert told(orm) == 1
    assert line(orm, people) == (4, 0, 0, 0, 0)
    sound(orm)


def test_a_slip_is_said_and_the_form_stays_open(thumb, people, page, orm) -> None:
    open_note(thumb, people)
    thumb.choose("Reject")
    page.get_by_role("button", name="Record what came").click()
    panel = unsent(page)
    panel.get_by_text("tap why it was rejected").wait_for()
    assert "1 entry is not recorded." in panel.inner_text()
    assert "Change it below and press again" in panel.inner_text()
    # what is entered elsewhere meanwhile has its own result, whatever else was refused
    page.goto("/goods-in/cut/")
    page.locator("label.chip", has_text="T1").click()
    thumb.choose("A handful")
    page.get_by_role("button", name="I cut it").click()
    assert "Recorded: cut" in thumb.recorded()
    unsent(page).get_by_role("button", name="Change it").click()
    page.get_by_label("Wilted").check()
    page.get_by_role("button", name="Record what came").click()
    assert "Recorded" in thumb.recorded()
    assert line(orm, people) == (0, 0, 4, 0, 0)
    assert told(orm) == 1


# --- the network ---------------------------------------------------------------------------------


def test_without_a_network_it_is_kept_and_sent_once(thumb, people, page, orm) -> None:
    """What the page sends by itself lets nobody go who shares a device: they may be typing."""
    last: list[str | None] = []
    page.on("request", lambda sent: last.append(sent.headers.get("x-queue")))
    page.goto("/goods-in/")
    page.context.set_offline(True)
    page.get_by_role("button", name="All here, all good").click()
    panel = unsent(page)
    panel.get_by_text("There is no network").wait_for()
    assert "1 entry is not sent yet." in panel.inner_text()
    assert f"{people.note}: all here, all good" in panel.inner_text()
    assert page.get_by_role("button", name="All here, all good").is_hidden()
    assert violations(page) == []
    assert told(orm) == 0
    page.context.set_offline(False)  # the browser says so, and the page sends it
    page.locator(".nothing", has_text="No note is on its way.").wait_for()
    assert panel.is_hidden()
    assert told(orm) == 1
    assert list(filter(None, last)) == ["last", "more"]
    assert line(orm, people) == (4, 0, 0, 0, 0)
    sound(orm)


def test_cut_off_in_mid_send_it_is_sent_again_and_not_doubled(thumb, people, page, orm) -> None:
    """The server had it, and the answer was lost on the way back."""
    lost: list[int] = []

    def lose(route: Any) -> None:
        if route.request.method != "POST" or lost:
            route.continue_()
            return
        lost.append(route.fetch().status)
        route.abort()

    page.route("**/goods-in/", lose)
    page.goto("/goods-in/")
    page.get_by_role("button", name="All here, all good").click()
    panel = unsent(page)
    panel.get_by_text("There is no network").wait_for()
    assert (lost, told(orm)) == ([200], 1)
    panel.get_by_role("button", name="Send now").click()
    page.locator(".nothing", has_text="No note is on its way.").wait_for()
    assert told(orm) == 1
    assert line(orm, people) == (4, 0, 0, 0, 0)
    sound(orm)


def test_it_outlasts_the_page_and_its_photograph_too(thumb, people, page, orm) -> None:
    box = open_note(thumb, people)
    thumb.choose("Short")
    out = io.BytesIO()
    Image.new("RGB", (800, 600), "green").save(out, "JPEG")
    box.get_by_label("Photograph").set_input_files(
        {"name": "p.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}
    )
    page.context.set_offline(True)
    page.get_by_role("button", name="Record what came").click()
    unsent(page).get_by_text("There is no network").wait_for()
    page.goto("about:blank")
    page.context.set_offline(False)
    page.goto("/")  # any page of the site sends it
    page.get_by_text("Goods in").first.wait_for()
    all_sent(page)
    assert line(orm, people) == (0, 4, 0, 0, 0)
    assert told(orm) == 1
    assert orm(lambda: Photo.objects.count()) == 1
    sound(orm)


def test_a_photograph_for_which_there_is_no_room_is_said_plainly(thumb, people, page, orm) -> None:
    box = open_note(thumb, people)
    thumb.choose("Short")
    out = io.BytesIO()
    Image.effect_noise((2400, 1800), 90).convert("RGB").save(out, "JPEG")
    box.get_by_label("Photograph").set_input_files(
        {"name": "p.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}
    )
    page.evaluate(FILL)
    page.context.set_offline(True)
    page.get_by_role("button", name="Record what came").click()
    panel = unsent(page)
    panel.get_by_text("There is no network").wait_for()
    assert "The photograph is too large to be kept here; the entry goes without it." in (
        panel.inner_text()
    )
    page.context.set_offline(False)
    all_sent(page)
    assert line(orm, people) == (0, 4, 0, 0, 0)
    assert not orm(lambda: Photo.objects.exists())


def test_a_session_that_lapsed_keeps_the_queue(thumb, people, page, orm) -> None:
    def password() -> None:
        chef = Event._meta.get_field("recorded_by").related_model.objects.get(username="chef")
        chef.set_password(PASSWORD)
        chef.save()
        Session.objects.all().delete()

    page.goto("/goods-in/")
    orm(password)
    page.get_by_role("button", name="All here, all good").click()
    panel = unsent(page)
    panel.get_by_text("You are no longer signed in here.").wait_for()
    assert told(orm) == 0
    panel.get_by_role("link", name="Sign in").click()
    page.wait_for_url("**/login/**")
    assert "1 entry is not sent yet, by Chef" in unsent(page).inner_text()
    page.locator("#id_username").fill("chef")
    page.locator("#id_password").fill(PASSWORD)
    page.locator("[type=submit]").first.click()
    page.locator(".nothing", has_text="No note is on its way.").wait_for()
    assert told(orm) == 1
    assert line(orm, people) == (4, 0, 0, 0, 0)
    assert orm(lambda: Event.objects.get(kind="receive").recorded_by.username) == "chef"
    sound(orm)


def test_what_was_undone_meanwhile_is_asked_about_and_not_recorded_by_itself(
    thumb, people, page, orm
) -> None:
    def lose(route: Any) -> None:
        if route.request.method == "POST":
            route.fetch()
            route.abort()
        else:
            route.continue_()

    page.route("**/goods-in/", lose)
    page.goto("/goods-in/")
    page.get_by_role("button", name="All here, all good").click()
    unsent(page).get_by_text("There is no network").wait_for()
    orm(
        lambda: people.farm.tell(
            "cancel", event=Event.objects.get(kind="receive"), reason="other note"
        )
    )
    page.unroute("**/goods-in/")
    unsent(page).get_by_role("button", name="Send now").click()
    unsent(page).get_by_text("It was undone at").wait_for()
    assert line(orm, people) == (0, 0, 0, 4, 0)
    unsent(page).get_by_role("button", name="Record it as another arrival").click()
    all_sent(page)
    assert line(orm, people) == (4, 0, 0, 0, 0)
    sound(orm)


def test_somebody_elses_entries_wait_for_them(thumb, people, page, live_server, orm) -> None:
    """Another signs in, in another tab of the same browser, before the network is back."""
    page.goto("/goods-in/")
    page.context.set_offline(True)
    page.get_by_role("button", name="All here, all good").click()
    unsent(page).get_by_text("There is no network").wait_for()
    Thumb(page, people, "manager", live_server.url, PHONE)
    page.context.set_offline(False)
    unsent(page).get_by_text("You are no longer signed in here.").wait_for()
    assert told(orm) == 0
    page.goto("/")
    assert "by Chef: sent when Chef signs in here." in unsent(page).inner_text()
    assert told(orm) == 0


def test_what_the_server_fails_at_is_said_and_stops_nothing_behind_it(
    thumb, people, page, orm
) -> None:
    second = orm(lambda: people.farm.send(people.run, 2).note.number)

    def fails(route: Any) -> None:
        if people.note.number in (route.request.post_data or ""):
            route.fulfill(status=500, body="a fault")
        else:
            route.continue_()

    page.goto("/goods-in/")
    page.context.set_offline(True)
    for number in (people.note, second):
        page.get_by_role("button", name=f"All here, all good on {number}").click()
        unsent(page).get_by_text("There is no network").wait_for()
    page.route("**/goods-in/", fails)
    page.context.set_offline(False)
    panel = unsent(page)
    panel.get_by_text("The farm’s computer failed at this one.").wait_for()
    panel.get_by_text("1 entry was sent and recorded.").wait_for()
    assert "1 entry is not sent yet." in panel.inner_text()
    assert violations(page) == []
    assert told(orm) == 1
    page.unroute("**/goods-in/")
    panel.get_by_role("button", name="Try again").click()
    assert "Recorded: goods in" in thumb.recorded()
    assert told(orm) == 2
    assert line(orm, people) == (4, 0, 0, 0, 0)
    sound(orm)


# --- what came by itself -------------------------------------------------------------------------


def test_a_cook_cuts_and_takes_in_what_came_without_a_note(thumb, people, page, orm) -> None:
    thumb.tap(page.get_by_role("link", name="I cut this myself"))
    page.locator("label.chip", has_text="T1").first.click()
    # what else could be said makes room, until it is wanted again
    assert page.locator(".cut-what .scan").is_hidden()
    thumb.choose("Another crop")
    assert page.locator(".cut-what .scan").is_visible()
    page.locator("label.chip", has_text="T1").first.click()
    thumb.choose("A bunch")
    assert violations(page) == []
    page.get_by_role("button", name="I cut it").click()
    assert "Recorded: cut" in thumb.recorded()
    page.goto("/goods-in/without-note/")
    page.get_by_label("Code on the crate").fill(people.crate.code)
    page.get_by_label("Weight").fill("0.5")
    assert violations(page) == []
    page.get_by_role("button", name="Record it").click()
    assert "Recorded: came without a note" in thumb.recorded()
    kitchen = people.farm.kitchen_place
    assert orm(lambda: people.farm.stock(people.crate, kitchen)) == 500
    assert page.said == []
    sound(orm)


def test_a_spray_is_red_first_and_one_more_press_records_the_cut(
    people, page, live_server, orm
) -> None:
    def sprayed() -> None:
        people.farm.tell("treat", item=people.farm.soap, places=[people.farm.t1], reason="aphid")
        people.farm.pass_time(hours=1)

    orm(sprayed)
    thumb = Thumb(page, people, "chef", live_server.url, PHONE)
    page.goto("/goods-in/cut/")
    # Red, too, is "not sure where" of its crop: the sprayed tower might be the one.
    barred = page.locator(".chip.is-danger")
    assert ["T1" in words for words in barred.all_inner_texts()] == [True, False]
    assert "in the harvest interval of Leaf soap, until" in barred.first.inner_text()
    page.locator("label.chip", has_text="T1").click()
    thumb.choose("A handful")
    page.get_by_role("button", name="I cut it").click()
    panel = unsent(page)
    panel.get_by_text("cut inside the harvest interval of Leaf soap").wait_for()
    assert violations(page) == []
    before = told(orm, "harvest")
    panel.get_by_role("button", name="It is cut: record it").click()
    assert "Recorded: cut" in thumb.recorded()
    assert told(orm, "harvest") == before + 1
    lot = orm(lambda: Event.objects.filter(kind="harvest").latest("id").lot)
    assert orm(lambda: people.farm.stock(lot, people.farm.kitchen_place)) == 50
    assert orm(lambda: lot.holds.filter(ended_by=None).exists())
    sound(orm)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_pages_are_clean_for_weak_eyes(people, page, live_server, orm, scheme) -> None:
    def asks() -> None:
        people.farm.kitchen.asks_temperature = True
        people.farm.kitchen.save()
        people.farm.hold(people.run)
        people.farm.tell("treat", item=people.farm.soap, places=[people.farm.t1], reason="aphid")

    orm(asks)
    page.emulate_media(color_scheme=scheme)
    Thumb(page, people, "chef", live_server.url, PHONE)
    for url in ("/goods-in/", f"/goods-in/?note={people.note}", "/goods-in/cut/"):
        page.goto(url)
        for box in page.get_by_role("checkbox", name="Reject").all():
            box.check()
        assert violations(page) == [], url
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.goto(f"/goods-in/?note={people.note}")
    page.get_by_role("checkbox", name="Reject").check()
    page.get_by_role("button", name="Record what came").click()
    unsent(page).locator(".unsent-why").wait_for()
    assert violations(page) == []


def test_without_a_script_it_is_the_same(people, live_server, page, orm) -> None:
    page.context.browser.new_context()
    plain = page.context.browser.new_context(
        base_url=live_server.url, java_script_enabled=False, viewport=PHONE
    )
    plain.add_cookies(
        [{"name": "sessionid", "value": people.sessions["chef"], "url": live_server.url}]
    )
    tab = plain.new_page()
    tab.goto(f"/goods-in/?note={people.note}")
    tab.get_by_role("checkbox", name="Reject").check()
    tab.get_by_label("How much is rejected").fill("1")
    tab.get_by_role("button", name="Record what came").click()
    assert "tap why it was rejected" in tab.locator("#refusal").inner_text()
    tab.get_by_label("Pest").check()
    tab.get_by_role("button", name="Record what came").click()
    assert "Recorded: goods in" in tab.get_by_role("status").inner_text()
    assert line(orm, people) == (3, 0, 1, 0, 0)
    plain.close()
