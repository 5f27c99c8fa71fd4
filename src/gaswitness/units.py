"""Text to SI numbers and back: the only place where units meet.

Inside the package a concentration is a volume fraction in ppm, everything else is SI; the unit stands in the
name of the variable. Text is settled here, when a file or a register is read.
"""

from __future__ import annotations

import re
from typing import Literal

from gaswitness.errors import UnitError

Dimension = Literal["fraction", "time", "length", "volume", "flow", "mass", "pressure", "temperature"]

_L_MIN = 1e-3 / 60.0

SCALES: dict[Dimension, dict[str, float]] = {
    "fraction": {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4, "vol%": 1e4},
    "time": {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86400.0},
    "length": {"m": 1.0, "mm": 1e-3, "cm": 1e-2},
    "volume": {"m3": 1.0, "L": 1e-3, "l": 1e-3, "mL": 1e-6},
    "flow": {"m3/s": 1.0, "m3/h": 1 / 3600.0, "L/min": _L_MIN, "l/min": _L_MIN, "mL/min": _L_MIN / 1e3, "L/s": 1e-3},
    "mass": {"kg": 1.0, "g": 1e-3, "lb": 0.45359237},
    "pressure": {"Pa": 1.0, "hPa": 100.0, "kPa": 1e3, "mbar": 100.0, "bar": 1e5},
    "temperature": {"K": 1.0},
}
"""Factor to the unit kept inside, which stands first in each row."""

_CELSIUS = ("degC", "°C", "C")
_ZERO_CELSIUS_K = 273.15
_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S(?:.*\S)?)?\s*", re.ASCII)


def parse_quantity(text: str, dimension: Dimension) -> float:
    """Read a number with its unit into the unit kept inside.

    >>> parse_quantity("2.0 %vol", "fraction")
    20000.0
    >>> parse_quantity("20 degC", "temperature")
    293.15
    """
    known = ", ".join([*SCALES[dimension], *(_CELSIUS[:1] if dimension == "temperature" else ())])
    match = _QUANTITY.fullmatch(text)
    if match is None or match[2] is None:
        raise UnitError(f"found {text!r}, expected a number and a unit ({known})")
    number, unit = float(match[1]), match[2]
    if dimension == "temperature" and unit in _CELSIUS:
        return number + _ZERO_CELSIUS_K
    scale = SCALES[dimension].get(unit)
    if scale is None:
        raise UnitError(f"found the unit {unit!r} in {text!r}, expected one of {known}")
    return number * scale


def write_quantity(value: float, dimension: Dimension) -> str:
    """Write a number in the unit kept inside, such that reading it gives the same number.

    >>> write_quantity(20000.0, "fraction")
    '20000 ppm'
    """
    unit = next(iter(SCALES[dimension]))
    number = str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
    return f"{number} {unit}"
