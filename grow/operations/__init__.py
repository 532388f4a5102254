"""The verbs. Each is one keyword-only function in one transaction; see `grow.ledger.operation`."""

from .corrections import (
    cancel,
    clear_origin,
    correct_origin,
    correct_weight,
    undo,
)
from .cutting import Crate, harvest, print_tags
from .growing import (
    check_germination,
    clear,
    lose_plants,
    move_plants,
    opening_entry,
    sow,
    transplant,
)
from .inputs import (
    describe,
    finish_input,
    keep_photo,
    open_input,
    receive_input,
    receive_produce,
)
from .laboratory import lab_result
from .signing import countersign
from .stock import count, discard, hold, move, release
from .watch import check, clean, incident
from .water import dose, drain_and_clean, feed, fill, test_water, top_up, treat

__all__ = [
    "Crate",
    "cancel",
    "check",
    "check_germination",
    "clean",
    "clear",
    "clear_origin",
    "correct_origin",
    "correct_weight",
    "count",
    "countersign",
    "describe",
    "discard",
    "dose",
    "drain_and_clean",
    "feed",
    "fill",
    "finish_input",
    "harvest",
    "hold",
    "incident",
    "keep_photo",
    "lab_result",
    "lose_plants",
    "move",
    "move_plants",
    "open_input",
    "opening_entry",
    "print_tags",
    "receive_input",
    "receive_produce",
    "release",
    "sow",
    "test_water",
    "top_up",
    "transplant",
    "treat",
    "undo",
]
