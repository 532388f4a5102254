from __future__ import annotations

from django.db import models
from django.db.models import Q

from .notes import Outlet
from .packing import Product


class Wanted(models.Model):
    """What an outlet is to have of a product: on every such weekday, or on one day, whose row
    then stands in for the weekday's, be it with nought.

    At an outlet that wants notes it is an order, to be sent that day; at one that does not, the
    level to which its shelf is filled. quantity: packs, bunches or heads; grams of what is sold
    loose."""

    class Weekday(models.IntegerChoices):
        """Numbered by ISO 8601."""

        MONDAY = 1, "Monday"
        TUESDAY = 2, "Tuesday"
        WEDNESDAY = 3, "Wednesday"
        THURSDAY = 4, "Thursday"
        FRIDAY = 5, "Friday"
        SATURDAY = 6, "Saturday"
        SUNDAY = 7, "Sunday"

    outlet = models.ForeignKey(Outlet, models.CASCADE, related_name="wanted")
    product = models.ForeignKey(Product, models.CASCADE, related_name="wanted")
    weekday = models.PositiveSmallIntegerField(
        null=True, blank=True, choices=Weekday.choices, help_text="Every such day."
    )
    day = models.DateField(
        "or one day", null=True, blank=True, help_text="In place of the weekday's, that day alone."
    )
    quantity = models.PositiveIntegerField(
        help_text="Packs, bunches or heads; grams of what is sold loose."
    )

    class Meta:
        ordering = ["outlet", "product", "day", "weekday"]
        verbose_name = "order or shelf level"
        verbose_name_plural = "orders and shelf levels"
        constraints = [
            models.CheckConstraint(
                condition=Q(weekday__isnull=False, day__isnull=True)
                | Q(weekday__isnull=True, day__isnull=False),
                name="wanted_on_a_weekday_or_on_one_day",
                violation_error_message="Say a weekday, or one day; one of the two.",
            ),
            models.CheckConstraint(
                # a comparison with nothing is neither true nor false, and would pass
                condition=Q(weekday__isnull=True) | Q(weekday__gte=1, weekday__lte=7),
                name="wanted_weekday_is_one_of_seven",
                violation_error_message="A weekday is 1 (Monday) to 7 (Sunday).",
            ),
            models.UniqueConstraint(
                fields=["outlet", "product", "weekday"],
                name="a_product_is_wanted_once_on_a_weekday",
                violation_error_message="That is said already of this product on that weekday.",
            ),
            models.UniqueConstraint(
                fields=["outlet", "product", "day"],
                name="a_product_is_wanted_once_on_a_day",
                violation_error_message="That is said already of this product on that day.",
            ),
        ]

    def __str__(self) -> str:
        when = f"{self.day:%d %b %Y}" if self.day else self.get_weekday_display()
        return f"{self.product} for {self.outlet}, {when}"

    @property
    def is_level(self) -> bool:
        """The level of a shelf; else an order."""
        return not self.outlet.wants_notes
