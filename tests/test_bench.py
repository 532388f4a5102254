"""The bench's history stands up to the recount, its baselines find what we find, and its rows say
what they were measured against. Nothing here is timed."""

from __future__ import annotations

import json
from random import Random

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from analytics.bench import history, rows
from grow.faults import faults
from grow.models import Lineage, Movement

pytestmark = [pytest.mark.django_db, pytest.mark.slow]


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
    row = rows.growth({10: [2.0], 50: [5.0]}, {11: [2.2], 300: [9.0]}, 1)
    assert (row.ratio, row.kept) == (pytest.approx(1.1), True)
    assert rows.Row("x", 1, 1.0, 12.0, 12.0, 10, least=True).kept
    assert not rows.Row("x", 1, 1.0, 9.0, 9.0, 10, least=True).kept


@pytest.mark.django_db(transaction=True)
def test_the_command_says_its_rows_as_json(capsys) -> None:
    call_command(
        "bench",
        "--movements",
        "800,1600",
        "--roots",
        "10",
        "--json",
        "--no-verify",
        "--seconds",
        "0.5",
    )
    said = json.loads(capsys.readouterr().out)
    assert said["database"] == connection.vendor
    assert [h["movements"] >= n for h, n in zip(said["histories"], (800, 1600), strict=True)]
    assert {"name", "ours_ms", "theirs_ms", "ratio", "limit", "kept"} <= set(said["rows"][0])
    assert any("equal size" in row["name"] for row in said["rows"])
    with pytest.raises(CommandError, match="sizes as numbers"):
        call_command("bench", "--movements", "many")
