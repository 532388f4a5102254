"""The space plan as a page: its assumptions may be changed there, and nothing of that is kept."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase

from grow import clock
from grow.flat import columns_of
from grow.looking import Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Business
from grow.page import Page
from grow.rest import shown
from grow.roles import MANAGER
from grow.start import OPENS

from .plan_asked import entered
from .plan_rows import Assumed, PlantRow, SoldRow, Space, TowerRow
from .planning import space
from .roles import may_read_figures
from .said import rests_on
from .tower_cost import tower_cost

_KINDS = {"room": "Room", "demand": "Demand", "promise": "Promise", "rule": "Limit"}
_ASSUMED = (
    Column("what", "What"),
    Column("value", "Taken as", "long"),
    Column("rests_on", "Rests on", "long"),
)


def _questions(currency: str) -> list[Question]:
    rates, _ = tower_cost(clock.local(clock.now()).date())
    price, life, running = (
        (_money(rates.price_p), f"{rates.life_years.normalize():f}", _money(rates.running_p))
        if rates
        else ("", "", "")
    )

    def by_rates(value: str) -> str:
        return f"Empty: {value} by the rates" if value else "No rate says it yet"

    return [
        Question("demand_pct", "Demand, % of what was sold", value="100"),
        Question(
            "orders",
            "Standing orders",
            value="kept",
            choices=[("kept", "Kept"), ("left", "Left out")],
        ),
        Question("more", "More towers, up to", value="10"),
        Question("price", f"A tower costs, {currency}", help=by_rates(price), seldom=True),
        Question("life", "A tower lasts, years", help=by_rates(life), seldom=True),
        Question("running", f"Running it, {currency} a year", help=by_rates(running), seldom=True),
        Question("shelf", "Lit shelf and tent, cells", help=_MOST, seldom=True),
        Question("bench", "Benches, cells", help=_MOST, seldom=True),
        Question("demand", "Wanted a week", help=_GOODS, seldom=True),
        Question("promised", "Promised a week besides", help=_GOODS, seldom=True),
        Question(
            "most",
            "No more of the sites planted, %",
            help="A crop and its greatest share: Basil 20, Kale 15",
            seldom=True,
        ),
    ]


_MOST = "Empty: the most that stood at once in a year"
_GOODS = "A product and its packs, or kg if loose: SALAD-120 40, BASIL-KG 2"


def _money(pence: Decimal | int) -> str:
    return f"{Decimal(pence) / 100:,.2f}"


def plan_page(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    currency = Business.the().currency
    return looked(
        request,
        title="Space plan",
        lead="What to grow month by month for the most money, what stands in the way of more, and "
        "what more towers would earn. Change what it takes for given; nothing of that is kept.",
        questions=_questions(currency),
        answer=lambda person, asked: _answer(space(today, entered(asked)), currency),
    )


def _answer(found: Space, currency: str) -> Answer:
    plain = shown(PlantRow)
    return Answer(
        _sections(found, currency),
        file=f"space-plan-{found.about.period.first}",
        columns=columns_of(plain),
        rows=[dict(plain(row).data) for row in found.rows],
    )


def _sections(found: Space, currency: str) -> list[Section]:
    period = f"Period: {found.about.period}."
    out = (
        [Section("There is no plan", says=[found.collision], loud=True)] if found.collision else []
    )
    if not found.collision and not found.rows:
        out.append(Section(empty="There is nothing to plan with yet: crop cards, sites and sales."))
    if found.rows:
        out += [
            Section(
                f"The plan, {found.about.period}",
                facts=_facts(found, currency),
                says=_concludes(found, currency),
            ),
            _by_month(found, "held", "What stands", "sites held on average in the month", True),
            _by_month(found, "plant", "What to plant", "sites to plant in the month", False),
            _sold(found, currency, period),
        ]
        if found.limits:
            out.append(_limits(found, period))
        if found.one_more_p:
            out.append(_towers(found, currency, period))
    out.append(
        Section(
            "What the plan takes for given",
            table=Table(
                _ASSUMED, [dict(shown(Assumed)(row).data) for row in found.assumed], stacks=True
            ),
            says=[*rests_on(found.about), period],
            folded=True,
            name="given",
        )
    )
    return out


def _facts(found: Space, currency: str) -> list[tuple[str, str]]:
    facts = [
        ("It earns a year", f"{_money(found.earns_p)} {currency}"),
        ("The last 365 days, as grown", f"{_money(found.was_p)} {currency}"),
        ("One more tower would earn a year", f"{_money(found.one_more_p)} {currency}"),
    ]
    if found.pay_up_to is not None:
        facts.append(("More towers that pay", f"{found.pay_up_to} of {len(found.towers)}"))
    return facts


def _concludes(found: Space, currency: str) -> list[str]:
    """In a sentence or two, what follows from the numbers."""
    room = {limit.name for limit in found.limits if limit.kind == "room"}
    asked = any(limit.kind == "demand" for limit in found.limits)
    binds = [*sorted(room), *(["what is asked for"] if asked else [])]
    says = [f"What binds: {', '.join(binds)}." if binds else "Nothing binds."]
    if found.earns_p < found.was_p:
        says.append(
            "It earns less than the last 365 days did: it grows only what has a crop card that "
            "says enough, sells no more in a month than is wanted then, and keeps what is promised."
        )
    if found.towers and not found.one_more_p:
        says.append(f"Sites are not short in it: {_more(found)} would earn nothing more.")
    elif found.towers and found.pay_up_to is not None:
        first, number = found.towers[0], len(found.towers)
        cost = _money(first.cost_p or 0)
        if found.pay_up_to == 0:
            says.append(
                f"No further tower pays: the first would earn {_money(first.last_p)} {currency} a "
                f"year and cost {cost}."
            )
        elif found.pay_up_to == number:
            says.append(
                f"All {number} pay: the last of them would still earn "
                f"{_money(found.towers[-1].last_p)} {currency} a year and cost {cost}."
            )
        else:
            after = found.towers[found.pay_up_to]
            says.append(
                f"They stop paying after {found.pay_up_to}: the next would earn "
                f"{_money(after.last_p)} {currency} a year and cost {cost}."
            )
    return says


def _more(found: Space) -> str:
    number = len(found.towers)
    return "one more tower" if number == 1 else f"one more tower, or {number} more,"


def _by_month(found: Space, of: str, title: str, unit: str, drawn: bool) -> Section:
    by_crop: dict[str, dict[str, Any]] = {}
    for row in found.rows:
        by_crop.setdefault(row.crop, {"crop": row.crop})[row.month] = getattr(row, of)
    rows = [row for row in by_crop.values() if any(row[month] for month in found.months)]
    total = {"crop": "All"} | {m: sum(row[m] for row in rows) for m in found.months}
    columns = [Column("crop", "Crop"), *(Column(m, f"{m}, sites", "tenth") for m in found.months)]
    return Section(
        f"{title}, {found.about.period}",
        table=Table(columns, [*rows, total], sums=1),
        picture=_picture(rows, found.months) if drawn else None,
        says=[f"Base: the plan. Unit: {unit}. Period: {found.about.period}."],
        folded=True,
        name=of,
    )


def _picture(rows: Sequence[Mapping[str, Any]], months: Sequence[str]) -> Mapping[str, Any]:
    """Squares of crop by month, the fuller the more; the table beneath has the numbers."""
    cells = [(m, row["crop"], float(row[m])) for row in rows for m in months if row[m]]
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [month for month, *_ in cells],
                "y": [crop for _, crop, _ in cells],
                "marker": {"symbol": "square", "size": 18, "color": [n for *_, n in cells]},
                "hovertemplate": "%{y}, %{x}: %{marker.color} sites<extra></extra>",
            }
        ],
        "across": "Sites held, the darker the more",
        "high": 110 + 24 * len(rows),
    }


def _sold(found: Space, currency: str, period: str) -> Section:
    columns = (
        Column("product", "Product"),
        Column("grams", "Sold, kg a year", "kg"),
        Column("demand_g", "Wanted, kg a year", "kg"),
        Column("pence_per_kg", "It brings, pence a kg", "whole"),
        Column("pence", f"It brings, {currency} a year", "money"),
    )
    return Section(
        f"What it sells, {found.about.period}",
        table=Table(columns, [dict(shown(SoldRow)(row).data) for row in found.sold], stacks=True),
        says=[
            "Base: products that were sold in the last 365 days. Unit: kg and pence at the door, "
            f"less packaging and the minutes of packing and washing. {period}"
        ],
        folded=True,
        name="sold",
    )


def _limits(found: Space, period: str) -> Section:
    rows: dict[tuple[str, str, str], dict[str, Any]] = defaultdict(dict)
    for limit in found.limits:
        row = rows[limit.kind, limit.name, limit.unit]
        row |= {"kind": _KINDS[limit.kind], "name": limit.name, "unit": limit.unit}
        row[limit.month or "year"] = limit.worth_p
    whole_year = any("year" in row for row in rows.values())
    columns = [
        Column("kind", "What binds"),
        Column("name", "Of what"),
        Column("unit", "Unit"),
        *(Column(m, f"{m}, pence", "tenth") for m in found.months),
        *([Column("year", "Whole year, pence", "tenth")] if whole_year else []),
    ]
    return Section(
        f"What binds, and what a little more would earn, {found.about.period}",
        table=Table(columns, list(rows.values())),
        says=[
            "Base: each limit that the plan meets in a month. Unit: pence, of what the row says: a "
            "site or cell more for a week, a kilogram more wanted, or one less promised. "
            f"{period}",
            "Exact for a little more only: what whole towers would earn is worked out anew.",
        ],
        folded=True,
        name="limits",
    )


def _towers(found: Space, currency: str, period: str) -> Section:
    columns = [
        Column("towers", "Towers more", "whole"),
        Column("together_p", f"They add, {currency} a year", "money"),
        Column("last_p", f"The last of them adds, {currency} a year", "money"),
    ]
    if found.pay_up_to is not None:
        columns += [
            Column("cost_p", f"The last of them costs, {currency} a year", "money"),
            Column("says", "Does it pay?"),
            Column(
                "pays_back_years",
                f"Earns back its price in years, of the {found.life_years:f} that it lasts",
                "tenth",
            ),
        ]
    add = [row for row in found.towers if row.last_p]
    rows = [
        dict(shown(TowerRow)(row).data) | {"says": "It pays" if row.pays else "It does not pay"}
        for row in add
    ]
    none = len(found.towers) - len(add)
    return Section(
        "More towers",
        table=Table(columns, rows, stacks=True),
        says=[
            *([f"Beyond these, {none} more would add nothing."] if none else []),
            "Base: the plan worked out anew with each tower more, of as many sites and tiers as "
            f"one has on average. Unit: towers, {currency} a year. {period}",
            "Its price is spread evenly over its life, without interest, with what it costs to run "
            "a year. Demand stays as it is told: where that binds, more sites earn little.",
        ],
        folded=True,
        name="towers",
    )


OPENS[MANAGER].append("space")
SPACE_PAGES = [
    Page("space/", "space", "Space plan", None, plan_page, may=may_read_figures),
]

__all__ = ["SPACE_PAGES"]
