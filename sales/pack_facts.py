"""What anybody may know of a pack, in two questions to the books: what it is, when it was packed,
from which crops, and whether it was stopped. Nothing of customers, prices, suppliers, people or
other lots is among it, nor why a lot was stopped: that may be no more than care.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db import connection
from django.db.models import Exists, Min, OuterRef, Subquery

from grow import clock, codes, queries
from grow.models import Business, Description, Event, Hold, LotKind
from grow.models.ledger import CANCELLING

from . import contents
from .label_words import Words, words_known
from .models import Notice, PackingRun, Recall


@dataclass
class Leaf:
    """A crop in a pack, and its days in words."""

    crop: str
    says: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Pack:
    """stopped: since when it is held, if it is. recalled: what is wrong with it, once somebody
    approved the notice that says so to whoever bought it. as_of: when the books were asked."""

    words: Words
    packed: dt.date
    grown_here: bool
    leaves: list[Leaf]
    business: Business
    in_error: bool
    stopped: dt.datetime | None
    recalled: str
    as_of: dt.datetime

    def local(self, moment: dt.datetime) -> dt.datetime:
        return clock.local(moment, zoneinfo.ZoneInfo(self.business.zone))


@dataclass(frozen=True)
class Said:
    """The first sentence is the one that must be seen. alarm: whoever has the pack must do
    something."""

    alarm: bool
    says: list[str]


def notice(pack: Pack) -> Said:
    """What may be said of a pack: that the grower stopped it, or that nothing is recorded here as
    of now. Never more than that."""
    business, code = pack.business, pack.words.lot
    call = f"telephone {business.telephone}" if business.telephone else ""
    ask = f"Ask {', '.join(w for w in (business.name, business.address, call) if w)}."
    if pack.recalled:
        return Said(
            True,
            [
                "Food recall: do not eat this.",
                f"{business.name} recalls lot {code}: {pack.recalled}.",
                "Bring it back to where you bought it and you will get your money back; you need "
                "no receipt. Or throw it away.",
                ask,
            ],
        )
    if pack.stopped:
        return Said(
            True,
            [
                "Do not eat this.",
                f"The grower stopped lot {code} on {pack.local(pack.stopped):%d %b %Y}, while it "
                "is looked into.",
                "Bring it back to where it came from, or throw it away.",
                ask,
            ],
        )
    if pack.in_error:
        return Said(
            True,
            [
                "Recorded in error.",
                f"The grower’s records no longer have a lot {code}. If you hold such a pack, ask "
                "before you eat it.",
                ask,
            ],
        )
    return Said(False, [f"No notice recorded here as of {pack.local(pack.as_of):%d %b %Y %H:%M}."])


def pack_of(code: str, gtin: str | None = None) -> Pack | None:
    """The pack with a lot code, however it is cased or spaced; None for a code that is mistyped, or
    of no pack. gtin: what a Digital Link says besides, of which the lot must be, or have been when
    its label was printed."""
    if not codes.is_valid(code):
        return None
    now = clock.now()
    run: Any = _runs().filter(lot__code__in=queries.spellings(codes.fold(code))).first()
    if run is None:
        return None
    if gtin and gtin != run.product.gtin and f"/01/{gtin}/" not in run.label.get("qr", ""):
        return None
    told = {name: getattr(run, f"business_{name}") for name in _BUSINESS}
    business = Business(**told) if told["name"] else Business()
    date = min(filter(None, (run.lot.use_by, run.shorter)), default=None)
    return Pack(
        words=words_known(run, date, business),
        packed=clock.number_day(run.lot.made_by.day),
        grown_here=run.origin == contents.GROWN_HERE,
        leaves=_leaves(run.pk),
        business=business,
        in_error=run.in_error,
        stopped=run.stopped,
        recalled=(run.recalled or "").rstrip("."),
        as_of=now,
    )


_BUSINESS = ("name", "zone", "address", "telephone", "country")


def _runs() -> Any:
    """Runs with their lot and product, the business, whether taken back, held since, recalled for
    what, and the earliest date that was given them since."""
    of_lot = {"lot": OuterRef("lot")}
    dates = Description.objects.filter(**of_lot).values("lot").annotate(first=Min("best_before"))
    taken_back = Event.objects.filter(corrects=OuterRef("lot__made_by"), kind__in=CANCELLING)
    held = Hold.objects.filter(**of_lot, ended_by=None).order_by("began_at").values("began_at")
    approved = Notice.objects.filter(
        to="",
        recall__kind=Recall.Kind.RECALL,
        recall__is_mock=False,
        recall__lots__lot=OuterRef("lot"),
        recall__lots__narrowed_by=None,
    )
    return PackingRun.objects.select_related("lot__made_by", "product").annotate(
        recalled=Subquery(approved.order_by("-pk").values("recall__hazard")[:1]),
        **{f"business_{n}": Subquery(Business.objects.values(n)[:1]) for n in _BUSINESS},
        in_error=Exists(taken_back),
        stopped=Subquery(held[:1]),
        shorter=Subquery(dates.values("first")),
    )


# --- what it was made of -------------------------------------------------------------------------

# Only matter, by the origins that stand; what merely touched it is not in it. "OR w.id IS NULL" is
# never true: see grow.lineage.
_LEAVES = """
WITH RECURSIVE w(id) AS (
    SELECT id FROM grow_lot WHERE id = %s
    UNION
    SELECT e.parent_id FROM w JOIN grow_lineage e ON e.child_id = w.id
    WHERE (e.quantity > 0 AND e.struck_by_id IS NULL) OR w.id IS NULL
)
SELECT DISTINCT c.name, l.kind, made.kind, made.day, sown.kind, sown.day
FROM w CROSS JOIN grow_lot l CROSS JOIN grow_event made
LEFT JOIN grow_lineage g ON g.child_id = l.id AND g.kind = 'grew' AND g.quantity > 0
    AND g.struck_by_id IS NULL
LEFT JOIN grow_lot b ON b.id = g.parent_id
LEFT JOIN grow_event sown ON sown.id = b.made_by_id
JOIN grow_crop c ON c.id = COALESCE(b.crop_id, l.crop_id)
WHERE l.id = w.id AND l.kind IN ('harvest', 'produce') AND made.id = l.made_by_id
ORDER BY c.name
"""
_BEFORE = "opening_entry"


def _leaves(run: int) -> list[Leaf]:
    with connection.cursor() as cursor:
        cursor.execute(_LEAVES, [run])
        rows = cursor.fetchall()
    days: dict[str, dict[str, set[int | None]]] = defaultdict(lambda: defaultdict(set))
    for crop, kind, made, day, sown, sown_on in rows:
        of = days[crop]
        if kind == LotKind.PRODUCE:
            of["Bought in, and came"].add(None if made == _BEFORE else day)
            continue
        of["Cut"].add(None if made == _BEFORE else day)
        if sown:
            of["Sown"].add(None if sown == _BEFORE else sown_on)
    order = ("Sown", "Cut", "Bought in, and came")
    return [
        Leaf(crop, [f"{what} {_between(of[what])}" for what in order if of[what]])
        for crop, of in days.items()
    ]


def _between(days: Iterable[int | None]) -> str:
    """From the first to the last; None is of before records began."""
    known = sorted(clock.number_day(day) for day in days if day)
    before = "before records began"
    if not known:
        return before
    said = _range(known[0], known[-1])
    return f"{said}, some {before}" if None in set(days) else said


def _range(first: dt.date, last: dt.date) -> str:
    if first == last:
        return f"{last:%d %b %Y}"
    same = "%d" if (first.year, first.month) == (last.year, last.month) else "%d %b"
    if first.year != last.year:
        same = "%d %b %Y"
    return f"{first:{same}} to {last:%d %b %Y}"
