"""Who touched whom, and what went in, counted again by hand.

A second opinion on the `touched` edges and on the quantities of `went in` and `grew`, that shares
no code with the service but its tables and its list of kinds of event. The rows are read once
into plain dicts; all else is loops over every lot, stay, tank and treatment, slow and plain on
purpose. A window is a pair of moments, both inclusive. What was told with only a day took the
whole day, so a record reaches from the earliest moment of the event that began it to the latest
moment of the one that ended it.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from itertools import pairwise
from typing import Any

from django.db.models import Model

from grow.kinds import KINDS
from grow.models import (
    CutSite,
    Event,
    Feed,
    InUse,
    Item,
    Lineage,
    Lot,
    Movement,
    Place,
    Planting,
    TreatedPlace,
)

Row = dict[str, Any]
Window = tuple[dt.datetime, dt.datetime]

ALWAYS = dt.datetime.min.replace(tzinfo=dt.UTC)
NOT_YET = dt.datetime.max.replace(tzinfo=dt.UTC)
TOUCHABLE = ("batch", "harvest", "pack", "water", "treatment")
INTO_TANK = ("fill", "top_up", "dose")
WHERE_CELLS_STAND = ("bench", "shelf", "tent")
TAKING_BACK = ("cancel", "undo")
BOOKS_OWN = ("shortfall", "count_difference", "worked_out_sale")


def _rows(model: type[Model], *names: str) -> list[Row]:
    found = model._default_manager.order_by("pk").values_list(*names)
    return [dict(zip(names, values, strict=True)) for values in found]


class Tables:
    """Every row that a recount needs, read once."""

    def __init__(self) -> None:
        moments = ("placed_at", "earliest_at", "latest_at")
        self.events = {
            e["id"]: e
            for e in _rows(Event, "id", "kind", "place_id", "corrects_id", "told", *moments)
        }
        self.dead = {e["corrects_id"] for e in self.events.values() if e["kind"] in TAKING_BACK}
        self.lots = _rows(Lot, "id", "kind", "crop_id", "item_id", "made_by_id")
        self.places = {p["id"]: p for p in _rows(Place, "id", "kind", "within_id")}
        self.items = {i["id"]: i for i in _rows(Item, "id", "kind", "variety__crop_id")}
        dated = ("began_by_id", "ended_by_id")
        self.feeds = _rows(Feed, "tank_id", "place_id", *dated)
        self.in_use = _rows(InUse, "lot_id", "place_id", *dated)
        self.plantings = _rows(
            Planting,
            "id",
            "batch_id",
            "site_id",
            "site__tower_id",
            "blocked_by_id",
            "began_at",
            *dated,
        )
        self.cut_sites = _rows(CutSite, "lot_id", "planting_id")
        self.treated = _rows(TreatedPlace, "lot_id", "place_id", "site_id")
        self.edges = _rows(
            Lineage, "parent_id", "child_id", "kind", "quantity", "struck_by_id", "cleared_by_id"
        )
        self.movements = _rows(
            Movement, "event_id", "lot_id", "from_place_id", "to_place_id", "quantity"
        )
        self.named = [
            (row["event_id"], row["lot_id"])
            for row in _rows(Event.inputs.through, "event_id", "lot_id")
        ]
        self.wetted = [
            (row["event_id"], row["place_id"])
            for row in _rows(Event.tanks.through, "event_id", "place_id")
        ]

    def act(self, lot: Row) -> Row:
        return self.events[lot["made_by_id"]]

    def living_lots(self, *kinds: str) -> list[Row]:
        return [
            lot for lot in self.lots if lot["kind"] in kinds and lot["made_by_id"] not in self.dead
        ]

    def around(self, place: int | None) -> list[int]:
        """A place, the area around it, the area around that."""
        out = []
        while place is not None:
            out.append(place)
            place = self.places[place]["within_id"]
        return out

    def window(self, dated: Row) -> Window:
        end = NOT_YET
        if dated["ended_by_id"] is not None:
            end = self.events[dated["ended_by_id"]]["latest_at"]
        return self.events[dated["began_by_id"]]["earliest_at"], end


def _both(a: Window, b: Window) -> Window | None:
    """What two windows share, if only a moment."""
    start, end = max(a[0], b[0]), min(a[1], b[1])
    return (start, end) if start <= end else None


# --- water ------------------------------------------------------------------------------------


def _tanks(tables: Tables) -> dict[int, list[tuple[int, int, Window]]]:
    """Tank → its waters in order: (lot, number of drains before it, when it was in the tank)."""
    lot_of = {lot["made_by_id"]: lot["id"] for lot in tables.living_lots("water")}
    acts = defaultdict(list)
    for e in tables.events.values():
        if e["kind"] in (*INTO_TANK, "drain_and_clean") and e["id"] not in tables.dead:
            acts[e["place_id"]].append(e)
    tanks: dict[int, list[tuple[int, int, Window]]] = defaultdict(list)
    for tank, told in acts.items():
        told.sort(key=lambda e: _place_in_line(tables, e))
        drains = 0
        for here, after in zip(told, [*told[1:], None], strict=True):
            if here["kind"] == "drain_and_clean":
                drains += 1
                continue
            until = after["latest_at"] if after else NOT_YET
            tanks[tank].append((lot_of[here["id"]], drains, (here["earliest_at"], until)))
    return tanks


def _place_in_line(tables: Tables, act: Row) -> tuple:
    """Where an act stands among those of its tank. Of one moment: as a tank is worked, then by
    what was said, with the receipts of its inputs for their names; the order of telling last."""
    said = json.loads(act["told"])
    told = sorted(
        (name, json.dumps(said[name], sort_keys=True))
        for name in said
        if name not in ("inputs", "cleaner", "already_done")
    )
    made_by = {lot["id"]: lot["made_by_id"] for lot in tables.lots}
    receipts = [tables.events[made_by[lot]] for e, lot in tables.named if e == act["id"]]
    return (
        act["placed_at"],
        ("drain_and_clean", *INTO_TANK).index(act["kind"]),
        act["earliest_at"],
        act["latest_at"],
        told,
        sorted((r["placed_at"], r["told"]) for r in receipts),
        act["id"],
    )


def _last_of_each_chain(
    tanks: dict[int, list[tuple[int, int, Window]]], stood_in: list[tuple[int, Window]]
) -> set[int]:
    """Of the waters in these tanks in these windows, the last of each unbroken chain."""
    last: dict[tuple[int, int], int] = {}
    for tank, waters in tanks.items():
        for lot, chain, was_there in waters:
            if any(t == tank and _both(w, was_there) for t, w in stood_in):
                last[tank, chain] = lot
    return set(last.values())


# --- where plants stood -----------------------------------------------------------------------


def _stays(tables: Tables, batch: int) -> list[tuple[int, Window]]:
    """(bench, shelf or tent, window) of every stay of a sowing's cells."""
    told: dict[tuple[int, dt.datetime], list[tuple[int, Row]]] = defaultdict(list)
    own: dict[tuple[int, dt.datetime], int] = defaultdict(int)
    for m in tables.movements:
        e = tables.events[m["event_id"]]
        if m["lot_id"] != batch or e["id"] in tables.dead:
            continue
        if e["kind"] in (*TAKING_BACK, "cancel_because"):
            continue
        for place, sign in ((m["to_place_id"], 1), (m["from_place_id"], -1)):
            if tables.places[place]["kind"] not in WHERE_CELLS_STAND:
                continue
            if e["kind"] in BOOKS_OWN:
                own[place, e["placed_at"]] += sign * m["quantity"]
            else:
                told[place, e["placed_at"]].append((sign * m["quantity"], e))
    out = []
    for place in sorted({p for p, _ in [*told, *own]}):
        stock, since, until = 0, NOT_YET, ALWAYS
        for moment in sorted({at for p, at in [*told, *own] if p == place}):
            rows, drawn = told[place, moment], own[place, moment]
            came = [e["earliest_at"] for n, e in rows if n > 0] + [moment] * (drawn > 0)
            went = [e["latest_at"] for n, e in rows if n < 0] + [moment] * (drawn < 0)
            if stock <= 0 and not came:
                continue
            since, until = min([since, *came]), max([until, *went])
            stock += drawn + sum(n for n, _ in rows)
            if stock <= 0:
                out.append((place, (since, until)))
                stock, since, until = 0, NOT_YET, ALWAYS
        if stock > 0:
            out.append((place, (since, NOT_YET)))
    return out


def _stood(tables: Tables, harvest: Row) -> list[tuple[int, int | None, Window]]:
    """(place, plant site or None, window) of everywhere that the plants of a cut stood."""
    cut_at = tables.act(harvest)["latest_at"]
    cut = {c["planting_id"] for c in tables.cut_sites if c["lot_id"] == harvest["id"]}
    batches = {
        e["parent_id"]
        for e in tables.edges
        if e["child_id"] == harvest["id"] and e["kind"] == "grew" and e["cleared_by_id"] is None
    }
    out: list[tuple[int, int | None, Window]] = []
    for batch in sorted(batches):
        until = cut_at
        own = [p for p in tables.plantings if p["batch_id"] == batch]
        # a big plant is cut over all the sites that it takes
        taken = [p for p in own if p["id"] in cut or p["blocked_by_id"] in cut]
        others = [p for p in own if p not in taken]
        for p in taken:
            out.append((p["site__tower_id"], p["site_id"], (tables.window(p)[0], cut_at)))
        if taken:
            newest = max(taken, key=lambda p: p["began_at"])
            until = tables.events[newest["began_by_id"]]["latest_at"]
            others = [p for p in others if p["began_at"] < newest["began_at"]]
        earlier = [(p["site__tower_id"], p["site_id"], tables.window(p)) for p in others]
        earlier += [(place, None, window) for place, window in _stays(tables, batch)]
        for place, site, window in earlier:
            clipped = _both(window, (ALWAYS, until))
            if clipped:
                out.append((place, site, clipped))
    return out


# --- the edges --------------------------------------------------------------------------------


def touched_edges() -> set[tuple[int, int]]:
    """(parent lot id, child lot id) of every edge of kind touched that there should be."""
    tables = Tables()
    tanks = _tanks(tables)
    out: set[tuple[int, int]] = set()
    for lot in tables.living_lots(*TOUCHABLE):
        parents = _named_or_in_use(tables, lot) | _wetted(tables, tanks, lot)
        if lot["kind"] == "harvest":
            parents |= _stood_in(tables, tanks, lot) | _planted_with(tables, lot)
        out |= {(parent, lot["id"]) for parent in parents}
    for waters in tanks.values():
        for (before, chain, _), (after, same, _) in pairwise(waters):
            if chain == same:
                out.add((before, after))
    return out


def _named_or_in_use(tables: Tables, lot: Row) -> set[int]:
    act = tables.act(lot)
    named = {parent for event, parent in tables.named if event == act["id"]}
    places = set(tables.around(act["place_id"]))
    if lot["kind"] == "harvest":
        # gloves and knives are where the plants stand that they cut
        for place, _, window in _stood(tables, lot):
            if _both(window, (act["earliest_at"], act["latest_at"])):
                places |= set(tables.around(place))
    beside = _in_use(tables, act, places, lot["crop_id"])
    seed = {lot_id for lot_id, kind in beside if kind == "seed"} if named else set()
    return named | ({lot_id for lot_id, _ in beside} - seed)


def _in_use(tables: Tables, act: Row, places: set[int], crop: int | None) -> set[tuple[int, str]]:
    """(input lot, kind of item) in use in these places during an act that such kinds touch;
    what belongs to a crop, to that crop alone."""
    item_of = {row["id"]: tables.items.get(row["item_id"]) for row in tables.lots}
    out = set()
    for use in tables.in_use:
        item = item_of[use["lot_id"]]
        if item is None or item["kind"] not in KINDS[act["kind"]].touched_by:
            continue
        if item["variety__crop_id"] is not None and item["variety__crop_id"] != crop:
            continue
        during = _both(tables.window(use), (act["earliest_at"], act["latest_at"]))
        if use["place_id"] in places and during:
            out.add((use["lot_id"], item["kind"]))
    return out


def _planted_with(tables: Tables, harvest: Row) -> set[int]:
    """What was in use when and where the plants of a cut were planted, or may have been."""
    sites = {(site, window[0]) for _, site, window in _stood(tables, harvest) if site is not None}
    batches = {
        e["parent_id"]
        for e in tables.edges
        if e["child_id"] == harvest["id"] and e["kind"] == "grew" and e["cleared_by_id"] is None
    }
    out: set[int] = set()
    for p in tables.plantings:
        act = tables.events[p["began_by_id"]]
        if p["batch_id"] in batches and (p["site_id"], act["earliest_at"]) in sites:
            places = {*tables.around(act["place_id"]), *tables.around(p["site__tower_id"])}
            out |= {lot for lot, _ in _in_use(tables, act, places, harvest["crop_id"])}
    return out


def _wetted(tables: Tables, tanks: dict[int, list[tuple[int, int, Window]]], lot: Row) -> set[int]:
    act = tables.act(lot)
    during = (act["earliest_at"], act["latest_at"])
    return _last_of_each_chain(
        tanks, [(tank, during) for event, tank in tables.wetted if event == act["id"]]
    )


def _stood_in(
    tables: Tables, tanks: dict[int, list[tuple[int, int, Window]]], harvest: Row
) -> set[int]:
    stood = _stood(tables, harvest)
    treatments = {t["id"]: tables.act(t) for t in tables.living_lots("treatment")}
    parents: set[int] = set()
    fed: list[tuple[int, Window]] = []
    for place, site, window in stood:
        places = tables.around(place)
        for t in tables.treated:
            act = treatments.get(t["lot_id"])
            if act is None or t["place_id"] not in places:
                continue
            if t["site_id"] is not None and t["site_id"] != site:
                continue
            if _both(window, (act["earliest_at"], act["latest_at"])):
                parents.add(t["lot_id"])
        for f in tables.feeds:
            shared = _both(window, tables.window(f))
            if f["place_id"] in places and shared:
                fed.append((f["tank_id"], shared))
    return parents | _last_of_each_chain(tanks, fed)


# --- quantities -------------------------------------------------------------------------------


def went_in_and_grew() -> tuple[dict[tuple[int, int], int], dict[int, int]]:
    """What moved, in place of what the edges say.

    First (parent, run) → what of the parent became the run, in the parent's unit: what moved to
    "used" and not back, in the event that made the run and in its corrections. Second cut → the
    grams that it was at its making and by its corrections, grade-out included, for cuts that
    came from a sowing; the edges share them out. Nought is left out.
    """
    tables = Tables()
    correct = {
        e["id"]: e["corrects_id"]
        for e in tables.events.values()
        if e["corrects_id"] and e["kind"] in ("correct_weight", "correct_origin", "run_corrected")
    }
    runs = {lot["made_by_id"]: lot["id"] for lot in tables.living_lots("pack")}
    cuts = {lot["id"]: lot["made_by_id"] for lot in tables.living_lots("harvest")}
    sown = {e["child_id"] for e in tables.edges if e["kind"] == "grew"}
    went_in: dict[tuple[int, int], int] = defaultdict(int)
    grew: dict[int, int] = defaultdict(int)
    for m in tables.movements:
        act = correct.get(m["event_id"], m["event_id"])
        for place, sign in ((m["to_place_id"], 1), (m["from_place_id"], -1)):
            kind = tables.places[place]["kind"]
            if kind == "used" and act in runs:
                went_in[m["lot_id"], runs[act]] += sign * m["quantity"]
            if kind == "growth" and cuts.get(m["lot_id"]) == act and m["lot_id"] in sown:
                grew[m["lot_id"]] -= sign * m["quantity"]
    return (
        {pair: n for pair, n in went_in.items() if n},
        {cut: n for cut, n in grew.items() if n},
    )
