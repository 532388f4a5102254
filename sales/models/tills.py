from __future__ import annotations

from django.db import models

from .notes import Outlet
from .packing import Product


class TillFormat(models.Model):
    """How the file of one till at an outlet is read: which column holds what, by its head as
    `column_name` spells it, and how its numbers are written. A column that is empty is not in the
    file; without a column for the day one day is asked for the whole file. sheet: which sheet of a
    workbook it is, where it has several."""

    COMMAS = ((",", "Comma"), (";", "Semicolon"), ("\t", "Tab"))
    MARKS = ((".", "Point, 1.50"), (",", "Comma, 1,50"))
    UNITS = (("kg", "Kilograms"), ("g", "Grams"))

    outlet = models.ForeignKey(Outlet, models.PROTECT, related_name="till_formats", db_index=False)
    till = models.CharField(max_length=40)
    sheet = models.CharField(max_length=80, blank=True)
    product = models.CharField(max_length=80)
    quantity = models.CharField(max_length=80)
    day = models.CharField(max_length=80, blank=True)
    lot = models.CharField(max_length=80, blank=True)
    price = models.CharField(max_length=80, blank=True, help_text="Of one pack or kilogram.")
    takings = models.CharField(max_length=80, blank=True, help_text="Of the whole row.")
    decimal_mark = models.CharField(max_length=1, choices=MARKS, default=".")
    separator = models.CharField(max_length=1, choices=COMMAS, default=",")
    loose_unit = models.CharField(max_length=2, choices=UNITS, default="kg")

    class Meta:
        ordering = ["outlet", "till"]
        constraints = [
            models.UniqueConstraint(
                fields=["outlet", "till"],
                name="a_till_has_one_kind_of_file",
                violation_error_message="That till's file is described already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.till} at {self.outlet}"


class TillName(models.Model):
    """What the tills of an outlet call a product, where that is neither its code, its GTIN nor
    its name: a key's number, a short name. called is folded, without capitals or spaces."""

    outlet = models.ForeignKey(Outlet, models.PROTECT, related_name="till_names", db_index=False)
    called = models.CharField(max_length=80)
    product = models.ForeignKey(Product, models.PROTECT, related_name="till_names")

    class Meta:
        ordering = ["outlet", "called"]
        constraints = [
            models.UniqueConstraint(
                fields=["outlet", "called"],
                name="a_tills_name_means_one_product",
                violation_error_message="That name means a product there already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.called}: {self.product}"
