"""The form of any act, built from what its operation asks for; and what was typed into it.

A `Form` shows each `Ask` as a `Field` in the grower's words, with what may be meant offered and
what is usual filled in. `Form.data()` is what `edge.tell` reads: names, codes and texts as they
were typed. The form translates and judges nothing: what is wrong is said by the edge.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from django.http import QueryDict
from django.utils.datastructures import MultiValueDict

from . import codes, scope
from .asks import COMMON, OF_A_LOT, Ask, asks
from .errors import Refusal
from .models import Holding, Lot, LotKind, Person, Photo, Place, PlantSite
from .offers import Asked, Offer, offers, standing
from .usual import last_told, usual
from .wording import Words, words

#: More than so many names are a list to pull down, no longer buttons.
FEW, SOME, TABLE = 9, 8, 12
#: A number without its unit is kilograms where a lot is kept by weight.
_BARE = re.compile(r"\s*[0-9]+(?:[.,][0-9]+)?\s*")
#: Where a row of a group is about something: (kind, group) → what the rows are about.
ROWS: dict[tuple[str, str], Callable[[Asked], list[Offer]]] = {}
#: Arguments on which the rest of the form hangs: choosing one opens the form anew.
OPENS_ANEW = {("count", "place")}
#: Where a page asks in another order than the operation does: what comes first.
ORDER = {
    "harvest": ("crop", "batches", "towers", "except_sites", "crates", "store", "grade_out_g"),
    "sow": ("variety", "seed", "place", "cells"),
    "transplant": ("batch", "from_place", "towers", "plants", "sites"),
    "check": ("things", "place", "kind", "passed", "reading", "done"),
    "clean": ("things", "place", "how", "cleaner"),
    "receive_input": ("item", "supplier", "supplier_lot", "quantity", "best_before", "place"),
}
#: Never asked of somebody who is tied to places.
MONEY = frozenset({"paid_pence", "unit_pence"})


@dataclass
class Field:
    """One argument as a page shows it. value: a text, or a list of texts for many."""

    ask: Ask
    words: Words
    name: str
    as_: str
    value: Any = ""
    typed: str = ""
    offers: list[Offer] = field(default_factory=list)
    error: str = ""
    rows: list[Row] = field(default_factory=list)
    unit: str = ""
    extra: dict[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        return f"id_{self.name}"

    @property
    def label(self) -> str:
        return self.words.label

    @property
    def chosen(self) -> set[str]:
        return set(self.value) if isinstance(self.value, list) else {self.value} - {""}

    @property
    def is_optional(self) -> bool:
        """Said of what is typed; what is tapped is left alone without being told."""
        return not (self.ask.required or self.words.more or self.value) and self.as_ in _TYPED

    @property
    def is_wordy(self) -> bool:
        """Long names stand two in a row and not in a heap."""
        return len(self.offers) > 3 and sum(len(o.label) for o in self.offers) > 13 * len(
            self.offers
        )

    @property
    def is_lot(self) -> bool:
        return self.ask.model is Lot

    @property
    def is_row(self) -> bool:
        return self.ask.what == "row"

    @property
    def is_about_lots(self) -> bool:
        return any(f.is_lot and f.ask.required for r in self.rows for f in (*r.fixed, *r.cells))

    @property
    def stray(self) -> str:
        """What was said and is not among what is offered."""
        known = {offer.value for offer in self.offers}
        return ", ".join(sorted(self.chosen - known))

    @property
    def first_offers(self) -> list[Offer]:
        """The likeliest, and whatever is chosen."""
        return [o for n, o in enumerate(self.offers) if n < SOME or o.value in self.chosen]

    @property
    def further_offers(self) -> list[Offer]:
        return [o for n, o in enumerate(self.offers) if n >= SOME and o.value not in self.chosen]

    @property
    def large_offers(self) -> list[Offer]:
        return self.offers[: self.words.large]

    @property
    def other_offers(self) -> list[Offer]:
        return self.offers[self.words.large :]

    @property
    def other_open(self) -> bool:
        return any(offer.value in self.chosen for offer in self.other_offers)

    @property
    def further_open(self) -> bool:
        return any(cell.value or cell.typed for row in self.further_rows for cell in row.cells)

    @property
    def first_rows(self) -> list[Row]:
        return self.rows[:TABLE]

    @property
    def further_rows(self) -> list[Row]:
        return self.rows[TABLE:]

    @property
    def template(self) -> str:
        return f"grow/fields/{_TEMPLATES.get(self.as_, self.as_)}.html"


@dataclass
class Row:
    """One row of a group: about an offer, or open for a code to be scanned."""

    number: int
    offer: Offer | None
    cells: list[Field]
    fixed: list[Field]

    @property
    def main(self) -> list[Field]:
        return [f for f in self.cells if not f.words.more]

    @property
    def more(self) -> list[Field]:
        return [f for f in self.cells if f.words.more]

    @property
    def is_single(self) -> bool:
        """One number to be typed, whose name the heading says already."""
        return self.offer is not None and len(self.main) == 1 and self.main[0].as_ != "left"

    @property
    def more_open(self) -> bool:
        return any(f.value for f in self.more)

    @property
    def more_names(self) -> str:
        names = [f.label for f in self.more]
        return ", ".join([names[0], *(n[0].lower() + n[1:] for n in names[1:])])


_TYPED = frozenset({"text", "whole", "decimal", "steps", "long", "day", "select", "photo"})
_TEMPLATES = {
    "verdict": "chips",
    "tally": "rows",
    "whole": "text",
    "decimal": "text",
    "day": "text",
    "moment": "text",
}


class Form:
    """kind's form for a person. posted: what came back; asked: what the address says."""

    def __init__(
        self,
        kind: str,
        person: Person,
        posted: QueryDict | None = None,
        asked: QueryDict | None = None,
    ) -> None:
        self.kind, self.person, self.posted = kind, person, posted
        self.from_address = asked if asked is not None else QueryDict()
        self.told = {} if posted is not None else last_told(kind, person)
        self.own = asks(kind)
        every = (*self.own, *COMMON)
        self.usual = usual(kind, every, self.told)
        self.chosen: dict[str, Any] = {}
        plain = [a for a in every if a.what not in ("group", "tally")]
        made = {ask.name: self._field(ask) for ask in plain if ask.name not in ("on", "at")}
        for ask in every:
            if ask.what in ("group", "tally"):
                made[ask.name] = self._group(ask)
        order = [*ORDER.get(kind, ()), *(a.name for a in every)]
        unasked = self._unasked(made)
        self.fields = [
            made[name] for name in dict.fromkeys(order) if name in made and name not in unasked
        ]

    # --- showing ---------------------------------------------------------------------------------

    def _unasked(self, made: dict[str, Field]) -> set[str]:
        """What is not this person's business, and what of growing the farm does not keep at all: a
        crate may be booked where no tower is set up and nothing was ever sown."""
        out: set[str] = set()
        towers, batches = made.get("towers"), made.get("batches")
        if towers and not towers.offers and not towers.ask.required:
            out |= {"towers", "sites", "except_sites"}
        if (
            batches
            and not (batches.offers or batches.ask.required)
            and not Lot.objects.filter(kind=LotKind.BATCH).exists()
        ):
            out.add("batches")
        out = {n for n in out if n not in self.from_address and n not in (self.posted or ())}
        return out | self._hushed

    @property
    def _hushed(self) -> frozenset[str]:
        """No money is asked of, or shown to, somebody of one outlet."""
        return MONEY if scope.tied_to(self.person) else frozenset()

    @property
    def main(self) -> list[Field]:
        return [f for f in self.fields if f.as_ != "hidden" and not f.words.more]

    @property
    def more(self) -> list[Field]:
        return [f for f in self.fields if f.as_ != "hidden" and f.words.more]

    @property
    def more_is_open(self) -> bool:
        return any(f.error for f in self.more)

    @property
    def more_says(self) -> str:
        """What is filled in where nobody sees it: a scale, a store."""
        said = [", ".join(sorted(f.chosen)) for f in self.more if f.chosen and f.is_row]
        return ", ".join(said)

    @property
    def towers(self) -> list[dict[str, Any]]:
        """The shape of each tower, where the act may name single sites."""
        return towers() if any(f.ask.model is PlantSite for f in self.fields) else []

    @property
    def day(self) -> str:
        return self._sent("when-day")

    @property
    def time(self) -> str:
        return self._sent("when-time")

    def field(self, name: str) -> Field:
        return next(f for f in self.fields if f.ask.name == name)

    def _sent(self, name: str, default: str = "") -> str:
        source = self.posted if self.posted is not None else self.from_address
        return source.get(name, default)

    def _value(self, ask: Ask, found: list[Offer]) -> Any:
        """What was typed, else what the address says, else what is usual, else the only one."""
        if self.posted is not None:
            return self.posted.getlist(ask.name) if ask.many else self.posted.get(ask.name, "")
        if ask.name in self.from_address:
            sent = self.from_address
            return sent.getlist(ask.name) if ask.many else sent[ask.name]
        offered = {o.value for o in found}
        kept = self.usual.get(ask.name)
        if ask.what == "row":
            if isinstance(kept, list):
                return [value for value in kept if value in offered]
            if kept in offered:
                return kept
            if ask.many:
                return []
            return found[0].value if len(found) == 1 and ask.required else ""
        if kept is not None:
            return kept
        if ask.what == "yes" and ask.default:
            return "yes"
        return str(ask.default) if ask.what == "text" and ask.default else ""

    def _field(self, ask: Ask) -> Field:
        said = words(self.kind, ask.name)
        found = offers(Asked(self.kind, ask, self.person, self.chosen))
        value = self._value(ask, found)
        as_ = "link" if (self.kind, ask.name) in OPENS_ANEW else _shown(ask, said, found)
        if as_ == "link" and not value and found:
            value = found[0].value
        shown = Field(
            ask,
            said,
            ask.name,
            as_,
            value=value,
            typed=self._sent(f"{ask.name}-typed"),
            offers=found or [Offer(v, label) for v, label in said.choices],
            unit=said.unit or ("lot" if ask.name in OF_A_LOT else ""),
        )
        self.chosen[ask.name] = shown.typed or value
        if ask.model is PlantSite and isinstance(value, list):
            shown.value = ", ".join(value)
        return shown

    def _group(self, ask: Ask) -> Field:
        said = words(self.kind, ask.name)
        if ask.name == "crates":
            return self._weighpad(ask, said)
        as_ = said.as_ or ("tally" if ask.what == "tally" else "rows")
        shown = Field(ask, said, ask.name, as_)
        parts = _parts(ask)
        about = self._about(ask, parts)
        shown.offers = about
        known = len(about)
        sent = sorted(self._numbers(ask.name) | set(range(known + 1)))
        for n in sent:
            offer = about[n] if n < known else None
            if n < known and self.posted is not None:
                offer = self._as_sent(ask.name, n, about) or offer
            shown.rows.append(self._row(ask, parts, n, offer))
        return shown

    def _about(self, ask: Ask, parts: tuple[Ask, ...]) -> list[Offer]:
        first = next((p for p in parts if p.what == "row" and p.required), None)
        if first is None:
            return []
        if ask.what == "tally":
            first = Ask(ask.name, "tally", model=ask.model, of=ask.of)
        asked = Asked(self.kind, first, self.person, self.chosen, group=ask.name)
        return ROWS.get((self.kind, ask.name), _default_rows)(asked)

    def _as_sent(self, group: str, n: int, about: list[Offer]) -> Offer | None:
        """The shelf may have changed since the form was opened: a row stays what it was about."""
        code = self._sent(f"{group}-{n}-about")
        place = self._sent(f"{group}-{n}-from_place") or self._sent(f"{group}-{n}-place")
        if not code:
            return None
        for offer in about:
            if offer.value == code and offer.place in (place, ""):
                return offer
        return Offer(code, code, place=place)

    def _numbers(self, group: str) -> set[int]:
        if self.posted is None:
            return set()
        found = (re.match(rf"{group}-(\d{{1,4}})-", name) for name in self.posted)
        return {int(m[1]) for m in found if m}

    def _row(self, ask: Ask, parts: tuple[Ask, ...], n: int, offer: Offer | None) -> Row:
        cells: list[Field] = []
        fixed: list[Field] = []
        for part in parts:
            name = f"{ask.name}-{n}-{part.name}"
            said = words(self.kind, f"{ask.name}.{part.name}")
            if part.name in self._hushed or part.model is Photo:
                continue  # a picture of one row of many is taken on a page made for it
            about = part.what == "row" and part.required
            value = self._sent(name)
            if self.posted is None and offer:
                value = offer.fills.get(part.name, "")
            as_ = "left" if part.name == "left" else _shown(part, said, [])
            found: list[Offer] = []
            if offer is None and part.what == "row" and part.model not in (Lot, Place):
                found = offers(Asked("", part, self.person, self.chosen))
            cell = Field(part, said, name, as_, value=value, unit=said.unit, offers=found)
            cell.typed = self._sent(f"{name}-is")
            if about and offer:
                cell.value = offer.value if not fixed else offer.place
                fixed.append(cell)
                continue
            if part.name in OF_A_LOT:
                cell.unit = "kg" if offer and offer.unit == "g" else ("" if offer else "lot")
            if about and part.model is Place:
                continue  # where a scanned lot stands is known
            cells.append(cell)
        return Row(n, offer, cells, fixed)

    def _weighpad(self, ask: Ask, said: Words) -> Field:
        crates = self.told.get("crates") or [{}]
        tare = crates[-1].get("tare_g")
        typed = self._sent("crates-tare", "" if tare is None else _kilograms(tare))
        shown = Field(ask, said, ask.name, "weighpad", value=self._sent("crates"))
        shown.extra["tare"] = typed
        return shown

    # --- reading ---------------------------------------------------------------------------------

    def data(self, files: MultiValueDict | None = None) -> dict[str, Any]:
        """What was typed, as the edge reads it."""
        assert self.posted is not None
        sent: dict[str, Any] = {}
        for shown in self.fields:
            ask = shown.ask
            if ask.name == "crates":
                sent[ask.name] = self._crates()
            elif ask.what == "group":
                sent[ask.name] = self._rows(shown)
            elif ask.what == "tally":
                sent[ask.name] = self._tally(shown)
            elif ask.many:
                sent[ask.name] = self._several(shown)
            else:
                sent[ask.name] = shown.typed.strip() or shown.value
                if ask.what == "whole":
                    sent[ask.name] = self._with_unit(shown, sent)
                if ask.what == "yes" and not sent[ask.name] and shown.as_ == "yes":
                    # an empty box says no where yes would be taken for granted
                    sent[ask.name] = "no" if ask.default else ""
        sent |= self._when()
        return {name: value for name, value in sent.items() if value not in ("", [], {})}

    def _when(self) -> dict[str, str]:
        if self.day and self.time:
            return {"at": f"{self.day} {self.time}"}
        if self.time:
            from . import clock

            return {"at": f"{clock.local(clock.now()):%Y-%m-%d} {self.time}"}
        return {"on": self.day}

    def _several(self, shown: Field) -> list[str]:
        value = shown.value if isinstance(shown.value, list) else [shown.value]
        texts = [*value, shown.typed]
        # among numbers a comma is a decimal mark, unless a blank stands behind it
        apart = r"[;\n]|,?\s+" if shown.ask.what == "decimal" else r"[,;\n]"
        return [part.strip() for t in texts for part in re.split(apart, t) if part.strip()]

    def _with_unit(self, shown: Field, sent: dict[str, Any]) -> str:
        text = str(sent[shown.ask.name])
        if shown.unit == "lot":
            lot = sent.get("lot")
            by_weight = lot in _BY_WEIGHT if lot is not None else sent.get("kind") in _BY_WEIGHT
            if lot is not None:
                by_weight = self._unit_of([str(lot)]).get(str(lot)) == "g"
            return kilograms(text) if by_weight else text
        return kilograms(text) if shown.unit == "kg" else text

    def _unit_of(self, codes: Iterable[str]) -> dict[str, str]:
        """The unit of lots that were scanned or typed; of an unknown code nothing is said."""
        from .finding import rows_called

        wanted = [code for code in codes if code.strip()]
        try:
            found = rows_called(Lot, wanted, self.person)
        except Refusal:
            return {}
        return {c: row.unit for c, row in zip(wanted, found, strict=True) if isinstance(row, Lot)}

    def _rows(self, shown: Field) -> list[dict[str, Any]]:
        out = []
        scanned = [self._sent(f"{shown.name}-{r.number}-lot") for r in shown.rows if not r.offer]
        units = self._unit_of(scanned) if any(scanned) else {}
        for row in shown.rows:
            told = {cell.ask.name: self._cell(cell) for cell in row.cells}
            if not any(told.values()):
                continue
            told |= {cell.ask.name: cell.value for cell in row.fixed}
            by_weight = (row.offer.unit if row.offer else units.get(told.get("lot", ""))) == "g"
            for name in told:
                if by_weight and name in OF_A_LOT:
                    told[name] = kilograms(told[name])
            if row.offer is None:
                told |= self._where_it_stands(shown.ask, told, f"{shown.name}-{row.number}")
            out.append({name: value for name, value in told.items() if value != ""})
        return out

    def _cell(self, cell: Field) -> str:
        text = str(cell.value).strip()
        if cell.as_ == "left":
            return "0" if cell.typed == "empty" else text if cell.typed == "some" or text else ""
        return text

    def _where_it_stands(self, ask: Ask, told: dict[str, str], row: str) -> dict[str, str]:
        """A scanned lot is taken from where it is said to stand, or does, if that is one place."""
        missing = [p.name for p in ask.parts if p.required and p.model and p.name not in told]
        if not missing or not told.get("lot"):
            return {}
        if said := self._sent(f"{row}-{missing[0]}"):
            return dict.fromkeys(missing, said)
        lot_ask = next(p for p in ask.parts if p.name == "lot")
        asked = Asked("", lot_ask, self.person, self.chosen)
        lot = codes.code_in(told["lot"])
        folded = "".join(lot.split()).casefold().replace("-", "")
        there = {o.place for o in standing(asked) if o.value.casefold().replace("-", "") == folded}
        if not there:
            # nowhere that this act would look for it: then it is refused for where it is
            here = scope.seen(Holding.objects.all(), self.person)
            rows = here.filter(lot__code__iexact=lot, quantity__gt=0, source=False)
            there = set(rows.values_list("place__name", flat=True))
        return dict.fromkeys(missing, there.pop()) if len(there) == 1 else {}

    def _tally(self, shown: Field) -> list[dict[str, str]]:
        key = shown.ask.model._meta.model_name if shown.ask.model else ""
        rows = self._rows(shown)
        return [
            {key or "": r[key or ""], "quantity": r.get("quantity", "")} for r in rows if key in r
        ]

    def _crates(self) -> list[dict[str, str]]:
        """“4.2, 3.85 T00012-4”: a weight each, in kg, with the tag of the crate behind it."""
        tare = kilograms(self._sent("crates-tare"))
        out = []
        for part in re.split(r"[;\n+]|,\s+|,$", self._sent("crates")):
            weight, _, tag = part.strip().partition(" ")
            if weight and tag.split(" ")[0].casefold() in ("kg", "g"):
                unit, _, tag = tag.partition(" ")
                weight = f"{weight} {unit}"
            if weight:
                row = {"gross_g": kilograms(weight), "tare_g": tare, "tag": tag.strip()}
                out.append({name: value for name, value in row.items() if value})
        return out

    def wrong(self, fields: dict[str, str]) -> None:
        """Set each sentence by its field."""
        for shown in self.fields:
            shown.error = fields.get(shown.ask.name, "")


_BY_WEIGHT = (LotKind.HARVEST, LotKind.PRODUCE)


def kilograms(text: str) -> str:
    """A number without a unit, typed where kilograms are asked for."""
    return f"{text.strip()} kg" if _BARE.fullmatch(text) else text


def _kilograms(grams: int) -> str:
    return f"{grams / 1000:.3f}".rstrip("0").rstrip(".")


def _default_rows(asked: Asked) -> list[Offer]:
    return offers(asked)


def _parts(ask: Ask) -> tuple[Ask, ...]:
    if ask.what == "group":
        return ask.parts
    assert ask.model is not None
    key = Ask(ask.model._meta.model_name or "", "row", required=True, model=ask.model, of=ask.of)
    return (key, Ask("quantity", "whole", required=True))


def _shown(ask: Ask, said: Words, found: list[Offer]) -> str:
    """By which kind of field an argument is asked."""
    if said.as_:
        return said.as_
    if said.choices and ask.what in ("text", "yes"):
        return "chips"
    if ask.what == "row":
        return _row_shown(ask, found)
    return ask.what


def _row_shown(ask: Ask, found: list[Offer]) -> str:
    if ask.model is PlantSite:
        return "sites"
    if ask.model and ask.model._meta.model_name == "photo":
        return "photo"
    if ask.model is Lot or (ask.model and ask.model._meta.model_name == "event"):
        return "cards"
    if ask.many:
        return "chips"
    return "chips" if len(found) <= FEW else "select"


def towers() -> list[dict[str, Any]]:
    """Name, tiers and sites round of each tower, for the picture of one."""
    from django.db.models import Max

    rows = (
        PlantSite.objects.values("tower__name")
        .annotate(tiers=Max("tier"), round=Max("position"))
        .order_by("tower__name")
    )
    return [{"name": r["tower__name"], "tiers": r["tiers"], "round": r["round"]} for r in rows]
