"""What a start page shows: what this person does most, and what happened today."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from django.contrib.auth.models import AnonymousUser
from django.urls import reverse

from . import clock, roles, scope, signing
from .kinds import CANCELLING, KINDS, OWN
from .looking import traced
from .models import Event, Lot, Movement, Person, PlaceKind, Tag, ToCountersign
from .offers import UNDO_WITHIN
from .wording import NOUNS, act, amount

#: What each role does most: kinds, or (kind, its own title, what is filled in, or the name of the
#: page on which it is done). Apps above add their acts; who has several roles has what the first
#: does, then the next.
DOES: dict[str, list[Any]] = {
    roles.GROWER: ["harvest", "sow", "transplant", "lose_plants", "clear", "top_up"],
    roles.LEARNER: ["harvest", "sow", "transplant", "lose_plants", "check"],
    roles.LEAD: ["hold", "release", "check", "clean", "incident"],
    roles.MANAGER: ["harvest", "receive_input", "count", "discard"],
}
#: For whoever has no role: a farm of one, who signs in as the superuser.
ANYBODY: list[Any] = ["harvest", "receive_input", "move", "count", "discard", "check"]
MOST_BUTTONS = 6
#: Of the pages, by name, those that each role opens most, in the order of the row on top of every
#: page. Apps above add theirs.
OPENS: dict[str, list[str]] = {role: ["stock", "day"] for role in roles.ROLES}
#: Acts that have a drawing of their own.
DRAWN = {
    *("harvest", "sow", "transplant", "lose_plants", "clear", "top_up", "hold", "release"),
    *("check", "clean", "incident", "count", "discard", "move", "receive_input"),
}
_SHOWN = 40
#: What an entry made besides lots, by the numbers people call it: of these events, event → numbers.
PAPERS: list[Callable[[list[Event]], dict[int, list[str]]]] = []
#: Where an act leads next: who, the entry, what it made → (words, address) of each way.
WAYS: list[Callable[[Person, Event, list[Lot]], list[tuple[str, str]]]] = []
#: What is said besides of an entry that somebody has just told: sentences, and whether each is a
#: warning.
TELLS: list[Callable[[Event], list[tuple[str, bool]]]] = []
#: What leads somebody who is new here: who → what the start page's template needs of it.
LEADING: list[Callable[[Person], dict[str, Any]]] = []


@dataclass(frozen=True)
class Button:
    kind: str
    title: str
    url: str

    @property
    def icon(self) -> str:
        """The name of its drawing in icons.svg; an act without one has a plain cross."""
        return self.kind if self.kind in DRAWN else "record"


#: Kinds of entry that have a page made for them: kind → the page's name. Apps above add theirs.
OWN_PAGE: dict[str, str] = {}


def address(kind: str, **filled: str) -> str:
    own = OWN_PAGE.get(kind)
    url = reverse(f"admin:{own}") if own else reverse("admin:act", args=[kind])
    return f"{url}?{urlencode(filled)}" if filled else url


def traced_at(lot: Lot) -> str:
    """The lot's trace; its page in the books where the site has no such page."""
    return traced(lot.code) or reverse("admin:grow_lot_change", args=[lot.pk])


def buttons(person: Person) -> list[Button]:
    """Three to six of what a person does most."""
    own = roles.roles_of(person)
    wanted = [one for role in roles.ROLES if role in own for one in DOES[role]] or ANYBODY
    out: dict[tuple[str, str], Button] = {}
    for one in wanted:
        kind, title, filled = one if isinstance(one, tuple) else (one, "", {})
        title = title or act(kind).title
        if roles.may(person, kind):
            page = isinstance(filled, str)
            url = reverse(f"admin:{filled}") if page else address(kind, **filled)
            out.setdefault((kind, title), Button(kind, title, url))
    return list(out.values())[:MOST_BUTTONS]


def opens(person: Person) -> list[str]:
    """The names of the pages that a person opens most, the likeliest first: of several roles what
    the first opens, then the next; without a role what the manager does."""
    own = roles.roles_of(person) or {roles.MANAGER}
    return list(dict.fromkeys(name for role in roles.ROLES if role in own for name in OPENS[role]))


def by_noun(person: Person) -> list[tuple[str, list[Button]]]:
    """Every act that the person may tell, under its noun."""
    groups: dict[str, list[Button]] = {noun: [] for noun in NOUNS}
    for kind in KINDS:
        if kind == "countersign" and not signing.may_countersign(person):
            continue
        if kind != "undo" and roles.may(person, kind):
            said = act(kind)
            groups.setdefault(said.noun, []).append(Button(kind, said.title, address(kind)))
    return [(noun, found) for noun, found in groups.items() if found]


# --- what happened -------------------------------------------------------------------------------


@dataclass
class Happened:
    """One entry in words. makes: whether it made its lots; papers: what else it made that has a
    number, such as a note; besides: what is to be said of it at once, and whether it warns."""

    event: Event
    title: str
    time: str
    lots: list[Lot]
    says: list[str]
    makes: bool = False
    papers: list[str] = field(default_factory=list)
    besides: list[tuple[str, bool]] = field(default_factory=list)
    ways: list[tuple[str, str]] = field(default_factory=list)
    gone: str = ""
    can_undo: bool = False
    #: of a learner's entry, whether somebody has countersigned it
    signed: str = ""

    @property
    def codes(self) -> list[tuple[str, str]]:
        """Each lot's code, and where it can be traced."""
        return [(lot.code, traced_at(lot)) for lot in self.lots]

    @property
    def warns(self) -> bool:
        return any(warns for _, warns in self.besides)

    @property
    def undo_id(self) -> str:
        """The same however often the page is drawn: a second press undoes nothing more."""
        return f"undo-{self.event.pk}"


def today(person: Person) -> list[Happened]:
    """What was told of today, the latest first, as far as the person sees it."""
    day = clock.day_number(clock.local(clock.now()).date())
    rows = scope.seen(Event.objects.filter(day=day), person)
    rows = rows.exclude(kind__in=[*OWN, *CANCELLING]).filter(told__isnull=False)
    events = list(
        rows.select_related("recorded_by", "place").order_by("-placed_at", "-id")[:_SHOWN]
    )
    return in_words(events, person)


def one(person: Person, pk: str | None) -> Happened | None:
    """An entry that the person has just told."""
    if not (pk or "").isascii() or not (pk or "").isdigit() or int(pk or 0) >= 2**63:
        return None
    found = Event.objects.filter(pk=int(pk or 0), recorded_by=person).select_related(
        "recorded_by", "place", "corrects"
    )
    said = next(iter(in_words(list(found), person)), None)
    if said:
        said.besides = [one for tells in TELLS for one in tells(said.event)]
    return said


def in_words(events: list[Event], person: Person) -> list[Happened]:
    """These entries as the person reads them, in their order."""
    ids = [e.pk for e in events]
    made: dict[int, list[Lot]] = {}
    for lot in Lot.objects.filter(made_by__in=ids).order_by("id"):
        made.setdefault(lot.made_by_id, []).append(lot)
    seen = scope.seen(Movement.objects.filter(event__in=ids), person)
    moved: dict[int, list[Movement]] = {}
    for m in seen.select_related("lot", "from_place", "to_place").order_by("id"):
        moved.setdefault(m.event_id, []).append(m)
    gone = dict(
        Event.objects.filter(corrects__in=ids, kind__in=CANCELLING).values_list(
            "corrects_id", "kind"
        )
    )
    rows = ToCountersign.objects.filter(event__in=ids).values_list("event_id", "signed_by")
    signed = {pk: "countersigned" if by else "to be countersigned" for pk, by in rows}
    papers: dict[int, list[str]] = {}
    for numbers in PAPERS:
        papers |= numbers(events)
    own = [e for e in events if e.recorded_by_id == person.pk and _fresh(e) and e.pk not in gone]
    last = max(own, key=lambda e: (e.recorded_at, e.pk), default=None)
    return [
        Happened(
            event=e,
            title=act(e.kind).title,
            time=f"{clock.local(e.happened_at):%H:%M}",
            lots=made.get(e.pk) or _named(moved.get(e.pk, [])),
            says=_says(e, moved.get(e.pk, []), made.get(e.pk, [])),
            makes=e.pk in made,
            papers=papers.get(e.pk, []),
            ways=[]
            if e.pk in gone
            else [w for f in WAYS for w in f(person, e, made.get(e.pk, []))],
            gone={"undo": "undone", "cancel": "cancelled"}.get(gone.get(e.pk, ""), ""),
            can_undo=e is last and KINDS[e.kind].can_cancel,
            signed=signed.get(e.pk, ""),
        )
        for e in events
    ]


def _tags(events: list[Event]) -> dict[int, list[str]]:
    """Of a block of tags the first and the last."""
    ids = [e.pk for e in events if e.kind == "print_tags"]
    out: dict[int, list[str]] = {}
    rows = Tag.objects.filter(printed_by__in=ids).order_by("pk") if ids else []
    for tag in rows:
        out.setdefault(tag.printed_by_id, []).append(tag.code)
    return {pk: [found[0], "to", found[-1]] if found[1:] else found for pk, found in out.items()}


PAPERS.append(_tags)


def _fresh(event: Event) -> bool:
    return dt.timedelta(0) <= clock.now() - event.recorded_at <= UNDO_WITHIN


def _named(moved: list[Movement]) -> list[Lot]:
    return list({m.lot_id: m.lot for m in moved}.values())


def _says(event: Event, moved: list[Movement], made: list[Lot]) -> list[str]:
    """“3.85 kg Basil into Cold store”: what came to stand, else what left."""
    new = {lot.pk for lot in made}
    rows = [m for m in moved if not new or m.lot_id in new]
    rows = [m for m in rows if m.to_place.is_standing] or rows
    out = []
    for m in rows[:4]:
        how_much = amount(m.quantity, m.lot.unit, kind=m.lot.kind)
        where = str(m.to_place)
        if m.to_place.kind == PlaceKind.TRANSIT:  # its name says where to
            where = where[:1].lower() + where[1:]
        else:
            where = f"to {where}"
        out.append(f"{how_much} {m.lot.title} {where}")
    if len(rows) > 4:
        out.append(f"and {len(rows) - 4} more")
    if not out and made:
        out = [lot.title for lot in made]
    if not out and event.place:
        out = [str(event.place)]
    return out


def context(user: Person | AnonymousUser, done: str | None) -> dict[str, Any]:
    """All that the start page's template needs of this app."""
    if not isinstance(user, Person):
        return {}
    with clock.one_zone():
        return {
            "does": buttons(user),
            "nouns": by_noun(user),
            "happened": today(user),
            "done": one(user, done),
            "to_countersign": signing.waiting(user).count() if signing.may_countersign(user) else 0,
            **{name: value for leading in LEADING for name, value in leading(user).items()},
        }
