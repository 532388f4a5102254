from .labels import A4_MM, FirstSteps, LabelStock, Printer
from .money import Money, Price, Statement
from .notes import DeliveryNote, NoteLine, Outlet, Receipt, ReceiptLine, TillDay
from .packing import DecisionCard, LabelCount, PackingRun, PackWeight, Product, RecipeLine
from .recalls import (
    Complaint,
    Drill,
    Notice,
    Recall,
    RecallLot,
    RecallStep,
    RecallWindow,
    Reply,
)
from .tills import TillFormat, TillName
from .wanted import Wanted

__all__ = [
    "A4_MM",
    "Complaint",
    "DecisionCard",
    "DeliveryNote",
    "Drill",
    "FirstSteps",
    "LabelCount",
    "LabelStock",
    "Money",
    "NoteLine",
    "Notice",
    "Outlet",
    "PackWeight",
    "PackingRun",
    "Price",
    "Printer",
    "Product",
    "Recall",
    "RecallLot",
    "RecallStep",
    "RecallWindow",
    "Receipt",
    "ReceiptLine",
    "RecipeLine",
    "Reply",
    "Statement",
    "TillDay",
    "TillFormat",
    "TillName",
    "Wanted",
]
