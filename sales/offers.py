"""What may be meant of products, outlets and notes."""

from __future__ import annotations

import datetime as dt
import re

from grow import clock, scope
from grow.models import Movement, PlaceKind
from grow.offers import OFFERS, Asked, Offer, named
from grow.wording import amount
from sales.models import Complaint, DeliveryNote, NoteLine, Outlet, Product, Recall, RecallWindow

_LATELY = dt.timedelta(days=60)


def _products(asked: Asked) -> list[Offer]:
    """Packs for a run; for a till whatever has lately stood on a shop's shelf."""
    rows = list(Product.objects.select_related("loose_crop"))
    if asked.kind in ("pack", "rework"):
        rows = [p for p in rows if p.nominal_g]
    if asked.kind == "sell":
        since = clock.day_number(clock.local(clock.now() - _LATELY).date())
        moved = Movement.objects.filter(day__gte=since, to_place__kind=PlaceKind.SHOP)
        lines = set(scope.seen(moved, asked.person).values_list("lot__line", flat=True).distinct())
        rows = [p for p in rows if p.line in lines]
    return [Offer(p.code, _unbroken(p.name), unit="each" if p.nominal_g else "g") for p in rows]


def _unbroken(name: str) -> str:
    """“120 g” stays on one line."""
    return re.sub(r"(?<=\d) (?=g|kg|ml|l)", "\u00a0", name)


def _outlets(asked: Asked) -> list[Offer]:
    rows = scope.seen(Outlet.objects.select_related("place"), asked.person)
    if asked.kind == "put_on_shelf":
        rows = rows.filter(wants_notes=False)
    if asked.kind == "deliver":
        rows = rows.filter(wants_notes=True)
    if asked.kind == "sell":
        rows = rows.filter(place__kind=PlaceKind.SHOP)
    return [Offer(o.place.name, o.place.name) for o in rows]


def _notes(asked: Asked) -> list[Offer]:
    """Notes with something still to come, the latest first."""
    rows = scope.seen(DeliveryNote.objects.all(), asked.person)
    rows = rows.filter(lines__to_follow__gt=0).distinct()
    rows = rows.select_related("outlet__place", "event").order_by("-id")[:20]
    return [
        Offer(
            note.number,
            f"{note.number} for {note.outlet}",
            note=f"sent {clock.local(note.event.happened_at):%d %b %H:%M}",
        )
        for note in rows
    ]


def arriving(asked: Asked) -> list[Offer]:
    """The lines of the chosen note that are still to come."""
    rows = scope.seen(DeliveryNote.objects.all(), asked.person)
    rows = rows.filter(number=asked.chosen.get("note") or "")
    lines = NoteLine.objects.filter(note__in=rows, to_follow__gt=0).select_related("lot__made_by")
    return [
        Offer(
            line.lot.code,
            line.lot.title,
            note=f"{amount(line.to_follow, line.lot.unit, kind=line.lot.kind)} on the way",
            unit=line.lot.unit,
            quantity=line.to_follow,
            fills={"accepted": _typed(line)},
        )
        for line in lines
    ]


def _typed(line: NoteLine) -> str:
    """As it would be typed into its field: kilograms where leaf is weighed."""
    if line.lot.unit != "g":
        return str(line.to_follow)
    return f"{line.to_follow / 1000:.3f}".rstrip("0").rstrip(".")


def _recalls(asked: Asked) -> list[Offer]:
    """Those that are open; a mock one where a mock one is meant."""
    rows = scope.seen(Recall.objects.filter(closed_by=None), asked.person)
    if asked.kind in ("close_recall", "close_mock"):
        rows = rows.filter(is_mock=asked.kind == "close_mock")
    return [Offer(r.number, f"{r.number}: {r.hazard}") for r in rows.order_by("-event")[:20]]


def _windows(asked: Asked) -> list[Offer]:
    rows = scope.seen(RecallWindow.objects.filter(ended_by=None), asked.person)
    rows = rows.filter(recall__closed_by=None).select_related("recall", "place", "thing")
    return [
        Offer(
            str(w.pk),
            f"{w}, {w.recall}",
            note=f"since {clock.local(w.since):%d %b %H:%M}",
        )
        for w in rows.order_by("-pk")[:20]
    ]


def _complaints(asked: Asked) -> list[Offer]:
    rows = scope.seen(Complaint.objects.filter(answered_by=None), asked.person)
    return [Offer(c.number, f"{c.number}: {c.happened[:60]}") for c in rows.order_by("-event")[:20]]


OFFERS |= {Product: _products, Outlet: _outlets, DeliveryNote: _notes}
OFFERS |= {Recall: _recalls, RecallWindow: _windows, Complaint: _complaints}
__all__ = ["arriving", "named"]
