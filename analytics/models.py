from decimal import Decimal

from django.core.exceptions import ValidationError
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q

from grow.models import Crop


class Rate(models.Model):
    """What one counted thing costs, or how long it takes, from a day on; with where the figure
    comes from. A rate of one crop stands before one of all crops. Net of tax."""

    class What(models.TextChoices):
        SEED = "seed", "Seed or bought plug"
        MEDIUM = "medium", "Growing medium"
        POT = "pot", "Net pot, shared out"
        LIGHT = "light", "Light on a shelf"
        NUTRIENT = "nutrient", "Nutrient"
        WATER = "water", "Water"
        SOW_MINUTES = "sow_minutes", "Sowing a tray"
        PLANT_MINUTES = "plant_minutes", "Planting"
        CLEAR_MINUTES = "clear_minutes", "Clearing and wiping"
        CUT_MINUTES = "cut_minutes", "Cutting"
        WASH_MINUTES = "wash_minutes", "Washing and spinning"
        PACK_MINUTES = "pack_minutes", "Making, weighing and labelling a pack"
        WAGE = "wage", "Labour, whoever does it"
        FLOOR = "floor", "Floor that a tower takes"

    what = models.CharField(max_length=14, choices=What.choices)
    crop = models.ForeignKey(
        Crop,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="rates",
        help_text="Empty: for every crop that has no rate of its own.",
    )
    amount = models.DecimalField(
        max_digits=10, decimal_places=4, validators=[MinValueValidator(Decimal(0))]
    )
    since = models.DateField()
    source = models.CharField(max_length=200, help_text="Where the figure comes from.")

    class Meta:
        ordering = ["what", "crop", "-since"]
        constraints = [
            models.UniqueConstraint(
                fields=["what", "crop", "since"],
                condition=Q(crop__isnull=False),
                name="one_rate_of_a_crop_from_a_day",
            ),
            models.UniqueConstraint(
                fields=["what", "since"],
                condition=Q(crop__isnull=True),
                name="one_rate_of_all_crops_from_a_day",
            ),
            models.CheckConstraint(condition=Q(amount__gte=0), name="rate_is_not_negative"),
            models.CheckConstraint(
                condition=~Q(what="wage", crop__isnull=False), name="one_wage_for_all_crops"
            ),
            models.CheckConstraint(
                condition=~Q(what="floor", crop__isnull=False), name="one_floor_for_all_crops"
            ),
        ]

    def __str__(self) -> str:
        crop = f", {self.crop}" if self.crop else ""
        return f"{self.get_what_display()}{crop}: {self.amount.normalize():f} {self.unit}"

    @property
    def unit(self) -> str:
        """What the amount is counted in: "pence a cell", "minutes a kg cut"."""
        return UNITS[Rate.What(self.what)]

    def clean(self) -> None:
        if self.what == Rate.What.WAGE and self.crop_id:
            raise ValidationError(
                {"crop": "Labour has one rate whoever does it and for whichever crop; empty this."}
            )
        if self.what == Rate.What.FLOOR and self.crop_id:
            raise ValidationError({"crop": "A tower takes its floor whatever grows on it; empty."})


_W = Rate.What
#: A tray is 84 cells; its minutes are charged by the cell.
TRAY_CELLS = 84
UNITS = {
    _W.SEED: "pence a cell sown",
    _W.MEDIUM: "pence a cell sown",
    _W.POT: "pence a plant planted",
    _W.LIGHT: "pence a cell and day on a lit shelf",
    _W.NUTRIENT: "pence a kg cut",
    _W.WATER: "pence a kg cut",
    _W.SOW_MINUTES: f"minutes a tray of {TRAY_CELLS} cells",
    _W.PLANT_MINUTES: "minutes a plant planted",
    _W.CLEAR_MINUTES: "minutes a plant cleared",
    _W.CUT_MINUTES: "minutes a kg cut",
    _W.WASH_MINUTES: "minutes a kg washed",
    _W.PACK_MINUTES: "minutes a pack",
    _W.WAGE: "pence an hour",
    _W.FLOOR: "m² a tower, with its share of aisles and nursery",
}
