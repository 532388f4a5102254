"""The page of the packing bench: crates in, bags out, one press, labels.

Everything works without a script: a scanner's Enter sends the form, the page comes back with the
crate taken. A script adds what is shown while somebody types."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, QueryDict
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse

from grow import clock, devices, labels, measures, roles
from grow.asks import asks
from grow.edge import tell
from grow.errors import Conflict, NotKnown, Refusal
from grow.finding import rows_called
from grow.forms import kilograms
from grow.models import Event, Lot, LotKind, Person
from grow.offers import UNDO_WITHIN
from grow.page import Page
from grow.pages import ANSWERS, Way, new_id, would_be_written
from grow.start import address
from grow.usual import last_told, usual

from . import gs1, scans, weights
from . import packing_desk as desk
from .models import Product
from .packing_desk import Crate, Sums
from .pages_weights import ways_of
from .printing import label_counts
from .run_weights import CALLED

#: What a scanned command says; the sheet of codes beside the bench has them all.
READY, RECORD, CLEAR = _COMMANDS = ("LINE-READY", "RECORD-RUN", "START-ANEW")
_NUMBER = re.compile(r"\+?[0-9]{1,4}")
_TYPED = ("packs", "store", "line", "scale", "tank", "trim", "weighed", "target")
_KEPT = ("store", "line", "scale")


@dataclass
class Desk:
    """What the form says, as it was typed."""

    person: Person
    product: Product | None = None
    packs: str = ""
    store: str = ""
    line: str = ""
    scale: str = ""
    washed: bool = False
    tank: str = ""
    trim: str = ""
    weighed: str = ""
    target: str = ""
    client_id: str = ""
    crates: list[Crate] = field(default_factory=list)
    wrong: dict[str, str] = field(default_factory=dict)

    @property
    def shown(self) -> list[Crate]:
        """The first of them, and all that are taken."""
        first = self.crates[: desk.MOST_CRATES]
        return first + [c for c in self.crates[desk.MOST_CRATES :] if c.taken]

    @property
    def taken(self) -> list[Crate]:
        return [c for c in self.crates if c.taken]

    def weights(self) -> list[Any]:
        """The weights that can be read; what cannot be is said beside them."""
        read = weights.weights_from(self.weighed) if self.weighed.strip() else None
        if read and read.bad:
            self.wrong["weighed"] = " ".join(bad.sentence for bad in read.bad)
        return list(read.weights) if read else []

    def sums(self) -> Sums | None:
        """What it comes to so far, as far as it can be read."""
        if self.product is None or not self.product.nominal_g:
            return None
        grams = 0
        for crate in self.taken:
            left = _grams(crate.left) if crate.left else 0
            grams += max(0, crate.grams - (left or 0))
        packs = _whole(self.packs)
        weighed = self.weights()
        mean = sum(weighed) / len(weighed) if weighed else None
        nominal = self.product.nominal_g
        over = weights.giveaway_g(mean, nominal, packs) if mean else 0
        trim = _grams(self.trim, "g") or 0
        return Sums(grams, packs, packs * nominal, max(0, over), trim, mean)

    def data(self) -> dict[str, Any]:
        """As the act takes it: names, codes, and numbers as they were typed."""
        told: dict[str, Any] = {
            "product": self.product.code if self.product else "",
            "taken": [
                {"lot": c.code, "place": c.place, "left": kilograms(c.left) if c.left else "0"}
                for c in self.taken
            ],
            "packs": self.packs,
            "store": self.store,
            "line": self.line,
            "scale": self.scale,
            "washed": "yes" if self.washed else "no",
            "trim_g": self.trim,
            "target_g": self.target,
            "weights": [str(w) for w in self.weights()],
            "tanks": [self.tank] if self.washed and self.tank else [],
        }
        return {name: value for name, value in told.items() if value not in ("", [])}


def _whole(text: str) -> int:
    """A number of packs as it was typed; nought if it cannot be read."""
    return int(text) if re.fullmatch("[0-9]{1,6}", text) else 0


def _typed(asked: QueryDict, name: str) -> str:
    """What was sent, without the sign that no database takes."""
    return asked.get(name, "").replace("\0", "").strip()


def _grams(text: str, unit: str = "kg") -> int | None:
    """Grams in what was typed into a field of that unit; nothing if it cannot be read."""
    try:
        return measures.grams(text, unit) if text.strip() else None
    except Refusal:
        return None


# --- the page ------------------------------------------------------------------------------------


def pack_page(request: HttpRequest) -> HttpResponseBase:
    person = request.user
    assert isinstance(person, Person)
    if not roles.may(person, "pack"):
        raise PermissionDenied("“Pack” is not among your tasks.")
    with clock.one_zone():
        if request.method != "POST":
            waited = devices.take_kept(request) if devices.noted(request) else None
            if waited is not None:
                return _show(request, _read(person, waited))
            return _show(request, *_asked(person, request.GET))
        posted = _read(person, request.POST)
        if posted.product is None:
            return _show(request, posted, Refusal("product", "Choose what is packed."))
        pressed, _, answer = request.POST.get("press", "").partition(" ")
        scanned = _typed(request.POST, "scan")
        if scanned and pressed not in (READY, RECORD):
            return _scanned(request, posted, scanned)
        if pressed == READY:
            return _ready(request, posted)
        if pressed != RECORD:
            return _show(request, posted)
        return _record(request, posted, answer)


def _asked(person: Person, asked: QueryDict) -> tuple[Desk, Refusal | None]:
    """The page as it opens, and why what was asked for is not on it: a scanner at the first page
    may have read anything."""
    code = _typed(asked, "product")
    made = _opened(person, asked)
    if not code or made.product:
        return made, None
    if meant := gs1.mended(code, lambda text: _product(text) is not None):
        made = _opened(person, QueryDict(f"product={quote(meant.text)}"))
        return made, Refusal("keyboard", meant.says)
    return made, NotKnown("no_product", f"No product that is packed has the code “{code[:40]}”.")


def _product(code: str) -> Product | None:
    return Product.objects.filter(code__iexact=code, nominal_g__isnull=False).first()


def _opened(person: Person, asked: QueryDict) -> Desk:
    """The page as it opens: what was usual at the last run is filled in, and the only product."""
    packed = Product.objects.filter(nominal_g__isnull=False)
    product = _product(_typed(asked, "product"))
    if product is None and "product" not in asked and len(rows := list(packed[:2])) == 1:
        product = rows[0]
    own = [ask for ask in asks("pack") if ask.name in _KEPT]
    known = usual("pack", own, last_told("pack", person))
    stores, lines, scales = desk.stores(), desk.lines(), desk.scales()
    made = Desk(
        person,
        product,
        store=asked.get("store") or known.get("store") or (stores[0].name if stores else ""),
        line=known.get("line") or (lines[0].name if lines else ""),
        scale=known.get("scale") or (scales[0].name if len(scales) == 1 else ""),
        client_id=new_id(),
    )
    if product:
        _of_product(made, product)
        made.crates = desk.crates(person, product)
        _take(made, asked.getlist("crate"))
    return made


def _of_product(made: Desk, product: Product) -> None:
    """What hangs on the product: its target, and whether it is washed, in which tank."""
    made.product = product
    made.target = f"{product.target_g.normalize():f}" if product.target_g else ""
    made.washed, made.weighed = desk.was_washed(product), ""
    made.tank = next((place.name for place in desk.tanks()), "") if made.washed else ""


def _read(person: Person, posted: QueryDict) -> Desk:
    product = _product(_typed(posted, "product"))
    made = Desk(
        person,
        product,
        washed=posted.get("washed") == "yes",
        client_id=_typed(posted, "client_id") or new_id(),
    )
    for name in _TYPED:
        setattr(made, name, _typed(posted, name))
    for name in _TYPED:
        setattr(made, name, _typed(posted, name))
    if product:
        made.crates = desk.crates(person, product)
        keys = set(posted.getlist("take"))
        for crate in made.crates:
            crate.taken = crate.key in keys
            if posted.get(f"left-is-{crate.key}") == "some":
                crate.left = posted.get(f"left-{crate.key}", "").strip() or "?"
    return made


def _take(made: Desk, codes: list[str]) -> None:
    for crate in made.crates:
        if crate.code in codes and not crate.why_not:
            crate.taken = True


# --- a scan --------------------------------------------------------------------------------------


def _scanned(request: HttpRequest, made: Desk, text: str) -> HttpResponseBase:
    """A code chooses; a number sets the packs, with a plus it adds to them; a command acts."""
    command = text.upper()
    if command == RECORD:
        return _record(request, made)
    if command == READY:
        return _ready(request, made)
    if command == CLEAR:
        return HttpResponseRedirect(reverse("admin:pack"))
    if _NUMBER.fullmatch(text):
        before = _whole(made.packs)
        made.packs = str(before + int(text) if text.startswith("+") else int(text))
        return _show(request, made, heard=f"{made.packs} packs.")
    if other := _product(text):
        _of_product(made, other)
        had = {c.key: c for c in made.taken}
        made.crates = desk.crates(made.person, other)
        for crate in made.crates:
            if crate.key in had and not crate.why_not:
                crate.taken, crate.left = True, had[crate.key].left
        return _show(request, made, heard=f"{other}.")
    if meant := gs1.mended(text, lambda text: text.upper() in _COMMANDS or bool(_product(text))):
        return _show(request, made, Refusal("keyboard", f"{meant.says} Then scan it again."))
    try:
        heard = _scanned_crate(made, text)
    except Refusal as refusal:
        return _show(request, made, refusal)
    if meant := scans.mended(text):
        heard = f"{heard} {meant.says}"
    return _show(request, made, heard=heard)


def _scanned_crate(made: Desk, text: str) -> str:
    """Take the crate that was scanned. Raises Refusal, with why it cannot be taken."""
    (lot,) = rows_called(Lot, [text], made.person)
    if isinstance(lot, NotKnown):
        raise lot
    found = [c for c in made.crates if c.lot == lot.pk]
    if not found:
        if lot.kind == LotKind.PACK:
            raise Refusal("rework", f"{lot.code} is packed already; opened bags are reworked.")
        raise Refusal("not_in_store", desk.where_else(lot, made.person))
    free = [c for c in found if not c.taken]
    if not free:
        raise Refusal("twice", f"{lot.code} is taken already; once is enough.")
    crate = free[0]
    if crate.why_not:
        raise Refusal("not_to_be_packed", f"{lot.code} cannot be packed. {crate.why_not}.")
    crate.taken = True
    return f"{crate.title}, {lot.code}, is taken."


# --- a press -------------------------------------------------------------------------------------


def _ready(request: HttpRequest, made: Desk) -> HttpResponseBase:
    """The line was looked over, in one press; the run goes on as it was typed."""
    try:
        tell(
            made.person,
            "look_over",
            {"line": made.line},
            client_id=request.POST.get("ready_id", "") or new_id(),
            device=devices.noted(request),
        )
    except Refusal as refusal:
        return _show(request, made, refusal)
    return _show(request, made, heard="The line is ready.")


def _record(request: HttpRequest, made: Desk, answer: str = "") -> HttpResponseBase:
    """One press records the run and leads to its labels. answer: what the press said besides, to
    what was asked back."""
    for crate in made.taken:
        if crate.left == "?":
            crate.wrong = "Weigh what is left, or say that the crate is empty."
    made.weights()
    if made.wrong or any(c.wrong for c in made.taken):
        said = next(iter([*made.wrong.values(), *(c.wrong for c in made.taken if c.wrong)]))
        return _show(request, made, Refusal("unread", said))
    answers = {name for name in _ANSWERS if request.POST.get(name)} | {answer}
    data = made.data() | {name: "yes" for name in answers if name in (*_ANSWERS, "already_done")}
    device = devices.noted(request)
    try:
        event = tell(made.person, "pack", data, client_id=made.client_id, device=device)
    except Refusal as refusal:
        return _refused(request, made, data, refusal)
    return HttpResponseRedirect(f"{reverse('admin:labels')}?lot={event.lot.code}")


_ANSWERS = tuple(name for name, _ in ANSWERS.values())


def _refused(
    request: HttpRequest, made: Desk, data: Mapping[str, Any], refusal: Refusal
) -> HttpResponseBase:
    ways = []
    if refusal.code in ANSWERS:
        name, label = ANSWERS[refusal.code]
        ways.append(Way(name, "yes", label))
    if isinstance(refusal, Conflict):
        made.client_id = new_id()
        ways.append(Way("another", "", "Record it as another run"))
    elif would_be_written(made.person, "pack", {**data, "already_done": "yes"}, refusal):
        ways.append(Way("already_done", "yes", "It has already happened: record it"))
    return _show(request, made, refusal, ways=ways)


# --- what is shown -------------------------------------------------------------------------------


def _show(
    request: HttpRequest,
    made: Desk,
    refusal: Refusal | None = None,
    *,
    ways: list[Way] | None = None,
    heard: str = "",
) -> HttpResponseBase:
    place = next((p for p in desk.lines() if p.name == made.line), None)
    context: dict[str, Any] = {
        "title": "Pack",
        "desk": made,
        "sums": made.sums(),
        "products": desk.products(),
        "line": desk.line_now(place, made.product) if place else None,
        "stores": desk.stores(),
        "lines": desk.lines(),
        "scales": desk.scales(),
        "tanks": desk.tanks(),
        "closed": CALLED[made.product.form][1].capitalize() if made.product else "",
        "runs": _done(request, made.person),
        "refusal": refusal,
        "ways": ways or [],
        "answered": [
            n
            for n in _ANSWERS
            if refusal and (request.POST.get(n) or request.POST.get("press", "").endswith(f" {n}"))
        ],
        "heard": heard,
        "ready_id": new_id(),
        "say": {"ready": READY, "record": RECORD, "clear": CLEAR},
        "is_nav_sidebar_enabled": False,
    }
    return TemplateResponse(request, "sales/pack.html", context, status=422 if refusal else 200)


def _done(request: HttpRequest, person: Person) -> list[desk.Done]:
    out = []
    runs = desk.runs_today(person)
    for run, counts in zip(runs, label_counts(*runs), strict=True):
        event: Event = run.lot.made_by
        gone = run.gone
        fresh = (clock.now() - event.recorded_at) <= UNDO_WITHIN
        undo = fresh and event.recorded_by_id == person.pk and not gone
        ways = [
            (words, address(kind, **fills))
            for kind, words, fills in (
                ("spoil_labels", "Labels spoiled", {"run": run.lot.code}),
                ("cancel", "Cancel", {"event": str(event.pk)}),
            )
            if roles.may(person, kind) and not gone and not (kind == "cancel" and undo)
        ]
        ways += [] if gone else ways_of(person, run.lot.code)
        out.append(
            desk.Done(
                run,
                counts,
                f"{clock.local(event.happened_at):%H:%M}",
                str(event.recorded_by),
                gone,
                undo,
                ways,
            )
        )
    return out


def codes_page(request: HttpRequest) -> HttpResponseBase:
    """A sheet to hang beside the bench: a scanner alone then runs the page."""
    person = request.user
    assert isinstance(person, Person)
    if not roles.may(person, "pack"):
        raise PermissionDenied("“Pack” is not among your tasks.")
    says = [(p.name, p.code) for p in desk.products()]
    says += [("One more pack", "+1"), ("Five more", "+5"), ("Ten more", "+10")]
    says += [("The line is ready", READY), ("Record the run", RECORD), ("Start anew", CLEAR)]
    cards = [(labels.code_card(name, code), 1) for name, code in says]
    content = labels.pdf(labels.CARDS, cards, title="Codes for the packing bench")
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = 'attachment; filename="packing-codes.pdf"'
    return answer


PACK_PAGES = [
    Page(
        "pack/codes/",
        "pack_codes",
        "Codes for the packing bench",
        None,
        codes_page,
        in_menu=False,
        may=lambda person: roles.may(person, "pack"),
    ),
    Page(
        "pack/",
        "pack",
        "Pack",
        None,
        pack_page,
        may=lambda person: roles.may(person, "pack"),
        keeps=True,
    ),
]
