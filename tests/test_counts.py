"""Counts of a whole shelf, told at any time: what they say of lots that nobody named, which till
rows they answer, and since when a place's books may be trusted."""

import datetime as dt
import itertools

import pytest
from django.db import transaction

from grow.faults import faults
from grow.kinds import WORKED_OUT
from grow.models import Counted, Movement
from grow.queries import possibly_sold, stock, trusted_since
from tests.farm import Farm, TillRow

pytestmark = pytest.mark.django_db


class _Back(Exception):
    pass


@pytest.fixture
def farm() -> Farm:
    return Farm()


def run_of(farm: Farm, bags: int = 10):
    return farm.pack([farm.cut(1250)], packs=bags)


def sold(lot) -> int:
    rows = Movement.objects.filter(lot=lot, event__kind=WORKED_OUT)
    return sum(m.quantity if m.to_place.kind == "sold" else -m.quantity for m in rows)


def closing(farm: Farm, counted: dict, **more):
    return farm.tell("count", place=farm.shop_place, counted=counted, closing=True, **more)


def test_a_closing_count_told_late_is_of_what_stood_then(farm: Farm) -> None:
    """Monday's count is told on Wednesday. A run that stood there on Monday and was thrown away
    since is the one that it did not see; one that came on Tuesday it could not."""
    seen, unseen = run_of(farm), run_of(farm)
    farm.to_shop(seen, 6)
    farm.to_shop(unseen, 4)
    monday = farm.pass_time(hours=6)
    farm.pass_time(days=1)
    later = run_of(farm)
    farm.to_shop(later, 5)
    farm.tell(
        "discard",
        lot=unseen,
        from_place=farm.shop_place,
        to="compost",
        quantity=4,
        reason="torn",
    )
    farm.pass_time(days=1)
    closing(farm, {seen: 6}, at=monday)
    evening = monday + dt.timedelta(hours=12)
    assert stock(unseen, farm.shop_place, at=evening) == 0
    assert stock(later, farm.shop_place) == 5
    assert not Counted.objects.filter(lot=later).exists()
    # four that nobody saw, and four thrown away all the same
    assert farm.stock(unseen, farm.difference) == 0
    assert faults() == []


def told_in_all_orders(farm: Farm, told: list, lots: list) -> list:
    """What stands and what differs after each order of telling, at the end and before."""
    seen = []
    for order in itertools.permutations(told):
        try:
            with transaction.atomic():
                for tell in order:
                    tell()
                assert faults() == []
                seen.append(
                    [
                        stock(lot, place, at=farm.now - dt.timedelta(days=days))
                        for lot in lots
                        for place in (farm.shop_place, farm.difference)
                        for days in (0, 1)
                    ]
                )
                raise _Back
        except _Back:
            pass
    return seen


@pytest.mark.parametrize("till", [0, 3], ids=["no till", "a till"])
def test_what_is_told_after_a_closing_count_was_not_seen_by_it_either(
    farm: Farm, till: int
) -> None:
    """Bags put on the shelf that morning, and told only after the evening's count, were not
    there in the evening: the order of telling does not matter."""
    seen, unseen = run_of(farm), run_of(farm)
    farm.to_shop(seen, 6)
    morning, noon, evening = (farm.pass_time(hours=2) for _ in range(3))
    farm.pass_time(days=2)
    told = [
        lambda: farm.to_shop(unseen, 4, at=morning, already_done=True),
        lambda: closing(farm, {seen: 5}, at=evening),
    ]
    if till:
        told.append(lambda: farm.till(till, at=noon))
    stood = told_in_all_orders(farm, told, [seen, unseen])
    assert all(one == stood[0] for one in stood)
    assert stood[0][4:6] == [0, 0]  # none of the unseen in the shop, today or yesterday


def test_of_two_closing_counts_of_one_day_the_later_stands(farm: Farm) -> None:
    run, other = run_of(farm), run_of(farm)
    farm.to_shop(run, 9)
    farm.to_shop(other, 3)
    at_five, at_seven = farm.pass_time(hours=9), farm.pass_time(hours=2)
    farm.pass_time(days=1)
    stood = told_in_all_orders(
        farm,
        [
            lambda: closing(farm, {run: 5, other: 3}, at=at_five),
            lambda: closing(farm, {run: 4}, at=at_seven),
        ],
        [run, other],
    )
    assert all(one == stood[0] for one in stood)
    assert (stood[0][0], stood[0][4]) == (4, 0)  # the later did not see the other run


def test_a_look_at_one_lot_answers_no_till_row_of_its_line(farm: Farm) -> None:
    """A till rang up more than the books had. Counting one run among two says nothing of the
    rest of the line, so the row still waits, and the receipt told next day resolves it."""
    one, two, three = run_of(farm), run_of(farm), run_of(farm)
    farm.to_shop(one, 2)
    farm.to_shop(two, 2)
    farm.pass_time(hours=1)
    farm.till(6)
    farm.pass_time(hours=1)
    farm.to_shop(two, 1)
    farm.tell("count", place=farm.shop_place, counted={one: 0})
    assert sold(one) + sold(two) == 5
    farm.pass_time(hours=1)
    farm.to_shop(three, 5)
    assert (sold(one), sold(two), sold(three)) == (2, 3, 1)
    assert farm.stock(three, farm.shop_place) == 4
    assert faults() == []


def test_a_till_told_late_looks_past_a_look_at_one_lot(farm: Farm) -> None:
    """The count of one run of the line is no wall: an earlier till row, told late, that beats
    the books then is laid on what came after the count."""
    one, two = run_of(farm), run_of(farm)
    farm.to_shop(one, 2)
    noon = farm.pass_time(hours=1)
    farm.pass_time(hours=1)
    farm.to_shop(two, 4)
    farm.pass_time(hours=1)
    farm.tell("count", place=farm.shop_place, counted={two: 4})
    farm.pass_time(hours=1)
    farm.to_shop(two, 3)
    farm.till(3, at=noon)
    assert (sold(one), sold(two)) == (2, 1)
    assert faults() == []


@pytest.mark.parametrize("whole", [True, False], ids=["a closing count", "a count of all lots"])
def test_a_look_at_all_of_a_line_answers_its_till_rows(farm: Farm, whole: bool) -> None:
    one, two, three = run_of(farm), run_of(farm), run_of(farm)
    farm.to_shop(one, 2)
    farm.to_shop(two, 2)
    farm.pass_time(hours=1)
    farm.till(6)
    farm.pass_time(hours=1)
    farm.to_shop(two, 2)
    farm.to_shop(one, 1)
    farm.pass_time(hours=1)
    farm.tell("count", place=farm.shop_place, counted={one: 0, two: 2}, closing=whole)
    farm.pass_time(days=1)
    farm.to_shop(three, 5)
    assert sold(three) == 0  # what the count did not answer stays "sold, lot unknown"
    assert farm.stock(three, farm.shop_place) == 5
    assert faults() == []


def test_start_fresh_says_since_when_the_books_may_be_trusted(farm: Farm) -> None:
    crate, box, forgotten = farm.cut(1000), farm.cut(700), farm.cut(300)
    run = run_of(farm)
    farm.pass_time(hours=8)
    assert trusted_since(farm.store) is None
    farm.tell("count", place=farm.store, counted={crate: 990})
    assert trusted_since(farm.store) is None  # a look at one crate is no fresh start
    fresh = farm.tell("count", place=farm.store, counted={crate: 640, run: 9}, fresh=True)
    assert trusted_since(farm.store) == farm.now
    assert trusted_since(farm.shop_place) is None
    # nothing else was there, of whatever line
    farm.stands_at(
        """
        Cold store | crate | 640 g
        Cold store | run   | 9 each
        """,
        crate=crate,
        box=box,
        forgotten=forgotten,
        run=run,
    )
    assert farm.stock(box, farm.difference) == 700
    before = farm.now - dt.timedelta(hours=1)
    farm.pass_time(days=1)
    late = farm.cut(200, at=before, already_done=True)
    assert farm.stock(late, farm.store) == 0  # told since, and not seen then
    farm.tell("cancel", event=fresh, reason="the wrong store")
    assert trusted_since(farm.store) is None
    assert farm.stock(box, farm.store) == 700
    assert farm.stock(late, farm.store) == 200
    assert faults() == []


def test_a_fresh_start_in_the_shop_answers_its_till_rows(farm: Farm) -> None:
    one, two = run_of(farm), run_of(farm)
    farm.to_shop(one, 2)
    farm.pass_time(hours=1)
    farm.till(3)
    farm.pass_time(hours=1)
    farm.tell("count", place=farm.shop_place, counted={}, fresh=True)
    farm.pass_time(hours=1)
    farm.to_shop(two, 5)
    assert farm.stock(two, farm.shop_place) == 5
    assert faults() == []


def test_a_date_shortened_is_the_packs_from_then_on(farm: Farm) -> None:
    """A till's day took the older run. That its date had been brought forward before, told late,
    changes whose those were; that it is brought forward now does not."""
    old, new = run_of(farm), run_of(farm)
    farm.to_shop(old, 5)
    farm.to_shop(new, 5)
    relabelled = farm.now
    farm.pass_time(days=2)
    farm.till(3)
    assert (sold(old), sold(new)) == (3, 0)
    farm.pass_time(hours=1)
    yesterday = farm.today - dt.timedelta(days=1)
    farm.tell("describe", lot=old, best_before=yesterday)
    assert (sold(old), sold(new)) == (3, 0)
    assert faults() == []
    told = farm.tell("describe", lot=old, best_before=yesterday, at=relabelled)
    assert (sold(old), sold(new)) == (0, 3)
    assert faults() == []
    farm.tell("cancel", event=told, reason="of another run")
    assert (sold(old), sold(new)) == (3, 0)
    assert faults() == []


@pytest.mark.parametrize("verb", ["describe", "relabel"])
def test_a_count_by_date_saw_the_dates_of_its_moment(farm: Farm, verb: str) -> None:
    """Two dates counted apart, one of them brought forward since to the other: what was counted
    apart stays apart. Told as done before the count, it saw one date, and the first made of it
    had gone first."""
    old = run_of(farm)
    farm.pass_time(days=1)
    new = run_of(farm)
    farm.to_shop(old, 5)
    farm.to_shop(new, 5)
    before = farm.pass_time(hours=1)
    farm.pass_time(hours=1)
    farm.till(4)
    closing(farm, {old: 4, new: 2}, by_date=True)
    farm.pass_time(days=1)
    farm.tell("discard", lot=old, from_place=farm.shop_place, to="compost", quantity=4, reason="no")

    def bring_forward(**more):
        if verb == "describe":
            return farm.tell("describe", lot=new, best_before=old.use_by, **more)
        facts = {"use_by": old.use_by, "reason": "a wrong roll", "destroyed": 0}
        return farm.tell("relabel", run=new, **facts, **more)

    def stand():
        return [
            (farm.stock(lot, farm.shop_place), sold(lot), possibly_sold(lot)) for lot in (old, new)
        ]

    assert stand() == [(0, 1, (1, 1)), (2, 3, (3, 3))]
    late = bring_forward()
    assert stand() == [(0, 1, (1, 1)), (2, 3, (3, 3))]
    assert faults() == []
    farm.tell("cancel", event=late, reason="told of the wrong day")
    bring_forward(at=before, already_done=True)
    # it saw six of one date: all five of the new one and one of the old, of which three more were
    # thrown away than stood there; any of them may have been the four that went
    assert stand() == [(0, 4, (0, 4)), (5, 0, (0, 4))]
    assert faults() == []


def test_a_hold_taken_back_is_walked_again(farm: Farm) -> None:
    old, new = run_of(farm), run_of(farm)
    farm.to_shop(old, 5)
    farm.to_shop(new, 5)
    farm.pass_time(hours=1)
    held = farm.hold(old)
    farm.pass_time(hours=1)
    farm.tell("sell", outlet=farm.shop, rows=[TillRow(farm.bag, 3)])
    assert (sold(old), sold(new)) == (0, 3)
    farm.tell("cancel", event=held, reason="of another run")
    assert (sold(old), sold(new)) == (3, 0)
    assert faults() == []
