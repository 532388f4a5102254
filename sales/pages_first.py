"""The short pages of the first steps: each asks little and fills in what is usual."""

from __future__ import annotations

import re
import zoneinfo
from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseNotAllowed, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from grow import short
from grow.errors import Refusal
from grow.models import Business, Crop, Event, PlaceKind
from grow.page import Page
from grow.short import Short

from . import first_steps, starter
from .models import LabelStock, Outlet, Product


def _zones() -> list[tuple[str, str]]:
    known = sorted(z for z in zoneinfo.available_timezones() if "/" in z or z == "UTC")
    return [(zone, zone.replace("_", " ")) for zone in known if not zone.startswith("Etc/")]


class BusinessForm(Short):
    name = short.text("Name of the business", 80)
    zone = forms.ChoiceField(
        label="Time zone",
        help_text="Whose days are counted. It stays once something is recorded.",
        choices=_zones,
    )
    currency = forms.RegexField(
        r"^[A-Za-z]{3}$",
        label="Currency",
        help_text="Three letters, such as GBP or EUR.",
        widget=forms.TextInput({"autocomplete": "off", "class": "number"}),
        error_messages={"invalid": "Write three letters, such as GBP.", "required": "Write it."},
    )
    rule_set = short.text(
        "Whose food rules the pages quote",
        20,
        help_text="For reading beside the figures. Local rules always come first.",
    )

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        zone = self.fields["zone"]
        zone.disabled = Event.objects.exists()
        if not Business.objects.exists():
            zone.widget.attrs["data-guess"] = ""  # by the clock of the device


class OutletsForm(Short):
    own_shop = forms.BooleanField(label="Our own shop", required=False)
    own_shop_name = short.text("Called", 60, required=False)
    own_kitchen = forms.BooleanField(label="Our own kitchen", required=False)
    own_kitchen_name = short.text("Called", 60, required=False)
    other_name = short.text(
        "Another business",
        60,
        required=False,
        help_text="Each delivery to it goes with a numbered note.",
    )
    goes_with = frozenset({"own_shop_name", "own_kitchen_name"})

    def wanted(self) -> list[tuple[PlaceKind, str]]:
        told = self.cleaned_data
        rows = [
            (PlaceKind.SHOP, told["own_shop_name"] if told["own_shop"] else ""),
            (PlaceKind.KITCHEN, told["own_kitchen_name"] if told["own_kitchen"] else ""),
            (PlaceKind.BUYER, told["other_name"]),
        ]
        return [(kind, name) for kind, name in rows if name]

    def clean(self) -> dict[str, Any]:
        told = self.cleaned_data
        for own in ("own_shop", "own_kitchen"):
            if told.get(own) and not told.get(f"{own}_name"):
                self.add_error(f"{own}_name", "Write a name.")
        if not self.errors and not self.wanted():
            raise forms.ValidationError("Choose at least one, or write one.")
        return told


def _crop_choice(one: starter.StarterCrop) -> SafeString:
    allergen = (
        format_html(' <span class="mark-allergen">allergen: {}</span>', one.crop.allergen)
        if one.crop.allergen
        else mark_safe("")
    )
    return format_html(
        '<span class="chip-lines"><span>{}{}</span><span class="crop-says">{}</span></span>',
        one.crop.name,
        allergen,
        f"{one.says}. {one.note}" if one.note else one.says,
    )


class CropsForm(Short):
    """One field a group of the starter list, without those that are there already."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        there = {name.lower() for name in Crop.objects.values_list("name", flat=True)}
        groups: dict[str, list[tuple[str, SafeString]]] = {}
        for name, one in starter.crops().items():
            if name.lower() not in there:
                groups.setdefault(one.group, []).append((name, _crop_choice(one)))
        for n, (group, choices) in enumerate(groups.items()):
            self.fields[f"group_{n}"] = forms.MultipleChoiceField(
                label=group,
                choices=choices,
                required=False,
                widget=forms.CheckboxSelectMultiple,
            )
        self.fields["others"] = short.text(
            "Others",
            200,
            required=False,
            help_text="With a comma between. Say their allergens and storage later, under Crops.",
        )

    def wanted(self) -> list[Crop]:
        told = self.cleaned_data
        ticked = [name for field in told if field.startswith("group_") for name in told[field]]
        rows = [starter.crops()[name].crop for name in ticked]
        own = [name.strip() for name in re.split(r"[,;\n]", told["others"]) if name.strip()]
        known = {name.lower(): one.crop for name, one in starter.crops().items()}
        rows += [known.get(name.lower()) or Crop(name=name) for name in own]
        # rows of the list are kept from one page to the next; what is saved is a copy
        return [
            Crop(**{f.attname: getattr(r, f.attname) for f in r._meta.concrete_fields})
            for r in rows
        ]

    def clean(self) -> dict[str, Any]:
        told = self.cleaned_data
        if "others" in told:
            longest = Crop._meta.get_field("name").max_length or 0
            if any(len(crop.name) > longest for crop in self.wanted()):
                self.add_error("others", f"A name has {longest} letters at most.")
            elif not self.wanted():
                raise forms.ValidationError("Tick at least one crop, or write one.")
        return told


class ProductForm(Short):
    name = short.text("Name, as the label says it", 80)
    crops = forms.ModelMultipleChoiceField(
        label="What is in it",
        queryset=Crop.objects.all(),
        widget=forms.CheckboxSelectMultiple,
        help_text="All crops that may go into it. Their allergens are declared on its label.",
        error_messages={"required": "Tick what may go into it."},
    )
    nominal_g = short.number("Net weight of one pack", 1, 25_000)
    shelf_life_days = short.number(
        "Days from packing to its use-by date",
        0,
        365,
        required=False,
        help_text="You set this, from evidence of your own; nothing is assumed. Empty: no date "
        "is printed.",
    )
    units = {"nominal_g": "g", "shelf_life_days": "days"}


class StockForm(Short):
    stock = forms.ChoiceField(
        label="Labels that you have",
        widget=forms.RadioSelect,
        error_messages={"required": "Choose one."},
    )

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        there = set(LabelStock.objects.values_list("name", flat=True))
        self.names = [name for name in starter.label_stocks() if name not in there]
        field = self.fields["stock"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [(name, name) for name in self.names]


# --- saving --------------------------------------------------------------------------------------


def _save_business(form: forms.Form) -> str:
    row = Business.objects.first() or Business()
    for name, value in form.cleaned_data.items():
        setattr(row, name, value.upper() if name == "currency" else value)
    try:
        row.full_clean()
    except forms.ValidationError as error:
        raise Refusal("business", " ".join(error.messages)) from error
    row.save()
    return f"{row.name} is named."


def _save_outlets(form: forms.Form) -> str:
    assert isinstance(form, OutletsForm)
    made = first_steps.add_outlets(form.wanted())
    return f"Set up: {', '.join(str(outlet) for outlet in made)}."


def _save_crops(form: forms.Form) -> str:
    assert isinstance(form, CropsForm)
    made = first_steps.add_crops(form.wanted())
    names = ", ".join(crop.name for crop in made)
    return f"Added: {names}." if names else "They were there already."


def _save_product(form: forms.Form) -> str:
    told = form.cleaned_data
    product = first_steps.add_product(
        told["name"], told["nominal_g"], list(told["crops"]), told["shelf_life_days"]
    )
    declared = f" Its label declares {product.allergens}." if product.allergens else ""
    return f"{product.name} is a product, {product.code} for the till.{declared}"


def _save_stock(form: forms.Form) -> str:
    chosen = starter.label_stocks()[form.cleaned_data["stock"]]
    fields = {
        f.name: getattr(chosen, f.name) for f in chosen._meta.concrete_fields if f.name != "id"
    }
    row, _ = LabelStock.objects.get_or_create(name=fields.pop("name"), defaults=fields)
    return f"{row} is kept as label stock."


def _start_business() -> dict[str, Any]:
    row = Business.the()
    usual = {"zone": row.zone, "currency": row.currency, "rule_set": row.rule_set}
    return usual | ({"name": row.name} if Business.objects.exists() else {})


def _start_outlets() -> dict[str, Any]:
    new = not Outlet.objects.exists()
    names = ("Farm shop", "Kitchen") if new else ("", "")
    return {
        "own_shop": new,
        "own_shop_name": names[0],
        "own_kitchen": new,
        "own_kitchen_name": names[1],
    }


def _start_product() -> dict[str, Any]:
    crops = list(Crop.objects.values_list("pk", flat=True)[:2])
    return {"crops": crops} if len(crops) == 1 else {}


def _start_stock() -> dict[str, Any]:
    return {"stock": next(iter(starter.label_stocks()))}


#: Step → title, what its press says, its form, what is usual, how it is saved.
_PAGES: dict[str, tuple[str, str, type[Short], Any, Any]] = {
    "business": ("The business", "Save", BusinessForm, _start_business, _save_business),
    "outlets": ("Who it is for", "Save", OutletsForm, _start_outlets, _save_outlets),
    "crops": ("What you grow", "Add these crops", CropsForm, dict, _save_crops),
    "product": ("One product", "Save the product", ProductForm, _start_product, _save_product),
    "label_stock": ("The labels you have", "Keep this one", StockForm, _start_stock, _save_stock),
}
_AT_A_PRESS = ("away", "trace")


def step_page(request: HttpRequest, step: str) -> HttpResponseBase:
    """One of the first steps; "away" and "trace" are presses without a page."""
    if step in _AT_A_PRESS:
        return _pressed(request, step)
    if step not in _PAGES:
        raise Http404(f"There is no first step called “{step}”.")
    _, _, form_of, usual, save = _PAGES[step]
    if request.method != "POST":
        return _show(request, step, form_of(initial=usual()))
    form = form_of(request.POST, initial=usual())
    if not form.is_valid():
        return _show(request, step, form)
    try:
        said = save(form)
    except Refusal as refusal:
        return _show(request, step, form, refusal)
    messages.success(request, said)
    return HttpResponseRedirect(reverse("admin:index"))


def list_page(request: HttpRequest) -> HttpResponseBase:
    """The list itself, for whoever put it away too soon."""
    context = {"title": "First steps", "is_nav_sidebar_enabled": False, **first_steps.listed()}
    return TemplateResponse(request, "sales/first_list.html", context)


def _pressed(request: HttpRequest, step: str) -> HttpResponseBase:
    if request.method != "POST":
        return HttpResponseNotAllowed(["POST"])
    first_steps.put_away()
    where = first_steps.to_trace() if step == "trace" else reverse("admin:index")
    return HttpResponseRedirect(where)


def _show(
    request: HttpRequest, step: str, form: Short, refusal: Refusal | None = None
) -> HttpResponseBase:
    title, button, *_ = _PAGES[step]
    more: dict[str, Any] = {}
    if step == "outlets":
        more["there"] = Outlet.objects.select_related("place")
        more["to_come"] = [name for _, name in first_steps.places_to_come()]
    if step == "crops":
        more["there"] = Crop.objects.all()
        more["starters"] = starter.crops().values()
    if step == "product":
        more["there"] = Product.objects.all()
        more["no_crops"] = not Crop.objects.exists()
    if step == "label_stock":
        more["there"] = LabelStock.objects.all()
    return short.page(
        request,
        form,
        title=title,
        button=button,
        refusal=refusal,
        template=f"sales/first_{step}.html",
        **more,
    )


FIRST_PAGES = [
    Page(
        "first-steps/",
        "first_steps",
        "First steps",
        first_steps.LEADS,
        list_page,
        own_password=True,
        in_menu=False,
    ),
    Page(
        "first-steps/<slug:step>/",
        "first_step",
        "First steps",
        first_steps.LEADS,
        step_page,
        own_password=True,
    ),
]
