"""What people did while a log was recorded, from a file beside it: acknowledge, reset, inhibit, lift.

t,tag,what
2026-11-25T09:31:10,NH3-1,acknowledge
2026-11-25T09:40:00,,reset                  no tag: every detector, as a button of the panel does
"""

from __future__ import annotations

import csv
import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from gaswitness.errors import InputError
from gaswitness.links.logfile import Log, parse_instant

COLUMNS = ("t", "tag", "what")
WHAT = ("acknowledge", "reset", "inhibit", "lift")
"""Press acknowledge, press reset, place an inhibit, lift it: the words of a plan's steps."""


@dataclass(slots=True)
class Pressed:
    """What was done at one detector, in seconds from the first row of the log."""

    acknowledges_s: list[float] = field(default_factory=list)
    resets_s: list[float] = field(default_factory=list)
    inhibits_s: list[tuple[float, float]] = field(default_factory=list)
    """From when until when; infinite where no lift follows."""


def read_events(path: Path, log: Log, tags: Sequence[str]) -> dict[str, Pressed]:
    """Read such a file for the detectors `tags` of a site; every fault in it is an InputError that names its line.

    Rows come in any order. An inhibit holds until the lift of the same detector, or to the end of the log; an inhibit
    on top of one, and a lift of none, are faults.
    """
    done = {tag: Pressed() for tag in tags}
    begun: dict[str, tuple[float, str]] = {}
    for t_s, where, tag, what in sorted(_rows(path, log, tags), key=lambda row: row[0]):
        for one in [tag] if tag else tags:
            pressed = done[one]
            if what == "acknowledge":
                pressed.acknowledges_s.append(t_s)
            elif what == "reset":
                pressed.resets_s.append(t_s)
            elif what == "inhibit":
                if one in begun:
                    raise InputError(
                        f"{one} is inhibited already", where=where, expected=f"a lift after {begun[one][1]}"
                    )
                begun[one] = t_s, where
            elif one in begun:
                pressed.inhibits_s.append((begun.pop(one)[0], t_s))
            elif tag:
                raise InputError(f"{one} is not inhibited", where=where, found="lift", expected="an inhibit before it")
    for one, (since_s, _) in begun.items():
        done[one].inhibits_s.append((since_s, float("inf")))
    return done


def _rows(path: Path, log: Log, tags: Sequence[str]) -> Iterator[tuple[float, str, str, str]]:
    """Time, place in the file, tag (empty: all), and what was done, of every row."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("not text", where=str(path), expected="a CSV file in UTF-8") from error
    reader = csv.reader(text.splitlines())
    at: dict[str, int] | None = None
    for cells in reader:
        cells = [cell.strip() for cell in cells]
        if not any(cells) or cells[0].startswith("#"):
            continue
        where = f"{path.name}, line {reader.line_num}"
        if at is None:
            at = _header(cells, where)
            continue
        if len(cells) < len(at):
            raise InputError("a row cut short", where=where, found=",".join(cells), expected=",".join(at))
        tag, what = cells[at["tag"]], cells[at["what"]].casefold()
        _one_of(what, WHAT, "not an action", where)
        if tag:
            _one_of(tag, tags, "no detector of this tag", where)
        try:
            t_s = parse_instant(cells[at["t"]], log)
        except InputError as error:
            raise InputError(str(error), where=where) from error
        yield t_s, where, tag, what
    if at is None:
        raise InputError(
            "an empty file", where=str(path), expected="a line " + ",".join(COLUMNS) + " and rows below it"
        )


def _header(cells: list[str], where: str) -> dict[str, int]:
    at = {cell.casefold(): column for column, cell in enumerate(cells)}
    missing = [name for name in COLUMNS if name not in at]
    if missing:
        raise InputError(
            "no column " + ", ".join(missing), where=where, found=",".join(cells), expected=",".join(COLUMNS)
        )
    return at


def _one_of(found: str, known: Sequence[str], message: str, where: str) -> None:
    if found not in known:
        close = difflib.get_close_matches(found, known, n=1)
        hint = f"did you mean {close[0]!r}?" if close else ""
        raise InputError(message, where=where, found=found, expected="one of " + ", ".join(known), hint=hint)
