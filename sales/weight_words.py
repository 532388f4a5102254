"""A run's weights and its record in plain words, as the pages show them."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from grow import clock
from grow.looking import Column, Table
from grow.models import Business

from .models import PackingRun, Product
from .run_record import RunRecord
from .run_weights import CALLED, Checked, RunWeights, ScaleUsed, Weighed
from .weight_drawing import drawing
from .weights import Chart, Outcome, System
from .weights.words import plainly

CAUTION = (
    "Decision support and record keeping. A sample’s verdict is about the sample; local rules come "
    "first."
)


# --- the weights ----------------------------------------------------------------------------------


def outcome(found: RunWeights) -> dict[str, Any]:
    """The verdict's heading; of a run filled on the scale one by one nothing was asked yet."""
    verdict = found.verdict
    if verdict is None or not (found.weights or found.fill == Product.Fill.SAMPLED):
        return {"shows_verdict": False, "caution": CAUTION}
    check = found.fill == Product.Fill.EVERY and verdict.outcome is Outcome.MORE
    return {
        "shows_verdict": True,
        "outcome": "Some weighed, as a check" if check else str(verdict.outcome).capitalize(),
        "look": _LOOK.get(verdict.outcome, "is-open"),
        "caution": CAUTION,
    }


_LOOK = {Outcome.ACCEPTED: "is-good", Outcome.REJECTED: "is-bad"}


def asks(found: RunWeights, product: Product) -> list[str]:
    """What the law, the plan and the packer's own rules ask of such a run, in plain words."""
    one, several = CALLED[product.form]
    says = [f"{found.nominal_g} g on the label."]
    if found.by_number:
        return [f"About {found.nominal_g} g each; {several} are sold by number, not by weight."]
    if found.system == System.MINIMUM:
        says.append(f"No {one} under {found.nominal_g} g: the label is the least of any.")
    if found.t1_g is not None and found.t2_g is not None:
        says.append(f"Under {plainly(found.t1_g)} g is short: no more than 1 {one} in 40.")
        says.append(f"Under {plainly(found.t2_g)} g may not be sold: not one.")
    return [*says, _plan_asks(found, one, several)]


def _plan_asks(found: RunWeights, one: str, several: str) -> str:
    n = len(found.weights)
    asked = found.plan.steps[0].n if found.plan else found.packs
    every = f"all {asked}" if asked == found.packs else f"{asked} of {found.packs}, at random"
    if found.fill == Product.Fill.EVERY:
        return (
            f"Each {one} is made up on the scale, so no sample is asked for; weigh a few as a "
            f"check. The law’s own test weighs {every}."
        )
    so_far = f"{n} so far" if n else "none so far"
    more = found.verdict.more if found.verdict else 0
    return f"Weigh {every}: {so_far}{f', {more} more' if more else ''}."


def what_they_say(found: RunWeights, product: Product) -> dict[str, Any]:
    """The readings of the page, as its template takes them."""
    called = CALLED[product.form]
    more: dict[str, Any] = {"one": called[0], "several": called[1], **outcome(found)}
    if found.chart:
        more |= {
            "drawing": drawing(found.chart, found.nominal_g, found.t1_g),
            "chart_says": chart_says(found.chart, called),
            "chart_desc": _described(found),
        }
    if found.weights:
        table = Table(_table_columns(found), _rows(found), most=len(found.weights))
        table.write()
        more["table"] = table
    if found.giveaway:
        more |= {
            "mean": tenths(found.giveaway.mean_g),
            "over": abs(found.giveaway.grams),
            "is_short": found.giveaway.grams < 0,
            "money": _money(found.giveaway.pence),
        }
    return more


def _money(pence: int | None) -> str:
    return "" if pence is None else f"{pence / Decimal(100):,.2f} {Business.the().currency}"


def _described(found: RunWeights) -> str:
    chart = found.chart
    assert chart is not None
    return (
        f"{len(chart.points)} weights in the order of weighing, from {plainly(min(chart.points))} "
        f"to {plainly(max(chart.points))} g; mean {tenths(chart.centre)} g; the filling’s own "
        f"limits {tenths(chart.lower)} and {tenths(chart.upper)} g. The same numbers are in the "
        "table below."
    )


def _table_columns(found: RunWeights) -> tuple[Column, ...]:
    how = {1: "tenth", 2: "hundredth"}[_places(found)]
    return (
        Column("number", "No.", "whole"),
        Column("net_g", "Net weight, g", how),
        Column("range_g", "Change, g", how),
        Column("marks", "What it is", "mark"),
    )


def _places(found: RunWeights) -> int:
    """Places behind the point: as many as the finest weight has, one at least."""
    return 1 if all(w.net_g == w.net_g.quantize(Decimal("0.1")) for w in found.weights) else 2


def _rows(found: RunWeights) -> list[Mapping[str, Any]]:
    chart = found.chart
    ranges = [None, *chart.ranges] if chart else [None]
    return [
        {
            "number": w.number,
            "net_g": w.net_g,
            "range_g": range_g,
            "marks": ", ".join(_marks(found, w)),
        }
        for w, range_g in zip(found.weights, ranges, strict=True)
    ]


def _marks(found: RunWeights, w: Weighed) -> list[str]:
    marks = []
    if found.t2_g is not None and w.net_g < found.t2_g:
        marks.append("may not be sold")
    elif found.t1_g is not None and w.net_g < found.t1_g:
        marks.append("short")
    elif found.system == System.MINIMUM and not found.by_number and w.net_g < found.nominal_g:
        marks.append("under the label")
    if found.chart and w.number in found.chart.outside:
        marks.append("outside the limits")
    return marks


def chart_says(chart: Chart, called: tuple[str, str]) -> list[str]:
    """What a control chart shows, in sentences."""
    low, high = tenths(chart.lower), tenths(chart.upper)
    says = [
        f"{called[0].capitalize()} {n} weighs {plainly(chart.points[n - 1])} g, outside the "
        f"limits of the filling itself, {low} to {high} g: something was different."
        for n in chart.outside
    ]
    says += [
        f"From {called[0]} {n - 1} to {n} the weight jumps by {plainly(chart.ranges[n - 2])} g, "
        f"more than the {tenths(chart.range_upper)} g that this filling does by itself."
        for n in chart.range_outside
    ]
    says += [
        f"{called[1].capitalize()} {first} to {last} all lie "
        f"{'above' if chart.points[first - 1] > chart.centre else 'below'} the mean: the filling "
        "has moved (eight in a row; common practice, no source)."
        for first, last in chart.one_side
    ]
    return says or [
        f"Steady: every weight lies within the filling’s own limits, {low} to {high} g."
    ]


def tenths(grams: Decimal) -> str:
    """To a tenth of a gram, half up."""
    return str(grams.quantize(Decimal("0.1"), "ROUND_HALF_UP"))


# --- the record -----------------------------------------------------------------------------------


def record_says(run: PackingRun, found: RunWeights, record: RunRecord) -> dict[str, Any]:
    """What the record's template shows in words, put so while the business's zone is at hand."""
    looked = record.looked
    return {
        "fill": run.get_fill_display(),
        "system": run.get_system_display(),
        "target": plainly(run.target_g) if run.target_g else "",
        "tare": plainly(found.tare_g) if found.tare_g else "",
        "tare_now": run.tare_g is None,
        "packed": clock.said(record.packed_at, hour=record.hour_known),
        "packed_by": ", ".join(record.packed_by),
        "lines": f"{plainly(found.t1_g)} g, {plainly(found.t2_g)} g"
        if found.t1_g is not None and found.t2_g is not None
        else "",
        "over": _over(found),
        "difference": _difference(record.labels.over),
        **outcome(found),
        "looked": clock.said(looked.at, hour=looked.hour_known) if looked else "",
        "weighings": by_weighing(found),
        "scales": [scale_says(scale) for scale in found.scales],
    }


def _over(found: RunWeights) -> str:
    if found.giveaway is None:
        return ""
    way = "short of" if found.giveaway.grams < 0 else "over"
    return (
        f"Their mean, {tenths(found.giveaway.mean_g)} g, makes {abs(found.giveaway.grams)} g {way} "
        f"the label in all {found.packs}."
    )


def _difference(over: int) -> str:
    if over == 0:
        return "none"
    return f"{over} left over or lost" if over > 0 else f"{-over} more packs than labels counted"


def by_weighing(found: RunWeights) -> list[tuple[dict[str, Any], list[str]]]:
    net: dict[int, list[str]] = {}
    places = _places(found)
    for w in found.weights:
        net.setdefault(w.entry, []).append(f"{w.net_g:.{places}f}")
    return [
        (
            {
                "when": clock.said(w.at, hour=w.hour_known),
                "did": ", ".join(w.did),
                "scale": w.scale,
            },
            net[w.entry],
        )
        for w in found.weighings
    ]


def scale_says(scale: ScaleUsed) -> dict[str, Any]:
    """A scale in words: what it is, and its checks."""
    steps = f"steps of {plainly(scale.division_g)} g" if scale.division_g else "steps not recorded"
    return {
        "name": f"{scale.name}, {scale.day:%d %b}",
        "is": f"{steps}, {'for trade' if scale.for_trade else 'not stamped for trade'}",
        "before": _check_says(scale.before),
        "after": _check_says(scale.after),
        "doubtful": not scale.that_day or not (scale.before and scale.before.passed),
        "that_day": scale.that_day,
    }


def _check_says(check: Checked | None) -> str:
    if check is None:
        return "none recorded"
    says = f"{clock.said(check.at, hour=check.hour_known)}, {'good' if check.passed else 'FAILED'}"
    return "; ".join(filter(None, (says, check.reading, check.done)))
