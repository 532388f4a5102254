"""When plants on a tower end: at the act that took them off, or where the next one was planted.

An act that takes plants off by their number says not which; books and sites agree because each
act ends as many as it moved, as soon as so many stand there by what was told."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Sequence

from django.db.models import Q

from .kinds import OWN, TAKING_BACK
from .ledger import Entry
from .models import Event, Movement, Planting, PlantSite
from .queries import taken_back


def trim(sites: Iterable[PlantSite], since: dt.datetime) -> None:
    """One plant at a time on a site: each ends where the next begins, whichever is told first,
    and where it was told to end once the next is taken back."""
    ended = Planting.objects.filter(site__in=sites, ended_by__placed_at__gt=since)
    for p in ended.select_related("ended_by"):
        after = (
            Planting.objects.filter(site=p.site_id)
            .filter(Q(began_at__gt=p.began_at) | Q(began_at=p.began_at, pk__gt=p.pk))
            .order_by("began_at", "pk")
            .first()
        )
        at = p.ended_by.placed_at if p.ended_by else None
        p.ended_at = min(at, after.began_at) if at and after else at
        p.save(update_fields=["ended_at"])


def newest(standing: Sequence[Planting], plants: int) -> list[Planting]:
    """Which plants went, when only their number was told: the newest of those that nothing told
    has ended since."""
    return [p for p in standing if p.ended_by_id is None][-plants:]


def end(entry: Entry, plantings: Sequence[Planting]) -> None:
    """End plantings, and those of the sites that they block. One that another act has ended
    later keeps that end: told twice, a plant is short, and its record is not rewritten."""
    entry.renews = True
    entry.lock_sites(p.site for p in plantings)
    _ends_by(entry.event, plantings)


def _ends_by(event: Event, plantings: Sequence[Planting]) -> None:
    ids = [p.pk for p in plantings]
    Planting.objects.filter(Q(pk__in=ids) | Q(blocked_by__in=ids), ended_by=None).update(
        ended_by=event, ended_at=event.placed_at
    )


def make_up(pairs: Iterable[tuple[int, int]]) -> None:
    """Acts that were short of plants end those that came to stand there since: told late, or
    freed when what had ended them was taken back. `pairs` are (sowing id, tower id)."""
    for batch, tower in sorted(set(pairs)):
        free = list(
            Planting.objects.filter(
                batch=batch, site__tower=tower, blocked_by=None, ended_by=None
            ).order_by("began_at", "site_id")
        )
        if not free:
            continue
        for event, short in _short_of(batch, tower):
            ending = newest([p for p in free if p.began_at <= event.placed_at], short)
            _ends_by(event, ending)
            free = [p for p in free if p not in ending]


def _short_of(batch: int, tower: int) -> list[tuple[Event, int]]:
    """Acts that took more of a sowing off a tower than the plantings that they ended, and how many
    more, the earliest first."""
    off = Movement.objects.filter(lot=batch, from_place=tower)
    off = off.exclude(event__kind__in=[*OWN, *TAKING_BACK]).exclude(event__in=taken_back())
    told: Counter[int] = Counter()
    rows = off.values_list("event_id", "event__kind", "event__corrects_id", "quantity")
    for act, kind, reaches, plants in rows:
        # what was found cleared ended where the site was planted again
        told[(reaches if kind == "found_cleared" else None) or act] += plants
    told.subtract(
        Planting.objects.filter(batch=batch, site__tower=tower, blocked_by=None)
        .exclude(ended_by=None)
        .values_list("ended_by_id", flat=True)
    )
    events = Event.objects.filter(pk__in=[act for act, short in told.items() if short > 0])
    return [(e, told[e.pk]) for e in events.order_by("placed_at", "pk")]


__all__ = ["end", "make_up", "newest", "trim"]
