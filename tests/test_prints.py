"""What is printed besides the labels of a run: crates, holds, shelf cards, a printer's own test; as
the pages give it, read back by PDFium (words) and ZXing (QR, ISO/IEC 18004) at both printers' dots.
"""

from __future__ import annotations

import datetime as dt
import html
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
from django.contrib.auth.models import Group
from django.core.management import CommandError, call_command
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from grow import clock
from grow.errors import Refusal
from grow.models import Business, Lot, LotKind, Person, Place, Tag
from sales import cards, printers
from sales.models import LabelStock, Outlet, Price, Printer, Product
from tests.farm import Farm
from tests.hands import DESK, PHONE, People, Thumb, violations
from tests.reading_labels import (
    DOTS_TO_THE_INCH,
    MM,
    codes_on,
    lines_on,
    picture_of,
    sizes_of,
    squares_on,
    words_on,
)
from tests.snapshots import made_once

pytestmark = pytest.mark.once  # what is drawn and reckoned hangs on no database

A6_POINTS = (148 * MM, 105 * MM)  # ISO 216


class Desk:
    """Somebody at the pages, with a roll, a wide roll and a printer of each kind."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.client = signed_in("packer")
        self.roll = LabelStock.objects.create(name="Bag roll", width_mm=62, height_mm=40)
        self.wide = LabelStock.objects.create(name="Wide roll", width_mm=100, height_mm=50)
        self.printers = {
            dpi: Printer.objects.create(name=f"Printer of {dpi}", dpi=dpi) for dpi in (203, 300)
        }

    def page(self, url: str) -> str:
        answer = self.client.get(url)
        assert answer.status_code == 200, answer.status_code
        return html.unescape(answer.content.decode())

    def press(self, url: str, dpi: int = 203, **told: Any) -> bytes:
        """The PDF that a press gives; by default on the roll."""
        told = {"count": 1, "stock": self.roll.pk, "printer": self.printers[dpi].pk} | told
        answer = self.client.post(url, told)
        assert answer.get("Content-Type") == "application/pdf", html.unescape(
            answer.content.decode()
        )
        return answer.content

    def refused(self, url: str, **told: Any) -> str:
        """The page that says why not."""
        answer = self.client.post(url, {"count": 1, "stock": self.roll.pk} | told)
        assert answer.status_code == 422
        return html.unescape(answer.content.decode())


def signed_in(role: str, *places: Place) -> Client:
    person = Person.objects.create_user(f"the {role}", is_staff=True)
    person.groups.add(Group.objects.get(name=role))
    person.places.set(places)
    client = Client()
    client.force_login(person)
    return client


@pytest.fixture
def desk(farm: Farm) -> Desk:
    return Desk(farm)


@pytest.fixture
def country(farm: Farm) -> Business:
    return Business.objects.create(name="Ashwithy", country="United Kingdom")


def told(printed: bytes, page: int = 0) -> str:
    return " ".join(words_on(printed, page).split())


def on_whole_dots(printed: bytes, dpi: int) -> bool:
    squares = squares_on(picture_of(printed, 0, dpi))
    assert squares
    return all(square.module == int(square.module) for square in squares)


BOTH = pytest.mark.parametrize("dpi", [203, 300])


# --- printers ------------------------------------------------------------------------------------


def black_line_mm(printed: bytes, dpi: int) -> float:
    """The longest line across the middle of the first page, in millimetres."""
    step = DOTS_TO_THE_INCH[dpi] / 25.4
    dots = np.asarray(picture_of(printed, 0, dpi))
    inside = dots[dots.shape[0] // 4 : dots.shape[0] * 3 // 4, round(3 * step) : -round(3 * step)]
    longest = 0
    for row in inside:
        turns = np.flatnonzero(np.diff(np.concatenate([[0], row == 0, [0]]).astype(int)))
        longest = max([longest, *(turns[1::2] - turns[::2])])
    return longest / step


@BOTH
def test_a_printer_is_added_tested_and_measured_once(desk: Desk, dpi: int) -> None:
    client = desk.client
    assert "Nobody has measured its test label yet." in desk.page("/labels/printers/")
    added = client.post("/labels/printers/", {"name": "Bench printer", "dpi": dpi})
    printer = Printer.objects.get(name="Bench printer")
    own = f"/labels/printers/{printer.pk}/"
    assert added["Location"] == own
    printed = desk.press(own, print="1")
    assert "measure this line: 50 mm" in told(printed)
    assert f"{dpi} dots to the inch" in told(printed)
    assert black_line_mm(printed, dpi) == pytest.approx(50, abs=0.13)
    assert {code.split()[0] for code in codes_on(printed, 1, dpi)} == {str(dpi)}

    answer = client.post(own, {"measured": "46,5"}, follow=True)
    printer.refresh_from_db()
    assert (printer.measured_mm, printer.measured_at) == (Decimal("46.5"), clock.now())
    says = (
        "It printed 46.5 mm for 50: the browser shrank it to fit the page. Choose 100 % (“actual "
        "size”) in the print window"
    )
    assert says in answer.content.decode()
    assert says in desk.page("/labels/printers/")
    crate = desk.farm.cut(2000)
    warning = "Bench printer printed a line of 50 mm as 46.5 mm"
    assert warning in desk.page(f"/labels/crate/?lot={crate.code}")

    client.post(own, {"measured": "50.2"})
    assert "the line of 50 mm measured 50.2 mm on 02 Mar 2026" in desk.page(own)
    assert warning not in desk.page(f"/labels/crate/?lot={crate.code}")
    client.post(own, {"measured": "53"})
    assert "It printed 53.0 mm for 50: the browser enlarged it" in desk.page(own)


@pytest.mark.parametrize(
    ("typed", "kept"),
    [("45", "45.0"), ("55.0", "55.0"), ("49,8 mm", "49.8"), (" 50 ", "50.0"), ("52.3MM", "52.3")],
)
def test_a_rulers_words_are_read_with_a_comma_or_a_point(typed: str, kept: str) -> None:
    assert printers.read_mm(typed) == Decimal(kept)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("44.9", "comes out at 45.0 to 55.0 mm, not at 44.9"),
        ("55,1", "not at 55.1"),
        ("5", "not at 5.0"),
        ("150", "not at 150.0. If it truly did, print at 100 %"),
        ("49.55", "“49.55” is no length"),
        ("1,500", "“1,500” is no length"),
        ("fifty", "such as 49.5"),
        ("٥٠", "is no length"),
        ("-50", "is no length"),
        ("", "Write what the ruler says."),
    ],
)
def test_what_is_no_measure_of_that_line_is_asked_again(desk: Desk, typed: str, says: str) -> None:
    printer = desk.printers[203]
    own = f"/labels/printers/{printer.pk}/"
    page = desk.client.post(own, {"measured": typed})
    assert page.status_code == 422
    text = html.unescape(page.content.decode())
    assert says in text
    assert f'value="{typed}"' in text or not typed
    printer.refresh_from_db()
    assert printer.measured_mm is None
    assert desk.client.post(own, {"measured": "50"}).status_code == 302


def test_labels_too_narrow_for_the_line_are_not_its_test(desk: Desk) -> None:
    narrow = LabelStock.objects.create(name="Jar roll", width_mm=50, height_mm=30)
    low = LabelStock.objects.create(name="Strips", width_mm=100, height_mm=10)
    own = f"/labels/printers/{desk.printers[203].pk}/"
    desk.press(own, print="1")
    text = desk.refused(own, print="1", stock=narrow.pk)
    assert "On Jar roll there is room for a line of 40 mm, and one of 50 mm is measured. Take Bag "
    assert "Take Bag roll." in text
    assert f'value="{narrow.pk}" id="id_stock_1" checked' in text
    assert "On Strips there is no room for a line" in desk.refused(own, print="1", stock=low.pk)
    for stock in (desk.roll, desk.wide, low):
        stock.delete()
    text = desk.refused(own, print="1", stock=narrow.pk)
    assert "No labels that are kept here are large enough." in text


def test_a_second_printer_of_a_name_is_refused_and_what_was_typed_stays(desk: Desk) -> None:
    text = desk.refused("/labels/printers/", name="printer of 203", dpi=300)
    assert "There is a printer called Printer of 203 already; test that one." in text
    assert 'value="printer of 203"' in text
    assert "Write a name." in desk.refused("/labels/printers/", name=" ", dpi=300)
    assert Printer.objects.count() == 2


def test_who_sets_up_printers_tests_them(desk: Desk) -> None:
    own = f"/labels/printers/{desk.printers[203].pk}/"
    for role, places, status in (
        ("grower", (), 200),
        ("manager", (), 200),
        ("food_safety_lead", (), 200),
        ("shop", (desk.farm.shop_place,), 403),
        ("chef", (desk.farm.kitchen_place,), 403),
        ("learner", (), 403),
    ):
        client = signed_in(role, *places)
        assert client.get("/labels/printers/").status_code == status, role
        assert client.post(own, {"measured": "50"}).status_code == (302 if status == 200 else 403)
    assert desk.client.get("/labels/printers/987654321/").status_code == 404


def test_a_measure_that_a_program_tells_is_dated_and_must_be_of_that_line(desk: Desk) -> None:
    url, sent = f"/api/v1/printers/{desk.printers[203].pk}/", {"content_type": "application/json"}
    right = desk.client.patch(url, {"measured_mm": "49.5"}, **sent)
    assert right.status_code == 200
    assert right.json()["measured_mm"] == "49.5"
    assert right.json()["measured_at"] == clock.now().isoformat().replace("+00:00", "Z")
    wrong = desk.client.patch(url, {"measured_mm": "12.0"}, **sent)
    assert wrong.status_code == 422
    assert "comes out at 45.0 to 55.0 mm, not at 12.0" in wrong.content.decode()
    assert desk.client.patch(url, {"measured_mm": None}, **sent).json()["measured_at"] is None


# --- crates --------------------------------------------------------------------------------------


@BOTH
def test_a_crates_label_has_two_halves_that_say_the_same(desk: Desk, dpi: int) -> None:
    crate = desk.farm.cut(2000)
    url = f"/labels/crate/?lot={crate.code.lower()}"
    assert crate.code in desk.page(url)
    printed = desk.press(url, dpi, count=2)
    assert len(sizes_of(printed)) == 2
    assert sizes_of(printed)[0] == pytest.approx((62 * MM, 40 * MM), abs=0.1 * MM)
    assert codes_on(printed, 1, dpi) == [crate.code, crate.code]
    assert on_whole_dots(printed, dpi)
    assert told(printed).count("Cut 02 Mar 2026") == 2
    assert told(printed).count("Loose-leaf lettuce") == 2
    desk.roll.refresh_from_db()
    assert desk.roll.last_used == clock.now()


def test_bought_in_leaf_came_in_and_was_not_cut(desk: Desk) -> None:
    farm = desk.farm
    event = farm.tell(
        "receive_produce", crop=farm.lettuce, supplier=farm.supplier, place=farm.store, grams=4000
    )
    printed = desk.press(f"/labels/crate/?lot={event.lot.code}")
    assert told(printed).count("Came in 02 Mar 2026") == 2
    assert "Cut" not in told(printed)


def test_after_a_cut_its_crates_are_printed_at_once(desk: Desk) -> None:
    """One link for all crates of it, to whoever prints."""
    farm = desk.farm
    farm.tell("print_tags", count=2)
    first, second = Tag.objects.values_list("code", flat=True).order_by("pk")
    told_ = {"client_id": "a", "crop": "Loose-leaf lettuce", "store": "Cold store"}
    told_ |= {"crates": f"2.4 {first}, 1.9 {second}"}
    done = signed_in("grower").post("/do/harvest/", told_, follow=True)
    one, other = Lot.objects.filter(kind=LotKind.HARVEST)
    url = "/labels/crate/?" + urlencode({"lot": [one.code, other.code]}, doseq=True)
    assert f'href="{url}">Crate labels</a>' in html.unescape(done.content.decode())
    assert "How many of each" in desk.page(url)
    printed = desk.press(url, count=2)
    assert [codes_on(printed, n)[0] for n in range(4)] == [one.code] * 2 + [other.code] * 2
    alone = farm.cut(1000)
    assert f"/labels/crate/?lot={alone.code}" in desk.page("/")
    cook = signed_in("chef", farm.kitchen_place)
    told_ |= {"client_id": "b", "store": "Kitchen"}
    done = cook.post("/do/harvest/", told_, follow=True).content.decode()
    assert "Recorded: cut" in done
    assert "/labels/crate/" not in done


def test_a_crates_label_is_for_what_was_cut_and_stands(desk: Desk) -> None:
    farm = desk.farm
    crate, wrong = farm.cut(3000), farm.cut(500)
    run = farm.pack([crate], packs=20)
    assert desk.client.get(f"/labels/crate/?lot={wrong.code}").status_code == 200
    farm.tell("cancel", event=wrong.made_by, reason="entered twice")
    for code, says in (
        (run.code, f"{run.code} is no crate: crate labels are for what was cut or bought in."),
        (wrong.code, "was recorded in error; it has no crate to label."),
        ("H99999-99-9", "No lot is called"),
    ):
        page = desk.client.get(f"/labels/crate/?lot={code}")
        assert page.status_code == 422
        assert says in html.unescape(page.content.decode())
    offered = desk.page("/labels/crate/")
    assert crate.code in offered
    assert wrong.code not in offered


def test_what_does_not_fit_is_refused_and_what_was_typed_stays(desk: Desk) -> None:
    crate = desk.farm.cut(2000)
    url = f"/labels/crate/?lot={crate.code}"
    tiny = LabelStock.objects.create(name="Tiny", width_mm=30, height_mm=15)
    text = desk.refused(url, count=7, stock=tiny.pk, first=3)
    assert "on half a label, 15 × 15 mm" in text
    assert "or take Bag roll." in text
    for kept in ('name="count" value="7"', 'name="first" value="3"', f'value="{tiny.pk}" id='):
        assert kept in text
    sheet = LabelStock.objects.create(
        name="Sheet", width_mm=70, height_mm=37, columns=3, rows=8, top_mm=0
    )
    assert "begin at one from 1 to 24" in desk.refused(url, stock=sheet.pk, first=25)
    printed = desk.press(url, stock=sheet.pk, first=24, count=2)
    assert [len(codes_on(printed, n)) for n in (0, 1)] == [2, 2]
    for word in ("0", "2001", "two", ""):
        assert 'class="ask-why"' in desk.refused(url, count=word)


@BOTH
def test_crate_tags_lie_on_the_dots_of_the_printer_that_is_chosen(desk: Desk, dpi: int) -> None:
    desk.farm.tell("print_tags", count=2)
    codes = list(Tag.objects.order_by("pk").values_list("code", flat=True))
    printed = desk.press("/labels/crate-tags/all/", dpi, count=2)
    assert [codes_on(printed, n, dpi) for n in (0, 1)] == [[code] for code in codes]
    assert on_whole_dots(printed, dpi)
    tiny = LabelStock.objects.create(name="Tiny", width_mm=20, height_mm=10)
    text = desk.refused("/labels/crate-tags/all/", count=2, stock=tiny.pk)
    assert "or take Bag roll." in text


# --- holds ---------------------------------------------------------------------------------------


@pytest.fixture
def held(desk: Desk) -> tuple[Lot, Lot]:
    """A crate of which some is left, and the run made of it: in the store and on the shelf."""
    farm = desk.farm
    crate = farm.cut(3000)
    run = farm.pack([crate], packs=20, left=500)
    farm.to_shop(run, 6)
    farm.pass_time(hours=2)
    return crate, run


def many(lot: Lot, place: Place) -> str:
    """The field of how many labels a lot gets in a place."""
    return f"many_{lot.pk}_{place.pk}"


def farm_places(desk: Desk) -> tuple[Place, Place]:
    return desk.farm.store, desk.farm.shop_place


@BOTH
def test_a_hold_prints_a_label_for_each_place_where_something_of_it_stands(
    desk: Desk, held: tuple[Lot, Lot], dpi: int
) -> None:
    crate, run = held
    data = {"client_id": "h", "lots": crate.code, "reason": "Glass broke over it"}
    done = desk.client.post("/do/hold/", data, follow=True).content.decode()
    event = crate.holds.get().began_by
    url = f"/labels/hold/?event={event.pk}"
    assert f'href="{url}">HOLD labels</a>' in done
    page = desk.page(url)
    assert page.index("Cold store") < page.index("Farm shop")
    assert page.count('name="many_') == 3
    why = {f"why_{crate.holds.get().pk}": "Glass broke over it"}
    printed = desk.press(url, dpi, **why)
    assert [codes_on(printed, n, dpi) for n in range(3)] == [[crate.code], [run.code], [run.code]]
    assert on_whole_dots(printed, dpi)
    for n, (lot, name, reason) in enumerate(
        (
            (crate, "Loose-leaf lettuce", "Glass broke over it"),
            (run, "Salad bag 120 g", "made from a held lot: Glass broke over it"),
        )
    ):
        words = told(printed, n)
        for said in ("HOLD: do not use", lot.code, name, "Held since 02 Mar 2026, 10:00", reason):
            assert said in words, (said, words)
    store, shop = farm_places(desk)
    other = {many(crate, store): "", many(run, store): 0, many(run, shop): 4}
    assert len(sizes_of(desk.press(url, **other, **why))) == 4
    # by any of its lots
    by_lot = desk.page(f"/labels/hold/?lot={run.code}")
    assert by_lot.count('name="many_') == 3
    assert "Since 02 Mar 2026, 1 more with it · Glass broke over it" in desk.page("/labels/hold/")


def test_a_run_told_after_the_hold_is_among_what_it_stops(
    desk: Desk, held: tuple[Lot, Lot]
) -> None:
    crate, _ = held
    event = desk.farm.hold(crate)
    later = desk.farm.pack([crate], packs=4, already_done=True)
    assert later.code in desk.page(f"/labels/hold/?event={event.pk}")
    assert crate.code in desk.page(f"/labels/hold/?event={event.pk}")


def test_what_came_to_stand_somewhere_while_the_page_was_open_is_labelled_too(
    desk: Desk, held: tuple[Lot, Lot]
) -> None:
    crate, run = held
    store, shop = farm_places(desk)
    event = desk.farm.hold(crate, run)
    url = f"/labels/hold/?event={event.pk}"
    sent = {many(crate, store): 1, many(run, store): 0, many(run, shop): 0}
    sent |= {f"why_{crate.holds.get().pk}": "Glass"}
    assert [codes_on(desk.press(url, **sent))] == [[crate.code]]
    desk.farm.tell("move", lot=run, from_place=store, to_place=desk.farm.quarantine, quantity=3)
    printed = desk.press(url, **sent)
    assert [codes_on(printed, n) for n in range(2)] == [[crate.code], [run.code]]


def test_a_sowing_is_labelled_on_each_tower_and_a_packet_where_it_is_kept(desk: Desk) -> None:
    farm = desk.farm
    packet = farm.tell(
        "receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store
    ).lot
    batch = farm.sow(60, seed=packet)
    farm.pass_time(days=20)
    for tower in (farm.t1, farm.t2):
        farm.plant(batch, tower, 20)
    farm.hold(packet)
    page = desk.page(f"/labels/hold/?lot={packet.code}")
    for place in ("Bench 1", "T1", "T2", "Where it is kept"):
        assert f"<legend>{place}</legend>" in page
    why = {f"why_{packet.holds.get().pk}": "laboratory result"}
    printed = desk.press(f"/labels/hold/?lot={packet.code}", **why)
    assert [codes_on(printed, n)[0] for n in range(4)] == [batch.code] * 3 + [packet.code]


def test_a_reason_too_long_for_the_label_is_shortened_on_it_alone(
    desk: Desk, held: tuple[Lot, Lot]
) -> None:
    crate, run = held
    store, shop = farm_places(desk)
    reason = "glass from a broken pane over towers twelve to fourteen, " * 5
    desk.farm.hold(crate, reason=reason.strip())
    url = f"/labels/hold/?lot={crate.code}"
    why = f"why_{crate.holds.get().pk}"
    counts = {many(crate, store): 1, many(run, store): 3, many(run, shop): 0}
    small = LabelStock.objects.create(name="Jar roll", width_mm=50, height_mm=30)
    text = desk.refused(url, stock=small.pk, **{why: reason.strip()}, **counts)
    assert "Shorten the reason, or take Wide roll." in text
    assert reason.strip() in text
    assert f'name="{many(run, store)}" value="3"' in text
    printed = desk.press(url, **{why: "Broken glass"}, **counts)
    assert "Broken glass" in told(printed)
    assert crate.holds.get().reason == reason.strip()
    assert "Say why it is held." in desk.refused(url, **{why: " "}, **counts)
    text = desk.refused(url, **{why: "Glass"}, **dict.fromkeys(counts, "0"))
    assert "Print 1 to 2000 labels at once, not 0." in text
    assert 'class="ask-why"' in desk.refused(
        url, **{why: "Glass"}, **(counts | {many(run, shop): "some"})
    )


def test_a_held_lots_trace_leads_to_its_labels_and_a_released_one_has_none(
    desk: Desk, held: tuple[Lot, Lot]
) -> None:
    crate, run = held
    link = f'href="/labels/hold/?lot={crate.code}">HOLD labels</a>'
    assert link not in desk.page(f"/trace/?code={crate.code}")
    desk.farm.hold(crate)
    assert link in desk.page(f"/trace/?code={crate.code}")
    assert f"/labels/hold/?lot={run.code}" in desk.page(f"/trace/?code={run.code}")
    cook = signed_in("shop")
    assert "laboratory result" in cook.get(f"/trace/?code={crate.code}").content.decode()
    assert "/labels/hold/" not in cook.get(f"/trace/?code={crate.code}").content.decode()
    assert cook.get(f"/labels/hold/?lot={crate.code}").status_code == 403
    desk.farm.tell("release", lots=[crate, run], reason="not ours")
    for asked in (f"lot={crate.code}", f"event={crate.holds.get().began_by_id}", "event=x"):
        page = desk.client.get(f"/labels/hold/?{asked}")
        assert page.status_code == 422
        assert "is not held." in page.content.decode()


def test_who_is_tied_to_a_place_prints_for_that_place_alone(
    desk: Desk, held: tuple[Lot, Lot]
) -> None:
    crate, run = held
    desk.farm.hold(crate)
    tied = signed_in("grower", desk.farm.shop_place)
    page = tied.get(f"/labels/hold/?lot={run.code}").content.decode()
    assert "Farm shop" in page
    assert "Cold store" not in page
    assert crate.code not in page
    assert tied.get(f"/labels/hold/?lot={crate.code}").status_code == 422


def test_the_command_prints_holds_too(
    desk: Desk, held: tuple[Lot, Lot], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    crate, run = held
    file = tmp_path / "hold.pdf"
    asked = ("--stock", "roll-62x40", "--hold", "--out", str(file))
    with pytest.raises(CommandError, match=f"{run.code} is not held"):
        call_command("labels", run.code, *asked)
    desk.farm.hold(crate, reason="Glass")
    call_command("labels", run.code, *asked)
    assert [codes_on(file.read_bytes(), n) for n in (0, 1)] == [[run.code]] * 2
    assert "HOLD: do not use" in told(file.read_bytes())
    assert "may not go out" not in capsys.readouterr().err


# --- cards ---------------------------------------------------------------------------------------


@given(st.integers(1, 10**6), st.integers(1, 25_000))
def test_a_kilograms_price_is_the_packs_by_its_weight_half_up(pence: int, grams: int) -> None:
    """ROUND_HALF_UP of the General Decimal Arithmetic Specification, as Python's decimal has it."""
    exactly = Decimal(pence) * 1000 / grams
    assert cards.per_kilogram(pence, grams) == exactly.quantize(Decimal(1), ROUND_HALF_UP)


def ticked(*products: Product, **more: Any) -> dict[str, Any]:
    return {f"card_{p.pk}": "on" for p in products} | more


def price(product: Product) -> str:
    return f"price_{product.pk}"


@BOTH
def test_a_card_says_the_price_and_what_that_is_by_the_kilogram(
    desk: Desk, country: Business, dpi: int
) -> None:
    farm = desk.farm
    farm.bag.allergens = "mustard, celery"
    farm.bag.save()
    farm.pack([farm.cut(3000)], packs=20)
    page = desk.page("/labels/cards/")
    assert "On the list £2.40 · £20.00 per kg · Origin: United Kingdom" in page
    assert f'name="{price(farm.bag)}" value="2.40"' in page
    told_ = ticked(farm.bag, **{price(farm.bag): "2,55"})
    printed = desk.press("/labels/cards/", dpi, **told_, stock="", count=2)
    assert [size == pytest.approx(A6_POINTS, abs=0.1 * MM) for size in sizes_of(printed)] == [
        True
    ] * 2
    words = told(printed)
    for said in (
        "Salad bag 120 g",
        "£2.55",
        "£21.25 per kg",
        "Origin: United Kingdom",
        "Contains: celery, mustard",
    ):
        assert said in words
    assert codes_on(printed, 0, dpi) == []
    (large,) = (line for line in lines_on(printed) if line.words == "£2.55")
    assert large.size == max(line.size for line in lines_on(printed))
    # and on a label
    printed = desk.press("/labels/cards/", dpi, **told_, stock=desk.wide.pk)
    assert sizes_of(printed)[0] == pytest.approx((100 * MM, 50 * MM), abs=0.1 * MM)
    assert "£21.25 per kg" in told(printed)
    assert Price.objects.get(outlet=farm.shop).pence == 240


def test_what_is_loose_costs_so_much_a_kilogram_and_a_bunch_so_much(
    desk: Desk, country: Business
) -> None:
    farm = desk.farm
    bunch = Product.objects.create(
        code="BASIL", name="Basil", nominal_g=30, form=Product.Form.BUNCH, shelf_life_days=4
    )
    punnet = Product.objects.create(code="CRESS", name="Cress", nominal_g=40, form="punnet")
    Price.objects.create(outlet=farm.kitchen, line="BASIL", since=farm.today, pence=90)
    Price.objects.create(outlet=farm.kitchen, line="CRESS", since=farm.today, pence=55)
    farm.cut(3000)
    told_ = ticked(bunch, farm.loose, punnet)
    told_ |= {price(bunch): "0.90", price(farm.loose): "11", price(punnet): "£0.55"}
    printed = desk.press("/labels/cards/?outlet=Kitchen", **told_)
    basil, cress, loose = (told(printed, n) for n in range(3))
    assert "Basil" in basil
    assert "£0.90" in basil
    assert "per kg" not in basil
    assert "Origin" not in basil  # nothing of it was ever packed
    for said in ("Cress, 40 g", "£0.55", "£13.75 per kg"):
        assert said in cress
    assert loose == "Lettuce, loose £11.00 per kg Origin: United Kingdom"


def test_a_card_names_the_country_only_of_what_was_last_grown_here(desk: Desk, farm: Farm) -> None:
    assert _origins(farm) == {farm.bag.line: "", farm.loose.line: ""}
    Business.objects.create(name="Ashwithy", country="United Kingdom")
    farm.pack([farm.cut(3000)], packs=20)
    assert _origins(farm)[farm.bag.line] == "United Kingdom"
    bought = farm.tell(
        "receive_produce", crop=farm.lettuce, supplier=farm.supplier, place=farm.store, grams=1500
    ).lot
    run = farm.pack([bought], packs=12)
    assert set(_origins(farm).values()) == {""}  # nobody has said where
    farm.tell("describe", lot=bought, note="Origin: Freedonia")
    assert set(_origins(farm).values()) == {"Freedonia"}
    for lot in (run, bought):
        farm.tell("cancel", event=lot.made_by, reason="entered twice")
    assert set(_origins(farm).values()) == {"United Kingdom"}


def _origins(farm: Farm) -> dict[str, str]:
    rows = cards.on_sale(farm.kitchen, farm.today)
    return {row.product.line: row.origin for row in rows}


def test_the_latest_price_that_has_begun_is_filled_in(desk: Desk) -> None:
    farm = desk.farm
    for days, pence in ((-1, 260), (1, 300)):
        since = farm.today + dt.timedelta(days=days)
        Price.objects.create(outlet=farm.shop, line=farm.bag.line, since=since, pence=pence)
    other = Product.objects.create(code="NONE", name="Without a price", nominal_g=50)
    page = desk.page("/labels/cards/?outlet=farm shop")
    assert 'value="2.60"' in page
    assert str(other) not in page
    farm.pass_time(days=1)
    assert 'value="3.00"' in desk.page("/labels/cards/")
    assert 'value="1.65"' in desk.page("/labels/cards/?outlet=Kitchen")


@pytest.mark.parametrize("typed", ["1,500", "2.405", "two", "", "0", "0.00", "-2", "1000000000"])
def test_what_is_no_price_is_asked_again_and_all_that_was_typed_stays(
    desk: Desk, typed: str
) -> None:
    farm = desk.farm
    both = ticked(farm.bag, farm.loose, **{price(farm.loose): "12.50"})
    url = "/labels/cards/?outlet=Kitchen"
    desk.press(url, **both, **{price(farm.bag): "2.40"})
    text = desk.refused(url, **both, **{price(farm.bag): typed}, count=3)
    assert f"“{typed}” is no price; write it like 2.40." in text
    assert f'name="{price(farm.loose)}" value="12.50"' in text
    assert 'name="count" value="3"' in text
    assert text.count("checked") >= 3


def test_cards_are_chosen_and_what_does_not_fit_is_said(desk: Desk) -> None:
    farm = desk.farm
    assert "Tick what you want a card for." in desk.refused(
        "/labels/cards/", **{price(farm.bag): "2.40"}
    )
    tiny = LabelStock.objects.create(name="Tiny", width_mm=30, height_mm=12)
    told_ = ticked(farm.bag, **{price(farm.bag): "2.40"})
    text = desk.refused("/labels/cards/", **told_, stock=tiny.pk)
    assert "does not fit on a label of 30 × 12 mm" in text
    assert "or take Bag roll." in text
    wrong = desk.client.get("/labels/cards/?outlet=Nowhere")
    assert wrong.status_code == 422
    assert "No outlet is called “Nowhere”." in html.unescape(wrong.content.decode())
    for stock in LabelStock.objects.all():
        stock.delete()
    assert len(sizes_of(desk.press("/labels/cards/", **told_, stock=""))) == 1
    Price.objects.all().delete()
    assert "No price is kept yet." in desk.page("/labels/cards/")


def test_who_sees_prices_and_prints_has_cards(desk: Desk) -> None:
    url, link = "/labels/cards/", 'href="/labels/cards/"'
    assert link in desk.page("/labels/")
    shut = [
        signed_in("chef", desk.farm.kitchen_place),
        signed_in("shop"),
        signed_in("grower", desk.farm.kitchen_place),  # tied, though not a cook
    ]
    for client in shut:
        assert client.get(url).status_code == 403
        assert client.post(url, {"count": 1}).status_code == 403
    assert link not in shut[-1].get("/labels/").content.decode()
    assert signed_in("manager").get(url).status_code == 200


def test_an_outlet_of_another_currency_says_its_own(desk: Desk) -> None:
    assert [cards.money(1234, code) for code in ("GBP", "EUR", "CHF")] == [
        "£12.34",
        "€12.34",
        "CHF 12.34",
    ]
    Business.objects.create(name="Ashwithy", currency="EUR")
    assert "On the list €2.40 · €20.00 per kg" in desk.page("/labels/cards/")
    assert Outlet.objects.filter(prices__isnull=False).distinct().count() == 2


def test_no_price_is_read_with_a_mark_for_thousands() -> None:
    assert [cards.read_pence(text) for text in ("2.4", " 2,40 ", "£2", "0.05")] == [
        240,
        240,
        200,
        5,
    ]
    with pytest.raises(Refusal, match=r"“1\.500” is no price"):
        cards.read_pence("1.500")


# --- in a browser --------------------------------------------------------------------------------


@pytest.fixture
def people(transactional_db: None) -> People:
    return made_once("prints", _with_something_to_print, lambda made: made.farm.now)


def _with_something_to_print() -> People:
    """A crate that is held with the run of it, a printer that shrinks, something to sell."""
    farm = Farm()
    farm.bag.allergens = "mustard"
    farm.bag.save()
    people = People(farm)
    LabelStock.objects.create(name="Bag roll", width_mm=62, height_mm=40)
    LabelStock.objects.create(name="Sheets", width_mm=70, height_mm=37, columns=3, rows=8)
    people.printer = Printer.objects.create(name="Bench printer", measured_mm="46.5")
    run = farm.pack([people.crate], packs=12, left=1000)
    farm.to_shop(run, 5)
    people.event = farm.hold(people.crate, reason="Glass broke over it")
    Product.objects.create(code="CRESS", name="Cress", nominal_g=40)
    Price.objects.create(outlet=farm.shop, line="CRESS", since=farm.today, pence=155)
    return people


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_page_that_prints_fails_wcag_a_or_aa(people, page, live_server, size, scheme) -> None:
    """axe-core 4.14.1 against WCAG 2.0, 2.1 and 2.2, levels A and AA."""
    Thumb(page, people, "packer", live_server.url, size)
    page.emulate_media(color_scheme=scheme)
    wrong = {}
    for address in (
        "/labels/crate/",
        f"/labels/crate/?lot={people.crate.code}",
        "/labels/hold/",
        f"/labels/hold/?event={people.event.pk}",
        "/labels/cards/",
        "/labels/printers/",
        f"/labels/printers/{people.printer.pk}/",
        f"/trace/?code={people.crate.code}",
    ):
        assert page.goto(address).status == 200, address
        if page.said:
            wrong[address, "console"] = page.said[:]
        if found := violations(page):
            wrong[address] = found
        if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
            wrong[address, "wide"] = True
    assert wrong == {}


def test_a_printer_is_tested_and_answered_for_in_a_few_taps(people, page, live_server, orm) -> None:
    thumb = Thumb(page, people, "packer", live_server.url)
    page.goto("/labels/")
    thumb.tap(page.get_by_role("link", name="Printers"))
    thumb.tap(page.get_by_role("link", name="Bench printer"))
    with page.expect_download() as coming:
        thumb.tap(page.get_by_role("button", name="Make its test"))
    assert "measure this line: 50 mm" in told(coming.value.path().read_bytes())
    thumb.type(page.get_by_label("Measure this line: 50 mm"), "50,1")
    page.keyboard.press("Enter")
    page.get_by_text("the line of 50 mm measured 50.1 mm").wait_for()
    assert thumb.taps == 4
    assert orm(lambda: Printer.objects.get().measured_mm) == Decimal("50.1")
    assert page.said == []


def test_cards_are_ticked_at_one_tap_or_by_writing_a_price(people, page, live_server) -> None:
    Thumb(page, people, "packer", live_server.url)
    page.goto("/labels/cards/")
    cress, salad = (
        page.get_by_label("Cress, 40 g", exact=True),
        page.get_by_label("Salad bag 120 g"),
    )
    assert not cress.is_checked()
    page.get_by_label("Price of Cress").fill("1.75")
    assert cress.is_checked()
    assert not salad.first.is_checked()
    with page.expect_download() as coming:
        page.get_by_role("button", name="Make the PDF").click()
    assert told(coming.value.path().read_bytes()) == "Cress, 40 g £1.75 £43.75 per kg"
    page.get_by_role("button", name="Tick them all").click()
    with page.expect_download() as coming:
        page.get_by_role("button", name="Make the PDF").click()
    assert len(sizes_of(coming.value.path().read_bytes())) == 2
    assert page.said == []
