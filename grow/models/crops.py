import re

from django.core.exceptions import ValidationError
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import Q


class Crop(models.Model):
    """What is grown, in the grower's words: loose-leaf lettuce, basil, strawberry."""

    class Picked(models.TextChoices):
        ONCE = "once", "Once, whole"
        CUT_AGAIN = "again", "Cut and come again"
        PICKED_OVER = "over", "Picked over"

    name = models.CharField(max_length=60, unique=True)
    picked = models.CharField(max_length=6, choices=Picked.choices, default=Picked.CUT_AGAIN)
    allergen = models.CharField(
        max_length=30, blank=True, help_text="Celery and mustard leaves count. Empty: none."
    )
    sprout_rules = models.BooleanField(
        default=False, help_text="Shoots eaten with the seed may fall under sprout rules."
    )
    usual_bunch_g = models.PositiveIntegerField(null=True, blank=True)
    cold_c = models.DecimalField(
        "store at, °C", max_digits=4, decimal_places=1, null=True, blank=True
    )

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Variety(models.Model):
    """A variety of a crop, or a mix with its named species."""

    crop = models.ForeignKey(Crop, models.PROTECT, related_name="varieties")
    name = models.CharField(max_length=60)
    species = models.CharField(
        max_length=200, blank=True, help_text="For a mix: its species, with commas between."
    )
    seeds_per_cell = models.PositiveSmallIntegerField(default=1)
    sites_each = models.PositiveSmallIntegerField(
        default=1, help_text="Plant sites that one plant takes; the others are blocked by it."
    )

    class Meta:
        ordering = ["crop", "name"]
        verbose_name_plural = "varieties"
        constraints = [
            models.UniqueConstraint(
                fields=["crop", "name"],
                name="variety_named_once_in_its_crop",
                violation_error_message="This crop has a variety of that name already.",
            )
        ]

    def __str__(self) -> str:
        return self.name


def read_numbers(text: str) -> list[int]:
    return [int(word) for word in re.split(r"[\s,;]+", text.strip()) if word]


def whole_numbers(text: str) -> None:
    """Whole numbers with blanks between them, none of them absurd."""
    if not re.fullmatch(r"\s*\d{1,5}([\s,;]+\d{1,5})*\s*", text, re.ASCII):
        raise ValidationError("Whole numbers with blanks between them: 34 38 34 26.")


def twelve_months(text: str) -> None:
    """Twelve of them, some above nought."""
    whole_numbers(text)
    told = read_numbers(text)
    if len(told) != 12 or not any(told) or max(told) > 300:
        raise ValidationError(
            f"That is {len(told)} numbers, the greatest {max(told)}; twelve are needed, January "
            "to December, from 0 to 300."
        )


class CropCard(models.Model):
    """Days and grams to expect of a variety, each with where it comes from. It warns, it
    never blocks; the farm's own records take over when there are enough.

    Days and grams are those of a good month, 100 in growth_by_month."""

    variety = models.OneToOneField(Variety, models.CASCADE, related_name="card")
    nursery_days = models.PositiveSmallIntegerField(null=True, blank=True)
    days_to_first_cut = models.PositiveSmallIntegerField(null=True, blank=True)
    days_between_cuts = models.PositiveSmallIntegerField(null=True, blank=True)
    cuts = models.PositiveSmallIntegerField(null=True, blank=True)
    grams_per_site_and_cut = models.PositiveIntegerField(null=True, blank=True)
    usable_plugs_pct = models.PositiveSmallIntegerField(null=True, blank=True)
    grams_by_cut = models.CharField(
        "grams at each cut",
        max_length=300,
        blank=True,
        validators=[whole_numbers],
        help_text="A plant's, first cut to last, where they differ: 34 38 34 26.",
    )
    growth_by_month = models.CharField(
        max_length=80,
        blank=True,
        validators=[twelve_months],
        help_text="What it gives from January to December, in per cent of a good month; 0 where it "
        "gives nothing: 25 35 55 75 90 100 100 90 75 55 35 22.",
    )
    growth_source = models.CharField(
        max_length=200, blank=True, help_text="Where the months come from; empty: as the rest."
    )
    source = models.CharField(max_length=200, help_text="Where these figures come from.")

    def __str__(self) -> str:
        return f"Card of {self.variety}"

    @property
    def cut_grams(self) -> list[int]:
        """Grams of a plant at each cut, as many as the card says there are; empty where it does
        not say. More cuts than grams told: the last goes on."""
        told = read_numbers(self.grams_by_cut) or [self.grams_per_site_and_cut or 0]
        number = self.cuts or (len(told) if self.grams_by_cut else 0)
        return (told + told[-1:] * number)[:number] if any(told) else []

    @property
    def months(self) -> list[int]:
        """Per cent of a good month, January to December; empty where it does not say."""
        return read_numbers(self.growth_by_month)


class Item(models.Model):
    """Something bought in: a seed, a medium, a nutrient, a spray, a roll of labels."""

    class Kind(models.TextChoices):
        SEED = "seed", "Seed"
        YOUNG_PLANTS = "young_plants", "Young plants"
        MEDIUM = "medium", "Growing medium"
        NUTRIENT = "nutrient", "Nutrient"
        WATER_TREATMENT = "water_treatment", "Water treatment"
        CLEANER = "cleaner", "Cleaner"
        PLANT_PROTECTION = "plant_protection", "Plant protection"
        BENEFICIALS = "beneficials", "Beneficials"
        PACKAGING = "packaging", "Packaging and labels"
        HAND_GEAR = "hand_gear", "Gloves and knives"

    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=16, choices=Kind.choices)
    variety = models.ForeignKey(
        Variety, models.PROTECT, null=True, blank=True, related_name="items"
    )
    authorisation = models.CharField(
        "authorisation number", max_length=30, blank=True, help_text="From the product's label."
    )
    harvest_interval_days = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="From the product's label, never from memory."
    )
    gtin = models.CharField(
        "GTIN",
        max_length=14,
        blank=True,
        validators=[RegexValidator(r"^\d{8,14}\Z", "A GTIN is 8 to 14 figures.")],
        help_text="On its pack, if it has one: a supplier's file is then known by itself.",
    )

    class Meta:
        verbose_name = "input"
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["gtin"],
                condition=~Q(gtin=""),
                name="one_input_of_a_gtin",
                violation_error_message="Another input has that GTIN already.",
            )
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        self.gtin = self.gtin and self.gtin.zfill(14)
