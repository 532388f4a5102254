"""A delivery note on paper: A4, black on white, all of it vectors, as many pages as it takes.

What it says is `note_paper`'s; here it is only set. Lengths are PDF points."""

from __future__ import annotations

from collections.abc import Iterable
from xml.sax.saxutils import escape

from reportlab.lib.colors import black
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Paragraph, Spacer

from grow.labels.letters import BOLD

from .note_paper import NotePaper, PaperLine, Party, when
from .paper_pdf import BODY, BOXED, HEAD, HEAD_RIGHT, LOUD, SMALL, WIDE, p, pdf, table


def pdf_of(paper: NotePaper) -> bytes:
    """The note as one PDF. Raises Refusal for a letter that the typeface has not."""
    title = f"Delivery note {paper.number}"
    return pdf(title, paper.sender.name, _story(paper), _all_words(paper))


def _story(paper: NotePaper) -> Iterable[Flowable]:
    yield table(
        [[p("Delivery note", HEAD), p(paper.number, HEAD_RIGHT)]],
        [WIDE * 0.6, WIDE * 0.4],
        [("LINEBELOW", (0, 0), (-1, -1), 1.2, black), ("BOTTOMPADDING", (0, 0), (-1, -1), 8)],
    )
    yield Spacer(0, 5 * mm)
    if paper.gone:
        yield table(
            [[p(f"CANCELLED {paper.gone}", BOXED)]],
            [WIDE],
            [
                ("BOX", (0, 0), (-1, -1), 1.5, black),
                ("TOPPADDING", (0, 0), (-1, -1), 6),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 8),
            ],
        )
        yield Spacer(0, 5 * mm)
    yield table(
        [
            [
                _party("Dispatched by", paper.sender, paper.consignor),
                _party("To be received by", paper.receiver, paper.consignee),
            ]
        ],
        [WIDE / 2, WIDE / 2],
    )
    yield Spacer(0, 5 * mm)
    facts = [("Dispatched", f"{when(paper.sent_at, paper.hour_known)}, by {paper.sent_by}")]
    if paper.temperature_c or paper.asks_temperature:
        taken = f"{paper.temperature_c} °C" if paper.temperature_c else "not taken"
        facts.append(("Temperature at dispatch", taken))
    yield table(
        [[p(name, SMALL), p(said, LOUD)] for name, said in facts],
        [42 * mm, WIDE - 42 * mm],
        [("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1)],
    )
    yield Spacer(0, 5 * mm)
    yield _lines(paper)
    yield Spacer(0, 8 * mm)
    yield KeepTogether(list(_foot(paper)))


def _party(called: str, party: Party, owner: str) -> list[Flowable]:
    return [
        p(called, SMALL),
        p(party.name, LOUD),
        p(party.address or party.lacks, BODY),
        p(f"Owner of the goods: {owner}", SMALL),
    ]


def _lines(paper: NotePaper) -> Flowable:
    known = any(line.states for line in paper.lines)
    heads = ["What", "Lot", "How much", "Date"] + (["What became of it"] if known else [])
    widths = [None, 30 * mm, 27 * mm, 28 * mm] + ([30 * mm] if known else [])
    widths[0] = WIDE - sum(wide for wide in widths if wide)
    rows = [[p(head, SMALL) for head in heads]]
    for line in paper.lines:
        row = [
            _what(line),
            [p(line.lot, BODY)],
            [p(line.much, LOUD), *([p(line.weight, SMALL)] if line.weight else [])],
            [p(line.date_kind, SMALL), p(f"{line.date:%d %b %Y}", BODY)] if line.date else "–",
        ]
        if known:
            row.append([p(said, SMALL) for said in line.states])
        rows.append(row)
    style = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, black),
        ("RIGHTPADDING", (0, 0), (-2, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
    ]
    return table(rows, widths, style, repeatRows=1)


def _what(line: PaperLine) -> list[Flowable]:
    said: list[Flowable] = [p(line.what, LOUD)]
    if line.allergens:
        allergens = ", ".join(f'<font name="{BOLD}">{escape(a.upper())}</font>' for a in _of(line))
        said.append(Paragraph(f"Contains {allergens}", SMALL))
    if line.storage:
        said.append(p(line.storage, SMALL))
    return said


def _of(line: PaperLine) -> list[str]:
    return line.allergens.split(", ")


def _foot(paper: NotePaper) -> Iterable[Flowable]:
    for one in paper.came:
        yield p(f"Received {one.sentence}", BODY)
    yield Spacer(0, 12 * mm)
    line = ("LINEABOVE", (0, 0), (0, 0), 0.8, black)
    line_ = ("LINEABOVE", (2, 0), (2, 0), 0.8, black)
    gap = 8 * mm
    yield table(
        [
            [
                p("Received in good order: name and signature", SMALL),
                "",
                p("Day and time", SMALL),
            ]
        ],
        [WIDE * 0.65 - gap / 2, gap, WIDE * 0.35 - gap / 2],
        [line, line_, ("TOPPADDING", (0, 0), (-1, -1), 3)],
    )


def _all_words(paper: NotePaper) -> Iterable[str]:
    yield from (paper.sender.name, paper.sender.address, paper.consignor, paper.sent_by)
    yield from (paper.receiver.name, paper.receiver.address, paper.consignee, paper.temperature_c)
    for line in paper.lines:
        yield from (line.what, line.allergens, line.storage, line.state)
    yield from (one.sentence for one in paper.came)
