"""Delimited text as recorders write it: found delimiter, header or none, quotes, blanks, and blocks of columns."""

from __future__ import annotations

import csv
import gzip
import io
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from gaswitness.errors import InputError
from gaswitness.links.cells import BadCell, Cells, instants, kind_of, numbers, text_of
from gaswitness.sentence import said

BLOCK_BYTES = 1 << 22
LONGEST_LINE = 1 << 20
LONGEST_CELL = 200
_SAMPLE_LINES = 200
_QUOTE, _NEWLINE, _RETURN, _SPACE, _TAB = b'"'[0], b"\n"[0], b"\r"[0], b" "[0], b"\t"[0]
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class Layout:
    """How a file is laid out, told from its first lines."""

    names: tuple[str, ...]
    """Names of the columns; empty where the header has none, as for an index column."""
    delimiter: str
    header_lines: int
    """Lines before the first row of data."""
    sample: tuple[tuple[str, ...], ...]
    """The first rows of data."""

    @property
    def decimal_comma(self) -> bool:
        """Commas can only be decimal signs where something else parts the cells."""
        return self.delimiter != ","


class Block:
    """Some rows of the file; columns are cut out when asked for."""

    def __init__(self, octets: bytes, first_line: int, layout: Layout, source: str) -> None:
        self._data = np.frombuffer(octets + bytes(LONGEST_CELL), np.uint8)
        self._source = source
        self._names = layout.names
        self._decimal_comma = layout.decimal_comma
        body = self._data[: len(octets)]
        ends = np.flatnonzero(body == _NEWLINE)
        if len(octets) and octets[-1] != _NEWLINE:
            ends = np.append(ends, len(octets))
        starts = np.concatenate(([0], ends[:-1] + 1)).astype(np.int64)[: len(ends)]
        ends = ends - ((ends > starts) & (self._data[ends - 1] == _RETURN))
        kept = np.flatnonzero((ends > starts) & ~self._blank(starts, ends, layout.delimiter))
        self._lines = first_line + kept
        self._starts, self._ends = starts[kept], ends[kept]
        self._cuts = self._cut(body, ord(layout.delimiter))

    def __len__(self) -> int:
        return len(self._starts)

    def where(self, row: int, column: int | None = None) -> str:
        """Words for a message: file, line, column."""
        at = said("{source}, line {line}", source=self._source, line=str(self._lines[row]))
        if column is None:
            return at
        return said("{source}, column {name}", source=at, name=repr(self._names[column] or column + 1))

    def numbers(self, column: int) -> NDArray[np.float64]:
        """A column of numbers, NaN where blank."""
        try:
            return numbers(self.cells(column), decimal_comma=self._decimal_comma)
        except BadCell as bad:
            raise InputError(
                said("not a reading"),
                where=self.where(bad.row, column),
                found=bad.found,
                expected=said("a finite number, or nothing where there was no reading"),
                hint=said("leave the cell empty, or name the columns to be read with --value"),
            ) from None

    def instants(self, column: int) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
        """A column of instants: microseconds since 1970, and seconds east of UTC where stated."""
        try:
            return instants(self.cells(column), decimal_comma=self._decimal_comma)
        except BadCell as bad:
            raise InputError(
                said("not an instant"),
                where=self.where(bad.row, column),
                found=bad.found,
                expected=said("ISO 8601 such as 2026-11-25T09:30:00, the same way in all rows"),
                hint=said("day and month in another order cannot be told apart; write the year first"),
            ) from None

    def cells(self, column: int) -> Cells:
        """One column, blanks and quotes round the cells taken off."""
        starts = self._starts if column == 0 else self._cuts[:, column - 1] + 1
        ends = self._ends if column == len(self._names) - 1 else self._cuts[:, column]
        starts, ends = self._trim(starts, ends)
        lengths = ends - starts
        width = int(lengths.max(initial=3))
        if width > LONGEST_CELL:
            row = int(lengths.argmax())
            raise InputError(
                said("cell too long"),
                where=self.where(row, column),
                found=width,
                expected=said("at most {count} bytes", count=LONGEST_CELL),
            )
        width = max(width, 3)
        octets = np.lib.stride_tricks.sliding_window_view(self._data, width)[starts]
        octets[np.arange(width) >= lengths[:, None]] = 0
        return octets.view(f"S{width}").reshape(-1)

    def _blank(self, starts: NDArray[np.int64], ends: NDArray[np.int64], delimiter: str) -> NDArray[np.bool_]:
        """Lines of nothing but delimiters and space; looked at closely only where they begin with one."""
        blank = np.isin(self._data[starts], (_SPACE, _TAB, ord(delimiter)))
        nothing = b" \t" + delimiter.encode()
        for line in np.flatnonzero(blank):
            blank[line] = not self._data[starts[line] : ends[line]].tobytes().strip(nothing)
        return blank

    def _cut(self, body: NDArray[np.uint8], delimiter: int) -> NDArray[np.int64]:
        """Positions of the delimiters, a row of them per row of data; raises on a row of another length."""
        at = body == delimiter
        quotes = body == _QUOTE
        if quotes.any():
            open_quotes = np.cumsum(quotes)
            before = open_quotes[self._starts] - quotes[self._starts]
            odd = (open_quotes[self._ends - 1] - before) % 2 == 1
            if odd.any():
                raise InputError(
                    said("a quote that does not close"),
                    where=self.where(int(odd.argmax())),
                    expected=said("quotes in pairs on one line"),
                )
            at &= open_quotes % 2 == 0
        cuts = np.flatnonzero(at)
        rows, per_row = len(self._starts), len(self._names) - 1
        if len(cuts) == rows * per_row:
            table = cuts.reshape(rows, per_row)
            if per_row == 0 or (bool((table[:, 0] >= self._starts).all()) and bool((table[:, -1] < self._ends).all())):
                return table
        first = np.searchsorted(cuts, self._starts)
        counts = np.searchsorted(cuts, self._ends) - first
        wrong = counts != per_row
        if not wrong.any():  # there are delimiters in blank lines too
            return np.take(cuts, first[:, None] + np.arange(per_row))
        row = int(wrong.argmax())
        raise InputError(
            said("a row of another length"),
            where=self.where(row),
            found=said("{count} cells", count=int(counts[row]) + 1),
            expected=said("{count} cells, as in the first rows", count=per_row + 1),
            hint=said("mend or take out the line; the cells of a blank reading are left empty, not left out"),
        )

    def _trim(self, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        data = self._data
        while True:
            lead = (starts < ends) & np.isin(data[starts], (_SPACE, _TAB, _QUOTE))
            trail = (starts < ends) & np.isin(data[ends - 1], (_SPACE, _TAB, _QUOTE))
            if not (lead.any() or trail.any()):
                return starts, ends
            starts = starts + lead
            ends = np.maximum(ends - trail, starts)


class Delimited:
    """A recorded log in delimited text: its layout, then its blocks."""

    def __init__(self, path: Path) -> None:
        self.source = str(path)
        self._path = path
        with self._open() as stream:
            self.layout = _layout(self._read(stream, 1 << 18), self.source)
        self.torn = False
        """The last line broke off and was left out."""

    def blocks(self) -> Iterator[Block]:
        """The rows, some ten thousand at a time."""
        line = 1 + self.layout.header_lines
        with self._open() as stream:
            for _ in range(self.layout.header_lines):
                stream.readline()
            rest = b""
            while True:
                fresh = self._read(stream, BLOCK_BYTES)
                octets = rest + fresh
                if b"\0" in octets:
                    at = line + octets[: octets.index(b"\0")].count(b"\n")
                    raise InputError(
                        said("zero bytes, not text"),
                        where=said("{source}, line {line}", source=self.source, line=str(at)),
                        hint=said("the recorder may have lost power here; take the damaged lines out of a copy"),
                    )
                end = octets.rfind(b"\n") + 1
                if not fresh:
                    octets, rest, end = self._without_torn_end(octets), b"", len(octets)
                elif end == 0 and len(octets) > LONGEST_LINE:
                    raise InputError(
                        said("a line without an end"),
                        where=said("{source}, line {line}", source=self.source, line=str(line)),
                    )
                else:
                    octets, rest = octets[:end], octets[end:]
                if octets:
                    yield Block(octets, line, self.layout, self.source)
                    line += octets.count(b"\n")
                if not fresh:
                    return

    def _without_torn_end(self, last: bytes) -> bytes:
        """The end of the file without a line that broke off before its last cell."""
        complete, _, torn = last.rpartition(b"\n")
        if torn.strip() and torn.count(self.layout.delimiter.encode()) < len(self.layout.names) - 1:
            self.torn = True
            return complete
        return last

    @contextmanager
    def _open(self) -> Iterator[BinaryIO]:
        """The text as UTF-8 bytes, unpacked, without byte order mark."""
        with ExitStack() as stack:
            stream: Any = stack.enter_context(self._path.open("rb"))
            if stream.peek(2)[:2] == b"\x1f\x8b":
                stream = stack.enter_context(gzip.GzipFile(fileobj=stream))
            start = self._read(stream, 3)
            if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
                try:
                    stream = io.BytesIO((start + self._read(stream, -1)).decode("utf-16").encode())
                except UnicodeDecodeError as error:
                    raise InputError(
                        said("not the UTF-16 text that it begins as"), where=self.source, found=error.reason
                    ) from None
            elif start != _BOM:
                stream.seek(0)
            yield stream

    def _read(self, stream: BinaryIO, size: int) -> bytes:
        try:
            return stream.read(size)
        except (EOFError, gzip.BadGzipFile, zlib.error) as error:
            raise InputError(
                said("a compressed file that does not unpack"), where=self.source, found=str(error)
            ) from None


def _layout(head: bytes, source: str) -> Layout:
    if b"\0" in head:
        raise InputError(said("not a text file"), where=source, expected=said("CSV text, .gz of it, or Parquet"))
    lines = head.split(b"\n")
    if len(lines) > _SAMPLE_LINES:
        lines = lines[:_SAMPLE_LINES]
    elif len(head) == 1 << 18 and len(lines) > 1:
        lines = lines[:-1]
    texts = [text_of(line).rstrip("\r") for line in lines]
    first = next((i for i, text in enumerate(texts) if text.strip() and not text.startswith("#")), None)
    if first is None:
        raise InputError(
            said("nothing in it"),
            where=source,
            expected=said("a header line and rows of readings"),
            hint=said("is it the right file?"),
        )
    if texts[first].lower().startswith("sep=") and len(texts[first]) == 5 and len(texts) > first + 1:
        delimiter, first = texts[first][4], first + 1
    else:
        delimiter = next((sign for sign in ("\t", ";", ",") if sign in texts[first]), ",")
    top = _split(texts[first], delimiter)
    headless = any(kind_of(cell) == "instant" for cell in top) or all(kind_of(c) in ("number", "blank") for c in top)
    header_lines = first if headless else first + 1
    while not headless and header_lines < len(texts) and _tells_units(_split(texts[header_lines], delimiter)):
        header_lines += 1
    rows = [_split(text, delimiter) for text in texts[header_lines:] if text.strip(" \t" + delimiter)]
    if not rows:
        raise InputError(
            said("no rows of readings"),
            where=said("{source}, line {line}", source=source, line=str(header_lines + 1)),
            expected=said("at least one row after the header"),
        )
    names = [f"column {i + 1}" for i in range(len(top))] if headless else [cell.strip() for cell in top]
    if len(rows[0]) == len(names) + 1:
        trailing = all(len(row) == len(rows[0]) and not row[-1].strip() for row in rows[:-1] or rows)
        names = [*names, ""] if trailing else ["", *names]
    if len(names) == len(rows[0]) + 1 and not names[-1]:
        names.pop()
    width = len(names)
    sample = tuple(tuple(cell.strip() for cell in row) for row in rows if len(row) == width)
    return Layout(tuple(_apart(names)), delimiter, header_lines, sample)


def _tells_units(row: list[str]) -> bool:
    """A line of words below the header, as units are often told."""
    kinds = {kind_of(cell) for cell in row}
    return "text" in kinds and not kinds & {"number", "instant"}


def _split(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def _apart(names: list[str]) -> list[str]:
    """Names told apart where one occurs twice."""
    seen: dict[str, int] = {}
    out = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        out.append(f"{name} ({seen[name]})" if name and seen[name] > 1 else name)
    return out
