"""What every A4 paper of ours stands on: black on white, all of it vectors, its pages numbered at
the foot. Lengths are PDF points."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    PageTemplate,
    Paragraph,
    Table,
    TableStyle,
)

from grow.labels.letters import BOLD, PLAIN, check_letters, text, typeface

SIDE, TOP, FOOT = 18 * mm, 16 * mm, 18 * mm
WIDE = A4[0] - 2 * SIDE
SMALL = ParagraphStyle("small", fontName=PLAIN, fontSize=8.5, leading=11)
BODY = ParagraphStyle("body", fontName=PLAIN, fontSize=10, leading=13)
LOUD = ParagraphStyle("loud", parent=BODY, fontName=BOLD)
HEAD = ParagraphStyle("head", fontName=BOLD, fontSize=20, leading=24)
HEAD_RIGHT = ParagraphStyle("head_right", parent=HEAD, alignment=2)
BOXED = ParagraphStyle("boxed", fontName=BOLD, fontSize=13, leading=17, alignment=1)
_CLEAR = [
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]


def pdf(title: str, author: str, story: Iterable[Flowable], words: Iterable[str]) -> bytes:
    """A paper as one PDF; words are all the texts on it that people wrote. Raises Refusal for a
    letter that the typeface has not."""
    typeface()
    check_letters(text(said, 10, title) for said in words)
    out = io.BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=A4,
        title=title,
        author=author,
        creator="Harvest to sale",
        invariant=1,  # the same paper is the same file
    )
    frame = Frame(
        SIDE, FOOT, WIDE, A4[1] - TOP - FOOT, leftPadding=0, rightPadding=0,
        topPadding=0, bottomPadding=0,
    )  # fmt: skip
    document.addPageTemplates(PageTemplate(frames=[frame]))

    class Numbered(_Numbered):
        said = title

    document.build(list(story), canvasmaker=Numbered)
    return out.getvalue()


class _Numbered(Canvas):
    """At the foot of each page: which paper, and which page of how many."""

    said = ""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        for n, page in enumerate(self._pages, 1):
            self.__dict__.update(page)
            self.setFont(PLAIN, 8.5)
            self.drawString(SIDE, 10 * mm, self.said)
            self.drawRightString(A4[0] - SIDE, 10 * mm, f"Page {n} of {len(self._pages)}")
            super().showPage()
        super().save()


def p(words: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(words), style)


def table(rows: list[Any], widths: list[Any], style: Iterable[Any] = (), **more: Any) -> Table:
    made = Table(rows, colWidths=widths, hAlign="LEFT", **more)
    made.setStyle(TableStyle([*_CLEAR, *style]))
    return made
