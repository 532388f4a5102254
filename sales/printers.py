"""Whether a printer prints as long as it should: its test label, and what a ruler says of it."""

from __future__ import annotations

import re
from decimal import Decimal

from grow import clock, gate, labels
from grow.errors import Refusal

from .labels import stock_of
from .models import LabelStock, Printer
from .printing import stocks_known

#: What a line of 50 mm may have come out as, in millimetres; beyond it another line was measured.
LEAST_MM, MOST_MM = Decimal(45), Decimal(55)
_TYPED = re.compile(r"\s*([0-9]{1,3})(?:[.,]([0-9]))?\s*(?:mm)?\s*", re.IGNORECASE)


def labels_of_test(printer: Printer, row: LabelStock) -> list[labels.Printable]:
    """The printer's test on a stock. Raises Refusal where there is no room for its whole line,
    naming the smallest stock that has."""
    stock, whole = stock_of(row), int(printer.RULER_MM)
    has = labels.ruler_mm(stock)
    if has < whole:
        wider = sorted((s.width * s.height, name) for name, s in _wide_enough(whole))
        room = f"room for a line of {has} mm" if has else "no room for a line"
        way = f"Take {wider[0][1]}." if wider else "No labels that are kept here are large enough."
        raise Refusal(
            "too_narrow",
            f"On {row} there is {room}, and one of {whole} mm is measured. {way}",
            has=has,
        )
    return labels.printer_test(stock, printer.dpi)


def _wide_enough(whole: int) -> list[tuple[str, labels.Stock]]:
    return [(name, stock) for name, stock in stocks_known() if labels.ruler_mm(stock) >= whole]


def read_mm(text: str) -> Decimal:
    """What a ruler says of the line, in tenths of a millimetre. Raises Refusal for what is no
    such figure, or of another line."""
    found = _TYPED.fullmatch(text)
    if not found:
        raise Refusal(
            "no_length", f"“{text.strip()}” is no length; write the millimetres, such as 49.5."
        )
    measured = Decimal(f"{found[1]}.{found[2] or 0}")
    if not LEAST_MM <= measured <= MOST_MM:
        raise Refusal(
            "another_line",
            f"A line of 50 mm comes out at {LEAST_MM}.0 to {MOST_MM}.0 mm, not at {measured}. If "
            "it truly did, print at 100 % and measure again.",
        )
    return measured


def measured(printer: Printer, mm: Decimal) -> None:
    """The answer for a printer, kept until it is measured again."""
    printer.measured_mm, printer.measured_at = mm, clock.now()
    with gate.through(gate.SHARED):
        printer.save(update_fields=["measured_mm", "measured_at"])


def added(name: str, dpi: int) -> Printer:
    """Raises Refusal for a name that another printer has."""
    with gate.through(gate.SHARED):
        there = Printer.objects.filter(name__iexact=name).first()
        if there is None:  # a second press an instant later gets the first one's
            return Printer.objects.get_or_create(name=name, defaults={"dpi": dpi})[0]
    raise Refusal("same_name", f"There is a printer called {there} already; test that one.")


def verdict(printer: Printer) -> str:
    """What its measure means, and what to do about it."""
    mm, whole = printer.measured_mm, printer.RULER_MM
    if mm is None:
        return "Nobody has measured its test label yet."
    if printer.is_true:
        day = f" on {clock.local(printer.measured_at):%d %b %Y}" if printer.measured_at else ""
        return f"It prints true: the line of {whole} mm measured {mm} mm{day}."
    why = "shrank it to fit" if mm < whole else "enlarged it to fill"
    return (
        f"It printed {mm} mm for {whole}: the browser {why} the page. Choose 100 % (“actual "
        "size”) in the print window, never “fit to page”; then print the test once more and "
        "measure it again."
    )


def untrue() -> list[str]:
    """Of each printer that prints longer or shorter than it should, a warning beside the labels."""
    return [
        f"{p} printed a line of {p.RULER_MM} mm as {p.measured_mm} mm: print at full size, and "
        "measure its test label again."
        for p in Printer.objects.exclude(measured_mm=None)
        if not p.is_true
    ]
