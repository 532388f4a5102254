from django.contrib.auth.models import AbstractUser
from django.core.validators import RegexValidator
from django.db import models

from .places import Place

#: Letters, digits, and what stands between them in a name.
_PLAIN = RegexValidator(r"^\w[\w .,'’()/-]*\Z", "Letters, digits, spaces and hyphens only.")


class Person(AbstractUser):
    """Somebody who does or records things. A learner or agency cook is known by initials and
    a badge and has an unusable password. Tied to places, a person sees only what stood there."""

    shown_as = models.CharField(
        max_length=40, blank=True, help_text="Name or initials, as the records show them."
    )
    badge = models.CharField(
        max_length=20,
        unique=True,
        null=True,
        blank=True,
        help_text="What the scanner reads off the badge. It lets its bearer record on a shared "
        "device, so do not number badges one after another.",
        error_messages={"unique": "Somebody else has that badge."},
    )
    pin = models.CharField(max_length=128, blank=True, editable=False)
    wrong_pins = models.PositiveSmallIntegerField(default=0, editable=False)
    pin_rests_until = models.DateTimeField(null=True, blank=True, editable=False)
    places = models.ManyToManyField(
        Place, blank=True, related_name="people", help_text="Empty: the whole farm."
    )

    class Meta(AbstractUser.Meta):
        verbose_name = "person"
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
        NOTICES = "notices", "Approving recall notices"

    person = models.ForeignKey(Person, models.PROTECT, related_name="sign_offs")
    task = models.CharField(max_length=12, choices=Task.choices)
    since = models.DateField(help_text="The first day on which they may.")
    by = models.ForeignKey(
        Person,
        models.PROTECT,
        related_name="signed_off",
        help_text="Who has seen that they can.",
    )

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


class Device(models.Model):
    """A tablet or terminal that several people record on. Events note it by its name. Whose
    browser it is, that browser proves by the key in its cookie; a new key shuts the old one out."""

    name = models.CharField(
        max_length=40, unique=True, validators=[_PLAIN], help_text="As entries note it."
    )
    in_use = models.BooleanField(
        default=True, help_text="Off: nobody can record on it, as when it is lost."
    )
    key = models.CharField(max_length=32, blank=True, editable=False)

    class Meta:
        verbose_name = "shared device"
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name
