"""The questions. Each takes a moment where it can: what is, or what was, or what we thought."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import Q, QuerySet, Sum
from django.db.models.functions import Coalesce

from . import codes
from .errors import NotKnown
from .kinds import ASIDE, TAKING_BACK
from .models import Description, Event, Holding, Lot, Movement, Place, Planting, PlantSite, alive
from .ready import Given
from .shelf import FRESH


def living(at: dt.datetime | Given) -> QuerySet[Planting]:
    """Plantings that stood at a moment, from their first instant to the one before their end."""
    return Planting.objects.filter(Q(ended_at__isnull=True) | Q(ended_at__gt=at), began_at__lte=at)


def on_sites(sites: Sequence[PlantSite]) -> Q:
    """Plants that stand on any of these sites: a big one by any site that it takes."""
    there = Planting.objects.filter(site__in=sites)
    return Q(pk__in=there.values(plant=Coalesce("blocked_by", "pk")))


def alive_on(at: dt.datetime, *, batch: Lot, tower: Place) -> list[Planting]:
    """The plants of a sowing on a tower at a moment, oldest planted first; blocked sites do
    not count as plants."""
    return list(
        living(at)
        .filter(batch=batch, site__tower=tower, blocked_by__isnull=True)
        .select_related("site")
        .order_by("began_at", "site_id")
    )


def free_sites(towers: Sequence[Place], at: dt.datetime) -> list[PlantSite]:
    """Usable sites with nothing on them at a moment or later: in the order of the towers named,
    each from the top down."""
    rows = (
        PlantSite.objects.filter(tower__in=towers, out_of_use=False)
        .exclude(
            pk__in=Planting.objects.filter(
                Q(ended_at__isnull=True) | Q(ended_at__gt=at), site__tower__in=towers
            ).values("site_id")
        )
        .select_related("tower")
        .order_by("-tier", "position")
    )
    by_tower = defaultdict(list)
    for site in rows:
        by_tower[site.tower_id].append(site)
    return [site for tower in towers for site in by_tower[tower.pk]]


def stock(
    lot: Lot,
    place: Place,
    at: dt.datetime | None = None,
    known_at: dt.datetime | None = None,
) -> int:
    """How much of a lot is, or was, in a place, in the lot's unit; known_at asks what the books
    said then."""
    if at is None and known_at is None:
        row = Holding.objects.filter(lot=lot, place=place).values_list("quantity", flat=True)
        return row.first() or 0
    return stocks(at, known_at, lots=[lot.pk], places=[place.pk]).get((lot.pk, place.pk), 0)


def stocks(
    at: dt.datetime | None = None,
    known_at: dt.datetime | None = None,
    *,
    lots: Iterable[int] | None = None,
    places: Iterable[int] | None = None,
) -> dict[tuple[int, int], int]:
    """(lot id, place id) → quantity at a moment; what is nought is left out."""
    moved = Movement.objects.all()
    if at is not None:
        moved = moved.filter(event__placed_at__lte=at)
    if known_at is not None:
        moved = moved.filter(event__recorded_at__lte=known_at)
    if lots is not None:
        moved = moved.filter(lot__in=list(lots))
    out: dict[tuple[int, int], int] = defaultdict(int)
    for side, sign in (("to_place_id", 1), ("from_place_id", -1)):
        rows = moved if places is None else moved.filter(**{f"{side}__in": list(places)})
        for lot, place, quantity in rows.values_list("lot_id", side).annotate(Sum("quantity")):
            out[lot, place] += sign * quantity
    return {key: quantity for key, quantity in out.items() if quantity}


def trusted_since(place: Place) -> dt.datetime | None:
    """Since when the books of a place may be trusted: its last fresh start from a count. None
    where nobody has started fresh: then since records began."""
    fresh = Event.objects.filter(FRESH, alive(), kind="count", place=place)
    return fresh.order_by("-placed_at").values_list("placed_at", flat=True).first()


def lots_called(text: str) -> list[Lot]:
    """Every lot that a text may mean: its code, however it is spaced or cased, or a name that
    it was given (a supplier's lot number, an old label, a crate tag)."""
    return called(text)[1]


def called(text: str) -> tuple[str, list[Lot]]:
    """What of a text is a code, as a scan may hold more, and every lot that it may mean."""
    for code in codes.meant(text):
        if found := _called(code):
            return code, found
    return codes.code_in(text), []


def _called(text: str) -> list[Lot]:
    key = codes.fold(text)
    if not key:
        return []
    spelt = Lot.objects.filter(code__in=spellings(text))
    exact = [lot for lot in spelt if codes.fold(lot.code) == key]
    named = Lot.objects.filter(
        pk__in=Description.objects.filter(name_key=key).values("lot_id")
    ).exclude(pk__in=[lot.pk for lot in exact])
    return [*exact, *named.order_by("id")]


def spellings(text: str) -> set[str]:
    """The ways in which our codes are hyphenated, for a text that may have lost its hyphens."""
    key = codes.fold(text)
    out = {text.strip().upper(), key}
    if len(key) > 8 and key[0] != codes.TAG:
        out.add(f"{key[:6]}-{key[6:-1]}-{key[-1]}")
    if len(key) > 2:
        out.add(f"{key[:-1]}-{key[-1]}")
    return out


def nearest(text: str, most: int = 3) -> list[str]:
    """Real codes that a mistyped one may have meant: the same day and series first."""
    import difflib

    key = codes.fold(text)
    pool: dict[str, str] = {}
    for start in {key[:4], key[:3], key[:1]}:
        for code in (
            Lot.objects.filter(code__startswith=start)
            .order_by("-id")
            .values_list("code", flat=True)[:2000]
        ):
            pool[codes.fold(code)] = code
    return [pool[k] for k in difflib.get_close_matches(key, pool, n=most, cutoff=0.6)]


def the_lot(text: str) -> Lot:
    """The one lot with a code. Raises NotKnown with the nearest real ones."""
    code, found = called(text)
    if found:
        return the_one(found, code)
    near = nearest(code)
    hint = f" Did you mean {' or '.join(near)}?" if near else ""
    raise NotKnown("no_such_code", f"No lot is called {code}.{hint}", nearest=near)


def the_one(found: list[Lot], text: str) -> Lot:
    """Of what `lots_called` gave for a text, the one that is meant. Raises NotKnown."""
    if len(found) == 1 or codes.fold(found[0].code) == codes.fold(text):
        return found[0]
    raise NotKnown(
        "several",
        f"{text} may be any of {', '.join(lot.code for lot in found)}.",
        codes=[lot.code for lot in found],
    )


def possibly_sold(lot: Lot) -> tuple[int, int]:
    """Between how many and how many of a lot were sold and not brought back."""
    from . import possibly

    return possibly.possibly_sold([lot]).get(lot.pk, (0, 0))


def events_of(lots: Iterable[int]) -> QuerySet[Event]:
    return Event.objects.filter(movements__lot__in=list(lots)).distinct()


def taken_back(but: Event | None = None) -> QuerySet[Event, Any]:
    """Ids of events that were cancelled, by any but one cancellation, and of asides that went back
    with what they reach or follow from."""
    dead = (
        Event.objects.filter(kind__in=TAKING_BACK, corrects__isnull=False)
        .exclude(pk=but.pk if but else 0)
        .values("corrects")
    )
    return Event.objects.filter(
        Q(pk__in=dead) | Q(kind__in=ASIDE) & (Q(corrects__in=dead) | Q(because_of__in=dead))
    ).values("pk")


def with_corrections(event_id: int) -> list[int]:
    """An event, what corrects it, and what takes those corrections back: together they are what
    the act came to."""
    fixes = list(Event.objects.filter(corrects=event_id).values_list("pk", flat=True))
    again = Event.objects.filter(corrects__in=fixes).values_list("pk", flat=True)
    return [event_id, *fixes, *again]
