from .money import Money, Price
from .notes import DeliveryNote, NoteLine, Outlet, TillDay
from .packing import PackingRun, Product, RecipeLine

__all__ = [
    "DeliveryNote",
    "Money",
    "NoteLine",
    "Outlet",
    "PackingRun",
    "Price",
    "Product",
    "RecipeLine",
    "TillDay",
]
