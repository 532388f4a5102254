"""What leads a new farm from nothing to its first traced bag: which steps there are, which are
done, and what each of them sets up. Done is read from the books, never ticked."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError
from django.db.models import Exists
from django.db.models.functions import Lower
from django.urls import reverse

from grow import clock, gate
from grow.errors import Refusal
from grow.models import (
    Business,
    Crop,
    Event,
    Lot,
    LotKind,
    Person,
    Place,
    PlaceKind,
    PlantSite,
    Tag,
    alive,
)
from grow.start import address, traced_at

from .models import FirstSteps, LabelCount, LabelStock, Outlet, PackingRun, Product, RecipeLine

#: Who is led: whoever may name the business.
LEADS = "grow.change_business"
_SHELVED = ("put_on_shelf", "deliver")


@dataclass(frozen=True)
class Step:
    """One step: posts is a press that does it at once, without a page of its own."""

    name: str
    title: str
    says: str
    url: str
    done: bool = False
    next: bool = False
    posts: bool = False


def _known() -> dict[str, bool]:
    """What of each there is already: one question to the books."""
    asked = {
        "away": FirstSteps.objects.all(),
        "business": Business.objects.all(),
        "outlets": Outlet.objects.all(),
        "crops": Crop.objects.all(),
        "product": Product.objects.filter(nominal_g__isnull=False),
        "label_stock": LabelStock.objects.all(),
        "tags": Tag.objects.all(),
        "crate": Lot.objects.filter(kind__in=[LotKind.HARVEST, LotKind.PRODUCE]),
        "pack": PackingRun.objects.all(),
        "stock_used": LabelStock.objects.filter(last_used__isnull=False),
        "labels": LabelCount.objects.filter(alive("event"), printed__gt=0),
        "shelf": Event.objects.filter(kind__in=_SHELVED),
        "shop": Outlet.objects.filter(wants_notes=False),
        "sites": PlantSite.objects.all(),
        "opening": Event.objects.filter(kind="opening_entry"),
    }
    # any one row will do: the sources and ends are always there
    row = Place.objects.annotate(**{f"has_{name}": Exists(rows) for name, rows in asked.items()})
    found = row.values(*(f"has_{name}" for name in asked))[:1].get()
    return {name: found[f"has_{name}"] for name in asked}


def _page(step: str) -> str:
    return reverse("admin:first_step", args=[step])


def _steps(known: dict[str, bool]) -> tuple[list[Step], list[Step]]:
    """(set up once, then every day)."""
    run = PackingRun.objects.order_by("-lot_id").select_related("lot").first()
    once = [
        Step("business", "Name the business", "Its name, time zone and currency", ""),
        Step("outlets", "Who it is for", "Your shop, your kitchen, others", ""),
        Step("crops", "What you grow", "Tick it on the starter list", ""),
        Step("product", "One product", "A bag, a punnet: name and weight", ""),
        Step("label_stock", "The labels you have", "A roll, or A4 sheets", ""),
    ]
    once = [Step(s.name, s.title, s.says, _page(s.name), known[s.name]) for s in once]
    labels = reverse("admin:labels") + (f"?lot={run.lot.code}" if run else "")
    shelf = "put_on_shelf" if known["shop"] or not known["outlets"] else "deliver"
    # the first time nothing is usual yet; afterwards the form knows it by itself
    store = Place.objects.filter(kind=PlaceKind.STORE, belongs_to=None).order_by("pk").first()
    into = {"store": store.name} if store else {}
    daily = [
        Step(
            "tags",
            "Make crate tags",
            "A code for each crate, on paper",
            address("print_tags", count="24"),
            known["tags"] or known["crate"],
        ),
        Step(
            "crate",
            "Book a crate",
            "Weight, and its tag",
            address("harvest", **into),
            known["crate"],
        ),
        Step("pack", "Pack it", "Crates in, packs out", address("pack", **into), known["pack"]),
        Step(
            "labels",
            "Print its labels",
            "Lot, date and weight",
            labels,
            known["labels"] or known["stock_used"],
        ),
        Step(
            "shelf",
            "Put it on the shelf" if shelf == "put_on_shelf" else "Send it out",
            "And say where it went",
            address(shelf),
            known["shelf"],
        ),
        Step(
            "trace",
            f"Trace {run.lot.code}" if run else "Trace it",
            "From the shelf back to the crate",
            _page("trace"),
            posts=True,
        ),
    ]
    return once, daily


def led(person: Person) -> dict[str, Any]:
    """For the start page: the steps, while they lead, or where they were put away to; nothing for
    whoever sets nothing up."""
    if not person.has_perm(LEADS):
        return {}
    known = _known()
    if known["away"]:
        return {"first_steps_again": reverse("admin:first_steps")}
    return listed(known)


def listed(known: dict[str, bool] | None = None) -> dict[str, Any]:
    """The steps as they stand, put away or not."""
    known = known or _known()
    once, daily = _steps(known)
    upcoming = next((s.name for s in [*once, *daily] if not s.done), "")
    if upcoming == "trace" or known["shelf"]:
        upcoming = "trace"

    def marked(steps: Iterable[Step]) -> list[Step]:
        return [
            Step(s.name, s.title, s.says, s.url, s.done, s.name == upcoming, s.posts) for s in steps
        ]

    return {
        "first_steps": {
            "once": marked(once),
            "daily": marked(daily),
            "is_set_up": all(s.done for s in once),
            "farm": Business.the().name,
            "done": sum(s.done for s in [*once, *daily]),
            "of": len(once) + len(daily),
            "away": "" if known["away"] else _page("away"),
            "also": [
                ("Record what stands here today", address("opening_entry"), known["opening"]),
                ("Add towers, many at once", reverse("admin:towers"), known["sites"]),
            ],
        }
    }


def put_away() -> None:
    """No longer shown; told twice, nothing changes."""
    FirstSteps.objects.get_or_create(defaults={"put_away_at": clock.now()})


def to_trace() -> str:
    """The trace of what was packed last; the start page while nothing is packed."""
    run = PackingRun.objects.order_by("-lot_id").select_related("lot").first()
    return traced_at(run.lot) if run else reverse("admin:index")


# --- what the steps set up -----------------------------------------------------------------------

#: What goods pass through on their way, made where the business has none of the kind.
_ON_THE_WAY = (
    (PlaceKind.STORE, "Cold store"),
    (PlaceKind.PACKHOUSE, "Packing bench"),
    (PlaceKind.QUARANTINE, "Quarantine"),
)


def places_to_come() -> list[tuple[PlaceKind, str]]:
    there = set(
        Place.objects.filter(kind__in=[k for k, _ in _ON_THE_WAY], belongs_to=None).values_list(
            "kind", flat=True
        )
    )
    return [(kind, name) for kind, name in _ON_THE_WAY if kind not in there]


def add_outlets(wanted: Sequence[tuple[PlaceKind, str]]) -> list[Outlet]:
    """Outlets of a kind by these names, and the places that goods pass on their way to them. An
    own shop takes without a note. Raises Refusal where a name is taken; then nothing is made."""
    try:
        with gate.through(gate.SHARED):
            _refuse_places([name for _, name in wanted])
            for kind, name in places_to_come():
                Place.objects.create(name=_free(name), kind=kind)
            return [
                Outlet.objects.create(
                    place=Place.objects.create(name=name, kind=kind),
                    wants_notes=kind != PlaceKind.SHOP,
                )
                for kind, name in wanted
            ]
    except IntegrityError:  # somebody else was quicker by an instant
        _refuse_places([name for _, name in wanted])
        raise


def _refuse_places(names: Sequence[str]) -> None:
    folded = [name.lower() for name in names]
    there = Place.objects.annotate(lower=Lower("name")).filter(lower__in=folded).first()
    twice = next((n for n in names if folded.count(n.lower()) > 1), None)
    if there or twice:
        raise Refusal(
            "taken", f"There is a place called {there or twice} already; take another name."
        )


def _free(name: str) -> str:
    """The name, or with a number behind it where something else bears it."""
    n = 1
    while Place.objects.filter(name__iexact=name if n == 1 else f"{name} {n}").exists():
        n += 1
    return name if n == 1 else f"{name} {n}"


def add_crops(crops: Iterable[Crop]) -> list[Crop]:
    """Those that are not there yet, whatever their capitals."""
    new: dict[str, Crop] = {}
    for crop in crops:
        new.setdefault(crop.name.lower(), crop)
    with gate.through(gate.SHARED):
        there = Crop.objects.annotate(lower=Lower("name")).filter(lower__in=list(new))
        for name in there.values_list("lower", flat=True):
            del new[name]
        Crop.objects.bulk_create(new.values(), ignore_conflicts=True)
    return list(new.values())


def add_product(
    name: str, nominal_g: int, crops: Sequence[Crop], shelf_life_days: int | None
) -> Product:
    """A pack of these crops, declaring their allergens; its code is its name in capitals. Raises
    Refusal where a product has that name."""
    allergens = sorted({crop.allergen for crop in crops if crop.allergen})
    longest = Product._meta.get_field("allergens").max_length or 0
    if len(", ".join(allergens)) > longest:
        raise Refusal("too_long", f"{', '.join(allergens)} is more than a label's line may hold.")
    with gate.through(gate.SHARED):
        if Product.objects.filter(name__iexact=name).exists():
            raise Refusal("taken", f"There is a product called {name} already.")
        product = Product.objects.create(
            code=_code(name),
            name=name,
            nominal_g=nominal_g,
            shelf_life_days=shelf_life_days,
            allergens=", ".join(allergens),
        )
        RecipeLine.objects.bulk_create(RecipeLine(product=product, crop=crop) for crop in crops)
    return product


def _code(name: str) -> str:
    """A code that no product has yet: SALAD-BAG-120-G."""
    stem = re.sub(r"[^A-Z0-9]+", "-", name.upper()).strip("-")[:34] or "PRODUCT"
    taken = {code.upper() for code in Product.objects.values_list("code", flat=True)}
    n = 1
    while (stem if n == 1 else f"{stem}-{n}") in taken:
        n += 1
    return stem if n == 1 else f"{stem}-{n}"
