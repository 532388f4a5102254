"""What the pages call each act and each thing that it asks for, in the grower's own words.

`ACTS` is one row a kind: what it is called, under which noun it stands, what its button says.
`WORDS` is one row an argument, by (kind, argument) or by ("", argument) for all kinds alike; the
part of a group is written "lines.quantity". Apps above add their own kinds to both.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from .kinds import KINDS
from .microbiology import CRITERIA
from .models import Basis, LotKind, PlaceKind, Unit


@dataclass(frozen=True)
class Act:
    """How an act is called: on its button, on its page, and what it is among."""

    title: str
    noun: str
    button: str
    help: str = ""


@dataclass(frozen=True)
class Words:
    """How an argument is asked for.

    choices: (what is sent, what is read); with free, other text may be typed as well.
    unit: what stands behind the field; "kg" makes a bare number kilograms.
    as_: the way it is asked where its type does not tell: "long", "steps", "verdict", "hidden".
    more: folded away, since it is seldom said. keep: what was said last is filled in.
    large: so many of the choices stand open, large; the others under one that opens them."""

    label: str = ""
    help: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    free: bool = False
    unit: str = ""
    as_: str = ""
    more: bool = False
    keep: bool = False
    large: int = 0


def _listed(*texts: str) -> tuple[tuple[str, str], ...]:
    return tuple((text, text[0].upper() + text[1:]) for text in texts)


CUT, SOWING, WATER, STORE, INPUT, CHECKS, PUT_RIGHT = (
    "Cutting",
    "Sowings and plants",
    "Water and sprays",
    "What is in store",
    "Seed, nutrient and packaging",
    "Checks, cleans, incidents",
    "Put right",
)
#: The nouns in the order in which the start page lists them; apps above add theirs.
NOUNS = [CUT, SOWING, STORE, WATER, INPUT, CHECKS, PUT_RIGHT]

ACTS: dict[str, Act] = {
    "harvest": Act("Cut", CUT, "Record the cut"),
    "print_tags": Act(
        "Crate tags",
        CUT,
        "Make the tags",
        "Codes for crates that are weighed where there is no network. Each is used once.",
    ),
    "sow": Act("Sow", SOWING, "Record the sowing"),
    "check_germination": Act(
        "Not come up", SOWING, "Record", "Cells without a usable plug. Nought is a check too."
    ),
    "transplant": Act(
        "Plant out",
        SOWING,
        "Record the planting",
        "Gapping up is the same. Towers fill from the top.",
    ),
    "move_plants": Act("Move plants", SOWING, "Record the move"),
    "lose_plants": Act("Plants lost", SOWING, "Record the loss"),
    "clear": Act("Clear", SOWING, "Record the clearing"),
    "opening_entry": Act(
        "Standing on day one",
        STORE,
        "Record it",
        "What stood here on the day records began. Where it came from stays a gap, said in words.",
    ),
    "move": Act("Move", STORE, "Record the move"),
    "count": Act("Stock check", STORE, "Record the count"),
    "discard": Act("Throw away", STORE, "Record it"),
    "hold": Act(
        "Hold",
        STORE,
        "Hold it now",
        "Stops these lots, and all that was made from them. Suspect food: stop it, and call your "
        "local authority at once.",
    ),
    "release": Act(
        "Release",
        STORE,
        "Release it",
        "Each lot by its own name; what was made from it stays held until it is named too.",
    ),
    "receive_input": Act("Goods in", INPUT, "Record the delivery"),
    "receive_produce": Act(
        "Bought-in leaf", INPUT, "Record the delivery", "Leaf grown by somebody else."
    ),
    "open_input": Act(
        "Open", INPUT, "It is open", "The packet is open, the roll is on the printer."
    ),
    "finish_input": Act("Finished", INPUT, "It is finished"),
    "describe": Act(
        "Add to a lot", INPUT, "Add it", "A name, a date, a picture of the packet, learnt later."
    ),
    "fill": Act("Fill a tank", WATER, "Record the fill"),
    "top_up": Act("Top up", WATER, "Record the top-up"),
    "dose": Act("Dose", WATER, "Record the dose"),
    "drain_and_clean": Act(
        "Drain and clean", WATER, "Record the clean", "The one thing that ends a chain of water."
    ),
    "feed": Act("What a tank feeds", WATER, "Record the change"),
    "test_water": Act("Water test", WATER, "Record the test"),
    "treat": Act(
        "Spray or treat",
        WATER,
        "Record the treatment",
        "The product's label and your local rules come first, whatever is filled in here.",
    ),
    "check": Act("Check", CHECKS, "Record the check"),
    "clean": Act("Clean", CHECKS, "Record the clean", "A clean bounds a recall."),
    "incident": Act("Incident", CHECKS, "Record the incident"),
    "lab_result": Act(
        "Laboratory result",
        CHECKS,
        "Record the result",
        "It is judged by the criterion that you name, and holds nothing by itself. Suspect food: "
        "stop it, and do not wait for a laboratory.",
    ),
    "undo": Act("Undo", PUT_RIGHT, "Undo it", "Your own entry, within ten minutes."),
    "cancel": Act("Cancel an entry", PUT_RIGHT, "Cancel it"),
    "correct_weight": Act("Correct a weight", PUT_RIGHT, "Correct it"),
    "correct_origin": Act(
        "Correct an origin", PUT_RIGHT, "Correct it", "The crate was put down to the wrong sowing."
    ),
    "countersign": Act(
        "Countersign",
        PUT_RIGHT,
        "Countersign",
        "What learners told counts already; this adds your word to it and changes nothing.",
    ),
    "clear_origin": Act(
        "Clear a wrong origin",
        PUT_RIGHT,
        "Clear it",
        "For the food-safety lead: sure that the struck origin was not in it.",
    ),
}

#: Why plants are lost, and why leaf is thrown away. Common practice, no source.
LOSSES = _listed(
    *("did not come up", "damping off", "dried out", "pump or nozzle stopped", "heat", "frost"),
    *("bolted", "tip burn", "aphid", "whitefly", "slug", "mildew", "grey mould", "mice or birds"),
    *("broken in handling", "thinned"),
)
THROWN = _listed(
    *("wilted", "too old", "past its date", "damaged", "pest", "dropped", "not sold", "sent back")
)
#: Where things go. The packer's four first; the standard's ten are the report's.
ENDS_NAMED = (
    (str(PlaceKind.COMPOST), "Compost"),
    (str(PlaceKind.FEED), "Hens"),
    (str(PlaceKind.LANDFILL), "Bin"),
    (str(PlaceKind.STAFF), "Staff"),
    (str(PlaceKind.DONATED), "Donated"),
    (str(PlaceKind.SAMPLE), "Sample"),
    (str(PlaceKind.DESTROYED), "Destroyed"),
)
_BASIS = (
    (str(Basis.WEIGHED), "Weighed"),
    (str(Basis.COUNTED), "Counted"),
    (str(Basis.ESTIMATED), "Estimated"),
)
_VERDICT = (("yes", "Good"), ("no", "Failed"))
_ALL_OF_THEM = "Leave all out: all of it. Tap towers to say which."

WORDS: dict[tuple[str, str], Words] = {
    # common to all
    ("", "on"): Words("Day"),
    ("", "at"): Words("Time"),
    ("", "began_at"): Words("Began at", "Where it went on for a while.", more=True),
    ("", "done_by"): Words("Who did it", "Leave out: you.", more=True),
    ("", "things"): Words("With", "Scale, knives, spinner: what touched it.", more=True, keep=True),
    ("", "tanks"): Words("Water from", "Tanks whose water was used.", more=True),
    ("", "already_done"): Words("It has already happened", as_="hidden"),
    # places and lots
    ("", "store"): Words("Into", keep=True),
    ("", "place"): Words("Where", keep=True),
    ("", "places"): Words("Where"),
    ("", "from_place"): Words("From"),
    ("", "to_place"): Words("To"),
    ("", "area"): Words("Cut in", more=True, keep=True),
    ("", "tank"): Words("Tank", keep=True),
    ("", "supplier"): Words("Supplier", keep=True),
    ("", "batch"): Words("Sowing"),
    ("", "batches"): Words("Sowings"),
    ("", "lot"): Words("Which lot"),
    ("", "lots"): Words("Which lots"),
    ("", "towers"): Words("Towers"),
    ("", "sites"): Words("Only these sites", "Tap them, or write T1 2/4: tower, tier, position."),
    ("", "except_sites"): Words("All but these sites", "Tap what was left out."),
    ("", "crop"): Words("Crop"),
    ("", "variety"): Words("Variety"),
    ("", "item"): Words("What it is"),
    ("", "inputs"): Words("What went in", "The packet or bottle that was used."),
    ("", "cleaner"): Words("Cleaner used"),
    # quantities and why
    ("", "quantity"): Words("How much"),
    ("", "plants"): Words("Plants", as_="steps"),
    ("", "reason"): Words("Why", as_="long"),
    ("", "done"): Words("What was done about it", as_="long"),
    ("", "basis"): Words("How it was known", choices=_BASIS, more=True),
    ("", "reading"): Words("Reading", "As the instrument shows it, such as 3.8 °C."),
    ("", "passed"): Words("Result", choices=_VERDICT, as_="verdict"),
    ("", "paid_pence"): Words("Paid, in pence", more=True),
    ("", "supplier_lot"): Words("Lot number on the pack", "Or “none on pack”."),
    ("", "best_before"): Words("Best before"),
    ("", "use_by"): Words("Use by", "Only to make it shorter."),
    ("", "plant_passport"): Words("Plant passport", "For young plants bought in.", more=True),
    ("", "grade_out_g"): Words("Graded out", "Of the weight above, to compost.", unit="g"),
    ("harvest", "crop"): Words("Crop", as_="chips"),
    ("harvest", "batches"): Words("From which sowing", "Several, if one crate holds several."),
    ("harvest", "towers"): Words("Only from these towers", _ALL_OF_THEM),
    ("harvest", "sites"): Words("Only from these sites", "Tap them.", more=True),
    ("harvest", "except_sites"): Words("All but some sites", "Tap what was not cut."),
    ("harvest", "crates"): Words("On the scale"),
    ("", "sure"): Words("The weight is right", as_="hidden"),
    # by kind
    ("print_tags", "count"): Words("How many tags", as_="steps"),
    ("sow", "place"): Words("On which bench or shelf", keep=True),
    ("sow", "cells"): Words("Cells", "One cell is one plant. A tray often holds 84.", as_="steps"),
    ("sow", "seed"): Words("Seed packet"),
    ("sow", "seeds_per_cell"): Words("Seeds in a cell", more=True),
    ("sow", "trial"): Words("Trial", "A tag to compare by, such as 20 h light.", more=True),
    ("check_germination", "not_up"): Words("Cells not come up", as_="steps"),
    ("lose_plants", "plants"): Words("How many", as_="steps"),
    ("lose_plants", "reason"): Words("Why", choices=LOSSES, free=True),
    ("move_plants", "plants"): Words("How many", as_="steps"),
    ("transplant", "plants"): Words("How many", "Leave out: as many as there are.", as_="steps"),
    ("transplant", "towers"): Words("Onto these towers"),
    ("transplant", "from_place"): Words("From"),
    ("clear", "places"): Words("Where", "Leave all out: wherever it stands."),
    ("clear", "left"): Words(
        "What was still on it",
        choices=(("empty", "Empty"), ("some", "Some left"), ("full", "Full of good leaf")),
    ),
    ("clear", "why"): Words(
        "Why",
        choices=_listed("no order", "bolted", "pest", "tip burn", "old", "cold", "no room"),
        free=True,
    ),
    ("clear", "uncut_g"): Words("Left uncut, about", unit="kg", more=True),
    ("opening_entry", "kind"): Words(
        "What stood there",
        choices=(
            (str(LotKind.BATCH), "Plants"),
            (str(LotKind.HARVEST), "A crate"),
            (str(LotKind.PACK), "Packs"),
            (str(LotKind.PRODUCE), "Bought-in leaf"),
            (str(LotKind.INPUT), "An input"),
        ),
    ),
    ("opening_entry", "quantity"): Words(
        "How much", "Plants or packs; or a weight, with its unit."
    ),
    ("opening_entry", "item"): Words("Which input"),
    ("opening_entry", "title"): Words("Called", more=True),
    ("opening_entry", "line"): Words("Sold as", "The product's code.", more=True),
    ("opening_entry", "grams_each"): Words("One pack weighs", unit="g", more=True),
    ("opening_entry", "about_planted"): Words("Planted about", more=True),
    ("opening_entry", "use_by"): Words("Use by", more=True),
    ("receive_input", "quantity"): Words("How much", "If it was counted. May stay empty."),
    ("receive_input", "place"): Words("Put into", keep=True),
    ("receive_input", "unit"): Words(
        "Counted in",
        choices=((str(Unit.EACH), "Pieces"), (str(Unit.G), "Grams"), (str(Unit.ML), "Millilitres")),
        more=True,
    ),
    ("receive_produce", "place"): Words("Into", keep=True),
    ("receive_produce", "grams"): Words("Weight", unit="kg"),
    ("receive_produce", "origin"): Words("Grown in", "Country or county, as on the box."),
    ("receive_produce", "received_c"): Words("Temperature", unit="°C"),
    ("receive_produce", "use_by"): Words("Use by"),
    ("open_input", "lot"): Words("What was opened"),
    ("open_input", "place"): Words("In use at", keep=True),
    ("finish_input", "lot"): Words("What is finished"),
    ("finish_input", "place"): Words("It was in use at"),
    ("describe", "called"): Words("Another name for it", "The supplier's lot, an old label."),
    ("describe", "photo"): Words("Picture of the packet"),
    ("describe", "note"): Words("Note", as_="long"),
    ("move", "basis"): Words("How it was known", choices=_BASIS, more=True),
    ("discard", "to"): Words("Where to", choices=ENDS_NAMED, large=4),
    ("discard", "reason"): Words("Why", choices=THROWN, free=True),
    ("discard", "recipient"): Words("Given to", "For a donation: to whom.", more=True),
    ("count", "place"): Words("Where", keep=True),
    ("count", "counted"): Words("What was there"),
    ("count", "closing"): Words("Closing count", "The last look of the day, over the whole shelf."),
    ("count", "by_date"): Words("Counted by date", as_="hidden"),
    ("count", "fresh"): Words(
        "Start fresh from this count",
        "All that stands here was counted: what is not named was not there.",
        more=True,
    ),
    ("release", "from_place"): Words("Out of", "To take a part out of quarantine.", more=True),
    ("release", "to_place"): Words("Into", more=True),
    ("release", "quantity"): Words("How much of it", more=True),
    ("fill", "litres"): Words("Litres", as_="steps"),
    ("top_up", "litres"): Words("Litres", as_="steps"),
    ("", "source"): Words(
        "Water from", choices=_listed("mains", "rain", "borehole"), free=True, keep=True
    ),
    ("", "how"): Words("How", as_="long"),
    ("dose", "amount"): Words("Amount", "As measured, such as 40 ml."),
    ("dose", "ec"): Words("EC after", unit="mS/cm"),
    ("dose", "ph"): Words("pH after"),
    ("feed", "begins"): Words("Feeds from now on"),
    ("feed", "ends"): Words("Feeds no longer"),
    ("test_water", "kind"): Words(
        "What was tested",
        choices=(("pH", "pH"), *_listed("EC", "E. coli, laboratory", "chlorine", "temperature")),
        free=True,
    ),
    ("treat", "product"): Words("Product in use"),
    ("treat", "item"): Words("Or only its name", more=True),
    ("treat", "places"): Words("Which benches, shelves or towers"),
    ("treat", "reason"): Words(
        "Against what",
        choices=_listed("aphid", "whitefly", "thrips", "mildew", "grey mould", "slug"),
        free=True,
    ),
    ("treat", "authorisation"): Words("Authorisation number", "From the product's label."),
    ("treat", "dose"): Words("Dose", "As mixed, such as 20 ml in 5 l."),
    ("treat", "water_ml"): Words("Water used", unit="ml"),
    ("treat", "area_m2"): Words("Area", unit="m²", more=True),
    ("treat", "harvest_interval_days"): Words(
        "Harvest interval", "From the label. No cut before it is over.", unit="days"
    ),
    ("treat", "reentry_hours"): Words("Nobody in for", "From the label.", unit="hours"),
    ("check", "kind"): Words(
        "What was checked",
        choices=_listed(
            *("temperature", "test weight", "ice water", "knives counted", "glass list"),
            "round done",
        ),
        free=True,
    ),
    ("check", "things"): Words("Which thing", "Or say below where it was."),
    ("clean", "things"): Words("Which thing", "Or say below where it was.", keep=True),
    ("check", "place"): Words("Where"),
    ("clean", "place"): Words("Where"),
    ("clean", "how"): Words("How", as_="long", keep=True),
    ("incident", "kind"): Words(
        "What happened",
        choices=_listed(
            "glass broken", "pump stopped", "mouse seen", "bird inside", "leak", "heat"
        ),
        free=True,
    ),
    ("incident", "place"): Words("Found from", more=True),
    ("lab_result", "criterion"): Words(
        "Judged by", choices=tuple((c.name, f"{c.organism}: {c.of}") for c in CRITERIA.values())
    ),
    ("lab_result", "results"): Words(
        "Figures",
        "With spaces between and none inside: 10 <10 1000, or absent and detected.",
    ),
    ("lab_result", "lots"): Words("Of which lots", "A run, a cut, a fill’s water."),
    ("lab_result", "place"): Words("Or of which place", "Of a tank: and of the water in it."),
    ("lab_result", "laboratory"): Words("Laboratory", keep=True),
    ("lab_result", "method"): Words("Method", more=True, keep=True),
    ("lab_result", "sample"): Words("Their number for it", more=True),
    ("lab_result", "taken_on"): Words("Sample taken on", "Left out: that day."),
    ("cancel", "event"): Words("Which entry"),
    ("undo", "event"): Words("Which entry"),
    ("countersign", "entries"): Words("Which entries"),
    ("countersign", "remark"): Words("Remark"),
    ("cancel", "reason"): Words(
        "Why",
        choices=_listed("entered twice", "wrong lot", "wrong place", "it did not happen"),
        free=True,
    ),
    ("correct_weight", "right"): Words("What it truly was", "The whole lot, as it was made."),
    ("correct_weight", "reason"): Words(
        "Why",
        choices=_listed("read wrong", "typed wrong", "tare forgotten", "weighed again"),
        free=True,
    ),
    ("correct_origin", "wrong"): Words("It does not come from"),
    ("correct_origin", "right"): Words("It comes from"),
    ("correct_origin", "place"): Words("The right crate stood in", more=True),
    ("clear_origin", "wrong"): Words("The struck origin"),
}


def act(kind: str) -> Act:
    """A kind that nobody has put into words is called by what it says."""
    said = ACTS.get(kind)
    return said or Act(KINDS[kind].says.capitalize(), PUT_RIGHT, "Record it")


def words(kind: str, argument: str) -> Words:
    """argument: a name, or "group.part"."""
    last = argument.rpartition(".")[2]
    for key in ((kind, argument), ("", argument), ("", last)):
        if key in WORDS:
            found = WORDS[key]
            return found if found.label else dataclasses.replace(found, label=_plain(last))
    return Words(_plain(last))


def _plain(name: str) -> str:
    text = name.removesuffix("_g").replace("_", " ")
    return text[0].upper() + text[1:]


# --- quantities as they are read ----------------------------------------------------------------


def amount(quantity: int, unit: str, kind: str = "") -> str:
    """A quantity in its unit as people say it: 3.85 kg, 350 g, 12 packs, 84 plants."""
    if unit == Unit.G:
        return (
            f"{quantity / 1000:.3f}".rstrip("0").rstrip(".") + " kg"
            if abs(quantity) >= 1000
            else f"{quantity} g"
        )
    if unit == Unit.ML:
        return f"{quantity} ml"
    nouns: dict[str, str] = {LotKind.PACK: "pack", LotKind.BATCH: "plant"}
    noun = nouns.get(kind, "")
    return f"{quantity} {noun}{'' if quantity == 1 else 's'}" if noun else str(quantity)
