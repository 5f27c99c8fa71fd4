"""Records from before there were ledgers: one row of a table for one detector on one day, read fault by fault."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, get_args

from gaswitness.errors import Fault, InputFaults
from gaswitness.history.parcel import Parcel, Row, VisitRows
from gaswitness.history.table import Line, read_table
from gaswitness.judge.records import Outcome
from gaswitness.site.references import near

OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
PPM = {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4}
TAG = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,39}")
COVERAGE_K = 2.0

COLUMNS: dict[str, str] = {
    "site": "name of the site, as in its file",
    "date": "day of the test, year first: `2024-05-31`",
    "time": "UTC, where one detector was tested twice on a day: `14:30`",
    "tag": "the detector",
    "gas": "the gas it is meant for",
    "outcome": "as it was left: `pass`, `fail`, `inconclusive`, `not tested`, `error` or `aborted`",
    "as found": "the same before anything was adjusted; left empty, as the outcome if nothing was adjusted",
    "alarmed": "`yes` if every alarm set with gas on it, `no` if one did not; empty if that was not tried",
    "unit": "of all readings in the row: `ppm`, `ppb` or `%vol`",
    "gas value": "what it should show on the bottle",
    "zero value": "what it should show before gas; empty is 0, save for oxygen",
    "zero found": "reading before gas",
    "span found": "settled reading on gas",
    "t90 found": "seconds to 90 % of the change",
    "zero left": "after an adjustment",
    "span left": "after an adjustment",
    "t90 left": "after an adjustment",
    "U zero": "expanded uncertainty of the zero, k = 2",
    "U span": "of the reading on gas, k = 2, the bottle's included",
    "U bottle": "the bottle's part of `U span`, k = 2; rows with the same bottle certificate share it",
    "U t90": "of t90, k = 2, seconds",
    "zero low": "lower limit of that day",
    "zero high": "upper limit",
    "span low": "lower limit of that day",
    "span high": "upper limit",
    "t90 limit": "longest t90 allowed, seconds",
    "t90 expected": "seconds; what it should be under the cap",
    "adjusted": "`no`, `zero`, `span`, or `zero and span`",
    "sensor exchanged": "`yes` if a new sensor was fitted, after the test as found",
    "sensor": "kind of sensor, in your words",
    "bottle": "tag of the bottle",
    "bottle certificate": "number of its certificate",
    "by": "who tested",
    "simulated": "`yes` if it was done on the simulated installation",
    "note": "anything",
    "corrects": "`yes` if this row puts right one that was imported with another content",
    "source": "written by `export`: the visit that the row was made from",
}
"""Columns of the table, in order, and what goes into them."""
REQUIRED = ("site", "date", "tag", "gas", "outcome")


@dataclass
class _Reader:
    """One row, and what is wrong with it."""

    line: Line
    faults: list[Fault] = field(default_factory=list)

    def say(self, column: str, found: object, expected: str, hint: str = "") -> None:
        message = (
            f"found {found!r}, expected {expected}" if found is not None else f"found nothing, expected {expected}"
        )
        self.faults.append(
            Fault(f"{self.line.where}, column {column!r}", message, hint or f"{column}: {COLUMNS[column]}")
        )

    def text(self, column: str) -> str:
        cell = self.line.cells.get(column)
        if isinstance(cell, float) and cell.is_integer():
            cell = int(cell)
        text = "" if cell is None else str(cell).strip()
        if not text and column in REQUIRED:
            self.say(column, None, COLUMNS[column])
        if any(ord(char) < 32 and char not in "\n\t" for char in text) or len(text) > 2000:
            self.say(column, text[:40], "plain text of at most 2,000 characters")
        return text

    def number(self, column: str, *, above_zero: bool = False, not_below_zero: bool = False) -> float | None:
        cell = self.line.cells.get(column)
        if cell is None:
            return None
        if isinstance(cell, str) and self.line.decimal_comma:
            cell = cell.replace(",", ".")
        try:
            value = float(cell) if isinstance(cell, int | float | str) and not isinstance(cell, bool) else math.nan
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            hint = "write a decimal point" if isinstance(cell, str) and "," in cell else "leave it empty if not known"
            self.say(column, str(cell)[:40], "a number without its unit", hint)
            return None
        if (above_zero and value <= 0) or (not_below_zero and value < 0):
            self.say(column, value, "more than 0" if above_zero else "0 or more")
            return None
        return value

    def choice(self, column: str, choices: Iterable[str]) -> str:
        text = self.text(column).lower()
        names = tuple(choices)
        if text and text not in names:
            self.say(column, text[:40], f"one of {', '.join(names)}", near(text, names))
            return ""
        return text

    def yes(self, column: str) -> bool | None:
        return {"yes": True, "no": False}.get(self.choice(column, ("yes", "no")))

    def instant(self) -> str:
        cell, clock = self.line.cells.get("date"), self.line.cells.get("time")
        day: date | None = cell.date() if isinstance(cell, datetime) else cell if isinstance(cell, date) else None
        if day is None and cell is not None:
            try:
                day = date.fromisoformat(str(cell).strip())
            except ValueError:
                self.say("date", str(cell)[:40], "a day such as 2024-05-31", "year first, so that it cannot be misread")
        if cell is None:
            self.say("date", None, COLUMNS["date"])
        if day is not None and not 1950 <= day.year <= 2150:
            self.say("date", day.isoformat(), "a day from 1950 on")
        if clock is None:
            return day.isoformat() if day else ""
        text = str(clock).strip().removesuffix("Z")
        if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d(\.\d+)?)?", text):
            self.say("time", text[:40], "a time such as 14:30")
        return f"{day.isoformat()}T{text}Z" if day else ""


def paper_parcel(data: bytes, name: str) -> Parcel:
    """Read a table of earlier records; raises InputFaults with every fault of every row."""
    header, lines = read_table(data, name)
    faults = [
        Fault(f"row 1, column {column!r}", "found an unknown column", near(column, tuple(COLUMNS)))
        for column in header
        if column and column not in COLUMNS
    ]
    faults += [
        Fault("row 1", f"found no column {column!r}, expected {COLUMNS[column]}", "docs/history.md lists all columns")
        for column in REQUIRED
        if column not in header
    ]
    if len(set(filter(None, header))) != len([*filter(None, header)]):
        faults.append(Fault("row 1", "found a column twice"))
    if not set(REQUIRED) & set(header):
        message = f"found no column of a table of earlier records, expected at least {', '.join(REQUIRED)}"
        hint = "what is kept: a bundle (.evidence.zip), a ledger (.ledger.jsonl), or such a table"
        raise InputFaults(name, (Fault("row 1", message, hint),))
    if any(fault.path == "row 1" for fault in faults):
        raise InputFaults(name, tuple(faults))
    visits: dict[str, VisitRows] = {}
    for line in lines:
        reader = _Reader(line)
        made = _visit(reader)
        faults += reader.faults
        if not reader.faults:
            visits.setdefault(made.key, made)
    if faults:
        raise InputFaults(name, tuple(faults))
    return Parcel("paper", name, data, tuple(visits.values()), None, ("on paper: nobody signed these records",))


def _visit(read: _Reader) -> VisitRows:
    site, at, tag, gas = read.text("site"), read.instant(), read.text("tag"), read.text("gas")
    if tag and not TAG.fullmatch(tag):
        read.say("tag", tag[:60], "letters, digits, - and _, at most 40, a letter first")
    outcome, as_found = read.choice("outcome", OUTCOMES), read.choice("as found", OUTCOMES)
    adjusted = read.choice("adjusted", ("no", "zero", "span", "zero and span"))
    changed = adjusted not in ("", "no")
    if changed and not as_found and outcome:
        read.say("as found", None, "the outcome before the adjustment", "an adjusted detector has two outcomes")
    exchanged = read.yes("sensor exchanged") or False
    corrects, copy_of = read.yes("corrects") or False, read.text("source")
    if copy_of and not re.fullmatch(r"[0-9a-f]{64}", copy_of):
        read.say("source", copy_of[:40], "64 hexadecimal digits as `export` writes them, or nothing")
    test: Row = {
        "tag": tag,
        "gas": gas,
        "sensor": read.text("sensor"),
        "outcome": outcome,
        "as_found": as_found or outcome,
        "why": "",
        "alarmed": read.yes("alarmed"),
        "expected_t90_s": read.number("t90 expected", above_zero=True),
        "adjusted_zero": "zero" in adjusted,
        "adjusted_span": "span" in adjusted,
        "sensor_exchanged": exchanged,
        "cylinder": read.text("bottle") or None,
        "cylinder_certificate": read.text("bottle certificate") or None,
        "note": read.text("note"),
    }
    by, findings, gas_ppm = read.text("by"), _findings(read, test, changed or exchanged), _gas_ppm(read)
    said: dict[str, Any] = {"site": site, "at": at, "by": by, "copy_of": copy_of, "test": test, "findings": findings}
    if simulated := read.yes("simulated") or False:
        said["simulated"] = True
    if corrects:  # a row that goes back to what stood first is not that first row
        said["corrects"] = True
    key = hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()
    visit = {
        "visit": key,
        "kind": "paper",
        "site": site,
        "run_id": copy_of,
        "started": at,
        "ended": at,
        "operator": by,
        "simulated": simulated,
        "complete": True,
        "interrupted": False,
        "outcome": outcome,
        "software": "",
        "site_sha256": None,
    }
    done = [("zero", test["adjusted_zero"]), ("span", test["adjusted_span"]), ("sensor", exchanged)]
    rows: dict[str, list[Row]] = {
        "test": [test],
        "finding": findings,
        "adjustment": [
            {"number": number, "tag": tag, "what": what, "at": at, "by": by}
            for number, what in enumerate(what for what, was in done if was)
        ],
        "cylinder_use": [_bottle(test, gas, gas_ppm)] if test["cylinder"] or test["cylinder_certificate"] else [],
    }
    return VisitRows(visit, None, rows, read.line.where, corrects, copy_of)


def _bottle(test: Row, gas: str, level_ppm: float | None) -> Row:
    certificate = test["cylinder_certificate"] or ""
    return {
        "cylinder": test["cylinder"] or certificate,
        "gas": gas,
        "level_ppm": level_ppm,
        "u_ppm": None,
        "certificate": certificate,
        "expires": None,
        "pressure_before_pa": None,
        "pressure_after_pa": None,
    }


def _unit(read: _Reader) -> float:
    unit = read.choice("unit", PPM)
    given = [
        name for name in ("gas value", "zero found", "span found", "zero left", "span left") if name in read.line.cells
    ]
    if given and not unit and "unit" not in read.line.cells:
        read.say("unit", None, f"the unit of {given[0]!r}: one of {', '.join(PPM)}")
    return PPM.get(unit, 1.0)


def _gas_ppm(read: _Reader) -> float | None:
    value = read.number("gas value", not_below_zero=True)
    return None if value is None else value * PPM.get(str(read.line.cells.get("unit", "ppm")).strip().lower(), 1.0)


def _findings(read: _Reader, test: Row, two_states: bool) -> list[Row]:
    scale = _unit(read)
    rows: list[Row] = []
    for kind in ("zero", "span", "t90"):
        of = 1.0 if kind == "t90" else scale
        lower, upper, target = _limits(read, kind, of, test)
        u, budget = _uncertainty(read, kind, of)
        for state in ("found", "left"):
            value = read.number(f"{kind} {state}", above_zero=kind == "t90")
            if value is None:
                continue
            if state == "left" and not two_states:
                read.say(f"{kind} left", value, "nothing where nothing was adjusted", "say what under adjusted")
            name = f"{test['tag']}/{'as-left/' if state == 'left' else ''}{kind}"
            rows.append(_finding(name, kind, state == "left", value * of, u, (lower, upper, target), budget, test))
    return rows


def _limits(read: _Reader, kind: str, of: float, test: Row) -> tuple[float | None, float | None, float | None]:
    def scaled(column: str) -> float | None:
        value = read.number(column)
        return None if value is None else value * of

    if kind == "t90":
        return None, read.number("t90 limit", above_zero=True), test["expected_t90_s"]
    lower, upper = scaled(f"{kind} low"), scaled(f"{kind} high")
    if lower is not None and upper is not None and lower >= upper:
        read.say(f"{kind} low", lower / of, f"less than {kind} high ({upper / of:g})")
    if kind == "span":
        return lower, upper, scaled("gas value")
    stated = scaled("zero value")
    return lower, upper, 0.0 if stated is None and test["gas"] != "O2" else stated


def _uncertainty(read: _Reader, kind: str, of: float) -> tuple[float | None, list[dict[str, Any]]]:
    expanded = read.number(f"U {kind}", above_zero=True)
    u = None if expanded is None else expanded * of / COVERAGE_K
    bottle = read.number("U bottle", above_zero=True) if kind == "span" else None
    if bottle is None:
        return u, []
    shared = bottle * of / COVERAGE_K
    if u is None or shared > u * (1 + 1e-9):
        read.say("U bottle", bottle, "no more than 'U span', of which it is a part")
        return u, []
    return u, [{"name": "gas certificate", "u": shared, "shared": "cylinder:"}]


def _finding(
    name: str, kind: str, as_left: bool, value: float, u: float | None,
    limits: tuple[float | None, float | None, float | None], budget: list[dict[str, Any]], test: Row,
) -> Row:  # fmt: skip
    lower, upper, target = limits
    known = lower is not None or upper is not None
    outside = (lower is not None and value < lower) or (upper is not None and value > upper)
    return {
        "criterion": name,
        "tag": test["tag"],
        "kind": kind,
        "as_left": as_left,
        "text": "a record on paper",
        "value": value,
        "u": u,
        "unit": "s" if kind == "t90" else "ppm",
        "target": target,
        "lower": lower,
        "upper": upper,
        "rule": "simple",
        "outcome": "fail" if outside else "pass" if known else "not tested",
        "margin": None,
        "p_conform": None,
        "why": "" if known else "no limits are recorded",
        "budget": json.dumps(budget),
    }
