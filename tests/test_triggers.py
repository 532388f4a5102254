"""Written once: the database itself refuses to change an event, a movement or a lot.

Under the operations, and under whoever has a database shell. Also what migrations do to it.
"""

import importlib
import pkgutil
from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.checks import run_checks
from django.core.management import call_command
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.db.migrations.executor import MigrationExecutor
from django.db.models.signals import post_migrate, pre_migrate
from django.test import override_settings

import grow.migrations
from grow import triggers
from grow.models import Event, Lot, Movement, Place
from grow.telling import AHEAD
from tests.farm import Farm

TABLES = ("grow_event", "grow_movement", "grow_lot")


class Undone(Exception):
    """Raised to leave an atomic block without keeping what was tried in it."""


def tried(sql: str, parameters: list[Any] | None = None) -> int:
    """Rows that a statement changes; it is rolled back again. Raises what the database says."""
    rows = 0
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(sql, parameters or [])
            rows = cursor.rowcount
            raise Undone
    except Undone:
        return rows


@pytest.fixture
def cut(farm: Farm) -> Lot:
    return farm.cut(3000, farm.sow())


# Written once ----------------------------------------------------------------------------------


CHANGES = {
    "grow_event": "UPDATE grow_event SET device = 'x' WHERE id = %s",
    "grow_movement": "UPDATE grow_movement SET quantity = quantity + 1 WHERE id = %s",
    "grow_lot": "UPDATE grow_lot SET title = 'x' WHERE id = %s",
}


def row_of(table: str) -> int:
    """The last row written. A cut's lot and event have rows pointing at them, so a DELETE would
    fail on those; the refusal below is asked for by its own words."""
    model = {"grow_event": Event, "grow_movement": Movement, "grow_lot": Lot}[table]
    return model.objects.order_by("-id").values_list("id", flat=True)[0]


@pytest.mark.parametrize("table", TABLES)
def test_nothing_written_is_updated(cut: Lot, table: str) -> None:
    row = [row_of(table)]
    with triggers.lifted():
        assert tried(CHANGES[table], row) == 1
    with pytest.raises(IntegrityError, match=f"{table} is written once"):
        tried(CHANGES[table], row)


@pytest.mark.parametrize("table", TABLES)
def test_nothing_written_is_deleted(cut: Lot, table: str) -> None:
    delete, row = f"DELETE FROM {table} WHERE id = %s", [row_of(table)]
    with triggers.lifted():
        # foreign keys are looked at later, at commit; here only the trigger is asked
        assert tried(delete, row) == 1
    with pytest.raises(IntegrityError, match=f"{table} is written once"):
        tried(delete, row)


@pytest.mark.postgres
@pytest.mark.parametrize("table", TABLES)
def test_nothing_written_is_truncated(cut: Lot, table: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    with triggers.lifted():
        tried(f"TRUNCATE {table} CASCADE")
    with pytest.raises(IntegrityError, match="is written once"):
        tried(f"TRUNCATE {table} CASCADE")


def test_the_orm_is_refused_like_anybody(cut: Lot) -> None:
    """And other tables are not: the triggers stand on three."""
    with transaction.atomic():
        Place.objects.filter(name="Cold store").update(name="Cold room")
    cut.title = "Something else"
    with pytest.raises(IntegrityError), transaction.atomic():
        cut.save()
    with pytest.raises(IntegrityError), transaction.atomic():
        Movement.objects.filter(lot=cut).update(quantity=1)
    with pytest.raises(IntegrityError), transaction.atomic():
        Event.objects.all().update(device="x")


# A held lot does not move unseen ---------------------------------------------------------------


def slip_past(farm: Farm, lot: Lot, *, despite_hold: bool) -> None:
    """A movement written by hand, dated now, that no operation has looked at."""
    event = farm.tell("check", kind="probe", passed=True, place=farm.store)
    with transaction.atomic():
        Movement.objects.create(
            event=event,
            lot=lot,
            from_place=farm.store,
            to_place=farm.shop_place,
            quantity=1,
            basis="counted",
            day=event.day,
            despite_hold=despite_hold,
        )


def test_a_held_lot_s_movement_is_refused_by_the_database(farm: Farm, cut: Lot) -> None:
    slip_past(farm, cut, despite_hold=False)
    farm.pass_time(hours=1)
    farm.hold(cut)
    farm.pass_time(hours=1)
    slip_past(farm, cut, despite_hold=True)  # somebody has looked
    with pytest.raises(IntegrityError, match="lot_is_held"):
        slip_past(farm, cut, despite_hold=False)
    with triggers.lifted():
        slip_past(farm, cut, despite_hold=False)


def test_before_the_hold_and_after_its_release_it_moves_freely(farm: Farm, cut: Lot) -> None:
    farm.pass_time(hours=1)
    farm.hold(cut)
    before = farm.tell(
        "move",
        lot=cut,
        from_place=farm.store,
        to_place=farm.line,
        quantity=100,
        at=farm.now - AHEAD,
    )
    assert before.movements.get().despite_hold is False
    farm.pass_time(hours=1)
    farm.tell("release", lots=[cut], reason="laboratory result clear")
    farm.pass_time(hours=1)
    slip_past(farm, cut, despite_hold=False)


def test_the_trigger_s_refusal_is_said_in_the_ledger_s_words(
    farm: Farm, cut: Lot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second guard alone: with the first one taken out, the answer is a refusal all the
    same, and nothing is written."""
    from grow import holds
    from grow.errors import Refusal

    go = {"lot": cut, "from_place": farm.store, "to_place": farm.line, "quantity": 100}
    farm.tell("move", **go)
    farm.hold(cut)
    farm.pass_time(minutes=1)
    monkeypatch.setattr(holds, "look", lambda entry, moves: None)
    with pytest.raises(Refusal) as refused:
        farm.tell("move", **go)
    assert refused.value.code == "lot_is_held"
    assert farm.stock(cut, farm.line) == 100


# Missing, and named ----------------------------------------------------------------------------


def said(using: str = "default") -> list[str]:
    return [m.msg for m in run_checks(databases=[using]) if m.id == "grow.W001"]


@pytest.mark.django_db
def test_a_missing_trigger_is_named_by_a_check_and_by_verify() -> None:
    from grow.faults import faults

    everything = sorted(triggers.wanted())
    assert len(everything) == (9 if connection.vendor == "postgresql" else 13)
    assert said() == []
    assert faults() == []
    with connection.cursor() as cursor:
        on = " ON grow_movement" if connection.vendor == "postgresql" else ""
        cursor.execute(f"DROP TRIGGER grow_movement_held{on}")
    assert said() == [
        "Trigger grow_movement_held is missing: what was written could be changed unseen."
    ]
    assert any("grow_movement_held" in fault for fault in faults())
    triggers.lift()
    assert [name for name in everything if any(name in line for line in said())] == everything
    triggers.install()
    assert said() == []
    assert faults() == []


@pytest.mark.django_db
def test_check_says_it_on_the_command_line() -> None:
    out = StringIO()
    call_command("check", databases=["default"], stdout=out, stderr=out)
    assert "grow.W001" not in out.getvalue()
    with triggers.lifted():
        call_command("check", databases=["default"], stdout=out, stderr=out)
    assert "grow.W001" in out.getvalue()
    assert "manage.py migrate" in out.getvalue()


@pytest.mark.postgres
@pytest.mark.django_db
def test_a_disabled_trigger_counts_as_missing_and_is_made_anew() -> None:
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE grow_lot DISABLE TRIGGER grow_lot_no_change")
    assert triggers.missing() == ["grow_lot_no_change"]
    triggers.install()
    assert triggers.missing() == []


# Migrations ------------------------------------------------------------------------------------

LATER = '''
from django.db import migrations, models


class Migration(migrations.Migration):
    """What a later version might bring: each of these rebuilds its table on SQLite."""

    dependencies = [("grow", "{leaf}")]
    operations = [
        migrations.AddField("hold", "remark", models.CharField(max_length=9, default="-")),
        migrations.AddField("movement", "remark", models.CharField(max_length=9, default="-")),
        migrations.AddConstraint(
            "movement",
            models.CheckConstraint(condition=~models.Q(remark="no"), name="remark_is_not_no"),
        ),
        migrations.RenameField("event", "device", "machine"),
        migrations.AddField("lot", "remark", models.CharField(max_length=9, default="-")),
    ]
'''


@pytest.fixture
def later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, str]]:
    """The app's own migrations and one more, as a package. Gives the names of the leaf and of
    the one more; afterwards the database is back at the leaf, whatever happened."""
    package = tmp_path / "grow_and_later"
    package.mkdir()
    (package / "__init__.py").touch()
    names = sorted(m.name for m in pkgutil.iter_modules(grow.migrations.__path__) if not m.ispkg)
    for name in names:
        (package / f"{name}.py").write_text(
            "import importlib\n"
            f"Migration = importlib.import_module('grow.migrations.{name}').Migration\n"
        )
    (package / "9999_later.py").write_text(LATER.replace("{leaf}", names[-1]))
    monkeypatch.syspath_prepend(str(tmp_path))
    importlib.invalidate_caches()
    with override_settings(MIGRATION_MODULES={"grow": "grow_and_later"}):
        yield names[-1], "9999_later"
        call_command("migrate", "grow", names[-1], verbosity=0)


def columns(table: str) -> set[str]:
    with connection.cursor() as cursor:
        return {c.name for c in connection.introspection.get_table_description(cursor, table)}


@pytest.mark.django_db(transaction=True)
def test_a_migration_that_rebuilds_the_tables_leaves_the_triggers(
    farm: Farm, later: tuple[str, str]
) -> None:
    leaf, last = later
    cut = farm.cut(3000)
    rows = Movement.objects.count()
    call_command("migrate", "grow", last, verbosity=0)
    assert "remark" in columns("grow_movement")
    assert "machine" in columns("grow_event")
    assert triggers.missing() == []
    with pytest.raises(IntegrityError, match="grow_movement is written once"):
        tried("UPDATE grow_movement SET remark = 'yes' WHERE lot_id = %s", [cut.pk])
    with pytest.raises(IntegrityError, match="grow_event is written once"):
        tried("DELETE FROM grow_event WHERE id = %s", [cut.made_by_id])
    call_command("migrate", "grow", leaf, verbosity=0)
    assert "remark" not in columns("grow_movement")
    assert triggers.missing() == []
    assert Movement.objects.count() == rows
    farm.hold(cut)
    farm.pass_time(minutes=5)
    with pytest.raises(IntegrityError, match="lot_is_held"):
        slip_past(farm, cut, despite_hold=False)


@pytest.fixture
def nothing_lifts() -> Iterator[None]:
    """Migrations without our two receivers, as if they had never been written."""
    pre_migrate.disconnect(dispatch_uid="grow.triggers.lift")
    post_migrate.disconnect(dispatch_uid="grow.triggers.install")
    yield
    pre_migrate.connect(triggers.before_migrate, dispatch_uid="grow.triggers.lift")
    post_migrate.connect(triggers.after_migrate, dispatch_uid="grow.triggers.install")


@pytest.mark.sqlite
@pytest.mark.django_db(transaction=True)
def test_without_lifting_sqlite_breaks_the_rebuild(
    later: tuple[str, str], nothing_lifts: None
) -> None:
    """The unguarded twin, first half: a trigger that reads another table stops that table's
    rebuild with an error of SQLite's own."""
    _, last = later
    with pytest.raises(DatabaseError, match="grow_movement_held"):
        call_command("migrate", "grow", last, verbosity=0)
    triggers.lift()


@pytest.mark.sqlite
@pytest.mark.django_db(transaction=True)
def test_without_installing_sqlite_drops_the_triggers_without_a_word(
    later: tuple[str, str], nothing_lifts: None
) -> None:
    """The unguarded twin, second half: with the trigger that reads another table out of the way,
    the rebuild goes through and the triggers of the rebuilt table are gone."""
    leaf, last = later
    with connection.cursor() as cursor:
        cursor.execute("DROP TRIGGER grow_movement_held")
    MigrationExecutor(connection).migrate([("grow", last)])
    assert {"grow_movement_no_update", "grow_movement_no_delete"} <= set(triggers.missing())
    MigrationExecutor(connection).migrate([("grow", leaf)])
    triggers.install()
    assert triggers.missing() == []


@pytest.mark.django_db(transaction=True)
def test_migrate_repairs_what_somebody_dropped() -> None:
    triggers.lift()
    assert len(triggers.missing()) == len(triggers.wanted())
    call_command("migrate", verbosity=0)
    assert triggers.missing() == []


# Between tests ---------------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("which", ["first", "second"])
def test_a_flush_leaves_places_and_triggers_as_a_migrate_does(farm: Farm, which: str) -> None:
    """Twice, so that whichever comes second stands on the other's flush."""
    from grow.models import SINGLE
    from grow.setup import the

    assert triggers.missing() == []
    assert Movement.objects.count() == 0
    cut = farm.cut(2000)
    assert farm.stock(cut, farm.store) == 2000
    for kind in SINGLE:
        assert Place.objects.get(pk=the(kind).pk).kind == kind
    assert Place.objects.filter(kind__in=SINGLE).count() == len(SINGLE)
