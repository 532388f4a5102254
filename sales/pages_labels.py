"""Labels of a run, and crate tags, as a PDF to print."""

from __future__ import annotations

from functools import partial

from django.db.models import Exists, OuterRef, QuerySet
from django.http import HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.urls import reverse

from grow import clock, devices, labels, roles, scope
from grow.edge import tell
from grow.errors import Conflict, NotKnown, Refusal
from grow.finding import rows_called
from grow.models import Lot, LotKind, Person, Tag, alive
from grow.page import Page
from grow.pages import new_id
from grow.start import address
from grow.wording import amount

from .label_words import Words, decision, words_of
from .labels import run_label, run_of
from .models import PackingRun
from .pages_weights import ways_of
from .print_form import MOST, PRINTS, SHOWN, PrintForm, choose, pdf_answer, person_of, show
from .printers import untrue
from .printing import held_says, label_counts

# --- of a run ------------------------------------------------------------------------------------


def labels_page(request: HttpRequest) -> HttpResponseBase:
    """Without a lot the runs to choose from; with one its labels. A press answers with the PDF."""
    person = person_of(request)
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
    return choose(
        request,
        title="Labels",
        asks="Run",
        picks=[(run.lot.code, run.name, _packed(run)) for run in runs[:SHOWN]],
        nothing="Nothing is packed yet.",
        refusal=refusal,
    )


def _packed(run: PackingRun) -> str:
    packs = amount(run.packs, "each", kind=LotKind.PACK)
    return f"{packs} · use by {run.use_by:%d %b}" if run.use_by else packs


def _run_page(request: HttpRequest, person: Person, run: PackingRun) -> HttpResponseBase:
    (counts,) = label_counts(run)
    form = PrintForm.of(request, count=max(1, counts.under))
    refusal = None
    if request.method == "POST" and form.is_valid():
        try:
            content = _printed(request, run, form)
        except Refusal as found:
            refusal = found
        else:
            return pdf_answer(content, f"labels-{run.lot.code}")
    decided = decision(run.product, clock.number_day(run.lot.made_by.day))
    said = words_of(run)
    code = run.lot.code
    return show(
        request,
        form,
        refusal,
        title="Labels",
        subject={"name": run.name, "code": code, "says": _says(run, said)},
        said=said,
        counts=counts,
        cautions=[*held_says(run.lot), *([said.missing] if said.lacks else []), *untrue()],
        plain=decided is None,
        decides=f"{reverse('admin:sales_decisioncard_add')}?product={run.product_id}"
        if person.has_perm("sales.add_decisioncard")
        else "",
        again=True,
        after=[
            (words, address(kind, **fills))
            for kind, words, fills in (
                ("spoil_labels", "Labels spoiled", {"run": code}),
                ("relabel", "Earlier date", {"run": code}),
                ("put_on_shelf", "Put on shelf", {"by": "shelf"}),
                ("deliver", "Send out", {"by": "note"}),
            )
            if roles.may(person, kind)
        ]
        + ways_of(person, code),
    )


def _printed(request: HttpRequest, run: PackingRun, form: PrintForm) -> bytes:
    """The PDF, and the count of what is printed on the books. Drawn first: what does not fit is
    not printed. Raises Refusal."""
    count = form.cleaned_data["count"]
    content = form.pdf([(run_label(run), count)], f"{run.name}, {run.lot.code}")
    say = partial(
        tell,
        person_of(request),
        "print_labels",
        {"run": run.lot.code, "count": count},
        device=devices.noted(request),
    )
    try:
        told = say(client_id=form.cleaned_data["client_id"] or new_id())
    except Conflict:  # another number from the same page is another printing
        told = say(client_id=new_id())
    if devices.noted(request):
        devices.let_go(request, told)  # the run began at the bench, and ends with its labels
    return content


def _says(run: PackingRun, words: Words) -> str:
    said = [f"{amount(run.packs, 'each', kind=LotKind.PACK)} of {words.amount}"]
    dated = f"{words.date_kind.lower()} {words.date}" if words.date else "no date is printed"
    said.append(dated)
    if run.allergens:
        said.append(f"contains {run.allergens}")
    return " · ".join(said)


# --- crate tags ----------------------------------------------------------------------------------


def _unused() -> QuerySet[Tag]:
    used = Lot.objects.filter(code=OuterRef("code"))
    return Tag.objects.filter(~Exists(used), alive("printed_by")).order_by("pk")


def tags_page(request: HttpRequest, block: str) -> HttpResponseBase:
    """A tag for each unused code of one block, by its entry's number, or of "all" blocks."""
    person = person_of(request)
    tags = scope.seen(_unused(), person)
    if block.isascii() and block.isdigit() and int(block) < 2**63:
        tags = tags.filter(printed_by=int(block))
    codes = list(tags.values_list("code", flat=True)[:MOST])
    if not codes:
        return HttpResponseRedirect(reverse("admin:act", args=["print_tags"]))
    form = PrintForm.of(request, count=len(codes))
    refusal = None
    if request.method == "POST" and form.is_valid():
        wanted = codes[: form.cleaned_data["count"]]
        try:
            content = form.pdf(
                [(labels.crate_tag(code), 1) for code in wanted],
                f"Crate tags {wanted[0]} to {wanted[-1]}",
            )
        except Refusal as found:
            refusal = found
        else:
            return pdf_answer(content, f"crate-tags-{wanted[0]}")
    several = f"{codes[0]} to {codes[-1]}" if codes[1:] else codes[0]
    return show(
        request,
        form,
        refusal,
        title="Crate tags",
        subject={
            "name": f"{len(codes)} unused tag{'' if len(codes) == 1 else 's'}",
            "code": several,
            "says": "One on each crate: its code is the lot of the cut that is weighed in it.",
        },
        cautions=untrue(),
        after=[("Cut", address("harvest"))] if roles.may(person, "harvest") else [],
    )


LABEL_PAGES = [
    Page("labels/", "labels", "Labels", PRINTS, labels_page),
    Page("labels/crate-tags/<slug:block>/", "crate_tags", "Crate tags", PRINTS, tags_page),
]
