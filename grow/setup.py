"""The places that every business has once: sources and ends. Made after each migrate."""

from functools import lru_cache

from django.db import connection

from .models.places import SINGLE, Place, PlaceKind


def after_migrate(sender, using: str = "default", **_) -> None:
    Place.objects.using(using).bulk_create(
        [Place(name=PlaceKind(kind).label, kind=kind) for kind in sorted(SINGLE)],
        ignore_conflicts=True,
    )
    forget()


def the(kind: str) -> Place:
    """The one place of a kind: the("growth"). Raises Place.DoesNotExist for other kinds."""
    if kind not in SINGLE:
        raise Place.DoesNotExist(f"There may be several places of kind {kind}.")
    return _single(str(connection.settings_dict["NAME"]), kind)


@lru_cache(maxsize=64)
def _single(database: str, kind: str) -> Place:
    """By database too: a process that turns to another one must not bring its ids along."""
    return Place.objects.filter(kind=kind).order_by("id")[:1].get()


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
    place, _ = Place.objects.get_or_create(
        kind=kind, belongs_to=outlet, defaults={"name": label.format(outlet.name)}
    )
    return place
