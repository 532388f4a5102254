"""The verbs from the harvest lot to the shop, the kitchen and the till."""

from .notes import Arrived, Line, deliver, put_on_shelf, receive
from .packing import Taken, pack, rework
from .selling import TillRow, return_goods, sell, till_day, use

__all__ = [
    "Arrived",
    "Line",
    "Taken",
    "TillRow",
    "deliver",
    "pack",
    "put_on_shelf",
    "receive",
    "return_goods",
    "rework",
    "sell",
    "till_day",
    "use",
]
