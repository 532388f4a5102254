"""Products, outlets, prices and label stock to be filled in; runs, notes and money to be read."""

from __future__ import annotations

from django.contrib import admin

from grow.admin import LedgerAdmin, LedgerInline

from .models import (
    DeliveryNote,
    LabelStock,
    Money,
    NoteLine,
    Outlet,
    PackingRun,
    Price,
    Product,
    RecipeLine,
)


@admin.register(Outlet)
class OutletAdmin(admin.ModelAdmin):
    list_display = ("place", "wants_notes", "contact", "telephone", "out_of_hours")
    list_select_related = ("place",)
    search_fields = ("place__name", "contact")
    autocomplete_fields = ("place",)


class RecipeInline(admin.StackedInline):
    model = RecipeLine
    extra = 0
    autocomplete_fields = ("crop",)


@admin.register(Product)
class ProductAdmin(admin.ModelAdmin):
    list_display = ("name", "code", "nominal_g", "loose_crop", "shelf_life_days", "allergens")
    list_filter = ("fill",)
    list_select_related = ("loose_crop",)
    search_fields = ("name", "code")
    autocomplete_fields = ("loose_crop",)
    inlines = (RecipeInline,)


@admin.register(Price)
class PriceAdmin(admin.ModelAdmin):
    list_display = ("line", "outlet", "since", "pence", "tax_code")
    list_filter = ("outlet",)
    list_select_related = ("outlet__place",)
    search_fields = ("line", "outlet__place__name")
    autocomplete_fields = ("outlet",)


@admin.register(LabelStock)
class LabelStockAdmin(admin.ModelAdmin):
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
