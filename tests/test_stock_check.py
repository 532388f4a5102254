"""The stock check: a place walked with a scanner, one press, and the books start fresh where
somebody wants them to. Without a script; then by a scanner's keystrokes alone in a real browser."""

from __future__ import annotations

import itertools
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow.faults import faults
from grow.models import Counted, Event, Lot, Movement, Person
from grow.pages_count import ANEW, FRESH, RECORD
from grow.queries import trusted_since
from tests.farm import Farm
from tests.hands import DESK, PHONE, Thumb, violations

pytestmark = pytest.mark.django_db
URL = "/stock-check/"
_ids = itertools.count(1)


@pytest.fixture
def packer(farm: Farm) -> Client:
    farm.packer.is_staff = True
    farm.packer.save()
    farm.packer.groups.add(Group.objects.get(name="packer"))
    client = Client()
    client.force_login(farm.packer)
    return client


class Walk:
    """Somebody with a scanner before the page: what it carries is sent on with each scan."""

    def __init__(self, client: Client, place: str) -> None:
        self.client, self.sent = client, {}
        self.page: Any = client.get(URL, {"place": place})

    def send(self, **more: str) -> Any:
        text = self.page.content.decode()
        fields: dict[str, Any] = {"lot": []}
        for name, value in re.findall(r'<input [^>]*name="([^"]+)"(?: value="([^"]*)")?', text):
            if name == "lot":
                fields["lot"].append(value)
            elif name not in ("scan", "csrfmiddlewaretoken"):
                fields.setdefault(name, value)
        self.sent = fields | more
        return self.again()

    def again(self) -> Any:
        """The same press once more."""
        self.page = self.client.post(URL, self.sent)
        return self.page

    def scan(self, *codes: str) -> Any:
        for code in codes:
            self.send(scan=code)
        return self.page

    @property
    def heard(self) -> str:
        found = re.search(r'id="heard" role="status">(.*?)</p>', self.page.content.decode())
        return found[1] if found else ""

    @property
    def refused(self) -> str:
        found = re.search(r"</strong> (.*?)</p>", self.page.content.decode())
        return found[1].replace("&#x27;", "'") if found and self.page.status_code == 422 else ""

    @property
    def table(self) -> list[tuple[str, str, str, str]]:
        """Code, counted, booked, difference of each row."""
        rows = re.findall(r"<tr class.*?</tr>", self.page.content.decode(), re.DOTALL)
        out = []
        for row in rows:
            code = re.search(r'check-code">(.*?)<', row)
            typed = re.search(r'name="n-[^"]+" value="(.*?)"', row)
            booked, off = re.findall(r'<td data-label="(?:Booked|Difference)"[^>]*>(.*?)</td>', row)
            assert code
            assert typed
            out.append((code[1], typed[1], booked, off))
        return out


def counts(kind: str = "count") -> int:
    return Event.objects.filter(kind=kind).count()


def unexplained(lot: Lot) -> int:
    rows = Movement.objects.filter(lot=lot, event__kind="count_difference")
    gone = [m.quantity if m.to_place.kind == "count_difference" else -m.quantity for m in rows]
    return sum(gone)


# --- scans ----------------------------------------------------------------------------------------


def test_a_crate_is_weighed_and_packs_are_counted_by_their_scans(
    farm: Farm, packer: Client
) -> None:
    crate = farm.cut(4000)
    run = farm.pack([farm.cut(1500)], packs=12)
    walk = Walk(packer, "Cold store")
    assert len(re.findall("<li>", walk.page.content.decode())) >= 2  # not scanned yet
    walk.scan(crate.code)
    assert "weigh it" in walk.heard
    walk.scan("3,9")
    assert walk.heard == f"Loose-leaf lettuce, {crate.code}: 3.9 kg."
    walk.scan(run.code, run.code)
    assert walk.table[0] == (run.code, "2", "12 packs", "−10 packs")
    walk.scan("11")
    assert walk.table == [
        (run.code, "11", "12 packs", "−1 pack"),
        (crate.code, "3,9", "4 kg", "−100 g"),
    ]
    walk.scan("+1")
    assert walk.table[0] == (run.code, "12", "12 packs", "0")
    assert not Counted.objects.filter(event__kind="count").exists()
    assert walk.scan(RECORD).status_code == 302
    assert (unexplained(crate), unexplained(run)) == (100, 0)
    assert counts() == 1
    assert faults() == []


def test_what_is_no_code_or_no_number_is_said_and_the_rest_stays(
    farm: Farm, packer: Client
) -> None:
    crate = farm.cut(4000)
    packet = farm.tell(
        "receive_input", item=farm.soap, supplier=farm.supplier, place=farm.store
    ).lot
    walk = Walk(packer, "Cold store")
    walk.scan(crate.code, "1,500")
    assert "1,500: 1.5 kg or 1500 g?" in walk.refused
    walk.scan("3.95", "H99999-99-9")
    assert "No lot is called “H99999-99-9”." in walk.refused
    walk.scan("9521234543213")  # what a till reads is no quantity
    assert "No lot is called" in walk.refused
    walk.scan(packet.code)
    assert "is not kept by quantity" in walk.refused
    assert walk.table == [(crate.code, "3.95", "4 kg", "−50 g")]
    walk.scan(ANEW)
    assert walk.table == []


def test_a_row_without_a_figure_stops_the_press(farm: Farm, packer: Client) -> None:
    crate = farm.cut(4000)
    walk = Walk(packer, "Cold store")
    walk.scan(RECORD)
    assert walk.refused == "Nothing is counted yet: scan something."
    walk.scan(crate.code, RECORD)
    assert walk.refused == f"{crate.code}: Say how much is there; 0 for nothing."


def test_a_double_press_is_one_count(farm: Farm, packer: Client) -> None:
    crate = farm.cut(4000)
    sent = {"place": "Cold store", "client_id": "w", "lot": crate.code, f"n-{crate.code}": "3.9"}
    for _ in range(2):
        assert packer.post(URL, sent | {"press": RECORD}).status_code == 302
    assert counts() == 1


# --- a second count -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "again"),
    [("3.2", False), ("3.199", True), ("4.8", False), ("4.801", True), ("0", True)],
)
def test_over_a_fifth_is_counted_a_second_time(
    farm: Farm, packer: Client, typed: str, again: bool
) -> None:
    """Of 4000 g a fifth is 800 g."""
    crate = farm.cut(4000)
    walk = Walk(packer, "Cold store")
    walk.scan(crate.code, typed, RECORD)
    assert (walk.page.status_code == 422) == again
    assert counts() == (0 if again else 1)
    if again:
        assert "over a fifth: count it a second time" in walk.refused
        walk.scan("3.1")  # the second stands, however far off
        assert walk.scan(RECORD).status_code == 302
        assert farm.stock(crate, farm.store) == 3100


@pytest.mark.parametrize(("left", "again"), [("200", True), ("100", True), ("300", False)])
def test_little_is_not_asked_for_twice(farm: Farm, packer: Client, left: str, again: bool) -> None:
    """Up to 200 g nobody weighs again, however large a share it is."""
    crate = farm.cut(500 if again else 450)
    walk = Walk(packer, "Cold store")
    walk.scan(crate.code, f"{left} g", RECORD)
    assert (walk.page.status_code == 422) == again


# --- starting fresh -------------------------------------------------------------------------------


def test_a_fresh_start_posts_all_differences_and_says_since_when_the_books_may_be_trusted(
    farm: Farm, packer: Client
) -> None:
    here, gone = farm.cut(4000), farm.cut(900)
    walk = Walk(packer, "Cold store")
    assert "Nobody has started fresh here yet." in walk.page.content.decode()
    walk.scan(here.code, "3.9", FRESH)
    assert "Not scanned: will be taken as gone" in walk.page.content.decode()
    assert gone.code in walk.page.content.decode()
    walk.scan(RECORD)
    assert "1 lot was not scanned and the books hold it here" in walk.refused
    assert counts() == 0
    assert walk.send(sure="yes").status_code == 302
    assert farm.holdings() == {("Cold store", here.code): 3900}
    assert (unexplained(here), unexplained(gone)) == (100, 900)
    assert trusted_since(farm.store) == farm.now
    page = packer.get(URL, {"place": "Cold store"}).content.decode()
    assert "start from a count of 02 Mar 2026, 08:00" in page
    assert faults() == []


def test_what_came_or_left_since_its_list_was_shown_is_shown_before_a_fresh_start(
    farm: Farm, packer: Client
) -> None:
    here, gone, sent = farm.cut(4000), farm.cut(900), farm.cut(2000)
    walk = Walk(packer, "Cold store")
    walk.scan(here.code, "3.9", sent.code, "2", FRESH, RECORD)
    assert "1 lot was not scanned" in walk.refused
    late = farm.cut(700)
    farm.send(sent, 500)
    walk.send(sure="yes")
    assert walk.refused.startswith(
        f"{sent.code}, {late.code} came or left since this list was shown: look anew."
    )
    assert "2 lots were not scanned" in walk.refused
    assert late.code in walk.page.content.decode()
    assert walk.table == [
        (sent.code, "2", "1.5 kg", "+500 g"),
        (here.code, "3.9", "4 kg", "−100 g"),
    ]
    assert counts() == 0
    walk.scan(sent.code, "1.5", late.code, "0.7", gone.code, "0.9", RECORD)
    assert walk.page.status_code == 302  # all of it was counted after the look
    assert walk.again().status_code == 302  # a second press has the first's answer
    assert counts() == 1
    assert farm.holdings()["Cold store", late.code] == 700
    assert faults() == []


def test_somebody_of_one_outlet_counts_there_alone(farm: Farm) -> None:
    crate = farm.cut(4000)
    cook = Person.objects.create_user("ada", is_staff=True)
    cook.groups.add(Group.objects.get(name="chef"))
    cook.places.add(farm.kitchen_place)
    client = Client()
    client.force_login(cook)
    page = client.get(URL).content.decode()
    assert "Kitchen" in page
    assert "Cold store" not in page
    refused = client.post(URL, {"place": "Cold store", "scan": crate.code})
    assert refused.status_code == 422
    assert crate.code not in refused.content.decode()


# --- in a real browser ----------------------------------------------------------------------------


def test_a_scanner_alone_counts_a_store(people, page, live_server, orm) -> None:
    thumb = Thumb(page, people, "packer", live_server.url, DESK)
    page.goto(f"{live_server.url}{URL}?place=Cold+store")

    def scanned(*codes: str) -> None:
        """A scanner types fast, and presses Enter; nobody touches the page."""
        for code in codes:
            page.keyboard.type(code)
            with page.expect_navigation():
                page.keyboard.press("Enter")

    scanned(people.crate.code.lower(), "2.95", people.run.code, "13")
    assert violations(page) == []
    page.evaluate("document.activeElement.blur()")  # as a tap beside the field does
    scanned(RECORD)
    assert "1 / 14" not in page.inner_text("main")
    event = orm(lambda: Event.objects.get(kind="count"))
    assert orm(lambda: sorted(event.counts.values_list("quantity", flat=True))) == [13, 2950]
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}{URL}?place=Cold+store")
    scanned(people.crate.code, "1")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert violations(page) == []
    assert thumb.elsewhere == []
    assert page.said == []
