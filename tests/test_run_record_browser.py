"""The weights and the record of a run in a real browser: a scale that types, and one A4 page."""

from __future__ import annotations

from contextlib import closing
from decimal import Decimal

import pypdfium2
import pytest

from grow.models import Business, Thing
from sales.models import PackWeight, Product
from tests.farm import decided
from tests.hands import DESK, PHONE, People, Thumb

#: ISO 216, in points of 1/72 inch.
A4 = (595.28, 841.89)


def weighed_run(people: People) -> str:
    """A run of 30 bags from two crates, labelled, all weighed on a checked scale."""
    farm = people.farm
    Business.objects.update_or_create(
        id=1, defaults={"name": "Hollow Field", "address": "Hollow Lane, Nether", "country": "UK"}
    )
    Thing.objects.filter(pk=farm.scale.pk).update(division_g=Decimal("0.1"), for_trade=True)
    Product.objects.update(tare_g=Decimal("6.5"), storage="Keep below 5 °C")
    decided(farm.bag)
    farm.tell("check", kind="scale", passed=True, reading="1000.0 g", things=[farm.scale])
    farm.tell("look_over", line=farm.line)
    crates = [farm.cut(2300, people.batch), farm.cut(1600, people.batch)]
    run = farm.pack(crates, packs=30, scale=farm.scale, trim_g=90)
    farm.tell("print_labels", run=run, count=33)
    farm.tell("spoil_labels", run=run, count=3)
    net = [Decimal(1205 + n * 7 % 31) / 10 for n in range(30)]
    farm.tell("weigh_packs", run=run, weights=net, scale=farm.scale)
    farm.pass_time(minutes=10)
    farm.tell("check", kind="scale", passed=True, reading="999.9 g", things=[farm.scale])
    return run.code


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_record_of_an_ordinary_run_is_one_a4_page_black_on_white(
    people, page, live_server, orm, scheme
):
    code = orm(lambda: weighed_run(people))
    Thumb(page, people, "packer", live_server.url, DESK)
    page.emulate_media(color_scheme=scheme)
    page.goto(f"/runs/{code}/record/")
    paper = page.pdf(prefer_css_page_size=True, print_background=True)
    with closing(pypdfium2.PdfDocument(paper)) as printed:
        assert len(printed) == 1
        assert printed[0].get_size() == pytest.approx(A4, abs=1)
        text = " ".join(printed[0].get_textpage().get_text_range().split())
        shades = printed[0].render(scale=1).to_pil().convert("L").histogram()
    for said in (code, "All 30 bags weighed", "999.9 g", "Hollow Lane", "local rules come first"):
        assert said in text
    assert "Weigh some" not in text
    assert sum(shades[240:]) > 0.85 * sum(shades)
    assert min(n for n, many in enumerate(shades) if many) < 30
    assert page.said == []


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_scale_that_types_needs_no_hand_but_the_press(people, page, live_server, orm, size):
    thumb = Thumb(page, people, "packer", live_server.url, size)
    page.goto(f"/runs/{people.run.code}/weights/")
    thumb.tap(page.get_by_label("Weights, in grams"))
    for line in ("121.4 g", "ST,GS,+  119.5g", "0.1226 kg"):
        page.keyboard.type(line)
        page.keyboard.press("Enter")
    thumb.tap(page.get_by_role("button", name="Record the weights"))
    page.get_by_role("heading", name="Some weighed, as a check").wait_for()
    assert thumb.taps == 2
    net = orm(lambda: list(PackWeight.objects.values_list("net_g", flat=True)))
    assert net == [Decimal(n) for n in ("121.4", "119.5", "122.6")]
    chart = page.get_by_role("img", name="Control chart of single weights")
    assert "3 weights in the order of weighing" in chart.locator("desc").text_content()
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    # a slip: everything typed stands, and the sentence is in view
    page.get_by_label("Weights, in grams").fill("121.4\n1,500\n")
    page.get_by_role("button", name="Record the weights").click()
    alert = page.get_by_role("alert")
    assert "Weight 2: 1,500: 1.5 kg or 1500 g?" in alert.inner_text()
    assert alert.evaluate("one => one === document.activeElement")
    assert page.get_by_label("Weights, in grams").input_value() == "121.4\n1,500\n"
    assert thumb.elsewhere == []
    assert [said for said in page.said if "422" not in said] == []
