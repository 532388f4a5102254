"""Set-up tables to be filled in; the ledger to be read. Nothing of the ledger is written here:
acts are told to operations."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import QuerySet
from django.http import HttpRequest

from . import admin_people, clock  # noqa: F401  (people register themselves)
from .admin_help import OnceEach, SetUpAdmin
from .models import (
    ENDS,
    SOURCES,
    Business,
    Counted,
    Crop,
    CropCard,
    Description,
    Event,
    Feed,
    Flag,
    Hold,
    Holding,
    InUse,
    Item,
    LabResult,
    Lineage,
    Lot,
    Movement,
    Place,
    Planting,
    PlantSite,
    Seal,
    Tag,
    Thing,
    ToCountersign,
    Unnamed,
    Variety,
)


class ReadOnly:
    """Looked at, never added, changed or deleted."""

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class LedgerAdmin(ReadOnly, admin.ModelAdmin):
    list_per_page = 25
    show_full_result_count = False

    @admin.display(description="day", ordering="day")
    def on(self, row: Any) -> str:
        return f"{clock.number_day(row.day):%d %b %Y}"


class LedgerInline(ReadOnly, admin.TabularInline):
    extra = 0
    can_delete = False
    show_change_link = False
    #: What a row names, itself in its heading too: read with the rows, not once for each.
    names: tuple[str, ...] = ()

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        return super().get_queryset(request).select_related(*self.names)


# --- set-up ---------------------------------------------------------------------------------


@admin.register(Business)
class BusinessAdmin(SetUpAdmin):
    help = {
        "name": "As it stands on labels and notes.",
        "zone": "Whose days are counted, such as Europe/London; fixed once anything is recorded.",
        "currency": "In which money is counted, such as GBP.",
    }
    list_display = ("name", "zone", "currency", "rule_set")

    def has_add_permission(self, request: HttpRequest) -> bool:
        return not Business.objects.exists()

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class CardInline(admin.StackedInline):
    model = CropCard
    formset = OnceEach
    extra = 0


@admin.register(Variety)
class VarietyAdmin(SetUpAdmin):
    help = {
        "crop": "What it is sold as.",
        "name": "As on the packet. A mix names its species below.",
        "seeds_per_cell": "Herbs are sown several to a cell; the books count cells.",
    }
    list_display = ("name", "crop", "seeds_per_cell", "sites_each")
    list_filter = ("crop",)
    list_select_related = ("crop",)
    search_fields = ("name", "crop__name", "species")
    autocomplete_fields = ("crop",)
    inlines = (CardInline,)


class VarietyInline(admin.StackedInline):
    model = Variety
    formset = OnceEach
    extra = 0
    show_change_link = True


@admin.register(Crop)
class CropAdmin(SetUpAdmin):
    help = {
        "name": "As it stands on labels.",
        "picked": "Once, again and again, or fruit by fruit.",
        "usual_bunch_g": "What a bunch of it weighs, for whoever cuts without a scale.",
        "cold_c": "At what temperature it is kept, in °C; basil and tomato not as cold as lettuce.",
    }
    list_display = ("name", "picked", "allergen", "usual_bunch_g", "cold_c")
    list_filter = ("picked", "sprout_rules")
    search_fields = ("name", "varieties__name")
    inlines = (VarietyInline,)


@admin.register(Item)
class ItemAdmin(SetUpAdmin):
    help = {
        "name": "As it is ordered.",
        "kind": "What it is for; says what it touches when it is in use.",
        "variety": "Of seed and young plants: what grows from it.",
    }
    list_display = ("name", "kind", "variety", "authorisation", "harvest_interval_days")
    list_filter = ("kind",)
    list_select_related = ("variety",)
    search_fields = ("name", "authorisation")
    autocomplete_fields = ("variety",)


@admin.register(Place)
class PlaceAdmin(SetUpAdmin):
    help = {
        "name": "What people call it; no two alike.",
        "kind": "Fixed once anything has moved there.",
        "within": "The area that it lies in: mist in a tent reaches the benches in it.",
        "belongs_to": "The outlet beside which it stands, for its lorry, till and reject shelf.",
    }
    list_display = ("name", "kind", "within", "belongs_to")
    list_filter = ("kind",)
    list_select_related = ("within", "belongs_to")
    list_per_page = 50
    search_fields = ("name",)
    autocomplete_fields = ("within", "belongs_to")

    def has_delete_permission(self, request: HttpRequest, obj: Place | None = None) -> bool:
        gone = obj is None or not (obj.holdings.exists() or obj.events.exists())
        return gone and super().has_delete_permission(request, obj)


@admin.register(PlantSite)
class PlantSiteAdmin(SetUpAdmin):
    help = {
        "tower": "On which tower.",
        "out_of_use": "Nothing is planted there until it is mended.",
    }
    list_display = ("__str__", "tower", "tier", "position", "out_of_use")
    list_filter = ("out_of_use", "tier")
    list_select_related = ("tower",)
    search_fields = ("tower__name",)
    autocomplete_fields = ("tower",)


@admin.register(Thing)
class ThingAdmin(SetUpAdmin):
    help = {
        "name": "What people call it, such as Scale B.",
        "kind": "What is checked of it.",
    }
    list_display = ("name", "kind", "place")
    list_filter = ("kind",)
    list_select_related = ("place",)
    search_fields = ("name",)
    autocomplete_fields = ("place",)
    fieldsets = (
        (None, {"fields": ("name", "kind", "place")}),
        ("A scale", {"fields": ("division_g", "for_trade")}),
    )


# --- the ledger, to be read -----------------------------------------------------------------


class HereInline(LedgerInline):
    model = Holding
    fields = ("place", "quantity")
    names = ("lot", "place")
    verbose_name_plural = "Where it is"

    def get_queryset(self, request: HttpRequest) -> QuerySet[Holding]:
        return super().get_queryset(request).filter(source=False).exclude(quantity=0)


class MovedInline(LedgerInline):
    model = Movement
    fields = ("day", "from_place", "to_place", "quantity", "basis")
    names = ("lot", "from_place", "to_place")
    verbose_name_plural = "How it moved"


class AboveInline(LedgerInline):
    model = Lineage
    fk_name = "child"
    fields = ("parent", "kind", "quantity", "struck_by")
    names = ("parent", "child", "struck_by")
    verbose_name_plural = "What it came from, and what touched it"


class BelowInline(LedgerInline):
    model = Lineage
    fk_name = "parent"
    fields = ("child", "kind", "quantity", "struck_by")
    names = ("parent", "child", "struck_by")
    verbose_name_plural = "What came from it"


@admin.register(Lot)
class LotAdmin(LedgerAdmin):
    list_display = ("code", "kind", "title", "use_by", "made_on")
    list_filter = ("kind", "crop")
    list_select_related = ("made_by",)
    search_fields = ("code", "title", "descriptions__name")
    ordering = ("-id",)
    inlines = (HereInline, AboveInline, BelowInline, MovedInline)

    @admin.display(description="made on", ordering="made_by__placed_at")
    def made_on(self, lot: Lot) -> str:
        return f"{clock.number_day(lot.made_by.day):%d %b %Y}"


class EventMovedInline(LedgerInline):
    model = Movement
    fields = ("lot", "from_place", "to_place", "quantity", "basis")
    names = ("lot", "from_place", "to_place")
    verbose_name_plural = "What it moved"


class FlagInline(LedgerInline):
    model = Flag
    fields = ("kind", "lot", "says")
    names = ("lot",)


@admin.register(Event)
class EventAdmin(LedgerAdmin):
    list_display = ("happened_at", "what", "place", "recorded_by", "device", "recorded_at")
    list_filter = ("kind", "already_done")
    list_select_related = ("place", "recorded_by")
    search_fields = ("=client_id", "made__code")
    ordering = ("-id",)
    inlines = (EventMovedInline, FlagInline)

    @admin.display(description="what", ordering="kind")
    def what(self, event: Event) -> str:
        from .kinds import KINDS

        kind = KINDS.get(event.kind)
        return kind.says if kind else event.kind.replace("_", " ")


@admin.register(ToCountersign)
class ToCountersignAdmin(LedgerAdmin):
    list_display = ("event", "told_by", "signed_by")
    list_filter = (("signed_by", admin.EmptyFieldListFilter),)
    list_select_related = ("event__recorded_by", "signed_by")
    search_fields = ("event__recorded_by__username", "event__recorded_by__shown_as")
    ordering = ("-id",)

    @admin.display(description="told by")
    def told_by(self, row: ToCountersign) -> str:
        return str(row.event.recorded_by)


@admin.register(Movement)
class MovementAdmin(LedgerAdmin):
    list_display = ("on", "lot", "from_place", "to_place", "quantity", "unit", "basis")
    list_filter = ("basis",)
    list_select_related = ("lot", "from_place", "to_place")
    search_fields = ("lot__code",)
    ordering = ("-id",)

    @admin.display(description="unit")
    def unit(self, m: Movement) -> str:
        return m.lot.unit


@admin.register(Holding)
class HoldingAdmin(LedgerAdmin):
    list_display = ("lot", "title", "place", "quantity", "unit")
    list_filter = ("place__kind",)
    list_select_related = ("lot", "place")
    search_fields = ("lot__code", "lot__title", "place__name")
    ordering = ("place", "lot")

    def get_queryset(self, request: HttpRequest) -> QuerySet[Holding]:
        rows = super().get_queryset(request).exclude(quantity=0)
        return rows.exclude(place__kind__in=[*SOURCES, *ENDS])

    @admin.display(description="what it is")
    def title(self, h: Holding) -> str:
        return h.lot.title

    @admin.display(description="unit")
    def unit(self, h: Holding) -> str:
        return h.lot.unit


@admin.register(Lineage)
class LineageAdmin(LedgerAdmin):
    list_display = ("child", "kind", "parent", "quantity", "struck_by")
    list_filter = ("kind",)
    list_select_related = ("child", "parent", "struck_by")
    search_fields = ("child__code", "parent__code")
    ordering = ("-id",)


@admin.register(Hold)
class HoldAdmin(LedgerAdmin):
    list_display = ("lot", "reason", "began_at", "ended_at")
    list_filter = (("ended_by", admin.EmptyFieldListFilter),)
    list_select_related = ("lot",)
    search_fields = ("lot__code", "reason")
    ordering = ("-id",)


@admin.register(Flag)
class FlagAdmin(LedgerAdmin):
    list_display = ("kind", "says", "lot", "event")
    list_filter = ("kind",)
    list_select_related = ("lot", "event")
    search_fields = ("lot__code", "says")


@admin.register(Planting)
class PlantingAdmin(LedgerAdmin):
    list_display = ("batch", "site", "began_at", "ended_at")
    list_filter = (("ended_by", admin.EmptyFieldListFilter),)
    list_select_related = ("batch", "site__tower")
    search_fields = ("batch__code", "site__tower__name")
    ordering = ("-id",)


@admin.register(Feed)
class FeedAdmin(LedgerAdmin):
    list_display = ("tank", "place", "began_at", "ended_at")
    list_select_related = ("tank", "place")
    search_fields = ("tank__name", "place__name")


@admin.register(InUse)
class InUseAdmin(LedgerAdmin):
    list_display = ("lot", "place", "began_at", "ended_at")
    list_select_related = ("lot", "place")
    search_fields = ("lot__code", "lot__title", "place__name")


@admin.register(Counted)
class CountedAdmin(LedgerAdmin):
    list_display = ("event", "lot", "place", "quantity")
    list_select_related = ("event", "lot", "place")
    search_fields = ("lot__code", "place__name")
    ordering = ("-id",)


@admin.register(Unnamed)
class UnnamedAdmin(LedgerAdmin):
    list_display = ("event", "place", "line", "quantity", "unit_pence")
    list_select_related = ("event", "place")
    search_fields = ("line", "place__name")
    ordering = ("-id",)


@admin.register(Description)
class DescriptionAdmin(LedgerAdmin):
    list_display = ("lot", "name", "best_before", "note")
    list_select_related = ("lot",)
    search_fields = ("lot__code", "name")
    ordering = ("-id",)


@admin.register(Tag)
class TagAdmin(LedgerAdmin):
    list_display = ("code", "printed_by")
    list_select_related = ("printed_by",)
    search_fields = ("code",)
    ordering = ("-id",)


@admin.register(LabResult)
class LabResultAdmin(LedgerAdmin):
    list_display = ("event", "lot", "place", "criterion", "figures", "verdict")
    list_filter = ("verdict",)
    list_select_related = ("event", "lot", "place")
    search_fields = ("lot__code", "place__name")
    ordering = ("-id",)


@admin.register(Seal)
class SealAdmin(LedgerAdmin):
    list_display = ("on", "events", "movements", "digest", "sealed_at")
    search_fields = ("digest__startswith",)
    ordering = ("-day",)
