"""The weights of a run: typed, or sent by a scale, and what they say; and the record of a run on
one page, for whoever asks days later."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, devices, roles, scope, short
from grow.edge import tell
from grow.errors import Conflict, NotKnown, Refusal
from grow.flat import columns_of, download
from grow.models import Business, Event, Lot, Person, Thing
from grow.page import Page
from grow.pages import Way, new_id, would_be_written
from grow.rest import shown
from grow.start import WAYS, address

from .models import PackingRun
from .run_record import record_of
from .run_weights import CALLED, Weighed, run_called, weights_of
from .weight_words import asks, by_weighing, record_says, scale_says, what_they_say
from .weights import Bad, Read, weights_from
from .weights.words import plainly

#: Who weighs: whoever may tell it.
WEIGHS = "weigh_packs"
#: Who reads the record: whoever looks at runs.
READS = "sales.view_packingrun"
_LONGEST = 50_000


class WeighForm(short.Short):
    goes_with = frozenset({"weights"})

    weights = forms.CharField(
        label="Weights, in grams",
        required=False,  # the act says in its own words that there are none
        strip=False,
        max_length=_LONGEST,
        help_text="One a line. A scale or a scanner that types presses Enter by itself.",
        widget=forms.Textarea(
            {
                "rows": 7,
                "autocomplete": "off",
                "autocapitalize": "off",
                "spellcheck": "false",
                "class": "typed-weights",
            }
        ),
    )
    with_bag = forms.BooleanField(required=False)
    scale = forms.ModelChoiceField(
        label="On which scale",
        queryset=Thing.objects.none(),
        required=False,
        empty_label="Not one of these",
        widget=forms.RadioSelect,
        error_messages={"invalid_choice": "Choose a scale from the list."},
    )

    def __init__(self, run: PackingRun, scales: QuerySet[Thing], *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        one = CALLED[run.product.form][0]
        chosen = self.fields["scale"]
        assert isinstance(chosen, forms.ModelChoiceField)
        chosen.queryset = scales
        self.fields["with_bag"].label = f"With the {one} on"
        tare = run.empty_g
        self.fields["with_bag"].help_text = f"{plainly(tare)} g is taken off each."
        if not tare:
            del self.fields["with_bag"]
        if not scales:
            del self.fields["scale"]


# --- the weights of a run ------------------------------------------------------------------------


def weights_page(request: HttpRequest, code: str) -> HttpResponseBase:
    """What is to be weighed, a field for the weights, and what those of the run say."""
    person = _person(request)
    with clock.one_zone():
        run = _run(code, person)
        scales = scope.seen(Thing.objects.filter(kind=Thing.Kind.SCALE), person)
        if request.method != "POST":
            waited = devices.take_kept(request) if devices.noted(request) else None
            form = WeighForm(run, scales, waited, initial={"scale": _last_scale(run, scales)})
            return _show(request, person, run, form)
        form = WeighForm(run, scales, request.POST)
        if not form.is_valid():
            return _show(request, person, run, form, status=422)
        read = _net(form, run)
        if read.bad:
            return _show(request, person, run, form, bad=read.bad, status=422)
        return _tell(request, person, run, form, read)


def _net(form: WeighForm, run: PackingRun) -> Read:
    """What was typed, less the pack's tare where it was weighed with it."""
    read = weights_from(form.cleaned_data["weights"])
    if not form.cleaned_data.get("with_bag"):
        return read
    tare = run.empty_g
    light = [
        Bad(
            number,
            plainly(grams),
            "under_tare",
            f"Weight {number}: {plainly(grams)} g is no more than the empty "
            f"{CALLED[run.product.form][0]}, {plainly(tare)} g.",
        )
        for number, grams in enumerate(read.weights, 1)
        if grams <= tare
    ]
    return Read(tuple(grams - tare for grams in read.weights), read.bad or tuple(light))


def _tell(
    request: HttpRequest, person: Person, run: PackingRun, form: WeighForm, read: Read
) -> HttpResponseBase:
    scale = form.cleaned_data.get("scale")
    data: dict[str, Any] = {"run": run.lot.code, "weights": [plainly(g) for g in read.weights]}
    if scale:
        data["scale"] = scale.name
    if request.POST.get("already_done"):
        data["already_done"] = "yes"
    sent_id, device = request.POST.get("client_id", ""), devices.noted(request)
    try:
        event = tell(person, WEIGHS, data, client_id=sent_id, device=device, exact=True)
    except Refusal as refusal:
        status = 422 if isinstance(refusal, NotKnown) else refusal.status
        ways = []
        if refusal.code == "client_id_reused":
            ways.append(Way("client_id", new_id(), "Record it as another entry"))
        if would_be_written(person, WEIGHS, data | {"already_done": "yes"}, refusal):
            ways.append(Way("already_done", "yes", "It has already happened: record it"))
        anew = isinstance(refusal, Conflict) and refusal.code == "undone"
        return _show(
            request,
            person,
            run,
            form,
            refusal=refusal,
            ways=ways,
            client_id="" if anew else sent_id,
            status=status,
        )
    one, several = CALLED[run.product.form]
    n = len(read.weights)
    says = f"Recorded: {n} {one if n == 1 else several} of {run.lot.code} weighed."
    if not device:
        messages.success(request, says)
        return HttpResponseRedirect(request.path)
    verdict = weights_of(run, person).verdict  # whoever weighed is let go, and sees it go by
    messages.success(request, f"{says} {verdict.sentence}" if verdict else says)
    return devices.after(request, event)


def _show(
    request: HttpRequest,
    person: Person,
    run: PackingRun,
    form: WeighForm,
    *,
    bad: Sequence[Bad] = (),
    refusal: Refusal | None = None,
    ways: Sequence[Way] = (),
    client_id: str = "",
    status: int = 200,
) -> HttpResponseBase:
    found = weights_of(run, person)
    context = {
        "title": "Weights of a run",
        "is_nav_sidebar_enabled": False,
        "form": form,
        "bad": bad,
        "refusal": refusal,
        "ways": ways,
        "client_id": client_id or new_id(),
        "found": found,
        "subject": _subject(run),
        "cautions": _cautions(run),
        "open": not run.lot.made_by.is_cancelled,
        "reads": plainly(found.fill_to_g),
        "tare": plainly(found.tare_g) if found.tare_g else "",
        "asks": asks(found, run.product),
        "at_another_time": address(WEIGHS, run=run.lot.code),
        "record": reverse("admin:run_record", args=[run.lot.code])
        if person.has_perm(READS)
        else "",
        "may_set_up": person.has_perm("grow.add_thing"),
        "weighings": by_weighing(found),
        "scales": [scale_says(scale) for scale in found.scales],
        **what_they_say(found, run.product),
    }
    return TemplateResponse(request, "sales/run_weights.html", context, status=status)


# --- the record of a run -------------------------------------------------------------------------


def record_page(request: HttpRequest, code: str) -> HttpResponseBase:
    """Everything of a run, on one printed page. `?as=csv` gives its weights."""
    person = _person(request)
    with clock.one_zone():
        run = _run(code, person)
        found = weights_of(run, person)
        if request.GET.get("as") == "csv":
            rows = shown(Weighed)(found.weights, many=True).data
            return download(f"weights-{run.lot.code}", columns_of(shown(Weighed)), rows)
        record = record_of(run)
        context = {
            "title": "Record of a run",
            "is_nav_sidebar_enabled": False,
            "business": Business.the(),
            "run": run,
            "found": found,
            "record": record,
            "cautions": [*_cautions(run), *(f"Held: {why}." for why in record.held)],
            **record_says(run, found, record),
            "weigh": reverse("admin:run_weights", args=[run.lot.code])
            if roles.may(person, WEIGHS)
            else "",
            "printed_at": clock.said(clock.now()),
        }
        return TemplateResponse(request, "sales/run_record.html", context)


# --- both ----------------------------------------------------------------------------------------


def _person(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    return request.user


def _run(code: str, person: Person) -> PackingRun:
    try:
        return run_called(code, person)
    except NotKnown as unknown:
        raise Http404(unknown.sentence) from unknown


def _last_scale(run: PackingRun, scales: QuerySet[Thing]) -> Thing | None:
    """What was weighed on last, else the run's own, else the only one."""
    used = scales.filter(events__kind=WEIGHS).order_by("-events__recorded_at").first()
    if used or run.scale:
        return used or run.scale
    return scales[0] if len(scales) == 1 else None


def _subject(run: PackingRun) -> dict[str, str]:
    packed = clock.said(run.lot.made_by.happened_at, hour=False)
    one, several = CALLED[run.product.form]
    return {
        "name": run.name,
        "code": run.lot.code,
        "says": f"{run.packs} {one if run.packs == 1 else several}, packed {packed}",
    }


def _cautions(run: PackingRun) -> list[str]:
    if run.lot.made_by.is_cancelled:
        return [f"{run.lot.code} was recorded in error; nothing of it counts."]
    return []


def ways_of(person: Person, code: str) -> list[tuple[str, str]]:
    """From a run to its weights and its record, where this person may go."""
    ways = []
    if roles.may(person, WEIGHS):
        ways.append(("Weigh some", reverse("admin:run_weights", args=[code])))
    if person.has_perm(READS):
        ways.append(("Record of the run", reverse("admin:run_record", args=[code])))
    return ways


def _after_a_run(person: Person, event: Event, made: list[Lot]) -> list[tuple[str, str]]:
    if event.kind not in ("pack", "rework"):
        return []
    return [way for lot in made for way in ways_of(person, lot.code)]


WAYS.append(_after_a_run)


def may_weigh(person: Person) -> bool:
    return roles.may(person, WEIGHS)


WEIGHT_PAGES = [
    Page(
        "runs/<str:code>/weights/",
        "run_weights",
        "Weights of a run",
        None,
        weights_page,
        may=may_weigh,
        keeps=True,
    ),
    Page("runs/<str:code>/record/", "run_record", "Record of a run", READS, record_page),
]
