"""A delivery note on paper: A4, black on white, all of it vectors, as many pages as it takes.

What it says is `note_paper`'s; here it is only set. Lengths are PDF points."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import black
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from grow.labels.letters import BOLD, PLAIN, check_letters, text, typeface

from .note_paper import NotePaper, PaperLine, Party, when

_SIDE, _TOP, _FOOT = 18 * mm, 16 * mm, 18 * mm
_WIDE = A4[0] - 2 * _SIDE
_SMALL = ParagraphStyle("small", fontName=PLAIN, fontSize=8.5, leading=11)
_BODY = ParagraphStyle("body", fontName=PLAIN, fontSize=10, leading=13)
_LOUD = ParagraphStyle("loud", parent=_BODY, fontName=BOLD)
_HEAD = ParagraphStyle("head", fontName=BOLD, fontSize=20, leading=24)
_NUMBER = ParagraphStyle("number", fontName=BOLD, fontSize=20, leading=24, alignment=2)
_RIGHT = ParagraphStyle("right", parent=_BODY, alignment=2)
_GONE = ParagraphStyle("gone", fontName=BOLD, fontSize=13, leading=17, alignment=1)
_CLEAR = [
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]


def pdf_of(paper: NotePaper) -> bytes:
    """The note as one PDF. Raises Refusal for a letter that the typeface has not."""
    typeface()
    check_letters(text(words, 10, "the delivery note") for words in _all_words(paper))
    out = io.BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=A4,
        title=f"Delivery note {paper.number}",
        author=paper.sender.name,
        creator="Harvest to sale",
        invariant=1,  # the same note is the same file
    )
    frame = Frame(
        _SIDE, _FOOT, _WIDE, A4[1] - _TOP - _FOOT, leftPadding=0, rightPadding=0,
        topPadding=0, bottomPadding=0,
    )  # fmt: skip
    document.addPageTemplates(PageTemplate(frames=[frame]))

    class Numbered(_Numbered):
        said = f"Delivery note {paper.number}"

    document.build(list(_story(paper)), canvasmaker=Numbered)
    return out.getvalue()


class _Numbered(Canvas):
    """At the foot of each page: which note, and which page of how many."""

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
            self.drawString(_SIDE, 10 * mm, self.said)
            self.drawRightString(A4[0] - _SIDE, 10 * mm, f"Page {n} of {len(self._pages)}")
            super().showPage()
        super().save()


def _story(paper: NotePaper) -> Iterable[Flowable]:
    yield _table(
        [[_p("Delivery note", _HEAD), _p(paper.number, _NUMBER)]],
        [_WIDE * 0.6, _WIDE * 0.4],
        [("LINEBELOW", (0, 0), (-1, -1), 1.2, black), ("BOTTOMPADDING", (0, 0), (-1, -1), 8)],
    )
    yield Spacer(0, 5 * mm)
    if paper.gone:
        yield _table(
            [[_p(f"CANCELLED {paper.gone}", _GONE)]],
            [_WIDE],
            [
                ("BOX", (0, 0), (-1, -1), 1.5, black),
                ("TOPPADDING", (0, 0), (-1, -1), 6),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 8),
            ],
        )
        yield Spacer(0, 5 * mm)
    yield _table(
        [
            [
                _party("Dispatched by", paper.sender, paper.consignor),
                _party("To be received by", paper.receiver, paper.consignee),
            ]
        ],
        [_WIDE / 2, _WIDE / 2],
    )
    yield Spacer(0, 5 * mm)
    facts = [("Dispatched", f"{when(paper.sent_at, paper.hour_known)}, by {paper.sent_by}")]
    if paper.temperature_c or paper.asks_temperature:
        taken = f"{paper.temperature_c} °C" if paper.temperature_c else "not taken"
        facts.append(("Temperature at dispatch", taken))
    yield _table(
        [[_p(name, _SMALL), _p(said, _LOUD)] for name, said in facts],
        [42 * mm, _WIDE - 42 * mm],
        [("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1)],
    )
    yield Spacer(0, 5 * mm)
    yield _lines(paper)
    yield Spacer(0, 8 * mm)
    yield KeepTogether(list(_foot(paper)))


def _party(called: str, party: Party, owner: str) -> list[Flowable]:
    return [
        _p(called, _SMALL),
        _p(party.name, _LOUD),
        _p(party.address or party.lacks, _BODY),
        _p(f"Owner of the goods: {owner}", _SMALL),
    ]


def _lines(paper: NotePaper) -> Flowable:
    known = any(line.states for line in paper.lines)
    heads = ["What", "Lot", "How much", "Date"] + (["What became of it"] if known else [])
    widths = [None, 30 * mm, 27 * mm, 28 * mm] + ([30 * mm] if known else [])
    widths[0] = _WIDE - sum(wide for wide in widths if wide)
    rows = [[_p(head, _SMALL) for head in heads]]
    for line in paper.lines:
        row = [
            _what(line),
            [_p(line.lot, _BODY)],
            [_p(line.much, _LOUD), *([_p(line.weight, _SMALL)] if line.weight else [])],
            [_p(line.date_kind, _SMALL), _p(f"{line.date:%d %b %Y}", _BODY)] if line.date else "–",
        ]
        if known:
            row.append([_p(said, _SMALL) for said in line.states])
        rows.append(row)
    style = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, black),
        ("RIGHTPADDING", (0, 0), (-2, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
    ]
    return _table(rows, widths, style, repeatRows=1)


def _what(line: PaperLine) -> list[Flowable]:
    said: list[Flowable] = [_p(line.what, _LOUD)]
    if line.allergens:
        allergens = ", ".join(f'<font name="{BOLD}">{escape(a.upper())}</font>' for a in _of(line))
        said.append(Paragraph(f"Contains {allergens}", _SMALL))
    if line.storage:
        said.append(_p(line.storage, _SMALL))
    return said


def _of(line: PaperLine) -> list[str]:
    return line.allergens.split(", ")


def _foot(paper: NotePaper) -> Iterable[Flowable]:
    for one in paper.came:
        yield _p(f"Received {one.sentence}", _BODY)
    yield Spacer(0, 12 * mm)
    line = ("LINEABOVE", (0, 0), (0, 0), 0.8, black)
    line_ = ("LINEABOVE", (2, 0), (2, 0), 0.8, black)
    gap = 8 * mm
    yield _table(
        [
            [
                _p("Received in good order: name and signature", _SMALL),
                "",
                _p("Day and time", _SMALL),
            ]
        ],
        [_WIDE * 0.65 - gap / 2, gap, _WIDE * 0.35 - gap / 2],
        [line, line_, ("TOPPADDING", (0, 0), (-1, -1), 3)],
    )


def _all_words(paper: NotePaper) -> Iterable[str]:
    yield from (paper.sender.name, paper.sender.address, paper.consignor, paper.sent_by)
    yield from (paper.receiver.name, paper.receiver.address, paper.consignee, paper.temperature_c)
    for line in paper.lines:
        yield from (line.what, line.allergens, line.storage, line.state)
    yield from (one.sentence for one in paper.came)


def _p(words: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(words), style)


def _table(rows: list[Any], widths: list[Any], style: Iterable[Any] = (), **more: Any) -> Table:
    table = Table(rows, colWidths=widths, hAlign="LEFT", **more)
    table.setStyle(TableStyle([*_CLEAR, *style]))
    return table
