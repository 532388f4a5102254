from django.db import models
from django.db.models import F, Q

from grow.models import Crop, Lot


class Product(models.Model):
    """What is sold: a bag, a punnet, a bunch, or a crop loose by weight.

    code is what a till, a price and a lot's line say. nominal_g is the net weight on the
    label; empty for loose goods, which are sold straight from the cut."""

    class Fill(models.TextChoices):
        EVERY = "every", "Every pack made up on the scale"
        SAMPLED = "sampled", "Sampled"

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    nominal_g = models.PositiveIntegerField(null=True, blank=True)
    loose_crop = models.OneToOneField(
        Crop, models.PROTECT, null=True, blank=True, related_name="loose"
    )
    tare_g = models.PositiveIntegerField(default=0, help_text="Weight of the empty pack.")
    fill = models.CharField(max_length=8, choices=Fill.choices, default=Fill.EVERY)
    shelf_life_days = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Set by the operator from evidence; there is no default."
    )
    days_from_cut = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Longest from the oldest cut in the pack to its date."
    )
    allergens = models.CharField(
        max_length=120, blank=True, help_text="What the label declares, with commas between."
    )
    packaging_pence = models.DecimalField(
        max_digits=6, decimal_places=2, default=0, help_text="Bag and label of one pack."
    )

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(nominal_g__isnull=False, nominal_g__gt=0, loose_crop__isnull=True)
                | Q(nominal_g__isnull=True, loose_crop__isnull=False),
                name="product_is_packed_or_loose",
                violation_error_message="A product has a net weight or is one crop sold loose.",
            )
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def line(self) -> str:
        """What its lots' line says: its own code, or the crop's when sold loose."""
        return f"crop:{self.loose_crop_id}" if self.loose_crop_id else self.code


class RecipeLine(models.Model):
    product = models.ForeignKey(Product, models.CASCADE, related_name="recipe")
    crop = models.ForeignKey(Crop, models.PROTECT, related_name="in_recipes")
    least_pct = models.PositiveSmallIntegerField(default=0)
    greatest_pct = models.PositiveSmallIntegerField(default=100)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["product", "crop"],
                name="a_crop_stands_once_in_a_recipe",
                violation_error_message="The same crop stands twice in the recipe.",
            ),
            models.CheckConstraint(
                condition=Q(least_pct__lte=F("greatest_pct"), greatest_pct__lte=100),
                name="recipe_share_is_possible",
                violation_error_message="Shares go from the least to the greatest, 100 at most.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.crop} {self.least_pct} to {self.greatest_pct} %"


class PackingRun(models.Model):
    """One run: its frozen text, and its sums in grams, which are kept like Holding.

    grams_in + gain = packs × nominal + trim + giveaway + samples + moisture, by a CHECK."""

    lot = models.OneToOneField(Lot, models.PROTECT, primary_key=True, related_name="run")
    product = models.ForeignKey(Product, models.PROTECT, related_name="runs")
    name = models.CharField(max_length=80)
    nominal_each_g = models.PositiveIntegerField()
    allergens = models.CharField(max_length=200, blank=True)
    origin = models.CharField(max_length=120, blank=True)
    use_by = models.DateField(null=True, blank=True)
    fill = models.CharField(max_length=8, choices=Product.Fill.choices)
    label_text = models.TextField(blank=True)
    washed = models.BooleanField(default=False)
    grams_in = models.BigIntegerField()
    gain_g = models.BigIntegerField(default=0)
    packs = models.BigIntegerField()
    nominal_g = models.BigIntegerField(help_text="packs × nominal_each_g")
    trim_g = models.BigIntegerField(default=0)
    giveaway_g = models.BigIntegerField(default=0)
    samples_g = models.BigIntegerField(default=0)
    moisture_g = models.BigIntegerField(default=0)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(nominal_g=F("packs") * F("nominal_each_g")),
                name="run_nominal_is_packs_times_nominal",
                violation_error_message="The run's net weight is not its packs times the label's.",
            ),
            models.CheckConstraint(
                condition=Q(
                    grams_in=F("nominal_g")
                    + F("trim_g")
                    + F("giveaway_g")
                    + F("samples_g")
                    + F("moisture_g")
                    - F("gain_g")
                ),
                name="run_adds_up",
                violation_error_message="The run's grams do not add up.",
            ),
            models.CheckConstraint(
                condition=Q(
                    grams_in__gte=0,
                    gain_g__gte=0,
                    packs__gte=0,
                    trim_g__gte=0,
                    giveaway_g__gte=0,
                    samples_g__gte=0,
                    moisture_g__gte=0,
                ),
                name="run_has_nothing_negative",
                violation_error_message="Less than nothing cannot have become of a run's grams.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot} {self.name}"
