"""What notices of a recall say, drafted from the records. A notice says what, which lots, how much,
what to do and whom to answer; the one at the point of sale says it to whoever bought it.

What such a notice should hold: reference is the UK guidance on traceability, withdrawals and
recalls (FSA and FSS, March 2019) and the regulation that it explains, (EC) 178/2002, article 19;
plain words, no marketing, nothing played down. Local rules and competent people decide.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from typing import Any

from grow import clock
from grow.kinds import CANCELLING
from grow.models import OUTLETS, Business, Movement, PlaceKind, alive
from grow.wording import amount

from .models import NoteLine, Recall
from .naming import line_names
from .recalls import Customer, State

POINT_OF_SALE = ""


def drafts(state: State) -> list[dict[str, Any]]:
    """One notice for each customer who had any of it, by name; of a recall also the one at the
    point of sale, last. Nothing in them hangs on the hour: the same records draft the same
    notices."""
    business = Business.the()
    notes = _notes(state)
    found = [
        {
            **_common(state.recall, business),
            "to": customer.name,
            "contact": customer.told.who.contact,
            "address": customer.told.who.address,
            "lots": _lots_of(customer, state, notes),
            "do": _what_to_do(state.recall, customer),
        }
        for customer in state.customers
        if customer.told.lots
    ]
    if (sold := _sold(state)) and (state.recall.kind == Recall.Kind.RECALL or _bought(state)):
        told = {**_common(state.recall, business), "kind": Recall.Kind.RECALL.value}
        found.append({**told, "to": POINT_OF_SALE, **sold})
    return found


def digest(found: list[dict[str, Any]]) -> str:
    """By which an approval knows what was read: it is refused once the drafts say otherwise."""
    text = json.dumps([_lasting(one) for one in found], sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def same(draft: dict[str, Any], frozen: dict[str, Any] | None) -> bool:
    """Whether a notice that was approved still says what the records do."""
    return frozen is not None and _lasting({n: frozen.get(n) for n in draft}) == _lasting(draft)


def _lasting(draft: dict[str, Any]) -> dict[str, Any]:
    """Without what is still there, which each answer and each sale lowers."""
    lots = [{**lot, "there": ""} for lot in draft.get("lots") or []]
    return {**draft, "lots": lots}


def _common(recall: Recall, business: Business) -> dict[str, Any]:
    return {
        "number": recall.number,
        "kind": recall.kind,
        "exercise": recall.is_mock,
        "hazard": recall.hazard,
        "from": {
            "name": business.name,
            "address": business.address,
            "telephone": business.telephone,
            "out_of_hours": business.out_of_hours,
        },
        "rules": business.rule_set,
    }


def _lots_of(
    customer: Customer, state: State, notes: dict[tuple[str, str], list[str]]
) -> list[dict[str, Any]]:
    by_code = {lot.code: lot for lot in state.report.lots.values()}
    rows = []
    for code, quantity, unit, here in customer.told.lots:
        lot = by_code[code]
        rows.append(
            {
                "code": code,
                "title": lot.title,
                "use_by": lot.use_by and str(lot.use_by),
                "had": amount(quantity, unit, kind=lot.kind),
                "there": amount(here, unit, kind=lot.kind) if here else "",
                "notes": notes.get((customer.name, code), []),
            }
        )
    return rows


def _notes(state: State) -> dict[tuple[str, str], list[str]]:
    """(customer, lot) → “N00007-K of 03 Mar 2026”, so that they find it in their own papers."""
    ids = [row.lot_id for row in state.standing]
    rows = NoteLine.objects.filter(alive("note__event"), lot__in=ids)
    found: dict[tuple[str, str], list[str]] = defaultdict(list)
    for line in rows.select_related("note__outlet__place", "note__event", "lot").order_by("id"):
        day = clock.number_day(line.note.event.day)
        found[str(line.note.outlet), line.lot.code].append(f"{line.note} of {day:%d %b %Y}")
    return found


def _what_to_do(recall: Recall, customer: Customer) -> list[str]:
    says = [
        "Take these lots off sale and out of use now. Do not sell, serve, use, give away or "
        "move them.",
        "Set apart and mark what you still have. Keep it until we fetch it; or destroy it and tell "
        "us how much.",
        "If any went on to another business, tell us its name now.",
    ]
    if recall.kind == Recall.Kind.RECALL and _sells(customer):
        says.append("Show our notice for customers where it was sold.")
    says.append(
        "Answer today, even if you have none left: how much you hold, how much was sold or used, "
        "how much was destroyed."
    )
    return says


def _sells(customer: Customer) -> bool:
    return customer.told.who.place is not None


def _bought(state: State) -> bool:
    """Whether somebody bought some of it, whatever it was taken for when it was opened."""
    ids = [row.lot_id for row in state.standing]
    rows = Movement.objects.filter(alive("event"), lot__in=ids, to_place__kind=PlaceKind.SOLD)
    return rows.exclude(event__kind__in=(*CANCELLING, "cancel_because")).exists()


def _sold(state: State) -> dict[str, Any] | None:
    """What consumers may have at home: by product, its lots and dates, where and since when."""
    ids = [row.lot_id for row in state.standing]
    rows = Movement.objects.filter(
        alive("event"), lot__in=ids, to_place__kind__in=[*OUTLETS, PlaceKind.SOLD]
    ).select_related("to_place__belongs_to", "lot")
    rows = rows.exclude(event__kind__in=(*CANCELLING, "cancel_because"))  # it came there before
    sold = [m for m in rows if m.lot.kind in ("pack", "harvest", "produce")]
    if not sold:
        return None
    names = line_names({m.lot.line for m in sold})
    where = sorted({str(m.to_place.belongs_to or m.to_place) for m in sold})
    first, last = (clock.number_day(pick(m.day for m in sold)) for pick in (min, max))
    lots = {m.lot.pk: m.lot for m in sold}
    return {
        "lots": [
            {
                "code": lot.code,
                "title": names.get(lot.line) or lot.title,
                "use_by": lot.use_by and str(lot.use_by),
                "had": "",
                "there": "",
                "notes": [],
            }
            for _, lot in sorted(lots.items())
        ],
        "where": where,
        "between": [str(first), str(last)],
        "do": [
            "Do not eat it.",
            "Bring it back to where you bought it and you will get your money back; you need no "
            "receipt. Or throw it away.",
            "If you have eaten it and feel unwell, speak to a doctor.",
        ],
    }


__all__ = ["POINT_OF_SALE", "digest", "drafts", "same"]
