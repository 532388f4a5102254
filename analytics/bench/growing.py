"""The growing half of a bench history: water, inputs, sowings, plantings, cuts.

What touched a cut is worked out here from the story itself, in a few lines and apart from
`grow.touch`: the recount compares the two."""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from dataclasses import dataclass, field
from random import Random

from grow.shares import shared_out

from .books import MIDNIGHT, Books, Minute
from .farm import CARDS, House

#: Days for which a spray forbids the cut.
INTERVAL = 3


class Tank:
    """The waters of a tank in order of time, and which chain each belongs to."""

    def __init__(self, place: int) -> None:
        self.place = place
        self.at: list[Minute] = []
        self.lot: list[int] = []
        self.chain: list[int] = []
        self.drains: list[Minute] = []

    def now(self) -> int | None:
        """The water in it, unless it was drained since."""
        if not self.lot or self.chain[-1] < len(self.drains):
            return None
        return self.lot[-1]

    def touched(self, spans: set[tuple[Minute, Minute]]) -> set[int]:
        """The last water of each chain that was in the tank during any of the spans."""
        last: dict[int, int] = {}
        for start, end in spans:
            for i in range(bisect_right(self.at, end) - 1, -1, -1):
                chain = self.chain[i]
                gone = self.at[i + 1] if i + 1 < len(self.at) else None
                if chain < len(self.drains):
                    gone = min(gone or self.drains[chain], self.drains[chain])
                if gone is not None and gone < start:
                    break
                last[chain] = max(last.get(chain, -1), i)
        return {self.lot[i] for i in last.values()}


@dataclass
class Batch:
    lot: int
    card: int
    sown: Minute
    nursery: int
    shelf: int = 0
    moved: Minute = 0
    planted: Minute = 0
    #: the medium that was open when it was planted
    medium: int = 0
    cells: int = 0
    next_cut: int = 0
    cuts: int = 0
    #: planting, site, tower of each plant that stands
    plants: list[tuple[int, int, int]] = field(default_factory=list)
    #: towers on which some of it was planted and has died since
    died_on: set[int] = field(default_factory=set)


@dataclass
class Crate:
    lot: int
    card: int
    grams: int
    cut: int  # day


@dataclass
class Open:
    """An input in use in the greenhouse or on the line."""

    lot: int
    event: int
    since: str
    until: int  # day on which the next one is opened


class Growing:
    """One greenhouse from the packet to the crate."""

    def __init__(self, books: Books, house: House, rng: Random) -> None:
        self.books, self.house, self.rng = books, house, rng
        self.one = books.ids.single
        self.reservoirs = [Tank(place) for place in house.reservoirs]
        self.bench_tank, self.humidifier = Tank(house.bench_tank), Tank(house.humidifier)
        self.wash_tank = Tank(house.wash_tank)
        self.feeds = {
            **{t: self.reservoirs[i * 3 // len(house.towers)] for i, t in enumerate(house.towers)},
            **dict.fromkeys([*house.nursery[:2], *house.shelves], self.bench_tank),
            house.nursery[2]: self.humidifier,
        }
        self.free = {tower: list(reversed(sites)) for tower, sites in house.sites.items()}
        #: sites cleared today: planted again tomorrow at the earliest
        self.freed: list[tuple[int, int]] = []
        self.batches: list[Batch] = []
        self.crates: list[Crate] = []
        self.open: dict[str, Open] = {}
        self.seeds: dict[int, tuple[int, int]] = {}
        self.sprays: dict[int, list[tuple[Minute, int, bool]]] = {}
        #: planting → batch, site, the event that began it, and when
        self.standing: dict[int, tuple[int, int, int, str]] = {}

    # a day

    def grow(self) -> None:
        if self.books.today == 0:
            for tank in (*self.reservoirs, self.bench_tank, self.humidifier):
                fed = [place for place, by in self.feeds.items() if by is tank]
                event = self.books.event(
                    "feed", self.at(4, 30), tank.place, {"tank": tank.place, "begins": fed}
                )
                for place in fed:
                    self.books.feeds.add(
                        tank.place, place, event, self.books.text(self.at(4, 30)), None, None
                    )
        for tower, site in self.freed:
            self.free[tower].append(site)
        self.freed = []
        self._inputs()
        self._water()
        weekday = self.books.date.weekday()
        if weekday < 5:
            for n in range(self.rng.choice((1, 1, 2))):
                self._sow(n)
        self._nursery()
        if self.rng.random() < 1 / 18:
            self._treat()
        self._cut()

    def close(self) -> None:
        """What still stands or is in use on the last day."""
        for pk, row in self.standing.items():
            self.books.plantings.add(pk, *row, None, None)
        for key, use in self.open.items():
            place = self.house.line if key == "labels" else self.house.area
            self.books.in_use.add(use.lot, place, use.event, use.since, None, None)

    def at(self, hour: int, minute: int) -> Minute:
        return self.books.today * MIDNIGHT + hour * 60 + minute

    # inputs and water

    def _inputs(self) -> None:
        for n, (key, place, days) in enumerate(
            (
                ("medium", self.house.area, 60),
                ("nutrient", self.house.area, 50),
                ("gloves", self.house.area, 30),
                ("labels", self.house.line, 45),
            )
        ):
            now = self.open.get(key)
            if now and now.until > self.books.today:
                continue
            books = self.books
            if now:
                end = self.at(4, 5 + n)
                event = books.event("finish_input", end, place, {"lot": now.lot, "place": place})
                books.in_use.add(now.lot, place, now.event, now.since, event, books.text(end))
                books.move(event, now.lot, self.house.store, self.one["used"], 1, "remainder")
            lot = self._receive(books.ids.items[key], key, 20 + n)
            begin = self.at(4, 25 + n)
            event = books.event("open_input", begin, place, {"lot": lot, "place": place})
            self.open[key] = Open(
                lot, event, books.text(begin), books.today + self.rng.randint(days - 10, days + 10)
            )

    def _receive(self, item: int, title: str, minute: int) -> int:
        books = self.books
        told = {"item": item, "supplier": books.ids.supplier, "place": self.house.store}
        event = books.event("receive_input", self.at(4, minute), self.house.store, told)
        lot = books.lot("input", "each", event, title=title, item=item)
        books.move(event, lot, books.ids.supplier, self.house.store, 1, "counted")
        called = f"L{self.rng.randint(1000, 9999)}"
        books.names.add(event, lot, called, called)
        return lot

    def _water(self) -> None:
        today, at = self.books.today, self.at(5, 0)
        for i, tank in enumerate((*self.reservoirs, self.bench_tank, self.humidifier)):
            phase = today + 9 * i
            every = 28 if i < 3 else 14
            if today == 0 or phase % every == 0:
                if today:
                    self._drain(tank, at)
                self._fill(tank, "fill", at + 1)
            elif phase % 3 == 0:
                self._fill(tank, "dose" if phase % 2 else "top_up", at)
            at += 3
        if self._packs_today() or today == 0:
            if self.wash_tank.lot:
                self._drain(self.wash_tank, at)
            self._fill(self.wash_tank, "fill", at + 1)

    def _packs_today(self) -> bool:
        return self.books.date.weekday() in (0, 2, 4, 5)

    def _drain(self, tank: Tank, at: Minute) -> None:
        self.books.event("drain_and_clean", at, tank.place, {"tank": tank.place})
        tank.drains.append(at)

    def _fill(self, tank: Tank, kind: str, at: Minute) -> None:
        books = self.books
        event = books.event(kind, at, tank.place, {"tank": tank.place, "litres": 200})
        lot = books.lot("water", "ml", event, title="Water")
        parents = {tank.now()} - {None}
        if tank is not self.wash_tank:
            parents.add(self.open["nutrient"].lot)
        books.touch(parents, lot, event)  # type: ignore[arg-type]  # planned, unsaved
        tank.at.append(at)
        tank.lot.append(lot)
        tank.chain.append(len(tank.drains))

    def _treat(self) -> None:
        books, at = self.books, self.at(7, 30)
        spray = self.rng.random() < 0.5
        places = self.rng.sample(self.house.towers, 3)
        told = {"places": places, "reason": "aphids"}
        event = books.event("treat", at, None, told)
        item = books.ids.items["spray" if spray else "mites"]
        lot = books.lot("treatment", "ml", event, title="Treatment", item=item)
        safe = None
        if spray:
            safe_day = books.date + dt.timedelta(days=INTERVAL)
            safe = books.text(at).replace(str(books.date), str(safe_day))
        books.treatments.add(lot, safe)
        for place in places:
            books.treated.add(lot, place)
            self.sprays.setdefault(place, []).append((at, lot, spray))

    # from the packet to the tower

    def _sow(self, n: int) -> None:
        books = self.books
        card = self.rng.choices(range(len(CARDS)), [c.share for c in CARDS])[0]
        seed, left = self.seeds.get(card, (0, 0))
        if not left:
            seed, left = self._receive(books.ids.seeds[card], "Seed", 10 + n), 8
        self.seeds[card] = seed, left - 1
        place = self.rng.choice(self.house.nursery)
        at = self.at(6, n)
        cells = self.rng.choice((20, 24, 30, 36))
        told = {"cells": cells, "place": place, "seed": seed, "variety": books.ids.varieties[card]}
        event = books.event("sow", at, place, told)
        books.inputs.add(event, seed)
        lot = books.lot(
            "batch",
            "each",
            event,
            title=CARDS[card].name,
            crop=books.ids.crops[card],
            variety=books.ids.varieties[card],
        )
        books.move(event, lot, self.one["growth"], place, cells, "counted")
        books.touch({seed, self.open["medium"].lot}, lot, event)
        self.batches.append(Batch(lot, card, at, place, cells=cells))

    def _nursery(self) -> None:
        books = self.books
        done: list[Batch] = []
        move, plant, clear, lose = (self.at(6, 40), self.at(8, 0), self.at(20, 0), self.at(7, 0))
        for batch in self.batches:
            age = books.today - batch.sown // MIDNIGHT
            card = CARDS[batch.card]
            if not batch.shelf and age == 7:
                self._move(batch, move)
                move += 2
            elif batch.shelf and not batch.planted and age >= card.nursery_days:
                self._plant(batch, plant)
                plant += 2
                if not batch.plants:
                    done.append(batch)
            elif batch.plants and batch.cuts >= card.cuts:
                self._clear(batch, clear)
                clear += 1
                done.append(batch)
            elif batch.plants and self.rng.random() < 0.005:
                self._lose(batch, lose)
                lose += 1
                if not batch.plants:
                    done.append(batch)
        if done:
            gone = {batch.lot for batch in done}
            self.batches = [b for b in self.batches if b.lot not in gone]

    def _move(self, batch: Batch, at: Minute) -> None:
        books, compost = self.books, self.one["compost"]
        dead = self.rng.randint(0, batch.cells // 6)
        event = books.event(
            "check_germination",
            at,
            batch.nursery,
            {"batch": batch.lot, "place": batch.nursery, "not_up": dead},
        )
        books.move(event, batch.lot, batch.nursery, compost, dead, "counted")
        batch.cells -= dead
        batch.shelf, batch.moved = self.rng.choice(self.house.shelves), at + 1
        told = {
            "batch": batch.lot,
            "from_place": batch.nursery,
            "to_place": batch.shelf,
            "plants": batch.cells,
        }
        event = books.event("move_plants", at + 1, batch.shelf, told)
        books.move(event, batch.lot, batch.nursery, batch.shelf, batch.cells, "counted")

    def _plant(self, batch: Batch, at: Minute) -> None:
        books, want = self.books, min(batch.cells, 18)
        batch.planted = at
        towers = sorted((t for t in self.free if self.free[t]), key=lambda t: -len(self.free[t]))
        took: dict[int, list[int]] = {}
        for tower in towers[:2]:
            room = min(want - sum(map(len, took.values())), len(self.free[tower]))
            if room > 0:
                took[tower] = [self.free[tower].pop() for _ in range(room)]
        planted = sum(map(len, took.values()))
        if planted:
            batch.medium = self.open["medium"].lot
            told = {"batch": batch.lot, "from_place": batch.shelf, "towers": sorted(took)}
            event = books.event("transplant", at, batch.shelf, told)
            for tower, sites in sorted(took.items()):
                books.move(event, batch.lot, batch.shelf, tower, len(sites), "counted")
                for site in sites:
                    pk = books.plantings.next()
                    batch.plants.append((pk, site, tower))
                    self.standing[pk] = (batch.lot, site, event, books.text(at))
        if batch.cells > planted:
            told = {"batch": batch.lot, "places": [batch.shelf], "why": "left over"}
            event = books.event("clear", at + 1, None, told)
            left = batch.cells - planted
            books.move(event, batch.lot, batch.shelf, self.one["compost"], left, "counted")
        batch.next_cut = books.today + CARDS[batch.card].first_cut_days

    def _off(self, batch: Batch, gone: list[tuple[int, int, int]], event: int, at: Minute) -> None:
        """Plants leave their sites for compost."""
        number: dict[int, int] = {}
        for pk, site, tower in gone:
            lot, _, began_by, began_at = self.standing.pop(pk)
            self.books.plantings.add(pk, lot, site, began_by, began_at, event, self.books.text(at))
            self.freed.append((tower, site))
            number[tower] = number.get(tower, 0) + 1
        for tower, plants in sorted(number.items()):
            self.books.move(event, batch.lot, tower, self.one["compost"], plants, "counted")
        batch.plants = [p for p in batch.plants if p not in set(gone)]

    def _lose(self, batch: Batch, at: Minute) -> None:
        pk, site, tower = self.rng.choice(batch.plants)
        told = {"batch": batch.lot, "place": tower, "sites": [site], "reason": "wilted"}
        event = self.books.event("lose_plants", at, tower, told)
        self._off(batch, [(pk, site, tower)], event, at)
        batch.died_on.add(tower)

    def _clear(self, batch: Batch, at: Minute) -> None:
        event = self.books.event("clear", at, None, {"batch": batch.lot, "left": "empty"})
        self._off(batch, batch.plants, event, at)

    # the cut

    def _cut(self) -> None:
        at = self.at(9, 0)
        due = [b for b in self.batches if b.plants and b.next_cut <= self.books.today]
        while due:
            batch = due.pop(0)
            together = [batch]
            if due and due[0].card == batch.card and self.rng.random() < 0.3:
                together.append(due.pop(0))
            if any(self._sprayed(b, at) for b in together):
                continue
            self._harvest(sorted(together, key=lambda b: b.lot), at)
            at += 2

    def _sprayed(self, batch: Batch, at: Minute) -> bool:
        """Whether a plant of it stood under a spray whose interval lasts to the cut."""
        return any(
            spray and batch.planted <= when and at < (when // MIDNIGHT + INTERVAL) * MIDNIGHT + 1440
            for tower in {*(p[2] for p in batch.plants), *batch.died_on}
            for when, _, spray in self.sprays.get(tower, ())
        )

    def _harvest(self, together: list[Batch], at: Minute) -> None:
        books, card = self.books, CARDS[together[0].card]
        sites = [len(b.plants) for b in together]
        net = max(60, int(sum(sites) * card.grams_a_site * self.rng.uniform(0.7, 1.3)))
        graded = int(net * self.rng.uniform(0.01, 0.06)) if self.rng.random() < 0.3 else 0
        told = {
            "area": self.house.area,
            "batches": [b.lot for b in together],
            "crates": [{"gross_g": net + 900, "tare_g": 900, "tag": ""}],
            "grade_out_g": graded,
            "store": self.house.store,
        }
        event = books.event("harvest", at, self.house.area, told)
        books.things.add(event, books.ids.scale)
        crop = books.ids.crops[together[0].card]
        lot = books.lot(
            "harvest",
            "g",
            event,
            title=card.name,
            line=f"crop:{crop}",
            crop=crop,
            variety=books.ids.varieties[together[0].card],
        )
        books.move(event, lot, self.one["growth"], self.house.store, net - graded, "weighed")
        books.move(event, lot, self.one["growth"], self.one["compost"], graded, "weighed")
        for batch, grams in zip(together, shared_out(net, sites), strict=True):
            books.edges.add(batch.lot, lot, "grew", event, grams)
            for pk, _, _ in batch.plants:
                books.cut_sites.add(lot, pk)
            batch.cuts += 1
            batch.next_cut = books.today + card.between_days
        books.touch(self._touching(together, at), lot, event)
        self.crates.append(Crate(lot, together[0].card, net - graded, books.today))

    def _touching(self, together: list[Batch], cut: Minute) -> set[int]:
        spans: dict[int, set[tuple[Minute, Minute]]] = {}
        for b in together:
            stays = [(b.nursery, b.sown, b.moved), (b.shelf, b.moved, b.planted)]
            towers = {p[2] for p in b.plants}
            stays += [(tower, b.planted, cut) for tower in towers]
            for place, start, end in stays:
                spans.setdefault(place, set()).add((start, end))
        found = {self.open["gloves"].lot, *(b.medium for b in together)}
        tanks: dict[Tank, set[tuple[Minute, Minute]]] = {}
        for place, times in spans.items():
            tanks.setdefault(self.feeds[place], set()).update(times)
            for when, lot, _ in self.sprays.get(place, ()):
                if any(start <= when <= end for start, end in times):
                    found.add(lot)
        for tank, times in tanks.items():
            found |= tank.touched(times)
        return found
