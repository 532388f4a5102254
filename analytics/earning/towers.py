"""What more towers would earn, and up to how many they pay for their price over their life."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from .space_plan import Farm, Plan, plan


@dataclass(frozen=True)
class Tower:
    """Of one tower: adds, room → site-days in each period of the plan (and less of a room that it
    takes up is not told here); price_p, once; life_years; running_p, a year: pump power and the
    longer round."""

    adds: Mapping[str, Sequence[float]]
    price_p: float
    life_years: float
    running_p: float = 0

    @property
    def yearly_p(self) -> float:
        """Price spread evenly over its life, without interest, and what it costs to run."""
        return self.price_p / self.life_years + self.running_p


@dataclass(frozen=True)
class Step:
    """towers: so many more. together_p: what they all add to a year's earnings; last_p: what the
    last of them adds; cost_p: a year of one; pays_back_years: until the last has earned its price,
    None where it never does."""

    towers: int
    together_p: float
    last_p: float
    cost_p: float
    pays_back_years: float | None

    @property
    def pays(self) -> bool:
        return self.last_p >= self.cost_p


@dataclass(frozen=True)
class Towers:
    """steps: 1, 2, 3 … more. one_more_p: the first by the shadow prices, a year; never less than
    the first step, since each further tower earns no more than the one before. pay_up_to: the last
    that pays, 0 where none does; it is `most` where all that were tried pay."""

    plan: Plan
    one_more_p: float
    steps: tuple[Step, ...]
    pay_up_to: int


def more_towers(farm: Farm, tower: Tower, most: int = 10, years: float = 1) -> Towers:
    """The plan solved again with 1 to `most` more towers. years: how long the plan is; its pence
    are told a year. Demand and prices stay as they are told: more of a crop may sell for less.

    ValueError where the farm as it is has no plan, or for a length or life that is not above
    nought."""
    if not (years > 0 and tower.life_years > 0 and most >= 1):
        raise ValueError(
            "Tell a length of the plan and a life of a tower above nought, and a tower."
        )
    now = plan(farm)
    if now.collision:
        raise ValueError(now.collision.sentence)
    steps: list[Step] = []
    before = 0.0
    for towers in range(1, most + 1):
        together = (plan(farm.with_more(tower.adds, towers)).pence - now.pence) / years
        net = together - before - tower.running_p
        steps.append(
            Step(
                towers,
                together,
                together - before,
                tower.yearly_p,
                tower.price_p / net if net > 0 else None,
            )
        )
        before = together
    pay = next((step.towers - 1 for step in steps if not step.pays), most)
    one = now.worth_of(tower.adds, farm.periods) / years
    return Towers(now, one, tuple(steps), pay)
