"""What things cost, how much of them is used, and how long work takes: told figures, each with the
day from which it holds and where it comes from."""

from decimal import Decimal

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q

from grow import clock
from grow.models import Crop, Item, Unit
from sales.models import Outlet, Product


class Rate(models.Model):
    """What one counted thing costs, or how long it takes, from a day on; with where the figure
    comes from. A rate of one crop stands before one of all crops. Net of tax."""

    class What(models.TextChoices):
        SEED = "seed", "Seed or bought plug"
        MEDIUM = "medium", "Growing medium"
        POT = "pot", "Net pot, shared out"
        LIGHT = "light", "Light on a shelf"
        ELECTRICITY = "electricity", "Electricity"
        LAMP_WATTS = "lamp_watts", "Lamps over a lit shelf"
        LAMP_HOURS = "lamp_hours", "Lamps burn"
        NUTRIENT = "nutrient", "Nutrient"
        WATER = "water", "Water"
        LITRES = "litres", "Water with nutrient in it"
        PACKAGING = "packaging", "Packaging of a pack"
        SOW_MINUTES = "sow_minutes", "Sowing a tray"
        PLANT_MINUTES = "plant_minutes", "Planting"
        CLEAR_MINUTES = "clear_minutes", "Clearing and wiping"
        CUT_MINUTES = "cut_minutes", "Cutting"
        WASH_MINUTES = "wash_minutes", "Washing and spinning"
        PACK_MINUTES = "pack_minutes", "Making, weighing and labelling a pack"
        WAGE = "wage", "Labour, whoever does it"
        SHOP_SHARE = "shop_share", "Shop's share of the till price"
        FLOOR = "floor", "Floor that a tower takes"
        BENCH_FLOOR = "bench_floor", "Floor that a cell on a flat bench takes"
        TOWER_PRICE = "tower_price", "A tower, bought"
        TOWER_LIFE = "tower_life", "A tower lasts"
        TOWER_RUNNING = "tower_running", "Running a tower: pump power, repairs"
        TOWER_MINUTES = "tower_minutes", "A tower on the round"
        ROUND_MINUTES = "round_minutes", "The fixed round"
        RENT = "rent", "Rent"
        HEAT = "heat", "Heat"
        POWER = "power", "Pumps, fans, cold store"
        TENT_POWER = "tent_power", "Of that, the climate tent"

    what = models.CharField(max_length=14, choices=What.choices)
    crop = models.ForeignKey(
        Crop,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="rates",
        help_text="Empty: for every crop that has no rate of its own.",
    )
    product = models.ForeignKey(
        Product,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="rates",
        help_text="Of packaging: the product that is packed in it.",
    )
    outlet = models.ForeignKey(
        Outlet,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="rates",
        help_text="Of a shop's share: the shop.",
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
                violation_error_message="That crop has such a rate from that day already.",
            ),
            models.UniqueConstraint(
                fields=["what", "since"],
                condition=Q(crop__isnull=True, product__isnull=True, outlet__isnull=True),
                name="one_rate_of_all_crops_from_a_day",
                violation_error_message="There is such a rate from that day already.",
            ),
            models.UniqueConstraint(
                fields=["product", "since"],
                condition=Q(product__isnull=False),
                name="one_packaging_rate_of_a_product_from_a_day",
                violation_error_message="That product has a rate from that day already.",
            ),
            models.UniqueConstraint(
                fields=["outlet", "since"],
                condition=Q(outlet__isnull=False),
                name="one_share_of_a_shop_from_a_day",
                violation_error_message="That shop has a share from that day already.",
            ),
            models.CheckConstraint(
                condition=Q(amount__gte=0),
                name="rate_is_not_negative",
                violation_error_message="A rate is nought or more.",
            ),
            models.CheckConstraint(
                condition=~Q(what="wage", crop__isnull=False),
                name="one_wage_for_all_crops",
                violation_error_message="Labour has one rate whoever does it and for whichever "
                "crop; leave the crop empty.",
            ),
            models.CheckConstraint(
                condition=~Q(what="floor", crop__isnull=False),
                name="one_floor_for_all_crops",
                violation_error_message="A tower takes its floor whatever grows on it; leave the "
                "crop empty.",
            ),
            models.CheckConstraint(
                condition=Q(what="packaging", crop__isnull=True, outlet__isnull=True)
                | Q(product__isnull=True) & ~Q(what="packaging"),
                name="packaging_is_of_a_product_or_of_all",
                violation_error_message="Packaging is of one product, or of all; nothing else is.",
            ),
            models.CheckConstraint(
                condition=Q(what="shop_share", outlet__isnull=False, amount__lte=100)
                | Q(outlet__isnull=True) & ~Q(what="shop_share"),
                name="a_share_is_of_a_shop_and_a_percentage",
                violation_error_message="A shop's share names its shop and is 100 per cent at "
                "most; no other rate names a shop.",
            ),
            models.CheckConstraint(
                condition=~Q(
                    what__in=[
                        *("electricity", "lamp_watts", "lamp_hours", "shop_share", "tower_price"),
                        *("tower_life", "tower_running", "tower_minutes", "round_minutes"),
                        *("rent", "heat", "power", "tent_power"),
                    ],
                    crop__isnull=False,
                ),
                name="what_belongs_to_no_crop_has_one_rate",
                violation_error_message="That is the same whatever grows; leave the crop empty.",
            ),
            models.CheckConstraint(
                condition=~Q(what="tower_life", amount=0),
                name="a_tower_lasts_some_time",
                violation_error_message="A tower lasts longer than nought years.",
            ),
        ]

    def __str__(self) -> str:
        of = self.crop or self.product or self.outlet
        named = f", {of}" if of else ""
        return f"{self.get_what_display()}{named}: {self.amount.normalize():f} {self.unit}"

    @property
    def unit(self) -> str:
        """What the amount is counted in: "pence a cell", "minutes a kg cut"."""
        return UNITS[Rate.What(self.what)]


class StandardUse(models.Model):
    """How much of something bought in one counted thing takes, from a day on: seeds or medium a
    cell, nutrient a litre of water, a bag or a label a pack. With it a receipt's own price is
    charged, paid ÷ quantity × this; without it, or where the receipt lacks either, the rate is."""

    item = models.ForeignKey(Item, models.PROTECT, related_name="standard_uses")
    product = models.ForeignKey(
        Product,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="standard_uses",
        help_text="Of packaging: the product that takes so much. Empty: each product.",
    )
    amount = models.DecimalField(
        max_digits=10, decimal_places=4, validators=[MinValueValidator(Decimal("0.0001"))]
    )
    unit = models.CharField(max_length=4, choices=Unit.choices, default=Unit.EACH)
    mix = models.CharField(
        max_length=40,
        blank=True,
        help_text="Of medium and nutrient: those of one name are used together, as A and B are. "
        "Empty: it is used alone.",
    )
    since = models.DateField()
    source = models.CharField(max_length=200, help_text="Where the figure comes from.")

    class Meta:
        ordering = ["item", "product", "-since"]
        constraints = [
            models.UniqueConstraint(
                fields=["item", "since"],
                condition=Q(product__isnull=True),
                name="one_use_of_an_input_from_a_day",
                violation_error_message="That input has a standard use from that day already.",
            ),
            models.UniqueConstraint(
                fields=["item", "product", "since"],
                condition=Q(product__isnull=False),
                name="one_use_of_an_input_in_a_product_from_a_day",
                violation_error_message="That input has a use in that product from that day "
                "already.",
            ),
            models.CheckConstraint(
                condition=Q(amount__gt=0),
                name="a_use_is_above_nought",
                violation_error_message="A standard use is more than nought.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item}: {self.amount.normalize():f} {self.unit} {self.per}"

    @property
    def per(self) -> str:
        """Of which counted thing: "a cell sown"."""
        return PER_KIND.get(Item.Kind(self.item.kind), "")

    def clean(self) -> None:
        if not self.item_id:
            return
        if not self.per:
            kinds = ", ".join(kind.label.lower() for kind in PER_KIND)
            raise ValidationError(
                {"item": f"{self.item} is used by no count of the books; only {kinds} are."}
            )
        if self.product_id and self.item.kind != Item.Kind.PACKAGING:
            raise ValidationError({"product": "Only packaging is of one product; empty this."})
        if self.mix and self.item.kind not in (_K.MEDIUM, _K.NUTRIENT):
            raise ValidationError({"mix": "Only media and nutrients are mixed; empty this."})


class TimedDay(models.Model):
    """A day whose whole session was timed. Its minutes over the standard minutes of what the
    ledger shows was done on that day rescale the standard minutes, from that day on until the
    next that was timed."""

    day = models.DateField(unique=True)
    minutes = models.DecimalField(
        max_digits=7, decimal_places=1, validators=[MinValueValidator(Decimal("0.1"))]
    )
    timed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="timed_days"
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-day"]
        verbose_name = "timed day"
        constraints = [
            models.CheckConstraint(
                condition=Q(minutes__gt=0),
                name="a_timed_day_took_some_time",
                violation_error_message="A timed day took more than nought minutes.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.day:%d %b %Y}: {self.minutes.normalize():f} minutes"

    def clean(self) -> None:
        if self.day and self.day > clock.local(clock.now()).date():
            raise ValidationError({"day": f"{self.day:%d %b %Y} is still to come."})


class Claim(models.Model):
    """What somebody says that towers, or a flat bench, give: entered as it is claimed, with who
    says so, and compared with one's own records of the same crop and season. Never a default."""

    class Of(models.TextChoices):
        TOWERS = "towers", "Towers, kg a m² of floor and year"
        BENCH = "bench", "A flat bench, kg a m² of floor and year"
        TIMES = "times", "Towers against a flat bench, times as much"

    class Season(models.TextChoices):
        YEAR = "year", "A whole year"
        WINTER = "winter", "Winter"
        SPRING = "spring", "Spring"
        SUMMER = "summer", "Summer"
        AUTUMN = "autumn", "Autumn"

    said_by = models.CharField(max_length=80)
    of = models.CharField(max_length=6, choices=Of.choices)
    amount = models.DecimalField(
        max_digits=8, decimal_places=2, validators=[MinValueValidator(Decimal("0.01"))]
    )
    crop = models.ForeignKey(
        Crop, models.PROTECT, null=True, blank=True, related_name="claims",
        help_text="Empty: of whatever grows.",
    )  # fmt: skip
    season = models.CharField(max_length=6, choices=Season.choices, default=Season.YEAR)
    floor = models.CharField(
        max_length=120, help_text="Which floor is counted: with aisles and nursery, or without."
    )
    source = models.CharField(max_length=200, help_text="Where it was said, and when.")

    class Meta:
        ordering = ["said_by", "of", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(amount__gt=0),
                name="a_claim_is_above_nought",
                violation_error_message="A claim is of more than nought.",
            ),
            models.UniqueConstraint(
                fields=["said_by", "of", "floor", "season", "crop"],
                condition=Q(crop__isnull=False),
                name="one_claim_of_a_crop_and_season",
                violation_error_message="That claim of that crop and season is there already.",
            ),
            models.UniqueConstraint(
                fields=["said_by", "of", "floor", "season"],
                condition=Q(crop__isnull=True),
                name="one_claim_of_all_crops_and_a_season",
                violation_error_message="That claim of that season is there already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.said_by}: {self.get_of_display()}, {self.amount.normalize():f}"


_W = Rate.What
_K = Item.Kind
#: A tray is 84 cells; its minutes are charged by the cell.
TRAY_CELLS = 84
UNITS = {
    _W.SEED: "pence a cell sown",
    _W.MEDIUM: "pence a cell sown",
    _W.POT: "pence a plant planted",
    _W.LIGHT: "pence a cell and day on a lit shelf",
    _W.ELECTRICITY: "pence a kWh",
    _W.LAMP_WATTS: "watts a cell in use on a lit shelf",
    _W.LAMP_HOURS: "hours a day",
    _W.NUTRIENT: "pence a kg cut",
    _W.WATER: "pence a kg cut",
    _W.LITRES: "litres a kg cut",
    _W.PACKAGING: "pence a pack",
    _W.SOW_MINUTES: f"minutes a tray of {TRAY_CELLS} cells",
    _W.PLANT_MINUTES: "minutes a plant planted",
    _W.CLEAR_MINUTES: "minutes a plant cleared",
    _W.CUT_MINUTES: "minutes a kg cut",
    _W.WASH_MINUTES: "minutes a kg washed",
    _W.PACK_MINUTES: "minutes a pack",
    _W.WAGE: "pence an hour",
    _W.SHOP_SHARE: "per cent",
    _W.FLOOR: "m² a tower, with its share of aisles and nursery",
    _W.BENCH_FLOOR: "m² a cell, with its share of aisles",
    _W.TOWER_PRICE: "pence a tower",
    _W.TOWER_LIFE: "years",
    _W.TOWER_RUNNING: "pence a tower and year",
    _W.TOWER_MINUTES: "minutes a tower and week",
    _W.ROUND_MINUTES: "minutes a day, whatever grows",
    _W.RENT: "pence a week",
    _W.HEAT: "pence a week",
    _W.POWER: "kWh a week that no crop is charged with",
    _W.TENT_POWER: "kWh a week",
}
#: What the standard use of an input is counted by.
PER_KIND = {
    _K.SEED: "a cell sown",
    _K.YOUNG_PLANTS: "a cell sown",
    _K.MEDIUM: "a cell sown",
    _K.NUTRIENT: "a litre of water",
    _K.PACKAGING: "a pack",
}
