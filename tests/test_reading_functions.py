"""The functions that pages, API and CSV read from: what is here, what was done, what a trace shows
to whom."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db.models import F, Sum

from grow import readings
from grow.errors import NotKnown, Refusal
from grow.models import Movement, Person
from sales import readings as trade
from tests.farm import Farm

pytestmark = pytest.mark.django_db


@pytest.fixture
def chef(farm: Farm) -> Person:
    chef = Person.objects.create_user("odile", shown_as="Odile")
    chef.places.add(farm.kitchen_place)
    return chef


def table(rows: list[readings.StockRow]) -> list[tuple[str, str, int, str]]:
    return [(r.place, r.lot, r.quantity, r.unit) for r in rows]


def test_what_is_here_now_then_and_in_an_area(farm: Farm) -> None:
    batch = farm.sow(40)
    farm.pass_time(days=20)
    farm.plant(batch, farm.t1, 10)
    farm.pass_time(days=20)
    cut = farm.cut(2600, batch)
    before = farm.now
    farm.pass_time(hours=1)
    run = farm.pack([cut], packs=20)
    farm.pass_time(hours=1)
    farm.to_shop(run, 12)
    farm.hold(run)
    now = readings.stock(farm.grower)
    assert table(now) == [
        ("Bench 1", batch.code, 30, "each"),
        ("Cold store", run.code, 8, "each"),
        ("Farm shop", run.code, 12, "each"),
        ("T1", batch.code, 10, "each"),
    ]
    assert [r.held for r in now] == [False, True, True, False]
    assert now[1].use_by == run.use_by
    then = readings.stock(farm.grower, at=before)
    assert table(then)[1] == ("Cold store", cut.code, 2600, "g")
    assert not any(r.held for r in then)
    area = readings.stock(farm.grower, place=farm.greenhouse)
    assert [r.place for r in area] == ["Bench 1", "T1"]
    assert table(readings.stock(farm.grower, lot=run)) == table(now)[1:3]
    # the day alone is its end; the balance of a lot is what its movements say
    assert table(readings.stock(farm.grower, at=readings.moment("2026-04-11"))) == table(now)
    for row in now:
        sums = Movement.objects.filter(lot__code=row.lot)
        into = sums.filter(to_place__name=row.place).aggregate(n=Sum(F("quantity")))["n"]
        out = sums.filter(from_place__name=row.place).aggregate(n=Sum(F("quantity")))["n"]
        assert row.quantity == into - (out or 0)


def test_a_day_of_entries(farm: Farm) -> None:
    cut = farm.cut(1300)
    farm.pass_time(minutes=1)
    run = farm.pack([cut], packs=10, on=farm.today)
    farm.pass_time(minutes=1)
    wrong = farm.to_shop(run, 3)
    farm.tell("undo", event=wrong)
    rows = readings.today(farm.grower)
    assert [(r.says, r.cancelled) for r in rows] == [
        ("undone", False),
        ("put on the shelf", True),
        ("packed", False),
        ("cut", False),
    ]
    packed = next(r for r in rows if r.kind == "pack")
    assert not packed.hour_known
    assert packed.lots == [run.code]
    assert (cut.code, 1200, "Cold store", "Became another lot") in [
        (m.lot, m.quantity, m.from_place, m.to_place) for m in packed.moved
    ]
    assert readings.today(farm.grower, farm.today - dt.timedelta(days=1)) == []


def test_a_chef_reads_the_kitchen_alone(farm: Farm, chef: Person) -> None:
    cut = farm.cut(5200)
    run = farm.pack([cut], packs=40)
    farm.to_shop(run, 12)
    farm.arrive(farm.send(run, 6), run, accepted=5, rejected=1)
    assert table(readings.stock(chef)) == [
        ("Kitchen", run.code, 5, "each"),
        ("Rejected at Kitchen", run.code, 1, "each"),
    ]
    assert [r.kind for r in readings.today(chef)] == ["receive", "deliver"]
    assert {m.to_place for r in readings.today(chef) for m in r.moved} == {
        "On the way to Kitchen",
        "Kitchen",
        "Rejected at Kitchen",
    }
    seen = trade.traced(chef, trade.asked(chef, code=run.code))
    assert cut.code in [lot["code"] for lot in seen["ancestors"]]
    assert "Farm shop" not in str(seen)
    whole = trade.traced(farm.grower, trade.asked(farm.grower, code=run.code))
    assert "Farm shop" in str(whole)
    with pytest.raises(NotKnown):
        trade.asked(chef, code=cut.code)


def test_one_question_at_a_time(farm: Farm) -> None:
    cut = farm.cut(1300)
    run = farm.pack([cut], packs=10)
    ask = trade.asked
    assert run in ask(farm.grower, product="salad-120", date=farm.today).lots
    since, until = farm.now - dt.timedelta(days=1), farm.now
    assert run in ask(farm.grower, place="cold store", since=since, until=until).lots
    for half in (
        {},
        {"code": run.code, "thing": "Scale B"},
        {"product": "SALAD-120"},
        {"place": "Cold store", "since": since},
        {"place": "Cold store", "since": until, "until": since},
    ):
        with pytest.raises(Refusal) as refused:
            ask(farm.grower, **half)
        assert refused.value.code == "which_question"


def test_the_queries_of_a_reading_do_not_grow(farm: Farm, django_assert_num_queries) -> None:
    for _ in range(6):
        farm.cut(500)
    with django_assert_num_queries(4):
        assert len(readings.stock(farm.grower)) == 6
    with django_assert_num_queries(6):
        assert len(readings.today(farm.grower)) == 6
