"""The records on A4: what was asked, when and by whom it was made, what is missing, the chain, what
happened, the checks around it, who was signed off, what the labels said, the recount of the books.

A long table stands here with its first rows; the files beside it have all of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from reportlab.lib.colors import black
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer

from grow import clock
from grow.labels.letters import typeface
from grow.models import LotKind
from grow.wording import amount
from sales.paper_pdf import BODY, HEAD, LOUD, SMALL, WIDE, p, pdf, table

from . import Evidence, Table
from .recalled import parts

#: So many rows of a table stand on paper, and so many signs in a cell: a row must fit a page.
MOST, LONGEST = 300, 260
CAUTION = (
    "This is what is recorded, and never that food is safe. Suspect food: stop it, hold it, and "
    "call your local authority at once."
)
_ROWS = [
    ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
    ("LINEBELOW", (0, 1), (-1, -1), 0.3, black),
    ("RIGHTPADDING", (0, 0), (-2, -1), 5),
    ("TOPPADDING", (0, 0), (-1, -1), 3),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
]
#: A letter that the typeface has not.
_STRANGE = "?"


def pdf_of(found: Evidence) -> bytes:
    """All of it. A letter that the typeface has not is set as “?”; the tables have it."""
    title = _legible(f"Evidence pack, {found.asked}")
    return pdf(title, _legible(found.business.name), list(_story(found)), [])


def _legible(words: Any) -> str:
    known = typeface()
    return "".join(
        c if c in "\n\t\r " or (ord(c) in known and c.isprintable()) else _STRANGE
        for c in str("" if words is None else words)
    )


def _say(words: Any, style: Any = BODY) -> Flowable:
    return p(_legible(words), style)


def _story(found: Evidence) -> Iterator[Flowable]:
    yield from _head(found)
    if found.recall:
        for title, said, empty in parts(found.recall):
            yield from _lines(title, said, empty)
    yield from _lines("Gaps and warnings", [g.says for g in found.found.gaps], "None is known.")
    yield from _must_be_told(found)
    yield from _balance(found)
    yield from _chain(found.table("lots"))
    yield from _happened(found.table("events"))
    yield from _checks(found.table("checks"))
    yield from _signed(found.table("signoffs"))
    yield from _labels(found.table("lots"))
    yield from _lines("The books looked at anew", found.ledger.says(), "")


def _head(found: Evidence) -> Iterator[Flowable]:
    business = found.business
    yield p("Evidence pack", HEAD)
    yield _say(found.asked, LOUD)
    yield Spacer(0, 3 * mm)
    rows = (
        ("Business", ", ".join(filter(None, (business.name, business.address)))),
        ("Telephone", ", ".join(filter(None, (business.telephone, business.out_of_hours)))),
        ("Made", f"{clock.said(found.made_at)} by {found.made_by}"),
        ("Times", f"of {clock.zone()}; rules: {business.rule_set}, local rules come first"),
        ("Lots", _counted(found)),
        ("State now", found.found.notice),
        ("Books", found.ledger.says()[0]),
    )
    cells = [[_say(name, SMALL), _say(said or "not on record")] for name, said in rows]
    yield table(cells, [28 * mm, WIDE - 28 * mm], [("BOTTOMPADDING", (0, 0), (-1, -1), 2)])
    for note in found.found.notes:
        yield _say(note)
    yield Spacer(0, 2 * mm)
    yield _say(CAUTION, LOUD)


def _counted(found: Evidence) -> str:
    trace = found.found
    return (
        f"{len(trace.roots)} asked for, {len(trace.up)} that they came from or that touched them, "
        f"{len(trace.down)} that came of them"
    )


def _title(words: str) -> Iterator[Flowable]:
    yield Spacer(0, 6 * mm)
    rule = [("LINEBELOW", (0, 0), (-1, -1), 1.2, black), ("BOTTOMPADDING", (0, 0), (-1, -1), 3)]
    yield table([[p(words, LOUD)]], [WIDE], rule)
    yield Spacer(0, 1.5 * mm)


def _lines(title: str, said: Iterable[str], empty: str) -> Iterator[Flowable]:
    yield from _title(title)
    said = list(said)
    for one in said[:MOST] or [empty]:
        yield _say(one)
    if len(said) > MOST:
        yield _say(f"and {len(said) - MOST} more.", SMALL)


def _rows(
    heads: list[str], widths: list[float], rows: list[list[Any]], of: str, empty: str
) -> Iterator[Flowable]:
    """rows of texts, or of lists of flowables; of: the file that has all of them."""
    if not rows:
        yield p(empty, BODY)
        return
    cells = [
        [_say(_short(cell), SMALL) if isinstance(cell, str) else cell for cell in row]
        for row in rows[:MOST]
    ]
    yield table(
        [[p(head, SMALL) for head in heads], *cells],
        [wide * mm for wide in widths],
        _ROWS,
        repeatRows=1,
    )
    if len(rows) > MOST:
        yield p(f"The first {MOST} of {len(rows)} rows; {of}.csv has them all.", SMALL)


def _short(text: str) -> str:
    return text if len(text) <= LONGEST else f"{text[:LONGEST]} … (the tables have the rest)"


def _must_be_told(found: Evidence) -> Iterator[Flowable]:
    yield from _title("Who had some of it")
    rows = []
    kinds = {lot.code: lot.kind for lot in found.found.report.lots.values()}
    for told in found.found.told:
        who = told.who
        had = (
            f"{code}: {amount(much, unit, kind=kinds[code])}"
            + (f", {amount(here, unit, kind=kinds[code])} still there" if here else "")
            for code, much, unit, here in told.lots
        )
        reach = ", ".join(filter(None, (who.contact, who.telephone, who.out_of_hours)))
        rows.append([who.outlet, who.address or "address not on record", reach, "; ".join(had)])
    yield from _rows(
        ["Customer", "Address", "Whom, telephone", "What they had"],
        [36, 42, 42, 54],
        rows,
        "events",
        "Nobody outside is recorded as having had any of it.",
    )


def _balance(found: Evidence) -> Iterator[Flowable]:
    one, trace = found.found.balance, found.found
    kind = trace.report.lots[trace.roots[0]].kind if len(trace.roots) == 1 else ""
    made, lost = (amount(n, one.unit, kind=kind) for n in (one.made, one.unexplained))
    said = [f"Made {made}, unexplained {lost}."]
    if one.percent is not None:
        said.append(f"Accounted for: {one.percent} %; by evidence: {one.percent_by_evidence} %.")
    yield from _lines("Does it add up", said, "")


def _chain(lots: Table) -> Iterator[Flowable]:
    yield from _title("The chain")
    rows = [
        [
            row["side"],
            row["lot_code"],
            ", ".join(filter(None, (row["lot_kind"], row["product"]))),
            row["made_on"],
            _some(row["joined_by"]),
            row["here"] + (f". {row['held']}" if row["held"] else ""),
        ]
        for row in sorted(lots.rows, key=_made_of_first)
    ]
    heads = ["Side", "Lot", "What", "Made", "How", "Where it is now"]
    yield from _rows(heads, [17, 26, 36, 19, 36, 40], rows, "lots", "Nothing is recorded.")


def _made_of_first(row: dict[str, Any]) -> tuple[int, bool, bool]:
    """What was asked, what came of it, what it is made of; then what only touched, water last."""
    touched = all(join.startswith("touched") for join in row["joined_by"].split("; "))
    side = ("asked", "went into", "came from").index(row["side"])
    return side, touched, row["lot_kind"] == LotKind.WATER.label


def _some(joined: str) -> str:
    parts = joined.split("; ")
    return "; ".join(parts[:3]) + (f" and {len(parts) - 3} more" if parts[3:] else "")


def _happened(events: Table) -> Iterator[Flowable]:
    yield from _title("What happened")
    rows = []
    for row in events.rows:
        much = ""
        if row.get("quantity") is not None:
            much = f"{row['quantity']} {row['unit']}, {row['basis']}"
        what = row.get("critical_tracking_event") or row["what_happened"]
        if row["state"] != "stands":
            what = f"{what} ({row['state']})"
        ways = " → ".join(filter(None, (row.get("from_place"), row.get("to_place"))))
        rows.append(
            [
                _at(row),
                what,
                f"{row['lot_code']} {row['product']}",
                much,
                ways,
                ", ".join(filter(None, (row.get("done_by") or row["told_by"],
                                        _behind(row)))),
            ]
        )  # fmt: skip
    heads = ["When", "What", "Lot", "How much", "From → to", "By, paper"]
    yield from _rows(heads, [30, 28, 34, 24, 34, 24], rows, "events", "Nothing is recorded.")


def _behind(row: dict[str, Any]) -> str:
    if row.get("reference_type") == "delivery note":
        return f"note {row['reference_number']}"
    return f"entry {row['entry']}" if row.get("entry") else ""


def _at(row: dict[str, Any]) -> str:
    moment = row["event_time"]
    return moment[:10] if row.get("time_known") == "day" else f"{moment[:10]} {moment[11:16]}"


def _checks(checks: Table) -> Iterator[Flowable]:
    yield from _title("Checks and cleans of what it passed through")
    rows = [
        [
            _at(row),
            row["what"],
            row["of"],
            {"yes": "passed", "no": "FAILED"}.get(row["passed"], ""),
            ". ".join(filter(None, (row["reading"], row["done_about_it"]))),
            f"{row['done_by']}, entry {row['entry']}",
        ]
        for row in checks.rows
    ]
    heads = ["When", "What", "Of", "", "Reading, and what was done", "By"]
    yield from _rows(heads, [30, 32, 32, 16, 39, 25], rows, "checks", "None is recorded.")


def _signed(signed: Table) -> Iterator[Flowable]:
    yield from _title("Who was signed off on the day")
    rows = [
        [
            row["day"],
            ", ".join(filter(None, (row["what"], row["lots"]))),
            row["who"],
            row["task"],
            row["signed_off"] + (f", by {row['by']}" if row["by"] else ""),
        ]
        for row in signed.rows
    ]
    yield from _rows(
        ["Day", "What", "Who", "For", "Signed off"],
        [22, 50, 30, 34, 38],
        rows,
        "signoffs",
        "Nothing was done that asks for it.",
    )


def _labels(lots: Table) -> Iterator[Flowable]:
    yield from _title("Label texts in force")
    rows: list[list[Any]] = []
    for row in lots.rows:
        if "label_text" in row:
            none = "No label was printed; the run froze:\n" if row["label_printed"] == "no" else ""
            text = [_say(one, SMALL) for one in f"{none}{row['label_text']}".splitlines()]
            rows.append([f"{row['lot_code']}, packed {row['made_on']}", text, row["decision"]])
    yield from _rows(
        ["Run", "Its label says", "What was decided of it"],
        [34, 70, 70],
        rows,
        "lots",
        "None of it was packed.",
    )


__all__ = ["CAUTION", "pdf_of"]
