"""A month of an outlet on paper: each line worked by hand, closed once, late words on the next."""

from __future__ import annotations

import datetime as dt
import re

import pytest

from grow.errors import Conflict, Refusal
from grow.faults import faults
from grow.models import Business, Event, Lot
from sales.bookkeeping import books
from sales.models import Outlet, Price, Product, Statement
from sales.statements import account
from tests.farm import Farm, TillRow
from tests.test_run_weights import signed_in, words

pytestmark = pytest.mark.django_db
MARCH, APRIL = dt.date(2026, 3, 1), dt.date(2026, 4, 1)


@pytest.fixture
def farm() -> Farm:
    """It is 20 March; 1,000 g went to the kitchen on a note, and eight bags to the shop."""
    farm = Farm()
    Outlet.objects.filter(pk=farm.kitchen.pk).update(price_basis="lowest trade price of the month")
    farm.kitchen.refresh_from_db()
    farm.pass_time(days=18)
    farm.crate = farm.cut(1000)
    farm.run = farm.pack([farm.cut(1000)], packs=8)
    farm.note = farm.send(farm.crate, 1000)
    farm.to_shop(farm.run, 8)
    farm.pass_time(hours=2)
    farm.arrive(farm.note, farm.crate, 333, short=100)
    farm.arrive(farm.note, farm.crate, 467, rejected=100)
    return farm


def lines(found):
    return [(row.paper, row.what, row.quantity, row.unit_pence, row.pence) for row in found.lines]


def test_each_line_is_what_was_kept_at_the_price_of_its_day(farm):
    number = farm.note.note.number
    found = account(farm.kitchen, MARCH)
    # 11.00 a kilogram: 333 g are 3.663, 467 g are 5.137; each receipt rounded, then one line a day
    assert lines(found) == [(number, "Lettuce, loose", 800, 1100, 366 + 514)]
    assert found.internal
    assert found.price_basis == "lowest trade price of the month"
    assert [(k.why, k.quantity, k.pence) for k in found.not_charged] == [
        ("short", 100, 110),
        ("rejected", 100, 110),
    ]
    farm.till(3)
    farm.tell("sell", outlet=farm.shop, rows=[TillRow(farm.bag, 2, unit_pence=120)], till="1")
    farm.tell("return_goods", lot=farm.run, outlet=farm.shop, quantity=1, reason="wilted")
    shop = account(farm.shop, MARCH)
    assert not shop.internal
    assert sum(row.pence for row in shop.lines) == shop.total_p
    assert ("Till 1", "Salad bag 120 g", 2, 120, 240) in lines(shop)
    assert ("sold", "Salad bag 120 g", 3, 240, 720) in lines(shop)
    back = [row for row in shop.lines if row.paper == "came back"]
    assert [row.quantity for row in back] == [-1]
    assert shop.total_p == 720 + 240 + back[0].pence
    assert [(s.tax_code, s.pence) for s in shop.by_tax_code] == [("Z", shop.total_p)]


def test_an_issued_month_is_not_reopened_and_what_is_told_later_is_on_the_next(farm):
    with pytest.raises(Refusal, match="March 2026 is not over"):
        farm.tell("issue_statement", outlet=farm.kitchen, month=MARCH)
    farm.pass_time(days=15)
    farm.tell("issue_statement", outlet=farm.kitchen, month=dt.date(2026, 3, 31))
    issued = account(farm.kitchen, MARCH)
    late = farm.cut(200, store=farm.kitchen_place, on=dt.date(2026, 3, 21))
    Price.objects.update(pence=9999)  # what was posted keeps its price
    assert account(farm.kitchen, MARCH).lines == issued.lines
    assert (issued.number or "").startswith("A")
    april = account(farm.kitchen, APRIL)
    assert [(row.day, row.pence, row.late) for row in april.lines] == [
        (dt.date(2026, 3, 21), 220, True)
    ]
    assert april.late_p == april.total_p == 220
    with pytest.raises(Conflict, match="March 2026 of Kitchen has its statement"):
        farm.tell("issue_statement", outlet=farm.kitchen, month=MARCH)
    farm.pass_time(days=30)
    farm.tell("issue_statement", outlet=farm.kitchen, month=APRIL)
    farm.tell("cancel", event=late.made_by, reason="never cut")
    assert account(farm.kitchen, APRIL).total_p == 220
    may = account(farm.kitchen, dt.date(2026, 5, 5))
    assert [(row.day, row.pence) for row in may.lines] == [(dt.date(2026, 3, 21), -220)]
    with pytest.raises(Refusal, match="of a later month"):
        farm.tell("issue_statement", outlet=farm.kitchen, month=dt.date(2026, 2, 1))
    farm.tell("issue_statement", outlet=farm.shop, month=dt.date(2026, 2, 1))  # each its own
    assert faults() == []


def test_months_are_stated_without_a_gap(farm):
    """What is told of a stated month stands on the month after it, and on no other draft."""
    farm.pass_time(days=75)  # early June
    with pytest.raises(Refusal, match="March 2026 of Kitchen has no statement yet") as no:
        farm.tell("issue_statement", outlet=farm.kitchen, month=APRIL)
    assert no.value.code == "stated_in_order"
    farm.tell("issue_statement", outlet=farm.kitchen, month=MARCH)
    farm.cut(200, store=farm.kitchen_place, on=dt.date(2026, 3, 21))
    assert account(farm.kitchen, APRIL).total_p == 220
    assert account(farm.kitchen, dt.date(2026, 5, 1)).total_p == 0
    with pytest.raises(Refusal, match="April 2026 of Kitchen has no statement yet"):
        farm.tell("issue_statement", outlet=farm.kitchen, month=dt.date(2026, 5, 1))


def test_a_credit_bears_the_tax_code_at_which_it_was_sold(farm):
    farm.till(3)
    farm.pass_time(days=12)  # April
    line = farm.bag.line
    Price.objects.create(outlet=farm.shop, line=line, since=farm.today, pence=300, tax_code="S")
    farm.tell("return_goods", lot=farm.run, outlet=farm.shop, quantity=1, reason="wilted")
    fresh = farm.pack([farm.cut(1000)], packs=8)
    farm.to_shop(fresh, 2)
    farm.till(1, fresh)
    april = account(farm.shop, APRIL)
    assert {s.tax_code: s.pence for s in april.by_tax_code} == {"S": 300, "Z": -240}


def test_what_came_without_a_note_is_charged_though_our_store_held_none(farm):
    before = account(farm.kitchen, MARCH).total_p
    told = {"outlet": farm.kitchen, "code": farm.run.code, "packs": 3}
    farm.tell("discard", lot=farm.run, from_place=farm.shop_place, to="compost", quantity=8,
              reason="old")  # fmt: skip
    farm.tell("come_without_note", **told)
    assert account(farm.kitchen, MARCH).total_p - before == 3 * 165


def test_what_was_taken_back_within_the_month_is_on_no_line(farm):
    before = lines(account(farm.shop, MARCH))
    farm.tell("cancel", event=farm.till(2), reason="rung up twice")
    assert lines(account(farm.shop, MARCH)) == before


def test_the_bookkeeper_sees_sales_our_own_kitchen_and_purchases_apart(farm):
    farm.till(3)
    farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        paid_pence=1250,
    )
    rows = books(MARCH, dt.date(2026, 3, 31))
    assert [(r.kind, r.month, r.whom, r.what, r.pence) for r in rows] == [
        ("sale", "2026-03", "Farm shop", "Salad bag 120 g", 720),
        ("internal", "2026-03", "Kitchen", "Lettuce, loose", 880),
        ("purchase", "2026-03", "Hollin Seeds", "Green loose-leaf seed", 1250),
    ]
    assert books(APRIL, APRIL) == []
    with pytest.raises(Refusal, match="name the earlier day first"):
        books(APRIL, MARCH)


def test_what_has_no_penny_in_the_books_is_listed_with_the_entry_behind_it(farm):
    """Eight bags stood on the shelf and ten were sold; 500 g came to a kitchen without a price."""
    note, more = farm.send(farm.cut(700), 700), farm.pack([farm.cut(500)], packs=4)
    farm.pass_time(hours=1)
    crate = Lot.objects.get(pk=note.note.lines.get().lot_id)
    farm.till(8)
    farm.arrive(note, crate, 100)
    nothing = [account(outlet, MARCH).unstated for outlet in (farm.shop, farm.kitchen)]
    assert nothing == [[], []]
    over = farm.till(2)
    Price.objects.filter(outlet=farm.kitchen).delete()
    bare = farm.arrive(note, crate, 500)
    twice = farm.arrive(note, crate, 100)
    bags = farm.tell("come_without_note", outlet=farm.kitchen, code=farm.run.code, packs=3)
    for event in (twice, bags):
        farm.tell("cancel", event=event, reason="told twice")

    def found(outlet, month=MARCH):
        rows = account(outlet, month).unstated
        return [(r.paper, r.what, r.quantity, r.unit, r.missing, r.entry) for r in rows]

    assert found(farm.shop) == [("sold", "Salad bag 120 g", 2, "each", "lot", over.pk)]
    assert found(farm.kitchen) == [(note.note.number, "Lettuce, loose", 500, "g", "price", bare.pk)]
    assert found(farm.kitchen, APRIL) == []
    _, manager = signed_in("manager")
    asked = {"outlet": "Farm shop", "month": "2026-03-09"}
    page = manager.get("/statements/", asked)
    assert "2 lot unknown" in words(page)
    assert f'<a href="/grow/event/{over.pk}/change/">' in page.content.decode()
    row = f"2026-03-20,sold,,Salad bag 120 g,2,each,,,,,Farm shop,lot,{over.pk}"
    assert row in manager.get("/statements/", asked | {"as": "csv"}).content.decode()
    assert (
        row
        in manager.get("/api/v1/statement/", asked, headers={"Accept": "text/csv"}).content.decode()
    )
    told = manager.get("/api/v1/statement/", asked).json()
    assert [(r["missing"], r["entry"]) for r in told["unstated"]] == [("lot", over.pk)]
    sums = manager.get("/books/?first=2026-03-01&last=2026-03-31")
    assert "2026-03 Farm shop 1 Look 2026-03 Kitchen 1 Look" in words(sums)
    (way,) = re.findall('href="(/statements/[^"]*Kitchen[^"]*)"', sums.content.decode())
    assert "500 g no price" in words(manager.get(way.replace("&amp;", "&")))
    # bags put there before that, and told late: now the lot of both is known, and so is the money
    before = account(farm.shop, MARCH).total_p
    farm.to_shop(more, 4, at=farm.now - dt.timedelta(minutes=30))
    assert found(farm.shop) == []
    assert account(farm.shop, MARCH).total_p - before == 2 * 240


def test_an_issued_statement_reads_as_it_did_whatever_is_changed_since(farm):
    farm.pass_time(days=15)
    farm.tell("issue_statement", outlet=farm.kitchen, month=MARCH)
    issued = account(farm.kitchen, MARCH)
    assert [(k.why, k.quantity, k.pence) for k in issued.not_charged] == [
        ("short", 100, 110),
        ("rejected", 100, 110),
    ]
    Price.objects.update(pence=9999)
    Product.objects.filter(pk=farm.loose.pk).update(name="Leaf by weight")
    Outlet.objects.filter(pk=farm.kitchen.pk).update(price_basis="another")
    Business.objects.update(address="2 New Lane")
    farm.kitchen.refresh_from_db()
    farm.tell("cancel", event=Event.objects.filter(kind="receive").last(), reason="other note")
    assert account(farm.kitchen, MARCH) == issued
    assert account(farm.kitchen, APRIL).total_p == -514  # and not at the new price
    assert faults() == []
    kept = Statement.objects.get()
    kept.stated["lines"][0]["pence"] += 1
    kept.save()
    assert faults() == [f"Statement {kept.number} says 881 p; the books had 880 p then."]


def test_the_pages_say_that_they_are_no_invoice_and_whose_month_it_is(farm):
    farm.pass_time(days=15)
    _, manager = signed_in("manager")
    url = "/statements/?outlet=Kitchen&month=2026-03-09"
    page = words(manager.get(url))
    assert "A statement is not an invoice" in page
    assert "Internal: Kitchen, March 2026" in page
    assert "basis: lowest trade price of the month" in page
    assert "Issue it" in page
    assert "8.80" in page
    told = {"outlet": "Kitchen", "month": "2026-03-09", "client_id": "s-1"}
    assert manager.post("/do/issue_statement/", told).status_code == 302
    page = words(manager.get(url))
    assert "Issue it" not in page
    assert "issued 04 Apr 2026" in page
    file = manager.get(f"{url}&as=csv").content.decode()
    assert '"Lettuce, loose",800,g,1100,Z,880' in file
    assert "For the bookkeeper" in words(manager.get("/books/?first=2026-03-01&last=2026-03-31"))
    told = manager.get("/api/v1/statement/", {"outlet": "Kitchen", "month": "2026-03-31"}).json()
    assert (told["total_p"], told["internal"], len(told["lines"])) == (880, True, 1)
    _, shop = signed_in("shop", farm.shop_place)
    assert shop.get("/statements/").status_code in (403, 404)
    assert (
        shop.get("/api/v1/statement/", {"outlet": "Farm shop", "month": "2026-03-31"}).status_code
        == 403
    )
