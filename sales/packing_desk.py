"""What lies before a packer: which crates, whether the line is ready, what the run comes to, and
the day's runs. Read only; the act itself is `operations.pack`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import Exists, Min, OuterRef, Q

from grow import clock, scope
from grow.kinds import CANCELLING
from grow.models import Event, Hold, Holding, Lot, LotKind, Person, Place, PlaceKind, Thing, alive
from grow.offers import age_of
from grow.wording import amount

from . import contents
from .label_words import decision
from .models import DecisionCard, PackingRun, Product
from .printing import Counts

MOST_CRATES = 80
_LEAF = (LotKind.HARVEST, LotKind.PRODUCE)
_OURS = (PlaceKind.STORE, PlaceKind.PACKHOUSE)


# --- products ------------------------------------------------------------------------------------


def products() -> list[Product]:
    """What is packed, the one that was packed last first."""
    rows = Product.objects.filter(nominal_g__isnull=False)
    last = dict(
        PackingRun.objects.filter(product__in=rows)
        .order_by("lot_id")
        .values_list("product_id", "lot_id")
    )
    return sorted(rows, key=lambda p: (-last.get(p.pk, 0), p.name))


# --- crates --------------------------------------------------------------------------------------


@dataclass
class Crate:
    """A lot of leaf in one place. why_not: why it cannot be taken; taken, left: what the form
    says of it ("" is "crate empty")."""

    code: str
    lot: int
    title: str
    place: str
    grams: int
    note: str
    allergens: tuple[str, ...] = ()
    why_not: str = ""
    in_recipe: bool = True
    taken: bool = False
    left: str = ""
    wrong: str = ""

    @property
    def key(self) -> str:
        return f"{self.lot}-{self.place}"


def crates(person: Person, product: Product) -> list[Crate]:
    """Leaf in store, first-expired-first; what the recipe names before the rest, and what may not
    be packed last, with the reason."""
    today = clock.local(clock.now()).date()
    rows = (
        scope.seen(Holding.objects.all(), person)
        .filter(quantity__gt=0, source=False, lot__kind__in=_LEAF, place__kind__in=_OURS)
        .select_related("lot__made_by", "lot__crop", "place")
        .annotate(dated=Min("lot__descriptions__best_before"))
    )
    holds = {
        hold.lot_id: hold.reason
        for hold in Hold.objects.filter(ended_by=None, lot__in=[h.lot_id for h in rows])
    }
    recipe = set(product.recipe.values_list("crop_id", flat=True))
    declared = contents.words(product.allergens)
    found = []
    for h in rows:
        lot, crop = h.lot, h.lot.crop
        dates = [d for d in (lot.use_by, h.dated) if d]
        if product.days_from_cut is not None:
            cut = clock.number_day(lot.made_by.day)
            dates.append(cut + dt.timedelta(days=product.days_from_cut))
        date = min(dates, default=None)
        carries = tuple(sorted(contents.words(crop.allergen))) if crop else ()
        undeclared = [a for a in carries if a not in declared]
        why = ""
        if lot.pk in holds:
            why = f"Held: {holds[lot.pk]}"
        elif date and date < today:
            why = f"Past its date, {date:%d %b %Y}"
        elif undeclared:
            why = f"{', '.join(undeclared).capitalize()} is not on the label of {product}"
        title = str(crop or lot.title or lot.get_kind_display())
        called = [lot.title] if lot.title and lot.title != title else []
        said = [amount(h.quantity, "g"), age_of(lot), *called]
        said += [f"use by {date:%d %b}"] if date else []
        in_recipe = not recipe or lot.crop_id in recipe
        key = (bool(why), not in_recipe, date or dt.date.max, lot.made_by.placed_at, lot.pk)
        crate = Crate(
            lot.code,
            lot.pk,
            title,
            h.place.name,
            h.quantity,
            " · ".join(filter(None, said)),
            carries,
            why,
            in_recipe,
        )
        found.append((key, crate))
    return [crate for _, crate in sorted(found, key=lambda pair: pair[0])]


def where_else(lot: Lot, person: Person) -> str:
    """Why a lot is not among the crates, in words."""
    rows = scope.seen(Holding.objects.filter(lot=lot, quantity__gt=0, source=False), person)
    places = [h.place.name for h in rows.select_related("place") if h.place.is_standing]
    if places:
        return f"{lot.code} stands in {', '.join(places)}, and only what is in store is packed."
    return f"{lot.code} holds nothing in store. Weigh it in first."


# --- the line ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """The line as it stands: when it was last looked over today, last cleaned (in words, empty
    where it was not), what ran last,
    and allergens packed there since the last clean that this product's label does not declare."""

    place: Place
    ready: str
    cleaned: str
    last: PackingRun | None
    warning: str = ""


def line_now(place: Place, product: Product | None) -> Line:
    today = clock.day_number(clock.local(clock.now()).date())
    acts = Event.objects.filter(alive(), place=place)
    cleaned = acts.filter(kind="clean").order_by("-placed_at", "-pk").first()
    runs = PackingRun.objects.filter(alive("lot__made_by"), lot__made_by__place=place)
    last = runs.order_by("-lot__made_by__placed_at", "-lot_id").select_related("lot__made_by")[:1]
    since = runs.exclude(allergens="")
    if cleaned:
        since = since.filter(lot__made_by__placed_at__gt=cleaned.placed_at)
    declared = contents.words(product.allergens) if product else set()
    warning = ""
    for run in since.select_related("lot__made_by").order_by("-lot_id"):
        strange = sorted(contents.words(run.allergens) - declared)
        if strange:
            at = clock.local(run.lot.made_by.happened_at)
            warning = (
                f"{run.name} with {', '.join(strange)} was packed here on {at:%d %b at %H:%M}, and "
                "no clean is recorded since. Clean the line first."
            )
            break
    ready = acts.filter(kind="look_over", day=today).order_by("-placed_at", "-pk").first()
    return Line(
        place,
        f"{clock.local(ready.happened_at):%H:%M}" if ready else "",
        f"{clock.local(cleaned.happened_at):%-d %b %H:%M}" if cleaned else "",
        last[0] if last else None,
        warning,
    )


# --- what it comes to ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Sums:
    """Grams of a run as it is typed. rest: in the crates and in no pack; below nought, what came
    from water and the scale. mean_g: of the packs weighed."""

    grams_in: int
    packs: int
    nominal_g: int
    giveaway_g: int = 0
    trim_g: int = 0
    mean_g: Decimal | None = None

    @property
    def rest(self) -> int:
        return self.grams_in - self.nominal_g - self.giveaway_g - self.trim_g


# --- the day's runs ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Done:
    """One of today's runs, and what may still be done about it."""

    run: PackingRun
    counts: Counts
    at: str
    by: str
    gone: bool
    can_undo: bool
    ways: Sequence[tuple[str, str]] = field(default_factory=tuple)


_taken_back = Event.objects.filter(corrects=OuterRef("lot__made_by"), kind__in=CANCELLING)


def runs_today(person: Person) -> list[Any]:
    """The latest first, each with `gone`: whether it was taken back."""
    today = clock.day_number(clock.local(clock.now()).date())
    rows = scope.seen(PackingRun.objects.all(), person).filter(lot__made_by__day=today)
    return list(
        rows.annotate(gone=Exists(_taken_back))
        .select_related("lot__made_by__recorded_by", "product")
        .order_by("-lot_id")[:30]
    )


def lines() -> list[Place]:
    return list(Place.objects.filter(kind=PlaceKind.PACKHOUSE, belongs_to=None).order_by("pk"))


def stores() -> list[Place]:
    return list(
        Place.objects.filter(Q(kind=PlaceKind.STORE) | Q(kind=PlaceKind.PACKHOUSE))
        .filter(belongs_to=None)
        .order_by("-kind", "pk")
    )


def tanks() -> list[Place]:
    """Whose water leaf may be washed in, the one of the last wash first."""
    last = (
        Event.objects.filter(alive(), kind="pack", tanks__isnull=False)
        .order_by("-placed_at", "-pk")
        .values_list("tanks", flat=True)
        .first()
    )
    rows = Place.objects.filter(kind=PlaceKind.TANK).order_by("name")
    return sorted(rows, key=lambda place: place.pk != last)


def was_washed(product: Product) -> bool:
    """Whether a run of it is washed as a rule: by its decision card, else as the last one was."""
    if decided := decision(product, clock.local(clock.now()).date()):
        return decided.state == DecisionCard.State.READY
    runs = PackingRun.objects.filter(alive("lot__made_by"), product=product)
    return bool(runs.order_by("-lot_id").values_list("washed", flat=True).first())


def scales() -> list[Thing]:
    return list(Thing.objects.filter(kind=Thing.Kind.SCALE).order_by("name"))
