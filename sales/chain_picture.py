"""The chain of a trace as a picture: what went into what, and where it is now, as bands between
lots and places, with the same numbers as a table.

A band is as wide as its grams (packs at what one weighs). What only touched has no quantity, and
neither has what is counted in another unit; both are drawn as a hair.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from grow.models import LotKind, PlaceKind, Unit
from grow.wording import amount

#: Lots of one kind are drawn one by one up to so many; more, by what they are.
APART = 10
#: Kinds from left to right, places last; the page's script has a colour for each.
COLUMNS = (
    (LotKind.INPUT, LotKind.TREATMENT, LotKind.WATER),
    (LotKind.BATCH,),
    (LotKind.HARVEST, LotKind.PRODUCE),
    (LotKind.PACK,),
)
_OF_PLACES = len(COLUMNS)
#: What only touched, by kind.
TOUCHED: dict[str, str] = {
    LotKind.INPUT: "Seed, feed, packaging, gloves",
    LotKind.WATER: "Water",
    LotKind.TREATMENT: "Sprays and treatments",
}
#: A hair's share of the widest band.
_HAIR = 1 / 150
#: What became another lot is drawn as a band to that lot.
_DRAWN = PlaceKind.USED


@dataclass
class Band:
    """What goes from one node to another. grams: None where it has no weight."""

    source: str
    target: str
    how: str
    grams: int | None = None
    #: (unit, kind of lot) → quantity
    much: dict[tuple[str, str], int] = field(default_factory=dict)

    def row(self) -> dict[str, Any]:
        much = ", ".join(amount(n, *of) for of, n in sorted(self.much.items()))
        return {"source": self.source, "target": self.target, "how": self.how, "much": much}


@dataclass
class Picture:
    """Names of the nodes with their columns, and the bands between them."""

    nodes: dict[str, int]
    bands: list[Band]

    def figure(self) -> dict[str, Any]:
        """As plotly takes it: one Sankey trace. Colours are the page's own."""
        from plotly import graph_objects as go

        at = {name: n for n, name in enumerate(self.nodes)}
        widest = max((band.grams or 0 for band in self.bands), default=0)
        hair = max(widest * _HAIR, 1)
        sankey = go.Sankey(
            node={
                "label": list(self.nodes),
                "customdata": list(self.nodes.values()),
                "pad": 14,
                "thickness": 14,
                "hovertemplate": "%{label}<extra></extra>",
            },
            link={
                "source": [at[band.source] for band in self.bands],
                "target": [at[band.target] for band in self.bands],
                "value": [max(band.grams or 0, hair) for band in self.bands],
                "customdata": [_said(band) for band in self.bands],
                "hovertemplate": "%{customdata}<extra></extra>",
            },
        )
        return {
            "data": [{"type": "sankey", **sankey.to_plotly_json()}],
            "high": 30 * max(_tallest(self.nodes.values()), 8),
        }


def _said(band: Band) -> str:
    row = band.row()
    how = ", ".join(filter(None, (row["how"], row["much"])))
    return f"{band.source} → {band.target}<br>{how}"


def _tallest(columns: Iterable[int]) -> int:
    many: dict[int, int] = defaultdict(int)
    for column in columns:
        many[column] += 1
    return max(many.values(), default=0)


def picture(found: Mapping[str, Any]) -> Picture:
    """The picture of a trace as `readings.traced` gives it, with no more than its reader sees."""
    lots = {
        lot["code"]: lot
        for side in ("ancestors", "lots", "descendants")
        for lot in found[side]
        if not lot["recorded_in_error"]
    }
    called = _names(lots) | _only_touched(found["ancestors"])
    bands: dict[tuple[str, str, str], Band] = {}
    for side, up in (("ancestors", False), ("descendants", True)):
        for lot in found[side]:
            for join in lot["joins"] if lot["code"] in lots else ():
                if join["with"] in lots and not join["struck"]:
                    ends = (join["with"], lot["code"]) if up else (lot["code"], join["with"])
                    _add(bands, called, lots, ends, join)
    for row in found["whereabouts"]:
        if row["lot"] in lots and row["place_kind"] != _DRAWN and row["quantity"] > 0:
            there = {**row, "how": ""}
            called[row["place"]] = row["place"]
            _add(bands, called, lots, (row["lot"], row["place"]), there)
    columns = {called[code]: _column(lot["kind"]) for code, lot in lots.items()}
    shown: dict[str, int] = {}
    for band in bands.values():
        for name in (band.source, band.target):
            shown[name] = columns.get(name, _OF_PLACES)
    ordered = dict(sorted(shown.items(), key=lambda node: (node[1], node[0])))
    return Picture(ordered, sorted(bands.values(), key=lambda b: (b.source, b.target, b.how)))


def _column(kind: str) -> int:
    return next(n for n, kinds in enumerate(COLUMNS) if kind in kinds)


def _names(lots: Mapping[str, Mapping[str, Any]]) -> dict[str, str]:
    """Code → what its node is called: itself, or with its like where there are many."""
    alike: dict[tuple[str, str], list[str]] = defaultdict(list)
    many: dict[str, int] = defaultdict(int)
    for code, lot in lots.items():
        alike[lot["kind"], lot["title"]].append(code)
        many[lot["kind"]] += 1
    named = {}
    for (kind, title), codes in alike.items():
        together = codes[1:] and many[kind] > APART
        for code in codes:
            what = title or str(LotKind(kind).label)
            named[code] = f"{what} ({len(codes)})" if together else f"{what} {code}"
    return named


def _only_touched(ancestors: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Code → one node for all water, one for all inputs, one for all sprays that only touched."""
    of_kind: dict[str, list[str]] = defaultdict(list)
    for lot in ancestors:
        if all(join["how"] == "touched" for join in lot["joins"]):
            of_kind[lot["kind"]].append(lot["code"])
    return {
        code: f"{TOUCHED.get(kind, LotKind(kind).label)} ({len(codes)})"
        for kind, codes in of_kind.items()
        for code in codes
    }


def _add(
    bands: dict[tuple[str, str, str], Band],
    called: Mapping[str, str],
    lots: Mapping[str, Mapping[str, Any]],
    ends: tuple[str, str],
    row: Mapping[str, Any],
) -> None:
    source, target = (called[end] for end in ends)
    if source == target:
        return
    band = bands.setdefault((source, target, row["how"]), Band(source, target, row["how"]))
    quantity, unit = row["quantity"], row["unit"]
    if quantity is None:
        return
    lot = lots[ends[0]]
    of = unit, lot["kind"]
    band.much[of] = band.much.get(of, 0) + quantity
    each = 1 if unit == Unit.G else lot["grams_each"]
    if each:
        band.grams = (band.grams or 0) + quantity * each


__all__ = ["APART", "TOUCHED", "Band", "Picture", "picture"]
