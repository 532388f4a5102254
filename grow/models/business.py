import zoneinfo

from django.core.exceptions import ValidationError
from django.core.validators import RegexValidator, URLValidator
from django.db import models

from ..ready import ready


def _known_zone(value: str) -> None:
    if value not in zoneinfo.available_timezones():
        raise ValidationError(f"{value} is not a time zone; write one such as Europe/London.")


#: Whose days are counted until somebody names the business.
FIRST_ZONE = "Europe/London"


_first = ready(lambda: Business.objects.order_by("id")[:1])


class Business(models.Model):
    """The one business of this database. The zone is fixed once an event exists: days are
    copied onto movements and would otherwise shift. A trigger keeps it."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1, editable=False)
    name = models.CharField(max_length=80, default="Our farm")
    zone = models.CharField(max_length=40, default=FIRST_ZONE, validators=[_known_zone])
    currency = models.CharField(max_length=3, default="GBP")
    rule_set = models.CharField(
        max_length=20,
        default="UK",
        help_text="Whose food rules the pages quote. Local rules always come first.",
    )
    water_scale_tolerance_pct = models.PositiveSmallIntegerField(
        default=5,
        help_text="A run may outweigh its crates by this much before a second weighing is asked.",
    )

    address = models.CharField(
        max_length=200, blank=True, help_text="Postal address, as it stands on a label."
    )
    country = models.CharField(
        max_length=60, blank=True, help_text="Where you grow: the origin that labels name."
    )
    company_prefix = models.CharField(
        "GS1 Company Prefix",
        max_length=12,
        blank=True,
        validators=[RegexValidator(r"^\d{4,12}$", "A company prefix is 4 to 12 figures.")],
        help_text="As GS1 gave it to you. Empty: labels carry no GTIN, and none is made up.",
    )
    public_address = models.CharField(
        max_length=120,
        blank=True,
        validators=[URLValidator(["https", "http"])],
        help_text="Where anybody can open this site, such as https://farm.example. Labels name "
        "it once it has answered.",
    )
    public_answered_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        verbose_name_plural = "business"
        constraints = [
            models.CheckConstraint(
                condition=models.Q(id=1),
                name="a_database_has_one_business",
                violation_error_message="A database keeps one business.",
            )
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        from .ledger import Event

        if Event.objects.exists():
            was = Business.the().zone
            if was != self.zone:
                raise ValidationError(
                    {"zone": f"Events are already booked by the days of {was}; the zone stays."}
                )

    @classmethod
    def the(cls) -> "Business":
        """The one row, or its defaults while nobody has named the business."""
        return next(iter(_first()), None) or cls()
