"""A day's entries closed under one sum: what `grow.seal` writes, and nobody changes."""

from django.db import models


class Seal(models.Model):
    """One local day, sealed. digest is SHA-256, in hexadecimal, of the day's text (`grow.seal`),
    which names the digest of the day before; through is the number of the last entry in it. marks
    are 16 bytes an entry, its number and the head of its line's own sum: they tell which entry is
    not as it was. A trigger keeps the rows as they were written."""

    day = models.PositiveIntegerField(unique=True, help_text="Local day as yyyymmdd.")
    through = models.BigIntegerField()
    events = models.PositiveIntegerField()
    movements = models.PositiveIntegerField()
    digest = models.CharField(max_length=64)
    marks = models.BinaryField()
    sealed_at = models.DateTimeField()

    class Meta:
        ordering = ["day"]

    def __str__(self) -> str:
        return f"Seal of {self.day}"
