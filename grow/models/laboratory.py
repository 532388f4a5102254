"""What a laboratory found, of a lot or of a place."""

from django.db import models
from django.db.models import Q

from ..microbiology import Verdict
from .ledger import Event, Lot
from .places import Place


class LabResult(models.Model):
    """One result, of one lot or of one place: a reading of its entry, which goes when that is taken
    back. figures: as the laboratory wrote them, with spaces between. criterion: a name of
    `microbiology.CRITERIA`. The verdict is that of the day on which it was told; of a series of
    water samples it counts those told before it."""

    event = models.ForeignKey(Event, models.PROTECT, related_name="lab_results")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="lab_results")
    place = models.ForeignKey(
        Place, models.PROTECT, null=True, blank=True, related_name="lab_results"
    )
    criterion = models.CharField(max_length=24)
    figures = models.CharField(max_length=400)
    verdict = models.CharField(max_length=14, choices=[(v.value, v.value) for v in Verdict])
    says = models.CharField(max_length=400)

    class Meta:
        verbose_name = "laboratory result"
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(lot__isnull=False, place__isnull=True)
                | Q(lot__isnull=True, place__isnull=False),
                name="a_result_is_of_a_lot_or_of_a_place",
                violation_error_message="A result is of one lot, or of one place.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.lot or self.place}: {self.verdict}"
