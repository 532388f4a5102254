"""What a pack's label says: read from the run, its product and the decision on it, until the first
label is printed; from then on as it was printed.

Which particulars a label bears: Regulation (EU) 1169/2011, Articles 9(1) and 13, as kept in Great
Britain; of food packed where it is sold, name and ingredients with their allergens (England:
SI 2019/1218). The operator decides what a product is, and asks the local authority where it is
not plain.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from typing import Any

from grow import clock
from grow.models import Business, Crop, Lot
from grow.shelf import date_of
from grow.wording import amount

from . import contents, public
from .models import DecisionCard, PackingRun, Product

C = DecisionCard
#: Grams up to which the figures of the weight are so many millimetres high: Directive 76/211/EEC,
#: Annex I. That the edge belongs to the lower step is from memory.
_FIGURES_MM = ((50, 2), (200, 3), (1000, 4))
_FIGURES_ABOVE_MM = 6
#: Words, and whether they are emphasised.
Part = tuple[str, bool]


def figures_mm(grams: int) -> int:
    """The least height of the figures of a net weight, in millimetres."""
    return next((high for most, high in _FIGURES_MM if grams <= most), _FIGURES_ABOVE_MM)


# --- the decision ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Decision:
    """What the cards in force ask of one pack, wherever it may go: the strictest of each."""

    state: str
    sold_as: str
    system: str
    date_kind: str
    cards: tuple[DecisionCard, ...]

    @property
    def direct(self) -> bool:
        """Whether some of it is packed for direct sale where it was packed."""
        return any(card.sold_as == C.SoldAs.DIRECT for card in self.cards)


_STRICTEST = {
    "state": (C.State.READY, C.State.TRIMMED, C.State.UNWASHED),
    "sold_as": (C.SoldAs.PREPACKED, C.SoldAs.DIRECT, C.SoldAs.LOOSE),
    "system": (C.System.MINIMUM, C.System.AVERAGE),
    "date_kind": (C.DateKind.USE_BY, C.DateKind.BEST_BEFORE, C.DateKind.NONE),
}


def decision(product: Product, day: dt.date) -> Decision | None:
    """What was decided of a product by a day: of each outlet the latest card that has begun. None
    where nobody has decided anything yet."""
    return decided(C.objects.filter(product=product), day)


def decided(cards: Iterable[DecisionCard], day: dt.date) -> Decision | None:
    """The same of all cards of one product, where they are known already."""
    latest: dict[int | None, DecisionCard] = {}
    for card in sorted(cards, key=lambda card: (card.since, card.pk)):
        if card.since <= day:
            latest[card.outlet_id] = card
    if not latest:
        return None
    strictest = {
        name: next(str(v) for v in order if v in {getattr(c, name) for c in latest.values()})
        for name, order in _STRICTEST.items()
    }
    return Decision(**strictest, cards=tuple(latest.values()))


# --- the words -----------------------------------------------------------------------------------


@dataclass
class Words:
    """Everything that one label says, part by part; lengths are millimetres. date_kind without a
    date prints none. lacks: what somebody must fill in before the label may be printed."""

    name: str
    amount: str
    figure_mm: int
    lot: str
    date_kind: str = ""
    date: str = ""
    ingredients: list[Part] = field(default_factory=list)
    contains: list[Part] = field(default_factory=list)
    storage: str = ""
    wash: str = ""
    origin: str = ""
    grade: str = ""
    business: str = ""
    largest_cm2: int | None = None
    qr: str = ""
    lacks: list[str] = field(default_factory=list)

    @property
    def small(self) -> list[str]:
        """What may stand in the smallest letters."""
        words = (self.storage, self.wash, self.grade, self.origin, self.business)
        return [w for w in words if w]

    @property
    def text(self) -> str:
        """The same as plain lines; what is emphasised in capitals."""
        lines = [
            f"{self.name}  {self.amount}",
            _plain(self.ingredients),
            _plain(self.contains),
            f"{self.date_kind} {self.date}".strip(),
            f"Lot {self.lot}",
            *self.small,
        ]
        return "\n".join(line for line in lines if line)

    @property
    def missing(self) -> str:
        """What somebody must fill in, as a sentence."""
        return (
            f"The label of {self.name} lacks {_listed(self.lacks)}. Fill it in under Business or "
            "Products, or add it to the lot; the run stays as it is."
        )

    def kept(self) -> dict[str, Any]:
        """As it is kept with the run once it was printed."""
        return asdict(self)


def _plain(parts: Iterable[Part]) -> str:
    return "".join(words.upper() if emphasised else words for words, emphasised in parts)


_DATE = {C.DateKind.USE_BY: "Use by", C.DateKind.BEST_BEFORE: "Best before"}
_WASH = {
    C.State.UNWASHED: "Wash before use",
    C.State.TRIMMED: "Wash before use",
    C.State.READY: "Washed and ready to eat",
}


def words_of(run: PackingRun) -> Words:
    """What the label of a run says: as it was printed, with the shorter date of a relabelling; or,
    if none was printed yet, as run, product, business and decision stand."""
    date = date_of(run.lot)
    return _printed(run, date) if run.label else _fresh(run, date)


def words_known(run: PackingRun, date: dt.date | None, business: Business) -> Words:
    """The same where the books are asked nothing more: as it was printed; of a run of which no
    label was printed yet, what the run itself froze, and its date without the kind of it.

    run: with its lot and product; date: as it stands."""
    if run.label:
        return _printed(run, date)
    said = _begun(run)
    said.date_kind, said.date = ("Date", _on(date)) if date else ("", "")
    said.contains = _contains(sorted(contents.words(run.allergens)))
    said.origin = _origin(run.origin, business)
    return said


def _printed(run: PackingRun, date: dt.date | None) -> Words:
    said = Words(**run.label)
    said.ingredients = [(words, bool(strong)) for words, strong in said.ingredients]
    said.contains = [(words, bool(strong)) for words, strong in said.contains]
    if said.date and date:  # as printed, or the earlier one of a relabelling
        said.date = _on(date)
    return said


def _begun(run: PackingRun) -> Words:
    product = run.product
    grams = 0 if product.by_number else run.nominal_each_g
    return Words(
        name=run.name,
        amount=amount(grams, "g") if grams else f"1 {product.get_form_display().lower()}",
        figure_mm=figures_mm(grams) if grams else 0,
        lot=run.lot.code,
        largest_cm2=product.largest_cm2,
    )


def _fresh(run: PackingRun, date: dt.date | None) -> Words:
    product, business = run.product, Business.the()
    decided = decision(product, clock.number_day(run.lot.made_by.day))
    said = _begun(run)
    said.qr = public.qr_of(run, business)
    declared = contents.words(run.allergens)
    if date and (kind := date_called(decided)):
        said.date_kind, said.date = kind, _on(date)
    if decided is None:
        said.contains = _contains(sorted(declared))
        return said
    whole = decided.sold_as == C.SoldAs.PREPACKED
    leaf = contents.leaf_of(run.lot)
    if len(leaf) > 1 or decided.state != C.State.UNWASHED or decided.direct:
        said.ingredients = ingredients(leaf, product.named)
    named = {w.lower() for w, strong in said.ingredients if strong}
    said.contains = _contains(a for a in sorted(declared) if a not in named)
    said.storage, said.wash = product.storage, _WASH[C.State(decided.state)]
    grew, unknown = contents.countries([run.lot_id], business.country)
    said.origin = "" if unknown else f"Origin: {', '.join(grew)}"
    variety = str(_one_variety(run) or "") if product.shows_variety else ""
    said.grade = ", ".join(w for w in (product.get_grade_display(), variety) if w)
    said.business = ", ".join(w for w in (business.name, business.address) if w)
    if whole and not business.address:
        said.lacks.append("the business’s postal address")
    if whole and decided.date_kind in _DATE and not date:
        said.lacks.append("its date, for nobody has set how long it keeps")
    if decided.date_kind == C.DateKind.USE_BY and not said.storage:
        said.lacks.append("how to keep it, which stands with a use-by date")
    if whole:
        said.lacks += unknown
    return said


def date_called(decided: Decision | None) -> str:
    """What stands before the date; nothing where it was decided that there is none."""
    return _DATE.get(C.DateKind(decided.date_kind), "") if decided else "Use by"


def _on(date: dt.date) -> str:
    """Day, month and year in that order, uncoded: Regulation (EU) 1169/2011, Annex X."""
    return f"{date:%d %b %Y}"


def _contains(allergens: Iterable[str]) -> list[Part]:
    parts: list[Part] = []
    for allergen in allergens:
        parts += [(", " if parts else "Contains: ", False), (allergen, True)]
    return parts


def ingredients(leaf: dict[Crop, Fraction], named: Crop | None = None) -> list[Part]:
    """Leaf by descending weight, each allergen emphasised within its word or behind it, and the
    share of the leaf that the name of the product speaks of."""
    whole = sum(leaf.values())
    parts: list[Part] = [("Ingredients: ", False)]
    for n, (crop, grams) in enumerate(leaf.items()):
        parts += [(", ", False)] if n else []
        parts += _emphasised(crop)
        if named and crop.pk == named.pk and len(leaf) > 1:
            parts.append((f" ({int(100 * grams / whole)} %)", False))
    return [*parts, (".", False)]


def _emphasised(crop: Crop) -> list[Part]:
    name, allergens = crop.name.lower(), sorted(contents.words(crop.allergen))
    if not allergens:
        return [(name, False)]
    inside = [a for a in allergens if a in name]
    behind = [a for a in allergens if a not in name]
    parts: list[Part] = []
    for piece in re.split(f"({'|'.join(map(re.escape, inside))})", name) if inside else [name]:
        if piece:
            parts.append((piece, piece in inside))
    for n, allergen in enumerate(behind):
        parts += [(", " if n else " (", False), (allergen, True)]
    return [*parts, (")", False)] if behind else parts


def _origin(found: str, business: Business) -> str:
    if found == contents.GROWN_HERE:
        return f"Origin: {business.country}" if business.country else ""
    return found


def _one_variety(run: PackingRun) -> Any:
    """The variety of all that went in, where it is one."""
    parents = Lot.objects.filter(below__child=run.lot, below__kind="went_in", below__struck_by=None)
    found = {lot.variety for lot in parents.select_related("variety__crop")}
    return found.pop() if len(found) == 1 else None


def _listed(words: Sequence[str]) -> str:
    return " and ".join(words) if len(words) < 3 else f"{', '.join(words[:-1])}, and {words[-1]}"
