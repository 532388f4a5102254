"""Where a lot can be: places that stand, sources it comes out of, ends it goes into."""

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q


class PlaceKind(models.TextChoices):
    # standing places: what is here, is here
    BENCH = "bench", "Bench"
    SHELF = "shelf", "Lit shelf"
    TENT = "tent", "Climate tent"
    TOWER = "tower", "Tower"
    TANK = "tank", "Tank"
    STORE = "store", "Store"
    PACKHOUSE = "packhouse", "Pack-house"
    QUARANTINE = "quarantine", "Quarantine"
    TRANSIT = "transit", "On the way"
    SHOP = "shop", "Shop"
    KITCHEN = "kitchen", "Kitchen"
    BUYER = "buyer", "Other business"
    AREA = "area", "Area"
    # sources: may fall below zero
    SUPPLIER = "supplier", "Supplier"
    MAINS = "mains", "Mains water"
    GROWTH = "growth", "Growth"
    PACKING = "packing", "Packing"
    OPENING = "opening", "Opening stock"
    WATER_SCALE = "water_scale", "Water and scale"
    COUNT_DIFFERENCE = "count_difference", "Count difference"
    # ends
    USED = "used", "Became another lot"
    SOLD = "sold", "Sold"
    SERVED = "served", "Served"
    COMPOST = "compost", "Compost"
    FEED = "feed", "Animal feed"
    DONATED = "donated", "Donated"
    STAFF = "staff", "Staff"
    LANDFILL = "landfill", "Bin"
    DESTROYED = "destroyed", "Destroyed"
    SAMPLE = "sample", "Sample"
    GIVEAWAY = "giveaway", "Giveaway"
    MOISTURE = "moisture", "Moisture lost"


K = PlaceKind
SOURCES = frozenset(
    {K.SUPPLIER, K.MAINS, K.GROWTH, K.PACKING, K.OPENING, K.WATER_SCALE, K.COUNT_DIFFERENCE}
)
ENDS = frozenset(
    {
        *(K.USED, K.SOLD, K.SERVED, K.COMPOST, K.FEED, K.DONATED, K.STAFF),
        *(K.LANDFILL, K.DESTROYED, K.SAMPLE, K.GIVEAWAY, K.MOISTURE),
    }
)
OUTLETS = frozenset({K.SHOP, K.KITCHEN, K.BUYER})
NURSERY = frozenset({K.BENCH, K.SHELF, K.TENT})
#: Where plants stand.
GROWING = frozenset({*NURSERY, K.TOWER})
#: Kinds of place that stand beside an outlet, one of each.
BESIDE = frozenset({K.TRANSIT, K.QUARANTINE, K.SOLD, K.SERVED})
#: Kinds of which a business has exactly one place; made after each migrate.
SINGLE = frozenset(
    {
        *(K.MAINS, K.GROWTH, K.PACKING, K.OPENING, K.WATER_SCALE, K.COUNT_DIFFERENCE),
        *(K.USED, K.COMPOST, K.FEED, K.DONATED, K.STAFF, K.LANDFILL, K.DESTROYED),
        *(K.SAMPLE, K.GIVEAWAY, K.MOISTURE),
    }
)


class Place(models.Model):
    """One place. `within` is the area around it; `belongs_to` is the outlet that a lorry,
    a reject shelf or a till stands for. The kind is fixed once anything has moved there or was
    done there: a trigger keeps it."""

    name = models.CharField(max_length=60, unique=True)
    kind = models.CharField(max_length=20, choices=PlaceKind.choices)
    within = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="contains"
    )
    belongs_to = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="side_places"
    )

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=PlaceKind.values),
                name="place_kind_is_known",
                violation_error_message="Choose the kind of place from the list.",
            ),
            models.UniqueConstraint(
                fields=["kind"],
                condition=Q(kind__in=sorted(SINGLE)),
                name="one_place_of_a_kind_that_all_have",
                violation_error_message="There is such a place already; rename that.",
            ),
            models.UniqueConstraint(
                fields=["belongs_to", "kind"],
                condition=Q(kind__in=sorted(BESIDE)),
                name="one_place_of_a_kind_beside_an_outlet",
                violation_error_message="That outlet has such a place already.",
            ),
        ]
        indexes = [models.Index(fields=["kind"], name="place_by_kind")]

    def __str__(self) -> str:
        return self.name

    @property
    def is_source(self) -> bool:
        return self.kind in SOURCES

    @property
    def is_end(self) -> bool:
        return self.kind in ENDS

    @property
    def is_standing(self) -> bool:
        return not (self.is_source or self.is_end)

    def clean(self) -> None:
        if self.pk and (self.holdings.exists() or self.events.exists()):
            was = Place.objects.values_list("kind", flat=True).get(pk=self.pk)
            if was != self.kind:
                raise ValidationError(
                    {"kind": f"{self.name} has had lots moved through it; its kind stays “{was}”."}
                )


class PlantSite(models.Model):
    """One hole in a tower. Tier 1 is the lowest; height changes yield two- to five-fold."""

    tower = models.ForeignKey(
        Place, models.PROTECT, related_name="sites", limit_choices_to={"kind": K.TOWER}
    )
    tier = models.PositiveSmallIntegerField(help_text="1 is the lowest ring.")
    position = models.PositiveSmallIntegerField(help_text="Counted round the ring.")
    out_of_use = models.BooleanField(default=False)

    class Meta:
        ordering = ["tower", "tier", "position"]
        constraints = [
            models.UniqueConstraint(
                fields=["tower", "tier", "position"],
                name="site_stands_once_on_its_tower",
                violation_error_message="That tower has a site of that tier and position already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.tower} {self.tier}/{self.position}"


class Thing(models.Model):
    """A thing that is checked or that touches food: scale, probe, fridge, spinner, knife set."""

    class Kind(models.TextChoices):
        SCALE = "scale", "Scale"
        PROBE = "probe", "Probe thermometer"
        FRIDGE = "fridge", "Fridge or cold store"
        SPINNER = "spinner", "Salad spinner"
        KNIFE = "knife", "Knives or scissors"
        CRATE = "crate", "Crates"
        GLASS = "glass", "Glass and brittle plastic"
        PUMP = "pump", "Pump or lamp"
        OTHER = "other", "Other"

    name = models.CharField(max_length=60, unique=True)
    kind = models.CharField(max_length=12, choices=Kind.choices)
    place = models.ForeignKey(
        Place,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="things",
        help_text="Where it stands. A fridge names the store that it is.",
    )
    division_g = models.DecimalField(
        "division, g",
        max_digits=7,
        decimal_places=2,
        null=True,
        blank=True,
        help_text="Of a scale: the smallest step that it shows.",
    )
    for_trade = models.BooleanField(
        default=False, help_text="Of a scale: verified and stamped for use in trade."
    )

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(division_g__isnull=True) | Q(division_g__gt=0),
                name="scale_has_a_division",
                violation_error_message="A scale shows steps of more than nought.",
            )
        ]

    def __str__(self) -> str:
        return self.name
