"""A site as a spreadsheet (XLSX): the same records as the YAML file, one sheet for each kind."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from openpyxl import Workbook, load_workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.utils.exceptions import IllegalCharacterError
from openpyxl.worksheet.worksheet import Worksheet

from gaswitness.errors import Fault, InputError, Unreadable
from gaswitness.sentence import listed, said
from gaswitness.site.records import Site
from gaswitness.site.references import near
from gaswitness.site.sheet_layout import GENERAL, GENERAL_COLUMNS, KEY, TABLES, VALUE, Column, Table
from gaswitness.site.tree import Tree, child

_MAX_UNPACKED = 60_000_000
_MAX_ROWS = 20_000
_MAX_COLUMNS = 100
_WIDEST = 60
_HEAD_FILL = PatternFill("solid", fgColor="E6E6E6")

Row = list[Any]


def read_sheets(data: bytes, source: str) -> Tree:
    """Read a spreadsheet into plain data, with the cell of every path; raises Unreadable where it is none."""
    book = _open(data, source)
    reader = _Reader()
    known = (GENERAL, *(table.sheet for table in TABLES))
    for sheet in book:
        if sheet not in known:
            reader.say(
                f"{sheet}!A1",
                said(
                    "found the unknown sheet {found}, expected one of {known}", found=repr(sheet), known=listed(known)
                ),
                near(sheet, known),
            )
    if GENERAL not in book:
        fault = Fault(
            "$",
            said("found no sheet {sheet}, expected a spreadsheet of a site", sheet=repr(GENERAL)),
            near(GENERAL, book),
        )
        raise Unreadable(source, (fault,))
    reader.general(book[GENERAL])
    for table in TABLES:
        if table.sheet in book:
            reader.table(table, book[table.sheet])
    return Tree(reader.data, faults=tuple(reader.faults), cells=reader.cells)


def _open(data: bytes, source: str) -> dict[str, list[Row]]:
    """Values of every sheet, row by row; formulas come as their text."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
        if unpacked > _MAX_UNPACKED:
            fault = Fault(
                "$",
                said(
                    "found {unpacked} bytes once unpacked, expected at most {most}",
                    unpacked=unpacked,
                    most=_MAX_UNPACKED,
                ),
            )
            raise Unreadable(source, (fault,))
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=False)
        sheets = {
            sheet.title: [
                list(row) for row in sheet.iter_rows(max_row=_MAX_ROWS + 1, max_col=_MAX_COLUMNS, values_only=True)
            ]
            for sheet in book.worksheets
        }
    except Unreadable:
        raise
    except Exception as error:  # the reader gives up on a damaged file in many ways
        message = said("found no spreadsheet that can be read ({why}), expected XLSX", why=type(error).__name__)
        hint = said("open it in a spreadsheet program and save it anew as .xlsx")
        raise Unreadable(source, (Fault("$", message, hint),)) from error
    for title, rows in sheets.items():
        if len(rows) > _MAX_ROWS:
            fault = Fault(
                f"{title}!A{_MAX_ROWS + 1}", said("found more than {most} rows, expected a site", most=_MAX_ROWS)
            )
            raise Unreadable(source, (fault,))
    return sheets


@dataclass
class _Reader:
    """Gathers plain data, where each path lies, and what is wrong with the sheets themselves."""

    data: dict[str, Any] = field(default_factory=dict)
    cells: dict[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def say(self, cell: str, message: str, hint: str = "") -> None:
        self.faults.append(Fault(cell, message, hint))

    def general(self, rows: Sequence[Row]) -> None:
        by_name = {column.name: column for column in GENERAL_COLUMNS}
        for number, row in enumerate(rows, 1):
            name = _text(row[0]) if row else ""
            if not name or (number == 1 and name == KEY):
                continue
            cell = f"{GENERAL}!B{number}"
            if name not in by_name:
                message = said(
                    "found the unknown key {found}, expected one of {known}",
                    found=repr(name[:80]),
                    known=listed(by_name),
                )
                self.say(f"{GENERAL}!A{number}", message, near(name, by_name))
                continue
            self.put(self.data, "$", by_name[name], row[1] if len(row) > 1 else None, cell)

    def table(self, table: Table, rows: Sequence[Row]) -> None:
        """Rows of one sheet, each put where it belongs."""
        if table.parent is None:
            self.data.setdefault(table.key, [])
        if not rows:
            return
        columns = self.header(table, rows[0])
        for number, row in enumerate(rows[1:], 2):
            if all(value is None or _text(value) == "" for value in row):
                continue
            values = {name: row[index] for name, index in columns.items() if index < len(row)}
            place = self.place(table, values.get(table.owner), f"{table.sheet}!{_letter(columns, table.owner)}{number}")
            if place is None:
                continue
            holder, path = place
            entries = holder.setdefault(table.key, [])
            at = child(child(path, table.key), len(entries))
            entry: dict[str, Any] = {}
            entries.append(entry)
            self.cells[at] = f"{table.sheet}!A{number}"
            for column in table.columns:
                if column.name in columns:
                    cell = f"{table.sheet}!{_letter(columns, column.name)}{number}"
                    self.put(entry, at, column, values.get(column.name), cell)

    def header(self, table: Table, row: Row) -> dict[str, int]:
        known = [*([table.owner] if table.parent else []), *(column.name for column in table.columns)]
        columns: dict[str, int] = {}
        for index, value in enumerate(row):
            name, cell = _text(value), f"{table.sheet}!{get_column_letter(index + 1)}1"
            if not name:
                continue
            if name not in known:
                message = said(
                    "found the unknown column {found}, expected one of {known}",
                    found=repr(name[:80]),
                    known=listed(known),
                )
                self.say(cell, message, near(name, known))
            elif name in columns:
                self.say(cell, said("found the column {found} twice, expected it once", found=repr(name)))
            else:
                columns[name] = index
        return columns

    def place(self, table: Table, owner: object, cell: str) -> tuple[dict[str, Any], str] | None:
        """The mapping that a row belongs to, and its path."""
        if table.parent is None:
            return self.data, "$"
        parent = next(found for found in TABLES if found.sheet == table.parent)
        holders = self.data.get(parent.key, [])
        keys = [_text(holder.get("tag", index)) for index, holder in enumerate(holders, 1)]
        name = _text(owner)
        if name not in keys:
            what = said("the number of a row") if parent.sheet == "Links" else said("the tag of a row")
            message = said(
                "found {found}, expected {what} of the sheet {sheet}",
                found=repr(name[:80]),
                what=what,
                sheet=parent.sheet,
            )
            self.say(cell, message, near(name, keys))
            return None
        index = keys.index(name)
        return holders[index], child(f"$.{parent.key}", index)

    def put(self, holder: dict[str, Any], path: str, column: Column, value: object, cell: str) -> None:
        """One cell into the mapping, where it holds anything."""
        for step in column.steps:
            path = child(path, step)
        self.cells[path] = cell
        if isinstance(value, str) and value.startswith("="):
            message = said("found the formula {found}, expected a value", found=repr(value[:60]))
            self.say(cell, message, said("paste it again as a value"))
            return
        plain = _plain(value, column)
        if plain is None:
            return
        for step in column.steps[:-1]:
            holder = holder.setdefault(step, {})
        holder[column.steps[-1]] = plain
        if column.is_list:
            self.cells |= {child(path, index): cell for index in range(len(plain))}


def _plain(value: object, column: Column) -> Any:
    if isinstance(value, datetime | date):
        return value.isoformat()[:10]
    text = _text(value)
    if value is None or text == "":
        return None
    if column.is_list:
        return [part.strip() for part in text.split(",") if part.strip()]
    if isinstance(value, bool | int | float) and not column.is_text:
        return value
    return text


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _letter(columns: dict[str, int], name: str) -> str:
    return get_column_letter(columns[name] + 1) if name in columns else "A"


def write_sheets(site: Site) -> bytes:
    """The spreadsheet of a site; `read_sheets` gives an equal site back."""
    data = site.model_dump(mode="json", by_alias=True)
    book = Workbook()
    general = book.active
    assert isinstance(general, Worksheet)  # noqa: S101 - a new workbook has one sheet
    general.title = GENERAL
    lines = [[column.name, _cell(_dig(data, column), column)] for column in GENERAL_COLUMNS]
    _fill(general, [KEY, VALUE], [line for line in lines if line[1] is not None])
    for table in TABLES:
        header = [*([table.owner] if table.parent else []), *(column.name for column in table.columns)]
        _fill(book.create_sheet(table.sheet), header, list(_rows(data, table)))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _rows(data: dict[str, Any], table: Table) -> Iterator[Row]:
    if table.parent is None:
        for entry in data[table.key]:
            yield [_cell(_dig(entry, column), column) for column in table.columns]
        return
    parent = next(found for found in TABLES if found.sheet == table.parent)
    for index, holder in enumerate(data[parent.key], 1):
        for entry in holder[table.key]:
            yield [holder.get("tag", index), *(_cell(_dig(entry, column), column) for column in table.columns)]


def _dig(entry: dict[str, Any], column: Column) -> Any:
    found: Any = entry
    for step in column.steps:
        found = found.get(step) if isinstance(found, dict) else None
    return found


def _cell(value: Any, column: Column) -> Any:
    return (", ".join(map(str, value)) or None) if column.is_list and value is not None else value


def _fill(sheet: Worksheet, header: list[str], rows: list[Row]) -> None:
    for number, row in enumerate([header, *rows], 1):
        for index, value in enumerate(row, 1):
            cell = sheet.cell(number, index)
            assert isinstance(cell, Cell)  # noqa: S101 - no cell of a new sheet is merged
            try:
                cell.value = value
            except IllegalCharacterError as error:
                raise InputError(
                    said("a spreadsheet cannot hold this text"),
                    where=f"{sheet.title}!{cell.coordinate}",
                    found=value,
                    expected=said("text without control characters"),
                    hint=said("mend the text in the site file"),
                ) from error
            if isinstance(value, str):
                cell.data_type = "s"  # a name that begins with `=` is no formula
            if number == 1:
                cell.font, cell.fill = Font(bold=True), _HEAD_FILL
            cell.alignment = Alignment(vertical="top")
    for index in range(1, len(header) + 1):
        widest = max((len(str(row[index - 1])) for row in [header, *rows] if row[index - 1] is not None), default=4)
        sheet.column_dimensions[get_column_letter(index)].width = min(widest + 2, _WIDEST)
    sheet.freeze_panes = "A2"
