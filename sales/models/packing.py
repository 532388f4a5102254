from decimal import Decimal

from django.core.exceptions import ValidationError
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q

from grow.errors import Refusal
from grow.models import Crop, Event, Lot, Thing

from .. import gtins


class Product(models.Model):
    """What is sold: a bag, a punnet, a bunch, or a crop loose by weight.

    code is what a till, a price and a lot's line say. nominal_g is the net weight on the
    label, and of bunches and heads, which are sold by number, what one usually weighs; empty for
    loose goods, which are sold straight from the cut."""

    class Form(models.TextChoices):
        BAG = "bag", "Bag"
        PUNNET = "punnet", "Punnet"
        POT = "pot", "Pot or tub"
        BUNCH = "bunch", "Bunch"
        HEAD = "head", "Head"

    class Grade(models.TextChoices):
        EXTRA = "extra", "Class Extra"
        ONE = "I", "Class I"
        TWO = "II", "Class II"

    class Fill(models.TextChoices):
        EVERY = "every", "Every pack made up on the scale"
        SAMPLED = "sampled", "Sampled"

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    nominal_g = models.PositiveIntegerField(null=True, blank=True)
    loose_crop = models.OneToOneField(
        Crop, models.PROTECT, null=True, blank=True, related_name="loose"
    )
    form = models.CharField(
        max_length=8,
        choices=Form.choices,
        default=Form.BAG,
        help_text="Bunches and heads are sold by number.",
    )
    tare_g = models.DecimalField(
        max_digits=6,
        decimal_places=1,
        default=0,
        validators=[MinValueValidator(0)],
        help_text="Weight of the empty pack.",
    )
    target_g = models.DecimalField(
        "target fill, g",
        max_digits=7,
        decimal_places=1,
        null=True,
        blank=True,
        validators=[MinValueValidator(1)],
        help_text="What the scale should read after the tare. Empty: the weight on the label.",
    )
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

    named = models.ForeignKey(
        Crop,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="named_by",
        verbose_name="leaf named in its name",
        help_text="“With rocket”: the label then says how much of it is in the pack.",
    )
    storage = models.CharField(
        max_length=120, blank=True, help_text="How to keep it, as the label says."
    )
    largest_cm2 = models.PositiveSmallIntegerField(
        "largest side, cm²",
        null=True,
        blank=True,
        validators=[MinValueValidator(1)],
        help_text="Of the pack. Under 80 cm² smaller letters are allowed.",
    )
    grade = models.CharField(
        "class",
        max_length=6,
        choices=Grade.choices,
        blank=True,
        help_text="Where marketing standards ask for one: lettuce, strawberries, tomatoes.",
    )
    shows_variety = models.BooleanField(default=False, help_text="The label names the variety.")
    gtin = models.CharField(
        "GTIN", max_length=14, blank=True, help_text="From GS1, with its check digit."
    )
    test_and_hold = models.BooleanField(
        default=False,
        help_text="Each run is held from the start, until somebody lets it go on a laboratory’s "
        "result.",
    )
    per_crate = models.PositiveSmallIntegerField(
        "packs to a crate",
        null=True,
        blank=True,
        validators=[MinValueValidator(1)],
        help_text="How many go into one crate for the shop.",
    )

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["gtin"],
                condition=~Q(gtin=""),
                name="a_gtin_means_one_product",
                violation_error_message="Another product has that GTIN.",
            ),
            models.CheckConstraint(
                condition=Q(nominal_g__isnull=False, nominal_g__gt=0, loose_crop__isnull=True)
                | Q(nominal_g__isnull=True, loose_crop__isnull=False),
                name="product_is_packed_or_loose",
                violation_error_message="A product has a net weight or is one crop sold loose.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """A GTIN is kept in its 14 digits, so that the same one typed with 12 or 13 is the same."""
        if self.gtin:
            try:
                self.gtin = gtins.own_gtin(self.gtin)
            except Refusal as refusal:
                raise ValidationError({"gtin": refusal.sentence}) from refusal

    @property
    def by_number(self) -> bool:
        """Sold by how many, not by weight: its label says no grams."""
        return self.form in (self.Form.BUNCH, self.Form.HEAD)

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


class DecisionCard(models.Model):
    """What a product is in law where it is sold: somebody's decision, with its evidence. What the
    label must say, the kind of date and which checks are asked follow from it.

    Rows are dated: the latest of an outlet that has begun stands, and where an outlet has none,
    that of all outlets."""

    class State(models.TextChoices):
        UNWASHED = "unwashed", "Whole, unwashed"
        TRIMMED = "trimmed", "Trimmed or cut, not washed"
        READY = "ready", "Washed, ready to eat"

    class SoldAs(models.TextChoices):
        PREPACKED = "prepacked", "Prepacked"
        DIRECT = "direct", "Packed here for direct sale here"
        LOOSE = "loose", "Loose"

    class System(models.TextChoices):
        AVERAGE = "average", "Average of the batch"
        MINIMUM = "minimum", "No pack below its label"

    class DateKind(models.TextChoices):
        USE_BY = "use_by", "Use by"
        BEST_BEFORE = "best_before", "Best before"
        NONE = "none", "No date"

    product = models.ForeignKey(Product, models.CASCADE, related_name="cards")
    outlet = models.ForeignKey(
        "Outlet",
        models.CASCADE,
        null=True,
        blank=True,
        related_name="cards",
        help_text="Empty: wherever it is sold.",
    )
    since = models.DateField(help_text="From this day on.")
    state = models.CharField("what it is", max_length=10, choices=State.choices)
    sold_as = models.CharField("how it is sold", max_length=10, choices=SoldAs.choices)
    system = models.CharField("weights", max_length=8, choices=System.choices)
    date_kind = models.CharField("kind of date", max_length=12, choices=DateKind.choices)
    decided_by = models.CharField(max_length=80, help_text="Who answers for it.")
    decided_on = models.DateField(help_text="The day of the decision.")
    evidence = models.TextField(
        max_length=1000, help_text="What it rests on: advice, tests, a plan. Where it is kept."
    )

    class Meta:
        ordering = ["product", "outlet", "-since"]
        constraints = [
            models.UniqueConstraint(
                fields=["product", "outlet", "since"],
                name="one_decision_card_a_day_and_outlet",
                violation_error_message="That product has a card of that day there already.",
            ),
            models.UniqueConstraint(
                fields=["product", "since"],
                condition=Q(outlet=None),
                name="one_decision_card_a_day_for_all_outlets",
                violation_error_message="That product has a card of that day already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.product} {self.outlet or 'everywhere'}, from {self.since:%d %b %Y}"


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
    #: as the first label was printed, in plain lines; empty until then
    label_text = models.TextField(blank=True)
    #: the same, part by part, as `sales.label_words` writes it
    label = models.JSONField(default=dict, blank=True)
    system = models.CharField(
        max_length=8, choices=DecisionCard.System.choices, default=DecisionCard.System.AVERAGE
    )
    target_g = models.DecimalField(max_digits=7, decimal_places=1, null=True, blank=True)
    tare_g = models.DecimalField(
        max_digits=6,
        decimal_places=1,
        null=True,
        blank=True,
        help_text="Of the empty pack on that day; unknown of the earliest runs.",
    )
    scale = models.ForeignKey(
        Thing, models.PROTECT, null=True, blank=True, related_name="runs", db_index=False
    )
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

    @property
    def empty_g(self) -> Decimal:
        """The empty pack, as it was when the run was packed; where nobody kept it, as it is now."""
        return self.product.tare_g if self.tare_g is None else self.tare_g


class PackWeight(models.Model):
    """One pack on the scale: its net weight. Those of an event that was cancelled count no more."""

    event = models.ForeignKey(Event, models.PROTECT, related_name="weights")
    run = models.ForeignKey(PackingRun, models.PROTECT, related_name="weights", db_index=False)
    number = models.PositiveIntegerField(help_text="In the order of weighing, from 1.")
    net_g = models.DecimalField(max_digits=9, decimal_places=2)

    class Meta:
        ordering = ["run", "event", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["run", "event", "number"],
                name="a_pack_is_weighed_once",
                violation_error_message="Each pack is weighed once.",
            ),
            models.CheckConstraint(
                condition=Q(net_g__gt=0),
                name="a_pack_weighs_something",
                violation_error_message="A pack weighs more than nothing.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.net_g} g"


class LabelCount(models.Model):
    """Labels of a run that were printed, or spoiled, or, old ones, destroyed at a relabelling."""

    event = models.OneToOneField(Event, models.PROTECT, primary_key=True, related_name="labels")
    run = models.ForeignKey(PackingRun, models.PROTECT, related_name="label_counts")
    printed = models.PositiveIntegerField(default=0)
    spoiled = models.PositiveIntegerField(default=0)
    destroyed = models.PositiveIntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.printed} printed, {self.spoiled} spoiled, {self.destroyed} destroyed"
