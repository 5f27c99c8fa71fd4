"""Tables as files: CSV (RFC 4180) and XLSX, read with the place of every cell, written so that no text is a formula."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from gaswitness.errors import Fault, Unreadable

MOST_ROWS = 200_000
LARGEST_BYTES = 200_000_000
RISKY = "=+-@\t\r'"
"""A cell that begins so may be taken for a formula by the program that opens it (or was kept from it, by `'`)."""
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_WIDEST = 48

Cell = str | float | int | bool | date | datetime | None


@dataclass(frozen=True, slots=True)
class Line:
    """One row of a table: where it stands, and what is in it by name of column, blanks left out."""

    where: str
    cells: dict[str, Cell]
    decimal_comma: bool = False
    """Something else parts the cells, so that a comma within one can only be a decimal sign."""


def guarded(text: str) -> str:
    """Text that no spreadsheet program takes for a formula; `unguarded` gives it back.

    >>> guarded("=1+1"), guarded("NH3-1"), unguarded(guarded("-")), unguarded("'tis")
    ("'=1+1", 'NH3-1', '-', "'tis")
    """
    return f"'{text}" if text[:1] and text[0] in RISKY else text


def unguarded(text: str) -> str:
    """The text as it was before it was guarded."""
    return text[1:] if len(text) > 1 and text[0] == "'" and text[1] in RISKY else text


def read_table(data: bytes, name: str) -> tuple[tuple[str, ...], list[Line]]:
    """Header and rows of a CSV file or of the first sheet of an XLSX file; raises Unreadable."""
    delimiter = ","
    if zipfile.is_zipfile(io.BytesIO(data)):
        rows = _from_xlsx(data, name)
    else:
        rows, delimiter = _from_csv(data, name)
    filled = [(where, cells) for where, cells in rows if any(cell is not None for cell in cells)]
    if not filled:
        raise Unreadable(name, (Fault("row 1", "found nothing, expected a row of column names"),))
    header = tuple("" if cell is None else str(cell).strip() for cell in filled[0][1])
    lines = []
    for where, cells in filled[1:]:
        named = zip(header, cells, strict=False)
        beyond = any(cell is not None for cell in cells[len(header) :])
        if beyond:
            raise Unreadable(
                name, (Fault(where, f"found {len(cells)} cells, expected {len(header)} as in the header"),)
            )
        lines.append(Line(where, {column: cell for column, cell in named if cell is not None}, delimiter != ","))
    return header, lines


def _from_csv(data: bytes, name: str) -> tuple[list[tuple[str, list[Cell]]], str]:
    if len(data) > LARGEST_BYTES:
        raise Unreadable(name, (Fault("the file", f"found {len(data)} bytes, expected at most {LARGEST_BYTES}"),))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    if "\x00" in text:
        raise Unreadable(name, (Fault("the file", "found bytes that are no text, expected CSV or XLSX"),))
    head = text.lstrip("\r\n").partition("\n")[0]
    delimiter = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[str, list[Cell]]] = []
    try:
        for row in reader:
            rows.append((f"row {reader.line_num}", [unguarded(cell.strip()) or None for cell in row]))
            if len(rows) > MOST_ROWS:
                raise Unreadable(name, (Fault(rows[-1][0], f"found more than {MOST_ROWS} rows"),))
    except csv.Error as error:
        message = f"found text that is not CSV ({error})"
        raise Unreadable(name, (Fault(f"row {reader.line_num}", message, "save it anew as CSV or XLSX"),)) from error
    return rows, delimiter


def _from_xlsx(data: bytes, name: str) -> list[tuple[str, list[Cell]]]:
    from openpyxl import load_workbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if (size := sum(entry.file_size for entry in archive.infolist())) > LARGEST_BYTES:
                raise Unreadable(name, (Fault("the file", f"found {size} bytes once unpacked"),))
        sheet = load_workbook(io.BytesIO(data), read_only=True).worksheets[0]
        rows: list[tuple[str, list[Cell]]] = []
        for number, row in enumerate(sheet.iter_rows(max_col=100), start=1):
            if number > MOST_ROWS:
                raise Unreadable(name, (Fault(f"row {number}", f"found more than {MOST_ROWS} rows"),))
            cells = [_value(cell, number, name) for cell in row]
            while cells and cells[-1] is None:
                cells.pop()
            rows.append((f"row {number}", cells))
    except Unreadable:
        raise
    except Exception as error:  # the reader gives up on a damaged file in many ways
        message = f"found no spreadsheet that can be read ({type(error).__name__}), expected XLSX or CSV"
        raise Unreadable(name, (Fault("the file", message, "save it anew as .xlsx"),)) from error
    return rows


def _value(cell: Any, row: int, name: str) -> Cell:
    value = cell.value
    if cell.data_type == "f":
        hint = "paste the values over the formulas"
        raise Unreadable(name, (Fault(f"row {row}", f"found the formula {str(value)[:40]!r}, expected a value", hint),))
    if isinstance(value, str):
        return value.strip() or None
    return value if isinstance(value, int | float | date | datetime) else None


def write_csv(columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """One table as CSV: RFC 4180, UTF-8, numbers so that they come back bit for bit, no text a formula."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([guarded(column) for column in columns])
    for row in rows:
        writer.writerow([_written(cell) for cell in row])
    return out.getvalue().encode()


def _written(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, str):
        return guarded(_CONTROL.sub("\ufffd", cell))
    return repr(cell) if isinstance(cell, float) else cell.isoformat() if isinstance(cell, date) else str(cell)


def write_xlsx(sheets: Sequence[tuple[str, Sequence[str], Sequence[Sequence[Cell]]]], *, footer: str) -> bytes:
    """Tables as sheets: typed cells, a header that stays, filters, and a page that prints on A4 across."""
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    book = Workbook()
    book.remove(book.worksheets[0])
    for title, columns, rows in sheets:
        sheet = book.create_sheet(title)
        widths = [len(column) for column in columns]
        for number, row in enumerate([columns, *rows], start=1):
            for at, cell in enumerate(row):
                if cell is None:
                    continue
                placed = sheet.cell(number, at + 1)
                if isinstance(cell, str):
                    placed.value = _CONTROL.sub("\ufffd", cell)
                    placed.data_type = "s"  # never a formula, whatever it begins with
                    placed.quotePrefix = cell[:1] != "" and cell[0] in RISKY
                elif isinstance(cell, bool):
                    placed.value = "yes" if cell else "no"
                else:
                    placed.value = cell
                    if isinstance(cell, date):
                        placed.number_format = "yyyy-mm-dd"
                widths[at] = max(widths[at], min(_WIDEST, len(str(cell))))
        for at, width in enumerate(widths):
            head = sheet.cell(1, at + 1)
            head.font, head.fill = Font(bold=True), PatternFill("solid", fgColor="E6E6E6")
            head.alignment = Alignment(wrap_text=True, vertical="top")
            sheet.column_dimensions[get_column_letter(at + 1)].width = min(width, _WIDEST) + 2
        sheet.freeze_panes = "A2"
        sheet.auto_filter.ref = f"A1:{get_column_letter(len(columns))}{len(rows) + 1}"
        sheet.print_title_rows = "1:1"
        sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", 9
        sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
        sheet.sheet_properties.pageSetUpPr.fitToPage = True
        sheet.oddFooter.left.text, sheet.oddFooter.right.text = footer, "&P / &N"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
