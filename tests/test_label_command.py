"""manage.py labels: what it draws is read back, and what it cannot draw is said in one sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from grow.labels import Stock
from sales import starter
from sales.labels import stock_of
from sales.models import LabelStock
from sales.printing import stock_called
from tests.farm import Farm
from tests.reading_labels import MM, codes_on, sizes_of, squares_on, words_on
from tests.reading_labels import picture_of as picture

pytestmark = pytest.mark.once  # what is drawn and reckoned hangs on no database


def printed(tmp_path: Path, *told: str) -> bytes:
    file = tmp_path / "labels.pdf"
    call_command("labels", *told, "--out", str(file))
    return file.read_bytes()


def test_the_stocks_of_the_list_have_the_sizes_that_they_are_called_by(db: None):
    for slug, size in {
        "roll-62x40": Stock(62, 40),
        "roll-100x50": Stock(100, 50),
        "a4-21": Stock(63.5, 38.1, 3, 7, 7.2, 15.1, 2.5),
        "a4-24": Stock(64, 34, 3, 8, 6.5, 12.5, 2.5),
    }.items():
        assert stock_of(stock_called(slug)) == size
    assert len(set(starter.stock_slugs())) == len(starter.label_stocks())
    assert stock_of(stock_called("80.5x50")) == stock_of(stock_called("roll-80.5x50"))
    assert stock_called("80x50").name == "Roll, 80 × 50 mm"
    # the farm's own row of that name, whose margins somebody has put right
    name = starter.stock_slugs()["a4-21"]
    LabelStock.objects.create(
        name=name, width_mm=63.5, height_mm=38.1, columns=3, rows=7, left_mm=8, top_mm=15
    )
    assert stock_called("A4-21").left_mm == 8
    assert stock_called(name).left_mm == 8


@pytest.mark.parametrize("dpi", [203, 300])
def test_a_runs_labels(farm: Farm, tmp_path: Path, capsys, dpi: int):
    run = farm.pack([farm.cut(3000)], packs=24)
    content = printed(
        tmp_path, run.code.lower(), "--stock", "roll-62x40", "--count", "3", "--dpi", str(dpi)
    )
    pages = sizes_of(content)
    assert len(pages) == 3
    assert pages[0] == pytest.approx((62 * MM, 40 * MM), abs=0.1 * MM)
    assert codes_on(content, 2, dpi) == [run.code]
    (square,) = squares_on(picture(content, 2, dpi))
    assert square.module == int(square.module)
    assert f"Lot {run.code}" in words_on(content)
    said = capsys.readouterr().out
    assert said.startswith(f"3 labels of {run.code} on “Roll, 62 × 40 mm”, for {dpi} dots")
    # as many as there are packs, unless it is said
    assert len(sizes_of(printed(tmp_path, run.code, "--stock", "roll-62x40"))) == 24


def test_a_sheet_that_was_begun(farm: Farm, tmp_path: Path):
    run = farm.pack([farm.cut(3000)], packs=24)
    content = printed(tmp_path, run.code, "--stock", "a4-24", "--count", "6", "--first", "20")
    assert [len(codes_on(content, n)) for n in (0, 1)] == [5, 1]
    with pytest.raises(CommandError, match="begin at one from 1 to 24"):
        printed(tmp_path, run.code, "--stock", "a4-24", "--first", "25")


def test_a_crates_label_has_its_lot_twice(farm: Farm, tmp_path: Path):
    crate = farm.cut(3000)
    content = printed(tmp_path, crate.code, "--stock", "roll-100x50")
    assert len(sizes_of(content)) == 1
    assert codes_on(content) == [crate.code, crate.code]
    words = " ".join(words_on(content).split())
    assert words.count(f"Cut {farm.today:%d %b %Y}") == 2
    assert words.count(str(farm.lettuce)) == 2


def test_a_held_lot_is_said_to_be(farm: Farm, tmp_path: Path, capsys):
    run = farm.pack([farm.cut(3000)], packs=24)
    printed(tmp_path, run.code, "--stock", "roll-62x40")
    assert capsys.readouterr().err == ""
    farm.hold(run)
    printed(tmp_path, run.code, "--stock", "roll-62x40")
    assert f"{run.code} is held: laboratory result." in capsys.readouterr().err


def test_what_cannot_be_printed_is_refused_in_a_sentence(farm: Farm, tmp_path: Path):
    run, other = farm.pack([farm.cut(3000)], packs=24), farm.pack([farm.cut(3000)], packs=24)
    crate, batch = farm.cut(1000), farm.sow()
    stock = ("--stock", "roll-62x40")
    for lot in (run, other, crate):
        printed(tmp_path, lot.code, *stock)
    for lot in (other, crate):
        farm.tell("cancel", event=lot.made_by, reason="entered twice")
    for told, says in (
        (("R99999-99-9", *stock), "No lot is called R99999-99-9"),
        ((batch.code, *stock), "is no packing run"),
        ((other.code, *stock), "was recorded in error; it has no packs"),
        ((crate.code, *stock), "was recorded in error; it has no crate"),
        ((run.code, "--stock", "a5-3"), "No label stock is called “a5-3”. There are roll-60x40, "),
        ((run.code, "--stock", "0x50"), "No label stock is called “0x50”"),
        ((run.code, *stock, "--count", "0"), "Print 1 to 20000 labels at once, not 0"),
        ((run.code, *stock, "--dpi", "600"), "203 or 300 dots to the inch, not of 600"),
        ((run.code, "--stock", "24x12"), "or take Roll, 50 × 30 mm."),
    ):
        with pytest.raises(CommandError, match=says.replace("(", r"\(")):
            printed(tmp_path, *told)
    with pytest.raises(CommandError, match="could not be written"):
        call_command("labels", run.code, *stock, "--out", str(tmp_path / "no" / "labels.pdf"))
