"""Rows by the names that people say: a place, a crop, a person, a lot's code, a site of a tower.

One query for all that an entry names, and a second only for what was not found as it is spelt.
"""

from __future__ import annotations

import contextlib
import contextvars
import difflib
import functools
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import CharField, Model, Q, QuerySet
from django.db.models import Value as V
from django.db.models.functions import Cast, Concat

from . import codes, queries, scope
from .errors import NotKnown
from .models import Crop, Event, Item, Lot, Person, Photo, Place, PlantSite, Thing, Variety
from .ready import Given, ready

#: An asked-for text, folded for comparison, to the row it means.
Found = dict[str, Any]


@dataclass(frozen=True)
class Named:
    """How the rows of a model are named. `names` are its fields, the one that is shown first."""

    noun: str
    names: tuple[str, ...] = ("name",)
    related: tuple[str, ...] = ()

    def find(self, rows: QuerySet[Any], texts: Sequence[str]) -> Found:
        rows = rows.select_related(*self.related) if self.related else rows
        wanted = {_fold(t) for t in texts}
        told = [t.strip() for t in texts]
        model: Any = rows.model
        if rows.query.where:
            found = self._by_name(rows.filter(self._spelt(told)), wanted)
        else:
            found = self._by_name(_exactly(model)(texts=told), wanted)
        if found.keys() != wanted:
            found |= self._by_name(rows, wanted - found.keys())
        return found

    def _spelt(self, texts: Any) -> Q:
        """Called exactly so, by any of its names."""
        anyhow = Q()
        for name in self.names:
            anyhow |= Q(**{f"{name}__in": texts})
        return anyhow

    def _by_name(self, rows: Iterable[Any], wanted: set[str]) -> Found:
        """Raises NotKnown where one name, of those that come first, means several rows."""
        called: dict[str, dict[int, list[Any]]] = {}
        for row in rows:
            for rank, name in enumerate(self.called(row)):
                if (key := _fold(name)) in wanted:
                    called.setdefault(key, {}).setdefault(rank, []).append(row)
        out: Found = {}
        for key, ranks in called.items():
            out[key], *more = ranks[min(ranks)]
            if more:
                raise self.several(key, [out[key], *more])
        return out

    def called(self, row: Any) -> list[str]:
        """What a row is called, the surest name first."""
        return [str(self.value(row, name)) for name in self.names]

    def several(self, key: str, rows: Sequence[Any]) -> NotKnown:
        exact = [self.exactly(row) for row in rows]
        said = next(name for name in self.called(rows[0]) if _fold(name) == key)
        return NotKnown(
            "several",
            f"“{said}” may be any of {', '.join(exact)}; write which.",
            names=exact,
        )

    def exactly(self, row: Any) -> str:
        """A name that means this row alone, as forms and lists offer it."""
        return self.called(row)[0]

    def shortly(self, row: Any) -> str:
        """Its name where its kin stand beside it."""
        return str(self.value(row, self.names[0]))

    def value(self, row: Any, name: str) -> Any:
        for part in name.split("__"):
            row = getattr(row, part)
        return "" if row is None else row

    def refuse(self, rows: QuerySet[Any], text: str) -> NotKnown:
        known = [self.exactly(row) for row in rows[:5000]]
        near = difflib.get_close_matches(text.strip(), known, n=3, cutoff=0.75)
        hint = f" Did you mean {' or '.join(near)}?" if near else ""
        return NotKnown(
            f"no_such_{self.noun.replace(' ', '_')}",
            f"No {self.noun} is called “{text.strip()}”.{hint}",
            nearest=near,
        )


@functools.cache
def _exactly(model: Any) -> ready:
    """Rows of a model by their names as they are spelt."""
    named = NAMED[model]

    def rows() -> QuerySet[Any]:
        found = model._default_manager.filter(named._spelt(Given.texts("texts")))
        return found.select_related(*named.related) if named.related else found

    return ready(rows)


class NamedById(Named):
    """What has no name of its own is said by its number."""

    def called(self, row: Any) -> list[str]:
        return [str(row.pk)]

    def find(self, rows: QuerySet[Any], texts: Sequence[str]) -> Found:
        ids = [int(t) for t in texts if t.strip().isascii() and t.strip().isdigit()]
        rows = rows.select_related(*self.related) if self.related else rows
        return {str(row.pk): row for row in rows.filter(pk__in=[i for i in ids if i < 2**63])}

    def refuse(self, rows: QuerySet[Any], text: str) -> NotKnown:
        return NotKnown(
            f"no_such_{self.noun}", f"There is no {self.noun} with the number {text.strip()}."
        )


class _Varieties(Named):
    """Two crops may each have a “Red”: crop and name together mean one."""

    def called(self, row: Any) -> list[str]:
        return [row.name, self.exactly(row)]

    def exactly(self, row: Any) -> str:
        return f"{row.crop} {row.name}"


class _Lots(Named):
    def called(self, row: Any) -> list[str]:
        return [row.code]

    def find(self, rows: QuerySet[Any], texts: Sequence[str]) -> Found:
        exact = rows.select_related("made_by", "crop", "variety").filter(
            code__in=[t.strip().upper() for t in texts]
        )
        found = {_fold(lot.code): lot for lot in exact}
        for text in texts:
            if _fold(text) not in found and (lot := self._called(rows, text)):
                found[_fold(text)] = lot
        return found

    def _called(self, rows: QuerySet[Any], text: str) -> Lot | None:
        code, found = queries.called(text)
        if found and rows.query.where:  # of one name, only whose lot it is
            own = set(rows.filter(pk__in=[lot.pk for lot in found]).values_list("pk", flat=True))
            found = [lot for lot in found if lot.pk in own]
        return queries.the_one(found, code) if found else None

    def refuse(self, rows: QuerySet[Any], text: str) -> NotKnown:
        told = codes.code_in(text)
        near = [
            code
            for code in queries.nearest(told)
            if rows.filter(code=code).exists()  # never the code of somebody else's lot
        ]
        hint = f" Did you mean {' or '.join(near)}?" if near else ""
        return NotKnown("no_such_code", f"No lot is called “{told}”.{hint}", nearest=near)


#: Sites by tower, and by what they are called, as a site calls itself.
_sites = ready(
    lambda: (
        PlantSite.objects.filter(tower__name__in=Given.texts("towers"))
        .annotate(spot=Concat("tower__name", V(" "), _text("tier"), V("/"), _text("position")))
        .filter(spot__in=Given.texts("spots"))
        .select_related("tower")
    )
)


def _text(field: str) -> Cast:
    return Cast(field, CharField())


_SITE = re.compile(r"\s*(.*?)\s+([0-9]{1,4})\s*/\s*([0-9]{1,4})\s*$")


class _Sites(Named):
    """“Tower 7 2/4”: tower, tier (1 is the lowest) and position round the ring."""

    def called(self, row: Any) -> list[str]:
        return [str(row)]

    def find(self, rows: QuerySet[Any], texts: Sequence[str]) -> Found:
        read = [found.groups() for t in texts if (found := _SITE.match(t))]
        there = _sites(
            towers={tower for tower, _, _ in read},
            spots={f"{tower} {int(tier)}/{int(at)}" for tower, tier, at in read},
        )
        if rows.query.where:
            own = set(rows.filter(pk__in=[site.pk for site in there]).values_list("pk", flat=True))
            there = [site for site in there if site.pk in own]
        return {_fold(str(site)): site for site in there}

    def refuse(self, rows: QuerySet[Any], text: str) -> NotKnown:
        return NotKnown(
            "no_such_site",
            f"There is no plant site “{text.strip()}”; write it as tower, tier and position, "
            "such as Tower 7 2/4.",
        )


#: How rows of each model are named; apps above add theirs.
NAMED: dict[type[Model], Named] = {
    Place: Named("place"),
    Crop: Named("crop"),
    Variety: _Varieties("variety", related=("crop",)),
    Item: Named("input", ("name", "gtin")),
    Thing: Named("thing"),
    # not by the badge: whoever has that is let in with it
    Person: Named("person", ("username", "shown_as")),
    Event: NamedById("entry"),
    Photo: NamedById("photograph"),
    Lot: _Lots("lot"),
    PlantSite: _Sites("site"),
}


def _fold(text: str) -> str:
    return "".join(text.split()).casefold()


#: What was found in this transaction already, where somebody tells a thousand entries in one.
_known: contextvars.ContextVar[dict[tuple[Any, ...], Any] | None] = contextvars.ContextVar(
    "rows found", default=None
)


@contextlib.contextmanager
def remembering() -> Iterator[None]:
    """Ask for each set-up row once, within one transaction that nobody else writes beside."""
    token = _known.set({})
    try:
        yield
    finally:
        _known.reset(token)


def rows_called(model: type[Model], texts: Sequence[str], person: Person) -> list[Any | NotKnown]:
    """For each text its row, or the refusal that says it is not known; in their order. What the
    person may not see is not known to them."""
    named = NAMED[model]
    texts = [text.replace("\0", "") for text in texts]  # the sign that no database takes
    known = _known.get() if not isinstance(named, NamedById | _Lots) else None
    before: Found = {
        key: known[model, person.pk, key]
        for key in map(_fold, texts)
        if known is not None and (model, person.pk, key) in known
    }
    asked = [text for text in texts if _fold(text) not in before]
    rows = scope.seen(model._default_manager.all(), person)
    found = before | (named.find(rows, asked) if asked else {})
    if known is not None:
        known |= {(model, person.pk, key): row for key, row in found.items()}
    return [
        found[key] if (key := _fold(text)) in found else named.refuse(rows, text) for text in texts
    ]


__all__ = ["NAMED", "Named", "NamedById", "remembering", "rows_called"]
