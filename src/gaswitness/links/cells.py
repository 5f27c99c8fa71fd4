"""Cells of a recorded log, as fixed-width byte strings, to numbers and instants: whole columns at a time."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Cells = NDArray[np.bytes_]
Floats = NDArray[np.float64]
Kind = Literal["blank", "number", "instant", "text"]

MISSING = frozenset({"", "nan", "na", "n/a", "#n/a", "null", "none", "nil", "-", "--", "---"})
"""Cells that say that there is no reading, in lower case."""

NO_READING = 1e30
"""Beyond it a number is a sign for something else, such as 9.9E+37 for overload."""

_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_INSTANT = re.compile(
    r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:[Zz]|[-+]\d{2}(?::?\d{2})?)?)?", re.ASCII
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_NAIVE = datetime(1970, 1, 1)  # noqa: DTZ001  a log without time zone stays without
_FIRST_YEAR, _LAST_YEAR = 1900, 2200
EARLIEST_US, LATEST_US = (int(np.datetime64(f"{year}", "us").astype(np.int64)) for year in (_FIRST_YEAR, _LAST_YEAR))
_PLAIN = (*"dddd-dd-dd", "T ", *"dd:dd:dd.dddddd")
"""What may stand at each place of an instant as most recorders write it; `d` is a digit."""
_DASH, _PLUS, _POINT, _DIGIT_0 = ord("-"), ord("+"), ord("."), ord("0")
_LONGEST_PLAIN = 17
"""Fifteen digits, a sign and a point."""
_POWERS_OF_TEN = 10.0 ** np.arange(_LONGEST_PLAIN)


class BadCell(ValueError):
    """A cell that cannot be read: which row of the block, and what it held."""

    def __init__(self, row: int, found: str) -> None:
        super().__init__(found)
        self.row = row
        self.found = found


def kind_of(cell: str) -> Kind:
    """What one cell looks like.

    >>> [kind_of(cell) for cell in ("", "4.1e2", "2015-02-04 17:51", "ndir_a")]
    ['blank', 'number', 'instant', 'text']
    """
    cell = cell.strip()
    if cell.lower() in MISSING:
        return "blank"
    if _NUMBER.fullmatch(cell):
        return "number"
    return "instant" if _INSTANT.fullmatch(cell) else "text"


def text_of(cell: bytes) -> str:
    """UTF-8 as it should be, or the one-byte western encoding as it often is."""
    try:
        return cell.decode("utf-8")
    except UnicodeDecodeError:
        return cell.decode("cp1252", errors="replace")


def numbers(cells: Cells, *, decimal_comma: bool = False) -> Floats:
    """Numbers of a column, NaN where a cell is blank; raises BadCell.

    >>> numbers(np.array([b"1.5", b"", b"-"]))
    array([1.5, nan, nan])
    """
    octets = _octets(cells)
    if decimal_comma:
        octets[octets == ord(",")] = ord(".")
    values, plain = _plain_decimals(octets)
    others = np.flatnonzero(~plain)
    values[others] = [_number(bytes(cell), int(row)) for row, cell in zip(others, _cells(octets[others]), strict=True)]
    return values


def _plain_decimals(octets: NDArray[np.uint8]) -> tuple[Floats, NDArray[np.bool_]]:
    """Numbers such as `-12.50`, and which rows are such; blank rows are NaN.

    At most 15 digits, so that digits and power of ten are exact and their quotient is the nearest double, as a
    careful reading of the text would give (W. D. Clinger, 1990).
    """
    rows, width = octets.shape
    columns = np.ascontiguousarray(octets.T)
    whole = np.zeros(rows, np.int64)
    digits = np.zeros(rows, np.int8)
    decimals = np.zeros(rows, np.int8)
    points = np.zeros(rows, np.int8)
    filled = np.zeros(rows, np.int8)
    for column in columns[: min(width, _LONGEST_PLAIN)]:
        digit = column - _DIGIT_0
        is_digit = digit < 10
        whole = whole * np.where(is_digit, 10, 1) + np.where(is_digit, digit, 0)
        digits += is_digit
        decimals += is_digit & (points > 0)
        points += column == _POINT
        filled += column != 0
    negative = columns[0] == _DASH
    signs = negative | (columns[0] == _PLUS)
    plain = (digits > 0) & (digits <= 15) & (points <= 1) & (digits + points + signs == filled)
    blank = filled == 0
    if width > _LONGEST_PLAIN:
        plain &= columns[_LONGEST_PLAIN] == 0
    values = np.where(negative, -whole, whole) / _POWERS_OF_TEN[decimals]
    values[blank] = np.nan
    return values, plain | blank


def _number(cell: bytes, row: int) -> float:
    text = text_of(cell).strip()
    if text.lower() in MISSING:
        return np.nan
    number = float(text) if _NUMBER.fullmatch(text) else np.inf
    if abs(number) >= NO_READING:
        raise BadCell(row, text)
    return number


def instants(cells: Cells, *, decimal_comma: bool = False) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
    """Microseconds since 1970, and the seconds east of UTC that each cell states; raises BadCell.

    Without a stated time zone the second is None and the first counts in the log's own local time.

    >>> us, zone = instants(np.array([b"1970-01-01T01:00:00.5+01:00"]))
    >>> us, zone
    (array([500000]), array([3600]))
    """
    octets = _octets(cells)
    if decimal_comma:
        octets[octets == ord(",")] = ord(".")
    if _is_plain(octets):
        try:
            us = _cells(octets).astype("datetime64[us]").astype(np.int64)
        except ValueError:
            pass
        else:
            if us.min() >= EARLIEST_US and us.max() < LATEST_US:
                return us, None
    return _zoned(_cells(octets), octets)


def _is_plain(octets: NDArray[np.uint8]) -> bool:
    """Whether all cells look like `YYYY-MM-DD`, `... HH:MM`, `... HH:MM:SS` or `... HH:MM:SS.f`, without a zone.

    Looked at place by place: numpy reads more than this as an instant, and not all of it as people would.
    """
    rows, width = octets.shape
    if not rows or not len("YYYY-MM-DD") <= width <= len(_PLAIN):
        return False
    ends = octets == 0
    for place, signs in enumerate(_PLAIN[:width]):
        octet = octets[:, place]
        fits = (octet - _DIGIT_0) < 10 if signs == "d" else np.isin(octet, np.frombuffer(signs.encode(), np.uint8))
        if not (fits | ends[:, place] if place >= len("YYYY-MM-DD") else fits).all():
            return False
    length = width - np.argmin(ends[:, ::-1], axis=1)
    return bool(np.isin(length, (10, 16, 19)).sum() + (length > 20).sum() == rows)


def _zoned(cells: Cells, octets: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
    """Instants that all end in `Z`, quickly; anything else one by one."""
    length = (octets != 0).sum(axis=1)
    last = octets[np.arange(len(octets)), np.maximum(length - 1, 0)]
    if len(octets) and octets.shape[1] > 11 and bool(((last == ord("Z")) & (length > 16)).all()):
        octets = octets.copy()
        octets[np.arange(len(octets)), length - 1] = 0
        try:
            us, zone = instants(_cells(octets[:, :-1]) if (length == octets.shape[1]).any() else _cells(octets))
        except BadCell as bad:
            raise BadCell(bad.row, text_of(bytes(cells[bad.row]))) from None
        if zone is None:
            return us, np.zeros(len(us), np.int64)
    us = np.empty(len(cells), np.int64)
    zones = np.zeros(len(cells), np.int64)
    stated: set[bool] = set()
    for row, cell in enumerate(cells.tolist()):
        instant = read_instant(text_of(cell))
        if instant is None:
            raise BadCell(row, text_of(cell))
        us[row], zone_s = micros(instant)
        stated.add(zone_s is not None)
        zones[row] = zone_s or 0
        if len(stated) > 1:
            raise BadCell(row, text_of(cell) + " (some rows state a time zone and some do not)")
    return us, zones if stated == {True} else None


def read_instant(text: str) -> datetime | None:
    """An instant in ISO 8601 from 1900 to 2199, with or without time zone; None where it is none.

    >>> read_instant("2015-02-04 17:51")
    datetime.datetime(2015, 2, 4, 17, 51)
    """
    text = text.strip()
    if not _INSTANT.fullmatch(text):
        return None
    try:
        instant = datetime.fromisoformat(text.upper())
    except ValueError:
        return None
    return instant if _FIRST_YEAR <= instant.year < _LAST_YEAR else None


def micros(instant: datetime) -> tuple[int, int | None]:
    """Microseconds since 1970 and seconds east of UTC, None without a time zone."""
    zone = instant.utcoffset()
    since = instant - (_EPOCH if zone is not None else _EPOCH_NAIVE)
    us = (since.days * 86400 + since.seconds) * 1_000_000 + since.microseconds
    return us, None if zone is None else int(zone.total_seconds())


def _octets(cells: Cells) -> NDArray[np.uint8]:
    width = max(cells.dtype.itemsize, 3)
    wide: Any = np.ascontiguousarray(cells).astype(f"S{width}")
    return wide.view(np.uint8).reshape(len(cells), width)  # type: ignore[no-any-return]


def _cells(octets: NDArray[np.uint8]) -> Cells:
    octets = np.ascontiguousarray(octets)
    return octets.view(f"S{octets.shape[1]}").reshape(-1)
