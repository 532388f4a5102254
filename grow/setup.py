"""The places that every business has once: sources and ends. Made after each migrate."""

import itertools
from functools import lru_cache
from typing import Any

from django.db import connection

from .models.places import SINGLE, Place, PlaceKind


def after_migrate(sender, using: str = "default", **_) -> None:
    Place.objects.using(using).bulk_create(
        [Place(name=PlaceKind(kind).label, kind=kind) for kind in sorted(SINGLE)],
        ignore_conflicts=True,
    )
    forget()


def the(kind: str) -> Place:
    """The one place of a kind: the("growth"). Raises Place.DoesNotExist for other kinds.

    Only its id is kept, and its kind, which cannot change: what else is asked of it is read anew,
    for another worker may have given it another name."""
    if kind not in SINGLE:
        raise Place.DoesNotExist(f"There may be several places of kind {kind}.")
    pk = _single(str(connection.settings_dict["NAME"]), kind)
    return Place.from_db(connection.alias, ["id", "kind"], [pk, kind])


@lru_cache(maxsize=64)
def _single(database: str, kind: str) -> int:
    """By database too: a process that turns to another one must not bring its ids along."""
    return Place.objects.values_list("pk", flat=True).get(kind=kind)


def forget() -> None:
    """Ask again next time: a flush makes these places anew, under other ids."""
    _single.cache_clear()


def side_place(outlet: Place, kind: str) -> Place:
    """The lorry to an outlet, its reject shelf, its till: made when first asked for."""
    label = {
        PlaceKind.TRANSIT: "On the way to {}",
        PlaceKind.QUARANTINE: "Rejected at {}",
        PlaceKind.SOLD: "Sold at {}",
        PlaceKind.SERVED: "Served at {}",
    }[PlaceKind(kind)]
    new: dict[str, Any] = {"name": lambda: _free(label.format(outlet.name))}  # asked only if new
    return Place.objects.get_or_create(kind=kind, belongs_to=outlet, defaults=new)[0]


def _free(name: str) -> str:
    """A name that no place has, cut to what a name may hold."""
    longest = Place._meta.get_field("name").max_length or 0
    tails = itertools.chain([""], (f" ({n})" for n in itertools.count(2)))
    names = (name[: longest - len(tail)] + tail for tail in tails)
    return next(n for n in names if not Place.objects.filter(name=n).exists())
