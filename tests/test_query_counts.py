"""A list asks the database as often for many rows as for few: every list page of the site and
every list of the API, found by walking the addresses, so that a new one is counted by itself."""

from __future__ import annotations

import datetime as dt
import io
import json
import re
import zipfile
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
from django.contrib import admin
from django.contrib.auth.models import Group
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from knox.models import AuthToken

from analytics.models import Claim, Rate, StandardUse, TimedDay
from config.site import offered_pages
from grow import clock
from grow.models import (
    CropCard,
    Device,
    Item,
    Lot,
    Person,
    Photo,
    Place,
    PlantSite,
    SignOff,
    Thing,
    Variety,
)
from grow.rest import Pages
from grow.seal import seal
from sales import evidence
from sales.models import LabelStock, Outlet, Price, Printer, Product, RecipeLine, Wanted
from sales.pages_evidence import ZIP
from tests.farm import Arrived, Farm, TillRow, decided

#: How often the ORM asks is the same on both.
pytestmark = [pytest.mark.once, pytest.mark.beside]

#: What any one list may ask: who asks and what they may, the count, the page, what hangs on it.
#: A trace asks five questions for each shelf (a line at a place) whose till rows name no lot.
MOST = {"page": 28, "api": 14, "worked out": 90, "evidence": 130, "crops": 150, "plan": 145}
#: Months that are not swept, or charged by receipts, are asked for one by one: seven of them.
MOST["months"] = MOST["month"] = 190
#: One row, or a form: nothing of the books is listed there.
STAND_STILL = {
    "/api/v1/business/",
    "/api/v1/figures/winter/",  # tests/test_wintering.py asks of more rows and fewer
    "/winter/",
    "/api/v1/common-cause/",  # of the same two runs, beside more and more
    "/common-cause/",
    "/epcis/",
    "/evidence/",
    "/first-steps/",
    "/goods-in/file/",
    "/goods-in/without-note/",
    "/grow/business/",
    "/import/",
    "/month/paper/",
    "/labels/cards/",
    "/own-pin/",
    "/pack/codes/",
    "/public-address/",
    "/recalls/open/",
    "/send/codes/",
    "/shared-device/",
    "/sheets/",
    "/till-file/",
    "/tonight/",  # on paper
    "/towers/",
}
#: What is put together from the whole of the books.
WORKED_OUT = (
    "/tonight/",
    "/trace/",
    "/epcis/",
    "/common-cause/",
    "/yields/",
    "/waste/",
    "/margin/",
    "/crops/",
    "/crops/ranking/",
    "/crops/rows/",
    "/keep/",
    "/space/",
    "/figures/lost/",
    "/figures/months/",
    "/figures/outlets/",
    "/figures/ranking/",
    "/morning/",
    "/thrown-away/",
    "/own-use/",
    "/on-hand/",
)


class Books:
    """A farm whose every list can be made longer."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.n = 0
        self.boss = Person.objects.create_superuser("boss")
        self.client = Client()
        self.client.force_login(self.boss)
        self.batch = farm.sow(80)
        farm.tell("receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store)
        farm.pass_time(days=30)
        farm.plant(self.batch, farm.t1, 20)
        farm.pass_time(days=20)
        self.run = farm.pack([farm.cut(3000, self.batch)], packs=20)
        for _ in range(3):  # from here on nothing is the first of its kind
            self.more()

    def more(self) -> None:
        """One more row in every table."""
        farm, self.n = self.farm, self.n + 1
        name = f"Thing of list {self.n}"
        place = farm.place(f"Store of list {self.n}", "store")
        tower = farm.place(f"Tower of list {self.n}", "tower")
        for position in (1, 2):
            PlantSite.objects.create(tower=tower, tier=1, position=position)
        crop = type(farm.lettuce).objects.create(name=f"Crop of list {self.n}")
        variety = Variety.objects.create(name=name, crop=crop)
        CropCard.objects.create(variety=variety)
        item = Item.objects.create(name=name, kind="nutrient")
        Thing.objects.create(name=name, kind="other", place=place)
        learner = Person.objects.create_user(f"learner{self.n}")
        learner.groups.add(Group.objects.get(name="learner"))
        SignOff.objects.create(
            person=learner, task="packing", since=dt.date(2026, 1, 1), by=farm.grower
        )
        buyer = farm.place(f"Buyer of list {self.n}", "buyer")
        outlet = Outlet.objects.create(place=buyer, asks_temperature=True)
        product = Product.objects.create(
            code=f"LIST-{self.n}", name=name, nominal_g=100, shelf_life_days=5
        )
        RecipeLine.objects.create(product=product, crop=crop)
        day = dt.date(2026, 1, 1)
        Price.objects.create(outlet=outlet, line=product.line, since=day, pence=99)
        for weekday in Wanted.Weekday:
            Wanted.objects.create(outlet=outlet, product=product, weekday=weekday, quantity=30)
        Rate.objects.create(what="seed", crop=crop, amount=2, since=day, source="a bill")
        StandardUse.objects.create(item=item, amount=1, since=day, source="a bill")
        said = {"said_by": "A seller", "floor": "without aisles", "source": "a leaflet"}
        Claim.objects.create(of="towers", amount=40, crop=crop, **said)
        timed = dt.date(2026, 1, 1) + dt.timedelta(days=self.n)
        TimedDay.objects.create(day=timed, minutes=90, timed_by=farm.grower)
        Device.objects.create(name=f"Tablet of list {self.n}")
        AuthToken.objects.create(self.boss)
        LabelStock.objects.create(name=name, width_mm=60, height_mm=40)
        Printer.objects.create(name=name)
        decided(product, since=day)
        feed = farm.tell("receive_input", item=item, supplier=farm.supplier, place=place).lot
        farm.tell("open_input", lot=feed, place=farm.greenhouse)
        batch = farm.sow(30)
        farm.tell("fill", tank=farm.tank, litres=20)
        farm.pass_time(hours=5)
        farm.plant(batch, tower, 1)
        crate = farm.cut(2000, self.batch)
        run = farm.pack([crate], packs=12)
        farm.to_shop(run, 3)
        farm.arrive(farm.send(run, 4), run, accepted=3, short=1)
        at_its_own = TillRow(farm.bag, 1, run, unit_pence=100 + self.n)
        farm.tell("sell", outlet=farm.shop, rows=[at_its_own])
        farm.till(1)
        farm.tell("describe", lot=feed, called=f"Feed of list {self.n}")
        farm.tell("feed", tank=farm.tank, begins=[tower])
        farm.hold(farm.cut(2000, self.batch))
        farm.tell("mark_down", place=farm.shop_place, lot=run, quantity=1, pence=120)
        farm.tell("count", place=farm.shop_place, counted={run: 1})
        farm.tell("clean", place=farm.line, recorded_by=learner)
        farm.tell("lab_result", criterion="e_coli_guide", results="10", lots=[run])
        farm.tell("discard", lot=run, from_place=farm.store, to="compost", quantity=90,
                  reason="spilt", already_done=True)  # fmt: skip
        farm.tell("print_tags", count=2)
        farm.tell("open_recall", kind="recall", hazard=name, lots=[run], mock=True)
        farm.tell("complain", happened=name, lot=run)
        farm.tell("issue_statement", outlet=outlet, month=dt.date(2026, 3, 1))
        self.sell_own(variety, product, outlet, tower)
        with clock.playing(farm.now + dt.timedelta(days=self.n)):
            seal()

    def odd(self, run: Lot, outlet: Outlet) -> None:
        """A note that came warm and in part, with a picture of what was rejected."""
        photo = Photo.objects.create(sha256=f"{self.n:064}", jpeg=b"a picture")
        line = Arrived(run, 1, rejected=1, reason="wilted", photo=photo)
        sent = self.farm.send(run, 4, outlet)
        self.farm.tell("receive", note=sent.note, lines=[line], temperature_c=Decimal("6.5"))

    def sell_own(self, variety: Variety, product: Product, outlet: Outlet, tower: Place) -> None:
        """A crop of its own from its sowing to its buyer: one more row of each figure."""
        farm = self.farm
        batch = farm.sow(30, variety)
        farm.pass_time(hours=1)
        farm.plant(batch, tower, 1)
        run = farm.pack([farm.cut(1500, batch)], packs=12, product=product)
        farm.arrive(farm.send(run, 4, outlet), run, accepted=3, short=1)
        farm.tell("discard", lot=run, from_place=farm.store, to="staff", quantity=1,
                  reason=f"lunch {self.n}")  # fmt: skip
        farm.to_shop(run, 2)
        self.odd(run, outlet)

    def shows(self, address: str) -> int:
        """How many rows an answer shows."""
        answer = self.client.get(address)
        if answer["Content-Type"] == ZIP:
            with zipfile.ZipFile(io.BytesIO(answer.content)) as parts:
                name = next(name for name in parts.namelist() if name.endswith("manifest.json"))
                return sum(one.get("rows", 0) for one in json.loads(parts.read(name))["files"])
        if address.startswith("/api/"):
            return listed(answer.json())
        return len(re.findall(rb"<(?:tr|li)\b", answer.content))

    def asked(self, address: str) -> int:
        self.client.get(address)  # sessions, content types and statements are read once
        with CaptureQueriesContext(connection) as seen:
            answer = self.client.get(address)
        assert answer.status_code == 200, (address, answer.status_code)
        return len(seen)


def listed(value: Any) -> int:
    if isinstance(value, dict):
        return sum(map(listed, value.values()))
    return len(value) + sum(map(listed, value)) if isinstance(value, list) else 0


@pytest.fixture
def books(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> Books:
    # the recount of all the books, in an evidence pack, is no list of it
    whole = evidence.Ledger([], 0, None, "", None, 0)
    monkeypatch.setattr(evidence, "look_at_the_books", lambda: whole)
    return Books(farm)


def routes(patterns: list, before: str = "") -> Iterator[tuple[str, URLPattern]]:
    for one in patterns:
        path = before + str(one.pattern)
        if isinstance(one, URLResolver):
            yield from routes(one.url_patterns, path)
        else:
            yield path, one


def api_lists() -> list[str]:
    """Each address of the API that is read and names no object."""
    found = []
    for path, one in routes(get_resolver().url_patterns):
        path = path.replace("^", "").replace("$", "").replace("\\Z", "")
        if not path.startswith("api/v1/") or "<" in path or "(" in path:
            continue
        view = one.callback
        cls = getattr(view, "cls", None) or getattr(view, "view_class", None)
        actions = getattr(view, "actions", None)
        reads = "get" in actions if actions else hasattr(cls, "get")
        if reads:
            found.append("/" + path)
    return sorted(set(found))


def pages() -> list[str]:
    found = ["/", *(f"/{page.path}" for page in offered_pages() if "<" not in page.path)]
    for model in admin.site._registry:
        if model._meta.app_label in ("grow", "sales", "analytics"):
            found.append(
                reverse(f"admin:{model._meta.app_label}_{model._meta.model_name}_changelist")
            )
    return found


def question(address: str, books: Books) -> str:
    today = clock.local(clock.now()).date()
    if "/month/" in address:
        return f"{address}?month={today}"
    if address == "/api/v1/figures/winter/":
        return f"{address}?winter={today.year}"
    if "/figures/" in address and not address.endswith(("/keep/", "/space/")):
        return f"{address}?first={today - dt.timedelta(days=200)}&last={today}"
    if address == "/api/v1/epcis/":
        # what is done here, all of it read at one go
        return f"{address}?first={today}&last={today + dt.timedelta(days=5)}"
    if address.endswith(("/books/", "/thrown-away/", "/own-use/")):
        return f"{address}?first=2026-01-01&last={today}"
    if address in ("/api/v1/statement/", "/statements/"):
        return f"{address}?outlet=Farm shop&month={today}"
    if address.endswith("/common-cause/"):
        runs = Lot.objects.filter(kind="pack").order_by("id").values_list("code", flat=True)
        return f"{address}?codes={','.join(runs[:2])}"
    if address == "/api/v1/evidence/":
        return f"{address}?code={books.batch.code}"
    if address.endswith("/trace/"):
        return f"{address}?code={books.run.code}"
    return address


def test_every_list_asks_as_often_for_many_as_for_few(
    books: Books, monkeypatch: pytest.MonkeyPatch
) -> None:
    for table in admin.site._registry.values():  # no page is full with the few
        monkeypatch.setattr(table, "list_per_page", 1000)
    monkeypatch.setattr(Pages, "default_limit", Pages.max_limit)
    every = [question(a, books) for a in (*pages(), *api_lists())]
    assert len([a for a in every if a.startswith("/api/")]) > 20
    few = {address: (books.shows(address), books.asked(address)) for address in every}
    for _ in range(3):
        books.more()
    many = {address: (books.shows(address), books.asked(address)) for address in every}
    # A list that stands still here would hide that it asks once a row.
    assert {a.split("?")[0] for a in every if many[a][0] <= few[a][0]} == STAND_STILL
    assert {a: (few[a][1], many[a][1]) for a in every if many[a][1] != few[a][1]} == {}


def test_no_list_asks_much(books: Books) -> None:
    over = {}
    for address in (*pages(), *api_lists()):
        kind = "api" if address.startswith("/api/") else "page"
        kind = "worked out" if address.endswith(WORKED_OUT) else kind
        kind = "evidence" if address == "/api/v1/evidence/" else kind
        crops = ("/crops/", "/lost/", "/keep/", "/ranking/", "/winter/", "/floor/")
        kind = "crops" if address.endswith(crops) else kind
        kind = "month" if "/month/" in address else kind
        kind = "months" if address.endswith("/months/") else kind
        most = MOST["plan" if address.endswith("/space/") else kind]
        if (asked := books.asked(question(address, books))) > most:
            over[address] = asked
    assert over == {}
