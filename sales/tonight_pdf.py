"""Where everything is and whom to call, as one A4 page: what does not fit is set smaller, and of a
long list the latest lots stand."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from reportlab.lib.colors import black
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepInFrame, Spacer

from grow import clock

from .paper_pdf import FOOT, HEAD, LOUD, SMALL, TOP, WIDE, p, pdf, table
from .tonight import DAYS, Spot, Tonight

#: So many lots of a place are listed.
MOST = 14
_HIGH = A4[1] - TOP - FOOT - 14
CAUTION = (
    "Suspect food: stop it, hold it, and call your local authority at once. This page says what "
    "was recorded then, and never that food is safe."
)


def pdf_of(found: Tonight) -> bytes:
    """One page. Raises Refusal for a letter that the typeface has not."""
    title = f"Where everything is, {clock.local(found.as_of):%d %b %Y %H:%M}"
    return pdf(title, found.business, _page(found), found.texts())


def _page(found: Tonight) -> Iterable[Flowable]:
    yield KeepInFrame(WIDE, _HIGH, list(_story(found)), mode="shrink")


def _story(found: Tonight) -> Iterable[Flowable]:
    yield p("Where everything is, and whom to call", HEAD)
    yield p(f"{found.business}, as of {clock.local(found.as_of):%A %d %B %Y %H:%M}", LOUD)
    yield Spacer(0, 3 * mm)
    yield p(CAUTION, LOUD)
    yield Spacer(0, 3 * mm)
    for one in (*found.whom, *found.stopped):
        yield p(one, LOUD)
    for heading, spots in (
        (f"Customers: what they had in {DAYS} days, or have still by our books", found.theirs),
        ("With ourselves", found.ours),
    ):
        yield Spacer(0, 4 * mm)
        yield table([[p(heading, LOUD)]], [WIDE], [("LINEBELOW", (0, 0), (-1, -1), 1.2, black)])
        if not spots:
            yield p("Nothing is recorded.", SMALL)
        for spot in spots:
            yield from _spot(spot)


def _spot(spot: Spot) -> Iterable[Flowable]:
    yield Spacer(0, 2 * mm)
    yield p(" · ".join([spot.name, *spot.reach]), LOUD)
    rows: list[Any] = [
        [
            p(lot.code, SMALL),
            p(lot.title + (" (HELD)" if lot.held else ""), LOUD if lot.held else SMALL),
            p(f"use by {lot.date}" if lot.date else "", SMALL),
            p(f"had {lot.had}" if lot.had else "", SMALL),
            p(f"{lot.here} there" if lot.had else lot.here, SMALL),
        ]
        for lot in spot.lots[:MOST]
    ]
    widths = [30 * mm, WIDE - 116 * mm, 28 * mm, 28 * mm, 30 * mm]
    yield table(rows, widths, [("LINEBELOW", (0, 0), (-1, -1), 0.3, black)])
    if (more := len(spot.lots) - MOST) > 0:
        yield p(f"and {more} more, made earlier", SMALL)


__all__ = ["CAUTION", "pdf_of"]
