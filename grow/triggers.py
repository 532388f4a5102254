"""Triggers: Event, Movement, Lot and Seal are written once; a held lot does not move unseen; the
kind of a place and the zone of the business stay once something was told by them.

Lifted before a migration and installed after it: rebuilding a table on SQLite drops its
triggers without a word, and one that reads another table breaks that table's rebuild.
"""

import contextlib
from collections.abc import Iterator

from django.db import connections

from .models.business import FIRST_ZONE

APPEND_ONLY = ("grow_event", "grow_movement", "grow_lot", "grow_seal")

_HELD = """
    EXISTS (
        SELECT 1 FROM grow_hold h JOIN grow_event e ON e.id = NEW.event_id
        WHERE h.lot_id = NEW.lot_id AND h.began_at <= e.placed_at
          AND (h.ended_at IS NULL OR h.ended_at > e.placed_at)
    )
"""
_TOLD = "EXISTS (SELECT 1 FROM grow_event)"
#: Name → (table, when, what makes it wrong, the rule's name).
FIXED = {
    "grow_place_kind": (
        "grow_place",
        "UPDATE",
        "OLD.kind <> NEW.kind AND (EXISTS (SELECT 1 FROM grow_holding h WHERE h.place_id = OLD.id) "
        "OR EXISTS (SELECT 1 FROM grow_event e WHERE e.place_id = OLD.id))",
        "place_kind_is_fixed",
    ),
    "grow_business_zone": (
        "grow_business",
        "UPDATE",
        f"OLD.zone <> NEW.zone AND {_TOLD}",
        "zone_is_fixed",
    ),
    # until somebody names the business its days are those of the first zone
    "grow_business_late": (
        "grow_business",
        "INSERT",
        f"NEW.zone <> '{FIRST_ZONE}' AND {_TOLD}",
        "zone_is_fixed",
    ),
    "grow_business_gone": ("grow_business", "DELETE", _TOLD, "zone_is_fixed"),
}


def _sqlite() -> dict[str, str]:
    made = {}
    for table in APPEND_ONLY:
        for verb in ("UPDATE", "DELETE"):
            name = f"{table}_no_{verb.lower()}"
            made[name] = (
                f"CREATE TRIGGER {name} BEFORE {verb} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{table} is written once'); END"
            )
    made["grow_movement_held"] = (
        "CREATE TRIGGER grow_movement_held BEFORE INSERT ON grow_movement "
        f"WHEN NEW.despite_hold = 0 AND {_HELD} BEGIN "
        "SELECT RAISE(ABORT, 'lot_is_held'); END"
    )
    for name, (table, verb, wrong, rule) in FIXED.items():
        made[name] = (
            f"CREATE TRIGGER {name} BEFORE {verb} ON {table} WHEN {wrong} BEGIN "
            f"SELECT RAISE(ABORT, '{rule}'); END"
        )
    return made


def _postgresql() -> dict[str, str]:
    made = {}
    for table in APPEND_ONLY:
        name = f"{table}_no_change"
        made[name] = (
            f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger AS $$ BEGIN "
            f"RAISE EXCEPTION '{table} is written once' "
            "USING ERRCODE = 'integrity_constraint_violation'; "
            "END $$ LANGUAGE plpgsql; "
            f"CREATE TRIGGER {name} BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION {name}()"
        )
    made["grow_movement_held"] = (
        "CREATE OR REPLACE FUNCTION grow_movement_held() RETURNS trigger AS $$ BEGIN "
        f"IF NOT NEW.despite_hold AND {_HELD} THEN "
        "RAISE EXCEPTION 'lot_is_held' USING ERRCODE = 'integrity_constraint_violation'; "
        "END IF; RETURN NEW; END $$ LANGUAGE plpgsql; "
        "CREATE TRIGGER grow_movement_held BEFORE INSERT ON grow_movement "
        "FOR EACH ROW EXECUTE FUNCTION grow_movement_held()"
    )
    for name, (table, verb, wrong, rule) in FIXED.items():
        made[name] = (
            f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger AS $$ BEGIN "
            f"IF {wrong} THEN RAISE EXCEPTION '{rule}' "
            "USING ERRCODE = 'integrity_constraint_violation'; END IF; "
            f"RETURN {'OLD' if verb == 'DELETE' else 'NEW'}; END $$ LANGUAGE plpgsql; "
            f"CREATE TRIGGER {name} BEFORE {verb} ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION {name}()"
        )
    return made


def wanted(using: str = "default") -> dict[str, str]:
    """Name → statement of every trigger that this database must have."""
    return _sqlite() if connections[using].vendor == "sqlite" else _postgresql()


def present(using: str = "default") -> set[str]:
    connection = connections[using]
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        else:
            cursor.execute(
                "SELECT t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
                "JOIN pg_namespace n ON n.oid = c.relnamespace "
                "WHERE NOT t.tgisinternal AND n.nspname = current_schema() AND t.tgenabled = 'O'"
            )
        return {row[0] for row in cursor.fetchall()}


def missing(using: str = "default") -> list[str]:
    """Names of the triggers that should be there and are not; none before the first migrate."""
    return sorted(_for_its_tables(using).keys() - present(using))


def _for_its_tables(using: str) -> dict[str, str]:
    """Those wanted whose table is there: a database on its way up has not all of them yet."""
    tables = set(connections[using].introspection.table_names())
    if not {"grow_event", "grow_movement", "grow_lot", "grow_hold"} <= tables:
        return {}
    return {name: sql for name, sql in wanted(using).items() if _table_of(name) in tables}


def _table_of(name: str) -> str:
    tables = (*APPEND_ONLY, "grow_place", "grow_business")
    return next(table for table in tables if name.startswith(table))


def lift(using: str = "default") -> None:
    """Drop them, those that somebody has only disabled too."""
    connection = connections[using]
    with connection.cursor() as cursor:
        for name in _for_its_tables(using):
            on = "" if connection.vendor == "sqlite" else f" ON {_table_of(name)}"
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")


def install(using: str = "default") -> None:
    """Put back whichever is missing; a disabled one is made anew."""
    statements = _for_its_tables(using)
    gone = missing(using)
    connection = connections[using]
    with connection.cursor() as cursor:
        for name in gone:
            if connection.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER IF EXISTS {name} ON {_table_of(name)}")
            cursor.execute(statements[name])


@contextlib.contextmanager
def lifted(using: str = "default") -> Iterator[None]:
    """For the flush between tests and for planting a fault; never for an operation."""
    lift(using)
    try:
        yield
    finally:
        install(using)


def before_migrate(sender, using: str = "default", **_) -> None:
    lift(using)


def after_migrate(sender, using: str = "default", **_) -> None:
    install(using)
