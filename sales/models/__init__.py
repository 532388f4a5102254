from .labels import A4_MM, FirstSteps, LabelStock, Printer
from .money import Money, Price, Statement
from .notes import DeliveryNote, NoteLine, Outlet, Receipt, ReceiptLine, TillDay
from .packing import DecisionCard, LabelCount, PackingRun, PackWeight, Product, RecipeLine
from .tills import TillFormat, TillName
from .wanted import Wanted

__all__ = [
    "A4_MM",
    "DecisionCard",
    "DeliveryNote",
    "FirstSteps",
    "LabelCount",
    "LabelStock",
    "Money",
    "NoteLine",
    "Outlet",
    "PackWeight",
    "PackingRun",
    "Price",
    "Printer",
    "Product",
    "Receipt",
    "ReceiptLine",
    "RecipeLine",
    "Statement",
    "TillDay",
    "TillFormat",
    "TillName",
    "Wanted",
]
