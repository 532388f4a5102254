"""What a recall keeps: its scope, its own list of lots, what was told to whom and when, and what
came of it. Everything done is an event; these rows are readings of them that only grow."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from grow.models import Event, Lot, Place, Thing

from .notes import Outlet
from .packing import Product


class Recall(models.Model):
    """A recall, a withdrawal, or a mock of one, opened by its event. A withdrawal stops goods
    before they reach consumers; a recall also tells consumers what to do. hazard is what a notice
    says; reason is for our own records. A mock one holds nothing."""

    class Kind(models.TextChoices):
        RECALL = "recall", "Recall: customers may have it"
        WITHDRAWAL = "withdrawal", "Withdrawal: no customer has it yet"

    event = models.OneToOneField(Event, models.PROTECT, primary_key=True, related_name="recall")
    number = models.CharField(max_length=20, unique=True)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    is_mock = models.BooleanField(default=False)
    hazard = models.CharField(max_length=200)
    reason = models.CharField(max_length=300, blank=True)
    closed_by = models.OneToOneField(
        Event, models.PROTECT, null=True, blank=True, related_name="recall_closed"
    )
    #: what became of what is unexplained, in a sentence; and what was done about the cause
    unexplained = models.CharField(max_length=500, blank=True)
    done = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-event"]
        indexes = [
            models.Index(
                fields=["event"],
                condition=Q(closed_by__isnull=True, is_mock=False),
                name="recall_that_is_open",
            )
        ]

    def __str__(self) -> str:
        return self.number

    @property
    def noun(self) -> str:
        name = "withdrawal" if self.kind == self.Kind.WITHDRAWAL else "recall"
        return f"mock {name}" if self.is_mock else name


class RecallWindow(models.Model):
    """A part of the scope: what was in a place, or was touched by a thing, from one moment to
    another, both included; no end is still going on. It is ended by what narrows it."""

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="windows")
    place = models.ForeignKey(Place, models.PROTECT, null=True, blank=True, related_name="+")
    thing = models.ForeignKey(Thing, models.PROTECT, null=True, blank=True, related_name="+")
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)
    begun_by = models.ForeignKey(Event, models.PROTECT, related_name="+")
    ended_by = models.ForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(place__isnull=False, thing__isnull=True)
                | Q(place__isnull=True, thing__isnull=False),
                name="a_window_is_of_one_place_or_thing",
                violation_error_message="Say a place or a thing; one of the two.",
            ),
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(until__gte=models.F("since")),
                name="a_window_ends_after_it_begins",
                violation_error_message="The window ends before it begins.",
            ),
        ]

    def __str__(self) -> str:
        return str(self.place or self.thing)


class RecallLot(models.Model):
    """A lot on a recall's own list, and why it joined. window: the part of the scope that brought
    it; joined_by: the event that did. narrowed_by takes it out, with a reason; coming in again is
    another row."""

    class How(models.TextChoices):
        OPENED = "opened", "named when it was opened or widened"
        MADE = "made", "made from one of them"
        BORN = "born", "made since"
        LATE = "late", "brought in by something told late"

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="lots")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="recalls")
    how = models.CharField(max_length=6, choices=How.choices)
    why = models.CharField(max_length=200)
    window = models.ForeignKey(
        RecallWindow, models.PROTECT, null=True, blank=True, related_name="+"
    )
    joined_by = models.ForeignKey(Event, models.PROTECT, related_name="+")
    narrowed_by = models.ForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="+")
    narrowed_why = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["recall", "lot"],
                condition=Q(narrowed_by__isnull=True),
                name="a_lot_stands_once_on_a_recall",
                violation_error_message="That lot is on the recall already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.lot} in {self.recall}"

    @property
    def is_root(self) -> bool:
        """Whether it is suspect by itself, and not only for what it was made from."""
        return self.how == self.How.OPENED or self.window_id is not None


class RecallStep(models.Model):
    """A step of a recall that was told: to the authority, or to customers by a notice. answered:
    whether somebody was reached."""

    class What(models.TextChoices):
        AUTHORITY = "authority", "Authority told"
        NOTICE = "notice", "Customer told"

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="steps")
    event = models.ForeignKey(Event, models.PROTECT, related_name="+")
    what = models.CharField(max_length=10, choices=What.choices)
    to = models.CharField(max_length=100)
    how = models.CharField(max_length=12)
    answered = models.BooleanField(default=True)

    class Meta:
        ordering = ["id"]


class Notice(models.Model):
    """What one customer is told, frozen when it was approved. `to` is the customer's name, empty
    for the notice at the point of sale; says is the whole text, as `recall_words` drafts it."""

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="notices")
    approved_by = models.ForeignKey(Event, models.PROTECT, related_name="+")
    to = models.CharField(max_length=100, blank=True)
    says = models.JSONField()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["approved_by", "to"],
                name="one_notice_to_a_customer_at_a_time",
                violation_error_message="One customer has two notices.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.recall} to {self.to or 'whoever bought it'}"


class Reply(models.Model):
    """What a customer answered. What came back or was destroyed has moved in the same event."""

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="replies")
    event = models.OneToOneField(Event, models.PROTECT, primary_key=True, related_name="+")
    to = models.CharField(max_length=100)
    outlet = models.ForeignKey(Outlet, models.PROTECT, null=True, blank=True, related_name="+")
    says = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["event"]


class Drill(models.Model):
    """What a mock recall came to: one count of what truly stood there, one telephone that
    answered, the share that was accounted for, what fell short and what is done about it."""

    recall = models.OneToOneField(Recall, models.PROTECT, primary_key=True, related_name="drill")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="+")
    place = models.ForeignKey(Place, models.PROTECT, related_name="+")
    counted = models.BigIntegerField()
    booked = models.BigIntegerField()
    telephone = models.CharField(max_length=40)
    accounted_pct = models.DecimalField(max_digits=7, decimal_places=2, null=True, blank=True)
    seconds = models.PositiveIntegerField(help_text="From opening to closing.")
    result = models.CharField(max_length=300)
    shortcomings = models.CharField(max_length=300, blank=True)
    corrective = models.CharField(max_length=300, blank=True)
    retest_on = models.DateField(null=True, blank=True)


class Complaint(models.Model):
    """What somebody complained of: product, date on it, what happened; with the lot where it is
    known. Who complained is not kept here. answered_by says what was done about it."""

    event = models.OneToOneField(Event, models.PROTECT, primary_key=True, related_name="complaint")
    number = models.CharField(max_length=20, unique=True)
    product = models.ForeignKey(Product, models.PROTECT, null=True, blank=True, related_name="+")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="complaints")
    date = models.DateField(null=True, blank=True)
    outlet = models.ForeignKey(Outlet, models.PROTECT, null=True, blank=True, related_name="+")
    happened = models.CharField(max_length=300)
    ill = models.BooleanField(default=False)
    answered_by = models.ForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="+")
    done = models.CharField(max_length=300, blank=True)
    retest_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["-event"]
        constraints = [
            models.CheckConstraint(
                condition=Q(product__isnull=False) | Q(lot__isnull=False),
                name="a_complaint_is_of_something",
                violation_error_message="Say the product, or the lot on it.",
            )
        ]

    def __str__(self) -> str:
        return self.number
