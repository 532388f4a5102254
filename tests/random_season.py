"""A season told at random through the operations: three crops, four varieties, three towers, three
outlets, mixed and washed bags, bought-in leaf, and what goes wrong in any week: weights and
origins corrected, a run or a cut cancelled, entries found on paper and told late."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import dataclass, field

from grow.errors import Refusal
from grow.models import Crop, CropCard, Lot, Place, PlaceKind, Planting, Variety
from sales.models import Outlet, Price
from tests.farm import Farm
from tests.week import figures_farm, rated


@dataclass
class Season:
    farm: Farm
    dice: random.Random
    standing: list[Lot] = field(default_factory=list)
    raised: list[tuple[Lot, int]] = field(default_factory=list)
    wrong: list[tuple[Lot, dt.date]] = field(default_factory=list)

    def __post_init__(self) -> None:
        farm = self.farm
        self.first = farm.today
        self.shelf = farm.place("Lit shelf", PlaceKind.SHELF)
        self.corner: Outlet = farm.other_shop()
        Outlet.objects.filter(pk=self.corner.pk).update(shop_share_pct=15)
        oak = Variety.objects.create(crop=farm.lettuce, name="Oak leaf")
        rocket = Crop.objects.create(name="Rocket")
        wild = Variety.objects.create(crop=rocket, name="Wild")
        self.varieties = [farm.green, oak, farm.red, wild]
        for variety in self.varieties[:3]:
            CropCard.objects.create(
                variety=variety, days_to_first_cut=10, days_between_cuts=7, cuts=3
            )
        day = dt.date(2026, 1, 1)
        for crop, pence in ((farm.lettuce, 1100), (farm.mustard, 1900), (rocket, 2600)):
            line = f"crop:{crop.pk}"
            Price.objects.get_or_create(
                outlet=farm.kitchen, line=line, since=day, defaults={"pence": pence}
            )

    def weeks(self, number: int) -> None:
        for _ in range(number):
            self.week()

    def close(self) -> None:
        """Something is told on the last day, and it is over."""
        self.farm.cut(100, crop=self.farm.lettuce)
        self.morning()

    def morning(self) -> None:
        eight = self.farm.now.replace(hour=8, minute=0) + dt.timedelta(days=1)
        self.farm.pass_time(minutes=(eight - self.farm.now).total_seconds() / 60)

    def week(self) -> None:
        farm, dice = self.farm, self.dice
        self.plant()
        for _ in range(dice.randint(1, 3)):
            self.sow()
        self.morning()
        self.lose_or_clear()
        self.morning()
        crates = self.cut()
        farm.pass_time(hours=1)
        if crates and dice.random() < 0.4:
            box = farm.tell(
                "receive_produce",
                crop=farm.lettuce,
                supplier=farm.supplier,
                place=farm.store,
                grams=dice.randint(300, 900),
                paid_pence=dice.choice((None, dice.randint(200, 900))),
            ).lot
            crates.append(box)
        if crates:
            self.pack_and_sell(crates)
        if dice.random() < 0.4 and self.wrong:
            self.put_right()
        for _ in range(3):
            self.morning()

    # --- growing

    def sow(self) -> None:
        farm, dice = self.farm, self.dice
        place = dice.choice((farm.bench, self.shelf))
        cells = dice.randint(10, 30)
        batch = farm.sow(cells, dice.choice(self.varieties), place=place)
        self.raised.append((batch, cells))
        farm.pass_time(minutes=dice.randint(5, 50))
        if dice.random() < 0.7:
            dead = dice.randint(0, cells // 3)
            farm.tell("check_germination", batch=batch, place=place, not_up=dead)
            self.raised[-1] = (batch, cells - dead)

    def plant(self) -> None:
        farm, dice = self.farm, self.dice
        for batch, plants in self.raised[:]:
            if dice.random() < 0.2:
                continue  # next week
            self.raised.remove((batch, plants))
            towers = dice.sample([farm.t1, farm.t2, farm.t3], 2)
            shares = [plants // 3, plants - plants // 3]
            place = self.place_of(batch)
            for tower, number in zip(towers, shares, strict=True):
                try:
                    farm.plant(batch, tower, max(1, number // 2), from_place=place)
                except Refusal:
                    pass  # the tower is full
                else:
                    self.standing.append(batch)
            farm.pass_time(minutes=20)
        self.standing = list(dict.fromkeys(self.standing))

    def place_of(self, batch: Lot) -> Place:
        return next(p for p in (self.farm.bench, self.shelf) if self.farm.stock(batch, p))

    def lose_or_clear(self) -> None:
        farm, dice = self.farm, self.dice
        for batch in self.standing[:]:
            tower = next((t for t in (farm.t1, farm.t2, farm.t3) if farm.stock(batch, t)), None)
            if tower is None:
                self.standing.remove(batch)
            elif dice.random() < 0.3:
                farm.tell("lose_plants", batch=batch, place=tower, plants=1, reason="slug")
            elif dice.random() < 0.15:
                uncut = dice.choice((None, dice.randint(50, 400)))
                farm.tell("clear", batch=batch, why="old", left="some", uncut_g=uncut)
                self.standing.remove(batch)

    def cut(self) -> list[Lot]:
        farm, dice = self.farm, self.dice
        alive = [
            b
            for b in self.standing
            if any(farm.stock(b, tower) for tower in (farm.t1, farm.t2, farm.t3))
        ]
        if not alive:
            return []
        crates = []
        for batch in dice.sample(alive, min(len(alive), 4)):
            same = [b for b in alive if b.crop_id == batch.crop_id]
            batches = dice.sample(same, min(len(same), dice.choice((1, 1, 2))))
            graded = dice.choice((0, 0, dice.randint(10, 60)))
            sites = Planting.objects.filter(batch__in=batches, ended_by=None).count()
            net = sites * dice.randint(60, 100)
            crates.append(farm.cut(net, batches=batches, grade_out_g=min(graded, net // 9)))
            farm.pass_time(minutes=10)
        return crates

    # --- selling

    def pack_and_sell(self, crates: list[Lot]) -> None:
        farm, dice = self.farm, self.dice
        if len(crates) > 1 and dice.random() < 0.6:
            loose = crates.pop()
            sent = farm.stock(loose, farm.store)
            note = farm.send(loose, sent)
            farm.pass_time(minutes=30)
            short = dice.choice((0, 0, dice.randint(1, sent // 5)))
            farm.arrive(note, loose, sent - short, short=short)
            farm.tell("use", lot=loose, place=farm.kitchen_place)
        there = [farm.stock(c, farm.store) for c in crates]
        grams, left = sum(there), dice.choice((0, 0, min(70, min(there) // 2)))
        packs = (grams - left * len(crates)) // dice.randint(124, 150)
        if packs < 6:
            return
        run = farm.pack(crates, packs=packs, left=left, washed=dice.random() < 0.5)
        self.wrong.append((run, farm.today))
        farm.pass_time(minutes=15)
        shop, corner, kitchen = packs // 2, packs // 5, packs // 6
        farm.to_shop(run, shop)
        for outlet, number in ((self.corner, corner), (farm.kitchen, kitchen)):
            if number:
                note = farm.send(run, number, outlet)
                farm.pass_time(minutes=30)
                farm.arrive(note, run, number)
            if number and outlet is self.corner:
                farm.pass_time(minutes=30)
                row = farm.row(dice.randint(1, number), run)
                farm.tell("sell", outlet=outlet, rows=[row])
        sold = dice.randint(0, shop)
        if sold:
            farm.pass_time(hours=2)
            farm.till(sold, dice.choice((run, None)))
        farm.pass_time(hours=2)
        farm.tell("count", place=farm.shop_place, counted={run: shop - sold}, closing=True)
        self.morning()
        if shop - sold:
            farm.tell(
                "discard",
                lot=run,
                from_place=farm.shop_place,
                to=dice.choice(("compost", "feed", "staff")),
                quantity=shop - sold,
                reason="not sold",
            )

    # --- what goes wrong

    def put_right(self) -> None:
        """Of any week: it may be a month that was added up long ago."""
        farm, dice = self.farm, self.dice
        run, day = dice.choice(self.wrong)
        crate = farm.cut(
            dice.randint(200, 600), crop=dice.choice((farm.lettuce, farm.mustard)), on=day
        )
        eaten = [edge.parent for edge in run.above.filter(kind="went_in", struck_by=None)]
        act = dice.choice(("weight", "origin", "cancel a late cut", "late cut"))
        try:
            if act == "weight":
                farm.tell("correct_weight", lot=run, right=run.run.packs + 1, reason="one more")
            elif act == "origin" and eaten:
                farm.tell(
                    "correct_origin", lot=run, wrong=eaten[0], right=crate, reason="other crate"
                )
            elif act == "cancel a late cut":
                farm.tell("cancel", event=crate.made_by, reason="told twice")
        except Refusal:
            pass  # the books would not have it so: then it stays as it was told


def told(seed: int, weeks: int) -> Season:
    rated()
    season = Season(figures_farm(), random.Random(seed))
    season.weeks(weeks)
    return season
