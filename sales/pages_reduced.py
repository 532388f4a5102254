"""Labels for what is sold cheaper: small ones of their own, that say the lot again."""

from __future__ import annotations

from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest, QueryDict
from django.http.response import HttpResponseBase

from grow import clock, roles, scope
from grow.errors import NotKnown, Refusal
from grow.finding import rows_called
from grow.labels import TILL_MM, Label, Qr, reduced_label
from grow.models import Business, Event, Lot, Person, alive
from grow.page import Page
from grow.start import address
from grow.wording import amount

from .cards import money
from .label_words import words_of
from .models import PackingRun
from .print_form import SHOWN, PrintForm, choose, person_of, printed
from .printers import untrue
from .printing import held_says
from .shop_shelf import Reduced, reduced_by

#: So many entries back a lot's is looked for.
MOST = 500


def reduced_page(request: HttpRequest) -> HttpResponseBase:
    """Labels for what one entry reduced, as many as packs bear the lower price; without one what
    was reduced lately, to be chosen from."""
    person = person_of(request)
    if not roles.may(person, "mark_down"):
        raise PermissionDenied("“Reduce” is not among your tasks.")
    with clock.one_zone():
        try:
            found = _told(person, request.GET)
        except Refusal as refusal:
            return _choose(request, person, refusal)
        if found is None:
            return _choose(request, person)
        lot = Lot.objects.get(pk=found.lot)
        price = money(found.pence, Business.the().currency)
        form = PrintForm.of(request, count=found.quantity if lot.unit == "each" else 1)
        return printed(
            request,
            form,
            lambda: form.pdf(
                [(_label(lot, price), form.cleaned_data["count"])], f"Reduced, {lot.code}"
            ),
            f"reduced-{lot.code}",
            title="Reduced labels",
            subject={
                "name": f"{lot.title}, {price}",
                "code": lot.code,
                "says": f"{amount(found.quantity, lot.unit, kind=lot.kind)} · Stick it beside the "
                "pack’s own label, where it covers neither the date nor the allergens.",
            },
            cautions=[*held_says(lot), *untrue()],
            after=[("Reduce more", address("mark_down"))],
        )


def _marks(person: Person) -> QuerySet[Event]:
    rows = scope.seen(Event.objects.filter(alive(), kind="mark_down"), person)
    return rows.order_by("-placed_at", "-pk")


def _told(person: Person, asked: QueryDict) -> Reduced | None:
    """Raises Refusal for a lot or an entry that was not reduced."""
    code, text = asked.get("lot", "").strip(), asked.get("event", "")
    if code:
        (lot,) = rows_called(Lot, [code], person)
        if isinstance(lot, NotKnown):
            raise lot
        for mark in map(reduced_by, _marks(person)[:MOST]):
            if mark.lot == lot.pk:
                return mark
        raise Refusal("not_reduced", f"{lot.code} was not reduced.")
    if not text:
        return None
    known = text.isascii() and text.isdigit() and int(text) < 2**63
    event = _marks(person).filter(pk=int(text)).first() if known else None
    if event is None:
        raise Refusal("not_reduced", "There is no such entry that reduced anything.")
    return reduced_by(event)


def _choose(
    request: HttpRequest, person: Person, refusal: Refusal | None = None
) -> HttpResponseBase:
    marks = [reduced_by(event) for event in _marks(person)[:SHOWN]]
    lots = Lot.objects.in_bulk([mark.lot for mark in marks])
    currency = Business.the().currency
    return choose(
        request,
        title="Reduced labels",
        asks="Reduced lot",
        picks=[
            (
                lots[mark.lot].code,
                lots[mark.lot].title,
                f"{amount(mark.quantity, lots[mark.lot].unit)} at {money(mark.pence, currency)}",
            )
            for mark in marks
        ],
        nothing="Nothing was reduced yet.",
        refusal=refusal,
    )


def _label(lot: Lot, price: str) -> Label:
    """The QR is that of the pack's own label, for a till and for whoever holds it alike."""
    run = PackingRun.objects.filter(lot=lot).select_related("lot__made_by", "product").first()
    said = words_of(run).qr if run else ""
    # what a till is to read has modules of a size that tills read
    qr = Qr(said, sizes_mm=TILL_MM) if "/01/" in said else Qr(said or lot.code)
    return reduced_label(lot=lot.code, name=lot.title, price=price, qr=qr)


REDUCED_PAGES = [
    Page(
        "labels/reduced/",
        "reduced_labels",
        "Reduced labels",
        None,
        reduced_page,
        in_menu=False,
        may=lambda person: roles.may(person, "mark_down"),
    ),
]
