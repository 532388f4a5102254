"""A supplier's or neighbour's EPCIS 2.0 document: what it shipped, lot by lot.

What is read: ObjectEvents and AggregationEvents of the step `shipping` that nobody has declared
wrong or voided, and, from whatever else the document holds, dates and lot numbers of the same lots
and names of the products. What cannot be taken in is said, event by event; `taking` does the rest.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any
from urllib.parse import unquote

from grow.errors import Refusal
from grow.importing.sheets import MOST_BYTES
from grow.wording import amount
from sales import gs1

#: What a receipt may be counted in, by UN/ECE Recommendation 20: our unit, and how many of it.
_UNITS: dict[str | None, tuple[str, int]] = {
    None: ("each", 1),
    "EA": ("each", 1),
    "H87": ("each", 1),
    "C62": ("each", 1),
    "GRM": ("g", 1),
    "KGM": ("g", 1000),
    "MLT": ("ml", 1),
    "LTR": ("ml", 1000),
}
_LGTIN = re.compile(r"urn:epc:class:lgtin:(\d{6,12})\.(\d{1,7})\.(\S+)")
#: Events of one document at most: a year's would hold the books for minutes.
MOST = 2000
#: Lots of one document at most, for the same reason.
MOST_LOTS = 2000
#: Of one lot at most, in g, ml or things: what no lot of anything comes near.
_MOST_OF_ONE = 10**12
_YEARS = range(1900, 3000)
Json = Mapping[str, Any]


@dataclass(frozen=True)
class Ident:
    """What an epcClass says: the product, by its GTIN or by the address without the lot; the
    lot's number."""

    product: str
    lot: str

    @property
    def as_name(self) -> str:
        """The GTIN, by which an input may be called; empty for an address."""
        return self.product if re.fullmatch(r"\d{14}", self.product) else ""


@dataclass(frozen=True)
class Shipped:
    """One lot of one shipment. quantity is whole, in unit; None where none was told."""

    event: str
    #: The same for the same lot of the same event, whenever and wherever it is read.
    key: str
    ident: Ident
    name: str
    quantity: int | None
    unit: str
    shipped_at: dt.datetime
    best_before: dt.date | None
    origin: str

    @property
    def much(self) -> str:
        return "–" if self.quantity is None else amount(self.quantity, self.unit)


@dataclass
class Read:
    """What a document came to: what can be taken in, and why other things cannot."""

    shipped: list[Shipped] = field(default_factory=list)
    passed_over: list[str] = field(default_factory=list)

    @property
    def products(self) -> dict[str, str]:
        """Each product of theirs, and what they call it."""
        return {one.ident.product: one.name for one in self.shipped}


# --- the document -----------------------------------------------------------------------------


def read(data: bytes | str) -> Read:
    """Raises Refusal for what is no EPCIS 2.0 document in JSON."""
    if len(data) > MOST_BYTES:
        raise Refusal("too_large", f"That file is larger than {MOST_BYTES >> 20} MB.")
    try:
        document = json.loads(data, parse_float=Decimal, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise Refusal("no_epcis", "That file is no JSON; ask for EPCIS 2.0 as JSON-LD.") from error
    return read_document(document)


def read_document(document: Any) -> Read:
    """The same of JSON that was read already: numbers as int, Decimal or float."""
    try:
        json.dumps(document, ensure_ascii=False, default=str).encode()
    except UnicodeEncodeError as error:
        # RFC 8259, 8.2: JSON's escapes can spell it, and no text can be written that holds it
        raise Refusal(
            "no_epcis",
            "That document holds half a character, such as \\ud800, which no text can keep; ask "
            "its sender for it anew.",
        ) from error
    events = list(_events(document))
    out = Read()
    voided = {paper for e in events if _step(e) == "void_shipping" for paper in _papers(e) if paper}
    known = _known(events)
    names = dict(_names(document))
    number = sum(len(_listed(e)) for e in events if _step(e) == "shipping")
    if number > MOST_LOTS:
        raise Refusal(
            "too_many_rows", f"It ships {number} lots; send {MOST_LOTS} at once at most, in parts."
        )
    for n, event in enumerate(events, 1):
        if _step(event) != "shipping":
            continue
        called = str(event.get("eventID") or f"event {n}")
        if why := _not_taken(event, voided):
            out.passed_over.append(f"{called}: {why}.")
            continue
        _take(out, event, called, known, names)
    if not out.shipped and not out.passed_over:
        raise Refusal("nothing_shipped", "Nothing in that document says that it was shipped.")
    return out


def _no_number(text: str) -> None:
    raise ValueError(text)


def _events(document: Any) -> Iterator[dict[str, Any]]:
    if not isinstance(document, dict) or document.get("type") not in (
        *("EPCISDocument", "EPCISQueryDocument"),
    ):
        raise Refusal("no_epcis", "That file is no EPCIS document: its type should say so.")
    if str(document.get("schemaVersion")) not in ("2.0", "2"):
        version = str(document.get("schemaVersion") or "none")[:20]
        raise Refusal("no_epcis", f"It is EPCIS of version {version}; version 2.0 is read here.")
    body: Any = document.get("epcisBody") or {}
    if document["type"] == "EPCISQueryDocument" and isinstance(body, dict):
        results = body.get("queryResults") or {}
        body = results.get("resultsBody") if isinstance(results, dict) else {}
    found = body.get("eventList") if isinstance(body, dict) else None
    if not isinstance(found, list):
        raise Refusal("no_epcis", "That document holds no list of events.")
    if len(found) > MOST:
        raise Refusal("too_many_rows", f"It has {len(found)} events; send {MOST} at once at most.")
    return (one for one in found if isinstance(one, dict))


def _word(value: Any, of: str) -> str:
    """A word of CBV, however it is spelt: bare, as a web address or as a URN."""
    text = str(value or "")
    return re.sub(rf"^(?:cbv:|https?://\S+/cbv/){of}-|^urn:epcglobal:cbv:{of.lower()}:", "", text)


def _step(event: Json) -> str:
    return _word(event.get("bizStep"), "BizStep")


def _papers(event: Json) -> Iterator[str]:
    for one in _dicts(event.get("bizTransactionList")):
        yield str(one.get("bizTransaction") or "")


def _dicts(value: Any) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _not_taken(event: Json, voided: set[str]) -> str:
    if event.get("errorDeclaration"):
        return "its sender has declared it wrong"
    if any(paper in voided for paper in _papers(event)):
        return "its shipment was voided"
    if event.get("type") not in ("ObjectEvent", "AggregationEvent"):
        return f"a {str(event.get('type'))[:40]} ships nothing that can be received"
    if event.get("action") == "DELETE":
        return "it says that the goods are gone"
    return ""


def _take(
    out: Read,
    event: Json,
    called: str,
    known: Mapping[str, dict[str, str]],
    names: Mapping[str, str],
) -> None:
    try:
        shipped_at = dt.datetime.fromisoformat(str(event.get("eventTime")))
    except ValueError:
        out.passed_over.append(f"{called}: its eventTime is no moment.")
        return
    if shipped_at.tzinfo is None:
        out.passed_over.append(f"{called}: its eventTime says no zone.")
        return
    if shipped_at.year not in _YEARS:
        out.passed_over.append(
            f"{called}: its eventTime is of the year {shipped_at.year}; {_YEARS[0]} to "
            f"{_YEARS[-1]} are taken in."
        )
        return
    before = {one.key for one in out.shipped}
    for uri, (ident, quantity, unit) in _lots(out, event, called).items():
        facts = known.get(uri, {})
        key = _key([event.get("eventID") or event, uri, quantity])
        lot = facts.get("lotNumber") or ident.lot
        if key in before:
            out.passed_over.append(f"{called}: it stands in the document twice, with {lot}.")
            continue
        out.shipped.append(
            Shipped(
                event=called,
                key=key,
                ident=Ident(ident.product, lot),
                name=names.get(uri) or names.get(ident.product, ""),
                quantity=quantity,
                unit=unit,
                shipped_at=shipped_at,
                best_before=_date(facts),
                origin=facts.get("countryOfOrigin", ""),
            )
        )
    if not _listed(event):
        out.passed_over.append(f"{called}: it names single things and no lot.")


def _listed(event: Json) -> list[dict[str, Any]]:
    return _dicts(event.get("quantityList")) or _dicts(event.get("childQuantityList"))


def _lots(out: Read, event: Json, called: str) -> dict[str, tuple[Ident, int | None, str]]:
    """By epcClass, what is shipped of each lot: what stands in two lines of one event is one lot,
    and comes in as their sum."""
    found: dict[str, tuple[Ident, int | None, str]] = {}
    for one in _listed(event):
        uri = str(one.get("epcClass") or "")
        try:
            ident = ident_of(uri)
            quantity, unit = _quantity(one)
            if uri in found:
                _, before, before_unit = found[uri]
                if unit != before_unit:
                    raise Refusal("no_unit", f"{ident.lot} is told in {before_unit} and in {unit}.")
                quantity = None if None in (quantity, before) else (quantity or 0) + (before or 0)
        except Refusal as refusal:
            out.passed_over.append(f"{called}: {refusal.sentence}")
            continue
        found[uri] = ident, quantity, unit
    return found


def _key(told: Any) -> str:
    text = json.dumps(_alike(told), sort_keys=True)
    return f"epcis-{hashlib.sha256(text.encode()).hexdigest()[:40]}"


def _alike(told: Any) -> Any:
    """JSON with its numbers spelt alike, whoever read them: 0.250 is 0.25, and 12.0 is 12."""
    if isinstance(told, dict):
        return {name: _alike(value) for name, value in told.items()}
    if isinstance(told, list):
        return [_alike(value) for value in told]
    if isinstance(told, float | Decimal):
        number = float(told)
        return int(number) if number.is_integer() and abs(number) < 2**53 else str(number)
    return told


def ident_of(uri: str) -> Ident:
    """Product and lot of an epcClass: a GS1 Digital Link, an LGTIN, or a web address of the
    sender's own whose last part is the lot. Raises Refusal."""
    if urn := _LGTIN.fullmatch(uri):
        prefix, reference, lot = urn.groups()
        if len(prefix) + len(reference) != 13:
            raise Refusal("no_lot", f"{uri[:80]} is no LGTIN.")
        digits = reference[0] + prefix + reference[1:]
        return Ident(digits + gs1.check_digit(digits), unquote(lot))
    if re.match(r"https?://", uri):
        try:
            found = gs1.parse_link(uri)
        except Refusal:
            found = None
        if found and found.gtin and found.lot:
            return Ident(found.gtin, found.lot)
        product, _, lot = uri.split("#")[0].split("?")[0].rstrip("/").rpartition("/")
        if lot and product.count("/") > 2 and not (found and found.gtin):
            return Ident(product, unquote(lot))
    raise Refusal("no_lot", f"“{uri[:80]}” names no lot that can be read.")


def _quantity(one: Json) -> tuple[int | None, str]:
    uom = one.get("uom")
    if not isinstance(uom, str | None) or uom not in _UNITS:
        raise Refusal("no_unit", f"{str(uom)[:10]} is no unit that goods are received in here.")
    unit, times = _UNITS[uom]
    told = one.get("quantity")
    if told is None:
        return None, unit
    if isinstance(told, bool) or not isinstance(told, int | float | Decimal) or told <= 0:
        raise Refusal("no_quantity", f"“{str(told)[:20]}” is no quantity.")
    if told > _MOST_OF_ONE // times:
        raise Refusal(
            "no_quantity",
            f"“{str(told)[:20]}” is more than {_MOST_OF_ONE // times} {uom or ''}, "
            "the most of one lot that is taken in.",
        )
    quantity = Decimal(str(told)) * times  # a float by its shortest text, which is what was sent
    if not quantity.is_finite() or quantity != quantity.to_integral_value():
        raise Refusal("no_quantity", f"{told} {uom or ''} is no whole number of {unit}.")
    return int(quantity), unit


def _date(facts: Mapping[str, str]) -> dt.date | None:
    """The date on the pack, whichever kind it is."""
    for name in ("bestBeforeDate", "itemExpirationDate", "expirationDate", "sellByDate"):
        try:
            return dt.date.fromisoformat(facts.get(name, "")[:10])
        except ValueError:
            continue
    return None


def _known(events: Iterable[Json]) -> dict[str, dict[str, str]]:
    """What the document's other events say of each lot when it was made."""
    found: dict[str, dict[str, str]] = {}
    for event in events:
        ilmd = event.get("ilmd")
        if not isinstance(ilmd, dict):
            continue
        facts = {
            name.rpartition(":")[2].rpartition("#")[2].rpartition("/")[2]: str(value)
            for name, value in ilmd.items()
        }
        for one in (
            *_dicts(event.get("quantityList")),
            *_dicts(event.get("outputQuantityList")),
        ):
            found.setdefault(str(one.get("epcClass")), {}).update(facts)
    return found


def _names(document: Json) -> Iterator[tuple[str, str]]:
    """Names of lots and products in the document's master data, by address and by GTIN."""
    header = document.get("epcisHeader")
    data = header.get("epcisMasterData") if isinstance(header, dict) else None
    for vocabulary in _dicts(data.get("vocabularyList")) if isinstance(data, dict) else ():
        for element in _dicts(vocabulary.get("vocabularyElementList")):
            uri = str(element.get("id") or "")
            for said in _dicts(element.get("attributes")):
                if str(said.get("id")).rpartition(":")[2] in ("descriptionShort", "name"):
                    yield uri, str(said.get("attribute"))[:80]
                    try:
                        yield ident_of(uri).product, str(said.get("attribute"))[:80]
                    except Refusal:
                        continue
