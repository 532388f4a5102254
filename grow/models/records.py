"""Dated records: begun by one event, ended by another, never edited otherwise.

A planting, a feed, an input in use and a hold are one shape, so cancelling has one rule for
all of them: what the cancelled event began is gone, what it ended goes on.
"""

from django.db import models
from django.db.models import Q

from .ledger import Event, Lot
from .places import Place, PlantSite


class Dated(models.Model):
    began_by = models.ForeignKey(Event, models.PROTECT, related_name="+")
    began_at = models.DateTimeField()
    ended_by = models.ForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        abstract = True


def _ends_after_it_began(name: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(ended_at__isnull=True) | Q(ended_at__gte=models.F("began_at")),
        name=name,
        violation_error_message="That would end before it began.",
    )


class Planting(Dated):
    """A sowing on a plant site. A big plant's other sites carry a planting that is blocked_by
    the one it grows in: they count in site-days, not in plants."""

    batch = models.ForeignKey(Lot, models.PROTECT, related_name="plantings")
    site = models.ForeignKey(PlantSite, models.PROTECT, related_name="plantings")
    blocked_by = models.ForeignKey(
        "self", models.CASCADE, null=True, blank=True, related_name="blocks"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site"],
                condition=Q(ended_by__isnull=True),
                name="one_planting_at_a_time_on_a_site",
                violation_error_message="A plant stands on one of those sites already.",
            ),
            _ends_after_it_began("planting_ends_after_it_began"),
        ]
        indexes = [models.Index(fields=["site", "began_at"], name="planting_by_site")]


class CutSite(models.Model):
    """A planting that a cut was taken from."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="cut_sites", db_index=False)
    planting = models.ForeignKey(Planting, models.PROTECT, related_name="cuts")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["lot", "planting"],
                name="a_site_is_cut_once_in_a_cut",
                violation_error_message="The same site is named twice in one cut.",
            )
        ]


class Feed(Dated):
    """A tank feeds a place: a reading of what was told of the two, written anew with each fact."""

    tank = models.ForeignKey(Place, models.PROTECT, related_name="feeds")
    place = models.ForeignKey(Place, models.PROTECT, related_name="fed_by")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["tank", "place"],
                condition=Q(ended_by__isnull=True),
                name="a_tank_feeds_a_place_once",
                violation_error_message="That tank feeds that place already.",
            ),
            _ends_after_it_began("feed_ends_after_it_began"),
        ]


class InUse(Dated):
    """An input in use at a place: the packet is open, the roll is on the printer."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="uses")
    place = models.ForeignKey(Place, models.PROTECT, related_name="inputs_in_use")

    class Meta:
        verbose_name = "in use"
        verbose_name_plural = "in use"
        constraints = [
            models.UniqueConstraint(
                fields=["lot", "place"],
                condition=Q(ended_by__isnull=True),
                name="an_input_is_open_once_at_a_place",
                violation_error_message="That input is already in use there.",
            ),
            _ends_after_it_began("use_ends_after_it_began"),
        ]


class Hold(Dated):
    """A lot that may not move on. began_by may be a hold, or whatever made an edge below a
    held lot; ended_by is a release."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="holds")
    reason = models.CharField(max_length=300)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["lot", "began_by"],
                name="a_lot_is_held_once_by_an_event",
                violation_error_message="The same lot is named twice in one hold.",
            )
        ]


class Treatment(models.Model):
    """What a treatment lot forbids: no cut before safe_from, nobody in before reentry_at."""

    lot = models.OneToOneField(Lot, models.PROTECT, related_name="treatment", primary_key=True)
    safe_from = models.DateTimeField(null=True, blank=True)
    reentry_at = models.DateTimeField(null=True, blank=True)


class TreatedPlace(models.Model):
    """Where a treatment was given: a whole place, or one site of a tower."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="treated")
    place = models.ForeignKey(Place, models.PROTECT, related_name="treatments")
    site = models.ForeignKey(PlantSite, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["lot", "place"],
                condition=Q(site__isnull=True),
                name="a_place_is_treated_once_by_a_treatment",
                violation_error_message="The same place is named twice in one treatment.",
            ),
            models.UniqueConstraint(
                fields=["lot", "site"],
                name="a_site_is_treated_once_by_a_treatment",
                violation_error_message="The same site is named twice in one treatment.",
            ),
        ]


#: Every dated record, for cancel and for faults.
DATED: tuple[type[Dated], ...] = (Planting, Feed, InUse, Hold)


class ToCountersign(models.Model):
    """What a learner told, or did, counts at once and waits here for another person's word:
    signed_by is the countersigning act, none while it waits."""

    event = models.OneToOneField(Event, models.PROTECT, related_name="to_countersign")
    signed_by = models.ForeignKey(
        Event, models.PROTECT, null=True, blank=True, related_name="countersigned"
    )

    class Meta:
        verbose_name = "entry of a learner"
        verbose_name_plural = "entries of learners"
        indexes = [
            models.Index(
                fields=["event"],
                condition=Q(signed_by__isnull=True),
                name="waits_for_countersigning",
            )
        ]
