"""The picture of a trace: its bands are the trace's own numbers, each once, and its page draws it
under the site's policy without a word from the browser."""

from __future__ import annotations

from typing import Any

import pytest

from grow.looking import linked, rung
from grow.models import Lineage, Movement
from sales.chain_picture import APART, picture
from sales.trace import trace
from tests.farm import Farm
from tests.tracing import season


@pytest.mark.django_db
def test_its_bands_are_what_went_in_what_grew_and_where_it_is(farm: Farm) -> None:
    lots = season(farm)
    farm.to_shop(lots["run"], 25)
    drawn = picture(trace(lots["first"].code).as_json())
    run, cut, sowing = (f"{lots[n].title} {lots[n].code}" for n in ("run", "first", "batch"))
    shown = {(b.source, b.target): (b.how, b.grams) for b in drawn.bands}
    assert shown[sowing, cut] == ("grew", 3000)
    went_in = Lineage.objects.get(parent=lots["first"], child=lots["run"], kind="went_in").quantity
    assert shown[cut, run] == ("went in", went_in)
    assert shown[run, "Farm shop"] == ("", 25 * 120)
    assert shown[run, "Cold store"] == ("", 15 * 120)
    assert [(b.how, b.grams) for b in drawn.bands if b.source.startswith("Water (")] == [
        ("touched", None)
    ]
    assert "Became another lot" not in drawn.nodes
    # from left to right: what touched, what was sown, cut, packed, and where that is
    assert [drawn.nodes[n] for n in (sowing, cut, run, "Farm shop")] == [1, 2, 3, 4]
    figure = drawn.figure()
    link, names = figure["data"][0]["link"], figure["data"][0]["node"]["label"]
    assert len(link["value"]) == len(drawn.bands)
    ends = list(zip(link["source"], link["target"], strict=True))
    assert link["value"][ends.index((names.index(cut), names.index(run)))] == went_in
    assert max(link["value"]) == 3000


@pytest.mark.django_db
def test_many_alike_stand_as_one_and_add_up(farm: Farm) -> None:
    cuts = [farm.cut(200 + n) for n in range(APART + 1)]
    run = farm.pack(cuts, packs=12)
    drawn = picture(trace(run.code).as_json())
    (band,) = [b for b in drawn.bands if b.how == "went in"]
    assert band.source == f"{cuts[0].title} ({APART + 1})"
    moved = Movement.objects.filter(lot__in=cuts, to_place__kind="used", event=run.made_by)
    assert band.grams == sum(moved.values_list("quantity", flat=True))


def test_codes_in_a_sentence_lead_to_their_trace() -> None:
    said = linked("H26330-04-0 <b> and H26330-04-1, T00012 of lot 26330")
    assert said.count("<a ") == 1
    assert 'code=H26330-04-0">H26330-04-0</a> &lt;b&gt; and H26330-04-1, T00012' in said
    assert rung("+44 (0)1632 960 001") == "tel:+4401632960001"
    assert rung("ask Hester") == ""


def test_the_page_draws_it_and_says_nothing_on_the_console(
    transactional_db: None, page: Any, orm: Any
) -> None:
    def story() -> str:
        farm = Farm()
        farm.grower.set_password("pole-bean")
        farm.grower.is_staff = True
        farm.grower.save()
        return season(farm)["run"].code

    code = orm(story)
    page.goto(f"/trace/?code={code}")
    page.get_by_label("Username").fill("tam")
    page.get_by_label("Password").fill("pole-bean")
    page.get_by_role("button", name="Log in").click()
    page.locator(".drawn .sankey-node").first.wait_for()
    assert code in page.locator(".drawn").text_content()
    assert page.said == []
