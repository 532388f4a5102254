from typing import Any

from django.contrib import admin

from grow.admin_help import SetUpAdmin

from .models import UNITS, Claim, Rate, StandardUse, TimedDay


@admin.register(Rate)
class RateAdmin(SetUpAdmin):
    help = {
        "what": "What is counted: a seed, a bag, an hour.",
        "amount": "Net of tax, in the unit that is said beside it.",
        "since": "From this day on; older rates stay as they were.",
    }
    autocomplete_fields = ["crop", "product", "outlet"]
    list_display = ["what", "of", "amount", "unit", "since", "source"]
    list_filter = ["what", "crop"]
    list_select_related = ["crop", "product", "outlet__place"]  # may be empty
    search_fields = ["crop__name", "product__name", "source"]
    date_hierarchy = "since"

    def formfield_for_choice_field(self, db_field: Any, request: Any, **kwargs: Any) -> Any:
        """Each with its unit: the amount is typed beside it."""
        if db_field.name == "what":
            named = [(what, f"{what.label}, {UNITS[what]}") for what in Rate.What]
            kwargs["choices"] = [("", "---------"), *named]
        return super().formfield_for_choice_field(db_field, request, **kwargs)

    @admin.display(description="unit")
    def unit(self, rate: Rate) -> str:
        return rate.unit

    @admin.display(description="of", empty_value="all")
    def of(self, rate: Rate) -> str | None:
        of = rate.crop or rate.product or rate.outlet
        return str(of) if of else None


@admin.register(StandardUse)
class StandardUseAdmin(SetUpAdmin):
    help = {
        "item": "Seed, young plants, medium, nutrient or packaging that is received.",
        "amount": "So much of it a cell sown, a litre of water or a pack, in the unit in which it "
        "is received: of a sleeve of 500 that was received as 1, a bag is 0.002. What it cost is "
        "then what was paid for it, not the rate.",
        "unit": "As it is received.",
        "mix": "One name for what is used together: nutrient A and B, peat-free mix and grit. Of "
        "several that lie open and are no mix, the nutrient opened last is charged, and the rate "
        "of a medium.",
        "since": "From this day on; older figures stay as they were.",
    }
    autocomplete_fields = ["item", "product"]
    list_display = ["item", "product", "amount", "unit", "per", "since", "source"]
    list_select_related = ["item", "product"]
    search_fields = ["item__name", "source"]

    @admin.display(description="per")
    def per(self, use: StandardUse) -> str:
        return use.per


@admin.register(TimedDay)
class TimedDayAdmin(SetUpAdmin):
    help = {
        "day": "The minutes of this day and of all until the next timed day are rescaled by it.",
        "minutes": "Of the whole session, everybody's added up: sowing, planting, clearing, "
        "cutting, washing and packing.",
        "timed_by": "Who held the watch.",
        "note": "What was out of the ordinary on that day.",
    }
    autocomplete_fields = ["timed_by"]
    list_display = ["day", "minutes", "timed_by", "note"]
    list_select_related = ["timed_by"]
    search_fields = ["timed_by__username", "timed_by__shown_as", "note"]
    date_hierarchy = "day"


@admin.register(Claim)
class ClaimAdmin(SetUpAdmin):
    help = {
        "said_by": "Who sells it, or wrote it.",
        "of": "What is claimed.",
        "amount": "As it is claimed, in that unit.",
        "season": "In which it is claimed to have been grown.",
    }
    autocomplete_fields = ["crop"]
    list_display = ["said_by", "of", "amount", "crop", "season", "floor", "source"]
    list_select_related = ["crop"]
    search_fields = ["said_by", "source", "crop__name"]
