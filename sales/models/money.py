from django.db import models

from grow.models import Movement

from .notes import Outlet


class Price(models.Model):
    """Pence for one pack or one kilogram of a line at an outlet, from a day on; net of tax."""

    outlet = models.ForeignKey(Outlet, models.PROTECT, related_name="prices")
    line = models.CharField(max_length=40, help_text="A product's code, or crop:N when loose.")
    since = models.DateField()
    pence = models.PositiveIntegerField(help_text="For one pack, or for one kilogram.")
    tax_code = models.CharField(max_length=4, default="Z")

    class Meta:
        ordering = ["outlet", "line", "since"]
        constraints = [
            models.UniqueConstraint(
                fields=["outlet", "line", "since"],
                name="one_price_of_a_line_from_a_day",
                violation_error_message="That line has a price from that day already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.line} at {self.outlet}: {self.pence} p"


class Money(models.Model):
    """What one movement into, or back out of, a customer's hands was worth, signed, copied
    from the price of its day when it was posted. Append-only, like the movement it stands by."""

    movement = models.OneToOneField(
        Movement, models.PROTECT, primary_key=True, related_name="money"
    )
    outlet = models.ForeignKey(Outlet, models.PROTECT, related_name="money")
    unit_pence = models.PositiveIntegerField()
    pence = models.BigIntegerField(help_text="Half up; for goods by weight price × g ÷ 1000.")

    class Meta:
        verbose_name_plural = "money"

    def __str__(self) -> str:
        return f"{self.pence} p"
