"""The morning: what to cut and what to pack, from what is wanted, what stands in store, recipes and
what runs really took. A reading alone; nothing of it is kept.

Of each product: wanted − on that shelf or sent already − in store = packs to make. Of each crop:
packs to make × net weight × what the product's last runs took for each gram packed × the recipe's
share, and what is wanted loose, less the leaf in store that will do = grams to cut.

Weights are whole grams; what is shared is shared to the gram.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from django.db.models import F, Window
from django.db.models.functions import RowNumber

from grow import clock, cuttable
from grow.cuttable import Standing
from grow.models import Basis, Crop, Lot, LotKind, Person, Place, PlaceKind, alive
from grow.shares import shared_out

from .models import PackingRun, Product, RecipeLine
from .orders import Order, Stood, in_store, orders

#: So many of a product's last runs, and of a crop's last crates, say what is usual.
LAST = 10


@dataclass(frozen=True)
class Took:
    """What the last runs of a product took: grams of leaf for grams in packs. With no run, as much
    as is packed."""

    runs: int = 0
    grams_in: int = 0
    nominal_g: int = 0

    @property
    def for_each(self) -> Fraction:
        """Grams of leaf for a gram packed; a ratio of sums."""
        return Fraction(self.grams_in, self.nominal_g) if self.nominal_g else Fraction(1)


@dataclass
class ToPack:
    """A product that somebody wants. in_store: what may go out; stopped: what stands there and may
    not. recipe: its crops, whose shares are the middles of what the recipe allows, made up to the
    whole. Of what is sold loose nothing is packed: to_make is nought."""

    product: Product
    orders: list[Order]
    in_store: int = 0
    stopped: list[Stood] = field(default_factory=list)
    took: Took = Took()
    recipe: list[tuple[Crop, int]] = field(default_factory=list)

    @property
    def wanted(self) -> int:
        return sum(order.quantity for order in self.orders)

    @property
    def there(self) -> int:
        """On the shelves, or sent that day."""
        return sum(min(order.there, order.quantity) for order in self.orders)

    @property
    def gap(self) -> int:
        return sum(order.gap for order in self.orders)

    @property
    def to_make(self) -> int:
        return 0 if self.product.loose_crop_id else max(0, self.gap - self.in_store)

    @property
    def leaf_g(self) -> int:
        """Grams of leaf that the packs to make take, or that go out loose; a begun gram is one."""
        if self.product.loose_crop_id:
            return self.gap
        return math.ceil(self.to_make * (self.product.nominal_g or 0) * self.took.for_each)

    def parts(self) -> list[tuple[Crop, int]]:
        """Each crop and its grams of that leaf."""
        if self.product.loose_crop:
            return [(self.product.loose_crop, self.leaf_g)]
        grams = shared_out(self.leaf_g, [weight for _, weight in self.recipe])
        return [(crop, g) for (crop, _), g in zip(self.recipe, grams, strict=True)]


@dataclass(frozen=True)
class For:
    """Why a crop is cut: so many grams of it for a product."""

    product: Product
    packs: int
    grams: int


@dataclass
class ToCut:
    """A crop that is needed. in_store_g: leaf that will do; left_out: leaf that will not, with
    why. crate_g: what a crate of it weighed net on the mean of the last, None where none is known.
    at: where it can be cut; not_at: where it stands and cannot; store: where it was put last."""

    crop: Crop
    why: list[For]
    in_store_g: int = 0
    left_out: list[Stood] = field(default_factory=list)
    crates_known: int = 0
    crate_g: int | None = None
    at: list[Standing] = field(default_factory=list)
    not_at: list[Standing] = field(default_factory=list)
    store: str = ""

    @property
    def need_g(self) -> int:
        return sum(one.grams for one in self.why)

    @property
    def cut_g(self) -> int:
        return max(0, self.need_g - self.in_store_g)

    @property
    def crates(self) -> int | None:
        """A begun crate is one."""
        return math.ceil(Fraction(self.cut_g, self.crate_g)) if self.crate_g else None

    @property
    def enough(self) -> list[Standing]:
        """Of where it can be cut, the first that give enough by their cards; all, where a card
        does not say. Cells only where no tower has any: one cut is of towers or of sowings."""
        at = [one for one in self.at if not one.sowings] or self.at
        if any(one.grams is None for one in at):
            return at
        found, grams = [], 0
        for one in at:
            if grams >= self.cut_g:
                break
            found.append(one)
            grams += one.grams or 0
        return found


@dataclass
class Morning:
    """to_cut: what is to be cut, then what store has enough of. to_pack: by product. unsaid:
    products to make of which no recipe says what goes in."""

    day: dt.date
    to_cut: list[ToCut]
    to_pack: list[ToPack]

    @property
    def unsaid(self) -> list[ToPack]:
        return [p for p in self.to_pack if p.to_make and not p.recipe]


def morning(day: dt.date, person: Person) -> Morning:
    """The cut list and the packing list of a day, as stock stands now. So many queries however many
    orders, lots and towers."""
    wanted = orders(day, person)
    stock = in_store(person, day) if wanted else []
    to_pack = _to_pack(wanted, stock)
    return Morning(day, _to_cut(day, stock, to_pack), to_pack)


# --- to pack -------------------------------------------------------------------------------------


def _to_pack(asked: Iterable[Order], stock: Iterable[Stood]) -> list[ToPack]:
    wanted: dict[Product, list[Order]] = defaultdict(list)
    for order in asked:
        wanted[order.product].append(order)
    packed = [p for p in wanted if not p.loose_crop_id]
    lines = {p.line for p in packed}
    by_line: dict[str, list[Stood]] = defaultdict(list)
    for stood in stock:
        if stood.lot.line in lines:
            by_line[stood.lot.line].append(stood)
    took, recipes = _took(packed), _recipes(packed)
    found = []
    for product, of_it in wanted.items():
        there = by_line[product.line]
        found.append(
            ToPack(
                product,
                of_it,
                sum(s.quantity for s in there if not s.why_not),
                [s for s in there if s.why_not],
                took.get(product.pk, Took()),
                recipes[product.pk],
            )
        )
    return sorted(found, key=lambda p: (p.product.name, p.product.pk))


def _took(products: Sequence[Product]) -> dict[int, Took]:
    if not products:
        return {}
    runs = PackingRun.objects.filter(alive("lot__made_by"), product__in=products, nominal_g__gt=0)
    nth = Window(RowNumber(), partition_by=F("product"), order_by=F("lot").desc())
    rows = runs.annotate(nth=nth).filter(nth__lte=LAST)
    sums: dict[int, Took] = {}
    for product, grams, nominal in rows.values_list("product", "grams_in", "nominal_g"):
        had = sums.get(product, Took())
        sums[product] = Took(had.runs + 1, had.grams_in + grams, had.nominal_g + nominal)
    return sums


def _recipes(products: Sequence[Product]) -> dict[int, list[tuple[Crop, int]]]:
    """Each crop of a recipe with its least and greatest share added: twice the middle, which is
    all that sharing out asks."""
    found: dict[int, list[tuple[Crop, int]]] = defaultdict(list)
    lines = RecipeLine.objects.filter(product__in=products).select_related("crop").order_by("pk")
    for line in lines if products else ():
        found[line.product_id].append((line.crop, line.least_pct + line.greatest_pct))
    return found


# --- to cut --------------------------------------------------------------------------------------


def _to_cut(day: dt.date, stock: Iterable[Stood], to_pack: Iterable[ToPack]) -> list[ToCut]:
    needs: dict[int, ToCut] = {}
    for packing in to_pack:
        for crop, grams in packing.parts():
            if grams:
                need = needs.setdefault(crop.pk, ToCut(crop, []))
                need.why.append(For(packing.product, packing.to_make, grams))
    if not needs:
        return []
    for stood in stock:
        if stood.lot.kind == LotKind.PACK or stood.lot.crop_id not in needs:
            continue
        need = needs[stood.lot.crop_id]
        if why := stood.why_not or _too_old(stood, need, day):
            need.left_out.append(Stood(stood.lot, stood.place, stood.quantity, stood.date, why))
        else:
            need.in_store_g += stood.quantity
    _crates(needs)
    at = max(clock.now(), clock.start_of(day))
    wanted = [pk for pk, need in needs.items() if need.cut_g]
    for one in cuttable.standing(wanted, at, cells=True):
        need = needs[one.crop]
        (need.not_at if one.why_not else need.at).append(one)
    return sorted(needs.values(), key=lambda n: (-n.cut_g, n.crop.name))


def _too_old(stood: Stood, need: ToCut, day: dt.date) -> str:
    """Why no product may be packed of a crate any more, as the bench would refuse it; leaf that
    goes out loose has no such limit."""
    limits = [one.product.days_from_cut for one in need.why]
    if any(days is None for days in limits):
        return ""
    cut = clock.number_day(stood.lot.made_by.day)
    last = max(days for days in limits if days is not None)
    if (day - cut).days <= last:
        return ""
    return f"Cut {(day - cut).days} days ago; packs take it up to {last} days from the cut"


def _crates(needs: dict[int, ToCut]) -> None:
    """What a crate of each crop weighed, of the last that were put on a scale, and where they
    went."""
    lots = Lot.objects.filter(
        alive("made_by"), kind=LotKind.HARVEST, crop__in=needs, made_by__kind="harvest"
    )
    nth = Window(RowNumber(), partition_by=F("crop"), order_by=F("id").desc())
    rows = lots.annotate(nth=nth).filter(nth__lte=LAST).order_by("-id")
    nets: dict[int, list[int]] = defaultdict(list)
    stores: dict[int, int] = {}
    seen = set()
    for crop, event, text in rows.values_list("crop", "made_by", "made_by__told"):
        told = json.loads(text or "{}")
        if event in seen or told.get("basis", Basis.WEIGHED) != Basis.WEIGHED:
            continue
        seen.add(event)
        stores.setdefault(crop, told.get("store", 0))
        nets[crop] += [c["gross_g"] - c.get("tare_g", 0) for c in told.get("crates", ())]
    ours = Place.objects.filter(kind__in=(PlaceKind.STORE, PlaceKind.PACKHOUSE), belongs_to=None)
    names = dict(ours.order_by("-kind", "pk").values_list("pk", "name"))
    for crop, need in needs.items():
        last = nets[crop][:LAST]
        need.crates_known = len(last)
        need.crate_g = round(Fraction(sum(last), len(last))) if last else None
        need.store = names.get(stores.get(crop, 0)) or next(iter(names.values()), "")
