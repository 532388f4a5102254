"""Labels of crates, and of what is held, as a PDF to print."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django import forms
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from grow import clock, labels, roles, scope, short
from grow.errors import NotKnown, Refusal
from grow.finding import rows_called
from grow.holds import INHERITED
from grow.models import Hold, Holding, Lot, LotKind, Person, alive
from grow.page import Page
from grow.start import address
from grow.wording import amount

from .print_form import MOST, PRINTS, SHOWN, PrintForm, choose, person_of, printed
from .printers import untrue
from .printing import (
    Stands,
    day_of_crate,
    held_says,
    held_with,
    label_of_crate,
    label_of_hold,
    where_held,
)

# --- of crates -----------------------------------------------------------------------------------


def crates_page(request: HttpRequest) -> HttpResponseBase:
    """Without a lot the crates to choose from; with one or several their labels, in halves."""
    person = person_of(request)
    with clock.one_zone():
        codes = [code for code in dict.fromkeys(request.GET.getlist("lot")) if code.strip()]
        if not codes:
            return _choose_crate(request, person)
        try:
            lots = _lots(codes, person)
            wanted = [label_of_crate(lot) for lot in lots]
        except Refusal as refusal:
            return _choose_crate(request, person, refusal)
        return _crates(request, person, lots, wanted)


def _lots(codes: Sequence[str], person: Person) -> list[Lot]:
    """Raises NotKnown for a code that means none, or none that the person sees."""
    found: list[Lot] = []
    for lot in rows_called(Lot, codes, person):
        if isinstance(lot, NotKnown):
            raise lot
        found.append(lot)
    return found


def _choose_crate(
    request: HttpRequest, person: Person, refusal: Refusal | None = None
) -> HttpResponseBase:
    crates = scope.seen(Lot.objects.filter(alive("made_by")), person)
    crates = crates.filter(kind__in=[LotKind.HARVEST, LotKind.PRODUCE]).select_related("made_by")
    return choose(
        request,
        title="Crate labels",
        asks="Crate",
        picks=[
            (lot.code, lot.title, " ".join(day_of_crate(lot)))
            for lot in crates.order_by("-pk")[:SHOWN]
        ],
        nothing="Nothing is cut yet.",
        refusal=refusal,
    )


def _crates(
    request: HttpRequest, person: Person, lots: list[Lot], wanted: list[labels.Halves]
) -> HttpResponseBase:
    first, several = lots[0], len(lots) > 1
    form = PrintForm.of(request)
    if several:
        form.fields["count"].label = "How many of each"
    codes = " ".join(lot.code for lot in lots)
    return printed(
        request,
        form,
        lambda: form.pdf([(one, form.cleaned_data["count"]) for one in wanted], f"Crates {codes}"),
        f"crate-{first.code}",
        title="Crate labels",
        subject={
            "name": f"{len(lots)} crates" if several else first.title,
            "code": codes,
            "says": f"{' '.join(day_of_crate(first))} · two halves: one stays on the crate, the "
            "other is peeled off and goes onto the tub into which its leaf is tipped.",
        },
        cautions=[*(says for lot in lots for says in held_says(lot)), *untrue()],
        after=[
            (words, address(kind))
            for kind, words in (("pack", "Pack"), ("deliver", "Send out"))
            if roles.may(person, kind)
        ],
    )


# --- of what is held -----------------------------------------------------------------------------


_LONGEST = Hold._meta.get_field("reason").max_length


class HoldForm(PrintForm):
    """How many labels for each place where something held stands, and each reason in words that
    may be shorter than the books have them."""

    def __init__(self, stands: Sequence[Stands], *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        del self.fields["count"]
        self.stands = stands
        self.why = _reasons(stands)
        #: reason → its field, called by the first hold that has it
        self.says: dict[str, str] = {}
        for hold, reason in sorted(self.why.items()):
            self.says.setdefault(reason, f"why_{hold}")
        for reason, name in self.says.items():
            self.fields[name] = forms.CharField(
                label="Why, as the label says it",
                max_length=_LONGEST,
                initial=reason,
                widget=forms.TextInput({"autocomplete": "off"}),
                help_text="Shorten it here where the label is too small; the record keeps it all.",
                error_messages={"required": "Say why it is held."},
            )
        for one in stands:
            self.fields[_many(one)] = short.number("Labels", 0, 200, required=False, initial=1)

    def whys(self) -> list[forms.BoundField]:
        return [self[name] for name in self.says.values()]

    def places(self) -> list[tuple[str, list[tuple[Stands, str, forms.BoundField]]]]:
        """By place: what stands there, how much, and its field."""
        out: dict[str, list[tuple[Stands, str, forms.BoundField]]] = {}
        for one in self.stands:
            lot = one.hold.lot
            much = amount(one.quantity, lot.unit, kind=lot.kind) if one.place else ""
            place = one.place.name if one.place else "Where it is kept"
            out.setdefault(place, []).append((one, much, self[_many(one)]))
        return list(out.items())

    def clean(self) -> dict[str, Any]:
        many = sum(self._wanted(one) for one in self.stands)
        if not self.errors and not 1 <= many <= MOST:
            raise forms.ValidationError(f"Print 1 to {MOST} labels at once, not {many}.")
        return self.cleaned_data

    def _wanted(self, one: Stands) -> int:
        """What came to stand there since the page was opened has a label like all else."""
        name = _many(one)
        return (self.cleaned_data.get(name) or 0) if name in self.data else 1

    def wanted(self) -> list[tuple[labels.Framed, int]]:
        """In the order in which somebody walks round with them."""
        out = []
        for one in self.stands:
            if many := self._wanted(one):
                hold = one.hold
                before = INHERITED if hold.reason.startswith(INHERITED) else ""
                why = self.cleaned_data[self.says[self.why[hold.pk]]]
                out.append((label_of_hold(hold, before + why), many))
        return out


def _many(one: Stands) -> str:
    return f"many_{one.key}"


def _reasons(stands: Sequence[Stands]) -> dict[int, str]:
    """Hold's id → its reason, without what says that it was inherited. One that was cut off where
    it was kept is that of which it is the beginning."""
    found = {one.hold.pk: one.hold.reason.removeprefix(INHERITED) for one in stands}
    for one in stands:
        if len(one.hold.reason) == _LONGEST:
            start = found[one.hold.pk]
            found[one.hold.pk] = max((r for r in found.values() if r.startswith(start)), key=len)
    return found


def holds_page(request: HttpRequest) -> HttpResponseBase:
    """Labels for all that one hold stops, by its entry or by a lot that is held."""
    person = person_of(request)
    with clock.one_zone():
        code, entry = request.GET.get("lot", "").strip(), request.GET.get("event", "")
        open_ = scope.seen(Hold.objects.filter(ended_by=None), person)
        try:
            if code:
                (lot,) = _lots([code], person)
                holds = open_.filter(lot=lot)
            elif entry:
                known = entry.isascii() and entry.isdigit() and int(entry) < 2**63
                holds = open_.filter(began_by=int(entry)) if known else open_.none()
            else:
                return _choose_hold(request, person)
            events = set(holds.values_list("began_by", flat=True))
            if not events:
                raise Refusal("not_held", f"{code or 'What that entry held'} is not held.")
        except Refusal as refusal:
            return _choose_hold(request, person, refusal)
        return _holds(request, person, held_with(events))


def _choose_hold(
    request: HttpRequest, person: Person, refusal: Refusal | None = None
) -> HttpResponseBase:
    rows = scope.seen(Hold.objects.filter(ended_by=None), person).select_related("lot")
    by_entry: dict[int, list[Hold]] = {}
    for hold in rows.order_by("-began_by", "lot")[: 10 * SHOWN]:
        by_entry.setdefault(hold.began_by_id, []).append(hold)
    return choose(
        request,
        title="HOLD labels",
        asks="Held lot",
        picks=[
            (held[0].lot.code, held[0].lot.title, _since(held))
            for held in list(by_entry.values())[:SHOWN]
        ],
        nothing="Nothing is held.",
        refusal=refusal,
    )


def _since(held: Sequence[Hold]) -> str:
    more = f", {len(held) - 1} more with it" if held[1:] else ""
    return f"Since {clock.local(held[0].began_at):%d %b %Y}{more} · {held[0].reason}"


def _holds(request: HttpRequest, person: Person, held: list[Hold]) -> HttpResponseBase:
    own = set(scope.seen(Lot.objects.filter(pk__in=[h.lot_id for h in held]), person))
    held = [hold for hold in held if hold.lot in own]
    stands = where_held(held, scope.seen(Holding.objects.all(), person))
    form = HoldForm.of(request, stands)
    assert isinstance(form, HoldForm)
    gone = _codes(hold for hold in held if hold.lot_id not in {s.hold.lot_id for s in stands})
    return printed(
        request,
        form,
        lambda: form.pdf(form.wanted(), f"HOLD: {_codes(held)}"),
        f"hold-{held[0].lot.code}",
        template="sales/label_holds.html",
        title="HOLD labels",
        subject={
            "name": held[0].lot.title or LotKind(held[0].lot.kind).label,
            "code": held[0].lot.code,
            "says": _since(held),
        },
        gone=gone,
        cautions=untrue(),
    )


def _codes(held: Iterable[Hold]) -> str:
    codes = [hold.lot.code for hold in held]
    more = f" and {len(codes) - 6} more" if len(codes) > 6 else ""
    return f"{', '.join(codes[:6])}{more}"


PRINT_PAGES = [
    Page("labels/crate/", "crate_labels", "Crate labels", PRINTS, crates_page, in_menu=False),
    Page("labels/hold/", "hold_labels", "HOLD labels", PRINTS, holds_page, in_menu=False),
]
