from decimal import Decimal

from django.core.exceptions import ValidationError
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q

#: ISO 216, in millimetres.
A4_MM = (Decimal(210), Decimal(297))


class LabelStock(models.Model):
    """Labels as they are bought: a roll, one label after another, or an A4 sheet of columns and
    rows. Lengths are millimetres, sizes are of one label."""

    name = models.CharField(max_length=60, unique=True)
    width_mm = models.DecimalField(
        "label width, mm",
        max_digits=5,
        decimal_places=2,
        help_text="As it is read: from the left of the words to the right.",
    )
    height_mm = models.DecimalField("label height, mm", max_digits=5, decimal_places=2)
    columns = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Labels side by side on an A4 sheet. Empty: a roll."
    )
    rows = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Labels one below the other on the sheet. Empty: a roll."
    )
    left_mm = models.DecimalField(
        "left margin, mm",
        max_digits=5,
        decimal_places=2,
        default=0,
        validators=[MinValueValidator(0)],
        help_text="From the sheet's edge to the first label; read it off the packet.",
    )
    top_mm = models.DecimalField(
        "top margin, mm",
        max_digits=5,
        decimal_places=2,
        default=0,
        validators=[MinValueValidator(0)],
    )
    across_mm = models.DecimalField(
        "gap across, mm",
        max_digits=5,
        decimal_places=2,
        default=0,
        validators=[MinValueValidator(0)],
        help_text="Between two labels side by side.",
    )
    down_mm = models.DecimalField(
        "gap down, mm",
        max_digits=5,
        decimal_places=2,
        default=0,
        validators=[MinValueValidator(0)],
        help_text="Between two labels one below the other.",
    )
    last_used = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "label stock"
        constraints = [
            models.CheckConstraint(
                condition=Q(width_mm__gt=0, height_mm__gt=0),
                name="label_has_a_size",
                violation_error_message="A label has a width and a height, in millimetres.",
            ),
            models.CheckConstraint(
                # a comparison with nothing is neither true nor false, and would pass
                condition=Q(columns__isnull=True, rows__isnull=True)
                | Q(columns__isnull=False, rows__isnull=False, columns__gte=1, rows__gte=1),
                name="label_stock_is_a_roll_or_a_sheet",
                violation_error_message="A sheet has columns and rows; a roll has neither.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def per_sheet(self) -> int:
        """Labels on one sheet; 1 of a roll."""
        return (self.columns or 1) * (self.rows or 1)

    def clean(self) -> None:
        """A sheet's labels lie on A4, which is ISO 216's 210 by 297 mm."""
        if not (self.columns and self.rows and self.width_mm and self.height_mm):
            return
        wide = self.left_mm + self.columns * self.width_mm + (self.columns - 1) * self.across_mm
        high = self.top_mm + self.rows * self.height_mm + (self.rows - 1) * self.down_mm
        wrong = {}
        if wide > A4_MM[0]:
            wrong["columns"] = f"These columns reach {wide:f} mm across; an A4 sheet has 210 mm."
        if high > A4_MM[1]:
            wrong["rows"] = f"These rows reach {high:f} mm down; an A4 sheet has 297 mm."
        if wrong:
            raise ValidationError(wrong)


class Printer(models.Model):
    """A label printer: how fine its dots are, and what a line of 50 mm came out as on it."""

    DPI = ((203, "203 dots to the inch"), (300, "300 dots to the inch"))
    RULER_MM = Decimal(50)
    #: A line that is further off than this was printed to fit a page.
    OFF_MM = Decimal("0.5")

    name = models.CharField(
        max_length=60, unique=True, help_text="What people call it, such as Bench printer."
    )
    dpi = models.PositiveSmallIntegerField(
        "dots", choices=DPI, default=203, help_text="It stands on the printer or in its booklet."
    )
    measured_mm = models.DecimalField(
        "the 50 mm line measured",
        max_digits=4,
        decimal_places=1,
        null=True,
        blank=True,
        validators=[MinValueValidator(1)],
        help_text="Print its test label and hold a ruler to the line.",
    )
    measured_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    @property
    def is_true(self) -> bool | None:
        """Whether it prints as long as it should; nothing if nobody has measured."""
        if self.measured_mm is None:
            return None
        return abs(self.measured_mm - self.RULER_MM) <= self.OFF_MM


class FirstSteps(models.Model):
    """The list that leads a new farm is put away: one row, once somebody has done so."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1, editable=False)
    put_away_at = models.DateTimeField()

    class Meta:
        verbose_name_plural = "first steps"
        constraints = [
            models.CheckConstraint(
                condition=Q(id=1),
                name="first_steps_are_put_away_once",
                violation_error_message="The first steps are put away once.",
            )
        ]
