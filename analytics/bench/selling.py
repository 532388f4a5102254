"""The selling half of a bench history: runs, notes, the shelf, the till, the count."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from random import Random

from grow.shares import shared_out

from .books import Books, Minute
from .farm import CARDS, PRODUCTS, House
from .growing import Crate, Growing

CRATE_KEEPS = 7  # days


@dataclass
class Run:
    lot: int
    product: int
    packs: int
    use_by: dt.date


class Greenhouse(Growing):
    """One greenhouse from the packet to the till."""

    def __init__(self, books: Books, house: House, rng: Random) -> None:
        super().__init__(books, house, rng)
        self.store: list[Run] = []
        self.shelf: list[Run] = []
        #: lot, quantity, and whether it is of loose leaf: what the kitchen has not used yet
        self.kitchen: list[tuple[int, int]] = []

    def day(self) -> None:
        self.grow()
        self._checks()
        self._throw_away()
        if self._packs_today():
            self._pack_all()
        weekday = self.books.date.weekday()
        if weekday < 6:
            self._use()
            self._send("Kitchen", self.at(14, 0), loose=True)
        if weekday in (1, 3, 5):
            self._send("Buyer", self.at(14, 10), loose=False)
        if weekday < 6:
            self._put_on_shelf()
        self._till_and_count()

    def _checks(self) -> None:
        for n, kind in enumerate(("fridge", "scale", "probe")[: self.rng.choice((2, 2, 3))]):
            told = {"kind": kind, "passed": True, "reading": "3.5"}
            event = self.books.event("check", self.at(7, 20 + n), self.house.store, told)
            self.books.things.add(event, self.books.ids.scale)

    def _discard(self, lot: int, place: int, quantity: int, at: Minute, reason: str) -> None:
        told = {
            "lot": lot,
            "from_place": place,
            "quantity": quantity,
            "to": "compost",
            "reason": reason,
        }
        event = self.books.event("discard", at, place, told)
        self.books.move(event, lot, place, self.one["compost"], quantity, "counted")

    def _throw_away(self) -> None:
        """Old crates, and bags past their date, before anything else is moved."""
        books, at = self.books, self.at(8, 20)
        for crate in [c for c in self.crates if books.today - c.cut >= CRATE_KEEPS]:
            self._discard(crate.lot, self.house.store, crate.grams, at, "old")
            at += 1
        self.crates = [c for c in self.crates if books.today - c.cut < CRATE_KEEPS]
        for stock, place in (
            (self.store, self.house.store),
            (self.shelf, self.house.places["Shop"]),
        ):
            for run in [r for r in stock if r.use_by < books.date]:
                self._discard(run.lot, place, run.packs, at, "past its date")
                stock.remove(run)
                at += 1

    # runs

    def _pack_all(self) -> None:
        at = self.at(11, 0)
        leaf = [c for c in self.crates if CARDS[c.card].leaf]
        self.rng.shuffle(leaf)
        while len(leaf) >= 2:
            number = min(len(leaf), self.rng.choice((2, 2, 3, 4)))
            taken, leaf = leaf[:number], leaf[number:]
            self._pack(self.rng.choice((0, 0, 1)), taken, at)
            at += 3
        for herb in [c for c in self.crates if not CARDS[c.card].leaf]:
            self._pack(2, [herb], at)
            at += 2

    def _pack(self, product: int, taken: list[Crate], at: Minute) -> None:
        books, house = self.books, self.house
        code, name, nominal, _, _ = PRODUCTS[product]
        taken = sorted(taken, key=lambda c: c.lot)
        # some crates go back with leaf in them
        left = [c.grams // 3 if self.rng.random() < 0.2 else 0 for c in taken]
        grams = [c.grams - n for c, n in zip(taken, left, strict=True)]
        grams_in = sum(grams)
        packs = int(grams_in * self.rng.uniform(0.93, 0.97)) // nominal
        if packs < 1:
            return
        giveaway = min(packs * self.rng.randint(0, 2), grams_in - packs * nominal)
        trim = grams_in - packs * nominal - giveaway
        oldest = min(c.cut for c in taken)
        days = min(7, 9 - (books.today - oldest))
        use_by = books.date + dt.timedelta(days=days)
        told = {
            "product": books.ids.products[code],
            "taken": [
                {"lot": c.lot, "place": house.store, "left": n}
                for c, n in zip(taken, left, strict=True)
            ],
            "packs": packs,
            "store": house.store,
            "line": house.line,
            "giveaway_g": giveaway,
            "tanks": [house.wash_tank],
        }
        event = books.event("pack", at, house.line, told)
        books.things.add(event, books.ids.scale)
        books.tanks.add(event, house.wash_tank)
        crops = {books.ids.crops[c.card] for c in taken}
        run = books.lot(
            "pack",
            "each",
            event,
            title=name,
            line=code,
            grams_each=nominal,
            use_by=use_by,
            crop=crops.pop() if len(crops) == 1 else None,
        )
        rest = list(grams)
        for kind, total, basis in (
            ("compost", trim, "remainder"),
            ("giveaway", giveaway, "shared_out"),
        ):
            parts = shared_out(total, rest)
            for crate, part in zip(taken, parts, strict=True):
                books.move(event, crate.lot, house.store, self.one[kind], part, basis)
            rest = [g - p for g, p in zip(rest, parts, strict=True)]
        for crate, used, kept in zip(taken, rest, left, strict=True):
            books.counted.add(event, crate.lot, house.store, kept)
            if used:
                books.move(event, crate.lot, house.store, self.one["used"], used, "shared_out")
                books.edges.add(crate.lot, run, "went_in", event, used)
            crate.grams = kept
        books.move(event, run, self.one["packing"], house.store, packs, "counted")
        books.touch(self.wash_tank.touched({(at, at)}) | {self.open["labels"].lot}, run, event)
        books.runs.add(
            run,
            books.ids.products[code],
            name,
            nominal,
            "Grown here",
            str(use_by),
            "every",
            f"{name}, use by {use_by}",
            grams_in,
            packs,
            packs * nominal,
            trim,
            giveaway,
        )
        self.crates = [c for c in self.crates if c.grams]
        if self.rng.random() < 0.004:
            self._hold(run, packs, at + 1)
        else:
            self.store.append(Run(run, product, packs, use_by))

    def _hold(self, run: int, packs: int, at: Minute) -> None:
        """A run that nobody trusts: held, and destroyed the same day."""
        books = self.books
        event = books.event("hold", at, None, {"lots": [run], "reason": "metal in the spinner"})
        books.holds.add(run, "metal in the spinner", event, books.text(at), None, None)
        told = {
            "lot": run,
            "from_place": self.house.store,
            "quantity": packs,
            "to": "destroyed",
            "reason": "held",
        }
        event = books.event("discard", at + 5, self.house.store, told)
        books.move(event, run, self.house.store, self.one["destroyed"], packs, "counted", True)

    # notes

    def _send(self, outlet: str, at: Minute, *, loose: bool) -> None:
        books, house = self.books, self.house
        lines: list[tuple[int, int, str]] = []
        if loose and self.crates:
            crate = self.rng.choice(self.crates)
            part = crate.grams if self.rng.random() < 0.6 else max(1, crate.grams // 2)
            lines.append((crate.lot, part, "g"))
            crate.grams -= part
            self.crates = [c for c in self.crates if c.grams]
        for run in self.store[: self.rng.choice((1, 2))]:
            number = min(run.packs, self.rng.randint(2, 8))
            lines.append((run.lot, number, PRODUCTS[run.product][0]))
            run.packs -= number
        self.store = [r for r in self.store if r.packs]
        if not lines:
            return
        stands, transit = house.places[outlet], house.side[outlet, "transit"]
        told = {
            "outlet": house.outlets[outlet],
            "lines": [{"lot": a, "quantity": n, "from_place": house.store} for a, n, _ in lines],
        }
        sent = books.event("deliver", at, None, told)
        note = books.note(sent, house.outlets[outlet])
        arrived = []
        for lot, number, _ in lines:
            books.move(sent, lot, house.store, transit, number, "counted")
            away = 1 if number > 1 and self.rng.random() < 0.06 else 0
            lost = self.rng.random() < 0.5
            arrived.append((number - away, away * lost, away * (not lost)))
        told = {
            "note": note,
            "lines": [
                {"lot": a, "accepted": yes, "short": short, "rejected": no, "reason": ""}
                for (a, _, _), (yes, short, no) in zip(lines, arrived, strict=True)
            ],
        }
        event = books.event("receive", at + 50, None, told, fact=True)
        rejects = house.side[outlet, "quarantine"]
        for (lot, number, what), (yes, short, back) in zip(lines, arrived, strict=True):
            books.note_lines.add(note, lot, number, yes, short, back, 0)
            moved = books.move(event, lot, transit, stands, yes, "counted")
            books.move(event, lot, transit, self.one["count_difference"], short, "counted")
            books.move(event, lot, transit, rejects, back, "counted")
            pence = 1100 if what == "g" else self._pence(what, 0.7)
            worth = (yes * pence + 500) // 1000 if what == "g" else yes * pence
            books.money.add(moved, house.outlets[outlet], pence, worth)
            if outlet == "Kitchen":
                self.kitchen.append((lot, yes))

    def _pence(self, code: str, share: float) -> int:
        return next(int(p[4] * share) for p in PRODUCTS if p[0] == code)

    def _use(self) -> None:
        """The kitchen finishes what it took, a day or two later, before the next note comes."""
        books, at, stands = self.books, self.at(10, 0), self.house.places["Kitchen"]
        by_lot: dict[int, int] = {}
        for lot, number in self.kitchen:
            by_lot[lot] = by_lot.get(lot, 0) + number
        for lot, number in by_lot.items():
            event = books.event("use", at, stands, {"lot": lot, "place": stands})
            served = self.house.side["Kitchen", "served"]
            books.move(event, lot, stands, served, number, "remainder")
            books.counted.add(event, lot, stands, 0)
            at += 1
        self.kitchen = []

    # the shop

    def _put_on_shelf(self) -> None:
        here = sum(run.packs for run in self.shelf)
        moved = []
        for run in self.store[:4]:
            number = min(run.packs, 24 - here)
            if number > 0:
                moved.append((run, number))
                here += number
        if not moved:
            return
        books, shop = self.books, self.house.places["Shop"]
        told = {
            "outlet": self.house.outlets["Shop"],
            "lines": [
                {"lot": r.lot, "quantity": n, "from_place": self.house.store} for r, n in moved
            ],
        }
        event = books.event("put_on_shelf", self.at(16, 0), None, told)
        for run, number in moved:
            books.move(event, run.lot, self.house.store, shop, number, "counted")
            run.packs -= number
            there = next((r for r in self.shelf if r.lot == run.lot), None)
            if there:
                there.packs += number
            else:
                self.shelf.append(Run(run.lot, run.product, number, run.use_by))
        self.store = [r for r in self.store if r.packs]

    def _till_and_count(self) -> None:
        """A till that names no lot, and the closing count that proves which went: the books
        work the sale out first-expired-first, and what was not rung up is count difference."""
        if not self.shelf:
            return
        books, shop, sold = self.books, self.house.places["Shop"], self.house.side["Shop", "sold"]
        # first expired first, then first made
        self.shelf.sort(key=lambda r: (r.use_by, r.lot))
        gone = {r.lot: sum(self.rng.random() < 0.45 for _ in range(r.packs)) for r in self.shelf}
        rung: dict[int, int] = {}
        for run in self.shelf:
            rung[run.product] = rung.get(run.product, 0) + gone[run.lot]
        for product, number in rung.items():
            if number > 2 and self.rng.random() < 0.05:
                rung[product] -= 1  # one bag went without the till
        rung = {product: number for product, number in rung.items() if number}
        at = self.at(18, 0)
        if rung:
            rows = [
                {"product": books.ids.products[PRODUCTS[p][0]], "quantity": n}
                for p, n in rung.items()
            ]
            told = {"outlet": self.house.outlets["Shop"], "rows": rows, "till": "1"}
            till = books.event("sell", at, None, told, fact=True)
            for product, number in rung.items():
                books.unnamed.add(till, shop, sold, PRODUCTS[product][0], number)
        told = {
            "place": shop,
            "closing": True,
            "counted": {str(r.lot): r.packs - gone[r.lot] for r in self.shelf},
        }
        count = books.event("count", at + 30, shop, told, closing=True, fact=True)
        worked = books.own("worked_out_sale", books.text(at), till, till) if rung else 0
        missing: list[tuple[int, int]] = []
        for run in self.shelf:
            take = min(rung.get(run.product, 0), gone[run.lot])
            if take:
                rung[run.product] -= take
                moved = books.move(worked, run.lot, shop, sold, take, "worked_out", True)
                pence = self._pence(PRODUCTS[run.product][0], 1)
                books.money.add(moved, self.house.outlets["Shop"], pence, take * pence)
            if gone[run.lot] > take:
                missing.append((run.lot, gone[run.lot] - take))
            run.packs -= gone[run.lot]
            books.counted.add(count, run.lot, shop, run.packs)
        if missing:
            own = books.own("count_difference", books.end, count)
            for lot, number in missing:
                books.move(own, lot, shop, self.one["count_difference"], number, "counted", True)
        self.shelf = [r for r in self.shelf if r.packs]
