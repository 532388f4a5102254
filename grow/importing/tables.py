"""What may be imported: a table for each kind of entry, and one for each set-up list.

The columns of an entry are the arguments of its operation, as `asks` reads them off it; a small
record within one (a crate, a line of a note) gives its own parts as columns, and lines with the
same `key` are one entry. A set-up list takes its columns from its model's fields.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models

from .. import codes, finding
from ..asks import COMMON, Ask, asks
from ..errors import NotAllowed, Refusal
from ..kinds import KINDS, Kind
from ..models import Lot, Person, Photo
from .sheets import column_name

KEY, CALLED, ENTRY = "key", "called", "entry"
#: Columns that every entry has before and after its own.
_WHEN = tuple(ask for ask in COMMON if ask.name in ("on", "at"))
_REST = tuple(ask for ask in COMMON if ask.name not in ("on", "at"))
#: Entries that make something which a column `called` may give a name of one's own, and the model
#: of what it names. The apps above add theirs.
MAKES: dict[str, type[models.Model]] = dict.fromkeys(
    (
        *("sow", "harvest", "opening_entry", "receive_input", "receive_produce"),
        *("fill", "top_up", "dose", "treat"),
    ),
    Lot,
)
#: What an entry made that is no lot, as later rows name it (a note's number).
NUMBERED: dict[type[models.Model], Callable[[Any], str]] = {}


@dataclass(frozen=True)
class Column:
    """One column. within: the small record that it is a part of, if any."""

    name: str
    ask: Ask
    within: Ask | None = None

    @property
    def required(self) -> bool:
        needed = self.within.required if self.within else True
        return self.ask.required and needed


@dataclass(frozen=True)
class Table:
    """What a file, or a sheet of a workbook, may hold. Either a kind of entry or a set-up list."""

    name: str
    says: str
    columns: tuple[Column, ...]
    kind: Kind | None = None
    set_up: SetUp | None = None

    def column(self, name: str) -> Column | None:
        return next((c for c in self.columns if c.name == name), None)

    @property
    def makes(self) -> type[models.Model] | None:
        return MAKES.get(self.kind.name) if self.kind else None

    @property
    def names(self) -> list[str]:
        """All columns, in the order of the template."""
        own = [c.name for c in self.columns]
        if self.set_up:
            return own
        called = [CALLED] if self.makes and CALLED not in own else []
        when, rest = len(_WHEN), len(_REST)
        return [*own[:when], KEY, *called, *own[when:-rest], *own[-rest:]]


def flat(own: Sequence[Ask]) -> Iterator[Column]:
    """Arguments as columns: records and tallies by their parts. A record that says no more than the
    act's other arguments do is left to them."""
    single = {ask.name for ask in own if ask.what not in ("group", "tally")}
    for ask in own:
        if ask.what == "group":
            if single.issuperset(part.name for part in ask.parts):
                continue
            yield from (Column(part.name, part, ask) for part in ask.parts)
        elif ask.what == "tally":
            assert ask.model is not None
            key = Ask(ask.model._meta.model_name or "", "row", required=True, model=ask.model)
            yield Column(key.name, key, ask)
            yield Column("quantity", Ask("quantity", "whole", required=True), ask)
        else:
            yield Column(ask.name, ask)


def table(name: str) -> Table | None:
    """The table with a name: a kind (harvest), what it says on screen (cut), or a set-up list."""
    found = column_name(name)
    if found in SET_UP:
        set_up = SET_UP[found]
        return Table(set_up.name, set_up.says, tuple(flat(set_up.asks)), set_up=set_up)
    for kind in KINDS.values():
        if found in (kind.name, column_name(kind.says)):
            columns = tuple(flat((*_WHEN, *asks(kind.name), *_REST)))
            return Table(kind.name, kind.says, columns, kind=kind)
    return None


def table_in(name: str) -> Table | None:
    """The table that a file's name begins with: “harvest 2025.csv” holds cuts."""
    words = column_name(name).split("_")
    for length in range(len(words), 0, -1):
        found = table("_".join(words[:length]))
        if found:
            return found
    return None


def tables() -> list[Table]:
    """Every table: set-up lists in the order in which they are filled, then kinds by their hour."""
    kinds = sorted(KINDS.values(), key=lambda kind: (kind.slot, kind.name))
    found = [table(name) for name in (*SET_UP, *(kind.name for kind in kinds))]
    return [t for t in found if t]


def own_text(model: type[models.Model] | None, text: str) -> str:
    """How a name is compared within an import: lots as codes are, all else as it is found."""
    return codes.fold(text) if model is Lot else "".join(text.split()).casefold()


# --- set-up lists ---------------------------------------------------------------------------


@dataclass(frozen=True)
class SetUp:
    """A set-up list. add: makes the rows of one entry of it from what was read, or says “there
    already” by returning False. named: the (model, name) that a row's cells would make."""

    name: str
    says: str
    model: type[models.Model]
    asks: tuple[Ask, ...]
    add: Callable[[Mapping[str, Any]], bool]
    named: Callable[[Mapping[str, str]], list[tuple[type[models.Model], str]]]
    #: the column whose equal values make several rows one entry, as `key` does of entries
    one: str = ""

    def refuse_to(self, person: Person) -> None:
        meta = self.model._meta
        if not person.has_perm(f"{meta.app_label}.add_{meta.model_name}"):
            raise NotAllowed("not_yours", f"{person} may not add {meta.verbose_name_plural}.")


SET_UP: dict[str, SetUp] = {}


def ask_of(model: type[models.Model], name: str) -> Ask:
    """A model's field as an argument."""
    f = model._meta.get_field(name)
    assert isinstance(f, models.Field)
    required = not (f.blank or f.null or f.has_default())
    if isinstance(f, models.ForeignKey | models.OneToOneField):
        related = f.related_model
        assert isinstance(related, type)
        return Ask(name, "row", required=required, model=related)
    kinds: list[tuple[type[models.Field], str]] = [
        (models.BooleanField, "yes"),
        (models.DateField, "day"),
        (models.DecimalField, "decimal"),
        (models.IntegerField, "whole"),
    ]
    what = next((what for type_, what in kinds if isinstance(f, type_)), "text")
    return Ask(name, what, required=required)


def choice(model: type[models.Model], name: str, facts: dict[str, Any]) -> None:
    """Put a choice's value in the place of its value or its label, as it was typed."""
    if name not in facts:
        return
    f = model._meta.get_field(name)
    assert isinstance(f, models.Field)
    typed = own_text(None, str(facts[name]))
    for value, label in f.choices or ():
        if typed in (own_text(None, str(value)), own_text(None, str(label))):
            facts[name] = value
            return
    labels = ", ".join(str(label) for _, label in f.choices or ())
    raise Refusal("no_choice", f"{name}: “{facts[name]}” is none of these: {labels}.")


def added(
    model: type[models.Model], by: Sequence[str], facts: Mapping[str, Any], **new: Any
) -> Any:
    """A new row, or None where one of that name stands with the same contents. One with other
    contents is refused: an import adds, and never changes what somebody else set up. new: what a
    new row has besides.

    Raises Refusal with the model's own sentences."""
    facts = dict(facts)
    for name in list(facts):
        if getattr(model._meta.get_field(name), "choices", None):
            choice(model, name, facts)
    keys = {f"{name}__iexact" if isinstance(facts[name], str) else name: facts[name] for name in by}
    there = model._default_manager.filter(**keys).first()
    if there is None:
        row = model(**facts, **new)
        try:
            row.full_clean()
        except ValidationError as error:
            raise Refusal("not_right", " ".join(error.messages)) from error
        row.save()
        return row
    for name, value in facts.items():
        if getattr(there, name) != value and name not in by:
            was = getattr(there, name)
            label = model._meta.get_field(name).verbose_name  # type: ignore[union-attr]  # a column has one
            raise Refusal(
                "there_already",
                f"{there} is there already, with {label} {'empty' if was in (None, '') else was}; "
                "an import adds and never changes, so put it right on its own page.",
            )
    return None


def plain(name: str, says: str, model: type[models.Model], fields: str, by: str) -> SetUp:
    """A set-up list whose rows are a model's own: fields and by are names with spaces between."""
    keys = by.split()
    own = tuple(ask_of(model, f) for f in fields.split())

    def add(facts: Mapping[str, Any]) -> bool:
        return added(model, keys, facts) is not None

    def named(cells: Mapping[str, str]) -> list[tuple[type[models.Model], str]]:
        fields_ = finding.NAMED[model].names if model in finding.NAMED else ()
        return [(model, cells[f]) for f in fields_ if cells.get(f)]

    return SetUp(name, says, model, own, add, named)


def register(*lists: SetUp) -> None:
    SET_UP.update({one.name: one for one in lists})


def offered(column: Column) -> bool:
    """Whether a template shows it: a photograph is not typed into a cell."""
    return column.ask.model is not Photo
