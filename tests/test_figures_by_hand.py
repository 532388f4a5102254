"""Small books worked out by hand: what belongs to a site and what was bought in and sold on, what
came to an outlet and went unsold there, and what months say where days differ."""

from __future__ import annotations

import datetime as dt
from collections import Counter

import pytest
from django.contrib.auth.models import Group
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from analytics.claims import claims
from analytics.crop_pictures import ENDS
from analytics.crop_rows import lost as lost_rows
from analytics.crop_rows import sales
from analytics.crop_table import Only, crop_table
from analytics.lost import lost
from analytics.margin import margin
from analytics.models import Rate, TimedDay
from analytics.monthly import monthly
from analytics.outlet_table import OutletSum, outlet_table
from analytics.period import Period
from analytics.rates import set_rate
from analytics.waste import LOST, waste
from analytics.wintering import wintering
from grow import clock
from grow.asks import Unread
from grow.models import Person
from grow.roles import GROWER, MANAGER
from sales.models import Price
from tests.farm import Farm
from tests.week import FIRST, a_week, figures_farm, rated

pytestmark = pytest.mark.django_db
LONG_AGO = dt.date(2020, 1, 1)


@pytest.fixture
def books() -> Farm:
    farm = figures_farm()
    rated()
    return farm


def sent(farm: Farm, lot, grams: int) -> None:
    farm.pass_time(hours=1)
    note = farm.send(lot, grams)
    farm.pass_time(hours=1)
    farm.arrive(note, lot, grams)


def brought(farm: Farm, grams: int):
    """Leaf grown by others, at a penny a gram."""
    told = {"crop": farm.lettuce, "supplier": farm.supplier, "place": farm.store}
    return farm.tell("receive_produce", **told, grams=grams, paid_pence=grams).lot


def test_leaf_bought_in_and_sold_on_earned_no_site_anything() -> None:
    """40 lettuces carried through a winter on a tower, of which 1 kg is cut in March; then 9 kg
    that others grew are sold beside it."""
    farm = figures_farm()
    farm.pass_time(days=244)
    Price.objects.create(outlet=farm.shop, line=farm.loose.line, since=LONG_AGO, pence=1000)
    batch = farm.sow(50)
    farm.pass_time(days=3)
    farm.plant(batch, farm.t1, 40)
    farm.pass_time(days=126)
    sent(farm, farm.cut(1000, batch), 1000)
    march, said = Period(dt.date(2027, 3, 1), dt.date(2027, 3, 31)), []
    at = farm.now + dt.timedelta(days=2)
    for bought_g in (0, 9000):
        if bought_g:
            sent(farm, brought(farm, bought_g), bought_g)
        with clock.playing(at):
            (row,) = [g for g in crop_table(march).groups if g.crop]
            (winter,) = wintering(2027).rows
        said.append((row.site_before_p, row.after_alone_per_site_week_p, winter.return_p))
        assert (row.door_p, row.resold_p) == (1100 + 1100 * bought_g // 1000, bought_g // 10)
    assert said[0] == said[1]
    assert said[0][0] == 1100 == said[0][2]


def test_of_what_was_lost_the_per_cent_is_of_leaf_that_grew_here(books: Farm) -> None:
    """1 kg off the plants, 100 g of it graded out; of 5 kg bought in 2 kg are thrown away."""
    batch = books.sow(50)
    books.pass_time(days=1)
    books.plant(batch, books.t1, 40)
    books.pass_time(days=20)
    books.cut(1000, batch, grade_out_g=100)
    box = brought(books, 5000)
    books.pass_time(hours=1)
    told = {"from_place": books.store, "to": "compost", "reason": "wilted"}
    books.tell("discard", lot=box, quantity=2000, **told)
    table = crop_table(Period(FIRST, books.today), "tier")
    total = lost(table, "tier", Only()).total
    assert (total.cut_g, total.lost_g, total.bought_in_g) == (1000, 2100, 2000)
    assert total.lost_pct == 10


def test_a_crate_of_tower_and_bench_gives_each_floor_its_part(books: Farm) -> None:
    set_rate("floor", "1", LONG_AGO, "the test's own")
    set_rate("bench_floor", "0.01", LONG_AGO, "the test's own")
    tower, bench = books.sow(50), books.sow(40)
    books.pass_time(days=1)
    books.plant(tower, books.t1, 40)
    books.pass_time(days=20)
    books.cut(1000, batches=[tower, bench])
    row = next(r for r in claims(Period(FIRST, books.today)).rows if r.crop_id)
    assert row.towers_g + row.bench_g == 1000


# --- outlets --------------------------------------------------------------------------------


def of_outlets(farm: Farm) -> dict[str, OutletSum]:
    return {row.outlet: row for row in outlet_table(Period(farm.today, farm.today)).rows}


def test_unsold_is_of_what_came_whenever_it_is_paid_for(books: Farm) -> None:
    """Ten bags of 120 g to each; two go to the compost at each. A kitchen pays when they come, a
    shop's customers when they buy; two more go back from the kitchen, whose price is nought."""
    Price.objects.filter(outlet=books.kitchen).update(pence=0)
    run = books.pack([books.cut(5000, crop=books.lettuce)], packs=40, left=0)
    sent(books, run, 10)
    books.to_shop(run, 10)
    books.pass_time(hours=1)
    books.till(8)
    for place in (books.kitchen_place, books.shop_place):
        told = {"from_place": place, "to": "compost", "reason": "wilted"}
        books.tell("discard", lot=run, quantity=2, **told)
    found = of_outlets(books)
    shop, kitchen = found["Farm shop"], found["Kitchen"]
    assert [(r.grams, r.came_g, r.unsold_g) for r in (shop, kitchen)] == [
        (960, 1200, 240),
        (1200, 1200, 240),
    ]
    assert shop.unsold_pct == kitchen.unsold_pct == 20
    books.tell(
        "return_goods", lot=run, outlet=books.kitchen, quantity=2, reason="too many",
        from_customer=False,
    )  # fmt: skip
    kitchen = of_outlets(books)["Kitchen"]
    assert (kitchen.grams, kitchen.came_g, kitchen.unsold_pct) == (960, 1200, 40)  # thrown away
    rows = sales(Period(books.today, books.today), Only(), "Kitchen")
    assert sum(row["grams"] for row in rows) == 960
    with pytest.raises(Unread, match="No outlet is called “Nowhere”"):
        outlet_table(Period(FIRST, FIRST), outlet="Nowhere")


def test_who_reads_figures_but_no_money_is_not_told_what_each_customer_paid(books: Farm) -> None:
    run = books.pack([books.cut(5000, crop=books.lettuce)], packs=40, left=0)
    books.to_shop(run, 10)
    books.pass_time(hours=1)
    books.till(8)
    for role, sees in ((GROWER, False), (MANAGER, True)):
        person = Person.objects.create_user(f"a {role}", is_staff=True)
        person.groups.add(Group.objects.get(name=role))
        client = Client()
        told = {"first": str(books.today), "last": str(books.today)}
        with clock.playing(books.now):
            client.force_login(person)
            rows = client.get("/crops/rows/", told).content.decode()
            outlets = client.get("/crops/", told | {"by": "outlet"})
        assert ("19.20" in rows) == sees
        assert (outlets.status_code, b"What the outlets paid" in outlets.content) == (
            (200, True) if sees else (422, False)
        )


# --- months ---------------------------------------------------------------------------------


def test_a_month_of_two_timed_days_has_the_factor_of_each(books: Farm) -> None:
    """84 cells are sown on each of three days, timed at 10, 20 and 10 minutes of 8 standard ones:
    the last factor is the first one's again."""
    for days, minutes in ((0, 10), (38, 20), (10, 10)):
        books.pass_time(days=days)
        books.sow(84)
        TimedDay.objects.create(day=books.today, minutes=minutes, timed_by=books.grower)
    books.pass_time(days=20)
    april = Period(dt.date(2026, 4, 1), dt.date(2026, 4, 30))
    months, whole = monthly(april).total, margin(april).total
    assert months.minutes == whole.minutes == 30
    assert months.labour_p == whole.labour_p


def test_what_has_no_rate_is_left_out_once_and_a_year_asks_no_more_than_a_month(
    books: Farm,
) -> None:
    Rate.objects.filter(what="seed").delete()
    for cells in (84, 84, 50):
        books.sow(cells)
        books.pass_time(days=31)
    spring = Period(FIRST, books.today)
    gaps = [[g for g in of(spring).about.gaps if "cells sown" in g] for of in (monthly, margin)]
    assert gaps[0] == gaps[1]
    assert "218 cells sown are left out" in gaps[0][0]
    # charged by the day, as with receipts
    for month in (3, 4, 5):
        set_rate("water", str(month), dt.date(2026, month, 15), "the test's own")
    asked = []
    for last in (dt.date(2026, 3, 31), dt.date(2026, 5, 31)):
        with CaptureQueriesContext(connection) as queries, clock.one_zone():
            assert monthly(Period(dt.date(2026, 3, 1), last)).rows
        asked.append(len(queries))
    assert asked[1] - asked[0] <= 4


def test_a_tower_may_be_called_by_any_sign(books: Farm) -> None:
    """² is a digit to Python and no number."""
    books.t1.name = "Tower ²"
    books.t1.save()
    batch = books.sow(50)
    books.pass_time(days=1)
    books.plant(batch, books.t1, 40)
    books.pass_time(days=1)
    found = crop_table(Period(FIRST, books.today), "tower")
    assert "Tower ²" in {row.tower for row in found.groups}


def test_the_rows_behind_what_was_lost_add_up_to_it(books: Farm) -> None:
    week = a_week(books)
    assert week
    period = Period(FIRST, books.today)
    for row in waste(period).rows:
        found = lost_rows(period, Only(crop=row.crop_id))
        told: Counter[str] = Counter()
        for one in found:
            told[one["line"]] += one["crop_g"]
        want = {ENDS[name]: getattr(row, name) for name in LOST if name != "lost_at_rework_g"}
        assert +told == +Counter(want), row.crop
