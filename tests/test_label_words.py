"""What a pack's label says, by what somebody has decided its product is in law.

Particulars, their order and emphasis: Regulation (EU) 1169/2011, Articles 9, 13, 18, 21 and 22 and
Annexes II and X; food packed where it is sold: the guidance of the UK's Food Standards Agency on
allergen labelling (1 October 2021).
"""

import datetime as dt
import re
from fractions import Fraction

import pytest
from django.test import Client

from grow import labels
from grow.errors import Refusal
from grow.faults import faults
from grow.models import Business, Crop, Flag, Hold, Lot, Variety
from sales import contents
from sales.label_words import Words, decision, figures_mm, ingredients, words_of
from sales.labels import run_label, stock_of
from sales.models import DecisionCard, LabelStock, PackingRun, Product
from sales.operations import Taken
from sales.printing import label_counts, stock_called
from tests.farm import Farm, decided
from tests.reading_labels import codes_on, words_on

C = DecisionCard


@pytest.fixture
def known(farm: Farm) -> Business:
    """The business has said who and where it is."""
    return Business.objects.create(
        name="Ashwithy", address="Mill Lane, Ashwithy AW1 9ZZ", country="United Kingdom"
    )


def said(run: Lot) -> Words:
    return words_of(PackingRun.objects.select_related("lot__made_by", "product").get(lot=run))


def plain(words: Words) -> list[str]:
    return words.text.split("\n")


def mixed(farm: Farm, **more) -> Lot:
    """A run of 1,000 g lettuce and 500 g mustard leaf."""
    farm.bag.allergens = "mustard"
    farm.bag.storage = "Keep below 5 °C"
    farm.bag.save()
    leaf = farm.cut(1000)
    hot = farm.cut(500, crop=farm.mustard)
    return farm.pack([leaf, hot], packs=12, **more)


def test_with_nothing_decided_the_label_is_the_plain_one(farm: Farm, known: Business) -> None:
    run = mixed(farm)
    assert plain(said(run)) == [
        "Salad bag 120 g  120 g",
        "Contains: MUSTARD",
        "Use by 09 Mar 2026",
        f"Lot {run.code}",
    ]


def test_a_prepacked_mix_names_its_leaf_by_weight_and_who_packed_it(
    farm: Farm, known: Business
) -> None:
    decided(farm.bag)
    farm.bag.named = farm.mustard
    run = mixed(farm)
    assert plain(said(run)) == [
        "Salad bag 120 g  120 g",
        "Ingredients: loose-leaf lettuce, red MUSTARD (33 %).",
        "Use by 09 Mar 2026",
        f"Lot {run.code}",
        "Keep below 5 °C",
        "Wash before use",
        "Origin: United Kingdom",
        "Ashwithy, Mill Lane, Ashwithy AW1 9ZZ",
    ]


def test_what_the_law_asks_for_and_nobody_has_filled_in_is_named(farm: Farm) -> None:
    decided(farm.bag)
    run = farm.pack([farm.cut(1500)], packs=12)
    lacks = said(run).lacks
    assert lacks == [
        "the business’s postal address",
        "how to keep it, which stands with a use-by date",
        "the country where you grow",
    ]
    with pytest.raises(Refusal, match="lacks the business’s postal address, how to keep it") as no:
        farm.tell("print_labels", run=run, count=12)
    assert no.value.code == "label_lacks"
    told = farm.tell("print_labels", run=run, count=12, already_done=True)
    assert [f.kind for f in told.flags.all()] == [Flag.Kind.AGAINST_RULE]


def test_filled_in_afterwards_the_same_run_is_printed(farm: Farm) -> None:
    decided(farm.bag)
    run = farm.pack([farm.cut(1500)], packs=12)
    Business.objects.create(name="Ashwithy", address="Mill Lane", country="United Kingdom")
    farm.bag.storage = "Keep cool"
    farm.bag.save()
    farm.tell("print_labels", run=run, count=12)
    assert said(run).lacks == []


def test_a_first_printing_taken_back_was_none(farm: Farm, known: Business) -> None:
    """Nothing bears those words, so the next printing is the first, and says what is so then."""
    decided(farm.bag)
    run = mixed(farm)
    first = farm.tell("print_labels", run=run, count=12)
    farm.bag.storage = "Keep below 8 °C"
    farm.bag.save()
    assert said(run).storage == "Keep below 5 °C"
    again = farm.tell("print_labels", run=run, count=1)
    farm.tell("undo", event=first)
    assert said(run).storage == "Keep below 5 °C"  # one label says so
    farm.tell("undo", event=again)
    assert said(run).storage == "Keep below 8 °C"
    assert PackingRun.objects.get(lot=run).label_text == ""
    farm.tell("print_labels", run=run, count=12)
    farm.bag.storage = "Anywhere"
    farm.bag.save()
    assert said(run).storage == "Keep below 8 °C"


def test_what_was_printed_is_what_every_later_label_says(farm: Farm, known: Business) -> None:
    decided(farm.bag)
    run = mixed(farm)
    farm.tell("print_labels", run=run, count=12)
    was = said(run).text
    assert PackingRun.objects.get(lot=run).label_text == was
    farm.bag.name, farm.bag.storage = "Garden bag", "Anywhere"
    farm.bag.save()
    farm.mustard.name = "Giant mustard"
    farm.mustard.save()
    Business.objects.update(address="Elsewhere")
    decided(farm.bag, since=dt.date(2026, 3, 1), date_kind=C.DateKind.BEST_BEFORE)
    assert said(run).text == was
    other = farm.pack([farm.cut(1500)], packs=12)
    assert plain(said(other))[0] == "Garden bag  120 g"


@pytest.mark.parametrize(
    ("sold_as", "state", "listed"),
    [
        (C.SoldAs.PREPACKED, C.State.UNWASHED, False),  # uncut, of one leaf that its name says
        (C.SoldAs.PREPACKED, C.State.READY, True),  # cut, peeled or similarly treated
        (C.SoldAs.DIRECT, C.State.UNWASHED, True),  # packed where it is sold: always
    ],
)
def test_one_leaf_is_listed_where_it_must_be(
    farm: Farm, known: Business, sold_as, state, listed
) -> None:
    decided(farm.bag, sold_as=sold_as, state=state)
    washed = state == C.State.READY
    run = farm.pack([farm.cut(1500)], packs=12, washed=washed)
    assert bool(said(run).ingredients) == listed
    assert said(run).wash == ("Washed and ready to eat" if washed else "Wash before use")


def test_cards_of_several_outlets_ask_the_strictest_of_each(farm: Farm) -> None:
    decided(farm.bag, sold_as=C.SoldAs.DIRECT, date_kind=C.DateKind.BEST_BEFORE)
    decided(farm.bag, outlet=farm.kitchen, sold_as=C.SoldAs.LOOSE, system=C.System.MINIMUM)
    later = dt.date(2026, 6, 1)
    decided(farm.bag, outlet=farm.kitchen, since=later, date_kind=C.DateKind.NONE)
    now, then = decision(farm.bag, farm.today), decision(farm.bag, later)
    assert now
    assert (now.sold_as, now.system, now.date_kind) == ("direct", "minimum", "use_by")
    assert then
    assert (then.sold_as, then.system, then.date_kind) == (
        *("prepacked", "average", "best_before"),
    )
    assert decision(farm.bag, dt.date(2025, 12, 31)) is None


def test_an_allergen_is_emphasised_in_its_word_or_behind_it() -> None:
    celery = Crop(pk=1, name="Leaf celery", allergen="celery")
    shoots = Crop(pk=2, name="Edamame shoots", allergen="soybeans")
    mizuna = Crop(pk=3, name="Mizuna")
    leaf = {mizuna: Fraction(50), celery: Fraction(30), shoots: Fraction(20)}
    assert ingredients(leaf) == [
        ("Ingredients: ", False),
        ("mizuna", False),
        (", ", False),
        ("leaf ", False),
        ("celery", True),
        (", ", False),
        ("edamame shoots", False),
        (" (", False),
        ("soybeans", True),
        (")", False),
        (".", False),
    ]


def test_opened_bags_are_what_went_into_them(farm: Farm, known: Business) -> None:
    """Twelve bags, a third of them mustard leaf; six are opened into a run with more lettuce."""
    decided(farm.bag)
    first = mixed(farm)
    more = farm.cut(500)
    taken = [Taken(first, farm.store, used=6), Taken(more, farm.store, left=0)]
    second = farm.tell(
        "rework", product=farm.bag, taken=taken, packs=10, store=farm.store, line=farm.line
    ).lot
    leaf = contents.leaf_of(second)
    mustard = leaf[farm.mustard] / sum(leaf.values())
    # 720 g of bags, a third mustard, in some 1,200 g
    assert 0.19 < mustard < 0.21
    assert said(second).text.split("\n")[1] == "Ingredients: loose-leaf lettuce, red MUSTARD."


def test_a_bunch_is_sold_by_number_and_says_no_grams(farm: Farm, known: Business) -> None:
    bunch = Product.objects.create(
        code="BASIL", name="Basil", nominal_g=30, form=Product.Form.BUNCH, shelf_life_days=4
    )
    run = farm.pack([farm.cut(300, crop=farm.lettuce)], packs=9, product=bunch)
    assert plain(said(run))[0] == "Basil  1 bunch"
    assert said(run).figure_mm == 0


def test_class_and_variety_where_they_are_asked_for(farm: Farm, known: Business) -> None:
    decided(farm.bag)
    farm.bag.grade, farm.bag.shows_variety = Product.Grade.ONE, True
    farm.bag.save()
    batch = farm.sow(40)
    farm.plant(batch)
    farm.pass_time(days=30)
    one = farm.pack([farm.cut(700, batch)], packs=5)
    assert said(one).grade == "Class I, Green loose-leaf"
    other = farm.sow(40, Variety.objects.create(crop=farm.lettuce, name="Oak leaf"))
    farm.plant(other, farm.t2)
    farm.pass_time(days=30)
    two = farm.pack([farm.cut(700, batch), farm.cut(700, other)], packs=10)
    assert said(two).grade == "Class I"


def test_bought_in_leaf_is_never_called_grown_here(farm: Farm, known: Business) -> None:
    decided(farm.bag, date_kind=C.DateKind.BEST_BEFORE)
    bought = farm.tell(
        "receive_produce", crop=farm.lettuce, supplier=farm.supplier, place=farm.store, grams=1500
    ).lot
    run = farm.pack([bought, farm.cut(1500)], packs=24)
    assert said(run).origin == ""
    assert said(run).lacks == [f"where {bought.code} grew (add “Origin: …” to that lot)"]
    with pytest.raises(Refusal, match=f"lacks where {bought.code} grew"):
        run_label(PackingRun.objects.get(lot=run))
    farm.tell("describe", lot=bought, note="Origin: Freedonia")
    assert (said(run).origin, said(run).lacks) == ("Origin: Freedonia, United Kingdom", [])


def test_leaf_of_before_records_began_grew_nobody_knows_where(farm: Farm, known: Business) -> None:
    decided(farm.bag, date_kind=C.DateKind.BEST_BEFORE)
    crate = farm.tell(
        "opening_entry", kind="harvest", quantity=1500, place=farm.store, crop=farm.lettuce
    ).lot
    run = farm.pack([crate], packs=12)
    assert said(run).lacks == [f"where {crate.code} grew (add “Origin: …” to that lot)"]
    farm.tell("describe", lot=crate, note="Origin: United Kingdom")
    assert (said(run).origin, said(run).lacks) == ("Origin: United Kingdom", [])


def test_what_is_called_washed_was_washed(farm: Farm, known: Business) -> None:
    decided(farm.bag, state=C.State.READY)
    run = {"product": farm.bag, "packs": 10, "store": farm.store, "line": farm.line}
    taken = [Taken(farm.cut(3000), farm.store, used=1250)]
    washed = farm.tell("pack", taken=taken, washed=True, **run).lot
    with pytest.raises(Refusal) as no:
        farm.tell("pack", taken=taken, **run)
    assert no.value.code == "not_washed"
    told = farm.tell("pack", taken=taken, already_done=True, **run).lot
    assert [h.lot for h in Hold.objects.filter(ended_by=None)] == [told]
    # what was washed before is washed still, in another bag
    again = [Taken(washed, farm.store, used=5)]
    farm.tell("rework", product=farm.bag, taken=again, packs=5, store=farm.store)
    both = [*again, Taken(farm.cut(600), farm.store, left=0)]
    with pytest.raises(Refusal, match="was not washed"):
        farm.tell("rework", product=farm.bag, taken=both, packs=10, store=farm.store)


def test_leaf_past_its_date_is_packed_as_a_fact_alone_and_held(farm: Farm) -> None:
    """A cut has nine days by the product's rule, and a bag counts them from its leaf's cut."""
    old = farm.cut(3000)
    farm.pass_time(days=9)
    run = {"product": farm.bag, "store": farm.store, "line": farm.line}
    last = farm.tell("pack", taken=[Taken(old, farm.store, used=1250)], packs=10, **run).lot
    assert last.use_by == farm.today
    farm.pass_time(days=1)
    with pytest.raises(Refusal, match="is good until 11 Mar 2026, and it is 12 Mar 2026") as no:
        farm.tell("pack", taken=[Taken(old, farm.store, used=1250)], packs=10, **run)
    assert no.value.code == "past_date"
    with pytest.raises(Refusal, match="is good until 11 Mar 2026"):
        farm.tell(
            "rework",
            product=farm.bag,
            taken=[Taken(last, farm.store, used=5)],
            packs=5,
            store=farm.store,
        )
    taken = [Taken(old, farm.store, used=1250)]
    late = farm.tell("pack", taken=taken, packs=10, already_done=True, **run).lot
    assert [h.lot for h in Hold.objects.filter(ended_by=None)] == [late]


def test_days_from_the_cut_are_counted_from_the_cut_of_what_is_reworked(farm: Farm) -> None:
    long = Product.objects.create(code="LONG", name="Long bag", nominal_g=120, shelf_life_days=20)
    crate = farm.cut(1300)
    farm.pass_time(days=5)
    first = farm.pack([crate], packs=10, product=long)
    farm.pass_time(days=1)
    taken = [Taken(first, farm.store, used=5)]
    run = farm.tell("rework", product=farm.bag, taken=taken, packs=5, store=farm.store).lot
    assert run.use_by == crate_day(crate) + dt.timedelta(days=9)


def crate_day(lot: Lot) -> dt.date:
    return lot.made_by.happened_at.date()


def test_an_allergen_that_is_declared_and_not_in_it_is_not_said_to_be(farm: Farm) -> None:
    """Unless nobody recorded of what crop the leaf is: then it may be."""
    farm.bag.allergens = "mustard"
    farm.bag.save()
    run = farm.pack([farm.cut(1500)], packs=12)
    assert PackingRun.objects.get(lot=run).allergens == ""
    other = farm.pack([farm.cut(1500, crop=farm.mustard)], packs=12)
    assert PackingRun.objects.get(lot=other).allergens == "mustard"
    # a bag of before records began names no crop
    before = farm.tell("opening_entry", kind="pack", quantity=12, place=farm.store, grams_each=120)
    taken = [Taken(before.lot, farm.store, used=5)]
    last = farm.tell("rework", product=farm.bag, taken=taken, packs=5, store=farm.store).lot
    assert PackingRun.objects.get(lot=last).allergens == "mustard"


def test_a_leaf_that_the_recipe_does_not_name_is_refused_and_a_fact_is_flagged(
    farm: Farm,
) -> None:
    farm.bag.recipe.create(crop=farm.lettuce, least_pct=60, greatest_pct=80)
    farm.bag.recipe.create(crop=farm.mustard)
    farm.bag.allergens = "mustard"
    farm.bag.save()
    right = [Taken(farm.cut(1000), farm.store, left=0)]
    right.append(Taken(farm.cut(500, crop=farm.mustard), farm.store, left=0))
    run = {"product": farm.bag, "packs": 12, "store": farm.store, "line": farm.line}
    farm.tell("pack", taken=right, **run)
    wrong = [Taken(farm.cut(1500), farm.store, left=0)]
    with pytest.raises(Refusal) as refused:
        farm.tell("pack", taken=wrong, **run)
    assert refused.value.sentence == (
        "By the recipe of Salad bag 120 g this run has 100 % Loose-leaf lettuce, where it asks "
        "for 60 to 80 %. Take other crates, or tell it as already done."
    )
    told = farm.tell("pack", taken=wrong, already_done=True, **run)
    assert [f.kind for f in told.flags.all()] == [Flag.Kind.AGAINST_RULE]


@pytest.mark.parametrize(
    ("grams", "high"), [(50, 2), (51, 3), (200, 3), (201, 4), (1000, 4), (1001, 6)]
)
def test_the_figures_of_a_weight_are_as_high_as_its_grams_ask(grams: int, high: int) -> None:
    """Directive 76/211/EEC, Annex I; that an edge belongs to the lower step is from memory."""
    assert figures_mm(grams) == high


# --- counted, and dated forward only --------------------------------------------------------------


def test_labels_are_counted_from_the_roll_to_the_bags(farm: Farm) -> None:
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.tell("print_labels", run=run, count=14)
    farm.tell("spoil_labels", run=run)
    twice = farm.tell("spoil_labels", run=run, count=5)
    farm.tell("undo", event=twice)
    (counts,) = label_counts(run.run)
    assert (counts.printed, counts.spoiled, counts.packs, counts.over) == (14, 1, 12, 1)


def test_a_new_label_brings_a_date_forward_and_never_back(farm: Farm, known: Business) -> None:
    decided(farm.bag)
    farm.bag.storage = "Keep cool"
    farm.bag.save()
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.tell("print_labels", run=run, count=12)
    day = dt.timedelta(days=1)
    facts = {"run": run, "reason": "the cold store was warm", "destroyed": 12}
    farm.tell("relabel", use_by=run.use_by - 2 * day, **facts)
    farm.tell("print_labels", run=run, count=12)
    assert "Use by 07 Mar 2026" in plain(said(run))
    with pytest.raises(Refusal, match="bears 07 Mar 2026; a new label may only bring a date"):
        farm.tell("relabel", use_by=run.use_by - day, **facts)
    (counts,) = label_counts(run.run)
    assert (counts.printed, counts.destroyed, counts.over) == (24, 12, 0)
    # told as done, the wrong date is on the bags: they are held, and the earlier date stands
    farm.tell("relabel", use_by=run.use_by, already_done=True, **facts)
    assert Hold.objects.get(lot=run, ended_by=None).reason.startswith("relabelled 09 Mar 2026")
    assert "Use by 07 Mar 2026" in plain(said(run))
    assert faults() == []


def test_the_page_counts_what_it_prints_and_a_double_press_prints_once(
    farm: Farm, known: Business
) -> None:
    stock = LabelStock.objects.create(name="Roll", width_mm=62, height_mm=40)
    run = farm.pack([farm.cut(1500)], packs=12)
    farm.grower.is_staff = True
    farm.grower.save()
    client = Client()
    client.force_login(farm.grower)
    told = {"count": "12", "stock": str(stock.pk), "first": "", "client_id": "one-press"}
    for _ in range(2):
        answer = client.post(f"/labels/?lot={run.code}", told)
        assert answer["Content-Type"] == "application/pdf"
    assert label_counts(run.run)[0].printed == 12
    page = client.get(f"/labels/?lot={run.code}").content.decode()
    assert "12 labels printed, 12 packs: all on packs." in page
    client.post(f"/labels/?lot={run.code}", told | {"count": "3"})
    assert label_counts(run.run)[0].printed == 15


@pytest.mark.once
@pytest.mark.parametrize("dpi", [203, 300])
@pytest.mark.parametrize("stock", ["roll-62x40", "roll-100x50", "a4-21", "a4-24"])
def test_every_word_of_it_stands_on_the_label_and_the_code_can_be_read(
    farm: Farm, known: Business, stock: str, dpi: int
) -> None:
    """PDFium reads the words and ZXing the code (ISO/IEC 18004) off the picture; the date stands
    day, month, year, uncoded (Regulation (EU) 1169/2011, Annex X)."""
    decided(farm.bag, state=C.State.READY)
    farm.bag.named, farm.bag.grade, farm.bag.largest_cm2 = farm.mustard, Product.Grade.ONE, 60
    farm.bag.save()
    run = mixed(farm, washed=True)
    row = PackingRun.objects.select_related("lot__made_by", "product").get(lot=run)
    printed = labels.pdf(
        stock_of(stock_called(stock)), [(run_label(row), 2)], title="Labels", dpi=dpi
    )
    assert set(codes_on(printed, dpi=dpi)) == {run.code}
    there = re.sub(r"\s+", " ", words_on(printed))
    for words in plain(said(run))[1:]:
        assert words in there
    for words in ("Salad bag 120 g", "120 g", "MUSTARD"):
        assert words in there
