"""Goods going out: an order filled in from stock, first-expired-first; a shelf filled to its level
in one tap; what is lacking said. Without a script first; then a scanner alone, and a thumb alone,
in a real browser."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow import pins
from grow.faults import faults
from grow.models import Event, Lot, Person, Place
from sales.models import DeliveryNote, Outlet, Product
from sales.pages_send import SEND
from tests.farm import Farm
from tests.hands import DESK, PHONE, People, Thumb, violations
from tests.reading_labels import codes_on
from tests.test_morning import want

#: Outlet, press; and one tap on the start page.
MOST_TAPS = 4


@pytest.fixture
def packer(farm: Farm) -> Client:
    farm.packer.is_staff = True
    farm.packer.save()
    farm.packer.groups.add(Group.objects.get(name="packer"))
    client = Client()
    client.force_login(farm.packer)
    return client


def key(lot: Lot, place: Place) -> str:
    return f"n-{lot.pk}-{place.pk}"


def filled(page: str) -> dict[str, str]:
    """Code → what its field says."""
    found = re.findall(
        r'name="n-[\d-]+" value="([^"]*)"[^>]*aria-label="How [a-z ]+ of ([^"]+)"', page
    )
    return {code: value for value, code in found}


def page_of(answer: Any) -> str:
    text: str = answer.content.decode()
    return text


def says(answer: Any) -> str:
    """What the page's refusal says, or nothing."""
    found = re.search(r'id="refusal">\s*<p>(.*?)</p>', page_of(answer), re.DOTALL)
    return re.sub(r"<[^>]*>", "", found[1]).replace("&#x27;", "'").strip() if found else ""


def lacks(page: str) -> list[str]:
    return re.findall(r'<p class="send-lacks">([^<]+)</p>', page)


def typed(outlet: str, **more: Any) -> dict[str, Any]:
    return {"outlet": outlet, "client_id": "one", "press": SEND} | more


def runs_of(farm: Farm, *packs: int) -> list[Lot]:
    """Runs, each a day after the other, so that the first expires first."""
    made = []
    for n in packs:
        made.append(farm.pack([farm.cut(n * 125)], packs=n))
        farm.pass_time(days=1)
    return made


# --- filled in -----------------------------------------------------------------------------------


def test_an_order_is_filled_in_first_expired_first(farm: Farm, packer: Client) -> None:
    """Of runs of 6, 8 and 8 whose middle one was given the shortest date: 8 of it, then 6, then
    2 of the last make 16."""
    first, middle, last = runs_of(farm, 6, 8, 8)
    farm.tell("describe", lot=middle, best_before=farm.today + dt.timedelta(days=1))
    want(farm.kitchen, farm.bag, 16, weekday=farm.today.isoweekday())
    page = page_of(packer.get("/send/?outlet=Kitchen"))
    assert filled(page) == {middle.code: "8", first.code: "6", last.code: "2"}
    assert list(filled(page)) == [middle.code, first.code, last.code]
    assert lacks(page) == []


def test_what_was_sent_today_is_not_sent_again(farm: Farm, packer: Client) -> None:
    (run,) = runs_of(farm, 20)
    want(farm.kitchen, farm.bag, 12, day=farm.today)
    farm.send(run, 5)
    page = page_of(packer.get("/send/?outlet=Kitchen"))
    assert filled(page) == {run.code: "7"}
    assert "12 wanted, 5 sent already" in page


def test_what_may_not_go_is_grey_with_why_and_not_filled_in(farm: Farm, packer: Client) -> None:
    held, stale, good = runs_of(farm, 8, 8, 8)
    farm.hold(held, reason="glass broke")
    farm.tell("describe", lot=stale, best_before=farm.today - dt.timedelta(days=1))
    want(farm.kitchen, farm.bag, 12, day=farm.today)
    page = page_of(packer.get("/send/?outlet=Kitchen"))
    assert filled(page) == {good.code: "8"}
    assert lacks(page) == ["4 to follow"]
    for lot, why in ((held, "Held: glass broke"), (stale, "Past its date")):
        row = page[: page.index(f'send-code">{lot.code}<')].rpartition('<div class="send-row')[2]
        assert row.startswith(" is-shut")
        assert why in page
        answer = packer.post("/send/", typed("Kitchen", press="", scan=lot.code))
        assert answer.status_code == 422
        assert f"{lot.code} stays here. {why}" in says(answer)


def test_a_shelf_is_filled_to_its_level_and_says_what_is_short(farm: Farm, packer: Client) -> None:
    (run,) = runs_of(farm, 20)
    farm.to_shop(run, 6)
    want(farm.shop, farm.bag, 18, day=farm.today)
    page = page_of(packer.get("/send/?outlet=Farm shop"))
    assert filled(page) == {run.code: "12"}
    assert "18 wanted, 6 on the shelf" in page
    assert "Put all on the shelf" in page
    want_more = farm.shop.wanted.get()
    want_more.quantity = 23
    want_more.save()
    page = page_of(packer.get("/send/?outlet=Farm shop"))
    assert lacks(page) == ["Not enough in store: 3 short"]
    assert "Put all on the shelf" not in page


def test_leaf_by_weight_is_in_kilograms(farm: Farm, packer: Client) -> None:
    crate = farm.cut(2000)
    want(farm.kitchen, farm.loose, 1350, day=farm.today)
    page = page_of(packer.get("/send/?outlet=Kitchen"))
    assert filled(page) == {crate.code: "1.35"}
    answer = packer.post("/send/", typed("Kitchen", **{key(crate, farm.store): "1.35"}))
    assert answer.status_code == 302
    assert DeliveryNote.objects.get().lines.get().sent == 1350


# --- one press -----------------------------------------------------------------------------------


def test_one_press_writes_the_note_and_leads_to_it(farm: Farm, packer: Client) -> None:
    farm.kitchen.asks_temperature = True
    farm.kitchen.save()
    (run,) = runs_of(farm, 12)
    assert 'name="temperature"' in page_of(packer.get("/send/?outlet=Kitchen"))
    sent = typed("Kitchen", temperature="4,5", **{key(run, farm.store): "10"})
    answer = packer.post("/send/", sent)
    note = DeliveryNote.objects.get()
    assert (answer.status_code, answer["Location"]) == (302, f"/notes/{note.number}/")
    assert '"temperature_c":"4.5"' in (note.event.told or "")
    farm.stands_at(
        "Cold store | run | 2 each\nOn the way to Kitchen | run | 10 each",
        run=run,
    )
    assert 'name="temperature"' not in page_of(packer.get("/send/?outlet=Farm shop"))


@pytest.mark.parametrize(
    ("typed_", "told"), [("−1 °C", "-1"), ("150", "150"), ("151", None), ("-61", None), ("x", None)]
)
def test_the_temperature_as_it_goes_is_read_as_at_the_door(
    farm: Farm, packer: Client, typed_: str, told: str | None
) -> None:
    farm.kitchen.asks_temperature = True
    farm.kitchen.save()
    (run,) = runs_of(farm, 12)
    sent = typed("Kitchen", temperature=typed_, **{key(run, farm.store): "10"})
    answer = packer.post("/send/", sent)
    assert answer.status_code == (302 if told else 422)
    note = DeliveryNote.objects.first()
    assert bool(note) is bool(told)
    if note:
        assert f'"temperature_c":"{told}"' in (note.event.told or "")


def test_a_double_press_makes_one_even_when_nothing_is_left(farm: Farm, packer: Client) -> None:
    (run,) = runs_of(farm, 12)
    leaf = farm.cut(800)
    sent = typed("Kitchen", **{key(run, farm.store): "12", key(leaf, farm.store): "0.8"})
    first, second = packer.post("/send/", sent), packer.post("/send/", sent)
    assert first["Location"] == second["Location"]
    assert DeliveryNote.objects.count() == 1
    assert faults() == []


def test_a_double_press_tells_the_same_though_the_store_has_changed(
    farm: Farm, packer: Client
) -> None:
    """All of the first to expire went, and a part of the next: the page would list them anew."""
    older, younger = runs_of(farm, 6, 12)
    farm.tell("describe", lot=younger, best_before=farm.today + dt.timedelta(days=1))
    sent = typed("Kitchen", **{key(younger, farm.store): "12", key(older, farm.store): "2"})
    first, second = packer.post("/send/", sent), packer.post("/send/", sent)
    assert (first.status_code, first["Location"]) == (302, second["Location"])
    assert DeliveryNote.objects.count() == 1


def test_the_shelf_is_filled_in_one_press_and_the_start_page_says_so(
    farm: Farm, packer: Client
) -> None:
    (run,) = runs_of(farm, 12)
    answer = packer.post("/send/", typed("Farm shop", **{key(run, farm.store): "12"}))
    event = Event.objects.get(kind="put_on_shelf")
    assert (answer.status_code, answer["Location"]) == (302, f"/?done={event.pk}")
    farm.stands_at("Farm shop | run | 12 each", run=run)


# --- slips ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"n": "13"}, "12 each in Cold store; 13 was asked for"),
        ({"n": "twelve"}, "quantity: “twelve” is not a whole number."),
        ({"n": "-1"}, "is nothing to send."),
        ({"n": ""}, "Nothing is filled in. Scan a crate, or type how many go."),
        ({"temperature": "warm"}, "Temperature: “warm” is not a number."),
        ({"outlet": "Nowhere"}, "Choose where it goes."),
    ],
)
def test_a_slip_gets_one_sentence_and_loses_nothing(
    farm: Farm, packer: Client, wrong: dict[str, str], sentence: str
) -> None:
    (run,) = runs_of(farm, 12)
    name = key(run, farm.store)
    good = typed("Kitchen", **{name: "12", "temperature": "4.5"})
    assert packer.post("/send/", good | {"client_id": "right"}).status_code == 302
    packer.post("/do/undo/", {"event": DeliveryNote.objects.get().event_id, "client_id": "u"})
    sent = good | {name if field == "n" else field: text for field, text in wrong.items()}
    answer = packer.post("/send/", sent)
    assert answer.status_code == 422
    assert sentence in re.sub(r"<[^>]*>", "", page_of(answer))
    if "outlet" not in wrong:
        assert f'name="{name}" value="{sent[name]}"' in page_of(answer)
    assert Event.objects.filter(kind="deliver").count() == 1


def test_what_has_already_gone_is_recorded_all_the_same(farm: Farm, packer: Client) -> None:
    (run,) = runs_of(farm, 12)
    sent = typed("Kitchen", **{key(run, farm.store): "15"})
    answer = packer.post("/send/", sent)
    assert f'value="{SEND} already_done"' in page_of(answer)
    answer = packer.post("/send/", sent | {"press": f"{SEND} already_done"})
    assert answer.status_code == 302
    assert DeliveryNote.objects.get().event.already_done


def test_what_left_the_store_meanwhile_is_kept_and_refused(farm: Farm, packer: Client) -> None:
    run, other = runs_of(farm, 12, 4)
    farm.tell(
        "discard", lot=run, from_place=farm.store, to="compost", quantity=12, reason="dropped"
    )
    sent = typed("Kitchen", **{key(run, farm.store): "5", key(other, farm.store): "4"})
    answer = packer.post("/send/", sent)
    assert answer.status_code == 422
    assert run.code in says(answer)
    assert filled(page_of(answer)) == {run.code: "5", other.code: "4"}


# --- a scan --------------------------------------------------------------------------------------


def test_a_scan_takes_a_crate_and_again_another(farm: Farm, packer: Client) -> None:
    """Twelve to a crate: of thirty, 12, 24, 30, and then all of it is taken."""
    farm.bag.per_crate = 12
    farm.bag.save()
    (run,) = runs_of(farm, 30)
    leaf = farm.cut(1700)
    name, taken = key(run, farm.store), ""
    for now in ("12", "24", "30"):
        sent = typed("Kitchen", press="", scan=run.code.lower(), **{name: taken})
        page = page_of(packer.post("/send/", sent))
        taken = filled(page)[run.code]
        assert taken == now
    answer = packer.post("/send/", typed("Kitchen", press="", scan=run.code, **{name: taken}))
    assert says(answer).endswith(f"All of {run.code} is taken already, 30 packs.")
    sent = typed("Kitchen", press="", scan=f"https://farm.example/l/{leaf.code}", **{name: taken})
    page = page_of(packer.post("/send/", sent))
    assert filled(page)[leaf.code] == "1.7"  # leaf goes by the crate, all of it
    assert filled(page)[run.code] == "30"


def test_without_packs_to_a_crate_a_scan_takes_all(farm: Farm, packer: Client) -> None:
    (run,) = runs_of(farm, 30)
    page = page_of(packer.post("/send/", typed("Kitchen", press="", scan=run.code)))
    assert filled(page) == {run.code: "30"}


def test_a_scan_that_is_nothing_says_why(farm: Farm, packer: Client) -> None:
    (run,) = runs_of(farm, 4)
    farm.send(run, 4)
    for text, sentence in (
        ("H99999-99-9", "No lot is called “H99999-99-9”."),
        (run.code, f"Nothing of {run.code} is in store."),
    ):
        answer = packer.post("/send/", typed("Kitchen", press="", scan=text))
        assert answer.status_code == 422
        assert sentence in says(answer)
    leaf = farm.cut(500)
    answer = packer.post("/send/", typed("Farm shop", press="", scan=leaf.code))
    assert f"{leaf.code} is leaf; this shelf is filled with packs." in says(answer)


# --- who, and where ------------------------------------------------------------------------------


def test_the_only_outlet_is_chosen_and_of_several_it_says_what_waits(
    farm: Farm, packer: Client
) -> None:
    (run,) = runs_of(farm, 4)
    want(farm.shop, farm.bag, 9, day=farm.today)
    page = page_of(packer.get("/send/"))
    assert "Shelf: 1 product to fill" in page
    assert "Order: none for today" in page
    assert run.code not in page
    assert filled(page_of(packer.get("/send/?by=shelf"))) == {run.code: "4"}
    assert 'value="Kitchen"' in page_of(packer.get("/send/?by=note"))


def test_a_shop_fills_shelves_and_writes_no_notes_and_a_cook_neither(
    farm: Farm, packer: Client
) -> None:
    farm.packer.groups.set([Group.objects.get(name="shop")])
    page = page_of(packer.get("/send/"))
    assert 'name="outlet" value="Farm shop"' in page
    assert packer.get("/send/?outlet=Kitchen").status_code == 422
    farm.packer.groups.set([Group.objects.get(name="chef")])
    assert packer.get("/send/").status_code == 403


def test_the_acts_lead_here_and_the_sheet_holds_all_that_a_scanner_may_say(
    farm: Farm, packer: Client
) -> None:
    start = page_of(packer.get("/"))
    assert 'href="/send/?by=note"' in start
    assert 'href="/send/?by=shelf"' in start
    sheet = packer.get("/send/codes/").content
    assert {"Kitchen", "Farm shop", SEND} <= set(codes_on(sheet))


def test_another_product_of_another_outlet_does_not_mix_in(farm: Farm, packer: Client) -> None:
    other = Product.objects.create(code="OTHER", name="Other bag", nominal_g=50)
    want(Outlet.objects.get(place=farm.kitchen_place), other, 3, day=farm.today)
    page = page_of(packer.get("/send/?outlet=Kitchen"))
    assert "Other bag" in page
    assert lacks(page) == ["3 to follow"]
    assert "Other bag" not in page_of(packer.get("/send/?outlet=Farm shop"))


def test_on_a_shared_tablet_what_was_sent_too_late_waits_and_the_note_lets_go(farm: Farm) -> None:
    ines = farm.packer
    ines.groups.add(Group.objects.get(name="packer"))
    ines.badge, ines.pin = "PK-7Q3", pins.hashed("4829")
    ines.save()
    (run,) = runs_of(farm, 12)
    tablet = Client()
    tablet.force_login(Person.objects.create_superuser("boss", password="a long one"))
    tablet.post("/shared-device/", {"name": "Packing bench"})
    tablet.post("/who/", {"badge": "PK-7Q3"})
    farm.pass_time(minutes=6)
    sent = typed("Kitchen", **{key(run, farm.store): "7", "temperature": "4.5"})
    assert tablet.post("/send/", sent)["Location"] == "/who/"
    assert not DeliveryNote.objects.exists()
    assert tablet.post("/who/", {"badge": "PK-7Q3"})["Location"] == "/send/"
    assert filled(page_of(tablet.get("/send/"))) == {run.code: "7"}
    assert tablet.post("/send/", sent | {"client_id": "late"})["Location"] == "/who/"
    note = DeliveryNote.objects.get()
    assert (note.event.recorded_by, note.event.device) == (ines, "Packing bench")
    assert note.number in page_of(tablet.get("/who/"))


# --- in a real browser ---------------------------------------------------------------------------


@pytest.fixture
def people(people: People) -> People:
    made, farm = people, people.farm
    farm.bag.per_crate = 6
    farm.bag.save()
    want(farm.kitchen, farm.bag, 12, day=farm.today)
    want(farm.shop, farm.bag, 16, day=farm.today)
    return made


def test_a_scanner_alone_sends_a_note(people, page, live_server, orm) -> None:
    thumb = Thumb(page, people, "packer", live_server.url, DESK)
    page.goto("/send/")

    def scanned(text: str) -> None:
        """A scanner types fast, and presses Enter; nobody touches the page."""
        page.keyboard.type(text)
        with page.expect_navigation():
            page.keyboard.press("Enter")

    scanned("Kitchen")
    field = page.get_by_label(f"How many of {people.run.code}")
    assert field.input_value() == "8"  # 12 wanted, 4 of them sent already
    scanned(people.run.code)
    assert field.input_value() == "14"
    assert page.evaluate("document.activeElement.id") == "id_scan"
    assert violations(page) == []
    page.locator("#id_scan").focus()
    scanned(SEND)
    page.wait_for_url("**/notes/**")
    sent = orm(lambda: DeliveryNote.objects.latest("id").lines.get().sent)
    assert sent == 14
    assert thumb.elsewhere == []
    assert page.said == []


def test_a_thumb_sends_an_ordinary_note_in_a_few_taps(people, page, live_server, orm) -> None:
    thumb = Thumb(page, people, "packer", live_server.url, PHONE).start()
    thumb.tap(page.locator("#content").get_by_role("link", name="Send out", exact=True))
    if page.locator(".outlet-cards").count():
        thumb.tap(page.get_by_role("link", name="Kitchen"))
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    field = page.get_by_label(f"How many of {people.run.code}")
    assert field.input_value() == "8"
    thumb.tap(page.get_by_role("button", name=f"One less of {people.run.code}"))
    assert field.input_value() == "7"
    assert page.locator(".send-lacks").inner_text() == "1 to follow"
    assert violations(page) == []
    thumb.tap(page.get_by_role("button", name="Write the note"))
    page.wait_for_url("**/notes/**")
    assert thumb.taps <= MOST_TAPS
    assert orm(lambda: DeliveryNote.objects.latest("id").lines.get().sent) == 7
    assert page.said == []


def test_a_thumb_fills_the_shelf_in_two_taps(people, page, live_server, orm) -> None:
    thumb = Thumb(page, people, "packer", live_server.url, PHONE).start()
    thumb.tap(page.locator("#content").get_by_role("link", name="Put on shelf", exact=True))
    thumb.tap(page.get_by_role("button", name="Put all on the shelf"))
    assert "10 packs Salad bag 120 g to Farm shop" in thumb.recorded()
    assert thumb.taps == 2
    assert orm(lambda: people.farm.stock(people.run, people.farm.shop_place)) == 16
    assert page.said == []
