from django.contrib import admin

from .models import Rate


@admin.register(Rate)
class RateAdmin(admin.ModelAdmin):
    list_display = ["what", "crop", "amount", "unit", "since", "source"]
    list_filter = ["what", "crop"]
    search_fields = ["crop__name", "source"]
    date_hierarchy = "since"

    @admin.display(description="unit")
    def unit(self, rate: Rate) -> str:
        return rate.unit
