"""EPCIS 2.0 documents read by somebody who knows the standard and nothing of us: no line of the
exporter is used, and no database is asked.

`joins` rebuilds who came from whom, and by how much, from TransformationEvents; `standing` adds up
what each lot's events made, took away and lost. `wrong` is what a document must be by the
standard's own words (EPCIS 2.0, sections 7.4 and 10; CBV 2.0, section 7), as far as it can be said
without GS1's schema file.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import datetime
from typing import Any
from urllib.parse import unquote, urlsplit

#: CBV 2.0, section 7.1 and 7.2: the words of the standard, read in GS1's schema and context.
STEPS = {
    "accepting", "arriving", "assembling", "collecting", "commissioning", "consigning",
    "creating_class_instance", "cycle_counting", "decommissioning", "departing", "destroying",
    "disassembling", "dispensing", "encoding", "entering_exiting", "holding", "inspecting",
    "installing", "killing", "loading", "other", "packing", "picking", "receiving", "removing",
    "repackaging", "repairing", "replacing", "reserving", "retail_selling", "sampling",
    "sensor_reporting", "shipping", "staging_outbound", "stock_taking", "stocking", "storing",
    "transporting", "unloading", "unpacking", "void_shipping",
}  # fmt: skip
DISPOSITIONS = {
    "active", "container_closed", "damaged", "destroyed", "dispensed", "disposed", "encoded",
    "expired", "in_progress", "in_transit", "inactive", "no_pedigree_match", "non_sellable_other",
    "partially_dispensed", "recalled", "reserved", "retail_sold", "returned",
    "sellable_accessible", "sellable_not_accessible", "stolen", "unknown", "conformant",
    "non_conformant", "available",
}  # fmt: skip
_MEMBERS = {
    "ObjectEvent": {"action"},
    "TransformationEvent": {"outputQuantityList"},
    "AssociationEvent": {"action", "parentID", "childQuantityList"},
}
#: An ObjectEvent is of classes, of single things, or of both (EPCIS 2.0, 7.4.2).
_OBJECTS = {"quantityList", "epcList"}
#: One without what went in, or what came out, has a name of its own (7.4.6).
_NAMED = {"inputQuantityList", "transformationID"}
_LISTS = ("quantityList", "inputQuantityList", "outputQuantityList", "childQuantityList")
_OURS = re.compile(r"[a-z]+:[A-Za-z]+")
_KNOWN = {
    *("type", "eventID", "eventTime", "eventTimeZoneOffset", "recordTime", "errorDeclaration"),
    *("action", "bizStep", "disposition", "persistentDisposition", "readPoint", "bizLocation"),
    *(
        "bizTransactionList",
        "sourceList",
        "destinationList",
        "ilmd",
        "parentID",
        "epcList",
        "transformationID",
        *_LISTS,
    ),
}

#: (parent, child) → quantity; None for what was only touched.
Joins = dict[tuple[str, str], int | None]


def events(document: dict[str, Any]) -> list[dict[str, Any]]:
    return document["epcisBody"]["eventList"]


def code(uri: str) -> str:
    """The lot in a class identifier: the last part of its path, or what follows /10/."""
    path = urlsplit(uri).path.split("/")
    if "01" in path:
        return unquote(path[path.index("10") + 1])
    return unquote(path[-1])


def joins(document: dict[str, Any]) -> tuple[Joins, Joins]:
    """What went in or grew, with its quantity; and what touched. Declared errors do not count."""
    matter: dict[tuple[str, str], int] = defaultdict(int)
    touched: set[tuple[str, str]] = set()
    for event in events(document):
        if event["type"] != "TransformationEvent" or "errorDeclaration" in event:
            continue
        (output,) = event["outputQuantityList"]
        child = code(output["epcClass"])
        for one in event.get("inputQuantityList", ()):
            matter[code(one["epcClass"]), child] += one["quantity"]
        touched |= {(code(uri), child) for uri in event.get("farm:touchedBy", ())}
    return dict(matter), dict.fromkeys(touched)


def standing(document: dict[str, Any]) -> Counter[str]:
    """What is left of each lot by all its events: what was received, found, made or put out, less
    what went into others and what is gone. Only class-level quantities that were told count."""
    left: Counter[str] = Counter()
    for event in events(document):
        if "errorDeclaration" in event:
            continue
        for name, sign in _signs(event):
            for one in event.get(name, ()):
                left[code(one["epcClass"])] += sign * one.get("quantity", 0)
    return left


def _signs(event: dict[str, Any]) -> Iterator[tuple[str, int]]:
    if event["type"] == "TransformationEvent":
        # of a plant that was cut, nothing is used up
        yield "outputQuantityList", 1
        if event.get("farm:origin") != "grew":
            yield "inputQuantityList", -1
    elif event["type"] == "ObjectEvent":
        received = event["bizStep"] == "receiving" and "sourceList" in event
        if event["action"] == "DELETE":
            yield "quantityList", -1
        elif event["action"] == "ADD" or received or event.get("disposition") == "returned":
            yield "quantityList", 1


def wrong(document: dict[str, Any]) -> Iterator[str]:
    """What of it the standard would not have."""
    if document.get("type") != "EPCISDocument" or document.get("schemaVersion") != "2.0":
        yield "it is no EPCISDocument of version 2.0"
    contexts = document.get("@context", [])
    prefixes = {key for one in contexts if isinstance(one, dict) for key in one} | {"cbvmda"}
    if not any(isinstance(c, str) and c.startswith("https://ref.gs1.org/") for c in contexts):
        yield "its context is not GS1's"
    if not _moment(document.get("creationDate", "")):
        yield "its creationDate is no moment"
    ids = Counter(event.get("eventID") for event in events(document))
    yield from (f"{pk} is the name of {n} events" for pk, n in ids.items() if n > 1)
    for event in events(document):
        for says in _wrong(event, prefixes):
            yield f"{event.get('eventID')}: {says}"


def _moment(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def _uri(text: Any) -> bool:
    return bool(re.fullmatch(r"(https?://[^/\s]+/\S+|urn:\S+)", str(text)))


def _wrong(event: dict[str, Any], prefixes: set[str]) -> Iterator[str]:
    kind = event.get("type")
    if kind not in _MEMBERS:
        yield f"there are no {kind}s here"
        return
    yield from (f"it lacks {name}" for name in _MEMBERS[kind] - event.keys())
    if kind == "TransformationEvent" and not event.keys() & _NAMED:
        yield "it lacks what went in, and a transformationID"
    if not _uri(event.get("transformationID", "urn:x")):
        yield "its transformationID is no URI"
    if kind == "ObjectEvent" and not event.keys() & _OBJECTS:
        yield "it lacks what it is of"
    if not all(_uri(one) for one in event.get("epcList", ["urn:x"])) or event.get("epcList") == []:
        yield "its epcList is none"
    for name in event.keys() - _KNOWN:
        if not _OURS.fullmatch(name) or name.partition(":")[0] not in prefixes:
            yield f"{name} is no member of an event, and no term of a named vocabulary"
    if not _uri(event.get("eventID")):
        yield "its eventID is no URI"
    if not (_moment(event.get("eventTime", "")) and _moment(event.get("recordTime", ""))):
        yield "a time of it is no moment"
    if not re.fullmatch(r"[+-]((0\d|1[0-3]):[0-5]\d|14:00)", str(event.get("eventTimeZoneOffset"))):
        yield "its offset is none"
    if event.get("bizStep") not in STEPS:
        yield f"{event.get('bizStep')} is no step of CBV"
    if event.get("disposition", "active") not in DISPOSITIONS:
        yield f"{event['disposition']} is no disposition of CBV"
    if kind == "TransformationEvent" and "action" in event:
        yield "a transformation has no action"
    if "ilmd" in event and not (kind == "TransformationEvent" or event.get("action") == "ADD"):
        yield "ilmd where nothing is made"
    for name in event.get("ilmd", ()):
        if name.partition(":")[0] not in prefixes:
            yield f"{name} in ilmd is of no vocabulary"
    for name in _LISTS:
        if name in event and not event[name]:
            yield f"its {name} is empty"
        for one in event.get(name, ()):
            yield from _wrong_quantity(one)
    for name in ("readPoint", "bizLocation"):
        if name in event and not _uri(event[name].get("id")):
            yield f"its {name} is none"
    for one in event.get("sourceList", ()):
        if set(one) != {"type", "source"} or not _uri(one["source"]):
            yield "a source of it is none"


def _wrong_quantity(one: dict[str, Any]) -> Iterator[str]:
    if set(one) - {"epcClass", "quantity", "uom"} or not _uri(one.get("epcClass")):
        yield f"{one} is no quantity of a class"
    quantity = one.get("quantity", 1)
    if isinstance(quantity, bool) or not isinstance(quantity, int | float) or quantity < 0:
        yield f"{quantity} is no quantity"
    if "uom" in one and ("quantity" not in one or not re.fullmatch("[A-Z0-9]{2,3}", one["uom"])):
        yield f"{one.get('uom')} is no unit"
