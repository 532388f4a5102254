"""The stock check: somebody walks round a place with a scanner, and one press posts what differs.

Everything works by keystrokes alone, as a scanner types them: a code chooses a lot, a number or a
weight says how much of it is there, a command from the sheet acts. The page carries what was
counted so far; nothing is written before the press."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, QueryDict
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse

from . import clock, devices, measures, roles, scope
from .edge import tell
from .errors import Conflict, NotKnown, Refusal
from .finding import rows_called
from .forms import kilograms
from .models import ENDS, SOURCES, STRICT, Event, Holding, Lot, LotKind, Person, Place, Unit
from .offers import natural
from .page import Page, Way, new_id
from .queries import trusted_since
from .wording import amount

#: A difference is asked back where it is over a fifth of what the books hold and over so much, in
#: the lot's unit. Common practice, no source.
LARGE = 5
LEAST = {Unit.G: 200, Unit.ML: 200, Unit.EACH: 2}
#: What a scanned command says.
RECORD, FRESH, ANEW = "RECORD-COUNT", "ALL-COUNTED", "START-ANEW"
MOST_ROWS = 2000
_PLUS = re.compile(r"\+[0-9]{1,4}")
#: Longer ones are what a till reads, and no quantity.
_NUMBER = re.compile(r"[0-9]{1,7}(?:[.,][0-9]+)?\s*(?:kg|g)?", re.IGNORECASE)
_WRONG_KIND = "{} is not kept by quantity; there is nothing of it to count."


@dataclass
class Row:
    """One lot as it was counted. text: its figure as typed, a weight bare in kilograms; first: what
    was said before it was asked to be counted again; booked: what the books hold there."""

    lot: Lot
    text: str = ""
    first: str = ""
    booked: int = 0
    wrong: str = ""

    @property
    def by_weight(self) -> bool:
        return self.lot.unit == Unit.G

    @property
    def counted(self) -> int | None:
        """In the lot's unit; None where it is open or cannot be read. Sets `wrong`."""
        text = self.text.strip()
        if not text:
            return None
        try:
            if self.by_weight:
                return measures.grams(text, "kg")
            if text.isascii() and text.isdigit() and len(text) < 10:
                return int(text)
            raise Refusal("no_number", f"“{text[:20]}” is not a whole number.")
        except Refusal as refusal:
            self.wrong = refusal.sentence
            return None

    @property
    def difference(self) -> int | None:
        counted = self.counted
        return None if counted is None else counted - self.booked

    @property
    def is_large(self) -> bool:
        off = abs(self.difference or 0)
        return off * LARGE > self.booked and off > LEAST[Unit(self.lot.unit)]

    def says(self, n: int | None) -> str:
        return "" if n is None else amount(n, self.lot.unit, kind=self.lot.kind)

    @property
    def booked_says(self) -> str:
        return self.says(self.booked)

    @property
    def difference_says(self) -> str:
        off = self.difference
        if not off:
            return "" if off is None else "0"
        return f"{'+' if off > 0 else '−'}{self.says(abs(off))}"


@dataclass
class Check:
    """What was counted in a place so far."""

    person: Person
    place: Place
    client_id: str
    rows: list[Row] = field(default_factory=list)
    current: str = ""
    fresh: bool = False
    sure: bool = False
    #: What stood there when its list was shown, as the page carries it; None where none was.
    shown: str | None = None

    @property
    def stands(self) -> str:
        """What the books hold there now, as the page carries it."""
        there = {row.lot.code: row.booked for row in (*self.rows, *self.unseen)}
        return " ".join(f"{code}={n}" for code, n in sorted(there.items()))

    @property
    def came_or_left(self) -> list[str]:
        """Codes of which the books hold another figure than when the list was shown."""
        if self.shown is None:
            return []
        was, now = set(self.shown.split()), set(self.stands.split())
        return sorted({one.partition("=")[0] for one in was ^ now})

    @property
    def is_told(self) -> bool:
        """A second press of what is recorded already gets the first's answer, and no question."""
        sent = Event.objects.filter(recorded_by=self.person, client_id=self.client_id)
        return sent.exists()

    @property
    def unseen(self) -> list[Row]:
        """What the books hold there and nobody has counted."""
        seen = {row.lot.pk for row in self.rows}
        there = Holding.objects.filter(
            place=self.place, quantity__gt=0, lot__kind__in=STRICT
        ).exclude(lot__in=seen)
        rows = there.select_related("lot__made_by", "lot__crop", "lot__variety").order_by("lot_id")
        return [Row(h.lot, booked=h.quantity) for h in rows[:MOST_ROWS]]

    def row(self, lot: Lot) -> Row:
        found = next((row for row in self.rows if row.lot == lot), None)
        if found is None:
            found = Row(lot)
            self.rows.insert(0, found)
            self.look()
        return found

    def look(self) -> None:
        """What the books hold of what was counted."""
        held = dict(
            Holding.objects.filter(
                place=self.place, lot__in=[row.lot for row in self.rows]
            ).values_list("lot_id", "quantity")
        )
        for row in self.rows:
            row.booked = held.get(row.lot.pk, 0)

    def data(self) -> dict[str, Any]:
        counted = {
            row.lot.code: kilograms(row.text) if row.by_weight else row.text for row in self.rows
        }
        told: dict[str, Any] = {"place": self.place.name, "counted": counted}
        return told | {"fresh": "yes"} if self.fresh else told


def places_of(person: Person) -> list[Place]:
    """Where somebody may count: standing places that hold something or are stores and shops, their
    own first."""
    rows = scope.seen(Place.objects.exclude(kind__in=[*SOURCES, *ENDS]), person)
    own = scope.tied_to(person)
    if own:
        rows = rows.filter(pk__in=own)
    full = set(
        Holding.objects.filter(quantity__gt=0, lot__kind__in=STRICT).values_list("place", flat=True)
    )
    found = [place for place in rows if place.pk in full or place.kind in _KEEP]
    return sorted(found, key=lambda place: natural(place.name))


_KEEP = ("store", "shop", "kitchen", "quarantine")


# --- the page ------------------------------------------------------------------------------------


def stock_check_page(request: HttpRequest) -> HttpResponseBase:
    person = request.user
    assert isinstance(person, Person)
    if not roles.may(person, "count"):
        raise PermissionDenied("“Stock check” is not among your tasks.")
    with clock.one_zone():
        posted = request.POST if request.method == "POST" else None
        waited = devices.take_kept(request) if posted is None and devices.noted(request) else None
        asked = posted or waited or request.GET
        places = places_of(person)
        wanted = asked.get("place", "").strip().casefold()
        place = next((p for p in places if p.name.casefold() == wanted), None)
        if place is None:
            refusal = None
            if wanted:
                refusal = Refusal("no_such_place", "Choose a place from the list.")
            return _choose(request, places, refusal)
        made = _read(person, place, asked)
        if posted is None:
            return _show(request, made)
        scanned, press = posted.get("scan", "").strip(), posted.get("press", "")
        if scanned:
            return _scanned(request, made, scanned)
        if press == FRESH:
            made.fresh = True
            return _show(request, made)
        if press == RECORD or made.sure:
            return _record(request, made)
        return _show(request, made)


def _choose(request: HttpRequest, places: list[Place], refusal: Refusal | None) -> HttpResponseBase:
    context = {
        "title": "Stock check",
        "places": places,
        "refusal": refusal,
        "is_nav_sidebar_enabled": False,
    }
    status = 422 if refusal else 200
    return TemplateResponse(request, "grow/stock_check.html", context, status=status)


def _read(person: Person, place: Place, asked: QueryDict) -> Check:
    made = Check(
        person,
        place,
        asked.get("client_id", "") or new_id(),
        current=asked.get("current", ""),
        fresh=asked.get("fresh") == "yes",
        sure=asked.get("sure") == "yes",
        shown=asked.get("stands"),
    )
    codes = list(dict.fromkeys(code for code in asked.getlist("lot") if code))[:MOST_ROWS]
    for lot in rows_called(Lot, codes, person) if codes else ():
        if isinstance(lot, Lot) and lot.kind in STRICT:
            made.rows.append(
                Row(lot, asked.get(f"n-{lot.code}", "").strip(), asked.get(f"first-{lot.code}", ""))
            )
    made.look()
    return made


# --- a scan --------------------------------------------------------------------------------------


def _scanned(request: HttpRequest, made: Check, text: str) -> HttpResponseBase:
    """A command acts; a number is how much there is of the lot that was scanned last; all else is a
    code. Each scan of a pack counts one, until a number says how many."""
    command = text.upper()
    if command == RECORD:
        return _record(request, made)
    if command == FRESH:
        made.fresh = True
        return _show(
            request, made, heard="All of it is counted; what was not scanned will be taken as gone."
        )
    if command == ANEW:
        return _show(request, Check(made.person, made.place, new_id()), heard="Begun anew.")
    now = next((row for row in made.rows if row.lot.code == made.current), None)
    if now and (_PLUS.fullmatch(text) or _NUMBER.fullmatch(text)):
        had = now.counted or 0
        more = text.startswith("+") and not now.by_weight
        now.text = str(had + int(text)) if more else text.lstrip("+")
        if now.counted is None:
            says = now.wrong
            now.text = ""
            return _show(request, made, Refusal("unread", says))
        return _show(
            request, made, heard=f"{now.lot.title}, {now.lot.code}: {now.says(now.counted)}."
        )
    (lot,) = rows_called(Lot, [text], made.person)
    if isinstance(lot, NotKnown):
        return _show(request, made, lot)
    if lot.kind not in STRICT:
        return _show(request, made, Refusal("not_counted", _WRONG_KIND.format(lot.code)))
    row = made.row(lot)
    made.current = lot.code
    if lot.kind == LotKind.PACK:
        row.text = str((row.counted or 0) + 1)
        return _show(request, made, heard=f"{lot.title}, {lot.code}: {row.says(row.counted)}.")
    asks = "weigh it" if row.by_weight else "how many?"
    return _show(request, made, heard=f"{lot.title}, {lot.code}: {asks}")


# --- the press -----------------------------------------------------------------------------------


def _record(request: HttpRequest, made: Check) -> HttpResponseBase:
    for row in made.rows:
        if row.counted is None:
            row.wrong = row.wrong or "Say how much is there; 0 for nothing."
            made.current = row.lot.code
    wrong = next((row for row in made.rows if row.wrong), None)
    if wrong:
        return _show(request, made, Refusal("unread", f"{wrong.lot.code}: {wrong.wrong}"))
    if not made.rows and not made.fresh:
        return _show(request, made, Refusal("nothing", "Nothing is counted yet: scan something."))
    told = made.is_told
    if made.fresh and not told and (moved := made.came_or_left):
        more = f" and {len(moved) - 5} more" if len(moved) > 5 else ""
        says = f"{', '.join(moved[:5])}{more} came or left since this list was shown: look anew."
        return _ask_to_look(request, made, f"{says} {_not_scanned(made)}".strip())
    again = [row for row in made.rows if row.is_large and not row.first]
    if again:
        for row in again:
            row.first, row.text = row.text, ""
        made.current = again[0].lot.code
        n = len(again)
        says = (
            f"{n} {'is' if n == 1 else 'are'} far from the books, over a fifth: count "
            f"{'it' if n == 1 else 'them'} a second time. The second figure stands."
        )
        return _show(request, made, Refusal("count_again", says))
    if made.fresh and not told and not made.sure and (says := _not_scanned(made)):
        return _ask_to_look(request, made, says)
    return press(request, made, RECORD, _show)


def _not_scanned(made: Check) -> str:
    n = len(made.unseen)
    if not n:
        return ""
    return (
        f"{n} {'lot was' if n == 1 else 'lots were'} not scanned and the books hold "
        f"{'it' if n == 1 else 'them'} here: look once more. What is not here becomes count "
        "difference."
    )


def _ask_to_look(request: HttpRequest, made: Check, says: str) -> HttpResponseBase:
    """Before a place starts fresh, at the list as it is now."""
    way = Way("sure", "yes", "I have looked: start fresh")
    return _show(request, made, Refusal("count_again", says), ways=[way])


class Counting(Protocol):
    """A count on its page: who tells it, under which id, and what."""

    person: Person
    client_id: str

    def data(self) -> dict[str, Any]: ...


def press(
    request: HttpRequest, made: Counting, again: str, show: Callable[..., HttpResponseBase]
) -> HttpResponseBase:
    """Tell a count; a refusal is shown by `show(request, made, refusal, ways=…)` with all that was
    typed. again: the press that tells it under a new id, where this one has told another."""
    device = devices.noted(request)
    try:
        event = tell(made.person, "count", made.data(), client_id=made.client_id, device=device)
    except Refusal as refusal:
        ways = []
        if isinstance(refusal, Conflict):
            made.client_id = new_id()
            ways.append(Way("press", again, "Record it as another count"))
        return show(request, made, refusal, ways=ways)
    return devices.after(request, event)


def _show(
    request: HttpRequest,
    made: Check,
    refusal: Refusal | None = None,
    *,
    ways: list[Way] | None = None,
    heard: str = "",
) -> HttpResponseBase:
    since = trusted_since(made.place)
    context: dict[str, Any] = {
        "title": "Stock check",
        "made": made,
        "unseen": made.unseen,
        "trusted": clock.said(since) if since else "",
        "refusal": refusal,
        "ways": ways or [],
        "heard": heard,
        "say": {"record": RECORD, "fresh": FRESH, "anew": ANEW},
        "is_nav_sidebar_enabled": False,
    }
    status = 422 if refusal else 200
    return TemplateResponse(request, "grow/stock_check.html", context, status=status)


COUNT_PAGES = [
    Page(
        "stock-check/",
        "stock_check",
        "Stock check",
        None,
        stock_check_page,
        may=lambda person: roles.may(person, "count"),
        keeps=True,
    ),
]
