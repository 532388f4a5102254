from django.contrib import admin

from grow.admin_help import SetUpAdmin

from .models import Rate


@admin.register(Rate)
class RateAdmin(SetUpAdmin):
    help = {
        "what": "What is counted: a seed, a bag, an hour.",
        "amount": "Net of tax, in the unit that is said beside it.",
        "since": "From this day on; older rates stay as they were.",
    }
    autocomplete_fields = ["crop"]
    list_display = ["what", "crop", "amount", "unit", "since", "source"]
    list_filter = ["what", "crop"]
    list_select_related = ["crop"]  # may be empty, and so is not joined of itself
    search_fields = ["crop__name", "source"]
    date_hierarchy = "since"

    @admin.display(description="unit")
    def unit(self, rate: Rate) -> str:
        return rate.unit
