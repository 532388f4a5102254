"""What the pages call the acts from the crate to the till."""

from django.db import models

from grow.models import PlaceKind
from grow.wording import ACTS, CUT, NOUNS, WORDS, Act, Words
from sales.models import Recall, Receipt

PACKING, SELLING, MONEY = "Packing", "Out to shop and kitchen", "Money"
RECALL = "Complaints and recalls"
_STOP = (
    "Suspect food: stop it, hold it, and call your local authority at once; do not wait for this "
    "page."
)

ACTS |= {
    "pack": Act("Pack", PACKING, "Record the run"),
    "rework": Act("Rework", PACKING, "Record the run", "Opened bags into a new run."),
    "look_over": Act(
        "Line ready", PACKING, "It is ready", "Before the first run, and before another product."
    ),
    "weigh_packs": Act("Weigh packs", PACKING, "Record the weights"),
    "print_labels": Act(
        "Labels printed", PACKING, "Record it", "The page of a run’s labels does this by itself."
    ),
    "spoil_labels": Act(
        "Labels spoiled", PACKING, "Record it", "Torn, crooked, one too many: on no pack."
    ),
    "relabel": Act("Relabel", PACKING, "Record it", "An earlier date, never a later one."),
    "put_on_shelf": Act("Put on shelf", SELLING, "It is on the shelf"),
    "deliver": Act("Send out", SELLING, "Write the note", "A numbered note goes with the goods."),
    "receive": Act("Goods in", SELLING, "Record what came"),
    "come_without_note": Act(
        "Came without a note", SELLING, "Record it", "The note is written from what came."
    ),
    "use": Act("Used in the kitchen", SELLING, "Record it"),
    "sell": Act("Till’s day", SELLING, "Record the sales"),
    "sold_out": Act(
        "Sold out",
        SELLING,
        "It is sold out",
        "For the sowing plan: more was wanted on that day than was sold.",
    ),
    "mark_down": Act(
        "Reduce",
        SELLING,
        "Reduce it",
        "Afterwards print the label: it says the lot again. Stick it where it covers neither the "
        "date nor the allergens.",
    ),
    "issue_statement": Act(
        "Issue a statement",
        MONEY,
        "Issue it",
        "Of a month that is over. It is not reopened: what is told later stands on the next one.",
    ),
    "open_recall": Act("Recall", RECALL, "Stop it now", _STOP),
    "widen_recall": Act("Widen a recall", RECALL, "Stop these too", _STOP),
    "narrow_recall": Act(
        "Narrow a recall",
        RECALL,
        "Take it out",
        "In doubt all of it stays in. What only this recall held is let go.",
    ),
    "tell_authority": Act("Authority told", RECALL, "I have told them"),
    "approve_notices": Act(
        "Approve notices", RECALL, "Approve them", "The recall’s own page shows what they say."
    ),
    "send_notice": Act("Customers told", RECALL, "They have been told"),
    "reply_recall": Act("Answer to a recall", RECALL, "Record the answer"),
    "close_recall": Act("Close a recall", RECALL, "Close it"),
    "close_mock": Act("Close a mock recall", RECALL, "Close it"),
    "complain": Act(
        "Complaint", RECALL, "Record it", "Who it was is not kept here; note that elsewhere."
    ),
    "put_right": Act("Answer a complaint", RECALL, "Record it"),
    "return_goods": Act("Came back", SELLING, "Record it", "Never back onto sale."),
}
NOUNS[NOUNS.index(CUT) + 1 : NOUNS.index(CUT) + 1] = [PACKING, SELLING]
NOUNS += [RECALL, MONEY]

_BACK = (
    (str(PlaceKind.COMPOST), "Compost"),
    (str(PlaceKind.LANDFILL), "Bin"),
    (str(PlaceKind.QUARANTINE), "Quarantine"),
)
_SENT_BACK = (
    ("wilted", "Wilted"),
    ("pest", "Pest"),
    ("too warm", "Too warm"),
    ("damaged", "Damaged"),
    ("wrong goods", "Wrong goods"),
    ("past its date", "Past its date"),
)


_BY = (
    ("telephone", "By telephone"),
    ("e-mail", "By e-mail"),
    ("by hand", "By hand"),
    ("post", "By post"),
)


def _listed(choices: type[models.TextChoices]) -> tuple[tuple[str, str], ...]:
    return tuple((str(value), str(label)) for value, label in choices.choices)


WORDS |= {
    ("", "product"): Words("Product"),
    ("", "outlet"): Words("For", keep=True),
    ("", "recall"): Words("Recall"),
    ("open_recall", "kind"): Words("Which", choices=_listed(Recall.Kind)),
    ("", "hazard"): Words("What is wrong", "As notices will say it: may contain glass."),
    ("open_recall", "lots"): Words("Lots"),
    ("open_recall", "reason"): Words("How it came to light", as_="long", more=True),
    ("open_recall", "mock"): Words("A mock recall: nothing is held", more=True),
    ("widen_recall", "lots"): Words("Lots"),
    ("narrow_recall", "lots"): Words("Lots that are taken out"),
    ("widen_recall", "reason"): Words("Why"),
    ("narrow_recall", "reason"): Words("Why", "What shows that it is not concerned."),
    ("open_recall", "place"): Words("Or all that was in", more=True),
    ("widen_recall", "place"): Words("Or all that was in"),
    ("", "windows"): Words("Several windows", as_="hidden"),
    ("", "thing"): Words("Or all that was touched by", more=True),
    ("", "since"): Words("since", more=True),
    ("", "until"): Words("until", "Leave out: it still goes on.", more=True),
    ("narrow_recall", "window"): Words("Or a window to bound", "By its number.", more=True),
    ("tell_authority", "authority"): Words("Which authority"),
    ("", "answered"): Words("Somebody answered"),
    ("tell_authority", "reference"): Words("Their reference", more=True),
    ("approve_notices", "seen"): Words("As they were read", as_="hidden"),
    ("approve_notices", "more"): Words("A sentence of your own", as_="long", more=True),
    ("send_notice", "to"): Words("Customers"),
    ("send_notice", "how"): Words("How", choices=_BY, keep=True),
    ("reply_recall", "to"): Words("Who answered"),
    ("reply_recall", "lines"): Words("What came back"),
    ("", "lines.returned"): Words("Sent back"),
    ("", "lines.brought_back"): Words("Brought back by customers", more=True),
    ("", "lines.destroyed"): Words("Destroyed there", more=True),
    ("reply_recall", "says"): Words("What they said", as_="long"),
    ("close_recall", "done"): Words("What was found, and done about it", as_="long"),
    ("close_recall", "unexplained"): Words("What became of the rest", as_="long"),
    ("close_mock", "lot"): Words("Lot that was counted"),
    ("close_mock", "place"): Words("Where"),
    ("close_mock", "counted"): Words("Counted there"),
    ("close_mock", "telephone"): Words("Number that answered"),
    ("close_mock", "result"): Words("What came of it", as_="long"),
    ("close_mock", "shortcomings"): Words("What fell short", as_="long"),
    ("close_mock", "corrective"): Words("What is done about it", as_="long"),
    ("", "retest_on"): Words("Look again on", more=True),
    ("complain", "happened"): Words("What happened", "In their words.", as_="long"),
    ("complain", "product"): Words("Of what"),
    ("complain", "date"): Words("Date on it, or the day it was bought"),
    ("complain", "lot"): Words("Lot, if it is known"),
    ("complain", "outlet"): Words("Bought at"),
    ("complain", "ill"): Words("Somebody is ill"),
    ("put_right", "complaint"): Words("Complaint"),
    ("put_right", "done"): Words("What was done", as_="long"),
    ("issue_statement", "month"): Words("Month", "Any day of it."),
    ("", "note"): Words("Note"),
    ("", "temperature_c"): Words("Temperature", "If it was taken.", unit="°C"),
    ("", "taken"): Words("From these crates", "The oldest date comes first."),
    ("", "taken.left"): Words("Left in it"),
    ("", "taken.used"): Words("Or used", more=True),
    ("", "packs"): Words("Packs closed", as_="steps"),
    ("", "line"): Words("Packed at", more=True, keep=True),
    ("", "store"): Words("Into", keep=True),
    ("", "weighed_again"): Words("Weighed a second time", as_="hidden"),
    ("", "scale"): Words("Scale", more=True, keep=True),
    ("", "target_g"): Words("Scale to read", unit="g", more=True),
    ("", "weights"): Words("Weights", "Net, in grams.", more=True),
    ("weigh_packs", "weights"): Words("Weights", "Net, in grams."),
    ("", "run"): Words("Run"),
    ("print_labels", "count"): Words("How many", as_="steps"),
    ("spoil_labels", "count"): Words("How many", as_="steps"),
    ("relabel", "use_by"): Words("New date"),
    ("relabel", "destroyed"): Words("Old labels destroyed", as_="steps"),
    ("look_over", "line"): Words("Line", keep=True),
    ("look_over", "clear"): Words("Clear of the last product"),
    ("look_over", "clean"): Words("Clean"),
    ("look_over", "knives"): Words("All knives are there"),
    ("look_over", "scale"): Words("Scale checked"),
    ("look_over", "labels"): Words("Last labels removed"),
    ("look_over", "done"): Words("What was done about it"),
    ("pack", "washed"): Words("Washed", keep=True),
    ("pack", "trim_g"): Words("Trim", "If it was weighed.", unit="g", more=True),
    ("pack", "giveaway_g"): Words("Giveaway", unit="g", more=True),
    ("pack", "mean_fill_g"): Words("A pack weighed on average", unit="g", more=True),
    ("pack", "samples_g"): Words("Samples", unit="g", more=True),
    ("pack", "moisture_g"): Words("Moisture lost", unit="g", more=True),
    ("", "use_by"): Words("Use by", "Only to make it shorter.", more=True),
    ("rework", "taken"): Words("From these bags and crates"),
    ("put_on_shelf", "outlet"): Words("Whose shelf", keep=True),
    ("put_on_shelf", "lines"): Words("What goes on it"),
    ("deliver", "outlet"): Words("To", keep=True),
    ("deliver", "lines"): Words("What goes"),
    ("receive", "temperature_c"): Words("Temperature", "If it was taken.", unit="°C", more=True),
    ("receive", "measured"): Words("How measured", choices=_listed(Receipt.Measured), more=True),
    ("receive", "probe"): Words("Probe", more=True, keep=True),
    ("receive", "condition"): Words("Condition", choices=_listed(Receipt.Condition), more=True),
    ("", "lines.photo"): Words("Photograph", more=True),
    ("receive", "lines"): Words("What came", "Change only what was different."),
    ("", "lines.accepted"): Words("Good"),
    ("", "lines.short"): Words("Short", more=True),
    ("", "lines.rejected"): Words("Rejected", more=True),
    ("", "lines.reason"): Words("Why", more=True),
    ("come_without_note", "outlet"): Words("Where it came to", keep=True),
    ("come_without_note", "code"): Words("Code on the crate"),
    ("come_without_note", "grams"): Words("Weight", unit="kg"),
    ("come_without_note", "packs"): Words("Or how many packs", as_="steps"),
    ("use", "place"): Words("Where", keep=True),
    ("use", "quantity"): Words("How much", "Leave out: that crate is finished."),
    ("sell", "outlet"): Words("At", keep=True),
    ("sell", "rows"): Words("What the till rang up"),
    ("sell", "rows.lot"): Words("Lot", more=True),
    ("sell", "rows.unit_pence"): Words("Pence each", more=True),
    ("sell", "till"): Words("Till", more=True, keep=True),
    ("sold_out", "place"): Words("Where", keep=True),
    ("mark_down", "place"): Words("Where", keep=True),
    ("mark_down", "quantity"): Words("How many"),
    ("mark_down", "pence"): Words("New price", "Of one pack, or of a kilogram.", unit="pence"),
    ("return_goods", "outlet"): Words("From", keep=True),
    ("return_goods", "reason"): Words("Why", choices=_SENT_BACK, free=True),
    ("return_goods", "from_customer"): Words("A customer brought it back"),
    ("return_goods", "to"): Words("Where to", choices=_BACK),
}
