"""Two at once. Each race is run with its guard and, as a twin, with the guard taken out, where it
must show the fault: a concurrency test can pass with every guard removed.

How each guard is taken out stands beside its twin.
"""

import contextlib
import datetime as dt
import multiprocessing
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.db import IntegrityError, connection, models

from grow import gate, triggers
from grow.errors import Refusal
from grow.faults import faults
from grow.models import Event, Hold, Holding, Lineage, Lot, Movement, Tag
from grow.operations import Crate, cutting
from tests.farm import Farm, Taken
from tests.racers import (
    LIMIT_S,
    Teller,
    database_url,
    pauses,
    somebody_waits,
    take_all,
    until,
)

pytestmark = pytest.mark.django_db(transaction=True)


@contextlib.contextmanager
def without_constraint(model: type[models.Model], name: str) -> Iterator[None]:
    """The database without one of its constraints; whatever breaks it must be mended first."""
    (constraint,) = [c for c in model._meta.constraints if c.name == name]
    # on SQLite the table is rebuilt from what the model says
    model._meta.constraints.remove(constraint)
    with triggers.lifted(), connection.schema_editor() as editor:
        editor.remove_constraint(model, constraint)
    try:
        yield
    finally:
        with triggers.lifted():
            if name == "holding_never_below_zero":
                model._default_manager.filter(quantity__lt=0, source=False).update(quantity=0)
            if name == "one_event_for_one_client_id":
                twice = model._default_manager.order_by("-id").values_list("id", flat=True)[:1]
                model._default_manager.filter(id__in=list(twice)).update(client_id=None)
            model._meta.constraints.append(constraint)
            with connection.schema_editor() as editor:
                editor.add_constraint(model, constraint)


# The last kilogram -----------------------------------------------------------------------------


class Race:
    """Two processes that each take the same last kilogram out of the cold store."""

    def __init__(self, farm: Farm, without: tuple[str, ...]) -> None:
        self.farm = farm
        self.crate = farm.cut(1000)
        farm.pass_time(minutes=10)
        spawn = multiprocessing.get_context("spawn")
        self.answers = spawn.Queue()
        self.go = [spawn.Event(), spawn.Event()]
        self.written = [spawn.Event(), spawn.Event()]
        self.racers = []
        for i, to in enumerate((farm.line, farm.place("Second store", "store"))):
            told = {
                "by": farm.grower.pk,
                "client_id": f"racer-{i}",
                "lot": self.crate.pk,
                "from": farm.store.pk,
                "to": to.pk,
                "quantity": 1000,
            }
            # the second never pauses at the end of its transaction
            if i and "immediate" not in without:
                self.go[i].set()
            arguments = (
                *(database_url(), farm.now, told, without),
                *(self.written[i], self.go[i], self.answers),
            )
            self.racers.append(spawn.Process(target=take_all, args=arguments, daemon=True))

    def begin(self, i: int) -> None:
        self.racers[i].start()

    def ends(self) -> list[str]:
        for go in self.go:
            go.set()
        said = sorted(self.answers.get(timeout=LIMIT_S) for _ in self.racers)
        for racer in self.racers:
            racer.join(LIMIT_S)
            assert racer.exitcode == 0
        return said

    @property
    def left(self) -> int:
        return self.farm.stock(self.crate, self.farm.store)

    def moved(self) -> int:
        rows = Movement.objects.filter(lot=self.crate, from_place=self.farm.store)
        return rows.aggregate(n=models.Sum("quantity"))["n"]


def last_kilogram(farm: Farm, without: tuple[str, ...] = ()) -> Race:
    """The first has written and not committed; the second has come as far as it can; then both
    are let go."""
    race = Race(farm, without)
    race.begin(0)
    until(race.written[0].is_set, "the first racer's writing")
    race.begin(1)
    if connection.vendor == "postgresql":
        until(somebody_waits, "the second racer before the first's lock")
    return race


def test_two_processes_cannot_take_the_same_last_kilogram(farm: Farm) -> None:
    race = last_kilogram(farm)
    assert race.ends() == ["done", "short"]
    assert race.left == 0
    assert race.moved() == 1000
    assert faults() == []


@pytest.mark.postgres
def test_without_the_lock_the_check_still_refuses(farm: Farm) -> None:
    """Guard taken out: select_for_update does nothing, so both read 1000 g."""
    race = last_kilogram(farm, without=("lock",))
    assert race.ends() == ["done", "holding_never_below_zero"]
    assert race.left == 0
    assert faults() == []


@pytest.mark.postgres
def test_without_the_check_the_lock_still_refuses(farm: Farm) -> None:
    """Guard taken out: the constraint holding_never_below_zero is dropped."""
    with without_constraint(Holding, "holding_never_below_zero"):
        race = last_kilogram(farm)
        assert race.ends() == ["done", "short"]
        assert race.left == 0
    assert faults() == []


@pytest.mark.postgres
def test_with_neither_lock_nor_check_it_overdraws(farm: Farm) -> None:
    """The twin. Guards taken out: select_for_update does nothing, and the constraint
    holding_never_below_zero is dropped. (The update by net quantity is conditional through that
    constraint alone; there is no third guard.) Both take the kilogram that was there once."""
    with without_constraint(Holding, "holding_never_below_zero"):
        race = last_kilogram(farm, without=("lock",))
        assert race.ends() == ["done", "done"]
        assert race.left == -1000
        assert race.moved() == 2000
        assert any(race.crate.code in fault for fault in faults())


@pytest.mark.sqlite
def test_on_sqlite_without_immediate_the_second_is_told_that_it_is_locked(farm: Farm) -> None:
    """The twin. Guard taken out: transactions begin as plain BEGIN. Both have read, then both
    write: SQLite lets one through and throws the other out at once, for its reading is stale.
    So a race cannot overdraw here even then; IMMEDIATE is there so that it waits instead."""
    race = Race(farm, without=("immediate",))
    for i in (0, 1):
        race.begin(i)
    for i in (0, 1):
        until(race.written[i].is_set, "both readings")
    assert race.ends() == ["busy", "done"]
    assert race.left == 0
    assert race.moved() == 1000
    assert faults() == []


# The gate --------------------------------------------------------------------------------------


def no_gate(monkeypatch: pytest.MonkeyPatch) -> None:
    """Guard taken out: nobody takes the advisory lock, alone or shared."""
    monkeypatch.setattr(gate, "enter", lambda how: None)


def during(
    first: Callable[[], Any], second: Callable[[], Any], *, guarded: bool
) -> tuple[Teller, Teller]:
    """`second` is told while `first` has written all and committed nothing. With the gate it
    waits for it; without, it goes through and is done before the first commits."""
    with pauses():
        one = Teller(first, pausing=True).begin()
        two = Teller(second).begin()
        if guarded:
            until(somebody_waits, "the second before the gate")
            assert two.is_alive()
        else:
            two.join(LIMIT_S)
            assert not two.is_alive(), "without its gate nothing should hold it up"
        one.go.set()
        one.join(LIMIT_S)
        two.join(LIMIT_S)
    assert not one.is_alive()
    assert not two.is_alive()
    assert one.error is None
    return one, two


def held(lot: Lot) -> bool:
    return Hold.objects.filter(lot=lot, ended_by=None).exists()


def the_bag(farm: Farm, crate: Lot) -> Callable[[], Lot]:
    return lambda: farm.pack([crate], 8)


def the_cut(farm: Farm, batch: Lot) -> Callable[[], Lot]:
    return lambda: farm.cut(3000, batch)


RACES = pytest.mark.parametrize(
    ("root", "child"),
    [
        pytest.param(lambda farm: farm.cut(1000), the_bag, id="a packing run"),
        pytest.param(lambda farm: farm.sow(), the_cut, id="a harvest"),
    ],
)


@pytest.mark.postgres
@RACES
def test_a_hold_waits_for_what_is_in_flight_and_catches_it(farm: Farm, root, child) -> None:
    lot = root(farm)
    farm.pass_time(minutes=10)
    made, _ = during(child(farm, lot), lambda: farm.hold(lot), guarded=True)
    assert held(lot)
    assert held(made.answer)
    assert faults() == []


@pytest.mark.postgres
@RACES
def test_without_the_gate_what_is_in_flight_stays_free(
    farm: Farm, root, child, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin: neither saw the other, and the bag or cut made from a held lot may be sold."""
    lot = root(farm)
    farm.pass_time(minutes=10)
    no_gate(monkeypatch)
    made, hold = during(child(farm, lot), lambda: farm.hold(lot), guarded=False)
    assert hold.error is None
    assert held(lot)
    assert not held(made.answer)


@pytest.mark.postgres
@RACES
def test_what_begins_during_a_hold_waits_for_it_and_is_refused(farm: Farm, root, child) -> None:
    lot = root(farm)
    farm.pass_time(minutes=10)
    _, made = during(lambda: farm.hold(lot), child(farm, lot), guarded=True)
    assert isinstance(made.error, Refusal)
    assert made.error.code == "held"
    assert not lot.below.exists()


@pytest.mark.postgres
@RACES
def test_without_the_gate_what_begins_during_a_hold_goes_through(
    farm: Farm, root, child, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin, the other way about."""
    lot = root(farm)
    farm.pass_time(minutes=10)
    no_gate(monkeypatch)
    _, made = during(lambda: farm.hold(lot), child(farm, lot), guarded=False)
    assert made.error is None
    assert held(lot)
    assert not held(made.answer)


# A late fill -----------------------------------------------------------------------------------


def plumbed(farm: Farm) -> tuple[Lot, dt.datetime]:
    """A sowing on a tower, fed by a tank that was filled once; and a moment since then."""
    farm.tell("fill", tank=farm.tank)
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    batch = farm.sow(20)
    farm.plant(batch)
    farm.pass_time(days=20)
    then = farm.now
    farm.pass_time(hours=3)
    return batch, then


def water(lot: Lot) -> set[int]:
    edges = lot.above.filter(kind=Lineage.Kind.TOUCHED, parent__kind="water")
    return set(edges.values_list("parent_id", flat=True))


@pytest.mark.postgres
def test_a_late_told_fill_waits_for_a_cut_in_flight_and_touches_it(farm: Farm) -> None:
    batch, then = plumbed(farm)
    cut, fill = during(
        the_cut(farm, batch), lambda: farm.tell("fill", tank=farm.tank, at=then), guarded=True
    )
    assert water(cut.answer) == {fill.answer.lot.pk}
    assert faults() == []


@pytest.mark.postgres
def test_without_the_gate_the_late_fill_misses_the_cut(
    farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin: the cut keeps the water before, and the recount names the missing edge."""
    batch, then = plumbed(farm)
    no_gate(monkeypatch)
    cut, fill = during(
        the_cut(farm, batch), lambda: farm.tell("fill", tank=farm.tank, at=then), guarded=False
    )
    assert fill.answer.lot.pk not in water(cut.answer)
    assert any(cut.answer.code in fault for fault in faults())


# One client id, sent twice at once -------------------------------------------------------------


def sent_twice(farm: Farm) -> tuple[Teller, Teller]:
    """The same cut from two phones' queues, or one that lost its answer and tries again while
    the first try is still under way."""

    def cut() -> Event:
        from tests.farm import Crate

        return farm.tell(
            "harvest",
            crates=[Crate(2500)],
            crop=farm.lettuce,
            store=farm.store,
            client_id="the-same",
        )

    with pauses():
        one = Teller(cut, pausing=True).begin()
        two = Teller(cut).begin()
        if connection.vendor == "postgresql":
            # without its guard it waits a little later, for the code counter
            until(somebody_waits, "the second before the first's event")
        one.end()
        two.join(LIMIT_S)
    assert not two.is_alive()
    return one, two


def test_one_client_id_sent_twice_at_once_is_one_event(farm: Farm) -> None:
    one, two = sent_twice(farm)
    assert two.error is None
    assert one.answer == two.answer
    assert [lot.code for lot in one.answer.lots] == [lot.code for lot in two.answer.lots]
    assert Event.objects.filter(client_id="the-same").count() == 1
    assert farm.stock(one.answer.lot, farm.store) == 2500
    assert Lot.objects.filter(kind="harvest").count() == 1
    assert faults() == []


def test_without_its_constraint_one_client_id_makes_two_events(farm: Farm) -> None:
    """The twin. Guard taken out: the constraint one_event_for_one_client_id is dropped, so
    INSERT … ON CONFLICT DO NOTHING meets no conflict. The crate is booked twice."""
    with without_constraint(Event, "one_event_for_one_client_id"):
        one, two = sent_twice(farm)
        assert two.error is None
        assert one.answer != two.answer
        assert Event.objects.filter(client_id="the-same").count() == 2
        assert Lot.objects.filter(kind="harvest").count() == 2


# One crate tag, told twice at once -------------------------------------------------------------


def one_tag_twice(farm: Farm) -> tuple[Teller, Teller]:
    """Two cutters have the same tag on their crates and tell it in the same second."""
    farm.tell("print_tags", count=1)
    code = Tag.objects.get().code
    farm.pass_time(minutes=10)

    def cut(grams: int) -> Callable[[], Lot]:
        crates = [Crate(grams, tag=code)]
        return lambda: farm.tell("harvest", crates=crates, crop=farm.lettuce, store=farm.store).lot

    with pauses():
        one = Teller(cut(900), pausing=True).begin()
        two = Teller(cut(700)).begin()
        until(somebody_waits, "the second before the first's tag")
        one.end()
        two.join(LIMIT_S)
    assert not two.is_alive()
    return one, two


@pytest.mark.postgres
def test_a_tag_told_twice_at_once_names_one_cut_and_the_other_is_told_so(farm: Farm) -> None:
    one, two = one_tag_twice(farm)
    assert one.error is two.error is None
    assert one.answer.code == Tag.objects.get().code
    assert two.answer.code != one.answer.code
    assert [f.kind for f in two.answer.flags.all()] == ["tag_twice"]
    assert farm.stock(two.answer, farm.store) == 700
    assert faults() == []


@pytest.mark.postgres
def test_without_its_lock_the_second_cut_of_a_tag_is_lost(
    farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin. Guard taken out: nothing locks the tag, so both find it free."""
    monkeypatch.setattr(cutting, "_lock_tags", lambda tags: None)
    _, two = one_tag_twice(farm)
    assert isinstance(two.error, IntegrityError)
    assert Lot.objects.filter(kind="harvest").count() == 1


# A shelf ---------------------------------------------------------------------------------------


def on_the_shelf(farm: Farm, *bags: int) -> list[Lot]:
    """Runs of ten bags, so many of each on the shop's shelf."""
    runs = []
    for number in bags:
        run = farm.pack([farm.cut(1250)], packs=10)
        if number:
            farm.to_shop(run, number)
        runs.append(run)
    farm.pass_time(hours=1)
    return runs


def no_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    """Guard taken out: nobody stands alone at a line on a shelf."""
    monkeypatch.setattr(gate, "lines", lambda shelves: None)


def sold(farm: Farm, *runs: Lot) -> list[int]:
    return [farm.stock(run, farm.side(farm.shop, "sold")) for run in runs]


@pytest.mark.postgres
def test_two_tills_at_once_sell_each_bag_once(farm: Farm) -> None:
    old, new = on_the_shelf(farm, 10, 10)
    farm.till(1)
    _, two = during(lambda: farm.till(8), lambda: farm.till(7), guarded=True)
    assert two.error is None
    assert sold(farm, old, new) == [10, 6]
    assert faults() == []


@pytest.mark.postgres
def test_without_the_shelf_to_itself_the_second_till_is_refused(
    farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin: both work out the same bags of the older run. The second then meets the CHECK
    that a holding is never below nought, and a fact is refused."""
    old, new = on_the_shelf(farm, 10, 10)
    farm.till(1)
    no_lines(monkeypatch)
    _, two = during(lambda: farm.till(8), lambda: farm.till(7), guarded=True)
    assert isinstance(two.error, Refusal)
    assert two.error.code == "holding_never_below_zero"
    assert sold(farm, old, new) == [9, 0]


def till_beyond_the_books(farm: Farm) -> Callable[[], Event]:
    return lambda: farm.till(6)


def bags_told_late(farm: Farm, run: Lot) -> Callable[[], Event]:
    then = farm.now
    return lambda: farm.to_shop(run, 5, at=then, already_done=True)


@pytest.mark.postgres
@pytest.mark.parametrize("till_first", [True, False])
def test_a_till_and_bags_told_late_see_each_other(farm: Farm, till_first: bool) -> None:
    there, late = on_the_shelf(farm, 4, 0)
    farm.till(1)  # so that the line is one that a till sells
    told = [till_beyond_the_books(farm), bags_told_late(farm, late)]
    farm.pass_time(hours=1)
    one, two = told if till_first else told[::-1]
    _, second = during(one, two, guarded=True)
    assert second.error is None
    assert sold(farm, there, late) == [4, 3]
    assert faults() == []


@pytest.mark.postgres
@pytest.mark.parametrize("till_first", [True, False])
def test_without_the_shelf_to_themselves_a_till_and_bags_told_late_miss_each_other(
    farm: Farm, till_first: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin: what the till rang up beyond the books stays without a lot, though there were
    bags, and the recount says what a walk would post."""
    there, late = on_the_shelf(farm, 4, 0)
    farm.till(1)
    told = [till_beyond_the_books(farm), bags_told_late(farm, late)]
    farm.pass_time(hours=1)
    no_lines(monkeypatch)
    one, two = told if till_first else told[::-1]
    _, second = during(one, two, guarded=False)
    assert second.error is None
    assert sold(farm, there, late) == [4, 0]
    assert any(late.code in fault and "walked again" in fault for fault in faults())


@pytest.mark.postgres
def test_what_a_till_gave_back_and_a_count_that_takes_it_away_see_each_other(farm: Farm) -> None:
    """A closing count proves that the bag never went over the till; at once a customer brings
    it back. The bag is drawn from count difference, whichever comes first."""
    old, new = on_the_shelf(farm, 5, 5)
    farm.till(3)
    farm.pass_time(hours=1)
    counted = {old: 5, new: 2}
    _, back = during(
        lambda: farm.tell("count", place=farm.shop_place, counted=counted, closing=True),
        lambda: farm.tell(
            "return_goods", lot=old, outlet=farm.shop, quantity=1, reason="torn", already_done=True
        ),
        guarded=True,
    )
    assert back.error is None
    assert sold(farm, old, new) == [0, 3]
    assert farm.stock(old, farm.difference) == -1
    assert faults() == []


# The order of locks ----------------------------------------------------------------------------


@pytest.mark.postgres
def test_a_run_and_a_loss_of_its_crate_do_not_wait_for_each_other(farm: Farm) -> None:
    """A run stands before its crate before it knows what goes to compost; a loss knows both from
    the start. Holdings of ends are locked last of all, else each would wait for the other."""
    from grow import ledger

    crate = farm.cut(2000)
    farm.tell(
        "discard", lot=crate, from_place=farm.store, to="compost", quantity=10, reason="slime"
    )
    farm.pass_time(minutes=10)
    look = ledger.holds.look
    waits, go = threading.Event(), threading.Event()

    def look_and_pause(entry, moves):
        look(entry, moves)
        if entry.kind.name == "pack":
            waits.set()
            assert go.wait(LIMIT_S)

    ledger.holds.look = look_and_pause
    try:
        run = Teller(
            lambda: farm.tell(
                "pack",
                product=farm.bag,
                taken=[Taken(crate, farm.store, used=1250)],
                packs=10,
                store=farm.store,
                line=farm.line,
            )
        ).begin()
        until(waits.is_set, "the run before its crate")
        loss = Teller(
            lambda: farm.tell(
                "discard",
                lot=crate,
                from_place=farm.store,
                to="compost",
                quantity=100,
                reason="slime",
            )
        ).begin()
        until(somebody_waits, "the loss before the crate")
        go.set()
        run.end()
        loss.end()
    finally:
        ledger.holds.look = look
    assert farm.stock(crate, farm.store) == 2000 - 10 - 1250 - 100
    assert faults() == []
