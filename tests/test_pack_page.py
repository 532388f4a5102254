"""The packing bench: crates in, bags out, one press, labels. Without a script first; then a
scanner alone, and a thumb alone, in a real browser."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow import clock, pins
from grow.faults import faults
from grow.models import Event, Lot, Person
from sales.models import LabelStock, PackingRun, Product
from sales.pages_pack import READY, RECORD
from tests.farm import Farm, decided
from tests.hands import DESK, PHONE, People, Thumb, violations
from tests.reading_labels import codes_on

MOST_TAPS = 12


@pytest.fixture
def packer(farm: Farm) -> Client:
    farm.packer.is_staff = True
    farm.packer.save()
    farm.packer.groups.add(Group.objects.get(name="packer"))
    client = Client()
    client.force_login(farm.packer)
    return client


def key(farm: Farm, crate: Lot) -> str:
    return f"{crate.pk}-{farm.store.name}"


def typed(farm: Farm, *crates: Lot, **more: Any) -> dict[str, Any]:
    """The form with these crates ticked, as a browser sends it."""
    sent: dict[str, Any] = {
        "product": "SALAD-120",
        "take": [key(farm, crate) for crate in crates],
        "packs": "12",
        "store": "Cold store",
        "line": "Packing bench",
        "client_id": "one",
        "press": RECORD,
    }
    return sent | more


def says(answer: Any) -> str:
    """What the page's refusal says, or nothing."""
    found = re.search(r'id="refusal">\s*<p>(.*?)</p>', answer.content.decode(), re.DOTALL)
    text = re.sub(r"<[^>]*>", "", found[1]) if found else ""
    return text.replace("&#x27;", "'").strip()


def runs() -> int:
    return PackingRun.objects.count()


# --- what hangs on the product, the tank, the hour ------------------------------------------------


def test_leaf_is_washed_as_its_card_says_in_the_tank_of_the_last_wash(
    farm: Farm, packer: Client
) -> None:
    """So a run is touched by its wash water, and held with it."""
    page = packer.get("/pack/?product=SALAD-120").content.decode()
    assert 'name="washed" value="yes">' in page
    assert ">Wash tank</option>" in page
    decided(farm.bag, state="ready")
    farm.tell("fill", tank=farm.wash_tank, litres=60)
    farm.tell("fill", tank=farm.bench_tank, litres=60)
    first = {"washed": "yes", "tank": "Wash tank", "client_id": "w-1"}
    packer.post("/pack/", typed(farm, farm.cut(1500), **first))
    page = packer.get("/pack/?product=SALAD-120").content.decode()
    assert 'name="washed" value="yes" checked' in page
    assert "<option selected>Wash tank</option>" in page
    water = Lot.objects.get(kind="water", made_by__place=farm.wash_tank)
    run = PackingRun.objects.get()
    assert run.lot.above.filter(parent=water, kind="touched").exists()
    farm.hold(water)
    packer.post("/pack/", typed(farm, farm.cut(1500), **(first | {"client_id": "w-2"})))
    assert runs() == 1  # its water is held
    answer = packer.post("/pack/", typed(farm, farm.cut(1500), client_id="w-3"))
    assert "was not washed" in says(answer)


def test_another_product_brings_its_own_target(farm: Farm, packer: Client) -> None:
    Product.objects.filter(pk=farm.bag.pk).update(target_g="122.5")
    Product.objects.create(code="HERBS-30", name="Herbs 30 g", nominal_g=30, form="bunch")
    sent = typed(farm, farm.cut(1500), press="", scan="HERBS-30", target="122.5", weighed="121")
    page = packer.post("/pack/", sent).content.decode()
    assert "122.5" not in page
    assert ">121<" not in page
    assert "Bunches closed" in page


@pytest.mark.parametrize("target", ["10000000", "0", "-5", "1,500"])
def test_a_scale_is_set_to_what_such_packs_weigh(farm: Farm, packer: Client, target: str) -> None:
    crate = farm.cut(1500)
    answer = packer.post("/pack/", typed(farm, crate, target=target))
    assert answer.status_code == 422
    assert says(answer).startswith("Not recorded yet.")
    assert target in answer.content.decode()
    assert packer.get("/pack/").status_code == 200
    assert packer.post("/pack/", typed(farm, crate, target="122,5")).status_code == 302
    assert str(PackingRun.objects.get().target_g) == "122.5"


def test_no_number_is_too_long_and_no_sign_too_strange(farm: Farm, packer: Client) -> None:
    crate = farm.cut(1500)
    for more in ({"packs": "9" * 5000}, {"press": "", "scan": "A\aB"}, {"weighed": "9" * 40}):
        assert packer.post("/pack/", typed(farm, crate, **more)).status_code == 422
    assert packer.get("/pack/", {"product": "A\aB"}).status_code == 422
    assert runs() == 0


def test_a_first_scan_that_is_no_product_says_so(farm: Farm, packer: Client) -> None:
    answer = packer.get("/pack/", {"product": "XYZ-9"})
    assert answer.status_code == 422
    assert "No product that is packed has the code “XYZ-9”." in answer.content.decode()
    # a British scanner at a computer set to German: the hyphen is a ß
    answer = packer.get("/pack/", {"product": "SALADß120"})
    page = answer.content.decode()
    assert "set the scanner to German" in page
    assert "From these crates" in page
    answer = packer.post("/pack/", typed(farm, farm.cut(900), press="", scan="LINEßREADZ"))
    assert "Read as LINE-READY" in says(answer)
    assert not Event.objects.filter(kind="look_over").exists()


def test_what_is_not_in_store_says_where_it_is(farm: Farm, packer: Client) -> None:
    crate = farm.cut(900)
    farm.tell("move", lot=crate, from_place=farm.store, to_place=farm.quarantine, quantity=900)
    answer = packer.post("/pack/", typed(farm, farm.cut(900), press="", scan=crate.code))
    assert says(answer).endswith(
        f"{crate.code} stands in Quarantine, and only what is in store is packed."
    )


def test_leaf_past_the_products_days_is_greyed_with_its_date(farm: Farm, packer: Client) -> None:
    old = farm.cut(900)
    farm.pass_time(days=10)
    page = packer.get("/pack/?product=SALAD-120").content.decode()
    box = page[page.index(f'value="{key(farm, old)}"') :][:1200]
    assert "disabled" in box[:120]
    assert "Past its date, 11 Mar 2026" in box


def test_the_hour_is_the_farms_own(farm: Farm, packer: Client) -> None:
    farm.pass_time(days=120)  # 30 June: British summer time
    farm.tell("look_over", line=farm.line)
    farm.tell("clean", place=farm.line)
    page = packer.get("/pack/?product=SALAD-120").content.decode()
    assert "looked over at 09:00" in page
    farm.pass_time(days=1)
    page = packer.get("/pack/?product=SALAD-120").content.decode()
    assert "Last clean 30 Jun 09:00." in page


# --- what lies there -----------------------------------------------------------------------------


def test_crates_come_first_expired_first_and_what_may_not_be_packed_last(
    farm: Farm, packer: Client
) -> None:
    old = farm.cut(1000)
    farm.pass_time(days=1)
    young, held, hot = farm.cut(2000), farm.cut(500), farm.cut(400, crop=farm.mustard)
    farm.tell("describe", lot=young, best_before=farm.today + dt.timedelta(days=2))
    farm.hold(held)
    page = packer.get("/pack/?product=SALAD-120").content.decode()
    order = [page.index(lot.code) for lot in (young, old, hot)]
    assert order == sorted(order)
    for lot, why in ((held, "Held: laboratory result"), (hot, "Mustard is not on the label")):
        box = page[page.index(f'value="{key(farm, lot)}"') :][:1200]
        assert "disabled" in box[:120]
        assert why in box


def test_one_press_records_the_run_and_leads_to_its_labels(farm: Farm, packer: Client) -> None:
    crate = farm.cut(1500)
    answer = packer.post("/pack/", typed(farm, crate))
    run = PackingRun.objects.get()
    assert (answer.status_code, answer["Location"]) == (302, f"/labels/?lot={run.lot.code}")
    assert (run.packs, run.grams_in, run.trim_g) == (12, 1500, 60)
    farm.stands_at("Cold store | run | 12 each", run=run.lot)


def test_trim_is_in_grams(farm: Farm, packer: Client) -> None:
    page = packer.post("/pack/", typed(farm, farm.cut(1500), press="", trim="20"))
    assert 'data-sum="rest">40 g<' in page.content.decode()


def test_a_double_press_makes_one_run(farm: Farm, packer: Client) -> None:
    crate = farm.cut(3000)
    sent = typed(farm, crate, **{f"left-is-{key(farm, crate)}": "some"})
    sent[f"left-{key(farm, crate)}"] = "1.5"
    first, second = packer.post("/pack/", sent), packer.post("/pack/", sent)
    assert first["Location"] == second["Location"]
    assert runs() == 1
    assert farm.stock(crate, farm.store) == 1500


def test_sums_are_shown_with_how_each_is_known(farm: Farm, packer: Client) -> None:
    crate = farm.cut(1500)
    page = packer.post("/pack/", typed(farm, crate, press="", weighed="121\n123")).content.decode()
    cells = re.findall(r'data-sum="(\w+)">([^<]*)<', page)
    assert dict(cells) == {
        "in": "1500 g",
        "nominal": "1440 g",
        "giveaway": "24 g",
        "called": "Trim, water and scale",
        "rest": "36 g",
    }
    assert "by the weights" in page
    assert runs() == 0


# --- slips ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"packs": "0"}, "Say which crates were taken and how many packs were closed."),
        ({"packs": "twelve"}, "packs: “twelve” is not a whole number."),
        ({"packs": "10000000000"}, "more than can be"),
        ({"weighed": "0"}, "0"),
        ({"weighed": "abc"}, "abc"),
        ({"weighed": "1,500"}, "1,500"),
        ({"weighed": "10000000"}, "10000000"),
        ({"trim": "1,500"}, "1,500: 1.5 kg or 1500 g?"),
        ({"left": "1,500"}, "1,500"),
        ({"left": ""}, "Weigh what is left, or say that the crate is empty."),
        ({"left": "9"}, "with 9000 left over"),
    ],
)
def test_a_slip_gets_one_sentence_and_loses_nothing(
    farm: Farm, packer: Client, wrong: dict[str, str], sentence: str
) -> None:
    crate = farm.cut(1500)
    good = typed(farm, crate, weighed="121\n122", trim="20")
    assert packer.post("/pack/", good | {"client_id": "right"}).status_code == 302
    packer.post("/do/undo/", {"event": PackingRun.objects.get().lot.made_by_id, "client_id": "u"})
    sent = dict(good)
    if "left" in wrong:
        sent |= {f"left-is-{key(farm, crate)}": "some", f"left-{key(farm, crate)}": wrong["left"]}
    sent |= {name: text for name, text in wrong.items() if name != "left"}
    answer = packer.post("/pack/", sent)
    assert answer.status_code == 422
    assert sentence in says(answer)
    page = answer.content.decode()
    assert re.search(rf'value="{key(farm, crate)}" checked', page)
    for name in ("packs", "trim"):
        assert re.search(rf'name="{name}" value="{re.escape(sent[name])}"', page)
    assert sent["weighed"] in page
    assert runs() == 1


def test_a_fact_is_written_after_all(farm: Farm, packer: Client) -> None:
    """Forty bags out of a kilogram: asked back, weighed again, and then it stands."""
    crate = farm.cut(1000)
    answer = packer.post("/pack/", typed(farm, crate, packs="40"))
    assert "3800 g too much" in says(answer)
    assert "Weighed a second time: record it" in answer.content.decode()
    sent = typed(farm, crate, packs="40", press=f"{RECORD} weighed_again")
    assert packer.post("/pack/", sent).status_code == 302
    assert faults() == []


def test_what_has_already_happened_is_recorded_all_the_same(farm: Farm, packer: Client) -> None:
    farm.bag.recipe.create(crop=farm.mustard)
    crate = farm.cut(1500)
    answer = packer.post("/pack/", typed(farm, crate))
    assert "By the recipe of Salad bag 120 g this run has" in says(answer)
    assert f'value="{RECORD} already_done"' in answer.content.decode()
    told = packer.post("/pack/", typed(farm, crate, press=f"{RECORD} already_done"))
    assert told.status_code == 302
    assert PackingRun.objects.get().lot.made_by.already_done


# --- a scan --------------------------------------------------------------------------------------


def scan(packer: Client, farm: Farm, text: str, *crates: Lot, **more: Any) -> Any:
    return packer.post("/pack/", typed(farm, *crates, press="", scan=text, **more))


def test_a_scan_takes_a_crate_sets_the_packs_and_changes_the_product(
    farm: Farm, packer: Client
) -> None:
    crate = farm.cut(1500)
    page = scan(packer, farm, crate.code.lower()).content.decode()
    assert f"Loose-leaf lettuce, {crate.code}, is taken." in page
    assert f'value="{key(farm, crate)}" checked' in page
    page = scan(packer, farm, "+5", crate, packs="7").content.decode()
    assert 'name="packs" value="12"' in page
    page = scan(packer, farm, "9", crate).content.decode()
    assert 'name="packs" value="9"' in page
    for label in (f"https://farm.example/l/{crate.code}", f"HTTPS://FARM.EXAMPLE/L/{crate.code}"):
        assert "is taken" in scan(packer, farm, label).content.decode()
    # a scanner set to a German keyboard where the computer's is American
    garbled = f"https>&&farm.example&l&{crate.code.replace('-', '/')}"
    assert "is taken" in scan(packer, farm, garbled).content.decode()
    assert runs() == 0


def test_a_scan_that_cannot_be_taken_says_why_and_keeps_the_rest(
    farm: Farm, packer: Client
) -> None:
    crate, held, gone = farm.cut(1500), farm.cut(500), farm.cut(300)
    stale = farm.cut(200)
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.hold(held, reason="glass broke")
    farm.tell("discard", lot=gone, from_place=farm.store, to="compost", quantity=300, reason="old")
    farm.tell("describe", lot=stale, best_before=farm.today)
    farm.pass_time(days=1)
    clock.play(farm.now)
    for text, sentence in (
        (crate.code, f"{crate.code} is taken already; once is enough."),
        (held.code, f"{held.code} cannot be packed. Held: glass broke."),
        (stale.code, f"{stale.code} cannot be packed. Past its date, 02 Mar 2026."),
        (gone.code, f"{gone.code} holds nothing in store. Weigh it in first."),
        (run.code, f"{run.code} is packed already; opened bags are reworked."),
        ("H99999-99-9", "No lot is called “H99999-99-9”."),
    ):
        answer = scan(packer, farm, text, crate)
        assert answer.status_code == 422, text
        assert sentence in says(answer)
        assert f'value="{key(farm, crate)}" checked' in answer.content.decode()


# --- the line ------------------------------------------------------------------------------------


def test_before_the_first_run_the_line_is_looked_over_in_one_press(
    farm: Farm, packer: Client
) -> None:
    crate = farm.cut(1500)
    page = packer.get("/pack/").content.decode()
    assert "Is Packing bench ready?" in page
    assert "No clean is on record." in page
    farm.tell("clean", place=farm.line)
    page = packer.post("/pack/", typed(farm, crate, press=READY, ready_id="r")).content.decode()
    assert "Packing bench looked over at 08:00" in page
    assert f'value="{key(farm, crate)}" checked' in page
    assert Event.objects.filter(kind="look_over", place=farm.line).count() == 1


def test_an_allergen_since_the_last_clean_is_a_red_warning(farm: Farm, packer: Client) -> None:
    farm.bag.allergens = "mustard"
    farm.bag.save()
    farm.pack([farm.cut(1500, crop=farm.mustard)], packs=12)
    farm.bag.allergens = ""
    farm.bag.save()
    page = packer.get("/pack/").content.decode()
    assert "Salad bag 120 g with mustard was packed here on 02 Mar at 08:00, and no clean" in page
    farm.pass_time(minutes=10)
    farm.tell("clean", place=farm.line)
    assert "with mustard was packed here" not in packer.get("/pack/").content.decode()


def test_the_days_runs_can_be_reprinted_undone_and_are_listed(farm: Farm, packer: Client) -> None:
    packer.post("/pack/", typed(farm, farm.cut(1500)))
    run = PackingRun.objects.get().lot
    page = packer.get("/pack/").content.decode()
    assert f"/labels/?lot={run.code}" in page
    assert "no labels yet" in page
    packer.post("/do/undo/", {"event": run.made_by_id, "client_id": f"undo-{run.made_by_id}"})
    assert "taken back" in packer.get("/pack/").content.decode()


def test_who_does_not_pack_has_no_such_page(farm: Farm, packer: Client) -> None:
    farm.packer.groups.set([Group.objects.get(name="shop")])
    assert packer.get("/pack/").status_code == 403


def test_on_a_shared_tablet_a_late_run_waits_and_its_labels_let_the_packer_go(farm: Farm) -> None:
    LabelStock.objects.create(name="Roll", width_mm=62, height_mm=40)
    ines = farm.packer
    ines.groups.add(Group.objects.get(name="packer"))
    ines.badge, ines.pin = "PK-7Q3", pins.hashed("4829")
    ines.save()
    tablet = Client()
    tablet.force_login(Person.objects.create_superuser("boss", password="a long one"))
    tablet.post("/shared-device/", {"name": "Packing bench"})
    tablet.post("/who/", {"badge": "PK-7Q3"})
    crate = farm.cut(1500)
    farm.pass_time(minutes=6)
    sent = typed(farm, crate, trim="20", washed="yes")
    assert tablet.post("/pack/", sent)["Location"] == "/who/"
    assert runs() == 0
    assert tablet.post("/who/", {"badge": "PK-7Q3"})["Location"] == "/pack/"
    page = tablet.get("/pack/").content.decode()
    for typed_ in ('name="packs" value="12"', 'name="trim" value="20"', 'value="yes" checked'):
        assert typed_ in page
    assert re.search(rf'value="{key(farm, crate)}" checked', page)
    labels = tablet.post("/pack/", sent | {"client_id": "late"})["Location"]
    assert labels.startswith("/labels/")
    told = {"count": "12", "stock": str(LabelStock.objects.get().pk), "client_id": "print"}
    assert tablet.post(labels, told)["Content-Type"] == "application/pdf"
    assert tablet.get("/pack/")["Location"].startswith("/who/")  # whoever is next
    entries = Event.objects.filter(kind__in=["pack", "print_labels"])
    assert {(e.recorded_by, e.device) for e in entries} == {(ines, "Packing bench")}


def test_the_sheet_of_codes_holds_all_that_a_scanner_may_say(farm: Farm, packer: Client) -> None:
    sheet = packer.get("/pack/codes/").content
    assert {"SALAD-120", "+1", "+5", "+10", READY, RECORD} <= set(codes_on(sheet))


# --- in a real browser ---------------------------------------------------------------------------


@pytest.fixture
def people(people: People) -> People:
    LabelStock.objects.create(name="Roll", width_mm=62, height_mm=40)
    return people


def test_a_scanner_alone_packs_a_run(people, page, live_server, orm) -> None:
    thumb = Thumb(page, people, "packer", live_server.url, DESK).start()
    said: list[str] = []

    def scanned(text: str) -> None:
        """A scanner types fast, and presses Enter; nobody touches the page."""
        said.append(text)
        page.keyboard.type(text)
        with page.expect_navigation():
            page.keyboard.press("Enter")

    page.goto("/pack/?product=SALAD-120")
    for text in (READY, people.crate.code, "+10", "+10", "4", "24"):
        scanned(text)
    assert page.locator("#id_packs").input_value() == "24"
    assert violations(page) == []
    page.locator("#id_scan").focus()
    scanned(RECORD)
    page.wait_for_url("**/labels/**")
    assert len(said) <= MOST_TAPS
    run = orm(lambda: PackingRun.objects.latest("lot_id"))
    assert (run.packs, run.grams_in) == (24, 3000)
    assert thumb.elsewhere == []
    assert page.said == []


def test_a_thumb_alone_packs_a_run(people, page, live_server, orm) -> None:
    thumb = Thumb(page, people, "packer", live_server.url, PHONE).start()
    thumb.tap(page.locator("#content").get_by_role("link", name="Pack", exact=True))
    thumb.tap(page.get_by_role("button", name="It is ready"))
    thumb.tap(page.locator(".crate-take", has_text=people.crate.code))
    crate = page.locator(".crate", has_text=people.crate.code)
    thumb.taps += 1
    crate.get_by_label("Some left").check()
    thumb.type(page.get_by_label(f"What is left of {people.crate.code}, in kg"), "1.8")
    for _ in range(2):
        thumb.tap(page.get_by_role("button", name="One more"))
    thumb.type(page.get_by_label("Bags closed"), "9")
    thumb.tap(page.get_by_role("button", name="One more"))
    rest = page.locator('[data-sum="rest"]')
    assert rest.inner_text() == "0 g"
    thumb.tap(page.get_by_role("button", name="Record and print labels"))
    page.wait_for_url("**/labels/**")
    assert thumb.taps <= MOST_TAPS
    run = orm(lambda: PackingRun.objects.latest("lot_id"))
    assert (run.packs, run.grams_in) == (10, 1200)
    assert page.said == []
