"""The shop's shelf: what stands there by date, the closing count by date, sold out, reduced.
Without a script first; then a thumb in a real browser."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.db import transaction
from django.test import Client

from grow import clock
from grow.errors import Refusal
from grow.faults import faults
from grow.kinds import WORKED_OUT
from grow.models import Counted, Event, Flag, Lot, Movement, Person
from grow.queries import possibly_sold
from sales.models import LabelStock
from sales.shop_shelf import marked_down, on_shelf, reduced_pence, sold_outs, waiting, went_on
from tests.farm import Farm, TillRow
from tests.hands import PHONE, Thumb, violations
from tests.reading_labels import codes_on, words_on

pytestmark = pytest.mark.django_db
COUNT = "/shelf/count/"
_ids = itertools.count(1)


@pytest.fixture
def keeper(farm: Farm) -> Client:
    person = Person.objects.create_user("kit", is_staff=True, shown_as="Kit")
    person.groups.add(Group.objects.get(name="shop"))
    person.places.add(farm.shop_place)
    client = Client()
    client.force_login(person)
    return client


def run_of(farm: Farm, packs: int = 10) -> Lot:
    run = farm.pack([farm.cut(packs * 125)], packs=packs)
    farm.to_shop(run, packs)
    return run


def closing(client: Client, **more: Any) -> Any:
    sent = {"outlet": "Farm shop", "client_id": f"c{next(_ids)}", "press": "record"}
    return client.post(COUNT, sent | more)


def left(**runs: Any) -> dict[str, str]:
    return {f"left-{lot.code}": n for lot, n in runs.values()}


def text(page: Any) -> str:
    return page.content.decode().replace("&#x27;", "'")


def by_lot(place: str, **lots: Lot) -> dict[str, int]:
    """What stands in a place, by the name that a test gives each lot."""
    from grow.models import Holding

    held = dict(
        Holding.objects.filter(place__name=place, quantity__gt=0).values_list("lot_id", "quantity")
    )
    return {name: held.get(lot.pk, 0) for name, lot in lots.items()}


def unexplained() -> int:
    """Bags into count difference, less those out of it."""
    rows = Movement.objects.filter(event__kind="count_difference").select_related("to_place")
    return sum(m.quantity if m.to_place.kind == "count_difference" else -m.quantity for m in rows)


# --- what stands there ----------------------------------------------------------------------------


def test_the_shelf_stands_by_date_and_what_is_past_or_held_stands_apart(
    farm: Farm, keeper: Client
) -> None:
    old = run_of(farm, 4)
    farm.pass_time(days=5)
    mid, held = run_of(farm, 5), run_of(farm, 3)
    farm.tell("describe", lot=held, best_before=farm.today + dt.timedelta(days=2))
    farm.hold(held, reason="glass broke")
    farm.pass_time(days=3)
    page = text(keeper.get("/shelf/"))
    off, on = page.split("On the shelf", 1)[0], page.split("On the shelf", 1)[1]
    assert old.code in off.split("Off sale: past its date")[1]
    assert held.code in off  # past its date, and held
    assert "Held: glass broke. Take it off the shelf." in off
    assert mid.code in on.split("Today")[0]
    assert old.code not in on.split("<h2")[0]
    (one,) = on_shelf(farm.shop, farm.today)
    assert [(d.says, d.quantity, d.is_past) for d in one.dates] == [
        ("date 9 Mar", 7, True),
        ("date 14 Mar", 5, False),
    ]


def test_what_has_passed_its_date_is_off_sale_from_then_on(farm: Farm) -> None:
    """A use-by date lasts to the end of its day: 9 March is still sold on, the 10th is not."""
    old = run_of(farm, 4)
    assert old.use_by == dt.date(2026, 3, 9)
    farm.pass_time(days=7)
    farm.till(1)
    farm.pass_time(days=1)
    farm.till(1)
    sold = Movement.objects.filter(event__kind=WORKED_OUT, lot=old)
    assert [m.day for m in sold] == [20260309]
    assert Flag.objects.filter(kind=Flag.Kind.LOT_UNKNOWN).count() == 1
    assert waiting(farm.shop) == {farm.bag.line: 1}
    with pytest.raises(Refusal) as refused:
        farm.tell("mark_down", place=farm.shop_place, lot=old, quantity=1, pence=100)
    assert refused.value.code == "off_sale"


# --- the closing count ----------------------------------------------------------------------------


def test_one_press_tells_one_count_and_the_days_sales_are_known(farm: Farm, keeper: Client) -> None:
    old = run_of(farm, 6)
    farm.pass_time(days=1)
    new = run_of(farm, 8)
    farm.pass_time(hours=8)
    sent = {"client_id": "tonight"} | left(a=(old, "2"), b=(new, "7"))
    assert closing(keeper, **sent).status_code == 302
    assert closing(keeper, **sent).status_code == 302  # a double press
    assert Event.objects.filter(kind="count").count() == 1
    # the till is told the next morning: five rung up, so of five gone none is unexplained
    farm.pass_time(hours=14)
    farm.tell(
        "sell", outlet=farm.shop, rows=[TillRow(farm.bag, 5)], on=farm.today - dt.timedelta(days=1)
    )
    assert {
        w.says: (w.came, w.worked_out, w.unseen, w.left)
        for w in went_on(farm.shop, dt.date(2026, 3, 3))
    } == {
        "date 9 Mar": (0, 4, 0, 2),
        "date 10 Mar": (8, 1, 0, 7),
    }
    assert faults() == []


def test_bags_gone_by_date_less_what_the_till_rang_up_are_count_difference(
    farm: Farm, keeper: Client
) -> None:
    run = run_of(farm, 10)
    farm.pass_time(hours=8)
    farm.till(6)
    closing(keeper, **left(a=(run, "2")))
    (went,) = went_on(farm.shop, farm.today)
    assert (went.stood, went.came, went.worked_out, went.unseen, went.left) == (0, 10, 6, 2, 2)


def test_where_lots_share_a_date_the_first_made_went_first(farm: Farm, keeper: Client) -> None:
    first, second = run_of(farm, 5), run_of(farm, 5)
    farm.pass_time(hours=8)
    page = text(keeper.get(COUNT))
    assert "Where two lots share a date only their sum is counted" in page
    assert len(re.findall(r'name="left-', page)) == 1
    assert closing(keeper, **left(a=(second, "6"))).status_code == 302
    assert by_lot("Farm shop", first=first, second=second) == {"first": 1, "second": 5}
    assert "how many of each is worked out" in text(keeper.get("/shelf/"))
    # between one and five of each may be there, and so none to four of each gone
    farm.till(4)
    assert possibly_sold(first) == (0, 4)
    assert possibly_sold(second) == (0, 4)
    assert faults() == []


def test_what_a_till_scans_is_not_put_down_to_the_other_lot_of_its_date(
    farm: Farm, keeper: Client
) -> None:
    first, second = run_of(farm, 5), run_of(farm, 5)
    farm.pass_time(hours=8)
    closing(keeper, **left(a=(second, "6")))
    farm.tell(
        "sell",
        outlet=farm.shop,
        rows=[TillRow(farm.bag, 3, second)],
        at=farm.now - dt.timedelta(hours=1),
    )
    farm.tell(
        "sell", outlet=farm.shop, rows=[TillRow(farm.bag, 1)], at=farm.now - dt.timedelta(hours=1)
    )
    assert by_lot("Farm shop", first=first, second=second) == {"first": 4, "second": 2}
    assert unexplained() == 0
    assert faults() == []


def test_evidence_beats_inference_in_any_order_of_telling(farm: Farm) -> None:
    """Worked-out sales, then a discard, a scanned sale and a closing count by date of two lots of
    one date and one of another: the same books whichever is told first."""
    old = run_of(farm, 6)
    farm.pass_time(days=1)
    one, two = run_of(farm, 5), run_of(farm, 5)
    farm.pass_time(hours=9)
    now, shop = farm.now, farm.shop_place

    def at(hours: int) -> dt.datetime:
        return now - dt.timedelta(hours=hours)

    acts = [
        lambda: farm.tell("sell", outlet=farm.shop, rows=[TillRow(farm.bag, 7)], at=at(2)),
        lambda: farm.tell(
            "discard",
            lot=old,
            from_place=shop,
            to="compost",
            quantity=2,
            reason="torn",
            at=at(4),
            already_done=True,
        ),
        lambda: farm.tell("sell", outlet=farm.shop, rows=[TillRow(farm.bag, 2, two)], at=at(1)),
        lambda: farm.tell(
            "count", place=shop, counted={old: 1, one: 4}, closing=True, by_date=True, at=at(0)
        ),
    ]
    # by hand: of old 6, 2 were binned, 1 is left, so 3 went; of the other date 10 came, 2 were
    # scanned, 4 are left, so 4 more went, first the five first made. 7 of the 7 are rung up.
    want = {"old": 1, "one": 1, "two": 3}
    seen = set()
    for order in itertools.permutations(acts):

        class Back(Exception):
            pass

        try:
            with transaction.atomic():
                for act in order:
                    act()
                assert by_lot("Farm shop", old=old, one=one, two=two) == want
                assert unexplained() == 0
                assert faults() == []
                seen.add(tuple(possibly_sold(lot) for lot in (old, one, two)))
                raise Back
        except Back:
            pass
    assert len(seen) == 1


def test_a_count_by_date_is_the_closing_count_of_a_shop(farm: Farm) -> None:
    run = run_of(farm)
    facts = {"place": farm.shop_place, "counted": {run: 3}, "by_date": True}
    farm.tell("count", **facts, closing=True)
    for wrong in ({"closing": False}, {"closing": True, "place": farm.store}):
        with pytest.raises(Refusal) as refused:
            farm.tell("count", **facts | wrong)
        assert refused.value.code == "by_date"


def test_a_figure_that_is_left_open_is_asked_for(farm: Farm, keeper: Client) -> None:
    old = run_of(farm, 6)
    farm.pass_time(days=1)
    new = run_of(farm, 8)
    answer = closing(keeper, **left(a=(old, ""), b=(new, "7")))
    assert answer.status_code == 422
    assert "1 is still open" in text(answer)
    assert f'name="left-{new.code}" value="7"' in text(answer)
    assert not Event.objects.filter(kind="count").exists()
    answer = closing(keeper, press="none", **left(a=(old, ""), b=(new, "7")))
    assert answer.status_code == 302
    assert by_lot("Farm shop", old=old, new=new) == {"old": 0, "new": 7}


def test_a_slip_keeps_what_was_typed(farm: Farm, keeper: Client) -> None:
    run = run_of(farm, 6)
    for typed in ("three", "-1", "2.5"):
        answer = closing(keeper, **left(a=(run, typed)))
        assert answer.status_code == 422
        assert f'value="{typed}"' in text(answer)
    assert not Event.objects.filter(kind="count").exists()


def test_a_bag_that_the_books_do_not_have_there_is_scanned_onto_the_list(
    farm: Farm, keeper: Client
) -> None:
    run = run_of(farm, 6)
    farm.pass_time(days=1)
    strange = run_of(farm, 4)
    farm.tell(
        "discard", lot=strange, from_place=farm.shop_place, to="compost", quantity=4, reason="old"
    )
    typed = left(a=(run, "5"))
    page = closing(keeper, press="", scan=strange.code, **typed)
    assert f'name="left-{strange.code}" value="1"' in text(page)
    assert f'name="left-{run.code}" value="5"' in text(page)
    answer = closing(keeper, also=strange.code, **typed | left(b=(strange, "1")))
    assert answer.status_code == 302
    assert by_lot("Farm shop", run=run, strange=strange) == {"run": 5, "strange": 1}


def test_last_evening_is_counted_in_the_morning(farm: Farm, keeper: Client) -> None:
    run = run_of(farm, 6)
    farm.pass_time(days=1)
    yesterday = farm.today - dt.timedelta(days=1)
    page = text(keeper.get(COUNT, {"day": yesterday.isoformat()}))
    assert "at the end of 2 March" in page
    assert closing(keeper, day=yesterday.isoformat(), **left(a=(run, "4"))).status_code == 302
    assert Counted.objects.get(place=farm.shop_place).event.day == 20260302
    assert "is still to come" in text(keeper.get(COUNT, {"day": "2027-01-01"}))


def test_lot_unknown_waits_on_the_shelf_until_a_count(farm: Farm, keeper: Client) -> None:
    run_of(farm, 4)
    farm.pass_time(hours=8)
    farm.till(6)
    farm.to_shop(crate := farm.cut(900), 900)
    farm.tell("mark_down", place=farm.shop_place, lot=crate, quantity=400, pence=300)
    farm.till(2400, product=farm.loose)
    page = text(keeper.get("/shelf/"))
    assert "<strong>2</strong> of Salad bag 120 g" in page
    assert "<strong>1.5 kg</strong> of Lettuce, loose" in page
    run_b = run_of(farm, 1)  # as if it had been there: a receipt that was told late
    assert waiting(farm.shop) == {farm.bag.line: 1, farm.loose.line: 1500}
    closing(keeper, **left(a=(run_b, "1")))
    assert waiting(farm.shop) == {farm.loose.line: 1500}
    farm.tell("count", place=farm.shop_place, counted={crate: 0}, closing=True)
    assert waiting(farm.shop) == {}
    assert "Sold, lot unknown" not in text(keeper.get("/shelf/"))


def test_a_shop_sees_and_counts_no_other_outlets_shelf(farm: Farm, keeper: Client) -> None:
    other = farm.other_shop()
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.arrive(farm.send(run, 4, other), run, accepted=4)
    run_of(farm, 3)
    for url, sent in (
        ("/shelf/", {"sold_out": "SALAD-120"}),
        (COUNT, {"press": "record", f"left-{run.code}": "1"}),
    ):
        own = keeper.get(url)
        assert own.status_code == 200
        assert run.code not in text(own)
        assert "Corner shop" not in text(own)
        answer = keeper.post(url, {"outlet": "Corner shop", "client_id": "x"} | sent)
        assert answer.status_code == 422
        assert "Choose a shop that you see" in text(answer)
        assert run.code not in text(answer)
    assert not Event.objects.filter(kind__in=["count", "sold_out"]).exists()


# --- sold out, reduced ----------------------------------------------------------------------------


def test_sold_out_is_one_tap_and_moves_nothing(farm: Farm, keeper: Client) -> None:
    run_of(farm, 4)
    moved = Movement.objects.count()
    sent = {"outlet": "Farm shop", "sold_out": "SALAD-120", "client_id": "s1"}
    assert keeper.post("/shelf/", sent).status_code == 302
    keeper.post("/shelf/", sent)
    assert Event.objects.filter(kind="sold_out").count() == 1
    assert Movement.objects.count() == moved
    assert sold_outs(farm.shop_place, farm.today) == {farm.bag.line: farm.now}
    assert "Sold out at 08:00" in text(keeper.get("/shelf/"))
    farm.tell("cancel", event=Event.objects.get(kind="sold_out"), reason="other shop")
    assert sold_outs(farm.shop_place, farm.today) == {}


def test_what_is_reduced_is_known_at_the_till_and_has_a_label_of_its_own(
    farm: Farm, keeper: Client
) -> None:
    LabelStock.objects.create(name="Small roll", width_mm=40, height_mm=30)
    run = run_of(farm, 4)
    farm.tell("mark_down", place=farm.shop_place, lot=run, quantity=3, pence=120)
    assert [
        (m.lot, m.quantity, m.pence) for m in marked_down(farm.shop_place, farm.today, farm.today)
    ] == [(run.pk, 3, 120)]
    assert reduced_pence(farm.shop, farm.today, farm.today) == {farm.bag.line: {120}}
    assert "reduced: 3 at £1.20" in text(keeper.get("/shelf/"))
    event = Event.objects.get(kind="mark_down")
    page = keeper.get("/labels/reduced/", {"event": event.pk})
    assert "covers neither the date nor the allergens" in text(page)
    stock = LabelStock.objects.get()
    pdf = keeper.post(f"/labels/reduced/?event={event.pk}", {"count": "3", "stock": stock.pk})
    assert pdf["Content-Type"] == "application/pdf"
    assert codes_on(pdf.content, 2) == [run.code]
    words = words_on(pdf.content)
    for said in ("Reduced", "£1.20", run.code):
        assert said in words
    assert "Use by" not in words


@pytest.mark.parametrize("wrong", [{"quantity": 0}, {"pence": 0}])
def test_nothing_is_not_reduced(farm: Farm, wrong: dict[str, int]) -> None:
    run = run_of(farm, 4)
    facts = {"place": farm.shop_place, "lot": run, "quantity": 1, "pence": 120}
    farm.tell("mark_down", **facts)
    with pytest.raises(Refusal) as refused:
        farm.tell("mark_down", **facts | wrong)
    assert refused.value.code == "nought"


# --- in a real browser ----------------------------------------------------------------------------


def test_a_thumb_counts_the_shelf_by_date(people, page, live_server, orm) -> None:
    farm = people.farm
    orm(lambda: (farm.pass_time(days=8), run_of(farm, 5), clock.play(farm.now)))
    thumb = Thumb(page, people, "shop", live_server.url, PHONE).start()
    thumb.tap(page.locator("#content").get_by_role("link", name="Closing count"))
    assert violations(page) == []
    plus = page.get_by_role("button", name="One more").all()
    assert len(plus) == 2
    for _ in range(3):
        thumb.tap(plus[1])
    thumb.tap(page.get_by_role("button", name="One less").first)
    box = plus[1].bounding_box()
    assert min(box["width"], box["height"]) >= 44
    thumb.tap(page.get_by_role("button", name="Record the count"))
    assert "Farm shop" in thumb.recorded()
    page.goto("/shelf/")
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    counted = Counted.objects.filter(place=farm.shop_place).values_list("quantity", flat=True)
    assert orm(lambda: sorted(counted)) == [0, 3]
    thumb.tap(page.get_by_role("button", name="Sold out now"))
    page.locator(".shelf-gone").wait_for()
    assert thumb.elsewhere == []
    assert page.said == []
