"""EPCIS 2.0: what happened to lots, as other people's systems read it, and their shipping events
read as goods in.

    document(lots=…) or document(first=…, last=…)   the whole document, for json.dumps
    parts(…)                                        the same as text, a piece at a time
    reading.read(…), taking.take_in(…)              a supplier's document, and its lots as receipts

By EPCIS 2.0 and CBV 2.0 (GS1, 2022), in JSON-LD. What the standard has no word for, such as water
that touched a cut, travels under terms of our own, `farm:…`, which others pass over.
"""

from .writing import document, parts

__all__ = ["document", "parts"]
