"""Import: a season from files, a dry run that names the mistakes, all of it or nothing."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from decimal import ROUND_HALF_UP, Decimal

import openpyxl
import pandas as pd
import pytest
from django.core.management import CommandError, call_command

from analytics.figures import figures
from analytics.period import Period
from grow import clock, edge
from grow.errors import Refusal
from grow.faults import faults
from grow.importing import playing, sheets, templates
from grow.importing.playing import Outcome, play
from grow.importing.tables import table, tables
from grow.models import Event, Lot, Movement, Person, Place
from grow.queries import the_lot
from sales.models import PackingRun, Price
from tests import season
from tests.crop_checks import each_stand_is_what_exported_rows_say, the_table_is_the_books
from tests.farm import Farm
from tests.week import rated

pytestmark = pytest.mark.django_db


@pytest.fixture
def boss(db: None) -> Person:
    return Person.objects.create_superuser("boss", password="x")


def told(person: Person, *, record: bool = False, **files: str) -> Outcome:
    """Play CSV texts: harvest="on,…" is the file harvest.csv."""
    read = [s for name, text in files.items() for s in sheets.read(f"{name}.csv", text.encode())]
    return play(read, person, record=record)


def says(outcome: Outcome) -> list[tuple[str, int, str]]:
    return [(bad.entry.file, bad.line, bad.sentence) for bad in outcome.bads]


# --- a whole season -------------------------------------------------------------------------


@pytest.mark.slow
def test_a_season_with_fifty_mistakes_is_put_right_and_plays_in(boss: Person) -> None:
    clock.play(season.AFTERWARDS)
    planted = season.plant()
    rows = sum(map(len, planted.files.values())) + sum(map(len, planted.lists.values()))
    assert rows >= 1500
    assert len(planted.files) + 1 == 6
    assert len(planted.at) == 50
    assert len(planted.kinds) >= 8

    # whatever fails where the planted rows are merely left out needs one of them; by the entry's
    # first line, since which of its lines is shown hangs on what is known to be wrong
    without = _play(boss, planted.without_lists, planted.without)
    need_them = {(bad.entry.file, bad.entry.line) for bad in without.bads}
    assert len(need_them) > 100
    tried = _play(boss, planted.lists, planted.files)
    assert not tried.faults
    assert {(bad.entry.file, bad.line) for bad in tried.mistakes} == planted.at
    assert {(bad.entry.file, bad.entry.line) for bad in tried.dependants} == need_them
    for bad in tried.dependants:
        assert set(bad.because) <= set(tried.mistakes)
    assert not Event.objects.exists()
    assert not Price.objects.exists()

    lists, files = season.season()
    kept = _play(boss, lists, files, record=True)
    assert kept.recorded
    assert not kept.already
    assert faults() == []
    told_by_the_files(season.write(lists, files))
    crops_at_their_sites()

    before = Event.objects.count(), Movement.objects.count()
    again = _play(boss, lists, files, record=True)
    assert again.recorded
    assert not again.told
    assert again.already == kept.told
    assert (Event.objects.count(), Movement.objects.count()) == before


def _play(person: Person, lists, files, record: bool = False) -> Outcome:
    data = season.write(lists, files)
    read = [sheet for name, content in data.items() for sheet in sheets.read(name, content)]
    return play(read, person, record=record)


def crops_at_their_sites() -> None:
    """By crop, variety, tower and tier, in the midst of the season."""
    rated()
    middle = Period(season.FIRST + dt.timedelta(days=40), season.FIRST + dt.timedelta(days=101))
    the_table_is_the_books(middle)
    each_stand_is_what_exported_rows_say(middle)


def told_by_the_files(files: dict[str, bytes]) -> None:
    """The figures against sums over the files by pandas, which know nothing of the books."""
    first, last = season.FIRST, dt.date(2025, 10, 31)
    found = figures(first, last)
    tables = {name: frame(name, content) for name, content in files.items() if "set" not in name}
    lists = pd.read_excel(io.BytesIO(files[season.SET_UP]), sheet_name=None)

    cut = tables[season.CUT]
    cut["net"] = cut.gross_g.map(season.grams) - cut.tare_g.astype(int)
    crates = cut.groupby("key").agg(
        net=("net", "sum"), grade_out=("grade_out_g", "first"), batch=("batches", "first")
    )
    crates["kept"] = crates.net - crates.grade_out.astype(int)
    waste, yields, margin = found.waste.total, found.yields, found.margin.total
    assert waste.cut_g == crates.net.sum()
    assert waste.grade_out_g == crates.grade_out.astype(int).sum()
    assert yields.total.cut_g == crates.kept.sum()
    by_crop = crates.kept.groupby(crates.batch.str[0].map(season.CROPS)).sum()
    assert {row.crop: row.cut_g for row in yields.crops} == by_crop.to_dict()

    nominal = lists["products"].dropna(subset="name").set_index("code").nominal_g.astype(str)
    grams = nominal.str.removesuffix(" g").str.removesuffix(".0")
    grams = pd.to_numeric(grams, errors="coerce")
    run = tables[season.PACKED]
    run["key"] = run.key.fillna(run.called)
    run["taken"] = run.used.fillna(run.lot.map(crates.kept))
    runs = run.groupby("key").agg(
        taken=("taken", "sum"), product=("product", "first"), packs=("packs", "first")
    )
    rest = runs.taken - runs.packs * runs["product"].map(grams)
    assert waste.trim_g == rest.clip(lower=0).sum()
    assert waste.water_and_scale_g == -rest.clip(upper=0).sum() > 0

    shop = tables[season.SOLD]
    shop["quantity"] = pd.to_numeric(shop.quantity)
    of = runs["product"].copy()

    def bags(entry: str) -> pd.Series:
        rows = shop[shop.entry == entry]
        which = rows["product"].fillna(rows.lot.map(of))
        return (rows.quantity * which.map(grams)).sum()

    put, sold, thrown = bags("put_on_shelf"), bags("sell"), bags("thrown away")
    counts = shop[(shop.entry == "count") & (shop.on == season.day(7 * (season.WEEKS + 8) - 1))]
    left = (counts.quantity * counts.lot.map(of).map(grams)).sum()
    received, used = shop[shop.entry == "receive"], shop[shop.entry == "use"]
    in_the_kitchen = received.accepted.astype(int).sum() - used.quantity.sum()
    assert waste.sold_g == sold
    assert waste.thrown_g == thrown
    assert waste.unexplained_g == put - sold - thrown - left > 0
    assert waste.short_g == received.short.astype(int).sum() > 0
    assert waste.used_g == used.quantity.sum()
    assert waste.stock_after_g == left + in_the_kitchen
    assert yields.total.sold_or_used_g == sold + used.quantity.sum()

    prices = lists["prices"]
    prices["since"] = pd.to_datetime(prices.since)
    sells = shop[shop.entry == "sell"].copy()
    sells["day"] = pd.to_datetime(sells.on)
    priced = pd.merge_asof(
        sells.sort_values("day"),
        prices[prices.outlet == "Garth shop"].sort_values("since"),
        left_on="day",
        right_on="since",
        by="product",
    )
    at_the_till = int((priced.quantity * priced.pence).sum())
    a_kilo = int(prices[prices.outlet == "Crag kitchen"].pence.iloc[0])
    kitchen = [half_up(Decimal(int(g)) * a_kilo / 1000) for g in received.accepted]
    assert margin.takings_p == at_the_till + sum(kitchen)
    assert margin.shop_share_p == half_up(Decimal(at_the_till) * 20 / 100)
    bag_costs = lists["products"].dropna(subset="name").set_index("code").packaging_pence
    spent = (runs.packs * runs["product"].map(bag_costs)).sum()
    assert margin.packaging_p == half_up(Decimal(str(spent)))

    plants = tables[season.PLANTS]
    one = {kind: rows.set_index("batch") for kind, rows in plants.groupby("entry")}
    zone = "Europe/London"

    def at(kind: str, hour: int) -> pd.Series:
        days = pd.to_datetime(one[kind].on) + pd.Timedelta(hours=hour)
        return days.dt.tz_localize(zone).dt.tz_convert("UTC")

    planted, cleared, lost = at("planted", 8), at("clear", 21), at("lose_plants", 7)
    number = one["planted"].plants.astype(int)
    gone = one["lose_plants"].plants.astype(int)
    seconds = number * (cleared - planted).dt.total_seconds()
    seconds -= gone * (cleared - lost).dt.total_seconds()
    assert yields.total.sites == number.sum()
    assert yields.total.surviving == number.sum() - gone.sum()
    assert yields.total.site_seconds == seconds.sum()


def half_up(exact: Decimal) -> int:
    return int(exact.quantize(Decimal(1), ROUND_HALF_UP))


def frame(name: str, content: bytes) -> pd.DataFrame:
    if name.endswith(".xlsx"):
        return pd.read_excel(io.BytesIO(content))
    return pd.read_csv(io.BytesIO(content), dtype=str)


# --- one row and another ---------------------------------------------------------------------

SOW = "on,called,variety,place,cells\n"
CUT = "on,called,crop,store,gross_g,tare_g\n"
PACK = "on,called,product,packs,store,lot,place,left\n"


def test_own_names_name_lots_in_later_files_and_in_a_trace(farm: Farm, boss: Person) -> None:
    """The files may come in any order, and their lines too."""
    outcome = told(
        boss,
        record=True,
        pack=f"{PACK}2026-03-02,Bags 1,SALAD-120,10,Cold store,crate 17,Cold store,0\n",
        harvest=f"{CUT}02/03/2026,Crate 17,Loose-leaf lettuce,Cold store,1.45 kg,200\n",
    )
    assert says(outcome) == []
    assert outcome.recorded
    cut, run = the_lot("crate-17"), the_lot("bags 1")
    assert PackingRun.objects.get(lot=run).grams_in == 1250
    farm.stands_at(
        """
        Cold store         | R | 10 each
        Compost            | H | 50 g
        Became another lot | H | 1200 g
        """,
        H=cut,
        R=run,
    )


def test_several_lines_of_one_key_are_one_entry(farm: Farm, boss: Person) -> None:
    head = "key,on,crop,store,gross_g,tare_g\n"
    good = "5,2026-03-02,Loose-leaf lettuce,Cold store,1000,200\n5,,,,3.2 kg,200\n"
    assert told(boss, record=True, harvest=head + good).recorded
    assert Movement.objects.get(to_place__name="Cold store").quantity == 3800
    two_stores = good.replace("5,,,,3.2", "5,,,Packing bench,3.3")
    assert says(told(boss, record=True, harvest=head + two_stores)) == [
        (
            "harvest.csv",
            2,
            "Lines 2 and 3 are one entry, but store is “Cold store” in one and “Packing bench” in "
            "the other.",
        )
    ]


WRONG = [
    ("harvest", {"crop": "Loose-leaf letuce"}),
    ("harvest", {"store": ""}),
    ("harvest", {"on": "31/02/2026"}),
    ("harvest", {"on": "2027-03-02"}),
    ("harvest", {"crates": [{"gross_g": "1,500"}]}),
    ("harvest", {"crates": [{"gross_g": "12l0"}]}),
    ("harvest", {"crates": [{"gross_g": "100", "tare_g": "900"}]}),
    ("harvest", {"grade_out_g": "5000"}),
    ("sow", {"cells": "0"}),
    ("sow", {"place": "Cold store"}),
    ("sow", {"variety": "Blue"}),
    ("discard", {"quantity": "9999"}),
    ("discard", {"to": "pigs"}),
    ("discard", {"lot": "H00000"}),
    ("put_on_shelf", {"lines": [{"lot": "", "quantity": "3", "from_place": "Cold store"}]}),
]


@pytest.mark.parametrize(("kind", "wrong"), WRONG)
def test_a_row_is_refused_in_the_words_of_the_one_door(
    farm: Farm, boss: Person, kind: str, wrong: dict
) -> None:
    """The same row with one thing changed is taken by both, then refused by both alike."""
    crate = farm.cut(900)
    right = {
        "harvest": {
            "on": "2026-03-02",
            "crop": "Loose-leaf lettuce",
            "store": "Cold store",
            "crates": [{"gross_g": "1500", "tare_g": "200"}],
        },
        "sow": {
            "on": "2026-03-02",
            "variety": "Green loose-leaf",
            "place": "Bench 1",
            "cells": "40",
        },
        "discard": {
            "on": "2026-03-02",
            "lot": crate.code,
            "from_place": "Cold store",
            "to": "compost",
            "quantity": "100",
            "reason": "wilted",
        },
        "put_on_shelf": {
            "on": "2026-03-02",
            "outlet": "Farm shop",
            "lines": [{"lot": crate.code, "quantity": "3", "from_place": "Cold store"}],
        },
    }[kind]
    assert told(boss, **{kind: _csv(right)}).good
    data = right | wrong
    with pytest.raises(Refusal) as refused:
        edge.tell(boss, kind, data, client_id="by the door", listed=True)
    (bad,) = told(boss, **{kind: _csv(data)}).bads
    assert (bad.sentence, bad.refusal.code, bad.line) == (
        refused.value.sentence,
        refused.value.code,
        2,
    )


def _csv(data: dict) -> str:
    flat = {}
    for name, value in data.items():
        flat |= value[0] if isinstance(value, list) else {name: value}
    text = io.StringIO()
    csv.writer(text).writerows([flat.keys(), flat.values()])
    return text.getvalue()


def test_what_needs_a_bad_row_is_named_beside_it(farm: Farm, boss: Person) -> None:
    outcome = told(
        boss,
        sow=f"{SOW}2026-02-02,S1,Green loose-leaf,Bench 1,forty\n",
        transplant="on,batch,from_place,towers,plants\n2026-02-23,S1,Bench 1,T1,30\n",
        harvest="on,batches,towers,store,gross_g\n2026-03-01,,T1,Cold store,900\n",
    )
    assert [(bad.entry.file, bad.says_because) for bad in outcome.bads] == [
        ("sow.csv", ""),
        ("transplant.csv", "because of line 2 of sow.csv"),
        ("harvest.csv", "because of line 2 of sow.csv"),
    ]


def test_what_is_wrong_by_itself_is_a_mistake_whatever_else_failed(
    farm: Farm, boss: Person
) -> None:
    """The run of a crate that was not booked has a slip of its own; and nobody is excused for
    400 bags by a row of 3 that failed."""
    sown = f"{SOW}2026-02-02,S1,Green loose-leaf,Bench 1,forty\n"
    cut = "on,called,batches,store,gross_g\n2026-02-27,C1,S1,Cold store,900\n"
    pack = f"{PACK}2026-02-28,P1,SALAD-120,many,Cold store,C1,Cold store,0\n"
    outcome = told(boss, sow=sown, harvest=cut, pack=pack)
    assert [bad.entry.file for bad in outcome.mistakes] == ["sow.csv", "pack.csv"]

    run = farm.pack([farm.cut(1250)], packs=10)
    head = "entry,on,outlet,lot,quantity,from_place,to,reason\n"
    shelf = f"put_on_shelf,2026-03-02,Fram shop,{run.code},3,Cold store,,\n"
    throw = "discard,2026-03-02,,{},{},Farm shop,compost,old\n"
    few = told(boss, shop=head + shelf + throw.format(run.code, 3))
    many = told(boss, shop=head + shelf + throw.format(run.code, 400))
    assert [bool(bad.because) for bad in few.bads] == [False, True]
    assert [bool(bad.because) for bad in many.bads] == [False, False]


def test_a_clear_that_failed_leaves_no_room(farm: Farm, boss: Person) -> None:
    sown = SOW + "".join(f"2026-01-05,{s},Green loose-leaf,Bench 1,50\n" for s in ("S1", "S2"))
    plants = (
        "entry,on,batch,from_place,towers,plants,left\n"
        "planted,2026-01-26,S1,Bench 1,T1,{first},\n"
        "cleared,2026-02-20,S1,,,,{left}\n"
        "planted,2026-02-23,S2,Bench 1,T1,40,\n"
    )
    assert told(boss, sow=sown, plants=plants.format(first=50, left="full")).good
    outcome = told(boss, sow=sown, plants=plants.format(first=50, left="half"))
    assert [(bad.line, bool(bad.because)) for bad in outcome.bads] == [(3, False), (4, True)]
    # more than the tower has is no fault of the clearing
    outcome = told(
        boss, sow=sown, plants=plants.format(first=50, left="half").replace("T1,40", "T1,51")
    )
    assert [(bad.line, bool(bad.because)) for bad in outcome.bads] == [(3, False), (4, False)]


def test_what_came_before_it_counts_even_if_it_is_played_after_it(farm: Farm, boss: Person) -> None:
    """The shelf's bags are of one line: those that never came, for a run whose day cannot be read,
    are what the till sold instead of these."""
    cuts = "".join(f"2026-02-0{n},C{n},Loose-leaf lettuce,Cold store,1250,0\n" for n in (1, 2))
    packs = (
        "2026-02-{day},P1,SALAD-120,10,Cold store,C1,Cold store,0\n"
        "2026-02-02,P2,SALAD-120,10,Cold store,C2,Cold store,0\n"
    )
    shop = (
        "entry,on,outlet,lot,product,quantity,from_place,to,reason\n"
        "put_on_shelf,2026-02-03,Farm shop,P1,,10,Cold store,,\n"
        "put_on_shelf,2026-02-03,Farm shop,P2,,10,Cold store,,\n"
        "sell,2026-02-04,Farm shop,,SALAD-120,10,,,\n"
        "discard,2026-02-05,,P2,,9,Farm shop,compost,old\n"
    )
    files = {"harvest": CUT + cuts, "shop": shop}
    assert says(told(boss, pack=PACK + packs.format(day="01"), **files)) == []
    outcome = told(boss, pack=PACK + packs.format(day="31"), **files)
    assert [(bad.entry.file, bad.line, bool(bad.because)) for bad in outcome.bads] == [
        ("pack.csv", 2, False),
        ("shop.csv", 2, True),
        ("shop.csv", 5, True),
    ]


def test_the_line_of_its_own_slip_is_named(farm: Farm, boss: Person) -> None:
    """Two crates of one run: the first was never booked, the second is not even spelt."""
    cut = f"{CUT}2026-02-02,C1,Loose-leaf lettuce,Cold store,many,0\n"
    pack = "key," + PACK + "1,2026-02-02,P1,SALAD-120,10,Cold store,C1,Cold store,0\n1,,,,,,C9,,0\n"
    outcome = told(boss, harvest=cut, pack=pack)
    assert [(bad.entry.file, bad.line) for bad in outcome.mistakes] == [
        ("harvest.csv", 2),
        ("pack.csv", 3),
    ]


def test_a_row_may_be_told_as_a_fact(farm: Farm, boss: Person) -> None:
    run = farm.pack([farm.cut(1250)], packs=10)
    head = "on,outlet,lot,quantity,from_place,already_done\n"
    row = f"2026-03-02,Farm shop,{run.code},12,Cold store,"
    (bad,) = told(boss, put_on_shelf=head + row).bads
    assert bad.refusal.code == "short"
    assert told(boss, record=True, put_on_shelf=f"{head}{row}yes").recorded
    assert farm.stock(run, farm.shop_place) == 12
    assert faults() == []


def test_one_name_for_two_lots_is_refused(farm: Farm, boss: Person) -> None:
    row = "2026-03-0{},C1,Loose-leaf lettuce,Cold store,{},0\n"
    assert told(boss, record=True, harvest=CUT + row.format(1, 900)).recorded
    (bad,) = told(boss, harvest=CUT + row.format(2, 950)).bads
    assert bad.sentence == (
        f"“C1” is what {Lot.objects.get(kind='harvest').code} is called already; give this one a "
        "name of its own."
    )


def test_a_row_without_a_day_is_asked_for_it(farm: Farm, boss: Person) -> None:
    (bad,) = told(boss, sow=f"{SOW},S1,Green loose-leaf,Bench 1,40\n").bads
    assert bad.sentence == "Say on, the day that it happened, or at, its moment."


# --- once, and all of it ------------------------------------------------------------------------


def test_the_same_rows_again_change_nothing_whoever_sends_them(farm: Farm, boss: Person) -> None:
    """Two rows that are alike are two cuts; a file that has grown brings only its new rows."""
    row = "2026-03-02,,Loose-leaf lettuce,Cold store,900,0\n"
    first = told(boss, record=True, harvest=CUT + row + row)
    assert (first.told.total(), Lot.objects.count()) == (2, 2)
    other = Person.objects.create_superuser("other", password="x")
    mixed = f"entry,{CUT}" + f"harvest,{row}"
    for person in (boss, other):
        # under another name; the column that says what it is belongs to the file, not to the row
        again = told(person, record=True, renamed=mixed)
        assert (again.recorded, again.already.total()) == (True, 1)
    grown = told(other, record=True, harvest=CUT + row + row + row.replace("900", "901"))
    assert (grown.told.total(), grown.already.total()) == (1, 2)


def test_a_crash_in_the_middle_leaves_nothing(
    farm: Farm, boss: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = "".join(f"2026-03-02,C{n},Loose-leaf lettuce,Cold store,{900 + n},0\n" for n in range(9))
    lists = "name,kind\nOld bench,bench\n"
    tell = edge.tell
    seen: list[str] = []

    def sometimes(*args, **more):
        seen.append(args[1])
        if len(seen) == 7:
            assert Lot.objects.count() > 2
            raise RuntimeError("the power failed")
        return tell(*args, **more)

    monkeypatch.setattr(edge, "tell", sometimes)
    with pytest.raises(RuntimeError, match="the power failed") as crash:
        told(boss, record=True, places=lists, harvest=CUT + rows)
    assert "harvest.csv, line" in "".join(crash.value.__notes__)
    assert not Event.objects.exists()
    assert not Place.objects.filter(name="Old bench").exists()


def test_one_bad_row_and_nothing_is_recorded(farm: Farm, boss: Person) -> None:
    rows = "2026-03-02,C1,Loose-leaf lettuce,Cold store,{},0\n"
    bad = CUT + rows.format(900) + "2026-03-02,C2,Loose-leaf lettuce,Cold store,0,0\n"
    assert not told(boss, record=True, harvest=bad).recorded
    assert not Event.objects.exists()
    assert told(boss, record=True, harvest=CUT + rows.format(900)).recorded


def test_who_may_not_set_up_or_tell_may_not_import_it(farm: Farm, boss: Person) -> None:
    lists = "name,kind\nOld bench,bench\n"
    assert told(boss, places=lists).good
    (bad,) = told(farm.packer, places=lists).bads
    assert bad.sentence == "Ines may not add places."


# --- set-up lists ---------------------------------------------------------------------------------


def test_an_import_adds_and_never_changes(farm: Farm, boss: Person) -> None:
    lists = "name,kind\nBench 1,{}\nBench 9,bench\n"
    people = "username,badge\nnell,12\n"
    assert told(boss, record=True, people=people).told["people"] == 1
    assert not Person.objects.get(username="nell").has_usable_password()
    outcome = told(boss, record=True, places=lists.format("Bench"), people=people)
    assert (outcome.told["places"], outcome.already["places"]) == (1, 1)
    assert outcome.already["people"] == 1
    (bad,) = told(boss, places=lists.format("tent")).bads
    assert bad.sentence == (
        "Bench 1 is there already, with kind bench; an import adds and never changes, so put it "
        "right on its own page."
    )


def test_towers_in_bulk_and_plants_on_their_named_sites(farm: Farm, boss: Person) -> None:
    outcome = told(
        boss,
        record=True,
        towers="name,how_many,tiers,sites_on_a_tier,within\nRow A,3,4,5,Greenhouse\n",
        sow=f"{SOW}2026-02-02,S1,Green loose-leaf,Bench 1,40\n",
        transplant="on,batch,from_place,sites\n2026-02-23,S1,Bench 1,Row A 2 4/5; Row A 2 1/1\n",
    )
    assert says(outcome) == []
    assert Place.objects.get(name="Row A 3").sites.count() == 20
    assert farm.stock(the_lot("S1"), Place.objects.get(name="Row A 2")) == 2


# --- files ----------------------------------------------------------------------------------------


def test_every_table_goes_out_as_a_template_and_comes_back(db: None) -> None:
    """Each column of each kind is there once, and both forms are read as the table they are."""
    every = tables()
    assert {"places", "towers", "harvest", "pack", "sell"} <= {t.name for t in every}
    book = sheets.read("all.xlsx", templates.as_workbook(every))
    by_name = {sheet.name: sheet for sheet in book}
    for one in every:
        names = one.names
        assert len(names) == len(set(names)), one.name
        (sheet,) = sheets.read(f"{one.name}.csv", templates.as_csv(one).encode())
        assert sheet.columns == by_name[one.name].columns == templates.columns_of(one)
        assert table(sheet.name) == one
    assert by_name[templates.HELP].rows


def test_a_workbook_is_read_as_its_csv_is(farm: Farm, boss: Person) -> None:
    """Days, numbers, yes and no as a spreadsheet keeps them; the same rows have the same ids."""
    text = (
        "key,on,outlet,lot,quantity,from_place,already_done\n"
        "1,2026-03-02,Farm shop,17,3,Cold store,yes\n"
    )
    book = openpyxl.Workbook()
    book.active.title = "put_on_shelf"
    book.active.append(text.splitlines()[0].split(","))
    book.active.append([1.0, dt.date(2026, 3, 2), "Farm shop", 17, 3.0, "Cold store", True])
    data = io.BytesIO()
    book.save(data)
    (from_book,) = sheets.read("shop.xlsx", data.getvalue())
    (from_text,) = sheets.read("put_on_shelf.csv", text.encode())
    assert [row.cells for row in from_book.rows] == [row.cells for row in from_text.rows]
    assert (from_book.rows[0].line, from_book.file) == (2, "shop.xlsx, sheet put_on_shelf")
    run = farm.pack([farm.cut(1250)], packs=10)
    edge.tell(boss, "describe", {"lot": run.code, "called": "17"}, client_id="n")
    assert play([from_book], boss, record=True).told.total() == 1
    assert play([from_text], boss, record=True).already.total() == 1


@pytest.mark.parametrize(
    "text",
    [
        "on;called;variety;place;cells\r\n2026-02-02;S1;Green loose-leaf;Bench 1;40\r\n",
        "\ufeffOn\tCalled\tVariety\tPlace\tCells\n2 Feb 2026\tS1\tGreen loose-leaf\tBench 1\t40",
        '\n\non,called,variety,place,cells\n\n2026-02-02,S1,"Green loose-leaf","Bench\n 1",40\n',
    ],
)
def test_csv_as_other_programs_write_it(farm: Farm, boss: Person, text: str) -> None:
    assert says(told(boss, sow=text)) == []
    (sheet,) = sheets.read("sow.csv", text.removeprefix("\ufeff").encode("utf-16"))
    assert sheet.columns == ["on", "called", "variety", "place", "cells"]


def test_what_spreadsheets_would_work_out_is_written_as_text_and_read_back() -> None:
    """The four signs and two blanks that begin a formula: OWASP, CSV Injection."""
    cells = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "plain", "'quoted", 7, -7]
    text = sheets.csv_text(["a"], [[cell] for cell in cells])
    raw = [row[0] for row in csv.reader(io.StringIO(text))][1:]
    assert not any(cell[0] in "=+@\t" for cell in raw)
    assert raw[2] == "'-1"
    assert raw[-1] == "-7"
    (sheet,) = sheets.read("a.csv", text.encode())
    assert [row.cells["a"] for row in sheet.rows][:5] == ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1"]
    book = openpyxl.load_workbook(io.BytesIO(sheets.workbook([("a", ["a"], [["=1+1"]])])))
    assert (book["a"]["A2"].data_type, book["a"]["A2"].value) == ("s", "=1+1")


def test_a_formula_is_its_saved_value_or_a_refusal() -> None:
    book = openpyxl.Workbook()
    book.active.title = "sow"
    book.active.append(["cells", "variety"])
    book.active.append(["=20+20", "=HYPERLINK(1)"])
    data = io.BytesIO()
    book.save(data)
    with pytest.raises(sheets.Unreadable, match="A2 holds a formula that was never worked out"):
        sheets.read("sow.xlsx", data.getvalue())
    saved = io.BytesIO()  # as a spreadsheet saves it, with the value beside the formula
    with zipfile.ZipFile(data) as old, zipfile.ZipFile(saved, "w") as new:
        for part in old.namelist():
            text = old.read(part)
            for value in (b"40", b"7"):
                text = text.replace(b"<v></v>", b"<v>%s</v>" % value, 1)
                text = text.replace(b"<v />", b"<v>%s</v>" % value, 1)
            new.writestr(part, text)
    (sheet,) = sheets.read("sow.xlsx", saved.getvalue())
    assert sheet.rows[0].cells == {"cells": "40", "variety": "7"}


def test_files_beyond_the_limits_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    head = "on,cells\n"
    monkeypatch.setattr(sheets, "MOST_ROWS", 3)
    assert len(sheets.read("sow.csv", (head + "2026-01-01,1\n" * 3).encode())[0].rows) == 3
    refused = [
        ("sow.csv", (head + "2026-01-01,1\n" * 4).encode(), "more than 3 lines"),
        ("sow.csv", b"on,on\n", "stands there twice"),
        ("sow.csv", b"a" * (sheets.MOST_BYTES + 1), "larger than 20 MB"),
        ("sow.csv", (",".join(f"c{n}" for n in range(300)) + "\n").encode(), "300 columns"),
        ("sow.xlsx", b"PK\x03\x04 and nothing more", "cannot be read as a workbook"),
        ("sow.xls", b"\xd0\xcf\x11\xe0....", "old workbook"),
        ("sow.csv", b"on,cells\n\x81\x8d\x00", "no text"),
        ("sow.csv", (head + "2026-01-01,1\0\n").encode(), "no text"),
        ("sow.csv", (head + "2026-01-01,1\n").encode("utf-16-le"), "no text"),
    ]
    for name, data, sentence in refused:
        with pytest.raises(sheets.Unreadable, match=sentence):
            sheets.read(name, data)


def test_a_workbook_that_unpacks_to_gigabytes_is_refused_unopened() -> None:
    small = io.BytesIO()
    packed = zipfile.ZipFile(small, "w", zipfile.ZIP_DEFLATED)
    with packed, packed.open("xl/sharedStrings.xml", "w") as part:
        for _ in range(sheets.MOST_UNPACKED // 2**20 + 1):
            part.write(b"\0" * 2**20)
    assert len(small.getvalue()) < 2**20
    with pytest.raises(sheets.Unreadable, match="unpacks to more"):
        sheets.read("sow.xlsx", small.getvalue())


def test_columns_and_tables_that_nobody_knows(farm: Farm, boss: Person) -> None:
    row = "2026-02-02,S1,Green loose-leaf,Bench 1,40,x\n"
    outcome = told(boss, sow=SOW.replace("\n", ",# mine\n") + row)
    assert outcome.good
    outcome = told(boss, sow=SOW.replace("\n", ",colour\n") + row, things2="a\n1\n")
    assert [(f.file, f.line) for f in outcome.faults] == [("sow.csv", 1), ("things2.csv", 1)]
    assert "“colour” is no column of sow" in outcome.faults[0].sentence
    assert not outcome.bads
    assert not told(boss, record=True, sow=SOW.replace("\n", ",colour\n") + row).recorded


# --- the command ------------------------------------------------------------------------------


def test_by_command(farm: Farm, boss: Person, tmp_path, capsys) -> None:
    good, bad = tmp_path / "harvest.csv", tmp_path / "harvest bad.csv"
    good.write_text(f"{CUT}2026-03-02,C1,Loose-leaf lettuce,Cold store,900,0\n")
    bad.write_text(f"{CUT}2026-03-02,C2,Loose-leaf lettuce,Cold stove,900,0\n")
    with pytest.raises(CommandError, match="1 mistakes, and 0 rows"):
        call_command("import_records", str(good), str(bad), username="boss")
    said = capsys.readouterr().out
    assert "harvest bad.csv, line 2: No place is called “Cold stove”." in said
    assert not Event.objects.exists()
    call_command("import_records", str(good), dry_run=True, username="boss")
    assert "nothing is recorded" in capsys.readouterr().out
    assert not Event.objects.exists()
    call_command("import_records", str(good), username="boss")
    assert Event.objects.get(kind="harvest").recorded_by == boss
    for wrong in ({"username": "nobody"}, {"username": None}):
        with pytest.raises(CommandError):
            call_command("import_records", str(good), **wrong)
    with pytest.raises(CommandError):
        call_command("import_records", str(tmp_path / "none.csv"), username="boss")


def test_who_waits_too_long_for_the_books_is_told_so(
    farm: Farm, boss: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    from contextlib import contextmanager

    from grow.errors import Busy

    @contextmanager
    def taken(how: str):
        assert how == "alone"
        raise Busy
        yield

    monkeypatch.setattr(playing.gate, "through", taken)
    with pytest.raises(Busy, match="an import may be running"):
        told(boss, sow=f"{SOW}2026-02-02,S1,Green loose-leaf,Bench 1,40\n")
