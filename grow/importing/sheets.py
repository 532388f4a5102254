"""Tables out of files, and into them: CSV as spreadsheets write it, and XLSX.

Every cell is text as somebody would type it: 2026-03-02 for a day, yes and no, 4200 for 4200.0.
A formula is the value that the spreadsheet worked out and saved; nothing is ever worked out here.
A file is read within limits, whatever it claims of itself.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import warnings
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import PurePath
from typing import Any

from ..errors import Refusal

MOST_BYTES = 20 * 2**20
MOST_ROWS = 20_000
MOST_COLUMNS = 120
#: What a workbook may unpack to: a small file that unpacks to gigabytes is no spreadsheet.
MOST_UNPACKED = 120 * 2**20
_BLANKS = 50_000  # rows that hold nothing, as a format painted down a whole sheet leaves them
#: With these a spreadsheet begins a formula, so a text that begins so is written behind a mark.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_MARK = "'"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@dataclass(frozen=True)
class Row:
    """One line of a table. cells: column → text; what is empty is left out."""

    file: str
    line: int
    cells: Mapping[str, str]


@dataclass
class Sheet:
    """One table of a file. file is what people call it, the sheet of a workbook included; name
    is what should say what is in it. line is that of its head; comma, of CSV, stands between its
    cells."""

    file: str
    name: str
    columns: list[str] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    line: int = 1
    comma: str = ""


class Unreadable(Refusal):
    """A file that is no table, or too large a one."""

    status = 400

    def __init__(self, file: str, says: str) -> None:
        super().__init__("unreadable_file", f"{file}: {says}", file=file)


def read(file: str, data: bytes, comma: str = "") -> list[Sheet]:
    """The tables in a file, told by its contents: a workbook has one a sheet, CSV is one. comma:
    what stands between the cells of CSV; where nothing is said it is read off the head.

    Raises Unreadable with one sentence."""
    if len(data) > MOST_BYTES:
        raise Unreadable(file, f"it is larger than {MOST_BYTES >> 20} MB; send it in parts.")
    if data.startswith(b"PK\x03\x04"):
        return list(_workbook(file, data))
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise Unreadable(file, "it is an old workbook; save it as .xlsx or as CSV.")
    text = _decoded(file, data)
    comma = comma or _between(text)
    sheet = _table(file, PurePath(file).stem, _csv(file, text, comma))
    sheet.comma = comma
    return [sheet]


def _table(file: str, name: str, lines: Iterable[tuple[int, Sequence[str]]]) -> Sheet:
    """The first line with anything on it is the head."""
    sheet = Sheet(file, name)
    blanks = 0
    for line, cells in lines:
        if not any(cells):
            blanks += 1
            if blanks > _BLANKS:
                raise Unreadable(file, "there are too many empty lines; copy the table out of it.")
        elif not sheet.columns:
            sheet.line = line
            sheet.columns = _head(file, cells)
        elif len(sheet.rows) == MOST_ROWS:
            raise Unreadable(file, f"it has more than {MOST_ROWS} lines; send it in parts.")
        else:
            sheet.rows.append(Row(file, line, _cells(sheet.columns, cells)))
    return sheet


def _head(file: str, cells: Sequence[str]) -> list[str]:
    columns = [column_name(cell) for cell in cells]
    while columns and not columns[-1]:
        columns.pop()
    if len(columns) > MOST_COLUMNS:
        raise Unreadable(file, f"it has {len(columns)} columns; no table here has as many.")
    twice = next((c for c in columns if c and columns.count(c) > 1), None)
    if twice:
        raise Unreadable(file, f"the column “{twice}” stands there twice.")
    return columns


def column_name(text: str) -> str:
    """“Gross g” and “gross_g” are one column."""
    return re.sub(r"[\s_-]+", "_", text.strip().lower()).strip("_")


def _cells(columns: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    out = {}
    for i, text in enumerate(cells):
        if text:
            named = columns[i] if i < len(columns) else ""
            out[named or f"column {i + 1}, which has no name"] = text
    return out


# --- CSV ------------------------------------------------------------------------------------


def _decoded(file: str, data: bytes) -> str:
    codes = ("utf-16",) if data.startswith((b"\xff\xfe", b"\xfe\xff")) else ("utf-8-sig", "cp1252")
    for code in codes:
        try:
            text = data.decode(code)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:  # else it is of no such code, or of none
            return text
    raise Unreadable(file, "it is no text; save it as CSV in UTF-8, or as .xlsx.")


def _between(text: str) -> str:
    """What stands between cells, by the head: the sign that it has most of."""
    head = text.lstrip().partition("\n")[0]
    return max(",;\t", key=head.count)


def _csv(file: str, text: str, comma: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=comma)
    line = 1
    try:
        for cells in reader:
            yield line, [_unmarked(cell.strip()) for cell in cells]
            line = reader.line_num + 1
    except csv.Error as error:
        raise Unreadable(file, f"line {line} cannot be read as CSV.") from error


def _unmarked(text: str) -> str:
    return text[1:] if text[:1] == _MARK and text[1:2] in _FORMULA and text[1:] else text


# --- workbooks ------------------------------------------------------------------------------


def _workbook(file: str, data: bytes) -> Iterator[Sheet]:
    import openpyxl  # slow to load, and only who imports needs it

    formulas = _look_inside(file, data)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it warns of every decoration that it does not know
            book = openpyxl.load_workbook(
                io.BytesIO(data), read_only=True, data_only=True, keep_links=False
            )
            for page in book.worksheets:
                name = page.title
                sheet = _table(f"{file}, sheet {name}", name, _lines(page))
                if sheet.columns:
                    yield sheet
            book.close()
            if formulas:
                _refuse_not_worked_out(file, data)
    except Refusal:
        raise
    except Exception as error:  # a broken workbook raises whatever its part at fault raises
        raise Unreadable(file, "it cannot be read as a workbook; save it anew.") from error


def _look_inside(file: str, data: bytes) -> bool:
    """Whether there are formulas in it; refused if it unpacks to too much."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            parts = packed.infolist()
            if len(parts) > 1000 or sum(part.file_size for part in parts) > MOST_UNPACKED:
                raise Unreadable(file, "it unpacks to more than a table would; save it as CSV.")
            pages = [p for p in parts if p.filename.startswith("xl/worksheets/")]
            return any(re.search(rb"<(\w+:)?f[\s/>]", packed.read(page)) for page in pages)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, EOFError) as error:
        raise Unreadable(file, "it cannot be read as a workbook; save it anew.") from error


def _lines(page: Any) -> Iterator[tuple[int, list[str]]]:
    page.reset_dimensions()  # what a sheet says of its own size need not be true
    rows = page.iter_rows(max_col=MOST_COLUMNS + 1, values_only=True)
    for line, values in enumerate(rows, start=1):
        yield line, [_text(value) for value in values]


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, dt.datetime):
        whole_day = value.time() == dt.time()
        return value.date().isoformat() if whole_day else value.isoformat(" ", "seconds")
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    return str(value).strip()


def _refuse_not_worked_out(file: str, data: bytes) -> None:
    """A formula that no spreadsheet has worked out yet has no value: an empty cell where somebody
    sees a number would be a silent loss."""
    import openpyxl

    values = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    written = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False)
    for page, own in zip(values.worksheets, written.worksheets, strict=True):
        for found, cells in zip(page.iter_rows(), own.iter_rows(), strict=False):
            for value, cell in zip(found, cells, strict=False):
                if cell.data_type == "f" and value.value is None:
                    raise Unreadable(
                        f"{file}, sheet {own.title}",
                        f"{cell.coordinate} holds a formula that was never worked out; open the "
                        "file in a spreadsheet and save it.",
                    )
    values.close()
    written.close()


# --- written by us --------------------------------------------------------------------------


def marked(value: Any) -> Any:
    """A text that a spreadsheet would take for a formula, behind a mark; all else as it is."""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return _MARK + value
    return value


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """One table as CSV, with no cell that a spreadsheet would work out."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow([marked(c) for c in columns])
    writer.writerows([_written(value) for value in row] for row in rows)
    return out.getvalue()


def _written(value: Any) -> Any:
    """A decimal in figures: a nought of nine places is written 0.000000000, never 0E-9."""
    return format(value, "f") if isinstance(value, Decimal) else marked(value)


def workbook(pages: Iterable[tuple[str, Sequence[str], Iterable[Sequence[Any]]]]) -> bytes:
    """Tables (name, columns, rows) as one XLSX workbook; texts stay texts."""
    import openpyxl
    from openpyxl.styles import Font, PatternFill
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, columns, rows in pages:
        page = book.create_sheet(name[:31])
        page.freeze_panes = "A2"
        for i, column in enumerate(columns, start=1):
            cell = page.cell(1, i)
            _write(cell, column)
            cell.font = Font(bold=True)
            cell.fill = PatternFill("solid", fgColor="DCE9DC")
            page.column_dimensions[get_column_letter(i)].width = max(12, len(column) + 3)
        for line, row in enumerate(rows, start=2):
            for i, value in enumerate(row, start=1):
                _write(page.cell(line, i), value)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _write(cell: Any, value: Any) -> None:
    cell.value = float(value) if isinstance(value, Decimal) else value
    if isinstance(value, str):
        cell.data_type = "s"  # else a text that begins with = becomes a formula
        # nor does it become one when somebody edits the cell
        cell.quotePrefix = value.startswith(_FORMULA)
