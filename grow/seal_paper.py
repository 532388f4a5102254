"""A day's seal as it is kept away from the books: a short text, and one A4 page."""

from __future__ import annotations

import io
import textwrap
from urllib.parse import quote

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from . import clock, seal
from .labels.letters import BOLD, PLAIN, check_letters, text, typeface
from .labels.qr import drawn, symbol
from .models import Business, Seal

_SIDE, _TOP = 22 * mm, A4[1] - 30 * mm
_QR = 38 * mm


def day_said(made: Seal) -> str:
    return f"{clock.number_day(made.day):%A %d %B %Y}"


def spaced(digest: str) -> list[str]:
    """64 signs in four rows of four groups, as they are read aloud."""
    groups = [digest[n : n + 4] for n in range(0, 64, 4)]
    return [" ".join(groups[n : n + 4]) for n in range(0, 16, 4)]


def facts(made: Seal) -> list[tuple[str, str]]:
    return [
        ("Entries recorded that day", f"{made.events:,}"),
        ("Movements that they wrote", f"{made.movements:,}"),
        ("Number of the last entry", f"{made.through:,}"),
        ("Sealed", clock.said(made.sealed_at)),
    ]


def _keep(made: Seal) -> list[str]:
    return [
        "Keep this where nobody who keeps the books can change it: on paper, or in a letter to "
        "yourself.",
        "Whether the books still say what they said then, the page “Seals” answers, or "
        f"manage.py seal --day {clock.number_day(made.day)} --compare with this seal.",
        "It is the SHA-256 sum of what was recorded that day and of the seal before it. It holds "
        "no name, and nothing can be read out of it.",
    ]


def as_text(made: Seal) -> str:
    """Plain text of some twenty lines, none over 72 signs."""
    before = seal.before(made)
    wide = max(len(name) for name, _ in facts(made)) + 2
    parts = [
        f"Seal of {day_said(made)}",
        Business.the().name,
        "",
        *(f"{name:<{wide}}{said}" for name, said in facts(made)),
        "",
        *spaced(made.digest),
        "",
        f"It follows the seal of {day_said(before)}:" if before else "It is the first seal.",
        *(spaced(before.digest) if before else ()),
    ]
    for words in _keep(made):
        parts += ["", *textwrap.wrap(words, 72)]
    return "\n".join(parts) + "\n"


def mail_link(made: Seal) -> str:
    """An address that opens a letter with the seal in it (RFC 6068)."""
    subject, body = f"Seal of {day_said(made)}", as_text(made).replace("\n", "\r\n")
    return f"mailto:?subject={quote(subject)}&body={quote(body)}"


def as_pdf(made: Seal) -> bytes:
    """One A4 page, the seal in words and as a QR. Raises Refusal for a letter of the farm's name
    that the typeface has not."""
    typeface()
    name = Business.the().name
    check_letters([text(name, 12, "the seal")])
    out = io.BytesIO()
    page = Canvas(out, pagesize=A4, invariant=1)
    page.setTitle(f"Seal of {day_said(made)}")
    y = _TOP

    def line(words: str, size: float = 11, face: str = PLAIN, *, down: float = 1.45) -> None:
        nonlocal y
        page.setFont(face, size)
        page.drawString(_SIDE, y, words)
        y -= size * down

    line("Seal of the books", 11)
    y -= 14
    line(day_said(made), 22, BOLD)
    line(name, 12)
    y -= 14
    page.line(_SIDE, y + 8, A4[0] - _SIDE, y + 8)
    y -= 12
    for called, said in facts(made):
        page.setFont(BOLD, 11)
        page.drawString(_SIDE + 68 * mm, y, said)
        line(called)
    y -= 18
    top = y + 12
    for row in spaced(made.digest):
        line(row, 20, BOLD, down=1.5)
    page.saveState()
    square = symbol(made.digest.upper())
    page.translate(A4[0] - _SIDE - _QR, top - _QR)
    page.scale(_QR / square.side, _QR / square.side)
    page.addLiteral(drawn(square))
    page.restoreState()
    y -= 14
    before = seal.before(made)
    line(f"It follows the seal of {day_said(before)}:" if before else "It is the first seal.")
    for row in spaced(before.digest) if before else ():
        line(row, 11)
    y -= 14
    for words in _keep(made):
        block = page.beginText(_SIDE, y)
        block.setFont(PLAIN, 10.5, 15)
        for part in simpleSplit(words, PLAIN, 10.5, A4[0] - 2 * _SIDE):
            block.textLine(part)
        page.drawText(block)
        y = block.getY() - 6
    page.showPage()
    page.save()
    return out.getvalue()


__all__ = ["as_pdf", "as_text", "day_said", "facts", "mail_link", "spaced"]
