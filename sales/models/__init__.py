from .labels import A4_MM, FirstSteps, LabelStock
from .money import Money, Price
from .notes import DeliveryNote, NoteLine, Outlet, TillDay
from .packing import PackingRun, Product, RecipeLine

__all__ = [
    "A4_MM",
    "DeliveryNote",
    "FirstSteps",
    "LabelStock",
    "Money",
    "NoteLine",
    "Outlet",
    "PackingRun",
    "Price",
    "Product",
    "RecipeLine",
    "TillDay",
]
