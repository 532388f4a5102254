"""Approved notices on paper: one page and more for each customer, and the one for the point of
sale. What they say was frozen when it was approved; here it is only set."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

from reportlab.lib.colors import black
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, PageBreak, Spacer

from grow import clock
from grow.labels.letters import BOLD

from .models import Notice
from .paper_pdf import BODY, BOXED, HEAD, HEAD_RIGHT, LOUD, SMALL, WIDE, p, pdf, table

_HUGE = ParagraphStyle("huge", fontName=BOLD, fontSize=40, leading=46, alignment=1)
_LARGE = ParagraphStyle("large", fontName=BOLD, fontSize=18, leading=24, alignment=1)
_DO = ParagraphStyle("do", parent=LOUD, fontSize=13, leading=18)
_STEP = ParagraphStyle("step", parent=BODY, fontSize=11.5, leading=16)
_FRAME = [("BOX", (0, 0), (-1, -1), 3, black), ("TOPPADDING", (0, 0), (-1, -1), 8)]
_FRAME += [("BOTTOMPADDING", (0, 0), (-1, -1), 14)]
EXERCISE = "EXERCISE: this is a test of our records. No food is concerned."


def pdf_of(notices: Sequence[Notice]) -> bytes:
    """The notices as one PDF, each from a page of its own. Raises Refusal for a letter that the
    typeface has not."""
    first = notices[0].says
    words = [text for notice in notices for text in _texts(notice.says)]
    title = f"{_called(first)} {first['number']}"
    return pdf(title, first["from"]["name"], _story(notices), words)


def _story(notices: Sequence[Notice]) -> Iterable[Flowable]:
    for n, notice in enumerate(notices):
        if n:
            yield PageBreak()
        yield from _one(notice)


def _called(says: dict[str, Any]) -> str:
    return "Withdrawal notice" if says["kind"] == "withdrawal" else "Recall notice"


def _one(notice: Notice) -> Iterable[Flowable]:
    if notice.says["exercise"]:
        yield _boxed(EXERCISE)
        yield Spacer(0, 5 * mm)
    yield from _trade(notice) if notice.to else _point_of_sale(notice)


def _boxed(words: str) -> Flowable:
    box = [("BOX", (0, 0), (-1, -1), 1.5, black), ("BOTTOMPADDING", (0, 0), (-1, -1), 8)]
    return table([[p(words, BOXED)]], [WIDE], [*box, ("TOPPADDING", (0, 0), (-1, -1), 6)])


# --- to a customer -------------------------------------------------------------------------------


def _trade(notice: Notice) -> Iterable[Flowable]:
    says = notice.says
    yield table(
        [[p(_called(says), HEAD), p(says["number"], HEAD_RIGHT)]],
        [WIDE * 0.6, WIDE * 0.4],
        [("LINEBELOW", (0, 0), (-1, -1), 1.2, black), ("BOTTOMPADDING", (0, 0), (-1, -1), 8)],
    )
    yield Spacer(0, 5 * mm)
    yield table(
        [
            [
                [p("From", SMALL), *_lines(says["from"]["name"], says["from"]["address"])],
                [p("To", SMALL), *_lines(notice.to, says["contact"], says["address"])],
            ]
        ],
        [WIDE / 2, WIDE / 2],
    )
    yield Spacer(0, 6 * mm)
    yield p(f"What is wrong: {says['hazard']}", _DO)
    yield Spacer(0, 5 * mm)
    yield _lots(says["lots"])
    yield Spacer(0, 6 * mm)
    yield p("What to do now", _DO)
    for number, one in enumerate(says["do"], 1):
        yield p(f"{number}. {one}", _STEP)
    yield from _more(says)
    yield Spacer(0, 6 * mm)
    yield p(_answer_to(says["from"]), _DO)
    yield Spacer(0, 3 * mm)
    yield _slip(says["lots"])
    yield Spacer(0, 4 * mm)
    yield from _approved(notice)


def _lines(name: str, *rest: str) -> list[Flowable]:
    return [p(name, LOUD), *(p(one, BODY) for one in rest if one)]


def _lots(lots: Sequence[dict[str, Any]]) -> Flowable:
    heads = ["What", "Lot", "Use by", "You had", "Still there by our books", "Our note"]
    widths = [WIDE - 128 * mm, 30 * mm, 24 * mm, 22 * mm, 24 * mm, 28 * mm]
    rows: list[Any] = [[p(head, SMALL) for head in heads]]
    for lot in lots:
        rows.append(
            [
                p(lot["title"], LOUD),
                p(lot["code"], BODY),
                p(_day(lot["use_by"]), BODY),
                p(lot["had"], LOUD),
                p(lot["there"] or "–", BODY),
                [p(one, SMALL) for one in lot["notes"]] or "–",
            ]
        )
    return table(
        rows,
        widths,
        [
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
            ("LINEBELOW", (0, 1), (-1, -1), 0.4, black),
            ("RIGHTPADDING", (0, 0), (-2, -1), 5),
            ("TOPPADDING", (0, 0), (-1, -1), 4),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
        ],
        repeatRows=1,
    )


def _slip(lots: Sequence[dict[str, Any]]) -> Flowable:
    """To be filled in and sent back."""
    heads = ["Your answer: lot", "Set apart", "Sold or used", "Destroyed"]
    rows: list[Any] = [[p(head, SMALL) for head in heads]]
    rows += [[p(lot["code"], BODY), "", "", ""] for lot in lots]
    rows.append([p("Name, day and time", SMALL), "", "", ""])
    style = [
        ("GRID", (0, 0), (-1, -1), 0.6, black),
        ("LEFTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 9),
        ("SPAN", (1, -1), (-1, -1)),
    ]
    return table(rows, [WIDE * 0.34, WIDE * 0.22, WIDE * 0.22, WIDE * 0.22], style)


def _answer_to(us: dict[str, str]) -> str:
    numbers = [us["telephone"]] if us["telephone"] else []
    numbers += [f"at any hour {us['out_of_hours']}"] if us["out_of_hours"] else []
    return f"Answer to {us['name']}: {', '.join(numbers) or 'as you always reach us'}"


# --- at the point of sale ------------------------------------------------------------------------


def _point_of_sale(notice: Notice) -> Iterable[Flowable]:
    says = notice.says
    yield table([[p("FOOD RECALL", _HUGE)]], [WIDE], _FRAME)
    yield Spacer(0, 7 * mm)
    yield p(says["from"]["name"], _LARGE)
    yield p(f"recalls this food: {says['hazard']}", _LARGE)
    yield Spacer(0, 6 * mm)
    rows: list[Any] = [[p(head, SMALL) for head in ("What", "Lot", "Use by")]]
    rows += [
        [p(lot["title"], _DO), p(lot["code"], _DO), p(_day(lot["use_by"]), _DO)]
        for lot in says["lots"]
    ]
    yield table(
        rows,
        [WIDE - 92 * mm, 52 * mm, 40 * mm],
        [
            ("LINEBELOW", (0, 0), (-1, -1), 0.4, black),
            ("TOPPADDING", (0, 0), (-1, -1), 5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 7),
        ],
        repeatRows=1,
    )
    first, last = (_day(day) for day in says["between"])
    days = first if first == last else f"from {first} to {last}"
    yield Spacer(0, 3 * mm)
    yield p(f"Sold or served at {', '.join(says['where'])}, {days}.", BODY)
    yield Spacer(0, 6 * mm)
    for one in says["do"]:
        yield p(one, _DO)
        yield Spacer(0, 2 * mm)
    yield from _more(says)
    us = says["from"]
    numbers = " or ".join(filter(None, (us["telephone"], us["out_of_hours"])))
    yield Spacer(0, 5 * mm)
    yield p(f"Questions: {', '.join(filter(None, (us['name'], us['address'], numbers)))}", _DO)
    yield Spacer(0, 4 * mm)
    yield from _approved(notice)


# --- both ----------------------------------------------------------------------------------------


def _more(says: dict[str, Any]) -> Iterable[Flowable]:
    if says.get("more"):
        yield Spacer(0, 3 * mm)
        yield p(says["more"], BODY)


def _approved(notice: Notice) -> Iterable[Flowable]:
    event = notice.approved_by
    at = clock.local(event.recorded_at)
    yield p(
        f"{notice.says['number']}. Approved by {event.recorded_by} on {at:%d %b %Y at %H:%M}. "
        f"Rules: {notice.says['rules']}; local rules come first.",
        SMALL,
    )


def _day(text: str | None) -> str:
    return f"{dt.date.fromisoformat(text):%d %b %Y}" if text else "–"


def _texts(says: Any) -> Iterable[str]:
    if isinstance(says, dict):
        for value in says.values():
            yield from _texts(value)
    elif isinstance(says, list):
        for value in says:
            yield from _texts(value)
    elif isinstance(says, str):
        yield says
