"""The verbs from the harvest lot to the shop, the kitchen and the till."""

from .accounts import issue_statement
from .arriving import come_without_note
from .labelling import print_labels, relabel, spoil_labels
from .line import look_over
from .notes import Arrived, Line, deliver, put_on_shelf, receive
from .packing import Taken, pack, rework
from .selling import (
    TillRow,
    never_there,
    return_goods,
    sell,
    till_day,
    till_days,
    told_already,
    use,
)
from .shop import mark_down, sold_out
from .weighing import weigh_packs

__all__ = [
    "Arrived",
    "Line",
    "Taken",
    "TillRow",
    "come_without_note",
    "deliver",
    "issue_statement",
    "look_over",
    "mark_down",
    "never_there",
    "pack",
    "print_labels",
    "put_on_shelf",
    "receive",
    "relabel",
    "return_goods",
    "rework",
    "sell",
    "sold_out",
    "spoil_labels",
    "till_day",
    "till_days",
    "told_already",
    "use",
    "weigh_packs",
]
