"""EPCIS 2.0: what is given away is read back by a reader that shares nothing with the exporter and
comes to the same lineage; what others shipped comes in as received lots, and a trace finds them."""

from __future__ import annotations

import datetime as dt
import io
import json
import os
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client

from grow.errors import Refusal
from grow.faults import faults
from grow.models import Business, Event, Hold, Holding, Item, Lineage, Lot, Movement, Person
from grow.sums import FIXES
from sales import epcis, pages_epcis, trace
from sales.epcis.reading import ident_of, read, read_document
from sales.epcis.taking import LEAF, take_in
from sales.models import Product
from tests import reading_epcis
from tests.farm import START, Crate, Farm, Line, Taken

pytestmark = pytest.mark.django_db
HERE = Path(__file__).parent
#: An hour after the season's tank was filled, before it was topped up.
FILLED = START + dt.timedelta(hours=1)


@pytest.fixture
def season(farm: Farm) -> Farm:
    """Seed to till with all that goes wrong: a corrected weight, a corrected origin, a cancelled
    run, a rejected bag, a hold, a bag opened into another run, till rows that name no lot."""
    Business.objects.create(name="Hollow Field", public_address="https://hollow.example")
    farm.seed = farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        supplier_lot="HS-4471",
        quantity=3,
    ).lot
    farm.tell("open_input", lot=farm.seed, place=farm.bench)
    farm.tell("feed", tank=farm.tank, begins=[farm.t1, farm.t2])
    farm.tell("fill", tank=farm.tank, litres=200)
    green = farm.sow(60, seed=farm.seed)
    other = farm.sow(40)
    farm.tell("check_germination", batch=green, place=farm.bench, not_up=6)
    farm.pass_time(days=20)
    farm.plant(green, farm.t1, 40)
    farm.plant(other, farm.t2, 30)
    farm.tell("top_up", tank=farm.tank, litres=50)
    farm.pass_time(days=20)
    first = farm.cut(2600, green, grade_out_g=200)
    both = farm.tell("harvest", crates=[Crate(3100)], batches=[green, other], store=farm.store).lot
    loose = farm.cut(900, other)
    farm.tell("correct_weight", lot=loose, right=1000, reason="tare forgotten")
    farm.tell("correct_origin", lot=loose, wrong=other, right=green, reason="swapped")
    farm.pass_time(hours=2)
    farm.run = farm.pack([first, both], packs=40)
    wrong_run = farm.pack([loose], packs=3, left=600)
    farm.tell("cancel", event=wrong_run.made_by, reason="entered twice")
    farm.pass_time(hours=2)
    again = farm.tell(
        "rework",
        product=farm.bag,
        taken=[Taken(farm.run, farm.store, used=4), Taken(loose, farm.store, used=400)],
        packs=7,
        store=farm.store,
        line=farm.line,
    ).lot
    note = farm.send(farm.run, 12)
    farm.arrive(note, farm.run, accepted=10, rejected=1, short=1)
    farm.to_shop(farm.run, 10)
    farm.till(6)
    farm.till(2, farm.run)
    farm.tell("count", place=farm.shop_place, counted={farm.run: 1}, closing=True)
    farm.hold(again)
    farm.tell("release", lots=[again], reason="clear")
    farm.tell("discard", lot=loose, from_place=farm.store, to="compost", quantity=100,
              reason="wilted")  # fmt: skip
    assert faults() == []
    return farm


def look_at(farm: Farm) -> None:
    """A thing, a place, the waters of a tank, a run and again; one result is taken back."""
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    farm.tell("check", kind="glass", passed=False, done="cleared", place=farm.line)
    farm.tell("test_water", tank=farm.tank, kind="pH", reading="6.1", passed=True, at=FILLED)
    farm.tell("test_water", tank=farm.tank, kind="pH", reading="9.1", passed=False, done="dosed")
    facts = {"criterion": "e_coli_cut", "lots": [farm.run]}
    farm.tell("lab_result", results="10 20 30 40 50", **facts)
    farm.tell("lab_result", results="10 20", **facts | {"lots": [farm.run, farm.seed]})
    wrong = farm.tell("lab_result", results="10 10 10 10 1001", **facts)
    farm.tell("cancel", event=wrong, reason="another farm's")
    farm.tell("lab_result", criterion="water_contact", results="101", place=farm.tank)


def whole(farm: Farm) -> dict[str, Any]:
    return json.loads("".join(epcis.parts(first=dt.date(2026, 1, 1), last=farm.today)))


def told_by_rows(parents: set[int] | None = None) -> tuple[dict, dict]:
    """The lineage by SQL of its own: (matter, touched), by codes."""
    matter: Counter[tuple[str, str]] = Counter()
    touched = {}
    rows = Lineage.objects.filter(struck_by=None).select_related("parent", "child")
    for edge in rows:
        if edge.kind == "touched":
            touched[edge.parent.code, edge.child.code] = None
        else:
            matter[edge.parent.code, edge.child.code] += edge.quantity or 0
    return {pair: n for pair, n in matter.items() if n}, touched


def test_what_is_written_is_epcis_2_0(season: Farm) -> None:
    document = whole(season)
    assert list(reading_epcis.wrong(document)) == []
    kinds = Counter(event["type"] for event in reading_epcis.events(document))
    assert kinds.keys() == {"ObjectEvent", "TransformationEvent", "AssociationEvent"}
    steps = {event["bizStep"] for event in reading_epcis.events(document)}
    assert {"receiving", "commissioning", "shipping", "retail_selling", "holding"} <= steps
    same = json.loads(json.dumps(epcis.document(first=dt.date(2026, 1, 1), last=season.today)))
    assert same == document
    assert "tam" not in json.dumps(document).lower().split('"')


def test_a_reader_of_its_own_finds_what_is_wrong(season: Farm) -> None:
    for spoil, says in (
        (lambda e: e.pop("eventTimeZoneOffset"), "offset"),
        (lambda e: e.update(bizStep="sowing"), "no step"),
        (lambda e: e.update(eventTime="yesterday"), "no moment"),
        (lambda e: e.update(touchedBy=[]), "no member"),
        (lambda e: e["outputQuantityList"][0].update(quantity=-1), "no quantity"),
        (lambda e: e["outputQuantityList"][0].update(uom="kg"), "no unit"),
        (lambda e: e["outputQuantityList"].clear(), "empty"),
        (lambda e: e.update(epcList=[]), "epcList"),
        (lambda e: e.pop("transformationID"), "transformationID"),
    ):
        document = whole(season)
        spoil(next(e for e in reading_epcis.events(document) if e["type"][:6] == "Transf"))
        assert any(says in one for one in reading_epcis.wrong(document)), says


@pytest.mark.skipif(not os.environ.get("EPCIS_SCHEMA"), reason="EPCIS_SCHEMA names no schema")
def test_it_is_valid_by_the_standard_s_own_schema(season: Farm) -> None:
    import jsonschema

    schema = json.loads(Path(os.environ["EPCIS_SCHEMA"]).read_text())
    validator = jsonschema.Draft7Validator(
        schema, format_checker=jsonschema.Draft7Validator.FORMAT_CHECKER
    )
    look_at(season)
    spoilt = whole(season)
    reading_epcis.events(spoilt)[0]["bizStep"] = "sowing"
    assert not validator.is_valid(spoilt)  # formats are looked at
    assert [error.message for error in validator.iter_errors(whole(season))] == []


def test_another_reader_rebuilds_the_lineage_of_all_and_of_each_lot(season: Farm) -> None:
    matter, touched = told_by_rows()
    assert len(matter) > 5
    assert len(touched) > 5
    document = whole(season)
    assert reading_epcis.joins(document) == (matter, touched)
    for lot in Lot.objects.all():
        found = trace.trace(lot, alongside=False)
        family = {*found.roots, *found.up, *found.down}
        read_back = reading_epcis.joins(epcis.document(lots=family))
        codes = {found.report.lots[pk].code for pk in family}
        of_trace: tuple[dict, dict] = ({}, {})
        for pk, joined in found.joins.items():
            for join in joined:
                child, parent = found.report.lots[pk].code, join.code
                if pk in found.up:
                    child, parent = parent, child
                if not join.struck:
                    of_trace[join.quantity is None][parent, child] = join.quantity
        for back, wanted in zip(read_back, of_trace, strict=True):
            assert {p: q for p, q in back.items() if p[0] in codes} == wanted, lot.code
        # each child's other parents are there too, or the transformation would lack them
        assert {p for p in matter if p[1] in codes} == set(read_back[0])


def test_what_is_left_by_the_events_is_what_the_books_hold(season: Farm) -> None:
    """Cuts and packs: made, less what went in, was sold, lost and thrown away."""
    left = reading_epcis.standing(whole(season))
    held: Counter[str] = Counter()
    rows = Holding.objects.filter(lot__kind__in=["harvest", "pack"]).select_related("lot", "place")
    for row in rows:
        held[row.lot.code] += row.quantity if row.place.is_standing else 0
    assert {c: left[c] for c in held} == dict(held)


def test_what_was_taken_back_is_declared_wrong_and_corrections_are_part_of_it(season: Farm) -> None:
    document = whole(season)
    dead = [e for e in reading_epcis.events(document) if "errorDeclaration" in e]
    (run,) = [e for e in dead if e["type"] == "TransformationEvent"]
    assert reading_epcis.code(run["outputQuantityList"][0]["epcClass"]) not in {
        child for _, child in told_by_rows()[0]
    }
    kinds = {e["farm:activity"] for e in reading_epcis.events(document)}
    assert not kinds & set(FIXES)
    (made,) = [
        e["outputQuantityList"][0]["quantity"]
        for e in reading_epcis.events(document)
        if e["type"] == "TransformationEvent" and "farm:struckOrigin" in e
    ]
    assert made == 1000


def test_a_recall_is_said_as_a_disposition_that_stays(season: Farm) -> None:
    """CBV 2.0: recalled is non-sellable because of public safety; holding lists it."""
    said = {"kind": "recall", "hazard": "Salmonella", "lots": [season.run]}
    season.tell("open_recall", **said)
    season.tell("open_recall", **said, mock=True)
    document = whole(season)
    assert list(reading_epcis.wrong(document)) == []
    (recalled,) = [
        event
        for event in reading_epcis.events(document)
        if event.get("persistentDisposition") == {"set": ["recalled"]}
    ]
    assert (recalled["bizStep"], recalled["disposition"]) == ("holding", "recalled")
    codes = [reading_epcis.code(one["epcClass"]) for one in recalled["quantityList"]]
    below = trace.ids_below([season.run.pk])
    assert codes == list(
        Lot.objects.filter(pk__in=below).order_by("pk").values_list("code", flat=True)
    )


def test_what_was_looked_at_is_said_as_inspecting(season: Farm) -> None:
    """CBV 2.0: inspecting, conformant, non_conformant (section 7.1 and 7.2), of the lots, or of the
    single thing or the place that was looked at. It moves nothing: the lineage read back is the
    same."""
    farm = season
    before = reading_epcis.joins(whole(farm)), reading_epcis.standing(whole(farm))
    fill, topped = Lot.objects.filter(kind="water").order_by("pk")
    look_at(farm)
    document = whole(farm)
    assert list(reading_epcis.wrong(document)) == []

    def looked(document: dict[str, Any]) -> list[tuple]:
        return [
            (
                event["farm:activity"],
                event["farm:lookedFor"],
                event.get("disposition", ""),
                [reading_epcis.code(one["epcClass"]) for one in event.get("quantityList", ())],
                [uri.partition("hollow.example")[2] for uri in event.get("epcList", ())],
                "errorDeclaration" in event,
            )
            for event in reading_epcis.events(document)
            if event["bizStep"] == "inspecting"
        ]

    good, bad, run = "conformant", "non_conformant", [farm.run.code]
    assert looked(document) == [
        ("water tested", "pH", good, [fill.code], [], False),
        ("checked", "weight", good, [], [f"/things/{farm.scale.pk}"], False),
        ("checked", "glass", bad, [], [f"/places/{farm.line.pk}"], False),
        ("water tested", "pH", bad, [topped.code], [], False),
        ("laboratory result", "E. coli", good, run, [], False),
        ("laboratory result", "E. coli", "", [farm.seed.code, *run], [], False),
        ("laboratory result", "E. coli", "", run, [], True),
        ("laboratory result", "E. coli", bad, [topped.code], [], False),
    ]
    assert looked(epcis.document(lots={farm.run.pk})) == [
        ("laboratory result", "E. coli", good, run, [], False),
        ("laboratory result", "E. coli", "", run, [], False),
    ]
    assert looked(epcis.document(lots={fill.pk})) == looked(document)[:1]
    assert looked(epcis.document(lots={topped.pk})) == [looked(document)[n] for n in (3, 7)]
    after = reading_epcis.joins(document), reading_epcis.standing(document)
    assert after == before
    assert before[0] == told_by_rows()


def test_what_a_correction_holds_and_a_cancelled_note_are_said(season: Farm) -> None:
    """CBV 2.0: void_shipping says that a shipping event before it is void; a disposition that
    stays is set by persistentDisposition."""
    farm = season
    free, stopped = farm.cut(1300, crop=farm.lettuce), farm.cut(1300, crop=farm.lettuce)
    bags = farm.pack([free], 8)
    note = farm.send(bags, 2)
    farm.pass_time(minutes=10)
    farm.tell("cancel", event=note, reason="another's order")
    farm.hold(stopped)
    farm.pass_time(minutes=10)
    fix = farm.tell("correct_origin", lot=bags, wrong=free, right=stopped, reason="mixed up")
    assert Hold.objects.filter(lot=bags, began_by=fix).exists()
    for document in (whole(farm), epcis.document(lots={bags.pk})):
        assert list(reading_epcis.wrong(document)) == []
        of_bags = [
            event
            for event in reading_epcis.events(document)
            if bags.code
            in {reading_epcis.code(q["epcClass"]) for q in event.get("quantityList", ())}
        ]
        (held,) = [event for event in of_bags if "persistentDisposition" in event]
        assert held["persistentDisposition"] == {"set": ["non_sellable_other"]}
        assert "errorDeclaration" not in held
        sent, void = [e for e in of_bags if e["bizStep"] in ("shipping", "void_shipping")]
        assert "errorDeclaration" in sent
        assert "errorDeclaration" not in void
        assert (void["bizStep"], void["eventTime"] > sent["eventTime"]) == ("void_shipping", True)
        assert void["bizTransactionList"] == sent["bizTransactionList"]
        assert void["quantityList"] == sent["quantityList"]
    # and who reads it takes nothing of it in, even without the declaration
    del sent["errorDeclaration"]
    assert any("was voided" in why for why in read(json.dumps(document)).passed_over)


def test_a_pack_with_a_gtin_is_named_by_its_digital_link(season: Farm) -> None:
    """GS1's demonstration prefix, 952; the form is that of GS1's own twin pairs (lgtin and
    Digital Link), kept in tests/vectors/check-values.json."""
    Business.objects.update(company_prefix="9521234")
    Product.objects.filter(pk=season.bag.pk).update(gtin="09521234543213")
    text = json.dumps(epcis.document(lots={season.run.pk}))
    assert f"https://hollow.example/01/09521234543213/10/{season.run.code}" in text
    Business.objects.update(public_address="", company_prefix="")
    text = json.dumps(epcis.document(lots={season.run.pk}))
    assert f"https://hollow-field.invalid/l/{season.run.code}" in text


def test_only_what_was_asked_for_is_given(season: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    only = json.dumps(epcis.document(lots={season.seed.pk}))
    assert season.seed.code in only
    assert "HS-4471" in only
    assert season.run.code not in only
    out = io.StringIO()
    call_command("export_epcis", season.run.code, stdout=out)
    given = json.loads(out.getvalue())
    assert season.seed.code in out.getvalue()
    season.grower.is_staff = True
    season.grower.save()
    client = Client()
    client.force_login(season.grower)
    page = client.get("/epcis/", {"code": season.run.code})
    assert page["Content-Disposition"].startswith("attachment")
    plain = {"creationDate": ""}
    assert json.loads(page.content) | plain == given | plain
    token = client.get("/api/v1/epcis/", {"code": season.run.code})
    assert token.status_code in (200, 401)
    for asked, says in (
        ({"code": "R99999-99-9"}, "No lot is called"),
        ({"first": "2026-03-01"}, "from which day to which"),
        ({"first": "2025-01-01", "last": "2026-03-01"}, "92 are given here"),
        ({"first": "2026-03-02", "last": "2026-03-01"}, "is before"),
    ):
        answer = client.get("/epcis/", asked)
        assert (answer.status_code, says in answer.content.decode()) == (422, True), says
    monkeypatch.setattr(pages_epcis, "MOST_LOTS", 3)
    answer = client.get("/epcis/", {"code": season.run.code})
    assert answer.status_code == 422
    assert "3 are given here at once. Ask by days" in answer.content.decode()


# --- taken in -------------------------------------------------------------------------------------


def shipment(**more: Any) -> dict[str, Any]:
    """What a seed house tells of one pallet: two lots by Digital Link and by LGTIN, the second
    commissioned with its date; one shipment that it voided and one declared wrong."""
    common = {
        "eventTime": "2026-02-27T15:10:00+01:00",
        "eventTimeZoneOffset": "+01:00",
        "action": "OBSERVE",
    }
    link = "https://id.example/01/09521234543213/10/GL-0417"
    urn = "urn:epc:class:lgtin:9521234.054322.RF%2F88"
    shipped = {
        "type": "ObjectEvent",
        "eventID": "urn:uuid:0d6c2d2c-3b1c-4b50-8b4f-1d3c0a1b2c3d",
        **common,
        "bizStep": "shipping",
        "quantityList": [
            {"epcClass": link, "quantity": 0.25, "uom": "KGM"},
            {"epcClass": urn, "quantity": 12},
        ],
    }
    made = {
        "type": "ObjectEvent",
        "eventID": "urn:uuid:1",
        **common,
        "action": "ADD",
        "bizStep": "https://ref.gs1.org/cbv/BizStep-commissioning",
        "quantityList": [{"epcClass": urn, "quantity": 500}],
        "ilmd": {"cbvmda:itemExpirationDate": "2027-08-31"},
    }
    wrong = {**shipped, "eventID": "urn:uuid:2", "errorDeclaration": {"reason": "incorrect_data"}}
    return {
        "@context": ["https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"],
        "type": "EPCISDocument",
        "schemaVersion": "2.0",
        "creationDate": "2026-02-27T15:11:00Z",
        "epcisBody": {"eventList": [made, shipped, wrong]},
        **more,
    }


@pytest.fixture
def inputs(farm: Farm) -> Farm:
    Item.objects.filter(pk=farm.seed_item.pk).update(gtin="09521234543213")
    Item.objects.create(name="Red frill seed", kind="seed", variety=farm.red)
    return farm


def test_what_was_shipped_is_read(farm: Farm) -> None:
    found = read(json.dumps(shipment()))
    assert [
        (s.ident.product, s.ident.lot, s.quantity, s.unit, s.best_before) for s in found.shipped
    ] == [
        ("09521234543213", "GL-0417", 250, "g", None),
        ("09521234543220", "RF/88", 12, "each", dt.date(2027, 8, 31)),
    ]
    assert found.passed_over == ["urn:uuid:2: its sender has declared it wrong."]


def spoilt(**more: Any) -> dict[str, Any]:
    """The shipment with its one event changed, and its first line alone: `line` changes that."""
    document = shipment()
    event = document["epcisBody"]["eventList"][1]
    event["quantityList"] = [event["quantityList"][0] | more.pop("line", {})]
    return {**document, "epcisBody": {"eventList": [event | more]}}


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"line": {"quantity": Decimal("1e5000")}}, "is more than 1000000000 KGM"),
        ({"line": {"quantity": Decimal("1e999999")}}, "is more than 1000000000 KGM"),
        ({"line": {"quantity": float("inf"), "uom": "GRM"}}, "is more than 1000000000000 GRM"),
        ({"line": {"uom": ["KGM"]}}, "is no unit"),
        ({"eventTime": "0001-01-01T00:00:00+02:00"}, "of the year 1;"),
        ({"eventTime": "9999-12-31T23:00:00-02:00"}, "of the year 9999;"),
    ],
)
def test_what_no_lot_is_and_no_year_is_passed_over(more: dict[str, Any], says: str) -> None:
    found = read_document(spoilt(**more))
    assert found.shipped == []
    (why,) = found.passed_over
    assert says in why


def test_one_lot_in_two_lines_is_one_receipt_of_both(inputs: Farm) -> None:
    document = spoilt()
    event = document["epcisBody"]["eventList"][0]
    event["quantityList"] *= 2
    document["epcisBody"]["eventList"] = [event, dict(event)]  # and the event stands there twice
    found = read(json.dumps(document))
    assert [(one.quantity, one.unit) for one in found.shipped] == [(500, "g")]
    assert "it stands in the document twice" in found.passed_over[0]
    # read with floats or with Decimals, an event without a name of its own is the same one
    del event["eventID"]
    event["ext:boxes"] = 77
    document["epcisBody"]["eventList"] = [event]
    as_text = json.dumps(document).replace("0.25", "0.250").replace(": 77", ": 77.0")
    (by_page,) = read(as_text).shipped
    (by_api,) = read_document(json.loads(as_text)).shipped
    assert by_page.key == by_api.key == read(json.dumps(document)).shipped[0].key
    event["quantityList"] *= 1001
    with pytest.raises(Refusal, match="ships 2002 lots; send 2000"):
        read_document(document)


def test_a_receipt_that_was_cancelled_can_be_taken_in_again(inputs: Farm) -> None:
    farm, found = inputs, read_document(spoilt())

    def take() -> tuple[int, int]:
        taken = take_in(
            found, farm.grower, supplier="Hollin Seeds", place="Cold store", on=farm.today,
            record=True,
        )  # fmt: skip
        assert taken.outcome.recorded
        return taken.outcome.told.total(), len(taken.already)

    for _ in range(2):
        assert [take(), take()] == [(1, 0), (0, 1)]
        farm.pass_time(hours=1)
        event = Event.objects.filter(kind="receive_input").latest("pk")
        farm.tell("cancel", event=event, reason="the wrong pallet")
    assert [take(), take()] == [(1, 0), (0, 1)]
    assert farm.stock(Lot.objects.latest("pk"), farm.store) == 250
    assert faults() == []


def test_twin_names_of_one_lot_are_read_alike() -> None:
    """GS1's own pairs of LGTIN and Digital Link, in tests/vectors/check-values.json."""
    kept = json.loads((HERE / "vectors" / "check-values.json").read_text())
    pairs = [one for one in kept["lgtin_to_digital_link"] if ":class:lgtin:" in one["urn"]]
    assert len(pairs) > 1
    for one in pairs:
        assert ident_of(one["urn"]) == ident_of(one["dl"])


@pytest.mark.parametrize(
    ("spoilt", "says"),
    [
        (b"<xml/>", "no JSON"),
        (b'{"type": "Invoice"}', "no EPCIS document"),
        (b'{"type": "EPCISDocument", "schemaVersion": "1.2"}', "version 1.2"),
        (b'{"type": "EPCISDocument", "schemaVersion": "2.0"}', "no list of events"),
        (b'{"type": "EPCISDocument", "schemaVersion": "2.0", "epcisBody": {"eventList": [7]}}',
         "Nothing in that document"),
        # RFC 8259, 8.2: JSON can spell half of a surrogate pair
        *[pytest.param(json.dumps(shipment()).replace(whole, r"\ud800").encode(),
                       "half a character", id=f"half for {whole}")
          for whole in ("GL-0417", "2027-08-31", "KGM")],
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_said(spoilt: bytes, says: str) -> None:
    with pytest.raises(Refusal, match=says):
        read(spoilt)


def test_a_shipment_is_tried_then_received_and_a_trace_reaches_its_lots(
    inputs: Farm, tmp_path: Path
) -> None:
    farm, file = inputs, tmp_path / "pallet.jsonld"
    file.write_text(json.dumps(shipment()))
    common = ["import_epcis", str(file), "--supplier", "Hollin Seeds", "--place", "Cold store"]
    common += ["--as", "tam"]
    out = io.StringIO()
    with pytest.raises(CommandError, match="Nothing was recorded"):
        call_command(*common, "--dry-run", stdout=out)
    assert "What is 09521234543220 here?" in out.getvalue()
    common += ["--product", "09521234543220=Red frill seed"]
    before = Movement.objects.count()
    call_command(*common, "--dry-run", stdout=io.StringIO())
    assert (Lot.objects.count(), Movement.objects.count()) == (0, before)
    call_command(*common, stdout=io.StringIO())
    seed, frill = Lot.objects.order_by("pk")
    assert [(lot.item, lot.unit) for lot in (seed, frill)] == [
        (farm.seed_item, "g"),
        (Item.objects.get(name="Red frill seed"), "each"),
    ]
    assert (farm.stock(seed, farm.store), farm.stock(frill, farm.store)) == (250, 12)
    assert frill.descriptions.get().best_before == dt.date(2027, 8, 31)
    # the same file again, on another day, changes nothing
    farm.pass_time(days=1)
    out = io.StringIO()
    call_command(*common, stdout=out)
    assert "GL-0417 was received before." in out.getvalue()
    assert Lot.objects.count() == 2
    # from the supplier's number to the bag, and back
    farm.tell("open_input", lot=seed, place=farm.bench)
    batch = farm.sow(30, seed=seed)
    farm.pass_time(days=30)
    farm.plant(batch, farm.t1, 10)
    run = farm.pack([farm.cut(1300, batch)], packs=10)
    down = trace.trace("GL-0417")
    assert run.pk in down.down
    assert seed.pk in trace.trace(run).up
    assert faults() == []


def test_a_neighbour_s_own_export_comes_in_as_bought_leaf(season: Farm) -> None:
    """Our own document of what we sent, read by another farm: here the same one, as itself."""
    Business.objects.update(public_address="https://hollow.example")
    loose = season.cut(800, crop=season.lettuce)
    season.tell("deliver", outlet=season.kitchen, lines=[Line(loose, 800, season.store)])
    found = read(json.dumps(epcis.document(lots={loose.pk})))
    (one,) = found.shipped
    assert (one.ident.product, one.ident.lot) == ("https://hollow.example/l", loose.code)
    assert (one.quantity, one.unit) == (800, "g")
    taken = take_in(
        found, season.grower, supplier="Hollin Seeds", place="Cold store", on=season.today,
        record=True, meant={one.ident.product: (LEAF, "Loose-leaf lettuce")},
    )  # fmt: skip
    assert taken.outcome.recorded
    lot = Lot.objects.get(kind="produce")
    assert season.stock(lot, season.store) == 800
    assert {lot.pk, loose.pk} == set(trace.trace(loose.code).roots)
    assert faults() == []


def test_the_page_asks_what_is_meant_and_records(inputs: Farm) -> None:
    farm = inputs
    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)
    told = {"supplier": "Hollin Seeds", "place": "Cold store", "on": "2026-03-02", "press": "try"}
    sent = io.BytesIO(json.dumps(shipment()).encode())
    page = client.post("/goods-in/file/", {**told, "file": sent}).content.decode()
    assert "What does the supplier mean?" in page
    kept = page.split('name="kept" value="')[1].split('"')[0]
    told |= {"kept": kept, "product-1": "09521234543220", "means-1": "input:Red frill seed"}
    page = client.post("/goods-in/file/", told).content.decode()
    assert "Nothing is wrong with it" in page
    assert Lot.objects.count() == 0
    answer = client.post("/goods-in/file/", told | {"press": "record"}, follow=True)
    assert "2 lots are received." in answer.content.decode()
    assert Lot.objects.count() == 2
    for wrong, says in (
        ({"kept": "%%"}, "once more"),
        ({"supplier": ""}, "who sent it"),
        ({"on": "soon"}, "soon"),
    ):
        assert says in client.post("/goods-in/file/", told | wrong).content.decode()


def test_by_api_it_is_tried_refused_and_received(inputs: Farm) -> None:
    from knox.models import AuthToken

    farm = inputs
    token = AuthToken.objects.create(user=farm.grower)[1]
    client = Client(headers={"Authorization": f"Token {token}"})
    told: dict[str, Any] = {
        "document": shipment(),
        "supplier": "Hollin Seeds",
        "place": "Cold store",
    }

    def post(**more: Any) -> tuple[int, dict[str, Any]]:
        answer = client.post(
            "/api/v1/epcis/received/", told | more, content_type="application/json"
        )
        return answer.status_code, answer.json()

    status, said = post()
    assert (status, said["code"]) == (422, "nothing_received")
    assert "Nothing here is called 09521234543220." in said["sentence"]
    assert list(said["facts"]["unknown"]) == ["09521234543220"]
    products = {"09521234543220": "Red frill seed"}
    assert post(products=products, dry_run=True)[1]["recorded"] is False
    status, said = post(products=products)
    assert (status, said["recorded"], [one["lot"] for one in said["lots"]]) == (
        *(200, True),
        ["GL-0417", "RF/88"],
    )
    assert all(one["received_before"] for one in post(products=products)[1]["lots"])
    given = client.get("/api/v1/epcis/", {"code": "GL-0417"}).json()
    assert list(reading_epcis.wrong(given)) == []
    assert Event.objects.filter(kind="receive_input").count() == 2
    assert Person.objects.count() == 2
    assert connection.vendor in ("sqlite", "postgresql")
