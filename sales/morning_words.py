"""The cut list in words: its figures as they are said, what each rests on, and as rows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from grow.cuttable import Standing
from grow.wording import amount

from .models import Product
from .morning import Morning, ToCut, ToPack
from .note_paper import packs_of

_NUMBERED = re.compile(r"(.* )(\d+)")


def kilograms(grams: int) -> str:
    """Rounded up, never down: to 0.1 kg, and below a kilogram to 0.01."""
    step, places = (100, 1) if grams >= 1000 else (10, 2)
    steps = -(-grams // step)
    return f"{steps // 10**places}.{steps % 10**places:0{places}d} kg"


def cut_rests_on(one: ToCut) -> list[str]:
    """What the figure was worked out from, in sentences."""
    why = [f"{_for(w.product, w.packs)}: {amount(w.grams, 'g')}" for w in one.why]
    said = [f"For {'; '.join(why)}."]
    less = f"Less {amount(one.in_store_g, 'g')} in store." if one.in_store_g else "None in store."
    said.append(less)
    for s in one.left_out:
        said.append(f"Not counted: {amount(s.quantity, 'g')} of {s.lot.code}. {s.why_not}.")
    if one.crate_g:
        said.append(
            f"A crate is {amount(one.crate_g, 'g')}, the mean of the last {one.crates_known}."
        )
    else:
        said.append("No crate of it was weighed yet.")
    return said


def _for(product: Product, packs: int) -> str:
    if product.loose_crop_id:
        return product.name
    return f"{product.name}, {packs_of(packs, product)}"


def enough_says(one: ToCut) -> str:
    return f"{one.crop}: {amount(one.need_g, 'g')} needed, {amount(one.in_store_g, 'g')} in store"


def stands_says(s: Standing) -> str:
    since = "since the cut" if s.cut else "since sowing" if s.sowings else "since planting"
    days = f"{s.days} {'day' if s.days == 1 else 'days'} {since}"
    noun = "cell" if s.sowings else "plant"
    said = [f"{s.plants} {noun}{'' if s.plants == 1 else 's'}", days]
    if s.grams:
        said.append(f"about {kilograms(s.grams)} by its card")
    if s.ripe is False:
        said.append("early, by its card")
    return f"{s.place}: {', '.join(said)}"


def towers(names: Sequence[str]) -> str:
    """“towers 3, 7”, where they are numbered alike; else their names."""
    read = [_NUMBERED.fullmatch(name) for name in names]
    before = {found[1] for found in read if found}
    if len(names) > 1 and all(read) and len(before) == 1:
        return f"{before.pop().strip().lower()}s {', '.join(found[2] for found in read if found)}"
    return ", ".join(names)


def pack_rests_on(one: ToPack) -> list[str]:
    loose = bool(one.product.loose_crop_id)

    def said(n: int) -> str:
        return amount(n, "g") if loose else str(n)

    asked = []
    for order in one.orders:
        there = ""
        if order.there:
            what = "sent" if order.outlet.wants_notes else "on the shelf"
            there = f", {said(order.there)} {what}"
        asked.append(f"{order.outlet} {said(order.quantity)}{there}")
    out = [f"Wanted: {'; '.join(asked)}."]
    if not loose:
        out.append(f"In store: {one.in_store}.")
        out += [f"Not counted: {s.quantity} of {s.lot.code}. {s.why_not}." for s in one.stopped]
        if one.to_make:
            out.append(took_says(one))
    return out


def took_says(one: ToPack) -> str:
    """How much leaf a gram packed takes, and how that is known."""
    if not one.took.runs:
        return "Leaf as much as is packed: no run of it yet."
    share = one.took.for_each
    hundredths = round(share * 100)
    runs = f"the last {one.took.runs} runs" if one.took.runs > 1 else "its one run"
    return f"{hundredths // 100}.{hundredths % 100:02d} g of leaf for 1 g packed, by {runs}."


# --- as rows -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MorningRow:
    """A line of the cut list ("cut", in grams of a crop) or of the packing list ("pack", in packs,
    or grams of what goes out loose). there: on shelves, or sent that day; in_store: what of it will
    do, nothing where its leaf is counted with the crop; to_do: to be cut, packed or sent; crates,
    crate_g: so many of so many grams net each, nothing where none was weighed yet."""

    list: str
    what: str
    unit: str
    wanted: int
    there: int
    in_store: int | None
    to_do: int
    grams_of_leaf: int
    crates: int | None
    crate_g: int | None
    where: str
    not_where: str
    rests_on: str


def rows(found: Morning) -> Iterator[MorningRow]:
    """Both lists, the cut list first."""
    for cut in found.to_cut:
        yield MorningRow(
            list="cut",
            what=cut.crop.name,
            unit="g",
            wanted=cut.need_g,
            there=0,
            in_store=cut.in_store_g,
            to_do=cut.cut_g,
            grams_of_leaf=cut.cut_g,
            crates=cut.crates,
            crate_g=cut.crate_g,
            where=_joined(s.place.name for s in cut.enough),
            not_where=_joined(f"{s.place}: {s.why_not}" for s in cut.not_at),
            rests_on=" ".join(cut_rests_on(cut)),
        )
    for pack in found.to_pack:
        loose = bool(pack.product.loose_crop_id)
        yield MorningRow(
            list="pack",
            what=pack.product.name,
            unit="g" if loose else "each",
            wanted=pack.wanted,
            there=pack.there,
            in_store=None if loose else pack.in_store,
            to_do=pack.gap if loose else pack.to_make,
            grams_of_leaf=pack.leaf_g,
            crates=None,
            crate_g=None,
            where="",
            not_where="",
            rests_on=" ".join(pack_rests_on(pack)),
        )


def _joined(words: Iterable[str]) -> str:
    return "; ".join(words)
