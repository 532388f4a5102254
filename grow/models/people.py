from django.contrib.auth.models import AbstractUser
from django.db import models

from .places import Place


class Person(AbstractUser):
    """Somebody who does or records things. A learner or agency cook is known by initials and
    a badge and has an unusable password. Tied to places, a person sees only what stood there."""

    shown_as = models.CharField(
        max_length=40, blank=True, help_text="Name or initials, as the records show them."
    )
    badge = models.CharField(max_length=20, unique=True, null=True, blank=True)
    pin = models.CharField(max_length=128, blank=True, editable=False)
    places = models.ManyToManyField(
        Place, blank=True, related_name="people", help_text="Empty: the whole farm."
    )

    class Meta(AbstractUser.Meta):
        verbose_name_plural = "people"

    def __str__(self) -> str:
        return self.shown_as or self.username

    def may(self, task: str, day=None) -> bool:
        """Whether the person was signed off for a task ("spraying", "releasing") on a day."""
        found = self.sign_offs.filter(task=task)
        if day is not None:
            found = found.filter(since__lte=day)
        return found.exists()


class SignOff(models.Model):
    """Who may do what, since when, and who says so."""

    class Task(models.TextChoices):
        PACKING = "packing", "Packing"
        SPRAYING = "spraying", "Spraying"
        RELEASING = "releasing", "Releasing held lots"
        TEACHING = "teaching", "Teaching"

    person = models.ForeignKey(Person, models.PROTECT, related_name="sign_offs")
    task = models.CharField(max_length=12, choices=Task.choices)
    since = models.DateField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="signed_off")

    class Meta:
        ordering = ["person", "task"]
        constraints = [
            models.UniqueConstraint(
                fields=["person", "task", "since"],
                name="signed_off_once_a_day_for_a_task",
                violation_error_message="That person was signed off for it on that day already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.get_task_display()}"
