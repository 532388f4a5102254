"""What the pages of figures have in common: their period, what they rest on, the columns
of the waste."""

from __future__ import annotations

from collections.abc import Mapping

from grow.asks import READ, Ask, Unread
from grow.errors import Refusal
from grow.looking import Column

from .period import About, Period

WASTE = (
    Column("crop", "Crop"),
    Column("stock_before_g", "In stock before, kg", "kg"),
    Column("cut_g", "Cut, kg", "kg"),
    Column("bought_in_g", "Bought in, kg", "kg"),
    Column("opening_g", "Stood here at first, kg", "kg"),
    Column("water_and_scale_g", "Water and scale, kg", "kg"),
    Column("grade_out_g", "Graded out, kg", "kg"),
    Column("trim_g", "Trim, kg", "kg"),
    Column("giveaway_g", "Giveaway, kg", "kg"),
    Column("samples_g", "Samples, kg", "kg"),
    Column("moisture_g", "Moisture, kg", "kg"),
    Column("lost_at_rework_g", "Lost at rework, kg", "kg"),
    Column("short_g", "Short, kg", "kg"),
    Column("unexplained_g", "Unexplained, kg", "kg"),
    Column("rejected_thrown_g", "Rejected and thrown away, kg", "kg"),
    Column("sold_or_used_g", "Sold or used, kg", "kg"),
    Column("unsold_g", "Unsold, kg", "kg"),
    Column("stock_after_g", "In stock after, kg", "kg"),
    Column("uncut_g", "Left uncut, kg", "kg"),
)
_LINES = ("grade_out", "trim", "giveaway", "samples", "moisture", "lost_at_rework", "short",
          "unexplained", "rejected_thrown")  # fmt: skip
#: Of them, what was lost of leaf that grew somewhere.
LOST = (
    Column("cut_g", "Cut, graded out too, kg", "kg"),
    Column("lost_g", "Lost in all, kg", "kg", leads="lost"),
    Column("lost_pct", "Lost, % of the cut", "tenth"),
    Column("unsold_g", "Of that unsold, kg", "kg"),
    Column("bought_in_g", "Of that bought in, kg", "kg"),
    *(c for c in WASTE if c.name.removesuffix("_g") in _LINES),
)


def between(asked: Mapping[str, str]) -> Period:
    first, last = (READ["day"](Ask(n, "day"), asked[n], False) for n in ("first", "last"))
    try:
        return Period(first, last)
    except ValueError as error:
        raise Unread({"last": Refusal("period", str(error))}) from error


def rests_on(about: About) -> list[str]:
    said = [f"Base: {about.base}. Unit: {about.unit}."]
    if about.standard_pct is not None:
        said.append(f"Standard or estimated: {about.standard_pct} % {about.standard_says}.")
    return [*said, *about.notes, *about.gaps]
