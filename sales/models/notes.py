from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from grow.models import Event, Lot, Photo, Place, Thing


class _WithPlaces(models.Manager["Outlet"]):
    """An outlet is called as its place is; whoever lists outlets reads both."""

    def get_queryset(self) -> models.QuerySet[Outlet]:
        return super().get_queryset().select_related("place")


class Outlet(models.Model):
    """Somewhere that takes what we grow. It is one standing place; the lorry, the reject
    shelf and the till that belong to it are places made when first needed."""

    place = models.OneToOneField(
        Place,
        models.PROTECT,
        related_name="outlet",
        limit_choices_to={"kind__in": ["shop", "kitchen", "buyer"]},
    )
    wants_notes = models.BooleanField(
        default=True, help_text="A note and a receipt; or just “put on shelf”."
    )
    asks_temperature = models.BooleanField(default=False)
    cooling_minutes = models.PositiveSmallIntegerField(
        "just cut for, minutes",
        default=120,
        help_text="So long after the cut a whole, unwashed crop is still cooling: its temperature "
        "is recorded and not judged.",
    )
    contact = models.CharField(max_length=80, blank=True)
    address = models.CharField(max_length=200, blank=True)
    owner = models.CharField(
        "owner of the goods, if another",
        max_length=200,
        blank=True,
        help_text="Name and address, where whoever takes the goods in takes them for another.",
    )
    telephone = models.CharField(max_length=40, blank=True)
    out_of_hours = models.CharField(max_length=40, blank=True)
    shop_share_pct = models.PositiveSmallIntegerField(
        default=0, help_text="Of the till price, what the shop itself costs. A stated figure."
    )
    price_basis = models.CharField(
        max_length=120, blank=True, help_text="For our own kitchen: where its price comes from."
    )

    objects = _WithPlaces()

    class Meta:
        ordering = ["place__name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(shop_share_pct__lte=100),
                name="shop_share_is_a_percentage",
                violation_error_message="A share is a percentage, 100 at most.",
            )
        ]

    def __str__(self) -> str:
        return self.place.name


class DeliveryNote(models.Model):
    """A numbered note. Its lines may arrive in parts. parties: who sent and who was to receive,
    with their addresses, as they stood at dispatch; empty on a note from before that was kept."""

    number = models.CharField(max_length=20, unique=True)
    outlet = models.ForeignKey(Outlet, models.PROTECT, related_name="notes")
    event = models.OneToOneField(Event, models.PROTECT, related_name="note")
    parties = models.JSONField(default=dict, blank=True, editable=False)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.number


class NoteLine(models.Model):
    """What became of one lot on a note: a reading of its receipts, kept like Holding."""

    note = models.ForeignKey(DeliveryNote, models.PROTECT, related_name="lines")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="note_lines")
    sent = models.BigIntegerField()
    accepted = models.BigIntegerField(default=0)
    short = models.BigIntegerField(default=0)
    rejected = models.BigIntegerField(default=0)
    to_follow = models.BigIntegerField()
    over = models.BigIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["note", "lot"],
                name="a_lot_stands_once_on_a_note",
                violation_error_message="The same lot stands twice on the note.",
            ),
            models.CheckConstraint(
                condition=Q(
                    sent=F("accepted") + F("short") + F("rejected") + F("to_follow") - F("over")
                ),
                name="note_line_adds_up",
                violation_error_message="The note's line does not add up.",
            ),
            models.CheckConstraint(
                condition=Q(
                    accepted__gte=0, short__gte=0, rejected__gte=0, to_follow__gte=0, over__gte=0
                ),
                name="note_line_has_nothing_negative",
                violation_error_message="Less than nothing cannot have come of a note's line.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot} on {self.note}"


class Receipt(models.Model):
    """How goods of a note came in at one time, where more than quantities was told: a reading of
    its event, which goes when that is taken back. temperature_c is of the goods, in °C."""

    class Measured(models.TextChoices):
        BETWEEN = "between", "Between packs"
        SURFACE = "surface", "On the surface"
        AIR = "air", "Air"
        NOT_TAKEN = "not_taken", "Not taken"

    class Condition(models.TextChoices):
        GOOD = "good", "Good"
        WILTED = "wilted", "Wilted"
        DAMAGED = "damaged", "Packs damaged"
        DIRTY = "dirty", "Crate or van dirty"

    event = models.OneToOneField(Event, models.PROTECT, primary_key=True, related_name="receipt")
    note = models.ForeignKey(DeliveryNote, models.PROTECT, related_name="receipts")
    temperature_c = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    measured = models.CharField(max_length=10, choices=Measured.choices, blank=True)
    probe = models.ForeignKey(
        Thing, models.PROTECT, null=True, blank=True, related_name="receipts", db_index=False
    )
    condition = models.CharField(max_length=10, choices=Condition.choices, blank=True)

    class Meta:
        ordering = ["event"]

    def __str__(self) -> str:
        return f"{self.note} as it came"


class ReceiptLine(models.Model):
    """What was wrong with one lot as it came: how much was short or rejected, why, and how it
    looked. The photograph is seen by whoever sees the note, and by nobody for the lot's sake."""

    class Reason(models.TextChoices):
        NOT_THERE = "not there", "Not there"
        WILTED = "wilted", "Wilted"
        PEST = "pest", "Pest"
        TOO_WARM = "too warm", "Too warm"
        DAMAGED = "damaged", "Damaged"
        DIRTY = "dirty", "Dirty"
        WRONG_GOODS = "wrong goods", "Wrong goods"
        PAST_ITS_DATE = "past its date", "Past its date"

    receipt = models.ForeignKey(Receipt, models.CASCADE, related_name="lines")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="receipt_lines", db_index=False)
    short = models.BigIntegerField(default=0)
    rejected = models.BigIntegerField(default=0)
    reason = models.CharField(max_length=80, blank=True)
    photo = models.ForeignKey(
        Photo, models.PROTECT, null=True, blank=True, related_name="receipt_lines"
    )

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.lot} in {self.receipt}"


class TillDay(models.Model):
    """A till's business day as it stands told, once: a reading of its event, which goes when that
    is taken back. Every letter of the till's name counts."""

    event = models.OneToOneField(Event, models.PROTECT, primary_key=True, related_name="till_day")
    outlet = models.ForeignKey(Outlet, models.PROTECT, related_name="till_days", db_index=False)
    till = models.CharField(max_length=40)
    day = models.PositiveIntegerField(help_text="Local day as yyyymmdd.")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["outlet", "till", "day"],
                name="a_till_tells_its_day_once",
                violation_error_message="That till has told its day already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.till} at {self.outlet} on {self.day}"
