"""Every address of the API, asked by a machine: whatever it is sent, it answers as its schema
says. schemathesis (MIT) makes the requests out of the schema, right ones and wrong ones, and looks
at each answer's status, content type and shape.

A made-up name is known to nobody, and its answer would always be the same. So the names, codes and
numbers of a small farm are offered beside what it makes up.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections, transaction
from hypothesis import HealthCheck, settings
from knox.models import AuthToken
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from analytics.models import Rate
from grow import clock
from grow.asks import MOST
from grow.models import CropCard
from sales.models import Complaint, DeliveryNote, Recall
from tests.farm import START, Farm
from tests.often import times

pytestmark = [pytest.mark.django_db, pytest.mark.slow]
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
#: noun → names of the farm below, each with its kind where the schema asks for one
CALLED: dict[str, dict[str, str]] = {
    "place": {
        "Bench 1": "bench",
        "Bench 2": "bench",
        "T1": "tower",
        "T2": "tower",
        "Reservoir": "tank",
        "Wash tank": "tank",
        "Cold store": "store",
        "Packing bench": "packhouse",
        "Quarantine": "quarantine",
        "Hollin Seeds": "supplier",
        "Farm shop": "shop",
        "Kitchen": "kitchen",
        "Stall": "shop",
        "Greenhouse": "area",
    },
    "lot": {
        "a sowing": "batch",
        "a cut": "harvest",
        "a run": "pack",
        "a packet": "input",
        "a bottle": "input",
    },
    "crop": {"Loose-leaf lettuce": "", "Red mustard": ""},
    "variety": {"Green loose-leaf": "", "Red frill": ""},
    "input": {"Green loose-leaf seed": "", "Leaf soap": ""},
    "site": {"T1 5/1": "", "T2 1/3": "", "T3 2/4": ""},
    "thing": {"Scale B": ""},
    "person": {"tam": "", "ines": ""},
    "product": {"SALAD-120": "", "LETTUCE-KG": ""},
    "outlet": {"Farm shop": "", "Kitchen": ""},
    "note": {"N00001-7": "", "N00002-5": ""},
    "recall": {"Q00001-0": ""},
    "complaint": {"C00001-8": ""},
}
#: what a parameter's own name says of it
NAMED = {
    **dict.fromkeys(("lot", "parent", "child", "code", "called"), "lot"),
    **dict.fromkeys(("place", "from_place", "to_place", "within", "tower"), "place"),
    **dict.fromkeys(("person", "recorded_by", "done_by"), "person"),
    **{name: name for name in ("crop", "variety", "thing", "product", "outlet")},
    "item": "input",
    "number": "note",
}
#: words that an act knows, by its argument
WORDS = {
    "basis": ["weighed", "counted", "guessed"],
    "to": ["compost", "donated", "quarantine", "shop"],
    "left": ["empty", "some", "full", "half"],
    "kind": ["batch", "harvest", "pack", "input", "probe"],
    "unit": ["g", "ml", "each", "kg"],
    "lines": ["ST,GS,+ 121.4g\r\nST,GS,+ 119.5g", "120.5", "1,500"],
}
#: about as many as the farm below has of anything
MANY = 20
DAYS = ["2026-03-02", "2026-03-03", "2026-03-04", "2027-01-01"]
MOMENTS = ["2026-03-02T09:00:00Z", "2026-03-03 10:00", "2026-03-04T08:00:00+02:00"]


def offer(told: dict[str, Any], names: list[str]) -> None:
    """Instead of any text, one of those that are known; strangers come in what is made wrong."""
    for rule in ("minLength", "maxLength", "format", "pattern"):
        told.pop(rule, None)
    told["enum"] = names


def offer_to(name: str, told: dict[str, Any]) -> None:
    """One argument, field or parameter, by what its name and its description say."""
    one = told.get("items", told)
    if told.get("type") == "array":
        told["maxItems"] = 2
    said = str(told.get("description", ""))
    if said.startswith("Name or code of the "):
        noun, _, kinds = said.removeprefix("Name or code of the ").partition(".")
        wanted = kinds.partition("Of kind ")[2].rstrip(".").split(", ")
        names = [n for n, kind in CALLED[noun].items() if wanted == [""] or kind in wanted]
        offer(one, names or list(CALLED[noun]))
    elif said.startswith("Number of the "):
        told["maximum"] = MANY
    elif name in WORDS and told.get("type") == "string" and "enum" not in told:
        offer(told, WORDS[name])
    elif told.get("format") == "date" or name in ("since", "until"):
        offer(told, DAYS)
    elif told.get("format") == "date-time":
        offer(told, MOMENTS)
    elif told.get("maximum") == MOST:
        told |= {"minimum": -1, "maximum": 3000}


def offer_all(raw: dict[str, Any]) -> None:
    for name, shape in raw["components"]["schemas"].items():
        for field, told in shape.get("properties", {}).items():
            if name.endswith(("ActRequest", "PartRequest", "TallyRequest")):
                offer_to(field, told)
            elif name == "OutletRequest" and field == "place":
                offer(told, ["Stall"])  # the one that is a shop and nobody's outlet yet
            elif name == "BulkPlacesRequest" and told.get("type") == "integer":
                told["maximum"] = 4  # else most of them are refused as too many
            elif name.endswith("Request") and field in NAMED and "enum" not in told:
                offer(told, list(CALLED[NAMED[field]]))
    for where, address in raw["paths"].items():
        for does in address.values():
            if where == "/api/v1/trace/":  # two questions at once are always refused
                one = ("code", "alongside")
                does["parameters"] = [p for p in does["parameters"] if p["name"] in one]
            for told in does.get("parameters", ()):
                name, shape = told["name"], told["schema"]
                if told["in"] == "path" and shape.get("type") == "integer":
                    told["schema"] = {"type": "integer", "minimum": -1, "maximum": MANY}
                elif where.startswith("/api/v1/runs/{code}/") and told["in"] == "path":
                    offer(shape, ["a run"])
                elif where.startswith("/api/v1/recalls/") and told["in"] == "path":
                    offer(shape, list(CALLED["recall"]))
                elif told["in"] != "header" and name in NAMED:
                    offer(shape, list(CALLED[NAMED[name]]))
                elif told["in"] == "query":
                    offer_to(name, shape)


schema = schemathesis.openapi.from_wsgi("/api/schema/?format=json", get_wsgi_application())
offer_all(schema.raw_schema)
# it would ask each act some four hundred times, each argument left out and wrong in each way
schema.config.phases.coverage.enabled = False


@pytest.fixture(scope="module")
def token(django_db_setup: None, django_db_blocker: Any) -> Iterator[str]:
    """Of somebody who may tell anything, on a farm where something of each kind stands. It stands
    for all the tests here; each example is taken back."""
    # as the test client does: the transaction must outlive the request
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    with django_db_blocker.unblock(), transaction.atomic():
        farm = Farm()
        stand(farm)
        yield AuthToken.objects.create(user=farm.grower)[1]
        transaction.set_rollback(True)
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


def stand(farm: Farm) -> None:
    packet = farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        supplier_lot="L1",
    ).lot
    bottle = farm.tell(
        "receive_input", item=farm.soap, supplier=farm.supplier, place=farm.store
    ).lot
    farm.tell("fill", tank=farm.tank, litres=500)
    batch = farm.sow(40)
    farm.plant(batch, farm.t1, 12)
    farm.pass_time(days=1)
    cut = farm.cut(4000, batch)
    run = farm.pack([cut], packs=20, left=1500)
    farm.tell("check", kind="scale", passed=True, things=[farm.scale])
    weights = [Decimal("121.4"), Decimal("119.5"), Decimal(122)]
    farm.tell("weigh_packs", run=run, weights=weights, scale=farm.scale)
    farm.to_shop(run, 6)
    farm.arrive(farm.send(run, 5), run, accepted=6)
    farm.send(run, 3)
    farm.till(2)
    farm.tell("print_tags", count=2)
    farm.hold(packet)
    mock = {"kind": "recall", "hazard": "glass", "mock": True}
    farm.tell("open_recall", **mock, lots=[cut], place=farm.t1, since=farm.now)
    farm.tell("complain", happened="glass in it", lot=run)
    farm.place("Stall", "shop")
    CropCard.objects.create(variety=farm.green, source="own records")
    since = dt.date(2026, 1, 1)
    Rate.objects.create(what="wage", amount=1300, since=since, source="agreed")
    told = {"a sowing": batch, "a cut": cut, "a run": run, "a packet": packet, "a bottle": bottle}
    assert Recall.objects.get().number in CALLED["recall"]
    assert Complaint.objects.get().number in CALLED["complaint"]
    assert [n.number for n in DeliveryNote.objects.order_by("id")] == list(CALLED["note"])
    for name, lot in told.items():
        farm.tell("describe", lot=lot, called=name)


@schema.parametrize()
@settings(
    max_examples=times(15),
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)
def test_every_address_answers_as_its_schema_says(case: Any, token: str) -> None:
    clock.play(START + dt.timedelta(days=2))
    # this client takes an answer as it comes: it would not unpack it
    headers = {"Authorization": f"Token {token}", "Accept-Encoding": "identity"}
    with transaction.atomic():
        case.call_and_validate(headers=headers, checks=CHECKS)
        transaction.set_rollback(True)
