"""Shared devices: who is chosen by badge or PIN, what they may open, what entries note of it."""

from __future__ import annotations

import datetime as dt
import html
import itertools
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client, override_settings

from grow import clock, devices, pins
from grow.models import Device, Event, Person
from tests.farm import Farm

pytestmark = [pytest.mark.django_db, pytest.mark.once]
_ids = itertools.count(1)


def person(name: str, *roles: str, pin: str = "", badge: str | None = None, **more: Any) -> Person:
    made = Person.objects.create_user(name, badge=badge, **more)
    made.groups.set(Group.objects.filter(name__in=roles))
    if pin:
        pins.give(made, pins.hashed(pin))
    return made


class Bench:
    """A packing bench's tablet, and who records on it."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.mo = person("mo", "manager", is_staff=True, password="a long one", shown_as="Mo")
        self.ann = person("ann", "packer", pin="4829", badge="PK-7Q3", shown_as="Ann")
        self.lou = person("lou", "learner", badge="LN-2X9", shown_as="Lou")
        self.crate = farm.cut(3000)
        farm.pass_time(hours=1)
        self.tablet = Client()
        self.tablet.force_login(self.mo)
        self.made = self.tablet.post("/shared-device/", {"name": "Packing bench"})

    def scan(self, badge: str) -> Any:
        return self.tablet.post("/who/", {"badge": badge})

    def tap(self, who: Person, pin: str) -> Any:
        return self.tablet.post(f"/who/{who.pk}/", {"pin": pin})

    def clean(self, **more: Any) -> Any:
        data = {"place": "Packing bench", "how": "washed", "client_id": f"tablet-{next(_ids)}"}
        return self.tablet.post("/do/clean/", data | more)


@pytest.fixture
def bench(farm: Farm) -> Bench:
    return Bench(farm)


def says(page: Any) -> str:
    found = re.search(r'role="alert">(.*?)</p>', page.content.decode(), re.S)
    return html.unescape(re.sub(r"<[^>]+>", "", found[1])).strip() if found else ""


def shown(page: Any) -> str:
    return html.unescape(page.content.decode())


# --- a browser becomes a shared device -----------------------------------------------------------


def test_a_manager_makes_this_browser_a_shared_device_and_is_signed_out_of_it(bench):
    assert bench.made.status_code == 302
    assert bench.made.url == "/who/"
    assert "_auth_user_id" not in bench.tablet.session
    cookie = bench.made.cookies[devices.COOKIE]
    assert cookie["max-age"] == 400 * 24 * 3600  # it survives a restart of the browser
    assert cookie["httponly"]
    start = bench.tablet.get("/")
    assert (start.status_code, start.url) == (302, "/who/")
    who = shown(bench.tablet.get("/who/"))
    assert "Packing bench" in who
    assert ">Ann</a>" in who
    assert ">Lou</a>" not in who  # without a PIN there is nothing to tap


def test_who_does_not_set_up_people_makes_none(bench):
    packer = Client()
    packer.force_login(person("pat", "packer", is_staff=True))
    assert packer.get("/shared-device/").status_code == 403
    assert packer.post("/shared-device/", {"name": "Mine"}).status_code == 403
    assert not Device.objects.filter(name="Mine").exists()


@pytest.mark.parametrize("name", ["", "x" * 41, "a\nb", "<b>"])
def test_a_device_has_a_plain_name(bench, name):
    desk = Client()
    desk.force_login(bench.mo)
    page = desk.post("/shared-device/", {"name": name})
    if name == "a\nb":  # a line's end is a space
        assert page.status_code == 302
        return
    assert page.status_code == 422
    assert says(page)
    assert Device.objects.count() == 1


def test_the_same_name_moves_the_device_to_another_browser(bench):
    other = Client()
    other.force_login(bench.mo)
    assert other.post("/shared-device/", {"name": "packing bench"}).status_code == 302
    assert Device.objects.count() == 1
    assert "Packing bench" in shown(other.get("/who/"))
    assert bench.tablet.get("/who/").status_code == 302  # the old one is anybody's browser again
    assert bench.tablet.get("/").url.startswith("/login/")


def test_a_device_that_is_not_in_use_knows_nobody(bench):
    assert bench.scan("PK-7Q3").url == "/"
    Device.objects.update(in_use=False)
    assert bench.tablet.get("/").url.startswith("/login/")
    assert bench.clean().url.startswith("/login/")
    assert not Event.objects.filter(kind="clean").exists()


@pytest.mark.parametrize("cookie", ["1:x", "1", "", "x" * 3000, "1:x:bad"])
def test_a_made_up_cookie_is_no_device(bench, cookie):
    thief = Client()
    thief.cookies[devices.COOKIE] = cookie
    assert thief.get("/").url.startswith("/login/")
    assert thief.post("/who/", {"badge": "PK-7Q3"}).url == "/"
    assert thief.get("/").url.startswith("/login/")


def test_it_is_shared_no_more(bench):
    bench.tablet.force_login(bench.mo)
    bench.tablet.get("/shared-device/")
    assert bench.tablet.post("/shared-device/", {"end": "yes"}).url == "/"
    assert bench.tablet.get("/").status_code == 200
    assert not bench.tablet.cookies[devices.COOKIE].value


# --- who is chosen -------------------------------------------------------------------------------


def test_a_badge_is_scanned_and_an_entry_notes_person_and_device(bench):
    assert bench.scan("pk-7q3").url == "/"
    start = shown(bench.tablet.get("/"))
    assert "Ann" in start
    assert "Set-up and records" not in start
    told = bench.clean()
    assert told.url == "/who/"
    event = Event.objects.get(kind="clean")
    assert event.recorded_by == bench.ann
    assert list(event.done_by.all()) == [bench.ann]
    assert event.device == "Packing bench"
    boss = Client()
    boss.force_login(bench.mo)
    assert boss.get(f"/api/v1/events/{event.pk}/").json()["device"] == "Packing bench"


def test_a_pin_is_tapped(bench):
    page = bench.tablet.get(f"/who/{bench.ann.pk}/")
    assert 'inputmode="numeric"' in shown(page)
    assert bench.tap(bench.ann, " 4829 ").url == "/"
    assert bench.clean().url == "/who/"
    assert Event.objects.get(kind="clean").recorded_by == bench.ann
    assert bench.tablet.get(f"/who/{bench.lou.pk}/").status_code == 404


def test_after_one_act_the_person_is_let_go(bench):
    bench.scan("PK-7Q3")
    bench.clean()
    again = bench.clean()
    assert again.url == "/who/"
    assert Event.objects.filter(kind="clean").count() == 1
    who = shown(bench.tablet.get("/who/"))
    assert "Who is next?" in who
    assert "Recorded: clean" in who


def test_a_refused_act_keeps_the_person(bench):
    bench.scan("PK-7Q3")
    refused = bench.clean(place="")
    assert refused.status_code == 422
    assert bench.clean().url == "/who/"


def test_whoever_told_the_last_act_undoes_it_and_nobody_else_does(bench):
    bench.scan("PK-7Q3")
    bench.clean()
    event = Event.objects.get(kind="clean")
    assert "Ann: undo it" in shown(bench.tablet.get("/who/"))
    # another person, between
    assert bench.scan("LN-2X9").url == "/"
    assert ">Undo</button>" not in shown(bench.tablet.get("/"))
    undo = {"event": str(event.pk), "client_id": f"undo-{event.pk}"}
    refused = bench.tablet.post("/do/undo/", undo)
    assert refused.status_code == 422
    assert "Somebody else recorded that" in shown(refused)
    bench.tablet.post("/who/next/")
    assert bench.tap(bench.ann, "4829").url == f"/?done={event.pk}"
    assert ">Undo</button>" in shown(bench.tablet.get("/"))
    assert bench.tablet.post("/do/undo/", undo).url == "/who/"
    assert event.is_cancelled
    taken_back = Event.objects.get(kind="undo")
    assert (taken_back.recorded_by, taken_back.device) == (bench.ann, "Packing bench")
    assert "Done: undo" in shown(bench.tablet.get("/who/"))


def test_the_same_person_comes_straight_back_to_what_they_told(bench):
    bench.scan("PK-7Q3")
    bench.clean()
    event = Event.objects.get(kind="clean")
    back = bench.scan("PK-7Q3")
    assert back.url == f"/?done={event.pk}"
    assert ">Undo</button>" in shown(bench.tablet.get(back.url))
    bench.tablet.post("/who/next/")
    bench.farm.pass_time(minutes=11)
    assert "Recorded" not in shown(bench.tablet.get("/who/"))
    assert bench.scan("PK-7Q3").url == "/"


def test_five_minutes_without_a_press_let_the_person_go(bench):
    bench.scan("PK-7Q3")
    bench.farm.pass_time(minutes=4)
    assert bench.tablet.get("/do/clean/").status_code == 200
    bench.farm.pass_time(minutes=4)
    assert bench.tablet.post("/who/still/").status_code == 204  # typing is a press
    bench.farm.pass_time(minutes=4)
    assert bench.tablet.get("/").status_code == 200
    bench.farm.pass_time(minutes=6)
    assert bench.tablet.post("/who/still/").status_code == 409
    assert bench.tablet.get("/").url == "/who/"
    assert bench.clean().url == "/who/"
    assert not Event.objects.filter(kind="clean").exists()


def test_what_was_typed_too_slowly_waits_for_who_typed_it(bench):
    bench.scan("PK-7Q3")
    bench.farm.pass_time(minutes=6)
    assert bench.clean(how="hot wash, twice").url == "/who/"
    assert "What Ann was filling in is kept" in shown(bench.tablet.get("/who/"))
    # somebody else first: they do not see it, and it stays
    assert bench.scan("LN-2X9").url == "/"
    assert "hot wash, twice" not in shown(bench.tablet.get("/do/clean/"))
    bench.clean()
    assert bench.scan("PK-7Q3").url == "/do/clean/"
    assert "hot wash, twice" in shown(bench.tablet.get("/do/clean/"))
    bench.clean(how="hot wash, twice")
    assert Event.objects.filter(kind="clean", recorded_by=bench.ann).count() == 1
    assert bench.scan("PK-7Q3").url.startswith("/?done=")  # only once


def test_somebody_who_left_the_farm_is_not_chosen(bench):
    bench.scan("PK-7Q3")
    Person.objects.filter(pk=bench.ann.pk).update(is_active=False)
    assert bench.clean().url == "/who/"
    assert bench.scan("PK-7Q3").status_code == 422
    assert bench.tablet.get(f"/who/{bench.ann.pk}/").status_code == 404


# --- what they may open --------------------------------------------------------------------------

TASKS = ["/", "/do/clean/", "/do/pack/", "/sheets/", "/own-pin/"]
OWN_PASSWORD = [
    "/grow/crop/",
    "/grow/person/",
    "/grow/event/",
    "/grow/lot/",
    "/import/",
    "/shared-device/",
    "/password_change/",
]
API = ["/api/v1/events/", "/api/v1/tokens/", "/api/v1/crops/", "/api/v1/people/"]


def test_a_chosen_person_opens_task_pages_and_nothing_else(bench):
    """The same person opens all of it with their own password."""
    mo = bench.mo
    pins.give(mo, pins.hashed("7301"))
    assert bench.tap(mo, "7301").url == "/"
    for address in TASKS:
        assert bench.tablet.get(address).status_code == 200, address
    for address in OWN_PASSWORD:
        page = bench.tablet.get(address)
        assert page.status_code == 302, address
        assert page.url.startswith("/login/"), address
    for address in API:
        assert bench.tablet.get(address).status_code == 401, address
    told = {"HTTP_IDEMPOTENCY_KEY": "x", "content_type": "application/json"}
    sent = bench.tablet.post("/api/v1/acts/clean/", '{"place": "Packing bench"}', **told)
    assert sent.status_code == 401
    desk = Client()
    desk.force_login(mo)
    for address in [*TASKS, *OWN_PASSWORD, *API]:
        assert desk.get(address).status_code == 200, address


def test_every_page_that_names_no_password_is_a_task(bench):
    """Pages are open unless they say otherwise; the rest of the site is not."""
    from config.devices import is_task
    from config.site import offered_pages

    shut = {page.name for page in offered_pages() if not is_task(f"admin:{page.name}")}
    assert {"import", "shared_device", "towers"} <= shut
    assert not {"act", "countersign", "own_pin", "sheets", "sheet"} & shut
    assert not is_task("admin:grow_crop_changelist")
    assert not is_task("schema")


def test_a_role_is_asked_for_on_a_shared_device_as_anywhere(bench):
    bench.scan("LN-2X9")
    assert bench.tablet.get("/do/treat/").status_code == 403
    assert bench.tablet.get("/countersign/").status_code == 403


@override_settings(AXES_ENABLED=False)
def test_ones_own_password_opens_the_rest_for_five_minutes(bench):
    bench.scan("PK-7Q3")
    page = bench.tablet.get("/login/?next=/grow/crop/")
    assert "needs your own password" in shown(page)
    told = {"username": "mo", "password": "a long one", "next": "/grow/crop/"}
    bench.farm.pass_time(minutes=30)
    assert bench.tablet.post("/login/", told).url == "/grow/crop/"
    assert bench.tablet.get("/grow/crop/").status_code == 200
    assert bench.tablet.get("/api/v1/crops/").status_code == 200
    bench.farm.pass_time(minutes=4)
    assert bench.tablet.post("/who/still/").status_code == 204
    bench.farm.pass_time(minutes=4)
    assert bench.tablet.get("/grow/crop/").status_code == 200
    bench.farm.pass_time(minutes=6)
    assert bench.tablet.get("/grow/crop/").status_code == 302
    assert "_auth_user_id" not in bench.tablet.session
    assert bench.tablet.get("/").url == "/who/"


@override_settings(AXES_ENABLED=False)
def test_who_gave_a_password_is_let_go_after_one_act_too(bench):
    bench.tablet.post("/login/", {"username": "mo", "password": "a long one", "next": "/"})
    assert bench.clean().url == "/who/"
    event = Event.objects.get(kind="clean")
    assert (event.recorded_by, event.device) == (bench.mo, "Packing bench")
    assert "_auth_user_id" not in bench.tablet.session
    assert bench.tablet.get("/").url == "/who/"


# --- badges and PINs ------------------------------------------------------------------------------


def test_a_wrong_scan_locks_nothing_ever(bench):
    for n in range(40):
        wrong = bench.scan(f"NO-{n}")
        assert wrong.status_code == 422
    assert says(wrong) == "“NO-39” is nobody's badge here. Scan it again, or tap your name."
    assert bench.scan("").status_code == 422
    assert bench.scan("PK-\x07").status_code == 422
    assert bench.scan("PK-7Q3").url == "/"


def test_five_wrong_pins_in_a_row_rest_that_pin_and_nothing_else(bench):
    ben = person("ben", "packer", pin="5903", shown_as="Ben")
    for n in range(1, 5):
        wrong = bench.tap(bench.ann, "0000")
        assert wrong.status_code == 422
        assert says(wrong).startswith(f"That is not the PIN of Ann: wrong {n} of 5 times.")
    fifth = bench.tap(bench.ann, "0000")
    until = clock.local(bench.farm.now + dt.timedelta(minutes=5))
    assert says(fifth) == (
        "5 wrong PINs in a row: the PIN of Ann rests for 5 minutes, until "
        f"{until:%H:%M:%S}. The badge still works, and everybody else's PIN."
    )
    bench.farm.pass_time(minutes=4)
    assert bench.tap(bench.ann, "4829").status_code == 422  # the right one rests, too
    assert bench.tap(ben, "5903").url == "/"
    bench.tablet.post("/who/next/")
    assert bench.scan("PK-7Q3").url == "/"
    bench.tablet.post("/who/next/")
    bench.farm.pass_time(minutes=2)
    assert says(bench.tap(bench.ann, "1111")).startswith("That is not the PIN of Ann: wrong 1 of 5")
    assert bench.tap(bench.ann, "4829").url == "/"


def test_a_right_pin_sets_the_count_back(bench):
    for _ in range(3):
        for _ in range(4):
            bench.tap(bench.ann, "0000")
        assert bench.tap(bench.ann, "4829").url == "/"
        bench.tablet.post("/who/next/")


def test_guesses_at_once_get_no_more_than_five(bench, monkeypatch):
    """Each is counted before its hash is looked at: the count is up while others look."""
    seen = []

    def slow(pin: str, kept: str) -> bool:
        bench.ann.refresh_from_db()
        seen.append((bench.ann.wrong_pins, bench.ann.pin_rests_until is not None))
        return False

    monkeypatch.setattr(pins, "check_password", slow)
    for _ in range(8):
        bench.tap(bench.ann, "0000")
    assert seen == [(1, False), (2, False), (3, False), (4, False), (5, True)]


@pytest.mark.parametrize(
    "pin", ["", "123", "12a4", "123456789", "4444", "3456", "9876", "12 34", "١٢٣٤"]
)
def test_a_pin_is_four_to_eight_digits_that_are_not_guessed_at_once(pin):
    with pytest.raises(pins.Refusal):
        pins.fit(pin)
    assert pins.fit("4829") == "4829"
    assert pins.fit("48290173") == "48290173"


@override_settings(PASSWORD_HASHERS=["django.contrib.auth.hashers.Argon2PasswordHasher"])
def test_a_pin_is_hashed_and_shown_to_nobody(bench):
    pins.give(bench.ann, pins.hashed("6172"))
    bench.ann.refresh_from_db()
    assert bench.ann.pin.startswith("argon2$argon2id$")
    desk = Client()
    desk.force_login(bench.mo)
    for address in ("/grow/person/", f"/grow/person/{bench.ann.pk}/change/", "/api/v1/people/"):
        page = shown(desk.get(address))
        assert "6172" not in page
        assert "argon2id" not in page.replace("algorithm", "")


def test_one_sets_ones_own_pin_with_ones_password(bench):
    desk = Client()
    desk.force_login(bench.mo)
    told = {"new_pin": "8305", "again": "8305", "password": "a long one"}
    for wrong, code in (
        ({"password": "guess"}, 403),
        ({"again": "8306"}, 422),
        ({"new_pin": "83", "again": "83"}, 422),
    ):
        page = desk.post("/own-pin/", told | wrong)
        assert page.status_code == code
        assert says(page).startswith("Not set yet.")
    bench.mo.refresh_from_db()
    assert bench.mo.pin == ""
    assert desk.post("/own-pin/", told).url == "/"
    assert bench.tap(bench.mo, "8305").url == "/"


def test_who_has_no_password_is_told_who_gives_a_pin(bench):
    bench.lou.set_unusable_password()
    bench.lou.save()
    bench.scan("LN-2X9")
    assert "gives you a PIN" in shown(bench.tablet.get("/own-pin/"))
    told = {"new_pin": "8305", "again": "8305", "password": ""}
    bench.tablet.post("/own-pin/", told)
    bench.lou.refresh_from_db()
    assert bench.lou.pin == ""


# --- a learner or agency cook works by badge alone ------------------------------------------------


def test_without_password_or_staff_a_learner_records_by_badge(bench):
    bench.lou.set_unusable_password()
    bench.lou.save()
    assert not bench.lou.is_staff
    assert bench.scan("LN-2X9").url == "/"
    assert bench.tablet.get("/").status_code == 200
    data = {"crates": "2.4", "crop": "Red mustard", "store": "Cold store", "client_id": "lou-1"}
    assert bench.tablet.post("/do/harvest/", data).url == "/who/"
    who = shown(bench.tablet.get("/who/"))
    event = Event.objects.get(client_id="lou-1")
    assert event.recorded_by == bench.lou
    assert event.lot.code in who
    assert "to be countersigned" in who
    alone = Client()
    alone.force_login(bench.lou)
    assert alone.get("/").url.startswith("/login/")


def test_a_sheet_notes_the_device_too(bench):
    pins.give(bench.mo, pins.hashed("7301"))
    bench.tap(bench.mo, "7301")
    sheet = shown(bench.tablet.get("/sheets/harvest/"))
    token = re.search(r'name="token" value="(\w+)"', sheet)[1]
    day = f"{clock.local(bench.farm.now).date():%Y-%m-%d}"
    cells = {"crop-1": "Red mustard", "store-1": "Cold store", "gross_g-1": "2.4"}
    told = bench.tablet.post(
        "/sheets/harvest/", {"day": day, "token": token, "lines": "1", **cells}
    )
    assert told.status_code == 302, shown(told)
    event = Event.objects.filter(kind="harvest").latest("id")
    assert (event.recorded_by, event.device) == (bench.mo, "Packing bench")
    assert told.url == "/who/"


# --- the set-up pages of people -------------------------------------------------------------------


def desk(who: Person) -> Client:
    client = Client()
    client.force_login(who)
    return client


def facts(**more: Any) -> dict[str, Any]:
    """A person's form as a browser sends it, without sign-offs."""
    return {
        "sign_offs-TOTAL_FORMS": "0",
        "sign_offs-INITIAL_FORMS": "0",
        "username": "k1",
        "shown_as": "K. T.",
        **more,
    }


def test_a_learner_is_set_up_with_a_badge_a_pin_and_no_password(bench):
    page = desk(bench.mo)
    learner = Group.objects.get(name="learner")
    told = facts(badge="LN-9", new_pin="5038", usable_password="false", groups=[learner.pk])
    wrong = page.post("/grow/person/add/", told | {"new_pin": "50"})
    assert "A PIN is 4 to 8 digits." in shown(wrong)
    assert "taken" not in shown(wrong)
    assert page.post("/grow/person/add/", told).status_code == 302
    kim = Person.objects.get(username="k1")
    assert not kim.has_usable_password()
    assert (kim.badge, kim.is_staff, kim.is_superuser) == ("LN-9", False, False)
    assert bench.tap(kim, "5038").url == "/"
    bench.tablet.post("/who/next/")
    assert bench.scan("LN-9").url == "/"


def test_a_badge_is_one_persons_and_blank_for_many(bench):
    page = desk(bench.mo)
    told = facts(usable_password="false")
    for n in range(2):
        assert page.post("/grow/person/add/", told | {"username": f"b{n}"}).status_code == 302
    assert list(Person.objects.filter(username__in=["b0", "b1"], badge=None).values_list("badge"))
    twice = page.post("/grow/person/add/", told | {"username": "b2", "badge": "PK-7Q3"})
    assert "Somebody else has that badge." in shown(twice)


def test_a_pin_is_given_kept_and_taken_away(bench):
    page = desk(bench.mo)
    address = f"/grow/person/{bench.ann.pk}/change/"
    told = facts(username="ann", is_active="on", badge="PK-7Q3")
    for _ in range(5):
        bench.tap(bench.ann, "0000")  # it rests
    assert page.post(address, told | {"new_pin": "6172"}).status_code == 302
    assert bench.tap(bench.ann, "6172").url == "/"
    bench.tablet.post("/who/next/")
    assert page.post(address, told).status_code == 302
    assert bench.tap(bench.ann, "6172").url == "/"
    assert page.post(address, told | {"no_pin": "on"}).status_code == 302
    bench.ann.refresh_from_db()
    assert bench.ann.pin == ""


def test_nobody_makes_themselves_able_to_do_everything(bench):
    """A superuser does it; a manager sets up people, but none above them."""
    root = person("root", is_staff=True, is_superuser=True)
    mine = f"/grow/person/{bench.mo.pk}/change/"
    told = facts(username="mo", is_active="on", is_staff="on", is_superuser="on")
    told["groups"] = [Group.objects.get(name="manager").pk]
    assert desk(bench.mo).post(mine, told).status_code == 302
    bench.mo.refresh_from_db()
    assert not bench.mo.is_superuser
    above = f"/grow/person/{root.pk}/"
    assert desk(bench.mo).post(f"{above}change/", facts(new_pin="6172")).status_code == 403
    assert desk(bench.mo).get(f"{above}password/").status_code == 403
    assert desk(root).post(mine, told).status_code == 302
    bench.mo.refresh_from_db()
    assert bench.mo.is_superuser


def test_the_lead_signs_people_off(bench):
    fay = person("fay", "food_safety_lead", is_staff=True)
    page = desk(fay)
    assert f'value="{fay.pk}" selected' in shown(page.get("/grow/signoff/add/"))
    day = clock.local(bench.farm.now).date()
    told = {"person": bench.ann.pk, "task": "packing", "since": f"{day:%Y-%m-%d}", "by": fay.pk}
    assert page.post("/grow/signoff/add/", told).status_code == 302
    assert bench.ann.may("packing", day)
    for address in ("/grow/signoff/?q=ann", "/grow/signoff/?task__exact=packing"):
        assert page.get(address).status_code == 200
    assert desk(person("pat", "packer", is_staff=True)).get("/grow/signoff/").status_code == 403


def test_a_lost_device_is_shut_from_the_desk(bench):
    page = desk(bench.mo)
    device = Device.objects.get()
    assert "Make this browser a shared device" in shown(page.get("/grow/device/"))
    assert page.get("/grow/device/add/").status_code == 403
    told = {"name": "Packing bench"}
    assert page.post(f"/grow/device/{device.pk}/change/", told).status_code == 302
    assert bench.scan("PK-7Q3").url == "/"
    assert bench.tablet.get("/").url.startswith("/login/")
