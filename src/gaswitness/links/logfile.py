"""Recorded logs as they come: one file in, one trace per channel out.

    timestamp,channel,value             long: a row per reading
    timestamp,ch1,ch2,...               wide: a row per instant

Text with commas, semicolons or tabs, plain or gzipped, or Parquet; time in ISO 8601 or in seconds; any column names.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from types import MappingProxyType
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gaswitness.errors import InputError
from gaswitness.links.cells import Cells, micros, read_instant, text_of
from gaswitness.links.columns import Column, Roles, column_of, find_roles
from gaswitness.sentence import figure, listed, said

Floats = NDArray[np.float64]

_MOST_S = 1e12
"""Some thirty thousand years: seconds beyond are none."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel of a log."""

    channel: str
    t_s: Floats
    """Seconds from the first row of the log, not going back."""
    values: Floats
    """Readings as recorded, NaN where there was none."""
    start: datetime | None
    """The instant of `t_s == 0`, without time zone where the log has none; None where the log counts seconds."""
    column: str = ""
    """The column that the readings stood in: the channel's own in a wide log."""

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True, slots=True)
class Log:
    """A recorded log."""

    source: str
    channels: Mapping[str, Trace]
    start: datetime | None
    """The instant of the first row; None where the log counts seconds."""
    first_s: float
    """What the first row's time cell said, where the log counts seconds; else 0."""
    notes: tuple[str, ...] = ()
    """What a reader should know about how it was read."""

    def trace(self, channel: str | None = None) -> Trace:
        """The trace of this channel, or the only one there is; raises InputError."""
        if channel is None and len(self.channels) == 1:
            return next(iter(self.channels.values()))
        if channel is not None and channel in self.channels:
            return self.channels[channel]
        close = difflib.get_close_matches(channel or "", self.channels, n=1)
        raise InputError(
            said("which channel?") if channel is None else said("no such channel"),
            where=self.source,
            found=channel,
            expected=said("one of {known}", known=listed(map(repr, self.channels))),
            hint=said("did you mean {close}?", close=repr(close[0])) if close else said("name one with --channel"),
        )

    def instant(self, t_s: float) -> str | float:
        """A time as people write it: ISO 8601 where the log has instants, else seconds from its first row."""
        return t_s if self.start is None else (self.start + timedelta(seconds=t_s)).isoformat()


class _Block(Protocol):
    def __len__(self) -> int: ...
    def where(self, row: int, column: int | None = None) -> str: ...
    def numbers(self, column: int) -> Floats: ...
    def instants(self, column: int) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]: ...
    def cells(self, column: int) -> Cells: ...


class _Table(Protocol):
    source: str
    torn: bool

    def blocks(self) -> Iterator[_Block]: ...


def read_log(path: str | Path, *, time: str | None = None, value: str | None = None, channel: str | None = None) -> Log:
    """Read a recorded log; every fault in it is an InputError that says where.

    `time` and `value` name columns. `channel` names the column that says which channel a row is of, or, where there
    is no such column, the one channel that is wanted. What is not named is found: the time by its look and name, the
    channel by its name, and all other columns of numbers are channels of a wide log.
    """
    path = Path(path)
    if path.is_dir():
        raise InputError(said("a folder, not a log"), where=str(path), expected=said("a CSV, CSV.gz or Parquet file"))
    table, columns = _open(path)
    roles = find_roles(columns, table.source, time=time, value=value, channel=channel)
    return _Reader(table, columns, roles).read()


def parse_instant(text: str, log: Log) -> float:
    """Seconds from the first row of a log, from an ISO 8601 instant or a number of seconds; raises InputError.

    An instant without time zone is taken in the zone of the log.
    """
    try:
        t_s = float(text)
    except ValueError:
        pass
    else:
        if math.isfinite(t_s):
            return t_s
    instant = read_instant(text)
    if instant is None:
        raise InputError(
            said("not a time"),
            found=text,
            expected=said("ISO 8601 such as 2026-11-25T09:30:00, or seconds from the first row"),
        )
    if log.start is None:
        raise InputError(
            said("the log counts seconds and has no instants"),
            where=log.source,
            found=text,
            expected=said("seconds from the first row"),
        )
    if instant.tzinfo is None and log.start.tzinfo is not None:
        instant = instant.replace(tzinfo=log.start.tzinfo)
    if instant.tzinfo is not None and log.start.tzinfo is None:
        raise InputError(
            said("the log states no time zone"),
            where=log.source,
            found=text,
            expected=said("an instant without one"),
            hint=said("write the time as it stands in the log"),
        )
    return (micros(instant)[0] - micros(log.start)[0]) / 1e6


def _open(path: Path) -> tuple[_Table, list[Column]]:
    from gaswitness.links.parquet import MAGIC, ParquetTable

    with path.open("rb") as file:
        magic = file.read(len(MAGIC))
    if magic == MAGIC:
        table = ParquetTable(path)
        return table, table.columns
    from gaswitness.links.delimited import Delimited

    text = Delimited(path)
    layout = text.layout
    cells = list(zip(*layout.sample, strict=True)) or [() for _ in layout.names]
    if layout.decimal_comma:
        cells = [tuple(cell.replace(",", ".") for cell in column) for column in cells]
    return text, [column_of(name, column) for name, column in zip(layout.names, cells, strict=True)]


class _Reader:
    """Gathers the blocks of one log."""

    def __init__(self, table: _Table, columns: list[Column], roles: Roles) -> None:
        self._table = table
        self._columns = columns
        self._roles = roles
        self._values: dict[int, list[Floats]] = {column: [] for column in roles.values}
        self._times: list[NDArray[np.int64] | Floats] = []
        self._codes: list[NDArray[np.int32]] = []
        self._names: dict[bytes, int] = {}
        self._zone_s: int | None = None
        self._notes: list[str] = []

    def read(self) -> Log:
        for block in self._table.blocks():
            if len(block):
                self._take(block)
        source = self._table.source
        if not self._times:
            raise InputError(said("no rows of readings"), where=source, expected=said("at least one row"))
        if self._table.torn:
            self._notes.append(said("the last line broke off and was left out"))
        times = np.concatenate(self._times)
        self._times.clear()
        start, first_s = None, 0.0
        if self._roles.instants:
            start = _start(int(times[0]), self._zone_s)
            t_s = (times - times[0]) / 1e6
        else:
            first_s = float(times[0])
            t_s = times - first_s
        traces = dict(self._long(t_s, start) if self._roles.channel is not None else self._wide(t_s, start))
        only = self._roles.only
        log = Log(source, MappingProxyType(traces), start, first_s, tuple(self._notes))
        if only is None:
            return log
        return Log(source, MappingProxyType({only: log.trace(only)}), start, first_s, log.notes)

    def _take(self, block: _Block) -> None:
        roles = self._roles
        columns = {}
        for column in list(self._values):
            try:
                columns[column] = block.numbers(column)
            except InputError:
                if column in roles.sure:
                    raise
                del self._values[column]  # blank in the first rows, words later: remarks, not readings
                name = repr(self._columns[column].name)
                self._notes.append(said("column {name} holds words and was left out", name=name))
        if roles.instants:
            times: NDArray[np.int64] | Floats
            times, zone = block.instants(roles.time)
            self._check_zone(block, zone)
        else:
            times = block.numbers(roles.time)
            missing = ~(np.abs(times) < _MOST_S)
            if missing.any():
                row = int(missing.argmax())
                found = None if np.isnan(times[row]) else float(times[row])
                raise InputError(
                    said("no time"),
                    where=block.where(row, roles.time),
                    found=found,
                    expected=said("seconds in every row"),
                )
        self._times.append(times)
        if roles.channel is not None:
            self._codes.append(self._coded(block.cells(roles.channel)))
        for column, values in columns.items():
            self._values[column].append(values)

    def _check_zone(self, block: _Block, zone: NDArray[np.int64] | None) -> None:
        first = not self._times
        if first:
            self._zone_s = None if zone is None else int(zone[0])
        elif (zone is None) != (self._zone_s is None):
            raise InputError(
                said("a change between instants with and without time zone"),
                where=block.where(0, self._roles.time),
                expected=said("the same way in all rows"),
            )

    def _coded(self, cells: Cells) -> NDArray[np.int32]:
        """A number per channel name, given in the order of appearance; names seen before are found by comparing."""
        codes = np.full(len(cells), -1, np.int32)
        left = len(cells)
        for name, code in self._names.items():
            if not left:
                return codes
            same = cells == name
            codes[same] = code
            left -= int(same.sum())
        while left:
            name = bytes(cells[int((codes < 0).argmax())])
            self._names[name] = len(self._names)
            same = cells == name
            codes[same] = self._names[name]
            left -= int(same.sum())
        return codes

    def _wide(self, t_s: Floats, start: datetime | None) -> Iterator[tuple[str, Trace]]:
        order = self._order(t_s, None)
        if order is not None:
            t_s = t_s[order]
        t_s.setflags(write=False)
        for column, parts in self._values.items():
            name = self._columns[column].name
            values = np.concatenate(parts)
            parts.clear()
            yield name, _trace(name, t_s, values if order is None else values[order], start, name)

    def _long(self, t_s: Floats, start: datetime | None) -> Iterator[tuple[str, Trace]]:
        column, parts = next(iter(self._values.items()))
        values = np.concatenate(parts)
        codes = np.concatenate(self._codes)
        rows = np.argsort(codes, kind="stable")
        ends = np.cumsum(np.bincount(codes, minlength=len(self._names)))
        for raw, code in self._names.items():
            mine = rows[ends[code - 1] if code else 0 : ends[code]]
            name = text_of(raw) or "(no name)"
            order = self._order(t_s[mine], name)
            if order is not None:
                mine = mine[order]
            yield name, _trace(name, t_s[mine], values[mine], start, self._columns[column].name)

    def _order(self, t_s: Floats, channel: str | None) -> NDArray[np.int64] | None:
        steps = np.diff(t_s)
        back = steps < 0
        if not back.any():
            return None
        count, most = int(back.sum()), figure(-steps.min(), ".6g")
        self._notes.append(
            said("{count} rows went back in time, by {most} s at most; sorted by time", count=count, most=most)
            if channel is None
            else said(
                "{count} rows of channel {name} went back in time, by {most} s at most; sorted by time",
                count=count,
                name=repr(channel),
                most=most,
            )
        )
        return np.argsort(t_s, kind="stable")


def _trace(name: str, t_s: Floats, values: Floats, start: datetime | None, column: str) -> Trace:
    t_s.setflags(write=False)
    values.setflags(write=False)
    return Trace(name, t_s, values, start, column)


def _start(us: int, zone_s: int | None) -> datetime:
    instant = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)
    if zone_s is None:
        return instant.replace(tzinfo=None)
    return instant.astimezone(timezone(timedelta(seconds=zone_s)))
