"""What a question means, and how the command answers it."""

from __future__ import annotations

import datetime as dt
import json
import re

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from grow.errors import NotKnown, Refusal
from sales import pages_trace, readings, roots
from sales.operations import Line
from sales.trace import trace
from tests.farm import Farm
from tests.tracing import codes, season

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    return Farm()


# --- what a question means ---------------------------------------------------------------------


def test_a_code_is_found_however_it_is_typed(farm: Farm):
    cut = farm.cut(1000)
    for text in (cut.code, cut.code.lower(), cut.code.replace("-", ""), f"  {cut.code} ",
                 cut.code.replace("-", " ")):  # fmt: skip
        assert trace(text).roots == [cut.pk]
    wrong = cut.code[:-1] + ("A" if cut.code[-1] != "A" else "B")
    with pytest.raises(NotKnown, match=re.escape(cut.code)):
        trace(wrong)


def test_a_suppliers_number_may_mean_several_lots(farm: Farm):
    receipts = [
        farm.tell("receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store,
                  supplier_lot="AB 12-3").lot
        for _ in range(2)
    ]  # fmt: skip
    batch = farm.sow(10, seed=receipts[1])
    found = trace("ab123")
    assert found.roots == [lot.pk for lot in receipts]
    assert found.down == [batch.pk]
    assert all(lot.code in found.notes[0] for lot in receipts)


def test_a_crate_tag_used_and_unused(farm: Farm):
    tags = list(farm.tell("print_tags", count=2).tags.values_list("code", flat=True))
    cut = farm.tell(
        "harvest", crates=[farm_crate(800, tags[0])], store=farm.store, crop=farm.lettuce
    ).lot
    assert trace(tags[0].lower().replace("-", "")).roots == [cut.pk]
    with pytest.raises(NotKnown, match="printed and not used yet"):
        trace(tags[1])


def farm_crate(grams: int, tag: str):
    from grow.operations import Crate

    return Crate(grams, 0, tag)


def test_a_note_number_means_what_was_on_it(farm: Farm):
    one, two = (farm.pack([farm.cut(600)], packs=5) for _ in range(2))
    sent = farm.tell(
        "deliver",
        outlet=farm.kitchen,
        lines=[Line(one, 2, farm.store), Line(two, 3, farm.store)],
    )
    found = trace(sent.note.number.lower().replace("-", " "))
    assert found.roots == [one.pk, two.pk]
    assert "note" in found.asked


def test_a_product_and_a_date_by_use_by_packing_or_purchase(farm: Farm):
    run = farm.pack([farm.cut(1200)], packs=10)  # 2 March, use by the 9th
    other = farm.pack([farm.cut(1200)], packs=10)
    farm.pass_time(days=2)
    farm.to_shop(run, 10)
    farm.pass_time(days=2)
    farm.till(10, run)
    farm.pass_time(days=3)
    by = {day: {lot.pk for lot in roots.product_on("salad bag 120 g", day).lots}
          for day in (dt.date(2026, 3, d) for d in range(1, 10))}  # fmt: skip
    both, mine, none = {run.pk, other.pk}, {run.pk}, set()
    assert by == {
        dt.date(2026, 3, 1): none,
        dt.date(2026, 3, 2): both,  # packed
        dt.date(2026, 3, 3): none,
        dt.date(2026, 3, 4): mine,  # stood in the shop
        dt.date(2026, 3, 5): mine,
        dt.date(2026, 3, 6): mine,  # bought
        dt.date(2026, 3, 7): none,
        dt.date(2026, 3, 8): none,
        dt.date(2026, 3, 9): both,  # use by
    }
    with pytest.raises(NotKnown, match="Salad bag 120 g"):
        roots.product_on("salad bog 120", dt.date(2026, 3, 2))
    with pytest.raises(NotKnown, match="Nothing is recorded"):
        trace(roots.product_on("SALAD-120", dt.date(2026, 3, 1)))


def test_where_it_was_bought_leaves_out_what_stood_elsewhere_and_says_so(farm: Farm):
    """Two runs of 2 March, use by the 9th, lie in the shop's books and were never counted away; a
    run of the 10th went to the kitchen, one to the shop."""
    old = [farm.pack([farm.cut(700)], packs=5) for _ in range(2)]
    for run in old:
        farm.to_shop(run, 5)
    farm.pass_time(days=8)
    eaten, beside = (farm.pack([farm.cut(700)], packs=5) for _ in range(2))
    farm.pass_time(days=1)
    farm.arrive(farm.send(eaten, 5), eaten, accepted=5)
    farm.to_shop(beside, 5)
    day = dt.date(2026, 3, 11)

    def lots(found: roots.Roots) -> set[str]:
        return {lot.code for lot in found.lots}

    first, second = (run.code for run in old)
    uncounted = "was past its date by then, and nobody has said what became of it"
    anywhere = roots.product_on(farm.bag, day)
    assert lots(anywhere) == {first, second, eaten.code, beside.code}  # in doubt all of it
    assert anywhere.notes == [
        f"{eaten.code}, {beside.code} stood for sale that day.",
        f"{first}, {second} {uncounted}.",
    ]
    kitchen = roots.product_on(farm.bag, day, farm.kitchen_place)
    assert lots(kitchen) == {eaten.code}
    assert kitchen.notes == [
        f"{eaten.code} stood for sale that day.",
        f"{beside.code} stood for sale that day, but not at Kitchen, and is left out.",
        f"{first}, {second} {uncounted}; it was not at Kitchen and is left out.",
        "Ask without the outlet, and what is left out is in.",
    ]
    shop = roots.product_on(farm.bag, day, farm.shop_place)
    assert lots(shop) == {first, second, beside.code}
    # by its date it was packed or is best before: wherever that stood it stays in
    made = roots.product_on(farm.bag, dt.date(2026, 3, 10), farm.kitchen_place)
    assert lots(made) == {eaten.code, beside.code}
    # a date that is still to come can only be the one on the bag
    assert lots(roots.product_on(farm.bag, dt.date(2026, 3, 17))) == {eaten.code, beside.code}
    with pytest.raises(NotKnown, match="Nothing is recorded"):
        roots.find(roots.product_on(farm.bag, dt.date(2026, 3, 18)))
    # the books of an outlet where nothing fits are in doubt themselves
    corner = farm.other_shop().place
    doubt = roots.product_on(farm.bag, day, corner)
    assert lots(doubt) == lots(anywhere)
    assert doubt.notes[0].startswith(f"By the books nothing that fits was at {corner}")


def test_a_place_and_a_window(farm: Farm):
    """Glass over T1 from the 25th to the 26th day: the crate cut from T1 after it, not the one
    of T2, nor the one that had been cut before."""
    lots = season(farm)  # planted on day 20, cut on day 40
    planted = lots["batch"].made_by.placed_at
    day = dt.timedelta(days=1)

    def there(place, a: float, b: float) -> set[str]:
        found = roots.at_place(place, planted + a * day, planted + b * day)
        return {lot.code for lot in found.lots}

    first, second, run = (lots[n].code for n in ("first", "second", "run"))
    assert there("t1", 25, 26) == {first}
    assert there("T2", 25, 26) == {second}
    assert there(farm.bench, 1, 2) == {first, second}  # all of the sowing stood there
    assert there(farm.greenhouse, 25, 26) == {first, second}
    assert there(farm.tank, 25, 26) == {lots["water"].code}
    assert there(farm.line, 40, 41) == {run}
    assert there(farm.line, 41, 42) == set()
    assert there(farm.store, 40, 40.02) == {first, second}
    assert there(farm.store, 40.1, 40.2) == {run}  # the crates are empty since
    assert there(farm.store, 41, 42) == {run}
    note = roots.at_place(farm.t1, planted + 25 * day, planted + 26 * day).notes[0]
    assert lots["batch"].code in note
    found = trace(roots.at_place(farm.t1, planted + 25 * day, planted + 26 * day))
    assert codes(found, found.down) == {run}
    # before anything was cut the plants themselves are what stood there
    assert there(farm.t3, 25, 26) == set()
    with pytest.raises(NotKnown, match="Cold store"):
        roots.at_place("cold stroe", planted, planted)


def test_a_thing_since_its_last_good_check(farm: Farm):
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    farm.pass_time(hours=1)
    before = farm.cut(500, things=[farm.scale])
    farm.pass_time(hours=1)
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    farm.pass_time(hours=1)
    suspect = farm.cut(600, things=[farm.scale])
    unweighed = farm.cut(700)
    farm.pass_time(hours=1)
    failed = farm.tell("check", kind="weight", passed=False, done="away", things=[farm.scale])
    found = trace("scale b since its last good check")
    assert found.roots == [suspect.pk]
    assert {before.pk, unweighed.pk} & set(found.roots) == set()
    farm.pass_time(hours=1)
    farm.tell("check", kind="weight", passed=True, things=[farm.scale])
    then = roots.since_last_good_check(farm.scale, failed.placed_at)
    assert [lot.pk for lot in then.lots] == [suspect.pk]


def test_a_thing_since_a_day_is_since_the_good_check_before_it_and_until_now(farm: Farm):
    """Weighed on three days with a good check each evening, then one that failed and was good
    again: what was found good since changes nothing of what was asked."""

    def check(passed: bool, hours: float) -> None:
        farm.pass_time(hours=hours)
        done = {} if passed else {"done": "levelled"}
        farm.tell("check", kind="weight", passed=passed, things=[farm.scale], **done)

    cuts = []
    for _ in range(3):  # 2, 3 and 4 March, at 08:00
        cuts.append(farm.cut(500, things=[farm.scale]).pk)
        check(True, 10)
        farm.pass_time(hours=14)
    check(False, 0)
    check(True, 14)  # 5 March 22:00

    def since(text: str) -> list[int]:
        return [lot.pk for lot in roots.find(f"scale b since {text}").lots]

    assert since("4 Mar") == cuts[2:]
    assert since("Tuesday") == since("Tuesday's check") == cuts[1:]
    assert since("1 Mar") == cuts
    with pytest.raises(NotKnown, match="since its last good check on 05 Mar 2026 22:00"):
        roots.find("scale b since its last check")
    for text in ("scale b since nonsense", "cold store since the flood"):
        with pytest.raises(NotKnown, match="is not a day; write it as"):
            roots.find(text)


def test_a_date_without_its_year_is_the_nearest_that_has_lots(farm: Farm):
    run = farm.pack([farm.cut(1200)], packs=10)  # 2 March 2026, use by the 9th
    for text in ("use by 09 Mar", "best before 9/3", "9 March", "packed 2 Mar"):
        assert [lot.pk for lot in roots.find(f"salad bag 120 g {text}").lots] == [run.pk], text
    for text, year in (("use by 1 Mar", 2027), ("1 Mar", 2026), ("bought 9 Mar", 2025)):
        with pytest.raises(NotKnown, match=f"Mar {year}"):
            roots.find(f"salad bag 120 g {text}")
    farm.pass_time(days=320)  # it is January: last year's March is as far as this year's
    assert [lot.pk for lot in roots.find("salad bag 120 g use by 9 Mar").lots] == [run.pk]


@pytest.mark.parametrize("year", ["9999", "0001", "1899"])
def test_a_year_that_no_record_can_be_of_is_refused(farm: Farm, year: str):
    day = dt.date(int(year), 12, 31)
    sentence = f"No record is of the year {year}; name a year from 1900 to 2999."
    with pytest.raises(Refusal, match=sentence):
        roots.find(f"salad bag 31.12.{year}")
    with pytest.raises(Refusal, match=sentence):
        readings.asked(farm.grower, product="SALAD-120", date=day)


def test_several_suspects_at_once_each_by_whatever_is_known(farm: Farm):
    lots = season(farm)
    other = farm.cut(300)
    text = f"{lots['seed'].code.lower()}, hs4471b; {other.code}\n{lots['second'].code}"
    found = trace(text)
    assert found.roots == [lots["seed"].pk, other.pk, lots["second"].pk]
    assert lots["run"].pk in found.down
    with pytest.raises(NotKnown, match="NOBODY-1"):
        trace(f"{other.code}, NOBODY-1")


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("today", 7),
        ("yesterday", 6),
        ("Saturday", 7),  # it is one
        ("sun", 1),
        ("Mon", 2),
        ("Monday's check", 2),
        ("4 Mar", 4),
        ("4 March", 4),
        ("04/03", 4),
        ("04/03/2026", 4),
        ("4.3.2026", 4),
        ("2026-03-04", 4),
        ("monkey", None),
        ("31 Feb", None),
        ("salad", None),
        ("", None),
    ],
)
def test_a_day_as_people_say_it(farm: Farm, text: str, day: int | None):
    farm.pass_time(days=5)
    assert farm.today == dt.date(2026, 3, 7)
    assert roots.day_in(text) == (day and dt.date(2026, 3, day))
    assert roots.day_in("8 Mar") == dt.date(2025, 3, 8)  # of this year it is still to come
    assert roots.day_in("29 Feb") == dt.date(2024, 2, 29)


def test_a_question_in_words(farm: Farm):
    run = farm.pack([farm.cut(1200)], packs=10)
    farm.pass_time(days=2)
    farm.to_shop(run, 10)
    for text in ("salad bag 120 g 2 Mar", "SALAD-120, bought Wednesday", "salad bag today",
                 "salad bag 120 g use by 9/3/2026", "farm shop since Monday"):  # fmt: skip
        assert [lot.pk for lot in roots.find(text).lots] == [run.pk], text
    for many in ("salad bags bought Wednesday", "Salad bags 120 g, Wednesday"):
        assert [lot.pk for lot in roots.find(many).lots] == [run.pk], many
    with pytest.raises(NotKnown) as refused:
        roots.find("salat bags 120 g bought Wednesday")
    assert refused.value.facts["asks"] == [{"product": "SALAD-120", "date": "2026-03-04"}]
    with pytest.raises(NotKnown, match="No product is called tomato"):
        roots.find("tomato yesterday")
    with pytest.raises(NotKnown):
        roots.find("farm shop since the flood")


def test_an_incident_and_a_failed_check_make_suspect_what_was_there(farm: Farm):
    """Glass over two towers; a fridge that was warm between two good checks."""
    lots = season(farm)
    farm.pass_time(hours=1)
    glass = farm.tell("incident", kind="broken glass", places=[farm.t2, farm.t3])
    found = roots.of_event(glass)
    assert not any(lot.pk == lots["first"].pk for lot in found.lots)
    assert "T2 from" in found.says
    assert "T3 from" in found.says
    again = farm.cut(2000, lots["batch"], towers=[farm.t2])
    assert [lot.pk for lot in roots.of_event(glass).lots] == [again.pk]

    good = {"kind": "fridge", "place": farm.store, "passed": True}
    farm.pass_time(hours=1)
    farm.tell("check", **good)
    farm.tell("discard", lot=again, from_place=farm.store, to="compost", quantity=2000, reason="x")
    farm.pass_time(days=1)
    warm = farm.tell("check", **good | {"passed": False, "reading": "9.5", "done": "mended"})
    farm.pass_time(hours=1)
    farm.tell("check", **good)
    farm.pass_time(hours=1)
    later = farm.cut(200)
    stood = {lot.pk for lot in roots.of_event(warm).lots}
    assert lots["run"].pk in stood
    assert later.pk not in stood


def test_so_many_lots_are_held_by_one_press_as_an_address_can_name():
    """Servers commonly take a line of 4,094 characters (common practice, no source)."""

    def way(many: int) -> tuple[str, str]:
        lots = [{"code": f"P26029{n:03}-TOWERS-12", "held": ""} for n in range(many)]
        ((words, href),) = pages_trace._ways(lots, [], holds=True, prints=False, gives=None)
        assert len(href) < 4000
        return words, href

    assert way(1)[0] == "Hold it"
    assert way(100)[0] == "Hold these 100 lots"
    words, href = way(182)
    assert words == "Hold the first 100 of 182 lots"
    assert href.count("lots=") == 100


# --- the command -------------------------------------------------------------------------------


def test_the_command_answers_in_json(farm: Farm, capsys):
    lots = season(farm)
    farm.to_shop(lots["run"], 20)
    call_command("trace", lots["second"].code.lower(), "--json")
    answer = json.loads(capsys.readouterr().out)
    assert (answer["lot"], answer["kind"]) == (lots["second"].code, "harvest")
    assert {(a["code"], a["kind"], a["how"]) for a in answer["ancestors"]} == {
        (lots["seed"].code, "input", "touched"),
        (lots["water"].code, "water", "touched"),
        (lots["young"].code, "water", "touched"),
        (lots["batch"].code, "batch", "grew"),
    }
    assert [(d["code"], d["kind"], d["how"]) for d in answer["descendants"]] == [
        (lots["run"].code, "pack", "went in")
    ]
    rows = {(w["lot"], w["place"], w["quantity"], w["unit"], w["basis"])
            for w in answer["whereabouts"]}  # fmt: skip
    assert (lots["run"].code, "Farm shop", 20, "each", "counted") in rows
    assert (lots["second"].code, "Became another lot", 1920, "g", "shared_out") in rows
    balance = answer["balance"]
    assert (balance["made"], balance["unexplained"], balance["percent"]) == (2000, 0, 100.0)
    assert balance["percent_by_evidence"] == 0.0
    assert isinstance(answer["gaps"], list)
    assert answer["took_ms"] > 0


def test_the_command_speaks_plainly(farm: Farm, capsys):
    lots = season(farm)
    call_command("trace", lots["run"].code)
    out = capsys.readouterr().out
    for words in (
        f"{lots['run'].code}  Run  Salad bag 120 g",
        "No notice recorded here as of",
        "Who must be told",
        "Cold store: 40, counted",
        "made 40, unexplained 0; 100.0 % accounted for",
        f"went in: {lots['run'].code} 2880 g",
        "call the local authority",
    ):
        assert words in out, words
    call_command("trace", product="SALAD-120", date="2026-04-11")
    assert lots["run"].code in capsys.readouterr().out
    call_command("trace", place="T1", start="2026-04-01", end="2026-04-02")
    assert lots["first"].code in capsys.readouterr().out
    call_command("trace", thing="Scale B")
    assert lots["first"].code in capsys.readouterr().out


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"code": "H99999-01-1"}, "No lot is called H99999-01-1."),
        ({"place": "Moon", "start": "2026-03-01"}, "No place is called Moon."),
        ({"place": "T1"}, "Say since when, too"),
        ({"product": "SALAD-120"}, "Say which date, too"),
        ({"product": "SALAD-120", "date": "2 March"}, "2 March is no date"),
        ({"product": "SALAD-120", "date": "9999-12-31"}, "No record is of the year 9999"),
        ({"place": "T1", "start": "0001-01-01T00:00"}, "No record is of the year 0001"),
        ({}, "Name one thing to trace"),
    ],
)
def test_an_unknown_question_ends_in_one_sentence(farm: Farm, asked, sentence):
    with pytest.raises(CommandError) as error:
        call_command("trace", **asked)
    assert str(error.value).startswith(sentence)
    assert "\n" not in str(error.value)
    assert error.value.returncode != 0
