"""Towers with all their sites, benches or lit shelves, many at once: made, or none of them."""

from __future__ import annotations

import re
from dataclasses import dataclass

from django.db import IntegrityError
from django.db.models import Count, Max
from django.db.models.functions import Lower

from . import gate
from .errors import Refusal
from .models import Place, PlaceKind, PlantSite

MOST, MOST_TIERS, MOST_ROUND, MOST_SITES = 500, 60, 60, 50_000


@dataclass(frozen=True)
class Several:
    """How a kind of place is called, one of them and several, and how their names begin."""

    one: str
    many: str
    called: str


IN_BULK = {
    PlaceKind.TOWER: Several("tower", "towers", "T"),
    PlaceKind.BENCH: Several("bench", "benches", "Bench"),
    PlaceKind.SHELF: Several("lit shelf", "lit shelves", "Shelf"),
}


@dataclass(frozen=True)
class Bulk:
    """So many places of a kind, named by number; a tower has tiers of so many sites each."""

    kind: PlaceKind
    count: int
    called: str
    first: int
    tiers: int = 0
    round: int = 0

    @property
    def names(self) -> list[str]:
        stem = stem_of(self.called)
        return [f"{stem}{n}" for n in range(self.first, self.first + self.count)]

    @property
    def sites(self) -> int:
        return self.count * self.tiers * self.round

    def __str__(self) -> str:
        """“30 towers, 1200 sites: T1 to T30”."""
        said = IN_BULK[self.kind]
        names = self.names
        whole = f"{self.count} {said.one if self.count == 1 else said.many}"
        if self.sites:
            whole += f", {self.sites} site{'' if self.sites == 1 else 's'}"
        return f"{whole}: {names[0]}" + (f" to {names[-1]}" if len(names) > 1 else "")


def stem_of(called: str) -> str:
    """“T” makes T1, “Tower” makes Tower 1."""
    called = " ".join(called.split())
    return f"{called} " if re.search(r"\w{3}$", called) else called


def taken_numbers(called: str) -> list[int]:
    """The numbers that places of such names have already."""
    stem = stem_of(called)
    rows = Place.objects.filter(name__istartswith=stem).values_list("name", flat=True)
    tails = (name[len(stem) :] for name in rows)
    return sorted(int(tail) for tail in tails if tail.isascii() and tail.isdigit())


def next_number(called: str) -> int:
    return max(taken_numbers(called), default=0) + 1


def last_called(kind: str) -> str:
    """What the place made last is called, without its number; empty where none has one."""
    last = Place.objects.filter(kind=kind).order_by("-pk").values_list("name", flat=True).first()
    numbered = re.fullmatch(r"(.*?)\s*[0-9]+", last or "")
    return numbered[1] if numbered else ""


def last_shape() -> tuple[int, int] | None:
    """(tiers, sites a tier) of the tower made last, where there is one."""
    row = (
        PlantSite.objects.values("tower")
        .annotate(tiers=Max("tier"), round=Max("position"), sites=Count("pk"))
        .order_by("-tower")
        .first()
    )
    return (row["tiers"], row["round"]) if row else None


def build(bulk: Bulk) -> list[Place]:
    """Make the places and their sites in one transaction. Raises Refusal where a name is taken
    or there would be too many sites; then nothing is made."""
    if bulk.sites > MOST_SITES:
        raise Refusal(
            "too_many", f"{bulk} are too many at once; make {MOST_SITES} sites at most in one go."
        )
    too_long = max(map(len, bulk.names)) > (Place._meta.get_field("name").max_length or 0)
    if too_long:
        raise Refusal("too_long", f"“{bulk.called}” with its number is too long for a name.")
    try:
        with gate.through(gate.SHARED):
            _refuse_taken(bulk)
            places = Place.objects.bulk_create(
                Place(name=name, kind=bulk.kind) for name in bulk.names
            )
            PlantSite.objects.bulk_create(
                (
                    PlantSite(tower=place, tier=tier, position=position)
                    for place in places
                    for tier in range(1, bulk.tiers + 1)
                    for position in range(1, bulk.round + 1)
                ),
                batch_size=2000,
            )
    except IntegrityError:  # somebody else was quicker by an instant
        _refuse_taken(bulk)
        raise
    return places


def _refuse_taken(bulk: Bulk) -> None:
    wanted = {name.casefold(): name for name in bulk.names}
    lower = Place.objects.annotate(lower=Lower("name"))
    found = set(lower.filter(lower__in=list(wanted)).values_list("lower", flat=True))
    taken = [name for folded, name in wanted.items() if folded in found]
    if taken:
        more = f" and {len(taken) - 1} more are" if taken[1:] else " is"
        raise Refusal(
            "taken",
            f"{taken[0]}{more} there already: begin at {next_number(bulk.called)}, or give these "
            "another name.",
        )
