"""The month on paper: one A4 sheet, black on white, its charts drawn as vectors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal

from reportlab.graphics.shapes import Drawing, Line, Rect, String
from reportlab.lib.colors import Color, black, white
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import Flowable, KeepInFrame, Spacer

from grow.labels.letters import BOLD, PLAIN, typeface
from sales.paper_pdf import BODY, FOOT, HEAD, HEAD_RIGHT, LOUD, SMALL, TOP, WIDE, p, pdf, table

from .crop_pictures import ENDS
from .month import Month, WeekRow

_SOLD = ("sold_g", "to_businesses_g", "used_g")
_BIG = ParagraphStyle("big", fontName=BOLD, fontSize=13, leading=17)
_TINY = ParagraphStyle("tiny", parent=SMALL, fontSize=7, leading=8.6)
_SIZE = 8.5
_GREY = Color(0.72, 0.72, 0.72)
_HIGH = A4[1] - TOP - FOOT - 14
_GAP = 8 * mm


def pdf_of(found: Month, business: str) -> bytes:
    """Raises Refusal for a letter that the typeface has not."""
    typeface()
    title = f"{business}, {found.first:%B %Y}"
    words = [
        business,
        found.advice,
        found.doubt,
        found.way,
        *found.says,
        *(row.called for row in found.crops),
    ]
    story = KeepInFrame(WIDE, _HIGH, list(_story(found, business)), mode="shrink")
    return pdf(title, business, [story], words)


def _story(found: Month, business: str) -> Iterable[Flowable]:
    yield table(
        [[p(f"{found.first:%B %Y}", HEAD), p(business, HEAD_RIGHT)]],
        [WIDE * 0.36, WIDE * 0.64],
        [("LINEBELOW", (0, 0), (-1, -1), 1.5, black), ("BOTTOMPADDING", (0, 0), (-1, -1), 5)],
    )
    yield Spacer(0, 4 * mm)
    yield table(
        [
            [p(number.name, LOUD) for number in found.numbers],
            [p(number.value, _BIG) for number in found.numbers],
            [p(number.base, _TINY) for number in found.numbers],
        ],
        [WIDE / 5] * 5,
        [("RIGHTPADDING", (0, 0), (-1, -1), 8), ("BOTTOMPADDING", (0, 1), (-1, 1), 3)],
    )
    yield Spacer(0, 2.5 * mm)
    yield table([[p(found.way, SMALL)]], [WIDE], [])
    yield Spacer(0, 3 * mm)
    yield table(
        [
            [p("What to do", LOUD)],
            [p(found.advice, BODY)],
            [p("What speaks against it", LOUD)],
            [p(found.doubt, BODY)],
        ],
        [WIDE],
        [
            ("BOX", (0, 0), (-1, -1), 1.5, black),
            ("LEFTPADDING", (0, 0), (-1, -1), 8),
            ("RIGHTPADDING", (0, 0), (-1, -1), 8),
            ("TOPPADDING", (0, 0), (-1, 0), 6),
            ("TOPPADDING", (0, 2), (-1, 2), 5),
            ("BOTTOMPADDING", (0, -1), (-1, -1), 8),
        ],
    )
    if found.crops:
        yield from _headed(
            "What a site earned a week", "pence, after crop minutes; the frame is before them"
        )
        yield _crops(found, WIDE)
    half = (WIDE - _GAP) / 2
    leaf = _leaf(found, half)
    left = [*_headed("Where the leaf went", "kg; black was sold or used"), leaf]
    right = [
        *_headed(
            "Cut and sold by week", "kg; the frame was cut, graded out too; black was sold or used"
        ),
        _weeks(found.weeks, half, max(leaf.height, 110)),
    ]
    yield table([[left, right]], [half + _GAP, half])
    yield Spacer(0, 4 * mm)
    for says in found.says:
        yield p(says, _TINY)
    yield p("Crops by what each leaf fetches alone. Weeks from Monday.", _TINY)


def _headed(title: str, unit: str) -> list[Flowable]:
    return [Spacer(0, 5 * mm), p(title, LOUD), p(unit, _TINY), Spacer(0, 1.5 * mm)]


# --- drawings -------------------------------------------------------------------------------------


def _crops(found: Month, wide: float) -> Drawing:
    rows = [
        (
            row.called,
            float(row.after_alone_per_site_week_p or 0),
            float(row.before_alone_per_site_week_p or 0),
        )
        for row in found.crops
    ]
    return _bars([(name, after, before, False) for name, after, before in rows], wide, "{:,.1f}")


def _leaf(found: Month, wide: float) -> Drawing:
    if not found.leaf:
        return _none("No leaf was here.", wide)
    rows = sorted(found.leaf, key=lambda row: row[1], reverse=True)
    return _bars(
        [(ENDS[name], grams / 1000, None, name not in _SOLD) for name, grams in rows],
        wide,
        "{:,.1f}",
    )


def _none(says: str, wide: float) -> Drawing:
    drawing = Drawing(wide, 20)
    drawing.add(String(0, 6, says, fontName=PLAIN, fontSize=_SIZE))
    return drawing


def _bars(
    rows: Sequence[tuple[str, float, float | None, bool]], wide: float, written: str
) -> Drawing:
    """Bars lying, a name on the left and a number on the right: (name, how long, how far its frame
    goes if it has one, whether it is grey). Below nought they go to the left."""
    step = 13.5
    high = step * len(rows) + 4
    names = max(stringWidth(name, PLAIN, _SIZE) for name, *_ in rows) + 6
    numbers = max(stringWidth(written.format(far), PLAIN, _SIZE) for _, far, *_ in rows) + 8
    low = min([0.0, *(min(far, frame or 0) for _, far, frame, _ in rows)])
    most = max([0.0, *(max(far, frame or 0) for _, far, frame, _ in rows)]) or 1
    room = wide - names - numbers
    scale = room / (most - low)
    nought = names - low * scale
    drawing = Drawing(wide, high)
    for n, (name, far, frame, grey) in enumerate(rows):
        y = high - step * (n + 1) + 3
        drawing.add(String(0, y + 1.6, name, fontName=PLAIN, fontSize=_SIZE))
        for length, fill, size in ((frame, white, 9.0), (far, _GREY if grey else black, 5.0)):
            if length:
                x = nought + min(length, 0) * scale
                drawing.add(
                    Rect(
                        x,
                        y + (9 - size) / 2 - 0.5,
                        abs(length) * scale,
                        size,
                        fillColor=fill,
                        strokeColor=black,
                        strokeWidth=0.6,
                    )
                )
        words = written.format(far).replace("-0.0", "0.0").replace("-", "−")
        drawing.add(String(wide, y + 1.6, words, fontName=BOLD, fontSize=_SIZE, textAnchor="end"))
    drawing.add(Line(nought, 0, nought, high, strokeWidth=0.6))
    return drawing


def _weeks(rows: Sequence[WeekRow], wide: float, high: float) -> Drawing:
    """Two columns a week, the frame of what was cut and the black of what was sold or used."""
    if not any(row.cut_g or row.sold_g for row in rows):
        return _none("Nothing was cut or sold.", wide)
    drawing = Drawing(wide, high)
    foot, top = 22.0, 12.0
    most = max([1, *(max(row.cut_g, row.sold_g) for row in rows)])
    scale = (high - foot - top) / most
    step = wide / len(rows)
    for n, row in enumerate(rows):
        x = n * step
        for grams, at, fill in ((row.cut_g, 0.10, white), (row.sold_g, 0.50, black)):
            if grams > 0:
                drawing.add(
                    Rect(
                        x + step * at,
                        foot,
                        step * 0.36,
                        grams * scale,
                        fillColor=fill,
                        strokeColor=black,
                        strokeWidth=0.6,
                    )
                )
        drawing.add(_at(x + step / 2, foot - 9, f"{row.week.day}"))
        if n == 0 or row.week.month != rows[n - 1].week.month:
            drawing.add(_at(x + step / 2, foot - 18, f"{row.week:%b}"))
    tallest = max(rows, key=lambda row: row.cut_g)
    at = rows.index(tallest) * step + step / 2
    if tallest.cut_g > 0:
        kg = f"{Decimal(tallest.cut_g) / 1000:.1f}"
        drawing.add(_at(at, foot + tallest.cut_g * scale + 3, kg))
    drawing.add(Line(0, foot, wide, foot, strokeWidth=0.6))
    return drawing


def _at(x: float, y: float, words: str) -> String:
    return String(x, y, words, fontName=PLAIN, fontSize=7.5, textAnchor="middle")


__all__ = ["pdf_of"]
