from __future__ import annotations

import zoneinfo
from collections.abc import Callable
from urllib.parse import urlsplit

from django.core.exceptions import ValidationError
from django.core.validators import RegexValidator, URLValidator
from django.db import models

from ..ready import ready


def _known_zone(value: str) -> None:
    if value not in zoneinfo.available_timezones():
        raise ValidationError(f"{value} is not a time zone; write one such as Europe/London.")


#: Whose days are counted until somebody names the business.
FIRST_ZONE = "Europe/London"


#: What the apps above hold against the business's facts; each raises ValidationError.
CHECKS: list[Callable[[Business], None]] = []

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
    telephone = models.CharField(
        max_length=40, blank=True, help_text="On the public page of a pack that was stopped."
    )
    out_of_hours = models.CharField(
        max_length=40, blank=True, help_text="Whom a customer reaches at night about a recall."
    )
    authority = models.CharField(
        max_length=80, blank=True, help_text="The local authority that is told of unsafe food."
    )
    authority_telephone = models.CharField(max_length=40, blank=True)
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

        was = Business.the()
        if was.zone != self.zone and Event.objects.exists():
            raise ValidationError(
                {"zone": f"Events are already booked by the days of {was.zone}; the zone stays."}
            )
        self._clean_address(was)
        for check in CHECKS:
            check(self)

    def _clean_address(self, was: Business) -> None:
        """A scheme, a host and a path or none, as labels and the host's name of a request can hold
        it. Another address than before has not answered yet."""
        address = self.public_address = self.public_address.rstrip("/")
        try:
            plain = address.isascii() and not set("?#@") & set(address)
            plain = plain and urlsplit(address).port != 0
        except ValueError:  # a port that is none
            plain = False
        if not plain:
            raise ValidationError(
                {
                    "public_address": f"Write the address alone, such as https://farm.example, and "
                    f"not {address}: no name or password, nothing after ? or #, letters of other "
                    "alphabets as xn--…"
                }
            )
        if address != was.public_address:
            self.public_answered_at = None

    @classmethod
    def the(cls) -> Business:
        """The one row, or its defaults while nobody has named the business."""
        return next(iter(_first()), None) or cls()
