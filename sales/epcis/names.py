"""How lots, places, parties and papers are called outside the farm: web addresses under the farm's
own, which nobody else can give out."""

from __future__ import annotations

import re
from urllib.parse import quote

from grow.models import Business, LotKind, Unit
from sales import gs1

#: UN/ECE Recommendation 20: gram, millilitre. Plain numbers of things have no unit in EPCIS.
UOM: dict[str, str | None] = {Unit.G: "GRM", Unit.ML: "MLT", Unit.EACH: None}


class Names:
    """The addresses of one farm. Where it has given no public address its names end in .invalid,
    which RFC 2606 keeps from ever being anybody's: good within, and no name to the world."""

    def __init__(self, business: Business) -> None:
        slug = re.sub(r"[^a-z0-9]+", "-", business.name.lower()).strip("-")
        self.base = business.public_address or f"https://{slug[:40] or 'farm'}.invalid"
        self.prefix = business.company_prefix

    def lot(self, code: str, kind: str, gtin: str = "") -> str:
        """A GS1 Digital Link of GTIN and lot where the pack has a GTIN of the business's own, as
        its label has; else what its label says without one."""
        if kind == LotKind.PACK and gtin and self.prefix and gs1.begins_with(gtin, self.prefix):
            return gs1.link(gs1.elements({"01": gtin, "10": code}), self.base)
        return f"{self.base}/l/{quote(code, safe='')}"

    def place(self, pk: int) -> str:
        return f"{self.base}/places/{pk}"

    def thing(self, pk: int) -> str:
        return f"{self.base}/things/{pk}"

    def note(self, number: str) -> str:
        return f"{self.base}/notes/{quote(number, safe='')}"

    def event(self, *parts: object) -> str:
        """One entry may come to several events: each has its own name, and always the same."""
        return "/".join([self.base, "entries", *(quote(str(part), safe="") for part in parts)])

    @property
    def terms(self) -> str:
        return f"{self.base}/epcis-terms#"
