"""What a movement is called in CBV 2.0: action, business step, disposition. Read in GS1's own
ontology; CBV has no step for sowing or cutting, which are its `commissioning`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from grow.models import ENDS, SOURCES, PlaceKind

K = PlaceKind


class Step(NamedTuple):
    """type: Object, or Association where plants are set on a tower or taken off it."""

    type: str
    action: str
    step: str
    disposition: str = ""


def _object(action: str, step: str, disposition: str = "") -> Step:
    return Step("ObjectEvent", action, step, disposition)


RECEIVED = _object("OBSERVE", "receiving", "in_progress")
FOUND_THERE = _object("ADD", "commissioning", "in_progress")
MADE = Step("TransformationEvent", "", "commissioning", "in_progress")
ON_TOWER = Step("AssociationEvent", "ADD", "assembling", "in_progress")
OFF_TOWER = Step("AssociationEvent", "DELETE", "disassembling", "in_progress")
HELD = _object("OBSERVE", "holding", "non_sellable_other")
RECALLED = _object("OBSERVE", "holding", "recalled")
LET_GO = _object("OBSERVE", "storing", "in_progress")
VOIDED = _object("OBSERVE", "void_shipping")
BACK = _object("OBSERVE", "receiving", "returned")
INSPECTED = _object("OBSERVE", "inspecting")
#: Out of a source. What grew or was packed is a transformation's output.
OUT_OF: dict[str, Step | None] = {
    K.SUPPLIER: RECEIVED,
    K.MAINS: RECEIVED,
    K.OPENING: FOUND_THERE,
    K.COUNT_DIFFERENCE: _object("ADD", "stock_taking", "in_progress"),
    K.WATER_SCALE: _object("ADD", "stock_taking", "in_progress"),
    K.GROWTH: _object("ADD", "creating_class_instance", "in_progress"),
    K.PACKING: _object("ADD", "creating_class_instance", "active"),
}
#: Into an end, or lost to a count.
INTO: dict[str, Step] = {
    K.SOLD: _object("DELETE", "retail_selling", "retail_sold"),
    K.SERVED: _object("DELETE", "dispensing", "dispensed"),
    K.DONATED: _object("DELETE", "dispensing", "dispensed"),
    K.STAFF: _object("DELETE", "dispensing", "dispensed"),
    K.COMPOST: _object("DELETE", "destroying", "destroyed"),
    K.FEED: _object("DELETE", "destroying", "destroyed"),
    K.LANDFILL: _object("DELETE", "destroying", "destroyed"),
    K.DESTROYED: _object("DELETE", "destroying", "destroyed"),
    K.SAMPLE: _object("DELETE", "sampling"),
    K.USED: _object("DELETE", "decommissioning", "inactive"),
    K.GIVEAWAY: _object("DELETE", "other"),
    K.MOISTURE: _object("DELETE", "other"),
    K.COUNT_DIFFERENCE: _object("DELETE", "stock_taking", "unknown"),
    K.WATER_SCALE: _object("DELETE", "stock_taking", "unknown"),
}
#: Sources that give what a transformation puts out.
MAKING = frozenset({K.GROWTH, K.PACKING, K.OPENING})
_COUNTS = frozenset({K.COUNT_DIFFERENCE, K.WATER_SCALE})


def steps(from_: str, to: str) -> Iterator[Step]:
    """What a quantity did on its way between two kinds of place. From a source into an end it
    did two things."""
    if from_ in SOURCES and (step := OUT_OF[from_]):
        yield step
    if to in ENDS or to in _COUNTS:
        yield INTO[to]
    elif to in SOURCES:
        yield _object("DELETE", "other")  # given back to where it came from
    elif from_ in ENDS:
        yield BACK
        if to == K.QUARANTINE:
            yield HELD
    elif from_ not in SOURCES:
        yield _between(from_, to)


def _between(from_: str, to: str) -> Step:
    if to == K.TRANSIT:
        return _object("OBSERVE", "shipping", "in_transit")
    if from_ == K.TRANSIT:
        came = {K.SHOP: "sellable_accessible", K.QUARANTINE: "non_sellable_other"}
        return _object("OBSERVE", "receiving", came.get(PlaceKind(to), "sellable_not_accessible"))
    if to == K.QUARANTINE:
        return HELD
    if to == K.TOWER:
        return ON_TOWER
    if from_ == K.TOWER:
        return OFF_TOWER
    if to == K.SHOP:
        return _object("OBSERVE", "stocking", "sellable_accessible")
    return _object("OBSERVE", "storing", "in_progress")
