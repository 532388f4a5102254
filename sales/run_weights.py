"""All that is known of a run's weights, in one reading: what was weighed and on which scale, what
the law and the packer's own rules make of it, what was given away, how full to fill."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any, TypeVar

from grow import clock, scope
from grow.errors import NotKnown, Refusal
from grow.finding import rows_called
from grow.models import Event, Lot, Person, Thing, alive
from grow.readings import hour_known

from . import weights
from .models import PackingRun, PackWeight, Price, Product
from .weights import Advice, Chart, Outcome, Plan, Rules, System, Verdict

#: (one, several) of each form of pack, as a sentence calls them.
CALLED: dict[str, tuple[str, str]] = {
    Product.Form.BAG: ("bag", "bags"),
    Product.Form.PUNNET: ("punnet", "punnets"),
    Product.Form.POT: ("pot", "pots"),
    Product.Form.BUNCH: ("bunch", "bunches"),
    Product.Form.HEAD: ("head", "heads"),
}
#: What the leaf of a run cost, as an app above knows: (pence a gram, in words what is in that), or
#: None where it does not.
LEAF_COST: list[Callable[[PackingRun], tuple[Decimal, str] | None]] = []
#: Advice rests on so many of a product's last runs; common practice, no source.
LAST_RUNS = 10


@dataclass(frozen=True)
class Weighed:
    """One pack on the scale. number: in the order of weighing over the whole run, from 1. entry:
    that which told it."""

    number: int
    net_g: Decimal
    entry: int


@dataclass(frozen=True)
class Weighing:
    """One entry that told weights, so many of them. scale is empty where nobody named one;
    hour_known is false where only the day was told."""

    entry: int
    day: dt.date
    at: dt.datetime
    hour_known: bool
    did: list[str]
    scale: str
    weights: int


@dataclass(frozen=True)
class Checked:
    """A check of a scale: whether it passed, what it read, and what was done where it did not."""

    at: dt.datetime
    hour_known: bool
    passed: bool
    reading: str
    done: str


@dataclass(frozen=True)
class ScaleUsed:
    """A scale on a day on which packs of the run were made up or weighed on it. before, after: its
    last check before the first of that and the first after it. that_day: before is of the day."""

    name: str
    day: dt.date
    division_g: Decimal | None
    for_trade: bool
    before: Checked | None
    after: Checked | None
    that_day: bool


@dataclass(frozen=True)
class Giveaway:
    """Over the label in all packs, by the mean of those weighed; less than nought where they are
    short. pence: None where no price is known, or this person sees none. basis: what a gram was
    priced by."""

    mean_g: Decimal
    grams: int
    pence: int | None = None
    basis: str = ""


@dataclass(frozen=True)
class RunWeights:
    """The weights of a run, in grams.

    nominal_g: on the label. target_g: what the scale was to read, as told with the run; fill_to_g:
    that, else the product's target now, else the label. tare_g: the empty pack, as it was then.
    t1_g, t2_g: the law's lines; none with the minimum system. plan: how many the law's test weighs.
    verdict, rules, chart, giveaway: None where there is nothing to judge, notes say why. advice: on
    the target, from the product's last advice_runs runs that were weighed."""

    run: str
    name: str
    packs: int
    nominal_g: int
    by_number: bool
    system: str
    fill: str
    target_g: Decimal | None
    fill_to_g: Decimal
    tare_g: Decimal
    t1_g: Decimal | None = None
    t2_g: Decimal | None = None
    plan: Plan | None = None
    weights: list[Weighed] = field(default_factory=list)
    weighings: list[Weighing] = field(default_factory=list)
    scales: list[ScaleUsed] = field(default_factory=list)
    verdict: Verdict | None = None
    rules: Rules | None = None
    chart: Chart | None = None
    giveaway: Giveaway | None = None
    advice: Advice | None = None
    advice_runs: int = 0
    notes: list[str] = field(default_factory=list)


def run_called(code: str, person: Person) -> PackingRun:
    """A run by its code or a name, as far as this person sees it. Raises NotKnown."""
    (lot,) = rows_called(Lot, [code[:200]], person)
    if isinstance(lot, Refusal):
        raise lot
    rows = PackingRun.objects.select_related(
        "lot__made_by__place", "lot__made_by__recorded_by", "product", "scale"
    )
    run = rows.filter(lot=lot).first()
    if run is None:
        raise NotKnown("no_run", f"{lot.code} is no packing run; it has no weights of packs.")
    return run


def weights_of(run: PackingRun, person: Person) -> RunWeights:
    """The weights of a run as this person may see them: money is not for whoever is tied to one
    outlet, nor what the product's other runs weighed. So many queries, however many weights."""
    product, nominal = run.product, run.nominal_each_g
    rows = list(
        PackWeight.objects.filter(alive("event"), run=run)
        .order_by("event__placed_at", "event_id", "number")
        .values_list("event_id", "net_g")
    )
    net = [g for _, g in rows]
    weighings, scales = _weighings(run, rows)
    called = CALLED[product.form]
    notes: list[str] = []
    if product.by_number:
        notes.append(f"{called[1].capitalize()} are sold by number; their weight is not judged.")
    if len({w.day for w in weighings}) > 1:
        notes.append("Weighed on more than one day. Leaf loses water: the later ones weigh less.")
    found = RunWeights(
        run=run.lot.code,
        name=run.name,
        packs=run.packs,
        nominal_g=nominal,
        by_number=product.by_number,
        system=run.system,
        fill=run.fill,
        target_g=run.target_g,
        fill_to_g=run.target_g or product.target_g or Decimal(nominal),
        tare_g=run.empty_g,
        weights=[Weighed(n, g, entry) for n, (entry, g) in enumerate(rows, 1)],
        weighings=weighings,
        scales=scales,
        chart=_or_none(lambda: weights.individuals(net)),
        notes=notes,
    )
    if product.by_number:
        return found
    judged: dict[str, Any] = {
        "verdict": _verdict(run, net, _division(weighings, scales, notes), called),
        "giveaway": _giveaway(run, net, person) if net else None,
    }
    if run.system == System.AVERAGE:
        t1, t2 = _or_none(lambda: weights.lines(nominal)) or (None, None)
        advice, advice_runs = _advice(product, nominal, called, person)
        judged |= {
            "t1_g": t1,
            "t2_g": t2,
            "plan": _or_none(lambda: weights.plan_for(run.packs)),
            "rules": _or_none(lambda: weights.three_rules(net, nominal, called=called)),
            "advice": advice,
            "advice_runs": advice_runs,
        }
    return replace(found, **judged)


Found = TypeVar("Found")


def _or_none(work_out: Callable[[], Found]) -> Found | None:
    """None where there are too few weights, or the law has no figure for such a pack."""
    try:
        return work_out()
    except Refusal:
        return None


def _verdict(
    run: PackingRun, net: Sequence[Decimal], division_g: Decimal | None, called: tuple[str, str]
) -> Verdict:
    nominal = run.nominal_each_g
    try:
        return weights.verdict(
            net, nominal, run.packs, run.system, division_g=division_g, called=called
        )
    except Refusal as why:  # more weights than packs, or a label that the law has no figure for
        says = f"No verdict: {why.sentence}"
        return Verdict(Outcome.NO_VERDICT, says, "", Decimal(nominal), len(net))


# --- the scale -----------------------------------------------------------------------------------


def _weighings(
    run: PackingRun, rows: Sequence[tuple[int, Decimal]]
) -> tuple[list[Weighing], list[ScaleUsed]]:
    """What told the weights, in order; and every scale of the run and of them."""
    counts: dict[int, int] = {}
    for entry, _ in rows:
        counts[entry] = counts.get(entry, 0) + 1
    events = (
        Event.objects.filter(pk__in=counts)
        .select_related("recorded_by")
        .prefetch_related("done_by", "things")
        .order_by("placed_at", "pk")
    )
    used: dict[tuple[Thing, int], Event] = {}
    if run.scale:
        used[run.scale, run.lot.made_by.day] = run.lot.made_by
    weighings = []
    for event in events:
        named = [t for t in event.things.all() if t.kind == Thing.Kind.SCALE]
        # told with the run itself they were on its scale; later, on that which was named
        own = event.pk == run.lot.made_by_id
        scale = named[0] if named else run.scale if own else None
        if scale:
            used.setdefault((scale, event.day), event)
        did = [str(p) for p in event.done_by.all()] or [str(event.recorded_by)]
        weighings.append(
            Weighing(
                event.pk,
                clock.number_day(event.day),
                event.happened_at,
                hour_known(event),
                did,
                scale.name if scale else "",
                counts[event.pk],
            )
        )
    return weighings, [_used(scale, first) for (scale, _), first in used.items()]


def _used(scale: Thing, first: Event) -> ScaleUsed:
    checks = Event.objects.filter(alive(), kind="check", things=scale)
    before = checks.filter(placed_at__lte=first.placed_at).order_by("placed_at", "pk").last()
    after = checks.filter(placed_at__gt=first.placed_at).order_by("placed_at", "pk").first()
    return ScaleUsed(
        scale.name,
        clock.number_day(first.day),
        scale.division_g,
        scale.for_trade,
        _checked(before),
        _checked(after),
        that_day=before is not None and before.day == first.day,
    )


def _checked(event: Event | None) -> Checked | None:
    if event is None:
        return None
    told = json.loads(event.told or "{}")
    return Checked(
        event.happened_at,
        hour_known(event),
        told["passed"],
        told.get("reading", ""),
        told.get("done", ""),
    )


def _division(
    weighings: Sequence[Weighing], scales: Sequence[ScaleUsed], notes: list[str]
) -> Decimal | None:
    """The coarsest of those on which packs were weighed, in grams; what is not known is noted."""
    division_of = {scale.name: scale.division_g for scale in scales}
    names = list(dict.fromkeys(w.scale for w in weighings))
    if "" in names:
        notes.append("On which scale some of these were weighed is not recorded.")
    unknown = [name for name in names if name and division_of[name] is None]
    if unknown:
        notes.append(
            f"The division of {' and '.join(unknown)} is not recorded, so nobody can say whether "
            "it is fine enough."
        )
    return max(filter(None, (division_of.get(name) for name in names)), default=None)


# --- what it cost, and how full to fill ----------------------------------------------------------


def _giveaway(run: PackingRun, net: Sequence[Decimal], person: Person) -> Giveaway:
    """In money by what the leaf cost; where nobody knows that, by the lowest price that the product
    fetches anywhere on the run's day."""
    mean = weights.spread(net).mean_g
    grams = weights.giveaway_g(mean, run.nominal_each_g, run.packs)
    if grams <= 0 or scope.tied_to(person) or not person.has_perm("sales.view_price"):
        return Giveaway(mean, grams)
    if cost := next(filter(None, (known(run) for known in LEAF_COST)), None):
        return Giveaway(mean, grams, weights.giveaway_pence(grams, cost[0]), cost[1])
    day = clock.number_day(run.lot.made_by.day)
    rows = Price.objects.filter(line=run.product.line, since__lte=day)
    stands = {p.outlet_id: p for p in rows.select_related("outlet__place").order_by("since")}
    if not stands:
        return Giveaway(mean, grams, basis="No price is set, so it is not in money.")
    lowest = min(stands.values(), key=lambda p: (p.pence, p.outlet_id))
    pence = weights.giveaway_pence(grams, Decimal(lowest.pence) / run.nominal_each_g)
    each = CALLED[run.product.form][0]
    basis = (
        f"At the lowest price it sells for, {lowest.pence} p a {each} ({lowest.outlet}); what the "
        "leaf cost is less."
    )
    return Giveaway(mean, grams, pence, basis)


def _advice(
    product: Product, nominal: int, called: tuple[str, str], person: Person
) -> tuple[Advice | None, int]:
    """From the weights of the product's last runs with this label, and how many those are; none
    for whoever is tied to an outlet, which had not all of them."""
    if scope.tied_to(person):
        return None, 0
    rows = PackWeight.objects.filter(
        alive("event"),
        alive("run__lot__made_by"),
        run__product=product,
        run__nominal_each_g=nominal,
    )
    runs = list(rows.order_by("-run_id").values_list("run_id", flat=True).distinct()[:LAST_RUNS])
    net = list(rows.filter(run__in=runs).order_by("run_id", "event_id", "number"))
    pooled = [row.net_g for row in net]
    now = product.target_g or nominal
    advice = _or_none(lambda: weights.advise(pooled, nominal, now, called=called))
    return advice, len(runs)
