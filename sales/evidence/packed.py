"""The pack as one ZIP, its files in one folder, with a manifest and the SHA-256 sum of each file
(FIPS 180-4). `sha256sum -c SHA256SUMS`, in the folder, looks at all of them; so does `unlike`.

Every file bears the same date, so that the same contents are the same bytes.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import re
import textwrap
import zipfile
from collections.abc import Iterable
from typing import Any

from grow import clock
from grow.importing.sheets import csv_text, workbook

from . import Evidence, Ledger, Table, events
from .paper import pdf_of

#: The first day that a ZIP knows.
_DATE = (1980, 1, 1, 0, 0, 0)
#: What a workbook says of when it was last saved.
_SAVED = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*")
SUMS, MANIFEST = "SHA256SUMS", "manifest.json"
ABOUT = {
    "README.txt": "This list, and what each column says.",
    "records.pdf": "The records on paper: what was asked, gaps, the chain, what happened, checks "
    "and cleans, who was signed off, label texts, the recount of the books.",
    "events.csv": "What happened, a row for each thing done with a lot.",
    "trace.xlsx": "The same and the other tables as one workbook.",
    "lots.csv": "The lots, with their labels’ texts.",
    "checks.csv": "Checks, cleans, water tests, incidents, laboratory results around them.",
    "signoffs.csv": "Who did what only somebody signed off should do.",
    "ledger.txt": "The books looked at anew when this was made, and the state of their seal.",
    MANIFEST: "What is in the pack, with sizes and SHA-256 sums.",
    SUMS: "The sums, as sha256sum -c reads them.",
}


def name_of(found: Evidence) -> str:
    """What the ZIP and its folder are called: evidence-H26062-07-4."""
    plain = re.sub(r"[^0-9A-Za-z]+", "-", found.asked).strip("-")[:40].strip("-")
    return f"evidence-{plain or 'pack'}"


def packed(found: Evidence) -> bytes:
    """The whole ZIP."""
    with clock.one_zone():
        files = _files(found)
    files[MANIFEST] = _manifest(found, files)
    files[SUMS] = "".join(f"{_sum(data)}  {name}\n" for name, data in files.items()).encode()
    folder = name_of(found)
    return _zip((f"{folder}/{name}", data) for name, data in files.items())


def _files(found: Evidence) -> dict[str, bytes]:
    files = {
        "README.txt": _readme(found).encode(),
        "records.pdf": pdf_of(found),
        "trace.xlsx": _workbook(found),
        "ledger.txt": ("\n".join(found.ledger.says()) + "\n").encode(),
    }
    for table in found.tables:
        # a byte order mark tells a spreadsheet that it is UTF-8
        files[f"{table.name}.csv"] = ("\ufeff" + csv_text(table.names, table.cells())).encode()
    return files


def _workbook(found: Evidence) -> bytes:
    said = Table("columns", "Columns", [("table", "", ""), ("column", "", ""), ("says", "", ""),
                 ("asked_for_by", "", "")], [
        {"table": table.name, "column": name, "says": says, "asked_for_by": rule}
        for table in found.tables
        for name, says, rule in table.columns
    ])  # fmt: skip
    book = workbook((one.name, one.names, one.cells()) for one in (*found.tables, said))
    saved = f"{found.made_at.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%SZ}".encode()
    with zipfile.ZipFile(io.BytesIO(book)) as parts:
        return _zip(
            (name, _SAVED.sub(rb"\g<1>" + saved, data) if name == "docProps/core.xml" else data)
            for name in parts.namelist()
            for data in (parts.read(name),)
        )


def _zip(files: Iterable[tuple[str, bytes]]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed_:
        for name, data in files:
            info = zipfile.ZipInfo(name, _DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            packed_.writestr(info, data)
    return out.getvalue()


def _sum(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _manifest(found: Evidence, files: dict[str, bytes]) -> bytes:
    rows = {f"{table.name}.csv": len(table.rows) for table in found.tables}
    said: dict[str, Any] = {
        "asked": found.asked,
        "business": found.business.name,
        "made_at": found.made_at.isoformat(),
        "made_by": found.made_by,
        "rule_set": found.business.rule_set,
        "ledger": _ledger(found.ledger),
        "files": [
            {
                "name": name,
                "bytes": len(data),
                "sha256": _sum(data),
                **({"rows": rows[name]} if name in rows else {}),
            }
            for name, data in files.items()
        ],
    }
    return (json.dumps(said, indent=1, ensure_ascii=False) + "\n").encode()


def _ledger(ledger: Ledger) -> dict[str, Any]:
    return {
        "faults": ledger.faults,
        "checks": ledger.checks,
        "sealed_through": ledger.sealed and ledger.sealed.isoformat(),
        "seal": ledger.digest,
        "days_waiting": ledger.waiting,
    }


def _readme(found: Evidence) -> str:
    lines = [
        f"Evidence pack: {found.asked}",
        f"{found.business.name}. Made {clock.said(found.made_at)} by {found.made_by}.",
        "",
        *(f"{name:<14}{says}" for name, says in ABOUT.items()),
        "",
        "sha256sum -c SHA256SUMS, in this folder, says whether a file was changed since.",
        "A text that a spreadsheet would take for a formula has an apostrophe before it in CSV.",
        "What is not recorded is said as a gap in records.pdf; nothing says that food is safe.",
        "",
        *(f"{short:<14}{full}" for short, full in events.RULES.items()),
    ]
    for table in found.tables:
        lines += ["", f"{table.name}.csv: {table.title}, {len(table.rows)} rows"]
        for name, says, rule in table.columns:
            said = " ".join(filter(None, (says, f"[{rule}]" if rule else "")))
            lines += textwrap.wrap(f"  {name}: {said}", 96, subsequent_indent="      ")
    return "\n".join(lines) + "\n"


def unlike(data: bytes) -> list[str]:
    """The files of a pack that are not as its sums say, or are missing or not named there."""
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        files = {name.rpartition("/")[2]: parts.read(name) for name in parts.namelist()}
    sums = dict(line.split("  ")[::-1] for line in files.pop(SUMS, b"").decode().splitlines())
    return sorted(
        name
        for name in sums.keys() | files.keys()
        if name not in files or sums.get(name) != _sum(files[name])
    )


__all__ = ["name_of", "packed", "unlike"]
