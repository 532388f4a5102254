"""A small farm for the tests. It only calls operations; `stands_at` reads a literal table."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import Any

import grow.operations as grown
import sales.operations as sold
from grow import clock
from grow.ledger import KINDS
from grow.models import (
    Crop,
    Event,
    Holding,
    Item,
    Lot,
    Movement,
    Person,
    Place,
    PlaceKind,
    PlantSite,
    SignOff,
    Thing,
    Variety,
)
from grow.operations import Crate
from grow.setup import side_place, the
from sales.models import DecisionCard, Outlet, Price, Product
from sales.operations import Arrived, Line, Taken, TillRow


def decided(product: Product, outlet: Outlet | None = None, **more: Any) -> DecisionCard:
    """A decision card: by default a whole, unwashed leaf, prepacked, used by a day."""
    C = DecisionCard
    facts = {
        "since": dt.date(2026, 1, 1),
        "state": C.State.UNWASHED,
        "sold_as": C.SoldAs.PREPACKED,
        "system": C.System.AVERAGE,
        "date_kind": C.DateKind.USE_BY,
        "decided_by": "R. Wren",
        "decided_on": dt.date(2025, 12, 30),
        "evidence": "Shelf-life trial 4, in the office.",
    }
    return C.objects.create(product=product, outlet=outlet, **(facts | more))


START = dt.datetime(2026, 3, 2, 8, 0, tzinfo=dt.UTC)  # a Monday, in winter time
_ids = itertools.count(1)


class Farm:
    """Two benches, a tent, three small towers, two tanks, a cold store, a shop, a kitchen."""

    def __init__(self) -> None:
        self.now = START
        clock.play(START)
        self.grower = Person.objects.create_user("tam", shown_as="Tam", is_superuser=True)
        self.packer = Person.objects.create_user("ines", shown_as="Ines")
        for task in SignOff.Task.values:
            SignOff.objects.create(
                person=self.grower, task=task, since=dt.date(2026, 1, 1), by=self.grower
            )
        K = PlaceKind
        self.greenhouse = self.place("Greenhouse", K.AREA)
        self.bench = self.place("Bench 1", K.BENCH, within=self.greenhouse)
        self.bench2 = self.place("Bench 2", K.BENCH, within=self.greenhouse)
        self.tent = self.place("Tent", K.TENT)
        self.t1 = self.tower("T1", tiers=5, round_=10)
        self.t2 = self.tower("T2", tiers=5, round_=10)
        self.t3 = self.tower("T3", tiers=2, round_=4)
        self.tank = self.place("Reservoir", K.TANK)
        self.bench_tank = self.place("Bench tank", K.TANK)
        self.wash_tank = self.place("Wash tank", K.TANK)
        self.store = self.place("Cold store", K.STORE)
        self.line = self.place("Packing bench", K.PACKHOUSE)
        self.quarantine = self.place("Quarantine", K.QUARANTINE)
        self.supplier = self.place("Hollin Seeds", K.SUPPLIER)
        self.shop_place = self.place("Farm shop", K.SHOP)
        self.kitchen_place = self.place("Kitchen", K.KITCHEN)
        self.shop = Outlet.objects.create(place=self.shop_place, wants_notes=False)
        self.kitchen = Outlet.objects.create(place=self.kitchen_place)
        self.scale = Thing.objects.create(name="Scale B", kind="scale", place=self.line)
        self.lettuce = Crop.objects.create(name="Loose-leaf lettuce", usual_bunch_g=100)
        self.mustard = Crop.objects.create(name="Red mustard", allergen="mustard")
        self.green = Variety.objects.create(crop=self.lettuce, name="Green loose-leaf")
        self.red = Variety.objects.create(crop=self.mustard, name="Red frill")
        self.bag = Product.objects.create(
            code="SALAD-120",
            name="Salad bag 120 g",
            nominal_g=120,
            shelf_life_days=7,
            days_from_cut=9,
            packaging_pence="8.5",
        )
        self.loose = Product.objects.create(
            code="LETTUCE-KG", name="Lettuce, loose", loose_crop=self.lettuce
        )
        day = dt.date(2026, 1, 1)
        Price.objects.create(outlet=self.shop, line=self.bag.line, since=day, pence=240)
        Price.objects.create(outlet=self.kitchen, line=self.bag.line, since=day, pence=165)
        Price.objects.create(outlet=self.kitchen, line=self.loose.line, since=day, pence=1100)
        self.seed_item = Item.objects.create(
            name="Green loose-leaf seed", kind="seed", variety=self.green
        )
        self.soap = Item.objects.create(
            name="Leaf soap",
            kind="plant_protection",
            authorisation="P-00000",
            harvest_interval_days=3,
        )

    @property
    def difference(self) -> Place:
        return the("count_difference")

    def side(self, outlet: Outlet, kind: str) -> Place:
        return side_place(outlet.place, kind)

    def rejected_at(self, outlet: Outlet) -> Place:
        return self.side(outlet, PlaceKind.QUARANTINE)

    def other_shop(self) -> Outlet:
        """A shop that wants notes, as an outside business does; 2.00 a bag."""
        place = self.place("Corner shop", PlaceKind.SHOP)
        outlet = Outlet.objects.create(place=place)
        Price.objects.create(
            outlet=outlet, line=self.bag.line, since=dt.date(2026, 1, 1), pence=200
        )
        return outlet

    def row(self, quantity: int, lot: Lot | None = None) -> TillRow:
        return TillRow(self.bag, quantity, lot)

    # set-up rows

    def place(self, name: str, kind: str, **more: Any) -> Place:
        return Place.objects.create(name=name, kind=kind, **more)

    def tower(self, name: str, tiers: int, round_: int) -> Place:
        tower = self.place(name, PlaceKind.TOWER, within=self.greenhouse)
        PlantSite.objects.bulk_create(
            PlantSite(tower=tower, tier=tier, position=position)
            for tier in range(1, tiers + 1)
            for position in range(1, round_ + 1)
        )
        return tower

    # time

    def pass_time(self, *, days: float = 0, hours: float = 0, minutes: float = 0) -> dt.datetime:
        self.now += dt.timedelta(days=days, hours=hours, minutes=minutes)
        clock.play(self.now)
        return self.now

    @property
    def today(self) -> dt.date:
        return clock.local(self.now).date()

    # verbs

    def tell(self, verb: str, **facts: Any) -> Event:
        """Any operation by its name, as Tam, under a fresh client id."""
        facts.setdefault("recorded_by", self.grower)
        facts.setdefault("client_id", f"t-{next(_ids)}")
        return KINDS[verb].run(**facts)

    def sow(self, cells: int = 100, variety: Variety | None = None, **more: Any) -> Lot:
        more.setdefault("place", self.bench)
        return self.tell("sow", variety=variety or self.green, cells=cells, **more).lot

    def plant(self, batch: Lot, tower: Place | None = None, plants: int | None = None, **more: Any):
        more.setdefault("from_place", self.bench)
        return self.tell(
            "transplant", batch=batch, towers=[tower or self.t1], plants=plants, **more
        )

    def cut(self, grams: int, batch: Lot | None = None, **more: Any) -> Lot:
        more.setdefault("store", self.store)
        if batch is not None:
            more.setdefault("batches", [batch])
        elif "towers" not in more and "sites" not in more and "batches" not in more:
            more.setdefault("crop", self.lettuce)
        return self.tell("harvest", crates=[Crate(grams)], **more).lot

    def pack(self, crates: list[Lot], packs: int, left: int | None = 0, **more: Any) -> Lot:
        more.setdefault("product", self.bag)
        more.setdefault("store", self.store)
        more.setdefault("line", self.line)
        taken = [Taken(c, self.store, left=left) for c in crates]
        return self.tell("pack", taken=taken, packs=packs, **more).lot

    def to_shop(self, lot: Lot, quantity: int, **more: Any) -> Event:
        return self.tell(
            "put_on_shelf", outlet=self.shop, lines=[Line(lot, quantity, self.store)], **more
        )

    def send(self, lot: Lot, quantity: int, outlet: Outlet | None = None, **more: Any) -> Event:
        return self.tell(
            "deliver",
            outlet=outlet or self.kitchen,
            lines=[Line(lot, quantity, self.store)],
            **more,
        )

    def arrive(self, sent: Event, lot: Lot, accepted: int = 0, **more: Any) -> Event:
        parts = {k: more.pop(k) for k in ("short", "rejected") if k in more}
        return self.tell("receive", note=sent.note, lines=[Arrived(lot, accepted, **parts)], **more)

    def till(self, quantity: int, lot: Lot | None = None, **more: Any) -> Event:
        row = TillRow(more.pop("product", self.bag), quantity, lot)
        return self.tell("sell", outlet=self.shop, rows=[row], **more)

    def hold(self, *lots: Lot, reason: str = "laboratory result") -> Event:
        return self.tell("hold", lots=list(lots), reason=reason)

    # questions

    def stock(self, lot: Lot, place: Place) -> int:
        row = Holding.objects.filter(lot=lot, place=place).first()
        return row.quantity if row else 0

    def holdings(self) -> dict[tuple[str, str], int]:
        return {
            (h.place.name, h.lot.code): h.quantity
            for h in Holding.objects.select_related("lot", "place").exclude(quantity=0)
            if not h.place.is_source
        }

    def stands_at(self, table: str, **lots: Lot) -> None:
        """Compare what stands anywhere (sources apart) with a literal table, then ask the
        ledger for its faults. Columns: place | lot (a keyword) | quantity unit."""
        from grow.faults import faults

        names = {lot.pk: name for name, lot in lots.items()}
        want = {
            tuple(cell.strip() for cell in row.split("|")) for row in table.strip().splitlines()
        }
        have = {
            (h.place.name, names[h.lot_id], f"{h.quantity} {h.lot.unit}")
            for h in Holding.objects.select_related("lot", "place").exclude(quantity=0)
            if not h.place.is_source and h.lot_id in names
        }
        assert have == want
        assert faults() == []

    def moved(self, lot: Lot) -> list[tuple[str, str, int, str]]:
        return [
            (m.from_place.name, m.to_place.name, m.quantity, m.basis)
            for m in Movement.objects.filter(lot=lot).select_related("from_place", "to_place")
        ]


__all__ = [
    "START",
    "Arrived",
    "Crate",
    "Farm",
    "Line",
    "Taken",
    "TillRow",
    "decided",
    "grown",
    "sold",
]
