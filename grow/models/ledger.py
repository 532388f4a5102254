"""The ledger: Lot, Event, Movement, Holding, Lineage, and what hangs on an event.

Lot, Event and Movement are written once (triggers refuse UPDATE and DELETE). Holding is the
sum of Movement, kept under a CHECK; Lineage is who came from whom. `grow.ledger` is the only
writer of all of them.
"""

from __future__ import annotations

from typing import NamedTuple

from django.conf import settings
from django.db import models
from django.db.models import Exists, F, OuterRef, Q

from ..ready import Given, ready
from .crops import Crop, Item, Variety
from .places import Place, PlaceKind, Thing


class LotKind(models.TextChoices):
    INPUT = "input", "Input"
    PRODUCE = "produce", "Bought produce"
    WATER = "water", "Water"
    TREATMENT = "treatment", "Spray or treatment"
    BATCH = "batch", "Sowing"
    HARVEST = "harvest", "Cut"
    PACK = "pack", "Run"


#: Moved by quantity, never overdrawn. Inputs, water and treatments are not.
STRICT = frozenset({LotKind.BATCH, LotKind.HARVEST, LotKind.PRODUCE, LotKind.PACK})


class Unit(models.TextChoices):
    G = "g", "g"
    ML = "ml", "ml"
    EACH = "each", "each"


class Basis(models.TextChoices):
    """How a quantity was known."""

    WEIGHED = "weighed", "weighed"
    COUNTED = "counted", "counted"
    SCANNED = "scanned", "scanned"
    ESTIMATED = "estimated", "estimated"
    SHARED_OUT = "shared_out", "shared out"
    REMAINDER = "remainder", "remainder"
    WORKED_OUT = "worked_out", "worked out"


#: The kinds that take another event back.
CANCELLING = ("cancel", "undo")


def alive(event: str = "pk") -> Q:
    """The event that is meant was not taken back: `Event.objects.filter(alive())`,
    `Counted.objects.filter(alive("event"))`, `Lot.objects.filter(alive("made_by"))`."""
    return Q(~Exists(Event.objects.filter(corrects=OuterRef(event), kind__in=CANCELLING)))


class Told(NamedTuple):
    """What an act wrote, in memory."""

    lots: list[Lot]
    moves: list[Movement]
    flags: list[Flag]


_made = ready(lambda: Lot.objects.filter(made_by=Given("event")).order_by("id"))


class Event(models.Model):
    """What somebody did.

    happened_at is the moment told, or the middle that a day-only entry is given; placed_at is
    where the act stands in the order of the books (a closing count is the last act of its day,
    whatever its hour). Between earliest_at and latest_at it certainly happened: an entry with
    only a day has the whole day. told holds the validated arguments as canonical JSON.
    """

    kind = models.CharField(max_length=24)
    began_at = models.DateTimeField(null=True, blank=True)
    happened_at = models.DateTimeField()
    placed_at = models.DateTimeField()
    earliest_at = models.DateTimeField()
    latest_at = models.DateTimeField()
    day = models.PositiveIntegerField(help_text="Local day as yyyymmdd.")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="recorded", db_index=False
    )
    device = models.CharField(max_length=40, blank=True)
    place = models.ForeignKey(
        Place, models.PROTECT, null=True, blank=True, related_name="events", db_index=False
    )
    client_id = models.CharField(max_length=64, null=True, blank=True)
    told = models.TextField(null=True, blank=True)
    already_done = models.BooleanField(default=False)
    corrects = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="corrections"
    )
    because_of = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="consequences"
    )
    done_by = models.ManyToManyField(settings.AUTH_USER_MODEL, related_name="did", blank=True)
    things = models.ManyToManyField(Thing, related_name="events", blank=True)
    tanks = models.ManyToManyField(
        Place, related_name="waterings", blank=True, help_text="Tanks whose water the act used."
    )
    #: Set by the ledger on the answer to a repeat: it was written before under the same client id.
    told_before: bool = False
    #: Set by the ledger on an act that has just been told: what it wrote, asked for no more.
    told_now: Told | None = None
    inputs: models.ManyToManyField = models.ManyToManyField(
        "Lot", related_name="named_in", blank=True, help_text="Inputs that the act named."
    )

    class Meta:
        ordering = ["placed_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["recorded_by", "client_id"],
                name="one_event_for_one_client_id",
                violation_error_message="An entry with that id was recorded already.",
            ),
            models.CheckConstraint(
                condition=Q(told__isnull=False) | Q(because_of__isnull=False),
                name="event_is_told_or_follows_from_one",
                violation_error_message="An entry is told, or follows from one.",
            ),
        ]
        indexes = [
            models.Index(fields=["kind", "placed_at"], name="event_by_kind_in_order"),
            models.Index(fields=["day", "kind"], name="event_by_day"),
            # a tank's waters and a shelf's counts are asked for from the last one backwards
            models.Index(fields=["place", "kind", "placed_at"], name="event_by_place"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.happened_at:%Y-%m-%d %H:%M}"

    @property
    def lots(self) -> list[Lot]:
        """The lots that this event made, oldest first."""
        if self.told_now is not None:
            return list(self.told_now.lots)
        lots: list[Lot] = _made(event=self.pk)
        for lot in lots:
            lot.made_by = self
        return lots

    @property
    def lot(self) -> Lot:
        """The one lot that this event made."""
        (lot,) = self.lots
        return lot

    @property
    def is_cancelled(self) -> bool:
        return self.corrections.filter(kind__in=CANCELLING).exists()


class Lot(models.Model):
    """Everything that can be traced. Immutable; what is learnt later is a Description.

    line is what the thing is sold as ("SALAD-120", "crop:7"): a till row that names no lot
    takes from lots of its line. grams_each is frozen for packs. use_by is the date given at
    birth; a Description may only shorten it.
    """

    code = models.CharField(max_length=20, unique=True)
    kind = models.CharField(max_length=10, choices=LotKind.choices)
    unit = models.CharField(max_length=4, choices=Unit.choices)
    grams_each = models.PositiveIntegerField(null=True, blank=True)
    crop = models.ForeignKey(Crop, models.PROTECT, null=True, blank=True, related_name="lots")
    variety = models.ForeignKey(Variety, models.PROTECT, null=True, blank=True, related_name="lots")
    item = models.ForeignKey(Item, models.PROTECT, null=True, blank=True, related_name="lots")
    title = models.CharField(max_length=80, blank=True)
    line = models.CharField(max_length=40, blank=True)
    use_by = models.DateField(null=True, blank=True)
    made_by = models.ForeignKey(Event, models.PROTECT, related_name="made")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                # a comparison with nothing is neither true nor false, and would pass
                condition=Q(
                    kind=LotKind.PACK, grams_each__isnull=False, grams_each__gt=0, unit=Unit.EACH
                )
                | (~Q(kind=LotKind.PACK) & Q(grams_each__isnull=True)),
                name="only_packs_have_grams_each",
                violation_error_message="Packs say their grams each; nothing else does.",
            ),
            models.CheckConstraint(
                condition=Q(kind__in=[LotKind.HARVEST, LotKind.PRODUCE], unit=Unit.G)
                | Q(kind__in=[LotKind.BATCH, LotKind.PACK], unit=Unit.EACH)
                | Q(kind__in=[LotKind.INPUT, LotKind.WATER, LotKind.TREATMENT]),
                name="lot_unit_fits_its_kind",
                violation_error_message="Leaf is kept in grams, plants and packs by number.",
            ),
            models.CheckConstraint(
                condition=Q(unit__in=Unit.values),
                name="lot_unit_is_known",
                violation_error_message="Quantities are in g, ml or each.",
            ),
        ]
        indexes = [
            models.Index(fields=["line", "use_by", "id"], name="lot_by_line_first_expired"),
            models.Index(fields=["kind", "id"], name="lot_by_kind"),
        ]

    def __str__(self) -> str:
        return self.code


class Movement(models.Model):
    """One lot, one from, one to, one quantity in the lot's unit, and how it was known.

    despite_hold is set, and only then, by the writer that has looked at the lot's holds and
    lets it move all the same; a trigger refuses a held lot's movement without it.
    """

    #: The movement that this one takes back, while it is being posted; it is not a column.
    takes_back: Movement | None = None

    event = models.ForeignKey(Event, models.PROTECT, related_name="movements", db_index=False)
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="movements", db_index=False)
    from_place = models.ForeignKey(Place, models.PROTECT, related_name="+", db_index=False)
    to_place = models.ForeignKey(Place, models.PROTECT, related_name="+", db_index=False)
    quantity = models.BigIntegerField()
    basis = models.CharField(max_length=10, choices=Basis.choices)
    day = models.PositiveIntegerField()
    despite_hold = models.BooleanField(default=False)

    class Meta:
        verbose_name = "moved"
        verbose_name_plural = "moved"
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(quantity__gt=0),
                name="movement_moves_something",
                violation_error_message="Nothing would be moved.",
            ),
            models.CheckConstraint(
                condition=~Q(from_place=F("to_place")),
                name="movement_goes_somewhere",
                violation_error_message="It is there already; say another place.",
            ),
            models.CheckConstraint(
                condition=Q(basis__in=Basis.values),
                name="movement_basis_is_known",
                violation_error_message="Say how it was known: weighed, counted …",
            ),
        ]
        indexes = [
            models.Index(
                fields=["lot", "from_place", "to_place", "quantity", "basis", "event"],
                name="movement_by_lot",
            ),
            models.Index(fields=["event", "lot"], name="movement_by_event"),
            models.Index(fields=["day"], name="movement_by_day"),
        ]

    def __str__(self) -> str:
        return f"{self.lot}: {self.quantity} {self.from_place} → {self.to_place}"


class Holding(models.Model):
    """What of a lot is in a place: the sum of its movements. Only a source falls below zero."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="holdings", db_index=False)
    place = models.ForeignKey(Place, models.PROTECT, related_name="holdings", db_index=False)
    quantity = models.BigIntegerField(default=0)
    source = models.BooleanField(default=False)

    class Meta:
        verbose_name = "what is here"
        verbose_name_plural = "what is here"
        constraints = [
            models.UniqueConstraint(
                fields=["lot", "place"],
                name="one_holding_of_a_lot_in_a_place",
                violation_error_message="What is here of a lot stands in one row.",
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=0) | Q(source=True),
                name="holding_never_below_zero",
                violation_error_message="That would leave less than nothing of a lot in a place.",
            ),
        ]
        indexes = [models.Index(fields=["place", "quantity", "lot"], name="holding_by_place")]

    def __str__(self) -> str:
        return f"{self.lot} in {self.place}: {self.quantity}"


class Lineage(models.Model):
    """Parent → child. went_in carries what moved parent → used, in the parent's unit; grew the
    grams of that sowing; touched carries none. A corrected edge is struck, not removed; readings
    that look for danger follow it until the food-safety lead clears it."""

    class Kind(models.TextChoices):
        WENT_IN = "went_in", "went in"
        GREW = "grew", "grew"
        TOUCHED = "touched", "touched"

    parent = models.ForeignKey(Lot, models.PROTECT, related_name="below", db_index=False)
    child = models.ForeignKey(Lot, models.PROTECT, related_name="above", db_index=False)
    kind = models.CharField(max_length=7, choices=Kind.choices)
    event = models.ForeignKey(Event, models.PROTECT, related_name="edges", db_index=False)
    quantity = models.BigIntegerField(null=True, blank=True)
    struck_by = models.ForeignKey(
        Event, models.PROTECT, null=True, blank=True, related_name="struck", db_index=False
    )
    cleared_by = models.ForeignKey(
        Event, models.PROTECT, null=True, blank=True, related_name="cleared", db_index=False
    )

    class Meta:
        verbose_name = "came from"
        verbose_name_plural = "came from"
        constraints = [
            models.UniqueConstraint(
                fields=["parent", "child", "kind", "event"],
                name="one_edge_of_a_kind_by_an_event",
                violation_error_message="The same lot is named twice as what it came from.",
            ),
            models.CheckConstraint(
                condition=Q(kind="touched", quantity__isnull=True)
                | (~Q(kind="touched") & Q(quantity__isnull=False)),
                name="only_touch_has_no_quantity",
                violation_error_message="Say how much of it went in.",
            ),
            models.CheckConstraint(
                condition=~Q(parent=F("child")),
                name="no_lot_is_its_own_parent",
                violation_error_message="A lot cannot come from itself.",
            ),
        ]
        indexes = [
            models.Index(fields=["child", "parent", "kind", "quantity"], name="lineage_backward"),
            models.Index(fields=["event"], name="lineage_by_event"),
        ]

    def __str__(self) -> str:
        return f"{self.parent} {self.kind} {self.child}"


class Counted(models.Model):
    """Somebody looked: so much of a lot was in a place. "Crate empty" is a count of nought. It
    is struck when it turns out to have been of another crate."""

    event = models.ForeignKey(Event, models.PROTECT, related_name="counts")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="counts")
    place = models.ForeignKey(Place, models.PROTECT, related_name="+")
    quantity = models.BigIntegerField()
    struck_by = models.ForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        verbose_name_plural = "counted"
        constraints = [
            models.UniqueConstraint(
                fields=["event", "lot", "place"],
                name="a_lot_is_counted_once_by_an_event",
                violation_error_message="A lot is counted once in a place; tell one figure.",
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=0),
                name="count_is_not_negative",
                violation_error_message="Fewer than none cannot have been there.",
            ),
        ]


class Unnamed(models.Model):
    """So many of a line left a place and nobody said which lot: a till row. The books work out
    the lots, first-expired-first; what they cannot is "sold, lot unknown"."""

    event = models.ForeignKey(Event, models.PROTECT, related_name="unnamed")
    place = models.ForeignKey(Place, models.PROTECT, related_name="+")
    to_place = models.ForeignKey(Place, models.PROTECT, related_name="+")
    line = models.CharField(max_length=40)
    quantity = models.BigIntegerField()
    unit_pence = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        verbose_name = "sold by product"
        verbose_name_plural = "sold by product"
        constraints = [
            models.UniqueConstraint(
                fields=["event", "place", "line", "unit_pence"],
                name="a_line_stands_once_at_a_price_on_a_till_row",
                violation_error_message="The same product stands twice at one price in the till's "
                "day.",
            ),
            models.UniqueConstraint(
                fields=["event", "place", "line"],
                condition=Q(unit_pence__isnull=True),
                name="a_line_stands_once_at_the_list_price_on_a_till_row",
                violation_error_message="The same product stands twice at the list price in the "
                "till's day.",
            ),
            models.CheckConstraint(
                condition=Q(quantity__gt=0),
                name="till_row_sells_something",
                violation_error_message="A till row of nothing sells nothing.",
            ),
        ]
        indexes = [models.Index(fields=["place", "line"], name="unnamed_by_shelf")]


class Flag(models.Model):
    """Something in an entry that the manager or the food-safety lead must see."""

    class Kind(models.TextChoices):
        BREACH = "breach", "Moved although held"
        AFTER_FREEZE = "after_freeze", "Told after the freeze"
        SHORT = "short", "Beyond the books"
        OVER = "over", "More came than was sent"
        BORN_HELD = "born_held", "Held from the start"
        MOMENT = "moment", "Moment moved to the nearest possible"
        FOUND_CLEARED = "found_cleared", "Site was found cleared"
        OUTWEIGHS = "outweighs", "Run outweighs its crates"
        UNUSUAL = "unusual", "Five times over or under what is usual"
        LOT_UNKNOWN = "lot_unknown", "Sold, lot unknown"
        TAG_TWICE = "tag_twice", "Crate tag was already used"
        WRONG_ORIGIN = "wrong_origin", "Origin corrected"
        NOT_ON_BOOKS = "not_on_books", "The books knew nothing of it"
        AGAINST_RULE = "against_rule", "Done against a rule"
        UNSAID = "unsaid", "Something was left unsaid"
        CLOCK = "clock", "Told by a clock that was wrong"
        LAB_FAILED = "lab_failed", "Laboratory result fails"

    event = models.ForeignKey(Event, models.PROTECT, related_name="flags")
    kind = models.CharField(max_length=14, choices=Kind.choices)
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="flags")
    says = models.CharField(max_length=400)

    class Meta:
        verbose_name = "to be looked at"
        verbose_name_plural = "to be looked at"
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.says


class Description(models.Model):
    """What is learnt later about a lot: another name, a best-before, a passport, a picture."""

    event = models.ForeignKey(Event, models.PROTECT, related_name="descriptions")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="descriptions")
    name = models.CharField(max_length=60, blank=True)
    name_key = models.CharField(max_length=60, blank=True, db_index=True)
    best_before = models.DateField(null=True, blank=True)
    plant_passport = models.CharField(max_length=120, blank=True)
    photo = models.ForeignKey("Photo", models.PROTECT, null=True, blank=True, related_name="+")
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        verbose_name_plural = "learnt later"


class Photo(models.Model):
    """A picture, re-encoded before the gate; told holds the hash of what was sent."""

    sha256 = models.CharField(max_length=64, unique=True)
    jpeg = models.BinaryField()
    #: of whoever sent it and is tied to places, those places: they may name it in an entry
    sent_from = models.ManyToManyField(Place, related_name="+", blank=True)


class CodeCounter(models.Model):
    """The last number given in a series on a day; day 0 for series without one."""

    series = models.CharField(max_length=4)
    day = models.PositiveIntegerField()
    last = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["series", "day"],
                name="one_counter_a_series_and_day",
                violation_error_message="A series of codes is counted once a day.",
            )
        ]


class Tag(models.Model):
    """A crate tag: a valid harvest code printed before there is a harvest."""

    code = models.CharField(max_length=20, unique=True)
    printed_by = models.ForeignKey(Event, models.PROTECT, related_name="tags")

    class Meta:
        verbose_name = "crate tag"


class Delta(models.Model):
    """Append-only sums of movements, so that a year's figures need not read a year's rows.

    quantity is grams, cells or pieces: packs are split to crops in grams by what went in. It is
    below nought only where a corrected origin takes grams from a crop. event_kind is the act's
    own, a correction's that of the act it corrects. upto is the last movement swept; a reading
    is the deltas and the live tail above it.
    """

    day = models.PositiveIntegerField()
    crop = models.ForeignKey(Crop, models.PROTECT, null=True, related_name="+", db_index=False)
    lot_kind = models.CharField(max_length=10, choices=LotKind.choices)
    event_kind = models.CharField(max_length=24)
    from_kind = models.CharField(max_length=20, choices=PlaceKind.choices)
    to_kind = models.CharField(max_length=20, choices=PlaceKind.choices)
    unit = models.CharField(max_length=4, choices=Unit.choices)
    quantity = models.BigIntegerField()
    upto = models.BigIntegerField()

    class Meta:
        indexes = [
            models.Index(fields=["day", "crop"], name="delta_by_day_and_crop"),
            models.Index(fields=["upto"], name="delta_by_sweep"),
        ]


class CropShare(models.Model):
    """By what grams a lot's rows were shared to crops when last swept, where that is not simply
    the lot's own crop: a mixed run, a cut whose origin was corrected. Kept by the sweep."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="+", db_index=False)
    crop = models.ForeignKey(Crop, models.PROTECT, null=True, related_name="+", db_index=False)
    grams = models.BigIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["lot", "crop"],
                name="a_crop_has_one_share_of_a_lot",
                violation_error_message="A crop has one share of a lot.",
            ),
            models.CheckConstraint(
                condition=Q(grams__gt=0),
                name="crop_share_is_something",
                violation_error_message="A crop's share of a lot is more than nothing.",
            ),
        ]


class MonthSum(models.Model):
    """Append-only sums of months that are over (`grow.months`): of a month, a crop and a key of
    the source's own, its rows added up are what the source counts. A later row is what was told
    of the month since. upto is the last event that was counted."""

    what = models.CharField(max_length=16)
    month = models.PositiveIntegerField(help_text="As yyyymm.")
    crop = models.ForeignKey(Crop, models.PROTECT, null=True, related_name="+", db_index=False)
    key = models.CharField(max_length=80, blank=True)
    quantity = models.BigIntegerField()
    upto = models.BigIntegerField()

    class Meta:
        indexes = [
            # all that a reading asks for, so that it reads the index alone
            models.Index(
                fields=["what", "month", "key", "crop", "quantity"], name="month_sum_by_what"
            ),
        ]


class MonthsSwept(models.Model):
    """Up to which month the months were added up, and the last event that was counted. The newest
    row holds."""

    through = models.PositiveIntegerField(help_text="As yyyymm.")
    upto = models.BigIntegerField()
