"""Labels of a run, and crate tags, as a PDF to print."""

from __future__ import annotations

from functools import partial
from typing import Any

from django import forms
from django.db.models import Exists, OuterRef, QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, devices, labels, roles, scope, short
from grow.edge import tell
from grow.errors import Conflict, NotKnown, Refusal
from grow.finding import rows_called
from grow.models import Hold, Lot, LotKind, Person, Tag, alive
from grow.page import Page
from grow.pages import new_id
from grow.short import Short
from grow.start import address
from grow.wording import amount

from .label_words import Words, decision, words_of
from .labels import run_label, run_of, stock_of
from .models import LabelStock, PackingRun, Printer
from .printing import label_counts, stocks_known

#: Who prints: whoever keeps the rolls and sheets.
PRINTS = "sales.change_labelstock"
MOST = 2000
_SHOWN = 20


class PrintForm(Short):
    count = short.number("How many", 1, MOST)
    stock = forms.ModelChoiceField(
        label="On which labels",
        queryset=LabelStock.objects.all(),
        widget=forms.RadioSelect,
        empty_label=None,
        error_messages={"required": "Choose the labels that are in the printer."},
    )
    first = short.number(
        "First free label on the sheet",
        1,
        1000,
        required=False,
        help_text="Counted along the rows. 1 is a full sheet.",
    )

    printer = forms.ModelChoiceField(
        label="On which printer",
        queryset=Printer.objects.all(),
        widget=forms.RadioSelect,
        empty_label=None,
        required=False,
    )
    client_id = forms.CharField(required=False, max_length=64, widget=forms.HiddenInput)

    goes_with = frozenset({"first", "printer"})

    def stocks(self) -> list[tuple[LabelStock, Any]]:
        """Each stock beside its button."""
        field = self.fields["stock"]
        assert isinstance(field, forms.ModelChoiceField)
        rows = {str(row.pk): row for row in field.queryset or ()}
        return [(rows[str(o.data["value"])], o) for o in self["stock"].subwidgets]

    def chosen(self) -> LabelStock:
        return self.cleaned_data["stock"]

    def dpi(self) -> int:
        printer = self.cleaned_data["printer"]
        return printer.dpi if printer else labels.USUAL_DPI

    def first_place(self) -> int:
        return (self.cleaned_data["first"] or 1) if self.chosen().columns else 1


def _usual_stock() -> LabelStock | None:
    """What was printed on last, else the first."""
    used = LabelStock.objects.filter(last_used__isnull=False).order_by("-last_used").first()
    return used or LabelStock.objects.first()


def _person(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    return request.user


def _pdf(content: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'attachment; filename="{name}.pdf"'
    return answer


def _form(request: HttpRequest, count: int) -> PrintForm:
    initial = {
        "count": count,
        "stock": _usual_stock(),
        "first": 1,
        "printer": Printer.objects.order_by("-measured_at", "name").first(),
        "client_id": new_id(),
    }
    return PrintForm(request.POST if request.method == "POST" else None, initial=initial)


def _show(request: HttpRequest, form: PrintForm, refusal: Refusal | None, **more: Any):
    context = {
        "stocks": form.stocks(),
        "printers": Printer.objects.exists(),
        "no_stock": not LabelStock.objects.exists(),
        **more,
    }
    return short.page(
        request,
        form,
        button="Make the PDF",
        refusal=refusal,
        template="sales/labels.html",
        **context,
    )


# --- of a run ------------------------------------------------------------------------------------


def labels_page(request: HttpRequest) -> HttpResponseBase:
    """Without a lot the runs to choose from; with one its labels. A press answers with the PDF."""
    person = _person(request)
    with clock.one_zone():
        code = request.GET.get("lot", "").strip()
        if not code:
            return _runs_page(request, person)
        (lot,) = rows_called(Lot, [code], person)
        try:
            if isinstance(lot, NotKnown):
                raise lot
            run = run_of(lot)
        except Refusal as refusal:
            return _runs_page(request, person, refusal)
        return _run_page(request, person, run)


def _runs_page(
    request: HttpRequest, person: Person, refusal: Refusal | None = None
) -> HttpResponseBase:
    runs: QuerySet[PackingRun] = scope.seen(PackingRun.objects.all(), person)
    runs = runs.filter(alive("lot__made_by")).select_related("lot").order_by("-lot_id")
    context = {
        "title": "Labels",
        "runs": runs[:_SHOWN],
        "refusal": refusal,
        "is_nav_sidebar_enabled": False,
    }
    status = 422 if refusal else 200
    return TemplateResponse(request, "sales/label_runs.html", context, status=status)


def _run_page(request: HttpRequest, person: Person, run: PackingRun) -> HttpResponseBase:
    (counts,) = label_counts(run)
    form = _form(request, max(1, run.packs + counts.spoiled - counts.printed))
    refusal = None
    if request.method == "POST" and form.is_valid():
        try:
            content = _printed(request, run, form)
        except Refusal as found:
            refusal = found
        else:
            return _pdf(content, f"labels-{run.lot.code}")
    decided = decision(run.product, clock.number_day(run.lot.made_by.day))
    said = words_of(run)
    code = run.lot.code
    return _show(
        request,
        form,
        refusal,
        title="Labels",
        subject={"name": run.name, "code": code, "says": _says(run, said)},
        said=said,
        counts=counts,
        cautions=[*_held(run.lot), *([said.missing] if said.lacks else []), *_untrue()],
        plain=decided is None,
        again=True,
        after=[
            (words, address(kind, **fills))
            for kind, words, fills in (
                ("spoil_labels", "Labels spoiled", {"run": code}),
                ("relabel", "Earlier date", {"run": code}),
                ("put_on_shelf", "Put on shelf", {}),
                ("deliver", "Send out", {}),
            )
            if roles.may(person, kind)
        ],
    )


def _printed(request: HttpRequest, run: PackingRun, form: PrintForm) -> bytes:
    """The PDF, and the count of what is printed on the books. Drawn first: what does not fit is
    not printed. Raises Refusal."""
    stock, count = form.chosen(), form.cleaned_data["count"]
    content = labels.pdf(
        stock_of(stock),
        [(run_label(run), count)],
        title=f"{run.name}, {run.lot.code}",
        first=form.first_place(),
        dpi=form.dpi(),
        larger=stocks_known(),
    )
    say = partial(
        tell,
        _person(request),
        "print_labels",
        {"run": run.lot.code, "count": count},
        device=devices.noted(request),
    )
    try:
        say(client_id=form.cleaned_data["client_id"] or new_id())
    except Conflict:  # another number from the same page is another printing
        say(client_id=new_id())
    LabelStock.objects.filter(pk=stock.pk).update(last_used=clock.now())
    return content


def _untrue() -> list[str]:
    """Printers that print longer or shorter than they should."""
    return [
        f"{p} printed a line of {p.RULER_MM} mm as {p.measured_mm} mm: print at full size, and "
        "measure its test label again."
        for p in Printer.objects.exclude(measured_mm=None)
        if not p.is_true
    ]


def _says(run: PackingRun, words: Words) -> str:
    said = [f"{amount(run.packs, 'each', kind=LotKind.PACK)} of {words.amount}"]
    dated = f"{words.date_kind.lower()} {words.date}" if words.date else "no date is printed"
    said.append(dated)
    if run.allergens:
        said.append(f"contains {run.allergens}")
    return " · ".join(said)


def _held(lot: Lot) -> list[str]:
    held = Hold.objects.filter(lot=lot, ended_by=None)
    return [f"{lot.code} is held: {hold.reason}. It may not go out." for hold in held]


# --- crate tags ----------------------------------------------------------------------------------


def _unused() -> QuerySet[Tag]:
    used = Lot.objects.filter(code=OuterRef("code"))
    return Tag.objects.filter(~Exists(used), alive("printed_by")).order_by("pk")


def tags_page(request: HttpRequest, block: str) -> HttpResponseBase:
    """A tag for each unused code of one block, by its entry's number, or of "all" blocks."""
    person = _person(request)
    tags = scope.seen(_unused(), person)
    if block.isascii() and block.isdigit() and int(block) < 2**63:
        tags = tags.filter(printed_by=int(block))
    codes = list(tags.values_list("code", flat=True)[:MOST])
    if not codes:
        return HttpResponseRedirect(reverse("admin:act", args=["print_tags"]))
    form = _form(request, len(codes))
    refusal = None
    if request.method == "POST" and form.is_valid():
        wanted = codes[: form.cleaned_data["count"]]
        try:
            content = labels.pdf(
                stock_of(form.chosen()),
                [(labels.crate_tag(code), 1) for code in wanted],
                title=f"Crate tags {wanted[0]} to {wanted[-1]}",
                first=form.first_place(),
            )
        except Refusal as found:
            refusal = found
        else:
            return _pdf(content, f"crate-tags-{wanted[0]}")
    several = f"{codes[0]} to {codes[-1]}" if codes[1:] else codes[0]
    return _show(
        request,
        form,
        refusal,
        title="Crate tags",
        subject={
            "name": f"{len(codes)} unused tag{'' if len(codes) == 1 else 's'}",
            "code": several,
            "says": "One on each crate: its code is the lot of the cut that is weighed in it.",
        },
        after=[("Cut", address("harvest"))] if roles.may(person, "harvest") else [],
    )


LABEL_PAGES = [
    Page("labels/", "labels", "Labels", PRINTS, labels_page),
    Page("labels/crate-tags/<slug:block>/", "crate_tags", "Crate tags", PRINTS, tags_page),
]
