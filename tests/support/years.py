"""Ten invented years of the ice rink at Ravensmoor on paper: what a table of earlier records looks like.

Sensors lose sensitivity and grow slower, are adjusted when they near their tolerance, and some are exchanged; bottles
come and go, each with an error of its own that all its tests share. One detector once did not alarm. The same numbers
come out every time. Nothing here is a check of anything: it is there to be shown, and to be imported.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

SITE = "Ravensmoor ice rink"
FIRST_YEAR, YEARS = 2016, 10
COLUMNS = (
    "site", "date", "tag", "gas", "outcome", "as found", "alarmed", "unit", "gas value", "zero value", "zero found",
    "span found", "t90 found", "zero left", "span left", "t90 left", "U zero", "U span", "U bottle", "U t90",
    "zero low", "zero high", "span low", "span high", "t90 limit", "t90 expected", "adjusted", "sensor exchanged",
    "sensor", "bottle", "bottle certificate", "by", "note",
)  # fmt: skip


@dataclass(frozen=True)
class Head:
    """One detector as it is new, and how it ages a year."""

    tag: str
    gas: str
    unit: str
    sensor: str
    bottle: str
    level: float
    range: float
    air: float
    t90_s: float
    gain: float
    zero: float
    slower: float
    life: int


HEADS = (
    Head("NH3-1", "NH3", "ppm", "electrochemical", "BTL-NH3", 220.0, 300.0, 1.5, 75.0, -0.021, 0.25, 0.055, 4),
    Head("NH3-2", "NH3", "ppm", "electrochemical", "BTL-NH3", 220.0, 300.0, 1.5, 65.0, -0.014, 0.15, 0.035, 4),
    Head("CO2-1", "CO2", "%vol", "infrared", "BTL-CO2", 4.0, 5.0, 0.06, 130.0, -0.006, 0.001, 0.010, 12),
    Head("CO2-2", "CO2", "%vol", "infrared", "BTL-CO2", 4.0, 5.0, 0.06, 120.0, 0.001, 0.0, 0.005, 12),
    Head("O2-1", "O2", "%vol", "electrochemical", "BTL-O2", 16.5, 25.0, 20.85, 28.0, 0.003, -0.04, 0.060, 3),
    Head("CO-1", "CO", "ppm", "electrochemical", "BTL-CO", 150.0, 300.0, 3.0, 40.0, -0.016, 0.2, 0.030, 5),
    Head("NO2-1", "NO2", "ppm", "electrochemical", "BTL-NO2", 5.0, 10.0, 0.1, 50.0, -0.019, 0.004, 0.040, 3),
)
BOTTLE_U = {"NH3": 0.03, "CO2": 0.02, "O2": 0.01, "CO": 0.02, "NO2": 0.04}
SPAN_TOLERANCE, ZERO_TOLERANCE = 0.07, 0.02
"""Of the range, as in the site file."""
PEOPLE = ("A. Thorne", "B. Vale", "M. Kerr")
DID_NOT_ALARM = ("NO2-1", FIRST_YEAR + 5)


def rows(heads: tuple[Head, ...] = HEADS, years: int = YEARS, seed: int = 2016) -> list[dict[str, str]]:
    """One row a detector and year, in order of the years."""
    stream = np.random.default_rng(seed)
    periods = range(FIRST_YEAR // 3, (FIRST_YEAR + years) // 3 + 1)
    errors = {(gas, period): stream.normal(0.0, u / 2) for period in periods for gas, u in BOTTLE_U.items()}
    found: list[list[dict[str, str]]] = [[] for _ in range(years)]
    for head in heads:
        gain, zero, age = 1.0, 0.0, 0
        for n in range(years):
            year = FIRST_YEAR + n
            day = date(year, 5, 12) + timedelta(days=int(stream.integers(-12, 13)))
            bottle_error = errors[head.gas, year // 3]
            row, gain, zero, age = _row(head, day, n, gain, zero, age, bottle_error, stream)
            found[n].append(row)
    return [row for year_rows in found for row in year_rows]


def _row(
    head: Head, day: date, n: int, gain: float, zero: float, age: int, bottle_error: float, stream: np.random.Generator
) -> tuple[dict[str, str], float, float, int]:
    year = day.year
    if n:
        gain += head.gain * (1 + 0.25 * stream.normal())
        zero += head.zero * (1 + 0.4 * stream.normal())
        age += 1
    noise = 0.002 * head.range
    target, bottle_u = head.level, BOTTLE_U[head.gas] * head.level
    dead = (head.tag, year) == DID_NOT_ALARM

    def reads(gain: float, zero: float) -> tuple[float, float]:
        truth = head.level * (1 + bottle_error)
        base = head.air if head.gas == "O2" else 0.0  # an oxygen cell is adjusted in air
        span = base + gain * (truth - base) + zero + noise * stream.normal()
        return head.air + zero + noise * stream.normal(), span

    zero_found, span_found = reads(gain, zero)
    if dead:
        span_found = 0.18 * head.level
    t90 = head.t90_s * 1.08 * (1 + head.slower) ** age * (1 + 0.015 * stream.normal())
    span_off, zero_off = SPAN_TOLERANCE * head.range, ZERO_TOLERANCE * head.range
    t90_limit = 1.5 * head.t90_s + 14.0
    short = abs(span_found - target) > span_off or abs(zero_found - head.air) > zero_off or t90 > t90_limit
    exchange = dead or age >= head.life
    adjust = not exchange and (short or abs(span_found - target) > 0.6 * span_off)
    cells: dict[str, object] = {
        "site": SITE, "date": day.isoformat(), "tag": head.tag, "gas": head.gas, "unit": head.unit,
        "outcome": "pass" if exchange or adjust or not short else "fail", "as found": "fail" if short else "pass",
        "alarmed": "no" if dead else "yes", "gas value": target, "zero value": head.air,
        "zero found": zero_found, "span found": span_found, "t90 found": None if dead else t90,
        "U zero": 2 * noise, "U span": 2 * np.hypot(noise, bottle_u / 2), "U bottle": bottle_u,
        "U t90": 0.03 * head.t90_s,
        "zero low": head.air - zero_off, "zero high": head.air + zero_off, "span low": target - span_off,
        "span high": target + span_off, "t90 limit": t90_limit, "t90 expected": head.t90_s * 1.08,
        "adjusted": "zero and span" if adjust else "no", "sensor exchanged": "yes" if exchange else "no",
        "sensor": head.sensor, "bottle": head.bottle, "bottle certificate": f"RM-{head.gas}-{year // 3 * 3}",
        "by": PEOPLE[n % len(PEOPLE)],
        "note": "no alarm on gas: sensor dead" if dead else "sensor at the end of its life" if exchange else "",
    }  # fmt: skip
    if exchange or adjust:
        gain, zero = 1.0 - bottle_error * (head.gas != "O2") + 0.002 * stream.normal(), 0.0
        age = 0 if exchange else age
        cells["zero left"], cells["span left"] = reads(gain, zero)
        if exchange:
            cells["t90 left"] = head.t90_s * 1.08 * (1 + 0.015 * stream.normal())
    return {name: _text(cells.get(name), head) for name in COLUMNS}, gain, zero, age


def _text(value: object, head: Head) -> str:
    if value is None:
        return ""
    return f"{float(value):.{4 if head.range <= 25 else 2}f}" if isinstance(value, float | np.floating) else str(value)


def table(**choices: object) -> bytes:
    """The rows as a CSV file."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows(**choices))  # type: ignore[arg-type]
    return out.getvalue().encode()
