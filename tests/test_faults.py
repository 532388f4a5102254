"""The recount finds each kind of fault when one is planted by raw SQL.

Triggers are lifted for the planting, and constraints where the database would refuse: a fault
that no guard stopped is just what the recount is for. Each test first sees no fault."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from grow import triggers
from grow.faults import faults
from grow.models import Counted, Event, Flag, Holding, Lineage, Lot, Movement, Planting
from sales.models import PackingRun
from tests.farm import Farm

pytestmark = pytest.mark.django_db
MOMENTS = ("happened_at", "placed_at", "earliest_at", "latest_at", "recorded_at")


@pytest.fixture
def farm() -> Farm:
    """A sowing on a tower fed by a tank, cut and packed."""
    farm = Farm()
    farm.tell("feed", tank=farm.tank, begins=[farm.t1])
    farm.tell("fill", tank=farm.tank)
    batch = farm.sow(40)
    farm.pass_time(days=20)
    farm.plant(batch, farm.t1, 20)
    farm.pass_time(days=20)
    farm.crate = farm.cut(1300, batch)
    farm.run = farm.pack([farm.crate], packs=10)
    farm.batch = batch
    farm.to_shop(farm.run, 4)
    assert faults() == []
    return farm


@contextlib.contextmanager
def planting() -> Iterator:
    """A cursor that no trigger stops."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # or the table has pending events
    with triggers.lifted(), connection.cursor() as cursor:
        yield cursor


def drop(cursor, table: str, *constraints: str) -> None:
    """Take CHECKs or unique constraints away for the rest of the test's transaction."""
    if connection.vendor == "postgresql":
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # or the table has pending events
        for name in constraints:
            cursor.execute(f"ALTER TABLE {table} DROP CONSTRAINT IF EXISTS {name}")
            cursor.execute(f"DROP INDEX IF EXISTS {name}")
    else:
        cursor.execute("PRAGMA ignore_check_constraints = ON")
        for name in constraints:
            cursor.execute(f"DROP INDEX IF EXISTS {name}")


@pytest.fixture(autouse=True)
def checks_on_again():
    yield
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA ignore_check_constraints = OFF")


def found(*words: str) -> None:
    said = faults()
    assert said, "the planted fault was not found"
    assert any(all(word in sentence for word in words) for sentence in said), said


def test_a_holding_that_is_not_the_sum_of_its_movements(farm: Farm) -> None:
    row = Holding.objects.get(lot=farm.run, place=farm.store)
    Holding.objects.filter(pk=row.pk).update(quantity=row.quantity + 1)
    found(farm.run.code, "differs from its movements by -1")


def test_a_holding_that_thinks_it_is_a_source(farm: Farm) -> None:
    Holding.objects.filter(lot=farm.run, place=farm.store).update(source=True)
    found(farm.run.code, "wrong about being a source")


def test_less_than_nothing_at_a_past_moment(farm: Farm) -> None:
    made = farm.run.made_by
    with planting() as cursor:  # the bags left for the shop a day before they were packed
        shelf = Event.objects.get(kind="put_on_shelf")
        cursor.execute(
            "UPDATE grow_event SET placed_at = %s WHERE id = %s",
            [made.placed_at - made.placed_at.resolution * 10**6, shelf.pk],
        )
    found(farm.run.code, "stood at -4 at a past moment")


def test_what_went_in_is_not_what_was_used(farm: Farm) -> None:
    edge = Lineage.objects.get(parent=farm.crate, child=farm.run)
    Lineage.objects.filter(pk=edge.pk).update(quantity=edge.quantity - 1)
    found("1199 of", farm.run.code, "1200 by its movements")


def test_a_run_that_does_not_add_up(farm: Farm) -> None:
    run = PackingRun.objects.get()
    PackingRun.objects.filter(pk=run.pk).update(
        trim_g=run.trim_g + 5, giveaway_g=run.giveaway_g + 5, grams_in=run.grams_in + 10
    )
    found(farm.run.code, "g of trim")
    found(farm.run.code, "1310 g in")


def test_a_lot_without_the_event_that_made_it(farm: Farm) -> None:
    with planting() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA defer_foreign_keys = ON")
        else:
            cursor.execute("SET CONSTRAINTS ALL DEFERRED")
        cursor.execute("UPDATE grow_lot SET made_by_id = 999999 WHERE id = %s", [farm.crate.pk])
        found(farm.crate.code, "no event that made it")
        cursor.execute(
            "UPDATE grow_lot SET made_by_id = %s WHERE id = %s",
            [farm.crate.made_by_id, farm.crate.pk],
        )


def test_a_lot_that_came_from_nowhere(farm: Farm) -> None:
    with planting() as cursor:
        cursor.execute(
            "UPDATE grow_lot SET made_by_id = %s WHERE id = %s",
            [farm.batch.made_by_id, farm.crate.pk],
        )
    found(farm.crate.code, "came from nowhere")


def test_a_lot_in_the_wrong_unit(farm: Farm) -> None:
    with planting() as cursor:
        drop(cursor, "grow_lot", "lot_unit_fits_its_kind")
        cursor.execute("UPDATE grow_lot SET unit = 'each' WHERE id = %s", [farm.crate.pk])
    found(farm.crate.code, "harvest measured in each")


def test_a_missing_touched_edge(farm: Farm) -> None:
    water = Lot.objects.get(kind="water")
    Lineage.objects.filter(parent=water, child=farm.crate).delete()
    found(water.code, "touched", farm.crate.code, "no edge says so")


def test_an_edge_too_many(farm: Farm) -> None:
    Lineage.objects.create(
        parent=farm.batch, child=farm.run, kind="touched", event=farm.run.made_by
    )
    found(farm.batch.code, "the records do not")


def test_two_plantings_on_one_site(farm: Farm) -> None:
    first = Planting.objects.order_by("id").first()
    with planting() as cursor:
        drop(cursor, "grow_planting", "one_planting_at_a_time_on_a_site")
        Planting.objects.create(
            batch=farm.batch, site=first.site, began_by=first.began_by, began_at=farm.now
        )
    found("Two plantings stood on", str(first.site.tower))
    found("T1 holds 20 plants", "21 of its sites")


def test_an_event_that_has_lost_what_was_told(farm: Farm) -> None:
    with planting() as cursor:
        drop(cursor, "grow_event", "event_is_told_or_follows_from_one")
        cursor.execute("UPDATE grow_event SET told = NULL WHERE id = %s", [farm.batch.made_by_id])
    found("(sow) has lost what was told")


def test_an_event_of_a_kind_that_nobody_knows(farm: Farm) -> None:
    with planting() as cursor:
        cursor.execute(
            "UPDATE grow_event SET kind = 'conjure' WHERE id = %s", [farm.batch.made_by_id]
        )
    found("conjure")


def test_a_missing_trigger(farm: Farm) -> None:
    name = sorted(triggers.wanted())[0]
    with connection.cursor() as cursor:
        on = f" ON {triggers._table_of(name)}" if connection.vendor == "postgresql" else ""
        cursor.execute(f"DROP TRIGGER {name}{on}")
    found(name, "is missing")
    triggers.install()
    assert faults() == []


def test_a_held_lot_that_moved_without_a_breach_entry(farm: Farm) -> None:
    farm.hold(farm.run)
    farm.pass_time(hours=1)
    farm.to_shop(farm.run, 1, already_done=True)
    assert faults() == []
    Flag.objects.filter(kind="breach").delete()
    found(farm.run.code, "without a breach entry")


def test_sums_that_are_not_the_movements(farm: Farm) -> None:
    from grow import sums
    from grow.models import Delta

    sums.sweep()
    assert faults() == []
    row = Delta.objects.filter(lot_kind="harvest").order_by("id").first()
    Delta.objects.filter(pk=row.pk).update(quantity=row.quantity + 7)
    found("7")


def test_a_row_of_the_books_own_that_nothing_asks_for(farm: Farm) -> None:
    """A bag drawn from count difference where nothing was short: all sums agree with it."""
    with planting() as cursor:
        own = Event.objects.create(
            kind="shortfall",
            **dict.fromkeys(MOMENTS, farm.now),
            day=farm.run.made_by.day,
            recorded_by=farm.grower,
            because_of=farm.run.made_by,
        )
        Movement.objects.create(
            event=own,
            lot=farm.run,
            from_place=farm.difference,
            to_place=farm.store,
            quantity=1,
            basis="worked_out",
            day=own.day,
        )
        Holding.objects.filter(lot=farm.run, place=farm.store).update(quantity=7)
        cursor.execute(
            "INSERT INTO grow_holding (lot_id, place_id, quantity, source) VALUES (%s, %s, -1, %s)",
            [farm.run.pk, farm.difference.pk, True],
        )
    (sentence,) = faults()
    assert "would post -1 more from Count difference to Cold store (shortfall)" in sentence
    assert farm.run.code in sentence


def test_a_sale_worked_out_on_a_shelf_that_looks_otherwise(farm: Farm) -> None:
    """The till's three bags are worked out; then a fact about the shelf goes astray."""
    other = farm.pack([farm.cut(1300, farm.batch)], packs=5)
    farm.to_shop(other, 5)
    farm.pass_time(hours=1)
    farm.till(3)
    assert faults() == []
    with planting() as cursor:
        cursor.execute("UPDATE grow_lot SET use_by = '2026-01-01' WHERE id = %s", [farm.run.pk])
    found(farm.run.code, "would post -3 more")
    found(other.code, "would post 3 more from Farm shop")


def test_a_count_that_does_not_stand(farm: Farm) -> None:
    farm.pass_time(hours=1)
    farm.tell("count", place=farm.store, counted={farm.run: 5})
    assert faults() == []
    Counted.objects.filter(lot=farm.run, quantity=5).update(quantity=4)
    found(farm.run.code, "would post 1 more from Cold store to Count difference")


def test_a_till_that_gave_back_more_than_it_took(farm: Farm) -> None:
    farm.pass_time(hours=1)
    till = farm.till(2, farm.run)
    farm.pass_time(hours=1)
    farm.tell("return_goods", lot=farm.run, outlet=farm.shop, quantity=1, reason="torn")
    assert faults() == []
    with planting() as cursor:
        cursor.execute(
            "UPDATE grow_event SET placed_at = %s WHERE id = %s",
            [farm.now + (farm.now - till.placed_at), till.pk],
        )
    found(farm.run.code, "would post 1 more from Count difference to Sold at Farm shop")


def test_verify_says_it_and_exits_with_one(farm: Farm, capsys) -> None:
    call_command("verify")
    assert "No fault found" in capsys.readouterr().out
    Movement.objects.count()
    Holding.objects.filter(lot=farm.run, place=farm.store).update(quantity=1)
    with pytest.raises(CommandError, match="1 fault in the books"):
        call_command("verify")
