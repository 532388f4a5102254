"""Products, outlets, prices and label stock to be filled in; runs, notes and money to be read."""

from __future__ import annotations

from django.contrib import admin
from django.urls import reverse_lazy
from django.utils.text import format_lazy

from grow.admin import BusinessAdmin, LedgerAdmin, LedgerInline
from grow.admin_help import OnceEach, SetUpAdmin

from .models import (
    DecisionCard,
    DeliveryNote,
    LabelStock,
    Money,
    NoteLine,
    Outlet,
    PackingRun,
    Price,
    Printer,
    Product,
    RecipeLine,
    Statement,
    Wanted,
)

BusinessAdmin.help["public_address"] = format_lazy(  # type: ignore[assignment]  # text when it is read
    "Where anybody can open this site, such as https://farm.example. Labels name it once it has "
    '<a href="{}">answered a test</a>.',
    reverse_lazy("admin:public_address"),
)


@admin.register(Outlet)
class OutletAdmin(SetUpAdmin):
    help = {
        "place": "The shop, kitchen or buyer as a place.",
        "asks_temperature": "Whether a temperature is asked for when goods come in.",
        "cooling_minutes": "How long after the cut leaf is called just cut: then not judged.",
        "contact": "Whom to ask for in a recall.",
        "address": "As it stands on the delivery note.",
        "owner": "Name and address, for the delivery note. Empty: whoever takes them in.",
        "telephone": "In working hours.",
        "out_of_hours": "At night and on Sundays: a recall does not wait.",
    }
    list_display = ("place", "wants_notes", "contact", "telephone", "out_of_hours")
    list_select_related = ("place",)
    search_fields = ("place__name", "contact")
    autocomplete_fields = ("place",)


class RecipeInline(admin.StackedInline):
    model = RecipeLine
    formset = OnceEach
    extra = 0
    autocomplete_fields = ("crop",)


class CardInline(admin.StackedInline):
    model = DecisionCard
    formset = OnceEach
    extra = 0
    autocomplete_fields = ("outlet",)


@admin.register(Product)
class ProductAdmin(SetUpAdmin):
    help = {
        "code": "As the till calls it.",
        "name": "As it stands on the label.",
        "nominal_g": "Net weight of a pack; of a bunch or head what one usually weighs. Empty for "
        "what is sold loose.",
        "tare_g": "The empty bag or punnet, in grams.",
        "days_from_cut": "From the oldest cut in the pack to its date, at the longest.",
        "loose_crop": "For what is sold by weight, bunch or head: of which crop.",
        "fill": "Every pack made up on the scale, or only some looked at.",
        "gtin": "From GS1, with its check digit; kept in 14 digits. Empty: none is made up.",
    }
    list_display = ("name", "code", "nominal_g", "loose_crop", "shelf_life_days", "allergens")
    list_filter = ("form", "fill")
    list_select_related = ("loose_crop",)
    search_fields = ("name", "code")
    autocomplete_fields = ("loose_crop", "named")
    inlines = (RecipeInline, CardInline)
    fieldsets = (
        (None, {"fields": ("name", "code", "form", "nominal_g", "loose_crop")}),
        ("Filling", {"fields": ("fill", "tare_g", "target_g", "per_crate", "packaging_pence")}),
        ("Laboratory", {"fields": ("test_and_hold",)}),
        (
            "Date",
            {
                "description": "Set from evidence by whoever answers for it. Nothing is assumed: "
                "with both empty a pack carries no date.",
                "fields": ("shelf_life_days", "days_from_cut"),
            },
        ),
        (
            "Label",
            {
                "fields": (
                    *("allergens", "named", "storage", "grade", "shows_variety"),
                    *("largest_cm2", "gtin"),
                )
            },
        ),
    )


@admin.register(Price)
class PriceAdmin(SetUpAdmin):
    help = {
        "outlet": "What this outlet pays.",
        "since": "From this day on; older prices stay as they were.",
        "tax_code": "As your accounts call it.",
    }
    list_display = ("line", "outlet", "since", "pence", "tax_code")
    list_filter = ("outlet",)
    list_select_related = ("outlet__place",)
    search_fields = ("line", "outlet__place__name")
    autocomplete_fields = ("outlet",)


@admin.register(Wanted)
class WantedAdmin(SetUpAdmin):
    help = {
        "outlet": "One with delivery notes has an order; one without, a level for its shelf.",
        "product": "A bag, a bunch, a head, or a crop sold loose.",
        "weekday": "Every such day. Leave it empty for one day alone.",
        "day": "Stands in for the weekday’s, that day alone. With 0 it wants none.",
        "quantity": "Packs, bunches or heads by number; what is sold loose in grams.",
    }
    list_display = ("product", "outlet", "weekday", "day", "quantity", "what")
    list_filter = ("weekday", "outlet", "outlet__wants_notes")
    list_select_related = ("product", "outlet__place")
    search_fields = ("product__name", "product__code", "outlet__place__name")
    autocomplete_fields = ("outlet", "product")
    date_hierarchy = "day"

    @admin.display(description="as")
    def what(self, row: Wanted) -> str:
        return "Shelf level" if row.is_level else "Order"


@admin.register(LabelStock)
class LabelStockAdmin(SetUpAdmin):
    help = {
        "name": "What people call it, such as Bag roll.",
        "height_mm": "Of one label.",
        "top_mm": "From the top edge of the sheet to the first label.",
    }
    list_display = ("name", "width_mm", "height_mm", "columns", "rows", "last_used")
    search_fields = ("name",)
    fieldsets = (
        (None, {"fields": ("name", ("width_mm", "height_mm"))}),
        (
            "On an A4 sheet",
            {
                "description": "Leave columns and rows empty for a roll. The packet says the "
                "margins and gaps; or hold a ruler to it.",
                "fields": (
                    ("columns", "rows"),
                    ("left_mm", "top_mm"),
                    ("across_mm", "down_mm"),
                ),
            },
        ),
    )


@admin.register(DecisionCard)
class DecisionCardAdmin(SetUpAdmin):
    help = {
        "product": "What was decided on.",
        "state": "What was done to the leaf before it was packed.",
        "sold_as": "Packed by us and sold by another business is prepacked.",
        "system": "Of the batch: some packs may fall a little short, the mean may not.",
        "date_kind": "What can harm somebody when it is old asks for a use-by date.",
    }
    list_display = ("product", "outlet", "since", "state", "sold_as", "system", "date_kind")
    list_filter = ("state", "sold_as")
    list_select_related = ("product", "outlet__place")
    search_fields = ("product__name", "product__code", "decided_by", "evidence")
    autocomplete_fields = ("product", "outlet")
    ordering = ("product__name", "-since")


@admin.register(Printer)
class PrinterAdmin(SetUpAdmin):
    list_display = ("name", "dpi", "measured_mm", "measured_at")
    readonly_fields = ("measured_mm", "measured_at")  # told on the printer's own page
    search_fields = ("name",)


@admin.register(PackingRun)
class RunAdmin(LedgerAdmin):
    list_display = ("lot", "name", "packs", "grams_in", "trim_g", "gain_g", "use_by")
    list_filter = ("product",)
    list_select_related = ("lot",)
    search_fields = ("lot__code", "name")
    ordering = ("-lot_id",)


class NoteLineInline(LedgerInline):
    model = NoteLine
    names = ("lot", "note")


@admin.register(DeliveryNote)
class NoteAdmin(LedgerAdmin):
    list_display = ("number", "outlet", "event")
    list_filter = ("outlet",)
    list_select_related = ("outlet__place", "event")
    search_fields = ("number", "lines__lot__code")
    inlines = (NoteLineInline,)


@admin.register(Money)
class MoneyAdmin(LedgerAdmin):
    list_display = ("movement", "outlet", "unit_pence", "pence")
    list_filter = ("outlet",)
    list_select_related = (
        "outlet__place",
        "movement__lot",
        "movement__from_place",
        "movement__to_place",
    )
    search_fields = ("movement__lot__code",)
    ordering = ("-movement_id",)


@admin.register(Statement)
class StatementAdmin(LedgerAdmin):
    list_display = ("number", "outlet", "month", "event")
    list_filter = ("outlet",)
    list_select_related = ("outlet__place", "event")
    search_fields = ("number",)
