"""The tables of a bench history, and the few ways in which a row gets into them.

It writes what the operations would have written, in plain Python and without them: the recount
in `grow.faults` then says whether it did."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from typing import Any

from django.db import connection

from grow import clock, codes
from grow.models import (
    CodeCounter,
    Counted,
    CutSite,
    Description,
    Event,
    Feed,
    Hold,
    Holding,
    InUse,
    Lineage,
    Lot,
    Movement,
    Planting,
    TreatedPlace,
    Treatment,
    Unnamed,
)
from grow.models.ledger import LotKind
from sales.models import DeliveryNote, Money, NoteLine, PackingRun

from .farm import Ids
from .load import Rows, finish

#: Minutes since the history's first midnight, by the wall clock.
Minute = int
MIDNIGHT = 1440


class Books:
    """Rows to be loaded, with the ids that they will have and the sums that they make."""

    def __init__(self, ids: Ids) -> None:
        self.ids = ids
        moments = ("happened_at", "placed_at", "earliest_at", "latest_at", "recorded_at")
        self.events = Rows(
            Event,
            "id",
            "kind",
            *moments,
            "day",
            "recorded_by",
            "place",
            "client_id",
            "told",
            "already_done",
            "corrects",
            "because_of",
        )
        self.done_by = Rows(Event.done_by.through, "event", "person")
        self.things = Rows(Event.things.through, "event", "thing")
        self.tanks = Rows(Event.tanks.through, "event", "place")
        self.inputs = Rows(Event.inputs.through, "event", "lot")
        self.lots = Rows(
            Lot,
            "id",
            "code",
            "kind",
            "unit",
            "grams_each",
            "crop",
            "variety",
            "item",
            "title",
            "line",
            "use_by",
            "made_by",
        )
        self.movements = Rows(
            Movement,
            "id",
            "event",
            "lot",
            "from_place",
            "to_place",
            "quantity",
            "basis",
            "day",
            "despite_hold",
        )
        self.holdings = Rows(Holding, "lot", "place", "quantity", "source")
        self.edges = Rows(Lineage, "parent", "child", "kind", "event", "quantity")
        self.counted = Rows(Counted, "event", "lot", "place", "quantity")
        self.unnamed = Rows(Unnamed, "event", "place", "to_place", "line", "quantity")
        self.names = Rows(Description, "event", "lot", "name", "name_key")
        self.counters = Rows(CodeCounter, "series", "day", "last")
        dated = ("began_by", "began_at", "ended_by", "ended_at")
        self.plantings = Rows(Planting, "id", "batch", "site", *dated)
        self.cut_sites = Rows(CutSite, "lot", "planting")
        self.feeds = Rows(Feed, "tank", "place", *dated)
        self.in_use = Rows(InUse, "lot", "place", *dated)
        self.holds = Rows(Hold, "lot", "reason", *dated)
        self.treatments = Rows(Treatment, "lot", "safe_from")
        self.treated = Rows(TreatedPlace, "lot", "place")
        self.runs = Rows(
            PackingRun,
            "lot",
            "product",
            "name",
            "nominal_each_g",
            "origin",
            "use_by",
            "fill",
            "label_text",
            "grams_in",
            "packs",
            "nominal_g",
            "trim_g",
            "giveaway_g",
        )
        self.money = Rows(Money, "movement", "outlet", "unit_pence", "pence")
        self.notes = Rows(DeliveryNote, "id", "number", "outlet", "event")
        self.note_lines = Rows(
            NoteLine, "note", "lot", "sent", "accepted", "short", "rejected", "to_follow"
        )
        self.tables = [table for table in vars(self).values() if isinstance(table, Rows)]
        self.sums: dict[tuple[int, int], int] = defaultdict(int)
        self.last_code: dict[tuple[str, int], int] = {}
        self.sources = {
            ids.supplier,
            *(
                ids.single[k]
                for k in (
                    "growth",
                    "packing",
                    "opening",
                    "water_scale",
                    "mains",
                    "count_difference",
                )
            ),
        }
        self.zone = "+00" if connection.vendor == "postgresql" else ""
        self.date, self.day, self.offset, self.today = dt.date.min, 0, 0, 0

    # time

    def turn(self, date: dt.date, today: int) -> None:
        """Begin a day: its date, and its number since the first."""
        self.date, self.today = date, today
        self.day = clock.day_number(date)
        midday = clock.at_local(date, dt.time(12))
        self.offset = 720 - midday.hour * 60 - midday.minute
        self.end = f"{clock.end_of(date).replace(tzinfo=None)}{self.zone}"

    def text(self, minute: Minute) -> str:
        """A moment of today as the database writes it."""
        hours, minutes = divmod(minute - self.today * MIDNIGHT - self.offset, 60)
        return f"{self.date} {hours:02d}:{minutes:02d}:00{self.zone}"

    # rows

    def event(
        self,
        kind: str,
        minute: Minute,
        place: int | None,
        told: dict[str, Any],
        *,
        closing: bool = False,
        fact: bool = False,
    ) -> int:
        """An event that somebody told, of today."""
        pk = self.events.next()
        moment = self.text(minute)
        placed = self.end if closing else moment
        who = self.ids.people[pk % len(self.ids.people)]
        told["at"] = moment
        self.events.add(
            pk,
            kind,
            moment,
            placed,
            moment,
            moment,
            moment,
            self.day,
            who,
            place,
            f"bench-{pk}",
            json.dumps(told, sort_keys=True, separators=(",", ":")),
            fact,
            None,
            None,
        )
        self.done_by.add(pk, who)
        return pk

    def own(self, kind: str, moment: str, because_of: int, corrects: int | None = None) -> int:
        """An event of the books' own, of today."""
        pk = self.events.next()
        self.events.add(
            pk,
            kind,
            moment,
            moment,
            moment,
            moment,
            moment,
            self.day,
            self.ids.people[0],
            None,
            None,
            None,
            False,
            corrects,
            because_of,
        )
        return pk

    def lot(
        self,
        kind: str,
        unit: str,
        event: int,
        *,
        title: str,
        line: str = "",
        crop: int | None = None,
        variety: int | None = None,
        item: int | None = None,
        grams_each: int | None = None,
        use_by: dt.date | None = None,
    ) -> int:
        pk = self.lots.next()
        self.lots.add(
            pk,
            self._code(codes.SERIES[LotKind(kind)]),
            kind,
            unit,
            grams_each,
            crop,
            variety,
            item,
            title,
            line,
            use_by and str(use_by),
            event,
        )
        return pk

    def _code(self, series: str, dated: bool = True) -> str:
        key = (series, self.day if dated else 0)
        code = None
        while code is None:
            number = self.last_code[key] = self.last_code.get(key, 0) + 1
            code = codes._compose(series, self.date if dated else None, number)
        return code

    def move(
        self,
        event: int,
        lot: int,
        from_: int,
        to: int,
        quantity: int,
        basis: str,
        despite_hold: bool = False,
    ) -> int:
        if not quantity:
            return 0
        pk = self.movements.next()
        self.movements.add(pk, event, lot, from_, to, quantity, basis, self.day, despite_hold)
        self.sums[lot, from_] -= quantity
        self.sums[lot, to] += quantity
        return pk

    def note(self, event: int, outlet: int) -> int:
        pk = self.notes.next()
        self.notes.add(pk, self._code("N", dated=False), outlet, event)
        return pk

    def touch(self, parents: set[int], child: int, event: int) -> None:
        for parent in sorted(parents):
            self.edges.add(parent, child, "touched", event, None)

    def close(self) -> None:
        """Write holdings and counters, and all that still waits."""
        for (lot, place), quantity in sorted(self.sums.items()):
            self.holdings.add(lot, place, quantity, place in self.sources)
        for (series, day), last in sorted(self.last_code.items()):
            self.counters.add(series, day, last)
        finish(self.tables)
