import datetime as dt

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from grow.models import Event, Movement

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
    tax_code = models.CharField(
        max_length=4, blank=True, default="", help_text="Of the price list on that day."
    )

    class Meta:
        verbose_name_plural = "money"

    def __str__(self) -> str:
        return f"{self.pence} p"


class Statement(models.Model):
    """The statement of an outlet and a month as it was issued: what was told by then. It is not
    reopened; what is told later stands on the next one."""

    event = models.OneToOneField(Event, models.PROTECT, primary_key=True, related_name="statement")
    number = models.CharField(max_length=20, unique=True)
    outlet = models.ForeignKey(Outlet, models.PROTECT, related_name="statements", db_index=False)
    month = models.PositiveIntegerField(help_text="As yyyymm.")
    up_to = models.BigIntegerField(help_text="The last movement that was told by then.")
    stated = models.JSONField(
        null=True,
        encoder=DjangoJSONEncoder,
        editable=False,
        help_text="All of it, as it read then.",
    )

    class Meta:
        ordering = ["outlet", "month"]
        constraints = [
            models.UniqueConstraint(
                fields=["outlet", "month"],
                name="a_month_is_stated_once",
                violation_error_message="That month of that outlet has its statement already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.number}, {self.outlet}"

    @property
    def first(self) -> dt.date:
        """The first day of its month."""
        return dt.date(self.month // 100, self.month % 100, 1)

    @property
    def after(self) -> dt.date:
        """The first day of the month after it."""
        return (self.first + dt.timedelta(days=31)).replace(day=1)
