"""The page of a pack that anybody may open, the QR that leads to it, and the test that the public
address must have answered before a label names it.

QRs are read off the picture of a printed label by ZXing; what a Digital Link says, by biip;
in which of the modes of ISO/IEC 18004 a text is put, by segno."""

from __future__ import annotations

import contextlib
import datetime as dt
import html
import logging
import re
import time
from typing import Any
from urllib.parse import urlsplit

import biip
import pytest
import segno
from django.db import connection
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from rest_framework.settings import api_settings
from rest_framework.test import APIClient

from grow import clock
from grow.labels import Stock, pdf
from grow.models import Business, Crop, Hold, Lot, Person, Place, PlaceKind
from sales import public
from sales.label_words import words_of
from sales.labels import run_label
from sales.models import DecisionCard, Outlet, PackingRun, Price
from sales.operations import Taken
from sales.pages_public import Throttle
from tests.farm import Farm, decided
from tests.reading_labels import codes_on
from tests.test_people import Bench
from tests.test_reading_pages import signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.once]

PREFIX, GTIN = "9521234", "09521234543213"
ADDRESS = "https://farm.example"
ROLL = Stock(100, 50)
UNKNOWN = "No pack is known here by that code. Is it typed as it stands on the label?"


@pytest.fixture
def business(farm: Farm) -> Business:
    return Business.objects.create(
        name="Ashwithy",
        address="Mill Lane, Ashwithy AW1 9ZZ",
        country="United Kingdom",
        public_address=ADDRESS,
        public_answered_at=farm.now,
    )


@pytest.fixture
def quiet() -> Any:
    """Pages that are not there are what is wanted."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def row(lot: Lot) -> PackingRun:
    return PackingRun.objects.select_related("lot__made_by", "product").get(lot=lot)


def print_(farm: Farm, lot: Lot, count: int = 12) -> None:
    farm.tell("print_labels", run=lot, count=count)


def mixed(farm: Farm, packs: int = 12) -> Lot:
    """Lettuce of two sowings and two cuts, and mustard leaf, prepacked, its label printed."""
    farm.bag.storage, farm.bag.allergens = "Keep below 5 °C", "mustard"
    farm.bag.save()
    decided(farm.bag)
    first = farm.sow(60)
    farm.pass_time(days=5)
    second, red = farm.sow(60), farm.sow(60, variety=farm.red)
    farm.pass_time(days=30)
    early = farm.cut(700, first)
    farm.pass_time(days=1)
    late, hot = farm.cut(500, second), farm.cut(500, red)
    run = farm.pack([early, late, hot], packs=packs)
    print_(farm, run, packs)
    return run


def shown(answer: Any) -> str:
    """The words of a page, as they are read from top to bottom."""
    body = answer.content.decode()
    body = re.sub(r"</?(?:strong|b)\b[^>]*>", "", body[body.index("<body") :])
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


# --- what the QR says ----------------------------------------------------------------------------


def test_no_address_is_printed_before_it_has_answered(farm: Farm) -> None:
    run = row(farm.pack([farm.cut(1500)], packs=12))
    code = run.lot.code
    assert public.qr_of(run) == words_of(run).qr == code
    business = Business.objects.create(name="Ashwithy", public_address=ADDRESS)
    assert public.qr_of(run) == words_of(run).qr == code
    business.public_answered_at = farm.now
    business.save()
    assert public.qr_of(run) == words_of(run).qr == f"HTTPS://FARM.EXAMPLE/L/{code}"


#: Public address → what a label of one's own holds, and what a Digital Link.
ADDRESSES = {
    "https://farm.example": ("HTTPS://FARM.EXAMPLE/L/", f"HTTPS://FARM.EXAMPLE/01/{GTIN}/10/"),
    "http://192.0.2.7:8000": ("HTTP://192.0.2.7:8000/L/", f"HTTP://192.0.2.7:8000/01/{GTIN}/10/"),
    "https://x.example/farm": (
        "https://x.example/farm/l/",
        f"https://x.example/farm/01/{GTIN}/10/",
    ),
    "https://x.example/FARM": (
        "HTTPS://X.EXAMPLE/FARM/L/",
        f"HTTPS://X.EXAMPLE/FARM/01/{GTIN}/10/",
    ),
    "https://x.example/a_b": ("https://x.example/a_b/l/", f"https://x.example/a_b/01/{GTIN}/10/"),
}


@pytest.mark.parametrize("address", ADDRESSES)
def test_what_the_qr_says_of_each_address(farm: Farm, business: Business, address: str) -> None:
    own, link = ADDRESSES[address]
    business.public_address = address
    run = row(farm.pack([farm.cut(1500)], packs=12))
    code = run.lot.code
    assert public.qr_of(run, business) == own + code
    for prefix, gtin in ((PREFIX, ""), ("", GTIN), (PREFIX, "04012345123456")):
        business.company_prefix, run.product.gtin = prefix, gtin
        assert public.qr_of(run, business) == own + code, (prefix, gtin)
    business.company_prefix, run.product.gtin = PREFIX, GTIN
    said = public.qr_of(run, business)
    assert said == link + code
    parts = urlsplit(said)  # scheme and host mean the same in small letters, which biip asks for
    found = biip.parse(f"{parts.scheme}://{parts.netloc.lower()}{parts.path}").gs1_digital_link_uri
    assert found is not None
    told = {e.ai.ai: e.value for e in found.element_strings}
    assert told == {"01": GTIN, "10": code}
    for text in (own + code, said):
        in_capitals = text.startswith("HTTP") and "_" not in text
        assert segno.make(text, micro=False).mode == ("alphanumeric" if in_capitals else "byte")


@pytest.mark.parametrize("dpi", [203, 300])
@pytest.mark.parametrize("gtin", ["", GTIN], ids=["own", "Digital Link"])
def test_what_is_printed_leads_to_the_page(
    farm: Farm, business: Business, gtin: str, dpi: int, client: Client
) -> None:
    Business.objects.update(company_prefix=PREFIX)
    farm.bag.gtin = gtin
    farm.bag.save()
    run = mixed(farm)
    (code,) = codes_on(pdf(ROLL, [(run_label(row(run)), 1)], title="x", dpi=dpi), dpi=dpi)
    start = f"HTTPS://FARM.EXAMPLE/01/{GTIN}/10/" if gtin else "HTTPS://FARM.EXAMPLE/L/"
    assert code == start + run.code
    page = client.get(urlsplit(code).path)
    assert page.status_code == 200
    assert f"Lot {run.code}" in shown(page)


def test_a_label_that_was_printed_stays_as_it_was_and_leads_there(
    farm: Farm, business: Business, client: Client
) -> None:
    Business.objects.update(company_prefix=PREFIX)
    farm.bag.gtin = GTIN
    farm.bag.save()
    run = mixed(farm)
    printed = codes_on(pdf(ROLL, [(run_label(row(run)), 1)], title="x"))
    Business.objects.update(public_address="https://other.example", public_answered_at=None)
    farm.bag.gtin = ""
    farm.bag.save()
    assert codes_on(pdf(ROLL, [(run_label(row(run)), 1)], title="x")) == printed
    assert client.get(urlsplit(printed[0]).path).status_code == 200
    fresh = farm.pack([farm.cut(1500)], packs=12)
    assert words_of(row(fresh)).qr == fresh.code


# --- the page ------------------------------------------------------------------------------------


def test_the_page_of_a_pack(farm: Farm, business: Business, client: Client) -> None:
    run = mixed(farm)
    farm.pass_time(hours=6, minutes=5)
    assert shown(client.get(f"/l/{run.code}")) == (
        "Ashwithy "
        "Salad bag 120 g 120 g Use by 14 Apr 2026 Packed on 07 Apr 2026 "
        f"Lot {run.code} No notice recorded here as of 07 Apr 2026 15:05. "
        "What is in it Ingredients: loose-leaf lettuce, red mustard. "
        "Keep and wash Keep below 5 °C Wash before use "
        "Grown and packed by Ashwithy, United Kingdom Origin: United Kingdom "
        "Loose-leaf lettuce Sown 02 to 07 Mar 2026 Cut 06 to 07 Apr 2026 "
        "Red mustard Sown 07 Mar 2026 Cut 07 Apr 2026"
    )


def test_allergens_stand_out_by_more_than_their_colour(
    farm: Farm, business: Business, client: Client
) -> None:
    page = client.get(f"/l/{mixed(farm).code}").content.decode()
    assert 'red <strong class="allergen">mustard</strong>' in page
    assert "text-transform: uppercase" in _rule(".public .allergen")


def _rule(selector: str) -> str:
    from django.contrib.staticfiles import finders

    with open(finders.find("sales/public.css")) as css:  # type: ignore[arg-type]  # one path
        return css.read().partition(selector)[2].partition("}")[0]


@pytest.mark.parametrize("kind", DecisionCard.DateKind.values)
def test_the_date_is_of_its_kind(farm: Farm, business: Business, client: Client, kind: str) -> None:
    farm.bag.storage = "Keep cool"
    farm.bag.save()
    decided(farm.bag, date_kind=kind)
    run = farm.pack([farm.cut(1500)], packs=12)
    before = shown(client.get(f"/l/{run.code}"))
    assert "Date 09 Mar 2026" in before  # no label says yet of which kind
    print_(farm, run)
    said = {"use_by": "Use by 09 Mar 2026", "best_before": "Best before 09 Mar 2026", "none": ""}
    after = shown(client.get(f"/l/{run.code}"))
    assert said[kind] in after
    assert ("09 Mar" in after) == bool(said[kind])
    if said[kind]:
        farm.tell("relabel", run=run, use_by=dt.date(2026, 3, 8), reason="warm", destroyed=0)
        assert said[kind].replace("09", "08") in shown(client.get(f"/l/{run.code}"))


def test_before_any_label_is_printed_it_says_what_the_run_froze(
    farm: Farm, business: Business, client: Client
) -> None:
    farm.bag.allergens = "mustard, celery"
    farm.bag.save()
    celery = Crop.objects.create(name="Leaf celery", allergen="celery")
    crates = [farm.cut(700), farm.cut(500, crop=farm.mustard), farm.cut(300, crop=celery)]
    run = farm.pack(crates, packs=12)
    page = shown(client.get(f"/l/{run.code}"))
    assert "What is in it Contains: celery, mustard" in page
    assert "Origin: United Kingdom" in page
    # at the first level crates come from no sowing that is known
    for crop in ("Leaf celery", "Loose-leaf lettuce", "Red mustard"):
        assert f"{crop} Cut 02 Mar 2026" in page


def test_bought_in_leaf_is_not_called_grown_here(
    farm: Farm, business: Business, client: Client
) -> None:
    bought = farm.tell(
        "receive_produce",
        crop=farm.lettuce,
        supplier=farm.supplier,
        place=farm.store,
        grams=900,
        supplier_lot="ZX-77",
        origin="Freedonia",
    ).lot
    farm.pass_time(days=1)
    run = farm.pack([farm.cut(600), bought], packs=12)
    page = shown(client.get(f"/l/{run.code}"))
    assert "Grown" not in page
    assert "Packed by Ashwithy, United Kingdom Contains bought-in produce" in page
    assert "Loose-leaf lettuce Cut 03 Mar 2026 Bought in, and came 02 Mar 2026" in page
    assert "ZX-77" not in page
    assert farm.supplier.name not in page


def test_leaf_of_before_records_began_has_no_day(
    farm: Farm, business: Business, client: Client
) -> None:
    stood = farm.tell(
        "opening_entry", kind="batch", quantity=40, place=farm.bench, variety=farm.green
    ).lot
    crate = farm.tell(
        "opening_entry", kind="harvest", quantity=500, place=farm.store, crop=farm.mustard
    ).lot
    farm.bag.allergens, farm.bag.days_from_cut = "mustard", None
    farm.bag.save()
    new = farm.sow(40)
    farm.pass_time(days=25)
    run = farm.pack([farm.cut(500, stood), farm.cut(500, new), crate], packs=12)
    page = shown(client.get(f"/l/{run.code}"))
    assert "Loose-leaf lettuce Sown 02 Mar 2026, some before records began Cut 27 Mar 2026" in page
    assert "Red mustard Cut before records began" in page


def test_a_reworked_pack_names_the_crops_that_it_came_from(
    farm: Farm, business: Business, client: Client
) -> None:
    first = mixed(farm)
    farm.pass_time(days=1)
    taken = [Taken(first, farm.store, left=2)]
    run = farm.tell(
        "rework", product=farm.bag, taken=taken, packs=10, store=farm.store, line=farm.line
    ).lot
    page = shown(client.get(f"/l/{run.code}"))
    assert "Loose-leaf lettuce Sown 02 to 07 Mar 2026 Cut 06 to 07 Apr 2026" in page
    assert "Red mustard Sown 07 Mar 2026" in page
    assert first.code not in page


def test_a_corrected_origin_is_told_as_it_stands(
    farm: Farm, business: Business, client: Client
) -> None:
    wrong = farm.sow(40)
    farm.pass_time(days=1)
    right = farm.sow(40)
    farm.pass_time(days=25)
    crate = farm.cut(1500, wrong)
    run = farm.pack([crate], packs=12)
    assert "Sown 02 Mar 2026" in shown(client.get(f"/l/{run.code}"))
    farm.tell("correct_origin", lot=crate, wrong=wrong, right=right, reason="the other bench")
    page = shown(client.get(f"/l/{run.code}"))
    assert "Sown 03 Mar 2026" in page
    assert "02 Mar" not in page
    # and the run was put down to the wrong crate
    other = farm.cut(1500, crop=farm.mustard)
    farm.tell("correct_origin", lot=run, wrong=crate, right=other, reason="the other crate")
    page = shown(client.get(f"/l/{run.code}"))
    assert "Red mustard Cut 28 Mar 2026" in page
    assert "lettuce" not in page


# --- notices -------------------------------------------------------------------------------------


def test_a_stopped_lot_says_so_at_once_and_says_no_reason(
    farm: Farm, business: Business, client: Client
) -> None:
    run = mixed(farm)
    calm = "No notice recorded here as of 07 Apr 2026 09:00."
    assert calm in shown(client.get(f"/l/{run.code}"))
    farm.pass_time(days=1)
    farm.hold(run, reason="xylophone dust")
    answer = client.get(f"/l/{run.code}")
    page = shown(answer)
    assert (
        f"Do not eat this. The grower stopped lot {run.code} on 08 Apr 2026, while it is looked "
        "into. Bring it back to where it came from, or throw it away. "
        "Ask Ashwithy, Mill Lane, Ashwithy AW1 9ZZ. Salad bag"
    ) in page
    assert 'role="alert"' in answer.content.decode()
    assert "xylophone" not in page
    assert "No notice" not in page
    assert answer["Cache-Control"] == "no-store"
    farm.pass_time(hours=1)
    farm.tell("release", lots=[run], reason="nothing found")
    assert "No notice recorded here as of 08 Apr 2026 10:00." in shown(client.get(f"/l/{run.code}"))


def test_a_stopped_lot_gives_the_number_to_ring(farm: Farm, client: Client) -> None:
    Business.objects.create(
        name="Ashwithy",
        address="Mill Lane",
        telephone="01632 960200",
        country="United Kingdom",
    )
    run = mixed(farm)
    assert "960200" not in shown(client.get(f"/l/{run.code}"))
    farm.hold(run)
    assert "Ask Ashwithy, Mill Lane, telephone 01632 960200." in shown(client.get(f"/l/{run.code}"))


def test_what_was_made_of_a_stopped_crate_is_stopped(
    farm: Farm, business: Business, client: Client
) -> None:
    crate = farm.cut(1500)
    run = farm.pack([crate], packs=12)
    assert "Do not eat this." not in shown(client.get(f"/l/{run.code}"))
    farm.pass_time(minutes=5)
    farm.hold(crate)
    assert "Do not eat this." in shown(client.get(f"/l/{run.code}"))


def test_days_and_hours_are_those_of_the_business(
    farm: Farm, business: Business, client: Client
) -> None:
    """Auckland is 13 hours before UTC in its summer time (IANA's tz database)."""
    Business.objects.update(zone="Pacific/Auckland")
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.pass_time(hours=4)  # noon of 2 March in UTC
    assert "as of 03 Mar 2026 01:00." in shown(client.get(f"/l/{run.code}"))
    farm.hold(run)
    assert "on 03 Mar 2026, while" in shown(client.get(f"/l/{run.code}"))


def test_a_run_recorded_in_error_says_so(farm: Farm, business: Business, client: Client) -> None:
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.tell("cancel", event=run.made_by, reason="typed twice")
    answer = client.get(f"/l/{run.code}")
    page = shown(answer)
    assert answer.status_code == 200
    assert f"Recorded in error. The grower’s records no longer have a lot {run.code}." in page
    assert "No notice" not in page
    assert "typed twice" not in page
    assert "Cut 02 Mar" not in page


def test_it_never_says_that_anything_is_safe(
    farm: Farm, business: Business, client: Client, quiet: None
) -> None:
    run = mixed(farm)
    pages = [client.get(f"/l/{code}") for code in (run.code, "X", f"test/{'x' * 9}")]
    farm.hold(run)
    pages.append(client.get(f"/l/{run.code}"))
    assert [p.status_code for p in pages] == [200, 404, 404, 200]
    for page in pages:
        assert "safe" not in page.content.decode().lower()


# --- what is never told --------------------------------------------------------------------------


class Odd:
    """A farm whose every other fact has so odd a name that nothing else says it."""

    WORDS = (
        *("Ottoline", "Quill", "ottoline", "Zanzibar", "Xebec", "Vole", "Newt", "Quince"),
        *("Zephyrine", "Puffin", "xylophone", "wombat", "Scale", "2371", "23.71", "37", "4,440"),
        *("4440", "2411", "1907", "913", "SALAD-120", "hand-shake", "Trial", "Wren"),
    )

    def __init__(self, farm: Farm) -> None:
        Person.objects.filter(pk=farm.grower.pk).update(shown_as="Ottoline Quill")
        farm.grower.username = "ottoline"
        farm.grower.save()
        for place, name in (
            (farm.supplier, "Zanzibar Seeds"),
            (farm.t1, "Xebec"),
            (farm.store, "Vole cellar"),
            (farm.line, "Newt bench"),
        ):
            Place.objects.filter(pk=place.pk).update(name=name)
        corner = Outlet.objects.create(
            place=farm.place("Quince corner shop", PlaceKind.BUYER),
            contact="Zephyrine Oddwater",
            price_basis="hand-shake",
        )
        day = dt.date(2026, 1, 1)
        Price.objects.create(outlet=corner, line=farm.bag.line, since=day, pence=2371)
        farm.bag.storage, farm.bag.allergens = "Keep below 5 °C", "mustard"
        farm.bag.save()
        decided(farm.bag)
        packet = farm.tell(
            "receive_input",
            item=farm.seed_item,
            supplier=farm.supplier,
            place=farm.store,
            supplier_lot="wombat-9",
        ).lot
        farm.tell("open_input", lot=packet, place=farm.bench)
        farm.tell("fill", tank=farm.tank, litres=200)
        farm.tell("feed", tank=farm.tank, begins=[farm.t1])
        batch, red = farm.sow(60), farm.sow(60, variety=farm.red)
        farm.plant(batch, farm.t1, 40)
        farm.pass_time(days=30)
        crates = [farm.cut(2411, batch), farm.cut(1907, batch), farm.cut(913, red)]
        self.run = farm.pack(crates, packs=37, left=0, scale=farm.scale, device="Puffin tablet")
        other = farm.pack([farm.cut(600, batch)], packs=5)
        print_(farm, self.run, 37)
        self.sent = farm.send(self.run, 4, corner)
        farm.pass_time(minutes=5)
        farm.hold(self.run, other, reason="xylophone dust")
        self.codes = [*Lot.objects.exclude(pk=self.run.pk).values_list("code", flat=True)]
        self.codes.append(self.sent.note.number)


def test_nothing_else_is_told(farm: Farm, business: Business, client: Client) -> None:
    odd = Odd(farm)
    assert len(odd.codes) >= 8
    held = client.get(f"/l/{odd.run.code}")
    farm.tell("release", lots=[odd.run], reason="xylophone dust wiped off")
    calm = client.get(f"/l/{odd.run.code}")
    for page in (held, calm):
        body = html.unescape(page.content.decode())
        assert "Red mustard" in body
        for word in (*odd.WORDS, *odd.codes):
            assert not re.search(rf"(?<![0-9A-Za-z]){re.escape(word)}", body), word
    assert "Do not eat this" in shown(held)
    assert "Do not eat this" not in shown(calm)


def test_a_code_that_is_of_no_pack_is_the_same_as_none(
    farm: Farm, business: Business, client: Client, quiet: None
) -> None:
    """A mistyped code, one that nobody has, a crate's, a sowing's, a wrong GTIN: the same page to
    the letter, and no code near it."""
    batch = farm.sow(10)
    crate = farm.cut(1500)
    run = farm.pack([crate], packs=12)
    farm.bag.gtin = GTIN
    farm.bag.save()
    assert client.get(f"/l/{run.code}").status_code == 200
    assert client.get(f"/01/{GTIN}/10/{run.code}").status_code == 200
    asked = [
        f"/l/{run.code[:-1]}{'0' if run.code[-1] != '0' else '1'}",
        "/l/R26061-99-T",
        f"/l/{crate.code}",
        f"/l/{batch.code}",
        "/l/test",
        "/l/%00",
        f"/l/{'R' * 5000}",
        "/l/ſ",
        f"/01/04012345123456/10/{run.code}",
        f"/01/{GTIN}",
        f"/01/{GTIN}/10/",
        f"/01/{GTIN}/10/{crate.code}",
        f"/01/{GTIN[:-1]}4/10/{run.code}",
        f"/01/{GTIN}/10/{run.code}?17=261341",
        "/01/x",
    ]
    pages = [client.get(url) for url in asked]
    assert {page.status_code for page in pages} == {404}
    assert {page.content for page in pages} == {pages[0].content}
    assert shown(pages[0]) == f"Ashwithy {UNKNOWN}"


def test_a_code_is_forgiven_its_letters_and_a_link_what_a_reader_adds(
    farm: Farm, business: Business, client: Client
) -> None:
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.bag.gtin = GTIN
    farm.bag.save()
    code = run.code
    for url in (
        *(f"/l/{code}", f"/L/{code}", f"/l/{code.lower()}", f"/l/{code.replace('-', '')}"),
        *(f"/l/{code}/", f"/L/{code}?x=1", f"/l/{code}?17=99"),
        *(f"/01/{GTIN}/10/{code}", f"/01/{GTIN}/10/{code.lower()}"),
        *(f"/01/{GTIN}/10/{code}?17=261201", f"/01/{GTIN}/10/{code}?linkType=all"),
        f"/01/{GTIN}/10/{code}/21/7",
    ):
        answer = client.get(url)
        assert answer.status_code == 200, url
        assert f"Lot {code}" in shown(answer)


# --- what it costs and what it carries -----------------------------------------------------------


def test_it_asks_two_questions_at_most(
    farm: Farm, business: Business, client: Client, quiet: None
) -> None:
    run = mixed(farm)
    farm.bag.gtin = GTIN
    farm.bag.save()
    farm.pass_time(days=1)
    again = [Taken(run, farm.store, left=0)]
    reworked = farm.tell(
        "rework", product=farm.bag, taken=again, packs=12, store=farm.store, line=farm.line
    ).lot
    farm.hold(reworked)
    for url, status in (
        (f"/l/{run.code}", 200),
        (f"/01/{GTIN}/10/{run.code}?17=261201", 200),
        (f"/l/{reworked.code}", 200),
        ("/l/R26061-99-T", 404),
        ("/l/nonsense", 404),
        (f"/01/04012345123456/10/{run.code}", 404),
        (f"/01/{GTIN}/10/", 404),
    ):
        with CaptureQueriesContext(connection) as seen:
            assert client.get(url).status_code == status
        assert 1 <= len(seen) <= 2, url


def test_it_is_the_same_to_everybody_and_reads_no_cookie(
    farm: Farm, business: Business, quiet: None
) -> None:
    """Not the manager's session, not a shared tablet's: no question more, and no word."""
    run = mixed(farm)
    tablet = Bench(farm).tablet
    tablet.post("/who/", {"badge": "PK-7Q3"})
    browsers = {"nobody": Client(), "manager": signed_in("manager"), "tablet": tablet}
    pages = {}
    for who, browser in browsers.items():
        kept = {name: cookie.value for name, cookie in browser.cookies.items()}
        assert bool(kept) == (who != "nobody")
        with CaptureQueriesContext(connection) as seen:
            answer = pages[who] = browser.get(f"/l/{run.code}")
        assert len(seen) == 2, who
        assert not answer.cookies, who
        assert {name: cookie.value for name, cookie in browser.cookies.items()} == kept
        assert not answer.wsgi_request.session.accessed
    assert len({page.content for page in pages.values()}) == 1
    # and the site still knows them
    assert browsers["manager"].get("/").status_code == 200
    assert b"Ann" in browsers["tablet"].get("/").content


def test_what_its_answers_carry(
    farm: Farm, business: Business, client: Client, quiet: None
) -> None:
    run = farm.pack([farm.cut(1500)], packs=12)
    for url in (f"/l/{run.code}", "/l/nonsense", "/01/x", "/l/test/x"):
        answer = client.get(url)
        page = answer.content.decode()
        assert answer["Cache-Control"] == "no-store"
        assert answer["X-Robots-Tag"] == "noindex, nofollow"
        assert 'name="robots" content="noindex, nofollow"' in page
        assert "Cookie" not in answer["Vary"]
        assert not answer.cookies
        policy = answer["Content-Security-Policy"]
        assert "default-src 'self'" in policy
        assert "unsafe" not in policy
        # nothing that the policy would refuse, nothing from elsewhere, no script at all
        assert not re.search(r"<style|<script|\sstyle=|\son\w+=", page)
        assert not re.search(r"(?:src|href)=.https?:", page)
        for method in ("post", "put", "delete"):
            assert getattr(client, method)(url).status_code == 405
        assert client.head(url).status_code == answer.status_code


def test_too_many_questions_from_one_address_rest_for_a_minute(
    farm: Farm, business: Business, client: Client, quiet: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 1_000_000.0
    monkeypatch.setattr(Throttle, "timer", lambda self: now)
    run = farm.pack([farm.cut(1500)], packs=12)
    most = int(Throttle.rate.split("/")[0])
    for n in range(most):
        url = (f"/l/{run.code}", "/l/nonsense", f"/01/{GTIN}/10/x", "/l/test/x")[n % 4]
        assert client.get(url).status_code in (200, 404)
    with CaptureQueriesContext(connection) as seen:
        answer = client.get(f"/l/{run.code}")
    assert (answer.status_code, len(seen)) == (429, 0)
    assert 1 <= int(answer["Retry-After"]) <= 61
    assert answer["Cache-Control"] == "no-store"
    assert "Too many questions" in shown(answer)
    assert run.code not in answer.content.decode()
    # saying that one comes from elsewhere does not help; coming from elsewhere does
    forged = client.get(f"/l/{run.code}", headers={"X-Forwarded-For": "203.0.113.9"})
    assert forged.status_code == 429
    assert client.get(f"/l/{run.code}", REMOTE_ADDR="203.0.113.9").status_code == 200
    now += 61
    assert client.get(f"/l/{run.code}").status_code == 200


def test_behind_a_proxy_it_is_counted_by_whom_the_proxy_names(
    farm: Farm, business: Business, client: Client, quiet: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(api_settings, "NUM_PROXIES", 1)
    for n in range(60):
        named = {"X-Forwarded-For": f"198.51.100.{n}, 203.0.113.9"}
        assert client.get("/l/nonsense", headers=named).status_code == 404
    assert client.get("/l/nonsense", headers=named).status_code == 429
    named = {"X-Forwarded-For": "203.0.113.9, 203.0.113.10"}
    assert client.get("/l/nonsense", headers=named).status_code == 404


# --- the test of the public address --------------------------------------------------------------


@pytest.fixture
def unanswered(business: Business) -> Any:
    Business.objects.update(public_answered_at=None)
    with override_settings(ALLOWED_HOSTS=["testserver", "farm.example", "other.example"]):
        yield business


def trial(host: str = "farm.example", address: str = ADDRESS) -> Any:
    path = urlsplit(public.trial_url(address)).path
    return Client().get(path, HTTP_HOST=host)


def answered() -> dt.datetime | None:
    return Business.the().public_answered_at


def test_an_address_that_is_reached_from_outside_has_answered(
    farm: Farm, unanswered: Business
) -> None:
    manager = signed_in("manager")
    page = manager.get("/public-address/")
    assert "Has not answered yet" in shown(page)
    url = page.context["url"]
    assert url.startswith(f"{ADDRESS}/l/test/")
    farm.pass_time(minutes=7)
    phone = Client().get(urlsplit(url).path, HTTP_HOST="farm.example")
    assert phone.status_code == 200
    assert shown(phone) == "Ashwithy Yes: this address answers. You can close this."
    assert phone["Cache-Control"] == "no-store"
    assert answered() == farm.now
    assert "Answered on 02 Mar 2026 08:07" in shown(manager.get("/public-address/"))


@pytest.mark.parametrize("host", ["farm.example", "FARM.example:443", "farm.example:443"])
def test_the_host_that_the_address_names(unanswered: Business, host: str) -> None:
    assert trial(host).status_code == 200
    assert answered() is not None


@pytest.mark.parametrize("host", ["testserver", "other.example", "farm.example:8443"])
def test_another_host_does_not_count(unanswered: Business, host: str, quiet: None) -> None:
    assert trial().status_code == 200
    Business.objects.update(public_answered_at=None)
    answer = trial(host)
    assert answer.status_code == 422
    assert f"This was asked for as {host}, and not as {ADDRESS}." in shown(answer)
    assert answered() is None


def test_a_code_lasts_an_hour(
    unanswered: Business, quiet: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = urlsplit(public.trial_url(ADDRESS)).path
    really = time.time
    for later, status in ((3590, 200), (3610, 422)):
        Business.objects.update(public_answered_at=None)
        with monkeypatch.context() as clock_:
            clock_.setattr(time, "time", lambda later=later: really() + later)
            answer = Client().get(path, HTTP_HOST="farm.example")
        assert answer.status_code == status
        assert (answered() is not None) == (status == 200)
    assert "This code has expired; it lasts an hour." in shown(answer)


def test_a_code_that_we_did_not_sign_counts_for_nothing(unanswered: Business, quiet: None) -> None:
    from django.core import signing

    signed = public.trial_url(ADDRESS).rpartition("/")[2]
    for token in (
        signed[:-9] + signed[-9:].swapcase(),
        signed[:9].swapcase() + signed[9:],
        signing.dumps(ADDRESS),
        signing.dumps(ADDRESS, salt="another"),
        "x",
    ):
        answer = Client().get(f"/l/test/{token}", HTTP_HOST="farm.example")
        assert answer.status_code == 404
        assert answered() is None
    assert trial().status_code == 200


def test_the_code_of_an_address_that_was_changed_counts_no_more(
    unanswered: Business, quiet: None
) -> None:
    path = urlsplit(public.trial_url(ADDRESS)).path
    Business.objects.update(public_address="https://other.example")
    answer = Client().get(path, HTTP_HOST="farm.example")
    assert answer.status_code == 422
    assert f"The public address is no longer {ADDRESS}." in shown(answer)
    assert answered() is None


def _typed_at_the_desk(address: str, **more: str) -> int:
    boss = Person.objects.create_superuser(f"boss{time.time_ns()}")
    desk = Client()
    desk.force_login(boss)
    told = {"name": "Ashwithy", "zone": "Europe/London", "currency": "GBP", "rule_set": "UK"}
    told |= {"water_scale_tolerance_pct": "5", "public_address": address} | more
    return desk.post("/grow/business/1/change/", told).status_code


def _sent_to_the_api(address: str, **more: str) -> int:
    api = APIClient()
    api.force_authenticate(Person.objects.create_superuser(f"boss{time.time_ns()}"))
    told = api.patch("/api/v1/business/", {"public_address": address} | more)
    return 302 if told.status_code == 200 else 200


@pytest.mark.parametrize("write", [_typed_at_the_desk, _sent_to_the_api])
def test_another_address_has_to_answer_anew(business: Business, write: Any) -> None:
    for same in (ADDRESS, f"{ADDRESS}/"):
        assert write(same, name="Ashwithy Growers") == 302
        assert (Business.the().public_address, Business.the().name) == (ADDRESS, "Ashwithy Growers")
        assert answered() is not None
    assert write("https://other.example/farm/") == 302
    assert Business.the().public_address == "https://other.example/farm"
    assert answered() is None
    assert write("") == 302


@pytest.mark.parametrize("write", [_typed_at_the_desk, _sent_to_the_api])
@pytest.mark.parametrize(
    "address",
    [
        *("https://farm.example/?a=1", "https://farm.example/#a", "https://me:pw@farm.example"),
        *("https://straße.example", "https://farm.example:99999", "farm.example", "ftp://farm"),
    ],
)
def test_an_address_is_one_that_a_label_can_hold(
    business: Business, write: Any, address: str
) -> None:
    assert write("https://farm.example:8443/x") == 302
    assert write(address) == 200
    assert Business.the().public_address == "https://farm.example:8443/x"


def test_nobody_says_that_it_has_answered_but_the_telephone(
    unanswered: Business, quiet: None
) -> None:
    assert _sent_to_the_api(ADDRESS, public_answered_at="2026-03-01T00:00:00Z") == 302
    assert _typed_at_the_desk(ADDRESS, public_answered_at="2026-03-01 00:00:00") == 302
    assert answered() is None


def test_a_host_that_the_server_does_not_answer_to_is_explained(
    farm: Farm, business: Business, quiet: None
) -> None:
    manager = signed_in("manager")
    says = "This server does not answer to the name farm.example"
    with override_settings(ALLOWED_HOSTS=["testserver"]):
        page = manager.get("/public-address/")
        assert says in shown(page)
        assert "DJANGO_ALLOWED_HOSTS" in shown(page)
        assert "qr-box" not in page.content.decode()
        assert trial().status_code == 400
    with override_settings(ALLOWED_HOSTS=["testserver", ".example"]):
        page = manager.get("/public-address/")
        assert says not in shown(page)
        assert page.context["url"]


def test_without_an_address_there_is_nothing_to_test(farm: Farm, quiet: None) -> None:
    page = signed_in("manager").get("/public-address/")
    assert "No public address is set yet." in shown(page)
    assert not page.context["url"]
    business = reverse("admin:grow_business_changelist")
    assert f'href="{business}"' in page.content.decode()


def test_the_form_of_the_business_leads_to_the_test(business: Business) -> None:
    page = signed_in("manager").get("/grow/business/1/change/").content.decode()
    assert '<a href="/public-address/">answered a test</a>' in page


def test_the_server_asks_nobody(
    farm: Farm, unanswered: Business, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No name is looked up and nothing is connected to, whatever the address."""
    import socket

    def refuse(*args: Any, **more: Any) -> Any:
        raise AssertionError(f"asked for {args}")

    manager = signed_in("manager")
    manager.get("/public-address/")
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    monkeypatch.setattr(socket, "gethostbyname", refuse)
    if connection.vendor == "sqlite":
        monkeypatch.setattr(socket.socket, "connect", refuse)
    with contextlib.suppress(AssertionError):
        socket.getaddrinfo("farm.example", 443)
        pytest.fail("the watch is not on")
    assert manager.get("/public-address/").status_code == 200
    assert trial().status_code == 200


def test_held_is_what_the_books_call_held(farm: Farm, business: Business, client: Client) -> None:
    """A hold that ended, and one that goes on beside it."""
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.hold(run)
    farm.pass_time(days=1)
    farm.hold(run, reason="again")
    assert Hold.objects.filter(lot=run).count() == 2
    assert "stopped lot" in shown(client.get(f"/l/{run.code}"))
    assert "on 02 Mar 2026" in shown(client.get(f"/l/{run.code}"))
    Hold.objects.filter(lot=run, reason="laboratory result").update(
        ended_by=run.made_by, ended_at=clock.now()
    )
    assert "on 03 Mar 2026" in shown(client.get(f"/l/{run.code}"))
