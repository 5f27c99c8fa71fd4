"""Whether 32-bit registers of a reading were read in the wrong order, by all that was read."""

from __future__ import annotations

import math
import struct

import numpy as np
from numpy.typing import NDArray

from gaswitness.site.records import Detector, Site
from gaswitness.site.wires import RegisterEntry

Floats = NDArray[np.float64]

SWAPPED_SHARE = 0.9
"""Readings that make sense with their halves exchanged; of readings in the right order hardly one does."""
ABSURD_SHARE = 0.3
"""Readings that make none as they stand; a wrong order gives small numbers too, which could be a true zero."""

_PPM_PER_UNIT = {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4}


def mostly_swapped(values: Floats, entry: RegisterEntry, d: Detector) -> bool:
    """Nearly all readings are absurd as they stand and sensible with their registers exchanged."""
    factor = ppm_per_unit(entry, d)
    if factor is None or entry.type in ("uint16", "int16"):
        return False
    tested = nonzero(values)[-200:]
    if tested.size < 5:
        return False
    slack = 0.05 * d.range_ppm
    ends = sorted(
        (ppm / factor - entry.offset) / entry.scale for ppm in (d.range_low_ppm - slack, d.range_high_ppm + slack)
    )
    least = abs(d.resolution_ppm / factor / entry.scale) / 100.0
    raw = (tested / factor - entry.offset) / entry.scale
    expected = (ends[0], ends[1])
    others = [halves_exchanged(float(value), entry.type) for value in raw]
    sensible = sum(_sensible(other, expected, least) for other in others if other)
    absurd = sum(not _sensible(float(value), expected, least) for value in raw)
    return bool(sensible >= SWAPPED_SHARE * tested.size and absurd >= ABSURD_SHARE * tested.size)


def nonzero(values: Floats) -> Floats:
    """Values that are not zero: a zero is a zero in any order."""
    kept: Floats = values[values != 0.0]
    return kept


def halves_exchanged(value: float, of: str) -> float | None:
    """A 32-bit register value with its two halves exchanged, in the unit of the register; none where it is no such.

    The wrong order often gives a very small number: 20.9 is 41A7 3333.

    >>> wrong = struct.unpack(">f", bytes.fromhex("333341A7"))[0]
    >>> round(wrong, 10), round(halves_exchanged(wrong, "float32"), 6)
    (4.17e-08, 20.9)
    """
    code = {"float32": ">f", "int32": ">i", "uint32": ">I"}[of]
    try:
        data = struct.pack(code, value if of == "float32" else round(value))
    except (struct.error, OverflowError, ValueError):
        return None
    return float(struct.unpack(code, data[2:] + data[:2])[0])


def _sensible(value: float, expected: tuple[float, float], least: float) -> bool:
    inside = math.isfinite(value) and expected[0] <= value <= expected[1]
    return inside and (value == 0.0 or abs(value) >= least)


def register_of(site: Site, tag: str) -> RegisterEntry | None:
    """Where a detector's reading stands on a link."""
    signal = f"{tag}.reading"
    return next((entry for link in site.links for entry in link.registers if entry.signal == signal), None)


def ppm_per_unit(entry: RegisterEntry, detector: Detector) -> float | None:
    """Factor from the register's unit to ppm; none for a current, or where no flammable limit is stated."""
    if entry.unit == "%LFL":
        return detector.lfl.ppm / 100.0 if detector.lfl else None
    return _PPM_PER_UNIT.get(entry.unit)
