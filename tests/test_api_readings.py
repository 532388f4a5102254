"""Stock, today, trace and the figures by API: what the pages read, for whom may read it."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from analytics.period import Period
from analytics.waste import WENT
from analytics.yields import YieldRow, yields
from grow import clock, readings
from grow.models import Person
from grow.roles import ROLES
from sales import trace
from tests.farm import Farm
from tests.test_api import refused
from tests.test_api_tables import a_morning

pytestmark = pytest.mark.django_db


def somebody(farm: Farm, role: str, *places: Any) -> APIClient:
    person = Person.objects.create_user(f"a {role}")
    person.groups.add(Group.objects.get(name=role))
    person.places.set(places)
    client = APIClient()
    client.force_authenticate(person)
    return client


@pytest.fixture
def api(farm: Farm) -> APIClient:
    client = APIClient()
    client.force_authenticate(farm.grower)
    return client


def read(client: APIClient, address: str, **asked: Any) -> Any:
    answer = client.get(f"/api/v1/{address}/", asked)
    assert answer.status_code == 200, answer.content
    return answer.json()


def test_stock_now_and_then(farm: Farm, api: APIClient) -> None:
    run = a_morning(farm, held=False)
    morning = farm.now
    farm.pass_time(hours=2)
    farm.till(1, run)
    now = read(api, "stock", lot=run.code)["results"]
    assert {r["place"]: r["quantity"] for r in now}["Farm shop"] == 3
    then = read(api, "stock", lot=run.code, at=morning.isoformat(), place="farm shop")
    assert then["count"] == 1
    assert then["results"][0] == {
        "place": "Farm shop",
        "place_kind": "shop",
        "lot": run.code,
        "kind": "pack",
        "title": "Salad bag 120 g",
        "crop": "Loose-leaf lettuce",
        "use_by": run.use_by.isoformat(),
        "quantity": 4,
        "unit": "each",
        "held": False,
    }
    whole = read(api, "stock")
    assert whole["count"] == len(readings.stock(farm.grower))
    assert read(api, "stock", limit=1, offset=1)["results"] == whole["results"][1:2]
    assert read(api, "stock", at="2026-03-01")["results"] == []


def test_todays_entries(farm: Farm, api: APIClient) -> None:
    a_morning(farm)
    today = read(api, "today")["results"]
    assert [row["kind"] for row in today][-2:] == ["pack", "harvest"]
    assert [row["kind"] for row in read(api, "today", day="2026-03-02")["results"]] == [
        "transplant",
        "sow",
    ]
    own = read(api, "today", own="true")
    assert own["count"] > len(today)
    assert "sale worked out" in {row["says"] for row in own["results"]}


def test_a_trace_is_the_pages_own(farm: Farm, api: APIClient) -> None:
    run = a_morning(farm)
    by_code = read(api, "trace", code=run.code.lower())
    mine = trace.trace(run).as_json()
    for quick in ("took_ms", "as_of", "asked"):
        mine.pop(quick)
        by_code.pop(quick)
    # tuples have become lists on the way
    assert by_code == over_the_wire(mine)
    day = farm.today.isoformat()
    assert read(api, "trace", product="salad-120", date=day)["lot"] == run.code
    there = read(api, "trace", place="cold store", since=day, until=day, alongside="false")
    assert run.code in {lot["code"] for lot in there["lots"]}
    assert there["alongside"] == []
    farm.tell("check", kind="scale", passed=True, things=[farm.scale])
    farm.pass_time(minutes=5)
    farm.tell("clean", place=farm.line, things=[farm.scale])
    thing = api.get("/api/v1/trace/", {"thing": "scale b"})
    assert refused(thing, 404)["code"] == "nothing_there"


def over_the_wire(value: Any) -> Any:
    return json.loads(json.dumps(value))


def test_figures_are_the_functions_own(farm: Farm, api: APIClient) -> None:
    a_morning(farm)
    asked = {"first": "2026-03-01", "last": "2026-03-31"}
    period = Period(dt.date(2026, 3, 1), dt.date(2026, 3, 31))
    said = read(api, "figures/yields", **asked)
    whole = yields(period)
    assert said["about"]["first"] == "2026-03-01"
    assert len(said["rows"]) == len(whole.rows) > 0
    for row, own in zip(said["rows"], whole.rows, strict=True):
        assert {f.name for f in dataclasses.fields(YieldRow)} < row.keys()
        assert row["cut_g"] == own.cut_g
        # decimals go as text, every digit of them
        assert Decimal(row["site_days"]) == own.site_days
        assert isinstance(row["site_days"], str)
    lost = read(api, "figures/waste", **asked)
    for row in (*lost["rows"], lost["total"]):
        assert row["came_g"] == row["went_g"] == sum(row[name] for name in WENT)
    earned = read(api, "figures/margin", **asked)
    assert earned["total"]["takings_p"] == sum(r["takings_p"] for r in earned["rows"])
    assert earned["total"]["takings_p"] == 6 * 165 + 2 * 240
    by_month = read(api, "figures/months", **asked)
    assert [row["month"] for row in (*by_month["months"], *by_month["waste"])] == [202603, 202603]
    assert by_month["total"]["after_labour_p"] == earned["total"]["after_labour_p"]
    assert by_month["waste"][0]["went_g"] == lost["total"]["went_g"]


def test_who_reads_the_figures(farm: Farm, api: APIClient) -> None:
    asked = {"first": "2026-03-01", "last": "2026-03-31"}
    for role in ROLES:
        client = somebody(farm, role)
        for which in ("yields", "waste", "margin", "months"):
            answer = client.get(f"/api/v1/figures/{which}/", asked)
            if role in ("grower", "manager"):
                assert answer.status_code == 200
            else:
                assert refused(answer, 403)["code"] == "not_allowed"
    tied = Person.objects.create_user("b", is_superuser=True)
    tied.places.add(farm.kitchen_place)
    client = APIClient()
    client.force_authenticate(tied)
    assert refused(client.get("/api/v1/figures/yields/", asked), 403)


def test_a_chef_reads_the_kitchens_part(farm: Farm) -> None:
    run = a_morning(farm)
    chef = somebody(farm, "chef", farm.kitchen_place)
    assert {r["place"] for r in read(chef, "stock")["results"]} == {"Kitchen"}
    assert {r["kind"] for r in read(chef, "today")["results"]} == {"deliver", "receive"}
    seen = read(chef, "trace", code=run.code)
    assert seen["must_be_told"] == []
    assert seen["balance"] is None
    assert "Farm shop" not in str(seen)
    assert {lot["kind"] for lot in seen["ancestors"]} >= {"harvest", "batch"}
    other = farm.cut(700)
    assert refused(chef.get("/api/v1/trace/", {"code": other.code}), 404)["code"] == "no_such_code"
    assert refused(chef.get("/api/v1/stock/", {"place": "Cold store"}), 404)


def test_a_question_that_cannot_be_read(farm: Farm, api: APIClient) -> None:
    for address, asked, status in (
        ("stock", {"at": "soon"}, 400),
        ("stock", {"at": "2026-02-30"}, 400),
        ("stock", {"at": "9999-12-31T23:59-14:00"}, 400),
        ("stock", {"place": "Bench 99"}, 404),
        ("stock", {"lot": "a\0b"}, 400),
        ("stock", {"when": "now"}, 400),
        ("stock", {"offset": "null"}, 400),
        ("today", {"day": "2026-13-01"}, 400),
        ("today", {"own": "perhaps"}, 400),
        ("trace", {}, 400),
        ("trace", {"code": "H1", "thing": "Scale B"}, 400),
        ("trace", {"code": "no such thing"}, 404),
        ("trace", {"limit": 1}, 400),
        ("figures/yields", {"first": "2026-03-01"}, 400),
        ("figures/yields", {"first": "2026-03-02", "last": "2026-03-01"}, 400),
        ("figures/yields", {"first": "0001-01-01", "last": "9999-12-31"}, 400),
    ):
        answer = refused(api.get(f"/api/v1/{address}/", asked), status)
        if answer["code"] != "which_question":
            assert status == 404 or answer["facts"]["fields"]


@pytest.mark.parametrize(
    ("address", "asked", "most"),
    [
        ("stock", {}, 8),
        ("stock", {"at": "2026-03-30"}, 9),
        ("today", {}, 9),
        ("figures/yields", {"first": "2026-01-01", "last": "2026-03-31"}, 30),
        ("figures/waste", {"first": "2026-01-01", "last": "2026-03-31"}, 18),
        ("figures/margin", {"first": "2026-01-01", "last": "2026-03-31"}, 70),
        ("figures/months", {"first": "2026-01-01", "last": "2026-03-31"}, 120),
        ("figures/crops", {"first": "2026-01-01", "last": "2026-03-31"}, 115),
        ("figures/lost", {"first": "2026-01-01", "last": "2026-03-31", "by": "variety"}, 160),
        ("figures/outlets", {"first": "2026-01-01", "last": "2026-03-31"}, 40),
    ],
)
def test_a_reading_asks_no_more_for_more_rows(
    farm: Farm, address: str, asked: dict[str, str], most: int
) -> None:
    def ask() -> int:
        """As each request does: the person is read anew."""
        client = APIClient()
        client.force_authenticate(Person.objects.get(pk=farm.grower.pk))
        with CaptureQueriesContext(connection) as asked_:
            read(client, address, **asked)
        return len(asked_)

    clock.play(farm.now)
    a_morning(farm)
    few = ask()
    for _ in range(3):
        a_morning(farm)
    assert ask() <= few <= most
