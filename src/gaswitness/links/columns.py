"""Which column of a recorded log is the time, which the channel, which hold readings."""

from __future__ import annotations

import difflib
import itertools
import re
from collections import Counter
from dataclasses import dataclass

from gaswitness.errors import InputError
from gaswitness.links.cells import Kind, kind_of
from gaswitness.sentence import listed, said

TIME_WORDS = frozenset(
    {"timestamp", "time", "datetime", "date", "t", "ts", "seconds", "sec", "elapsed", "utc", "instant"}
)
CHANNEL_WORDS = frozenset(
    {"channel", "sensor", "detector", "tag", "device", "instrument", "node", "point", "location", "id", "name"}
)
STATUS_WORDS = frozenset(
    {"status", "state", "quality", "flag", "flags", "mode", "phase", "note", "notes", "remark", "comment"}
)
VALUE_WORDS = frozenset(
    {"value", "reading", "ppm", "ppb", "vol", "lfl", "conc", "concentration", "level", "co2", "measurement"}
)


@dataclass(frozen=True, slots=True)
class Column:
    """One column as its first rows show it."""

    name: str
    kind: Kind
    sample: tuple[str, ...]

    @property
    def words(self) -> frozenset[str]:
        """The words in its name, lower case, digits kept to what they follow (`co2`)."""
        return frozenset(re.findall(r"[a-z]+\d*", re.sub(r"([a-z])([A-Z])", r"\1 \2", self.name).lower()))


@dataclass(frozen=True, slots=True)
class Roles:
    """Positions of the columns by what they are for."""

    time: int
    instants: bool
    """Time is instants; otherwise seconds."""
    channel: int | None
    """The column that says which channel a row is of; none in a wide log."""
    values: tuple[int, ...]
    sure: tuple[int, ...]
    """Those of `values` that showed a number in the first rows; a cell that is none is then a fault."""
    only: str | None
    """The one channel that was asked for."""


def column_of(name: str, cells: tuple[str, ...]) -> Column:
    """A column described by its first cells: what most of those that are not blank look like."""
    kinds = Counter(kind for cell in cells if (kind := kind_of(cell)) != "blank")
    return Column(name, kinds.most_common(1)[0][0] if kinds else "blank", cells)


def find_roles(
    columns: list[Column], source: str, *, time: str | None = None, value: str | None = None, channel: str | None = None
) -> Roles:
    """Roles of the columns, names given going before names guessed; raises InputError saying what to name."""
    time_at = _named(columns, time, source, "--time") if time is not None else _find_time(columns, source)
    if columns[time_at].kind not in ("instant", "number"):
        raise InputError(
            said("not a time column"),
            where=said("{source}, column {name}", source=source, name=repr(columns[time_at].name)),
            found=next((cell for cell in columns[time_at].sample if cell), ""),
            expected=said("ISO 8601 such as 2026-11-25T09:30:00, or seconds"),
            hint=said("day and month in another order cannot be told apart; write the year first"),
        )
    value_at = _named(columns, value, source, "--value") if value is not None else None
    free = [i for i, column in enumerate(columns) if i not in (time_at, value_at) and column.name]
    figures = [i for i in free if columns[i].kind == "number"]

    named = None if channel is None else next((i for i in free if columns[i].name == channel), None)
    picked = (
        named is not None and columns[named].kind in ("number", "blank") and not _says_channel(columns[named], figures)
    )
    if picked and named is not None:
        return Roles(time_at, columns[time_at].kind == "instant", None, (named,), (named,), channel)
    channel_at = named if named is not None else _find_channel(columns, free, figures, value_at, channel)
    only = channel if named is None else None

    if value_at is not None:
        values = [value_at]
    elif channel_at is not None:
        values = [_find_value([i for i in figures if i != channel_at], columns, source)]
    else:
        values = [i for i in free if columns[i].kind in ("number", "blank")]
    if not any(columns[i].kind == "number" for i in values) and value_at is None:
        raise InputError(
            said("no column of readings"),
            where=source,
            found=[column.name for column in columns],
            expected=said("a column of numbers beside the time"),
            hint=said("name it with --value"),
        )
    sure = tuple(i for i in values if columns[i].kind == "number" or i == value_at)
    return Roles(time_at, columns[time_at].kind == "instant", channel_at, tuple(values), sure, only)


def _named(columns: list[Column], name: str, source: str, option: str) -> int:
    names = [column.name for column in columns]
    if name in names:
        return names.index(name)
    close = difflib.get_close_matches(name, names, n=1)
    raise InputError(
        said("no column of the name given with {option}", option=option),
        where=source,
        found=name,
        expected=said("one of {known}", known=listed(repr(n) for n in names if n)),
        hint=said("did you mean {close}?", close=repr(close[0])) if close else "",
    )


def _find_time(columns: list[Column], source: str) -> int:
    instants = [i for i, column in enumerate(columns) if column.kind == "instant"]
    called = [i for i, column in enumerate(columns) if column.words & TIME_WORDS]
    seconds = [i for i in called if columns[i].kind == "number"]
    for found in ([i for i in instants if i in called], instants, seconds, _rising(columns)):
        if found:
            return found[0]
    if called:
        return called[0]  # refused for what it holds, which says more than that none was found
    raise InputError(
        said("no time column found"),
        where=source,
        found=[column.name for column in columns],
        expected=said("ISO 8601 or seconds, in a column called timestamp, time, date, t_s or alike"),
        hint=said("name it with --time"),
    )


def _rising(columns: list[Column]) -> list[int]:
    """A first column of numbers that only rise, where it has a name: an index without one is no clock."""
    first = columns[0]
    if first.kind != "number" or not first.name or len(columns) < 2:
        return []
    try:
        numbers = [float(cell.replace(",", ".")) for cell in first.sample]
    except ValueError:
        return []
    return [0] if len(numbers) > 1 and all(b > a for a, b in itertools.pairwise(numbers)) else []


def _says_channel(column: Column, figures: list[int]) -> bool:
    return bool(column.words & CHANNEL_WORDS) and len(figures) > 1


def _find_channel(
    columns: list[Column], free: list[int], figures: list[int], value_at: int | None, wanted: str | None
) -> int | None:
    def one_reading_beside(column: int) -> bool:
        return value_at is not None or len([i for i in figures if i != column]) == 1

    texts = [i for i in free if columns[i].kind == "text" and not columns[i].words & STATUS_WORDS]
    for i in texts:
        if columns[i].words & CHANNEL_WORDS or wanted in columns[i].sample:
            return i
    if len(texts) == 1 and one_reading_beside(texts[0]) and len(set(columns[texts[0]].sample)) > 1:
        return texts[0]
    for i in figures:  # channels that are numbered
        if columns[i].words and columns[i].words <= CHANNEL_WORDS | {"no", "nr", "number"} and one_reading_beside(i):
            return i
    return None


def _find_value(figures: list[int], columns: list[Column], source: str) -> int:
    likely = [i for i in figures if columns[i].words & VALUE_WORDS]
    for found in (figures, likely):
        if len(found) == 1:
            return found[0]
    raise InputError(
        said("no single column of readings beside the channel"),
        where=source,
        found=[columns[i].name for i in figures],
        expected=said("one"),
        hint=said("name it with --value"),
    )
