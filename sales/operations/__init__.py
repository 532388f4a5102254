"""The verbs from the harvest lot to the shop, the kitchen and the till."""

from .accounts import issue_statement
from .arriving import come_without_note
from .labelling import print_labels, relabel, spoil_labels
from .line import look_over
from .notes import Arrived, Line, deliver, put_on_shelf, receive
from .packing import Taken, pack, rework
from .recalling import (
    CameBack,
    approve_notices,
    close_mock,
    close_recall,
    complain,
    narrow_recall,
    open_recall,
    put_right,
    reply_recall,
    send_notice,
    tell_authority,
    widen_recall,
)
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
    "CameBack",
    "Line",
    "Taken",
    "TillRow",
    "approve_notices",
    "close_mock",
    "close_recall",
    "come_without_note",
    "complain",
    "deliver",
    "issue_statement",
    "look_over",
    "mark_down",
    "narrow_recall",
    "never_there",
    "open_recall",
    "pack",
    "print_labels",
    "put_on_shelf",
    "put_right",
    "receive",
    "relabel",
    "reply_recall",
    "return_goods",
    "rework",
    "sell",
    "send_notice",
    "sold_out",
    "spoil_labels",
    "tell_authority",
    "till_day",
    "till_days",
    "told_already",
    "use",
    "weigh_packs",
    "widen_recall",
]
