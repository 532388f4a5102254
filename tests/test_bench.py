"""The bench's history stands up to the recount, its baselines find what we find, and its rows say
what they were measured against. Nothing here is timed."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction

from analytics.bench import figures, history, labels, posting, rows, scratch
from analytics.bench.by_pandas import ByPandas
from grow import months
from grow.faults import faults
from grow.models import Event, Lineage, Lot, MonthSum, Movement
from tests.reading_labels import codes_on, lines_on

pytestmark = [pytest.mark.django_db, pytest.mark.slow]


def bench(*options: str) -> None:
    """How fast this machine is today is no test: the command ends badly where it was slow."""
    try:
        call_command("bench", *options)
    except CommandError as error:
        if "limits missed" not in str(error):
            raise


def test_a_history_is_accepted_by_the_recount_and_the_baselines_find_the_same() -> None:
    shape = history.load(3000)
    assert shape.movements >= 3000
    assert Movement.objects.count() == shape.movements
    assert faults() == []
    bare = rows.Bare()
    asked = rows.roots(25, Random(1))
    assert {way for _, way in asked} == {"up", "down"}
    sizes = set()
    for root, way in asked:
        found = rows.ours(root, way)
        sizes.add(len(found))
        assert bare.ids(root, way) == found == set(rows.hops(root, way))
        passed = bare.one_pass(root, way)
        assert {row[0] for row in passed} == found == set(rows.whole(root, way).lots)
        moved = Movement.objects.filter(lot__in=found)
        assert sum(row[13] for row in passed if row[1] is not None and row[13]) == sum(
            moved.values_list("quantity", flat=True)
        )
        edges = Lineage.objects.filter(child__in=found, cleared_by=None)
        assert sum(row[1] is None for row in passed) == edges.count()
    assert max(sizes) > 20  # a trace of one lot would prove little


def test_a_planted_fault_in_a_history_is_found() -> None:
    history.load(1000)
    Lineage.objects.filter(kind="touched").order_by("-id")[:1].get().delete()
    assert len(faults()) == 1


def test_answers_of_equal_size_are_compared() -> None:
    small = [(1, "up", "pack", 40), (2, "up", "pack", 41), (3, "down", "batch", 40)]
    large = [
        (7, "up", "pack", 400),  # too large for either
        (8, "up", "pack", 41),
        (9, "down", "batch", 45),  # one lot in eight more
        (10, "up", "pack", 39),
    ]
    assert [(a[0], b[0]) for a, b in rows.pairs(small, large, 9)] == [(1, 8), (2, 10)]
    assert len(rows.pairs(small, large, 1)) == 1


def test_a_limit_is_the_most_or_the_least() -> None:
    assert rows.Row("x", 1, 1.0, 12.0, 12.0, 10, least=True).kept
    assert not rows.Row("x", 1, 1.0, 9.0, 9.0, 10, least=True).kept
    assert rows.Row("x", 1, 1.2, 1.0, 1.2, 1.3).kept
    assert not rows.Row("x", 1, 1.4, 1.0, 1.4, 1.3).kept
    assert rows.Row("x", 1, 1.4, 1.0, 1.4, None).kept is None


def test_a_history_of_one_seed_is_the_same_twice() -> None:
    with transaction.atomic():
        history.load(600)
        first = list(Lot.objects.order_by("code").values_list("code", "kind", "title", "use_by"))
        transaction.set_rollback(True)
    history.load(600)
    again = list(Lot.objects.order_by("code").values_list("code", "kind", "title", "use_by"))
    assert first == again
    assert len(first) > 100


@pytest.mark.django_db(transaction=True)
def test_the_bare_driver_writes_the_rows_that_the_acts_wrote(monkeypatch) -> None:
    monkeypatch.setattr(posting, "MORNINGS", 1)
    with scratch.database("acts") as db, scratch.turned_to(db):
        history.load(1500, whole=True)
        before = Event.objects.count()
        said = posting.posting(1500, db)
        # six acts to warm up and six measured, and what the books added to them
        assert Event.objects.count() - before >= 12
        assert [row.name.split()[1].strip(",") for row in said] == [
            *("cut", "run", "shelf", "note", "receipt", "till", "morning"),
        ]
        assert all(row.ours_ms > 0 and row.theirs_ms > 0 for row in said)
        assert faults() == []
        # a driver that leaves edges out is found out
        whole = posting.Writes.for_driver
        monkeypatch.setattr(
            posting.Writes,
            "for_driver",
            lambda self: [w for w in whole(self) if 'INTO "grow_lineage"' not in w[0]],
        )
        with pytest.raises(CommandError, match="did not write"):
            posting.posting(1500, db)


@pytest.mark.django_db(transaction=True)
def test_duckdb_and_pandas_say_what_the_figures_say_or_nothing_is_timed() -> None:
    with scratch.database("figures") as db, scratch.turned_to(db):
        history.load(2500, whole=True)
        said = figures.figures(2500, Random(3), rounds=1)
        called = [row.name.split(":")[0] for row in said]
        assert called == [
            *(name for name in figures.CALLED for _ in range(2)),
            "most memory, in MB",
        ]
        # limits are of a million movements
        assert all(row.ours_ms > 0 and row.theirs_ms > 0 and row.kept is None for row in said)
        assert all(row.ratio == row.theirs_ms / row.ours_ms for row in said if row.least)
        assert faults() == []
        period = figures.whole_months()
        given = figures.facts(period, Path("nowhere"))
        theirs = figures.told(
            ByPandas(figures.ask, connection.vendor, given["months"], given["tariff"])
        )

        def compared() -> None:
            figures.same({key: job() for key, job in figures.ours(period).items()}, theirs, "it")

        compared()
        for what, key in (("taken", ""), ("stood", ""), ("pack", "/shop/sold/g")):
            with transaction.atomic():
                row = MonthSum.objects.filter(what=what, key__endswith=key)[0]
                MonthSum.objects.filter(pk=row.pk).update(quantity=row.quantity + months.FINE)
                with pytest.raises(CommandError, match="we say"):
                    compared()
                transaction.set_rollback(True)


@pytest.mark.parametrize(("kept", "ends"), [(True, "well"), (False, "badly")])
def test_the_command_ends_badly_where_a_limit_is_missed(monkeypatch, kept, ends) -> None:
    row = rows.Row("a row", 0, 1.0, 1.0 if kept else 0.5, 1.0 if kept else 2.0, 1.5)
    monkeypatch.setattr(labels, "labels", lambda *_: [row])
    if ends == "well":
        call_command("bench", "--rows", "labels")
        return
    with pytest.raises(CommandError, match=r"1 of 1 limits missed, the first: a row, 2.00"):
        call_command("bench", "--rows", "labels")


def test_the_sheets_that_labels_are_measured_against_say_the_same() -> None:
    lots = [f"R26330-{n:03d}-A" for n in range(21)]
    for link in ("", labels.LINK):
        wanted = [(labels.label(lot, link), 1) for lot in lots]
        ours, widgets, bare = (
            labels.sheets(wanted, pen) for pen in (labels.Pen, labels.ByWidget, labels.TextAlone)
        )
        assert codes_on(ours) == codes_on(widgets)
        assert sorted(codes_on(ours)) == [link + lot for lot in lots]
        assert codes_on(bare) == []
        assert lines_on(ours) == lines_on(widgets) == lines_on(bare)


def test_labels_are_measured_without_a_history(capsys) -> None:
    bench("--rows", "labels", "--labels", "21", "--json")
    said = json.loads(capsys.readouterr().out)
    assert said["histories"] == []
    assert [row["limit"] for row in said["rows"]] == [15, 15, 0.5]
    for row in said["rows"]:
        assert row["least"]
        assert row["ratio"] == pytest.approx(row["theirs_ms"] / row["ours_ms"])


@pytest.mark.once
@pytest.mark.django_db(transaction=True)
def test_the_command_says_its_rows_as_json(capsys) -> None:
    bench(
        "--movements",
        "800,1600",
        "--roots",
        "10",
        "--json",
        "--no-verify",
        "--seconds",
        "0.5",
        "--labels",
        "21",
    )
    said = json.loads(capsys.readouterr().out)
    assert said["database"] == connection.vendor
    assert [h["movements"] >= n for h, n in zip(said["histories"], (800, 1600), strict=True)]
    assert {"name", "ours_ms", "theirs_ms", "ratio", "limit", "kept"} <= set(said["rows"][0])
    assert any("equal size" in row["name"] for row in said["rows"])
    http, _ = (row for row in said["rows"] if row["name"].startswith("http: cut of 10 sites"))
    # requests a second, so the other way round than milliseconds
    assert http["ratio"] == pytest.approx(http["theirs_ms"] / http["ours_ms"])
    assert http["least"]
    with pytest.raises(CommandError, match="sizes as numbers"):
        call_command("bench", "--movements", "many")
    with pytest.raises(CommandError, match="No rows are called tracks"):
        call_command("bench", "--rows", "traces,tracks")
